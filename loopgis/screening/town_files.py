"""A made-up town on disk: three GeoPackages, a tiled elevation raster and a site file."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.atomic import write_text
from loopgis.screening.town import EPSG, MARGIN_M, Town, town

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shapely.geometry.base import BaseGeometry

CELL_M = 1.0
STRIP = 512
SITE = """# A made-up town, drawn by loopgis.screening.town: what is the same for all its parcels.
[site]
name = "Made-up town"
rules = ["house"]
buildings = "buildings.gpkg"
elevation = "dem.tif"
elevation_unit = "m"
units = "metric"

[[site.feature]]
path = "features.gpkg"

[demand]
heating_peak = "5 kW"
cooling_peak = "3 kW"
heating_hours = 2000
cooling_hours = 700
ewt_min = "-2 degC"
ewt_max = "32 degC"
years = 20

[ground]
soil = "saturated clay"
mean = "9 degC"
amplitude = "12 delta_degC"
coldest_day = 35

[rig]
class = "small"

[pipe]
size = "1 in"
dr = 11
fluid = "propylene glycol 25 %"
"""


def write_town(folder: Path, parcels: int, *, seed: int = 1, cell_m: float = CELL_M) -> Town:
    """Write a town of so many parcels into a folder; the same figures give the same files. cell_m: of the raster."""
    folder.mkdir(parents=True, exist_ok=True)
    made = town(parcels, seed=seed)
    _layer(folder / "parcels.gpkg", "parcels", made.parcels, ("parcel_id", "class"))
    _layer(folder / "buildings.gpkg", "buildings", made.buildings, ("foundation",))
    _layer(folder / "features.gpkg", "features", made.features, ("kind", "depth_m", "quality", "use"))
    _raster(folder / "dem.tif", made, cell_m)
    write_text(folder / "town.toml", SITE)
    return made


def _layer(path: Path, name: str, rows: Sequence[tuple[BaseGeometry, dict[str, Any]]], columns: Sequence[str]) -> None:
    import geopandas  # noqa: PLC0415
    import pyogrio  # noqa: PLC0415

    data = {c: [values.get(c) for _, values in rows] for c in columns}
    table = geopandas.GeoDataFrame(data, geometry=[g for g, _ in rows], crs=f"EPSG:{EPSG}")
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"})
    pyogrio.write_dataframe(table, path, layer=name, driver="GPKG")


def _raster(path: Path, made: Town, cell_m: float) -> None:
    """Elevations in tiles, written a strip at a time, so that the town may be of any size."""
    import rasterio  # noqa: PLC0415
    from rasterio.transform import from_origin  # noqa: PLC0415
    from rasterio.windows import Window  # noqa: PLC0415

    x0, y0, x1, y1 = made.bounds()
    left, top = math.floor(x0 - MARGIN_M), math.ceil(y1 + MARGIN_M)
    width, height = math.ceil((x1 - x0 + 2 * MARGIN_M) / cell_m), math.ceil((y1 - y0 + 2 * MARGIN_M) / cell_m)
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 1,
        "width": width,
        "height": height,
        "crs": f"EPSG:{EPSG}",
        "transform": from_origin(left, top, cell_m, cell_m),
        "tiled": True,
        "blockxsize": STRIP,
        "blockysize": STRIP,
        "compress": "deflate",
        "predictor": 3,
    }
    x = left + (np.arange(width) + 0.5) * cell_m
    with rasterio.open(path, "w", **profile) as sink:
        for row in range(0, height, STRIP):
            rows = min(STRIP, height - row)
            y = top - (row + np.arange(rows) + 0.5) * cell_m
            xx, yy = np.meshgrid(x, y)
            sink.write(made.ground_m(xx, yy).astype(np.float32), 1, window=Window(0, row, width, rows))
