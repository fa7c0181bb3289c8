"""Files in use: locked, with rows in a write-ahead log, cut off in a transaction, on closed media, behind links, written by two."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager, nullcontext
from dataclasses import replace
from typing import TYPE_CHECKING

import make
import numpy as np
import pytest
from places import FORK, closed, digests, mounted, put, said, site, sound, verbs, world

import loopgis
from loopgis.core import in_use
from loopgis.core.atomic import check_folder, replaced_file, replaced_files
from loopgis.core.errors import InputError
from loopgis.core.in_use import is_settled, readable, refuse_open
from loopgis.field.log_read import read_logs
from loopgis.rules.audit_ground import find_ground
from loopgis.rules.audit_read import OwnFrame, open_package, read_layer
from loopgis.sheets.gpkg_copy import copied
from loopgis.sheets.layout_file import LayoutFile
from loopgis.sheets.tablet_bundle import write_crew_package
from loopgis.site.drawn import sheet_of
from loopgis.site.log import Log

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CHANGE = """
UPDATE gpkg_metadata SET metadata = replace(metadata, '"site": "', '"site": "Changed ');
UPDATE bores SET source = 'surveyed';
"""
HOLDER = """
import os, signal, sqlite3, sys
path, how, sql = sys.argv[1:]
db = sqlite3.connect(path, isolation_level=None)
for name in ("IsEmpty", "MinX", "MaxX", "MinY", "MaxY"):
    db.create_function("ST_" + name, 1, lambda _: 0)
if how == "locked":
    db.execute("BEGIN EXCLUSIVE")
if how.startswith("log"):
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
if how.startswith("journal"):
    db.execute("CREATE TABLE IF NOT EXISTS room (a)")
    db.execute("PRAGMA cache_size = 2")
if how != "locked":
    db.execute("BEGIN IMMEDIATE")
    for part in sql.split(";"):
        db.execute(part)
if how.startswith("log"):
    db.execute("COMMIT")
if how.startswith("journal"):
    db.executemany("INSERT INTO room VALUES (?)", [("x" * 900,)] * 3000)
print("ready", flush=True)
if how.endswith("killed"):
    os.kill(os.getpid(), signal.SIGKILL)
sys.stdin.read()
"""


@contextmanager
def held(path: Path, how: str, sql: str = CHANGE) -> Iterator[None]:
    """Another process has a database "locked", rows in its "log", half a transaction ("journal"), or was killed so."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path), how, sql], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert other.stdout.readline() == b"ready\n"
        if how.endswith("killed"):
            other.wait(20)
        yield
    finally:
        other.kill()
        other.communicate()


def changed(path: Path) -> None:
    """The same change, saved and closed."""
    with held(path, "log"), closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = DELETE")


@contextmanager
def untouched(folder: Path) -> Iterator[None]:
    """Nothing in a folder changes, no file comes or goes (what SQLite's readers note in the shared memory file aside)."""
    before = {k: v for k, v in digests(folder).items() if not k.endswith("-shm")}
    names = sorted(digests(folder))
    yield
    assert {k: v for k, v in digests(folder).items() if not k.endswith("-shm")} == before
    assert sorted(digests(folder)) == names


@pytest.fixture(scope="module")
def layouts(tmp_path_factory) -> Path:
    """A layouts file from the dataclasses alone."""
    return make.written(tmp_path_factory.mktemp("layouts") / "layouts.gpkg")


def _audit(path: Path) -> object:
    package = open_package(path)
    frame = OwnFrame(str(path), read_layer(package, "parcel"))
    ground = find_ground(package, frame, np.array([-20.0, -20.0, 20.0, 20.0]), None)
    return package.metadata["site"], read_layer(package, "bores").text("source"), ground.source


def _crew_sheets(path: Path) -> object:
    file = LayoutFile(path)
    return file.said["site"], [r["source"] for r in file.rows("bores")]


def _score(path: Path) -> object:
    sheet = sheet_of(path, make.frame("EPSG:32618"), Log())
    return sheet.said["site"], [line.source for line in sheet.lines]


def _copy(path: Path) -> object:
    target = path.parent.parent / "copies" / "crew.gpkg"
    target.parent.mkdir(exist_ok=True)
    with copied(path, target):
        pass
    return _crew_sheets_of_copy(target)


