"""The folder that a crew takes along on a tablet: the page, a GeoPackage to write into, drill sheets, stake-out; all or nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.atomic import check_folder, replaced_folder
from loopgis.core.errors import InputError
from loopgis.core.in_use import read_only
from loopgis.sheets.layout_file import LayoutFile, moved
from loopgis.sheets.stakeout import FILES as STAKES

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopgis.sheets.drill_book import Along, DrillBook

PAGE, PACKAGE = "tablet.html", "crew.gpkg"
FILES = {
    PAGE: "the crew's page: open it in the tablet's browser, no network is needed; it keeps what is recorded and saves it as files",
    PACKAGE: "the layout for a GIS on the tablet, with styles; its table rod_log takes readings, with lists to pick from",
    "drill_sheets.pdf": "a page a bore, for when the tablet is flat",
    **{name: what for name, what in STAKES.items() if name not in {"paths.dxf", "rods.csv"}},
}
"""What the bundle holds, in words."""
PATH_M = 0.05
"""Paths for hand-held receivers are drawn to within this."""
NOT_FOR_CREW = (
    *("stations", "temperatures", "what_ifs", "ground_change", "costs", "circuits", "header_spans", "materials"),
    *("refused", "changes", "exact", "clearances"),
)
"""Tables that stay in the office: the crew's copy is small."""
HOW = (
    "On the tablet",
    f"- Copy the whole folder to the tablet and open {PAGE} in its browser (not in a previewer that shows pages without scripts).",
    "- Give each tablet a name of its own. What is recorded stays in that browser: save the log after each bore.",
    "- At the office: loopgis asbuilt LAYOUTS.gpkg LOG... -o BUILT.gpkg takes all saved logs, and crew.gpkg, in any order.",
    "",
)


def tablet(
    gpkg: str | Path,
    folder: str | Path,
    *,
    layout_id: str = "",
    units: str | None = None,
    overwrite: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Write the crew's folder of one layout of a GeoPackage, and give the paths of its files.

    gpkg: as `loopgis layout` or `loopgis score` writes it; layout_id: "" for the one of rank 1; units: "us" or "metric" instead of
    the file's own. Raises InputError for a file or folder that cannot be used, and for one whose crew.gpkg holds readings; nothing
    half-written is left.
    """
    from loopgis.sheets.drill_read import book_of  # noqa: PLC0415
    from loopgis.sheets.drill_sheet import write_drill_sheets  # noqa: PLC0415
    from loopgis.sheets.stake_lines import write_gpx, write_kml  # noqa: PLC0415
    from loopgis.sheets.stakeout import write_points_csv, write_readme  # noqa: PLC0415
    from loopgis.sheets.tablet_data import tablet_data  # noqa: PLC0415
    from loopgis.sheets.tablet_page import write_tablet_page  # noqa: PLC0415
    from loopgis.sheets.white_line import write_white_line, write_white_line_text  # noqa: PLC0415

    place = Path(folder)
    check_folder(place, FILES, overwrite=overwrite, inputs=[gpkg])
    _keep_readings(place / PACKAGE)
    file = LayoutFile(Path(gpkg))
    book = book_of(file, layout_id, units=units)
    with replaced_folder(place, FILES, overwrite=overwrite) as temp:
        tell(f"the page of {book.layout_id}")
        write_tablet_page(temp / PAGE, tablet_data(file, book.layout_id, units=units))
        tell("the GeoPackage")
        write_crew_package(file.path, temp / PACKAGE, book.layout_id, units=book.units)
        tell(f"drawing {len(book.pages)} drill sheets")
        write_drill_sheets(temp / "drill_sheets.pdf", book)
        _pressed(temp / "drill_sheets.pdf")
        tell("stake-out files")
        light = thin_book(book, file)
        write_points_csv(book, temp / "points_pnezd.csv")
        write_points_csv(book, temp / "points_penzd.csv", "PENZD")
        write_gpx(light, temp / "paths.gpx")
        write_kml(light, temp / "paths.kml", rods=False)
        write_white_line(book, temp / "white_line.geojson")
        write_white_line_text(book, temp / "white_line.txt")
        write_readme(book, temp / "README.txt", FILES, HOW)
        names = sorted(p.name for p in temp.iterdir())
        file.seen.check()
    return [place / name for name in names]


def _keep_readings(package: Path) -> None:
    """InputError when a crew's readings stand in the file that a new folder would replace."""
    if not package.is_file():
        return
    try:
        with closing(read_only(package)) as db:
            (found,) = db.execute("SELECT count(*) FROM rod_log").fetchone()
    except sqlite3.Error:  # no file of a crew
        return
    if found:
        what = f"holds {found} readings of the crew, which would be lost"
        remedy = "name another folder, or hand them to loopgis asbuilt and move the file away"
        raise InputError(str(package), what, remedy)


def thin_book(book: DrillBook, file: LayoutFile) -> DrillBook:
    """A book with no more vertices than its paths need."""
    from loopgis.sheets.tablet_data import thinned  # noqa: PLC0415

    way = file.way

    def light(along: Along) -> Along:
        keep = thinned(moved(np.column_stack([along.x, along.y]), way), along, PATH_M)
        return replace(along, **{name: values[keep] for name, values in vars(along).items()})

    return replace(book, pages=tuple(replace(p, along=light(p.along)) for p in book.pages))


def write_crew_package(source: Path, target: Path, layout_id: str, *, units: str = "us") -> Path:
    """A small copy of a layouts file with one layout and a table rod_log to write into. Raises InputError as `copied` does.

    units: of the findings that stand in both systems.
    """
    from loopgis.sheets.gpkg_copy import copied, ensured, only_layout  # noqa: PLC0415

    with copied(source, target) as draft:
        with closing(sqlite3.connect(draft)) as db, db:
            db.execute("DELETE FROM findings WHERE units IN ('us', 'metric') AND units <> ?", (units,))
        only_layout(draft, layout_id, drop=NOT_FOR_CREW)
        ensured(draft, "rod_log")
    return target


def _pressed(pdf: Path) -> None:
    """A PDF with everything in it compressed as far as it goes."""
    import pikepdf  # noqa: PLC0415

    pikepdf.settings.set_flate_compression_level(9)
    with pikepdf.open(pdf, allow_overwriting_input=True) as file:
        packing = pikepdf.ObjectStreamMode.generate
        file.save(pdf, object_stream_mode=packing, recompress_flate=True, compress_streams=True, deterministic_id=True)
