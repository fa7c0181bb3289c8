"""A good answer, found fast: many-start tabu search that adds a bore (throwing out what it excludes) or drops one.

Limits may be passed for a while at a price that rises while they are, and falls while they are not, so that the search goes to
and fro over the border where the best answers lie; a count likewise, at a price of its own. Nothing is proven here.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.layout.choice_problem import Problem

    Array = NDArray[np.float64]

TENURE = (4, 11)
"""A candidate that was moved stays put for so many steps, drawn anew each time."""
STEPS = 600
"""Steps of a start without a better answer before the next one."""
SEED = 20261


class _State:
    """A set with what its moves need: M z and z'Mz by limit, length, cost."""

    def __init__(self, p: Problem, chosen: list[int]) -> None:
        self.p = p
        self.z = np.zeros(p.size, dtype=bool)
        self.z[chosen] = True
        self.t = float(p.length[self.z].sum())
        self.cost = float(p.cost[self.z].sum())
        self.number = int(self.z.sum())
        self.mz = [m[:, self.z].sum(axis=1) for m in p.matrices]
        self.quad = [float(v[self.z].sum()) for v in self.mz]

    def excess(self) -> list[float]:
        """By how much each limit is passed, as a share of it; infinite for the empty set."""
        return [
            q / (c * self.t**2) - 1 if self.t > 0 else np.inf for q, c in zip(self.quad, self.p.bounds, strict=True)
        ]

    def moves(self) -> tuple[Array, Array, Array]:
        """For every candidate, moved (in with all it excludes out, or out): cost, length and excess by limit (k, n) afterwards."""
        p = self.p
        inside = np.flatnonzero(self.z)
        out = p.conflict[inside] & ~self.z  # (inside, n): which members a newcomer throws out
        a = out.astype(float)
        sign = np.where(self.z, -1.0, 1.0)
        cost = self.cost + sign * p.cost - p.cost[inside] @ a
        length = self.t + sign * p.length - p.length[inside] @ a
        excess = np.empty((len(p.matrices), p.size))
        for k, (m, c) in enumerate(zip(p.matrices, p.bounds, strict=True)):
            part = m[inside]
            among = np.einsum("ij,ij->j", a, m[np.ix_(inside, inside)] @ a)
            quad = self.quad[k] + sign * 2 * self.mz[k] + np.diag(m)
            quad += -2 * (self.mz[k][inside] @ a) + among - 2 * np.einsum("ij,ij->j", a, part)
            with np.errstate(divide="ignore", invalid="ignore"):
                excess[k] = np.where(length > 1e-9, quad / (c * length**2) - 1, np.inf)
        return cost, length, excess

    def numbers(self) -> Array:
        """By how many candidates each move ends outside the count."""
        after = self.number + np.where(self.z, -1, 1 - self.p.conflict[self.z].sum(axis=0))
        off: Array = np.maximum(np.maximum(self.p.least - after, after - self.p.most), 0).astype(float)
        return off

    def held(self) -> tuple[bool, bool]:
        """Are the limits kept, and the count."""
        return self.t > 0 and all(e <= 0 for e in self.excess()), self.p.least <= self.number <= self.p.most

    def move(self, i: int) -> list[int]:
        """Do a move; gives the candidates that changed."""
        changed = [i]
        if not self.z[i]:
            changed += [int(j) for j in np.flatnonzero(self.p.conflict[i] & self.z)]
        for j in changed:
            sign = -1.0 if self.z[j] else 1.0
            for k, m in enumerate(self.p.matrices):
                self.quad[k] += sign * 2 * float(self.mz[k][j]) + float(m[j, j])
                self.mz[k] = self.mz[k] + sign * m[j]
            self.t += sign * float(self.p.length[j])
            self.cost += sign * float(self.p.cost[j])
            self.number += int(sign)
            self.z[j] = not self.z[j]
        return changed


