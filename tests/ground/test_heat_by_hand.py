"""Heat small enough for paper: one bore in one month, sums of resistances, a year of made-up hours, words of what-ifs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from ground.plant import SECTION, WAVE, plant

from loopgis.core.errors import RangeError
from loopgis.ground.cylinder import cylinder_g, wall_excess
from loopgis.ground.loads import (
    TYPICAL_COOLING,
    TYPICAL_HEATING,
    CopTable,
    Loads,
    from_hourly,
    from_hours,
    from_months,
    ground_cooling_w,
    ground_heating_w,
)
from loopgis.ground.loop import Answer, Course, convolved, course
from loopgis.ground.pulses import handbook_factors, three_pulse_length_m
from loopgis.ground.resistance import film_mk_w, multipole, nusselt, pipe_wall_mk_w, short_circuit
from loopgis.ground.segments import closest_m, segments_of, simplified, vertices_kept
from loopgis.ground.simulate import simulate
from loopgis.ground.sizing import FACTORS, Limits, Needed, needed
from loopgis.ground.soil import heat_capacity_j_m3k, johansen_w_mk, kersten_w_mk
from loopgis.ground.spectrum import point_response, response, spectrum
from loopgis.ground.spread import (
    interval,
    offset_from_readings,
    what_ifs,
    with_conductivity,
    with_fill,
    with_pipes_apart,
)
from loopgis.ground.temperature import Wave

BORE = [[(0, 0, -5), (9, 0, -5)]]
KEPT = {"bore_radius_m": 0.06, "diffusivity_m2_s": 7e-7}


# Resistances ---------------------------------------------------------------------------------------------------------


def test_walls_films_and_the_way_between_two_laws():
    """ln e over 2 pi times a half; 1 / (pi 4.364 0.5); a straight line from 2300 to 4000."""
    assert pipe_wall_mk_w(inner_radius_m=1, outer_radius_m=math.e, k_pipe_w_mk=0.5) == pytest.approx(1 / math.pi)
    assert film_mk_w(reynolds=500, prandtl=9, k_fluid_w_mk=0.5, inner_radius_m=0.01) == pytest.approx(0.1459, abs=5e-5)
    assert nusselt(2300, 15) == 4.364
    assert nusselt(2301, 15) == pytest.approx(4.364 + (41.291 - 4.364) / 1700, abs=1e-3)
    assert nusselt(3150, 15) == pytest.approx((4.364 + 41.291) / 2, abs=1e-3)
    assert nusselt(3999.999, 15) == pytest.approx(nusselt(4000, 15), rel=1e-5)


@pytest.mark.parametrize("reynolds", [5e3, 2e4, 1e5])
def test_turbulent_water_by_another_law(reynolds):
    """Dittus and Boelter 1930, 0.023 Re^0.8 Pr^0.4, from memory: another fit of the same kind of data, within a fifth."""
    assert nusselt(reynolds, 7.0) == pytest.approx(0.023 * reynolds**0.8 * 7**0.4, rel=0.2)


def test_the_short_circuit_in_its_limits():
    """Plenty of flow: none. Little of it: x coth x is 1 + x^2 / 3, and both walls agree. Much of it: R x."""
    half = {"bore_mk_w": 0.2, "internal_mk_w": 0.8, "length_m": 100.0}  # x = 100 / (0.4 C) = 250 / C
    assert short_circuit(**half, capacity_w_k=1e12) == 0.2
    flux, wall = (short_circuit(**half, capacity_w_k=5000.0, wall=w) for w in ("flux", "temperature"))
    assert flux == pytest.approx(0.2 * (1 + 0.05**2 / 3), rel=1e-9)
    assert wall == pytest.approx(flux, rel=1e-6)
    assert short_circuit(**half, capacity_w_k=25.0) == pytest.approx(2.0, rel=1e-6)
    assert short_circuit(**half, capacity_w_k=25.0, wall="flux") == pytest.approx(0.2 * (1 + 100 / 3))
    with pytest.raises(RangeError, match=r"^capacity_w_k: 0 is no flow; give a positive flow$"):
        short_circuit(**half, capacity_w_k=0.0)


def test_where_fill_and_ground_are_alike_the_bore_is_not_there():
    """Line sources in one medium: R_p / 2 + ln(r_b^2 / (2 r_p x)) / (4 pi k), and 2 R_p + ln(2 x / r_p) / (pi k); logs of 6."""
    same = {"bore_radius_m": 0.06, "pipe_radius_m": 0.01, "half_spacing_m": 0.03, "k_fill_w_mk": 2.0, "pipe_mk_w": 0.1}
    bore, internal = multipole(**same, k_ground_w_mk=2.0, order=0)
    assert bore == pytest.approx(0.05 + math.log(6) / (8 * math.pi))
    assert internal == pytest.approx(0.2 + math.log(6) / (2 * math.pi))
    first = multipole(**same, k_ground_w_mk=2.0)
    assert first == pytest.approx((bore, internal), rel=0.05)
    assert first != (bore, internal)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"half_spacing_m": 0.0099}, "half_spacing_m"),
        ({"half_spacing_m": 0.0501}, "half_spacing_m"),
        ({"pipe_radius_m": 0.0}, "half_spacing_m"),
        ({"k_fill_w_mk": 0.0}, "k_fill_w_mk"),
        ({"k_ground_w_mk": 0.0}, "k_fill_w_mk"),
        ({"pipe_mk_w": -0.01}, "k_fill_w_mk"),
    ],
)
def test_pipes_that_cannot_stand_so_are_refused(change, name):
    good = {"bore_radius_m": 0.06, "pipe_radius_m": 0.01, "half_spacing_m": 0.02, "k_fill_w_mk": 0.5}
    good |= {"k_ground_w_mk": 0.6, "pipe_mk_w": 0.0}
    for touching in (0.01, 0.05):
        assert min(multipole(**{**good, "half_spacing_m": touching})) > 0
    with pytest.raises(RangeError) as caught:
        multipole(**{**good, **change})
    assert caught.value.where == name
    assert caught.value.remedy


SOIL = {"dry_density_kg_m3": 1600, "quartz": 0.5, "saturation": 0.5, "coarse": True}
OLDER = {"dry_density_kg_m3": 1600, "water_pct": 10, "sandy": True}


@pytest.mark.parametrize(
    ("call", "good", "name", "values"),
    [
        (pipe_wall_mk_w, {"outer_radius_m": 1, "k_pipe_w_mk": 0.4}, "inner_radius_m", (0, 1)),
        (film_mk_w, {"prandtl": 9, "k_fluid_w_mk": 0.5, "inner_radius_m": 0.01}, "reynolds", (0, -1)),
        (handbook_factors, {"diffusivity_m2_day": 0.1}, "bore_radius_m", (0.049, 0.101)),
        (handbook_factors, {"bore_radius_m": 0.06}, "diffusivity_m2_day", (0.024, 0.21)),
        (johansen_w_mk, SOIL, "dry_density_kg_m3", (399, 2401)),
        (johansen_w_mk, SOIL, "quartz", (-0.1, 1.1)),
        (johansen_w_mk, SOIL, "saturation", (-0.1, 1.1)),
        (kersten_w_mk, OLDER, "water_pct", (0.9, 61)),
        (kersten_w_mk, {**OLDER, "sandy": False}, "water_pct", (6.9, 61)),
        (kersten_w_mk, OLDER, "dry_density_kg_m3", (399, 2401)),
        (response, {"paths": BORE, **KEPT}, "times_s", ([0.0], [math.nan])),
        (response, {"paths": BORE, **KEPT, "times_s": [1.0]}, "bore_radius_m", (0.004, 0.51)),
        (response, {"paths": BORE, **KEPT, "times_s": [1.0]}, "diffusivity_m2_s", (4e-8, 6e-6)),
    ],
)
def test_both_ends_of_a_range_are_named(call, good, name, values):
    for value in values:
        with pytest.raises(RangeError) as caught:
            call(**{**good, name: value})
        assert caught.value.where == name


@pytest.mark.parametrize(
    ("paths", "where"),
    [
        ([], "paths"),
        ([*BORE, [(0, 0, -5)]], "paths[1]"),
        ([[(0, 0), (9, 0)]], "paths[0]"),
        ([[(0, 0, -5), (9, 0, math.inf)]], "paths[0]"),
        ([[(0, 0, -5), (9, 0, 0.01)]], "paths[0]"),
        ([[(0, 0, -5), (0, 0, -5)]], "paths[0]"),
        ([*BORE, [(0, 0.11, -5), (9, 0.11, -5)]], "paths[0] and paths[1]"),
    ],
)
def test_paths_that_are_none_are_named(paths, where):
    with pytest.raises(RangeError) as caught:
        response(paths, [1e6], **KEPT)
    assert caught.value.where == where
    assert caught.value.remedy


def test_the_ends_of_each_range_are_inside():
    for r in (0.05, 0.1):
        for a in (0.025, 0.2):
            assert len(handbook_factors(bore_radius_m=r, diffusivity_m2_day=a)) == 3
    for density in (400, 2400):
        for share in (0, 1):
            assert johansen_w_mk(dry_density_kg_m3=density, quartz=share, saturation=share, coarse=True) > 0
        for water, sandy in ((1, True), (7, False), (60, False)):
            assert kersten_w_mk(water_pct=water, dry_density_kg_m3=density, sandy=sandy) > 0
    for radius, alpha in ((0.005, 5e-8), (0.5, 5e-6)):
        assert response(BORE, [1e9], bore_radius_m=radius, diffusivity_m2_s=alpha).shape == (1, 1, 1)
    assert Wave(mean_c=-20, amplitude_k=40, coldest_day=1, diffusivity_m2_s=5e-8).mean_c == -20
    assert Wave(mean_c=45, amplitude_k=0, coldest_day=1, diffusivity_m2_s=5e-6).amplitude_k == 0
    assert CopTable((1.0,), (1.01,)).at(7.0) == 1.01


# Soil ----------------------------------------------------------------------------------------------------------------


def test_soil_between_its_limits():
    """Half of it pores. Dry: Johansen's own fit; full of water: a geometric mean of grains and water; between: his logarithm."""
    soil = {"dry_density_kg_m3": 1350.0, "water_w_mk": 0.6}
    dry = 246.95 / 1421.55  # (0.135 1350 + 64.7) / (2700 - 0.947 1350)

    def wet(quartz, **more):
        return johansen_w_mk(**{**soil, "saturation": 1, "coarse": True, "quartz": quartz, **more})

    for coarse in (True, False):
        assert wet(1, saturation=0, coarse=coarse) == pytest.approx(dry)
        assert wet(1, coarse=coarse) == pytest.approx(math.sqrt(7.7 * 0.6))
        assert wet(0, coarse=coarse) == pytest.approx(math.sqrt(3 * 0.6))
    assert wet(0.2) == pytest.approx(math.sqrt(7.7**0.2 * 3**0.8 * 0.6))
    assert wet(0.21) == pytest.approx(math.sqrt(7.7**0.21 * 2**0.79 * 0.6))
    for s in (0.1, 0.05):  # fine: the logarithm of 0.1 and 1 cancel
        assert wet(1, saturation=s, coarse=False) == pytest.approx(dry)
    least, half = (wet(1, saturation=s) - dry for s in (0.05, 0.025))
    assert half == pytest.approx(least / 2)
    assert least == pytest.approx(0.08928 * (wet(1) - dry), rel=1e-4)  # 0.7 log10 0.05 + 1


