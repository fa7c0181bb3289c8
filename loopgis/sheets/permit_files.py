"""What lies beside the permit office's plan set: tables, coordinates, layers, a drawing, the outline for the locate ticket, README.

All texts are UTF-8 with plain line ends and without a clock, so that the same book gives the same bytes. The caller gives a fresh
folder (`atomic.replaced_folder`) when all files or none are to appear.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.atomic import write_text
from loopgis.sheets.drill_book import Gate
from loopgis.sheets.permit_csv import write_lat_lon_csv, write_setbacks_csv
from loopgis.sheets.permit_dxf import write_plan_dxf
from loopgis.sheets.permit_gpkg import rule_names, write_setbacks_gpkg
from loopgis.sheets.permit_place import Place, sheet_unit
from loopgis.sheets.permit_xlsx import write_setbacks_xlsx
from loopgis.sheets.stake_points import plain
from loopgis.sheets.white_line import HALF_WIDTH_M, white_line_ring, write_white_line, write_white_line_text

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.sheets.permit_book import BorePlan, PermitBook

    Array = NDArray[np.float64]

FILES: dict[str, str] = {
    "setbacks.csv": "every bore, pad and job against every rule and thing",
    "setbacks.xlsx": "the setback table, all rows, bores, rules checked, sources and what is missing, cautions, as a workbook",
    "lat_lon.csv": "ends and crossings of every bore, corners of pad and lot: latitude, longitude, x, y",
    "setbacks.gpkg": "lot, things, zones, bores, crossings, dimensions and rows for a desktop GIS (GeoPackage 1.2)",
    "plan.dxf": "the site plan as a drawing, a layer per kind of thing, job units (DXF R12)",
    "one_call.geojson": "one outline of everything that is dug or drilled, for the locate ticket, WGS84",
    "one_call.txt": "the same outline as corners to type into a form",
    "README.txt": "this text",
}
"""The files and what each is."""
PIT_M = 1.5
"""Half of a pit's width at entry and exit; common practice, no source."""
DEPTH_SHARE, LATE_MOST_M = 0.05, 5.0
"""A walkover locate's depth is good to 5 % (from memory, as in house.toml); an exit that comes late by more is not steered for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Outline:
    """What the locate ticket needs of a book. half_width_m: how far everything was widened."""

    site: str
    parcel_id: str
    layout_id: str
    white_line: Array
    white_line_m2: float
    gate: Gate
    half_width_m: float


def half_width_m(book: PermitBook) -> float:
    """How far the ticket's outline reaches beside axis, pad and header: hole or pit and the bore's own doubt, 3 m at least.

    The doubt is the tolerance of the rows on the lot line, which has none of its own (the tolerance of the bore in plan).
    """
    doubt = max((r.tolerance_m for r in book.rows if r.kind == "property_line" and r.basis == "plan"), default=0.0)
    hole = max((bore.hole_diameter_m / 2 for bore in book.bores), default=0.0)
    return max(HALF_WIDTH_M, doubt + max(hole, PIT_M))


def outline(book: PermitBook) -> Outline:
    """One closed outline round bores, pits, pads and headers.

    Every bore is carried on at its exit as far as a depth error could make it come up late. Raises InputError when it crosses 180
    degrees of longitude or there is no place on earth.
    """
    place, half = Place.of(book), half_width_m(book)
    shapes = [_carried_on(bore) for bore in book.bores]
    shapes += [shapely.get_coordinates(part.exterior) for pad in book.pads for part in shapely.get_parts(pad)]
    shapes += [np.asarray(header)[:, :2] for header in book.headers]
    ring, area_m2 = white_line_ring(shapes, to_wgs84=place.wgs84, half_width_m=half)
    ticket = f"Ticket {plain(book.title.ticket)}. " if book.title.ticket else ""
    gate = Gate(
        open=False, lines=(f"{ticket}The owners' answers are not in this file: get every one before anybody digs.",)
    )
    return Outline(
        site=book.site,
        parcel_id=book.parcel_id,
        layout_id=book.layout_id,
        white_line=ring,
        white_line_m2=area_m2,
        gate=gate,
        half_width_m=half,
    )


def _carried_on(bore: BorePlan) -> Array:
    """Axis in plan, prolonged at the exit, in the exit's direction: 5 % of the greatest depth over the exit's slope, at most 5 m.

    5 m where depth or slope is not known. The same formula as the reach of a rule (DEVELOPERS.md, "What a rule means").
    """
    xy = np.asarray(bore.xyz[:, :2], dtype=np.float64)
    late = LATE_MOST_M
    if bore.max_depth_m is not None and bore.exit_pitch_pct is not None and bore.exit_pitch_pct > 0:
        late = min(LATE_MOST_M, DEPTH_SHARE * bore.max_depth_m / (bore.exit_pitch_pct / 100))
    way = xy[-1] - xy[-2]
    long = float(np.hypot(*way))
    return np.vstack([xy, xy[-1] + way * (late / long)]) if long > 0 else xy


def write_files(
    book: PermitBook, folder: Path, *, source: Path | None = None, elevation: Path | None = None
) -> list[Path]:
    """All files of a book in a folder, made when it is not there; gives their paths in the order of FILES.

    source: the GeoPackage that the book was made from, whose ground and limits go into setbacks.gpkg; elevation: the raster that
    was used instead of its own. Raises InputError when a place is not on earth, the source changed, or a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    ticket = outline(book)
    made = [
        write_setbacks_csv(book, folder / "setbacks.csv"),
        write_setbacks_xlsx(book, folder / "setbacks.xlsx"),
        write_lat_lon_csv(book, folder / "lat_lon.csv"),
        write_setbacks_gpkg(book, folder / "setbacks.gpkg", source=source, elevation=elevation),
        write_plan_dxf(book, folder / "plan.dxf"),
        write_white_line(ticket, folder / "one_call.geojson"),
        write_white_line_text(ticket, folder / "one_call.txt"),
    ]
    return [*made, write_readme(book, folder / "README.txt", ground=_has_ground(folder / "setbacks.gpkg"))]


