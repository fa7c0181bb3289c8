"""The look-ahead against stepping along the path with own code."""

from __future__ import annotations

import ast
import inspect
import math
import re

import numpy as np
import pytest

from loopgis.bore.rods import pitch_per_rod_pct
from loopgis.core.errors import RangeError
from loopgis.field import ahead
from loopgis.field.ahead import State, can_make, exit_at, reach

STATES = 500


def stepped(pitch_pct, curvature, most_pct, *, until_m, step_m=2e-3):
    """x and rise by drilled length with the midpoint rule; the angle grows with the drilled length until the largest pitch."""
    first = math.atan(pitch_pct / 100)
    top = math.pi / 2 if most_pct is None else math.atan(most_pct / 100)
    high, low = max(top, first), min(-top, first)
    n = int(4 * until_m / step_m)
    a = np.clip(first + curvature * (np.arange(n) + 0.5) * step_m, low, high)
    x, z = np.r_[0.0, np.cumsum(np.cos(a))] * step_m, np.r_[0.0, np.cumsum(np.sin(a))] * step_m
    return x, z


def rise(pitch_pct, curvature, most_pct, at_m):
    """Rise at a distance, infinite when the head stands upright before."""
    x, z = stepped(pitch_pct, curvature, most_pct, until_m=at_m)
    if x[-1] < at_m:
        return math.copysign(math.inf, curvature)
    return float(np.interp(at_m, x, z))


def states(seed, n):
    rng = np.random.default_rng(seed)
    for k in range(n):
        yield {
            "depth": rng.uniform(0.2, 9.0),
            "pitch": rng.uniform(-45, 45),
            "at": rng.uniform(0.3, 25.0),
            "radius": 10 ** rng.uniform(1.3, 2.2),
            "rod": rng.uniform(1.5, 4.6),
            "most": None if k % 2 else rng.uniform(5, 50),
            "middle": rng.uniform(-9, 0.5),
            "half": rng.uniform(0.0, 0.8),
        }


def test_reach_against_stepping_on_500_states():
    worst = 0.0
    for s in states(1, STATES):
        state = State(depth_m=s["depth"], pitch_pct=s["pitch"])
        high, low = reach(state, s["at"], s["radius"], most_pitch_pct=s["most"])
        for got, k in ((high, 1 / s["radius"]), (low, -1 / s["radius"])):
            own = rise(s["pitch"], k, s["most"], s["at"]) - s["depth"]
            assert math.isinf(got) == math.isinf(own)
            if math.isfinite(own):
                worst = max(worst, abs(got - own))
    assert worst < 1e-3


def test_can_make_against_stepping_on_500_states():
    """Straight on where that passes, else a quarter into the window or as far as the rods can; and a miss is a miss by so much."""
    worst, made, cut, edges, plain = 0.0, 0, 0, 0, 0
    for s in states(2, STATES):
        least, most = s["middle"] - s["half"], s["middle"] + s["half"]
        got = can_make(
            State(depth_m=s["depth"], pitch_pct=s["pitch"]),
            at_m=s["at"],
            least_z=least,
            most_z=most,
            radius_m=s["radius"],
            rod_m=s["rod"],
            most_pitch_pct=s["most"],
        )
        high, low = (rise(s["pitch"], k / s["radius"], s["most"], s["at"]) - s["depth"] for k in (1, -1))
        if got.possible:
            made += 1
            assert low - 1e-3 <= most
            assert high + 1e-3 >= least
            assert abs(got.pitch_pct_per_rod) <= pitch_per_rod_pct(s["radius"], rod_length_m=s["rod"]) + 1e-9
            k = math.atan(got.pitch_pct_per_rod / 100) / s["rod"]
            own = rise(s["pitch"], k, s["most"], s["at"]) - s["depth"]
            straight = rise(s["pitch"], 0.0, s["most"], s["at"]) - s["depth"]
            if least <= straight <= most:
                plain += 1
                assert got.pitch_pct_per_rod == 0
                assert got.words == "can still make it straight on"
            room = s["half"] / 2
            wish = straight if least <= straight <= most else min(max(straight, least + room), most - room)
            aim = min(max(wish, low), high)
            edges += aim != wish
            assert least - 1e-3 <= own <= most + 1e-3
            worst = max(worst, abs(own - aim) if low + 2e-3 < aim < high - 2e-3 else 0.0)
            x, _ = stepped(s["pitch"], k, s["most"], until_m=s["at"])
            worst = max(worst, abs(float(np.interp(s["at"], x, np.arange(len(x)) * 2e-3)) - got.rods * s["rod"]))
        else:
            cut += 1
            assert got.pitch_pct_per_rod is None
            own = least - high if high < least else low - most
            assert own > -1e-3
            worst = max(worst, abs(own - got.miss_m))
            assert got.words.startswith("cannot: ")
    assert worst < 1e-3
    assert min(made, cut) > 50
    assert edges > 5
    assert plain > 20


