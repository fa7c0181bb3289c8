"""Candidate bores from one pad: fan (straight, and round closed ground) and parallel (lanes reached by S-curves).

Every candidate passes the sift: open ground on the grid, and deep enough in reach of both ends for what the zones ask. Its level
run is an estimate; the profile settles it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.plan import PlanCurve, arc_to, at_many, lane, round_obstacle, straight
from loopgis.bore.profile import deepest_reach

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray
    from shapely import LinearRing, Point

    from loopgis.layout.field import Field
    from loopgis.layout.model import Pad

EXIT_STEP_M = 2.0
CORNER_RAD = math.radians(15)
"""Turn from which a vertex of the exit area counts as a corner; the facets of a rounded edge turn less."""
MOST_EXITS = 220
MOST_ENTRIES = 28
"""Entries and exits that a fan is tried from and to; more of them on a large site would only be nearer to each other."""
ENTRY_STEP_M = 1.2
SAMPLE_M = 1.0
LANE_SHARE = 1.008
"""Lanes are this much wider than the spacing, and conflicts are judged at half of the rest, so that noise decides nothing."""
PLAN_SHARE = 0.6
"""Share of the rod's curvature that a plan arc may use; the profile keeps the rest (0.8 of it, by squares)."""
LEAD_SHARE = 0.3
"""Share of the bend's tangent length by which a level run starts later than the straight slope would give: the bend into level is
within 0.3 m of its depth for the last sqrt(0.6 R)."""
EXIT_GUARD = 1.35
"""Exits keep this much of the flat-site overshoot, for bores that end flatter or run deeper than their tier."""
ARC_STARTS_RAD = tuple(math.radians(a) for a in (-30.0, -15.0, 15.0, 30.0))
"""Headings off the straight line from which a hidden exit is tried by one arc."""
MOST_TURN_RAD = math.radians(80)
"""A detour that turns more than this is no bore to steer."""
LEADS_RAD = (0.0, math.radians(12.0), math.radians(24.0))
"""How far the rig may be turned towards a lane before the S-curve: none, or one of these."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """One way for a bore.

    entry: index of its place on the pad; tier_m: target depth; level_m: estimated level run and
    level_from_m, level_to_m its plan stations; kept: it is in the ground already.
    """

    curve: PlanCurve
    pattern: str
    shape: str
    entry: int
    tier_m: float
    level_m: float
    level_from_m: float
    level_to_m: float
    kept: bool = False


def entries(pad: Pad, field: Field) -> NDArray[np.float64]:
    """Entry points along the pad's long axis, (n, 2), those that stand on ground where a bore may begin."""
    half = pad.size_m[1] / 2 - 0.5
    count = max(1, math.floor(2 * half / ENTRY_STEP_M + 1e-9))
    t = (np.arange(count + 1) - count / 2) * ENTRY_STEP_M
    a = math.radians(90 - pad.axis_deg)
    points = np.column_stack([pad.centre[0] + t * math.cos(a), pad.centre[1] + t * math.sin(a)])
    result: NDArray[np.float64] = points[shapely.contains_xy(field.end_area, points[:, 0], points[:, 1])]
    return result


def exit_points(pad: Pad, field: Field) -> NDArray[np.float64]:
    """Where bores may come up, (n, 2): along the edge of the end area, its corners first, and at the rig's longest reach.

    Points are counted from the lot's first corner on, whatever way the lot is turned.
    """
    area = shapely.buffer(field.end_area, -field.overshoot_m * EXIT_GUARD - 0.02)
    rings = [r for part in shapely.get_parts(area) if not part.is_empty for r in (part.exterior, *part.interiors)]
    first = shapely.Point(field.site.parcel.exterior.coords[0])
    rings.sort(key=lambda r: (round(shapely.distance(r, first), 3), round(r.length, 3)))
    step = max(EXIT_STEP_M, sum(r.length for r in rings) / MOST_EXITS)
    a = np.radians(np.arange(0, 360, 4.0)) + field.grid.axis_rad
    far = field.site.spec.rig.max_length_m * 0.96
    circle = np.column_stack([pad.centre[0] + far * np.cos(a), pad.centre[1] + far * np.sin(a)])
    circle = circle[shapely.contains_xy(area, circle[:, 0], circle[:, 1])]
    points = np.concatenate([*(_corners(r, first) for r in rings), *(_along(r, first, step) for r in rings), circle])
    distance = np.hypot(points[:, 0] - pad.centre[0], points[:, 1] - pad.centre[1])
    result: NDArray[np.float64] = points[distance <= field.site.spec.rig.max_length_m]
    return result


