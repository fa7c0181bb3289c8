#!/usr/bin/env python3
"""Make the demo sites under data/: three made-up lots in Wendlecote, Tarnbeck County, a place that does not exist.

Every line here was drawn at a desk: no real lot, family, firm or street is meant. The coordinates lie in open country
so that projections, feet and degrees are exercised as on real data. The same libraries give the same bytes every time.

    python scripts/make_demo_sites.py [FOLDER]        default: data/ of this repository

Each lot is drawn in its own metres: u along the street, v away from it, then turned and moved into its CRS. To add a
site: one function that returns a Lot, its name in SITES, and a hand-written site.toml in data/NAME.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fiona
import numpy as np
import pyproj
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely.affinity import affine_transform
from shapely.geometry import LineString, Point, Polygon, box, mapping

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    Grid = NDArray[np.float64]
    Surface = Callable[[Grid, Grid], Grid]
    Row = tuple[BaseGeometry, dict[str, Any]]
    Spot = tuple[float, float]

WRITTEN_AT = "2026-01-01T00:00:00.000Z"
US_FT_M = 1200 / 3937
MARGIN_M = 30.0
ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where local metres lie: a projected grid with its unit, origin and turn, and the CRS of the vector files."""

    grid_epsg: int
    vector_epsg: int
    unit_m: float
    origin: tuple[float, float]
    turn_deg: float

    def to_grid(self, geometry: BaseGeometry) -> BaseGeometry:
        """Local metres to grid coordinates."""
        c, s = (f(math.radians(self.turn_deg)) / self.unit_m for f in (math.cos, math.sin))
        return affine_transform(geometry, [c, -s, s, c, *self.origin])

    def to_local(self, x: Grid, y: Grid) -> tuple[Grid, Grid]:
        """Grid coordinates to local metres."""
        c, s = (f(math.radians(self.turn_deg)) * self.unit_m for f in (math.cos, math.sin))
        dx, dy = x - self.origin[0], y - self.origin[1]
        return c * dx + s * dy, -s * dx + c * dy

    def to_vector(self, geometry: BaseGeometry) -> BaseGeometry:
        """Local metres to the CRS of the vector files, rounded to about a millimetre."""
        moved = self.to_grid(geometry)
        if self.vector_epsg == self.grid_epsg:
            return shapely.transform(moved, lambda xy: np.round(xy, 3))
        change = pyproj.Transformer.from_crs(self.grid_epsg, self.vector_epsg, always_xy=True)
        return shapely.transform(moved, lambda xy: np.round(np.column_stack(change.transform(*xy.T)), 8))


@dataclass(frozen=True, kw_only=True)
class Lot:
    """One demo lot in local metres: what is written to its folder. ground gives elevation in metres at u, v."""

    place: Place
    parcel: Row
    neighbours: tuple[Row, ...]
    buildings: tuple[Row, ...]
    features: tuple[Row, ...]
    ground: Surface
    cell_units: float
    elevation_unit_m: float = 1.0


def feature(kind: str, label: str, geometry: BaseGeometry, depth: float | None = None) -> Row:
    """One row of features.gpkg. depth: of the top, or of a water's bed, in the unit that the site file names."""
    return geometry, {"kind": kind, "label": label, "depth": depth}


def building(label: str, use: str, foundation: str, geometry: BaseGeometry) -> Row:
    """One row of buildings.gpkg. foundation: slab, footing or basement, as the rule files name them."""
    return geometry, {"label": label, "use": use, "foundation": foundation}


def area(*corners: Spot) -> Polygon:
    """Polygon from its corners."""
    return Polygon(corners)


def line(*corners: Spot) -> LineString:
    """Line from its corners."""
    return LineString(corners)


def ellipse(u: float, v: float, half_u: float, half_v: float, turn_deg: float = 0.0) -> Polygon:
    """Ellipse of 40 corners."""
    t = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    a, b = half_u * np.cos(t), half_v * np.sin(t)
    return Polygon(np.column_stack((u + c * a - s * b, v + s * a + c * b)))


def bumps(seed: int, height_m: float, wave_m: float) -> Surface:
    """Small unevenness: ten seeded waves of about one length, together of about the given standard deviation."""
    rng = np.random.default_rng(seed)
    angle, phase = rng.random(10) * 2 * math.pi, rng.random(10) * 2 * math.pi
    number = 2 * math.pi / (wave_m * (0.6 + 0.8 * rng.random(10)))

    def at(u: Grid, v: Grid) -> Grid:
        parts = zip(number, angle, phase, strict=True)
        waves = [np.sin(k * (u * math.cos(a) + v * math.sin(a)) + p) for k, a, p in parts]
        total: Grid = np.sum(waves, axis=0)
        return height_m * math.sqrt(2 / len(waves)) * total

    return at


