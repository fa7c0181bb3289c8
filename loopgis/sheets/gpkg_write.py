"""Rows onto disk as a GeoPackage 1.2: layers through fiona with one declared schema, terrain through rasterio, then side tables.

One writer for vectors: fiona takes an explicit schema per layer, and version 1.2 is what old hosts read. The file is built in the
temporary folder of the system, where SQLite finds locks and room even when the output lies on a network disk, and then put in its
place in one step. Dates are fixed and rows keep their order, so the same input gives the same bytes.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.atomic import replaced_file
from loopgis.core.errors import InputError, LoopgisError
from loopgis.core.in_use import SIDE_FILES
from loopgis.core.leftovers import scratch_folder
from loopgis.sheets.gpkg_tables import add_tables
from loopgis.sheets.schema import LAYERS, LayerSchema
from loopgis.sheets.styles import styles

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray
    from pyproj import CRS

    from loopgis.core.frame import Frame
    from loopgis.sheets.gpkg_row import Row
    from loopgis.site.model import Site, Terrain

DATE = "2000-01-01T00:00:00.000Z"
"""Written wherever the format wants a date of change, so that bytes do not depend on the clock."""
APPLICATION_ID, USER_VERSION = 0x47504B47, 10200
"""Header of a GeoPackage 1.2. Source: facts/gis 1.1, from the container tests of ets-gpkg12 (1196444487 = "GPKG"; 10200)."""
NODATA = -9999.0
_PROBE_BYTES = 1 << 23


def write_package(path: Path, content: dict[str, list[Row]], site: Site, said: str) -> None:
    """Write a whole file. content: rows by layer, frame metres; said: the metadata document, JSON text.

    Raises InputError when the place, or the system's temporary folder, cannot be written.
    """
    terrain = None if site.terrain.flat else site.terrain
    looks = styles(content, site.spec.units)
    write_layers(path, content, LAYERS, site.frame, said=said, looks=looks, terrain=terrain)


def write_layers(
    path: Path,
    content: Mapping[str, Sequence[Row]],
    layers: Mapping[str, LayerSchema],
    frame: Frame,
    *,
    said: str,
    looks: Mapping[str, tuple[str, str]],
    terrain: Terrain | None = None,
    finish: Callable[[sqlite3.Connection], None] | None = None,
    mixed: Container[str] = (),
) -> None:
    """Write a whole file of any layers, in the CRS of the frame's parcel.

    content: rows by layer, frame metres; layers: their schemas, in order; said: the metadata document, JSON text; looks: QML and
    SLD by layer; finish: what is still to be done to the tables; mixed: layers declared without heights whose rows keep those that
    they have. Raises InputError as `write_package` does.
    """
    with replaced_file(path) as temp, drafted(temp) as draft:
        _vectors(draft, frame, content, layers, mixed)
        if terrain is not None:
            _terrain(draft, terrain)
        with closing(sqlite3.connect(draft)) as db, db:
            add_tables(db, said, DATE, looks)
            if finish is not None:
                finish(db)
        _verify(draft, content)


@contextmanager
def drafted(target: Path) -> Iterator[Path]:
    """Path of a draft in the system's temporary folder, copied to `target` when the block ends well."""
    try:
        folder = scratch_folder()
    except OSError as error:
        raise _no_room(error) from None
    try:
        draft = folder / "draft.gpkg"
        try:
            yield draft
        except LoopgisError:
            raise
        except Exception:
            _probe(folder, draft.stat().st_size if draft.exists() else 0)
            raise
        left = [side for side in SIDE_FILES if draft.with_name(draft.name + side).exists()]
        if left:
            raise LoopgisError(f"{target.name}: side files {left} are still open")
        shutil.copyfile(draft, target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _probe(folder: Path, size_bytes: int) -> None:
    """InputError when the folder takes no more: the GIS libraries tell of a full disk in many ways, mostly misleading ones."""
    try:
        with (folder / "probe").open("wb") as probe:
            probe.write(bytes(2 * size_bytes + _PROBE_BYTES))
    except OSError as error:
        raise _no_room(error) from None


def _no_room(error: OSError) -> InputError:
    what = f"cannot be written ({error.strerror or error})"
    return InputError(
        f"temporary folder {_temporary()}", what, "free some space there, or set TMPDIR to another folder"
    )


def _temporary() -> str:
    return tempfile.tempdir or os.environ.get("TMPDIR", "of the system")


def _vectors(
    path: Path,
    frame: Frame,
    content: Mapping[str, Sequence[Row]],
    layers: Mapping[str, LayerSchema],
    mixed: Container[str],
) -> None:
    import fiona  # noqa: PLC0415

    options, wkt = {"driver": "GPKG", "VERSION": "1.2"}, _horizontal(frame.parcel_crs)
    with fiona.Env(OGR_CURRENT_DATE=DATE, OGR_SQLITE_SYNCHRONOUS="OFF"):
        for name, schema in layers.items():
            crs = {} if schema.plain else {"crs_wkt": wkt}
            declared = {"geometry": schema.geometry, "properties": {c.name: c.type for c in schema.columns}}
            records = _records(name, schema, content[name], frame, mixed=name in mixed)
            with fiona.open(
                path, "w", layer=name, schema=declared, DESCRIPTION=schema.meaning, **options, **crs
            ) as sink:
                sink.writerecords(records)


def _horizontal(crs: CRS) -> str:
    """The parcel's CRS without its height axis: heights in the file are metres above the raster's datum."""
    plane = crs.sub_crs_list[0] if crs.is_compound else crs
    return str(plane.to_2d().to_wkt())


def _records(name: str, schema: LayerSchema, rows: Sequence[Row], frame: Frame, *, mixed: bool) -> list[dict[str, Any]]:
    if schema.plain:
        shapes: list[dict[str, Any] | None] = [None] * len(rows)
    else:
        shapes = [s.__geo_interface__ for s in _moved(name, schema, [shape for shape, _ in rows], frame, mixed=mixed)]
    columns = [c.name for c in schema.columns]
    return [
        {"geometry": shape, "properties": {c: _plain(values.get(c)) for c in columns}}
        for shape, (_, values) in zip(shapes, rows, strict=True)
    ]


def _moved(name: str, schema: LayerSchema, shapes: Sequence[Any], frame: Frame, *, mixed: bool) -> NDArray[np.object_]:
    """Geometries from the frame into the parcel's CRS, z kept; LoopgisError for one that does not belong in the layer."""
    wanted, deep = schema.geometry.removeprefix("3D "), schema.geometry.startswith("3D ")
    for shape in shapes:
        if shape is None or shape.is_empty or wanted not in {"Unknown", shape.geom_type}:
            raise LoopgisError(f"layer {name}: a row has {'no' if shape is None else shape.geom_type} geometry")
        if deep and not shape.has_z:
            raise LoopgisError(f"layer {name}: a row has no heights")
    array = np.array(shapes, dtype=object)
    if not len(array):
        return array
    if mixed:
        high = shapely.has_z(array)
        for some, heights in ((high, True), (~high, False)):
            array[some] = _shifted(name, array[some], frame, deep=heights)
        return array
    return _shifted(name, array if deep else shapely.force_2d(array), frame, deep=deep)


def _shifted(name: str, array: NDArray[np.object_], frame: Frame, *, deep: bool) -> NDArray[np.object_]:
    """Geometries that all have heights (deep) or all have none, from the frame into the parcel's CRS."""
    points = shapely.get_coordinates(array, include_z=deep)
    points[:, :2] = frame.to_parcel_crs(points[:, :2])
    if not np.isfinite(points).all():
        raise LoopgisError(f"layer {name}: a coordinate is not finite")
    return np.asarray(shapely.set_coordinates(array, points), dtype=object)


def _plain(value: Any) -> Any:
    """Numpy numbers as Python ones."""
    return value.item() if isinstance(value, np.generic) else value


def _terrain(path: Path, terrain: Terrain) -> None:
    """The elevation cells round the lot as a float32 gridded coverage, metres, in the raster's own horizontal CRS."""
    import rasterio  # noqa: PLC0415
    from rasterio.transform import Affine  # noqa: PLC0415

    a, b, _, d, e, _ = terrain.affine
    if b or d or a <= 0 or e >= 0:
        raise LoopgisError("terrain: the cells are not north-up")
    height, width = terrain.z_m.shape
    cells = np.where(np.isfinite(terrain.z_m), terrain.z_m, NODATA).astype(np.float32)
    profile = {
        "driver": "GPKG",
        "dtype": "float32",
        "count": 1,
        "height": height,
        "width": width,
        "crs": terrain.crs_wkt,
        "transform": Affine(*terrain.affine),
        "nodata": NODATA,
        "RASTER_TABLE": "terrain",
        "APPEND_SUBDATASET": "YES",
        "TILE_FORMAT": "TIFF",
        "RASTER_DESCRIPTION": "ground elevation, metres",
        "UOM": "m",
    }
    with rasterio.Env(OGR_CURRENT_DATE=DATE), rasterio.open(path, "w", **profile) as sink:
        sink.write(cells, 1)
    with closing(sqlite3.connect(path)) as db, db:  # the driver of rasterio 1.4.4 forgets the mark of empty cells
        db.execute(
            "UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = ? WHERE tile_matrix_set_name = 'terrain'",
            (NODATA,),
        )


def _verify(path: Path, content: Mapping[str, Sequence[Row]]) -> None:
    """The file is whole: header, integrity, foreign keys, every row there and counted. A failure is a defect of ours."""
    with closing(sqlite3.connect(path)) as db:

        def ask(sql: str) -> Any:
            return db.execute(sql).fetchone()[0]

        db.execute("PRAGMA journal_mode=DELETE")
        header = ask("PRAGMA application_id"), ask("PRAGMA user_version")
        if header != (APPLICATION_ID, USER_VERSION):
            raise LoopgisError(f"the file just written has the header {header}, not that of GeoPackage 1.2")
        if ask("PRAGMA integrity_check") != "ok" or db.execute("PRAGMA foreign_key_check").fetchall():
            raise LoopgisError("the GeoPackage just written is damaged")
        counted = dict(db.execute("SELECT table_name, coalesce(feature_count, 0) FROM gpkg_ogr_contents").fetchall())
        for name, wanted in content.items():
            found = ask(f'SELECT count(*) FROM "{name}"')  # noqa: S608 - names of our own schema
            if not found == counted.get(name) == len(wanted):
                raise LoopgisError(f"layer {name} has {found} of {len(wanted)} rows ({counted.get(name)} counted)")
