"""Drill sheets for the crew: what stands on which page, in which units, and whether it survives a photocopier."""

from __future__ import annotations

import re
import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import matplotlib.collections
import matplotlib.lines
import matplotlib.patches
import matplotlib.text
import numpy as np
import pytest
from matplotlib.colors import to_rgba
from matplotlib.textpath import TextPath
from PIL import Image

from loopgis.bore import steer
from loopgis.core.errors import InputError
from loopgis.layout.annulus import THIN_COVER_M
from loopgis.sheets import drill_front, drill_mud, drill_profile, drill_sheet
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_book import Along, CrossingLine, RodLine
from loopgis.sheets.drill_paper import SIZES_IN, Paper

sys.path.insert(0, str(Path(__file__).parent))

from book import book

ROD_M = 3.048
THINGS = (  # kind, code, label, consequence; where of 450 ft; whether below the bore
    ("electric_ug", "E", "Ace Power 13 kV", "danger to life", 0.131, False),
    ("gas_line", "G", "street main, Northern Gas & Coke Company, 4 in steel, coated", "danger to life", 0.136, False),
    ("telecom", "T", "fibre $5 & $6", "service lost", 0.142, False),
    ("water_main", "W", "8 in main", "service lost", 0.29, False),
    ("sewer_gravity", "S", "lateral to No. 14", "service lost", 0.45, False),
    ("irrigation", "R", "lawn loop", "nuisance", 0.59, False),
    ("surface_water", "", "Mill pond", "nuisance", 0.69, False),
    ("drain_tile", "S", "old clay drain", "nuisance", 0.80, True),
    ("paved_way", "", "drive", "nuisance", 0.88, False),
)


