"""Writing files so that a reader finds the old one or the new one, whole, whatever happens in between."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SIDE_FILES = ("-wal", "-shm", "-journal")
_OF_THE_DISK = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS}


@contextmanager
def replaced_file(path: Path) -> Iterator[Path]:
    """Temporary path in the same folder; when the block ends well it takes the place of `path` in one step.

    On any exception the temporary file and its side files are gone and `path` is as it was. A link is written through, and the
    rights of a file that was there are kept. Raises InputError when the folder cannot be written or the disk is full.
    """
    place = Path(os.path.realpath(path))
    temp = _hidden(place.parent, place.stem, place.suffix)
    with _told(path, place.parent):
        temp.touch(exist_ok=False)
        temp.unlink()
        try:
            yield temp
            left = [s for s in SIDE_FILES if temp.with_name(temp.name + s).exists()]
            if left:
                raise OSError(errno.EBUSY, f"side files {left} are still open", str(temp))
            if place.exists():
                shutil.copymode(place, temp)
            _sync(temp)
            temp.replace(place)
            _sync(place.parent)
        finally:
            for side in ("", *SIDE_FILES):
                temp.with_name(temp.name + side).unlink(missing_ok=True)


def write_text(path: Path, text: str) -> Path:
    """Write a text in UTF-8 with plain line ends, whole or not at all; gives the path. Raises as `replaced_file` does."""
    with replaced_file(path) as temp:
        temp.write_bytes(text.encode("utf-8"))
    return path


@contextmanager
def replaced_folder(folder: Path, ours: Iterable[str], *, overwrite: bool) -> Iterator[Path]:
    """Temporary folder beside `folder`; when the block ends well its files stand in `folder`, all of them or none.

    ours: glob patterns of our own results: those already there are refused without `overwrite`, and replaced or removed with it;
    any other file in the folder stays. Raises InputError naming the first result in the way, or a place that cannot be written.
    """
    patterns = tuple(ours)
    check_folder(folder, patterns, overwrite=overwrite)
    place = Path(os.path.realpath(folder))
    temp = _hidden(_workshop(place), place.name)
    with _told(folder, place.parent):
        made = [p for p in place.parents if not p.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
        temp.mkdir()
        try:
            yield temp
            for item in temp.rglob("*"):
                _sync(item)
            if not _renamed(temp, place):
                with _one_at_a_time(place):
                    check_folder(folder, patterns, overwrite=overwrite)
                    _move_in(temp, place, patterns)
            _sync(place.parent)
        finally:
            shutil.rmtree(temp, ignore_errors=True)
            for parent in made:
                with suppress(OSError):  # it holds the results, or somebody else's: then it stays
                    parent.rmdir()


def check_folder(folder: Path, ours: Iterable[str], *, overwrite: bool) -> None:
    """InputError when results could not be put there: asked before a long computation, and again before writing."""
    if folder.exists() and not folder.is_dir():
        raise InputError(str(folder), "is a file, not a folder", "name another output folder")
    above = next(p for p in Path(os.path.realpath(folder)).parents if p.exists())
    if not above.is_dir():
        raise InputError(str(folder), f"{above} is a file, not a folder", "name another output folder")
    if folder.is_dir() and not overwrite:
        there = _results(folder, ours)
        if there:
            raise InputError(
                str(folder),
                f"already holds {there[0]}",
                "add --overwrite to replace the results, or name another folder",
            )


def _hidden(folder: Path, stem: str, suffix: str = "") -> Path:
    return folder / f".{stem[:60]}.{secrets.token_hex(4)}{suffix}"


def _workshop(place: Path) -> Path:
    """Where the temporary folder stands: beside the place, or inside when the place is a disk of its own or beside is closed."""
    if place.is_dir() and (place.stat().st_dev != place.parent.stat().st_dev or not os.access(place.parent, os.W_OK)):
        return place
    return place.parent


def _results(folder: Path, ours: Iterable[str]) -> list[str]:
    return sorted({p.name for pattern in ours for p in folder.glob(pattern)})


def _renamed(temp: Path, place: Path) -> bool:
    """True when the new folder could take the place of nothing, in one step."""
    if place.exists():
        return False
    try:
        temp.rename(place)
    except OSError:
        if place.exists():  # another process was quicker
            return False
        raise
    return True


def _move_in(temp: Path, place: Path, patterns: tuple[str, ...]) -> None:
    """Move every item of `temp` into `place` and remove our older results; on an exception everything is as before.

    The old items are kept aside as links first, so that no name is ever missing in between.
    """
    new = sorted(p.name for p in temp.iterdir())
    stale = [name for name in _results(place, patterns) if name not in new]
    aside = temp / ".old"
    aside.mkdir()
    kept: list[str] = []
    done: list[str] = []
    try:
        for name in (*new, *stale):
            if os.path.lexists(place / name):
                _keep(place / name, aside / name)
                kept.append(name)
        for name in new:
            (temp / name).replace(place / name)
            done.append(name)
        for name in stale:
            if os.path.lexists(place / name):
                _drop(place / name)
    except BaseException:
        for name in done:
            if name not in kept:
                _drop(place / name)
        for name in kept:
            _put_back(aside / name, place / name)
        raise
    _sync(place)


def _keep(old: Path, aside: Path) -> None:
    """Second name of a file, a copy where the disk knows no links; a folder moves."""
    if old.is_dir() and not old.is_symlink():
        old.rename(aside)
        return
    try:
        os.link(old, aside, follow_symlinks=False)
    except OSError:
        shutil.copy2(old, aside, follow_symlinks=False)


def _drop(item: Path) -> None:
    if item.is_dir() and not item.is_symlink():
        shutil.rmtree(item)
    else:
        item.unlink()


def _put_back(aside: Path, old: Path) -> None:
    if aside.is_dir() and not aside.is_symlink() and os.path.lexists(old):
        _drop(old)
    aside.replace(old)


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    """Two runs into the same folder move their results in one after the other, where the system has locks on folders."""
    try:
        import fcntl  # noqa: PLC0415
    except ImportError:  # not a Unix
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # network disks without locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _sync(path: Path) -> None:
    """Flush a file or folder to disk; folders cannot be opened everywhere."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:
        if path.is_dir():
            return
        raise
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _told(place: Path, near: Path) -> Iterator[None]:
    """Turn what the system says of a place into one line. Errors that speak of other files stay as they are."""
    try:
        yield
    except OSError as error:
        if not _about(error, near):
            raise
        what = error.strerror or str(error)
        raise InputError(str(place), f"cannot be written ({what})", "check permissions and free space") from None


def _about(error: OSError, near: Path) -> bool:
    if error.errno in _OF_THE_DISK:
        return True
    names = [os.fsdecode(n) for n in (error.filename, error.filename2) if isinstance(n, (str, bytes, os.PathLike))]
    return any(Path(os.path.realpath(n)).is_relative_to(near) for n in names)
