"""One bore against every rule and feature: required and provided, margin, outcome; and the crossings.

The text that decides is "What a rule means" in DEVELOPERS.md.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.layout.field import crossing_angles, runs
from loopgis.layout.model import Clearance, Crossing
from loopgis.layout.realise import reach_line
from loopgis.rules.files import fluid_word, kind_table
from loopgis.rules.zones import (
    assumed_depth_m,
    cover_base_m,
    eased,
    half_width_m,
    matches,
    ruled,
    tolerances_m,
    unknown_figure,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.core.findings import Outcome
    from loopgis.rules.model import Rule, RuleFile
    from loopgis.site.model import Feature, Site

_QUALITY = "ABCD"
GRAZE_M, DEPTH_GRAZE_M = 0.002, 0.005
"""A bore that grazes a zone keeps out of it: coordinates are no better, and the audit allows as much (DEVELOPERS, modes)."""
FINE_M = 0.1


def measure(
    site: Site, files: Sequence[RuleFile], bore: Bore, bores: int = 1
) -> tuple[list[Clearance], list[Crossing]]:
    """All rows of one bore of a layout of so many bores."""
    fluid = site.spec.pipe.fluid
    axis = shapely.LineString(np.column_stack([bore.x_m, bore.y_m]))
    rows: list[Clearance] = []
    crossings: dict[str, Crossing] = {}
    for file in files:
        reach = reach_line(bore, file.bore_vert_share)
        mine: list[Clearance] = []
        for rule in file.rules:
            if "bore" not in rule.applies_to:
                continue
            if rule.job is not None and rule.job.max_depth_m is not None:
                mine.append(_depth_row(file, rule, rule.job.max_depth_m, bore))
            if "property_line" in rule.kinds:
                row = _lot_row(site, file, ruled(rule, None, fluid, bores), bore, reach)
                mine.append(asked(row, rule, None, fluid, bores))
            for feature in site.all_features():
                if rule.job is None and matches(rule, feature):
                    held = ruled(rule, feature, fluid, bores)
                    row, crossing = _row(file, held, feature, bore, axis, reach)
                    row = _passing_below(row, held, feature, bore, reach)
                    mine.append(doubted(asked(row, rule, feature, fluid, bores), rule, feature))
                    if crossing is not None and feature.feature_id not in crossings:
                        crossings[feature.feature_id] = crossing
        rows += [_as_applicable(row, file, bore.max_depth_m, bores) for row in mine]
    return rows, list(crossings.values())


def _as_applicable(row: Clearance, file: RuleFile, depth_m: float, bores: int) -> Clearance:
    """What a row becomes when its file does not concern the bore, or when nobody is sure that it does."""
    if not file.concerns(depth_m, bores):
        return replace(row, outcome="not_applicable")
    if file.class_certainty == "assumed" and row.outcome in {"pass", "pass_thin"}:
        return replace(row, outcome="ruling_needed")
    return row


def asked(row: Clearance, rule: Rule, feature: Feature | None, fluid: str, bores: int) -> Clearance:
    """A fail at a distance that the office may still grant is for the office; feature None: the lot line."""
    if row.outcome != "fail" or row.basis != "plan" or row.provided_m <= 0:
        return row
    eases = [r for r in rule.relax if r.needs and eased(r, feature, fluid, bores)]
    open_ = [r for r in eases if r.plan_distance_m - GRAZE_M <= row.provided_m]
    if not open_:
        return row
    consent = all(r.needs == "consent" for r in open_)
    return replace(row, outcome="consent_needed" if consent else "ruling_needed")


def doubted(row: Clearance, rule: Rule, feature: Feature) -> Clearance:
    """Neither kept nor broken where nobody knows the figure of the feature that decides."""
    unsure = row.outcome in {"fail", "pass_thin"} and bool(unknown_figure(rule, feature))
    return replace(row, outcome="unverified") if unsure else row


def _passing_below(row: Clearance, rule: Rule, feature: Feature, bore: Bore, reach: BaseGeometry) -> Clearance:
    """A fail to the vertical projection is for the office where the hole passes below, the reach beyond the exit apart."""
    if row.outcome != "fail" or rule.measure_to != "vertical_projection" or rule.measure_from == "opening":
        return row
    half = half_width_m(feature)
    off = half + (bore.hole_diameter_m / 2 if rule.measure_from == "hole_edge" else 0.0)
    fine = _dense(bore)
    distance = np.maximum(shapely.distance(shapely.points(fine.x_m, fine.y_m), feature.geometry) - off, 0.0)
    near = (distance < rule.plan_distance_m) | (distance <= 0)
    beyond_exit = float(shapely.distance(_beyond_exit(bore, reach), feature.geometry)) - off
    if not near.any() or beyond_exit <= 0 or beyond_exit < rule.plan_distance_m:
        return row
    depth, _ = assumed_depth_m(feature)
    top = fine.depth_m[near] - bore.hole_diameter_m / 2
    return replace(row, outcome="ruling_needed") if bool(np.all(top > depth + half - DEPTH_GRAZE_M)) else row


def _depth_row(file: RuleFile, rule: Rule, limit_m: float, bore: Bore) -> Clearance:
    """A rule's greatest depth against the bore's own."""
    depth = bore.max_depth_m
    outcome: Outcome = "pass"
    if depth > limit_m + DEPTH_GRAZE_M:
        outcome = beyond(rule.on_fail)
    elif depth * (1 + file.bore_vert_share) > limit_m + DEPTH_GRAZE_M:
        outcome = "pass_thin"
    return row_of(
        bore.bore_id, rule, "", "ground", basis="depth", required_m=limit_m, provided_m=depth, outcome=outcome
    )


def beyond(on_fail: str) -> Outcome:
    """What not keeping a rule on the whole job is."""
    return "fail" if on_fail == "deny" else "consent_needed" if on_fail == "consent" else "ruling_needed"


def job_rows(site: Site, files: Sequence[RuleFile], bores: Sequence[Bore]) -> list[Clearance]:
    """Rules on the layout as a whole: number of bores and fluid."""
    rows: list[Clearance] = []
    fluid = fluid_word(site.spec.pipe.fluid)
    for file in files:
        mine: list[Clearance] = []
        for rule in file.rules:
            if rule.job is None or rule.job.max_depth_m is not None or "bore" not in rule.applies_to:
                continue
            most = rule.job.max_bores
            if most is not None:
                kept, basis, limit, given = len(bores) <= most, "count", float(most), float(len(bores))
            else:
                kept, basis, limit, given = fluid in rule.job.fluids, "fluid", 0.0, math.nan
            outcome: Outcome = "pass" if kept else beyond(rule.on_fail)
            if most is None and not fluid:
                outcome = "unverified"
            mine.append(
                row_of("", rule, "", "ground", basis=basis, required_m=limit, provided_m=given, outcome=outcome)
            )
        deepest = max((b.max_depth_m for b in bores), default=0.0)
        rows += [_as_applicable(row, file, deepest, len(bores)) for row in mine]
    return rows


def row_of(
    bore_id: str,
    rule: Rule,
    feature_id: str,
    kind: str,
    *,
    basis: str,
    required_m: float,
    provided_m: float,
    outcome: Outcome,
) -> Clearance:
    """One row; bore_id "" for pads and whole layouts. Rules on depth and number ask at most, all others at least."""
    margin = required_m - provided_m if basis in {"depth", "count"} else provided_m - required_m
    return Clearance(
        bore_id=bore_id,
        rule_id=rule.key,
        feature_id=feature_id,
        kind=kind,
        basis=basis,
        required_m=required_m,
        provided_m=provided_m,
        margin_m=margin,
        outcome=outcome,
        citation=rule.citation,
    )


def room_m(shape: BaseGeometry, lot: BaseGeometry) -> float:
    """Distance from a shape inside the lot to the lot's boundary; negative by how far it sticks out."""
    beyond = shapely.difference(shape, lot)
    if beyond.is_empty:
        return float(shapely.distance(shape, lot.boundary))
    return -float(np.max(shapely.distance(shapely.points(shapely.get_coordinates(beyond)), lot)))


