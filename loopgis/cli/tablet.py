"""loopgis tablet: what the crew takes along on a tablet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("tablet", short_help="The crew's bundle for a tablet without a network.")
@click.argument("gpkg", type=options.PLACE)
@click.option("--layout", "layout_id", default="", help="Layout, e.g. L-02; left out: the one of rank 1.")
@click.option("-o", "--output", "folder", required=True, type=options.PLACE, help="Folder for the bundle.")
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
    """Write one layout of GPKG as a folder for the crew's tablet: a page that records rods, a GeoPackage, stake-out files, sheets.

    The page works from the folder without a network, keeps every reading at once, and saves logs that `loopgis asbuilt` reads.
    Bores edited by hand go through `loopgis score` first. Everything is written, or nothing.
    """
    from loopgis.sheets.tablet_bundle import tablet  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    written = tablet(gpkg, folder, layout_id=layout_id, units=units, overwrite=overwrite, tell=tell)
    options.end_of_talk(verbose, quiet=quiet)
    if as_json:
        options.show_json({"written": [str(p) for p in written], "bytes": sum(p.stat().st_size for p in written)})
    elif not quiet:
        size = sum(p.stat().st_size for p in written) / 1e6
        options.say(f"written to {folder}, {size:.1f} MB: " + ", ".join(p.name for p in written))
