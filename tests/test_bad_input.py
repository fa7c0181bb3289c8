"""The real command line against files and options nobody should have written: one clear line, right code, nothing written."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

sys.path.insert(0, str(Path(__file__).parent / "site"))

import shapely
from one_lot import BUILDING, HOME, LOT, at_home, layer, raster

from loopgis.cli.main import run

if TYPE_CHECKING:
    from collections.abc import Callable

PARCEL = 'parcel = "parcel.gpkg"'
BASE = (
    f'[site]\nname = "Ferny Croft"\n{PARCEL}\nbuildings = "houses.gpkg"\nelevation = "dem.tif"\nelevation_unit = "m"\n'
)
NEAR_LIMIT = 700


@dataclass(frozen=True)
class Case:
    """name: what is wrong; site: text of the site file; prepare: what to do to the folder first; says: words of the one line."""

    name: str
    site: str | bytes
    says: tuple[str, ...]
    prepare: Callable[[Path], object] = lambda _: None


def with_rows(name: str, text: str, *says: str) -> Case:
    """The good site with more lines behind it."""
    return Case(name, BASE + text, says)


def with_site(name: str, key_and_value: str, *says: str, prepare: Callable[[Path], object] = lambda _: None) -> Case:
    """The good site with one key of [site] replaced."""
    key = key_and_value.split(" =", 1)[0]
    kept = [line for line in BASE.splitlines() if not line.startswith(f"{key} =")]
    return Case(name, "\n".join([*kept, key_and_value]) + "\n", says, prepare)


def with_feature(name: str, rows: str, *says: str, prepare: Callable[[Path], object] = lambda _: None) -> Case:
    """The good site with one [[site.feature]]."""
    return Case(name, f"{BASE}[[site.feature]]\n{rows}\n", says, prepare)


def with_rules(name: str, old: str, new: str, *says: str) -> Case:
    """The good site with a copy of the house rules in which one text is replaced."""

    def prepare(folder: Path) -> None:
        text = (Path(__file__).parents[1] / "loopgis/tables/rules/house.toml").read_text(encoding="utf-8")
        assert old in text
        (folder / "own.toml").write_text(text.replace(old, new, 1), encoding="utf-8")

    return with_site(name, 'rules = ["own.toml"]', "own.toml", *says, prepare=prepare)


def lot(
    folder: Path, *shapes: shapely.Geometry | None, name: str = "parcel.gpkg", crs: str | None = HOME, **columns: object
) -> None:
    """Replace the parcel."""
    (folder / name).unlink(missing_ok=True)
    layer(folder / name, *shapes, crs=crs, **columns)


def cut(folder: Path, name: str, keep: int) -> None:
    """Truncate a file."""
    data = (folder / name).read_bytes()
    (folder / name).write_bytes(data[:keep])


def shape_without_prj(folder: Path) -> None:
    lot(folder, LOT, name="lot.shp")
    (folder / "lot.prj").unlink()


def shape_with_site_grid(folder: Path) -> None:
    lot(folder, LOT, name="lot.shp")
    (folder / "lot.prj").write_text('LOCAL_CS["site grid",UNIT["metre",1]]')


def feet_in_geojson(folder: Path) -> None:
    lot(folder, LOT, name="lot.geojson", crs="EPSG:2263")
    data = json.loads((folder / "lot.geojson").read_text())
    del data["crs"]
    (folder / "lot.geojson").write_text(json.dumps(data))


def flat_raster(folder: Path, **how: object) -> None:
    raster(folder / "dem.tif", lambda x, y: 50 + 0 * x, **{"cell": 5.0, "unit": "m", **how})


POINT = shapely.Point(at_home([(20, 40)])[0])
WELL = 'kind = "water_well"\npath = "wells.gpkg"'
FAR_PAD = f"[pad]\nat = {list(at_home([(0, -40)])[0])}"

CASES = [
    # -- the file itself
    Case("empty file", "", ("site.toml", "parcel")),
    Case("not TOML", "[site\nparcel = 3", ("site.toml", "TOML", "line 1")),
    Case("not UTF-8", BASE.encode() + b'\n[pipe]\nfluid = "\xff\xfe"', ("site.toml", "UTF-8")),
    Case("a number of 5000 digits", BASE + "[demand]\nyears = " + "9" * 5000, ("site.toml",)),
    Case("a number of 400 digits", BASE + '[demand]\nheating_peak = "9 kW"\nyears = ' + "9" * 400, ("years",)),
    Case("same table twice", BASE + "[rig]\n[rig]\n", ("site.toml", "TOML")),
    Case("nested without end", "a = " + "[" * 5000, ("site.toml",)),
    Case("no parcel key", '[site]\nname = "x"\n', ("[site] parcel", "missing", "parcel.gpkg")),
    Case("site is a list of tables", f"[[site]]\n{PARCEL}\n", ("[site]", "not a table")),
    # -- unknown keys at each level
    Case("unknown table", BASE + '[drill]\nrod = "3 m"\n', ("unknown key 'drill'",)),
    Case("misspelt table", BASE + '[pipes]\nsize = "1 in"\n', ("unknown key 'pipes'", "'pipe'")),
    with_site("misspelt site key", 'elevatoin_unit = "m"', "'elevatoin_unit'", "'elevation_unit'"),
    with_rows("misspelt rig key", '[rig]\nbend_radios = "100 ft"', "[rig]", "'bend_radios'", "'bend_radius'"),
    with_rows("misspelt bore key", '[bore]\nspacng = "15 ft"', "[bore]", "'spacing'"),
    with_rows("misspelt demand key", '[demand]\nheating_peek = "9 kW"\nheating_peak = "9 kW"', "'heating_peak'"),
    with_rows(
        "misspelt monthly key", '[demand]\nheating_peak = "9 kW"\nmonthly = { heatng = [] }', "'heatng'", "'heating'"
    ),
    with_rows("misspelt pad key", '[pad]\nsizes = ["20 ft", "40 ft"]', "[pad]", "'size'"),
    with_rows("misspelt score key", "[score]\nheadr = 2", "[score]", "'header'"),
    with_site("misspelt layer key", 'parcel = { path = "parcel.gpkg", layr = "parcel" }', "'layr'", "'layer'"),
    with_feature("misspelt feature key", WELL + '\nqualty = "B"', "site.feature 1", "'quality'"),
    # -- values
    with_rows("bare number", "[rig]\nbend_radius = 100", "[rig] bend_radius", "100", "no unit", "15 ft"),
    with_rows("number as text without unit", '[bore]\nspacing = "15"', "[bore] spacing", "no unit"),
    with_rows("length given as power", '[rig]\nrod_length = "10 kW"', "[rig] rod_length", "'10 kW'", "length"),
    with_rows("power given as mass", '[demand]\nheating_peak = "3 ton"', "heating_peak", "'3 ton'", "36 kBtu/h"),
    with_rows("temperature in farad", '[demand]\nheating_peak = "9 kW"\newt_min = "30 F"', "ewt_min", "52 degF"),
    with_rows("difference in plain degrees", '[ground]\namplitude = "20 degF"', "amplitude", "delta_degF"),
    with_rows("pitch as a ratio", '[rig]\nentry_pitch = ["0.15 ft/ft", "0.35 ft/ft"]', "entry_pitch", "35 %"),
    with_rows("negative length", '[bore]\nspacing = "-15 ft"', "[bore] spacing", "-15 ft"),
    with_rows("zero radius", '[rig]\nbend_radius = "0 ft"', "[rig] bend_radius", "0 ft"),
    with_rows("not a number", "[demand]\nheating_peak = '9 kW'\nyears = nan", "[demand] years", "nan"),
    with_rows("infinite", "[demand]\nheating_peak = '9 kW'\nheating_hours = inf", "heating_hours", "inf"),
    with_rows("infinite length", '[bore]\nspacing = "1e999 ft"', "[bore] spacing"),
    with_rows("nan length", '[bore]\nspacing = "nan ft"', "[bore] spacing"),
    with_rows("absurd radius", '[rig]\nbend_radius = "100 miles"', "[rig] bend_radius", "100 miles"),
    with_rows("year of 9000 hours", "[demand]\nheating_peak = '9 kW'\nheating_hours = 9000", "heating_hours", "9000"),
    with_rows("code as unit", "[bore]\nspacing = \"1 __import__('os')\"", "[bore] spacing"),
    with_rows("endless text", '[bore]\nspacing = "' + "1" * 4000 + ' ft"', "[bore] spacing"),
    with_rows("true for a number", "[demand]\nheating_peak = '9 kW'\nyears = true", "[demand] years", "number"),
    with_rows("quoted number", "[demand]\nheating_peak = '9 kW'\nyears = '20'", "[demand] years", "without quotes"),
    with_rows("half a bore", "[bore]\nbores = 2.5", "[bore] bores", "whole number"),
    with_rows("no bore", "[bore]\nbores = 0", "[bore] bores"),
    with_rows("text for a list", '[bore]\ndepth = "15 ft"', "[bore] depth", "list"),
    with_rows("empty list of depths", "[bore]\ndepth = []", "[bore] depth"),
    with_rows("depth beyond the locator", '[bore]\ndepth = ["45 ft"]', "[bore] depth", "locator", "max_depth"),
    with_rows("three pitches", '[rig]\nexit_pitch = ["1 %", "2 %", "3 %"]', "exit_pitch", "pair"),
    with_rows("least above most", '[rig]\nexit_pitch = ["30 %", "10 %"]', "exit_pitch", "smaller one first"),
    with_rows(
        "eleven months",
        '[demand]\nheating_peak = "9 kW"\nmonthly = { heating = ["1 kWh", "2 kWh"] }',
        "monthly",
        "twelve",
    ),
    with_rows(
        "colder than itself",
        '[demand]\nheating_peak = "9 kW"\newt_min = "60 degF"\newt_max = "50 degF"',
        "ewt_min",
        "ewt_max",
    ),
    with_rows("demand without peak", "[demand]\nyears = 20", "[demand]", "heating_peak"),
    with_rows("hourly file missing", '[demand]\nheating_peak = "9 kW"\nhourly = "loads.csv"', "hourly", "loads.csv"),
    with_rows("conductivity alone", '[ground]\nconductivity = "1.5 W/(m K)"', "diffusivity", "missing"),
    with_rows("unknown soil", '[ground]\nsoil = "moist cly"', "[ground] soil", "'moist clay'"),
    with_rows("unknown rig", '[rig]\nclass = "smal"', "[rig] class", "'small'"),
    with_rows("unknown pipe", '[pipe]\nsize = "7 in"', "[pipe] size", "7 in"),
    with_rows("unknown pattern", '[layout]\npatterns = ["spiral"]', "[layout] patterns", "fan"),
    with_rows(
        "all weights zero", "[score]\nlevel=0\neconomy=0\nspacing=0\ncrossings=0\nmargin=0\nheader=0", "[score]", "zero"
    ),
    with_site("unknown units", 'units = "imperial"', "[site] units", "metric"),
    with_site("unknown elevation unit", 'elevation_unit = "furlong"', "elevation_unit", "furlong"),
    with_site("number for a path", "buildings = 7", "[site] buildings", "not a path"),
    with_site("layer without path", 'buildings = { layer = "x" }', "[site] buildings", "no path"),
    with_site("rules as text", 'rules = "house"', "[site] rules", "list"),
    # -- layers
    with_site("missing layer file", 'parcel = "lots.gpkg"', "lots.gpkg", "not there", "relative to the site file"),
    with_site("path with a NUL", 'parcel = "a\\u0000b.gpkg"', "[site] parcel"),
    with_site("path without end", f'parcel = "{"x" * 3000}.gpkg"', "xxx"),
    with_site(
        "empty layer file", 'buildings = "none.gpkg"', "none.gpkg", "empty", prepare=lambda f: (f / "none.gpkg").touch()
    ),
    Case("truncated layer file", BASE, ("houses.gpkg",), lambda f: cut(f, "houses.gpkg", 700)),
    Case("text with a GIS suffix", BASE, ("parcel.gpkg",), lambda f: (f / "parcel.gpkg").write_text("hello")),
    with_site("folder as a layer", 'parcel = "."', "no GIS layer"),
    with_site("wrong layer name", 'parcel = { path = "parcel.gpkg", layer = "lots" }', "parcel.gpkg", "lots"),
    with_site("bad where", 'parcel = { path = "parcel.gpkg", where = "((" }', "parcel.gpkg", "where"),
    with_site("where of no column", 'parcel = { path = "parcel.gpkg", where = "colour = 3" }', "parcel.gpkg", "where"),
    with_site(
        "where that picks nothing", 'parcel = { path = "parcel.gpkg", where = "parcel_id = \'9\'" }', "no parcel"
    ),
    Case("several parcels", BASE, ("2 parcels", "where"), lambda f: lot(f, LOT, BUILDING)),
    Case(
        "several layers",
        BASE,
        ("parcel.gpkg", "2 layers", "layer ="),
        lambda f: layer(f / "parcel.gpkg", BUILDING, name="more"),
    ),
    Case("parcel is a point", BASE, ("parcel.gpkg", "polygon"), lambda f: lot(f, POINT)),
    Case(
        "parcel is an open line",
        BASE,
        ("parcel.gpkg", "closed"),
        lambda f: lot(f, shapely.LineString(at_home([(0, 0), (9, 9)]))),
    ),
    Case("parcel without geometry", BASE, ("parcel.gpkg", "no outline"), lambda f: lot(f, shapely.Polygon())),
    Case(
        "parcel at infinity",
        BASE,
        ("parcel.gpkg",),
        lambda f: lot(f, shapely.Polygon([(0, 0), (float("inf"), 0), (1, 1)])),
    ),
    Case("parcel as large as a county", BASE, ("parcel.gpkg", "ha"), lambda f: lot(f, LOT.buffer(9000))),
    Case(
        "parcel of a millimetre",
        BASE,
        ("parcel.gpkg", "m2"),
        lambda f: lot(f, shapely.box(586000, 4511400, 586000.001, 4511400.001)),
    ),
    with_site(
        "no CRS", 'parcel = "lot.shp"', "lot.shp", "no coordinate reference system", "crs =", prepare=shape_without_prj
    ),
    with_site("local CRS", 'parcel = "lot.shp"', "lot.shp", "site grid", prepare=shape_with_site_grid),
    with_site(
        "feet called degrees", 'parcel = "lot.geojson"', "lot.geojson", "degrees", "crs =", prepare=feet_in_geojson
    ),
    with_site("unknown CRS", 'parcel = { path = "parcel.gpkg", crs = "EPSG:99999" }', "EPSG:99999", "crs"),
    with_feature(
        "unknown kind", 'kind = "water_wel"\npath = "parcel.gpkg"', "site.feature 1", "'water_wel'", "'water_well'"
    ),
    with_feature("feature without path", 'kind = "water_well"', "site.feature 1", "path"),
    with_feature("unknown quality", WELL + '\nquality = "E"', "site.feature 1", "quality", "A, B, C, D"),
    with_feature("depth unit of power", WELL + '\ndepth_unit = "kW"', "site.feature 1", "depth_unit"),
    with_feature("feature layer missing", WELL, "wells.gpkg", "not there"),
    Case("single brackets", BASE + "[site.feature]\n" + WELL, ("site.feature", "double brackets")),
    with_feature(
        "depth without unit",
        WELL,
        "wells.gpkg",
        "depth",
        "unit",
        prepare=lambda f: layer(f / "wells.gpkg", POINT, depth=[3.0]),
    ),
    with_feature(
        "depth of a mine",
        WELL + '\ndepth_unit = "m"',
        "wells.gpkg",
        "depth",
        prepare=lambda f: layer(f / "wells.gpkg", POINT, depth=[3000.0]),
    ),
    with_feature(
        "unknown kind in a column",
        'path = "wells.gpkg"',
        "wells.gpkg",
        "wel",
        prepare=lambda f: layer(f / "wells.gpkg", POINT, kind=["wel"]),
    ),
    with_feature(
        "kind nowhere",
        'path = "wells.gpkg"',
        "wells.gpkg",
        "kind",
        prepare=lambda f: layer(f / "wells.gpkg", POINT, use=["x"]),
    ),
    # -- raster
    with_site("missing raster", 'elevation = "none.tif"', "none.tif", "not there"),
    Case("truncated raster", BASE, ("dem.tif",), lambda f: cut(f, "dem.tif", 40)),
    Case("raster of text", BASE, ("dem.tif",), lambda f: (f / "dem.tif").write_text("north\n")),
    with_site("vector as raster", 'elevation = "houses.gpkg"', "houses.gpkg"),
    Case("raster elsewhere", BASE, ("dem.tif", "cover"), lambda f: flat_raster(f, bounds=(5000.0, 0.0, 5200.0, 200.0))),
    Case(
        "raster over half the lot", BASE, ("dem.tif", "%"), lambda f: flat_raster(f, bounds=(-60.0, -60.0, 40.0, 120.0))
    ),
    Case(
        "raster without CRS",
        BASE,
        ("dem.tif", "coordinate reference system", "crs ="),
        lambda f: flat_raster(f, crs=None, bounds=(0.0, 0.0, 200.0, 200.0)),
    ),
    with_site(
        "raster with unknown CRS", 'elevation = { path = "dem.tif", crs = "EPSG:99999" }', "dem.tif", "EPSG:99999"
    ),
    Case(
        "raster of nodata",
        BASE,
        ("dem.tif", "0.0%"),
        lambda f: flat_raster(f, holes=lambda x, y: x < 1e9, nodata=-9999.0),
    ),
    # -- pad
    with_rows("pad outside", FAR_PAD, "[pad] at", "outside the lot"),
    with_rows("pad of three numbers", "[pad]\nat = [1, 2, 3]", "[pad] at", "point"),
    with_rows("pad of texts", '[pad]\nat = ["1", "2"]', "[pad] at", "point"),
    with_rows("pad at infinity", "[pad]\nat = [inf, 2]", "[pad] at", "point"),
    with_rows("pad layer missing", '[pad]\nat = "pad.gpkg"', "pad.gpkg", "not there"),
    with_rows("pad larger than a field", '[pad]\nsize = ["20 ft", "4000 ft"]', "[pad] size", "4000 ft"),
    with_rows("entry far away", "[pad]\nentry = [586000, 4611400]", "[pad] entry", "lot"),
    # -- rule files
    with_site("unknown rule file", 'rules = ["hause"]', "hause", "'house'"),
    with_site("missing rule file", 'rules = ["county.toml"]', "county.toml", "rules"),
    with_site(
        "rule file is no TOML", 'rules = ["own.toml"]', "own.toml", prepare=lambda f: (f / "own.toml").write_text("[[[")
    ),
    with_site("rule file with a NUL in its name", 'rules = ["a\\u0000.toml"]', "rules"),
    with_rules(
        "rule file of another schema", 'schema = "loopgis-rules/1"', 'schema = "x/9"', "schema", "loopgis-rules/1"
    ),
    with_rules("rule with unknown mode", 'mode = "never"', 'mode = "nevr"', "mode", "nevr"),
    with_rules("rule with unknown unit", 'value = 10, unit = "ft"', 'value = 10, unit = "rods"', "rods", "unit"),
    with_rules("rule with unknown kind", 'feature = "water_well"', 'feature = "water_wel"', "'water_well'"),
    with_rules("rule with misspelt key", "plan_distance", "plan_distanse", "'plan_distance'"),
    with_rules("rule with negative distance", "value = 10,", "value = -10,", "lot-line"),
    with_rules("rule without citation", "citation =", "citations =", "'citation'"),
]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a site in which nothing is wrong."""
    folder = tmp_path_factory.mktemp("good")
    layer(folder / "parcel.gpkg", LOT)
    layer(folder / "houses.gpkg", BUILDING)
    flat_raster(folder)
    (folder / "site.toml").write_text(BASE, encoding="utf-8")
    return folder


