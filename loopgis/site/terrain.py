"""Elevation rasters into Terrain: the raster's own cells in metres, with a map from frame to cells.

Trust for the vertical unit: the site file, the CRS's vertical axis, the band's unit tag, else metres with a warning. To add a unit
name: a row in UNITS.
"""

from __future__ import annotations

import math
import warnings
import zipfile
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.in_use import readable
from loopgis.core.openable import check_format
from loopgis.core.units import FT_M, US_FT_M
from loopgis.site import terrain_fit, vectors
from loopgis.site.log import plain

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Polygon

    from loopgis.core.frame import Frame
    from loopgis.site.config import LayerRef
    from loopgis.site.log import Log
    from loopgis.site.model import Terrain

SENTINEL_LOW, SENTINEL_HIGH = -1000.0, 1e5
"""Elevations outside this range, in the file's own unit, stand for nodata: no lot lies there."""
UNITS = {
    **dict.fromkeys(("m", "metre", "meter", "metres", "meters"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "international feet"), FT_M),
    **dict.fromkeys(
        [
            "us survey foot",
            "us survey feet",
            "us-ft",
            "ftus",
            "usft",
            "us ft",
            "foot_us",
            "survey_foot",
            "us_survey_foot",
        ],
        US_FT_M,
    ),
    **dict.fromkeys(("cm", "centimetre", "centimeter"), 0.01),
}
RASTERS = (".tif", ".tiff", ".asc", ".img", ".dem", ".hgt", ".bil", ".flt", ".grd", ".xyz")


def unit_m(text: str, where: str) -> float:
    """Metres per vertical unit of that name. Raises InputError for an unknown one."""
    factor = UNITS.get(text.strip().lower())
    if factor is None:
        raise InputError(where, f"{plain(text, 40)!r} is no unit of elevation", 'write "m", "ft" or "us survey foot"')
    return factor


def read(ref: LayerRef, unit: str, frame: Frame, parcel: Polygon, log: Log) -> Terrain:
    """Terrain round a lot. unit: the site file's elevation_unit, "" when left out.

    Raises InputError naming the raster, what is wrong and the remedy.
    """
    import rasterio  # noqa: PLC0415
    from rasterio.errors import NotGeoreferencedWarning, RasterioError  # noqa: PLC0415

    vectors.there(ref)
    name = ref.name
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(raster_path(ref)) as source:
                return from_source(source, ref, unit, frame, parcel, log)
    except RasterioError as error:
        raise InputError(name, f"cannot be read as a raster ({plain(error, 140)})", "check the file") from None


def raster_path(ref: LayerRef) -> str:
    """Path for the raster library; the one raster inside a zip file."""
    if ref.path.suffix.lower() != ".zip":
        return str(readable(ref.path))
    try:
        with zipfile.ZipFile(ref.path) as pack:
            inside = [i for i in pack.infolist() if i.filename.lower().endswith(RASTERS)]
    except (zipfile.BadZipFile, OSError):
        raise InputError(ref.name, "is no readable zip file", "copy the file again") from None
    if len(inside) != 1:
        raise InputError(ref.name, f"holds {len(inside)} rasters", "unpack it and name the one that is meant")
    return f"/vsizip/{ref.path}/{inside[0].filename}"


def from_source(source: Any, ref: LayerRef, unit: str, frame: Frame, parcel: Polygon, log: Log) -> Terrain:
    """Terrain under a lot from a raster that is open already. Raises as `read` does."""
    name = ref.name
    crs = check_source(source, ref, log)
    flat = vectors.horizontal(crs)
    to_raster = partial(frame.transformer_from(flat.to_wkt()).transform, direction="INVERSE")
    window = _window(source, to_raster, parcel, name)
    z, affine = _cells(source, window, name, log)
    z *= _vertical(source, crs, unit, name, log)
    if affine.b or affine.d or affine.a < 0 or affine.e > 0:
        z, affine = _north_up(z, affine, name)
    return terrain_fit.fitted(z, affine, to_raster, parcel, name, log, crs_wkt=flat.to_wkt())


