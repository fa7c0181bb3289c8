"""A lower bound that is valid whenever it stops: a lifted relaxation, splitting, and a safe reading of the dual.

With t = L'z between lo and hi (both proven), t^2 <= (lo + hi) t - lo hi makes every limit linear in Y = (1, z)(1, z)'. It is
relaxed to: positive semidefinite, Y_00 = 1, Y_ii = Y_0i, Y_ij = 0 where i and j exclude each other and Y_ij >= 0 elsewhere. Two
projections in turn (alternating directions) approach the optimum; from any iterate

    cost'z >= <C, Y> + sum mu_k <A_k, Y> - <S, Y>   for mu >= 0 and any positive semidefinite S,

and what is left is bounded from below by a linear function of z (a positive product is at least 0, a negative one at least half the
sum), which a small linear programme minimises over cliques of exclusions and lo <= t <= hi. So the bound never rests on
convergence.

A count, least <= e <= most with e = sum(z), is treated as the length is: e^2 <= (least + most) e - least most is one more row that
is linear in Y (being positive semidefinite holds e itself in the range then), and the linear programme gets least <= e <= most. For
one number e = k that row leaves nothing but the face Y v = 0, v = (-k, 1, .. 1): there the projection goes, and a large multiple of
v v' makes S positive semidefinite outside of it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from math import comb
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.layout.choice_problem import Problem

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

CHECK_EVERY = 25
STIFF = 1e6
"""Weight of v v' in S, as a multiple of the cost scale."""
RELAXED = 1.6
SAFETY = 1e-7
"""Share of the cost scale taken off every bound for rounding in eigenvalues and the linear programme."""


@dataclass(frozen=True, eq=False)
class Node:
    """A part of the problem: candidates fixed in and out, the proven range of the total length, and the number of candidates.

    count: least and most, None when any number will do; the fixed ones count.
    """

    inside: tuple[int, ...]
    outside: tuple[int, ...]
    low_m: float
    high_m: float
    count: tuple[int, int] | None = None


@dataclass(frozen=True, eq=False)
class Proof:
    """Why no set of a node costs less than `bound`: S (positive semidefinite up to a shift), multipliers mu; None: empty node.

    multipliers: one per limit, then one for the count if there is one, then one for the greatest cost if the goal is a length.
    goal: what is bounded from below: the cost, or (for sets that cost no more than the best one) the length or the negative length.
    """

    slack: Array | None
    multipliers: Array | None
    bound: float
    goal: Literal["cost", "shortest", "longest"] = "cost"


@dataclass(eq=False)
class Lifted:
    """A node's relaxation: free candidates, constant and linear parts folded in.

    limits (m, n + 1, n + 1): <A_k, Y> <= 0, the last one for the count if there is one; cost: matrix of the same shape; zero: pairs
    that exclude each other; cliques: of free ones; count: least and most number of free ones that are chosen.
    """

    free: NDArray[np.intp]
    base_cost: float
    base_length: float
    cost: Array
    limits: Array
    zero: Mask
    cliques: list[list[int]]
    length: Array
    low_m: float
    high_m: float
    count: tuple[int, int] | None = None
    dear: tuple[Array, float] | None = None
    """Costs of the free ones and the most that they may cost together, where the length is what is bounded."""

    @property
    def row(self) -> int:
        """Where among the limits the count stands, if there is one."""
        return len(self.limits) - 1 - (self.dear is not None)

    @property
    def face(self) -> Array | None:
        """Direction (of length 1) in which every Y is 0, when the very number of candidates is given; else None."""
        if self.count is None or self.count[0] != self.count[1]:
            return None
        v = np.r_[-float(self.count[0]), np.ones(len(self.free))]
        unit: Array = v / float(np.linalg.norm(v))
        return unit

    @property
    def sets(self) -> int:
        """How many sets of free candidates the count leaves."""
        n = len(self.free)
        least, most = (0, n) if self.count is None else self.count
        return sum(comb(n, k) for k in range(least, most + 1))


