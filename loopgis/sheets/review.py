"""review.html: one long page that answers first and then shows why. Self-contained, without script; prints as it is."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core.findings import in_order
from loopgis.core.units import (
    FT_M,
    flow_text,
    force_text,
    head_text,
    kelvin_text,
    length_text,
    money_text,
    temperature_text,
    volume_text,
)
from loopgis.hydraulics.charge import pressure_tests
from loopgis.layout.annulus import why_text
from loopgis.layout.gate import gate_of
from loopgis.sheets import review_chart, tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.plumbing_rows import amount_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopgis.core.findings import Finding
    from loopgis.layout.annulus import BoreMud
    from loopgis.layout.heat import Heat
    from loopgis.layout.material import Material
    from loopgis.layout.model import Clearance, Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site

    Pictures = Mapping[str, Path | Sequence[Path]]

PICTURE_PX, PICTURE_BYTES, LEAST_PX = 1800, 900_000, 1000
"""Embedded pictures: greatest width, wanted size of each, and the width below which they are not made smaller."""
PAGE_BYTES = 7_000_000
"""What all pictures of a page may take together, base64 included."""
ROWS_SHOWN = 40
"""Rows of one outcome shown per layout; the rest is in layouts.gpkg."""
HOPELESS = 0.5
"""With less than this share of the bore that is needed, temperatures mean nothing and are not printed."""
LEAST_GAP_PCT = 0.05
ENOUGH = 0.995
"""Share of the wanted length that counts as reached, as in the findings of a layout."""
NOT_COMPUTED = ("The header's own bore or trench in detail; valves and controls in the house.",)
TERM_WORDS = {
    "level": "level run against what is wanted (by the heat, or by the site file); where none reaches it, half against the longest",
    "economy": "share of the drilled length that is level",
    "spacing": "spacing between level runs",
    "crossings": "few things to cross",
    "margin": "room left beyond the distances",
    "header": "short way to the house",
}


def write_review(
    path: Path,
    site: Site,
    zones: Sequence[Zone],
    layouts: Sequence[Layout],
    pictures: Pictures,
    findings: Sequence[Finding],
    summary: Mapping[str, Any],
) -> None:
    """Write the page for ranked layouts (at least one), best first.

    pictures: file or files per layout id, embedded, re-encoded smaller where they are large; summary: `Design.summary()`.
    Raises OSError when a picture cannot be read or the page not written.
    """
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415

    text = (resources.files("loopgis") / "sheets" / "templates" / "review.html.j2").read_text("utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    words = Words(site.spec.units)
    page = environment.from_string(text).render(
        site=site,
        layouts=layouts,
        best=layouts[0],
        answer=answer(site, layouts),
        headline=_headline(layouts),
        charts=review_chart.charts(layouts, site.spec.units),
        pictures=embedded(pictures),
        clearances={y.layout_id: grouped(y.clearances) for y in layouts},
        unverified={y.layout_id: sum(c.outcome == "unverified" for c in y.clearances) for y in layouts},
        names={f.feature_id: f.label for f in site.all_features() if f.label},
        rules=sorted({z.rule.key.split("/")[0] for z in zones} or set(site.spec.rules)),
        findings=in_order(list(findings)),
        pads=summary.get("pads_tried", []),
        outcomes=tokens.OUTCOME,
        colours={"ink": tokens.INK, "soft": tokens.TEXT_SOFT, "text": tokens.TEXT},
        term_words=TERM_WORDS,
        not_computed=NOT_COMPUTED,
        cautions=CAUTIONS,
        rows_shown=ROWS_SHOWN,
        unit=words.unit,
        fmt=words.figure,
        length=words.length,
        index=index_text,
        area=words.area(site.parcel.area),
        degrees=words.temperature,
        kelvin=words.kelvin,
        force=words.force,
        volume=words.volume,
        flow=words.flow,
        head=words.head,
        amount=words.amount,
        tests=pressure_tests(),
        gate=gate_of(site.ticket),
        mud_words=mud_words,
        currency="" if site.spec.cost is None else site.spec.cost.currency,
        money=lambda value: _money(site, value),
        cost_note=_cost_note(site),
    )
    path.write_text(page, "utf-8")


@dataclass(frozen=True)
class Words:
    """Lengths as people of a unit system read them; units: "us" or "metric". A dash stands for what is not known."""

    units: str

    @property
    def unit(self) -> str:
        """Word of the length unit, for column heads."""
        return "ft" if self.units == "us" else "m"

    def figure(self, metres: float | None, digits: int = 1) -> str:
        """Bare figure, for columns whose head carries the unit."""
        if metres is None or not math.isfinite(metres):
            return "\u2013"
        return f"{metres / (FT_M if self.units == 'us' else 1.0):.{digits}f}"

    def length(self, metres: float | None, digits: int = 1) -> str:
        """Figure with its unit."""
        text = self.figure(metres, digits)
        return text if text == "\u2013" else f"{text} {self.unit}"

    def temperature(self, celsius: float | None) -> str:
        """Temperature with its unit."""
        return "\u2013" if celsius is None or not math.isfinite(celsius) else temperature_text(celsius, self.units)

    def force(self, newtons: float) -> str:
        """Force with its unit."""
        return force_text(newtons, self.units)

    def flow(self, cubic_m_s: float | None) -> str:
        """Flow with its unit."""
        return "\u2013" if cubic_m_s is None else flow_text(cubic_m_s, self.units)

    def head(self, pascals: float | None) -> str:
        """Pressure of a pump with its unit."""
        return "\u2013" if pascals is None else head_text(pascals, self.units)

    def amount(self, material: Material) -> str:
        """Amount of a line of the order."""
        return amount_text(material, self.units)

    def volume(self, cubic_m: float) -> str:
        """Volume of mud or spoil with its unit."""
        return volume_text(cubic_m, self.units)

    def kelvin(self, kelvin: float, digits: int = 2) -> str:
        """Temperature difference with its unit."""
        return kelvin_text(kelvin, self.units, digits)

    def area(self, square_m: float) -> str:
        """Area of a lot."""
        return f"{square_m / FT_M**2 / 43560:.2f} acres" if self.units == "us" else f"{square_m:.0f} m\u00b2"


def mud_words(mud: BoreMud | None) -> str:
    """Mud pressure of a bore in a few words."""
    if mud is None:
        return "not computed"
    if not bool((mud.over | mud.tight).any()):
        return "fits"
    return why_text(mud).split(":")[0]


def _money(site: Site, value: float | None) -> str:
    cost = site.spec.cost
    return "\u2013" if value is None or cost is None else money_text(value, cost.currency)


def _cost_note(site: Site) -> str:
    """What stands behind the estimate, when most of it is defaults."""
    cost = site.spec.cost
    if cost is None or not cost.assumed:
        return ""
    return f" Left to their defaults here: {', '.join(sorted(cost.assumed))}."


def index_text(value: float | None) -> str:
    """Crossing index with two figures; what is too small to mean anything is only said to be small.

    >>> index_text(0.0345), index_text(1e-80), index_text(0.0)
    ('0.035', '< 1e-6', '0')
    """
    if value is None or not math.isfinite(value):
        return "\u2013"
    if 0 < value < 1e-6:
        return "< 1e-6"
    return f"{value:.2g}"


def answer(site: Site, layouts: Sequence[Layout]) -> list[str]:
    """The first sentences of the page: what the best layout is, whether it carries the house, and why it comes first."""
    best, units = layouts[0], site.spec.units
    e = best.evaluation
    drilled, level = length_text(e.total_length_m, units, 0), length_text(e.level_length_m, units, 0)
    bores = f"{e.bores} bore{'s' if e.bores != 1 else ''}"
    told = [f"{bores} in a {best.pattern} pattern, {drilled} drilled, of which {level} run level at depth."]
    told += _carries(best, units)
    told += _enough(site, best)
    told += _bounded(best, weighed=site.spec.per_bore_m > 0 or site.spec.per_crossing_m > 0)
    told.append(_why(layouts))
    return told


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


def _headline(layouts: Sequence[Layout]) -> str:
    """What stands over everything else."""
    best = layouts[0].layout_id
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


def _why(layouts: Sequence[Layout]) -> str:
    """The terms that put the best layout before the next one."""
    best = layouts[0]
    if len(layouts) == 1:
        return "No other layout was found."
    other = layouts[1]
    gains = {name: t["points"] - other.terms.get(name, {"points": 0.0})["points"] for name, t in best.terms.items()}
    ahead = [name for name in sorted(gains, key=lambda n: -gains[n]) if gains[name] >= 0.05][:2]
    behind = [name for name in sorted(gains, key=lambda n: gains[n]) if gains[name] <= -0.05][:1]
    text = f"Score {best.score:.1f} of 100 against {other.score:.1f} for {other.layout_id}"
    if ahead:
        text += "; it gains by " + " and ".join(f"{TERM_WORDS.get(n, n)} (+{gains[n]:.1f})" for n in ahead)
    if behind:
        text += "; it loses by " + f"{TERM_WORDS.get(behind[0], behind[0])} (\u2212{-gains[behind[0]]:.1f})"
    return text + "."


def grouped(rows: Sequence[Clearance]) -> list[tuple[str, list[Clearance]]]:
    """Rows by outcome, worst outcome first, least margin first within one."""

    def order(c: Clearance) -> tuple[float, str, str]:
        return (c.margin_m if math.isfinite(c.margin_m) else math.inf, c.bore_id, c.feature_id)

    names = sorted(tokens.OUTCOME, key=lambda name: tokens.OUTCOME[name].rank)
    groups = [(name, sorted((c for c in rows if c.outcome == name), key=order)) for name in names]
    return [(name, group) for name, group in groups if group]


def embedded(pictures: Pictures) -> dict[str, list[str]]:
    """Pictures as data URIs by layout id, made small enough that the page stays under 8 MB."""
    files = {k: [v] if isinstance(v, Path) else list(v) for k, v in pictures.items()}
    count = sum(len(v) for v in files.values())
    limit = min(PICTURE_BYTES, int(PAGE_BYTES * 0.74 / max(count, 1)))
    return {k: [_data_uri(p, limit) for p in paths] for k, paths in files.items()}


def _data_uri(path: Path, limit_bytes: int) -> str:
    """Picture as WebP, narrowed until it keeps the limit or reaches the least width; no palette, so that thin colours survive."""
    from PIL import Image  # noqa: PLC0415 - comes with matplotlib

    with Image.open(path) as image:
        full = image.convert("RGB")
    width = min(full.width, PICTURE_PX)
    while True:
        height = round(full.height * width / full.width)
        small = full if width == full.width else full.resize((width, height), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        small.save(out, "WEBP", quality=88, method=3)
        if out.tell() <= limit_bytes or width <= LEAST_PX:
            return "data:image/webp;base64," + base64.b64encode(out.getvalue()).decode("ascii")
        width = max(LEAST_PX, int(width * 0.8))
