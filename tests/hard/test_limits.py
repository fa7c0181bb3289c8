"""Inputs made to fill the memory or to last for ever: refused in seconds by a limit that is named and can be raised."""

from __future__ import annotations

import json
import os
import re
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from one_site import (
    BUILDING,
    LOT,
    ORIGIN,
    WELL,
    at_home,
    bounded,
    call,
    cells,
    endless,
    errors_of,
    every,
    file,
    folder,
    good,
    layer,
    level,
    more,
    refusal,
    table,
    with_site,
)

from loopgis.core import limits
from loopgis.core.errors import InputError, UsageError
from loopgis.field.log_read import read_logs

if TYPE_CHECKING:
    from one_site import Prepare

__all__ = ["folder", "good"]
SPARSE = {"SPARSE_OK": "TRUE", "BIGTIFF": "YES"}
MILLIMETRE = rasterio.Affine(0.001, 0, ORIGIN[0] - 100, 0, -0.001, ORIGIN[1] + 200)
MANY_DEEP = "a" + ".a" * 200_000


def circle(corners: int, radius_m: float = 40.0) -> shapely.Polygon:
    """A round lot of very many corners."""
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return shapely.Polygon(np.column_stack([np.cos(turn), np.sin(turn)]) * radius_m + np.array(ORIGIN) + 40)


def sieve(holes: int) -> shapely.Polygon:
    """A lot full of holes."""
    x, y = np.divmod(np.arange(holes), 70)
    boxes = shapely.box(ORIGIN[0] + 1 + x, ORIGIN[1] + 1 + y, ORIGIN[0] + 1.5 + x, ORIGIN[1] + 1.5 + y)
    return shapely.Polygon(shapely.box(*ORIGIN, ORIGIN[0] + 90, ORIGIN[1] + 90).exterior, [b.exterior for b in boxes])


def lot(shape: shapely.Polygon) -> Prepare:
    """The parcel replaced."""

    def prepare(folder: Path) -> None:
        (folder / "parcel.gpkg").unlink()
        layer(folder / "parcel.gpkg", shape)

    return prepare


def points(count: int) -> Prepare:
    """So many wells on the lot."""

    def prepare(folder: Path) -> None:
        x, y = np.random.default_rng(1).random((2, count)) * 60
        rows = table(*shapely.points(x + ORIGIN[0], y + ORIGIN[1]), a=np.arange(count))
        pyogrio.write_dataframe(rows, folder / "wells.gpkg")
        more('[[site.feature]]\nkind = "water_well"\npath = "wells.gpkg"')(folder)

    return prepare


def bomb(folder: Path) -> None:
    """A zip of a few hundred bytes that says it unpacks to 3 GB and once more 3 GB."""
    with zipfile.ZipFile(folder / "lot.zip", "w") as pack:
        for name in ("lot.shp", "lot.dbf"):
            pack.writestr(name, b"")
    data = (folder / "lot.zip").read_bytes()
    at = -1
    for _ in range(2):
        at = data.index(b"PK\x01\x02", at + 1)
        data = data[: at + 24] + (3_000_000_000).to_bytes(4, "little") + data[at + 28 :]
    (folder / "lot.zip").write_bytes(data)
    with_site(parcel='"lot.zip"')(folder)


