"""Plan sheets of the permit office's set, measured on the PDF itself: scale, place on earth, texts, dimensions, bytes.

Ground truth is the file before: geodesic lengths between the corners of its parcel layer (GeographicLib through pyproj.Geod), never
a number of the sheets. What is measured on the sheet comes out of the PDF's content stream (pikepdf) or from GDAL's PDF reader.
"""

from __future__ import annotations

import itertools
import json
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pikepdf
import pyogrio
import pytest
import shapely
from make import written
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.text import Annotation, Text
from pyproj import CRS, Transformer

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.sheets import tokens
from loopgis.sheets.permit_geo import georeference
from loopgis.sheets.permit_paper import PAPERS_IN, content_box
from loopgis.sheets.permit_plan import site_plan, surroundings
from loopgis.sheets.permit_read import permit_book
from loopgis.sheets.permit_scale import SCALES, best_scale, parse_scale, scale_words, wanted_scale

pytestmark = pytest.mark.slow
"""With the slow ones: test_permit_plan, test_permit_files and test_setbacks draw every sheet in the usual run."""

DATA = Path(__file__).parents[2] / "data"
POINT_M = 0.0254 / 72
"""A PostScript point (ISO 32000-1, 8.3.2.3: 1/72 in; the inch is 0.0254 m, NIST SP 811)."""
BORES = {"suburban": 5, "corner": 3, "school": 44}
PAPERS = ("letter", "ledger", "a3")
LOT_STROKE = [v * tokens.LOT_WIDTH for v in tokens.LOT_DASH]
NO_DATES = {"CreationDate": None, "Producer": None, "Creator": None}


# sites --------------------------------------------------------------


def file_of(name, path, *, over_the_line=False):
    """A made-up field on a shipped site: its own layers, and straight bores without heights from the lot's middle northwards."""
    folder = DATA / name
    lot = pyogrio.read_dataframe(folder / "parcel.gpkg", layer="parcel")
    lot.to_file(path, layer="parcel", driver="GPKG")
    pyogrio.read_dataframe(folder / "buildings.gpkg").to_file(path, layer="buildings", driver="GPKG")
    layers = [layer for layer, _ in pyogrio.list_layers(folder / "features.gpkg")]
    things = [pyogrio.read_dataframe(folder / "features.gpkg", layer=layer) for layer in layers]
    gpd.GeoDataFrame(pd.concat(things, ignore_index=True), crs=lot.crs).to_file(path, layer="features", driver="GPKG")
    place = lot.to_crs("EPSG:4269").geometry.iloc[0].centroid
    local = Frame.centred(place.x, place.y, lot.crs.to_wkt()).crs
    outline = lot.to_crs(local).geometry.iloc[0]
    west, south, east, north = outline.bounds
    many = BORES[name]
    x = np.linspace(west + 0.3 * (east - west), west + 0.6 * (east - west), many)
    middle, end = south + 0.55 * (north - south), south + 0.8 * (north - south)
    if over_the_line:
        end = north + 3.0
    lines = [shapely.LineString([(v, middle), (v + 0.5, end)]) for v in x]
    frame = gpd.GeoDataFrame({"bore_id": [f"B-{n:02d}" for n in range(1, many + 1)]}, geometry=lines, crs=local)
    frame.to_crs(lot.crs).to_file(path, layer="bores", driver="GPKG")
    return path


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    """The three shipped sites with a field, the last one crowded: {name: (file, book)}."""
    folder = tmp_path_factory.mktemp("plans")
    files = {name: file_of(name, folder / f"{name}.gpkg") for name in BORES}
    return {name: (path, permit_book(path, ["house", "us-wi"])) for name, path in files.items()}


@pytest.fixture(scope="module")
def failing(tmp_path_factory):
    """A field whose bores pass the lot line."""
    path = file_of("suburban", tmp_path_factory.mktemp("over") / "over.gpkg", over_the_line=True)
    return permit_book(path, ["house"])


@pytest.fixture(scope="module")
def pages(books):
    """Both plan sheets of every site on every usual paper: {(site, paper): ((figure, view), (figure, view))}."""
    return {
        (name, paper): (site_plan(book, paper, 1, 2), surroundings(book, paper, 2, 2))
        for name, (_, book) in books.items()
        for paper in PAPERS
    }


