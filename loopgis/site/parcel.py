"""The lot: one polygon, repaired in the local frame that it defines itself."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.frame import Frame, to_degrees
from loopgis.site import shapes
from loopgis.site.log import plain
from loopgis.site.vectors import horizontal, parse_crs

if TYPE_CHECKING:
    import geopandas
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.site.log import Log
    from loopgis.site.vectors import Layer

LEAST_AREA_M2 = 1.0
SLIVER_M = 3.0
ID_NAMES = (
    "parcel_id",
    "parcelid",
    "parcel",
    "feature_id",
    "id",
    "pin",
    "apn",
    "idu",
    "gid",
    "fid",
    "objectid",
    "numero",
    "number",
    "name",
)
CHECK_CRS = "check its coordinate system and units; without a right one in the file, write [site] parcel_crs"


def read(layer: Layer, log: Log) -> tuple[Frame, Polygon, str]:
    """Frame, lot in it (valid, holes kept, shell counter-clockwise from the first corner drawn) and its id.

    Raises InputError when the layer does not hold exactly one lot of a size that can be drilled.
    """
    drawn, name = _drawn(layer, log)
    corners = int(shapely.get_num_coordinates(drawn))
    if corners > limits.most("lot_corners"):
        what = f"its parcel has {corners:,} corners"
        raise limits.too_much(layer.name, what, "simplify its outline in a GIS", "lot_corners", corners)
    rings = int(shapely.get_num_interior_rings(shapely.get_parts(drawn)).sum())
    if rings > limits.most("lot_holes"):
        what = f"its parcel has {rings:,} holes"
        raise limits.too_much(layer.name, what, "is it the right layer?", "lot_holes", rings)
    frame = frame_of(drawn, layer)
    flat = shapes.moved(drawn, frame.transformer_from(layer.wkt))
    if not shapes.finite(flat):
        raise InputError(layer.name, "its parcel cannot be placed on earth", CHECK_CRS)
    parcel = orient(_whole(flat, layer.name, log))
    _check(parcel, layer.name, log)
    _in_its_area(frame, layer, log)
    return frame, parcel, name


def _drawn(layer: Layer, log: Log) -> tuple[BaseGeometry, str]:
    """The lot as drawn, 2-D and without exact repeats of a corner, in its own CRS, and its id."""
    table = layer.table
    if not len(table):
        raise InputError(layer.name, "holds no parcel", "check path, layer and where")
    if len(table) > 1:
        lines = _lines_of_one_lot(table)
        if lines is None:
            raise InputError(layer.name, *_several(table))
        log.add_note("parcel-lines", layer.name, f"{len(table)} lines were joined to the outline of the lot")
        return lines, "1"
    geometry = table.geometry.iloc[0]
    if geometry is None or geometry.is_empty:
        what = "its parcel has no outline that can be read (missing, unclosed or with fewer than three corners)"
        raise InputError(layer.name, what, "draw the lot as a polygon")
    if not shapes.finite(geometry):
        raise InputError(layer.name, "its parcel has coordinates that are no numbers or not on earth", "mend the file")
    drawn = shapes.sound(geometry)
    if drawn is None:
        raise InputError(layer.name, "its parcel has all its corners in one place", "draw the lot as a polygon")
    return drawn, _id_of(table)


def _lines_of_one_lot(table: geopandas.GeoDataFrame) -> BaseGeometry | None:
    """Open lines of a drawing that close one ring together, as one geometry."""
    rows = [g for g in table.geometry if g is not None]
    if len(rows) != len(table) or not all("LineString" in g.geom_type and shapes.finite(g) for g in rows):
        return None
    pieces = [shapely.force_2d(p) for g in rows for p in shapely.get_parts(g)]
    if any(p.is_closed for p in pieces) or len(shapely.get_parts(shapely.polygonize(pieces))) != 1:
        return None
    return shapely.MultiLineString(pieces)


def _several(table: geopandas.GeoDataFrame) -> tuple[str, str]:
    """What is wrong and what to do when a layer holds more than one parcel."""
    columns = [c for c in table.columns if c != table.geometry.name]
    unique = [c for c in columns if table[c].is_unique and table[c].notna().all()]
    named = sorted((c for c in unique if str(c).lower() in ID_NAMES), key=lambda c: ID_NAMES.index(str(c).lower()))
    best = (named or unique or columns or [""])[0]
    if not best:
        return f"holds {len(table)} parcels and no column to tell them apart", "save the lot alone in a file"
    values = [_quoted(v) for v in table[best].head(4)]
    others = [str(c) for c in (named or unique)[1:4]]
    what = f"holds {len(table)} parcels, {best} = {', '.join(values)}{' ...' if len(table) > 4 else ''}"
    also = f" (or by {', '.join(others)})" if others else ""
    return what, f'pick one: where = "{best} = {values[0]}"{also}'


def _quoted(value: Any) -> str:
    number = isinstance(value, (int, float, np.integer, np.floating))
    return str(value) if number else "'" + plain(value, 40).replace("'", "''") + "'"


def _id_of(table: geopandas.GeoDataFrame) -> str:
    names = {str(c).lower(): c for c in table.columns if c != table.geometry.name}
    for name in ID_NAMES:
        if name in names:
            text = plain(table[names[name]].iloc[0], 80)
            if text not in {"", "None", "nan", "<NA>"}:
                return text.removesuffix(".0")
    return "1"


def frame_of(drawn: BaseGeometry, layer: Layer) -> Frame:
    """Frame on the lot's centroid, found in a first frame on its bounds so that it does not depend on the projection."""
    crs = horizontal(parse_crs(layer.wkt, layer.name))
    if crs.geodetic_crs is None:
        raise InputError(layer.name, f"its coordinate system {crs.name} has no geographic base", CHECK_CRS)
    wkt = crs.to_wkt()
    x0, y0, x1, y1 = drawn.bounds
    lon, lat = to_degrees(wkt).transform((x0 + x1) / 2, (y0 + y1) / 2)
    first = Frame.centred(lon, lat, wkt)
    flat = shapes.moved(drawn, first.transformer_from(wkt))
    area = shapes.polygonal(flat) if shapes.finite(flat) else None
    centre = (flat if area is None else area).centroid
    (back,) = first.to_parcel_crs(np.array([[centre.x, centre.y]]))
    lon, lat = to_degrees(wkt).transform(*back)
    return Frame.centred(lon, lat, wkt)


