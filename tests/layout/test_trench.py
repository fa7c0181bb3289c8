"""The way of the header trench is free, and no shorter one is."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from loopgis.layout import trench

LOT = shapely.box(-5, -40, 60, 40)


def length(way):
    return float(np.sum(np.linalg.norm(np.diff(way, axis=0), axis=1)))


def go(closed, start=(0.0, 0.0), goal=(20.0, 0.0), lot=LOT):
    return trench.route(lot, closed, np.array([start]), np.array([goal]))


def test_a_free_way_is_straight():
    assert go(shapely.box(5, 3, 8, 9)) == pytest.approx(np.array([[0, 0], [20, 0]]))


def test_round_a_square_by_hand():
    """(0, 0) round the corners (8, 5) and (12, 5) to (20, 0): 2 sqrt(89) + 4."""
    way = go(shapely.box(8, -9, 12, 5))
    asked = 2 * math.hypot(8, 5) + 4
    assert asked <= length(way) <= asked + 4 * trench.OUTLINE_M
    assert len(way) == 4


def test_round_a_disc_by_hand():
    """Tangents and arc round a disc of radius 5 in the middle of 20 m: 2 sqrt(75) + 5 (pi - 2 acos(1/2))."""
    way = go(shapely.Point(10, 0).buffer(5, quad_segs=64))
    asked = 2 * math.sqrt(75) + 5 * (math.pi - 2 * math.acos(0.5))
    assert asked - 1e-3 <= length(way) <= asked + 0.6


def test_of_many_places_the_nearest_that_is_open():
    closed = shapely.box(5, -40, 6, 2)  # a wall that ends at y = 2
    starts = np.array([[0.0, -10.0], [0.0, 1.0], [5.5, 0.0]])  # the last one stands in the wall
    goals = np.array([[12.0, -10.0], [12.0, 4.0]])
    way = trench.route(LOT, closed, starts, goals)
    assert way[0] == pytest.approx([0.0, 1.0])
    assert way[-1] == pytest.approx([12.0, 4.0])


def test_no_way_is_told():
    assert go(shapely.box(8, -50, 12, 50)) is None
    assert go(shapely.box(-1, -1, 1, 1)) is None
    assert go(shapely.Polygon(), goal=(100.0, 0.0)) is None


@pytest.mark.parametrize("seed", range(12))
def test_against_a_dense_grid_of_places(seed):
    """Free in between, and not longer than the best way over 900 places strewn about (found by its own Dijkstra)."""
    rng = np.random.default_rng(seed)
    lot = shapely.box(0, 0, 40, 40)
    parts = [
        shapely.Point(rng.uniform(6, 34), rng.uniform(6, 34)).buffer(rng.uniform(2, 6), quad_segs=rng.integers(1, 9))
        for _ in range(7)
    ]
    closed = shapely.union_all(parts)
    way = trench.route(lot, closed, np.array([[1.0, 1.0]]), np.array([[39.0, 39.0]]))
    if way is None:
        assert not shapely.covers(lot.difference(closed.buffer(1e-6)), shapely.LineString([(1, 1), (39, 39)]))
        return
    line = shapely.LineString(way)
    assert shapely.intersection(line, closed).length < 1e-3
    assert shapely.covers(lot.buffer(1e-6), line)
    xy = np.vstack(
        [[1.0, 1.0], [39.0, 39.0], rng.uniform(0, 40, (350, 2)), shapely.get_coordinates(closed.buffer(1e-3))]
    )
    free = lot.difference(closed).buffer(1e-6)
    shapely.prepare(free)
    i, j = np.triu_indices(len(xy), k=1)
    seen = shapely.covers(free, shapely.linestrings(np.stack([xy[i], xy[j]], axis=1)))
    far = np.full(len(xy), np.inf)
    far[0], open_ = 0.0, np.ones(len(xy), bool)
    graph = np.full((len(xy), len(xy)), np.inf)
    graph[i[seen], j[seen]] = graph[j[seen], i[seen]] = np.linalg.norm(xy[i[seen]] - xy[j[seen]], axis=1)
    for _ in range(len(xy)):
        k = int(np.argmin(np.where(open_, far, np.inf)))
        open_[k] = False
        far = np.minimum(far, far[k] + graph[k])
    assert far[1] - 1e-6 <= length(way) <= far[1] * 1.02 + 0.5
