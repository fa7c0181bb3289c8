"""Pick bores out of candidates: many-start greedy with exchange, on values and pairwise conflicts.

A plain heuristic: it promises no bound, so layouts made with it carry none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def pick(
    value: NDArray[np.float64],
    clash: NDArray[np.bool_],
    *,
    most: int,
    enough: float | None = None,
    starts: int = 24,
    seed: int = 1,
) -> list[int]:
    """Indices of a conflict-free set with large total value, at most `most` of them.

    value: (n,) positive; clash: (n, n) symmetric; enough: stop adding once the total reaches it (then the set is thinned to the
    fewest that still do). The same input and seed give the same set.

    >>> pick(np.array([3.0, 2.0, 2.0]), np.array([[0, 1, 1], [1, 0, 0], [1, 0, 0]], bool), most=5)
    [1, 2]
    """
    n = len(value)
    if n == 0 or most <= 0:
        return []
    rng = np.random.default_rng(seed)
    value = np.round(value, 6)
    weight = clash.astype(float)
    best: list[int] = []
    best_total = -1.0
    for start in range(starts):
        noise = np.zeros(n) if start == 0 else rng.normal(0.0, 0.15, n)
        bias = 0.0 if start % 2 else 1.0
        chosen = _exchange(_greedy(value, weight, noise, bias, most), value, clash, most)
        total = float(value[chosen].sum())
        if total > best_total + 1e-9:
            best, best_total = chosen, total
    if enough is not None and best_total > enough:
        best = _thin(best, value, enough)
    return sorted(best)


def _greedy(
    value: NDArray[np.float64], weight: NDArray[np.float64], noise: NDArray[np.float64], bias: float, most: int
) -> list[int]:
    """Take the best ratio of value to value it shuts out, again and again."""
    free = np.ones(len(value), dtype=bool)
    chosen: list[int] = []
    while free.any() and len(chosen) < most:
        lost = weight @ np.where(free, value, 0.0)
        ratio = np.where(free, value / (1.0 + bias * lost / (value.mean() * 4)) * np.exp(noise), -np.inf)
        i = int(np.argmax(ratio))
        chosen.append(i)
        free[i] = False
        free &= weight[i] == 0
    return chosen


def _exchange(chosen: list[int], value: NDArray[np.float64], clash: NDArray[np.bool_], most: int) -> list[int]:
    """Improve a set by two moves until neither gains.

    Swap one in for all that it conflicts with; take one out and fill up again with whatever is best then.
    """
    inside = np.zeros(len(value), dtype=bool)
    inside[chosen] = True
    for _ in range(60):
        if not (_swap_in(inside, value, clash, most) or _refill(inside, value, clash, most)):
            break
    return [int(i) for i in np.flatnonzero(inside)]


def _swap_in(inside: NDArray[np.bool_], value: NDArray[np.float64], clash: NDArray[np.bool_], most: int) -> bool:
    lost = clash @ np.where(inside, value, 0.0)
    hits = clash @ inside.astype(float)
    gain = np.where(inside, -np.inf, value - lost)
    if int(inside.sum()) >= most:
        gain[hits < 1] = -np.inf
    i = int(np.argmax(gain))
    if not gain[i] > 1e-9:
        return False
    inside[clash[i]] = False
    inside[i] = True
    return True


def _refill(inside: NDArray[np.bool_], value: NDArray[np.float64], clash: NDArray[np.bool_], most: int) -> bool:
    hits = clash @ inside.astype(float)
    for out in np.flatnonzero(inside):
        free = ~inside & (hits - clash[out] < 1)
        free[out] = False
        added: list[int] = []
        room = most - int(inside.sum()) + 1
        while free.any() and len(added) < room:
            i = int(np.argmax(np.where(free, value, -np.inf)))
            added.append(i)
            free &= ~clash[i]
            free[i] = False
        if float(value[added].sum()) > value[out] + 1e-9:
            inside[out] = False
            inside[added] = True
            return True
    return False


def _thin(chosen: list[int], value: NDArray[np.float64], enough: float) -> list[int]:
    """Drop the bores that are not needed to reach `enough`, smallest first."""
    kept = sorted(chosen, key=lambda i: (value[i], -i))
    total = float(value[kept].sum())
    for i in list(kept):
        if total - value[i] >= enough:
            kept.remove(i)
            total -= float(value[i])
    return kept
