"""Zones: what the rules make of a site's features, as polygons for the generator.

The text that decides is "What a rule means" in DEVELOPERS.md. Zones here include every tolerance, so that a bore which keeps out
of them passes, and does not only pass thinly. Circles are drawn from outside (polygons that contain them), so a zone is never
smaller than its distance; it is larger by 0.03 % of it at most.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from loopgis.core.findings import Finding
from loopgis.rules.files import fluid_word, kind_table, known_words
from loopgis.rules.model import Relax, Rule, RuleFile, Zone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shapely import MultiPolygon, Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.site.model import Feature, Site

Ease = Mapping[tuple[str, str], float]
"""Other plan distances in metres, by (rule key, feature id; "lot" is the lot line): asks what would fit if one were granted."""
QUAD_SEGS = 32
_OUTWARD = 1 / math.cos(math.pi / (4 * QUAD_SEGS))
_SURROUNDINGS_M = 30.0


def grow(geometry: BaseGeometry, distance_m: float) -> BaseGeometry:
    """Buffer that contains the true one (positive) or lies inside it (negative)."""
    return shapely.buffer(geometry, distance_m * _OUTWARD, quad_segs=QUAD_SEGS)


def half_width_m(feature: Feature) -> float:
    """Half width of a feature drawn as point or line: its own `width_m`, else the kind's; 0 for polygons."""
    if feature.geometry.geom_type in {"Polygon", "MultiPolygon"}:
        return 0.0
    own = feature.attribute("width_m")
    try:
        return float(own) / 2
    except ValueError:
        return float(kind_table()[feature.kind]["half_width_m"])


def tolerances_m(feature: Feature, file: RuleFile) -> tuple[float, float]:
    """Plan and vertical tolerance of a feature under a rule file; 0 for what is seen on the surface."""
    if not kind_table()[feature.kind]["buried"]:
        return 0.0, 0.0
    level = feature.quality if feature.quality in file.plan_tolerance_m else "unknown"
    return file.plan_tolerance_m[level], file.vert_tolerance_m[level]


def assumed_depth_m(feature: Feature) -> tuple[float, bool]:
    """Depth of a feature, and whether it is known; unknown takes the larger end of its kind's range."""
    if feature.depth_m is not None:
        return feature.depth_m, True
    return float(kind_table()[feature.kind]["depth_m"][1]), False


def cover_base_m(rule: Rule, feature: Feature) -> float:
    """Depth from which a rule's cover counts: the surface, the feature's own depth (assumed when unknown), or its footing."""
    if rule.cover_base == "surface":
        return 0.0
    depth, _ = assumed_depth_m(feature)
    if rule.cover_base == "feature_depth":
        return depth
    by_foundation = rule.foundation_depth_m
    return by_foundation.get(word_of(feature, "foundation"), by_foundation.get("unknown", depth))


def word_of(feature: Feature, column: str) -> str:
    """A column's word in small letters, "unknown" when it is empty or, where words are listed, none of them."""
    word, listed = feature.attribute(column).lower(), known_words().get(column)
    return word if listed is None or word in listed else "unknown"


def matches(rule: Rule, feature: Feature) -> bool:
    """True when a rule speaks of a feature: kind, words, and figures as far as they are known."""
    return (
        feature.kind in rule.kinds
        and all(word_of(feature, column) in allowed for column, allowed in rule.feature_filter.items())
        and all(r.holds(v) for r in rule.ranges if (v := _figure(feature, r.column)) is not None)
    )


def unknown_figure(rule: Rule, feature: Feature) -> str:
    """Name of a figure that the rule bounds and nobody knows of the feature; "" when all are known."""
    return next((r.column.split("_")[0] for r in rule.ranges if _figure(feature, r.column) is None), "")


def _figure(feature: Feature, column: str) -> float | None:
    try:
        value = float(feature.attribute(column))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def ruled(rule: Rule, feature: Feature | None, fluid: str, bores: int | None) -> Rule:
    """The rule as it holds for one feature (None: the lot line): its plan distance eased where nothing more is asked for that.

    fluid: of the site, as written; bores: of the layout, None when not known yet, which holds back what depends on it.
    """
    easy = [r.plan_distance_m for r in rule.relax if not r.needs and eased(r, feature, fluid, bores)]
    return replace(rule, plan_distance_m=min(easy)) if easy and min(easy) < rule.plan_distance_m else rule


def eased(relax: Relax, feature: Feature | None, fluid: str, bores: int | None) -> bool:
    """True when the conditions of a shorter distance hold."""
    if relax.fluids and fluid_word(fluid) not in relax.fluids:
        return False
    if relax.bores_up_to is not None and (bores is None or bores > relax.bores_up_to):
        return False
    words = {c: "unknown" if feature is None else word_of(feature, c) for c in relax.words}
    return all(words[column] in allowed for column, allowed in relax.words.items())


def zones_of(
    site: Site, files: Sequence[RuleFile], *, ease: Ease | None = None
) -> tuple[tuple[Zone, ...], tuple[Finding, ...]]:
    """All zones of a site under stacked rule files, and what is missing.

    The strictest wins by itself: every zone counts. Kinds that the rules name and nobody supplied give one warning. ease: plan
    distances to take instead of the rules' own.
    """
    around = shapely.buffer(site.parcel, _SURROUNDINGS_M)
    zones: list[Zone] = []
    for file in files:
        for rule in file.rules if file.covers else ():
            if "property_line" in rule.kinds:
                mine = _eased(ruled(rule, None, site.spec.pipe.fluid, None), "lot", ease)
                radius = site.spec.bore.hole_diameter_m / 2 if rule.measure_from == "hole_edge" else 0.0
                zones.append(_lot_line(site.parcel, around, mine, file, len(zones), radius))
            for feature in site.all_features():
                if matches(rule, feature):
                    own = ruled(rule, feature, site.spec.pipe.fluid, None)
                    mine = _eased(own, feature.feature_id, ease)
                    zone = _zone(feature, mine, file, site.spec.bore.hole_diameter_m / 2, around, len(zones))
                    if zone is not None:
                        zones.append(zone)
    return tuple(zones), tuple(_missing(site, files))


