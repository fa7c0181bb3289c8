"""Bores small enough to be worked out on paper: rod tables, figures of a bore, corners, limits that give way, pull and mud."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from loopgis.bore import collapse, fit, mud, pipe, pull, steer
from loopgis.bore.build import build, half_stations
from loopgis.bore.figures import along
from loopgis.bore.fit import Corner, Fit, fit_plan, nearest_plan
from loopgis.bore.model import Bore
from loopgis.bore.plan import PlanCurve, arc_to, lane, round_obstacle, shortest, straight
from loopgis.bore.profile import Limits, Profile, obstructions, setback_to_level_m, shallowest_cover, solve
from loopgis.bore.rods import rod_table
from loopgis.core.errors import RangeError

R, ROD = 30.48, 3.048
RIG = Limits(bend_radius_m=R, rod_length_m=ROD, entry_pitch_pct=(15, 35), exit_pitch_pct=(10, 35), max_depth_m=9.144)


def trapezium(**changes) -> Bore:
    """Due north: 10 m down a slope of 3 in 4, 10 m level at 6 m, 10 m up; the ground is at 100 m."""
    along_m = np.array([0.0, 8.0, 18.0, 26.0])
    values = {
        "bore_id": "B-01",
        "pattern": "fan",
        "x_m": np.full(4, 5.0),
        "y_m": along_m,
        "z_m": np.array([100.0, 94.0, 94.0, 100.0]),
        "ground_m": np.full(4, 100.0),
        "station_m": np.array([0.0, 10.0, 20.0, 30.0]),
        "plan_station_m": along_m,
        "pitch_pct": np.array([-75.0, -2.0, 2.0, 75.0]),
        "azimuth_deg": np.array([350.0, 356.0, 2.0, 8.0]),
        "curvature_1_m": np.array([0.0, 0.02, 0.01, 0.0]),
        "target_depth_m": 6.0,
        "hole_diameter_m": 0.2,
    }
    return Bore(**{**values, **changes})


# A bore and its rods -------------------------------------------------------------------------------------------------


def test_figures_of_a_bore():
    bore = trapezium()
    assert bore.depth_m.tolist() == [0, 6, 6, 0]
    assert (bore.length_m, bore.plan_length_m, bore.level_length_m) == (30, 26, 10)
    assert (bore.max_depth_m, bore.min_radius_m) == (6, 50)
    assert bore.min_cover_m == pytest.approx(5.9)  # the hole is 0.1 m about its axis
    assert bore.level.tolist() == [False, True, True, False]
    assert bore.xyz[1].tolist() == [5, 8, 94]
    assert not bore.in_ground
    assert trapezium(source="logged").in_ground
    assert not trapezium(source="staked", curve=straight(0, 0, 1, 0)).in_ground
    assert math.isinf(trapezium(curvature_1_m=np.zeros(4)).min_radius_m)


def test_at_depth_is_within_a_foot_of_the_target():
    """0.3 m above the target counts as level, 0.31 m does not; without any level place the deepest point counts."""
    assert trapezium(z_m=np.array([100.0, 94.25, 94.0, 100.0])).min_cover_m == pytest.approx(5.65)
    assert trapezium(target_depth_m=6.31).level.tolist() == [False] * 4
    assert trapezium(target_depth_m=6.31).level_length_m == 0
    assert trapezium(target_depth_m=6.31).min_cover_m == pytest.approx(5.9)


def test_a_rod_table_on_paper():
    """Rods of 8 m over 30 m: three whole ones and 6 m of a fourth. The heading turns through north by 0.6 degrees a metre."""
    rows = rod_table(trapezium(), 8.0)
    assert [r.rod for r in rows] == [0, 1, 2, 3, 4]
    assert [r.station_m for r in rows] == [0, 8, 16, 24, 30]
    assert [r.x_m for r in rows] == [5] * 5
    assert [r.y_m for r in rows] == pytest.approx([0, 6.4, 14, 21.2, 26])
    assert [r.z_m for r in rows] == pytest.approx([100, 95.2, 94, 96.4, 100])
    assert [r.depth_m for r in rows] == pytest.approx([0, 4.8, 6, 3.6, 0])
    assert [r.pitch_pct for r in rows] == pytest.approx([-75, -16.6, 0.4, 31.2, 75])
    assert [r.azimuth_deg for r in rows] == pytest.approx([350, 354.8, 359.6, 4.4, 8])
    assert [r.note for r in rows] == ["entry", "first rod straight", "level", "slant", "exit"]


def test_what_a_rod_is_doing():
    """At depth a rod of 5 % is level and one of 5.1 % still bends, up or down."""
    for pitch, note in ((5.0, "level"), (-5.0, "level"), (5.1, "at depth, bending"), (-5.1, "at depth, bending")):
        bore = trapezium(pitch_pct=np.array([-75.0, pitch, pitch, 75.0]))
        assert rod_table(bore, 7.0)[2].note == note
    with pytest.raises(RangeError, match=r"^rods: rod length 0 m is not positive; give \[rig\] rod_length$"):
        rod_table(trapezium(), 0)
    assert len(rod_table(trapezium(), 0.5)) == 61


def test_a_bore_from_its_curve_and_profile():
    """Half-step stations of a 12 m line; plan bend 3 and profile bend 4 make 5 on the level, and less on a slope of 3 in 4."""
    curve = PlanCurve(1.0, 2.0, math.pi / 2, ((12.0, 0.03),))
    step, s = half_stations(curve)
    assert len(s) == 31
    assert step == pytest.approx(0.8)
    flat = Profile(z_m=np.full(31, -4.0), slope=np.zeros(31), bend_1_m=np.full(31, 0.04))
    more = {"ground_m": np.zeros(31), "bore_id": "B-07", "pattern": "parallel", "target_depth_m": 4.2, "shape": "curve"}
    bore = build(curve, flat, **more, hole_diameter_m=0.15)
    assert bore.min_radius_m == pytest.approx(20)
    assert bore.length_m == pytest.approx(12, rel=1e-4)
    assert bore.plan_length_m == 12
    assert (bore.x_m[0], bore.y_m[0], bore.azimuth_deg[0]) == pytest.approx((1, 2, 0))
    assert bore.azimuth_deg[-1] == pytest.approx(360 - math.degrees(0.36))
    assert (bore.bore_id, bore.pattern, bore.shape, bore.source) == ("B-07", "parallel", "curve", "planned")
    assert (bore.hole_diameter_m, bore.target_depth_m, bore.curve, bore.depth_m[0]) == (0.15, 4.2, curve, 4)
    steep = Profile(z_m=-0.75 * s, slope=np.full(31, -0.75), bend_1_m=np.full(31, 0.04))
    bore = build(curve, steep, **more, hole_diameter_m=0.15, source="staked")
    assert bore.pitch_pct[3] == -75
    assert bore.source == "staked"
    assert bore.length_m == pytest.approx(15, rel=1e-4)  # 9 down and 12 along
    assert bore.curvature_1_m[0] == pytest.approx(0.02807, abs=1e-5)  # sqrt(0.0375^2 + 0.04^2) / 1.25^3
    assert len(half_stations(straight(0, 0, 1, 0))[1]) == 9


def test_stations_with_figures():
    station, one, many = along([0, 1, 1, 3], one=7, many=[1, 2, 3, 4])
    assert station.tolist() == [0, 1, 1, 3]
    assert one.tolist() == [7] * 4
    assert many.tolist() == [1, 2, 3, 4]
    for bad, words in (
        ([0.0], "growing"),
        ([0.0, 2.0, 1.0], "growing"),
        ([[0.0, 1.0]], "growing"),
        ([2.0, 2.0], "has no length"),
        ([0.0, math.nan], "no number"),
    ):
        with pytest.raises(RangeError, match=words) as caught:
            along(bad)
        assert caught.value.where == "station_m"
    with pytest.raises(RangeError, match=r"^z_m: has shape \(2,\) for 3 stations; give one figure"):
        along([0, 1, 2], z_m=[1, 2])


# Lines drawn by hand -------------------------------------------------------------------------------------------------


def test_a_right_angle_is_told_with_its_figures():
    """An arc of 30.48 m turns a right angle over 30.48 m of either leg; the shorter leg has 10 m."""
    found = fit_plan(np.array([(0.0, 0.0), (20.0, 0.0), (20.0, 10.0)]), bend_radius_m=R, rod_m=ROD)
    assert isinstance(found, Corner)
    assert (found.x_m, found.y_m, found.station_m) == pytest.approx((20, 0, 20))
    assert (found.turn_deg, found.room_m, found.need_m) == pytest.approx((90, 10, R))


def test_the_sharper_of_two_corners_is_told():
    """Corners of 45 and 90 degrees 15 m apart: together they ask for 12.6 and 30.5 m."""
    half = math.sqrt(0.5)
    line = np.array([(0.0, 0.0), (40.0, 0.0), (40 + 15 * half, 15 * half), (40 - 25 * half, 55 * half)])
    found = fit_plan(line, bend_radius_m=R, rod_m=ROD)
    assert isinstance(found, Corner)
    assert (found.turn_deg, found.room_m, found.station_m) == pytest.approx((90, 15, 55))


def test_a_straight_line_says_where_it_bows():
    found = fit_plan(np.array([(0.0, 0.0), (0.0, 0.0), (10.0, 0.01), (50.0, 0.0)]), bend_radius_m=R, rod_m=ROD)
    assert isinstance(found, Fit)
    assert (found.off_m, found.station_m) == pytest.approx((0.01, 10), rel=1e-3)
    assert found.curve.pieces == ((50.0, 0.0),)
    with pytest.raises(RangeError, match=r"^line: is 6.0 m long, less than two rods; draw it longer$"):
        fit_plan(np.array([(0.0, 0.0), (6.0, 0.0)]), bend_radius_m=R, rod_m=ROD)


def test_what_was_drilled_is_followed_even_where_nobody_would_plan_it():
    """A right angle with little room: the nearest curve bends as hard as rods do and says how far off it stays."""
    found = nearest_plan(np.array([(0.0, 0.0), (30.0, 0.0), (30.0, 30.0)]), bend_radius_m=R, rod_m=ROD)
    assert max(abs(k) for _, k in found.curve.pieces) <= 0.9 / R + 1e-12
    assert found.off_m > 2
    assert found.station_m == pytest.approx(30, abs=4)
    assert found.curve.pieces[0] == (ROD, 0)
    left = [k for _, k in found.curve.pieces[1:]]
    mirrored = nearest_plan(np.array([(0.0, 0.0), (30.0, 0.0), (30.0, -30.0)]), bend_radius_m=R, rod_m=ROD)
    assert [k for _, k in mirrored.curve.pieces[1:]] == pytest.approx([-k for k in left], abs=1e-6)
    assert all(abs(a - b) >= 1e-4 for a, b in itertools.pairwise(left))  # no neighbours of one curvature


def test_the_way_back_of_a_bend_is_kept_beside_it():
    """An S of two equal bends: left and right stay two pieces, though their sum is none."""
    found = fit._merged(PlanCurve(0.0, 0.0, 0.0, ((ROD, 0.0), (10.0, 0.01), (10.0, -0.01), (5.0, -0.01))))
    assert found.pieces == (
        (ROD, 0.0),
        (10.0, 0.01),
        pytest.approx((15.0, -0.01)),
    )


# Plan curves ---------------------------------------------------------------------------------------------------------


def test_curves_on_paper():
    assert straight(1, 2, 4, 6).end() == pytest.approx((4, 6, math.atan2(4, 3)))
    assert PlanCurve(0, 0, 0, ((10.0, 0.1), (10.0, -0.2))).turning_rad == pytest.approx(3)
    quarter = arc_to(0, 0, math.pi / 2, 5, 5)
    assert quarter.pieces == (pytest.approx((2.5 * math.pi, -0.2)),)
    assert quarter.end() == pytest.approx((5, 5, 0))
    assert arc_to(0, 0, 0, -0.1, 5).end()[:2] == pytest.approx((-0.1, 5))
    assert shortest((0, 0, 0), (7, 0, 0), radius_m=5)[0].pieces == ((7.0, 0.0),)
    curve, word = shortest((0, 0, 0), (0, 10, math.pi), radius_m=5)
    assert (word[0], curve.length_m) == ("L", pytest.approx(5 * math.pi))
    curve, word = shortest((0, 0, 0), (0, 0, math.pi), radius_m=1)  # turned on the spot: three arcs, 7/3 pi
    assert word in {"LRL", "RLR"}
    assert curve.length_m == pytest.approx(7 * math.pi / 3)
    assert shortest((2, 3, 1), (2, 3, 1), radius_m=5)[0].length_m == 0


def test_lanes_at_the_edge_of_what_can_be_joined():
    """Two quarter turns of radius 10 reach a lane 20 m beside after 20 m and the rod; a little less is too short."""
    kept = {"offset_m": 20.0, "radius_m": 10.0, "rod_m": 3.0}
    assert lane(0, 0, 0, reach_m=23.001, **kept).end()[:2] == pytest.approx((23.001, 20))
    assert lane(0, 0, 0, reach_m=22.99, **kept) is None
    assert lane(0, 0, 0, reach_m=90, offset_m=20.1, radius_m=10, rod_m=3) is None
    assert lane(1, 2, 0, reach_m=9, offset_m=0, radius_m=10, rod_m=3).pieces == ((9, 0.0),)
    assert lane(1, 2, 0, reach_m=0, offset_m=0, radius_m=10, rod_m=3) is None
    lead = math.atan2(3, 4)  # 5 m of straight is 3 m aside; an arc of 10 m turns back 2 m aside and 6 m on
    bent = lane(0, 0, 0, reach_m=30, offset_m=-5.0, radius_m=10, rod_m=5, lead_rad=lead)
    assert bent.heading_rad == -lead
    assert [p[0] for p in bent.pieces] == pytest.approx([5, 10 * lead, 20])
    assert [p[1] for p in bent.pieces] == [0, 0.1, 0]
    assert lane(0, 0, 0, reach_m=30, offset_m=5.0, radius_m=10, rod_m=5.001, lead_rad=lead) is None


def test_round_a_disc_on_paper():
    """A disc of 3 m, 5 m from both ends: tangents of 4 m. From inside there is no way; stiff rods go round on a wider arc."""
    below = round_obstacle(-5, 0, 5, 0, centre=(0, 0), obstacle_m=3, radius_m=2, side=-1)
    above = round_obstacle(-5, 0, 5, 0, centre=(0, 0), obstacle_m=3, radius_m=2, side=1)
    assert [p[0] for p in below.pieces] == pytest.approx([4, 3 * (math.pi - 2 * math.acos(0.6)), 4])
    assert (above.pieces[1][1], below.pieces[1][1]) == pytest.approx((-1 / 3, 1 / 3))
    assert above.heading_rad == pytest.approx(math.asin(0.6))
    assert below.heading_rad == pytest.approx(-math.asin(0.6))
    assert round_obstacle(-2.9, 0, 5, 0, centre=(0, 0), obstacle_m=3, radius_m=2, side=1) is None
    assert round_obstacle(-5, 0, 2.9, 0, centre=(0, 0), obstacle_m=3, radius_m=2, side=1) is None
    wide = round_obstacle(-40, 0, 40, 0, centre=(0, 0), obstacle_m=3, radius_m=20, side=1)
    x, y, *_ = wide.at(np.linspace(0, wide.length_m, 400))
    assert np.hypot(x, y).min() == pytest.approx(3, abs=3e-3)
    assert y.max() == pytest.approx(3, abs=3e-3)
    assert wide.pieces[1][1] == pytest.approx(-1 / 20)


# Profiles ------------------------------------------------------------------------------------------------------------


def gives_way(required=None, *, rig=RIG, length_m=70.0):
    step, s = half_stations(straight(0, 0, length_m, 0))
    return obstructions(
        step_m=step,
        ground_m=0 * s,
        target_depth_m=4.572,
        required_by={
            name: np.where(abs(s - at) < half, deep, 0.0) for name, (at, half, deep) in (required or {}).items()
        },
        plan_curvature_1_m=0 * s,
        limits=rig,
    )


def test_the_limit_that_gives_way_is_named():
    """One case for each limit: with it given up there is a profile, with any other there is none."""
    assert gives_way({"pond": (35, 2, 9.5)}) == ["cover at pond", "locator depth"]
    assert gives_way({"pond": (35, 2, 9.5), "drain": (35, 2, 9.4)}) == ["locator depth"]
    assert gives_way({"pond": (12, 2, 5.0)}) == ["cover at pond", "entry pitch"]
    assert gives_way({"pond": (58, 2, 5.0)}) == ["cover at pond", "exit pitch"]
    assert gives_way({"pond": (0, 5, 4.0), "lake": (70, 5, 4.0)}) == ["several limits together"]
    # from 15 % down to 10 % up are 0.25 rad: 30 m of a bend of 120 m, and the first rod is straight
    stiff = Limits(**{**vars(RIG), "bend_radius_m": 120.0})
    assert gives_way(rig=stiff, length_m=35.0) == ["entry pitch", "bend radius"]


def test_least_cover_near_the_ends():
    """Half of what 15 % down and 10 % up give, at most 0.6 m."""
    s = np.array([0.0, 4.0, 8.0, 35.0, 60.0, 70.0])
    assert shallowest_cover(s, 70.0, RIG).tolist() == pytest.approx([0, 0.3, 0.6, 0.6, 0.5, 0])


def test_setback_of_a_depth_within_one_arc():
    """Too shallow for the whole bend: d = R (1 - cos b) at 60 degrees is half the radius, reached after R sin 60."""
    assert setback_to_level_m(5.0, 1000.0, 10.0) == pytest.approx(10 * math.sin(math.pi / 3))
    assert setback_to_level_m(2.0, 75.0, 10.0) == pytest.approx(6)  # 3, 4 and 5: the whole bend and no straight
    assert setback_to_level_m(5.0, 75.0, 10.0) == pytest.approx(10)


def test_a_profile_is_the_integral_of_its_bend():
    """Slope is the sum of bend x step, height that of the slope; no bend on the first rod."""
    step, s = half_stations(straight(0, 0, 70, 0))
    found = solve(
        step_m=step,
        ground_m=0.02 * s,
        target_depth_m=4.0,
        required_depth_m=np.where(abs(s - 30) < 3, 5.0, 0.0),
        plan_curvature_1_m=0 * s,
        limits=RIG,
    )
    bend, half = found.bend_1_m[1::2], step / 2
    slope = found.slope[0] + np.r_[0, np.cumsum(np.repeat(bend, 2) * half)]
    assert found.slope == pytest.approx(slope, abs=1e-7)
    rise = (slope[1:] + slope[:-1]) / 2 * half  # a parabola rises by its mean slope
    assert found.z_m == pytest.approx(np.r_[0, np.cumsum(rise)], abs=1e-6)
    assert not bend[: math.ceil(ROD / step)].any()
    assert np.abs(found.bend_1_m[::2]) == pytest.approx(np.maximum(np.abs(np.r_[0, bend]), np.abs(np.r_[bend, 0])))


def test_the_ground_between_two_half_steps_counts():
    """A dip between the stations moves the bore down there; a pit next to an end leaves no way in."""
    step, s = half_stations(straight(0, 0, 70, 0))
    fine = np.linspace(0, 70, 4 * (len(s) - 1) // 2 * 2 + 1)

    def depth(dip_at, by_m):
        found = solve(
            step_m=step,
            ground_m=0 * s,
            target_depth_m=1.5,
            required_depth_m=np.where(abs(s - 35) < 3, 1.4, 0.0),
            plan_curvature_1_m=0 * s,
            limits=RIG,
            finer_ground_m=np.where((abs(fine - dip_at) < 0.3) & ~np.isin(fine, s), -by_m, 0.0),
        )
        return None if found is None else -found.z_m[np.argmin(abs(s - dip_at))]

    flat, dipped = depth(35.0, 0.0), depth(35.3, 1.0)
    assert dipped >= 1.4 + 1.0 - 1e-6 > flat
    assert depth(35.3, 0.015) == pytest.approx(flat, abs=0.02)  # what is kept in hand anyway
    assert depth(0.4, 0.6) is None


# Pull, collapse, mud ------------------------------------------------------------------------------------------------


def test_shape_of_a_path_on_paper():
    """300 m with 100 m level at 8 m; the pipe comes from where the drill went out, so its angles are the drill's the other way."""
    station, z = np.array([0.0, 80.0, 180.0, 300.0]), np.array([1.0, -7.0, -7.0, 1.0])
    shape = pull.shape_of_path(station_m=station, z_m=z, pitch_pct=[-10, 0, 0, 20], surplus_m=4, level_band_m=0)
    assert (shape.rise_m, shape.level_m, shape.descent_m) == (80, 100, 120)
    assert (shape.depth_m, shape.surplus_m, shape.bore_m) == (8, 4, 300)
    assert (shape.pipe_entry_angle_rad, shape.pipe_exit_angle_rad) == pytest.approx((math.atan(0.2), math.atan(0.1)))
    assert shape.entry_radius_m == pytest.approx(16 / math.atan(0.2) ** 2)
    assert shape.exit_radius_m == pytest.approx(16 / math.atan(0.1) ** 2)
    sloped = pull.shape_of_path(station_m=station + 5, z_m=z + 0.03 * station, pitch_pct=[-7, 3, 3, 23])
    assert (sloped.depth_m, sloped.rise_m) == pytest.approx((8, 80))  # a lot on a slope as a level one
    level_ends = pull.shape_of_path(station_m=station, z_m=z, pitch_pct=[0, 0, 0, 0])
    assert math.isinf(level_ends.entry_radius_m)
    assert math.isinf(level_ends.exit_radius_m)
    for pitches, heights in (([1, 0, 0, 20], z), ([-10, 0, 0, -1], z), ([-10, 0, 0, 20], z * 0), ([0, 0, 0, 0], -z)):
        with pytest.raises(RangeError, match="does not go down and come up again"):
            pull.shape_of_path(station_m=station, z_m=heights, pitch_pct=pitches)


