"""loopgis layout: the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("layout", short_help="The main job: ranked bore layouts for a site.")
@click.argument("site", type=click.Path())
@click.option(
    "-o",
    "--output",
    "folder",
    required=True,
    type=options.PLACE,
    help="Folder for the results.",
)
@click.option(
    "--effort",
    default=1,
    show_default=True,
    type=click.IntRange(0, 100),
    help="Work spent on choosing each layout's bores with a proof; 0: none, 10: thorough.",
)
@click.option("--no-pictures", is_flag=True, help="Leave out the pictures and the review page.")
@options.units
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    site: str,
    folder: Path,
    effort: int,
    no_pictures: bool,
    units: str | None,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> None:
    """Lay out the site file SITE: fan and parallel bores from the given or the best pads, ranked.

    Writes layouts.gpkg, summary.json, review.html and a picture per layout into the output folder, all or nothing.
    Exit code 4 with the reasons when no layout fits.
    """
    from loopgis.driver import design, ready_to_write  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    ready_to_write(folder, overwrite=overwrite)
    result = design(site, units=units, effort=effort, tell=tell)
    written = result.write(folder, overwrite=overwrite, pictures=not no_pictures, tell=tell)
    options.end_of_talk(verbose, quiet=quiet)
    options.show_findings(result.findings, quiet=quiet)
    for layout in result.layouts:
        options.show_findings(layout.findings, quiet=quiet)
    if as_json:
        options.show_json({**result.summary(), "written": [str(p) for p in written]})
    elif not quiet:
        for line in result.table():
            options.say(line)
        options.say(f"written to {folder}: " + ", ".join(p.name for p in written))
