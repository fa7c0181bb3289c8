"""What the building asks, month by month and at its peaks, and what of it reaches the ground.

A year has twelve equal months of 365/12 days. Building loads are positive; heat rates of the ground are positive INTO the ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from loopgis.ground.temperature import Wave

YEAR_HOURS = 8760
MONTH_HOURS = YEAR_HOURS / 12
MONTH_S = MONTH_HOURS * 3600
MONTH_DAYS = 365 / 12

HEATING_BASE_C, COOLING_BASE_C = 16.0, 18.3
"""Outdoor temperatures at which a house needs neither (60 to 65 degF, facts/thermal section 6, from memory)."""
DAILY_SPREAD_K = 4.0
"""Standard deviation of a day's mean within its month, from memory (3 to 5 K)."""
DESIGN_SPREADS = 2.5
"""A design day lies this many deviations from its month's mean; house choice."""
LEAST_MONTH_SHARE = 0.005
"""A month with less than this share of the year's energy has no peak."""


@dataclass(frozen=True, eq=False)
class CopTable:
    """Coefficient of performance by entering-water temperature: interpolated, and held at its ends, never extrapolated.

    temperatures_c rising; cops above 1. source: where it comes from. Raises RangeError otherwise.
    """

    temperatures_c: tuple[float, ...]
    cops: tuple[float, ...]
    source: str = ""

    def __post_init__(self) -> None:
        """Refuse tables that are not one."""
        t, c = np.array(self.temperatures_c), np.array(self.cops)
        if len(t) != len(c) or len(t) < 1 or (np.diff(t) <= 0).any():
            raise RangeError(
                "cop", "needs rising temperatures with one figure each", 'e.g. [["0 degC", 3.2], ["10 degC", 3.9]]'
            )
        if not ((c > 1) & (c < 15)).all():
            raise RangeError(
                "cop", f"holds {c.min():g} to {c.max():g}; a COP lies between 1 and 15", "an EER is 3.412 COP"
            )

    def at(self, ewt_c: ArrayLike) -> NDArray[np.float64]:
        """COP at entering-water temperatures."""
        values: NDArray[np.float64] = np.interp(np.asarray(ewt_c, dtype=float), self.temperatures_c, self.cops)
        return values


TYPICAL = "typical single-speed water-to-air unit, within 15 %, from memory (facts/thermal section 6)"
TYPICAL_HEATING = CopTable((-5.0, 20.0), (3.2 - 0.075 * 5, 3.2 + 0.075 * 20), TYPICAL)
TYPICAL_COOLING = CopTable((10.0, 40.0), ((17 + 0.42 * 15) / 3.412, (17 - 0.42 * 15) / 3.412), TYPICAL)


def ground_heating_w(load_w: ArrayLike, cop: ArrayLike) -> NDArray[np.float64]:
    """Heat taken out of the ground for a heating load: q (COP - 1)/COP, a magnitude.

    >>> round(float(ground_heating_w(10550, 3.8)), 1)
    7773.7
    """
    cop_ = np.asarray(cop, dtype=float)
    value: NDArray[np.float64] = np.asarray(load_w, dtype=float) * (cop_ - 1) / cop_
    return value


def ground_cooling_w(load_w: ArrayLike, cop: ArrayLike) -> NDArray[np.float64]:
    """Heat put into the ground for a cooling load: q (COP + 1)/COP."""
    cop_ = np.asarray(cop, dtype=float)
    value: NDArray[np.float64] = np.asarray(load_w, dtype=float) * (cop_ + 1) / cop_
    return value


@dataclass(frozen=True, kw_only=True, eq=False)
class Loads:
    """One year of building loads, W: means and peaks of twelve months, (12,) each; hourly (8760,) or empty.

    A peak of 0 means that the month has none.
    """

    heating_w: NDArray[np.float64]
    cooling_w: NDArray[np.float64]
    heating_peak_w: NDArray[np.float64]
    cooling_peak_w: NDArray[np.float64]
    hourly_heating_w: NDArray[np.float64]
    hourly_cooling_w: NDArray[np.float64]

    def scaled(self, factor: float) -> Loads:
        """All of it times a factor."""
        return Loads(**{name: value * factor for name, value in vars(self).items()})

    def by_month(self) -> Loads:
        """The same without its hours: means and peaks of the months."""
        none = np.zeros(0)
        return Loads(**{**vars(self), "hourly_heating_w": none, "hourly_cooling_w": none})

    @property
    def peak_w(self) -> float:
        """Greatest building load of either kind."""
        return float(max(self.heating_peak_w.max(), self.cooling_peak_w.max()))


