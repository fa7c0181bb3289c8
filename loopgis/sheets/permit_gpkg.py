"""The permit office's layers as a GeoPackage 1.2 in the lot's CRS: what was checked, with what came of it, for any desktop GIS.

It is a book of one layout, measured anew; `loopgis audit` finds in it what it found in the file that the book was made from, as
long as that file is at hand for the ground's heights and the limits of rig and pipe, which a book does not hold.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.version import VERSION
from loopgis.rules.audit_ground import find_ground
from loopgis.rules.audit_read import OwnFrame, open_package, read_layer
from loopgis.rules.files import shipped
from loopgis.sheets.gpkg_write import write_layers
from loopgis.sheets.permit_place import Place, dimensions, height_at, middle
from loopgis.sheets.permit_xlsx import outcomes_text
from loopgis.sheets.schema import LAYERS, Column, LayerSchema, value_lists
from loopgis.sheets.styles import styles
from loopgis.site.model import Terrain

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Sequence

    from shapely.geometry.base import BaseGeometry

    from loopgis.sheets.gpkg_row import Row
    from loopgis.sheets.permit_book import BorePlan, Crossing, PermitBook, SetbackRow, Thing

RANK = 1
"""Of the layout: the file holds one."""
MIXED = ("bores", "crossings")
"""Layers where a row has heights or has none."""
MOST_COLUMNS = 40
"""Columns of a feature beyond the known ones that are carried over."""
_NOT_OURS = frozenset({"fid", "ogc_fid", "geom", "geometry", "wkb_geometry", "shape"})
_KEPT = ("rig", "bore", "pipe", "height_datum")
"""What is carried over from the document of the file that the book was made from."""


def _c(name: str, type_: str, meaning: str, values: str = "") -> Column:
    return Column(name, type_, meaning, values)


_LAYOUT, _BORE, _RANK = _c("layout_id", "str", "layout"), _c("bore_id", "str", "bore"), _c("rank", "int", "always 1")
_RULE = (
    _c("rule_id", "str", "rule file and rule"),
    _c("feature_id", "str", "thing; empty: no layer was given, or the rule is on the job"),
    _c("kind", "str", "kind of thing", "kind"),
    _c("thing", "str", "what people call it"),
)
_JUDGED = (
    _c("required_m", "float", "length asked by the rule; empty where it asks no length"),
    _c("provided_m", "float", "length measured"),
    _c("margin_m", "float", "to spare, negative when too little"),
    _c("outcome", "str", "what comes of it", "outcome"),
)
_THING = (
    *LAYERS["features"].columns,
    _c("located", "str", "how well its place is known, in words"),
    _c("half_m", "float", "half width that was counted where it is a line or point"),
    _c("on_lot", "int", "1: some of it lies on the lot"),
)


def _layers(book: PermitBook, more: Sequence[str]) -> dict[str, LayerSchema]:
    """The layers in order. more: columns of the features that we do not know, as given."""
    things = (*_THING, *(_c(name, "str", "as given in the file") for name in more))
    high = "" if any(bore.flat for bore in book.bores) else "3D "
    text, count = "as on the sheets", "number"
    return {
        "parcel": LayerSchema("Unknown", "the lot; neighbours' lots by their kind", LAYERS["parcel"].columns),
        "buildings": LayerSchema("Unknown", "buildings", things),
        "features": LayerSchema("Unknown", "everything else on or under the ground", things),
        "zones": LayerSchema(
            "MultiPolygon",
            "what the rules keep round the things, without tolerances, worked out anew",
            (
                _c("zone_id", "str", "own id"),
                *_RULE[:3],
                _c("mode", "str", "how a bore may cross", "mode"),
                _c("distance_m", "float", "plan distance that the rule asks"),
                _c("tolerance_m", "float", "tolerances in it: none"),
                _c("min_cover_m", "float", "greatest cover or depth that a row asked in it; empty: none was measured"),
                _c("closed", "int", "1: closed at every depth"),
                _c("for_bores", "int", "always 1"),
                _c("citation", "str", "where the rule stands"),
            ),
        ),
        "pads": LayerSchema("Unknown", "where the rig stands", (_LAYOUT, _RANK)),
        "headers": LayerSchema("LineString", "pipe run from pad to building", (_LAYOUT, _RANK)),
        "bores": LayerSchema(
            f"{high}LineString",
            "bores, entry to exit, as measured",
            (
                *(_LAYOUT, _BORE, _RANK, _c("source", "str", "planned, staked, logged or surveyed; empty: not said")),
                _c("length_m", "float", "drilled length; in plan for a bore without heights"),
                _c("plan_length_m", "float", "length in plan"),
                _c("level_from", "float", "not told here"),
                _c("level_to", "float", "not told here"),
                _c("max_depth_m", "float", "deepest point of the axis below the ground above it; empty: not known"),
                _c("min_cover_m", "float", "least cover between the ends of the deep run; empty: not known"),
                _c("entry_pitch_pct", "float", "pitch at the entry, negative going down"),
                _c("exit_pitch_pct", "float", "pitch at the exit, positive coming up"),
                _c("hole_diameter_m", "float", "reamed hole"),
                _c("heights", "int", "1: the line has heights; 0: it has none, and depths are not judged"),
                _c("governing_rule_id", "str", "rule whose plan distance is nearest to what is asked"),
                _c("governing_thing", "str", "thing that it is kept from"),
                *_JUDGED,
            ),
        ),
        "crossings": LayerSchema(
            f"{high}Point",
            "where a bore passes under or over a thing, in plan; height of the bore's axis",
            (
                *(_LAYOUT, _BORE, _RANK, *_RULE[1:]),
                _c("quality", "str", "ASCE 38 quality level", "quality"),
                _c("station_m", "float", "drilled length from the entry; the middle for an area"),
                _c("start_m", "float", "where it begins"),
                _c("end_m", "float", "where it ends"),
                _c("angle_deg", "float", "angle in plan, 90 is square; empty for an area"),
                _c("thing_depth_m", "float", "depth of the thing; empty: not known"),
                _c("clearance_m", "float", "clear height between hole and thing; empty: depth not known"),
                _c("depth_known", "int", "0: nobody knows the thing's depth"),
                _c("outcome", "str", "worst row of this bore and thing", "outcome"),
            ),
        ),
        "dimensions": LayerSchema(
            "LineString",
            "plan distances as measured, from bore (or reach, or pad) to thing",
            (
                *(_LAYOUT, _BORE, *_RULE, *_JUDGED),
                _c("basis", "str", "plan: of a bore; pad: of the pad"),
                _c("length_m", "float", "of the line drawn"),
                _c("governs", "int", "1: the nearest to what is asked of its bore"),
            ),
        ),
        "clearances": LayerSchema(
            "None",
            "every bore, pad and job against every rule and thing in this file",
            (
                *(_LAYOUT, _BORE, *_RULE, _c("basis", "str", "plan, cover, gap, angle, depth ..."), *_JUDGED),
                _c("required", "float", "asked, in the unit beside it"),
                _c("provided", "float", "measured"),
                _c("margin", "float", "to spare"),
                _c("unit", "str", "m, deg, bores or nothing"),
                _c("tolerance_m", "float", "how far bore and thing may lie elsewhere"),
                _c("station_m", "float", "where along the bore, drilled"),
                _c("on_fail", "str", "what the rule says of it"),
                _c("located", "str", "how well the thing's place is known"),
                _c("remark", "str", "what else is to be told"),
                _c("authority", "str", "whose rule"),
                _c("citation", "str", "where the rule stands"),
                _c("paraphrase", "str", "the rule in our words"),
                _c("status", "str", "how well its text is known"),
                _c("checked", "str", "day when somebody looked at it"),
            ),
        ),
        "rules_checked": LayerSchema(
            "None",
            "what became of every rule and duty",
            (
                *(_c("rule_id", "str", "rule file and rule or duty"), _c("state", "str", text), _c("why", "str", text)),
                *(_c("sentence", "str", "the rule in our words"), _c("outcomes", "str", f"{count} of rows by outcome")),
                *(_c("citation", "str", "where it stands"), _c("status", "str", "how well its text is known")),
                _c("checked", "str", "day when somebody looked at it"),
            ),
        ),
        "missing": LayerSchema("None", "what a clerk should ask for", (_c("what", "str", "one thing a line"),)),
    }


def write_setbacks_gpkg(
    book: PermitBook, path: Path, *, source: Path | None = None, elevation: Path | None = None
) -> Path:
    """GeoPackage of a book; gives the path.

    source: the file that the book was made from, for the ground's heights and what it says of rig, pipe and layers given;
    elevation: raster of the ground that was used instead of the file's. Without source no heights of the ground are in the file,
    and an audit of it calls every depth unverified. Raises InputError when the source is not the book's, or not readable any more.
    """
    carried = _Carried.of(book, source, elevation)
    content = _content(book)
    more = _more_columns(book.things)
    layers = _layers(book, more)
    said = json.dumps(_document(book, carried), indent=1, sort_keys=True, allow_nan=False)
    looks = styles(content, book.units)

    def finish(db: sqlite3.Connection) -> None:
        _describe(db, layers)

    write_layers(
        path,
        content,
        layers,
        Place.of(book).frame,
        said=said,
        looks={name: look for name, look in looks.items() if name in layers},
        terrain=carried.terrain,
        finish=finish,
        mixed=MIXED,
    )
    return path


def _describe(db: sqlite3.Connection, layers: dict[str, LayerSchema]) -> None:
    """Meanings and value lists of our own columns in the place of those of a file of layouts."""
    lists = {c.values for schema in layers.values() for c in schema.columns if c.values}
    db.execute("DELETE FROM gpkg_data_columns")
    db.executemany(
        "DELETE FROM gpkg_data_column_constraints WHERE constraint_name = ?",
        [(name,) for (name,) in db.execute("SELECT DISTINCT constraint_name FROM gpkg_data_column_constraints").fetchall()
         if name not in lists & set(value_lists())],
    )  # fmt: skip
    for table, schema in layers.items():
        db.executemany(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, NULL, NULL, ?, NULL, ?)",
            [(table, c.name, c.meaning, c.values or None) for c in schema.columns],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Carried:
    """What a book does not hold and its file does: document, kinds that somebody gave a layer for, heights of the ground."""

    document: dict[str, Any]
    given: frozenset[str]
    terrain: Terrain | None
    flat: bool

    @staticmethod
    def of(book: PermitBook, source: Path | None, elevation: Path | None) -> _Carried:
        """Read the source once more. Raises InputError when it is not what the book was made from."""
        buildings = any(s.layer == "buildings" and not s.what.endswith("not in the file") for s in book.sources)
        if source is None:
            return _Carried(document={}, given=frozenset({"building"} if buildings else ()), terrain=None, flat=False)
        if hashlib.sha256(Path(source).read_bytes()).hexdigest() != book.file_sha256:
            raise InputError(str(source), "changed since it was read", "run the command again")
        package = open_package(source)
        said, parcel = package.metadata, read_layer(package, "parcel")
        if parcel is None:
            raise InputError(str(source), "has no layer parcel with a lot in it", "add the lot as layer parcel")
        own = OwnFrame(str(source), parcel)
        xy = np.vstack([bore.xyz[:, :2] for bore in book.bores])
        from pyproj import Transformer  # noqa: PLC0415

        way = Transformer.from_crs(Place.of(book).frame.crs, own.crs, always_xy=True)
        there = np.column_stack(way.transform(xy[:, 0], xy[:, 1]))
        ground = find_ground(package, own, np.concatenate([there.min(axis=0), there.max(axis=0)]), elevation)
        listed = said.get("given_kinds")
        given = {str(k) for k in listed} if isinstance(listed, list) else set()
        given |= {"building"} if buildings and not said else set()
        cells = None if ground.z_m is None else _terrain(ground.z_m, ground.inverse, ground.way.target_crs.to_wkt())
        return _Carried(document=said, given=frozenset(given), terrain=cells, flat=ground.source == "flat")


def _terrain(z_m: Any, inverse: tuple[float, ...], wkt: str) -> Terrain | None:
    """Cells as the writer takes them; None for a raster that is turned, which the format cannot hold."""
    from rasterio.transform import Affine  # noqa: PLC0415

    a, b, c, d, e, f = tuple(~Affine(*inverse))[:6]
    if b or d or a <= 0 or e >= 0:
        return None
    return Terrain(z_m=z_m, map_col=(), map_row=(), cell_m=abs(a), crs_wkt=wkt, affine=(a, b, c, d, e, f))


def _document(book: PermitBook, carried: _Carried) -> dict[str, Any]:
    """What the file says of itself, in the words that the audit reads."""
    given = carried.given | {row.kind for row in book.rows if row.feature_id and row.kind != "property_line"}
    return {
        "loopgis": 1,
        "version": VERSION,
        "what": "setbacks of one layout, measured anew for a permit office",
        "site": book.site,
        "parcel_id": book.parcel_id,
        "units": book.units,
        "rules": rule_names(book),
        "given_kinds": sorted(given),
        **({"terrain": "flat"} if carried.flat else {"terrain": "raster"} if carried.terrain is not None else {}),
        "frame_wkt": book.frame_wkt,
        "claim": book.claim,
        "inputs": [{"role": "layouts", "path": book.file_name, "sha256": book.file_sha256, "crs": book.crs_name}],
        "cautions": list(book.cautions),
        **{key: carried.document[key] for key in _KEPT if _told(carried.document.get(key))},
    }


def _told(value: Any) -> bool:
    """True for what can stand in a document: somebody's file may say NaN."""
    try:
        json.dumps(value, allow_nan=False)
    except ValueError:
        return False
    return value is not None


