"""What a crossing mode makes of the stations near a feature: DEVELOPERS.md, "What a rule means", table of modes.

Every function judges one bore, one rule and one feature and gives the worst `Verdict` along the bore.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.rules.audit_path import SAMPLE_M, angle_between
from loopgis.rules.audit_rules import QUALITIES, kinds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.rules.audit_path import Path
    from loopgis.rules.audit_rules import AuditFile, AuditRule

RANKS = ("pass", "pass_thin", "consent_needed", "unverified", "ruling_needed", "fail")
PASS, THIN, CONSENT, UNVERIFIED, RULING, FAIL = range(6)
PLAN_SLACK_M = 0.002
"""Two projections and the writing of coordinates differ by less than this."""
DEPTH_SLACK_M = 0.005
"""Two bilinear readings of one raster and interpolation between vertices differ by less than this."""
ANGLE_SLACK_DEG = 0.1
GRAIN_M = 0.5


@dataclass(frozen=True, eq=False)
class Thing:
    """A feature as the audit sees it. parts: (geometry in the frame, half width added to it); lines: its own line or None.

    columns: its words; figures: what is known of its yield, sewage flow and voltage, by column.
    """

    feature_id: str
    kind: str
    parts: tuple[tuple[Any, float], ...]
    lines: Any
    quality: str
    depth_m: float | None
    half_width_m: float
    columns: dict[str, str]
    figures: dict[str, float] = field(default_factory=dict)

    @property
    def drawn_half_m(self) -> float:
        """Half its width where it is drawn as line or point; 0 of an outline, whose width is drawn."""
        return max(half for _, half in self.parts)

    @property
    def assumed_depth_m(self) -> float:
        """Its depth, or the larger end of what is assumed for its kind."""
        return kinds()[self.kind].deepest_m if self.depth_m is None else self.depth_m

    def widened(self, *, bare: bool) -> tuple[tuple[Any, float], ...]:
        """Its parts; bare: points and lines as drawn, without the half width."""
        return tuple((part, 0.0 if bare else half) for part, half in self.parts)

    def distance(self, shapes: Any, *, bare: bool = False) -> NDArray[np.float64]:  # noqa: ANN401 -- shapely is untyped
        """Plan distance from geometries to the feature's edge (bare: to its axis or point), 0 inside."""
        each = [np.maximum(shapely.distance(shapes, part) - half, 0.0) for part, half in self.widened(bare=bare)]
        return np.asarray(np.min(each, axis=0), dtype=float)


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Outcome (an index into RANKS) with the figures that decided it; provided is None when nothing could be measured.

    least: the least figure at any station near the feature, whatever its outcome; grain: by how much the figure changes over
    one interval of vertices there, which is what two samplings of the same bore may differ by.
    """

    rank: int
    basis: str
    required: float
    provided: float | None
    station_m: float | None
    unit: str = "m"
    remark: str = ""
    least: float | None = None
    grain: float = 0.0

    @property
    def margin(self) -> float:
        """Provided minus required (for a greatest depth or number: the reverse); infinite when nothing could be measured."""
        if self.provided is None:
            return float("inf")
        return (self.required - self.provided) if self.basis in ("depth", "count") else self.provided - self.required


@dataclass(frozen=True, eq=False)
class Near:
    """Stations of a bore nearer to a feature than W. index: samples; tight: True where nearer than plan_distance."""

    index: NDArray[np.intp]
    tight: NDArray[np.bool_]


def plan_rank(distance_m: float, plan_m: float, width_m: float) -> int:
    """Mode `never`: inside or nearer than plan_m fails, nearer than width_m is thin."""
    if distance_m <= 0 or distance_m < plan_m - PLAN_SLACK_M:
        return FAIL
    return THIN if distance_m < width_m - PLAN_SLACK_M else PASS


def not_kept(on_fail: str) -> int:
    """What a rule on the job makes of a job that does not keep it."""
    return {"deny": FAIL, "consent": CONSENT}.get(on_fail, RULING)


def near_stations(distance_m: NDArray[np.float64], plan_m: float, width_m: float) -> Near:
    """Samples nearer than width_m; the inside of a feature (distance 0) always counts as nearer than plan_m."""
    index = np.flatnonzero((distance_m <= 0) | (distance_m < width_m - PLAN_SLACK_M))
    d = distance_m[index]
    return Near(index, (d <= 0) | (d < plan_m - PLAN_SLACK_M))


def worst(verdicts: list[Verdict]) -> Verdict:
    """Highest rank; among those the least margin."""
    return min(verdicts, key=lambda v: (-v.rank, v.margin))


def _pick(
    path: Path,
    near: Near,
    rank: NDArray[np.int_],
    required: NDArray[np.float64],
    provided: NDArray[np.float64],
    basis: str,
) -> Verdict:
    """The deciding station of a basis."""
    margin = np.where(np.isfinite(provided), provided - required, np.inf)
    top = np.flatnonzero(rank == rank.max())
    i = int(top[np.argmin(margin[top])])
    station = float(path.station[near.index[i]])
    if not np.isfinite(provided[i]):
        return Verdict(
            rank=int(rank[i]),
            basis=basis,
            required=float(required[i]),
            provided=None,
            station_m=station,
            remark="depth is not known",
        )
    around = np.abs(path.station - station) <= GRAIN_M
    return Verdict(
        rank=int(rank[i]),
        basis=basis,
        required=float(required[i]),
        provided=float(provided[i]),
        station_m=station,
        least=float(np.nanmin(provided)),
        grain=float(np.ptp(path.depth[around]) / 2),
    )


def _ranks(short: NDArray[np.bool_], thin: NDArray[np.bool_], near: Near, good: int) -> NDArray[np.int_]:
    """Short of what is asked: fail (thin in the outer ring); thin by the tolerances; else `good` (pass or worse)."""
    fine = np.where(thin, max(THIN, good), good)
    fine = np.where(thin & ~near.tight, THIN, fine)
    return np.asarray(np.where(short, np.where(near.tight, FAIL, THIN), fine), dtype=int)


def _with_doubt(path: Path, near: Near, rank: NDArray[np.int_]) -> NDArray[np.int_]:
    """Nothing better than unverified where the ground is a guess; unverified where the depth is unknown."""
    unsure = ~path.sure[near.index]
    unknown = ~np.isfinite(path.depth[near.index])
    return np.where(unknown, UNVERIFIED, np.where(unsure, np.maximum(rank, UNVERIFIED), rank))


def base_depth_m(rule: AuditRule, thing: Thing) -> float:
    """What `min_cover.below` adds to the cover."""
    if rule.base == "surface":
        return 0.0
    if rule.base == "feature_depth":
        return thing.assumed_depth_m
    named = thing.columns.get("foundation", "").lower()
    table = rule.foundation_m
    return table.get(named, table.get("unknown", max(thing.assumed_depth_m, *table.values(), 0.0)))


def cover_verdict(path: Path, near: Near, rule: AuditRule, thing: Thing, file: AuditFile, *, base: str = "") -> Verdict:
    """Cover over the reamed hole at the stations near the feature; base="surface" overrides the rule's own."""
    asked = (rule.cover_m or 0.0) + (0.0 if base == "surface" else base_depth_m(rule, thing))
    depth = path.depth[near.index]
    cover = depth - path.radius_m
    good = CONSENT if rule.consent else PASS
    if thing.depth_m is None and rule.base == "feature_depth" and not base:
        good = UNVERIFIED
    short = cover < asked - DEPTH_SLACK_M
    rank = _ranks(short, cover - file.bore_share * depth < asked - DEPTH_SLACK_M, near, good)
    return _pick(path, near, _with_doubt(path, near, rank), np.full(len(cover), asked), cover, "cover")


