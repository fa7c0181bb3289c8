"""A whole town: which blocks there are, who works on them, what is done already, how far it is.

The leader reads only row numbers, ids and boxes of the parcels. Workers get a job and a block, read for themselves, and write a
part; what comes back is a count. So memory stays flat in leader and workers, and a run that was killed goes on where it was.
"""

from __future__ import annotations

import ctypes
import hashlib
import logging
import os
import re
import resource
import signal
import threading
import time
from collections import Counter
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.atomic import check_folder
from loopgis.core.errors import InputError
from loopgis.core.in_use import is_settled
from loopgis.core.place import is_one_of, refuse_foreign
from loopgis.core.version import VERSION
from loopgis.screening.block import check, config_of, ided, kit_of, layers_of, verdicts
from loopgis.screening.model import Block, Job, Verdict
from loopgis.screening.parts import held, open_folder, read_parts, write_part
from loopgis.site import vectors
from loopgis.site.config import FeatureRef, LayerRef
from loopgis.site.keys import nearest
from loopgis.site.log import plain
from loopgis.site.parcel import ID_NAMES
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from numpy.typing import NDArray

PARCELS_PER_BLOCK = 25
AHEAD = 3
"""Blocks handed out per worker at any time."""
CONNECT_S = 15.0
TRIM_BYTES = 1 << 27
"""Freed memory that a worker keeps for itself within a block: what dask sets, 64 KiB, makes the system fetch pages all the time."""
WHOLE_HASH_BYTES = 1_000_000_000
"""Larger inputs are told by size, time of change, head and tail."""
TAIL_BYTES = 1 << 20
KEEP_UP_S = 2.0
_ADDRESS = re.compile(r"([a-z]+://)?(\[[0-9A-Fa-f:]+\]|[^\s:/\[\]]+):\d{1,5}")
KEPT_TASKS = 50
"""So many tasks that are done a scheduler of ours remembers; by itself it keeps a thousand, tens of megabytes."""
LEVEL = 16
LOST = "the scheduler is gone; run the same command again: parcels that are done are kept"


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a user asks for. Layers are (path, layer) pairs in one text, "town.gpkg" or "town.gpkg:lots"."""

    parcels: str
    site: Path
    output: Path
    buildings: str = ""
    features: tuple[str, ...] = ()
    elevation: str = ""
    id_column: str = ""
    where: str = ""
    full: bool = False
    workers: int | None = None
    scheduler: str = ""
    block: int = PARCELS_PER_BLOCK
    fresh: bool = False
    overwrite: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Roll:
    """All parcels: row numbers in the order of the file, which share their id, boxes in their CRS (NaN where there is none)."""

    fids: NDArray[np.int64]
    twins: frozenset[int]
    boxes: NDArray[np.float64]


@dataclass(eq=False)
class Told:
    """How far a run is. tell: called with a line; seconds: of all workers; took_s: by the clock since the first block went out."""

    total: int
    tell: Callable[[str], None]
    done: int = 0
    taken_over: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    began: float = field(default_factory=time.monotonic)
    seconds: float = 0.0
    took_s: float = 0.0
    most_rss_mb: float = 0.0

    def add(self, said: dict[str, Any]) -> None:
        """Count a block. Raises InputError when its worker could not read or write."""
        if "error" in said:
            raise InputError(*said["error"])
        self.done += said["parcels"]
        self.outcomes.update(said["outcomes"])
        self.seconds += said["seconds"]
        self.took_s = time.monotonic() - self.began
        self.most_rss_mb = max(self.most_rss_mb, said["rss_mb"])
        self.tell(self.line())

    def line(self) -> str:
        """Count, pace and remaining time."""
        took = time.monotonic() - self.began
        pace = self.done / took if took > 0 else 0.0
        left = self.total - self.taken_over - self.done
        remains = f", {clock(left / pace)} left" if pace > 0 else ""
        return f"{self.taken_over + self.done:,} of {self.total:,} parcels, {pace:.2f} a second{remains}"


def clock(seconds: float) -> str:
    """Time in words of a clock.

    >>> clock(3725)
    '62 min'
    """
    whole = round(seconds)
    if whole < 90:
        return f"{whole} s"
    if whole < 5400:
        return f"{round(whole / 60)} min"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def job_of(asked: Asked) -> Job:
    """The job that a user asks for, every layer looked at. Raises InputError naming the file and what is wrong."""
    cfg = config_of(asked.site)
    parcels = _ref(asked.parcels, asked.where)
    buildings = _ref(asked.buildings) if asked.buildings else _absolute(cfg.buildings)
    own = [replace(f, ref=_absolute(f.ref)) for f in cfg.features]
    more = [
        FeatureRef(kind="", ref=_ref(text), quality="unknown", depth_unit="", number=len(own) + n)
        for n, text in enumerate(asked.features, 1)
    ]
    elevation = _ref(asked.elevation) if asked.elevation else _absolute(cfg.elevation)
    job = Job(
        parcels=parcels,
        id_column="",
        buildings=buildings,
        features=(*own, *more),
        elevation=elevation,
        elevation_unit=cfg.elevation_unit,
        crs=(),
        spec_file=str(Path(asked.site).resolve()),
        given_kinds=(),
        full=asked.full,
        key="",
        folder="",
    )
    kinds = {"building"} if buildings is not None else set()
    crs = {}
    for ref, said in [(parcels, None), *layers_of(job)]:
        info = _looked_at(ref)
        crs[ref.name] = info["wkt"]
        if ref is parcels:
            job = replace(job, id_column=_id_column(info["fields"], asked.id_column, ref))
        elif said is not None:
            kinds |= {said.kind} if said.kind else _kinds(ref, info["fields"])
    job = replace(job, crs=tuple(sorted(crs.items())), given_kinds=tuple(sorted(kinds)))
    check(job)
    output = Path(os.path.realpath(asked.output))
    for ref in refs_of(job):
        if any(is_one_of(output.with_suffix(s), [ref.path]) for s in (output.suffix, ".parquet", ".png")):
            raise InputError(str(asked.output), f"would replace the input {ref.path.name}", "name another output")
    return replace(job, key=_fingerprint(job), folder=str(output.with_name(f"{output.stem}.parts")))


def _ref(text: str, where: str = "") -> LayerRef:
    """Layer of a text "path" or "path:layer"."""
    path, _, layer = text.partition(":") if not Path(text).exists() and ":" in text[2:] else (text, "", "")
    return LayerRef(written=text, path=Path(os.path.realpath(path)), layer=layer or None, where=where or None)


def _absolute(ref: LayerRef | None) -> LayerRef | None:
    return None if ref is None else replace(ref, path=Path(os.path.realpath(ref.path)))


def _looked_at(ref: LayerRef) -> dict[str, Any]:
    """CRS and columns of a layer."""
    import pyogrio  # noqa: PLC0415

    vectors.there(ref)
    if not is_settled(ref.path):
        what = "is open in another program, and a screening reads it again and again"
        raise InputError(ref.name, what, "save and close it there first, or give a copy of it")
    try:
        layers = [str(row[0]) for row in pyogrio.list_layers(ref.path) if row[1] is not None]
        if ref.layer is None and len(layers) > 1:
            what = f"holds {len(layers)} layers: {', '.join(layers[:6])}"
            raise InputError(ref.name, what, f"name one: {ref.written}:{layers[0]}")  # noqa: TRY301
        info = pyogrio.read_info(ref.path, **ref.which)
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - drivers raise types of their own
        raise InputError(ref.name, f"cannot be read ({plain(error)})", "check the file and its layer") from None
    text = ref.crs or info["crs"]
    if not text:
        raise InputError(ref.name, "has no coordinate reference system", "save it with one")
    crs = vectors.parse_crs(text, ref.name)
    flat = vectors.horizontal(crs)
    if not (flat.is_geographic or flat.is_projected):
        raise InputError(ref.name, f"is in {crs.name}, which has no place on earth", "transform it first")
    return {"wkt": crs.to_wkt(), "fields": [str(f) for f in info["fields"]]}


def _id_column(columns: Sequence[str], wish: str, ref: LayerRef) -> str:
    """Column with the ids of the parcels; "" when they have none, then row numbers do."""
    if wish:
        if wish not in columns:
            raise InputError(
                ref.name, f"has no column {plain(wish, 40)!r}", nearest(wish, columns) if columns else "leave --id out"
            )
        return wish
    named = {c.lower(): c for c in reversed(columns)}
    return next((named[n] for n in ID_NAMES if n in named), "")


def _kinds(ref: LayerRef, columns: Sequence[str]) -> set[str]:
    """Kinds that occur in a layer's column `kind`. Raises InputError when it has none."""
    import pyogrio  # noqa: PLC0415

    column = next((c for c in columns if c.lower() == "kind"), None)
    if column is None:
        raise InputError(
            ref.name, "has no column kind", "add one with the kind of every row, or name the layer in the site file"
        )
    found = pyogrio.read_dataframe(ref.path, **ref.rows, columns=[column], read_geometry=False)
    words = {str(v).strip().lower() for v in found[column].unique()}
    return words & set(load_table("kinds")["kinds"])