@pytest.fixture
def folder(good: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(good, tmp_path / "site"))


def call(*args: object, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of the command line."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as stopped:
        run([str(a) for a in args])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert isinstance(stopped.value.code, int)
    return stopped.value.code, out, err


@pytest.mark.parametrize("case", CASES, ids=[c.name for c in CASES])
def test_one_clear_line(case: Case, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case.prepare(folder)
    site = folder / "site.toml"
    site.write_bytes(case.site if isinstance(case.site, bytes) else case.site.encode())
    before = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*"))
    code, out, err = call("layout", site, "-o", tmp_path / "out", capsys=capsys)
    assert code == 3, err
    assert out == ""
    assert err.count("\n") == 1, err
    assert err.startswith("loopgis: error: ")
    assert "; " in err, f"no remedy: {err}"
    assert len(err) < NEAR_LIMIT + len(str(folder))
    for words in case.says:
        assert words in err, err
    code, out, err = call("check", site, capsys=capsys)
    assert code == 3
    assert err == ""
    assert out.startswith("error: ")
    assert sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*")) == before


def test_there_are_many_cases() -> None:
    assert len({c.name for c in CASES}) == len(CASES) >= 70


def test_the_good_site_is_good(good: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call("check", good / "site.toml", capsys=capsys)
    assert code == 0, out
    assert err == ""
    assert "Ferny Croft: lot of" in out
    assert "error" not in out


def test_check_tells_everything_at_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    layer(folder / "wells.gpkg", POINT, POINT, POINT, kind=["water_well", "wel", ""], depth=[None, None, 3.0])
    (folder / "site.toml").write_text(
        f'[site]\n{PARCEL}\nbuildings = "no.gpkg"\nelevation = "no.tif"\nunits = "imperial"\n'
        '[[site.feature]]\nkind = "gas_line"\npath = "lines.gpkg"\n[[site.feature]]\npath = "wells.gpkg"\n'
        f"{FAR_PAD}\n[rig]\nbend_radius = 100\nrod = 3\n[bore]\nspacing = '-1 ft'\n"
    )
    code, out, _ = call("check", folder / "site.toml", capsys=capsys)
    assert code == 3
    errors = [line for line in out.splitlines() if line.startswith("error: ")]
    for words in ("no.gpkg", "no.tif", "imperial", "lines.gpkg", "wells.gpkg", "bend_radius", "'rod'", "spacing"):
        assert sum(words in line for line in errors) >= 1, words
    assert out.splitlines()[: len(errors)] == errors, "errors come first"
    code, out, _ = call("check", folder / "site.toml", "--json", capsys=capsys)
    assert code == 3
    assert {f["severity"] for f in json.loads(out)["findings"]} >= {"error"}
    code, _, err = call("layout", folder / "site.toml", "-o", folder / "out", capsys=capsys)
    assert code == 3
    assert "more" in err


def test_folder_and_missing_site_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for site in (folder, folder / "none.toml", "/dev/null", "x" * 5000):
        code, out, err = call("layout", site, "-o", folder / "out", capsys=capsys)
        assert (code, out, err.count("\n")) == (3, "", 1), err
        assert call("check", site, capsys=capsys)[0] == 3


@pytest.mark.parametrize(
    "args",
    [
        ["layout"],
        ["layout", "site.toml"],
        ["layout", "site.toml", "-o"],
        ["layout", "site.toml", "-o", "out", "--units", "furlong"],
        ["layout", "site.toml", "-o", "out", "--colour"],
        ["layout", "site.toml", "more.toml", "-o", "out"],
        ["check"],
        ["check", "site.toml", "--overwrite"],
        ["drill", "site.toml"],
        ["--units"],
    ],
)
def test_usage(args: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(*args, capsys=capsys)
    assert code == 2
    assert out == ""
    assert "Error: " in err


def test_unusual_names_work(good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = Path(shutil.copytree(good, tmp_path / "Größe & Söhne (1) 東 #7 50% 'q'"))
    (place / "parcel.gpkg").rename(place / "Flur 3, Stück 7 東.gpkg")
    (place / "dem.tif").rename(place / "höhe #1.tif")
    text = BASE.replace("parcel.gpkg", "Flur 3, Stück 7 東.gpkg").replace("dem.tif", "höhe #1.tif")
    (place / "Plan Ä.toml").write_text("\ufeff" + text.replace("\n", "\r\n"), encoding="utf-8")
    code, out, _ = call("check", place / "Plan Ä.toml", capsys=capsys)
    assert code == 0, out


def test_control_characters_do_not_reach_the_terminal(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "site.toml").write_text('[site]\nname = "a\\u001b[2Jb\\nc"\nparcel = "x\\u001b[2J.gpkg"\n')
    _, out, err = call("check", folder / "site.toml", capsys=capsys)
    _, _, err2 = call("layout", folder / "site.toml", "-o", folder / "out", capsys=capsys)
    assert "\x1b" not in out + err + err2


def test_warnings_of_readers_do_not_reach_the_terminal(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In a process of its own: what GDAL or Python print on the way would show there."""
    (folder / "parcel.gpkg-wal").touch()
    with sqlite3.connect(folder / "houses.gpkg") as data:
        data.execute("PRAGMA user_version = 10900")
    (folder / "dem.tif").write_bytes((folder / "dem.tif").read_bytes()[:2000])
    done = subprocess.run(
        [sys.executable, "-m", "loopgis", "check", "site.toml"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 3, done.stdout
    assert done.stderr == ""


def test_handful_in_a_process_of_its_own(folder: Path) -> None:
    def shell(*args: str) -> tuple[int, str, str]:
        done = subprocess.run(
            [sys.executable, "-m", "loopgis", *args], cwd=folder, capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout, done.stderr

    code, out, err = shell("layout", "none.toml", "-o", "out")
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert shell("layout", "site.toml")[0] == 2
    (folder / "site.toml").write_text(BASE + "[rig]\nbend_radius = 100\n")
    code, out, err = shell("layout", "site.toml", "-o", "out")
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert "bend_radius" in err
    assert not (folder / "out").exists()


# -- lots and places that a run finds out about later --------------------------------------------------------------------


def square(folder: Path, side_m: float) -> Path:
    """A site that is a bare square and nothing else, with one fan bore wanted."""
    x, y = at_home([(0, 0)])[0]
    lot(folder, shapely.box(x, y, x + side_m, y + side_m))
    site = folder / "square.toml"
    site.write_text(f'[site]\n{PARCEL}\n[bore]\nbores = 1\n[layout]\npatterns = ["fan"]\n', encoding="utf-8")
    return site


@pytest.mark.parametrize(("side_m", "change"), [(14.0, ""), (26.0, "would fit: ")])
def test_lot_too_small_to_drill(
    side_m: float, change: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = square(folder, side_m)
    code, out, err = call("layout", site, "-o", tmp_path / "out", capsys=capsys)
    assert code == 4
    assert out == ""
    assert err.count("\n") == 1, err
    assert "no layout fits: the longest open line" in err, err
    assert change in err
    assert not (tmp_path / "out").exists()
    assert call("check", site, capsys=capsys)[0] == 0


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize(
    ("place", "says"),
    [
        ("taken.txt", "is a file"),
        ("taken.txt/out", "is a file"),
        ("old", "--overwrite"),
        *([("/proc/loopgis", "cannot be written")] if Path("/proc/self").exists() else []),
    ],
)
def test_output_places_that_will_not_do(
    place: str, says: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = square(folder, 60.0)
    results = tmp_path / "results"
    (results / "old").mkdir(parents=True)
    (results / "taken.txt").write_text("mine")
    (results / "old" / "layouts.gpkg").write_bytes(b"an earlier result")
    before = snapshot(results)
    code, out, err = call("layout", site, "-o", results / place, capsys=capsys)
    assert code == 3, err
    assert out == ""
    last = err.splitlines()[-1]
    assert last.startswith("loopgis: error: ")
    assert says in last
    assert sum(line.startswith("loopgis:") for line in err.splitlines()) == 1
    assert snapshot(results) == before
