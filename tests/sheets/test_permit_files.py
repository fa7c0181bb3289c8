"""Files beside the plan set, read back with other readers: csv, zip and XML, GDAL, pyproj straight from the file before."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import re
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from dataclasses import replace
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from make import written
from pyproj import CRS, Geod, Transformer

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.rules.audit import audited
from loopgis.sheets.permit_book import Dimension
from loopgis.sheets.permit_csv import write_lat_lon_csv, write_setbacks_csv
from loopgis.sheets.permit_dxf import ascii_text, layer_name, write_plan_dxf
from loopgis.sheets.permit_files import FILES, half_width_m, outline, write_files
from loopgis.sheets.permit_gpkg import tidy, write_setbacks_gpkg
from loopgis.sheets.permit_read import permit_book
from loopgis.sheets.permit_xlsx import FILLS, write_setbacks_xlsx

FT, US_FT = 0.3048, 1200 / 3937
"""International foot (exact, NIST SP 811) and US survey foot (exact by definition)."""
RULES = ["house", "us-wi"]
PLACES = {"EPSG:2249": (-71.5, 42.3), "EPSG:3006": (16.0, 60.0), "EPSG:4326": (-71.5, 42.3)}
FORMULAE = ("=1+1", "+1", "-2", "@SUM(A1)", "\t=1+1", "\uff1d1")


def stranger(path, crs, *, heights=False, far=False):
    """Somebody's file: parcel, buildings, features and bores as geopandas writes them, columns of their own, nothing of ours."""
    lon, lat = PLACES[crs]
    local = Frame.centred(lon, lat, CRS(crs).to_wkt()).crs

    def layer(name, rows, shapes):
        gpd.GeoDataFrame(rows, geometry=shapes, crs=local).to_crs(crs).to_file(path, layer=name, driver="GPKG")

    layer("parcel", {"owner": ["us"]}, [shapely.box(-60, -40, 60, 50)])
    layer("buildings", {"name": ["Café =house"]}, [shapely.box(-40, -20, -25, -8)])
    shapes = [
        shapely.Point(45, 40),
        shapely.LineString([(-60, 10), (60, 12)]),
        shapely.MultiPolygon([shapely.box(30, -30, 45, -20), shapely.box(30, -15, 35, -10)]),
    ]
    kinds = ["water_well", "gas_line", "drain_field"]
    if far:
        shapes.append(shapely.Point(500, 500))
        kinds.append("lp_tank")
    more = {"yard": ["a", "b", "c", "d"][: len(kinds)]}
    layer("features", {"kind": kinds, "quality": ["B"] * len(kinds), **more}, shapes)
    plan = [
        np.array([[-15.0, -15.0], [-14.0, 0.0], [-12.0, 25.0]]),
        np.array([[-12.0, -15.0], [0.0, 2.0], [10.0, 25.0]]),
    ]
    if heights:
        lines = [
            shapely.LineString(
                np.column_stack([np.linspace(xy[0], xy[-1], 80), 100 - 4 * np.sin(np.linspace(0, np.pi, 80))])
            )
            for xy in plan
        ]
    else:
        lines = [shapely.LineString(xy) for xy in plan]
    layer("bores", {"bore_id": ["=1", "B2"]}, lines)
    return path


@pytest.fixture(scope="module")
def ours(tmp_path_factory):
    """A failing design of ours in US survey feet with heights, pads, header and ground: its file, book, and files."""
    folder = tmp_path_factory.mktemp("permit")
    path = written(folder / "layouts.gpkg", "EPSG:2263")
    book = permit_book(path, RULES)
    made = write_files(book, folder / "out", source=path)
    return path, book, {p.name: p for p in made}


@pytest.fixture(scope="module")
def theirs(tmp_path_factory):
    """A stranger's file without heights in a system whose axes are northing, easting."""
    folder = tmp_path_factory.mktemp("stranger")
    path = stranger(folder / "somebody.gpkg", "EPSG:3006")
    book = permit_book(path, RULES)
    made = write_files(book, folder / "out", source=path)
    return path, book, {p.name: p for p in made}


def rows(path):
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def sheets(path):
    """Cells of a workbook by sheet name, without any library for workbooks: {sheet: {"B2": text or float}}, and the raw XML."""
    main = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    with zipfile.ZipFile(path) as archive:
        texts = [
            "".join(t.text or "" for t in item.iter(f"{main}t"))
            for item in ET.fromstring(archive.read("xl/sharedStrings.xml"))  # noqa: S314 - written a moment ago
        ]
        names = [s.get("name") for s in ET.fromstring(archive.read("xl/workbook.xml")).iter(f"{main}sheet")]  # noqa: S314
        raw = [archive.read(f"xl/worksheets/sheet{n}.xml").decode() for n in range(1, len(names) + 1)]
    cells = {}
    for name, text in zip(names, raw, strict=True):
        cells[name] = {}
        for c in ET.fromstring(text).iter(f"{main}c"):  # noqa: S314
            value = c.find(f"{main}v")
            if value is not None:
                cells[name][c.get("r")] = texts[int(value.text)] if c.get("t") == "s" else float(value.text)
    return cells, dict(zip(names, raw, strict=True))


