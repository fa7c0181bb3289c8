"""The audit's rows: every bore against every rule and feature, every pad, and what nobody supplied."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.rules import audit_modes as modes
from loopgis.rules.audit_modes import RANKS, Thing, Verdict
from loopgis.rules.audit_path import MAX_REACH_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.rules.audit_path import Path
    from loopgis.rules.audit_rules import AuditFile, AuditRule

Row = dict[str, Any]
_NEVER_MISSING = frozenset({"property_line", "ground"})


@dataclass(frozen=True, eq=False)
class Case:
    """All that rows are made of. lot: the parcel; pads: (layout_id, polygon); supplied: kinds somebody gave a layer for."""

    lot: Any
    lot_id: str
    things: tuple[Thing, ...]
    paths: tuple[Path, ...]
    pads: tuple[tuple[str, Any], ...]
    supplied: frozenset[str]
    files: tuple[AuditFile, ...]
    layouts: tuple[str, ...]
    cache: dict[Any, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Plan:
    """Least plan distance of every bore to one feature and the drilled station where it is reached."""

    distance_m: NDArray[np.float64]
    station_m: NDArray[np.float64]


def all_rows(case: Case) -> list[Row]:
    """Rows of bores, then of pads, then of missing layers, sorted by layout and bore."""
    rows: list[Row] = []
    for file in case.files:
        for rule in file.rules:
            if rule.bore:
                rows += _bore_rows(case, file, rule)
                rows += _missing_rows(case, rule) if file.covers else []
            if rule.pit and rule.mode != "ruling" and file.covers:
                rows += _pad_rows(case, file, rule)
    order = {name: i for i, name in enumerate(case.layouts)}
    return sorted(rows, key=lambda r: (order.get(r["layout_id"], len(order)), r["bore_id"]))


def _row(
    layout_id: str, bore_id: str, rule: AuditRule, feature: tuple[str, str], verdict: Verdict, tolerance_m: float
) -> Row:
    margin = None if verdict.provided is None else verdict.margin
    return {
        "layout_id": layout_id,
        "bore_id": bore_id,
        "rule_id": rule.key,
        "feature_id": feature[0],
        "kind": feature[1],
        "mode": rule.mode,
        "basis": verdict.basis,
        "required_m": verdict.required,
        "provided_m": verdict.provided,
        "margin_m": margin,
        "tolerance_m": tolerance_m,
        "outcome": RANKS[verdict.rank],
        "station_m": verdict.station_m,
        "least_m": verdict.provided if verdict.least is None else verdict.least,
        "grain_m": verdict.grain,
        "unit": verdict.unit,
        "remark": verdict.remark,
        "citation": rule.citation,
    }


def applies(rule: AuditRule, thing: Thing) -> bool:
    """The rule names the feature's kind and its filter, if any, lets the feature's columns through."""
    if thing.kind not in rule.kinds:
        return False
    return all((thing.columns.get(c, "") or "unknown").lower() in wanted for c, wanted in rule.keep.items())


def _bore_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    rows: list[Row] = []
    if rule.max_depth_m is not None:
        rows += [_finish(p, file, rule, ("", "ground"), _depth_verdict(p, file, rule), 0.0) for p in case.paths]
    if "property_line" in rule.kinds:
        rows += _lot_rows(case, file, rule)
    for thing in case.things:
        if applies(rule, thing):
            rows += _thing_rows(case, file, rule, thing)
    return rows


def _finish(
    path: Path, file: AuditFile, rule: AuditRule, feature: tuple[str, str], verdict: Verdict, tolerance_m: float
) -> Row:
    """Apply the file's depth trigger and its certainty, and make the row."""
    row = _row(path.layout_id, path.bore_id, rule, feature, verdict, tolerance_m)
    known = path.surveyed_ground and bool(path.sure.all())
    if not file.covers:
        return row | {"outcome": "not_applicable", "remark": "this authority's rules are not about steered bores"}
    if known and not file.trips(path.greatest_depth_m):
        return row | {"outcome": "not_applicable", "remark": "the bore is not deep enough for this authority's rules"}
    if file.assumed and row["outcome"] == "pass":
        return row | {"outcome": "ruling_needed", "remark": "whether these rules cover such bores is assumed"}
    return row


