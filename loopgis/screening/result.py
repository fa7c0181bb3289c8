"""What came of a screening, on disk: GeoPackage with a styled layer `screen`, GeoParquet beside it, and a map picture.

One writer puts the parts together in the order of the parcels, a batch at a time: the outlines are read again from the parcels'
file, so that only the figures of all rows are ever held at once. How long a parcel took is left out, so that the same town gives
the same bytes, whoever worked on it.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.atomic import replaced_files
from loopgis.core.errors import LoopgisError
from loopgis.core.version import VERSION
from loopgis.screening.model import MEANING, METHODS, OUTCOMES
from loopgis.screening.parts import read_parts
from loopgis.screening.picture import draw
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.gpkg_looks import MM_PER_PT, Fill, Look, Style, Text, Where
from loopgis.sheets.gpkg_qml import qml
from loopgis.sheets.gpkg_sld import sld
from loopgis.sheets.gpkg_tables import add_style, add_tables, describe
from loopgis.sheets.gpkg_write import DATE, drafted
from loopgis.sheets.schema import Column, LayerSchema
from loopgis.site import shapes, vectors

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopgis.core.in_use import Seen
    from loopgis.screening.model import Job
    from loopgis.screening.work import Roll

BATCH = 10_000
LAYER = "screen"
SCHEMA = LayerSchema(
    "MultiPolygon",
    "parcels: can a bored loop be laid, how much, why not",
    (
        Column("parcel_id", "str", "id of the parcel, as given"),
        Column("row", "int", "number of its row in the file of parcels"),
        Column("outcome", "str", "; ".join(f"{k}: {v}" for k, v in MEANING.items()), "screen_outcome"),
        Column("bores", "int", "bores of the loop that was laid out"),
        Column("drilled_m", "float", "drilled metres of it"),
        Column("level_m", "float", "of which level run"),
        Column("depth_m", "float", "deepest level run below ground"),
        Column(
            "load_kw",
            "float",
            "peak load that it carries in the ground of the site file, for a house like the asked one",
        ),
        Column("demand_share", "float", "that load over the demand of the site file"),
        Column("needed_m", "float", "drilled metres that the demand asks of such a loop"),
        Column("area_m2", "float", "of the parcel, or of its largest part"),
        Column("why", "str", "what stops it, or what is short"),
        Column(
            "method",
            "str",
            "none: not judged; bound: a safe bound rules every bore out; draft: one place laid out, others may take more;"
            " search: every promising place laid out; full: as loopgis layout does",
            "screen_method",
        ),
        Column("remark", "str", "what is odd about the parcel"),
    ),
)


@dataclass(frozen=True, eq=False)
class Written:
    """What was written, and the counts by outcome."""

    paths: tuple[Path, ...]
    outcomes: dict[str, int]
    load_kw: float


def write_results(output: Path, job: Job, roll: Roll, *, overwrite: bool, seen: Seen | None = None) -> Written:
    """Write all three files from the parts of a job, all or none.

    seen: the inputs as the run found them. Raises InputError when the place cannot be written or an input has changed, LoopgisError
    when a parcel has no verdict.
    """
    table = verdict_table(job, roll)
    tally = Counter(table.column("outcome").to_pylist())
    outcomes: dict[str, int] = {k: tally.get(k, 0) for k in OUTCOMES}
    said = document(job, outcomes)
    picture, parquet = output.with_suffix(".png"), output.with_suffix(".parquet")
    with replaced_files([output, parquet, picture], overwrite=overwrite) as (package, table_file, picture_file):
        crs = _crs(job)
        unit_m = float(crs.axis_info[0].unit_conversion_factor)
        parts = list(batches(job, roll, table, figures=False))
        draw(picture_file, parts, outcomes, _name(job), degrees=crs.is_geographic, metres_per_unit=unit_m)
        _parquet(table_file, job, roll, table, said)
        with drafted(package) as draft:
            _layer(draft, job, roll, table)
            _tables(draft, said)
            _verify(draft, len(roll.fids))
        if seen is not None:
            seen.check()
    loads = table.column("load_kw").to_numpy()
    return Written((output, parquet, picture), outcomes, float(np.nansum(loads)))


def verdict_table(job: Job, roll: Roll) -> Any:
    """Verdicts on all parcels in their order, one each. Raises LoopgisError when one is missing."""
    table = read_parts(Path(job.folder), job.key)
    fids = table.column("fid").to_numpy()
    order = np.argsort(fids, kind="stable")
    first = np.r_[True, np.diff(fids[order]) > 0] if len(order) else np.zeros(0, dtype=bool)
    order = order[first]
    place = np.searchsorted(fids[order], roll.fids)
    if len(order) != len(roll.fids) or not np.array_equal(fids[order][np.minimum(place, len(order) - 1)], roll.fids):
        raise LoopgisError(f"screen: {len(order)} verdicts for {len(roll.fids)} parcels")
    return table.take(order[place])


def batches(job: Job, roll: Roll, table: Any, *, figures: bool = True) -> Iterator[tuple[NDArray[np.object_], Any]]:
    """Outlines, as drawn, areas only (None where there is none), with their verdicts; a batch at a time."""
    import pyogrio  # noqa: PLC0415

    for start in range(0, len(roll.fids), BATCH):
        fids = roll.fids[start : start + BATCH]
        whole = pyogrio.read_dataframe(
            job.parcels.path,
            **job.parcels.which,
            fids=np.sort(fids),
            columns=[],
            fid_as_index=True,
            on_invalid="ignore",
        )
        outlines = np.array([outline(g) for g in whole.geometry.loc[fids]], dtype=object)
        yield outlines, table.slice(start, len(fids)) if figures else table.slice(start, len(fids)).select(["outcome"])


def outline(geometry: Any) -> Any:
    """A parcel as a multi-polygon, as drawn; None when it has no area or coordinates that are no numbers."""
    if geometry is None or not shapes.finite(geometry) or "Polygon" not in geometry.geom_type:
        return None
    parts = [p for p in shapely.get_parts(shapely.force_2d(geometry)) if not p.is_empty]
    return shapely.MultiPolygon(parts) if parts else None


def document(job: Job, outcomes: dict[str, int]) -> dict[str, Any]:
    """What the files say of themselves."""
    refs = {"parcels": job.parcels, "buildings": job.buildings, "elevation": job.elevation}
    inputs = [
        {"role": role, "file": ref.path.name, "layer": ref.layer or ""} for role, ref in refs.items() if ref is not None
    ]
    inputs += [
        {"role": f.kind or "features", "file": f.ref.path.name, "layer": f.ref.layer or ""}
        for f in job.features
        if f.ref
    ]
    return {
        "loopgis": 1,
        "version": VERSION,
        "what": "screening of parcels",
        "site_file": Path(job.spec_file).name,
        "key": job.key,
        "given_kinds": list(job.given_kinds),
        "full": job.full,
        "outcomes": outcomes,
        "inputs": inputs,
        "cautions": list(CAUTIONS),
    }


def _crs(job: Job) -> Any:
    """CRS of the parcels in plan."""
    return vectors.horizontal(vectors.parse_crs(job.wkt(job.parcels), job.parcels.name)).to_2d()


def _name(job: Job) -> str:
    from loopgis.screening.block import kit_of  # noqa: PLC0415

    return kit_of(job.spec_file, job.given_kinds, full=job.full).spec.name


def _columns(table: Any) -> dict[str, Any]:
    """Columns of a batch in the order of the schema, as written."""
    found = {}
    for column in SCHEMA.columns:
        values = table.column("fid" if column.name == "row" else column.name)
        found[column.name] = values.to_numpy(zero_copy_only=False) if column.type != "str" else values.to_pylist()
    return found


def _layer(path: Path, job: Job, roll: Roll, table: Any) -> None:
    import geopandas  # noqa: PLC0415
    import pyogrio  # noqa: PLC0415

    crs = _crs(job).to_wkt()
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        for number, (outlines, part) in enumerate(batches(job, roll, table)):
            rows = geopandas.GeoDataFrame(_columns(part), geometry=outlines, crs=crs)
            pyogrio.write_dataframe(
                rows,
                path,
                layer=LAYER,
                driver="GPKG",
                geometry_type="MultiPolygon",
                append=number > 0,
                **(
                    {}
                    if number
                    else {
                        "dataset_options": {"VERSION": "1.2"},
                        "layer_options": {"DESCRIPTION": SCHEMA.meaning, "GEOMETRY_NAME": "geom"},
                    }
                ),
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None, "OGR_SQLITE_SYNCHRONOUS": None})


def _tables(path: Path, said: dict[str, Any]) -> None:
    """Metadata, value lists, meanings of columns and the style."""
    text = json.dumps(said, indent=1, sort_keys=True, allow_nan=False)
    lists = {"screen_outcome": OUTCOMES, "screen_method": METHODS}
    style = look()
    with closing(sqlite3.connect(path)) as db, db:
        add_tables(db, text, DATE, {})
        db.execute("DELETE FROM gpkg_data_columns")
        db.execute("DELETE FROM gpkg_data_column_constraints")
        for name, values in lists.items():
            db.executemany(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
                [(name, v, v.replace("_", " ")) for v in values],
            )
        describe(db, {LAYER: SCHEMA})
        add_style(db, LAYER, "geom", (qml(style), sld(LAYER, style)), SCHEMA.meaning, DATE)
        db.execute("UPDATE gpkg_contents SET last_change = ?", (DATE,))


def look() -> Style:
    """Style of the layer: outcomes differ in colour and pattern."""
    edge = tokens.LOT_WIDTH * MM_PER_PT / 4
    looks = tuple(
        Look(MEANING[name], (Fill(fill, tokens.TEXT_SOFT, edge, pattern=pattern),), (Where("outcome", name),))
        for name, (fill, pattern) in _FILLS.items()
    )
    label = 'CASE WHEN "load_kw" IS NOT NULL THEN format_number("load_kw", 1) || \' kW\' END'
    return Style(looks, Text(label, "load_kw", tokens.TEXT, size_pt=7.0, over=True))


_FILLS: dict[str, tuple[str, Any]] = {
    "fits": (tokens.OUTCOME["pass"].colour, ""),
    "tight": (tokens.OUTCOME["pass_thin"].colour, "dots"),
    "does_not_fit": (tokens.OUTCOME["fail"].colour, "hatch"),
    "not_judged": (tokens.PAPER, "dots"),
}


def _verify(path: Path, rows: int) -> None:
    """The file is whole. A failure is a defect of ours."""
    with closing(sqlite3.connect(path)) as db:
        found = db.execute(f'SELECT count(*) FROM "{LAYER}"').fetchone()[0]  # noqa: S608 - our own name
        if found != rows or db.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            raise LoopgisError(f"layer {LAYER} has {found} of {rows} rows")


def _parquet(path: Path, job: Job, roll: Roll, table: Any, said: dict[str, Any]) -> None:
    """GeoParquet 1.1 with a covering of boxes, a batch a row group. Source: its public specification [from memory]."""
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    kinds = {"str": pa.string(), "int": pa.int64(), "float": pa.float64()}
    sides = ("xmin", "ymin", "xmax", "ymax")
    schema = pa.schema(
        [
            *((c.name, kinds[c.type]) for c in SCHEMA.columns),
            ("bbox", pa.struct([(s, pa.float64()) for s in sides])),
            ("geometry", pa.binary()),
        ]
    )
    crs = _crs(job)
    column = {
        "encoding": "WKB",
        "geometry_types": ["MultiPolygon"],
        "crs": crs.to_json_dict(),
        "covering": {"bbox": {s: ["bbox", s] for s in sides}},
    }
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    schema = schema.with_metadata(
        {"geo": json.dumps(geo), "loopgis": json.dumps(said, sort_keys=True, allow_nan=False)}
    )
    with parquet.ParquetWriter(path, schema, compression="zstd") as sink:
        for outlines, part in batches(job, roll, table):
            boxes = np.array([(math.nan,) * 4 if g is None else g.bounds for g in outlines]).reshape(-1, 4)
            there = np.isfinite(boxes).all(axis=1)
            named = [
                dict(zip(sides, map(float, b), strict=True)) if ok else None for b, ok in zip(boxes, there, strict=True)
            ]
            bbox = pa.array(named, type=schema.field("bbox").type)
            wkb = pa.array([None if g is None else shapely.to_wkb(g) for g in outlines], type=pa.binary())
            columns = [
                part.column("fid" if c.name == "row" else c.name).combine_chunks().cast(kinds[c.type])
                for c in SCHEMA.columns
            ]
            sink.write_table(pa.Table.from_arrays([*columns, bbox, wkb], schema=schema))
