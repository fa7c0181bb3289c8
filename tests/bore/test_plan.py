"""Plan curves: lanes, ways round closed ground, and many curves at once."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from loopgis.bore.plan import PlanCurve, arc_to, at_many, azimuth_deg, lane, round_obstacle, shortest, straight
from loopgis.core.errors import RangeError


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(-60, 60), st.floats(20, 80), st.floats(0, 6.28), st.sampled_from([0.0, 0.2, 0.42]), st.floats(35, 120))
def test_lane_ends_on_its_lane_and_keeps_the_radius(offset, radius, heading, lead, reach):
    curve = lane(3.0, -4.0, heading, offset_m=offset, reach_m=reach, radius_m=radius, rod_m=3.0, lead_rad=lead)
    if curve is None:
        return
    x, y, h = curve.end()
    ahead = (x - 3) * math.cos(heading) + (y + 4) * math.sin(heading)
    left = (y + 4) * math.cos(heading) - (x - 3) * math.sin(heading)
    assert ahead == pytest.approx(reach, abs=1e-6)
    assert left == pytest.approx(offset, abs=1e-6)
    assert math.remainder(h - heading, 2 * math.pi) == pytest.approx(0, abs=1e-9)
    assert max(abs(k) for _, k in curve.pieces) <= 1 / radius + 1e-12
    assert curve.pieces[0][1] == 0
    assert curve.pieces[0][0] >= 3.0 - 1e-9


def test_lane_without_lead_is_the_shortest_curve_between_its_poses():
    """Two equal arcs are what the six-type solver finds when the lane is joined as early as possible."""
    w, radius = 6.0, 40.0
    curve = lane(0, 0, 0, offset_m=w, reach_m=200, radius_m=radius, rod_m=3.0)
    joined = 3.0 + math.sqrt(4 * radius * w - w * w)
    best, _ = shortest((3.0, 0, 0), (joined, w, 0), radius_m=radius)
    assert sum(length for length, _ in curve.pieces[1:3]) == pytest.approx(best.length_m, abs=1e-6)


def test_lane_beyond_reach_is_none():
    assert lane(0, 0, 0, offset_m=30, reach_m=40, radius_m=50, rod_m=3) is None


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.floats(-20, 20),
    st.floats(1, 30),
    st.floats(15, 60),
    st.sampled_from([1, -1]),
    st.floats(0.35, 0.65),
    st.floats(80, 160),
)
def test_way_round_keeps_out_of_the_disc(off, size, radius, side, share, far):
    centre = (far * share, off)
    curve = round_obstacle(0, 0, far, 0, centre=centre, obstacle_m=size, radius_m=radius, side=side)
    if curve is None:
        return
    x, y, _, k = curve.at(np.linspace(0, curve.length_m, 600))
    assert np.hypot(x - centre[0], y - centre[1]).min() >= size - 1e-3
    assert np.abs(k).max() <= 1 / radius + 1e-9
    assert curve.end()[:2] == pytest.approx((far, 0), abs=1e-6)


def test_way_round_a_big_disc_is_the_taut_string():
    """Closed form: two tangents and an arc of the disc itself."""
    curve = round_obstacle(-50, 0, 50, 0, centre=(0, 0), obstacle_m=30, radius_m=20, side=1)
    tangent = math.sqrt(50**2 - 30**2)
    arc = 30 * (math.pi - 2 * math.acos(30 / 50))
    assert curve.length_m == pytest.approx(2 * tangent + arc, abs=1e-9)


def test_curve_by_integrating_its_tangent():
    curve = PlanCurve(1, 2, 0.3, ((10, 0.0), (15, 0.03), (7, -0.02), (5, 0.0)))
    ends = np.cumsum([0, *(length for length, _ in curve.pieces)])
    state = np.array([1.0, 2.0, 0.3])
    for (_, k), a, b in zip(curve.pieces, ends[:-1], ends[1:], strict=True):
        state = solve_ivp(
            lambda _, v, k=k: [math.cos(v[2]), math.sin(v[2]), k], (a, b), state, rtol=1e-11, atol=1e-11
        ).y[:, -1]
    assert curve.end() == pytest.approx(state, abs=1e-8)


def test_many_at_once_equals_one_by_one():
    curves = [
        straight(0, 0, 30, 5),
        lane(0, 0, 1, offset_m=4, reach_m=60, radius_m=40, rod_m=3),
        PlanCurve(5, 5, 2, ((9, 0.1),)),
    ]
    station = np.array([np.linspace(0, c.length_m, 25) for c in curves])
    x, y = at_many(curves, station)
    for n, c in enumerate(curves):
        assert np.allclose(c.at(station[n])[:2], (x[n], y[n]), atol=1e-9)


def test_arc_through_a_point():
    curve = arc_to(0, 0, 0, 20, 20)
    assert curve.pieces[0][1] == pytest.approx(1 / 20)
    assert curve.end()[:2] == pytest.approx((20, 20))
    assert arc_to(0, 0, 0, 20, 0).pieces == ((20.0, 0.0),)
    with pytest.raises(RangeError, match="behind"):
        arc_to(0, 0, 0, -20, 0)


def test_azimuth_is_clockwise_from_north():
    assert azimuth_deg(np.array([math.pi])).tolist() == [270.0]


def test_radius_must_be_positive():
    with pytest.raises(RangeError, match="positive"):
        shortest((0, 0, 0), (1, 1, 0), radius_m=0)
