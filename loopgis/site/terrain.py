"""Elevation rasters into Terrain: the raster's own cells in metres, with a map from frame to cells.

Trust for the vertical unit: the site file, the CRS's vertical axis, the band's unit tag, else metres with a warning.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.units import FT_M, US_FT_M
from loopgis.site.model import Terrain

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Polygon

    from loopgis.core.frame import Frame
    from loopgis.site.config import LayerRef
    from loopgis.site.vectors import Log

AROUND_M = 60.0
MAX_CELLS = 25_000_000
MAX_SIDE = 2_000_000
SENTINEL_M = -1000.0
FILL_SHARE = 0.02
UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "ft": FT_M,
    "foot": FT_M,
    "feet": FT_M,
    "international foot": FT_M,
    "us survey foot": US_FT_M,
    "us-ft": US_FT_M,
    "ftus": US_FT_M,
    "survey_foot": US_FT_M,
    "us_survey_foot": US_FT_M,
    "usft": US_FT_M,
    "us survey feet": US_FT_M,
    "foot_us": US_FT_M,
}


def read(ref: LayerRef, unit: str | None, frame: Frame, parcel: Polygon, log: Log) -> Terrain:
    """Terrain round a lot. Raises InputError naming the raster, what is wrong and the remedy."""
    import rasterio  # noqa: PLC0415
    from rasterio.errors import RasterioError  # noqa: PLC0415

    name = ref.written
    if not ref.path.exists():
        raise InputError(name, "is not there", "check the path; it is relative to the site file")
    try:
        with rasterio.open(ref.path) as source:
            return _from(source, ref, unit, frame, parcel, log)
    except (RasterioError, rasterio.errors.RasterioIOError) as error:
        text = " ".join(str(error).split())[:140]
        raise InputError(name, f"cannot be read as a raster ({text})", "check the file") from None


def _from(source: Any, ref: LayerRef, unit: str | None, frame: Frame, parcel: Polygon, log: Log) -> Terrain:
    from pyproj import CRS, Transformer  # noqa: PLC0415

    name = ref.written
    if source.count > 1:
        log.add_warning("raster-bands", name, f"has {source.count} bands; the first is taken as elevation")
    if max(source.width, source.height) > MAX_SIDE:
        raise InputError(
            name, f"claims {source.width} x {source.height} cells", "cut out the surroundings of the lot first"
        )
    if ref.crs is None and source.crs is None:
        raise InputError(
            name, "has no coordinate reference system", 'write elevation = { path = "...", crs = "EPSG:..." }'
        )
    crs = CRS.from_user_input(ref.crs) if ref.crs else CRS.from_wkt(source.crs.to_wkt())
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if not (horizontal.is_projected or horizontal.is_geographic):
        raise InputError(name, f"has a local site grid ({crs.name}) with no place on earth", "transform it first")
    affine = source.transform
    if affine.is_identity:
        raise InputError(name, "has no georeference", "add a world file or use a GeoTIFF")
    to_raster = Transformer.from_crs(frame.crs, horizontal, always_xy=True)
    window = _window(source, to_raster, parcel, name)
    z, affine = _cells(source, window, name, log)
    z = z * _vertical(source, crs, unit, name, log)
    if affine.b or affine.d or affine.a < 0 or affine.e > 0:
        z, affine = _north_up(z, affine)
    col, row, cell = _maps(to_raster, affine, parcel, name)
    terrain = Terrain(z, col, row, cell, crs_wkt=horizontal.to_wkt(), affine=tuple(affine)[:6])
    return _checked(terrain, parcel, name, log)


def _window(source: Any, to_raster: Any, parcel: Polygon, name: str) -> Any:
    """Rows and columns round the lot, clipped to the raster."""
    from rasterio.windows import Window  # noqa: PLC0415

    ring = shapely.get_coordinates(shapely.buffer(parcel.envelope, AROUND_M, join_style="mitre"))
    ring = shapely.get_coordinates(shapely.segmentize(shapely.LinearRing(ring), 25.0))
    x, y = to_raster.transform(ring[:, 0], ring[:, 1])
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError(name, "its coordinate system does not reach the lot", "check the raster's CRS")
    c, r = ~source.transform * (np.asarray(x), np.asarray(y))
    c0, c1 = max(0, math.floor(c.min()) - 1), min(source.width, math.ceil(c.max()) + 1)
    r0, r1 = max(0, math.floor(r.min()) - 1), min(source.height, math.ceil(r.max()) + 1)
    if c1 <= c0 or r1 <= r0:
        raise InputError(name, "does not cover the lot at all", "is it the right place and coordinate system?")
    if (c1 - c0) * (r1 - r0) > MAX_CELLS:
        raise InputError(name, f"has {(c1 - c0) * (r1 - r0):,} cells round the lot", "resample it to 0.5 m or coarser")
    return Window(c0, r0, c1 - c0, r1 - r0)


def _cells(source: Any, window: Any, name: str, log: Log) -> tuple[NDArray[np.float64], Any]:
    """Cells of a window with nodata as NaN, and their own transform."""
    data = source.read(1, window=window, masked=True)
    z = np.ma.filled(data.astype(np.float64), np.nan)
    odd = np.isfinite(z) & ((z < SENTINEL_M) | (z > 1e5))
    if odd.any():
        log.add_warning(
            "raster-sentinel",
            name,
            f"{int(odd.sum())} cells hold values like {float(z[odd][0]):g}, taken as nodata",
            "declare the nodata value in the file",
        )
        z[odd] = np.nan
    z[~np.isfinite(z)] = np.nan
    return z, source.window_transform(window)


def _vertical(source: Any, crs: Any, unit: str | None, name: str, log: Log) -> float:
    """Metres per vertical unit."""
    if unit is not None:
        factor = UNITS.get(unit.strip().lower())
        if factor is None:
            raise InputError("[site] elevation_unit", f"{unit!r} is not known", "m, ft, or us survey foot")
        return factor
    if crs.is_compound:
        axes = crs.sub_crs_list[1].axis_info
        if axes:
            return float(axes[0].unit_conversion_factor)
    tag = str(source.units[0] or "").strip().lower()
    if tag in UNITS:
        return UNITS[tag]
    log.add_warning(
        "vertical-unit",
        name,
        "says nothing of its vertical unit; metres are assumed",
        'write elevation_unit = "m" or "ft" under [site]',
    )
    return 1.0


def _north_up(z: NDArray[np.float64], affine: Any) -> tuple[NDArray[np.float64], Any]:
    """Flip or, for a turned raster, resample bilinearly onto north-up cells of the same size."""
    from affine import Affine  # noqa: PLC0415
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415

    if not affine.b and not affine.d:
        if affine.e > 0:
            z, affine = z[::-1], affine * Affine(1, 0, 0, 0, -1, z.shape[0])
        if affine.a < 0:
            z, affine = z[:, ::-1], affine * Affine(-1, 0, z.shape[1], 0, 1, 0)
        return np.ascontiguousarray(z), affine
    rows, cols = z.shape
    corners = np.array([affine * p for p in ((0, 0), (cols, 0), (0, rows), (cols, rows))])
    size = math.sqrt(abs(affine.determinant))
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    new = Affine(size, 0, x0, 0, -size, y1)
    out = np.full((math.ceil((y1 - y0) / size), math.ceil((x1 - x0) / size)), np.nan)
    reproject(
        z,
        out,
        src_transform=affine,
        dst_transform=new,
        src_crs="EPSG:3857",
        dst_crs="EPSG:3857",
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
    )
    return out, new


def _maps(
    to_raster: Any, affine: Any, parcel: Polygon, name: str
) -> tuple[tuple[float, ...], tuple[float, ...], float]:
    """Polynomials from frame to column and row, fitted on a grid over the lot's surroundings and checked to 1e-3 cells."""
    xmin, ymin, xmax, ymax = shapely.buffer(parcel.envelope, AROUND_M).bounds
    gx, gy = np.meshgrid(np.linspace(xmin, xmax, 13), np.linspace(ymin, ymax, 13))
    x, y = to_raster.transform(gx.ravel(), gy.ravel())
    c, r = ~affine * (np.asarray(x), np.asarray(y))
    u, v = gx.ravel() * 1e-3, gy.ravel() * 1e-3
    basis = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    fits, worst = [], 0.0
    for target in (c - 0.5, r - 0.5):
        k, *_ = np.linalg.lstsq(basis, target, rcond=None)
        worst = max(worst, float(np.abs(basis @ k - target).max()))
        fits.append(tuple(float(q) for q in k))
    if worst > 1e-3:
        raise InputError(
            name,
            f"its coordinate system bends too much over the lot ({worst:.2g} cells)",
            "reproject it to a local system",
        )
    cells_per_m = math.hypot(fits[0][1], fits[1][1]) * 1e-3
    return fits[0], fits[1], 1 / cells_per_m


