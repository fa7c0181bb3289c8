"""Readers and writers of the field's logs: a page's JSON, the same as CSV, a spreadsheet kept by hand, a GeoPackage's rod_log.

What a file is, is told by its content. A page's log is {schema, file, tablet, counts, entries}: schema "loopgis-log/1", file the
layouts file that it belongs to, tablet who wrote it ("" for several), counts the number of entries of each tablet (may be missing),
entries the fields of `Entry`. A JSON or CSV that was cut off while it was written is read up to its last whole entry, and that is
told among the problems; damage in the middle is refused, naming the line. Rows of spreadsheets and GIS tables have no chain: their
tablet is "sheet" or "gpkg", their number the place in the file, their id comes from their content unless the file gives one.

A new name for a spreadsheet's column: a word in `NAMES`; a new unit: a row in `UNITS`.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import secrets
import sqlite3
import unicodedata
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, cast, get_args

from loopgis.core.errors import InputError
from loopgis.core.units import FT_M
from loopgis.field.log import FIELDS, TOO_LARGE, clean, cleaned, content_id, entry_hash, instant, merged, spans
from loopgis.field.model import Entry, Event, Log

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

SCHEMA = "loopgis-log/1"
LIMIT_BYTES = 50_000_000
"""Of a text; a bore of 40 rods makes about 20 kB."""
LIMIT_ENTRIES = 200_000
LIMIT_TEXT = 10_000
"""Characters of one remark."""
_LIMIT_NAME = 200
_LIMIT_VALUES = 200
_LIMIT_COUNT = 1_000_000_000
_LIMIT_STEPS = 100_000
"""Thousands of steps of SQLite's machine; a table of 200 000 rows takes about 10 000."""
CONTRACT = (
    *("entry_id", "layout_id", "bore_id", "rod", "read_at", "depth_m", "pitch_pct", "roll", "offset_m", "x", "y"),
    "remark",
)
"""Columns of a GeoPackage's rod_log."""
FORMULA = frozenset("=+-@\uff1d\uff0b\uff0d\uff20'")
"""First letters that make a spreadsheet compute (as sheets/stakeout has them), and the apostrophe that guards against it."""
NAMES: dict[str, str] = {
    **dict.fromkeys(("bore", "borehole", "hole", "bore name"), "bore_id"),
    "layout": "layout_id",
    **dict.fromkeys(("rod", "joint", "pipe", "drill pipe", "drill rod", "stem"), "rod"),
    **dict.fromkeys(("depth", "depth below ground", "depth to beacon", "depth to sonde"), "depth_m"),
    **dict.fromkeys(("pitch", "inclination", "incl", "grade"), "pitch_pct"),
    **dict.fromkeys(("clock", "clock position", "roll", "roll clock", "face", "tool face", "toolface"), "roll"),
    **dict.fromkeys(("offset", "side offset", "lateral offset", "right of line", "right of painted line"), "offset_m"),
    **dict.fromkeys(("left of line", "left of painted line", "offset left", "left offset"), "-offset_m"),
    **dict.fromkeys(("side",), "side"),
    **dict.fromkeys(("x", "easting", "east"), "x"),
    **dict.fromkeys(("y", "northing", "north"), "y"),
    **dict.fromkeys(("accuracy", "gps accuracy", "gnss accuracy"), "accuracy_m"),
    **dict.fromkeys(("time", "date", "date time", "datetime", "timestamp", "read at", "when"), "read_at"),
    **dict.fromkeys(("remark", "remarks", "note", "notes", "comment", "comments"), "remark"),
    "event": "event",
    "entry": "entry_id",
}
"""Field of an entry by the name of a column, in lower case and without unit, "no.", "#", "id" and "read" or "L/R"."""
UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("ft", "feet", "foot", "'"), ("length", FT_M)),
    **dict.fromkeys(("in", "inch", "inches", '"'), ("length", FT_M / 12)),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), ("length", 1.0)),
    "cm": ("length", 0.01),
    "mm": ("length", 0.001),
    **dict.fromkeys(("%", "pct", "percent"), ("percent", 1.0)),
    **dict.fromkeys(("deg", "degree", "degrees", "°"), ("degree", 1.0)),
    "clock": ("clock", 1.0),
}
"""Dimension and size of a unit by its sign."""
_SYSTEMS = {"us": "ft", "ft": "ft", "metric": "m", "m": "m"}
_MEASURES = {
    "depth_m": ("length",),
    "offset_m": ("length",),
    "accuracy_m": ("length",),
    "pitch_pct": ("percent", "degree"),
}
_READ = frozenset(("read", "reading", "measured", "actual", "locator", "located", "sonde", "beacon", "logged"))
_PLAN = frozenset(("target", "plan", "planned", "design", "designed"))
_END = frozenset(("#", "no", "nr", "number", "id"))
_PLANNED_TOO = frozenset(("depth_m", "pitch_pct", "offset_m", "-offset_m", "x", "y", "side"))
"""Columns that tell the plan in a table that has columns of their own for what was read, as rods.csv of the stake-out does."""
_TELLING = frozenset(("depth_m", "pitch_pct", "roll", "offset_m", "-offset_m", "x", "y", "event"))
"""Columns of which a spreadsheet must have one besides the rod."""
_SIGNS = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)"
_AMOUNT = re.compile(rf"({_SIGNS})\s*([a-z%°'\"]*)")
_FEET_INCHES = re.compile(r"([+-]?)(\d{1,4})\s*(?:'|ft|feet)\s*(\d{1,2}(?:[.,]\d{1,6})?)\s*(?:\"|''|in|inch|inches)?")
_PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d{1,3})?", re.ASCII | re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::00)?")
_SIDE = re.compile(r"(?:(l|left|r|right)\s*(.*?)|(.*?)\s*(l|left|r|right))")
_GAP = re.compile(r"[ \t\r\n]*")


