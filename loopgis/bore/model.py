"""One bore as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.bore.plan import PlanCurve


LEVEL_BAND_M = 0.3
"""A bore counts as level where it is at most this much above its target depth."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bore:
    """One drilled path, entry to exit, at stations at most 0.5 m of drilled length apart.

    bore_id: e.g. "B-01"; pattern: "fan" or "parallel"; source: planned | staked | logged | surveyed.
    x_m, y_m, z_m: (n,) frame coordinates; ground_m: (n,) ground elevation above them; station_m: (n,) drilled length from
    the entry; pitch_pct: (n,) negative going down; azimuth_deg: (n,) clockwise from frame (true) north;
    curvature_1_m: (n,) 3-D curvature of the curve the stations lie on; target_depth_m: the tier this bore was made for;
    hole_diameter_m: reamed hole; shape: "straight", "curve", "detour", or "drawn" by hand; curve: its plan curve, None for a bore
    that was measured.
    """

    bore_id: str
    pattern: str
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    z_m: NDArray[np.float64]
    ground_m: NDArray[np.float64]
    station_m: NDArray[np.float64]
    plan_station_m: NDArray[np.float64]
    pitch_pct: NDArray[np.float64]
    azimuth_deg: NDArray[np.float64]
    curvature_1_m: NDArray[np.float64]
    target_depth_m: float
    hole_diameter_m: float
    shape: str = "straight"
    source: str = "planned"
    curve: PlanCurve | None = None

    @property
    def in_ground(self) -> bool:
        """Was it drilled already."""
        return self.source != "planned" and self.curve is None

    @cached_property
    def depth_m(self) -> NDArray[np.float64]:
        """Depth of the axis below the ground above it, positive down."""
        return self.ground_m - self.z_m

    @property
    def length_m(self) -> float:
        """Drilled length, 3-D."""
        return float(self.station_m[-1])

    @property
    def plan_length_m(self) -> float:
        """Length in plan."""
        return float(self.plan_station_m[-1])

    @cached_property
    def level(self) -> NDArray[np.bool_]:
        """(n,) True where the bore works at depth: within 0.3 m of its target or deeper."""
        return self.depth_m >= self.target_depth_m - LEVEL_BAND_M

    @cached_property
    def level_length_m(self) -> float:
        """Drilled length of the stretches at depth."""
        both = self.level[1:] & self.level[:-1]
        return float(np.sum(np.diff(self.station_m)[both]))

    @property
    def max_depth_m(self) -> float:
        """Deepest point below the ground above it."""
        return float(np.max(self.depth_m))

    @property
    def min_cover_m(self) -> float:
        """Least cover over the reamed hole on the stretches at depth; over the deepest point when there are none."""
        depth = self.depth_m[self.level] if bool(np.any(self.level)) else np.array([self.max_depth_m])
        return float(np.min(depth)) - self.hole_diameter_m / 2

    @property
    def min_radius_m(self) -> float:
        """Tightest 3-D radius; infinite for a straight path."""
        worst = float(np.max(self.curvature_1_m))
        return float("inf") if worst < 1e-9 else 1 / worst

    @cached_property
    def xyz(self) -> NDArray[np.float64]:
        """(n, 3) stations."""
        return np.column_stack([self.x_m, self.y_m, self.z_m])
