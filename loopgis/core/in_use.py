"""GeoPackages that another program has open, or left in the middle of writing: how they are read, and that none is written over.

SQLite keeps what belongs to a database in files beside it: a write-ahead log (-wal) holds rows that the file itself lacks, a
rollback journal (-journal) takes back the half of a transaction that stands in it. A reader that passes them over reads a state
that never was; one that takes them up changes the user's files, and mere reading leaves files behind. So such a database is copied
with them into a folder of this process, settled there, and read there. A new file put in the place of one with such files beside it
would be taken for the old one's, and spoilt: that is refused. Source: the file formats of SQLite 3, from memory.
"""

from __future__ import annotations

import atexit
import os
import shutil
import sqlite3
import tempfile
import time
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from loopgis.core.errors import InputError
from loopgis.core.leftovers import scratch_folder

if TYPE_CHECKING:
    from collections.abc import Iterable

WAL, JOURNAL, SHARED = "-wal", "-journal", "-shm"
SIDE_FILES = (WAL, SHARED, JOURNAL)
LOCKED_S = 5.0
"""So long a reader waits for another program to end its transaction."""
_SQLITE = b"SQLite format 3\0"
_WAL_MAGIC = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")
_JOURNAL_MAGIC = b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"
_STILL_S, _TRIES = 0.05, 100
_WRITERS, _READERS = (0x40000000, 2), (0x40000002, 510)
"""Where in a database its writers and readers set locks: byte, count. With a write-ahead log all who have it open are readers."""


_Stamp = tuple[tuple[int, int, int] | None, ...]


class _Copy(NamedTuple):
    stamp: _Stamp
    path: Path


_copies: dict[tuple[Path, str], _Copy] = {}
_folders: dict[int, Path] = {}


def beside(path: Path, side: str) -> Path:
    """The side file of a database: it lies beside the real file, not beside a link to it."""
    place = Path(os.path.realpath(path))
    return place.with_name(place.name + side)


def readable(path: Path) -> Path:
    """Where to read a file so that what was saved last is seen and nothing of the user's changes: it itself, or a copy.

    A copy, kept as long as this process lives and renewed when the file changes, is made of an SQLite database with a write-ahead
    log or with a transaction that was cut off; anything else, and what is not there, comes back as given. Raises InputError for a
    database that is locked or written to all the time, whose side file is none, or for whose copy there is no room.
    """
    head = _head(path, 20)
    if not head.startswith(_SQLITE):
        return path
    cut_off = _cut_off(path)
    if not (cut_off or head[18:20] != b"\x01\x01" or _size(beside(path, WAL))):
        _free_to_read(path)
        return path
    key = (Path(os.path.realpath(path)), path.name)
    kept = _copies.get(key)
    if kept is None or kept.stamp != _stamp(path) or not kept.path.exists():
        if kept is not None:
            shutil.rmtree(kept.path.parent, ignore_errors=True)
        kept = _copies[key] = _copied(path)
    return kept.path