def test_planned_shape_on_paper():
    case = {"depth_m": 4, "pipe_entry_angle_rad": 0.2, "pipe_exit_angle_rad": 0.16}
    shape = pull.planned_shape(crossing_m=100, **case, surplus_m=6)
    assert (shape.descent_m, shape.level_m, shape.rise_m, shape.surplus_m) == pytest.approx((40, 10, 50, 6))
    touching = pull.planned_shape(crossing_m=90, **case)
    assert (touching.level_m, touching.surplus_m) == (0, 0)


def test_two_pipes_share_a_pull():
    """What pulls two pipes is over the walls of both; every figure of the path counts them."""
    case = {"outside_diameter_m": 0.042, "dr": 11.0, "hole_diameter_m": 0.127, "surplus_m": 5.0, "pipes": 2}
    found = pull.pull_along(station_m=[0, 40, 80], pitch_pct=[-20, 0, 20], azimuth_deg=0, **case)
    assert found.stress_pa == pytest.approx(found.largest_n / (2 * math.pi * 0.042**2 * (1 / 11 - 1 / 121)))
    assert found.largest_n == pytest.approx(found.tension_n.max() + found.hydrokinetic_n)
    assert found.at_station_m == [0, 40, 80][int(np.argmax(found.tension_n))]
    assert found.hydrokinetic_n == pytest.approx(68947.57 * math.pi / 8 * (0.127**2 - 2 * 0.042**2))
    one = pull.pull_along(station_m=[0, 40, 80], pitch_pct=[-20, 0, 20], azimuth_deg=0, **{**case, "pipes": 1})
    assert found.tension_n == pytest.approx(2 * one.tension_n)
    assert (found.air_n_m, found.buoyant_n_m) == pytest.approx((2 * one.air_n_m, 2 * one.buoyant_n_m))