def refs_of(job: Job) -> list[LayerRef]:
    """All layers and rasters of a job."""
    return [job.parcels, *(ref for ref, _ in layers_of(job)), *([] if job.elevation is None else [job.elevation])]


def _fingerprint(job: Job) -> str:
    """Digest of all that the verdicts hang on: contents of the files, layers and columns, rules, settings, version of loopgis."""
    digest = hashlib.sha256(f"{VERSION} {job.full} {job.id_column} {job.given_kinds} {job.crs}".encode())
    for ref in refs_of(job):
        digest.update(f"{ref.path.name} {ref.layer} {ref.where} {ref.crs} {_content(ref.path)}".encode())
    kit = kit_of(job.spec_file, job.given_kinds, full=job.full)
    for file in kit.like.files:
        digest.update(repr(file).encode())
    digest.update(Path(job.spec_file).read_bytes())
    return digest.hexdigest()


def _content(path: Path) -> str:
    """Digest of a file's content; of a very large one of its size, time of change, head and tail."""
    if path.is_dir() or path.stat().st_size <= WHOLE_HASH_BYTES:
        return vectors.sha256(path)
    stat = path.stat()
    digest = hashlib.sha256(f"{stat.st_size} {stat.st_mtime_ns}".encode())
    with path.open("rb") as stream:
        digest.update(stream.read(TAIL_BYTES))
        stream.seek(-TAIL_BYTES, os.SEEK_END)
        digest.update(stream.read())
    return digest.hexdigest()