def read_logs(
    paths: Iterable[Path | str], *, layout_id: str = "", units: str = "", columns: Mapping[str, str] | None = None
) -> Log:
    """All entries of some files, merged; what a file is, is told by its content, not by its name.

    layout_id: of rows that tell none; units: "us" (feet) or "metric", for lengths of a spreadsheet whose head tells no unit (pitch
    is percent then); columns: a column's head as it stands in a spreadsheet -> the head as it should read, as in
    {"Tiefe": "depth (m)"}.
    Raises InputError naming file, line and remedy.
    """
    if units not in {"", *_SYSTEMS}:
        raise InputError("units", f"{units[:30]!r} is not known", "use us or metric")
    asked = _Asked(layout_id=clean(layout_id), unit=_SYSTEMS.get(units, ""), columns=dict(columns or {}))
    one = [paths] if isinstance(paths, (str, Path)) else paths
    return merged([_read(Path(p), asked) for p in one])


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What the caller says of the files."""

    layout_id: str
    unit: str
    columns: dict[str, str]


def _read(path: Path, asked: _Asked) -> Log:
    """The log of one file."""
    name = _shown(path.name, 100)
    try:
        if not path.is_file():
            raise InputError(name, "is no file" if path.exists() else "is not there", "name a log: JSON, CSV or .gpkg")
        with path.open("rb") as stream:
            head = stream.read(16)
        if head.startswith(b"SQLite format 3"):
            entries, problems = _geopackage(path, name, asked)
        else:
            entries, problems = _text_file(path, name, asked)
    except OSError as error:
        raise InputError(name, f"cannot be read ({_shown(error)})", "check the file and its rights") from None
    problems = problems if entries or problems else ["holds no reading"]
    return Log(entries=tuple(entries), problems=tuple(f"file {name}: {p}" for p in problems), source=(path.as_posix(),))


def _text_file(path: Path, name: str, asked: _Asked) -> tuple[list[Entry], list[str]]:
    """Entries and problems of a JSON or CSV file."""
    if path.stat().st_size > LIMIT_BYTES:
        raise InputError(name, f"is larger than {LIMIT_BYTES // 1_000_000} MB", "give one log, not an archive")
    raw = path.read_bytes()
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise InputError(name, "is a workbook or an archive", "save the sheet as CSV (UTF-8) and give that")
    whole = raw.rstrip(b"\x00") if not raw.startswith((b"\xff\xfe", b"\xfe\xff")) else raw
    try:
        text = whole.decode("utf-16" if whole is raw and raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig")
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":  # cut off inside a letter
            text = whole[: error.start].decode("utf-8-sig")
        else:
            line = whole[: error.start].count(b"\n") + 1
            raise InputError(name, f"line {line} is no UTF-8 text", "save it as CSV UTF-8 or JSON") from None
    if not text.strip():
        raise InputError(name, "is empty", "copy it from the tablet again")
    if text.lstrip()[0] in "{[":
        return _page(text, name, asked)
    if text.lstrip()[0] == "<":
        raise InputError(name, "is XML or a page, not a log", "give the JSON or CSV that the page saved")
    return _table(text, name, asked)


def _shown(text: object, longest: int = 60) -> str:
    """A text of somebody's on one line of a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in str(text)[: 2 * longest])
    return line if len(line) <= longest else line[: longest - 3] + "..."