def _has_ground(path: Path) -> bool:
    """True when a GeoPackage of ours tells the ground's heights, as a raster or as flat."""
    with closing(sqlite3.connect(path)) as db:
        raster = db.execute("SELECT 1 FROM gpkg_contents WHERE table_name = 'terrain'").fetchone()
        flat = db.execute('SELECT 1 FROM gpkg_metadata WHERE metadata LIKE \'%"terrain": "flat"%\'').fetchone()
    return raster is not None or flat is not None


def write_readme(book: PermitBook, path: Path, *, ground: bool) -> Path:
    """Plain text beside the files: claim, files, systems and units, what is not in them, all cautions.

    ground: setbacks.gpkg holds the ground's heights.
    """
    lines = [
        f"Files for the permit office: {plain(book.site)}, parcel {plain(book.parcel_id)}, layout {plain(book.layout_id)}",
        f"Made from {plain(book.file_name)}, SHA-256 {book.file_sha256}",
        plain(book.claim),
        "",
        "Files",
        *(f"- {name}: {what}" for name, what in FILES.items()),
        "",
        *_systems(book),
        "",
        *_figures(book, ground=ground),
        "",
        "Missing",
        *(f"- {plain(line)}" for line in (book.missing or ("nothing that the rules ask for",))),
        "",
        "Cautions",
        *(f"- {plain(line)}" for line in book.cautions),
    ]
    return write_text(path, "\n".join(lines) + "\n")


def _systems(book: PermitBook) -> list[str]:
    """Coordinate systems, datums and units in words."""
    place = Place.of(book)
    job = place.job
    same = job.crs == job.file_crs
    why = "that of the lot" if same else f"made for the place, since {job.file_crs.name} is no plane to measure in"
    shift = (
        ["- The lot's datum is WGS84 itself."]
        if job.on_wgs84
        else [
            f"- The lot's datum is {book.datum}, NOT WGS84: lat_lon.csv tells latitude and longitude on both.",
            f"- {job.to_wgs84_words()} One_call files are WGS84.",
        ]
    )
    return [
        "Coordinates",
        f"- Lot: {book.crs_name}; x runs east, y north, in {place.native_unit}. Used in setbacks.gpkg, lat_lon.csv, setbacks.xlsx.",
        f"- plan.dxf: {job.crs.name}, {why}; unit {job.unit} = {job.unit_m:.13g} m, for heights too.",
        *shift,
        "- Heights: metres in setbacks.gpkg, job units in plan.dxf.",
        f"- Height datum: {plain(book.height_datum)}.",
        f"- Ground: {plain(book.ground)}.",
        "- Corners of the lot come from the parcel layer; no surveyor set them.",
    ]


def _figures(book: PermitBook, *, ground: bool) -> list[str]:
    """What must be known to read the figures."""
    unit, _ = sheet_unit(book.units)
    foot = [" ft is the international foot, 0.3048 m."] if unit == "ft" else []
    written = {t.feature_id for t in book.things}
    far = sum(bool(r.feature_id) and r.kind != "property_line" and r.feature_id not in written for r in book.rows)
    flat = [bore.bore_id for bore in book.bores if bore.flat]
    own = [name for name in rule_names(book) if name.endswith(".toml")]
    return [
        "Figures",
        f"- Lengths in {unit} as on the sheets{' and in m' if unit == 'ft' else ''}.{''.join(foot)}",
        "- required, provided, margin (other): degrees or numbers of bores, in `other unit`.",
        "- Zones are the distances of the rules, without tolerances.",
        f"- The locate ticket's outline reaches {half_width_m(book):.2f} m beside bores, pits, pad, header, and past every exit.",
        *(
            [f"- No heights along {', '.join(flat)}: drawn at 0 in plan.dxf, as plain lines in setbacks.gpkg."]
            if flat
            else []
        ),
        *(
            []
            if ground
            else [
                "- setbacks.gpkg does not hold the ground's heights: a new check of that file alone leaves every depth unverified."
            ]
        ),
        *(
            [f"- {far} rows are about things too far from the lot to be in setbacks.gpkg; they stand in setbacks.csv."]
            if far
            else []
        ),
        *([f"- To check setbacks.gpkg anew, put {', '.join(own)} beside it."] if own else []),
    ]
