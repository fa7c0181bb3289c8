"""Where everything of a permit book lies: from the frame into the lot's own CRS, its datum, WGS84 and job units; named points.

The lot's own datum is used as long as it can be; a step to WGS84 happens only where a file is WGS84 by its nature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.frame import Frame
from loopgis.core.units import FT_M
from loopgis.sheets.stake_points import Job, open_ring

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.sheets.permit_book import BorePlan, Crossing, Dimension, PermitBook, SetbackRow

    Array = NDArray[np.float64]

NOTHING_M = 0.001
"""A distance shorter than this is no line to draw."""


@dataclass(frozen=True)
class Place:
    """The ways out of the frame of a book; all take frame metres, shape (n, 2)."""

    frame: Frame
    job: Job

    @staticmethod
    def of(book: PermitBook) -> Place:
        """The place of a book. Raises InputError when its CRS is no place on earth."""
        lat, lon = book.centre_lat_lon
        frame = Frame(lat0_deg=lat, lon0_deg=lon, parcel_wkt=book.crs_wkt)
        x, y = frame.to_parcel_crs(np.zeros((1, 2)))[0]
        return Place(frame, Job.at(book.crs_wkt, (float(x), float(y))))

    def native(self, xy: Array) -> Array:
        """East (x) and north (y) in the lot's own CRS."""
        return self.frame.to_parcel_crs(xy)

    def lon_lat(self, xy: Array) -> Array:
        """Longitude and latitude on the lot's own datum."""
        return self.frame.to_lonlat(xy)

    def wgs84(self, xy: Array) -> Array:
        """Longitude and latitude in WGS84, degrees. Raises InputError where that is no place on earth."""
        return self.job.to_lonlat(self.native(xy))

    def drawn(self, xy: Array) -> Array:
        """Easting and northing in job units."""
        return self.job.to_job(self.native(xy))

    @property
    def native_unit(self) -> str:
        """Unit of x and y in the lot's own CRS, e.g. "US survey foot"."""
        return str(self.job.file_crs.axis_info[0].unit_name)

    @property
    def native_digits(self) -> int:
        """Decimals of x and y that are 0.1 mm or less."""
        return 9 if self.job.file_crs.is_geographic else 4

    @property
    def angle_unit(self) -> str:
        """Unit of latitude and longitude on the lot's own datum; "degree" but for a few old datums."""
        base = self.frame.parcel_crs.geodetic_crs
        return str(base.axis_info[0].unit_name) if base is not None else "degree"


@dataclass(frozen=True, kw_only=True)
class NamedPoint:
    """A point worth telling by its coordinates; station and depth (of the bore's axis) None where they mean nothing."""

    name: str
    what: str
    xy: tuple[float, float]
    station_m: float | None = None
    depth_m: float | None = None


def named_points(book: PermitBook) -> tuple[NamedPoint, ...]:
    """Ends and crossings of every bore, corners of the pads, corners of the lot (all its parts and holes)."""
    found = [point for bore in book.bores for point in _bore_points(bore)]
    for n, pad in enumerate(book.pads, 1):
        rings = [shapely.get_coordinates(part.exterior) for part in shapely.get_parts(pad)]
        found += _corners("pad" if len(book.pads) == 1 else f"pad {n}", "pad corner", rings)
    return (*found, *_corners("lot", "lot corner, from the parcel layer", _lot_rings(book)))


def _lot_rings(book: PermitBook) -> list[Array]:
    """The biggest part as its sides have it, then every other ring as it was given."""
    parts = shapely.get_parts(book.lot.polygon)
    biggest = max(parts, key=lambda part: float(part.area))
    rings = [np.asarray(book.lot.corners)]
    rings += [shapely.get_coordinates(part.exterior) for part in parts if part is not biggest]
    return rings + [shapely.get_coordinates(hole) for part in parts for hole in part.interiors]


def _corners(name: str, what: str, rings: list[Array]) -> list[NamedPoint]:
    many = len(rings) > 1
    return [
        NamedPoint(name=f"{name}{f' ring {r}' if many else ''} corner {n}", what=what, xy=(float(x), float(y)))
        for r, ring in enumerate(rings, 1)
        for n, (x, y) in enumerate(open_ring(ring), 1)
    ]


def _bore_points(bore: BorePlan) -> list[NamedPoint]:
    last = len(bore.xyz) - 1
    ends = [
        NamedPoint(
            name=f"{bore.bore_id} {word}",
            what=word,
            xy=(float(bore.xyz[i, 0]), float(bore.xyz[i, 1])),
            station_m=float(bore.station_m[i]),
            depth_m=depth_at(bore, float(bore.station_m[i])),
        )
        for word, i in (("entry", 0), ("exit", last))
    ]
    between = [
        NamedPoint(
            name=f"{bore.bore_id} crossing {n}",
            what=f"crossing {crossing.thing}",
            xy=crossing.xy,
            station_m=middle(crossing),
            depth_m=depth_at(bore, middle(crossing)),
        )
        for n, crossing in enumerate(bore.crossings, 1)
    ]
    return [ends[0], *between, ends[1]]


def middle(crossing: Crossing) -> float:
    """Station at which a crossing's point lies, drilled metres."""
    return (crossing.start_m + crossing.end_m) / 2


def depth_at(bore: BorePlan, station_m: float) -> float | None:
    """Depth of the axis below ground, metres; None where heights or ground are not known."""
    return _at(bore, bore.depth_m, station_m) if bore.ground_known else None


def height_at(bore: BorePlan, station_m: float) -> float | None:
    """Height of the axis, metres; None for a bore without heights."""
    return None if bore.flat else _at(bore, bore.xyz[:, 2], station_m)


def _at(bore: BorePlan, values: Array, station_m: float) -> float | None:
    value = float(np.interp(station_m, bore.station_m, values))
    return value if np.isfinite(value) else None


def dimensions(book: PermitBook) -> tuple[tuple[SetbackRow, Dimension, bool], ...]:
    """Plan distances to draw, with their rows, once each; True for the one that governs a bore. Those of no length are left out."""
    found: dict[tuple[str, str, str, str], tuple[SetbackRow, Dimension, bool]] = {}
    governing = [bore.governing for bore in book.bores if bore.governing is not None]
    for rows, governs in ((governing, True), (book.table, False)):
        for row in rows:
            if row.dimension is not None and row.dimension.length_m > NOTHING_M:
                key = (row.bore_id, row.rule_id, row.feature_id, row.basis)
                found.setdefault(key, (row, row.dimension, governs))
    return tuple(found.values())


def sheet_unit(units: str) -> tuple[str, float]:
    """Unit of lengths on the sheets and how many of it are in a metre."""
    return ("ft", 1 / FT_M) if units == "us" else ("m", 1.0)
