"""Every figure that makes no sense is refused by its own name, and zero only where zero makes none."""

from __future__ import annotations

import math

import pytest

from loopgis.bore import collapse, locate, mud, pipe, plan, profile, pull, rods, steer
from loopgis.core.errors import RangeError

PIPE = {"outside_diameter_m": 0.042, "dr": 11.0}
HOLE = {"hole_diameter_m": 0.127}
SLOT = {"hole_diameter_m": 0.127, "rod_diameter_m": 0.05}
STRENGTH = {"effective_pa": 5e4, "cohesion_pa": 1e3, "friction_rad": 0.5, "shear_modulus_pa": 5e6}
DRILLED = {"station_m": [0.0, 3.0, 6.0], "depth_m": 1.0, "pitch_pct": 0.0, "blind": False}
RODS = {"rod_length_m": 3.0, "bend_radius_m": 30.0, "locator_range_m": 9.0}
PATH = {"station_m": [0.0, 30.0, 60.0], "pitch_pct": [-20.0, 0.0, 20.0], "azimuth_deg": 90.0}
SHAPE = {"descent_m": 20.0, "level_m": 60.0, "rise_m": 20.0, "depth_m": 5.0}
ANGLES = {"pipe_entry_angle_rad": 0.25, "pipe_exit_angle_rad": 0.25}
WALL = "outside_diameter_m dr"
SLURRY = "pipe_gravity mud_gravity water_n_m3"

