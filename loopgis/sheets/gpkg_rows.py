"""Rows of every layer, in frame coordinates: plain Python from site, zones and layouts."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import shapely

from loopgis.bore.rods import rods_needed
from loopgis.sheets import drill_rows, plumbing_rows, tokens
from loopgis.sheets.gpkg_row import Row, ids, some
from loopgis.sheets.schema import CHANGES
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Clearance, Layout, Pad
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site


@dataclass(frozen=True, kw_only=True, eq=False)
class Refused:
    """A line drawn by hand that cannot be drilled. line: (n, 2) frame metres; station_m: along it, where the reason lies."""

    layout_id: str
    bore_id: str
    line: NDArray[np.float64]
    why: str
    station_m: float | None
    target_depth_m: float


@dataclass(frozen=True, kw_only=True)
class Change:
    """One figure of a scored file that is no longer what it was; bore_id empty: of the layout itself."""

    layout_id: str
    bore_id: str
    figure: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Scored:
    """What scoring adds to a file: the readings of the crew are carried over, and pads of layouts without a drillable line kept."""

    refused: tuple[Refused, ...] = ()
    changes: tuple[Change, ...] = ()
    rod_log: tuple[dict[str, Any], ...] = ()
    pads: tuple[tuple[str, Pad], ...] = ()


def rows(
    site: Site, zones: Sequence[Zone], layouts: Sequence[Layout], scored: Scored | None = None
) -> dict[str, list[Row]]:
    """All rows by layer name, in a fixed order. scored: what scoring an edited file adds."""
    scored = scored or Scored()
    rod = site.spec.rig.rod_length_m
    lot = {"feature_id": "lot", "kind": "property_line", "quality": "unknown", "label": site.parcel_id, "code": ""}
    return {
        "parcel": [(site.parcel, lot)],
        "buildings": [(_multi(f.geometry), _thing(f)) for f in site.buildings],
        "features": [(f.geometry, _thing(f)) for f in site.features],
        "zones": [(_multi(z.polygon), _zone(z)) for z in zones],
        "pads": [
            (pad.polygon, _pad(name, pad, rank))
            for name, pad, rank in (
                *((y.layout_id, y.pad, y.rank) for y in layouts),
                *((name, pad, None) for name, pad in scored.pads),
            )
        ],
        **figures(site, layouts),
        "rods": [row for y in layouts for row in drill_rows.rods(y, site, rod)],
        "stations": [row for y in layouts for row in drill_rows.stations(y)],
        "exits": [(shapely.Point(b.xyz[-1]), ids(y, b.bore_id)) for y in layouts for b in y.bores],
        "headers": [row for y in layouts for row in _header(y)],
        "crossings": [row for y in layouts for row in _crossings(y)],
        "clearances": [row for y in layouts for row in _clearances(y)],
        "ground_change": [row for y in layouts for row in _ground_change(y)],
        "temperatures": [row for y in layouts for row in _temperatures(y)],
        "what_ifs": [row for y in layouts for row in _what_ifs(y)],
        "costs": [row for y in layouts for row in drill_rows.costs(y, site.spec.units)],
        "circuits": [row for y in layouts for row in plumbing_rows.circuits(y)],
        "header_spans": [row for y in layouts for row in plumbing_rows.spans(y)],
        "materials": [row for y in layouts for row in plumbing_rows.materials(y)],
        "findings": [row for y in layouts for row in drill_rows.findings(y)],
        "ticket": [(None, {**asdict(a), "closed": int(a.closed)}) for a in site.ticket or ()],
        "refused": [_refused(r, layouts) for r in scored.refused],
        "changes": [(None, asdict(c)) for c in scored.changes],
        "exact": [row for y in layouts for row in _exact(y)],
        "rod_log": [(None, row) for row in scored.rod_log],
    }


def figures(site: Site, layouts: Sequence[Layout]) -> dict[str, list[Row]]:
    """The rows of `layouts` and `bores` alone: what a layout comes to."""
    return {
        "layouts": [(None, _layout(y)) for y in layouts],
        "bores": [row for y in layouts for row in _bores(y, site)],
    }


def _refused(refused: Refused, layouts: Sequence[Layout]) -> Row:
    rank = next((y.rank for y in layouts if y.layout_id == refused.layout_id), None)
    values = {k: getattr(refused, k) for k in ("layout_id", "bore_id", "why", "station_m", "target_depth_m")}
    return shapely.LineString(refused.line), {**values, "rank": rank}


def _exact(layout: Layout) -> Iterator[Row]:
    """The pad and every plan curve, with all their digits."""
    own = layout.pad
    pad = {"centre": own.centre, "axis_deg": own.axis_deg, "size_m": own.size_m, "given": own.given}
    yield None, {"layout_id": layout.layout_id, "bore_id": "", "figures": json.dumps({"pad": pad})}
    for b in layout.bores:
        if b.curve is not None:
            figures = {
                "start": [b.curve.x0, b.curve.y0, b.curve.heading_rad],
                "pieces": b.curve.pieces,
                "target_depth_m": b.target_depth_m,
                "shape": b.shape,
            }
            yield None, {"layout_id": layout.layout_id, "bore_id": b.bore_id, "figures": json.dumps(figures)}


def _pad(layout_id: str, pad: Pad, rank: int | None) -> dict[str, Any]:
    short, long = pad.size_m
    return {
        "layout_id": layout_id,
        "rank": rank,
        "axis_deg": pad.axis_deg,
        "short_m": short,
        "long_m": long,
        "given": int(pad.given),
    }


def _header(layout: Layout) -> Iterator[Row]:
    header = layout.header
    if header is not None and header.length_m > 0:
        figures = {"layout_id": layout.layout_id, "rank": layout.rank, "length_m": header.length_m}
        yield shapely.LineString(header.xyz), {**figures, "size": header.size or None}


def _worst(clearances: Iterable[Clearance], key: Callable[[Clearance], Hashable]) -> dict[Hashable, str]:
    """By key, the outcome that needs attention first."""
    worst: dict[Hashable, str] = {}
    for c in sorted(clearances, key=lambda c: tokens.OUTCOME[c.outcome].rank):
        worst.setdefault(key(c), c.outcome)
    return worst


def _multi(geometry: BaseGeometry) -> BaseGeometry:
    return shapely.MultiPolygon([geometry]) if geometry.geom_type == "Polygon" else geometry


def _thing(feature: Feature) -> dict[str, Any]:
    own = dict(feature.attributes)
    values = {
        "feature_id": feature.feature_id,
        "kind": feature.kind,
        "quality": feature.quality,
        "depth_m": feature.depth_m,
        **{name: _number(own.get(name)) for name in ("width_m", "yield_l_s", "flow_m3_d", "voltage_kv")},
        **{name: own.get(name) or None for name in ("foundation", "use", "shielded")},
        "label": feature.label or None,
        "code": load_table("kinds")["kinds"][feature.kind]["code"],
    }
    return some(values)


def _number(text: str | None) -> float | None:
    try:
        return float(text or "")
    except ValueError:
        return None


def _zone(zone: Zone) -> dict[str, Any]:
    return {
        "zone_id": zone.zone_id,
        "rule_id": zone.rule.key,
        "kind": zone.kind,
        "feature_id": zone.feature_id,
        "mode": zone.mode,
        "distance_m": zone.distance_m,
        "tolerance_m": zone.tolerance_m,
        "min_cover_m": zone.required_depth_m,
        "closed": int(zone.closed),
        "for_bores": int("bore" in zone.applies_to),
        "citation": zone.rule.citation,
    }


def _bores(layout: Layout, site: Site) -> Iterator[Row]:
    worst = _worst(layout.clearances, lambda c: c.bore_id)
    for n, b in enumerate(layout.bores):
        figures = {
            "heat_share": None if layout.heat is None else float(layout.heat.shares[n]),
            **ids(layout, b.bore_id),
            **bore_figures(b, site.spec.rig.rod_length_m),
            **drill_rows.bore_figures(layout, n, site),
            "outcome": worst.get(b.bore_id),
        }
        yield shapely.LineString(b.xyz), some(figures)


def bore_figures(bore: Bore, rod_length_m: float) -> dict[str, Any]:
    """What a bore's own path says of it, by column of the layer bores."""
    return {
        "pattern": bore.pattern,
        "source": bore.source,
        "shape": bore.shape,
        "length_m": bore.length_m,
        "plan_length_m": bore.plan_length_m,
        "level_length_m": bore.level_length_m,
        "target_depth_m": bore.target_depth_m,
        "max_depth_m": bore.max_depth_m,
        "min_cover_m": bore.min_cover_m,
        "entry_pitch_pct": float(bore.pitch_pct[0]),
        "exit_pitch_pct": float(bore.pitch_pct[-1]),
        "min_radius_m": bore.min_radius_m,
        "hole_diameter_m": bore.hole_diameter_m,
        "rods": rods_needed(bore.length_m, rod_length_m),
        "pipe_m": 2 * bore.length_m,
        **_level(bore),
    }


