"""Re-check of a proof, with its own small arithmetic: it shares the problem and the tree's data with the search, and no code.

For every leaf: S is positive semidefinite (after the shift that is taken off), the linear function that is left is bounded by
prices of a linear programme solved here, and the ranges of length and of number rest on what was proven before. For every
branching: the parts cover the whole.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.optimize import linprog

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.layout.choice_problem import Problem
    from loopgis.layout.selection import Choice, Step

    Array = NDArray[np.float64]

ROUNDING = 1e-9


class Worth(NamedTuple):
    """longest: no set cheaper than the choice is longer; most_share, least_share: bounds of cost per length of any candidate.

    cost: what the choice costs.
    """

    longest: float
    most_share: float
    least_share: float
    cost: float


def recheck(choice: Choice) -> float:
    """Bound that the certificate proves, worked out anew; minus infinity when it proves nothing or is not sound.

    A bound holds for sets that cost no more than the choice itself: longer ranges need not be looked at.
    """
    p, root = choice.problem, choice.proven
    if not p.holds(choice.chosen) or abs(float(p.cost[list(choice.chosen)].sum()) - choice.cost) > 1e-9 * choice.cost:
        return -np.inf
    if p.count is not None and not p.count[0] <= len(set(choice.chosen)) <= p.count[1]:
        return -np.inf
    if root is None or not _within(p.count, root.node.count):
        return -np.inf
    low = _first_low(p)
    share = p.cost / p.length
    if set(root.node.inside) != set(p.forced) or root.node.outside or root.node.low_m > low * (1 + ROUNDING):
        return -np.inf
    longest = min(choice.cost / float(share.min()), _first_high(p))
    w = Worth(longest, float(share.max()), float(share.min()), choice.cost)
    return min(choice.cost, _tree(p, root, low, w.longest, w))


def _first_low(p: Problem) -> float:
    """Least length of any answer, from the limits one by one, and from the number that it must have."""
    low = max(float(np.min(p.length)), sum(float(p.length[i]) for i in p.forced))
    if p.count is not None:
        more = max(p.count[0] - len(p.forced), 0)
        low = max(low, sum(float(p.length[i]) for i in p.forced) + sum(_rest(p)[:more]))
    for m, c in zip(p.matrices, p.bounds, strict=True):
        shares = []
        for i in range(p.size):
            others = [min(float(m[i, j]), 0.0) for j in range(p.size) if j != i and not p.conflict[i, j]]
            shares.append((float(m[i, i]) + sum(others)) / float(p.length[i]))
        low = max(low, min(shares) / c)
    return low


def _first_high(p: Problem) -> float:
    """Length that no answer exceeds, from the number that it may have."""
    if p.count is None:
        return float(p.length.sum())
    more = p.count[1] - len(p.forced)
    return sum(float(p.length[i]) for i in p.forced) + (sum(_rest(p)[-more:]) if more > 0 else 0.0)


def _rest(p: Problem) -> list[float]:
    """Lengths of the candidates that are not forced, shortest first."""
    return sorted(float(p.length[i]) for i in range(p.size) if i not in p.forced)


def _within(whole: tuple[int, int] | None, part: tuple[int, int] | None) -> bool:
    """Are all numbers of `whole` also in `part` (None: any number)."""
    return part is None or (whole is not None and part[0] <= whole[0] and part[1] >= whole[1])


def _tree(p: Problem, step: Step, low: float, high: float, w: Worth) -> float:
    """Bound of a step whose sets have a length proven to be at least low; longer than high is not worth having."""
    node = step.node
    if node.low_m > low * (1 + ROUNDING) or node.high_m < min(high, w.longest) * (1 - ROUNDING):
        return -np.inf
    if step.kind == "count":
        return _count(p, step)
    own = -np.inf
    if step.proof.slack is None:
        own = np.inf if _clash(p, step) else -np.inf
    elif step.proof.goal == "cost":
        own = _leaf(p, step, w)
    own = max(own, low * w.least_share * (1 - ROUNDING))
    if step.kind == "leaf":
        return own
    parts = {"tighten": _tightened, "cut": _cut, "fix": _fixed, "part": _parted}[step.kind](p, step, own, low, high, w)
    return max(own, parts) if parts > -np.inf else -np.inf


def _tightened(p: Problem, step: Step, own: float, low: float, high: float, w: Worth) -> float:
    """The same sets, none of them shorter (or longer) than the step's own bound allows."""
    (child,) = step.children
    if not _same(step):
        return -np.inf
    if step.proof.goal == "cost":
        low = max(low, own / w.most_share)
    elif step.proof.goal == "shortest":
        low = max(low, _leaf(p, step, w))
    else:
        high = min(high, -_leaf(p, step, w))
    if child.node.high_m < min(high, w.longest) * (1 - ROUNDING):
        return -np.inf
    return _tree(p, child, low, min(high, step.node.high_m), w)


