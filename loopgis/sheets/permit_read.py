"""From a GeoPackage, anybody's, to the permit office's book: measured by the audit, told in the words of the rule files.

Nothing that the file says of its own distances is believed: rows, zones and crossings are made anew. Only parcel and bores must be
there.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.core.units import length_text
from loopgis.rules.audit import Audited, audited
from loopgis.rules.audit_modes import Thing as AuditThing
from loopgis.rules.audit_modes import crossings as meetings
from loopgis.rules.audit_modes import gaps
from loopgis.rules.audit_read import read_layer, read_table
from loopgis.rules.audit_rows import applies
from loopgis.rules.files import kind_table, load
from loopgis.sheets import tokens
from loopgis.sheets.permit_book import (
    BorePlan,
    Crossing,
    Dimension,
    Lot,
    PermitBook,
    SetbackRow,
    Side,
    Thing,
    Title,
    ZonePlan,
)
from loopgis.sheets.permit_told import DOUBTS, Told, about_the_file, bearing, located_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from pyproj import Transformer
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.findings import Finding, Outcome
    from loopgis.rules.audit_path import Path as AuditPath
    from loopgis.rules.audit_read import OwnFrame, Package, Table
    from loopgis.rules.audit_rules import AuditFile, AuditRule
    from loopgis.rules.model import Rule, RuleFile

    Array = NDArray[np.float64]
    XY = tuple[float, float]

RANK: tuple[Outcome, ...] = tuple(cast("Outcome", name) for name in tokens.OUTCOME)
"""Outcomes, worst first."""
CORNER_M = 0.05
"""Corners of the lot nearer to the line between their neighbours than this are not counted as corners."""
DEEP = 0.9
"""Share of a bore's greatest depth from which on it counts as deep."""
TOLD_HALF_M = 0.3
"""A size that is taken for a thing is told from here on."""
SEGMENTS = 64
"""Segments in a quarter of a circle: the outline of a zone lies within 0.03 % of its distance."""
NEAR_M = 150.0
"""Things farther from the lot are left off the sheets, unless a rule's distance reaches there."""


def permit_book(
    gpkg: str | Path,
    rules: Sequence[str] | str | None = None,
    *,
    layout_id: str = "",
    units: str | None = None,
    title: Title | None = None,
    elevation: str | Path | None = None,
) -> PermitBook:
    """Book of one layout of a GeoPackage, checked against rule files.

    rules: shipped ids or paths, one or several; None for those that the file names, else the house's. layout_id: "" for the one of
    rank 1, or the only one. units: "us" or "metric" instead of the file's own. title: what the title block says. elevation: raster
    of the ground for a file that holds none. Raises InputError for a file, layout, rule file or CRS that cannot be used.
    """
    return book_of(audited(gpkg, rules, elevation=elevation), layout_id=layout_id, units=units, title=title)


def book_of(whole: Audited, *, layout_id: str = "", units: str | None = None, title: Title | None = None) -> PermitBook:
    """The same from an audit of the whole file that was made already."""
    reader = _Reader(whole, units)
    return reader.book(reader.chosen(layout_id), title or Title())


