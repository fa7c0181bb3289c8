"""Cells of an elevation raster laid under the lot: the map from frame to cells, the cover, and what looks wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.site.model import Terrain

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Polygon

    from loopgis.site.log import Log

AROUND_M = 60.0
FILL_SHARE = 0.02
FIT_CELLS = 1e-3
STEEP = 1.0
RANGE_M = 300.0
MAX_SAMPLES = 200_000


@dataclass(frozen=True, eq=False)
class _Samples:
    """Points all over a lot, corners included, frame metres."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]


def fitted(
    z_m: NDArray[np.float64], affine: Any, to_raster: Any, parcel: Polygon, name: str, log: Log, *, crs_wkt: str
) -> Terrain:
    """Terrain of north-up cells in metres.

    affine: cells to raster CRS; to_raster: from the frame, x before y. Raises InputError when the map does not fit or
    the lot is not covered.
    """
    col, row = _maps(to_raster, affine, parcel, name)
    cell_m = 1e3 / math.sqrt(abs(col[1] * row[2] - col[2] * row[1]))
    terrain = Terrain(z_m, col, row, cell_m, crs_wkt=crs_wkt, affine=tuple(affine)[:6])
    spots = _samples(parcel, cell_m)
    terrain = _covering(terrain, spots, name)
    terrain = _whole(terrain, spots, parcel, name, log)
    _tell_edges(terrain, parcel, name, log)
    _tell_oddities(terrain, spots, parcel, name, log)
    return terrain