def saved(drawn, book, path):
    """Pages as the set writes them."""
    with PdfPages(path, metadata=NO_DATES) as pdf:
        for figure, _ in drawn:
            pdf.savefig(figure)
    georeference(path, {n: view for n, (_, view) in enumerate(drawn)}, book)
    return path


# reading a PDF --------------------------------------------------------------


@dataclass
class Stroke:
    """One painted path, in points of the page: operator that painted it, dash, pieces."""

    paint: str
    dash: list[float]
    pieces: list[np.ndarray]


PAINTS = frozenset({"S", "s", "f", "F", "f*", "B", "B*", "b", "b*", "n"})


def strokes(page):
    """Every path that a page paints by itself (markers and other forms are left out)."""
    here, stack, pieces, found = (np.eye(3), []), [], [], []
    for part in pikepdf.parse_content_stream(page):
        o, op = part.operands, str(part.operator)
        if op == "q":
            stack.append(here)
        elif op == "Q":
            here = stack.pop()
        elif op == "cm":
            a, b, c, d, e, f = map(float, o)
            here = (np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ here[0], here[1])
        elif op == "d":
            here = (here[0], [float(v) for v in o[0]])
        elif op in PAINTS:
            found.append(Stroke(op, here[1], [np.array(p) for p in pieces]))
            pieces = []
        else:
            built(pieces, op, o, here[0])
    return [s for s in found if s.paint != "n"]


def built(pieces, op, o, ctm):
    """Carry a path on by one operator (ISO 32000-1, table 59); of a curve only its end."""

    def at(x, y):
        return (np.array([float(x), float(y), 1.0]) @ ctm)[:2]

    if op == "m":
        pieces.append([at(*o)])
    elif op in {"l", "c", "v", "y"}:
        pieces[-1].append(at(*o[-2:]))
    elif op == "h":
        pieces[-1].append(pieces[-1][0])
    elif op == "re":
        x, y, w, h = map(float, o)
        pieces.append([at(x, y), at(x + w, y), at(x + w, y + h), at(x, y + h), at(x, y)])


def drawn_lot(page):
    """Corners of the lot line as drawn, points: the one closed path dashed as lot lines are."""
    dashed = [s.pieces[0] for s in strokes(page) if len(s.dash) == 6 and np.allclose(s.dash, LOT_STROKE, rtol=1e-6)]
    found = [ring for ring in dashed if len(ring) > 3 and np.allclose(ring[0], ring[-1])]
    assert len(found) == 1, "one lot line is expected on the site plan"
    return found[0]


def texts(page):
    """Strings on the page that a reader can find, in the order in which they were set."""
    out = []
    for part in pikepdf.parse_content_stream(page):
        if str(part.operator) == "Tj":
            out.append(bytes(part.operands[0]).decode("latin1"))
        elif str(part.operator) == "TJ":
            out.append("".join(bytes(v).decode("latin1") for v in part.operands[0] if isinstance(v, pikepdf.String)))
    return out


def denominator_told(page):
    """Denominator as the title block has it."""
    told = {int(m[1]) for text in texts(page) if (m := re.fullmatch(r"(?:1 in = [\d,]+ ft \()?1:(\d+)\)?", text))}
    assert len(told) == 1, told
    return told.pop()


def parcel_lon_lat(path):
    """Corners of the lot in the file, on its own datum, closing one included; and that datum's ellipsoid."""
    lot = pyogrio.read_dataframe(path, layer="parcel")
    base = lot.crs.geodetic_crs
    ring = shapely.get_coordinates(
        lot.geometry.iloc[0].exterior
        if lot.geometry.iloc[0].geom_type == "Polygon"
        else lot.geometry.iloc[0].geoms[0].exterior
    )
    lon, lat = Transformer.from_crs(lot.crs, base, always_xy=True).transform(*ring.T)
    return np.column_stack([lon, lat]), base.get_geod()


def matched(ring_pt, lon_lat):
    """The file's corners in the order in which they are drawn: same ring, other start or other way round; straight ones dropped by
    the book are dropped here as well."""
    local = lon_lat - lon_lat.mean(axis=0)
    local = local * [np.cos(np.radians(lon_lat[:, 1].mean())), 1.0]
    page = ring_pt - ring_pt.mean(axis=0)
    scale = np.ptp(local[:, 1]) / np.ptp(page[:, 1])
    shift = (local.max(axis=0) + local.min(axis=0)) / 2 - scale * (page.max(axis=0) + page.min(axis=0)) / 2
    guess = page * scale + shift
    near = np.argmin(np.hypot(*(guess[:, None] - local[None]).transpose(2, 0, 1)), axis=1)
    return lon_lat[near]