def _along(ring: LinearRing, first: Point, step_m: float) -> NDArray[np.float64]:
    """Points every step along a ring, counted from where it is nearest to a point."""
    count = max(3, round(ring.length / step_m))
    start = shapely.line_locate_point(ring, first)
    at = (start + np.arange(count) * ring.length / count) % ring.length
    points: NDArray[np.float64] = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    return points


def _corners(ring: LinearRing, first: Point) -> NDArray[np.float64]:
    """Vertices where a ring turns by more than CORNER_RAD, in the same order."""
    xy = shapely.get_coordinates(ring)[:-1]
    heading = np.arctan2(*np.diff(np.vstack([xy, xy[:1]]), axis=0).T[::-1])
    turn = np.abs(np.angle(np.exp(1j * (heading - np.roll(heading, 1)))))
    sharp = xy[turn > CORNER_RAD]
    start = shapely.line_locate_point(ring, first)
    order = np.argsort(
        (shapely.line_locate_point(ring, shapely.points(sharp)) - start + 1e-6) % ring.length, kind="stable"
    )
    result: NDArray[np.float64] = sharp[order].reshape(-1, 2)
    return result


@dataclass(frozen=True, eq=False)
class Sift:
    """What the grid says of many ways at once: ok (n,), level run and its ends (n,) for one tier."""

    tier_m: float
    ok: NDArray[np.bool_]
    level_m: NDArray[np.float64]
    from_m: NDArray[np.float64]
    to_m: NDArray[np.float64]

    def candidates(self, curves: Sequence[PlanCurve], entry: Sequence[int], pattern: str, bent: str) -> list[Candidate]:
        """The ways that pass, as candidates; bent: shape of those that turn."""
        return [
            Candidate(
                curve=curves[n],
                pattern=pattern,
                shape=bent if curves[n].turning_rad > 0 else "straight",
                entry=entry[n],
                tier_m=self.tier_m,
                level_m=float(self.level_m[n]),
                level_from_m=float(self.from_m[n]),
                level_to_m=float(self.to_m[n]),
            )
            for n in map(int, np.flatnonzero(self.ok & (self.level_m > 0)))
        ]


def sift(
    field: Field,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    station_m: NDArray[np.float64],
    tiers_m: Sequence[float],
) -> list[Sift]:
    """Sift ways given by samples x, y, station_m (n, k), for every tier at once: the ground is looked up only once."""
    need, end_ok = field.grid.look(x, y)
    ground = field.site.terrain.at(x, y)
    depth = deepest_reach(station_m, ground, field.limits)
    ok = end_ok[:, 0] & end_ok[:, -1] & np.all(need <= np.minimum(depth, field.limits.max_depth_m) + 1e-6, axis=1)
    ok &= np.isfinite(ground).all(axis=1) & (station_m[:, -1] * 1.02 <= field.site.spec.rig.max_length_m)
    bend, row = field.limits.bend_radius_m, np.arange(len(x))
    lead_in = LEAD_SHARE * bend * math.tan(math.atan(field.limits.entry_pitch_pct[1] / 100) / 2)
    lead_out = LEAD_SHARE * bend * math.tan(math.atan(field.limits.exit_pitch_pct[1] / 100) / 2)
    result = []
    for tier in tiers_m:
        deep = depth >= tier - 0.25
        first = np.argmax(deep, axis=1)
        last = station_m.shape[1] - 1 - np.argmax(deep[:, ::-1], axis=1)
        start, stop = station_m[row, first] + lead_in, station_m[row, last] - lead_out
        level = np.where(deep.any(axis=1), np.maximum(stop - start, 0.0), 0.0)
        result.append(Sift(tier_m=tier, ok=ok, level_m=level, from_m=start, to_m=stop))
    return result


