"""Old or new, whole: files and folders that are replaced in one step, whatever goes wrong."""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import time
from pathlib import Path

import pytest

from loopgis.core.atomic import check_folder, replaced_file, replaced_folder
from loopgis.core.errors import InputError

FORK = multiprocessing.get_context("fork")
OURS = ("summary.json", "L-*.png")


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def fill(folder: Path, word: str, *, pictures: int = 2, overwrite: bool = False) -> None:
    with replaced_folder(folder, OURS, overwrite=overwrite) as temp:
        (temp / "summary.json").write_text(word)
        for i in range(pictures):
            (temp / f"L-{i}.png").write_text(word)


def break_off(temp: Path, **files: str) -> None:
    """Write files beside or into the temporary place, then fail for a reason of our own."""
    for name, text in files.items():
        (temp / name if temp.is_dir() else temp.with_name(temp.name + name.replace("_", "-"))).write_text(text)
    raise ZeroDivisionError


# -- one file ----------------------------------------------------------------------------------------------------


def test_a_file_appears_only_when_it_is_whole(tmp_path):
    path = tmp_path / "a.txt"
    with replaced_file(path) as temp:
        temp.write_text("half")
        assert not path.exists()
        assert temp.parent == tmp_path
    assert path.read_text() == "half"
    assert names(tmp_path) == ["a.txt"]


def test_an_exception_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "a.gpkg"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), replaced_file(path) as temp:
        break_off(temp, **{"": "new", "_journal": "x"})
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.gpkg"]


def test_a_file_with_an_open_journal_is_not_put_in_place(tmp_path):
    path = tmp_path / "a.gpkg"
    with pytest.raises(InputError, match="-wal"), replaced_file(path) as temp:
        temp.with_name(temp.name + "-wal").write_text("x")
    assert names(tmp_path) == []


def test_rights_are_kept_and_links_written_through(tmp_path):
    real = tmp_path / "real.txt"
    real.write_text("old")
    real.chmod(0o640)
    link = tmp_path / "link.txt"
    link.symlink_to(real)
    with replaced_file(link) as temp:
        temp.write_text("new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert real.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    "place", [Path("nowhere") / "a.txt", Path("file.txt") / "a.txt", Path("/sys/loopgis.txt"), Path("folder")]
)
def test_a_place_that_cannot_be_written_is_told_in_one_line(tmp_path, place):
    (tmp_path / "file.txt").write_text("x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="cannot be written") as caught, replaced_file(tmp_path / place) as temp:
        temp.write_text("new")
    assert str(tmp_path / place) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert names(tmp_path) == ["file.txt", "folder"]


def test_an_error_about_another_file_stays_what_it_is(tmp_path):
    with pytest.raises(FileNotFoundError), replaced_file(tmp_path / "out" / ".." / "a.txt"):
        Path("/nowhere/template.html").read_text()
    assert names(tmp_path) == []


def _write_too_much(path: Path, answer) -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.RLIM_INFINITY))
    try:
        with replaced_file(path) as temp:
            temp.write_bytes(b"x" * 5000)
    except InputError as error:
        answer.send(str(error))


def test_a_full_disk_leaves_the_old_file(tmp_path):
    """A size limit of the process stands in for the full disk: the system answers a write with an OSError in both cases."""
    path = tmp_path / "a.txt"
    path.write_text("old")
    here, there = FORK.Pipe()
    child = FORK.Process(target=_write_too_much, args=(path, there))
    child.start()
    child.join(20)
    assert here.poll(1)
    assert "cannot be written (File too large)" in here.recv()
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


# -- a folder ----------------------------------------------------------------------------------------------------


def test_a_new_folder_appears_whole(tmp_path):
    out = tmp_path / "out"
    fill(out, "new")
    assert names(out) == ["L-0.png", "L-1.png", "summary.json"]
    assert names(tmp_path) == ["out"]
    assert out.stat().st_mode & 0o777 == 0o777 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_foreign_files_and_the_folder_itself_stay(tmp_path):
    out = tmp_path / "out"
    (out / "photos").mkdir(parents=True)
    (out / "photos" / "1.jpg").write_text("photo")
    (out / "notes.txt").write_text("mine")
    before = out.stat().st_ino, (out / "photos").stat().st_ino, (out / "notes.txt").stat().st_ino
    fill(out, "new")
    assert (out.stat().st_ino, (out / "photos").stat().st_ino, (out / "notes.txt").stat().st_ino) == before
    assert names(out) == ["L-0.png", "L-1.png", "notes.txt", "photos", "summary.json"]
    assert (out / "photos" / "1.jpg").read_text() == "photo"