def _thing_rows(case: Case, file: AuditFile, rule: AuditRule, thing: Thing) -> list[Row]:
    tolerance = modes.feature_tolerance_m(file.plan_m, thing) + file.bore_plan_m
    share = file.bore_share if rule.mode == "never" else 0.0
    plan = _plan(case, thing, share)
    rows = []
    for i, path in enumerate(case.paths):
        verdict = _verdict(
            case, file, rule, thing, path, float(plan.distance_m[i]), float(plan.station_m[i]), tolerance
        )
        rows.append(_finish(path, file, rule, (thing.feature_id, thing.kind), verdict, tolerance))
    return rows


def _verdict(
    case: Case,
    file: AuditFile,
    rule: AuditRule,
    thing: Thing,
    path: Path,
    distance_m: float,
    station_m: float,
    tolerance_m: float,
) -> Verdict:
    width = rule.plan_m + tolerance_m
    clear = Verdict(rank=modes.PASS, basis="plan", required=rule.plan_m, provided=distance_m, station_m=station_m)
    if rule.mode == "never":
        verdict = replace(clear, rank=modes.plan_rank(distance_m, rule.plan_m, width))
        return _unless_reach(path, thing, verdict, rule.plan_m, width)
    if distance_m > 0 and distance_m >= width - modes.PLAN_SLACK_M:
        return clear
    if rule.mode == "ruling":
        return replace(clear, rank=modes.RULING)
    distances = _station_distances(case, thing, path)
    near = modes.near_stations(distances, rule.plan_m, width)
    if not len(near.index):
        return clear
    if rule.mode in ("under_with_cover", "owner_consent"):
        return modes.cover_verdict(path, near, rule, thing, file)
    found = [modes.gap_verdict(path, near, rule, thing, file)]
    if rule.mode == "perpendicular":
        found += modes.perpendicular_verdicts(path, distances, rule, thing)
    return modes.worst(found)


def _unless_reach(path: Path, thing: Thing, verdict: Verdict, plan_m: float, width_m: float) -> Verdict:
    """A 2-D line's reach is unknown, 0 to 5 m: unverified when that decides."""
    if not path.flat or verdict.rank == modes.FAIL:
        return verdict
    longest = float(thing.distance(path.prolonged(MAX_REACH_M)[0]))
    if modes.plan_rank(longest, plan_m, width_m) == verdict.rank:
        return verdict
    return replace(verdict, rank=modes.UNVERIFIED, remark="depth is not known, so neither is the exit's error")


def _plan(case: Case, thing: Thing, share: float) -> _Plan:
    """Distances of all bores' reaches (share 0: axes) to a feature, measured once per share."""
    key = ("plan", id(thing), share)
    if key not in case.cache:
        lines = _reaches(case, share)
        each = [np.maximum(shapely.distance(lines, part) - half, 0.0) for part, half in thing.parts]
        nearest = np.argmin(each, axis=0)
        parts = np.array([part for part, _ in thing.parts], dtype=object)[nearest]
        case.cache[key] = _Plan(np.min(each, axis=0), _stations(case, lines, parts))
    plan: _Plan = case.cache[key]
    return plan


def _stations(case: Case, lines: NDArray[Any], targets: Any) -> NDArray[np.float64]:  # noqa: ANN401
    """Drilled station of the point of every line that is nearest to its target."""
    closest = shapely.get_point(shapely.shortest_line(lines, targets), 0)
    along = shapely.line_locate_point(lines, closest)
    return np.array([p.drilled_from_plan(float(s)) for p, s in zip(case.paths, along, strict=True)])


def _reaches(case: Case, share: float) -> NDArray[Any]:
    key = ("reach", share)
    if key not in case.cache:
        lines = np.empty(len(case.paths), dtype=object)
        lines[:] = [path.reach(share)[0] if share else path.line for path in case.paths]
        case.cache[key] = lines
    found: NDArray[Any] = case.cache[key]
    return found


def _station_distances(case: Case, thing: Thing, path: Path) -> NDArray[np.float64]:
    key = ("stations", id(thing), id(path))
    if key not in case.cache:
        case.cache[key] = thing.distance(path.points)
    found: NDArray[np.float64] = case.cache[key]
    return found


def outside_distance(lot: Any, shapes: NDArray[Any]) -> NDArray[np.float64]:  # noqa: ANN401
    """Distance from shapes to everything that is not the lot; negative by how far they stick out of it."""
    inside = shapely.covers(lot, shapes)
    room = shapely.distance(shapes, lot.boundary)
    out = np.array([0.0 if ok else _excursion(lot, shape) for ok, shape in zip(inside, shapes, strict=True)])
    return np.where(inside, room, out)