def judged_by(margin_m: float, tolerance_m: float) -> Outcome:
    """Outcome of a distance that is so much more than required."""
    if margin_m < -GRAZE_M:
        return "fail"
    return "pass_thin" if margin_m < tolerance_m - GRAZE_M else "pass"


def _dense(bore: Bore) -> Bore:
    """The same bore at stations FINE_M apart, so that no thin thing lies between two of them."""
    at = np.union1d(bore.station_m, np.arange(0.0, bore.length_m, FINE_M))
    turn = np.interp(at, bore.station_m, np.unwrap(bore.azimuth_deg, period=360.0))
    names = ("x_m", "y_m", "z_m", "ground_m", "pitch_pct", "curvature_1_m")
    along = {name: np.interp(at, bore.station_m, getattr(bore, name)) for name in names}
    return replace(bore, station_m=at, azimuth_deg=turn % 360.0, **along)


def _measured_from(rule: Rule, line: BaseGeometry, bore: Bore) -> BaseGeometry:
    """The line itself, or of a rule on openings only the entry and what lies beyond the exit."""
    if rule.measure_from != "opening":
        return line
    return shapely.GeometryCollection([shapely.Point(float(bore.x_m[0]), float(bore.y_m[0])), _beyond_exit(bore, line)])


def _beyond_exit(bore: Bore, line: BaseGeometry) -> BaseGeometry:
    """The exit and what of the line lies beyond it."""
    leave, tip = (float(bore.x_m[-1]), float(bore.y_m[-1])), shapely.get_coordinates(line)[-1]
    return shapely.LineString([leave, tip]) if np.hypot(*(tip - leave)) > 0 else shapely.Point(leave)


