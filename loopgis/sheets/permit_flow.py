"""What written pages of the plan set are made of: strips of text and table rows, packed into as many pages as they need.

A page is a pile of strips, each with its height. A table that goes on repeats its head, a wide cell wraps, nothing is cut.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.sheets import tokens
from loopgis.sheets.drill_paper import LEADING, RULE, SMALL, THIN, width_in, wrap
from loopgis.sheets.permit_paper import content_box, framed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.drill_paper import Paper
    from loopgis.sheets.permit_book import PermitBook

    Array = NDArray[np.float64]

AIR_IN, GUTTER_IN, PAD_IN = 0.1, 0.25, 0.035
"""Between the frame and what is written; between columns of text; on both sides of a cell."""
HINT = 1.04
"""Screens set type up to this much wider than a PDF does."""
LINE_IN = SMALL * LEADING / 72
MARK_IN = 0.17
"""Room that a mark takes in front of its word."""
MARK_R_IN = 0.046
"""Half the size of a mark."""
STEP_IN = 0.1
"""By so much columns are made wider and narrower in search of a short table."""
WORD_IN = 1.1
"""A column is made as wide as its longest word, but not wider than this for its sake."""
MOST_LINES = 24
"""A row of more lines is drawn in several pieces."""


@dataclass(frozen=True)
class PageMaker:
    """One page to come: name of the sheet, and what draws it once its number and the count of the set are known."""

    name: str
    draw: Callable[[int, int], Any]


@dataclass(frozen=True)
class Strip:
    """A piece of a page, as wide as its column. draw: takes the page and where its upper left corner stands, inches.

    keep: stays with the strip after it; head: strips to draw on top when a new page begins with this one; gap: only air, left out
    at the top.
    """

    tall_in: float
    draw: Callable[[Paper, float, float], None]
    keep: bool = False
    head: tuple[Strip, ...] = ()
    gap: bool = False


def gap(tall_in: float) -> Strip:
    """Air between two things."""
    return Strip(tall_in, lambda *_: None, gap=True)


def packed(strips: Sequence[Strip], tall_in: float) -> list[list[Strip]]:
    """Strips in columns of tall_in; what must stay together does, unless it is taller than a column."""
    columns: list[list[Strip]] = [[]]
    left = tall_in
    for run in _runs(strips):
        whole = sum(s.tall_in for s in run)
        head = sum(s.tall_in for s in run[0].head)
        pieces = [run] if whole + head <= tall_in else [(s,) for s in run]
        for piece in pieces:
            need = sum(s.tall_in for s in piece)
            if need > left + 1e-9 and columns[-1]:
                columns.append(list(piece[0].head))
                left = tall_in - sum(s.tall_in for s in piece[0].head)
            if not columns[-1] and piece[0].gap:
                continue
            columns[-1] += piece
            left -= need
    return [c for c in columns if c]


def _runs(strips: Sequence[Strip]) -> list[tuple[Strip, ...]]:
    runs: list[tuple[Strip, ...]] = []
    now: tuple[Strip, ...] = ()
    for strip in strips:
        now = (*now, strip)
        if not strip.keep:
            runs.append(now)
            now = ()
    return [*runs, now] if now else runs


def flow(
    book: PermitBook, paper: str, name: str, make: Callable[[float], Sequence[Strip]], *, least_in: float = 99.0
) -> list[PageMaker]:
    """Pages of written matter. make: gives the strips for a width; least_in: as many columns as are at least this wide."""
    box = content_box(book, paper)
    room = box.wide_in - 2 * AIR_IN
    count = max(1, int((room + GUTTER_IN) // (least_in + GUTTER_IN)))
    wide = (room - (count - 1) * GUTTER_IN) / count
    found = packed(make(wide), box.tall_in - 2 * AIR_IN)
    pages = [found[n : n + count] for n in range(0, len(found), count)]
    lefts = [box.x_in + AIR_IN + n * (wide + GUTTER_IN) for n in range(count)]
    return [PageMaker(name, partial(_page, book, paper, name, page, lefts, box.y_in + AIR_IN)) for page in pages]


def _page(
    book: PermitBook,
    paper: str,
    name: str,
    columns: Sequence[Sequence[Strip]],
    lefts: Sequence[float],
    top_in: float,
    number: int,
    count: int,
) -> Any:
    page = framed(book, paper, name, number, count)
    for left, column in zip(lefts, columns, strict=False):
        y = top_in
        for strip in column:
            strip.draw(page, left, y)
            y += strip.tall_in
    return page.done()


def lines_of(text: str, room_in: float, size: float = SMALL, *, bold: bool = False) -> list[str]:
    """Lines of at most room_in also where type is set wider; line breaks in the text stay."""
    parts = [wrap(part, room_in / HINT, size, bold=bold) for part in text.split("\n")]
    return [line for part in parts for line in part] or [""]


def paragraph(
    text: str, wide_in: float, size: float = SMALL, *, bold: bool = False, keep: bool = False, indent_in: float = 0.0
) -> list[Strip]:
    """Running text; keep: stays with what comes after it."""
    lines = lines_of(text, wide_in - indent_in, size, bold=bold)

    def draw(line: str, page: Paper, x: float, y: float) -> None:
        page.text(x + indent_in, y + size / 72, line, size, bold=bold)

    tall = size * LEADING / 72
    made = [Strip(tall, partial(draw, line), keep=len(lines) <= MOST_LINES) for line in lines]
    return [*made[:-1], replace(made[-1], keep=keep)]


def heading(text: str, wide_in: float, size: float = 9.0) -> list[Strip]:
    """A heading that stays with what comes after it."""
    after = Strip(0.03, lambda *_: None, keep=True)
    return [*paragraph(text, wide_in, size, bold=True, keep=True), after]


@dataclass(frozen=True)
class Head:
    """Head of a column: its words (a line break is kept) and how the cells stand: left, right or center."""

    words: str
    ha: str = "left"


@dataclass(frozen=True)
class Row:
    """One row: cells, mark in front of the first cell (an outcome, or a state of a rule), whether it is set bold."""

    cells: tuple[str, ...]
    mark: str = ""
    bold: bool = False


def table(wide_in: float, heads: Sequence[Head], rows: Sequence[Row], *, above: Sequence[Strip] = ()) -> list[Strip]:
    """A ruled table over the whole width. above: strips that are drawn once more, over the head, where the table goes on."""
    widths = _widths(wide_in, heads, rows)
    top = _head(widths, heads)
    again = (*above, top)
    made: list[Strip] = []
    for n, row in enumerate(rows):
        shift = MARK_IN if row.mark else 0.0
        cells = [
            lines_of(cell, w - 2 * PAD_IN - (shift if i == 0 else 0.0), bold=row.bold)
            for i, (cell, w) in enumerate(zip(row.cells, widths, strict=True))
        ]
        most = max(len(c) for c in cells)
        for first in range(0, most, MOST_LINES):
            part = [c[first : first + MOST_LINES] for c in cells]
            last = first + MOST_LINES >= most
            tall = max(len(c) for c in part) * LINE_IN + 0.05
            mark = row.mark if first == 0 else ""
            draw = partial(_row, widths, heads, part, tall, mark, shift, row.bold, last)
            made.append(Strip(tall, draw, head=again, keep=n == 0 and last and len(rows) == 2))
    return [top, *made]


def _widths(wide_in: float, heads: Sequence[Head], rows: Sequence[Row]) -> list[float]:
    """Widths of columns: what is short gets all it asks for; the long ones share the rest so that the table becomes short."""
    least, asked, cells = [], [], []
    for n, head in enumerate(heads):
        shift = MARK_IN if n == 0 and any(r.mark for r in rows) else 0.0
        words = [(w, True) for w in head.words.split()] + [(w, r.bold) for r in rows for w in r.cells[n].split()]
        lines = [(t, True) for t in head.words.split("\n")]
        lines += [(t, r.bold) for r in rows for t in r.cells[n].split("\n")]
        more = 2 * PAD_IN + shift + 0.01
        word = max((HINT * width_in(w, bold=b) for w, b in words), default=0.0)
        least.append(min(word, WORD_IN) + more)
        asked.append(max((HINT * width_in(t, bold=b) for t, b in lines), default=0.0) + more)
        cells.append([HINT * sum(width_in(t, bold=r.bold) for t in r.cells[n].split("\n")) for r in rows])
    low, need = np.array(least), np.maximum(np.array(asked), np.array(least))
    if need.sum() <= wide_in:
        return [float(v) for v in need + (wide_in - need.sum()) / len(heads)]
    if low.sum() >= wide_in:
        return [float(v) for v in low * wide_in / low.sum()]
    below, above = 0.0, wide_in
    for _ in range(60):
        level = (below + above) / 2
        wide = np.clip(need, low, np.maximum(low, level)).sum()
        below, above = (level, above) if wide <= wide_in else (below, level)
    start = np.clip(need, low, np.maximum(low, below))
    return [float(v) for v in _shorter(start, low, need, np.array(cells).T)]


def _shorter(widths: Array, low: Array, need: Array, cells: Array) -> Array:
    """Widths after moving tenths of an inch from column to column as long as the table becomes shorter (by estimate)."""

    def tall(wide: Array) -> float:
        lines = np.ceil(1.06 * cells / (wide - 2 * PAD_IN - 0.01))
        return float(lines.max(axis=1).sum() + 0.01 * lines.sum())

    best = tall(widths)
    for _ in range(100):
        found = None
        for a in np.flatnonzero(widths - STEP_IN >= low):
            for b in np.flatnonzero(widths < need):
                tried = widths.copy()
                tried[a] -= STEP_IN
                tried[b] += STEP_IN
                value = tall(tried)
                if a != b and value < best - 1e-9:
                    best, found = value, tried
        if found is None:
            break
        widths = found
    return widths


def _head(widths: Sequence[float], heads: Sequence[Head]) -> Strip:
    cells = [lines_of(h.words, w - 2 * PAD_IN, bold=True) for h, w in zip(heads, widths, strict=True)]
    most = max(len(c) for c in cells)
    tall = most * LINE_IN + 0.06

    def draw(page: Paper, x: float, y: float) -> None:
        left = x
        for cell, head, wide in zip(cells, heads, widths, strict=True):
            _cell(page, cell, head.ha, left, wide, y + 0.02 + (most - len(cell)) * LINE_IN, bold=True)
            left += wide
        page.line(x, y, left, y, RULE)
        page.line(x, y + tall, left, y + tall, RULE)

    return Strip(tall, draw, keep=True)


def _cell(page: Paper, lines: Sequence[str], ha: str, left: float, wide: float, y: float, *, bold: bool) -> None:
    at = {"left": left + PAD_IN, "right": left + wide - PAD_IN, "center": left + wide / 2}[ha]
    for n, line in enumerate(lines):
        page.text(at, y + n * LINE_IN + SMALL / 72, line, bold=bold, ha=ha)


def _row(
    widths: Sequence[float],
    heads: Sequence[Head],
    cells: Sequence[Sequence[str]],
    tall: float,
    mark: str,
    shift: float,
    bold: bool,  # noqa: FBT001 - bound by name order in a partial
    last: bool,  # noqa: FBT001
    page: Paper,
    x: float,
    y: float,
) -> None:
    left = x
    for n, (cell, head, wide) in enumerate(zip(cells, heads, widths, strict=True)):
        move = shift if n == 0 else 0.0
        _cell(page, cell, head.ha, left + move, wide - move, y + 0.015, bold=bold)
        left += wide
    if mark:
        draw_mark(page, x + 0.09, y + 0.015 + 0.064, mark)
    if last:
        page.line(x, y + tall, left, y + tall, THIN)


# marks --------------------------------------------------------------


def draw_mark(page: Paper, x_in: float, y_in: float, name: str) -> None:
    """Mark of an outcome, or of a rule's state, centred; marks differ in shape, colour only doubles it."""
    from matplotlib.patches import Circle, Rectangle  # noqa: PLC0415

    at, up, r = page.figure.dpi_scale_trans, page.tall_in - y_in, MARK_R_IN
    look = tokens.OUTCOME.get(name)
    shape = "query" if name == "needs a person" else "box" if look is None else look.shape
    colour = tokens.OUTCOME["unverified"].colour if look is None else look.colour
    if shape == "query":
        ring = Circle((x_in, up), 1.25 * r, fc="white", ec=colour, lw=1.2, transform=at, zorder=2)
        page.figure.add_artist(ring, clip=False)
        page.text(x_in, y_in + 0.035, "?", bold=True, ha="center")
    elif shape == "box":
        box = Rectangle((x_in - r, up - r), 2 * r, 2 * r, fc="white", ec="black", lw=0.8, transform=at)
        page.figure.add_artist(box, clip=False)
    elif shape in {"disc", "barred"}:
        disc = Circle((x_in, up), r, fc=colour, ec="black", lw=0.4, transform=at, zorder=2)
        page.figure.add_artist(disc, clip=False)
    strokes: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
        "cross": (((-1, -1), (1, 1)), ((-1, 1), (1, -1))),
        "dash": (((-0.9, 0), (0.9, 0)),),
        "barred": (((-1.7, 0), (1.7, 0)),),
        "box": (((-0.6, 0.0), (-0.1, -0.6), (0.7, 0.7)),) if name == "checked" else (),
    }
    for points in strokes.get(shape, ()):
        _stroke(
            page, x_in, up, points, colour if shape in {"cross", "dash"} else "black", 2.0 if shape == "cross" else 1.1
        )


