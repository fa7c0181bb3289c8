"""From a draft to a judged layout: header, clearances, crossings, findings, score, rank."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.layout import clearances as clear
from loopgis.layout import distinct, trench
from loopgis.layout import score as scoring
from loopgis.layout.crossing_risk import error_of, judged, pair_risks, risk_of
from loopgis.layout.drilling import costs_of, drill_figures, drill_findings, drills_of
from loopgis.layout.gate import gate_of
from loopgis.layout.heat import wanted_level_m
from loopgis.layout.heat_notes import heat_findings
from loopgis.layout.material import materials, ordered_pipe_m
from loopgis.layout.model import Header, Layout
from loopgis.layout.notes import layout_findings
from loopgis.layout.plumbing import plumbed, plumbing_figures
from loopgis.layout.plumbing_notes import plumbing_findings
from loopgis.rules.zones import half_width_m, matches, missing_kinds, ruled, tolerances_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.core.findings import Outcome
    from loopgis.layout.field import Field
    from loopgis.layout.generate import Draft, Wish
    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Clearance, Pad
    from loopgis.rules.model import Rule, RuleFile
    from loopgis.site.model import Site

HEADER_COVER_M = 1.22
"""Cover over header pipe, 48 in: UFGS 15741 section 3.3.2 (facts/permits section 1)."""


def home(site: Site) -> tuple[float, float] | None:
    """Where the header goes: the given entry, else the middle of the house, else nowhere."""
    if site.spec.pad.entry is not None:
        return site.spec.pad.entry
    house = trench.house_of(site)
    if house is None:
        return None
    centre = shapely.centroid(house.geometry)
    return float(centre.x), float(centre.y)


def header_of(field: Field, pad: Pad) -> Header | None:
    """Header run from the pad's edge to the building's wall (or the given entry), under the usual cover; None without a building.

    The shortest way that keeps out of what is closed to digging; straight where there is no such way, which is told.
    """
    site, house = field.site, trench.house_of(field.site)
    starts = trench.places_round(pad)
    if site.spec.pad.entry is not None:
        goals = np.array([site.spec.pad.entry])
    elif house is not None:
        goals = trench.places_on(house.geometry, (pad.polygon, starts))
    else:
        return None
    closed = trench.closed_to_digging(field, house.feature_id if house is not None else "")
    way = trench.route(site.parcel, closed, starts, goals)
    if way is None:
        target = shapely.Point(goals[0]) if site.spec.pad.entry is not None or house is None else house.geometry
        way = shapely.get_coordinates(shapely.shortest_line(pad.polygon, target))
    line = shapely.LineString(way)
    at = np.unique(np.r_[np.arange(0.0, line.length, 1.0), shapely.line_locate_point(line, shapely.points(way))])
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at)) if line.length > 0 else way
    z = site.terrain.at(xy[:, 0], xy[:, 1]) - HEADER_COVER_M
    z = np.where(np.isfinite(z), z, -HEADER_COVER_M)
    xyz = np.column_stack([xy, z])
    return Header(xyz=xyz, length_m=float(np.sum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))))


def pad_rows(site: Site, files: Sequence[RuleFile], pad: Pad, bores: int) -> list[Clearance]:
    """Pad against the rules for pits, in plan; bores: of the layout."""
    rows = []
    fluid = site.spec.pipe.fluid
    for file in files:
        for rule in file.rules if file.covers else ():
            if "pit" not in rule.applies_to or rule.mode == "ruling":
                continue
            if "property_line" in rule.kinds:
                inside = clear.room_m(pad.polygon, site.parcel)
                row = _pad_row(ruled(rule, None, fluid, bores), "lot", "property_line", inside, 0.0)
                rows.append(clear.asked(row, rule, None, fluid, bores))
            for feature in site.all_features():
                if not matches(rule, feature):
                    continue
                half = 0.0 if rule.measure_to == "feature_axis" else half_width_m(feature)
                apart = max(float(shapely.distance(pad.polygon, feature.geometry)) - half, 0.0)
                held, tolerance = ruled(rule, feature, fluid, bores), tolerances_m(feature, file)[0]
                row = _pad_row(held, feature.feature_id, feature.kind, apart, tolerance)
                rows.append(clear.doubted(clear.asked(row, rule, feature, fluid, bores), rule, feature))
    return rows


def _pad_row(rule: Rule, feature_id: str, kind: str, apart_m: float, tolerance_m: float) -> Clearance:
    margin = apart_m - rule.plan_distance_m
    outcome: Outcome = "fail" if apart_m <= 0 else clear.judged_by(margin, tolerance_m)
    asked = rule.plan_distance_m
    return clear.row_of("", rule, feature_id, kind, basis="plan", required_m=asked, provided_m=apart_m, outcome=outcome)


def missing_rows(site: Site, files: Sequence[RuleFile], bores: Sequence[Bore]) -> list[Clearance]:
    """Rules that nothing could be measured against, because their layer was never given; of files that concern some bore."""
    concerned = {f.file_id for f in files if any(f.concerns(b.max_depth_m, len(bores)) for b in bores)}
    return [
        clear.row_of(
            "",
            rule,
            "",
            kind,
            basis="plan",
            required_m=rule.plan_distance_m,
            provided_m=math.nan,
            outcome="unverified" if rule.key.split("/")[0] in concerned else "not_applicable",
        )
        for rule, kind in missing_kinds(site, files)
    ]


def judge(
    draft: Draft,
    *,
    field: Field,
    files: Sequence[RuleFile],
    wish: Wish,
    heat: Heat | None = None,
    gap: float | None = None,
    finer: float | None = None,
) -> Layout:
    """Layout with everything measured; score, rank and id are set by `rank`.

    heat: what `heat.study` found for these bores; gap: share of drilling that another choice among the candidates could save
    at most; finer: share that a finer grid of candidates saved.
    """
    site = field.site
    rows, crossings = [], []
    errors = tuple(error_of(site, b) for b in draft.bores)
    for bore, error in zip(draft.bores, errors, strict=True):
        more, passed = clear.measure(site, files, bore, len(draft.bores))
        rows += more
        crossings += judged(site, files, bore, error, passed)
    rows += [
        *pad_rows(site, files, draft.pad, len(draft.bores)),
        *clear.job_rows(site, files, draft.bores),
        *missing_rows(site, files, draft.bores),
    ]
    header = header_of(field, draft.pad)
    wanted = wish.length_m
    if heat is not None and wish.by_heat:
        wanted = wanted_level_m(heat, draft.level_m)
    evaluation = scoring.evaluate(draft.bores, draft.pairs, crossings, rows, header, wanted)
    if heat is not None:
        evaluation = replace(
            evaluation,
            needed_length_m=heat.needed_m,
            heat_side=heat.needed.governs,
            ewt_min_c=heat.ewt_min_c,
            ewt_max_c=heat.ewt_max_c,
            bound_gap_pct=None if gap is None else 100 * gap,
            finer_gain_pct=None if finer is None else 100 * finer,
            heat_margin_k=min(heat.ewt_min_c - heat.case.limits.least_c, heat.case.limits.most_c - heat.ewt_max_c),
        )
    pairs = pair_risks(draft.bores, errors, site.spec.rig.rod_length_m)
    risk = risk_of(draft.bores, crossings, pairs, gate_of(site.ticket))
    drills = drills_of(site, draft.bores)
    piped = plumbed(site, draft.bores, draft.pad, header, heat)
    if header is not None and piped is not None:
        header = replace(header, size=piped.mains)
    order = materials(site, draft.bores, drills, header, piped) if piped is not None else ()
    costs = costs_of(site, drills, ordered_pipe_m(order))
    evaluation = replace(
        evaluation,
        crossing_risk=risk.whole,
        risk_bores=risk.bores,
        risk_unmapped=risk.unmapped,
        **drill_figures(drills, costs),
        **plumbing_figures(piped),
    )
    layout = Layout(
        layout_id="",
        rank=0,
        pattern=draft.pattern,
        pad=draft.pad,
        bores=draft.bores,
        header=header,
        evaluation=evaluation,
        crossings=tuple(crossings),
        clearances=tuple(rows),
        score=0.0,
        terms={},
        pareto=False,
        heat=heat,
        drills=drills,
        errors=errors,
        costs=costs,
        plumbing=piped,
        materials=order,
    )
    told = [
        *layout_findings(layout, field, wish),
        *heat_findings(layout, site.spec.units),
        *drill_findings(site, drills),
        *plumbing_findings(piped, site.spec.units),
    ]
    return replace(layout, findings=tuple(told))


def rank(
    layouts: Sequence[Layout], *, weights: dict[str, float], spacing_m: float, named: bool = False
) -> tuple[Layout, ...]:
    """Scored and ranked, best first; equal scores keep their order.

    Ids are L-01, L-02 ... by rank; named: the layouts have their ids already, and keep them.
    """
    best_level = max((y.evaluation.level_length_m for y in layouts), default=0.0)
    scored = []
    for y in layouts:
        value, terms = scoring.score(y.evaluation, weights, spacing_m=spacing_m, best_level_m=best_level)
        scored.append(replace(y, score=value, terms=terms))
    ordered = sorted(scored, key=lambda y: -round(y.score, 3))
    front, marks = distinct.front([y.evaluation for y in ordered]), distinct.distinctions(ordered)
    ids = [y.layout_id if named else f"L-{n + 1:02d}" for n, y in enumerate(ordered)]
    return tuple(
        replace(
            y,
            layout_id=ids[n],
            rank=n + 1,
            pareto=front[n],
            distinction=marks[n],
            findings=tuple(replace(f, layout_id=ids[n]) for f in y.findings),
        )
        for n, y in enumerate(ordered)
    )


def direction_text(from_xy: tuple[float, float], to_xy: tuple[float, float], units: str) -> str:
    """Way from one place to another in words: "18 m north-east"."""
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    dx, dy = to_xy[0] - from_xy[0], to_xy[1] - from_xy[1]
    return f"{length_text(math.hypot(dx, dy), units, 0)} {names[round(math.degrees(math.atan2(dx, dy)) / 45) % 8]}"