def gaps(path: Path, index: NDArray[np.intp], thing: Thing) -> NDArray[np.float64]:
    """Clear height between reamed hole and feature at samples, negative when they overlap."""
    z, half = path.xyz[index, 2], thing.drawn_half_m
    centre = path.ground[index] - thing.assumed_depth_m
    below = (centre - half) - (z + path.radius_m)
    above = (z - path.radius_m) - (centre + half)
    return np.asarray(np.where(z < centre, below, above))


def gap_verdict(path: Path, near: Near, rule: AuditRule, thing: Thing, file: AuditFile) -> Verdict:
    """Clear gap over or under the feature, and cover when the rule asks it besides."""
    gap, depth = gaps(path, near.index, thing), path.depth[near.index]
    poor = bool(rule.min_quality) and QUALITIES.index(thing.quality) > QUALITIES.index(rule.min_quality)
    vague = thing.depth_m is None or poor or (thing.quality in file.vert_unknown and kinds()[thing.kind].buried)
    slack = feature_tolerance_m(file.vert_m, thing) + file.bore_share * depth
    rank = _ranks(
        gap < rule.clear_m - DEPTH_SLACK_M,
        gap - slack < rule.clear_m - DEPTH_SLACK_M,
        near,
        UNVERIFIED if vague else PASS,
    )
    found = [_pick(path, near, _with_doubt(path, near, rank), np.full(len(gap), rule.clear_m), gap, "gap")]
    if rule.cover_m is not None:
        found.append(cover_verdict(path, near, rule, thing, file, base="surface"))
    return worst(found)


def feature_tolerance_m(table: dict[str, float], thing: Thing) -> float:
    """A buried feature's tolerance by its quality, otherwise 0."""
    return table[thing.quality] if kinds()[thing.kind].buried else 0.0


