"""loopgis score: bores that were edited by hand, evaluated anew."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("score", short_help="Evaluate bores again that were edited in a desktop GIS.")
@click.argument("gpkg", type=options.PLACE)
@click.option("--site", "site", required=True, type=click.Path(), help="Site file that the layouts were made for.")
@click.option("-o", "--output", "out", required=True, type=options.PLACE, help="GeoPackage to write.")
@options.units
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    gpkg: Path,
    site: str,
    out: Path,
    units: str | None,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> int:
    """Score the layouts of GPKG, whose bores were moved, added or deleted by hand; the result goes into another GeoPackage.

    The plan line of a bore is the truth; its profile, temperatures, clearances and crossings are computed anew. Differences are
    told and written into the table `changes`. A line that cannot be drilled is left out of the figures, kept in the layer
    `refused`, and makes the exit code 4.
    """
    from loopgis.core.place import ready_file  # noqa: PLC0415
    from loopgis.rescore import score  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    ready_file(out, suffix=".gpkg", overwrite=overwrite, inputs=[gpkg])
    result = score(gpkg, site, units=units, tell=tell)
    written = result.write(out, overwrite=overwrite)
    options.end_of_talk(verbose, quiet=quiet)
    options.show_findings(result.findings, quiet=quiet)
    for layout in result.layouts:
        options.show_findings(layout.findings, quiet=quiet)
    if as_json:
        options.show_json({**result.summary(), "written": str(written)})
    elif not quiet:
        for line in result.table():
            options.say(line)
        differences = result.differences()
        options.say("changes:" if differences else "nothing changed")
        for line in differences:
            options.say(f"  {line}")
        options.say(f"written to {written}")
    return 4 if result.refused else 0