def _crew_sheets_of_copy(path: Path) -> object:
    with closing(sqlite3.connect(path)) as db:
        said_of = db.execute("SELECT metadata FROM gpkg_metadata").fetchone()[0]
        return "Changed" in said_of, db.execute("SELECT source FROM bores").fetchall()


def _log(path: Path) -> object:
    return read_logs(path).entries


READERS = {"audit, setbacks": _audit, "drill, tablet, asbuilt": _crew_sheets, "score": _score, "copies": _copy}


# -- what is read ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["log", "log killed", "log closed"])
def test_rows_of_a_write_ahead_log_are_seen_and_nothing_is_touched(layouts, tmp_path, how):
    home = tmp_path / "home"
    home.mkdir()
    path, plain = home / "a.gpkg", tmp_path / "plain.gpkg"
    shutil.copy(layouts, path)
    shutil.copy(layouts, plain)
    before = {name: reader(plain) for name, reader in READERS.items()}
    changed(plain)
    wanted = {name: reader(plain) for name, reader in READERS.items()}
    assert all(wanted[name] != before[name] for name in READERS)
    if how == "log closed":
        changed(path)
        with closing(sqlite3.connect(path)) as db:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA user_version = 10200")
    with held(path, how) if how != "log closed" else nullcontext(), untouched(home):
        if how != "log closed":
            assert path.with_name("a.gpkg-wal").stat().st_size
        assert {name: reader(path) for name, reader in READERS.items()} == wanted


