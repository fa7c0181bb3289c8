"""Rule files and zones: what the text in DEVELOPERS.md says, on shapes whose distances are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import zoo

from loopgis.bore.plan import straight
from loopgis.core.errors import InputError
from loopgis.layout.field import NEVER, Field
from loopgis.layout.prepare import limits_of
from loopgis.rules import files
from loopgis.rules.zones import zones_of
from loopgis.site.model import Feature

HOUSE = files.load("house")


def field_of(site):
    zones, _ = zones_of(site, [HOUSE])
    return Field(site=site, zones=zones, limits=limits_of(site, [HOUSE]), vert_share=HOUSE.bore_vert_share)


def lot(*features):
    return zoo.site(shapely.box(-60, -60, 60, 60), features=features)


def depth_asked(field, curve):
    asked = field.required_depth(curve, np.linspace(0, curve.length_m, 241))
    return None if asked is None else {k: float(v.max()) for k, v in asked.items()}


def test_every_shipped_rule_has_its_words():
    for name in files.shipped():
        for rule in files.load(name).rules:
            assert rule.citation
            assert rule.paraphrase


def test_lot_line_keeps_its_distance_and_the_bores_own_tolerance():
    inner = field_of(lot()).open_area
    assert inner.bounds == pytest.approx((-56.65, -56.65, 56.65, 56.65), abs=0.01)


def test_a_circle_is_never_drawn_too_small():
    zones, _ = zones_of(lot(Feature(feature_id="w", kind="water_well", geometry=shapely.Point(0, 0))), [HOUSE])
    well = next(z for z in zones if z.kind == "water_well")
    reach = 30.48 + 0.3048 + 0.1
    outline = shapely.get_coordinates(well.polygon.boundary)
    assert shapely.distance(shapely.Point(0, 0), well.polygon.boundary) >= reach - 1e-9
    assert np.hypot(*outline.T).max() <= reach * 1.0025


@pytest.mark.parametrize(("foundation", "depth_ft"), [("slab", 1.0), ("footing", 4.0), ("basement", 8.0), ("", 8.0)])
def test_depth_under_a_building(foundation, depth_ft):
    house = Feature(
        feature_id="h", kind="building", geometry=shapely.box(-5, -5, 5, 5), attributes=(("foundation", foundation),)
    )
    asked = depth_asked(field_of(lot(house)), straight(-40, 0, 40, 0))
    expected = ((6 + depth_ft) * 0.3048 + 0.127 / 2) / 0.95
    assert asked == {"h (house/building)": pytest.approx(expected)}


def gas(*points, depth=1.0, quality="B"):
    return Feature(feature_id="g", kind="gas_line", geometry=shapely.LineString(points), depth_m=depth, quality=quality)


def test_a_line_crossed_square_asks_its_crossing_depth():
    asked = depth_asked(field_of(lot(gas((0, -80), (0, 80)))), straight(-40, 0, 40, 0))
    expected = (1.0 + 0.05 + 2 * 0.3048 + 1.0 * 0.3048 + 0.127 / 2) / 0.95
    assert asked == {"g (house/buried-line)": pytest.approx(expected)}


def test_a_line_crossed_flat_is_no_way():
    assert depth_asked(field_of(lot(gas((-80, -20), (80, 20)))), straight(-40, 0, 40, 0)) is None


def test_a_line_run_alongside_asks_its_plan_distance_as_height():
    asked = depth_asked(field_of(lot(gas((-80, 2), (80, 2)))), straight(-40, 0, 40, 0))
    assert asked["g (house/buried-line)"] == pytest.approx((1.0 + 0.05 + 3.048 + 0.127 / 2) / 0.95)


def test_closed_ground_is_closed_at_every_depth():
    field_ = Feature(feature_id="f", kind="drain_field", geometry=shapely.box(-3, -3, 3, 3), quality="A")
    assert depth_asked(field_of(lot(field_)), straight(-40, 0, 40, 0)) == {"f (house/drain-field)": NEVER}


def test_the_grid_never_opens_what_the_polygons_close():
    site = lot(
        Feature(feature_id="w", kind="septic_tank", geometry=shapely.Point(3, 4), quality="A"), gas((0, -80), (0, 80))
    )
    field = field_of(site)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-60, 60, (2, 4000))
    need, end_ok = field.grid.look(x, y)
    assert not (end_ok & ~shapely.contains_xy(field.end_area, x, y)).any()
    assert not ((need < NEVER) & ~shapely.contains_xy(field.open_area, x, y)).any()


def rule_text(**changes):
    text = (files.resources.files("loopgis") / "tables" / "rules" / "house.toml").read_text("utf-8")
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new, 1)
    return text.encode()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('schema = "loopgis-rules/1"', 'schema = "other"', "schema"),
        ('feature = "water_well"', 'feature = "water_wel"', "did you mean 'water_well'"),
        ('mode = "never"', 'mode = "nevr"', "crossing mode"),
        ('plan_distance = { value = 100, unit = "ft" }', "plan_distance = 100", "not a length"),
        ('plan_distance = { value = 100, unit = "ft" }', 'plan_distance = { value = -1, unit = "ft" }', "not a number"),
        ('id = "well"', 'id = "lot-line"', "used twice"),
        ('citation = "house rule; published rules ask 10-100 ft"', "", "citation is missing"),
        ('severity = "shall"', 'sevrity = "shall"', "did you mean 'severity'"),
        ('below = "lowest_footing"', 'below = "cellar"', "lowest_footing"),
        ("[[rule]]\nid", "[[rule]\nid", "not a TOML file"),
        ("[tolerance]", "[tolerances]", "tolerance"),
    ],
)
def test_a_bad_rule_file_names_the_place_and_the_remedy(old, new, says):
    with pytest.raises(InputError, match=says) as caught:
        files.parse(rule_text(change=(old, new)), "mine.toml")
    assert "mine.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_rule_files(tmp_path):
    with pytest.raises(InputError, match="did you mean 'house'"):
        files.load("hous")
    with pytest.raises(InputError, match="cannot be read"):
        files.load(str(tmp_path / "none.toml"))


@pytest.mark.parametrize(
    ("old", "new", "outcome"),
    [
        (
            'loop_class = ["bored_horizontal", "bored_vertical"]',
            'loop_class = ["bored_vertical", "trenched"]',
            "not_applicable",
        ),
        ('class_certainty = "text"', 'class_certainty = "assumed"', "ruling_needed"),
        (
            'class_certainty = "text"\n',
            'class_certainty = "text"\n[applicability.depth_trigger]\nop = ">"\nvalue = 25\nunit = "ft"\n',
            "not_applicable",
        ),
        (
            'class_certainty = "text"\n',
            'class_certainty = "text"\n[applicability.depth_trigger]\nop = ">="\nvalue = 10\nunit = "ft"\n',
            "pass",
        ),
    ],
)
def test_whom_a_file_concerns_is_the_same_for_generator_and_audit(old, new, outcome, tmp_path):
    import loopgis
    from loopgis import driver

    (tmp_path / "office.toml").write_bytes(rule_text(a=(old, new), b=('id = "house"', 'id = "office"')))
    site = zoo.site(shapely.box(-45, -40, 45, 40), bores=2, rules=(str(tmp_path / "office.toml"),), patterns=("fan",))
    result = driver.design(site)
    assert {c.outcome for y in result.layouts for c in y.clearances if c.bore_id} == {outcome}
    result.write(tmp_path / "out", pictures=False)
    found = loopgis.audit(tmp_path / "out" / "layouts.gpkg", rules=[str(tmp_path / "office.toml")])
    assert not [f for f in found if f.severity == "error" or f.code.startswith("clearance")]