# ---- JSON of a page


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; ValueError for a key that it has twice."""
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return made


def _no_figure(text: str) -> NoReturn:
    raise ValueError(f"{text} is no figure")


_DECODER = json.JSONDecoder(object_pairs_hook=_once, parse_constant=_no_figure)


def _page(text: str, name: str, asked: _Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a page's log, also of one that was cut off."""
    problems: list[str] = []
    try:
        head = _DECODER.decode(text.strip())
        rows = head.pop("entries", None) if isinstance(head, dict) else None
    except (ValueError, RecursionError):
        head, rows = _cut_off(text, name)
        problems.append(f"was cut off, {len(rows)} entries before that were read; copy it from the tablet again")
    if not isinstance(head, dict) or head.get("schema") != SCHEMA:
        said = _shown(head.get("schema"), 30) if isinstance(head, dict) else "none"
        raise InputError(name, f"its schema is {said}, not {SCHEMA}", "give a log that the tablet's page saved")
    if not isinstance(rows, list):
        raise InputError(name, "holds no list of entries", "give a log that the tablet's page saved")
    _check_number(len(rows), name)
    base = {"tablet": head.get("tablet", ""), "layout_id": asked.layout_id}
    entries: list[Entry] = []
    strange: set[str] = set()
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            raise InputError(f"{name} entry {number}", "is no object", "give a log that the tablet's page saved")
        strange |= set(row) - set(FIELDS)
        entries.append(_entry({**base, **row}, f"{name} entry {number}"))
    problems += _unknown(strange)
    return entries, problems + _too_few(head.get("counts"), entries)


def _check_number(count: int, name: str) -> None:
    if count > LIMIT_ENTRIES:
        raise InputError(name, f"holds more than {LIMIT_ENTRIES} rows", "give the logs of one job")


def _unknown(names: Iterable[str]) -> list[str]:
    shown = sorted(_shown(n, 40) for n in names)
    return [f"{', '.join(shown[:8])}{' ...' if len(shown) > 8 else ''} not known, left aside"] if shown else []


def _too_few(counts: object, entries: list[Entry]) -> list[str]:
    """Tablets of which the head of a file says more entries than stand in it."""
    if not isinstance(counts, dict):
        return []
    there = Counter(e.tablet for e in entries)
    return [
        f"says {said} entries of tablet {_shown(tablet)} and holds {there[clean(tablet)]}"
        for tablet, said in sorted(counts.items())
        if not isinstance(said, int) or said != there[clean(tablet)]
    ]


def _cut_off(text: str, name: str) -> tuple[dict[str, Any], list[Any]]:
    """Head and whole entries of a JSON text that ends too early; InputError for one that is damaged before its end."""
    head: dict[str, Any] = {}
    at = _skip(text, text.index("{") + 1 if "{" in text else len(text))
    try:
        while text[at : at + 1] == '"':
            key, at = _DECODER.raw_decode(text, at)
            at = _skip(text, _skip(text, at, ":"))
            if key == "entries" and text[at : at + 1] == "[":
                return head, _whole_entries(text, at + 1, name)
            head[key], at = _DECODER.raw_decode(text, at)
            at = _skip(text, _skip(text, at, ","))
    except (ValueError, RecursionError):
        pass
    line = text.count("\n", 0, at) + 1
    raise InputError(name, f"line {line} is no JSON, and no entry stands before it", "copy it from the tablet again")


def _skip(text: str, at: int, sign: str = "") -> int:
    """Place after blanks and, when it stands there, a sign."""
    match = _GAP.match(text, at)
    at = match.end() if match else at
    return at + 1 if sign and text[at : at + 1] == sign else at


def _whole_entries(text: str, at: int, name: str) -> list[Any]:
    """Values of a list up to where the text ends; InputError where one is broken though more follows."""
    found: list[Any] = []
    at = _skip(text, at)
    while at < len(text) and text[at] != "]":
        try:
            value, at = _DECODER.raw_decode(text, at)
        except (ValueError, RecursionError) as error:
            if text[at] == "{" and not _closes(text, at):
                return found
            line = text.count("\n", 0, at) + 1
            what = f"line {line} is damaged ({_shown(error)}), {len(found)} entries before it are whole"
            raise InputError(name, what, "copy it from the tablet again, or cut the file before that line") from None
        found.append(value)
        at = _skip(text, _skip(text, at, ","))
    if text[at + 1 :].strip(" \t\r\n}]"):
        line = text.count("\n", 0, at) + 1
        raise InputError(name, f"line {line} ends the entries, but more follows", "copy it from the tablet again")
    return found


def _closes(text: str, at: int) -> bool:
    """True when the object that begins there has its end in the text."""
    depth = 0
    for match in re.compile(r'"(?:[^"\\]|\\.)*+"|"|[{}]', re.DOTALL).finditer(text, at):
        sign = match.group()
        if sign == '"':  # a text that never ends
            return False
        depth += {"{": 1, "}": -1}.get(sign, 0)
        if not depth and sign == "}":
            return True
    return False


# ---- one entry


def _entry(row: Mapping[str, Any], where: str) -> Entry:
    """An entry of a row by field names; missing fields are empty. Raises InputError naming field and remedy."""
    text = {
        k: _said(row.get(k), where, k) for k in ("entry_id", "tablet", "layout_id", "bore_id", "of", "before", "hash")
    }
    event = row.get("event")
    if not isinstance(event, str) or event not in get_args(Event):
        raise InputError(where, f"event is {_shown(event, 30)!r}", f"one of {', '.join(get_args(Event))}")
    read_at = _said(row.get("read_at"), where, "read_at")
    if (read_at or text["hash"]) and instant(read_at) is None:
        raise InputError(where, f"read_at is {_shown(read_at, 30)!r}", "write UTC like 2026-05-04T14:03:22Z")
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


