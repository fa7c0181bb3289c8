"""Where the stakes of a drill book stand: its points with short names, in the units a survey controller is set to, and in WGS84.

A job is staked in the coordinate system that the lot came in, when that one is a plane whose feet or metres can be measured on the
ground. Else (degrees, axes that do not run east and north, a web map's stretched metres) in the UTM zone of the place, on the lot's
own datum, so that no datum shift slips in.
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import InputError
from loopgis.core.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS, Transformer

    from loopgis.sheets.drill_book import DrillBook, DrillPage

    Array = NDArray[np.float64]

EVERY = 5
"""Rods between two stakes along a bore."""
LONGEST_NAME = 16
"""Letters of a point name that every controller takes (facts: from memory)."""
LONGEST_CODE = 32
STRETCH = 0.005
"""A plane whose metres are longer or shorter than this share is no place to measure in; state and UTM planes stay within 0.001."""
APART_DEG = 2e-6
"""How far a point's longitude and latitude may lie from where its x and y are: 0.2 m."""
PAD, HEADER, WHITE_LINE, CROSSINGS = "PAD", "HEADER", "WHITE_LINE", "CROSSINGS"
"""Groups, and layers of the DXF, besides those of the bores."""
_TAG = 8


@dataclass(frozen=True, kw_only=True)
class StakePoint:
    """A point to stake, in job units and in WGS84.

    name: up to 16 letters without spaces; east, north: job units; z_m: elevation of the head, metres, None where no height was
    computed; code: short, in words; lon_deg, lat_deg: WGS84; group: bore that it belongs to, or "PAD" or "HEADER"; about: a line
    for people.
    """

    name: str
    east: float
    north: float
    z_m: float | None
    code: str
    lon_deg: float
    lat_deg: float
    group: str
    about: str


@dataclass(frozen=True)
class Job:
    """Coordinate system that a book is staked in. file_crs: of the book's x and y; crs: of the stakes."""

    file_crs: CRS
    crs: CRS

    @staticmethod
    def of(book: DrillBook) -> Job:
        """The job of a book. Raises InputError when the book's CRS is no place on earth or its points are told in another one."""
        crs = _read(book.crs_wkt)
        job = Job(crs, crs)
        rods = [rod for page in book.pages for rod in page.rods]
        if not rods:
            raise InputError("drill book", "has no rods", "lay the site out anew")
        told = np.array([[rod.lon, rod.lat] for rod in rods])
        found = job.to_lonlat(np.array([[rod.x, rod.y] for rod in rods]))
        if not (np.abs(found - told) < APART_DEG).all():
            raise InputError(
                "drill book",
                "longitude and latitude of a rod are not where its x and y lie",
                "check the coordinate system and the order of its axes",
            )
        return Job.at(book.crs_wkt, (rods[0].x, rods[0].y))

    @staticmethod
    def at(crs_wkt: str, xy: tuple[float, float]) -> Job:
        """The job of a place, x and y in the CRS. Raises InputError when that is no place on earth."""
        crs = _read(crs_wkt)
        job = Job(crs, crs)
        lon, lat = job.to_lonlat(np.array([xy]))[0]
        return job if _measurable(crs, lon, lat) else Job(crs, _utm(crs, lon, lat))

    @property
    def unit(self) -> str:
        """Name of the job's unit, e.g. "US survey foot"."""
        return str(self.crs.axis_info[0].unit_name)

    @property
    def unit_m(self) -> float:
        """Metres in one unit of the job."""
        return float(self.crs.axis_info[0].unit_conversion_factor)

    @cached_property
    def _to_wgs84(self) -> Transformer:
        from pyproj import Transformer  # noqa: PLC0415

        return Transformer.from_crs(self.file_crs, "EPSG:4326", always_xy=True)

    @cached_property
    def _to_job(self) -> Transformer:
        from pyproj import Transformer  # noqa: PLC0415

        return Transformer.from_crs(self.file_crs, self.crs, always_xy=True)

    @cached_property
    def _from_wgs84(self) -> Transformer:
        from pyproj import Transformer  # noqa: PLC0415

        return Transformer.from_crs("EPSG:4326", self.crs, always_xy=True)

    def to_lonlat(self, xy: Array) -> Array:
        """Coordinates of the book (n, 2) as longitude and latitude in WGS84. Raises InputError where that is no place on earth."""
        return on_earth(np.column_stack(self._to_wgs84.transform(xy[:, 0], xy[:, 1])))

    def to_job(self, xy: Array) -> Array:
        """Coordinates of the book (n, 2) as easting and northing in job units; unchanged where the job is in the book's own CRS."""
        if self.crs == self.file_crs:
            return xy
        return np.column_stack(self._to_job.transform(xy[:, 0], xy[:, 1]))

    def from_lonlat(self, lonlat: Array) -> Array:
        """Longitude and latitude in WGS84 (n, 2) as easting and northing in job units."""
        return np.column_stack(self._from_wgs84.transform(lonlat[:, 0], lonlat[:, 1]))

    @property
    def on_wgs84(self) -> bool:
        """True when the file's own datum is WGS84."""
        base = self.file_crs.geodetic_crs
        return base is not None and bool(base.to_2d().equals("EPSG:4326", ignore_axis_order=True))

    def to_wgs84_words(self) -> str:
        """How sure the step from the lot's datum to WGS84 is, one line for the README."""
        from pyproj.transformer import TransformerGroup  # noqa: PLC0415

        with warnings.catch_warnings():  # that a better step exists is told in the line itself
            warnings.simplefilter("ignore", UserWarning)
            group = TransformerGroup(self.file_crs, "EPSG:4326", always_xy=True)
        accuracy = group.transformers[0].accuracy if group.transformers else -1.0
        if self.on_wgs84:
            return "The lot's datum is WGS84 itself."
        known = f"good to {accuracy:g} m" if accuracy > 0 else "of unknown accuracy"
        best = "" if group.best_available else " (a better one needs grids that are not installed)"
        return f"The step from the lot's datum to WGS84 is {known}{best}."


