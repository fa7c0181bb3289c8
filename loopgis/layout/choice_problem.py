"""The choice of bores as a problem: candidates with cost and length, pairs that exclude each other, limits z'Mz <= c (L'z)^2."""

from __future__ import annotations

from dataclasses import dataclass
from numbers import Integral
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import NoLayoutError, RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

TOLERANCE = 1e-9
"""A limit counts as held within this share of its right-hand side."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Minimise cost'z over sets z that are not empty, hold every forced candidate and no conflicting pair, and keep every limit.

    cost, length (n,); matrices: one symmetric (n, n) M per limit; bounds: its c; conflict (n, n) without diagonal; forced: indices.
    count: least and most number of chosen candidates, 1 <= least <= most <= n; None: any number.
    """

    cost: Array
    length: Array
    matrices: tuple[Array, ...]
    bounds: tuple[float, ...]
    conflict: Mask
    forced: tuple[int, ...]
    count: tuple[int, int] | None = None

    @property
    def size(self) -> int:
        """Number of candidates."""
        return len(self.cost)

    @property
    def least(self) -> int:
        """Fewest candidates that an answer has."""
        return 1 if self.count is None else self.count[0]

    @property
    def most(self) -> int:
        """Most candidates that an answer has."""
        return self.size if self.count is None else self.count[1]

    def holds(self, chosen: Sequence[int]) -> bool:
        """Is a set an answer at all."""
        z = list(chosen)
        if not z or not set(self.forced) <= set(z) or self.conflict[np.ix_(z, z)].any():
            return False
        if self.count is not None and not self.count[0] <= len(set(z)) == len(z) <= self.count[1]:
            return False
        t = float(self.length[z].sum())
        if t <= 0:
            return False
        return all(
            float(m[np.ix_(z, z)].sum()) <= c * t * t * (1 + TOLERANCE)
            for m, c in zip(self.matrices, self.bounds, strict=True)
        )


def problem_of(
    cost: ArrayLike,
    length_m: ArrayLike,
    limits: Sequence[tuple[ArrayLike, float]],
    *,
    conflicts: ArrayLike,
    forced: Sequence[int] = (),
    count: tuple[int, int] | int | None = None,
) -> Problem:
    """Problem from plain arrays, checked.

    conflicts: (n, n) truth values, or pairs (m, 2); count: least and most number of chosen candidates, or the very number. Raises
    RangeError, naming the argument, for shapes that do not fit, costs or lengths that are not positive, matrices that are not
    symmetric, bounds that are not positive, counts that are none; NoLayoutError for forced candidates that exclude each other, and
    for a count that these candidates or the forced ones cannot keep.
    """
    costs, length = np.asarray(cost, dtype=float), np.asarray(length_m, dtype=float)
    n = len(costs)
    if costs.ndim != 1 or n == 0:
        raise RangeError("cost", f"has the shape {costs.shape}", "give one figure per candidate")
    if length.shape != (n,):
        raise RangeError("length_m", f"has the shape {length.shape}, not ({n},)", "give one figure per candidate")
    for name, values in (("cost", costs), ("length_m", length)):
        if not (np.isfinite(values).all() and (values > 0).all()):
            raise RangeError(name, "holds a figure that is not positive", "every candidate has a cost and a length")
    matrices = []
    for k, (matrix, bound) in enumerate(limits):
        m = np.asarray(matrix, dtype=float)
        if (
            m.shape != (n, n)
            or not np.isfinite(m).all()
            or not np.allclose(m, m.T, rtol=1e-8, atol=1e-12 * np.abs(m).max())
        ):
            raise RangeError(f"limits[{k}]", f"is no symmetric matrix ({n}, {n})", "give M and c of z'Mz <= c (L'z)^2")
        if not (np.isfinite(bound) and bound > 0):
            raise RangeError(f"limits[{k}]", f"has the bound {bound}", "give a positive c")
        matrices.append((m + m.T) / 2)
    conflict = _conflict(conflicts, n)
    must = tuple(sorted({int(i) for i in forced}))
    if any(not 0 <= i < n for i in must):
        raise RangeError("forced", f"names a candidate outside 0 to {n - 1}", "give indices")
    if conflict[np.ix_(must, must)].any():
        raise NoLayoutError("choose", ["two forced candidates exclude each other"])
    number = _number(count, n, len(must))
    return Problem(costs, length, tuple(matrices), tuple(float(c) for _, c in limits), conflict, must, number)


def _number(count: tuple[int, int] | int | None, n: int, forced: int) -> tuple[int, int] | None:
    """Least and most number as they are used, None when any number will do."""
    if count is None:
        return None
    given = (count, count) if isinstance(count, Integral) else tuple(np.asarray(count, dtype=object).ravel())
    if len(given) != 2 or not all(isinstance(k, Integral) and not isinstance(k, bool | np.bool_) for k in given):
        raise RangeError(
            "count", f"is {count!r}", "give a whole number, or the least and the most number of candidates"
        )
    low, high = (int(k) for k in given)
    if low < 0 or high < 1:
        raise RangeError("count", f"asks for {_said(low, high)} candidates", "at least one candidate is chosen")
    if low > high:
        raise RangeError("count", f"asks for at least {low} and at most {high}", "give the smaller number first")
    if low > n:
        raise NoLayoutError("choose", [f"the count asks for {_said(low, high)} candidates, and there are {n}"])
    if high < forced:
        raise NoLayoutError("choose", [f"the count allows {high}, and {forced} candidates are forced"])
    low, high = max(low, 1), min(high, n)
    return None if (low, high) == (1, n) else (low, high)


def _said(low: int, high: int) -> str:
    """A count in words."""
    return f"{low}" if low == high else f"{low} to {high}"


def no_set_holds(p: Problem) -> NoLayoutError:
    """What is raised when it is proven that there is no answer."""
    number = "" if p.count is None else f" of {_said(*p.count)}"
    return NoLayoutError("choose", [f"it is proven that no set{number} of the candidates holds"])


def _conflict(conflicts: ArrayLike, n: int) -> Mask:
    given = np.asarray(conflicts)
    if given.shape == (n, n) and given.dtype == bool:
        both: Mask = given | given.T
    elif given.size == 0:
        both = np.zeros((n, n), dtype=bool)
    elif given.ndim == 2 and given.shape[1] == 2 and given.dtype != bool:
        both = np.zeros((n, n), dtype=bool)
        pairs = given.astype(int)
        if pairs.min() < 0 or pairs.max() >= n:
            raise RangeError("conflicts", f"names a candidate outside 0 to {n - 1}", "give pairs of indices")
        both[pairs[:, 0], pairs[:, 1]] = both[pairs[:, 1], pairs[:, 0]] = True
    elif given.shape == (n, n):
        both = (given != 0) | (given != 0).T
    else:
        raise RangeError("conflicts", f"has the shape {given.shape}", f"give ({n}, {n}) truth values, or pairs (m, 2)")
    both = both.copy()
    np.fill_diagonal(both, val=False)
    return both
