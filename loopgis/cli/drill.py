"""loopgis drill: what the crew takes along."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("drill", short_help="Drill sheets and stake-out files of one layout.")
@click.argument("gpkg", type=options.PLACE)
@click.option("--layout", "layout_id", default="", help="Layout, e.g. L-02; left out: the one of rank 1.")
@click.option("-o", "--output", "folder", required=True, type=options.PLACE, help="Folder for the results.")
@options.units
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    gpkg: Path,
    layout_id: str,
    folder: Path,
    units: str | None,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> None:
    """Write drill sheets of a layout of GPKG (PDF, a page a bore), its rods and stake-out points, GPX, KML, DXF, the white line.

    Only the GeoPackage is needed. Bores edited by hand go through `loopgis score` first. Everything is written, or nothing.
    """
    from loopgis.sheets.drill_bundle import drill  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    written = drill(gpkg, folder, layout_id=layout_id, units=units, overwrite=overwrite, tell=tell)
    options.end_of_talk(verbose, quiet=quiet)
    if as_json:
        options.show_json({"written": [str(p) for p in written]})
    elif not quiet:
        options.say(f"written to {folder}: " + ", ".join(p.name for p in written))