def read_only(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing, to what was saved last. Raises InputError as `readable` does, and sqlite3.Error."""
    return sqlite3.connect(f"{readable(path).resolve().as_uri()}?mode=ro", uri=True)


class Seen:
    """Files as they are when a run begins to read them, some of them layer by layer."""

    def __init__(self, paths: Iterable[str | Path]) -> None:
        """Look at them; what is not there does not count."""
        self._stamps = {Path(p): _stamp(Path(p)) for p in paths if Path(p).is_file()}

    def check(self) -> None:
        """InputError when one was changed or replaced since: what was read of it may be of two states."""
        for path, stamp in self._stamps.items():
            if _stamp(path) != stamp:
                raise InputError(str(path), "was changed while it was being read", "run the command again")


def is_settled(path: Path) -> bool:
    """True when a file can be read where it lies, again and again and by other processes. Raises InputError as `readable` does."""
    return readable(path) == path


def refuse_open(path: Path) -> None:
    """InputError when a database that is to be replaced is open in another program, or has its journal beside it."""
    wal, journal, shared = (beside(path, side) for side in (WAL, JOURNAL, SHARED))
    if not _head(path, 16).startswith(_SQLITE):
        return
    there = [side for side in (wal, shared, journal) if side.exists()]
    if _size(wal) or _head(journal, 8).strip(b"\0") or (there and _held(path, *_READERS, unknown=True)):
        what = f"cannot be replaced: it is open in another program, or was not closed there ({there[0].name} lies beside it)"
    elif _held(path, *_WRITERS, unknown=False):
        what = "cannot be replaced: another program is writing to it"
    else:
        return
    raise InputError(str(path), what, "close it there first, or name another output")


def _cut_off(path: Path) -> bool:
    """True when a rollback journal stands beside that is to be played back. InputError when a side file is none of SQLite's."""
    wal, journal = _head(beside(path, WAL), 4), _head(beside(path, JOURNAL), 8)
    for side, bad in (
        (WAL, wal and wal not in _WAL_MAGIC),
        (JOURNAL, journal.strip(b"\0") and journal != _JOURNAL_MAGIC),
    ):
        if bad:
            what = f"is being edited, or was cut off ({beside(path, side).name} stands beside it)"
            raise InputError(str(path), what, "save and close it in the other program first, or take a fresh copy")
    return journal == _JOURNAL_MAGIC


def _head(path: Path, size: int) -> bytes:
    """First bytes of a file, none when it is no file or cannot be read: whoever reads it then says so."""
    try:
        if not path.is_file():
            return b""
        with path.open("rb") as stream:
            return stream.read(size)
    except OSError:
        return b""


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _free_to_read(path: Path) -> None:
    """Wait for a lock of another program. InputError when it does not go."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=LOCKED_S)) as db:
            db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            what = "is locked by another program that is writing to it"
            raise InputError(str(path), what, "save and close it there, or wait until it is done") from None
    except sqlite3.Error:  # damaged: whoever reads it says how
        return


def _stamp(path: Path) -> _Stamp:
    """What changes when the database or a side file does."""
    found: list[tuple[int, int, int] | None] = []
    for side in ("", WAL, JOURNAL):
        try:
            stat = beside(path, side).stat()
            found.append((stat.st_ino, stat.st_size, stat.st_mtime_ns))
        except OSError:
            found.append(None)
    return tuple(found)


def _copied(path: Path) -> _Copy:
    """A copy with its side files, of one moment, settled into one file in the ordinary mode."""
    try:
        copy = Path(tempfile.mkdtemp(dir=_folder())) / path.name
        for _ in range(_TRIES):
            stamp, now = _stamp(path), time.time()
            # the clock of files ticks in milliseconds: what is written in the tick of the stamp does not show in it
            if not -1 < now - max((s[2] for s in stamp if s is not None), default=0) / 1e9 < _STILL_S:
                _copy_all(path, copy)
                if _stamp(path) == stamp:
                    break
            time.sleep(_STILL_S)
        else:
            what = "is being written to by another program all the time"
            raise InputError(str(path), what, "save and close it there first")
        with (
            suppress(sqlite3.DatabaseError),
            closing(sqlite3.connect(copy)) as db,
        ):  # damaged: whoever reads it says how
            db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
            db.execute("PRAGMA journal_mode = DELETE")
    except OSError as error:
        what = (
            f"is open in another program, and no copy of it can be made in {tempfile.gettempdir()} ({error.strerror})"
        )
        raise InputError(str(path), what, "save and close it there, free some space, or set TMPDIR") from None
    return _Copy(stamp, copy)


def _copy_all(path: Path, copy: Path) -> None:
    for side in ("", WAL, JOURNAL):
        target = copy.with_name(copy.name + side)
        target.unlink(missing_ok=True)
        try:
            shutil.copyfile(beside(path, side), target)
        except FileNotFoundError:
            if not side:
                raise


def _folder() -> Path:
    """The folder of this process for copies; it goes when the process ends."""
    mine = os.getpid()
    if mine not in _folders:
        folder = _folders[mine] = scratch_folder()

        def clear() -> None:
            if os.getpid() == mine:  # not in a child that was forked
                shutil.rmtree(folder, ignore_errors=True)

        atexit.register(clear)
    return _folders[mine]


def _held(path: Path, at: int, count: int, *, unknown: bool) -> bool:
    """True when another process holds so many bytes of a database locked; unknown: the answer where the system does not tell."""
    try:
        import fcntl  # noqa: PLC0415

        with path.open("r+b") as stream:
            try:
                fcntl.lockf(stream, fcntl.LOCK_EX | fcntl.LOCK_NB, count, at)
            except BlockingIOError:
                return True
            return False
    except (ImportError, OSError):
        return unknown
