"""loopgis setbacks: the permit clerk's map, table and check."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path

FAILED = 5


@click.command("setbacks", short_help="Check any GeoPackage against rule files; plan set as PDF.")
@click.argument("gpkg", type=options.PLACE)
@click.option(
    "--rules",
    multiple=True,
    metavar="ID|FILE",
    help="Rule file, shipped or a path; repeatable. Default: the file's own.",
)
@click.option(
    "--layout",
    "layout_id",
    default="",
    help="Layout, e.g. L-02; left out: all are checked, rank 1 (or what was drilled) is drawn.",
)
@click.option("-o", "--output", required=True, type=options.PLACE, help="Plan set, a .pdf.")
@click.option(
    "--paper",
    type=click.Choice(["letter", "ledger", "arch-d", "a4", "a3", "a1"]),
    help="Default: ledger, or a3 in metres; the next larger where the lot asks it.",
)
@click.option("--scale", help="Of the site plan, e.g. '1 in = 30 ft' or 1:360. Default: the largest that fits.")
@click.option("--title", type=options.PLACE, help="TOML file with owner, contractor, permit, revisions ...")
@click.option("--files", type=options.PLACE, help="Folder for tables, drawing, coordinates, one-call outline, form.")
@click.option("--elevation", type=options.PLACE, help="Raster of the ground, where the file holds none.")
@options.units
@options.overwrite
@options.as_json
@options.verbose
@options.quiet
def command(
    gpkg: Path,
    rules: tuple[str, ...],
    layout_id: str,
    output: Path,
    paper: str | None,
    scale: str | None,
    title: Path | None,
    files: Path | None,
    elevation: Path | None,
    units: str | None,
    overwrite: bool,
    as_json: bool,
    verbose: int,
    quiet: bool,
) -> int:
    """Measure every bore of GPKG anew, judge it by rule files, and write the plan set of a layout: maps to scale, profiles, tables.

    GPKG may come from anybody: layers parcel and bores are enough, with or without heights. What nobody supplied is told as not
    verified. The exit code is 5 when a distance is not kept or the file contradicts itself; the plan set is written all the same.
    """
    from loopgis.sheets.permit_bundle import setbacks  # noqa: PLC0415

    tell = options.teller(verbose, quiet=quiet)
    found = setbacks(
        gpkg,
        output,
        rules=list(rules) or None,
        layout_id=layout_id,
        units=units,
        paper=paper,
        scale=scale,
        title=title,
        files=files,
        elevation=elevation,
        overwrite=overwrite,
        tell=tell,
    )
    options.end_of_talk(verbose, quiet=quiet)
    if as_json:
        options.show_json(found.summary())
    elif not quiet:
        for line in found.lines():
            options.say(line)
        options.say("written: " + ", ".join(str(p) for p in found.written))
    for line in found.told():
        if not quiet or line.startswith("error"):
            options.say(line, err=True)
    return FAILED if found.failed else 0
