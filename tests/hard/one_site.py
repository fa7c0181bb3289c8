"""A good site on disk, the command line in this process with an alarm clock, and what a refusal must look like."""

from __future__ import annotations

import io
import multiprocessing
import resource
import shutil
import signal
import sys
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
import pytest
import rasterio
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "site"))

from one_lot import BUILDING, HOME, LOT, ORIGIN, at_home, layer, raster, table

from loopgis.cli.main import run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Prepare = Callable[[Path], object]

__all__ = ["BUILDING", "HOME", "LOT", "ORIGIN", "at_home", "layer", "raster", "table"]
BASE = '[site]\nname = "Ferny Croft"\nparcel = "parcel.gpkg"\nbuildings = "houses.gpkg"\nelevation = "dem.tif"\n'
WAIT_S = 40
WELL = shapely.Point(at_home([(20, 40)])[0])
FORK = multiprocessing.get_context("fork")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a site in which nothing is wrong."""
    folder = tmp_path_factory.mktemp("good")
    layer(folder / "parcel.gpkg", LOT)
    layer(folder / "houses.gpkg", BUILDING)
    raster(folder / "dem.tif", lambda x, y: 50 + 0 * x, cell=5.0, unit="m")
    (folder / "site.toml").write_text(BASE, encoding="utf-8")
    return folder


@pytest.fixture
def folder(good: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(good, tmp_path / "site"))


def more(text: str) -> Prepare:
    """Lines behind the good site file."""
    return lambda folder: (folder / "site.toml").write_text(f"{BASE}{text}\n", encoding="utf-8")


def with_site(**values: str) -> Prepare:
    """Keys of [site] replaced or added, values as TOML."""
    kept = [line for line in BASE.splitlines() if line.split(" =")[0] not in values]
    text = "\n".join([*kept, *(f"{k} = {v}" for k, v in values.items())]) + "\n"
    return lambda folder: (folder / "site.toml").write_text(text, encoding="utf-8")


def file(name: str, content: str | bytes) -> Prepare:
    """A file with that content in place of whatever was there."""
    data = content.encode() if isinstance(content, str) else content

    def prepare(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).write_bytes(data)

    return prepare


def endless(name: str, size: int) -> Prepare:
    """A file of that many bytes, none of which takes room on the disk."""

    def prepare(folder: Path) -> None:
        with (folder / name).open("wb") as stream:
            stream.truncate(size)

    return prepare


def every(*steps: Prepare) -> Prepare:
    """One step after the other."""

    def prepare(folder: Path) -> None:
        for step in steps:
            step(folder)

    return prepare


def cells(**how: Any) -> Prepare:
    """A raster written plainly in place of dem.tif; z: its cells, none of them written when left out."""
    z = how.pop("z", None)
    shape = {"width": 60, "height": 60} if z is None else {"width": z.shape[1], "height": z.shape[0]}
    usual = {"count": 1, "dtype": "float64", "crs": HOME, "transform": rasterio.Affine(5, 0, 585_900, 0, -5, 4_511_600)}
    wanted = {**shape, **usual, **how}

    def prepare(folder: Path) -> None:
        with rasterio.open(folder / "dem.tif", "w", driver="GTiff", **wanted) as sink:
            for band in range(1, wanted["count"] + 1) if z is not None else ():
                sink.write(z.astype(wanted["dtype"]), band)

    return prepare


def level(value: float = 50.0) -> Any:
    """Cells of one height."""
    return np.full((60, 60), value)


@contextmanager
def in_time(seconds: int = WAIT_S) -> Iterator[None]:
    """Whatever waits for ever, at a pipe for one, is woken and fails."""

    def woken(*_: object) -> NoReturn:
        pytest.fail(f"still at it after {seconds} s")

    before = signal.signal(signal.SIGALRM, woken)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def call(*args: object, seconds: int = WAIT_S) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of the command line, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with in_time(seconds), redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as stopped:
        run([str(a) for a in args])
    assert isinstance(stopped.value.code, int)
    assert "Traceback" not in out.getvalue() + err.getvalue()
    return stopped.value.code, out.getvalue(), err.getvalue()


def errors_of(site: Path) -> list[str]:
    """Lines of errors that `loopgis check` prints; the code is 3 exactly when there are any."""
    code, out, err = call("check", site)
    found = [line for line in out.splitlines() if line.startswith("error: ")]
    assert err == ""
    assert code == (3 if found else 0), out
    return found


def refusal(site: Path) -> str:
    """The one line with which `loopgis check` refuses a site, with a remedy in it."""
    found = errors_of(site)
    assert len(found) == 1, found
    assert "; " in found[0], f"no remedy: {found[0]}"
    assert found[0].isprintable()
    assert len(found[0]) < 900
    return found[0]


def names_in(folder: Path) -> list[str]:
    """Everything in a folder, links not followed."""
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def bounded(work: Callable[[], object], *, memory_mb: int) -> tuple[object, float]:
    """Result of a call in a process of its own and the most memory that it took on top of what it began with, MB."""
    queue = FORK.Queue()

    def child() -> None:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        limit = 8 << 30
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
        try:
            said: object = work()
        except BaseException as error:  # noqa: BLE001 - whatever it is, the test shows it
            said = repr(error)
        queue.put((said, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024))

    process = FORK.Process(target=child)
    process.start()
    said, took_mb = queue.get(timeout=60)
    process.join(10)
    assert took_mb < memory_mb, f"{took_mb:.0f} MB"
    return said, took_mb
