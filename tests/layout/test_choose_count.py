"""A number of bores that is asked for: brute force, bounds that never lie, certificates, what it may cost, and what is refused."""

from __future__ import annotations

import copy
import functools
import itertools
from dataclasses import replace

import numpy as np
import pytest
from choice_lots import lot

from loopgis.core.errors import NoLayoutError, RangeError
from loopgis.layout import selection
from loopgis.layout.choice_bound import Node, about_length, lifted, relax
from loopgis.layout.choice_check import recheck
from loopgis.layout.choice_problem import problem_of
from loopgis.layout.choice_search import search
from loopgis.layout.selection import choose

SHORT_LOT = "F7"
field = functools.cache(lot)


def instance(seed: int):
    """Up to 12 candidates, limits that are positive semidefinite, some forced, a count of every kind, four kinds of cost."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 13))
    length = rng.uniform(20, 80, n)
    cost = [length, length * rng.uniform(0.8, 1.5, n), length + 15, rng.uniform(10, 100, n)][seed % 4]
    limits_ = []
    for _ in range(int(rng.integers(0, 3))):
        b = rng.normal(size=(n, n))
        m = b @ b.T / n * 40 + np.diag(length * rng.uniform(2, 5, n))
        some = rng.choice(n, size=min(n, 4), replace=False)
        limits_.append((m, float(m[np.ix_(some, some)].sum() / length[some].sum() ** 2 * rng.uniform(0.7, 1.4))))
    apart = np.triu(rng.random((n, n)) < rng.choice([0.1, 0.2, 0.35]), 1)
    forced = [int(rng.integers(n))] if seed % 3 == 0 else []
    low = int(rng.integers(1, min(n, 7)))
    high = low + int(rng.integers(0, 3))
    count = [low, (low, high), (1, high), (low, n)][int(rng.integers(4))]
    return cost, length, limits_, apart | apart.T, forced, count


def brute(cost, length, limits_, apart, forced, count):
    """Least cost of all sets of the numbers asked for, one after another; infinity when none holds."""
    low, high = (1, len(cost)) if count is None else (count, count) if isinstance(count, int) else count
    best = np.inf
    for size in range(low, min(high, len(cost)) + 1):
        for z in map(list, itertools.combinations(range(len(cost)), size)):
            if cost[z].sum() < best and set(forced) <= set(z) and not apart[np.ix_(z, z)].any():
                t = length[z].sum()
                if all(m[np.ix_(z, z)].sum() <= c * t * t * (1 + 1e-9) for m, c in limits_):
                    best = cost[z].sum()
    return best


def walk(step):
    yield step
    for child in step.children:
        yield from walk(child)


@pytest.mark.parametrize("block", range(7))
def test_equals_brute_force_and_the_bound_never_lies(block):
    """140 random instances, with the sets counted out at the start, and through search and tree."""
    for seed in range(20 * block, 20 * block + 20):
        cost, length, limits_, apart, forced, count = instance(seed)
        truth = brute(cost, length, limits_, apart, forced, count)
        for count_out in (15, 0):
            given = {"conflicts": apart, "forced": forced, "count": count, "count_out": count_out}
            if truth == np.inf:
                with pytest.raises(NoLayoutError, match=r"proven|forced"):
                    choose(cost, length, limits_, seconds=0.4, **given)
                continue
            found = choose(cost, length, limits_, seconds=0.4, **given)
            assert found.cost == pytest.approx(truth, rel=1e-9), seed
            assert found.bound <= truth * (1 + 1e-9), seed
            assert found.problem.holds(found.chosen), seed
            if found.proven is not None:
                assert found.bound * (1 - 1e-5) <= recheck(found) <= truth * (1 + 1e-9), seed


def test_the_tree_alone_is_right(monkeypatch):
    """Small remains are not counted out either, so that relaxation, parts and fixing carry the proof."""
    monkeypatch.setattr(selection, "COUNTED_OUT", 6)
    monkeypatch.setattr(selection, "_few", lambda _p, _found: None)
    kinds = set()
    for seed in range(300, 307):
        cost, length, limits_, apart, forced, count = instance(seed)
        truth = brute(cost, length, limits_, apart, forced, count)
        if truth == np.inf:
            continue
        found = choose(cost, length, limits_, conflicts=apart, forced=forced, count=count, effort=3, count_out=0)
        assert found.cost == pytest.approx(truth, rel=1e-9), seed
        assert found.bound <= truth * (1 + 1e-9), seed
        assert found.bound * (1 - 1e-5) <= recheck(found) <= truth * (1 + 1e-9), seed
        kinds |= {step.kind for step in walk(found.proven)}
    assert {"part", "count"} <= kinds


@pytest.mark.parametrize("goal", ["cost", "shortest", "longest"])
def test_every_relaxation_bounds_what_it_is_about(goal):
    """The bound of one node against all its sets: cost, least length, greatest length of sets no dearer than a given cost."""
    tight = 0
    for seed in range(400, 420):
        cost, length, limits_, apart, forced, count = instance(seed)
        p = problem_of(cost, length, limits_, conflicts=apart, forced=forced)
        number = (count, count) if isinstance(count, int) else count
        node = Node(p.forced, (), selection.least_length_m(p), float(p.length.sum()), number)
        sets = [
            list(z)
            for k in range(number[0], min(number[1], p.size) + 1)
            for z in itertools.combinations(range(p.size), k)
            if p.holds(z)
        ]
        r = lifted(p, node)
        if not sets or r is None or not len(r.free):
            continue
        costs, lengths = (np.array([v[z].sum() for z in sets]) for v in (p.cost, p.length))
        dearest = float(np.quantile(costs, 0.5))
        if goal == "cost":
            truth, about = costs.min(), r
        else:
            sign = 1.0 if goal == "shortest" else -1.0
            truth, about = (sign * lengths[costs <= dearest]).min(), about_length(p, r, sign, dearest)
        proof, _, _ = relax(about, steps=100, until_s=np.inf, enough=np.inf, scale=float(p.cost.sum()))
        assert proof.bound <= truth + 1e-9 * abs(truth), seed
        tight += proof.bound >= truth - 0.15 * abs(truth)
    assert tight >= 5


def test_taking_the_count_away_never_makes_the_answer_costlier():
    for seed in range(500, 540):
        cost, length, limits_, apart, forced, count = instance(seed)
        given = {"conflicts": apart, "forced": forced}
        try:
            counted = choose(cost, length, limits_, count=count, **given)
        except NoLayoutError:
            continue
        assert choose(cost, length, limits_, **given).cost <= counted.cost * (1 + 1e-12), seed
    cost, length, limits_, apart = field(SHORT_LOT)
    free = choose(cost, length, limits_, conflicts=apart, effort=1)
    for count in (6, len(free.chosen), (8, 12)):
        counted = choose(cost, length, limits_, conflicts=apart, effort=1, count=count)
        assert free.bound <= counted.cost
        without = choose(cost, length, limits_, conflicts=apart, effort=1, known=counted.chosen)
        assert without.cost <= counted.cost


def test_a_count_that_says_nothing_changes_nothing():
    cost, length, limits_, apart = field(SHORT_LOT)
    free = choose(cost, length, limits_, conflicts=apart, effort=1)
    for count in ((0, len(cost)), (1, 500)):
        same = choose(cost, length, limits_, conflicts=apart, effort=1, count=count)
        assert (same.chosen, same.cost, same.bound) == (free.chosen, free.cost, free.bound)


@pytest.mark.parametrize(("count", "most_gap"), [(6, 0.03), (9, 0.03), ((8, 46), 0.03)])
def test_counts_on_a_field_of_house_size_are_kept_and_proven(count, most_gap):
    """The free answer has seven bores; the search finds other numbers, and the bound follows."""
    cost, length, limits_, apart = field(SHORT_LOT)
    found = choose(cost, length, limits_, conflicts=apart, effort=1, count=count)
    low, high = (count, count) if isinstance(count, int) else count
    assert low <= len(found.chosen) <= high
    assert found.problem.holds(found.chosen)
    assert found.gap <= most_gap
    assert found.bound * (1 - 1e-5) <= recheck(found) <= found.cost


def test_the_search_keeps_the_count_and_the_forced_ones():
    cost, length, limits_, apart = field("F10")
    must = (5,)
    for count in (10, 11, 13):
        p = problem_of(cost, length, limits_, conflicts=apart, forced=must, count=count)
        found = search(p, seconds=np.inf, starts=2)
        assert len(found) == count
        assert set(must) <= set(found)


@functools.cache
def proof_of(kind):
    """A choice with its certificate, made once: by bore and metre, with a count and without, or a price of each bore."""
    cost, length, limits_, apart = field(SHORT_LOT)
    if kind == "counted":
        return choose(cost + 15, length, limits_, conflicts=apart, effort=2, count=(6, 8))
    if kind == "a fixed part":
        return choose(cost + 15, length, limits_, conflicts=apart, effort=1)
    dear = length * (1 + 0.5 * np.random.default_rng(5).random(len(cost)))
    return choose(dear, length, limits_, conflicts=apart, effort=2)


def counted(kind="counted"):
    """One of one's own to tamper with."""
    return copy.deepcopy(proof_of(kind))