def _said(value: object, where: str, key: str, longest: int = _LIMIT_NAME) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        raise InputError(where, f"{key} is {_shown(value, 30)}, not a text", "mend or remove that entry")
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
            where, f"{_shown(key, 40)} is {_shown(value, 30)!r}, no figure", "write a plain figure or nothing"
        )
    return float(value)


def _whole(value: object, where: str, key: str) -> int:
    figure = _figure(value, where, key) or 0.0
    if figure != math.floor(figure) or not 0 <= figure < _LIMIT_COUNT:
        raise InputError(where, f"{key} is {_shown(value, 30)}", "write a whole number from 0 on")
    return int(figure)


def _values(value: object, where: str) -> dict[str, float]:
    if value is None or value == "":
        return {}
    if isinstance(value, str):
        try:
            value = _DECODER.decode(value)
        except (ValueError, RecursionError):
            raise InputError(where, "values is no JSON", 'write {"pressure_kpa": 690} or nothing') from None
    if not isinstance(value, dict) or len(value) > _LIMIT_VALUES:
        raise InputError(where, "values is no list of figures by name", 'write {"pressure_kpa": 690} or nothing')
    found = {_said(k, where, "a name of values"): _figure(v, where, f"values.{k}") for k, v in value.items()}
    return {k: v for k, v in found.items() if v is not None}


# ---- tables of text