def fan(pad: Pad, field: Field, tiers_m: Sequence[float]) -> list[Candidate]:
    """Diverging bores: straight from every entry to every exit, and round closed ground to the corners that are hidden."""
    starts, ends = entries(pad, field), exit_points(pad, field)
    if not len(starts) or not len(ends):
        return []
    starts = starts[:: math.ceil(len(starts) / MOST_ENTRIES)]
    i, j = (v.ravel() for v in np.meshgrid(np.arange(len(starts)), np.arange(len(ends)), indexing="ij"))
    length = np.hypot(*(ends[j] - starts[i]).T)
    keep = length > 4 * field.limits.rod_length_m
    i, j, length = i[keep], j[keep], length[keep]
    if not len(i):
        return []
    a, way = starts[i], ends[j] - starts[i]
    share = np.linspace(0.0, 1.0, max(12, math.ceil(float(length.max()) / SAMPLE_M)))
    x, y = (a[:, [k]] + way[:, [k]] * share for k in (0, 1))
    found = sift(field, x, y, length[:, None] * share, tiers_m)
    useful = {int(n) for f in found for n in np.flatnonzero(f.ok & (f.level_m > 0))}
    curves = [straight(*starts[i[n]], *ends[j[n]]) if n in useful else _NOWHERE for n in range(len(i))]
    entry = [int(e) for e in i]
    result = [c for f in found for c in f.candidates(curves, entry, "fan", "curve")]
    return result + _detours(field, tiers_m, starts, ends, {int(j[n]) for n in np.flatnonzero(found[0].ok)})


_NOWHERE = PlanCurve(0.0, 0.0, 0.0, ((0.0, 0.0),))


