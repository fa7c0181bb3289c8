"""`loopgis setbacks` on our own files, on tampered ones and on a stranger's."""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
from contextlib import closing, redirect_stderr, redirect_stdout

import geopandas
import numpy as np
import pandas as pd
import pikepdf
import pytest
import shapely
import zoo
from pyproj import CRS

import loopgis
from loopgis.cli.main import run as main
from loopgis.driver import design
from loopgis.rules import audit
from loopgis.sheets.permit_bundle import FORM, setbacks
from loopgis.sheets.permit_files import FILES
from loopgis.sheets.permit_notes import requests
from loopgis.site.model import Feature

LOT = shapely.box(-50, -42, 50, 42)
THINGS = (
    Feature(feature_id="house", kind="building", geometry=shapely.box(-8, -6, 6, 6), label="house"),
    Feature(feature_id="well", kind="water_well", geometry=shapely.Point(85, 60), quality="A"),
    Feature(
        feature_id="gas",
        kind="gas_line",
        geometry=shapely.LineString([(-70, -30), (70, -34)]),
        quality="A",
        depth_m=0.9,
    ),
)
ORDERS = (*("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"),)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("setbacks") / "out"
    site = zoo.site(LOT, features=THINGS, terrain=zoo.plane(0.02, -0.01), bores=2, patterns=("fan",))
    design(site, effort=0).write(folder, pictures=False)
    return folder / "layouts.gpkg"


@pytest.fixture
def copy(made, tmp_path):
    path = tmp_path / "layouts.gpkg"
    shutil.copyfile(made, path)
    return path


def run(*args):
    """Exit code, stdout and stderr of the command."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.raises(SystemExit) as left, redirect_stdout(out), redirect_stderr(err):
        main(["setbacks", *map(str, args)])
    return left.value.code or 0, out.getvalue(), err.getvalue()


def edit(path, *orders):
    """SQL on a GeoPackage, the triggers' functions stubbed so that they let an update through."""
    with closing(sqlite3.connect(path)) as db, db:
        for name in ORDERS:
            db.create_function(name, 1, lambda _: 0)
        for order in orders:
            db.execute(*((order,) if isinstance(order, str) else order))


def line_of(path, bore_id="B-01", layout_id="L-01"):
    frame = geopandas.read_file(path, layer="bores")
    row = frame[(frame.bore_id == bore_id) & (frame.layout_id == layout_id)].iloc[0]
    return shapely.get_coordinates(row.geometry, include_z=True)


def set_line(path, xyz, bore_id="B-01", layout_id="L-01"):
    """Put another line in the place of a bore's, its figures left as they are."""
    with closing(sqlite3.connect(path)) as db, db:
        for name in ORDERS:
            db.create_function(name, 1, lambda _: 0)
        old = db.execute("SELECT geom FROM bores WHERE bore_id = ? AND layout_id = ?", (bore_id, layout_id)).fetchone()[
            0
        ]
        envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(old[3] >> 1) & 7]
        head = bytes([*old[:3], old[3] & ~0b1110]) + old[4:8]
        assert len(old) > 8 + envelope
        wkb = shapely.to_wkb(shapely.LineString(xyz), output_dimension=xyz.shape[1], flavor="iso")
        db.execute("UPDATE bores SET geom = ? WHERE bore_id = ? AND layout_id = ?", (head + wkb, bore_id, layout_id))


def test_our_own_file_gives_a_plan_set(made, tmp_path):
    out, files = tmp_path / "MAP.pdf", tmp_path / "files"
    code, stdout, _ = run(made, "-o", out, "--files", files, "--json")
    assert code == 0
    told = json.loads(stdout)
    assert told["claim"].startswith("Meets the distances entered")
    assert not told["failed"]
    assert {r["outcome"] for r in told["rows"]} <= {"pass", "pass_thin", "unverified", "consent_needed"}
    assert {p.name for p in files.iterdir()} == {*FILES, FORM}
    with pikepdf.open(out) as pdf:
        assert len(pdf.pages) >= 7
        assert ["/VP" in page.obj for page in pdf.pages[:3]] == [True, True, False]
    states = {r["rule"]: r["state"] for r in told["rules_checked"]}
    assert states["house/lot-line"] == "checked"
    assert states["house/pool"] == "not checked"
    assert "compliant" not in stdout.lower()


def test_rows_of_the_book_are_the_audits(made):
    book = setbacks(made, made.parent / "rows.pdf", overwrite=True).book
    rows = [r for r in audit.measure(made) if r["layout_id"] == book.layout_id]
    assert [(r.bore_id, r.rule_id, r.feature_id, r.outcome, r.provided) for r in book.rows] == [
        (r["bore_id"], r["rule_id"], r["feature_id"], r["outcome"], r["provided_m"]) for r in rows
    ]


