"""Logs kept by hand in a spreadsheet: head found, columns mapped by their usual names, units from head, cell or caller.

To add a name for a column: NAMES; a unit: UNITS.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.core.units import FT_M
from loopgis.field.log import clean, instant, spans
from loopgis.field.log_parts import LIMIT_NAME, Asked, entry_of, lines_of, named, shown, unguarded, utc

if TYPE_CHECKING:
    from loopgis.field.model import Entry

NAMES: dict[str, str] = {
    **dict.fromkeys(("bore", "borehole", "hole", "bore name"), "bore_id"),
    "layout": "layout_id",
    **dict.fromkeys(("rod", "joint", "pipe", "drill pipe", "drill rod", "stem"), "rod"),
    **dict.fromkeys(("depth", "depth below ground", "depth to beacon", "depth to sonde"), "depth_m"),
    **dict.fromkeys(("pitch", "inclination", "incl", "grade"), "pitch_pct"),
    **dict.fromkeys(("clock", "clock position", "roll", "roll clock", "face", "tool face", "toolface"), "roll"),
    **dict.fromkeys(
        ("offset", "side offset", "lateral offset", "right", "right of line", "right of painted line", "off line"),
        "offset_m",
    ),
    **dict.fromkeys(("left", "left of line", "left of painted line", "offset left", "left offset"), "-offset_m"),
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
_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::00)?")
_SIDE = re.compile(r"(?:(l|left|r|right)\s*(.*?)|(.*?)\s*(l|left|r|right))")


@dataclass(frozen=True, kw_only=True)
class _Column:
    """One column: its place, its head as it stands there, the field it fills, its unit and whether it says that it was read."""

    at: int
    head: str
    field: str
    unit: str = ""
    read: bool = False


def _column(at: int, cell: str, asked: Asked) -> _Column | None:
    """The column of a head; None when it is empty, field "" when it is not known."""
    cell = cell[:LIMIT_NAME]
    written = " ".join(cell.split())
    text = unicodedata.normalize("NFKC", asked.columns.get(cell.strip(), asked.columns.get(written, written))).lower()
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
    return _Column(at=at, head=shown(written, 40), field=field, unit="utc" if utc else unit, read=read)


def sheet_entries(text: str, name: str, asked: Asked) -> tuple[list[Entry], list[str]]:
    """Entries of a spreadsheet that somebody kept by hand: head found, columns mapped, units from head, cell or caller."""
    best: tuple[int, int, str, list[_Column]] = (0, 0, ",", [])
    tables: dict[str, list[tuple[int, list[str]]]] = {}
    broken: list[InputError] = []
    for sign in (s for s in ",;\t" if s in text):
        try:
            tables[sign] = lines_of(text, sign, name)
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
    lines: list[tuple[int, list[str]]], at: int, sign: str, heads: list[_Column], name: str, asked: Asked
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
                return clean(rest.strip() or two)[:LIMIT_NAME]
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
    asked: Asked

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
        return named(entry_of(row, where))

    def _rod(self, text: str, where: str) -> int:
        match = re.fullmatch(r"(?:rod|joint|pipe)?\s*#?\s*(\d{1,6})(?:[.,]0*)?", text[:40].lower(), re.ASCII)
        if not match:
            raise InputError(where, f"rod is {shown(text, 30)!r}", "write the number of the rod, 0 for the entry")
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
            raise InputError(where, f"column {head!r} holds {shown(text, 30)!r}, no figure", "write a plain figure")
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
            remedy = f"write {ways} behind the head, or give --log-units us or metric"
            raise InputError(where, f"column {column.head!r} tells no unit", remedy)
        kind, size = UNITS.get(unit, ("", 0.0))
        if kind not in kinds:
            raise InputError(where, f"column {column.head!r} is in {shown(unit, 20)}", f"write {ways} behind the head")
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
