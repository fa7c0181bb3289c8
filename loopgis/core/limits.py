"""How much of an input is taken before it is refused: sizes that no lot, log or rule file has, and that would fill the memory.

One environment variable raises any of them, for every verb and for the processes that a verb starts:

    LOOPGIS_LIMITS="cells=1e8 rows=500000"

To add a limit: a row in LIMITS, `most` where it is asked for, and `too_much` for the refusal, which names the limit and how to
raise it. What a figure may be (a spacing, a number of bores) is no limit but a range, and stands with its key.
"""

from __future__ import annotations

import math
import os
import re
import stat
import tomllib
from typing import TYPE_CHECKING, Any

from loopgis.core.errors import InputError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

VARIABLE = "LOOPGIS_LIMITS"
LIMITS: dict[str, tuple[float, str]] = {
    "site_mb": (1, "MB of a site file, rule file, title file or ticket"),
    "table_mb": (50, "MB of a CSV of coordinates or hourly loads"),
    "log_mb": (50, "MB of a log of the field"),
    "log_rows": (200_000, "readings in a log of the field"),
    "rules": (50, "rule files of a site"),
    "layers": (200, "[[site.feature]] blocks of a site file"),
    "layer_mb": (4000, "MB of a layer or raster, unpacked"),
    "files": (20_000, "files of a folder or zip that is read as a layer"),
    "rows": (200_000, "rows of a layer round the lot"),
    "features": (10_000, "things of one layer within 150 m of the lot"),
    "corners": (1_000_000, "corners of a layer's shapes round the lot"),
    "lot_corners": (20_000, "corners of a lot, its holes included"),
    "lot_holes": (500, "holes in a lot"),
    "lot_km2": (5, "km2 of a lot"),
    "side": (2_000_000, "columns or rows of a raster"),
    "cells": (25_000_000, "cells of a raster round the lot"),
    "block_mb": (512, "MB of one block (tile or strip) of a raster, unpacked"),
}
"""Usual figure and what it counts, by name. Common practice, no source: far more than any site met so far."""
HIGHEST = 1e9
"""No limit can be set higher: libraries count rows in 32 bits."""
MOST_PARTS = 32
"""Parts of one dotted key of a TOML file: the parser's time grows with their square."""
_DOTTED = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{MOST_PARTS},}}")
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*+"|\'[^\']*+\'')


def most(name: str) -> float:
    """The limit of that name as it holds now. Raises UsageError when the environment variable cannot be read."""
    return _told().get(name, LIMITS[name][0])


def _told() -> dict[str, float]:
    """What the environment variable says."""
    said: dict[str, float] = {}
    for part in os.environ.get(VARIABLE, "").replace(",", " ").split():
        name, sign, text = part.partition("=")
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not sign or name not in LIMITS or not 0 < value <= HIGHEST:
            known = ", ".join(LIMITS)
            example = f'write e.g. {VARIABLE}="cells=1e8 rows=500000"; known: {known}'
            raise UsageError(f"environment variable {VARIABLE}: {part[:60]!r} is no limit; {example}")
        said[name] = value
    return said


def check_variable() -> None:
    """Raise UsageError when the environment variable cannot be read."""
    _told()


def too_much(where: str, what: str, remedy: str, name: str, needed: float) -> InputError:
    """The refusal of an input beyond a limit; needed: the figure that would let it in."""
    raised = float(f"{needed * 1.05:.2g}")
    if not raised <= HIGHEST:
        return InputError(where, what, f"{remedy} (limit {name}, which {VARIABLE} raises to {HIGHEST:g} at most)")
    shown = f"{raised:.0f}" if raised >= 10 else f"{raised:.2g}"
    return InputError(where, what, f'{remedy}; to read it all the same, set {VARIABLE}="{name}={shown}"')


def check_bytes(size: int, where: str, name: str, remedy: str) -> None:
    """InputError for a file of more bytes than its limit, a figure in MB."""
    limit = most(name)
    if size > limit * 1e6:
        kept = f"{limit / 1000:g} GB" if limit >= 1000 else f"{limit:g} MB"
        raise too_much(where, f"is larger than {kept}", remedy, name, math.ceil(size / 1e6))


def whole(path: Path, where: str, name: str, remedy: str) -> bytes:
    """Bytes of an ordinary file within a limit.

    Raises OSError when it cannot be read, InputError for a device or pipe, which may never end, and for a file beyond the limit.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with open(handle, "rb") as stream:  # noqa: PTH123 - a handle that does not wait for the other end of a pipe
        told = os.fstat(handle)
        if not stat.S_ISREG(told.st_mode):
            raise InputError(where, "is no ordinary file", "name a file on disk")
        check_bytes(told.st_size, where, name, remedy)
        return stream.read()


def toml(data: bytes) -> dict[str, Any]:
    """Content of a TOML file. Raises UnicodeDecodeError, or TOMLDecodeError for everything else that is wrong with it."""
    text = data.decode("utf-8-sig")
    line = _long_key(text)
    if line:
        raise tomllib.TOMLDecodeError(f"a key has more than {MOST_PARTS} parts (at line {line})")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("lists or tables are nested too deep") from None
    except ValueError as error:  # a number of thousands of digits
        raise tomllib.TOMLDecodeError(str(error)) from None


def _long_key(text: str) -> int:
    """Number of the first line with a key of too many parts, 0 when there is none; so many dotted words in a text count too."""
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") >= MOST_PARTS and any(_DOTTED.search(said) for said in (line, _QUOTED.sub("s", line))):
            return number
    return 0
