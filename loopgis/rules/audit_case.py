"""From a GeoPackage to what the audit measures: lot, features, bores, pads, ground, rules and limits."""

from __future__ import annotations

import difflib
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.findings import Finding
from loopgis.rules.audit_ground import Ground, find_ground
from loopgis.rules.audit_modes import Thing
from loopgis.rules.audit_path import Path, join_parts, without_repeats
from loopgis.rules.audit_read import OwnFrame, Package, Table, open_package, polygons_only, read_layer, read_table
from loopgis.rules.audit_rig import Limits, read_limits
from loopgis.rules.audit_rows import Case, number_in
from loopgis.rules.audit_rules import FIGURES, QUALITIES, bare_fluid, kinds, load_rules

if TYPE_CHECKING:
    import pathlib

    from numpy.typing import NDArray

HOLE_DIAMETER_M = 0.127
"""5 in, when a file does not say (DEVELOPERS.md, "What a rule means")."""
_GAP_M = 0.01
READ = frozenset(
    {"parcel", "buildings", "features", "bores", "pads", "rods", "exits", "headers", "zones", "crossings", "dimensions"}
)
"""Layers that are read, or that only tell again what is in those."""


@dataclass(frozen=True, eq=False)
class Opened:
    """A GeoPackage made ready: the case for the rows, the rig's limits, point layers, the file's own table, findings.

    package, parcel, frame: the file's tables, its layer parcel, and the frame that everything was moved into.
    """

    case: Case
    limits: Limits
    rods: list[tuple[str, str, dict[str, Any], NDArray[np.float64]]] | None
    exits: list[tuple[str, str, dict[str, Any], NDArray[np.float64]]] | None
    clearances: list[dict[str, Any]]
    findings: list[Finding]
    package: Package
    parcel: Table
    frame: OwnFrame
    strange: tuple[tuple[str, str, Any], ...] = ()
    """Things of a kind that is not known: id, kind as written, geometry in the frame; no rule was applied to them."""


def open_case(
    gpkg: str | pathlib.Path,
    rules: list[str] | None,
    *,
    layout_id: str | None,
    elevation: str | pathlib.Path | None,
    rig: dict[str, Any] | None,
) -> Opened:
    """Read everything. InputError when the file, its parcel, its bores, a CRS or a rule file cannot be used."""
    package = open_package(gpkg)
    where = str(gpkg)
    parcel = read_layer(package, "parcel")
    if parcel is None or parcel.geometry is None or not parcel.rows:
        raise InputError(where, "has no layer parcel with a lot in it", "add the lot as layer parcel")
    frame = OwnFrame(where, parcel)
    wanted = package.metadata.get("rules", ["house"]) if rules is None else rules
    if not isinstance(wanted, list):
        raise InputError(where, "the metadata's rules are not a list", "name the rule files to apply")
    files = load_rules([str(r) for r in wanted], package.path.parent)
    limits = read_limits(where, *[s for s in (_limits_in(package.metadata), rig or {}) if s])
    found: list[Finding] = []
    lot, lot_id = _lot(where, frame, parcel, found)
    paths = _paths(package, frame, limits, layout_id, found)
    _lay_ground(find_ground(package, frame, _box(paths), elevation), paths, found)
    strange: list[tuple[str, str, Any]] = []
    things = _things(package, frame, found, strange)
    _unread(package, found)
    names = list(dict.fromkeys(p.layout_id for p in paths))
    case = Case(
        lot,
        lot_id,
        tuple(things),
        tuple(paths),
        tuple(_pads(package, frame, layout_id)),
        _supplied(package),
        tuple(files),
        tuple(names),
        fluid=_fluid(package.metadata),
        bores=_counts(package),
    )
    if limits.no_rig:
        found.append(
            Finding(
                severity="note",
                code="rig-unknown",
                where=where,
                message="the file does not say what the rig can do: "
                "bend radius, first rod, pitches, reach and locator depth were not checked",
                remedy="give rig=",
            )
        )
    rods, exits = (_points(package, frame, name, layout_id) for name in ("rods", "exits"))
    return Opened(
        case, limits, rods, exits, _written(package, layout_id), found, package, parcel, frame, tuple(strange)
    )