def grid(cells):
    """Rows of dicts by head."""
    place = re.compile(r"([A-Z]+)(\d+)")
    head, table = {}, {}
    for name, value in cells.items():
        column, row = place.fullmatch(name).groups()
        if row == "1":
            head[column] = value
        else:
            table.setdefault(int(row), {})[column] = value
    last = max(table, default=1)
    return [{head[c]: table.get(n, {}).get(c) for c in head} for n in range(2, last + 1)]


def validate(path):
    tool = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", "--warning-as-error"]
    run = subprocess.run([*tool, str(path)], capture_output=True, text=True, check=False)
    return run.returncode, run.stdout + run.stderr


def metres(crs, a, b):
    """Distances on the ground between two arrays of x and y in one CRS, by geodesics and so not by any plane of ours."""
    way = Transformer.from_crs(crs, CRS(crs).geodetic_crs, always_xy=True)
    one, two = (np.column_stack(way.transform(*np.asarray(p, dtype=float).T[:2])) for p in (a, b))
    return np.asarray(Geod(ellps="GRS80").inv(*one.T, *two.T)[2])


# -- all of it ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["ours", "theirs"])
def test_every_file_is_there_and_the_same_twice(which, request, tmp_path):
    path, book, made = request.getfixturevalue(which)
    assert list(made) == list(FILES)
    assert sorted(p.name for p in made["README.txt"].parent.iterdir()) == sorted(FILES)
    again = write_files(permit_book(path, RULES), tmp_path / "other" / "deep", source=path)
    for file in again:
        assert file.read_bytes() == made[file.name].read_bytes(), file.name
        if file.suffix not in {".xlsx", ".gpkg"}:
            assert b"\r" not in file.read_bytes()
            assert file.read_bytes().endswith(b"\n")
            assert str(path.parent) not in file.read_text(encoding="utf-8")
    assert book.claim in made["README.txt"].read_text(encoding="utf-8")


def test_a_clock_does_not_change_the_workbook(ours, tmp_path, monkeypatch):
    import time

    monkeypatch.setattr(time, "time", lambda: 2e9)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    made = write_setbacks_xlsx(ours[1], tmp_path / "s.xlsx")
    assert hashlib.sha256(made.read_bytes()).digest() == hashlib.sha256(ours[2]["setbacks.xlsx"].read_bytes()).digest()
    with zipfile.ZipFile(made) as archive:
        assert {info.date_time[:3] for info in archive.infolist()} == {(1980, 1, 1)}
        assert b"2000-01-01T00:00:00Z" in archive.read("docProps/core.xml")


# -- setbacks as rows --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["us", "metric"])
def test_csv_tells_every_row_in_both_units(ours, tmp_path, units):
    book = permit_book(ours[0], RULES, units=units)
    found = rows(write_setbacks_csv(book, tmp_path / "s.csv"))
    assert len(found) == len(book.rows)
    assert {r.unit for r in book.rows} >= {"m", "bores"}
    assert "fail" in {r["outcome"] for r in found}
    for cells, row in zip(found, book.rows, strict=True):
        assert (cells["layout"], cells["bore"], cells["rule"]) == (row.layout_id, row.bore_id, row.rule_id)
        assert (cells["authority"], cells["thing"], cells["kind"]) == (row.authority, row.thing, row.kind)
        assert (cells["basis"], cells["outcome"], cells["on fail"]) == (row.basis, row.outcome, row.on_fail)
        assert (cells["citation"], cells["how located"]) == (row.citation, row.located)
        assert cells["day checked"] == str(row.checked)
        assert ("required (ft)" in cells) == (units == "us")
        for word, value in (("required", row.required), ("provided", row.provided), ("margin", row.margin)):
            length = value if row.unit == "m" else None
            assert (cells[f"{word} (m)"] == "") == (length is None)
            if length is not None:
                assert float(cells[f"{word} (m)"]) == pytest.approx(length, abs=5.1e-5)
            if units == "us" and length is not None:
                assert float(cells[f"{word} (ft)"]) * FT == pytest.approx(length, abs=5.1e-4 * FT)
            if row.unit == "bores" and value is not None:
                assert float(cells[f"{word} (other)"]) == value
                assert (cells["other unit"], cells["asked"]) == ("bores", "at most")
    assert {r["asked"] for r in found if r["basis"] == "plan"} == {"at least"}
    assert {r["of"] for r in found if not r["bore"]} == {"pad", "layout"}


@pytest.mark.parametrize("text", FORMULAE)
def test_a_text_never_becomes_a_formula(ours, tmp_path, text):
    book = ours[1]
    row = replace(book.rows[0], bore_id=text, thing=text, remark=text, citation=text)
    book = replace(book, rows=(row,), table=(row,), missing=(text,), site=text, claim=text)
    found = rows(write_setbacks_csv(book, tmp_path / "s.csv"))[0]
    for head in ("bore", "thing", "remark", "citation"):
        assert found[head] == "'" + " ".join(text.split())
    cells, raw = sheets(write_setbacks_xlsx(book, tmp_path / "s.xlsx"))
    assert not any("<f>" in x or "<f " in x or 't="str"' in x for x in raw.values()), "no formula anywhere"
    assert not any("hyperlink" in x for x in raw.values())
    table = grid(cells["Setbacks"])[0]
    for head in ("bore", "thing", "remark", "citation"):
        assert table[head] == " ".join(text.split()), "a text stays the text that it was"
    with zipfile.ZipFile(tmp_path / "s.xlsx") as archive:
        assert b'quotePrefix="1"' in archive.read("xl/styles.xml")


