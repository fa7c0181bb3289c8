"""Friction: both laws against the library `fluids`, laminar flow in closed form, the smooth law's derivative and inverse."""

from __future__ import annotations

import math

import fluids.friction as library
import numpy as np
import pytest
from fluids.fittings import contraction_sharp, diffuser_sharp
from hypothesis import given, settings
from hypothesis import strategies as st

import loopgis.hydraulics
from loopgis.core.errors import RangeError
from loopgis.hydraulics.friction import (
    fitting_k,
    friction_factor,
    head_loss,
    inside_diameter_m,
    pipe_law,
    pump_power_w,
    reducer_k,
    reynolds,
)
from loopgis.tables.load import load_table

WATER = {"density_kg_m3": 1000.0, "viscosity_pa_s": 1.5e-3}
PIPE = {"flow_m3_s": 3e-4, "length_m": 100.0, "inside_diameter_m": 0.027, **WATER}
NUMBERS = 10 ** np.linspace(0, 7, 141)
ROUGH = (0.0, 1e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.05)
unit = st.floats(0, 1)


# friction factor --------------------------------------------------------------


@pytest.mark.parametrize("rough", ROUGH)
def test_churchill_is_the_library_s(rough: float) -> None:
    mine = friction_factor(reynolds=NUMBERS, relative_roughness=rough)
    theirs = [library.Churchill_1977(float(re), rough) for re in NUMBERS]
    assert mine == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("rough", ROUGH)
def test_colebrook_solves_its_own_equation_and_is_laminar_below(rough: float) -> None:
    f = friction_factor(reynolds=NUMBERS, relative_roughness=rough, law="colebrook")
    slow = NUMBERS < 2040
    assert f[slow] == pytest.approx(64 / NUMBERS[slow], rel=1e-15)
    root = 1 / np.sqrt(f[~slow])
    assert root == pytest.approx(-2 * np.log10(rough / 3.7 + 2.51 * root / NUMBERS[~slow]), rel=1e-8)
    theirs = [library.friction_factor(Re=float(re), eD=rough, Method="Colebrook") for re in NUMBERS]
    assert f == pytest.approx(theirs, rel=1e-12)


def test_where_the_two_laws_part() -> None:
    """Full turbulence within 3.5 %; laminar within nine digits to Re 1300 and 0.2 % at 2000; Colebrook jumps at 2040."""
    fast = NUMBERS[NUMBERS > 4000]
    for rough in ROUGH:
        pair = [friction_factor(reynolds=fast, relative_roughness=rough, law=law) for law in ("churchill", "colebrook")]
        assert pair[0] == pytest.approx(pair[1], rel=0.035)
    slow = np.linspace(1, 1300, 50)
    assert friction_factor(reynolds=slow) == pytest.approx(64 / slow, rel=1e-9)
    assert float(friction_factor(reynolds=2000.0)) == pytest.approx(64 / 2000, rel=2e-3)
    below, above = (float(friction_factor(reynolds=re, law="colebrook")) for re in (2039.999, 2040.0))
    assert below == pytest.approx(64 / 2040, rel=1e-5)
    assert 1.5 < above / below < 1.7
    smooth = friction_factor(reynolds=np.linspace(2000, 4000, 20001))
    assert np.abs(np.diff(smooth)).max() < 2e-5


def test_the_room_exports_its_calls() -> None:
    assert loopgis.hydraulics.head_loss is head_loss
    for name in loopgis.hydraulics.__all__:
        assert getattr(loopgis.hydraulics, name).__name__ == name
    with pytest.raises(AttributeError, match="nothing_of_that_kind"):
        _ = loopgis.hydraulics.nothing_of_that_kind


# loss --------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit)
def test_laminar_loss_is_hagen_poiseuille(a: float, b: float, c: float) -> None:
    """128 mu L Q / (pi D^4) by either law."""
    length, diameter, viscosity = 1 + 400 * a, 0.01 + 0.1 * b, 1e-3 + 0.02 * c
    flow = 1200 * math.pi * diameter * viscosity / (4 * 1000)
    for law in ("churchill", "colebrook"):
        got = head_loss(
            flow_m3_s=flow,
            length_m=length,
            inside_diameter_m=diameter,
            density_kg_m3=1000,
            viscosity_pa_s=viscosity,
            law=law,
        )
        assert float(got.reynolds) == pytest.approx(1200)
        assert float(got.loss_pa) == pytest.approx(128 * viscosity * length * flow / (math.pi * diameter**4), rel=1e-9)


def test_darcy_weisbach_by_hand_and_the_public_call() -> None:
    got = loopgis.hydraulics.head_loss(**PIPE, minor_k=4.0, law="colebrook")
    velocity = 3e-4 / (math.pi / 4 * 0.027**2)
    number = 1000 * velocity * 0.027 / 1.5e-3
    f = library.Colebrook(number, 1.5e-6 / 0.027)
    assert float(got.velocity_m_s) == pytest.approx(velocity)
    assert (
        float(got.reynolds)
        == pytest.approx(number)
        == pytest.approx(float(reynolds(**{k: PIPE[k] for k in PIPE if k != "length_m"})))
    )
    assert float(got.friction_factor) == pytest.approx(f, rel=1e-9)
    assert float(got.loss_pa) == pytest.approx((f * 100 / 0.027 + 4) * 1000 * velocity**2 / 2, rel=1e-9)
    assert float(got.head_m) == pytest.approx(float(got.loss_pa) / 9806.65)