BOMBS: dict[str, tuple[Prepare, tuple[str, ...]]] = {
    "a million by a million cells in strips": (
        cells(width=1_000_000, height=1_000_000, dtype="float32", transform=MILLIMETRE, **SPARSE),
        ("dem.tif", "cells round the lot", "limit cells"),
    ),
    "cells of a millimetre": (
        cells(
            width=300_000,
            height=300_000,
            dtype="float32",
            transform=MILLIMETRE,
            tiled=True,
            blockxsize=4096,
            blockysize=4096,
            **SPARSE,
        ),
        ("dem.tif", "cells round the lot", "limit cells"),
    ),
    "blocks of a quarter of a billion cells": (
        cells(
            width=10**6,
            height=10**6,
            dtype="uint8",
            count=3,
            interleave="pixel",
            tiled=True,
            blockxsize=16384,
            blockysize=16384,
            **SPARSE,
        ),
        ("dem.tif", "blocks of 16,384 x 16,384 cells of 3 bands", "block_mb="),
    ),
    "two thousand bands in one block": (
        cells(
            width=4096,
            height=4096,
            count=2000,
            interleave="pixel",
            tiled=True,
            blockxsize=4096,
            blockysize=4096,
            **SPARSE,
        ),
        ("dem.tif", "of 2,000 bands", "block_mb="),
    ),
    "a lot of a million corners": (lot(circle(1_100_000)), ("parcel.gpkg", "corners", "corners=")),
    "a lot of thirty thousand corners": (lot(circle(30_000)), ("parcel.gpkg", "30,001 corners", "lot_corners=")),
    "a lot of holes": (lot(sieve(3900)), ("parcel.gpkg", "3,900 holes", "lot_holes=")),
    "a lot as large as a continent": (lot(LOT.buffer(3e5)), ("parcel.gpkg", "km2", "lot_km2=")),
    "a zip that unpacks to a disk full": (bomb, ("lot.zip", "unpacks to 6.0 GB", "layer_mb=")),
    "a layer of 5 GB": (
        every(endless("x.gpkg", 5 * 10**9), with_site(parcel='"x.gpkg"')),
        ("x.gpkg", "larger than 4 GB", "layer_mb="),
    ),
    "a site file of 1 GB": (endless("site.toml", 10**9), ("site.toml", "larger than 1 MB", "site_mb=")),
    "a rule file of 1 GB": (
        every(endless("own.toml", 10**9), with_site(rules='["own.toml"]')),
        ("own.toml", "site_mb="),
    ),
    "rule files without end": (
        with_site(rules="[" + '"house",' * 5000 + "]"),
        ("[site] rules", "5,000 rule files", "rules="),
    ),
    "hourly loads of 2 GB": (
        every(endless("h.csv", 2 * 10**9), more('[demand]\nheating_peak = "9 kW"\nhourly = "h.csv"')),
        ("h.csv", "larger than 50 MB", "table_mb="),
    ),
    "a ticket of 2 GB": (
        every(endless("t.csv", 2 * 10**9), with_site(ticket='"t.csv"')),
        ("t.csv", "1 MB", "site_mb="),
    ),
    "a survey list of 1 GB": (
        every(
            lambda f: (f / "d").mkdir(),
            endless("d/a.csv", 10**9),
            with_site(parcel='{ path = "d", crs = "EPSG:26918" }'),
        ),
        ("a.csv", "larger than 50 MB", "table_mb="),
    ),
    "blocks of features without end": (
        more('[[site.feature]]\nkind = "pond"\n' * 25_000),
        ("[site.feature]", "25,000 times", "layers="),
    ),
    "twenty thousand wells": (points(20_000), ("wells.gpkg", "more than 10,000 things", "features=")),
    "a quarter of a million rows": (points(250_000), ("wells.gpkg", "more than 200,000 rows", "rows=")),
}


LONG = {"twenty thousand wells", "a quarter of a million rows", "a lot of a million corners"}


@pytest.fixture(scope="module", autouse=True)
def _read_once(good: Path) -> None:
    """Libraries are loaded here, not in each of the processes that are measured."""
    assert errors_of(good / "site.toml") == []


@pytest.mark.parametrize("name", [pytest.param(n, marks=[pytest.mark.slow] if n in LONG else []) for n in BOMBS])
def test_bombs_are_refused_in_seconds_and_in_little_memory(name: str, folder: Path) -> None:
    prepare, says = BOMBS[name]
    prepare(folder)
    line, _ = bounded(lambda: refusal(folder / "site.toml"), memory_mb=600)
    for words in says:
        assert words in str(line), line
    assert limits.VARIABLE in str(line)


