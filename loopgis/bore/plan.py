"""Plan curves: chains of straights and arcs, and the ways to make one.

A heading is in radians, counter-clockwise from east (x); an azimuth is in degrees, clockwise from north (y). A curve is
its start, its heading there and a list of pieces, each a length and a signed curvature (1/m, left positive).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

TURN = 2 * math.pi
_WORDS = ("LSL", "RSR", "LSR", "RSL", "RLR", "LRL")
_SIGN = {"L": 1.0, "S": 0.0, "R": -1.0}


@dataclass(frozen=True)
class PlanCurve:
    """A chain of pieces in plan. x0, y0: start, m; heading_rad: heading there; pieces: (length_m, curvature_1_m) each."""

    x0: float
    y0: float
    heading_rad: float
    pieces: tuple[tuple[float, float], ...]

    @cached_property
    def length_m(self) -> float:
        """Length in plan."""
        return float(sum(length for length, _ in self.pieces))

    @cached_property
    def turning_rad(self) -> float:
        """Sum of all turning, whatever its side."""
        return float(sum(length * abs(k) for length, k in self.pieces))

    @cached_property
    def _starts(self) -> NDArray[np.float64]:
        """(pieces, 4): station, x, y, heading where each piece starts."""
        rows = []
        s, x, y, h = 0.0, self.x0, self.y0, self.heading_rad
        for length, k in self.pieces:
            rows.append((s, x, y, h))
            dx, dy, h = _step(length, k, h)
            s, x, y = s + length, x + dx, y + dy
        return np.array(rows)

    def at(self, station_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """x, y, heading and curvature at plan stations; exact on every piece."""
        s = np.asarray(station_m, dtype=float)
        starts = self._starts
        i = np.clip(np.searchsorted(starts[:, 0], s, side="right") - 1, 0, len(starts) - 1)
        k = np.array([piece[1] for piece in self.pieces])[i]
        ds, h0 = s - starts[i, 0], starts[i, 3]
        turn = k * ds
        half = turn / 2
        chord = ds * np.sinc(half / math.pi)
        return (starts[i, 1] + chord * np.cos(h0 + half), starts[i, 2] + chord * np.sin(h0 + half), h0 + turn, k)

    def end(self) -> tuple[float, float, float]:
        """x, y and heading at the far end."""
        x, y, h = self.x0, self.y0, self.heading_rad
        for length, k in self.pieces:
            dx, dy, h = _step(length, k, h)
            x, y = x + dx, y + dy
        return float(x), float(y), float(h)


def _step(length: float, k: float, h: float) -> tuple[float, float, float]:
    half = k * length / 2
    chord = length * (math.sin(half) / half if abs(half) > 1e-12 else 1.0)
    return chord * math.cos(h + half), chord * math.sin(h + half), h + 2 * half


def at_many(
    curves: Sequence[PlanCurve], station_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Plan points (x, y) of many curves at once; station_m: (n, k), the stations of each curve. Same as calling `at` on each."""
    most = max(len(c.pieces) for c in curves)
    length, bend = np.zeros((len(curves), most)), np.zeros((len(curves), most))
    for row, c in enumerate(curves):
        length[row, : len(c.pieces)], bend[row, : len(c.pieces)] = np.array(c.pieces).T
    x = np.repeat(np.array([[float(c.x0)] for c in curves]), station_m.shape[1], axis=1)
    y = np.repeat(np.array([[float(c.y0)] for c in curves]), station_m.shape[1], axis=1)
    h = np.repeat(np.array([[float(c.heading_rad)] for c in curves]), station_m.shape[1], axis=1)
    left = np.array(station_m, dtype=float)
    for piece in range(most):
        last = piece == most - 1
        ds = np.maximum(left, 0.0) if last else np.clip(left, 0.0, length[:, [piece]])
        half = bend[:, [piece]] * ds / 2
        chord = ds * np.sinc(half / math.pi)
        x += chord * np.cos(h + half)
        y += chord * np.sin(h + half)
        h = h + 2 * half
        left = left - length[:, [piece]]
    return x, y


