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
import re
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.atomic import write_text
from loopgis.core.errors import InputError
from loopgis.core.in_use import read_only
from loopgis.field.log import FIELDS, clean, cleaned, entry_hash, instant, merged
from loopgis.field.log_parts import (
    DECODER,
    LIMIT_TEXT,
    Asked,
    check_number,
    entry_of,
    guarded,
    lines_of,
    named,
    shown,
    unguarded,
    utc,
)
from loopgis.field.log_sheet import sheet_entries
from loopgis.field.model import Entry, Log

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

SCHEMA = "loopgis-log/1"
CONTRACT = (
    *("entry_id", "layout_id", "bore_id", "rod", "read_at", "depth_m", "pitch_pct", "roll", "offset_m", "x", "y"),
    "remark",
)
"""Columns of a GeoPackage's rod_log."""
OF_BORE = {"rod", "start", "exit", "abandon"}
"""Events that belong to a bore; the others may be of the whole field."""
_LIMIT_STEPS = 100_000
"""Thousands of steps of SQLite's machine; a table of 200 000 rows takes about 10 000."""
_SYSTEMS = {"us": "ft", "ft": "ft", "metric": "m", "m": "m"}
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
    asked = Asked(layout_id=clean(layout_id), unit=_SYSTEMS.get(units, ""), columns=dict(columns or {}))
    one = [paths] if isinstance(paths, (str, Path)) else paths
    return merged([_read(Path(p), asked) for p in one])


def _read(path: Path, asked: Asked) -> Log:
    """The log of one file."""
    name = shown(path.name, 100)
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
        raise InputError(name, f"cannot be read ({shown(error)})", "check the file and its rights") from None
    problems = problems if entries or problems else ["holds no reading"]
    return Log(entries=tuple(entries), problems=tuple(f"file {name}: {p}" for p in problems), source=(path.as_posix(),))


def _text_file(path: Path, name: str, asked: Asked) -> tuple[list[Entry], list[str]]:
    """Entries and problems of a JSON or CSV file."""
    raw = limits.whole(path, name, "log_mb", "give one log, not an archive")
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


# ---- JSON of a page


