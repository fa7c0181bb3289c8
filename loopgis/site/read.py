"""Read a site: every layer, every finding, in one run.

site file -> parcel and frame -> buildings, features, terrain, pad -> Site. A layer that cannot be read becomes an error finding and
the others are read all the same, so that one run tells everything that must be mended.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.site import buildings, config, drawn, features, pad, parcel, terrain, ticket, vectors
from loopgis.site.log import Log
from loopgis.site.model import FLAT, Feature, Site, SiteSpec, SourceFile, Terrain

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from shapely import Polygon

    from loopgis.core.findings import Finding
    from loopgis.core.frame import Frame
    from loopgis.site.config import Config, LayerRef
    from loopgis.site.model import DrawnLine, PadSpec, TicketAnswer

FLAT_REMEDY = 'add elevation = "dem.tif"'


def read_site(path: str | Path) -> Site:
    """Site of a site file, with its findings.

    Raises InputError with the first error in one line when the site cannot be used; `collect` gives all of them.
    """
    site, findings = collect(path)
    errors = [f for f in findings if f.severity == "error"]
    if site is None:
        first = errors[0]
        more = f" (and {len(errors) - 1} more: run `loopgis check`)" if len(errors) > 1 else ""
        raise InputError(first.where or str(path), first.message, f"{first.remedy}{more}")
    return site


def collect(path: str | Path) -> tuple[Site | None, tuple[Finding, ...]]:
    """Site, or None when it cannot be used, and everything found on the way; never raises for bad data."""
    log = Log()
    try:
        cfg = config.load(path, log)
    except InputError as error:
        log.add_error("site-file", error)
        return None, tuple(log.findings)
    site = _Reading(cfg, log).site()
    return site, tuple(log.findings)


@dataclass(eq=False)
class _Reading:
    """One run over the layers of a site file; keeps what several layers share."""

    cfg: Config
    log: Log
    sources: list[SourceFile] = field(default_factory=list)
    kinds: set[str] = field(default_factory=set)
    taken: set[str] = field(default_factory=lambda: {"lot"})
    hashes: dict[str, str] = field(default_factory=dict)

    def site(self) -> Site | None:
        """The site, None when the log holds an error."""
        self._words()
        placed = self._parcel()
        if placed is None:
            self._only_errors()
            return None
        frame, lot, parcel_id = placed
        houses = self._buildings(frame, lot)
        rest = [f for ref in self.cfg.features for f in self._features(ref, frame, lot)]
        ground = self._terrain(frame, lot)
        spot = self._pad(frame, lot)
        kept = self._kept_bores(frame)
        answers = self._ticket()
        if self.log.failed or ground is None or spot is None:
            return None
        return Site(
            spec=_spec(self.cfg, spot),
            frame=frame,
            parcel=lot,
            parcel_id=parcel_id,
            buildings=tuple(houses),
            features=tuple(rest),
            terrain=ground,
            given_kinds=frozenset(self.kinds),
            sources=tuple(self.sources),
            findings=tuple(self.log.findings),
            kept=tuple(kept),
            ticket=answers,
        )

    def _words(self) -> None:
        """Findings about the site file alone."""
        where = str(self.cfg.path)
        if self.cfg.elevation is None and "site.elevation" not in self.cfg.given:
            what = "no elevation was given: the ground is taken as flat at z = 0"
            self.log.add_note("flat", where, what, FLAT_REMEDY)
        if self.cfg.elevation_unit:
            try:
                terrain.unit_m(self.cfg.elevation_unit, f"{where} [site] elevation_unit")
            except InputError as error:
                self.log.add_error("site-file", error)
        if "site.buildings" not in self.cfg.given:
            what = "no buildings layer was given"
            self.log.add_warning("no-buildings", where, what, "add buildings; an empty layer says that there are none")

    def _parcel(self) -> tuple[Frame, Polygon, str] | None:
        ref = self.cfg.parcel
        if ref is None:
            return None
        remedy = 'add the .prj file, or write [site] parcel_crs = "EPSG:..."'
        with _kept(self.log, "parcel"):
            layer = vectors.read(ref, self.log, no_crs=remedy)
            placed = parcel.read(layer, self.log)
            self._source("parcel", ref, layer.crs_name, len(layer.table))
            return placed
        return None

    def _only_errors(self) -> None:
        """Without a lot nothing can be placed, but layers that cannot be opened are told all the same."""
        refs = [self.cfg.buildings, *(f.ref for f in self.cfg.features)]
        refs += [p for p in (self.cfg.at, self.cfg.entry) if not isinstance(p, tuple)]
        for ref in refs:
            if ref is not None:
                with _kept(self.log, "layer"):
                    vectors.read(ref, self.log)
        if self.cfg.elevation is not None:
            with _kept(self.log, "elevation"):
                vectors.there(self.cfg.elevation)

    def _rows(self, ref: LayerRef, role: str, told: features.Told, frame: Frame, lot: Polygon) -> list[Feature]:
        """Features of one layer, and its source and kinds noted."""
        layer = vectors.read(ref, self.log, near=(frame, lot))
        before = len(self.log.findings)
        found = features.features_of(
            layer, frame.transformer_from(layer.wkt), lot, self.log, told=told, taken=self.taken
        )
        if not any(f.code == "layer-far" for f in self.log.findings[before:]):
            self.kinds |= features.kinds_of(layer, told)  # a layer of another place says nothing about this one
        self._source(role, ref, layer.crs_name, len(layer.table))
        return found

    def _buildings(self, frame: Frame, lot: Polygon) -> list[Feature]:
        ref = self.cfg.buildings
        if ref is None:
            return []
        with _kept(self.log, "buildings"):
            rows = self._rows(ref, "buildings", features.Told(kind="building"), frame, lot)
            houses = buildings.joined(rows, self.log, ref.name)
            buildings.check(houses, lot, self.log, ref.name)
            return houses
        return []

    def _features(self, entry: config.FeatureRef, frame: Frame, lot: Polygon) -> list[Feature]:
        if entry.ref is None:
            return []
        told = features.Told(kind=entry.kind, quality=entry.quality, depth_unit=entry.depth_unit)
        with _kept(self.log, "feature"):
            return self._rows(entry.ref, entry.kind or "features", told, frame, lot)
        return []

    def _terrain(self, frame: Frame, lot: Polygon) -> Terrain | None:
        ref = self.cfg.elevation
        if ref is None:
            return FLAT
        with _kept(self.log, "elevation"):
            ground = terrain.read(ref, self.cfg.elevation_unit, frame, lot, self.log)
            name = str(vectors.parse_crs(ground.crs_wkt, ref.name).name)
            self._source("elevation", ref, name, int(ground.z_m.size))
            return ground
        return None

    def _kept_bores(self, frame: Frame) -> list[DrawnLine]:
        ref = self.cfg.keep
        if ref is None:
            return []
        with _kept(self.log, "keep"):
            lines, crs = drawn.kept_lines(ref, frame, self.log)
            self._source("keep", ref, crs, len(lines))
            return lines
        return []

    def _ticket(self) -> tuple[TicketAnswer, ...] | None:
        ref = self.cfg.ticket
        if ref is None:
            return None
        with _kept(self.log, "ticket"):
            vectors.there(ref)
            answers = ticket.read_ticket(ref.path, ref.name)
            self._source("ticket", ref, "", len(answers))
            return answers
        return None

    def _pad(self, frame: Frame, lot: Polygon) -> PadSpec | None:
        with _kept(self.log, "pad"):
            return pad.read(self.cfg, pad.Ground(frame, lot, frame.transformer_from(frame.parcel_wkt)), self.log)
        return None

    def _source(self, role: str, ref: LayerRef, crs: str, rows: int) -> None:
        key = str(ref.path)
        if key not in self.hashes:
            self.hashes[key] = vectors.sha256(ref.path)
        self.sources.append(SourceFile(role=role, path=ref.written, sha256=self.hashes[key], crs=crs, rows=rows))


@contextmanager
def _kept(log: Log, code: str) -> Iterator[None]:
    """Whatever goes wrong with the data inside becomes an error finding; what follows the block then runs."""
    try:
        yield
    except InputError as error:
        log.add_error(code, error)


def _spec(cfg: Config, spot: PadSpec) -> SiteSpec:
    return SiteSpec(
        path=str(cfg.path),
        name=cfg.name,
        units=cfg.units,
        rules=cfg.rules,
        pad=spot,
        demand=cfg.demand,
        ground=cfg.ground,
        rig=cfg.rig,
        bore=cfg.bore,
        pipe=cfg.pipe,
        patterns=cfg.patterns,
        keep="" if cfg.keep is None else cfg.keep.name,
        per_bore_m=cfg.worths_m[0],
        per_crossing_m=cfg.worths_m[1],
        score=cfg.score,
        given=cfg.given,
        strength=cfg.strength,
        mud=cfg.mud,
        cost=cfg.cost,
    )