# a function, figures that it takes, those that must be above zero, those that may be zero and no less
FIGURES = [
    (collapse.critical_pressure_pa, {"dr": 11.0, "modulus_pa": 4e8}, "dr modulus_pa", "poisson ovality stress_ratio"),
    (collapse.critical_head_m, {"dr": 11.0, "modulus_pa": 4e8}, "dr modulus_pa water_n_m3", "poisson ovality"),
    (collapse.mini_depth_m, {"dr": 11.0}, "dr water_n_m3", ""),
    (
        collapse.external_pressure_pa,
        {"depth_m": 5.0},
        "mud_gravity water_n_m3",
        "depth_m fill_gravity added_pa inside_pa",
    ),
    (
        collapse.collapse,
        {"dr": 11.0, "depth_m": 5.0, "modulus_pa": 4e8},
        "modulus_pa safe_stress_pa mud_gravity",
        "depth_m tension_pa fill_gravity added_pa inside_pa",
    ),
    (collapse.pipe_bend_radius_m, PIPE, "outside_diameter_m", ""),
    (collapse.bending_strain, {"outside_diameter_m": 0.042, "radius_m": 30.0}, "outside_diameter_m radius_m", ""),
    (collapse.bending_stress_pa, {"strain": 7e-4, "modulus_pa": 4e8}, "modulus_pa", ""),
    (collapse.modulus_pa, {}, "duration_h", ""),
    (pipe.wall_m, PIPE, WALL, ""),
    (pipe.pipe_area_m2, PIPE, f"{WALL} pipes", ""),
    (pipe.bundle_diameter_m, {"outside_diameter_m": 0.042, "pipes": 2}, "outside_diameter_m pipes", ""),
    (pipe.pipe_weights, PIPE, f"{WALL} pipes {SLURRY}", "fill_gravity"),
    (pipe.safe_stress_pa, {}, "duration_h", ""),
    (pipe.safe_pull_n, PIPE, f"{WALL} pipes stress_pa", ""),
    (pipe.weak_link_n, PIPE, f"{WALL} stress_pa", ""),
    (pipe.pull_margin, {**PIPE, "largest_n": 900.0}, f"largest_n {WALL} pipes stress_pa", ""),
    (mud.hole_volume_m3_m, HOLE, "hole_diameter_m", ""),
    (mud.reamer, {"outside_diameter_m": 0.042}, "outside_diameter_m pipes", ""),
    (mud.mud_volumes, {**HOLE, "length_m": 90.0, "ratio": 3.0}, "length_m hole_diameter_m ratio bulking", ""),
    (mud.largest_pull_speed_m_s, {**HOLE, "pump_m3_s": 1e-3, "ratio": 3.0}, "pump_m3_s hole_diameter_m ratio", ""),
    (mud.annular_velocity_m_s, {**SLOT, "pump_m3_s": 1e-3}, "hole_diameter_m", "pump_m3_s rod_diameter_m"),
    (mud.mud_flow, {"dial_600": 50.0, "dial_300": 35.0}, "dial_600 dial_300", ""),
    (
        mud.bingham_loss_pa_m,
        {**SLOT, "velocity_m_s": 0.3, "viscosity_pa_s": 0.015, "yield_pa": 9.6},
        "hole_diameter_m",
        "velocity_m_s viscosity_pa_s yield_pa rod_diameter_m",
    ),
    (
        mud.power_law_loss_pa_m,
        {**SLOT, "velocity_m_s": 0.3, "index": 0.5, "consistency_pa_s_n": 0.7},
        "hole_diameter_m index consistency_pa_s_n",
        "velocity_m_s rod_diameter_m",
    ),
    (
        mud.annular_demand_pa,
        {"station_m": [0.0, 10.0], "z_m": [0.0, -3.0], "loss_pa_m": 100.0},
        "mud_gravity water_n_m3",
        "loss_pa_m",
    ),
    (
        mud.ground_stress,
        {"depth_m": 5.0, "water_table_m": 2.0, "moist_n_m3": 18e3, "saturated_n_m3": 20e3},
        "moist_n_m3 saturated_n_m3 water_n_m3",
        "",
    ),
    (mud.shear_modulus_pa, {"youngs_pa": 1e7, "poisson": 0.3}, "youngs_pa", "poisson"),
    (
        mud.plastic_radius_m,
        {**STRENGTH, **HOLE},
        "shear_modulus_pa hole_diameter_m strain_limit",
        "effective_pa cohesion_pa friction_rad",
    ),
    (
        mud.capacity_pa,
        {**STRENGTH, **HOLE, "pore_pa": 0.0, "plastic_radius_m": 1.0},
        "shear_modulus_pa hole_diameter_m plastic_radius_m",
        "effective_pa pore_pa cohesion_pa friction_rad",
    ),
    (
        locate.head_error,
        {**DRILLED, **RODS},
        "rod_length_m bend_radius_m locator_range_m least_m",
        "depth_m depth_share heading_rad pitch_share curvature_share",
    ),
    (locate.dipole_depth_m, {"separation_m": 3.0}, "separation_m", ""),
    (locate.depth_error_m, {"depth_m": 3.0}, "", "depth_m"),
    (locate.designation_error_m, {"level": "B1", "depth_m": 2.0}, "", "depth_m"),
    (pull.capstan_n, {"tension_n": 1e3, "friction": 0.3, "angle_rad": 0.5}, "", "tension_n friction angle_rad"),
    (
        pull.hydrokinetic_n,
        {**HOLE, "outside_diameter_m": 0.042},
        "hole_diameter_m outside_diameter_m pipes",
        "pressure_pa",
    ),
    (
        pull.planned_shape,
        {**ANGLES, "crossing_m": 100.0, "depth_m": 5.0},
        "crossing_m depth_m pipe_entry_angle_rad pipe_exit_angle_rad",
        "surplus_m",
    ),
    (
        pull.shape_of_path,
        {"station_m": [0.0, 30.0, 60.0], "z_m": [0.0, -5.0, 0.0], "pitch_pct": [-20.0, 0.0, 20.0]},
        "",
        "surplus_m level_band_m",
    ),
    (
        pull.pull_load,
        {**PIPE, **HOLE, **SHAPE, **ANGLES},
        f"{WALL} hole_diameter_m pipes {SLURRY}",
        "level_m depth_m surplus_m fill_gravity ground_friction hole_friction hydrokinetic_pa pipe_entry_angle_rad",
    ),
    (
        pull.pull_along,
        {**PIPE, **HOLE, **PATH},
        f"{WALL} hole_diameter_m pipes {SLURRY}",
        "surplus_m fill_gravity ground_friction hole_friction hydrokinetic_pa",
    ),
    (pull.short_buoyant_n_m, {"outside_diameter_m": 0.042, "air_n_m": 4.3}, "outside_diameter_m air_n_m pipes", ""),
    (
        pull.short_pull_load,
        {"bore_m": 90.0, "buoyant_n_m": 16.0, "rod_diameter_m": 0.05},
        "bore_m buoyant_n_m rod_diameter_m",
        "plan_turn_rad",
    ),
]
CASES = [(f, good, name, 0) for f, good, above, _ in FIGURES for name in above.split()] + [
    (f, good, name, -1) for f, good, _, least in FIGURES for name in least.split()
]