def free_of(p: Problem, node: Node) -> NDArray[np.intp]:
    """Candidates that may still be chosen or not: none when the fixed ones are as many as the count allows."""
    if node.count is not None and len(node.inside) >= node.count[1]:
        return np.zeros(0, dtype=np.intp)
    shut = np.zeros(p.size, dtype=bool)
    shut[[*node.inside, *node.outside]] = True
    if node.inside:
        shut |= p.conflict[list(node.inside)].any(axis=0)
    return np.flatnonzero(~shut)


def lifted(p: Problem, node: Node) -> Lifted | None:
    """Relaxation of a node, None when the node is empty by itself (fixed candidates exclude each other, or the count cannot be)."""
    inside = np.array(node.inside, dtype=np.intp)
    if p.conflict[np.ix_(inside, inside)].any():
        return None
    free = free_of(p, node)
    n = len(free)
    count = None
    if node.count is not None:
        count = (max(node.count[0] - len(inside), 0), min(node.count[1] - len(inside), n))
        if count[0] > count[1]:
            return None
    base = float(p.length[inside].sum())
    low, high = node.low_m, node.high_m
    limits = np.zeros((len(p.matrices) + (count is not None), n + 1, n + 1))
    zero = np.zeros((n + 1, n + 1), dtype=bool)
    zero[1:, 1:] = p.conflict[np.ix_(free, free)]
    for a, m, c in zip(limits[: len(p.matrices)], p.matrices, p.bounds, strict=True):
        a[0, 0] = float(m[np.ix_(inside, inside)].sum()) - c * ((low + high) * base - low * high)
        linear = 2 * m[np.ix_(free, inside)].sum(axis=1) - c * (low + high) * p.length[free]
        a[0, 1:] = a[1:, 0] = linear / 2
        a[1:, 1:] = m[np.ix_(free, free)]
        a[zero] = 0.0
    if count is not None:  # of the free ones: e^2 - (least + most) e + least most <= 0
        a = limits[-1]
        a[0, 0] = count[0] * count[1]
        a[0, 1:] = a[1:, 0] = -(count[0] + count[1]) / 2
        a[1:, 1:] = 1.0
        a[zero] = 0.0
    cost = np.zeros((n + 1, n + 1))
    cost[0, 1:] = cost[1:, 0] = p.cost[free] / 2
    cliques = _cliques(zero[1:, 1:])
    fixed = float(p.cost[inside].sum())
    return Lifted(free, fixed, base, cost, limits, zero, cliques, p.length[free], low, high, count)


def about_length(p: Problem, r: Lifted, sign: float, dearest: float) -> Lifted:
    """The same node with the length (times sign) in place of the cost, for sets that cost no more than `dearest`."""
    costs, room = p.cost[r.free], dearest - r.base_cost
    row = np.zeros((1, *r.cost.shape))
    row[0, 0, 0] = -room
    row[0, 0, 1:] = row[0, 1:, 0] = costs / 2
    goal = np.zeros_like(r.cost)
    goal[0, 1:] = goal[1:, 0] = sign * r.length / 2
    limits = np.concatenate([r.limits, row])
    return replace(r, base_cost=sign * r.base_length, cost=goal, limits=limits, dear=(costs, room))


def _cliques(conflict: Mask) -> list[list[int]]:
    """Cliques that cover every excluding pair at least once, grown greedily."""
    left = np.triu(conflict).copy()
    degree = conflict.sum(axis=0)
    found = []
    for i in range(len(conflict)):
        while left[i].any():
            members = [i]
            common = left[i].copy()
            while common.any():
                k = int(np.argmax(np.where(common, degree, -1)))
                members.append(k)
                common &= conflict[k]
            common = conflict[members].all(axis=0)
            while common.any():
                k = int(np.argmax(np.where(common, degree, -1)))
                members.append(k)
                common &= conflict[k]
            members.sort()
            left[np.ix_(members, members)] = False
            found.append(members)
    return found


@dataclass(frozen=True, eq=False)
class Warm:
    """Where a splitting ended, for its children: candidates, both matrices, penalty."""

    free: NDArray[np.intp]
    y: Array
    dual: Array
    rho: float

    def part(self, free: NDArray[np.intp]) -> tuple[Array, Array, float]:
        """Rows and columns of fewer candidates."""
        k = np.r_[0, 1 + np.searchsorted(self.free, free)]
        return self.y[np.ix_(k, k)].copy(), self.dual[np.ix_(k, k)].copy(), self.rho