KEYS: dict[str, tuple[Prepare, tuple[str, ...]]] = {
    "a key of 200 000 parts": (more(f"[rig]\n{MANY_DEEP} = 1"), ("site.toml", "line 7", "32 parts")),
    "such a head of a table": (more(f"[{MANY_DEEP}]"), ("line 6", "32 parts")),
    "such a key behind a text": (
        more('[rig]\nx = { y = """\n""", ' + MANY_DEEP + ' = 1, z = "" }'),
        ("line 8", "32 parts"),
    ),
    "a key of a million letters": (more("a" * 900_000 + " = 1"), ("unknown key 'aaa",)),
    "a rule file nested without end": (
        every(file("own.toml", 'schema = "loopgis-rules/1"\na = ' + "[" * 10_000), with_site(rules='["own.toml"]')),
        ("own.toml", "nested too deep"),
    ),
    "a key of 40 parts in a rule file": (
        every(file("own.toml", f"a{'.a' * 40} = 1"), with_site(rules='["own.toml"]')),
        ("own.toml", "32 parts"),
    ),
    "a distance of 400 digits": (
        every(
            file(
                "own.toml",
                Path("loopgis/tables/rules/house.toml").read_text().replace("value = 10,", f"value = {'9' * 400},", 1),
            ),
            with_site(rules='["own.toml"]'),
        ),
        ("own.toml", "another sort"),
    ),
    "power upon power": (more('[bore]\nspacing = "1 m*9**9**9**9**9"'), ("[bore] spacing", "not a length")),
    "a billion bores": (more("[bore]\nbores = 1000000000"), ("[bore] bores", "outside 1 to 200")),
    "bores a nanometre apart": (more('[bore]\nspacing = "1e-9 m"'), ("[bore] spacing", "outside 0.5 to 50 m")),
    "rods of a picometre": (more('[rig]\nrod_length = "1e-12 m"'), ("[rig] rod_length", "outside")),
    "a hundred thousand depths": (more("[bore]\ndepth = [" + '"3 m",' * 100_000 + "]"), ("[bore] depth", "one to 8")),
    "a billion years": (
        more('[demand]\nheating_peak = "9 kW"\nyears = 1000000000'),
        ("[demand] years", "outside 1 to 100"),
    ),
    "a power of 1e308": (more('[demand]\nheating_peak = "1e308 W"'), ("heating_peak", "outside")),
    "a pad of dates": (more("[pad]\nat = [1979-05-27, 07:32:00]"), ("[pad] at", "not a point")),
}


@pytest.mark.parametrize("name", KEYS)
def test_figures_and_keys_that_cannot_be_meant(name: str, folder: Path) -> None:
    prepare, says = KEYS[name]
    prepare(folder)
    lines = errors_of(folder / "site.toml")
    assert lines
    assert "; " in lines[0]
    assert len(lines[0]) < 700
    for words in says:
        assert words in lines[0], lines


def test_unknown_keys_without_end_are_counted(folder: Path) -> None:
    more("[rig]\n" + "".join(f"k{n} = 1\n" for n in range(60_000)))(folder)
    lines = errors_of(folder / "site.toml")
    assert len(lines) == 21
    assert "59980 more unknown keys" in lines[-1]


def test_odd_but_good_toml(folder: Path) -> None:
    """Many dots in a text, in a comment and in one line of short keys are no long key."""
    dots = "a.b." * 7 + " . . . " * 40
    more(f'# {dots}\n[score]\n"level" = 1 # {"." * 80}\n[pipe]\nfluid = "propylene glycol 20 %"')(folder)
    assert errors_of(folder / "site.toml") == []
    assert limits.toml(f'a = "{dots}"\nb.c.d = 1'.encode()) == {"a": dots, "b": {"c": {"d": 1}}}


# -- the way to raise a limit --------------------------------------------------------------------------------------------


def logs(path: Path) -> str:
    try:
        read_logs([path])
    except InputError as error:
        return str(error)
    return ""


def check(folder: Path) -> str:
    return "".join(errors_of(folder / "site.toml"))


def page(count: int) -> str:
    rows = [
        {"entry_id": f"e{n}", "event": "note", "read_at": "2026-05-04T14:03:22Z", "remark": "x"} for n in range(count)
    ]
    return json.dumps({"schema": "loopgis-log/1", "file": "", "tablet": "t", "counts": {}, "entries": rows})