@pytest.mark.parametrize(("call", "good", "name", "sign"), CASES, ids=[f"{f.__name__}-{n}" for f, _, n, _ in CASES])
def test_a_figure_is_refused_by_its_name(call, good, name, sign):
    """sign 0: zero and less are refused; -1: what is less than zero, and zero is taken."""
    call(**good)
    bad = [-1.0, math.nan] + [0.0] * (sign == 0)
    for value in bad:
        with pytest.raises(RangeError) as caught:
            call(**{**good, name: value})
        assert caught.value.where == name
    if sign:
        call(**{**good, name: 0.0})


@pytest.mark.parametrize(
    ("call", "good", "name", "value"),
    [
        (collapse.ovality_factor, {}, "ovality", 1.0),
        (collapse.tension_factor, {}, "stress_ratio", 1.01),
        (pipe.bundle_diameter_m, {"outside_diameter_m": 0.042}, "pipes", 8),
        (pipe.bundle_diameter_m, {"outside_diameter_m": 0.042}, "pipes", 2.5),
        (pipe.pipe_area_m2, {"outside_diameter_m": 0.042}, "dr", 2.0),
        (pipe.pipe_area_m2, {"outside_diameter_m": 0.042}, "dr", math.inf),
        (pipe.pipe_area_m2, {**PIPE}, "pipes", True),
        (collapse.pipe_bend_radius_m, {"outside_diameter_m": 0.042}, "dr", 41.1),
        (collapse.pipe_bend_radius_m, {"outside_diameter_m": 0.042}, "dr", 6.9),
        (collapse.bending_strain, {"outside_diameter_m": 0.042}, "radius_m", 0.021),
        (collapse.bending_stress_pa, {"modulus_pa": 4e8}, "strain", math.inf),
        (mud.shear_modulus_pa, {"youngs_pa": 1e7}, "poisson", 0.51),
        (mud.mud_volumes, {**HOLE, "length_m": 90.0}, "ratio", 0.99),
        (mud.mud_volumes, {**HOLE, "length_m": 90.0, "ratio": 3.0}, "bulking", math.inf),
        (mud.mud_flow, {"dial_600": 50.0}, "dial_300", 50.0),
        (mud.mud_flow, {"dial_600": 50.0}, "dial_300", 24.9),
        (mud.annular_velocity_m_s, {"pump_m3_s": 1e-3, "rod_diameter_m": 0.05}, "hole_diameter_m", 0.05),
        (locate.designation_error_m, {"depth_m": 1.0}, "level", "B4"),
        (locate.head_error, {**DRILLED, **RODS}, "blind", [True, False]),
        (locate.head_error, {**DRILLED, **RODS}, "station_m", [0.1, 3.0]),
        (pull.hydrokinetic_n, {"outside_diameter_m": 0.042, "pipes": 2}, "hole_diameter_m", 0.084),
        (pull.pull_load, {**PIPE, **HOLE, **SHAPE, **ANGLES}, "pipe_exit_angle_rad", math.pi / 2),
        (pull.pull_load, {**PIPE, **HOLE, **SHAPE, **ANGLES}, "rise_m", 4.99),
        (pull.pull_load, {**PIPE, **HOLE, **SHAPE, **ANGLES}, "descent_m", 4.99),
    ],
)
def test_the_other_end_of_a_range(call, good, name, value):
    with pytest.raises(RangeError) as caught:
        call(**{**good, name: value})
    assert caught.value.where == name
    assert caught.value.remedy