# scale --------------------------------------------------------------


def scale_error(page, path):
    """Largest relative error of all distances between drawn lot corners, taken off the page with the scale told in the title."""
    ring = drawn_lot(page)
    truth, geod = parcel_lon_lat(path)
    corners = matched(ring, truth)
    told = denominator_told(page)
    worst = 0.0
    for a, b in itertools.combinations(range(len(ring) - 1), 2):
        ground = geod.inv(*corners[a], *corners[b])[2]
        if ground > 1.0:
            worst = max(worst, abs(np.hypot(*(ring[a] - ring[b])) * POINT_M * told / ground - 1))
    return worst


@pytest.mark.parametrize("name", BORES)
@pytest.mark.parametrize("paper", PAPERS)
def test_a_rule_laid_on_the_print_measures_the_ground(books, pages, tmp_path, name, paper):
    path, book = books[name]
    with pikepdf.open(saved(pages[name, paper], book, tmp_path / "plan.pdf")) as pdf:
        wide, tall = (72 * v for v in PAPERS_IN[paper])
        assert [float(v) for v in pdf.pages[0].MediaBox] == pytest.approx([0, 0, wide, tall], abs=1e-3)
        assert scale_error(pdf.pages[0], path) < 2e-6


@pytest.mark.parametrize("units", ["us", "metric"])
def test_every_scale_is_exact(books, tmp_path, units):
    path, book = books["suburban"]
    book = replace(book, units=units)
    for denominator in SCALES[units]:
        try:
            drawn = site_plan(book, "arch-d", 1, 1, scale=denominator)
        except InputError:
            assert denominator <= 240, "only the two largest do not fit an ARCH D sheet"
            continue
        with pikepdf.open(saved([drawn], book, tmp_path / f"{units}{denominator}.pdf")) as pdf:
            assert denominator_told(pdf.pages[0]) == denominator
            assert scale_error(pdf.pages[0], path) < 2e-6


@pytest.mark.parametrize("paper", PAPERS)
def test_the_bar_is_as_long_as_it_says(books, pages, tmp_path, paper):
    for name, (_, book) in books.items():
        with pikepdf.open(saved(pages[name, paper], book, tmp_path / "bar.pdf")) as pdf:
            for page in pdf.pages:
                boxes = [
                    (np.ptp(p[:, 0]), np.min(p[:, 0]))
                    for s in strokes(page)
                    for p in s.pieces
                    if s.paint in {"B", "b"} and len(p) == 5 and abs(np.ptp(p[:, 1]) - 0.09 * 72) < 1e-3
                ]
                long, begin = min(w for w, _ in boxes), min(x for _, x in boxes)
                figures = [m for t in texts(page) if (m := re.fullmatch(r"([\d.]+) (ft|m)", t))]
                ends = [float(m[1]) * (0.3048 if m[2] == "ft" else 1.0) for m in figures]
                whole = 2 * long * POINT_M * denominator_told(page)
                assert any(abs(whole / end - 1) < 1e-6 for end in ends), (whole, ends)
                assert sorted(x - begin for _, x in boxes) == pytest.approx([0, long], abs=1e-4)


def test_scales_are_read_as_people_write_them():
    for text in ("1in=30ft", "1\"=30'", "1:360", "360", "1 in = 30 ft", "1 inch = 30 feet", "1 IN = 30 FT"):
        assert parse_scale(text) == 360, text
    assert all(parse_scale(scale_words(d, units)) == d for units in SCALES for d in SCALES[units])
    for bad in ("1in=37ft", "", "fast", "1:0", "-360", "1:360.5", "1in=30m", "0"):
        with pytest.raises(InputError, match="scale") as told:
            parse_scale(bad)
        assert "10, 20, 30, 40, 50, 60 or 100 ft" in str(told.value)


