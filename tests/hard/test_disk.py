"""Full disks, closed disks, closed folders and files: one line, the exit code for bad input, everything as it was, nothing left."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
from places import FORK, again, closed, digests, full_at, mounted, said, verbs, world

from loopgis.core.atomic import replaced_file, replaced_files, replaced_folder
from loopgis.core.errors import InputError

OURS = ("*.txt", "*.png")
VERBS = ("layout", "score", "drill", "tablet", "asbuilt", "setbacks", "screen")


def fill(out: Path, word: str) -> None:
    with replaced_folder(out, OURS, overwrite=True) as temp:
        (temp / "a.txt").write_text(word)
        (temp / "b.png").write_text(word)


def write_file(out: Path, word: str) -> None:
    with replaced_file(out / "a.txt") as temp:
        temp.write_text(word)


def write_files(out: Path, word: str) -> None:
    with replaced_files([out / "a.txt", out / "b.png"]) as temps:
        for temp in temps:
            temp.write_text(word)


@pytest.mark.parametrize("write", [write_file, write_files, fill])
def test_a_disk_that_is_full_at_any_step(tmp_path, write):
    """Either the line is said and all is as it was, or the step did not matter and all is new; nothing else is left."""
    kept, home = tmp_path / "kept", tmp_path / "home"
    kept.mkdir()
    for name in ("a.txt", "b.png", "c.png", "notes"):
        (kept / name).write_text("old")
    if write is not fill:
        (kept / "c.png").unlink()
    again(kept, home)
    write(home, "new")
    old, new, met = digests(kept), digests(home), []
    for at in range(1, 200):
        again(kept, home)
        steps, line = full_at(at, lambda: write(home, "new"))
        assert digests(home) == (old if line else new), (at, line)
        assert sorted(p.name for p in tmp_path.iterdir()) == ["home", "kept"]
        met.append(bool(line))
        if line:
            assert str(home) in line
            assert "No space left" in line
            assert "\n" not in line
        if steps < at:
            break
    assert sum(met) >= 5
    assert not met[-1]


def test_an_error_in_the_wake_of_a_full_disk_is_told_as_that(tmp_path):
    """A library that falls a second time while it closes its file."""

    def broken(temp: Path) -> None:
        temp.write_text("half")
        try:
            raise OSError(28, "No space left on device")
        finally:
            raise RuntimeError("inconsistent stream state")

    with (
        pytest.raises(InputError, match=r"cannot be written .No space left"),
        replaced_file(tmp_path / "a.pdf") as temp,
    ):
        broken(temp)
    with pytest.raises(RuntimeError), replaced_file(tmp_path / "a.pdf") as temp:
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_a_file_of_a_folder_that_finds_no_room_is_told_by_the_name_of_the_folder(tmp_path):
    out = tmp_path / "out"
    with (
        pytest.raises(InputError, match="No space left") as caught,
        replaced_folder(out, OURS, overwrite=True) as temp,
        replaced_file(temp / "a.txt"),
    ):
        raise OSError(28, "No space left on device")
    assert caught.value.where == str(out)
    assert list(tmp_path.iterdir()) == []


def _as_nobody(work, answer) -> None:
    os.setgid(65534)
    os.setuid(65534)
    try:
        work()
        answer.send("")
    except InputError as error:
        answer.send(str(error))


@pytest.mark.parametrize("write", [write_file, write_files, fill])
def test_a_folder_closed_to_us(write):
    """As another user: for root no folder is closed."""
    if os.getuid() != 0:
        pytest.skip("only root can become another user")
    base = Path(tempfile.mkdtemp())
    try:
        base.chmod(0o755)
        out = base / "out"
        out.mkdir()
        for name in ("a.txt", "b.png"):
            (out / name).write_text("old")
        out.chmod(0o555)
        here, there = FORK.Pipe()
        child = FORK.Process(target=_as_nobody, args=(lambda: write(out, "new"), there))
        child.start()
        child.join(20)
        line = here.recv() if here.poll(1) else "nothing"
        assert "cannot be written (Permission denied)" in line
        assert "\n" not in line
        assert {p.name: p.read_text() for p in out.iterdir()} == {"a.txt": "old", "b.png": "old"}
        assert [p.name for p in base.iterdir()] == ["out"]
    finally:
        shutil.rmtree(base)


@pytest.mark.parametrize("write", [write_file, write_files, fill])
def test_a_file_that_must_not_change(tmp_path, write):
    """One file of the results is sealed: what was put in place before it is taken back."""
    out = tmp_path / "out"
    out.mkdir()
    for name in ("a.txt", "b.png", "c.png"):
        (out / name).write_text("old")
    sealed = out / ("a.txt" if write is write_file else "b.png")
    if subprocess.run(["chattr", "+i", str(sealed)], capture_output=True, check=False).returncode:
        pytest.skip("no right to seal a file")
    try:
        with pytest.raises(InputError, match="cannot be written") as caught:
            write(out, "new")
    finally:
        subprocess.run(["chattr", "-i", str(sealed)], check=True)
    assert "\n" not in str(caught.value)
    assert {p.name: p.read_text() for p in out.iterdir()} == dict.fromkeys(("a.txt", "b.png", "c.png"), "old")
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


# -- the verbs ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return world(tmp_path_factory.mktemp("world"))


def _stuffed(disk: Path, free_bytes: int) -> None:
    """Fill a disk up to so much."""
    room = os.statvfs(disk)
    size = room.f_bavail * room.f_bsize - free_bytes
    if size > 0:
        with (disk / "stuff").open("wb") as stream:
            for _ in range(size // 4096):
                stream.write(bytes(4096))


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_a_full_disk_for_every_verb(made, tmp_path, verb):
    """Room for nothing, for a little, for half of what is written."""
    with mounted(tmp_path / "disk") as disk:
        to = disk / "to"
        to.mkdir()
        args = verbs(made, to)[verb][0]
        said(args)
        before = digests(to)
        needs = sum(p.stat().st_size for p in to.rglob("*") if p.is_file())
        for free in (0, 20_000, needs // 2):
            _stuffed(disk, free)
            _, err = said([*args, "--overwrite"], code=3)
            assert "No space left" in err, err
            assert str(disk) in err
            (line,) = [text for text in err.splitlines() if text.startswith("loopgis: ")]
            assert line.startswith("loopgis: error: ")
            (disk / "stuff").unlink()
            left = [k for k in digests(to) if k not in before and ".parts" not in k]
            assert left == []
            assert {k: v for k, v in digests(to).items() if k in before} == before
            assert sorted(p.name for p in disk.iterdir()) == ["to"]
        said([*args, "--overwrite"])
        assert digests(to) == before


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_a_full_temporary_folder_for_every_verb(made, tmp_path, monkeypatch, verb):
    to = tmp_path / "to"
    to.mkdir()
    args = verbs(made, to)[verb][0]
    said(args)
    before = digests(to)
    with mounted(tmp_path / "disk", "1m") as disk:
        monkeypatch.setattr(tempfile, "tempdir", str(disk))
        monkeypatch.setenv("TMPDIR", str(disk))
        for free in (0, 60_000):
            _stuffed(disk, free)
            writes = verb != "drill"
            _, err = said([*args, "--overwrite"], code=3 if writes else 0)
            assert ("No space left" in err and "TMPDIR" in err) == writes, err
            assert len([text for text in err.splitlines() if text.startswith("loopgis: ")]) == writes
            (disk / "stuff").unlink()
            assert list(disk.iterdir()) == []
            assert {k: v for k, v in digests(to).items() if ".parts" not in k} == before


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_a_closed_disk_for_every_verb(made, tmp_path, verb):
    """Results on media that can only be read: old ones stay, new ones are refused in one line, into nothing as well."""
    with mounted(tmp_path / "disk") as disk:
        to = disk / "to"
        to.mkdir()
        args = verbs(made, to)[verb][0]
        said(args)
        before = digests(disk)
        (disk / "empty").mkdir()
        closed(disk)
        for place in (to, disk / "empty"):
            _, err = said([*verbs(made, place)[verb][0], "--overwrite"], code=3)
            (line,) = [text for text in err.splitlines() if text.startswith("loopgis: ")]
            assert "cannot be written" in line or "Read-only" in line
            assert str(disk) in line
        assert digests(disk) == before
        # and read from there
        here = tmp_path / "here"
        here.mkdir()
        closed(disk, to="rw")
        shutil.copytree(made, disk / "world")
        closed(disk)
        said(verbs(disk / "world", here)[verb][0])
        assert digests(here).keys() == {str(Path(k).relative_to("to")) for k in before}
