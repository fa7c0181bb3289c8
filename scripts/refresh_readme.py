"""Write the generated parts of the README: the command line's own help, and the table of defaults.

    python scripts/refresh_readme.py

`tests/test_readme.py` fails when the README is not what this script makes.
"""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from loopgis.cli.main import VERBS, cli
from loopgis.site.config import default_rows

README = Path(__file__).resolve().parent.parent / "README.md"


def cli_block() -> str:
    """Help of every verb as typed."""
    parts = []
    for words in ([], *([verb] for verb in VERBS)):
        typed = " ".join(["loopgis", *words, "--help"])
        shown = CliRunner().invoke(cli, [*words, "--help"], prog_name="loopgis", terminal_width=100).output
        parts.append(f"```text\n$ {typed}\n{shown.rstrip()}\n```")
    return "\n\n".join(parts)


def defaults_block() -> str:
    """Table of defaults."""
    rows = ["| key | default | source |", "|---|---|---|"]
    rows += [f"| `{row['key']}` | {row['value']} | {row['source']} |" for row in default_rows()]
    return "\n".join(rows)


def refreshed(text: str) -> str:
    """README with its generated parts made anew."""
    for name, block in (("cli", cli_block()), ("defaults", defaults_block())):
        pattern = rf"(<!-- {name}: [^>]*-->\n).*?(<!-- end -->)"
        text = re.sub(pattern, lambda m, block=block: f"{m[1]}{block}\n{m[2]}", text, count=1, flags=re.DOTALL)
    return text


if __name__ == "__main__":
    README.write_text(refreshed(README.read_text("utf-8")), "utf-8")