def roll_of(job: Job) -> Roll:
    """All parcels of a job. Raises InputError when there are none."""
    import pyogrio  # noqa: PLC0415

    ref = job.parcels
    try:
        columns = [job.id_column] if job.id_column else []
        table = pyogrio.read_dataframe(ref.path, **ref.rows, columns=columns, read_geometry=False, fid_as_index=True)
        fids, boxes = pyogrio.read_bounds(ref.path, **ref.rows)
    except Exception as error:  # noqa: BLE001 - drivers raise types of their own
        raise InputError(ref.name, f"cannot be read ({plain(error)})", "check the file and --where") from None
    if not len(table):
        raise InputError(ref.name, "holds no parcel", "check path, layer and --where")
    own = np.asarray(table.index, dtype=np.int64)
    place = {int(f): n for n, f in enumerate(fids)}
    order = np.array([place.get(int(f), -1) for f in own])
    found = np.full((len(own), 4), np.nan)
    found[order >= 0] = np.asarray(boxes, dtype=float).T[order[order >= 0]]
    names = table[job.id_column] if job.id_column else table.index.to_series()
    twins = own[np.asarray(names.duplicated(keep=False) & names.notna())]
    return Roll(fids=own, twins=frozenset(int(f) for f in twins), boxes=found)


def blocks_of(roll: Roll, done: Iterable[int], size: int) -> list[Block]:
    """Blocks of the parcels that are not done, along a Hilbert curve, so that each reads one corner of the town."""
    import geopandas  # noqa: PLC0415
    import shapely  # noqa: PLC0415

    left = ~np.isin(roll.fids, np.fromiter(done, dtype=np.int64))
    fids, boxes = roll.fids[left], roll.boxes[left]
    middle = np.column_stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)])
    good = np.isfinite(middle).all(axis=1) & (np.abs(middle) < 1e9).all(axis=1)
    key = np.full(len(fids), -1, dtype=np.int64)
    if good.sum() > 1:
        low, high = np.percentile(middle[good], [0.5, 99.5], axis=0)
        span = np.maximum(high - low, 1e-9)
        points = geopandas.GeoSeries(shapely.points(np.clip(middle[good], low - 0.1 * span, high + 0.1 * span)))
        key[good] = points.hilbert_distance(level=LEVEL).to_numpy().astype(np.int64)
    order = np.lexsort((fids, key))
    ordered = [int(f) for f in fids[order]]
    runs = [tuple(ordered[i : i + size]) for i in range(0, len(ordered), size)]
    return [Block(fids=run, twins=roll.twins & frozenset(run)) for run in runs]