def swale(u: Grid, v: Grid, bed: LineString, depth_m: float, half_m: float) -> Grid:
    """Depth of a rounded ditch along a line, metres, positive."""
    away: Grid = shapely.distance(shapely.points(u, v), bed)
    return depth_m * np.exp(-((away / half_m) ** 2))


def level(z: Grid, u: Grid, v: Grid, flat: Polygon, z_m: float) -> Grid:
    """Ground that is flat inside an area, a water surface say, and runs into the old ground within 6 m of it."""
    share: Grid = np.clip(shapely.distance(shapely.points(u, v), flat) / 6.0, 0, 1)
    return z_m + (z - z_m) * share


def suburban() -> Lot:
    """0.95 ha, house near the street, well and septic in front, pond behind: metres."""
    lot = area((0, 0), (46, -2), (82, 2), (85, 60), (78, 114), (30, 118), (-3, 70))
    street = area((-40, 1), (0, 0), (46, -2), (82, 2), (125, 6), (125, -12), (46, -17), (-40, -15))
    pond = ellipse(50, 86, 12, 7, 20)
    house = area((30, 36), (46, 36), (46, 48), (38, 48), (38, 45), (30, 45))
    uneven, ditch = bumps(11, 0.12, 25.0), line((-30, 60), (20, 74), (50, 86), (120, 118))

    def ground(u: Grid, v: Grid) -> Grid:
        z = 214.0 - 0.05 * v + 0.012 * u + uneven(u, v) - swale(u, v, ditch, 0.9, 8.0)
        return level(z, u, v, pond, 209.2)

    return Lot(
        place=Place(grid_epsg=26918, vector_epsg=26918, unit_m=1.0, origin=(474500.0, 4700010.0), turn_deg=14.0),
        parcel=(lot, {"parcel_id": "T-014-07", "owner": "Brackwillow family", "address": "27 Heron Weir Lane"}),
        neighbours=(),
        buildings=(
            building("house", "dwelling", "basement", house),
            building("garage", "garage", "slab", box(50, 37, 57, 44)),
            building("pump house", "shed", "slab", box(64, 82, 66.5, 84.5)),
        ),
        features=(
            feature("surface_water", "pond", pond, 4.0),
            feature("right_of_way", "Heron Weir Lane", street),
            feature("paved_way", "drive", area((51, -1.4), (55, -1), (56.5, 30), (57, 37), (50, 37), (50.5, 30))),
            feature("drain_field", "drain field", box(6, 5, 24, 13)),
            feature("drain_field_reserve", "reserve of the drain field", box(6, 15, 24, 21)),
            feature("tree_root_zone", "old maples", area((16, 95), (28, 94), (37, 112), (28, 113))),
            feature("septic_tank", "septic tank", Point(29, 27)),
            feature("water_well", "well", Point(73, 8)),
            feature("gas_line", "gas service", line((38, -1.6), (38, 20), (36, 36)), 2.5),
            feature("electric_ug", "electric service", line((62, -0.2), (60, 30), (57, 40)), 3.0),
            feature("electric_ug", "cable to the pump house", line((57, 42), (68, 50), (66, 83))),
            feature("water_service", "from the well", line((73, 8), (58, 33), (46, 40)), 4.5),
            feature("sewer_gravity", "to the septic tank", line((33, 36), (29, 27), (20, 13)), 3.0),
            feature("irrigation", "lawn, west", line((38, 48), (34, 56), (10, 58), (10, 78)), 1.0),
            feature("irrigation", "lawn, north", line((34, 56), (58, 62), (60, 72)), 1.0),
        ),
        ground=ground,
        cell_units=1.0,
    )