def test_soil_by_the_older_formula():
    """At 10 % of water the logarithm is 1: (0.7 + 0.4) and (0.9 - 0.2) times 10^(0.01 x 100 lb/ft3), Btu in / (h ft2 degF)."""
    pound = 100 * 16.018463
    assert kersten_w_mk(water_pct=10, dry_density_kg_m3=pound, sandy=True) == pytest.approx(11 * 0.144228)
    assert kersten_w_mk(water_pct=10, dry_density_kg_m3=pound, sandy=False) == pytest.approx(7 * 0.144228)
    dense = kersten_w_mk(water_pct=10, dry_density_kg_m3=1.3 * pound, sandy=True)
    assert dense == pytest.approx(1.1 * 19.95262 * 0.144228)  # 10^1.3
    assert heat_capacity_j_m3k(dry_density_kg_m3=1350, saturation=0) == pytest.approx(1350 * 830)
    assert heat_capacity_j_m3k(dry_density_kg_m3=1350, saturation=0.5) == pytest.approx(1350 * 830 + 0.25 * 4.19e6)


# The wave ------------------------------------------------------------------------------------------------------------


def test_the_wave_at_the_surface_and_half_a_turn_down():
    """Coldest on its day; half a year later as much warmer; pi damping depths down half a year late and e^-pi as large."""
    d = WAVE.damping_m
    assert d == pytest.approx(math.sqrt(0.7e-6 * 365 * 86400 / math.pi))
    assert WAVE.at(0.0, 35) == pytest.approx(-1)
    assert WAVE.at(0.0, 35 + 182.5) == pytest.approx(21)
    assert WAVE.at(math.pi * d, 35) == pytest.approx(10 + 11 * math.exp(-math.pi))
    day, z = 111, np.linspace(1, 4, 4001)
    mean = float(np.mean((WAVE.at(z, day)[1:] + WAVE.at(z, day)[:-1]) / 2))
    assert WAVE.mean_between(1, 4, day) == pytest.approx(mean, abs=1e-6)
    assert WAVE.mean_between(4, 1, day) == pytest.approx(mean, abs=1e-6)
    assert WAVE.mean_between(2, 2, day) == pytest.approx(float(WAVE.at(2.0, day)))
    both = (5 * mean + 4 * float(WAVE.at(4.0, day))) / 9  # 5 m down and 4 m level
    assert WAVE.along([(0, 0, -1), (4, 0, -4), (8, 0, -4)], [day, day + 365]) == pytest.approx([both, both], abs=1e-6)


