"""The permit office's tables as a workbook: figures that can be sorted and filtered, no formula anywhere.

XlsxWriter writes it. Its zip entries carry one fixed day, the document's day is set here, so the same book gives the same bytes.
An outcome is told in words, with its sign; the fill only helps, and differs in lightness, so that a grey print still shows it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import replaced_file
from loopgis.core.cells import FORMULA
from loopgis.rules.told import STATUS_WORDS as STATUS
from loopgis.sheets.cautions import SHORT_CAUTION
from loopgis.sheets.permit_csv import DIGITS, Column, setback_cells, setback_columns
from loopgis.sheets.permit_place import Place, sheet_unit
from loopgis.sheets.stake_points import plain
from loopgis.sheets.tokens import OUTCOME

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.sheets.permit_book import BorePlan, PermitBook
    from loopgis.sheets.permit_csv import Cell

CREATED = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)
"""Day of the document: a fixed one, so that bytes do not depend on the clock."""
LONGEST = 32000
"""Letters that a cell takes, a little less than the 32767 of the format (ECMA-376 limits as XlsxWriter tells them)."""
FILLS: dict[str, tuple[str, str]] = {
    "fail": ("#7a2600", "#ffffff"),
    "ruling_needed": ("#c79ab5", "#000000"),
    "unverified": ("#c79ab5", "#000000"),
    "consent_needed": ("#c79ab5", "#000000"),
    "pass_thin": ("#f5dca0", "#000000"),
}
"""Fill and letters by outcome; a plain pass has none. Lightness: about 17, 68, 89 and 100 per cent."""
_TOP = {"bold": True, "text_wrap": True, "valign": "top", "bottom": 2, "bg_color": "#e8e8e8"}
_WRAPPED = 30
"""Columns as wide as this wrap their text."""
SPARE = 6
"""Decimals that a figure keeps beyond those that are shown, so that 10 ft do not read 9.999999999999998 in the line above."""
PAPER = {"us": 1, "metric": 9}
"""Letter and A4, by their numbers in the format."""


@dataclass(frozen=True)
class _Sheet:
    """One sheet: its name, columns, rows, and how many columns on the left stay when scrolling."""

    name: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    held: int = 0


@dataclass
class _Pen:
    """The workbook with the formats that were asked for, each made once and in the order of asking."""

    book: Any
    made: dict[tuple[tuple[str, Any], ...], Any] = field(default_factory=dict)

    def format(self, **looks: Any) -> Any:
        key = tuple(sorted(looks.items()))
        if key not in self.made:
            self.made[key] = self.book.add_format(looks)
        return self.made[key]


def write_setbacks_xlsx(book: PermitBook, path: Path) -> Path:
    """Workbook of a book: setbacks, all rows, bores, rules checked, sources and what is missing, cautions; gives the path."""
    import xlsxwriter  # noqa: PLC0415

    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
    }
    title = plain(f"{book.site}, parcel {book.parcel_id}, layout {book.layout_id}")
    with replaced_file(path) as temp, xlsxwriter.Workbook(str(temp), options) as work:
        work.set_properties({"title": title, "comments": SHORT_CAUTION, "created": CREATED})
        pen = _Pen(work)
        for sheet in _sheets(book):
            _write(pen, sheet, title, PAPER.get(book.units, 9))
    return path


def _sheets(book: PermitBook) -> list[_Sheet]:
    columns = setback_columns(book.units)
    held = [c.head for c in columns].index("thing") + 1
    return [
        _Sheet("Setbacks", columns, [setback_cells(r, book.units) for r in book.table], held),
        _Sheet("All rows", columns, [setback_cells(r, book.units) for r in book.rows], held),
        _bores(book),
        _rules(book),
        _sources(book),
        _Sheet("Cautions", (Column("claim and cautions", 120),), [[book.claim], *([line] for line in book.cautions)]),
    ]


def _bores(book: PermitBook) -> _Sheet:
    """The schedule: lengths in the units of the sheets, coordinates on the lot's datum and in its CRS."""
    place, (unit, _) = Place.of(book), sheet_unit(book.units)
    digits = DIGITS[unit]
    angle = f"{book.datum}, {place.angle_unit}"
    lengths = ("length", "plan length", "greatest depth", "least cover")
    columns = (
        *(Column("bore", 8), Column("source", 10), Column("outcome", 16)),
        *(Column(f"{name} ({unit})", 11, digits) for name in lengths),
        Column(f"hole ({'in' if unit == 'ft' else 'mm'})", 8, 1),
        *(Column("entry pitch (%)", 8, 1), Column("exit pitch (%)", 8, 1), Column("crossings", 9)),
        *(Column(f"{end} {axis} ({angle})", 14, 8) for end in ("entry", "exit") for axis in ("latitude", "longitude")),
        *(
            Column(f"{end} {axis} ({place.native_unit})", 15, place.native_digits)
            for end in ("entry", "exit")
            for axis in ("x", "y")
        ),
        *(Column("nearest rule", 24), Column("nearest thing", 24)),
        *(Column(f"{name} ({unit})", 11, digits) for name in ("required", "provided", "margin")),
    )
    return _Sheet("Bores", columns, [_bore(bore, book.units) for bore in book.bores], 1)


