"""Pictures of layouts: they are there, show something, repeat to the byte, and no text covers another."""

from __future__ import annotations

import time
from itertools import combinations

import numpy as np
import pytest
from picture_site import make_layout, make_site, make_zones
from PIL import Image

from loopgis.sheets import figure, plan_map, tokens

SITE = make_site()
ZONES = make_zones(SITE)


def texts(sheet):
    """Every text that is drawn, with its box in pixels."""
    from matplotlib.text import Text

    sheet.canvas.draw()
    gone = _beyond_the_ends(sheet)
    return [
        (t, t.get_window_extent())
        for t in sheet.findobj(Text)
        if t.get_visible() and t.get_text().strip() and t not in gone
    ]


def _beyond_the_ends(sheet):
    """Figures of an axis that lie outside its range: they exist but are not drawn."""
    gone = set()
    for axes in sheet.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-6 * (high - low)
            for tick in axis.get_major_ticks():
                if not low - slack <= tick.get_loc() <= high + slack:
                    gone |= {tick.label1, tick.label2}
    return gone


def overlaps(found, slack_px=1.5):
    return [
        (a.get_text(), b.get_text())
        for (a, p), (b, q) in combinations(found, 2)
        if min(p.x1, q.x1) - max(p.x0, q.x0) > slack_px and min(p.y1, q.y1) - max(p.y0, q.y0) > slack_px
    ]


@pytest.fixture(scope="module")
def sheets():
    return {n: plan_map.compose(SITE, ZONES, make_layout(SITE, n)) for n in (1, 8, 14)}


def test_the_overlap_check_sees_an_overlap():
    sheet = figure.sheet(3, 2)
    sheet.text(0.5, 0.5, "one")
    sheet.text(0.52, 0.5, "two")
    assert overlaps(texts(sheet)) == [("one", "two")]


@pytest.mark.parametrize("count", [1, 8, 14])
def test_no_text_covers_another(sheets, count):
    for sheet in sheets[count]:
        assert overlaps(texts(sheet)) == []


@pytest.mark.parametrize("count", [1, 8, 14])
def test_no_text_is_smaller_than_seven_points(sheets, count):
    sizes = [t.get_fontsize() for sheet in sheets[count] for t, _ in texts(sheet)]
    assert min(sizes) >= 7


def test_what_the_sheet_says(sheets):
    words = " ".join(t.get_text() for t, _ in texts(sheets[8][0]))
    for wanted in ("Made-up Lot", "L-01", "rank 1", "distances entered", "gas service", "pond", "B-08"):
        assert wanted in words
    assert "complian" not in words.lower()


def test_a_sheet_never_claims_distances_that_are_not_met():
    from dataclasses import replace

    layout = make_layout(SITE, 1)
    good = replace(layout, clearances=tuple(c for c in layout.clearances if c.outcome != "fail"))
    said = [" ".join(t.get_text() for t, _ in texts(plan_map.compose(SITE, ZONES, y)[0])) for y in (layout, good)]
    assert ["Meets the distances entered" in s for s in said] == [False, True]
    assert "NOT meet the distances entered" in said[0]


def test_a_label_for_several_zones_gives_the_whole_range_of_depths():
    depths = [z.required_depth_m for z in ZONES if z.rule.key == "house/buried-line"]
    low, high = (f"{round(d, 1):g} m" for d in (min(depths), max(depths)))
    said = [t.get_text() for t, _ in texts(plan_map.compose(SITE, ZONES, make_layout(SITE, 1))[0])]
    assert low != high
    assert any(t.endswith(f"below {low} to {high}") for t in said)


def test_utility_letters_are_on_the_plan(sheets):
    """Colour is never the only sign: each line's letter stands on it."""
    written = {t.get_text() for t, _ in texts(sheets[8][0])}
    assert {"E", "G", "R"} <= written


def test_many_bores_get_a_second_picture(tmp_path):
    layout = make_layout(SITE, 14)
    written = plan_map.draw_layout(tmp_path / "L-01.png", SITE, ZONES, layout)
    assert [p.name for p in written][:2] == ["L-01.png", "L-01-profiles.png"]
    assert all(p.is_file() for p in written)


def test_a_picture_is_as_large_as_promised_and_not_blank(tmp_path):
    (path,) = plan_map.draw_layout(tmp_path / "p.png", SITE, ZONES, make_layout(SITE, 8))
    with Image.open(path) as image:
        assert image.size == (2550, 1650)
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    for colour in (
        tokens.INK,
        tokens.FAMILY["E"],
        tokens.FAMILY["G"],
        tokens.FAMILY["R"],
        tokens.WATER,
        tokens.BUILDING,
    ):
        rgb = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert np.sum(np.all(np.abs(pixels.astype(int) - rgb) <= 6, axis=1)) > 50, colour


@pytest.mark.parametrize("suffix", [".png", ".pdf"])
def test_the_same_layout_gives_the_same_bytes(tmp_path, suffix):
    for name in ("a", "b"):
        plan_map.draw_layout(tmp_path / f"{name}{suffix}", SITE, ZONES, make_layout(SITE, 2))
    first = (tmp_path / f"a{suffix}").read_bytes()
    assert first == (tmp_path / f"b{suffix}").read_bytes()
    assert b"matplotlib" not in first.lower()


def test_the_units_of_the_site_file_are_kept():
    words = {u: _words(make_site(units=u)) for u in ("us", "metric")}
    assert " ft" in words["us"]
    assert " ft" not in words["metric"].replace("[", " ")


def _words(site):
    return " ".join(
        t.get_text() for s in plan_map.compose(site, make_zones(site), make_layout(site, 2)) for t, _ in texts(s)
    )


def test_other_layouts_are_drawn_lightly():
    layout, other = make_layout(SITE, 2), make_layout(SITE, 3, rank=2)
    words = {
        bool(others): " ".join(t.get_text() for t, _ in texts(plan_map.compose(SITE, ZONES, layout, others=others)[0]))
        for others in ((), (other,))
    }
    assert "another layout" in words[True]
    assert "another layout" not in words[False]


def test_a_flat_site_and_one_without_a_header_are_drawn():
    from dataclasses import replace

    from loopgis.site.model import FLAT

    site = replace(SITE, terrain=FLAT)
    sheet = plan_map.compose(site, ZONES, replace(make_layout(site, 1), header=None))[0]
    assert "header to the house" not in {t.get_text() for t, _ in texts(sheet) if t.get_fontsize() <= 7}


def test_a_name_of_the_site_is_no_formula_and_stays_on_the_sheet():
    sheet = plan_map.compose(make_site(name="$x^2$ & Söhne " + "long " * 40), ZONES, make_layout(SITE, 1))[0]
    found = texts(sheet)
    assert any(t.get_text().startswith("$x^2$") for t, _ in found)
    assert all(box.x1 <= sheet.bbox.width + 1 and box.x0 >= -1 for _, box in found)
    assert overlaps(found) == []


def test_eight_bores_are_drawn_quickly(tmp_path):
    """About a second on the computer it was written on; five here, as a guard against a picture that hangs."""
    layout = make_layout(SITE, 8)
    start = time.perf_counter()
    plan_map.draw_layout(tmp_path / "p.png", SITE, ZONES, layout)
    assert time.perf_counter() - start < 5
