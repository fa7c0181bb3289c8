"""What the crew's page knows of a layout: one plain document, all in metres of the job's local frame, read from a GeoPackage alone.

The page itself computes nothing that is not here: heights that the head must pass between (`windows`), the cover that the zones
ask (`cover`), and the ways between its three kinds of coordinates (local metres, the file's own, longitude and latitude).
"""

from __future__ import annotations

import hashlib
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import length_text, money_text
from loopgis.field.compare import TUBE_M, TUBE_SHARE
from loopgis.field.records import Limits
from loopgis.ground.segments import vertices_kept
from loopgis.hydraulics.charge import pressure_tests
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_read import book_of
from loopgis.sheets.layout_file import figure_in, moved, text_in

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.drill_book import Along, CrossingLine, DrillBook, DrillPage
    from loopgis.sheets.layout_file import LayoutFile

    Array = NDArray[np.float64]
    Record = dict[str, Any]

SCHEMA = "loopgis-tablet/1"
TEST = "ground-loop code"
"""Row of tables/pressure_tests.toml that a finished field is held against where nobody names another."""
DEEPER_M = 3.0
"""A head that passes under a thing may be so much deeper than planned before the page says stop (that it is off the plan is told
by its tube): house choice, no source."""
OF_FIELD = ("test_kpa", "test_minutes", "purge_l_s", "purge_minutes", "test_basis", "purge_basis")
"""Limits of the whole field that the page is given."""
THIN_M = 0.02
"""Vertices without which a path or the ground moves by less than this are left out of what a tablet is given."""
DRAWN = 2
"""Decimals of a metre of what is only drawn."""
PLACES = 3
"""Decimals of a metre that the page is given."""


def tablet_data(file: LayoutFile, layout_id: str = "", *, units: str | None = None) -> dict[str, Any]:
    """The document of one layout, keys as the head of `page/tablet.js` lists them.

    layout_id: "" for the one of rank 1; units: "us" or "metric" instead of the file's own. Raises InputError as `drill_book` does.
    """
    book = book_of(file, layout_id, units=units)
    return _Job(file, book).document()


def field_limits(row: Record) -> Limits:
    """Limits of pressure test and purge for a layout, from its row in the table `layouts`."""
    test = next(t for t in pressure_tests() if t.name == TEST)
    flow = figure_in(row, "purge_l_s")
    published = test.source.partition(": ")[2]
    return Limits(
        test_kpa=None if test.least_pa is None else test.least_pa / 1000,
        test_minutes=test.hold_s / 60,
        purge_l_s=flow,
        test_basis=f"{test.name} ({published}); the code in force where the loop lies decides",
        purge_basis="2 ft/s in every section, 15 min after the last bubbles"
        if flow is not None
        else "the file holds no purge flow: 2 ft/s in every section, 15 min after the last bubbles",
    )