def rule_names(book: PermitBook) -> list[str]:
    """Rule files as an audit finds them: shipped ids; an own file by the name that it must have beside the GeoPackage."""
    known = set(shipped())
    return [f.file_id if f.file_id in known else f"{f.file_id}.toml" for f in book.files]


def _more_columns(things: Iterable[Thing]) -> list[str]:
    """Columns of the things that our schema does not know and that say something, in the order of the alphabet."""
    known = {c.name for c in _THING} | _NOT_OURS
    found = {name for thing in things for name, value in thing.columns.items() if value and name not in known}
    return sorted(found)[:MOST_COLUMNS]


# rows --------------------------------------------------------------------


def _content(book: PermitBook) -> dict[str, list[Row]]:
    """Rows of every layer, frame metres."""
    layout = {"layout_id": book.layout_id, "rank": RANK}
    buildings = [t for t in book.things if t.kind == "building"]
    written = {(t.feature_id, t.kind) for t in book.things}
    here = [r for r in book.rows if not r.feature_id or r.kind == "property_line" or (r.feature_id, r.kind) in written]
    return {
        "parcel": _parcel(book),
        "buildings": [_thing(t) for t in buildings],
        "features": [_thing(t) for t in book.things if t.kind != "building"],
        "zones": _zones(book),
        "pads": [(tidy(pad), layout) for pad in book.pads],
        "headers": [(shapely.LineString(line[:, :2]), layout) for line in book.headers if len(line) > 1],
        "bores": [_bore(bore, layout) for bore in book.bores],
        "crossings": [_crossing(c, bore, book, layout) for bore in book.bores for c in bore.crossings],
        "dimensions": [
            (
                shapely.LineString([line.start, line.end]),
                {**_row(row), "length_m": line.length_m, "governs": int(governs)},
            )
            for row, line, governs in dimensions(book)
        ],
        "clearances": [(None, _row(row)) for row in here],
        "rules_checked": [
            (
                None,
                {
                    "rule_id": line.key,
                    "state": line.state,
                    "why": line.why,
                    "sentence": line.sentence,
                    "outcomes": outcomes_text(line.outcomes),
                    "citation": line.citation,
                    "status": line.status,
                    "checked": "" if line.checked is None else line.checked.isoformat(),
                },
            )
            for line in book.rules
        ],
        "missing": [(None, {"what": line}) for line in book.missing],
    }