def do_block(job: Job, block: Block) -> dict[str, Any]:
    """Judge a block and write its part: the task of a worker. Gives counts only."""
    began = time.perf_counter()
    try:
        found = list(verdicts(job, block))
        write_part(Path(job.folder), job.key, found)
    except InputError as error:  # travels as text: an error with parts of its own cannot be sent
        return {"error": (error.where, error.what, error.remedy)}
    _give_back()
    return {
        "parcels": len(found),
        "outcomes": dict(Counter(v.outcome for v in found)),
        "seconds": time.perf_counter() - began,
        "rss_mb": rss_mb(),
    }


def _give_back() -> None:
    """Return freed memory to the system, where the C library can: small pieces between what is kept would add up over a town."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def rss_mb() -> float:
    """Resident memory of this process now, megabytes; its peak where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, IndexError, ValueError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return pages * resource.getpagesize() / 1e6


def run(asked: Asked, job: Job, roll: Roll, tell: Callable[[str], None]) -> Told:
    """Judge every parcel that is not judged yet. Parts then hold a verdict on each.

    Raises InputError when parts are of other inputs, or the scheduler cannot be reached or is gone.
    """
    folder = Path(job.folder)
    about = {"parcels": len(roll.fids), "input": job.parcels.path.name, "version": VERSION}
    open_folder(folder, job.key, about, fresh=asked.fresh)
    with held(folder):
        done = read_parts(folder, job.key, ["fid"]).column("fid").to_numpy()
        told = Told(total=len(roll.fids), tell=tell, taken_over=len(np.unique(done)))
        blocks = blocks_of(roll, done, asked.block)
        if told.taken_over:
            tell(f"{told.taken_over:,} of {told.total:,} parcels were done before")
        if not blocks:
            return told
        if asked.workers == 0 and not asked.scheduler:
            for block in blocks:
                told.add(do_block(job, block))
            return told
        try:
            with _client(asked) as client, client.as_current():
                told.began = time.monotonic()
                _spread(client, job, blocks, told)
        except KeyboardInterrupt:
            tell("stopped: run the same command again to go on, parcels that are done are kept")
            raise
    return told


def _silence() -> None:
    """Keep the cluster's own talk from the terminal: what matters of it is told in one line of ours."""
    for name in ("asyncio", *(n for n in logging.root.manager.loggerDict if n.startswith(("distributed", "tornado")))):
        logger = logging.getLogger(name)
        logger.handlers[:] = [logging.NullHandler()]
        logger.propagate = False


@contextmanager
def _client(asked: Asked) -> Iterator[Any]:
    """Client of the scheduler that was named, or of a cluster on this machine."""
    dask: Any = import_module("dask")
    distributed: Any = import_module("distributed")
    _silence()
    dask.config.set(
        {
            "distributed.comm.timeouts.connect": f"{CONNECT_S:.0f}s",
            "distributed.admin.large-graph-warning-threshold": "1GB",
            "distributed.worker.profile.enabled": False,  # its samples would add up in every worker
            "distributed.admin.low-level-log-length": KEPT_TASKS,  # each record keeps a whole task
            "distributed.diagnostics.computations.max-history": KEPT_TASKS,
            "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": TRIM_BYTES,
        }
    )
    if asked.scheduler:
        if not _ADDRESS.fullmatch(asked.scheduler):
            remedy = "write tcp://HOST:PORT, as the scheduler tells when it starts"
            raise InputError(f"--scheduler {asked.scheduler}", "is no address", remedy)
        try:
            client = distributed.Client(asked.scheduler, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            what = f"no scheduler answers ({plain(error, 120)})"
            raise InputError(
                f"--scheduler {asked.scheduler}", what, "check address and port, or leave it out"
            ) from None
        try:
            yield client
        finally:
            client.close(timeout=2)
        return
    workers = asked.workers or max(1, len(os.sched_getaffinity(0)))
    with ExitStack() as stack:
        with _deaf():
            cluster = distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                dashboard_address=None,
                silence_logs=logging.CRITICAL + 1,
            )
            stack.enter_context(cluster)
        client = stack.enter_context(distributed.Client(cluster, set_as_default=False))
        stack.enter_context(_kept_up(cluster, workers))
        yield client


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes that are started now do not hear Ctrl-C, which a terminal sends to all: we do, and end them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _kept_up(cluster: Any, workers: int) -> Iterator[None]:
    """Start workers anew that their keeper gave up: it does when one ends before it is all up, as by a task that waited for it."""
    over = threading.Event()

    def look() -> None:
        while not over.wait(KEEP_UP_S):
            cluster.scale(workers)

    keeper = threading.Thread(target=look, daemon=True)
    keeper.start()
    try:
        yield
    finally:
        over.set()
        keeper.join()


