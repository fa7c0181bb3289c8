"""Temperature of undisturbed ground through the year, at a depth and along a path (Kusuda and Achenbach 1965)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

YEAR_DAYS = 365.0
DAY_S = 86400.0


@dataclass(frozen=True, kw_only=True)
class Wave:
    """The yearly wave of the ground surface and how it goes down.

    mean_c: mean of the year; amplitude_k: mean to coldest, at the surface; coldest_day: day of the year; diffusivity_m2_s.
    Raises RangeError for an amplitude below 0 or above 40 K, a mean outside -20..45 and a diffusivity out of range.
    """

    mean_c: float
    amplitude_k: float
    coldest_day: float
    diffusivity_m2_s: float

    def __post_init__(self) -> None:
        """Refuse what cannot be meant."""
        for name, low, high, hint in (
            ("mean_c", -20.0, 45.0, "degrees Celsius, the mean of the year"),
            ("amplitude_k", 0.0, 40.0, "kelvin, mean to coldest, not degrees Fahrenheit and not the whole swing"),
            ("diffusivity_m2_s", 5e-8, 5e-6, "m2/s; 1 m2/day is 1.157e-5 m2/s"),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise RangeError(name, f"{value:g} is outside {low:g} to {high:g}", hint)

    @property
    def damping_m(self) -> float:
        """Depth at which the wave has fallen to 1/e."""
        return math.sqrt(2 * self.diffusivity_m2_s * YEAR_DAYS * DAY_S / (2 * math.pi))

    def at(self, depth_m: ArrayLike, day: ArrayLike) -> NDArray[np.float64]:
        """Temperature, degrees Celsius, at depths (positive down) and days of the year; shapes are broadcast."""
        z = np.asarray(depth_m, dtype=float) / self.damping_m
        phase = 2 * math.pi / YEAR_DAYS * (np.asarray(day, dtype=float) - self.coldest_day)
        value: NDArray[np.float64] = self.mean_c - self.amplitude_k * np.exp(-z) * np.cos(phase - z)
        return value

    def mean_between(self, depth_1_m: float, depth_2_m: float, day: ArrayLike) -> NDArray[np.float64]:
        """Mean over a straight leg from one depth to another, in closed form."""
        phasor = _leg(np.array([depth_1_m], dtype=float), np.array([depth_2_m], dtype=float), self.damping_m)[0]
        return self._turned(phasor, day)

    def along(self, path: ArrayLike, days: ArrayLike) -> NDArray[np.float64]:
        """(days,) mean over a path (n, 3), z up and 0 at the ground surface, weighted by length."""
        points = np.asarray(path, dtype=float)
        length = np.linalg.norm(np.diff(points, axis=0), axis=1)
        phasors = _leg(-points[:-1, 2], -points[1:, 2], self.damping_m)
        return self._turned(complex(np.average(phasors, weights=length)), days)

    def _turned(self, phasor: complex, days: ArrayLike) -> NDArray[np.float64]:
        turn = np.exp(2j * math.pi / YEAR_DAYS * (np.asarray(days, dtype=float) - self.coldest_day))
        value: NDArray[np.float64] = self.mean_c - self.amplitude_k * np.real(turn * phasor)
        return value


def _leg(top_m: NDArray[np.float64], bottom_m: NDArray[np.float64], damping_m: float) -> NDArray[np.complex128]:
    """Mean of exp(-(1 + i) z / d) between two depths: value at the middle times sinh(x)/x, x half the leg."""
    gamma = (1 + 1j) / damping_m
    x = gamma * (bottom_m - top_m) / 2
    small = np.abs(x) < 1e-4
    safe = np.where(small, 1.0, x)
    ratio = np.where(small, 1 + x**2 / 6, np.sinh(safe) / safe)
    value: NDArray[np.complex128] = np.exp(-gamma * (top_m + bottom_m) / 2) * ratio
    return value