def test_the_ends_of_a_range_are_inside():
    """What is still good: a table's first and last row, half of the first reading, one volume for one."""
    assert collapse.pipe_bend_radius_m(outside_diameter_m=1.0, dr=7.0) == 20
    assert collapse.pipe_bend_radius_m(outside_diameter_m=1.0, dr=41.0) == 52
    assert mud.mud_flow(dial_600=50, dial_300=25).yield_pa == 0
    assert mud.mud_volumes(length_m=1, hole_diameter_m=1, ratio=1, bulking=1).spoil_m3 == pytest.approx(math.pi / 2)
    assert mud.shear_modulus_pa(youngs_pa=3e6, poisson=0.5) == pytest.approx(1e6)
    assert mud.shear_modulus_pa(youngs_pa=3e6, poisson=0.0) == pytest.approx(1.5e6)
    assert collapse.tension_factor(1.0) == pytest.approx(0.0063, abs=5e-5)  # the root of 1.2019 is 1.0963
    assert collapse.bending_strain(outside_diameter_m=0.1, radius_m=math.inf) == 0
    assert pull.capstan_n(tension_n=5.0, friction=0.0, angle_rad=3.0) == 5
    none = {"descent_m": 0, "rise_m": 0, "depth_m": 0, "pipe_entry_angle_rad": 0, "pipe_exit_angle_rad": 0}
    assert pull.pull_load(**PIPE, **HOLE, **none, level_m=60).largest_n > 0


@pytest.mark.parametrize(
    ("call", "where", "words"),
    [
        (lambda: rods.bend_radius_from_pitch_m(0, rod_length_m=3), "rod", "change of pitch"),
        (lambda: rods.bend_radius_from_pitch_m(8, rod_length_m=0), "rod", "change of pitch"),
        (lambda: rods.pitch_per_rod_pct(0, rod_length_m=3), "rod", "radius and rod length"),
        (lambda: rods.pitch_per_rod_pct(30, rod_length_m=0), "rod", "radius and rod length"),
        (lambda: rods.rod_min_radius_m(0), "rod", "diameter must be positive"),
        (lambda: profile.setback_to_level_m(0, 35, 30), "setback", "must be positive"),
        (lambda: profile.setback_to_level_m(5, 0, 30), "setback", "must be positive"),
        (lambda: profile.setback_to_level_m(5, 35, 0), "setback", "must be positive"),
        (lambda: plan.shortest((0, 0, 0), (1, 1, 0), radius_m=0), "plan curve", "is not positive"),
        (lambda: plan.arc_to(0, 0, 0, -20, 0), "arc", "behind the start"),
        (lambda: plan.arc_to(3, 4, 0, 3, 4), "arc", "behind the start"),
        (lambda: steer.offset_m([1, 2, 1], [1, 2, 1]), "painted line", "same place"),
    ],
)
def test_what_is_no_bore_is_refused_in_one_line(call, where, words):
    with pytest.raises(RangeError, match=words) as caught:
        call()
    assert caught.value.where == where
    assert caught.value.remedy
    assert "\n" not in str(caught.value)


def test_small_figures_are_still_figures():
    """A rod of half a metre and a change of half a percent are good."""
    assert rods.bend_radius_from_pitch_m(0.5, rod_length_m=0.5) == pytest.approx(100, rel=1e-4)
    assert rods.pitch_per_rod_pct(0.9, rod_length_m=0.5) == pytest.approx(62.1, abs=0.1)  # tan of 31.83 degrees
    assert rods.rod_min_radius_m(0.0254) == pytest.approx(30.48)
    assert profile.setback_to_level_m(0.5, 0.9, 0.7) == pytest.approx(0.5 / 0.009, rel=1e-3)
