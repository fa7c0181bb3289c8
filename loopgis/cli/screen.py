"""loopgis screen: many parcels at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("screen", short_help="Many parcels: which can take a loop, how much, why not.")
@click.argument("parcels", type=click.Path())
@click.option(
    "--site",
    required=True,
    type=options.PLACE,
    help="Site file without a parcel: ground, rig, rules, demand.",
)
@click.option(
    "-o",
    "--output",
    required=True,
    type=options.PLACE,
    help="GeoPackage to write; .parquet and .png beside it.",
)
@click.option("--buildings", default="", help="Layer of buildings, FILE or FILE:LAYER; instead of the site file's.")
@click.option(
    "--features", multiple=True, help="Layer with a column kind, FILE or FILE:LAYER; besides the site file's."
)
@click.option("--elevation", default="", help="Raster of elevations; instead of the site file's.")
@click.option(
    "--id", "id_column", default="", help="Column with the parcels' ids; default: the usual names, else the row."
)
@click.option("--where", default="", help="Take only these parcels, e.g. \"zone = 'R2'\".")
@click.option("--full", is_flag=True, help="Lay every parcel out as `loopgis layout` does: slow.")
@click.option(
    "--workers",
    type=click.IntRange(0, 1024),
    help="Processes on this machine; 0: none but this one; default: one a core.",
)
@click.option("--scheduler", default="", metavar="ADDRESS", help="Use a scheduler that runs already, tcp://HOST:PORT.")
@click.option(
    "--block", default=25, show_default=True, type=click.IntRange(1, 10_000), help="Parcels handed to a worker at once."
)
@click.option("--fresh", is_flag=True, help="Throw away what an earlier, unfinished run has done.")
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    parcels: str,
    site: Path,
    output: Path,
    buildings: str,
    features: tuple[str, ...],
    elevation: str,
    id_column: str,
    where: str,
    full: bool,
    workers: int | None,
    scheduler: str,
    block: int,
    fresh: bool,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> None:
    """Screen PARCELS (FILE or FILE:LAYER): can a bored loop be laid, how many bores, what load it carries, why not.

    Every parcel gets one row. A run that was stopped goes on where it was when the same command is given again.
    """
    from loopgis.screening.driver import screen  # noqa: PLC0415
    from loopgis.screening.work import Asked  # noqa: PLC0415

    asked = Asked(
        parcels=parcels,
        site=site,
        output=output,
        buildings=buildings,
        features=features,
        elevation=elevation,
        id_column=id_column,
        where=where,
        full=full,
        workers=workers,
        scheduler=scheduler,
        block=block,
        fresh=fresh,
        overwrite=overwrite,
    )
    found = screen(asked, tell=options.teller(verbose, quiet=quiet))
    options.end_of_talk(verbose, quiet=quiet)
    if as_json:
        options.show_json(found.summary())
    elif not quiet:
        for line in found.table():
            options.say(line)
        options.say("written: " + ", ".join(p.name for p in found.paths))
