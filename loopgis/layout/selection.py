"""The least costly set of bores that carries the heat, with a proven lower bound on what any set could cost.

A many-start search finds an answer; a relaxation with a safe bound says how much better any other could be; branching narrows the
gap while there is time. Small cases are counted out. What is proven is kept as a tree that a separate routine re-checks
(`choice_check.recheck`).
"""

from __future__ import annotations

import heapq
import itertools
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.core.errors import NoLayoutError
from loopgis.layout.choice_bound import Node, Proof, Warm, lifted, relax
from loopgis.layout.choice_problem import TOLERANCE, Problem, problem_of
from loopgis.layout.choice_search import search

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

COUNTED_OUT = 15
"""Up to so many candidates all sets are counted out."""
FEW_SETS = 3_000_000
SEARCH_SHARE, ROOT_SHARE = 0.2, 0.5
"""Shares of the time for the search, and for the root of the tree."""
ROOT_STEPS, NODE_STEPS = 4000, 250
SEARCH_STARTS, EFFORT_STEPS, EFFORT_NODES = 2, 75, 2
"""What one unit of effort is: starts of the search (one unit more), steps at the root, and nodes (one unit less)."""
TREE_SIZE = 160
"""Above so many free candidates the time is spent on the root alone: branching does not move it (facts/select)."""
WIDE = 1.12
"""A range of total length wider than this ratio is cut before candidates are fixed."""
CLOSED = 1e-7


