"""What crew, surveyor and one-call centre take along of a drill book, as files: tables, points, paths, white line, README.

Every file is text in UTF-8 with plain line ends, without a clock, so that the same book gives the same bytes. Lengths of the rod
table are in the units of the sheets (international feet or metres); stake-out points are in job units (see stake_points).
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.core.atomic import write_text
from loopgis.core.cells import FORMULA
from loopgis.core.errors import InputError
from loopgis.core.units import FT_M
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.stake_lines import write_dxf, write_gpx, write_kml
from loopgis.sheets.stake_points import EVERY, Job, plain, stake_points
from loopgis.sheets.white_line import write_white_line, write_white_line_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from loopgis.sheets.drill_book import DrillBook, RodLine

ORDERS = ("PNEZD", "PENZD")
ON_LINE = 0.005
"""An offset that reads 0.00 ft or m is neither left nor right."""
TABLET = "Tablet GPS alone (2-5 m) is not fit for a lot-line exit: tape from two fixed points."
"""From memory."""
FILES: dict[str, str] = {
    "rods.csv": "every rod of every bore, with empty columns to fill in by hand",
    "points_pnezd.csv": "points to stake: name, northing, easting, elevation, code",
    "points_penzd.csv": "the same points: name, easting, northing, elevation, code",
    "paths.gpx": "waypoints and paths for hand-held receivers, WGS84",
    "paths.kml": "paths, points and white line for maps, WGS84",
    "paths.dxf": "paths, points, pad, header and white line for machines and drawings, job units",
    "white_line.geojson": "outline of everything that is dug or drilled, for the ticket, WGS84",
    "white_line.txt": "the same outline as corners to type into a form",
    "README.txt": "this text",
}
"""The files of a stake-out and what each is."""


@dataclass(frozen=True, kw_only=True)
class SurveyRow:
    """One row of a points file, in the units of the file; elevation None when the cell is empty."""

    point: str
    north: float
    east: float
    elevation: float | None
    code: str


def cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe stands before =, +, - and @ (common practice, from memory)."""
    words = plain(text)
    return "'" + words if words[:1] in FORMULA else words


def csv_text(rows: Iterable[Iterable[str]]) -> str:
    """Rows of cells as CSV with plain line ends; texts of others through `cell` first."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def write_rods_csv(book: DrillBook, path: Path) -> Path:
    """One row per rod, in the units of the sheets, x and y in the book's own CRS; the last five columns are for the crew."""
    job = Job.of(book)
    factor, unit = (1 / FT_M, "ft") if book.units == "us" else (1.0, "m")
    axis = job.file_crs.axis_info[0].unit_name
    digits = 9 if job.file_crs.is_geographic else 4
    head = [
        *("layout", "bore", "rod"),
        *(f"drilled ({unit})", f"depth ({unit})", "pitch (%)", "pitch (deg)", "azimuth (deg from true north)"),
        *(
            f"right of painted line ({unit})",
            "side (L/R)",
            f"ground ({unit})",
            f"head ({unit})",
            f"x ({axis})",
            f"y ({axis})",
        ),
        *("latitude (deg)", "longitude (deg)", "next action", "crossing", "locate note"),
        *(f"read depth ({unit})", "read pitch (%)", "clock", f"offset read ({unit})", "remark"),
    ]
    rows = [
        [
            *(cell(page.layout_id), cell(page.bore_id), str(rod.rod)),
            *_measures(rod, factor),
            f"{rod.x:z.{digits}f}",
            f"{rod.y:z.{digits}f}",
            f"{rod.lat:z.8f}",
            f"{rod.lon:z.8f}",
            *(cell(rod.action), cell(rod.crossing), cell(rod.locate)),
            *[""] * 5,
        ]
        for page in book.pages
        for rod in page.rods
    ]
    return write_text(path, csv_text([head, *rows]))


def _measures(rod: RodLine, factor: float) -> list[str]:
    """Lengths and angles of a rod as they stand in the table; factor: sheet units in a metre."""
    side = "on" if abs(rod.offset_m * factor) < ON_LINE else "R" if rod.offset_m > 0 else "L"
    return [
        f"{rod.station_m * factor:z.2f}",
        f"{rod.depth_m * factor:z.2f}",
        f"{rod.pitch_pct:z.1f}",
        f"{math.degrees(math.atan(rod.pitch_pct / 100)):z.2f}",
        f"{round(rod.azimuth_deg, 1) % 360:.1f}",
        f"{rod.offset_m * factor:z.2f}",
        side,
        f"{rod.ground_m * factor:z.2f}",
        f"{rod.z_m * factor:z.2f}",
    ]


def write_points_csv(book: DrillBook, path: Path, order: str = "PNEZD") -> Path:
    """Points to stake for a survey controller, job units to a tenth of a millimetre, one head line.

    order: "PNEZD" or "PENZD". Z is the head's elevation, empty for pad and header, whose heights are not in the book. Raises
    InputError for another order.
    """
    _known(order)
    job = Job.of(book)
    rows = [
        [
            point.name,
            *(f"{v:z.4f}" for v in _ordered(order, point.north, point.east)),
            "" if point.z_m is None else f"{point.z_m / job.unit_m:z.4f}",
            point.code,
        ]
        for point in stake_points(book, job)
    ]
    return write_text(path, csv_text([list(order), *rows]))


