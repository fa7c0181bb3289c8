"""The title block's words, from a small TOML file that the designer or the clerk keeps beside the GeoPackage.

address = "12 Alder Row"
owner = "..."
[[revision]]
number = "1"
date = "2026-11-26"
by = "..."
what = "bore 3 moved"
"""

from __future__ import annotations

import difflib
from dataclasses import fields
from datetime import date
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.sheets.permit_book import Revision, Title

if TYPE_CHECKING:
    from pathlib import Path

KEYS = {f.name: f.name for f in fields(Title) if f.name not in {"revisions", "day"}} | {"date": "day"}
"""Keys of the file, and the field of Title that each fills."""
REVISION = {"number": "number", "rev": "number", "date": "day", "by": "by", "what": "what"}
LONGEST = 200


def read_title(path: Path) -> Title:
    """Title block from a TOML file; what it leaves out is drawn as a line to write on.

    Raises InputError naming the file and the key for a file that cannot be read, an unknown key or a value that is no text.
    """
    try:
        table = limits.toml(limits.whole(path, str(path), "site_mb", "is it the right file? it holds a few lines"))
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "check the path of --title") from None
    except ValueError as error:
        raise InputError(str(path), f"not a TOML file: {error}", "fix the line it names") from None
    rows = table.pop("revision", [])
    if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        raise InputError(str(path), "revision is not a list of tables", "write [[revision]] blocks")
    words = _words(table, KEYS, str(path))
    made = [_words(r, REVISION, f"{path} revision {n}") for n, r in enumerate(rows, 1)]
    empty = dict.fromkeys(REVISION.values(), "")
    return Title(**words, revisions=tuple(Revision(**(empty | r)) for r in made))


def _words(row: dict[str, Any], known: dict[str, str], where: str) -> dict[str, str]:
    found = {}
    for key, value in row.items():
        if key not in known:
            near = difflib.get_close_matches(key, sorted(known), n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"one of {', '.join(sorted(known))}, [[revision]]"
            raise InputError(where, f"unknown key {key!r}", hint)
        if isinstance(value, bool) or not isinstance(value, str | int | date):
            raise InputError(where, f"{key} is no text", f'write {key} = "..."')
        found[known[key]] = " ".join(str(value).split())[:LONGEST]
    return found