class _Job:
    """One layout on its way into the document."""

    def __init__(self, file: LayoutFile, book: DrillBook) -> None:
        self.file, self.book = file, book
        self.way = file.way
        self.units = book.units
        self.rows = {
            name: file.rows(name, book.layout_id) for name in ("clearances", "bores", "layouts", "pads", "headers")
        }
        self.closed, self.covers = self._zones()

    def local(self, xy: Array) -> Array:
        """Places of the file in the local frame."""
        return moved(np.asarray(xy, dtype=float), self.way)

    def document(self) -> dict[str, Any]:
        """All of it."""
        book, said = self.book, self.file.said
        rig = said.get("rig", {})
        limits = field_limits(self.rows["layouts"][0])
        box = self._box()
        made: dict[str, Any] = {
            "schema": SCHEMA,
            "file": self.file.path.name,
            "site": book.site,
            "parcel_id": book.parcel_id,
            "layout_id": book.layout_id,
            "units": book.units,
            "rig": book.rig,
            "pipe": book.pipe,
            "rod_m": book.rod_length_m,
            "bend_m": float(rig.get("bend_radius_m", 30.0)),
            "steepest_pct": None,
            "claim": book.claim,
            "gate": {
                "open": book.gate.open,
                "why": "" if book.gate.open else book.gate.why,
                "lines": list(book.gate.lines),
            },
            "cautions": list(CAUTIONS),
            "to_file": self._to_file(box),
            "from_lonlat": self._from_lonlat(box),
            "colours": _colours(),
            "plan": self._plan(box),
            "limits": {name: getattr(limits, name) for name in OF_FIELD},
            "bores": [self._bore(page) for page in book.pages],
        }
        text = json.dumps([said.get("site_key", ""), made], sort_keys=True)
        return {**made, "key": hashlib.sha256(text.encode()).hexdigest()[:16]}

    def _zones(self) -> tuple[list[tuple[Any, str]], list[tuple[Any, float, str]]]:
        """Closed ground with its label, and ground with a cover that the axis must keep, of zones that concern bores."""
        closed, covers = [], []
        for row in self.file.rows("zones"):
            if not int(row.get("for_bores") or 0) or row["geometry"] is None:
                continue
            shape, name = self.file.shape(row["geometry"]), bare(str(row["kind"]))
            depth = figure_in(row, "min_cover_m")
            if int(row.get("closed") or 0):
                distance = figure_in(row, "distance_m") or 0.0
                closed.append((shape, f"{name} {length_text(distance, self.units, 0)}" if distance else name))
            elif depth is not None and depth > 0:
                covers.append((shape, depth, name))
        return closed, covers

    def _box(self) -> list[float]:
        """Bounds of lot and bores, with a margin."""
        shapes = [
            self.file.shape(r["geometry"]) for r in (*self.file.rows("parcel"), *self.rows["bores"], *self.rows["pads"])
        ]
        west, south, east, north = shapely.union_all([shapely.box(*s.bounds) for s in shapes]).bounds
        room = 0.06 * max(east - west, north - south)
        return _rounded([west - room, south - room, east + room, north + room], 1)

    def _grid(self, box: Sequence[float]) -> Array:
        x, y = np.meshgrid(np.linspace(box[0], box[2], 7), np.linspace(box[1], box[3], 7))
        return np.column_stack([x.ravel(), y.ravel()])

    def _to_file(self, box: Sequence[float]) -> list[float]:
        """Two affine lines from local metres to the file's coordinates; over a lot they bend by less than a millimetre."""
        xy = self._grid(box)
        x, y = self.way.transform(xy[:, 0], xy[:, 1], direction="INVERSE")
        terms = np.column_stack([np.ones(len(xy)), xy])
        return [float(v) for axis in (x, y) for v in np.linalg.lstsq(terms, np.asarray(axis), rcond=None)[0]]

    def _from_lonlat(self, box: Sequence[float]) -> dict[str, Any]:
        """Two polynomials of second degree from degrees to local metres."""
        from pyproj import Transformer  # noqa: PLC0415

        out = Transformer.from_crs(self.file.frame.crs, "EPSG:4326", always_xy=True)
        xy = self._grid(box)
        lon, lat = (np.asarray(v) for v in out.transform(xy[:, 0], xy[:, 1]))
        lon0, lat0 = float(lon.mean()), float(lat.mean())
        u, v = lon - lon0, lat - lat0
        terms = np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])
        scale = np.abs(terms).max(axis=0)
        fit = np.linalg.lstsq(terms / scale, xy, rcond=None)[0] / scale[:, None]
        return {"lon": lon0, "lat": lat0, "x": [float(c) for c in fit[:, 0]], "y": [float(c) for c in fit[:, 1]]}

    def _plan(self, box: list[float]) -> dict[str, Any]:
        file, book = self.file, self.book
        lot = [self.file.shape(r["geometry"]) for r in file.rows("parcel")]
        around = shapely.box(*box)
        lots = shapely.union_all(lot)
        header = None if book.header is None else _points(self.local(book.header))
        return {
            "box": box,
            "parcel": [ring for s in lot for ring in _rings(s)],
            "buildings": [ring for r in file.rows("buildings") for ring in _rings(self.file.shape(r["geometry"]))],
            "pad": _points(self.local(book.pad)),
            "header": header,
            "things": [t for r in file.rows("features") for t in self._things(r, around)],
            "zones": [
                *(z for shape, label in self.closed for z in _zone(shape, lots, label, None)),
                *(
                    z
                    for shape, depth, name in self.covers
                    for z in _zone(shape, lots, f"{name}, below {length_text(depth, self.units)}", depth)
                ),
            ],
        }

    def _things(self, row: Record, around: Any) -> Iterator[dict[str, Any]]:
        """Parts of a feature that lie on the picture."""
        kind = str(row["kind"])
        if kind == "neighbour_parcel" or row["geometry"] is None:
            return
        style = tokens.kind_style(kind)
        tolerance = max((figure_in(z, "tolerance_m") or 0.0 for z in self._zones_of(row["feature_id"])), default=0.0)
        for part in shapely.get_parts(shapely.intersection(self.file.shape(row["geometry"]), around)):
            shape = {"Point": "point", "LineString": "line", "Polygon": "area"}.get(part.geom_type)
            if shape is None or part.is_empty:
                continue
            yield {
                "feature_id": str(row["feature_id"]),
                "kind": bare(kind),
                "label": text_in(row, "label"),
                "code": style.letter,
                "colour": style.colour,
                "shape": shape,
                "xy": _points(shapely.get_coordinates(part.exterior if shape == "area" else part)),
                "half_m": round(tolerance, PLACES) if style.letter else 0.0,
            }

    def _zones_of(self, feature_id: object) -> list[Record]:
        return [z for z in self.file.rows("zones") if z["feature_id"] == feature_id]

    def _bore(self, page: DrillPage) -> dict[str, Any]:
        figures, along = page.figures, page.along
        xy = self.local(np.column_stack([along.x, along.y]))
        rods = self.local(np.array([[r.x, r.y] for r in page.rods]))
        plan = np.interp([r.station_m for r in page.rods], along.station_m, along.plan_m)
        path = np.column_stack([along.plan_m, along.z_m, along.ground_m, xy])
        stake = figures.at_stake
        return {
            "bore_id": page.bore_id,
            "done": page.source in {"logged", "surveyed"},
            "target_depth_m": round(figures.target_depth_m, PLACES),
            "length_m": round(figures.length_m, PLACES),
            "rods": figures.rods,
            "azimuth_deg": round(page.rods[0].azimuth_deg, PLACES),
            "tube_m": TUBE_M,
            "tube_share": TUBE_SHARE,
            "painted": _points(rods[[0, -1]]),
            "at_stake": "" if stake is None else f"{money_text(stake, figures.currency)} of tools in the ground",
            "rod": [
                {
                    "rod": r.rod,
                    "x": round(float(rods[n, 0]), PLACES),
                    "y": round(float(rods[n, 1]), PLACES),
                    "plan_m": round(float(plan[n]), PLACES),
                    **{
                        k: round(getattr(r, k), PLACES) for k in ("station_m", "z_m", "ground_m", "depth_m", "offset_m")
                    },
                    **{k: round(getattr(r, k), DRAWN) for k in ("pitch_pct", "azimuth_deg")},
                    **{k: getattr(r, k) for k in ("action", "note", "locate", "crossing")},
                }
                for n, r in enumerate(page.rods)
            ],
            "path": [_rounded(row, DRAWN) for row in path[thinned(xy, along)]],
            "windows": self._windows(page),
            "cover": self._cover(along.plan_m, xy),
            "warnings": list(page.warnings),
            "returns": list(page.returns),
            "limits": {
                name: None if value is None else round(value / 1000, 4)
                for name, value in (
                    ("pull_kn", figures.pull_n),
                    ("pull_filled_kn", figures.pull_filled_n),
                    ("safe_pull_kn", figures.safe_pull_n),
                    ("weak_link_kn", figures.weak_link_n),
                )
            },
        }

    def _windows(self, page: DrillPage) -> list[dict[str, Any]]:
        """Heights between which the head passes each thing.

        On the thing's side all the margin that the rules leave; without one (depth not known) the tube. Away from the thing
        DEEPER_M, but not out of the ground.
        """
        made = []
        along = page.along
        for c in sorted(page.crossings, key=lambda c: c.station_m):
            z, ground, plan = (
                float(np.interp(c.station_m, along.station_m, v)) for v in (along.z_m, along.ground_m, along.plan_m)
            )
            tube = TUBE_M + TUBE_SHARE * max(ground - z, 0.0)
            margin = self._margin(page.bore_id, c)
            near = tube if margin is None else max(margin, 0.0)
            low, high = (z - DEEPER_M, z + near) if c.under else (z - near, z + max(tube, DEEPER_M))
            gap = "clearance unknown" if c.clearance_m is None else length_text(c.clearance_m, self.units)
            made.append(
                {
                    "feature_id": c.feature_id,
                    "name": f"{c.code} {c.label or bare(c.kind)}".strip(),
                    "rod": c.rod,
                    "station_m": round(c.station_m, PLACES),
                    "plan_m": round(plan, PLACES),
                    "least_z": None if c.beside else round(low, PLACES),
                    "most_z": None if c.beside else round(min(high, ground), PLACES),
                    "how": c.how,
                    "clearance_m": _some(c.clearance_m),
                    "depth_m": _some(c.depth_m),
                    "words": f"pass {c.how} it, {gap}" + ("" if c.clearance_m is None else " clear"),
                    "ground_m": round(ground, PLACES),
                    "expose": c.buried,
                    "outcome": c.outcome,
                }
            )
        return made

    def _margin(self, bore_id: str, crossing: CrossingLine) -> float | None:
        """What the rules leave between bore and thing in height, None when none of them measured it."""
        rows = (
            r
            for r in self.rows["clearances"]
            if r["bore_id"] == bore_id and r["feature_id"] == crossing.feature_id and r["basis"] in {"gap", "cover"}
        )
        known = [m for m in (figure_in(r, "margin_m") for r in rows) if m is not None]
        return min(known, default=None) if crossing.clearance_m is not None or not crossing.buried else None

    def _cover(self, plan_m: Array, xy: Array) -> list[list[Any]]:
        """Depth that the axis must keep, as steps along the bore; 0 where no zone asks one."""
        depth, names = np.zeros(len(xy)), [""] * len(xy)
        points = shapely.points(xy)
        for shape, least, name in self.covers:
            for k in np.flatnonzero(shapely.intersects(shape, points)):
                if least > depth[k]:
                    depth[k], names[k] = least, name
        steps = [0, *(np.flatnonzero(np.diff(depth)) + 1)]
        if not depth.any():
            return []
        return [[round(float(plan_m[k]), PLACES), round(float(depth[k]), PLACES), names[k]] for k in steps]


