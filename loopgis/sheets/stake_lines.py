"""Paths of a drill book for maps and machines: GPX and KML in WGS84, DXF in job units.

The DXF is the ASCII of R12 written here, since lines, points and texts of R12 are a page of plain group codes, and a library would
put dates and names into the file that differ from run to run. GDAL cannot be trusted with GPX (it writes metres into `lat`) and
fiona knows no KML, so both are written with the standard library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np

from loopgis.core.atomic import write_text
from loopgis.core.errors import InputError
from loopgis.core.units import length_text
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.stake_points import (
    CROSSINGS,
    HEADER,
    PAD,
    WHITE_LINE,
    Job,
    StakePoint,
    bore_tags,
    open_ring,
    path_xyz,
    plain,
    stake_points,
)
from loopgis.sheets.white_line import checked_ring

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.sheets.drill_book import DrillBook

    Array = NDArray[np.float64]
    Codes = list[tuple[int, str]]

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
TEXT_M = 0.3
"""Height of letters in the DXF."""


def _add(parent: ET.Element, name: str, text: str = "") -> ET.Element:
    """New last child; a text is put on one line first."""
    child = ET.SubElement(parent, name)
    if text:
        child.text = plain(text)
    return child


def _xml(root: ET.Element) -> str:
    ET.indent(root, "")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def write_gpx(book: DrillBook, path: Path) -> Path:
    """GPX 1.1: waypoints of entry, exit, crossings and pad corners, a track per bore; WGS84, heights of the head in metres."""
    job = Job.of(book)
    root = ET.Element("gpx", {"version": "1.1", "creator": "loopgis", "xmlns": GPX})
    about = _add(root, "metadata")
    _add(about, "name", f"{book.site}, parcel {book.parcel_id}, layout {book.layout_id}")
    _add(about, "desc", " ".join(CAUTIONS))
    for point in stake_points(book, job):
        if point.code.startswith("ROD"):
            continue
        mark = ET.SubElement(root, "wpt", _lat_lon(point.lon_deg, point.lat_deg))
        if point.z_m is not None:
            _add(mark, "ele", f"{point.z_m:z.3f}")
        _add(mark, "name", point.name)
        _add(mark, "cmt", point.code)
        _add(mark, "desc", point.about)
    for page in book.pages:
        xyz = path_xyz(page)
        track = _add(root, "trk")
        _add(track, "name", f"{book.layout_id} {page.bore_id}")
        _add(track, "desc", f"{length_text(page.figures.length_m, book.units)} drilled")
        segment = _add(track, "trkseg")
        for (lon, lat), z in zip(job.to_lonlat(xyz[:, :2]), xyz[:, 2], strict=True):
            _add(ET.SubElement(segment, "trkpt", _lat_lon(lon, lat)), "ele", f"{z:z.3f}")
    return write_text(path, _xml(root))


def _lat_lon(lon: float, lat: float) -> dict[str, str]:
    return {"lat": f"{lat:z.9f}", "lon": f"{lon:z.9f}"}


def write_kml(book: DrillBook, path: Path, *, rods: bool = True) -> Path:
    """KML 2.2: a folder per bore with path and points, one of pad and header, the white line; the cautions in the description.

    rods: also a point at every rod that is staked.
    """
    job = Job.of(book)
    root = ET.Element("kml", {"xmlns": KML})
    document = _add(root, "Document")
    _add(document, "name", f"{book.site}, parcel {book.parcel_id}, layout {book.layout_id}")
    _add(document, "description", " ".join((*book.gate.lines, *CAUTIONS)))
    hollow = ET.SubElement(document, "Style", {"id": "outline"})
    _add(_add(hollow, "PolyStyle"), "fill", "0")
    points = [p for p in stake_points(book, job) if rods or not p.code.startswith("ROD")]
    for page, tag in zip(book.pages, bore_tags(book), strict=True):
        folder = _add(document, "Folder")
        _add(folder, "name", f"{book.layout_id} {page.bore_id}")
        xyz = path_xyz(page)
        _kml_line(folder, page.bore_id, np.column_stack([job.to_lonlat(xyz[:, :2]), xyz[:, 2]]))
        _kml_points(folder, (p for p in points if p.group == tag))
    folder = _add(document, "Folder")
    _add(folder, "name", "Pad and header")
    if book.header is not None and len(book.header) > 1:
        _kml_line(folder, "Header", job.to_lonlat(book.header))
    _kml_points(folder, (p for p in points if p.group in {PAD, HEADER}))
    mark = _add(document, "Placemark")
    _add(mark, "name", "White line")
    _add(mark, "styleUrl", "#outline")
    ring = _add(_add(_add(mark, "Polygon"), "outerBoundaryIs"), "LinearRing")
    _add(ring, "coordinates", _coordinates(checked_ring(book)))
    return write_text(path, _xml(root))


def _coordinates(places: Array) -> str:
    """Longitude, latitude, and height where there is one, as KML wants them."""
    return " ".join(f"{p[0]:z.9f},{p[1]:z.9f}" + (f",{p[2]:z.3f}" if len(p) > 2 else "") for p in places.tolist())


def _kml_line(folder: ET.Element, name: str, places: Array) -> None:
    mark = _add(folder, "Placemark")
    _add(mark, "name", name)
    line = _add(mark, "LineString")
    if places.shape[1] > 2:
        _add(line, "altitudeMode", "absolute")
    _add(line, "coordinates", _coordinates(places))


def _kml_points(folder: ET.Element, points: Iterable[StakePoint]) -> None:
    for point in points:
        mark = _add(folder, "Placemark")
        _add(mark, "name", point.name)
        _add(mark, "description", f"{point.code}: {point.about}")
        place = _add(mark, "Point")
        height = [] if point.z_m is None else [point.z_m]
        if height:
            _add(place, "altitudeMode", "absolute")
        _add(place, "coordinates", _coordinates(np.array([[point.lon_deg, point.lat_deg, *height]])))


def write_dxf(book: DrillBook, path: Path) -> Path:
    """DXF R12 in job units: paths as 3-D polylines, points with their names; a layer per bore, PAD, HEADER, WHITE_LINE, CROSSINGS.

    What has no height (pad, header, white line) lies at 0. Raises InputError when a coordinate is not finite.
    """
    job = Job.of(book)
    tags = bore_tags(book)
    codes = dxf_head((*tags, PAD, HEADER, WHITE_LINE, CROSSINGS))
    for page, tag in zip(book.pages, tags, strict=True):
        xyz = path_xyz(page)
        codes += dxf_polyline(tag, np.column_stack([job.to_job(xyz[:, :2]), xyz[:, 2] / job.unit_m]), flags=8)
    codes += dxf_polyline(PAD, at_zero(job.to_job(open_ring(book.pad))), flags=1)
    if book.header is not None and len(book.header) > 1:
        codes += dxf_polyline(HEADER, at_zero(job.to_job(book.header)), flags=0)
    codes += dxf_polyline(WHITE_LINE, at_zero(job.from_lonlat(open_ring(checked_ring(book)))), flags=1)
    for point in stake_points(book, job):
        layer = CROSSINGS if point.code.startswith("XING") else point.group
        place = np.array([point.east, point.north, (point.z_m or 0.0) / job.unit_m])
        codes += dxf_point(layer, place) + dxf_text(layer, place, point.name, TEXT_M / job.unit_m)
    return write_dxf_codes(path, codes)


def write_dxf_codes(path: Path, codes: Codes) -> Path:
    """Write the group codes of a file that `dxf_head` began, with its end; gives the path."""
    whole = [*codes, (0, "ENDSEC"), (0, "EOF")]
    return write_text(path, "".join(f"{code:>3}\n{value}\n" for code, value in whole))


def dxf_head(layers: Sequence[str]) -> Codes:
    """Head of an R12 file: version, one line type, the layers (all in colour 7), and the start of the entities."""
    codes = [
        (0, "SECTION"),
        (2, "HEADER"),
        (9, "$ACADVER"),
        (1, "AC1009"),
        (0, "ENDSEC"),
        (0, "SECTION"),
        (2, "TABLES"),
    ]
    codes += [(0, "TABLE"), (2, "LTYPE"), (70, "1"), (0, "LTYPE"), (2, "CONTINUOUS"), (70, "0"), (3, "Solid line")]
    codes += [(72, "65"), (73, "0"), (40, "0.0"), (0, "ENDTAB"), (0, "TABLE"), (2, "LAYER"), (70, str(len(layers)))]
    for layer in layers:
        codes += [(0, "LAYER"), (2, layer), (70, "0"), (62, "7"), (6, "CONTINUOUS")]
    return [*codes, (0, "ENDTAB"), (0, "ENDSEC"), (0, "SECTION"), (2, "ENTITIES")]


def dxf_point(layer: str, xyz: Array) -> Codes:
    """A POINT, place (3,) in drawing units."""
    return [(0, "POINT"), (8, layer), *_place(xyz)]


def dxf_text(layer: str, xyz: Array, text: str, height: float) -> Codes:
    """A TEXT that begins at a place (3,); height of its letters in drawing units. It must be ASCII on one line."""
    return [(0, "TEXT"), (8, layer), *_place(xyz), (40, f"{height:.3f}"), (1, text)]


def at_zero(xy: Array) -> Array:
    """Points (n, 2) as (n, 3), at height 0."""
    return np.column_stack([xy, np.zeros(len(xy))])


def _place(xyz: Array) -> Codes:
    if not np.isfinite(xyz).all():
        raise InputError("drill book", "a point has no place", "check the coordinate system")
    return [(code, f"{value:z.6f}") for code, value in zip((10, 20, 30), xyz.tolist(), strict=True)]


def dxf_polyline(layer: str, xyz: Array, *, flags: int) -> Codes:
    """POLYLINE with its vertices; flags: 1 closed, 8 in three dimensions (then each vertex carries 32)."""
    codes = [(0, "POLYLINE"), (8, layer), (66, "1"), *_place(np.zeros(3)), (70, str(flags))]
    for vertex in xyz:
        codes += [(0, "VERTEX"), (8, layer), *_place(vertex)]
        codes += [(70, "32")] if flags & 8 else []
    return [*codes, (0, "SEQEND"), (8, layer)]
