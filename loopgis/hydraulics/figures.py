"""What figures must be: each check raises RangeError with one line that names the figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def positive(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is finite and above zero."""
    _check(figures, 0, "is not a positive number", "give a figure above 0 in the unit of the name")


def not_negative(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is finite and zero or more."""
    _check(figures, -1, "is negative or no number", "give 0 or more in the unit of the name")


def share(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is above zero and at most one."""
    positive(**figures)
    for name, value in figures.items():
        most = float(np.max(np.asarray(value, dtype=float)))
        if most > 1:
            raise RangeError(name, f"{most:g} is more than the whole", "give a share above 0 and up to 1")


def _check(figures: dict[str, ArrayLike], least: int, what: str, remedy: str) -> None:
    for name, value in figures.items():
        got = np.asarray(value, dtype=float).ravel()
        bad = ~(np.isfinite(got) & ((got > 0) | ((got == 0) & (least < 0))))
        if got.size == 0 or bad.any():
            raise RangeError(name, f"{f'{got[bad][0]:g}' if got.size else 'nothing'} {what}", remedy)
