"""The tables of a bore page: rods with boxes to write in, and crossings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.sheets import figure
from loopgis.sheets.drill_paper import (
    LINES_IN,
    PAD_IN,
    RULE,
    SMALL,
    TABLE,
    Column,
    cut,
    side,
    table,
    table_in,
    tape,
    tape_word,
    width_in,
    widths_in,
    wrap,
)
from loopgis.sheets.drill_profile import short_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.sheets.drill_book import CrossingLine, DrillPage, RodLine
    from loopgis.sheets.drill_paper import Paper

ROW_IN, LINE_IN, CROSSING_IN = 0.2, 0.1, 0.114
"""Least height of a rod's row of two lines, of each further line in it, and of a row of crossings."""
SECOND_IN = 0.088
"""From the base line of a rod's figures to that of the words under them."""
GAP_IN = 0.08
"""Between the two blocks of rods."""
BOXES = 3
"""Columns at the right end of a block that are written in by hand."""


# rods --------------------------------------------------------------


@dataclass(frozen=True)
class RodRow:
    """What stands under the figures of one rod: lines of (text, bold) pieces."""

    lines: tuple[tuple[tuple[str, bool], ...], ...]

    @property
    def least_in(self) -> float:
        """Height that it needs, inches."""
        return ROW_IN + LINE_IN * max(len(self.lines) - 1, 0)


@dataclass(frozen=True)
class RodTable:
    """Rods of one bore laid out for a page: columns with all rods, rows, notes by letter, width of a block."""

    columns: tuple[Column, ...]
    rows: tuple[RodRow, ...]
    notes: tuple[str, ...]
    block_in: float


