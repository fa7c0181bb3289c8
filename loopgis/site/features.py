"""Rows of a layer into Features: kind, quality, depth, attributes, ids."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import shapely

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site import shapes
from loopgis.site.keys import nearest
from loopgis.site.log import plain
from loopgis.site.model import Feature
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable

    from pyproj import Transformer
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.site.log import Log
    from loopgis.site.vectors import Layer

KEEP_WITHIN_M = 150.0
FAR_M = 500.0
OWN_COLUMNS = {"geometry", "kind", "quality", "depth", "depth_m", "depth_unit", "feature_id", "label"}
ID_COLUMNS = ("feature_id", "id", "fid", "gid", "objectid")
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
"""Kinds whose closed lines are areas."""
OUTLINED = {"building", "floodplain"}
"""Kinds that are nothing without an outline: they have no width of their own."""
WORDED = {"water_well", "contaminated_site"}
"""Kinds of which rules tell apart what they are used for."""
LEAST_HALF_M = 0.05
QUALITIES = {"A", "B", "C", "D"}
SHOWN_ROWS = 3
FIGURES = {
    "yield": ("yield_l_s", "flow", 1000.0, {"yield_gpm": "gpm"}),
    "flow": ("flow_m3_d", "flow", 86_400.0, {"flow_gpd": "gallon/day"}),
    "voltage": ("voltage_kv", "voltage", 0.001, {}),
}
"""Figures that rules may ask of a thing, by column: our own column, dimension, factor to its unit, columns named with a unit."""
GIVEN_ID = "given_id"
"""Attribute with the id as the file has it, where it had to be changed since an earlier feature has it too."""
_NOTHING = {"", "nan", "None", "<NA>", "NaT"}


@dataclass(frozen=True, kw_only=True)
class Told:
    """What the site file says of a layer: kind (empty: from a column), ASCE 38 quality and depth unit unless columns say so."""

    kind: str
    quality: str = "unknown"
    depth_unit: str = ""


@dataclass(eq=False)
class _Count:
    """What became of the rows of one layer."""

    broken: int = 0
    repaired: int = 0
    far: int = 0
    nearest_m: float = float("inf")
    slips: list[InputError] = field(default_factory=list)
    odd_quality: set[str] = field(default_factory=set)
    odd_use: set[str] = field(default_factory=set)


def features_of(
    layer: Layer, transform: Transformer, parcel: Polygon, log: Log, *, told: Told, taken: set[str]
) -> list[Feature]:
    """Features of one layer that lie within KEEP_WITHIN_M of the lot, in row order.

    transform: from the layer's CRS into the frame, x before y; taken: ids used so far, added to, a double id gets a suffix.
    Rows that cannot be used are counted in one finding; slips in kind or depth are errors, each row's first slip told.
    """
    count = _Count()
    found: list[Feature] = []
    most = limits.most("features")
    for number, row in enumerate(_records(layer), 1):
        try:
            kind = told.kind or _kind(row, layer.name, number)
            shape = _near_shape(row["geometry"], kind, transform, parcel, count)
            if shape is not None:
                if len(found) >= most:
                    break
                found.append(_feature(row, shape, f"{layer.name} row {number}", number, kind, told, taken, count))
        except InputError as slip:
            count.slips.append(slip)
    else:
        _report(layer, log, count, kept=len(found))
        _other_kinds(layer, told.kind, log)
        return found
    what = f"holds more than {most:,.0f} things within {KEEP_WITHIN_M:.0f} m of the lot"
    raise limits.too_much(layer.name, what, "pick those that matter with where", "features", len(layer.table))


def kinds_of(layer: Layer, told: Told) -> set[str]:
    """Kinds that a layer supplies, whether or not a row of them lies near the lot."""
    if told.kind:
        return {told.kind}
    return {_text(row.get("kind")).lower() for row in _records(layer)} & set(load_table("kinds")["kinds"])


def _records(layer: Layer) -> list[dict[str, Any]]:
    """Rows with lower-case column names."""
    table = layer.table.rename(columns=lambda c: str(c).lower())
    rows: list[dict[str, Any]] = table.loc[:, ~table.columns.duplicated()].to_dict("records")
    return rows


def _text(value: Any) -> str:
    text = plain(value, 300)
    return "" if text in _NOTHING else text


def _kind(row: dict[str, Any], name: str, number: int) -> str:
    kinds = load_table("kinds")["kinds"]
    kind = _text(row.get("kind")).lower()
    if kind in kinds:
        return kind
    if not kind:
        raise InputError(f"{name} row {number}", "has no kind", "give kind in the site file, or fill a column `kind`")
    raise InputError(f"{name} row {number}", f"unknown kind {kind!r}", nearest(kind, kinds))


def _near_shape(
    geometry: BaseGeometry | None, kind: str, transform: Transformer, parcel: Polygon, count: _Count
) -> BaseGeometry | None:
    """Usable shape in the frame, None (and counted) when there is none or it lies far from the lot."""
    drawn = shapes.sound(geometry)
    if drawn is None:
        count.broken += 1
        return None
    flat = shapes.moved(drawn, transform)
    if not shapes.finite(flat):
        count.far += 1
        return None
    shape = usable(flat, kind)
    if shape is None:
        count.broken += 1
        return None
    distance_m = float(shapely.distance(shape, parcel))
    count.nearest_m = min(count.nearest_m, distance_m)
    if distance_m > KEEP_WITHIN_M:
        count.far += 1
        return None
    count.repaired += not flat.is_valid
    return shape


def usable(flat: BaseGeometry, kind: str) -> BaseGeometry | None:
    """Valid 2-D shape of a feature: areas stay areas, lines lines, points points; None when nothing of size is left."""
    if "Polygon" in flat.geom_type or kind in OUTLINED:
        return shapes.polygonal(flat)
    if flat.geom_type == "GeometryCollection":
        return _of_collection(flat, kind)
    area = shapes.polygonal(flat) if kind in AREAS else None
    return _simple(flat) if area is None else area


def _simple(flat: BaseGeometry) -> BaseGeometry | None:
    """Lines or points, one part as itself, repeated points once; None for lines without length."""
    if flat.geom_type == "MultiPoint":
        flat = shapely.union_all(shapely.get_parts(flat))
    parts = [p for p in shapely.get_parts(flat) if p.length > 0 or p.geom_type == "Point"]
    if len(parts) > 1 and "Line" in flat.geom_type:
        return shapely.MultiLineString(parts)
    return flat if len(parts) > 1 else next(iter(parts), None)


def _of_collection(flat: BaseGeometry, kind: str) -> BaseGeometry | None:
    """Shape of a collection: of one sort when its parts are, else the area that all of them take up together."""
    parts = [p for p in _leaves(flat) if not p.is_empty]
    if len({shapely.get_dimensions(p) for p in parts}) == 1:
        return usable(shapely.union_all(parts), kind)
    half_m = max(float(load_table("kinds")["kinds"][kind]["half_width_m"]), LEAST_HALF_M)
    wide = [p if "Polygon" in p.geom_type else shapely.buffer(p, half_m) for p in parts]
    return shapes.polygonal(shapely.union_all([p for p in map(shapes.polygonal, wide) if p is not None]))


def _leaves(geometry: BaseGeometry) -> list[BaseGeometry]:
    """All simple parts of a collection, however deep."""
    if hasattr(geometry, "geoms"):
        return [leaf for part in geometry.geoms for leaf in _leaves(part)]
    return [geometry]


def _feature(
    row: dict[str, Any],
    shape: BaseGeometry,
    where: str,
    number: int,
    kind: str,
    told: Told,
    taken: set[str],
    count: _Count,
) -> Feature:
    depth_m = _depth(row, where, told.depth_unit)
    wish = _wished_id(row, kind, number)
    name = _free(wish, taken)
    changed = ((GIVEN_ID, wish),) if name != wish else ()
    return Feature(
        feature_id=name,
        kind=kind,
        geometry=shape,
        quality=_quality(row, told.quality, count),
        depth_m=depth_m,
        attributes=_attributes(row, kind, where, count) + changed,
        label=_text(row.get("label")) or _text(row.get("name")),
    )


def _attributes(row: dict[str, Any], kind: str, where: str, count: _Count) -> tuple[tuple[str, str], ...]:
    """Further columns as text, those that rules bound in the unit of our own columns; words that no rule knows are counted."""
    own = {k: _text(v) for k, v in row.items() if k not in OWN_COLUMNS and _text(v)}
    for name, (column, dimension, factor, named) in FIGURES.items():
        written = {name: own.get(name, "")} | {k: f"{own[k]} {unit}" for k, unit in named.items() if k in own}
        for key, text in written.items():
            if text and column not in own:
                own[column] = f"{parse(text, dimension, where=f'{where} {key}') * factor:.6g}"
    if kind in WORDED and (word := own.get("use", "").lower()) and word not in load_table("kinds")["words"]["use"]:
        count.odd_use.add(word)
    return tuple(own.items())


def _quality(row: dict[str, Any], default: str, count: _Count) -> str:
    """Quality of a column, "QL-B" and "b" taken as B; the site file's where the column says nothing."""
    text = _text(row.get("quality"))
    word = text.upper().removeprefix("QL").strip("- ")
    if word and word not in QUALITIES and word != "UNKNOWN":
        count.odd_quality.add(text)
    if word == "UNKNOWN":
        return "unknown"
    return word if word in QUALITIES else default


