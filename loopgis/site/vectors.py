"""Vector layers in whatever format and CRS, read into a table whose CRS is known.

To add a format that GDAL does not read: a branch in `_table` and a module like plain_csv.py.
"""

from __future__ import annotations

import hashlib
import math
import warnings
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import shapely

from loopgis.core import limits, openable
from loopgis.core.atomic import finished
from loopgis.core.errors import InputError
from loopgis.core.in_use import WAL, beside, readable
from loopgis.site import plain_csv
from loopgis.site.log import plain

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas
    from shapely import Polygon

    from loopgis.core.frame import Frame
    from loopgis.site.config import LayerRef
    from loopgis.site.log import Log

MANY_ROWS = 20_000
"""Above this many rows only the surroundings of the lot are read."""
NEAR_M = 600.0
CUT_OUT = "cut out the surroundings of the lot first"
NO_CRS = 'add the .prj file, or write { path = "...", crs = "EPSG:..." }'


@dataclass(frozen=True, eq=False)
class Layer:
    """A layer as read: table with a `geometry` column, its CRS as WKT and by name, and a name for messages."""

    table: geopandas.GeoDataFrame
    wkt: str
    crs_name: str
    name: str


def sha256(path: Path) -> str:
    """Digest of a file, with its write-ahead log when rows are in it, or of all files of a folder in name order."""
    digest = hashlib.sha256()
    wal = beside(path, WAL)
    files = (
        sorted(p for p in path.rglob("*") if p.is_file())
        if path.is_dir()
        else [path, *([wal] if wal.is_file() else [])]
    )
    for file in files:
        with file.open("rb") as stream:
            while chunk := stream.read(1 << 20):
                digest.update(chunk)
    return digest.hexdigest()


def read(ref: LayerRef, log: Log, *, near: tuple[Frame, Polygon] | None = None, no_crs: str = NO_CRS) -> Layer:
    """Read one layer; oddities become findings in the log.

    near: frame and lot; of a layer with very many rows only those round the lot are then read. no_crs: remedy named when the layer
    has no CRS. Raises InputError naming file and layer.
    """
    there(ref)
    ref = replace(ref, path=readable(ref.path))
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        table = _table(ref, near, log)
    for text in dict.fromkeys(plain(w.message) for w in said if issubclass(w.category, (UserWarning, RuntimeWarning))):
        log.add_note("reader-said", ref.name, text)
    _not_too_much(table, ref.name)
    crs = _crs(ref, table.crs, log, no_crs)
    _on_earth(table, crs, ref.name)
    return Layer(table, crs.to_wkt(), str(crs.name), ref.name)


def _not_too_much(table: geopandas.GeoDataFrame, name: str) -> None:
    """InputError for more rows, or more corners in all of them together, than are worked on."""
    most = limits.most("rows")
    if len(table) > most:
        raise limits.too_much(name, f"gives more than {most:,.0f} rows", CUT_OUT, "rows", len(table) * 10)
    corners = int(shapely.get_num_coordinates(table.geometry.to_numpy()).sum())
    if corners > limits.most("corners"):
        remedy = f"simplify its shapes, or {CUT_OUT}"
        raise limits.too_much(name, f"has {corners:,} corners", remedy, "corners", corners)


def there(ref: LayerRef) -> None:
    """Raise InputError when the file of a layer is not there, empty or too large."""
    path, name = ref.path, ref.name
    try:
        if not path.exists():
            raise InputError(name, "is not there", "check the path; it is relative to the site file")
        if not (path.is_file() or path.is_dir()):
            raise InputError(name, "is no ordinary file", "name a file or a geodatabase folder")
        openable.check(path, name)
        size = path.stat().st_size if path.is_file() else 1
    except OSError as error:
        raise InputError(name, f"cannot be reached ({error.strerror})", "check the path") from None
    if size == 0:
        raise InputError(name, "is empty (0 bytes)", "copy the file again")
    limits.check_bytes(size, name, "layer_mb", CUT_OUT)
    finished(path.parent)


def _table(ref: LayerRef, near: tuple[Frame, Polygon] | None, log: Log) -> geopandas.GeoDataFrame:
    import geopandas  # noqa: PLC0415

    if plain_csv.is_folder(ref.path):
        return plain_csv.table(ref.path, ref.name, log)
    try:
        layer = ref.layer or _only_layer(ref)
        bbox = _around(ref, layer, near)
        options = {"layer": layer, "where": ref.where, "bbox": bbox, "max_features": int(limits.most("rows")) + 1}
        table = _read_file(ref.path, {k: v for k, v in options.items() if v is not None})
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - drivers raise types of their own for a missing layer, bad SQL, a broken file
        if "not recognized as being in a supported" in str(error):
            raise InputError(ref.name, "is no GIS layer that can be read", _remedy(ref)) from None
        raise InputError(ref.name, f"cannot be read ({plain(error)})", _remedy(ref)) from None
    if isinstance(table, geopandas.GeoDataFrame) and table.active_geometry_name is not None:
        return table if table.active_geometry_name == "geometry" else table.rename_geometry("geometry")
    if ref.path.suffix.lower() == ".csv":
        if ref.where:
            what = "is a list of coordinates, in which where cannot pick rows"
            raise InputError(ref.name, what, "name the column of the geometry WKT, or give a file for each kind")
        return plain_csv.table(ref.path, ref.name, log)
    raise InputError(ref.name, "has no geometry", "give a layer with geometry")


