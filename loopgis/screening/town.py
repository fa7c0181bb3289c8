"""A made-up town of any size: streets, lots of many shapes, houses, wells, ponds, drain fields, lines and hills, from one seed.

Nothing of it is a real place. A row of street blocks has one depth of lot; every block is drawn by a generator of its own, seeded
by its number, so that a larger town begins with the smaller one's blocks. Metres, x along the streets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import LineString, Point, Polygon, affinity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray
    from shapely.geometry.base import BaseGeometry

BLOCK_M, STREET_M, MARGIN_M = 240.0, 14.0, 80.0
ORIGIN = (474_000.0, 4_700_000.0)
EPSG = 32618
CLASSES = (
    (22.0, 14.0, "village"),
    (38.0, 22.0, "street"),
    (60.0, 32.0, "suburb"),
    (95.0, 50.0, "estate"),
    (160.0, 80.0, "farm"),
)
"""Depth of lot and usual width, metres, and what such a row is."""
CLASS_SHARE = (0.15, 0.3, 0.3, 0.15, 0.1)


@dataclass(eq=False)
class Town:
    """Rows of the layers: geometry and columns. ground_m: height above sea at a place."""

    seed: int
    parcels: list[tuple[BaseGeometry, dict[str, Any]]] = field(default_factory=list)
    buildings: list[tuple[BaseGeometry, dict[str, Any]]] = field(default_factory=list)
    features: list[tuple[BaseGeometry, dict[str, Any]]] = field(default_factory=list)

    def ground_m(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Rolling ground: three long waves, and a steep bank here and there."""
        u, v = (x - ORIGIN[0]) / 1000, (y - ORIGIN[1]) / 1000
        z = 120 + 9 * np.sin(2.1 * u + 0.7 * self.seed) + 7 * np.cos(1.7 * v + 1.3 * u) + 1.5 * np.sin(31 * u + 17 * v)
        bank: NDArray[np.float64] = z + 5 / (1 + np.exp(-np.sin(4.4 * v + 0.5 * u) * 14))
        return bank

    def bounds(self) -> tuple[float, float, float, float]:
        """Of all lots."""
        box = shapely.total_bounds([g for g, _ in self.parcels])
        return tuple(float(v) for v in box)  # type: ignore[return-value]


def town(parcels: int, *, seed: int = 1) -> Town:
    """A town of so many parcels."""
    made = Town(seed)
    across = max(1, round(math.sqrt(parcels / 14)))
    row, y = 0, 0.0
    while len(made.parcels) < parcels:
        deep, wide, sort = CLASSES[int(np.random.default_rng((seed, row)).choice(len(CLASSES), p=CLASS_SHARE))]
        for col in range(across):
            if len(made.parcels) >= parcels:
                break
            rng = np.random.default_rng((seed, row, col, 7))
            x = col * (BLOCK_M + STREET_M)
            _street(made, rng, x, y)
            for lot, front in _lots(rng, x, y + STREET_M, deep, wide):
                if len(made.parcels) < parcels:
                    _furnish(made, rng, lot, front, sort)
        y += STREET_M + 2 * deep
        row += 1
    return made


def _street(made: Town, rng: np.random.Generator, x: float, y: float) -> None:
    middle = y + STREET_M / 2
    bend = LineString([_at(x, middle - 2), _at(x + BLOCK_M + STREET_M, middle - 2)])
    made.features.append(
        (
            Polygon([_at(x, y), _at(x + BLOCK_M, y), _at(x + BLOCK_M, y + STREET_M), _at(x, y + STREET_M)]),
            {"kind": "right_of_way"},
        )
    )
    made.features.append((bend, {"kind": "water_main", "depth_m": 1.5, "quality": "C"}))
    made.features.append((affinity.translate(bend, 0, 3), {"kind": "gas_line", "depth_m": 0.9, "quality": "B"}))
    if rng.random() < 0.7:
        made.features.append(
            (affinity.translate(bend, 0, 1.5), {"kind": "sewer_gravity", "depth_m": 2.5, "quality": "C"})
        )


def _at(x: float, y: float) -> tuple[float, float]:
    return ORIGIN[0] + x, ORIGIN[1] + y


def _lots(rng: np.random.Generator, x: float, y: float, deep: float, wide: float) -> Iterator[tuple[Polygon, float]]:
    """Lots of both sides of a block, south side first, with +1 or -1 for where the street lies (south: -1)."""
    spine = deep + np.cumsum(rng.normal(0, 0.04 * deep, 4)).clip(-0.2 * deep, 0.2 * deep)
    knots = np.linspace(0, BLOCK_M, 4)
    for side in (-1.0, 1.0):
        cuts = [0.0]
        while cuts[-1] < BLOCK_M - 1.5 * wide:
            cuts.append(min(cuts[-1] + wide * rng.uniform(0.75, 1.6), BLOCK_M - 0.5 * wide))
        cuts.append(BLOCK_M)
        lean = rng.normal(0, 1.5)
        for a, b in pairwise(cuts):
            front = 0.0 if side < 0 else 2 * deep
            lean_a, lean_b = (0.0 if c in {0.0, BLOCK_M} else lean for c in (a, b))
            back_a, back_b = (float(np.interp(c, knots, spine)) for c in (a, b))
            ring = [(a, front), (b, front), (b + lean_b, back_b), (a + lean_a, back_a)]
            for lot in _shaped(rng, ring, side):
                placed = affinity.translate(lot, x + ORIGIN[0], y + ORIGIN[1])
                if placed.is_valid and placed.area > 1:
                    yield shapely.set_precision(placed, 0.001), side