# -- workbook ----------------------------------------------------------------------------------------------------


def test_workbook_has_its_sheets_with_heads_filters_and_figures(ours):
    book = ours[1]
    cells, raw = sheets(ours[2]["setbacks.xlsx"])
    assert list(cells) == ["Setbacks", "All rows", "Bores", "Rules checked", "Sources and missing", "Cautions"]
    for name, text in raw.items():
        assert 'ySplit="1"' in text, name
        assert 'state="frozen"' in text, name
        assert "<autoFilter" in text, name
        assert "Planning aid" in text, "a caution at the foot of every sheet"
    for name, wanted in (("Setbacks", book.table), ("All rows", book.rows)):
        found = grid(cells[name])
        assert len(found) == len(wanted)
        for cell, row in zip(found, wanted, strict=True):
            assert cell["rule"] == row.rule_id
            assert cell["outcome"].endswith(" " + row.outcome.replace("_", " "))
            if row.unit == "m" and row.provided is not None:
                assert cell["provided (m)"] == pytest.approx(row.provided, abs=1e-9), "a figure, not a text"
    bores = grid(cells["Bores"])
    length = f"length ({'ft' if book.units == 'us' else 'm'})"
    factor = FT if book.units == "us" else 1.0
    assert [b[length] * factor for b in bores] == pytest.approx([b.length_m for b in book.bores])
    assert [b["entry x (US survey foot)"] for b in bores] == pytest.approx([b.entry_native[0] for b in book.bores])
    assert [line["rule"] for line in grid(cells["Rules checked"])] == [line.key for line in book.rules]
    told = grid(cells["Sources and missing"])
    assert [t["what"] for t in told if t["group"] == "missing"] == list(book.missing)
    assert {t["name"] for t in told if t["group"] == "source"} >= {s.layer for s in book.sources}
    assert [c["claim and cautions"] for c in grid(cells["Cautions"])] == [book.claim, *book.cautions]


def test_fills_of_outcomes_differ_in_grey():
    def light(colour):
        """Relative luminance (WCAG 2, from memory)."""
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

    tones = sorted({round(light(back), 3) for back, _ in FILLS.values()} | {1.0})
    assert len(tones) == 4, "failed, doubtful, thin, passed"
    assert min(np.diff(tones)) > 0.08
    for back, front in FILLS.values():
        ends = sorted((light(back) + 0.05, light(front) + 0.05))
        assert ends[1] / ends[0] > 4.5, "letters can be read on it"


def test_a_text_that_is_too_long_for_a_cell_is_cut(ours, tmp_path):
    book = replace(ours[1], cautions=("x" * 40000, "\x00\x07bell"))
    cells, _ = sheets(write_setbacks_xlsx(book, tmp_path / "s.xlsx"))
    said = [c["claim and cautions"] for c in grid(cells["Cautions"])]
    assert (len(said[1]), said[2]) == (32000, "bell")


# -- latitude and longitude --------------------------------------------------------------------------------------


def source_bores(path, layout=None):
    read = pyogrio.read_dataframe(path, layer="bores")
    read = read if layout is None or "layout_id" not in read else read[read["layout_id"] == layout]
    return {str(b): g for b, g in zip(read["bore_id"], read.geometry, strict=True)}


@pytest.mark.parametrize("which", ["ours", "theirs", "degrees", "feet"])
def test_points_are_where_the_file_has_them(which, request, tmp_path):
    """Against pyproj with the axes as the CRS lists them."""
    if which in {"ours", "theirs"}:
        path, book, made = request.getfixturevalue(which)
        table, crs = made["lat_lon.csv"], {"ours": "EPSG:2263", "theirs": "EPSG:3006"}[which]
    else:
        crs = {"degrees": "EPSG:4326", "feet": "EPSG:2249"}[which]
        path = stranger(tmp_path / "s.gpkg", crs)
        book = permit_book(path, RULES)
        table = write_lat_lon_csv(book, tmp_path / "p.csv")
    found = {r["name"].removeprefix("'"): r for r in rows(table)}
    unit, unit_m = {"EPSG:2263": ("US survey foot", US_FT), "EPSG:2249": ("US survey foot", US_FT)}.get(
        crs, ("degree", math.nan) if crs == "EPSG:4326" else ("metre", 1.0)
    )
    datum = book.datum
    northing_first = CRS(crs).axis_info[0].direction == "north"
    lines = source_bores(path, book.layout_id)
    assert lines
    for bore, line in lines.items():
        for end, (x, y) in (("entry", line.coords[0][:2]), ("exit", line.coords[-1][:2])):
            row = found[f"{bore} {end}"]
            own = np.array([float(row[f"x ({unit})"]), float(row[f"y ({unit})"])])
            off = np.abs(own - (x, y)).max()
            assert off < 1.1e-8 if math.isnan(unit_m) else off * unit_m < 0.001
            lat, lon = Transformer.from_crs(crs, CRS(crs).geodetic_crs).transform(
                *((y, x) if northing_first else (x, y))
            )
            told = [float(row[f"{word} ({datum}, degree)"]) for word in ("latitude", "longitude")]
            assert np.abs(np.array(told) - (lat, lon)).max() < 1.3e-8
            assert all(len(row[f"{w} ({datum}, degree)"].split(".")[1]) >= 8 for w in ("latitude", "longitude"))
    assert any(head.startswith("latitude (WGS 84") for head in row)
    if which != "degrees":
        wgs = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
        told = [float(row[f"{word} (WGS 84, degree)"]) for word in ("longitude", "latitude")]
        assert np.abs(np.array(told) - wgs).max() < 1.3e-8
    assert sum("latitude" in head for head in row) == (1 if which == "degrees" else 2)