def test_what_does_not_fit_is_told_with_what_does(books):
    _, book = books["school"]
    with pytest.raises(InputError) as told:
        site_plan(book, "ledger", 1, 1, scale=120)
    named = parse_scale(re.search(r"1:\d+", str(told.value).replace("1:120", ""))[0])
    assert site_plan(book, "ledger", 1, 1, scale=named)[1].denominator == named
    with pytest.raises(InputError, match="paper"):
        best_scale((90_000.0, 90_000.0), (10.0, 7.0), "us")
    with pytest.raises(InputError, match="paper"):
        wanted_scale(120, (90_000.0, 90_000.0), (10.0, 7.0), "metric")
    lot = replace(book.lot, polygon=shapely.affinity.scale(book.lot.polygon, 400, 400))
    with pytest.raises(InputError, match="paper"):
        site_plan(replace(book, lot=lot), "letter", 1, 1)


def test_the_largest_scale_that_fits_is_taken():
    inch = 0.0254
    for units, known in SCALES.items():
        for n, denominator in enumerate(known):
            size = (10 * inch * denominator * (1 - 1e-9), 1.0)
            assert best_scale(size, (10.0, 7.0), units) == denominator
            if n:
                assert best_scale((10 * inch * known[n - 1] * (1 + 1e-6), 1.0), (10.0, 7.0), units) == denominator


# place on earth --------------------------------------------------------------


def apart_m(geod, lon_lat, truth):
    return max(geod.inv(*a, *b)[2] for a, b in zip(lon_lat, truth, strict=True))


@pytest.mark.parametrize("name", BORES)
def test_the_viewport_puts_every_corner_where_the_file_has_it(books, pages, tmp_path, name):
    """Own reading of ISO 32000-2, 12.9 and 12.10: page -> window -> corners given in degrees, by the projection named there."""
    path, book = books[name]
    truth, geod = parcel_lon_lat(path)
    with pikepdf.open(saved(pages[name, "ledger"], book, tmp_path / "geo.pdf")) as pdf:
        ring = drawn_lot(pdf.pages[0])
        for page in pdf.pages:
            (viewport,) = page.VP
            measure = viewport.Measure
            assert (viewport.Type, measure.Type, measure.Subtype) == ("/Viewport", "/Measure", "/GEO")
            assert measure.GCS.Type == "/PROJCS"
            told = CRS.from_wkt(str(measure.GCS.WKT))
            assert told.is_projected
            left, low, right, top = (float(v) for v in viewport.BBox)
            assert 0 < left < right < float(page.MediaBox[2])
            assert 0 < low < top < float(page.MediaBox[3])
            corners = np.array([float(v) for v in measure.GPTS]).reshape(-1, 2)
            square = np.array([float(v) for v in measure.LPTS]).reshape(-1, 2)
            east, north = Transformer.from_crs(told.geodetic_crs, told, always_xy=True).transform(*corners[:, ::-1].T)
            fit = np.linalg.lstsq(np.column_stack([square, np.ones(4)]), np.column_stack([east, north]), rcond=None)[0]
            turn = fit[:2] / np.array([[right - left], [top - low]])
            per_point = POINT_M * denominator_told(page)
            assert turn == pytest.approx(np.eye(2) * per_point, rel=1e-6, abs=1e-6 * per_point)
            if page is pdf.pages[0] or page.index == 0:
                unit = (ring[:-1] - [left, low]) / [right - left, top - low]
                xy = np.column_stack([unit, np.ones(len(unit))]) @ fit
                back = np.column_stack(Transformer.from_crs(told, told.geodetic_crs, always_xy=True).transform(*xy.T))
                assert apart_m(geod, back, matched(ring, truth)[:-1]) < 0.001


@pytest.mark.skipif(
    shutil.which("gdalinfo") is None, reason="GDAL's gdalinfo is not installed (apt-get install gdal-bin)"
)
@pytest.mark.parametrize("name", BORES)
@pytest.mark.parametrize("paper", PAPERS)
def test_gdal_reads_the_place_within_a_millimetre(books, pages, tmp_path, name, paper):
    path, book = books[name]
    plan = saved(pages[name, paper], book, tmp_path / "geo.pdf")
    with pikepdf.open(plan) as pdf:
        ring, tall = drawn_lot(pdf.pages[0])[:-1], float(pdf.pages[0].MediaBox[3])
    truth, geod = parcel_lon_lat(path)
    for number in (1, 2):
        done = subprocess.run(["gdalinfo", "-json", f"PDF:{number}:{plan}"], check=True, capture_output=True, text=True)
        told = json.loads(done.stdout)
        crs = CRS.from_wkt(told["coordinateSystem"]["wkt"])
        x0, dx, rx, y0, ry, dy = told["geoTransform"]
        assert max(abs(rx), abs(ry)) < 1e-6 * dx, "north is up"
        per_point = pages[name, paper][number - 1][1].denominator * POINT_M
        dots = [n / (72 * inches) for n, inches in zip(told["size"], PAPERS_IN[paper], strict=True)]
        assert (dx * dots[0], -dy * dots[1]) == pytest.approx((per_point, per_point), rel=1e-6)
        if number == 1:
            across, down = ring[:, 0] * dots[0], (tall - ring[:, 1]) * dots[1]
            xy = np.column_stack([x0 + across * dx + down * rx, y0 + across * ry + down * dy])
            back = np.column_stack(Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(*xy.T))
            corners = matched(np.vstack([ring, ring[:1]]), truth)[:-1]
            assert apart_m(geod, back, corners) < 0.001


