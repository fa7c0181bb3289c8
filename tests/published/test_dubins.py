"""Shortest plan curves under a curvature limit.

Source of the lengths: facts/geometry, from the C core of the MIT-licensed reference library `dubins` 1.0.1, end points re-walked
independently to 1e-8; theory: L. E. Dubins, Am. J. Math. 79 (1957). Tolerance: the printed digits.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.bore.plan import shortest

PI = math.pi
ROWS = [
    ((0, 0, 0), (4, 0, 0), 1, 4.0, 1e-9),
    ((0, 0, 0), (0, 4, PI), 2, 2 * PI, 1e-9),
    ((0, 0, PI / 2), (10, 0, -PI / 2), 5, 5 * PI, 1e-9),
    ((0, 0, 0), (60, 20, math.radians(30)), 30, 63.461337575, 1e-9),
    ((0, 0, 0), (100, -35, math.radians(-60)), 45, 109.419727273, 1e-9),
    ((0, 0, 0), (1, 0, PI), 1, 7.051978856, 1e-9),
    ((0, 0, PI / 2), (3, 0, PI / 2), 4, 8 * PI + 3, 1e-9),
]


@pytest.mark.parametrize(("start", "end", "radius", "length", "tolerance"), ROWS)
def test_reference_lengths(start, end, radius, length, tolerance):
    curve, _ = shortest(start, end, radius_m=radius)
    assert curve.length_m == pytest.approx(length, abs=tolerance)
    x, y, heading = curve.end()
    assert (x, y) == pytest.approx(end[:2], abs=1e-9)
    assert math.remainder(heading - end[2], 2 * PI) == pytest.approx(0, abs=1e-9)


def brute_force(start, end, radius):
    """Shortest of all three-piece curves, found by scanning the first and last turn on a fine grid and refining: no closed form."""
    best = math.inf
    for first in (1, -1):
        for last in (1, -1):
            c1 = np.array(
                [start[0] - first * radius * math.sin(start[2]), start[1] + first * radius * math.cos(start[2])]
            )
            c2 = np.array([end[0] - last * radius * math.sin(end[2]), end[1] + last * radius * math.cos(end[2])])
            a = np.linspace(0, 2 * PI, 20001)
            heading = start[2] + first * a
            p = c1 + radius * np.column_stack([first * np.sin(heading), -first * np.cos(heading)])
            q = c2 + radius * np.column_stack([last * np.sin(heading), -last * np.cos(heading)])
            way = q - p
            along = way[:, 0] * np.cos(heading) + way[:, 1] * np.sin(heading)
            off = np.abs(way[:, 1] * np.cos(heading) - way[:, 0] * np.sin(heading))
            b = (last * (end[2] - heading)) % (2 * PI)
            good = (off < radius * 2e-3) & (along > -1e-9)
            if good.any():
                best = min(best, float((radius * (a + b) + along)[good].min()))
    return best


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(0, 6.28)),
    st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(0, 6.28)),
    st.floats(1, 12),
)
def test_never_longer_than_a_scan_of_turn_straight_turn(start, end, radius):
    curve, _ = shortest(start, end, radius_m=radius)
    assert curve.length_m <= brute_force(start, end, radius) + radius * 5e-3
    x, y, heading = curve.end()
    assert math.hypot(x - end[0], y - end[1]) < 1e-7
    assert abs(math.remainder(heading - end[2], 2 * PI)) < 1e-7
    assert max(abs(k) for _, k in curve.pieces) <= 1 / radius * (1 + 1e-12)
    assert curve.length_m >= math.hypot(end[0] - start[0], end[1] - start[1]) - 1e-9


def test_reversed_poses_give_the_same_length():
    rng = np.random.default_rng(7)
    for _ in range(200):
        a, b = ((*rng.uniform(-20, 20, 2), rng.uniform(0, 6.28)) for _ in range(2))
        there = shortest(a, b, radius_m=6)[0].length_m
        back = shortest((b[0], b[1], b[2] + PI), (a[0], a[1], a[2] + PI), radius_m=6)[0].length_m
        assert there == pytest.approx(back, abs=1e-7)
