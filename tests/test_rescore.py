"""Scoring of bores that were edited in a desktop GIS: what nobody touched comes back as it was, the rest is computed anew."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import zoo

import loopgis
from loopgis.core.errors import InputError, NoLayoutError
from loopgis.driver import design
from loopgis.rescore import score
from loopgis.site.model import Feature, PipeSpec

SITE = zoo.site(
    shapely.box(-60, -50, 60, 50),
    features=(
        Feature(feature_id="house", kind="building", geometry=shapely.box(-12, -45, 2, -35)),
        Feature(feature_id="tank", kind="septic_tank", geometry=shapely.Point(30, 30)),
        Feature(feature_id="gas", kind="gas_line", geometry=shapely.LineString([(-60, 5), (60, 8)]), depth_m=0.9),
    ),
    terrain=zoo.plane(0.02, -0.01),
    demand=zoo.demand(4.0),
    depth_m=(3.0,),
    pipe=PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %"),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("layouts")
    design(SITE).write(folder / "out", pictures=False)
    return folder / "out" / "layouts.gpkg"


@pytest.fixture
def sheet(made, tmp_path):
    return shutil.copy(made, tmp_path / "edited.gpkg")


def edit(path, change, layer="bores"):
    """As a desktop GIS does it: read the layer, change it, write it back."""
    table = change(gpd.read_file(path, layer=layer))
    table.to_file(path, layer=layer, driver="GPKG", mode="w")


def row_of(table, layout_id, bore_id):
    return table.index[(table.layout_id == layout_id) & (table.bore_id == bore_id)][0]


def reshape(path, layout_id, bore_id, change):
    """Put another line in the place of a bore's; change: (n, 3) vertices to vertices."""

    def put(table):
        at = row_of(table, layout_id, bore_id)
        table.loc[at, "geometry"] = shapely.LineString(change(np.array(table.geometry[at].coords)))
        return table

    edit(path, put)


def aside(points, metres):
    """Sideways of the way from entry to exit, so many metres."""
    way = points[-1, :2] - points[0, :2]
    return metres * np.array([-way[1], way[0]]) / np.hypot(*way)


def content(path):
    """Everything in a GeoPackage, by table."""
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT table_name FROM gpkg_contents")]
        return {n: db.execute(f'SELECT * FROM "{n}"').fetchall() for n in names}  # noqa: S608


def bore_rows(path):
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        return {(r["layout_id"], r["bore_id"]): dict(r) for r in db.execute("SELECT * FROM bores")}


def errors(result):
    return [f.message for f in result.findings if f.severity == "error"]


def test_a_file_that_nobody_touched_comes_back_byte_for_byte(sheet, tmp_path):
    result = score(sheet, SITE)
    assert result.changes == ()
    assert result.write(tmp_path / "again.gpkg").read_bytes() == sheet.read_bytes()


def test_a_desktop_gis_that_saved_the_layer_unchanged_changes_no_figure(sheet, tmp_path):
    edit(sheet, lambda table: table)
    result = score(sheet, SITE)
    assert result.changes == ()
    assert content(result.write(tmp_path / "again.gpkg"))["bores"] == content(sheet)["bores"]


def roomy(path):
    """A straight bore whose exit can go two metres to a side (metres, signed) and stays clear of every zone of the file."""
    closed = gpd.read_file(path, layer="zones").union_all().buffer(1.0)
    table = gpd.read_file(path, layer="bores")
    for _, row in table[table["shape"] == "straight"].iterrows():
        points = np.array(row.geometry.coords)
        for way in (2.0, -2.0):
            if not closed.contains(shapely.Point(points[-1, :2] + aside(points, way))):
                return row.layout_id, row.bore_id, way
    raise AssertionError("no bore of the made-up lot has room: look at the lot")


def one_vertex(points, way):
    points[-1, :2] += aside(points, way)
    return points


def two_vertices(points, way):
    points[-1, :2] += aside(points, way)
    return points[[0, -1]]


def all_vertices(points, way):
    points[:, :2] += np.linspace(0, 1, len(points))[:, None] * aside(points, way)
    return points


