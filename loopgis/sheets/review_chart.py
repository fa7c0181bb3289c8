"""The trade-off picture of the review page: what may stand on its axes, and where each layout lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.units import FT_M
from loopgis.sheets.review_answer import weighed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.layout.model import Layout
    from loopgis.site.model import Site

METRE = {"us": (1 / FT_M, "ft"), "metric": (1.0, "m")}
PAIRS = (
    (("drilled", "coldest"), ("drilled", "level")),
    (("index", "level"), ("crossings", "level"), ("spacing", "level")),
)
"""What each of the two charts shows at first: of its pairs the first that every layout has figures for."""


@dataclass(frozen=True)
class Axis:
    """A figure that may stand on an axis.

    key: its name in the page's data; words: with its unit; better: "less", "more" or "" where neither is; values: one per layout in
    the site's units, None where it was not computed; whole: figures are counts; text: how each is said.
    """

    key: str
    words: str
    better: str
    values: tuple[float | None, ...]
    whole: bool = False


def axes_of(site: Site, layouts: Sequence[Layout]) -> list[Axis]:
    """Every figure that at least one layout has, in the order in which they are offered."""
    factor, unit = METRE[site.spec.units]
    us = site.spec.units == "us"
    degree, kelvin = ("°F", 1.8) if us else ("°C", 1.0)
    coin = "" if site.spec.cost is None else f", {site.spec.cost.currency}"

    def axis(key: str, words: str, better: str, of: Callable[[Layout], float | None], *, whole: bool = False) -> Axis:
        return Axis(key, words, better, tuple(_rounded(of(y)) for y in layouts), whole)

    def length(of: Callable[[Layout], float | None]) -> Callable[[Layout], float | None]:
        return lambda y: _times(of(y), factor)

    def water(of: Callable[[Layout], float | None]) -> Callable[[Layout], float | None]:
        return lambda y: None if (v := of(y)) is None else v * kelvin + (32.0 if us else 0.0)

    offered = [
        axis("drilled", f"drilled, {unit}", "less", length(lambda y: y.evaluation.total_length_m)),
        axis("level", f"level run, {unit}", "more", length(lambda y: y.evaluation.level_length_m)),
        axis("needed", f"bore needed, {unit}", "less", length(lambda y: y.evaluation.needed_length_m)),
        axis("coldest", f"coldest water, {degree}", "more", water(lambda y: y.evaluation.ewt_min_c)),
        axis("warmest", f"warmest water, {degree}", "less", water(lambda y: y.evaluation.ewt_max_c)),
        axis(
            "margin",
            f"water to its nearest limit, {degree}",
            "more",
            lambda y: _times(y.evaluation.heat_margin_k, kelvin),
        ),
        axis("cost", f"estimate{coin}", "less", lambda y: y.evaluation.cost),
        axis("days", "crew days", "less", lambda y: y.evaluation.crew_days),
        axis("index", "crossing index", "less", lambda y: y.evaluation.crossing_risk),
        axis("crossings", "crossings", "less", lambda y: float(y.evaluation.crossings), whole=True),
        axis("spacing", f"least spacing, {unit}", "more", length(lambda y: y.evaluation.spacing_min_m)),
        axis("room", f"least margin of a distance, {unit}", "more", length(lambda y: y.evaluation.min_margin_m)),
        axis("header", f"header, {unit}", "less", length(lambda y: y.evaluation.header_length_m)),
        axis("pump", "loop pump, W", "less", lambda y: y.evaluation.pump_w),
        axis("bores", "bores", "", lambda y: float(y.evaluation.bores), whole=True),
        axis("score", "score of 100", "more", lambda y: y.score),
    ]
    return [a for a in offered if any(v is not None for v in a.values)]


def chart_data(site: Site, layouts: Sequence[Layout]) -> dict[str, Any]:
    """What the page draws the trade-off from.

    least: of each layout the drilled length under which no other choice of its pad's bores can go, in the site's units; None where
    nothing was proven, or where more than the length counted when it was chosen.
    """
    axes = axes_of(site, layouts)
    full = {a.key for a in axes if None not in a.values}
    factor = METRE[site.spec.units][0]
    first = [next((p for p in pairs if set(p) <= full), ("drilled", "score")) for pairs in PAIRS]
    return {
        "axes": {
            a.key: {"words": a.words, "better": a.better, "values": list(a.values), "whole": a.whole} for a in axes
        },
        "order": [a.key for a in axes],
        "first": [list(p) for p in first],
        "least": [None if weighed(site) else _times(least_drilled_m(y), factor) for y in layouts],
    }


def least_drilled_m(layout: Layout) -> float | None:
    """Drilled length under which no other choice of bores of this pad keeps the water within its limits; None where not proven.

    The proof speaks of what is still to drill; bores in the ground stay.
    """
    gap = layout.evaluation.bound_gap_pct
    if gap is None:
        return None
    still = sum(b.length_m for b in layout.bores if not b.in_ground)
    return layout.evaluation.total_length_m - still * gap / 100


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _rounded(value: float | None) -> float | None:
    """Six significant figures, None for what is none."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")
