"""Read a site: every layer, every finding, in one run."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import shapely
from shapely.geometry.polygon import orient

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.site import config, features, terrain, vectors
from loopgis.site.model import FLAT, Feature, PadSpec, Site, SiteSpec, SourceFile, Terrain

if TYPE_CHECKING:
    from pathlib import Path

    from shapely import Polygon

    from loopgis.core.findings import Finding
    from loopgis.site.config import Config, LayerRef
    from loopgis.site.vectors import Log

MOST_AREA_M2 = 5e6
SLIVER_M = 3.0


def read_site(path: str | Path) -> Site:
    """Site of a site file, with its findings.

    Raises InputError with the first error in one line when the site cannot be used; `collect` gives all of them.
    """
    site, findings = collect(path)
    errors = [f for f in findings if f.severity == "error"]
    if site is None:
        first = errors[0]
        more = f" (and {len(errors) - 1} more: run `loopgis check`)" if len(errors) > 1 else ""
        raise InputError(first.where or str(path), first.message, first.remedy + more)
    return site


def collect(path: str | Path) -> tuple[Site | None, tuple[Finding, ...]]:
    """Site, or None when it cannot be used, and everything found on the way; never raises for bad data."""
    log = vectors.Log()
    try:
        return _read(config.load(path), log)
    except InputError as error:
        log.add_error("input", error)
        return None, tuple(log.findings)


def _read(cfg: Config, log: Log) -> tuple[Site | None, tuple[Finding, ...]]:
    sources: list[SourceFile] = []
    layer = vectors.read(cfg.parcel, log)
    parcel_own, parcel_id = vectors.parcel_of(layer, log)
    sources.append(_source("parcel", cfg.parcel, layer))
    frame = _frame(parcel_own, layer)
    moved = vectors.into_frame(parcel_own, frame.transformer_from(layer.wkt))
    parcel = orient(shapely.Polygon(moved.exterior, moved.interiors))
    _check_parcel(parcel, layer.name, log)
    taken: set[str] = {"lot"}
    buildings = _buildings(cfg, frame, parcel, log, sources, taken)
    rest, kinds = _features(cfg, frame, parcel, log, sources, taken)
    ground = _terrain(cfg, frame, parcel, log, sources)
    spec = _spec(cfg, frame, layer, parcel, log)
    if cfg.keep:
        log.add_warning(
            "keep-later",
            str(cfg.path),
            "[layout] keep is not honoured in this version",
            "plan around those bores by hand",
        )
    if any(f.severity == "error" for f in log.findings) or spec is None or ground is None:
        return None, tuple(log.findings)
    if cfg.buildings is not None:
        kinds.add("building")
    site = Site(
        spec=spec,
        frame=frame,
        parcel=parcel,
        parcel_id=parcel_id,
        buildings=tuple(buildings),
        features=tuple(rest),
        terrain=ground,
        given_kinds=frozenset(kinds),
        sources=tuple(sources),
        findings=tuple(log.findings),
    )
    return site, site.findings


def _source(role: str, ref: LayerRef, layer: vectors.Layer | None, rows: int = 0) -> SourceFile:
    crs = ""
    if layer is not None:
        crs, rows = str(layer.table.crs.name), len(layer.table)
    return SourceFile(role=role, path=ref.written, sha256=vectors.sha256(ref.path), crs=crs, rows=rows)


def _frame(parcel: Polygon, layer: vectors.Layer) -> Frame:
    """Frame on the lot's centroid, found in a first frame on its bounds so that it does not depend on the projection."""
    from pyproj import CRS, Transformer  # noqa: PLC0415

    crs = CRS.from_wkt(layer.wkt)
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if horizontal.geodetic_crs is None:
        raise InputError(
            layer.name,
            f"its coordinate system ({crs.name}) has no geographic base",
            "give the parcel in a real-world CRS",
        )
    to_degrees = Transformer.from_crs(horizontal, horizontal.geodetic_crs, always_xy=True)
    x0, y0, x1, y1 = parcel.bounds
    lon, lat = to_degrees.transform((x0 + x1) / 2, (y0 + y1) / 2)
    first = Frame.centred(lon, lat, horizontal.to_wkt())
    centre = vectors.into_frame(parcel, first.transformer_from(layer.wkt)).centroid
    lon, lat = Transformer.from_crs(first.crs, horizontal.geodetic_crs, always_xy=True).transform(centre.x, centre.y)
    return Frame.centred(lon, lat, horizontal.to_wkt())


def _check_parcel(parcel: Polygon, name: str, log: Log) -> None:
    if not math.isfinite(parcel.area) or parcel.area <= 1.0:
        raise InputError(name, f"the parcel has {parcel.area:.2f} m2", "check its coordinate system and units")
    if parcel.area > MOST_AREA_M2:
        raise InputError(
            name,
            f"the parcel has {parcel.area / 1e4:,.0f} ha",
            "check its coordinate system and units, or cut the lot out",
        )
    radius = shapely.maximum_inscribed_circle(parcel).length
    if radius < SLIVER_M:
        log.add_warning(
            "parcel-sliver", name, f"the parcel is at most {2 * radius:.1f} m wide", "is it the right parcel?"
        )


