"""The blank as-built form that crew and driller fill in for the office; planned figures stand small beside the empty cells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_paper import FOOT_IN, HEAVY, RULE, SMALL, THIN, TOP_IN, Paper, cut, width_in
from loopgis.sheets.drill_pull import bore_size
from loopgis.sheets.permit_flow import (
    HINT,
    LINE_IN,
    PAD_IN,
    Strip,
    gap,
    heading,
    lines_of,
    packed,
    paragraph,
    ruled_lines,
)
from loopgis.sheets.permit_tables import decimals, lat_lon, length, unit_word

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from loopgis.sheets.permit_book import BorePlan, PermitBook

ROW_IN = 0.36
"""Height of a row to write in by hand."""
SPARE = 2
"""Empty rows for bores that were not planned."""
CIRCUITS = (4, 12)
"""Least and most rows for circuits."""
SKETCH_IN = 2.6
TWO_POINTS = (
    "at least two points that stay where they are, as one state asks (Conn. Regs. 25-128-62): house corners, hydrants"
)


@dataclass(frozen=True)
class _Column:
    """A column to fill in: head, share of the width, and what is planned for a bore."""

    head: str
    share: float
    plan: Callable[[BorePlan], str] = lambda _: ""


def write_form(path: Path, book: PermitBook) -> Path:
    """Write the form as PDF, letter or A4 upright by the units of the book; the same book gives the same bytes."""
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    first = Paper(book.units)
    top, foot = TOP_IN + 0.42, _foot_in(book, first)
    pages = packed(_strips(book, first.room_in), first.tall_in - top - foot)
    with PdfPages(path, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf:
        for number, strips in enumerate(pages, 1):
            page = Paper(book.units)
            _head(page, book, f"page {number} of {len(pages)}")
            y = top
            for strip in strips:
                strip.draw(page, page.left_in, y)
                y += strip.tall_in
            _foot(page, book)
            pdf.savefig(page.done())
    return path


def _strips(book: PermitBook, wide: float) -> list[Strip]:
    return [
        *_due(book, wide),
        *_who(book, wide),
        *_tables(book, wide),
        *_sketch(wide),
        *_circuits(book, wide),
        *_fluid(wide),
        *heading("Changes from the plan, and who approved them", wide, 8.0),
        *ruled_lines(5, wide)[:-1],
        _last(ruled_lines(1, wide)[0]),
        gap(0.12),
        *_accuracy(book, wide),
        *_signatures(wide),
    ]


def _last(strip: Strip) -> Strip:
    """The strip, not held to what follows."""
    return Strip(strip.tall_in, strip.draw, head=strip.head)


# head and foot --------------------------------------------------------------


def _head(page: Paper, book: PermitBook, number: str) -> None:
    page.text(page.left_in, TOP_IN + 0.2, "As-built", 15, bold=True)
    page.text(page.right_in, TOP_IN + 0.14, number, 8.0, bold=True, ha="right")
    x = page.left_in + 1.05
    room = page.right_in - x - 0.85
    page.text(x, TOP_IN + 0.12, cut(book.title.project or book.site, room, 9.0, bold=True), 9.0, bold=True)
    words = f"layout {book.layout_id or 'without a name'}, parcel {book.parcel_id or 'not named'}; plan: {book.file_name}, SHA-256"
    page.text(x, TOP_IN + 0.26, cut(f"{words} {book.file_sha256[:12]}", page.right_in - x))
    page.line(page.left_in, TOP_IN + 0.32, page.right_in, TOP_IN + 0.32, HEAVY)


def _foot_words(book: PermitBook, page: Paper) -> list[str]:
    """Cautions of this page, with what the plan may claim."""
    words = f"{CAUTIONS[0]} The plan: {book.claim} {CAUTIONS[6]} {CAUTIONS[8].split('.')[0]}."
    return lines_of(words, page.room_in - 0.12)


def _foot_in(book: PermitBook, page: Paper) -> float:
    return len(_foot_words(book, page)) * LINE_IN + 0.08 + FOOT_IN + 0.06


def _foot(page: Paper, book: PermitBook) -> None:
    lines = _foot_words(book, page)
    tall = len(lines) * LINE_IN + 0.08
    y = page.tall_in - FOOT_IN - tall
    page.box(page.left_in, y, page.room_in, tall, RULE)
    page.paragraph(page.left_in + 0.06, y + 0.03, lines)


# who, when --------------------------------------------------------------


def _due(book: PermitBook, wide: float) -> list[Strip]:
    if book.as_built_days is None:
        words, more = "The office's deadline: ______________________", ""
    else:
        words = f"Due within {book.as_built_days} days after the work is finished."
        more = f"Source: {book.as_built_source}. " if book.as_built_source else ""
    note = (
        f"{more}Write what was measured, not what was planned. Planned figures stand small at the foot of each cell."
        f" Lengths in {'feet' if book.units == 'us' else 'metres'}, coordinates as latitude and longitude with at least"
        f" {decimals(book)} decimals of a degree on {book.datum or 'the datum that is named below'}."
    )
    return [*paragraph(words, wide, 9.0, bold=True, keep=True), *paragraph(note, wide), gap(0.08)]


def _who(book: PermitBook, wide: float) -> list[Strip]:
    title = book.title
    fields = (
        (("address", title.address), ("permit no.", title.permit)),
        (("owner", title.owner), ("office", title.office)),
        (("contractor", title.contractor), ("licence", title.licence)),
        (("driller", ""), ("driller's licence, valid until", "")),
        (("rig, locator", ""), ("one-call ticket", title.ticket)),
        (("work begun", ""), ("work finished", "")),
        ((f"bores planned: {len(book.bores)}; drilled", ""), ("used", ""), ("abandoned", "")),
    )
    return [
        *[_line_of_fields(row, wide, keep=True) for row in fields[:-1]],
        _line_of_fields(fields[-1], wide),
        gap(0.1),
    ]


def _line_of_fields(fields: Sequence[tuple[str, str]], wide: float, *, keep: bool = False) -> Strip:
    """Named fields side by side; an empty one gets a line to write on."""

    def draw(page: Paper, x: float, y: float) -> None:
        step = wide / len(fields)
        for n, (name, value) in enumerate(fields):
            left, right = x + n * step, x + (n + 1) * step - 0.1
            word = cut(name, step - 0.3)
            page.text(left, y + 0.2, word)
            start = left + HINT * width_in(word) + 0.06
            if value:
                page.text(start, y + 0.2, cut(value, right - start, SMALL, bold=True), SMALL, bold=True)
            page.line(start, y + 0.23, right, y + 0.23)

    return Strip(0.26, draw, keep=keep)


# tables to fill in --------------------------------------------------------------


def _tables(book: PermitBook, wide: float) -> list[Strip]:
    units, unit = book.units, unit_word(book.units)
    name = _Column("bore", 0.1, lambda b: b.bore_id)
    drilled = (
        name,
        _Column("date drilled", 0.13),
        _Column(f"drilled length, {unit}", 0.13, lambda b: length(b.length_m, units)),
        _Column(f"greatest depth, {unit}", 0.13, lambda b: length(b.max_depth_m, units)),
        _Column(
            f"hole diameter, {'in' if units == 'us' else 'mm'}", 0.12, lambda b: bore_size(b.hole_diameter_m, units)
        ),
        _Column(f"bore-backs, abandoned legs: from {unit}, to {unit}, filled with", 0.29),
        _Column("used for a loop: yes, no", 0.1),
    )
    placed = (
        name,
        _Column("entry: latitude, longitude", 0.23, lambda b: lat_lon(b.entry_lat_lon, book)),
        _Column("exit: latitude, longitude", 0.23, lambda b: lat_lon(b.exit_lat_lon, book)),
        _Column(f"entry from point 1, {unit}", 0.11),
        _Column(f"entry from point 2, {unit}", 0.11),
        _Column(f"exit from point 1, {unit}", 0.11),
        _Column(f"exit from point 2, {unit}", 0.11),
    )
    filled = (
        name,
        _Column("pipe: print line, length marks at both ends", 0.34),
        _Column("annulus: fill, by what way", 0.2),
        _Column(f"annulus: amount, {'gal' if units == 'us' else 'L'}", 0.13),
        _Column("ground met, water, returns", 0.23),
    )
    return [
        *_grid("Bores as drilled", drilled, book, wide),
        gap(0.14),
        *_fixed_points(wide),
        *_grid("Where entry and exit are", placed, book, wide),
        gap(0.14),
        *_grid("Pipe, annulus, ground", filled, book, wide),
        gap(0.14),
    ]


def _fixed_points(wide: float) -> list[Strip]:
    return [
        *heading("Fixed points", wide, 8.0),
        *paragraph(f"Distances are taped from {TWO_POINTS}.", wide, keep=True),
        _line_of_fields((("point 1: what and where", ""),), wide, keep=True),
        _line_of_fields((("point 2: what and where", ""),), wide),
        gap(0.1),
    ]


def _grid(name: str, columns: Sequence[_Column], book: PermitBook, wide: float) -> list[Strip]:
    """A table of empty cells, one row per bore and some to spare; its head stands on every page that it takes."""
    whole = sum(c.share for c in columns)
    widths = [wide * c.share / whole for c in columns]
    top = _grid_head(columns, widths)
    again = (*[Strip(s.tall_in, s.draw, keep=True) for s in paragraph(f"{name}, continued", wide, 8.0, bold=True)], top)
    strips: list[Strip] = [*heading(name, wide, 8.0), top]
    for bore in book.bores:
        cells = [(c.plan(bore), c.head == "bore") for c in columns]
        strips.append(Strip(ROW_IN, partial(_grid_row, widths, cells), head=again))
    empty = [("", False) for _ in columns]
    strips += [Strip(ROW_IN, partial(_grid_row, widths, empty), head=again) for _ in range(SPARE)]
    return strips


def _grid_head(columns: Sequence[_Column], widths: Sequence[float]) -> Strip:
    cells = [lines_of(c.head, w - 2 * PAD_IN, bold=True) for c, w in zip(columns, widths, strict=True)]
    most = max(len(c) for c in cells)
    tall = most * LINE_IN + 0.06

    def draw(page: Paper, x: float, y: float) -> None:
        left = x
        for cell, wide in zip(cells, widths, strict=True):
            page.paragraph(left + PAD_IN, y + 0.02 + (most - len(cell)) * LINE_IN, cell, bold=True)
            left += wide
        page.line(x, y + tall, left, y + tall, RULE)

    return Strip(tall, draw, keep=True)


def _grid_row(widths: Sequence[float], cells: Sequence[tuple[str, bool]], page: Paper, x: float, y: float) -> None:
    """Empty cells with the planned figure small at the foot; a bore's number large."""
    left = x
    page.line(x, y, x, y + ROW_IN, THIN)
    for wide, (plan, name) in zip(widths, cells, strict=True):
        room = (wide - 2 * PAD_IN) / HINT
        if name:
            lines = lines_of(plan, wide - 2 * PAD_IN, 8.0, bold=True)[:3]
            page.paragraph(left + PAD_IN, y + 0.04, lines, 8.0 if len(lines) < 3 else SMALL, bold=True)
        elif plan:
            told = plan if width_in(f"plan {plan}") > room else f"plan {plan}"
            page.text(left + PAD_IN, y + ROW_IN - 0.035, cut(told, room))
        left += wide
        page.line(left, y, left, y + ROW_IN, THIN)
    page.line(x, y + ROW_IN, left, y + ROW_IN, THIN)