def check_source(source: Any, ref: LayerRef, log: Log) -> Any:
    """CRS of an open raster. Raises InputError for one that cannot be meant as elevations, or does not say where it lies."""
    _sane(source, ref.name, log)
    return _crs(source, ref, log)


def _sane(source: Any, name: str, log: Log) -> None:
    """Refuse rasters that cannot be meant, warn about odd ones."""
    check_format(source.driver, name)
    if not source.count:
        raise InputError(name, "holds no band", "name the raster itself")
    side = max(source.width, source.height)
    if side > limits.most("side"):
        size = f"claims {source.width:,} x {source.height:,} cells"
        raise limits.too_much(name, size, vectors.CUT_OUT, "side", side)
    kind = str(source.dtypes[0])
    rows, cols = source.block_shapes[0]
    mixed = source.count if source.interleaving is not None and source.interleaving.value == "PIXEL" else 1
    block_mb = rows * cols * mixed * np.dtype(kind.replace("complex_int16", "complex64")).itemsize / 1e6
    if block_mb > limits.most("block_mb"):
        bands = f" of {mixed:,} bands" if mixed > 1 else ""
        what = f"is stored in blocks of {rows:,} x {cols:,} cells{bands}"
        raise limits.too_much(name, what, f"save it tiled, or {vectors.CUT_OUT}", "block_mb", block_mb)
    if kind.startswith("complex"):
        raise InputError(name, f"holds {kind} values", "give elevations as plain numbers")
    size = source.transform.determinant
    if source.transform.is_identity or not (1e-18 < abs(size) < 1e18 and all(map(math.isfinite, source.transform))):
        raise InputError(name, "has no georeference", "add its world file, or use a GeoTIFF")
    if source.count > 1:
        log.add_warning("raster-bands", name, f"has {source.count} bands; the first is taken as elevation")
    if kind == "uint8":
        log.add_warning("raster-bytes", name, "holds whole numbers from 0 to 255", "is it a picture, not elevations?")


def _crs(source: Any, ref: LayerRef, log: Log) -> Any:
    own = None if source.crs is None else vectors.parse_crs(source.crs.to_wkt(), ref.name)
    if ref.crs is None and own is None:
        remedy = 'write elevation = { path = "...", crs = "EPSG:..." }'
        raise InputError(ref.name, "has no coordinate reference system", remedy)
    crs: Any = own if ref.crs is None else vectors.parse_crs(ref.crs, ref.name)
    if ref.crs is not None and own is not None and not own.equals(crs, ignore_axis_order=True):
        log.add_warning(
            "crs-overruled", ref.name, f"says it is in {own.name}; {crs.name} of the site file is taken instead"
        )
    flat = vectors.horizontal(crs)
    if not (flat.is_projected or flat.is_geographic):
        what = f"is in {crs.name}, a site grid or other system with no place on earth"
        raise InputError(ref.name, what, "transform it into a real coordinate system first")
    return crs


def _window(source: Any, to_raster: Any, parcel: Polygon, name: str) -> Any:
    """Rows and columns round the lot, clipped to the raster."""
    from rasterio.windows import Window  # noqa: PLC0415

    box = shapely.buffer(parcel.envelope, terrain_fit.AROUND_M, join_style="mitre")
    ring = shapely.get_coordinates(shapely.segmentize(box.exterior, 25.0))
    x, y = to_raster(ring[:, 0], ring[:, 1])
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError(name, "its coordinate system does not reach the lot", "check the raster's coordinate system")
    c, r = terrain_fit.applied(~source.transform, np.asarray(x), np.asarray(y))
    c0, c1 = max(0, math.floor(c.min()) - 1), min(source.width, math.ceil(c.max()) + 1)
    r0, r1 = max(0, math.floor(r.min()) - 1), min(source.height, math.ceil(r.max()) + 1)
    if c1 <= c0 or r1 <= r0:
        raise InputError(name, "covers 0 % of the lot", "is it the right place and coordinate system?")
    _not_too_many((c1 - c0) * (r1 - r0), name)
    return Window(c0, r0, c1 - c0, r1 - r0)


