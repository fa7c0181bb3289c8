"""The choice against others on the same candidates: never longer than greedy, than regular fields, than an evolution."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from choice_lots import lot

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))
import compare_choice as compare

from loopgis.layout.choice_problem import problem_of
from loopgis.layout.selection import choose


@cache
def problem(name):
    cost, length, limits, apart = lot(name)
    return problem_of(cost, length, limits, conflicts=apart)


def chosen(p, seconds):
    limits = list(zip(p.matrices, p.bounds, strict=True))
    return choose(p.cost, p.length, limits, conflicts=p.conflict, seconds=seconds)


@pytest.mark.parametrize("name", ["F2", "F7", pytest.param("P10", marks=pytest.mark.slow)])
def test_no_longer_than_greedy_and_regular_fields(name):
    p = problem(name)
    found = chosen(p, 3)
    plain = compare.greedy(p)
    field = compare.best_regular(compare.places_of_paths(name), p, most_m=2 * found.cost)
    assert plain is not None
    assert field is not None
    for other in (plain, field.members):
        assert p.holds(other)
        assert found.bound * (1 - 1e-9) <= found.cost <= float(p.cost[list(other)].sum()) * (1 + 1e-9)
    assert field.length_m == pytest.approx(float(p.length[list(field.members)].sum()))


def test_the_regular_field_is_regular():
    """Bores of the best regular fan stand on every k-th bearing, and their tiers come in turn."""
    p, q = problem("F7"), compare.places_of_paths("F7")
    members = sorted(compare.best_regular(q, p, most_m=700.0).members, key=lambda i: q.place[i])
    assert len(members) > 3
    assert len(set(np.diff(q.place[members]))) == 1
    assert len(set(q.tier_m[members[::2]])) == len(set(q.tier_m[members[1::2]])) == 1


def test_regular_search_finds_the_best_of_a_case_that_can_be_counted_out():
    """Eight lanes, one length: the least number of evenly spaced bores that hold, by hand from all starts and steps."""
    rng = np.random.default_rng(4)
    n, apart = 8, np.zeros((8, 8), dtype=bool)
    length = np.full(n, 50.0)
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    m = 400.0 * np.exp(-gap / 1.5) + np.diag(rng.uniform(900, 1000, n))
    q = compare.Places(
        pattern="lanes",
        place=np.arange(n, dtype=float),
        way=np.zeros(n, dtype=int),
        tier_m=np.full(n, 5.0),
        length_m=length,
    )
    sets = [list(range(a, n, s))[:k] for s in range(1, n + 1) for a in range(n) for k in range(1, n + 1)]
    for c in (0.12, 0.16, 0.22, 0.3):
        p = problem_of(length, length, [(m, c)], conflicts=apart)
        by_hand = min((length[z].sum() for z in sets if p.holds(z)), default=None)
        found = compare.best_regular(q, p)
        assert (None if found is None else found.length_m) == by_hand, c


def test_priorities_are_decoded_into_sets_that_hold():
    p = problem("F7")
    value, sets = compare.decoded(p, np.random.default_rng(2).random((p.size, 40)))
    good = [p.holds([int(i) for i in np.flatnonzero(z)]) for z in sets]
    assert any(good)
    for v, z, holds in zip(value, sets, good, strict=True):
        members = [int(i) for i in np.flatnonzero(z)]
        assert not p.conflict[np.ix_(members, members)].any()
        assert holds == (v <= p.cost.sum())
        if holds:
            assert v == pytest.approx(p.cost[members].sum())
            assert p.holds(compare.trimmed(p, members))


def test_greedy_says_when_it_is_stuck():
    length, m = np.array([10.0, 10.0]), np.diag([100.0, 100.0])
    p = problem_of(length, length, [(m, 0.6)], conflicts=[(0, 1)])
    assert compare.greedy(p) is None
    assert compare.greedy(problem_of(length, length, [(m, 0.6)], conflicts=[])) == [0, 1]


def test_evolution_with_ten_times_the_time_does_not_beat_it():
    p = problem("F2")
    found = chosen(p, 1)
    value, members = compare.evolved(p, 2.0)
    assert p.holds(members)
    assert found.cost <= value * (1 + 1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "worse"), [("F7", 0.0), ("F10", 0.01), ("P10", 0.02), ("P30", 0.0)])
def test_evolution_with_ten_times_the_time_on_larger_fields(name, worse):
    """On P10 the search of `choose` needs some 1.7 s of the processor for its best set, more than a loaded machine gives it."""
    row = compare.compared(name, 5.0)
    assert row.sound
    assert row.evolved is not None
    assert row.choice.cost <= row.evolved * (1 + worse + 1e-9)
    assert row.choice.cost <= min(v for v in (row.greedy, row.regular) if v is not None) * (1 + 1e-9)