def _stroke(
    page: Paper, x_in: float, up_in: float, points: Sequence[tuple[float, float]], colour: str, width: float
) -> None:
    from matplotlib.lines import Line2D  # noqa: PLC0415

    xs, ys = zip(*points, strict=True)
    line = Line2D(
        [x_in + v * MARK_R_IN for v in xs],
        [up_in + v * MARK_R_IN for v in ys],
        color=colour,
        lw=width,
        transform=page.figure.dpi_scale_trans,
        zorder=4,
    )
    page.figure.add_artist(line, clip=False)


def marks_line(counts: Iterable[tuple[str, str]], wide_in: float) -> list[Strip]:
    """Marks with words behind them, one after the other, over as many lines as they need."""
    rows: list[list[tuple[float, str, str]]] = [[]]
    x = 0.0
    for name, words in counts:
        need = MARK_IN + HINT * width_in(words, 8.0, bold=True) + 0.2
        if x + need > wide_in and rows[-1]:
            rows.append([])
            x = 0.0
        rows[-1].append((x, name, words))
        x += need

    def draw(row: Sequence[tuple[float, str, str]], page: Paper, left: float, y: float) -> None:
        for at, name, words in row:
            draw_mark(page, left + at + 0.07, y + 0.075, name)
            page.text(left + at + MARK_IN, y + 0.115, words, 8.0, bold=True)

    return [Strip(0.17, partial(draw, row), keep=True) for row in rows if row]


def ruled_lines(count: int, wide_in: float, *, from_in: float = 0.0) -> list[Strip]:
    """Empty lines to write on, a quarter inch apart; the first begins at from_in from the left."""

    def draw(start: float, page: Paper, x: float, y: float) -> None:
        page.line(x + start, y + 0.2, x + wide_in, y + 0.2)

    return [Strip(0.24, partial(draw, from_in if n == 0 else 0.0), keep=True) for n in range(count)]
