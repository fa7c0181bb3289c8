"""Paths, links, pipes, packed files, files that point elsewhere: nothing waits, nothing is fetched, nothing written outside."""

from __future__ import annotations

import gzip
import http.server
import json
import os
import shutil
import sqlite3
import threading
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import shapely
from one_site import (
    LOT,
    at_home,
    call,
    errors_of,
    every,
    file,
    folder,
    good,
    layer,
    more,
    names_in,
    refusal,
    with_site,
)

from loopgis.core import openable
from loopgis.core.errors import InputError
from loopgis.site.config import LayerRef

if TYPE_CHECKING:
    from collections.abc import Iterator

    from one_site import Prepare

__all__ = ["folder", "good"]
HEAD = '<VRTDataset rasterXSize="60" rasterYSize="60"><SRS>EPSG:26918</SRS><GeoTransform>585900,5,0,4511600,0,-5</GeoTransform>'
BAND = '<VRTRasterBand dataType="Float64" band="1"'
PIXELS = "<![CDATA[\nopen('@/pwned', 'w')\ndef f(a, out, *r, **k):\n    out[:] = 50\n]]>"
PYTHON = "<PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python</PixelFunctionLanguage>"
BY_PYTHON = (
    f'{HEAD}{BAND} subClass="VRTDerivedRasterBand">{PYTHON}<PixelFunctionCode>{PIXELS}</PixelFunctionCode>'
    "</VRTRasterBand></VRTDataset>"
)
RING = "586000,4511400 586080,4511400 586080,4511480 586000,4511480 586000,4511400"
KML = '<?xml version="1.0"?>%s<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>%s</name></Placemark></Document></kml>'
LAUGHS = "".join(f'<!ENTITY b{n} "{f"&b{n - 1};" * 10 if n else "ha"}">' for n in range(12))


def simple(source: str) -> str:
    """A virtual raster of one source."""
    part = f"<SimpleSource><SourceFilename>{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
    return f"{HEAD}{BAND}>{part}</VRTRasterBand></VRTDataset>"


def virtual(source: str) -> str:
    """A virtual layer of one source."""
    return f'<OGRVRTDataSource><OGRVRTLayer name="houses"><SrcDataSource>{source}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'


def told(name: str, text: str, *rest: Prepare) -> Prepare:
    """A text file; @ stands for the folder, URL for a server that counts."""

    def prepare(folder: Path) -> None:
        server = (folder.parent / "url").read_text()
        file(name, text.replace("@", str(folder)).replace("URL", server))(folder)
        for step in rest:
            step(folder)

    return prepare


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[list[str]]:
    """Requests that reached a server on this machine; its address stands in the file `url` beside the site."""
    found: list[str] = []

    class Counter(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            found.append(self.path)
            self.send_error(404)

        do_HEAD = do_POST = do_GET  # noqa: N815 - the names that http.server looks for

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Counter)
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    (tmp_path / "url").write_text(f"http://127.0.0.1:{server.server_port}")
    yield found
    server.shutdown()
    server.server_close()


