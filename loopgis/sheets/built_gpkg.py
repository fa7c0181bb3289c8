"""The as-built GeoPackage: the layouts' file as it was, with what was drilled beside it.

Rows with the id of the layout of drilled bores come into the layers that are there (bores, pads, headers, exits, clearances,
findings, layouts); holes, readings, ties and records are layers of their own; rod_log holds every entry with its chain.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.bore.rods import rod_table
from loopgis.field.log import FIELDS
from loopgis.sheets import tokens
from loopgis.sheets.drill_rows import rod_figures
from loopgis.sheets.gpkg_copy import add_columns, append_rows, copied, ensured, new_layers, quoted, said_anew
from loopgis.sheets.gpkg_looks import Look, Mark, Stroke, Style, Text, Where
from loopgis.sheets.gpkg_qml import qml
from loopgis.sheets.gpkg_row import some
from loopgis.sheets.gpkg_rows import bore_figures
from loopgis.sheets.gpkg_sld import sld
from loopgis.sheets.layout_file import figure_in, text_in
from loopgis.sheets.schema import LAYERS, Column, LayerSchema

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from loopgis.bore.model import Bore
    from loopgis.field.book import BuiltBook, BuiltRod
    from loopgis.field.model import Log
    from loopgis.sheets.gpkg_row import Row
    from loopgis.sheets.layout_file import LayoutFile
    from loopgis.sheets.permit_book import PermitBook

_IDS = (Column("layout_id", "str", "layout as planned"), Column("bore_id", "str", "bore this row belongs to"))
BUILT_LAYERS: dict[str, LayerSchema] = {
    "holes": LayerSchema(
        "3D LineString",
        "every hole as drilled, also those that were given up",
        (
            *_IDS,
            Column("hole", "int", "number of the hole, in the order of drilling"),
            Column("state", "str", "drilled, begun, or given up"),
            Column("source", "str", "logged or surveyed", "source"),
            Column("from_rod", "int", "first rod that is no other hole's"),
            Column("to_rod", "int", "last rod"),
            Column("length_m", "float", "drilled length from the entry"),
            Column("max_depth_m", "float", "deepest point of the axis below the ground above it"),
            Column("worst_off_m", "float", "farthest off the planned path"),
            Column("error_m", "float", "largest standard error across the bore"),
            Column("error_z_m", "float", "largest standard error in height"),
            Column("problems", "str", "what does not fit together"),
        ),
    ),
    "readings": LayerSchema(
        "3D Point",
        "the head at the end of each rod, as drilled",
        (
            *_IDS,
            Column("hole", "int", "number of the hole"),
            Column("rod", "int", "rod number, 0 is the entry"),
            Column("station_m", "float", "drilled length from the entry"),
            Column("depth_m", "float", "below the ground above, by all that was read"),
            Column("read_depth_m", "float", "as the locator said"),
            Column("pitch_pct", "float", "pitch, negative going down"),
            Column("ground_m", "float", "elevation of the ground above"),
            Column("along_m", "float", "further than planned for what was drilled"),
            Column("right_m", "float", "right of the planned path"),
            Column("down_m", "float", "below the planned path"),
            Column("tube_m", "float", "radius of the tube that the bore may use"),
            Column("error_m", "float", "standard error across the bore"),
            Column("error_z_m", "float", "standard error in height"),
            Column("gap_m", "float", "locator's height less that of the summed pitches"),
            Column("allowed_m", "float", "what the gap may be"),
            Column("told", "int", "1: it drifted or left its tube here"),
            Column("given_up", "int", "1: of a hole that was given up"),
            Column("read_at", "str", "time of reading, UTC"),
            Column("remark", "str", "as written"),
        ),
    ),
    "ties": LayerSchema(
        "Point",
        "what must be found again, with tapes from two points that stay",
        (
            *_IDS,
            Column("mark", "str", "letter on the as-built sheet"),
            Column("what", "str", "entry, exit, end, header, wall"),
            Column("words", "str", "what it is"),
            Column("depth_m", "float", "below the ground"),
            Column("error_m", "float", "standard error of its place"),
            Column("from_first", "str", "first fixed point"),
            Column("first_m", "float", "tape from it"),
            Column("from_second", "str", "second fixed point"),
            Column("second_m", "float", "tape from it"),
            Column("longitude", "float", "WGS84, degrees"),
            Column("latitude", "float", "WGS84, degrees"),
        ),
    ),
    "records": LayerSchema(
        "None",
        "pull, pressure test and purge against their limits",
        (
            *_IDS,
            Column("event", "str", "pull, test or purge"),
            Column("read_at", "str", "time, UTC"),
            Column("tablet", "str", "who recorded it"),
            Column("said", "str", "what was recorded"),
            Column("limit_words", "str", "what it is held against"),
            Column("outcome", "str", "pass, fail, unverified", "outcome"),
            Column("words", "str", "what comes of it"),
        ),
    ),
}
"""Layers that only an as-built has."""
CHAIN = (
    Column("tablet", "str", "whose entry it is"),
    Column("number", "int", "how-manieth of that tablet"),
    Column("of", "str", "entry that an undo takes back"),
    Column("values", "str", "figures of a record, JSON"),
    Column("before", "str", "hash of the tablet's entry before"),
    Column("hash", "str", "hash of this entry"),
)
"""Columns of rod_log that keep the chain of the tablets."""
_PT_MM = 25.4 / 72


def write_draft(
    path: Path, file: LayoutFile, layout_id: str, built_id: str, lying: Sequence[Bore], rod_m: float
) -> None:
    """A copy of the file with the layout of drilled bores and nothing else new: what the audit measures."""
    with copied(file.path, path) as draft:
        _with_bores(draft, file, layout_id, built_id, lying, rod_m)


def write_built_package(
    path: Path, file: LayoutFile, log: Log, book: BuiltBook, lying: Sequence[Bore], permit: PermitBook
) -> None:
    """The as-built file. Raises InputError as `gpkg_copy.copied` does."""
    with copied(file.path, path) as draft:
        _with_bores(draft, file, book.layout_id, book.built_id, lying, book.rod_length_m)
        append_rows(draft, "clearances", [(None, r) for r in _clearances(permit, book.built_id)])
        append_rows(draft, "findings", [(None, r) for r in _findings(book)])
        append_rows(draft, "layouts", [(None, _layout(file, book, lying))])
        content = {
            "holes": list(_holes(file, book)),
            "readings": list(_readings(file, book)),
            "ties": list(_ties(book)),
            "records": list(_records(book)),
        }
        new_layers(draft, BUILT_LAYERS, content, file.wkt, _looks())
        _keep_log(draft, log)
        built = {"layout_id": book.layout_id, "built_id": book.built_id, "entries": len(log.entries)}
        said_anew(draft, {**file.said, "built": {**file.said.get("built", {}), book.layout_id: built}})


def _with_bores(
    draft: Path, file: LayoutFile, layout_id: str, built_id: str, lying: Sequence[Bore], rod_m: float
) -> None:
    """The bores, pad, exits and header of the layout as drilled; rows of an earlier as-built are taken out."""
    _forget(draft, built_id, layout_id)
    lines = {str(r["bore_id"]): r for r in file.rows("bores", layout_id)}

    def mine(layer: str) -> list[Row]:
        return [(r["geometry"], {**r, "layout_id": built_id, "rank": None}) for r in file.rows(layer, layout_id)]

    append_rows(draft, "bores", [_bore(file, b, lines[b.bore_id], built_id, rod_m) for b in lying])
    append_rows(draft, "pads", mine("pads"))
    append_rows(draft, "headers", mine("headers"))
    exits = [(_point(file, b.xyz[-1]), {"layout_id": built_id, "bore_id": b.bore_id}) for b in lying]
    append_rows(draft, "exits", exits)
    append_rows(draft, "rods", [r for b in lying for r in _rods(file, b, built_id, rod_m)])


def _forget(draft: Path, built_id: str, layout_id: str) -> None:
    """Take out what an earlier as-built of the same layout left."""
    with closing(sqlite3.connect(draft)) as db, db:
        for (name,) in db.execute("SELECT table_name FROM gpkg_contents").fetchall():
            columns = {str(r[1]) for r in db.execute(f"PRAGMA table_info({quoted(name)})")}
            if "layout_id" not in columns:
                continue
            gone = layout_id if name in BUILT_LAYERS else built_id
            db.execute(f"DELETE FROM {quoted(name)} WHERE layout_id = ?", (gone,))  # noqa: S608 - quoted


def _point(file: LayoutFile, xyz: Any) -> shapely.Point:
    x, y = file.frame.to_parcel_crs(np.asarray(xyz, dtype=float)[None, :2])[0]
    return shapely.Point(x, y, float(xyz[2]))


def _line(file: LayoutFile, xyz: Any) -> shapely.LineString:
    return shapely.LineString(np.column_stack([file.frame.to_parcel_crs(xyz[:, :2]), xyz[:, 2]]))


def _bore(file: LayoutFile, bore: Bore, planned: dict[str, Any], built_id: str, rod_m: float) -> Row:
    shape = bore.shape if bore.in_ground else text_in(planned, "shape")
    figures = {**bore_figures(bore, rod_m), "layout_id": built_id, "bore_id": bore.bore_id, "shape": shape}
    return _line(file, bore.xyz), some(figures)


def _rods(file: LayoutFile, bore: Bore, built_id: str, rod_m: float) -> Iterator[Row]:
    for r, figures in rod_figures(bore, rod_table(bore, rod_m)):
        named = {"layout_id": built_id, "bore_id": bore.bore_id, **figures}
        yield _point(file, [r.x_m, r.y_m, r.z_m]), some(named)


def _clearances(permit: PermitBook, built_id: str) -> Iterator[dict[str, Any]]:
    """The audit's rows that the layer clearances has a place for."""
    for r in permit.rows:
        if r.basis in {"plan", "cover", "gap"} and r.unit == "m":
            yield {
                "layout_id": built_id,
                "bore_id": r.bore_id,
                "rule_id": r.rule_id,
                "feature_id": r.feature_id,
                "kind": r.kind,
                "basis": r.basis,
                "required_m": r.required,
                "provided_m": r.provided,
                "margin_m": r.margin,
                "outcome": r.outcome,
                "citation": r.citation,
            }


