"""The site file that the tool reads, written from what the user filled in. Knows nothing of the desktop GIS.

Texts are never pasted: every one goes through `toml_text`, so that a layer or folder may bear any name.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Mapping
from typing import Any

_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}
_BARE = re.compile(r"^[A-Za-z0-9_-]+$")
ORDER = ("site", "pad", "demand", "ground", "rig", "bore", "pipe", "layout")


class SiteFileError(Exception):
    """Something that cannot stand in a site file, in words for the user."""


def toml_text(text: str) -> str:
    """A basic string of TOML 1.0. Raises SiteFileError for text that is not valid Unicode."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise SiteFileError(f"{text!r} is not valid text; rename it") from None
    parts = (_SHORT.get(c) or (f"\\u{ord(c):04X}" if ord(c) < 32 or ord(c) == 127 else c) for c in text)
    return '"' + "".join(parts) + '"'


def toml_value(value: Any) -> str:
    """A value of TOML: text, bool, whole or finite number, list, table within braces."""
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise SiteFileError(f"{value!r} is no number that a site file can hold")
        return repr(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    raise SiteFileError(f"{value!r} cannot stand in a site file")


def _key(name: str) -> str:
    return name if _BARE.match(name) else toml_text(name)


def document(tables: Mapping[str, Mapping[str, Any]], features: list[dict[str, Any]], *, says: str) -> str:
    """Text of a site file. tables: by name, of which None, "" and empty lists are left out; says: first line, as a comment."""
    lines = ["# " + " ".join("".join(c if c.isprintable() else " " for c in says).split())]
    for name in (*ORDER, *sorted(set(tables) - set(ORDER))):
        rows = {k: v for k, v in tables.get(name, {}).items() if v is not None and v not in ("", [])}
        if rows:
            lines += ["", f"[{name}]", *(f"{_key(k)} = {toml_value(v)}" for k, v in rows.items())]
        if name == "site":
            for feature in features:
                lines += [
                    "",
                    "[[site.feature]]",
                    *(f"{_key(k)} = {toml_value(v)}" for k, v in feature.items() if v != ""),
                ]
    return "\n".join(lines) + "\n"


def listed(text: str) -> list[str]:
    """Parts of a text that are told apart by commas, semicolons or new lines."""
    return [part.strip() for part in re.split(r"[,;\n]", text or "") if part.strip()]


def rules_listed(text: str) -> list[str]:
    """Rule files: ids told apart by commas or more, files (they end in .toml and may hold a comma) by semicolons or new lines.

    Raises SiteFileError for a file whose whole path is not given, since nobody knows where to begin.
    """
    rules: list[str] = []
    for part in (p.strip() for p in re.split(r"[;\n]", text or "")):
        if part.lower().endswith(".toml"):
            first, comma, rest = part.rpartition(", ")
            ids, file = (listed(first), rest) if comma and not os.path.isabs(part) else ([], part)
            if not os.path.isabs(file):
                raise SiteFileError(f"the rule file {file!r} needs its whole path")
            rules += [*ids, file]
        else:
            rules += listed(part)
    return list(dict.fromkeys(rules))
