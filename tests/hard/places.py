"""A made-up site on disk with one of each result, the command line in this process, and processes that are killed on the way."""

from __future__ import annotations

import errno
import hashlib
import io
import multiprocessing
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout
from typing import TYPE_CHECKING

import pyogrio
import pytest
import shapely
from crew import Crew
from geopandas import GeoDataFrame
from town_case import small_town

from loopgis.cli.main import run
from loopgis.core.errors import InputError
from loopgis.core.leftovers import is_left_over
from loopgis.drilled import beside
from loopgis.field.log_read import write_log_json
from loopgis.sheets.drill_read import drill_book

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

FORK = multiprocessing.get_context("fork")
CRS = "EPSG:26918"
X, Y = 586_000.0, 4_511_400.0
STEPS = {
    *("os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.symlink", "os.truncate"),
    *("shutil.copyfile", "sqlite3.connect", "unheard"),
}
"""What Python tells its audit hooks before it asks the system for something that stays; opening for writing counts besides."""


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    """A rectangle of the drawing."""
    return shapely.box(X + x0, Y + y0, X + x1, Y + y1)


def put(path: Path, layer: str, shape: object, **columns: object) -> Path:
    """One row in a layer of a GeoPackage."""
    pyogrio.write_dataframe(
        GeoDataFrame({k: [v] for k, v in columns.items()}, geometry=[shape], crs=CRS), path, layer=layer
    )
    return path


def site(folder: Path, more: str = "") -> Path:
    """A lot of 120 m by 100 m with a house and a gas line; gives the site file."""
    folder.mkdir(parents=True, exist_ok=True)
    put(folder / "lot.gpkg", "lot", box(-60, -50, 60, 50), parcel_id="7-12")
    put(folder / "houses.gpkg", "houses", box(-12, -45, 2, -35), name="house")
    gas = shapely.LineString([(X - 60, Y + 5), (X + 60, Y + 8)])
    put(folder / "features.gpkg", "gas", gas, kind="gas_line", depth_m=0.9, quality="B")
    file = folder / "site.toml"
    file.write_text(
        '[site]\nparcel = "lot.gpkg"\nbuildings = "houses.gpkg"\n'
        '[[site.feature]]\npath = "features.gpkg"\nkind = "gas_line"\ndepth_unit = "m"\n'
        f'[bore]\ndepth = ["3 m"]\nbores = 3\n[layout]\npatterns = ["fan"]\n{more}',
        encoding="utf-8",
    )
    return file


def world(folder: Path) -> Path:
    """The site, its layouts, the logs of a crew, an as-built, and a small town; gives the folder."""
    file = site(folder)
    said(["layout", file, "-o", folder / "out", "--effort", "0", "--no-pictures"])
    book = drill_book(folder / "out" / "layouts.gpkg")
    crew = Crew(book)
    crew.drills("A", book.pages[0])
    write_log_json(crew.log("A"), folder / "a.json", file="layouts.gpkg")
    said(["asbuilt", folder / "out" / "layouts.gpkg", folder / "a.json", "-o", folder / "built.gpkg"])
    small_town(folder / "town", 6)
    return folder


def said(args: list[object], *, code: int = 0) -> tuple[str, str]:
    """Run the command line in this process; its output and its talk."""
    out, err = io.StringIO(), io.StringIO()
    old, ended = signal.getsignal(signal.SIGTERM), None
    try:
        with redirect_stdout(out), redirect_stderr(err):
            run([str(a) for a in args])
    except SystemExit as end:
        ended = end.code
    finally:
        signal.signal(signal.SIGTERM, old)
    assert ended == code, (args, ended, out.getvalue()[-2000:], err.getvalue()[-2000:])
    return out.getvalue(), err.getvalue()


def verbs(w: Path, to: Path) -> dict[str, tuple[list[object], list[Path]]]:
    """Every verb that writes: its command line, and the files or folder that it writes in the folder `to`."""
    gpkg = w / "out" / "layouts.gpkg"
    town = ["screen", w / "town" / "parcels.gpkg", "--site", w / "town" / "town.toml", "--workers", "0"]
    return {
        "layout": (["layout", w / "site.toml", "--effort", "0", "--no-pictures", "-o", to / "out"], [to / "out"]),
        "score": (["score", gpkg, "--site", w / "site.toml", "-o", to / "s.gpkg"], [to / "s.gpkg"]),
        "drill": (["drill", gpkg, "-o", to / "drill"], [to / "drill"]),
        "tablet": (["tablet", gpkg, "-o", to / "tablet"], [to / "tablet"]),
        "asbuilt": (
            ["asbuilt", gpkg, w / "a.json", "-o", to / "b.gpkg"],
            [to / "b.gpkg", *beside(to / "b.gpkg")],
        ),
        "setbacks": (
            ["setbacks", gpkg, "-o", to / "p.pdf", "--files", to / "permit"],
            [to / "p.pdf", to / "permit"],
        ),
        "screen": ([*town, "-o", to / "t.gpkg"], [to / "t.gpkg", to / "t.parquet", to / "t.png"]),
    }


