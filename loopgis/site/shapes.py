"""Repair of single geometries, in the order: numbers found on earth -> 2-D -> valid by structure -> areas.

Nothing is rounded or snapped, so that one lot in three coordinate systems stays one lot. buffer(0) is never used: it loses half of
a shape that crosses itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import Transformer
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

HUGE = 1e9
"""Coordinates beyond this are no place on earth in any unit that lots are drawn in."""
LEAST_AREA_M2 = 1e-6
"""Smaller faces are walls seen from above, or leftovers of rounding."""
_LINES = {"LineString", "LinearRing", "MultiLineString"}


def finite(geometry: BaseGeometry | None) -> bool:
    """True when a geometry has coordinates and all of them are numbers of a size found on earth."""
    if geometry is None or geometry.is_empty:
        return False
    xy = shapely.get_coordinates(geometry)
    return bool(len(xy) and np.isfinite(xy).all() and np.abs(xy).max() < HUGE)


def sound(geometry: BaseGeometry | None) -> BaseGeometry | None:
    """The geometry in 2-D, without exact repeats of a vertex and without impossible parts; None when nothing is left."""
    if geometry is None or geometry.is_empty:
        return None
    flat = shapely.force_2d(geometry)
    if finite(flat):
        return _unrepeated(flat)
    parts = [p for p in shapely.get_parts(flat) if finite(p)]
    return shapely.union_all(parts) if parts else None


def _unrepeated(flat: BaseGeometry) -> BaseGeometry | None:
    """Without exact repeats of a vertex; None for a ring whose corners are all in one place."""
    try:
        return shapely.remove_repeated_points(flat)
    except shapely.errors.GEOSException:
        parts = [p for p in map(_unrepeated, shapely.get_parts(flat)) if p is not None] if is_collection(flat) else []
        return shapely.union_all(parts) if parts else None


def is_collection(geometry: BaseGeometry) -> bool:
    """True for a geometry made of others."""
    return str(geometry.geom_type).startswith(("GeometryCollection", "Multi"))


def moved(geometry: BaseGeometry, transform: Transformer) -> BaseGeometry:
    """2-D geometry in another coordinate system; transform: x before y on both sides."""

    def move(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transform.transform(xy[:, 0], xy[:, 1]))

    return shapely.transform(geometry, move)


def polygons(geometry: BaseGeometry) -> list[Polygon]:
    """All polygons with area inside a geometry of any make, collections included."""
    found: list[Polygon] = []
    for part in shapely.get_parts(geometry):
        if part.geom_type == "Polygon":
            found += [part] if part.area > LEAST_AREA_M2 else []
        elif not is_collection(part):
            continue
        else:
            found += polygons(part)
    return found


def polygonal(geometry: BaseGeometry) -> BaseGeometry | None:
    """Valid polygonal part of a 2-D geometry in metres, None when it has no area.

    Closed lines become areas; outlines that cross themselves are resolved by structure; spikes and collapsed parts go; the faces
    of a solid, many of them upright and so without area from above, become the ground they cover.
    """
    if geometry.geom_type in _LINES:
        return _ringed(geometry)
    if geometry.geom_type == "Polygon" and geometry.is_valid:
        return geometry if geometry.area > LEAST_AREA_M2 else None
    if geometry.geom_type == "MultiPolygon" and geometry.is_valid and geometry.area > LEAST_AREA_M2:
        return geometry
    faces = [q for part in shapely.get_parts(geometry) for q in polygons(_valid(part))]
    if not faces:
        return None
    return faces[0] if len(faces) == 1 else _one(faces)


def _valid(geometry: BaseGeometry) -> BaseGeometry:
    return shapely.make_valid(geometry, method="structure", keep_collapsed=False)


def _one(faces: list[Polygon]) -> BaseGeometry | None:
    parts = polygons(shapely.union_all(faces))
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _ringed(lines: BaseGeometry) -> BaseGeometry | None:
    """Area of closed lines; open pieces are joined first when they close a ring together."""
    pieces = list(shapely.get_parts(lines))
    closed = [shapely.Polygon(p.coords) for p in pieces if p.is_closed and len(p.coords) >= 4]
    if closed:
        return polygonal(closed[0] if len(closed) == 1 else shapely.MultiPolygon(closed))
    areas = shapely.get_parts(shapely.polygonize(pieces))
    return polygonal(areas[0]) if len(areas) == 1 else None
