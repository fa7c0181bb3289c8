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
from loopgis.layout.choice_bound import Node, Proof, Warm, about_length, free_of, lifted, relax, safe_bound
from loopgis.layout.choice_problem import TOLERANCE, Problem, no_set_holds, problem_of
from loopgis.layout.choice_search import search

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

COUNTED_OUT = 15
"""Up to so many candidates all sets are counted out."""
FEW_SETS = 3_000_000
SEARCH_SHARE, ROOT_SHARE = 0.4, 0.5
"""Shares of the time for the search, and for the root of the tree."""
ROOT_STEPS, NODE_STEPS = 4000, 250
SEARCH_STARTS, EFFORT_STARTS, EFFORT_STEPS, EFFORT_NODES = 2, 6, 75, 2
"""Starts of the search without effort; and what one unit of effort is: starts more, steps at the root, and nodes (one unit
less)."""
NOTHING_BELOW = "it is proven that nothing costs less than what is of interest"
TREE_SIZE = 160
"""Above so many free candidates the time is spent on the root alone: branching does not move it (facts/select)."""
LARGE, ROOT_ALONE = 300, 2
"""From so many candidates on, the root is all there is: it gets so many times the steps of one effort."""
WIDE = 1.12
"""A range of total length wider than this ratio is cut before candidates are fixed."""
CLOSED = 1e-7
NARROW, NARROW_SHARE = (1.04, 1.08, 1.25), 0.25
"""Where the cost is not the length, a range of length wider than these ratios is narrowed first: from above (one linear programme),
from below, and from below with more than TREE_SIZE candidates; share of the root's time for that."""
NARROWING: tuple[Literal["longest", "shortest"], ...] = ("longest", "shortest", "shortest", "shortest")
PARTED, PART_STEPS = 0.05, 2
"""So near to a whole number the relaxed number of candidates counts as it; steps of the parts, as a multiple of those of a node."""


@dataclass(eq=False)
class Step:
    """One step of the proof: what is done with a node, its own proof if it has one, and what comes of it.

    kind: "leaf" (the proof's bound holds), "count" (few enough to count out), "tighten" (the bound narrows the range of length of
    the child), "fix" (a candidate in, then out), "cut" (the range of length in two), "part" (the numbers of candidates in two).
    """

    node: Node
    kind: Literal["leaf", "count", "tighten", "fix", "cut", "part"] = "leaf"
    proof: Proof = field(default_factory=lambda: Proof(None, None, -np.inf))
    candidate: int = -1
    number: float = 0.0
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
    count: tuple[int, int] | int | None = None,
    below: float = np.inf,
) -> Choice:
    """Least-cost set of candidates that keeps every limit z'Mz <= c (L'z)^2, with a proven lower bound.

    cost, length_m: (n,), positive; limits: pairs (M, c), M symmetric (n, n); conflicts: (n, n) truth values or (m, 2) pairs
    that exclude each other; forced: indices that must be in; seconds: wall time, about; known: a set to begin with.
    effort: work instead of time, so that the same input gives the same answer: 0 for the search alone, 1 for a second or so at a
    hundred candidates. count_out: up to so many candidates all sets are tried. The empty set is never an answer.
    count: least and most number of chosen candidates, or the very number; forced ones count; None: any number. below: only sets
    that cost less are of interest, and bounds above it are not looked for; an error then carries the bound reached
    (`NoLayoutError.bound`). Raises RangeError for arguments that do not fit, NoLayoutError when no set holds, or none was found
    in the time (it says which).

    Method: facts/select (lifted doubly non-negative relaxation, splitting with a safe bound, branch and bound) with a tabu search.

    >>> c = choose([3.0, 2.0, 4.0], [3.0, 2.0, 4.0], [([[9, 1, 1], [1, 6, 1], [1, 1, 12]], 1.0)], conflicts=[(0, 2)])
    >>> c.chosen, c.cost, c.bound
    ((0,), 3.0, 3.0)
    >>> choose([3.0, 2.0, 4.0], [3.0, 2.0, 4.0], conflicts=[(0, 1)], count=2).chosen
    (1, 2)
    """
    p = problem_of(cost, length_m, limits, conflicts=conflicts, forced=forced, count=count)
    begin = time.perf_counter()
    if p.size - len(p.forced) <= count_out:
        return _counted(p)
    from threadpoolctl import threadpool_limits  # noqa: PLC0415

    with threadpool_limits(1):  # matrices of a hundred rows: two threads of the linear algebra wait for each other
        return _chosen(p, known, begin, seconds, effort, below)


