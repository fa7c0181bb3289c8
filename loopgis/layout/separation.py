"""How far bores must keep from each other, and how far they are.

Between two bores, at drilled lengths s1 and s2 from their entries:
  both on their level run      at least the wanted spacing
  elsewhere, beyond 2 m        at least both tolerance tubes and both hole radii, times a ramp from 0.5 at the entry to 1 at
                               three rods (of the smaller of s1, s2)
A tube is the bore's plan tolerance plus its vertical share of depth. Besides, no two bores cross in plan within three rods of
either entry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.model import LEVEL_BAND_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.layout.candidates import Candidate

NEAR_PAD_M = 1.9
"""Drilled length from which bores must keep apart; the rule says 2 m, the rest is for sampling."""
NEAR_M = 12.0
NEAR_STEP_M = 0.1
COARSE = 4
"""Vertices skipped by the first coarse look at a pair; also metres of safety in it."""
FAR_SHARE = 2.0
SAME_M = 0.005
"""Bores that come so near to each other in plan count as crossed."""


@dataclass(frozen=True, kw_only=True)
class SeparationRule:
    """What bores must keep.

    spacing_m: wanted between level runs; plan_tolerance_m and vert_share: a bore's own errors; hole_m: reamed diameter;
    rod_m: rod length.
    """

    spacing_m: float
    plan_tolerance_m: float
    vert_share: float
    hole_m: float
    rod_m: float

    def tube_m(
        self, s1: NDArray[np.float64], s2: NDArray[np.float64], d1: NDArray[np.float64], d2: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Least distance off the level runs, from drilled lengths and depths."""
        full = 2 * self.plan_tolerance_m + self.vert_share * (np.abs(d1) + np.abs(d2)) + self.hole_m
        ramp = 0.5 + 0.5 * np.clip(np.minimum(s1, s2) / (3 * self.rod_m), 0.0, 1.0)
        return full * ramp


@dataclass(frozen=True, kw_only=True)
class PairDistance:
    """Distances between two bores.

    level_m: least distance where both are level (None when never); elsewhere_m: beyond 2 m otherwise; shortfall_m: the worst
    of the separation rule (positive = too near) with the stations where it happens; crossed: in plan, within three rods of an
    entry, or holes that touch anywhere.
    """

    level_m: float | None
    elsewhere_m: float
    shortfall_m: float
    stations_m: tuple[float, float]
    crossed: bool = False

    @property
    def clash(self) -> bool:
        """The two cannot both be drilled."""
        return self.shortfall_m > 0 or self.crossed


@dataclass(frozen=True, eq=False)
class _Samples:
    """A bore resampled: the first NEAR_M finely, the rest at its own vertices."""

    xyz: NDArray[np.float64]
    station: NDArray[np.float64]
    depth: NDArray[np.float64]
    level: NDArray[np.bool_]


def _resample(bore: Bore, *, fine: bool = False, step: int = 1) -> _Samples:
    station = np.union1d(bore.station_m[::step], bore.station_m[-1:])
    if fine:
        station = np.union1d(station, np.arange(0.0, min(NEAR_M, bore.length_m), NEAR_STEP_M))
    xyz = np.column_stack([np.interp(station, bore.station_m, c) for c in (bore.x_m, bore.y_m, bore.z_m)])
    depth = np.interp(station, bore.station_m, bore.depth_m)
    return _Samples(xyz, station, depth, depth >= bore.target_depth_m - LEVEL_BAND_M)


def measure_pair(a: Bore, b: Bore, rule: SeparationRule) -> PairDistance:
    """Measure two finished bores at all pairs of their stations.

    Vertices are 0.5 m apart, so the figure is at most (0.25 m)^2 / (2 distance) too large, 7 mm at 4.5 m; where bores start near
    each other the first NEAR_M are sampled every NEAR_STEP_M, since they may cross there. Bores that a coarse look finds more
    than FAR_SHARE times the spacing apart are left at that.
    """
    crossed = _crossed(a, b, 3 * rule.rod_m)
    rough = _measure(_resample(a, step=COARSE), _resample(b, step=COARSE), rule, crossed=crossed)
    if min(rough.elsewhere_m, rough.level_m or math.inf) > FAR_SHARE * rule.spacing_m + COARSE:
        return rough
    close = float(np.hypot(a.x_m[0] - b.x_m[0], a.y_m[0] - b.y_m[0])) < NEAR_M
    return _measure(_resample(a, fine=close), _resample(b, fine=close), rule, crossed=crossed)


def _crossed(a: Bore, b: Bore, within_m: float) -> bool:
    """Does one of two finished bores meet the other in plan less than within_m of drilled length from its entry."""
    for foot, other in ((a, b), (b, a)):
        n = int(np.searchsorted(foot.station_m, within_m)) + 2
        if shapely.dwithin(shapely.LineString(foot.xyz[:n, :2]), shapely.LineString(other.xyz[:, :2]), SAME_M):
            return True
    return False


def _measure(p: _Samples, q: _Samples, rule: SeparationRule, *, crossed: bool) -> PairDistance:
    d2 = sum((p.xyz[:, [k]] - q.xyz[:, k]) ** 2 for k in range(3))
    d = np.sqrt(d2)
    both = p.level[:, None] & q.level
    tube = rule.tube_m(p.station[:, None], q.station[None, :], p.depth[:, None], q.depth[None, :])
    required = np.where(both, np.maximum(rule.spacing_m, tube), tube)
    counts = (p.station[:, None] > NEAR_PAD_M) & (q.station > NEAR_PAD_M)
    short = np.where(counts, required - d, -np.inf)
    i, j = np.unravel_index(int(np.argmax(short)), short.shape)
    off = counts & ~both
    return PairDistance(
        level_m=float(d[both].min()) if both.any() else None,
        elsewhere_m=float(d[off].min()) if off.any() else float(d.min()),
        shortfall_m=float(short[i, j]),
        stations_m=(float(p.station[i]), float(q.station[j])),
        crossed=crossed or float(d.min()) <= rule.hole_m,
    )


