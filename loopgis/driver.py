"""The one place where all steps meet: one site, end to end.

read -> zones -> field -> pads (given, or searched) -> drafts (pad x pattern) -> judged, ranked layouts -> files
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core.errors import NoLayoutError
from loopgis.core.findings import Finding, in_order
from loopgis.core.units import length_text, temperature_text
from loopgis.layout import assemble, generate, pads
from loopgis.layout.distinct import apart
from loopgis.layout.optimise import drilled_m
from loopgis.layout.prepare import Prepared, prepare
from loopgis.layout.realise import Workshop
from loopgis.layout.settle import Settled, as_long_as_needed, others, proven

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.layout.generate import Draft
    from loopgis.layout.model import Layout, Pad
    from loopgis.rules.model import RuleFile, Zone
    from loopgis.rules.zones import Ease
    from loopgis.site.model import Site

SHALLOWER_M = ((3.6576, 3.048, 2.4384), (1.8288,))
"""Tiers tried when the user named no depth and the default does not fit: 12, 10 and 8 ft, at last 6 ft."""
ENOUGH_SHARE = 0.6
"""Below this share of the wanted length the shallower tiers are tried as well."""
SPOTS = 3
KEPT = 6
"""Layouts written at most."""
EFFORT = 1
"""Work spent on choosing the bores of a layout, when nobody says otherwise."""
LEAST_SHARE = 0.25
MOVED_M = 0.5
"""A layout with less than this share of the best level run is left out, unless it is the best of its pattern."""


def inputs_of(site: Site) -> list[Path]:
    """The site file and all files that it names."""
    home = Path(site.spec.path)
    return [home, *(home.parent / s.path for s in site.sources)]


def ready_to_write(folder: str | Path, *, overwrite: bool = False) -> None:
    """Raise InputError when results could not be written into a folder; asked before the long computation."""
    from loopgis.core.atomic import check_folder  # noqa: PLC0415
    from loopgis.sheets.bundle import OURS  # noqa: PLC0415

    check_folder(Path(folder), OURS, overwrite=overwrite)


@dataclass(frozen=True, kw_only=True, eq=False)
class Design:
    """Ranked layouts of one site with everything found on the way."""

    site: Site
    files: tuple[RuleFile, ...]
    zones: tuple[Zone, ...]
    layouts: tuple[Layout, ...]
    findings: tuple[Finding, ...]
    pads_tried: tuple[dict[str, Any], ...]
    candidates: int
    seconds: dict[str, float] = field(default_factory=dict)

    def write(
        self,
        folder: str | Path,
        *,
        overwrite: bool = False,
        pictures: bool = True,
        tell: Callable[[str], None] = lambda _: None,
    ) -> list[Path]:
        """Write layouts.gpkg, summary.json, review.html and a picture per layout into a folder; all or nothing.

        Returns the paths written. Raises InputError when the folder cannot be written, holds results and overwrite is False, or
        holds an input of this design under the name of a result.
        """
        from loopgis.core.atomic import check_folder  # noqa: PLC0415
        from loopgis.sheets.bundle import OURS, Contents, write_bundle  # noqa: PLC0415

        check_folder(Path(folder), OURS, overwrite=overwrite, inputs=inputs_of(self.site))
        contents = Contents(
            site=self.site, zones=self.zones, layouts=self.layouts, findings=self.findings, summary=self.summary()
        )
        written: list[Path] = write_bundle(Path(folder), contents, overwrite=overwrite, pictures=pictures, tell=tell)
        return written

    def table(self) -> list[str]:
        """The layouts as lines of text, in the site's units."""
        return layout_table(self.layouts, self.site.spec.units)

    def summary(self) -> dict[str, Any]:
        """Everything that summary.json holds."""
        return {
            "loopgis": 1,
            "site": self.site.describe(),
            "rules": [f.file_id for f in self.files],
            "layouts": [y.summary() for y in self.layouts],
            "pads_tried": list(self.pads_tried),
            "findings": [f.as_dict() for f in self.findings],
        }


