"""The proven choice: brute force, bounds that never lie, certificates that are checked, and what is refused."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from choice_lots import conflicts, fan, limits, lot

import loopgis
from loopgis.core.errors import NoLayoutError, RangeError
from loopgis.layout.choice_bound import Node
from loopgis.layout.choice_check import recheck
from loopgis.layout.choice_problem import problem_of
from loopgis.layout.choice_search import search
from loopgis.layout.selection import Step, choose, least_length_m


def instance(seed: int):
    """Up to 14 candidates, none to two limits, some forced; costs equal to lengths or not, entries of any sign."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 15))
    length = rng.uniform(20, 80, n)
    cost = length if seed % 2 else length * rng.uniform(0.8, 1.3, n)
    limits_ = []
    for _ in range(int(rng.integers(0, 3))):
        b = rng.normal(size=(n, n))
        m = b @ b.T / n * 40 + np.diag(length * rng.uniform(2, 5, n)) + (abs(b + b.T) if seed % 3 == 0 else 0)
        some = rng.choice(n, size=min(n, 4), replace=False)
        limits_.append((m, float(m[np.ix_(some, some)].sum() / length[some].sum() ** 2 * rng.uniform(0.7, 1.4))))
    apart = np.triu(rng.random((n, n)) < 0.2, 1)
    forced = [int(rng.integers(n))] if seed % 4 == 0 else []
    return cost, length, limits_, apart | apart.T, forced


def brute(cost, length, limits_, apart, forced):
    """Least cost of all sets, one after another; infinity when none holds."""
    best = np.inf
    for size in range(1, len(cost) + 1):
        for z in map(list, itertools.combinations(range(len(cost)), size)):
            if cost[z].sum() < best and set(forced) <= set(z) and not apart[np.ix_(z, z)].any():
                t = length[z].sum()
                if all(m[np.ix_(z, z)].sum() <= c * t * t * (1 + 1e-9) for m, c in limits_):
                    best = cost[z].sum()
    return best


@pytest.mark.parametrize("block", [*range(5), *(pytest.param(n, marks=pytest.mark.slow) for n in range(5, 10))])
def test_equals_brute_force_and_the_bound_never_lies(block):
    """200 random instances, through the whole tree (nothing counted out at the start)."""
    for seed in range(20 * block, 20 * block + 20):
        cost, length, limits_, apart, forced = instance(seed)
        truth = brute(cost, length, limits_, apart, forced)
        try:
            found = choose(cost, length, limits_, conflicts=apart, forced=forced, seconds=1.0, count_out=0)
        except NoLayoutError:
            assert truth == np.inf, seed
            continue
        assert found.cost == pytest.approx(truth, rel=1e-9), seed
        assert found.bound <= truth * (1 + 1e-9), seed
        if found.proven is not None:
            assert found.bound * (1 - 1e-5) <= recheck(found) <= truth * (1 + 1e-9), seed


def test_few_candidates_are_counted_out():
    for seed in range(12):
        cost, length, limits_, apart, forced = instance(seed)
        truth = brute(cost, length, limits_, apart, forced)
        if truth < np.inf:
            found = loopgis.layout.choose(cost, length, limits_, conflicts=apart, forced=forced)
            assert (found.cost, found.bound) == pytest.approx((truth, truth))
            assert found.exact


@pytest.mark.parametrize(
    ("name", "seconds", "gap"), [("F2", 4, 0.0), ("F7", 5, 0.03), ("F10", 5, 0.03), ("P10", 8, 0.06)]
)
def test_proven_gap_on_fields_of_house_size(name, seconds, gap):
    """Promised 5 %; here what a loaded machine reaches in short time, far from the 60 s of the issue."""
    cost, length, limits_, apart = lot(name)
    found = choose(cost, length, limits_, conflicts=apart, seconds=seconds)
    assert found.gap <= gap
    assert found.problem.holds(found.chosen)
    if found.proven is not None:
        assert found.bound * (1 - 1e-5) <= recheck(found) <= found.cost


def test_taking_a_limit_away_never_makes_the_answer_longer():
    for name in ("F2", "F7"):
        cost, length, both, apart = lot(name)
        two = choose(cost, length, both, conflicts=apart, seconds=2.5)
        for one in ([both[0]], [both[1]], []):
            fewer = choose(cost, length, one, conflicts=apart, seconds=1.5, known=two.chosen)
            assert fewer.cost <= two.cost * (1 + 1e-9)
            assert fewer.bound <= two.cost * (1 + 1e-9)