def rod_table(paper: Paper, page: DrillPage) -> RodTable:
    """Lay out the rods of a bore in blocks of half a page's width."""
    units, block = paper.units, (paper.room_in - GAP_IN) / 2
    reasons = tuple(dict.fromkeys(t for r in page.rods for t in _reasons(r)))
    letters = {text: chr(ord("a") + n % 26) * (1 + n // 26) for n, text in enumerate(reasons)}
    columns = _columns(page.rods, letters, units)
    widths = widths_in(columns, block, TABLE)
    room = sum(widths[1:-BOXES]) - 2 * PAD_IN
    rows = tuple(_row(r, page.crossings, units, room) for r in page.rods)
    return RodTable(columns, rows, tuple(f"{letters[t]}: {t}" for t in reasons), block)


def _columns(rods: Sequence[RodLine], letters: dict[str, str], units: str) -> tuple[Column, ...]:
    factor, word = figure.in_units(units)
    digits = 1 if units == "us" else 2
    foot = "ft-in" if units == "us" else "m"
    empty = ("",) * len(rods)
    every = frozenset(range(len(rods)))
    return (
        Column(("rod",), tuple(str(r.rod) for r in rods), bold=every),
        Column(("drilled", word), tuple(f"{r.station_m / factor:.{digits}f}" for r in rods)),
        Column(("depth", foot), tuple(tape(r.depth_m, units) for r in rods), bold=every),
        Column(("pitch", "%"), tuple(f"{round(r.pitch_pct, 1) + 0.0:.1f}" for r in rods)),
        Column(("pitch", "deg"), tuple(f"{round(math.degrees(math.atan(r.pitch_pct / 100)), 1) + 0.0:.1f}" for r in rods)),
        Column(("off", "line"), tuple(side(r.offset_m, units) for r in rods)),
        Column(("ground", word), tuple(f"{r.ground_m / factor:.{digits}f}" for r in rods)),
        Column(("see",), tuple("".join(sorted(letters[t] for t in _reasons(r))) for r in rods), ha="center", bold=every),
        Column(("read", "depth"), empty, ha="center", spare=1.4),
        Column(("read", "pitch"), empty, ha="center", spare=1.2),
        Column(("clock",), empty, ha="center", spare=1.0),
    )  # fmt: skip


def _row(r: RodLine, crossings: Sequence[CrossingLine], units: str, room_in: float) -> RodRow:
    """Action, then what is passed on the way to this rod end in bold, then what the rod is, as far as there is room."""
    action = wrap(r.action, room_in)
    here = [c for c in crossings if c.rod == r.rod]
    found: list[list[tuple[str, bool]]] = [[(t, False)] for t in action]
    told = ", ".join(_passed(c, units) for c in here)
    short = "; ".join(
        f"{way} {', '.join(short_name(c) for c in here if c.under == under)}"
        for under, way in ((True, "UNDER"), (False, "OVER"))
        if any(c.under == under for c in here)
    )
    for text in (told, short) if here else (r.crossing,):
        if text and _append(found, text, room_in, last=text in {short, r.crossing}):
            break
    note = "" if r.note in {"", "level run"} or r.note in r.action else r.note
    if note and found and _used(found[-1]) + BETWEEN_IN + width_in(f"({note})") <= room_in:
        found[-1].append((f"({note})", False))
    elif note and not found:
        found.append([(cut(f"({note})", room_in), False)])
    return RodRow(tuple(tuple(line) for line in found))


BETWEEN_IN = 0.1


def _used(line: Sequence[tuple[str, bool]]) -> float:
    return sum(width_in(t, SMALL, bold=b) for t, b in line) + BETWEEN_IN * (len(line) - 1)


def _append(found: list[list[tuple[str, bool]]], text: str, room_in: float, *, last: bool) -> bool:
    """Put a piece behind the last line in bold when it fits there; when it is the last way to say it, below it, cut."""
    if found and _used(found[-1]) + BETWEEN_IN + width_in(text, SMALL, bold=True) <= room_in:
        found[-1].append((text, True))
        return True
    if last or not found:
        found.append([(cut(text, room_in, bold=True), True)])
    return last


def _passed(c: CrossingLine, units: str) -> str:
    """Crossing in a few words; the rest stands in the table of crossings."""
    gap = "gap unknown" if c.clearance_m is None else f"{tape_word(c.clearance_m, units)} clear"
    return f"{'UNDER' if c.under else 'OVER'} {short_name(c)} {gap}"


def _reasons(r: RodLine) -> list[str]:
    """Why a locate needs care, one by one."""
    return [t.strip() for t in r.locate.split(";") if t.strip()]


def split(rows: Sequence[RodRow]) -> int:
    """How many rows stand in the left block so that both are about as tall.

    >>> split([RodRow(())] * 5)
    3
    """
    left, right, n = 0.0, sum(r.least_in for r in rows), 0
    while n < len(rows) and left < right - 1e-9:
        left, right, n = left + rows[n].least_in, right - rows[n].least_in, n + 1
    return n


def _notes(told: RodTable, room_in: float) -> list[str]:
    see = f"  See {';  '.join(told.notes)}." if told.notes else ""
    return wrap(f"Off line: left or right of the painted line.{see}", room_in)


HEAD_IN = 2 * SMALL * 1.2 / 72 + 0.02


def rods_in(told: RodTable, first: int, last: int, room_in: float) -> float:
    """Least height of the table with rods first to last (not included), inches."""
    rows = told.rows[first:last]
    n = split(rows)
    tall = max(sum(r.least_in for r in rows[:n]), sum(r.least_in for r in rows[n:]))
    return HEAD_IN + tall + LINES_IN * len(_notes(told, room_in)) + 0.03


def draw_rods(paper: Paper, told: RodTable, y_in: float, first: int, last: int, times: float) -> float:
    """Rods first to last (not included) in two blocks; times: how much taller than need be; gives where the next may begin."""
    rows = told.rows[first:last]
    n = split(rows)
    low = y_in
    for number, (a, b) in enumerate(((first, first + n), (first + n, last))):
        if b > a:
            x = paper.left_in + number * (told.block_in + GAP_IN)
            low = max(low, _block(paper, told, (x, y_in), a, b, times))
    return paper.paragraph(paper.left_in, low + 0.03, _notes(told, paper.room_in))


def _block(paper: Paper, told: RodTable, at: tuple[float, float], first: int, last: int, times: float) -> float:
    x0, y0 = at
    widths = widths_in(told.columns, told.block_in, TABLE)
    edges = [x0]
    for w in widths:
        edges.append(edges[-1] + w)
    for c, left, right in zip(told.columns, edges, edges[1:], strict=False):
        x = {"left": left + PAD_IN, "right": right - PAD_IN, "center": (left + right) / 2}[c.ha]
        for n, word in enumerate(c.head):
            paper.text(x, y0 + HEAD_IN - 0.03 - (len(c.head) - 1 - n) * SMALL * 1.2 / 72, word, ha=c.ha)
    y = y0 + HEAD_IN
    for n in range(first, last):
        tall = told.rows[n].least_in * times
        paper.line(x0, y, x0 + told.block_in, y, RULE if n == first else 0.6)
        spare = (tall - told.rows[n].least_in) / 3
        base = y + spare + 0.088
        for k, (c, left, right) in enumerate(zip(told.columns, edges, edges[1:], strict=False)):
            x = {"left": left + PAD_IN, "right": right - PAD_IN, "center": (left + right) / 2}[c.ha]
            paper.text(x, base, c.cells[n], TABLE, bold=n in c.bold, ha=c.ha)
            if k >= len(widths) - BOXES:
                paper.line(left, y, left, y + tall)
        base += spare
        for k, line in enumerate(told.rows[n].lines):
            base += LINE_IN if k else SECOND_IN
            x = edges[1] + PAD_IN
            for text, bold in line:
                paper.text(x, base, text, SMALL, bold=bold)
                x += width_in(text, SMALL, bold=bold) + BETWEEN_IN
        y += tall
    paper.line(x0, y, x0 + told.block_in, y, RULE)
    for x in (x0, x0 + told.block_in):
        paper.line(x, y0 + HEAD_IN, x, y, RULE)
    return y


# crossings --------------------------------------------------------------


def crossings_in(count: int) -> float:
    """Height of the table of crossings with its title, inches."""
    return table_in(2, count, CROSSING_IN) if count else 0.15 + LINES_IN


def _index(risk: float | None) -> str:
    """Relative index of contact with two figures, the smallest ones alike.

    >>> _index(0.0123), _index(1e-200), _index(0.0), _index(None)
    ('0.012', '<0.001', '0', '')
    """
    if not risk:
        return "" if risk is None else "0"
    return "<0.001" if risk < 0.001 else f"{risk:.2g}"


def draw_crossings(
    paper: Paper, crossings: Sequence[CrossingLine], at: tuple[float, float], wide_in: float, title: str
) -> float:
    """Title and table; gives where the next may begin."""
    x, y = at
    paper.text(x, y + 0.1, title, TABLE, bold=True)
    if not crossings:
        told = "None entered. What nobody mapped is not on the map."
        return paper.paragraph(x, y + 0.15, [told])
    units = paper.units
    grave = frozenset(n for n, c in enumerate(crossings) if "life" in c.consequence)
    depth = [("unknown" if c.depth_m is None else tape(c.depth_m, units)) for c in crossings]
    gap = [("unknown" if c.clearance_m is None else tape(c.clearance_m, units)) for c in crossings]
    foot = "ft-in" if units == "us" else "m"
    columns = (
        Column(("rod",), tuple(str(c.rod) for c in crossings), bold=frozenset(range(len(crossings)))),
        Column(
            ("what; bold: life at risk",),
            tuple(c.label or c.kind.replace("_", " ") for c in crossings),
            ha="left",
            bold=grave,
            spare=1.0,
            least_in=0.6,
        ),
        Column(("", "code"), tuple(c.code or "none" for c in crossings), ha="center", bold=grave),
        Column(("bore", "goes"), tuple(c.how for c in crossings), ha="center"),
        Column(("its", f"depth {foot}"), tuple(depth)),
        Column(("locate", "quality"), tuple(c.quality or "none" for c in crossings), ha="center"),
        Column(("clear", f"gap {foot}"), tuple(gap), bold=grave),
        Column(("relative", "index"), tuple(_index(c.risk) for c in crossings)),
        Column(("expose", "first"), tuple("" if c.buried else "watch" for c in crossings), ha="center"),
    )
    low = table(paper, x, y, wide_in, columns, row_in=CROSSING_IN)
    last = widths_in(columns, wide_in, SMALL)[-1]
    for n, c in enumerate(crossings):
        if not c.buried:
            continue
        middle = low - (len(crossings) - n - 0.5) * CROSSING_IN
        paper.box(x + wide_in - last / 2 - 0.04, middle - 0.04, 0.08, 0.08, RULE)
    return low