def test_margins_at_their_bounds():
    """The safe pull itself holds, half of it is at ease, the weak link's own rating passes."""
    one = pipe.safe_pull_n(outside_diameter_m=0.042, dr=11)
    for largest, said in ((one, (True, True, True)), (2 * one, (True, False, False)), (2.001 * one, (False,) * 3)):
        found = pipe.pull_margin(largest_n=largest, outside_diameter_m=0.042, dr=11, pipes=2)
        assert (found.holds, found.at_ease, found.link_holds) == said
    assert (found.safe_n, found.weak_link_n) == pytest.approx((2 * one, one))


def test_durations_between_rows():
    """The longer row counts, the row itself exactly; the shortest counts for anything shorter. 1 psi is 6894.757 Pa."""
    assert pipe.safe_stress_pa(duration_h=12) == pytest.approx(1150 * 6894.757293)
    assert pipe.safe_stress_pa(duration_h=12.001) == pytest.approx(1100 * 6894.757293)
    assert pipe.safe_stress_pa(duration_h=0.01) >= pipe.safe_stress_pa(duration_h=12)
    head = collapse.critical_head_m(dr=11, modulus_pa=collapse.modulus_pa(duration_h=1000))
    assert collapse.mini_depth_m(dr=11) == pytest.approx(head / 6)


