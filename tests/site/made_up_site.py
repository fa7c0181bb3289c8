"""Small made-up sites written to a folder: a lot of 60 m x 45 m with a house and a raster, in any coordinate system."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from rasterio.transform import from_origin

from loopgis.site.log import Log
from loopgis.site.read import collect

if TYPE_CHECKING:
    from pathlib import Path

CRS = "EPSG:26918"
X0, Y0 = 586_000.0, 4_511_000.0
LOT = shapely.Polygon([(0, 0), (60, 5), (58, 45), (30, 52), (-2, 41)])
HOUSE = shapely.box(20, 15, 32, 24)


def placed(shape: Any) -> Any:
    """A shape of lot metres at the made-up place in CRS."""
    return shapely.transform(shape, lambda xy: xy + np.array([X0, Y0])[: xy.shape[1]])


def table(shapes: list[Any], crs: str | None = CRS, **columns: list[Any]) -> gpd.GeoDataFrame:
    """Layer of shapes in lot metres, moved to the place and into a CRS (None: no CRS, coordinates of CRS)."""
    frame = gpd.GeoDataFrame(columns, geometry=[placed(s) for s in shapes], crs=CRS)
    return frame.set_crs(None, allow_override=True) if crs is None else frame.to_crs(crs)


def raster(path: Path, **options: Any) -> Path:
    """Raster of 2 m cells on a tilted plane, 80 m round the lot; every option of the writer may be changed.

    z: cells instead of the plane; west, south: shift of the first corner; cell: size.
    """
    cell = options.pop("cell", 2.0)
    west, north = X0 - 80 + options.pop("west", 0.0), Y0 + 130 + options.pop("south", 0.0)
    n = round(240 / cell)
    rows, cols = np.mgrid[0:n, 0:n]
    z = options.pop("z", 100 + 0.05 * cell * cols - 0.02 * cell * rows)
    units, mask = options.pop("units", "metre"), options.pop("holes", None)
    z = np.array(z, dtype=options.pop("dtype", "float64"))
    if mask is not None:
        z[mask] = options.get("nodata", -9999.0)
    values = {"driver": "GTiff", "height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": z.dtype, "crs": CRS}
    values |= {"transform": from_origin(west, north, cell, cell)} | options
    with rasterio.open(path, "w", **values) as file:
        for band in range(1, values["count"] + 1):
            file.write(z, band)
        if units:
            file.units = [units] * values["count"]
    return path


def site_file(folder: Path, extra: str = "", *, site: str = "", parcel: str = '"parcel.gpkg"') -> Path:
    """Site file: site goes under [site], extra behind it."""
    path = folder / "site.toml"
    path.write_text(f'[site]\nname = "Made-up lot"\nparcel = {parcel}\n{site}\n{extra}\n', encoding="utf-8")
    return path


def plain_site(folder: Path, extra: str = "", *, site: str = "") -> Path:
    """Site with a lot in the usual CRS and no other layer."""
    table([LOT], parcel_id=["T-1"]).to_file(folder / "parcel.gpkg")
    return site_file(folder, extra, site=site)


def codes(path: Path) -> dict[str, str]:
    """Line of the first finding of each code."""
    found: dict[str, str] = {}
    for finding in collect(path)[1]:
        found.setdefault(finding.code, finding.line())
    return found


def error_lines(path: Path) -> list[str]:
    """Lines of all errors."""
    return [f.line() for f in collect(path)[1] if f.severity == "error"]


__all__ = ["CRS", "HOUSE", "LOT", "Log", "codes", "error_lines", "placed", "plain_site", "raster", "site_file", "table"]
