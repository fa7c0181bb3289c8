"""The first sentences of the review page: what a layout is, whether it carries the house, what it costs, why it comes there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.core.units import length_text, money_text, temperature_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Layout
    from loopgis.site.model import Site

HOPELESS = 0.5
"""With less than this share of the bore that is needed, temperatures mean nothing and are not printed."""
LEAST_GAP_PCT = 0.05
ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}
ENOUGH = 0.995
"""Share of the wanted length that counts as reached, as in the findings of a layout."""
TERM_WORDS = {
    "level": "level run against what is wanted (by the heat, or by the site file); where none reaches it, half against the longest",
    "economy": "share of the drilled length that is level",
    "spacing": "spacing between level runs",
    "crossings": "few things to cross",
    "margin": "room left beyond the distances",
    "header": "short way to the house",
}


def answer(site: Site, layouts: Sequence[Layout], place: int = 0) -> list[str]:
    """The first sentences about a layout: what it is, whether it carries the house, what it costs, and why it comes where it does.

    place: of the layout in the ranking, 0 is the best.
    """
    one, units = layouts[place], site.spec.units
    e = one.evaluation
    drilled, level = length_text(e.total_length_m, units, 0), length_text(e.level_length_m, units, 0)
    bores = f"{e.bores} bore{'s' if e.bores != 1 else ''}"
    told = [f"{bores} in a {one.pattern} pattern, {drilled} drilled, of which {level} run level at depth."]
    told += _carries(one, units)
    told += _enough(site, one)
    told += _costs(one)
    told += _bounded(one, weighed=weighed(site))
    told.append(_why(layouts, place))
    return told


def weighed(site: Site) -> bool:
    """Do bores or crossings count, besides the length, when bores are chosen."""
    return site.spec.per_bore_m > 0 or site.spec.per_crossing_m > 0


def _costs(one: Layout) -> list[str]:
    """The estimate in one sentence; nothing without figures for it."""
    e = one.evaluation
    if e.cost is None or e.currency is None:
        return []
    days = "" if e.crew_days is None else f" and {e.crew_days:g} crew day{'s' if e.crew_days != 1 else ''}"
    lost = ""
    if e.expected_loss:
        lost = f"; beside it, {money_text(e.expected_loss, e.currency)} stand for heads that are lost"
    return [f"It takes about {money_text(e.cost, e.currency)}{days}{lost}. An estimate for comparing, no offer."]


def _carries(best: Layout, units: str) -> list[str]:
    """Does the loop carry the house for all its years; nothing without a demand."""
    heat = best.heat
    if heat is None:
        return []
    years, limits = heat.case.years, heat.case.limits
    low, high = temperature_text(heat.ewt_min_c, units), temperature_text(heat.ewt_max_c, units)
    least, most = temperature_text(limits.least_c, units), temperature_text(limits.most_c, units)
    verdict = "carries the house" if carries(heat) else "does NOT carry the house"
    if heat.freezes:
        verdict = "would FREEZE: it does NOT carry the house"
    found = f"entering water from {low} to {high}, limits {least} and {most}"
    if heat.needed_m and heat.offered_m < HOPELESS * heat.needed_m:
        found = f"it is {heat.offered_m / heat.needed_m:.0%} of the bore that is needed"
    told = [f"It {verdict} for {years} years by this computation: {found}."]
    if heat.leaving_min_c is not None and heat.offered_m >= HOPELESS * (heat.needed_m or 0):
        into, ice = temperature_text(heat.leaving_min_c, units), temperature_text(heat.case.fluid.freeze_c, units)
        told.append(
            f"Water goes into the ground at {into} at the coldest; {heat.case.fluid.text} begins to freeze at {ice}."
        )
    if heat.needed_m is None:
        told.append("No length of this kind of loop keeps these limits.")
    elif heat.needed_m > 0:
        told.append(_needed(heat, units))
    return told


def carries(heat: Heat) -> bool:
    """Does the water keep its limits for all the years, and stay liquid."""
    return not (heat.too_cold or heat.too_warm or heat.freezes)


def headline(layouts: Sequence[Layout], place: int = 0) -> str:
    """What stands over everything else."""
    best = layouts[0].layout_id
    if place:
        return f"{layouts[place].layout_id} comes {ORDINALS.get(place + 1, f'in place {place + 1}')}, after {best}"
    known = [y.heat for y in layouts if y.heat is not None]
    if known and not any(carries(h) for h in known):
        return f"No layout carries the house; {best} is the best of them"
    return f"{best} comes first"


def _needed(heat: Heat, units: str) -> str:
    """Length that is needed, its honest interval, and what is drawn."""
    low, high = heat.interval_m or (None, None)
    spread = "" if low is None else f", from {length_text(low, units, 0)} to "
    if low is not None:
        spread += "no safe end" if high is None else length_text(high, units, 0)
        spread += " with the usual uncertainty of ground and bore"
    needed, drawn = length_text(heat.needed_m or 0.0, units, 0), length_text(heat.offered_m, units, 0)
    return f"For {heat.needed.governs} {needed} of bore is needed{spread}; {drawn} are drawn."


def _bounded(best: Layout, *, weighed: bool) -> list[str]:
    """How much less drilling any other choice of bores could need; nothing where nothing is proven.

    weighed: the site file makes bores or crossings count besides the length.
    """
    gap, finer = best.evaluation.bound_gap_pct, best.evaluation.finer_gain_pct
    if gap is None:
        return []
    there = any(b.in_ground for b in best.bores)
    tried = f"Among the ways for {best.pattern} bores that were tried from this pad"
    tried += " round those in the ground" if there else ""
    verb = (
        "costs less (drilled length, and what bores and crossings count for by the site file)"
        if weighed
        else "drills less"
    )
    less = verb if gap < LEAST_GAP_PCT else f"{verb} by more than {gap:.1f} %"
    told = [f"{tried} no choice that carries the house {less}{' of what is still to drill' if there else ''}."]
    if finer is not None and finer >= LEAST_GAP_PCT:
        told.append(f"Ways between those tried brought another {finer:.1f} %, which is taken.")
    return told


def _enough(site: Site, best: Layout) -> list[str]:
    """Does the level run reach what the site file asks for; nothing where the heat decides."""
    e, units = best.evaluation, site.spec.units
    if best.heat is not None and site.spec.bore.length_m is None:
        return []
    if e.wanted_length_m is None:
        if site.spec.bore.bores is not None:
            return [f"The site file asks for {site.spec.bore.bores} bores and names no length to reach."]
        return [
            "The site file names neither a load nor a length, so there is nothing to reach: as much as fits is drawn."
        ]
    wanted = length_text(e.wanted_length_m, units, 0)
    share = e.level_length_m / e.wanted_length_m
    reached = (
        f"reaches the wanted {wanted}"
        if share >= ENOUGH
        else f"does not reach the wanted {wanted}, only {share:.0%} of it"
    )
    return [f"It {reached}. The wanted length comes from the site file."]


def _why(layouts: Sequence[Layout], place: int) -> str:
    """The terms that put the best layout before the next one, or another one behind the best."""
    one = layouts[place]
    if len(layouts) == 1:
        return "No other layout was found."
    other = layouts[0 if place else 1]
    gains = {name: t["points"] - other.terms.get(name, {"points": 0.0})["points"] for name, t in one.terms.items()}
    ahead = [name for name in sorted(gains, key=lambda n: -gains[n]) if gains[name] >= 0.05][:2]
    behind = [name for name in sorted(gains, key=lambda n: gains[n]) if gains[name] <= -0.05][: 2 if place else 1]
    text = f"Score {one.score:.1f} of 100 against {other.score:.1f} for {other.layout_id}"
    won = "it gains by " + " and ".join(f"{TERM_WORDS.get(n, n)} (+{gains[n]:.1f})" for n in ahead) if ahead else ""
    lost = (
        "it loses by " + " and ".join(f"{TERM_WORDS.get(n, n)} (\u2212{-gains[n]:.1f})" for n in behind)
        if behind
        else ""
    )
    parts = [p for p in ((lost, won) if place else (won, lost)) if p]
    return "; ".join([text, *parts]) + "."
