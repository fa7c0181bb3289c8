"""The plan set as one PDF: plan sheets to scale, profiles, schedule, tables, notes, requests; numbered, then georeferenced."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from loopgis.sheets.permit_book import PermitBook
    from loopgis.sheets.permit_plan import MapView


def write_set(
    path: Path,
    book: PermitBook,
    *,
    paper: str | None = None,
    scale: str | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Path:
    """Draw the whole set; paper and scale: left out, the usual paper of the book's units and the largest scale that fits.

    Raises InputError for a paper or scale that is not known, or at which the lot does not fit.
    """
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    from loopgis.sheets.permit_geo import georeference  # noqa: PLC0415
    from loopgis.sheets.permit_notes import notes_pages, requests_pages  # noqa: PLC0415
    from loopgis.sheets.permit_plan import site_plan, surroundings, usual_paper  # noqa: PLC0415
    from loopgis.sheets.permit_profiles import profile_pages  # noqa: PLC0415
    from loopgis.sheets.permit_scale import parse_scale  # noqa: PLC0415
    from loopgis.sheets.permit_tables import rules_pages, schedule_pages, setback_pages  # noqa: PLC0415

    wanted = None if scale is None else parse_scale(scale)
    sheet = paper or usual_paper(book, wanted)
    rest = [
        page
        for pages in (profile_pages, schedule_pages, setback_pages, rules_pages, notes_pages, requests_pages)
        for page in pages(book, sheet)
    ]
    count = 2 + len(rest)
    views: dict[int, MapView] = {}
    with PdfPages(path, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf:
        tell("drawing the site plan")
        drawn, views[0] = site_plan(book, sheet, 1, count, scale=wanted)
        pdf.savefig(drawn)
        tell("drawing the surroundings")
        drawn, views[1] = surroundings(book, sheet, 2, count)
        pdf.savefig(drawn)
        for number, page in enumerate(rest, 3):
            tell(f"drawing sheet {number} of {count}: {page.name}")
            pdf.savefig(page.draw(number, count))
    georeference(path, views, book)
    return path
