"""Evaluation and score of a layout: every term shown, none hidden.

A term is a raw figure, a share between 0 and 1 made of it, and a weight; the score is 100 times the weighted mean of the shares.
To add a term: one entry in `_shares` and its default weight in DEFAULT_WEIGHTS.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from loopgis.layout.distinct import doubt
from loopgis.layout.model import Evaluation
from loopgis.layout.separation import PairDistance, SeparationRule, measure_pair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Clearance, Crossing, Header

DEFAULT_WEIGHTS = {"level": 50.0, "economy": 15.0, "spacing": 15.0, "crossings": 10.0, "margin": 3.0, "header": 7.0}
"""House weights: what a layout must bring first is level run. Set others in [score]."""
ENOUGH_MARGIN_M = 2.0
HEADER_HALF_M = 30.0
"""Header run at which its share has fallen to one half."""


def pair_distances(
    bores: Sequence[Bore], rule: SeparationRule, known: dict[tuple[int, int], PairDistance] | None = None
) -> dict[tuple[int, int], PairDistance]:
    """All pairs of a layout. known: distances found earlier by the ids of the two bore objects; read and added to."""
    known = {} if known is None else known
    result = {}
    for i, j in combinations(range(len(bores)), 2):
        key = (id(bores[i]), id(bores[j]))
        if key not in known:
            known[key] = measure_pair(bores[i], bores[j], rule)
        result[i, j] = known[key]
    return result


def evaluate(
    bores: Sequence[Bore],
    pairs: dict[tuple[int, int], PairDistance],
    crossings: Sequence[Crossing],
    clearances: Sequence[Clearance],
    header: Header | None,
    wanted_length_m: float | None,
) -> Evaluation:
    """Named figures of a layout. Spacing is between level runs: least over all pairs, and mean over bores of the nearest."""
    nearest = [
        min((p.level_m for (i, j), p in pairs.items() if k in (i, j) and p.level_m is not None), default=None)
        for k in range(len(bores))
    ]
    known = [d for d in nearest if d is not None]
    margins = [c.margin_m for c in clearances if c.basis == "plan" and c.outcome in {"pass", "pass_thin", "fail"}]
    return Evaluation(
        bores=len(bores),
        total_length_m=float(sum(b.length_m for b in bores)),
        level_length_m=float(sum(b.level_length_m for b in bores)),
        wanted_length_m=wanted_length_m,
        spacing_min_m=min(known, default=None),
        spacing_mean_m=float(np.mean(known)) if known else None,
        near_pad_min_m=min((p.elsewhere_m for p in pairs.values()), default=None),
        crossings=sum(c.how != "beside" for c in crossings),
        consents=sum(c.outcome == "consent_needed" for c in clearances),
        unverified=sum(c.outcome == "unverified" for c in clearances),
        crossing_risk=0.0,  # with the bores' and the map's own parts: crossing_risk.risk_of
        min_margin_m=min(margins, default=None),
        header_length_m=header.length_m if header else 0.0,
    )


def score(
    e: Evaluation, weights: dict[str, float], *, spacing_m: float, best_level_m: float
) -> tuple[float, dict[str, dict[str, float]]]:
    """Score 0..100 and its terms.

    best_level_m: longest level run of all layouts compared. The level share is measured against the wanted length; where no layout
    reaches that, half of it against the longest, so that layouts still differ; where nothing is wanted, against the longest.
    """
    use = {**DEFAULT_WEIGHTS, **weights}
    whole = sum(use.values())
    terms = {}
    for name, (value, share) in _shares(e, spacing_m, best_level_m).items():
        weight = use[name] / whole if whole > 0 else 1 / len(use)
        terms[name] = {
            "value": round(value, 6),
            "share": round(share, 6),
            "weight": round(weight, 6),
            "points": round(100 * share * weight, 6),
        }
    return round(sum(t["points"] for t in terms.values()), 6), terms


def _shares(e: Evaluation, spacing_m: float, best_level_m: float) -> dict[str, tuple[float, float]]:
    reached = min(1.0, e.level_length_m / best_level_m) if best_level_m > 0 else 0.0
    if e.wanted_length_m:
        short = best_level_m < e.wanted_length_m
        share = min(1.0, e.level_length_m / e.wanted_length_m)
        reached = (share + reached) / 2 if short else share
    spread = e.spacing_mean_m if e.spacing_mean_m is not None else 2 * spacing_m
    return {
        "level": (e.level_length_m, reached),
        "economy": (
            e.level_length_m / e.total_length_m if e.total_length_m else 0.0,
            e.level_length_m / e.total_length_m if e.total_length_m else 0.0,
        ),
        "spacing": (spread, min(1.0, spread / (1.5 * spacing_m))),
        "crossings": (float(e.crossings + e.consents), 1 - doubt(e)),
        "margin": (e.min_margin_m or 0.0, min(1.0, max(0.0, e.min_margin_m or 0.0) / ENOUGH_MARGIN_M)),
        "header": (e.header_length_m, 1 / (1 + e.header_length_m / HEADER_HALF_M)),
    }