def _lot_row(site: Site, file: RuleFile, rule: Rule, bore: Bore, reach: BaseGeometry) -> Clearance:
    reach = _measured_from(rule, reach, bore)
    inside = room_m(reach, site.parcel)
    inside -= bore.hole_diameter_m / 2 if rule.measure_from == "hole_edge" else 0.0
    outcome = judged_by(inside - rule.plan_distance_m, file.bore_plan_tolerance_m)
    if rule.mode == "ruling" and inside > 0:
        asks = inside < rule.plan_distance_m + file.bore_plan_tolerance_m - GRAZE_M
        outcome = "ruling_needed" if asks else "pass"
    return row_of(
        bore.bore_id,
        rule,
        "lot",
        "property_line",
        basis="plan",
        required_m=rule.plan_distance_m,
        provided_m=inside,
        outcome=outcome,
    )


def _row(
    file: RuleFile, rule: Rule, feature: Feature, bore: Bore, axis: BaseGeometry, reach: BaseGeometry
) -> tuple[Clearance, Crossing | None]:
    plan_tol, _ = tolerances_m(feature, file)
    half = 0.0 if rule.measure_to == "feature_axis" else half_width_m(feature)
    line = _measured_from(rule, reach if rule.mode == "never" or rule.measure_from == "opening" else axis, bore)
    closer = bore.hole_diameter_m / 2 if rule.measure_from == "hole_edge" else 0.0
    plan = max(float(shapely.distance(line, feature.geometry)) - half - closer, 0.0)
    tolerance = plan_tol + file.bore_plan_tolerance_m
    if plan >= rule.plan_distance_m + tolerance - GRAZE_M or rule.mode == "never":
        outcome = "fail" if plan <= 0 else judged_by(plan - rule.plan_distance_m, tolerance)
        row = row_of(
            bore.bore_id,
            rule,
            feature.feature_id,
            feature.kind,
            basis="plan",
            required_m=rule.plan_distance_m,
            provided_m=plan,
            outcome=outcome,
        )
        return row, None
    if rule.mode == "ruling":
        row = row_of(
            bore.bore_id,
            rule,
            feature.feature_id,
            feature.kind,
            basis="plan",
            required_m=rule.plan_distance_m,
            provided_m=plan,
            outcome="ruling_needed",
        )
        return row, None
    bore = _dense(bore)
    distance = np.maximum(shapely.distance(shapely.points(bore.x_m, bore.y_m), feature.geometry) - half, 0.0)
    near = distance < max(rule.plan_distance_m + tolerance, float(distance.min()) + 1e-9)
    tight = (distance < rule.plan_distance_m) | (distance <= 0)
    if rule.mode in {"under_with_cover", "owner_consent"}:
        row = _cover_row(file, rule, feature, bore, near, tight)
    else:
        row = _gap_row(file, rule, feature, bore, axis, near, tight)
    return row, _crossing(rule, feature, bore, axis, distance)


def _cover_row(
    file: RuleFile, rule: Rule, feature: Feature, bore: Bore, near: NDArray[np.bool_], tight: NDArray[np.bool_]
) -> Clearance:
    _, known = assumed_depth_m(feature)
    required = (rule.min_cover_m or 0.0) + cover_base_m(rule, feature)
    cover = bore.depth_m - bore.hole_diameter_m / 2
    outcome = _vertical(cover - required, file.bore_vert_share * bore.depth_m, near, tight)
    only_own_error = outcome == "pass_thin" and not bool(np.any((cover - required)[near] < 0))
    if (outcome == "pass" or only_own_error) and (rule.consent or rule.mode == "owner_consent"):
        outcome = "consent_needed"
    if outcome in {"pass", "consent_needed"} and rule.cover_base == "feature_depth" and not known:
        outcome = "unverified"
    return row_of(
        bore.bore_id,
        rule,
        feature.feature_id,
        feature.kind,
        basis="cover",
        required_m=required,
        provided_m=float(cover[near].min()),
        outcome=outcome,
    )


