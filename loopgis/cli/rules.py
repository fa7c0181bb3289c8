"""loopgis rules: list, explain, check and start rule files."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click

from loopgis.cli import options

if TYPE_CHECKING:
    from pathlib import Path

_units = click.option(
    "--units", type=click.Choice(["us", "metric"]), default="us", show_default=True, help="Units of the talk."
)
_LEVELS = ["house", "standard", "state", "county", "municipal", "covenant", "utility"]


def _width() -> int:
    """Columns to write in: those of the terminal, 100 at most."""
    return min(100, shutil.get_terminal_size((100, 24)).columns)


@click.group("rules", short_help="List, explain, check and start rule files.")
def command() -> None:
    """List, explain, check and start rule files: what an authority asks of bores, one TOML file each.

    Planning aid, no legal advice: a rule file is no substitute for the text of the code, nor for the office.
    """


@command.command("list", short_help="Every rule file that ships with the package.")
@_units
@options.as_json
def list_files(units: str, as_json: bool) -> None:
    """List the shipped rule files: id, level, what they hold, how well their text is known, which bores they concern."""
    from loopgis.rules.told import listing, listing_lines  # noqa: PLC0415

    rows = listing(units)
    if as_json:
        options.show_json({"files": [row.as_dict() for row in rows]})
        return
    for line in listing_lines(rows, _width()):
        options.say(line)


@command.command("explain", short_help="What a rule file asks, in words.")
@click.argument("name")
@click.argument("rule", default="")
@_units
@options.as_json
def explain_file(name: str, rule: str, units: str, as_json: bool) -> None:
    """Tell in words what the rule file NAME (a shipped id, or a path) asks; with RULE only that rule or duty of it."""
    from loopgis.rules.told import explain, explanation  # noqa: PLC0415

    if as_json:
        options.show_json(explanation(name, rule, units).as_dict())
        return
    for line in explain(name, rule, units, width=_width()):
        options.say(line)


@command.command("check", short_help="Look over rule files of your own.")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@options.as_json
@options.quiet
def check_files(files: tuple[str, ...], as_json: bool, quiet: bool) -> int:
    """Look over each rule FILE (a path, or a shipped id): both readers must take it and understand the same; then advice.

    Exit code 3 when one of them cannot be used. Warnings and notes are advice and leave the exit code at 0.
    """
    from loopgis.core.errors import InputError  # noqa: PLC0415
    from loopgis.rules.checkup import checkups  # noqa: PLC0415

    found = checkups(files)
    if as_json:
        options.show_json({"files": [one.as_dict() for one in found]})
    else:
        for one in found:
            options.show_findings(one.findings, quiet=quiet, stdout=True)
            if one.bad or not quiet:
                options.say(one.summary)
    return InputError.exit_code if any(one.bad for one in found) else 0


@command.command("new", short_help="Start a rule file of your own.")
@click.argument("file_id", metavar="ID")
@click.option("-o", "--output", "out", required=True, type=options.PLACE, help="Rule file to write, .toml.")
@click.option("--name", default="", help="Name of the authority.")
@click.option("--level", type=click.Choice(_LEVELS), help="Default: county, or that of the copied file.")
@click.option("--from", "source", default="", metavar="SHIPPED_ID", help="Copy this shipped file, comments included.")
@click.option("--units", "unit", type=click.Choice(["ft", "m"]), help="Units of a file that is no copy; default ft.")
@options.overwrite
def start_file(
    file_id: str, out: Path, name: str, level: str | None, source: str, unit: str | None, overwrite: bool
) -> None:
    """Start a rule file under the id ID: a small one with one rule of each sort, or a copy of a shipped one.

    Its distances are house rules, or those of the copied file, and its citations are to be replaced: `loopgis rules check` tells
    what is left to do.
    """
    from loopgis.rules.fresh import new_file  # noqa: PLC0415

    path = new_file(out, file_id, name=name, level=level or "", source=source, unit=unit or "", overwrite=overwrite)
    options.say(f"written to {path}; fill it in, then: loopgis rules check {path}")