def _parcel(book: PermitBook) -> list[Row]:
    """The lot, then neighbours' lots that are not among the features."""
    own = next((r.feature_id for r in book.rows if r.kind == "property_line" and r.feature_id), book.parcel_id)
    among = [t.geometry for t in book.things if t.kind == "neighbour_parcel"]
    apart = [n for n in book.lot.neighbours if not any(n is shape for shape in among)]
    beside: list[Row] = [
        (tidy(shape), {"feature_id": f"neighbour-{n}", "kind": "neighbour_parcel", "quality": "unknown", "code": ""})
        for n, shape in enumerate(apart, 1)
    ]
    lot = {"feature_id": own, "kind": "property_line", "quality": "unknown", "label": "lot", "code": ""}
    return [(tidy(book.lot.polygon), lot), *beside]


def tidy(shape: BaseGeometry) -> BaseGeometry:
    """A geometry as plain as it can be: parts of one sort as a multi-part of that sort, one part alone as itself; never nested."""
    parts = [p for q in shapely.get_parts(shapely.get_parts(shape)) for p in shapely.get_parts(q) if not p.is_empty]
    if len(parts) == 1:
        return parts[0]
    sorts = {p.geom_type for p in parts}
    if sorts == {"Polygon"}:
        return shapely.MultiPolygon(parts)
    if sorts <= {"LineString", "LinearRing"}:
        return shapely.MultiLineString(parts)
    return shapely.MultiPoint(parts) if sorts == {"Point"} else shapely.GeometryCollection(parts)