def _findings(book: BuiltBook) -> Iterator[dict[str, Any]]:
    for f in book.findings:
        yield {
            "layout_id": book.built_id,
            "bore_id": f.bore_id,
            "severity": f.severity,
            "code": f.code,
            "message": f.message,
            "remedy": f.remedy,
            "units": book.units,
        }


def _layout(file: LayoutFile, book: BuiltBook, lying: Sequence[Bore]) -> dict[str, Any]:
    planned = file.layout(book.layout_id)
    heat = book.heat
    return some(
        {
            "layout_id": book.built_id,
            "pattern": text_in(planned, "pattern"),
            "bores": len(lying),
            "total_length_m": float(sum(b.length_m for b in lying)),
            "level_length_m": float(sum(b.level_length_m for b in lying)),
            "crossings": 0,
            "header_length_m": figure_in(planned, "header_length_m"),
            "needed_length_m": None if heat is None else heat.needed_m,
            "ewt_min_c": None if heat is None else heat.ewt_c[0],
            "ewt_max_c": None if heat is None else heat.ewt_c[1],
            "distinction": "as drilled",
        }
    )


def _holes(file: LayoutFile, book: BuiltBook) -> Iterator[Row]:
    for bore in book.bores:
        for leg in bore.legs:
            if not leg.rods or len(leg.line) < 2:
                continue
            last = leg.rods[-1]
            off = [np.hypot(r.right_m, r.down_m) for r in leg.rods if r.right_m is not None and r.down_m is not None]
            figures = {
                "layout_id": book.layout_id,
                "bore_id": bore.bore_id,
                "hole": leg.number,
                "state": "given up" if leg.abandoned else bore.state,
                "source": "logged" if leg.abandoned or bore.source == "planned" else bore.source,
                "from_rod": leg.given_up_from if leg.abandoned and leg.given_up_from else 0,
                "to_rod": last.rod,
                "length_m": last.station_m,
                "max_depth_m": max(r.depth_m for r in leg.rods),
                "worst_off_m": float(max(off, default=np.nan)),
                "error_m": max(r.error_m for r in leg.rods),
                "error_z_m": max(r.error_z_m for r in leg.rods),
                "problems": "; ".join(leg.problems),
            }
            yield _line(file, leg.line), some(figures)


