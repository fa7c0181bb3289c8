"""The white line: one outline round everything that is dug or drilled, for the ticket of the one-call centre.

It covers the entry pits, the whole paths and the exit pits (CGA best practice 4.19, seen), with the pad and the trench of the
header, each widened by half a width (1.5 to 3 m proposed). Marks in white paint say the same on the ground.
"""

from __future__ import annotations

import itertools
import json
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from loopgis.core.atomic import write_text
from loopgis.core.errors import InputError
from loopgis.core.units import FT_M
from loopgis.sheets.stake_points import on_earth, open_ring, plain

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.sheets.drill_book import Gate

    Array = NDArray[np.float64]

HALF_WIDTH_M, TOLERANCE_M = 3.0, 0.3
MOST_CORNERS = 59
"""More than this nobody types into a form: the outline gets coarser, always outward."""
ROUNDING_M = 0.1
"""Room for corners that are told with 6 decimals of a degree, 0.08 m at most."""
ACRE_M2 = 43560 * FT_M**2
NOTICE = (
    "Every owner of buried lines must answer before anybody digs or drills in this outline. An owner who has not answered counts as"
    " not marked. Private lines are not part of the ticket."
)
BAYS = (1.0, 2.0, 4.0)
"""Widths of bays between bores that may be filled to save corners, in half widths."""
_ARC = 32
"""Straight pieces per quarter of a circle; they stay within 1 mm of the arc at 3 m."""


class Outlined(Protocol):
    """What a white line is told from; a drill book is one. white_line: closed ring, longitude and latitude, WGS84 (n, 2)."""

    @property
    def site(self) -> str:
        """Name of the site."""

    @property
    def parcel_id(self) -> str:
        """The lot's own id."""

    @property
    def layout_id(self) -> str:
        """The layout's own id."""

    @property
    def white_line(self) -> Array:
        """The ring."""

    @property
    def white_line_m2(self) -> float:
        """Its area in square metres."""

    @property
    def gate(self) -> Gate:
        """Who has answered the ticket."""


def white_line_ring(
    shapes_xy: Sequence[Array],
    *,
    to_wgs84: Callable[[Array], Array],
    half_width_m: float = HALF_WIDTH_M,
    tolerance_m: float = TOLERANCE_M,
) -> tuple[Array, float]:
    """One closed outline round shapes: longitude and latitude (n, 2), anticlockwise, first corner last too, and its area in m2.

    shapes_xy: points, lines and closed rings (areas), each (n, 2), in a frame whose metres are ground metres; to_wgs84: takes such
    points to longitude and latitude, WGS84. Everything within half_width_m of a shape is inside. Parts that do not touch are
    joined, nearest first, by a corridor of the same half width along their shortest link. Holes are filled. The outline is widened
    by tolerance_m and then simplified by no more than that, so nothing is lost; it has fewer than 60 corners, got by
    filling bays between bores, going coarser, or taking the hull, whichever makes the least area.

    Raises InputError when there is no shape, a figure is not positive, or the outline crosses 180 degrees of longitude.
    """
    import shapely  # noqa: PLC0415

    if not (half_width_m > 0 and tolerance_m > 0):
        raise InputError("white line", "half width and tolerance must be positive", "give metres, e.g. 3 and 0.3")
    shapes = [_shape(np.asarray(xy, dtype=np.float64)) for xy in shapes_xy if len(xy)]
    if not shapes:
        raise InputError("white line", "there is nothing to draw it round", "lay out bores first")
    kept = _one([shapely.buffer(shape, half_width_m, quad_segs=_ARC) for shape in shapes], half_width_m)
    outline = shapely.geometry.polygon.orient(_outward(kept, half_width_m, tolerance_m))
    ring = on_earth(np.asarray(to_wgs84(shapely.get_coordinates(outline.exterior)), dtype=np.float64))
    ring[-1] = ring[0]
    _not_round_the_back(ring)
    return ring, float(outline.area)


def _shape(xy: Array) -> BaseGeometry:
    import shapely  # noqa: PLC0415

    if len(xy) == 1:
        return shapely.Point(xy[0])
    if len(xy) > 3 and (xy[0] == xy[-1]).all():
        return shapely.make_valid(shapely.Polygon(xy))
    return shapely.LineString(xy)