def _thing(thing: Thing) -> Row:
    values: dict[str, Any] = dict(thing.columns)
    for column in _THING:
        if column.type == "float" and column.name in values:
            values[column.name] = _number(values[column.name])
    return (
        tidy(thing.geometry),
        {
            **values,
            "feature_id": thing.feature_id,
            "kind": thing.kind,
            "quality": thing.quality,
            "depth_m": thing.depth_m,
            "label": thing.label,
            "code": thing.letter,
            "located": thing.located,
            "half_m": thing.half_m,
            "on_lot": int(thing.on_lot),
        },
    )


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _zones(book: PermitBook) -> list[Row]:
    asked: dict[tuple[str, str], float] = {}
    for row in book.rows:
        if row.basis == "cover":
            key = (row.rule_id, row.feature_id)
            asked[key] = max(asked.get(key, 0.0), row.required)
    where = {line.key: line.citation for line in book.rules}
    rows: list[Row] = []
    for zone in book.zones:
        parts = [p for p in shapely.get_parts(zone.polygon) if p.geom_type == "Polygon" and p.area > 0]
        if parts:
            values = {
                "zone_id": f"Z-{len(rows) + 1:03d}",
                "rule_id": zone.rule_id,
                "feature_id": zone.feature_id,
                "kind": zone.kind,
                "mode": zone.mode,
                "distance_m": zone.distance_m,
                "tolerance_m": 0.0,
                "min_cover_m": None if zone.closed else asked.get((zone.rule_id, zone.feature_id)),
                "closed": int(zone.closed),
                "for_bores": 1,
                "citation": where.get(zone.rule_id, ""),
            }
            rows.append((shapely.MultiPolygon(parts), values))
    return rows


