"""GeoPackages built by hand for the audit's tests: a made-up flat lot of 200 m by 150 m with exact bores.

The CRS is a transverse Mercator of scale 1 over the lot, so that its metres are ground metres (the audit projects by itself).
"""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyogrio import raw

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

CRS = "+proj=tmerc +lat_0=42.3 +lon_0=-71.8 +k=1 +x_0=1100 +y_0=2075 +datum=NAD83 +units=m +no_defs +type=crs"
LOT = shapely.box(1000, 2000, 1200, 2150)
RIG = {
    "rig": {
        "rod_length_m": 3.0,
        "bend_radius_m": 30.0,
        "entry_pitch_pct": [15.0, 35.0],
        "exit_pitch_pct": [10.0, 35.0],
        "max_length_m": 150.0,
        "max_depth_m": 9.0,
    },
    "bore": {"spacing_m": 4.5, "hole_diameter_m": 0.2},
}
RULED_KINDS = (
    "building",
    "water_well",
    "septic_tank",
    "drain_field",
    "drain_field_reserve",
    "pool",
    "surface_water",
    "stormwater_basin",
    "paved_way",
    "retaining_wall",
    "tree_root_zone",
    "gas_line",
    "electric_ug",
    "telecom",
    "water_main",
    "water_service",
    "sewer_gravity",
    "sewer_force",
    "storm_drain",
    "drain_tile",
    "private_other",
    "irrigation",
    "lp_tank",
    "fuel_tank",
    "existing_loop",
    "easement",
    "right_of_way",
    "wetland",
    "contaminated_site",
    "floodplain",
    "wellhead_zone",
    "electric_oh",
)
META = {"loopgis": 1, **RIG, "rules": ["house"], "given_kinds": list(RULED_KINDS), "terrain": "flat"}


def profile(
    depth_m: float, level_m: float, *, pitch_pct: float = 25.0, radius_m: float = 31.0, step_m: float = 0.5
) -> NDArray[np.float64]:
    """(n, 2) plan distance and z of slope, arc, level run, arc, slope, exact at drilled stations about `step_m` apart."""
    a = math.atan(pitch_pct / 100)
    slope = (depth_m - radius_m * (1 - math.cos(a))) / math.sin(a)
    pieces = [(slope, -a, -a), (radius_m * a, -a, 0.0), (level_m, 0.0, 0.0), (radius_m * a, 0.0, a), (slope, a, a)]
    x, z, out = 0.0, 0.0, [(0.0, 0.0)]
    for length, start, end in pieces:
        s = np.linspace(0, length, max(math.ceil(length / step_m), 1) + 1)[1:]
        rate = (end - start) / length
        if rate == 0:
            dx, dz = s * math.cos(start), s * math.sin(start)
        else:
            dx = (np.sin(start + rate * s) - math.sin(start)) / rate
            dz = (math.cos(start) - np.cos(start + rate * s)) / rate
        out += list(zip(x + dx, z + dz, strict=True))
        x, z = out[-1]
    return np.array(out)


def straight(
    x: float, y: float, *, depth_m: float = 4.5, level_m: float = 60.0, azimuth_deg: float = 90.0, **shape: float
) -> NDArray[np.float64]:
    """(n, 3) bore from (x, y) in a straight plan line."""
    run = profile(depth_m, level_m, **shape)
    a = math.radians(azimuth_deg)
    return np.column_stack([x + run[:, 0] * math.sin(a), y + run[:, 0] * math.cos(a), run[:, 1]])


def figures(xyz: NDArray[np.float64], *, level_m: float | None = None, radius_m: float | None = 31.0) -> dict[str, Any]:
    """True columns of a bore on flat ground at z = 0."""
    step = np.diff(xyz, axis=0)
    run = np.hypot(step[:, 0], step[:, 1])
    length = float(np.sum(np.linalg.norm(step, axis=1)))
    row = {
        "length_m": length,
        "plan_length_m": float(run.sum()),
        "max_depth_m": -float(xyz[:, 2].min()),
        "entry_pitch_pct": float(100 * step[0, 2] / run[0]),
        "exit_pitch_pct": float(100 * step[-1, 2] / run[-1]),
        "rods": math.ceil(length / 3.0),
    }
    if radius_m is not None:
        row["min_radius_m"] = radius_m
    if level_m is not None:  # within 0.3 m of the level run: so much of each arc besides, and 0.3 m less cover
        row["level_length_m"] = level_m + 2 * 31.0 * math.acos(1 - 0.3 / 31.0)
        row["min_cover_m"] = -float(xyz[:, 2].min()) - 0.3 - 0.1
    return row


@dataclass
class Feature:
    kind: str
    geometry: Any
    feature_id: str = "F-01"
    quality: str = "A"
    depth_m: float | None = None
    width_m: float | None = None
    foundation: str = ""


@dataclass
class Bore:
    xyz: Any
    bore_id: str = "B-01"
    layout_id: str = "L-01"
    columns: dict[str, Any] | None = None

    def row(self) -> dict[str, Any]:
        return figures(self.xyz) if self.columns is None and isinstance(self.xyz, np.ndarray) else self.columns or {}

    def shape(self) -> Any:
        return shapely.LineString(self.xyz) if isinstance(self.xyz, np.ndarray) else self.xyz