def _readings(file: LayoutFile, book: BuiltBook) -> Iterator[Row]:
    for bore in book.bores:
        for leg in bore.legs:
            for rod in leg.rods:
                names = [c.name for c in BUILT_LAYERS["readings"].columns if hasattr(rod, c.name)]
                figures = {
                    **{n: getattr(rod, n) for n in names},
                    "layout_id": book.layout_id,
                    "bore_id": bore.bore_id,
                    "hole": leg.number,
                    "told": int(rod.told),
                    "given_up": int(leg.abandoned),
                }
                yield _rod_point(file, rod), some(figures)


def _rod_point(file: LayoutFile, rod: BuiltRod) -> shapely.Point:
    return _point(file, np.array([rod.x, rod.y, rod.z_m]))


def _ties(book: BuiltBook) -> Iterator[Row]:
    for t in book.ties:
        figures = {
            "layout_id": book.layout_id,
            "bore_id": t.bore_id,
            "mark": t.mark,
            "what": t.what,
            "words": t.words,
            "depth_m": t.depth_m,
            "error_m": t.error_m,
            "from_first": t.first.name,
            "first_m": t.first.distance_m,
            "from_second": t.second.name,
            "second_m": t.second.distance_m,
            "longitude": t.lon,
            "latitude": t.lat,
        }
        yield shapely.Point(t.file_x, t.file_y), some(figures)