def _chosen(
    p: Problem, known: Sequence[int] | None, begin: float, seconds: float, effort: int | None, below: float
) -> Choice:
    """Search, then proof, within the time or the effort."""
    least = least_length_m(p)
    if least > _longest_m(p, np.inf):
        raise no_set_holds(p)
    if least > _longest_m(p, below):
        raise NoLayoutError("choose", [NOTHING_BELOW], bound=below)
    first = [int(i) for i in known] if known is not None and p.holds([int(i) for i in known]) else None
    if effort is None:
        found = search(p, seconds=max(SEARCH_SHARE * seconds, 0.05), known=first)
    else:
        starts = 1 if np.isfinite(below) else SEARCH_STARTS + EFFORT_STARTS * effort
        found, seconds = search(p, seconds=np.inf, starts=starts, known=first), np.inf
    few = _few(p, found)
    if few is not None:
        return few
    if effort == 0 and found is not None:
        return _searched(p, found)
    tree = _Tree(p, found, begin + seconds, below)
    if effort is None:
        tree.grow(ROOT_STEPS, 10**9, rounds=6)
    else:
        steps = EFFORT_STEPS * (1 if p.size < LARGE else ROOT_ALONE)
        tree.grow(steps * effort, EFFORT_NODES * (effort - 1), rounds=3)
    if tree.best is None:
        if tree.bound == np.inf and below == np.inf:
            raise no_set_holds(p)
        closed = tree.bound >= below * (1 - 10 * CLOSED)
        raise NoLayoutError(
            "choose", [NOTHING_BELOW if closed else "no set was found in the time"], bound=min(tree.bound, below)
        )
    cost_ = float(p.cost[tree.best].sum())
    return Choice(
        chosen=tuple(tree.best),
        cost=cost_,
        bound=min(tree.bound, cost_, below),
        problem=p,
        proven=tree.root,
    )


def _searched(p: Problem, found: list[int]) -> Choice:
    """What the search found, with the bound that costs nothing, or one small linear programme where that would say little."""
    cost = float(p.cost[found].sum())
    share = p.cost / p.length
    bound = least_length_m(p) * float(share.min())
    root = None
    if p.count is not None or _uneven(p):
        node = Node(p.forced, (), least_length_m(p), max(_longest_m(p, cost), least_length_m(p)), p.count)
        r = lifted(p, node)
        if r is not None:
            n = len(r.free) + 1
            proof = safe_bound(r, np.zeros((n, n)), np.zeros(len(r.limits)), cost)
            if proof.bound > bound:
                bound, root = proof.bound, Step(node, "leaf", proof)
    return Choice(chosen=tuple(found), cost=cost, bound=min(bound, cost), problem=p, proven=root)


def _uneven(p: Problem) -> bool:
    """Is the cost anything else than so much per metre."""
    share = p.cost / p.length
    return float(share.max()) > float(share.min()) * (1 + 1e-9)


def _longest_m(p: Problem, cost: float) -> float:
    """Length that no answer exceeds which costs no more than this."""
    if p.count is None:
        whole = float(p.length.sum())
    else:
        must = list(p.forced)
        others = np.sort(np.delete(p.length, must))[::-1]
        whole = float(p.length[must].sum() + others[: p.most - len(must)].sum())
    return min(whole, cost / float((p.cost / p.length).min()))