@pytest.mark.parametrize("way", [one_vertex, two_vertices, all_vertices])
def test_an_exit_moved_by_two_metres_changes_that_bore_and_its_layout(sheet, tmp_path, way):
    layout, name, metres = roomy(sheet)
    reshape(sheet, layout, name, lambda points: way(points, metres))
    before = content(sheet)
    result = score(sheet, SITE)
    assert errors(result) == []
    done = {(c.layout_id, c.bore_id) for c in result.changes if not c.before and not c.after}
    assert done == {(layout, name)}
    # of bores that nobody moved nothing changes but their share of the heat (and the rank of layouts)
    touched = {(c.layout_id, c.bore_id, c.figure) for c in result.changes if c.bore_id and (c.before or c.after)}
    assert {(y, f) for y, b, f in touched if (y, b) != (layout, name)} <= {(layout, "heat_share")}
    among = {"rank", "pareto", "distinction"}  # what a layout is beside the others
    assert {c.layout_id for c in result.changes if c.figure not in among} == {layout}
    out = result.write(tmp_path / "scored.gpkg")
    after = content(out)
    moved = bore_rows(out)[layout, name]
    assert 0.01 < abs(moved["length_m"] - bore_rows(sheet)[layout, name]["length_m"]) < 3
    ends = gpd.read_file(out, layer="exits")
    asked = np.array(gpd.read_file(sheet, layer="bores").pipe(lambda t: t.geometry[row_of(t, layout, name)]).coords)[-1]
    end = ends.geometry[row_of(ends, layout, name)]
    assert np.hypot(end.x - asked[0], end.y - asked[1]) < 0.02
    assert after["parcel"] == before["parcel"]
    assert after["zones"] == before["zones"]
    assert [f for f in loopgis.audit(out, layout_id=layout) if f.severity == "error"] == []
    assert score(out, SITE).changes == ()  # what was scored is now as computed


def test_the_point_of_an_exit_may_be_moved_instead(sheet):
    layout, name, metres = roomy(sheet)

    def shift(table):
        at = row_of(table, layout, name)
        line = gpd.read_file(sheet, layer="bores").pipe(lambda t: t.geometry[row_of(t, layout, name)])
        dx, dy = aside(np.array(line.coords), metres)
        table.loc[at, "geometry"] = shapely.force_3d(
            shapely.Point(line.coords[-1][0] + dx, line.coords[-1][1] + dy), 0.0
        )
        return table

    edit(sheet, shift, "exits")
    by_point = score(sheet, SITE)
    done = [(c.layout_id, c.bore_id, c.figure) for c in by_point.changes if not c.before and not c.after]
    assert done == [(layout, name, "its exit was moved in the layer of exits")]


def test_a_deleted_bore_is_told_and_the_heat_is_short_by_it(sheet):
    edit(sheet, lambda t: t[~((t.layout_id == "L-01") & (t.bore_id == "B-01"))])
    before = {r["layout_id"]: r for r in _layouts(sheet)}["L-01"]
    result = score(sheet, SITE)
    told = [c.figure for c in result.changes if (c.layout_id, c.bore_id) == ("L-01", "B-01")]
    assert told == ["bore was deleted"]
    now = next(y for y in result.layouts if y.layout_id == "L-01").evaluation
    assert now.bores == before["bores"] - 1
    assert now.ewt_min_c < before["ewt_min_c"]
    assert now.bound_gap_pct is None


def _layouts(path):
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        return [dict(r) for r in db.execute("SELECT * FROM layouts")]


def test_a_copied_bore_gets_a_number_of_its_own_and_stands_too_near_to_itself(sheet):
    def copy(table):
        at = row_of(table, "L-01", "B-01")
        twin = table.loc[[at]].copy()
        points = np.array(twin.geometry.iloc[0].coords)
        points[:, :2] += aside(points, 0.3)
        twin["geometry"] = [shapely.LineString(points)]
        return pd.concat([twin, table], ignore_index=True)  # the copy first, as some programs do

    edit(sheet, copy)
    count = {r["layout_id"]: r["bores"] for r in _layouts(sheet)}["L-01"]
    result = score(sheet, SITE)
    layout = next(y for y in result.layouts if y.layout_id == "L-01")
    assert len(layout.bores) == count + 1
    added = [c.bore_id for c in result.changes if "added" in c.figure]
    assert added == [f"B-{count + 1:02d}"]
    near = [f for f in layout.findings if f.code == "bores-too-near"]
    assert any({"B-01", added[0]} <= set(f.message.replace(",", "").split()) for f in near)


