"""Bores on one header: bounds of the shares, balance, and the ways of computing the same thing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ground.plant import WAVE, fan, plant
from hypothesis import given, settings
from hypothesis import strategies as st

import loopgis.ground
from loopgis.core.errors import RangeError
from loopgis.ground.loads import MONTH_DAYS, MONTH_S, from_hourly
from loopgis.ground.loop import course
from loopgis.ground.simulate import simulate

YEAR = 365.25 * 86400


def random_field(seed: int, count: int):
    """Bores of several lengths and depths from one pad, not touching."""
    rng = np.random.default_rng(seed)
    paths = []
    for n in range(count):
        a = np.radians(11.0 * n + rng.uniform(-2, 2))
        r, z = np.array([4.0, 4.0 + rng.uniform(20, 70)]), rng.uniform(2, 8)
        paths.append(np.column_stack([r * np.cos(a), r * np.sin(a), [-z, -z]]))
    return paths


def shared(matrix, length, total):
    """Heat rates with one temperature at all bores: matrix q = T L, sum L q = total."""
    unit = np.linalg.solve(matrix, length)
    return unit * total / (length @ unit)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 9), st.floats(0.02, 0.6), st.sampled_from([0.02, 0.5, 5.0, 20.0]))
def test_equal_inlet_lies_between_uniform_heat_and_uniform_wall(seed, count, resistance, years):
    """Mean wall temperature, weighted by heat: least for one wall temperature, most for one heat rate, the header between."""
    paths = random_field(seed, count)
    h = loopgis.ground.response(paths, [years * YEAR], bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)[0]
    length = np.array([np.linalg.norm(p[1] - p[0]) for p in paths])
    s = h * length[:, None] / (2 * np.pi * 1.5)
    total = -5000.0
    cases = {
        "wall": shared(s, length, total),
        "inlet": shared(s + np.diag(length * resistance), length, total),
        "heat": np.full(count, total / length.sum()),
    }
    mean = {name: float(q @ s @ q) / total for name, q in cases.items()}
    assert abs(mean["wall"]) <= abs(mean["inlet"]) * (1 + 1e-9)
    assert abs(mean["inlet"]) <= abs(mean["heat"]) * (1 + 1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 8))
def test_disturbance_is_least_when_it_is_equal_at_all_bores(seed, count):
    """Katsifarakis and Kontos 2025, Energies 18(1):163: no other sharing of the same heat disturbs the ground less."""
    paths = random_field(seed, count)
    h = loopgis.ground.response(paths, [YEAR], bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)[0]
    length = np.array([np.linalg.norm(p[1] - p[0]) for p in paths])
    s = h * length[:, None]
    best = shared(s, length, 1000.0)
    wall = s @ best / length
    np.testing.assert_allclose(wall, wall[0], rtol=1e-9)
    rng = np.random.default_rng(seed)
    for _ in range(20):
        other = best * rng.uniform(0.3, 1.9, count)
        other *= 1000.0 / (length @ other)
        assert other @ s @ other >= best @ s @ best * (1 - 1e-12)


def run(coupling: str, load=None, years: int = 8):
    loop = plant(years=years)
    months, n = loop.undisturbed_c.shape
    load = np.full(months, -3000.0) if load is None else load
    return loop, simulate(
        h_months=loop.h[0],
        length_m=loop.spectrum.length_m,
        resistance_mk_w=np.full(n, 0.2),
        k_w_mk=1.6,
        undisturbed_c=loop.undisturbed_c,
        load_w=load,
        coupling=coupling,
    )


def test_the_three_couplings_bracket_each_other_over_the_years():
    """The same steady extraction over eight years: the header's inlet lies between the two bounds at every month's end."""
    inlet = {name: run(name)[1].inlet_c for name in ("inlet", "heat", "wall")}
    gap = np.abs(inlet["heat"] - inlet["inlet"])
    assert 1e-3 < gap.max() < 0.3
    assert np.abs(inlet["wall"] - inlet["inlet"]).max() > 1e-4
    assert (inlet["heat"][12:] <= inlet["inlet"][12:] + 1e-3).all()


def test_heat_put_in_is_the_load_to_the_last_watt():
    load = 2500 * np.sin(np.arange(96) / 2.0) - 800
    for name in ("inlet", "heat", "wall"):
        loop, result = run(name, load)
        np.testing.assert_allclose(result.heat_w_m @ loop.spectrum.length_m, load, atol=1e-6)


def test_equal_inlet_is_equal():
    loop, result = run("inlet")
    water = result.wall_c + result.heat_w_m * 0.2
    np.testing.assert_allclose(water, result.inlet_c[:, None] * np.ones(len(loop.paths)), atol=1e-9)


def test_unit_answers_add_up_to_the_direct_run():
    """A course is made of two unit runs and a convolution; the same loads put through the monthly equations give the same water."""
    loop = plant(cooling_kw=0.0)
    found = course(loop)
    direct = simulate(
        h_months=loop.h[0],
        length_m=loop.spectrum.length_m,
        resistance_mk_w=loop.resistance_mk_w("heating", 1.0),
        k_w_mk=loop.k_w_mk,
        undisturbed_c=loop.undisturbed_c,
        load_w=found.load_w,
    )
    np.testing.assert_allclose(direct.inlet_c - found.load_w / loop.total_capacity_w_k, found.mean_c, atol=1e-6)
    np.testing.assert_allclose(direct.heat_w_m, found.heat_w_m, atol=1e-6)


def test_longer_bores_bring_the_water_nearer_to_the_ground():
    loop = plant(cooling_kw=0.0)
    one, two = course(loop, 1.0), course(loop, 2.0)
    assert two.least_c() > one.least_c()
    ground = loop.undisturbed_c.mean(axis=1)
    assert (np.abs(two.mean_c - ground) < np.abs(one.mean_c - ground)).all()


def test_hours_and_months_agree_for_loads_that_change_only_by_the_month():
    loop = plant(years=3)
    hourly = from_hourly(np.repeat(loop.loads.heating_w, 730), np.repeat(loop.loads.cooling_w, 730))
    by_hour = course(loop.but(loads=hourly))
    none = np.zeros(0)
    by_month = course(loop.but(loads=replace(hourly, hourly_heating_w=none, hourly_cooling_w=none)))
    heated = loop.loads.heating_w > 1000
    lowest = by_hour.heating_c[-12:][heated]
    at_end = by_month.mean_c[-12:][heated]
    falling = np.array([0, 1, 10, 11])  # months in which the water falls to their end: October to February
    kept = [k for k, m in enumerate(np.flatnonzero(heated)) if m in falling]
    np.testing.assert_allclose(lowest[kept], at_end[kept], atol=0.08)
    assert by_hour.hourly_c.shape == (8760,)


def test_an_hourly_peak_is_seen():
    loop = plant(years=2, cooling_kw=0.0)
    heating = np.repeat(loop.loads.heating_w, 730)
    spiky = heating.copy()
    spiky[24 * 40 : 24 * 40 + 6] *= 2.0
    base = course(loop.but(loads=from_hourly(heating, heating * 0)))
    peak = course(loop.but(loads=from_hourly(spiky, heating * 0)))
    assert peak.heating_c[1] < base.heating_c[1] - 0.5
    assert peak.heating_c[13] == pytest.approx(peak.least_c(12), abs=1e-9)


def test_undisturbed_ground_is_that_of_the_wave():
    loop = plant(years=1, cooling_kw=0.0)
    level = np.array([(0, 0, -4.5), (10, 0, -4.5)])
    np.testing.assert_allclose(WAVE.along(level, [30.0]), WAVE.at(4.5, [30.0]), atol=1e-12)
    legs = WAVE.mean_between(0, 4.5, MONTH_DAYS)
    assert loop.undisturbed_c[0, 0] != pytest.approx(float(legs[0] if legs.ndim else legs))


def test_the_response_of_touching_bores_is_refused_as_such():
    near = [np.array([(0, 0, -4.0), (60, 0, -4.0)]), np.array([(0, 0.13, -4.0), (60, 0.13, -4.0)])]
    h = loopgis.ground.response(near, [MONTH_S], bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)
    h[:, 0, 1] = h[:, 1, 0] = h[:, 0, 0] * 1.1
    with pytest.raises(RangeError, match="touching"):
        simulate(
            h_months=h,
            length_m=np.full(2, 60.0),
            resistance_mk_w=np.zeros(2),
            k_w_mk=1.5,
            undisturbed_c=np.full((1, 2), 10.0),
            load_w=np.array([100.0]),
        )


@pytest.mark.parametrize("k", [-1.6, 0.0, float("nan")])
def test_a_conductivity_that_is_not_positive_is_refused_by_name(k):
    with pytest.raises(RangeError, match="k_w_mk"):
        simulate(
            h_months=np.ones((1, 1, 1)),
            length_m=np.ones(1),
            resistance_mk_w=np.ones(1),
            k_w_mk=k,
            undisturbed_c=np.ones((1, 1)),
            load_w=np.ones(1),
        )


def test_more_bores_cost_little_time():
    """Forty-four bores over twenty years run in well under a second."""
    import time

    paths = fan(count=44, turn=8.1, level=40.0)
    away = np.radians(8.1 * np.arange(44))
    shift = 40.0 * np.column_stack([np.cos(away), np.sin(away), np.zeros(44)])
    loop = plant([p + d for p, d in zip(paths, shift, strict=True)])
    _ = loop.steps
    begin = time.process_time()
    course(loop)
    assert time.process_time() - begin < 4
