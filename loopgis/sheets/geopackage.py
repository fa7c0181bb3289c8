"""The GeoPackage: every layer through fiona with one declared schema, then styles, value lists and metadata, atomically.

One writer for vectors: the fiona wheel writes GeoPackage 1.2, which old hosts read. The terrain goes in as a gridded coverage
through rasterio. Dates are fixed, rows are in a fixed order, so the same input gives the same bytes.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.errors import LoopgisError
from loopgis.sheets.atomic import replaced_file
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.gpkg_rows import Row, moved, rows
from loopgis.sheets.gpkg_tables import add_tables
from loopgis.sheets.schema import LAYERS, LayerSchema

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site, Terrain

DATE = "2000-01-01T00:00:00.000Z"
"""Written wherever the format wants a date of change, so that bytes do not depend on the clock."""


def write_layouts(path: Path, site: Site, zones: Sequence[Zone], layouts: Sequence[Layout], *, version: str) -> None:
    """Write all layers of a design. Raises InputError when the place cannot be written; the old file then stays."""
    content = rows(site, zones, layouts)
    with replaced_file(path) as temp:
        _vectors(temp, site, content)
        if not site.terrain.flat:
            _terrain(temp, site.terrain)
        with closing(sqlite3.connect(temp)) as db, db:
            add_tables(db, json.dumps(document(site, version), indent=1, sort_keys=True), DATE)
        _verify(temp, content)


def document(site: Site, version: str) -> dict[str, Any]:
    """What the file says of itself: limits, rules, inputs with hashes, cautions."""
    rig, bore = site.spec.rig, site.spec.bore
    return {
        "loopgis": 1,
        "version": version,
        "site": site.spec.name,
        "units": site.spec.units,
        "rig": {
            "rod_length_m": rig.rod_length_m,
            "bend_radius_m": rig.bend_radius_m,
            "entry_pitch_pct": list(rig.entry_pitch_pct),
            "exit_pitch_pct": list(rig.exit_pitch_pct),
            "max_length_m": rig.max_length_m,
            "max_depth_m": rig.max_depth_m,
        },
        "bore": {"spacing_m": bore.spacing_m, "hole_diameter_m": bore.hole_diameter_m, "depth_m": list(bore.depth_m)},
        "rules": list(site.spec.rules),
        "given_kinds": sorted(site.given_kinds),
        "terrain": "flat" if site.terrain.flat else "raster",
        "frame_wkt": site.frame.crs.to_wkt(),
        "inputs": [
            {"role": s.role, "path": s.path, "sha256": s.sha256, "crs": s.crs, "rows": s.rows} for s in site.sources
        ],
        "cautions": list(CAUTIONS),
    }


def _vectors(path: Path, site: Site, content: dict[str, list[Row]]) -> None:
    import fiona  # noqa: PLC0415

    wkt = site.frame.parcel_wkt
    with fiona.Env(OGR_CURRENT_DATE=DATE, OGR_SQLITE_SYNCHRONOUS="OFF"):
        for name, schema in LAYERS.items():
            flat = schema.geometry == "None"
            crs = {} if flat else {"crs_wkt": wkt}
            with fiona.open(
                path, "w", driver="GPKG", layer=name, schema=_fiona_schema(schema), DESCRIPTION=schema.meaning, **crs
            ) as sink:
                sink.writerecords([_record(geometry, values, schema, site) for geometry, values in content[name]])


def _fiona_schema(schema: LayerSchema) -> dict[str, Any]:
    return {"geometry": schema.geometry, "properties": {c.name: c.type for c in schema.columns}}


def _record(geometry: Any, values: dict[str, Any], schema: LayerSchema, site: Site) -> dict[str, Any]:
    properties = {c.name: _plain(values.get(c.name)) for c in schema.columns}
    shape = None if geometry is None else moved(geometry, site).__geo_interface__
    return {"geometry": shape, "properties": properties}


def _plain(value: Any) -> Any:
    """Numpy numbers as Python ones."""
    return value.item() if isinstance(value, np.generic) else value


def _terrain(path: Path, terrain: Terrain) -> None:
    """The elevation cells round the lot as a float32 gridded coverage, metres, in the raster's own CRS."""
    import rasterio  # noqa: PLC0415
    from rasterio.transform import Affine  # noqa: PLC0415

    height, width = terrain.z_m.shape
    nodata = -9999.0
    cells = np.where(np.isfinite(terrain.z_m), terrain.z_m, nodata).astype(np.float32)
    profile = {
        "driver": "GPKG",
        "dtype": "float32",
        "count": 1,
        "height": height,
        "width": width,
        "crs": terrain.crs_wkt,
        "transform": Affine(*terrain.affine),
        "nodata": nodata,
        "RASTER_TABLE": "terrain",
        "APPEND_SUBDATASET": "YES",
        "TILE_FORMAT": "TIFF",
        "RASTER_DESCRIPTION": "ground elevation, metres",
    }
    with rasterio.Env(OGR_CURRENT_DATE=DATE), rasterio.open(path, "w", **profile) as sink:
        sink.write(cells, 1)


def _verify(path: Path, content: dict[str, list[Row]]) -> None:
    """The file is whole: integrity, foreign keys, every row there. A failure is a defect of ours."""
    with closing(sqlite3.connect(path)) as db:
        if (
            db.execute("PRAGMA integrity_check").fetchone()[0] != "ok"
            or db.execute("PRAGMA foreign_key_check").fetchall()
        ):
            raise LoopgisError(f"{path.name}: the GeoPackage just written is damaged")
        for name, wanted in content.items():
            found = db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - names of our own schema
            if found != len(wanted):
                raise LoopgisError(f"{path.name}: layer {name} has {found} of {len(wanted)} rows")
        db.execute("PRAGMA journal_mode=DELETE")
