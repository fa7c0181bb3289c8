"""What the mud of the pilot needs to come back and what the ground bears, on the scale of the profile above it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.layout.annulus import THIN_COVER_M
from loopgis.sheets import figure
from loopgis.sheets.drill_paper import HEAVY, RULE, SMALL, THIN, pressure, width_in
from loopgis.sheets.drill_profile import BAR_IN, hatched, limits_across, new_chart, stretches_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.drill_book import DrillPage
    from loopgis.sheets.drill_paper import Paper
    from loopgis.sheets.drill_profile import Chart

    Array = NDArray[np.float64]
    Box = tuple[float, float, float, float]

WANTED = 1.5
"""Capacity over demand that is wanted (bore/mud.py)."""
NOT_COMPUTED = "No ground strength given: mud pressures not computed."
NO_FACTOR = (
    "The room between the lines is not a safety factor: where it was measured, the ground bore less. Expect returns."
)
DEMAND, HIGH, BEARS, WEIGHT = "-", (0, (1, 1.6)), (0, (7, 2)), (0, (6, 2, 1, 2))
"""Dashes of the four pressures."""
SHORT_IN = 2.6
"""On a bore shorter than this on paper the names of the lines have no room."""
HATCH = {"thin cover": "..", "tight": "///", "over": "xxxxx"}


def known(page: DrillPage) -> bool:
    """Whether mud pressures were computed."""
    a = page.along
    return bool(np.any(np.isfinite(a.demand_pa) & np.isfinite(a.capacity_pa)))


def stretches(page: DrillPage) -> dict[str, list[tuple[float, float]]]:
    """Stretches in drilled metres by word: thin cover, tight, over.

    Near the ends, under less than 4 ft of cover over the hole, mud is to be expected in any case and is not judged; see
    layout/annulus. tight: demand beyond capacity over 1.5 or beyond the overburden; over: beyond the capacity.
    """
    a = page.along
    deep = np.flatnonzero(a.ground_m - a.z_m >= THIN_COVER_M + page.figures.hole_diameter_m / 2)
    judged = np.zeros(len(a.station_m), dtype=bool)
    if len(deep):
        judged[deep[0] : deep[-1] + 1] = True
    over = judged & (a.demand_pa > a.capacity_pa)
    tight = judged & ~over & ((a.demand_pa > a.capacity_pa / WANTED) | (a.demand_pa > a.overburden_pa))
    flags = {"thin cover": ~judged, "tight": tight, "over": over}
    return {name: stretches_of(a.station_m, flag) for name, flag in flags.items()}


def mud_words(page: DrillPage, units: str) -> list[str]:
    """What stands under the picture, one text a line: what the stretches are, the warning, where mud may surface."""
    if not known(page):
        return [NOT_COMPUTED, *(_begun(t) for t in page.returns)]
    factor, word = figure.in_units(units)
    found = stretches(page)
    told = [f"{sum(b - a for a, b in found[n]) / factor:.0f} {word} {n}" for n in ("over", "tight") if found[n]]
    text = f"{'; '.join(told)}." if told else "No stretch under full cover is tight or over."
    return [f"{text} {NO_FACTOR}", *(_begun(t) for t in page.returns)]


def _begun(text: str) -> str:
    """With a capital letter."""
    return text[:1].upper() + text[1:]


def mud(paper: Paper, page: DrillPage, y_in: float, tall_in: float, span_m: float) -> None:
    """Demand, capacity and overburden along the bore on the profile's scale, with hatched bars where they are near each other."""
    factor, _ = figure.in_units(paper.units)
    a = page.along
    s = a.plan_m / factor
    per, unit = pressure(1.0, paper.units)
    lines = [
        ("needed (power law)", a.demand_pa * per, DEMAND, HEAVY),
        ("needed (Bingham)", a.demand_high_pa * per, HIGH, HEAVY),
        ("ground bears", a.capacity_pa * per, BEARS, HEAVY),
        ("weight above", a.overburden_pa * per, WEIGHT, RULE),
    ]
    caption = 0.14
    tall = tall_in - caption
    tops = [float(np.nanmax(v)) for _, v, _, _ in lines if np.any(np.isfinite(v))]
    high = max(float(np.nanmax(lines[1][1])) if np.any(np.isfinite(lines[1][1])) else tops[0], *tops[:1])
    high = 1.12 * min(max(tops), max(2.5 * high, 1e-6))
    share = (BAR_IN + 0.03) / tall
    up = (-high * share / (1 - share), high)
    chart = new_chart(paper, y_in + caption, tall, limits_across(span_m, factor), up, figures=False)
    chart.axes.spines["bottom"].set_visible(False)
    chart.axes.tick_params(axis="x", length=0)
    chart.axes.set_yticks([t for t in chart.axes.get_yticks() if 0 <= t <= high])
    chart.axes.plot(s[[0, -1]], [0, 0], color="black", lw=THIN)
    words = (
        f"Mud in the pilot hole, {unit}. Tight: more needed than borne / {WANTED:g} or than the weight above; over: more than"
        " borne. Dots: thin cover."
    )
    paper.text(paper.left_in, y_in + 0.1, words)
    for _, v, dash, width in lines:
        chart.axes.plot(s, v, color="black", lw=width, ls=dash, zorder=5)
    if chart.x_in(float(s[-1])) - chart.left_in < SHORT_IN < 0.5 * chart.wide_in:
        _key(paper, chart, float(s[-1]), [(name, dash, width) for name, _, dash, width in lines])
    else:
        _name_lines(paper, chart, s, [(name, v) for name, v, _, _ in lines])
    room = chart.per_in()
    for name, parts in stretches(page).items():
        for first, last in parts:
            left, right = np.interp((first, last), a.station_m, s)
            hatched(
                paper, chart, (float(left), float(right)), (-(BAR_IN + 0.015) * room, -0.015 * room), HATCH[name], name
            )


