"""The figures that the review page draws from, in the site's units: bores with what they meet along them, and their water."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import PSI_PA
from loopgis.layout.field import runs
from loopgis.rules.zones import assumed_depth_m
from loopgis.sheets import tokens
from loopgis.sheets.plan_layers import bore_number, for_bores
from loopgis.sheets.review_answer import HOPELESS, carries
from loopgis.sheets.review_chart import METRE, chart_data
from loopgis.sheets.review_scene import scene_data
from loopgis.sheets.review_words import said

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from loopgis.bore.locate import HeadError
    from loopgis.bore.model import Bore
    from loopgis.layout.annulus import BoreMud
    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Crossing, Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

    Indices = NDArray[np.int64]

STEP_M = 1.2
"""Stations of a bore that the page gets lie so far apart, besides those where something begins or ends."""
MOST_STATIONS = 6000
"""With more than so many in all, they lie farther apart, so that large sites keep a page that opens quickly."""
SIGMAS = 2.0
"""Bands and rings of doubt are drawn so many standard deviations wide."""


def page_data(site: Site, zones: Sequence[Zone], layouts: Sequence[Layout]) -> dict[str, Any]:
    """Everything that the page's script draws; names are cut to what their place holds, figures that are none are None."""
    us = site.spec.units == "us"
    step_m = max(STEP_M, sum(b.length_m for y in layouts for b in y.bores) / MOST_STATIONS)
    return {
        "schema": "loopgis-review/1",
        "units": {
            "length": METRE[site.spec.units][1],
            "pressure": "psi" if us else "kPa",
            "temperature": "°F" if us else "°C",
        },
        "colours": {
            "ink": tokens.INK,
            "light": tokens.INK_LIGHT,
            "paper": tokens.PAPER,
            "text": tokens.TEXT,
            "soft": tokens.TEXT_SOFT,
            "band": tokens.COVER_BAND,
            "asked": tokens.ASKED,
            "closed": tokens.CLOSED,
            "contour": tokens.CONTOUR,
            "building": tokens.BUILDING,
            "building_edge": tokens.BUILDING_EDGE,
            "water": tokens.WATER,
            "shore": tokens.SHORE,
            "ground": [tokens.GROUND_DARKEST, tokens.GROUND_LIGHT],
            "fail": tokens.OUTCOME["fail"].colour,
            "thin": tokens.OUTCOME["pass_thin"].colour,
            "pass": tokens.OUTCOME["pass"].colour,
        },
        "rod": _round(site.spec.rig.rod_length_m * METRE[site.spec.units][0], 4),
        "chart": chart_data(site, layouts),
        "scene": scene_data(site, zones),
        "layouts": [_layout(site, zones, y, step_m) for y in layouts],
    }


def _layout(site: Site, zones: Sequence[Zone], y: Layout, step_m: float) -> dict[str, Any]:
    factor = METRE[site.spec.units][0]
    muds = {d.bore_id: d.mud for d in y.drills}
    errors = dict(zip([b.bore_id for b in y.bores], y.errors, strict=False))
    things = {f.feature_id: f for f in site.all_features()}
    return {
        "id": said(y.layout_id),
        "pattern": said(y.pattern),
        "rank": y.rank,
        "pareto": y.pareto,
        "carries": None if y.heat is None else carries(y.heat),
        "bores": [
            _bore(site, zones, b, [c for c in y.crossings if c.bore_id == b.bore_id], things, at)
            | {
                "mud": _mud(site, muds.get(b.bore_id), at),
                "doubt": _doubt(site, b, errors.get(b.bore_id), at),
            }
            for b, at in ((b, stations(b, muds.get(b.bore_id), step_m)) for b in y.bores)
        ],
        "pad": _numbers(shapely.get_coordinates(y.pad.polygon.exterior) * factor, 2),
        "header": [] if y.header is None else _numbers(y.header.xyz * factor, 2),
        "heat": None if y.heat is None else _heat(site, y.heat),
    }


# -- one bore ------------------------------------------------------------------------------------------------------------------


def stations(b: Bore, mud: BoreMud | None, step_m: float = STEP_M) -> Indices:
    """Indices of the stations that are drawn: step_m apart at most, and both sides of every place where something changes."""
    every = max(1, int(step_m / max(float(np.median(np.diff(b.station_m))), 1e-6)))
    flags = [b.level] + ([] if mud is None else [mud.over, mud.tight, mud.judged])
    changes = np.concatenate([np.flatnonzero(np.diff(f.astype(int))) for f in flags])
    found: Indices = np.unique(np.r_[np.arange(0, len(b.x_m), every), len(b.x_m) - 1, changes, changes + 1]).astype(
        np.int64
    )
    return found