def conflicts(candidates: Sequence[Candidate], rule: SeparationRule, pitch_pct: float) -> NDArray[np.bool_]:
    """(n, n) True where two candidates cannot both be drilled, estimated in plan and depth.

    Each candidate becomes a short polyline and sample points every 3 m; depth is the slope from the entry down to its tier.
    Symmetric, diagonal False.
    """
    n = len(candidates)
    seg, points = _polylines(candidates), _samples(candidates)
    clash = np.zeros((n, n), dtype=bool)
    tier = np.array([c.tier_m for c in candidates])
    lo, hi = np.array([c.level_from_m for c in candidates]), np.array([c.level_to_m for c in candidates])
    slope = pitch_pct / 100
    entry = np.array([c.entry for c in candidates])
    (px, py, ps, owner), (sx, sy, ex, ey, s0, s_len, seg_owner) = points, seg
    for j in range(n):
        rows = np.flatnonzero(seg_owner == j)
        ux, uy = ex[rows] - sx[rows], ey[rows] - sy[rows]
        t = ((px[:, None] - sx[rows]) * ux + (py[:, None] - sy[rows]) * uy) / (ux * ux + uy * uy)
        t = np.clip(t, 0.0, 1.0)
        gap2 = (px[:, None] - sx[rows] - t * ux) ** 2 + (py[:, None] - sy[rows] - t * uy) ** 2
        best = np.argmin(gap2, axis=1)
        pick = np.arange(len(px))
        foot = s0[rows][best] + t[pick, best] * s_len[rows][best]
        depth_p, depth_f = np.minimum(ps * slope, tier[owner]), np.minimum(foot * slope, tier[j])
        d = np.sqrt(gap2[pick, best] + (depth_p - depth_f) ** 2)
        both = (ps > lo[owner] - 1.0) & (ps < hi[owner] + 1.0) & (foot > lo[j] - 1.0) & (foot < hi[j] + 1.0)
        tube = rule.tube_m(ps, foot, depth_p, depth_f)
        need = np.where(both, np.maximum(rule.spacing_m * 1.004, tube), tube)
        bad = (d < need) & (np.minimum(ps, foot) > NEAR_PAD_M)
        clash[j] = np.bincount(owner[bad], minlength=n) > 0
        clash[j] |= entry == entry[j]
    clash |= _cross_near_pad(candidates, 3 * rule.rod_m)
    clash |= clash.T
    np.fill_diagonal(clash, val=False)
    return clash


def _cross_near_pad(candidates: Sequence[Candidate], within_m: float) -> NDArray[np.bool_]:
    """(n, n) True where the first within_m of a plan curve meets another: no crew drills across a bore at its feet."""
    axes, heads = [], []
    for c in candidates:
        end = c.curve.length_m
        s = np.linspace(0.0, end, 24) if c.curve.turning_rad > 0 else np.array([0.0, end])
        near = np.r_[s[s < within_m], min(within_m, end)]
        xy = np.column_stack(c.curve.at(s)[:2])
        axes.append(xy)
        heads.append(np.column_stack([np.interp(near, s, xy[:, k]) for k in (0, 1)]))
    i, j = shapely.STRtree(_lines(axes)).query(_lines(heads), predicate="intersects")
    result = np.zeros((len(axes), len(axes)), dtype=bool)
    result[i, j] = True
    return result


def _lines(parts: Sequence[NDArray[np.float64]]) -> NDArray[np.object_]:
    owner = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
    lines: NDArray[np.object_] = shapely.linestrings(np.concatenate(parts), indices=owner)
    return lines


def _polylines(candidates: Sequence[Candidate]) -> tuple[NDArray[np.float64], ...]:
    rows: list[tuple[float, ...]] = []
    for n, c in enumerate(candidates):
        cuts = [0.0]
        for length, k in c.curve.pieces:
            parts = 1 if k == 0 else 4
            cuts += [cuts[-1] + length * (q + 1) / parts for q in range(parts)]
        s = np.array(cuts)
        x, y, _, _ = c.curve.at(s)
        rows += [
            (x[q], y[q], x[q + 1], y[q + 1], s[q], s[q + 1] - s[q], n)
            for q in range(len(s) - 1)
            if s[q + 1] - s[q] > 1e-9
        ]
    return tuple(np.array(rows).T)


def _samples(
    candidates: Sequence[Candidate],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    xs, ys, ss, owner = [], [], [], []
    for n, c in enumerate(candidates):
        s = np.unique(
            np.r_[
                np.arange(2.0, 8.0, 0.5),
                np.arange(8.0, c.curve.length_m, 3.0),
                c.curve.length_m,
                np.clip([c.level_from_m + 0.05, c.level_to_m - 0.05], 0, c.curve.length_m),
            ]
        )
        x, y, _, _ = c.curve.at(s)
        xs.append(x)
        ys.append(y)
        ss.append(s)
        owner.append(np.full(len(s), n))
    return np.concatenate(xs), np.concatenate(ys), np.concatenate(ss), np.concatenate(owner)
