"""One lot and one ground in many coordinate systems, units and raster layouts: always the same metres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from one_lot import (
    BUILDING,
    HOME,
    LOT,
    ORIGIN,
    RING,
    at_home,
    codes,
    findings_of,
    layer,
    raster,
    refused,
    ring,
    site_of,
)
from pyproj import Transformer

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.site.model import Site

US_FOOT_M = 1200 / 3937
SLOPED = "the plane 100 + 0.05 x - 0.02 y of the drawing"


def plane(x: Any, y: Any) -> Any:
    """A ground that every bilinear reader must give back exactly."""
    return 100 + 0.05 * x - 0.02 * y


def heights(site: Site) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ground of a site and of the drawing at points all over the lot; the parcel is in HOME."""
    x0, y0, x1, y1 = site.parcel.bounds
    grid = np.column_stack([g.ravel() for g in np.meshgrid(np.linspace(x0, x1, 23), np.linspace(y0, y1, 19))])
    grid = np.vstack([grid[shapely.contains_xy(site.parcel, grid)], ring(site.parcel)])
    home = site.frame.to_parcel_crs(grid) - ORIGIN
    return site.terrain.at(grid[:, 0], grid[:, 1]), plane(home[:, 0], home[:, 1])


def same_ground(site: Site, tolerance_m: float = 1e-3) -> None:
    found, wanted = heights(site)
    assert len(found) > 100
    assert np.abs(found - wanted).max() <= tolerance_m


# -- the lot ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:2263",
        "EPSG:6539",
        "EPSG:4269",
        "EPSG:3857",
        "EPSG:4326",
        "EPSG:26918+5703",
        "EPSG:2263+6360",
        "ESRI:102008",
    ],
)
def test_same_lot_in_every_system(crs: str, tmp_path: Path) -> None:
    layer(tmp_path / "home.gpkg", LOT)
    layer(tmp_path / "other.gpkg", LOT, crs=crs)
    home, other = (site_of(tmp_path, parcel=f'"{name}.gpkg"') for name in ("home", "other"))
    assert (home.frame.lat0_deg, home.frame.lon0_deg) == (other.frame.lat0_deg, other.frame.lon0_deg)
    assert np.abs(ring(home.parcel) - ring(other.parcel)).max() <= 1e-6
    back = other.frame.to_parcel_crs(ring(other.parcel))
    start = gpd.read_file(tmp_path / "other.gpkg").geometry.iloc[0]
    tolerance = 1e-11 if crs in {"EPSG:4269", "EPSG:4326"} else 1e-5
    assert np.abs(back - ring(start)).max() <= tolerance


@pytest.mark.parametrize(
    ("first", "origin", "others"),
    [
        ("EPSG:3006", (674_000.0, 6_580_000.0), ["EPSG:3011", "EPSG:4619"]),
        ("EPSG:2193", (1_750_000.0, 5_430_000.0), ["EPSG:4167", "EPSG:2105"]),
        ("EPSG:31467", (3_513_000.0, 5_402_000.0), ["EPSG:31468", "EPSG:4314"]),
        ("EPSG:2154", (952_400.0, 6_702_900.0), ["EPSG:4171", "EPSG:3947"]),
    ],
)
def test_systems_that_name_north_first(
    first: str, origin: tuple[float, float], others: list[str], tmp_path: Path
) -> None:
    lot = shapely.Polygon(np.array(RING) + origin)
    pyogrio.write_dataframe(gpd.GeoDataFrame(geometry=[lot], crs=first), tmp_path / "first.gpkg")
    base = site_of(tmp_path, parcel='"first.gpkg"').parcel
    width, height = np.ptp(ring(base), axis=0)
    assert width == pytest.approx(87.8, rel=0.05)
    assert height == pytest.approx(61.7, rel=0.05)
    for n, crs in enumerate(others):
        xy = Transformer.from_crs(first, crs, always_xy=True).transform(*shapely.get_coordinates(lot).T)
        rows = gpd.GeoDataFrame(geometry=[shapely.Polygon(np.column_stack(xy))], crs=crs)
        pyogrio.write_dataframe(rows, tmp_path / f"o{n}.shp")
        assert np.abs(ring(site_of(tmp_path, parcel=f'"o{n}.shp"').parcel) - ring(base)).max() <= 1e-6


