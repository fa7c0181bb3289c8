"""Re-check of a proof, with its own small arithmetic: it shares the problem and the tree's data with the search, and no code.

For every leaf: S is positive semidefinite (after the shift that is taken off), the linear function that is left is bounded by
prices of a
linear programme solved here, and the ranges of length rest on what was proven before. For every branching: the parts cover the
whole.
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
    """longest: no set cheaper than the choice is longer; most_share, least_share: bounds of cost per length of any candidate."""

    longest: float
    most_share: float
    least_share: float


def recheck(choice: Choice) -> float:
    """Bound that the certificate proves, worked out anew; minus infinity when it proves nothing or is not sound.

    A bound holds for sets that cost no more than the choice itself: longer ranges need not be looked at.
    """
    p, root = choice.problem, choice.proven
    if not p.holds(choice.chosen) or abs(float(p.cost[list(choice.chosen)].sum()) - choice.cost) > 1e-9 * choice.cost:
        return -np.inf
    if root is None:
        return -np.inf
    low = _first_low(p)
    share = p.cost / p.length
    if set(root.node.inside) != set(p.forced) or root.node.outside or root.node.low_m > low * (1 + ROUNDING):
        return -np.inf
    w = Worth(min(choice.cost / float(share.min()), float(p.length.sum())), float(share.max()), float(share.min()))
    return min(choice.cost, _tree(p, root, low, w.longest, w))


def _first_low(p: Problem) -> float:
    """Least length of any answer, from the limits one by one."""
    low = max(float(np.min(p.length)), sum(float(p.length[i]) for i in p.forced))
    for m, c in zip(p.matrices, p.bounds, strict=True):
        shares = []
        for i in range(p.size):
            others = [min(float(m[i, j]), 0.0) for j in range(p.size) if j != i and not p.conflict[i, j]]
            shares.append((float(m[i, i]) + sum(others)) / float(p.length[i]))
        low = max(low, min(shares) / c)
    return low


def _tree(p: Problem, step: Step, low: float, high: float, w: Worth) -> float:
    """Bound of a step whose sets have a length proven to be at least low; longer than high is not worth having."""
    node = step.node
    if node.low_m > low * (1 + ROUNDING) or node.high_m < min(high, w.longest) * (1 - ROUNDING):
        return -np.inf
    if step.kind == "count":
        return _count(p, step)
    own = _leaf(p, step) if step.proof.slack is not None else (np.inf if _clash(p, step) else -np.inf)
    own = max(own, low * w.least_share * (1 - ROUNDING))
    if step.kind == "leaf":
        return own
    parts = {"tighten": _tightened, "cut": _cut, "fix": _fixed}[step.kind](p, step, own, low, high, w)
    return max(own, parts) if parts > -np.inf else -np.inf


def _tightened(p: Problem, step: Step, own: float, low: float, high: float, w: Worth) -> float:
    """The same sets, none of them shorter than the step's own bound allows."""
    (child,) = step.children
    node = step.node
    if not _same(step) or child.node.high_m < min(high, w.longest) * (1 - ROUNDING):
        return -np.inf
    return _tree(p, child, max(low, own / w.most_share), node.high_m, w)


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
    return min(_tree(p, child, low, node.high_m, w) for child in step.children)


def _same(step: Step) -> bool:
    """The children are about the same sets."""
    node = step.node
    return all(c.node.inside == node.inside and c.node.outside == node.outside for c in step.children)


def _clash(p: Problem, step: Step) -> bool:
    """The fixed candidates exclude each other."""
    return any(p.conflict[i, j] for i, j in combinations(step.node.inside, 2))


def _free(p: Problem, step: Step) -> list[int]:
    shut = {*step.node.inside, *step.node.outside}
    return [i for i in range(p.size) if i not in shut and not any(p.conflict[i, j] for j in step.node.inside)]


def _count(p: Problem, step: Step) -> float:
    """Least cost by trying every set of the node, one after another."""
    free, best = _free(p, step), np.inf
    for size in range(len(free) + 1):
        for some in combinations(free, size):
            chosen = [*step.node.inside, *some]
            cost = float(p.cost[chosen].sum()) if chosen else np.inf
            if cost < best and p.holds(chosen):
                best = cost
    return best


def _leaf(p: Problem, step: Step) -> float:
    """What S and the multipliers of a node prove."""
    node, proof = step.node, step.proof
    if proof.slack is None or proof.multipliers is None or (proof.multipliers < 0).any():
        return -np.inf
    inside, free = list(node.inside), _free(p, step)
    n = len(free)
    if proof.slack.shape != (n + 1, n + 1):
        return -np.inf
    s = (proof.slack + proof.slack.T) / 2
    least = float(np.linalg.eigvalsh(s).min())
    weight = np.full(n + 1, max(0.0, -least) + 1e-13 * (1 + float(np.abs(s).max())))
    constant, linear = float(p.cost[inside].sum()), p.cost[free].copy()
    quadratic = np.zeros((n, n))
    base = float(p.length[inside].sum())
    for mu, m, c in zip(proof.multipliers, p.matrices, p.bounds, strict=True):
        both = node.low_m + node.high_m
        constant += mu * (float(m[np.ix_(inside, inside)].sum()) - c * (both * base - node.low_m * node.high_m))
        linear += mu * (2 * m[np.ix_(free, inside)].sum(axis=1) - c * both * p.length[free])
        quadratic += mu * m[np.ix_(free, free)]
    constant -= float(s[0, 0]) + float(weight[0])
    linear -= 2 * s[0, 1:]
    quadratic -= s[1:, 1:] + np.diag(weight[1:])
    linear += np.diag(quadratic)
    apart = p.conflict[np.ix_(free, free)]
    for i in range(n):
        row = np.where(apart[i], 0.0, quadratic[i])
        row[i] = 0.0
        linear[i] += float(np.minimum(row, 0.0).sum())
    return constant + _prices(linear, p.length[free], apart, node.low_m - base, node.high_m - base)


def _prices(linear: Array, length: Array, apart: NDArray[np.bool_], low: float, high: float) -> float:
    """Lower bound of linear'z over 0 <= z <= 1, pairs that exclude each other grouped into cliques, low <= length'z <= high."""
    n = len(linear)
    slack = 1e-9 * max(1.0, abs(high))
    if n == 0:
        return 0.0 if low <= slack and high >= -slack else np.inf
    rows, right = [length, -length], [high + slack, -low + slack]
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
