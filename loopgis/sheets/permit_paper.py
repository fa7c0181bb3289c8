"""Pages of the permit office's plan set: paper sizes, the frame with title block, revisions and cautions that all of them share.

Black on white as the drill sheets are; colour only doubles what shape and letters say already, so a photocopy loses nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.sheets import figure
from loopgis.sheets.drill_paper import HEAVY, LEADING, RULE, SMALL, TABLE, THIN, Paper, cut, width_in, wrap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.sheets.permit_book import PermitBook

PAPERS_IN: dict[str, tuple[float, float]] = {
    "letter": (11.0, 8.5),
    "ledger": (17.0, 11.0),
    "arch-d": (36.0, 24.0),
    "a4": (297 / 25.4, 210 / 25.4),
    "a3": (420 / 25.4, 297 / 25.4),
    "a1": (841 / 25.4, 594 / 25.4),
}
"""Sheets lying on their long side: width and height, inches (ANSI/ASME Y14.1 and ISO 216; ARCH D from memory)."""
USUAL_PAPER = {"us": ("ledger", "arch-d"), "metric": ("a3", "a1")}
"""Paper taken when none is named: the first on which the lot fits at a usual scale, else the last."""
MARGIN_IN = 0.4
TITLE_IN, GAP_IN = 1.0, 0.06
"""Height of the title block; air between the parts of the frame."""
REVISIONS = 3
AIR = 0.96
"""Share of a room's width that text may fill: screens set type a little wider than paper."""
_COLUMNS_FROM_IN = 9.0
"""A frame wider than this sets the cautions in as many columns as go into it."""


@dataclass(frozen=True)
class Box:
    """Room for content: x from the left, y from the upper edge of the page, inches."""

    x_in: float
    y_in: float
    wide_in: float
    tall_in: float

    @property
    def right_in(self) -> float:
        """Right edge."""
        return self.x_in + self.wide_in

    @property
    def low_in(self) -> float:
        """Lower edge."""
        return self.y_in + self.tall_in


@dataclass(eq=False)
class PermitPaper(Paper):
    """One page of the plan set. paper: a name of PAPERS_IN."""

    paper: str = field(kw_only=True)

    def __post_init__(self) -> None:
        """Lay out an empty page."""
        if self.paper not in PAPERS_IN:
            raise InputError("paper", f"{self.paper!r} is not known", f"one of {', '.join(PAPERS_IN)}")
        self.wide_in, self.tall_in = PAPERS_IN[self.paper]
        self.figure = figure.sheet(self.wide_in, self.tall_in)
        self.figure.set_label(figure.SEARCHABLE)

    @property
    def left_in(self) -> float:
        """Left edge of what is printed."""
        return MARGIN_IN

    @property
    def right_in(self) -> float:
        """Right edge of what is printed."""
        return self.wide_in - MARGIN_IN

    @property
    def room_in(self) -> float:
        """Width of what is printed."""
        return self.wide_in - 2 * MARGIN_IN


def content_box(book: PermitBook, paper: str) -> Box:
    """Room that the frame leaves on a page for this book; the same on every page of a set."""
    page = PermitPaper(units=book.units, paper=paper)
    low = page.tall_in - MARGIN_IN - TITLE_IN - GAP_IN - _cautions_in(book, page) - GAP_IN
    return Box(MARGIN_IN, MARGIN_IN, page.room_in, low - MARGIN_IN)


def framed(book: PermitBook, paper: str, name: str, number: int, count: int, scale: str = "no scale") -> PermitPaper:
    """A page with its frame: title block along the bottom edge, cautions above it. Content goes into `content_box`.

    name: of the sheet; number, count: sheet number of so many; scale: in words, as it stands in the title block.
    """
    page = PermitPaper(units=book.units, paper=paper)
    page.box(page.left_in, MARGIN_IN, page.room_in, page.tall_in - 2 * MARGIN_IN, HEAVY)
    tall = _cautions_in(book, page)
    top = page.tall_in - MARGIN_IN - TITLE_IN - GAP_IN - tall
    page.box(page.left_in + GAP_IN, top, page.room_in - 2 * GAP_IN, tall, RULE)
    for n, lines in enumerate(_cautions(book, page)):
        wide = (page.room_in - 2 * GAP_IN) / _columns(page)
        page.paragraph(page.left_in + GAP_IN + n * wide + 0.05, top + 0.03, lines)
    _title(book, page, name, f"{number} of {count}", scale)
    return page