def _cut(p: Problem, step: Step, _: float, low: float, high: float, w: Worth) -> float:
    """Shorter and longer sets, without a gap between them (unless what is left out is not worth having)."""
    first, second = step.children
    node = step.node
    joined = abs(first.node.high_m - second.node.low_m) <= ROUNDING * node.high_m
    if not _same(step) or not (joined or first.node.high_m >= min(high, w.longest) * (1 - ROUNDING)):
        return -np.inf
    later = max(low, second.node.low_m)
    return min(_tree(p, first, low, first.node.high_m, w), _tree(p, second, later, node.high_m, w))


def _fixed(p: Problem, step: Step, _: float, low: float, __: float, w: Worth) -> float:
    """Sets with a candidate, and sets without it."""
    first, second = step.children
    node, i = step.node, step.candidate
    fixed = set(first.node.inside) == {*node.inside, i} and set(second.node.outside) == {*node.outside, i}
    if not fixed or first.node.outside != node.outside or second.node.inside != node.inside:
        return -np.inf
    if not all(_within(node.count, child.node.count) for child in step.children):
        return -np.inf
    return min(_tree(p, child, low, node.high_m, w) for child in step.children)


def _parted(p: Problem, step: Step, _: float, low: float, high: float, w: Worth) -> float:
    """Sets of fewer candidates, and sets of more, without a number between them that is in neither."""
    first, second = (child.node.count for child in step.children)
    whole = step.node.count or (1, p.size)
    covered = first is None or second is None
    if first is not None and second is not None:
        covered = first[0] <= whole[0] and second[0] <= first[1] + 1 and max(first[1], second[1]) >= whole[1]
    if not covered or not _same(step, numbers=False):
        return -np.inf
    return min(_tree(p, child, low, min(high, step.node.high_m), w) for child in step.children)


def _same(step: Step, *, numbers: bool = True) -> bool:
    """The children are about the same sets, or the same ones but for their number."""
    node = step.node
    return all(
        c.node.inside == node.inside
        and c.node.outside == node.outside
        and (not numbers or _within(node.count, c.node.count))
        for c in step.children
    )


def _clash(p: Problem, step: Step) -> bool:
    """The fixed candidates exclude each other, or the count cannot be kept with what is left."""
    inside, number = step.node.inside, step.node.count
    if number is not None and (len(inside) > number[1] or len(inside) + len(_free(p, step)) < number[0]):
        return True
    return any(p.conflict[i, j] for i, j in combinations(inside, 2))


def _free(p: Problem, step: Step) -> list[int]:
    """Candidates that a set of the step may have or not."""
    number = step.node.count
    if number is not None and len(step.node.inside) >= number[1]:
        return []
    shut = {*step.node.inside, *step.node.outside}
    return [i for i in range(p.size) if i not in shut and not any(p.conflict[i, j] for j in step.node.inside)]


def _count(p: Problem, step: Step) -> float:
    """Least cost by trying every set of the node, one after another."""
    free, best = _free(p, step), np.inf
    least, most = step.node.count or (0, p.size)
    fixed = len(step.node.inside)
    for size in range(max(least - fixed, 0), min(most - fixed, len(free)) + 1):
        for some in combinations(free, size):
            chosen = [*step.node.inside, *some]
            cost = float(p.cost[chosen].sum()) if chosen else np.inf
            if cost < best and p.holds(chosen):
                best = cost
    return best