def _wished_id(row: dict[str, Any], kind: str, number: int) -> str:
    """Id of a column when it has one, else kind and row number."""
    said = next((t for c in ID_COLUMNS if (t := _text(row.get(c))[:80].removesuffix(".0"))), "")
    own = unicodedata.normalize("NFC", said)  # two ways to write one letter are one id
    return f"{kind}-{own or number}" if not own or own.isdigit() else own


def _free(wish: str, taken: set[str]) -> str:
    """The id, with a number behind it when another feature has it already."""
    name, n = wish, 2
    while name in taken:
        name, n = f"{wish}-{n}", n + 1
    taken.add(name)
    return name


def _depth(row: dict[str, Any], where: str, told_unit: str) -> float | None:
    """Depth in metres from `depth_m`, or from `depth` with its unit; None when nobody wrote one."""
    text, unit = _text(row.get("depth_m")), "m"
    if not text:
        text, unit = _text(row.get("depth")), _text(row.get("depth_unit")) or told_unit
    if not text:
        return None
    where = f"{where} depth"
    try:
        value = float(text) * (parse(f"1 {unit}", "length", where=where) if unit else float("nan"))
    except ValueError:
        value = parse(text, "length", where=where)
    if value != value:  # noqa: PLR0124 - a number without a unit
        remedy = 'write depth_unit = "ft" under [[site.feature]], or a column depth_unit'
        raise InputError(where, f"{text!r} has no unit", remedy)
    if not 0 <= value <= 300:
        remedy = "check depth and its unit; depths are positive downwards"
        raise InputError(where, f"{value:.1f} m is no depth of anything buried here", remedy)
    return value