# texts --------------------------------------------------------------


def turned_box(text, renderer):
    """Ground a text covers, pixels, turned as the text is; its ink's box, without the air that layouts leave round it."""
    turn = text.get_rotation()
    text.set_rotation(0)
    box = Text.get_window_extent(text, renderer)
    text.set_rotation(turn)
    shape = shapely.box(box.x0, box.y0, box.x1, box.y1)
    anchor = text.get_transform().transform(text.get_unitless_position())
    return shapely.affinity.rotate(shape, turn, origin=tuple(anchor))


def shown_texts(figure):
    """Every text with something in it, and the ground it covers."""
    renderer = figure.canvas.get_renderer()
    found = [t for a in figure.axes for t in a.texts if t.get_text().strip() and t.get_gid() != "halo"] + [
        t for t in figure.texts if t.get_text().strip()
    ]
    return [(t, turned_box(t, renderer)) for t in found if t.get_visible()]


@pytest.mark.parametrize("name", BORES)
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("sheet", [0, 1])
def test_no_text_lies_on_another_and_none_leaves_the_page(pages, name, paper, sheet):
    figure, view = pages[name, paper][sheet]
    held = shown_texts(figure)
    shapes = np.array([shape.buffer(-1.5) for _, shape in held])
    tree = shapely.STRtree(shapes)
    pairs = [
        (held[a][0].get_text(), held[b][0].get_text()) for a, b in tree.query(shapes, predicate="intersects").T if a < b
    ]
    assert pairs == []
    frame = shapely.box(0, 0, *(figure.get_size_inches() * figure.dpi)).buffer(-0.4 * figure.dpi)
    assert [t.get_text() for t, shape in held if not frame.covers(shape)] == []
    scale = figure.dpi / 72
    window = shapely.box(*(v * scale for v in view.bbox_pt))
    crossing = [
        t.get_text()
        for t, shape in held
        if shape.buffer(-1.5).crosses(window.exterior)
        or (shape.intersects(window) and not window.buffer(1).covers(shape))
    ]
    assert crossing == []


@pytest.mark.parametrize("name", BORES)
@pytest.mark.parametrize("paper", PAPERS)
def test_type_is_seven_points_at_least(pages, name, paper):
    for figure, _ in pages[name, paper]:
        small = [t.get_text() for t, _ in shown_texts(figure) if t.get_fontsize() < 7]
        assert small == []


# dimensions --------------------------------------------------------------


def arrows(figure):
    """Ends of the dimension lines, frame metres."""
    return [
        np.array([a.xy, a.xyann])
        for axes in figure.axes
        for a in axes.texts
        if isinstance(a, Annotation) and a.arrow_patch is not None and not a.get_text()
    ]


def told_of(figure, bore):
    """Lines in the column that name a bore."""
    return [t.get_text() for t in figure.texts if re.search(rf"(?<![\w-]){re.escape(bore)}(?![\w-])", t.get_text())]


CROWDED = ("school", "letter")
"""44 bores on a sheet of 11 in: no column holds them all."""


@pytest.mark.parametrize(("name", "paper"), [(n, p) for n in BORES for p in PAPERS if (n, p) != CROWDED])
def test_every_bore_has_its_distance_drawn_and_its_figure_told(books, pages, name, paper):
    _, book = books[name]
    figure, view = pages[name, paper][0]
    check_dimensions(book, figure, view)


def test_a_sheet_too_small_for_all_bores_says_how_many_it_leaves_to_the_schedule(books, pages):
    _, book = books[CROWDED[0]]
    figure, _ = pages[CROWDED][0]
    words = " ".join(t.get_text() for t in figure.texts)
    assert len(arrows(figure)) >= len(book.bores) / 2
    assert re.search(r"\d+ more: see the bore schedule|No room on the map for", words)


