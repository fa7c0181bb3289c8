"""A leg as drilled against its plan: how far each rod is off, and whether it drifts out of its tube."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import finite
from loopgis.core.units import FT_M, length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.field.model import Leg

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

TUBE_M, TUBE_SHARE = FT_M, 0.05
"""Tube that a bore may use: 1 ft and a share of the depth (tables/rules/house.toml, [tolerance] bore; from memory there)."""
EARLY_SHARE = 0.6
"""A head that uses this share of its tube is told, wherever it goes: house choice, no source."""
LOOK_RODS = 2.0
"""How far ahead a drift is carried on: house choice, no source."""
USED_SHARE = 0.35
"""Share of its tube that a head must have used before where it goes counts: house choice, no source."""


class Deviation(NamedTuple):
    """Of each rod from the planned path, (n,) metres: along (further than planned for what was drilled), right, down."""

    along_m: Array
    right_m: Array
    down_m: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Drift:
    """How a leg uses its tube, (n,) each: off_m off the plan, tube_m radius, ahead_m off_m carried on by LOOK_RODS rods, told.

    away: the deviations that it was made of.
    """

    away: Deviation
    off_m: Array
    tube_m: Array
    ahead_m: Array
    told: Flags


def deviations(leg: Leg, planned_xyz: Array, planned_station: Array | None = None) -> Deviation:
    """Each rod from the planned path: from the nearest place of it in plan.

    planned_xyz: (m, 3) in the leg's frame; planned_station: (m,) drilled metres of it, None to take the lengths between its
    vertices. The path goes on straight at both ends. Raises RangeError when they do not fit each other.
    """
    plan = np.asarray(planned_xyz, dtype=float)
    if plan.ndim != 2 or plan.shape[1] != 3 or len(plan) < 2:
        raise RangeError("planned path", f"has shape {plan.shape}", "give x, y, z of two places at least")
    finite(planned_path=plan)
    step = np.diff(plan, axis=0)
    long = np.linalg.norm(step, axis=1)
    station = np.r_[0.0, np.cumsum(long)] if planned_station is None else np.asarray(planned_station, dtype=float)
    if station.shape != (len(plan),):
        raise RangeError("planned path", f"has {len(plan)} places and {station.size} stations", "give one for each")
    flat2 = np.maximum((step[:, :2] ** 2).sum(axis=1), 1e-18)
    apart = leg.xyz[:, None, :2] - plan[None, :-1, :2]
    low, high = np.zeros(len(step)), np.ones(len(step))
    low[0], high[-1] = -np.inf, np.inf
    w = np.clip(np.einsum("nmk,mk->nm", apart, step[:, :2]) / flat2, low, high)
    off = apart - w[:, :, None] * step[None, :, :2]
    i = np.argmin(np.hypot(off[:, :, 0], off[:, :, 1]), axis=1)
    n = np.arange(len(leg.xyz))
    w, off, way = w[n, i], off[n, i], step[i, :2] / np.sqrt(flat2[i])[:, None]
    sign = np.sign(off[:, 0] * way[:, 1] - off[:, 1] * way[:, 0])
    return Deviation(
        along_m=station[i] + w * np.diff(station)[i] - leg.station_m,
        right_m=sign * np.hypot(off[:, 0], off[:, 1]),
        down_m=plan[i, 2] + w * step[i, 2] - leg.xyz[:, 2],
    )


def drift(
    leg: Leg,
    planned_xyz: Array,
    planned_station: Array | None = None,
    *,
    tube_m: float = TUBE_M,
    tube_share: float = TUBE_SHARE,
) -> Drift:
    """How far a leg is from its plan, where it goes, and whether that is told before it leaves its tube.

    tube_m, tube_share: radius of the tube, and what is added to it per depth. The distance is square to the planned path. It is
    carried on by LOOK_RODS rods along a straight line through the last four rods (least squares); a rod is told when that leaves
    the tube and USED_SHARE of it is used already, or EARLY_SHARE of it is. Choices of the house, no source.
    """
    plan = np.asarray(planned_xyz, dtype=float)
    away = deviations(leg, plan, planned_station)
    slope = np.cos(np.arctan(leg.pitch_pct / 100))
    two = np.column_stack([away.right_m, away.down_m * slope])
    off = np.hypot(two[:, 0], two[:, 1])
    depth = leg.ground_m - leg.xyz[:, 2]
    tube = tube_m + tube_share * np.maximum(np.nan_to_num(depth), 0.0)
    ahead = off.copy()
    for k in range(1, len(off)):
        few = slice(max(0, k - 3), k + 1)
        s = leg.station_m[few]
        centred = s - s.mean()
        trend = centred @ two[few] / (centred @ centred)
        on = LOOK_RODS * float(np.median(np.diff(leg.station_m)))
        ahead[k] = float(np.hypot(*(two[few].mean(axis=0) + trend * (s[-1] + on - s.mean()))))
    told = (off > EARLY_SHARE * tube) | ((ahead > tube) & (off > USED_SHARE * tube))
    return Drift(away=away, off_m=off, tube_m=tube, ahead_m=ahead, told=told)


def drift_words(leg: Leg, found: Drift, units: str) -> list[str]:
    """One line for the first rod that is told, one for the first that left its tube."""
    words = []
    away = found.away
    for rods, what in ((found.told, "drifts"), (found.off_m > found.tube_m, "has left its tube")):
        if rods.any():
            k = int(np.argmax(rods))
            side = f"{length_text(abs(float(away.right_m[k])), units, 2)} {'right' if away.right_m[k] > 0 else 'left'}"
            deep = f"{length_text(abs(float(away.down_m[k])), units, 2)} {'low' if away.down_m[k] > 0 else 'high'}"
            tube = length_text(float(found.tube_m[k]), units, 2)
            words.append(f"rod {int(leg.rod[k])}: the head {what}, {side} and {deep} of the plan, tube {tube}")
    return words
