"""loopgis asbuilt: what the crew drilled, from its logs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path


@click.command("asbuilt", short_help="Logs of the field -> as-built bores, compared and re-evaluated.")
@click.argument("gpkg", type=options.PLACE)
@click.argument("logs", nargs=-1, required=True, type=options.PLACE)
@click.option("--layout", "layout_id", default="", help="Layout, e.g. L-02; left out: the one that the logs speak of.")
@click.option(
    "--log-units",
    type=click.Choice(["us", "metric"]),
    default=None,
    help="Units of a spreadsheet's lengths where its heads tell none: us is feet.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="HEAD=MEANT",
    help='A spreadsheet\'s column and what it means, e.g. "Tiefe=depth (m)". May be repeated.',
)
@click.option("--rules", multiple=True, help="Rule file instead of the file's own: an id or a path. May be repeated.")
@click.option("-o", "--output", "place", required=True, type=options.PLACE, help="GeoPackage for the as-built.")
@options.units
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    gpkg: Path,
    logs: tuple[Path, ...],
    layout_id: str,
    log_units: str | None,
    columns: tuple[str, ...],
    rules: tuple[str, ...],
    place: Path,
    units: str | None,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> None:
    """Make the as-built of a layout of GPKG from LOGS: what pages saved, crew.gpkg, spreadsheets as CSV.

    Logs may come in any order and more than once. Written are the GeoPackage with planned and drilled bores and, beside
    it the as-built sheet and the owner's page. `keep = "BUILT.gpkg"` in a site file plans what is left to drill round it.
    """
    from loopgis.core.place import ready_file  # noqa: PLC0415
    from loopgis.drilled import as_built  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    named = dict(_column(text) for text in columns)
    ready_file(place, suffix=".gpkg", overwrite=overwrite, inputs=logs)
    made = as_built(
        gpkg,
        logs,
        layout_id=layout_id,
        units=units,
        log_units=log_units or "",
        columns=named,
        rules=rules or None,
        tell=tell,
    )
    written = made.write(place, overwrite=overwrite)
    options.end_of_talk(verbose, quiet=quiet)
    if as_json:
        options.show_json({**made.summary(), "written": [str(p) for p in written]})
        return
    if quiet:
        return
    for line in made.table():
        options.say(line)
    for finding in made.book.findings:
        options.say(finding.line)
    options.say(f"{made.book.claim.rstrip(chr(46))}; local code governs")
    options.say("written to " + ", ".join(str(p) for p in written))


def _column(text: str) -> tuple[str, str]:
    head, sign, meant = text.partition("=")
    if not (sign and head.strip() and meant.strip()):
        raise click.BadParameter(f"{text!r} is not HEAD=MEANT", param_hint="--column")
    return head.strip(), meant.strip()