# Distances -----------------------------------------------------------------------------------------------------------


def test_the_least_distance_of_two_segments():
    """Crossing 3 m below; side by side; end to end; a foot beyond the end; each told both ways round."""
    s = segments_of(
        [
            [(0, 0, -5), (10, 0, -5)],
            [(5, -4, -8), (5, 4, -8)],
            [(2, 2, -5), (9, 2, -5)],
            [(13, 4, -5), (20, 4, -5)],  # 3 ahead and 4 aside
            [(12, -6, -5), (12, 6, -5)],
        ]
    )
    for other, away in ((1, 3), (2, 2), (3, 5), (4, 2)):
        for i, j in ((0, other), (other, 0)):
            assert closest_m(s, np.array([i]), np.array([j])) == pytest.approx([away])
    others = np.array([1, 2, 3, 4])
    for i, j in ((others * 0, others), (others, others * 0)):  # all at once too
        assert closest_m(s, i, j) == pytest.approx([3, 2, 5, 2])
    assert s.centre[:2].tolist() == [[5, 0, -5], [5, 0, -8]]
    assert s.mirrored().start[1].tolist() == [5, -4, 8]
    assert s.mirrored().length.tolist() == s.length.tolist()
    assert s.bore.tolist() == [0, 1, 2, 3, 4]


