"""The profile of a bore over a given plan curve: a linear programme in depth.

Unknowns at nodes a fixed plan step apart: elevation z, slope p = dz/ds and, on every interval, a constant second derivative u.
z and p follow from u exactly, so the curve is a chain of parabolas and its curvature is bounded everywhere, not only at nodes.

    minimise   sum h * (shallow + 0.5 deep)  +  TURN_COST * sum h |u|
    subject to z = ground at both ends;  z <= ground - required depth;  z >= ground - locator depth
               |u| <= sqrt(1/R^2 - k_plan^2);  u = 0 on the first rod;  pitch ranges at both ends

shallow and deep are the distances from the target depth beyond a dead band of BAND_M. With k_plan and u from the same station,
the 3-D curvature sqrt(k^2 (1+p^2) + u^2) / (1+p^2)^1.5 never exceeds sqrt(k^2 + u^2), so the rod's radius R is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.sparse import csc_array

BAND_M = 0.1
"""Deviation from the target depth that costs nothing: a crew steers no finer."""
TURN_COST = 2.0
"""Price of one radian of steering in square metres of deviation: keeps the path calm over bumpy ground."""
GUARD_M = 0.02
"""Kept in hand on every depth limit for the ground between two nodes."""


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What rig and rods allow: radius m, first straight rod m, pitches as magnitudes in percent (least, most), depth m."""

    bend_radius_m: float
    rod_length_m: float
    entry_pitch_pct: tuple[float, float]
    exit_pitch_pct: tuple[float, float]
    max_depth_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Profile:
    """Solved profile at the 2n+1 half-step stations: z_m, slope (dz/ds, plain number), bend_1_m (second derivative)."""

    z_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    bend_1_m: NDArray[np.float64]


def shallowest_cover(station_m: NDArray[np.float64], length_m: float, limits: Limits) -> NDArray[np.float64]:
    """Least depth asked everywhere, so that no bore daylights in a dip: half of what the flattest pitch gives, up to 0.6 m."""
    rise = np.minimum(station_m * limits.entry_pitch_pct[0], (length_m - station_m) * limits.exit_pitch_pct[0]) / 200
    result: NDArray[np.float64] = np.clip(rise, 0.0, 0.6)
    return result


def deepest_reach(station_m: NDArray[np.float64], ground_m: NDArray[np.float64], limits: Limits) -> NDArray[np.float64]:
    """Upper bound of the depth below ground at each station (last axis): both ends left at their steepest pitch, no bends.

    Cheap and never too small, so a candidate that fails it has no profile. station_m and ground_m: (..., n).
    """
    down = ground_m[..., :1] - station_m * limits.entry_pitch_pct[1] / 100
    up = ground_m[..., -1:] - (station_m[..., -1:] - station_m) * limits.exit_pitch_pct[1] / 100
    result: NDArray[np.float64] = ground_m - np.maximum(down, up)
    return result


