"""The way of the header trench: the shortest in plan from the pad to the house that keeps out of what is closed to digging.

Exact among ways whose corners lie on the corners of the closed ground (a shortest way round polygons has no others), with round
edges of zones replaced by outlines a decimetre or two outside them.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.field import Field
    from loopgis.layout.model import Pad
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

    Array = NDArray[np.float64]

OUTLINE_M = 0.2
"""Closed ground is drawn so much larger, with few corners."""
SLACK_M = 1e-6
WALLS = ("building", "surface_water", "pool", "stormwater_basin")
"""Nobody digs a header trench through these, whatever the rules say."""
MOST_ENDS = 32
"""Places at either end that are tried when the way is not straight."""
MOST_CORNERS = 400
"""With more corners the outline of the closed ground is drawn coarser."""


def house_of(site: Site) -> Feature | None:
    """The building that the loop serves: the one that covers most of the lot."""
    own = [(shapely.intersection(b.geometry, site.parcel).area, b) for b in site.buildings]
    best = max(own, key=lambda pair: round(pair[0], 3), default=(0.0, None))
    return best[1] if best[0] > 0 else None


def shut_zones(field: Field, house_id: str) -> list[Zone]:
    """Zones that are closed to digging, but those of the house that the header leads to."""
    return [z for z in field.zones if "pit" in z.applies_to and z.mode == "never" and z.feature_id != house_id]


def closed_to_digging(field: Field, house_id: str) -> BaseGeometry:
    """What a trench must keep out of: zones that are closed to pits, buildings, water; not the wall of the house it leads to."""
    site = field.site
    parts: list[BaseGeometry] = [z.polygon for z in shut_zones(field, house_id)]
    parts += [f.geometry for f in site.all_features() if f.kind in WALLS and f.geometry.geom_type.endswith("Polygon")]
    return shapely.union_all(parts) if parts else shapely.Polygon()


def route(lot: BaseGeometry, closed: BaseGeometry, starts: Array, goals: Array) -> Array | None:
    """Shortest way (n, 2) inside a lot and outside closed ground, from a start to a goal; None when there is none.

    starts, goals: (k, 2) places; such as lie in closed ground, or outside the lot, are left aside.
    """
    free = shapely.difference(lot, closed)
    roomy = shapely.buffer(free, SLACK_M)
    shapely.prepare(roomy)
    starts, goals = (p[shapely.intersects_xy(roomy, p[:, 0], p[:, 1])] for p in (starts, goals))
    if not len(starts) or not len(goals):
        return None
    straight = _straight(roomy, starts, goals)
    if straight is not None:
        return straight
    return _shortest(roomy, _some(starts), _some(goals), _corners(lot, closed, roomy))


def _some(places: Array) -> Array:
    """Not more places than MOST_ENDS, evenly left out: round a corner a metre at the end matters little, and pairs cost time."""
    return places[:: -(-len(places) // MOST_ENDS)]


def _straight(roomy: BaseGeometry, starts: Array, goals: Array) -> Array | None:
    """The shortest of the straight ways, when it is the shortest of all: it is free."""
    length = np.linalg.norm(starts[:, None] - goals[None], axis=2)
    i, j = np.unravel_index(int(np.argmin(length)), length.shape)
    line = np.array([starts[i], goals[j]])
    if length[i, j] < 1e-9:
        return line
    return line if shapely.covers(roomy, shapely.LineString(line)) else None


def _corners(lot: BaseGeometry, closed: BaseGeometry, roomy: BaseGeometry) -> Array:
    """Places where a shortest way may turn: corners of the closed ground's outline and of the lot's, that can be stood on."""
    wide = OUTLINE_M
    while True:
        grown = shapely.buffer(shapely.simplify(shapely.buffer(closed, wide, quad_segs=4), wide / 2), SLACK_M)
        points = np.vstack(
            [
                shapely.get_coordinates(grown),
                shapely.get_coordinates(shapely.buffer(lot, -OUTLINE_M, join_style="mitre")),
            ]
        )
        points = np.unique(points.round(6), axis=0)
        points = points[shapely.intersects_xy(roomy, points[:, 0], points[:, 1])]
        if len(points) <= MOST_CORNERS or wide > 3:
            corners: Array = points
            return corners
        wide *= 1.6


def _shortest(roomy: BaseGeometry, starts: Array, goals: Array, corners: Array) -> Array | None:
    """Dijkstra over all pairs of places that see each other."""
    from scipy.sparse import csr_array  # noqa: PLC0415
    from scipy.sparse.csgraph import dijkstra  # noqa: PLC0415

    places = np.vstack([starts, goals, corners])
    n, s, g = len(places), len(starts), len(starts) + len(goals)
    i, j = np.triu_indices(n, k=1)
    ends = (i < s) & (j < s) | (i >= s) & (i < g) & (j >= s) & (j < g)  # start to start and goal to goal lead nowhere
    length = np.linalg.norm(places[i] - places[j], axis=1)
    keep = ~ends & (length > 1e-9)
    i, j, length = i[keep], j[keep], length[keep]
    lines = shapely.linestrings(np.stack([places[i], places[j]], axis=1))
    seen = shapely.covers(roomy, lines)
    i, j, length = i[seen], j[seen], length[seen]
    graph = csr_array((np.r_[length, length], (np.r_[i, j], np.r_[j, i])), shape=(n, n))
    far, before, _ = dijkstra(graph, indices=np.arange(s), return_predecessors=True, min_only=True)
    goal = s + int(np.argmin(far[s:g]))
    if not math.isfinite(far[goal]):
        return None
    way = [goal]
    while way[-1] >= s:
        way.append(int(before[way[-1]]))
    found: Array = places[way[::-1]]
    return found


def places_round(pad: Pad) -> Array:
    """Places on the edge of a pad where a header may begin: its corners, and one every half metre."""
    ring = shapely.get_exterior_ring(pad.polygon)
    between = shapely.line_interpolate_point(ring, np.arange(0.0, ring.length, 0.5))
    found: Array = np.vstack([shapely.get_coordinates(ring)[:-1], shapely.get_coordinates(between)])
    return found


def places_on(wall: BaseGeometry, near: tuple[BaseGeometry, Array]) -> Array:
    """Places on the walls of a house where a header may go in: the one nearest to a pad, corners, and one every metre.

    near: the pad's polygon, and the places where a header may begin; their nearest places on the wall are among those given.
    """
    ring = shapely.boundary(wall)
    polygon, starts = near
    spots = [shapely.get_coordinates(shapely.shortest_line(polygon, ring))[1:]]
    spots += [shapely.get_coordinates(shapely.shortest_line(shapely.points(starts), ring))[1::2]]
    for part in shapely.get_parts(ring):
        spots.append(shapely.get_coordinates(shapely.line_interpolate_point(part, np.arange(0.0, part.length, 1.0))))
    found: Array = np.vstack([shapely.get_coordinates(ring), *spots])
    return found
