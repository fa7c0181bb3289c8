"""One bore against every rule and feature: required and provided, margin, outcome; and the crossings.

The text that decides is "What a rule means" in DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.layout.field import crossing_angles, runs
from loopgis.layout.model import Clearance, Crossing
from loopgis.layout.realise import reach_line
from loopgis.rules.zones import assumed_depth_m, cover_base_m, half_width_m, matches, tolerances_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.core.findings import Outcome
    from loopgis.rules.model import Rule, RuleFile
    from loopgis.site.model import Feature, Site

_RANK: tuple[Outcome, ...] = ("fail", "ruling_needed", "unverified", "consent_needed", "pass_thin", "pass")
_QUALITY = "ABCD"
GRAZE_M = 0.002
"""A bore that grazes a zone keeps out of it: coordinates are no better, and the audit allows as much (DEVELOPERS, modes)."""


def measure(site: Site, files: Sequence[RuleFile], bore: Bore) -> tuple[list[Clearance], list[Crossing]]:
    """All rows of one bore."""
    axis = shapely.LineString(np.column_stack([bore.x_m, bore.y_m]))
    rows: list[Clearance] = []
    crossings: dict[str, Crossing] = {}
    for file in files:
        reach = reach_line(bore, file.bore_vert_share)
        mine: list[Clearance] = []
        for rule in file.rules:
            if "bore" not in rule.applies_to:
                continue
            if "property_line" in rule.kinds:
                mine.append(_lot_row(site, file, rule, bore, reach))
            for feature in site.all_features():
                if matches(rule, feature):
                    row, crossing = _row(file, rule, feature, bore, axis, reach)
                    mine.append(row)
                    if crossing is not None and feature.feature_id not in crossings:
                        crossings[feature.feature_id] = crossing
        rows += [_as_applicable(row, file, bore.max_depth_m) for row in mine]
    return rows, list(crossings.values())


def _as_applicable(row: Clearance, file: RuleFile, depth_m: float) -> Clearance:
    """What a row becomes when its file does not concern the bore, or when nobody is sure that it does."""
    if not file.concerns(depth_m):
        return replace(row, outcome="not_applicable")
    if file.class_certainty == "assumed" and row.outcome == "pass":
        return replace(row, outcome="ruling_needed")
    return row


def _clearance(
    bore: Bore,
    rule: Rule,
    feature_id: str,
    kind: str,
    *,
    basis: str,
    required_m: float,
    provided_m: float,
    outcome: Outcome,
) -> Clearance:
    return Clearance(
        bore_id=bore.bore_id,
        rule_id=rule.key,
        feature_id=feature_id,
        kind=kind,
        basis=basis,
        required_m=required_m,
        provided_m=provided_m,
        margin_m=provided_m - required_m,
        outcome=outcome,
        citation=rule.citation,
    )


def _judge(margin_m: float, tolerance_m: float) -> Outcome:
    if margin_m < 0:
        return "fail"
    return "pass_thin" if margin_m < tolerance_m else "pass"


def _lot_row(site: Site, file: RuleFile, rule: Rule, bore: Bore, reach: BaseGeometry) -> Clearance:
    inside = float(shapely.distance(reach, site.parcel.boundary))
    beyond = shapely.difference(reach, site.parcel)
    if not beyond.is_empty:
        points = shapely.points(shapely.get_coordinates(beyond))
        inside = -float(np.max(shapely.distance(points, site.parcel)))
    outcome = _judge(inside - rule.plan_distance_m, file.bore_plan_tolerance_m)
    return _clearance(
        bore,
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
    half = half_width_m(feature)
    line = reach if rule.mode == "never" else axis
    plan = max(float(shapely.distance(line, feature.geometry)) - half, 0.0)
    tolerance = plan_tol + file.bore_plan_tolerance_m
    if plan >= rule.plan_distance_m + tolerance - GRAZE_M or rule.mode == "never":
        outcome = "fail" if plan <= 0 else _judge(plan - rule.plan_distance_m, tolerance)
        row = _clearance(
            bore,
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
        row = _clearance(
            bore,
            rule,
            feature.feature_id,
            feature.kind,
            basis="plan",
            required_m=rule.plan_distance_m,
            provided_m=plan,
            outcome="ruling_needed",
        )
        return row, None
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
    return _clearance(
        bore,
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
    if outcome == "pass" and (not known or _below(feature.quality, rule.min_quality)):
        outcome = "unverified"
    return _clearance(
        bore,
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
