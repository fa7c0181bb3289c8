"""Entry point: one group, one file per verb. To add a verb: a file with a click command, and a line in VERBS."""

from __future__ import annotations

import errno
import os
import signal
import sys
import traceback
import warnings
from importlib import import_module
from pathlib import Path

import click

from loopgis.cli import completion, options
from loopgis.core.errors import InputError, LoopgisError
from loopgis.core.limits import VARIABLE, check_variable
from loopgis.core.version import VERSION

VERBS = {
    "check": "loopgis.cli.check",
    "layout": "loopgis.cli.layout",
    "score": "loopgis.cli.score",
    "drill": "loopgis.cli.drill",
    "tablet": "loopgis.cli.tablet",
    "asbuilt": "loopgis.cli.asbuilt",
    "setbacks": "loopgis.cli.setbacks",
    "rules": "loopgis.cli.rules",
    "screen": "loopgis.cli.screen",
}


STOPPED = {"SIGTERM": 143, "SIGHUP": 129}
_OF_A_STREAM = {errno.ENOSPC, errno.EIO, errno.EBADF, errno.EDQUOT, errno.EFBIG}


class Verbs(click.Group):
    """Group that imports a verb only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names in the order of the work."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Command of a verb, None when there is no such verb."""
        if cmd_name not in VERBS:
            return None
        command: click.Command = import_module(VERBS[cmd_name]).command
        return command


@click.group(cls=Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(VERSION, prog_name="loopgis")
@completion.option
def cli() -> None:
    """Plan directional-drilled ground loops: from a parcel to ranked, drillable bore layouts in a GeoPackage.

    A planning aid, not a survey and not a sealed design: local code and licensed practice govern.

    Exit codes: 0 done, 1 a defect of ours, 2 usage, 3 bad input, 4 no layout fits, 5 the audit found a failure; above 128 stopped.

    Inputs that would fill the memory are refused by limits. A refusal names its limit; the environment variable LOOPGIS_LIMITS
    raises it for any verb, e.g. LOOPGIS_LIMITS="cells=1e8 rows=500000".
    """


def run(args: list[str] | None = None) -> None:
    """Run the command line and leave the process with the documented exit code."""
    _prepare()
    try:
        check_variable()
        code = cli.main(args=args, standalone_mode=False)
    except click.exceptions.Abort:
        options.out("loopgis: stopped", err=True)
        sys.exit(130)
    except SystemExit as end:
        if end.code in STOPPED.values():
            options.out("loopgis: stopped", err=True)
        raise
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except Exception as error:  # noqa: BLE001 - the last line of defence: no traceback for a user unless asked
        sys.exit(_told(error, "-vv" in (args if args is not None else sys.argv)))
    sys.exit(code if isinstance(code, int) else 0)


def _prepare() -> None:
    for name, number in STOPPED.items():  # an orderly end, so that nothing half-written stays
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_, code=number: sys.exit(code))
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):  # closed by whoever called
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - as long as the process lives
    warnings.filterwarnings("ignore", message="Glyph .* missing from")  # a sheet shows a box, the terminal nothing
    warnings.filterwarnings("ignore", category=RuntimeWarning, module="pyogrio")  # whoever reads tells what matters


def _told(error: Exception, where: bool) -> int:
    """Say what went wrong in one line; gives the exit code. where: show the place of a defect."""
    what, code = "", InputError.exit_code
    if isinstance(error, LoopgisError):
        what, code = str(error), error.exit_code
    elif isinstance(error, MemoryError):
        what = f"memory: is not enough for these inputs; cut out the surroundings of the lot, or lower {VARIABLE} again"
    elif isinstance(error, UnicodeEncodeError):
        what = f"{error.object[:60]!r}: cannot be used as a name here; use letters of UTF-8, and a UTF-8 locale"
    elif isinstance(error, OSError) and error.filename is None and error.errno in _OF_A_STREAM:
        options.hush()
        what = f"standard output: cannot be written ({error.strerror}); free some space: results in files stand"
    elif isinstance(error, OSError) and isinstance(error.filename, str | bytes):
        path = Path(os.fsdecode(error.filename))
        if not path.is_relative_to(Path(__file__).parents[1]):
            what = (
                f"{path}: {error.strerror}; check name, rights and room, and that nothing is moved while loopgis runs"
            )
    if what:
        options.say(f"loopgis: error: {what}", err=True)
        return code
    if where:
        traceback.print_exception(error)
    text = " ".join(str(error).split())[:300]
    options.say(f"loopgis: defect: {type(error).__name__}: {text}; please report it, -vv shows where", err=True)
    return 1