def digests(folder: Path) -> dict[str, str]:
    """Digest of every file below a folder, by its path there."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def sound(folder: Path) -> None:
    """Every GeoPackage below a folder that has no hidden name is whole, and every layer that it lists is there."""
    for path in folder.rglob("*.gpkg"):
        if any(part.startswith(".") for part in path.relative_to(folder).parts):
            continue
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",), path
            for name, count in db.execute("SELECT table_name, feature_count FROM gpkg_ogr_contents").fetchall():
                found = db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - names of ours
                assert count in {None, found}, (path, name)


def made_older(folder: Path) -> None:
    """Change every result a little, so that old and new can be told apart; they stay whole."""
    for path in folder.rglob("*"):
        if path.parent.suffix == ".parts":
            continue
        if path.suffix == ".gpkg":
            with closing(sqlite3.connect(path)) as db, db:
                db.execute("CREATE TABLE was_old (a)")
        elif path.is_file():
            with path.open("ab") as stream:
                stream.write(b"\n")


@contextmanager
def mounted(folder: Path, size: str = "64m") -> Iterator[Path]:
    """A small disk of its own; skips where this process may not mount."""
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no right to mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def closed(disk: Path, *, to: str = "ro") -> None:
    """Make a disk of `mounted` one that can only be read, or open it again with "rw"."""
    subprocess.run(["mount", "-o", f"remount,{to}", str(disk)], check=True)


def _dying(at: int, work: Callable[[], object], counted: object, *, full: bool = False) -> None:
    """Do the work, and end by SIGKILL just before the `at`-th thing asked of the system that stays; 0: never, count them.

    full: that one thing is answered as by a full disk instead.
    """
    seen = [0]

    def hook(event: str, args: tuple[object, ...]) -> None:
        writes = event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if (event in STEPS or writes) and not (full and event in {"os.remove", "os.rmdir"}):
            seen[0] += 1
            if seen[0] == at and full:
                raise OSError(errno.ENOSPC, "No space left on device")
            if seen[0] == at:
                os.kill(os.getpid(), signal.SIGKILL)

    def told(real: Callable[..., int]) -> Callable[..., int]:
        def told_first(*args: int) -> int:
            sys.audit("unheard")
            return real(*args)

        return told_first

    os.fsync, os.sendfile = told(os.fsync), told(os.sendfile)
    sys.addaudithook(hook)
    try:
        work()
        counted.send((seen[0], ""))
    except InputError as error:
        counted.send((seen[0], str(error)))
    os._exit(0)


def steps_of(work: Callable[[], object]) -> int:
    """How many things that stay a piece of work asks of the system, in a process of its own."""
    here, there = FORK.Pipe()
    child = FORK.Process(target=_dying, args=(0, work, there))
    child.start()
    child.join(300)
    assert child.exitcode == 0
    return here.recv()[0]


def full_at(at: int, work: Callable[[], object]) -> tuple[int, str]:
    """Do the work where the `at`-th step finds the disk full; the number of steps, and the one line that was said."""
    here, there = FORK.Pipe()
    child = FORK.Process(target=_dying, args=(at, work, there), kwargs={"full": True})
    child.start()
    child.join(300)
    assert child.exitcode == 0
    steps, line = here.recv()
    return steps, line


def killed_at(at: int, work: Callable[[], object]) -> bool:
    """Do the work in a process that is killed at its `at`-th step; False when it came to its end before."""
    _, there = FORK.Pipe()
    child = FORK.Process(target=_dying, args=(at, work, there))
    child.start()
    child.join(300)
    assert child.exitcode in {0, -signal.SIGKILL}
    return child.exitcode != 0


def killed_after(seconds: float, work: Callable[[], object]) -> bool:
    """Do the work in a process that is killed from outside after a while; False when it came to its end before."""
    child = FORK.Process(target=work)
    child.start()
    child.join(seconds)
    alive = child.exitcode is None
    if alive:
        os.kill(child.pid, signal.SIGKILL)
        child.join(60)
    assert child.exitcode in {0, -signal.SIGKILL}
    return child.exitcode != 0


def cleared(folder: Path) -> None:
    """Take away what killed runs left, so that the next one takes the same steps."""
    for item in folder.iterdir():
        if is_left_over(item.name):
            shutil.rmtree(item) if item.is_dir() else item.unlink()


def again(kept: Path, folder: Path) -> None:
    """Put a folder back as it was kept, with nothing left beside it."""
    cleared(folder.parent)
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(kept, folder)