WMS = (
    '<GDAL_WMS><Service name="TMS"><ServerUrl>URL/${z}/${x}/${y}.png</ServerUrl></Service><DataWindow>'
    "<UpperLeftX>585900</UpperLeftX><UpperLeftY>4511700</UpperLeftY><LowerRightX>586200</LowerRightX>"
    "<LowerRightY>4511300</LowerRightY><TileLevel>3</TileLevel></DataWindow><Projection>EPSG:26918</Projection>"
    "<BandsCount>1</BandsCount></GDAL_WMS>"
)
STAC = '{"stac_version": "1.0.0", "type": "FeatureCollection", "features": [{"assets": {"a": {"href": "URL/x.tif"}}}]}'
ELSEWHERE: dict[str, tuple[Prepare, tuple[str, ...]]] = {
    "raster of itself": (told("dem.tif", simple("@/dem.tif")), ("dem.tif", "virtual raster")),
    "raster of another file": (told("dem.tif", simple("/etc/passwd")), ("dem.tif", "virtual raster")),
    "raster of an address": (told("dem.tif", simple("/vsicurl/URL/x.tif")), ("dem.tif", "virtual raster")),
    "raster made by Python": (
        told(
            "dem.tif",
            BY_PYTHON,
        ),
        ("dem.tif", "virtual raster"),
    ),
    "raster of a map server": (told("dem.tif", WMS), ("dem.tif", "map server")),
    "raster of a coverage server": (
        told("dem.tif", "<WCS_GDAL><ServiceURL>URL/w?</ServiceURL></WCS_GDAL>"),
        ("dem.tif", "coverage server"),
    ),
    "catalogue of rasters": (told("dem.tif", STAC), ("dem.tif", "catalogue")),
    "overview of an address": (told("dem.tif.ovr", simple("/vsicurl/URL/x.tif")), ("dem.tif.ovr", "virtual raster")),
    "raster in a format of tiles elsewhere": (
        told("dem.tif", "<MRF_META><CachedSource><Source>URL</Source></CachedSource></MRF_META>"),
        ("kept elsewhere",),
    ),
    "layer of another file": (told("parcel.gpkg", virtual("@/houses.gpkg")), ("parcel.gpkg", "virtual layer")),
    "layer of an address": (told("parcel.gpkg", virtual("URL/x.geojson")), ("parcel.gpkg", "virtual layer")),
    "layer of a packed address": (
        told("parcel.gpkg", virtual("/vsicurl/URL/x.geojson")),
        ("parcel.gpkg", "virtual layer"),
    ),
    "layer of a feature server": (
        told("parcel.gpkg", "<OGRWFSDataSource><URL>URL/wfs</URL></OGRWFSDataSource>"),
        ("feature server",),
    ),
    "layer made by a command": (
        told(
            "parcel.gpkg",
            '{"type": "gdal_streamed_alg", "command_line": "gdal vector convert @/houses.gpkg @/pwned.gpkg"}',
        ),
        ("parcel.gpkg", "a command"),
    ),
    "virtual layer in UTF-16": (
        lambda f: file("parcel.gpkg", virtual(f"{f}/houses.gpkg").encode("utf-16"))(f),
        ("parcel.gpkg", "virtual layer"),
    ),
    "virtual layer in a zip": (
        lambda f: (
            zipped(f, {"a.csv": b"x", "b.gpkg": virtual(f"{f}/houses.gpkg").encode()}),
            with_site(parcel='"lot.zip"')(f),
        ),
        ("lot.zip", "b.gpkg", "virtual layer"),
    ),
    "file that is an address": (
        told("x.moaw", '{"process": "URL"}', with_site(parcel='"x.moaw"')),
        ("x.moaw", "elsewhere"),
    ),
    "entities in KML": (
        told("p.kml", KML % (f"<!DOCTYPE k [{LAUGHS}]>", "&b11;"), with_site(parcel='"p.kml"')),
        ("p.kml", "entities"),
    ),
    "entity of a file in KML": (
        told(
            "p.kml",
            KML % ('<!DOCTYPE k [<!ENTITY x SYSTEM "file:///etc/passwd">]>', "&x;"),
            with_site(parcel='"p.kml"'),
        ),
        ("p.kml", "entities"),
    ),
    "entity of an address in GML": (
        told(
            "p.gml",
            '<!DOCTYPE k [<!ENTITY % x SYSTEM "URL/x.dtd"> %x;]><FeatureCollection/>',
            with_site(parcel='"p.gml"'),
        ),
        ("p.gml", "entities"),
    ),
    "entities in GPX": (
        told("p.gpx", f"<!DOCTYPE g [{LAUGHS}]><gpx>&b11;</gpx>", with_site(parcel='"p.gpx"')),
        ("p.gpx", "entities"),
    ),
    "path to an address": (told("x", "", with_site(parcel='"/vsicurl/http://127.0.0.1/x.gpkg"')), ("is not there",)),
    "address as a path": (told("x", "", with_site(elevation='"http://127.0.0.1/x.tif"')), ("is not there",)),
    "bucket as a path": (told("x", "", with_site(parcel='"s3://bucket/x.gpkg"')), ("is not there",)),
    "inside of a zip as a path": (told("x", "", with_site(parcel='"/vsizip//etc/x.zip"')), ("is not there",)),
    **{
        f"{prefix} as a path": (told("x", "", with_site(parcel=f'"{prefix}x"')), ("is not there",))
        for prefix in ("PG:", "WFS:", "MYSQL:", "SQLITE:", "GPSBabel:nmea:", "OAPIF:", "GTIFF_DIR:1:", "JSON:")
    },
}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_files_that_point_elsewhere_are_not_followed(name: str, folder: Path, asked: list[str]) -> None:
    prepare, says = ELSEWHERE[name]
    prepare(folder)
    before = names_in(folder)
    line = refusal(folder / "site.toml")
    for words in says:
        assert words in line, line
    assert asked == []
    assert names_in(folder) == before


