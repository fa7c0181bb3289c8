"""First page of the drill sheets: may the crew drill, what is to be done, the bores in order, a key plan, all cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.units import force_text, length_text
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_frame import AID, HEAD_IN, gate_words, head
from loopgis.sheets.drill_paper import (
    FOOT_IN,
    HEAVY,
    LEADING,
    LINES_IN,
    RULE,
    TABLE,
    TOP_IN,
    Column,
    Paper,
    cut,
    table,
    table_in,
    tape,
    whole,
    width_in,
    wrap,
)
from loopgis.sheets.drill_plan import draw_plan
from loopgis.sheets.drill_pull import NONE, over_link, volume

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from loopgis.sheets.drill_book import DrillBook, DrillPage

SIZES = (9.0, 8.0, 7.5, 7.0)
"""Type of the words, the largest that lets everything stand on one page."""
PLAN_IN = (1.75, 3.6)
"""Least and most height of the key plan, inches."""
GATE_IN = 0.3
"""Height of the gate's words over its lines."""
SHARE = 0.56
"""Share of the width for the words beside the plan."""


def count(book: DrillBook) -> int:
    """Pages before that of the first bore."""
    return len(laid_out(Paper(book.units), book).parts)


def fronts(book: DrillBook, total: int) -> Iterator[Any]:
    """The pages before that of the first bore as matplotlib figures; total: pages in all."""
    laid = laid_out(Paper(book.units), book)
    yield _front(book, laid, f"page 1 of {total}")
    for n in range(1, len(laid.parts)):
        yield _next(book, laid, n, f"page {n + 1} of {total}")


# what is told --------------------------------------------------------------


def _cautions(paper: Paper, book: DrillBook, size: float) -> list[str]:
    """All cautions in full, numbered, and the claim."""
    texts = [*CAUTIONS, book.claim.rstrip(".") + "."]
    return [line for n, text in enumerate(texts, 1) for line in wrap(f"{n}. {text}", paper.room_in - 0.15, size)]


def _gate_lines(paper: Paper, book: DrillBook) -> list[str]:
    return [line for text in book.gate.lines for line in wrap(text[:1].upper() + text[1:], paper.room_in - 0.3, TABLE)]


def _summed(values: Sequence[float | None]) -> tuple[float | None, str]:
    """Sum of what is known, and how many are not."""
    held = [v for v in values if v is not None]
    missing = len(values) - len(held)
    return (sum(held) if held else None), (f" ({missing} not computed)" if held and missing else "")


def _names_in(size: float) -> float:
    """Width of the names of the facts."""
    return width_in("drill and pull", size, bold=True) + 0.1


def _facts(paper: Paper, book: DrillBook, size: float) -> list[tuple[str, str]]:
    """Name and words of what is told beside the plan."""
    units, figures = book.units, [p.figures for p in book.pages]
    mud, no_mud = _summed([f.fluid_m3 for f in figures])
    spoil, no_spoil = _summed([f.spoil_m3 for f in figures])
    hours, no_hours = _summed([f.hours for f in figures])
    area = f"{book.white_line_m2 / 0.09290304:,.0f} sq ft" if units == "us" else f"{book.white_line_m2:,.0f} sq m"
    drilled, level = (
        whole(sum(v), units) for v in ([f.length_m for f in figures], [f.level_length_m for f in figures])
    )
    told = [
        ("parcel", f"{book.parcel_id}, layout {book.layout_id}, rank {book.rank}"),
        ("rig", book.rig),
        ("pipe", book.pipe),
        ("white line", f"round {area}: paint it before the call"),
        ("order", "as listed below, first to last"),
        (
            "in all",
            f"{len(figures)} bores, {sum(f.rods for f in figures)} rods, {drilled} drilled, {level} of it level",
        ),
        ("mud to mix", _said(volume(mud, units)) + no_mud),
        ("spoil to haul", _said(volume(spoil, units, loose=True)) + no_spoil),
        ("drill and pull", "not computed" if hours is None else f"{hours:.1f} hours{no_hours}"),
        *(("", text) for text in book.facts),
    ]
    room = SHARE * paper.room_in - _names_in(size) - 0.1
    return [(name if n == 0 else "", line) for name, text in told for n, line in enumerate(wrap(text, room, size))]


def _columns(pages: Sequence[DrillPage], units: str, first: int) -> list[Column]:
    """The table of bores."""
    foot, unit = ("ft-in", "ft") if units == "us" else ("m", "m")
    force = [force_text(1.0, units).split()[-1]] * 2

    def newtons(value: float | None) -> str:
        return "" if value is None else force_text(value, units).split()[0]

    def column(head: tuple[str, str], values: list[str], *, bold: bool = False) -> Column:
        return Column(head, tuple(values), bold=frozenset(range(len(values))) if bold else frozenset())

    f = [p.figures for p in pages]
    over = [over_link(v) for v in f]
    return [
        column(("", "no."), [str(first + n + 1) for n in range(len(pages))]),
        column(("", "bore"), [p.bore_id for p in pages], bold=True),
        column(("", "rods"), [str(v.rods) for v in f]),
        column(("drilled", unit), [length_text(v.length_m, units).split()[0] for v in f]),
        column(("deepest", foot), [tape(v.max_depth_m, units) for v in f]),
        column(("cross-", "ings"), [str(len(p.crossings)) for p in pages]),
        column(("least", f"gap {foot}"), [_least(p, units) for p in pages]),
        column(("pull", force[0]), [("OVER " if o else "") + newtons(v.pull_n) for o, v in zip(over, f, strict=True)]),
        column(("weak link", force[1]), [newtons(v.weak_link_n) for v in f]),
        column(("mud", "gal" if units == "us" else "l"), [_bare(volume(v.fluid_m3, units)) for v in f]),
        column(
            ("spoil", "cu yd" if units == "us" else "cu m"),
            [_bare(volume(v.spoil_m3, units, loose=True)) for v in f],
        ),
        column(("", "hours"), ["" if v.hours is None else f"{v.hours:.1f}" for v in f]),
    ]


