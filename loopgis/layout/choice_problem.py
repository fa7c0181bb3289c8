"""The choice of bores as a problem: candidates with cost and length, pairs that exclude each other, limits z'Mz <= c (L'z)^2."""

from __future__ import annotations

from dataclasses import dataclass
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
    """

    cost: Array
    length: Array
    matrices: tuple[Array, ...]
    bounds: tuple[float, ...]
    conflict: Mask
    forced: tuple[int, ...]

    @property
    def size(self) -> int:
        """Number of candidates."""
        return len(self.cost)

    def holds(self, chosen: Sequence[int]) -> bool:
        """Is a set an answer at all."""
        z = list(chosen)
        if not z or not set(self.forced) <= set(z) or self.conflict[np.ix_(z, z)].any():
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
) -> Problem:
    """Problem from plain arrays, checked.

    conflicts: (n, n) truth values, or pairs (m, 2). Raises RangeError, naming the argument, for shapes that do not fit, costs
    or lengths
    that are not positive, matrices that are not symmetric, bounds that are not positive; NoLayoutError for forced candidates
    that exclude each other.
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
    return Problem(costs, length, tuple(matrices), tuple(float(c) for _, c in limits), conflict, must)


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
