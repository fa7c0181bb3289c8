"""What a block of parcels needs, read from the town's layers: its own rows, what lies round them, and the ground under them.

Only rows that can matter to a parcel are read, by the layers' own indexes; each worker keeps one handle of the raster open.
What is found for a parcel never depends on which others are in its block: rows are named by their number in the file and come in
its order.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.frame import crs_of, to_degrees
from loopgis.screening.one import Given, Kit, judge, spec_of
from loopgis.site import config, features, shapes, terrain, vectors
from loopgis.site.features import KEEP_WITHIN_M
from loopgis.site.log import Log, plain
from loopgis.site.model import FLAT, Terrain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.frame import Frame
    from loopgis.screening.model import Block, Job, Verdict
    from loopgis.site.config import LayerRef

WIDEST_M = 4000.0
"""A block that reaches farther than this is read parcel by parcel: one lot that lies elsewhere must not fetch the whole town."""
JOBS_KEPT = 2
RASTER_CACHE_MB = 64
DEGREE_M, STEEPEST_DEG = 110_500.0, 85.0
"""A degree of latitude is nowhere shorter, one of longitude times the cosine neither; no frame lies nearer to a pole."""
_HERE = threading.local()


@dataclass(eq=False)
class Desk:
    """What a worker keeps between the blocks of a job: the kit, and the raster's handle."""

    job: Job
    kit: Kit
    raster: Any = None
    _columns: dict[str, frozenset[str]] = field(default_factory=dict)

    def columns(self, ref: LayerRef) -> frozenset[str]:
        """Names of a layer's columns, in lower case."""
        if ref.name not in self._columns:
            import pyogrio  # noqa: PLC0415

            found = pyogrio.read_info(ref.path, **ref.which)["fields"]
            self._columns[ref.name] = frozenset(str(f).lower() for f in found)
        return self._columns[ref.name]

    def close(self) -> None:
        """Give the handle back."""
        if self.raster is not None:
            self.raster.close()
            self.raster = None


def desk_of(job: Job) -> Desk:
    """The desk of a job in this thread, made when it is first asked for. Raises InputError when the job cannot be read."""
    desks: OrderedDict[str, Desk] = _HERE.__dict__.setdefault("desks", OrderedDict())
    if job.key not in desks:
        desks[job.key] = _desk(job)
        while len(desks) > JOBS_KEPT:
            desks.popitem(last=False)[1].close()
    return desks[job.key]


def kit_of(spec_file: str, given_kinds: Sequence[str], *, full: bool) -> Kit:
    """Kit of a site file without a parcel. Raises InputError with its first error."""
    return Kit(spec_of(config_of(spec_file)), frozenset(given_kinds), full)


def config_of(spec_file: str | Path) -> config.Config:
    """A site file without a parcel, as a town has it. Raises InputError with its first error, and for keys of a single lot."""
    log = Log()
    cfg = config.load(spec_file, log)
    single = sorted({"site.parcel", "site.ticket", "pad.at", "pad.entry", "layout.keep"} & cfg.given)
    if single:
        table, key = single[0].split(".")
        raise InputError(
            f"{cfg.path} [{table}] {key}", "belongs to a single lot", "leave it out of the file for a whole town"
        )
    for found in log.findings:
        if found.severity == "error" and not (found.where.endswith("[site] parcel") and found.message == "is missing"):
            raise InputError(found.where, found.message, found.remedy)
    return cfg


def check(job: Job) -> None:
    """Raise InputError when workers could not use a job: figures that contradict each other, a raster that is none."""
    desk = _desk(job)
    desk.close()
    desk.kit.like  # noqa: B018 - made to see whether it can be


def _desk(job: Job) -> Desk:
    desk = Desk(job, kit_of(job.spec_file, job.given_kinds, full=job.full))
    if job.elevation is not None:
        import rasterio  # noqa: PLC0415
        from rasterio.errors import RasterioError  # noqa: PLC0415

        vectors.there(job.elevation)
        try:
            desk.raster = rasterio.open(terrain.raster_path(job.elevation))
            terrain.check_source(desk.raster, job.elevation, Log())
        except RasterioError as error:
            what = f"cannot be read as a raster ({plain(error, 140)})"
            raise InputError(job.elevation.name, what, "check the file") from None
    return desk


def verdicts(job: Job, block: Block) -> Iterator[Verdict]:
    """Verdicts on the parcels of a block, in its order."""
    desk = desk_of(job)
    for given in read_block(desk, block):
        yield judge(desk.kit, given)


