"""A GeoPackage that stands already, copied and changed: rows taken out or added, layers added, everything else left as it is.

The copy is SQLite's own backup, so a file that somebody has open comes out whole; what the user added to it (layers, styles,
columns) stays. It is worked on in the system's temporary folder and put in its place in one step.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import replaced_file
from loopgis.core.errors import InputError
from loopgis.core.in_use import readable
from loopgis.sheets.gpkg_tables import add_style, describe
from loopgis.sheets.gpkg_write import DATE, drafted
from loopgis.sheets.schema import LAYERS, value_lists
from loopgis.site.log import plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from loopgis.sheets.gpkg_row import Row
    from loopgis.sheets.schema import Column, LayerSchema

SMALL_PAGE = 1024
"""Bytes of a page in a file of one layout: a tenth smaller than with the usual 4096."""


@contextmanager
def copied(source: Path, target: Path) -> Iterator[Path]:
    """Path of a copy to work on; it takes the place of `target` when the block ends well.

    Raises InputError for a source that cannot be read, or a place that cannot be written.
    """
    with replaced_file(target) as temp, drafted(temp) as draft:
        try:
            with (
                closing(sqlite3.connect(f"{readable(source).resolve().as_uri()}?mode=ro", uri=True)) as old,
                closing(sqlite3.connect(draft)) as new,
            ):
                old.backup(new)
                new.execute("PRAGMA journal_mode = DELETE")
        except sqlite3.Error as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_FULL:  # the draft's folder, not the source
                raise
            raise InputError(
                str(source), f"cannot be copied ({plain(error)})", "close it elsewhere, or take a fresh copy"
            ) from None
        yield draft


def quoted(name: str) -> str:
    """A name as SQL takes it."""
    return '"' + name.replace('"', '""') + '"'


def only_layout(draft: Path, layout_id: str, *, drop: Iterable[str] = ()) -> None:
    """Take out the rows of all other layouts, and whole tables. drop: names of tables, those that are not there are passed over."""
    import fiona  # noqa: PLC0415

    with closing(sqlite3.connect(draft)) as db:
        there = {str(r[0]) for r in db.execute("SELECT table_name FROM gpkg_contents")}
    gone = [name for name in drop if name in there]
    for name in gone:
        fiona.remove(str(draft), driver="GPKG", layer=name)
    with closing(sqlite3.connect(draft)) as db, db:
        for name in gone:
            for table, column in (
                ("layer_styles", "f_table_name"),
                ("gpkg_data_columns", "table_name"),
                ("gpkg_metadata_reference", "table_name"),
                ("gpkg_extensions", "table_name"),
            ):
                if db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone():
                    db.execute(f"DELETE FROM {table} WHERE {column} = ?", (name,))  # noqa: S608 - names of ours
        for name in sorted(there - set(gone)):
            columns = {str(r[1]) for r in db.execute(f"PRAGMA table_info({quoted(name)})")}
            if "layout_id" in columns:
                db.execute(f"DELETE FROM {quoted(name)} WHERE layout_id <> ?", (layout_id,))  # noqa: S608 - quoted
    with closing(sqlite3.connect(draft)) as db:
        db.execute(f"PRAGMA page_size = {SMALL_PAGE}")
        db.execute("VACUUM")


def add_columns(draft: Path, table: str, columns: Iterable[Column]) -> None:
    """Columns that an older file's table does not have yet."""
    kinds = {"str": "TEXT", "int": "MEDIUMINT", "float": "REAL", "datetime": "DATETIME"}
    with closing(sqlite3.connect(draft)) as db, db:
        there = {str(r[1]).lower() for r in db.execute(f"PRAGMA table_info({quoted(table)})")}
        for column in columns:
            if column.name not in there:
                db.execute(f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(column.name)} {kinds[column.type]}")
                db.execute(
                    "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, NULL, NULL, ?, NULL, ?)",
                    (table, column.name, column.meaning, column.values or None),
                )
        _lists(db)