def _one(parts: list[BaseGeometry], half_width_m: float) -> Polygon:
    """Union of the parts as one polygon without holes; pieces that do not touch get a corridor, the nearest two first."""
    import shapely  # noqa: PLC0415

    whole = shapely.union_all(parts)
    while len(pieces := shapely.get_parts(whole)) > 1:
        links = [shapely.shortest_line(a, b) for a, b in itertools.combinations(pieces, 2)]
        nearest = min(links, key=lambda link: float(link.length))
        whole = shapely.union_all([whole, shapely.buffer(nearest, half_width_m, quad_segs=_ARC)])
    return shapely.Polygon(pieces[0].exterior)


def _outward(kept: Polygon, half_width_m: float, tolerance_m: float) -> Polygon:
    """Simple polygon of few corners that holds `kept` and ROUNDING_M around it.

    Tried: `kept` itself, with its narrow bays filled (three widths), and its hull, each just coarse enough; the smallest is taken.
    """
    import shapely  # noqa: PLC0415

    shapes = [kept, *(_filled(kept, half_width_m * share) for share in BAYS), kept.convex_hull]
    inside = shapely.buffer(kept, ROUNDING_M, quad_segs=_ARC)
    found = [outline for shape in shapes if (outline := _coarse(shape, inside, tolerance_m)) is not None]
    return min(found, key=lambda outline: float(outline.area), default=shapely.box(*inside.bounds))


def _filled(kept: Polygon, reach_m: float) -> Polygon:
    """The polygon with every bay filled that a disc of radius reach_m cannot enter."""
    import shapely  # noqa: PLC0415

    closed = shapely.buffer(shapely.buffer(kept, reach_m, quad_segs=_ARC), -reach_m, quad_segs=_ARC)
    largest = max(shapely.get_parts(shapely.union_all([kept, closed])), key=lambda part: float(part.area))
    return shapely.Polygon(largest.exterior)


def _coarse(shape: Polygon, inside: Polygon, tolerance_m: float) -> Polygon | None:
    """The shape widened by a tolerance and simplified by as much, the least that gives few corners; None when none does."""
    import shapely  # noqa: PLC0415

    by, widest = tolerance_m, float(np.hypot(*np.diff(np.reshape(inside.bounds, (2, 2)), axis=0)[0]))
    while by < widest:
        wide = shapely.buffer(shape, ROUNDING_M + 1.01 * by, quad_segs=_ARC)
        outline = shapely.Polygon(shapely.simplify(wide, by).exterior)
        if len(outline.exterior.coords) - 1 <= MOST_CORNERS and outline.is_valid and outline.contains(inside):
            return outline
        by *= 1.5
    return None


def _not_round_the_back(ring: Array) -> None:
    if np.ptp(ring[:, 0]) > 180:
        raise InputError(
            "white line", "crosses 180 degrees of longitude", "a map file cannot hold that: draw the outline by hand"
        )


def lat_lon_list(ring: Array) -> list[str]:
    """Corners of a ring (n, 2) of longitude and latitude, a line each: number, degrees, degrees-minutes-seconds; latitude first."""
    return [
        f"{n:>3}  {lat:z11.6f}  {lon:z12.6f}   {_sexagesimal(lat, 'NS')}  {_sexagesimal(lon, 'EW')}"
        for n, (lon, lat) in enumerate(open_ring(ring), 1)
    ]


def _sexagesimal(degrees: float, letters: str) -> str:
    r"""Degrees, minutes and seconds to a thousandth (3 cm), never 60 seconds.

    >>> _sexagesimal(-71.99999999, "EW"), _sexagesimal(42.5125, "NS")
    ('72°00\'00.000"W', '42°30\'45.000"N')
    """
    thousandths = round(abs(degrees) * 3_600_000)
    whole, rest = divmod(thousandths, 3_600_000)
    minutes, seconds = divmod(rest, 60_000)
    return f"{whole}\u00b0{minutes:02d}'{seconds / 1000:06.3f}\"{letters[0] if degrees >= 0 else letters[1]}"


