"""The crossing index of a layout: where the head may be, what it may touch, how much that would matter, and what nobody mapped.

A relative index that compares layouts. It is no probability of damage: there is no count of drilled metres behind any of its
parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.locate import head_error
from loopgis.layout.model import Crossing
from loopgis.layout.risk import SPAN_M, body_contact, combined_index, line_contact, unmapped_index
from loopgis.rules.files import kind_table
from loopgis.rules.zones import assumed_depth_m, half_width_m, tolerances_m
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.locate import HeadError
    from loopgis.bore.model import Bore
    from loopgis.layout.gate import Gate
    from loopgis.rules.model import RuleFile
    from loopgis.site.model import Feature, Site

    Array = NDArray[np.float64]

BLIND = ("building", "surface_water", "stormwater_basin", "pool")
"""Nobody walks over the head there."""
FAR_SIGMAS = 4.0
"""What lies farther off than so many standard deviations is not touched."""
LEAST_TOLD = 1e-4
"""A thing beside a bore with a smaller index is not told."""
OWN_WEIGHT = "service"
"""Class of one bore meeting another: the loop in it is lost."""
LINES = ("LineString", "MultiLineString")
PAIR_SPAN_M = 1.5
"""A piece of bore held against another goes on so far both ways; the next pieces are looked at by themselves."""
PAIR_STEP = 2
"""Every so many stations are compared between two bores: a metre."""


@dataclass(frozen=True, kw_only=True)
class Risk:
    """Parts of the crossing index, each 0..1.

    mapped: things on the map; bores: meeting each other; unmapped: lines that nobody mapped; whole: all of it.
    """

    mapped: float
    bores: float
    unmapped: float
    whole: float


def consequence_of(kind: str) -> tuple[float, str]:
    """How much a contact with a kind of thing weighs, and what it means in words."""
    row = load_table("consequences")["consequences"][kind_table()[kind]["consequence"]]
    return float(row["weight"]), str(row["words"])


def blind_stations(site: Site, bore: Bore) -> NDArray[np.bool_]:
    """(n,) True where nobody can stand over the head."""
    hidden = np.zeros(len(bore.x_m), dtype=bool)
    for f in site.all_features():
        if f.kind in BLIND:
            shape = f.geometry if half_width_m(f) <= 0 else shapely.buffer(f.geometry, half_width_m(f))
            hidden |= shapely.contains_xy(shape, bore.x_m, bore.y_m)
    return hidden


def error_of(site: Site, bore: Bore) -> HeadError:
    """Standard deviations of the head's place along a bore."""
    rig = site.spec.rig
    return head_error(
        station_m=bore.station_m,
        depth_m=np.maximum(bore.depth_m, 0.0),
        pitch_pct=bore.pitch_pct,
        blind=blind_stations(site, bore),
        rod_length_m=rig.rod_length_m,
        bend_radius_m=rig.bend_radius_m,
        locator_range_m=rig.max_depth_m,
    )


def directions(bore: Bore, at: NDArray[np.int_] | int) -> Array:
    """Unit vectors of the axis at stations, (..., 3)."""
    slope, azimuth = np.arctan(bore.pitch_pct[at] / 100), np.radians(bore.azimuth_deg[at])
    level = np.cos(slope)
    return np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(slope)], axis=-1)


def judged(
    site: Site, files: Sequence[RuleFile], bore: Bore, error: HeadError, crossings: Sequence[Crossing]
) -> list[Crossing]:
    """Crossings of a bore with their index, and the things beside it that it may touch all the same."""
    things = {f.feature_id: f for f in site.all_features()}
    mine = [_crossed(files, things[c.feature_id], bore, error, c) for c in crossings]
    crossed = {c.feature_id for c in crossings}
    beside = [_beside(files, f, bore, error) for f in things.values() if f.feature_id not in crossed]
    return [*mine, *(c for c in beside if c is not None)]


def _sigmas(files: Sequence[RuleFile], feature: Feature) -> tuple[float, float]:
    """Standard deviations of a feature's place in plan and in depth: half its tolerances, the largest of all rule files."""
    both = [tolerances_m(feature, file) for file in files]
    return max(t[0] for t in both) / 2, max(t[1] for t in both) / 2