def ground_of(rng):
    x = np.cumsum(rng.uniform(0.5, 4.0, size=12)) - 1.0
    return tuple(zip(x.tolist(), np.cumsum(rng.uniform(-0.4, 0.4, size=12)).tolist(), strict=True))


def comes_up(state, curvature, most_pct):
    x, z = stepped(state.pitch_pct, curvature, most_pct, until_m=150.0, step_m=1e-2)
    gx, gz = np.array(state.ground).T
    over = np.flatnonzero(z - state.depth_m >= np.interp(x, gx, gz))
    if not over.size:
        return None
    k = over[0]
    gap = z - state.depth_m - np.interp(x, gx, gz)
    w = gap[k - 1] / (gap[k - 1] - gap[k])
    return float(x[k - 1] + w * (x[k] - x[k - 1]))


def test_exit_against_stepping_over_broken_ground():
    rng = np.random.default_rng(5)
    never = upright = 0
    for s in states(3, 300):
        state = State(depth_m=s["depth"], pitch_pct=s["pitch"], ground=ground_of(rng))
        if state.depth_m + state.ground_at(0.0) < 0.05:
            continue
        got = exit_at(state, radius_m=s["radius"], most_pitch_pct=s["most"])
        for at, k, pct in ((got.present_m, 0.0, got.present_pct), (got.hardest_m, 1 / s["radius"], got.hardest_pct)):
            own = comes_up(state, k, s["most"])
            if own is None or (at is not None and at > 140):
                never += 1
                assert at is None or at > 140
                continue
            upright += math.isinf(pct)
            assert at == pytest.approx(own, abs=2e-3)
            sine = math.sin(math.atan(s["pitch"] / 100)) + k * at
            if s["most"] is None and sine < 0.999:
                assert pct == pytest.approx(100 * math.tan(math.asin(sine)), abs=1e-6)
    assert never > 10


def test_level_head_on_level_ground():
    state = State(depth_m=3.0, pitch_pct=0.0)
    high, low = reach(state, 8.0, 40.0)
    assert high == pytest.approx(-3 + 40 - math.sqrt(40**2 - 8**2))
    assert low == pytest.approx(-3 - 40 + math.sqrt(40**2 - 8**2))
    assert exit_at(state, radius_m=40.0).present_m is None
    # facts/hdd row 13 (TB 5.8): d 6 ft, R 100 ft: 34.12 ft; row 14 (TB 5.9): d 25 ft, R 100 ft, 20 degrees: 86.32 ft
    six = exit_at(State(depth_m=6.0, pitch_pct=0.0), radius_m=100.0)
    assert six.hardest_m == pytest.approx(34.12, abs=0.01)
    straight_on = exit_at(
        State(depth_m=25.0, pitch_pct=0.0), radius_m=100.0, most_pitch_pct=100 * math.tan(math.radians(20))
    )
    assert straight_on.hardest_m == pytest.approx(86.32, abs=0.01)


def test_the_least_depth_at_which_a_bore_can_be_level():
    """facts/hdd row 8 (TB 5.7) without the first rod: R (1 - cos b) under a head that points down at b."""
    b = math.radians(15)
    _, low = reach(State(depth_m=0.0, pitch_pct=-100 * math.tan(b)), 100 * math.sin(b), 100.0)
    high, _ = reach(State(depth_m=0.0, pitch_pct=-100 * math.tan(b)), 100 * math.sin(b), 100.0)
    assert high == pytest.approx(-100 * (1 - math.cos(b)))
    assert low < high


