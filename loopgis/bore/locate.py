"""Where the head may be: the error of its place along a bore, and how well a thing in the ground can be located from above.

A walkover locator fixes the head at every rod end that somebody can stand over and that lies within its range. From there on the
head is only known by its pitch, which is read all the time, and by the heading it had: sideways it drifts. All errors are standard
deviations; a customary "so many percent" is read as two of them (from memory). Source of the drift: facts/hdd section 6, worked out
there as a modelling suggestion (D).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.figures import along
from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

DEPTH_SHARE = 0.05
"""Customary accuracy of a walkover depth read, share of the depth (facts/hdd section 6 and row 59, M)."""
PROJECTED_DEPTH_M = 15 * 0.3048
"""Deeper than 15 ft the locate line is not above the head (facts/hdd section 6, S)."""
PROJECTED_PITCH_PCT = 30.0
"""Steeper than this neither (facts/hdd section 6, S)."""
PROJECTED_FACTOR = 2.0
"""How much a projected fix counts over a plain one: house choice, no source."""
SAME_M = 1e-6
"""Stations and depths nearer than this are the same."""
PAS_128 = {"B1": (0.15, 0.15), "B2": (0.25, 0.40), "B3": (0.50, 0.0)}
"""PAS 128 by level of survey: least error (m), share of the depth; B3 tells no depth (facts/hdd section 6 and row 62, S)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadError:
    """Error of the head's place along one bore, (n,) each.

    lateral_m, vertical_m: standard deviations sideways and in height; since_fix_m: drilled length since the last reliable locate
    (or the entry); blind: nobody stands over the head, or it is beyond the locator's range; projected: deeper than 15 ft or steeper
    than 30 %, so that a depth read there is a projected one.
    """

    lateral_m: Array
    vertical_m: Array
    since_fix_m: Array
    blind: Flags
    projected: Flags


def head_error(
    *,
    station_m: ArrayLike,
    depth_m: ArrayLike,
    pitch_pct: ArrayLike,
    blind: ArrayLike,
    rod_length_m: float,
    bend_radius_m: float,
    locator_range_m: float,
    depth_share: float = DEPTH_SHARE,
    least_m: float = 0.02,
    heading_rad: float = math.radians(1.0),
    pitch_share: float = 0.01,
    curvature_share: float = 1 / 5,
) -> HeadError:
    """Standard deviations of the head's place at the stations of a bore.

    station_m: (n,) drilled metres, 0 at the entry; depth_m: (n,) below the ground; pitch_pct: (n,); blind: (n,) nobody can stand
    over the head. A fix is made at the entry, good to `least_m`, and at every rod end that is not blind and not deeper than
    `locator_range_m`: its error is half of `depth_share` of the depth, at least `least_m`, twice that where the read is projected,
    the same in height and sideways. A rod end between two stations counts as blind when either of them is. s metres after a fix:

        lateral^2 = fix^2 + (s heading_rad)^2 + (curvature_share / bend_radius_m s^2 / 2)^2
        vertical^2 = fix^2 + (s pitch_share)^2

    Raises RangeError on figures that do not fit the stations or are out of range. Source: facts/hdd section 6: 5 % (M), 1 degree,
    1 / (5 R) (D), pitch read to 0.1 to 1 %, of which 1 % is taken (M); `least_m` and the factor 2 are house choices, no source.

    >>> e = head_error(station_m=[0, 3, 6, 9], depth_m=[0, 1, 1, 1], pitch_pct=0, blind=[False, False, True, True],
    ...                rod_length_m=3.0, bend_radius_m=30.0, locator_range_m=9.0)
    >>> e.since_fix_m.tolist(), e.vertical_m.round(4).tolist()
    ([0.0, 0.0, 3.0, 6.0], [0.02, 0.025, 0.0391, 0.065])
    """
    station, depth, pitch = along(station_m, depth_m=depth_m, pitch_pct=pitch_pct)
    if abs(station[0]) > SAME_M:
        raise RangeError("station_m", f"begins at {station[0]:g}", "give the drilled metres from the entry")
    not_negative(depth_m=depth, depth_share=depth_share, heading_rad=heading_rad, pitch_share=pitch_share)
    not_negative(curvature_share=curvature_share)
    positive(rod_length_m=rod_length_m, bend_radius_m=bend_radius_m, locator_range_m=locator_range_m, least_m=least_m)
    hidden = np.asarray(blind, dtype=bool)
    if hidden.shape not in {(), station.shape}:
        raise RangeError("blind", f"has shape {hidden.shape} for {station.size} stations", "give one flag for each")
    hidden = np.broadcast_to(hidden, station.shape)

    ends = rod_length_m * np.arange(1, math.floor((station[-1] + SAME_M) / rod_length_m) + 1)
    after = np.minimum(np.searchsorted(station, ends - SAME_M), station.size - 1)
    before = np.where(station[after] <= ends + SAME_M, after, after - 1)
    end_depth, end_pitch = np.interp(ends, station, depth), np.interp(ends, station, pitch)
    seen = ~(hidden[before] | hidden[after] | _too_deep(end_depth, locator_range_m))
    fix = np.maximum(depth_share * end_depth / 2, least_m) * np.where(
        _projected(end_depth, end_pitch), PROJECTED_FACTOR, 1.0
    )

    fix_station = np.concatenate([[0.0], ends[seen]])
    fix_error = np.concatenate([[least_m], fix[seen]])
    last = np.maximum(np.searchsorted(fix_station, station + SAME_M, side="right") - 1, 0)
    since = np.maximum(station - fix_station[last], 0.0)
    bend = curvature_share / bend_radius_m * since**2 / 2
    return HeadError(
        lateral_m=np.sqrt(fix_error[last] ** 2 + (since * heading_rad) ** 2 + bend**2),
        vertical_m=np.hypot(fix_error[last], since * pitch_share),
        since_fix_m=since,
        blind=hidden | _too_deep(depth, locator_range_m),
        projected=_projected(depth, pitch),
    )