def read_block(desk: Desk, block: Block) -> Iterator[Given]:
    """What is needed for each parcel of a block, in its order."""
    job = desk.job
    table = _parcels(job, block.fids)
    wkt = job.wkt(job.parcels)
    bounds = {fid: _bounds(g) for fid, g in zip(table.index, table.geometry, strict=True)}
    good = [b for b in bounds.values() if b is not None]
    together = _around(good, wkt) if good else None
    whole = None
    if together is not None and together.widest_m <= WIDEST_M:
        whole = [_Near(desk, ref, told, together) for ref, told in layers_of(job)]
    for fid in block.fids:
        own = bounds[fid]
        box = None if own is None else _around([own], wkt)
        near = [] if box is None else whole or [_Near(desk, ref, told, box) for ref, told in layers_of(job)]
        yield Given(
            fid=fid,
            parcel_id=str(table.at[fid, "parcel_id"]),
            lot=vectors.Layer(table.loc[[fid]], wkt, "", job.parcels.name),
            rows=[] if box is None else [(n.round(box), n.told) for n in near],
            ground=ground_of(desk),
            remark="another row has the same id" if fid in block.twins else "",
        )


def layers_of(job: Job) -> list[tuple[LayerRef, features.Told | None]]:
    """Layers of buildings (told None) and of everything else."""
    found: list[tuple[LayerRef, features.Told | None]] = []
    if job.buildings is not None:
        found.append((job.buildings, None))
    found += [
        (f.ref, features.Told(kind=f.kind, quality=f.quality, depth_unit=f.depth_unit))
        for f in job.features
        if f.ref is not None
    ]
    return found


def ground_of(desk: Desk) -> Callable[[Frame, Polygon, Log], Terrain]:
    """Maker of the terrain under a lot, from the open raster."""

    def flat(frame: Frame, lot: Polygon, log: Log) -> Terrain:  # noqa: ARG001
        return FLAT

    def read(frame: Frame, lot: Polygon, log: Log) -> Terrain:
        import rasterio  # noqa: PLC0415
        from rasterio.errors import RasterioError  # noqa: PLC0415

        ref = desk.job.elevation
        assert ref is not None  # noqa: S101 - narrowed by the caller
        try:
            with rasterio.Env(GDAL_CACHEMAX=RASTER_CACHE_MB):  # taken up by the first read of the process
                return terrain.from_source(desk.raster, ref, desk.job.elevation_unit, frame, lot, log)
        except RasterioError as error:
            raise InputError(ref.name, f"cannot be read as a raster ({plain(error, 140)})", "check the file") from None

    return flat if desk.raster is None else read


def _parcels(job: Job, fids: Sequence[int]) -> Any:
    """Rows of the parcels, by their numbers, columns parcel_id and geometry."""
    import geopandas  # noqa: PLC0415
    import pyogrio  # noqa: PLC0415

    found = pyogrio.read_dataframe(
        job.parcels.path,
        **job.parcels.which,
        fids=np.sort(np.array(fids, dtype=np.int64)),
        columns=[job.id_column] if job.id_column else [],
        fid_as_index=True,
        on_invalid="ignore",
    )
    if not isinstance(found, geopandas.GeoDataFrame):
        raise InputError(job.parcels.name, "has no geometry", "give a layer with geometry")
    names = (
        [ided(v, f) for v, f in zip(found[job.id_column], found.index, strict=True)]
        if job.id_column
        else map(str, found.index)
    )
    return geopandas.GeoDataFrame(
        {"parcel_id": list(names)}, geometry=found.geometry.values, index=found.index, crs=found.crs
    )


def ided(value: Any, fid: int) -> str:
    """Id of a row as text; its number when the column is empty."""
    text = plain(value, 80)
    return (
        f"row {fid}"
        if text in {"", "None", "nan", "<NA>", "NaT"}
        else text.removesuffix(".0")
        if isinstance(value, float)
        else text
    )


def _bounds(geometry: BaseGeometry | None) -> tuple[float, float, float, float] | None:
    """Bounds of a lot, None for one that is nowhere."""
    if geometry is None or not shapes.finite(geometry):
        return None
    return tuple(float(v) for v in geometry.bounds)  # type: ignore[return-value]