def moved_over_the_line(path):
    xyz = line_of(path)
    way = xyz[-1, :2] - xyz[0, :2]
    xyz[:, :2] += np.outer(np.linspace(0, 1, len(xyz)), way / np.hypot(*way) * 12)
    set_line(path, xyz)


def made_shallow(path):
    xyz = line_of(path)
    ends = np.interp(np.linspace(0, 1, len(xyz)), [0, 1], xyz[[0, -1], 2])
    xyz[:, 2] = ends + 0.3 * (xyz[:, 2] - ends)
    set_line(path, xyz)


def without_heights(path):
    set_line(path, line_of(path)[:, :2])


def other_zone(path):
    """Say that the bores lie in UTM zone 17; their coordinates stay."""
    wkt = CRS.from_epsg(26917).to_wkt("WKT1_GDAL")
    edit(
        path,
        (
            "INSERT INTO gpkg_spatial_ref_sys (srs_name, srs_id, organization, organization_coordsys_id, definition,"  # noqa: ISC004
            " definition_12_063) VALUES ('zone 17', 26917, 'EPSG', 26917, ?, 'undefined')",
            [wkt],
        ),
        "UPDATE gpkg_geometry_columns SET srs_id = 26917 WHERE table_name = 'bores'",
        "UPDATE gpkg_contents SET srs_id = 26917 WHERE table_name = 'bores'",
    )


def everything_elsewhere(path):
    other_zone(path)
    edit(
        path,
        "UPDATE gpkg_geometry_columns SET srs_id = 26917",
        "UPDATE gpkg_contents SET srs_id = 26917 WHERE srs_id NOT IN (0, -1)",
    )


def doubled(path):
    names = "layout_id, bore_id, geom, pattern, source, length_m"
    edit(path, f"INSERT INTO bores ({names}) SELECT {names} FROM bores WHERE bore_id = 'B-01'")  # noqa: S608


def well_moved(path):
    edit(path, "UPDATE clearances SET provided_m = provided_m + 10 WHERE kind = 'water_well'")


TAMPERED = {
    "a figure of the table edited": (well_moved, "clearance-differs"),
    "bore moved over the line": (moved_over_the_line, "lot-line"),
    "depth reduced": (made_shallow, "column-"),
    "heights taken away": (without_heights, "bore-2d"),
    "well taken out": (lambda p: edit(p, "DELETE FROM features WHERE kind = 'water_well'"), "feature-gone"),
    "well and its rows taken out": (
        lambda p: edit(
            p, "DELETE FROM features WHERE kind = 'water_well'", "DELETE FROM clearances WHERE kind = 'water_well'"
        ),
        "feature-gone",
    ),
    "house taken out": (lambda p: edit(p, "DELETE FROM buildings"), "feature-gone"),
    "bore doubled": (doubled, "duplicate-id"),
    "everything in another zone": (everything_elsewhere, "file-moved"),
    "outcome written over": (moved_over_the_line, "clearance-lies"),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_a_tampered_file_is_caught(name, copy, tmp_path):
    tamper, code = TAMPERED[name]
    tamper(copy)
    left, stdout, _ = run(copy, "-o", tmp_path / "MAP.pdf", "--json")
    told = json.loads(stdout)
    codes = {f["code"] for f in told["findings"]}
    assert any(f["severity"] == "error" for f in told["findings"])
    assert left == 5
    assert any(c.startswith(code) for c in codes), codes
    assert told["claim"].startswith(("Does NOT meet", "This file cannot be relied on"))
    assert (tmp_path / "MAP.pdf").stat().st_size > 50_000


def test_bores_in_another_zone_are_bad_input(copy, tmp_path):
    other_zone(copy)
    code, _, err = run(copy, "-o", tmp_path / "MAP.pdf")
    assert code == 3
    assert "50 km" in err
    assert not (tmp_path / "MAP.pdf").exists()


def test_the_other_layouts_count_unless_one_is_named(copy, tmp_path):
    names = sorted(set(geopandas.read_file(copy, layer="bores").layout_id))
    assert len(names) > 1
    other = names[1]
    xyz = line_of(copy, layout_id=other)
    xyz[:, 0] += 70
    set_line(copy, xyz, layout_id=other)
    code, out, _ = run(copy, "-o", tmp_path / "a.pdf")
    assert code == 5
    assert f"layout {other}, not drawn here" in out
    assert run(copy, "-o", tmp_path / "b.pdf", "--layout", "L-01")[0] == 0
    assert run(copy, "-o", tmp_path / "c.pdf", "--layout", other)[0] == 5


# a stranger's file --------------------------------------------------------------


def stranger(path, *, heights, over=0.0, crs="EPSG:2249"):
    """What somebody draws in a desktop GIS: parcel, buildings, features and bores with a few columns, nothing of ours."""
    x, y = 770_000.0, 2_950_000.0
    foot = 0.3048006096012192

    def at(shape):
        return shapely.transform(shape, lambda p: np.column_stack([x + p[:, 0] / foot, y + p[:, 1] / foot]))

    run_m = np.linspace(0, 70, 141)
    depth = np.minimum(np.minimum(run_m * 0.25, (70 - run_m) * 0.25), 4.5)
    z = np.full_like(run_m, 100.0) - depth
    flat = np.column_stack([-30 + run_m + over, 0 * run_m])
    line = shapely.LineString(np.column_stack([flat, z]) if heights else flat)

    def placed(line):
        xyz = shapely.get_coordinates(line, include_z=heights)
        return shapely.LineString(np.column_stack([x + xyz[:, 0] / foot, y + xyz[:, 1] / foot, *xyz[:, 2:].T]))

    layers = {
        "parcel": ({"owner": ["somebody"]}, [at(shapely.box(-40, -40, 60, 40))]),
        "buildings": ({"name": ["barn"]}, [at(shapely.box(-10, 15, 5, 30))]),
        "features": (
            {"kind": ["water_well", "gas_line"]},
            [at(shapely.Point(0, -38)), at(shapely.LineString([(-60, 35), (80, 35)]))],
        ),
        "bores": ({"bore_id": ["north"]}, [placed(line)]),
    }
    for name, (columns, shapes) in layers.items():
        geopandas.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path, layer=name, driver="GPKG")
    return path


