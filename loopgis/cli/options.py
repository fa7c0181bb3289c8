"""Flags that verbs share, and the way they talk: results on stdout, talk on stderr."""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.core.findings import Finding


class _Place(click.Path):
    """A path that says something: an empty one, as of a variable that is not set, would be the folder at hand."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401
        """Path of the text."""
        if value == "":
            self.fail("is empty", param, ctx)
        return super().convert(value, param, ctx)


PLACE = _Place(path_type=Path)

units = click.option(
    "--units", type=click.Choice(["us", "metric"]), help="Units of sheets and talk; default: the site file's."
)
overwrite = click.option("--overwrite", is_flag=True, help="Replace results that are there already.")
as_json = click.option("--json", "as_json", is_flag=True, help="Machine-readable result on stdout.")
verbose = click.option("-v", "--verbose", count=True, help="Say more on stderr; -vv shows where a defect happened.")
quiet = click.option("-q", "--quiet", is_flag=True, help="Say only what is wrong.")


def clean(text: str) -> str:
    r"""A text of somebody's made fit for a terminal: signs that steer it, hide or turn words, or cannot be written become ?.

    >>> clean("oak\x1b[2J \u202elane\n\t1 \ud800")
    'oak?[2J ?lane\n\t1 ?'
    """
    return "".join(c if c.isprintable() or c in "\n\t" else "?" for c in text)


def say(text: str, *, err: bool = False) -> None:
    """Print lines on stdout or stderr; whatever stands in them that is not ours is cleaned."""
    out(clean(text), err=err)


def out(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print as it is. Talk that nobody takes is dropped; results that cannot be told raise OSError.

    A reader that has enough ends the command well: files are written before anything is told on standard output.
    """
    try:
        click.echo(text, err=err, nl=nl)
    except BrokenPipeError:
        if not err:
            hush()
            sys.exit(0)
    except OSError:
        if not err:
            raise


def hush() -> None:
    """Nothing more goes to standard output, not even when Python ends and empties its buffers."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def teller(verbose: int, *, quiet: bool) -> Callable[[str], None]:
    """Function that reports progress: a line each with -v, one changing line on a terminal, nothing otherwise."""
    if quiet:
        return lambda _: None
    if verbose:
        return lambda text: say(text, err=True)
    if sys.stderr.isatty():
        return lambda text: out(f"\r\033[K{clean(text[:78])}", err=True, nl=False)
    return lambda _: None


def end_of_talk(verbose: int, *, quiet: bool) -> None:
    """Clear the changing line."""
    if not quiet and not verbose and sys.stderr.isatty():
        out("\r\033[K", err=True, nl=False)


def show_json(value: Any) -> None:  # noqa: ANN401
    """Print a result for machines."""
    out(json.dumps(value, indent=1, sort_keys=False, allow_nan=False, default=str))


def show_findings(findings: Sequence[Finding], *, quiet: bool, stdout: bool = False) -> None:
    """Print findings, only errors when quiet."""
    for finding in findings:
        if not quiet or finding.severity == "error":
            say(finding.line(), err=not stdout)