@dataclass(eq=False)
class Step:
    """One step of the proof: what is done with a node, its own proof if it has one, and what comes of it.

    kind: "leaf" (the proof's bound holds), "count" (few enough to count out), "tighten" (the bound raises the least length of
    the child), "fix" (a candidate in, then out), "cut" (the range of length in two).
    """

    node: Node
    kind: Literal["leaf", "count", "tighten", "fix", "cut"] = "leaf"
    proof: Proof = field(default_factory=lambda: Proof(None, None, -np.inf))
    candidate: int = -1
    children: tuple[Step, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Choice:
    """chosen: indices; cost of the set; bound: no set costs less; proven: the certificate; problem: what it is about.

    exact: the set is proven to be the best of the candidates.
    """

    chosen: tuple[int, ...]
    cost: float
    bound: float
    problem: Problem
    proven: Step | None

    @property
    def gap(self) -> float:
        """How much less than this set any other could cost, as a share of it."""
        return max(0.0, 1 - self.bound / self.cost)

    @property
    def exact(self) -> bool:
        """True when nothing is left to gain."""
        return self.gap <= 10 * CLOSED


def choose(
    cost: ArrayLike,
    length_m: ArrayLike,
    limits: Sequence[tuple[ArrayLike, float]] = (),
    *,
    conflicts: ArrayLike,
    forced: Sequence[int] = (),
    seconds: float = 20,
    known: Sequence[int] | None = None,
    effort: int | None = None,
    count_out: int = COUNTED_OUT,
) -> Choice:
    """Least-cost set of candidates that keeps every limit z'Mz <= c (L'z)^2, with a proven lower bound.

    cost, length_m: (n,), positive; limits: pairs (M, c), M symmetric (n, n); conflicts: (n, n) truth values or (m, 2) pairs
    that exclude each other; forced: indices that must be in; seconds: wall time, about; known: a set to begin with.
    effort: work instead of time, so that the same input gives the same answer: 0 for the search alone, 1 for a second or so at a
    hundred candidates. count_out: up to so many candidates all sets are tried. The empty set is never an answer.
    Raises RangeError for arguments that do not fit, NoLayoutError when no set holds, or none was found in the time (it says which).

    Method: facts/select (lifted doubly non-negative relaxation, splitting with a safe bound, branch and bound) with a tabu search.

    >>> c = choose([3.0, 2.0, 4.0], [3.0, 2.0, 4.0], [([[9, 1, 1], [1, 6, 1], [1, 1, 12]], 1.0)], conflicts=[(0, 2)])
    >>> c.chosen, c.cost, c.bound
    ((0,), 3.0, 3.0)
    """
    p = problem_of(cost, length_m, limits, conflicts=conflicts, forced=forced)
    begin = time.perf_counter()
    if p.size - len(p.forced) <= count_out:
        return _counted(p)
    from threadpoolctl import threadpool_limits  # noqa: PLC0415

    with threadpool_limits(1):  # matrices of a hundred rows: two threads of the linear algebra wait for each other
        return _chosen(p, known, begin, seconds, effort)


def _chosen(p: Problem, known: Sequence[int] | None, begin: float, seconds: float, effort: int | None) -> Choice:
    """Search, then proof, within the time or the effort."""
    first = [int(i) for i in known] if known is not None and p.holds([int(i) for i in known]) else None
    if effort is None:
        found = search(p, seconds=max(SEARCH_SHARE * seconds, 0.05), known=first)
    else:
        found, seconds = search(p, seconds=np.inf, starts=SEARCH_STARTS * (effort + 1), known=first), np.inf
    few = _few(p, found)
    if few is not None:
        return few
    if effort == 0 and found is not None:
        cost = float(p.cost[found].sum())
        bound = least_length_m(p) * float((p.cost / p.length).min())
        return Choice(chosen=tuple(found), cost=cost, bound=bound, problem=p, proven=None)
    tree = _Tree(p, found, begin + seconds)
    if effort is None:
        tree.grow(ROOT_STEPS, 10**9, rounds=6)
    else:
        tree.grow(EFFORT_STEPS * effort, EFFORT_NODES * (effort - 1), rounds=3)
    if tree.best is None:
        reason = (
            "it is proven that no set of the candidates holds"
            if tree.bound == np.inf
            else "no set was found in the time"
        )
        raise NoLayoutError("choose", [reason])
    cost_ = float(p.cost[tree.best].sum())
    return Choice(
        chosen=tuple(tree.best),
        cost=cost_,
        bound=min(tree.bound, cost_),
        problem=p,
        proven=tree.root,
    )


def least_length_m(p: Problem) -> float:
    """Length that every answer has at least, without any search: from each limit alone, from forced candidates, from the shortest.

    z'Mz is at least sum of r_i z_i, r_i the diagonal plus the negative part of row i; so c t^2 >= t min(r_i / L_i) when that
    is positive.
    """
    low = max(float(p.length.min()), float(p.length[list(p.forced)].sum()) if p.forced else 0.0)
    for m, c in zip(p.matrices, p.bounds, strict=True):
        off = np.where(p.conflict, 0.0, np.minimum(m, 0.0))
        np.fill_diagonal(off, 0.0)
        row = np.diag(m) + off.sum(axis=1)
        low = max(low, float((row / p.length).min()) / c * (1 - 1e-9))
    return low


def _counted(p: Problem) -> Choice:
    best, cost = counted_out(p, Node(p.forced, (), 0.0, np.inf))
    if best is None:
        raise NoLayoutError("choose", ["it is proven that no set of the candidates holds"])
    root = Step(Node(p.forced, (), 0.0, np.inf), "count", Proof(None, None, cost))
    return Choice(chosen=tuple(best), cost=cost, bound=cost, problem=p, proven=root)


def counted_out(p: Problem, node: Node) -> tuple[list[int] | None, float]:
    """Best set of a node by trying all of them; None and infinity when none holds."""
    inside = list(node.inside)
    shut = set(inside) | set(node.outside)
    free = np.array([i for i in range(p.size) if i not in shut and not p.conflict[inside, i].any()], dtype=int)
    if p.conflict[np.ix_(inside, inside)].any():
        return None, np.inf
    n = len(free)
    bits = ((np.arange(2**n)[:, None] >> np.arange(n)) & 1).astype(float)
    z = np.zeros((len(bits), p.size))
    z[:, inside] = 1.0
    z[:, free] = bits
    pair = np.einsum("si,si->s", z @ p.conflict, z)
    t = z @ p.length
    good = (pair == 0) & (t > 0)
    for m, c in zip(p.matrices, p.bounds, strict=True):
        good &= np.einsum("si,si->s", z @ m, z) <= c * t**2 * (1 + TOLERANCE)
    if not good.any():
        return None, np.inf
    cost = np.where(good, z @ p.cost, np.inf)
    k = int(np.argmin(cost))
    return [int(i) for i in np.flatnonzero(z[k])], float(cost[k])


def _few(p: Problem, found: list[int] | None) -> Choice | None:
    """The exact answer when every cheaper set has at most three candidates besides the forced ones; else None."""
    if found is None:
        return None
    must = list(p.forced)
    cost = float(p.cost[found].sum())
    open_ = np.array([i for i in range(p.size) if i not in must and not p.conflict[must, i].any()], dtype=int)
    cheapest = np.cumsum(np.sort(p.cost[open_]))
    most = int(np.searchsorted(cheapest, cost - float(p.cost[must].sum()), side="left"))
    if most > 3 or len(open_) ** most > FEW_SETS * 6:
        return None
    best, least = found, cost
    for sets in _sets(open_, most):
        held = _held(p, must, sets, least)
        if held is not None:
            best, least = held
    return Choice(chosen=tuple(sorted(best)), cost=least, bound=least, problem=p, proven=None)


def _sets(open_: NDArray[np.intp], most: int) -> Iterator[NDArray[np.intp]]:
    """All sets of up to three candidates, many at a time, (m, k)."""
    n = len(open_)
    yield np.zeros((1, 0), dtype=int)
    if most >= 1:
        yield open_[:, None]
    pairs = np.column_stack(np.triu_indices(n, 1))
    if most >= 2:
        yield open_[pairs]
    if most >= 3:
        for i in range(n - 2):
            later = pairs[np.searchsorted(pairs[:, 0], i + 1) :]
            yield open_[np.column_stack([np.full(len(later), i), later])]


def _held(p: Problem, must: list[int], sets: NDArray[np.intp], below: float) -> tuple[list[int], float] | None:
    """The cheapest of some sets (forced ones added) that holds and costs less than `below`."""
    z = np.hstack([np.broadcast_to(np.array(must, dtype=int), (len(sets), len(must))), sets])
    good = p.cost[z].sum(axis=1) < below
    for a, b in itertools.combinations(range(z.shape[1]), 2):
        z, good = z[good], good[good]
        good = ~p.conflict[z[:, a], z[:, b]]
    z = z[good]
    if z.shape[1] == 0 or not len(z):
        return None
    t = p.length[z].sum(axis=1)
    for m, c in zip(p.matrices, p.bounds, strict=True):
        quad = np.diag(m)[z].sum(axis=1)
        for a, b in itertools.combinations(range(z.shape[1]), 2):
            quad = quad + 2 * m[z[:, a], z[:, b]]
        kept = quad <= c * t**2 * (1 + TOLERANCE)
        z, t = z[kept], t[kept]
    if not len(z):
        return None
    k = int(np.argmin(p.cost[z].sum(axis=1)))
    return [int(i) for i in z[k]], float(p.cost[z[k]].sum())


class _Tree:
    """Branch and bound over safe bounds; every node's proof is kept."""

    def __init__(self, p: Problem, found: list[int] | None, end: float) -> None:
        self.p, self.best, self.end = p, found, end
        self.count = itertools.count()
        self.low_share = float((p.cost / p.length).min())
        self.high_share = float((p.cost / p.length).max())
        low, high = least_length_m(p), self._longest()
        self.root = Step(Node(p.forced, (), low, max(high, low)))
        self.open: list[tuple[float, int, Step, Warm | None]] = []
        self.closed = np.inf

    @property
    def cost(self) -> float:
        """Cost of the best set so far."""
        return np.inf if self.best is None else float(self.p.cost[self.best].sum())

    @property
    def bound(self) -> float:
        """No set costs less: the least over what is still open and what was closed below the best set."""
        return min([self.closed, *(b for b, *_ in self.open)], default=np.inf)

    def _longest(self) -> float:
        """Length that no answer worth having exceeds."""
        whole = float(self.p.length.sum())
        return min(whole, self.cost / self.low_share) if self.best is not None else whole

    def grow(self, root_steps: int, nodes: int, *, rounds: int) -> None:
        """Bound the root, then branch where the bound is least, until closed, out of time, or out of nodes."""
        begin = time.perf_counter()
        small = len(self.p.cost) - len(self.p.forced) <= TREE_SIZE
        until = begin + (self.end - begin) * (ROOT_SHARE if small else 1.0) if np.isfinite(self.end) else np.inf
        for step in _ranges(self.root):
            self._bound(step, None, root_steps, until, rounds=rounds)
        while self.open and nodes > 0 and time.perf_counter() < self.end:
            nodes -= 1
            bound, _, step, warm = heapq.heappop(self.open)
            if bound >= self.cost * (1 - CLOSED):
                self.closed = min(self.closed, bound)
                continue
            self._branch(step, warm)

    def _bound(self, step: Step, warm: Warm | None, steps: int, until: float, *, rounds: int = 1) -> None:
        """Prove what can be proven about a node, raising its least length by its own bound and going on from there."""
        node = step.node
        if node.high_m > self._longest():
            node = step.node = Node(node.inside, node.outside, node.low_m, max(node.low_m, self._longest()))
        r = lifted(self.p, node)
        if r is None:
            step.proof = Proof(None, None, np.inf)
            return
        if len(r.free) <= COUNTED_OUT - 3:
            self._count(step)
            return
        scale = self.cost if self.best is not None else float(self.p.cost.sum())
        proof, z, after = relax(r, steps=steps, until_s=until, enough=self.cost, scale=scale, warm=warm)
        plain = node.low_m * self.low_share * (1 - 1e-12)
        step.proof = proof = replace(proof, bound=max(proof.bound, plain))
        self._round(r.free, z, node)
        raised = proof.bound / self.high_share
        if proof.bound >= self.cost * (1 - CLOSED):
            self.closed = min(self.closed, proof.bound)
            return
        if rounds > 1 and np.isfinite(proof.bound) and raised > node.low_m * 1.001 and time.perf_counter() < until:
            child = Step(Node(node.inside, node.outside, min(raised, node.high_m), node.high_m))
            step.kind, step.children = "tighten", (child,)
            self._bound(child, after, steps, until, rounds=rounds - 1)
            return
        step.candidate = int(r.free[int(np.argmin(np.abs(z - 0.5)))])
        heapq.heappush(self.open, (proof.bound, next(self.count), step, after))

    def _count(self, step: Step) -> None:
        found, cost = counted_out(self.p, step.node)
        if found is not None and cost < self.cost * (1 - 1e-12):
            self.best = found
        step.kind, step.proof = "count", Proof(None, None, cost)
        self.closed = min(self.closed, cost)

    def _branch(self, step: Step, warm: Warm | None) -> None:
        node, parent = step.node, step.proof.bound
        if node.high_m > node.low_m * WIDE:
            middle = (node.low_m * node.high_m) ** 0.5
            ranges = ((node.low_m, middle), (middle, node.high_m))
            step.kind = "cut"
            step.children = tuple(Step(Node(node.inside, node.outside, a, b)) for a, b in ranges)
        else:
            i = step.candidate
            step.kind = "fix"
            inside = Node((*node.inside, i), node.outside, node.low_m, node.high_m)
            outside = Node(node.inside, (*node.outside, i), node.low_m, node.high_m)
            step.children = (Step(inside), Step(outside))
        for child in step.children:
            self._bound(child, warm, NODE_STEPS, self.end)
        self.open = [(max(b, parent) if s in step.children else b, n, s, w) for b, n, s, w in self.open]
        heapq.heapify(self.open)

    def _round(self, free: NDArray[np.intp], z: Array, node: Node) -> None:
        """A set from the fractional answer, mended by a short search."""
        if not len(free):
            return
        chosen = list(node.inside)
        for k in np.argsort(-z):
            i = int(free[k])
            if z[k] > 0.3 and not self.p.conflict[i, chosen].any():
                chosen.append(i)
        if self.p.holds(chosen) and float(self.p.cost[chosen].sum()) < self.cost * (1 - 1e-12):
            self.best = sorted(chosen)


def _ranges(root: Step) -> list[Step]:
    """The root cut into ranges of length that are narrow enough to begin with; the cuts are part of the proof."""
    if root.node.high_m <= root.node.low_m * WIDE * 1.5:
        return [root]
    middle = (root.node.low_m * root.node.high_m) ** 0.5
    node = root.node
    root.kind = "cut"
    root.children = (
        Step(Node(node.inside, node.outside, node.low_m, middle)),
        Step(Node(node.inside, node.outside, middle, node.high_m)),
    )
    return [leaf for child in root.children for leaf in _ranges(child)]