def thinned(xy: Array, along: Along, within_m: float = THIN_M) -> NDArray[np.bool_]:
    """Stations that draw a bore and the ground over it to within so much; xy: its plan, local metres."""
    path = vertices_kept(np.column_stack([xy, along.z_m]), within_m)
    return path | vertices_kept(np.column_stack([along.plan_m, along.ground_m]), within_m)


def bare(kind: str) -> str:
    """A kind of feature in plain words, without an article."""
    return kind.replace("_", " ")


def _some(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, PLACES)


def _rounded(values: Iterable[float], places: int = PLACES) -> list[float]:
    return [round(float(v), places) for v in values]


def _points(xy: Array) -> list[list[float]]:
    return [_rounded(p, DRAWN) for p in np.asarray(xy)[:, :2]]


def _rings(shape: Any) -> list[list[list[float]]]:
    """Outer and inner rings of all polygons in a shape."""
    return [
        _points(shapely.get_coordinates(ring))
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon" and not part.is_empty
        for ring in (part.exterior, *part.interiors)
    ]


def _zone(shape: Any, lots: Any, label: str, cover_m: float | None) -> Iterator[dict[str, Any]]:
    """Parts of a zone on the lot. cover_m: depth that the axis keeps there, None for ground closed at every depth."""
    for part in shapely.get_parts(shapely.intersection(shape, lots)):
        if part.geom_type == "Polygon" and not part.is_empty:
            ring, *holes = _rings(part)
            closed, cover = cover_m is None, None if cover_m is None else round(cover_m, PLACES)
            yield {"label": label, "closed": closed, "cover_m": cover, "ring": ring, "holes": holes}


def _colours() -> dict[str, Any]:
    """Tokens that the page draws with."""
    return {
        "ink": tokens.INK,
        "ink_light": tokens.INK_LIGHT,
        "paper": tokens.PAPER,
        "text": tokens.TEXT,
        "building": tokens.BUILDING,
        "building_edge": tokens.BUILDING_EDGE,
        "water": tokens.WATER,
        "shore": tokens.SHORE,
        "closed": tokens.CLOSED,
        "cover_band": tokens.COVER_BAND,
        "family": dict(tokens.FAMILY),
        "outcome": {name: {"colour": m.colour, "sign": m.sign, "words": m.words} for name, m in tokens.OUTCOME.items()},
    }
