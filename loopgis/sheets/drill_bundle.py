"""The folder that a crew takes along for one layout: drill sheets, rods, stake-out points, paths, white line; all or nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.atomic import check_folder, replaced_folder

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopgis.sheets.drill_book import DrillBook

OURS = (
    "drill_sheets.pdf",
    "rods.csv",
    "points_pnezd.csv",
    "points_penzd.csv",
    "paths.gpx",
    "paths.kml",
    "paths.dxf",
    "white_line.geojson",
    "white_line.txt",
    "README.txt",
)


def drill(
    gpkg: str | Path,
    folder: str | Path,
    *,
    layout_id: str = "",
    units: str | None = None,
    overwrite: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Write the drill sheets and stake-out files of one layout of a GeoPackage into a folder, and give their paths.

    gpkg: as `loopgis layout` or `loopgis score` writes it; layout_id: "" for the one of rank 1; units: "us" or "metric" instead of
    the file's own. Raises InputError for a file or folder that cannot be used; nothing half-written is left.
    """
    from loopgis.sheets.drill_read import drill_book  # noqa: PLC0415

    check_folder(Path(folder), OURS, overwrite=overwrite, inputs=[gpkg])
    return write_drill(drill_book(gpkg, layout_id, units=units), Path(folder), overwrite=overwrite, tell=tell)


def write_drill(
    book: DrillBook, folder: Path, *, overwrite: bool, tell: Callable[[str], None] = lambda _: None
) -> list[Path]:
    """Everything of a drill book into a folder. Raises InputError as `replaced_folder` does."""
    from loopgis.sheets.drill_sheet import write_drill_sheets  # noqa: PLC0415
    from loopgis.sheets.stakeout import write_stakeout  # noqa: PLC0415

    with replaced_folder(folder, OURS, overwrite=overwrite) as temp:
        tell(f"drawing {len(book.pages)} drill sheets of {book.layout_id}")
        write_drill_sheets(temp / "drill_sheets.pdf", book)
        tell("writing stake-out files")
        write_stakeout(book, temp)
        names = sorted(p.name for p in temp.iterdir())
    return [folder / name for name in names]