def _crossed(files: Sequence[RuleFile], feature: Feature, bore: Bore, error: HeadError, c: Crossing) -> Crossing:
    weight, words = consequence_of(feature.kind)
    i = int(np.argmin(np.abs(bore.station_m - c.station_m)))
    depth, known = assumed_depth_m(feature)
    under = not known or float(bore.depth_m[i]) >= depth
    plan, vert = _sigmas(files, feature)
    sigma = float(np.hypot(error.vertical_m[i], vert if known else 0.0))
    told = replace(c, sigma_m=sigma, risk=None, weight=weight, consequence=words, how="under" if under else "over")
    if weight <= 0 or c.clearance_m is None:
        return told
    if feature.geometry.geom_type in LINES:
        risk = _line_risk(feature, bore, error, i, (c.x_m, c.y_m), (plan, vert))
    else:
        inside = float(shapely.distance(shapely.boundary(feature.geometry), shapely.Point(c.x_m, c.y_m)))
        risk = float(
            body_contact(
                beside_m=-inside - bore.hole_diameter_m / 2,
                under_m=c.clearance_m,
                sigma_beside_m=float(np.hypot(error.lateral_m[i], plan)),
                sigma_under_m=sigma,
            )
        )
    return replace(told, risk=risk)


def _line_risk(
    feature: Feature,
    bore: Bore,
    error: HeadError,
    i: int,
    place: tuple[float, float],
    sigma: tuple[float, float],
) -> float:
    """Index of contact with a line whose nearest place in plan is `place`."""
    depth, known = assumed_depth_m(feature)
    low, high = (float(v) for v in kind_table()[feature.kind]["depth_m"])
    spread = not known and high - low > 1e-6
    rise = float(bore.depth_m[i]) - depth
    offset = np.array([place[0] - bore.x_m[i], place[1] - bore.y_m[i], rise])
    heading, span = _piece(feature.geometry, place)
    return float(
        line_contact(
            offset_m=offset,
            bore_direction=directions(bore, i),
            line_direction=heading,
            bore_sigma_m=np.array([error.lateral_m[i], error.vertical_m[i]]),
            line_sigma_m=np.array([sigma[0], 0.0 if spread else sigma[1]]),
            reach_m=bore.hole_diameter_m / 2 + half_width_m(feature),
            depth_range_m=np.array([bore.depth_m[i] - high, bore.depth_m[i] - low]) if spread else None,
            span_m=span,
        )
    )


def _piece(geometry: BaseGeometry, place: tuple[float, float]) -> tuple[Array, Array]:
    """Unit vector of a line at its place nearest to a point, level; and how far the line goes on, against it and along it."""
    best, unit, span = np.inf, np.array([1.0, 0.0, 0.0]), np.zeros(2)
    for part in shapely.get_parts(geometry):
        xy = shapely.get_coordinates(part)
        a, d = xy[:-1], np.diff(xy, axis=0)
        long = np.maximum(np.einsum("ij,ij->i", d, d), 1e-18)
        t = np.clip(np.einsum("ij,ij->i", np.array(place) - a, d) / long, 0, 1)
        away = np.hypot(*(a + t[:, None] * d - np.array(place)).T)
        k = int(np.argmin(away))
        if away[k] < best and long[k] > 1e-12:
            best = float(away[k])
            unit = np.array([d[k, 0], d[k, 1], 0.0]) / np.sqrt(long[k])
            before = float(np.sum(np.sqrt(long[:k])) + t[k] * np.sqrt(long[k]))
            span = np.minimum([before, float(np.sum(np.sqrt(long))) - before], SPAN_M)
    return unit, span


def _beside(files: Sequence[RuleFile], feature: Feature, bore: Bore, error: HeadError) -> Crossing | None:
    """A thing that the bore does not cross but may touch; None when it is too far off to tell."""
    weight, words = consequence_of(feature.kind)
    if weight <= 0 or feature.kind == "electric_oh":
        return None
    axis = shapely.LineString(np.column_stack([bore.x_m, bore.y_m]))
    half = half_width_m(feature)
    plan, vert = _sigmas(files, feature)
    widest = FAR_SIGMAS * float(np.hypot(error.lateral_m.max(), plan)) + half + bore.hole_diameter_m
    if float(shapely.distance(axis, feature.geometry)) > widest:
        return None
    places = shapely.points(bore.x_m, bore.y_m)
    away = shapely.distance(places, feature.geometry)
    depth, known = assumed_depth_m(feature)
    sideways, sigma = np.hypot(error.lateral_m, plan), np.hypot(error.vertical_m, vert)
    gap = np.abs(bore.depth_m - depth) - bore.hole_diameter_m / 2 - half
    if feature.geometry.geom_type in LINES:
        i = int(np.argmin(np.hypot(away, np.maximum(gap, 0.0) if known else 0.0)))
        near = shapely.get_coordinates(shapely.shortest_line(places[i], feature.geometry))[1]
        risk = _line_risk(feature, bore, error, i, (float(near[0]), float(near[1])), (plan, vert))
    else:
        under = bore.depth_m - bore.hole_diameter_m / 2 - depth
        chances = body_contact(
            beside_m=away - half - bore.hole_diameter_m / 2,
            under_m=under,
            sigma_beside_m=sideways,
            sigma_under_m=sigma,
        )
        i = int(np.argmax(chances))
        risk, gap = float(chances[i]), under
    if risk < LEAST_TOLD:
        return None
    return Crossing(
        bore_id=bore.bore_id,
        feature_id=feature.feature_id,
        kind=feature.kind,
        rule_id="",
        x_m=float(bore.x_m[i]),
        y_m=float(bore.y_m[i]),
        z_m=float(bore.z_m[i]),
        station_m=float(bore.station_m[i]),
        angle_deg=0.0,
        clearance_m=float(np.hypot(max(away[i] - half - bore.hole_diameter_m / 2, 0.0), max(gap[i], 0.0))),
        sigma_m=float(sigma[i]),
        risk=risk,
        depth_known=known,
        how="beside",
        weight=weight,
        consequence=words,
    )


