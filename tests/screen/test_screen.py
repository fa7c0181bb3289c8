"""The whole run: one row a parcel whoever works on it, checkpoints, resume, killed workers and schedulers, files that agree."""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import geopandas
import numpy as np
import psutil
import pyogrio
import pytest
import shapely
from town_case import ENV, ROOT, command, small_town

import loopgis
from loopgis.core.errors import InputError
from loopgis.screening import work
from loopgis.screening.driver import screen
from loopgis.screening.parts import read_parts
from loopgis.screening.work import Asked, job_of, roll_of, run
from loopgis.sheets.cautions import CAUTIONS

PARCELS = 24


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    return small_town(tmp_path_factory.mktemp("town"), PARCELS)


def asked(town: Path, output: Path, **more) -> Asked:
    return Asked(parcels=str(town / "parcels.gpkg"), site=town / "town.toml", output=output, **{"workers": 0, **more})


@pytest.fixture(scope="module")
def alone(town, tmp_path_factory):
    """The town screened in this process, blocks of 7."""
    output = tmp_path_factory.mktemp("alone") / "s.gpkg"
    return screen(asked(town, output, block=7))


def rows(path: Path):
    return pyogrio.read_dataframe(path)


def test_every_parcel_has_one_row_in_order(town, alone):
    given, found = rows(town / "parcels.gpkg"), rows(alone.paths[0])
    assert list(found.parcel_id) == list(given.parcel_id)
    assert sum(alone.outcomes.values()) == PARCELS
    assert (found.geom_type == "MultiPolygon").all()
    assert shapely.equals(found.geometry.values, given.geometry.values).all()
    assert set(found.outcome) <= {"fits", "tight", "does_not_fit"}
    assert {"does_not_fit"} < set(found.outcome)
    assert (found.why[found.outcome != "fits"] != "").all()
    assert (found.bores[found.outcome == "does_not_fit"] == 0).all()
    assert not Path(alone.paths[0]).with_name("s.parts").exists()


def test_parquet_says_the_same(alone):
    package, parquet = rows(alone.paths[0]), geopandas.read_parquet(alone.paths[1])
    assert parquet.crs == package.crs
    assert parquet.geometry.geom_equals(package.geometry).all()
    for column in package.columns.drop("geometry"):
        one, other = package[column], parquet[column]
        assert ((one == other) | (one.isna() & other.isna())).all(), column
    box = parquet.total_bounds
    near = geopandas.read_parquet(alone.paths[1], bbox=(box[0], box[1], box[0] + 5, box[1] + 5))
    assert 0 < len(near) < len(parquet)


