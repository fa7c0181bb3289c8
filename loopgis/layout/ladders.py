"""Kinds of changes that are tried when nothing fits, each a ladder of growing steps.

What may be eased: only plan distances of rules that close or cover ground round the kinds in EASABLE. Nobody is ever told to go
nearer to a utility line, a fuel tank, a wetland, an easement or ground that a ruling is asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.units import FT_M
from loopgis.layout import pads
from loopgis.layout.assemble import direction_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from loopgis.layout.field import Field
    from loopgis.layout.generate import Draft
    from loopgis.rules.model import Zone
    from loopgis.rules.zones import Ease
    from loopgis.site.model import Site, SiteSpec

    Fits = Callable[[Site, Ease], Sequence[Draft]]
    """Lays a changed site out under eased rules; what it gives is empty when nothing fits."""

EASABLE = frozenset(
    {
        "property_line",
        "building",
        "pool",
        "retaining_wall",
        "water_well",
        "septic_tank",
        "drain_field",
        "drain_field_reserve",
        "surface_water",
        "stormwater_basin",
        "existing_loop",
    }
)
MOST_EASED = 0.75
"""Share of a distance given up at most: what is left of less is no setback."""
MOST_SETBACKS = 6
"""Rules and features whose distance is tried, those that close most ground."""
LEAST_SHARE = 0.4
LEAST_DEPTH_M = 1.2
"""Depths down to this share of the wanted one, and to this depth, are tried."""
HALF = 0.5
"""Pads, bend radii and spacings down to this share are tried."""
STEEPEST_PCT = 45.0
LONGEST_SHARE = 2.0
NEAREST_PLACES = 6
"""Places tried for a given pad, the nearest first, before the one that the search finds."""


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One step of a ladder: its name, size, what it does to the site file's figures, and what it asks of the rules."""

    name: str
    size: float
    turn: Callable[[SiteSpec], SiteSpec] = field(default=lambda spec: spec)
    ease: Ease = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """One kind of change in growing steps."""

    kinds: tuple[str, ...]
    rungs: tuple[Rung, ...]


def ladders(ground: Field) -> Iterator[Ladder]:
    """What the designer may change alone: depth, pad size, spacing where a count is wanted, pitch, bend radius, the rig's reach."""
    for make in (_depths, _pad_sizes, _spacings, _pitches, _radii, _reaches):
        ladder = make(ground.site.spec)
        if ladder.rungs:
            yield ladder


def _ladder(
    kind: str,
    old: float,
    values: Iterable[float],
    say: Callable[[float], str],
    turn: Callable[[float, SiteSpec], SiteSpec],
) -> Ladder:
    rungs = (Rung(name=say(v), size=abs(v - old) / old, turn=partial(turn, v)) for v in values)
    return Ladder(kinds=(kind,), rungs=tuple(rungs))


def _depths(spec: SiteSpec) -> Ladder:
    old, units = min(spec.bore.depth_m), spec.units
    return _ladder(
        "depth",
        old,
        _down(old, max(old * LEAST_SHARE, LEAST_DEPTH_M), steps_m(units)[0]),
        lambda v: f"[bore] depth {text(v, units)} instead of {text(old, units)}",
        lambda v, s: replace(s, bore=replace(s.bore, depth_m=(v,), depth_given=True)),
    )


def _pad_sizes(spec: SiteSpec) -> Ladder:
    (short, long), units = spec.pad.size_m, spec.units
    fine, coarse = steps_m(units)

    def size(v: float) -> tuple[float, float]:
        return max(1, round(short * v / long / fine)) * fine, v

    return _ladder(
        "pad size",
        long,
        _down(long, long * HALF, coarse),
        lambda v: f"a pad of {by(size(v), units)} instead of {by(spec.pad.size_m, units)}",
        lambda v, s: replace(s, pad=replace(s.pad, size_m=size(v))),
    )