def _bore(
    site: Site, zones: Sequence[Zone], b: Bore, crossings: Sequence[Crossing], things: dict[str, Feature], at: Indices
) -> dict[str, Any]:
    """Way and profile of a bore; heights in the profile count from the ground at its entry."""
    factor = METRE[site.spec.units][0]
    datum = float(b.ground_m[0])
    return {
        "id": said(b.bore_id),
        "number": said(bore_number(b), 12),
        "there": b.in_ground,
        "x": _numbers(b.x_m[at] * factor, 1),
        "y": _numbers(b.y_m[at] * factor, 1),
        "z": _numbers(b.z_m[at] * factor, 2),
        "s": _numbers(b.plan_station_m[at] * factor, 1),
        "d": _numbers(b.station_m[at] * factor, 1),
        "h": _numbers((b.z_m[at] - datum) * factor, 2),
        "g": _numbers((b.ground_m[at] - datum) * factor, 2),
        "level": [int(v) for v in b.level[at]],
        "target": _round(b.target_depth_m * factor, 2),
        "drilled": _round(b.length_m * factor, 1),
        "run": _round(b.level_length_m * factor, 1),
        "deepest": _round(b.max_depth_m * factor, 1),
        "in": _round(abs(float(b.pitch_pct[0])), 0),
        "out": _round(float(b.pitch_pct[-1]), 0),
        "rods": _rods(site, b),
        "asked": _asked(zones, b, things, factor),
        "crossings": [v for c in crossings if (v := _crossing(b, c, things.get(c.feature_id), factor)) is not None],
    }


def _rods(site: Site, b: Bore) -> list[list[float]]:
    """Number, place along the plan and height of every fifth rod's end."""
    rod_m, factor = site.spec.rig.rod_length_m, METRE[site.spec.units][0]
    numbers = np.arange(5, math.floor(b.length_m / rod_m) + 1, 5)
    s = np.interp(numbers * rod_m, b.station_m, b.plan_station_m)
    h = np.interp(numbers * rod_m, b.station_m, b.z_m) - float(b.ground_m[0])
    return [
        [int(n), _round(x * factor, 2) or 0.0, _round(z * factor, 2) or 0.0]
        for n, x, z in zip(numbers, s, h, strict=True)
    ]


def _asked(zones: Sequence[Zone], b: Bore, things: dict[str, Feature], factor: float) -> list[dict[str, Any]]:
    """Stretches over which a rule asks for a depth: places along the plan, the ground there, the depth, and what asks."""
    axis = shapely.LineString(np.column_stack([b.x_m, b.y_m]))
    found = []
    for zone in for_bores(zones):
        if zone.closed or not shapely.intersects(axis, zone.polygon):
            continue
        thing = things.get(zone.feature_id)
        name = said((thing.label if thing is not None else "") or zone.kind.replace("_", " "), 40)
        for first, last in runs(shapely.contains_xy(zone.polygon, b.x_m, b.y_m)):
            part = np.unique(np.r_[np.arange(first, last + 1, 4), last])
            found.append(
                {
                    "name": name,
                    "depth": _round((zone.required_depth_m or 0.0) * factor, 2),
                    "s": _numbers(b.plan_station_m[part] * factor, 2),
                    "g": _numbers((b.ground_m[part] - float(b.ground_m[0])) * factor, 2),
                }
            )
    return found