def test_saved_answer_of_a_server_is_read_without_asking_it(folder: Path, asked: list[str]) -> None:
    """Its head names where the schema lies."""
    where = "http://t URL/wfs?SERVICE=WFS&amp;VERSION=1.0.0&amp;REQUEST=DescribeFeatureType&amp;TYPENAME=t:x"
    text = (
        '<?xml version="1.0"?><wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs" xmlns:gml="http://www.opengis.net/gml" '
        f'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:t="http://t" xsi:schemaLocation="{where}">'
        '<gml:featureMember><t:x fid="1"><t:geom><gml:Polygon srsName="EPSG:26918"><gml:outerBoundaryIs><gml:LinearRing>'
        f"<gml:coordinates>{RING}</gml:coordinates></gml:LinearRing></gml:outerBoundaryIs></gml:Polygon></t:geom></t:x>"
        "</gml:featureMember></wfs:FeatureCollection>"
    )
    told("lot.gml", text, with_site(parcel='"lot.gml"'))(folder)
    assert errors_of(folder / "site.toml") == []
    assert asked == []


# -- pipes, devices, links -----------------------------------------------------------------------------------------------


def pipe(name: str) -> Prepare:
    """A pipe at whose other end nobody is."""

    def prepare(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        os.mkfifo(folder / name)

    return prepare


def link(name: str, target: str) -> Prepare:
    """A link in place of a file."""

    def prepare(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).symlink_to(target)

    return prepare


def shape(folder: Path) -> None:
    layer(folder / "lot.shp", LOT)
    with_site(parcel='"lot.shp"')(folder)


def inside(*steps: Prepare) -> Prepare:
    """A folder that is read as a layer."""
    return every(lambda f: (f / "d").mkdir(), *steps, with_site(parcel='{ path = "d", crs = "EPSG:26918" }'))


def zipped(folder: Path, items: dict[str, bytes]) -> Path:
    path = folder / "lot.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, data in items.items():
            pack.writestr(name, data)
    return path


def zipped_lot(before: str = "", more_items: dict[str, bytes] | None = None) -> Prepare:
    """A shapefile in a zip, names with something before."""

    def prepare(folder: Path) -> None:
        layer(folder / "q.shp", LOT)
        parts = {f"{before}q{s}": (folder / f"q{s}").read_bytes() for s in (".shp", ".shx", ".dbf", ".prj")}
        zipped(folder, parts | (more_items or {}))
        with_site(parcel='"lot.zip"')(folder)

    return prepare


ODD_FILES: dict[str, tuple[Prepare, tuple[str, ...]]] = {
    "pipe as a layer": (pipe("parcel.gpkg"), ("parcel.gpkg", "no ordinary file")),
    "pipe as a raster": (pipe("dem.tif"), ("dem.tif", "no ordinary file")),
    "pipe as a site file": (pipe("site.toml"), ("site.toml", "no ordinary file")),
    "pipe as a rule file": (every(pipe("own.toml"), with_site(rules='["own.toml"]')), ("own.toml", "no ordinary file")),
    "pipe as a ticket": (every(pipe("t.csv"), with_site(ticket='"t.csv"')), ("t.csv", "no ordinary file")),
    "pipe as hourly loads": (
        every(pipe("h.csv"), more('[demand]\nheating_peak = "9 kW"\nhourly = "h.csv"')),
        ("h.csv", "is not there"),
    ),
    "pipe beside a shapefile": (every(shape, pipe("lot.dbf")), ("lot.shp", "lot.dbf", "no ordinary file")),
    "pipe in capitals beside a shapefile": (every(shape, pipe("LOT.PRJ")), ("lot.shp", "LOT.PRJ")),
    "pipe beside a raster": (pipe("dem.tif.aux.xml"), ("dem.tif", "aux.xml", "no ordinary file")),
    "pipe as a journal": (pipe("parcel.gpkg-journal"), ("parcel.gpkg", "no ordinary file")),
    "pipe in a folder of lists": (inside(pipe("d/a.csv")), ("d: ", "a.csv", "no ordinary file")),
    "pipe in a folder of shapes": (inside(pipe("d/a.shp")), ("d: ", "a.shp", "no ordinary file")),
    "device": (with_site(parcel='"/dev/zero"'), ("/dev/zero", "no ordinary file")),
    "link to a device": (link("parcel.gpkg", "/dev/zero"), ("parcel.gpkg", "no ordinary file")),
    "link to a device beside": (every(shape, link("lot.cpg", "/dev/zero")), ("lot.cpg", "no ordinary file")),
    "link to a pipe": (every(pipe("p"), link("parcel.gpkg", "p")), ("parcel.gpkg", "no ordinary file")),
    "link to itself": (link("parcel.gpkg", "parcel.gpkg"), ("parcel.gpkg",)),
    "link to nothing": (link("parcel.gpkg", "gone.gpkg"), ("parcel.gpkg", "not there")),
    "link to a device as a rule file": (
        every(link("own.toml", "/dev/zero"), with_site(rules='["own.toml"]')),
        ("zero",),
    ),
    "the whole disk": (with_site(parcel='"/"'), ("root of the disk",)),
    "folder as a ticket": (with_site(ticket='"."'), ("directory",)),
    "empty raster": (file("dem.tif", ""), ("dem.tif", "empty")),
    "shapefile without index": (every(shape, lambda f: (f / "lot.shx").unlink()), ("lot.shp", ".shx")),
    "zip that is none": (
        every(file("lot.zip", b"PK\x03\x04" + bytes(50)), with_site(parcel='"lot.zip"')),
        ("lot.zip", "zip"),
    ),
    "zip cut off": (
        every(zipped_lot(), lambda f: (f / "lot.zip").write_bytes((f / "lot.zip").read_bytes()[:300])),
        ("lot.zip", "zip"),
    ),
    "shapefile in a folder of a zip": (zipped_lot("Flur 7/"), ("lot.zip", "unpack it")),
    "zip with names outside": (zipped_lot("../../"), ("lot.zip", "../../q.shp", "outside")),
    "zip with a name from the root": (zipped_lot("", {"/etc/x": b""}), ("/etc/x", "outside")),
    "zip with a name of Windows": (zipped_lot("", {"..\\x": b""}), ("outside",)),
    "gzip under another name": (
        every(file("p.gml", gzip.compress(b"<a/>" * 99)), with_site(parcel='"p.gml"')),
        ("gzip", "unpack"),
    ),
    "raster of text in a zip": (
        lambda f: (zipped(f, {"a.tif": simple("x").encode()}), with_site(elevation='"lot.zip"')(f)),
        ("a.tif", "virtual raster"),
    ),
    "name with an exclamation mark": (
        every(lambda f: (f / "parcel.gpkg").rename(f / "a!b.gpkg"), with_site(parcel='"a!b.gpkg"')),
        ("a!b.gpkg", "rename it"),
    ),
}


@pytest.mark.parametrize("name", ODD_FILES)
def test_files_that_are_none(name: str, folder: Path) -> None:
    prepare, says = ODD_FILES[name]
    prepare(folder)
    before = names_in(folder)
    line = refusal(folder / "site.toml")
    for words in says:
        assert words in line, line
    assert names_in(folder) == before


GOOD_FILES: dict[str, Prepare] = {
    "link to a layer": every(lambda f: (f / "parcel.gpkg").rename(f / "real.gpkg"), link("parcel.gpkg", "real.gpkg")),
    "shapefile in a zip": zipped_lot(),
    "shapefile without text": every(shape, lambda f: (f / "lot.dbf").unlink()),
    "dangling link beside": every(shape, link("lot.cpg", "gone")),
    "virtual layer beside, not named": file("parcel.vrt", virtual("x")),
    "other file of nearly the same name": pipe("parcels.gpkg"),
    "name with a question mark": every(
        lambda f: (f / "parcel.gpkg").rename(f / "a?b.gpkg"), with_site(parcel='"a?b.gpkg"')
    ),
    "name with per cent": every(
        lambda f: (f / "parcel.gpkg").rename(f / "a%20&b.gpkg"), with_site(parcel='"a%20&b.gpkg"')
    ),
    "raster with an exclamation mark": every(
        lambda f: (f / "dem.tif").rename(f / "a!b.tif"), with_site(elevation='"a!b.tif"')
    ),
    "name like a connection": every(
        lambda f: (f / "parcel.gpkg").rename(f / "PG:dbname=x"), with_site(parcel='"PG:dbname=x"')
    ),
    "name of 200 signs": every(
        lambda f: (f / "parcel.gpkg").rename(f / f"{'x' * 200}.gpkg"), with_site(parcel=f'"{"x" * 200}.gpkg"')
    ),
}


@pytest.mark.parametrize("name", GOOD_FILES)
def test_odd_files_that_are_good(name: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    GOOD_FILES[name](folder)
    monkeypatch.chdir(folder)
    assert errors_of(Path("site.toml")) == []


# -- filters and names of layers -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "where",
    [
        "fid in (with recursive c(x) as (select 1 union all select x + 1 from c) select x from c)",
        "1 = 1; drop table parcel",
        "1 = 1 -- and more",
        "1 = 1 /* and more",
        "length(hex(randomblob(900000000))) > 1",
        "parcel_id = 'p1' union select 1",
        "load_extension('x')",
        "parcel_id = 'p1",
        "x = (SELECT 1)",
    ],
)
def test_filters_that_are_programs(where: str, folder: Path) -> None:
    digest = (folder / "parcel.gpkg").read_bytes()
    with_site(parcel=f'{{ path = "parcel.gpkg", where = {json.dumps(where)} }}')(folder)
    line = refusal(folder / "site.toml")
    assert "site.toml [site] parcel parcel.gpkg: where = " in line
    assert "more than a condition" in line
    assert (folder / "parcel.gpkg").read_bytes() == digest


@pytest.mark.parametrize(
    "where",
    [
        "parcel_id = 'p1'",
        "\"parcel_id\" = 'p1'",
        "parcel_id IN ('p1', 'select; --')",
        "lower(parcel_id) LIKE 'p%' AND (fid >= 1 OR parcel_id IS NULL)",
        "parcel_id <> 'O''Hara; drop table'",
    ],
)
def test_filters_that_are_good(where: str, folder: Path) -> None:
    with_site(parcel=f'{{ path = "parcel.gpkg", where = {json.dumps(where)} }}')(folder)
    assert errors_of(folder / "site.toml") == []


@pytest.mark.parametrize(
    "name", ['parcel\\"; drop table parcel; --', "select 1", "parcel, parcel", "sqlite_master", "x\\u001b[2J"]
)
def test_names_of_layers_are_only_names(name: str, folder: Path) -> None:
    with_site(parcel=f'{{ path = "parcel.gpkg", layer = "{name}" }}')(folder)
    assert "parcel.gpkg" in refusal(folder / "site.toml")
    with sqlite3.connect(folder / "parcel.gpkg") as db:
        assert db.execute("SELECT count(*) FROM parcel").fetchone() == (1,)


def test_a_filter_on_the_command_line_is_looked_at_too() -> None:
    with pytest.raises(InputError, match="more than a condition"):
        LayerRef(written="town.gpkg", path=Path("town.gpkg"), where="1; select 2")


# -- every verb that takes a GeoPackage ----------------------------------------------------------------------------------

BAD_PACKAGES: dict[str, Prepare] = {
    "missing": lambda f: (f / "g.gpkg").unlink(missing_ok=True),
    "pipe": pipe("g.gpkg"),
    "folder": lambda f: (f / "g.gpkg").mkdir(),
    "empty": file("g.gpkg", ""),
    "link to itself": link("g.gpkg", "g.gpkg"),
    "link to a device": link("g.gpkg", "/dev/zero"),
    "virtual layer": lambda f: file("g.gpkg", virtual(f"{f}/houses.gpkg"))(f),
    "text": file("g.gpkg", "hello"),
    "zip": lambda f: zipped(f, {"a": b"x"}).rename(f / "g.gpkg"),
    "cut off": lambda f: file("g.gpkg", (f / "houses.gpkg").read_bytes()[:3000])(f),
    "a database of something else": lambda f: (
        sqlite3.connect(f / "g.gpkg").execute("CREATE TABLE a (b)").connection.close()
    ),
    "a GeoPackage of something else": lambda f: shutil.copy(f / "houses.gpkg", f / "g.gpkg"),
}
VERBS = {
    "score": ("--site", "site.toml", "-o", "out.gpkg"),
    "drill": ("--layout", "L-01", "-o", "out"),
    "tablet": ("--layout", "L-01", "-o", "out"),
    "setbacks": ("-o", "out.pdf"),
    "asbuilt": ("log.json", "-o", "out.gpkg"),
    "screen": ("--site", "town.toml", "-o", "out.gpkg", "--workers", "0"),
}


@pytest.mark.parametrize("bad", BAD_PACKAGES)
@pytest.mark.parametrize("verb", VERBS)
def test_packages_that_are_none(verb: str, bad: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if verb == "screen" and bad == "a GeoPackage of something else":
        pytest.skip("any layer of polygons is parcels")
    (folder / "town.toml").write_text('[site]\nrules = ["house"]\n')
    (folder / "log.json").write_text('{"schema": "loopgis-log/1", "entries": []}')
    BAD_PACKAGES[bad](folder)
    monkeypatch.chdir(folder)
    before = names_in(folder)
    code, out, err = call(verb, "g.gpkg", *VERBS[verb])
    assert (code, out, err.count("\n")) == (3, "", 1), err
    assert err.startswith("loopgis: error: ")
    assert "g.gpkg" in err or "log.json" in err, err
    assert "; " in err, err
    assert names_in(folder) == before


@pytest.mark.parametrize("option", ["--title", "--rules", "--elevation"])
@pytest.mark.parametrize("bad", ["pipe", "link to a device", "nested", "folder", "virtual"])
def test_files_beside_a_clerks_package(option: str, bad: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    line = [(x, y, 47.0) for x, y in at_home([(10, 20), (60, 20)])]
    layer(folder / "g.gpkg", LOT, name="parcel", feature_id=["lot"])
    layer(folder / "g.gpkg", shapely.LineString(line), name="bores", layout_id=["L-01"], bore_id=["B-01"])
    name = "x.tif" if option == "--elevation" else "x.toml"
    steps: dict[str, Prepare] = {
        "pipe": pipe(name),
        "link to a device": link(name, "/dev/zero"),
        "nested": file(name, "a = " + "[" * 10_000),
        "folder": lambda f: (f / name).mkdir(),
        "virtual": file(name, simple("/etc/passwd")),
    }
    steps[bad](folder)
    monkeypatch.chdir(folder)
    code, out, err = call("setbacks", "g.gpkg", option, name, "-o", "out.pdf")
    assert (code, out) == (3, ""), err
    said = [row for row in err.splitlines() if row.startswith("loopgis: ")]
    assert len(said) == 1
    assert said[0].startswith("loopgis: error: ")
    assert name in said[0]
    assert not (folder / "out.pdf").exists()


def test_formats_of_rasters() -> None:
    openable.check_format("GTiff", "x")
    with pytest.raises(InputError, match="format WMS"):
        openable.check_format("WMS", "x")