def _read(wkt: str) -> CRS:
    """A CRS without its height axis. Raises InputError when it cannot be read or is no place on earth."""
    from pyproj import CRS  # noqa: PLC0415
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    try:
        crs = CRS.from_wkt(wkt)
    except CRSError:
        raise InputError("drill book", "its coordinate system cannot be read", "lay the site out anew") from None
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.geodetic_crs is None:
        raise InputError("drill book", f"{crs.name} is no place on earth", "give the parcel in a real-world CRS")
    return crs


def on_earth(lonlat: Array) -> Array:
    """The same longitudes and latitudes (n, 2), degrees. Raises InputError when one is not finite or out of range."""
    if not (np.isfinite(lonlat).all() and (np.abs(lonlat[:, 0]) <= 180).all() and (np.abs(lonlat[:, 1]) <= 90).all()):
        raise InputError(
            "drill book",
            "a point has no longitude and latitude",
            "check the coordinate system and the order of its axes",
        )
    return lonlat


def _measurable(crs: CRS, lon: float, lat: float) -> bool:
    """True when x runs east, y north, both in one unit of length that is about true at the place."""
    from pyproj import Proj  # noqa: PLC0415

    if not crs.is_projected or {axis.direction for axis in crs.axis_info[:2]} != {"east", "north"}:
        return False
    factors = Proj(crs).get_factors(lon, lat)
    return max(abs(factors.meridional_scale - 1), abs(factors.parallel_scale - 1)) < STRETCH


def _utm(crs: CRS, lon: float, lat: float) -> CRS:
    """The UTM zone of a place on the datum of a CRS, WGS84 where that one does not count from Greenwich in degrees.

    Raises InputError beyond 80 degrees south and 84 degrees north, where there are no zones (EPSG guidance note 7-2, from memory).
    """
    from pyproj.crs import CRS as AnyCRS  # noqa: PLC0415, N811 - the name is taken by the type above
    from pyproj.crs import ProjectedCRS  # noqa: PLC0415
    from pyproj.crs.coordinate_operation import UTMConversion  # noqa: PLC0415

    if not -80 <= lat <= 84:
        raise InputError("drill book", f"latitude {lat:.2f} has no UTM zone", "give the parcel in a plane CRS")
    base = crs.geodetic_crs
    plain = base is not None and base.prime_meridian is not None and base.prime_meridian.longitude == 0
    if base is None or not plain or any(axis.unit_name != "degree" for axis in base.axis_info[:2]):
        base = AnyCRS.from_epsg(4326)
    zone, half = min(math.floor((lon + 180) / 6) + 1, 60), "N" if lat >= 0 else "S"
    made = ProjectedCRS(
        UTMConversion(str(zone), half), name=f"{base.name} / UTM zone {zone}{half}", geodetic_crs=base.to_2d()
    )
    return AnyCRS.from_wkt(made.to_wkt())


def bore_tags(book: DrillBook) -> tuple[str, ...]:
    """Short name of each bore, e.g. "B01" for "B-01"; numbered in order when those would not be different."""
    tags = [re.sub(r"[^A-Z0-9]", "", page.bore_id.upper()) for page in book.pages]
    if len({*tags, PAD, HEADER}) == len(tags) + 2 and all(0 < len(tag) <= _TAG for tag in tags):
        return tuple(tags)
    return tuple(f"B{n:02d}" for n in range(1, len(tags) + 1))