def _bore(bore: BorePlan, units: str) -> list[Cell]:
    factor, near = sheet_unit(units)[1], bore.governing
    figures = (bore.length_m, bore.plan_length_m, bore.max_depth_m, bore.min_cover_m)
    last = (near.required, near.provided, near.margin) if near is not None else (None, None, None)
    return [
        *(bore.bore_id, bore.source, bore.outcome),
        *(None if v is None else v * factor for v in figures),
        bore.hole_diameter_m * (1 / 0.0254 if units == "us" else 1000),
        *(bore.entry_pitch_pct, bore.exit_pitch_pct, len(bore.crossings)),
        *(*bore.entry_lat_lon, *bore.exit_lat_lon, *bore.entry_native, *bore.exit_native),
        *("" if near is None else near.rule_id, "" if near is None else near.thing),
        *(None if v is None else v * factor for v in last),
    ]


def _rules(book: PermitBook) -> _Sheet:
    columns = (
        *(Column("rule", 26), Column("state", 15), Column("why", 44), Column("rule in words", 60)),
        *(
            Column("rows by outcome", 30),
            Column("citation", 40),
            Column("text of the rule", 30),
            Column("day checked", 12),
        ),
    )
    rows: list[list[Cell]] = [
        [
            *(line.key, line.state, line.why, line.sentence, outcomes_text(line.outcomes)),
            *(line.citation, STATUS.get(line.status, line.status)),
            "" if line.checked is None else line.checked.isoformat(),
        ]
        for line in book.rules
    ]
    return _Sheet("Rules checked", columns, rows, 1)


def outcomes_text(outcomes: dict[str, int]) -> str:
    """Numbers of rows by outcome, worst first.

    >>> outcomes_text({"pass": 3, "fail": 1, "pass_thin": 2})
    '1 fail, 2 pass thin, 3 pass'
    """
    order = sorted(outcomes, key=lambda name: OUTCOME[name].rank)
    return ", ".join(f"{outcomes[name]} {name.replace('_', ' ')}" for name in order)


def _sources(book: PermitBook) -> _Sheet:
    """Layers and input files, rule files, what is missing, what the audit found: one table, told apart by its first column."""
    columns = (
        *(Column("group", 12), Column("name", 36), Column("what", 80), Column("rows", 8), Column("day", 12)),
        Column("quality", 30),
    )
    rows: list[list[Cell]] = [["file", book.file_name, f"SHA-256 {book.file_sha256}", None, "", ""]]
    rows += [["source", s.layer, s.what, s.rows or None, s.changed, s.quality] for s in book.sources]
    rows += [
        [
            *("rules", f.file_id, "; ".join(t for t in (f.name, f.level, f.caution) if t), None),
            *("" if f.checked is None else f.checked.isoformat(), f.status),
        ]
        for f in book.files
    ]
    rows += [["missing", "", line, None, "", ""] for line in book.missing]
    rows += [[f.severity, f.code, f.line(), None, "", ""] for f in book.findings]
    return _Sheet("Sources and missing", columns, rows)


def _write(pen: _Pen, sheet: _Sheet, title: str, paper: int) -> None:
    """One sheet with a frozen head row, filters, widths, and head and foot for paper."""
    page = pen.book.add_worksheet(sheet.name)
    top = pen.format(**_TOP)
    for n, column in enumerate(sheet.columns):
        page.set_column(n, n, column.width)
        page.write_string(0, n, plain(column.head), top)
    for m, row in enumerate(sheet.rows, 1):
        for n, (column, value) in enumerate(zip(sheet.columns, row, strict=True)):
            _cell(pen, page, (m, n), column, value)
    page.freeze_panes(1, sheet.held)
    page.autofilter(0, 0, max(len(sheet.rows), 1), len(sheet.columns) - 1)
    page.set_landscape()
    page.set_paper(paper)
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.set_header(f"&L {_escaped(title)[:180]}&R {sheet.name}")
    page.set_footer(f"&L&7 {SHORT_CAUTION}&R&P/&N")


def _escaped(text: str) -> str:
    """A text in head or foot, where & begins a command."""
    return text.replace("&", "&&")


def _cell(pen: _Pen, page: Any, at: tuple[int, int], column: Column, value: Cell) -> None:
    if value is None or value == "" or (isinstance(value, float) and not math.isfinite(value)):
        return
    if not isinstance(value, str):
        decimals = column.digits or 0
        form = pen.format(num_format="0" + ("." + "0" * decimals if decimals else ""), valign="top")
        page.write_number(*at, round(value, decimals + SPARE), form)
        return
    looks: dict[str, Any] = {"valign": "top"}
    words = plain(value)[:LONGEST]
    if column.head == "outcome":
        back, front = FILLS.get(value, ("", ""))
        words = f"{OUTCOME[value].sign} {value.replace('_', ' ')}" if value in OUTCOME else words
        looks |= {"bg_color": back, "font_color": front, "bold": value == "fail"} if back else {}
    if column.width >= _WRAPPED:
        looks["text_wrap"] = True
    if words[:1] in FORMULA:
        looks["quote_prefix"] = True
    page.write_string(*at, words, pen.format(**looks))
