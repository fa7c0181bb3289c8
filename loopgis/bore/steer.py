"""What the crew steers: left or right of the painted line, what to do over the next rod in words, and where a locate needs care.

The painted line runs straight from entry to exit. Clock positions are those of the head as the operator sees it: 12 is up, 3 is
right. Pitch in percent, negative going down.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.figures import along
from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

WALKOVER_M = 4.572
"""Deeper than 15 ft a walkover depth is a projected one (S: receiver manual)."""
WALKOVER_PITCH_PCT = 30.0
"""Steeper than 30 % too (S: receiver manual)."""
STEER_PCT = 0.5
"""A smaller change over a rod is no steering: receivers show whole or half percents (M: resolution 0.1 to 1 %)."""


def offset_m(x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.float64]:
    """Distance of points from the straight line between the first and the last of them, metres, right of it positive.

    x_m, y_m: (n,) plan places in order, n at least 2. Raises RangeError when first and last are the same place.

    >>> offset_m([0, 0, 0], [0, 5, 10]).tolist(), offset_m([0, 1, 0], [0, 5, 10]).tolist()
    ([0.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    """
    x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
    dx, dy = x[-1] - x[0], y[-1] - y[0]
    length = math.hypot(dx, dy)
    if not length > 0:
        raise RangeError("painted line", "entry and exit are the same place", "give a bore that goes somewhere")
    value: NDArray[np.float64] = ((x - x[0]) * dy - (y - y[0]) * dx) / length
    return value


def clock(up_pct: float, right_pct: float) -> str:
    """Clock position that steers up (positive) and right (positive), to the half hour.

    >>> clock(7, 0), clock(0, 3), clock(-2, 0), clock(5, 5), clock(0, -3)
    ('12:00', '3:00', '6:00', '1:30', '9:00')
    """
    half_hours = round(math.degrees(math.atan2(right_pct, up_pct)) / 15) % 24
    hour, half = divmod(half_hours, 2)
    return f"{hour or 12}:{'30' if half else '00'}"


def actions(*, station_m: ArrayLike, pitch_pct: ArrayLike, azimuth_deg: ArrayLike) -> list[str]:
    """What to do over the rod that follows each rod end, one text per rod end; the last one is what to do at the exit.

    station_m, pitch_pct, azimuth_deg: (n,) at rod ends, entry first. The change is spread over the whole rod: made within a foot or
    two it damages the rod (S: rig manual). Raises RangeError for arrays that do not fit each other.

    >>> actions(station_m=[0, 3, 6, 9], pitch_pct=[-30, -30, -22, -22], azimuth_deg=[0, 0, 0, 2])
    ['first rod straight at -30 %', 'steer up 8 % to -22 % (12:00)', 'hold -22 %, steer right 3 % (3:00)', 'exit']
    """
    _, pitch, azimuth = along(station_m, pitch_pct=pitch_pct, azimuth_deg=azimuth_deg)
    up = np.diff(pitch)
    right = 100 * np.tan(np.radians((np.diff(azimuth) + 180) % 360 - 180))
    told = [_action(float(u), float(r), float(p)) for u, r, p in zip(up, right, pitch[1:], strict=True)]
    if told:
        told[0] = f"first rod straight at {_pct(float(pitch[0]))} %"
    return [*told, "exit"]


def _pct(value: float) -> str:
    """Whole percents with their sign, and no minus before a nought."""
    return f"{round(value) or 0:+d}" if round(value) else "0"


def _action(up: float, right: float, to_pct: float) -> str:
    steers_up, steers_right = abs(up) >= STEER_PCT, abs(right) >= STEER_PCT
    side = f"{'right' if right > 0 else 'left'} {abs(right):.0f} %"
    way = f"{'up' if up > 0 else 'down'} {abs(up):.0f} %"
    if steers_up and steers_right:
        return f"steer {way} to {_pct(to_pct)} % and {side} ({clock(up, right)})"
    if steers_up:
        return f"steer {way} to {_pct(to_pct)} % ({clock(up, 0)})"
    if steers_right:
        return f"hold {_pct(to_pct)} %, steer {side} ({clock(0, right)})"
    return f"straight on at {_pct(to_pct)} %"


def locate_notes(*, depth_m: Sequence[float], pitch_pct: Sequence[float], blind: Sequence[bool]) -> list[str]:
    """Why a locate needs care at each place: "" where it does not.

    depth_m, pitch_pct: at rod ends; blind: nobody can stand over the head there (water, a building).
    Source: deeper than 15 ft or steeper than 30 % the depth is a projected one (S: receiver manual).

    >>> locate_notes(depth_m=[2, 5, 4], pitch_pct=[-20, 0, -33], blind=[False, False, True])
    ['', 'deeper than 15 ft: projected depth', 'no locate from above; steeper than 30 %: projected depth']
    """
    told = []
    for depth, pitch, hidden in zip(depth_m, pitch_pct, blind, strict=True):
        why = []
        if depth > WALKOVER_M + 1e-6:
            why.append("deeper than 15 ft")
        if abs(pitch) > WALKOVER_PITCH_PCT + 1e-6:
            why.append("steeper than 30 %")
        text = f"{' and '.join(why)}: projected depth" if why else ""
        told.append("; ".join(t for t in ("no locate from above" if hidden else "", text) if t))
    return told