def test_vertices_that_matter():
    """0.05 mm off the chord is left out, 0.13 and 0.2 mm are kept; a path that comes back to its start keeps its far end."""
    line = np.array([(0.0, 0.0), (1.0, 0.00005), (2.0, 0.0), (3.0, 0.0002), (4.0, 0.0)])
    assert vertices_kept(line, 1e-4).tolist() == [True, False, True, True, True]
    assert vertices_kept(line, 1.0).tolist() == [True, False, False, False, True]
    loop = np.array([(0.0, 0.0), (3.0, 0.0), (0.0, 0.0)])
    assert simplified(loop, 0.1).tolist() == loop.tolist()
    s = segments_of([[(0, 0, -5), (0, 0, -5), (3, 0, -5), (6, 0, -5), (6, 4, -5)]])
    assert s.length.tolist() == [6, 4]
    assert s.way.tolist() == [[1, 0, 0], [0, 1, 0]]


def test_pairs_that_nobody_asks_for_are_zero_and_may_touch():
    paths = [[(0, y, -5), (30, y, -5)] for y in (0, 0.05, 9)]
    skip = np.zeros((3, 3), dtype=bool)
    skip[0, 1] = skip[1, 0] = True
    h = spectrum(paths, bore_radius_m=0.06, skip=skip).response([1e8], 7e-7)[0]
    assert h[0, 1] == h[1, 0] == 0
    alone = response(paths[::2], [1e8], **KEPT)[0]
    assert h[[0, 0, 2, 2], [0, 2, 0, 2]] == pytest.approx(alone.ravel(), rel=1e-5)