def _spacings(spec: SiteSpec) -> Ladder:
    old, units = spec.bore.spacing_m, spec.units
    return _ladder(
        "spacing",
        old,
        _down(old, old * HALF, steps_m(units)[0]) if (spec.bore.bores or 0) > 1 else (),
        lambda v: f"[bore] spacing {text(v, units)} instead of {text(old, units)}",
        lambda v, s: replace(s, bore=replace(s.bore, spacing_m=v)),
    )


def _pitches(spec: SiteSpec) -> Ladder:
    entry, exit_ = spec.rig.entry_pitch_pct, spec.rig.exit_pitch_pct
    flat = min(entry[1], exit_[1])
    olds = f"{entry[1]:g} %" if entry[1] == exit_[1] else f"{entry[1]:g} % and {exit_[1]:g} %"

    def turn(v: float, s: SiteSpec) -> SiteSpec:
        ways = (entry[0], max(entry[1], v)), (exit_[0], max(exit_[1], v))
        return replace(s, rig=replace(s.rig, entry_pitch_pct=ways[0], exit_pitch_pct=ways[1]))

    values = range(math.floor(flat) + 1, int(STEEPEST_PCT) + 1)
    return _ladder("pitch", flat, values, lambda v: f"entry and exit pitch up to {v:g} % instead of {olds}", turn)


def _radii(spec: SiteSpec) -> Ladder:
    old, units = spec.rig.bend_radius_m, spec.units
    return _ladder(
        "bend radius",
        old,
        _down(old, old * HALF, steps_m(units)[1]),
        lambda v: f"rods with a bend radius of {text(v, units)} instead of {text(old, units)}",
        lambda v, s: replace(s, rig=replace(s.rig, bend_radius_m=v)),
    )


def _reaches(spec: SiteSpec) -> Ladder:
    old, units = spec.rig.max_length_m, spec.units
    step = steps_m(units)[1]
    values = [n * step for n in range(math.floor(old / step + 1e-6) + 1, math.floor(old * LONGEST_SHARE / step) + 1)]
    return _ladder(
        "reach",
        old,
        values,
        lambda v: f"a rig that reaches {text(v, units)} instead of {text(old, units)}",
        lambda v, s: replace(s, rig=replace(s.rig, max_length_m=v)),
    )


def setbacks(ground: Field) -> Iterator[Ladder]:
    """What an office or an owner may give: one rule's distance to one feature, those first that close most ground."""
    units, lot = ground.site.spec.units, ground.site.parcel
    fine, _ = steps_m(units)
    zones = [z for z in ground.bore_zones if may_be_eased(z)]
    area = {z.zone_id: round(float(shapely.intersection(z.polygon, lot).area), 3) for z in zones}
    for zone in sorted(zones, key=lambda z: -area[z.zone_id])[:MOST_SETBACKS]:
        old, rungs = zone.distance_m, []
        for v in _down(old, old * (1 - MOST_EASED), fine) if area[zone.zone_id] > 0 else ():
            words = f"{setback_name(zone)} {text(old, units)} -> {text(v, units)} ({giver(zone)})"
            rungs.append(Rung(name=words, size=(old - v) / old, ease={(zone.rule.key, zone.feature_id): v}))
        if rungs:
            yield Ladder(kinds=("setback",), rungs=tuple(rungs))


def may_be_eased(zone: Zone) -> bool:
    """Is a zone's distance one that an office or owner might give: never of a utility line, nor where a ruling is asked for."""
    return zone.kind in EASABLE and zone.mode in {"never", "under_with_cover", "owner_consent"} and zone.distance_m > 0


def setback_name(zone: Zone) -> str:
    """Kind, rule and feature: "property line setback of house/lot-line", "water well setback of house/well to w-1"."""
    whom = "" if zone.kind == "property_line" else f" to {zone.feature_id}"
    return f"{zone.kind.replace('_', ' ')} setback of {zone.rule.key}{whom}"


def giver(zone: Zone) -> str:
    """Whose the easing is to give, in words."""
    if zone.mode == "owner_consent" or zone.rule.consent:
        return "the owner's and the office's to give"
    return "a variance is the office's to give"


