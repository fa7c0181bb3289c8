"""A site with its rules turned into ground, ready to be laid out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.bore.profile import Limits
from loopgis.core.findings import Finding
from loopgis.core.units import length_text
from loopgis.layout.field import Field
from loopgis.layout.generate import Wish
from loopgis.layout.separation import SeparationRule
from loopgis.rules import files as rule_files
from loopgis.rules.zones import zones_of

if TYPE_CHECKING:
    from loopgis.rules.model import RuleFile, Zone
    from loopgis.site.model import Site

RULE_OF_THUMB_M_PER_W = 200 * 0.3048 / 3516.85
"""200 ft of bore per ton of load: trade rule, two practitioner pages (facts/anchors 1.17). Stands in until the heat is computed."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """A site with its rules turned into ground, ready to be laid out."""

    field: Field
    files: tuple[RuleFile, ...]
    zones: tuple[Zone, ...]
    rule: SeparationRule
    wish: Wish
    findings: tuple[Finding, ...]


def limits_of(site: Site) -> Limits:
    """What the site's rig can do, as the profile wants it."""
    rig = site.spec.rig
    return Limits(
        bend_radius_m=rig.bend_radius_m,
        rod_length_m=rig.rod_length_m,
        entry_pitch_pct=rig.entry_pitch_pct,
        exit_pitch_pct=rig.exit_pitch_pct,
        max_depth_m=rig.max_depth_m,
    )


def prepare(site: Site) -> Prepared:
    """Rules, zones, open ground, separation rule and the wanted length of a site."""
    files = tuple(rule_files.load(name) for name in site.spec.rules)
    zones, missing = zones_of(site, files)
    share = max(f.bore_vert_share for f in files)
    spec = site.spec.bore
    rule = SeparationRule(
        spacing_m=spec.spacing_m,
        plan_tolerance_m=max(f.bore_plan_tolerance_m for f in files),
        vert_share=share,
        hole_m=spec.hole_diameter_m,
        rod_m=site.spec.rig.rod_length_m,
    )
    wish, told = _wish(site)
    return Prepared(
        field=Field(site=site, zones=zones, limits=limits_of(site), vert_share=share),
        files=files,
        zones=zones,
        rule=rule,
        wish=wish,
        findings=(*missing, *told),
    )


def _wish(site: Site) -> tuple[Wish, list[Finding]]:
    spec, demand = site.spec.bore, site.spec.demand
    if spec.bores is not None or spec.length_m is not None:
        return Wish(bores=spec.bores, length_m=spec.length_m), []
    if demand is None:
        note = Finding(
            severity="note",
            code="no-demand",
            message="neither a demand nor [bore] bores or length: as much as fits is drawn",
            remedy="add [demand], or [bore] length",
        )
        return Wish(bores=None, length_m=None), [note]
    peak = max(demand.heating_peak_w, demand.cooling_peak_w)
    length = peak * RULE_OF_THUMB_M_PER_W
    text = length_text(length, site.spec.units, 0)
    note = Finding(
        severity="warning",
        code="rule-of-thumb",
        measured=length,
        message=f"wanted level run {text} is the trade's 200 ft per ton of peak load, not a heat computation",
        remedy="this version does not size the loop; set [bore] length when you know it",
    )
    return Wish(bores=None, length_m=length), [note]
