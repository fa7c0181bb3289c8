"""The crew's folder: whole or not at all, small, sound, and saying what the layout says."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely
import zoo
from click.testing import CliRunner
from crew import Crew
from pyproj import Transformer

from loopgis.cli.main import cli
from loopgis.core.errors import InputError
from loopgis.driver import design
from loopgis.field.log_read import read_logs
from loopgis.sheets import tablet_bundle
from loopgis.sheets.drill_read import drill_book
from loopgis.sheets.layout_file import LayoutFile
from loopgis.sheets.tablet_bundle import FILES, tablet
from loopgis.sheets.tablet_data import tablet_data
from loopgis.sheets.tablet_page import packed
from loopgis.site.model import Feature

GAS = Feature(
    feature_id="gas", kind="gas_line", geometry=shapely.LineString([(-60, 5), (60, 8)]), depth_m=0.9, quality="B",
    label='main </script><img src=x onerror="window.ran=1">',
)  # fmt: skip
POND = Feature(feature_id="pond", kind="surface_water", geometry=shapely.Point(20, 30).buffer(8), depth_m=1.5)
SITE = zoo.site(
    shapely.box(-60, -50, 60, 50), features=(GAS, POND), terrain=zoo.plane(0.03, -0.02), bores=3, patterns=("fan",)
)

SQL_MARGINS = (
    "SELECT margin_m, bore_id, feature_id FROM clearances WHERE layout_id = 'L-01' AND basis IN ('gap', 'cover')"
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    design(SITE, effort=0).write(folder / "out", pictures=False)
    return folder / "out" / "layouts.gpkg"


@pytest.fixture(scope="module")
def folder(made, tmp_path_factory):
    place = tmp_path_factory.mktemp("bundle") / "crew"
    tablet(made, place)
    return place


@pytest.fixture(scope="module")
def job(made):
    return tablet_data(LayoutFile(made))


def ask(path, sql):
    with closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


def test_everything_is_there_and_named_in_its_readme(folder):
    assert sorted(p.name for p in folder.iterdir()) == sorted(FILES)
    said = (folder / "README.txt").read_text()
    assert all(f"- {name}:" in said for name in FILES)
    assert "loopgis asbuilt" in said


def test_the_package_is_sound_holds_one_layout_and_takes_readings(made, folder, tmp_path):
    package = folder / "crew.gpkg"
    tool = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", "--warning-as-error"]
    told = subprocess.run([*tool, str(package)], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert len(ask(made, "SELECT DISTINCT layout_id FROM bores")) > 1
    for table in ("bores", "rods", "pads", "layouts", "crossings"):
        assert {r[0] for r in ask(package, f"SELECT DISTINCT layout_id FROM {table}")} <= {"L-01"}, table  # noqa: S608
    assert ask(package, "SELECT count(*) FROM bores") == ask(
        made, "SELECT count(*) FROM bores WHERE layout_id = 'L-01'"
    )
    lists = dict(
        ask(package, "SELECT column_name, constraint_name FROM gpkg_data_columns WHERE table_name = 'rod_log'")
    )
    assert (lists["event"], lists["roll"]) == ("event", "roll")
    values = {
        r[0] for r in ask(package, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = 'event'")
    }
    assert {"rod", "exit", "abandon", "note"} <= values
    copy = shutil.copy(package, tmp_path / "back.gpkg")
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute(
            "INSERT INTO rod_log (layout_id, bore_id, rod, depth_m, pitch_pct) VALUES ('L-01', 'B-01', 1, 1.0, -33)"
        )
        db.execute("INSERT INTO rod_log (layout_id, bore_id, event, rod) VALUES ('L-01', 'B-01', 'exit', 20)")
    assert [(e.event, e.rod) for e in read_logs([copy]).entries] == [("rod", 1), ("exit", 20)]


def test_a_file_from_before_the_column_event_gets_it(made, tmp_path):
    old = shutil.copy(made, tmp_path / "old.gpkg")
    with closing(sqlite3.connect(old)) as db, db:
        db.execute("ALTER TABLE rod_log DROP COLUMN event")
        db.execute("ALTER TABLE rod_log DROP COLUMN accuracy_m")
        db.execute(
            "DELETE FROM gpkg_data_columns WHERE table_name = 'rod_log' AND column_name IN ('event', 'accuracy_m')"
        )
        db.execute("DELETE FROM gpkg_data_column_constraints WHERE constraint_name = 'event'")
    tablet(old, tmp_path / "crew")
    columns = {r[1] for r in ask(tmp_path / "crew/crew.gpkg", "PRAGMA table_info(rod_log)")}
    assert {"event", "accuracy_m"} <= columns
    assert (
        ask(
            tmp_path / "crew/crew.gpkg",
            "SELECT count(*) FROM gpkg_data_column_constraints WHERE constraint_name = 'event'",
        )[0][0]
        > 5
    )


def test_the_three_kinds_of_coordinates_lead_to_one_another(made, job):
    file = LayoutFile(made)
    a, b, c, d, e, f = job["to_file"]
    xy = np.array([[r["x"], r["y"]] for bore in job["bores"] for r in bore["rod"]])
    book = drill_book(made)
    rods = [r for p in book.pages for r in p.rods]
    mine = np.column_stack([a + b * xy[:, 0] + c * xy[:, 1], d + e * xy[:, 0] + f * xy[:, 1]])
    assert np.abs(mine - [[r.x, r.y] for r in rods]).max() < 0.001
    back = job["from_lonlat"]
    u, v = (np.array([getattr(r, n) for r in rods]) - back[n] for n in ("lon", "lat"))
    terms = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
    assert np.abs(np.column_stack([terms @ back["x"], terms @ back["y"]]) - xy).max() < 0.001
    whole = Transformer.from_crs("EPSG:4326", file.frame.crs, always_xy=True)
    assert np.abs(np.column_stack(whole.transform([r.lon for r in rods], [r.lat for r in rods])) - xy).max() < 0.001


def test_windows_hold_the_planned_height_and_never_less_room_than_the_rules_ask(made, job):
    found = 0
    for bore in job["bores"]:
        path = np.array([row[:3] for row in bore["path"]])
        for w in bore["windows"]:
            z = np.interp(w["plan_m"], path[:, 0], path[:, 1])
            assert w["least_z"] <= z + 0.03
            assert w["most_z"] >= z - 0.03
            margins = [
                m
                for m, bore_id, feature_id in ask(made, SQL_MARGINS)
                if m is not None and (bore_id, feature_id) == (bore["bore_id"], w["feature_id"])
            ]
            if w["how"] == "under" and margins:
                assert w["most_z"] <= z + max(min(margins), 0) + 0.03
                found += 1
    assert found
    assert all(row[1] > 0 or row[2] == "" for bore in job["bores"] for row in bore["cover"])


def test_the_key_is_the_jobs_own(made, job, tmp_path):
    assert tablet_data(LayoutFile(made)) == job
    other = tablet_data(LayoutFile(made), "L-02")
    assert other["key"] != job["key"]
    metres = tablet_data(LayoutFile(made), units="us" if job["units"] == "metric" else "metric")
    assert metres["units"] != job["units"]


def test_packed_lists_hold_the_same():
    rows = [{"a": 1, "b": [{"c": 2, "d": "x"}, {"c": 3, "d": "y"}]}, {"a": None, "b": []}]
    assert packed({"rows": rows, "one": [{"a": 1}]}) == {
        "rows": {"$keys": ["a", "b"], "$rows": [[1, {"$keys": ["c", "d"], "$rows": [[2, "x"], [3, "y"]]}], [None, []]]},
        "one": [{"a": 1}],
    }


def test_names_never_close_an_element_of_the_page(folder):
    page = (folder / "tablet.html").read_text()
    assert len(re.findall(r"</script>", page)) == len(re.findall(r"<script", page))
    assert "<img" not in page
    held = re.search(r'id="job"[^>]*>(.*?)</script>', page, re.DOTALL)[1]
    assert "main </script><img src=x onerror=" in json.dumps(json.loads(held)).replace('\\"', '"')


def test_hand_held_files_are_thinned_and_lead_the_same_way(made, folder):
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    book = drill_book(made)
    to_m = Transformer.from_crs("EPSG:4326", LayoutFile(made).frame.crs, always_xy=True)
    tracks = ET.parse(folder / "paths.gpx").getroot().findall("g:trk", space)  # noqa: S314 - our own file
    for page, track in zip(book.pages, tracks, strict=True):
        points = track.findall(".//g:trkpt", space)
        assert len(points) < len(page.along.x) / 2
        lon, lat = ([float(p.get(n)) for p in points] for n in ("lon", "lat"))
        line = shapely.LineString(np.column_stack(to_m.transform(lon, lat)))
        rods = np.column_stack(to_m.transform([r.lon for r in page.rods], [r.lat for r in page.rods]))
        assert shapely.distance(shapely.points(rods), line).max() < 0.06


def test_all_or_nothing(made, folder, tmp_path, monkeypatch):
    before = {p.name: p.read_bytes() for p in folder.iterdir()}

    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="overwrite"):
        tablet(made, folder)
    monkeypatch.setattr("loopgis.sheets.stakeout.write_points_csv", full)
    with pytest.raises((InputError, OSError)):
        tablet(made, folder, overwrite=True)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    with pytest.raises((InputError, OSError)):
        tablet(made, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_the_same_file_gives_the_same_bundle(made, folder, tmp_path):
    tablet(made, tmp_path / "again")
    for path in folder.iterdir():
        if path.suffix != ".gpkg":
            assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_the_command(made, tmp_path):
    run = CliRunner().invoke(
        cli, ["tablet", str(made), "--layout", "L-02", "-o", str(tmp_path / "crew"), "--json", "-q"]
    )
    said = json.loads(run.output)
    assert len(said["written"]) == len(FILES)
    assert said["bytes"] == sum(p.stat().st_size for p in (tmp_path / "crew").iterdir())
    wrong = CliRunner().invoke(cli, ["tablet", str(made), "--layout", "L-77", "-o", str(tmp_path / "none")])
    assert isinstance(wrong.exception, InputError)
    assert "L-77" in str(wrong.exception)
    assert not (tmp_path / "none").exists()


def test_what_the_bundle_holds_comes_back_as_built(made, folder, tmp_path):
    """The crew's copy is a log; the office's file stays the one that the as-built is made from."""
    from loopgis.drilled import as_built

    copy = shutil.copy(folder / "crew.gpkg", tmp_path / "crew.gpkg")
    page = drill_book(made).pages[0]
    crew = Crew(drill_book(made))
    crew.drills("A", page)
    with closing(sqlite3.connect(copy)) as db, db:
        for e in crew.log().entries:
            db.execute(
                "INSERT INTO rod_log (layout_id, bore_id, rod, event, read_at, depth_m, pitch_pct, x, y, accuracy_m)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (e.layout_id, e.bore_id, e.rod, e.event, e.read_at, e.depth_m, e.pitch_pct, e.x, e.y, e.accuracy_m),
            )
    assert as_built(made, [copy]).book.bores[0].state == "drilled"


def test_names_of_files_are_ours_alone():
    assert all(re.fullmatch(r"[A-Za-z_]+\.[a-z]+", name) for name in FILES)
    assert tablet_bundle.PAGE in FILES
