"""The audit's rows: every bore against every rule and feature, every pad, and what nobody supplied."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.rules import audit_modes as modes
from loopgis.rules.audit_modes import RANKS, Thing, Verdict
from loopgis.rules.audit_path import MAX_REACH_M
from loopgis.rules.audit_rules import words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.rules.audit_path import Path
    from loopgis.rules.audit_rules import AuditFile, AuditRule, Ease, Range

Row = dict[str, Any]
_TOUCH_M = 1e-6
"""A point that the axis meets is nearer to it than this, after two projections."""
_NEVER_MISSING = frozenset({"property_line", "ground"})


@dataclass(frozen=True, eq=False)
class Case:
    """All that rows are made of. lot: the parcel; pads: (layout_id, polygon); supplied: kinds somebody gave a layer for.

    fluid: the layouts' fluid without its strength, "" when unknown; bores: how many the file holds of each layout.
    """

    lot: Any
    lot_id: str
    things: tuple[Thing, ...]
    paths: tuple[Path, ...]
    pads: tuple[tuple[str, Any], ...]
    supplied: frozenset[str]
    files: tuple[AuditFile, ...]
    layouts: tuple[str, ...]
    fluid: str = ""
    bores: dict[str, int] = field(default_factory=dict)
    cache: dict[Any, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Plan:
    """Least plan distance of every bore to one feature and the drilled station where it is reached."""

    distance_m: NDArray[np.float64]
    station_m: NDArray[np.float64]


def all_rows(case: Case) -> list[Row]:
    """Rows of bores, pads, the job and missing layers, sorted by layout and bore."""
    rows: list[Row] = []
    for file in case.files:
        for rule in file.rules:
            if rule.bore:
                rows += _bore_rows(case, file, rule)
                rows += _missing_rows(case, file, rule) if file.covers else []
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
    """The rule names the feature's kind, and filter and range, if any, let its words and its known figures through."""
    if thing.kind not in rule.kinds or not all(
        r.holds(thing.figures.get(r.column, np.nan)) for r in _told(rule, thing)
    ):
        return False
    return _says(thing.columns, rule.keep)


def _told(rule: AuditRule, thing: Thing) -> list[Range]:
    """The rule's ranges whose figure the feature gives."""
    return [r for r in rule.ranges if r.column in thing.figures]


def _says(columns: dict[str, str], wanted: dict[str, tuple[str, ...]]) -> bool:
    """Every column asked holds one of the words; an empty one is unknown, and so is a word that its list does not have."""
    for column, allowed in wanted.items():
        word = columns.get(column, "").lower() or "unknown"
        if (word if word in words().get(column, (word,)) else "unknown") not in allowed:
            return False
    return True


def _eased(case: Case, rule: AuditRule, columns: dict[str, str], layout: str) -> AuditRule:
    """The rule for one layout and feature: the free eases that hold have shortened it, those that need something are left."""
    if not rule.eases:
        return rule
    holding = [e for e in rule.eases if _holds(case, e, columns, layout)]
    free = [e.plan_m for e in holding if not e.needs]
    return replace(rule, plan_m=min(free, default=rule.plan_m), eases=tuple(e for e in holding if e.needs))


def _holds(case: Case, ease: Ease, columns: dict[str, str], layout: str) -> bool:
    if ease.fluids is not None and (not case.fluid or case.fluid not in ease.fluids):
        return False
    if ease.bores_up_to is not None and case.bores.get(layout, 0) > ease.bores_up_to:
        return False
    return _says(columns, ease.keep)


def _ask(verdict: Verdict, rule: AuditRule) -> Verdict:
    """A fail that eased distances would allow becomes the question for one; of several the worst outcome counts, as everywhere."""
    room = verdict.provided or 0.0
    asked = [
        replace(
            verdict,
            rank=modes.CONSENT if ease.needs == "consent" else modes.RULING,
            remark=f"with {ease.needs.replace('_', ' ')} {ease.plan_m:.2f} m would do: ask for it",
        )
        for ease in (rule.eases if verdict.rank == modes.FAIL else ())
        if ease.needs and modes.plan_rank(room, ease.plan_m, ease.plan_m) == modes.PASS
    ]
    return max(asked, key=lambda v: v.rank, default=verdict)


def _doubted(verdict: Verdict, rule: AuditRule, thing: Thing) -> Verdict:
    """What an unknown figure of the feature makes of a fault: it may lie outside the rule's range."""
    unknown = [r.name for r in rule.ranges if r.column not in thing.figures]
    if not unknown or verdict.rank not in (modes.FAIL, modes.THIN):
        return verdict
    return replace(verdict, rank=modes.UNVERIFIED, remark=f"{' and '.join(unknown)} is not known")


