"""Where bores may go on a site: exact polygons, and the same burnt into a grid for quick sifting.

A candidate is sifted on the grid, which errs on the safe side by a cell, and settled on the polygons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.rules.zones import alongside_depth_m, half_width_m

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.bore.plan import PlanCurve
    from loopgis.bore.profile import Limits
    from loopgis.layout.candidates import Candidate
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site

MAX_CELLS = 120_000
NEVER = 1e3
"""Required depth that no rig reaches: closed at every depth."""
BESIDE_M = 0.05
"""Stations this little outside the plan distance count as alongside, as the bore may come nearer between two of them."""


@dataclass(frozen=True, eq=False)
class Field:
    """The open ground of one site.

    zones: as made by the rules; limits: what the rig can do; vert_share: the bore's own
    vertical error as a share of depth (the largest of all rule files); kept: bores that are in the ground already,
    as candidates that must be chosen.
    """

    site: Site
    zones: tuple[Zone, ...]
    limits: Limits
    vert_share: float
    kept: tuple[tuple[Candidate, Bore], ...] = ()

    @cached_property
    def bore_zones(self) -> tuple[Zone, ...]:
        """Zones that concern bores and close or limit something."""
        return tuple(z for z in self.zones if "bore" in z.applies_to and (z.closed or (z.required_depth_m or 0) > 0))

    @cached_property
    def open_area(self) -> BaseGeometry:
        """Ground that a bore may pass at some depth."""
        closed = [z.polygon for z in self.bore_zones if z.closed]
        area = shapely.difference(self.site.parcel, shapely.union_all(closed)) if closed else self.site.parcel
        shapely.prepare(area)
        return area

    @cached_property
    def end_area(self) -> BaseGeometry:
        """Ground where a bore may start or come up: open, and nothing asks for depth."""
        cover = [z.polygon for z in self.bore_zones if not z.closed]
        area = shapely.difference(self.open_area, shapely.union_all(cover)) if cover else self.open_area
        shapely.prepare(area)
        return area

    @cached_property
    def pad_area(self) -> BaseGeometry:
        """Ground where a pad may stand."""
        closed = [z.polygon for z in self.zones if "pit" in z.applies_to and z.mode != "ruling"]
        area = shapely.difference(self.site.parcel, shapely.union_all(closed)) if closed else self.site.parcel
        shapely.prepare(area)
        return area

    @cached_property
    def grid(self) -> Grid:
        """The field burnt into cells."""
        return Grid.burn(self)

    @cached_property
    def overshoot_m(self) -> float:
        """How much further an exit may come up on a flat site: depth error over the exit's slope, for the deepest tier."""
        depth = max(self.site.spec.bore.depth_m)
        return min(5.0, self.vert_share * depth / (self.limits.exit_pitch_pct[1] / 100))

    def required_depth(self, curve: PlanCurve, station_m: NDArray[np.float64]) -> dict[str, NDArray[np.float64]] | None:
        """Depth of the axis that each zone asks at plan stations, by "<feature> (<rule>)"; None when a crossing is too flat.

        Stations outside a zone ask 0; closed zones ask NEVER. A line crossed square enough asks its crossing depth, a line run
        alongside asks for its plan distance as height.
        """
        x, y, heading, _ = curve.at(station_m)
        axis = shapely.LineString(np.column_stack([x, y]))
        asked: dict[str, NDArray[np.float64]] = {}
        for zone in self._touched(axis):
            inside = shapely.contains_xy(zone.polygon, x, y) | shapely.intersects_xy(zone.polygon, x, y)
            if not inside.any():
                continue
            if zone.closed:
                need = np.where(inside, NEVER, 0.0)
            else:
                need = np.where(inside, zone.required_depth_m or 0.0, 0.0)
                if zone.line is not None:
                    along = self._line_need(zone, axis, inside, x, y, heading)
                    if along is None:
                        return None
                    need = np.maximum(need, along)
            key = f"{zone.feature_id} ({zone.rule.key})"
            asked[key] = np.maximum(asked.get(key, 0.0), need)
        return asked

    @cached_property
    def _tree(self) -> shapely.STRtree:
        for zone in self.bore_zones:
            shapely.prepare(zone.polygon)
        return shapely.STRtree([z.polygon for z in self.bore_zones])

    def _touched(self, axis: BaseGeometry) -> list[Zone]:
        return [self.bore_zones[i] for i in sorted(self._tree.query(axis, predicate="intersects"))]

    def _line_need(
        self,
        zone: Zone,
        axis: BaseGeometry,
        inside: NDArray[np.bool_],
        x: NDArray[np.float64],
        y: NDArray[np.float64],
        heading: NDArray[np.float64],
    ) -> NDArray[np.float64] | None:
        """Extra depth on stretches that run along a line; None when one of its crossings is flatter than allowed."""
        assert zone.line is not None  # noqa: S101 - narrowed by the caller
        angles = crossing_angles(axis, zone.line, x, y, heading)
        if zone.angle_min_deg is not None and any(a < zone.angle_min_deg + 0.1 for a, _ in angles):
            return None
        feature = next(f for f in self.site.features if f.feature_id == zone.feature_id)
        deep = alongside_depth_m(zone, feature, self.vert_share, self.site.spec.bore.hole_diameter_m / 2)
        distance = shapely.distance(shapely.points(x, y), zone.line) - half_width_m(feature)
        need = np.zeros(len(x))
        # a bore that crosses may still run alongside elsewhere in the same zone, at a bend or an end of the line
        for near in (inside, inside & (distance < zone.distance_m + BESIDE_M), inside & (distance < zone.distance_m)):
            for first, last in runs(near):
                if not any(first - 1 <= i <= last for _, i in angles):
                    need[first : last + 1] = deep
        return need


