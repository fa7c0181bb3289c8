"""Rod by rod: where the head should be at the end of each rod, and the integration of pitches that the crew does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.model import LEVEL_BAND_M
from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore


LEVEL_PITCH_PCT = 5.0
"""Steeper than this a rod at depth is still in a bend."""
ROD_REST = 1e-3
"""A rest of this share of a rod is drilled with the rod before."""


@dataclass(frozen=True, kw_only=True)
class RodPoint:
    """Head at the end of one rod. rod 0 is the entry, the last one the exit (mostly part of a rod).

    station_m: drilled length; depth_m below the ground above; pitch_pct negative going down; azimuth_deg from true north.
    """

    rod: int
    station_m: float
    x_m: float
    y_m: float
    z_m: float
    depth_m: float
    pitch_pct: float
    azimuth_deg: float
    note: str


def rod_table(bore: Bore, rod_length_m: float) -> list[RodPoint]:
    """One row per rod end along a bore, entry and exit included."""
    if not rod_length_m > 0:
        raise RangeError("rods", f"rod length {rod_length_m} m is not positive", "give [rig] rod_length")
    at = np.arange(rods_needed(bore.length_m, rod_length_m) + 1) * rod_length_m
    at[-1] = bore.length_m

    def take(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(at, bore.station_m, values), dtype=np.float64)

    azimuth = take(np.degrees(np.unwrap(np.radians(bore.azimuth_deg)))) % 360
    x, y, z, depth, pitch = (take(v) for v in (bore.x_m, bore.y_m, bore.z_m, bore.depth_m, bore.pitch_pct))
    level = depth >= bore.target_depth_m - LEVEL_BAND_M
    return [
        RodPoint(
            rod=i,
            station_m=float(at[i]),
            x_m=float(x[i]),
            y_m=float(y[i]),
            z_m=float(z[i]),
            depth_m=float(depth[i]),
            pitch_pct=float(pitch[i]),
            azimuth_deg=float(azimuth[i]),
            note=_note(i, len(at) - 1, bool(level[i]), float(pitch[i])),
        )
        for i in range(len(at))
    ]


def rods_needed(length_m: float, rod_length_m: float) -> int:
    """Rods for a drilled length: whole ones and the part of one; a rest below ROD_REST of one is no rod.

    >>> rods_needed(30.48, 3.048), rods_needed(30.5, 3.048)
    (10, 11)
    """
    return max(1, math.ceil(length_m / rod_length_m - ROD_REST))


def _note(rod: int, last: int, level: bool, pitch_pct: float) -> str:  # noqa: FBT001
    if rod == 0:
        return "entry"
    if rod == last:
        return "exit"
    if rod == 1:
        return "first rod straight"
    return "slant" if not level else "level" if abs(pitch_pct) <= LEVEL_PITCH_PCT else "at depth, bending"


def drop_by_pitch(pitch_pct: Sequence[float], *, rod_length_m: float) -> NDArray[np.float64]:
    """Depth after each rod from the pitches read at rod ends, metres, positive down; horizontal advance is not needed.

    dz = L sin(atan(mean pitch)), the mean of start and end pitch of the rod. pitch_pct: n+1 readings, negative going down.
    Source: facts of rod-by-rod integration (receiver and rig manuals, OM-B): 26 % less 8 % per 10 ft rod gives 30, 56, 73, 80 in.

    >>> (drop_by_pitch([-26, -26, -18, -10, -2], rod_length_m=3.048) / 0.0254).round(0).tolist()
    [30.0, 56.0, 73.0, 80.0]
    """
    p = np.asarray(pitch_pct, dtype=float)
    mean = (p[1:] + p[:-1]) / 200
    return -np.cumsum(rod_length_m * np.sin(np.arctan(mean)))


def bend_radius_from_pitch_m(change_pct: float, *, rod_length_m: float) -> float:
    """Radius that a change of pitch per rod asks of the rod: L / atan(change). Source: facts, 8 % per 10 ft -> 125.3 ft.

    >>> round(bend_radius_from_pitch_m(8, rod_length_m=3.048) / 0.3048, 1)
    125.3
    """
    if not (change_pct > 0 and rod_length_m > 0):
        raise RangeError("rod", "change of pitch and rod length must be positive", "give both as magnitudes")
    return rod_length_m / math.atan(change_pct / 100)


def pitch_per_rod_pct(bend_radius_m: float, *, rod_length_m: float) -> float:
    """Largest change of pitch over one rod, percent: 100 tan(L / R). Source: facts, 70 ft and 5 ft rods -> 7.155 %."""
    if not (bend_radius_m > 0 and rod_length_m > 0):
        raise RangeError("rod", "radius and rod length must be positive", "give [rig] bend_radius and rod_length")
    return 100 * math.tan(rod_length_m / bend_radius_m)


def rod_min_radius_m(rod_diameter_m: float) -> float:
    """Conservative least radius of a steel drill rod, 1200 diameters. Source: facts, R[ft] = 100 D[in] (ASTM F1962)."""
    if not rod_diameter_m > 0:
        raise RangeError("rod", "diameter must be positive", "give the rod's outside diameter")
    return 1200 * rod_diameter_m