def _bore_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    rows: list[Row] = []
    if rule.job == "depth":
        rows += [_finish(case, p, file, rule, ("", "ground"), _depth_verdict(p, file, rule), 0.0) for p in case.paths]
    if rule.job in ("count", "fluid"):
        rows += _layout_rows(case, file, rule)
    if "property_line" in rule.kinds:
        rows += _lot_rows(case, file, rule)
    for thing in case.things:
        if applies(rule, thing):
            rows += _thing_rows(case, file, rule, thing)
    return rows


def _not_concerned(case: Case, file: AuditFile, path: Path) -> str:
    """Why a bore does not fall under a file, "" when it does or when its depth is not known."""
    if not file.covers:
        return "this authority's rules are not about steered bores"
    if not file.trips_count(case.bores.get(path.layout_id, 0)):
        return "the layout has not bores enough for this authority's rules"
    known = path.surveyed_ground and bool(path.sure.all())
    return (
        "the bore is not deep enough for this authority's rules"
        if known and not file.trips(path.greatest_depth_m)
        else ""
    )


def _assumed(row: Row, file: AuditFile) -> Row:
    if file.assumed and row["outcome"] in ("pass", "pass_thin"):
        return row | {"outcome": "ruling_needed", "remark": "whether these rules cover such bores is assumed"}
    return row


def _finish(
    case: Case,
    path: Path,
    file: AuditFile,
    rule: AuditRule,
    feature: tuple[str, str],
    verdict: Verdict,
    tolerance_m: float,
) -> Row:
    """Apply the file's triggers and its certainty, and make the row."""
    row = _row(path.layout_id, path.bore_id, rule, feature, verdict, tolerance_m)
    why = _not_concerned(case, file, path)
    return row | {"outcome": "not_applicable", "remark": why} if why else _assumed(row, file)


def _finish_layout(case: Case, file: AuditFile, row: Row) -> Row:
    """The same for a row of the layout: it does not apply when none of its bores falls under the file."""
    if all(_not_concerned(case, file, p) for p in case.paths if p.layout_id == row["layout_id"]):
        return row | {"outcome": "not_applicable", "remark": "none of its bores falls under this authority's rules"}
    return _assumed(row, file)


def _layout_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    """The rows of a rule on the job that speaks of the layout: its number of bores, its fluid."""
    rows = []
    for layout in case.layouts:
        verdict = _count_verdict(case, rule, layout) if rule.job == "count" else _fluid_verdict(case, rule)
        rows.append(_finish_layout(case, file, _row(layout, "", rule, ("", "ground"), verdict, 0.0)))
    return rows


def _count_verdict(case: Case, rule: AuditRule, layout: str) -> Verdict:
    bores = case.bores.get(layout, 0)
    return Verdict(
        rank=modes.PASS if bores <= rule.max_bores else modes.not_kept(rule.on_fail),
        basis="count",
        required=float(rule.max_bores),
        provided=float(bores),
        station_m=None,
        unit="bores",
    )


def _fluid_verdict(case: Case, rule: AuditRule) -> Verdict:
    kept = modes.PASS if case.fluid in rule.fluids else modes.not_kept(rule.on_fail)
    return Verdict(
        rank=kept if case.fluid else modes.UNVERIFIED,
        basis="fluid",
        required=0.0,
        provided=None,
        station_m=None,
        unit="",
        remark=f"{case.fluid or 'the fluid is not known'}; allowed: {', '.join(rule.fluids)}",
    )


def _thing_rows(case: Case, file: AuditFile, rule: AuditRule, thing: Thing) -> list[Row]:
    tolerance = modes.feature_tolerance_m(file.plan_m, thing) + file.bore_plan_m
    share = file.bore_share if rule.mode == "never" or rule.measure_from == "opening" else 0.0
    plan = _plan(case, thing, share, opening=rule.measure_from == "opening", bare=rule.measure_to == "feature_axis")
    rows = []
    for i, path in enumerate(case.paths):
        here = _eased(case, rule, thing.columns, path.layout_id)
        distance = float(plan.distance_m[i]) - _off_axis_m(rule, path)
        distance = distance if distance > _TOUCH_M else 0.0
        verdict = _verdict(case, file, here, thing, path, distance, float(plan.station_m[i]), tolerance)
        verdict = _doubted(_ask(verdict, here), rule, thing)
        rows.append(_finish(case, path, file, here, (thing.feature_id, thing.kind), verdict, tolerance))
    return rows


def _off_axis_m(rule: AuditRule, path: Path) -> float:
    """How much nearer than the axis the place is from which the rule measures."""
    return path.radius_m if rule.measure_from == "hole_edge" else 0.0


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
        return _unless_below(case, file, rule, thing, path, _unless_reach(path, rule, thing, verdict, width))
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