def test_points_name_crossings_pads_and_corners(ours, theirs):
    _, book, made = ours
    found = rows(made["lat_lon.csv"])
    names = [r["name"] for r in found]
    assert len(set(names)) == len(names)
    assert sum("crossing" in n for n in names) == sum(len(b.crossings) for b in book.bores) > 0
    assert sum(n.startswith("pad") for n in names) == len(shapely.get_coordinates(book.pads[0])) - 1 > 2
    assert sum(n.startswith("lot") for n in names) == len(book.lot.corners)
    out = next(r for r in found if r["what"] == "exit")
    unit = "ft" if book.units == "us" else "m"
    assert float(out[f"station ({unit})"]) * (FT if unit == "ft" else 1) == pytest.approx(
        book.bores[0].length_m, abs=1e-3
    )
    assert float(out["station (m)"]) == pytest.approx(book.bores[0].length_m, abs=1e-4)
    flat = rows(theirs[2]["lat_lon.csv"])
    assert {r["depth (m)"] for r in flat} == {""}, "a bore without heights has no depth"
    assert flat[0]["name"] == "'=1 entry"


def test_corners_of_every_part_and_hole_of_the_lot_are_told(ours, tmp_path):
    book = ours[1]
    lot = shapely.MultiPolygon(
        [book.lot.polygon.difference(shapely.box(-1, -1, 1, 1)), shapely.box(900, 900, 910, 910)]
    )
    several = replace(book, lot=replace(book.lot, polygon=lot))
    names = [r["name"] for r in rows(write_lat_lon_csv(several, tmp_path / "p.csv")) if r["name"].startswith("lot")]
    assert len(names) == len(book.lot.corners) + 4 + 4
    assert "lot ring 3 corner 4" in names


# -- GeoPackage --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["ours", "theirs"])
def test_the_strict_validator_finds_nothing(which, request):
    code, said = validate(request.getfixturevalue(which)[2]["setbacks.gpkg"])
    assert code == 0, said


def by_key(found):
    return {(r["bore_id"], r["rule_id"], r["feature_id"], r["kind"], r["basis"] == "pad"): r for r in found}


def same_audit(path, layout, made, *, rules=RULES, elevation=None):
    """An audit of the file finds what one of its source finds; gives both."""
    before = audited(path, rules, layout_id=layout, elevation=elevation)
    after = audited(made)
    one, two = by_key(before.rows), by_key(after.rows)
    assert set(one) == set(two)
    assert {k: r["outcome"] for k, r in one.items()} == {k: r["outcome"] for k, r in two.items()}
    for key, row in one.items():
        assert (row["provided_m"] is None) == (two[key]["provided_m"] is None)
        assert row["provided_m"] is None or abs(row["provided_m"] - two[key]["provided_m"]) < 0.001
    assert {f.code for f in after.findings if f.code.startswith(("clearance", "column"))} == set(), (
        "it says what is measured"
    )
    return before, after


def test_an_audit_of_the_file_finds_the_same(ours, theirs):
    before, after = same_audit(ours[0], ours[1].layout_id, ours[2]["setbacks.gpkg"])
    assert {r["outcome"] for r in before.rows} >= {"fail", "pass"}
    assert {r["basis"] for r in after.rows} >= {"plan", "cover", "gap", "pad", "missing"}
    codes = {f.code for f in before.findings} - {f.code for f in after.findings}
    assert not {c for c in codes if not c.startswith(("rod", "exit", "column", "clearance"))}, (
        "limits of the rig are carried on"
    )
    same_audit(theirs[0], theirs[1].layout_id, theirs[2]["setbacks.gpkg"])


def plane(path, crs, box, *, slope=0.02):
    """Ground as a raster: a tilted plane at about 100 m."""
    import rasterio
    from rasterio.transform import from_bounds

    cols, rows_ = 60, 50
    z = 100 + slope * np.tile(np.arange(cols, dtype=np.float32), (rows_, 1)) - slope * cols / 2
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": rows_, "width": cols, "crs": crs}
    with rasterio.open(path, "w", transform=from_bounds(*box, cols, rows_), **profile) as sink:
        sink.write(z.astype(np.float32), 1)
    return path