def layout_table(layouts: Sequence[Layout], units: str) -> list[str]:
    """Layouts as lines of text; units: us or metric."""
    lines = [
        "rank  layout  pattern   score  bores  drilled   needed    level     coldest   spacing    crossings  index    best at"
    ]
    for y in layouts:
        e = y.evaluation
        spacing = "-" if e.spacing_min_m is None else length_text(e.spacing_min_m, units)
        needed = "-" if e.needed_length_m is None else length_text(e.needed_length_m, units, 0)
        coldest = "-" if e.ewt_min_c is None else temperature_text(e.ewt_min_c, units)
        drilled, level = length_text(e.total_length_m, units, 0), length_text(e.level_length_m, units, 0)
        lines.append(
            f"{y.rank:>4}  {y.layout_id:<6}  {y.pattern:<8}  {y.score:5.1f}  {e.bores:>5}  {drilled:>8}  {needed:>8}"
            f"  {level:>8}  {coldest:>8}  {spacing:>9}  {e.crossings:>9}  {e.crossing_risk:<7.2g}"
            f"  {y.distinction}".rstrip()
        )
    return lines


def told_site(site: Site, units: str | None) -> Site:
    """Site with the wanted units, and findings that name the site file without its folder, so that results do not depend on it."""
    path = site.spec.path
    short = tuple(replace(f, where=f.where.replace(path, Path(path).name)) for f in site.findings)
    return replace(site, spec=replace(site.spec, units=units or site.spec.units), findings=short)


def site_of(path_or_site: str | Path | Site, units: str | None) -> Site:
    """A site, read from its file unless it was already, with the wanted units. Raises InputError for input that cannot be used."""
    from loopgis.site.model import Site as SiteType  # noqa: PLC0415

    if isinstance(path_or_site, SiteType):
        return told_site(path_or_site, units)
    from loopgis.site.read import read_site  # noqa: PLC0415

    return told_site(read_site(path_or_site), units)


def check(path: str | Path, *, units: str | None = None) -> tuple[Site | None, tuple[Finding, ...]]:
    """Everything that reading a site and its rule files turns up, errors included; the site is None when it cannot be used."""
    from loopgis.core.errors import InputError  # noqa: PLC0415
    from loopgis.site.read import collect  # noqa: PLC0415

    site, findings = collect(path)
    if site is None:
        return None, findings
    site = told_site(site, units)
    try:
        ground = prepare(site)
    except InputError as error:
        return None, (
            *findings,
            Finding(severity="error", code="rules", where=error.where, message=error.what, remedy=error.remedy),
        )
    closed = []
    if ground.field.end_area.is_empty:
        closed = [
            Finding(
                severity="warning",
                code="all-closed",
                message="the zones leave no ground where a bore may begin or end",
                remedy="look at the distances of the rules and at the features",
            )
        ]
    return site, (*findings, *ground.findings, *closed)