@pytest.mark.parametrize("how", ["journal", "journal killed"])
def test_half_a_transaction_is_never_read(layouts, tmp_path, how):
    """The state before the transaction is read; the file with its journal stays as it is, for the program that owns it."""
    home = tmp_path / "home"
    home.mkdir()
    path = home / "a.gpkg"
    shutil.copy(layouts, path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE room (a)")
        db.commit()
    saved = path.read_bytes()
    wanted = {name: reader(layouts) for name, reader in READERS.items()}
    with held(path, how), untouched(home):
        assert path.read_bytes() != saved
        assert path.with_name("a.gpkg-journal").stat().st_size
        assert {name: reader(path) for name, reader in READERS.items()} == wanted
    with closing(sqlite3.connect(path)) as db:  # its own program can still take the half back
        assert "Changed" not in db.execute("SELECT metadata FROM gpkg_metadata").fetchone()[0]
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_locked_file_is_told_in_one_line(layouts, tmp_path, monkeypatch):
    monkeypatch.setattr(in_use, "LOCKED_S", 0.1)
    home = tmp_path / "home"
    home.mkdir()
    path = home / "a.gpkg"
    shutil.copy(layouts, path)
    with held(path, "locked"), untouched(home):
        for reader in READERS.values():
            with pytest.raises(InputError, match=r"is locked by another program.*; save and close it there") as caught:
                reader(path)
            assert str(path) in str(caught.value)
            assert "\n" not in str(caught.value)


def test_a_lock_that_goes_is_waited_for(layouts, tmp_path):
    path = tmp_path / "a.gpkg"
    shutil.copy(layouts, path)
    with held(path, "locked"):
        child = FORK.Process(target=_audit, args=(path,))
        child.start()
        time.sleep(0.3)
        assert child.is_alive()
    child.join(20)
    assert child.exitcode == 0


def test_layers_of_a_site_in_use(tmp_path, monkeypatch):
    """A depth that is saved into the write-ahead log only is read; one that is half saved is not; a lock is told."""
    home = tmp_path / "home"
    file = site(home)
    features = home / "features.gpkg"
    sql = "UPDATE gas SET depth_m = 1.7"
    with held(features, "log", sql), untouched(home):
        found = loopgis.read_site(file)
        assert [f.depth_m for f in found.features] == [1.7]
    with closing(sqlite3.connect(features)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
    with held(features, "journal killed", "UPDATE gas SET depth_m = 2.2"), untouched(home):
        found = loopgis.read_site(file)
        assert [f.depth_m for f in found.features] == [1.7]
    monkeypatch.setattr(in_use, "LOCKED_S", 0.1)
    for name in ("lot.gpkg", "houses.gpkg"):
        with held(home / name, "locked"), untouched(home):
            _, err = said(["check", file], code=3)
            out, _ = said(["check", file], code=3)
            assert f"{name}: is locked by another program" in out + err


def test_the_digest_of_a_layer_tells_what_stands_in_the_log(tmp_path):
    file = site(tmp_path / "home")
    features = tmp_path / "home" / "features.gpkg"
    with closing(sqlite3.connect(features)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    before = {s.path: s.sha256 for s in loopgis.read_site(file).sources}
    with held(features, "log", "UPDATE gas SET depth_m = 1.7"):
        after = {s.path: s.sha256 for s in loopgis.read_site(file).sources}
    assert {p for p in before if before[p] != after[p]} == {"features.gpkg"}


def test_a_link_to_a_file_in_use(layouts, tmp_path):
    real, link = tmp_path / "real.gpkg", tmp_path / "links" / "l.gpkg"
    shutil.copy(layouts, real)
    link.parent.mkdir()
    link.symlink_to(real)
    with held(real, "log"), untouched(tmp_path):
        assert _audit(link)[0].startswith("Changed")
        assert _crew_sheets(link)[0].startswith("Changed")
        with pytest.raises(InputError, match=r"real\.gpkg-wal lies beside it"):
            refuse_open(link)
    plain = tmp_path / "plain.gpkg"
    plain.symlink_to(layouts)
    assert readable(plain) == plain


def test_rods_in_the_log_of_a_crews_file_count(layouts, tmp_path):
    crew = write_crew_package(layouts, tmp_path / "crew.gpkg", "L-01")
    row = "INSERT INTO rod_log (bore_id, rod, depth_m, pitch_pct) VALUES ('B-01', 1, 1.0, -20.0)"
    with held(crew, "log", row), untouched(tmp_path):
        assert [e.rod for e in read_logs(crew).entries] == [1]


def test_a_copy_is_renewed_when_the_file_changes_and_kept_when_not(layouts, tmp_path):
    path = tmp_path / "a.gpkg"
    shutil.copy(layouts, path)
    with held(path, "log"):
        first = readable(path)
        assert readable(path) == first != path
        assert not is_settled(path)
    with held(path, "log", "DELETE FROM bores"):
        assert _crew_sheets_of_copy(readable(path))[1] == []
    assert not first.exists() or readable(path) == first


def test_a_file_that_never_rests_is_told(layouts, tmp_path, monkeypatch):
    monkeypatch.setattr(in_use, "_TRIES", 3)
    path = tmp_path / "a.gpkg"
    shutil.copy(layouts, path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    monkeypatch.setattr(in_use, "_copy_all", lambda *_: path.touch())
    with pytest.raises(InputError, match="is being written to by another program all the time"):
        readable(path)


def test_a_copy_waits_until_the_last_change_is_older_than_a_tick_of_the_clock(layouts, tmp_path, monkeypatch):
    """What is written while it is copied could bear the time of what was written just before."""
    path, ages = tmp_path / "a.gpkg", []
    shutil.copy(layouts, path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    real = in_use._copy_all

    def watched(source: Path, copy: Path) -> None:
        ages.append(time.time() - source.stat().st_mtime)
        real(source, copy)

    monkeypatch.setattr(in_use, "_copy_all", watched)
    path.touch()
    readable(path)
    assert len(ages) == 1
    assert ages[0] >= 0.05


def test_no_room_for_a_copy_is_told(layouts, tmp_path, monkeypatch):
    path = tmp_path / "a.gpkg"
    shutil.copy(layouts, path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(in_use, "_copy_all", full)
    with pytest.raises(InputError, match=r"no copy of it can be made in .*No space left.*TMPDIR"):
        readable(path)


def test_a_screening_refuses_parcels_in_use(tmp_path, monkeypatch):
    monkeypatch.setattr(in_use, "LOCKED_S", 0.1)
    parcels = put(tmp_path / "parcels.gpkg", "parcels", make.shapely.box(0, 0, 50, 50), id="1")
    (tmp_path / "town.toml").write_text("[site]\n")
    args = ["screen", parcels, "--site", tmp_path / "town.toml", "-o", tmp_path / "s.gpkg", "--workers", "0"]
    for how, says in (("locked", "is locked by another"), ("log", "is open in another program, and a screening reads")):
        with held(parcels, how, "UPDATE parcels SET id = '2'"), untouched(tmp_path):
            _, err = said(args, code=3)
        assert says in err
        assert err.count("\n") == 1


@pytest.mark.parametrize("how", ["log killed", "log closed", "journal killed"])
def test_closed_media(layouts, tmp_path, how):
    """Files left in use and burnt so: every reader takes what was saved last."""
    with mounted(tmp_path / "disk") as disk:
        path = disk / "a.gpkg"
        shutil.copy(layouts, path)
        with closing(sqlite3.connect(path)) as db:
            db.execute("CREATE TABLE room (a)")
            db.commit()
            if how == "log closed":
                db.execute("PRAGMA journal_mode = WAL")
        with held(path, how) if how != "log closed" else nullcontext():
            closed(disk)
        for name, reader in READERS.items():
            if name != "copies":
                sees = reader(path)[0].startswith("Changed")
                assert sees == (how == "log killed"), name
        target = tmp_path / "crew.gpkg"
        write_crew_package(path, target, "L-01")
        assert _crew_sheets_of_copy(target)[0] == (how == "log killed")


# -- what is written ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["log", "log killed", "journal", "journal killed", "locked"])
def test_a_file_in_use_is_not_replaced(layouts, tmp_path, how):
    """A new file beside an old one's journal would be spoilt by it."""
    path = tmp_path / "layouts.gpkg"
    shutil.copy(layouts, path)
    with held(path, how), untouched(tmp_path):
        with (
            pytest.raises(InputError, match=r"cannot be replaced: .*; close it there first") as caught,
            replaced_file(path) as temp,
        ):
            temp.write_bytes(b"new")
        assert "\n" not in str(caught.value)
        with pytest.raises(InputError, match="cannot be replaced"):
            check_folder(tmp_path, ("layouts.gpkg",), overwrite=True)
        with pytest.raises(InputError, match="cannot be replaced"), replaced_files([path]) as (temp,):
            temp.write_bytes(b"new")


def test_a_file_that_is_opened_while_we_write_is_not_replaced(layouts, tmp_path):
    path = tmp_path / "layouts.gpkg"
    shutil.copy(layouts, path)
    with pytest.raises(InputError, match="cannot be replaced"), replaced_file(path) as temp:  # noqa: PT012
        temp.write_bytes(b"new")
        holder = held(path, "log")
        holder.__enter__()
    holder.__exit__(None, None, None)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_files_that_a_reader_left_do_not_stand_in_the_way(layouts, tmp_path):
    """A reader leaves an empty log behind; nobody has the file open any more."""
    path = tmp_path / "layouts.gpkg"
    shutil.copy(layouts, path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        db.execute("SELECT count(*) FROM bores").fetchone()
    assert path.with_name("layouts.gpkg-shm").exists()
    with replaced_file(path) as temp:
        shutil.copy(layouts, temp)
    assert _audit(path) == _audit(layouts)


def test_output_through_links_and_onto_the_input(layouts, tmp_path):
    """A copy onto its own file, and through a link to it: the link stays, the file is the copy."""
    real, link = tmp_path / "real.gpkg", tmp_path / "link.gpkg"
    shutil.copy(layouts, real)
    link.symlink_to(real)
    write_crew_package(link, link, "L-01")
    assert link.is_symlink()
    with closing(sqlite3.connect(real)) as db:
        assert db.execute("SELECT count(*) FROM rod_log").fetchone() == (0,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.gpkg", "real.gpkg"]


def _together(home: Path, word: str, times: int) -> None:
    for _ in range(times):
        with replaced_files([home / "b.gpkg", home / "b.pdf"]) as temps:
            for temp in temps:
                temp.write_text(word)


def test_two_processes_that_write_the_same_files_never_mix(tmp_path):
    runs = [FORK.Process(target=_together, args=(tmp_path, word, 25)) for word in ("one", "two")]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
    assert [run.exitcode for run in runs] == [0, 0]
    assert len({p.read_text() for p in tmp_path.iterdir()}) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.gpkg", "b.pdf"]


def test_an_output_that_is_an_input_is_refused(tmp_path):
    """A screening onto its parcels, an as-built onto a log: even with --overwrite nothing is lost."""
    parcels = put(tmp_path / "parcels.gpkg", "parcels", make.shapely.box(0, 0, 50, 50), id="1")
    (tmp_path / "town.toml").write_text("[site]\n")
    (tmp_path / "a.json").write_text("{}")
    (tmp_path / "link.gpkg").symlink_to(parcels)
    with untouched(tmp_path):
        for output in (parcels, tmp_path / "link.gpkg"):
            args = ["screen", parcels, "--site", tmp_path / "town.toml", "-o", output, "--overwrite", "--workers", "0"]
            assert "was not made by loopgis and is not replaced" in said(args, code=3)[1]
        _, err = said(["asbuilt", parcels, tmp_path / "a.json", "-o", tmp_path / "a.json", "--overwrite"], code=3)
        assert "a.json: is no name for a file that ends in .gpkg" in err


def test_a_file_that_comes_up_while_we_write_is_not_replaced_unless_asked(tmp_path, monkeypatch):
    """Both of two runs found the place empty: the first stays, on a disk with links in one step, on another one too."""
    place, pair = tmp_path / "a.txt", [tmp_path / "a.txt", tmp_path / "b.txt"]
    for links in (True, False):
        if not links:
            monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(errno.EPERM, "no links here")))
        with pytest.raises(InputError, match=r"a\.txt: is there already; use --overwrite"):
            _written_late(place)
        with pytest.raises(InputError, match=r"already holds a\.txt"), replaced_files(pair, overwrite=False):
            pass
        assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a.txt": "first"}
        place.unlink()
        with replaced_file(place, overwrite=False) as temp:
            temp.write_text("alone")
        assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a.txt": "alone"}
        with replaced_file(place) as temp:
            temp.write_text("asked")
        assert place.read_text() == "asked"
        place.unlink()


def _written_late(place: Path) -> None:
    with replaced_file(place, overwrite=False) as temp:
        temp.write_text("second")
        place.write_text("first")


def test_results_never_take_the_place_of_what_they_come_from(layouts, tmp_path):
    """With --overwrite too, by another name too: scored onto the edited file, as-built onto a log, plan set onto its title."""
    for name in ("edited.gpkg", "crew.gpkg"):
        shutil.copy(layouts, tmp_path / name)
    (tmp_path / "other.gpkg").symlink_to(tmp_path / "edited.gpkg")
    files = tmp_path / "permit"
    files.mkdir()
    shutil.copy(layouts, files / "setbacks.gpkg")
    (tmp_path / "raster.pdf").write_bytes(b"a raster by an odd name")
    (tmp_path / "site.toml").write_text("")
    lost = "which would be lost"
    with untouched(tmp_path):
        for out in ("edited.gpkg", "other.gpkg"):
            args = ["score", tmp_path / "edited.gpkg", "--site", tmp_path / "site.toml", "-o", tmp_path / out]
            assert lost in said([*args, "--overwrite"], code=3)[1]
            assert lost in said(args, code=3)[1]
        args = [
            "asbuilt",
            tmp_path / "edited.gpkg",
            tmp_path / "crew.gpkg",
            "-o",
            tmp_path / "crew.gpkg",
            "--overwrite",
        ]
        assert lost in said(args, code=3)[1]
        args = ["setbacks", files / "setbacks.gpkg", "-o", tmp_path / "p.pdf", "--files", files, "--overwrite"]
        assert "holds setbacks.gpkg, an input of this run" in said(args, code=3)[1]
        args = [
            "setbacks",
            layouts,
            "-o",
            tmp_path / "raster.pdf",
            "--elevation",
            tmp_path / "raster.pdf",
            "--overwrite",
        ]
        assert lost in said(args, code=3)[1]


def test_a_design_does_not_replace_what_it_was_made_from(tmp_path):
    """Bores kept from the results of last year, results of this year into the same folder."""
    built = site(tmp_path)
    design = loopgis.design(loopgis.read_site(built), effort=0)
    out = tmp_path / "out"
    assert out / "layouts.gpkg" in design.write(out, pictures=False)
    kept = loopgis.read_site(built)
    source = replace(kept.sources[0], role="keep", path="out/layouts.gpkg")
    again = replace(design, site=replace(kept, sources=(*kept.sources, source)))
    with untouched(tmp_path), pytest.raises(InputError, match=r"holds layouts\.gpkg, an input of this run"):
        again.write(out, overwrite=True, pictures=False)


# -- the verbs ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return world(tmp_path_factory.mktemp("world"))


def test_readings_of_a_crew_are_not_written_over(made, tmp_path):
    """A new folder for the crew onto the old one, whose crew.gpkg came back with readings."""
    to, layouts = tmp_path / "tablet", made / "out" / "layouts.gpkg"
    said(["tablet", layouts, "-o", to])
    said(["tablet", layouts, "-o", to, "--overwrite"])
    with closing(sqlite3.connect(to / "crew.gpkg")) as db, db:
        db.execute(
            "INSERT INTO rod_log (entry_id, layout_id, bore_id, rod, depth_m) VALUES ('e1', 'L-01', 'B-01', 3, 1.2)"
        )
    with untouched(tmp_path):
        _, err = said(["tablet", layouts, "-o", to, "--overwrite"], code=3)
    assert "crew.gpkg: holds 1 readings of the crew, which would be lost" in err
    assert "loopgis asbuilt" in err


VERBS = ("layout", "score", "drill", "tablet", "asbuilt", "setbacks", "screen")


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_two_runs_of_a_verb_into_one_place(made, tmp_path, verb):
    """Both with --overwrite, then both without into nothing: one result, whole; who comes too late says one line."""
    alone, to = tmp_path / "alone", tmp_path / "to"
    alone.mkdir()
    said(verbs(made, alone)[verb][0])
    for more in (["--overwrite"], []):
        shutil.rmtree(to, ignore_errors=True)
        to.mkdir()
        args = [str(a) for a in [*verbs(made, to)[verb][0], *more]]
        runs = [
            subprocess.Popen([sys.executable, "-m", "loopgis", *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
            for _ in range(2)
        ]
        talk = [r.communicate(timeout=240)[1].decode() for r in runs]
        codes = [r.returncode for r in runs]
        assert sorted(codes) in ([0, 3], [0, 0] if more else [0, 3])
        for code, text in zip(codes, talk, strict=True):
            assert code == 0 or text.strip().count("\n") == 0
        sound(to)
        assert digests(to) == digests(alone)


@pytest.mark.slow
@pytest.mark.parametrize("verb", ["score", "drill", "tablet", "asbuilt", "setbacks"])
def test_a_verb_reads_what_was_saved_last(made, tmp_path, verb):
    """Layouts open elsewhere, with rows in the log: the results are those of the file as saved, and the file stays as it is."""
    home, plain, to, other = (
        tmp_path / n for n in ("home/lot", "plain/lot", "to", "other")
    )  # the folder names the site
    for folder in (home, plain):
        shutil.copytree(made, folder)
    for folder in (to, other):
        folder.mkdir()
    with closing(sqlite3.connect(plain / "out" / "layouts.gpkg")) as db:
        db.executescript(CHANGE.split(";", maxsplit=1)[0] + ";")
    said(verbs(plain, other)[verb][0])
    with held(home / "out" / "layouts.gpkg", "log", CHANGE.split(";", maxsplit=1)[0]), untouched(home):
        said(verbs(home, to)[verb][0])
    assert set(digests(to)) == set(digests(other))
    same = [k for k, v in digests(to).items() if v == digests(other)[k]]
    assert same


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_a_verb_does_not_replace_what_is_open(made, tmp_path, verb):
    to = tmp_path / "to"
    to.mkdir()
    args = verbs(made, to)[verb][0]
    said(args)
    found = sorted(to.rglob("*.gpkg"))
    if not found:
        pytest.skip("writes no database")
    with held(found[0], "log", "CREATE TABLE mine (a)"), untouched(to):
        _, err = said([*args, "--overwrite"], code=3)
        assert "cannot be replaced: it is open in another program" in err
        assert err.count("\n") == 1
