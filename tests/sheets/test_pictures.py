"""The picture of a layout: what stands on it, that texts keep apart, that bytes repeat."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapely
import zoo
from PIL import Image

from loopgis.core.units import FT_M
from loopgis.driver import design
from loopgis.sheets import figure, plan_map, tokens
from loopgis.sheets.cautions import CAUTIONS, SHORT_CAUTION
from loopgis.site.model import Feature
from loopgis.tables.load import load_table

NASTY = "Fen <b>& Sons</b> $x_1$"


@pytest.fixture(scope="module")
def made():
    features = (
        Feature(feature_id="h", kind="building", geometry=shapely.box(40, 30, 54, 42), label="house"),
        Feature(feature_id="w", kind="water_well", geometry=shapely.Point(108, 6), label="well"),
        Feature(
            feature_id="p", kind="surface_water", geometry=shapely.Point(70, 62).buffer(7), depth_m=1.0, label="pond"
        ),
        Feature(
            feature_id="g",
            kind="gas_line",
            geometry=shapely.LineString([(60, -20), (60, 110)]),
            quality="B",
            label="gas",
        ),
        Feature(
            feature_id="e",
            kind="electric_ug",
            geometry=shapely.LineString([(-9, 20), (40, 34)]),
            depth_m=0.7,
            label=NASTY,
        ),
    )
    site = zoo.site(
        shapely.box(0, 0, 110, 90), features=features, terrain=zoo.plane(0.03, -0.02, bump_m=0.4), name=NASTY, bores=3
    )
    return design(site)


@pytest.fixture(scope="module")
def sheet(made):
    return plan_map.compose(made.site, made.zones, made.layouts[0])[0]


def _texts(axes):
    canvas = axes.figure.canvas
    canvas.draw()
    renderer = canvas.get_renderer()
    return [(t.get_text(), t.get_window_extent(renderer)) for t in axes.texts if t.get_text()]


def _said(sheet):
    words = [t.get_text() for t in sheet.texts]
    for axes in sheet.axes:
        words += [t.get_text() for t in axes.texts] + [axes.get_title(loc="left")]
    words += [t.get_text() for legend in sheet.legends for t in legend.get_texts()]
    return words


def test_texts_of_the_plan_and_of_every_profile_keep_apart(sheet):
    for axes in sheet.axes:
        for (a, box), (b, other) in combinations(_texts(axes), 2):
            inner = box.padded(-2.0)
            assert not inner.overlaps(other.padded(-2.0)), (a, b)


def test_no_text_is_smaller_than_seven_points(sheet):
    sizes = [t.get_fontsize() for t in sheet.findobj(match=lambda o: hasattr(o, "get_fontsize")) if t.get_text()]
    assert len(sizes) > 40
    assert min(sizes) >= 7.0


def test_the_sheet_says_what_it_must(made, sheet):
    layout, said = made.layouts[0], _said(sheet)
    joined = "\n".join(said)
    assert NASTY in said
    assert SHORT_CAUTION in said
    assert "Meets the distances entered" in joined
    assert "compliant" not in joined.lower()
    assert any("times as large" in t for t in said)
    for bore in layout.bores:
        assert any(t.startswith(f"{bore.bore_id}:") for t in said)
        assert bore.bore_id.removeprefix("B-").lstrip("0") in said
    assert {"pad", "N", "house", "pond"} <= set(said)
    assert any(t.startswith("house/well 30.5 m") for t in said)
    assert f"{layout.score:.1f}" in said


def test_the_legend_has_only_what_is_on_the_sheet(sheet):
    rows = [t.get_text() for legend in sheet.legends for t in legend.get_texts()]
    assert any(r.startswith("G  ") for r in rows)
    assert any(r.startswith("E  ") for r in rows)
    assert not any(r.startswith(("T  ", "S  ", "R  ", "W  ")) for r in rows)
    assert "bore of another layout" not in rows


def test_the_scale_bar_is_as_long_as_it_says(sheet):
    plan = sheet.axes[0]
    text = next(t.get_text() for t in plan.texts if t.get_text().startswith("each half"))
    value = float(text.split()[-2])
    blocks = [p for p in plan.patches if p.get_zorder() == 22 and len(p.get_path().vertices) == 5]
    widths = [np.ptp(p.get_path().vertices[:, 0]) for p in blocks]
    assert widths == pytest.approx([value, value])
    frame = plan.get_window_extent()
    assert frame.width / np.ptp(plan.get_xlim()) == pytest.approx(frame.height / np.ptp(plan.get_ylim()))


def test_feet_on_the_sheet_when_the_site_says_so(made):
    site = replace(made.site, spec=replace(made.site.spec, units="us"))
    said = _said(plan_map.compose(site, made.zones, made.layouts[0])[0])
    level = made.layouts[0].evaluation.level_length_m / FT_M
    assert f"{level:.0f} ft" in said
    assert any(t.startswith("house/well 100 ft") for t in said)
    assert not any(t.endswith(" m") for t in said)


def test_profiles_share_their_scales(sheet, made):
    charts = sheet.axes[1:]
    assert len(charts) == len(made.layouts[0].bores)
    assert len({tuple(c.get_xlim()) for c in charts}) == 1
    assert len({round(float(np.ptp(c.get_ylim())), 9) for c in charts}) == 1


def test_files_repeat_to_the_byte_and_are_not_blank(made, tmp_path):
    others = made.layouts[1:]
    for suffix in (".png", ".pdf"):
        names = [tmp_path / f"{n}{suffix}" for n in "ab"]
        for name in names:
            assert plan_map.draw_layout(name, made.site, made.zones, made.layouts[0], others=others) == [name]
        first, second = (n.read_bytes() for n in names)
        assert first == second
    with Image.open(tmp_path / "a.png") as image:
        assert image.size == (2550, 1650)
        pixels = np.asarray(image.convert("RGB"))
        assert "Software" not in image.info
    ink = tuple(int(tokens.INK[k : k + 2], 16) for k in (1, 3, 5))
    assert np.count_nonzero((pixels == ink).all(axis=2)) > 2000
    assert 0.2 < (pixels != 255).any(axis=2).mean() < 0.95


def test_many_bores_get_a_second_picture(made, tmp_path):
    layout = made.layouts[0]
    bores = tuple(replace(layout.bores[0], bore_id=f"B-{n:02d}") for n in range(1, plan_map.PROFILES_BESIDE + 2))
    written = plan_map.draw_layout(tmp_path / "L-01.png", made.site, made.zones, replace(layout, bores=bores))
    assert [p.name for p in written] == ["L-01.png", "L-01-profiles.png"]
    assert all(p.stat().st_size > 20_000 for p in written)


def test_a_label_that_finds_no_place_is_left_out_and_told():
    sheet = figure.sheet(2, 2)
    labels = figure.Labels(sheet.add_axes((0, 0, 1, 1)))
    placed = [labels.put(0.5, 0.5, f"label {n}") for n in range(60)]
    assert 5 < sum(placed) < 60
    assert len(labels.left_out) == 60 - sum(placed)


def test_tokens_cover_every_kind_and_outcome():
    for kind in load_table("kinds")["kinds"]:
        style = tokens.kind_style(kind)
        assert style.colour.startswith("#")
        assert not style.letter or style.colour == tokens.FAMILY[style.letter]
    wanted = {"pass", "pass_thin", "fail", "consent_needed", "ruling_needed", "unverified", "not_applicable"}
    assert set(tokens.OUTCOME) == wanted
    assert len({tokens.OUTCOME[n].shape for n in ("pass", "pass_thin", "fail", "unverified", "not_applicable")}) == 5
    assert len(CAUTIONS) >= 8