def _bore(bore: BorePlan, layout: dict[str, Any]) -> Row:
    near = bore.governing
    return (
        shapely.LineString(bore.xyz[:, : 2 if bore.flat else 3]),
        {
            **layout,
            "bore_id": bore.bore_id,
            "source": bore.source,
            "length_m": bore.length_m,
            "plan_length_m": bore.plan_length_m,
            "max_depth_m": bore.max_depth_m,
            "min_cover_m": bore.min_cover_m,
            "entry_pitch_pct": bore.entry_pitch_pct,
            "exit_pitch_pct": bore.exit_pitch_pct,
            "hole_diameter_m": bore.hole_diameter_m,
            "heights": int(not bore.flat),
            "governing_rule_id": "" if near is None else near.rule_id,
            "governing_thing": "" if near is None else near.thing,
            "required_m": None if near is None else near.required,
            "provided_m": None if near is None else near.provided,
            "margin_m": None if near is None else near.margin,
            "outcome": bore.outcome,
        },
    )


def _crossing(crossing: Crossing, bore: BorePlan, book: PermitBook, layout: dict[str, Any]) -> Row:
    from loopgis.sheets.permit_read import worst_of  # noqa: PLC0415 - reads files; here only for its order of outcomes

    station = middle(crossing)
    z = height_at(bore, station)
    rows = [
        r for r in book.rows if (r.bore_id, r.feature_id, r.kind) == (bore.bore_id, crossing.feature_id, crossing.kind)
    ]
    return (
        shapely.Point(*crossing.xy, *([] if z is None else [z])),
        {
            **layout,
            "bore_id": bore.bore_id,
            "feature_id": crossing.feature_id,
            "kind": crossing.kind,
            "thing": crossing.thing,
            "quality": crossing.quality,
            "station_m": station,
            "start_m": crossing.start_m,
            "end_m": crossing.end_m,
            "angle_deg": crossing.angle_deg,
            "thing_depth_m": crossing.depth_m,
            "clearance_m": crossing.gap_m,
            "depth_known": int(crossing.depth_m is not None),
            "outcome": worst_of(r.outcome for r in rows),
        },
    )


def _row(row: SetbackRow) -> dict[str, Any]:
    """Columns of a row; lengths alone stand in the columns that end in _m."""
    figures = {"required": row.required, "provided": row.provided, "margin": row.margin}
    return {
        **{name: getattr(row, name) for name in ("layout_id", "bore_id", "rule_id", "feature_id", "kind", "thing")},
        **{name: getattr(row, name) for name in ("basis", "outcome", "unit", "tolerance_m", "station_m", "on_fail")},
        **{name: getattr(row, name) for name in ("located", "remark", "authority", "citation", "paraphrase", "status")},
        **{f"{name}_m": value for name, value in figures.items() if row.unit == "m"},
        **(figures if row.unit else {}),
        "checked": "" if row.checked is None else row.checked.isoformat(),
    }