def test_nothing_presses_a_pipe_that_is_full():
    """Mud of 1.5 on a pipe full of mud, without flow: no pressure, and no end of safety."""
    found = collapse.collapse(dr=11, depth_m=5, modulus_pa=4e8, fill_gravity=1.5, added_pa=0)
    assert (found.external_pa, found.safety) == (0, math.inf)
    pressed = collapse.collapse(dr=11, depth_m=5, modulus_pa=4e8, added_pa=1000, inside_pa=400, fill_gravity=0.5)
    assert pressed.external_pa == pytest.approx(5 * 9810 + 600)
    assert pressed.safety == pytest.approx(pressed.critical_pa / 49650)
    assert pressed.critical_head_m == pytest.approx(pressed.critical_pa / 9810)
    assert (pressed.ovality_factor, pressed.tension_factor) == pytest.approx((0.764, 1), abs=5e-4)


@pytest.mark.parametrize(
    ("bundle_in", "by_class_in"), [(7.9, 11.9), (8.0, 12.0), (8.5, 12.75), (23.5, 35.25), (24.0, 36.0), (25.0, 37.0)]
)
def test_reamers_by_class(bundle_in, by_class_in):
    """4 in more below 8 in, 1.5 times from 8 to 24 in, 12 in more above."""
    found = mud.reamer(outside_diameter_m=bundle_in * 0.0254)
    assert found.by_class_m / 0.0254 == pytest.approx(by_class_in)
    assert found.by_factor_m / 0.0254 == pytest.approx(1.5 * bundle_in)
    assert found.hole_m == max(found.by_class_m, found.by_factor_m)


