"""The force that pulls a pipe, or a bundle of pipes, into a drilled hole; what they may bear stands in `pipe.py`.

The pipe is pulled the other way than the hole was drilled: it enters at A, where the drill came out, goes down to B, level to C
and up to D, where the rig stands. Buoyant weight is positive upwards: an empty pipe floats in mud and is pressed to the roof.
Every formula is homogeneous: with lengths in feet and `water_n_m3` in pounds per cubic foot the forces come out in pounds. Only
the defaults with a unit and the mini short form's weight are tied to SI.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.figures import along
from loopgis.bore.model import LEVEL_BAND_M
from loopgis.bore.pipe import (
    MUD_GRAVITY,
    PIPE_GRAVITY,
    WATER_N_M3,
    bundle_diameter_m,
    pipe_area_m2,
    pipe_weights,
)
from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.core.units import PSI_PA

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

GROUND_FRICTION = 0.5
"""Pipe on plain ground (S: textbook and ASTM F1962, mini values); 0.1 on rollers (M)."""
HOLE_FRICTION = 0.3
"""Pipe in a lubricated hole (S: textbook and ASTM F1962, mini values); 0.21 to 0.30 in a hole full of mud (S)."""
HYDROKINETIC_PA = 10 * PSI_PA
"""Pressure of the mud that flows round the head of the pipe (M, recomputed: ASTM F1962 example); 4 to 8 psi are printed too (M)."""
SHORT_N_M3 = 0.5 * 4.4482216152605 / 0.3048 / 0.0254**2
"""0.5 pound per foot and square inch of diameter: displaced mud in the mini short form (S: textbook 5.22); 0.5105 is exact."""
MINI_BASE = 1.6
"""What a quarter turn multiplies the pull by (S: textbook p. 226): e to the 0.3 pi / 2 is 1.602."""
POINTS = ("A", "B", "C", "D")


# the four points --------------------------------------------------------------


def capstan_n(*, tension_n: float, friction: float, angle_rad: float) -> float:
    """Tension behind a bend: tension times e to the friction times the angle, N (S: textbook 5.13).

    tension_n: before the bend; friction: of pipe on its bed; angle_rad: of the bend, whatever its side. Raises RangeError for
    negative figures.
    """
    not_negative(tension_n=tension_n, friction=friction, angle_rad=angle_rad)
    return tension_n * math.exp(friction * angle_rad)


def hydrokinetic_n(
    *, hole_diameter_m: float, outside_diameter_m: float, pipes: int = 1, pressure_pa: float = HYDROKINETIC_PA
) -> float:
    """What the mud's flow adds to the pull: pressure pi / 8 (hole^2 - sum of OD^2), N.

    hole_diameter_m: reamed hole; outside_diameter_m, pipes: as pulled; pressure_pa: of the flow. Raises RangeError when the
    bundle does not go into the hole. Source: ASTM F1962, pipe institute's example (M, recomputed); the sum over a bundle is D.
    """
    positive(hole_diameter_m=hole_diameter_m)
    not_negative(pressure_pa=pressure_pa)
    bundle_m = bundle_diameter_m(outside_diameter_m=outside_diameter_m, pipes=pipes)
    if hole_diameter_m <= bundle_m:
        what = f"a hole of {hole_diameter_m:.4g} m does not take pipes that fill {bundle_m:.4g} m"
        raise RangeError("hole_diameter_m", what, "ream wider")
    return pressure_pa * math.pi / 8 * (hole_diameter_m**2 - pipes * outside_diameter_m**2)


@dataclass(frozen=True, kw_only=True)
class PullShape:
    """A bore as the four-point set sees it, from the pipe's side; the fields are keywords of `pull_load`.

    surplus_m: pipe left outside at the end (L1); descent_m, level_m, rise_m: lengths L2, L3, L4 along the hole; depth_m: of the
    level run (H); pipe_entry_angle_rad, pipe_exit_angle_rad: against the horizontal, at A and at D.
    """

    surplus_m: float
    descent_m: float
    level_m: float
    rise_m: float
    depth_m: float
    pipe_entry_angle_rad: float
    pipe_exit_angle_rad: float

    @property
    def bore_m(self) -> float:
        """Length of the hole."""
        return self.descent_m + self.level_m + self.rise_m

    @property
    def entry_radius_m(self) -> float:
        """Mean radius of the descent, 2 H / angle^2 (M, recomputed: pipe institute's example); infinite without an angle."""
        return 2 * self.depth_m / self.pipe_entry_angle_rad**2 if self.pipe_entry_angle_rad > 0 else math.inf

    @property
    def exit_radius_m(self) -> float:
        """Mean radius of the rise, 2 H / angle^2; infinite without an angle."""
        return 2 * self.depth_m / self.pipe_exit_angle_rad**2 if self.pipe_exit_angle_rad > 0 else math.inf


def planned_shape(
    *,
    crossing_m: float,
    depth_m: float,
    pipe_entry_angle_rad: float,
    pipe_exit_angle_rad: float,
    surplus_m: float = 0.0,
) -> PullShape:
    """The four lengths before there is a path: descent and rise are arcs of length 2 H / angle, the rest is level.

    crossing_m: from A to D; depth_m: of the level run; angles at A and D; surplus_m: pipe left outside. Raises RangeError when the
    arcs are longer than the crossing. Source: ASTM F1962 planning lengths, pipe institute's example (M, recomputed).
    """
    positive(
        crossing_m=crossing_m,
        depth_m=depth_m,
        pipe_entry_angle_rad=pipe_entry_angle_rad,
        pipe_exit_angle_rad=pipe_exit_angle_rad,
    )
    not_negative(surplus_m=surplus_m)
    descent, rise = 2 * depth_m / pipe_entry_angle_rad, 2 * depth_m / pipe_exit_angle_rad
    if descent + rise > crossing_m:
        what = f"{crossing_m:.4g} m is shorter than descent and rise, {descent + rise:.4g} m"
        raise RangeError("crossing_m", what, "less depth, steeper angles or a longer bore")
    return PullShape(
        surplus_m=surplus_m,
        descent_m=descent,
        level_m=crossing_m - descent - rise,
        rise_m=rise,
        depth_m=depth_m,
        pipe_entry_angle_rad=pipe_entry_angle_rad,
        pipe_exit_angle_rad=pipe_exit_angle_rad,
    )


def shape_of_path(
    *,
    station_m: ArrayLike,
    z_m: ArrayLike,
    pitch_pct: ArrayLike,
    surplus_m: float = 0.0,
    level_band_m: float = LEVEL_BAND_M,
) -> PullShape:
    """The four lengths of a planned path: slant, level and rise of the drill become rise, level and descent of the pipe.

    station_m: (n,) drilled length from the drill's entry; z_m: (n,) heights; pitch_pct: (n,) negative going down; surplus_m: pipe
    left outside. Depth is counted from the straight line between the two ends, so that a lot on a slope is told as a level one;
    the level run lies between the first and the last station within `level_band_m` of the deepest (D). `pull_along` needs none of
    this. Raises RangeError for a path that does not go down, or whose ends do not point down and up.
    """
    station, z, pitch = along(station_m, z_m=z_m, pitch_pct=pitch_pct)
    not_negative(surplus_m=surplus_m, level_band_m=level_band_m)
    reached = station - station[0]
    depth = z[0] + (z[-1] - z[0]) * reached / reached[-1] - z
    if depth.max() <= 0 or pitch[0] > 0 or pitch[-1] < 0:
        raise RangeError("z_m", "the path does not go down and come up again", "give a bore from its entry to its exit")
    level = np.flatnonzero(depth >= depth.max() - level_band_m)
    return PullShape(
        surplus_m=surplus_m,
        descent_m=float(reached[-1] - reached[level[-1]]),
        level_m=float(reached[level[-1]] - reached[level[0]]),
        rise_m=float(reached[level[0]]),
        depth_m=float(depth.max()),
        pipe_entry_angle_rad=math.atan(float(pitch[-1]) / 100),
        pipe_exit_angle_rad=math.atan(-float(pitch[0]) / 100),
    )


@dataclass(frozen=True, kw_only=True)
class PullLoad:
    """Pull at the four points when the head of the pipe is there.

    tension_n: (A, B, C, D) without the flow's share, as ASTM F1962 prints them; hydrokinetic_n: to be added to each; largest_n:
    the greatest of them with it; where: the letter of that point; stress_pa: largest over the walls of all pipes; stresses_pa: at
    the four points, the flow's share included; air_n_m, buoyant_n_m: weights of all pipes together.
    """

    tension_n: tuple[float, float, float, float]
    hydrokinetic_n: float
    largest_n: float
    where: str
    stress_pa: float
    stresses_pa: tuple[float, float, float, float]
    air_n_m: float
    buoyant_n_m: float


def pull_load(
    *,
    outside_diameter_m: float,
    dr: float,
    hole_diameter_m: float,
    descent_m: float,
    level_m: float,
    rise_m: float,
    depth_m: float,
    pipe_entry_angle_rad: float,
    pipe_exit_angle_rad: float,
    surplus_m: float = 0.0,
    pipes: int = 1,
    fill_gravity: float = 0.0,
    ground_friction: float = GROUND_FRICTION,
    hole_friction: float = HOLE_FRICTION,
    pipe_gravity: float = PIPE_GRAVITY,
    mud_gravity: float = MUD_GRAVITY,
    water_n_m3: float = WATER_N_M3,
    hydrokinetic_pa: float = HYDROKINETIC_PA,
) -> PullLoad:
    """Pull load by the ASTM F1962 set: tension at A, B, C, D, the largest of them, and the stress in the walls.

    outside_diameter_m, dr: of one pipe; pipes: equal ones pulled together; hole_diameter_m: reamed; descent_m, level_m, rise_m: the
    hole from A (where the pipe goes in and the drill came out) to D, lengths L2, L3, L4; depth_m: H; angles against the
    horizontal at A and D; surplus_m: pipe left outside, L1; fill_gravity: 0 for an empty pipe, 1 for one full of water;
    ground_friction: 0.5 on plain ground, 0.1 on rollers; hole_friction: in the hole; gravities over water; hydrokinetic_pa: of the
    flow round the pipe's head. The largest tension is not always the last: C can exceed D.
    Raises RangeError for figures that describe no pipe, no hole or no path.
    Source: textbook on trenchless piping 5.12a-d (S), which restates ASTM F1962-05; defaults as at the top of this module.

    >>> load = pull_load(outside_diameter_m=0.042164, dr=11, pipes=2, hole_diameter_m=0.127, surplus_m=6.1, descent_m=18.3,
    ...     level_m=67, rise_m=18.3, depth_m=6.1, pipe_entry_angle_rad=0.262, pipe_exit_angle_rad=0.262)
    >>> load.where, round(load.largest_n)
    ('C', 1530)
    """
    _shape_is_path(descent_m, level_m, rise_m, depth_m, surplus_m)
    _is_angle(pipe_entry_angle_rad=pipe_entry_angle_rad, pipe_exit_angle_rad=pipe_exit_angle_rad)
    not_negative(ground_friction=ground_friction, hole_friction=hole_friction, hydrokinetic_pa=hydrokinetic_pa)
    weights = pipe_weights(
        outside_diameter_m=outside_diameter_m,
        dr=dr,
        pipes=pipes,
        fill_gravity=fill_gravity,
        pipe_gravity=pipe_gravity,
        mud_gravity=mud_gravity,
        water_n_m3=water_n_m3,
    )
    flow_n = hydrokinetic_n(
        hole_diameter_m=hole_diameter_m, outside_diameter_m=outside_diameter_m, pipes=pipes, pressure_pa=hydrokinetic_pa
    )
    lip = math.exp(ground_friction * pipe_entry_angle_rad)
    down, up = math.exp(hole_friction * pipe_entry_angle_rad), math.exp(hole_friction * pipe_exit_angle_rad)
    on_ground = lip * ground_friction * weights.air_n_m
    lift = weights.buoyant_n_m * depth_m
    rub = hole_friction * abs(weights.buoyant_n_m)
    a = on_ground * (surplus_m + descent_m + level_m + rise_m)
    b = down * (a + rub * descent_m + lift - on_ground * descent_m)
    c = b + rub * level_m - down * on_ground * level_m
    d = up * (c + rub * rise_m - lift - down * on_ground * rise_m)
    tension = (a, b, c, d)
    area = pipe_area_m2(outside_diameter_m=outside_diameter_m, dr=dr, pipes=pipes)
    stresses = (
        (a + flow_n) / area,
        (b + flow_n) / area,
        (c + flow_n) / area,
        (d + flow_n) / area,
    )
    largest = max(tension)
    return PullLoad(
        tension_n=tension,
        hydrokinetic_n=flow_n,
        largest_n=largest + flow_n,
        where=POINTS[tension.index(largest)],
        stress_pa=(largest + flow_n) / area,
        stresses_pa=stresses,
        air_n_m=weights.air_n_m,
        buoyant_n_m=weights.buoyant_n_m,
    )


def _shape_is_path(descent_m: float, level_m: float, rise_m: float, depth_m: float, surplus_m: float) -> None:
    not_negative(descent_m=descent_m, level_m=level_m, rise_m=rise_m, depth_m=depth_m, surplus_m=surplus_m)
    positive(bore_m=descent_m + level_m + rise_m)
    for name, length in (("descent_m", descent_m), ("rise_m", rise_m)):
        if length < depth_m:
            what = f"{length:.4g} m is shorter than the depth of {depth_m:.4g} m"
            raise RangeError(name, what, "give lengths along the hole")


def _is_angle(**figures: float) -> None:
    for name, value in figures.items():
        if not 0 <= value < math.pi / 2:
            raise RangeError(name, f"{value:g} is no angle from 0 to a right one", "give radians")


# any path --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class PathPull:
    """Pull along a path.

    station_m: (n,) drilled length from the drill's entry, as given; tension_n: (n,) pull when the head of the pipe is there,
    without the flow's share; hydrokinetic_n: to be added; largest_n: the greatest with it; at_station_m: where that is;
    stress_pa: largest over the walls of all pipes; air_n_m, buoyant_n_m: weights of all pipes together.
    """

    station_m: NDArray[np.float64]
    tension_n: NDArray[np.float64]
    hydrokinetic_n: float
    largest_n: float
    at_station_m: float
    stress_pa: float
    air_n_m: float
    buoyant_n_m: float


def pull_along(
    *,
    station_m: ArrayLike,
    pitch_pct: ArrayLike,
    azimuth_deg: ArrayLike,
    outside_diameter_m: float,
    dr: float,
    hole_diameter_m: float,
    surplus_m: float = 0.0,
    pipes: int = 1,
    fill_gravity: float = 0.0,
    ground_friction: float = GROUND_FRICTION,
    hole_friction: float = HOLE_FRICTION,
    pipe_gravity: float = PIPE_GRAVITY,
    mud_gravity: float = MUD_GRAVITY,
    water_n_m3: float = WATER_N_M3,
    hydrokinetic_pa: float = HYDROKINETIC_PA,
) -> PathPull:
    """Pull load along any path in space: the ASTM F1962 assumptions, segment by segment.

    station_m: (n,) drilled length from the drill's entry; pitch_pct: (n,) slope in percent, negative going down; azimuth_deg: (n,)
    clockwise from north; both as the drill went, the pipe goes from the last station to the first. Equal stations with other
    directions are a corner. The other keywords are those of `pull_load`.

    On every segment three things act, as in the four-point set: friction on the whole buoyant weight (not only on its part across
    the hole), the rise or fall of the buoyant weight, and the capstan factor of the bend in space; here the bend is spread over its
    segment, where ASTM F1962 lets it act behind the whole descent or rise. The pipe still outside is dragged over level ground and
    bent down at the hole. A pipe heavier than the mud may slide by itself: it then pulls nothing, and never pushes.
    Raises RangeError for arrays that do not fit each other and for figures that describe no pipe or no hole.
    Source: D from textbook 5.12 and 5.13 (S); tests/published/test_pull.py compares it with the four-point set.
    """
    station, pitch, azimuth = along(station_m, pitch_pct=pitch_pct, azimuth_deg=azimuth_deg)
    not_negative(
        surplus_m=surplus_m,
        ground_friction=ground_friction,
        hole_friction=hole_friction,
        hydrokinetic_pa=hydrokinetic_pa,
    )
    weights = pipe_weights(
        outside_diameter_m=outside_diameter_m,
        dr=dr,
        pipes=pipes,
        fill_gravity=fill_gravity,
        pipe_gravity=pipe_gravity,
        mud_gravity=mud_gravity,
        water_n_m3=water_n_m3,
    )
    flow_n = hydrokinetic_n(
        hole_diameter_m=hole_diameter_m, outside_diameter_m=outside_diameter_m, pipes=pipes, pressure_pa=hydrokinetic_pa
    )
    tangent = _tangents(pitch, azimuth)[::-1]  # as the drill went; only angles and slopes of it are used
    step = np.diff(station)[::-1]
    bend = _angles(tangent[:-1], tangent[1:])
    sharpest = float(bend.max())
    if sharpest > math.pi / 2:
        what = f"the path turns by {math.degrees(sharpest):.0f} degrees between two stations"
        raise RangeError("pitch_pct", what, "give stations close enough to follow the path")
    spread = np.divide(np.tan(bend / 2), bend / 2, out=np.ones_like(bend), where=bend > 1e-9)
    fall = step * spread * (tangent[:-1, 2] + tangent[1:, 2]) / 2  # the drill's rise is the pipe's fall
    # friction and buoyancy act evenly along a segment, so its own bend takes part of them: mean of e^(mu theta) over the segment
    part = hole_friction * bend
    mean = np.divide(np.expm1(part), part, out=np.ones_like(part), where=part > 1e-12)
    added = (hole_friction * abs(weights.buoyant_n_m) * step + weights.buoyant_n_m * fall) * mean
    # T -> max(0, e^part T + added) over the segments from A on, for every place of the head at once
    factor = np.exp(np.r_[0.0, np.cumsum(part)])
    total = np.r_[0.0, np.cumsum(added / factor[1:])]
    inside = np.r_[0.0, np.cumsum(step)]
    lip = math.exp(ground_friction * math.acos(min(1.0, math.hypot(tangent[0, 0], tangent[0, 1]))))
    outside = lip * ground_friction * weights.air_n_m * (surplus_m + inside[-1] - inside)
    tension = factor * (total + np.maximum(outside, -np.minimum.accumulate(total)))
    most = int(np.argmax(tension))
    largest = float(tension[most]) + flow_n
    return PathPull(
        station_m=station,
        tension_n=tension[::-1].copy(),
        hydrokinetic_n=flow_n,
        largest_n=largest,
        at_station_m=float(station[::-1][most]),
        stress_pa=largest / pipe_area_m2(outside_diameter_m=outside_diameter_m, dr=dr, pipes=pipes),
        air_n_m=weights.air_n_m,
        buoyant_n_m=weights.buoyant_n_m,
    )


def _tangents(pitch_pct: NDArray[np.float64], azimuth_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 3) unit vectors, x east, y north, z up."""
    slope = np.arctan(pitch_pct / 100)
    turn = np.radians(azimuth_deg)
    return np.column_stack([np.cos(slope) * np.sin(turn), np.cos(slope) * np.cos(turn), np.sin(slope)])


def _angles(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles between rows, exact for small ones too."""
    value: NDArray[np.float64] = np.arctan2(np.linalg.norm(np.cross(one, other), axis=1), np.sum(one * other, axis=1))
    return value


# the short form --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ShortPull:
    """Pull by the mini short form. tension_n; quarter_turns: planned_turns (n1) and those that steering makes (n2) together."""

    tension_n: float
    quarter_turns: float
    planned_turns: float
    steering_turns: float


def short_buoyant_n_m(*, outside_diameter_m: float, air_n_m: float, pipes: int = 1) -> float:
    """Buoyant weight of empty pipes by the mini short form, N/m: 0.5 OD^2 each less the weight in air (S: textbook 5.22).

    outside_diameter_m: of one pipe; air_n_m: weight of all of them in air. Made for slurry of 1.5; 2 to 3 % lower than the exact
    figure. Raises RangeError for figures that are not positive.

    >>> lb_ft = 4.4482216 / 0.3048
    >>> round(short_buoyant_n_m(outside_diameter_m=4.5 * 0.0254, air_n_m=2.3 * lb_ft) / lb_ft, 3)
    7.825
    """
    positive(outside_diameter_m=outside_diameter_m, air_n_m=air_n_m, pipes=pipes)
    return SHORT_N_M3 * pipes * outside_diameter_m**2 - air_n_m


def short_pull_load(
    *, bore_m: float, buoyant_n_m: float, rod_diameter_m: float, plan_turn_rad: float = 0.0
) -> ShortPull:
    """Pull load by the mini short form: (length x buoyant weight / 3) 1.6^n, N.

    bore_m: length of the hole; buoyant_n_m: of all pipes, empty, see `short_buoyant_n_m`; rod_diameter_m: outside, thin rods wander
    more; plan_turn_rad: sum of the planned bends in plan. n counts quarter turns: the planned ones, and those that steering makes,
    length / 500 ft x 2 in / rod. Assumes an empty polyethylene pipe, frictions 0.5 and 0.3, 20 degrees at both ends. Keep it at
    half the safe pull. Raises RangeError for figures that are not positive.
    Source: textbook 5.15-5.21 and the pipe institute's guide (S).

    >>> round(short_pull_load(bore_m=182.88, buoyant_n_m=113.83, rod_diameter_m=0.0508, plan_turn_rad=1.5708).quarter_turns, 4)
    2.2
    """
    positive(bore_m=bore_m, buoyant_n_m=buoyant_n_m, rod_diameter_m=rod_diameter_m)
    not_negative(plan_turn_rad=plan_turn_rad)
    planned = plan_turn_rad / (math.pi / 2)
    steering = bore_m / (500 * 0.3048) * (2 * 0.0254) / rod_diameter_m
    turns = planned + steering
    return ShortPull(
        tension_n=bore_m * buoyant_n_m / 3 * MINI_BASE**turns,
        quarter_turns=turns,
        planned_turns=planned,
        steering_turns=steering,
    )