def _page(text: str, name: str, asked: Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a page's log, also of one that was cut off."""
    problems: list[str] = []
    try:
        head = DECODER.decode(text.strip())
        rows = head.pop("entries", None) if isinstance(head, dict) else None
    except (ValueError, RecursionError):
        head, rows = _cut_off(text, name)
        problems.append(f"was cut off, {len(rows)} entries before that were read; copy it from the tablet again")
    if not isinstance(head, dict) or head.get("schema") != SCHEMA:
        said = shown(head.get("schema"), 30) if isinstance(head, dict) else "none"
        raise InputError(name, f"its schema is {said}, not {SCHEMA}", "give a log that the tablet's page saved")
    if not isinstance(rows, list):
        raise InputError(name, "holds no list of entries", "give a log that the tablet's page saved")
    check_number(len(rows), name)
    base = {"tablet": head.get("tablet", ""), "layout_id": asked.layout_id}
    entries: list[Entry] = []
    strange: set[str] = set()
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            raise InputError(f"{name} entry {number}", "is no object", "give a log that the tablet's page saved")
        strange |= set(row) - set(FIELDS)
        entries.append(entry_of({**base, **row}, f"{name} entry {number}"))
    problems += _unknown(strange)
    return entries, problems + _too_few(head.get("counts"), entries)


def _unknown(names: Iterable[str]) -> list[str]:
    told = sorted(shown(n, 40) for n in names)
    return [f"{', '.join(told[:8])}{' ...' if len(told) > 8 else ''} not known, left aside"] if told else []


def _too_few(counts: object, entries: list[Entry]) -> list[str]:
    """Tablets of which the head of a file says more entries than stand in it."""
    if not isinstance(counts, dict):
        return []
    there = Counter(e.tablet for e in entries)
    return [
        f"says {said} entries of tablet {shown(tablet)} and holds {there[clean(tablet)]}"
        for tablet, said in sorted(counts.items())
        if not isinstance(said, int) or said != there[clean(tablet)]
    ]


def _cut_off(text: str, name: str) -> tuple[dict[str, Any], list[Any]]:
    """Head and whole entries of a JSON text that ends too early; InputError for one that is damaged before its end."""
    head: dict[str, Any] = {}
    at = _skip(text, text.index("{") + 1 if "{" in text else len(text))
    try:
        while text[at : at + 1] == '"':
            key, at = DECODER.raw_decode(text, at)
            at = _skip(text, _skip(text, at, ":"))
            if key == "entries" and text[at : at + 1] == "[":
                return head, _whole_entries(text, at + 1, name)
            head[key], at = DECODER.raw_decode(text, at)
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
            value, at = DECODER.raw_decode(text, at)
        except (ValueError, RecursionError) as error:
            if text[at] == "{" and not _closes(text, at):
                return found
            line = text.count("\n", 0, at) + 1
            what = f"line {line} is damaged ({shown(error)}), {len(found)} entries before it are whole"
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


# ---- tables of text


def _table(text: str, name: str, asked: Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a CSV: a page's own when it has all of its columns, otherwise one kept by hand."""
    first = text.lstrip()[:LIMIT_TEXT].splitlines()[0]
    for sign in ",;\t":
        head = [c.strip() for c in next(csv.reader([first], delimiter=sign), [])]
        if set(FIELDS) <= set(head):
            return _own_csv(lines_of(text, sign, name), text.endswith(("\n", "\r")), name)
    return sheet_entries(text, name, asked)


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
        entries.append(entry_of(row, where))
    return entries, problems


# ---- a GeoPackage's table


def _geopackage(path: Path, name: str, asked: Asked) -> tuple[list[Entry], list[str]]:
    """Entries of the table rod_log. Raises InputError for a file that is being edited, or that has no such table."""
    try:
        with closing(read_only(path)) as db:
            rows = list(_rod_log(db, name))
    except sqlite3.Error as error:
        raise InputError(
            name, f"is no GeoPackage that can be read ({shown(error)})", "copy it from the tablet again"
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
    sql = f"SELECT rowid, {listed} FROM {quoted} ORDER BY rowid LIMIT {int(limits.most('log_rows')) + 1}"  # noqa: S608 - the file's own names
    rows = db.execute(sql).fetchall()
    check_number(len(rows), name)
    for row in rows:
        yield row[0], dict(zip(wanted, row[1:], strict=True))


def _of_row(row: dict[str, Any], where: str, number: int, asked: Asked) -> Entry | None:
    """The entry of a row, None for one in which nothing was read."""
    told = (*CONTRACT[5:], "accuracy_m", "event", "values")
    if all(row.get(c) is None or str(row[c]).strip() == "" for c in told):
        return None
    row = {k: None if isinstance(v, str) and not v.strip() else v for k, v in row.items()}
    if not row.get("hash"):
        kept = {"tablet": row.get("tablet") or "gpkg", "number": row.get("number") or number}
        row |= {**kept, "read_at": _row_time(row.get("read_at"), where)}
    if row.get("rod") is None and row.get("event") in {None, "rod"}:
        raise InputError(where, "tells no rod", "write the number of the rod, 0 for the entry")
    row["layout_id"] = row.get("layout_id") or asked.layout_id
    row["event"] = row.get("event") or ("rod" if row.get("rod") else "start")
    for key in ("entry_id", "layout_id", "bore_id", "remark"):
        row[key] = str(row[key]) if isinstance(row.get(key), (int, float)) else row.get(key)
    if not row["bore_id"] and row["event"] in OF_BORE:
        raise InputError(where, "tells no bore", "write the bore into the row")
    return named(entry_of(row, where))


def _row_time(value: object, where: str) -> str:
    """Time of a row; one without a zone is UTC, as GeoPackage has it."""
    text = str(value or "").strip().replace(" ", "T", 1)
    if not text:
        return ""
    for tried in (text, f"{text}Z"):
        if instant(tried):
            return utc(tried)
    raise InputError(where, f"read_at is {shown(text, 30)!r}", "write UTC like 2026-05-04T14:03:22Z")


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
    return write_text(path, told[:-1] + ',"entries":[\n' + ",\n".join(rows) + "\n]}\n")


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
    return write_text(path, out.getvalue())


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
