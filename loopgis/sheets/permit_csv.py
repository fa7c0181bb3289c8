"""The permit office's rows and points as CSV, and the columns that the workbook shares with them.

A length stands in feet and in metres when the sheets are in feet, else in metres alone. What is no length (degrees, a number of
bores) has columns of its own, so that nobody adds up what does not belong together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.atomic import write_text
from loopgis.rules.told import STATUS_WORDS as STATUS
from loopgis.sheets.permit_place import Place, named_points, sheet_unit
from loopgis.sheets.stakeout import cell, csv_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.sheets.permit_book import PermitBook, SetbackRow

DIGITS = {"ft": 3, "m": 4}
"""Decimals of lengths: a third and a tenth of a millimetre."""
COORDINATE_DIGITS = 8
"""Decimals of latitude and longitude, at least: a millimetre."""
MOST = frozenset({"depth", "count"})
"""What is measured here must not be more than what is asked; everything else not less."""


@dataclass(frozen=True)
class Column:
    """A column of a table: head with its unit, width in letters, decimals of its figures (None: text or whole numbers)."""

    head: str
    width: int
    digits: int | None = None


Cell = str | int | float | None


def setback_columns(units: str) -> tuple[Column, ...]:
    """Columns of the rows, in order. units: us or metric."""
    lengths = ["ft", "m"] if units == "us" else ["m"]
    words = ("required", "provided", "margin", "tolerance")
    return (
        *(Column("layout", 8), Column("of", 7), Column("bore", 8), Column("rule", 24), Column("authority", 24)),
        *(Column("thing", 24), Column("thing id", 14), Column("kind", 16), Column("basis", 10), Column("asked", 9)),
        *(Column(f"{word} ({unit})", 11, DIGITS[unit]) for unit in lengths for word in words),
        *(Column(f"{word} (other)", 11, 1) for word in words[:3]),
        *(Column("other unit", 7), Column("outcome", 16), Column("on fail", 10), Column("how located", 34)),
        Column("remark", 34),
        *(Column(f"station ({unit})", 10, 1 if unit == "ft" else 2) for unit in lengths),
        *(
            Column("rule in words", 50),
            Column("citation", 34),
            Column("text of the rule", 24),
            Column("day checked", 12),
        ),
    )


def setback_cells(row: SetbackRow, units: str) -> list[Cell]:
    """One row in the order of `setback_columns`; None is an empty cell."""
    length = row.unit == "m"
    factors = [sheet_unit(units)[1], 1.0] if units == "us" else [1.0]
    figures: list[float | None] = [row.required, row.provided, row.margin]
    other = figures if row.unit not in {"m", ""} else [None] * 3
    judged = [*figures, row.tolerance_m]
    asked = "" if row.basis == "fluid" else "at most" if row.basis in MOST else "at least"
    return [
        *(row.layout_id, "bore" if row.bore_id else "pad" if row.basis == "pad" else "layout", row.bore_id),
        *(row.rule_id, row.authority, row.thing, row.feature_id, row.kind, row.basis, asked),
        *(_times(v, f) if length else None for f in factors for v in judged),
        *(other if other[0] is None else [None if v is None else float(v) for v in other]),
        *("" if length else row.unit, row.outcome, row.on_fail, row.located, row.remark),
        *(_times(row.station_m, f) for f in factors),
        *(row.paraphrase, row.citation, STATUS.get(row.status, row.status)),
        "" if row.checked is None else row.checked.isoformat(),
    ]


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value) * factor


def as_text(columns: Sequence[Column], cells: Sequence[Cell]) -> list[str]:
    """Cells as a CSV has them: figures with their decimals, texts that no spreadsheet takes for a formula."""
    return [
        ""
        if value is None
        else cell(value)
        if isinstance(value, str)
        else f"{value:z.{0 if column.digits is None else column.digits}f}"
        for column, value in zip(columns, cells, strict=True)
    ]


def write_setbacks_csv(book: PermitBook, path: Path) -> Path:
    """Every row of the book: bore (pad, layout) against rule and thing; gives the path."""
    columns = setback_columns(book.units)
    rows = [as_text(columns, setback_cells(row, book.units)) for row in book.rows]
    return write_text(path, csv_text([[c.head for c in columns], *rows]))


def write_lat_lon_csv(book: PermitBook, path: Path) -> Path:
    """Ends and crossings of bores, corners of pad and lot: latitude and longitude on the lot's datum, x and y in its CRS.

    WGS84 has columns of its own when the lot's datum is another one. Raises InputError for a place that is not on earth.
    """
    place, points = Place.of(book), named_points(book)
    xy = np.array([point.xy for point in points], dtype=np.float64).reshape(-1, 2)
    digits = max(COORDINATE_DIGITS, book.as_built_decimals)
    native, lon_lat = place.native(xy), place.lon_lat(xy)
    unit, factor = sheet_unit(book.units)
    lengths = [(unit, factor), ("m", 1.0)] if unit != "m" else [("m", 1.0)]
    told = f"{book.datum}, {place.angle_unit}"
    head = ["name", "what", f"latitude ({told})", f"longitude ({told})"]
    table = [[f"{lat:z.{digits}f}", f"{lon:z.{digits}f}"] for lon, lat in lon_lat]
    if not place.job.on_wgs84:
        head += ["latitude (WGS 84, degree)", "longitude (WGS 84, degree)"]
        table = [
            [*c, f"{lat:z.{digits}f}", f"{lon:z.{digits}f}"]
            for c, (lon, lat) in zip(table, place.wgs84(xy), strict=True)
        ]
    head += [f"x ({place.native_unit})", f"y ({place.native_unit})"]
    head += [f"{word} ({name})" for name, _ in lengths for word in ("station", "depth")]
    rows = [
        [
            *(cell(point.name), cell(point.what), *cells),
            *(f"{v:z.{place.native_digits}f}" for v in own),
            *(
                "" if v is None else f"{v * f:z.{DIGITS[name]}f}"
                for name, f in lengths
                for v in (point.station_m, point.depth_m)
            ),
        ]
        for point, cells, own in zip(points, table, native, strict=True)
    ]
    return write_text(path, csv_text([head, *rows]))
