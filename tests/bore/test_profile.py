"""Profiles: limits kept everywhere, not only at nodes; reasons named when there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.bore.build import build, half_stations
from loopgis.bore.plan import lane, straight
from loopgis.bore.profile import Limits, deepest_reach, obstructions, solve
from loopgis.bore.rods import rod_table
from loopgis.core.errors import RangeError

RIG = Limits(
    bend_radius_m=30.48, rod_length_m=3.048, entry_pitch_pct=(15, 35), exit_pitch_pct=(10, 35), max_depth_m=9.144
)


def make(curve, ground, required=None, *, target=4.572, rig=RIG):
    step, s = half_stations(curve)
    x, y, _, k = curve.at(s)
    z = ground(x, y)
    need = np.zeros(len(s)) if required is None else required(x, y)
    profile = solve(
        step_m=step, ground_m=z, target_depth_m=target, required_depth_m=need, plan_curvature_1_m=k, limits=rig
    )
    if profile is None:
        return None
    return build(
        curve,
        profile,
        ground_m=z,
        bore_id="B-01",
        pattern="fan",
        target_depth_m=target,
        hole_diameter_m=0.127,
        shape="straight",
    )


def hills(a, b, c):
    return lambda x, y: a * x + b * y + c * np.sin(x / 8) * np.cos(y / 11)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.floats(45, 110),
    st.floats(-0.12, 0.12),
    st.floats(0, 0.5),
    st.floats(-8, 8),
    st.floats(0.3, 0.7),
    st.floats(3, 7),
)
def test_every_limit_is_kept(length, slope, bump, offset, where, depth):
    curve = lane(0, 0, 0, offset_m=offset, reach_m=length, radius_m=30.48 / 0.6, rod_m=3.1) or straight(0, 0, length, 0)
    bore = make(curve, hills(slope, 0.02, bump), lambda x, y: np.where(abs(x - where * length) < 4, depth, 0.0))
    if bore is None:
        return
    assert bore.min_radius_m >= 30.48 * (1 - 1e-9)
    assert np.diff(bore.station_m).max() <= 0.5
    assert bore.depth_m[0] == pytest.approx(0, abs=1e-6)
    assert bore.depth_m[-1] == pytest.approx(0, abs=1e-6)
    assert bore.depth_m[1:-1].min() > -0.02
    assert bore.max_depth_m <= 9.144
    assert -35 - 1e-6 <= bore.pitch_pct[0] <= -15 + 1e-6
    assert 10 - 1e-6 <= bore.pitch_pct[-1] <= 35 + 1e-6
    near = abs(bore.x_m - where * length) < 4
    assert bore.depth_m[near].min() >= depth - 1e-6
    first = bore.station_m <= 3.048
    assert np.ptp(bore.pitch_pct[first]) < 1e-6
    # the polyline itself: circle through three vertices, an oracle that knows nothing of the programme
    assert menger_radius(bore.xyz[::4]).min() >= 30.48 * 0.985


def menger_radius(p):
    a, b, c = (np.linalg.norm(u, axis=1) for u in (p[1:-1] - p[:-2], p[2:] - p[1:-1], p[2:] - p[:-2]))
    area = np.linalg.norm(np.cross(p[1:-1] - p[:-2], p[2:] - p[:-2]), axis=1) / 2
    return a * b * c / np.maximum(4 * area, 1e-9)


def test_level_run_on_flat_ground_is_what_the_closed_form_leaves():
    bore = make(straight(0, 0, 90, 0), hills(0, 0, 0))
    setback = 4.572 / 0.35 + 30.48 * math.tan(math.atan(0.35) / 2)
    # at depth within 0.3 m: the bend passes that sqrt(2 * 0.3 * R) before it is level
    assert bore.level_length_m == pytest.approx(90 - 2 * setback + 2 * math.sqrt(2 * 0.3 * 30.48), abs=2.5)


def test_heights_raised_by_100_change_nothing():
    low, high = (
        make(straight(0, 0, 70, 10), hills(0.05, 0, 0.3)),
        make(straight(0, 0, 70, 10), lambda x, y: 100 + hills(0.05, 0, 0.3)(x, y)),
    )
    assert np.allclose(low.depth_m, high.depth_m, atol=1e-6)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"required": lambda x, y: np.where(abs(x - 12) < 2, 5.0, 0.0)}, "cover at pond"),
        ({"required": lambda x, y: np.where(abs(x - 35) < 2, 9.5, 0.0)}, "locator depth"),
    ],
)
def test_reasons_name_the_limit_that_gives_way(change, expected):
    curve = straight(0, 0, 70, 0)
    step, s = half_stations(curve)
    x, y, _, k = curve.at(s)
    need = change["required"](x, y)
    found = obstructions(
        step_m=step, ground_m=0 * x, target_depth_m=4.572, required_by={"pond": need}, plan_curvature_1_m=k, limits=RIG
    )
    assert expected in found


def test_depth_asked_at_an_end_is_no_profile():
    assert make(straight(0, 0, 70, 0), hills(0, 0, 0), lambda x, y: np.where(x < 3, 1.0, 0.0)) is None


def test_plan_curve_tighter_than_the_rods_is_refused():
    with pytest.raises(RangeError, match="tighter"):
        make(lane(0, 0, 0, offset_m=6, reach_m=60, radius_m=20, rod_m=3.1), hills(0, 0, 0))


def test_deepest_reach_is_never_beaten():
    curve = straight(0, 0, 80, 0)
    bore = make(curve, hills(0.08, 0, 0.4), lambda x, y: np.where(abs(x - 40) < 3, 8.0, 0.0))
    bound = deepest_reach(bore.plan_station_m, bore.ground_m, RIG)
    assert (bore.depth_m <= bound + 1e-6).all()


def test_rod_table_follows_the_bore():
    bore = make(straight(0, 0, 61, 0), hills(0, 0, 0))
    rods = rod_table(bore, 3.048)
    assert [r.rod for r in rods] == list(range(len(rods)))
    assert rods[-1].station_m == pytest.approx(bore.length_m)
    assert (rods[0].note, rods[1].note, rods[-1].note) == ("entry", "first rod straight", "exit")
    assert rods[1].depth_m == pytest.approx(3.048 * math.sin(math.atan(0.35)), abs=0.01)
    # the crew's own integration by mean pitch, between rod ends that are not inside a bend of more than a rod
    from loopgis.bore.rods import drop_by_pitch

    drop = drop_by_pitch([r.pitch_pct for r in rods[:-1]], rod_length_m=3.048)
    assert np.allclose(drop, [r.depth_m for r in rods[1:-1]], atol=0.12)
