"""Are the bores of one layout far enough apart? DEVELOPERS.md, "What a bore must be", last sentence.

Level run: the file does not name a bore's target depth, so the run is found from its own column `level_length_m`: the depth
below which the bore lies for just that length; without the column, within 0.5 m of its deepest point.
The sum of the tubes and radii is ramped by the smaller of the two stations.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.findings import Finding
from loopgis.rules.audit_rows import number_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.rules.audit_path import Path
    from loopgis.rules.audit_rig import Limits
    from loopgis.rules.audit_rules import AuditFile

_SPACING_SLACK = 0.02
_FREE_M = 2.0
_ROD_M = 3.048
"""10 ft, taken for the ramp when nobody says how long the rods are."""
_SLACK_M = 0.02
_COARSE = 4
_LEVEL_BAND_M = 0.5


@dataclass(frozen=True, eq=False)
class _Tube:
    """Samples of one bore for the comparison: points, tube radius, ramp, and whether it works at depth there."""

    path: Path
    xyz: NDArray[np.float64]
    tube_m: NDArray[np.float64]
    ramp: NDArray[np.float64]
    level: NDArray[np.bool_]
    free: NDArray[np.bool_]


@dataclass(frozen=True)
class _Clash:
    short_m: float
    apart_m: float
    needed_m: float
    first_m: float
    second_m: float


def separation_findings(paths: Sequence[Path], files: Sequence[AuditFile], limits: Limits) -> list[Finding]:
    """Pairs of bores of the same layout that lie too close, at most one finding of each sort per pair."""
    plan_m = max((f.bore_plan_m for f in files), default=0.0)
    share = max((f.bore_share for f in files), default=0.0)
    tubes: dict[str, list[_Tube]] = {}
    for path in paths:
        tubes.setdefault(path.layout_id, []).append(_tube(path, plan_m, share, limits.rod_m or _ROD_M))
    found: list[Finding] = []
    for group in tubes.values():
        for a, b in combinations(group, 2):
            found += _pair(a, b, limits.spacing_m)
            found += _crossed(a.path, b.path, 3 * (limits.rod_m or _ROD_M))
    return found


def _crossed(a: Path, b: Path, within_m: float) -> list[Finding]:
    """One finding when two bores cross in plan less than within_m of drilled length from either entry."""
    feet = [shapely.LineString(p.xyz[: int(np.searchsorted(p.station, within_m)) + 1, :2]) for p in (a, b)]
    whole = [shapely.LineString(p.xyz[:, :2]) for p in (a, b)]
    for foot, other in zip(feet, reversed(whole), strict=True):
        if shapely.intersects(foot, other):
            at = shapely.line_locate_point(foot, shapely.centroid(shapely.intersection(foot, other)))
            return [
                Finding(
                    severity="error",
                    code="crossed-near-pad",
                    layout_id=a.layout_id,
                    bore_id=a.bore_id,
                    message=f"crosses {b.bore_id} in plan {at:.1f} m from the pad, inside the first three rods",
                    remedy="swap the two entries",
                    measured=float(at),
                    limit=within_m,
                    outcome="fail",
                )
            ]
    return []


def _tube(path: Path, plan_m: float, share: float, rod_m: float) -> _Tube:
    depth = np.nan_to_num(path.depth)
    ramp = 0.5 + 0.5 * np.minimum(path.station / (3 * rod_m), 1.0)
    tube = plan_m + share * np.maximum(depth, 0.0) + path.radius_m
    return _Tube(path, np.nan_to_num(path.xyz), tube, ramp, level_run(path), path.station >= _FREE_M)


def level_run(path: Path) -> NDArray[np.bool_]:
    """(m,) samples on the level run."""
    depth = path.depth
    if path.flat or not np.isfinite(depth).any():
        return np.zeros(len(depth), dtype=bool)
    told = number_in(path.columns, "level_length_m")
    if told is None:
        return np.asarray(depth >= np.nanmax(depth) - _LEVEL_BAND_M)
    if told <= 0:
        return np.zeros(len(depth), dtype=bool)
    weight = np.gradient(path.station)
    deepest_first = np.argsort(-np.nan_to_num(depth, nan=-np.inf), kind="stable")
    reached = np.cumsum(weight[deepest_first])
    last = deepest_first[min(int(np.searchsorted(reached, told)), len(depth) - 1)]
    return np.asarray(depth >= depth[last])


def _pair(a: _Tube, b: _Tube, spacing_m: float | None) -> list[Finding]:
    found = []
    flat = a.path.flat or b.path.flat
    clash = _closest(a, b, a.free, b.free, None)
    if clash is not None:
        found.append(_finding("too-close", "tolerance tubes and holes overlap", a, b, clash, doubt=flat))
    if spacing_m is not None:
        clash = _closest(a, b, a.level, b.level, spacing_m * (1 - _SPACING_SLACK))
        if clash is not None:
            found.append(_finding("spacing", "level runs lie closer than the wanted spacing", a, b, clash, doubt=flat))
    return found


def _closest(
    a: _Tube, b: _Tube, use_a: NDArray[np.bool_], use_b: NDArray[np.bool_], needed_m: float | None
) -> _Clash | None:
    """The worst shortfall between two sets of samples: coarse first, then every sample where it may matter."""
    i, j = np.flatnonzero(use_a), np.flatnonzero(use_b)
    if not len(i) or not len(j):
        return None
    most = needed_m if needed_m is not None else float(a.tube_m[i].max() + b.tube_m[j].max())
    rough_i, rough_j = np.arange(0, len(a.xyz), _COARSE), np.arange(0, len(b.xyz), _COARSE)
    close = _distance(a.xyz[rough_i], b.xyz[rough_j], flat=a.path.flat or b.path.flat) < most + 2 * _COARSE * 0.25
    i = _around(i, rough_i[close.any(axis=1)])
    j = _around(j, rough_j[close.any(axis=0)])
    if not len(i) or not len(j):
        return None
    apart = _distance(a.xyz[i], b.xyz[j], flat=a.path.flat or b.path.flat)
    needed = _needed(a, b, i, j) if needed_m is None else np.full(apart.shape, needed_m)
    p, q = np.unravel_index(int(np.argmax(needed - apart)), apart.shape)
    short = float(needed[p, q] - apart[p, q])
    if short <= _SLACK_M:
        return None
    return _Clash(
        short, float(apart[p, q]), float(needed[p, q]), float(a.path.station[i[p]]), float(b.path.station[j[q]])
    )


def _needed(a: _Tube, b: _Tube, i: NDArray[np.intp], j: NDArray[np.intp]) -> NDArray[np.float64]:
    """Both tubes and radii, ramped."""
    return np.asarray(
        np.minimum(a.ramp[i][:, None], b.ramp[j][None, :]) * (a.tube_m[i][:, None] + b.tube_m[j][None, :])
    )


def _around(index: NDArray[np.intp], kept: NDArray[np.intp]) -> NDArray[np.intp]:
    """Members of `index` within one coarse step of a kept one."""
    if not len(kept):
        return kept
    nearest = kept[np.clip(np.searchsorted(kept, index), 0, len(kept) - 1)]
    before = kept[np.clip(np.searchsorted(kept, index) - 1, 0, len(kept) - 1)]
    return np.asarray(index[np.minimum(np.abs(nearest - index), np.abs(before - index)) <= _COARSE])


def _distance(a: NDArray[np.float64], b: NDArray[np.float64], *, flat: bool) -> NDArray[np.float64]:
    """(n, m) distances, in plan when one of the two has no z."""
    axes = 2 if flat else 3
    total = np.zeros((len(a), len(b)))
    for axis in range(axes):
        total += (a[:, None, axis] - b[None, :, axis]) ** 2
    return np.asarray(np.sqrt(total))


def _finding(code: str, what: str, a: _Tube, b: _Tube, clash: _Clash, *, doubt: bool) -> Finding:
    return Finding(
        severity="warning" if doubt else "error",
        code=code,
        outcome="unverified" if doubt else "fail",
        where="bores",
        message=f"{what}: {clash.apart_m:.2f} m at station {clash.first_m:.1f} m, from {b.path.bore_id} at its station "
        f"{clash.second_m:.1f} m, needed {clash.needed_m:.2f} m" + (" (plan distance, depth unknown)" if doubt else ""),
        bore_id=a.path.bore_id,
        layout_id=a.path.layout_id,
        station_m=clash.first_m,
        measured=clash.apart_m,
        limit=clash.needed_m,
    )