def least_length_m(p: Problem) -> float:
    """Length that every answer has at least, without any search: from each limit alone, from forced candidates, from the shortest.

    With a count, from the shortest ones of that number.

    z'Mz is at least sum of r_i z_i, r_i the diagonal plus the negative part of row i; so c t^2 >= t min(r_i / L_i) when that
    is positive.
    """
    low = max(float(p.length.min()), float(p.length[list(p.forced)].sum()) if p.forced else 0.0)
    if p.count is not None:
        must = list(p.forced)
        others = np.sort(np.delete(p.length, must))
        low = max(low, float(p.length[must].sum() + others[: max(p.least - len(must), 0)].sum()))
    for m, c in zip(p.matrices, p.bounds, strict=True):
        off = np.where(p.conflict, 0.0, np.minimum(m, 0.0))
        np.fill_diagonal(off, 0.0)
        row = np.diag(m) + off.sum(axis=1)
        low = max(low, float((row / p.length).min()) / c * (1 - 1e-9))
    return low


def _counted(p: Problem) -> Choice:
    node = Node(p.forced, (), 0.0, np.inf, p.count)
    best, cost = counted_out(p, node)
    if best is None:
        raise no_set_holds(p)
    root = Step(node, "count", Proof(None, None, cost))
    return Choice(chosen=tuple(best), cost=cost, bound=cost, problem=p, proven=root)


def counted_out(p: Problem, node: Node) -> tuple[list[int] | None, float]:
    """Best set of a node by trying all of them; None and infinity when none holds."""
    inside = list(node.inside)
    free = free_of(p, node)
    if p.conflict[np.ix_(inside, inside)].any():
        return None, np.inf
    n = len(free)
    low, high = (0, n) if node.count is None else (k - len(inside) for k in node.count)
    bits = _bits(n, low, high)
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


def _bits(n: int, low: int, high: int) -> Array:
    """All sets of n candidates with low to high members, a row of ones and zeros each."""
    if n <= COUNTED_OUT or (low <= 0 and high >= n):
        every = ((np.arange(2**n)[:, None] >> np.arange(n)) & 1).astype(float)
        number = every.sum(axis=1)
        kept: Array = every[(number >= low) & (number <= high)]
        return kept
    parts = []
    for k in range(max(low, 0), min(high, n) + 1):
        members = np.array(list(itertools.combinations(range(n), k)), dtype=int).reshape(-1, k)
        part = np.zeros((len(members), n))
        part[np.arange(len(members))[:, None], members] = 1.0
        parts.append(part)
    return np.vstack(parts or [np.zeros((0, n))])


