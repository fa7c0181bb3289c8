"""Mud pressures along the bores of a layout."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo

from loopgis.driver import design
from loopgis.layout import annulus
from loopgis.site.model import Feature, MudSpec, StrengthSpec

MUD = MudSpec(dial_600=50, dial_300=35, density_kg_m3=1200, ratio=None)
CLAY = StrengthSpec(
    name="", assumed=False, ground="clay", cohesion_pa=50e3, friction_rad=0.0, shear_modulus_pa=3e6,
    moist_n_m3=18.5e3, saturated_n_m3=19.5e3, water_table_m=1.0,
)  # fmt: skip
SITE = zoo.site(shapely.box(-60, -50, 60, 50), bores=2, patterns=("fan",), mud=MUD, strength=CLAY)


@pytest.fixture(scope="module")
def layout():
    return design(SITE, effort=0).layouts[0]


def test_demand_at_a_station_by_hand(layout):
    """9 the published row 52's flow laws at this rig's figures: weight of the mud and power-law loss, added up by hand."""
    bore, rig = layout.bores[0], SITE.spec.rig
    found = annulus.mud_of(SITE, bore)
    n = 3.32 * math.log10(50 / 35)
    k = 0.510 * 35 / 511**n
    gap = rig.pilot_hole_m - rig.rod_diameter_m
    v = rig.pump_m3_s / (math.pi / 4 * (rig.pilot_hole_m**2 - rig.rod_diameter_m**2))
    loss = 4 * k / gap * (4 * v * (2 + 1 / n) / gap) ** n
    i = len(bore.station_m) // 2
    by_hand = 1.2 * 9810 * (bore.z_m[0] - bore.z_m[i]) + loss * bore.station_m[i]
    assert found.pressures.demand_pa[i] == pytest.approx(by_hand, rel=1e-9)
    assert found.high_pa[i] > found.pressures.demand_pa[i]


def test_capacity_at_depth_is_the_undrained_limit_less_the_cover_rule(layout):
    """facts/hdd section 5: p = total stress + c (1 - ln((R0/R)^2 + c/G)), R half the depth."""
    bore = layout.bores[0]
    found = annulus.mud_of(SITE, bore)
    i = int(np.argmax(bore.depth_m))
    d, r0 = float(bore.depth_m[i]), SITE.spec.rig.pilot_hole_m / 2
    total = 18.5e3 * 1.0 + 19.5e3 * (d - 1.0)
    by_hand = total + 50e3 * (1 - math.log((r0 / (d / 2)) ** 2 + 50e3 / 3e6))
    assert found.pressures.capacity_pa[i] == pytest.approx(by_hand, rel=1e-9)
    assert found.pressures.overburden_pa[i] == pytest.approx(total)


def test_weak_ground_is_told_and_strong_ground_is_not(layout):
    weak = replace(SITE, spec=replace(SITE.spec, strength=replace(CLAY, cohesion_pa=3e3, shear_modulus_pa=2e4)))
    strong = replace(SITE, spec=replace(SITE.spec, strength=replace(CLAY, cohesion_pa=300e3, shear_modulus_pa=3e7)))
    told = annulus.mud_findings(weak, [annulus.mud_of(weak, b) for b in layout.bores])
    assert {f.code for f in told} >= {"mud-over"}
    for f in told:
        assert f.remedy
        assert (f.station_m is not None) == (f.code == "mud-over")
        assert f.severity == ("warning" if f.code == "mud-over" else "note")
    quiet = [annulus.mud_of(strong, b) for b in layout.bores]
    assert not any(m.over.any() for m in quiet)


def test_every_station_is_in_one_class(layout):
    for b in layout.bores:
        m = annulus.mud_of(SITE, b)
        assert not bool(np.any(m.over & m.tight))
        thin = b.depth_m < annulus.THIN_COVER_M
        assert not bool(np.any(m.judged & np.r_[thin[: len(thin) // 8], np.zeros(len(thin) - len(thin) // 8, bool)]))


def test_under_a_pond_the_cover_counts_from_its_bed_and_the_water_presses(layout):
    bore = layout.bores[0]
    middle = len(bore.x_m) // 2
    pond = Feature(
        feature_id="pond", kind="surface_water", depth_m=1.5,
        geometry=shapely.Point(bore.x_m[middle], bore.y_m[middle]).buffer(6),
    )  # fmt: skip
    dry, wet = annulus.mud_of(SITE, bore), annulus.mud_of(replace(SITE, features=(pond,)), bore)
    d = float(bore.depth_m[middle])
    assert wet.pressures.overburden_pa[middle] == pytest.approx(9810 * 1.5 + 19.5e3 * (d - 1.5))
    assert wet.pressures.pore_pa[middle] == pytest.approx(9810 * d)
    assert wet.pressures.capacity_pa[middle] < dry.pressures.capacity_pa[middle]
    lines = annulus.expected_returns(replace(SITE, features=(pond,)), bore, wet, "us")
    assert any("surface water" in line for line in lines)


def test_without_a_strength_nothing_is_guessed(layout):
    bare = replace(SITE, spec=replace(SITE.spec, strength=None))
    assert annulus.mud_of(bare, layout.bores[0]) is None
    assert "returns are to be expected" in annulus.expected_returns(bare, layout.bores[0], None, "metric")[0]
    assert annulus.mud_of(SITE, replace(layout.bores[0], source="logged", curve=None)) is None


def test_ratio_is_that_of_the_ground():
    assert annulus.ratio_of(MUD, CLAY) == 4.0  # the middle of 3 to 5 (S: tables/pull.toml)
    assert annulus.ratio_of(MUD, replace(CLAY, ground="sand")) == 2.5
    assert annulus.ratio_of(replace(MUD, ratio=3.0), CLAY) == 3.0


def test_stretches_in_words():
    station = np.arange(0.0, 20.5, 0.5)
    flag = ((station >= 3) & (station <= 6)) | ((station >= 10) & (station < 10.6))
    assert annulus.stretch_text(station, flag, "metric") == "3 to 6 m"
    assert annulus.stretch_text(station, np.zeros(len(station), bool), "metric") == ""