def test_points_near_a_bore_lie_on_its_wall():
    for bad in ((0, 0, 0.1), (math.nan, 0, -1)):
        with pytest.raises(RangeError, match=r"^points: "):
            point_response([bad], BORE, [1e8], **KEPT)
    points = [(4, 0, -5), (4, 0.06, -5), (4, 0.03, -5), (4, 3, -5), (4, 3, 0)]
    h = point_response(points, BORE, [1e8], **KEPT)[0, :, 0]
    assert h[:3] == pytest.approx([h[1]] * 3, abs=1e-4)
    assert 0 < h[3] < h[0]
    assert h[4] == pytest.approx(0, abs=1e-9)


def test_a_cylinder_is_warmer_than_its_line_and_late_the_same():
    """Late the excess is (ln(4 Fo) - 0.5772 + 0.5) / (4 Fo) (series of Carslaw and Jaeger 1959 for large times, from memory)."""
    excess = wall_excess([1e5, 1e6, 1e9], bore_radius_m=0.06, diffusivity_m2_s=3.6e-6)  # Fo 100, 1000, 1e6
    assert excess[:2] == pytest.approx([(math.log(4 * fo) - 0.0772) / (4 * fo) for fo in (100, 1000)], rel=0.03)
    assert excess[2] == 0
    one = 2 * math.pi * cylinder_g(1.0)[0] - 0.5 * 1.0442826  # E1(1/4), Abramowitz and Stegun table 5.1
    assert wall_excess(1000.0, bore_radius_m=0.06, diffusivity_m2_s=3.6e-6) == pytest.approx([one], abs=1e-6)


# One bore, one month ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("coupling", ["inlet", "heat", "wall"])
def test_one_bore_on_paper(coupling):
    """100 m, h = pi k: the wall follows q / 2, the water q (0.5 + 0.2); in the month after, the first load still does a quarter."""
    k = 2.0
    run = simulate(
        h_months=np.array([math.pi * k, 1.5 * math.pi * k]).reshape(2, 1, 1),
        length_m=np.array([100.0]),
        resistance_mk_w=np.array([0.2]),
        k_w_mk=k,
        undisturbed_c=np.array([[10.0], [11.0]]),
        load_w=np.array([-1000.0, 500.0]),
        coupling=coupling,
    )
    assert run.heat_w_m[:, 0] == pytest.approx([-10, 5])
    assert run.wall_c[:, 0] == pytest.approx([5, 11])
    assert run.inlet_c == pytest.approx([3, 12])


def test_two_bores_share_evenly_and_by_how_warm_they_stand():
    kept = {"h_months": np.stack([np.eye(2) * 2 * math.pi]), "k_w_mk": 1.0, "resistance_mk_w": np.array([0.5, 0.5])}
    level, load = np.array([[10.0, 10.0]]), np.array([900.0])
    for coupling in ("inlet", "heat", "wall"):
        for lengths in ([45.0, 45.0], [30.0, 60.0]):
            even = simulate(**kept, undisturbed_c=level, load_w=load, length_m=np.array(lengths), coupling=coupling)
            assert even.heat_w_m[0] == pytest.approx([10, 10])
            assert even.inlet_c == pytest.approx([25])
    uneven = np.array([[10.0, 13.0]])
    warmer = simulate(**kept, undisturbed_c=uneven, load_w=load, length_m=np.array([45.0, 45.0]))
    assert warmer.heat_w_m[0] == pytest.approx([11, 9])  # 1.5 K per W/m, both at one inlet
    assert warmer.inlet_c == pytest.approx([26.5])
    still = simulate(**kept, undisturbed_c=uneven, load_w=load * 0, length_m=np.array([30.0, 60.0]), coupling="heat")
    assert still.inlet_c == pytest.approx([12])  # by length where there is no heat


# Loads ---------------------------------------------------------------------------------------------------------------


def test_heat_that_reaches_the_ground():
    assert ground_heating_w(1000, 4.0) == pytest.approx(750)
    assert ground_cooling_w(1000, 4.0) == pytest.approx(1250)
    assert TYPICAL_HEATING.at([-5, 0, 20]) == pytest.approx([2.825, 3.2, 4.7])
    assert TYPICAL_COOLING.at(25.0) == pytest.approx(17 / 3.412)
    assert TYPICAL_COOLING.at(10.0) > TYPICAL_COOLING.at(40.0)
    for temperatures, cops in (((0.0, 0.0), (3.0, 3.0)), ((0.0, 1.0), (3.0,)), ((0.0,), (1.0,)), ((0.0,), (15.0,))):
        with pytest.raises(RangeError, match=r"^cop: "):
            CopTable(temperatures, cops)