def test_package_carries_cautions_style_and_value_lists(alone):
    with closing(sqlite3.connect(alone.paths[0])) as db:
        (said,) = db.execute("SELECT metadata FROM gpkg_metadata").fetchone()
        assert json.loads(said)["cautions"] == list(CAUTIONS)
        qml, sld = db.execute("SELECT styleQML, styleSLD FROM layer_styles WHERE f_table_name = 'screen'").fetchone()
        assert "does_not_fit" in qml
        assert "does_not_fit" in sld
        lists = db.execute(
            "SELECT DISTINCT constraint_name FROM gpkg_data_columns WHERE constraint_name NOT NULL"
        ).fetchall()
        known = db.execute("SELECT DISTINCT constraint_name FROM gpkg_data_column_constraints").fetchall()
        assert sorted(lists) == sorted(known) == [("screen_method",), ("screen_outcome",)]
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    assert alone.paths[2].read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(("workers", "block"), [pytest.param(1, 5, marks=pytest.mark.slow), (2, 3)])
def test_same_bytes_for_any_workers_and_blocks(town, alone, tmp_path, workers, block):
    other = screen(asked(town, tmp_path / "s.gpkg", workers=workers, block=block))
    for one, two in zip(alone.paths, other.paths, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.suffix


@pytest.mark.slow
def test_resumes_and_takes_nothing_twice(town, alone, tmp_path):
    """Half of the blocks done, one part cut short: the rest is done in other blocks, and the files are the same bytes."""
    wish = asked(town, tmp_path / "s.gpkg", block=6)
    job = job_of(wish)
    with pytest.raises(KeyboardInterrupt):
        run(wish, job, roll_of(job), _stop_after(3))
    parts = sorted(Path(job.folder).glob("part-*.parquet"))
    assert len(parts) == 3
    parts[0].write_bytes(parts[0].read_bytes()[:200])
    again = screen(asked(town, tmp_path / "s.gpkg", block=5))
    assert again.taken_over == 12
    for one, two in zip(alone.paths, again.paths, strict=True):
        assert one.read_bytes() == two.read_bytes()


def _stop_after(blocks: int):
    said = []

    def tell(text: str) -> None:
        if " a second" in text:
            said.append(text)
            if len(said) == blocks:
                raise KeyboardInterrupt

    return tell


def test_parts_of_other_inputs_are_refused(town, tmp_path):
    """Other ground, other parts: refused by name; --fresh throws them away."""
    here = small_town(tmp_path / "t", 6)
    wish = asked(here, tmp_path / "s.gpkg", block=2)
    job = job_of(wish)
    with pytest.raises(KeyboardInterrupt):
        run(wish, job, roll_of(job), _stop_after(1))
    file = here / "town.toml"
    file.write_text(file.read_text().replace('soil = "saturated clay"', 'soil = "saturated sand"'))
    with pytest.raises(InputError, match="other inputs or settings"):
        screen(wish)
    assert screen(asked(here, tmp_path / "s.gpkg", fresh=True)).taken_over == 0


def test_second_run_on_one_output_is_refused(town, tmp_path):
    from loopgis.screening.parts import held, open_folder

    wish = asked(town, tmp_path / "s.gpkg")
    job = job_of(wish)
    open_folder(Path(job.folder), job.key, {}, fresh=False)
    with held(Path(job.folder)), pytest.raises(InputError, match="another run"):
        screen(wish)


def test_foreign_folder_is_left_alone(town, tmp_path):
    folder = tmp_path / "s.parts"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    for fresh in (False, True):
        with pytest.raises(InputError, match="in the way"):
            screen(asked(town, tmp_path / "s.gpkg", fresh=fresh))
    assert (folder / "mine.txt").read_text() == "mine"


def test_bad_parcels_lose_nothing(town, tmp_path):
    """Invalid, missing, tiny, huge, far, in parts, twins: a row each, in order, and the good ones as ever."""
    good = rows(town / "parcels.gpkg").geometry.iloc[:2]
    x, y = good.iloc[0].bounds[:2]
    shapes = [
        good.iloc[0],
        None,
        shapely.Polygon([(x, y), (x + 30, y + 40), (x + 30, y), (x, y + 40)]),
        shapely.box(x, y, x + 0.2, y + 0.2),
        shapely.box(x, y, x + 9000, y + 9000),
        shapely.box(x + 1e7, y, x + 1e7 + 30, y + 30),
        shapely.Polygon([(np.inf, y), (x + 9, y), (x + 9, y + 9)]),
        shapely.MultiPolygon([shapely.box(x, y, x + 9, y + 9), shapely.box(x + 20, y, x + 25, y + 9)]),
        good.iloc[1],
    ]
    table = geopandas.GeoDataFrame({"apn": list("abcdefgha")}, geometry=shapes, crs="EPSG:32618")
    pyogrio.write_dataframe(table, tmp_path / "lots.gpkg", layer="lots")
    found = screen(
        Asked(parcels=f"{tmp_path}/lots.gpkg:lots", site=town / "town.toml", output=tmp_path / "s.gpkg", workers=0)
    )
    said = rows(found.paths[0])
    assert list(said.parcel_id) == list("abcdefgha")
    assert list(said.index[said.outcome == "not_judged"]) == [1, 3, 4, 5, 6]
    assert (said.why[said.outcome == "not_judged"] != "").all()
    assert "repaired" in said.remark[2]
    assert "parts" in said.remark[7]
    assert [i for i, r in enumerate(said.remark) if "same id" in (r or "")] == [0, 8]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"parcels": "nowhere.gpkg"}, "is not there"),
        ({"id_column": "nothing"}, "has no column"),
        ({"where": "parcel_id = 'none'"}, "holds no parcel"),
        ({"output": Path("s.shp")}, "is no GeoPackage name"),
        ({"elevation": "nowhere.tif"}, "is not there"),
        ({"elevation": str(ROOT / "pyproject.toml")}, "cannot be read as a raster"),
        ({"features": (str(ROOT / "data/suburban/parcel.gpkg"),)}, "has no column kind"),
        ({"scheduler": "tcp://127.0.0.1:9", "workers": None}, "no scheduler answers"),
    ],
)
def test_wrong_wishes_end_with_one_line(town, tmp_path, monkeypatch, change, words):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("loopgis.screening.work.CONNECT_S", 2.0)
    wish = asked(town, tmp_path / "s.gpkg")
    with pytest.raises(InputError, match=words):
        screen(Asked(**{**vars(wish), **change}))


