"""Hidden names for what is not finished yet, and the removal of what runs that were killed left under them."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import tempfile
import time
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_HIDDEN = re.compile(r"\.(?P<stem>.+)\.[0-9a-f]{8}-(?P<pid>\d+)-(?P<home>[0-9a-f]{8})(?P<rest>.*)", re.DOTALL)
_LEFT_S = 2 * 86400.0
_SCRATCH = "loopgis"


@contextmanager
def scratch() -> Iterator[Path]:
    """A folder in the system's temporary one, gone after the block. Raises OSError when there is no room for it."""
    folder = scratch_folder()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def scratch_folder() -> Path:
    """A new folder in the system's temporary one, for the caller to remove; those of runs that are gone go now. Raises OSError."""
    room = Path(tempfile.gettempdir())
    _sweep_once(room, os.getpid())
    folder = hidden(room, _SCRATCH)
    folder.mkdir(mode=0o700)
    return folder


@cache
def _sweep_once(room: Path, _: int) -> None:
    """Once in the life of a process: the system's temporary folder may hold very many files."""
    sweep(room, _SCRATCH)


def is_left_over(name: str) -> bool:
    """True for a hidden name as runs give to what is not finished."""
    return _HIDDEN.fullmatch(name) is not None


@cache
def _home() -> str:
    """The running system, and its space of process numbers, as eight digits; zeros where it does not tell."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii")
        said = f"{boot} {Path('/proc/self/ns/pid').readlink()}"
    except OSError:
        return "0" * 8
    return hashlib.sha256(said.encode()).hexdigest()[:8]


def _stem(stem: str) -> str:
    """As much of a name as leaves room for the rest."""
    return stem.encode()[:120].decode(errors="ignore") or "_"


def hidden(folder: Path, stem: str, suffix: str = "") -> Path:
    """Path for what is not finished yet, of a result with such a stem; it tells its maker."""
    return folder / f".{_stem(stem)}.{secrets.token_hex(4)}-{os.getpid()}-{_home()}{suffix}"


def sweep(folder: Path, stem: str, suffix: str = "") -> None:
    """Remove what runs that are gone left under hidden names of the same result."""
    with suppress(OSError):
        for item in list(folder.iterdir()):
            found = _HIDDEN.fullmatch(item.name)
            if found and found["stem"] == _stem(stem) and found["rest"].startswith(suffix):
                with suppress(OSError):
                    if _orphaned(item, int(found["pid"]), found["home"]):
                        drop(item)


def _orphaned(item: Path, pid: int, home: str) -> bool:
    if home == _home() != "0" * 8:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        except (OSError, OverflowError):
            return False
        return False
    inside = item.iterdir() if is_folder(item) else ()
    newest: float = max(p.lstat().st_mtime for p in (item, *inside))
    return time.time() - newest > _LEFT_S


def is_folder(item: Path) -> bool:
    """A folder, and no link to one."""
    return item.is_dir() and not item.is_symlink()


def drop(item: Path) -> None:
    """Remove a file, a link or a whole folder. Raises OSError."""
    if is_folder(item):
        shutil.rmtree(item)
    else:
        item.unlink()