def _detours(
    field: Field, tiers_m: Sequence[float], starts: NDArray[np.float64], ends: NDArray[np.float64], seen: set[int]
) -> list[Candidate]:
    """Ways round closed ground to exits that no straight bore reaches: one tangent arc past a closed piece of ground."""
    pieces = [
        p for z in field.bore_zones if z.closed and z.kind != "property_line" for p in shapely.get_parts(z.polygon)
    ]
    hidden = [n for n in range(len(ends)) if n not in seen][:: max(1, (len(ends) - len(seen)) // 24)]
    if not pieces or not hidden:
        return []
    radius = field.limits.bend_radius_m / PLAN_SHARE
    discs = [shapely.get_coordinates(shapely.centroid(p))[0] for p in pieces]
    sizes = [shapely.minimum_bounding_radius(p) + 0.5 for p in pieces]
    ways: list[tuple[int, PlanCurve]] = []
    for entry in sorted({0, len(starts) // 2, len(starts) - 1}):
        for n in hidden:
            if math.hypot(*(ends[n] - starts[entry])) < 4 * field.limits.rod_length_m:
                continue
            line = shapely.LineString([starts[entry], ends[n]])
            for piece, disc, size in zip(pieces, discs, sizes, strict=True):
                if shapely.intersects(piece, line):
                    ways += ((entry, c) for c in _both_sides(starts[entry], ends[n], disc, size, radius))
            ways += ((entry, c) for c in _arcs(starts[entry], ends[n], field.limits.rod_length_m, radius))
    calm = [(e, c) for e, c in ways if c.pieces[0][0] > field.limits.rod_length_m and c.turning_rad < MOST_TURN_RAD]
    return sift_curves(field, calm, "fan", "detour", tiers_m)


def _arcs(start: NDArray[np.float64], end: NDArray[np.float64], rod_m: float, radius_m: float) -> Iterator[PlanCurve]:
    """Ways that start off the straight line, one rod straight and then one arc to the exit, no tighter than the radius."""
    direct = math.atan2(end[1] - start[1], end[0] - start[0])
    rod = rod_m * 1.01
    for off in ARC_STARTS_RAD:
        heading = direct + off
        x, y = start[0] + rod * math.cos(heading), start[1] + rod * math.sin(heading)
        arc = arc_to(x, y, heading, float(end[0]), float(end[1]))
        if abs(arc.pieces[0][1]) * radius_m <= 1:
            yield PlanCurve(float(start[0]), float(start[1]), heading, ((rod, 0.0), *arc.pieces))


def _both_sides(
    start: NDArray[np.float64], end: NDArray[np.float64], disc: NDArray[np.float64], size_m: float, radius_m: float
) -> Iterator[PlanCurve]:
    for side in (1, -1):
        centre = (float(disc[0]), float(disc[1]))
        curve = round_obstacle(*start, *end, centre=centre, obstacle_m=size_m, radius_m=radius_m, side=side)
        if curve is not None:
            yield curve


def sift_curves(
    field: Field, ways: Sequence[tuple[int, PlanCurve]], pattern: str, bent: str, tiers_m: Sequence[float]
) -> list[Candidate]:
    """Ways, each with the index of its entry, that the grid lets pass, as candidates; bent: shape of those that turn."""
    if not ways:
        return []
    curves = [c for _, c in ways]
    length = np.array([c.length_m for c in curves])
    station = length[:, None] * np.linspace(0.0, 1.0, max(12, math.ceil(float(length.max()) / SAMPLE_M)))
    x, y = at_many(curves, station)
    entry = [e for e, _ in ways]
    return [c for f in sift(field, x, y, station, tiers_m) for c in f.candidates(curves, entry, pattern, bent)]


def parallel(pad: Pad, field: Field, tiers_m: Sequence[float]) -> list[Candidate]:
    """Bores whose level runs lie side by side, square to the pad's long axis, both ways from it."""
    starts = entries(pad, field)
    if not len(starts):
        return []
    return sift_curves(field, _stopped(field, _lanes(pad, field, starts)), "parallel", "curve", tiers_m)


def _lanes(pad: Pad, field: Field, starts: NDArray[np.float64]) -> list[tuple[int, PlanCurve]]:
    """Every lane from the entries nearest to it, both ways, with every lead, as long as the rig reaches."""
    across = math.radians(90 - pad.axis_deg)
    along = np.array([math.cos(across), math.sin(across)])
    middle = float(np.dot(pad.centre, along))
    mine = starts @ along - middle
    corners = shapely.get_coordinates(field.site.parcel) @ along - middle
    spacing = field.site.spec.bore.spacing_m * LANE_SHARE
    radius, rod = field.limits.bend_radius_m / PLAN_SHARE, field.limits.rod_length_m
    most = field.site.spec.rig.max_length_m * 0.97
    ways: list[tuple[int, PlanCurve]] = []
    for half_lane in range(math.ceil(2 * corners.min() / spacing), math.floor(2 * corners.max() / spacing) + 1):
        place = half_lane * spacing / 2
        for turn in (-1.0, 1.0):
            heading = across + turn * math.pi / 2
            for entry in map(int, np.argsort(np.round(np.abs(mine - place), 6), kind="stable")[:3]):
                offset = (mine[entry] - place) * turn
                for lead in LEADS_RAD if abs(offset) > 1e-6 else (0.0,):
                    x, y = starts[entry]
                    curve = lane(
                        x, y, heading, offset_m=offset, reach_m=most, radius_m=radius, rod_m=rod, lead_rad=lead
                    )
                    if curve is not None:
                        ways.append((entry, curve))
    return ways


def _stopped(field: Field, ways: Sequence[tuple[int, PlanCurve]]) -> list[tuple[int, PlanCurve]]:
    """Each lane cut where the ground ends: at the last place to come up before what is in the way, and a little short of it."""
    if not ways:
        return []
    curves = [c for _, c in ways]
    station = np.arange(0.0, max(c.length_m for c in curves), SAMPLE_M)
    x, y = at_many(curves, np.repeat(station[None, :], len(curves), axis=0))
    need, end_ok = field.grid.look(x, y)
    closed = need > field.limits.max_depth_m
    stop = np.where(closed.any(axis=1), np.argmax(closed, axis=1), len(station))
    margin = math.ceil(field.overshoot_m * EXIT_GUARD / SAMPLE_M)
    result = []
    for n, (entry, curve) in enumerate(ways):
        bends = sum(length for length, _ in curve.pieces[:-1])
        last = int(stop[n]) - (margin if stop[n] < len(station) else 0)
        good = np.flatnonzero(end_ok[n, : max(last, 0)] & (station[: max(last, 0)] > bends + 1.0))
        for k in sorted({int(good[-1 - back]) for back in (0, 4, 12) if back < len(good)}):
            pieces = (*curve.pieces[:-1], (float(station[k] - bends), 0.0))
            result.append((entry, PlanCurve(curve.x0, curve.y0, curve.heading_rad, pieces)))
    return result
