"""Tables beside the layers: styles, value lists and ranges (GeoPackage schema extension), metadata (metadata extension)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.sheets.schema import LAYERS, RANGES, LayerSchema, value_lists

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE IF NOT EXISTS layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT,
  f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT,
  ui TEXT, update_time DATETIME);
"""
_EXTENSIONS = [
    ("gpkg_data_columns", "gpkg_schema", "http://www.geopackage.org/spec/#extension_schema"),
    ("gpkg_data_column_constraints", "gpkg_schema", "http://www.geopackage.org/spec/#extension_schema"),
    ("gpkg_metadata", "gpkg_metadata", "http://www.geopackage.org/spec/#extension_metadata"),
    ("gpkg_metadata_reference", "gpkg_metadata", "http://www.geopackage.org/spec/#extension_metadata"),
]


def add_tables(db: sqlite3.Connection, document: str, date: str, styles: Mapping[str, tuple[str, str]]) -> None:
    """Fill all side tables of a freshly written file.

    document: JSON text; date: the fixed date of change; styles: QML and SLD text by layer name.
    """
    db.executescript(_TABLES)
    for table, extension, link in _EXTENSIONS:
        present = db.execute(
            "SELECT 1 FROM gpkg_extensions WHERE table_name = ? AND extension_name = ?", (table, extension)
        ).fetchone()
        if present is None:
            db.execute("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')", (table, extension, link))
    _values(db)
    describe(db, LAYERS)
    db.execute(
        "INSERT INTO gpkg_metadata (id, md_scope, md_standard_uri, mime_type, metadata)"
        " SELECT coalesce(max(id), 0) + 1, 'dataset', 'https://www.rfc-editor.org/rfc/rfc8259', 'application/json', ?"
        " FROM gpkg_metadata",
        (document,),
    )
    db.execute(
        "INSERT INTO gpkg_metadata_reference SELECT 'geopackage', NULL, NULL, NULL, ?, max(id), NULL FROM gpkg_metadata",
        (date,),
    )
    _styles(db, date, styles)


def _values(db: sqlite3.Connection) -> None:
    insert = "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    for name, values in value_lists().items():
        db.executemany(insert, [(name, "enum", v, None, None, None, None, v.replace("_", " ")) for v in values])
    for name, (low, high) in RANGES.items():
        db.execute(insert, (name, "range", None, low, 1, high, 1, f"{low:g} to {high:g}"))


def describe(db: sqlite3.Connection, layers: Mapping[str, LayerSchema]) -> None:
    """What the columns of some layers mean, and their value lists."""
    for table, schema in layers.items():
        for column in schema.columns:
            db.execute(
                "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, NULL, NULL, ?, NULL, ?)",
                (table, column.name, column.meaning, column.values or None),
            )


def _styles(db: sqlite3.Connection, date: str, styles: Mapping[str, tuple[str, str]]) -> None:
    geometry = dict(db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
    for name, look in styles.items():
        add_style(db, name, geometry[name], look, LAYERS[name].meaning, date)
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id)"
        " VALUES ('layer_styles', 'attributes', 'layer_styles', 'styles of the layers', ?, 0)",
        (date,),
    )


def add_style(
    db: sqlite3.Connection, layer: str, geometry: str, look: tuple[str, str], meaning: str, date: str
) -> None:
    """A layer's default style. geometry: name of its column; look: QML and SLD; date: of the change."""
    db.execute(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML,"
        " styleSLD, useAsDefault, description, owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)",
        (layer, geometry, f"loopgis {layer}", *look, meaning, date),
    )
