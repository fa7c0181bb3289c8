"""From logs to the as-built: nothing planned is overwritten, nothing recorded is lost, and what was drilled is measured anew."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from itertools import permutations

import geopandas as gpd
import numpy as np
import pytest
import shapely
import zoo
from click.testing import CliRunner
from crew import Crew

import loopgis
from loopgis.cli.main import cli
from loopgis.core.errors import InputError
from loopgis.drilled import as_built
from loopgis.driver import design
from loopgis.field.log_read import read_logs, write_log_csv, write_log_json
from loopgis.rescore import score
from loopgis.sheets.drill_read import drill_book
from loopgis.sheets.tablet_bundle import write_crew_package
from loopgis.site.model import Feature, PipeSpec

SITE = zoo.site(
    shapely.box(-60, -50, 60, 50),
    features=(
        Feature(feature_id="house", kind="building", geometry=shapely.box(-12, -45, 2, -35)),
        Feature(feature_id="gas", kind="gas_line", geometry=shapely.LineString([(-60, 5), (60, 8)]), depth_m=0.9,
                quality="B", label="main"),
    ),
    terrain=zoo.plane(0.02, -0.01),
    demand=zoo.demand(9.0),
    depth_m=(3.0,),
    pipe=PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %"),
    patterns=("fan",),
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    design(SITE, effort=0).write(folder / "out", pictures=False)
    return folder / "out" / "layouts.gpkg"


@pytest.fixture(scope="module")
def book(made):
    return drill_book(made)


@pytest.fixture(scope="module")
def crew(book):
    """First bore by A; second by B, one hole given up on the way; third drifts; the fourth is begun, the rest is planned."""
    assert len(book.pages) >= 4
    crew = Crew(book)
    one, two, three, four = book.pages[:4]
    crew.drills("A", one)
    crew.enters("B", two)
    for rod in two.rods[1:6]:
        crew.reads("B", two.bore_id, rod)
    wrong = crew.reads("B", two.bore_id, two.rods[6], deeper_m=-40.0)
    crew.tells("B", bore_id=two.bore_id, event="undo", of=wrong.entry_id)
    crew.reads("B", two.bore_id, two.rods[6], deeper_m=0.3)
    crew.tells("B", bore_id=two.bore_id, event="abandon", rod=5, remark="cobbles")
    for rod in two.rods[5:-1]:
        crew.reads("B", two.bore_id, rod)
    crew.comes_out("B", two)
    crew.drills("A", three, right_per_rod_m=0.12)
    crew.drills("B", four, rods=4)
    crew.tells("A", bore_id=one.bore_id, event="pull", values={"pull_kn": 1.5, "minutes": 25.0})
    crew.tells("A", bore_id="", event="note", remark="tracer wire on both legs, <b>ends</b> at the manifold")
    return crew


@pytest.fixture(scope="module")
def logs(crew, tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    return [write_log_json(crew.log(t), folder / f"{t}.json", file="layouts.gpkg") for t in ("A", "B")]


@pytest.fixture(scope="module")
def result(made, logs):
    return as_built(made, logs)


@pytest.fixture(scope="module")
def written(result, tmp_path_factory):
    return result.write(tmp_path_factory.mktemp("written") / "built.gpkg")


def by_id(result):
    return {b.bore_id: b for b in result.book.bores}


def rows(path, table):
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        return [dict(r) for r in db.execute(f"SELECT * FROM {table}")]  # noqa: S608 - a name of ours


def test_every_bore_has_the_state_that_the_logs_say(result, book):
    states = [b.state for b in result.book.bores]
    assert states == ["drilled", "drilled", "drilled", "begun"] + ["planned"] * (len(book.pages) - 4)
    assert [b.source for b in result.bores] == ["surveyed"] * 3 + ["planned"] * (len(book.pages) - 3)
    second = result.book.bores[1]
    assert [(leg.abandoned, leg.rods[-1].rod) for leg in second.legs] == [
        (True, 6),
        (False, len(book.pages[1].rods) - 1),
    ]
    assert result.book.tracer == "tracer wire on both legs, <b>ends</b> at the manifold"


def test_what_was_drilled_as_planned_lies_where_it_was_planned(result):
    """Errors of the simulated locator: 2 % of the depth, 0.6 % of the pitch; the path's own error says how far it may be off."""
    for bore in result.book.bores[:2]:
        rods = bore.leg.rods
        off = np.array([np.hypot(r.right_m, r.down_m) for r in rods])
        error = np.array([np.hypot(r.error_m, r.error_z_m) for r in rods])
        assert (off <= 3 * error).mean() > 0.95
        assert bore.length_m == pytest.approx(bore.planned_length_m, rel=0.01)


