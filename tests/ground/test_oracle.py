"""Temperatures at the wall of a level bore over three years: superposition by loopgis.ground against a solve on a mesh (oracle.py).

What a line source misses of a real hole (up to 0.02 K here) is part of the difference; 0.1 K is what is asked for.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from ground import oracle
from ground.oracle import MONTH_S, YEAR_S, Bore, Fineness, Ground
from scipy.special import exp1

from loopgis.ground import response
from loopgis.ground.cylinder import cylinder_g, wall_excess
from loopgis.ground.simulate import simulate
from loopgis.ground.spectrum import spectrum
from loopgis.ground.temperature import Wave

ASKED_K = 0.1
FOUND_K = 0.03
"""Tighter than asked: anything above this has a cause worth looking for."""
NORTH = (-28, -24, -17, -8, 0, 9, 16, 14, 3, -7, -16, -25)
SOUTH = (-9, -8, -4, 3, 12, 21, 27, 26, 17, 6, -3, -8)
CASES = {
    "shallow, wet clay": (Bore(depth_m=3.0), Ground(k_w_mk=1.1, diffusivity_m2_s=0.5e-6), NORTH, 0),
    "usual": (Bore(depth_m=4.0), Ground(k_w_mk=1.5, diffusivity_m2_s=0.7e-6, mean_c=9.0, coldest_day=20.0), NORTH, 9),
    "deep, wet sand": (Bore(depth_m=5.0), Ground(k_w_mk=2.4, diffusivity_m2_s=1.0e-6, amplitude_k=14.0), NORTH, 6),
    "cooling, wide bore": (
        Bore(depth_m=4.5, radius_m=0.075),
        Ground(k_w_mk=1.3, diffusivity_m2_s=0.6e-6, mean_c=19.0, amplitude_k=8.0, coldest_day=15.0),
        SOUTH,
        3,
    ),
    "row at 10 ft": (Bore(depth_m=4.0, half_pitch_m=1.524), Ground(k_w_mk=1.5, diffusivity_m2_s=0.7e-6), NORTH, 9),
    "row at 15 ft": (Bore(depth_m=5.0, half_pitch_m=2.286), Ground(k_w_mk=1.5, diffusivity_m2_s=0.9e-6), NORTH, 0),
}
ROW_EACH_SIDE = 12
"""Bores on either side that stand for an endless row: the next one is 40 m away, in three years heat goes 20 m."""


def endless(bore, times_s, diffusivity_m2_s):
    """Response of an endless bore (or row) from two finite ones, whose end effects cancel."""
    side = 0 if math.isinf(bore.half_pitch_m) else ROW_EACH_SIDE
    across = [2 * bore.half_pitch_m * n if n else 0.0 for n in range(-side, side + 1)]
    whole = []
    for length in (1000.0, 2000.0):
        paths = [[[0.0, y, -bore.depth_m], [length, y, -bore.depth_m]] for y in across]
        h = response(paths, times_s, bore_radius_m=bore.radius_m, diffusivity_m2_s=diffusivity_m2_s)
        whole.append(length * h[:, side, :].sum(axis=1))
    return (whole[1] - whole[0]) / 1000.0


def year_rates(name):
    """Three years of monthly rates from the case's first month on, and that month's start in seconds of the year."""
    _, _, rates, first = CASES[name]
    return np.tile(np.roll(np.array(rates, dtype=float), -first), 3), first * MONTH_S


def on_mesh(name, **kwargs):
    bore, ground, _, _ = CASES[name]
    rates, start = year_rates(name)
    return oracle.wall_month_ends_c(ground, bore, rates, start_s=start, **kwargs)


def wave_of(ground, **changes):
    values = {
        "mean_c": ground.mean_c,
        "amplitude_k": ground.amplitude_k,
        "coldest_day": ground.coldest_day,
        "diffusivity_m2_s": ground.diffusivity_m2_s,
    }
    return Wave(**(values | changes))


def ends_s():
    return MONTH_S * np.arange(1, 37)


def superposed(name, *, h=None, idle_c=None, rates=None):
    """Month ends by loopgis: the wave at the depth of the axis, and every change of rate with the response since then."""
    bore, ground, _, _ = CASES[name]
    own, start = year_rates(name)
    rates = own if rates is None else rates
    h = endless(bore, ends_s(), ground.diffusivity_m2_s) if h is None else h
    idle_c = wave_of(ground).at(bore.depth_m, (start + ends_s()) / 86400) if idle_c is None else idle_c
    return idle_c + np.convolve(np.diff(rates, prepend=0.0), h)[:36] / (2 * math.pi * ground.k_w_mk)


@pytest.fixture(scope="module", params=CASES)
def case(request):
    return request.param, on_mesh(request.param)


def test_walls_agree_at_every_month_end(case):
    name, wall = case
    off = np.abs(superposed(name) - wall).max()
    assert off < FOUND_K < ASKED_K, f"{off:.3f} K"


def test_with_the_cylinder_in_place_of_the_line_it_agrees_better(case):
    """The hole: what loopgis.ground.cylinder adds for it must explain most of the difference."""
    name, wall = case
    bore, ground, _, _ = CASES[name]
    h = endless(bore, ends_s(), ground.diffusivity_m2_s)
    hole = wall_excess(ends_s(), bore_radius_m=bore.radius_m, diffusivity_m2_s=ground.diffusivity_m2_s)
    off = np.abs(superposed(name, h=h + hole) - wall).max()
    assert off < 0.012, f"{off:.4f} K"


def test_the_monthly_simulation_says_the_same(case):
    """simulate() with one bore a metre long: the same walls, whatever the coupling, and the inlet above them by q' R."""
    name, wall = case
    bore, ground, _, _ = CASES[name]
    rates, start = year_rates(name)
    idle = wave_of(ground).at(bore.depth_m, (start + ends_s()) / 86400)
    for coupling in ("inlet", "heat", "wall"):
        run = simulate(
            h_months=endless(bore, ends_s(), ground.diffusivity_m2_s)[:, None, None],
            length_m=np.ones(1),
            resistance_mk_w=np.full(1, 0.17),
            k_w_mk=ground.k_w_mk,
            undisturbed_c=idle[:, None],
            load_w=rates,
            coupling=coupling,
        )
        assert np.abs(run.wall_c[:, 0] - wall).max() < FOUND_K
        assert run.inlet_c - run.wall_c[:, 0] == pytest.approx(0.17 * rates, abs=1e-9)
        assert run.heat_w_m[:, 0] == pytest.approx(rates, abs=1e-9)