class _Reader:
    """One GeoPackage, its audit, and the way from the audit's frame into the sheets' frame."""

    def __init__(self, whole: Audited, units: str | None) -> None:
        self.whole, self.case = whole, whole.case
        self.package: Package = whole.opened.package
        self.units = units or str(self.package.metadata.get("units", "us"))
        self.parcel, self.own = whole.opened.parcel, whole.opened.frame
        self.frame, self.way, self.off = _frame_of(self.own, self.parcel)
        names = whole.rules if whole.rules is not None else self.package.metadata.get("rules", ["house"])
        self.files: list[RuleFile] = [load(self._found(str(n))) for n in names]
        self.texts: dict[str, tuple[Rule, RuleFile]] = {r.key: (r, f) for f in self.files for r in f.rules}
        self.measured: dict[str, tuple[AuditRule, AuditFile]] = {
            r.key: (r, f) for f in self.case.files for r in f.rules
        }
        self.things = {id(t): self._thing(t) for t in self.case.things}
        self.by_name = {(t.feature_id, t.kind): t for t in reversed(self.case.things)}
        self.paths = {(p.layout_id, p.bore_id): p for p in reversed(self.case.paths)}

    def _found(self, name: str) -> str:
        """A rule file as the audit finds it: here, then beside the GeoPackage."""
        beside = Path(self.whole.path).parent / name
        return str(beside) if name.endswith(".toml") and not Path(name).is_file() and beside.is_file() else name

    def chosen(self, wanted: str) -> str:
        """The layout wanted; left out: the one as drilled where there is just one, else that of rank 1, or the first by name."""
        names = list(self.case.layouts)
        if wanted:
            if wanted not in names:
                known = ", ".join(n or "(without a name)" for n in names[:8])
                raise InputError(str(self.whole.path), f"has no layout {wanted!r}", f"layouts in the file: {known}")
            return wanted
        drilled = [str(b.get("built_id")) for b in self._built().values() if b.get("built_id") in names]
        if len(drilled) == 1:
            return drilled[0]
        table = read_table(self.package, "layouts")
        if table is not None:
            for name, rank in zip(table.text("layout_id"), table.number("rank"), strict=True):
                if rank == 1 and name in names:
                    return name
        return min(names)

    def _built(self) -> dict[str, dict[str, Any]]:
        """What the file says of its as-builts, by planned layout."""
        said = self.package.metadata.get("built")
        return {k: v for k, v in said.items() if isinstance(v, dict)} if isinstance(said, dict) else {}

    # geometry --------------------------------------------------------------

    def moved(self, shape: Any) -> Any:
        """A geometry of the audit's frame in the sheets' frame, 2-D."""
        return shapely.transform(shapely.force_2d(shape), self.points)

    def points(self, xy: Array) -> Array:
        """(n, 2) points of the audit's frame in the sheets' frame."""
        return np.column_stack(self.way.transform(xy[:, 0], xy[:, 1])) - self.off

    def point(self, xy: Sequence[float]) -> XY:
        """One point of the audit's frame in the sheets' frame."""
        x, y = self.points(np.array([[float(xy[0]), float(xy[1])]]))[0]
        return float(x), float(y)

    def _thing(self, thing: AuditThing) -> Thing:
        parts = [self.moved(part) for part, _ in thing.parts]
        shape = parts[0] if len(parts) == 1 else shapely.GeometryCollection(parts)
        row = kind_table()[thing.kind]
        return Thing(
            feature_id=thing.feature_id,
            kind=thing.kind,
            label=thing.columns.get("label", "") or thing.columns.get("name", ""),
            geometry=shape,
            quality=thing.quality,
            located=located_words(thing.kind, thing.quality, depth_known=thing.depth_m is not None) + self._size(thing),
            depth_m=thing.depth_m,
            half_m=max(half for _, half in thing.parts),
            letter=str(row["code"]),
            on_lot=bool(min(shapely.distance(self.case.lot, part) for part, _ in thing.parts) <= 0),
            columns=thing.columns,
        )

    def _strange(self) -> list[Thing]:
        """Things of no known kind, for the maps only: drawn, named as unknown, measured by nothing."""
        return [
            Thing(
                feature_id=name,
                kind="private_other",
                label=f"{kind}: kind not known",
                geometry=self.moved(shape),
                quality="unknown",
                located="not measured: its kind is not known",
                depth_m=None,
                half_m=0.0,
                letter="",
                on_lot=bool(shapely.intersects(shape, self.case.lot)),
                columns={},
            )
            for name, kind, shape in self.whole.opened.strange
        ]

    def lot(self) -> Lot:
        """Outline, corners, sides and area, and the neighbours' lots in layer parcel."""
        polygon = self.moved(self.case.lot)
        biggest = max(shapely.get_parts(polygon), key=lambda p: float(p.area))
        ring = shapely.get_coordinates(shapely.simplify(shapely.normalize(biggest).exterior, CORNER_M))
        if shapely.is_ccw(shapely.LinearRing(ring)):
            ring = ring[::-1]
        ring = np.roll(ring[:-1], -int(np.argmax(ring[:-1, 1] - ring[:-1, 0])), axis=0)
        return Lot(
            polygon=polygon,
            corners=ring,
            sides=tuple(_side(a, b) for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)),
            area_m2=float(shapely.area(polygon)),
            neighbours=tuple(t.geometry for t in self.things.values() if t.kind == "neighbour_parcel")
            + tuple(self._neighbours()),
        )

    def _neighbours(self) -> list[Any]:
        kinds = self.parcel.text("kind")
        shapes = self.own.geometries(self.parcel)
        return [self.moved(s) for s, k in zip(shapes, kinds, strict=True) if k == "neighbour_parcel" and s is not None]

    def lat_lon(self, xy: XY) -> XY:
        """Latitude and longitude of a frame point, degrees on the lot's datum."""
        lon, lat = self.frame.to_lonlat(np.array([xy]))[0]
        return float(lat), float(lon)

    def native(self, xy: XY) -> XY:
        """A frame point in the lot's own CRS."""
        x, y = self.frame.to_parcel_crs(np.array([xy]))[0]
        return float(x), float(y)

    # rows --------------------------------------------------------------

    def row(self, row: dict[str, Any]) -> SetbackRow:
        """One row of the audit with the words of its rule."""
        rule, file = self.texts[row["rule_id"]]
        drawn = self.by_name.get((row["feature_id"], row["kind"]))
        thing = None if drawn is None else self.things[id(drawn)]
        name = "lot line" if row["kind"] == "property_line" else thing.name if thing else row["kind"].replace("_", " ")
        return SetbackRow(
            layout_id=row["layout_id"],
            bore_id=row["bore_id"],
            rule_id=row["rule_id"],
            feature_id=row["feature_id"],
            kind=row["kind"],
            thing=name,
            basis=row["basis"],
            required=float(row["required_m"]),
            provided=row["provided_m"],
            margin=row["margin_m"],
            unit=row["unit"],
            tolerance_m=float(row["tolerance_m"]),
            outcome=row["outcome"],
            station_m=row["station_m"],
            remark="; ".join(t for t in (row["remark"], self._beyond(row)) if t),
            located="parcel layer: not a boundary survey"
            if row["kind"] == "property_line"
            else thing.located
            if thing
            else "",
            paraphrase=rule.paraphrase,
            citation=rule.citation,
            authority=file.name,
            status=rule.status,
            checked=rule.checked,
            on_fail=rule.on_fail,
        )

    def _size(self, thing: AuditThing) -> str:
        """What is taken for the size of a thing that is drawn as a line or point and says none."""
        half = max(h for _, h in thing.parts)
        if half < TOLD_HALF_M or thing.columns.get("width_m"):
            return ""
        return f"; drawn without a width, {length_text(2 * half, self.units)} taken"

    def _beyond(self, row: dict[str, Any]) -> str:
        """How far beyond the exit a distance was measured: a depth error may bring the bore up there."""
        path = self.paths.get((row["layout_id"], row["bore_id"]))
        if path is None or row["station_m"] is None or row["station_m"] <= path.length_m + 0.005:
            return ""
        more = length_text(row["station_m"] - path.length_m, self.units)
        return f"measured {more} beyond the exit, where a depth error may bring the bore up"

    def with_dimension(self, row: SetbackRow) -> SetbackRow:
        """The same row with the line that its plan distance is measured along, where there is one."""
        start = self._start(row)
        if row.basis not in {"plan", "pad"} or start is None or row.provided is None:
            return row
        if row.kind == "property_line":
            end: BaseGeometry = self.case.lot.boundary
        else:
            found = self.by_name.get((row.feature_id, row.kind))
            if found is None:
                return row
            end, half = min(found.parts, key=lambda part: float(shapely.distance(start, part[0])) - part[1])
            end = shapely.buffer(end, half, quad_segs=SEGMENTS) if half else end
        line = shapely.get_coordinates(shapely.shortest_line(start, end))
        if len(line) < 2:
            return row
        a, b = self.point(line[0]), self.point(line[1])
        return replace(row, dimension=Dimension(start=a, end=b, length_m=float(np.hypot(a[0] - b[0], a[1] - b[1]))))

    def _start(self, row: SetbackRow) -> BaseGeometry | None:
        """What a row measures from: the axis, its reach where the rule counts it, or the pad."""
        if row.basis == "pad":
            return next((pad for name, pad in self.case.pads if name == row.layout_id), None)
        path = self.paths.get((row.layout_id, row.bore_id))
        if path is None:
            return None
        rule, file = self.measured[row.rule_id]
        reaching = rule.mode == "never" or row.kind == "property_line"
        return path.reach(file.bore_share)[0] if reaching else path.line

    # bores --------------------------------------------------------------

    def bore(self, path: AuditPath, rows: Sequence[SetbackRow]) -> BorePlan:
        """One bore with its crossings and the plan distance that governs it."""
        xy = self.points(path.vertices[:, :2])
        xyz = np.column_stack([xy, path.vertices[:, 2]])
        ground = np.interp(path.drilled, path.station, path.ground)
        heights = not path.flat and bool(np.isfinite(path.depth).any())
        known = heights and bool(path.sure.all())
        pitches = (None, None) if path.flat else tuple(p[0] for p in path.end_pitches_pct())
        depth = np.interp(path.drilled, path.station, path.depth)
        plan = [r for r in rows if r.basis == "plan" and r.margin is not None and r.outcome != "not_applicable"]
        plan = [r for r in plan if r.required > 0 or r.kind == "property_line"] or plan
        governing = min(plan, key=lambda r: (r.outcome != "fail", r.margin or 0.0), default=None)
        entry, leave = (float(xy[0, 0]), float(xy[0, 1])), (float(xy[-1, 0]), float(xy[-1, 1]))
        return BorePlan(
            bore_id=path.bore_id,
            source=str(path.columns.get("source") or ""),
            xyz=xyz,
            station_m=path.drilled,
            ground_m=ground,
            depth_m=depth,
            flat=path.flat,
            ground_known=known,
            hole_diameter_m=2 * path.radius_m,
            length_m=path.length_m,
            plan_length_m=float(path.plan[-1]),
            max_depth_m=path.greatest_depth_m if heights else None,
            min_cover_m=_least_cover(path) if known else None,
            entry_pitch_pct=_finite(pitches[0]),
            exit_pitch_pct=_finite(pitches[1]),
            entry_lat_lon=self.lat_lon(entry),
            exit_lat_lon=self.lat_lon(leave),
            entry_native=self.native(entry),
            exit_native=self.native(leave),
            crossings=tuple(self.crossings(path)),
            governing=None if governing is None else self.with_dimension(governing),
            outcome=worst_of(r.outcome for r in rows),
        )

    def crossings(self, path: AuditPath) -> list[Crossing]:
        """Everything that lies over or under the bore in plan, by station."""
        found: list[Crossing] = []
        for thing in self.case.things:
            if thing.kind in {"neighbour_parcel", "property_line", "ground"}:
                continue
            found += self._line_crossings(path, thing) if thing.lines is not None else self._area_crossings(path, thing)
        return sorted(found, key=lambda c: (c.start_m, c.feature_id))

    def _line_crossings(self, path: AuditPath, thing: AuditThing) -> list[Crossing]:
        stations, angles = meetings(path, thing.lines)
        out = []
        for station, angle in zip(stations, angles, strict=True):
            index = np.array([int(np.argmin(np.abs(path.station - station)))])
            gap = float(gaps(path, index, thing)[0]) if thing.depth_m is not None else None
            out.append(self._crossing(path, thing, float(station), float(station), _finite(gap), float(angle)))
        return out

    def _area_crossings(self, path: AuditPath, thing: AuditThing) -> list[Crossing]:
        inside = thing.distance(path.points) <= 0
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
        out = []
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            cover = path.depth[first:after] - path.radius_m - (thing.depth_m or 0.0)
            known = np.isfinite(cover).any() and thing.depth_m is not None
            least = float(np.nanmin(cover)) if known else None
            out.append(
                self._crossing(path, thing, float(path.station[first]), float(path.station[after - 1]), least, None)
            )
        return out

    def _crossing(
        self, path: AuditPath, thing: AuditThing, start: float, end: float, gap: float | None, angle: float | None
    ) -> Crossing:
        told = self.things[id(thing)]
        low, high = (float(v) for v in kind_table()[thing.kind]["depth_m"])
        middle = path.at(np.array([(start + end) / 2]))[0]
        return Crossing(
            feature_id=thing.feature_id,
            kind=thing.kind,
            thing=told.name,
            letter=told.letter,
            quality=thing.quality,
            start_m=start,
            end_m=end,
            depth_m=thing.depth_m,
            low_m=low,
            high_m=high,
            half_m=thing.half_width_m,
            gap_m=gap,
            angle_deg=angle,
            xy=self.point(middle),
        )

    def zones(self, rows: Sequence[SetbackRow]) -> list[ZonePlan]:
        """What the rules keep free round the lot's things, in plan, without tolerances; of rules that concern these bores."""
        found = []
        concerned = {r.rule_id for r in rows if r.outcome != "not_applicable"}
        around = shapely.buffer(self.case.lot, NEAR_M)
        for key, (rule, _) in self.measured.items():
            if not rule.bore or key not in concerned or rule.kinds == ("ground",):
                continue
            if "property_line" in rule.kinds:
                strip = shapely.difference(
                    self.case.lot, shapely.buffer(self.case.lot, -rule.plan_m, quad_segs=SEGMENTS)
                )
                found.append((key, "", "property_line", "never", rule.plan_m, True, strip))
            for thing in self.case.things:
                if not applies(rule, thing):
                    continue
                shape = shapely.union_all(
                    [
                        shapely.buffer(p, h + rule.plan_m, quad_segs=SEGMENTS) if h + rule.plan_m > 0 else p
                        for p, h in thing.parts
                    ]
                )
                inside = shapely.intersection(shape, around)
                known = all(r.column in thing.figures for r in rule.ranges)
                closed = rule.mode == "never" and known
                if inside.area > 0:
                    found.append((key, thing.feature_id, thing.kind, rule.mode, rule.plan_m, closed, inside))
        return [
            ZonePlan(
                rule_id=key,
                feature_id=feature,
                kind=kind,
                mode=mode,
                distance_m=distance,
                closed=closed,
                polygon=self.moved(shape),
            )
            for key, feature, kind, mode, distance, closed, shape in found
        ]

    # the book --------------------------------------------------------------

    def book(self, layout_id: str, title: Title) -> PermitBook:
        """Everything of one layout."""
        units = self.units
        rows = [self.row(r) for r in self.whole.rows if r["layout_id"] == layout_id]
        table = [self.with_dimension(r) for r in _per_thing(rows, [f.file_id for f in self.files])]
        paths = [p for p in self.case.paths if p.layout_id == layout_id]
        bores = tuple(
            self.bore(p, [r for r in rows if r.bore_id == p.bore_id]) for p in sorted(paths, key=lambda p: p.bore_id)
        )
        said = self.package.metadata
        lot = self.lot()
        findings: tuple[Finding, ...] = tuple(
            f for f in self.whole.findings if about_the_file(f) and f.layout_id in {"", layout_id}
        )
        told = Told(
            self.package,
            said,
            self.files,
            rows,
            bores,
            tuple(self.things.values()),
            findings,
            units,
            self.case.supplied,
        )
        near = shapely.buffer(lot.polygon, max(NEAR_M, told.map_radius()[0]))
        radius, radius_source = told.map_radius()
        days, decimals, as_built_source = told.as_built()
        crs = self.frame.parcel_crs
        return PermitBook(
            file_name=Path(self.whole.path).name,
            file_sha256=hashlib.sha256(Path(self.whole.path).read_bytes()).hexdigest(),
            site=str(said.get("site") or Path(self.whole.path).stem),
            parcel_id=str(said.get("parcel_id") or (self.parcel.text("feature_id") or [""])[0]),
            layout_id=layout_id,
            layouts=tuple(self.case.layouts),
            units=units,
            title=title,
            crs_name=crs.name,
            crs_wkt=self.frame.parcel_wkt,
            frame_wkt=self.frame.crs.to_wkt("WKT1_GDAL"),
            centre_lat_lon=(self.frame.lat0_deg, self.frame.lon0_deg),
            convergence_deg=_convergence(self.frame),
            datum=crs.geodetic_crs.name if crs.geodetic_crs is not None else "",
            height_datum=told.height_datum(),
            ground=told.ground(self.whole),
            lot=lot,
            things=tuple(t for t in (*self.things.values(), *self._strange()) if shapely.intersects(t.geometry, near)),
            zones=tuple(self.zones(rows)),
            pads=tuple(self.moved(pad) for name, pad in self.case.pads if name == layout_id),
            headers=tuple(self._headers(layout_id)),
            bores=bores,
            rows=tuple(rows),
            table=tuple(table),
            rules=told.rules(),
            files=told.file_lines(),
            checklist=told.checklist(title),
            sources=told.sources(),
            missing=told.missing(),
            details=told.details(layout_id),
            findings=findings,
            claim=told.claim(),
            cautions=told.cautions(),
            map_radius_m=radius,
            map_radius_source=radius_source,
            as_built_days=days,
            as_built_decimals=decimals,
            as_built_source=as_built_source,
            others=self._others(layout_id),
        )

    def _others(self, layout_id: str) -> tuple[str, ...]:
        """How the file's other layouts stand: fails and faults first, then doubts."""
        lines = []
        for name in self.case.layouts:
            if name == layout_id:
                continue
            fails = sum(r["outcome"] == "fail" for r in self.whole.rows if r["layout_id"] == name)
            faults = sum(
                f.severity == "error" and about_the_file(f) for f in self.whole.findings if f.layout_id == name
            )
            doubts = sum(r["outcome"] in DOUBTS for r in self.whole.rows if r["layout_id"] == name)
            words = [f"{fails} rows fail"] * bool(fails) + [f"{faults} faults"] * bool(faults)
            words = words or [f"no row fails, {doubts} are not verified or need the office"]
            lines.append((-fails - faults, f"layout {name or 'without a name'}, not drawn here: {', '.join(words)}"))
        return tuple(text for _, text in sorted(lines))

    def _headers(self, layout_id: str) -> list[Array]:
        table = read_layer(self.package, "headers")
        if table is None or table.geometry is None:
            return []
        both = zip(table.text("layout_id"), self.own.geometries(table), strict=True)
        return [
            shapely.get_coordinates(part)
            for name, shape in both
            if name == layout_id and shape is not None
            for part in shapely.get_parts(self.moved(shape))
        ]


