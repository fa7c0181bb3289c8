"""Writing files so that a reader finds the old one or the new one, whole, whatever happens in between.

What is promised, also when the process is killed or the power goes:

- One file (`replaced_file`) is the old one or the new one, byte for byte: it is made beside its place and renamed in one step.
- A folder of results (`replaced_folder`), and several files that belong together (`replaced_files`), are made complete beside
  their place or in it. A folder that was not there appears in one step. Where one is, the folder itself, its rights and other
  people's files in it stay, so it is not exchanged but its items are, one by one: first the complete new results are renamed into
  it under the hidden name `.loopgis-moving`, in one step, and from then on the new results count. Killed before that step, all is
  old; killed after it, no name is missing that was there, every file is the old one or the new one, and whoever comes next of us,
  reader or writer (`finished`), puts the rest in place, so that all is new. An error, other than a kill, puts everything back.
- What a killed run left under hidden names is removed by the next one that writes the same result, if its maker surely ended: a
  process of this host that is gone, or, when that cannot be known, one that has touched nothing for two days.
- Two runs into the same place: each is whole; with `overwrite` the later one stays, without it the earlier one, and the later is
  refused also when both found the place empty.
- A GeoPackage that another program has open is not replaced (`in_use.refuse_open`).
"""

from __future__ import annotations

import errno
import glob
import json
import os
import shutil
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError, LoopgisError
from loopgis.core.in_use import SIDE_FILES, refuse_open
from loopgis.core.leftovers import hidden, is_folder, is_left_over, sweep
from loopgis.core.place import OTHER, is_one_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

MOVING = ".loopgis-moving"
"""Folder of results that stand complete and are not all in place yet."""
_LIST, _OLD, _MOVED = ".list.json", ".old", "loopgis-moved"
_OF_THE_DISK = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS}


@contextmanager
def replaced_file(path: Path, *, overwrite: bool = True) -> Iterator[Path]:
    """Temporary path in the same folder; when the block ends well it takes the place of `path` in one step.

    overwrite: False refuses a file that is there by then, whoever made it.
    On any exception the temporary file and its side files are gone and `path` is as it was. A link is written through, and the
    rights of a file that was there are kept. Raises InputError when the folder cannot be written, the disk is full, or `path` is a
    GeoPackage that is open elsewhere.
    """
    place = Path(os.path.realpath(path))
    with _told(path, place.parent):
        finished(place.parent)
        refuse_open(path)
        sweep(place.parent, place.stem, place.suffix)
        temp = hidden(place.parent, place.stem, place.suffix)
        temp.touch(exist_ok=False)
        temp.unlink()
        try:
            yield temp
            _closed(temp)
            if place.is_file():
                shutil.copymode(place, temp)
            _sync(temp)
            refuse_open(path)
            if overwrite or not _linked(temp, path, place):
                temp.replace(place)
            with suppress(OSError):  # it stands there: no news that takes it back
                _sync(place.parent)
        finally:
            for side in ("", *SIDE_FILES):
                with suppress(OSError):
                    temp.with_name(temp.name + side).unlink(missing_ok=True)


def write_text(path: Path, text: str, *, overwrite: bool = True) -> Path:
    """Write a text in UTF-8 with plain line ends, whole or not at all; gives the path. Raises as `replaced_file` does."""
    with replaced_file(path, overwrite=overwrite) as temp:
        temp.write_bytes(text.encode("utf-8"))
    return path


@contextmanager
def replaced_files(paths: Sequence[Path], *, overwrite: bool = True) -> Iterator[list[Path]]:
    """Temporary paths of the same names for files that belong together; when the block ends well all take their places, or none.

    Links are written through, rights kept. Those of one folder go together even when the process is killed, see above; `paths` are
    put in place from the last to the first where they lie in several folders. overwrite, errors: as `replaced_file`.
    """
    places = [Path(os.path.realpath(p)) for p in paths]
    with ExitStack() as stack:
        rooms: dict[Path, Path] = {}
        for path, place in zip(paths, places, strict=True):
            if place.parent not in rooms:
                names = [glob.escape(p.name) for p in places if p.parent == place.parent]
                room = _room(path, place.parent, place.stem, names, inside=True, overwrite=overwrite)
                rooms[place.parent] = stack.enter_context(room)
        yield [rooms[p.parent] / p.name for p in places]


@contextmanager
def replaced_folder(folder: Path, ours: Iterable[str], *, overwrite: bool) -> Iterator[Path]:
    """Temporary folder beside `folder`; when the block ends well its files stand in `folder`, all of them or none.

    ours: glob patterns of our own results: those already there are refused without `overwrite`, and replaced or removed with it;
    any other file in the folder stays. Raises InputError naming the first result in the way, one that is open elsewhere, or a place
    that cannot be written.
    """
    place = Path(os.path.realpath(folder))
    with _room(folder, place, place.name, tuple(ours), inside=False, overwrite=overwrite) as temp:
        yield temp