def search(p: Problem, *, seconds: float, starts: int = 40, known: list[int] | None = None) -> list[int] | None:
    """Best set found within the time, None when none holds. The same seconds need not give the same set; the same starts do.

    known: an answer to begin with.
    """
    rng = np.random.default_rng(SEED)
    end = time.perf_counter() + seconds
    best, best_cost = (list(known), float(p.cost[known].sum())) if known else (None, np.inf)
    for start in range(starts):
        first = _start(p, rng, start, best)
        found = _walk(p, first, best_cost, rng, end)
        if found is not None and p.holds(found):
            best, best_cost = found, float(p.cost[found].sum())
        if time.perf_counter() > end:
            break
    return None if best is None else _trimmed(p, best)


def _start(p: Problem, rng: np.random.Generator, number: int, best: list[int] | None) -> list[int]:
    """Forced candidates and a random part of the best answer, or of nothing; every third start is greedy by cost per length."""
    must = list(p.forced)
    if best is not None and number % 2:
        kept = [i for i in best if i in must or rng.random() < 0.6]
        return sorted(set(kept) | set(must))
    chosen = list(must)
    key = p.cost / p.length * rng.uniform(0.85, 1.15, p.size) if number % 3 == 0 else rng.random(p.size)
    blocked: NDArray[np.bool_] = np.zeros(p.size, dtype=bool)
    for i in must:
        blocked = blocked | p.conflict[i]
    for i in np.argsort(key):
        if not blocked[i] and i not in chosen and rng.random() < 0.8:
            chosen.append(int(i))
            blocked = blocked | p.conflict[i]
            s = _State(p, chosen)
            if len(chosen) >= p.most or (len(chosen) >= p.least and all(e <= 0 for e in s.excess())):
                break
    return chosen


def _walk(p: Problem, first: list[int], best_cost: float, rng: np.random.Generator, end: float) -> list[int] | None:
    """Tabu search from one set; the best set that holds and beats best_cost, None when none does."""
    s = _State(p, first)
    fixed: NDArray[np.bool_] = np.zeros(p.size, dtype=bool)
    fixed[list(p.forced)] = True
    if p.forced:
        fixed = np.logical_or(fixed, p.conflict[list(p.forced)].any(axis=0))
    if fixed.all():
        return None
    wait = np.zeros(p.size, dtype=int)
    price = float(np.mean(p.cost)) * 3
    each = float(np.mean(p.cost))
    found, idle = None, 0
    for step in range(100_000):
        cost, length, excess = s.moves()
        over = np.maximum(excess, 0.0).sum(axis=0) if len(excess) else np.zeros(p.size)
        over = np.where(length > 1e-9, over, np.inf)
        value = cost + price * np.where(np.isfinite(over), over, 1e6)
        answer = (over <= 0) & (cost < best_cost * (1 - 1e-12))
        if p.count is not None:
            off = s.numbers()
            value, answer = value + each * off, answer & (off == 0)
        open_ = ~fixed & ((wait <= step) | answer)
        if not open_.any():
            idle += 1
            wait[:] = 0
            continue
        i = int(np.argmin(np.where(open_, value, np.inf)))
        changed = s.move(i)
        for j in changed:
            wait[j] = step + int(rng.integers(*TENURE))
        held, number = s.held()
        price = max(price * (0.97 if held else 1.05), 1e-9)
        each = max(each * (0.97 if number else 1.05), 1e-9)
        if held and number and s.cost < best_cost * (1 - 1e-12):
            found, best_cost, idle = [int(k) for k in np.flatnonzero(s.z)], s.cost, 0
        idle += 1
        if idle > STEPS or (step % 32 == 0 and time.perf_counter() > end):
            break
    return found


def _trimmed(p: Problem, chosen: list[int]) -> list[int]:
    """The set without members that it does not need, dearest first."""
    left = list(chosen)
    for i in sorted(chosen, key=lambda j: -float(p.cost[j])):
        less = [j for j in left if j != i]
        if i not in p.forced and p.holds(less):
            left = less
    return sorted(left)
