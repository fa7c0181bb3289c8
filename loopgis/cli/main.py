"""Entry point: one group, one file per verb. To add a verb: a file with a click command, and a line in VERBS."""

from __future__ import annotations

import signal
import sys
import traceback
import warnings
from importlib import import_module

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

    Exit codes: 0 done, 1 a defect of ours, 2 usage, 3 bad input, 4 no layout fits, 5 the audit found a failure.

    Inputs that would fill the memory are refused by limits. A refusal names its limit; the environment variable LOOPGIS_LIMITS
    raises it for any verb, e.g. LOOPGIS_LIMITS="cells=1e8 rows=500000".
    """


def run(args: list[str] | None = None) -> None:
    """Run the command line and leave the process with the documented exit code."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # an orderly end, so that nothing half-written stays
    warnings.filterwarnings("ignore", message="Glyph .* missing from")  # a sheet shows a box, the terminal nothing
    warnings.filterwarnings("ignore", category=RuntimeWarning, module="pyogrio")  # whoever reads tells what matters
    try:
        check_variable()
        code = cli.main(args=args, standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("loopgis: stopped", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except LoopgisError as error:
        options.say(f"loopgis: error: {error}", err=True)
        sys.exit(error.exit_code)
    except MemoryError:
        told = f"memory: is not enough for these inputs; cut out the surroundings of the lot, or lower {VARIABLE} again"
        options.say(f"loopgis: error: {told}", err=True)
        sys.exit(InputError.exit_code)
    except Exception as error:  # noqa: BLE001 - the last line of defence: no traceback for a user unless asked
        if "-vv" in (args if args is not None else sys.argv):
            traceback.print_exc()
        options.say(
            f"loopgis: defect: {type(error).__name__}: {' '.join(str(error).split())[:300]}; please report it, -vv shows where",
            err=True,
        )
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)
