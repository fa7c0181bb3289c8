"""One written bore, sampled anew: stations, depths, turning, pitches. Arrays in, arrays out; no files.

Turning. Between the chords P(k)->P(i) and P(i)->P(j) of a curve whose curvature never exceeds c, the direction changes by at
most c times half the drilled length from k to j (each chord's direction is a mean of the tangents over it); on a circle it is
exactly that. So curvature is measured as 2 * turn / (s_j - s_k) at the written vertices, never at points interpolated between
them, whose sagitta h^2 / (8 R) would spoil the angle. What is left is the rounding of written coordinates: 0.1 mm on each end
of two chords of length h turns them by at most 4 * 0.1 mm / h, and that much is allowed besides the 1 % of the rule text.
Chords measured along the polyline are short of the arc by h^2 / (24 R^2), under 0.02 % here, which the 1 % covers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

SAMPLE_M = 0.25
ROUNDING_M = 1e-4
WIDE_M = 1.25
NARROW_M = 0.25
DRILLED_M = 3.0
"""Bends of a drilled bore are measured over so much to either side where no rod is known: house choice, no source."""
MAX_REACH_M = 5.0
_SAME_POINT_M = 1e-4


@dataclass(frozen=True, eq=False)
class Turning:
    """Curvature at vertices. station_m, curvature_1_m, allowance_1_m: (m,) arrays (rounding allowance as curvature)."""

    station_m: NDArray[np.float64]
    curvature_1_m: NDArray[np.float64]
    allowance_1_m: NDArray[np.float64]


@dataclass(eq=False)
class Path:
    """One bore as written and as sampled.

    vertices: (n, 3) frame points, z = NaN for a 2-D line; drilled, plan: (n,) lengths to each vertex (drilled = plan for a 2-D
    line); station, xyz, plan_station, ground, depth: the same at samples; surveyed_ground: the ground is real, not a guess.
    """

    layout_id: str
    bore_id: str
    columns: dict[str, Any]
    vertices: NDArray[np.float64]
    radius_m: float
    flat: bool = False
    drilled: NDArray[np.float64] = field(init=False)
    plan: NDArray[np.float64] = field(init=False)
    station: NDArray[np.float64] = field(init=False)
    plan_station: NDArray[np.float64] = field(init=False)
    xyz: NDArray[np.float64] = field(init=False)
    ground: NDArray[np.float64] = field(init=False)
    depth: NDArray[np.float64] = field(init=False)
    surveyed_ground: bool = field(init=False, default=False)
    points: NDArray[Any] = field(init=False)
    line: Any = field(init=False)

    def __post_init__(self) -> None:
        """Measure along the vertices and sample every SAMPLE_M, vertices included."""
        v = self.vertices
        steps = np.diff(v, axis=0)
        run = np.hypot(steps[:, 0], steps[:, 1])
        rise = np.zeros_like(run) if self.flat else steps[:, 2]
        self.plan = np.concatenate([[0.0], np.cumsum(run)])
        self.drilled = np.concatenate([[0.0], np.cumsum(np.hypot(run, rise))])
        self.station = np.unique(np.concatenate([self.drilled, np.arange(0.0, self.length_m, SAMPLE_M)]))
        self.xyz = np.column_stack([np.interp(self.station, self.drilled, v[:, i]) for i in range(3)])
        self.plan_station = np.interp(self.station, self.drilled, self.plan)
        self.points = shapely.points(self.xyz[:, :2])
        self.line = shapely.LineString(v[:, :2])

    @property
    def in_ground(self) -> bool:
        """The file says that it was drilled: its line are readings, no plan."""
        return self.columns.get("source") in {"logged", "surveyed"}

    @property
    def length_m(self) -> float:
        """Drilled length (plan length for a 2-D line)."""
        return float(self.drilled[-1])

    def set_ground(self, ground: NDArray[np.float64] | None) -> None:
        """Give the ground under the samples; None draws a straight line between the two ends."""
        self.surveyed_ground = ground is not None
        share = self.plan_station / max(float(self.plan[-1]), 1e-9)
        guess = self.xyz[0, 2] + share * (self.xyz[-1, 2] - self.xyz[0, 2])
        self.ground = guess if ground is None else ground
        self.depth = self.ground - self.xyz[:, 2]

    @property
    def sure(self) -> NDArray[np.bool_]:
        """(m,) True where the depth rests on a written z and a real ground."""
        return np.isfinite(self.depth) if self.surveyed_ground else np.zeros(len(self.depth), dtype=bool)

    @property
    def greatest_depth_m(self) -> float:
        """Deepest point below the ground above it, 0 when no depth is known."""
        known = self.depth[np.isfinite(self.depth)]
        return max(float(known.max()), 0.0) if len(known) else 0.0

    @property
    def deepest_vertex_m(self) -> float:
        """Deepest written vertex below the ground above it, 0 when no depth is known: without what the ground does in between."""
        depth = self.depth_at(self.drilled)
        known = depth[np.isfinite(depth)]
        return max(float(known.max()), 0.0) if len(known) else 0.0

    def depth_at(self, station: NDArray[np.float64]) -> NDArray[np.float64]:
        """Depth at any drilled station."""
        return np.asarray(np.interp(station, self.station, self.depth))

    def at(self, station: NDArray[np.float64]) -> NDArray[np.float64]:
        """(m, 3) points at drilled stations, on the written chords."""
        return np.column_stack([np.interp(station, self.drilled, self.vertices[:, i]) for i in range(3)])

    def drilled_from_plan(self, plan_m: float) -> float:
        """Drilled station of a plan station; beyond the exit it counts on in plan."""
        beyond = max(0.0, plan_m - float(self.plan[-1]))
        return float(np.interp(plan_m, self.plan, self.drilled)) + beyond

    def segment_pitch_pct(self) -> NDArray[np.float64]:
        """(n-1,) rise over run of every chord in percent, negative going down; infinite for a vertical one."""
        run, rise = np.diff(self.plan), np.diff(self.vertices[:, 2])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(100 * rise / run)

    def end_pitches_pct(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(entry, exit), each as (pitch of the outermost chord, half the change to its neighbour).

        The tangent at the end differs from the chord's direction by half the turn between the last two chords on an arc.
        """
        pitch = self.segment_pitch_pct()
        if len(pitch) < 2:
            return (float(pitch[0]), 0.0), (float(pitch[-1]), 0.0)
        return (float(pitch[0]), abs(float(pitch[1] - pitch[0])) / 2), (
            float(pitch[-1]),
            abs(float(pitch[-1] - pitch[-2])) / 2,
        )

    def reach(self, share: float) -> tuple[Any, float]:
        """The axis prolonged at the exit, and by how much: ds = share * D / tan(exit pitch), at most 5 m."""
        return self.prolonged(self.reach_m(share))

    def reach_m(self, share: float) -> float:
        """Length of the reach, ds: 5 m when the bore does not rise at its exit, 0 for a 2-D line (its ds is unknown).

        A surveyed bore has none: it came out where it was measured.
        """
        if self.flat or self.columns.get("source") == "surveyed":
            return 0.0
        slope = self.end_pitches_pct()[1][0] / 100
        if not np.isfinite(slope):
            return 0.0
        wanted = share * self.deepest_vertex_m
        return MAX_REACH_M if slope * MAX_REACH_M <= wanted and wanted > 0 else wanted / slope if wanted > 0 else 0.0

    def prolonged(self, by_m: float) -> tuple[Any, float]:
        """The axis in plan, prolonged by so many metres in the direction of the last chord that has one in plan."""
        moving = np.flatnonzero(np.diff(self.plan) > _SAME_POINT_M)
        if by_m <= 0 or not len(moving):
            return self.line, 0.0
        last = int(moving[-1])
        way = self.vertices[last + 1, :2] - self.vertices[last, :2]
        tip = self.vertices[-1, :2] + by_m * way / np.hypot(*way)
        return shapely.LineString(np.vstack([self.vertices[:, :2], tip])), by_m

    def turning(self, window_m: float) -> Turning:
        """Curvature from chords that reach at least `window_m` to either side of each vertex."""
        s = self.drilled
        ahead = np.searchsorted(s, s + window_m - 1e-6)
        behind = np.searchsorted(s, s - window_m + 1e-6, side="right") - 1
        i = np.flatnonzero((ahead < len(s)) & (behind >= 0))
        j, k = ahead[i], behind[i]
        v = np.nan_to_num(self.vertices)
        turn = angle_between(v[i] - v[k], v[j] - v[i])
        span = s[j] - s[k]
        shorter = np.minimum(s[j] - s[i], s[i] - s[k])
        return Turning(s[i], 2 * turn / span, 2 * (4 * ROUNDING_M / shorter) / span)


def angle_between(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) angle between 3-vectors, radians, exact for small angles."""
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(a, b), axis=-1), np.sum(a * b, axis=-1)))


def join_parts(parts: list[NDArray[np.float64]]) -> tuple[NDArray[np.float64], float]:
    """Vertices of a multi-part line end to end, turned round where that fits, and the widest gap between parts in metres."""
    line, gap = parts[0], 0.0
    for part in parts[1:]:
        ends = [float(np.hypot(*(p[0, :2] - line[-1, :2]))) for p in (part, part[::-1])]
        nearer = part if ends[0] <= ends[1] else part[::-1]
        gap = max(gap, min(ends))
        line = np.vstack([line, nearer])
    return line, gap


def without_repeats(vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Vertices with those dropped that repeat the one before (nearer than 0.1 mm)."""
    step = np.linalg.norm(np.nan_to_num(np.diff(vertices, axis=0)), axis=1)
    return np.asarray(vertices[np.concatenate([[True], step > _SAME_POINT_M])])