def long_page(told, rods=45, crossings=9, bore_id="B-03"):
    """A page like `told` with a long bore that bends in plan and passes many things, depth 18 ft and more."""
    length = ROD_M * rods
    s = np.linspace(0, length, int(length) + 1)
    pitch = np.interp(s, [0, 3, 26, length - 24, length - 2, length], [-32, -32, 0, 0, 26, 26])
    azimuth = 20 + np.interp(s, [0, 30, 70, 90, length], [0, 0, 12, 6, 6])
    rise = np.arctan((pitch[1:] + pitch[:-1]) / 200)
    way = np.radians((azimuth[1:] + azimuth[:-1]) / 2)
    flat = np.diff(s) * np.cos(rise)
    plan, z, x, y = (
        np.r_[0, np.cumsum(v)] for v in (flat, np.diff(s) * np.sin(rise), flat * np.sin(way), flat * np.cos(way))
    )
    z += 100
    ground = np.interp(plan, [0, 30, 60, 90, plan[-1]], [100, 101.2, 99.0, 100.4, z[-1]])
    depth = np.maximum(ground - z, 0)
    head = 11_800 * np.maximum(z[0] - z, 0)
    a = told.along
    along = Along(
        station_m=s, plan_m=plan, x=a.x[0] + x * 3.28, y=a.y[0] + y * 3.28, ground_m=ground, z_m=z,
        demand_pa=head + 430 * s, demand_high_pa=head + 1270 * s, capacity_pa=24_000 * depth,
        overburden_pa=19_000 * depth, lateral_m=0.05 + 0.004 * s, vertical_m=0.02 + 0.025 * depth,
    )  # fmt: skip
    at = np.arange(rods + 1) * ROD_M
    ends = {
        n: np.interp(at, s, v) for n, v in (("x", x), ("y", y), ("z", z), ("g", ground), ("p", pitch), ("a", azimuth))
    }
    offset = steer.offset_m(ends["x"], ends["y"])
    action = steer.actions(station_m=at, pitch_pct=ends["p"], azimuth_deg=ends["a"])
    deep = ends["g"] - ends["z"]
    care = steer.locate_notes(depth_m=deep, pitch_pct=ends["p"], blind=[30 < n < 34 for n in range(rods + 1)])
    passed = []
    for n in range(crossings):
        kind, code, label, harm, share, over = THINGS[n % len(THINGS)]
        station = share * length + 0.4 * (n // len(THINGS))
        here = float(np.interp(station, s, depth))
        top = None if kind == "sewer_gravity" else here + 0.9 if over else min(0.6 + 0.12 * n, here / 2)
        gap = None if top is None else abs(here - top) - 0.06
        passed.append(
            CrossingLine(
                feature_id=f"f{n}",
                kind=kind,
                label=label,
                code=code,
                quality="ABCD"[n % 4],
                station_m=station,
                rod=int(np.ceil(station / ROD_M)),
                angle_deg=80.0,
                under=not over,
                depth_m=top,
                clearance_m=gap,
                sigma_m=0.1,
                risk=0.0123 * (n + 1),
                consequence=harm,
                outcome="pass",
            )
        )
    lines = tuple(
        RodLine(
            rod=n, station_m=float(at[n]), x=0.0, y=0.0, lon=0.0, lat=0.0, z_m=float(ends["z"][n]),
            ground_m=float(ends["g"][n]), depth_m=float(max(deep[n], 0)), pitch_pct=float(ends["p"][n]),
            azimuth_deg=float(ends["a"][n]), offset_m=float(offset[n]), action=action[n],
            note="entry" if n == 0 else "exit" if n == rods else "", locate=care[n],
            crossing=", ".join(c.label for c in passed if c.rod == n),
        )
        for n in range(rods + 1)
    )  # fmt: skip
    return replace(
        told, bore_id=bore_id, rods=lines, crossings=tuple(passed), along=along,
        figures=replace(told.figures, length_m=length, rods=rods, max_depth_m=float(depth.max())),
        warnings=tuple(
            f"crossing {n}: the gap is within the doubt about head and line; open the ground before the head passes there"
            for n in range(6)
        ),
        returns=(
            (
                "returns are to be expected on the first 12 ft and the last 14 ft: pit and vacuum at the entry, bags or a silt"
                " fence round the exit before the head comes up"
            ),
            "somebody watches Mill pond and drive while the head and the reamer pass under them",
        ),
    )  # fmt: skip


def with_long(rods=45, crossings=9, **how):
    told = book(**how)
    return replace(told, pages=(*told.pages, long_page(told.pages[0], rods, crossings)))


def unknown_ground(page):
    none = np.full_like(page.along.station_m, np.nan)
    return replace(
        page,
        along=replace(page.along, demand_pa=none, demand_high_pa=none, capacity_pa=none, overburden_pa=none),
    )


def wild():
    """Names, figures and lists longer than anybody wants them."""
    told = with_long(38, 11, units="metric", all_in=True)
    page = told.pages[-1]
    figures = replace(
        page.figures, pull_n=450_000.0, weak_link_n=123_456.0, safe_pull_n=223_456.0, fluid_m3=123.0, spoil_m3=88.8,
        hours=123.4, at_stake=1_234_567.0, tightest_m=None, pull_speed_m_s=None,
    )  # fmt: skip
    page = replace(page, figures=figures, warnings=page.warnings * 3, returns=page.returns * 3)
    return replace(
        told,
        pages=(page, told.pages[1]),
        site="A site with the name that an office gives, " * 4,
        rig="rig with a long story " * 8,
        facts=told.facts * 5,
        claim="Does NOT meet the distances entered: 12 fail, see review.html",
    )


def short():
    """Two bores of which one is much longer."""
    told = with_long(90, 3)
    return replace(told, pages=(told.pages[0], told.pages[2]))


CASES = {
    "short": short,
    "wild": wild,
    "two us": book,
    "two metric": lambda: book(units="metric", all_in=True),
    "long us": with_long,
    "long metric": lambda: with_long(units="metric"),
    "longer us": lambda: with_long(70, 20),
    "nothing known": lambda: replace(
        book(), pages=tuple(replace(unknown_ground(p), crossings=(), warnings=()) for p in book().pages)
    ),
}


@pytest.fixture(scope="module")
def drawn():
    """Figures of the cases above, each drawn once."""
    kept = {}

    def of(name):
        if name not in kept:
            kept[name] = list(drill_sheet.sheets(CASES[name]()))
        return kept[name]

    return of


def texts_of(sheet):
    return [t for t in sheet.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]


def words_of(sheet):
    return " | ".join(t.get_text() for t in texts_of(sheet))


def joined(sheet):
    return " ".join(" ".join(t.get_text() for t in texts_of(sheet)).split())


@cache
def outline(text, font):
    return TextPath((0, 0), text, prop=font).get_extents()


def ink(sheet):
    """Text and box of the ink of every text, pixels; ticks by the box that matplotlib gives."""
    scale, found = sheet.dpi / 72, []
    for t in texts_of(sheet):
        if t.get_transform() == sheet.dpi_scale_trans:
            x, y = sheet.dpi_scale_trans.transform(t.get_position())
            box = outline(t.get_text(), t.get_fontproperties())
            shift = {"left": 0.0, "center": box.width / 2 + box.x0, "right": box.x1}[t.get_ha()]
            edges = np.array([box.x0 - shift, box.y0, box.x1 - shift, box.y1]) * scale
            found.append((t.get_text(), edges + np.array([x, y, x, y])))
        else:
            e = t.get_window_extent()
            found.append((t.get_text(), np.array([e.x0 + 1, e.y0 + 1, e.x1 - 1, e.y1 - 1])))
    return found


# what stands there --------------------------------------------------------------


@pytest.mark.parametrize(("name", "pages"), [("two us", 3), ("long us", 4), ("long metric", 4), ("longer us", 5)])
def test_number_of_pages(drawn, tmp_path, name, pages):
    sheets = drawn(name)
    assert len(sheets) == pages
    for n, sheet in enumerate(sheets, 1):
        assert f"page {n} of {pages}" in words_of(sheet)
    if name == "longer us":
        path = drill_sheet.write_drill_sheets(tmp_path / "drill.pdf", CASES[name]())
        assert path == tmp_path / "drill.pdf"
        assert len(re.findall(rb"/Type /Page\b", path.read_bytes())) == pages


@pytest.mark.parametrize("name", CASES)
def test_claim_gate_and_size_on_every_page(drawn, name):
    told = CASES[name]()
    gate = "ALL ANSWERS IN" if told.gate.open else "DO NOT DRILL: waiting for"
    other = "DO NOT DRILL" if told.gate.open else "ALL ANSWERS IN"
    for sheet in drawn(name):
        words = joined(sheet)
        assert told.claim in words
        assert gate in words
        assert other not in words
        assert tuple(sheet.get_size_inches()) == SIZES_IN[told.units]


def test_first_page_says_all(drawn):
    told = book()
    words = joined(drawn("two us")[0])
    for text in (*CAUTIONS, *told.gate.lines, *told.facts, told.rig, told.pipe, told.site, told.layout_id):
        assert text in words, text
    for page in told.pages:
        assert page.bore_id in words
    assert "427 ft drilled" in words
    assert "44 rods" in words
    assert "(1 not computed)" in words  # mud of the second bore
    assert "7'-9\"?" in words  # least gap, another depth is not known


def test_pull_beyond_the_weak_link_is_said_in_words():
    told = book()
    weak = replace(told.pages[0].figures, pull_n=6_000.0)
    told = replace(told, pages=(replace(told.pages[0], figures=weak), told.pages[1]))
    front, first, second = drill_sheet.sheets(told)
    assert "OVER 1349" in words_of(front)
    assert "PULL IS BEYOND THE WEAK LINK" in words_of(first)
    assert "PULL IS BEYOND" not in words_of(second)


def test_a_bore_page_in_feet(drawn):
    words = words_of(drawn("two us")[1])
    page = book().pages[0]
    for r in page.rods:
        assert f"| {r.station_m / 0.3048:.1f} |" in words
        assert r.action in words
    for text in ("190.9 ft", "8'-11\"", "-30.0 %, -16.7 deg", "131 ft / 108 ft", "5.0 in", "944 lbf", "1326 lbf", "2473 lbf",
                 "1191 lbf", "502 gal", "1.4 cu yd", "5.9 ft/min, 1.7 min a rod", "18,000 USD", "UNDER G 5'-5\" clear",
                 "relative", "expose", "first", "See a: near the gas line: read twice", "locating hand", "operator",
                 "locator calibrated", "heights drawn", page.returns[0], "not a safety factor"):  # fmt: skip
        assert text in words, text
    for text in page.warnings:
        assert text in words


def test_a_bore_page_in_metres(drawn):
    words = words_of(drawn("two metric")[1])
    for text in (
        "58.2 m",
        "2.71 m",
        "40 m / 33 m",
        "127 mm",
        "4.2 kN",
        "1,900 l",
        "1.1 cu m",
        "UNDER G 1.66 m clear",
        "kPa",
    ):
        assert text in words, text
    assert "ft-in" not in words
    assert "psi" not in words
    assert "'-" not in words


@pytest.mark.parametrize("name", ["long us", "long metric"])
def test_forty_five_rods_and_nine_crossings_stand_on_one_page(drawn, name):
    page = CASES[name]().pages[-1]
    words = words_of(drawn(name)[-1])
    assert "continued" not in words
    for r in page.rods:
        assert f"| {r.rod} |" in words
        assert r.action in words
    for c in page.crossings:
        assert c.label[:8] in words
    assert "OVER S" in words
    assert "unknown" in words
    assert "UNDER G, T" in words  # two on one rod
    assert "more in review.html" in words
    assert "projected depth" in words
    assert "c: no locate from above" in words
    assert "+ 6 more in review.html" in words  # the first warning is cut too


def test_what_does_not_fit_goes_on_overleaf(drawn):
    told = CASES["longer us"]()
    page = told.pages[-1]
    parts = [p for p in drill_sheet.parts_of(told) if p.page.bore_id == "B-03"]
    assert [p.continued for p in parts] == [False, True]
    assert parts[0].rods[0] == 0
    assert parts[0].rods[1] == parts[1].rods[0] > 30
    assert parts[1].rods[1] == len(page.rods)
    assert [p.crossings for p in parts] == [(0, 12), (12, 20)]
    first, second = (words_of(s) for s in drawn("longer us")[-2:])
    assert "B-03 continued" in second
    assert "Crossings 13 to 20 of 20" in second
    for r in page.rods[parts[1].rods[0] :]:
        assert f"| {r.rod} |" in second
        assert f"| {r.rod} | {r.station_m / 0.3048:.1f} |" not in first
        assert f"| {r.rod} | {r.station_m / 0.3048:.1f} |" in second


def test_ground_of_unknown_strength_has_no_picture(drawn):
    for sheet in drawn("nothing known")[1:]:
        words = words_of(sheet)
        assert drill_mud.NOT_COMPUTED in words
        assert "Mud in the pilot hole" not in words
        assert "None entered" in words
        assert len(sheet.axes) == 1
    assert len(drawn("two us")[1].axes) == 2


def test_stretches_of_the_mud():
    page = long_page(book().pages[0])
    found = drill_mud.stretches(page)
    a = page.along
    depth = a.ground_m - a.z_m
    for name, parts in found.items():
        for first, last in parts:
            inside = (a.station_m > first) & (a.station_m < last)
            if name == "thin cover":
                assert np.all(depth[inside] < THIN_COVER_M + 0.127)
            elif name == "over":
                assert np.all(a.demand_pa[inside] > a.capacity_pa[inside])
            else:
                assert np.all(a.demand_pa[inside] <= a.capacity_pa[inside])
                limit = np.minimum(a.capacity_pa / 1.5, a.overburden_pa)[inside]
                assert np.all(a.demand_pa[inside] > limit)
    assert [len(found[k]) for k in ("thin cover", "tight", "over")] == [2, 1, 1]
    text = drill_mud.mud_words(page, "us")[0]
    assert re.match(r"\d+ ft over; \d+ ft tight\. ", text)


def test_lines_of_the_mud_are_named(drawn):
    names = ("needed (power law)", "needed (Bingham)", "ground bears", "weight above")
    for case in ("two us", "long us", "long metric", "short"):
        for sheet, part in zip(drawn(case)[1:], drill_sheet.parts_of(CASES[case]()), strict=True):
            found = [t.get_text() for t in texts_of(sheet)]
            assert [found.count(n) for n in names] == ([0] * 4 if part.continued else [1] * 4)


def test_easy_mud_is_told_so():
    page = long_page(book().pages[0])
    page = replace(page, along=replace(page.along, demand_pa=page.along.demand_pa * 0.01))
    assert drill_mud.mud_words(page, "us")[0].startswith("No stretch under full cover is tight or over.")


def test_labels_are_spread_without_overlap():
    places = drill_profile.spread([1.0, 1.0, 1.0, 5.0], [0.5] * 4, 0.0, 5.1)
    assert places == pytest.approx([0.5, 1.0, 1.5, 4.85])
    assert np.all(np.diff(places) >= 0.5 - 1e-9)


def test_many_bores_stand_on_the_first_page():
    told = book()
    many = replace(told, pages=tuple(replace(told.pages[n % 2], bore_id=f"B-{n + 1:02d}") for n in range(44)))
    assert drill_front.count(many) == 1
    assert len(drill_sheet.parts_of(many)) == 44
    (front,) = drill_front.fronts(many, 45)
    words = words_of(front)
    for p in many.pages:
        assert p.bore_id in words
    many = replace(told, pages=tuple(replace(told.pages[n % 2], bore_id=f"B-{n + 1:03d}") for n in range(100)))
    laid = drill_front.laid_out(Paper("us"), many)
    assert laid.parts[0][0] == 0
    assert laid.parts[-1][1] == 100
    assert all(a[1] == b[0] for a, b in zip(laid.parts, laid.parts[1:], strict=False))
    fronts = [words_of(f) for f in drill_front.fronts(many, 103)]
    assert len(fronts) == len(laid.parts) > 1
    for n, p in enumerate(many.pages):
        (at,) = [k for k, (a, b) in enumerate(laid.parts) if a <= n < b]
        assert p.bore_id in fronts[at]


# the photocopier --------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_no_two_texts_overlap_and_all_are_inside(drawn, name):
    for sheet in drawn(name):
        found = ink(sheet)
        boxes = np.array([b for _, b in found])
        wide, tall = sheet.get_size_inches() * sheet.dpi
        margin = 0.25 * sheet.dpi
        out = (
            (boxes[:, 0] < margin)
            | (boxes[:, 1] < margin)
            | (boxes[:, 2] > wide - margin)
            | (boxes[:, 3] > tall - margin)
        )
        assert not np.any(out), [found[n][0] for n in np.flatnonzero(out)]
        a, b = boxes[:, None], boxes[None]
        hit = (a[..., 0] < b[..., 2]) & (a[..., 2] > b[..., 0]) & (a[..., 1] < b[..., 3]) & (a[..., 3] > b[..., 1])
        pairs = np.argwhere(np.triu(hit, 1))
        assert len(pairs) == 0, [(found[i][0], found[j][0]) for i, j in pairs]


@pytest.mark.parametrize("name", CASES)
def test_type_lines_and_colours_survive_a_photocopier(drawn, name):
    for sheet in drawn(name):
        for t in texts_of(sheet):
            assert t.get_fontsize() >= 7, t.get_text()
            assert to_rgba(t.get_color()) == (0, 0, 0, 1)
        for line in sheet.findobj(matplotlib.lines.Line2D):
            if not line.get_visible() or len(line.get_xdata()) == 0:
                continue
            assert max(to_rgba(line.get_color())[:3]) <= 0.2
            if line.get_linestyle() != "None":
                assert line.get_linewidth() >= 0.6
            else:
                assert line.get_markeredgewidth() >= 0.6
        for many in sheet.findobj(matplotlib.collections.LineCollection):
            assert np.all(np.asarray(many.get_linewidth()) >= 0.6)
            assert np.all(many.get_colors()[:, :3] == 0)
        for patch in sheet.findobj(matplotlib.patches.Patch):
            face, edge = patch.get_facecolor(), patch.get_edgecolor()
            assert face[3] == 0 or tuple(face[:3]) == (1, 1, 1)
            if edge[3] > 0 and patch.get_visible() and tuple(edge[:3]) != (1, 1, 1):
                assert max(edge[:3]) <= 0.2
                assert patch.get_linewidth() >= 0.6


def test_rods_are_set_in_seven_and_a_half_points(drawn):
    page = CASES["long us"]().pages[-1]
    figures = {f"{r.station_m / 0.3048:.1f}" for r in page.rods}
    sizes = [t.get_fontsize() for t in texts_of(drawn("long us")[-1]) if t.get_text() in figures - {"0.0"}]
    assert len(sizes) >= 45
    assert min(sizes) >= 7.5


def test_picture_of_a_page_is_black_on_white(tmp_path):
    path = drill_sheet.draw_drill_page(tmp_path / "page.png", with_long(), "B-03")
    with Image.open(path) as image:
        assert image.size == (1275, 1650)
        pixels = np.asarray(image.convert("RGB")).astype(int)
    assert np.ptp(pixels, axis=-1).max() == 0
    dark = (pixels[..., 0] < 128).mean()
    assert 0.03 < dark < 0.25


# files --------------------------------------------------------------


def test_same_bytes_twice(tmp_path):
    one = drill_sheet.write_drill_sheets(tmp_path / "a.pdf", book())
    two = drill_sheet.write_drill_sheets(tmp_path / "b.pdf", book())
    assert one.read_bytes() == two.read_bytes()
    assert b"CreationDate" not in one.read_bytes()
    pictures = [drill_sheet.draw_drill_page(tmp_path / f"{n}.png", book(), "B-01") for n in "xy"]
    assert pictures[0].read_bytes() == pictures[1].read_bytes()


def test_the_picture_is_the_page_of_the_pdf(drawn, tmp_path):
    told = book()
    path = drill_sheet.draw_drill_page(tmp_path / "page.png", told, "B-02")
    drawn("two us")[2].savefig(tmp_path / "same.png", dpi=150)
    with Image.open(path) as a, Image.open(tmp_path / "same.png") as b:
        assert np.array_equal(np.asarray(a.convert("L")), np.asarray(b.convert("L")))


def test_a_bore_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match=r"L-01 has no bore 'B-99'; one of B-01, B-02"):
        drill_sheet.draw_drill_page(tmp_path / "page.png", book(), "B-99")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match="nowhere"):
        drill_sheet.write_drill_sheets(tmp_path / "nowhere" / "drill.pdf", book())


@pytest.mark.parametrize("crs", ["EPSG:32619", "EPSG:4326"])
def test_the_key_plan_knows_any_coordinate_system(crs):
    fronts = [next(drill_front.fronts(book(c, units="metric"), 3)) for c in (crs, "EPSG:2249")]
    lines = [[x.get_xydata() for x in f.axes[0].lines if x.get_linestyle() == "-"] for f in fronts]
    for a, b in zip(*lines, strict=True):
        np.testing.assert_allclose(a, b, atol=0.02)
    lengths = [np.hypot(*np.diff(v, axis=0).T).sum() for v in lines[0][:2]]
    assert max(lengths) == pytest.approx(book().pages[1].figures.plan_length_m, rel=2e-3)


def test_a_page_is_drawn_quickly(tmp_path):
    told = with_long()
    spent = []
    for n in range(2):
        begun = time.process_time()
        drill_sheet.draw_drill_page(tmp_path / f"{n}.pdf", told, "B-03")
        spent.append(time.process_time() - begun)
    assert min(spent) < 2.0  # a second on an idle machine