def test_a_tampered_count_is_caught():
    """Wherever it stands: in the choice, in the problem, at the root, in any child, in what a parting leaves out."""
    found = counted()
    assert recheck(found) > 0
    assert recheck(replace(found, chosen=found.chosen[:-1])) == -np.inf
    for count in ((len(found.chosen) + 1, 9), (1, len(found.chosen) - 1)):
        assert recheck(replace(found, problem=replace(found.problem, count=count))) == -np.inf
    assert recheck(replace(found, problem=replace(found.problem, count=None))) == -np.inf
    steps = list(walk(found.proven))
    narrowed = 0
    for step in [steps[0], *(s for s in steps[1:] if s.node.count[0] < s.node.count[1])][:4]:
        before = step.node
        low, high = before.count
        for count in ((low + 1, high), (low, high - 1)):
            step.node = replace(before, count=count)
            assert recheck(found) == -np.inf
            narrowed += 1
        step.node = before
    assert narrowed >= 4
    assert recheck(found) > 0


def test_a_number_left_out_by_a_parting_is_caught():
    found = counted()
    step = next(s for s in walk(found.proven) if s.kind == "part")
    first, second = step.children
    low, high = second.node.count
    step.children = (first, first)
    assert recheck(found) == -np.inf
    step.children = (second, second)
    assert recheck(found) == -np.inf
    step.children = (first, second)
    assert recheck(found) > 0
    second.node = replace(second.node, count=(low + 1, max(high, low + 1)))
    assert recheck(found) == -np.inf