@pytest.mark.parametrize("heights", [True, False])
def test_a_strangers_file_goes_through(heights, tmp_path):
    path = stranger(tmp_path / "drawn.gpkg", heights=heights)
    out, files = tmp_path / "MAP.pdf", tmp_path / "files"
    code, stdout, _ = run(
        path, "--rules", "us-wa", "--rules", "us-pa-hanover-twp", "-o", out, "--files", files, "--json"
    )
    told = json.loads(stdout)
    wells = {r["rule"]: r for r in told["rows"] if r["kind"] == "water_well"}
    assert wells["us-wa/well"]["outcome"] in {"fail", "ruling_needed"}  # 38 m is more than 100 ft: 124.67 ft
    assert code == (5 if told["failed"] else 0)
    assert wells["us-pa-hanover-twp/well"]["provided"] == pytest.approx(38.0 - 0.1 - 0.0635, abs=0.01)
    assert told["rules"] == ["us-wa", "us-pa-hanover-twp"]
    assert {"drain_field", "septic_tank"} <= {r["kind"] for r in told["rows"] if r["outcome"] == "unverified"}
    assert out.stat().st_size > 50_000
    assert (files / "setbacks.gpkg").stat().st_size > 50_000


def test_a_strangers_bore_over_the_line_fails(tmp_path):
    path = stranger(tmp_path / "drawn.gpkg", heights=True, over=25.0)
    code, out, _ = run(path, "--rules", "house", "-o", tmp_path / "MAP.pdf")
    assert code == 5
    assert "Does NOT meet the distances entered" in out
    assert "fail: north lot line: in plan" in out


def test_what_a_stranger_may_get_wrong_is_told(tmp_path):
    """Two lots, a layer of its own for wells, no column kind, kinds of no name."""
    path = stranger(tmp_path / "drawn.gpkg", heights=True)
    frame = geopandas.read_file(path, layer="features")
    lot = geopandas.read_file(path, layer="parcel")
    beside = lot.assign(geometry=lot.geometry.translate(400, 0))
    geopandas.GeoDataFrame(pd.concat([lot, beside])).to_file(path, layer="parcel", driver="GPKG")
    frame[:1].to_file(path, layer="water_well", driver="GPKG")
    frame.assign(kind=["Water Well", "gas pipe"]).to_file(path, layer="features", driver="GPKG")
    _, out, err = run(path, "--rules", "house", "-o", tmp_path / "a.pdf", "--json")
    told = json.loads(out)
    codes = {f["code"]: f for f in told["findings"]}
    assert {"parcel-many", "layer-unread", "kind-unknown"} <= set(codes)
    assert codes["kind-unknown"]["remedy"] == "did you mean 'gas_line'?"
    assert any(r["kind"] == "water_well" and r["basis"] == "plan" for r in told["rows"])
    assert "this layer is not read" in err
    assert "taken together as one lot" in err
    assert any("not read" in line for line in told["missing"])
    frame.rename(columns={"kind": "type"}).to_file(path, layer="features", driver="GPKG")
    _, out, _ = run(path, "--rules", "us-wa", "-o", tmp_path / "b.pdf", "--json")
    assert {"kind-missing"} <= {f["code"] for f in json.loads(out)["findings"]}
    assert json.loads(out)["claim"].startswith("Nothing could be verified")
    book = setbacks(path, tmp_path / "c.pdf", rules=["house"]).book
    assert sum(t.label.endswith("kind not known") for t in book.things) == 2


