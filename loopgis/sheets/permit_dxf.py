"""The site plan as a drawing: DXF R12 in job units, one layer per kind of thing, with the bores' heights and the dimensions.

R12 knows letters of ASCII only; others are told by their number, as every reader of the format undoes.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.sheets.permit_place import Place, dimensions
from loopgis.sheets.stake_lines import at_zero, dxf_head, dxf_point, dxf_polyline, dxf_text, write_dxf_codes
from loopgis.sheets.stake_points import open_ring, plain

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.sheets.permit_book import Dimension, PermitBook, SetbackRow
    from loopgis.sheets.stake_lines import Codes

    Array = NDArray[np.float64]

LETTERS_M = 0.6
"""Height of letters: a tenth of an inch on paper at 1 inch = 20 ft."""
LONGEST = 200
"""Letters of a text; R12 ends at 255 (from memory)."""
LOT, NEIGHBOURS, BORES, PADS, HEADERS = "LOT", "NEIGHBOUR_PARCEL", "BORES", "PADS", "HEADERS"
ZONES, DIMENSIONS, LABELS = "ZONES", "DIMENSIONS", "LABELS"
_FIRST = (LOT, NEIGHBOURS, BORES, PADS, HEADERS, ZONES, DIMENSIONS, LABELS)


def layer_name(kind: str) -> str:
    """Layer of a kind of thing: R12 takes capitals, digits, and underscores.

    >>> layer_name("water_well")
    'WATER_WELL'
    """
    return re.sub(r"[^A-Z0-9_]", "_", kind.upper())[:31] or "OTHER"


def ascii_text(text: str) -> str:
    r"""A text as R12 takes it: one line, other letters by number, no signs that begin a code.

    >>> ascii_text("Caf\xe9 50%%, 2^3")
    'Caf\\U+00E9 50% %, 2 3'
    """
    words = plain(text).replace("\\", "/").replace("^", " ").replace("%%", "% %")[:LONGEST]
    return "".join(c if " " <= c <= "~" else f"\\U+{ord(c):04X}" if ord(c) < 0x10000 else "?" for c in words)


def write_plan_dxf(book: PermitBook, path: Path) -> Path:
    """Drawing of a book; gives the path. A bore without heights, and all that is no bore, lies at 0.

    Layers: LOT, NEIGHBOUR_PARCEL, BORES, PADS, HEADERS, ZONES, DIMENSIONS, LABELS, and one per kind of thing.
    """
    draw = _Drawing(book)
    for neighbour in book.lot.neighbours:
        draw.shape(NEIGHBOURS, neighbour)
    draw.shape(LOT, book.lot.polygon)
    for thing in book.things:
        if thing.kind == "neighbour_parcel":
            continue
        draw.shape(layer_name(thing.kind), thing.geometry)
        draw.text(LABELS, shapely.get_coordinates(shapely.point_on_surface(thing.geometry))[0], thing.name)
    for zone in book.zones:
        draw.shape(ZONES, zone.polygon)
    for pad in book.pads:
        draw.shape(PADS, pad)
    for header in book.headers:
        draw.line(HEADERS, header)
    for bore in book.bores:
        draw.line(BORES, bore.xyz[:, :2] if bore.flat else bore.xyz)
        draw.text(LABELS, bore.xyz[0, :2], bore.bore_id)
    for row, line, _ in dimensions(book):
        draw.line(DIMENSIONS, np.array([line.start, line.end]))
        middle = (np.array(line.start) + np.array(line.end)) / 2
        draw.text(DIMENSIONS, middle, dimension_text(row, line, book.units))
    kinds = sorted({layer_name(t.kind) for t in book.things} - set(_FIRST))
    return write_dxf_codes(path, dxf_head((*_FIRST, *kinds)) + draw.codes)


def dimension_text(row: SetbackRow, line: Dimension, units: str) -> str:
    """What stands at a dimension: length, what is asked, by which rule, what came of it."""
    digits = 1 if units == "us" else 2
    asked = length_text(row.required, units, digits)
    return (
        f"{length_text(line.length_m, units, digits)} ({asked} asked: {row.rule_id}), {row.outcome.replace('_', ' ')}"
    )


class _Drawing:
    """Group codes that grow; everything is given in frame metres and drawn in job units."""

    def __init__(self, book: PermitBook) -> None:
        self.place = Place.of(book)
        self.unit_m = self.place.job.unit_m
        self.codes: Codes = []

    def line(self, layer: str, points: Array, *, closed: bool = False) -> None:
        """A line (n, 2), or (n, 3) with heights in metres."""
        xy = self.place.drawn(np.asarray(points[:, :2], dtype=np.float64))
        if points.shape[1] > 2:
            self.codes += dxf_polyline(layer, np.column_stack([xy, points[:, 2] / self.unit_m]), flags=8)
        elif len(xy) > 1:
            self.codes += dxf_polyline(layer, at_zero(xy), flags=int(closed))

    def shape(self, layer: str, shape: BaseGeometry) -> None:
        """Rings of areas, lines, points, whatever they are collected in."""
        for part in shapely.get_parts(shapely.force_2d(shape)):
            if part.is_empty:
                continue
            if part.geom_type == "Polygon":
                for ring in (part.exterior, *part.interiors):
                    self.line(layer, open_ring(shapely.get_coordinates(ring)), closed=True)
            elif part.geom_type in {"LineString", "LinearRing"}:
                self.line(layer, shapely.get_coordinates(part))
            elif part.geom_type == "Point":
                self.codes += dxf_point(layer, at_zero(self.place.drawn(shapely.get_coordinates(part)))[0])
            else:
                self.shape(layer, part)

    def text(self, layer: str, xy: Array, words: str) -> None:
        """A text that begins at a point."""
        at = at_zero(self.place.drawn(np.asarray(xy, dtype=np.float64).reshape(1, 2)))[0]
        if words:
            self.codes += dxf_text(layer, at, ascii_text(words), LETTERS_M / self.unit_m)
