"""Vector layers in whatever format, CRS and state of repair, into the frame.

Order of repair: CRS known -> coordinates finite and plausible -> 2-D -> make_valid by structure (never buffer(0)) -> areas.
Nothing is rounded or snapped, so that one lot in three coordinate systems stays one lot.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.findings import Finding

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas
    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.frame import Frame
    from loopgis.site.config import LayerRef

HUGE = 1e9
MAX_ROWS = 200_000
LIMIT_FILE_BYTES = 2_000_000_000


@dataclass(eq=False)
class Log:
    """Findings gathered on the way; an error does not stop the reading of the other layers."""

    findings: list[Finding] = field(default_factory=list)

    def add_error(self, code: str, error: InputError) -> None:
        """Keep an error as a finding."""
        self.findings.append(
            Finding(severity="error", code=code, where=error.where, message=error.what, remedy=error.remedy)
        )

    def add_warning(self, code: str, where: str, message: str, remedy: str = "", feature_id: str = "") -> None:
        """Keep a warning."""
        self.findings.append(
            Finding(severity="warning", code=code, where=where, message=message, remedy=remedy, feature_id=feature_id)
        )

    def add_note(self, code: str, where: str, message: str, remedy: str = "") -> None:
        """Keep a note."""
        self.findings.append(Finding(severity="note", code=code, where=where, message=message, remedy=remedy))


@dataclass(frozen=True, eq=False)
class Layer:
    """A layer as read: table with a `geometry` column, its CRS as WKT, and a name for messages."""

    table: geopandas.GeoDataFrame
    wkt: str
    name: str


def sha256(path: Path) -> str:
    """Digest of a file, or of all files of a folder in name order."""
    digest = hashlib.sha256()
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    for file in files:
        with file.open("rb") as stream:
            while chunk := stream.read(1 << 20):
                digest.update(chunk)
    return digest.hexdigest()


def read(ref: LayerRef, log: Log) -> Layer:
    """Read one layer. Raises InputError naming file and layer; oddities become warnings."""
    import geopandas  # noqa: PLC0415
    import pyogrio  # noqa: PLC0415

    name = ref.written + (f" layer {ref.layer}" if ref.layer else "")
    _there(ref, name)
    try:
        layer = ref.layer or _only_layer(ref, name, log)
        options = {"layer": layer} if layer else {}
        rows = int(pyogrio.read_info(ref.path, **options).get("features", 0))
        table = geopandas.read_file(ref.path, where=ref.where, max_features=MAX_ROWS, **options)
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - drivers raise their own types for a missing layer, bad SQL, a broken file
        text = " ".join(str(error).split())[:160]
        raise InputError(name, f"cannot be read ({text})", "check file, layer and where") from None
    if rows > MAX_ROWS:
        raise InputError(name, f"holds {rows} rows", "cut out the surroundings of the lot first")
    if not isinstance(table, geopandas.GeoDataFrame):
        table = geopandas.GeoDataFrame(table, geometry=_wkt_column(table, name))
    if ref.crs is not None:
        table = table.set_crs(_crs(ref.crs, name), allow_override=True)
    if table.crs is None:
        raise InputError(
            name, "has no coordinate reference system", 'add the .prj file, or write { path = "...", crs = "EPSG:..." }'
        )
    _plausible_crs(table, name, log)
    return Layer(table, table.crs.to_wkt(), name)


def _there(ref: LayerRef, name: str) -> None:
    for side in ("-wal", "-journal"):
        journal = ref.path.with_name(ref.path.name + side)
        if journal.exists() and journal.stat().st_size > 0:
            raise InputError(
                name, f"is being edited: {journal.name} lies beside it", "save and close it in the other program first"
            )
    if not ref.path.exists():
        raise InputError(name, "is not there", "check the path; it is relative to the site file")
    if ref.path.is_file() and ref.path.stat().st_size == 0:
        raise InputError(name, "is empty (0 bytes)", "copy the file again")
    if ref.path.is_file() and ref.path.stat().st_size > LIMIT_FILE_BYTES:
        raise InputError(name, "is larger than 2 GB", "cut out the surroundings of the lot first")


def _only_layer(ref: LayerRef, name: str, log: Log) -> str | None:
    """Name of the layer to read when none was named; several spatial layers are an error."""
    import pyogrio  # noqa: PLC0415

    layers = [str(row[0]) for row in pyogrio.list_layers(ref.path) if row[1] is not None]
    if len(layers) > 1:
        raise InputError(
            name, f"holds {len(layers)} layers: {', '.join(layers[:6])}", 'name one: { path = "...", layer = "..." }'
        )
    del log
    return layers[0] if layers else None


def _wkt_column(table: Any, name: str) -> Any:
    """Geometry of a plain table with a WKT column."""
    for column in table.columns:
        if str(column).lower() in {"wkt", "geom", "geometry", "the_geom"}:
            try:
                return shapely.from_wkt(table[column].to_numpy(dtype=object))
            except shapely.errors.GEOSException:
                break
    raise InputError(name, "has no geometry", "give a layer with geometry, or a column WKT")


def _crs(text: str, name: str) -> Any:
    from pyproj import CRS  # noqa: PLC0415
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    try:
        return CRS.from_user_input(text)
    except CRSError:
        raise InputError(name, f"crs {text!r} is not known", 'write e.g. crs = "EPSG:26917"') from None


def _plausible_crs(table: geopandas.GeoDataFrame, name: str, log: Log) -> None:
    crs = table.crs
    if crs.is_engineering or not (crs.is_geographic or crs.is_projected or crs.is_compound):
        raise InputError(
            name,
            f"has a local site grid ({crs.name}) with no place on earth",
            "transform it into a real coordinate system first",
        )
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if horizontal.is_geographic and len(table):
        x0, y0, x1, y1 = table.total_bounds
        if all(map(math.isfinite, (x0, y0, x1, y1))) and (
            max(abs(x0), abs(x1)) > 360.5 or max(abs(y0), abs(y1)) > 90.5
        ):
            raise InputError(
                name,
                f"says it is in degrees, but reaches from {x0:.0f}, {y0:.0f} to {x1:.0f}, {y1:.0f}",
                'it is probably in feet or metres: write { path = "...", crs = "EPSG:..." }',
            )
    if horizontal.is_projected and horizontal.to_epsg() == 3857:
        log.add_note("web-mercator", name, "is in Web Mercator; lengths are measured true in the local frame")


def into_frame(geometry: BaseGeometry, transform: Any) -> BaseGeometry:
    """2-D geometry moved into the frame; transform: a pyproj Transformer, x before y."""

    def move(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transform.transform(xy[:, 0], xy[:, 1]))

    return shapely.transform(shapely.force_2d(geometry), move)


def finite(geometry: BaseGeometry | None) -> bool:
    """True when a geometry has coordinates and all of them are numbers of a size found on earth."""
    if geometry is None or geometry.is_empty:
        return False
    c = shapely.get_coordinates(geometry)
    return bool(len(c) and np.isfinite(c).all() and np.abs(c).max() < HUGE)


def polygonal(geometry: BaseGeometry) -> BaseGeometry | None:
    """Valid polygonal part of a geometry: closed lines become areas, crossings are resolved, slivers of lines dropped."""
    flat = shapely.force_2d(geometry)
    if flat.geom_type in {"LineString", "LinearRing", "MultiLineString"}:
        rings = [shapely.Polygon(p.coords) for p in shapely.get_parts(flat) if p.is_closed and len(p.coords) >= 4]
        if not rings:
            return None
        flat = shapely.union_all(rings)
    if flat.is_valid and flat.geom_type in {"Polygon", "MultiPolygon"}:
        return flat if flat.area > 0 else None
    fixed = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    parts = [
        q for p in shapely.get_parts(fixed) for q in shapely.get_parts(p) if q.geom_type == "Polygon" and q.area > 0
    ]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def parcel_of(layer: Layer, log: Log) -> tuple[Polygon, str]:
    """The lot as one polygon in its own CRS, and its id. Raises InputError when it is not one lot."""
    table = layer.table
    if not len(table):
        raise InputError(layer.name, "holds no parcel", "check layer and where")
    if len(table) > 1:
        columns = [c for c in table.columns if c != "geometry"]
        first = columns[0] if columns else "id"
        names = ", ".join(str(v) for v in (table[first].head(4) if columns else range(1, 5)))
        raise InputError(
            layer.name, f"holds {len(table)} parcels ({first}: {names} ...)", f"pick one: where = \"{first} = '...'\""
        )
    geometry = table.geometry.iloc[0]
    if geometry is None or geometry.is_empty:
        raise InputError(layer.name, "its parcel has no geometry", "draw the lot as a polygon")
    if not finite(geometry):
        raise InputError(
            layer.name, "its parcel has coordinates that are no numbers or not on earth", "repair the file"
        )
    shape = polygonal(geometry)
    if shape is None:
        raise InputError(
            layer.name, f"its parcel is a {geometry.geom_type} without area", "give the lot as a polygon or closed line"
        )
    if not shapely.force_2d(geometry).is_valid:
        log.add_warning(
            "parcel-repaired",
            layer.name,
            f"the parcel was repaired: {shapely.is_valid_reason(geometry)[:60]}",
            "compare the area with the deed",
        )
    parts = sorted(shapely.get_parts(shape), key=lambda p: -p.area)
    if len(parts) > 1:
        share = parts[0].area / shape.area
        log.add_warning(
            "parcel-parts",
            layer.name,
            f"the parcel has {len(parts)} parts; the largest is used ({share:.0%})",
            "run the others as sites of their own",
        )
    return parts[0], _id_of(table, "1")


def _id_of(table: geopandas.GeoDataFrame, default: str) -> str:
    for column in ("parcel_id", "feature_id", "id", "ID"):
        if column in table.columns and str(table[column].iloc[0]) not in {"", "None", "nan"}:
            return str(table[column].iloc[0])
    return default


def frame_point(layer: Layer, frame: Frame) -> BaseGeometry:
    """All of a layer as one geometry in the frame."""
    shapes = [g for g in layer.table.geometry if finite(g)]
    if not shapes:
        raise InputError(layer.name, "holds no usable geometry", "draw a point or polygon")
    return into_frame(shapely.union_all([shapely.force_2d(g) for g in shapes]), frame.transformer_from(layer.wkt))