def _limits_in(metadata: dict[str, Any]) -> dict[str, Any]:
    return {k: metadata[k] for k in ("rig", "bore") if metadata.get(k) is not None}


def _fluid(metadata: dict[str, Any]) -> str:
    """The layout's fluid without its strength, "" when the file does not say."""
    pipe = metadata.get("pipe")
    told = pipe.get("fluid") if isinstance(pipe, dict) else None
    return bare_fluid(told) if isinstance(told, str) else ""


def _counts(package: Package) -> dict[str, int]:
    """Bores in the file by layout, those without a usable line included."""
    table = read_layer(package, "bores")
    return {} if table is None else dict(Counter(table.text("layout_id")))


def _lot(where: str, frame: OwnFrame, parcel: Table, found: list[Finding]) -> tuple[Any, str]:
    kind = parcel.text("kind")
    shapes = [s for s, k in zip(frame.geometries(parcel), kind, strict=True) if k != "neighbour_parcel"]
    lot = polygons_only(shapes)
    if len(shapes) > 1:
        found.append(
            Finding(
                severity="warning",
                code="parcel-many",
                where="parcel",
                measured=float(len(shapes)),
                unit="",
                outcome="unverified",
                message=f"{len(shapes)} polygons were taken together as one lot: the lines between them were not measured",
                remedy='leave only the lot, or say kind = "neighbour_parcel" of the others',
            )
        )
    if lot.is_empty:
        raise InputError(f"{where}, layer parcel", "holds no polygon", "give the lot as a polygon")
    shapely.prepare(lot)
    return lot, (parcel.text("feature_id") or [""])[0]


def _box(paths: list[Path]) -> NDArray[np.float64]:
    return np.asarray(shapely.total_bounds([p.line for p in paths]))


def _lay_ground(ground: Ground, paths: list[Path], found: list[Finding]) -> None:
    """Give every bore the ground above it; one warning when it is a guess, one per bore with a gap in it."""
    for path in paths:
        path.set_ground(None if ground.source == "guess" else ground.at(path.xyz[:, :2]))
        if ground.source == "raster" and not np.isfinite(path.ground).all():
            empty = int(np.flatnonzero(~np.isfinite(path.ground))[0])
            found.append(
                Finding(
                    severity="warning",
                    code="ground-gap",
                    bore_id=path.bore_id,
                    layout_id=path.layout_id,
                    message="the ground is not known along the whole bore",
                    outcome="unverified",
                    station_m=float(path.station[empty]),
                    remedy="give elevation that covers it",
                )
            )
    if ground.source == "guess":
        found.append(
            Finding(
                severity="warning",
                code="ground-unknown",
                outcome="unverified",
                message="no ground elevation: a straight line between the bore's ends was taken for the ground, "
                "so no depth is better than unverified",
                remedy="give elevation=",
            )
        )


def _ids(table: Table, column: str, prefix: str) -> list[str]:
    return [text or f"{prefix}-{i + 1}" for i, text in enumerate(table.text(column))]


def _paths(
    package: Package, frame: OwnFrame, limits: Limits, layout_id: str | None, found: list[Finding]
) -> list[Path]:
    where = f"{package.path}, layer bores"
    table = read_layer(package, "bores")
    if table is None or table.geometry is None or table.crs is None or not table.rows:
        raise InputError(str(package.path), "has no layer bores with a bore in it", "add the bores as layer bores")
    layouts, bores = table.text("layout_id"), _ids(table, "bore_id", "bore")
    paths: list[Path] = []
    seen: set[tuple[str, str]] = set()
    for i in range(table.rows):
        if layout_id is not None and layouts[i] != layout_id:
            continue
        place = f"{where}, bore {bores[i]}"
        path = _path(place, frame, table, i, (layouts[i], bores[i]), limits, found)
        if path is not None:
            paths.append(path)
        if (layouts[i], bores[i]) in seen:
            found.append(
                Finding(
                    severity="error",
                    code="duplicate-id",
                    where="bores",
                    layout_id=layouts[i],
                    bore_id=bores[i],
                    message="two bores of one layout have the same id",
                    outcome="fail",
                )
            )
        seen.add((layouts[i], bores[i]))
    if not paths:
        raise InputError(
            where,
            f"has no bore of layout {layout_id!r}" if layout_id is not None else "has no bore with a line",
            "layouts in the file: " + ", ".join(sorted(set(layouts))),
        )
    return paths