def test_a_bore_that_drifts_is_told_and_its_place_is_the_one_that_was_read(result, book):
    third, page = result.book.bores[2], book.pages[2]
    assert any(f.bore_id == third.bore_id and f.code in {"drift", "left-tube"} for f in result.book.findings)
    aside = [r.right_m for r in third.leg.rods if r.rod == len(page.rods) // 2]
    assert aside[0] == pytest.approx(0.12 * (len(page.rods) // 2), abs=0.15)


def test_an_exit_that_nobody_surveyed_is_carried_on_to_the_ground_and_told(made, book, tmp_path):
    crew = Crew(book)
    page = book.pages[0]
    crew.drills("A", page, rods=len(page.rods) - 2)
    crew.tells("A", bore_id=page.bore_id, event="exit", rod=len(page.rods) - 1)
    found = as_built(made, write_log_json(crew.log(), tmp_path / "a.json"))
    bore, lying = found.book.bores[0], found.bores[0]
    assert (bore.state, bore.source) == ("drilled", "logged")
    assert abs(lying.depth_m[-1]) < 0.05
    assert np.hypot(lying.x_m[-1] - bore.planned[-1, 0], lying.y_m[-1] - bore.planned[-1, 1]) < 1.5
    assert any(f.code == "exit-carried" and f.bore_id == page.bore_id for f in found.book.findings)
    assert not [f for f in found.permit.findings if f.severity == "error" and f.bore_id == page.bore_id]


def test_a_bore_without_offsets_is_not_said_to_keep_its_distances(made, book, tmp_path):
    crew = Crew(book)
    page = book.pages[0]
    for rod in page.rods[1:-1]:
        crew.reads("A", page.bore_id, rod, offset_m=None)
    crew.tells("A", bore_id=page.bore_id, event="exit", rod=len(page.rods) - 1)
    found = as_built(made, write_log_json(crew.log(), tmp_path / "a.json"))
    (told,) = (f for f in found.book.findings if f.code == "sideways")
    assert (told.severity, told.bore_id) == ("warning", page.bore_id)
    assert found.book.bores[0].worst_off_m is None
    plan = [
        r
        for r in found.permit.rows
        if r.bore_id == page.bore_id and r.basis == "plan" and r.rule_id == "house/lot-line"
    ]
    assert {r.outcome for r in plan} == {"unverified"}
    assert "not verified" in found.book.claim


def test_logs_of_another_job_make_no_as_built(made, book, tmp_path):
    crew = Crew(book)
    crew.tells("A", bore_id="Q-1", event="rod", rod=1, depth_m=1.0, layout_id="L-77")
    log = write_log_json(crew.log(), tmp_path / "a.json")
    with pytest.raises(InputError, match="hold no entry of layout"):
        as_built(made, log)


def test_the_clerk_sees_what_was_drilled_and_a_plan_round_it_hears_of_dead_holes(written, tmp_path):
    from loopgis.sheets.permit_read import permit_book
    from loopgis.site.config import LayerRef
    from loopgis.site.drawn import kept_lines
    from loopgis.site.log import Log

    assert permit_book(written[0]).layout_id == "L-01-built"
    log = Log()
    lines, _ = kept_lines(LayerRef(written=str(written[0]), path=written[0]), SITE.frame, log)
    assert sorted(line.bore_id for line in lines) == ["B-01", "B-02", "B-03"]
    (told,) = (f for f in log.findings if f.code == "kept-holes")
    assert "begun" in told.message
    assert "given up" in told.message


def test_a_surveyed_exit_is_not_pushed_further_on(result, written):
    """A planned exit may come up further on than drawn, by its depth error; one that was measured came up there."""
    measured = loopgis.rules.audit.measure(written[0], layout_id="L-01-built")
    lot = shapely.boundary(SITE.parcel)
    lying = {b.bore_id: b for b in result.bores}
    for bore_id in ("B-01", "B-02"):
        (row,) = (
            r for r in measured if r["bore_id"] == bore_id and r["rule_id"] == "house/lot-line" and r["basis"] == "plan"
        )
        line = shapely.LineString(lying[bore_id].xyz[:, :2])
        assert row["provided_m"] == pytest.approx(shapely.distance(line, lot), abs=0.02)


def test_distances_are_those_of_the_audit_of_the_written_file(result, written):
    """The audit reads the file with its own reader; the rows in the file and the book's crossings say what it measures."""
    again = {(r["bore_id"], r["rule_id"], r["feature_id"], r["basis"]): r for r in
             loopgis.rules.audit.measure(written[0], layout_id="L-01-built")}  # fmt: skip
    kept = [r for r in rows(written[0], "clearances") if r["layout_id"] == "L-01-built" and r["bore_id"]]
    assert len(kept) >= 3 * len(result.bores)
    for r in kept:
        measured = again[r["bore_id"], r["rule_id"], r["feature_id"] or "", r["basis"]]
        assert r["outcome"] == measured["outcome"]
        if r["provided_m"] is not None:
            assert r["provided_m"] == pytest.approx(measured["provided_m"], abs=1e-6)
    first = result.book.bores[0]
    for c in first.crossings:
        assert c.planned_m is None or c.clearance_m == pytest.approx(c.planned_m, abs=0.5)


def test_nothing_planned_is_overwritten(made, written):
    for layer in ("bores", "rods", "exits", "clearances", "layouts", "stations", "zones", "features", "exact"):
        before = rows(made, layer)
        after = [r for r in rows(written[0], layer) if r.get("layout_id") != "L-01-built"]
        for r in (*before, *after):
            r.pop("fid", None)
        assert after == before, layer
    assert len([r for r in rows(written[0], "bores") if r["layout_id"] == "L-01-built"]) == len(
        [r for r in rows(made, "bores") if r["layout_id"] == "L-01"]
    )


def test_the_file_is_a_sound_geopackage_and_its_layers_open(written, book):
    tool = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", "--warning-as-error"]
    told = subprocess.run([*tool, str(written[0])], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    holes = gpd.read_file(written[0], layer="holes")
    assert sorted(holes.state.unique()) == ["begun", "drilled", "given up"]
    assert all(s.has_z for s in holes.geometry)
    readings = gpd.read_file(written[0], layer="readings")
    assert readings.crs == holes.crs
    third = readings[(readings.bore_id == book.pages[2].bore_id) & (readings.rod == 3)].iloc[0]
    planned = book.pages[2].rods[3]
    assert abs(third.geometry.x - planned.x) < 2
    assert {r["f_table_name"] for r in rows(written[0], "layer_styles")} >= {"holes", "readings", "ties"}


def test_the_log_in_the_file_keeps_its_chain_and_is_itself_a_log(result, written):
    again = read_logs([written[0]])
    assert again.entries == result.log.entries
    assert not again.problems
    with closing(sqlite3.connect(written[0])) as db, db:
        db.execute("UPDATE rod_log SET depth_m = depth_m + 0.5 WHERE entry_id = 'A-5'")
    try:
        assert any("A" in p and "5" in p and "changed" in p for p in read_logs([written[0]]).problems)
    finally:
        with closing(sqlite3.connect(written[0])) as db, db:
            db.execute("UPDATE rod_log SET depth_m = depth_m - 0.5 WHERE entry_id = 'A-5'")


def test_order_and_repetition_of_logs_make_no_difference(made, logs, result, tmp_path, crew):
    table = write_log_csv(crew.log("A"), tmp_path / "a.csv")
    for order in [*permutations(logs), [*logs, *logs, table]]:
        again = as_built(made, order)
        assert again.log.entries == result.log.entries
        assert [b.leg and b.leg.rods for b in again.book.bores] == [b.leg and b.leg.rods for b in result.book.bores]
        assert again.book.findings == result.book.findings


def test_day_by_day_comes_to_the_same_as_all_at_once(made, logs, result, written, tmp_path):
    first = as_built(made, logs[0]).write(tmp_path / "day1.gpkg")[0]
    second = as_built(first, logs[1]).write(tmp_path / "day2.gpkg")[0]
    third = as_built(second, logs).write(tmp_path / "day3.gpkg")[0]
    for layer in ("rod_log", "bores", "holes", "readings", "records", "ties", "clearances"):
        wanted = rows(written[0], layer)
        for day in (second, third):
            found = rows(day, layer)
            for r in (*wanted, *found):
                r.pop("fid", None)
                r.pop("id", None)
            assert found == wanted, (layer, day.name)


def test_readings_of_a_tablet_gis_count_too(made, logs, book, tmp_path):
    crew_file = write_crew_package(made, tmp_path / "crew.gpkg", "L-01")
    five = book.pages[4] if len(book.pages) > 4 else book.pages[3]
    with closing(sqlite3.connect(crew_file)) as db, db:
        for rod in five.rods[1:4]:
            db.execute(
                "INSERT INTO rod_log (layout_id, bore_id, rod, read_at, depth_m, pitch_pct) VALUES ('L-01', ?, ?, ?, ?, ?)",
                (five.bore_id, rod.rod, f"2026-05-06T08:0{rod.rod}:00Z", rod.depth_m, rod.pitch_pct),
            )
    both = as_built(made, [*logs, crew_file])
    assert by_id(both)[five.bore_id].state == "begun"
    out = both.write(tmp_path / "built.gpkg")[0]
    again = as_built(out, [crew_file])
    assert again.log.entries == both.log.entries


def test_the_heat_as_drilled_is_what_scoring_the_file_finds(result, written):
    heat = result.book.heat
    assert heat.length_m == pytest.approx(heat.planned_length_m, rel=0.02)
    scored = {y.layout_id: y for y in score(written[0], SITE).layouts}
    assert scored["L-01-built"].heat.needed_m == pytest.approx(heat.needed_m, rel=2e-3)
    assert scored["L-01"].heat.needed_m == pytest.approx(heat.planned_needed_m, rel=2e-3)


def test_records_that_are_missed_or_missing_are_told(made, book, logs, tmp_path):
    crew = Crew(book, begin="2026-05-07T08:00:00")
    crew.tells("C", bore_id="", event="test", values={"start_kpa": 700.0, "end_kpa": 500.0, "minutes": 15.0})
    crew.tells("C", bore_id=book.pages[0].bore_id, event="pull", values={"pull_kn": 60.0})
    more = write_log_json(crew.log(), tmp_path / "c.json")
    told = {(f.code, f.bore_id): f.severity for f in as_built(made, [*logs, more]).book.findings}
    assert told["record-test", ""] == "error"
    assert told["record-pull", book.pages[0].bore_id] == "error"


def test_the_command_says_what_it_found_and_writes_all_or_nothing(made, logs, tmp_path):
    out = tmp_path / "built.gpkg"
    run = CliRunner().invoke(cli, ["asbuilt", str(made), *map(str, logs), "-o", str(out)])
    assert run.exit_code == 0, run.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["built.gpkg", "built_as_built.pdf", "built_owner.pdf"]
    assert "given up" in run.output
    assert "local code governs" in run.output
    stamp = out.read_bytes()
    again = CliRunner().invoke(cli, ["asbuilt", str(made), *map(str, logs), "-o", str(out)])
    assert isinstance(again.exception, InputError)
    assert out.read_bytes() == stamp
    told = CliRunner().invoke(
        cli, ["asbuilt", str(made), *map(str, logs), "-o", str(out), "--overwrite", "--json", "-q"]
    )
    said = json.loads(told.output)
    assert said["built_id"] == "L-01-built"
    assert said["bores"][1]["holes"][0]["abandoned"] is True


def test_the_same_logs_give_the_same_bytes(result, written, tmp_path):
    again = result.write(tmp_path / "built.gpkg")
    for one, other in zip(written, again, strict=True):
        if one.suffix == ".pdf":
            assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: p.write_text("not a log"), "column"),
        (lambda p: p.write_text(""), "is empty"),
        (lambda p: None, "is not there"),
        (lambda p: p.write_bytes(b"PK\x03\x04rest"), "workbook"),
    ],
)
def test_a_log_that_is_none_is_one_line(made, tmp_path, make, said):
    log = tmp_path / "log.csv"
    make(log)
    with pytest.raises(InputError, match=said):
        as_built(made, [log])


def test_logs_of_two_layouts_must_be_told_apart(made, logs, book, tmp_path):
    copy = shutil.copy(made, tmp_path / "two.gpkg")
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("INSERT INTO layouts (layout_id, rank, bores, crossings) VALUES ('L-09', 9, 0, 0)")
    crew = Crew(book)
    crew.tells("Z", bore_id="B-01", event="note", layout_id="L-09", remark="x")
    other = write_log_json(crew.log(), tmp_path / "z.json")
    with pytest.raises(InputError, match="L-01, L-09"):
        as_built(copy, [*logs, other])
    assert as_built(copy, [*logs, other], layout_id="L-01").book.layout_id == "L-01"
