"""Bores as lines of a file: layouts that come back from a desktop GIS, and bores that are in the ground already.

Nothing is judged here: lines, pads and points are brought into the frame with what their columns say.
"""

from __future__ import annotations

import json
import math
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.in_use import read_only, readable
from loopgis.site import shapes, vectors
from loopgis.site.config import LayerRef
from loopgis.site.log import plain
from loopgis.site.model import DrawnLine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.frame import Frame
    from loopgis.site.log import Log

SOURCES = ("planned", "staked", "logged", "surveyed")
FAR_M = 2000.0
_NOTHING = {"", "nan", "none", "<na>", "nat"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """A GeoPackage of layouts as it came back.

    lines: layer bores; refused: lines that could not be drilled when they were last scored; pads: outline by layout; exits: points
    by (layout, bore); exact: figures as they were computed, by (layout, bore), bore empty for the layout itself; layouts, bores:
    rows as they stand in the file; rod_log: readings of the crew; said: the document of the file's metadata, empty when there is
    none.
    """

    path: Path
    lines: tuple[DrawnLine, ...]
    refused: tuple[DrawnLine, ...]
    pads: dict[str, Polygon]
    exits: dict[tuple[str, str], tuple[float, float]]
    exact: dict[tuple[str, str], dict[str, Any]]
    layouts: dict[str, dict[str, Any]]
    bores: dict[tuple[str, str], dict[str, Any]]
    rod_log: tuple[dict[str, Any], ...] = ()
    said: dict[str, Any] = field(default_factory=dict)


def lines_of(layer: vectors.Layer, frame: Frame) -> list[DrawnLine]:
    """Bore lines of a layer. Raises InputError naming the row that cannot be used."""
    found = []
    for where, row, shape in _rows(layer, frame):
        found.append(
            DrawnLine(
                where=where,
                layout_id=_text(row.get("layout_id")),
                bore_id=_text(row.get("bore_id")),
                pattern=_text(row.get("pattern")),
                source=_source(row.get("source"), where),
                target_depth_m=_number(row.get("target_depth_m")),
                hole_diameter_m=_number(row.get("hole_diameter_m")),
                xyz_m=_vertices(shape, where),
            )
        )
    return found


def kept_lines(ref: LayerRef, frame: Frame, log: Log) -> tuple[list[DrawnLine], str]:
    """Bores in the ground: layer `bores` unless another is named; and the name of the layer's CRS.

    Of a file that holds drilled and planned bores the drilled ones (logged or surveyed) count; of one that holds only others, all.
    Raises InputError when a row cannot be used or two have one bore_id.
    """
    ref = _bores_layer(ref)
    layer = vectors.read(ref, log)
    lines = lines_of(layer, frame)
    drilled = [line for line in lines if line.in_ground]
    if drilled and len(drilled) < len(lines):
        left = len(lines) - len(drilled)
        log.add_note("kept-drilled", ref.name, f"{len(drilled)} drilled bores are kept; {left} others are left aside")
    _tell_holes(ref, log)
    kept = drilled or lines
    if not kept:
        raise InputError(ref.name, "holds no bores", "leave [layout] keep out, or name the layer of the drilled bores")
    for line in kept:
        twins = [o.where for o in kept if o.bore_id and o.bore_id == line.bore_id]
        if len(twins) > 1:
            what = f"has bore_id {line.bore_id} in {len(twins)} rows"
            remedy = 'pick one layout: keep = { path = "...", where = "layout_id = \'L-01\'" }'
            raise InputError(ref.name, what, remedy)
    return kept, layer.crs_name


def _tell_holes(ref: LayerRef, log: Log) -> None:
    """Holes of an as-built that hold no loop are not kept; that they lie there is told."""
    if ref.path.suffix.lower() != ".gpkg" or "holes" not in tables_in(ref.path):
        return
    rows = [r for r in plain_rows(ref.path, "holes") if _text(r.get("state")) in {"begun", "given up"}]
    if rows:
        names = ", ".join(f"{_text(r.get('bore_id'))} ({_text(r.get('state'))})" for r in rows[:6])
        message = f"{len(rows)} holes that were begun or given up lie in the ground too and are not kept: {names}"
        remedy = "give them as features of kind existing_loop where nothing may be drilled into them"
        log.add_warning("kept-holes", ref.name, message, remedy)


def _bores_layer(ref: LayerRef) -> LayerRef:
    """The same file with its layer `bores`, when none was named and there is one."""
    import pyogrio  # noqa: PLC0415

    vectors.there(ref)
    if ref.layer is not None:
        return ref
    try:
        names = [str(row[0]) for row in pyogrio.list_layers(readable(ref.path))]
    except Exception:  # noqa: BLE001 - the reader that follows says what is wrong with the file
        return ref
    layer = "bores" if "bores" in names else None
    return LayerRef(written=ref.written, path=ref.path, layer=layer, where=ref.where, crs=ref.crs)


def sheet_of(path: Path, frame: Frame, log: Log) -> Sheet:
    """A GeoPackage of layouts as it stands. Raises InputError naming file, layer and row."""
    vectors.there(LayerRef(written=str(path), path=path))
    tables = tables_in(path)
    if "bores" not in tables:
        raise InputError(str(path), "has no layer bores", "give a GeoPackage as loopgis layout writes it")

    def layer(name: str) -> vectors.Layer:
        return vectors.read(LayerRef(written=path.name, path=path, layer=tables[name]), log)

    pads: dict[str, Polygon] = {}
    exits: dict[tuple[str, str], tuple[float, float]] = {}
    if "pads" in tables:
        for where, row, shape in _rows(layer("pads"), frame):
            area = shapes.polygonal(shape)
            if area is None or area.geom_type != "Polygon":
                raise InputError(where, "is no polygon", "draw the pad as one polygon")
            pads[_text(row.get("layout_id"))] = area
    if "exits" in tables:
        for _, row, shape in _rows(layer("exits"), frame):
            point = shapely.centroid(shape)
            exits[_text(row.get("layout_id")), _text(row.get("bore_id"))] = (float(point.x), float(point.y))
    said = said_in(path)
    exact = {
        (_text(r["layout_id"]), _text(r["bore_id"])): _json(r["figures"]) for r in plain_rows(path, tables.get("exact"))
    }
    return Sheet(
        path=path,
        lines=tuple(lines_of(layer("bores"), frame)),
        refused=tuple(lines_of(layer("refused"), frame)) if "refused" in tables else (),
        pads=pads,
        exits=exits,
        exact=_in_frame(exact, str(said.get("frame_wkt", "")), frame),
        layouts={_text(r.get("layout_id")): r for r in plain_rows(path, tables.get("layouts"))},
        bores={(_text(r.get("layout_id")), _text(r.get("bore_id"))): r for r in plain_rows(path, tables.get("bores"))},
        rod_log=tuple(plain_rows(path, tables.get("rod_log"))),
        said=said,
    )


def _in_frame(
    exact: dict[tuple[str, str], dict[str, Any]], wkt: str, frame: Frame
) -> dict[tuple[str, str], dict[str, Any]]:
    """Pads and plan curves as computed, in a site's frame: it moves with the lot, and a file may come from before it did.

    Between two frames on one lot the move is a shift and a turn, to a micrometre.
    """
    from pyproj import CRS, Transformer  # noqa: PLC0415

    if not exact or not wkt or CRS.from_wkt(wkt) == frame.crs:
        return exact
    way = Transformer.from_crs(CRS.from_wkt(wkt), frame.crs, always_xy=True)

    def moved(x: float, y: float) -> tuple[float, float, float]:
        """New place, and the turn there, counter-clockwise."""
        (x0, x1), (y0, y1) = way.transform([x, x + 1.0], [y, y])
        return float(x0), float(y0), math.atan2(y1 - y0, x1 - x0)

    found = {}
    for key, old in exact.items():
        figures = dict(old)
        if "pad" in figures:
            pad = dict(figures["pad"])
            x, y, turn = moved(*pad["centre"])
            figures["pad"] = {**pad, "centre": [x, y], "axis_deg": float(pad["axis_deg"]) - math.degrees(turn)}
        if "start" in figures:
            x, y, turn = moved(*figures["start"][:2])
            figures["start"] = [x, y, float(figures["start"][2]) + turn]
        found[key] = figures
    return found


def _rows(layer: vectors.Layer, frame: Frame) -> Iterator[tuple[str, dict[str, Any], BaseGeometry]]:
    """Place for messages, columns in lower case, geometry in the frame with its heights; InputError for a row without geometry."""
    way = frame.transformer_from(layer.wkt)
    table = layer.table.rename(columns=lambda c: str(c).lower())
    table = table.loc[:, ~table.columns.duplicated()]
    for number, row in enumerate(table.to_dict("records"), 1):
        where, shape = f"{layer.name} row {number}", row.pop("geometry")
        if not shapes.finite(shape):
            raise InputError(where, "has no geometry", "draw it, or delete the row")
        points = shapely.get_coordinates(shape, include_z=bool(shape.has_z))
        x, y = way.transform(points[:, 0], points[:, 1])
        if not (np.abs(x).max() < FAR_M and np.abs(y).max() < FAR_M):
            raise InputError(where, "lies more than 2 km from the lot", "check the layer's CRS")
        points[:, 0], points[:, 1] = x, y
        yield where, row, shapely.set_coordinates(shape, points)


def _vertices(shape: BaseGeometry, where: str) -> NDArray[np.float64]:
    """(n, 3) vertices of one line; parts that touch are joined. InputError when it is not one line."""
    if shape.geom_type == "MultiLineString":
        shape = shapely.line_merge(shape)
    if shape.geom_type != "LineString":
        raise InputError(where, f"is a {shape.geom_type}, not one line", "draw the bore as one line from entry to exit")
    points: NDArray[np.float64] = shapely.get_coordinates(shape, include_z=True)
    if shapely.length(shapely.force_2d(shape)) < 1.0:
        raise InputError(where, "is shorter than 1 m", "draw the bore from its entry to its exit, or delete it")
    return points


def _text(value: object) -> str:
    text = plain(value, 80)
    return "" if text.lower() in _NOTHING else text


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _source(value: object, where: str) -> str:
    text = _text(value).lower() or "planned"
    if text not in SOURCES:
        raise InputError(where, f"source is {text!r}", f"one of {', '.join(SOURCES)}")
    return text


def _ask(path: Path, sql: str) -> list[dict[str, Any]]:
    """Rows of a read-only query, by lower-case column name; InputError for a file that is no GeoPackage."""
    try:
        with closing(read_only(path)) as db:
            cursor = db.execute(sql)
            names = [str(d[0]).lower() for d in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    except sqlite3.DatabaseError as error:
        what = f"is no GeoPackage that can be read ({plain(error)})"
        raise InputError(str(path), what, "give a .gpkg file as loopgis layout writes it") from None


def tables_in(path: Path) -> dict[str, str]:
    """Names of the tables as written, by lower-case name."""
    return {
        str(r["table_name"]).lower(): str(r["table_name"]) for r in _ask(path, "SELECT table_name FROM gpkg_contents")
    }


def plain_rows(path: Path, table: str | None) -> list[dict[str, Any]]:
    """Rows of a table without their geometry, by lower-case column; none when there is no such table."""
    if table is None:
        return []
    quoted = '"' + table.replace('"', '""') + '"'
    rows = _ask(path, f"SELECT * FROM {quoted}")  # noqa: S608 - a name from the file's own list of tables
    return [{k: v for k, v in row.items() if k not in {"geom", "geometry", "fid"}} for row in rows]


def said_in(path: Path) -> dict[str, Any]:
    """The document of the file's metadata, empty when it holds none of ours. Raises InputError for a file that is no GeoPackage."""
    if not _ask(path, "SELECT 1 FROM sqlite_master WHERE name = 'gpkg_metadata'"):
        return {}
    for row in _ask(path, "SELECT metadata FROM gpkg_metadata"):
        value = _json(row["metadata"])
        if value.get("loopgis") == 1:
            return value
    return {}


def _json(text: object) -> dict[str, Any]:
    try:
        value = json.loads(str(text))
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