def test_vertex_order_and_start_are_kept(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    site = site_of(tmp_path)
    home = site.frame.to_parcel_crs(ring(site.parcel)) - ORIGIN
    assert np.abs(home - RING).max() < 1e-6
    layer(tmp_path / "turned.gpkg", shapely.Polygon(list(LOT.exterior.coords)[::-1]))
    assert shapely.is_ccw(site_of(tmp_path, parcel='"turned.gpkg"').parcel.exterior)


def test_frame_metres_are_ground_metres(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    site = site_of(tmp_path)
    from pyproj import Geod

    lonlat = site.frame.to_lonlat(ring(site.parcel))
    area, perimeter = Geod(ellps="GRS80").polygon_area_perimeter(*lonlat.T)
    assert site.parcel.area == pytest.approx(abs(area), rel=1e-6)
    assert site.parcel.length == pytest.approx(perimeter, rel=1e-7)


def test_layers_of_other_systems_land_in_the_same_place(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT, crs="EPSG:2263")
    layer(tmp_path / "houses.geojson", BUILDING, crs="EPSG:3857")
    layer(tmp_path / "wells.gpkg", shapely.Point(at_home([(20, 40)])[0]), crs="EPSG:4269")
    site = site_of(
        tmp_path, '[[site.feature]]\nkind = "water_well"\npath = "wells.gpkg"', site='buildings = "houses.geojson"'
    )
    layer(tmp_path / "home.gpkg", LOT)
    layer(tmp_path / "homes.gpkg", BUILDING, shapely.box(*at_home([(20, 40)])[0], *at_home([(20.5, 40.5)])[0]))
    home = site_of(tmp_path, parcel='"home.gpkg"', site='buildings = "homes.gpkg"')
    assert shapely.hausdorff_distance(site.buildings[0].geometry, home.buildings[0].geometry) < 1e-5
    corner = home.buildings[1].geometry.exterior.coords
    assert min(shapely.Point(c).distance(site.features[0].geometry) for c in corner) < 1e-5


def test_pad_in_the_systems_own_numbers(tmp_path: Path) -> None:
    at = at_home([(20, 30)])[0]
    layer(tmp_path / "home.gpkg", LOT)
    layer(tmp_path / "feet.gpkg", LOT, crs="EPSG:2263")
    layer(tmp_path / "pad.gpkg", shapely.Point(at), crs="EPSG:4269")
    feet = Transformer.from_crs(HOME, "EPSG:2263", always_xy=True).transform(*at)
    sites = [
        site_of(tmp_path, f"[pad]\nat = [{at[0]}, {at[1]}]", parcel='"home.gpkg"'),
        site_of(tmp_path, f"[pad]\nat = [{feet[0]}, {feet[1]}]", parcel='"feet.gpkg"'),
        site_of(tmp_path, '[pad]\nat = "pad.gpkg"', parcel='"feet.gpkg"'),
    ]
    places = np.array([s.spec.pad.at for s in sites])
    assert np.abs(places - places[0]).max() < 1e-5
    swapped = refused(tmp_path, f"[pad]\nat = [{at[1]}, {at[0]}]", parcel='"home.gpkg"')
    assert "[pad] at" in swapped


def test_drawn_pad_gives_place_size_and_axis(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    x, y = at_home([(20, 30)])[0]
    shape = shapely.affinity.rotate(shapely.box(x - 6, y - 3, x + 6, y + 3), 30)
    layer(tmp_path / "pad.gpkg", shape)
    pad = site_of(tmp_path, '[pad]\nat = "pad.gpkg"').spec.pad
    assert pad.size_m == pytest.approx((6, 12), rel=1e-3)
    assert pad.axis_deg is not None
    assert pad.axis_deg % 180 == pytest.approx(60 + 0.666, abs=0.1)  # true north: convergence of facts/gis 3.1


@pytest.mark.parametrize("wkt", ['LOCAL_CS["site grid",UNIT["metre",1]]', "EPSG:4978"])
def test_systems_without_a_place_are_refused(wkt: str, tmp_path: Path) -> None:
    layer(tmp_path / "lot.shp", LOT)
    (tmp_path / "lot.prj").unlink()
    quoted = wkt.replace('"', '\\"')
    assert "no place on earth" in refused(tmp_path, parcel=f'{{ path = "lot.shp", crs = "{quoted}" }}')


def test_unknown_crs_text(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    assert "EPSG:99999" in refused(tmp_path, parcel='{ path = "parcel.gpkg", crs = "EPSG:99999" }')
    raster(tmp_path / "dem.tif", plane)
    assert "EPSG:99999" in refused(tmp_path, site='elevation = { path = "dem.tif", crs = "EPSG:99999" }')


# -- the ground ---------------------------------------------------------------------------------------------------------


RASTERS: dict[str, dict[str, Any]] = {
    "metres": {"unit": "metre"},
    "unit tag in feet": {"unit": "ft", "factor": 1 / 0.3048},
    "unit tag in survey feet": {"unit": "US survey foot", "factor": 1 / US_FOOT_M},
    "feet on the ground, metres up": {"crs": "EPSG:2263", "cell": 3.0, "unit": "m"},
    "compound survey feet": {"crs": "EPSG:2263+6360", "cell": 3.0, "factor": 1 / US_FOOT_M},
    "compound feet": {"crs": "EPSG:2263+8228", "cell": 3.0, "factor": 1 / 0.3048},
    "compound metres": {"crs": "EPSG:26918+5703"},
    "next zone": {"crs": "EPSG:26917", "unit": "m"},
    "mercator": {"crs": "EPSG:3857", "unit": "m"},
    "degrees": {"crs": "EPSG:4269", "cell": 1e-5, "unit": "m"},
    "south up": {"south_up": True, "unit": "m"},
    "turned": {"turn_deg": 24.0, "unit": "m", "bounds": (-140.0, -140.0, 240.0, 220.0)},
    "turned far": {"turn_deg": 143.0, "unit": "m", "bounds": (-140.0, -140.0, 240.0, 220.0)},
    "declared nodata around": {"unit": "m", "nodata": -9999.0, "holes": lambda x, y: (y < -40) | (x > 130)},
    "coarse": {"cell": 15.0, "unit": "m", "bounds": (-100.0, -100.0, 200.0, 200.0)},
    "fine": {"cell": 0.5, "unit": "m"},
}


@pytest.mark.parametrize("name", list(RASTERS))
def test_same_ground_from_every_raster(name: str, tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, **RASTERS[name])
    site = site_of(tmp_path, site='elevation = "dem.tif"')
    same_ground(site)
    assert "vertical-unit" not in codes(site.findings)
    if name == "coarse":
        assert "raster-coarse" in codes(site.findings)


@pytest.mark.parametrize(("unit", "factor"), [("m", 1.0), ("ft", 1 / 0.3048), ("us survey foot", 1 / US_FOOT_M)])
def test_site_file_has_the_last_word_on_the_vertical_unit(unit: str, factor: float, tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT, crs="EPSG:2263")
    layer(tmp_path / "home.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, crs="EPSG:2263+6360", cell=3.0, factor=factor, unit="ft")
    site = site_of(tmp_path, parcel='"home.gpkg"', site=f'elevation = "dem.tif"\nelevation_unit = "{unit}"')
    same_ground(site)


def test_silent_raster_is_taken_as_metres_with_a_warning(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane)
    site = site_of(tmp_path, site='elevation = "dem.tif"')
    same_ground(site)
    assert "vertical-unit" in codes(site.findings)


def test_undeclared_nodata_is_noticed(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, unit="m", holes=lambda x, y: y < -40)
    site = site_of(tmp_path, site='elevation = "dem.tif"')
    same_ground(site)
    assert "raster-sentinel" in codes(site.findings)


def test_small_holes_are_filled_and_told(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, unit="m", nodata=-9999.0, holes=lambda x, y: np.hypot(x - 20, y - 20) < 2)
    site = site_of(tmp_path, site='elevation = "dem.tif"')
    same_ground(site, tolerance_m=0.25)
    assert "raster-holes" in codes(site.findings)


def test_half_covered_lot_is_refused_with_the_share(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, unit="m", bounds=(-70.0, -70.0, 40.0, 140.0))
    text = refused(tmp_path, site='elevation = "dem.tif"')
    share = float(text.split("%")[0].split()[-1])
    wanted = (
        LOT.intersection(shapely.box(ORIGIN[0] - 70, ORIGIN[1] - 70, ORIGIN[0] + 40, ORIGIN[1] + 140)).area / LOT.area
    )
    assert share == pytest.approx(100 * wanted, abs=2)


def test_raster_elsewhere_is_refused(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, unit="m", bounds=(4000.0, 0.0, 4200.0, 200.0))
    assert "covers 0 %" in refused(tmp_path, site='elevation = "dem.tif"')


def test_first_of_several_bands_is_the_ground(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", plane, unit="m", bands=3)
    site = site_of(tmp_path, site='elevation = "dem.tif"')
    same_ground(site)
    assert "raster-bands" in codes(site.findings)


def test_scale_and_offset_of_the_band_count(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", lambda x, y: (plane(x, y) - 90) * 100, unit="m")
    with rasterio.open(tmp_path / "dem.tif", "r+") as out:
        out.scales, out.offsets = (0.01,), (90.0,)
    same_ground(site_of(tmp_path, site='elevation = "dem.tif"'))


def test_ascii_grid_without_system(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    x, y = np.meshgrid(np.arange(-60, 150) + 0.5, np.arange(-60, 130)[::-1] + 0.5)
    head = f"ncols 210\nnrows 190\nxllcorner {ORIGIN[0] - 60}\nyllcorner {ORIGIN[1] - 60}\ncellsize 1\nNODATA_value -9999\n"
    body = "\n".join(" ".join(f"{v:.4f}" for v in row) for row in plane(x, y))
    (tmp_path / "dem.asc").write_text(head + body + "\n")
    assert "no coordinate reference system" in refused(tmp_path, site='elevation = "dem.asc"')
    site = site_of(tmp_path, site=f'elevation = {{ path = "dem.asc", crs = "{HOME}" }}\nelevation_unit = "m"')
    same_ground(site)


def test_no_raster_is_flat_and_told(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    site = site_of(tmp_path)
    assert site.terrain.flat
    assert "flat" in codes(site.findings)


def test_raster_without_georeference_is_refused(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    profile = {"driver": "GTiff", "width": 50, "height": 50, "count": 1, "dtype": "float32"}
    with (
        pytest.warns(rasterio.errors.NotGeoreferencedWarning),
        rasterio.open(tmp_path / "dem.tif", "w", crs=HOME, **profile) as out,
    ):
        out.write(np.full((50, 50), 7.0, dtype="float32"), 1)
    assert "georeference" in refused(tmp_path, site='elevation = "dem.tif"')


def test_cliff_suggests_a_wrong_unit(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    raster(tmp_path / "dem.tif", lambda x, y: plane(x, y) + 1.4 * x, unit="m")
    assert "raster-steep" in codes(findings_of(tmp_path, site='elevation = "dem.tif"'))


def test_turned_raster_keeps_its_place() -> None:
    """The maker of rasters itself: the corner of a turned raster lies where an affine says."""
    turned = Affine.rotation(24.0, pivot=(50.0, 40.0)) * Affine(1, 0, 0, 0, -1, 80)
    assert (turned * (50, 40)) == pytest.approx((50.0, 40.0))
