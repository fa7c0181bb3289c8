"""Rows of every layer, in frame coordinates: plain Python from site, zones and layouts."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.bore.rods import rod_table
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

Row = tuple["BaseGeometry | None", dict[str, Any]]


def rows(site: Site, zones: Sequence[Zone], layouts: Sequence[Layout]) -> dict[str, list[Row]]:
    """All rows by layer name, in a fixed order."""
    rod = site.spec.rig.rod_length_m
    lot = {"feature_id": "lot", "kind": "property_line", "quality": "unknown", "label": site.parcel_id, "code": ""}
    return {
        "parcel": [(site.parcel, lot)],
        "buildings": [(_multi(f.geometry), _thing(f)) for f in site.buildings],
        "features": [(f.geometry, _thing(f)) for f in site.features],
        "zones": [(z.polygon, _zone(z)) for z in zones],
        "pads": [
            (y.pad.polygon, {"layout_id": y.layout_id, "axis_deg": y.pad.axis_deg, "given": int(y.pad.given)})
            for y in layouts
        ],
        "bores": [row for y in layouts for row in _bores(y, rod)],
        "rods": [row for y in layouts for row in _rods(y, rod)],
        "exits": [(shapely.Point(b.xyz[-1]), _ids(y, b.bore_id)) for y in layouts for b in y.bores],
        "headers": [
            (
                shapely.LineString(y.header.xyz),
                {"layout_id": y.layout_id, "size": y.header.size or None, "length_m": y.header.length_m},
            )
            for y in layouts
            if y.header is not None and y.header.length_m > 0
        ],
        "crossings": [row for y in layouts for row in _crossings(y)],
        "clearances": [(None, {**_some(asdict(c)), "layout_id": y.layout_id}) for y in layouts for c in y.clearances],
        "layouts": [(None, _layout(y)) for y in layouts],
        "rod_log": [],
    }


def _ids(layout: Layout, bore_id: str) -> dict[str, Any]:
    return {"layout_id": layout.layout_id, "bore_id": bore_id}


def _some(values: dict[str, Any]) -> dict[str, Any]:
    """Figures that are not finite become empty: never a made-up number."""
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}


def _multi(geometry: BaseGeometry) -> BaseGeometry:
    return shapely.MultiPolygon([geometry]) if geometry.geom_type == "Polygon" else geometry


def _thing(feature: Feature) -> dict[str, Any]:
    own = dict(feature.attributes)
    try:
        width = float(own["width_m"])
    except (KeyError, ValueError):
        width = None
    return {
        "feature_id": feature.feature_id,
        "kind": feature.kind,
        "quality": feature.quality,
        "depth_m": feature.depth_m,
        "width_m": width,
        "foundation": own.get("foundation"),
        "use": own.get("use"),
        "label": feature.label or None,
        "code": load_table("kinds")["kinds"][feature.kind]["code"],
    }


def _zone(zone: Zone) -> dict[str, Any]:
    return {
        "zone_id": zone.zone_id,
        "rule_id": zone.rule.key,
        "kind": zone.kind,
        "feature_id": zone.feature_id,
        "mode": zone.mode,
        "distance_m": zone.distance_m,
        "tolerance_m": zone.tolerance_m,
        "min_cover_m": zone.required_depth_m,
        "closed": int(zone.closed),
        "citation": zone.rule.citation,
    }


def _bores(layout: Layout, rod_length_m: float) -> Iterator[Row]:
    for b in layout.bores:
        figures = {
            **_ids(layout, b.bore_id),
            "rank": layout.rank,
            "pattern": b.pattern,
            "source": b.source,
            "shape": b.shape,
            "length_m": b.length_m,
            "plan_length_m": b.plan_length_m,
            "level_length_m": b.level_length_m,
            "target_depth_m": b.target_depth_m,
            "max_depth_m": b.max_depth_m,
            "min_cover_m": b.min_cover_m,
            "entry_pitch_pct": float(b.pitch_pct[0]),
            "exit_pitch_pct": float(b.pitch_pct[-1]),
            "min_radius_m": b.min_radius_m,
            "hole_diameter_m": b.hole_diameter_m,
            "rods": math.ceil(b.length_m / rod_length_m - 1e-9),
            "pipe_m": 2 * b.length_m,
        }
        yield shapely.LineString(b.xyz), _some(figures)


def _rods(layout: Layout, rod_length_m: float) -> Iterator[Row]:
    for b in layout.bores:
        for r in rod_table(b, rod_length_m):
            values = {
                **_ids(layout, b.bore_id),
                "rod": r.rod,
                "station_m": r.station_m,
                "depth_m": r.depth_m,
                "pitch_pct": r.pitch_pct,
                "azimuth_deg": r.azimuth_deg,
                "note": r.note,
            }
            yield shapely.Point(r.x_m, r.y_m, r.z_m), values


def _crossings(layout: Layout) -> Iterator[Row]:
    for c in layout.crossings:
        values = {k: v for k, v in asdict(c).items() if k not in {"x_m", "y_m", "z_m"}}
        yield (
            shapely.Point(c.x_m, c.y_m, c.z_m),
            {**_some(values), "layout_id": layout.layout_id, "depth_known": int(c.depth_known)},
        )


def _layout(layout: Layout) -> dict[str, Any]:
    figures = {**asdict(layout.evaluation), "score": layout.score, "pareto": int(layout.pareto)}
    return _some({"layout_id": layout.layout_id, "rank": layout.rank, "pattern": layout.pattern, **figures})


def moved(geometry: BaseGeometry, site: Site) -> BaseGeometry:
    """Geometry from the frame into the parcel's CRS, z kept."""

    def move(points: np.ndarray) -> np.ndarray:
        xy = site.frame.to_parcel_crs(points[:, :2])
        return xy if points.shape[1] == 2 else np.column_stack([xy, points[:, 2]])

    return shapely.transform(geometry, move, include_z=geometry.has_z)