def _remedy(ref: LayerRef) -> str:
    if {"!", ";"} & set(str(ref.path)):
        return "rename it and its folders: the reader takes ! and ; in a path for marks of its own"
    if ref.path.suffix.lower() == ".shp" and not any(ref.path.with_suffix(s).exists() for s in (".shx", ".SHX")):
        return "the .shx file is missing beside it: copy all files of the shapefile"
    if ref.path.suffix.lower() == ".zip":
        return "unpack it first, and name the file of the layer"
    parts = [p for p in ("layer" if ref.layer else "", "where" if ref.where else "") if p]
    return f"check the file and its {' and '.join(parts)}" if parts else "check the file, and open it in a desktop GIS"


def _read_file(path: Path, options: dict[str, Any]) -> geopandas.GeoDataFrame:
    """Table of a file; the text of a shapefile that does not name its encoding is tried as UTF-8 first."""
    import geopandas  # noqa: PLC0415

    if path.suffix.lower() == ".shp" and not any(path.with_suffix(s).exists() for s in (".cpg", ".CPG")):
        try:
            return geopandas.read_file(path, on_invalid="ignore", encoding="utf-8", **options)
        except UnicodeDecodeError:
            return geopandas.read_file(path, on_invalid="ignore", encoding="cp1252", **options)
    return geopandas.read_file(path, on_invalid="ignore", **options)


def _only_layer(ref: LayerRef) -> str | None:
    """Name of the layer to read when none was named; several spatial layers are an error."""
    import pyogrio  # noqa: PLC0415

    layers = [str(row[0]) for row in pyogrio.list_layers(ref.path) if row[1] is not None]
    if len(layers) > 1:
        names = ", ".join(layers[:6]) + (" ..." if len(layers) > 6 else "")
        what = f"holds {len(layers)} layers: {names}"
        raise InputError(ref.name, what, f'name one: {{ path = "{ref.written}", layer = "{layers[0]}" }}')
    return layers[0] if layers else None


def _around(
    ref: LayerRef, layer: str | None, near: tuple[Frame, Polygon] | None
) -> tuple[float, float, float, float] | None:
    """Bounds of the lot's surroundings in the layer's CRS, only for a layer of very many rows."""
    import pyogrio  # noqa: PLC0415
    from pyproj import Transformer  # noqa: PLC0415

    if near is None:
        return None
    info = pyogrio.read_info(ref.path, **({"layer": layer} if layer else {}))
    crs = ref.crs or info["crs"]
    if info["features"] <= MANY_ROWS or crs is None:
        return None
    frame, parcel = near
    back = Transformer.from_crs(frame.crs, parse_crs(crs, ref.name), always_xy=True)
    bounds = back.transform_bounds(*shapely.buffer(parcel.envelope, NEAR_M).bounds)
    return bounds if all(map(math.isfinite, bounds)) else None


@cache
def _parsed(text: str) -> Any:
    from pyproj import CRS  # noqa: PLC0415

    return CRS.from_user_input(text)


def parse_crs(text: str, name: str) -> Any:
    """CRS of a text such as "EPSG:26918" or WKT. Raises InputError when it is unknown."""
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    try:
        return _parsed(text)
    except CRSError:
        raise InputError(name, f"crs {plain(text, 60)!r} is not known", 'write e.g. crs = "EPSG:26917"') from None


def horizontal(crs: Any) -> Any:
    """The part of a CRS that places x and y."""
    return crs.sub_crs_list[0] if crs.is_compound else crs


def _crs(ref: LayerRef, own: Any, log: Log, no_crs: str) -> Any:
    """CRS of a layer: the one written in the site file before the one of the file itself."""
    if ref.crs is None and own is None:
        raise InputError(ref.name, "has no coordinate reference system", no_crs)
    crs = own if ref.crs is None else parse_crs(ref.crs, ref.name)
    if ref.crs is not None and own is not None and not own.equals(crs, ignore_axis_order=True):
        what = f"says it is in {own.name}; {crs.name} of the site file is taken instead"
        log.add_warning("crs-overruled", ref.name, what, "leave crs out if the file is right")
    flat = horizontal(crs)
    if not (flat.is_geographic or flat.is_projected):
        what = f"is in {crs.name}, a site grid or other system with no place on earth"
        raise InputError(ref.name, what, "transform it into a real coordinate system first, or name that with crs")
    if flat.is_projected and "Pseudo" in f"{flat.name} {flat.coordinate_operation.method_name}":
        log.add_note(
            "web-mercator", ref.name, "is in Web Mercator; lengths and areas are measured true in the local frame"
        )
    return crs


def _on_earth(table: geopandas.GeoDataFrame, crs: Any, name: str) -> None:
    """Raise InputError when a layer that says it is in degrees cannot be."""
    flat = horizontal(crs)
    if not flat.is_geographic or not len(table):
        return
    half_turn = math.pi / flat.axis_info[0].unit_conversion_factor
    x0, y0, x1, y1 = (float(v) for v in table.total_bounds)
    if not all(map(math.isfinite, (x0, y0, x1, y1))) or max(map(abs, (x0, y0, x1, y1))) > 1e15:
        return
    if max(abs(x0), abs(x1)) > half_turn * 1.001 or max(abs(y0), abs(y1)) > half_turn / 2 * 1.001:
        what = f"says it is in degrees, but reaches from {x0:.6g}, {y0:.6g} to {x1:.6g}, {y1:.6g}"
        raise InputError(name, what, 'it is probably in feet or metres: write { path = "...", crs = "EPSG:..." }')
