"""Hour by hour: the step response of a field as one curve, and any hourly loads by fast Fourier transform."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopgis.ground.loads import MONTH_S, YEAR_HOURS, ground_cooling_w, ground_heating_w
from loopgis.ground.loop import HOUR_S, convolved

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.ground.loop import Answer, Loop, Side

    Array = NDArray[np.float64]

EARLY = 24
"""Times between one hour and one month at which the response is computed; between them a smooth curve in ln t."""
ROUNDS, SETTLED_K = 6, 1e-3


def step_response_k_w(loop: Loop, side: Side, answer: Answer, hours: int, factor: float) -> Array:
    """(hours,) warming of the inlet after 1, 2, ... hours of a constant heat rate, K per W.

    Month by month it is exact; within the first month the bores share the heat as the response at that hour says, at one stroke.
    """
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415

    resistance = loop.resistance_mk_w(side, factor)
    early = np.geomspace(HOUR_S, MONTH_S, EARLY)
    first = [loop.at_once_k_w(h, resistance, factor) for h in loop.cylinders(early[:-1])]
    months = np.cumsum(answer.unit_k_w)
    times = np.r_[early[:-1], np.arange(1, len(months) + 1) * MONTH_S]
    curve = PchipInterpolator(np.log(times), np.r_[first, months], extrapolate=True)
    values: Array = curve(np.log(np.arange(1, hours + 1) * HOUR_S))
    return values


def hourly_course(loop: Loop, answers: dict[Side, Answer], factor: float) -> tuple[Array, Array, Array, Array]:
    """Entering water of every hour of the horizon, for heating and for cooling, and the building loads of those hours.

    Each value holds at the end of its hour, under that hour's load.
    """
    hours = loop.years * YEAR_HOURS
    loads: dict[Side, Array] = {
        "heating": np.tile(loop.loads.hourly_heating_w, loop.years),
        "cooling": np.tile(loop.loads.hourly_cooling_w, loop.years),
    }
    cap = loop.total_capacity_w_k
    at = np.arange(1, hours + 1) * HOUR_S / MONTH_S
    idle, impulse = {}, {}
    for side, a in answers.items():
        ends = np.arange(len(a.idle_c) + 1)
        idle[side] = np.interp(at, ends, np.r_[a.idle_c[11], a.idle_c])
        impulse[side] = np.diff(step_response_k_w(loop, side, a, hours, factor), prepend=0.0)
    ewt = {side: v.copy() for side, v in idle.items()}
    for _ in range(ROUNDS):
        into = ground_cooling_w(loads["cooling"], loop.cop["cooling"].at(ewt["cooling"])) - ground_heating_w(
            loads["heating"], loop.cop["heating"].at(ewt["heating"])
        )
        before = dict(ewt)
        ewt = {side: idle[side] + convolved(impulse[side], into) - into / cap for side in idle}
        if max(float(np.max(np.abs(ewt[s] - before[s]))) for s in ewt) < SETTLED_K:
            break
    return ewt["heating"], ewt["cooling"], loads["heating"], loads["cooling"]