def test_a_year_of_hours():
    """1 kW all year; 7 kW in the last three hours of the year and the first three of the next, which is the same year."""
    heating, cooling = np.full(8760, 1000.0), np.zeros(8760)
    heating[[-3, -2, -1, 0, 1, 2]] = 7000.0
    cooling[730:736] = 3000.0  # the first six hours of February
    loads = from_hourly(heating, cooling)
    assert loads.heating_w == pytest.approx([1000 + 18000 / 730, *[1000] * 10, 1000 + 18000 / 730])
    assert loads.cooling_w == pytest.approx([0, 18000 / 730, *[0] * 10])
    assert loads.heating_peak_w == pytest.approx([7000, *[1000] * 10, 4000])
    assert loads.cooling_peak_w == pytest.approx([0, 3000, *[0] * 10])
    assert loads.peak_w == pytest.approx(7000)
    assert from_hourly(heating, cooling, peak_hours=3).heating_peak_w[-1] == pytest.approx(7000)
    twice = loads.scaled(2.0)
    assert (twice.peak_w, twice.hourly_cooling_w.max()) == pytest.approx((14000, 6000))
    plain = loads.by_month()
    assert plain.hourly_heating_w.size == plain.hourly_cooling_w.size == 0
    assert plain.heating_peak_w[0] == pytest.approx(7000)
    assert Loads(**{**vars(loads), "cooling_peak_w": np.full(12, 8000.0)}).peak_w == 8000
    assert from_hourly(cooling * 0, cooling).heating_peak_w.sum() == 0


def test_hours_that_are_none_are_named():
    good, none = np.full(8760, 1000.0), np.zeros(8760)
    for bad in (np.full(8760, math.nan), -good):
        for name, both in (("heating", (bad, none)), ("cooling", (good, bad))):
            with pytest.raises(RangeError, match="below zero or one that is no number") as caught:
                from_hourly(*both)
            assert caught.value.where == name
    with pytest.raises(RangeError, match=r"^cooling: has 8759 hours; give 8760"):
        from_hourly(good, none[1:])
    with pytest.raises(RangeError, match=r"^hourly: holds no load at all"):
        from_hourly(none, none)


def test_energies_month_by_month():
    """730 kWh in a month are a mean of 1 kW; a month with less than half a percent of the year has no peak."""
    kwh = [730.0, 730.0, 2.0, *[0.0] * 8, 730.0]
    loads = from_months(heating_kwh=kwh, cooling_kwh=[], heating_peak_w=3000, cooling_peak_w=0, wave=WAVE)
    assert loads.heating_w[[0, 1, 3, 11]] == pytest.approx([1000, 1000, 0, 1000])
    assert loads.heating_peak_w[2] == 0
    assert loads.heating_peak_w.max() == pytest.approx(3000)
    assert not loads.cooling_w.any()
    june = {"heating_kwh": [], "cooling_kwh": [0.0] * 5 + [730.0] + [0.0] * 6, "heating_peak_w": 0, "wave": WAVE}
    assert from_months(**june, cooling_peak_w=2000).cooling_peak_w.tolist() == [0] * 5 + [2000] + [0] * 6
    with pytest.raises(RangeError, match=r"^cooling_peak: 900 W is below the mean load of month 6, 1000 W"):
        from_months(**june, cooling_peak_w=900)


def test_where_all_months_are_alike_the_load_is_even():
    """Never cold, or evenly cold: twelve equal months."""
    for mean in (40.0, -10.0):
        even = Wave(mean_c=mean, amplitude_k=0.0, coldest_day=35, diffusivity_m2_s=7e-7)
        loads = from_hours(heating_peak_w=1000, cooling_peak_w=0, heating_hours=2190, cooling_hours=0, wave=even)
        assert loads.heating_w == pytest.approx([250] * 12)
        assert loads.heating_peak_w == pytest.approx([1000] * 12)


# The loop ------------------------------------------------------------------------------------------------------------