LEADER = 18
"""Order in which Labels draws its leaders."""


def leaders(figure):
    """Leaders with the texts they belong to, the text being set right after its leader."""
    for axes in figure.axes:
        for line, text in itertools.pairwise(axes.get_children()):
            if line.get_zorder() == LEADER and isinstance(text, Text):
                yield shapely.LineString(axes.transData.transform(line.get_xydata())), text


@pytest.mark.parametrize("name", BORES)
def test_no_leader_strikes_through_its_own_text(pages, name):
    """A line that runs under "12.0 ft" from the left reads as a minus sign."""
    figure, _ = pages[name, "ledger"][0]
    renderer = figure.canvas.get_renderer()
    found = list(leaders(figure))
    assert found, "else nothing is tested"
    struck = [t.get_text() for line, t in found if line.intersection(turned_box(t, renderer)).length > 6]
    assert len(struck) <= 1, struck


@pytest.mark.parametrize("name", BORES)
def test_every_family_of_lines_carries_its_letter(books, pages, name):
    """On a photocopy nothing but the letter tells gas from water."""
    _, book = books[name]
    for figure, view in pages[name, "ledger"]:
        window, inch = shapely.box(*view.bounds_m), 0.0254 * view.denominator
        lines = [t for t in book.things if t.letter and t.geometry.geom_type.endswith("LineString")]
        long = {t.letter for t in lines if shapely.intersection(t.geometry, window).length > 2 * inch}
        assert long <= {t.get_text() for a in figure.axes for t in a.texts}


def check_dimensions(book, figure, view):
    ends = arrows(figure)
    on_map = " ".join(t.get_text() for a in figure.axes for t in a.texts)
    window = shapely.box(*view.bounds_m)
    assert any(b.governing is not None and b.governing.dimension is not None for b in book.bores), (
        "else nothing is tested"
    )
    silent = []
    for bore in book.bores:
        row = bore.governing
        assert bore.bore_id in on_map or told_of(figure, bore.bore_id), bore.bore_id
        if row is None or row.dimension is None:
            continue
        d = row.dimension
        if d.length_m > 0.001:
            drawn = any(
                np.allclose(pair, [d.start, d.end], atol=1e-6) or np.allclose(pair, [d.end, d.start], atol=1e-6)
                for pair in ends
            )
            assert drawn, f"{bore.bore_id}: no dimension line"
            assert window.covers(shapely.LineString([d.start, d.end])), f"{bore.bore_id}: leaves the window"
        size = abs(row.provided)
        figures = (f"{size / 0.3048:.1f} ft",) if book.units == "us" else (f"{size:.2f} m", f"{size:.1f} m")
        if not any(f in on_map for f in figures) and not told_of(figure, bore.bore_id):
            silent.append(bore.bore_id)
    assert silent == []


def test_a_failing_layout_is_drawn_with_its_crosses(failing, tmp_path):
    assert failing.failed
    for paper in PAPERS:
        drawn = site_plan(failing, paper, 1, 2), surroundings(failing, paper, 2, 2)
        figure, view = drawn[0]
        check_dimensions(failing, figure, view)
        window = shapely.box(*view.bounds_m)
        assert all(window.covers(shapely.LineString(b.xyz[:, :2])) for b in failing.bores), (
            "the bores' ends are on the sheet"
        )
        said = " ".join(t.get_text() for a in figure.axes for t in a.texts) + " ".join(
            t.get_text() for t in figure.texts
        )
        assert tokens.OUTCOME["fail"].sign in said
        saved(drawn, failing, tmp_path / f"{paper}.pdf")


# bytes, odd books --------------------------------------------------------------


def test_same_book_same_bytes_and_no_dates(books, tmp_path):
    _, book = books["school"]
    made = [
        saved([site_plan(book, "ledger", 1, 2), surroundings(book, "ledger", 2, 2)], book, tmp_path / f"{n}.pdf")
        for n in range(2)
    ]
    first, second = (p.read_bytes() for p in made)
    assert first == second
    assert not re.search(rb"/(CreationDate|ModDate|Producer|Creator)\b", first)
    with pikepdf.open(made[0]) as pdf:
        assert not any(str(image.get("/Subtype")) == "/Image" for p in pdf.pages for image in p.images.values()), (
            "vector only"
        )