def straight(x0: float, y0: float, x1: float, y1: float) -> PlanCurve:
    """The straight line between two points."""
    return PlanCurve(x0, y0, math.atan2(y1 - y0, x1 - x0), ((math.hypot(x1 - x0, y1 - y0), 0.0),))


def arc_to(x0: float, y0: float, heading_rad: float, x1: float, y1: float) -> PlanCurve:
    """The one arc that leaves a point with a heading and passes through another.

    Its radius is chord / (2 sin(angle between heading and chord)); straight when the angle is zero. Raises RangeError when the
    far point lies behind.
    """
    chord = math.hypot(x1 - x0, y1 - y0)
    delta = _wrap(math.atan2(y1 - y0, x1 - x0) - heading_rad)
    if chord < 1e-9 or abs(delta) > math.pi * 0.99:
        raise RangeError("arc", "the far point lies behind the start", "choose another heading")
    if abs(delta) < 1e-12:
        return PlanCurve(x0, y0, heading_rad, ((chord, 0.0),))
    k = 2 * math.sin(delta) / chord
    return PlanCurve(x0, y0, heading_rad, ((2 * delta / k, k),))


def shortest(
    start: tuple[float, float, float], end: tuple[float, float, float], *, radius_m: float
) -> tuple[PlanCurve, str]:
    """Shortest plan curve between two poses under a curvature limit, and its type (Dubins 1957).

    start, end: x, y, heading (rad); radius_m: least radius, positive. All six types are compared.
    Source: L. E. Dubins, Am. J. Math. 79 (1957), at most three pieces; lengths checked in tests/published/test_dubins.py.

    >>> curve, word = shortest((0, 0, 0), (60, 20, math.radians(30)), radius_m=30)
    >>> word, round(curve.length_m, 6)
    ('LSL', 63.461338)
    """
    if not radius_m > 0:
        raise RangeError("plan curve", f"radius {radius_m} m is not positive", "give the rod's bend radius")
    dx, dy = end[0] - start[0], end[1] - start[1]
    d, direction = math.hypot(dx, dy) / radius_m, math.atan2(dy, dx)
    a, b = (start[2] - direction) % TURN, (end[2] - direction) % TURN
    best: tuple[float, str, tuple[float, float, float]] | None = None
    for word in _WORDS:
        parts = _dubins(word, a, b, d)
        if parts is not None and (best is None or sum(parts) < best[0] - 1e-12):
            best = (sum(parts), word, parts)
    if best is None:  # pragma: no cover - LSL and RSR always exist
        raise RangeError("plan curve", "no curve joins the two poses", "check the poses")
    pieces = tuple((p * radius_m, _SIGN[c] / radius_m) for p, c in zip(best[2], best[1], strict=True) if p > 1e-12)
    return PlanCurve(start[0], start[1], start[2], pieces or ((0.0, 0.0),)), best[1]


def _dubins(word: str, a: float, b: float, d: float) -> tuple[float, float, float] | None:
    """Piece lengths in radii of one type for normalised poses, None when that type cannot join them.

    Each type is solved from its own closure: with unit turns, the centres of the first and last turn fix the middle piece.
    """
    first, last = _SIGN[word[0]], _SIGN[word[2]]
    # centres of the turning circles: start at (0, 0) heading a, end at (d, 0) heading b
    c1 = (-first * math.sin(a), first * math.cos(a))
    c2 = (d - last * math.sin(b), last * math.cos(b))
    ex, ey = c2[0] - c1[0], c2[1] - c1[1]
    gap = math.hypot(ex, ey)
    line = math.atan2(ey, ex)
    if word[1] == "S":
        if first == last:
            heading, middle = (line if gap > 1e-12 else a), gap
        else:
            if gap < 2 - 1e-9:
                return None
            middle = math.sqrt(max(gap * gap - 4, 0.0))
            heading = line + first * math.atan2(2, middle)
        return _forward(first * (heading - a)), middle, _forward(last * (b - heading))
    if gap > 4 or gap < 1e-12:
        return None
    # three turns: the middle circle touches both, its centre 2 radii from each, on the side that makes the middle turn > pi
    apex = math.acos(min(1.0, gap / 4))
    h1 = line + first * (math.pi / 2 + apex)
    middle = _forward(math.pi + 2 * apex)
    h2 = h1 - first * middle
    return _forward(first * (h1 - a)), middle, _forward(first * (b - h2))