def _table(text: str, name: str, asked: _Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a CSV: a page's own when it has all of its columns, otherwise one kept by hand."""
    first = text.lstrip()[:LIMIT_TEXT].splitlines()[0]
    for sign in ",;\t":
        head = [c.strip() for c in next(csv.reader([first], delimiter=sign), [])]
        if set(FIELDS) <= set(head):
            return _own_csv(_lines(text, sign, name), text.endswith(("\n", "\r")), name)
    return _sheet(text, name, asked)


def _lines(text: str, sign: str, name: str) -> list[tuple[int, list[str]]]:
    """Line number and cells of the rows that are not empty; InputError for what is no table."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)
    found: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                found.append((reader.line_num, cells))
            _check_number(len(found) - 1, name)
    except csv.Error as error:
        what = f"line {reader.line_num} is no row of a table ({_shown(error)})"
        raise InputError(name, what, "save the sheet as CSV (UTF-8)") from None
    return found


def _own_csv(lines: list[tuple[int, list[str]]], ended: bool, name: str) -> tuple[list[Entry], list[str]]:  # noqa: FBT001
    """Entries of a CSV with the columns of `Entry`; ended: the text ends with a line end."""
    head = [c.strip() for c in lines[0][1]]
    problems = _unknown(h for h in head if h not in FIELDS)
    if len(set(head)) < len(head):
        raise InputError(name, "a column stands twice in its head", "give the CSV that the page saved")
    entries: list[Entry] = []
    for line, cells in lines[1:]:
        row = dict(zip(head, map(unguarded, cells), strict=False))
        where = f"{name} line {line}"
        if line == lines[-1][0] and not ended and (len(cells) < len(head) or len(row["hash"]) not in {0, 64}):
            problems.append(f"was cut off in line {line}, {len(entries)} entries before that were read")
            break
        if len(cells) != len(head):
            raise InputError(where, f"has {len(cells)} cells, not {len(head)}", "give the CSV that the page saved")
        entries.append(_entry(row, where))
    return entries, problems


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


# ---- a spreadsheet kept by hand


@dataclass(frozen=True, kw_only=True)
class _Column:
    """One column: its place, its head as it stands there, the field it fills, its unit and whether it says that it was read."""

    at: int
    head: str
    field: str
    unit: str = ""
    read: bool = False


def _column(at: int, cell: str, asked: _Asked) -> _Column | None:
    """The column of a head; None when it is empty, field "" when it is not known."""
    cell = cell[:_LIMIT_NAME]
    shown = " ".join(cell.split())
    text = unicodedata.normalize("NFKC", asked.columns.get(cell.strip(), asked.columns.get(shown, shown))).lower()
    text = text.replace("_", " ")
    bracket = re.search(r"[(\[]([^)\]]*)[)\]]", text)
    inside = " ".join(bracket.group(1).split()) if bracket else ""
    if bracket:
        text = text[: bracket.start()] + " " + text[bracket.end() :]
    words = re.findall(r"[^\W\d_]+|[%#°'\"]", text)
    unit = inside if inside in UNITS else ""
    while len(words) > 1 and words[-1] in UNITS and not unit and words != ["roll", "clock"]:
        unit = words.pop()
    utc = "utc" in words or inside == "utc"
    words = [w for w in words if w != "utc"]
    if words and words[0] in {"left", "right", "l", "r"} and set(words[:2]) in ({"left", "right"}, {"l", "r"}):
        words = words[2:] or ["offset"]
    elif words[-2:] in (["l", "r"], ["left", "right"], ["r", "l"]):
        words = words[:-2]
    while len(words) > 1 and words[-1] in _END:
        words.pop()
    if not words:
        return None
    field, read = NAMES.get(" ".join(words), ""), False
    if not field and not _PLAN & set(words):
        left = [w for w in words if w not in _READ]
        field = NAMES.get(" ".join(left), "")
        field, read = (
            (field, True) if field in {"depth_m", "pitch_pct", "offset_m", "-offset_m", "roll"} else ("", False)
        )
    return _Column(at=at, head=_shown(shown, 40), field=field, unit="utc" if utc else unit, read=read)


def _sheet(text: str, name: str, asked: _Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a spreadsheet that somebody kept by hand: head found, columns mapped, units from head, cell or caller."""
    best: tuple[int, int, str, list[_Column]] = (0, 0, ",", [])
    tables: dict[str, list[tuple[int, list[str]]]] = {}
    broken: list[InputError] = []
    for sign in (s for s in ",;\t" if s in text):
        try:
            tables[sign] = _lines(text, sign, name)
        except InputError as error:
            broken.append(error)
    for sign, lines in tables.items():
        for row, (_, cells) in enumerate(lines[:40]):
            heads = [c for c in (_column(i, cell, asked) for i, cell in enumerate(cells[:200])) if c]
            known = {c.field for c in heads} - {""}
            if "rod" in known and known & _TELLING and len(known) > best[0]:
                best = (len(known), row, sign, heads)
    if not best[3] and broken:
        raise broken[0]
    if not best[3]:
        what = "no line is a head with a column for the rod and one for a reading"
        raise InputError(name, what, "name the columns rod, bore, depth (ft), pitch (%), clock, offset (ft), remark")
    _, row, sign, heads = best
    return _rows_by_hand(tables[sign], row, sign, heads, name, asked)


def _chosen(heads: list[_Column], name: str) -> tuple[dict[str, _Column], list[str]]:
    """Columns by field, and heads of those that are not used; InputError for two of one field."""
    doubled = any(a.read and not b.read and a.field == b.field for a in heads for b in heads)
    used: dict[str, _Column] = {}
    for c in heads:
        if not c.field or (doubled and not c.read and c.field in _PLANNED_TOO):
            continue
        field = c.field.removeprefix("-")
        if field in used:
            what = f"columns {used[field].head!r} and {c.head!r} both tell {field}"
            raise InputError(name, what, 'call one of them "planned ..."')
        used[field] = c
    return used, [] if doubled else [c.head for c in heads if not c.field]


def _rows_by_hand(
    lines: list[tuple[int, list[str]]], at: int, sign: str, heads: list[_Column], name: str, asked: _Asked
) -> tuple[list[Entry], list[str]]:
    used, unused = _chosen(heads, name)
    problems = [f"column {', '.join(repr(h) for h in unused[:8])} not used"] if unused else []
    bore = _bore_above(lines[:at])
    if "bore_id" not in used and not bore:
        raise InputError(name, "no column tells the bore", "add a column bore, or a line Bore, B-01 above the head")
    _check_commas(lines[at + 1 :], used, sign, name)
    reader = _ByHand(used=used, name=name, asked=asked)
    entries: list[Entry] = []
    for line, cells in lines[at + 1 :]:
        entry = reader.entry(cells, line, len(entries) + 1, bore)
        if entry:
            bore = entry.bore_id
            entries.append(entry)
    if reader.untimed:
        what = f"times in line {spans(reader.untimed)} have no date and zone; they stand in the remarks, the order of rows counts"
        problems.append(f"{what}; write them like 2026-05-04T14:03Z to compare with other logs")
    return entries, problems


def _bore_above(lines: list[tuple[int, list[str]]]) -> str:
    """Name of the bore in a line above the head: "Bore no.", "B-01" in two cells, or "Bore: B-01" in one."""
    for _, cells in lines:
        full = [c.strip() for c in cells if c.strip()]
        for one, two in zip(full, [*full[1:], ""], strict=True):
            key, _, rest = one.partition(":")
            words = [w for w in re.findall(r"[^\W\d_]+|#", key.lower()) if w not in _END]
            if " ".join(words) in {"bore", "borehole"} and (rest.strip() or two):
                return clean(rest.strip() or two)[:_LIMIT_NAME]
    return ""


def _check_commas(rows: list[tuple[int, list[str]]], used: dict[str, _Column], sign: str, name: str) -> None:
    """InputError when figures have both a comma and a point, or when a comma may part thousands; otherwise it is a decimal one."""
    fields = {*_MEASURES, "roll", "x", "y"} & set(used)
    points, commas = [], []
    for line, cells in rows:
        for c in (used[f] for f in fields):
            cell = cells[c.at] if c.at < len(cells) else ""
            points += [(line, c.head)] if re.search(r"\d?\.\d", cell) else []
            commas += [(line, c.head, cell.strip())] if re.search(r"\d?,\d", cell) else []
    if not commas:
        return
    where = f"{name} line {commas[0][0]}"
    if points:
        what = f"column {commas[0][1]!r} has a comma in a figure, line {points[0][0]} a point"
        raise InputError(where, what, "write all figures with a point, and no sign for thousands")
    if sign != ";" and all(re.fullmatch(r"[^,]*\d,\d{3}\D*", cell) for *_, cell in commas):
        what = f"{commas[0][2][:20]!r} in column {commas[0][1]!r} may be thousands or a decimal comma"
        raise InputError(where, what, "write figures with a point")


@dataclass(kw_only=True)
class _ByHand:
    """Turns rows of one spreadsheet into entries; `untimed` gathers lines whose time tells no date and zone."""

    used: dict[str, _Column]
    name: str
    asked: _Asked

    def __post_init__(self) -> None:
        """No line yet."""
        self.untimed: list[int] = []

    def entry(self, cells: list[str], line: int, number: int, bore: str) -> Entry | None:
        """The entry of a row, None for one in which nothing was read; bore: of the row above."""
        where = f"{self.name} line {line}"
        cell = {f: clean(unguarded(cells[c.at])).strip() if c.at < len(cells) else "" for f, c in self.used.items()}
        told = ("depth_m", "pitch_pct", "roll", "offset_m", "accuracy_m", "x", "y", "remark", "event")
        if not any(cell.get(f) for f in told):
            return None
        rod = self._rod(cell["rod"], where)
        event = cell.get("event", "").lower() or ("rod" if rod else "start")
        read_at, remark = self._time(cell, line)
        row = {
            "entry_id": cell.get("entry_id", ""),
            "tablet": "sheet",
            "number": number,
            "layout_id": cell.get("layout_id") or self.asked.layout_id,
            "bore_id": cell.get("bore_id") or bore,
            "event": event,
            "read_at": read_at,
            "rod": rod,
            "roll": self._roll(cell.get("roll", ""), where),
            "offset_m": self._offset(cell.get("offset_m", ""), cell.get("side", ""), where),
            "remark": remark,
            **{f: self._measure(f, cell.get(f, ""), where) for f in ("depth_m", "pitch_pct", "accuracy_m", "x", "y")},
        }
        if not row["bore_id"]:
            raise InputError(where, "tells no bore", "write the bore into the row")
        return _named(_entry(row, where))

    def _rod(self, text: str, where: str) -> int:
        match = re.fullmatch(r"(?:rod|joint|pipe)?\s*#?\s*(\d{1,6})(?:[.,]0*)?", text[:40].lower(), re.ASCII)
        if not match:
            raise InputError(where, f"rod is {_shown(text, 30)!r}", "write the number of the rod, 0 for the entry")
        return int(match.group(1))

    def _time(self, cell: dict[str, str], line: int) -> tuple[str, str]:
        """Time in UTC, and the remark, which keeps a time that tells no date and zone."""
        text, remark = cell.get("read_at", ""), cell.get("remark", "")
        if not text:
            return "", remark
        iso = text.replace(" ", "T", 1) if re.match(r"\d{4}-\d\d-\d\d ", text) else text
        for tried in (iso, f"{iso}Z" if self.used["read_at"].unit == "utc" else ""):
            if instant(tried):
                return utc(tried), remark
        self.untimed.append(line)
        return "", f"{remark} (time {text})".strip()

    def _number(self, text: str, where: str, head: str) -> tuple[float, str]:
        """Figure and unit of a cell; feet and inches come as inches."""
        plain = unicodedata.normalize("NFKC", text).lower().replace("\u2212", "-").replace("\u2013", "-")
        plain = (
            plain.replace("\u2032", "'").replace("\u2033", '"').replace("\u2019", "'").replace("\u201d", '"').strip()
        )
        feet = _FEET_INCHES.fullmatch(plain)
        if feet:
            inches = 12 * int(feet.group(2)) + float(feet.group(3).replace(",", "."))
            return (-inches if feet.group(1) == "-" else inches), "in"
        match = _AMOUNT.fullmatch(plain) if len(plain) <= 40 else None
        if not match or (match.group(2) and match.group(2) not in UNITS):
            raise InputError(where, f"column {head!r} holds {_shown(text, 30)!r}, no figure", "write a plain figure")
        return float(match.group(1).replace(",", ".")), match.group(2)

    def _measure(self, field: str, text: str, where: str) -> float | None:
        """A figure in the unit of its field; coordinates are left as they are. InputError asks for a unit that nobody told."""
        if not text:
            return None
        column = self.used[field]
        value, unit = self._number(text, where, column.head)
        if field in {"x", "y"}:
            return value
        kinds = _MEASURES[field]
        unit = unit or column.unit or ("%" if self.asked.unit and "percent" in kinds else self.asked.unit)
        ways = "(%) or (deg)" if "percent" in kinds else "(ft) or (m)"
        if not unit:
            remedy = f"write {ways} behind the head, or give --units us or metric"
            raise InputError(where, f"column {column.head!r} tells no unit", remedy)
        kind, size = UNITS.get(unit, ("", 0.0))
        if kind not in kinds:
            raise InputError(where, f"column {column.head!r} is in {_shown(unit, 20)}", f"write {ways} behind the head")
        if kind == "degree":
            if abs(value) > 80:
                raise InputError(where, f"column {column.head!r} holds {value:g} degrees", "check figure and unit")
            return round(100 * math.tan(math.radians(value)), 6)
        return round(value * size, 9)

    def _roll(self, text: str, where: str) -> float | None:
        """Clock of the head's face: 3, 3:30, 3 o'clock, or degrees when the head says so."""
        if not text:
            return None
        plain = re.sub(r" ?o[' \u2019]? ?clock$", "", text.lower())
        clock = _CLOCK.fullmatch(plain)
        if clock:
            return int(clock.group(1)) + int(clock.group(2)) / 60
        value, unit = self._number(plain, where, self.used["roll"].head)
        turned = UNITS.get(unit or self.used["roll"].unit, ("clock", 1.0))[0] == "degree"
        return round(value % 360 / 30, 6) or 12.0 if turned else value

    def _offset(self, text: str, side: str, where: str) -> float | None:
        """Right positive: by sign, by L or R in the cell, in a column of its own or in the head."""
        plain = text.strip().lower()
        match = _SIDE.fullmatch(plain) if len(plain) <= 40 else None
        said = (match.group(1) or match.group(4))[0] if match else ""
        if match:
            plain = match.group(2) if match.group(1) else match.group(3)
            if not plain:
                raise InputError(where, "tells a side and no offset", "write how far beside the line, or nothing")
        value = self._measure("offset_m", plain, where)
        said = said or side.strip().lower()[:1]
        if value is None:
            return None
        if said in {"l", "r"} and value < 0:
            what = f"column {self.used['offset_m'].head!r} tells a sign and a side"
            raise InputError(where, what, "write either, right of the line positive")
        left = (said == "l") != (self.used["offset_m"].field[0] == "-")
        return -value if left else value


def utc(read_at: str) -> str:
    """A time with its zone, in UTC as the logs have it.

    >>> utc("2026-05-04T10:03-04:00"), utc("2026-05-04T14:03:22.50Z")
    ('2026-05-04T14:03:00Z', '2026-05-04T14:03:22.500Z')
    """
    from datetime import UTC  # noqa: PLC0415

    moment = instant(read_at)
    if moment is None:
        raise InputError("time", f"{_shown(read_at, 30)!r} is no time with its zone", "write 2026-05-04T14:03:22Z")
    try:
        told = moment.astimezone(UTC)
    except OverflowError:
        raise InputError("time", f"{_shown(read_at, 30)!r} is out of range", "check the year") from None
    return told.isoformat(timespec="milliseconds" if told.microsecond else "seconds").replace("+00:00", "Z")


def _named(entry: Entry) -> Entry:
    """An entry with an id, from its content when it has none."""
    return entry if entry.entry_id else replace(entry, entry_id=content_id(entry))


# ---- a GeoPackage's table


def _geopackage(path: Path, name: str, asked: _Asked) -> tuple[list[Entry], list[str]]:
    """Entries of the table rod_log. Raises InputError for a file that is being edited, or that has no such table."""
    for side in ("-wal", "-journal"):
        beside = path.with_name(path.name + side)
        if beside.exists() and (side == "-wal" or beside.stat().st_size):
            what = f"is being edited, or was cut off ({_shown(beside.name)} stands beside it)"
            raise InputError(name, what, "save and close it in the tablet's GIS, then copy it again")
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
            rows = list(_rod_log(db, name))
    except sqlite3.Error as error:
        raise InputError(
            name, f"is no GeoPackage that can be read ({_shown(error)})", "copy it from the tablet again"
        ) from None
    entries = []
    for number, (fid, row) in enumerate(rows, 1):
        entry = _of_row(row, f"{name} rod_log row {fid}", number, asked)
        entries += [entry] if entry else []
    return entries, []


def _rod_log(db: sqlite3.Connection, name: str) -> Iterator[tuple[object, dict[str, Any]]]:
    """Row number and columns, in lower case, of the table, in the order in which the rows came."""
    steps = [0]

    def too_long() -> bool:
        steps[0] += 1
        return steps[0] > _LIMIT_STEPS

    db.set_progress_handler(too_long, 1000)
    db.execute("PRAGMA trusted_schema = OFF")
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    found = db.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND lower(name) = 'rod_log'"
    ).fetchone()
    if not found or "VIRTUAL" in str(found[1]).upper().split()[:2]:
        raise InputError(name, "has no table rod_log", "give the GeoPackage of the tablet's bundle")
    quoted = '"' + str(found[0]).replace('"', '""') + '"'
    there = {str(r[1]).lower(): str(r[1]) for r in db.execute(f"PRAGMA table_info({quoted})")}
    missing = [c for c in ("bore_id", "rod", "depth_m") if c not in there]
    if missing:
        what = f"its table rod_log has no column {', '.join(missing)}"
        raise InputError(name, what, f"it needs {', '.join(CONTRACT)}")
    wanted = [c for c in (*CONTRACT, *(f for f in FIELDS if f not in CONTRACT)) if c in there]
    listed = ", ".join('"' + there[c].replace('"', '""') + '"' for c in wanted)
    sql = f"SELECT rowid, {listed} FROM {quoted} ORDER BY rowid LIMIT {LIMIT_ENTRIES + 1}"  # noqa: S608 - the file's own names
    rows = db.execute(sql).fetchall()
    _check_number(len(rows), name)
    for row in rows:
        yield row[0], dict(zip(wanted, row[1:], strict=True))