def _checked(terrain: Terrain, parcel: Polygon, name: str, log: Log) -> Terrain:
    """Cover of the lot, holes filled when they are few, plausibility."""
    xmin, ymin, xmax, ymax = parcel.bounds
    step = max(0.5, min(terrain.cell_m / 2, 2.0), math.sqrt((xmax - xmin) * (ymax - ymin) / 200_000))
    gx, gy = np.meshgrid(np.arange(xmin, xmax + step, step), np.arange(ymin, ymax + step, step))
    inside = shapely.contains_xy(parcel, gx, gy)
    corners = shapely.get_coordinates(parcel)
    x, y = np.r_[gx[inside], corners[:, 0]], np.r_[gy[inside], corners[:, 1]]
    missing = float(np.mean(~np.isfinite(terrain.at(x, y))))
    if missing > 0:
        terrain = _filled(terrain)
        left = float(np.mean(~np.isfinite(terrain.at(x, y))))
        if left > 0 or missing > FILL_SHARE:
            raise InputError(
                name, f"covers only {1 - missing:.1%} of the lot", "get a raster that covers it, or leave elevation out"
            )
        log.add_warning(
            "raster-holes", name, f"{missing:.2%} of the lot had no elevation and was filled from the cells beside it"
        )
    z = terrain.at(x, y)
    width = 2 * shapely.maximum_inscribed_circle(parcel).length
    if terrain.cell_m >= width / 4:
        log.add_warning(
            "raster-coarse",
            name,
            f"has cells of {terrain.cell_m:.1f} m on a lot {width:.0f} m wide",
            "a finer raster shows the slopes a crew meets",
        )
    rise = np.hypot(*np.gradient(terrain.z_m, terrain.cell_m)) if min(terrain.z_m.shape) > 1 else np.zeros(1)
    if np.ptp(z) > 300 or (np.isfinite(rise).any() and float(np.nanquantile(rise, 0.9)) > 1.0):
        log.add_warning(
            "raster-steep", name, f"the ground rises {np.ptp(z):.0f} m over the lot", "is the vertical unit right?"
        )
    return terrain


def _filled(terrain: Terrain) -> Terrain:
    """Cells without data given the value of the nearest cell that has one."""
    from dataclasses import replace  # noqa: PLC0415

    from scipy.ndimage import distance_transform_edt  # noqa: PLC0415

    hole = ~np.isfinite(terrain.z_m)
    if hole.all() or not hole.any():
        return terrain
    nearest = distance_transform_edt(hole, return_distances=False, return_indices=True)
    return replace(terrain, z_m=terrain.z_m[tuple(nearest)])