@dataclass
class Lot:
    """What one test file holds; `write` makes the GeoPackage."""

    bores: list[Bore] = field(default_factory=lambda: [Bore(straight(1030, 2075))])
    features: list[Feature] = field(default_factory=list)
    buildings: list[Feature] = field(default_factory=list)
    pads: list[tuple[str, Any]] = field(default_factory=list)
    rods: list[dict[str, Any]] | None = None
    exits: list[dict[str, Any]] | None = None
    clearances: list[dict[str, Any]] | None = None
    metadata: dict[str, Any] | None = field(default_factory=lambda: dict(META))
    parcel: Any = LOT
    crs: str = CRS
    terrain: tuple[NDArray[np.float64], tuple[float, float, float]] | None = None

    def write(self, path: Path) -> Path:
        layer(path, "parcel", [self.parcel], {"feature_id": ["lot-7"]}, self.crs)
        layer(path, "bores", [b.shape() for b in self.bores], _columns([_named(b) for b in self.bores]), self.crs)
        for name, things in (("features", self.features), ("buildings", self.buildings)):
            if things:
                rows = [{k: v for k, v in vars(t).items() if k != "geometry"} for t in things]
                layer(path, name, [t.geometry for t in things], _columns(rows), self.crs)
        if self.pads:
            layer(path, "pads", [p for _, p in self.pads], {"layout_id": [i for i, _ in self.pads]}, self.crs)
        for name, points in (("rods", self.rods), ("exits", self.exits)):
            if points is not None:
                rows = [{k: v for k, v in p.items() if k != "xyz"} for p in points]
                layer(path, name, [shapely.Point(*p["xyz"]) for p in points], _columns(rows), self.crs)
        if self.terrain is not None:
            write_raster(
                path,
                *self.terrain,
                crs=self.crs,
                options={"RASTER_TABLE": "terrain", "APPEND_SUBDATASET": "YES", "driver": "GPKG"},
            )
        if self.clearances is not None:
            write_table(path, "clearances", self.clearances)
        if self.metadata is not None:
            write_metadata(path, self.metadata)
        return path


def _named(bore: Bore) -> dict[str, Any]:
    return {"layout_id": bore.layout_id, "bore_id": bore.bore_id, **bore.row()}


def _columns(rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    names = dict.fromkeys(n for row in rows for n in row)
    return {n: [row.get(n) for row in rows] for n in names}


def layer(path: Path, name: str, shapes: list[Any], columns: dict[str, list[Any]], crs: str | None) -> None:
    """Write one feature layer; text columns stay text, numbers become reals."""
    values = [np.array(v, dtype=object if any(isinstance(i, str) for i in v) else float) for v in columns.values()]
    kinds = {s.geom_type for s in shapes} or {"Point"}
    kind = kinds.pop() if len(kinds) == 1 else "Unknown"
    kind += " Z" if kind != "Unknown" and shapes and all(shapely.has_z(shapes)) else ""
    raw.write(
        str(path),
        shapely.to_wkb(np.array(shapes, dtype=object), output_dimension=3),
        values,
        list(columns),
        layer=name,
        geometry_type=kind,
        crs=crs,
        dataset_options={"VERSION": "1.2"} if not path.exists() else None,
    )


def write_raster(
    path: Path, cells: NDArray[np.float64], corner: tuple[float, float, float], *, crs: str, options: dict[str, Any]
) -> None:
    """Write elevation cells; corner: (west, north, cell size)."""
    import rasterio
    from rasterio.transform import from_origin

    unit = options.pop("unit", None)
    profile_ = {
        "width": cells.shape[1],
        "height": cells.shape[0],
        "count": 1,
        "dtype": "float32",
        "crs": crs,
        "transform": from_origin(corner[0], corner[1], corner[2], corner[2]),
        **options,
    }
    with rasterio.open(path, "w", **profile_) as target:
        target.write(cells.astype("float32"), 1)
        if unit:
            target.units = (unit,)


def write_table(path: Path, name: str, rows: list[dict[str, Any]]) -> None:
    """A plain attribute table."""
    names = list(_columns(rows)) or ["layout_id"]
    with sqlite3.connect(path) as db:
        db.execute(f"CREATE TABLE {name} (fid INTEGER PRIMARY KEY, {', '.join(names)})")
        marks = ", ".join("?" * len(names))
        db.executemany(f"INSERT INTO {name} VALUES (NULL, {marks})", [[row.get(n) for n in names] for row in rows])  # noqa: S608
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES (?, 'attributes', ?)", (name, name)
        )
    db.close()


def write_metadata(path: Path, value: dict[str, Any]) -> None:
    """Two rows: a stranger's XML, and the loopgis JSON."""
    with sqlite3.connect(path) as db:
        db.execute(
            "CREATE TABLE IF NOT EXISTS gpkg_metadata (id INTEGER PRIMARY KEY, md_scope TEXT, md_standard_uri TEXT, "
            "mime_type TEXT, metadata TEXT)"
        )
        db.execute("INSERT INTO gpkg_metadata (md_scope, metadata) VALUES ('dataset', '<note/>')")
        db.execute(
            "INSERT INTO gpkg_metadata (md_scope, mime_type, metadata) VALUES ('dataset', 'application/json', ?)",
            (json.dumps(value),),
        )
    db.close()