def _vertical(
    margin: NDArray[np.float64],
    tolerance: NDArray[np.float64] | float,
    near: NDArray[np.bool_],
    tight: NDArray[np.bool_],
) -> Outcome:
    """Worst outcome over the stations that are near."""
    if bool(np.any(margin[tight] < 0)):
        return "fail"
    if bool(np.any((margin - tolerance)[near] < 0)):
        return "pass_thin"
    return "pass"


def _gap_row(
    file: RuleFile,
    rule: Rule,
    feature: Feature,
    bore: Bore,
    axis: BaseGeometry,
    near: NDArray[np.bool_],
    tight: NDArray[np.bool_],
) -> Clearance:
    gap = _gap(feature, bore)
    _, vert_tol = tolerances_m(feature, file)
    _, known = assumed_depth_m(feature)
    outcome = _vertical(gap - rule.vertical_clearance_m, vert_tol + file.bore_vert_share * bore.depth_m, near, tight)
    required, provided = rule.vertical_clearance_m, float(gap[near].min())
    if rule.mode == "perpendicular" and feature.geometry.geom_type in {"LineString", "MultiLineString"}:
        angles = crossing_angles(axis, feature.geometry, bore.x_m, bore.y_m, np.radians(90 - bore.azimuth_deg))
        if rule.angle_min_deg is not None and any(a < rule.angle_min_deg for a, _ in angles):
            outcome = "fail"
        for first, last in runs(tight):
            crossed = any(first - 1 <= i <= last for _, i in angles)
            low = float(gap[first : last + 1].min())
            if not crossed and low < rule.plan_distance_m:
                outcome, required, provided = "fail", rule.plan_distance_m, low
    vague = kind_table()[feature.kind]["buried"] and feature.quality in file.depth_unknown
    if outcome == "pass" and (not known or vague or _below(feature.quality, rule.min_quality)):
        outcome = "unverified"
    return row_of(
        bore.bore_id,
        rule,
        feature.feature_id,
        feature.kind,
        basis="gap",
        required_m=required,
        provided_m=provided,
        outcome=outcome,
    )


def _gap(feature: Feature, bore: Bore) -> NDArray[np.float64]:
    """Clear height between the reamed hole and a feature at each station, positive above or below."""
    depth_f, _ = assumed_depth_m(feature)
    return np.abs(bore.depth_m - depth_f) - bore.hole_diameter_m / 2 - half_width_m(feature)


def _below(quality: str, wanted: str) -> bool:
    if wanted not in _QUALITY or not wanted:
        return False
    return quality not in _QUALITY or _QUALITY.index(quality) > _QUALITY.index(wanted)


def _crossing(
    rule: Rule,
    feature: Feature,
    bore: Bore,
    axis: BaseGeometry,
    distance: NDArray[np.float64],
) -> Crossing | None:
    """Where a bore really passes under (or over) a feature, None when it only comes near; `crossing_risk` adds the index."""
    if not shapely.intersects(axis, feature.geometry):
        return None
    lines = feature.geometry.geom_type in {"LineString", "MultiLineString"}
    angles = (
        crossing_angles(axis, feature.geometry, bore.x_m, bore.y_m, np.radians(90 - bore.azimuth_deg)) if lines else []
    )
    over = (
        np.flatnonzero(distance <= 0) if not lines else np.array([i for _, i in angles] or [int(np.argmin(distance))])
    )
    if not len(over):
        over = np.array([int(np.argmin(distance))])
    _, known = assumed_depth_m(feature)
    gaps = _gap(feature, bore) if lines else bore.depth_m - bore.hole_diameter_m / 2 - cover_base_m(rule, feature)
    i = int(over[np.argmin(gaps[over])])
    return Crossing(
        bore_id=bore.bore_id,
        feature_id=feature.feature_id,
        kind=feature.kind,
        rule_id=rule.key,
        x_m=float(bore.x_m[i]),
        y_m=float(bore.y_m[i]),
        z_m=float(bore.z_m[i]),
        station_m=float(bore.station_m[i]),
        angle_deg=min((a for a, _ in angles), default=90.0),
        clearance_m=float(gaps[i]),
        sigma_m=None,
        risk=None,
        depth_known=known,
    )
