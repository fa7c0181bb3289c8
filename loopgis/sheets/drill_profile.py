"""The profile on a bore page: ground, bore with its rods, what it crosses, and where a depth reading is a projected one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.bore.steer import WALKOVER_M, WALKOVER_PITCH_PCT
from loopgis.layout.field import runs
from loopgis.sheets import figure
from loopgis.sheets.drill_paper import HEAVY, RULE, SMALL, THIN, tape_word, width_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.drill_book import Along, CrossingLine, DrillPage
    from loopgis.sheets.drill_paper import Paper

    Array = NDArray[np.float64]

HEIGHTS_IN = 0.46
"""Room left of a chart for the figures of its axis."""
STRIP_IN, FOOT_IN, HEAD_IN = 0.15, 0.29, 0.06
"""Inside the profile: a row of crossing labels; under the lowest bore for rod numbers; over the highest ground."""
CAPTION_IN, AROUND_IN = 0.14, 0.31
"""The caption over the profile, and that with the figures under it."""
TIMES = 6.0
BAR_IN = 0.11
"""Height of the hatched bars."""
SIGMAS = 2.0


@dataclass(frozen=True)
class Chart:
    """Axes with their place on the paper, inches, and their limits."""

    axes: Any
    left_in: float
    top_in: float
    wide_in: float
    tall_in: float
    across: tuple[float, float]
    up: tuple[float, float]

    def x_in(self, x: float) -> float:
        """Place across, inches from the left edge of the paper."""
        return self.left_in + (x - self.across[0]) / (self.across[1] - self.across[0]) * self.wide_in

    def y_in(self, y: float) -> float:
        """Place down, inches from the upper edge of the paper."""
        return self.top_in + (self.up[1] - y) / (self.up[1] - self.up[0]) * self.tall_in

    def per_in(self) -> float:
        """Data units of height per inch."""
        return (self.up[1] - self.up[0]) / self.tall_in


def new_chart(
    paper: Paper, y_in: float, tall_in: float, across: tuple[float, float], up: tuple[float, float], *, figures: bool
) -> Chart:
    """Axes over the width of the page, tall_in high from y_in down; figures: whether its foot is lettered."""
    left, wide = paper.left_in + HEIGHTS_IN, paper.room_in - HEIGHTS_IN
    axes = paper.axes(left, y_in, wide, tall_in)
    axes.set_xlim(*across)
    axes.set_ylim(*up)
    axes.tick_params(axis="x", labelbottom=figures)
    axes.locator_params(axis="y", nbins=max(3, min(6, int(tall_in / 0.22))))
    return Chart(axes, left, y_in, wide, tall_in, across, up)


def limits_across(span_m: float, factor: float) -> tuple[float, float]:
    """Limits of a chart across for a length in plan, in units of factor metres."""
    return -0.012 * span_m / factor, 1.012 * span_m / factor


def profile(paper: Paper, page: DrillPage, y_in: float, tall_in: float, span_m: float) -> None:
    """Ground, bore, rods, crossings and the doubt about the head's place, in a space of tall_in from y_in down.

    span_m: length in plan of the longest bore of the layout: all have the same scale. The caption stands on top.
    """
    factor, word = figure.in_units(paper.units)
    a = page.along
    across = limits_across(span_m, factor)
    room_in = tall_in - AROUND_IN
    texts = [_crossing_text(c, paper.units) for c in page.crossings]
    strips = _strips(texts, paper.room_in - HEIGHTS_IN)
    doubt = SIGMAS * np.nan_to_num(a.vertical_m)
    low, high = (v / factor for v in _between(page))
    head_in = HEAD_IN + strips * STRIP_IN
    per_in = (high - low) / max(room_in - head_in - FOOT_IN, 0.2)
    up = (low - FOOT_IN * per_in, high + head_in * per_in)
    chart = new_chart(paper, y_in + CAPTION_IN, room_in, across, up, figures=True)
    times = (across[1] - across[0]) / chart.wide_in / per_in
    words = (
        f"Profile, {word}; heights drawn {times:.1f} times as large as lengths. Heavy: ground. Ticks: rods. Dashed: two standard"
        " deviations of the head's place."
    )
    paper.text(paper.left_in, y_in + 0.1, words)
    s = a.plan_m / factor
    chart.axes.plot(s, a.ground_m / factor, color="black", lw=HEAVY, zorder=5)
    chart.axes.plot(s, a.z_m / factor, color="black", lw=RULE + 0.3, zorder=6)
    for way in (-1.0, 1.0):
        chart.axes.plot(s, (a.z_m + way * doubt) / factor, color="black", lw=THIN, ls=(0, (3, 2)), zorder=4)
    _rods(paper, chart, page, factor)
    _projected(paper, chart, page, factor)
    _crossings(paper, chart, page, texts, strips)


def _between(page: DrillPage) -> tuple[float, float]:
    """Lowest and highest of what is drawn, metres."""
    a = page.along
    low = np.min(a.z_m - SIGMAS * np.nan_to_num(a.vertical_m))
    return float(low), float(max(np.max(a.ground_m), np.max(a.z_m)))


def tallest_in(paper: Paper, page: DrillPage, span_m: float) -> float:
    """Height of the profile in which heights are drawn TIMES as large as lengths: taller it misleads."""
    low, high = _between(page)
    strips = _strips([_crossing_text(c, paper.units) for c in page.crossings], paper.room_in - HEIGHTS_IN)
    drawn = TIMES * (high - low) * (paper.room_in - HEIGHTS_IN) / span_m
    return drawn + AROUND_IN + HEAD_IN + strips * STRIP_IN + FOOT_IN


def _crossing_text(c: CrossingLine, units: str) -> str:
    """Letter and clear gap."""
    return f"{short_name(c)} {'?' if c.clearance_m is None else tape_word(c.clearance_m, units)}"


def short_name(c: CrossingLine) -> str:
    """Letter of what is passed, or a word when it has none."""
    return c.code or (c.label if 0 < len(c.label) <= 10 else c.kind.split("_")[-1][:10])


def _strips(texts: Sequence[str], room_in: float) -> int:
    """Rows that the labels of the crossings take."""
    wide = sum(width_in(t, SMALL, bold=True) + 0.1 for t in texts)
    return math.ceil(wide / (0.9 * room_in)) if texts else 0


def spread(wanted: Sequence[float], widths: Sequence[float], low: float, high: float) -> list[float]:
    """Centres as near to the wanted ones (in rising order) as it goes without overlap, all between low and high.

    >>> spread([1.0, 1.25, 3.0], [0.5, 0.5, 0.5], 0.0, 3.1)
    [0.875, 1.375, 2.85]
    """
    before = np.cumsum([0.0, *widths])[:-1] + np.asarray(widths) / 2  # centres when all stand side by side from nought
    groups: list[list[float]] = []
    for at in np.asarray(wanted) - before:
        groups.append([float(at)])
        while len(groups) > 1 and np.mean(groups[-2]) > np.mean(groups[-1]):
            groups[-2:] = [groups[-2] + groups[-1]]
    place = np.array([np.mean(g) for g in groups for _ in g])
    room = max(high - sum(widths), low)
    return [float(v) for v in np.clip(place, low, room) + before]


def _crossings(paper: Paper, chart: Chart, page: DrillPage, texts: Sequence[str], strips: int) -> None:
    """Each thing that is passed as a ring at its depth, with its letter and the clear gap over the ground."""
    factor, _ = figure.in_units(paper.units)
    a = page.along
    order = sorted(range(len(texts)), key=lambda n: page.crossings[n].station_m)
    for strip in range(strips):
        row = order[strip::strips]
        s = [float(np.interp(page.crossings[n].station_m, a.station_m, a.plan_m)) / factor for n in row]
        widths = [width_in(texts[n], SMALL, bold=True) + 0.1 for n in row]
        places = spread([chart.x_in(v) for v in s], widths, chart.left_in, chart.left_in + chart.wide_in)
        base = chart.top_in + strip * STRIP_IN + 0.11
        for n, x, place in zip(row, s, places, strict=True):
            _crossing(paper, chart, page.crossings[n], a, x)
            paper.text(place, base, texts[n], SMALL, bold=True, ha="center", white=True)
            ground = chart.y_in(float(np.interp(page.crossings[n].station_m, a.station_m, a.ground_m)) / factor)
            paper.line(place, base + 0.03, chart.x_in(x), ground)


def _crossing(paper: Paper, chart: Chart, c: CrossingLine, a: Along, x: float) -> None:
    factor, _ = figure.in_units(paper.units)
    ground = float(np.interp(c.station_m, a.station_m, a.ground_m))
    z = float(np.interp(c.station_m, a.station_m, a.z_m)) / factor
    if c.depth_m is None:
        chart.axes.plot([x, x], [ground / factor, z], color="black", lw=RULE, ls=(0, (1, 1.5)), zorder=7)
        return
    y = (ground - c.depth_m) / factor
    chart.axes.plot([x, x], [ground / factor, y], color="black", lw=THIN, zorder=7)
    chart.axes.plot([x, x], [y, z], color="black", lw=THIN, zorder=7)
    if c.code:
        chart.axes.plot(x, y, "o", ms=6, color="black", mfc="white", mec="black", mew=1.2, zorder=9)
    else:
        chart.axes.plot(x, y, "_", ms=12, color="black", mew=1.6, zorder=9)


def _rods(paper: Paper, chart: Chart, page: DrillPage, factor: float) -> None:
    """A tick at every rod end, every fifth longer and with its number under the bore."""
    a = page.along
    at = np.array([r.rod for r in page.rods])
    s = np.interp([r.station_m for r in page.rods], a.station_m, a.plan_m) / factor
    z = np.array([r.z_m for r in page.rods]) / factor
    fifth = (at % 5 == 0) & (at > 0)
    chart.axes.plot(s, z, "|", ms=5, color="black", mew=THIN + 0.1, ls="none", zorder=8)
    chart.axes.plot(s[fifth], z[fifth], "|", ms=9, color="black", mew=RULE, ls="none", zorder=8)
    last = -math.inf
    for n in np.flatnonzero(fifth):
        x = chart.x_in(float(s[n]))
        if x - last > 0.2:
            paper.text(x, chart.y_in(float(z[n])) + 0.165, str(at[n]), ha="center", white=True)
            last = x


def _projected(paper: Paper, chart: Chart, page: DrillPage, factor: float) -> None:
    """Hatched bar along the foot where a walkover depth is a projected one."""
    a = page.along
    pitch = np.interp(a.station_m, [r.station_m for r in page.rods], [abs(r.pitch_pct) for r in page.rods])
    flag = (a.ground_m - a.z_m > WALKOVER_M + 1e-6) | (pitch > WALKOVER_PITCH_PCT + 1e-6)
    s, low, per = a.plan_m / factor, chart.up[0], chart.per_in()
    for first, last in stretches_of(s, flag):
        hatched(paper, chart, (first, last), (low + 0.01 * per, low + BAR_IN * per), "///", "projected depth")


def stretches_of(x: Array, flag: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Stretches of True, each up to half way to the next point outside."""
    edge = np.r_[x[0], (x[1:] + x[:-1]) / 2, x[-1]]
    return [(float(edge[first]), float(edge[last + 1])) for first, last in runs(flag)]


def hatched(
    paper: Paper, chart: Chart, across: tuple[float, float], up: tuple[float, float], hatch: str, word: str
) -> None:
    """Hatched bar with its word in it where there is room."""
    from matplotlib.patches import Rectangle  # noqa: PLC0415

    least = 0.04 * (chart.across[1] - chart.across[0]) / chart.wide_in
    wide = max(across[1] - across[0], least)
    chart.axes.add_patch(
        Rectangle((across[0], up[0]), wide, up[1] - up[0], fc="white", ec="black", lw=RULE, hatch=hatch, zorder=3)
    )
    x0, x1 = chart.x_in(across[0]), chart.x_in(across[0] + wide)
    if width_in(word, SMALL) + 0.1 < x1 - x0:
        middle = (chart.y_in(up[0]) + chart.y_in(up[1])) / 2
        paper.text((x0 + x1) / 2, middle + 0.033, word, ha="center", white=True)