def _excursion(lot: Any, shape: Any) -> float:  # noqa: ANN401
    """Minus the farthest that a shape lies outside the lot; holes count as outside, measured to the lot's edge."""
    beyond = shapely.segmentize(shapely.difference(shape, lot), 0.25)
    return -float(np.max(shapely.distance(shapely.points(shapely.get_coordinates(beyond)), lot), initial=0.0))


def _lot_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    """Rows for the lot's own boundary: measured with the reach, crossing it fails whatever the mode."""
    lines = _reaches(case, file.bore_share)
    distance = outside_distance(case.lot, lines)
    station = _stations(case, lines, case.lot.boundary)
    width = rule.plan_m + file.bore_plan_m
    rows = []
    for i, path in enumerate(case.paths):
        d = float(distance[i])
        rank = modes.plan_rank(d, rule.plan_m, width)
        if rule.mode == "ruling" and 0 < d < width - modes.PLAN_SLACK_M:
            rank = modes.RULING
        verdict = Verdict(rank=rank, basis="plan", required=rule.plan_m, provided=d, station_m=float(station[i]))
        if path.flat and rank != modes.FAIL:
            longest = float(outside_distance(case.lot, np.array([path.prolonged(MAX_REACH_M)[0]], dtype=object))[0])
            if modes.plan_rank(longest, rule.plan_m, width) != rank:
                verdict = replace(
                    verdict, rank=modes.UNVERIFIED, remark="depth is not known, so neither is the exit's error"
                )
        rows.append(_finish(path, file, rule, (case.lot_id, "property_line"), verdict, file.bore_plan_m))
    return rows


def _depth_verdict(path: Path, file: AuditFile, rule: AuditRule) -> Verdict:
    """A rule's own greatest depth (`max_depth`): deeper fails, within the depth tolerance is thin."""
    limit, depth = float(rule.max_depth_m or 0.0), path.greatest_depth_m
    known = bool(np.isfinite(path.depth).any())
    rank = modes.FAIL if depth > limit + modes.DEPTH_SLACK_M else modes.PASS
    if rank == modes.PASS and depth * (1 + file.bore_share) > limit + modes.DEPTH_SLACK_M:
        rank = modes.THIN
    if not bool(path.sure.all()):
        rank = max(rank, modes.UNVERIFIED) if known else modes.UNVERIFIED
    station = float(path.station[int(np.nanargmax(path.depth))]) if known else None
    return Verdict(rank=rank, basis="depth", required=limit, provided=depth if known else None, station_m=station)


def _missing_rows(case: Case, rule: AuditRule) -> list[Row]:
    """One row per layout for every kind the rule names that nobody supplied."""
    seen = {thing.kind for thing in case.things} | case.supplied | _NEVER_MISSING
    verdict = Verdict(
        rank=modes.UNVERIFIED,
        basis="missing",
        required=rule.plan_m,
        provided=None,
        station_m=None,
        remark="no layer was supplied",
    )
    return [
        _row(layout, "", rule, ("", kind), verdict, 0.0)
        for kind in rule.kinds
        if kind not in seen
        for layout in case.layouts
    ]


def _pad_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    rows = []
    for layout, pad in case.pads:
        near = [
            (t.feature_id, t.kind, float(t.distance(pad)), modes.feature_tolerance_m(file.plan_m, t))
            for t in case.things
            if applies(rule, t)
        ]
        if "property_line" in rule.kinds:
            room = float(outside_distance(case.lot, np.array([pad], dtype=object))[0])
            near.append((case.lot_id, "property_line", room, 0.0))
        for feature_id, kind, distance, tolerance in near:
            rank = modes.plan_rank(distance, rule.plan_m, rule.plan_m + tolerance)
            verdict = Verdict(rank=rank, basis="pad", required=rule.plan_m, provided=distance, station_m=None)
            rows.append(_row(layout, "", rule, (feature_id, kind), verdict, tolerance))
    return rows


def number_in(columns: dict[str, Any], name: str) -> float | None:
    """A column's value as a finite float, None when it is absent, null or not a number."""
    try:
        value = float(columns[name])
    except (KeyError, TypeError, ValueError):
        return None
    return value if np.isfinite(value) else None
