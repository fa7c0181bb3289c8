"""Length that just keeps the limits, its interval, what it hangs on, and what a running plant teaches."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ground.plant import plant

from loopgis.core.errors import RangeError
from loopgis.ground import spread
from loopgis.ground.loads import CopTable, from_hourly, from_hours, from_months
from loopgis.ground.loop import course
from loopgis.ground.sizing import Limits, needed
from loopgis.ground.spread import first_weeks_c, interval, offset_from_readings, what_ifs, with_conductivity
from loopgis.ground.temperature import Wave

LIMITS = Limits(least_c=-2.0, most_c=30.0)


def test_the_needed_length_just_meets_the_limit():
    loop = plant()
    found = needed(loop, LIMITS)
    assert found.governs == "heating"
    assert course(loop, found.heating).least_c() == pytest.approx(LIMITS.least_c, abs=0.01)
    assert course(loop, found.heating * 0.97).least_c() < LIMITS.least_c
    assert course(loop, found.factor).most_c() <= LIMITS.most_c


def test_hours_are_sized_by_their_own_extremes():
    """A cold snap of two days decides; the search goes by months and must still meet the limit hour by hour."""
    loop = plant(years=5)
    heating, cooling = np.repeat(loop.loads.heating_w, 730), np.repeat(loop.loads.cooling_w, 730)
    heating[24 * 30 : 24 * 32] *= 1.8
    hourly = loop.but(loads=from_hourly(heating, cooling))
    found = needed(hourly, LIMITS)
    assert course(hourly, found.factor).least_c() == pytest.approx(LIMITS.least_c, abs=0.05)


def test_cooling_governs_where_it_is_the_larger_load():
    loop = plant(heating_kw=1.0, cooling_kw=14.0)
    limits = Limits(least_c=-2.0, most_c=24.0)
    found = needed(loop, limits)
    assert found.governs == "cooling"
    assert course(loop, found.factor).most_c() == pytest.approx(limits.most_c, abs=0.01)


@pytest.mark.parametrize(
    ("change", "longer"),
    [
        ({"k_w_mk": 1.2}, True),
        ({"bore_factor": 1.4}, True),
        ({"offset_k": -1.0}, True),
        ({"peak_s": 12 * 3600.0}, True),
        ({"film_mk_w": {"heating": 0.16, "cooling": 0.02}}, True),
        ({"k_w_mk": 2.2}, False),
        ({"offset_k": 1.0}, False),
        ({"years": 1}, False),
    ],
)
def test_what_makes_a_loop_longer(change, longer):
    base = needed(plant(), LIMITS).factor
    other = needed(plant(**change), LIMITS).factor
    assert (other > base * 1.002) if longer else (other < base * 0.9995)


def test_a_side_without_load_asks_nothing():
    found = needed(plant(cooling_kw=0.0), LIMITS)
    assert found.cooling == 0.0
    assert found.factor == found.heating


def test_no_length_where_the_ground_is_beyond_the_limit():
    found = needed(plant(cooling_kw=0.0), Limits(least_c=14.0, most_c=30.0))
    assert found.heating is None
    assert found.factor is None


@pytest.mark.parametrize(("loads", "limits"), [((9.0, 6.0), LIMITS), ((1.0, 14.0), Limits(least_c=-2.0, most_c=24.0))])
def test_the_interval_holds_the_answer_and_what_ifs_bracket_it(loads, limits):
    """Low is for the worse and high for the better, whether heating or cooling asks for the length."""
    loop = plant(heating_kw=loads[0], cooling_kw=loads[1])
    base = needed(loop, limits)
    low, high = interval(loop, limits, base)
    assert low < base.factor * 0.95
    assert high > base.factor * 1.05
    helps = 1 if base.governs == "heating" else -1
    ends = []
    for sign in (1, -1):  # each of three things changed alone, the shares added as squares
        changed = [
            with_conductivity(loop, 1 + sign * spread.K_SPREAD),
            loop.but(bore_factor=loop.bore_factor * (1 - sign * spread.R_SPREAD)),
            loop.but(offset_k=loop.offset_k + sign * helps * spread.GROUND_SPREAD_K),
        ]
        logs = [math.log(needed(c, limits).factor / base.factor) for c in changed]
        assert all(-sign * share > 0 for share in logs)
        ends.append(base.factor * math.exp(-sign * math.hypot(*logs)))
    assert (low, high) == pytest.approx(ends, rel=4e-3)
    rows = what_ifs(loop, limits, base)
    assert len({w.name for w in rows}) == len(rows) == 5
    for w in rows:
        assert w.low_factor >= base.factor * 0.995, w
        assert w.high_factor <= base.factor * 1.005, w


def test_the_offset_is_learned_from_the_first_weeks():
    """Readings made with ground 0.7 K warmer and a little noise give the offset back within its own standard error."""
    loop, rng = plant(), np.random.default_rng(4)
    load = -2500 + 600 * rng.standard_normal(35)
    truth = first_weeks_c(loop.but(offset_k=0.7), load, day=300)
    offset, error = offset_from_readings(first_weeks_c(loop, load, day=300), truth + rng.normal(0, 0.1, 35))
    assert offset == pytest.approx(0.7, abs=3 * error)
    assert error < 0.03
    with pytest.raises(RangeError, match="measured_c"):
        offset_from_readings([1.0], [2.0])


def test_first_weeks_follow_the_months():
    """Thirty days of a constant load end where the monthly run of that load ends."""
    from loopgis.ground.simulate import simulate

    loop = plant()
    days = first_weeks_c(loop, np.full(31, -3000.0), day=0)
    run = simulate(
        h_months=loop.h[0][:1],
        length_m=loop.spectrum.length_m,
        resistance_mk_w=loop.resistance_mk_w("heating", 1.0),
        k_w_mk=loop.k_w_mk,
        undisturbed_c=loop.undisturbed_c[:1],
        load_w=np.array([-3000.0]),
    )
    at_month = run.inlet_c[0] + 3000.0 / loop.total_capacity_w_k
    assert np.interp(365 / 12, np.arange(1, 32), days) == pytest.approx(at_month, abs=0.05)


# -- loads -------------------------------------------------------------------------------------------------------------

WAVE = Wave(mean_c=9.0, amplitude_k=12.0, coldest_day=35, diffusivity_m2_s=6e-7)


def test_energy_and_peaks_are_those_given():
    loads = from_hours(heating_peak_w=10000, cooling_peak_w=7000, heating_hours=2000, cooling_hours=700, wave=WAVE)
    assert loads.heating_w.sum() * 730 == pytest.approx(10000 * 2000)
    assert loads.cooling_w.sum() * 730 == pytest.approx(7000 * 700)
    assert loads.heating_peak_w.max() == pytest.approx(10000)
    assert loads.cooling_peak_w.max() == pytest.approx(7000)
    assert np.argmax(loads.heating_w) in {0, 1}
    assert np.argmax(loads.cooling_w) in {6, 7}
    assert (loads.heating_peak_w[loads.heating_peak_w > 0] >= loads.heating_w[loads.heating_peak_w > 0]).all()


def test_the_year_turns_in_the_south():
    """South of the equator the coldest day is in July, and so is the heating."""
    south = Wave(mean_c=9.0, amplitude_k=12.0, coldest_day=35 + 182, diffusivity_m2_s=6e-7)
    loads = from_hours(heating_peak_w=10000, cooling_peak_w=0, heating_hours=2000, cooling_hours=0, wave=south)
    assert np.argmax(loads.heating_w) in {6, 7}


def test_monthly_energies_above_the_peak_are_refused_by_name():
    with pytest.raises(RangeError, match="heating_peak"):
        from_months(heating_kwh=[9000] * 12, cooling_kwh=[], heating_peak_w=5000, cooling_peak_w=0, wave=WAVE)


def test_monthly_energies_are_kept():
    kwh = [900, 800, 600, 300, 100, 0, 0, 0, 50, 300, 600, 800]
    loads = from_months(heating_kwh=kwh, cooling_kwh=[], heating_peak_w=5000, cooling_peak_w=0, wave=WAVE)
    np.testing.assert_allclose(loads.heating_w * 730 / 1000, kwh)
    assert (loads.heating_peak_w[5:8] == 0).all()


@pytest.mark.parametrize(
    ("heating", "words"),
    [(np.ones(8784), "8784 hours"), (-np.ones(8760), "below zero"), (np.zeros(8760), "no load at all")],
)
def test_bad_hours_are_refused(heating, words):
    with pytest.raises(RangeError, match=words):
        from_hourly(heating, heating * 0)


def test_cop_is_interpolated_and_never_extrapolated():
    table = CopTable((0.0, 10.0), (3.0, 4.0))
    assert list(table.at([-20.0, 5.0, 40.0])) == [3.0, 3.5, 4.0]
    for bad in (((10.0, 0.0), (3.0, 4.0)), ((0.0,), (0.9,)), ((0.0,), (17.0,)), ((), ())):
        with pytest.raises(RangeError, match="cop"):
            CopTable(*bad)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"mean_c": 52.0}, "mean_c"),
        ({"amplitude_k": 68.0}, "amplitude_k"),
        ({"amplitude_k": -1.0}, "amplitude_k"),
        ({"diffusivity_m2_s": 0.05}, "diffusivity_m2_s"),
        ({"diffusivity_m2_s": -1e-6}, "diffusivity_m2_s"),
    ],
)
def test_a_wave_in_the_wrong_unit_is_refused_by_name(values, name):
    with pytest.raises(RangeError, match=name):
        Wave(**{"mean_c": 10.0, "amplitude_k": 10.0, "coldest_day": 35, "diffusivity_m2_s": 7e-7, **values})