def _path(
    where: str, frame: OwnFrame, table: Table, i: int, ids: tuple[str, str], limits: Limits, found: list[Finding]
) -> Path | None:
    """One bore; None with an error finding when its geometry is no line."""
    shape = table.geometry[i] if table.geometry is not None else None
    parts = (
        [] if shape is None else [p for p in shapely.get_parts(shape) if p.geom_type in ("LineString", "LinearRing")]
    )
    bad = Finding(
        severity="error",
        code="bore-no-line",
        where="bores",
        layout_id=ids[0],
        bore_id=ids[1],
        outcome="fail",
        message="the bore has no line of any length",
    )
    lines = [_vertices(where, frame, table, p) for p in parts if not p.is_empty]
    if not lines:
        found.append(bad)
        return None
    vertices, gap = join_parts(lines)
    vertices = without_repeats(vertices)
    if len(vertices) < 2:
        found.append(bad)
        return None
    if gap > _GAP_M:
        found.append(
            Finding(
                severity="error",
                code="bore-broken",
                where="bores",
                layout_id=ids[0],
                bore_id=ids[1],
                limit=_GAP_M,
                message=f"the parts of the bore's line lie {gap:.2f} m apart",
                measured=gap,
                outcome="fail",
            )
        )
    flat = not bool(np.isfinite(vertices[:, 2]).all())
    row = table.row(i)
    hole = number_in(row, "hole_diameter_m") or limits.hole_m or HOLE_DIAMETER_M
    if flat:
        vertices[:, 2] = np.nan
        found.append(
            Finding(
                severity="warning",
                code="bore-2d",
                where="bores",
                layout_id=ids[0],
                bore_id=ids[1],
                outcome="unverified",
                message="the line has no heights: only plan distances were measured",
            )
        )
    return Path(ids[0], ids[1], row, vertices, hole / 2, flat)


def _vertices(where: str, frame: OwnFrame, table: Table, line: Any) -> NDArray[np.float64]:  # noqa: ANN401
    xyz = shapely.get_coordinates(line, include_z=True)
    if table.crs is None:
        raise InputError(where, "has no coordinate reference system", "assign the CRS of the data")
    return np.column_stack([frame.points(xyz[:, :2], table.crs, where), xyz[:, 2]])


def _unread(package: Package, found: list[Finding]) -> None:
    """Layers that nothing here reads: somebody may take what is in them for checked."""
    found += [
        Finding(
            severity="warning",
            code="layer-unread",
            where=real,
            outcome="unverified",
            message="this layer is not read: nothing in it was measured",
            remedy="put its things into the layer features, with a column kind",
        )
        for name, (real, kind) in sorted(package.tables.items())
        if kind == "features" and name not in READ and not package.metadata
    ]


def _kind(text: str) -> str:
    """A kind as the table has it: small letters, no blanks."""
    return "_".join(text.lower().replace("-", " ").split())