def test_mud_finds_the_easier_of_two_pits():
    """12 kN/m3 of mud and 100 Pa/m of loss; the exit lies 2 m lower than the entry: there the mud runs out by itself."""
    ends = {"station_m": [0.0, 50.0, 100.0], "z_m": [0.0, -5.0, -2.0], "loss_pa_m": 100.0, "mud_gravity": 1.2}
    ends["water_n_m3"] = 10_000.0
    assert mud.annular_demand_pa(**ends).tolist() == [0, 65_000, 34_000]
    assert mud.annular_demand_pa(**ends, returns="exit").tolist() == [0, 41_000, 0]
    assert mud.annular_demand_pa(**ends, returns="either").tolist() == [0, 41_000, 0]
    with pytest.raises(RangeError, match=r'^returns: \'left\' is not known; one of "entry", "exit", "either"$'):
        mud.annular_demand_pa(**ends, returns="left")


def test_pressures_at_their_bounds():
    """Clay of 20 kPa under 4 m at 20 kN/m3, no water: 80 kPa of ground; the mud's weight is set to the bounds themselves."""
    clay = {
        "moist_n_m3": 2e4,
        "saturated_n_m3": 2.1e4,
        "cohesion_pa": 2e4,
        "friction_rad": 0.0,
        "shear_modulus_pa": 2e6,
    }
    case = {"station_m": [0.0, 10.0], "z_m": [0.0, -4.0], "depth_m": [4.0, 4.0], "water_table_m": 9.0, **clay}
    case |= {"hole_diameter_m": 0.1, "loss_pa_m": 0.0}
    found = mud.mud_pressures(**case)
    assert found.overburden_pa.tolist() == [80_000, 80_000]
    assert found.plastic_radius_m.tolist() == [2, 2]  # half of the cover in clay
    assert found.capacity_pa[1] == pytest.approx(8e4 + 2e4 * (1 - math.log(0.025**2 + 0.01)), rel=1e-9)
    assert not found.tight.any()
    assert found.factor == 1.5
    assert mud.mud_pressures(**case, factor=1).factor == 1
    gravity = found.capacity_pa[1] / (4 * 9810)
    assert mud.mud_pressures(**case, mud_gravity=gravity * 1.0001).over.tolist() == [False, True]
    below = mud.mud_pressures(**case, mud_gravity=gravity * 0.9999)
    assert (below.over.tolist(), below.tight.tolist()) == ([False, False], [False, True])
    assert mud.mud_pressures(**case, mud_gravity=80_001 / (4 * 9810)).tight.tolist() == [False, True]
    assert mud.mud_pressures(**case, mud_gravity=79_999 / (4 * 9810)).tight.tolist() == [False, False]
    shallow = mud.mud_pressures(**{**case, "depth_m": [4.0, 0.09]})
    assert shallow.shallow.tolist() == [False, True]
    assert shallow.capacity_pa[1] == pytest.approx(1800)
    sand = {**case, "cohesion_pa": 0.0, "friction_rad": 0.6}
    assert mud.mud_pressures(**sand, strain_limit=None).plastic_radius_m == pytest.approx([8 / 3, 8 / 3])
    by_strain = mud.mud_pressures(**sand).plastic_radius_m[0]
    assert by_strain == pytest.approx(0.05 * math.sqrt(0.1 / (8e4 * math.sin(0.6) / 2e6)))
    assert mud.mud_pressures(**case, cover_share=[0.25, 0.75]).plastic_radius_m.tolist() == [1, 3]