def relax(
    r: Lifted, *, steps: int, until_s: float, enough: float, scale: float, warm: Warm | None = None
) -> tuple[Proof, Array, Warm | None]:
    """Best safe bound of a node, the fractional z that the splitting ended with, and where it ended.

    steps: at most; until_s: a time of perf_counter; enough: stop when the bound reaches this; scale: size of the costs.
    """
    n = len(r.free)
    if n == 0:
        return safe_bound(r, np.zeros((1, 1)), np.zeros(len(r.limits)), scale), np.zeros(0), None
    face = r.face
    rows = [k for k in range(len(r.limits)) if face is None or k != r.row]
    limits = r.limits[rows]
    norms = np.array([max(float(np.linalg.norm(a)), 1e-30) for a in limits])
    limits = limits / norms[:, None, None] if len(norms) else limits
    cost = r.cost / scale
    y, dual, rho = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1)), 0.3
    y[0, 0] = 1.0
    if warm is not None:
        y, dual, rho = warm.part(r.free)
    mu = np.zeros(len(norms))
    best = Proof(None, None, -np.inf)
    x = y
    for step in range(1, steps + 1):
        x, mu = _project(y - (dual + cost) / rho, limits, mu * (1 / rho), r.zero)
        mu = mu * rho
        mixed = RELAXED * x + (1 - RELAXED) * y
        w = mixed + dual / rho
        values, vectors = np.linalg.eigh(w if face is None else _across(w, face))
        positive = np.maximum(values, 0.0)
        before = y
        y = (vectors * positive) @ vectors.T
        dual = dual + rho * (mixed - y)
        if step % CHECK_EVERY == 0 or step == steps:
            prices = mu * scale / norms if len(norms) else mu
            if face is None:
                slack = (vectors * (rho * (positive - values))) @ vectors.T * scale
            else:
                weight = STIFF * scale
                slack = weight * np.outer(face, face) - dual * scale
                prices = np.insert(prices, r.row, weight * float(face[-1]) ** 2)
            proof = safe_bound(r, slack, prices, scale)
            if proof.bound > best.bound:
                best = proof
            if best.bound >= enough or time.perf_counter() > until_s:
                break
            primal, moved = float(np.linalg.norm(x - y)), rho * float(np.linalg.norm(y - before))
            if primal > 5 * moved:
                rho *= 1.5
            elif moved > 5 * primal:
                rho /= 1.5
    return best, np.clip(x[0, 1:], 0.0, 1.0), Warm(r.free, y, dual, rho)


def _across(w: Array, face: Array) -> Array:
    """A symmetric matrix without its part in one direction."""
    part = w @ face
    flat: Array = w - np.outer(part, face) - np.outer(face, part) + float(face @ part) * np.outer(face, face)
    return (flat + flat.T) / 2


def _project(v: Array, limits: Array, mu: Array, zero: Mask) -> tuple[Array, Array]:
    """Nearest matrix with the structure of Y that keeps the limits; multipliers by a few Newton steps on the active ones."""
    mu = np.maximum(mu, 0.0)
    x = _structure(v - np.tensordot(mu, limits, axes=1), zero)
    for _ in range(12):
        value = np.tensordot(limits, x, axes=([1, 2], [0, 1])) if len(limits) else np.zeros(0)
        if (value <= 1e-9).all() and (np.abs(mu * value) <= 1e-8).all():
            break
        active = (mu > 0) | (value > 0)
        moving = [_structure_slope(a, x, zero) for a in limits]
        hessian = np.array([[float(np.sum(a * b)) for b in moving] for a in limits])
        k = np.flatnonzero(active)
        step = np.zeros(len(mu))
        step[k] = np.linalg.lstsq(hessian[np.ix_(k, k)] + 1e-12 * np.eye(len(k)), value[k], rcond=None)[0]
        mu = np.maximum(mu + step, 0.0)
        x = _structure(v - np.tensordot(mu, limits, axes=1), zero)
    return x, mu