def applied(affine: Any, x: NDArray[Any], y: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points put through an affine map, arrays of any one shape."""
    return affine.a * x + affine.b * y + affine.c, affine.d * x + affine.e * y + affine.f


def bilinear(z: NDArray[np.float64], c: NDArray[np.float64], r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values between cell centres, which lie at whole c (column) and r (row); NaN outside."""
    plain = Terrain(z, (0.0, 1e3, 0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 1e3, 0.0, 0.0, 0.0), 1.0)
    return plain.at(c, r)


def _maps(to_raster: Any, affine: Any, parcel: Polygon, name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Polynomials from frame to column and row, fitted on a grid over the lot's surroundings and checked to FIT_CELLS."""
    xmin, ymin, xmax, ymax = shapely.buffer(parcel.envelope, AROUND_M).bounds
    gx, gy = (g.ravel() for g in np.meshgrid(np.linspace(xmin, xmax, 13), np.linspace(ymin, ymax, 13)))
    x, y = to_raster(gx, gy)
    c, r = applied(~affine, np.asarray(x), np.asarray(y))
    u, v = gx * 1e-3, gy * 1e-3
    basis = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    fits = []
    for target in (c - 0.5, r - 0.5):
        k, *_ = np.linalg.lstsq(basis, target, rcond=None)
        worst = float(np.abs(basis @ k - target).max())
        if not worst < FIT_CELLS:
            what = f"its coordinate system bends by {worst:.2g} cells over the lot, {FIT_CELLS:g} at most"
            raise InputError(name, what, "reproject it to a local system")
        fits.append(tuple(float(q) for q in k))
    return fits[0], fits[1]


def _samples(parcel: Polygon, cell_m: float) -> _Samples:
    xmin, ymin, xmax, ymax = parcel.bounds
    step = max(0.5, min(cell_m / 2, 2.0), math.sqrt((xmax - xmin) * (ymax - ymin) / MAX_SAMPLES))
    gx, gy = np.meshgrid(np.arange(xmin, xmax + step, step), np.arange(ymin, ymax + step, step))
    inside = shapely.contains_xy(parcel, gx, gy)
    ring = shapely.get_coordinates(shapely.segmentize(parcel.exterior, max(step, 1.0)))
    return _Samples(np.r_[gx[inside], ring[:, 0]], np.r_[gy[inside], ring[:, 1]])


def _cells_of(terrain: Terrain, x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Columns and rows of frame points, cell centres at whole numbers."""
    u, v = x * 1e-3, y * 1e-3
    basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    return tuple(np.tensordot(np.array(k), basis, axes=1) for k in (terrain.map_col, terrain.map_row))


def _covering(terrain: Terrain, spots: _Samples, name: str) -> Terrain:
    """Terrain whose cell centres reach round the lot. Raises InputError with the share of the lot that is covered.

    A lot may reach to the outer edge of the last cells; half a cell beyond their centres is then given their own value.
    """
    c, r = _cells_of(terrain, spots.x, spots.y)
    rows, cols = terrain.z_m.shape
    edge = 0.5 + FIT_CELLS
    inside = (c >= -edge) & (c <= cols - 1 + edge) & (r >= -edge) & (r <= rows - 1 + edge)
    if not inside.all():
        what = f"covers only {float(inside.mean()):.1%} of the lot"
        raise InputError(name, what, "get a raster that covers it all, or leave elevation out for flat ground")
    if c.min() >= 0 and r.min() >= 0 and c.max() <= cols - 1 and r.max() <= rows - 1:
        return terrain
    a, b, x0, d, e, y0 = terrain.affine
    return replace(
        terrain,
        z_m=np.pad(terrain.z_m, 1, mode="edge"),
        map_col=(terrain.map_col[0] + 1, *terrain.map_col[1:]),
        map_row=(terrain.map_row[0] + 1, *terrain.map_row[1:]),
        affine=(a, b, x0 - a - b, d, e, y0 - d - e),
    )


def _whole(terrain: Terrain, spots: _Samples, parcel: Polygon, name: str, log: Log) -> Terrain:
    """Terrain without holes in the lot: few are filled from the cells beside them, many are an error."""
    missing = float(np.mean(~np.isfinite(terrain.at(spots.x, spots.y))))
    if missing == 0:
        return terrain
    if missing > FILL_SHARE:
        what = f"covers only {1 - missing:.1%} of the lot; the rest is nodata"
        raise InputError(name, what, "get a raster that covers it all, or leave elevation out for flat ground")
    what = f"{missing:.2%} of the lot had no elevation and was filled from the cells beside it"
    log.add_warning("raster-holes", name, what, "look at the elevation there")
    return _filled(terrain, parcel)


def _filled(terrain: Terrain, parcel: Polygon) -> Terrain:
    """Cells without data in and beside the lot given the value of the nearest cell that has one."""
    from scipy.ndimage import distance_transform_edt  # noqa: PLC0415

    hole = ~np.isfinite(terrain.z_m)
    nearest = distance_transform_edt(hole, return_distances=False, return_indices=True)
    whole = terrain.z_m[tuple(nearest)]
    spots = shapely.get_coordinates(shapely.segmentize(shapely.buffer(parcel, 2 * terrain.cell_m), terrain.cell_m))
    c, r = _cells_of(terrain, spots[:, 0], spots[:, 1])
    z = terrain.z_m.copy()
    c0, c1 = max(0, math.floor(c.min())), math.ceil(c.max()) + 1
    r0, r1 = max(0, math.floor(r.min())), math.ceil(r.max()) + 1
    block = (slice(r0, r1), slice(c0, c1))
    z[block] = whole[block]
    return replace(terrain, z_m=z)


def _tell_edges(terrain: Terrain, parcel: Polygon, name: str, log: Log) -> None:
    """Say where the cover ends when it ends near the lot."""
    xmin, ymin, xmax, ymax = parcel.bounds
    gx, gy = np.meshgrid(
        np.linspace(xmin - AROUND_M, xmax + AROUND_M, 81), np.linspace(ymin - AROUND_M, ymax + AROUND_M, 81)
    )
    gone = ~np.isfinite(terrain.at(gx, gy))
    if not gone.any():
        return
    away = float(shapely.distance(parcel, shapely.points(gx[gone], gy[gone])).min())
    if away < AROUND_M:
        log.add_note(
            "raster-edge",
            name,
            f"its cover ends about {away:.0f} m beyond the lot; the ground is unknown from there on",
        )


def _tell_oddities(terrain: Terrain, spots: _Samples, parcel: Polygon, name: str, log: Log) -> None:
    """Warn about coarse cells, and about rises that hint at a wrong vertical unit."""
    width = 2 * float(shapely.maximum_inscribed_circle(parcel).length)
    if terrain.cell_m >= width / 4:
        what = f"has cells of {terrain.cell_m:.1f} m on a lot {width:.0f} m wide"
        log.add_warning("raster-coarse", name, what, "a finer raster shows the slopes a crew meets")
    z = terrain.at(spots.x, spots.y)
    step = max(terrain.cell_m, 2.0)
    east = terrain.at(spots.x + step, spots.y) - z
    north = terrain.at(spots.x, spots.y + step) - z
    slope = np.hypot(east, north)[np.isfinite(east) & np.isfinite(north)] / step
    steep = float(np.quantile(slope, 0.9)) if len(slope) else 0.0
    if np.ptp(z) > RANGE_M or steep > STEEP:
        what = f"the ground rises {np.ptp(z):.0f} m over the lot, slopes up to {steep:.0%} on nine tenths of it"
        log.add_warning("raster-steep", name, what, "is the vertical unit right?")