@contextmanager
def _room(told: Path, place: Path, stem: str, ours: Sequence[str], *, inside: bool, overwrite: bool) -> Iterator[Path]:
    """Temporary folder, inside the place or beside it; when the block ends well its files stand in `place`."""
    check_folder(place if inside else told, ours, overwrite=overwrite)
    with _told(told, place if inside else place.parent):
        made = [p for p in place.parents if not p.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
        work = place if inside else _workshop(place)
        sweep(work, stem)
        sweep(place, _MOVED)
        temp = hidden(work, stem)
        temp.mkdir()
        try:
            yield temp
            for item in temp.rglob("*"):
                _closed(item)
                _sync(item)
            _sync(temp)
            if not _renamed(temp, place):
                with _one_at_a_time(place):
                    _finish(place)
                    _refuse_results(told, place, ours, overwrite=overwrite)
                    _move_in(temp, place, ours)
            with suppress(OSError):
                _sync(place.parent)
        finally:
            shutil.rmtree(temp, ignore_errors=True)
            for parent in made:
                with suppress(OSError):  # it holds the results, or somebody else's: then it stays
                    parent.rmdir()


def check_folder(folder: Path, ours: Iterable[str], *, overwrite: bool, inputs: Iterable[str | Path] = ()) -> None:
    """InputError when results could not be put there, or only over an input: asked before a long computation and before writing."""
    if folder.exists() and not folder.is_dir():
        raise InputError(str(folder), "is a file, not a folder", "name another output folder")
    place = Path(os.path.realpath(folder))
    above = next((p for p in place.parents if p.exists()), place)
    if not above.is_dir():
        raise InputError(str(folder), f"{above} is a file, not a folder", "name another output folder")
    finished(place)
    _refuse_results(folder, place, ours, overwrite=overwrite)
    read = list(inputs)
    for name in _results(place, ours) if place.is_dir() else ():
        if is_one_of(place / name, read):
            raise InputError(
                str(folder), f"holds {name}, an input of this run, which would be lost", "name another folder"
            )


def finished(folder: Path) -> None:
    """Put in place what a killed run had left to put in place in a folder; nothing for any other folder.

    Every reader of a result and every writer comes by here. Raises InputError when the folder cannot be written.
    """
    if not (folder / MOVING).is_dir():
        return
    try:
        with _one_at_a_time(folder):
            _finish(folder)
    except OSError as error:
        what = f"holds results that a run which was cut off had half replaced, and they cannot be put in place ({error.strerror})"
        raise InputError(str(folder), what, "check permissions and free space") from None


def removed(folder: Path) -> None:
    """Remove a whole folder, so that it is there or not there, never in part. Raises OSError when it cannot be."""
    sweep(folder.parent, folder.name)
    temp = hidden(folder.parent, folder.name)
    folder.rename(temp)
    shutil.rmtree(temp, ignore_errors=True)


def _refuse_results(told: Path, place: Path, ours: Iterable[str], *, overwrite: bool) -> None:
    there = _results(place, ours) if place.is_dir() else []
    if there and not overwrite:
        raise InputError(
            str(told), f"already holds {there[0]}", "add --overwrite to replace the results, or name another folder"
        )
    for name in there:
        refuse_open(place / name)


def _workshop(place: Path) -> Path:
    """Where the temporary folder stands: beside the place, or inside when the place is a disk of its own or beside is closed."""
    if place.is_dir() and (place.stat().st_dev != place.parent.stat().st_dev or not os.access(place.parent, os.W_OK)):
        return place
    return place.parent


def _results(folder: Path, ours: Iterable[str]) -> list[str]:
    return sorted({p.name for pattern in ours for p in folder.glob(pattern) if not is_left_over(p.name)})


def _closed(temp: Path) -> None:
    """OSError when a database that was just written is still open."""
    left = [s for s in SIDE_FILES if temp.with_name(temp.name + s).exists()]
    if left:
        raise OSError(errno.EBUSY, f"side files {left} are still open", str(temp))


def _linked(temp: Path, told: Path, place: Path) -> bool:
    """True when the new file could take the place of nothing, in one step; False on a disk that cannot say."""
    try:
        os.link(temp, place)
    except OSError:
        if os.path.lexists(place):
            raise InputError(str(told), "is there already", OTHER) from None
        return False
    return True


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


def _move_in(temp: Path, place: Path, patterns: Sequence[str]) -> None:
    """Move every item of `temp` into `place` and remove our older results; on an exception everything is as before.

    The old items are kept aside as links first, so that no name is ever missing in between; an older folder is, for a moment.
    """
    new = sorted(p.name for p in temp.iterdir())
    gone = [name for name in _results(place, patterns) if name not in new]
    aside = temp / _OLD
    aside.mkdir()
    for name in (*new, *gone):
        if os.path.lexists(place / name) and not is_folder(place / name):
            _keep(place / name, aside / name)
            if name in new and not (place / name).is_symlink():
                shutil.copymode(place / name, temp / name)
    (temp / _LIST).write_text(json.dumps({"new": new, "gone": gone}), encoding="utf-8")
    for item in (temp / _LIST, aside, temp):
        _sync(item)
    moving = place / MOVING
    temp.rename(moving)
    try:
        _sync(place)
        _advance(moving, place, new, gone)
        moving.rename(temp)
    except BaseException:
        _take_back(moving, place, new, gone)
        moving.rename(temp)
        raise


def _finish(place: Path) -> None:
    """Go on with a move that was cut off: the caller holds the lock, so its maker is gone."""
    moving = place / MOVING
    if not moving.is_dir():
        return
    try:
        said = json.loads((moving / _LIST).read_text(encoding="utf-8"))
        new, gone = list(said["new"]), list(said["gone"])
        odd = [n for n in (*new, *gone) if not isinstance(n, str) or n in {"", ".", ".."} or Path(n).name != n]
    except (ValueError, KeyError, TypeError, FileNotFoundError):  # a copy of it, say, that is not whole
        odd = [_LIST]
    if odd:
        what = f"holds results that were half replaced, and what {MOVING} there says of them cannot be used"
        raise InputError(str(place), what, f"delete {MOVING} there, and make the results again with --overwrite")
    (moving / _OLD).mkdir(exist_ok=True)
    _advance(moving, place, new, gone)
    temp = hidden(place, _MOVED)
    moving.rename(temp)
    shutil.rmtree(temp, ignore_errors=True)


def _advance(moving: Path, place: Path, new: Sequence[str], gone: Sequence[str]) -> None:
    """Put in place what is not yet, and take away what is no longer made."""
    for name in new:
        if os.path.lexists(moving / name):
            if is_folder(place / name):
                (place / name).rename(moving / _OLD / name)
            (moving / name).replace(place / name)
    for name in gone:
        if is_folder(place / name):
            (place / name).rename(moving / _OLD / name)
        else:
            (place / name).unlink(missing_ok=True)
    _sync(place)


def _take_back(moving: Path, place: Path, new: Sequence[str], gone: Sequence[str]) -> None:
    """Everything as before a move: the new item is back in its folder before the old one is back in its place."""
    for name in (*new, *gone):
        old = moving / _OLD / name
        if name in new and not os.path.lexists(moving / name):
            if is_folder(place / name) or not os.path.lexists(old):
                (place / name).rename(moving / name)
            else:
                _keep(place / name, moving / name)
            done = True
        else:
            done = not os.path.lexists(place / name)
        if done and os.path.lexists(old):
            old.replace(place / name)


def _keep(old: Path, aside: Path) -> None:
    """Second name of a file, a copy where the disk knows no links."""
    try:
        os.link(old, aside, follow_symlinks=False)
    except OSError:
        shutil.copy2(old, aside, follow_symlinks=False)


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
    """Turn what the system says of a place into one line. Errors that speak of other files stay as they are.

    A library that stumbles over a full disk may fall again while it closes its file: then the first error counts.
    """
    try:
        yield
    except InputError as error:
        if not any(is_left_over(part) for part in Path(error.where).parts):
            raise
        raise InputError(str(place), error.what, error.remedy) from None  # of a file inside the temporary folder
    except LoopgisError:
        raise
    except Exception as error:
        said = _said_by_the_disk(error) if not isinstance(error, OSError) else error if _about(error, near) else None
        if said is None:
            raise
        what = said.strerror or str(said)
        raise InputError(str(place), f"cannot be written ({what})", "check permissions and free space") from None


def _said_by_the_disk(error: BaseException | None) -> OSError | None:
    """The error of a disk in whose wake another one came."""
    seen: list[BaseException] = []
    while error is not None and error not in seen:  # two that were raised in turn may name each other
        if isinstance(error, OSError) and error.errno in _OF_THE_DISK:
            return error
        seen.append(error)
        error = error.__cause__ or error.__context__
    return None


def _about(error: OSError, near: Path) -> bool:
    if error.errno in _OF_THE_DISK:
        return True
    names = [os.fsdecode(n) for n in (error.filename, error.filename2) if isinstance(n, (str, bytes, os.PathLike))]
    return any(Path(os.path.realpath(n)).is_relative_to(near) for n in names)