def test_ground_given_beside_the_file_goes_into_it(tmp_path):
    path = stranger(tmp_path / "s.gpkg", "EPSG:2249", heights=True, far=True)
    box = pyogrio.read_bounds(path, layer="parcel")[1][:, 0]
    raster = plane(tmp_path / "dem.tif", "EPSG:2249", box)
    book = permit_book(path, RULES, elevation=raster)
    assert any(t.kind == "lp_tank" for t in book.things) is False, "it lies too far away for the sheets"
    made = {p.name: p for p in write_files(book, tmp_path / "out", source=path, elevation=raster)}
    before, after = audited(path, RULES, elevation=raster), audited(made["setbacks.gpkg"])
    one, two = by_key(before.rows), by_key(after.rows)
    assert {r["basis"] for r in one.values()} >= {"plan", "gap"}
    assert {k[3] for k in set(one) - set(two)} == {"lp_tank"}
    assert {k: one[k]["outcome"] for k in two} == {k: r["outcome"] for k, r in two.items()}
    assert (
        max(abs(one[k]["provided_m"] - r["provided_m"]) for k, r in two.items() if r["provided_m"] is not None) < 0.001
    )
    assert "about things too far from the lot" in made["README.txt"].read_text(encoding="utf-8")
    assert not [f for f in after.findings if f.code == "clearance-orphan"]
    assert validate(made["setbacks.gpkg"])[0] == 0


def test_without_its_source_no_ground_is_claimed(ours, tmp_path):
    path, book, _ = ours
    made = {p.name: p for p in write_files(book, tmp_path / "out")}
    assert "does not hold the ground's heights" in made["README.txt"].read_text(encoding="utf-8")
    assert "does not hold the ground's heights" not in ours[2]["README.txt"].read_text(encoding="utf-8")
    after = audited(made["setbacks.gpkg"])
    assert "ground-unknown" in {f.code for f in after.findings}
    before = by_key(audited(path, RULES, layout_id=book.layout_id).rows)
    plan = {
        k: r["outcome"]
        for k, r in by_key(after.rows).items()
        if r["basis"] == before[k]["basis"] == "plan" and k[1].startswith("house/")
    }
    assert len(plan) > 5
    assert plan == {k: before[k]["outcome"] for k in plan}, "plan distances need no ground"
    changed = tmp_path / "layouts.gpkg"
    changed.write_bytes(path.read_bytes() + b"\0")
    with pytest.raises(InputError, match="changed since"):
        write_setbacks_gpkg(book, tmp_path / "s.gpkg", source=changed)
    assert not (tmp_path / "s.gpkg").exists()


def test_layers_that_somebody_gave_empty_and_neighbours_lots_are_carried_on(tmp_path):
    """A layer of wetlands with nothing in it means that there are none: that must not become "nobody gave a layer"."""
    path = written(tmp_path / "layouts.gpkg", "EPSG:2263")
    missing = {r["kind"] for r in audited(path, RULES).rows if r["basis"] == "missing"}
    assert "wetland" in missing
    with closing(sqlite3.connect(path)) as db, db:
        said = json.loads(db.execute("SELECT metadata FROM gpkg_metadata").fetchall()[-1][0])
        said["given_kinds"] = [*said["given_kinds"], "wetland"]
        said["pipe"] = {"fluid": "propylene glycol 20 %", "dr": float("nan")}
        db.execute("UPDATE gpkg_metadata SET metadata = ?", (json.dumps(said),))
    book = permit_book(path, RULES)
    beside = shapely.box(200, 200, 220, 230)
    book = replace(book, lot=replace(book.lot, neighbours=(beside,)))
    made = write_setbacks_gpkg(book, tmp_path / "s.gpkg", source=path)
    before, after = same_audit(path, book.layout_id, made)
    assert "wetland" not in {r["kind"] for r in after.rows if r["basis"] == "missing"}
    assert {r["bore_id"] for r in before.rows} == {r["bore_id"] for r in after.rows}
    parcel = pyogrio.read_dataframe(made, layer="parcel")
    assert list(parcel["kind"]) == ["property_line", "neighbour_parcel"]
    assert parcel.geometry.iloc[1].area * US_FT**2 == pytest.approx(600, rel=2e-4)
    assert validate(made)[0] == 0


@pytest.mark.parametrize("which", ["ours", "theirs"])
def test_layers_hold_what_the_file_held(which, request):
    path, book, made = request.getfixturevalue(which)
    file, crs = made["setbacks.gpkg"], {"ours": "EPSG:2263", "theirs": "EPSG:3006"}[which]
    layers = {str(n): str(t) for n, t in pyogrio.list_layers(file)}
    heights = which == "ours"
    assert layers["bores"] == ("LineString Z" if heights else "LineString")
    assert layers["crossings"] == ("Point Z" if heights else "Point")
    read = pyogrio.read_dataframe(file, layer="bores")
    assert read.crs.to_epsg() == int(crs.split(":")[1])
    lines = source_bores(path, book.layout_id)
    for bore, line, row in zip(read["bore_id"], read.geometry, read.itertuples(), strict=True):
        own, was = (
            shapely.get_coordinates(line, include_z=heights),
            shapely.get_coordinates(lines[bore], include_z=heights),
        )
        assert own.shape == was.shape
        assert metres(crs, own, was).max() < 0.001
        assert not heights or np.abs(own[:, 2] - was[:, 2]).max() < 1e-6
        plan = next(b for b in book.bores if b.bore_id == bore)
        assert (row.length_m, row.outcome, row.margin_m) == (plan.length_m, plan.outcome, plan.governing.margin)
        assert row.heights == int(heights)
    for layer in ("parcel", "buildings", "features"):
        was = pyogrio.read_dataframe(path, layer=layer)
        now = pyogrio.read_dataframe(file, layer=layer)
        assert len(was) == len(now)
        key = "feature_id" if "feature_id" in was else None
        order = [list(now[key]).index(i) for i in was[key]] if key else range(len(now))
        for a, b in zip(was.geometry, now.geometry.iloc[order], strict=True):
            assert a.geom_type.removeprefix("Multi") == b.geom_type.removeprefix("Multi")
            apart = shapely.hausdorff_distance(shapely.normalize(shapely.force_2d(a)), shapely.normalize(b))
            assert apart * CRS(crs).axis_info[0].unit_conversion_factor < 0.001
    assert set(pyogrio.read_dataframe(file, layer="features")["kind"]) == set(
        pyogrio.read_dataframe(path, layer="features")["kind"]
    )