def _blank_rows(heads: Sequence[tuple[str, float]], rows: int, wide: float, name: str) -> list[Strip]:
    columns = [_Column(h, s) for h, s in heads]
    whole = sum(c.share for c in columns)
    widths = [wide * c.share / whole for c in columns]
    top = _grid_head(columns, widths)
    again = (*[Strip(s.tall_in, s.draw, keep=True) for s in paragraph(f"{name}, continued", wide, 8.0, bold=True)], top)
    empty = [("", False) for _ in columns]
    made = [Strip(ROW_IN, partial(_grid_row, widths, empty), head=again) for _ in range(rows)]
    return [*heading(name, wide, 8.0), top, *made, gap(0.14)]


def _circuits(book: PermitBook, wide: float) -> list[Strip]:
    pressure = "psi" if book.units == "us" else "kPa"
    heads = (
        ("circuit", 0.09),
        ("its bores, in order", 0.2),
        ("tested with", 0.11),
        (f"start: time, {pressure}", 0.16),
        (f"end: time, {pressure}", 0.16),
        ("flow tested, purged", 0.13),
        ("result, witness", 0.15),
    )
    rows = min(max(CIRCUITS[0], len(book.bores)), CIRCUITS[1])
    return _blank_rows(heads, rows, wide, "Circuits and pressure test (more circuits: copy this table)")


