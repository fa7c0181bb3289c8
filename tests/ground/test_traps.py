"""Mistakes that ground-heat codes are known for, one test each: traps a, b, c, d, g, h, i and j at the end of facts/thermal.

Numbers are from that sheet (C: computed by other people's numerics; M: from memory). Traps e and f concern fluids and pipes.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import loopgis.ground
from loopgis.core.errors import RangeError
from loopgis.ground.pulses import handbook_factors
from loopgis.ground.resistance import multipole
from loopgis.ground.segments import segments_of
from loopgis.ground.simulate import simulate
from loopgis.ground.spectrum import Precision, point_response, spectrum
from loopgis.ground.temperature import YEAR_DAYS, Wave

YEAR = 365.25 * 86400.0
FINE = Precision(step=0.02, receiver=48, inside=48, outside=32, alone=80)
SKEW = [np.array([(-30.0, 0, -4), (30, 0, -4)]), np.array([(-20.0, -10, -7), (25, 18, -8)])]
LEVEL = [(0.0, 0.0, -5.0), (60.0, 0.0, -5.0)]
FAR_DOWN_M = 1e6


def h_of(paths: Any, time_s: float, precision: Precision = FINE, radius_m: float = 0.06, alpha: float = 1e-6) -> Any:
    """(N, N) response at one time."""
    return spectrum(paths, bore_radius_m=radius_m, precision=precision).response([time_s], alpha)[0]


def turned(paths: Any, axis: int, angle: float) -> list[Any]:
    """Paths turned rigidly about a horizontal (0, 1) or the vertical (2) axis through the point 6 m under the origin."""
    i, j = [k for k in range(3) if k != axis]
    turn = np.eye(3)
    turn[i, i] = turn[j, j] = math.cos(angle)
    turn[i, j], turn[j, i] = -math.sin(angle), math.sin(angle)
    centre = np.array([0.0, 0.0, -6.0])
    return [(p - centre) @ turn.T + centre for p in paths]


def deeper(paths: Any, by_m: float) -> list[Any]:
    """The same paths further down."""
    return [np.asarray(p) - [0.0, 0.0, by_m] for p in paths]


@pytest.mark.parametrize(("axis", "angle"), [(0, 0.08), (1, -0.06), (2, 1.2)])
def test_a_only_the_image_knows_which_way_is_up(axis: int, angle: float) -> None:
    """Rigid turns of a pair leave its real part as it is, self and cross; a tilt changes the image, a turn in plan does not."""
    moved = turned(SKEW, axis, angle)
    real, real_moved = (h_of(deeper(p, 500.0), 10 * YEAR) for p in (SKEW, moved))
    np.testing.assert_allclose(real_moved, real, atol=1e-8)
    change = np.abs(h_of(moved, 10 * YEAR) - h_of(SKEW, 10 * YEAR)).max()
    assert change < 1e-8 if axis == 2 else change > 1e-3


def test_b_image_of_an_inclined_leg_is_not_parallel_to_it() -> None:
    """Steady image of a leg of 20 m that dips 16 degrees from 1 m down: 1.1113294 by Neumann's closed form (row 17, C).

    A parallel leg at the mean distance, straight up or square to the leg, would take off 0.07 and more too little.
    """
    dip, length = math.radians(16), 20.0
    leg = np.array([(0, 0, -1), (length * math.cos(dip), 0, -1 - length * math.sin(dip))])
    far = length / (4 * FAR_DOWN_M)  # a mirror image so far off is a point
    image = h_of(deeper([leg], FAR_DOWN_M), math.inf)[0, 0] + far - h_of([leg], math.inf)[0, 0]
    assert image == pytest.approx(1.1113294, abs=1e-6)
    for distance in (-leg[:, 2].sum(), -leg[:, 2].sum() * math.cos(dip)):
        parallel = (length * math.asinh(length / distance) - math.hypot(length, distance) + distance) / length
        assert image - parallel > 0.06


PER_DAY = 0.06
"""A usual diffusivity in m2 per DAY, 86 400 times its figure in m2/s."""


@pytest.mark.parametrize(
    "call",
    [
        lambda: loopgis.ground.response([LEVEL], [YEAR], bore_radius_m=0.06, diffusivity_m2_s=PER_DAY),
        lambda: spectrum([LEVEL], bore_radius_m=0.06).response([YEAR], PER_DAY),
        lambda: point_response([(0, 3, -5)], [LEVEL], [YEAR], bore_radius_m=0.06, diffusivity_m2_s=PER_DAY),
        lambda: Wave(mean_c=12, amplitude_k=11, coldest_day=35, diffusivity_m2_s=PER_DAY),
    ],
    ids=["response", "spectrum", "points", "wave"],
)
def test_c_diffusivity_per_day_is_refused_by_name(call: Any) -> None:
    with pytest.raises(RangeError, match=r"^diffusivity_m2_s: 0\.06 .*1 m2/day is 1\.157e-5 m2/s"):
        call()


def test_c_diffusivity_per_second_is_refused_where_days_are_asked() -> None:
    with pytest.raises(RangeError, match=r"^diffusivity_m2_day: 7e-07 .*m2 per day"):
        handbook_factors(bore_radius_m=0.06, diffusivity_m2_day=0.7e-6)


def test_d_row_of_bores_has_the_factor_two() -> None:
    """Steady response in an endless row: ln[(2w/(pi D)) sinh(2 pi z/w)] (from memory; 9.36686 at 5 m and 15 ft, row 9, C).

    With w/(pi D), as one page prints it, the answer would be ln 2 less.
    """
    pitch, depth, radius = 4.572, 5.0, 0.06
    angle = 2 * math.pi * np.arange(8) / 8
    wall = np.column_stack([np.zeros(8), radius * np.cos(angle), radius * np.sin(angle) - depth])
    sums = []
    for count in (60, 120):
        row = [[(-4000.0, pitch * n, -depth), (4000.0, pitch * n, -depth)] for n in range(-count, count + 1)]
        h = point_response(wall, row, [math.inf], bore_radius_m=radius, diffusivity_m2_s=1e-6)[0]
        sums.append(h.sum(axis=1).mean())
    # what is left out falls as 1/(n + 1/2)
    endless = (sums[1] * 120.5 - sums[0] * 60.5) / 60
    assert endless == pytest.approx(9.36686, abs=1e-3)
    assert endless == pytest.approx(
        math.log(2 * pitch / (math.pi * 2 * radius) * math.sinh(2 * math.pi * depth / pitch)), abs=1e-3
    )


def endless(depth_m: float, time_s: float) -> float:
    """Response of an endless level bore: what the second half of a bore twice as long adds."""
    once, twice = (h_of([[(0, 0, -depth_m), (x, 0, -depth_m)]], time_s)[0, 0] for x in (1000.0, 2000.0))
    return float(2 * twice - once)


def test_g_surface_cuts_the_ten_years_of_a_shallow_bore() -> None:
    """5.077 at 5 m against 6.095 without a surface (facts/thermal 4.1, C); the handbook's pulses add up to the latter (M)."""
    shallow, deep = endless(5.0, 10 * YEAR), endless(400.0, 10 * YEAR)
    assert shallow == pytest.approx(5.077, abs=1e-3)
    assert deep == pytest.approx(6.095, abs=1e-3)
    handbook = 2 * math.pi * sum(handbook_factors(bore_radius_m=0.06, diffusivity_m2_day=1e-6 * 86400))
    assert handbook == pytest.approx(deep, abs=0.02)
    assert handbook / shallow == pytest.approx(1.20, abs=0.01)