def _buildings(
    cfg: Config, frame: Frame, parcel: Polygon, log: Log, sources: list[SourceFile], taken: set[str]
) -> list[Feature]:
    if cfg.buildings is None:
        log.add_warning(
            "no-buildings",
            str(cfg.path),
            "no buildings layer was given",
            "add buildings, an empty layer if there are none",
        )
        return []
    try:
        layer = vectors.read(cfg.buildings, log)
        found = features.features_of(layer, frame, parcel, log, kind="building", taken=taken)
    except InputError as error:
        log.add_error("buildings", error)
        return []
    sources.append(_source("buildings", cfg.buildings, layer))
    found = features.joined_buildings(found, log, layer.name)
    for f in found:
        share = shapely.intersection(f.geometry, parcel).area / parcel.area
        if share > 0.6:
            log.add_warning(
                "building-huge",
                layer.name,
                f"covers {share:.0%} of the lot",
                "is it a building?",
                feature_id=f.feature_id,
            )
    return found


def _features(
    cfg: Config, frame: Frame, parcel: Polygon, log: Log, sources: list[SourceFile], taken: set[str]
) -> tuple[list[Feature], set[str]]:
    found: list[Feature] = []
    kinds: set[str] = set()
    for ref in cfg.features:
        try:
            layer = vectors.read(ref.ref, log)
            found += features.features_of(
                layer, frame, parcel, log, kind=ref.kind, quality=ref.quality, depth_unit=ref.depth_unit, taken=taken
            )
        except InputError as error:
            log.add_error("feature", error)
            continue
        sources.append(_source(ref.kind or "features", ref.ref, layer))
        if ref.kind:
            kinds.add(ref.kind)
        elif "kind" in layer.table.columns:
            kinds |= {str(k) for k in layer.table["kind"].dropna().unique()}
    return found, kinds


def _terrain(cfg: Config, frame: Frame, parcel: Polygon, log: Log, sources: list[SourceFile]) -> Terrain | None:
    if cfg.elevation is None:
        log.add_note(
            "flat",
            str(cfg.path),
            "no elevation was given: the ground is taken as flat at 0 m",
            'add elevation = "dem.tif"',
        )
        return FLAT
    try:
        ground = terrain.read(cfg.elevation, cfg.elevation_unit, frame, parcel, log)
    except InputError as error:
        log.add_error("elevation", error)
        return None
    sources.append(
        SourceFile(
            role="elevation",
            path=cfg.elevation.written,
            sha256=vectors.sha256(cfg.elevation.path),
            crs=_crs_name(ground.crs_wkt),
            rows=int(ground.z_m.size),
        )
    )
    return ground


def _crs_name(wkt: str) -> str:
    from pyproj import CRS  # noqa: PLC0415

    return str(CRS.from_wkt(wkt).name)


def _spec(cfg: Config, frame: Frame, layer: vectors.Layer, parcel: Polygon, log: Log) -> SiteSpec | None:
    try:
        pad = _pad(cfg, frame, layer, parcel)
    except InputError as error:
        log.add_error("pad", error)
        return None
    return SiteSpec(
        path=str(cfg.path),
        name=cfg.name,
        units=cfg.units,
        rules=cfg.rules,
        pad=pad,
        demand=cfg.demand,
        ground=cfg.ground,
        rig=cfg.rig,
        bore=cfg.bore,
        pipe=cfg.pipe,
        patterns=cfg.patterns,
        keep=cfg.keep,
        score=cfg.score,
        given=cfg.given,
    )


def _pad(cfg: Config, frame: Frame, layer: vectors.Layer, parcel: Polygon) -> PadSpec:
    spec = PadSpec(at=None, size_m=cfg.size_m, axis_deg=cfg.axis_deg, entry=_point(cfg.entry, frame, layer))
    if cfg.at is None:
        return spec
    if not isinstance(cfg.at, tuple):
        shape = vectors.frame_point(vectors.read(cfg.at, vectors.Log()), frame)
        if shape.area > 1.0:
            spec = _from_outline(spec, shape)
        else:
            spec = replace(spec, at=(float(shape.centroid.x), float(shape.centroid.y)))
    else:
        spec = replace(spec, at=_point(cfg.at, frame, layer))
    if spec.at is None or not shapely.contains_xy(parcel, *spec.at):
        away = shapely.distance(parcel, shapely.Point(spec.at or (0, 0)))
        raise InputError(
            f"{cfg.path} [pad] at",
            f"lies {away:,.1f} m outside the lot",
            "give x, y in the parcel's own CRS, inside the lot",
        )
    return spec


def _from_outline(spec: PadSpec, shape: shapely.geometry.base.BaseGeometry) -> PadSpec:
    """Pad drawn as a polygon: its bounding rectangle."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    a, b = box[1] - box[0], box[2] - box[1]
    long, short = (a, b) if math.hypot(*a) >= math.hypot(*b) else (b, a)
    centre = shape.centroid
    return replace(
        spec,
        at=(float(centre.x), float(centre.y)),
        size_m=(math.hypot(*short), math.hypot(*long)),
        axis_deg=math.degrees(math.atan2(long[0], long[1])) % 180,
    )


def _point(
    place: tuple[float, float] | LayerRef | None, frame: Frame, layer: vectors.Layer
) -> tuple[float, float] | None:
    if place is None:
        return None
    if not isinstance(place, tuple):
        centre = vectors.frame_point(vectors.read(place, vectors.Log()), frame).centroid
        return float(centre.x), float(centre.y)
    x, y = frame.transformer_from(layer.wkt).transform(*place)
    if not (math.isfinite(x) and math.isfinite(y)):
        raise InputError("[pad]", f"{place} is no place in the parcel's CRS", "give x, y in the parcel's own CRS")
    return float(x), float(y)