def _records(book: BuiltBook) -> Iterator[Row]:
    for r in (*(r for b in book.bores for r in b.records), *book.records):
        names = ("bore_id", "event", "read_at", "tablet", "said", "outcome", "words")
        yield None, {"layout_id": book.layout_id, "limit_words": r.limit, **{n: getattr(r, n) for n in names}}


def _keep_log(draft: Path, log: Log) -> None:
    """Every entry, undone ones too, in the table rod_log; times as they were written, since the chain hangs on them."""
    ensured(draft, "rod_log")
    add_columns(draft, "rod_log", CHAIN)
    names = [c.name for c in (*LAYERS["rod_log"].columns, *CHAIN)]
    listed, marks = ", ".join(quoted(n) for n in names), ", ".join("?" * len(names))
    rows = []
    for e in log.entries:
        told = {n: getattr(e, n) for n in FIELDS}
        told["values"] = json.dumps(e.values, sort_keys=True) if e.values else None
        rows.append([told[n] if told[n] != "" else None for n in names])
    with closing(sqlite3.connect(draft)) as db, db:
        db.execute("DELETE FROM rod_log")
        db.executemany(f"INSERT INTO rod_log ({listed}) VALUES ({marks})", rows)  # noqa: S608 - names of ours


def _looks() -> dict[str, tuple[str, str]]:
    """Styles of the as-built's own layers: planned bores stay as they are, what was drilled lies over them."""
    ink, fail = tokens.INK, tokens.OUTCOME["fail"].colour
    holes = Style(
        (
            Look(
                "hole that was given up",
                (Stroke(tokens.PAPER, 1.5), Stroke(fail, 0.7, (1.2, 1.2))),
                (Where("state", "given up"),),
            ),
            Look("as drilled", (Stroke(tokens.PAPER, 1.8), Stroke(ink, 0.9)), rest=True),
        ),
        Text('"bore_id" || \' \' || "state"', "bore_id", ink, along=True),
    )
    readings = Style(
        (
            Look(
                "off the plan",
                (Mark("disc", tokens.OUTCOME["pass_thin"].colour, tokens.HALO, 2.4, 0.3),),
                (Where("told", 1),),
            ),
            Look("given up", (Mark("cross", fail, fail, 2.0, 0.5),), (Where("given_up", 1),)),
            Look("reading", (Mark("disc", ink, tokens.PAPER, 1.7, 0.3),), rest=True),
        )
    )
    ties = Style(
        (Look("tied to two fixed points", (Mark("disc", tokens.PAPER, ink, 4.4, 0.5),)),),
        Text('"mark"', "mark", ink, 7.5, over=True),
    )
    found = {"holes": holes, "readings": readings, "ties": ties}
    return {name: (qml(style), sld(name, style)) for name, style in found.items()}