@pytest.mark.parametrize("name", ["shallow, wet clay", "usual", "cooling, wide bore"])
def test_without_load_the_wave_comes_down_as_said(name):
    bore, ground, _, first = CASES[name]
    start = first * MONTH_S
    idle = oracle.wall_month_ends_c(ground, bore, np.zeros(24), start_s=start)
    days = (start + MONTH_S * np.arange(1, 25)) / 86400
    level = [[0.0, 0.0, -bore.depth_m], [9.0, 5.0, -bore.depth_m]]
    wave = wave_of(ground)
    assert wave.at(bore.depth_m, days) == pytest.approx(idle, abs=0.02)
    assert wave.along(level, days) == pytest.approx(wave.at(bore.depth_m, days), abs=1e-9)
    assert np.ptp(idle) > 0.5


@pytest.mark.parametrize("fourier", [0.1, 1.0, 10.0, 100.0, 1e3, 1e5])
def test_cylinder_against_its_laplace_transform(fourier):
    """An integral over Bessel functions there, a contour in the complex plane here."""
    assert float(cylinder_g(fourier)[0]) == pytest.approx(oracle.cylinder_g(fourier), rel=1e-5)


WRONG = ("no mirror", "no lag", "lag upwards", "a month late", "surface wave", "steady", "insulated surface")


def wrongly(name, how):
    """Superposition with one piece of the physics wrong."""
    bore, ground, _, _ = CASES[name]
    rates, start = year_rates(name)
    day, alpha = (start + ends_s()) / 86400, ground.diffusivity_m2_s
    damp = math.exp(-bore.depth_m / wave_of(ground).damping_m)
    lag = bore.depth_m / wave_of(ground).damping_m * 365 / (2 * math.pi)
    flat = wave_of(ground, amplitude_k=ground.amplitude_k * damp)
    h = endless(bore, ends_s(), alpha)
    deep = endless(replace(bore, depth_m=500.0), ends_s(), alpha)
    return {
        "no mirror": lambda: superposed(name, h=deep),
        "insulated surface": lambda: superposed(name, h=2 * deep - h),
        "no lag": lambda: superposed(name, idle_c=flat.at(0.0, day)),
        "lag upwards": lambda: superposed(name, idle_c=flat.at(0.0, day + lag)),
        "a month late": lambda: superposed(name, rates=np.r_[0.0, rates[:-1]]),
        "surface wave": lambda: superposed(name, idle_c=wave_of(ground).at(0.0, day)),
        "steady": lambda: superposed(name, h=np.full(36, h[-1])),
    }[how]()