def test_results_in_the_way_are_named_and_kept(tmp_path):
    out = tmp_path / "out"
    fill(out, "old")
    with pytest.raises(InputError, match=r"already holds L-0\.png.*--overwrite"):
        fill(out, "new")
    with pytest.raises(InputError, match="--overwrite"):
        check_folder(out, OURS, overwrite=False)
    assert (out / "summary.json").read_text() == "old"
    assert names(tmp_path) == ["out"]


def test_overwriting_removes_older_results_that_are_no_longer_made(tmp_path):
    out = tmp_path / "out"
    fill(out, "old", pictures=4)
    (out / "notes.txt").write_text("mine")
    fill(out, "new", pictures=1, overwrite=True)
    assert names(out) == ["L-0.png", "notes.txt", "summary.json"]
    assert (out / "summary.json").read_text() == "new"


def test_a_result_that_came_while_we_worked_is_not_overwritten(tmp_path):
    out = tmp_path / "out"
    with pytest.raises(InputError, match="already holds"), replaced_folder(out, OURS, overwrite=False):
        fill(out, "theirs")
    assert (out / "summary.json").read_text() == "theirs"
    assert names(tmp_path) == ["out"]


def test_an_exception_in_the_work_leaves_all_as_it_was(tmp_path):
    out = tmp_path / "out"
    fill(out, "old")
    with pytest.raises(ZeroDivisionError), replaced_folder(out, OURS, overwrite=True) as temp:
        break_off(temp, **{"summary.json": "new"})
    assert {p.read_text() for p in out.iterdir()} == {"old"}
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_failure_while_moving_in_is_taken_back(tmp_path, monkeypatch, at):
    out = tmp_path / "out"
    fill(out, "old", pictures=1)
    real, calls = Path.replace, []

    def failing(self, target):
        calls.append(target)
        if len(calls) == at:
            raise OSError(5, "Input/output error", str(self))
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(InputError, match="Input/output error"):
        fill(out, "new", pictures=2, overwrite=True)
    assert {p.name: p.read_text() for p in out.iterdir()} == {"L-0.png": "old", "summary.json": "old"}
    assert names(tmp_path) == ["out"]


def test_the_current_folder_can_be_the_output(tmp_path, monkeypatch):
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    fill(Path(), "new")
    assert names(Path.cwd()) == ["L-0.png", "L-1.png", "summary.json"]
    assert names(tmp_path) == ["here"]


def test_missing_folders_above_are_made_and_go_again_on_failure(tmp_path):
    fill(tmp_path / "a" / "b" / "out", "new")
    assert names(tmp_path / "a" / "b") == ["out"]
    with pytest.raises(RuntimeError), replaced_folder(tmp_path / "c" / "d" / "out", ("*.png",), overwrite=False):
        raise RuntimeError
    assert names(tmp_path) == ["a"]


@pytest.mark.parametrize(
    ("place", "what"),
    [
        ("file.txt", "is a file"),
        ("/sys/loopgis", "cannot be written"),
        ("file.txt/out", "is a file"),
    ],
)
def test_a_folder_that_cannot_be_made_is_told_in_one_line(tmp_path, place, what):
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(InputError, match=what) as caught:
        fill(tmp_path / place, "new")
    assert str(tmp_path / place) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert names(tmp_path) == ["file.txt"]


def _fill_often(out: Path, word: str, times: int) -> None:
    for _ in range(times):
        fill(out, word, overwrite=True)


def test_two_runs_into_one_folder_never_mix(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    runs = [FORK.Process(target=_fill_often, args=(out, word, 25)) for word in ("one", "two")]
    for run in runs:
        run.start()
    for run in runs:
        run.join(30)
    assert [run.exitcode for run in runs] == [0, 0]
    assert len({p.read_text() for p in out.iterdir()}) == 1
    assert names(tmp_path) == ["out"]


def _write_for_ever(path: Path) -> None:
    for i in range(10**9):
        with replaced_file(path) as temp:
            temp.write_text(f"{i}\n" * 20_000)


def test_a_killed_run_never_leaves_half_a_file(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old\n" * 20_000)
    for pause in (0.05, 0.06, 0.07, 0.08):
        child = FORK.Process(target=_write_for_ever, args=(path,))
        child.start()
        time.sleep(pause)
        os.kill(child.pid, signal.SIGKILL)
        child.join(20)
        lines = path.read_text().splitlines()
        assert len(lines) == 20_000
        assert len(set(lines)) == 1