def _sketch(wide: float) -> list[Strip]:
    """Room for a drawing with the fixed points."""

    def draw(page: Paper, x: float, y: float) -> None:
        page.box(x, y, wide, SKETCH_IN, RULE)
        page.text(x + wide - 0.1, y + 0.14, "north:", ha="right")

    words = "Sketch: fixed points with the taped distances, pad, bores as drilled, header, building entry"
    return [*heading(words, wide, 8.0), Strip(SKETCH_IN, draw), gap(0.14)]


def _fluid(wide: float) -> list[Strip]:
    return [
        *heading("Fluid", wide, 8.0),
        _line_of_fields((("fluid and maker", ""), ("share, %", ""), ("freezes at", "")), wide, keep=True),
        _line_of_fields((("volume in the loop", ""), ("water from", ""), ("label set: yes, no", "")), wide),
        gap(0.14),
    ]


def _accuracy(book: PermitBook, wide: float) -> list[Strip]:
    unit = unit_word(book.units)
    return [
        *heading("How well this was measured", wide, 8.0),
        _line_of_fields((("coordinates measured with", ""), ("datum", ""), (f"good to, {unit}", "")), wide, keep=True),
        _line_of_fields((("depths measured with", ""), ("checked on (date)", ""), ("good to, % of depth", "")), wide),
        gap(0.14),
    ]


def _signatures(wide: float) -> list[Strip]:
    words = (
        "What stands here was measured on this work. Bores that were left are filled as written above; nothing was changed from the"
        " plan but what is written above."
    )
    return [
        *heading("Signed", wide, 8.0),
        *paragraph(words, wide, keep=True),
        _line_of_fields((("driller, licence no.", ""), ("signature", ""), ("date", "")), wide, keep=True),
        _line_of_fields((("contractor, licence no.", ""), ("signature", ""), ("date", "")), wide, keep=True),
        _line_of_fields((("owner has a copy", ""), ("office received", ""), ("date", "")), wide),
    ]