def _unless_reach(path: Path, rule: AuditRule, thing: Thing, verdict: Verdict, width_m: float) -> Verdict:
    """A 2-D line's reach is unknown, 0 to 5 m: unverified when that decides."""
    if not path.flat or verdict.rank == modes.FAIL:
        return verdict
    bare, off = rule.measure_to == "feature_axis", _off_axis_m(rule, path)
    far = max(float(thing.distance(_stub(path, MAX_REACH_M), bare=bare)) - off, 0.0)
    longest = min(far, verdict.provided or 0.0)
    if modes.plan_rank(longest, rule.plan_m, width_m) == verdict.rank:
        return verdict
    return replace(verdict, rank=modes.UNVERIFIED, remark="depth is not known, so neither is the exit's error")


def _unless_below(case: Case, file: AuditFile, rule: AuditRule, thing: Thing, path: Path, verdict: Verdict) -> Verdict:
    """A fail to the vertical projection is for the office when the hole passes below wherever it is too near."""
    if verdict.rank != modes.FAIL or rule.measure_to != "vertical_projection" or rule.measure_from == "opening":
        return verdict
    off = _off_axis_m(rule, path)
    distance = np.maximum(_station_distances(case, thing, path) - off, 0.0)
    near = modes.near_stations(distance, rule.plan_m, rule.plan_m).index
    tip = max(float(thing.distance(_stub(path, path.reach_m(file.bore_share)))) - off, 0.0)
    if not len(near) or modes.plan_rank(tip, rule.plan_m, rule.plan_m) == modes.FAIL or not path.sure[near].all():
        return verdict
    top, underside = path.depth[near] - path.radius_m, thing.assumed_depth_m + thing.drawn_half_m
    if not bool(np.all(top > underside - modes.DEPTH_SLACK_M)):
        return verdict
    return replace(verdict, rank=modes.RULING, remark="it passes below: whether the text means that is for the office")


def _stub(path: Path, by_m: float) -> Any:  # noqa: ANN401 -- shapely geometries are untyped
    """The exit, and the reach beyond it."""
    line, more = path.prolonged(by_m)
    ends = shapely.get_coordinates(line)
    return shapely.LineString(ends[-2:]) if more > 0 else shapely.Point(ends[-1])


def _plan(case: Case, thing: Thing, share: float, *, opening: bool, bare: bool) -> _Plan:
    """Distances of all bores' reaches (share 0: axes; opening: entry and exit only) to a feature, measured once of each."""
    key = ("plan", id(thing), share, opening, bare)
    if key not in case.cache:
        parts = thing.widened(bare=bare)
        lines = _stubs(case, share) if opening else _reaches(case, share)
        plan = _nearest(case, lines, parts, opening=opening)
        if opening:
            entry = np.min([np.maximum(shapely.distance(_entries(case), p) - half, 0.0) for p, half in parts], axis=0)
            first = entry <= plan.distance_m
            plan = _Plan(np.where(first, entry, plan.distance_m), np.where(first, 0.0, plan.station_m))
        case.cache[key] = plan
    found: _Plan = case.cache[key]
    return found


def _nearest(case: Case, lines: NDArray[Any], parts: tuple[tuple[Any, float], ...], *, opening: bool) -> _Plan:
    each = [np.maximum(shapely.distance(lines, part) - half, 0.0) for part, half in parts]
    which = np.argmin(each, axis=0)
    targets = np.array([part for part, _ in parts], dtype=object)[which]
    station = (
        np.array([p.length_m for p in case.paths]) + _along(lines, targets)
        if opening
        else _stations(case, lines, targets)
    )
    return _Plan(np.min(each, axis=0), station)


def _along(lines: NDArray[Any], targets: Any) -> NDArray[np.float64]:  # noqa: ANN401
    """Metres along each stub (0 for a bare point) to where it is nearest to its target."""
    closest = shapely.get_point(shapely.shortest_line(lines, targets), 0)
    along = np.asarray(shapely.line_locate_point(lines, closest), dtype=float)
    return np.where(np.isfinite(along), along, 0.0)


def _entries(case: Case) -> NDArray[Any]:
    return np.array([shapely.Point(p.vertices[0, :2]) for p in case.paths], dtype=object)


