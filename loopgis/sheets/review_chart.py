"""The trade-off pictures of the review page: where each layout lies, as places in an SVG box. No drawing library needed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.core.units import FT_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.layout.model import Layout

WIDTH, HEIGHT = 460.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 14.0, 30.0, 46.0
PAD = 14.0
"""Room left and right for marks on the first and last figure."""
LINE = 15.0


@dataclass(frozen=True)
class Tick:
    """A figure at a place along an axis of the box."""

    at: float
    text: str


@dataclass(frozen=True)
class Point:
    """A layout's mark (x, y) and its name (text_x, text_y, end = written leftwards from there)."""

    x: float
    y: float
    name: str
    fan: bool
    best: bool
    text_x: float
    text_y: float
    end: bool


@dataclass(frozen=True)
class Chart:
    """One picture: title words of both axes, ticks and marks."""

    across: str
    up: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    points: tuple[Point, ...]


def charts(layouts: Sequence[Layout], units: str) -> list[Chart]:
    """Level run against crossings, and level run against least spacing (layouts without a spacing are not in that one)."""
    factor, word = (FT_M, "ft") if units == "us" else (1.0, "m")
    level = [y.evaluation.level_length_m / factor for y in layouts]
    up = f"level run, {word}"
    made = [_chart(layouts, [float(y.evaluation.crossings) for y in layouts], level, "crossings", up, whole=True)]
    spaced = [(y, v) for y, v in zip(layouts, level, strict=True) if y.evaluation.spacing_min_m is not None]
    if spaced:
        across = [(y.evaluation.spacing_min_m or 0.0) / factor for y, _ in spaced]
        made.append(
            _chart([y for y, _ in spaced], across, [v for _, v in spaced], f"least spacing, {word}", up, whole=False)
        )
    return made


def nice_ticks(low: float, top: float, *, whole: bool) -> list[float]:
    """Round figures from the last one at or below low to the first one at or above top, at most eight.

    >>> nice_ticks(0.0, 7.0, whole=True), nice_ticks(15.0, 15.9, whole=False)
    ([0.0, 2.0, 4.0, 6.0, 8.0], [15.0, 15.2, 15.4, 15.6, 15.8, 16.0])
    """
    span = max(top - low, 1e-3 * abs(top), 1e-6)
    steps = (m * 10.0**power for power in range(-7, 7) for m in (1, 2, 5))
    step = next(s for s in steps if span / s <= 6 and (s >= 1 or not whole))
    first, last = math.floor(low / step + 1e-9), math.ceil(top / step - 1e-9)
    return [round(n * step, 6) for n in range(first, max(last, first + 1) + 1)]


def _chart(
    layouts: Sequence[Layout], across: list[float], up: list[float], x_words: str, y_words: str, *, whole: bool
) -> Chart:
    xs = nice_ticks(0.0 if whole else min(across), max(across), whole=whole)
    ys = nice_ticks(0.0, max(up), whole=False)

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            round(LEFT + PAD + (x - xs[0]) / (xs[-1] - xs[0]) * (WIDTH - LEFT - RIGHT - 2 * PAD), 1),
            round(HEIGHT - BOTTOM - y / ys[-1] * (HEIGHT - TOP - BOTTOM), 1),
        )

    spots = [place(x, y) for x, y in zip(across, up, strict=True)]
    return Chart(
        across=x_words,
        up=y_words,
        x_ticks=tuple(Tick(place(x, 0)[0], f"{x:g}") for x in xs),
        y_ticks=tuple(Tick(place(xs[0], y)[1], f"{y:g}") for y in ys),
        points=_points(layouts, spots),
    )


def _points(layouts: Sequence[Layout], spots: Sequence[tuple[float, float]]) -> tuple[Point, ...]:
    """Marks with their names; a name moves down, up or to the other side until it meets no other name or mark."""
    taken: list[tuple[float, float, float, float]] = [(x - 9, y - 9, x + 9, y + 9) for x, y in spots]
    points = []
    for y, (px, py) in zip(layouts, spots, strict=True):
        first = px > WIDTH - 70
        steps = sorted(range(-10, 11), key=abs)
        places = [
            (px - 12 if side else px + 12, py + 4 + k * LINE / 2, side) for k in steps for side in (first, not first)
        ]
        text_x, text_y, end = next((p for p in places if not _hits(_name_box(*p), taken)), places[0])
        taken.append(_name_box(text_x, text_y, end))
        points.append(Point(px, py, y.layout_id, y.pattern == "fan", y.rank == 1, text_x, text_y, end))
    return tuple(points)


def _name_box(x: float, y: float, end: bool) -> tuple[float, float, float, float]:  # noqa: FBT001
    return (x - 36, y - 11, x, y + 3) if end else (x, y - 11, x + 36, y + 3)


def _hits(box: tuple[float, float, float, float], taken: Sequence[tuple[float, float, float, float]]) -> bool:
    inside = box[0] > LEFT and box[2] < WIDTH and box[1] > 0 and box[3] < HEIGHT - BOTTOM + 6
    return not inside or any(box[0] < t[2] and box[2] > t[0] and box[1] < t[3] and box[3] > t[1] for t in taken)