def _crossing(b: Bore, c: Crossing, thing: Feature | None, factor: float) -> dict[str, Any] | None:
    """What a bore passes: where it lies in the profile, its clear gap, how sure its place is, its index."""
    if thing is None:
        return None
    s = float(np.interp(c.station_m, b.station_m, b.plan_station_m))
    ground = float(np.interp(c.station_m, b.station_m, b.ground_m))
    over = ground - assumed_depth_m(thing)[0] < c.z_m
    way = -1.0 if over else 1.0
    crown = c.z_m - float(b.ground_m[0]) + way * b.hole_diameter_m / 2
    style = tokens.kind_style(c.kind)
    line = bool(style.letter) and c.kind not in {"drain_field", "drain_field_reserve"}
    gap = c.clearance_m
    return {
        "name": said(thing.label or c.kind.replace("_", " "), 40),
        "letter": style.letter if line else "",
        "colour": style.colour,
        "s": _round(s * factor, 2),
        "x": _round(c.x_m * factor, 2),
        "y": _round(c.y_m * factor, 2),
        "z": _round((c.z_m if gap is None else c.z_m + way * (gap + b.hole_diameter_m / 2)) * factor, 2),
        "crown": _round(crown * factor, 2),
        "at": None if gap is None else _round((crown + way * gap) * factor, 2),
        "gap": None if gap is None else _round(gap * factor, 2),
        "doubt": None if c.sigma_m is None else _round(SIGMAS * c.sigma_m * factor, 2),
        "known": c.depth_known,
        "how": c.how,
        "index": None if c.risk is None or not math.isfinite(c.risk) else float(f"{c.risk:.3g}"),
    }


def _mud(site: Site, mud: BoreMud | None, at: Indices) -> dict[str, Any] | None:
    """Pressures along a bore at its stations: needed, needed by the harsher law, borne, weight of the ground above."""
    if mud is None:
        return None
    unit = PSI_PA if site.spec.units == "us" else 1000.0
    p = mud.pressures
    return {
        "needs": _numbers(p.demand_pa[at] / unit, 1),
        "harsh": _numbers(mud.high_pa[at] / unit, 1),
        "bears": _numbers(p.capacity_pa[at] / unit, 1),
        "weighs": _numbers(p.overburden_pa[at] / unit, 1),
        "judged": [int(v) for v in mud.judged[at]],
        "over": [int(v) for v in mud.over[at]],
        "tight": [int(v) for v in mud.tight[at]],
        "assumed": mud.assumed,
    }


def _doubt(site: Site, b: Bore, error: HeadError | None, at: Indices) -> dict[str, Any] | None:
    """Where the head may be, SIGMAS standard deviations, at the stations of the profile, and where nobody stands over it."""
    if error is None or len(error.vertical_m) != len(b.x_m):
        return None
    factor = METRE[site.spec.units][0]
    return {
        "up": _numbers(SIGMAS * error.vertical_m[at] * factor, 2),
        "side": _numbers(SIGMAS * error.lateral_m[at] * factor, 2),
        "blind": [
            [_round(float(b.plan_station_m[first]) * factor, 2), _round(float(b.plan_station_m[last]) * factor, 2)]
            for first, last in runs(error.blind)
        ],
    }


# -- water ---------------------------------------------------------------------------------------------------------------------


def _heat(site: Site, heat: Heat) -> dict[str, Any] | None:
    """Entering water month by month, its limits, and its coldest and warmest hour; None where it is far from enough bore."""
    if heat.needed_m and heat.offered_m < HOPELESS * heat.needed_m:
        return None
    us, c = site.spec.units == "us", heat.course

    def degrees(celsius: ArrayLike) -> list[float | None]:
        value = np.asarray(celsius, dtype=float)
        return _numbers(value * 1.8 + 32 if us else value, 2)

    def worst(values: NDArray[np.float64], *, least: bool) -> list[float | None] | None:
        """Month's end in years and temperature of the least or the greatest."""
        if not np.isfinite(values).any():
            return None
        at = int(np.nanargmin(values) if least else np.nanargmax(values))
        return [_round((at + 1) / 12, 4), degrees([values[at]])[0]]

    low, high = np.fmin(c.mean_c, c.heating_c), np.fmax(c.mean_c, c.cooling_c)
    return {
        "years": heat.case.years,
        "mean": degrees(c.mean_c),
        "low": degrees(low),
        "high": degrees(high),
        "heating": degrees(c.heating_c),
        "cooling": degrees(c.cooling_c),
        "limits": degrees([heat.case.limits.least_c, heat.case.limits.most_c]),
        "coldest": worst(low, least=True),
        "warmest": worst(high, least=False),
        "peak_h": _round(heat.case.peak_s / 3600, 2),
    }


# -- figures -------------------------------------------------------------------------------------------------------------------


def _round(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None


def _numbers(values: ArrayLike, digits: int) -> list[Any]:
    """Figures, rounded, lists for rows; None for what is none."""
    array = np.asarray(values, dtype=float)
    if array.ndim > 1:
        return [_numbers(row, digits) for row in array]
    return [_round(v, digits) for v in array.tolist()]