def _meant(kind: str) -> str:
    near = difflib.get_close_matches(kind, sorted(kinds()), n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"one of {', '.join(sorted(kinds()))}"


def _things(
    package: Package, frame: OwnFrame, found: list[Finding], strange: list[tuple[str, str, Any]]
) -> list[Thing]:
    things: list[Thing] = []
    for layer in ("buildings", "features"):
        table = read_layer(package, layer)
        if table is None or table.geometry is None:
            continue
        shapes, ids = frame.geometries(table), _ids(table, "feature_id", layer)
        written = ["building"] * table.rows if layer == "buildings" else table.text("kind")
        kind = [_kind(text) for text in written]
        if layer == "features" and "kind" not in table.columns:
            found.append(
                Finding(
                    severity="warning",
                    code="kind-missing",
                    where=layer,
                    outcome="unverified",
                    message="has no column kind: nothing in it was measured",
                    remedy=f"add a column kind, one of {', '.join(sorted(kinds()))}",
                )
            )
            strange += [(ids[i], "not said", s) for i, s in enumerate(shapes) if s is not None]
            continue
        depth, width = table.number("depth_m"), table.number("width_m")
        quality = [q.upper() if q.upper() in QUALITIES else "unknown" for q in table.text("quality")]
        texts = {name: table.text(name) for name in table.columns}
        figures = {column: table.number(column) for column, _ in FIGURES.values()}
        for i, shape in enumerate(shapes):
            problem = "feature-empty" if shape is None else "" if kind[i] in kinds() else "kind-unknown"
            if problem:
                found.append(
                    Finding(
                        severity="warning",
                        code=problem,
                        where=layer,
                        feature_id=ids[i],
                        outcome="unverified",
                        message="has no geometry"
                        if shape is None
                        else f"kind {written[i]!r} is not known: no rule was applied to it",
                        remedy="" if shape is None else _meant(kind[i]),
                    )
                )
                strange += [] if shape is None else [(ids[i], written[i] or "not said", shape)]
                continue
            half = float(width[i]) / 2 if width[i] > 0 else kinds()[kind[i]].half_width_m
            parts, lines = _parts(shape, half)
            things.append(
                Thing(
                    ids[i],
                    kind[i],
                    parts,
                    lines,
                    quality[i],
                    float(depth[i]) if depth[i] >= 0 else None,
                    half,
                    {name: values[i] for name, values in texts.items()},
                    {name: float(v[i]) for name, v in figures.items() if 0 <= v[i] < np.inf},
                )
            )
    return things


def _parts(shape: Any, half_m: float) -> tuple[tuple[tuple[Any, float], ...], Any]:  # noqa: ANN401
    """Split a geometry into polygons (edge as drawn) and lines or points (widened); and its lines, None without any."""
    pieces = shapely.get_parts(shapely.get_parts(shapely.make_valid(shape)))
    area = [p for p in pieces if p.geom_type == "Polygon"]
    lines = [p for p in pieces if p.geom_type in ("LineString", "LinearRing")]
    thin = lines + [p for p in pieces if p.geom_type == "Point"]
    parts = []
    if area:
        parts.append((shapely.union_all(area), 0.0))
    if thin:
        parts.append((shapely.geometrycollections(thin) if len(thin) > 1 else thin[0], half_m))
    return tuple(parts), shapely.multilinestrings(lines) if lines and not area else None


def _pads(package: Package, frame: OwnFrame, layout_id: str | None) -> list[tuple[str, Any]]:
    table = read_layer(package, "pads")
    if table is None or table.geometry is None:
        return []
    both = zip(table.text("layout_id"), frame.geometries(table), strict=True)
    return [
        (name, shapely.make_valid(shape)) for name, shape in both if shape is not None and layout_id in (None, name)
    ]


def _supplied(package: Package) -> frozenset[str]:
    given = package.metadata.get("given_kinds", [])
    kinds_given = {str(k) for k in given} if isinstance(given, list) else set()
    return frozenset(kinds_given | ({"building"} if not package.metadata and package.has("buildings") else set()))


def _points(
    package: Package, frame: OwnFrame, name: str, layout_id: str | None
) -> list[tuple[str, str, dict[str, Any], NDArray[np.float64]]] | None:
    """Points of a layer, None when the file has no such layer."""
    table = read_layer(package, name)
    if table is None or table.geometry is None or table.crs is None:
        return None
    layouts, bores = table.text("layout_id"), table.text("bore_id")
    whole = [
        i
        for i, g in enumerate(table.geometry)
        if g is not None and g.geom_type == "Point" and not g.is_empty and layout_id in (None, layouts[i])
    ]
    xyz = shapely.get_coordinates(table.geometry[whole], include_z=True)
    xy = frame.points(xyz[:, :2], table.crs, f"{package.path}, layer {name}")
    return [
        (layouts[i], bores[i], table.row(i), np.array([*p, z])) for i, p, z in zip(whole, xy, xyz[:, 2], strict=True)
    ]


def _written(package: Package, layout_id: str | None) -> list[dict[str, Any]]:
    table = read_table(package, "clearances")
    if table is None:
        return []
    rows = [table.row(i) for i in range(table.rows)]
    return [r for r in rows if layout_id is None or str(r.get("layout_id") or "") == layout_id]