def test_h_coldest_ground_is_not_added_to_the_coldest_month() -> None:
    """At 5 m the ground is coldest 120 days after the surface (facts/thermal section 2, C), when heating is past its worst.

    The water of a month is that of its load in steady ground plus the ground's own swing of that month, no more.
    """
    wave = Wave(mean_c=12.0, amplitude_k=11.0, coldest_day=35.0, diffusivity_m2_s=0.05 / 86400)
    ends = (np.arange(24) + 1) * YEAR_DAYS / 12
    load = -np.tile([3000.0, 2500, 1800, 900, 200, 0, 0, 0, 200, 900, 1900, 2800], 2)
    case: dict[str, Any] = {
        "h_months": loopgis.ground.response([LEVEL], ends * 86400, bore_radius_m=0.06, diffusivity_m2_s=0.05 / 86400),
        "length_m": np.array([60.0]),
        "resistance_mk_w": np.array([0.2]),
        "k_w_mk": 1.5,
        "load_w": load,
    }
    ground = wave.along(LEVEL, ends)[:, None]
    month_by_month = simulate(undisturbed_c=ground, **case).inlet_c
    from_load = simulate(undisturbed_c=np.zeros((24, 1)), **case).inlet_c
    np.testing.assert_allclose(month_by_month, from_load + ground[:, 0], atol=1e-9)
    days = np.arange(365)
    coldest_day = int(days[np.argmin(wave.at(5.0, days))])
    assert coldest_day - wave.coldest_day == pytest.approx(120, abs=1)
    assert wave.at(5.0, wave.coldest_day) > wave.mean_c
    twice_counted = simulate(undisturbed_c=np.full((24, 1), float(wave.at(5.0, coldest_day))), **case).inlet_c
    assert month_by_month.min() - twice_counted.min() > 1.5