SHAPES = '[[site.feature]]\nkind = "water_well"\npath = "wells.gpkg"\n'
THREE = every(lambda f: layer(f / "wells.gpkg", WELL, WELL.buffer(1), WELL.buffer(2)), more(SHAPES))
SURVEY = "x,y\n" + "".join(f"{x},{y}\n" for x, y in at_home([(20, 40)]))
LOW: dict[str, tuple[str, Prepare]] = {
    "site_mb": ("0.00005", lambda _: None),
    "table_mb": (
        "0.00001",
        every(
            file("w.csv", SURVEY),
            more('[[site.feature]]\nkind = "water_well"\npath = { path = "w.csv", crs = "EPSG:26918" }'),
        ),
    ),
    "rules": ("1", with_site(rules='["house", "us-wi"]')),
    "layers": (
        "1",
        every(lambda f: layer(f / "wells.gpkg", WELL), more(SHAPES + SHAPES.replace("water_well", "gas_line"))),
    ),
    "layer_mb": ("0.01", lambda _: None),
    "rows": ("1", THREE),
    "features": ("1", THREE),
    "corners": ("30", THREE),
    "lot_corners": ("4", lambda _: None),
    "lot_holes": ("1", lot(LOT.difference(BUILDING).difference(WELL.buffer(1)))),
    "lot_km2": ("0.001", lambda _: None),
    "side": ("20", lambda _: None),
    "cells": ("20", lambda _: None),
    "block_mb": ("0.0001", lambda _: None),
    "files": ("1", every(lambda f: (f / "d").mkdir(), file("d/a.csv", SURVEY), file("d/b.csv", SURVEY))),
    "log_mb": ("0.0001", file("log.json", page(3))),
    "log_rows": ("2", file("log.json", page(3))),
}


@pytest.mark.parametrize("name", LOW)
def test_what_the_refusal_says_lets_it_in(name: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    low, prepare = LOW[name]
    prepare(folder)
    if name == "files":
        layer(folder / "d" / "lot.shp", LOT)
        with_site(parcel='{ path = "d", layer = "lot" }')(folder)

    def tried() -> str:
        return logs(folder / "log.json") if name.startswith("log_") else check(folder)

    assert tried() == "", "good without a limit"
    monkeypatch.setenv(limits.VARIABLE, f"{name}={low}")
    for _ in range(6):  # of several layers each may ask for more
        said = tried()
        if not said:
            break
        asked = re.search(rf'{limits.VARIABLE}="({name}=[\d.e+]+)"', said)
        assert asked, said
        monkeypatch.setenv(limits.VARIABLE, asked[1])
    else:
        pytest.fail(said)
    assert os.environ[limits.VARIABLE] != f"{name}={low}", "was never refused"


def test_every_limit_is_tried() -> None:
    assert set(LOW) == set(limits.LIMITS)


@pytest.mark.parametrize(
    "text",
    ["cells", "cells=", "cells=many", "cell=5", "cells=-1", "cells=nan", "cells=inf", "cells=0", "cells=1e12", "=5"],
)
def test_a_variable_that_says_nothing_is_a_usage_error(
    text: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(limits.VARIABLE, f"rows=5 {text}")
    code, out, err = call("check", folder / "site.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert limits.VARIABLE in err
    assert "lot_km2" in err
    with pytest.raises(UsageError):
        limits.most("rows")


def test_help_tells_of_limits() -> None:
    assert limits.VARIABLE in call("--help")[1]


def test_a_machine_without_memory_is_one_line(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("loopgis.driver.check", none)
    code, out, err = call("check", folder / "site.toml")
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert "memory" in err
    assert "; " in err


def test_odd_rasters_within_the_limits_are_read(folder: Path) -> None:
    """A sparse raster of a million by a million cells in a file of a few MB, of which the lot needs a hundred."""
    cells(
        width=200_000, height=200_000, tiled=True, transform=rasterio.Affine(5, 0, 85_900, 0, -5, 5_011_600), **SPARSE
    )(folder)
    with rasterio.open(folder / "dem.tif", "r+") as sink:
        col, row = 100_000, 100_000
        sink.write(level(), 1, window=rasterio.windows.Window(col, row, 60, 60))
    assert errors_of(folder / "site.toml") == []
