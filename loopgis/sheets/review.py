"""review.html: one long page that answers first and then shows why. Holds everything itself, asks no network; prints as it is.

A part of its script or style: a file in `page/`, scripts named in `SCRIPTS` after those they need. What the script draws comes from
`review_data.py`, what can be read without it from the template.
"""

from __future__ import annotations

import math
from importlib import resources
from typing import TYPE_CHECKING, Any

from loopgis.core.findings import in_order
from loopgis.hydraulics.charge import pressure_tests
from loopgis.layout.gate import gate_of
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.review_answer import TERM_WORDS, answer, carries, headline
from loopgis.sheets.review_data import page_data
from loopgis.sheets.review_pictures import embedded
from loopgis.sheets.review_words import Words, cost_note, index_text, money, mud_words, said
from loopgis.sheets.tablet_page import data_text, hashed, part

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from loopgis.core.findings import Finding
    from loopgis.layout.model import Clearance, Layout
    from loopgis.rules.model import Zone
    from loopgis.sheets.review_pictures import Pictures
    from loopgis.site.model import Site

__all__ = ["answer", "carries", "headline", "write_review"]

SCRIPTS = ("dom.js", "review_profiles.js", "review_charts.js", "review_scene.js", "review.js")
"""Parts of the page's script, each after what it needs."""
ROWS_SHOWN = 40
"""Rows of one outcome shown per layout; the rest is in layouts.gpkg."""
NOT_COMPUTED = ("The header's own bore or trench in detail; valves and controls in the house.",)
SHAPES = {name: m.shape for name, m in tokens.OUTCOME.items()} | {"consent_needed": "sheet", "ruling_needed": "lozenge"}
"""Mark of each outcome. What nobody could verify and what an owner or an office must allow ask for different people, so they
do not look alike."""


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
    environment.filters["said"] = said
    words = Words(site.spec.units)
    data = page_data(site, zones, layouts)
    page = environment.from_string(text).render(
        **_shell(data),
        site=site,
        layouts=layouts,
        best=layouts[0],
        headlines=[headline(layouts, n) for n in range(len(layouts))],
        answers=[answer(site, layouts, n) for n in range(len(layouts))],
        figures=[key_figures(site, y) for y in layouts],
        with_heat=any(y.heat is not None for y in layouts),
        bounded=any(v is not None for v in data["chart"]["least"]),
        notes=data["scene"]["notes"],
        carries=carries,
        pictures=embedded(pictures),
        clearances=[grouped(y.clearances) for y in layouts],
        unverified=[sum(c.outcome == "unverified" for c in y.clearances) for y in layouts],
        names={f.feature_id: f.label for f in site.all_features() if f.label},
        rules=sorted({z.rule.key.split("/")[0] for z in zones} or set(site.spec.rules)),
        findings=in_order(list(findings)),
        pads=summary.get("pads_tried", []),
        outcomes=tokens.OUTCOME,
        shapes=SHAPES,
        colours=data["colours"],
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
        money=lambda value: money(site, value),
        cost_note=cost_note(site),
    )
    path.write_text(page, "utf-8")


def _shell(data: dict[str, Any]) -> dict[str, str]:
    """Style, scripts, data and their policy: scripts by their hashes, styles inline, since the library makes some as it draws."""
    import plotly.offline  # noqa: PLC0415

    library = part("review_first.js") + plotly.offline.get_plotlyjs()
    script = "\n".join(part(name) for name in SCRIPTS)
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src '{hashed(library)}' '{hashed(script)}'",
            "style-src 'unsafe-inline'",
            "img-src data: blob:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    return {
        "policy": policy,
        "style": _colours() + part("review.css"),
        "library": library,
        "script": script,
        "data": data_text(data),
    }


def _colours() -> str:
    """The tokens that the style sheet uses."""
    named = {
        "ink": tokens.INK,
        "paper": tokens.PAPER,
        "text": tokens.TEXT,
        "soft": tokens.TEXT_SOFT,
        "band": tokens.COVER_BAND,
        "ground": tokens.GROUND_LIGHT,
        "line": tokens.GROUND_DARKEST,
        "closed": tokens.CLOSED,
    }
    return ":root { " + " ".join(f"--{name}: {colour};" for name, colour in named.items()) + " }\n"


def key_figures(site: Site, y: Layout) -> list[tuple[str, str, str]]:
    """Key, name and value of the figures that stand under the answer."""
    e, words = y.evaluation, Words(site.spec.units)
    by_heat = y.heat is not None and site.spec.bore.length_m is None
    rows = [
        ("score", "score of 100", f"{y.score:.1f}"),
        ("level_length_m", "level run", words.length(e.level_length_m, 0)),
        ("wanted_length_m", "level run needed" if by_heat else "wanted", words.length(e.wanted_length_m, 0)),
        ("bores", "bores", str(e.bores)),
        ("total_length_m", "drilled in all", words.length(e.total_length_m, 0)),
    ]
    if y.heat is not None:
        rows += [
            ("ewt_min_c", "coldest water", words.temperature(e.ewt_min_c)),
            ("ewt_max_c", "warmest water", words.temperature(e.ewt_max_c)),
        ]
    rows += [
        ("spacing_min_m", "least spacing", words.length(e.spacing_min_m)),
        ("crossings", "crossings", str(e.crossings)),
        ("crossing_risk", "crossing index", index_text(e.crossing_risk)),
        ("header_length_m", "header", words.length(e.header_length_m, 0)),
    ]
    if e.cost is not None and e.crew_days is not None:
        rows += [("cost", "estimate, no offer", money(site, e.cost)), ("crew_days", "crew days", f"{e.crew_days:g}")]
    return rows


def grouped(rows: Sequence[Clearance]) -> list[tuple[str, list[Clearance]]]:
    """Rows by outcome, worst outcome first, least margin first within one."""

    def order(c: Clearance) -> tuple[float, str, str]:
        return (c.margin_m if math.isfinite(c.margin_m) else math.inf, c.bore_id, c.feature_id)

    names = sorted(tokens.OUTCOME, key=lambda name: tokens.OUTCOME[name].rank)
    groups = [(name, sorted((c for c in rows if c.outcome == name), key=order)) for name in names]
    return [(name, group) for name, group in groups if group]