def test_columns_of_the_contract_and_a_strangers_own_are_there(ours, theirs):
    contract = {
        "parcel": "feature_id kind quality depth_m",
        "features": "feature_id kind quality depth_m",
        "zones": "zone_id rule_id kind mode distance_m min_cover_m citation",
        "pads": "layout_id",
        "bores": "layout_id bore_id source length_m max_depth_m min_cover_m outcome required_m provided_m margin_m",
        "headers": "layout_id",
        "crossings": "layout_id bore_id feature_id station_m angle_deg clearance_m",
        "clearances": "layout_id bore_id rule_id feature_id required_m provided_m margin_m outcome citation",
        "rules_checked": "rule_id state why citation",
        "dimensions": "bore_id rule_id length_m margin_m outcome",
    }
    for _, _, made in (ours, theirs):
        for layer, columns in contract.items():
            assert set(columns.split()) <= set(pyogrio.read_info(made["setbacks.gpkg"], layer=layer)["fields"]), layer
    read = pyogrio.read_dataframe(theirs[2]["setbacks.gpkg"], layer="features").set_index("kind")
    assert read["yard"].to_dict() == {"water_well": "a", "gas_line": "b", "drain_field": "c"}
    house = pyogrio.read_dataframe(theirs[2]["setbacks.gpkg"], layer="buildings")
    assert list(house["name"]) == list(house["label"]) == ["Café =house"]


def test_tables_and_dimensions_are_those_of_the_book(ours):
    _, book, made = ours
    file = made["setbacks.gpkg"]
    table = pyogrio.read_dataframe(file, layer="clearances")
    assert len(table) == len(book.rows)
    for row, cell in zip(book.rows, table.itertuples(), strict=True):
        assert (cell.bore_id, cell.rule_id, cell.feature_id, cell.outcome) == (
            row.bore_id,
            row.rule_id,
            row.feature_id,
            row.outcome,
        )
        length = row.unit == "m"
        assert (cell.required_m == row.required) if length else math.isnan(cell.required_m)
    assert list(pyogrio.read_dataframe(file, layer="rules_checked")["rule_id"]) == [line.key for line in book.rules]
    assert list(pyogrio.read_dataframe(file, layer="missing")["what"]) == list(book.missing)
    lines = pyogrio.read_dataframe(file, layer="dimensions")
    assert len(lines) >= len(book.bores)
    assert lines["governs"].sum() == len([b for b in book.bores if b.governing and b.governing.dimension])
    for line, told in zip(lines.geometry, lines["length_m"], strict=True):
        a, b = shapely.get_coordinates(line)
        assert metres("EPSG:2263", [a], [b])[0] == pytest.approx(told, abs=0.001)
    zones = pyogrio.read_dataframe(file, layer="zones")
    assert len(zones) == len(book.zones)
    assert zones.geometry.area.sum() * US_FT**2 == pytest.approx(sum(z.polygon.area for z in book.zones), rel=2e-4)
    with closing(sqlite3.connect(file)) as db:
        said = json.loads(db.execute("SELECT metadata FROM gpkg_metadata").fetchall()[-1][0])
        styled = {n for (n,) in db.execute("SELECT f_table_name FROM layer_styles")}
        told = db.execute("SELECT DISTINCT table_name FROM gpkg_data_columns").fetchall()
    assert (said["loopgis"], said["rules"], said["claim"]) == (1, RULES, book.claim)
    assert said["inputs"][0]["sha256"] == hashlib.sha256(ours[0].read_bytes()).hexdigest()
    assert styled >= {"parcel", "buildings", "features", "zones", "pads", "bores", "headers", "crossings"}
    assert {n for (n,) in told} <= {str(n) for n, _ in pyogrio.list_layers(file)}


