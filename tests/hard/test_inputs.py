"""Coordinates, rasters, texts and names that nobody should have written, each told in one line; and odd ones that are good."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import rasterio
import shapely
from one_site import (
    BASE,
    LOT,
    ORIGIN,
    WELL,
    at_home,
    call,
    cells,
    errors_of,
    every,
    file,
    folder,
    good,
    layer,
    level,
    more,
    names_in,
    refusal,
    with_site,
)
from plotly.offline import get_plotlyjs

from loopgis.cli import options
from loopgis.core.errors import InputError
from loopgis.rules.audit_read import open_package
from loopgis.site import terrain
from loopgis.site.drawn import said_in
from loopgis.site.read import collect, read_site

if TYPE_CHECKING:
    from pathlib import Path

    from one_site import Prepare

__all__ = ["folder", "good"]
NAN, INF = math.nan, math.inf
X, Y = ORIGIN
SQUARE = f"{X} {Y},{X + 80} {Y},{X + 80} {Y + 60},{X} {Y + 60},{X} {Y}"
EXCHANGED = ",".join(" ".join(reversed(corner.split())) for corner in SQUARE.split(","))
WELLS = '[[site.feature]]\nkind = "water_well"\npath = "wells.gpkg"\n'


def outline(wkt: str) -> Prepare:
    """The lot as a text of a survey list."""
    return every(file("lot.csv", f'WKT,id\n"{wkt}",7\n'), with_site(parcel='{ path = "lot.csv", crs = "EPSG:26918" }'))


def degrees(*corners: tuple[object, object]) -> Prepare:
    """The lot alone, in degrees, corners as they stand in the JSON."""
    ring = json.dumps([corners])
    row = (
        f'{{"type": "Feature", "properties": {{"id": "7"}}, "geometry": {{"type": "Polygon", "coordinates": {ring}}}}}'
    )
    return every(
        file("lot.geojson", f'{{"type": "FeatureCollection", "features": [{row}]}}'),
        file("site.toml", '[site]\nparcel = "lot.geojson"\n'),
    )


def well(**columns: object) -> Prepare:
    """One well with such columns."""
    return every(lambda f: layer(f / "wells.gpkg", WELL, **columns), more(WELLS))


def scaled(scale: float, offset: float) -> Prepare:
    """Whole numbers with a scale in the band."""

    def prepare(folder: Path) -> None:
        cells(z=level(500), dtype="int16")(folder)
        with rasterio.open(folder / "dem.tif", "r+") as sink:
            sink.scales, sink.offsets = [scale], [offset]

    return prepare


def hourly(text: str) -> Prepare:
    """A year of one figure."""
    rows = "heating_kw\n" + f"{text}\n" * 8760
    return every(file("h.csv", rows), more('[demand]\nheating_peak = "9 kW"\nhourly = "h.csv"'))


def moved(a: float, c: float, e: float, *, b: float = 0.0) -> Prepare:
    """Cells laid on the ground by such a map."""
    return cells(z=level(), transform=rasterio.Affine(a, b, c, 0, e, 4_511_600))


BAD: dict[str, tuple[Prepare, tuple[str, ...]]] = {
    # -- coordinates
    "corner at -1.8e308": (outline(f"POLYGON(({X} {Y},-1.8e308 {Y},{X} {Y + 9},{X} {Y}))"), ("lot.csv", "no numbers")),
    "corner at -3.4e38": (outline(f"POLYGON(({X} {Y},-3.4e38 {Y},{X} {Y + 9},{X} {Y}))"), ("lot.csv", "not on earth")),
    "corners at 1e300": (
        outline("POLYGON((1e300 1e300,-1e300 1e300,1e300 -1e300,1e300 1e300))"),
        ("lot.csv", "not on earth"),
    ),
    "corners all in one place": (outline(f"POLYGON(({X} {Y},{X} {Y},{X} {Y},{X} {Y}))"), ("lot.csv", "one place")),
    "lot folded to a line": (
        outline(f"POLYGON(({X} {Y},{X + 80} {Y + 60},{X} {Y},{X} {Y}))"),
        ("lot.csv", "without area"),
    ),
    "empty lot of many": (outline("MULTIPOLYGON EMPTY"), ("lot.csv", "no outline")),
    "collections in collections": (
        outline("GEOMETRYCOLLECTION(" * 5000 + "POINT(1 1)" + ")" * 5000),
        ("lot.csv",),
    ),
    "lot with x and y exchanged": (
        outline(f"POLYGON(({EXCHANGED}))"),
        ("dem.tif", "covers 0 %"),
    ),
    "lot at the pole": (
        degrees((0, 90), (10, 90), (10, 89.9999), (0, 89.9999), (0, 90)),
        ("latitude 89.99", "no place to drill"),
    ),
    "lot round the pole": (degrees(*((x, -89.9999) for x in (0, 90, 180, -90, 0))), ("latitude", "no place to drill")),
    "coordinate that is null": (degrees((None, 40), (1, 40), (1, 41), (None, 40)), ("lot.geojson", "no outline")),
    "coordinate that is NaN": (degrees((NAN, 40), (1, 40), (1, 41), (NAN, 40)), ("lot.geojson",)),
    "coordinate that is a text": (degrees(("1", "2"), (1, 40), (1, 41), (1, 2)), ("lot.geojson", "cannot be read")),
    "JSON nested without end": (
        every(
            file("q.geojson", '{"type": "FeatureCollection", "features": ' + "[" * 100_000),
            with_site(parcel='"q.geojson"'),
        ),
        ("q.geojson", "nested"),
    ),
    "heights as a system for places": (
        with_site(parcel='{ path = "parcel.gpkg", crs = "EPSG:5703" }'),
        ("parcel.gpkg", "NAVD88"),
    ),
    "system from the middle of the earth": (
        with_site(parcel='{ path = "parcel.gpkg", crs = "EPSG:4978" }'),
        ("no place on earth",),
    ),
    "system that is a pipeline": (
        with_site(parcel='{ path = "parcel.gpkg", crs = "+proj=pipeline +step +proj=utm" }'),
        ("not known",),
    ),
    "system of 3000 letters": (
        with_site(parcel='{ path = "parcel.gpkg", crs = "' + "x" * 3000 + '" }'),
        ("not known",),
    ),
    "system of another star": (
        with_site(parcel='{ path = "parcel.gpkg", crs = "ESRI:104905" }'),
        ("parcel.gpkg", "degrees"),
    ),
    "raster in heights": (with_site(elevation='{ path = "dem.tif", crs = "EPSG:5703" }'), ("dem.tif", "NAVD88")),
    "raster from the middle of the earth": (cells(z=level(), crs="EPSG:4978"), ("dem.tif", "no place on earth")),
    "raster of a site grid": (
        cells(z=level(), crs=rasterio.crs.CRS.from_wkt('LOCAL_CS["yard",UNIT["metre",1]]')),
        ("dem.tif", "no place on earth"),
    ),
    # -- rasters
    "raster laid by nan": (moved(NAN, 585_900, -5), ("dem.tif", "no georeference")),
    "raster laid at infinity": (moved(5, INF, -5), ("dem.tif", "no georeference")),
    "raster of cells of 1e300": (moved(1e300, 585_900, -1e300), ("dem.tif", "no georeference")),
    "raster of cells of 1e-300": (moved(1e-300, 585_900, -1e-300), ("dem.tif", "no georeference")),
    "raster of no height": (moved(0, 585_900, 0), ("dem.tif", "no georeference")),
    "raster sheared to a needle": (
        cells(
            width=400_000,
            height=100_000,
            transform=rasterio.Affine(0.01, 8.0, X - 1000, 0.0, -0.01, Y + 80),
            tiled=True,
            SPARSE_OK="TRUE",
            BIGTIFF="YES",
        ),
        ("dem.tif",),
    ),
    "raster of nan": (cells(z=level(NAN)), ("dem.tif", "covers only 0.0%")),
    "raster of -3.4e38, not declared": (cells(z=level(-3.4e38)), ("dem.tif", "covers only 0.0%")),
    "raster of whole numbers without end": (cells(z=level(2.0**62), dtype="int64"), ("dem.tif", "covers only 0.0%")),
    "scale that is nan": (scaled(NAN, 0), ("dem.tif", "covers only 0.0%")),
    "scale that is infinite": (scaled(INF, 0), ("dem.tif", "covers only 0.0%")),
    "scale of 1e300": (scaled(1e300, -1e300), ("dem.tif", "covers only 0.0%")),
    "complex numbers": (cells(z=level(), dtype="complex64"), ("dem.tif", "complex64")),
    # -- texts
    "site file in UTF-16": (file("site.toml", BASE.encode("utf-16")), ("site.toml", "line 1", "UTF-8")),
    "site file in Latin-1": (
        file("site.toml", BASE.replace("Croft", "Cröft").encode("latin-1")),
        ("site.toml", "line 2", "UTF-8"),
    ),
    "site file with a NUL": (file("site.toml", BASE + "\0"), ("site.toml", "line 6")),
    "site file with old line ends": (file("site.toml", BASE.replace("\n", "\r")), ("site.toml", "TOML")),
    "half a pair in a site file": (more('[pipe]\nfluid = "\\ud800"'), ("site.toml", "TOML")),
    "ticket in UTF-16": (
        every(file("t.csv", "owner,answer\nA,marked\n".encode("utf-16")), with_site(ticket='"t.csv"')),
        ("t.csv", "UTF-8"),
    ),
    "ticket in Latin-1": (
        every(file("t.csv", "owner,answer\nStädt,marked\n".encode("latin-1")), with_site(ticket='"t.csv"')),
        ("t.csv", "UTF-8"),
    ),
    "list in UTF-16": (
        every(file("l.csv", "x,y\n1,2\n".encode("utf-16")), with_site(parcel='{ path = "l.csv", crs = "EPSG:26918" }')),
        ("l.csv",),
    ),
    "hourly loads that are nan": (hourly("nan"), ("h.csv", "line 2")),
    "hourly loads of 1e308": (hourly("1e308"), ("h.csv", "line 2")),
    "hourly loads below nothing": (hourly("-5"), ("h.csv", "line 2")),
    "infinite depth": (well(depth_m=[INF]), ("wells.gpkg row 1 depth", "no depth")),
    "depth that is nan feet": (well(depth=["nan ft"]), ("wells.gpkg row 1 depth", "15 ft")),
    "yield of 1e400": (well(yield_gpm=["1e400"]), ("wells.gpkg row 1", "not a flow")),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_inputs_are_one_line(name: str, folder: Path) -> None:
    prepare, says = BAD[name]
    prepare(folder)
    before = names_in(folder)
    line = refusal(folder / "site.toml")
    for words in says:
        assert words in line, line
    assert names_in(folder) == before


GOOD: dict[str, Prepare] = {
    "heights, one of them nan": outline(f"POLYGON Z(({X} {Y} 1,{X + 80} {Y} 2,{X + 80} {Y + 60} nan,{X} {Y} 1))"),
    "measures": outline(f"POLYGON M(({X} {Y} 1,{X + 80} {Y} 2,{X + 80} {Y + 60} 3,{X} {Y} 1))"),
    "an arc": outline(
        f"CURVEPOLYGON(COMPOUNDCURVE(({X} {Y},{X + 80} {Y}),CIRCULARSTRING({X + 80} {Y},{X + 95} {Y + 30},{X + 80} {Y + 60}),"
        f"({X + 80} {Y + 60},{X} {Y})))"
    ),
    "a surface of surfaces": outline(f"MULTISURFACE(CURVEPOLYGON(({SQUARE})))"),
    "a point beside": outline(f"GEOMETRYCOLLECTION(POINT({X} {Y}),POLYGON(({SQUARE})))"),
    "a collapsed part beside": outline(f"MULTIPOLYGON((({SQUARE})),(({X} {Y},{X} {Y},{X} {Y},{X} {Y})))"),
    "a height system beside the place": with_site(parcel='{ path = "parcel.gpkg", crs = "EPSG:26918+5703" }'),
    "a system as an address of names": with_site(
        parcel='{ path = "parcel.gpkg", crs = "urn:ogc:def:crs:EPSG::26918" }'
    ),
    "cells from south to north": cells(z=level(), transform=rasterio.Affine(5, 0, 585_900, 0, 5, 4_511_300)),
    "cells from east to west": cells(z=level(), transform=rasterio.Affine(-5, 0, 586_200, 0, -5, 4_511_600)),
    "turned cells": cells(
        z=level(),
        transform=rasterio.Affine.translation(585_880, 4_511_500)
        * rasterio.Affine.rotation(20)
        * rasterio.Affine.scale(5, -5),
    ),
    "nodata that is nan, off the lot": cells(z=np.where(np.arange(60) < 3, NAN, level()), nodata=NAN),
    "nodata of -3.4e38, off the lot": cells(z=np.where(np.arange(60) < 3, -3.4e38, level()), dtype="float32"),
    "whole numbers with a scale": scaled(0.1, 0.0),
    "four bands": cells(z=level(), count=4),
    "one bit": cells(z=level(1), dtype="uint8", nbits=1),
    "site file with a mark and mixed line ends": file("site.toml", ("\ufeff" + BASE.replace("\n", "\r\n", 3)).encode()),
    "ticket with a mark": every(
        file("t.csv", "\ufeffowner,answer\r\nStädt,marked\r\n".encode()), with_site(ticket='"t.csv"')
    ),
    "a column of bytes": well(blob=[b"\x00\xff"]),
}


@pytest.mark.parametrize("name", GOOD)
def test_odd_inputs_that_are_good(name: str, folder: Path) -> None:
    GOOD[name](folder)
    assert errors_of(folder / "site.toml") == []
    site = read_site(folder / "site.toml")
    assert 2000 < site.parcel.area < 6000
    if name == "whole numbers with a scale":
        assert float(site.terrain.z_m.max()) == pytest.approx(50.0)


@pytest.mark.parametrize("west", [179.9995, -180.0005])
def test_lot_on_the_line_of_dates_is_one_lot(west: float, folder: Path) -> None:
    """The same lot a degree west of Greenwich has the same area; drawn with longitudes on both sides, or beyond 180."""
    areas = []
    for at in (west, -1.0005):
        x = [at, at + 0.001]
        if west > 0 and at == west:
            x[1] -= 360
        degrees((x[0], 10), (x[1], 10), (x[1], 10.001), (x[0], 10.001), (x[0], 10))(folder)
        areas.append(read_site(folder / "site.toml").parcel.area)
    assert areas[0] == pytest.approx(areas[1], rel=1e-7)


def test_a_sheared_raster_is_not_blown_up() -> None:
    """Laid north up on square cells of the same size, 3600 cells would be 9 * 10^10."""
    sheared = rasterio.Affine(50, 0, 585_900, 49_999.0, -0.001, 4_511_000)
    with pytest.raises(InputError, match=r"dem.tif: has .* cells round the lot; .*LOOPGIS_LIMITS"):
        terrain._north_up(level(), sheared, "dem.tif")


# -- names through to the files ------------------------------------------------------------------------------------------

NASTY = [
    *(
        "../../etc/x",
        "/etc/passwd",
        "=1+1",
        "+2",
        "-3",
        "@x",
        "a\nb",
        "\x1b[2J",
        "<script>alert(2)</script>",
        "CON",
        ". .",
        "C:\\x",
    ),
    *(
        '"; DROP TABLE bores; --',
        "x" * 300,
        "\u202egpj.exe",
        "e\u0301",
        "\u00e9",
        "\U0001f600",
        "\u0430bc",
        "abc",
        "%s%n{0}{{7*7}}",
    ),
    *("</text><script>", "${7*7}", "a\u200bb", "\ufeffx", "\tx", "'", "#REF!"),
]
_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f\u200b\u202a-\u202e\u2066-\u2069\ufeff]")


def nasty(folder: Path) -> None:
    """A site all of whose names are such."""
    (folder / "parcel.gpkg").unlink()
    layer(folder / "parcel.gpkg", LOT, parcel_id=['../../"><script>alert(1)</script>'])
    places = [shapely.Point(p) for p in at_home([(60 + n % 6, -40 - n // 6) for n in range(len(NASTY))])]
    layer(folder / "things.gpkg", *places, feature_id=NASTY, label=NASTY[::-1], owner=NASTY)
    rows = io.StringIO()
    csv.writer(rows).writerows([["owner", "answer", "remark"], *([n, "marked", n] for n in NASTY)])
    (folder / "t.csv").write_text(rows.getvalue(), encoding="utf-8")
    name = json.dumps(
        "=HYPERLINK(1) <script>alert(3)</script> ../../x \u202e \x1b[31m \U0001f600 {{7*7}} %s", ensure_ascii=False
    )
    text = (
        BASE.replace('"Ferny Croft"', name)
        + 'ticket = "t.csv"\n[[site.feature]]\nkind = "private_other"\npath = "things.gpkg"\n'
    )
    (folder / "site.toml").write_text(text + '[bore]\nbores = 2\n[layout]\npatterns = ["fan"]\n', encoding="utf-8")


def test_names_are_cleaned_and_single(folder: Path) -> None:
    nasty(folder)
    code, out, err = call("check", folder / "site.toml")
    assert code == 0, out + err
    assert not _STEERING.search(out + err)
    site, found = collect(folder / "site.toml")
    assert site is not None
    names = [f.feature_id for f in site.features]
    assert len(names) == len(set(names)) == len(NASTY)
    assert {"\u00e9", "\u00e9-2"} <= set(names), "one letter written in two ways is one id"
    for text in (site.spec.name, *names, *(f.label for f in site.features), *(a.owner for a in site.ticket or ())):
        assert text.isprintable()
        assert len(text) <= 300
    assert all(f.line().isprintable() for f in found)


def test_a_terminal_gets_no_signs_that_steer_it(capsys: pytest.CaptureFixture[str]) -> None:
    options.say("a\x1b[2J\u202e\ud800b\nc", err=True)
    assert capsys.readouterr().err == "a?[2J??b\nc\n"


def test_nested_documents_in_packages_are_passed_over(folder: Path) -> None:
    """A GeoPackage's metadata may hold anything."""
    with closing(sqlite3.connect(folder / "houses.gpkg")) as db, db:
        db.execute("CREATE TABLE gpkg_metadata (id, metadata)")
        db.execute("INSERT INTO gpkg_metadata VALUES (1, ?)", ("[" * 100_000,))
    assert open_package(folder / "houses.gpkg").metadata == {}
    assert said_in(folder / "houses.gpkg") == {}