def _eased(rule: Rule, feature_id: str, ease: Ease | None) -> Rule:
    distance = None if ease is None else ease.get((rule.key, feature_id))
    return rule if distance is None else replace(rule, plan_distance_m=distance)


def missing_kinds(site: Site, files: Sequence[RuleFile]) -> list[tuple[Rule, str]]:
    """Rules on bores, and kinds they name, for which neither a feature nor a layer was given."""
    have = site.given_kinds | {f.kind for f in site.all_features()} | {"property_line", "ground"}
    return [
        (rule, kind)
        for file in files
        for rule in (file.rules if file.covers else ())
        if "bore" in rule.applies_to
        for kind in rule.kinds
        if kind not in have
    ]


def _missing(site: Site, files: Sequence[RuleFile]) -> list[Finding]:
    kinds = sorted({kind for _, kind in missing_kinds(site, files)})
    if not kinds:
        return []
    return [
        Finding(
            severity="warning",
            code="layer-missing",
            outcome="unverified",
            measured=len(kinds),
            unit="",
            message=f"no layer was given for {len(kinds)} kinds that the rules name, so they stay unverified: {', '.join(kinds)}",
            remedy="add a [[site.feature]] for each, an empty layer where there is none on the site",
        )
    ]


def _lot_line(
    parcel: Polygon, around: BaseGeometry, rule: Rule, file: RuleFile, number: int, hole_radius_m: float
) -> Zone:
    tolerance = file.bore_plan_tolerance_m
    inner = grow(parcel, -(rule.plan_distance_m + tolerance + hole_radius_m))
    return Zone(
        zone_id=f"Z-{number + 1:03d}",
        rule=rule,
        feature_id="lot",
        kind="property_line",
        mode="never",
        distance_m=rule.plan_distance_m,
        tolerance_m=tolerance,
        required_depth_m=None,
        polygon=_multi(shapely.difference(around, inner)),
        applies_to=rule.applies_to,
        quality="unknown",
    )


def _zone(
    feature: Feature, rule: Rule, file: RuleFile, hole_radius_m: float, around: BaseGeometry, number: int
) -> Zone | None:
    plan_tol, vert_tol = tolerances_m(feature, file)
    tolerance = plan_tol + file.bore_plan_tolerance_m if "bore" in rule.applies_to else plan_tol
    half = 0.0 if rule.measure_to == "feature_axis" else half_width_m(feature)
    reach = rule.plan_distance_m + tolerance + half + (hole_radius_m if rule.measure_from == "hole_edge" else 0.0)
    polygon = _multi(shapely.intersection(grow(feature.geometry, reach) if reach > 0 else feature.geometry, around))
    if polygon.is_empty:
        return None
    depth, known = assumed_depth_m(feature)
    required = _required_depth(rule, feature, depth, half, vert_tol, hole_radius_m, file.bore_vert_share)
    lines = feature.geometry.geom_type in {"LineString", "MultiLineString"}
    return Zone(
        zone_id=f"Z-{number + 1:03d}",
        rule=rule,
        feature_id=feature.feature_id,
        kind=feature.kind,
        mode=rule.mode,
        distance_m=rule.plan_distance_m,
        tolerance_m=tolerance,
        required_depth_m=required,
        polygon=polygon,
        applies_to=rule.applies_to,
        depth_known=known,
        quality=feature.quality,
        line=feature.geometry if lines and rule.mode == "perpendicular" else None,
        angle_min_deg=rule.angle_min_deg,
    )


def _required_depth(
    rule: Rule, feature: Feature, depth_m: float, half_m: float, vert_tol_m: float, hole_radius_m: float, share: float
) -> float | None:
    """Depth of the axis that passes with every tolerance: share of depth is the bore's own vertical error."""
    if rule.mode == "never":
        return None
    if rule.mode == "ruling":
        return 0.0
    needed = 0.0
    if rule.min_cover_m is not None:
        under = rule.mode in {"under_with_cover", "owner_consent"}
        needed = rule.min_cover_m + (cover_base_m(rule, feature) if under else 0.0)
    if rule.mode in {"over_or_under_with_clearance", "perpendicular"}:
        needed = max(needed, depth_m + half_m + rule.vertical_clearance_m + vert_tol_m)
    return (needed + hole_radius_m) / (1 - share)


def alongside_depth_m(zone: Zone, feature: Feature, file_share: float, hole_radius_m: float) -> float:
    """Depth of the axis at which running alongside a line is allowed: its gap is at least the plan distance."""
    depth, _ = assumed_depth_m(feature)
    return (depth + half_width_m(feature) + zone.distance_m + hole_radius_m) / (1 - file_share)


def _multi(geometry: BaseGeometry) -> MultiPolygon:
    parts = [p for p in shapely.get_parts(shapely.make_valid(geometry)) if p.geom_type == "Polygon"]
    nested = [
        q for p in shapely.get_parts(shapely.make_valid(geometry)) if p.geom_type == "MultiPolygon" for q in p.geoms
    ]
    return shapely.MultiPolygon(parts + nested)
