"""Heat of whole layouts: sized by what the demand needs, told honestly, refused by name where figures contradict each other."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo

from loopgis import driver
from loopgis.core.errors import InputError
from loopgis.layout.heat import first_guess_level_m, path_of, study
from loopgis.layout.heat_case import case_of
from loopgis.sheets import review
from loopgis.site.model import Feature, GroundSpec, PipeSpec

FIELD = shapely.box(-45, -40, 45, 40)
HOUSE = Feature(
    feature_id="house", kind="building", geometry=shapely.box(-8, -38, 8, -28), attributes=(("foundation", "slab"),)
)
GLYCOL = PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %")


def lot(kilowatt=5.0, *, demand_more=None, **more):
    asked = zoo.demand(kilowatt, **(demand_more or {}))
    return zoo.site(FIELD, features=(HOUSE,), demand=asked, **{"pipe": GLYCOL, **more})


def design(site):
    """As first drawn: choosing anew is for test_optimise.py."""
    return driver.design(site, effort=0)


@pytest.fixture(scope="module")
def designed():
    return design(lot())


def test_layouts_are_as_long_as_the_heat_needs(designed):
    """The best layout holds the limits, and no bore could be left out of it."""
    best = designed.layouts[0]
    heat, e = best.heat, best.evaluation
    assert e.needed_length_m == pytest.approx(heat.needed_m)
    assert heat.offered_m >= heat.needed_m
    assert heat.ewt_min_c >= -2.5 - 0.01
    assert e.ewt_min_c == heat.ewt_min_c
    shortest = min(b.length_m for b in best.bores)
    assert heat.offered_m - heat.needed_m < 1.6 * shortest
    assert e.wanted_length_m == pytest.approx(heat.needed.factor * e.level_length_m)
    assert not [f for f in best.findings if f.code in {"ewt-low", "ewt-high", "short-of-length"}]


def test_the_same_bores_give_the_same_heat_again(designed):
    """What a layout carries is what a study of its bores finds, and its shares add up to one."""
    best = designed.layouts[0]
    again = study(case_of(designed.site), designed.site, best.bores)
    np.testing.assert_allclose(again.course.mean_c, best.heat.course.mean_c, atol=1e-9)
    assert best.heat.shares.sum() == pytest.approx(1.0)
    assert len(best.heat.shares) == len(best.bores)


def test_bores_lie_under_the_ground_that_is_above_them():
    """A sloping lawn is straightened: the path begins and ends at the surface and is as deep as the bore."""
    bore = design(lot(terrain=zoo.plane(0.08, 0.05))).layouts[0].bores[0]
    path = path_of(bore)
    assert path[:, 2].max() <= 0
    assert abs(path[[0, -1], 2]).max() < 0.05
    assert -path[:, 2].min() == pytest.approx(bore.max_depth_m, abs=0.04)
    assert len(path) < len(bore.x_m) / 3


def test_twice_the_load_needs_more_than_nearly_twice_the_length():
    one, two = (first_guess_level_m(case_of(lot(kw)), depth_m=4.5, spacing_m=4.5) for kw in (6.0, 12.0))
    assert 1.7 < two / one < 2.6


def test_too_small_a_lot_is_told_in_figures():
    result = design(zoo.site(shapely.box(-26, -20, 26, 20), demand=zoo.demand(14.0), pipe=GLYCOL))
    best = result.layouts[0]
    told = next(f for f in best.findings if f.code == "ewt-low")
    assert told.measured == pytest.approx(best.heat.ewt_min_c)
    assert told.limit == -2.5
    assert "of bore would hold" in told.message
    assert best.evaluation.needed_length_m > best.evaluation.total_length_m


def test_a_length_or_count_of_the_user_is_kept_and_its_heat_told():
    result = design(lot(bores=2))
    assert all(y.evaluation.bores == 2 for y in result.layouts)
    assert all(y.heat is not None and y.evaluation.wanted_length_m is None for y in result.layouts)
    result = design(lot(length_m=80.0))
    assert {y.evaluation.wanted_length_m for y in result.layouts} == {80.0}


def test_without_a_demand_nothing_is_said_of_heat():
    best = design(zoo.site(FIELD, features=(HOUSE,))).layouts[0]
    assert best.heat is None
    assert best.evaluation.ewt_min_c is None
    assert best.summary()["heat"] is None


def test_no_length_is_said_when_none_would_do():
    cold = GroundSpec(soil="", k_w_mk=1.6, diffusivity_m2_s=7e-7, mean_c=-2.0, amplitude_k=6.0, coldest_day=35.0)
    result = design(lot(ground=cold))
    assert any(f.code == "no-length-holds" for f in result.findings)
    assert result.layouts[0].evaluation.needed_length_m is None
    assert any("no length of this kind would do" in f.message for f in result.layouts[0].findings)


def test_the_lot_line_is_colder_where_bores_are_near(designed):
    best = designed.layouts[0]
    line = best.heat.lot_line
    assert line.xy.shape == (len(line.change_k), 2)
    assert line.largest_k < 0  # heating takes more than cooling gives back
    distance = shapely.distance(
        shapely.points(line.xy), shapely.union_all([shapely.LineString(b.xyz[:, :2]) for b in best.bores])
    )
    near, far = (
        line.change_k[distance < np.quantile(distance, 0.2)],
        line.change_k[distance > np.quantile(distance, 0.8)],
    )
    assert near.mean() < far.mean()


def test_unusual_lengths_are_told_with_the_reason():
    poor = GroundSpec(soil="", k_w_mk=0.5, diffusivity_m2_s=3.5e-7, mean_c=6.0, amplitude_k=11.0, coldest_day=35.0)
    told = [f for f in design(lot(3.0, ground=poor)).layouts[0].findings if f.code == "length-per-ton"]
    assert len(told) == 1
    assert "conducts 0.5 W/(m K)" in told[0].message
    assert "from the limit" in told[0].message


REFUSED = {
    "water below freezing": (lot(pipe=replace(GLYCOL, fluid="water")), ["[pipe] fluid", "water freezes", "ewt_min"]),
    "mean below freezing without antifreeze": (
        lot(
            pipe=replace(GLYCOL, fluid="water"),
            demand_more={"ewt_min_c": 2.0},
            ground=GroundSpec(soil="", k_w_mk=1.6, diffusivity_m2_s=7e-7, mean_c=-0.5, amplitude_k=9, coldest_day=35),
        ),
        ["[pipe] fluid", "[ground] mean is -0.5"],
    ),
    "unknown fluid": (lot(pipe=replace(GLYCOL, fluid="brine")), ["[pipe] fluid", "'brine'"]),
    "amplitude in the wrong unit": (
        lot(ground=GroundSpec(soil="", k_w_mk=1.6, diffusivity_m2_s=7e-7, mean_c=9, amplitude_k=52, coldest_day=35)),
        ["[ground] amplitude_k", "52"],
    ),
    "pipe too large for the hole": (lot(pipe=replace(GLYCOL, size="3 in")), ["[bore] hole", "do not fit"]),
    "energies above the peak": (
        lot(demand_more={"heating_kwh": (9000.0,) * 12}),
        ["[demand] heating_peak", "below the mean load"],
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_figures_that_contradict_each_other_are_refused_by_name(name):
    site, words = REFUSED[name]
    with pytest.raises(InputError) as refused:
        case_of(site)
    for word in words:
        assert word in str(refused.value), str(refused.value)


def test_hourly_loads_decide_when_they_are_given():
    hours = np.arange(8760)
    heating = (
        2500 * np.clip(np.cos(2 * np.pi * (hours - 800) / 8760), 0, 1) * (1 + 0.5 * np.cos(2 * np.pi * hours / 24))
    )
    more = {"hourly_heating_w": tuple(heating), "hourly_cooling_w": (0.0,) * 8760, "years": 3.0}
    case = case_of(lot(demand_more=more))
    assert case.loads.heating_w.sum() * 730 == pytest.approx(heating.sum(), rel=1e-3)
    best = design(lot(demand_more=more)).layouts[0]
    assert best.heat.course.hourly_c.shape == (8760,)
    assert best.heat.ewt_min_c == pytest.approx(
        float(best.heat.course.heating_c[np.isfinite(best.heat.course.heating_c)].min())
    )


def test_a_loop_that_freezes_does_not_carry_the_house():
    """A flow that is far too small looks good to the entering water alone; the water that goes into the ground tells."""
    result = design(lot(demand_more={"flow_m3_s": 5 * 6.30902e-5 * 0.3}))
    best = result.layouts[0]
    assert best.heat.freezes
    assert not review.carries(best.heat)
    assert {"near-freezing", "flow-per-ton"} <= {f.code for f in best.findings}
    assert "FREEZE" in " ".join(review.answer(result.site, result.layouts))


def test_a_load_of_another_unit_is_no_endless_search():
    """Nine megawatts on a garden: the first guess looks at forty bores and no more, and finds that they would not do."""
    begin = time.process_time()
    assert first_guess_level_m(case_of(lot(9000.0)), depth_m=4.5, spacing_m=4.5) is None
    assert time.process_time() - begin < 20


def test_figures_of_the_summary(designed):
    told = designed.layouts[0].summary()["heat"]
    assert told["needed_range_m"][0] < told["needed_length_m"] < told["needed_range_m"][1]
    assert [y["year"] for y in told["years"]] == [1, 10]
    assert sum(told["shares"]) == pytest.approx(1.0, abs=1e-4)
