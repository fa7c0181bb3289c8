"""Which of many layouts are really different, and what each of those kept is best at."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Evaluation, Layout

NEAR_M = 3.0
"""Bores whose plan lines stay this near to each other are the same to the eye."""
ALIKE_SHARE = 0.75
"""Layouts of which this share of bores is the same, on the same pad, are one choice."""


def alike(a: Layout, b: Layout) -> bool:
    """Would a designer take these two for one layout: pads overlap, and most bores run the same way."""
    if shapely.distance(a.pad.polygon, b.pad.polygon) > 0:
        return False
    return same_share(a.bores, b.bores) >= ALIKE_SHARE


def same_share(a: Sequence[Bore], b: Sequence[Bore]) -> float:
    """Share of the bores of two layouts that have a twin in the other, each twin counted once, 0..1.

    >>> same_share([], [])
    1.0
    """
    if not a and not b:
        return 1.0
    lines_a, lines_b = (
        [shapely.LineString(np.column_stack([o.x_m[::4], o.y_m[::4]])) for o in side] for side in (a, b)
    )
    left = set(range(len(b)))
    twins = 0
    for line in lines_a:
        away = {j: float(shapely.hausdorff_distance(line, lines_b[j])) for j in left}
        nearest = min(away, key=lambda j: (away[j], j), default=None)
        if nearest is not None and away[nearest] <= NEAR_M:
            left.discard(nearest)
            twins += 1
    return 2 * twins / (len(a) + len(b))


def apart(layouts: Sequence[Layout]) -> list[Layout]:
    """Those that are not like an earlier one."""
    kept: list[Layout] = []
    for layout in layouts:
        if not any(alike(layout, other) for other in kept):
            kept.append(layout)
    return kept


def doubt(e: Evaluation) -> float:
    """How much a layout meets on its way, 0..1: crossings and consents, and the index of contact; 0 when it meets nothing."""
    return 1 - (1 - min(1.0, e.crossing_risk)) / (1 + (e.crossings + e.consents) / CROSSING_HALF)


CROSSING_HALF = 4.0
"""Crossings and consents at which the doubt has grown to one half."""


def distinctions(layouts: Sequence[Layout]) -> list[str]:
    """What each layout is best at, as text: shortest, safest, warmest (of those that carry the house), best fan, best parallel.

    Without a demand there is no shortest and no warmest. "warmest": farthest from both limits of the water.
    """
    marks: list[list[str]] = [[] for _ in layouts]
    holding = [i for i, y in enumerate(layouts) if y.evaluation.heat_margin_k is not None and carries(y)]

    def best(name: str, of: Sequence[int], value: Callable[[int], float]) -> None:
        if of:
            marks[min(of, key=lambda i: (round(value(i), 6), i))].append(name)

    best("shortest", holding, lambda i: layouts[i].evaluation.total_length_m)
    if len(layouts) > 1:
        best("safest", holding or range(len(layouts)), lambda i: doubt(layouts[i].evaluation))
    best("warmest", holding, lambda i: -(layouts[i].evaluation.heat_margin_k or 0.0))
    for pattern in ("fan", "parallel"):
        of = [i for i, y in enumerate(layouts) if y.pattern == pattern]
        best(f"best {pattern}", of, lambda i: -layouts[i].score)
    return [", ".join(m) for m in marks]


def carries(layout: Layout) -> bool:
    """Has it as much bore as the house needs for all its years."""
    return layout.heat is not None and layout.heat.holds


def front(rows: Sequence[Evaluation]) -> list[bool]:
    """True for layouts that no other beats in drilled length, doubt and heat margin at once.

    Where there is no heat to compare, in level run, slants, doubt and header.
    """
    if all(e.heat_margin_k is not None for e in rows):
        figures = [(e.total_length_m, doubt(e), -(e.heat_margin_k or 0.0), 0.0) for e in rows]
    else:
        figures = [(-e.level_length_m, e.total_length_m - e.level_length_m, doubt(e), e.header_length_m) for e in rows]
    return [not any(_beats(other, mine) for other in figures if other is not mine) for mine in figures]


def _beats(a: Sequence[float], b: Sequence[float]) -> bool:
    """No worse in anything, and better in something."""
    pairs = list(zip(a, b, strict=True))
    return all(x <= y + 1e-9 for x, y in pairs) and any(x < y - 1e-6 for x, y in pairs) and not math.isnan(sum(a))