@pytest.mark.slow
def test_nasty_names_through_every_verb(folder: Path, tmp_path: Path) -> None:
    """Nothing is written beside the outputs that were asked for, no cell computes, no page runs, no file is broken."""
    nasty(folder)
    before = names_in(folder)
    out = tmp_path / "results"
    out.mkdir()
    package = out / "lay" / "layouts.gpkg"
    said = []
    for args in (
        ("layout", folder / "site.toml", "-o", out / "lay", "--effort", "0"),
        ("drill", package, "--layout", "L-01", "-o", out / "drill"),
        ("tablet", package, "--layout", "L-01", "-o", out / "tab"),
        ("score", package, "--site", folder / "site.toml", "-o", out / "again.gpkg"),
    ):
        code, *texts = call(*args, seconds=250)
        assert code == 0, texts
        said += texts
    assert not _STEERING.search("".join(said))
    assert names_in(folder) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["results", "site"]
    assert sorted(p.name for p in out.iterdir()) == ["again.gpkg", "drill", "lay", "tab"]
    for path in (p for p in out.rglob("*") if p.is_file()):
        _sound(path)
    with closing(sqlite3.connect(package)) as db:
        assert db.execute("SELECT count(DISTINCT feature_id) FROM features").fetchone() == (len(NASTY),)


def _sound(path: Path) -> None:
    if path.suffix in {".html", ".csv", ".txt"}:
        text = path.read_text("utf-8-sig").replace(get_plotlyjs(), "")  # whose script holds heads of picture files
        assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\u202a-\u202e]", text), path
        assert path.suffix != ".html" or "<script>alert" not in text, path
        if path.suffix == ".csv":
            cells_of = [c for row in csv.reader(io.StringIO(text)) for c in row]
            assert not [c for c in cells_of if re.match(r"[=+@\t]|-(?![\d.])", c)], path
    elif path.suffix in {".gpx", ".kml"}:
        ET.parse(path)  # noqa: S314 - written by us a moment ago
    elif path.suffix in {".json", ".geojson"}:
        json.loads(path.read_text("utf-8"))
    elif path.suffix == ".gpkg":
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