def test_ground_that_falls_away_lets_a_sinking_head_out():
    """Ground falls by 20 %, the head by 10 %, from 2 m: 20 m ahead; level ground from 10 m on: never."""
    falls = State(depth_m=2.0, pitch_pct=-10.0, ground=((0.0, 0.0), (30.0, -6.0)))
    assert exit_at(falls, radius_m=math.inf).present_m == pytest.approx(20.0)
    flat = State(depth_m=2.0, pitch_pct=-10.0, ground=((0.0, 0.0), (10.0, -2.0)))
    assert exit_at(flat, radius_m=math.inf).present_m is None
    assert exit_at(flat, radius_m=math.inf).words == "never comes out at this pitch; nor steered hardest up"
    rises = State(depth_m=2.0, pitch_pct=10.0, ground=((0.0, 0.0), (30.0, 6.0)))
    assert exit_at(rises, radius_m=math.inf).present_m == pytest.approx(80.0)


def test_no_distance():
    state = State(depth_m=2.0, pitch_pct=-30.0)
    assert reach(state, 0.0, 30.0) == (-2.0, -2.0)
    there = can_make(state, at_m=0.0, least_z=-2.5, most_z=-1.5, radius_m=30.0, rod_m=3.0)
    assert there.possible
    assert (there.pitch_pct_per_rod, there.rods, there.miss_m) == (0.0, 0.0, 0.0)
    past = can_make(state, at_m=0.0, least_z=-1.5, most_z=-1.0, radius_m=30.0, rod_m=3.0)
    assert not past.possible
    assert past.miss_m == pytest.approx(0.5)
    assert exit_at(State(depth_m=0.0, pitch_pct=5.0), radius_m=30.0).present_m == 0.0


def test_rods_that_do_not_bend():
    state = State(depth_m=2.0, pitch_pct=-20.0)
    assert reach(state, 10.0, math.inf) == (pytest.approx(-4.0), pytest.approx(-4.0))
    assert reach(state, 10.0, 1e12)[0] == pytest.approx(-4.0, abs=1e-9)
    on = can_make(state, at_m=10.0, least_z=-4.5, most_z=-3.5, radius_m=math.inf, rod_m=3.0)
    assert on.words == "can still make it straight on"
    off = can_make(state, at_m=10.0, least_z=-3.5, most_z=-3.0, radius_m=math.inf, rod_m=3.0)
    assert off.miss_m == pytest.approx(0.5)
    up = exit_at(State(depth_m=2.0, pitch_pct=20.0), radius_m=math.inf)
    assert up.present_m == up.hardest_m == pytest.approx(10.0)


def test_straight_up():
    """A bend of 5 m from level stands upright 5 m ahead: beyond it there is no bound without a largest pitch."""
    state = State(depth_m=9.0, pitch_pct=0.0)
    assert reach(state, 4.999, 5.0)[0] < -4
    assert reach(state, 5.1, 5.0) == (math.inf, -math.inf)
    up = exit_at(state, radius_m=5.0)
    assert up.hardest_m == pytest.approx(5.0)
    assert math.isinf(up.hardest_pct)
    assert "straight up" in up.words
    assert reach(state, 50.0, 5.0, most_pitch_pct=100.0)[0] == pytest.approx(
        -9 + 5 * (1 - math.sqrt(0.5)) + 50 - 5 * math.sqrt(0.5)
    )


def test_a_largest_pitch_of_nothing_levels_the_head():
    state = State(depth_m=1.0, pitch_pct=-20.0)
    x1 = 30.0 * math.sin(math.atan(0.2))
    assert reach(state, x1 + 20, 30.0, most_pitch_pct=0.0)[0] == pytest.approx(-1 - 30 * (1 - math.cos(math.atan(0.2))))
    assert reach(state, 20.0, 30.0, most_pitch_pct=10.0)[1] == pytest.approx(-1 - 4.0)  # steeper than allowed already


