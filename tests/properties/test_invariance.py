"""One lot, told differently, is one lot: coordinate systems, units, heights, turns, setbacks.

Checks by transformation as listed in facts/geometry; tolerance of the first: 1 mm per 100 m.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely
import zoo
from shapely import affinity

import loopgis
from loopgis import driver
from loopgis.layout.field import Field
from loopgis.layout.prepare import limits_of
from loopgis.rules import files
from loopgis.rules.zones import zones_of
from loopgis.site.model import Feature

if TYPE_CHECKING:
    from pathlib import Path

LOT = [(0, 0), (96, 4), (102, 60), (60, 88), (-6, 70)]
HOUSE = [(40, 8), (58, 8), (58, 20), (40, 20)]
GAS = [(20, -30), (20, 25), (41, 14)]


def write_site(folder: Path, epsg: int, *, elevation_unit: str = "m") -> Path:
    """The made-up lot as GeoJSON-like layers in a coordinate system, with a raster in UTM in metres or feet."""
    import geopandas
    import rasterio
    from rasterio.transform import from_origin

    folder.mkdir()
    at = (430_000.0, 4_650_000.0)  # UTM 18N on NAD83, open country
    rows = {"parcel": shapely.Polygon(LOT), "buildings": shapely.Polygon(HOUSE), "gas": shapely.LineString(GAS)}
    for name, shape in rows.items():
        moved = affinity.translate(shape, *at)
        table = geopandas.GeoDataFrame(
            {"feature_id": [name], **({"depth": [3.0]} if name == "gas" else {})}, geometry=[moved], crs=26918
        ).to_crs(epsg)
        table.to_file(folder / f"{name}.gpkg", driver="GPKG")
    cell, n = 2.0, 160
    x = at[0] - 100 + (np.arange(n) + 0.5) * cell
    y = at[1] + 220 - (np.arange(n) + 0.5) * cell
    z = 210 + 0.03 * (x[None, :] - at[0]) + 0.02 * (y[:, None] - at[1])
    factor = {"m": 1.0, "ft": 0.3048}[elevation_unit]
    profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "height": n, "width": n, "crs": "EPSG:26918"}
    with rasterio.open(
        folder / "dem.tif", "w", transform=from_origin(at[0] - 100, at[1] + 220, cell, cell), **profile
    ) as sink:
        sink.write(z / factor, 1)
    text = f"""
[site]
name = "Told differently"
parcel = "parcel.gpkg"
buildings = "buildings.gpkg"
elevation = "dem.tif"
elevation_unit = "{elevation_unit}"
[[site.feature]]
kind = "gas_line"
path = "gas.gpkg"
quality = "A"
depth_unit = "ft"
[bore]
bores = 4
depth = ["12 ft"]
"""
    (folder / "site.toml").write_text(text, "utf-8")
    return folder / "site.toml"


def lines(result):
    return {(y.layout_id, b.bore_id): b.xyz for y in result.layouts for b in y.bores}


def test_metres_feet_and_degrees_give_the_same_layouts(tmp_path):
    metres = loopgis.design(write_site(tmp_path / "metres", 26918))
    for name, epsg in (("feet", 2261), ("degrees", 4269)):
        other = loopgis.design(write_site(tmp_path / name, epsg))
        assert other.site.frame.lat0_deg == metres.site.frame.lat0_deg
        mine, theirs = lines(metres), lines(other)
        assert mine.keys() == theirs.keys()
        for key, xyz in mine.items():
            assert xyz.shape == theirs[key].shape
            assert np.abs(xyz - theirs[key]).max() < 1e-3 * max(1.0, len(xyz) * 0.45 / 100)
        assert [y.score for y in other.layouts] == pytest.approx([y.score for y in metres.layouts], abs=1e-3)


def test_elevation_in_feet_and_metres_give_the_same_profiles(tmp_path):
    a, b = (
        loopgis.design(write_site(tmp_path / "a", 26918)),
        loopgis.design(write_site(tmp_path / "b", 26918, elevation_unit="ft")),
    )
    for key, xyz in lines(a).items():
        assert np.abs(xyz - lines(b)[key]).max() < 1e-3


def sample_lot(turn_deg: float = 0.0, shift: tuple[float, float] = (0.0, 0.0), rise_m: float = 0.0):
    def place(shape):
        return affinity.translate(affinity.rotate(affinity.translate(shape, -48, -44), turn_deg, origin=(0, 0)), *shift)

    a = math.radians(turn_deg)
    slope = (0.03 * math.cos(a) - 0.02 * math.sin(a), 0.03 * math.sin(a) + 0.02 * math.cos(a))
    terrain = zoo.plane(*slope)
    terrain = type(terrain)(terrain.z_m + rise_m - slope[0] * shift[0] - slope[1] * shift[1], terrain.map_col, terrain.map_row, 2.0,
                            crs_wkt=terrain.crs_wkt, affine=terrain.affine)  # fmt: skip
    things = (
        Feature(
            feature_id="house",
            kind="building",
            geometry=place(shapely.Polygon(HOUSE)),
            attributes=(("foundation", "slab"),),
        ),
        Feature(feature_id="gas", kind="gas_line", geometry=place(shapely.LineString(GAS)), quality="A", depth_m=0.9),
    )
    return zoo.site(place(shapely.Polygon(LOT)), features=things, terrain=terrain, bores=4, depth_m=(3.6576,))


@pytest.mark.parametrize("turn_deg", [17.0, 90.0, 213.7])
def test_turned_and_shifted_lots_have_the_same_scores(turn_deg):
    plain, turned = driver.design(sample_lot()), driver.design(sample_lot(turn_deg, (23.0, -11.0)))
    assert [y.score for y in turned.layouts] == pytest.approx([y.score for y in plain.layouts], abs=0.02)
    assert [y.evaluation.total_length_m for y in turned.layouts] == pytest.approx(
        [y.evaluation.total_length_m for y in plain.layouts], abs=0.05
    )


def test_heights_raised_by_100_change_nothing_but_z():
    low, high = lines(driver.design(sample_lot())), lines(driver.design(sample_lot(rise_m=100.0)))
    for key, xyz in low.items():
        assert np.abs(high[key] - xyz - [0, 0, 100.0]).max() < 1e-6


@pytest.mark.parametrize("rule", ["lot-line", "building", "buried-line"])
def test_a_tighter_setback_never_frees_ground(rule):
    site = sample_lot()
    text = (files.resources.files("loopgis") / "tables" / "rules" / "house.toml").read_text("utf-8")
    head, tail = text.split(f'id = "{rule}"', 1)
    wide = files.parse((head + f'id = "{rule}"' + tail.replace("value = 10,", "value = 14,", 1)).encode(), "wide.toml")
    areas = []
    for file in (files.load("house"), wide):
        zones, _ = zones_of(site, [file])
        field = Field(site=site, zones=zones, limits=limits_of(site), vert_share=0.05)
        areas.append((field.open_area, field.end_area))
    for before, after in zip(*areas, strict=True):
        assert shapely.difference(after, shapely.buffer(before, 1e-6)).area < 1e-6
    assert areas[1][1].area < areas[0][1].area


def test_the_same_run_twice_is_the_same():
    a, b = driver.design(sample_lot()), driver.design(sample_lot())
    assert [y.summary() for y in a.layouts] == [y.summary() for y in b.layouts]