def perpendicular_verdicts(path: Path, distance_m: NDArray[np.float64], rule: AuditRule, thing: Thing) -> list[Verdict]:
    """Crossings that are too flat, and stretches that run alongside the feature's line; only what is wrong."""
    if thing.lines is None:
        return []
    station, angle = crossings(path, thing.lines)
    found = []
    if rule.angle_deg is not None and len(angle):
        flattest = int(np.argmin(angle))
        if angle[flattest] < rule.angle_deg - ANGLE_SLACK_DEG:
            found.append(
                Verdict(
                    rank=FAIL,
                    basis="angle",
                    required=rule.angle_deg,
                    provided=float(angle[flattest]),
                    station_m=float(station[flattest]),
                    unit="deg",
                )
            )
    return found + _alongside(path, distance_m, rule, thing, station)


def _alongside(
    path: Path, distance_m: NDArray[np.float64], rule: AuditRule, thing: Thing, crossed: NDArray[np.float64]
) -> list[Verdict]:
    inside = (distance_m <= 0) | (distance_m < rule.plan_m - PLAN_SLACK_M)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    found = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        low, high = path.station[first] - SAMPLE_M, path.station[after - 1] + SAMPLE_M
        if bool(np.any((crossed >= low) & (crossed <= high))):
            continue
        near = Near(np.arange(first, after), np.ones(after - first, dtype=bool))
        gap = gaps(path, near.index, thing)
        rank = np.where(gap < rule.plan_m - DEPTH_SLACK_M, FAIL, PASS)
        asked = np.full(len(gap), rule.plan_m)
        verdict = _pick(path, near, _with_doubt(path, near, rank), asked, gap, "alongside")
        found.append(replace(verdict, remark=verdict.remark or "runs alongside"))
    return [v for v in found if v.rank > PASS]


def crossings(path: Path, lines: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # noqa: ANN401
    """Drilled stations and angles (0..90 degrees) at which the axis meets a line feature in plan.

    The axis' direction at a crossing is blended between the mean directions at the chord's two vertices, which is right
    to second order on an arc.
    """
    station: list[NDArray[np.float64]] = [np.zeros(0)]
    angle: list[NDArray[np.float64]] = [np.zeros(0)]
    a, heading = path.vertices[:, :2], _vertex_headings(path.vertices[:, :2])
    for part in shapely.get_parts(lines):
        c = shapely.get_coordinates(part)
        i, t, j = _meetings(a, c)
        way = heading[i] * (1 - t[:, None]) + heading[i + 1] * t[:, None]
        station.append(path.drilled[i] + t * np.diff(path.drilled)[i])
        angle.append(_acute_deg(way, (c[1:] - c[:-1])[j]))
    return np.concatenate(station), np.concatenate(angle)


def _meetings(
    a: NDArray[np.float64], c: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.intp]]:
    """Chords i of polyline a that meet chords j of polyline c, and the share t along chord i. Overlaps count at t = 0."""
    u, v = np.diff(a, axis=0)[:, None, :], np.diff(c, axis=0)[None, :, :]
    w = c[None, :-1, :] - a[:-1, None, :]
    cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    size = np.hypot(u[..., 0], u[..., 1]) * np.hypot(v[..., 0], v[..., 1])
    parallel = np.abs(cross) <= 1e-9 * size
    safe = np.where(parallel, 1.0, cross)
    t = (w[..., 0] * v[..., 1] - w[..., 1] * v[..., 0]) / safe
    q = (w[..., 0] * u[..., 1] - w[..., 1] * u[..., 0]) / safe
    eps = 1e-9
    met = ~parallel & (t >= -eps) & (t <= 1 + eps) & (q >= -eps) & (q <= 1 + eps)
    i, j = np.nonzero(met)
    share = np.clip(t[i, j], 0.0, 1.0)
    oi, oj = np.nonzero(parallel)
    if len(oi):
        apart = shapely.distance(
            shapely.linestrings(np.stack([a[oi], a[oi + 1]], 1)), shapely.linestrings(np.stack([c[oj], c[oj + 1]], 1))
        )
        oi, oj = oi[apart < 1e-6], oj[apart < 1e-6]
    return np.concatenate([i, oi]), np.concatenate([share, np.zeros(len(oi))]), np.concatenate([j, oj])


def _vertex_headings(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 2) unit directions at vertices: the mean of the two chords, carried on to the ends by half the last turn."""
    way = np.diff(xy, axis=0)
    size = np.hypot(way[:, 0], way[:, 1])
    unit = way / np.where(size > 0, size, 1.0)[:, None]
    if len(unit) == 1:
        return np.vstack([unit, unit])
    middle = (unit[1:] + unit[:-1]) / 2
    return np.vstack([2 * unit[0] - middle[0], middle, 2 * unit[-1] - middle[-1]])


def _acute_deg(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    flat = np.zeros((len(a), 1))
    angle = np.degrees(angle_between(np.hstack([a, flat]), np.hstack([b, flat])))
    return np.asarray(np.minimum(angle, 180 - angle))