# Words ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("up", "right", "said"),
    [(1, 0.1, "12:00"), (1, 0.2, "12:30"), (-1, 1, "4:30"), (-1, -1, "7:30"), (1, -1, "10:30"), (1, -0.2, "11:30")],
)
def test_clock_positions(up, right, said):
    assert steer.clock(up, right) == said


@pytest.mark.parametrize(
    ("pitch", "said"),
    [
        ([-30.4, -30.4, -29.9], "steer up 0 % to -30 % (12:00)"),
        ([0, 0, 0.5], "steer up 0 % to 0 % (12:00)"),
        ([0, 0, 0.49], "straight on at 0 %"),
    ],
)
def test_the_least_that_is_steered(pitch, said):
    told = steer.actions(station_m=[0, 3, 6], pitch_pct=pitch, azimuth_deg=0)
    assert told[1:] == [said, "exit"]


def test_locates_at_the_bounds():
    depths, pitches = [4.572, 4.58, 1, 1], [0, 0, -30.01, 30]
    assert steer.locate_notes(depth_m=depths, pitch_pct=pitches, blind=[False, True, False, True]) == [
        "",
        "no locate from above; deeper than 15 ft: projected depth",
        "steeper than 30 %: projected depth",
        "no locate from above",
    ]
    with pytest.raises(ValueError, match="zip"):
        steer.locate_notes(depth_m=[1, 2], pitch_pct=[0], blind=[False, False])
