"""Standing places for the rig, and how much level run each could give.

The bound of a pad is cheap and generous: from its centre, in every direction (fan) or on every lane (parallel), how far is the
ground open, less the setback to level at both ends. Pads are ranked by it and the best few are laid out in full.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import affinity

from loopgis.bore.profile import setback_to_level_m
from loopgis.layout.model import Pad

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.field import Field

RAYS = 72
RAY_STEP_M = 1.5
GRID_PADS = 160


def rectangle(x: float, y: float, axis_deg: float, size_m: tuple[float, float]) -> Polygon:
    """Pad outline: long side along the axis (azimuth), centred."""
    short, long = size_m
    return affinity.translate(
        affinity.rotate(shapely.box(-short / 2, -long / 2, short / 2, long / 2), -axis_deg, origin=(0, 0)), x, y
    )


def axes_deg(field: Field) -> list[float]:
    """Azimuths that a pad's long side may take: along and square to the lot's sides, doubles within 10 degrees dropped.

    They are counted from the sides themselves, so they turn with the lot.
    """
    ring = shapely.get_coordinates(field.site.parcel.exterior)
    d = np.diff(ring, axis=0)
    order = np.argsort(-np.round(np.hypot(d[:, 0], d[:, 1]), 3), kind="stable")
    found: list[float] = []
    for i in order:
        for turn in (0.0, 90.0):
            azimuth = (90 - math.degrees(math.atan2(d[i, 1], d[i, 0])) + turn) % 360
            if all(abs((azimuth - a + 90) % 180 - 90) > 10 for a in found):
                found.append(azimuth)
        if len(found) >= 4:
            break
    return found[:4]


def outlines(points: NDArray[np.float64], axis_deg: float, size_m: tuple[float, float]) -> NDArray[np.object_]:
    """Pad outlines round many points, (n,), as `rectangle` draws them."""
    corners = shapely.get_coordinates(rectangle(0.0, 0.0, axis_deg, size_m))
    rings: NDArray[np.object_] = shapely.polygons(points[:, None, :] + corners)
    return rings


@dataclass(frozen=True, eq=False)
class Survey:
    """What is seen of a field from the places where a pad might stand; the same whatever the depth of the bores."""

    field: Field

    @cached_property
    def points(self) -> NDArray[np.float64]:
        """Grid of those places, (n, 2), in the turned axes of the lot."""
        area = self.field.pad_area
        if area.is_empty:
            return np.empty((0, 2))
        axis = self.field.grid.axis_rad
        c, s = math.cos(axis), math.sin(axis)
        corners = shapely.get_coordinates(area)
        u, v = corners[:, 0] * c + corners[:, 1] * s, corners[:, 1] * c - corners[:, 0] * s
        step = max(2.0, math.sqrt(area.area / GRID_PADS))
        uu, vv = np.meshgrid(np.arange(u.min() + step / 2, u.max(), step), np.arange(v.min() + step / 2, v.max(), step))
        x, y = (uu * c - vv * s).ravel(), (uu * s + vv * c).ravel()
        inside = shapely.contains_xy(area, x, y)
        return np.column_stack([x[inside], y[inside]])

    @cached_property
    def axes_deg(self) -> list[float]:
        """Azimuths that a pad's long side may take."""
        return axes_deg(self.field)

    @cached_property
    def reach_m(self) -> NDArray[np.float64]:
        """How far the ground is open, (n, RAYS), seen on the grid; rays start at the lot's longest side."""
        a = np.arange(RAYS) * 2 * math.pi / RAYS + self.field.grid.axis_rad
        x = self.points[:, 0, None, None] + np.cos(a)[:, None] * self._steps_m
        y = self.points[:, 1, None, None] + np.sin(a)[:, None] * self._steps_m
        return self._first_closed_m(self._closed(x, y))

    def fits(self, axis_deg: float) -> NDArray[np.bool_]:
        """Has a pad with this axis room, (n,)."""
        if axis_deg not in self._fits:
            pads = outlines(self.points, axis_deg, self.field.site.spec.pad.size_m)
            self._fits[axis_deg] = shapely.contains(self.field.pad_area, pads)
        return self._fits[axis_deg]

    def fan_bound_m(self, tier_m: float) -> NDArray[np.float64]:
        """Generous estimate of the level run of a fan from each place, metres, (n,).

        Open reach less both setbacks in every direction, bores at the wanted spacing where they level off.
        """
        go_in, go_out = _setbacks(self.field, tier_m)
        level = np.maximum(self.reach_m - go_in - go_out, 0.0)
        apart = max(self.field.site.spec.bore.spacing_m, 0.5)
        per_bore = max(2 * math.pi / RAYS, apart / (go_in + apart))
        total: NDArray[np.float64] = level.sum(axis=1) * (2 * math.pi / RAYS) / per_bore
        return total

    def parallel_bound_m(self, tier_m: float, axis_deg: float) -> NDArray[np.float64]:
        """Generous estimate of the level run of parallel lanes square to a pad axis, both ways, from each place, metres, (n,).

        A lane w beside the pad's end is reached by an S-curve of the bend radius, which takes sqrt(4 R w) along it.
        """
        go_in, go_out = _setbacks(self.field, tier_m)
        curve = self._curve_m
        if axis_deg not in self._lanes:
            self._lanes[axis_deg] = self._open_lanes_m(axis_deg)
        level = np.maximum(self._lanes[axis_deg] - np.maximum(curve, go_in) - go_out, 0.0)
        total: NDArray[np.float64] = level.sum(axis=2).sum(axis=0)
        return total

    @cached_property
    def _fits(self) -> dict[float, NDArray[np.bool_]]:
        return {}

    @cached_property
    def _lanes(self) -> dict[float, NDArray[np.float64]]:
        return {}

    @cached_property
    def _steps_m(self) -> NDArray[np.float64]:
        return np.arange(RAY_STEP_M, self.field.site.spec.rig.max_length_m, RAY_STEP_M)

    @cached_property
    def _lanes_m(self) -> NDArray[np.float64]:
        """Lanes either side of a pad's middle, (lanes,)."""
        spec = self.field.site.spec
        widest = max(np.ptp(shapely.get_coordinates(self.field.site.parcel), axis=0))
        count = min(12, math.ceil(widest / spec.bore.spacing_m))
        return np.arange(-count, count + 1) * spec.bore.spacing_m

    @cached_property
    def _curve_m(self) -> NDArray[np.float64]:
        """How far along each lane its curve ends, (lanes,)."""
        wide = np.maximum(np.abs(self._lanes_m) - self.field.site.spec.pad.size_m[1] / 2, 0.0)
        return np.sqrt(4 * self.field.limits.bend_radius_m / 0.6 * wide)

    def _open_lanes_m(self, axis_deg: float) -> NDArray[np.float64]:
        """How far each lane is open, both ways, (2, n, lanes).

        A lane counts from where its curve ends; ground before that belongs to other lanes.
        """
        across = math.radians(90 - axis_deg)
        found = []
        for heading in (across - math.pi / 2, across + math.pi / 2):
            x = self.points[:, 0, None, None] + self._lanes_m[:, None] * math.cos(across)
            y = self.points[:, 1, None, None] + self._lanes_m[:, None] * math.sin(across)
            closed = self._closed(x + self._steps_m * math.cos(heading), y + self._steps_m * math.sin(heading))
            found.append(self._first_closed_m(closed & (self._steps_m >= self._curve_m[:, None])))
        return np.array(found)

    def _closed(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
        need, _ = self.field.grid.look(x, y)
        closed: NDArray[np.bool_] = need > self.field.limits.max_depth_m
        return closed

    def _first_closed_m(self, closed: NDArray[np.bool_]) -> NDArray[np.float64]:
        first = np.where(closed.any(axis=2), np.argmax(closed, axis=2), len(self._steps_m))
        return first * RAY_STEP_M


@lru_cache(maxsize=4)
def survey(field: Field) -> Survey:
    """The survey of a field, made when it is first asked for; those of the last few fields are kept."""
    return Survey(field)


def _setbacks(field: Field, tier_m: float) -> tuple[float, float]:
    rig = field.limits
    return (
        setback_to_level_m(tier_m, rig.entry_pitch_pct[1], rig.bend_radius_m),
        setback_to_level_m(tier_m, rig.exit_pitch_pct[1], rig.bend_radius_m),
    )


def fitting_pad(field: Field, x: float, y: float, axis_deg: float) -> Pad | None:
    """Pad centred on a point with a given axis, None when it does not fit the ground where pads may stand."""
    outline = rectangle(x, y, axis_deg, field.site.spec.pad.size_m)
    if not shapely.contains(field.pad_area, outline):
        return None
    return Pad(centre=(x, y), axis_deg=axis_deg, size_m=field.site.spec.pad.size_m, polygon=outline, given=False)


def search(
    field: Field,
    tier_m: float,
    *,
    patterns: Sequence[str],
    keep: int,
    home: tuple[float, float],
    wanted_m: float | None,
) -> list[tuple[float, Pad, str]]:
    """The best standing places for each pattern: (bound in metres, pad, pattern).

    Every metre of header takes one metre off a bound, and a bound beyond twice the wanted length counts no further, so that of
    places that are good enough the nearer one wins. For a fan each place comes with both of its axes.
    """
    seen = survey(field)
    points, axes = seen.points, seen.axes_deg
    if not len(points):
        return []
    header = np.hypot(points[:, 0] - home[0], points[:, 1] - home[1])
    cap = 2 * wanted_m if wanted_m else math.inf
    found: list[tuple[float, Pad, str]] = []
    if "fan" in patterns:
        bound = seen.fan_bound_m(tier_m)
        for i in _spread(seen, bound, np.minimum(bound, cap) - header, keep, axes[:2]):
            found += [(float(bound[i]), p, "fan") for a in axes[:2] if (p := _pad_at(field, points[i], a)) is not None]
    if "parallel" in patterns:
        bounds = np.array([np.where(seen.fits(a), seen.parallel_bound_m(tier_m, a), 0.0) for a in axes])
        best = np.argmax(np.round(bounds, 3), axis=0)
        bound = bounds[best, np.arange(len(points))]
        for i in _spread(seen, bound, np.minimum(bound, cap) - header, keep, axes):
            pad = _pad_at(field, points[i], axes[best[i]])
            if pad is not None:
                found.append((float(bound[i]), pad, "parallel"))
    return found


def _pad_at(field: Field, point: NDArray[np.float64], axis_deg: float) -> Pad | None:
    return fitting_pad(field, float(point[0]), float(point[1]), axis_deg)


def _spread(
    seen: Survey, bound: NDArray[np.float64], worth: NDArray[np.float64], keep: int, axes: Sequence[float]
) -> list[int]:
    """Best places by worth on which a pad fits, at least a pad's length apart."""
    points, apart = seen.points, seen.field.site.spec.pad.size_m[1] * 1.2
    stands = np.any([seen.fits(a) for a in axes], axis=0)
    spots: list[int] = []
    for i in np.argsort(-np.round(worth, 3), kind="stable"):
        if len(spots) >= keep:
            break
        if bound[i] <= 0 or not stands[i] or any(math.hypot(*(points[i] - points[k])) < apart for k in spots):
            continue
        spots.append(int(i))
    return spots


def given_pads(field: Field, at: tuple[float, float]) -> list[Pad]:
    """Ways to put the pad where the user wants it: the place stays on the pad's long axis, the pad turns and slides.

    Of all turns and slides those that overlap no building and stay in the lot are kept (the one nearest to the wish per axis);
    when none does, the pad stands as asked and the audit will say what is wrong with it.
    """
    spec = field.site.spec.pad
    buildings: BaseGeometry = shapely.union_all([b.geometry for b in field.site.buildings])
    axes = [spec.axis_deg] if spec.axis_deg is not None else axes_deg(field)
    result = []
    for axis in axes:
        tries = [t * spec.size_m[1] / 2 for t in (0.0, 0.5, -0.5, 0.95, -0.95)]
        offsets = [(t, u * spec.size_m[0] / 2) for u in (0.0, 0.6, -0.6) for t in tries]
        a = math.radians(90 - axis)
        for along, across in offsets if spec.axis_deg is None else [(0.0, 0.0)]:
            x = at[0] + along * math.cos(a) - across * math.sin(a)
            y = at[1] + along * math.sin(a) + across * math.cos(a)
            outline = rectangle(x, y, axis, spec.size_m)
            fits = shapely.contains(field.pad_area, outline)
            roughly = shapely.contains(field.site.parcel, outline) and not shapely.intersects(outline, buildings)
            if fits or roughly:
                result.append(
                    (not fits, Pad(centre=(x, y), axis_deg=axis, size_m=spec.size_m, polygon=outline, given=True))
                )
                if fits:
                    break
    clean = [p for bad, p in result if not bad]
    if clean or result:
        return clean or [p for _, p in result[:2]]
    axis = axes[0]
    return [Pad(centre=at, axis_deg=axis, size_m=spec.size_m, polygon=rectangle(*at, axis, spec.size_m), given=True)]