@dataclass(frozen=True, eq=False)
class _Around:
    """Box of some lots in longitude and latitude of the datum of the parcels, of which wkt is the CRS."""

    box_deg: tuple[float, float, float, float]
    wkt: str

    @property
    def widest_m(self) -> float:
        x0, y0, x1, y1 = self.box_deg
        return max((x1 - x0) * math.cos(math.radians((y0 + y1) / 2)), y1 - y0) * DEGREE_M

    def within(self, wkt: str, margin_m: float) -> tuple[float, float, float, float] | None:
        """Bounds, with a margin all round, in another CRS; None when they are nowhere in it."""
        west, south, east, north = self.box_deg
        up = margin_m / DEGREE_M
        side = up / math.cos(math.radians(max(abs(south), abs(north))))
        wide = (west - side, south - up, east + side, north + up)
        x0, y0, x1, y1 = (float(v) for v in _from_degrees(self.wkt, wkt).transform_bounds(*wide))
        return (x0, y0, x1, y1) if all(map(math.isfinite, (x0, y0, x1, y1))) else None


def _around(boxes: Sequence[tuple[float, float, float, float]], wkt: str) -> _Around | None:
    """Box of boxes given in a CRS; None when they cannot be placed."""
    flat = _plan(wkt)
    x0, y0, x1, y1 = np.array(boxes).min(axis=0)[:2].tolist() + np.array(boxes).max(axis=0)[2:].tolist()
    west, south, east, north = (float(v) for v in to_degrees(flat).transform_bounds(x0, y0, x1, y1))
    if not all(map(math.isfinite, (west, south, east, north))) or max(abs(south), abs(north)) > STEEPEST_DEG:
        return None
    east += 360 if east < west else 0  # across the date line
    return _Around((west, south, east, north), flat)


@lru_cache(maxsize=32)
def _plan(wkt: str) -> str:
    """The part of a CRS that places x and y."""
    return str(vectors.horizontal(vectors.parse_crs(wkt, "parcels")).to_wkt())


@lru_cache(maxsize=32)
def _from_degrees(of: str, to: str) -> Any:
    """Transformer from longitude and latitude of the datum of one CRS to another CRS."""
    from pyproj import Transformer  # noqa: PLC0415

    return Transformer.from_crs(crs_of(of).geodetic_crs, vectors.parse_crs(to, "layer"), always_xy=True)


class _Near:
    """Rows of a layer round some lots, ready to be asked for those round one of them."""

    def __init__(self, desk: Desk, ref: LayerRef, told: features.Told | None, around: _Around) -> None:
        """Read the rows: as far out as one of their kinds can matter, farther when a column of their own says how wide they are."""
        self.told, self.ref, self.wkt = told, ref, desk.job.wkt(ref)
        self.margin_m = KEEP_WITHIN_M if "width_m" in desk.columns(ref) else min(KEEP_WITHIN_M, desk.kit.farthest_m)
        self.table = self._read(around.within(self.wkt, self.margin_m))
        shape = np.array(self.table.geometry, dtype=object)
        usable = np.array([shapes.finite(g) for g in shape], dtype=bool)
        self.box = np.full((len(shape), 4), np.nan)
        self.box[usable] = shapely.bounds(shape[usable])

    def _read(self, box: tuple[float, float, float, float] | None) -> Any:
        import geopandas  # noqa: PLC0415
        import pyogrio  # noqa: PLC0415

        options: dict[str, Any] = {"max_features": 0} if box is None else {"bbox": box}
        found = pyogrio.read_dataframe(
            self.ref.path, **self.ref.rows, **options, fid_as_index=True, on_invalid="ignore"
        )
        if not isinstance(found, geopandas.GeoDataFrame):
            raise InputError(self.ref.name, "has no geometry", "give a layer with geometry")
        found = found.rename_geometry("geometry") if found.active_geometry_name != "geometry" else found
        if not {str(c).lower() for c in found.columns} & set(features.ID_COLUMNS):
            found["fid"] = found.index  # a row's number in the file, whatever block it is read with
        return found.sort_index()

    def round(self, around: _Around) -> vectors.Layer:
        """Rows whose boxes reach into the surroundings of a lot, in the order of the file."""
        box = around.within(self.wkt, self.margin_m)
        keep: NDArray[np.bool_] = np.zeros(len(self.table), dtype=bool)
        if box is not None and len(self.table):
            with np.errstate(invalid="ignore"):
                keep = (
                    (self.box[:, 0] <= box[2])
                    & (self.box[:, 2] >= box[0])
                    & (self.box[:, 1] <= box[3])
                    & (self.box[:, 3] >= box[1])
                )
        return vectors.Layer(self.table[keep], self.wkt, "", self.ref.name)
