"""From the crew's logs to the as-built: bores as drilled beside the planned ones, measured anew, held against rules and heat.

One layout of a GeoPackage and any number of logs in; out come a GeoPackage with planned, staked, logged and surveyed bores side by
side (nothing is overwritten), the as-built sheet and the owner's page. The distances of what was drilled are measured by the
independent audit, on the file that is written.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.atomic import replaced_files
from loopgis.core.errors import InputError, RangeError
from loopgis.core.leftovers import scratch
from loopgis.core.place import is_one_of, ready_file
from loopgis.core.units import length_text, temperature_text
from loopgis.field import ties as tying
from loopgis.field.book import BuiltBook, BuiltCrossing, BuiltFinding, BuiltHeat, Thing
from loopgis.field.built import BuiltPlan, built_bores, log_problems, problems
from loopgis.field.log import clean, standing
from loopgis.field.log_read import read_logs
from loopgis.field.records import Limits, record_findings, records
from loopgis.layout.heat import study_in
from loopgis.layout.heat_said import case_from
from loopgis.layout.keep import as_it_lies
from loopgis.sheets.drill_read import pipe_words, rig_words
from loopgis.sheets.layout_file import LayoutFile, figure_in, moved, text_in, xyz_of
from loopgis.sheets.tablet_data import bare, field_limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.field.book import BuiltBore, BuiltRecord
    from loopgis.field.model import Log
    from loopgis.sheets.permit_book import Crossing, PermitBook
    from loopgis.site.model import Terrain

    Array = NDArray[np.float64]
    Record = dict[str, Any]

SUFFIX = "-built"
"""What the layout of drilled bores is called, behind the name of the planned one."""
SAME_M = 3.0
"""A crossing as drilled is that of the plan when it lies within so much drilled length of it."""
SIDEWAYS_M = 1.0
"""A bore whose place sideways is known within this (two standard errors) is told without a warning: house choice, no source."""
PLANNED_M = 1.0
"""Standard error of a header that was drawn, not recorded: house choice, no source."""
FITS_M = 0.1
"""A path that ends so near to the ground has come out."""
CARRIED_M = 10.0
"""A path is not carried on for more than this: three rods; house choice, no source."""
ACCURACY = (
    (
        "Heights: pitches summed along the rods and the locator's depths, put together by their errors; places: offsets from the"
        " painted line, between surveyed ends where there are such."
    ),
    (
        "Taken for it: depth within 5 % (two standard errors), pitch within 1 %, a tablet's own position within 3 m (one standard"
        " error); customary figures, from memory."
    ),
    (
        "What was located is the beacon, 0.6 to 1 m behind the bit (from memory). The loop pipe lies in the reamed hole, not always"
        " on its axis."
    ),
    "A figure with an error is one standard error: two thirds of all are nearer, one in twenty is beyond twice that.",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class AsBuilt:
    """A layout as drilled.

    book: all of it as plain values; bores: of the layout `book.built_id`, drilled ones as logged, others as planned; permit: the
    audit of that layout; log: every entry that was read, undone ones too; read: the logs that they come from.
    """

    read: tuple[Path, ...]

    file: LayoutFile
    log: Log
    book: BuiltBook
    bores: tuple[Bore, ...]
    permit: PermitBook

    @property
    def failed(self) -> bool:
        """True when a distance as drilled fails, or something else is an error."""
        return any(f.severity == "error" for f in self.book.findings)

    def write(self, path: str | Path, *, overwrite: bool = False) -> list[Path]:
        """Write the GeoPackage, and beside it the as-built sheet and the owner's page; all or nothing. Gives their paths.

        It may replace the file that it was made from, since it holds all of it, but none of the logs. Raises InputError when one is
        there and overwrite is False, it is a log, or the place cannot be written.
        """
        from loopgis.sheets.built_gpkg import write_built_package  # noqa: PLC0415
        from loopgis.sheets.built_sheet import write_built_sheet  # noqa: PLC0415
        from loopgis.sheets.owner_sheet import write_owner_sheet  # noqa: PLC0415

        place = ready_file(path, suffix=".gpkg", overwrite=overwrite, inputs=self.read)
        made = [place, *(ready_file(p, suffix=".pdf", overwrite=overwrite) for p in beside(place))]
        with replaced_files(made, overwrite=overwrite) as (package, sheet, owner):
            write_built_package(package, self.file, self.log, self.book, self.bores, self.permit)
            write_built_sheet(sheet, self.book)
            write_owner_sheet(owner, self.book)
            if not is_one_of(place, [self.file.path]):
                self.file.seen.check()
        return made

    def summary(self) -> dict[str, Any]:
        """Figures for machines."""
        return {
            "loopgis": 1,
            "layout_id": self.book.layout_id,
            "built_id": self.book.built_id,
            "entries": len(self.log.entries),
            "bores": [_bore_summary(b) for b in self.book.bores],
            "heat": None if self.book.heat is None else asdict(self.book.heat),
            "records": [asdict(r) for b in self.book.bores for r in b.records] + [asdict(r) for r in self.book.records],
            "findings": [asdict(f) for f in self.book.findings],
            "claim": self.book.claim,
        }

    def table(self) -> list[str]:
        """The bores as lines of text, in the book's units."""
        return _table(self.book)