def test_a_line_without_names_joins_the_layout_whose_pad_is_near(sheet):
    layout = _layouts(sheet)[0]["layout_id"]

    def add(table):
        twin = table[table.layout_id == layout].iloc[[0]].copy()
        points = np.array(twin.geometry.iloc[0].coords)[
            [-1, 0]
        ]  # drawn from the exit to the pad, two vertices, no heights
        twin["geometry"] = [shapely.LineString(points[:, :2])]
        twin.loc[:, ["layout_id", "bore_id", "source", "pattern"]] = None
        only = table[table.layout_id == layout].iloc[1:]
        return pd.concat([only, twin], ignore_index=True)

    edit(sheet, add)
    edit(sheet, lambda t: t[t.layout_id == layout], "pads")
    result = score(sheet, SITE)
    assert errors(result) == []
    assert any("turned to begin at the pad" in c.figure for c in result.changes)
    assert len(result.layouts) == 1


def kink(points):
    points[len(points) // 2, :2] += aside(points, 6)
    return points


def out_of_lot(points):
    points[-1, :2] += 3 * (points[-1, :2] - points[0, :2])
    return points[[0, -1]]


def off_the_pad(points):
    points[0, :2] += 0.5 * (points[-1, :2] - points[0, :2])
    return points[[0, -1]]


@pytest.mark.parametrize(
    ("way", "said"),
    [(kink, r"turn"), (out_of_lot, r"from its entry it (leaves the lot|enters)"), (off_the_pad, r"off the pad")],
)
def test_a_line_that_cannot_be_drilled_says_why_and_where_and_is_not_lost(sheet, tmp_path, way, said):
    reshape(sheet, "L-01", "B-01", way)
    drawn = gpd.read_file(sheet, layer="bores").pipe(lambda t: t.geometry[row_of(t, "L-01", "B-01")])
    result = score(sheet, SITE)
    (refused,) = result.refused
    assert (refused.layout_id, refused.bore_id) == ("L-01", "B-01")
    found = [f for f in result.findings if f.code == "cannot-be-drilled"]
    assert len(found) == 1
    assert "edited.gpkg" in found[0].where
    assert re.search(said, found[0].message)
    assert refused.station_m is not None
    out = result.write(tmp_path / "scored.gpkg")
    kept = gpd.read_file(out, layer="refused")
    assert len(kept) == 1
    assert shapely.hausdorff_distance(kept.geometry[0], shapely.force_2d(drawn)) < 1e-6
    assert ("L-01", "B-01") not in bore_rows(out)


def test_a_refused_line_that_was_corrected_is_a_bore_again(sheet, tmp_path):
    whole = gpd.read_file(sheet, layer="bores").pipe(lambda t: t.geometry[row_of(t, "L-01", "B-01")])
    reshape(sheet, "L-01", "B-01", kink)
    out = score(sheet, SITE).write(tmp_path / "scored.gpkg")

    def mend(table):
        table.loc[0, "geometry"] = shapely.force_2d(whole)
        return table

    edit(out, mend, "refused")
    result = score(out, SITE)
    assert result.refused == ()
    length = next(b.length_m for y in result.layouts if y.layout_id == "L-01" for b in y.bores if b.bore_id == "B-01")
    assert length == pytest.approx(bore_rows(sheet)["L-01", "B-01"]["length_m"], abs=0.3)


def test_another_depth_in_the_table_is_a_change_too(sheet):
    def deeper(table):
        table.loc[row_of(table, "L-01", "B-01"), "target_depth_m"] = 3.4
        return table

    edit(sheet, deeper)
    result = score(sheet, SITE)
    assert any("target depth is now 3.4 m" in c.figure for c in result.changes)
    bore = next(b for y in result.layouts if y.layout_id == "L-01" for b in y.bores if b.bore_id == "B-01")
    assert bore.max_depth_m > 3.35


def test_a_moved_pad_is_measured_where_it_is(sheet):
    edit(sheet, lambda t: t.assign(geometry=t.geometry.translate(0.4, 0.2)), "pads")
    result = score(sheet, SITE)
    assert sum(c.figure == "pad was moved" for c in result.changes) == len(result.layouts)
    assert {c.figure for c in result.changes} & {"header_length_m"}


def test_bores_do_not_follow_a_pad_that_was_moved_away(sheet):
    edit(sheet, lambda t: t.assign(geometry=t.geometry.translate(9.0, 14.0)), "pads")
    with pytest.raises(NoLayoutError, match="off the pad"):
        score(sheet, SITE)


def test_a_layout_of_which_all_lines_are_refused_can_be_mended_later(sheet, tmp_path):
    whole = gpd.read_file(sheet, layer="bores")
    for name in whole[whole.layout_id == "L-01"].bore_id:
        reshape(sheet, "L-01", name, out_of_lot)
    result = score(sheet, SITE)
    assert "L-01" not in {y.layout_id for y in result.layouts}
    out = result.write(tmp_path / "scored.gpkg")
    again = score(out, SITE)
    assert {r.layout_id for r in again.refused} == {"L-01"}
    lines = dict(zip(whole.bore_id[whole.layout_id == "L-01"], whole.geometry[whole.layout_id == "L-01"], strict=True))
    edit(out, lambda t: t.assign(geometry=[shapely.force_2d(lines[b]) for b in t.bore_id]), "refused")
    mended = score(out, SITE)
    assert mended.refused == ()
    assert {y.layout_id for y in mended.layouts} == set(whole.layout_id)


def test_another_site_file_is_noticed(sheet):
    wider = replace(SITE, spec=replace(SITE.spec, bore=replace(SITE.spec.bore, spacing_m=6.5)))
    result = score(sheet, wider)
    assert "other-site" in {f.code for f in result.findings}
    assert all(y.evaluation.bound_gap_pct is None for y in result.layouts)


def test_readings_of_the_crew_are_carried_over(sheet, tmp_path):
    with closing(sqlite3.connect(sheet)) as db, db:
        db.execute(
            "INSERT INTO rod_log (entry_id, layout_id, bore_id, rod, read_at, depth_m, roll, remark)"
            " VALUES ('e1', 'L-01', 'B-01', 3, '2026-05-04T10:11:12Z', 1.25, 12, 'gravel')"
        )
        db.execute("UPDATE gpkg_ogr_contents SET feature_count = 1 WHERE table_name = 'rod_log'")
    out = score(sheet, SITE).write(tmp_path / "scored.gpkg")
    (row,) = content(out)["rod_log"]
    assert "gravel" in row
    assert 1.25 in row


def broken(path, sql):
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(sql)


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE bores SET layout_id = 'L-77' WHERE fid = 1", "row 1: belongs to layout 'L-77', which has no pad"),
        ("UPDATE bores SET source = 'guessed' WHERE fid = 2", "row 2: source is 'guessed'"),
        ("UPDATE bores SET geom = NULL WHERE fid = 1", "row 1: has no geometry"),
        ("UPDATE layouts SET pattern = 'spiral'", "has the pattern 'spiral'"),
    ],
)
def test_bad_rows_are_named(sheet, sql, said):
    with closing(sqlite3.connect(sheet)) as db:
        db.execute("PRAGMA writable_schema = 1")
        triggers = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for name in triggers:
            db.execute(f'DROP TRIGGER "{name}"')
        db.execute(sql)
        db.commit()
    with pytest.raises(InputError) as told:
        score(sheet, SITE)
    assert said in str(told.value)
    assert "edited.gpkg" in str(told.value)


def test_a_file_without_bores_is_refused(sheet, tmp_path):
    (tmp_path / "text.gpkg").write_text("no database")
    with pytest.raises(InputError, match="is no GeoPackage"):
        score(tmp_path / "text.gpkg", SITE)
    with pytest.raises(InputError, match="is not there"):
        score(tmp_path / "none.gpkg", SITE)
    edit(sheet, lambda t: t.iloc[:0])
    with pytest.raises(NoLayoutError):
        score(sheet, SITE)


def test_the_result_is_not_written_over_a_file_unless_told(sheet, tmp_path):
    result = score(sheet, SITE)
    other = tmp_path / "other.gpkg"
    other.write_bytes(b"somebody's")
    with pytest.raises(InputError, match="is there already"):
        result.write(other)
    with pytest.raises(InputError, match="is an input of this run, which would be lost"):
        result.write(sheet, overwrite=True)
    assert other.read_bytes() == b"somebody's"


def test_the_summary_is_strict_json(sheet):
    reshape(sheet, "L-01", "B-01", kink)
    text = json.dumps(score(sheet, SITE).summary(), allow_nan=False, default=str)
    assert json.loads(text)["refused"][0]["bore_id"] == "B-01"
