"""Rows of a layer into Features: kind, quality, depth, attributes, ids."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any

import shapely

from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site.model import Feature
from loopgis.site.vectors import Layer, Log, finite, into_frame, polygonal
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.frame import Frame

KEEP_WITHIN_M = 150.0
FAR_M = 500.0
RESERVED = {"geometry", "kind", "quality", "depth", "depth_m", "depth_unit", "feature_id", "label"}
AREAS = {
    "building",
    "drain_field",
    "drain_field_reserve",
    "surface_water",
    "wetland",
    "floodplain",
    "pool",
    "neighbour_parcel",
}


def features_of(
    layer: Layer,
    frame: Frame,
    parcel: Polygon,
    log: Log,
    *,
    kind: str,
    quality: str = "unknown",
    depth_unit: str = "",
    taken: set[str],
) -> list[Feature]:
    """Features of one layer that lie within KEEP_WITHIN_M of the lot.

    taken: ids used so far, added to; a double id gets a suffix. Rows that cannot be used are counted in one warning.
    """
    transform = frame.transformer_from(layer.wkt)
    found: list[Feature] = []
    broken, repaired, far = 0, 0, 0
    nearest = float("inf")
    for number, row in enumerate(layer.table.to_dict("records"), 1):
        geometry = row["geometry"]
        own_kind = kind or _kind(row, layer, number)
        moved = into_frame(geometry, transform) if finite(geometry) else None
        shape = _usable(moved, own_kind) if moved is not None and finite(moved) else None
        if shape is None:
            broken += 1
            continue
        repaired += moved is not None and not moved.is_valid
        distance = float(shapely.distance(shape, parcel))
        nearest = min(nearest, distance)
        if distance > KEEP_WITHIN_M:
            far += 1
            continue
        found.append(_feature(row, shape, layer, number, own_kind, quality, depth_unit, taken))
    _report(layer, log, broken=broken, repaired=repaired, far=far, nearest=nearest, kept=len(found))
    return found


def _report(layer: Layer, log: Log, *, broken: int, repaired: int, far: int, nearest: float, kept: int) -> None:
    if not len(layer.table):
        log.add_warning(
            "layer-empty",
            layer.name,
            "holds no rows; taken as: there is none here",
            "check layer and where if that is wrong",
        )
    if broken:
        log.add_warning(
            "features-unusable",
            layer.name,
            f"{broken} rows have no usable geometry and are left out",
            "repair them in a GIS",
        )
    if repaired:
        log.add_warning(
            "features-repaired",
            layer.name,
            f"{repaired} outlines cross themselves and were repaired",
            "look at them in a GIS",
        )
    if not kept and far and nearest > FAR_M:
        log.add_warning(
            "layer-far",
            layer.name,
            f"lies {nearest / 1000:.1f} km from the lot",
            "is it the right place and coordinate system?",
        )
    elif far:
        log.add_note(
            "features-far", layer.name, f"{far} rows lie more than {KEEP_WITHIN_M:.0f} m from the lot and are left out"
        )


def _kind(row: dict[str, Any], layer: Layer, number: int) -> str:
    kinds = load_table("kinds")["kinds"]
    kind = str(row.get("kind") or "")
    if kind not in kinds:
        near = difflib.get_close_matches(kind, kinds, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "give kind in the site file, or a column `kind`"
        raise InputError(layer.name, f"row {number} has kind {kind!r}", hint)
    return kind


def _usable(geometry: BaseGeometry, kind: str) -> BaseGeometry | None:
    """Valid shape of a feature; areas stay areas, lines lines, points points."""
    if geometry.geom_type in {"Polygon", "MultiPolygon", "GeometryCollection"} or kind in AREAS:
        area = polygonal(geometry)
        if area is not None:
            return area
        flat = shapely.get_parts(geometry)
        return None if geometry.geom_type in {"Polygon", "MultiPolygon"} else shapely.union_all(flat)
    if geometry.geom_type in {"LineString", "MultiLineString"} and geometry.length <= 0:
        return None
    if geometry.geom_type == "MultiPoint" and len(geometry.geoms) == 1:
        return geometry.geoms[0]
    return geometry


def _feature(
    row: dict[str, Any],
    shape: BaseGeometry,
    layer: Layer,
    number: int,
    kind: str,
    quality: str,
    depth_unit: str,
    taken: set[str],
) -> Feature:
    own_quality = str(row.get("quality") or "").strip().upper()
    return Feature(
        feature_id=_own_id(row, kind, number, taken),
        kind=kind,
        geometry=shape,
        quality=own_quality if own_quality in {"A", "B", "C", "D"} else quality,
        depth_m=_depth(row, layer, number, depth_unit),
        attributes=tuple(
            (str(k).lower(), str(v))
            for k, v in row.items()
            if k not in RESERVED and v is not None and str(v) not in {"", "nan", "None", "<NA>"}
        ),
        label=str(row.get("label") or row.get("name") or ""),
    )


def _own_id(row: dict[str, Any], kind: str, number: int, taken: set[str]) -> str:
    wish = next(
        (
            str(row[c])
            for c in ("feature_id", "id", "ID", "Id")
            if c in row and str(row[c]) not in {"", "None", "nan", "<NA>"}
        ),
        "",
    )
    wish = wish if wish and not wish.isdigit() else f"{kind}-{wish or number}"
    name, n = wish, 2
    while name in taken:
        name, n = f"{wish}-{n}", n + 1
    taken.add(name)
    return name


def _depth(row: dict[str, Any], layer: Layer, number: int, depth_unit: str) -> float | None:
    """Depth in metres from `depth_m`, or from `depth` with its unit; None when nobody wrote one."""
    raw = row.get("depth_m")
    unit = "m"
    if raw is None or str(raw) in {"nan", "<NA>", ""}:
        raw, unit = row.get("depth"), str(row.get("depth_unit") or depth_unit or "")
    if raw is None or str(raw) in {"nan", "<NA>", "", "None"}:
        return None
    where = f"{layer.name} row {number} depth"
    if isinstance(raw, str) and not unit:
        value = parse(raw, "length", where=where)
    elif unit:
        try:
            value = float(raw) * parse(f"1 {unit}", "length", where=where)
        except ValueError:
            raise InputError(where, f"{raw!r} is not a number", "write plain numbers in the column depth") from None
    else:
        raise InputError(
            where, f"{raw!r} has no unit", 'write depth_unit = "ft" under [[site.feature]], or a column depth_unit'
        )
    if not -1 <= value <= 300:
        raise InputError(
            where, f"{value:.1f} m is no depth of anything buried here", "check depth and depth_unit; positive is down"
        )
    return max(value, 0.0)


def joined_buildings(features: list[Feature], log: Log, name: str) -> list[Feature]:
    """Buildings with the faces of one house put together: pieces that touch and carry the same id become one."""
    groups: dict[str, list[Feature]] = {}
    for f in features:
        own = dict(f.attributes).get("id") or dict(f.attributes).get("building_id") or f.feature_id
        groups.setdefault(own, []).append(f)
    if len(groups) == len(features):
        return features
    result = []
    for parts in groups.values():
        first = parts[0]
        shape = polygonal(shapely.union_all([p.geometry for p in parts]))
        result.append(
            Feature(
                feature_id=first.feature_id,
                kind=first.kind,
                geometry=shape if shape is not None else first.geometry,
                quality=first.quality,
                depth_m=first.depth_m,
                attributes=first.attributes,
                label=first.label,
            )
        )
    log.add_note("buildings-joined", name, f"{len(features)} faces were joined into {len(result)} buildings")
    return result