def corner() -> Lot:
    """0.19 ha on a street corner, house in the middle, services on both street sides: US survey feet, heights too."""
    lot = area((0, 0), (31, 0), (34, 1.2), (35.2, 4), (36, 55), (0.5, 55.4))
    street = area((-30, 0), (31, 0), (34, 1.2), (35.2, 4), (52, 4), (52, -13), (-30, -13))
    uneven = bumps(23, 0.05, 12.0)

    def ground(u: Grid, v: Grid) -> Grid:
        return 331.0 + 0.018 * v - 0.01 * u + uneven(u, v)

    return Lot(
        place=Place(grid_epsg=2261, vector_epsg=2261, unit_m=US_FT_M, origin=(1164200.0, 897100.0), turn_deg=-9.0),
        parcel=(lot, {"parcel_id": "W-233-01", "owner": "Osterfell family", "address": "2 Tollmarrow Rise"}),
        neighbours=(
            (area((0, 0), (0.5, 55.4), (-28, 55.6), (-28, 0)), {"parcel_id": "W-233-02", "owner": "Quillhurst family"}),
            (area((0.5, 55.4), (36, 55), (36.6, 96), (0.9, 96)), {"parcel_id": "W-233-14", "owner": "Fennimarsh LLC"}),
        ),
        buildings=(
            building("house", "dwelling", "footing", area((11, 15), (23, 15), (23, 27), (15, 27), (15, 25), (11, 25))),
            building("garage", "garage", "slab", box(23, 15.5, 29, 22)),
            building("shed", "shed", "slab", box(29, 48, 32.5, 51.5)),
            building("neighbour's house", "dwelling", "basement", box(-19, 14, -8, 26)),
        ),
        features=(
            feature("paved_way", "drive", area((29, 16.2), (35.4, 15.8), (35.5, 22), (29, 21.6))),
            feature("right_of_way", "Tollmarrow Rise", street),
            feature("right_of_way", "Hollowfen Street", area((35.2, 4), (36, 55), (36.6, 96), (52, 96), (52, 4))),
            feature("tree_root_zone", "walnut", ellipse(29, 37, 4, 4)),
            feature("water_main", "Tollmarrow Rise", line((-30, -7), (52, -7)), 5.0),
            feature("gas_line", "main, Tollmarrow Rise", line((-30, -3), (44, -3)), 3.0),
            feature("gas_line", "service", line((18, -3), (18, 15)), 2.0),
            feature("water_service", "service", line((21, -7), (21, 15)), 5.0),
            feature("telecom", "Tollmarrow Rise", line((-30, -1.2), (36.5, -1.2), (37.5, 96)), 2.0),
            feature("telecom", "drop", line((14, -1.2), (14, 15))),
            feature("electric_ug", "Hollowfen Street", line((38.5, -10), (39.5, 96)), 3.0),
            feature("electric_ug", "service", line((38.9, 25), (23, 25)), 2.5),
            feature("sewer_gravity", "main, Hollowfen Street", line((44, -10), (44.6, 96)), 9.0),
            feature("sewer_gravity", "lateral", line((44.2, 13), (27, 13), (20, 15)), 5.0),
        ),
        ground=ground,
        cell_units=3.0,
        elevation_unit_m=US_FT_M,
    )


def school() -> Lot:
    """4.8 ha: school and car park at the street, playing fields behind: vectors in degrees, ground in UTM metres."""
    lot = area((0, 0), (178, -4), (184, 130), (181, 262), (60, 266), (-3, 258))
    basin = area((148, 92), (176, 94), (175, 118), (150, 116))
    hall = shapely.union_all([box(38, 40, 132, 58), box(38, 58, 56, 84), box(74, 58, 96, 76), box(114, 58, 132, 84)])
    street = area((-40, 1), (0, 0), (178, -4), (230, -5), (230, -24), (-40, -20))
    trees = area((-2, 250), (60, 257), (180, 253), (180.9, 261.5), (60, 265.5), (-2.6, 257.5))
    ring = line((86, 84), (86, 128), (8, 130), (8, 242), (165, 242), (165, 130), (86, 128))
    pitch = box(16, 132, 150, 238)
    uneven = bumps(37, 0.15, 45.0)

    def ground(u: Grid, v: Grid) -> Grid:
        z = 187.0 - 0.012 * u + 0.008 * v + uneven(u, v)
        return level(level(z, u, v, pitch, 187.6), u, v, basin, 184.9)

    return Lot(
        place=Place(grid_epsg=26918, vector_epsg=4269, unit_m=1.0, origin=(476210.0, 4701480.0), turn_deg=-21.0),
        parcel=(lot, {"parcel_id": "T-031-02", "owner": "Wendlecote School District", "address": "1 Larkmoor Avenue"}),
        neighbours=(),
        buildings=(
            building("classrooms", "school", "footing", hall),
            building("gymnasium", "school", "basement", box(140, 44, 168, 72)),
            building("field store", "shed", "slab", box(0, 236, 5.5, 246)),
        ),
        features=(
            feature("right_of_way", "Larkmoor Avenue", street),
            feature("paved_way", "car park", box(8, 6, 86, 32)),
            feature("paved_way", "bus loop", box(98, 3, 166, 26)),
            feature("paved_way", "ball court", box(6, 94, 30, 122)),
            feature("stormwater_basin", "basin", basin, 6.0),
            feature("tree_root_zone", "shelter belt", trees),
            feature("storm_drain", "from the car park", line((47, 34), (136, 36), (136, 88), (150, 96)), 5.0),
            feature("storm_drain", "east side", line((172, 240), (176, 180), (170, 116)), 4.0),
            feature("water_main", "Larkmoor Avenue", line((-40, -9), (230, -13)), 5.0),
            feature("water_main", "to the hydrant", line((92, -11), (92, 36), (34, 37), (33, 88)), 5.0),
            feature("gas_line", "service", line((120, -4), (120, 40)), 3.0),
            feature("electric_ug", "service", line((172, -5), (171, 40), (168, 50)), 3.0),
            feature("telecom", "duct", line((94, -4), (94, 40))),
            feature("irrigation", "ring main of the fields", ring, 1.5),
        ),
        ground=ground,
        cell_units=2.0,
    )


