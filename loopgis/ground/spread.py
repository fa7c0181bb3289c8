"""What the needed length hangs on: a what-if at a time, an honest interval, and one number learned from the running plant.

Repeat interpretations of one ground test differ by 12 % in conductivity and 34 % in bore resistance (published, facts/thermal
and the
issue that asked for this); the mean ground temperature of a place is seldom known better than 1 K (house choice). The interval
takes these one at a time and adds them as independent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.ground.sizing import needed

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from loopgis.ground.loop import Loop, Side
    from loopgis.ground.sizing import Limits, Needed

K_SPREAD, R_SPREAD, GROUND_SPREAD_K = 0.12, 0.34, 1.0
ROUGH_K, ALONE = 0.03, 0.6
"""What-ifs are found to this many kelvin; a side that needs less than this share of the other one is left out of them."""
SLURRY_W_MK = 0.65
"""Drilling fluid left in the bore, about water (facts/thermal section 3: 0.60 to 0.70, from memory)."""
ENHANCED_W_MK = 1.7
"""Thermally enhanced grout, lower end (S: grout suppliers' pages, facts/thermal section 3)."""


@dataclass(frozen=True, kw_only=True)
class WhatIf:
    """One thing changed for the worse (low) and the better (high): length factors then needed, None: no length would do."""

    name: str
    low: str
    high: str
    low_factor: float | None
    high_factor: float | None

    def said(self, units: str) -> tuple[str, str]:
        """Both changes in the words of a sheet; units: "us" or "metric"."""
        low, high = (t.replace("1 K ", "1.8 °F ") if units == "us" else t for t in (self.low, self.high))
        return low, high


def with_conductivity(loop: Loop, share: float) -> Loop:
    """The loop in ground that conducts `share` times as well at the same heat capacity."""
    wave = replace(loop.wave, diffusivity_m2_s=loop.wave.diffusivity_m2_s * share)
    return loop.but(k_w_mk=loop.k_w_mk * share, wave=wave)


def with_fill(loop: Loop, k_fill_w_mk: float) -> Loop:
    """The loop with another fill round its pipes."""
    return loop.but(section=replace(loop.section, k_fill_w_mk=k_fill_w_mk))


def with_pipes_apart(loop: Loop) -> Loop:
    """The loop with its pipes as far apart as the bore allows."""
    s = loop.section
    return loop.but(section=replace(s, half_spacing_m=max(s.bore_radius_m - s.pipe_outer_radius_m, s.half_spacing_m)))


def _search(limits: Limits, base: Needed) -> Callable[[Loop], float | None]:
    """Needed factor of a changed loop: near the base one, and on the side that governs when the other is far behind."""
    sides = [base.heating or 0.0, base.cooling or 0.0]
    only = base.governs if min(sides) < ALONE * max(sides) else None
    return lambda changed: needed(changed, limits, start=max(sides), close_k=ROUGH_K, only=only).factor


def what_ifs(loop: Loop, limits: Limits, base: Needed) -> tuple[WhatIf, ...]:
    """Needed length factors with one thing changed at a time; base: what is needed without any change."""
    of = _search(limits, base)

    k = loop.k_w_mk
    helps = 1.0 if base.governs == "heating" else -1.0  # warmer ground shortens a heating loop
    fill = loop.section.k_fill_w_mk
    grouts = (min(SLURRY_W_MK, fill), max(ENHANCED_W_MK, fill))
    return (
        WhatIf(
            name="ground conductivity",
            low=f"20 % less, {0.8 * k:.2f} W/(m K)",
            high=f"20 % more, {1.2 * k:.2f} W/(m K)",
            low_factor=of(with_conductivity(loop, 0.8)),
            high_factor=of(with_conductivity(loop, 1.2)),
        ),
        WhatIf(
            name="fill of the bore",
            low=f"drilling slurry, {grouts[0]:.2f} W/(m K)",
            high=f"enhanced grout, {grouts[1]:.2f} W/(m K)",
            low_factor=of(with_fill(loop, grouts[0])),
            high_factor=of(with_fill(loop, grouts[1])),
        ),
        WhatIf(
            name="ground temperature",
            low="1 K colder" if helps > 0 else "1 K warmer",
            high="1 K warmer" if helps > 0 else "1 K colder",
            low_factor=of(loop.but(offset_k=loop.offset_k - helps)),
            high_factor=of(loop.but(offset_k=loop.offset_k + helps)),
        ),
        WhatIf(
            name="load of the building",
            low="10 % more",
            high="10 % less",
            low_factor=of(loop.but(loads=loop.loads.scaled(1.1))),
            high_factor=of(loop.but(loads=loop.loads.scaled(0.9))),
        ),
        WhatIf(
            name="pipes in the bore",
            low="as assumed",
            high="as far apart as it allows",
            low_factor=base.factor,
            high_factor=of(with_pipes_apart(loop)),
        ),
    )


def interval(loop: Loop, limits: Limits, base: Needed) -> tuple[float, float | None]:
    """Length factors between which the usual uncertainty leaves the answer; the upper is None when no length would be safe."""
    of = _search(limits, base)
    middle = base.factor or 0.0
    helps = 1.0 if base.governs == "heating" else -1.0

    changes: tuple[Callable[[float], Loop], ...] = (
        lambda sign: with_conductivity(loop, 1 + sign * K_SPREAD),
        lambda sign: loop.but(bore_factor=loop.bore_factor * (1 - sign * R_SPREAD)),
        lambda sign: loop.but(offset_k=loop.offset_k + sign * helps * GROUND_SPREAD_K),
    )
    good, bad = [of(change(+1.0)) for change in changes], [of(change(-1.0)) for change in changes]
    low = math.exp(-math.hypot(*(max(0.0, math.log(middle / f)) for f in good if f is not None)))
    if any(f is None for f in bad):
        return middle * low, None
    return middle * low, middle * math.exp(math.hypot(*(max(0.0, math.log(f / middle)) for f in bad if f is not None)))


def offset_from_readings(predicted_c: ArrayLike, measured_c: ArrayLike) -> tuple[float, float]:
    """Ground temperature offset that makes a prediction meet readings of entering water, and its standard error, K.

    predicted_c: with the loads that were really drawn in those weeks; measured_c: readings of the same times. All bores have
    one inlet,
    so a warmer ground by 1 K warms the water by 1 K: the offset is the mean difference. Raises RangeError below two readings.
    """
    off = np.asarray(measured_c, dtype=float) - np.asarray(predicted_c, dtype=float)
    if off.ndim != 1 or off.size < 2 or not np.isfinite(off).all():
        raise RangeError("measured_c", f"has {off.size} readings that can be used", "give at least two")
    return float(off.mean()), float(off.std(ddof=1) / math.sqrt(off.size))


def first_weeks_c(loop: Loop, load_w: ArrayLike, *, day: float) -> NDArray[np.float64]:
    """Entering water at the end of each day from a start day of the year on, for daily mean heat rates INTO the ground, W.

    For calibration: the plant has drawn nothing before.
    """
    from loopgis.ground.hourly import step_response_k_w  # noqa: PLC0415

    load = np.asarray(load_w, dtype=float)
    side: Side = "heating" if load.sum() <= 0 else "cooling"
    answer = loop.answer(side, 1.0)
    hours = 24 * len(load)
    step = step_response_k_w(loop, side, answer, hours, 1.0)[23::24]
    days = day + 1 + np.arange(len(load))
    ground = np.column_stack([loop.wave.along(p, days) for p in loop.paths]) + loop.offset_k
    idle = np.average(ground, axis=1, weights=loop.spectrum.length_m)
    warming = np.convolve(np.diff(step, prepend=0.0), load)[: len(load)]
    values: NDArray[np.float64] = idle + warming - load / loop.total_capacity_w_k
    return values
