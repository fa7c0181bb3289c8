"""Lines drawn by hand become plan curves that rods follow, or say which corner they cannot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.bore.fit import MOST_CUT_M, OFF_M, Corner, Fit, fit_plan
from loopgis.bore.plan import PlanCurve, lane
from loopgis.core.errors import RangeError

R, ROD = 30.48, 3.048


def fit(xy):
    return fit_plan(np.array(xy, dtype=float), bend_radius_m=R, rod_m=ROD)


def vertices(curve, step_m=0.5):
    s = np.linspace(0, curve.length_m, math.ceil(curve.length_m / step_m) + 1)
    return np.column_stack(curve.at(s)[:2])


def off(curve, xy):
    """Largest distance of vertices from a curve, by a way of its own: dense points, no shapely."""
    dense = vertices(curve, 0.05)
    return max(float(np.min(np.hypot(*(dense - p).T))) for p in np.asarray(xy, dtype=float))


def test_a_straight_line_stays_straight():
    found = fit([(0, 0), (20, 4), (50, 10)])
    assert isinstance(found, Fit)
    assert found.curve.turning_rad == 0
    assert found.curve.end()[:2] == pytest.approx((50, 10))


@pytest.mark.parametrize("offset", [-9.0, 3.0, 6.0])
def test_a_line_that_was_a_curve_is_found_again(offset):
    curve = lane(5.0, -3.0, 0.4, offset_m=offset, reach_m=90, radius_m=50.8, rod_m=ROD)
    found = fit(vertices(curve))
    assert isinstance(found, Fit)
    assert off(found.curve, vertices(curve)) < 0.06
    assert found.off_m == pytest.approx(off(found.curve, vertices(curve)), abs=0.03)


@given(
    bends=st.lists(st.floats(-0.9, 0.9), min_size=2, max_size=5), heading=st.floats(-3, 3), first=st.floats(4.0, 15.0)
)
@settings(max_examples=25, deadline=None)
def test_what_rods_can_follow_is_followed(bends, heading, first):
    pieces = ((first, 0.0), *((14.0, 0.6 * b / R) for b in bends))
    curve = PlanCurve(1.0, 2.0, heading, pieces)
    found = fit(vertices(curve))
    assert isinstance(found, Fit)
    assert off(found.curve, vertices(curve)) <= OFF_M + 0.03
    assert found.curve.pieces[0][1] == 0
    assert found.curve.pieces[0][0] >= ROD * (1 - 1e-9)
    assert max(abs(k) for _, k in found.curve.pieces) <= 0.9 / R + 1e-12
    assert (found.curve.x0, found.curve.y0) == (1.0, 2.0)
    assert math.dist(found.curve.end()[:2], curve.end()[:2]) < 0.05


def test_a_corner_with_room_is_rounded_and_says_by_how_much():
    found = fit([(0, 0), (40, 0), (40 + 40 * math.cos(0.6), 40 * math.sin(0.6))])
    assert isinstance(found, Fit)
    assert OFF_M < found.off_m <= MOST_CUT_M
    assert found.station_m == pytest.approx(40, abs=3)


@pytest.mark.parametrize(
    ("line", "x", "y"),
    [
        ([(0, 0), (60, 0), (60, 60)], 60, 0),
        ([(0, 0), (10, 0), (20, 4), (30, 0), (40, 4)], 20, 4),
        ([(0, 0), (50, 0), (10, 1)], 50, 0),
    ],
)
def test_a_corner_without_room_is_named(line, x, y):
    found = fit(line)
    assert isinstance(found, Corner)
    assert (found.x_m, found.y_m) == pytest.approx((x, y), abs=0.2)


def test_one_vertex_pulled_out_of_a_bore_is_named():
    curve = lane(0, 0, 0, offset_m=6, reach_m=90, radius_m=50.8, rod_m=ROD)
    line = vertices(curve)
    line[80] += (0, 2)
    found = fit(line)
    assert isinstance(found, Corner)
    assert found.x_m == pytest.approx(line[80, 0], abs=0.6)


def test_a_line_as_short_as_a_rod_is_refused():
    with pytest.raises(RangeError, match="less than two rods"):
        fit([(0, 0), (4, 0)])
