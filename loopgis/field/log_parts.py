"""What every reader of logs shares: what the caller asked, entries from rows, cells guarded against formulas, times, limits."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NoReturn, cast, get_args

from loopgis.core import limits
from loopgis.core.cells import FORMULA as COMPUTES
from loopgis.core.errors import InputError
from loopgis.field.log import TOO_LARGE, clean, content_id, instant
from loopgis.field.model import Entry, Event

if TYPE_CHECKING:
    from collections.abc import Mapping

LIMIT_TEXT = 10_000
"""Characters of one remark."""
LIMIT_NAME = 200
_LIMIT_VALUES = 200
_LIMIT_COUNT = 1_000_000_000
FORMULA = COMPUTES | {"'"}
"""First letters that make a spreadsheet compute, and the apostrophe that guards against it."""
_PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d{1,3})?", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the caller says of the files."""

    layout_id: str
    unit: str
    columns: dict[str, str]


def shown(text: object, longest: int = 60) -> str:
    """A text of somebody's on one line of a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in str(text)[: 2 * longest])
    return line if len(line) <= longest else line[: longest - 3] + "..."


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; ValueError for a key that it has twice."""
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return made


def _no_figure(text: str) -> NoReturn:
    raise ValueError(f"{text} is no figure")


DECODER = json.JSONDecoder(object_pairs_hook=_once, parse_constant=_no_figure)


def check_number(count: int, name: str) -> None:
    """InputError for more rows than any job has."""
    most = limits.most("log_rows")
    if count > most:
        raise limits.too_much(
            name, f"holds more than {most:.0f} rows", "give the logs of one job", "log_rows", count * 10
        )


def entry_of(row: Mapping[str, Any], where: str) -> Entry:
    """An entry of a row by field names; missing fields are empty. Raises InputError naming field and remedy."""
    text = {
        k: _said(row.get(k), where, k) for k in ("entry_id", "tablet", "layout_id", "bore_id", "of", "before", "hash")
    }
    event = row.get("event")
    if not isinstance(event, str) or event not in get_args(Event):
        raise InputError(where, f"event is {shown(event, 30)!r}", f"one of {', '.join(get_args(Event))}")
    read_at = _said(row.get("read_at"), where, "read_at")
    if (read_at or text["hash"]) and instant(read_at) is None:
        raise InputError(where, f"read_at is {shown(read_at, 30)!r}", "write UTC like 2026-05-04T14:03:22Z")
    return Entry(
        **text,
        event=cast("Event", event),
        read_at=read_at,
        remark=_said(row.get("remark"), where, "remark", LIMIT_TEXT),
        number=_whole(row.get("number"), where, "number"),
        rod=_whole(row.get("rod"), where, "rod"),
        depth_m=_figure(row.get("depth_m"), where, "depth_m"),
        pitch_pct=_figure(row.get("pitch_pct"), where, "pitch_pct"),
        roll=_figure(row.get("roll"), where, "roll"),
        offset_m=_figure(row.get("offset_m"), where, "offset_m"),
        x=_figure(row.get("x"), where, "x"),
        y=_figure(row.get("y"), where, "y"),
        accuracy_m=_figure(row.get("accuracy_m"), where, "accuracy_m"),
        values=_values(row.get("values"), where),
    )


def _said(value: object, where: str, key: str, longest: int = LIMIT_NAME) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        raise InputError(where, f"{key} is {shown(value, 30)}, not a text", "mend or remove that entry")
    if len(value) > longest:
        raise InputError(where, f"{key} has {len(value)} characters", f"{longest} are enough")
    return clean(value)


def _figure(value: object, where: str, key: str) -> float | None:
    """A finite figure of a cell or a JSON value, None when it is empty."""
    if value is None or value == "":
        return None
    if isinstance(value, str) and len(value) <= 40 and _PLAIN.fullmatch(value.strip()):
        value = float(value)
    fits = isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < TOO_LARGE
    if not fits or not isinstance(value, (int, float)):
        raise InputError(
            where, f"{shown(key, 40)} is {shown(value, 30)!r}, no figure", "write a plain figure or nothing"
        )
    return float(value)


def _whole(value: object, where: str, key: str) -> int:
    figure = _figure(value, where, key) or 0.0
    if figure != math.floor(figure) or not 0 <= figure < _LIMIT_COUNT:
        raise InputError(where, f"{key} is {shown(value, 30)}", "write a whole number from 0 on")
    return int(figure)


def _values(value: object, where: str) -> dict[str, float]:
    if value is None or value == "":
        return {}
    if isinstance(value, str):
        try:
            value = DECODER.decode(value)
        except (ValueError, RecursionError):
            raise InputError(where, "values is no JSON", 'write {"pressure_kpa": 690} or nothing') from None
    if not isinstance(value, dict) or len(value) > _LIMIT_VALUES:
        raise InputError(where, "values is no list of figures by name", 'write {"pressure_kpa": 690} or nothing')
    found = {_said(k, where, "a name of values"): _figure(v, where, f"values.{k}") for k, v in value.items()}
    return {k: v for k, v in found.items() if v is not None}


def lines_of(text: str, sign: str, name: str) -> list[tuple[int, list[str]]]:
    """Line number and cells of the rows that are not empty; InputError for what is no table."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)
    found: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                found.append((reader.line_num, cells))
            check_number(len(found) - 1, name)
    except csv.Error as error:
        what = f"line {reader.line_num} is no row of a table ({shown(error)})"
        raise InputError(name, what, "save the sheet as CSV (UTF-8)") from None
    return found


def guarded(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe before =, +, -, @ and before an apostrophe.

    >>> guarded("=1+1"), unguarded(guarded("'=1+1")), guarded("gas - line")
    ("'=1+1", "'=1+1", 'gas - line')
    """
    seen = next((c for c in text if not c.isspace() and unicodedata.category(c) != "Cf"), "")
    return "'" + text if seen in FORMULA and seen else text


def unguarded(text: str) -> str:
    """What `guarded` was given."""
    rest = text[1:]
    return rest if text[:1] == "'" and guarded(rest) != rest else text


def utc(read_at: str) -> str:
    """A time with its zone, in UTC as the logs have it.

    >>> utc("2026-05-04T10:03-04:00"), utc("2026-05-04T14:03:22.50Z")
    ('2026-05-04T14:03:00Z', '2026-05-04T14:03:22.500Z')
    """
    from datetime import UTC  # noqa: PLC0415

    moment = instant(read_at)
    if moment is None:
        raise InputError("time", f"{shown(read_at, 30)!r} is no time with its zone", "write 2026-05-04T14:03:22Z")
    try:
        told = moment.astimezone(UTC)
    except OverflowError:
        raise InputError("time", f"{shown(read_at, 30)!r} is out of range", "check the year") from None
    return told.isoformat(timespec="milliseconds" if told.microsecond else "seconds").replace("+00:00", "Z")


def named(entry: Entry) -> Entry:
    """An entry with an id, from its content when it has none."""
    return entry if entry.entry_id else replace(entry, entry_id=content_id(entry))