def _report(layer: Layer, log: Log, count: _Count, *, kept: int) -> None:
    """Findings of one layer."""
    say: Callable[..., None] = log.add_warning
    for slip in count.slips[:SHOWN_ROWS]:
        log.add_error("feature", slip)
    if len(count.slips) > SHOWN_ROWS:
        rest = InputError(
            layer.name, f"{len(count.slips) - SHOWN_ROWS} more rows have slips of this make", "mend them too"
        )
        log.add_error("feature", rest)
    if not len(layer.table):
        say(
            "layer-empty", layer.name, "holds no rows; taken as: there is none here", "check the layer if that is wrong"
        )
    if count.broken and count.broken == len(layer.table):
        what = f"none of its {count.broken} rows has a usable geometry (a building needs a closed outline)"
        log.add_error("feature", InputError(layer.name, what, "mend or redraw them in a GIS"))
    elif count.broken:
        what = f"{count.broken} of {len(layer.table)} rows have no usable geometry and are left out"
        say("features-unusable", layer.name, what, "look at them in a GIS")
    if count.repaired:
        say(
            "features-repaired",
            layer.name,
            f"{count.repaired} outlines were invalid and were repaired",
            "look at them in a GIS",
        )
    if count.odd_quality:
        words = ", ".join(sorted(count.odd_quality)[:4])
        say("quality-unknown", layer.name, f"quality {words} is no ASCE 38 level", "write A, B, C, D or unknown")
    _tell_uses(layer, log, count)
    if count.far and not kept and count.nearest_m > FAR_M:
        away = f"{count.nearest_m / 1000:,.1f} km" if count.nearest_m < 1e7 else "a continent"
        say(
            "layer-far",
            layer.name,
            f"lies {away} from the lot: wrong place?",
            "check its coordinate system; its kind counts as not given",
        )
    elif count.far:
        what = f"{count.far} rows lie more than {KEEP_WITHIN_M:.0f} m from the lot and are left out"
        log.add_note("features-far", layer.name, what)


def _tell_uses(layer: Layer, log: Log, count: _Count) -> None:
    """Warn of words for a use that no rule can know."""
    if count.odd_use:
        words = ", ".join(repr(w) for w in sorted(count.odd_use)[:4])
        what = f"use {words} is no word that rules know, it counts as unknown"
        log.add_warning(
            "use-unknown", layer.name, what, f"write one of {', '.join(load_table('kinds')['words']['use'])}"
        )


def _other_kinds(layer: Layer, kind: str, log: Log) -> None:
    """Warn when a column names other kinds than the one that the site file gives to the whole layer."""
    if not kind:
        return
    others = {_text(row.get("kind")).lower() for row in _records(layer)} - {kind, ""}
    others &= set(load_table("kinds")["kinds"])
    if others:
        what = f"its column kind says {', '.join(sorted(others)[:4])}; every row is taken as {kind}"
        log.add_warning("kind-overruled", layer.name, what, "leave kind out, or pick rows with where")
