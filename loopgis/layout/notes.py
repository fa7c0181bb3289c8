"""What is worth telling about one layout."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from loopgis.bore.steer import WALKOVER_M
from loopgis.core.findings import Finding
from loopgis.core.units import length_text
from loopgis.layout.heat_notes import carried_text, share_carried
from loopgis.layout.trench import house_of, shut_zones

if TYPE_CHECKING:
    from loopgis.layout.field import Field
    from loopgis.layout.generate import Wish
    from loopgis.layout.model import Clearance, Layout


def layout_findings(layout: Layout, field: Field, wish: Wish) -> list[Finding]:
    """Shortfalls against the wish, depth beyond the walkover range, a header through closed ground, failed clearances."""
    units = field.site.spec.units
    failed = [_too_near(row, units) for row in layout.clearances if row.outcome == "fail"]
    return [*_shortfalls(layout, wish, units), *_deep(layout, units), *_header(layout, field), *failed]


def _shortfalls(layout: Layout, wish: Wish, units: str) -> list[Finding]:
    """What is missing of the wish; the part of the heat that is carried stands in the first of these, else by itself."""
    e = layout.evaluation
    carried = "" if layout.heat is None else carried_text(layout.heat, units)
    found = []
    if wish.bores is not None and e.bores < wish.bores:
        found.append(
            Finding(
                severity="warning",
                code="fewer-bores",
                message=f"{e.bores} of {wish.bores} bores fit",
                remedy="allow less spacing, another depth tier or another pad",
                measured=e.bores,
                limit=wish.bores,
                unit="",
            )
        )
    if wish.length_m is not None and not wish.by_heat and e.level_length_m < wish.length_m * 0.995:
        have, want = length_text(e.level_length_m, units, 0), length_text(wish.length_m, units, 0)
        found.append(
            Finding(
                severity="warning",
                code="short-of-length",
                message=f"level run {have} of {want} wanted",
                remedy="another pad, less spacing or more depth tiers may bring the rest",
                measured=e.level_length_m,
                limit=wish.length_m,
            )
        )
    share = None if layout.heat is None else share_carried(layout.heat)
    if found and carried:
        found[0] = replace(found[0], message=f"{found[0].message}; the layout {carried}")
    elif share is not None and share < 1:
        found.append(
            Finding(
                severity="note",
                code="heat-share",
                message=f"the layout {carried}",
                measured=share,
                limit=1.0,
                unit="",
            )
        )
    return found


def _deep(layout: Layout, units: str) -> list[Finding]:
    deepest = max(layout.bores, key=lambda b: round(b.max_depth_m, 3))
    if deepest.max_depth_m <= WALKOVER_M + 0.05:
        return []
    message = f"{length_text(deepest.max_depth_m, units)} deep: beyond 15 ft a walkover depth is projected, correct it fore and aft"
    return [
        Finding(
            severity="note",
            code="deep-locate",
            bore_id=deepest.bore_id,
            message=message,
            measured=deepest.max_depth_m,
            limit=WALKOVER_M,
        )
    ]


def _header(layout: Layout, field: Field) -> list[Finding]:
    """A header that had to be drawn straight through ground that is closed to digging."""
    if layout.header is None:
        return []
    house = house_of(field.site)
    line = shapely.LineString(layout.header.xyz[:, :2])
    return [
        Finding(
            severity="warning",
            code="header-zone",
            feature_id=zone.feature_id,
            rule_id=zone.rule.key,
            message=f"no way for the header keeps out of closed ground; the straight one passes {zone.feature_id} ({zone.kind})",
            remedy="another pad, or [pad] entry at another wall",
        )
        for zone in shut_zones(field, house.feature_id if house is not None else "")
        if shapely.intersection(line, zone.polygon).length > 0.05
    ]


def _too_near(row: Clearance, units: str) -> Finding:
    what = f"bore {row.bore_id}" if row.bore_id else "the pad"
    have, need = length_text(row.provided_m, units), length_text(row.required_m, units)
    return Finding(
        severity="error",
        code="too-near",
        bore_id=row.bore_id,
        feature_id=row.feature_id,
        rule_id=row.rule_id,
        measured=row.provided_m,
        limit=row.required_m,
        outcome="fail",
        message=f"{what} has {have} to {row.feature_id} ({row.kind}), {need} are required",
        remedy="move the bore" if row.bore_id else "move the pad",
    )
