"""The sheet of header and circuits: all circuits named, texts inside the page and not too small, the same bytes twice."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
import zoo

from loopgis.driver import design
from loopgis.sheets import header_sheet
from loopgis.site.model import Feature, PipeSpec

HOUSE = Feature(feature_id="house", kind="building", geometry=shapely.box(-12, -46, 2, -36))
GAS = Feature(
    feature_id="gas", kind="gas_line", quality="B", depth_m=0.9, geometry=shapely.LineString([(-60, -30), (60, -28)])
)
SITE = zoo.site(
    shapely.box(-60, -50, 60, 50), features=(HOUSE, GAS), bores=4, patterns=("parallel",), demand=zoo.demand(9.0),
    pipe=PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 20 %"),
)  # fmt: skip


@pytest.fixture(scope="module")
def layout():
    return design(SITE, effort=0).layouts[0]


def texts(sheet):
    return [t for a in [sheet, *sheet.axes] for t in a.texts if t.get_text().strip()]


def test_every_circuit_and_figure_is_told_inside_the_page(layout):
    sheet = header_sheet.compose(SITE, layout)
    said = " ".join(t.get_text() for t in texts(sheet))
    for b in layout.bores:
        assert b.bore_id in said
    for words in ("to purge", "head of the pump", "pure antifreeze", "2 ft/s", "Meets the distances entered"):
        assert words in said
    renderer = sheet.canvas.get_renderer()
    page = sheet.bbox
    for t in texts(sheet):
        box = t.get_window_extent(renderer)
        assert page.x0 <= box.x0, t.get_text()
        assert box.x1 <= page.x1, t.get_text()
        assert t.get_fontsize() >= 7


def test_the_sheet_is_the_same_twice_and_needs_plumbing(layout, tmp_path):
    one = header_sheet.draw_header(tmp_path / "a.png", SITE, layout).read_bytes()
    assert one == header_sheet.draw_header(tmp_path / "b.png", SITE, layout).read_bytes()
    with pytest.raises(ValueError, match=layout.layout_id):
        header_sheet.compose(SITE, replace(layout, plumbing=None))