def _level(bore: Bore) -> dict[str, float | None]:
    """First and last level station as shares of the plan length."""
    at = bore.plan_station_m[bore.level] / bore.plan_length_m
    return {"level_from": float(at[0]), "level_to": float(at[-1])} if len(at) > 1 else {}


def _crossings(layout: Layout) -> Iterator[Row]:
    worst = _worst(layout.clearances, lambda c: (c.bore_id, c.feature_id))
    for c in layout.crossings:
        outcome = worst.get((c.bore_id, c.feature_id))
        more = {**ids(layout, c.bore_id), "depth_known": int(c.depth_known), "outcome": outcome}
        yield shapely.Point(c.x_m, c.y_m, c.z_m), {**some(asdict(c)), **more}


def _layout(layout: Layout) -> dict[str, Any]:
    figures = {**asdict(layout.evaluation), "score": layout.score, "pareto": int(layout.pareto)}
    figures |= {"distinction": layout.distinction or None, **_heat(layout)}
    return some({"layout_id": layout.layout_id, "rank": layout.rank, "pattern": layout.pattern, **figures})


def _clearances(layout: Layout) -> Iterator[Row]:
    for c in layout.clearances:
        yield None, {**some(asdict(c)), "layout_id": layout.layout_id}
    if layout.heat is not None:
        yield (
            None,
            {
                "layout_id": layout.layout_id,
                "rule_id": "heat/lot-line",
                "feature_id": "lot",
                "kind": "property_line",
                "basis": "temperature",
                "change_k": layout.heat.lot_line.largest_k,
                "outcome": "not_applicable",
                "citation": f"no rule entered limits it; year {layout.heat.case.years}, {layout.heat.depth_m:.1f} m deep",
            },
        )