def test_words():
    state = State(depth_m=2.0, pitch_pct=-10.0)
    what = {"at_m": 6.0, "least_z": -1.4, "most_z": -1.0, "radius_m": 30.0, "rod_m": 3.0}
    miss = can_make(state, **what)
    assert miss.words == f"cannot: {miss.miss_m:.2f} m too low, stop and call"
    assert can_make(state, **what, units="us").words == f"cannot: {miss.miss_m / 0.3048:.1f} ft too low, stop and call"
    deep = can_make(state, **{**what, "least_z": -9.0, "most_z": -8.0})
    assert "too high, stop and call" in deep.words
    level = can_make(State(depth_m=2.0, pitch_pct=0.0), at_m=12.0, least_z=-3.2, most_z=-2.8, radius_m=30.0, rod_m=3.0)
    assert re.fullmatch(r"can still make it with -\d\.\d % per rod", level.words)
    assert exit_at(State(depth_m=2.0, pitch_pct=20.0), radius_m=30.0, units="us").words.startswith(
        "comes out 32.8 ft ahead at +20 %"
    )


def test_straight_on_wherever_that_passes_and_the_least_steering_where_not():
    """A window 0.8 m high with its middle 0.3 m from the straight path, above it, below it, and then beyond its edge."""
    state, what = State(depth_m=2.0, pitch_pct=-30.0), {"at_m": 9.0, "radius_m": 30.0, "rod_m": 3.0}
    for middle in (-4.4, -4.7, -5.0):
        got = can_make(state, **what, least_z=middle - 0.4, most_z=middle + 0.4)
        assert (got.pitch_pct_per_rod, got.words) == (0.0, "can still make it straight on")
    for middle, side in ((-4.0, 1), (-5.4, -1)):
        got = can_make(state, **what, least_z=middle - 0.4, most_z=middle + 0.4)
        k = math.atan(got.pitch_pct_per_rod / 100) / 3.0
        assert rise(-30.0, k, None, 9.0) - 2.0 == pytest.approx(middle - side * 0.2, abs=1e-3)
        assert math.copysign(1, got.pitch_pct_per_rod) == side
    dips = State(depth_m=2.0, pitch_pct=0.0, ground=((0.0, 0.0), (4.5, -2.4), (9.0, 0.0)))
    assert not can_make(dips, **what, least_z=-2.5, most_z=-1.5).possible  # straight on comes out of the ground


def test_a_dip_on_the_way_is_told():
    ground = ((0.0, 0.0), (6.0, -2.5), (12.0, 0.0))
    got = can_make(
        State(depth_m=1.5, pitch_pct=0.0, ground=ground), at_m=12.0, least_z=-1.7, most_z=-1.3, radius_m=30.0, rod_m=3.0
    )
    assert not got.possible
    assert got.miss_m == pytest.approx(1.0)
    assert got.words == "cannot: comes out of the ground 6.00 m ahead, stop and call"


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("bend radius", {"radius_m": 0.0}),
        ("bend radius", {"radius_m": math.nan}),
        ("rod", {"rod_m": 0.0}),
        ("window", {"at_m": -1.0}),
        ("window", {"least_z": 0.0}),
        ("window", {"most_z": math.nan}),
        ("largest pitch", {"most_pitch_pct": -1.0}),
    ],
)
def test_figures_out_of_range_are_refused(name, more):
    what = {"at_m": 6.0, "least_z": -3.0, "most_z": -2.0, "radius_m": 30.0, "rod_m": 3.0, **more}
    with pytest.raises(RangeError, match=name):
        can_make(State(depth_m=2.0, pitch_pct=0.0), **what)


def test_states_out_of_range_are_refused():
    with pytest.raises(RangeError, match="head"):
        State(depth_m=math.nan, pitch_pct=0.0)
    with pytest.raises(RangeError, match="do not grow"):
        State(depth_m=1.0, pitch_pct=0.0, ground=((1.0, 0.0), (1.0, 2.0)))


def test_only_plain_arithmetic():
    """A page has the same functions: no numpy in the module."""
    names = {n.id for n in ast.walk(ast.parse(inspect.getsource(ahead))) if isinstance(n, ast.Name)}
    assert "np" not in names
    assert "math" in names