def _columns(page: PermitPaper) -> int:
    return max(1, int(page.room_in // _COLUMNS_FROM_IN)) + (page.room_in > _COLUMNS_FROM_IN)


def _cautions(book: PermitBook, page: PermitPaper) -> list[list[str]]:
    """Cautions as lines in columns of about the same height, the claim first."""
    columns = _columns(page)
    room = AIR * (page.room_in - 2 * GAP_IN) / columns - 0.12
    parts = [wrap(text, room) for text in (book.claim, *book.cautions)]
    total = sum(len(p) for p in parts)
    out: list[list[str]] = [[]]
    for part in parts:
        if len(out) < columns and out[-1] and len(out[-1]) + len(part) / 2 > total / columns:
            out.append([])
        out[-1] += part
    return out


def _cautions_in(book: PermitBook, page: PermitPaper) -> float:
    return max(len(c) for c in _cautions(book, page)) * SMALL * LEADING / 72 + 0.07


def _title(book: PermitBook, page: PermitPaper, name: str, number: str, scale: str) -> None:
    """Title block: name of the sheet, who and where, scale and systems, revisions, room for a seal."""
    top, low = page.tall_in - MARGIN_IN - TITLE_IN, page.tall_in - MARGIN_IN
    shares = (0.20, 0.19, 0.19, 0.22, 0.20)
    edges = [page.left_in]
    for share in shares:
        edges.append(edges[-1] + share * page.room_in)
    page.line(page.left_in, top, page.right_in, top, HEAVY)
    for x in edges[1:-1]:
        page.line(x, top, x, low, THIN)
    title = book.title
    cells = [(a + 0.05, b - a - 0.1) for a, b in pairwise(edges)]
    x, room = cells[0]
    head = title.project or book.site
    size = next((v for v in (11, 10, 9, 8) if width_in(head, v, bold=True) <= AIR * room), 8)
    page.text(x, top + 0.19, cut(head, AIR * room, size, bold=True), size, bold=True)
    page.text(x, top + 0.38, cut(name, room, 10, bold=True), 10, bold=True)
    page.text(
        x,
        top + 0.55,
        cut(f"layout {book.layout_id or 'without a name'}, parcel {book.parcel_id or 'not named'}", room, TABLE),
        TABLE,
    )
    page.text(x, top + 0.73, cut(scale, room, 9, bold=True), 9, bold=True)
    page.text(x, top + 0.92, f"sheet {number}", 9, bold=True)
    _fields(
        page,
        cells[1],
        top,
        (("address", title.address), ("owner", title.owner), ("office", title.office), ("permit no.", title.permit)),
    )
    _fields(
        page,
        cells[2],
        top,
        (
            ("contractor", title.contractor),
            ("licence", title.licence),
            ("designer", title.designer),
            ("one-call ticket", title.ticket),
        ),
    )
    x, room = cells[3]
    told = (
        f"date: {title.day or '____________'}",
        f"system: {book.crs_name}",
        f"datum: {book.datum}; heights: {book.height_datum}",
        f"file: {book.file_name}, SHA-256 {book.file_sha256[:12]}",
        "lot lines from a map file: not a boundary survey",
    )
    lines = [line for text in told for line in wrap(text, AIR * room)[:2]]
    page.paragraph(x, top + 0.04, lines[:8])
    _revisions(book, page, cells[4], top)


def _fields(page: PermitPaper, cell: tuple[float, float], top: float, fields: Sequence[tuple[str, str]]) -> None:
    """Named fields one under the other; an empty one gets a line to write on."""
    x, room = cell
    step = TITLE_IN / len(fields)
    for n, (name, value) in enumerate(fields):
        base = top + (n + 1) * step - 0.06
        page.text(x, base, name)
        begin = x + width_in(name) + 0.06
        if value:
            lines = wrap(value, AIR * (x + room - begin), SMALL, bold=True)
            rise = (len(lines[:2]) - 1) * SMALL * LEADING / 72
            for k, line in enumerate(lines[:2]):
                text = (
                    line if k == 0 or len(lines) <= 2 else cut(" ".join(lines[1:]), x + room - begin, SMALL, bold=True)
                )
                page.text(begin, base - rise + k * SMALL * LEADING / 72, text, SMALL, bold=True)
        else:
            page.line(begin, base + 0.02, x + room, base + 0.02)


def _revisions(book: PermitBook, page: PermitPaper, cell: tuple[float, float], top: float) -> None:
    """Revision block: number, day, by, what; the last ones when there are many; empty rows to write in; room for a seal below."""
    x, room = cell
    at = [x, x + 0.14 * room, x + 0.42 * room, x + 0.58 * room]
    for left, word in zip(at, ("rev", "date", "by", "what"), strict=True):
        page.text(left, top + 0.12, word)
    shown = book.title.revisions[-REVISIONS:]
    for n in range(REVISIONS):
        base = top + 0.15 + (n + 1) * 0.14
        page.line(x - 0.05, base - 0.13, x + room + 0.05, base - 0.13)
        if n < len(shown):
            r = shown[n]
            ends = [*at[1:], x + room]
            for left, end, word in zip(at, ends, (r.number, r.day, r.by, r.what), strict=True):
                page.text(left, base - 0.02, cut(word, end - left - 0.03))
    low = top + 0.15 + REVISIONS * 0.14 + 0.01
    page.line(x - 0.05, low, x + room + 0.05, low)
    page.paragraph(x, low + 0.02, wrap("seal and signature, where the law asks", AIR * room))
