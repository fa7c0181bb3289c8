"""Error of the head's place: the formula by hand on made-up bores, a walk of many heads, and what must not matter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.bore.locate import PROJECTED_DEPTH_M, head_error
from loopgis.core.errors import RangeError

ROD, RADIUS = 3.0, 30.0
RIG = {"rod_length_m": ROD, "bend_radius_m": RADIUS, "locator_range_m": 9.0}


def level(length=60.0, step=0.5, depth=3.0, pitch=0.0, blind=(math.inf, math.inf), **more):
    """A level bore, blind between two stations."""
    s = np.arange(0.0, length + step / 2, step)
    hidden = (s >= blind[0]) & (s <= blind[1])
    return s, head_error(station_m=s, depth_m=0 * s + depth, pitch_pct=0 * s + pitch, blind=hidden, **{**RIG, **more})


def by_hand(fix, s, radius=RADIUS):
    """facts/hdd section 6: heading 1 degree, curvature 1 / (5 R), pitch 1 %."""
    sideways = math.sqrt(fix**2 + (s * math.pi / 180) ** 2 + (s * s / (2 * 5 * radius)) ** 2)
    return sideways, math.hypot(fix, 0.01 * s)


def at(s, station, figures):
    """Figure at a station."""
    return float(figures[np.argmin(np.abs(s - station))])


def test_blind_stretch_grows_as_the_formula_and_ends_with_the_next_rod():
    s, e = level(blind=(20.5, 40.5))  # rod ends at 18 and 42 are seen, 21..39 are not
    fix = 0.05 * 3.0 / 2
    for d in (0.5, 3.0, 10.0, 20.0, 23.5):
        sideways, height = by_hand(fix, d)
        assert at(s, 18 + d, e.lateral_m) == pytest.approx(sideways, rel=1e-12)
        assert at(s, 18 + d, e.vertical_m) == pytest.approx(height, rel=1e-12)
        assert at(s, 18 + d, e.since_fix_m) == pytest.approx(d)
    assert at(s, 40.0, e.lateral_m) > 1.6  # 22 m: 0.38 m by heading, 1.61 m by a curve of 150 m
    assert at(s, 42.0, e.lateral_m) == pytest.approx(fix)
    assert at(s, 42.0, e.vertical_m) == pytest.approx(fix)
    inside = (s >= 20.5) & (s <= 40.5)
    assert np.array_equal(e.blind, inside)
    run = (s >= 18) & (s < 42)
    assert np.all(np.diff(e.lateral_m[run]) > 0)
    open_, whole = level()[1], np.ones(len(s), dtype=bool)
    assert np.array_equal(e.lateral_m[~run], open_.lateral_m[~run])
    assert np.all(open_.lateral_m[whole] <= by_hand(fix, ROD)[0])


def test_a_rod_end_is_lost_only_when_it_lies_inside():
    """A pond of 2 m between two rod ends takes no fix away; one of 20 cm over a rod end takes that one, however stations lie."""
    s, narrow = level(blind=(18.5, 20.5))
    assert np.array_equal(narrow.lateral_m, level()[1].lateral_m)
    assert narrow.blind.sum() == 5
    s, over = level(step=0.1, blind=(20.9, 21.1))
    assert at(s, 23.9, over.since_fix_m) == pytest.approx(5.9)
    assert at(s, 24.0, over.since_fix_m) == pytest.approx(0.0, abs=1e-9)
    # stations that miss the rod ends at 18 and 21: one blind neighbour is enough
    stations = np.array([0.0, 10.0, 20.7, 21.4, 30.0])
    for flags, expected in (([0, 0, 1, 0, 0], 12.4), ([0, 0, 0, 1, 0], 3.4), ([0, 1, 0, 0, 1], 0.4)):
        e = head_error(station_m=stations, depth_m=2.0, pitch_pct=0.0, blind=np.array(flags, dtype=bool), **RIG)
        assert e.since_fix_m[3] == pytest.approx(expected)


def test_the_entry_is_known():
    s, e = level(depth=0.0)
    assert (e.lateral_m[0], e.vertical_m[0]) == (0.02, 0.02)
    s, e = level(depth=4.0, blind=(0.0, 100.0))
    for d in (0.0, 5.0, 31.5, 60.0):
        assert (at(s, d, e.lateral_m), at(s, d, e.vertical_m)) == pytest.approx(by_hand(0.02, d), rel=1e-12)
    assert np.allclose(e.since_fix_m, s)
    assert e.blind.all()


def test_deeper_is_worse_and_a_projected_read_twice_so():
    depths = (0.2, 0.8, 1.5, 3.0, 4.5)
    ends = [at(*told) for told in ((s, 30.0, e.vertical_m) for s, e in (level(depth=d) for d in depths))]
    assert ends == pytest.approx([0.02, 0.02, 0.0375, 0.075, 0.1125])
    s, e = level(depth=PROJECTED_DEPTH_M)
    assert not e.projected.any()
    assert at(s, 30.0, e.lateral_m) == pytest.approx(0.05 * 4.572 / 2)
    s, e = level(depth=PROJECTED_DEPTH_M + 0.01)
    assert e.projected.all()
    assert at(s, 30.0, e.lateral_m) == pytest.approx(0.05 * 4.582)
    for pitch, factor in ((30.0, 1), (-30.0, 1), (31.0, 2), (-31.0, 2)):
        s, e = level(depth=2.0, pitch=pitch)
        assert at(s, 30.0, e.vertical_m) == pytest.approx(factor * 0.05)
        assert e.projected.all() == (factor == 2)


def test_beyond_the_range_nothing_is_seen():
    """Down to 10 m and up again with a locator for 9: the stretch below it is as blind as a pond."""
    s = np.arange(0.0, 60.5, 0.5)
    depth = np.maximum(0.0, 10.0 - np.abs(s - 30.0) / 3)
    e = head_error(station_m=s, depth_m=depth, pitch_pct=0.0, blind=False, **RIG)
    deep = np.abs(s - 30.0) < 3.0 - 1e-9
    assert np.array_equal(e.blind, deep)
    assert at(s, 29.5, e.since_fix_m) == pytest.approx(2.5)  # 27 lies at the range itself: still read
    assert at(s, 32.5, e.since_fix_m) == pytest.approx(5.5)
    assert at(s, 33.0, e.since_fix_m) == 0.0
    never = level(depth=9.5)[1]
    assert never.since_fix_m[-1] == pytest.approx(60.0)


unit = st.floats(0.0, 1.0, allow_nan=False)


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit, st.integers(1, 40))
def test_sampling_does_not_matter(a, b, c, more):
    """Stations added anywhere, depths and pitches between them by straight lines: the old stations keep their figures."""
    corner = np.array([0.0, 7.0 + a, 20.0 + b, 41.0 + c, 60.0])
    depth, pitch = np.array([0.0, 2.0 + 4 * a, 6.0, 3.0, 0.0]), np.array([-35.0, -20.0, 0.0, 10.0, 32.0])
    rng = np.random.default_rng(more)
    fine = np.unique(np.concatenate([corner, rng.uniform(0, 60, more), np.arange(0, 60, 0.5)]))
    found = [
        head_error(
            station_m=s, depth_m=np.interp(s, corner, depth), pitch_pct=np.interp(s, corner, pitch), blind=False, **RIG
        )
        for s in (corner, fine)
    ]
    same = np.searchsorted(fine, corner)
    for name in ("lateral_m", "vertical_m", "since_fix_m"):
        assert getattr(found[1], name)[same] == pytest.approx(getattr(found[0], name), rel=1e-9, abs=1e-9), name


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit)
def test_more_blindness_never_helps_after_a_plain_fix(a, b, c):
    """On a level bore all fixes are alike, here the entry too, so that a lost one can only be worse."""
    less = (60 * a, 60 * a + 10 * b)
    more = (less[0] - 10 * c, less[1] + 5 * c)
    for one, other in zip(
        *([e.lateral_m, e.vertical_m] for _, e in (level(blind=b, least_m=0.075) for b in (less, more))), strict=True
    ):
        assert np.all(other >= one - 1e-12)


def test_a_walk_of_many_heads_spreads_as_the_formula():
    """Heads that start off by the fix, a heading and a steady curve, each Gaussian, walked step by step; pitch read with a bias."""
    rng = np.random.default_rng(59)
    n, steps, ds = 100_000, 230, 0.1
    fix = 0.075
    x, z = rng.normal(0, fix, n), rng.normal(0, fix, n)
    heading, curve, pitch = (rng.normal(0, sigma, n) for sigma in (math.radians(1.0), 1 / (5 * RADIUS), 0.01))
    for _ in range(steps):
        x += heading * ds + curve * ds * ds / 2
        heading += curve * ds
        z += pitch * ds
    s, e = level(blind=(19.0, 41.9), step=0.1)
    for walked, told in ((x, e.lateral_m), (z, e.vertical_m)):
        assert walked.std() == pytest.approx(at(s, 18.0 + steps * ds, told), rel=4 / math.sqrt(2 * n))


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"station_m": [0.0, 2.0, 1.0]}, "station_m"),
        ({"station_m": [1.0, 2.0, 3.0]}, "station_m"),
        ({"depth_m": [0.0, 1.0]}, "depth_m"),
        ({"depth_m": -1.0}, "depth_m"),
        ({"pitch_pct": math.nan}, "pitch_pct"),
        ({"blind": [True, False]}, "blind"),
        ({"rod_length_m": 0.0}, "rod_length_m"),
        ({"bend_radius_m": -1.0}, "bend_radius_m"),
        ({"locator_range_m": 0.0}, "locator_range_m"),
        ({"least_m": 0.0}, "least_m"),
        ({"depth_share": -0.1}, "depth_share"),
        ({"heading_rad": math.inf}, "heading_rad"),
        ({"pitch_share": -0.1}, "pitch_share"),
        ({"curvature_share": -0.1}, "curvature_share"),
    ],
)
def test_bad_figures_are_refused_in_one_line(change, named):
    case = {"station_m": [0.0, 2.0, 4.0], "depth_m": 1.0, "pitch_pct": 0.0, "blind": False, **RIG, **change}
    with pytest.raises(RangeError, match=rf"^{named}: ") as caught:
        head_error(**case)
    assert "\n" not in str(caught.value)


def test_a_bore_shorter_than_a_rod_is_told_from_its_entry():
    e = head_error(station_m=[0.0, 2.0], depth_m=1.0, pitch_pct=0.0, blind=False, **RIG)
    assert (e.lateral_m[1], e.vertical_m[1]) == pytest.approx(by_hand(0.02, 2.0))
