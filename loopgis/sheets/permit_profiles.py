"""Profiles of every bore for the permit office: ground, hole and cover, what stands over it, what it crosses and how clear.

All bores of a set have the same two scales, so that lengths and depths compare by eye and a ruler can be laid on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.units import FT_M
from loopgis.sheets import tokens
from loopgis.sheets.drill_paper import HEAVY, RULE, SMALL, TABLE, THIN, cut, width_in
from loopgis.sheets.drill_profile import spread
from loopgis.sheets.drill_pull import bore_size
from loopgis.sheets.permit_flow import (
    AIR_IN,
    GUTTER_IN,
    HINT,
    LINE_IN,
    Head,
    PageMaker,
    Row,
    draw_mark,
    flow,
    gap,
    heading,
    lines_of,
    paragraph,
    table,
)
from loopgis.sheets.permit_paper import content_box, framed
from loopgis.sheets.permit_tables import DASH, WORDS, angle_words, length, unit_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.permit_book import BorePlan, Crossing, PermitBook
    from loopgis.sheets.permit_flow import Strip
    from loopgis.sheets.permit_paper import Box, PermitPaper

    Array = NDArray[np.float64]

NAME = "Profiles"
COLUMN_IN, PANEL_IN = 7.4, 2.0
"""Least width and height of the room for one bore, without the rows of labels."""
FLAT_IN = 1.6
"""The same for bores without heights."""
LIST_SHARE, LIST_IN = 0.41, 3.6
"""Share of the room that the list of crossings takes, and the most it takes."""
LEFT_IN, BELOW_IN = 0.42, 0.34
"""Room for the figures of the two axes."""
STRIP_IN, FOOT_IN, ROOF_IN = 0.145, 0.3, 0.2
"""A row of crossing labels; room under the lowest bore for two labels; height of what stands on the ground."""
MOST_STRIPS = 3
TIMES = 8.0
"""Heights are never drawn more than this many times as large as lengths: more misleads."""
US_FT = (5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 2000, 5000)
US_UP_FT = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 200, 500)
ONE_TO = (50, 100, 150, 200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 5000, 10_000, 50_000)
ONE_TO_UP = (10, 20, 25, 40, 50, 60, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 2000, 5000)
"""Scales that a ruler has: feet to an inch, and one to so many; across and up."""
INCH_M = FT_M / 12


@dataclass(frozen=True)
class Scales:
    """Metres on the ground per inch of paper, across and up, and the words for both."""

    across: float
    up: float
    across_words: str
    up_words: str

    @property
    def times(self) -> float:
        """How many times larger heights are drawn than lengths."""
        return self.across / self.up


@dataclass(frozen=True)
class Panel:
    """Room for one bore: upper left corner, width and height, all in inches; width of the chart in it."""

    x: float
    y: float
    wide: float
    tall: float
    chart: float


# pages --------------------------------------------------------------


def profile_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages of the profiles, then the crossings that had no room beside them. No bore, no page."""
    if not book.bores:
        return []
    box = content_box(book, paper)
    columns = max(1, int((box.wide_in - 2 * AIR_IN + GUTTER_IN) // (COLUMN_IN + GUTTER_IN)))
    columns = min(columns, len(book.bores))
    wide = (box.wide_in - 2 * AIR_IN - (columns - 1) * GUTTER_IN) / columns
    top = AIR_IN + _legend_in(box)
    chart = wide - min(LIST_IN, LIST_SHARE * wide) - 0.12
    strips = max(_strips(b, book.units, chart - LEFT_IN) for b in book.bores)
    profiles = any(_drawable(b) for b in book.bores)
    least = PANEL_IN + strips * STRIP_IN if profiles else FLAT_IN
    most = max(1, int((box.tall_in - top) // least))
    rows = min(most, max(2, math.ceil(len(book.bores) / columns)))
    tall = (box.tall_in - top) / rows
    panels = [
        Panel(box.x_in + AIR_IN + c * (wide + GUTTER_IN), box.y_in + top + r * tall, wide, tall, chart)
        for r in range(rows)
        for c in range(columns)
    ]
    room = tall - 0.56 - BELOW_IN - strips * STRIP_IN - FOOT_IN - ROOF_IN
    scales = fitting(book, chart - LEFT_IN, room) if profiles else None
    each = len(panels)
    pages = [
        PageMaker(NAME, partial(_page, book, paper, book.bores[n : n + each], panels, scales, strips))
        for n in range(0, len(book.bores), each)
    ]
    short = [b for b in book.bores if not _fits(b, book.units, panels[0])]
    if short:
        pages += flow(book, paper, NAME, partial(_crossing_lists, book, short))
    return pages


def _legend(scales: Scales | None, wide: float) -> list[str]:
    if scales is None:
        return lines_of("The bores in the file have no heights: nothing here says how deep they go.", wide)
    words = f"{scales.across_words} across, {scales.up_words} up: heights drawn {scales.times:.3g} times as large as lengths. "
    return lines_of(
        f"{words}Heavy line: ground. Dark: bore with its reamed hole. Light band: cover over the hole. Ring: a line at its depth."
        " Dashed bar with ?: depth not known, from the least to the greatest that is usual for its kind. Triangle: deepest point;"
        " diamond: least cover. Numbers: crossings, with letter, clear gap and angle; they are listed beside the bore.",
        wide,
    )


_LONGEST = Scales(1.0, 1.0, "1 in = 5000 ft", "1 in = 5000 ft")


def _legend_in(box: Box) -> float:
    return (len(_legend(_LONGEST, box.wide_in - 2 * AIR_IN)) + 1) * LINE_IN


def fitting(book: PermitBook, wide_in: float, tall_in: float) -> Scales:
    """The largest scales of a ruler at which all bores fit; heights at least as large as lengths, at most TIMES."""
    span = max(max(b.plan_length_m, 1.0) for b in book.bores)
    rises = [_between(b) for b in book.bores if _drawable(b)]
    rise = max((high - low for low, high in rises), default=1.0)
    if book.units == "us":
        steps = [(n * FT_M, f"1 in = {n} ft") for n in US_FT]
        ups = [(n * FT_M, f"1 in = {n} ft") for n in US_UP_FT]
    else:
        steps = [(n * INCH_M, f"1:{n}") for n in ONE_TO]
        ups = [(n * INCH_M, f"1:{n}") for n in ONE_TO_UP]
    across = next((s for s in steps if span <= s[0] * wide_in), (span / wide_in, "no scale of a ruler"))
    up = next(
        (s for s in ups if rise <= s[0] * tall_in and across[0] / s[0] <= TIMES),
        (rise / tall_in, "no scale of a ruler"),
    )
    if up[0] > across[0]:  # never flatter than it is
        across = next((s for s in steps if s[0] >= up[0]), up)
    return Scales(across[0], up[0], across[1], up[1])


def _drawable(bore: BorePlan) -> bool:
    """Whether the file has heights along the bore and something is known of the ground."""
    heights = not bore.flat and bool(np.isfinite(bore.xyz[:, 2]).all())
    return heights and bool(np.isfinite(bore.ground_m).any())


def _between(bore: BorePlan) -> tuple[float, float]:
    """Lowest and highest of hole and ground, metres."""
    z, ground = bore.xyz[:, 2], bore.ground_m
    both = np.concatenate([z - bore.hole_diameter_m / 2, ground])
    both = both[np.isfinite(both)]
    return (float(both.min()), float(both.max())) if both.size else (0.0, 1.0)


def _page(
    book: PermitBook,
    paper: str,
    bores: Sequence[BorePlan],
    panels: Sequence[Panel],
    scales: Scales | None,
    strips: int,
    number: int,
    count: int,
) -> Any:
    box = content_box(book, paper)
    page = framed(book, paper, NAME, number, count, _scale_words(scales, 0.2 * box.wide_in - 0.12))
    page.paragraph(box.x_in + AIR_IN, box.y_in + 0.06, _legend(scales, box.wide_in - 2 * AIR_IN))
    for bore, panel in zip(bores, panels, strict=False):
        page.line(panel.x, panel.y, panel.x + panel.wide, panel.y, RULE)
        _heading(page, bore, panel)
        if scales is None or not _drawable(bore):
            unit = unit_word(book.units)
            told = (
                f"no heights in the file: no profile. Length in plan {length(bore.plan_length_m, book.units)} {unit}."
            )
            page.text(panel.x + 0.1, panel.y + 0.8, cut(told, panel.chart - 0.2, 9.0, bold=True), 9.0, bold=True)
        else:
            _chart(page, bore, panel, scales, strips)
        _list(page, bore, panel)
    return page.done()


def _scale_words(scales: Scales | None, room_in: float) -> str:
    """Both scales, as long as the title block has room for them."""
    if scales is None:
        return "no scale"
    words = f"{scales.across_words} across, {scales.up_words} up"
    return words if width_in(words, 9.0, bold=True) <= room_in else "scales on the sheet"


def _heading(page: PermitPaper, bore: BorePlan, panel: Panel) -> None:
    """Name, state and key figures, the outcome with its mark."""
    units = page.units
    y = panel.y + 0.19
    name = cut(bore.bore_id, 0.5 * panel.wide, 11, bold=True)
    page.text(panel.x, y, name, 11, bold=True)
    x = panel.x + HINT * width_in(name, 11, bold=True) + 0.12
    draw_mark(page, x + 0.06, y - 0.045, bore.outcome)
    page.text(x + 0.16, y, f"{WORDS[bore.outcome]}; {bore.source or 'state not said'}", TABLE, bold=True)
    for n, line in enumerate(_figures(bore, units, panel.wide)):
        page.text(panel.x, y + 0.135 + n * LINE_IN, line)


def _figures(bore: BorePlan, units: str, wide: float) -> list[str]:
    unit = unit_word(units)
    known = "" if bore.ground_known or bore.flat else " (ground not known: depths not verified)"
    deep = "not known" if bore.max_depth_m is None else f"{length(bore.max_depth_m, units)} {unit}"
    cover = "not known" if bore.min_cover_m is None else f"{length(bore.min_cover_m, units)} {unit}"
    ends = [
        f"{name} {'not known' if pitch is None else angle_words(pitch)}"
        for name, pitch in (("entry", bore.entry_pitch_pct), ("exit", bore.exit_pitch_pct))
    ]
    return lines_of(
        f"drilled {length(bore.length_m, units)} {unit}, in plan {length(bore.plan_length_m, units)} {unit}; deepest {deep}{known};"
        f" least cover {cover}; {'; '.join(ends)}; hole {bore_size(bore.hole_diameter_m, units)}",
        wide,
    )


# the list --------------------------------------------------------------

NUMBER_IN = 0.34
ENDS_IN = (1.5, 0.93, 0.48, 0.16, 0.0)
"""Right ends of the columns station, depth, gap, angle, quality, from the right edge of the list."""
STATION_IN = 0.56


def _rows(bore: BorePlan, units: str, wide: float) -> list[tuple[list[str], tuple[str, ...]]]:
    """For every crossing the lines of its name, and the other cells."""
    made: list[tuple[list[str], tuple[str, ...]]] = []
    for n, c in enumerate(bore.crossings, 1):
        name = f"{n}{' ' + c.letter if c.letter else ''}"
        thing = lines_of(_name(c), wide - NUMBER_IN - ENDS_IN[0] - STATION_IN)
        made.append((thing, (name, *_cells(c, units))))
    return made


def _name(c: Crossing) -> str:
    kind = c.kind.replace("_", " ")
    return c.thing if kind in c.thing else f"{c.thing} ({kind})"


def _cells(c: Crossing, units: str) -> tuple[str, str, str, str, str]:
    """Station, depth, clear gap, angle, quality."""
    at = length(c.start_m, units)
    if c.end_m - c.start_m > 0.01:
        at += f" to {length(c.end_m, units)}"
    angle = DASH if c.angle_deg is None else f"{c.angle_deg:.0f}\u00b0"
    quality = c.quality if c.quality in {"A", "B", "C", "D"} else DASH
    return (
        at,
        "unknown" if c.depth_m is None else length(c.depth_m, units),
        "?" if c.gap_m is None else length(c.gap_m, units),
        angle,
        quality,
    )


def _list_lines(bore: BorePlan, units: str, panel: Panel) -> int:
    wide = panel.wide - panel.chart - 0.12
    return sum(max(len(thing), 2 if " to " in cells[1] else 1) for thing, cells in _rows(bore, units, wide))


def _room_lines(panel: Panel) -> int:
    return int((panel.tall - 0.86 - 0.1) / (LINE_IN + 0.012))


def _fits(bore: BorePlan, units: str, panel: Panel) -> bool:
    return _list_lines(bore, units, panel) <= _room_lines(panel)


def _list(page: PermitPaper, bore: BorePlan, panel: Panel) -> None:
    """The crossings of a bore beside its profile; those that find no room are told to stand on the next sheets."""
    left, wide = panel.x + panel.chart + 0.12, panel.wide - panel.chart - 0.12
    unit, y = unit_word(page.units), panel.y + 0.62
    if not bore.crossings:
        page.text(left, y, "crosses nothing that the file shows", TABLE)
        return
    ends = [left + wide - e for e in ENDS_IN]
    page.text(left, y, "no.", bold=True)
    page.text(left + NUMBER_IN, y, "thing", bold=True)
    for end, one, two in zip(
        ends, ("at", "depth", "clear", "", ""), (unit, unit, f"{unit}", "ang.", "q."), strict=True
    ):
        page.text(end, y - LINE_IN, one, bold=True, ha="right")
        page.text(end, y, two, bold=True, ha="right")
    y += 0.04
    page.line(left, y, left + wide, y, RULE)
    room = _room_lines(panel) - (0 if _fits(bore, page.units, panel) else 1)
    used = 0
    for thing, cells in _rows(bore, page.units, wide):
        stations = cells[1].replace(" to ", "\nto ").split("\n")
        lines = max(len(thing), len(stations))
        if used + lines > room:
            page.text(left, y + (room + 1) * (LINE_IN + 0.012), "the others are listed after the profiles", bold=True)
            break
        base = y + (used + 1) * (LINE_IN + 0.012) - 0.01
        page.text(left, base, cells[0], bold=True)
        for n, line in enumerate(thing):
            page.text(left + NUMBER_IN, base + n * LINE_IN, line)
        for n, line in enumerate(stations):
            page.text(ends[0], base + n * LINE_IN, line, ha="right")
        for end, cell in zip(ends[1:], cells[2:], strict=True):
            page.text(end, base, cell, ha="right")
        used += lines


def _crossing_lists(book: PermitBook, bores: Sequence[BorePlan], wide: float) -> list[Strip]:
    unit = unit_word(book.units)
    heads = (
        Head("no."),
        Head("thing"),
        Head(f"at station\n{unit}", "right"),
        Head(f"its depth\n{unit}", "right"),
        Head(f"clear gap\n{unit}", "right"),
        Head("angle", "right"),
        Head("quality"),
    )
    strips = paragraph("Crossings that had no room beside their profiles.", wide, 10.0, bold=True, keep=True)
    for bore in bores:
        rows = [
            Row((f"{n}{' ' + c.letter if c.letter else ''}", _name(c), *_cells(c, book.units)))
            for n, c in enumerate(bore.crossings, 1)
        ]
        above = tuple(paragraph(f"{bore.bore_id}, continued", wide, bold=True, keep=True))
        strips += [gap(0.1), *heading(bore.bore_id, wide), *table(wide, heads, rows, above=above)]
    return strips


# the chart --------------------------------------------------------------


@dataclass(frozen=True)
class _Chart:
    """Where the plan metres and heights of one bore lie on the paper."""

    left: float
    low: float
    wide: float
    tall: float
    bottom_m: float
    scales: Scales
    plan: Array
    bore: BorePlan

    def x(self, plan_m: float) -> float:
        return self.left + plan_m / self.scales.across

    def y(self, z_m: float) -> float:
        return self.low - (z_m - self.bottom_m) / self.scales.up

    def plan_at(self, station_m: float) -> float:
        return float(np.interp(station_m, self.bore.station_m, self.plan))

    def ground_at(self, station_m: float) -> float:
        good = np.isfinite(self.bore.ground_m)
        return float(np.interp(station_m, self.bore.station_m[good], self.bore.ground_m[good]))

    def z_at(self, station_m: float) -> float:
        return float(np.interp(station_m, self.bore.station_m, self.bore.xyz[:, 2]))


def _chart(page: PermitPaper, bore: BorePlan, panel: Panel, scales: Scales, strips: int) -> None:
    steps = np.hypot(*np.diff(bore.xyz[:, :2], axis=0).T)
    plan = np.r_[0.0, np.cumsum(steps)]
    low, _ = _between(bore)
    top = panel.y + 0.5 + strips * STRIP_IN
    foot = panel.y + panel.tall - BELOW_IN
    chart = _Chart(
        panel.x + LEFT_IN,
        foot,
        panel.chart - LEFT_IN,
        foot - top,
        low - FOOT_IN * scales.up,
        scales,
        plan,
        bore,
    )
    axes = page.axes(chart.left, top, chart.wide, chart.tall)
    axes.set_xlim(0, chart.wide * scales.across)
    axes.set_ylim(chart.bottom_m, chart.bottom_m + chart.tall * scales.up)
    _ticks(page, axes, chart)
    good = np.isfinite(bore.ground_m)
    radius = bore.hole_diameter_m / 2
    z, ground = bore.xyz[:, 2], np.where(good, bore.ground_m, np.nan)
    under = good & (ground > z + radius)
    axes.fill_between(plan, z + radius, ground, where=under, color=tokens.COVER_BAND, lw=0, zorder=1)
    for c in bore.crossings:
        if c.end_m - c.start_m > 0.01:
            _area(axes, chart, c)
    axes.plot(plan, ground, color="black", lw=HEAVY + 0.4, zorder=5, ls="-" if bore.ground_known else (0, (4, 2)))
    axes.fill_between(plan, z - radius, z + radius, fc=tokens.INK, ec=tokens.INK, lw=1.2, zorder=6)
    marks: list[tuple[float, float]] = []
    for c in bore.crossings:
        if c.end_m - c.start_m <= 0.01:
            _line(page, axes, chart, c, marks)
    _labels(page, chart, panel, strips)
    _extremes(page, axes, chart)


def _round_step(metres: float, units: str) -> float:
    """Metres between figures on an axis: the next 1, 2 or 5 times a power of ten of the sheet's unit."""
    factor = FT_M if units == "us" else 1.0
    wish = max(metres / factor, 1e-6)
    power: float = 10.0 ** math.floor(math.log10(wish))
    return float(next(v for v in (1, 2, 5, 10) if v * power >= wish - 1e-9) * power) * factor


def _ticks(page: PermitPaper, axes: Any, chart: _Chart) -> None:
    """Drilled stations below, depths under the ground at the entry on the left."""
    factor = FT_M if page.units == "us" else 1.0
    unit, bore = unit_word(page.units), chart.bore
    step = _round_step(0.5 * chart.scales.across, page.units)
    stations = np.arange(0.0, bore.station_m[-1] + 1e-6, step)
    told: list[float] = []
    for station in stations:
        if not told or (chart.plan_at(float(station)) - chart.plan_at(told[-1])) / chart.scales.across > 0.36:
            told.append(float(station))
    axes.set_xticks([chart.plan_at(s) for s in told], labels=[f"{s / factor:.0f}" for s in told])
    datum = chart.ground_at(0.0)
    step = _round_step(0.24 * chart.scales.up, page.units)
    lowest, highest = chart.bottom_m + 0.08 * chart.scales.up, chart.bottom_m + (chart.tall - 0.08) * chart.scales.up
    depths = np.arange(math.ceil((datum - highest) / step), math.floor((datum - lowest) / step) + 1) * step
    digits = 0 if step / factor >= 1 else 1
    axes.set_yticks(datum - depths, labels=[f"{d / factor + 0.0:.{digits}f}" for d in depths])
    words = f"drilled station, {unit}; on the left: {unit} below the ground at the entry"
    page.text(chart.left, chart.low + BELOW_IN - 0.05, cut(words, chart.wide))


def _area(axes: Any, chart: _Chart, c: Crossing) -> None:
    """A building, water or other area over the bore: on the ground, and as deep as it is known to go."""
    bore = chart.bore
    inner = bore.station_m[(bore.station_m > c.start_m) & (bore.station_m < c.end_m)]
    stations = np.r_[c.start_m, inner, c.end_m]
    plan = np.array([chart.plan_at(float(s)) for s in stations])
    ground = np.array([chart.ground_at(float(s)) for s in stations])
    style = tokens.kind_style(c.kind)
    fill = style.fill if style.fill != "none" else tokens.PAPER
    dash = (0, style.dash) if style.dash else "-"
    roof = ROOF_IN * chart.scales.up
    look = {"fc": fill, "ec": style.colour, "lw": 0.9, "ls": dash}
    if c.kind == "building":
        axes.fill_between(plan, ground, np.full_like(ground, ground.max() + 0.8 * roof), zorder=3, **look)
    elif c.depth_m is None or c.depth_m <= 0:
        axes.fill_between(plan, ground, ground + 0.25 * roof, zorder=3, **look)
    if c.depth_m is not None and c.depth_m > 0:
        axes.fill_between(plan, ground - c.depth_m, ground, zorder=3, **look)
    elif c.depth_m is None and c.kind == "building":
        for end in (0, -1):
            axes.plot(
                [plan[end]] * 2,
                [ground[end], ground[end] - c.high_m],
                color="black",
                lw=RULE,
                ls=(0, (2, 1.5)),
                zorder=4,
            )


def _line(page: PermitPaper, axes: Any, chart: _Chart, c: Crossing, marks: list[tuple[float, float]]) -> None:
    """A pipe or cable across the bore: a ring at its depth, or the range of its kind dashed."""
    x, ground = chart.plan_at(c.start_m), chart.ground_at(c.start_m)
    style = tokens.kind_style(c.kind)
    if c.depth_m is not None:
        axes.plot([x, x], [ground, ground - c.depth_m], color="black", lw=THIN, zorder=7)
        axes.plot(x, ground - c.depth_m, "o", ms=6.5, mfc=style.colour, mec="black", mew=0.9, zorder=9, clip_on=False)
        return
    axes.plot([x, x], [ground - c.low_m, ground - c.high_m], color=style.colour, lw=2.6, ls=(0, (1.6, 1.0)), zorder=8)
    axes.plot([x, x], [ground, ground - c.high_m], color="black", lw=THIN, zorder=9)
    at = (chart.x(x) + 0.08, chart.y(ground - (c.low_m + c.high_m) / 2) + 0.035)
    if all(abs(at[0] - a) > 0.1 or abs(at[1] - b) > 0.13 for a, b in marks):
        page.text(*at, "?", SMALL, bold=True)
        marks.append(at)


# labels --------------------------------------------------------------


def _texts(bore: BorePlan, units: str, *, short: bool) -> list[str]:
    texts = []
    for n, c in enumerate(bore.crossings, 1):
        name = str(n) + (f" {c.letter}" if c.letter else "")
        words = ["?" if c.gap_m is None else f"{length(c.gap_m, units)} {unit_word(units)}"]
        words += [] if c.angle_deg is None else [f"{c.angle_deg:.0f}\u00b0"]
        texts.append(name if short else f"{name}: {', '.join(words)}")
    return texts


def _widths(texts: Sequence[str]) -> list[float]:
    return [HINT * width_in(t, SMALL, bold=True) + 0.09 for t in texts]


def _strips_of(texts: Sequence[str], room: float) -> int:
    return math.ceil(sum(_widths(texts)) / (0.85 * room)) if texts else 0


def _strips(bore: BorePlan, units: str, room: float) -> int:
    """Rows of labels over a chart; with the numbers alone where the figures would take too many."""
    if not _drawable(bore):
        return 0
    full = _strips_of(_texts(bore, units, short=False), room)
    return full if full <= MOST_STRIPS else min(_strips_of(_texts(bore, units, short=True), room), 2 * MOST_STRIPS)


def _labels(page: PermitPaper, chart: _Chart, panel: Panel, strips: int) -> None:
    """Numbers with letter, clear gap and angle over the chart, with a leader down to the ground over the thing."""
    bore, room = chart.bore, panel.chart - LEFT_IN
    mine = _strips(bore, page.units, room)
    full = _texts(bore, page.units, short=False)
    texts = full if _strips_of(full, room) <= MOST_STRIPS else _texts(bore, page.units, short=True)
    widths = _widths(texts)
    over = [chart.x(chart.plan_at((c.start_m + c.end_m) / 2)) for c in bore.crossings]
    order = sorted(range(len(texts)), key=lambda n: over[n])
    for strip in range(mine):
        row = order[strip::mine]
        wanted = [over[n] for n in row]
        places = spread(wanted, [widths[n] for n in row], chart.left, chart.left + chart.wide)
        base = panel.y + 0.5 + (strips - mine + strip) * STRIP_IN + 0.105
        for n, x, place in zip(row, wanted, places, strict=True):
            if place + widths[n] / 2 > chart.left + chart.wide + 0.05:
                continue
            c = bore.crossings[n]
            page.text(place, base, texts[n], SMALL, bold=True, ha="center", white=True)
            ground = chart.y(chart.ground_at((c.start_m + c.end_m) / 2))
            page.line(place, base + 0.03, x, ground)


def _extremes(page: PermitPaper, axes: Any, chart: _Chart) -> None:
    """Deepest point and least cover, marked on the bore and written under it."""
    bore, unit = chart.bore, unit_word(page.units)
    if not bore.ground_known or not np.isfinite(bore.depth_m).any():
        return
    found: list[tuple[int, str, str]] = []
    if bore.max_depth_m is not None:
        found.append((int(np.nanargmax(bore.depth_m)), "v", f"deepest {length(bore.max_depth_m, page.units)} {unit}"))
    if bore.min_cover_m is not None:
        cover = bore.depth_m - bore.hole_diameter_m / 2
        deep = np.where(bore.depth_m >= np.nanmax(bore.depth_m) / 2, np.abs(cover - bore.min_cover_m), np.inf)
        words = f"least cover {length(bore.min_cover_m, page.units)} {unit}"
        found.append((int(np.nanargmin(deep)), "D", words))
    found.sort(key=lambda f: f[0])
    wanted = [chart.x(float(chart.plan[n])) for n, _, _ in found]
    widths = [HINT * width_in(t, SMALL) + 0.12 for _, _, t in found]
    places = spread(wanted, widths, chart.left, chart.left + chart.wide)
    for (n, mark, words), x, place in zip(found, wanted, places, strict=True):
        axes.plot(
            chart.plan[n], bore.xyz[n, 2], mark, ms=5.0, mfc="white", mec="black", mew=0.9, zorder=10, clip_on=False
        )
        base = chart.low - 0.06
        page.text(place, base, words, ha="center", white=True)
        page.line(x, chart.y(float(bore.xyz[n, 2])) + 0.05, place, base - 0.1)