def _structure(v: Array, zero: Mask) -> Array:
    """Nearest matrix with X_00 = 1, X_ii = X_0i, zeros where they must be, no negative entry elsewhere."""
    x = np.maximum((v + v.T) / 2, 0.0)
    x[zero] = 0.0
    diagonal = (np.diag(v)[1:] + v[0, 1:] + v[1:, 0]) / 3
    x[0, 0] = 1.0
    x[0, 1:] = x[1:, 0] = diagonal
    i = np.arange(1, len(x))
    x[i, i] = diagonal
    return x


def _structure_slope(a: Array, x: Array, zero: Mask) -> Array:
    """How the projection answers to a push along a limit: entries that are held at zero do not move."""
    moved = np.where(x > 0, a, 0.0)
    moved[zero] = 0.0
    diagonal = (np.diag(a)[1:] + 2 * a[0, 1:]) / 3
    moved[0, 0] = 0.0
    moved[0, 1:] = moved[1:, 0] = diagonal
    i = np.arange(1, len(a))
    moved[i, i] = diagonal
    return moved


def safe_bound(r: Lifted, slack: Array, multipliers: Array, scale: float) -> Proof:
    """What any S and multipliers prove about a node; infinite when they prove that it holds no set at all."""
    mu = np.maximum(multipliers, 0.0)
    s = (slack + slack.T) / 2
    least = float(np.linalg.eigvalsh(s)[0])
    shift = max(0.0, -least) + 1e-13 * (float(np.abs(s).max()) + 1)
    g = r.cost + np.tensordot(mu, r.limits, axes=1) - s - shift * np.eye(len(s))
    g = np.where(r.zero, 0.0, g)
    inner = g[1:, 1:].copy()
    np.fill_diagonal(inner, 0.0)
    linear = np.diag(g)[1:] + 2 * g[0, 1:] + np.minimum(inner, 0.0).sum(axis=1)
    bound = r.base_cost + float(g[0, 0]) + _least_linear(r, linear) - SAFETY * scale
    return Proof(s, mu, bound)


def _least_linear(r: Lifted, linear: Array) -> float:
    """Least value of a linear function over 0 <= z <= 1, one of each clique, ranges of length and count; infinite: no such z."""
    from scipy.optimize import linprog  # noqa: PLC0415
    from scipy.sparse import csr_array, vstack  # noqa: PLC0415

    n = len(linear)
    room = (r.low_m - r.base_length, r.high_m - r.base_length)
    slack = 1e-9 * max(1.0, r.high_m)
    if n == 0:
        inside = r.count is None or r.count[0] <= 0 <= r.count[1]
        return 0.0 if room[0] <= slack and room[1] >= -slack and inside else np.inf
    rows = np.concatenate([np.full(len(c), k) for k, c in enumerate(r.cliques)] or [np.zeros(0)])
    columns = np.concatenate([np.array(c) for c in r.cliques] or [np.zeros(0)])
    count = len(r.cliques)
    values = np.concatenate([np.ones(len(rows)), r.length, -r.length])
    rows = np.concatenate([rows, np.full(n, count), np.full(n, count + 1)]).astype(int)
    columns = np.concatenate([columns, np.arange(n), np.arange(n)]).astype(int)
    matrix = csr_array((values, (rows, columns)), shape=(count + 2, n))
    right = np.r_[np.ones(count), room[1] + slack, -room[0] + slack]
    if r.dear is not None:
        matrix = csr_array(vstack([matrix, r.dear[0][None, :]]))
        right = np.r_[right, r.dear[1] + 1e-9 * float(r.dear[0].sum())]
    if r.count is not None:
        matrix = csr_array(vstack([matrix, np.ones((1, n)), -np.ones((1, n))]))
        right = np.r_[right, r.count[1], -r.count[0]]
    done = linprog(linear, A_ub=matrix, b_ub=right, bounds=(0, 1), method="highs")
    if done.status == 2:
        return np.inf
    if done.status != 0:
        return -np.inf
    price = np.minimum(done.ineqlin.marginals, 0.0)  # any prices prove a bound: no trust in the solver's tolerances
    return float(price @ right + np.minimum(linear - matrix.T @ price, 0.0).sum())