def _frame_of(own: OwnFrame, parcel: Table) -> tuple[Frame, Transformer, Array]:
    """Sheets' frame, the way into it from the audit's, and what that way is off by: PROJ's inverse of the latter is 0.6 mm out."""
    from pyproj import Transformer  # noqa: PLC0415

    if parcel.crs is None or parcel.geometry is None or parcel.crs.geodetic_crs is None:
        raise InputError(own.where, "has no coordinate reference system", "assign the CRS of the data and save again")
    geodetic = parcel.crs.geodetic_crs.to_2d()
    degrees = float(np.degrees(geodetic.axis_info[0].unit_conversion_factor))
    lon, lat = (float(v) * degrees for v in Transformer.from_crs(own.crs, geodetic, always_xy=True).transform(0.0, 0.0))
    frame = Frame(lat0_deg=round(lat, 5), lon0_deg=round(lon, 5), parcel_wkt=parcel.crs.to_wkt())
    way = Transformer.from_crs(own.crs, frame.crs, always_xy=True)
    corners = shapely.get_coordinates(parcel.geometry)
    there = own.points(corners, parcel.crs, own.where)
    straight = Transformer.from_crs(parcel.crs, frame.crs, always_xy=True).transform(corners[:, 0], corners[:, 1])
    off = np.column_stack(way.transform(there[:, 0], there[:, 1])) - np.column_stack(straight)
    return frame, way, np.mean(off, axis=0)


