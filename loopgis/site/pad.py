"""[pad] of the site file in the frame: where the rig stands and where the header enters the building."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import shapely

from loopgis.core.errors import InputError
from loopgis.site import shapes, vectors
from loopgis.site.model import PadSpec

if TYPE_CHECKING:
    from pyproj import Transformer
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.frame import Frame
    from loopgis.site.config import Config, LayerRef
    from loopgis.site.log import Log

OUTLINE_M2 = 1.0
"""A drawn pad of less than this is taken as the mark of a point."""
ENTRY_WITHIN_M = 100.0


@dataclass(frozen=True, eq=False)
class Ground:
    """What a pad is placed on: frame, lot in it, and the way from the parcel's CRS into the frame."""

    frame: Frame
    parcel: Polygon
    from_parcel_crs: Transformer


def read(cfg: Config, ground: Ground, log: Log) -> PadSpec:
    """Pad as the site file wants it. Raises InputError when a place lies off the lot."""
    entry = None if cfg.entry is None else _shape(cfg, "entry", cfg.entry, ground, log).centroid
    spec = PadSpec(
        at=None, size_m=cfg.size_m, axis_deg=cfg.axis_deg, entry=None if entry is None else (entry.x, entry.y)
    )
    if entry is not None:
        _within(cfg, "entry", entry, ground.parcel, ENTRY_WITHIN_M)
    if cfg.at is None:
        return spec
    shape = _shape(cfg, "at", cfg.at, ground, log)
    _within(cfg, "at", shape.centroid, ground.parcel, 0.0)
    if shape.area > OUTLINE_M2:
        return _from_outline(spec, shape)
    return replace(spec, at=(shape.centroid.x, shape.centroid.y))


def _shape(cfg: Config, key: str, place: tuple[float, float] | LayerRef, ground: Ground, log: Log) -> BaseGeometry:
    """The place in the frame as a geometry."""
    if isinstance(place, tuple):
        x, y = ground.from_parcel_crs.transform(*place)
        if not (math.isfinite(x) and math.isfinite(y)):
            raise InputError(
                f"{cfg.path} [pad] {key}",
                f"{place[0]:g}, {place[1]:g} is no place in the parcel's coordinate system",
                "give x, y as the parcel's file has them",
            )
        return shapely.Point(x, y)
    layer = vectors.read(place, log)
    drawn = [s for s in map(shapes.sound, layer.table.geometry) if s is not None]
    if not drawn:
        raise InputError(layer.name, "holds no usable geometry", "draw one point or polygon")
    if len(drawn) > 1:
        raise InputError(layer.name, f"holds {len(drawn)} shapes where one is wanted", "pick one with where")
    flat = shapes.moved(drawn[0], ground.frame.transformer_from(layer.wkt))
    if not shapes.finite(flat):
        raise InputError(layer.name, "lies nowhere near the lot", "check its coordinate system")
    area = shapes.polygonal(flat)
    return flat if area is None else area


def _within(cfg: Config, key: str, point: shapely.Point, parcel: Polygon, slack_m: float) -> None:
    away = float(shapely.distance(parcel, point))
    if away > slack_m:
        raise InputError(
            f"{cfg.path} [pad] {key}",
            f"lies {away:,.1f} m outside the lot",
            "give x, y in the parcel's own coordinate system, x (east) first",
        )


def _from_outline(spec: PadSpec, shape: BaseGeometry) -> PadSpec:
    """Pad drawn as a polygon: its smallest rectangle gives size and axis, whatever [pad] size says."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    a, b = box[1] - box[0], box[2] - box[1]
    long, short = (a, b) if math.hypot(*a) >= math.hypot(*b) else (b, a)
    centre = shape.centroid
    return replace(
        spec,
        at=(centre.x, centre.y),
        size_m=(math.hypot(*short), math.hypot(*long)),
        axis_deg=math.degrees(math.atan2(long[0], long[1])) % 180,
    )