def _stubs(case: Case, share: float) -> NDArray[Any]:
    return np.array([_stub(p, p.reach_m(share)) for p in case.paths], dtype=object)


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
    """Rows for the lot's own boundary: measured with the reach, crossing it fails whatever the mode and the place measured."""
    room = _lot_plan(case, file, rule)
    rows = []
    for i, path in enumerate(case.paths):
        here = _eased(case, rule, {}, path.layout_id)
        width = here.plan_m + file.bore_plan_m
        d = float(room.distance_m[i]) - _off_axis_m(rule, path)
        rank = modes.plan_rank(d, here.plan_m, width)
        if here.mode == "ruling" and 0 < d < width - modes.PLAN_SLACK_M:
            rank = modes.RULING
        verdict = Verdict(rank=rank, basis="plan", required=here.plan_m, provided=d, station_m=float(room.station_m[i]))
        if path.flat and rank != modes.FAIL:
            longest = np.array([_stub(path, MAX_REACH_M)], dtype=object)
            far = min(d, float(outside_distance(case.lot, longest)[0]) - _off_axis_m(rule, path))
            if modes.plan_rank(far, here.plan_m, width) != modes.plan_rank(d, here.plan_m, width):
                verdict = replace(
                    verdict,
                    rank=max(rank, modes.UNVERIFIED),
                    remark="depth is not known, so neither is the exit's error",
                )
        verdict = _ask(verdict, here)
        rows.append(_finish(case, path, file, here, (case.lot_id, "property_line"), verdict, file.bore_plan_m))
    return rows


def _lot_plan(case: Case, file: AuditFile, rule: AuditRule) -> _Plan:
    """Room to the lot's boundary; from the openings only when the rule says so and the whole bore lies on the lot."""
    lines, edge = _reaches(case, file.bore_share), case.lot.boundary
    whole, station = outside_distance(case.lot, lines), _stations(case, lines, edge)
    if rule.measure_from != "opening":
        return _Plan(whole, station)
    stubs = _stubs(case, file.bore_share)
    both = np.stack([outside_distance(case.lot, _entries(case)), outside_distance(case.lot, stubs)])
    far = np.array([p.length_m for p in case.paths]) + _along(stubs, edge)
    at = np.where(both[0] <= both[1], 0.0, far)
    return _Plan(np.where(whole > 0, both.min(axis=0), whole), np.where(whole > 0, at, station))


def _depth_verdict(path: Path, file: AuditFile, rule: AuditRule) -> Verdict:
    """A rule's own greatest depth (`max_depth`): deeper is not kept, within the depth tolerance is thin."""
    limit, depth = float(rule.max_depth_m or 0.0), path.greatest_depth_m
    known = bool(np.isfinite(path.depth).any())
    rank = modes.not_kept(rule.on_fail) if depth > limit + modes.DEPTH_SLACK_M else modes.PASS
    if rank == modes.PASS and depth * (1 + file.bore_share) > limit + modes.DEPTH_SLACK_M:
        rank = modes.THIN
    if not bool(path.sure.all()):
        rank = max(rank, modes.UNVERIFIED) if known else modes.UNVERIFIED
    station = float(path.station[int(np.nanargmax(path.depth))]) if known else None
    return Verdict(
        rank=rank,
        basis="depth",
        required=limit,
        provided=depth if known else None,
        station_m=station,
        grain=max(depth - path.deepest_vertex_m, 0.0) if known else 0.0,
    )


def _missing_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
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
        _finish_layout(case, file, _row(layout, "", rule, ("", kind), verdict, 0.0))
        for kind in rule.kinds
        if kind not in seen
        for layout in case.layouts
    ]


def _pad_rows(case: Case, file: AuditFile, rule: AuditRule) -> list[Row]:
    """Rows of pads, polygon to feature; a hole's width, its openings and what it passes below are nothing to a pad."""
    rows = []
    for layout, pad in case.pads:
        for thing in case.things:
            if applies(rule, thing):
                here = _eased(case, rule, thing.columns, layout)
                distance = float(thing.distance(pad, bare=rule.measure_to == "feature_axis"))
                tolerance = modes.feature_tolerance_m(file.plan_m, thing)
                verdict = _doubted(_pad_verdict(here, distance, tolerance), rule, thing)
                rows.append(_row(layout, "", here, (thing.feature_id, thing.kind), verdict, tolerance))
        if "property_line" in rule.kinds:
            here = _eased(case, rule, {}, layout)
            room = float(outside_distance(case.lot, np.array([pad], dtype=object))[0])
            rows.append(_row(layout, "", here, (case.lot_id, "property_line"), _pad_verdict(here, room, 0.0), 0.0))
    return rows


def _pad_verdict(rule: AuditRule, distance_m: float, tolerance_m: float) -> Verdict:
    rank = modes.plan_rank(distance_m, rule.plan_m, rule.plan_m + tolerance_m)
    return _ask(Verdict(rank=rank, basis="pad", required=rule.plan_m, provided=distance_m, station_m=None), rule)


def number_in(columns: dict[str, Any], name: str) -> float | None:
    """A column's value as a finite float, None when it is absent, null or not a number."""
    try:
        value = float(columns[name])
    except (KeyError, TypeError, ValueError):
        return None
    return value if np.isfinite(value) else None
