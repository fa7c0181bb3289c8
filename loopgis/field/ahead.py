"""Look-ahead: where the head can still get to within the bend radius, in closed form.

Head and ground ahead are seen from the side: x metres along the ground (horizontal), z metres up from the ground above the head,
so the head is at x = 0, z = -depth. a is the head's angle (tan a = pitch / 100), s = sin a, c = cos a, up positive. Steady steering
is an arc of curvature k = 1 / radius, positive upward; along it the sine of the angle changes with x alone, and the chord rises at
the mean of both angles (a circle seen from the side; facts/hdd section 1: d_theta = L / R, arc relations TB 5.5 to 5.9, S):

    s0 = p / sqrt(p^2 + 1),  c0 = 1 / sqrt(p^2 + 1)            p = pitch_pct / 100
    s1 = s0 + k x,           c1 = sqrt(1 - s1^2)               |s1| < 1
    z  = -depth + x (s0 + s1) / (c0 + c1)                      same as x tan((a0 + a1) / 2); holds for k = 0 too

A largest pitch m (percent) stops the arc, from there on straight: sm = m / sqrt(m^2 + 100^2), but never less than |s0| on the side
that the head already points to. When s0 + k x > sm (up; mirrored going down):

    x1 = (sm - s0) / k,  z = -depth + x1 (s0 + sm) / (c0 + cm) + (x - x1) sm / cm

Without a largest pitch sm = 1: beyond x1 = (1 - s0) / k the head points straight up, and nothing bounds the height.

The other way round, the curvature that reaches height z at x (D, from the lines above):

    h = z + depth, a1 = 2 atan(h / x) - a0, k = (sin a1 - s0) / x                                    when |sin a1| <= sm
    x1 = (x tm - h) / (tm - t01), k = (sm - s0) / x1, tm = sm / cm, t01 = (s0 + sm) / (c0 + cm)      else

    change of pitch per rod, percent = 100 tan(rod k)        as `bore.rods.pitch_per_rod_pct` and the rig's limit (TB 5.11, S)
    drilled = chord q / sin q, chord = x / cos((a0 + a1) / 2), q = (a1 - a0) / 2     (chord of an arc), rods = drilled / rod

Where the head comes up through a piece of ground z = b - depth + g x (b: from the head up to that piece's line at x = 0; D):

    k (1 + g^2) x^2 + 2 (k b g + s0 - c0 g) x + k b^2 - 2 c0 b = 0     on the arc: first root ahead with c0 - k (b + g x) >= 0
    x = (b - h1 + tm x1) / (tm - g)                                    beyond it; h1 = x1 t01, at present pitch x1 = 0, tm = p

Of a window from b to t metres high the height aimed at is that of going straight on where it lies within; else the nearer one of
b + (t - b) / 4 and t - (t - b) / 4, cut to what the rods can reach (a quarter is room for what comes: house choice, no source).

All of it is plain arithmetic, so that a page has the same figures. An arc is not quite a steady change of pitch: at pitch p a rod
changes it by (1 + p^2) times the figure that is told, at 20 % by a twenty-fifth more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from loopgis.bore.steer import STEER_PCT
from loopgis.core.errors import RangeError
from loopgis.core.units import length_text
from loopgis.field.model import Ahead

if TYPE_CHECKING:
    from collections.abc import Iterator

SAME_M = 1e-9
"""Heights and distances nearer than this are the same."""


@dataclass(frozen=True, kw_only=True)
class State:
    """The head as it was read last, and the ground ahead of it.

    depth_m: below the ground above the head; pitch_pct: negative going down; ground: (x_m, z_m) ahead, by growing x_m, heights from
    the ground above the head; level with the nearest of them before the first and beyond the last, level when there is none.
    Raises RangeError for figures that are no numbers or distances that do not grow.
    """

    depth_m: float
    pitch_pct: float
    ground: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        """Check the figures."""
        if not all(map(math.isfinite, (self.depth_m, self.pitch_pct, *(v for at in self.ground for v in at)))):
            raise RangeError("head", "depth, pitch or ground is no number", "give metres and percent")
        if any(b[0] <= a[0] for a, b in pairwise(self.ground)):
            raise RangeError("ground ahead", "distances do not grow", "give them from the head on")

    def ground_at(self, distance_m: float) -> float:
        """Height of the ground so many metres ahead, from the ground above the head."""
        if not self.ground:
            return 0.0
        if distance_m <= self.ground[0][0]:
            return self.ground[0][1]
        for (x0, z0), (x1, z1) in pairwise(self.ground):
            if distance_m <= x1:
                return z0 + (z1 - z0) * (distance_m - x0) / (x1 - x0)
        return self.ground[-1][1]


@dataclass(frozen=True, kw_only=True)
class Exit:
    """Where the head comes out of the ground.

    present_m: metres ahead along the ground at the present pitch, None when it never does; present_pct: pitch there; hardest_m,
    hardest_pct: the same when steering up as hard as the rods allow (hardest_pct infinite when it comes up straight); words: one
    line.
    """

    present_m: float | None
    present_pct: float
    hardest_m: float | None
    hardest_pct: float
    words: str


@dataclass(frozen=True)
class _Angle:
    """Sine and cosine of an angle above the horizontal, within 90 degrees of it."""

    sin: float
    cos: float

    @property
    def pct(self) -> float:
        return 100 * self.sin / self.cos if self.cos > 0 else math.copysign(math.inf, self.sin)


def _angle(pitch_pct: float) -> _Angle:
    long = math.hypot(pitch_pct, 100.0)
    return _Angle(pitch_pct / long, 100.0 / long)


def _of_sine(sine: float) -> _Angle:
    return _Angle(sine, math.sqrt(max(0.0, (1 - sine) * (1 + sine))))


def _limit(start: _Angle, curvature_1_m: float, most_pitch_pct: float | None) -> _Angle:
    """Steepest angle on the side that the steering turns to."""
    side = math.copysign(1.0, curvature_1_m)
    if most_pitch_pct is None:
        return _Angle(side, 0.0)
    steepest = _angle(side * most_pitch_pct)
    return start if side * start.sin > side * steepest.sin else steepest


def _chord(a: _Angle, b: _Angle) -> float:
    """Slope of the chord of an arc between two angles."""
    return (a.sin + b.sin) / (a.cos + b.cos)


def _rise(start: _Angle, x_m: float, curvature_1_m: float, most_pitch_pct: float | None) -> tuple[float, _Angle]:
    """Height gained and angle after x metres on an arc and, from the largest pitch on, straight."""
    limit = _limit(start, curvature_1_m, most_pitch_pct)
    sine = start.sin + curvature_1_m * x_m
    if curvature_1_m == 0 or math.copysign(1.0, curvature_1_m) * (sine - limit.sin) <= 0:
        end = start if curvature_1_m == 0 else _of_sine(sine)
        return x_m * _chord(start, end), end
    bend_m = (limit.sin - start.sin) / curvature_1_m
    rest_m = x_m - bend_m
    bent = bend_m * _chord(start, limit)
    if limit.cos > 0:
        return bent + rest_m * limit.sin / limit.cos, limit
    return (bent, limit) if rest_m <= SAME_M else (math.copysign(math.inf, limit.sin), limit)


def _check(*, radius_m: float, most_pitch_pct: float | None, rod_m: float = 1.0) -> None:
    if not radius_m > 0:  # infinite is allowed: rods that do not bend
        raise RangeError("bend radius", f"{radius_m} m is not positive", "give the rods' least radius")
    if not (rod_m > 0 and math.isfinite(rod_m)):
        raise RangeError("rod", f"length {rod_m} m is not positive", "give [rig] rod_length")
    if most_pitch_pct is not None and not (most_pitch_pct >= 0 and math.isfinite(most_pitch_pct)):
        raise RangeError("largest pitch", f"{most_pitch_pct} % is no magnitude", "give percent, or None for no limit")


def _distance(name: str, distance_m: float) -> None:
    if not (distance_m >= 0 and math.isfinite(distance_m)):
        raise RangeError(name, f"{distance_m} m is not ahead", "give metres along the ground, 0 or more")


def reach(
    state: State, distance_m: float, radius_m: float, *, most_pitch_pct: float | None = None
) -> tuple[float, float]:
    """Highest and lowest the head can be after so many metres along the ground, metres above the ground over the head now.

    distance_m: horizontal, 0 or more; radius_m: the rods' least, may be infinite; most_pitch_pct: steepest pitch, either way, None
    for no limit. Infinite where the head could point straight up or down before. Raises RangeError for figures out of range.
    Formulas and source: head of the module.

    >>> [round(z, 3) for z in reach(State(depth_m=2.0, pitch_pct=0.0), 6.0, 30.0)]  # 30 - sqrt(30^2 - 6^2) = 0.606
    [-1.394, -2.606]
    """
    _check(radius_m=radius_m, most_pitch_pct=most_pitch_pct)
    _distance("distance", distance_m)
    start = _angle(state.pitch_pct)
    up, _ = _rise(start, distance_m, 1 / radius_m, most_pitch_pct)
    down, _ = _rise(start, distance_m, -1 / radius_m, most_pitch_pct)
    return up - state.depth_m, down - state.depth_m


def _curvature(start: _Angle, x_m: float, rise_m: float, most_pitch_pct: float | None) -> float:
    """Curvature whose arc, straight from the largest pitch on, rises so much over x metres, x above 0. Source: module head."""
    first = math.atan2(start.sin, start.cos)
    last = 2 * math.atan2(rise_m, x_m) - first
    if abs(last) < math.pi / 2:
        curvature = (math.sin(last) - start.sin) / x_m
        limit = _limit(start, curvature, most_pitch_pct)
        if math.copysign(1.0, curvature) * (math.sin(last) - limit.sin) <= 0:
            return curvature
    curvature = math.copysign(1.0, last - first)
    limit = _limit(start, curvature, most_pitch_pct)
    if limit.cos <= 0 or limit == start:
        return math.copysign(math.inf, curvature)
    steepest, bent = limit.sin / limit.cos, _chord(start, limit)
    bend_m = (x_m * steepest - rise_m) / (steepest - bent)
    return (limit.sin - start.sin) / bend_m if bend_m > 0 else math.copysign(math.inf, curvature)


def _drilled(start: _Angle, x_m: float, curvature_1_m: float, most_pitch_pct: float | None) -> float:
    """Rod that lies along x metres of an arc and, from the largest pitch on, straight."""
    rise_m, end = _rise(start, x_m, curvature_1_m, most_pitch_pct)
    if not math.isfinite(rise_m):
        return math.inf
    bend_m = x_m if curvature_1_m == 0 else min(x_m, (end.sin - start.sin) / curvature_1_m)
    half = (math.atan2(end.sin, end.cos) - math.atan2(start.sin, start.cos)) / 2
    mean = (math.atan2(end.sin, end.cos) + math.atan2(start.sin, start.cos)) / 2
    arc = bend_m / math.cos(mean) * (half / math.sin(half) if half else 1.0)
    return arc + ((x_m - bend_m) / end.cos if x_m - bend_m > SAME_M else 0.0)


def can_make(
    state: State,
    *,
    at_m: float,
    least_z: float,
    most_z: float,
    radius_m: float,
    rod_m: float,
    most_pitch_pct: float | None = None,
    units: str = "metric",
) -> Ahead:
    """Whether the head can still pass through a window ahead, and how.

    at_m: horizontal distance to it; least_z, most_z: its bottom and top, metres above the ground over the head now, negative below
    it; radius_m: the rods' least; rod_m: length of a rod; most_pitch_pct: steepest pitch, None for no limit; units: "us" or
    "metric", of the words. Straight on is told when it passes through; else the steady change of pitch that enters the window by a
    quarter of its height, or as far as the rods can. miss_m: height by which the window is missed with the hardest steering; where
    the ground dips below the path on the way: by how much the head would stand out of it. Raises RangeError for figures out of
    range. Formulas and source: module head.

    >>> can_make(State(depth_m=2.0, pitch_pct=-10), at_m=15, least_z=-2.4, most_z=-1.8, radius_m=30.0, rod_m=3.0).words
    'can still make it with +3.3 % per rod'
    >>> can_make(State(depth_m=2.0, pitch_pct=-10), at_m=15, least_z=-3.6, most_z=-2.8, radius_m=30.0, rod_m=3.0).words
    'can still make it straight on'
    >>> can_make(State(depth_m=2.0, pitch_pct=-10), at_m=6, least_z=-1.4, most_z=-1.0, radius_m=30.0, rod_m=3.0).words
    'cannot: 0.60 m too low, stop and call'
    """
    _check(radius_m=radius_m, most_pitch_pct=most_pitch_pct, rod_m=rod_m)
    _distance("window", at_m)
    if not least_z <= most_z:
        raise RangeError("window", f"its bottom {least_z} m is above its top {most_z} m", "give the lower height first")
    start = _angle(state.pitch_pct)
    high, low = reach(state, at_m, radius_m, most_pitch_pct=most_pitch_pct)
    if high < least_z - SAME_M or low > most_z + SAME_M:
        short = high < least_z
        miss = least_z - high if short else low - most_z
        rods = _drilled(start, at_m, (1 if short else -1) / radius_m, most_pitch_pct) / rod_m
        words = f"cannot: {_length(miss, units)} too {'low' if short else 'high'}, stop and call"
        return Ahead(possible=False, pitch_pct_per_rod=None, rods=rods, miss_m=miss, words=words)
    if at_m <= SAME_M:
        return Ahead(possible=True, pitch_pct_per_rod=0.0, rods=0.0, miss_m=0.0, words="is there")
    straight = _rise(start, at_m, 0.0, most_pitch_pct)[0] - state.depth_m
    if least_z <= straight <= most_z:
        curvature = 0.0
    else:
        room = (most_z - least_z) / 4
        aim = min(max(min(max(straight, least_z + room), most_z - room), low), high)
        curvature = _curvature(start, at_m, aim + state.depth_m, most_pitch_pct)
        curvature = min(max(curvature, -1 / radius_m), 1 / radius_m)
    per_rod = 100 * math.tan(rod_m * curvature) if rod_m * abs(curvature) < math.pi / 2 else None
    rods = _drilled(start, at_m, curvature, most_pitch_pct) / rod_m
    out_m, where_m = _out_of_ground(state, start, at_m, curvature, most_pitch_pct)
    if out_m > SAME_M:
        words = f"cannot: comes out of the ground {_length(where_m, units)} ahead, stop and call"
        return Ahead(possible=False, pitch_pct_per_rod=None, rods=rods, miss_m=out_m, words=words)
    return Ahead(possible=True, pitch_pct_per_rod=per_rod, rods=rods, miss_m=0.0, words=_how(per_rod))


def _how(per_rod: float | None) -> str:
    if per_rod is None:
        return "can still make it"
    if abs(per_rod) < STEER_PCT:
        return "can still make it straight on"
    return f"can still make it with {per_rod:+.1f} % per rod"


def _length(metres: float, units: str) -> str:
    return length_text(metres, units, 1 if units == "us" else 2)


def _out_of_ground(
    state: State, start: _Angle, at_m: float, curvature_1_m: float, most_pitch_pct: float | None
) -> tuple[float, float]:
    """By how much the path stands out of the ground at most at the ground's points before at_m, and where."""
    worst, where = 0.0, 0.0
    for x, z in state.ground:
        if 0 < x < at_m:
            out = _rise(start, x, curvature_1_m, most_pitch_pct)[0] - state.depth_m - z
            worst, where = max((worst, where), (out, x))
    return worst, where