def _said(text: str) -> str:
    """The figure, or in words that there is none."""
    return "not computed" if text == NONE else text


def _bare(text: str) -> str:
    """Figure without its unit, empty when there is none."""
    return "" if text == NONE else text.split(maxsplit=1)[0]


def _least(page: DrillPage, units: str) -> str:
    """Least clear gap over the crossings of known depth; "not all known" comes as a question mark."""
    gaps = [c.clearance_m for c in page.crossings if c.clearance_m is not None]
    doubt = "?" if len(gaps) < len(page.crossings) or any(c.depth_m is None for c in page.crossings) else ""
    return (tape(min(gaps), units) if gaps else "") + doubt


# how it stands --------------------------------------------------------------


@dataclass(frozen=True)
class Front:
    """How the first page is laid out: type size of words, height of a row of bores, and the bores on each page."""

    size: float
    row_in: float
    plan_in: float
    parts: tuple[tuple[int, int], ...]


def _step(size: float) -> float:
    return size * LEADING / 72


def _gate_in(paper: Paper, book: DrillBook) -> float:
    """Height of the frame with the gate."""
    return GATE_IN + _step(TABLE) * len(_gate_lines(paper, book)) + 0.08


def _low_in(paper: Paper, book: DrillBook, size: float) -> float:
    """Height of the cautions with their title, and of the margin."""
    return 0.17 + _step(size) * len(_cautions(paper, book, size)) + 0.08 + FOOT_IN


def laid_out(paper: Paper, book: DrillBook) -> Front:
    """The largest type with which all bores stand on the first page; with the smallest the others go on the next."""
    every = len(book.pages)
    for size in SIZES:
        words = max(PLAN_IN[0], _step(size) * len(_facts(paper, book, size)))
        room = paper.tall_in - TOP_IN - HEAD_IN - _gate_in(paper, book) - 0.1 - _low_in(paper, book, size) - 0.06
        room -= table_in(2, 0, 0.0) + 0.1 + LINES_IN
        least = (size + 1) / 72
        if words + every * least <= room:
            break
    fit = max(1, min(every, int((room - words) / least)))
    row = min(0.24, max(least, (room - words) / fit))
    plan = min(max(words, room - fit * row), PLAN_IN[1])
    later = int((paper.tall_in - TOP_IN - HEAD_IN - FOOT_IN - 0.4 - table_in(2, 0, 0.0)) / least)
    starts = [0, *range(fit, every, later)]
    return Front(size, row, plan, tuple(zip(starts, [*starts[1:], every], strict=True)))


def _head(book: DrillBook, number: str, *, first: bool) -> Paper:
    paper = Paper(book.units)
    words = "Read this page before anything else" if first else "continued"
    head(paper, book, book.layout_id, words, number, gate=not first)
    return paper


def _front(book: DrillBook, laid: Front, number: str) -> Any:
    paper = _head(book, number, first=True)
    y = TOP_IN + HEAD_IN
    tall = _gate_in(paper, book)
    paper.box(paper.left_in, y, paper.room_in, tall, RULE if book.gate.open else 2 * HEAVY)
    paper.text(paper.left_in + paper.room_in / 2, y + 0.22, gate_words(book.gate), 14, bold=True, ha="center")
    paper.paragraph(paper.left_in + 0.15, y + GATE_IN, _gate_lines(paper, book), TABLE)
    y += tall + 0.1
    for n, (name, text) in enumerate(_facts(paper, book, laid.size)):
        base = y + (n + 1) * _step(laid.size) - 0.03
        paper.text(paper.left_in, base, name, laid.size, bold=True)
        paper.text(paper.left_in + _names_in(laid.size), base, text, laid.size)
    left = paper.left_in + SHARE * paper.room_in
    draw_plan(paper, book, (left, y), (paper.right_in - left, laid.plan_in))
    _bores(paper, book, laid, 0, y + laid.plan_in + 0.06)
    lines = _cautions(paper, book, laid.size)
    tall = _step(laid.size) * len(lines) + 0.08
    y = paper.tall_in - FOOT_IN - tall
    paper.text(paper.left_in, y - 0.06, "Cautions", laid.size + 0.5, bold=True)
    paper.box(paper.left_in, y, paper.room_in, tall, RULE)
    paper.paragraph(paper.left_in + 0.06, y + 0.03, lines, laid.size)
    return paper.done()


def _next(book: DrillBook, laid: Front, part: int, number: str) -> Any:
    paper = _head(book, number, first=False)
    _bores(paper, book, laid, part, TOP_IN + HEAD_IN)
    paper.text(paper.left_in, paper.tall_in - FOOT_IN, f"{AID} {book.claim.rstrip('.')}.")
    return paper.done()


def _bores(paper: Paper, book: DrillBook, laid: Front, part: int, y: float) -> None:
    first, last = laid.parts[part]
    columns = _columns(book.pages[first:last], book.units, first)
    row = laid.row_in if part == 0 else (laid.size + 1) / 72
    low = table(paper, paper.left_in, y, paper.room_in, columns, row_in=row, size=laid.size)
    words = "Least gap: clear, ? when not every depth is known. Pull: pipes empty; OVER: beyond the weak link. Empty: not computed."
    if last < len(book.pages):
        words = f"On the next page: {len(book.pages) - last} more. {words}"
    paper.text(paper.left_in, low + 0.12, cut(words, paper.room_in))