def worst_of(outcomes: Any) -> Outcome:
    """The worst of some outcomes; not_applicable when there are none.

    >>> worst_of(["pass", "unverified", "pass_thin"]), worst_of([])
    ('unverified', 'not_applicable')
    """
    return min(outcomes, key=RANK.index, default="not_applicable")


def _per_thing(rows: Sequence[SetbackRow], file_ids: Sequence[str]) -> list[SetbackRow]:
    """One row per rule and thing, the worst over the bores (then the least margin); by rule file, worst first."""
    best: dict[tuple[str, str, str, str], SetbackRow] = {}
    for row in rows:
        key = (row.rule_id, row.feature_id, row.kind, "pad" if row.basis == "pad" else "")
        if key not in best or _weight(row) < _weight(best[key]):
            best[key] = row
    return sorted(
        best.values(),
        key=lambda r: (
            file_ids.index(r.rule_id.split("/")[0]),
            *_weight(r),
            r.rule_id,
            r.thing,
        ),
    )


def _weight(row: SetbackRow) -> tuple[int, int, float]:
    """Fails first, then what falls short and is only in doubt, then by outcome; the least margin first."""
    margin = float("inf") if row.margin is None else row.margin
    short = margin < 0 and row.outcome in DOUBTS
    return 0 if row.outcome == "fail" else 1 if short else 2, RANK.index(row.outcome), margin


