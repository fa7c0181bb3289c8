"""From a draft to a judged layout: header, clearances, crossings, findings, score, rank."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.layout import clearances as clear
from loopgis.layout import distinct
from loopgis.layout import score as scoring
from loopgis.layout.drilling import pull_findings, pulls_of
from loopgis.layout.heat import wanted_level_m
from loopgis.layout.heat_notes import heat_findings
from loopgis.layout.model import Clearance, Header, Layout
from loopgis.layout.notes import layout_findings
from loopgis.rules.zones import half_width_m, matches, missing_kinds, tolerances_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.layout.field import Field
    from loopgis.layout.generate import Draft, Wish
    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Pad
    from loopgis.rules.model import RuleFile
    from loopgis.site.model import Feature, Site

HEADER_COVER_M = 1.22
"""Cover over header pipe, 48 in: UFGS 15741 section 3.3.2 (facts/permits section 1)."""


def house_of(site: Site) -> Feature | None:
    """The building that the loop serves: the one that covers most of the lot."""
    own = [(shapely.intersection(b.geometry, site.parcel).area, b) for b in site.buildings]
    best = max(own, key=lambda pair: round(pair[0], 3), default=(0.0, None))
    return best[1] if best[0] > 0 else None


def home(site: Site) -> tuple[float, float] | None:
    """Where the header goes: the given entry, else the middle of the house, else nowhere."""
    if site.spec.pad.entry is not None:
        return site.spec.pad.entry
    house = house_of(site)
    if house is None:
        return None
    centre = shapely.centroid(house.geometry)
    return float(centre.x), float(centre.y)


def header_of(site: Site, pad: Pad) -> Header | None:
    """Straight header run from the pad's edge to the building's nearest wall (or the given entry), under the usual cover."""
    house = house_of(site)
    if site.spec.pad.entry is not None:
        target = shapely.Point(site.spec.pad.entry)
    elif house is not None:
        target = house.geometry
    else:
        return None
    line = shapely.get_coordinates(shapely.shortest_line(pad.polygon, target))
    n = max(2, math.ceil(math.dist(line[0], line[1])) + 1)
    x, y = np.linspace(line[0, 0], line[1, 0], n), np.linspace(line[0, 1], line[1, 1], n)
    z = site.terrain.at(x, y) - HEADER_COVER_M
    z = np.where(np.isfinite(z), z, -HEADER_COVER_M)
    xyz = np.column_stack([x, y, z])
    return Header(xyz=xyz, length_m=float(np.sum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))))


def pad_rows(site: Site, files: Sequence[RuleFile], pad: Pad) -> list[Clearance]:
    """Pad against the rules for pits, in plan."""
    rows = []
    for file in files:
        for rule in file.rules if file.covers else ():
            if "pit" not in rule.applies_to or rule.mode == "ruling":
                continue
            where = [("lot", "property_line", site.parcel.boundary, 0.0)] if "property_line" in rule.kinds else []
            where += [
                (f.feature_id, f.kind, f.geometry, half_width_m(f)) for f in site.all_features() if matches(rule, f)
            ]
            tolerance = {f.feature_id: tolerances_m(f, file)[0] for f in site.all_features()}
            for feature_id, kind, shape, half in where:
                d = max(float(shapely.distance(pad.polygon, shape)) - half, 0.0)
                if kind == "property_line" and not shapely.contains(site.parcel, pad.polygon):
                    d = -d if d > 0 else 0.0
                margin = d - rule.plan_distance_m
                thin = margin < tolerance.get(feature_id, 0.0)
                rows.append(
                    Clearance(
                        bore_id="",
                        rule_id=rule.key,
                        feature_id=feature_id,
                        kind=kind,
                        basis="plan",
                        required_m=rule.plan_distance_m,
                        provided_m=d,
                        margin_m=margin,
                        citation=rule.citation,
                        outcome="fail" if margin < 0 else "pass_thin" if thin else "pass",
                    )
                )
    return rows


def missing_rows(site: Site, files: Sequence[RuleFile]) -> list[Clearance]:
    """Rules that nothing could be measured against, because their layer was never given."""
    return [
        Clearance(
            bore_id="",
            rule_id=rule.key,
            feature_id="",
            kind=kind,
            basis="plan",
            required_m=rule.plan_distance_m,
            provided_m=math.nan,
            margin_m=math.nan,
            outcome="unverified",
            citation=rule.citation,
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
    for bore in draft.bores:
        more, passed = clear.measure(site, files, bore)
        rows += more
        crossings += passed
    rows += [*pad_rows(site, files, draft.pad), *missing_rows(site, files)]
    header = header_of(site, draft.pad)
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
    pulls = pulls_of(site, draft.bores)
    largest = max((p.path.largest_n for p in pulls if p is not None), default=None)
    evaluation = replace(evaluation, pull_max_kn=None if largest is None else largest / 1000)
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
        pulls=pulls,
    )
    units = site.spec.units
    told = [*layout_findings(layout, field, wish), *heat_findings(layout, units), *pull_findings(pulls, units)]
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
