"""Separation, picking, risk and score, each against something independent."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from loopgis.bore.build import build, half_stations
from loopgis.bore.plan import straight
from loopgis.bore.profile import Limits, solve
from loopgis.layout import distinct
from loopgis.layout import score as scoring
from loopgis.layout.select import pick
from loopgis.layout.separation import SeparationRule, measure_pair

RIG = Limits(
    bend_radius_m=30.48, rod_length_m=3.048, entry_pitch_pct=(15, 35), exit_pitch_pct=(10, 35), max_depth_m=9.144
)
RULE = SeparationRule(spacing_m=4.572, plan_tolerance_m=0.3048, vert_share=0.05, hole_m=0.127, rod_m=3.048)


def bore(x0, y0, x1, y1, depth=4.572):
    curve = straight(x0, y0, x1, y1)
    step, s = half_stations(curve)
    _, _, _, k = curve.at(s)
    profile = solve(
        step_m=step, ground_m=0 * s, target_depth_m=depth, required_depth_m=0 * s, plan_curvature_1_m=k, limits=RIG
    )
    return build(
        curve,
        profile,
        ground_m=0 * s,
        bore_id="B",
        pattern="fan",
        target_depth_m=depth,
        hole_diameter_m=0.127,
        shape="straight",
    )


def test_parallel_bores_are_as_far_apart_as_drawn():
    d = measure_pair(bore(0, 0, 70, 0), bore(0, 5, 70, 5), RULE)
    assert d.level_m == pytest.approx(5.0, abs=1e-3)
    assert d.shortfall_m < 0


def test_tiers_above_each_other_are_apart_in_depth():
    a, b = bore(0, 0, 90, 0, 3.0), bore(0, 1.2, 90, 1.2, 8.0)
    assert measure_pair(a, b, RULE).level_m == pytest.approx(math.hypot(5.0, 1.2), abs=0.45)


def test_bores_too_near_show_their_shortfall():
    d = measure_pair(bore(0, 0, 70, 0), bore(0, 4, 70, 4), RULE)
    assert d.shortfall_m == pytest.approx(4.572 - 4.0, abs=1e-3)


def test_fine_grid_agrees_with_the_station_grid():
    """Independent: distance of densely interpolated polylines by brute force; level runs start half a station apart at most."""
    a, b = bore(0, 0, 70, 12), bore(0, 2, 70, -9)
    fine = [
        np.column_stack([np.interp(np.arange(0, v.length_m, 0.02), v.station_m, c) for c in v.xyz.T]) for v in (a, b)
    ]
    level = [np.interp(np.arange(0, v.length_m, 0.02), v.station_m, v.level.astype(float)) > 0.5 for v in (a, b)]
    p, q = fine[0][level[0]][::5], fine[1][level[1]][::5]
    brute = np.sqrt(((p[:, None] - q[None]) ** 2).sum(axis=2)).min()
    assert measure_pair(a, b, RULE).level_m == pytest.approx(brute, abs=0.08)


@pytest.mark.parametrize("seed", range(40))
def test_pick_never_takes_a_conflict_and_is_near_the_best(seed):
    rng = np.random.default_rng(seed)
    n, most = 12, int(rng.integers(2, 6))
    value = rng.uniform(1, 10, n)
    clash = np.triu(rng.random((n, n)) < 0.4, 1)
    clash |= clash.T
    chosen = pick(value, clash, most=most)
    assert not clash[np.ix_(chosen, chosen)].any()
    assert len(chosen) <= most
    best = max(
        value[idx].sum()
        for s in range(1, 1 << n)
        if len(idx := [i for i in range(n) if s >> i & 1]) <= most and not clash[np.ix_(idx, idx)].any()
    )
    assert value[chosen].sum() >= 0.97 * best


def test_pick_stops_when_it_has_enough_and_gives_nothing_for_nothing():
    value = np.array([5.0, 4.0, 3.0, 2.0])
    assert pick(value, np.zeros((4, 4), bool), most=4, enough=8.0) == [0, 1]
    assert pick(np.array([]), np.zeros((0, 0), bool), most=3) == []
    assert pick(value, np.zeros((4, 4), bool), most=0) == []


def test_score_shows_every_term_and_they_add_up():
    e = scoring.evaluate([bore(0, 0, 70, 0)], {}, [], [], None, None)
    total, terms = scoring.score(e, {}, spacing_m=4.572, best_level_m=e.level_length_m)
    assert set(terms) == set(scoring.DEFAULT_WEIGHTS)
    assert total == pytest.approx(sum(t["points"] for t in terms.values()), abs=1e-5)
    assert sum(t["weight"] for t in terms.values()) == pytest.approx(1, abs=1e-5)
    only, terms = scoring.score(
        e, dict.fromkeys(scoring.DEFAULT_WEIGHTS, 0.0) | {"level": 1.0}, spacing_m=4.572, best_level_m=e.level_length_m
    )
    assert only == pytest.approx(100)


def test_pareto_keeps_what_nothing_beats():
    e = scoring.evaluate([bore(0, 0, 70, 0)], {}, [], [], None, None)
    better = replace(e, level_length_m=e.level_length_m + 5)
    riskier = replace(e, level_length_m=e.level_length_m + 10, crossing_risk=0.2)
    assert distinct.front([e, better, riskier]) == [False, True, True]