def _of_row(row: dict[str, Any], where: str, number: int, asked: _Asked) -> Entry | None:
    """The entry of a row, None for one in which nothing was read."""
    told = (*CONTRACT[5:], "accuracy_m", "event", "values")
    if all(row.get(c) is None or str(row[c]).strip() == "" for c in told):
        return None
    row = {k: None if isinstance(v, str) and not v.strip() else v for k, v in row.items()}
    if not row.get("hash"):
        row |= {"tablet": "gpkg", "number": number, "read_at": _row_time(row.get("read_at"), where)}
    if row.get("rod") is None and row.get("event") in {None, "rod"}:
        raise InputError(where, "tells no rod", "write the number of the rod, 0 for the entry")
    row["layout_id"] = row.get("layout_id") or asked.layout_id
    row["event"] = row.get("event") or ("rod" if row.get("rod") else "start")
    for key in ("entry_id", "layout_id", "bore_id", "remark"):
        row[key] = str(row[key]) if isinstance(row.get(key), (int, float)) else row.get(key)
    if not row["bore_id"]:
        raise InputError(where, "tells no bore", "write the bore into the row")
    return _named(_entry(row, where))


def _row_time(value: object, where: str) -> str:
    """Time of a row; one without a zone is UTC, as GeoPackage has it."""
    text = str(value or "").strip().replace(" ", "T", 1)
    if not text:
        return ""
    for tried in (text, f"{text}Z"):
        if instant(tried):
            return utc(tried)
    raise InputError(where, f"read_at is {_shown(text, 30)!r}", "write UTC like 2026-05-04T14:03:22Z")


