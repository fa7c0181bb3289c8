"""A GeoPackage of layouts as the crew's sheets read it: layers as rows, each read once, no site file and no computation."""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.core.in_use import Seen, readable
from loopgis.site.config import LayerRef
from loopgis.site.drawn import plain_rows, said_in, tables_in
from loopgis.site.log import plain
from loopgis.site.vectors import there

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray
    from pyproj import Transformer

    Array = NDArray[np.float64]
    Record = dict[str, Any]

NEEDED = ("layouts", "bores", "rods", "stations", "crossings", "clearances", "findings", "pads")
_KEY = "layout_id"


class LayoutFile:
    """Layers of one GeoPackage, each read once."""

    def __init__(self, path: Path) -> None:
        """Look whether it is one of ours; nothing else is read yet."""
        there(LayerRef(written=str(path), path=path))
        self.path, self.seen = path, Seen([path])
        self.kept: dict[str, list[Record]] = {}
        self.tables = tables_in(path)
        missing = [t for t in NEEDED if t not in self.tables]
        if missing:
            what = f"has no layer {missing[0]}"
            raise InputError(str(path), what, "give a GeoPackage as loopgis layout or loopgis score writes it")
        self.said = said_in(path)
        if not self.said:
            raise InputError(str(path), "does not say what it was made with", "run loopgis score on it first")
        self.wkt = ""
        self.rows("bores")

    def rows(self, layer: str, layout_id: str = "") -> list[Record]:
        """Rows of a layer or table, of one layout when named; geometry under "geometry"; none when there is no such layer."""
        if layer not in self.kept:
            self.kept[layer] = self._read(layer)
            self.seen.check()
        return [r for r in self.kept[layer] if not layout_id or r.get(_KEY) == layout_id]

    def _read(self, layer: str) -> list[Record]:
        import pyogrio  # noqa: PLC0415

        if layer not in self.tables:
            return []
        try:
            info = pyogrio.read_info(readable(self.path), layer=self.tables[layer])
            if info["geometry_type"] is None:
                return plain_rows(self.path, self.tables[layer])
            frame = pyogrio.read_dataframe(readable(self.path), layer=self.tables[layer])
        except pyogrio.errors.DataSourceError as error:
            what = f"layer {layer} cannot be read ({plain(error, 80)})"
            raise InputError(str(self.path), what, "take a fresh copy of the file") from None
        if layer == "bores":
            self.wkt = frame.crs.to_wkt() if frame.crs is not None else ""
        return [{str(k): v for k, v in r.items()} for r in frame.to_dict("records")]

    def layout(self, layout_id: str = "") -> Record:
        """Row of a layout; "" for the one of rank 1. Raises InputError when it is not there."""
        rows = self.rows("layouts")
        if not rows:
            raise InputError(str(self.path), "holds no layouts", "run loopgis score on it first")
        if not layout_id:
            return min(rows, key=lambda r: (r["rank"] is None, r["rank"]))
        found = next((r for r in rows if r[_KEY] == layout_id), None)
        if found is None:
            known = ", ".join(str(r[_KEY]) for r in rows)
            raise InputError(str(self.path), f"holds no layout {layout_id!r}", f"one of {known}")
        return found

    @cached_property
    def frame(self) -> Frame:
        """The frame in metres that the file was made in."""
        from pyproj import CRS  # noqa: PLC0415

        operation = CRS.from_wkt(str(self.said["frame_wkt"])).coordinate_operation
        if operation is None:
            raise InputError(str(self.path), "says no frame that it was made in", "run loopgis score on it first")
        known = {p.name: float(p.value) for p in operation.params}
        lat, lon = known["Latitude of natural origin"], known["Longitude of natural origin"]
        return Frame(lat0_deg=lat, lon0_deg=lon, parcel_wkt=self.wkt)

    @cached_property
    def way(self) -> Transformer:
        """From the file's coordinate system into the frame."""
        return self.frame.transformer_from(self.wkt)

    def shape(self, geometry: Any) -> Any:
        """A geometry of the file in the frame, flat."""
        return shapely.transform(shapely.force_2d(geometry), lambda xy: moved(xy, self.way))


def figure_in(row: Record, name: str, factor: float = 1.0) -> float | None:
    """A figure of a row times a factor, None for an empty cell."""
    value = row.get(name)
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return float(value) * factor


def text_in(row: Record, name: str) -> str:
    """A text of a row, "" for an empty cell."""
    value = row.get(name)
    return "" if value is None or value != value else str(value)  # noqa: PLR0124 - NaN stands for an empty cell


def xyz_of(shape: Any) -> Array:
    """Vertices (n, 3) of a geometry, NaN heights where it has none."""
    points: Array = shapely.get_coordinates(shape, include_z=True)
    return points


def moved(xyz: Array, way: Transformer) -> Array:
    """Places (n, 2) or (n, 3) in another coordinate system; heights stay."""
    x, y = way.transform(xyz[:, 0], xyz[:, 1])
    return np.column_stack([x, y, *xyz.T[2:]])