def test_town_in_degrees_and_feet_is_judged_alike(town, alone, tmp_path):
    """Parcels as GeoJSON in degrees, buildings as a shapefile in feet of another datum: the same words, nearly the same figures."""
    rows(town / "parcels.gpkg").to_crs(4326).to_file(tmp_path / "lots.geojson", driver="GeoJSON")
    rows(town / "buildings.gpkg").to_crs(2261).to_file(tmp_path / "houses.shp")
    wish = Asked(
        parcels=str(tmp_path / "lots.geojson"),
        site=town / "town.toml",
        output=tmp_path / "s.gpkg",
        buildings=str(tmp_path / "houses.shp"),
        workers=0,
    )
    found, before = rows(screen(wish).paths[0]), rows(alone.paths[0])
    assert found.crs.to_epsg() == 4326
    assert list(found.parcel_id) == list(before.parcel_id)
    assert list(found.outcome) == list(before.outcome)
    assert found.area_m2.to_numpy() == pytest.approx(before.area_m2.to_numpy(), abs=0.1)
    assert list(found.bores) == list(before.bores)
    assert found.drilled_m.to_numpy() == pytest.approx(before.drilled_m.to_numpy(), rel=0.01)


def test_full_is_what_a_layout_of_its_own_gives(town, alone, tmp_path):
    """--full on one parcel: bores and lengths of the layout that `design` ranks first on the same site."""
    fits = rows(alone.paths[0])
    fits = fits[(fits.bores > 0) & (fits.area_m2 < 2500)]
    name = str(fits.parcel_id.iloc[0])
    wish = asked(town, tmp_path / "s.gpkg", full=True, where=f"parcel_id = '{name}'")
    (said,) = rows(screen(wish).paths[0]).itertuples()
    assert said.method == "full"
    lot = rows(town / "parcels.gpkg").query("parcel_id == @name")
    lot.to_file(tmp_path / "lot.gpkg", layer="lot")
    text = (town / "town.toml").read_text().replace("[site]", '[site]\nparcel = "lot.gpkg"', 1)
    for file in ("buildings.gpkg", "features.gpkg", "dem.tif"):
        text = text.replace(f'"{file}"', f'"{town / file}"')
    (tmp_path / "site.toml").write_text(text)
    first = loopgis.design(tmp_path / "site.toml").layouts[0]
    assert said.bores == len(first.bores)
    assert said.drilled_m == pytest.approx(sum(b.length_m for b in first.bores), abs=0.06)


def test_progress_tells_count_pace_and_time_left(monkeypatch):
    from loopgis.screening import work

    now = [100.0]
    monkeypatch.setattr(work.time, "monotonic", lambda: now[0])
    told = work.Told(total=1200, tell=print, taken_over=200, began=now[0])
    now[0] += 50.0
    told.add({"parcels": 100, "outcomes": {"fits": 100}, "seconds": 40.0, "rss_mb": 1.0})
    assert told.line() == "300 of 1,200 parcels, 2.00 a second, 8 min left"
    assert told.took_s == 50.0


def test_keys_of_a_single_lot_are_refused(town, tmp_path):
    here = small_town(tmp_path / "t", 2)
    file = here / "town.toml"
    file.write_text(file.read_text() + "\n[pad]\nat = [0, 0]\n")
    with pytest.raises(InputError, match="single lot"):
        screen(asked(here, tmp_path / "s.gpkg"))


# -- real processes ---------------------------------------------------------------------------------------------