def from_hours(
    *, heating_peak_w: float, cooling_peak_w: float, heating_hours: float, cooling_hours: float, wave: Wave
) -> Loads:
    """Loads from peaks and full-load hours: the year's energy is spread by degree days of the place's yearly wave."""
    outdoor = wave.at(0.0, (np.arange(12) + 0.5) * MONTH_DAYS)
    split = _shares(HEATING_BASE_C - outdoor), _shares(outdoor - COOLING_BASE_C)
    energy = [split[0] * heating_peak_w * heating_hours, split[1] * cooling_peak_w * cooling_hours]
    return _with_peaks(energy[0] / MONTH_HOURS, energy[1] / MONTH_HOURS, heating_peak_w, cooling_peak_w, outdoor)


def from_months(
    *,
    heating_kwh: Sequence[float],
    cooling_kwh: Sequence[float],
    heating_peak_w: float,
    cooling_peak_w: float,
    wave: Wave,
) -> Loads:
    """Loads from twelve energies each (empty: none) and the year's peaks."""
    outdoor = wave.at(0.0, (np.arange(12) + 0.5) * MONTH_DAYS)
    means = [np.array(kwh or [0.0] * 12, dtype=float) * 1000 / MONTH_HOURS for kwh in (heating_kwh, cooling_kwh)]
    return _with_peaks(means[0], means[1], heating_peak_w, cooling_peak_w, outdoor)


def from_hourly(heating_w: ArrayLike, cooling_w: ArrayLike, *, peak_hours: int = 6) -> Loads:
    """Loads from 8760 hourly values each, W. Peaks of a month: the greatest mean over peak_hours in a row.

    Raises RangeError for another count of hours, a negative load, or a year without any.
    """
    hourly = [np.asarray(v, dtype=float) for v in (heating_w, cooling_w)]
    for name, values in zip(("heating", "cooling"), hourly, strict=True):
        if values.shape != (YEAR_HOURS,):
            raise RangeError(name, f"has {values.size} hours", f"give {YEAR_HOURS}, from the first of January on")
        if not np.isfinite(values).all() or (values < 0).any():
            raise RangeError(
                name, "has a load below zero or one that is no number", "heating and cooling are both positive"
            )
    if not (hourly[0].any() or hourly[1].any()):
        raise RangeError("hourly", "holds no load at all", "give a load")
    edges = np.round(np.arange(13) * MONTH_HOURS).astype(int)
    months = [np.array([v[a:b].mean() for a, b in pairwise(edges)]) for v in hourly]
    window = np.ones(peak_hours) / peak_hours
    rolling = [np.convolve(np.r_[v[-peak_hours + 1 :], v], window, "valid") for v in hourly]
    peaks = [np.array([v[a:b].max() for a, b in pairwise(edges)]) for v in rolling]
    return Loads(
        heating_w=months[0],
        cooling_w=months[1],
        heating_peak_w=peaks[0],
        cooling_peak_w=peaks[1],
        hourly_heating_w=hourly[0],
        hourly_cooling_w=hourly[1],
    )


def _shares(below_k: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of the year's degree days by month: expected shortfall of a day that spreads about its month's mean."""
    z = below_k / DAILY_SPREAD_K
    density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    whole = 0.5 * (1 + np.array([math.erf(v / math.sqrt(2)) for v in z]))
    days = density + z * whole
    days = np.maximum(days, 0.0)
    shares: NDArray[np.float64] = days / days.sum() if days.sum() > 1e-6 else np.full(12, 1 / 12)
    return shares


def _with_peaks(
    heating_w: NDArray[np.float64],
    cooling_w: NDArray[np.float64],
    heating_peak_w: float,
    cooling_peak_w: float,
    outdoor_c: NDArray[np.float64],
) -> Loads:
    hot = _peaks("heating", heating_w, heating_peak_w, HEATING_BASE_C - outdoor_c)
    cold = _peaks("cooling", cooling_w, cooling_peak_w, outdoor_c - COOLING_BASE_C)
    none = np.zeros(0)
    return Loads(
        heating_w=heating_w,
        cooling_w=cooling_w,
        heating_peak_w=hot,
        cooling_peak_w=cold,
        hourly_heating_w=none,
        hourly_cooling_w=none,
    )


def _peaks(name: str, mean_w: NDArray[np.float64], peak_w: float, below_k: NDArray[np.float64]) -> NDArray[np.float64]:
    """Peak of every month: in proportion to how far a design day lies from the base, the year's peak in the hardest month."""
    if (mean_w > peak_w * 1.0001).any():
        month = int(np.argmax(mean_w)) + 1
        what = f"{peak_w:.0f} W is below the mean load of month {month}, {mean_w.max():.0f} W"
        raise RangeError(f"{name}_peak", what, "check the energies, the hours and the peak")
    reach = np.maximum(below_k + DESIGN_SPREADS * DAILY_SPREAD_K, 0.0)
    share = reach / reach.max() if reach.max() > 0 else np.ones(12)
    has = mean_w > LEAST_MONTH_SHARE * mean_w.sum()
    peaks: NDArray[np.float64] = np.where(has, np.maximum(share * peak_w, mean_w), 0.0)
    if has.any() and not has[np.argmax(reach)]:
        peaks[np.argmax(mean_w)] = peak_w
    return peaks