def test_extremes_of_some_months():
    none = np.full(4, np.nan)
    told = Course(
        mean_c=np.array([5.0, 9.0, 12.0, 7.0]),
        heating_c=np.array([1.0, 8.0, np.nan, 3.0]),
        cooling_c=np.array([np.nan, 11.0, 25.0, np.nan]),
        leaving_c=none,
        load_w=none,
        heat_w_m=none,
        hourly_c=np.zeros(0),
    )
    assert (told.least_c(), told.most_c()) == (1, 25)
    assert (told.least_c(1, 3), told.most_c(0, 2)) == (8, 11)
    assert (told.least_c(3), told.most_c(3)) == (3, 7)


def test_answers_add_up():
    """1 W warms by 3, 2, 1: 10 W, then 20 W."""
    load = np.array([10.0, 20.0, 0.0])
    assert convolved(np.array([3.0, 2.0, 1.0]), load) == pytest.approx([30, 80, 50])
    heat = np.array([[0.1, 0.3], [0.0, 0.0], [0.0, 0.0]])
    answer = Answer(np.array([3.0, 2.0, 1.0]), np.full(3, 10.0), heat, heat * 0 + 5, 0.5)
    assert answer.inlet_c(load) == pytest.approx([40, 90, 60])
    assert answer.heat_w_m(load)[1] == pytest.approx([7, 11])


def test_what_a_loop_is_made_of():
    """Resistance from inlet to wall: bore with what passes between the legs, and half the water's own warming over the length."""
    loop = plant(years=1)
    bore, internal = SECTION.resistances_mk_w(film_mk_w=0.08, k_ground_w_mk=1.6)
    flow = 2200 / 6
    for factor in (1.0, 1.5):
        made = [
            short_circuit(bore_mk_w=bore, internal_mk_w=internal, length_m=x, capacity_w_k=flow) + x / (2 * flow)
            for x in loop.spectrum.length_m * factor
        ]
        assert loop.resistance_mk_w("heating", factor) == pytest.approx(made)
    assert (loop.resistance_mk_w("cooling", 1.0) < loop.resistance_mk_w("heating", 1.0)).all()
    assert (loop.but(bore_factor=1.2).resistance_mk_w("heating", 1.0) > loop.resistance_mk_w("heating", 1.0)).all()
    assert loop.but(offset_k=1.5).undisturbed_c == pytest.approx(loop.undisturbed_c + 1.5)
    assert loop.total_capacity_w_k == pytest.approx(2200)
    assert loop.undisturbed_c.shape == (12, 6)
    assert loop.but(years=3).months == 36


def test_a_course_balances():
    """The water leaves the house colder by heat over flow; no load of a kind, no peak of it; bores share all of the load."""
    loop = plant(years=2, cooling_kw=0)
    told = course(loop)
    assert np.isnan(told.cooling_c).all()
    assert (np.isfinite(told.heating_c) == np.tile(loop.loads.heating_peak_w > 0, 2)).all()
    k = int(np.nanargmin(told.heating_c))
    taken = ground_heating_w(loop.loads.heating_peak_w[k % 12], TYPICAL_HEATING.at(told.heating_c[k]))
    assert told.heating_c[k] - told.leaving_c[k] == pytest.approx(float(taken) / 2200, abs=1e-3)
    assert told.heat_w_m @ loop.spectrum.length_m == pytest.approx(told.load_w, abs=0.5)
    assert course(loop, shares=False).heat_w_m.shape == (0, 6)
    mean = -ground_heating_w(np.tile(loop.loads.heating_w, 2), TYPICAL_HEATING.at(told.mean_c))
    assert told.load_w == pytest.approx(mean, abs=0.5)


# Lengths -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heating", "cooling", "factor", "governs"),
    [
        (1.2, 0.8, 1.2, "heating"),
        (0.8, 1.2, 1.2, "cooling"),
        (1.0, 1.0, 1.0, "heating"),
        (None, 1.2, None, "heating"),
        (0.8, None, None, "cooling"),
    ],
)
def test_which_side_asks_for_more(heating, cooling, factor, governs):
    found = Needed(heating=heating, cooling=cooling)
    assert (found.factor, found.governs) == (factor, governs)