def test_the_empty_set_is_never_an_answer():
    rng = np.random.default_rng(3)
    length = rng.uniform(10, 90, 40)
    found = choose(length, length, [], conflicts=np.zeros((40, 40), dtype=bool), seconds=2)
    assert found.chosen == (int(np.argmin(length)),)
    assert found.cost == pytest.approx(length.min())


def test_forced_bores_are_in():
    cost, length, limits_, apart = lot("F7")
    must = [5, int(np.flatnonzero(~apart[5])[-1])]
    free = choose(cost, length, limits_, conflicts=apart, seconds=3)
    found = choose(cost, length, limits_, conflicts=apart, forced=must, seconds=3)
    assert set(must) <= set(found.chosen)
    assert found.cost >= free.bound * (1 - 1e-9)
    assert recheck(found) <= found.cost


def test_the_least_length_is_proven_without_search():
    """Every lower end rests on a proof: the first one is below every answer, with and without negative entries."""
    for seed in range(60):
        cost, length, limits_, apart, forced = instance(seed)
        truth = brute(length, length, limits_, apart, forced)
        if truth < np.inf:
            low = least_length_m(problem_of(cost, length, limits_, conflicts=apart, forced=forced))
            assert low <= truth * (1 + 1e-9), seed


def proven():
    cost, length, limits_, apart = lot("F7")
    return choose(cost, length, limits_, conflicts=apart, seconds=2.5)


def walk(step: Step):
    yield step
    for child in step.children:
        yield from walk(child)


def test_a_range_that_starts_unproven_is_caught():
    """Raising any lower end beyond what was proven makes the certificate worthless, wherever it stands."""
    for kind in ("root", "child"):
        found = proven()
        steps = list(walk(found.proven))
        step = steps[0] if kind == "root" else next(s for s in steps[1:] if s.proof.slack is not None)
        node = step.node
        step.node = Node(node.inside, node.outside, node.low_m * 1.05, node.high_m)
        assert recheck(found) == -np.inf


def test_a_tampered_proof_proves_less():
    """A slack that is not positive semidefinite, or a bound that is only said, is seen through."""
    found = proven()
    true = recheck(found)
    for step in walk(found.proven):
        if step.proof.slack is not None:
            step.proof = replace(step.proof, slack=-step.proof.slack, bound=1e9)
    assert recheck(found) < true


def test_a_branch_left_out_is_caught():
    found = proven()
    step = next(s for s in walk(found.proven) if s.kind in {"cut", "fix"})
    step.children = (step.children[0], step.children[0])
    assert recheck(found) == -np.inf


def test_no_answer_is_said_with_its_proof():
    paths = fan(30, 55, (4.5,), 14.0)
    length, limits_ = limits(paths, 9000.0)
    with pytest.raises(NoLayoutError, match="proven"):
        choose(length, length, limits_, conflicts=conflicts(paths), seconds=5)
    with pytest.raises(NoLayoutError, match="exclude each other"):
        choose([1.0, 2.0], [1.0, 2.0], [], conflicts=[(0, 1)], forced=[0, 1])


def test_the_search_alone_is_near_the_best_known():
    """A second of search on a field of ten bores: within a per cent of what longer search and proof found."""
    cost, length, limits_, apart = lot("P10")
    p = problem_of(cost, length, limits_, conflicts=apart)
    found = search(p, seconds=2.0)
    assert p.holds(found)
    assert cost[found].sum() <= 747.2 * 1.01


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cost": []}, "cost"),
        ({"cost": [1.0, -1.0]}, "cost holds"),
        ({"cost": [1.0, 0.0]}, "cost holds"),
        ({"length_m": [1.0]}, "length_m has"),
        ({"length_m": [1.0, np.nan]}, "length_m holds"),
        ({"limits": [(np.eye(3), 1.0)]}, "limits"),
        ({"limits": [([[1.0, 2.0], [0.0, 1.0]], 1.0)]}, "symmetric"),
        ({"limits": [(np.eye(2), -1.0)]}, "bound -1.0"),
        ({"conflicts": [(0, 5)]}, "conflicts"),
        ({"conflicts": np.zeros((3, 3), dtype=bool)}, "conflicts"),
        ({"forced": [7]}, "forced"),
    ],
)
def test_arguments_that_do_not_fit_are_refused_by_name(change, words):
    values = {"cost": [1.0, 2.0], "length_m": [1.0, 2.0], "limits": [], "conflicts": []}
    values.update(change)
    with pytest.raises(RangeError) as refused:
        choose(
            values["cost"],
            values["length_m"],
            values["limits"],
            conflicts=values["conflicts"],
            forced=values.get("forced", ()),
        )
    assert words in str(refused.value).replace(": ", " ")
