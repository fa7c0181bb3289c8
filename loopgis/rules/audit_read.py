"""The audit's own reader: a GeoPackage's tables, its metadata row, and a projection centred on the parcel.

Part of the independent audit: nothing here comes from the generator. The projection is a Lambert azimuthal equal-area on the
parcel's own geodetic datum, unlike the transverse Mercator in which layouts are made, so that a projection mistake shows up as
a difference in length. Its scale error at distance d is d^2 / (8 R^2): 3e-9 at 1 km.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core import openable
from loopgis.core.atomic import finished
from loopgis.core.errors import InputError
from loopgis.core.in_use import read_only, readable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from pyproj import CRS

_MAX_RANGE_M = 50_000.0


@dataclass(frozen=True, eq=False)
class Table:
    """One layer or table as arrays. geometry: shapely objects in the layer's own CRS (None for a plain table)."""

    name: str
    rows: int
    columns: dict[str, NDArray[Any]]
    geometry: NDArray[Any] | None = None
    crs: CRS | None = None

    def text(self, column: str) -> list[str]:
        """Values as stripped text, "" where absent or null."""
        values = self.columns.get(column)
        return [""] * self.rows if values is None else [_as_text(v) for v in values]

    def number(self, column: str) -> NDArray[np.float64]:
        """Values as floats, NaN where absent, null or not a number."""
        values = self.columns.get(column)
        if values is None:
            return np.full(self.rows, np.nan)
        return np.array([_as_number(v) for v in values], dtype=float)

    def row(self, index: int) -> dict[str, Any]:
        """One row as a plain dict."""
        return {name: values[index] for name, values in self.columns.items()}


@dataclass(frozen=True, eq=False)
class Package:
    """An opened GeoPackage: path, its tables by lower-case name, and the loopgis metadata (empty for a stranger's file)."""

    path: Path
    tables: dict[str, tuple[str, str]]
    metadata: dict[str, Any] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        """True when the table or layer is listed in the file's contents."""
        return name in self.tables


