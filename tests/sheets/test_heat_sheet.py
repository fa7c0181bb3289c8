"""The heat of a layout on paper and in the GeoPackage."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import matplotlib.text
import numpy as np
import pytest
import shapely
import zoo
from PIL import Image

from loopgis.driver import design
from loopgis.sheets import figure, heat_sheet
from loopgis.sheets.cautions import SHORT_CAUTION
from loopgis.site.model import PipeSpec

DEMAND = zoo.demand(6.0, cooling_peak_w=4000.0)


@pytest.fixture(scope="module")
def made():
    pipe = PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %")
    return design(zoo.site(shapely.box(-45, -40, 45, 40), demand=DEMAND, pipe=pipe), effort=0)


@pytest.fixture(scope="module")
def path(made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("heat") / "out"
    made.write(folder)
    return folder


def words_of(sheet):
    return [t for t in sheet.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]


@pytest.mark.parametrize("units", ["us", "metric"])
def test_what_stands_on_the_sheet(made, units):
    site = replace(made.site, spec=replace(made.site.spec, units=units))
    sheet = heat_sheet.compose(site, made.layouts[0])
    words = " | ".join(t.get_text() for t in words_of(sheet))
    for title in ("Entering water over 10 years", "Year 10", "What the needed length hangs on", "Share of each bore"):
        assert title in words
    assert "Change along the lot line" in words
    assert ("°F" in words) == (units == "us")
    assert SHORT_CAUTION in words
    assert "usual uncertainty" in words
    assert all(b.bore_id in words for b in made.layouts[0].bores)


def test_nothing_is_too_small_or_off_the_sheet(made):
    sheet = heat_sheet.compose(made.site, made.layouts[0])
    sheet.canvas.draw()
    frame = sheet.bbox
    for t in words_of(sheet):
        assert t.get_fontsize() >= figure.SMALL
        box = t.get_window_extent()
        assert box.x0 >= frame.x0 - 1, t.get_text()
        assert box.x1 <= frame.x1 + 1, t.get_text()


def test_a_picture_of_every_layout(made, path):
    for y in made.layouts:
        with Image.open(path / f"{y.layout_id}-heat.png") as image:
            assert image.size == (2550, 1650)
            assert len(set(image.convert("L").resize((60, 40)).getdata())) > 5


def test_a_layout_without_heat_has_no_sheet(made):
    with pytest.raises(ValueError, match="L-01"):
        heat_sheet.compose(made.site, replace(made.layouts[0], heat=None))


def test_a_loop_that_no_length_could_save_is_drawn_too(made):
    heat = made.layouts[0].heat
    none = replace(heat, needed=replace(heat.needed, heating=None))
    words = " ".join(t.get_text() for t in words_of(heat_sheet.compose(made.site, replace(made.layouts[0], heat=none))))
    assert "No length of this kind of loop keeps the limits." in words


def ask(path, text):
    with closing(sqlite3.connect(path / "layouts.gpkg")) as db:
        return db.execute(text).fetchall()


def test_columns_of_the_geopackage(made, path):
    rows = ask(
        path,
        "SELECT layout_id, needed_length_m, needed_low_m, needed_high_m, heat_side, ewt_min_c, ewt_max_c FROM layouts",
    )
    for y, row in zip(sorted(made.layouts, key=lambda y: y.layout_id), sorted(rows), strict=True):
        low, high = y.heat.interval_m
        assert row == pytest.approx(
            (y.layout_id, y.heat.needed_m, low, high, "heating", y.heat.ewt_min_c, y.heat.ewt_max_c)
        )
    shares = ask(path, "SELECT layout_id, sum(heat_share) FROM bores GROUP BY layout_id")
    assert [s for _, s in shares] == pytest.approx([1.0] * len(made.layouts))


def test_months_and_what_ifs_are_tables(made, path):
    best = made.layouts[0]
    rows = ask(path, "SELECT month, ewt_c, ewt_heating_c FROM temperatures WHERE layout_id = 'L-01' ORDER BY month")
    assert len(rows) == 120
    np.testing.assert_allclose([r[1] for r in rows], best.heat.course.mean_c)
    assert min(r[2] for r in rows if r[2] is not None) == pytest.approx(best.heat.ewt_min_c)
    (count,) = ask(path, "SELECT count(*) FROM what_ifs WHERE layout_id = 'L-01'")[0]
    assert count == len(best.heat.what_ifs) == 5


def test_the_lot_line_is_a_layer_and_a_row_of_the_clearances(made, path):
    best = made.layouts[0]
    (count, largest) = ask(path, "SELECT count(*), min(change_k) FROM ground_change WHERE layout_id = 'L-01'")[0]
    assert count == len(best.heat.lot_line.xy)
    assert largest == pytest.approx(best.heat.lot_line.largest_k)
    rows = ask(
        path, "SELECT change_k, outcome, required_m FROM clearances WHERE layout_id = 'L-01' AND basis = 'temperature'"
    )
    assert rows == [(pytest.approx(largest), "not_applicable", None)]


def test_the_page_answers_whether_the_loop_carries_the_house(made, path):
    page = (path / "review.html").read_text("utf-8")
    head = page[: page.index("The layouts side by side")]
    assert "carries the house for 10 years" in head
    assert "of bore is needed" in head
    assert "with the usual uncertainty" in head
    assert "Heat of L-01" in page
    assert "The ground along the lot line changes by at most" in page
