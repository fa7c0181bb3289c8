"""The quick bound: what rules out every bore of a lot before one is laid out.

It never errs against the real layout, since it asks for less: room for the pad, ground to go down and to come up, and between
them the shortest way on which the ground could be left and reached again at the steepest pitches. Bends cost length, slopes
of the ground may save some; both are taken in the lot's favour.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.layout.candidates import LEAD_SHARE, PLAN_SHARE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.field import Field
    from loopgis.site.model import Terrain

SLACK_M = 0.01
SIFT_M = 0.25
"""The layout's sift counts a bore as level this much above its tier (`candidates.sift`)."""
SEAM_M = 0.5
"""Pieces of open ground nearer to each other than this count as one: bores are looked up at samples a metre apart."""
TOLD = 2
"""Zones that are named as the reason, at most."""


def nothing_fits(field: Field, tiers_m: Sequence[float]) -> str:  # noqa: PLR0911 - one reason a line
    """Why no bore can lie on a lot, in words; "" when one might. tiers_m: all depths at which the layout would try."""
    tier = min(tiers_m)
    units = field.site.spec.units
    stand = _standing(field)
    if field.open_area.is_empty:
        return f"every part of the lot is closed{closers(field, 'bore')}"
    if stand.is_empty:
        return f"no room for the pad{closers(field, 'pit')}"
    if field.end_area.is_empty:
        return f"nowhere on the lot may a bore begin or end{closers(field, 'bore')}"
    need = shortest_m(field, tier)
    if need * 1.02 > field.site.spec.rig.max_length_m:
        reach = length_text(field.site.spec.rig.max_length_m, units)
        return f"the rig reaches {reach}, going down to {length_text(tier, units)} and up again takes {length_text(need, units)}"
    have = longest_chord_m(field, stand)
    if have <= 0:
        return f"no place for the pad touches ground where a bore may begin{closers(field, 'bore')}"
    if have < chord_m(need, field.limits.bend_radius_m):
        text = f"from where the rig can stand a bore comes up {length_text(have, units)} away at most, "
        return f"{text}{length_text(need, units)} are needed{closers(field, 'bore')}"
    return ""


def shortest_m(field: Field, tier_m: float) -> float:
    """Least plan length of a bore that gets level at a depth: both slants at the steepest pitch, and what the sift adds for bends.

    The slope of the ground is taken in the bore's favour: as if it rose from both ends.
    """
    rig = field.limits
    rise, slope = relief(field.site.terrain, field.site.parcel)
    deep = tier_m - SIFT_M
    total = 0.0
    for pitch_pct in (rig.entry_pitch_pct[1], rig.exit_pitch_pct[1]):
        pitch = pitch_pct / 100
        total += max(deep / (pitch + slope), (deep - rise) / pitch, 0.0)
        total += LEAD_SHARE * rig.bend_radius_m * math.tan(math.atan(pitch) / 2)
    return total


def chord_m(length_m: float, bend_radius_m: float) -> float:
    """Least distance between the ends of a way of this length that bends no more than a bore may in plan.

    By Schur's theorem that of an arc of the tightest curvature (from memory).

    >>> round(chord_m(30.0, 30.0), 2)
    29.55
    """
    curvature = PLAN_SHARE / bend_radius_m
    half = min(curvature * length_m / 2, math.pi / 2)
    return 2 / curvature * math.sin(half)


def relief(terrain: Terrain, parcel: Polygon) -> tuple[float, float]:
    """Height between the lowest and the highest ground of a lot, metres, and its steepest slope, both from above."""
    if terrain.flat:
        return 0.0, 0.0
    x0, y0, x1, y1 = parcel.bounds
    corner_x, corner_y = np.array([x0, x1, x0, x1]), np.array([y0, y0, y1, y1])
    col, row = (_cells(k, corner_x, corner_y) for k in (terrain.map_col, terrain.map_row))
    rows, cols = terrain.z_m.shape
    c0, c1 = max(math.floor(col.min()) - 1, 0), min(math.ceil(col.max()) + 2, cols)
    r0, r1 = max(math.floor(row.min()) - 1, 0), min(math.ceil(row.max()) + 2, rows)
    z = terrain.z_m[r0:r1, c0:c1]
    if not np.isfinite(z).any() or min(z.shape) < 2:
        return math.inf, math.inf
    wide, high = (1e3 / math.hypot(k[1], k[2]) for k in (terrain.map_col, terrain.map_row))
    steps = (float(np.nanmax(np.abs(np.diff(z, axis=a)), initial=0.0)) / w for a, w in ((1, wide), (0, high)))
    return float(np.nanmax(z) - np.nanmin(z)), 1.01 * math.hypot(*steps)


def _cells(k: Sequence[float], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    u, v = x * 1e-3, y * 1e-3
    value: NDArray[np.float64] = k[0] + k[1] * u + k[2] * v + k[3] * u * u + k[4] * u * v + k[5] * v * v
    return value


def _standing(field: Field) -> BaseGeometry:
    """Ground within the reach of any place where the pad fits.

    A pad holds a line as long as its long side is longer than the short one, with half the short side of room all round; pieces of
    ground with less are left out. Its entries lie within half its long side of its middle.
    """
    short, long = sorted(field.site.spec.pad.size_m)
    middles = shapely.get_parts(shapely.buffer(field.pad_area, -(short / 2 - SLACK_M)))
    roomy = [m for m in middles if not m.is_empty and _farthest(m, m) >= long - short - SLACK_M]
    return shapely.buffer(shapely.union_all(roomy), long / 2 + SLACK_M) if roomy else shapely.Polygon()


def longest_chord_m(field: Field, stand: BaseGeometry) -> float:
    """Greatest distance from a place where a bore may begin to one where it may end, within one piece of passable ground.

    stand: ground within reach of a pad. 0 when there is no such pair.
    """
    deep = [
        z.polygon for z in field.bore_zones if not z.closed and (z.required_depth_m or 0) > field.limits.max_depth_m
    ]
    passable = shapely.difference(field.open_area, shapely.union_all(deep)) if deep else field.open_area
    begin = shapely.intersection(field.end_area, stand)
    if begin.is_empty or passable.is_empty:
        return 0.0
    best = 0.0
    for piece in shapely.get_parts(shapely.buffer(passable, SEAM_M)):
        starts, ends = (shapely.intersection(piece, area) for area in (begin, field.end_area))
        if not starts.is_empty and not ends.is_empty:
            best = max(best, _farthest(starts, ends))
    return best


def _farthest(one: BaseGeometry, other: BaseGeometry) -> float:
    """Greatest distance between points of two areas: it lies between corners of their hulls."""
    a, b = (shapely.get_coordinates(shapely.convex_hull(g)) for g in (one, other))
    return float(np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]).max())


def closers(field: Field, what: str) -> str:
    """The zones that close most of a lot to a bore or a pit, in words, with what each takes; "" when none takes a tenth."""
    zones = [
        z
        for z in field.zones
        if what in z.applies_to and z.mode != "ruling" and (what == "pit" or z.closed or (z.required_depth_m or 0) > 0)
    ]
    area = field.site.parcel.area
    shares: dict[str, float] = {}
    for zone in zones:
        name = f"{zone.feature_id} by {zone.rule.key}"
        shares[name] = max(
            shares.get(name, 0.0), float(shapely.intersection(zone.polygon, field.site.parcel).area) / area
        )
    most = sorted(((-round(s, 3), name) for name, s in shares.items() if s >= 0.1))[:TOLD]
    return ": " + ", ".join(f"{name} takes {-100 * s:.0f} % of the lot" for s, name in most) if most else ""