def moves(ground: Field, fits: Fits) -> Iterator[Ladder]:
    """Steps of a given pad towards the nearest place that works; none when the pad is free or no place works."""
    spec = ground.site.spec
    at = spec.pad.at
    if at is None:
        return

    def turn(to: tuple[float, float] | None) -> Callable[[SiteSpec], SiteSpec]:
        return lambda s: replace(s, pad=replace(s.pad, at=to))

    anywhere = fits(replace(ground.site, spec=turn(None)(spec)), {})
    if not anywhere:
        return
    places = [*_places(ground, at), anywhere[0].pad.centre]
    goal = next((p for p in places if fits(replace(ground.site, spec=turn(p)(spec)), {})), None)
    if goal is None:
        return
    way, lot = math.dist(at, goal), math.sqrt(ground.site.parcel.area)
    _, step = steps_m(spec.units)
    heading = math.degrees(math.atan2(goal[0] - at[0], goal[1] - at[1])) % 360
    rungs = []
    for n in range(1, math.ceil(way / step - 1e-9) + 1):
        far = min(n * step, way)
        to = (at[0] + (goal[0] - at[0]) * far / way, at[1] + (goal[1] - at[1]) * far / way)
        wind = direction_text(at, goal, spec.units).rsplit(" ", 1)[1]
        words = f"[pad] at moved {text(far, spec.units)} to the {wind} (azimuth {heading:.0f} degrees)"
        rungs.append(Rung(name=words, size=far / lot, turn=turn(to)))
    yield Ladder(kinds=("pad place",), rungs=tuple(rungs))


def _places(ground: Field, at: tuple[float, float]) -> list[tuple[float, float]]:
    """The nearest standing places where the pad fits and some level run may be had."""
    spec, seen = ground.site.spec, pads.survey(ground)
    points = seen.points
    if not len(points):
        return []
    axes = [spec.pad.axis_deg] if spec.pad.axis_deg is not None else seen.axes_deg
    tier = min(spec.bore.depth_m)
    bound = np.zeros(len(points))
    if "fan" in spec.patterns:
        bound += seen.fan_bound_m(tier)
    if "parallel" in spec.patterns:
        bound += np.sum([seen.parallel_bound_m(tier, a) for a in axes], axis=0)
    order = np.argsort(np.round(np.hypot(points[:, 0] - at[0], points[:, 1] - at[1]), 3), kind="stable")
    spots = ((float(points[i, 0]), float(points[i, 1])) for i in order if bound[i] > 0)
    fitting = (p for p in spots if any(pads.fitting_pad(ground, *p, a) is not None for a in axes))
    return [p for p, _ in zip(fitting, range(NEAREST_PLACES), strict=False)]


def steps_m(units: str) -> tuple[float, float]:
    """Steps of the trials: fine for depths and distances (a quarter foot, 0.1 m), coarse for the rest (a foot, 0.5 m)."""
    return (FT_M / 4, FT_M) if units == "us" else (0.1, 0.5)


def _down(old: float, least: float, step: float) -> list[float]:
    """Whole steps below a figure, the nearest first, down to the least."""
    return [n * step for n in range(math.ceil(old / step - 1e-6) - 1, math.ceil(least / step - 1e-6) - 1, -1)]


def text(metres: float, units: str) -> str:
    """Length as exact as its step, without idle zeros.

    >>> text(2.3622, "us"), text(3.048, "us"), text(3.048, "metric"), text(21.0, "metric")
    ('7.75 ft', '10 ft', '3.05 m', '21 m')
    """
    value, unit = (metres / FT_M, "ft") if units == "us" else (metres, "m")
    return f"{value:.2f}".rstrip("0").rstrip(".") + f" {unit}"


def by(size: tuple[float, float], units: str) -> str:
    """Two sides, as exact as their step."""
    return f"{text(size[0], units)} by {text(size[1], units)}"