def design(
    path_or_site: str | Path | Site,
    *,
    units: str | None = None,
    effort: int = EFFORT,
    tell: Callable[[str], None] = lambda _: None,
) -> Design:
    """Ranked layouts for a site file, or for a site already read.

    Raises InputError for input that cannot be used and NoLayoutError when nothing fits. units: "us" or "metric" instead of
    the site file's, for sheets; effort: work spent on choosing the bores of each layout with a proof, where a demand sizes
    them (0: as first drawn, no bound; 1 takes some seconds per layout); tell: called with a line per stage.
    """
    clock = {"start": time.perf_counter()}
    site = site_of(path_or_site, units)
    _lap(clock, "read")
    ground = prepare(site)
    _lap(clock, "zones")
    tell(f"{len(ground.zones)} zones from {len(ground.files)} rule files")
    found = _lay_out(ground, tell)
    _lap(clock, "layouts")
    warmed = [as_long_as_needed(d, ground, found.workshop) for d in found.drafts]
    _lap(clock, "heat")
    chosen = [proven(s, ground, found.workshop, effort, tell) for s in warmed]
    _lap(clock, "choice")
    chosen += _in_other_senses(chosen, ground, tell)
    _lap(clock, "other choices")
    judged = [
        assemble.judge(
            s.draft,
            field=ground.field,
            files=ground.files,
            wish=ground.wish,
            heat=s.heat,
            gap=s.gap,
            finer=s.finer_share,
        )
        for s in chosen
    ]
    layouts = _ranked(_really_different(_ranked(judged, site)), site)
    _lap(clock, "judge")
    findings = in_order(
        [
            *site.findings,
            *ground.findings,
            *found.findings,
            *_moved_pad(site, layouts),
            *_better_pad(ground, layouts, tell),
        ]
    )
    _lap(clock, "better pad")
    clock.pop("start")
    return Design(
        site=site,
        files=ground.files,
        zones=ground.zones,
        layouts=layouts,
        findings=tuple(findings),
        pads_tried=tuple(found.pads_tried),
        candidates=found.candidates,
        seconds=clock,
    )


def _lap(clock: dict[str, float], name: str) -> None:
    clock[name] = time.perf_counter() - clock["start"] - sum(v for k, v in clock.items() if k != "start")


@dataclass(eq=False)
class _Found:
    drafts: list[Draft]
    findings: list[Finding]
    pads_tried: list[dict[str, Any]]
    candidates: int
    workshop: Workshop


def _in_other_senses(chosen: Sequence[Settled], ground: Prepared, tell: Callable[[str], None]) -> list[Settled]:
    """Of the shortest layout of each pattern that carries the house: choices of its pad that are safer, or warmer."""
    found: list[Settled] = []
    for pattern in ground.field.site.spec.patterns:
        of = [s for s in chosen if s.draft.pattern == pattern and s.holds and s.bench is not None]
        best = min(of, key=lambda s: round(drilled_m(s.draft), 3), default=None)
        if best is not None:
            found += others(best, ground, tell)
    return found


def _ranked(layouts: Sequence[Layout], site: Site) -> tuple[Layout, ...]:
    return assemble.rank(layouts, weights=site.spec.score, spacing_m=site.spec.bore.spacing_m)


def _really_different(ranked: Sequence[Layout]) -> list[Layout]:
    """At most KEPT layouts: first what is best at something, then the front, then the best scores; of like ones the first."""
    first = sorted(ranked, key=lambda y: (not y.distinction, not y.pareto, y.rank))
    return sorted(apart(first)[:KEPT], key=lambda y: y.rank)


def _lay_out(ground: Prepared, tell: Callable[[str], None]) -> _Found:
    """Drafts for the given or the best pads, at the named tiers, then at shallower ones when those do not fit."""
    site = ground.field.site
    workshop = Workshop(ground.field)
    tiers: tuple[float, ...] = site.spec.bore.depth_m
    found = _try_tiers(ground, workshop, tiers, tell)
    wanted = ground.wish.length_m
    best = max((d.level_m for d in found.drafts), default=0.0)
    for shallower in () if site.spec.bore.depth_given else SHALLOWER_M:
        if found.drafts and (not wanted or best >= ENOUGH_SHARE * wanted or shallower is SHALLOWER_M[-1]):
            break
        more = (*tiers, *(t for t in shallower if t < min(tiers) - 0.1))
        again = _try_tiers(ground, workshop, more, tell)
        if max((d.level_m for d in again.drafts), default=0.0) > best * 1.1:
            depths = ", ".join(
                length_text(t, site.spec.units, 0)
                for t in sorted({b.target_depth_m for d in again.drafts for b in d.bores})
            )
            first = length_text(tiers[0], site.spec.units, 0)
            again.findings.append(
                Finding(
                    severity="warning",
                    code="shallower-tier",
                    message=f"a level run at {first} does not fit everywhere; tiers used: {depths}",
                    remedy="name the depths you want in [bore] depth",
                )
            )
            found, best = again, max(d.level_m for d in again.drafts)
    if not found.drafts:
        reasons, change = explain(ground, workshop)
        raise NoLayoutError(site.spec.path, reasons, change)
    return found


