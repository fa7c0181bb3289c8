"""From a line drawn by hand to a plan curve that rods can follow, as near to it as they bend.

A hand-drawn line has corners and kinks; a bore has straights and arcs. The curve is a chain of pieces about a rod long, the first
straight, each with a curvature of its own below the limit, that keeps nearest to the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.plan import PlanCurve, straight
from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

STRAIGHT_M = 0.02
"""A line that stays this near to its chord is straight."""
OFF_M = 0.5
"""What a curve may be off a drawn line besides what it must cut off corners: within what a crew steers."""
CORNER_M = 0.15
"""Turns are judged on the line with ripples below this taken out."""
CORNER_SLACK = 1.3
MOST_CUT_M = 2.0
"""A corner that an arc would cut by more is not what was drawn."""
CALM_SHARE, MOST_SHARE = 0.6, 0.9
"""Shares of the rods' curvature that plan arcs may use: tried in this order; the profile needs the rest."""
SAMPLE_M = 1.0
ROUNDS = 4
END_WEIGHT, CALM_WEIGHT = 30.0, 0.02
SAME_1_M = 1e-4
"""Neighbouring pieces whose curvatures differ less than this are one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """curve: what rods can follow; off_m: its largest distance from the drawn line, station_m: where, along the drawn line."""

    curve: PlanCurve
    off_m: float
    station_m: float


@dataclass(frozen=True, kw_only=True)
class Corner:
    """A turn of a drawn line that no rods follow.

    station_m: along the line; x_m, y_m: where; turn_deg: how much; room_m: straight run on the shorter side; need_m: run that an
    arc of the rods' radius takes on either side.
    """

    station_m: float
    x_m: float
    y_m: float
    turn_deg: float
    room_m: float
    need_m: float


def fit_plan(xy_m: Array, *, bend_radius_m: float, rod_m: float) -> Fit | Corner:
    """Plan curve nearest to a drawn line, or the corner that makes it impossible.

    xy_m: (n, 2) vertices from the entry on; bend_radius_m: of the rods; rod_m: the first rod is straight. The curve keeps both
    ends. It may leave the line by OFF_M, and at a corner by what an arc must cut off, up to MOST_CUT_M. Raises RangeError for a
    line shorter than two rods.
    """
    line = _cleaned(xy_m)
    path = shapely.LineString(line)
    if path.length < 2 * rod_m:
        raise RangeError("line", f"is {path.length:.1f} m long, less than two rods", "draw it longer")
    chord = shapely.LineString(line[[0, -1]])
    bow = shapely.distance(shapely.points(line), chord)
    if float(bow.max()) <= STRAIGHT_M and math.isclose(path.length, chord.length, rel_tol=1e-4):
        k = int(np.argmax(bow))
        at = float(shapely.line_locate_point(path, shapely.Point(line[k])))
        return Fit(curve=straight(*line[0], *line[-1]), off_m=float(bow[k]), station_m=at)
    corner, allowed = _corners(path, bend_radius_m)
    best: Fit | None = None
    for share in (CALM_SHARE, MOST_SHARE):
        fit = _nearest(path, share / bend_radius_m, rod_m)
        if best is None or fit.off_m < best.off_m:
            best = fit
        if best.off_m <= OFF_M:
            break
    assert best is not None  # noqa: S101 - two shares were tried
    if best.off_m <= OFF_M or (corner is None and best.off_m <= min(OFF_M + allowed, MOST_CUT_M)):
        return best
    return corner if corner is not None else _as_corner(path, best, bend_radius_m)


def nearest_plan(xy_m: Array, *, bend_radius_m: float, rod_m: float) -> Fit:
    """Plan curve nearest to a line that was drilled, however far off it is; as `fit_plan` otherwise."""
    return _nearest(shapely.LineString(_cleaned(xy_m)), MOST_SHARE / bend_radius_m, rod_m)


def _cleaned(xy_m: Array) -> Array:
    """Vertices without repeats."""
    xy = np.asarray(xy_m, dtype=float)[:, :2]
    keep = np.r_[True, np.hypot(*np.diff(xy, axis=0).T) > 1e-6]
    return xy[keep]


def _turns(path: shapely.LineString) -> tuple[Array, Array, Array]:
    """Vertices (m, 2) of a line without ripples, lengths of its segments (m-1,), turns at its inner vertices (m-2,), radians."""
    xy = shapely.get_coordinates(shapely.simplify(path, CORNER_M, preserve_topology=False))
    step = np.diff(xy, axis=0)
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs(np.angle(np.exp(1j * np.diff(heading))))
    return xy, np.hypot(step[:, 0], step[:, 1]), turn


def _corners(path: shapely.LineString, radius_m: float) -> tuple[Corner | None, float]:
    """The worst corner that has no room for an arc of the radius, None when all have; and what arcs cut off at most."""
    xy, run, turn = _turns(path)
    if not len(turn):
        return None, 0.0
    need = radius_m * np.tan(np.minimum(turn, math.radians(170)) / 2)
    both = np.r_[0.0, need, 0.0]
    short = both[:-1] + both[1:] - CORNER_SLACK * run
    cut = float((radius_m * (1 / np.cos(np.minimum(turn, math.radians(170)) / 2) - 1)).max()) * CORNER_SLACK
    worst = int(np.argmax(short))
    if short[worst] <= 0:
        return None, cut
    at = max((k for k in (worst - 1, worst) if 0 <= k < len(turn)), key=lambda k: turn[k])
    return _corner(path, xy[at + 1], float(turn[at]), float(min(run[at], run[at + 1])), float(need[at])), cut


def _corner(path: shapely.LineString, xy: Array, turn_rad: float, room_m: float, need_m: float) -> Corner:
    station = float(shapely.line_locate_point(path, shapely.Point(xy)))
    return Corner(
        station_m=station,
        x_m=float(xy[0]),
        y_m=float(xy[1]),
        turn_deg=math.degrees(turn_rad),
        room_m=room_m,
        need_m=need_m,
    )


def _as_corner(path: shapely.LineString, fit: Fit, radius_m: float) -> Corner:
    """The turn nearest to where a fit is furthest off."""
    xy, run, turn = _turns(path)
    where = shapely.line_locate_point(path, shapely.points(xy[1:-1])) if len(xy) > 2 else np.zeros(0)
    if not len(where):
        point = shapely.get_coordinates(shapely.line_interpolate_point(path, fit.station_m))[0]
        return _corner(path, point, 0.0, path.length / 2, 0.0)
    k = int(np.argmin(np.abs(where - fit.station_m)))
    need = radius_m * math.tan(min(float(turn[k]), math.radians(170)) / 2)
    return _corner(path, xy[k + 1], float(turn[k]), float(min(run[k], run[k + 1])), need)


def _nearest(path: shapely.LineString, most_1_m: float, rod_m: float) -> Fit:
    """Least squares of distances between curve and line, curvature of every piece bounded."""
    from scipy.optimize import least_squares  # noqa: PLC0415

    whole = path.length
    count = max(4, math.ceil((whole - rod_m) / rod_m))
    ends = shapely.get_coordinates(path)[[0, -1]]
    shares = np.linspace(0.0, 1.0, max(12, math.ceil(whole / SAMPLE_M)) + 1)[1:]
    target = shapely.get_coordinates(shapely.line_interpolate_point(path, shares * whole))
    first = target[max(0, int(rod_m / SAMPLE_M))] - ends[0]
    x = np.r_[math.atan2(first[1], first[0]), 1.0, _bends(path, count, rod_m, most_1_m) / most_1_m]
    low, high = np.r_[-np.inf, 0.5, -np.ones(count)], np.r_[np.inf, 1.05, np.ones(count)]

    def curve(v: Array) -> PlanCurve:
        length = v[1] * whole - rod_m
        bends = v[2:] * most_1_m
        pieces = ((rod_m, 0.0), *((length / count, float(k)) for k in bends))
        return PlanCurve(float(ends[0, 0]), float(ends[0, 1]), float(v[0]), pieces)

    def points(v: Array) -> Array:
        px, py, *_ = curve(v).at(shares * v[1] * whole)
        return np.column_stack([px, py])

    for _ in range(ROUNDS):
        goal = target

        def residual(v: Array, goal: Array = goal) -> Array:
            off = points(v) - goal
            off[-1] *= END_WEIGHT
            calm = CALM_WEIGHT * np.diff(np.r_[0.0, v[2:]])
            whole_residual: Array = np.r_[off.ravel(), calm]
            return whole_residual

        x = least_squares(residual, x, bounds=(low, high), max_nfev=30, x_scale="jac").x
        made = points(x)
        target = shapely.get_coordinates(
            shapely.line_interpolate_point(path, shapely.line_locate_point(path, shapely.points(made)))
        )
        target[-1] = ends[1]
    found = _merged(curve(x))
    return _measured(path, found)


def _bends(path: shapely.LineString, count: int, rod_m: float, most_1_m: float) -> Array:
    """Curvature of the drawn line on each piece, from its headings, bounded."""
    at = rod_m + (path.length - rod_m) * np.arange(count + 1) / count
    back, ahead = np.maximum(at - rod_m, 0.0), np.minimum(at + rod_m, path.length)
    a = shapely.get_coordinates(shapely.line_interpolate_point(path, back))
    b = shapely.get_coordinates(shapely.line_interpolate_point(path, ahead))
    heading = np.unwrap(np.arctan2(b[:, 1] - a[:, 1], b[:, 0] - a[:, 0]))
    bends: Array = np.clip(np.diff(heading) / np.diff(at), -0.95 * most_1_m, 0.95 * most_1_m)
    return bends


def _merged(curve: PlanCurve) -> PlanCurve:
    """The same curve with neighbouring pieces of one curvature joined."""
    pieces: list[tuple[float, float]] = [curve.pieces[0]]
    for length, k in curve.pieces[1:]:
        last, bend = pieces[-1]
        if len(pieces) > 1 and abs(k - bend) < SAME_1_M:
            pieces[-1] = (last + length, (bend * last + k * length) / (last + length))
        else:
            pieces.append((length, k))
    return PlanCurve(curve.x0, curve.y0, curve.heading_rad, tuple(pieces))


def _measured(path: shapely.LineString, curve: PlanCurve) -> Fit:
    """A curve with its largest distance from the line, both ways."""
    s = np.linspace(0.0, curve.length_m, max(24, math.ceil(2 * curve.length_m)))
    x, y, *_ = curve.at(s)
    axis = shapely.LineString(np.column_stack([x, y]))
    marks = shapely.points(shapely.get_coordinates(shapely.segmentize(path, SAMPLE_M)))
    off = shapely.distance(marks, axis)
    back = shapely.distance(shapely.points(x, y), path)
    k = int(np.argmax(off))
    if float(back.max()) > float(off[k]):
        j = int(np.argmax(back))
        at = float(shapely.line_locate_point(path, shapely.Point(x[j], y[j])))
        return Fit(curve=curve, off_m=float(back[j]), station_m=at)
    return Fit(curve=curve, off_m=float(off[k]), station_m=float(shapely.line_locate_point(path, marks[k])))
