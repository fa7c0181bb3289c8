"""What figures must be: each check raises RangeError with one line that names the figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def positive(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is finite and above zero."""
    for name, value in figures.items():
        got = np.asarray(value, dtype=float).ravel()
        bad = ~(np.isfinite(got) & (got > 0))
        if got.size == 0 or bad.any():
            shown = f"{got[bad][0]:g}" if got.size else "nothing"
            raise RangeError(name, f"{shown} is not a positive number", "give a figure above 0 in the unit of the name")


def not_negative(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is finite and zero or more."""
    for name, value in figures.items():
        got = np.asarray(value, dtype=float).ravel()
        bad = ~(np.isfinite(got) & (got >= 0))
        if got.size == 0 or bad.any():
            shown = f"{got[bad][0]:g}" if got.size else "nothing"
            raise RangeError(name, f"{shown} is negative or no number", "give 0 or more in the unit of the name")


def finite(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is a finite number."""
    for name, value in figures.items():
        got = np.asarray(value, dtype=float).ravel()
        if got.size == 0 or not np.isfinite(got).all():
            raise RangeError(name, "holds no number, or one that is not finite", "give finite figures")


def share(**figures: ArrayLike) -> None:
    """Raise RangeError, one line naming the figure, unless every figure is above zero and at most one."""
    positive(**figures)
    for name, value in figures.items():
        most = float(np.max(np.asarray(value, dtype=float)))
        if most > 1:
            raise RangeError(name, f"{most:g} is more than the whole", "give a share above 0 and up to 1")
