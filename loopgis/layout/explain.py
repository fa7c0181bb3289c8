"""Why nothing fits, in words: what rules and features stop, counted, and the changes that were tried and help.

Two counts, each told with what it is out of. The quick sift looks candidates up on a grid that has forgotten which feature closed a
cell, and never sees ground that was closed before any pad was placed. So candidate lines are spread evenly over the lot (from the
given pad, when there is one) and held against every zone. Bores that came as far as being made have their own reasons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.profile import deepest_reach, setback_to_level_m
from loopgis.core.units import length_text
from loopgis.layout import pads
from loopgis.layout.changes import small_changes
from loopgis.layout.ladders import by

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.field import Field
    from loopgis.layout.ladders import Fits
    from loopgis.layout.realise import Workshop
    from loopgis.rules.model import Zone

    Array = NDArray[np.float64]

PLACES = 48
"""Places on the lot, each joined to each by a candidate line."""
PLACES_ROUND_PAD = 400
"""Places on the lot that the given pad is joined to."""
SAMPLE_M = 1.5
MOST_TOLD = 4
LOOKED_AT = 6
"""Candidates without a profile that are solved again without each limit."""
LEAST_TOLD_SHARE = 0.005
"""Zones that close less of the ground than this are not named."""
LIMITS = ("entry pitch", "exit pitch", "bend radius", "locator depth")


@dataclass(frozen=True, kw_only=True)
class Stop:
    """What one rule does round one feature.

    stopped: candidate lines it stops; alone: those that nothing else stops; tried: candidate lines there are; share: part of
    the lot's ground it closes, or asks for depth in; closed: at every depth.
    """

    feature_id: str
    rule: str
    stopped: int
    alone: int
    tried: int
    share: float
    closed: bool

    def words(self) -> str:
        """In one line: "w-1 by house/well stops 143 of 310 candidate lines (12 of them alone) and closes 61 % of the ground"."""
        alone = f" ({self.alone} of them alone)" if self.alone else ""
        does = "closes" if self.closed else "asks for depth on"
        share = "less than 1 %" if self.share < LEAST_TOLD_SHARE else f"{100 * self.share:.0f} %"
        stops = f"{self.feature_id} by {self.rule} stops {self.stopped} of {self.tried} candidate lines{alone}"
        return f"{stops} and {does} {share} of the ground"


def smallest_change(ground: Field, fits: Fits) -> str:
    """The smallest change that works and up to two of other kinds, in words; an empty string when none does."""
    return "; or ".join(c.name for c in small_changes(ground, fits))


def reasons_of(ground: Field, workshop: Workshop) -> list[str]:
    """Reasons in plain words: first what rules everything out by itself, then what stops how much, most telling first."""
    found = list(_proofs(ground))
    pools = [pool for pool, *_ in workshop.pools.values()]
    if not any(pools) and not found:
        found.append(f"no candidate clear of the zones gets level: {_down_and_up(ground)}")
    stops, tried, free = counted(ground)
    found += [s.words() for s in stops[:MOST_TOLD]]
    if stops and free:
        found.append(f"{free} of {tried} candidate lines are stopped by no zone")
    made = [workshop.made(c) for pool in pools for c in pool if workshop.knows(c)]
    looked = min(LOOKED_AT, made.count(None))
    found += [
        f"{text}: {count} of {len(made)} candidates made" for text, count in workshop.reasons.most_common(MOST_TOLD)
    ]
    found += [
        f"without the limit of {text} a profile would exist ({count} of {looked} looked at)"
        for text, count in workshop.binding(LOOKED_AT).most_common(MOST_TOLD)
        if text in LIMITS or text.startswith("cover at ")
    ]
    return found or ["no candidate gets a level run at the wanted depth"]


def _proofs(ground: Field) -> Iterator[str]:
    """Each of these alone leaves nothing to drill."""
    site, units = ground.site, ground.site.spec.units
    closers = _closers(ground, ground.bore_zones)
    if ground.open_area.is_empty:
        yield f"every part of the lot is closed{closers}"
        return
    if ground.end_area.is_empty:
        yield f"nowhere on the lot may a bore begin or end{closers}"
        return
    yield from _at_given_pad(ground)
    seen = pads.survey(ground)
    points = seen.points
    for_pads = _closers(ground, [z for z in ground.zones if "pit" in z.applies_to and z.mode != "ruling"])
    if ground.pad_area.is_empty or not len(points):
        yield f"no room for the pad outside the zones{for_pads}"
        return
    longest = float(np.max(seen.reach_m))
    if longest < _need_m(ground):
        text = length_text(longest, units)
        yield f"the longest open line from any standing place is {text}, but {_down_and_up(ground)}"
    if site.spec.rig.max_length_m < _need_m(ground):
        yield f"the rig reaches {length_text(site.spec.rig.max_length_m, units)}, but {_down_and_up(ground)}"
    if site.spec.pad.at is None and not any(seen.fits(a).any() for a in seen.axes_deg):
        yield f"no standing place has room for a pad of {by(site.spec.pad.size_m, units)}{for_pads}"


def _need_m(ground: Field) -> float:
    """Plan length of a bore that only just gets level at the shallowest tier on flat ground."""
    rig, tier = ground.limits, min(ground.site.spec.bore.depth_m)
    pitches = (rig.entry_pitch_pct[1], rig.exit_pitch_pct[1])
    return sum(setback_to_level_m(tier, pitch, rig.bend_radius_m) for pitch in pitches)


def _down_and_up(ground: Field) -> str:
    bore, units = ground.site.spec.bore, ground.site.spec.units
    more = "" if bore.depth_given else " (shallower depths were tried as well)"
    depth, need = length_text(min(bore.depth_m), units), length_text(_need_m(ground), units)
    return f"going down to {depth} and up again takes {need}{more}"


def _at_given_pad(ground: Field) -> Iterator[str]:
    """What a fixed pad stands in."""
    at = ground.site.spec.pad.at
    if at is None:
        return
    for z in ground.zones:
        if z.mode != "ruling" and shapely.intersects_xy(z.polygon, *at):
            yield f"[pad] at lies in the zone of {z.feature_id} ({z.kind}, {z.rule.key})"


def _closers(ground: Field, zones: Sequence[Zone]) -> str:
    """Which of some zones close most ground, in brackets; empty when none of them closes any."""
    share = {f"{z.feature_id} by {z.rule.key}": _share(ground, [z]) for z in zones}
    top = sorted(((n, s) for n, s in share.items() if s >= LEAST_TOLD_SHARE), key=lambda row: -round(row[1], 6))[:3]
    return f" ({'; '.join(f'{name} closes {100 * part:.0f} %' for name, part in top)})" if top else ""


def _share(ground: Field, zones: Sequence[Zone]) -> float:
    lot = ground.site.parcel
    return float(shapely.intersection(shapely.union_all([z.polygon for z in zones]), lot).area / lot.area)


def counted(ground: Field) -> tuple[list[Stop], int, int]:
    """What stops candidate lines over the lot, most telling first; how many lines there are; how many nothing stops.

    A line is stopped by a zone that is closed and that it meets, by one that asks for depth where it begins or ends, and by one
    that asks for more depth than the rig's pitch can reach there.
    """
    start, end = candidate_lines(ground)
    if not len(start):
        return [], 0, 0
    lines = _lines(start, end)
    groups: dict[tuple[str, str], list[Zone]] = {}
    for zone in ground.bore_zones:
        groups.setdefault((zone.feature_id, zone.rule.key), []).append(zone)
    names = list(groups)
    if not names:
        return [], len(lines), len(lines)
    stopped = np.array([np.any([_stopped(ground, z, lines, start, end) for z in groups[n]], axis=0) for n in names])
    by_one = stopped.sum(axis=0) == 1
    stops = [
        Stop(
            feature_id=feature,
            rule=rule,
            stopped=int(row.sum()),
            alone=int((row & by_one).sum()),
            tried=len(lines),
            share=_share(ground, groups[(feature, rule)]),
            closed=any(z.closed for z in groups[(feature, rule)]),
        )
        for (feature, rule), row in zip(names, stopped, strict=True)
        if row.any()
    ]
    stops.sort(key=lambda s: (-s.stopped, -s.alone, -round(s.share, 6), s.feature_id, s.rule))
    return stops, len(lines), int((~stopped.any(axis=0)).sum())


def candidate_lines(ground: Field) -> tuple[Array, Array]:
    """Ends (n, 2) and (n, 2) of straight lines, long enough to get level and no longer than the rig reaches.

    They join all places of an even grid, or the given pad's places and all of a finer grid, over what the lot line's distance
    leaves of the lot; when it leaves too little for any, over the whole lot.
    """
    lot = ground.site.parcel
    edge = [z.polygon for z in ground.bore_zones if z.kind == "property_line"]
    start, end = _lines_in(ground, shapely.difference(lot, shapely.union_all(edge)))
    return (start, end) if len(start) or not edge else _lines_in(ground, lot)


def _lines_in(ground: Field, area: BaseGeometry) -> tuple[Array, Array]:
    at, none = ground.site.spec.pad.at, np.empty((0, 2))
    points = none if area.is_empty else _grid(area, ground.grid.axis_rad, PLACES if at is None else PLACES_ROUND_PAD)
    if not len(points):
        return none, none
    if at is None:
        i, j = np.triu_indices(len(points), 1)
        start, end = points[i], points[j]
    else:
        places = np.array(sorted({at, *(p.centre for p in pads.given_pads(ground, at))}))
        start, end = np.repeat(places, len(points), axis=0), np.tile(points, (len(places), 1))
    length = np.hypot(*(end - start).T)
    keep = (length >= _need_m(ground)) & (length <= ground.site.spec.rig.max_length_m)
    start, end = start[keep], end[keep]
    if len(start):
        shapely.prepare(area)
        inside = shapely.covers(area if at is None else ground.site.parcel, _lines(start, end))
        start, end = start[inside], end[inside]
    return start, end


def _lines(start: Array, end: Array) -> NDArray[np.object_]:
    lines: NDArray[np.object_] = shapely.linestrings(np.stack([start, end], axis=1))
    return lines


def _grid(area: BaseGeometry, axis_rad: float, count: int) -> Array:
    """About so many places spread evenly over an area along an axis, (n, 2)."""
    cos, sin = math.cos(axis_rad), math.sin(axis_rad)
    corners = shapely.get_coordinates(area)
    u, v = corners[:, 0] * cos + corners[:, 1] * sin, corners[:, 1] * cos - corners[:, 0] * sin
    step = math.sqrt(area.area / count)
    rows = [
        low + (np.arange(n) + 0.5) * (high - low) / n
        for low, high in ((u.min(), u.max()), (v.min(), v.max()))
        for n in (max(1, round((high - low) / step)),)
    ]
    uu, vv = np.meshgrid(*rows)
    x, y = (uu * cos - vv * sin).ravel(), (uu * sin + vv * cos).ravel()
    inside = shapely.contains_xy(area, x, y)
    return np.column_stack([x[inside], y[inside]])


def _stopped(ground: Field, zone: Zone, lines: NDArray[np.object_], start: Array, end: Array) -> NDArray[np.bool_]:
    """Which candidate lines a zone stops, (n,)."""
    shapely.prepare(zone.polygon)
    met: NDArray[np.bool_] = shapely.intersects(zone.polygon, lines)
    if zone.closed or not met.any():
        return met
    here = np.flatnonzero(met)
    a, b = start[here], end[here]
    stops = shapely.intersects_xy(zone.polygon, a[:, 0], a[:, 1]) | shapely.intersects_xy(
        zone.polygon, b[:, 0], b[:, 1]
    )
    length = np.hypot(*(b - a).T)
    share = np.linspace(0.0, 1.0, max(12, math.ceil(float(length.max()) / SAMPLE_M)))
    x, y = (a[:, [k]] + (b - a)[:, [k]] * share for k in (0, 1))
    reach = np.minimum(
        deepest_reach(length[:, None] * share, ground.site.terrain.at(x, y), ground.limits), ground.limits.max_depth_m
    )
    too_deep = shapely.contains_xy(zone.polygon, x, y) & (reach < (zone.required_depth_m or 0.0))
    result = np.zeros(len(lines), dtype=bool)
    result[here] = stops | too_deep.any(axis=1)
    return result
