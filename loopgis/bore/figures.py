"""Stations along a bore, and the figures that go with them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import finite

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


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