def path_xyz(page: DrillPage) -> Array:
    """Path of a bore, (n, 3): x and y of the book, z in metres."""
    return np.column_stack([page.along.x, page.along.y, page.along.z_m])


def open_ring(ring: Array) -> Array:
    """Corners of a ring (n, 2), the first one once."""
    return ring[:-1] if len(ring) > 1 and (ring[0] == ring[-1]).all() else ring


def stake_points(book: DrillBook, job: Job) -> tuple[StakePoint, ...]:
    """All points to stake.

    Of each bore its entry, every fifth rod, crossings and exit; then the corners of the pad and the ends of the header. The height
    is that of the head. Raises InputError when two names would be the same or too long.
    """
    found = [
        point
        for page, tag in zip(book.pages, bore_tags(book), strict=True)
        for point in _bore_points(page, tag, job, book.units)
    ]
    corners = open_ring(book.pad)
    marks = [(f"PAD-{n}", f"PAD {n}", PAD, f"Pad corner {n}") for n in range(1, len(corners) + 1)]
    xy = [corners]
    if book.header is not None and len(book.header):
        ends = book.header[[0, -1]] if len(book.header) > 1 else book.header
        marks += [(f"HDR-{n}", f"HDR {n}", HEADER, f"Header end {n}") for n in range(1, len(ends) + 1)]
        xy.append(ends)
    found += _placed(np.vstack(xy), [None] * len(marks), marks, job)
    names = [point.name for point in found]
    if len(set(names)) < len(names) or max(map(len, names)) > LONGEST_NAME:
        raise InputError("drill book", "points cannot be named", "give the bores short names that differ")
    return tuple(found)


def _bore_points(page: DrillPage, tag: str, job: Job, units: str) -> list[StakePoint]:
    """Points of one bore in the order in which the head comes by."""
    rods, along, last = page.rods, page.along, len(page.rods) - 1
    marks: list[tuple[float, tuple[float, float, float], tuple[str, str, str, str]]] = []
    for n, rod in enumerate(rods):
        if n not in (0, last) and rod.rod % EVERY:
            continue
        name, code = (
            ("IN", "ENTRY") if n == 0 else ("OUT", "EXIT") if n == last else (f"R{rod.rod:02d}", f"ROD {rod.rod}")
        )
        about = f"{page.bore_id} {code.lower()}, head {length_text(rod.depth_m, units, 2)} deep"
        marks.append((rod.station_m, (rod.x, rod.y, rod.z_m), (f"{tag}-{name}", code, tag, about)))
    for n, crossing in enumerate(sorted(page.crossings, key=lambda c: c.station_m), 1):
        x, y, z = (float(np.interp(crossing.station_m, along.station_m, c)) for c in (along.x, along.y, along.z_m))
        code = f"XING {crossing.kind}"
        about = f"{page.bore_id} passes {'under' if crossing.under else 'over'} {crossing.kind} {crossing.label}"
        marks.append((crossing.station_m, (x, y, z), (f"{tag}-X{n}", code, tag, about)))
    marks.sort(key=lambda mark: mark[0])
    places = np.array([place for _, place, _ in marks])
    return _placed(places[:, :2], [float(z) for z in places[:, 2]], [words for _, _, words in marks], job)


def _placed(
    xy: Array, heights_m: list[float] | list[None], marks: list[tuple[str, str, str, str]], job: Job
) -> list[StakePoint]:
    jobs, lonlat = job.to_job(xy), job.to_lonlat(xy)
    return [
        StakePoint(
            name=name,
            east=float(jobs[i, 0]),
            north=float(jobs[i, 1]),
            z_m=heights_m[i],
            code=_code(code),
            lon_deg=float(lonlat[i, 0]),
            lat_deg=float(lonlat[i, 1]),
            group=group,
            about=plain(about),
        )
        for i, (name, code, group, about) in enumerate(marks)
    ]


def _code(text: str) -> str:
    """Code that no controller stumbles over: letters, digits, spaces, underscores, hyphens."""
    return " ".join(re.sub(r"[^A-Za-z0-9_ -]", " ", text).split())[:LONGEST_CODE].strip()


def plain(text: str) -> str:
    r"""A text on one line, without signs that neither XML nor a spreadsheet can hold.

    >>> plain("gas\n\x07 line")
    'gas line'
    """
    kept = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(kept.split())