def _known(order: str) -> None:
    if order not in ORDERS:
        raise InputError("points", f"order {order!r} is not known", f"use {' or '.join(ORDERS)}")


def _ordered(order: str, north: float, east: float) -> tuple[float, float]:
    """Northing and easting in the order of a file; the same call turns them back."""
    return (north, east) if order == "PNEZD" else (east, north)


def read_points_csv(path: Path, order: str = "PNEZD") -> tuple[SurveyRow, ...]:
    """Rows of a points file, with or without a head line; further columns are left alone.

    Raises InputError when the head line tells another order, a cell is no number, or the file cannot be read.
    """
    _known(order)
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            lines = [(n, [c.strip() for c in cells]) for n, cells in enumerate(csv.reader(handle), 1) if any(cells)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(str(path), f"cannot be read ({error})", "give a points file in UTF-8, P,N,E,Z,D") from None
    if lines and "".join(lines[0][1][:5]).upper() in ORDERS:
        told = "".join(lines[0][1][:5]).upper()
        if told != order:
            raise InputError(str(path), f"its head line says {told}, not {order}", "read it in the order that it tells")
        lines = lines[1:]
    return tuple(_survey_row(cells, order, f"{path} line {n}") for n, cells in lines)


def _survey_row(cells: list[str], order: str, where: str) -> SurveyRow:
    if len(cells) < 4 or not cells[0]:
        raise InputError(where, "has no name and three figures", f"write {','.join(order)}")
    first, second, height = (_number(cell, where) for cell in cells[1:4])
    if first is None or second is None:
        raise InputError(where, "northing or easting is empty", f"write {','.join(order)}")
    north, east = _ordered(order, first, second)
    code = cells[4] if len(cells) > 4 else ""
    return SurveyRow(point=cells[0], north=north, east=east, elevation=height, code=code)


def _number(cell: str, where: str) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(where, f"{cell[:30]!r} is not a number", "write plain figures with a point")
    return value


def write_readme(
    book: DrillBook, path: Path, files: Mapping[str, str] | None = None, first: Sequence[str] = ()
) -> Path:
    """Plain text beside the files: what each is, coordinate system, unit and heights, who has not answered, all cautions.

    files: what else stands there, by name, in the place of FILES; first: lines before all that.
    """
    job = Job.of(book)
    lines = [
        f"Stake-out of {plain(book.site)}, parcel {plain(book.parcel_id)}, layout {plain(book.layout_id)}",
        plain(book.claim),
        "",
        *(
            "EVERY OWNER HAS ANSWERED" if book.gate.open else "DO NOT DRILL YET",
            *(f"- {plain(line)}" for line in book.gate.lines),
        ),
        "",
        *first,
        "Files",
        *(f"- {name}: {what}" for name, what in (files or FILES).items()),
        "",
        *_job_lines(job),
        "",
        "Points",
        f"- Names: bore, then IN (entry), R and the rod (every {EVERY}th), X1 ... (crossings in order), OUT (exit); PAD-n, HDR-n.",
        "- Z of a bore's point is the elevation of the drill head, which lies underground between entry and exit: the cut.",
        "- Pad corners and header ends have no Z: set them on the ground as found. In the DXF they and the white line lie at 0.",
        f"- {TABLET}",
        "",
        "Cautions",
        *(f"- {line}" for line in CAUTIONS),
    ]
    return write_text(path, "\n".join(lines) + "\n")


def _job_lines(job: Job) -> list[str]:
    """Coordinate systems, units and heights in words."""
    own = job.crs == job.file_crs
    code = job.crs.to_authority(min_confidence=100)
    named = f"{job.crs.name} ({':'.join(code)})" if code else job.crs.name
    why = (
        "the one that the lot came in"
        if own
        else f"made for the place, since {job.file_crs.name} is no plane to measure in"
    )
    sheet = "US survey foot" in job.unit
    return [
        "Coordinates",
        f"- Job: {named}, {why}.",
        f"- Job unit: {job.unit} = {job.unit_m:.13g} m, for northing, easting and elevation alike.",
        *(
            ["- The rod table's ft is the international foot, 0.3048 m; it differs by 2 parts in a million."]
            if sheet
            else []
        ),
        f"- x and y in rods.csv: {job.file_crs.name}, {job.file_crs.axis_info[0].unit_name}; x runs east, y north.",
        "- Elevations: as the elevation raster that the site came with, whatever its datum; no geoid was applied.",
        f"- GPX, KML and GeoJSON: WGS84, degrees; heights in metres. {job.to_wgs84_words()}",
        "- Stake from the points files, not from GPX or KML: two datums can differ by a metre or two.",
    ]


def write_stakeout(book: DrillBook, folder: Path) -> list[Path]:
    """All files of a stake-out in a folder, made when it is not there; gives their paths in the order of FILES."""
    folder.mkdir(parents=True, exist_ok=True)
    made = (
        write_rods_csv(book, folder / "rods.csv"),
        write_points_csv(book, folder / "points_pnezd.csv"),
        write_points_csv(book, folder / "points_penzd.csv", "PENZD"),
        write_gpx(book, folder / "paths.gpx"),
        write_kml(book, folder / "paths.kml"),
        write_dxf(book, folder / "paths.dxf"),
        write_white_line(book, folder / "white_line.geojson"),
        write_white_line_text(book, folder / "white_line.txt"),
        write_readme(book, folder / "README.txt"),
    )
    return list(made)
