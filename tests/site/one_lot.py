"""One made-up lot, drawn once in plain metres and written in any format, coordinate system and state of repair."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import Transformer

from loopgis.core.errors import InputError
from loopgis.site.read import collect, read_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.findings import Finding
    from loopgis.site.model import Site

HOME = "EPSG:26918"
ORIGIN = (586_000.0, 4_511_400.0)
RING = [(0.0, 0.0), (71.3, 2.1), (83.6, 48.2), (40.0, 61.7), (38.5, 52.0), (-4.2, 55.4)]
HOUSE = [(30.0, 8.0), (45.0, 8.0), (45.0, 18.0), (30.0, 18.0)]


def at_home(points: Any) -> list[tuple[float, float]]:
    """Points of the drawing as coordinates in HOME."""
    return [(x + ORIGIN[0], y + ORIGIN[1]) for x, y in points]


LOT = shapely.Polygon(at_home(RING))
BUILDING = shapely.Polygon(at_home(HOUSE))


def moved(shape: BaseGeometry, crs: str) -> BaseGeometry:
    """A shape of HOME in another coordinate system, x (or longitude) first."""
    if crs == HOME:
        return shape
    transformer = Transformer.from_crs(HOME, crs, always_xy=True)

    def step(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack([*transformer.transform(xyz[:, 0], xyz[:, 1]), *xyz[:, 2:].T])

    return shapely.transform(shape, step, include_z=shape.has_z)


def table(*shapes: BaseGeometry | None, crs: str | None = HOME, **columns: Any) -> gpd.GeoDataFrame:
    """Table of shapes as they are."""
    columns = columns or {"parcel_id": [f"p{n}" for n in range(1, len(shapes) + 1)]}
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def layer(
    path: Path, *shapes: BaseGeometry | None, crs: str | None = HOME, name: str | None = None, **columns: Any
) -> str:
    """Write shapes of HOME to a file in `crs`, return the file's name. Format by suffix."""
    rows = table(*(None if s is None else moved(s, crs or HOME) for s in shapes), crs=crs, **columns)
    append = path.exists() and path.suffix == ".gpkg"
    pyogrio.write_dataframe(rows, path, layer=name, append=append)
    return path.name


def raster(
    path: Path,
    height: Callable[[Any, Any], Any],
    *,
    crs: str | None = HOME,
    cell: float = 1.0,
    bounds: tuple[float, float, float, float] = (-70.0, -70.0, 160.0, 140.0),
    turn_deg: float = 0.0,
    south_up: bool = False,
    factor: float = 1.0,
    bands: int = 1,
    nodata: float | None = None,
    unit: str = "",
    holes: Callable[[Any, Any], Any] | None = None,
    hole_value: float = -9999.0,
) -> str:
    """Write a raster whose cell centres hold height(x, y) of the drawing (metres) times `factor`; bounds in the drawing."""
    x0, y0, x1, y1 = shapely.bounds(moved(shapely.box(*_home_box(bounds)), crs or HOME))
    cols, rows = round((x1 - x0) / cell), round((y1 - y0) / cell)
    affine = Affine(cell, 0, x0, 0, -cell, y1)
    if south_up:
        affine = Affine(cell, 0, x0, 0, cell, y0)
    if turn_deg:
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        affine = Affine.rotation(turn_deg, pivot=middle) * affine
    c, r = np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    px, py = affine * (c, r)
    hx, hy = Transformer.from_crs(crs or HOME, HOME, always_xy=True).transform(px, py)
    x, y = hx - ORIGIN[0], hy - ORIGIN[1]
    z = height(x, y) * factor
    if holes is not None:
        z = np.where(holes(x, y), hole_value, z)
    profile = {"driver": "GTiff", "width": cols, "height": rows, "count": bands, "dtype": "float64", "nodata": nodata}
    with rasterio.open(path, "w", crs=crs, transform=affine, **profile) as out:
        for band in range(1, bands + 1):
            out.write(z * band, band)
        if unit:
            out.units = [unit] * bands
    return path.name


def _home_box(bounds: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    (x0, y0), (x1, y1) = at_home([bounds[:2], bounds[2:]])
    return x0, y0, x1, y1


def site_file(folder: Path, body: str = "", *, parcel: str = '"parcel.gpkg"', site: str = "") -> Path:
    """Write a site file: `site` stands under [site], `body` behind it."""
    path = folder / "site.toml"
    path.write_text(f"[site]\nparcel = {parcel}\n{site}\n{body}\n", encoding="utf-8")
    return path


def site_of(folder: Path, body: str = "", *, parcel: str = '"parcel.gpkg"', site: str = "") -> Site:
    """Read such a site."""
    return read_site(site_file(folder, body, parcel=parcel, site=site))


def findings_of(folder: Path, body: str = "", *, parcel: str = '"parcel.gpkg"', site: str = "") -> tuple[Finding, ...]:
    """What reading such a site turns up."""
    return collect(site_file(folder, body, parcel=parcel, site=site))[1]


def refused(folder: Path, body: str = "", *, parcel: str = '"parcel.gpkg"', site: str = "") -> str:
    """The one line with which a site is refused."""
    with pytest.raises(InputError) as caught:
        read_site(site_file(folder, body, parcel=parcel, site=site))
    assert "\n" not in str(caught.value)
    assert caught.value.where
    assert caught.value.remedy
    return str(caught.value)


def codes(findings: Any) -> set[str]:
    """Codes of findings."""
    return {f.code for f in findings}


def ring(shape: BaseGeometry) -> NDArray[np.float64]:
    """Vertices of a polygon's shell without the closing one."""
    return shapely.get_coordinates(shape.exterior)[:-1]