def checked_ring(book: Outlined) -> Array:
    """White line of a book, (n, 2), closed and anticlockwise as RFC 7946 wants it.

    Raises InputError when it is no simple outline on earth or crosses 180 degrees of longitude.
    """
    import shapely  # noqa: PLC0415

    corners = open_ring(on_earth(np.asarray(book.white_line, dtype=np.float64)))
    _not_round_the_back(corners)
    area = shapely.Polygon(corners) if len(corners) > 2 else shapely.Polygon()
    if not area.is_valid or area.area == 0:
        raise InputError("white line", "is no simple outline", "lay the site out anew")
    around = corners if area.exterior.is_ccw else corners[::-1]
    return np.vstack([around, around[:1]])


def _box(ring: Array) -> tuple[float, float, float, float]:
    """Middle of the box round a ring (longitude, latitude, degrees), its width west to east and south to north, metres."""
    from pyproj import Geod  # noqa: PLC0415

    (west, south), (east, north) = ring.min(axis=0), ring.max(axis=0)
    lon, lat = (west + east) / 2, (south + north) / 2
    _, _, widths = Geod(ellps="WGS84").inv([west, lon], [lat, south], [east, lon], [lat, north])
    return float(lon), float(lat), float(widths[0]), float(widths[1])


def write_white_line(book: Outlined, path: Path) -> Path:
    """Outline for the ticket as GeoJSON (RFC 7946: WGS84, longitude first, anticlockwise, closed), with what a form asks for."""
    ring = checked_ring(book)
    lon, lat, east_west, north_south = _box(ring)
    properties: dict[str, Any] = {
        "site": plain(book.site),
        "parcel": plain(book.parcel_id),
        "layout": plain(book.layout_id),
        "area_m2": round(book.white_line_m2, 1),
        "area_ft2": round(book.white_line_m2 / FT_M**2),
        "area_acres": round(book.white_line_m2 / ACRE_M2, 4),
        "north_south_m": round(north_south, 1),
        "north_south_ft": round(north_south / FT_M, 1),
        "east_west_m": round(east_west, 1),
        "east_west_ft": round(east_west / FT_M, 1),
        "centre_latitude": round(lat, 6),
        "centre_longitude": round(lon, 6),
        "corners": [line.strip() for line in lat_lon_list(ring)],
        "all_answered": book.gate.open,
        "ticket": [plain(line) for line in book.gate.lines],
        "notice": NOTICE,
    }
    geometry = {"type": "Polygon", "coordinates": [[[round(float(x), 7), round(float(y), 7)] for x, y in ring]]}
    feature = {"type": "Feature", "properties": properties, "geometry": geometry}
    collection = {"type": "FeatureCollection", "features": [feature]}
    return write_text(path, json.dumps(collection, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def write_white_line_text(book: Outlined, path: Path) -> Path:
    """The same as lines to copy into a form: area, box, corners, notice, and who has not answered."""
    ring = checked_ring(book)
    lon, lat, east_west, north_south = _box(ring)
    m2 = book.white_line_m2
    lines = [
        f"White line of {plain(book.site)}, parcel {plain(book.parcel_id)}, layout {plain(book.layout_id)}",
        "Directional boring of ground loops: entry pits, whole paths, exit pits, pad and header.",
        "",
        f"Area        {m2:.1f} m2 = {m2 / FT_M**2:.0f} ft2 = {m2 / ACRE_M2:.3f} acres",
        f"South-north {north_south:.1f} m = {north_south / FT_M:.1f} ft",
        f"West-east   {east_west:.1f} m = {east_west / FT_M:.1f} ft",
        f"Centre      latitude {lat:z.6f}, longitude {lon:z.6f}",
        "",
        "Corners, WGS84, anticlockwise, the last one joins the first",
        "No.     latitude     longitude   latitude and longitude in degrees, minutes, seconds",
        *lat_lon_list(ring),
        "",
        NOTICE,
        *(plain(line) for line in book.gate.lines),
    ]
    return write_text(path, "\n".join(lines) + "\n")
