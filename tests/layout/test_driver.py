"""The whole job on lots of the zoo: wishes, tiers, pads, reasons, and what to change."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
import zoo

from loopgis import driver
from loopgis.core.errors import NoLayoutError
from loopgis.layout import explain
from loopgis.layout.prepare import prepare
from loopgis.site.model import Feature

FIELD = shapely.box(-45, -40, 45, 40)
HOUSE = Feature(
    feature_id="house", kind="building", geometry=shapely.box(-8, -38, 8, -28), attributes=(("foundation", "slab"),)
)


def test_fan_and_parallel_on_an_open_lot():
    result = driver.design(zoo.site(FIELD, features=(HOUSE,)))
    assert {y.pattern for y in result.layouts} == {"fan", "parallel"}
    assert [y.rank for y in result.layouts] == list(range(1, len(result.layouts) + 1))
    assert [y.score for y in result.layouts] == sorted((y.score for y in result.layouts), reverse=True)
    best = result.layouts[0]
    assert best.evaluation.level_length_m > 100
    assert best.header is not None
    assert {c.outcome for c in best.clearances} <= {"pass", "unverified", "consent_needed"}
    ids = [b.bore_id for b in best.bores]
    assert ids == [f"B-{n:02d}" for n in range(1, len(ids) + 1)]


def test_a_fixed_count_is_kept_or_the_shortfall_is_said():
    few = driver.design(zoo.site(FIELD, features=(HOUSE,), bores=3))
    assert all(y.evaluation.bores == 3 for y in few.layouts if y.pattern == "fan")
    many = driver.design(zoo.site(FIELD, features=(HOUSE,), bores=60))
    short = many.layouts[0]
    assert short.evaluation.bores < 60
    assert any(f.code == "fewer-bores" and f.limit == 60 for f in short.findings)


def test_a_wanted_length_is_reached_with_few_bores():
    result = driver.design(zoo.site(FIELD, features=(HOUSE,), length_m=90.0))
    assert max(y.evaluation.level_length_m for y in result.layouts) >= 90.0
    assert min(y.evaluation.bores for y in result.layouts) <= 4


def test_a_pad_fixed_in_a_bad_place_is_told_of_a_better_one():
    result = driver.design(zoo.site(FIELD, features=(HOUSE,), at=(-2.0, -22.0)))
    assert all(shapely.distance(y.pad.polygon, shapely.Point(-2.0, -22.0)) < 7 for y in result.layouts)
    told = next(f for f in result.findings if f.code == "better-pad")
    assert told.measured > 1.1 * told.limit


def test_shallower_tiers_where_the_default_does_not_fit():
    lot = shapely.box(-21, -16, 21, 16)
    result = driver.design(zoo.site(lot, depth_given=False))
    tiers = {b.target_depth_m for y in result.layouts for b in y.bores}
    assert min(tiers) < 4.5
    assert any(f.code == "shallower-tier" for f in result.findings)


SMALL = shapely.box(-17, -12, 17, 12)
STUCK = {
    "too short for the depth": zoo.site(SMALL, depth_m=(6.0,)),
    "well closes everything": zoo.site(
        shapely.box(-22, -22, 22, 22),
        features=(Feature(feature_id="w", kind="water_well", geometry=shapely.Point(0, 0)),),
    ),
    "no room for the pad": zoo.site(shapely.box(-40, -6.5, 40, 6.5), size_m=(8.0, 12.0)),
    "stiff rods": zoo.site(SMALL, depth_m=(4.0,), rig=replace(zoo.RIG, bend_radius_m=50.0)),
    "flat pitch": zoo.site(
        SMALL, depth_m=(3.0,), rig=replace(zoo.RIG, entry_pitch_pct=(8.0, 14.0), exit_pitch_pct=(8.0, 14.0))
    ),
}


@pytest.mark.parametrize("name", sorted(STUCK))
def test_nothing_fits_with_reasons_and_the_change_really_helps(name):
    site = STUCK[name]
    with pytest.raises(NoLayoutError) as caught:
        driver.design(site)
    assert caught.value.exit_code == 4
    assert caught.value.reasons
    assert "\n" not in str(caught.value)
    change = explain.small_changes(prepare(site).field, driver._quick)[0]
    assert caught.value.smallest_change.startswith(change.name)
    if name == "well closes everything":
        assert "house/well" in caught.value.reasons[0]
        assert "no single change" in change.name
        assert driver._quick(change.site, change.ease)
    else:
        assert driver.design(change.site).layouts


def test_detour_round_closed_ground():
    """A septic tank between the pad and the far end: bores go round it by arcs, and none passes through."""
    tank = Feature(feature_id="f", kind="septic_tank", geometry=shapely.Point(0, 0), quality="A")
    result = driver.design(zoo.site(shapely.box(-60, -30, 60, 30), features=(tank,), at=(-50.0, 0.0)))
    fan = next(y for y in result.layouts if y.pattern == "fan")
    assert "detour" in {b.shape for b in fan.bores}
    for y in result.layouts:
        for b in y.bores:
            assert shapely.distance(shapely.LineString(b.xyz[:, :2]), shapely.Point(0, 0)) > 30 * 0.3048 + 1.2
            assert b.min_radius_m >= 30.48 * (1 - 1e-9)
