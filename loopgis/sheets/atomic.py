"""Writing files so that a reader finds the old one or the new one, whole, whatever happens in between."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SIDE_FILES = ("-wal", "-shm", "-journal")


@contextmanager
def replaced_file(path: Path) -> Iterator[Path]:
    """Temporary path in the same folder; when the block ends well it takes the place of `path`.

    On any exception the temporary file and its side files are gone and `path` is as it was. Raises InputError when the folder
    cannot be written or the disk is full.
    """
    with _told(path):
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}.", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        temp = Path(name)
        temp.unlink()
        try:
            yield temp
            left = [s for s in SIDE_FILES if temp.with_name(temp.name + s).exists()]
            if left:
                raise OSError(0, f"side files {left} are still open")
            _sync(temp)
            temp.replace(path)
            _sync(path.parent)
        finally:
            for side in ("", *SIDE_FILES):
                temp.with_name(temp.name + side).unlink(missing_ok=True)


@contextmanager
def replaced_folder(folder: Path, ours: Iterable[str], *, overwrite: bool) -> Iterator[Path]:
    """Temporary folder beside `folder`; when the block ends well its files stand in `folder`, all of them or none.

    ours: glob patterns of our own results: those already there are refused without `overwrite` and replaced with it; any other
    file in the folder stays. Raises InputError naming the first result in the way, or a place that cannot be written.
    """
    patterns = tuple(ours)
    _check_place(folder, patterns, overwrite=overwrite)
    with _told(folder):
        temp = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
        try:
            yield temp
            for file in temp.iterdir():
                _sync(file)
            if folder.exists():
                _swap(folder, temp, patterns)
            else:
                temp.chmod(0o755)
                temp.rename(folder)
            _sync(folder.parent)
        finally:
            shutil.rmtree(temp, ignore_errors=True)


def _check_place(folder: Path, patterns: tuple[str, ...], *, overwrite: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise InputError(str(folder), "is a file, not a folder", "name another output folder")
    if not folder.parent.is_dir():
        raise InputError(str(folder), f"its folder {folder.parent} is not there", "make it first, or name another")
    if folder.is_dir() and not overwrite:
        there = sorted(p.name for pattern in patterns for p in folder.glob(pattern))
        if there:
            raise InputError(
                str(folder),
                f"already holds {there[0]}",
                "add --overwrite to replace the results, or name another folder",
            )


def _swap(folder: Path, temp: Path, patterns: tuple[str, ...]) -> None:
    """Exchange the folder for the new one; files that are not ours move over first, as links, so that nothing is ever missing."""
    old = {p.name for pattern in patterns for p in folder.glob(pattern)}
    for item in folder.iterdir():
        if item.name in old or (temp / item.name).exists():
            continue
        if item.is_file() and not item.is_symlink():
            os.link(item, temp / item.name)
        elif item.is_symlink():
            (temp / item.name).symlink_to(item.readlink())
        else:
            shutil.copytree(item, temp / item.name, symlinks=True)
    shutil.copymode(folder, temp)
    aside = temp.with_name(temp.name + ".old")
    folder.rename(aside)
    try:
        temp.rename(folder)
    except OSError:
        aside.rename(folder)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _sync(path: Path) -> None:
    """Flush a file or folder to disk; folders cannot be flushed everywhere."""
    with suppress(PermissionError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _told(place: Path) -> Iterator[None]:
    """Turn what the system says of a place into one line."""
    try:
        yield
    except OSError as error:
        what = error.strerror or str(error)
        raise InputError(str(place), f"cannot be written ({what})", "check permissions and free space") from None