def setback_to_level_m(depth_m: float, pitch_pct: float, bend_radius_m: float) -> float:
    """Plan distance from the end of a bore to where it can run level, on flat ground.

    d / tan(b) + R tan(b / 2), b = atan(pitch). Source: facts of the entry geometry, straight, arc, level (TB 5.5-5.7 with
    derivation); 6 m, 20 degrees, 30.48 m give 21.859 m.

    >>> round(setback_to_level_m(6.0, 100 * math.tan(math.radians(20)), 30.48), 3)
    21.859
    """
    b = math.atan(pitch_pct / 100)
    if not (depth_m > 0 and b > 0 and bend_radius_m > 0):
        raise RangeError("setback", "depth, pitch and radius must be positive", "check [rig] and [bore]")
    if depth_m < bend_radius_m * (1 - math.cos(b)):
        b = math.acos(1 - depth_m / bend_radius_m)
        return bend_radius_m * math.sin(b)
    return depth_m / math.tan(b) + bend_radius_m * math.tan(b / 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    step_m: float
    ground: NDArray[np.float64]
    target: NDArray[np.float64]
    required: NDArray[np.float64]
    bend: NDArray[np.float64]
    limits: Limits
    rise: NDArray[np.float64]
    dip: NDArray[np.float64]


def _task(
    step_m: float,
    ground_m: NDArray[np.float64],
    target_depth_m: float,
    required_depth_m: NDArray[np.float64],
    plan_curvature_1_m: NDArray[np.float64],
    limits: Limits,
    finer_ground_m: NDArray[np.float64] | None,
) -> _Task:
    n = (len(ground_m) - 1) // 2
    station: NDArray[np.float64] = np.arange(n + 1, dtype=np.float64) * step_m
    # a zone begins somewhere between two half steps, and both nodes of that interval must be deep enough
    padded = np.pad(required_depth_m, 2)
    spread = np.maximum.reduce([padded[k : k + len(required_depth_m)] for k in range(5)])
    required = np.where(spread[::2] > 0, spread[::2] + GUARD_M, 0.0)
    required = np.maximum(required, shallowest_cover(station, n * step_m, limits))
    required[0] = required[-1] = 0.0
    k = np.maximum.reduce(
        [np.abs(plan_curvature_1_m[:-1:2]), np.abs(plan_curvature_1_m[1::2]), np.abs(plan_curvature_1_m[2::2])]
    )
    room = 1 / limits.bend_radius_m**2 - k**2
    if float(np.min(room)) < 0:
        raise RangeError(
            "profile",
            f"plan radius {1 / float(np.max(k)):.1f} m is tighter than the rod's {limits.bend_radius_m:.1f} m",
            "move the line or use more flexible rods",
        )
    bend = np.sqrt(room)
    first = math.ceil(limits.rod_length_m / step_m - 1e-9)
    bend[:first] = 0.0
    target = np.minimum(np.maximum(target_depth_m, required + BAND_M), limits.max_depth_m - GUARD_M - BAND_M)
    rise, dip = _between(ground_m if finer_ground_m is None else finer_ground_m, n)
    return _Task(
        step_m=step_m,
        ground=ground_m[::2],
        target=target,
        required=required,
        bend=bend,
        limits=limits,
        rise=rise,
        dip=dip,
    )


def _between(ground_m: NDArray[np.float64], n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far, beyond GUARD_M, the ground beside each of the n+1 nodes rises over and dips under straight lines between nodes.

    Next to an end, where the bore lies on the ground, a dip counts as much more as it lies nearer to the end.
    """
    m = (len(ground_m) - 1) // n
    share = np.arange(1, m) / m
    node, inner = ground_m[::m], ground_m[:-1].reshape(n, m)[:, 1:]
    off = inner - node[:-1, None] - share * np.diff(node)[:, None]
    rise, deep = np.maximum(off - GUARD_M, 0.0).max(axis=1), np.maximum(-off - GUARD_M, 0.0)
    dip = deep.max(axis=1)
    dip[0], dip[-1] = np.max(deep[0] / share), np.max(deep[-1] / share[::-1])
    return np.maximum(np.r_[0.0, rise], np.r_[rise, 0.0]), np.maximum(np.r_[0.0, dip], np.r_[dip, 0.0])


def _programme(t: _Task) -> tuple[NDArray[np.float64], Any, NDArray[np.float64], NDArray[np.float64]]:
    """Cost, equality matrix, right side and bounds.

    Unknowns, in order: z (n+1), p (n+1), u+ (n), u- (n), shallow, deep and play (n+1 each).
    Rows: z from p and u, p from u, z - shallow + deep - play = ground - target.
    """
    n, h = len(t.bend), t.step_m
    matrix = _rows(n, h)
    lo_in, hi_in = (v / 100 for v in t.limits.entry_pitch_pct)
    lo_out, hi_out = (v / 100 for v in t.limits.exit_pitch_pct)
    z_lo, z_hi = t.ground - t.limits.max_depth_m + GUARD_M + t.rise, t.ground - t.required - t.dip
    z_lo[[0, -1]] = z_hi[[0, -1]] = t.ground[[0, -1]]
    p_lo, p_hi = np.full(n + 1, -max(hi_in, hi_out)), np.full(n + 1, max(hi_in, hi_out))
    p_lo[0], p_hi[0], p_lo[-1], p_hi[-1] = -hi_in, -lo_in, lo_out, hi_out
    none_n, none, ever, play = np.zeros(n), np.zeros(n + 1), np.full(n + 1, np.inf), np.full(n + 1, BAND_M)
    low = np.concatenate([z_lo, p_lo, none_n, none_n, none, none, -play])
    high = np.concatenate([z_hi, p_hi, t.bend, t.bend, ever, ever, play])
    cost = np.concatenate([none, none, np.full(2 * n, h * TURN_COST), np.full(n + 1, h), np.full(n + 1, h / 2), none])
    right = np.concatenate([none_n, none_n, t.ground - t.target])
    return cost, matrix, right, np.column_stack([low, high])


def _rows(n: int, h: float) -> csc_array:
    """Equality matrix of n intervals of h metres. Putting it together takes longer than solving, so its pattern is kept."""
    from scipy.sparse import csc_array  # noqa: PLC0415

    unit, power = _pattern(n)
    values = unit.data * np.array([1.0, h, h * h])[power]
    return csc_array((values, unit.indices, unit.indptr), shape=unit.shape)


@lru_cache(maxsize=256)
def _pattern(n: int) -> tuple[csc_array, NDArray[np.intp]]:
    """The matrix for intervals of 1 m, and the power of h by which each of its entries grows, read off those of 2 m."""
    unit = _assembled(n, 1.0)
    return unit, np.rint(np.log2(_assembled(n, 2.0).data / unit.data)).astype(np.intp)


def _assembled(n: int, h: float) -> csc_array:
    from scipy.sparse import block_array, diags_array, eye_array  # noqa: PLC0415

    head, tail = eye_array(n, n + 1), diags_array([np.ones(n)], offsets=[1], shape=(n, n + 1))
    unit, eye = eye_array(n), eye_array(n + 1)
    steps, kick = tail - head, h * h / 2 * unit
    return block_array(
        [
            [steps, -h * head, -kick, kick, None, None, None],
            [None, steps, -h * unit, h * unit, None, None, None],
            [eye, None, None, None, -eye, eye, -eye],
        ],
        format="csc",
    )


def solve(
    *,
    step_m: float,
    ground_m: NDArray[np.float64],
    target_depth_m: float,
    required_depth_m: NDArray[np.float64],
    plan_curvature_1_m: NDArray[np.float64],
    limits: Limits,
    finer_ground_m: NDArray[np.float64] | None = None,
) -> Profile | None:
    """Best profile over a plan curve, None when there is none (then ask `obstructions`).

    step_m: plan length of one interval; ground_m, required_depth_m, plan_curvature_1_m: (2n+1,) at half steps, ground elevation,
    least depth of the axis there (0 where nothing is asked) and curvature of the plan curve; finer_ground_m: (m n + 1,), ground at
    m steps to an interval, since it may rise or dip between half steps. Raises RangeError when the plan curve itself is tighter
    than the rods.
    """
    from scipy.optimize import linprog  # noqa: PLC0415

    t = _task(step_m, ground_m, target_depth_m, required_depth_m, plan_curvature_1_m, limits, finer_ground_m)
    cost, matrix, right, bounds = _programme(t)
    if bool(np.any(bounds[:, 0] > bounds[:, 1])):
        return None
    result = linprog(cost, A_eq=matrix, b_eq=right, bounds=bounds, method="highs")
    if result.status != 0:
        return None
    n, h = len(t.bend), step_m
    x = result.x
    z, p, u = x[: n + 1], x[n + 1 : 2 * n + 2], x[2 * n + 2 : 3 * n + 2] - x[3 * n + 2 : 4 * n + 2]
    z2, p2, u2 = np.empty(2 * n + 1), np.empty(2 * n + 1), np.empty(2 * n + 1)
    z2[::2], p2[::2] = z, p
    z2[1::2], p2[1::2] = z[:-1] + p[:-1] * h / 2 + u * h * h / 8, p[:-1] + u * h / 2
    u2[1::2] = u
    u2[::2] = np.where(np.abs(np.r_[u, 0.0]) >= np.abs(np.r_[0.0, u]), np.r_[u, 0.0], np.r_[0.0, u])
    return Profile(z_m=z2, slope=p2, bend_1_m=u2)


def obstructions(
    *,
    step_m: float,
    ground_m: NDArray[np.float64],
    target_depth_m: float,
    required_by: dict[str, NDArray[np.float64]],
    plan_curvature_1_m: NDArray[np.float64],
    limits: Limits,
    finer_ground_m: NDArray[np.float64] | None = None,
) -> list[str]:
    """Which single limit, given up, would let a profile exist: found by really solving without it.

    required_by: required depth per zone label, each (2n+1,). Returns the names of the limits, or ["several limits together"].
    """

    def fits(rig: Limits, required: dict[str, NDArray[np.float64]]) -> bool:
        total = np.maximum.reduce([np.zeros(len(ground_m)), *required.values()])
        return (
            solve(
                step_m=step_m,
                ground_m=ground_m,
                target_depth_m=target_depth_m,
                required_depth_m=total,
                plan_curvature_1_m=plan_curvature_1_m,
                limits=rig,
                finer_ground_m=finer_ground_m,
            )
            is not None
        )

    trials = {
        "entry pitch": replace(limits, entry_pitch_pct=(0.0, 60.0)),
        "exit pitch": replace(limits, exit_pitch_pct=(0.0, 60.0)),
        "bend radius": replace(limits, bend_radius_m=limits.bend_radius_m / 2),
        "locator depth": replace(limits, max_depth_m=limits.max_depth_m * 3),
    }
    found = [
        f"cover at {label}"
        for label in required_by
        if fits(limits, {k: v for k, v in required_by.items() if k != label})
    ]
    found += [name for name, rig in trials.items() if fits(rig, required_by)]
    return found or ["several limits together"]