def _try_tiers(ground: Prepared, workshop: Workshop, tiers: Sequence[float], tell: Callable[[str], None]) -> _Found:
    """Drafts of every pad and pattern at these tiers: the best of each pattern and place."""
    field_ = ground.field
    tried: list[dict[str, Any]] = []
    drafts: list[Draft] = []
    for spot, (bound, pad, pattern) in enumerate(_pads(ground, tiers)):
        made = generate.draft(pad, pattern, tiers, field=field_, workshop=workshop, rule=ground.rule, wish=ground.wish)
        tried.append(
            {
                "x_m": round(pad.centre[0], 2),
                "y_m": round(pad.centre[1], 2),
                "axis_deg": round(pad.axis_deg, 1),
                "given": pad.given,
                "bound_m": None if bound is None else round(bound, 1),
                "pattern": pattern,
                "level_length_m": round(made.level_m, 2) if made else 0.0,
                "bores": len(made.bores) if made else 0,
            }
        )
        tell(f"pad {spot + 1} {pattern}: {tried[-1]['bores']} bores, {tried[-1]['level_length_m']} m level")
        if made is not None:
            drafts.append(made)
    return _Found(
        drafts=_best_of_each(drafts, ground),
        findings=[],
        pads_tried=tried,
        candidates=sum(d.candidates for d in drafts),
        workshop=workshop,
    )


def _pads(ground: Prepared, tiers: Sequence[float]) -> list[tuple[float | None, Pad, str]]:
    """Pads to lay out in full, each with its bound and the pattern it is meant for."""
    spec = ground.field.site.spec
    if spec.pad.at is not None:
        return [(None, p, pattern) for p in pads.given_pads(ground.field, spec.pad.at) for pattern in spec.patterns]
    for tier in sorted(tiers, reverse=True):
        found = pads.search(
            ground.field, tier, patterns=spec.patterns, keep=SPOTS, home=_goal(ground), wanted_m=ground.wish.length_m
        )
        if found:
            return [*found, *((b, p, other) for other in spec.patterns for b, p in _firsts_of_others(found, other))]
    return []


def _firsts_of_others(found: Sequence[tuple[float, Pad, str]], pattern: str) -> list[tuple[float, Pad]]:
    """The best place of every other pattern, so that each pattern is tried there too."""
    firsts: dict[str, tuple[float, Pad]] = {}
    for bound, pad, meant in found:
        firsts.setdefault(meant, (bound, pad))
    return [v for meant, v in firsts.items() if meant != pattern]


def _goal(ground: Prepared) -> tuple[float, float]:
    """Where the header goes; the lot's middle when there is no building."""
    middle = ground.field.site.parcel.centroid
    return assemble.home(ground.field.site) or (float(middle.x), float(middle.y))


def _best_of_each(drafts: Sequence[Draft], ground: Prepared) -> list[Draft]:
    """Per place and pattern the better axis; then at most KEPT, never losing the best of a pattern."""
    wanted = ground.wish.length_m

    def value(d: Draft) -> tuple[float, float]:
        level = min(d.level_m, wanted) if wanted else d.level_m
        return round(level, 3), -round(sum(b.length_m for b in d.bores), 3)

    places: dict[tuple[str, tuple[float, float] | None], Draft] = {}
    for d in drafts:
        key = (d.pattern, None if d.pad.given else d.pad.centre)
        if key not in places or value(d) > value(places[key]):
            places[key] = d
    ordered = sorted(places.values(), key=value, reverse=True)
    firsts = [next((d for d in ordered if d.pattern == p), None) for p in ground.field.site.spec.patterns]
    head = [d for d in firsts if d is not None]
    useful = LEAST_SHARE * max((d.level_m for d in ordered), default=0.0)
    return [*head, *(d for d in ordered if d not in head and d.level_m >= useful)][:KEPT]