def pair_risks(bores: Sequence[Bore], errors: Sequence[HeadError], first_m: float) -> dict[tuple[int, int], float]:
    """Index of contact of every two bores that may meet: the largest along them, beyond the first rod of each.

    first_m: length of the first rod: there bores leave one pad side by side, in sight of the crew.
    """
    cut = [np.flatnonzero(b.station_m >= min(first_m, b.length_m / 2))[::PAIR_STEP] for b in bores]
    sigma = [np.column_stack([e.lateral_m, e.vertical_m]) for e in errors]
    found = {}
    for i, j in combinations(range(len(bores)), 2):
        a, b = bores[i].xyz[cut[i]], bores[j].xyz[cut[j]]
        square = np.sum(a**2, axis=1)[:, None] + np.sum(b**2, axis=1)[None, :] - 2 * a @ b.T
        nearest = np.argmin(square, axis=1)
        p, q = cut[i], cut[j][nearest]
        offset = bores[j].xyz[q] - bores[i].xyz[p]
        reach = (bores[i].hole_diameter_m + bores[j].hole_diameter_m) / 2
        may = np.linalg.norm(offset, axis=1) <= reach + FAR_SIGMAS * (sigma[i][p].max(axis=1) + sigma[j][q].max(axis=1))
        if not may.any():
            continue
        p, q, offset = p[may], q[may], offset[may]
        chance = line_contact(
            offset_m=offset,
            bore_direction=directions(bores[i], p),
            line_direction=directions(bores[j], q),
            bore_sigma_m=sigma[i][p],
            line_sigma_m=sigma[j][q],
            reach_m=reach,
            span_m=np.array([PAIR_SPAN_M, PAIR_SPAN_M]),
        )
        found[i, j] = float(np.max(chance))
    return found


def deepest_line_m() -> float:
    """Depth above which buried lines usually lie: the largest of the kinds that are lines."""
    rows = load_table("kinds")["kinds"].values()
    return max(float(r["depth_m"][1]) for r in rows if r["buried"] and float(r["half_width_m"]) < 0.5 and r["code"])


def shallow_m(bore: Bore) -> float:
    """Drilled length at the depths where lines usually lie."""
    above = bore.depth_m <= deepest_line_m()
    both = above[1:] & above[:-1]
    return float(np.sum(np.diff(bore.station_m)[both]))


def risk_of(
    bores: Sequence[Bore], crossings: Sequence[Crossing], pairs: dict[tuple[int, int], float], gate: Gate
) -> Risk:
    """The index of a layout: 1 - product of (1 - chance)^weight over what is mapped, the bores among themselves, and the floor."""
    hit = [(c.risk, c.weight) for c in crossings if c.risk is not None]
    mapped = combined_index([p for p, _ in hit], [w for _, w in hit])
    own = float(load_table("consequences")["consequences"][OWN_WEIGHT]["weight"])
    among = combined_index(list(pairs.values()), [own] * len(pairs))
    new = sum(shallow_m(b) for b in bores if not b.in_ground)
    floor = float(unmapped_index(shallow_m=new, ticket=gate.called, answers_in=gate.open))
    whole = 1 - (1 - mapped) * (1 - among) * (1 - floor)
    return Risk(mapped=float(mapped), bores=float(among), unmapped=floor, whole=float(whole))
