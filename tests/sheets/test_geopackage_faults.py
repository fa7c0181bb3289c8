"""Writing a GeoPackage where it cannot be written, or killed half-way."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import resource
import signal
import sqlite3
import tempfile
import time
from contextlib import closing
from typing import TYPE_CHECKING

import make
import pytest

from loopgis.core.errors import InputError
from loopgis.sheets.geopackage import write_layouts

if TYPE_CHECKING:
    from pathlib import Path

FORK = multiprocessing.get_context("fork")


def write(path: Path, version: str = "0.1") -> None:
    write_layouts(path, make.site(), make.zones(), [make.layout(1)], version=version)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("place", ["nowhere/a.gpkg", "file.txt/a.gpkg", "/sys/a.gpkg", "folder"])
def test_a_place_that_cannot_be_written_is_told_in_one_line(tmp_path, place):
    (tmp_path / "file.txt").write_text("x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="cannot be written") as caught:
        write(tmp_path / place)
    assert str(tmp_path / place) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file.txt", "folder"]


def _write_with_little_room(path: Path, limit_bytes: int, answer) -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, resource.RLIM_INFINITY))
    try:
        write(path, "0.2")
    except InputError as error:
        answer.send(str(error))


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.97])
def test_a_full_disk_is_told_in_one_line_and_the_old_file_stays(tmp_path, monkeypatch, share):
    """A size limit of the process stands in for the full disk; it strikes in the draft, at layers or at side tables."""
    drafts = tmp_path / "drafts"
    drafts.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(drafts))
    path = tmp_path / "layouts.gpkg"
    write(path)
    before = digest(path)
    here, there = FORK.Pipe()
    child = FORK.Process(target=_write_with_little_room, args=(path, int(path.stat().st_size * share), there))
    child.start()
    child.join(30)
    assert here.poll(1), "no InputError"
    said = here.recv()
    assert "cannot be written" in said
    assert "\n" not in said
    assert digest(path) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["drafts", "layouts.gpkg"]
    assert list(drafts.iterdir()) == []


def _write_for_ever(path: Path) -> None:
    for i in range(10**6):
        write(path, str(i))


def test_a_killed_run_leaves_the_old_file_or_the_new_one(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    path = tmp_path / "layouts.gpkg"
    write(path, "old")
    size = path.stat().st_size
    for pause in (0.1, 0.25, 0.4, 0.55):
        child = FORK.Process(target=_write_for_ever, args=(path,))
        child.start()
        time.sleep(pause)
        os.kill(child.pid, signal.SIGKILL)
        child.join(20)
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            said = json.loads(db.execute("SELECT metadata FROM gpkg_metadata").fetchone()[0])
            assert said["version"] == "old" or said["version"].isdigit()
            assert db.execute("SELECT count(*) FROM layer_styles").fetchone() == (13,)
        assert path.stat().st_size == pytest.approx(size, rel=0.02)
        assert not path.with_name("layouts.gpkg-journal").exists()