def _moved_pad(site: Site, layouts: Sequence[Layout]) -> list[Finding]:
    """Say when a fixed pad had to slide or turn to find room."""
    at = site.spec.pad.at
    if at is None or site.kept:
        return []
    found = []
    for y in layouts:
        away = math.dist(at, y.pad.centre)
        if away > MOVED_M:
            way = assemble.direction_text(at, y.pad.centre, site.spec.units)
            message = f"the pad of {y.layout_id} stands with its middle {way} of the place asked for, to find room"
            remedy = "give [pad] axis_deg to keep it where it is"
            found.append(
                Finding(
                    severity="note",
                    code="pad-moved",
                    layout_id=y.layout_id,
                    message=message,
                    remedy=remedy,
                    measured=away,
                )
            )
    return found


def _better_pad(ground: Prepared, layouts: Sequence[Layout], tell: Callable[[str], None]) -> list[Finding]:
    """When the user fixed the pad: what the best other place would bring, laid out in full."""
    spec = ground.field.site.spec
    if spec.pad.at is None or ground.field.kept or not layouts:
        return []
    tier = max(b.target_depth_m for y in layouts for b in y.bores)
    full = replace(ground.wish, length_m=None) if ground.wish.length_m else ground.wish
    workshop = Workshop(ground.field)
    mine = max(y.evaluation.level_length_m for y in layouts)
    best: tuple[float, Pad] | None = None
    tell("looking for a better pad")
    for _, pad, pattern in pads.search(
        ground.field, tier, patterns=spec.patterns, keep=1, home=_goal(ground), wanted_m=None
    ):
        made = generate.draft(pad, pattern, (tier,), field=ground.field, workshop=workshop, rule=ground.rule, wish=full)
        if made is not None and (best is None or made.level_m > best[0]):
            best = (made.level_m, pad)
    if best is None or best[0] <= mine * 1.1:
        return []
    way = assemble.direction_text(spec.pad.at, best[1].centre, spec.units)
    return [
        Finding(
            severity="note",
            code="better-pad",
            measured=best[0],
            limit=mine,
            message=f"a pad {way} of the given one has room for {best[0] / mine:.1f} times the level length",
            remedy="leave [pad] at out to let the tool search",
        )
    ]


def explain(ground: Prepared, workshop: Workshop) -> tuple[list[str], str]:
    """Why nothing fits, and the smallest single changes that were tried and make something fit."""
    from loopgis.layout.explain import reasons_of, smallest_change  # noqa: PLC0415

    change = smallest_change(ground.field, _quick)
    if not change and ground.field.site.spec.pad.at is not None:
        change = smallest_change(ground.field, lambda site, ease: _quick(site, ease, clear=False))
    return reasons_of(ground.field, workshop), change


def _quick(site: Site, ease: Ease | None = None, *, clear: bool = True) -> list[Draft]:
    """One draft that fits on a changed site, empty when nothing fits: where `design` would look, one bore first.

    clear: only with a pad that stands where pads may; a given one may stand in a zone and is laid out all the same.
    """
    ground = prepare(site, ease=ease)
    workshop, named = Workshop(ground.field), site.spec.bore.depth_m
    more = [(*named, *(t for t in s if t < min(named) - 0.1)) for s in SHALLOWER_M]
    for tiers in (named, *(() if site.spec.bore.depth_given else more)):
        places = [p for p in _pads(ground, tiers) if not clear or ground.field.pad_area.contains(p[1].polygon)]
        for wish in (replace(ground.wish, bores=1, length_m=None), ground.wish):
            for _, pad, pattern in places:
                made = generate.draft(
                    pad, pattern, tiers, field=ground.field, workshop=workshop, rule=ground.rule, wish=wish
                )
                if made is not None:
                    return [made]
    return []
