"""loopgis --install-completion: the shell completes verbs, options and file names."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.shell_completion import get_completion_class

from loopgis.core.atomic import write_text
from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

PROGRAM = "loopgis"
VARIABLE = "_LOOPGIS_COMPLETE"
SHELLS = ("bash", "zsh", "fish")


def place(shell: str, home: Path, env: Mapping[str, str]) -> Path:
    """Where a shell looks for a program's completion, below the user's home.

    bash: the folder of bash-completion, which loads it when it is needed; zsh: a folder of functions; fish: its own.
    """
    data = Path(env.get("XDG_DATA_HOME") or home / ".local/share")
    config = Path(env.get("XDG_CONFIG_HOME") or home / ".config")
    return {
        "bash": data / "bash-completion/completions" / PROGRAM,
        "zsh": home / ".zfunc" / f"_{PROGRAM}",
        "fish": config / "fish/completions" / f"{PROGRAM}.fish",
    }[shell]


def what_then(shell: str, written: Path) -> str:
    """What is left for the user to do, one line."""
    return {
        "bash": f"open a new shell (needs the package bash-completion; without it add to ~/.bashrc: source {written})",
        "zsh": "put into ~/.zshrc, if it is not there: fpath+=~/.zfunc; autoload -Uz compinit && compinit",
        "fish": "open a new shell",
    }[shell]


def install(cli: click.Command, shell: str) -> Path:
    """Write the completion of a shell and give its path. Raises InputError when the place cannot be written."""
    made = get_completion_class(shell)
    if made is None:
        raise InputError("--install-completion", f"{shell!r} is not known", f"one of {', '.join(SHELLS)}")
    # the text itself, without click's own check of the running shell's version: what is written is for the user's shell
    maker = made(cli, {}, PROGRAM, VARIABLE)
    text = maker.source_template % maker.source_vars()
    try:
        home = Path.home()
        target = place(shell, home, os.environ)
        target.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError) as error:
        raise InputError("--install-completion", f"has no place to write to ({error})", "set HOME") from None
    return write_text(target, text)


def option(command: Callable[..., None]) -> Callable[..., None]:
    """The option --install-completion of the group."""

    def install_and_leave(context: click.Context, _: click.Parameter, value: str | None) -> None:
        if value is None or context.resilient_parsing:
            return
        shell = Path(os.environ.get("SHELL", "")).name if value == "auto" else value
        if shell not in SHELLS:
            what = f"does not know the shell {shell!r}" if shell else "does not know your shell"
            raise InputError("--install-completion", what, f"name it: one of {', '.join(SHELLS)}")
        written = install(context.command, shell)
        click.echo(f"written to {written}; {what_then(shell, written)}")
        context.exit()

    return click.option(
        "--install-completion",
        is_flag=False,
        flag_value="auto",
        metavar="[SHELL]",
        expose_value=False,
        is_eager=True,
        callback=install_and_leave,
        help="Let the shell (bash, zsh, fish; yours when none is named) complete verbs and options, and leave.",
    )(command)