def _not_too_many(cells: int, name: str) -> None:
    """InputError for more cells round the lot than are worked on."""
    most = limits.most("cells")
    if cells > most:
        remedy = f"resample it so that there are at most {most:,.0f}"
        raise limits.too_much(name, f"has {cells:,} cells round the lot", remedy, "cells", cells)


def _cells(source: Any, window: Any, name: str, log: Log) -> tuple[NDArray[np.float64], Any]:
    """Cells of a window with nodata as NaN and the band's scale applied, and their own transform."""
    data = source.read(1, window=window, masked=True)
    z: NDArray[np.float64] = np.ma.filled(data.astype(np.float64), np.nan)
    z = z * float(source.scales[0]) + float(source.offsets[0])
    odd = np.isfinite(z) & ((z < SENTINEL_LOW) | (z > SENTINEL_HIGH))
    if odd.any():
        what = f"{int(odd.sum())} cells hold values like {float(z[odd][0]):g}, taken as nodata"
        log.add_warning("raster-sentinel", name, what, "declare the nodata value in the file")
        z[odd] = np.nan
    z[~np.isfinite(z)] = np.nan
    return z, source.window_transform(window)


def _vertical(source: Any, crs: Any, unit: str, name: str, log: Log) -> float:
    """Metres per vertical unit."""
    tag = UNITS.get(str(source.units[0] or "").strip().lower())
    axis = crs.sub_crs_list[1].axis_info[0] if crs.is_compound and crs.sub_crs_list[1].axis_info else None
    if axis is not None and axis.direction.lower() == "down":
        raise InputError(name, "holds depths, positive downwards", "give elevations, positive upwards")
    own = float(axis.unit_conversion_factor) if axis is not None else tag
    if unit:
        chosen = unit_m(unit, "[site] elevation_unit")
        if own is not None and abs(own / chosen - 1) > 1e-3:
            what = f"says its unit is {own:g} m; elevation_unit = {unit!r} of the site file is taken instead"
            log.add_warning("vertical-unit", name, what, "leave elevation_unit out if the file is right")
        return chosen
    if own is not None:
        return own
    said = str(source.units[0] or "").strip()
    what = f"its vertical unit {plain(said, 30)!r} is not known" if said else "says nothing of its vertical unit"
    what += "; metres are assumed"
    log.add_warning("vertical-unit", name, what, 'write elevation_unit = "m" or "ft" under [site]')
    return 1.0


def _north_up(z: NDArray[np.float64], affine: Any, name: str) -> tuple[NDArray[np.float64], Any]:
    """Flip or, for a turned raster, resample bilinearly onto north-up cells of the same size."""
    from affine import Affine  # noqa: PLC0415

    if not affine.b and not affine.d:
        if affine.e > 0:
            z, affine = z[::-1], Affine(affine.a, 0, affine.c, 0, -affine.e, affine.f + affine.e * z.shape[0])
        if affine.a < 0:
            z, affine = z[:, ::-1], Affine(-affine.a, 0, affine.c + affine.a * z.shape[1], 0, affine.e, affine.f)
        return np.ascontiguousarray(z), affine
    rows, cols = z.shape
    corners = np.column_stack(terrain_fit.applied(affine, np.array([0, cols, 0, cols]), np.array([0, 0, rows, rows])))
    size = math.sqrt(abs(affine.determinant))
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    new = Affine(size, 0, x0, 0, -size, y1)
    shape = (math.ceil((y1 - y0) / size), math.ceil((x1 - x0) / size))
    _not_too_many(shape[0] * shape[1], name)
    c, r = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    old_c, old_r = terrain_fit.applied(~affine, *terrain_fit.applied(new, c, r))
    return terrain_fit.bilinear(z, old_c - 0.5, old_r - 0.5), new