def _lists(db: sqlite3.Connection) -> None:
    """Value lists that the file does not have yet."""
    known = {str(r[0]) for r in db.execute("SELECT DISTINCT constraint_name FROM gpkg_data_column_constraints")}
    for name, values in value_lists().items():
        if name not in known:
            db.executemany(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
                [(name, v, v.replace("_", " ")) for v in values],
            )


def ensured(draft: Path, table: str) -> None:
    """A table of ours with all the columns that it has today, whether the file has it or not."""
    with closing(sqlite3.connect(draft)) as db:
        there = db.execute("SELECT 1 FROM gpkg_contents WHERE table_name = ?", (table,)).fetchone()
    if there:
        add_columns(draft, table, LAYERS[table].columns)
    else:
        new_layers(draft, {table: LAYERS[table]}, {table: []}, "")


def new_layers(
    draft: Path,
    layers: Mapping[str, LayerSchema],
    content: Mapping[str, Sequence[Row]],
    crs_wkt: str,
    looks: Mapping[str, tuple[str, str]] | None = None,
) -> None:
    """Layers that the file does not have, or has from an earlier run of the same kind. Geometries in the file's coordinates.

    looks: QML and SLD by layer.
    """
    import fiona  # noqa: PLC0415

    with fiona.Env(OGR_CURRENT_DATE=DATE, OGR_SQLITE_SYNCHRONOUS="OFF"):
        for name, schema in layers.items():
            declared = {"geometry": schema.geometry, "properties": {c.name: c.type for c in schema.columns}}
            crs = {} if schema.plain else {"crs_wkt": crs_wkt}
            with fiona.open(
                draft, "w", driver="GPKG", layer=name, schema=declared, DESCRIPTION=schema.meaning, **crs
            ) as sink:
                sink.writerecords([_record(schema.columns, row) for row in content[name]])
    with closing(sqlite3.connect(draft)) as db, db:
        describe(db, layers)
        _lists(db)
        for name, look in (looks or {}).items():
            db.execute("DELETE FROM layer_styles WHERE f_table_name = ?", (name,))
            add_style(db, name, "geom", look, layers[name].meaning, DATE)


def append_rows(draft: Path, layer: str, rows: Sequence[Row]) -> None:
    """Rows at the end of a layer that is there. Geometries in the file's coordinates; columns that the layer lacks are left out."""
    import fiona  # noqa: PLC0415

    if not rows:
        return
    with fiona.Env(OGR_CURRENT_DATE=DATE, OGR_SQLITE_SYNCHRONOUS="OFF"), fiona.open(draft, "a", layer=layer) as sink:
        names = list(sink.schema["properties"])
        sink.writerecords(
            [
                {
                    "geometry": None if shape is None else shape.__geo_interface__,
                    "properties": {n: _plain(values.get(n)) for n in names},
                }
                for shape, values in rows
            ]
        )


def _record(columns: Iterable[Column], row: Row) -> dict[str, Any]:
    shape, values = row
    return {
        "geometry": None if shape is None else shape.__geo_interface__,
        "properties": {c.name: _plain(values.get(c.name)) for c in columns},
    }


def _plain(value: Any) -> Any:
    """Numpy's numbers as Python's, NaN as an empty cell."""
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and value != value else value  # noqa: PLR0124 - NaN


def said_anew(draft: Path, document: Mapping[str, Any]) -> None:
    """Put another document of ours in the place of the file's."""
    text = json.dumps(document, indent=1, sort_keys=True, allow_nan=False)
    with closing(sqlite3.connect(draft)) as db, db:
        for number, old in db.execute("SELECT id, metadata FROM gpkg_metadata").fetchall():
            try:
                ours = json.loads(old).get("loopgis") == 1
            except (ValueError, AttributeError):
                ours = False
            if ours:
                db.execute("UPDATE gpkg_metadata SET metadata = ? WHERE id = ?", (text, number))
                return