TUBE: dict[str, Any] = {
    "bore_radius_m": 0.05715,
    "pipe_radius_m": 0.0167,
    "half_spacing_m": 0.022,
    "k_fill_w_mk": 1.2,
    "k_ground_w_mk": 1.4,
}


def test_i_beta_of_one_is_no_singularity() -> None:
    """At 2 pi k R_p = 1 the corrections of first order vanish; left is 1 + ln[...] (Claesson and Hellstrom 2011, from memory)."""
    k = TUBE["k_fill_w_mk"]
    one = 1 / (2 * math.pi * k)
    at = multipole(pipe_mk_w=one, **TUBE)
    around = [np.array(multipole(pipe_mk_w=one * (1 + d), **TUBE)) for d in (-1e-6, 1e-6)]
    np.testing.assert_allclose(at, sum(around) / 2, rtol=1e-10)
    shift, t1 = (k - 1.4) / (k + 1.4), 0.022 / 0.05715
    bore = 1 + math.log(0.05715 / 0.0167 / (2 * t1 * (1 - t1**4) ** shift))
    internal = 1 + math.log(((1 + t1**2) / (1 - t1**2)) ** shift * 2 * 0.022 / 0.0167)
    assert at == pytest.approx((bore / (4 * math.pi * k), internal / (math.pi * k)), rel=1e-12)


def kinked(path: Any, cuts: list[float]) -> Any:
    """A straight path cut at shares of its length, each cut put 0.3 mm aside so that it stays a vertex."""
    start, end = np.asarray(path)
    points = start + np.array([0.0, *cuts, 1.0])[:, None] * (end - start)
    points[1:-1, 1] += 3e-4 * (-1.0) ** np.arange(len(cuts))
    return points


@pytest.mark.parametrize("cuts", [[0.5], [1 / 3, 0.55], [0.01, 0.02, 0.97], [i / 40 for i in range(1, 40)]], ids=len)
def test_j_ends_that_touch_do_not_matter(cuts: list[float]) -> None:
    """60 m at 5 m keep their 4.694876 after a year (row 26, C) wherever they are cut, also into pieces of 0.6 m."""
    path = kinked(LEVEL, cuts)
    assert len(segments_of([path]).length) == len(cuts) + 1
    assert h_of([path], YEAR)[0, 0] == pytest.approx(4.694876, abs=2e-5)
    assert h_of([path], YEAR, Precision())[0, 0] == pytest.approx(4.694876, abs=1e-4)
