"""Survey lists: CSV files that hold bare coordinates instead of a geometry column.

Three ways are known: a header with names of X_NAMES and Y_NAMES gives one point per row; one with a name of WKT_NAMES gives a
geometry per row (the GIS reader itself knows only `WKT`); no header gives one outline per file, its corners in file order. A
folder that holds nothing but such files gives one outline per file.
"""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING, Any

import shapely

from loopgis.core import limits
from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas
    from shapely.geometry.base import BaseGeometry

    from loopgis.site.log import Log

WKT_NAMES = ("wkt", "geom", "geometry", "the_geom")
X_NAMES = ("x", "easting", "east", "e", "lon", "long", "longitude")
Y_NAMES = ("y", "northing", "north", "n", "lat", "latitude")


def is_folder(path: Path) -> bool:
    """True for a folder that holds CSV files and nothing else."""
    if not path.is_dir():
        return False
    files = [p for p in path.iterdir() if not p.name.startswith(".")]
    return bool(files) and all(p.suffix.lower() == ".csv" for p in files)


def table(path: Path, name: str, log: Log) -> geopandas.GeoDataFrame:
    """Table of one survey list, or of a folder of them, without a CRS. Raises InputError naming file and line."""
    import geopandas  # noqa: PLC0415

    files = sorted(path.glob("*.[cC][sS][vV]")) if path.is_dir() else [path]
    rows: list[dict[str, Any]] = []
    corners = []
    for file in files:
        found, count = _rows(file, f"{name}/{file.name}" if path.is_dir() else name)
        rows += found
        corners += [count] if count else []
    if corners:
        what = f"{sum(corners)} lines of coordinates were taken as corners of {len(corners)} outlines"
        log.add_note("csv-outline", name, what)
    return geopandas.GeoDataFrame(rows, geometry="geometry")


def _rows(file: Path, name: str) -> tuple[list[dict[str, Any]], int]:
    """Rows of one file, and the number of corners when it is one outline, else 0."""
    try:
        text = limits.whole(file, name, "table_mb", "cut out the surroundings of the lot first").decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""))
        lines = [row for row in reader if any(cell.strip() for cell in row)]
    except OSError as error:
        raise InputError(name, f"cannot be read ({error.strerror or error})", "check the file and its rights") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(name, f"is no readable CSV ({error})", "save it as UTF-8 text") from None
    if not lines:
        raise InputError(name, "holds no rows", "check the file")
    header = [cell.strip().lower() for cell in lines[0]]
    x = next((header.index(n) for n in X_NAMES if n in header), None)
    y = next((header.index(n) for n in Y_NAMES if n in header), None)
    if x is not None and y is not None:
        return [_point(row, number, header, (x, y), name) for number, row in enumerate(lines[1:], 2)], 0
    wkt = next((header.index(n) for n in WKT_NAMES if n in header), None)
    if wkt is not None:
        return [_drawn(row, number, header, wkt, name) for number, row in enumerate(lines[1:], 2)], 0
    corners = [_pair(row, number, (0, 1), name) for number, row in enumerate(lines, 1)]
    return [{"id": file.stem, "geometry": _outline(corners, name)}], len(corners)


def _point(row: list[str], number: int, header: list[str], at: tuple[int, int], name: str) -> dict[str, Any]:
    place = _pair(row, number, at, name)
    rest = {h: c.strip() or None for i, (h, c) in enumerate(zip(header, row, strict=False)) if i not in at and h}
    return {**rest, "geometry": shapely.Point(place)}


def _drawn(row: list[str], number: int, header: list[str], at: int, name: str) -> dict[str, Any]:
    try:
        shape = shapely.from_wkt(row[at]) if row[at].strip() else None
    except (IndexError, shapely.errors.GEOSException):
        raise InputError(name, f"line {number} holds no WKT geometry", "mend that line") from None
    rest = {h: c.strip() or None for i, (h, c) in enumerate(zip(header, row, strict=False)) if i != at and h}
    return {**rest, "geometry": shape}


def _pair(row: list[str], number: int, at: tuple[int, int], name: str) -> tuple[float, float]:
    try:
        x, y = (float(row[i]) for i in at)
    except (ValueError, IndexError):
        what = f"line {number} holds no pair of coordinates ({','.join(row)[:40]!r})"
        raise InputError(name, what, "give a column WKT, columns x and y, or two numbers a line") from None
    if not (math.isfinite(x) and math.isfinite(y)):
        raise InputError(name, f"line {number} holds a coordinate that is no number", "mend that line")
    return x, y


def _outline(corners: list[tuple[float, float]], name: str) -> BaseGeometry:
    if len(set(corners)) < 3:
        raise InputError(name, f"holds {len(corners)} corners", "an outline needs three; points need a header x,y")
    return shapely.Polygon(corners)
