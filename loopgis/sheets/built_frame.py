"""Pages of the as-built: head with site and number, cautions at the foot, and written matter that flows on from page to page."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from loopgis.sheets.built_words import clipped, day_words
from loopgis.sheets.cautions import CAUTIONS, SHORT_CAUTION
from loopgis.sheets.drill_paper import LINES_IN, RULE, SMALL, TABLE, cut, width_in, wrap
from loopgis.sheets.permit_flow import PageMaker, packed
from loopgis.sheets.permit_paper import AIR, GAP_IN, MARGIN_IN, Box, PermitPaper

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any

    from loopgis.field.book import BuiltBook
    from loopgis.sheets.permit_flow import Strip

PAPER = {"us": "letter", "metric": "a4"}
"""Sheets lying on their long side."""
HEAD_IN = 0.42
TITLE = "As-built"
_CLAIM = "Meets the distances entered"
"""What SHORT_CAUTION says of the distances: the book's own claim takes its place."""
CLAIM_LETTERS = 160


def caution_words(claim: str) -> str:
    """Caution in one paragraph with what may be said of this layout's distances.

    >>> caution_words("Does NOT meet the distances entered: 1 fails").endswith("fails; local code governs.")
    True
    """
    told = clipped(claim.rstrip("."), CLAIM_LETTERS) or "Distances were not checked as drilled"
    return SHORT_CAUTION.replace(_CLAIM, told)


def _cautions(book: BuiltBook, page: PermitPaper, *, full: bool) -> list[str]:
    told = (caution_words(book.claim), *CAUTIONS) if full else (caution_words(book.claim),)
    return wrap(" \u2022 ".join(told), AIR * (page.room_in - 0.12))


def new_page(book: BuiltBook) -> PermitPaper:
    """An empty page of the size that goes with the units."""
    return PermitPaper(units=book.units, paper=PAPER["us" if book.units == "us" else "metric"])


def content_box(book: BuiltBook, *, full: bool = False) -> Box:
    """Room between head and cautions; full: of the page that carries all cautions."""
    page = new_page(book)
    low = page.tall_in - MARGIN_IN - len(_cautions(book, page, full=full)) * LINES_IN - 0.07 - GAP_IN
    top = MARGIN_IN + HEAD_IN
    return Box(page.left_in, top, page.room_in, low - top)


def framed(book: BuiltBook, name: str, number: int, count: int, *, full: bool = False) -> PermitPaper:
    """A page with its head and foot; name: what stands on it."""
    page = new_page(book)
    y = MARGIN_IN
    told = f"page {number} of {count}"
    page.text(page.right_in, y + 0.12, told, TABLE, bold=True, ha="right")
    page.text(page.left_in, y + 0.16, TITLE, 13, bold=True)
    x = page.left_in + width_in(TITLE, 13, bold=True) + 0.16
    room = AIR * (page.right_in - x - width_in(told, TABLE, bold=True) - 0.15)
    named = width_in(name, 9) + 0.25
    site = cut(book.site or "site without a name", room - named, 9, bold=True)
    page.text(x, y + 0.12, site, 9, bold=True)
    page.text(x + width_in(site, 9, bold=True) * 1.04 + 0.15, y + 0.12, name, 9)
    line = (
        f"layout {clipped(book.layout_id) or 'without a name'}",
        f"as drilled {clipped(book.built_id)}" if book.built_id else "",
        f"parcel {clipped(book.parcel_id) or 'not named'}",
        day_words(book),
        f"system {clipped(book.crs_name, 40) or 'not named'}",
    )
    page.text(x, y + 0.28, cut(",  ".join(t for t in line if t), AIR * (page.right_in - x), TABLE), TABLE)
    page.line(page.left_in, y + HEAD_IN - 0.07, page.right_in, y + HEAD_IN - 0.07, RULE)
    lines = _cautions(book, page, full=full)
    tall = len(lines) * LINES_IN + 0.07
    top = page.tall_in - MARGIN_IN - tall
    page.box(page.left_in, top, page.room_in, tall, RULE)
    page.paragraph(page.left_in + 0.06, top + 0.03, lines, SMALL)
    return page


def flowed(book: BuiltBook, name: str, make: Callable[[float], Sequence[Strip]]) -> list[PageMaker]:
    """Pages of written matter over the whole width. make: gives the strips for a width."""
    box = content_box(book)
    columns = packed(make(box.wide_in), box.tall_in)
    return [PageMaker(name, partial(_page, book, name, column, box)) for column in columns]


def _page(book: BuiltBook, name: str, column: Sequence[Strip], box: Box, number: int, count: int) -> Any:
    page = framed(book, name, number, count)
    y = box.y_in
    for strip in column:
        strip.draw(page, box.x_in, y)
        y += strip.tall_in
    return page.done()