def _spread(client: Any, job: Job, blocks: Sequence[Block], told: Told) -> None:
    """Hand out the blocks, a few ahead of the workers, and count what comes back; a block that kills its workers is taken apart.

    The scheduler suspects all that a dead worker had in hand, so a single suspect is tried again with nothing beside it.
    """
    distributed: Any = import_module("distributed")
    cancelled = import_module("distributed.client").FutureCancelledError

    waiting = list(reversed(blocks))
    at_work: dict[str, Block] = {}
    suspects: list[Block] = []

    def hand_out() -> Any:
        block = waiting.pop()
        future = client.submit(do_block, job, block, pure=False, retries=0)
        at_work[future.key] = block
        return future

    workers = len(client.scheduler_info(n_workers=-1)["workers"])
    if not workers:
        told.tell("the scheduler has no worker yet: waiting for one")
    ahead = max(4, AHEAD * max(1, workers))
    queue = distributed.as_completed([hand_out() for _ in range(min(ahead, len(waiting)))])
    try:
        for future in queue:
            block = at_work.pop(future.key)
            try:
                told.add(future.result())
            except distributed.KilledWorker:
                alone = [Block(fids=(fid,), twins=block.twins & {fid}) for fid in block.fids]
                (waiting if len(alone) > 1 else suspects).extend(alone)
            future.release()
            while waiting and len(at_work) < ahead:
                queue.add(hand_out())
        for block in suspects:
            try:
                told.add(client.submit(do_block, job, block, pure=False, retries=0).result())
            except distributed.KilledWorker:
                told.add(_lost(job, block))
    except (cancelled, OSError) as error:
        raise InputError(
            "screen", LOST if client.status != "running" or not isinstance(error, OSError) else plain(error)
        ) from None
    if at_work or waiting:
        raise InputError("screen", LOST)


def _lost(job: Job, block: Block) -> dict[str, Any]:
    """What is said of a parcel that ends its workers whenever it is tried."""
    (fid,) = block.fids
    why = "its worker ended every time it was tried"
    lost = Verdict(fid=fid, parcel_id=name_of(job, fid), outcome="not_judged", method="none", why=why)
    write_part(Path(job.folder), job.key, [lost])
    return {"parcels": 1, "outcomes": {"not_judged": 1}, "seconds": 0.0, "rss_mb": 0.0}


def name_of(job: Job, fid: int) -> str:
    """Id of one parcel."""
    import pyogrio  # noqa: PLC0415

    if not job.id_column:
        return str(fid)
    row = pyogrio.read_dataframe(
        job.parcels.path, **job.parcels.which, fids=[fid], columns=[job.id_column], read_geometry=False
    )
    return ided(row[job.id_column].iloc[0], fid)


def ready_to_write(asked: Asked) -> None:
    """Raise InputError when the results could not be written; asked before the long computation."""
    output = Path(os.path.realpath(asked.output))
    if output.suffix.lower() != ".gpkg":
        raise InputError(str(asked.output), "is no GeoPackage name", "write -o NAME.gpkg")
    if output.is_dir():
        raise InputError(str(asked.output), "is a folder", "name a file")
    names = [output.name, output.with_suffix(".parquet").name, output.with_suffix(".png").name]
    check_folder(output.parent, names, overwrite=asked.overwrite)
    refuse_foreign(output)
    if not output.parent.is_dir() or not os.access(output.parent, os.W_OK):
        raise InputError(str(output.parent), "cannot be written", "check the folder and its permissions")