def _whole(flat: BaseGeometry, name: str, log: Log) -> Polygon:
    """The largest part of the lot, repaired."""
    area = shapes.polygonal(flat)
    if area is None:
        raise InputError(name, f"its parcel is a {flat.geom_type} without area", "give a polygon or a closed line")
    if "Polygon" in flat.geom_type and not flat.is_valid:
        reason = shapely.is_valid_reason(flat).split("[")[0].strip().lower()
        what = f"the parcel was repaired ({reason}): {flat.area:.2f} m2 before, {area.area:.2f} m2 after"
        log.add_warning("parcel-repaired", name, what, "compare with the deed and mend the outline")
    parts = sorted(shapely.get_parts(area), key=lambda p: -p.area)
    if len(parts) > 1:
        what = f"the parcel has {len(parts)} parts; the largest is used, {parts[0].area / area.area:.0%} of the area"
        log.add_warning("parcel-parts", name, what, "run the other parts as sites of their own")
    largest: Polygon = parts[0]
    return largest


def _check(parcel: Polygon, name: str, log: Log) -> None:
    if not math.isfinite(parcel.area) or parcel.area < LEAST_AREA_M2:
        raise InputError(name, f"its parcel has {parcel.area:.3g} m2", CHECK_CRS)
    area_km2, most_km2 = parcel.area / 1e6, limits.most("lot_km2")
    if area_km2 > most_km2:
        size = f"{area_km2:,.1f} km2 where at most {most_km2:g} are taken"
        raise limits.too_much(name, f"its parcel has {size}", CHECK_CRS, "lot_km2", area_km2)
    width = 2 * shapely.maximum_inscribed_circle(parcel).length
    if width < 2 * SLIVER_M:
        log.add_warning("parcel-sliver", name, f"the parcel is at most {width:.1f} m wide", "is it the right parcel?")


def _in_its_area(frame: Frame, layer: Layer, log: Log) -> None:
    """Warn when the lot lies outside the part of the earth for which its CRS is meant: the .prj file may be wrong."""
    crs = horizontal(parse_crs(layer.wkt, layer.name))
    area = crs.area_of_use
    if area is None or area.west > area.east:
        return
    slack = 1.0
    inside_lon = area.west - slack <= frame.lon0_deg <= area.east + slack
    inside_lat = area.south - slack <= frame.lat0_deg <= area.north + slack
    if not (inside_lon and inside_lat):
        place = f"longitude {frame.lon0_deg:.2f}, latitude {frame.lat0_deg:.2f}"
        what = f"the parcel lies at {place}, where {crs.name} is not meant to be used"
        log.add_warning("crs-area", layer.name, what, "is the coordinate system right?")
