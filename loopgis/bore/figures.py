"""What figures must be: each check raises RangeError with one line that names the figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


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


def along(station_m: ArrayLike, **figures: ArrayLike) -> tuple[NDArray[np.float64], ...]:
    """Stations and the figures along them as arrays of one length.

    Raises RangeError when there are fewer than two stations, when they go back, or when a figure does not fit them.
    """
    station = np.asarray(station_m, dtype=float)
    finite(station_m=station, **figures)
    if station.ndim != 1 or station.size < 2 or bool(np.any(np.diff(station) < 0)):
        raise RangeError("station_m", "is no list of growing stations", "give the drilled metres from the entry")
    if station[-1] <= station[0]:
        raise RangeError("station_m", "has no length", "give the drilled metres from the entry")
    rows = [station]
    for name, value in figures.items():
        row = np.asarray(value, dtype=float)
        if row.shape not in {(), station.shape}:
            raise RangeError(
                name, f"has shape {row.shape} for {station.size} stations", "give one figure, or one for each station"
            )
        rows.append(np.broadcast_to(row, station.shape))
    return tuple(rows)