def _few(p: Problem, found: list[int] | None) -> Choice | None:
    """The exact answer when every cheaper set has at most three candidates besides the forced ones; else None.

    Raises NoLayoutError when the count allows no more than three, and none holds.
    """
    must = list(p.forced)
    if found is None and (p.count is None or p.most - len(must) > 3):
        return None
    cost = np.inf if found is None else float(p.cost[found].sum())
    open_ = np.array([i for i in range(p.size) if i not in must and not p.conflict[must, i].any()], dtype=int)
    cheapest = np.cumsum(np.sort(p.cost[open_]))
    most = int(np.searchsorted(cheapest, cost - float(p.cost[must].sum()), side="left"))
    if p.count is not None:
        most = min(most, p.most - len(must))
    if most > 3 or len(open_) ** most > FEW_SETS * 6:
        return None
    best, least = found, cost
    for sets in _sets(open_, most):
        if not p.least <= len(must) + sets.shape[1] <= p.most:
            continue
        held = _held(p, must, sets, least)
        if held is not None:
            best, least = held
    if best is None:
        raise no_set_holds(p)
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

    def __init__(self, p: Problem, found: list[int] | None, end: float, below: float) -> None:
        self.p, self.best, self.end, self.below = p, found, end, below
        self.count = itertools.count()
        self.low_share = float((p.cost / p.length).min())
        self.high_share = float((p.cost / p.length).max())
        self.uneven = _uneven(p)
        self.handed_on = self.uneven or p.count is not None
        """Does a bound go on to all that comes of a node. (By the metre and without a count it goes to its children only.)"""
        self.small = p.size - len(p.forced) <= TREE_SIZE
        low, high = least_length_m(p), self._longest()
        self.root = Step(Node(p.forced, (), low, max(high, low), p.count))
        self.open: list[tuple[float, int, Step, Warm | None]] = []
        self.closed = np.inf

    @property
    def cost(self) -> float:
        """Cost of the best set so far, or from which on none is of interest."""
        return min(self.below, np.inf if self.best is None else float(self.p.cost[self.best].sum()))

    @property
    def bound(self) -> float:
        """No set costs less: the least over what is still open and what was closed below the best set."""
        return min([self.closed, *(b for b, *_ in self.open)], default=np.inf)

    def _longest(self) -> float:
        """Length that no answer worth having exceeds."""
        return _longest_m(self.p, self.cost)

    def grow(self, root_steps: int, nodes: int, *, rounds: int) -> None:
        """Bound the root, then branch where the bound is least, until closed, out of time, or out of nodes."""
        begin = time.perf_counter()
        until = begin + (self.end - begin) * (ROOT_SHARE if self.small else 1.0) if np.isfinite(self.end) else np.inf
        root, warm = self.root, None
        if self.uneven and self.best is not None:
            end = begin + NARROW_SHARE * (until - begin) if np.isfinite(until) else until
            root, warm = self._narrowed(root, root_steps // 4, end)
        for step in _ranges(root):
            self._bound(step, warm, root_steps, until, rounds=rounds)
        while self.open and nodes > 0 and time.perf_counter() < self.end:
            nodes -= 1
            bound, _, step, warm = heapq.heappop(self.open)
            if bound >= self.cost * (1 - CLOSED):
                self.closed = min(self.closed, bound)
                continue
            self._branch(step, warm, max(bound, step.proof.bound) if self.handed_on else step.proof.bound)

    def _narrowed(self, step: Step, steps: int, until: float) -> tuple[Step, Warm | None]:
        """The root with its range of length narrowed, each side by a proof of its own: where the cost says little about it."""
        warm: Warm | None = None
        gained = np.inf
        for goal in NARROWING:
            node = step.node
            r = lifted(self.p, node)
            wide = NARROW[0 if goal == "longest" else 1 if self.small else 2]
            if r is None or node.high_m <= node.low_m * wide or gained < node.low_m * 1e-2:
                break
            about = about_length(self.p, r, 1.0 if goal == "shortest" else -1.0, self.cost)
            scale = node.high_m
            if goal == "longest":
                n = len(r.free) + 1
                proof = safe_bound(about, np.zeros((n, n)), np.zeros(len(about.limits)), scale)
                low, high = node.low_m, min(node.high_m, -proof.bound)
            else:
                proof, _, warm = relax(about, steps=steps, until_s=until, enough=node.high_m, scale=scale, warm=warm)
                low, high = max(node.low_m, proof.bound), node.high_m
                gained = low - node.low_m
            if not low <= high < np.inf or (low, high) == (node.low_m, node.high_m):
                continue  # nothing gained (or nothing cheaper left: the bound of the cost says that better)
            step.kind, step.proof = "tighten", replace(proof, goal=goal)
            step.children = (Step(replace(node, low_m=low, high_m=high)),)
            step = step.children[0]
        return step, warm

    def _bound(
        self, step: Step, warm: Warm | None, steps: int, until: float, *, rounds: int = 1, floor: float = -np.inf
    ) -> None:
        """Prove what can be proven about a node, raising its least length by its own bound and going on from there."""
        node = step.node
        if node.high_m > self._longest():
            node = step.node = replace(node, high_m=max(node.low_m, self._longest()))
        r = lifted(self.p, node)
        if r is None:
            step.proof = Proof(None, None, np.inf)
            return
        if len(r.free) <= COUNTED_OUT - 3 or (node.count is not None and r.sets <= 2 ** (COUNTED_OUT - 3)):
            self._count(step)
            return
        scale = self.cost if np.isfinite(self.cost) else float(self.p.cost.sum())
        proof, z, after = relax(r, steps=steps, until_s=until, enough=self.cost, scale=scale, warm=warm)
        plain = node.low_m * self.low_share * (1 - 1e-12)
        step.proof = proof = replace(proof, bound=max(proof.bound, plain))
        self._round(r.free, z, node)
        raised = proof.bound / self.high_share
        if proof.bound >= self.cost * (1 - CLOSED):
            self.closed = min(self.closed, proof.bound)
            return
        if rounds > 1 and np.isfinite(proof.bound) and raised > node.low_m * 1.001 and time.perf_counter() < until:
            child = Step(replace(node, low_m=min(raised, node.high_m)))
            step.kind, step.children = "tighten", (child,)
            floor = max(floor, proof.bound) if self.handed_on else floor
            self._bound(child, after, steps, until, rounds=rounds - 1, floor=floor)
            return
        step.candidate = int(r.free[int(np.argmin(np.abs(z - 0.5)))])
        step.number = len(node.inside) + float(z.sum())
        heapq.heappush(self.open, (max(proof.bound, floor), next(self.count), step, after))

    def _count(self, step: Step) -> None:
        found, cost = counted_out(self.p, step.node)
        if found is not None and cost < self.cost * (1 - 1e-12):
            self.best = found
        step.kind, step.proof = "count", Proof(None, None, cost)
        self.closed = min(self.closed, cost)

    def _branch(self, step: Step, warm: Warm | None, parent: float) -> None:
        """Bound the parts of a node; none of them costs less than the node itself."""
        node = step.node
        if node.high_m > node.low_m * WIDE:
            middle = (node.low_m * node.high_m) ** 0.5
            ranges = ((node.low_m, middle), (middle, node.high_m))
            step.kind = "cut"
            step.children = tuple(Step(replace(node, low_m=a, high_m=b)) for a, b in ranges)
        elif (parts := self._parts(step)) is not None:
            step.kind = "part"
            step.children = tuple(Step(replace(node, count=part)) for part in parts)
        else:
            i = step.candidate
            step.kind = "fix"
            inside = replace(node, inside=(*node.inside, i))
            outside = replace(node, outside=(*node.outside, i))
            step.children = (Step(inside), Step(outside))
        steps = NODE_STEPS * (PART_STEPS if step.kind == "part" else 1)
        for child in step.children:
            self._bound(child, warm, steps, self.end)
        self.open = [(max(b, parent) if s in step.children else b, n, s, w) for b, n, s, w in self.open]
        heapq.heapify(self.open)

    def _parts(self, step: Step) -> tuple[tuple[int, int], tuple[int, int]] | None:
        """Fewer or more candidates, one number alone at an end of the range if the relaxation is there; None when it is no use.

        Where the cost is so much per metre, a number well inside the range says nothing.
        """
        if step.node.count is None and not self.uneven:
            return None
        least, most = step.node.count or (1, self.p.size)
        below = int(np.floor(step.number))
        if least == most:
            return None
        if step.number > most - 1 + PARTED:
            below = most - 1
        elif step.number < least + 1 - PARTED:
            below = least
        elif not self.uneven:
            return None
        elif not PARTED < step.number - below < 1 - PARTED:
            below = round(step.number)
        return (least, below), (below + 1, most)

    def _round(self, free: NDArray[np.intp], z: Array, node: Node) -> None:
        """A set from the fractional answer, mended by a short search."""
        if not len(free):
            return
        chosen = list(node.inside)
        for k in np.argsort(-z):
            i = int(free[k])
            wanted = z[k] > 0.3 or (self.p.count is not None and len(chosen) < self.p.least)
            if wanted and len(chosen) < self.p.most and not self.p.conflict[i, chosen].any():
                chosen.append(i)
        if self.p.holds(chosen) and float(self.p.cost[chosen].sum()) < self.cost * (1 - 1e-12):
            self.best = sorted(chosen)


def _ranges(root: Step) -> list[Step]:
    """The root cut into ranges of length that are narrow enough to begin with; the cuts are part of the proof."""
    if root.node.high_m <= root.node.low_m * WIDE * 1.5:
        return [root]
    middle = (root.node.low_m * root.node.high_m) ** 0.5
    root.kind = "cut"
    root.children = (Step(replace(root.node, high_m=middle)), Step(replace(root.node, low_m=middle)))
    return [leaf for child in root.children for leaf in _ranges(child)]