SITES: dict[str, Callable[[], Lot]] = {"suburban": suburban, "corner": corner, "school": school}


def write_layer(path: Path, layer: str, rows: Iterable[Row], place: Place, columns: dict[str, str]) -> None:
    """Add one layer to a GeoPackage. Rows get ids of their own, in drawing order."""
    rows = list(rows)
    (geometry_type,) = {geometry.geom_type for geometry, _ in rows}
    schema = {"geometry": geometry_type, "properties": {"feature_id": "str", **columns}}
    with (
        fiona.Env(OGR_CURRENT_DATE=WRITTEN_AT),
        fiona.open(
            path,
            "w",
            driver="GPKG",
            layer=layer,
            schema=schema,
            crs=f"EPSG:{place.vector_epsg}",
            SPATIAL_INDEX="NO",
        ) as out,
    ):
        for number, (geometry, values) in enumerate(rows, 1):
            properties = {"feature_id": f"{layer}-{number:02d}"} | {name: values.get(name) for name in columns}
            out.write({"geometry": mapping(place.to_vector(geometry)), "properties": properties})


def write_vectors(lot: Lot, folder: Path) -> None:
    """parcel.gpkg, buildings.gpkg and features.gpkg; features go to a layer per geometry type."""
    about = {"parcel_id": "str", "owner": "str", "address": "str"}
    write_layer(folder / "parcel.gpkg", "parcel", [lot.parcel], lot.place, about)
    if lot.neighbours:
        write_layer(folder / "parcel.gpkg", "neighbours", lot.neighbours, lot.place, about)
    shown = {"label": "str", "use": "str", "foundation": "str"}
    write_layer(folder / "buildings.gpkg", "buildings", lot.buildings, lot.place, shown)
    columns = {"kind": "str", "label": "str", "depth": "float"}
    for layer, geometry_type in {"areas": "Polygon", "lines": "LineString", "points": "Point"}.items():
        rows = [row for row in lot.features if row[0].geom_type == geometry_type]
        if rows:
            write_layer(folder / "features.gpkg", layer, rows, lot.place, columns)


def write_ground(lot: Lot, path: Path) -> None:
    """dem.tif: float32 heights at cell centres, rounded to 1 cm, 30 m beyond the lot on all sides."""
    place, cell = lot.place, lot.cell_units
    west, south, east, north = place.to_grid(lot.parcel[0]).buffer(MARGIN_M / place.unit_m).bounds
    west, north = math.floor(west / cell) * cell, math.ceil(north / cell) * cell
    cols, rows = math.ceil((east - west) / cell), math.ceil((north - south) / cell)
    x, y = np.meshgrid(west + cell * (np.arange(cols) + 0.5), north - cell * (np.arange(rows) + 0.5))
    z = np.round(lot.ground(*place.to_local(x, y)) / lot.elevation_unit_m, 2).astype(np.float32)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=cols,
        height=rows,
        count=1,
        dtype="float32",
        nodata=-9999.0,
        crs=f"EPSG:{place.grid_epsg}",
        transform=from_origin(west, north, cell, cell),
        compress="deflate",
        predictor=3,
    ) as out:
        out.write(z, 1)


def make_site(lot: Lot, folder: Path) -> None:
    """Write one lot's four files, replacing old ones; a site.toml in the folder is left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("parcel.gpkg", "buildings.gpkg", "features.gpkg", "dem.tif"):
        (folder / name).unlink(missing_ok=True)
    write_vectors(lot, folder)
    write_ground(lot, folder / "dem.tif")


def main(arguments: list[str]) -> None:
    """Make every site below the folder named, or below data/."""
    target = Path(arguments[0]) if arguments else ROOT / "data"
    for name, draw in SITES.items():
        make_site(draw(), target / name)
        print(f"{target / name}: {sum(f.stat().st_size for f in (target / name).iterdir()) // 1024} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