def test_equivalent_length_is_more_pipe_and_k_is_more_drag() -> None:
    plain, longer = head_loss(**PIPE), head_loss(**{**PIPE, "length_m": 112.5})
    assert float(head_loss(**PIPE, equivalent_length_m=12.5).loss_pa) == pytest.approx(float(longer.loss_pa))
    as_k = float(plain.friction_factor) * 12.5 / 0.027
    assert float(head_loss(**PIPE, minor_k=as_k).loss_pa) == pytest.approx(float(longer.loss_pa))


def test_arrays_give_what_figures_give_and_rest_loses_nothing() -> None:
    flows, lengths = np.array([0.0, 1e-5, 1e-4, 1e-3]), np.array([[50.0], [200.0]])
    many = head_loss(**{**PIPE, "flow_m3_s": flows, "length_m": lengths})
    assert many.loss_pa.shape == (2, 4)
    for i, length in enumerate(lengths[:, 0]):
        for j, flow in enumerate(flows):
            one = head_loss(**{**PIPE, "flow_m3_s": float(flow), "length_m": float(length)})
            assert many.loss_pa[i, j] == float(one.loss_pa)
            assert many.friction_factor[i, j] == float(one.friction_factor)
    assert many.loss_pa[:, 0].tolist() == [0.0, 0.0]
    assert np.isinf(many.friction_factor[:, 0]).all()


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit)
def test_more_flow_narrower_longer_rougher_all_lose_more(a: float, b: float, c: float) -> None:
    base = {**PIPE, "flow_m3_s": 10 ** (-6 + 3.5 * a), "inside_diameter_m": 0.015 + 0.06 * b, "roughness_m": 1e-4 * c}
    here = float(head_loss(**base).loss_pa)
    assert float(head_loss(**{**base, "flow_m3_s": base["flow_m3_s"] * 1.01}).loss_pa) > here
    assert float(head_loss(**{**base, "inside_diameter_m": base["inside_diameter_m"] * 0.99}).loss_pa) > here
    assert float(head_loss(**{**base, "length_m": 101.0}).loss_pa) > here
    assert float(head_loss(**{**base, "roughness_m": base["roughness_m"] + 1e-4}).loss_pa) >= here


# the smooth law --------------------------------------------------------------


def one_law(length: float, diameter: float, k: float, viscosity: float):
    return pipe_law(
        length_m=np.array([length]),
        inside_diameter_m=np.array([diameter]),
        minor_k=np.array([k]),
        roughness_m=1.5e-6,
        density_kg_m3=1020.0,
        viscosity_pa_s=viscosity,
    )


@settings(max_examples=100, deadline=None)
@given(unit, unit, unit, unit, unit)
def test_law_is_head_loss_with_its_derivative_and_inverse(a: float, b: float, c: float, d: float, e: float) -> None:
    length, diameter, k, viscosity = 1 + 300 * a, 0.012 + 0.08 * b, 20 * c, 10 ** (-3.2 + d)
    law = one_law(length, diameter, k, viscosity)
    flow = np.array([10 ** (-8 + 6 * e)])
    loss, slope = law.loss_pa(flow)
    expected = head_loss(
        flow_m3_s=flow,
        length_m=length,
        inside_diameter_m=diameter,
        density_kg_m3=1020.0,
        viscosity_pa_s=viscosity,
        minor_k=k,
    )
    assert loss == pytest.approx(expected.loss_pa, rel=1e-12)
    back, same = law.loss_pa(-flow)
    assert (back[0], same[0]) == (-loss[0], slope[0])
    h = 1e-5
    measured = (law.loss_pa(flow * (1 + h))[0] - law.loss_pa(flow * (1 - h))[0]) / (2 * h * flow)
    assert slope == pytest.approx(measured, rel=1e-6)
    assert law.loss_pa(flow * 0.7)[0] <= 0.7 * loss * (1 + 1e-12)  # grows at least as the flow
    for start, close in ((flow, 1e-9), (flow * 0.9, 1e-2), (flow * 1e-3, 1.0), (flow * 1e3, 1.0)):
        below = law.flow_below_m3_s(loss, near_m3_s=start)
        assert 0 < below[0] <= flow[0] * (1 + 1e-14)
        assert below == pytest.approx(flow, rel=close)


def test_law_at_rest_has_the_laminar_slope() -> None:
    loss, slope = one_law(100.0, 0.02, 5.0, 2e-3).loss_pa(np.zeros(1))
    assert loss.tolist() == [0.0]
    assert slope[0] == pytest.approx(128 * 2e-3 * 100 / (math.pi * 0.02**4), rel=1e-9)


