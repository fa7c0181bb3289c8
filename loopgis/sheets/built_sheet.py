"""As-built of a layout as one PDF, for the office, the owner's file and the next crew: map, ties, bores rod by rod, sources.

Letter with feet, A4 with metres, lying on the long side. Two runs give the same bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import replaced_file
from loopgis.sheets.built_frame import content_box, flowed
from loopgis.sheets.built_front import front_page
from loopgis.sheets.built_profile import scales
from loopgis.sheets.built_tables import bores_strips, findings_strips, last_strips, ties_strips
from loopgis.sheets.built_words import cleaned
from loopgis.sheets.permit_flow import gap

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from loopgis.field.book import BuiltBook
    from loopgis.sheets.built_profile import Scales
    from loopgis.sheets.permit_flow import Strip

METADATA = {"CreationDate": None, "Producer": None, "Creator": None}
"""Nothing of the day or the program, so that the same book gives the same bytes."""


def write_built_sheet(path: Path, book: BuiltBook) -> Path:
    """Write the as-built of a layout into one PDF, whole or not at all; gives the path.

    Raises InputError when the folder cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    with replaced_file(path) as temp, PdfPages(temp, metadata=METADATA) as pdf:
        for sheet in built_sheets(book):
            pdf.savefig(sheet)
    return path


def built_sheets(book: BuiltBook) -> Iterator[Any]:
    """All pages as matplotlib figures, in order."""
    book = cleaned(book)
    scale = scales((b for b in book.bores if b.legs), content_box(book).wide_in)
    rest = flowed(book, "ties, findings, sources, bores", lambda w: _matter(book, scale, w))
    count = 1 + len(rest)
    yield front_page(book, 1, count)
    for number, page in enumerate(rest, 2):
        yield page.draw(number, count)


def _matter(book: BuiltBook, scale: Scales, wide_in: float) -> list[Strip]:
    """Everything that is written: first what concerns the whole field, then every bore."""
    field = [*ties_strips(book, wide_in), gap(0.16), *findings_strips(book, wide_in), *last_strips(book, wide_in)]
    return [*field, gap(0.2), *bores_strips(book, scale, wide_in)]