def to_ground(line: Array, ground: Callable[[Array], Array]) -> Array:
    """A path (n, 3) carried on straight until it comes up, for CARRIED_M at most; as it is when it is up or does not rise."""
    depth = float(ground(line[-1:, :2])[0] - line[-1, 2])
    way = line[-1] - line[-2]
    way = way / max(float(np.linalg.norm(way)), 1e-9)
    if not depth > FITS_M or way[2] <= 0:
        return line
    ahead = line[-1] + np.arange(0.0, CARRIED_M, 0.25)[1:, None] * way
    under = ground(ahead[:, :2]) - ahead[:, 2]
    out = np.flatnonzero(under <= 0)
    if not len(out):
        return line
    k = int(out[0])
    before = depth if k == 0 else float(under[k - 1])
    share = before / (before - float(under[k]))
    last = (line[-1] if k == 0 else ahead[k - 1]) + share * 0.25 * way
    return np.vstack([line, ahead[:k], last])


def beside(place: Path) -> tuple[Path, Path]:
    """Where the as-built sheet and the owner's page of a GeoPackage go."""
    return place.with_name(f"{place.stem}_as_built.pdf"), place.with_name(f"{place.stem}_owner.pdf")


def as_built(
    gpkg: str | Path,
    logs: Iterable[str | Path] | str | Path,
    *,
    layout_id: str = "",
    units: str | None = None,
    log_units: str = "",
    columns: Mapping[str, str] | None = None,
    rules: Sequence[str] | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> AsBuilt:
    """What the crew drilled, from the layouts' GeoPackage and the logs of any number of tablets and spreadsheets, in any order.

    gpkg: as `loopgis layout` or `loopgis score` writes it, or an as-built of yesterday: readings in its own rod_log count too;
    layout_id: "" for the one that the logs speak of, else that of rank 1; units: "us" or "metric" instead of the file's own, for
    sheets and words; log_units, columns: of spreadsheets, see `field.log_read.read_logs`; rules: instead of the file's own.
    Raises InputError for a file or log that cannot be used.
    """
    file = LayoutFile(Path(gpkg))
    one = [logs] if isinstance(logs, (str, Path)) else list(logs)
    paths: list[str | Path] = [*([file.path] if file.rows("rod_log") else []), *one]
    if not one:
        raise InputError("logs", "none is given", "name the logs that the tablets saved")
    name = layout_id or _meant(file, read_logs(paths, units=log_units, columns=columns))
    log = read_logs(paths, layout_id=name, units=log_units, columns=columns)
    tell(f"{len(log.entries)} entries of {len(one)} logs, layout {name}")
    read = tuple(map(Path, one))
    return _Job(file, name, log, units or str(file.said.get("units", "us")), read).done(rules, tell)


def _meant(file: LayoutFile, log: Log) -> str:
    """The layout that the logs speak of, when it is one and the file has it; else that of rank 1."""
    named = {e.layout_id for e in log.entries} - {""}
    known = {str(r["layout_id"]) for r in file.rows("layouts")}
    spoken = sorted(named & known)
    if len(spoken) > 1:
        what = f"speak of layouts {', '.join(spoken)}"
        raise InputError("logs", what, "name one with --layout")
    return spoken[0] if spoken else str(file.layout("")["layout_id"])


class _Job:
    """One layout on its way to the as-built."""

    def __init__(self, file: LayoutFile, name: str, log: Log, units: str, read: tuple[Path, ...]) -> None:
        self.file, self.name, self.log, self.units, self.read = file, name, log, units, read
        self.row = file.layout(name)
        self.built_id = f"{name}{SUFFIX}"
        self.rig = file.said.get("rig", {})
        self.rod_m = float(self.rig.get("rod_length_m", 3.048))
        self.lines = sorted(file.rows("bores", name), key=lambda r: str(r["bore_id"]))
        if not self.lines:
            raise InputError(str(file.path), f"layout {name} holds no bores", "name another layout")

    def local(self, xyz: Array) -> Array:
        """Places of the file in the frame."""
        return moved(xyz, self.file.way)

    def done(self, rules: Sequence[str] | None, tell: Callable[[str], None]) -> AsBuilt:
        """All of it."""
        plans = [self._plan(line) for line in self.lines]
        known = {p.bore_id for p in plans} | {""}
        if not any(e.layout_id == self.name and e.bore_id in known for e in self.log.entries):
            spoken = sorted({f"{e.layout_id} {e.bore_id}".strip() for e in self.log.entries})
            what = f"hold no entry of layout {self.name}" + (
                f"; they speak of {clean(', '.join(spoken[:6]))[:120]}" if spoken else ""
            )
            raise InputError("logs", what, "give the logs of this job, or name the layout with --layout")
        bores = built_bores(
            self.log, plans, ground=self._ground_at, units=self.units, to_frame=lambda xy: self.local(np.asarray(xy))
        )
        limits = self._limits()
        carried = [self._carried(b) for b in bores]
        bores = tuple(
            replace(b, records=records(self.log, self.name, b.bore_id, self._bore_limits(line), self.units))
            for (b, _), line in zip(carried, self.lines, strict=True)
        )
        of_field = records(self.log, self.name, "", limits, self.units)
        lying = tuple(self._lying(b, line) for b, line in zip(bores, self.lines, strict=True))
        tell("measuring what was drilled")
        permit = _doubted(self._measured(lying, rules), bores)
        bores = tuple(replace(b, crossings=self._crossings(b, permit)) for b in bores)
        bores = tuple(
            replace(b, worst_off_m=None, worst_rod=None, worst_tube_m=None) if sideways_m(b) > SIDEWAYS_M else b
            for b in bores
        )
        heat, told = self._heat(bores, lying)
        findings = (
            *log_problems(self.log, plans),
            *(f for b in bores for f in problems(b, self.units)),
            *(f for _, found in carried for f in found),
            *(f for b in bores for f in _sideways(b, self.units)),
            *_permit_findings(permit, bores),
            *record_findings(bores, of_field),
            *told,
        )
        book = self._book(bores, of_field, heat, _sorted(findings), permit)
        return AsBuilt(read=self.read, file=self.file, log=self.log, book=book, bores=lying, permit=permit)

    @cached_property
    def _terrain(self) -> Terrain:
        from loopgis.site import terrain  # noqa: PLC0415
        from loopgis.site.config import LayerRef  # noqa: PLC0415
        from loopgis.site.log import Log as Slips  # noqa: PLC0415
        from loopgis.site.model import FLAT  # noqa: PLC0415

        if self.file.said.get("terrain") != "raster" or "terrain" not in self.file.tables:
            return FLAT
        lot = shapely.union_all([self.file.shape(r["geometry"]) for r in self.file.rows("parcel")])
        ref = LayerRef(written=self.file.path.name, path=self.file.path)
        return terrain.read(ref, "m", self.file.frame, lot, Slips())

    def _ground_at(self, xy: Array) -> Array:
        found: Array = self._terrain.at(xy[:, 0], xy[:, 1])
        return found

    def _plan(self, line: Record) -> BuiltPlan:
        """What was planned of one bore, from its line and the ground under the file's raster."""
        bore = str(line["bore_id"])
        xyz = self.local(xyz_of(line["geometry"]))
        step = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
        rods = sorted(
            (r for r in self.file.rows("rods", self.name) if r["bore_id"] == bore), key=lambda r: int(r["rod"])
        )
        azimuth = (
            float(rods[0]["azimuth_deg"])
            if rods
            else float(np.degrees(np.arctan2(xyz[1, 0] - xyz[0, 0], xyz[1, 1] - xyz[0, 1])))
        )
        return BuiltPlan(
            bore_id=bore,
            layout_id=self.name,
            xyz=xyz,
            station_m=np.r_[0.0, np.cumsum(step)],
            ground_m=self._ground_at(xyz),
            painted=xyz[[0, -1], :2],
            azimuth_deg=azimuth,
            rod_length_m=self.rod_m,
            bend_radius_m=float(self.rig.get("bend_radius_m", 30.0)),
            rods=int(line["rods"]),
            length_m=float(line["length_m"]),
            hole_diameter_m=float(line["hole_diameter_m"]),
            pipe_m=float(line["pipe_m"]),
            exit_xy=xyz[-1, :2],
        )

    def _limits(self) -> Limits:
        """Limits of the whole field."""
        fluid = (self.file.said.get("heat") or {}).get("fluid", {})
        return replace(field_limits(self.row), freeze_c=fluid.get("freeze_c"))

    def _bore_limits(self, line: Record) -> Limits:
        """Limits of one bore: its pull, and the field's pressure test, which a bore may stand by itself."""
        asked = field_limits(self.row)
        return Limits(
            pull_kn=figure_in(line, "pull_kn"),
            safe_pull_kn=figure_in(line, "safe_pull_kn"),
            weak_link_kn=figure_in(line, "weak_link_kn"),
            test_kpa=asked.test_kpa,
            test_minutes=asked.test_minutes,
            test_basis=asked.test_basis,
        )

    def _lying(self, bore: BuiltBore, line: Record) -> Bore:
        """The bore as it lies: as drilled when it is, else as planned."""
        leg = bore.leg
        drilled = bore.state == "drilled" and leg is not None
        return self._as_it_lies(
            bore,
            leg.line if drilled and leg is not None else bore.planned,
            pattern=text_in(line, "pattern") or "fan",
            target_depth_m=figure_in(line, "target_depth_m"),
            source=bore.source if drilled else text_in(line, "source") or "planned",
        )

    def _as_it_lies(
        self, bore: BuiltBore, xyz: Array, *, pattern: str, target_depth_m: float | None, source: str
    ) -> Bore:
        return as_it_lies(
            xyz,
            self._terrain.at,
            bore_id=bore.bore_id,
            pattern=pattern,
            rod_length_m=self.rod_m,
            hole_diameter_m=bore.hole_diameter_m,
            target_depth_m=target_depth_m,
            source=source,
        )

    def _carried(self, bore: BuiltBore) -> tuple[BuiltBore, tuple[BuiltFinding, ...]]:
        """A drilled bore whose exit nobody surveyed, its hole carried on to the ground, and that this is a guess."""
        leg = bore.leg
        if bore.state != "drilled" or leg is None:
            return bore, ()
        line = to_ground(leg.line, self._ground_at)
        more = float(np.linalg.norm(line[-1] - leg.line[-1]))
        if more < FITS_M:
            return bore, ()
        legs = tuple(replace(x, line=line) if x is leg else x for x in bore.legs)
        words = f"the exit was not surveyed: {length_text(more, self.units)} beyond the last reading are carried on straight"
        told = BuiltFinding(
            severity="warning",
            code="exit-carried",
            bore_id=bore.bore_id,
            message=f"{bore.bore_id}: {words}",
            remedy="measure the exit and record it before anything is covered",
        )
        return replace(bore, legs=legs, length_m=bore.length_m + more), (told,)

    def _measured(self, lying: Sequence[Bore], rules: Sequence[str] | None) -> PermitBook:
        """The audit of the layout of drilled bores, made on a draft of the file that will be written."""
        from loopgis.rules.audit import audited  # noqa: PLC0415
        from loopgis.sheets.built_gpkg import write_draft  # noqa: PLC0415
        from loopgis.sheets.permit_read import book_of  # noqa: PLC0415

        with scratch() as folder:
            draft = folder / self.file.path.name
            write_draft(draft, self.file, self.name, self.built_id, lying, self.rod_m)
            whole = audited(draft, rules, layout_id=self.built_id)
            return book_of(whole, layout_id=self.built_id, units=self.units)

    def _crossings(self, bore: BuiltBore, permit: PermitBook) -> tuple[BuiltCrossing, ...]:
        """Things that the bore passes, as the audit measured them, beside what was planned."""
        measured = next((b for b in permit.bores if b.bore_id == bore.bore_id), None)
        if measured is None:
            return ()
        planned = [r for r in self.file.rows("crossings", self.name) if r["bore_id"] == bore.bore_id]
        labels = {str(r["feature_id"]): text_in(r, "label") for r in self.file.rows("features")}
        return tuple(self._crossing(bore, c, planned, labels, permit) for c in measured.crossings)

    def _crossing(
        self, bore: BuiltBore, c: Crossing, planned: Sequence[Record], labels: Mapping[str, str], permit: PermitBook
    ) -> BuiltCrossing:
        station = (c.start_m + c.end_m) / 2
        same = [r for r in planned if r["feature_id"] == c.feature_id and text_in(r, "how") != "beside"]
        mine = min(same, key=lambda r: abs(float(r["station_m"]) - station), default=None)
        rows = [r for r in permit.rows if (r.bore_id, r.feature_id) == (bore.bore_id, c.feature_id)]
        asked = [r.required for r in rows if r.basis in {"gap", "cover"} and r.unit == "m"]
        worst = next((o for o in _WORST if any(r.outcome == o for r in rows)), "not_applicable")
        leg = bore.leg
        error = None
        if bore.state == "drilled" and leg is not None:
            error = float(np.interp(station, [r.station_m for r in leg.rods], [r.error_z_m for r in leg.rods]))
        return BuiltCrossing(
            feature_id=c.feature_id,
            kind=bare(c.kind),
            label=labels.get(c.feature_id, ""),
            code=c.letter,
            station_m=station,
            rod=max(1, int(np.ceil(station / self.rod_m - 1e-6))),
            how="over" if c.gap_m is not None and c.gap_m < 0 else "under",
            planned_m=None if mine is None else figure_in(mine, "clearance_m"),
            clearance_m=c.gap_m,
            sigma_m=error,
            required_m=max(asked, default=None),
            outcome=worst,
        )

    def _heat(
        self, bores: Sequence[BuiltBore], lying: Sequence[Bore]
    ) -> tuple[BuiltHeat | None, tuple[BuiltFinding, ...]]:
        """Temperatures of the loop as planned and as drilled, from the heat case that the file keeps."""
        said = self.file.said.get("heat")
        if not said:
            note = "the file keeps no heat case, so the heat is not evaluated again"
            remedy = "run loopgis score on this file to have it" if self.row.get("needed_length_m") is not None else ""
            return None, (BuiltFinding(severity="note", code="no-heat", bore_id="", message=note, remedy=remedy),)
        case = case_from(said, str(self.file.path))
        ring = shapely.LinearRing(
            shapely.get_coordinates(
                max(
                    (p for r in self.file.rows("parcel") for p in shapely.get_parts(self.file.shape(r["geometry"]))),
                    key=shapely.area,
                ).exterior
            )
        )
        planned = [
            self._as_it_lies(b, b.planned, pattern=x.pattern, target_depth_m=x.target_depth_m, source="planned")
            for b, x in zip(bores, lying, strict=True)
        ]
        try:
            before, after = (study_in(case, ring, made) for made in (planned, lying))
        except RangeError as error:
            message = f"the heat of what was drilled cannot be computed: {error}"
            return None, (BuiltFinding(severity="warning", code="no-heat", bore_id="", message=message),)
        heat = BuiltHeat(
            planned_length_m=before.offered_m,
            length_m=after.offered_m,
            planned_needed_m=before.needed_m,
            needed_m=after.needed_m,
            planned_ewt_c=(before.ewt_min_c, before.ewt_max_c),
            ewt_c=(after.ewt_min_c, after.ewt_max_c),
            limits_c=(case.limits.least_c, case.limits.most_c),
            years=case.years,
        )
        if after.holds:
            return heat, ()
        need = "no length would do" if heat.needed_m is None else length_text(heat.needed_m, self.units, 0)
        words = (
            f"the loop as drilled does not hold the water's limits: {length_text(heat.length_m, self.units, 0)} drilled, needed"
            f" {need}; water {temperature_text(heat.ewt_c[0], self.units)} to {temperature_text(heat.ewt_c[1], self.units)}"
        )
        remedy = "drill what is missing: loopgis layout with keep = this file plans it"
        return heat, (BuiltFinding(severity="warning", code="heat-short", bore_id="", message=words, remedy=remedy),)

    def _book(
        self,
        bores: tuple[BuiltBore, ...],
        of_field: tuple[BuiltRecord, ...],
        heat: BuiltHeat | None,
        findings: tuple[BuiltFinding, ...],
        permit: PermitBook,
    ) -> BuiltBook:
        file, said = self.file, self.file.said
        parcel = self._rings(file.rows("parcel"))
        buildings = self._rings(file.rows("buildings"))
        header = next((self.local(xyz_of(r["geometry"]))[:, :2] for r in file.rows("headers", self.name)), None)
        pad = shapely.get_coordinates(file.shape(file.rows("pads", self.name)[0]["geometry"]))
        days = sorted(e.read_at[:10] for e in standing(self.log) if e.layout_id == self.name and e.read_at)
        return BuiltBook(
            site=str(said.get("site", file.path.stem)),
            parcel_id=str(said.get("parcel_id", "")),
            layout_id=self.name,
            built_id=self.built_id,
            units=self.units,
            rig=rig_words(self.rig, self.units),
            pipe=pipe_words(said.get("pipe", {})),
            rod_length_m=self.rod_m,
            crs_name=permit.crs_name,
            claim=permit.claim,
            bores=bores,
            ties=tying.ties(
                tying.places(bores, header=header, header_error_m=PLANNED_M),
                buildings=buildings,
                parcel=parcel,
                to_file=file.frame.to_parcel_crs,
                to_lonlat=self._lonlat,
            ),
            findings=findings,
            accuracy=ACCURACY,
            sources=self._sources(),
            parcel=parcel,
            buildings=buildings,
            things=tuple(t for r in file.rows("features") for t in self._things(r, parcel)),
            pad=pad,
            header=header,
            heat=heat,
            records=of_field,
            tracer=self._tracer(),
            first_day=days[0] if days else "",
            last_day=days[-1] if days else "",
        )

    def _lonlat(self, xy: Array) -> Array:
        from pyproj import Transformer  # noqa: PLC0415

        way = Transformer.from_crs(self.file.frame.crs, "EPSG:4326", always_xy=True)
        return np.column_stack(way.transform(xy[:, 0], xy[:, 1]))

    def _rings(self, rows: Sequence[Record]) -> tuple[Array, ...]:
        """Outer rings of the polygons of some rows, open."""
        return tuple(
            shapely.get_coordinates(part.exterior)[:-1]
            for r in rows
            for part in shapely.get_parts(self.file.shape(r["geometry"]))
            if part.geom_type == "Polygon"
        )

    def _things(self, row: Record, parcel: Sequence[Array]) -> list[Thing]:
        """Parts of a feature near the lot."""
        if str(row["kind"]) == "neighbour_parcel" or row["geometry"] is None:
            return []
        around = shapely.buffer(shapely.MultiPoint(np.vstack(parcel)).envelope, 15.0)
        kinds = {"Point": "point", "LineString": "line", "Polygon": "area"}
        return [
            Thing(
                feature_id=str(row["feature_id"]),
                kind=str(row["kind"]),
                label=text_in(row, "label"),
                code=text_in(row, "code"),
                shape=kinds[part.geom_type],
                xy=shapely.get_coordinates(part.exterior if part.geom_type == "Polygon" else part),
            )
            for part in shapely.get_parts(shapely.intersection(self.file.shape(row["geometry"]), around))
            if part.geom_type in kinds and not part.is_empty
        ]

    def _sources(self) -> tuple[str, ...]:
        tablets: dict[str, int] = {}
        for e in self.log.entries:
            tablets[e.tablet] = tablets.get(e.tablet, 0) + 1
        files = [f"log {Path(s).name}" for s in self.log.source]
        return (*files, *(f"tablet {name or '?'}: {count} entries" for name, count in sorted(tablets.items())))

    def _tracer(self) -> str:
        """What was remarked of tracer wire or tape; empty when nothing was."""
        words = [e.remark for e in standing(self.log) if e.layout_id == self.name and "tracer" in e.remark.lower()]
        return clean("; ".join(dict.fromkeys(words)))[:200]


def sideways_m(bore: BuiltBore) -> float:
    """Two standard errors of a drilled bore's place sideways, where it is least known; 0 when it is not drilled."""
    leg = bore.leg
    if bore.state == "planned" or leg is None:
        return 0.0
    return 2 * max((r.error_m for r in leg.rods), default=0.0)


def _sideways(bore: BuiltBore, units: str) -> list[BuiltFinding]:
    """That nobody knows where a bore lies sideways, because left and right of the line were not read."""
    wide = sideways_m(bore)
    leg = bore.leg
    if leg is None or wide <= SIDEWAYS_M:
        return []
    rods = [r.rod for r in leg.rods if 2 * r.error_m > SIDEWAYS_M]
    words = (
        f"rods {rods[0]} to {rods[-1]}: left or right of the line was not read often enough, the bore may lie"
        f" {length_text(wide, units, 0)} to either side; distances nearer than that are not verified"
    )
    remedy = "read the offset at every third rod; survey entry and exit; locate it again before anything is covered"
    return [
        BuiltFinding(
            severity="warning", code="sideways", bore_id=bore.bore_id, message=f"{bore.bore_id}: {words}", remedy=remedy
        )
    ]


def _doubted(permit: PermitBook, bores: Sequence[BuiltBore]) -> PermitBook:
    """Distances in plan that a drilled bore's doubt sideways is greater than are not verified, whatever was measured."""
    wide = {b.bore_id: w for b in bores if (w := sideways_m(b)) > SIDEWAYS_M}
    if not wide:
        return permit
    rows = tuple(
        replace(
            r, outcome="unverified", remark="; ".join(t for t in (r.remark, "its place sideways was not read") if t)
        )
        if r.outcome in {"pass", "pass_thin"}
        and r.basis != "pad"
        and (r.margin is None or r.margin < wide.get(r.bore_id, 0.0))
        else r
        for r in permit.rows
    )
    changed = sum(a is not b for a, b in zip(rows, permit.rows, strict=True))
    if not changed or not permit.claim.startswith("Meets"):
        return replace(permit, rows=rows)
    left = sum(r.outcome not in {"pass", "pass_thin", "not_applicable"} for r in rows)
    doubt = f"{left} of {len(rows)} rows are not verified or need the office."
    return replace(permit, rows=rows, claim=f"Meets the distances entered where they could be measured; {doubt}")


_WORST = ("fail", "ruling_needed", "unverified", "consent_needed", "pass_thin", "pass")
_RANK = {"error": 0, "warning": 1, "note": 2}


def _sorted(findings: Iterable[BuiltFinding]) -> tuple[BuiltFinding, ...]:
    return tuple(sorted(dict.fromkeys(findings), key=lambda f: (_RANK[f.severity], f.bore_id, f.code)))


def _permit_findings(permit: PermitBook, bores: Sequence[BuiltBore]) -> list[BuiltFinding]:
    """What the audit found of bores that are drilled, and of drilled bores against others."""
    drilled = {b.bore_id for b in bores if b.state == "drilled"}
    found = [
        BuiltFinding(
            severity="error",
            code="distance",
            bore_id=r.bore_id,
            message=f"{r.bore_id}: {r.thing}, asked {_measure(r.required, r.unit, permit.units)},"
            f" as drilled {_measure(r.provided, r.unit, permit.units)} ({r.rule_id})",
            remedy="ask the office before anything is covered",
        )
        for r in permit.rows
        if r.outcome == "fail" and r.bore_id in drilled
    ]
    return found + [
        BuiltFinding(
            severity=f.severity, code=f.code, bore_id=f.bore_id, message=f"{f.bore_id or permit.layout_id}: {f.message}"
        )
        for f in permit.findings
        if f.severity in _RANK and f.code in _TOLD and (not f.bore_id or f.bore_id in drilled)
    ]


_TOLD = {"spacing", "separation", "too-near", "lot-line", "outside-lot"}
"""Codes of the audit that speak of what lies in the ground; others speak of how the file was written."""


def _measure(value: float | None, unit: str, units: str) -> str:
    if value is None:
        return "not measured"
    return length_text(value, units, 2) if unit == "m" else f"{value:.1f} {unit}"


def _bore_summary(bore: BuiltBore) -> dict[str, Any]:
    names = ("bore_id", "state", "source", "planned_length_m", "length_m", "max_depth_m", "worst_off_m", "worst_rod")
    return {
        **{n: getattr(bore, n) for n in names},
        "holes": [
            {"number": leg.number, "abandoned": leg.abandoned, "rods": leg.rods[-1].rod if leg.rods else 0}
            for leg in bore.legs
        ],
        "crossings": [asdict(c) for c in bore.crossings],
    }


def _table(book: BuiltBook) -> list[str]:
    head = f"{'bore':<8}{'state':<9}{'source':<10}{'planned':>9}{'drilled':>9}{'deepest':>9}{'off plan':>10}  crossings"
    lines = [head]
    for b in book.bores:
        off = "-" if b.worst_off_m is None else length_text(b.worst_off_m, book.units)
        failed = sum(c.outcome == "fail" for c in b.crossings)
        crossed = f"{len(b.crossings)}" + (f", {failed} FAIL" if failed else "")
        drilled = "-" if not b.legs else length_text(b.length_m, book.units, 0)
        deep = "-" if not b.legs else length_text(b.max_depth_m, book.units)
        planned = length_text(b.planned_length_m, book.units, 0)
        lines.append(f"{b.bore_id:<8}{b.state:<9}{b.source:<10}{planned:>9}{drilled:>9}{deep:>9}{off:>10}  {crossed}")
    return lines