def test_a_false_price_of_the_count_proves_less():
    """The multiplier of the count belongs to S: without it, or below nought, little or nothing is proven."""
    found = counted()
    true = recheck(found)
    steps = [s for s in walk(found.proven) if s.proof.multipliers is not None]
    for factor in (0.0, -1.0):
        for step in steps:
            mu = step.proof.multipliers.copy()
            mu[len(found.problem.matrices)] = factor * max(mu[len(found.problem.matrices)], 1.0)
            step.proof = replace(step.proof, multipliers=mu, bound=1e9)
        assert recheck(found) < true
    found = counted()
    for step in walk(found.proven):
        if step.proof.multipliers is not None:
            step.proof = replace(step.proof, multipliers=step.proof.multipliers[:-1])
    assert recheck(found) < true


def test_a_range_narrowed_without_proof_is_caught():
    """Where the cost says little about the length, both ends of its range are proven; a narrower one is seen through."""
    for goal, change in (("shortest", {"low_m": 1.02}), ("longest", {"high_m": 0.97})):
        found = counted("a price of each bore")
        assert recheck(found) == pytest.approx(found.bound, rel=1e-5)
        step = next(s for s in walk(found.proven) if s.proof.goal == goal)
        child = step.children[0]
        child.node = replace(child.node, **{k: getattr(child.node, k) * v for k, v in change.items()})
        assert recheck(found) == -np.inf


@pytest.mark.parametrize("kind", ["a fixed part", "a price of each bore"])
def test_costs_that_are_not_the_length_are_proven_as_well(kind):
    """What a length alone reaches, costs with a fixed part or a price of each bore reach nearly too."""
    _, length, limits_, apart = field(SHORT_LOT)
    found = proof_of(kind)
    assert found.gap <= 0.025
    assert found.bound * (1 - 1e-5) <= recheck(found) <= found.cost
    dear = found.problem.cost
    quick = choose(dear, length, limits_, conflicts=apart, effort=0)
    assert quick.bound <= found.cost
    assert quick.bound >= selection.least_length_m(found.problem) * float((dear / length).min())
    if quick.proven is not None:
        assert recheck(quick) == pytest.approx(quick.bound, rel=1e-5)


@pytest.mark.parametrize(
    ("count", "words"),
    [
        ((3, 2), "at least 3 and at most 2"),
        ((-1, 2), "-1 to 2"),
        (0, "asks for 0"),
        ((0, 0), "asks for 0"),
        ((1, 2, 3), "(1, 2, 3)"),
        (2.5, "2.5"),
        ((1, 2.0), "(1, 2.0)"),
        ("two", "two"),
        (True, "True"),
    ],
)
def test_counts_that_are_none_are_refused(count, words):
    with pytest.raises(RangeError) as refused:
        choose([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], conflicts=[], count=count)
    assert str(refused.value).startswith("count: ")
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("count_out", [15, 0])
@pytest.mark.parametrize(
    ("count", "forced", "words"),
    [
        (4, [], "asks for 4 candidates, and there are 3"),
        ((1, 1), [0, 2], "allows 1, and 2 candidates are forced"),
        (3, [], "no set of 3 of the candidates"),
        ((2, 3), [1], "no set of 2 to 3 of the candidates"),
    ],
)
def test_counts_that_nothing_can_keep_give_no_layout(count, forced, words, count_out):
    with pytest.raises(NoLayoutError, match=words):
        choose(
            [1.0, 2.0, 3.0],
            [1.0, 2.0, 3.0],
            conflicts=[(0, 1), (1, 2)],
            count=count,
            forced=forced,
            count_out=count_out,
            seconds=1,
        )


def test_a_number_too_small_for_the_heat_is_proven_impossible():
    """Three bores of this field cannot carry its heat, and the message names the number."""
    cost, length, limits_, apart = field(SHORT_LOT)
    with pytest.raises(NoLayoutError, match="proven that no set of 4 of the candidates holds"):
        choose(cost, length, limits_, conflicts=apart, count=4, effort=1)