def _pieces(state: State) -> Iterator[tuple[float, float, float, float]]:
    """Ground ahead of the head, piece by piece: from x, to x, height at x = 0 of its line (from the head's ground), slope."""
    points = [(0.0, state.ground_at(0.0)), *(at for at in state.ground if at[0] > 0)]
    for (x0, z0), (x1, z1) in pairwise(points):
        slope = (z1 - z0) / (x1 - x0)
        yield x0, x1, z0 - slope * x0, slope
    yield points[-1][0], math.inf, points[-1][1], 0.0


def _comes_up(state: State, curvature_1_m: float, most_pitch_pct: float | None) -> tuple[float | None, float]:
    """Distance ahead at which the path meets the ground, and pitch there; None and the present pitch when it never does."""
    start = _angle(state.pitch_pct)
    if state.depth_m + state.ground_at(0.0) <= 0:
        return 0.0, state.pitch_pct
    if curvature_1_m == 0:
        bend_m, limit = 0.0, start
    else:
        limit = _limit(start, curvature_1_m, most_pitch_pct)
        bend_m = (limit.sin - start.sin) / curvature_1_m
    bent = bend_m * _chord(start, limit)
    for x0, x1, foot, slope in _pieces(state):
        b = foot + state.depth_m
        x = _meets(start, curvature_1_m, b, slope, x0, min(x1, bend_m))
        if x is not None:
            return x, _of_sine(start.sin + curvature_1_m * x).pct
        if x1 <= bend_m:
            continue
        if limit.cos <= 0:  # straight up from where the arc ends
            return bend_m, limit.pct
        steep = limit.sin / limit.cos
        if steep > slope:
            x = (b - bent + steep * bend_m) / (steep - slope)
            if max(x0, bend_m) - SAME_M <= x <= x1:
                return max(x, bend_m), limit.pct
    return None, state.pitch_pct


