"""Mud: rows 19-22, 52-58 of facts/hdd, its sections 2 and 5, the plastic zone integrated by hand, and what the formulas must do.

Numbers and tolerances as printed there. Status: S seen in the source, M from memory, D worked out from the stated formula.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published.rows import Row

from loopgis.bore.mud import (
    annular_demand_pa,
    annular_velocity_m_s,
    bingham_loss_pa_m,
    capacity_pa,
    fluid_ratio,
    ground_stress,
    hole_volume_m3_m,
    largest_pull_speed_m_s,
    mud_flow,
    mud_pressures,
    mud_volumes,
    plastic_radius_m,
    power_law_loss_pa_m,
    reamer,
    shear_modulus_pa,
)
from loopgis.bore.pipe import PSI_PA
from loopgis.core.errors import RangeError

FT, IN, LBF = 0.3048, 0.0254, 4.4482216152605
GAL = 231 * IN**3
"""US gallon, m3."""
FL1, FL2 = "driller-journal fluid article 1", "driller-journal fluid article 2"
DELFT = "section 5, re-derived and integrated"
HOLE = 2 * 0.0635


def volume_gal_ft(inches: float) -> float:
    return hole_volume_m3_m(hole_diameter_m=inches * IN) * FT / GAL


def fluid_gal(feet: float, inches: float, ratio: float) -> float:
    return mud_volumes(length_m=feet * FT, hole_diameter_m=inches * IN, ratio=ratio).fluid_m3 / GAL


def hole_yd3(feet: float, inches: float) -> float:
    return mud_volumes(length_m=feet * FT, hole_diameter_m=inches * IN, ratio=2).hole_m3 / (3 * FT) ** 3


def ream_in(which: str, od_in: float, pipes: int) -> float:
    return float(getattr(reamer(outside_diameter_m=od_in * IN, pipes=pipes), which)) / IN


def speed_ft_min(gpm: float, inches: float, ratio: float) -> float:
    speed = largest_pull_speed_m_s(pump_m3_s=gpm * GAL / 60, hole_diameter_m=inches * IN, ratio=ratio)
    return speed / FT * 60


def velocity_ft_s(gpm: float, hole_in: float, rod_in: float) -> float:
    speed = annular_velocity_m_s(pump_m3_s=gpm * GAL / 60, hole_diameter_m=hole_in * IN, rod_diameter_m=rod_in * IN)
    return speed / FT


def bingham(gpm: float, hole_in: float, rod_in: float, pv_cp: float, yp: float) -> float:
    """Pa/m by the SI twin; readings that give the viscosity and the yield."""
    flow = mud_flow(dial_600=2 * pv_cp + yp, dial_300=pv_cp + yp)
    assert flow.viscosity_pa_s == pytest.approx(pv_cp / 1000)
    return bingham_loss_pa_m(
        velocity_m_s=velocity_ft_s(gpm, hole_in, rod_in) * FT,
        viscosity_pa_s=flow.viscosity_pa_s,
        yield_pa=flow.yield_pa,
        hole_diameter_m=hole_in * IN,
        rod_diameter_m=rod_in * IN,
    )


def bingham_psi_ft(*given: float) -> float:
    return bingham(*given) / PSI_PA * FT


def bingham_field_psi_ft(gpm: float, hole_in: float, rod_in: float, pv_cp: float, yp: float) -> float:
    """The field equation (M), written out here, to set the SI twin against it."""
    v, gap = gpm / (2.448 * (hole_in**2 - rod_in**2)), hole_in - rod_in
    return pv_cp * v / (1000 * gap**2) + yp / (200 * gap)


def power_law_psi_ft(gpm: float, hole_in: float, rod_in: float, dial_600: float, dial_300: float) -> float:
    flow = mud_flow(dial_600=dial_600, dial_300=dial_300)
    loss = power_law_loss_pa_m(
        velocity_m_s=velocity_ft_s(gpm, hole_in, rod_in) * FT,
        index=flow.index,
        consistency_pa_s_n=flow.consistency_pa_s_n,
        hole_diameter_m=hole_in * IN,
        rod_diameter_m=rod_in * IN,
    )
    return loss / PSI_PA * FT


def power_law_field_psi_ft(gpm: float, hole_in: float, rod_in: float, dial_600: float, dial_300: float) -> float:
    """The field equation (M), written out here."""
    v, gap = gpm / (2.448 * (hole_in**2 - rod_in**2)), hole_in - rod_in
    n = 3.32 * math.log10(dial_600 / dial_300)
    k = 510 * dial_300 / 511**n
    return k * v**n / (144000 * gap ** (1 + n)) * ((2 + 1 / n) / 0.0208) ** n


def static_kpa(gravity: float, metres: float) -> float:
    demand = annular_demand_pa(station_m=[0, metres], z_m=[0, -metres], loss_pa_m=0, mud_gravity=gravity)
    return float(demand[-1]) / 1000


def static_psi(ppg: float, feet: float) -> float:
    """Pounds per gallon over those of water, 8.3454 (62.4 lb/ft3 is 8.342)."""
    demand = annular_demand_pa(
        station_m=[0, feet * FT],
        z_m=[0, -feet * FT],
        loss_pa_m=0,
        mud_gravity=1.0,
        water_n_m3=ppg * LBF / GAL,
    )
    return float(demand[-1]) / PSI_PA


def delft_kpa(stress: float, pore: float, c: float, degrees: float, g: float, radius: float) -> float:
    """Everything in kPa and metres: the formula has no unit of its own."""
    return float(
        capacity_pa(
            effective_pa=stress,
            pore_pa=pore,
            cohesion_pa=c,
            friction_rad=math.radians(degrees),
            shear_modulus_pa=g,
            hole_diameter_m=HOLE,
            plastic_radius_m=radius,
        )
    )


def strain_radius_m(stress: float, c: float, degrees: float, g: float) -> float:
    return float(
        plastic_radius_m(
            effective_pa=stress,
            cohesion_pa=c,
            friction_rad=math.radians(degrees),
            shear_modulus_pa=g,
            hole_diameter_m=HOLE,
        )
    )


def strain_limited_kpa(stress: float, pore: float, c: float, degrees: float, g: float) -> float:
    return delft_kpa(stress, pore, c, degrees, g, strain_radius_m(stress, c, degrees, g))


ROWS = [
    Row(19, "12in", volume_gal_ft, (12,), 5.88, 0.01, FL1, "S"),
    Row(19, "8in", volume_gal_ft, (8,), 2.61, 0.01, FL2, "S"),
    Row(20, "fluid", fluid_gal, (500, 12, 2), 5880, 5, FL1, "S"),
    Row(21, "1to1", fluid_gal, (200, 8, 1), 522, 1, FL2, "S"),
    Row(21, "2to1", fluid_gal, (200, 8, 2), 1044, 1, FL2, "S"),
    Row(22, "bundle", ream_in, ("bundle_m", 1.66, 2), 3.32, 0.01, "1.5 rule, section 2", "D"),
    Row(22, "ream", ream_in, ("by_factor_m", 1.66, 2), 4.98, 0.01, "1.5 rule, section 2", "D"),
    Row(22, "plus-4", ream_in, ("by_class_m", 1.66, 2), 7.3, 0.05, "good-practice table, section 2", "M"),
    Row(22, "pair-3/4", ream_in, ("by_factor_m", 1.05, 2), 3.15, 0.01, "1.5 rule, section 2", "D"),
    Row(0, "300ft-5in", fluid_gal, (300, 5, 1), 306, 0.5, "section 2", "D"),
    Row(0, "300ft-5in-yd3", hole_yd3, (300, 5), 1.52, 0.01, "section 2", "D"),
    Row(0, "300ft-clay", fluid_gal, (300, 5, 4), 1224, 1, "section 2", "D"),
    Row(0, "pull-speed", speed_ft_min, (15, 5, 3), 4.90, 0.01, "section 2", "D"),
    Row(52, "velocity", velocity_ft_s, (10, 3.5, 1.66), 0.4303, 0.0004, "section 5, Bingham example", "D"),
    Row(52, "psi-ft", bingham_psi_ft, (10, 3.5, 1.66, 15, 20), 0.05625, 0.00005625, "section 5", "D"),
    Row(52, "pa-m", bingham, (10, 3.5, 1.66, 15, 20), 1272.6, 1.2726, "section 5, SI route", "D"),
    Row(52, "power-law", power_law_psi_ft, (10, 3.5, 1.66, 50, 35), 0.01917, 0.0001, "section 5, 50/35", "M"),
    Row(53, "A", delft_kpa, (50, 68.67, 0, 30, 5000, 2.5), 489.88, 0.05, DELFT, "D"),
    Row(54, "radius", strain_radius_m, (50, 0, 30, 5000), 0.28398, 5e-6, "NEN 3650 rule", "M"),
    Row(54, "A", strain_limited_kpa, (50, 68.67, 0, 30, 5000), 265.89, 0.05, "NEN 3650 rule", "M"),
    Row(55, "B", delft_kpa, (60, 40, 5, 28, 6000, 3.0), 556.89, 0.05, DELFT, "D"),
    Row(56, "small-angle", delft_kpa, (100, 0, 25, 1e-4, 2500, 3.0), 239.035, 0.01, "limit", "D"),
    Row(56, "closed-form", delft_kpa, (100, 0, 25, 0, 2500, 3.0), 239.034, 0.01, "limit", "D"),
    Row(57, "undrained", delft_kpa, (100, 0, 25, 0, 2500, math.inf), 240.13, 0.01, "classical cavity limit", "D"),
    Row(58, "hydrostatic", static_kpa, (1.2, 8), 94.18, 0.01, "weight of the mud", "D"),
    Row(58, "9ppg", static_psi, (9, 20), 9.36, 0.015, "section 5: 0.052 ppg ft", "M"),
]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_as_printed(row: Row) -> None:
    assert row.of(*row.given) == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


def test_52_field_equations_and_their_si_twins_agree() -> (
    None
):  # D: Bingham to 0.02 %; power law to the rounding of 0.0208
    example = (10, 3.5, 1.66, 15, 20)
    assert bingham_psi_ft(*example) == pytest.approx(bingham_field_psi_ft(*example), rel=2e-4)
    for case in (
        (25, 5, 2.06, 8, 12),
        (40, 6, 2.375, 30, 3),
    ):  # the viscous term of the field equation is rounded to 1000
        assert bingham_psi_ft(*case) == pytest.approx(bingham_field_psi_ft(*case), rel=3e-3)
    for case in ((10, 3.5, 1.66, 50, 35), (25, 5, 2.06, 30, 20), (40, 6, 2.375, 44, 25)):
        assert power_law_psi_ft(*case) == pytest.approx(power_law_field_psi_ft(*case), rel=4e-3)


@pytest.mark.parametrize(("ground", "low", "high"), [("sand", 2, 3), ("clay", 3, 5), ("rock", 2, 2), ("mixed", 2, 3)])
def test_fluid_ratios(ground: str, low: float, high: float) -> None:  # S: driller-journal articles
    assert fluid_ratio(ground) == (low, high)


# the plastic zone, integrated --------------------------------------------------------------


@pytest.mark.parametrize(
    ("stress", "c", "degrees", "g", "radius"),
    [
        (50.0, 0.0, 30.0, 5000.0, 2.5),
        (60.0, 5.0, 28.0, 6000.0, 3.0),
        (100.0, 25.0, 0.0, 2500.0, 3.0),
        (35.0, 12.0, 11.0, 900.0, 0.4),
    ],
)
def test_closed_form_is_the_integral_of_the_plastic_zone(
    stress: float, c: float, degrees: float, g: float, radius: float
) -> None:
    """Equilibrium and the Mohr-Coulomb condition from the edge of the zone in to the wall, by scipy; nothing closed is used.

    At the edge the ring yields: radial and hoop stress straddle the ground's, s0 +- half their difference. Outside, elastic: the
    edge has moved by radius (p - s0) / (2 G). Inside, constant volume: the ground that moved past every circle is the same, so
    du/dr = -u/r, and the wall, now at r, came from the hole's radius.
    """
    from scipy.integrate import solve_ivp
    from scipy.optimize import brentq

    phi = math.radians(degrees)

    def hoop(radial: float) -> float:  # Mohr-Coulomb: (radial - hoop) / 2 = (radial + hoop) / 2 sin + c cos
        return (radial * (1 - math.sin(phi)) - 2 * c * math.cos(phi)) / (1 + math.sin(phi))

    edge = brentq(lambda p: (p + hoop(p)) / 2 - stress, stress, 10 * stress + 10 * c, xtol=1e-13)
    moved = radius * (edge - stress) / (2 * g)

    def zone(r: float, y: np.ndarray) -> list[float]:
        return [-(y[0] - hoop(y[0])) / r, -y[1] / r]

    def came_from(r: float, y: np.ndarray) -> float:
        """Zero where the area between this circle and the hole as it was drilled is what has moved past it."""
        return r * r - (HOLE / 2) ** 2 - 2 * r * y[1]

    came_from.terminal = True  # type: ignore[attr-defined]
    answer = solve_ivp(
        zone, (radius, HOLE / 4), [edge, moved], events=came_from, rtol=1e-12, atol=1e-13, method="DOP853"
    )
    assert len(answer.t_events[0]) == 1
    at_wall = answer.y_events[0][0][0]
    assert delft_kpa(stress, 0.0, c, degrees, g, radius) == pytest.approx(at_wall, rel=1e-9)


unit = st.floats(0.0, 1.0, allow_nan=False)


@settings(max_examples=100, deadline=None)
@given(unit, unit, unit, unit)
def test_friction_to_nothing_is_no_jump(a: float, b: float, c: float, d: float) -> None:
    stress, strength, g, radius = 5 + 200 * a, 5 + 100 * b, 500 + 2e4 * c, 0.1 + 5 * d
    x = (HOLE / 2 / radius) ** 2 + strength / g
    closed = stress + strength * (1 - math.log(x))
    assert delft_kpa(stress, 0, strength, 0.0, g, radius) == pytest.approx(closed, rel=1e-12)
    for degrees in (1e-12, 1e-9, 1e-6):
        assert delft_kpa(stress, 0, strength, degrees, g, radius) == pytest.approx(closed, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit)
def test_no_limit_on_the_zone_is_the_classical_one(a: float, b: float, c: float) -> None:
    stress, strength, g = 5 + 200 * a, 5 + 100 * b, 500 + 2e4 * c
    limit = stress + strength * (1 + math.log(g / strength))
    assert delft_kpa(stress, 0, strength, 0.0, g, math.inf) == pytest.approx(limit, rel=1e-12)
    assert delft_kpa(stress, 0, strength, 0.0, g, 1e6) == pytest.approx(limit, rel=1e-9)
    # with friction it is finite too, and approached from below
    near, far = (delft_kpa(stress, 0, strength, 30.0, g, r) for r in (1.0, math.inf))
    assert near < far < math.inf


@settings(max_examples=100, deadline=None)
@given(unit, unit, unit, unit, unit)
def test_stronger_deeper_and_wider_bears_more(a: float, b: float, c: float, d: float, e: float) -> None:
    case = [5 + 200 * a, 50 * b, 1 + 50 * c, 40 * d, 5000 + 2e4 * e, 0.5]
    here = delft_kpa(*case)
    for i, more in ((0, 5.0), (1, 5.0), (2, 5.0), (4, 500.0), (5, 0.5)):
        other = list(case)
        other[i] += more
        assert delft_kpa(*other) > here, i
    # the angle of friction is asked of ground without cohesion: beside cohesion under little weight it may take capacity away
    sand = [case[0], case[1], 0.0, 10 + 0.7 * case[3], case[4], 0.5]
    assert delft_kpa(*sand[:3], sand[3] + 1, *sand[4:]) > delft_kpa(*sand)
    assert here > case[0] + case[1]


def test_water_passes_through() -> None:
    """Pore pressure adds to what the ground bears, pond or not."""
    dry = delft_kpa(50, 0, 3, 30, 5000, 2.5)
    assert delft_kpa(50, 68.67, 3, 30, 5000, 2.5) == pytest.approx(dry + 68.67, rel=1e-12)


def test_numbers_and_arrays_give_the_same() -> None:
    radius = np.array([0.3, 1.0, 2.5])
    many = capacity_pa(
        effective_pa=np.array([40.0, 50, 60]),
        pore_pa=5.0,
        cohesion_pa=np.array([0.0, 5, 25]),
        friction_rad=np.radians([30.0, 20, 0]),
        shear_modulus_pa=3000.0,
        hole_diameter_m=HOLE,
        plastic_radius_m=radius,
    )
    one = [
        delft_kpa(s, 5, c, f, 3000, r) for s, c, f, r in zip((40, 50, 60), (0, 5, 25), (30, 20, 0), radius, strict=True)
    ]
    assert many == pytest.approx(one, rel=1e-13)


# stress in the ground --------------------------------------------------------------


def test_sand_under_a_pond_as_in_section_5() -> None:  # D: case A, 2 m of water over 5 m of cover
    stress = ground_stress(depth_m=5, water_table_m=-2, moist_n_m3=18e3, saturated_n_m3=19.81e3)
    assert (float(stress.pore_pa), float(stress.effective_pa)) == pytest.approx((68.67e3, 50e3))
    assert float(stress.total_pa) == pytest.approx(118.7e3, abs=50)


def test_stress_with_the_water_table_anywhere() -> None:
    """Layer by layer by hand, the table at 2 m of 5; and no jump where it passes the surface or the axis."""
    stress = ground_stress(depth_m=5, water_table_m=2, moist_n_m3=18e3, saturated_n_m3=20e3)
    assert float(stress.total_pa) == pytest.approx(2 * 18e3 + 3 * 20e3)
    assert float(stress.pore_pa) == pytest.approx(3 * 9810)
    dry = ground_stress(depth_m=5, water_table_m=50, moist_n_m3=18e3, saturated_n_m3=20e3)
    assert (float(dry.total_pa), float(dry.pore_pa)) == pytest.approx((90e3, 0.0))
    tables = np.linspace(-3, 8, 1101)
    many = ground_stress(depth_m=5, water_table_m=tables, moist_n_m3=18e3, saturated_n_m3=20e3)
    for row in (many.total_pa, many.pore_pa, many.effective_pa):
        assert np.abs(np.diff(row)).max() <= 9810 * 0.0101
    # a deeper pond adds weight and water alike: what the grains carry stays
    assert np.ptp(many.effective_pa[tables <= 0]) < 1e-6
    above = ground_stress(depth_m=-0.02, water_table_m=3, moist_n_m3=18e3, saturated_n_m3=20e3)
    assert float(above.total_pa) == 0.0


def test_shear_modulus() -> None:  # G = E / (2 (1 + nu))
    assert shear_modulus_pa(youngs_pa=13e6, poisson=0.3) == pytest.approx(5e6)


# demand and capacity along a bore --------------------------------------------------------------


SOFT = {
    "moist_n_m3": 18e3,
    "saturated_n_m3": 18.5e3,
    "cohesion_pa": 5e3,
    "friction_rad": 0.0,
    "shear_modulus_pa": 3e5,
}


def level_bore(length_m: float = 80.0, depth_m: float = 8.0, n: int = 161) -> dict[str, np.ndarray]:
    """Down over 20 m, level, up over the last 20 m."""
    s = np.linspace(0, length_m, n)
    depth = depth_m * np.clip(np.minimum(s, length_m - s) / 20.0, 0, 1)
    return {"station_m": s, "z_m": 200.0 - depth, "depth_m": depth}


SAND = {
    "moist_n_m3": 18e3,
    "saturated_n_m3": 19.81e3,
    "cohesion_pa": 0.0,
    "friction_rad": math.radians(30),
    "shear_modulus_pa": 5e6,
}
CLAY = {
    "moist_n_m3": 19e3,
    "saturated_n_m3": 19.5e3,
    "cohesion_pa": 60e3,
    "friction_rad": 0.0,
    "shear_modulus_pa": 5e6,
}


def test_demand_against_case_a() -> None:
    """D: section 5. 8 m below the pit, 5 m of cover, 2 m of water: 170.5 kPa at 60 m; beyond 265.9 / 1.5 from 65.3 m on."""
    s = np.array([0.0, 10.0, 19.0, 20.0, 60.0, 65.2, 65.4, 134.8, 135.2])
    z = np.array([0.0, -4.0, -8.0, -8.0, -8.0, -8.0, -8.0, -8.0, -8.0])
    found = mud_pressures(
        station_m=s,
        z_m=z,
        depth_m=5.0,
        water_table_m=-2.0,
        hole_diameter_m=HOLE,
        loss_pa_m=1272.6,
        mud_gravity=1.2,
        factor=1.5,
        **SAND,
    )
    assert found.demand_pa[4] == pytest.approx(170.5e3, abs=50)
    assert found.capacity_pa[4] == pytest.approx(265.89e3, abs=50)
    assert found.overburden_pa[4] == pytest.approx(118.7e3, abs=50)
    assert found.pore_pa[4] == pytest.approx(68.67e3)
    assert found.plastic_radius_m[4] == pytest.approx(0.28398, abs=5e-6)
    by_factor = found.demand_pa > found.capacity_pa / 1.5
    assert by_factor.tolist() == [False] * 6 + [True] * 3
    # more than the overburden from (118.67 - 94.18) / 1.2726 = 19.2 m on
    assert found.tight.tolist() == [False, False, False, True, True, True, True, True, True]
    assert found.over.tolist() == [False] * 8 + [True]


def test_masks_are_what_they_say() -> None:
    for ground in (SAND, CLAY, SOFT):
        for loss in (0.0, 500.0, 3000.0, 9000.0):
            found = mud_pressures(**level_bore(), **ground, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=loss)
            assert np.array_equal(found.over, found.demand_pa > found.capacity_pa)
            wanted = (found.demand_pa * 1.5 > found.capacity_pa) | (found.demand_pa > found.overburden_pa)
            assert np.array_equal(found.tight, wanted)
            assert not np.any(found.over & ~found.tight)
            shallow = found.shallow
            assert np.all(found.capacity_pa[shallow] <= found.overburden_pa[shallow] + 1e-9)
            assert shallow[0]
            assert shallow[-1]
            assert not shallow[len(shallow) // 2]
            assert np.all(np.isfinite(found.capacity_pa))


def test_the_factor_alone_makes_a_station_tight() -> None:
    """Soft ground bears little more than its weight: a demand below the weight is still too near what it bears."""
    bore = level_bore()
    near, far = (
        mud_pressures(**bore, **SOFT, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=700.0, factor=f)
        for f in (2.0, 1.0)
    )
    middle = len(near.tight) // 2
    assert near.capacity_pa[middle] / 2 < near.demand_pa[middle] < near.overburden_pa[middle]
    assert near.tight[middle]
    assert not far.tight[middle]


def test_radius_is_the_smaller_of_cover_and_strain_and_strain_is_for_friction() -> None:
    bore = level_bore()
    sand = mud_pressures(**bore, **SAND, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=0)
    by_cover = mud_pressures(**bore, **SAND, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=0, strain_limit=None)
    clay = mud_pressures(**bore, **CLAY, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=0)
    third = mud_pressures(**bore, **CLAY, water_table_m=2.0, hole_diameter_m=HOLE, loss_pa_m=0, cover_share=1 / 3)
    assert by_cover.plastic_radius_m == pytest.approx(bore["depth_m"] * 2 / 3)
    assert clay.plastic_radius_m == pytest.approx(bore["depth_m"] / 2)
    assert third.plastic_radius_m == pytest.approx(bore["depth_m"] / 3)
    assert np.all(sand.plastic_radius_m <= by_cover.plastic_radius_m)
    middle = len(bore["depth_m"]) // 2
    assert sand.plastic_radius_m[middle] < 0.3 < by_cover.plastic_radius_m[middle]
    assert np.all(sand.capacity_pa <= by_cover.capacity_pa + 1e-9)


def test_figures_by_station_are_the_stations_of_each_ground() -> None:
    """Half sand, half clay, a pond over some of it: the same as each ground alone, station by station."""
    bore = level_bore()
    clay_here = bore["station_m"] > 40
    pond = np.where(np.abs(bore["station_m"] - 40) < 10, -1.5, 1.0)
    both = {k: np.where(clay_here, CLAY[k], SAND[k]) for k in SAND}
    mixed, sand, clay = (
        mud_pressures(**bore, **ground, water_table_m=pond, hole_diameter_m=HOLE, loss_pa_m=800.0)
        for ground in (both, SAND, CLAY)
    )
    for name in ("demand_pa", "capacity_pa", "overburden_pa", "pore_pa", "tight", "over", "shallow"):
        expected = np.where(clay_here, getattr(clay, name), getattr(sand, name))
        assert np.array_equal(getattr(mixed, name), expected), name


def test_mud_returns_to_the_pit_that_is_open() -> None:
    bore = level_bore()
    s, z = bore["station_m"], bore["z_m"] + 0.03 * bore["station_m"]  # the exit lies 2.4 m higher
    entry, leave, either = (
        annular_demand_pa(station_m=s, z_m=z, loss_pa_m=700.0, returns=way) for way in ("entry", "exit", "either")
    )
    assert np.array_equal(either, np.minimum(entry, leave))
    assert entry[0] == 0.0
    assert leave[-1] == 0.0
    # the same bore drilled from the other end
    back = annular_demand_pa(station_m=s[-1] - s[::-1], z_m=z[::-1], loss_pa_m=700.0)
    assert back[::-1] == pytest.approx(leave)
    # without loss it is the weight of mud alone, and nothing where the axis lies above the pit
    still = annular_demand_pa(station_m=s, z_m=z, loss_pa_m=0.0, mud_gravity=1.1)
    assert still == pytest.approx(np.maximum(1.1 * 9810 * (z[0] - z), 0.0))
    assert still[-1] == 0.0


@settings(max_examples=40, deadline=None)
@given(unit, unit, unit)
def test_units_do_not_matter_along_a_bore(a: float, b: float, c: float) -> None:
    bore = level_bore(depth_m=3 + 5 * a)
    ground = {**SAND, "cohesion_pa": 1e4 * b}
    table = 4 * c - 2
    si = mud_pressures(**bore, **ground, water_table_m=table, hole_diameter_m=HOLE, loss_pa_m=900.0)
    weight, pressure = LBF / FT**3, LBF / FT**2
    us = mud_pressures(
        **{k: v / FT for k, v in bore.items()},
        moist_n_m3=ground["moist_n_m3"] / weight,
        saturated_n_m3=ground["saturated_n_m3"] / weight,
        cohesion_pa=ground["cohesion_pa"] / pressure,
        friction_rad=ground["friction_rad"],
        shear_modulus_pa=ground["shear_modulus_pa"] / pressure,
        water_table_m=table / FT,
        hole_diameter_m=HOLE / FT,
        loss_pa_m=900.0 / pressure * FT,
        water_n_m3=9810.0 / weight,
    )
    for name in ("demand_pa", "capacity_pa", "overburden_pa", "pore_pa"):
        assert getattr(us, name) * pressure == pytest.approx(getattr(si, name), rel=1e-9, abs=1e-6), name


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit)
def test_thicker_and_faster_mud_asks_for_more(a: float, b: float, c: float) -> None:
    gap = {"hole_diameter_m": 0.1 + 0.1 * a, "rod_diameter_m": 0.04 + 0.04 * b}
    v = 0.01 + c
    bingham_here = bingham_loss_pa_m(velocity_m_s=v, viscosity_pa_s=0.02, yield_pa=8, **gap)
    assert bingham_loss_pa_m(velocity_m_s=v + 0.1, viscosity_pa_s=0.02, yield_pa=8, **gap) > bingham_here
    assert bingham_loss_pa_m(velocity_m_s=v, viscosity_pa_s=0.02, yield_pa=9, **gap) > bingham_here
    # a mud without yield and a power law of index 1 are the same viscous fluid
    newton = bingham_loss_pa_m(velocity_m_s=v, viscosity_pa_s=0.02, yield_pa=0, **gap)
    assert power_law_loss_pa_m(velocity_m_s=v, index=1.0, consistency_pa_s_n=0.02, **gap) == pytest.approx(newton)
    thin = power_law_loss_pa_m(velocity_m_s=v, index=0.6, consistency_pa_s_n=0.5, **gap)
    assert power_law_loss_pa_m(velocity_m_s=v + 0.1, index=0.6, consistency_pa_s_n=0.5, **gap) > thin
    wider = {**gap, "hole_diameter_m": gap["hole_diameter_m"] + 0.02}
    assert power_law_loss_pa_m(velocity_m_s=v, index=0.6, consistency_pa_s_n=0.5, **wider) < thin


def test_power_law_is_the_flow_between_two_plates() -> None:
    """The slot law against the profile of speed across the gap, integrated by the midpoint rule."""
    n, k, gap, v = 0.55, 0.8, 0.05, 0.25
    loss = power_law_loss_pa_m(velocity_m_s=v, index=n, consistency_pa_s_n=k, hole_diameter_m=0.1, rod_diameter_m=0.05)
    half = gap / 4  # the plates are half the difference of the diameters apart
    y = (np.arange(200000) + 0.5) / 200000 * half
    # shear rate at y from the middle is (loss y / K)^(1/n); the mean speed is its moment over the half gap
    mean = float(np.mean((loss * y / k) ** (1 / n) * y))
    assert mean == pytest.approx(v, rel=1e-6)


def test_reamer_by_size() -> None:  # M: +4 in below 8 in, 1.5 times to 24 in, +12 in above
    assert ream_in("by_class_m", 6.625, 1) == pytest.approx(10.625)
    assert ream_in("by_class_m", 10.0, 1) == pytest.approx(15.0)
    assert ream_in("by_class_m", 30.0, 1) == pytest.approx(42.0)
    for od, pipes in ((1.05, 2), (1.66, 4), (10.0, 1), (30.0, 1)):
        assert ream_in("hole_m", od, pipes) == pytest.approx(
            max(ream_in("by_factor_m", od, pipes), ream_in("by_class_m", od, pipes))
        )


def test_spoil_is_fluid_and_loose_soil() -> None:
    got = mud_volumes(length_m=90, hole_diameter_m=0.127, ratio=3, bulking=1.3)
    assert got.hole_m3 == pytest.approx(90 * math.pi / 4 * 0.127**2)
    assert got.fluid_m3 == pytest.approx(3 * got.hole_m3)
    assert got.spoil_m3 == pytest.approx(got.fluid_m3 + got.loose_soil_m3)
    assert got.loose_soil_m3 == pytest.approx(1.3 * got.hole_m3)
    # pulling no faster than the pump allows uses just that fluid
    hours = 90 / largest_pull_speed_m_s(pump_m3_s=1e-3, hole_diameter_m=0.127, ratio=3)
    assert hours * 1e-3 == pytest.approx(got.fluid_m3)


# bad figures --------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"depth_m": [1.0, 2.0]}, "depth_m"),
        ({"z_m": np.full(161, np.nan)}, "z_m"),
        ({"hole_diameter_m": 0.0}, "hole_diameter_m"),
        ({"loss_pa_m": -1.0}, "loss_pa_m"),
        ({"mud_gravity": 0.0}, "mud_gravity"),
        ({"returns": "sideways"}, "returns"),
        ({"factor": 0.5}, "factor"),
        ({"factor": math.nan}, "factor"),
        ({"saturated_n_m3": 9000.0}, "saturated_n_m3"),
        ({"cohesion_pa": 0.0, "friction_rad": 0.0}, "cohesion_pa"),
        ({"friction_rad": 30.0}, "friction_rad"),
        ({"friction_rad": -0.1}, "friction_rad"),
        ({"shear_modulus_pa": 0.0}, "shear_modulus_pa"),
        ({"cover_share": 0.0}, "cover_share"),
        ({"strain_limit": 0.0}, "strain_limit"),
        ({"water_table_m": math.inf}, "water_table_m"),
    ],
)
def test_bad_figures_are_refused_in_one_line(change: dict[str, object], named: str) -> None:
    case = {**level_bore(), **SAND, "water_table_m": 2.0, "hole_diameter_m": HOLE, "loss_pa_m": 500.0, **change}
    with pytest.raises(RangeError, match=rf"^{named}: ") as caught:
        mud_pressures(**case)
    assert "\n" not in str(caught.value)


def test_other_bad_figures_are_refused() -> None:
    with pytest.raises(RangeError, match="less than one volume"):
        mud_volumes(length_m=10, hole_diameter_m=0.1, ratio=0.9)
    with pytest.raises(RangeError, match=r"^bulking: "):
        mud_volumes(length_m=10, hole_diameter_m=0.1, ratio=2, bulking=0.9)
    with pytest.raises(RangeError, match="leaves no room"):
        annular_velocity_m_s(pump_m3_s=1e-3, hole_diameter_m=0.05, rod_diameter_m=0.06)
    with pytest.raises(RangeError, match=r"^dial_300: "):
        mud_flow(dial_600=50, dial_300=20)
    with pytest.raises(RangeError, match=r"^ground: "):
        fluid_ratio("cheese")
    with pytest.raises(RangeError, match=r"^plastic_radius_m: "):
        delft_kpa(50, 0, 5, 30, 5000, 0.0)
    with pytest.raises(RangeError, match=r"^pipes: "):
        reamer(outside_diameter_m=0.04, pipes=0)