def _name_lines(paper: Paper, chart: Chart, s: Array, lines: Sequence[tuple[str, Array]]) -> None:
    """Write each line's name on it, where the other lines are farthest and no name stands yet; beside it when there is no place."""
    x = np.array([chart.x_in(float(v)) for v in s])
    y = np.array([[chart.y_in(float(v)) for v in values] for _, values in lines])
    held: list[Box] = []
    for n in sorted(range(len(lines)), key=lambda n: -width_in(lines[n][0], SMALL)):
        name = lines[n][0]
        half = width_in(name, SMALL) / 2 + 0.03
        for off in (0.0, -0.1, 0.1):
            places = [
                _place(chart, x, y, n, (float(at), off, half)) for at in np.arange(x[0] + half, x[-1] - half, 0.08)
            ]
            free = [p for p in places if p is not None and not any(_meet(p[1], h) for h in held)]
            if free:
                _, box = max(free, key=lambda p: p[0])
                held.append(box)
                paper.text((box[0] + box[2]) / 2, (box[1] + box[3]) / 2 + 0.033, name, ha="center", white=True)
                break


def _key(paper: Paper, chart: Chart, end: float, lines: Sequence[tuple[str, Any, float]]) -> None:
    """Names beside a bore that is too short to write on: a piece of each line and its name, right of the exit."""
    x, per = chart.x_in(end) + 0.25, (chart.across[1] - chart.across[0]) / chart.wide_in
    for n, (name, dash, width) in enumerate(lines):
        y = chart.top_in + 0.1 + n * 0.13
        up = chart.up[1] - (y - chart.top_in) * chart.per_in()
        left = chart.across[0] + (x - chart.left_in) * per
        chart.axes.plot([left, left + 0.5 * per], [up, up], color="black", lw=width, ls=dash)
        paper.text(x + 0.6, y + 0.033, name)


def _place(chart: Chart, x: Array, y: Array, n: int, where: tuple[float, float, float]) -> tuple[float, Box] | None:
    """How good it would be to write on line n at (place across, off it, half width), and the box; None outside the chart."""
    at, off, half = where
    span = (x > at - half) & (x < at + half)
    line = float(np.interp(at, x, y[n]))
    if not math.isfinite(line) or not np.any(span):
        return None
    here = line + off
    if not chart.top_in + 0.06 < here < chart.y_in(0.0) - 0.06:
        return None
    others = np.abs(np.delete(y, n, axis=0)[:, span] - here)
    away = min(float(np.nanmin(others)), 0.3) if np.any(np.isfinite(others)) else 0.3
    return away - 0.3 * float(np.ptp(y[n][span])), (at - half, here - 0.06, at + half, here + 0.06)


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and a[2] > b[0] and a[1] < b[3] and a[3] > b[1]
