"""Temperature of undisturbed ground: rows 29-31 of facts/thermal, and the table of its section 2.

Numbers and tolerances as printed there. Status: S seen in the named source, M from memory, C computed by other people's numerics.
"""

from __future__ import annotations

import math

import pytest
from published.rows import Row
from scipy.optimize import brentq

from loopgis.ground.temperature import YEAR_DAYS, Wave

DAY_S = 86400.0
WAVE = Wave(mean_c=12.0, amplitude_k=11.0, coldest_day=35.0, diffusivity_m2_s=0.05 / DAY_S)
SLOW = Wave(mean_c=0.0, amplitude_k=1.0, coldest_day=0.0, diffusivity_m2_s=2e-7)


def point_c(depth_m: float, day: float) -> float:
    return float(WAVE.at(depth_m, day))


def leg_c(day: float) -> float:
    return float(WAVE.mean_between(0.5, 5.0, day))


def path_c(day: float) -> float:
    """The same leg as a path that goes down in plan too."""
    return float(WAVE.along([(3.0, 4.0, -0.5), (9.0, 12.0, -2.0), (21.0, 28.0, -5.0)], [day])[0])


def amplitude_k(wave: Wave, depth_m: float) -> float:
    """Two temperatures a quarter of a year apart are sine and cosine of one swing."""
    return math.hypot(*(float(wave.at(depth_m, day)) - wave.mean_c for day in (0.0, YEAR_DAYS / 4)))


def lag_days(depth_m: float) -> float:
    """Days from the surface's coldest to that of a depth: a quarter of a year before its coldest, a depth is at its mean."""
    guess = depth_m * 24.1
    day = WAVE.coldest_day
    return float(brentq(lambda d: point_c(depth_m, day + d - YEAR_DAYS / 4) - WAVE.mean_c, guess - 40, guess + 40))


def five_percent_m() -> float:
    return float(brentq(lambda z: amplitude_k(SLOW, z) - 0.05, 1.0, 9.0))


KUSUDA = "Kusuda and Achenbach 1965, formula"
MEAN = "Kusuda and Achenbach 1965, mean over the leg in closed form and by quadrature"
EXERCISE = "textbook exercise (question seen, answer not shown there)"

ROWS = [
    Row(29, "day-35", point_c, (5.0, 35.0), 12.667, 1e-3, KUSUDA, "C"),
    Row(29, "day-125", point_c, (5.0, 125.0), 10.804, 1e-3, KUSUDA, "C"),
    Row(29, "day-217", point_c, (5.0, 217.0), 11.323, 1e-3, KUSUDA, "C"),
    Row(30, "day-35", leg_c, (35.0,), 9.647755, 1e-6, MEAN, "C"),
    Row(30, "day-125", leg_c, (125.0,), 9.259815, 1e-6, MEAN, "C"),
    Row(30, "day-217", leg_c, (217.0,), 14.329004, 1e-6, MEAN, "C"),
    Row(31, "damping", lambda: SLOW.damping_m, (), 1.41691, 1e-4, EXERCISE, "S"),
    Row(31, "five-percent", five_percent_m, (), 4.24469, 1e-4, EXERCISE, "S"),
]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_as_printed(row: Row) -> None:
    assert row.of(*row.given) == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


@pytest.mark.parametrize("row", [r for r in ROWS if r.of is leg_c], ids=str)
def test_bent_path_of_even_dip_has_the_mean_of_the_leg(row: Row) -> None:
    """Length-weighted mean over two pieces of one dip: the same numbers (row 30)."""
    assert path_c(*row.given) == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


DAYS = (35, 80, 125, 217, 300)
TABLE = {
    0: ((1.000, 4.139, 11.763, 23.000, 13.651), 11.00, 0),
    1: ((5.352, 5.201, 8.929, 18.623, 15.893), 7.26, 24),
    3: ((10.985, 9.175, 8.978, 12.989, 15.120), 3.17, 72),
    5: ((12.667, 11.630, 10.804, 11.323, 13.096), 1.38, 120),
    8: ((12.392, 12.329, 12.079, 11.609, 11.872), 0.40, 193),
}
"""Depth: temperatures on DAYS, amplitude, days behind the surface (facts/thermal section 2, C)."""


@pytest.mark.parametrize("depth_m", TABLE)
def test_table_of_depths(depth_m: int) -> None:
    temperatures, amplitude, lag = TABLE[depth_m]
    assert WAVE.at(depth_m, DAYS) == pytest.approx(temperatures, abs=1e-3)
    assert amplitude_k(WAVE, depth_m) == pytest.approx(amplitude, abs=0.006)
    assert lag_days(depth_m) == pytest.approx(lag, abs=0.6)
    assert WAVE.damping_m == pytest.approx(2.410, abs=1e-3)  # same place
