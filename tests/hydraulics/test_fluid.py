"""Fluids: the shipped table against the library it was made from, and what a site file may call them."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from loopgis.core.errors import InputError, RangeError
from loopgis.hydraulics.fluid import fluid_of

# facts/thermal rows 44 and 45: CoolProp 8.0 INCOMP::MPG-20 % by mass, 2 bar; density, viscosity, conductivity, specific heat
PRINTED = {0.0: (1020.08, 4.3124e-3, 0.4711, 3935.9), 30.0: (1010.91, 1.5078e-3, 0.5024, 3997.8)}


@pytest.mark.parametrize("temperature_c", PRINTED)
def test_rows_44_and_45(temperature_c):
    state = fluid_of("propylene glycol 20 %", where="x").state(temperature_c)
    got = (state.density_kg_m3, state.viscosity_pa_s, state.conductivity_w_mk, state.heat_capacity_j_kgk)
    for value, printed, tolerance in zip(got, PRINTED[temperature_c], (1e-3, 1e-2, 1e-3, 1e-3), strict=True):
        assert value == pytest.approx(printed, rel=tolerance)


def test_prandtl_of_the_printed_rows():
    """facts/thermal section 7: Pr 36.03 at 0 and 12.00 at 30 degrees C."""
    fluid = fluid_of("propylene glycol 20 %", where="x")
    assert fluid.state(0.0).prandtl == pytest.approx(36.03, rel=2e-3)
    assert fluid.state(30.0).prandtl == pytest.approx(12.00, rel=2e-3)


@pytest.mark.parametrize(
    ("name", "code", "top"), [("propylene glycol", "MPG", 59), ("methanol", "MMA", 39), ("ethanol", "MEA", 39)]
)
def test_the_table_says_what_the_library_says_between_its_rows(name, code, top):
    """CoolProp, incompressible solutions: viscosity within 0.3 %, the rest within 0.05 %, freezing point within 0.1 K."""
    for share in (0.07, 0.12, 0.22, 0.33, 0.39):
        fluid = fluid_of(f"{name} {100 * share} %", where="x")
        full = f"INCOMP::{code}[{share}]"
        assert fluid.freeze_c == pytest.approx(PropsSI("T_freeze", "T", 300.0, "P", 2e5, full) - 273.15, abs=0.1)
        for t in np.linspace(fluid.freeze_c + 0.3, top, 9):
            state = fluid.state(float(t))
            for value, letter, tolerance in (
                (state.density_kg_m3, "D", 5e-4),
                (state.viscosity_pa_s, "V", 3e-3),
                (state.conductivity_w_mk, "L", 5e-4),
                (state.heat_capacity_j_kgk, "C", 5e-4),
            ):
                assert value == pytest.approx(PropsSI(letter, "T", t + 273.15, "P", 2e5, full), rel=tolerance)


def test_water():
    """facts/thermal section 7: water at 5 degrees C 1000.02, 1.5180e-3, .5679, 4204.6."""
    state = fluid_of("water", where="x").state(5.0)
    assert state.viscosity_pa_s == pytest.approx(1.5180e-3, rel=1e-3)
    assert state.conductivity_w_mk == pytest.approx(0.5679, rel=1e-3)
    assert state.heat_capacity_j_kgk == pytest.approx(4204.6, rel=1e-3)


def test_row_48_reynolds_number():
    """Water at 40 degF, 2 gpm in 3/4 in DR11: 4758 printed in a contractor article, 4760 computed (facts/thermal row 48, S)."""
    state = fluid_of("water", where="x").state(40 / 1.8 - 32 / 1.8)
    assert state.reynolds(2 * 6.30902e-5, 0.860 * 0.0254) == pytest.approx(4758, rel=5e-3)


def test_by_volume_is_more_by_mass_for_glycol_and_less_for_methanol():
    """Trap e of facts/thermal: a share by volume is not one by mass."""
    assert fluid_of("propylene glycol 22 % by volume", where="x").mass_share == pytest.approx(0.2264, abs=1e-3)
    assert fluid_of("methanol 20 % by volume", where="x").mass_share == pytest.approx(0.1655, abs=1e-3)
    assert fluid_of("Methanol 20 % by mass", where="x").mass_share == pytest.approx(0.20)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("brine 20 %", "one of water"),
        ("propylene glycol", "has no share"),
        ("propylene glycol 80 %", "outside 5 to 40"),
        ("propylene glycol 2 %", "outside 5 to 40"),
        ("methanol 1.2.3 %", "not a number"),
        ("", "not known"),
    ],
)
def test_what_is_not_known_is_refused_by_name(text, words):
    with pytest.raises(InputError, match=words) as refused:
        fluid_of(text, where="site.toml [pipe] fluid")
    assert "[pipe] fluid" in str(refused.value)


def test_below_freezing_is_refused():
    with pytest.raises(RangeError, match="freezes"):
        fluid_of("water", where="x").state(-1.0)
