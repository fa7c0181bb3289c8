"""A small made-up site with zones and layouts, from the dataclasses alone, without solver or reader.

The lot is 90 m by 70 m round the frame's origin, its ground a tilted plane. Bores are straight in plan: a slanting start, an arc, a
level run, an arc, a slanting end, in closed form.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
import zoo
from pyproj import CRS
from shapely import MultiPolygon

from loopgis.bore.model import Bore
from loopgis.core.frame import Frame
from loopgis.layout.model import Clearance, Crossing, Evaluation, Header, Layout, Pad
from loopgis.rules.model import Rule, Zone
from loopgis.sheets.geopackage import write_layouts
from loopgis.site.model import FLAT, Feature, Site, SourceFile, Terrain

if TYPE_CHECKING:
    from pathlib import Path

LON, LAT = -73.98, 40.75
"""Where the made-up lot lies: any place does, this one is inside the areas of all the coordinate systems tried."""
SLOPE_X, SLOPE_Y, HEIGHT_M = 0.03, -0.02, 100.0
RADIUS_M, ENTRY, EXIT = 40.0, 0.30, 0.25
"""Bend radius, and the slopes of entry and exit (rise over run)."""


def frame(crs: str) -> Frame:
    """Frame on the lot for a parcel given in a coordinate system."""
    return Frame.centred(LON, LAT, CRS.from_user_input(crs).to_wkt())


def terrain(where: Frame) -> Terrain:
    """The tilted plane as cells, one corner without data."""
    plane = zoo.plane(SLOPE_X, SLOPE_Y, half_m=60.0)
    z = plane.z_m.copy()
    z[:3, :4] = np.nan
    return replace(plane, z_m=z, crs_wkt=where.crs.to_wkt())


def features() -> tuple[Feature, ...]:
    """One of each geometry: a house, a gas line, a well, a pond, irrigation in two parts."""
    gas = shapely.LineString([(-20, -35), (-18, 10), (-15, 35)])
    pond = shapely.Point(15, 8).buffer(6)
    pipes = shapely.MultiLineString([[(0, -30), (10, -25)], [(0, -20), (10, -15)]])
    return (
        Feature(feature_id="house", kind="building", geometry=shapely.box(-40, -30, -28, -20), label="house"),
        Feature(
            feature_id="gas", kind="gas_line", geometry=gas, quality="B", depth_m=0.9, attributes=(("width_m", "0.1"),)
        ),
        Feature(feature_id="well", kind="water_well", geometry=shapely.Point(35, -25), label="well"),
        Feature(feature_id="pond", kind="surface_water", geometry=pond, attributes=(("use", "garden"),)),
        Feature(feature_id="pipes", kind="irrigation", geometry=pipes, quality="D"),
    )


def site(crs: str = "EPSG:32618", *, flat: bool = False, units: str = "metric") -> Site:
    """The site in a parcel CRS, with or without a raster."""
    where = frame(crs)
    made = zoo.site(
        shapely.box(-45, -35, 45, 35), features=features(), terrain=FLAT if flat else terrain(where), units=units
    )
    source = SourceFile(role="parcel", path="lot.gpkg", sha256="0" * 64, crs=crs, rows=1)
    return replace(made, frame=where, parcel_id="12-7", sources=(source,))


def bore(bore_id: str, x0: float, y0: float, azimuth_deg: float, *, level_m: float = 30.0, flat: bool = False) -> Bore:
    """A bore from (x0, y0) at an azimuth, stations 0.4 m apart in the vertical plane."""
    down, up = np.arctan(ENTRY), np.arctan(EXIT)
    deepest = 3.5 * np.sin(down) + RADIUS_M * (1 - np.cos(down))
    last = (deepest - RADIUS_M * (1 - np.cos(up))) / np.sin(up)
    lengths = np.array([3.5, RADIUS_M * down, level_m, RADIUS_M * up, last])
    ends = np.r_[0, np.cumsum(lengths)]
    s = np.linspace(0, ends[-1], int(np.ceil(ends[-1] / 0.4)) + 1)
    theta = np.interp(s, ends, [-down, -down, 0, 0, up, up])
    step = np.diff(s)
    middle = np.interp((s[1:] + s[:-1]) / 2, ends, [-down, -down, 0, 0, up, up])
    plan = np.r_[0, np.cumsum(step * np.cos(middle))]
    depth = np.r_[0, -np.cumsum(step * np.sin(middle))]
    away = np.radians(azimuth_deg)
    x, y = x0 + plan * np.sin(away), y0 + plan * np.cos(away)
    ground = np.zeros_like(x) if flat else HEIGHT_M + SLOPE_X * x + SLOPE_Y * y
    z = ground - depth
    true = np.r_[0, np.cumsum(np.sqrt(np.diff(plan) ** 2 + np.diff(z) ** 2))]
    bent = (np.interp(s, ends, [0, 1, 1, 2, 2, 3]) % 2 > 0) & (theta != 0)
    return Bore(
        bore_id=bore_id,
        pattern="fan",
        x_m=x,
        y_m=y,
        z_m=z,
        ground_m=ground,
        station_m=true,
        plan_station_m=plan,
        pitch_pct=100 * np.tan(theta),
        azimuth_deg=np.full_like(s, azimuth_deg),
        curvature_1_m=np.where(bent, 1 / RADIUS_M, 0.0),
        target_depth_m=float(deepest),
        hole_diameter_m=0.127,
    )


def rule(key: str, kind: str, mode: str, *, distance_m: float, applies_to: tuple[str, ...] = ("bore",)) -> Rule:
    """A made-up rule."""
    return Rule(
        key=key,
        kinds=(kind,),
        applies_to=applies_to,
        plan_distance_m=distance_m,
        mode=mode,
        min_cover_m=None,
        cover_base="surface",
        foundation_depth_m={},
        vertical_clearance_m=0.3,
        angle_min_deg=None,
        consent=(),
        min_quality="",
        severity="error",
        on_fail="move the bore",
        citation=f"made-up rule on {kind}, § 3 & 4",
        paraphrase="keep away",
    )


def zones() -> tuple[Zone, ...]:
    """Closed, open below a depth, in need of a ruling, and for the pad only."""
    lot = shapely.box(-60, -50, 60, 50).difference(shapely.box(-42, -32, 42, 32))
    rows = (
        ("made/lot-line", "lot", "property_line", "never", None, lot, ("bore", "pit")),
        ("made/pond", "pond", "surface_water", "under_with_cover", 2.4, shapely.Point(15, 8).buffer(9), ("bore",)),
        ("made/well", "well", "water_well", "ruling", 0.0, shapely.Point(35, -25).buffer(5), ("bore",)),
        ("made/pad", "house", "building", "never", None, shapely.box(-41, -31, -27, -19), ("pit",)),
    )
    return tuple(
        Zone(
            zone_id=f"Z-{i:03d}",
            rule=rule(key, kind, mode, distance_m=3.0, applies_to=to),
            feature_id=feature_id,
            kind=kind,
            mode=mode,
            distance_m=3.0,
            tolerance_m=0.3,
            required_depth_m=depth,
            polygon=MultiPolygon([polygon]),
            applies_to=to,
        )
        for i, (key, feature_id, kind, mode, depth, polygon, to) in enumerate(rows, 1)
    )


def clearance(bore_id: str, feature_id: str, kind: str, outcome: str, margin_m: float) -> Clearance:
    """A row of the clearance table."""
    return Clearance(
        bore_id=bore_id,
        rule_id=f"made/{kind}",
        feature_id=feature_id,
        kind=kind,
        basis="plan",
        required_m=3.0,
        provided_m=3.0 + margin_m,
        margin_m=margin_m,
        outcome=outcome,
        citation="made-up",
    )


def crossing(bore_: Bore, feature_id: str, kind: str) -> Crossing:
    """A crossing half-way along a bore, of something whose depth nobody knows."""
    i = len(bore_.x_m) // 2
    return Crossing(
        bore_id=bore_.bore_id,
        feature_id=feature_id,
        kind=kind,
        rule_id=f"made/{kind}",
        x_m=float(bore_.x_m[i]),
        y_m=float(bore_.y_m[i]),
        z_m=float(bore_.z_m[i]),
        station_m=float(bore_.station_m[i]),
        angle_deg=80.0,
        clearance_m=None,
        sigma_m=None,
        risk=None,
        depth_known=False,
    )


def layout(rank: int, *, bores: int = 2, level_m: float = 30.0, flat: bool = False) -> Layout:
    """A fan of bores from a pad in the west; the last bore of it is straight in the books, so it has no radius."""
    angles = np.linspace(70, 100, bores) + rank
    made = [
        bore(f"B-{i:02d}", -38.0, float(y), float(a), level_m=level_m, flat=flat)
        for i, (a, y) in enumerate(zip(angles, np.linspace(-4, 4, bores), strict=True), 1)
    ]
    made[-1] = replace(made[-1], curvature_1_m=np.zeros_like(made[-1].x_m))
    first = made[0]
    rows = (
        clearance("B-01", "pond", "surface_water", "pass", 2.0),
        clearance("B-01", "pond", "surface_water", "pass_thin", 0.1),
        clearance("B-01", "gas", "gas_line", "unverified", float("nan")),
        clearance("B-02", "lot", "property_line", "pass", 4.0),
        clearance("", "", "septic_tank", "unverified", float("nan")),
    )
    total = sum(b.length_m for b in made)
    return Layout(
        layout_id=f"L-{rank:02d}",
        rank=rank,
        pattern="fan",
        pad=Pad(
            centre=(-40.0, 0.0), axis_deg=0.0, size_m=(4.0, 10.0), polygon=shapely.box(-42, -5, -38, 5), given=True
        ),
        bores=tuple(made),
        header=Header(xyz=np.array([(-40, -5, 0.0), (-38, -18, 0.5), (-34, -20, 0.4)]), length_m=17.9),
        evaluation=Evaluation(
            bores=bores,
            total_length_m=total,
            level_length_m=sum(b.level_length_m for b in made),
            wanted_length_m=None,
            spacing_min_m=None if bores == 1 else 4.6,
            spacing_mean_m=None if bores == 1 else 5.0,
            near_pad_min_m=1.0,
            crossings=1,
            consents=0,
            unverified=2,
            crossing_risk=0.01,
            min_margin_m=float("inf"),
            header_length_m=17.9,
        ),
        crossings=(crossing(first, "pond", "surface_water"), crossing(first, "pipes", "irrigation")),
        clearances=rows,
        score=80.0 - rank,
        terms={"length": {"value": total, "share": 0.8, "weight": 1.0, "points": 0.8}},
        pareto=rank == 1,
    )


SYSTEMS = ("EPSG:32618", "EPSG:2263", "EPSG:4326", "EPSG:4269", "EPSG:2263+6360")
"""Metres, US survey feet, degrees with latitude first (twice), and feet with a height axis, which the layers do not carry on."""


def written(path: Path, crs: str = "EPSG:32618", *, flat: bool = False, layouts: int = 2, version: str = "0.1") -> Path:
    """The design in a file."""
    where = site(crs, flat=flat)
    write_layouts(path, where, zones(), [layout(i + 1, flat=flat) for i in range(layouts)], version=version)
    return path


def ask(path: Path, sql: str, *values) -> list[tuple]:
    """Rows of a query, read-only."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return db.execute(sql, values).fetchall()