def _as_text(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


def _as_number(value: Any) -> float:  # noqa: ANN401 -- a cell of an outside file may hold anything
    try:
        return float(value)
    except (TypeError, ValueError):
        return float("nan")


def _query(path: Path, sql: str) -> list[tuple[Any, ...]]:
    """Rows of one read-only query."""
    connection = read_only(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def open_package(path: str | Path) -> Package:
    """List a GeoPackage's contents and find its loopgis metadata. InputError when it is missing or no GeoPackage."""
    file = Path(path)
    if not file.is_file():
        raise InputError(str(path), "no such file", "check the path")
    finished(file.parent)
    openable.check(file, str(path))
    try:
        contents = _query(file, "SELECT table_name, data_type FROM gpkg_contents")
        has_metadata = bool(_query(file, "SELECT 1 FROM sqlite_master WHERE name = 'gpkg_metadata'"))
        notes = _query(file, "SELECT metadata FROM gpkg_metadata") if has_metadata else []
    except sqlite3.DatabaseError as error:
        raise InputError(str(path), f"not a readable GeoPackage ({error})", "give a .gpkg file") from error
    tables = {str(name).lower(): (str(name), str(kind)) for name, kind in contents}
    return Package(file, tables, _own_metadata([str(row[0]) for row in notes]))


def _own_metadata(texts: list[str]) -> dict[str, Any]:
    """The JSON object with the key "loopgis": 1, or an empty dict."""
    for text in texts:
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):  # other programs keep XML or plain text here
            continue
        if isinstance(value, dict) and value.get("loopgis") == 1:
            return value
    return {}


def read_layer(package: Package, name: str) -> Table | None:
    """A feature layer as a Table, None when the file has no such layer. InputError for a missing or unusable CRS."""
    if not package.has(name):
        return None
    real, kind = package.tables[name]
    if kind != "features":
        return _plain(package, name, real)
    from pyogrio import raw  # noqa: PLC0415
    from pyogrio.errors import DataSourceError  # noqa: PLC0415

    try:
        meta, _, wkb, values = raw.read(str(readable(package.path)), layer=real)
    except DataSourceError as error:
        raise InputError(f"{package.path}, layer {name}", f"cannot be read ({error})") from error
    columns = {str(n).lower(): v for n, v in zip(meta["fields"], values, strict=True)}
    geometry = shapely.from_wkb(wkb)
    return Table(name, len(geometry), columns, geometry, _crs(f"{package.path}, layer {name}", meta["crs"]))


def read_table(package: Package, name: str) -> Table | None:
    """A plain table (clearances, layouts ...) as a Table without geometry, None when the file has no such table."""
    return _plain(package, name, package.tables[name][0]) if package.has(name) else None


def _plain(package: Package, name: str, real: str) -> Table:
    quoted = '"' + real.replace('"', '""') + '"'
    names = [str(row[1]).lower() for row in _query(package.path, f"PRAGMA table_info({quoted})")]
    rows = _query(package.path, f"SELECT * FROM {quoted}")  # noqa: S608 -- the name comes from the file's own contents
    columns = {n: np.array([row[i] for row in rows], dtype=object) for i, n in enumerate(names)}
    return Table(name, len(rows), columns)


def _crs(where: str, text: str | None) -> CRS:
    """The layer's horizontal CRS."""
    from pyproj import CRS  # noqa: PLC0415
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    if not text:
        raise InputError(where, "has no coordinate reference system", "assign the CRS of the data and save again")
    try:
        crs = CRS.from_user_input(text)
    except CRSError as error:
        raise InputError(where, f"CRS cannot be understood ({error})", "assign a known CRS") from error
    crs = crs.sub_crs_list[0] if crs.is_compound else crs
    if not (crs.is_projected or crs.is_geographic):
        raise InputError(where, f"CRS {crs.name!r} is not on the Earth", "assign a projected or geographic CRS")
    return crs.to_2d()


class OwnFrame:
    """Metres east and north of the parcel's middle, Lambert azimuthal equal-area on the parcel's own datum."""

    def __init__(self, where: str, parcel: Table) -> None:
        """Centre the projection on the middle of the parcel layer's bounds."""
        from pyproj import Transformer  # noqa: PLC0415
        from pyproj.crs import ProjectedCRS  # noqa: PLC0415
        from pyproj.crs.coordinate_operation import LambertAzimuthalEqualAreaConversion  # noqa: PLC0415

        if parcel.crs is None or parcel.geometry is None or parcel.crs.geodetic_crs is None:
            raise InputError(where, "has no coordinate reference system", "assign the CRS of the data and save again")
        self.where = where
        geodetic = parcel.crs.geodetic_crs.to_2d()
        box = shapely.total_bounds(parcel.geometry)
        to_degrees = np.degrees(geodetic.axis_info[0].unit_conversion_factor)
        way = Transformer.from_crs(parcel.crs, geodetic, always_xy=True)
        lon, lat = way.transform((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        if not (abs(lat) * to_degrees <= 90 and abs(lon) * to_degrees <= 360):
            raise InputError(where, "coordinates do not fit their CRS", "assign the CRS the data were made in")
        conversion = LambertAzimuthalEqualAreaConversion(lat * to_degrees, lon * to_degrees)
        self.crs: CRS = ProjectedCRS(conversion, geodetic_crs=geodetic)
        self._ways: dict[str, Any] = {}

    def points(self, xy: NDArray[np.float64], crs: CRS, where: str) -> NDArray[np.float64]:
        """(n, 2) points of a CRS in the frame. InputError when they fall nowhere near the parcel."""
        from pyproj import Transformer  # noqa: PLC0415

        key = crs.to_wkt()
        if key not in self._ways:
            self._ways[key] = Transformer.from_crs(crs, self.crs, always_xy=True)
        out = np.column_stack(self._ways[key].transform(xy[:, 0], xy[:, 1]))
        if len(out) and not (np.abs(out) < _MAX_RANGE_M).all():
            raise InputError(where, "lies more than 50 km from the parcel", "check the CRS of the layer")
        return out

    def geometries(self, table: Table) -> NDArray[Any]:
        """All geometries of a layer in the frame, 2-D; missing and empty ones come back as None."""
        shapes = shapely.force_2d(np.asarray(table.geometry, dtype=object))
        gone = shapely.is_missing(shapes) | shapely.is_empty(shapes)
        shapes[gone] = None
        xy = shapely.get_coordinates(shapes)
        if table.crs is None:
            raise InputError(f"{self.where}, layer {table.name}", "has no coordinate reference system")
        moved = self.points(xy, table.crs, f"{self.where}, layer {table.name}")
        return np.asarray(shapely.set_coordinates(shapes, moved), dtype=object)


def polygons_only(shapes: Sequence[Any]) -> Any:  # noqa: ANN401 -- shapely geometries are untyped
    """Union of the polygonal parts of valid-made shapes (an empty polygon when there are none)."""
    valid = [shapely.make_valid(s) for s in shapes if s is not None]
    parts = [p for p in shapely.get_parts(valid) if p.geom_type in ("Polygon", "MultiPolygon")]
    return shapely.union_all(parts) if parts else shapely.Polygon()