def _shaped(rng: np.random.Generator, ring: list[tuple[float, float]], side: float) -> Iterator[Polygon]:
    """The lot as drawn, or cut as lots are: a flag lot behind, a cut corner, an L, a curved front, a strip."""
    lot = Polygon(ring)
    (ax, ay), (bx, _), (cx, cy), (dx, dy) = ring
    way = rng.random()
    width = bx - ax
    if way < 0.07 and width > 18:
        middle = ay + (cy - ay) * 0.55
        pole = 4.5
        front = Polygon([(ax, ay), (bx - pole, ay), (bx - pole, middle), (ax, middle)])
        yield front
        yield lot.difference(front)
    elif way < 0.16:
        cut = rng.uniform(1, 1 + 0.3 * width)
        yield Polygon([(ax + cut, ay), (bx, ay), (cx, cy), (dx, dy), (ax, ay - side * cut)])
    elif way < 0.24 and width > 16:
        notch = Polygon(
            [
                (bx - 0.4 * width, cy),
                (cx + 5, cy + 40 * side),
                (cx + 5, cy + (ay - cy) * 0.4),
                (bx - 0.4 * width, cy + (ay - cy) * 0.4),
            ]
        )
        left = lot.difference(shapely.make_valid(notch))
        yield max(shapely.get_parts(left), key=lambda p: p.area)
    elif way < 0.3:
        t = np.linspace(0, math.pi, 9)
        arc = [(ax + width * (1 - math.cos(a)) / 2, ay - side * min(4.0, 0.2 * width) * math.sin(a)) for a in t]
        yield Polygon([*arc, (cx, cy), (dx, dy)])
    elif way < 0.33:
        yield Polygon([(ax, ay), (ax + 2.5, ay), (dx + 2.5, dy), (dx, dy)])
        yield Polygon([(ax + 2.5, ay), (bx, ay), (cx, cy), (dx + 2.5, dy)])
    else:
        yield lot


def _furnish(made: Town, rng: np.random.Generator, lot: Polygon, side: float, sort: str) -> None:
    """A lot with its house and what lies round it."""
    name = f"{len(made.parcels) + 1:07d}"
    made.parcels.append((lot, {"parcel_id": name, "class": sort}))
    x0, y0, x1, y1 = lot.bounds
    width, deep = x1 - x0, y1 - y0
    if width < 9 or deep < 12 or rng.random() < 0.06:
        return
    size = (min(0.55 * width, rng.uniform(8, 16)), min(0.35 * deep, rng.uniform(7, 13)))
    setback = min(rng.uniform(4, 12), 0.25 * deep)
    street_y = y0 if side < 0 else y1
    middle = ((x0 + x1) / 2 + rng.normal(0, 0.05 * width), street_y - side * (setback + size[1] / 2))
    house = affinity.rotate(
        shapely.box(middle[0] - size[0] / 2, middle[1] - size[1] / 2, middle[0] + size[0] / 2, middle[1] + size[1] / 2),
        rng.normal(0, 3),
    )
    if not shapely.contains(lot, house):
        return
    made.buildings.append((house, {"foundation": str(rng.choice(["basement", "slab", "footing"]))}))
    service = LineString([(middle[0], middle[1]), (middle[0], street_y + side * 5)])
    made.features.append((service, {"kind": "water_service", "depth_m": 1.4, "quality": "D"}))
    made.features.append((affinity.translate(service, 1.5, 0), {"kind": "electric_ug", "depth_m": 0.7, "quality": "C"}))
    back = (x0 + 2, y0 + 2, x1 - 2, y1 - 2)
    if sort in {"estate", "farm"} or (sort == "suburb" and rng.random() < 0.15):
        spot = Point(rng.uniform(back[0], back[2]), street_y - side * rng.uniform(3, 0.3 * deep))
        _if_inside(made, lot, spot, house, {"kind": "water_well", "use": "domestic"})
        field_at = Point(middle[0] + rng.uniform(-0.2, 0.2) * width, street_y - side * rng.uniform(0.45, 0.7) * deep)
        area = shapely.box(field_at.x - 6, field_at.y - 4, field_at.x + 6, field_at.y + 4)
        _if_inside(made, lot, area, house, {"kind": "drain_field"})
    if sort != "village" and rng.random() < 0.08:
        pond = shapely.buffer(
            Point(rng.uniform(back[0], back[2]), rng.uniform(back[1], back[3])),
            rng.uniform(2, 0.12 * min(width, deep) + 2.1),
        )
        _if_inside(made, lot, pond, house, {"kind": "surface_water", "depth_m": round(rng.uniform(0.8, 2.5), 1)})
    if rng.random() < 0.1:
        pool = shapely.box(middle[0] - 4, middle[1] - side * 9 - 2.5, middle[0] + 4, middle[1] - side * 9 + 2.5)
        _if_inside(made, lot, pool, house, {"kind": "pool", "depth_m": 2.0})
    for _ in range(int(rng.poisson(0.5))):
        tree = shapely.buffer(Point(rng.uniform(back[0], back[2]), rng.uniform(back[1], back[3])), rng.uniform(1.5, 4))
        _if_inside(made, lot, tree, house, {"kind": "tree_root_zone"})


def _if_inside(made: Town, lot: Polygon, thing: BaseGeometry, house: Polygon, columns: dict[str, Any]) -> None:
    if shapely.contains(lot, thing) and not shapely.intersects(thing, house):
        made.features.append((thing, columns))