def crossing_angles(
    axis: BaseGeometry, line: BaseGeometry, x: NDArray[np.float64], y: NDArray[np.float64], heading: NDArray[np.float64]
) -> list[tuple[float, int]]:
    """Angle (degrees, 0..90) of each crossing of a bore's axis with a line in plan, and the station index before it."""
    crossings = [p for p in shapely.get_parts(shapely.intersection(axis, line)) if not p.is_empty]
    result = []
    for point in crossings:
        where = shapely.centroid(point)
        i = int(
            np.clip(
                np.searchsorted(
                    np.r_[0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))], shapely.line_locate_point(axis, where)
                )
                - 1,
                0,
                len(x) - 2,
            )
        )
        for part in shapely.get_parts(line):
            if shapely.distance(part, where) > 1e-6:
                continue
            at = shapely.line_locate_point(part, where)
            a, b = (
                shapely.get_coordinates(shapely.line_interpolate_point(part, min(max(at + d, 0), part.length)))[0]
                for d in (-0.05, 0.05)
            )
            turn = math.atan2(b[1] - a[1], b[0] - a[0]) - heading[i]
            angle = abs(math.degrees(math.atan2(math.sin(turn), math.cos(turn))))
            result.append((min(angle, 180 - angle), i))
            break
    return result


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of True.

    >>> runs(np.array([False, True, True, False, True]))
    [(1, 2), (4, 4)]
    """
    edge = np.diff(np.r_[0, mask.astype(int), 0])
    return list(zip(np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(), strict=True))


@dataclass(frozen=True, eq=False)
class Grid:
    """The field in cells.

    need_m (rows, cols) is the depth asked (NEVER where closed), end_ok where a bore may begin or end.
    Columns run along the lot's longest side and rows square to it, so that a turned lot gets the same cells; axis_rad
    is the heading of that side, u0, v0 the first centre in turned coordinates.
    """

    axis_rad: float
    u0: float
    v0: float
    cell_m: float
    need_m: NDArray[np.float32]
    end_ok: NDArray[np.bool_]

    @staticmethod
    def burn(field: Field) -> Grid:
        """Burn the zones of a field; each zone is grown, and the end area shrunk, by 0.71 of a cell."""
        axis = longest_side_rad(field.site.parcel)
        c, s = math.cos(axis), math.sin(axis)
        corners = shapely.get_coordinates(field.site.parcel)
        u, v = corners[:, 0] * c + corners[:, 1] * s, corners[:, 1] * c - corners[:, 0] * s
        u0, v0, width, height = float(u.min()), float(v.min()), float(np.ptp(u)), float(np.ptp(v))
        cell = max(0.5, math.sqrt(width * height / MAX_CELLS))
        uu, vv = np.meshgrid(
            u0 + np.arange(math.ceil(width / cell) + 1) * cell, v0 + np.arange(math.ceil(height / cell) + 1) * cell
        )
        xx, yy = uu * c - vv * s, uu * s + vv * c
        guard = 0.71 * cell
        need = np.zeros(xx.shape, dtype=np.float32)
        inside = shapely.contains_xy(shapely.buffer(field.open_area, -guard), xx, yy)
        need[~inside] = NEVER
        levels: dict[float, list[BaseGeometry]] = {}
        for zone in field.bore_zones:
            if not zone.closed:
                levels.setdefault(round(float(zone.required_depth_m or 0.0), 3), []).append(zone.polygon)
        for depth, polygons in levels.items():
            area = shapely.buffer(shapely.union_all(polygons), guard)
            shapely.prepare(area)
            need = np.where(shapely.contains_xy(area, xx, yy), np.maximum(need, depth), need).astype(np.float32)
        return Grid(axis_rad=axis, u0=u0, v0=v0, cell_m=cell, need_m=need, end_ok=need <= 0)

    def look(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Depth asked, and whether a bore may end there, at points of any shape; outside the grid closed."""
        cos, sin = math.cos(self.axis_rad), math.sin(self.axis_rad)
        c = np.rint((x * cos + y * sin - self.u0) / self.cell_m).astype(np.int64)
        r = np.rint((y * cos - x * sin - self.v0) / self.cell_m).astype(np.int64)
        rows, cols = self.need_m.shape
        ok = (c >= 0) & (c < cols) & (r >= 0) & (r < rows)
        c, r = np.where(ok, c, 0), np.where(ok, r, 0)
        return np.where(ok, self.need_m[r, c], np.float32(NEVER)), ok & self.end_ok[r, c]


def longest_side_rad(parcel: Polygon) -> float:
    """Heading of the lot's longest side; of equal sides the first one in the ring counts."""
    ring = shapely.get_coordinates(parcel.exterior)
    d = np.diff(ring, axis=0)
    length = np.hypot(d[:, 0], d[:, 1])
    i = int(np.flatnonzero(length >= length.max() * (1 - 1e-6))[0])
    return math.atan2(d[i, 1], d[i, 0])


def overshoot_m(bore: Bore, vert_share: float) -> float:
    """How much further on the exit of a bore may come up: vertical error at its greatest depth over the slope of its end.

    A surveyed bore has come up where it was measured.
    """
    if bore.source == "surveyed":
        return 0.0
    rise = float(bore.z_m[-1] - bore.z_m[-2])
    run = float(bore.plan_station_m[-1] - bore.plan_station_m[-2])
    return min(5.0, vert_share * bore.max_depth_m * run / rise) if rise > 1e-9 else 5.0