def _meets(start: _Angle, k: float, b: float, slope: float, x0: float, x1: float) -> float | None:
    """First place from x0 to x1 where the arc meets the line that lies b above the head and rises by slope, None when none."""
    if k <= 0 or x1 < x0:
        return None
    square = k * (1 + slope * slope)
    half = k * b * slope + start.sin - start.cos * slope
    rest = k * b * b - 2 * start.cos * b
    under = half * half - square * rest
    if under < 0:
        return None
    q = -half - math.copysign(math.sqrt(under), half)
    roots = (q / square, rest / q if q else math.inf)
    good = [x for x in roots if x0 - SAME_M <= x <= x1 + SAME_M and start.cos - k * (b + slope * x) >= -SAME_M]
    return min(max(min(good), x0), x1) if good else None


def exit_at(state: State, *, radius_m: float, most_pitch_pct: float | None = None, units: str = "metric") -> Exit:
    """Where the head comes up at the present pitch, and where when it is steered up as hard as the rods allow.

    radius_m: the rods' least; most_pitch_pct: steepest pitch, None for no limit; units: "us" or "metric", of the words. The ground
    is level beyond its last point. Raises RangeError for figures out of range. Formulas and source: head of the module.

    >>> exit_at(State(depth_m=2.0, pitch_pct=20.0), radius_m=30.0).words
    'comes out 10.0 m ahead at +20 %; hardest up 6.3 m ahead at +44 %'
    """
    _check(radius_m=radius_m, most_pitch_pct=most_pitch_pct)
    present_m, present_pct = _comes_up(state, 0.0, most_pitch_pct)
    hardest_m, hardest_pct = _comes_up(state, 1 / radius_m, most_pitch_pct)
    now = "never comes out" if present_m is None else _told("comes out", present_m, present_pct, units)
    hard = "nor steered hardest up" if hardest_m is None else _told("hardest up", hardest_m, hardest_pct, units)
    return Exit(
        present_m=present_m,
        present_pct=present_pct,
        hardest_m=hardest_m,
        hardest_pct=hardest_pct,
        words=f"{now}{' at this pitch' if present_m is None else ''}; {hard}",
    )


def _told(what: str, at_m: float, pct: float, units: str) -> str:
    pitch = "straight up" if math.isinf(pct) else f"at {pct:+.0f} %"
    return f"{what} {length_text(at_m, units, 1)} ahead {pitch}"