@pytest.fixture
def cluster(tmp_path):
    """A real scheduler and two workers, processes of their own; gives its address, the scheduler and the workers."""
    file = tmp_path / "scheduler.json"
    made = [_start([sys.executable, "-m", "distributed.cli.dask_scheduler", "--scheduler-file", str(file), "--port", "0",
                    "--host", "127.0.0.1", "--no-dashboard", "--no-show"])]  # fmt: skip
    _wait(file.exists)
    address = json.loads(_when_written(file))["address"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny"]
    made += [_start([*worker, "--no-dashboard", "--local-directory", str(tmp_path)]) for _ in range(2)]
    yield address, made[0], made[1:]
    for process in made:
        process.kill()
        process.wait()


def _start(words):
    return subprocess.Popen(words, env=ENV, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _wait(true, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def _when_written(file: Path) -> str:
    _wait(lambda: file.read_text().rstrip().endswith("}"))
    return file.read_text()


def _parts(output: Path) -> int:
    return len(list(output.with_name(f"{output.stem}.parts").glob("part-*.parquet")))


@pytest.mark.slow
def test_killed_worker_is_survived(town, alone, tmp_path, cluster):
    address, _, workers = cluster
    output = tmp_path / "out" / "s.gpkg"
    output.parent.mkdir()
    run_ = subprocess.Popen(
        command(town, output, "--scheduler", address, "--block", "2", "--json"),
        env=ENV,
        cwd=ROOT,
        stdout=subprocess.PIPE,
    )
    _wait(lambda: _parts(output) >= 2)
    workers[0].kill()
    out, _ = run_.communicate(timeout=300)
    assert run_.returncode == 0
    assert json.loads(out)["parcels"] == PARCELS
    assert output.read_bytes() == alone.paths[0].read_bytes()


@pytest.mark.slow
def test_killed_scheduler_ends_with_one_line_and_the_run_resumes(town, alone, tmp_path, cluster):
    address, scheduler, _ = cluster
    output = tmp_path / "out" / "s.gpkg"
    output.parent.mkdir()
    run_ = subprocess.Popen(
        command(town, output, "--scheduler", address, "--block", "2"),
        env=ENV, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    _wait(lambda: _parts(output) >= 2)
    scheduler.kill()
    out, err = run_.communicate(timeout=120)
    assert run_.returncode == 3
    assert out == ""
    assert re.fullmatch(r"loopgis: error: screen: the scheduler is gone; .*\n", err), err
    done = _parts(output)
    again = screen(asked(town, output))
    assert again.taken_over >= 2 * min(done, 2)
    assert output.read_bytes() == alone.paths[0].read_bytes()


@pytest.mark.slow
def test_killed_run_leaves_nothing_half_written_and_resumes(town, alone, tmp_path):
    """kill -9 of the command in mid-run: no result, only whole parts; the same command ends the work."""
    output = tmp_path / "s.gpkg"
    words = command(town, output, "--workers", "1", "--block", "2")
    first = subprocess.Popen(words, env=ENV, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _wait(lambda: _parts(output) >= 3)
    children = psutil.Process(first.pid).children(recursive=True)
    os.kill(first.pid, signal.SIGKILL)
    first.wait()
    psutil.wait_procs(children, timeout=30)
    assert not any(c.is_running() and c.status() != psutil.STATUS_ZOMBIE for c in children), "workers outlive the run"
    assert not output.exists()
    job = job_of(asked(town, output))
    assert 6 <= len(read_parts(Path(job.folder), job.key)) < PARCELS
    done = subprocess.run([*words, "--json"], env=ENV, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["taken_over"] >= 6
    assert output.read_bytes() == alone.paths[0].read_bytes()


@pytest.mark.slow
def test_a_parcel_that_ends_its_worker_every_time_is_told_and_the_others_are_judged(town, alone, tmp_path, monkeypatch):
    """A block with such a parcel is taken apart; that parcel alone is not judged."""
    bad = int(rows(alone.paths[0]).row[5])

    def deadly(job, block):
        import os

        from loopgis.screening.work import do_block

        if bad in block.fids:
            os._exit(9)
        return do_block(job, block)

    monkeypatch.setattr(work, "do_block", deadly)
    found = rows(screen(asked(town, tmp_path / "s.gpkg", workers=1, block=3)).paths[0])
    before = rows(alone.paths[0])
    assert list(found.row[found.outcome == "not_judged"]) == [bad]
    assert "worker ended" in found.why[5]
    others = before.row != bad
    assert list(found.outcome[others]) == list(before.outcome[others])
    assert list(found.drilled_m[others]) == list(before.drilled_m[others])


@pytest.mark.slow
def test_a_worker_whose_keeper_gave_up_comes_back(town, tmp_path):
    """A keeper ends with a worker that dies before it is all up: without another one the run would wait for ever."""
    with work._client(asked(town, tmp_path / "s.gpkg", workers=1)) as client:
        (keeper,) = client.cluster.workers.values()
        client.cluster.sync(keeper.close)
        assert client.submit(len, "parcel", pure=False).result(timeout=60) == 6
        assert keeper not in client.cluster.workers.values()


def test_what_stops_a_worker_is_told_by_its_own_words(town, tmp_path, monkeypatch):
    """An error with parts travels from a worker as text: here the folder of parts goes away under it."""
    from loopgis.screening import work

    wish = asked(town, tmp_path / "s.gpkg")
    job = job_of(wish)
    block = work.blocks_of(roll_of(job), [], 2)[0]
    said = work.do_block(job, block)  # nobody made the folder
    with pytest.raises(InputError, match="cannot be written"):
        work.Told(total=2, tell=print).add(said)