def _leaf(p: Problem, step: Step, w: Worth) -> float:
    """What S and the multipliers of a node prove about its goal."""
    node, proof = step.node, step.proof
    if proof.slack is None or proof.multipliers is None or (proof.multipliers < 0).any():
        return -np.inf
    inside, free = list(node.inside), _free(p, step)
    n = len(free)
    goals = {"cost": p.cost, "shortest": p.length, "longest": -p.length}
    number = None if node.count is None else (max(node.count[0] - len(inside), 0), min(node.count[1] - len(inside), n))
    of_limits = len(p.matrices) + (number is not None)
    if proof.slack.shape != (n + 1, n + 1) or len(proof.multipliers) != of_limits + (proof.goal != "cost"):
        return -np.inf
    s = (proof.slack + proof.slack.T) / 2
    least = float(np.linalg.eigvalsh(s).min())
    weight = np.full(n + 1, max(0.0, -least) + 1e-13 * (1 + float(np.abs(s).max())))
    goal = goals[proof.goal]
    constant, linear = float(goal[inside].sum()), goal[free].copy()
    quadratic = np.zeros((n, n))
    base = float(p.length[inside].sum())
    for mu, m, c in zip(proof.multipliers[: len(p.matrices)], p.matrices, p.bounds, strict=True):
        both = node.low_m + node.high_m
        constant += mu * (float(m[np.ix_(inside, inside)].sum()) - c * (both * base - node.low_m * node.high_m))
        linear += mu * (2 * m[np.ix_(free, inside)].sum(axis=1) - c * both * p.length[free])
        quadratic += mu * m[np.ix_(free, free)]
    if number is not None:  # (e - fewest) (e - most) <= 0 for the number e of free ones
        mu = proof.multipliers[of_limits - 1]
        constant += mu * number[0] * number[1]
        linear -= mu * (number[0] + number[1])
        quadratic += mu
    rows: list[tuple[Array, float]] = []
    if proof.goal != "cost":  # sets that cost more than the choice need not be looked at
        room = w.cost - float(p.cost[inside].sum())
        rows.append((p.cost[free], room + 1e-9 * w.cost))
        constant -= float(proof.multipliers[-1]) * room
        linear += proof.multipliers[-1] * p.cost[free]
    if number is not None:
        rows += [(np.ones(n), number[1]), (-np.ones(n), -number[0])]
    constant -= float(s[0, 0]) + float(weight[0])
    linear -= 2 * s[0, 1:]
    quadratic -= s[1:, 1:] + np.diag(weight[1:])
    linear += np.diag(quadratic)
    apart = p.conflict[np.ix_(free, free)]
    for i in range(n):
        row = np.where(apart[i], 0.0, quadratic[i])
        row[i] = 0.0
        linear[i] += float(np.minimum(row, 0.0).sum())
    slack = 1e-9 * max(1.0, abs(node.high_m - base))
    rows += [(p.length[free], node.high_m - base + slack), (-p.length[free], base - node.low_m + slack)]
    return constant + _prices(linear, rows, apart)


def _prices(linear: Array, given: list[tuple[Array, float]], apart: NDArray[np.bool_]) -> float:
    """Lower bound of linear'z over 0 <= z <= 1, pairs that exclude each other grouped into cliques, and given rows a'z <= b."""
    n = len(linear)
    if n == 0:
        return 0.0 if all(b >= 0 for _, b in given) else np.inf
    rows, right = [a for a, _ in given], [float(b) for _, b in given]
    seen = np.zeros_like(apart)
    for i in range(n):
        for j in np.flatnonzero(apart[i] & ~seen[i]):
            members = [i, int(j)]
            for k in np.flatnonzero(apart[i] & apart[j]):
                if apart[k, members].all():
                    members.append(int(k))
            seen[np.ix_(members, members)] = True
            rows.append(np.isin(np.arange(n), members).astype(float))
            right.append(1.0)
    done = linprog(linear, A_ub=np.array(rows), b_ub=right, bounds=(0, 1), method="highs")
    if done.status == 2:
        return np.inf
    if done.status != 0:
        return -np.inf
    price = np.minimum(done.ineqlin.marginals, 0.0)
    return float(price @ np.array(right) + np.minimum(linear - np.array(rows).T @ price, 0.0).sum())
