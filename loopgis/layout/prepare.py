"""A site with its rules turned into ground, ready to be laid out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.bore.profile import Limits
from loopgis.core.findings import Finding
from loopgis.layout.field import Field
from loopgis.layout.gate import gate_findings
from loopgis.layout.generate import Wish
from loopgis.layout.heat import first_guess_level_m
from loopgis.layout.heat_case import case_of, section_of
from loopgis.layout.keep import with_kept
from loopgis.layout.separation import SeparationRule
from loopgis.rules import files as rule_files
from loopgis.rules.zones import zones_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.layout.heat_case import HeatCase
    from loopgis.rules.model import RuleFile, Zone
    from loopgis.rules.zones import Ease
    from loopgis.site.model import Site


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """A site with its rules turned into ground, ready to be laid out."""

    field: Field
    files: tuple[RuleFile, ...]
    zones: tuple[Zone, ...]
    rule: SeparationRule
    wish: Wish
    heat: HeatCase | None
    findings: tuple[Finding, ...]


def limits_of(site: Site, files: Sequence[RuleFile] = ()) -> Limits:
    """What the site's rig can do, as the profile wants it; no deeper than a rule that denies more, with the bore's own error."""
    rig = site.spec.rig
    asked = [
        rule.job.max_depth_m / (1 + file.bore_vert_share)
        for file in files
        for rule in (file.rules if file.covers else ())
        if rule.job is not None and rule.job.max_depth_m is not None and rule.on_fail == "deny"
    ]
    return Limits(
        bend_radius_m=rig.bend_radius_m,
        rod_length_m=rig.rod_length_m,
        entry_pitch_pct=rig.entry_pitch_pct,
        exit_pitch_pct=rig.exit_pitch_pct,
        max_depth_m=min([rig.max_depth_m, *asked]),
    )


def prepare(site: Site, *, ease: Ease | None = None) -> Prepared:
    """Rules, zones, open ground, separation rule and the wanted length of a site.

    ease: plan distances to take for the zones instead of the rules' own (`rules.zones.Ease`). Raises InputError for rule files that
    cannot be read and for figures that contradict each other, pipes that do not fit in the hole among them.
    """
    files = tuple(rule_files.load(name) for name in site.spec.rules)
    zones, missing = zones_of(site, files, ease=ease)
    share = max(f.bore_vert_share for f in files)
    spec = site.spec.bore
    rule = SeparationRule(
        spacing_m=spec.spacing_m,
        plan_tolerance_m=max(f.bore_plan_tolerance_m for f in files),
        vert_share=share,
        hole_m=spec.hole_diameter_m,
        rod_m=site.spec.rig.rod_length_m,
    )
    section_of(site)
    heat = case_of(site)
    wish, told = _wish(site, heat)
    field = Field(site=site, zones=zones, limits=limits_of(site, files), vert_share=share)
    if site.kept:
        field, more = with_kept(field)
        told += more
    return Prepared(
        field=field,
        files=files,
        zones=zones,
        rule=rule,
        wish=wish,
        heat=heat,
        findings=(*missing, *told, *gate_findings(site)),
    )


def _wish(site: Site, heat: HeatCase | None) -> tuple[Wish, list[Finding]]:
    spec = site.spec.bore
    if spec.bores is not None or spec.length_m is not None:
        return Wish(bores=spec.bores, length_m=spec.length_m), []
    if heat is None:
        note = Finding(
            severity="note",
            code="no-demand",
            message="neither a demand nor [bore] bores or length: as much as fits is drawn",
            remedy="add [demand], or [bore] length",
        )
        return Wish(bores=None, length_m=None), [note]
    length = first_guess_level_m(heat, depth_m=max(spec.depth_m), spacing_m=spec.spacing_m)
    if length is None:
        note = Finding(
            severity="warning",
            code="no-length-holds",
            message="no length of loop keeps the water within its limits in this ground: as much as fits is drawn",
            remedy="look at the load and its unit, ewt_min, ewt_max, the ground temperature and the flow",
        )
        return Wish(bores=None, length_m=None), [note]
    return Wish(bores=None, length_m=length, by_heat=True), []