def test_a_book_with_and_without_heights_keeps_both(ours, tmp_path):
    path, book, _ = ours
    first = book.bores[0]
    bare = np.column_stack([first.xyz[:, :2], np.full(len(first.xyz), np.nan)])
    mixed = replace(book, bores=(replace(first, flat=True, ground_known=False, xyz=bare), *book.bores[1:]))
    made = {p.name: p for p in write_files(mixed, tmp_path / "out", source=path)}
    assert validate(made["setbacks.gpkg"])[0] == 0
    with closing(sqlite3.connect(made["setbacks.gpkg"])) as db:
        shapes = db.execute("SELECT bore_id, geom FROM bores ORDER BY bore_id").fetchall()
    assert len(shapes) > 1
    codes = [int.from_bytes(b[8 + 8 * (0, 4, 6, 6, 8)[b[3] >> 1 & 7] :][1:5], "little") for _, b in shapes]
    assert codes == [2, *[1002] * (len(shapes) - 1)], "ISO codes of a line without and with heights"
    after = audited(made["setbacks.gpkg"])
    assert [f.bore_id for f in after.findings if f.code == "bore-2d"] == [first.bore_id]
    lines = pyogrio.read_dataframe(made["plan.dxf"])
    bores = lines[(lines["Layer"] == "BORES") & (lines.geometry.geom_type == "LineString")]
    assert [bool(g.has_z and np.any(shapely.get_coordinates(g, include_z=True)[:, 2])) for g in bores.geometry] == [
        False,
        *[True] * (len(shapes) - 1),
    ]
    assert f"No heights along {first.bore_id}" in made["README.txt"].read_text(encoding="utf-8")


def test_a_geometry_is_told_as_plainly_as_it_can_be():
    line, point, area = shapely.LineString([(0, 0), (1, 1)]), shapely.Point(2, 2), shapely.box(0, 0, 1, 1)
    nested = shapely.GeometryCollection([shapely.MultiPolygon([area]), shapely.GeometryCollection([line, point])])
    assert [g.geom_type for g in tidy(nested).geoms] == ["Polygon", "LineString", "Point"]
    assert tidy(shapely.MultiLineString([line])).geom_type == "LineString"
    assert tidy(shapely.GeometryCollection([line, line])).geom_type == "MultiLineString"
    assert tidy(shapely.GeometryCollection([area, shapely.box(5, 5, 6, 6)])).geom_type == "MultiPolygon"


# -- drawing -----------------------------------------------------------------------------------------------------


def test_drawing_is_in_job_units_with_a_layer_per_kind(ours):
    path, book, made = ours
    read = pyogrio.read_dataframe(made["plan.dxf"])
    lines = read[read.geometry.geom_type.isin(["LineString", "Polygon"])]
    kinds = {layer_name(t.kind) for t in book.things} - {"NEIGHBOUR_PARCEL"}
    assert {"LOT", "BORES", "PADS", "HEADERS", "ZONES", "DIMENSIONS", "LABELS"} | kinds <= set(read["Layer"])
    was = source_bores(path, book.layout_id)
    found = list(lines[lines["Layer"] == "BORES"].geometry)
    assert len(found) == len(was)
    for bore, line in zip(book.bores, found, strict=True):
        own = shapely.get_coordinates(line, include_z=True)
        wanted = shapely.get_coordinates(was[bore.bore_id], include_z=True)
        assert np.abs(own[:, :2] - wanted[:, :2]).max() * US_FT < 0.001
        assert np.abs(own[:, 2] * US_FT - wanted[:, 2]).max() < 0.001, "heights in survey feet too"
    drawn = shapely.Polygon(lines[lines["Layer"] == "LOT"].geometry.iloc[0])
    parcel = pyogrio.read_dataframe(path, layer="parcel").geometry.iloc[0]
    assert shapely.hausdorff_distance(shapely.normalize(drawn), shapely.normalize(parcel)) * US_FT < 0.001
    texts = list(read["Text"].dropna())
    assert {b.bore_id for b in book.bores} <= set(texts)
    assert any(re.fullmatch(r"[\d.]+ (ft|m) \([\d.]+ (ft|m) asked: house/.*\), .*", t) for t in texts)


def test_drawing_of_degrees_is_in_a_plane(tmp_path):
    path = stranger(tmp_path / "s.gpkg", "EPSG:4326")
    book = permit_book(path, RULES)
    read = pyogrio.read_dataframe(write_plan_dxf(book, tmp_path / "p.dxf"))
    line = read[(read["Layer"] == "BORES") & (read.geometry.geom_type == "LineString")].geometry.iloc[0]
    wanted = Transformer.from_crs("EPSG:4326", "EPSG:32619", always_xy=True).transform(
        *shapely.get_coordinates(source_bores(path)["=1"]).T
    )
    assert np.abs(shapely.get_coordinates(line) - np.column_stack(wanted)).max() < 0.001
    assert np.all(shapely.get_coordinates(line, include_z=True)[:, 2] == 0) or not line.has_z
    said = [re.sub(r"\\U\+([0-9A-F]{4})", lambda m: chr(int(m[1], 16)), t) for t in read["Text"].dropna()]
    assert "Café =house" in said, "other letters come back"
    (tmp_path / "p.dxf").read_bytes().decode("ascii")


def test_signs_that_begin_a_code_are_told_otherwise():
    assert ascii_text("50%% \\P^2\nx\u20ac\U0001f600") == "50% % /P 2 x\\U+20AC?"


