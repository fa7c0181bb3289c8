"""Plan sheets: the scale measured on the PDF itself, the georeference read back, texts apart, nothing dropped in silence."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pikepdf
import pytest
import shapely
import zoo
from matplotlib.backends.backend_pdf import PdfPages
from pyproj import CRS, Transformer

from loopgis.core.errors import InputError
from loopgis.driver import design
from loopgis.sheets.permit_geo import georeference
from loopgis.sheets.permit_paper import PAPERS_IN, content_box, framed
from loopgis.sheets.permit_plan import site_plan, surroundings, usual_paper
from loopgis.sheets.permit_read import permit_book
from loopgis.sheets.permit_scale import SCALES, parse_scale, scale_words
from loopgis.site.model import Feature

THINGS = (
    Feature(feature_id="house", kind="building", geometry=shapely.box(-10, -8, 4, 4), label="house"),
    Feature(feature_id="well", kind="water_well", geometry=shapely.Point(70, 60), label="well", quality="A"),
    Feature(
        feature_id="gas",
        kind="gas_line",
        geometry=shapely.LineString([(-70, -30), (70, -34)]),
        quality="B",
        depth_m=0.9,
    ),
    Feature(feature_id="pond", kind="surface_water", geometry=shapely.Point(30, 20).buffer(8), depth_m=1.5),
)
LOT = shapely.Polygon([(-48, -40), (50, -44), (56, 38), (-40, 44)])


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan") / "out"
    site = zoo.site(LOT, features=THINGS, terrain=zoo.plane(0.02, -0.01), bores=4, patterns=("fan",))
    design(site, effort=0).write(folder, pictures=False)
    return permit_book(folder / "layouts.gpkg", units="us")


def written(book, path, paper="ledger", scale=None):
    """The two plan sheets as a PDF with viewports, and their views."""
    views = {}
    with PdfPages(path, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf:
        for n, (figure, view) in enumerate((site_plan(book, paper, 1, 2, scale), surroundings(book, paper, 2, 2))):
            pdf.savefig(figure)
            views[n] = view
    georeference(path, views, book)
    return views


def paths(path, page=0):
    """(n, 2) arrays of every polyline of a page in points, read from its own drawing orders."""
    found, here, matrix, stack = [], [], np.eye(3), []
    with pikepdf.open(path) as pdf:
        for operands, operator in pikepdf.parse_content_stream(pdf.pages[page]):
            name, values = str(operator), [float(v) for v in operands if isinstance(v, (int, float, Decimal))]
            if name == "q":
                stack.append(matrix)
            elif name == "Q":
                matrix = stack.pop()
            elif name == "cm":
                a, b, c, d, e, f = values
                matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
            elif name in {"m", "l"}:
                here = [*([] if name == "m" else here), values]
                xy = np.c_[np.array(here), np.ones(len(here))] @ matrix
                if name == "l" and len(here) > 2:
                    found.append(xy[:, :2])
    return found


def longest_like(book, view, path, page=0):
    """Corners of the lot as drawn: the polyline whose points are the lot's corners, in points; and the lot's corners in metres."""
    ring = shapely.get_coordinates(max(shapely.get_parts(book.lot.polygon), key=lambda p: p.area).exterior)
    west, south, east, _ = view.bounds_m
    left, bottom, right, _ = view.bbox_pt
    per = (right - left) / (east - west)
    expected = (ring - [west, south]) * per + [left, bottom]
    same = [xy for xy in paths(path, page) if len(xy) == len(ring) and np.abs(xy - expected).max() < 2.0]
    assert same, "the lot line is not on the page"
    return same[0], ring


@pytest.mark.parametrize("paper", ["letter", "ledger", "arch-d", "a4", "a3", "a1"])
def test_the_scale_is_exact_on_the_page(book, paper, tmp_path):
    path = tmp_path / "plan.pdf"
    views = written(book, path, paper)
    with pikepdf.open(path) as pdf:
        assert [float(v) for v in pdf.pages[0].mediabox[2:]] == pytest.approx([72 * v for v in PAPERS_IN[paper]])
    for page, view in views.items():
        drawn, ring = longest_like(book, view, path, page)
        on_paper_m = np.hypot(*np.diff(drawn, axis=0).T) / 72 * 0.0254
        on_ground_m = np.hypot(*np.diff(ring, axis=0).T)
        assert on_ground_m / on_paper_m == pytest.approx(view.denominator, rel=2e-5)  # figures in a PDF have six places


@pytest.mark.parametrize("units", ["us", "metric"])
def test_every_scale_that_fits_can_be_asked_for(book, units, tmp_path):
    told = replace(book, units=units)
    _, best = site_plan(told, "arch-d", 1, 1)
    asked = [s for s in SCALES[units] if s >= best.denominator]
    assert len(asked) >= 3
    for scale in asked:
        path = tmp_path / f"{scale}.pdf"
        view = written(told, path, "arch-d", scale)[0]
        drawn, ring = longest_like(told, view, path)
        ratio = np.hypot(*np.ptp(ring, axis=0)) / (np.hypot(*np.ptp(drawn, axis=0)) / 72 * 0.0254)
        assert view.denominator == scale == parse_scale(scale_words(scale, units))
        assert ratio == pytest.approx(scale, rel=2e-5)


def test_the_bar_is_as_long_as_it_says(book):
    figure, view = site_plan(book, "ledger", 1, 1)
    bars = [p for axes in figure.axes for p in axes.patches if str(p.get_gid()).startswith("bar-")]
    assert len(bars) == 2
    figure.canvas.draw()
    wide_in = [b.get_window_extent().width / figure.dpi for b in bars]
    texts = {t.get_text() for t in figure.texts}
    for n, inches in enumerate(wide_in):
        feet = inches * view.denominator / 12
        assert feet == pytest.approx(round(feet), abs=1e-6)
        assert f"{round(feet * (n + 1)):g}" + (" ft" if n else "") in texts


def test_corners_of_the_viewport_are_where_they_say(book, tmp_path):
    """An own inverse of the viewport: latitude and longitude through pyproj onto the ground, within 1 mm."""
    path = tmp_path / "plan.pdf"
    views = written(book, path)
    with pikepdf.open(path) as pdf:
        for n, view in views.items():
            port = pdf.pages[n].obj["/VP"][0]
            assert [float(v) for v in port["/BBox"]] == pytest.approx(view.bbox_pt, abs=1e-5)
            gpts = np.array([float(v) for v in port["/Measure"]["/GPTS"]]).reshape(4, 2)
            frame = CRS.from_wkt(str(port["/Measure"]["/GCS"]["/WKT"]))
            way = Transformer.from_crs(frame.geodetic_crs, frame, always_xy=True)
            x, y = way.transform(gpts[:, 1], gpts[:, 0])
            west, south, east, north = view.bounds_m
            assert np.abs(np.c_[x, y] - [[west, south], [west, north], [east, north], [east, south]]).max() < 1e-3


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="gdalinfo is not on this machine")
def test_gdalinfo_reads_the_same_place(book, tmp_path):
    path = tmp_path / "plan.pdf"
    for n, view in written(book, path).items():
        order = ["gdalinfo", "-json", "--config", "GDAL_PDF_DPI", "72", f"PDF:{n + 1}:{path}"]
        told = json.loads(subprocess.run(order, capture_output=True, text=True, check=True, timeout=60).stdout)
        a, b, c, d, e, f = told["geoTransform"]
        left, bottom, right, top = view.bbox_pt
        px = np.array([[left, bottom], [left, top], [right, top], [right, bottom]])
        px[:, 1] = view.page_pt[1] - px[:, 1]
        x, y = a + px[:, 0] * b + px[:, 1] * c, d + px[:, 0] * e + px[:, 1] * f
        west, south, east, north = view.bounds_m
        assert np.abs(np.c_[x, y] - [[west, south], [west, north], [east, north], [east, south]]).max() < 1e-3


def test_the_same_book_gives_the_same_bytes(book, tmp_path):
    for name in ("a.pdf", "b.pdf"):
        written(book, tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def boxes(figure):
    """Words and boxes of every text on a page, pixels; rotated ones are left out, their boxes would be too large."""
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    texts = [t for axes in figure.axes for t in axes.texts if t.get_rotation() == 0 and t.get_gid() != "halo"] + list(
        figure.texts
    )
    return [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text().strip()]


@pytest.mark.parametrize("paper", ["letter", "ledger"])
def test_no_two_texts_overlap(book, paper):
    for draw in (site_plan, surroundings):
        figure, _ = draw(book, paper, 1, 2)
        found = boxes(figure)
        for n, (text, a) in enumerate(found):
            for other, b in found[n + 1 :]:
                apart = min(a.x1, b.x1) - max(a.x0, b.x0) < 2 or min(a.y1, b.y1) - max(a.y0, b.y0) < 3
                assert apart, f"{draw.__name__} on {paper}: {text!r} and {other!r}"
        page = figure.bbox
        assert all(b.x0 > 0 and b.x1 < page.x1 and b.y0 > 0 and b.y1 < page.y1 for _, b in found)


def test_sides_are_told_once_each_with_bearing_and_length(book):
    figure, _ = site_plan(book, "ledger", 1, 1)
    texts = [t.get_text() for axes in figure.axes for t in axes.texts if t.get_gid() != "halo"]
    texts += [t.get_text() for t in figure.texts]
    for side in book.lot.sides:
        told = f"{side.bearing}  {side.length_m / 0.3048:.2f}'"
        assert sum(told in t for t in texts) == 1
    assert sum(s.length_m for s in book.lot.sides) == pytest.approx(LOT.exterior.length, abs=2e-3)


def test_a_lot_too_large_for_the_scale_names_the_one_that_fits(book):
    with pytest.raises(InputError, match=r"1 in = \d+ ft .* fits, or take a larger --paper"):
        site_plan(book, "letter", 1, 1, 120)
    with pytest.raises(InputError, match="no engineering scale"):
        parse_scale("1 in = 25 ft")
    assert usual_paper(book) == "ledger"
    assert usual_paper(book, 120) == "arch-d"
    wide = replace(book, lot=replace(book.lot, polygon=shapely.box(-400, -300, 400, 300)))
    assert usual_paper(wide) == "arch-d"


def test_the_frame_leaves_the_room_it_promises(book):
    for paper in PAPERS_IN:
        room = content_box(book, paper)
        figure = framed(book, paper, "Site plan", 1, 3, "1:100").done()
        tall = PAPERS_IN[paper][1]
        inside = [
            text
            for text, box in boxes(figure)
            if box.y1 > (tall - room.low_in) * figure.dpi and box.y0 < (tall - room.y_in) * figure.dpi
        ]
        assert inside == []
        assert "sheet 1 of 3" in {text for text, _ in boxes(figure)}
        assert room.tall_in > 0.45 * tall


def test_claim_and_cautions_stand_on_the_sheet(book):
    figure, _ = site_plan(book, "ledger", 1, 1)
    words = " ".join(text for text, _ in boxes(figure))
    for text in (book.claim, *book.cautions):
        assert all(word in words for word in text.split())
    assert "compliant" not in words.lower()