# ---- writers


def write_log_json(log: Log, path: Path, *, file: str = "") -> Path:
    """A log as the page saves it, one entry a line; file: the layouts file it belongs to. The same entries give the same bytes.

    Raises RangeError for figures that are none, InputError when the place cannot be written.
    """
    entries = [_row(e) for e in log.entries]
    counts = Counter(str(e["tablet"]) for e in entries)
    head = {"schema": SCHEMA, "file": clean(file), "tablet": next(iter(counts)) if len(counts) == 1 else ""}
    told = json.dumps({**head, "counts": dict(sorted(counts.items()))}, ensure_ascii=False, separators=(",", ":"))
    rows = [json.dumps(e, ensure_ascii=False, allow_nan=False) for e in entries]
    return _write(path, told[:-1] + ',"entries":[\n' + ",\n".join(rows) + "\n]}\n")


def write_log_csv(log: Log, path: Path) -> Path:
    """A log as a table with all columns of `Entry`; texts that a spreadsheet would compute are guarded and read back whole.

    Raises RangeError for figures that are none, InputError when the place cannot be written.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(FIELDS)
    for row in map(_row, log.entries):
        row["values"] = json.dumps(row["values"], ensure_ascii=False) if row["values"] else ""
        table.writerow([guarded(v) if isinstance(v, str) else "" if v is None else repr(v) for v in row.values()])
    return _write(path, out.getvalue())


def _row(entry: Entry) -> dict[str, Any]:
    """Fields of an entry as they are written, figures as plain Python ones. Raises RangeError for figures that are none."""
    entry_hash(entry, entry.before)
    entry = cleaned(entry)
    row = {k: getattr(entry, k) for k in FIELDS}
    for key, value in row.items():
        if isinstance(value, float):
            row[key] = float(value)
        elif isinstance(value, dict):
            row[key] = {k: float(v) for k, v in sorted(value.items())}
    return row | {"number": int(entry.number), "rod": int(entry.rod)}


def _write(path: Path, text: str) -> Path:
    """Write a text in UTF-8, whole or not at all. Raises InputError when the place cannot be written."""
    place = Path(os.path.realpath(path))
    temp = place.with_name(f".{place.stem[:60]}.{secrets.token_hex(4)}")
    try:
        with temp.open("wb") as stream:
            stream.write(text.encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
        temp.replace(place)
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputError(str(path), what, "check permissions and free space") from None
    finally:
        with suppress(OSError):  # the folder is not there, or no longer
            temp.unlink(missing_ok=True)
    return path