def _forward(angle: float) -> float:
    turned = angle % TURN
    return 0.0 if turned > TURN - 1e-10 else turned


def _wrap(angle: float) -> float:
    return (angle + math.pi) % TURN - math.pi


def lane(
    x0: float,
    y0: float,
    heading_rad: float,
    *,
    offset_m: float,
    reach_m: float,
    radius_m: float,
    rod_m: float,
    lead_rad: float = 0.0,
) -> PlanCurve | None:
    """Curve from an entry onto a lane parallel to `heading_rad`, `offset_m` to the left of it, ending `reach_m` ahead.

    The first rod is straight, turned by lead_rad towards the lane; then an S-curve (lead 0) or straight and one arc bring the
    bore onto the lane, and it runs straight to its end. Radius radius_m on every arc. None when the lane cannot be joined before
    its end. For lead 0 the way needed along the lane is rod + sqrt(4 R w - w^2), w the offset (two equal arcs).
    """
    side = 1.0 if offset_m >= 0 else -1.0
    w = abs(offset_m)
    if w < 1e-6:
        return PlanCurve(x0, y0, heading_rad, ((reach_m, 0.0),)) if reach_m > 0 else None
    k = side / radius_m
    if lead_rad <= 0:
        if w > 2 * radius_m:
            return None
        turn = math.acos(1 - w / (2 * radius_m))
        used = rod_m + 2 * radius_m * math.sin(turn)
        pieces = [(rod_m, 0.0), (radius_m * turn, k), (radius_m * turn, -k)]
        start_heading = heading_rad
    else:
        run = (w - radius_m * (1 - math.cos(lead_rad))) / math.sin(lead_rad)
        if run < rod_m:
            return None
        used = run * math.cos(lead_rad) + radius_m * math.sin(lead_rad)
        pieces = [(run, 0.0), (radius_m * lead_rad, -k)]
        start_heading = heading_rad + side * lead_rad
    if used > reach_m:
        return None
    pieces.append((reach_m - used, 0.0))
    return PlanCurve(x0, y0, start_heading, tuple(pieces))


def round_obstacle(
    ax: float,
    ay: float,
    bx: float,
    by: float,
    *,
    centre: tuple[float, float],
    obstacle_m: float,
    radius_m: float,
    side: int,
) -> PlanCurve | None:
    """Way from A to B round a disc: straight, one tangent arc, straight. None when A or B lies inside the turning circle.

    centre, obstacle_m: disc to stay out of; radius_m: least radius; side: +1 passes with the disc on the right (arc turns
    right), -1 with the disc on the left. When the disc is smaller than the bend radius, the turning circle is grown to it and
    shifted away so that it still contains the disc and touches it where the path passes.
    """
    heading = math.atan2(by - ay, bx - ax)
    rho = max(obstacle_m, radius_m)
    cx = centre[0] + side * math.sin(heading) * (rho - obstacle_m)
    cy = centre[1] - side * math.cos(heading) * (rho - obstacle_m)
    da, db = math.hypot(ax - cx, ay - cy), math.hypot(bx - cx, by - cy)
    if da <= rho * 1.000001 or db <= rho * 1.000001:
        return None
    # tangent from A: with the circle on the right the heading is the direction to the centre plus asin(rho / da)
    h1 = math.atan2(cy - ay, cx - ax) + side * math.asin(rho / da)
    h2 = math.atan2(by - cy, bx - cx) - side * math.asin(rho / db)
    turn = (side * (h1 - h2)) % TURN
    if turn > math.pi:
        return None
    return PlanCurve(
        ax,
        ay,
        h1,
        ((math.sqrt(da * da - rho * rho), 0.0), (rho * turn, -side / rho), (math.sqrt(db * db - rho * rho), 0.0)),
    )


def azimuth_deg(heading_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Azimuth, degrees clockwise from north, of headings in radians counter-clockwise from east.

    >>> azimuth_deg(np.array([0.0, math.pi / 2])).round(9).tolist()
    [90.0, 0.0]
    """
    result: NDArray[np.float64] = (90.0 - np.degrees(heading_rad)) % 360.0
    return result
