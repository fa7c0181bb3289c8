"""Candidate to bore: exact zones, profile, overshoot; and why one failed."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import shapely

from loopgis.bore.build import build, half_stations
from loopgis.bore.profile import obstructions, solve
from loopgis.layout.field import Field, overshoot_m

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.bore.plan import PlanCurve
    from loopgis.bore.profile import Limits
    from loopgis.layout.candidates import Candidate
    from loopgis.layout.separation import PairDistance

FINER = 8
"""Places in each interval of the profile where the ground is looked at; 0.1 m apart."""


@dataclass(eq=False)
class Workshop:
    """Turns candidates into bores; remembers candidates, bores, pair distances, and the reasons of failure."""

    ground: Field
    reasons: Counter[str] = field(default_factory=Counter)
    pairs: dict[tuple[int, int], PairDistance] = field(default_factory=dict)
    pools: dict[tuple[object, ...], tuple[list[Candidate], NDArray[np.bool_], int]] = field(default_factory=dict)
    _done: dict[int, Bore | None] = field(default_factory=dict)
    _keep: list[Candidate] = field(default_factory=list)

    def binding(self, most: int = 6) -> Counter[str]:
        """Which limits stop the candidates that had no profile: found for a few of them by solving without each limit."""
        found: Counter[str] = Counter()
        failed = [c for c in self._keep if self._done[id(c)] is None]
        for c in failed[:most]:
            _, why = realise(self.ground, c.curve, tier_m=c.tier_m, pattern=c.pattern, shape=c.shape, explain=True)
            found.update(why)
        return found

    def knows(self, candidate: Candidate) -> bool:
        """Was it ever tried."""
        return id(candidate) in self._done

    def made(self, candidate: Candidate) -> Bore | None:
        """The bore of a candidate that was tried, None when it was not, or failed."""
        return self._done.get(id(candidate))

    def adopt(self, candidate: Candidate, bore: Bore) -> None:
        """Take a bore that is in the ground for a candidate's."""
        self._keep.append(candidate)
        self._done[id(candidate)] = bore

    def bore(self, candidate: Candidate) -> Bore | None:
        """The bore of a candidate, None when the exact ground or the profile says no."""
        key = id(candidate)
        if key not in self._done:
            self._keep.append(candidate)
            made, why = realise(
                self.ground, candidate.curve, tier_m=candidate.tier_m, pattern=candidate.pattern, shape=candidate.shape
            )
            self._done[key] = made
            self.reasons.update(why)
        return self._done[key]


def realise(
    ground: Field,
    curve: PlanCurve,
    *,
    tier_m: float,
    pattern: str,
    shape: str,
    explain: bool = False,
    bore_id: str = "",
) -> tuple[Bore | None, list[str]]:
    """Bore over a plan curve at a target depth, or the reasons why there is none.

    explain: also find out which limit stops the profile, by solving again without each (slower).
    """
    step, s = half_stations(curve)
    x, y, _, k = curve.at(s)
    z = ground.site.terrain.at(x, y)
    asked = ground.required_depth(curve, s)
    finer = _finer(ground, curve, len(s) // 2)
    reasons = _ground_reasons(ground, asked, k, z if finer is None else finer)
    if reasons or asked is None:
        return None, reasons
    required = np.maximum.reduce([np.zeros(len(s)), *asked.values()])
    task: _Task = {
        "step_m": step,
        "ground_m": z,
        "target_depth_m": tier_m,
        "plan_curvature_1_m": k,
        "limits": ground.limits,
        "finer_ground_m": finer,
    }
    profile = solve(**task, required_depth_m=required)
    if profile is None:
        return None, obstructions(**task, required_by=asked) if explain else [
            "no profile within pitch, bend radius and cover"
        ]
    hole = ground.site.spec.bore.hole_diameter_m
    bore = build(
        curve,
        profile,
        ground_m=z,
        bore_id=bore_id,
        pattern=pattern,
        target_depth_m=tier_m,
        hole_diameter_m=hole,
        shape=shape,
    )
    if bore.length_m > ground.site.spec.rig.max_length_m:
        return None, ["longer than the rig reaches"]
    if not shapely.covers(ground.open_area, reach_line(bore, ground.vert_share)):
        return None, ["the exit's position error leads into closed ground"]
    return bore, []


def _finer(ground: Field, curve: PlanCurve, intervals: int) -> NDArray[np.float64] | None:
    """Ground every FINER-th of an interval; None where it is flat."""
    if ground.site.terrain.flat:
        return None
    x, y, _, _ = curve.at(np.linspace(0.0, curve.length_m, FINER * intervals + 1))
    return ground.site.terrain.at(x, y)


class _Task(TypedDict):
    step_m: float
    ground_m: NDArray[np.float64]
    target_depth_m: float
    plan_curvature_1_m: NDArray[np.float64]
    limits: Limits
    finer_ground_m: NDArray[np.float64] | None


def _ground_reasons(
    ground: Field, asked: dict[str, NDArray[np.float64]] | None, k: NDArray[np.float64], z: NDArray[np.float64]
) -> list[str]:
    """What stops a plan curve before any profile is tried: curvature, flat crossings, closed ground, its ends, the raster."""
    if float(np.max(np.abs(k))) > (1 - 1e-9) / ground.limits.bend_radius_m:
        return ["plan curve tighter than the rods' bend radius"]
    if asked is None:
        return ["a line is crossed too flat"]
    if not np.isfinite(z).all():
        return ["the elevation raster ends before the bore does"]
    closed = [name for name, need in asked.items() if float(need.max()) > ground.limits.max_depth_m]
    return closed or [f"{name} at the bore's end" for name, need in asked.items() if need[0] > 0 or need[-1] > 0]


def reach_line(bore: Bore, vert_share: float) -> BaseGeometry:
    """Plan axis with the exit prolonged by its position error."""
    more = overshoot_m(bore, vert_share)
    heading = math.radians(90 - float(bore.azimuth_deg[-1]))
    tip = (bore.x_m[-1] + more * math.cos(heading), bore.y_m[-1] + more * math.sin(heading))
    points: NDArray[np.float64] = np.column_stack([np.r_[bore.x_m, tip[0]], np.r_[bore.y_m, tip[1]]])
    return shapely.LineString(points)