def _heat(layout: Layout) -> dict[str, Any]:
    heat = layout.heat
    if heat is None:
        return {}
    low, high = heat.interval_m or (None, None)
    return {"needed_low_m": low, "needed_high_m": high, "lot_line_change_k": heat.lot_line.largest_k}


def _ground_change(layout: Layout) -> Iterator[Row]:
    if layout.heat is None:
        return
    line = layout.heat.lot_line
    for (x, y), change, cold, warm in zip(line.xy, line.change_k, line.coldest_k, line.warmest_k, strict=True):
        values = {
            "layout_id": layout.layout_id,
            "rank": layout.rank,
            "depth_m": line.depth_m,
            "change_k": float(change),
            "coldest_k": float(cold),
            "warmest_k": float(warm),
            "size": next(name for name, least in reversed(CHANGES) if abs(change) >= least),
            "colder": int(change < 0),
        }
        yield shapely.Point(x, y), values


def _temperatures(layout: Layout) -> Iterator[Row]:
    heat = layout.heat
    if heat is None:
        return
    c = heat.course
    for n in range(len(c.mean_c)):
        values = {
            "layout_id": layout.layout_id,
            "month": n + 1,
            "year": n // 12 + 1,
            "load_w": float(c.load_w[n]),
            "ewt_c": float(c.mean_c[n]),
            "ewt_heating_c": float(c.heating_c[n]),
            "ewt_cooling_c": float(c.cooling_c[n]),
            "leaving_c": float(c.leaving_c[n]),
            "ground_c": float(heat.undisturbed_c[n % 12]),
        }
        yield None, some(values)


def _what_ifs(layout: Layout) -> Iterator[Row]:
    heat = layout.heat
    if heat is None:
        return
    for w in heat.what_ifs:
        low, high = (None if f is None else f * heat.offered_m for f in (w.low_factor, w.high_factor))
        names = {"layout_id": layout.layout_id, "name": w.name, "low": w.low, "high": w.high}
        yield None, {**names, "needed_low_m": low, "needed_high_m": high}