# -- locate ticket -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["ours", "theirs"])
def test_outline_holds_everything_that_is_dug(which, request):
    path, book, made = request.getfixturevalue(which)
    (feature,) = json.loads(made["one_call.geojson"].read_text(encoding="utf-8"))["features"]
    assert feature["geometry"]["type"] == "Polygon"
    (ring,) = feature["geometry"]["coordinates"]
    area = shapely.Polygon(ring)
    assert area.is_valid
    assert area.exterior.is_ccw
    crs = {"ours": "EPSG:2263", "theirs": "EPSG:3006"}[which]
    out = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    zone = {"ours": "EPSG:32618", "theirs": "EPSG:32633"}[which]
    plane_ = Transformer.from_crs("EPSG:4326", zone, always_xy=True)
    whole = shapely.transform(area, lambda p: np.column_stack(plane_.transform(*p.T)))
    shapes = list(source_bores(path, book.layout_id).values())
    if which == "ours":
        for layer in ("pads", "headers"):
            read = pyogrio.read_dataframe(path, layer=layer)
            shapes += list(read[read["layout_id"] == book.layout_id].geometry)
    for shape in shapes:
        there = shapely.transform(
            shapely.force_2d(shape), lambda p: np.column_stack(plane_.transform(*out.transform(*p.T)))
        )
        assert whole.contains(shapely.buffer(there, 2.98, quad_segs=64)), "3 m, less the scale of the zone"
    assert feature["properties"]["area_m2"] == pytest.approx(whole.area, rel=0.002)
    assert feature["properties"]["all_answered"] is False
    text = made["one_call.txt"].read_text(encoding="utf-8")
    assert all(line in text for line in feature["properties"]["corners"])
    assert "get every one before anybody digs" in text


def test_outline_is_as_wide_as_the_doubt_and_reaches_past_late_exits(ours):
    book = ours[1]
    assert half_width_m(book) == 3.0
    unsure = replace(book, rows=tuple(replace(r, tolerance_m=2.5) for r in book.rows))
    assert half_width_m(unsure) == pytest.approx(4.0), "2.5 m and half a pit"
    assert outline(unsure).white_line_m2 > outline(book).white_line_m2 * 1.05
    sloping = replace(book, bores=tuple(replace(b, exit_pitch_pct=5.0, max_depth_m=4.0) for b in book.bores))
    steep = replace(book, bores=tuple(replace(b, exit_pitch_pct=50.0, max_depth_m=4.0) for b in book.bores))
    ends = [b.xyz[-1, :2] + 3.5 * _way(b) for b in book.bores]

    def holds(made):
        place = Transformer.from_crs("EPSG:4326", CRS.from_wkt(book.frame_wkt), always_xy=True)
        ring = shapely.Polygon(np.column_stack(place.transform(*outline(made).white_line.T)))
        return [bool(ring.contains(shapely.Point(e).buffer(2.9))) for e in ends]

    assert all(holds(sloping)), "5 % of 4 m over a slope of 5 % is 4 m"
    assert not any(holds(steep))


def _way(bore):
    step = bore.xyz[-1, :2] - bore.xyz[-2, :2]
    return step / np.hypot(*step)


# -- README ------------------------------------------------------------------------------------------------------


def test_readme_tells_systems_shifts_and_cautions(ours, theirs, tmp_path):
    text = ours[2]["README.txt"].read_text(encoding="utf-8")
    book = ours[1]
    assert all(line in text for line in (*book.cautions, *book.missing, *FILES, book.claim))
    assert "Lot: NAD83 / New York Long Island (ftUS)" in text
    assert "US survey foot = 0.3048006096012 m" in text
    assert "datum is NAD83, NOT WGS84" in text
    assert "good to" in text
    assert "No heights along" not in text
    other = theirs[2]["README.txt"].read_text(encoding="utf-8")
    assert "SWEREF99" in other
    assert "No heights along =1, B2" in other
    path = stranger(tmp_path / "s.gpkg", "EPSG:4326")
    plain = write_files(permit_book(path, ["house"]), tmp_path / "o", source=path)[-1].read_text(encoding="utf-8")
    assert "The lot's datum is WGS84 itself." in plain
    assert "made for the place, since WGS 84 is no plane to measure in" in plain


def test_a_book_with_nothing_but_lot_and_bores_works(ours, tmp_path):
    book = ours[1]
    bare = replace(
        book,
        things=(),
        zones=(),
        pads=(),
        headers=(),
        rows=(),
        table=(),
        rules=(),
        files=(),
        sources=(),
        missing=(),
        findings=(),
        layout_id="",
        bores=tuple(replace(b, crossings=(), governing=None, bore_id="") for b in book.bores),
        lot=replace(book.lot, polygon=shapely.MultiPolygon([book.lot.polygon, shapely.box(900, 900, 910, 910)])),
    )
    made = {p.name: p for p in write_files(bare, tmp_path / "out")}
    assert validate(made["setbacks.gpkg"])[0] == 0
    assert list(pyogrio.read_dataframe(made["setbacks.gpkg"], layer="parcel").geometry.geom_type) == ["MultiPolygon"]
    assert rows(made["setbacks.csv"]) == []
    assert "nothing that the rules ask for" in made["README.txt"].read_text(encoding="utf-8")


def test_a_distance_of_nothing_is_not_drawn(ours, tmp_path):
    book = ours[1]
    row = replace(book.table[0], dimension=Dimension(start=(0.0, 0.0), end=(0.0, 0.0), length_m=0.0))
    book = replace(book, table=(row,), bores=tuple(replace(b, governing=row) for b in book.bores))
    made = write_setbacks_gpkg(book, tmp_path / "s.gpkg")
    assert len(pyogrio.read_dataframe(made, layer="dimensions")) == 0