@pytest.mark.parametrize("how", WRONG)
def test_wrong_physics_is_found(case, how):
    """The comparison has teeth: each of these is off by more than what is asked for, in every case."""
    name, wall = case
    assert np.abs(wrongly(name, how) - wall).max() > 1.5 * ASKED_K


@pytest.mark.parametrize(
    ("depth_m", "radius_m", "alpha"), [(3.0, 0.06, 0.5e-6), (5.0, 0.06, 1e-6), (4.0, 0.075, 0.3e-6)]
)
def test_two_finite_bores_make_an_endless_one(depth_m, radius_m, alpha):
    """Against [E1(r^2/4at) - E1(4z^2/4at)]/2, and ln(2z/r) for ever (facts/thermal 1.6, row 2)."""
    times = np.r_[6 * 3600.0, MONTH_S, YEAR_S * np.array([0.5, 1, 3, 10, 50])]
    c2 = 4 * alpha * times
    exact = 0.5 * (exp1(radius_m**2 / c2) - exp1(4 * depth_m**2 / c2))
    found = endless(Bore(depth_m=depth_m, radius_m=radius_m), np.r_[times, np.inf], alpha)
    assert found[:-1] == pytest.approx(exact, abs=3e-4)
    assert found[-1] == pytest.approx(math.log(2 * depth_m / radius_m), abs=1e-3)


@pytest.mark.parametrize(
    ("depth_m", "pitch_m", "printed"), [(4.0, 3.048, 10.336), (5.0, 4.572, 9.367), (8.0, 6.096, 11.029)]
)
def test_a_row_for_ever(depth_m, pitch_m, printed):
    """ln[(w/(pi r)) sinh(2 pi z/w)] per bore (facts/thermal 1.7, M and C); what lies beyond 20 bores is summed by hand."""
    radius, count = 0.06, 20
    paths = [[[0.0, pitch_m * n, -depth_m], [4e5, pitch_m * n, -depth_m]] for n in range(count)]
    h = spectrum(paths, bore_radius_m=radius).response(np.inf, 1e-6)[0, 0]
    reach = 2 * depth_m / pitch_m
    beyond = 0.5 * sum(math.log1p((reach / n) ** 2) for n in range(count, 400)) + 0.5 * reach**2 / 399.5
    exact = math.log(pitch_m / (math.pi * radius) * math.sinh(2 * math.pi * depth_m / pitch_m))
    assert exact == pytest.approx(printed, abs=1e-3)
    assert h[0] + 2 * (h[1:].sum() + beyond) == pytest.approx(exact, abs=0.003)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["shallow, wet clay", "cooling, wide bore", "row at 10 ft"])
def test_the_mesh_is_fine_enough(name):
    """Finer cells, months in thrice as many steps, sides farther away: less than 0.02 K each."""
    usual = on_mesh(name)
    base = Fineness()
    for finer in (
        replace(base, around=72, step_m=0.06, growth=1.06),
        replace(base, steps=3 * base.steps),
        replace(base, far_m=45.0),
    ):
        assert np.abs(on_mesh(name, fineness=finer) - usual).max() < 0.02


def test_the_mesh_covers_the_section():
    """No triangle lost or doubled: the cells' areas add up to the rectangle without the half hole."""
    bore = Bore(depth_m=4.0)
    m = oracle.mesh(bore, Fineness())
    half_hole = 0.5 * bore.radius_m**2 * Fineness().around * math.sin(math.pi / Fineness().around)
    assert m.area.sum() == pytest.approx(Fineness().far_m ** 2 - half_hole, rel=1e-9)
    assert m.wall_share.sum() == pytest.approx(1.0)
    assert np.linalg.norm(m.corner[m.wall] - [0.0, bore.depth_m], axis=1) == pytest.approx(bore.radius_m)