def test_the_least_margin_is_never_hidden(tmp_path):
    """A public well of unknown yield nearer than the largest distance is in the table and among the requests."""
    path = stranger(tmp_path / "drawn.gpkg", heights=True)
    frame = geopandas.read_file(path, layer="features")
    frame.assign(use=["public", None]).to_file(path, layer="features", driver="GPKG")
    book = setbacks(path, tmp_path / "MAP.pdf", rules=["us-me"]).book
    for rule in {r.rule_id for r in book.rows if r.kind == "water_well"}:
        margins = [r.margin for r in book.rows if r.rule_id == rule and r.kind == "water_well"]
        assert min(margins) in [r.margin for r in book.table if r.rule_id == rule and r.kind == "water_well"]
    short = [r for r in book.table if r.margin is not None and r.margin < 0 and r.outcome == "unverified"]
    assert short
    asked = [row.rule_id for request in requests(book) for row in request.rows]
    assert {r.rule_id for r in short} <= set(asked)


# what is refused --------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("-o", "map.txt"), "end it in .pdf"),
        (("-o", "nowhere/MAP.pdf"), "there is no folder"),
        (("-o", "there.pdf"), "use --overwrite"),
        (("-o", "MAP.pdf", "--layout", "L-77"), "layouts in the file"),
        (("-o", "MAP.pdf", "--rules", "us-zz"), "no shipped rule file"),
        (("-o", "MAP.pdf", "--scale", "1 in = 25 ft"), "no engineering scale"),
        (("-o", "MAP.pdf", "--scale", "1:120", "--paper", "letter"), "fits, or take a larger --paper"),
        (("-o", "MAP.pdf", "--title", "odd.toml"), "unknown key 'ownr'; did you mean 'owner'?"),
        (("-o", "MAP.pdf", "--title", "nowhere.toml"), "check the path of --title"),
        (("-o", "MAP.pdf", "--files", "full"), "already holds setbacks.csv"),
        (("-o", "MAP.pdf", "--elevation", "nowhere.tif"), "nowhere.tif"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(more, says, made, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.pdf").write_text("mine")
    (tmp_path / "odd.toml").write_text('ownr = "x"')
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "setbacks.csv").write_text("mine")
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    code, out, err = run(made, *more)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert says in err
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_words_of_the_title_block_stand_on_the_sheet(made, tmp_path):
    (tmp_path / "title.toml").write_text(
        'owner = "M. Alder"\npermit = "GX-12"\ndate = 2026-11-26\n[[revision]]\nnumber = "1"\ndate = "2026-11-26"\nwhat = "first"\n'
    )
    book = loopgis.setbacks(made, tmp_path / "MAP.pdf", title=tmp_path / "title.toml").book
    assert (book.title.owner, book.title.permit, book.title.day) == ("M. Alder", "GX-12", "2026-11-26")
    assert [(r.number, r.by, r.what) for r in book.title.revisions] == [("1", "", "first")]
    states = {c.item: c.state for c in book.checklist}
    assert (states["owner"], states["contractor"]) == ("shown", "by hand")


def test_the_same_file_gives_the_same_bytes(made, tmp_path):
    for name in ("a", "b"):
        setbacks(made, tmp_path / f"{name}.pdf", files=tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_an_authoritys_weak_text_makes_the_caution_stronger(made, tmp_path):
    weak = setbacks(made, tmp_path / "a.pdf", rules=["us-nc"]).book
    assert any("second hand or from memory" in c for c in weak.cautions)
    house = setbacks(made, tmp_path / "b.pdf", rules=["house"]).book
    assert any("Only house rules were applied" in c for c in house.cautions)
    both = setbacks(made, tmp_path / "c.pdf", rules=["house", "us-wi"]).book
    assert not any("Only house rules" in c for c in both.cautions)
    assert any("Wisconsin" in c and "2026" in c for c in both.cautions)