def test_one_side_alone_and_limits_that_ask_nothing():
    loop = plant(years=2)
    limits = Limits(least_c=0.0, most_c=32.0)
    both, heating = needed(loop, limits), needed(loop, limits, only="heating")
    assert heating.cooling == 0
    assert heating.heating == pytest.approx(both.heating, rel=0.01)
    assert needed(loop, limits, only="cooling").heating == 0
    assert needed(loop, Limits(least_c=-500.0, most_c=500.0)).factor == FACTORS[0]
    assert needed(loop, Limits(least_c=9.9, most_c=500.0), only="heating").heating is None


def test_words_and_changes_of_the_what_ifs():
    loop = plant(years=1)
    told = what_ifs(loop, Limits(least_c=0.0, most_c=35.0), Needed(heating=1.0, cooling=0.3))
    assert [(w.name, w.low, w.high) for w in told] == [
        ("ground conductivity", "20 % less, 1.28 W/(m K)", "20 % more, 1.92 W/(m K)"),
        ("fill of the bore", "drilling slurry, 0.65 W/(m K)", "enhanced grout, 1.70 W/(m K)"),
        ("ground temperature", "1 K colder", "1 K warmer"),
        ("load of the building", "10 % more", "10 % less"),
        ("pipes in the bore", "as assumed", "as far apart as it allows"),
    ]
    assert all(w.low_factor > w.high_factor for w in told)
    assert told[-1].low_factor == 1.0
    assert told[2].said("us") == ("1.8 °F colder", "1.8 °F warmer")
    assert told[2].said("metric") == ("1 K colder", "1 K warmer")
    cooling = what_ifs(loop, Limits(least_c=-40.0, most_c=22.0), Needed(heating=0.1, cooling=1.0))
    assert (cooling[2].low, cooling[2].high) == ("1 K warmer", "1 K colder")
    assert cooling[2].low_factor > cooling[2].high_factor


def test_an_interval_that_nothing_closes_has_no_upper_end():
    """Ground that is half a kelvin above the limit: one kelvin colder, no length would do."""
    loop = plant(years=1, cooling_kw=0)
    limits = Limits(least_c=float(loop.undisturbed_c.min()) - 0.5, most_c=60.0)
    low, high = interval(loop, limits, Needed(heating=3.0, cooling=0.0))
    assert high is None
    assert 0 < low <= 3.0


def test_the_changed_loops():
    loop = plant(years=1)
    more = with_conductivity(loop, 1.2)
    assert (more.k_w_mk, more.wave.diffusivity_m2_s) == pytest.approx((1.92, 0.84e-6))
    assert with_fill(loop, 1.7).section == replace(SECTION, k_fill_w_mk=1.7)
    assert with_pipes_apart(loop).section.half_spacing_m == pytest.approx(0.0635 - 0.0167)
    narrow = replace(SECTION, half_spacing_m=0.05)
    assert with_pipes_apart(loop.but(section=narrow)).section.half_spacing_m == 0.05


def test_the_offset_of_three_readings():
    """1, 2 and 3 K above what was predicted: 2 K, standard deviation 1 K, its mean known to 1 / sqrt 3."""
    assert offset_from_readings([5, 6, 7], [6, 8, 10]) == pytest.approx((2, 1 / math.sqrt(3)))
    for bad in (([1.0], [2.0]), ([1.0, 2.0], [2.0, math.nan]), ([[1.0, 2.0]], [[2.0, 3.0]])):
        with pytest.raises(RangeError, match=r"^measured_c: "):
            offset_from_readings(*bad)


def test_three_pulses_on_paper():
    """2 kW at 0.1 + 0.2, 1 kW at 0.3, 0.5 kW at 0.4 are 1100 K m over 11 K; a penalty is added to the drive."""
    case = {"peak_w": 2000, "month_w": 1000, "year_w": 500, "resistances_mk_w": (0.2, 0.3, 0.4), "bore_mk_w": 0.1}
    assert three_pulse_length_m(**case, fluid_c=21, ground_c=10) == pytest.approx(100)
    assert three_pulse_length_m(**case, fluid_c=20, ground_c=10, penalty_k=1) == pytest.approx(100)
    for fluid in (9.0, 10.0):
        with pytest.raises(RangeError, match="wrong side of the ground's 10"):
            three_pulse_length_m(**case, fluid_c=fluid, ground_c=10)