def dipole_depth_m(*, separation_m: ArrayLike) -> Array:
    """Depth of a level transmitter, from the distance of the front and the rear locate point: separation / sqrt 2.

    The level part of a dipole's field is zero at d / sqrt 2 before and behind it (facts/hdd section 6 and row 60, D). Raises
    RangeError unless positive.

    >>> round(float(dipole_depth_m(separation_m=3.048)), 3)
    2.155
    """
    positive(separation_m=separation_m)
    return np.asarray(separation_m, dtype=float) / math.sqrt(2)


def depth_error_m(*, depth_m: ArrayLike) -> Array:
    """Customary accuracy of a depth read without interference: 5 % of it (facts/hdd row 59, M). Raises RangeError when negative.

    >>> round(float(depth_error_m(depth_m=3.0)), 3)
    0.15
    """
    not_negative(depth_m=depth_m)
    return DEPTH_SHARE * np.asarray(depth_m, dtype=float)


def designation_error_m(*, level: str, depth_m: ArrayLike) -> tuple[Array, Array | None]:
    """Error in plan and in depth of a buried line that was found from above, by the PAS 128 level of the survey.

    level: "B1" (the greater of 150 mm and 15 % of the depth), "B2" (250 mm and 40 %), "B3" (500 mm in plan; no depth is told:
    None). Half a band, not a standard deviation. Raises RangeError on any other level: B4 is assumed and has no figure. Source:
    facts/hdd section 6 and row 62 (S; that the greater counts, and in depth as in plan: M).

    >>> [float(e) for e in designation_error_m(level="B1", depth_m=2.0)]
    [0.3, 0.3]
    """
    if level not in PAS_128:
        raise RangeError("level", f"{level!r} has no error in PAS 128", f"give one of {', '.join(PAS_128)}")
    not_negative(depth_m=depth_m)
    least, share = PAS_128[level]
    error = np.maximum(least, share * np.asarray(depth_m, dtype=float))
    return error, error.copy() if share else None


def _projected(depth: Array, pitch: Array) -> Flags:
    """Where a depth read is a projected one."""
    return (depth > PROJECTED_DEPTH_M + SAME_M) | (np.abs(pitch) > PROJECTED_PITCH_PCT + SAME_M)


def _too_deep(depth: Array, range_m: float) -> Flags:
    """Where the head is beyond the locator's range."""
    return depth > range_m + SAME_M
