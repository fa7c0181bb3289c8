"""The audit's own ground surface: a raster inside the GeoPackage, a raster beside it, flat ground, or none at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core import limits, openable
from loopgis.core.errors import InputError
from loopgis.core.in_use import readable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.rules.audit_read import OwnFrame, Package

_UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "ft": 0.3048,
    "foot": 0.3048,
    "feet": 0.3048,
    "us survey foot": 1200 / 3937,
    "us_survey_foot": 1200 / 3937,
    "us-ft": 1200 / 3937,
    "ftus": 1200 / 3937,
}
_ABSURD_M = 9000.0
_EDGE_CELLS = 1e-6


@dataclass(frozen=True, eq=False)
class Ground:
    """Ground elevation over the frame.

    source: "raster", "flat" (z = 0) or "guess" (a straight line between a bore's ends, drawn by the bore itself).
    z_m: (rows, cols) cells of the window read; col_row turns frame points into columns and rows of cell centres.
    """

    source: str
    z_m: NDArray[np.float64] | None = None
    inverse: tuple[float, ...] = ()
    way: Any = None

    def at(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bilinear elevation, metres, at (n, 2) frame points; NaN off the raster or beside an empty cell."""
        if self.z_m is None:
            return np.full(len(xy), 0.0 if self.source == "flat" else np.nan)
        x, y = self.way.transform(xy[:, 0], xy[:, 1])
        a, b, c, d, e, f = self.inverse
        return _bilinear(self.z_m, a * x + b * y + c - 0.5, d * x + e * y + f - 0.5)


def _bilinear(z_m: NDArray[np.float64], col: NDArray[np.float64], row: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of the four surrounding cell centres; a point on the outermost centres still counts as inside."""
    rows, cols = z_m.shape
    within = (
        (col >= -_EDGE_CELLS)
        & (col <= cols - 1 + _EDGE_CELLS)
        & (row >= -_EDGE_CELLS)
        & (row <= rows - 1 + _EDGE_CELLS)
    )
    col = np.where(within, np.clip(col, 0, cols - 1), 0.0)
    row = np.where(within, np.clip(row, 0, rows - 1), 0.0)
    left, top = np.floor(col).astype(int), np.floor(row).astype(int)
    right, low = np.minimum(left + 1, cols - 1), np.minimum(top + 1, rows - 1)
    u, v = col - left, row - top
    upper = _mix(z_m[top, left], z_m[top, right], u)
    lower = _mix(z_m[low, left], z_m[low, right], u)
    return np.where(within, _mix(upper, lower, v), np.nan)


def _mix(first: NDArray[np.float64], second: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear blend in which a neighbour of no weight may be empty."""
    return np.where(share <= 0, first, first * (1 - share) + second * share)


def find_ground(package: Package, frame: OwnFrame, box: NDArray[np.float64], elevation: str | Path | None) -> Ground:
    """Ground from `elevation`, else the raster table `terrain`, else flat when the metadata say so, else a guess.

    box: (4,) frame bounds of all bores. Elevation is taken in metres unless the band's unit tag says feet.
    """
    if elevation is not None:
        if Path(elevation).exists():
            openable.check(Path(elevation), str(elevation))
        return _raster(str(elevation), str(elevation), {}, frame, box)
    if package.has("terrain") and package.tables["terrain"][1] == "2d-gridded-coverage":
        where = f"{package.path}, raster terrain"
        return _raster(str(package.path), where, {"driver": "GPKG", "TABLE": package.tables["terrain"][0]}, frame, box)
    return Ground("flat" if package.metadata.get("terrain") == "flat" else "guess")


def _raster(path: str, where: str, options: dict[str, str], frame: OwnFrame, box: NDArray[np.float64]) -> Ground:
    import rasterio  # noqa: PLC0415
    from pyproj import CRS, Transformer  # noqa: PLC0415
    from rasterio.errors import RasterioIOError  # noqa: PLC0415

    try:
        with rasterio.open(readable(Path(path)), **options) as source:
            openable.check_format(source.driver, where)
            if source.crs is None:
                raise InputError(where, "has no coordinate reference system", "assign the CRS of the raster")
            if not (abs(source.transform.determinant) > 0 and np.isfinite(tuple(source.transform)).all()):
                raise InputError(where, "has no georeference", "give a raster whose cells have a place")
            crs = CRS.from_wkt(source.crs.to_wkt())
            flat_crs = (crs.sub_crs_list[0] if crs.is_compound else crs).to_2d()
            way = Transformer.from_crs(frame.crs, flat_crs, always_xy=True)
            window = _window(where, source, way, box)
            cells, most = window.width * window.height, limits.most("cells")
            if cells > most:
                what, remedy = f"has {cells:,} cells round the bores", f"resample it to at most {most:,.0f}"
                raise limits.too_much(where, what, remedy, "cells", cells)
            data = source.read(1, window=window, masked=True).astype(float).filled(np.nan)
            inverse = tuple(~source.window_transform(window))[:6]
            factor = _factor(where, (source.units or (None,))[0])
            data = data * (source.scales or (1.0,))[0] + (source.offsets or (0.0,))[0]
    except RasterioIOError as error:
        raise InputError(where, f"cannot be read as a raster ({error})", "give a raster of ground elevation") from error
    return Ground("raster", np.where(np.abs(data * factor) > _ABSURD_M, np.nan, data * factor), inverse, way)


def _factor(where: str, tag: str | None) -> float:
    name = (tag or "m").strip().lower()
    if name not in _UNITS:
        raise InputError(where, f"vertical unit {tag!r} is not known", "tag the band with metre or foot")
    return _UNITS[name]


def _window(where: str, source: Any, way: Any, box: NDArray[np.float64]) -> Any:  # noqa: ANN401 -- rasterio is untyped
    """Cells under the box and three around it, at least one cell."""
    from rasterio.windows import Window  # noqa: PLC0415

    side = np.linspace(0, 1, 9)
    gx, gy = np.meshgrid(box[0] + side * (box[2] - box[0]), box[1] + side * (box[3] - box[1]))
    x, y = way.transform(gx.ravel(), gy.ravel())
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError(where, "the bores do not fit the raster's CRS", "give a raster whose CRS covers the lot")
    a, b, c, d, e, f = tuple(~source.transform)[:6]
    col, row = a * x + b * y + c, d * x + e * y + f
    left = int(np.clip(np.floor(np.min(col)) - 3, 0, source.width - 1))
    top = int(np.clip(np.floor(np.min(row)) - 3, 0, source.height - 1))
    right = int(np.clip(np.ceil(np.max(col)) + 3, left + 1, source.width))
    low = int(np.clip(np.ceil(np.max(row)) + 3, top + 1, source.height))
    return Window(left, top, right - left, low - top)