def test_a_book_of_ours_with_heights_and_pads_draws(tmp_path):
    path = written(tmp_path / "layouts.gpkg", "EPSG:2263")
    book = permit_book(path, ["house"])
    drawn = site_plan(book, "letter", 1, 2), surroundings(book, "letter", 2, 2)
    with pikepdf.open(saved(drawn, book, tmp_path / "ours.pdf")) as pdf:
        assert scale_error(pdf.pages[0], path) < 2e-6


def test_a_poor_book_draws(books, tmp_path):
    """A lot of two parts with a hole, nothing else but bores and a thing without names, no layout's name, no rules."""
    _, book = books["suburban"]
    part = book.lot.polygon
    hole = shapely.box(*part.representative_point().buffer(2).bounds)
    shape = shapely.MultiPolygon([shapely.difference(part, hole), shapely.box(200, 0, 220, 20)])
    things = (
        replace(book.things[0], kind="private_other", label="", feature_id="", letter="", geometry=shapely.Point(0, 0)),
    )
    bores = tuple(replace(b, bore_id="", governing=None, crossings=()) for b in book.bores)
    poor = replace(
        book,
        layout_id="",
        lot=replace(book.lot, polygon=shape),
        things=things,
        zones=(),
        pads=(),
        headers=(),
        bores=bores,
    )
    for paper in ("letter", "a3"):
        saved([site_plan(poor, paper, 1, 2), surroundings(poor, paper, 2, 2)], poor, tmp_path / f"{paper}.pdf")


def test_the_sheets_stay_inside_their_room(books, pages):
    for (name, paper), drawn in pages.items():
        room = content_box(books[name][1], paper)
        tall = 72 * PAPERS_IN[paper][1]
        for _, view in drawn:
            left, low, right, top = view.bbox_pt
            assert 72 * room.x_in <= left < right <= 72 * room.right_in
            assert tall - 72 * room.low_in <= low < top <= tall - 72 * room.y_in


def test_grid_north_is_told_with_its_side(books, pages):
    """atan(tan(lon - lon0) sin(lat)), a transverse Mercator on a sphere (textbooks, from memory), against the words by the arrow.

    West of the central meridian grid north lies west of true north.
    """
    path, _ = books["suburban"]
    lon, lat = parcel_lon_lat(path)[0].mean(axis=0)
    gamma = np.degrees(np.arctan(np.tan(np.radians(lon + 75)) * np.sin(np.radians(lat))))
    words = " ".join(t.get_text() for t in pages["suburban", "ledger"][0][0].texts)
    told = re.search(r"lies ([\d.]+) degrees (east|west)\s+of\s+true north", words)
    assert told is not None
    assert float(told[1]) == pytest.approx(abs(gamma), abs=0.0051)
    assert told[2] == ("east" if gamma > 0 else "west")


def test_a_moved_bore_in_our_own_file_fails_on_the_sheet(tmp_path):
    """A row of our own file turned into a line over the lot's edge; the sheet says failed, with the cross."""
    path = written(tmp_path / "layouts.gpkg", "EPSG:32618", flat=True)
    lot = pyogrio.read_dataframe(path, layer="parcel").geometry.iloc[0]
    bores = pyogrio.read_dataframe(path, layer="bores")
    line = shapely.get_coordinates(bores.geometry.iloc[0], include_z=True)
    out = np.array([lot.bounds[2] + 5.0 - line[-1, 0], 0.0, 0.0])
    moved = shapely.LineString(line + out * np.linspace(0, 1, len(line))[:, None])
    bores.loc[bores.index[0], "geometry"] = moved
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("select count(*) from bores").fetchone()[0] == len(bores)
    copy = tmp_path / "moved.gpkg"
    for layer, _ in pyogrio.list_layers(path):
        if layer in {"parcel", "buildings", "features"}:
            pyogrio.read_dataframe(path, layer=layer).to_file(copy, layer=layer, driver="GPKG")
    bores.to_file(copy, layer="bores", driver="GPKG")
    book = permit_book(copy, ["house"], layout_id=str(bores["layout_id"].iloc[0]))
    assert any(r.outcome == "fail" for r in book.rows)
    figure, view = site_plan(book, "ledger", 1, 1)
    check_dimensions(book, figure, view)
    assert tokens.OUTCOME["fail"].sign in " ".join(t.get_text() for t in figure.texts)