# pipes, fittings, power --------------------------------------------------------------


def test_fittings_have_sources_and_sit_in_their_ranges() -> None:
    rows = load_table("fittings")["fitting"]
    for row in rows:
        assert row["source"][:2] in {"M:", "S:", "D:"}
        assert 0 < row["k_low"] <= row["k"] <= row["k_high"]
        assert fitting_k(row["kind"]) == row["k"]
    assert len({r["kind"] for r in rows}) == len(rows) >= 6


@pytest.mark.parametrize(("wide", "narrow"), [(0.05, 0.04), (0.04, 0.0273), (0.0494, 0.0218)])
def test_reducers_against_the_library(wide: float, narrow: float) -> None:
    """Widening is Borda and Carnot's exactly; narrowing by the textbook's 0.5 (1 - b^2), within 0.13 of a finer formula."""
    assert reducer_k(from_diameter_m=narrow, to_diameter_m=wide) == pytest.approx(diffuser_sharp(narrow, wide))
    assert reducer_k(from_diameter_m=wide, to_diameter_m=narrow) == pytest.approx(
        contraction_sharp(wide, narrow), abs=0.13
    )
    assert reducer_k(from_diameter_m=wide, to_diameter_m=wide) == 0.0


def test_inside_diameter_of_the_mean_wall() -> None:
    """facts/thermal section 7: mean wall 0.849, 1.061, 1.340 in for DR 11."""
    for od, mean in ((1.050, 0.849), (1.315, 1.061), (1.660, 1.340)):
        got = inside_diameter_m(outside_diameter_m=od * 0.0254, dr=11, wall_over_least=1.06)
        assert got / 0.0254 == pytest.approx(mean, abs=0.002)


def test_pump_power() -> None:
    assert float(pump_power_w(flow_m3_s=1e-3, loss_pa=5e4, efficiency=0.5)) == pytest.approx(100)
    with_unit = pump_power_w(flow_m3_s=np.array([1e-3, 0.0]), loss_pa=5e4, heat_pump_pa=5e4, efficiency=1.0)
    assert with_unit.tolist() == pytest.approx([100.0, 0.0])


# bad figures --------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"flow_m3_s": -1e-4}, "flow_m3_s"),
        ({"flow_m3_s": math.nan}, "flow_m3_s"),
        ({"length_m": -1.0}, "length_m"),
        ({"inside_diameter_m": 0.0}, "inside_diameter_m"),
        ({"density_kg_m3": 0.0}, "density_kg_m3"),
        ({"viscosity_pa_s": math.inf}, "viscosity_pa_s"),
        ({"roughness_m": -1e-6}, "roughness_m"),
        ({"roughness_m": 2e-3}, "relative roughness"),
        ({"minor_k": -0.1}, "minor_k"),
        ({"equivalent_length_m": math.nan}, "equivalent_length_m"),
        ({"law": "guess"}, "law"),
        ({"flow_m3_s": 0.0, "law": "guess"}, "law"),
        ({"flow_m3_s": np.ones(2), "length_m": np.ones(3)}, "figures"),
        ({"flow_m3_s": []}, "flow_m3_s"),
    ],
)
def test_bad_figures_are_refused_in_one_line(change: dict[str, object], named: str) -> None:
    with pytest.raises(RangeError, match=rf"^{named}: ") as caught:
        head_loss(**{**PIPE, **change})
    assert "\n" not in str(caught.value)


def test_other_bad_figures_are_refused() -> None:
    for number in (0.0, -1.0, math.nan):
        with pytest.raises(RangeError, match=r"^reynolds: "):
            friction_factor(reynolds=number)
    with pytest.raises(RangeError, match=r"^relative_roughness: "):
        friction_factor(reynolds=1e4, relative_roughness=-1e-3)
    with pytest.raises(RangeError, match=r"^law: "):
        friction_factor(reynolds=1e4, law="guess")
    for efficiency in (0.0, 1.1, math.nan):
        with pytest.raises(RangeError, match=r"^efficiency: "):
            pump_power_w(flow_m3_s=1e-3, loss_pa=1e4, efficiency=efficiency)
    with pytest.raises(RangeError, match=r"^heat_pump_pa: "):
        pump_power_w(flow_m3_s=1e-3, loss_pa=1e4, efficiency=0.5, heat_pump_pa=-1.0)
    with pytest.raises(RangeError, match=r"^kind: "):
        fitting_k("trumpet")
    with pytest.raises(RangeError, match=r"^dr: "):
        inside_diameter_m(outside_diameter_m=0.04, dr=2.0)
    with pytest.raises(RangeError, match=r"^wall_over_least: "):
        inside_diameter_m(outside_diameter_m=0.04, dr=11.0, wall_over_least=0.9)
    with pytest.raises(RangeError, match=r"^to_diameter_m: "):
        reducer_k(from_diameter_m=0.04, to_diameter_m=0.0)
