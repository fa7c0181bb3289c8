"""Entry geometry and rods against facts/hdd, check values 1-17.

Sources as marked there: S seen in the source, D computed from the stated formula, M from memory. TB = textbook on trenchless
piping, ch. 5 (restates ASTM F1962); OM-A, OM-B = rig operator manuals; BP = rod-by-rod bore-plan article; HB = HDD handbook.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from loopgis.bore.profile import Limits, setback_to_level_m, solve
from loopgis.bore.rods import bend_radius_from_pitch_m, drop_by_pitch, pitch_per_rod_pct, rod_min_radius_m

FT, IN = 0.3048, 0.0254


def test_1_rod_minimum_radius_tb_f1962():  # S
    assert rod_min_radius_m(1.0 * IN) / FT == pytest.approx(100, abs=1e-9)


@pytest.mark.parametrize(("radius_ft", "published_ft"), [(70, 110), (200, 314)])
def test_2_3_quarter_turn_om_a_hb(radius_ft, published_ft):  # S
    from loopgis.bore.plan import shortest

    curve, _ = shortest((0, 0, 0), (radius_ft, radius_ft, math.pi / 2), radius_m=radius_ft)
    assert curve.length_m == pytest.approx(published_ft, abs=0.5)


def test_4_pitch_per_rod_om_a():  # S, rod length inferred (D)
    assert pitch_per_rod_pct(70 * FT, rod_length_m=5 * FT) == pytest.approx(7.0, abs=0.2)
    assert pitch_per_rod_pct(70 * FT, rod_length_m=5 * FT) == pytest.approx(7.155, abs=0.001)


def test_5_radius_from_turn_tb_5_11():  # S: 0.1 rad over 10 ft
    assert bend_radius_from_pitch_m(100 * math.tan(0.1), rod_length_m=10 * FT) / FT == pytest.approx(100, abs=1e-9)


@pytest.mark.parametrize(("change_pct", "radius_ft"), [(8, 125.27), (9.8, 102.37)])
def test_6_radius_from_pitch_om_b_bp(change_pct, radius_ft):  # D
    assert bend_radius_from_pitch_m(change_pct, rod_length_m=10 * FT) / FT == pytest.approx(radius_ft, abs=0.1)


@pytest.mark.parametrize(("degrees", "percent"), [(10, 18), (15, 27), (20, 36)])
def test_7_degrees_to_percent_tb_fig_5_17(degrees, percent):  # S
    from loopgis.core.units import parse

    assert parse(f"{degrees} degree", "pitch", where="test") == pytest.approx(percent, abs=0.5)


def flat_profile(depth_m: float, pitch_pct: float, radius_m: float, rod_m: float, length_m: float):
    n = round(length_m / 0.5)
    limits = Limits(
        bend_radius_m=radius_m,
        rod_length_m=rod_m,
        entry_pitch_pct=(1, pitch_pct),
        exit_pitch_pct=(1, pitch_pct),
        max_depth_m=50,
    )
    return solve(
        step_m=length_m / n,
        ground_m=np.zeros(2 * n + 1),
        target_depth_m=depth_m,
        required_depth_m=np.zeros(2 * n + 1),
        plan_curvature_1_m=np.zeros(2 * n + 1),
        limits=limits,
    ), length_m / n


def test_8_least_depth_to_run_level_tb_5_7():  # S 72 in, D 71.95
    b = math.radians(15)
    depth_in = (10 * math.sin(b) + 100 * (1 - math.cos(b))) * 12
    assert depth_in == pytest.approx(71.95, abs=0.01)
    # the solver at that depth: level no earlier than the published setback of row 9
    profile, step = flat_profile(72 * IN, 100 * math.tan(b), 100 * FT, 10 * FT, 60.0)
    level = np.flatnonzero(-profile.z_m > 72 * IN - 0.11)[0] * step / 2
    assert level == pytest.approx(35.54 * FT, abs=3.0)


def test_9_setback_tb_fig_5_17():  # S >= 35 ft, D 35.54
    assert setback_to_level_m(72 * IN, 100 * math.tan(math.radians(15)), 100 * FT) / FT == pytest.approx(35.54, abs=0.6)


def test_10_straight_setback_tb_5_5():  # S slightly over 20 ft, D 22.39
    assert 72 / 12 / math.tan(math.radians(15)) == pytest.approx(22.39, abs=0.05)


def test_11_setback_remediation_article():  # S about 37 ft, D 37.64
    assert setback_to_level_m(8 * FT, 100 * math.tan(math.radians(12)), 0.001) / FT == pytest.approx(37.64, abs=0.05)


def test_12_setback_and_drilled_length():  # D 21.859 m; drilled 22.808 m
    b = math.radians(20)
    assert setback_to_level_m(6.0, 100 * math.tan(b), 30.48) == pytest.approx(21.859, abs=0.001)
    assert (6.0 - 30.48 * (1 - math.cos(b))) / math.sin(b) + 30.48 * b == pytest.approx(22.808, abs=0.001)


@pytest.mark.parametrize(
    ("depth_m", "degrees", "setback_m"), [(4, 12, 22.02), (6, 15, 26.41), (6, 20, 21.86), (10, 20, 32.85)]
)
def test_table_of_setbacks(depth_m, degrees, setback_m):  # D, rows as printed in facts/hdd section 1
    assert setback_to_level_m(depth_m, 100 * math.tan(math.radians(degrees)), 30.48) == pytest.approx(
        setback_m, abs=0.005
    )


def test_13_rise_by_arc_only_tb_5_8():  # D 34.12 ft: the arc never reaches its full pitch
    assert setback_to_level_m(6 * FT, 100 * math.tan(math.radians(25)), 100 * FT) / FT == pytest.approx(34.12, abs=0.01)


def test_14_rise_arc_then_straight_tb_5_9():  # D 86.32 ft
    assert setback_to_level_m(25 * FT, 100 * math.tan(math.radians(20)), 100 * FT) / FT == pytest.approx(
        86.32, abs=0.01
    )


@pytest.mark.parametrize(
    ("pitches", "inches"),
    [([-26, -26, -18, -10, -2], [30, 56, 73, 80]), ([-18, -18, -10, -2], [21, 38, 45])],
)
def test_15_16_rod_by_rod_om_b(pitches, inches):  # S: tolerance half an inch, only the rod ends
    assert drop_by_pitch(pitches, rod_length_m=10 * FT) / IN == pytest.approx(inches, abs=0.5)


def test_17_first_rod_bp():  # S 2.5 ft linear, 2.425 ft with the sine
    assert drop_by_pitch([-25, -25], rod_length_m=10 * FT)[0] / FT == pytest.approx(2.5, abs=0.1)
    assert drop_by_pitch([-25, -25], rod_length_m=10 * FT)[0] / FT == pytest.approx(2.425, abs=0.001)


@pytest.mark.parametrize("pitch_pct", [20.0, 27.0, 35.0])
def test_solved_profile_levels_off_where_the_closed_form_says(pitch_pct):
    """Independent of the programme: straight, arc, level in closed form; the solver may use its dead band of 0.1 m."""
    profile, step = flat_profile(4.572, pitch_pct, 30.48, 3.048, 90.0)
    depth = -profile.z_m
    first = np.flatnonzero(depth >= 4.572 - 0.101)[0] * step / 2
    closed = setback_to_level_m(4.572, pitch_pct, 30.48)
    assert closed - math.sqrt(2 * 0.1 * 30.48) - 0.6 <= first <= closed + 0.6