def _side(a: Array, b: Array) -> Side:
    way = b - a
    azimuth = float(np.degrees(np.arctan2(way[0], way[1])) % 360)
    return Side(
        start=(float(a[0]), float(a[1])),
        end=(float(b[0]), float(b[1])),
        length_m=float(np.hypot(*way)),
        azimuth_deg=azimuth,
        bearing=bearing(azimuth),
    )


def _least_cover(path: AuditPath) -> float | None:
    """Least cover over the hole between the two ends of the deep run (within a tenth of the greatest depth)."""
    deep = np.flatnonzero(path.depth >= DEEP * path.greatest_depth_m)
    return float(np.min(path.depth[deep[0] : deep[-1] + 1])) - path.radius_m if len(deep) else None


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _convergence(frame: Frame) -> float:
    """Azimuth of grid north of the lot's CRS at the centre, degrees from true north; 0 for a geographic CRS."""
    if frame.parcel_crs.is_geographic:
        return 0.0
    x, y = frame.to_parcel_crs(np.array([[0.0, 0.0]]))[0]
    factor = frame.parcel_crs.axis_info[0].unit_conversion_factor
    from pyproj import Transformer  # noqa: PLC0415

    back = Transformer.from_crs(frame.parcel_crs, frame.crs, always_xy=True)
    (e0, n0), (e1, n1) = (back.transform(x, y + s * 100 / factor) for s in (-1, 1))
    return float(np.degrees(np.arctan2(e1 - e0, n1 - n0)))
