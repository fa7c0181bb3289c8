"""From a plan curve and its profile to a Bore."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.model import Bore
from loopgis.bore.plan import azimuth_deg

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.bore.plan import PlanCurve
    from loopgis.bore.profile import Profile

STEP_M = 0.85
"""Longest interval of the profile in plan; with a vertex at every half interval, no two vertices are 0.5 m apart up to 60 %."""


def half_stations(curve: PlanCurve) -> tuple[float, NDArray[np.float64]]:
    """Interval length and the 2n+1 half-step plan stations of a curve."""
    n = max(4, math.ceil(curve.length_m / STEP_M))
    return curve.length_m / n, np.linspace(0.0, curve.length_m, 2 * n + 1)


def build(
    curve: PlanCurve,
    profile: Profile,
    *,
    ground_m: NDArray[np.float64],
    bore_id: str,
    pattern: str,
    target_depth_m: float,
    hole_diameter_m: float,
    shape: str,
    source: str = "planned",
) -> Bore:
    """Bore with a vertex at each half-step station.

    ground_m: (2n+1,) ground elevation there. Drilled length is summed over the chords; pitch is 100 times the slope; the 3-D
    curvature is sqrt(k^2 (1 + p^2) + u^2) / (1 + p^2)^1.5 with plan curvature k, slope p, second derivative u.
    """
    _, s = half_stations(curve)
    x, y, heading, k = curve.at(s)
    z, p, u = profile.z_m, profile.slope, profile.bend_1_m
    station = np.r_[0.0, np.cumsum(np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2))]
    curvature = np.sqrt(k * k * (1 + p * p) + u * u) / (1 + p * p) ** 1.5
    return Bore(
        bore_id=bore_id,
        pattern=pattern,
        x_m=x,
        y_m=y,
        z_m=z,
        ground_m=ground_m,
        station_m=station,
        plan_station_m=s,
        pitch_pct=100 * p,
        azimuth_deg=azimuth_deg(heading),
        curvature_1_m=curvature,
        target_depth_m=target_depth_m,
        hole_diameter_m=hole_diameter_m,
        shape=shape,
        source=source,
        curve=curve,
    )
