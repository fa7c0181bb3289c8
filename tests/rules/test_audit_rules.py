"""The audit reads rule files by itself: modes, units, filters, triggers, tolerances; and refuses bad ones in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import shapely
from audit_files import META, Bore, Feature, Lot, straight

from loopgis.core.errors import InputError
from loopgis.rules.audit import audit, measure
from loopgis.rules.audit_rules import METRES, bare_fluid, kinds, load_rules

if TYPE_CHECKING:
    from pathlib import Path

HEAD = """schema = "loopgis-rules/1"
[jurisdiction]
id = "made-up"
[defaults]
units = "m"
[tolerance]
A = { plan = 0.1, vert = 0.1 }
unknown = { plan = 2.0, vert = 0.5 }
bore = { plan = 0.5, vert_pct_depth = 10.0 }
"""
ACROSS = shapely.LineString([(1080, 2010), (1080, 2140)])


def rule(text: str, feature: str = "surface_water") -> str:
    return f'[[rule]]\nid = "r"\nfeature = "{feature}"\napplies_to = ["bore"]\ncitation = "made up"\n{text}\n'


def judged(folder: Path, text: str, lot: Lot) -> dict[str, Any]:
    """The row of the only rule in a file against the only feature of a lot."""
    (folder / "office.toml").write_text(HEAD + text, encoding="utf-8")
    rows = [r for r in measure(lot.write(folder / "a.gpkg"), ["office.toml"]) if r["feature_id"] == "F-01"]
    assert len(rows) == 1
    return rows[0]


def pond(north_m: float, **more: Any) -> Lot:
    """A pond so far north of the middle bore, which is 4.5 m deep (cover 4.4 m) there."""
    return Lot(
        features=[Feature("surface_water", shapely.box(1070, 2075 + north_m, 1080, 2075 + north_m + 20), **more)]
    )


def line(depth_m: float | None, kind: str = "water_main", **more: Any) -> Lot:
    return Lot(features=[Feature(kind, ACROSS, depth_m=depth_m, **more)])


@pytest.mark.parametrize(
    ("north_m", "outcome"), [(4.9, "fail"), (5.1, "pass_thin"), (5.49, "pass_thin"), (5.51, "pass")]
)
def test_never_with_the_bore_tolerance(north_m: float, outcome: str, tmp_path: Path) -> None:
    text = rule('plan_distance = { value = 500, unit = "cm" }\ncrossing = { mode = "never" }')
    assert judged(tmp_path, text, pond(north_m))["outcome"] == outcome


def test_inside_a_feature_fails_even_at_distance_zero(tmp_path: Path) -> None:
    text = rule('plan_distance = { value = 0 }\ncrossing = { mode = "never" }')
    assert judged(tmp_path, text, pond(-10))["outcome"] == "fail"
    text = rule('plan_distance = { value = 0 }\nmin_cover = { value = 5 }\ncrossing = { mode = "under_with_cover" }')
    (tmp_path / "a.gpkg").unlink()
    assert judged(tmp_path, text, pond(-10))["outcome"] == "fail"


@pytest.mark.parametrize(
    ("north_m", "cover_m", "outcome"),
    [
        (-10, 4.45, "fail"),
        (-10, 4.3, "pass_thin"),
        (-10, 3.9, "pass"),
        (5.2, 4.45, "pass_thin"),
        (5.2, 3.9, "pass"),
        (6, 9, "pass"),
    ],
)
def test_cover_from_the_surface(north_m: float, cover_m: float, outcome: str, tmp_path: Path) -> None:
    """Cover 4.4 m, vertical tolerance 10 % of 4.5 m, plan distance 5 m and 0.5 m tolerance."""
    text = rule(
        f'plan_distance = {{ value = 5 }}\nmin_cover = {{ value = {cover_m} }}\ncrossing = {{ mode = "under_with_cover" }}'
    )
    assert judged(tmp_path, text, pond(north_m))["outcome"] == outcome


@pytest.mark.parametrize(
    ("depth_m", "cover_m", "outcome"),
    [(1.0, 2.9, "pass"), (1.0, 3.5, "fail"), (None, 2.5, "fail"), (None, 1.9, "unverified")],
)
def test_cover_below_a_bed(depth_m: float | None, cover_m: float, outcome: str, tmp_path: Path) -> None:
    """An unknown bed counts with the larger end of the table: 2 m."""
    assert kinds()["surface_water"].deepest_m == 2.0
    text = rule(
        f'plan_distance = {{ value = 5 }}\nmin_cover = {{ value = {cover_m}, below = "feature_depth" }}\n'
        'crossing = { mode = "under_with_cover" }'
    )
    found = judged(tmp_path, text, pond(-10, depth_m=depth_m))
    assert found["outcome"] == outcome
    assert found["required_m"] == pytest.approx(cover_m + (2.0 if depth_m is None else depth_m))


@pytest.mark.parametrize(("foundation", "base_m"), [("slab", 0.3), ("basement", 2.5), ("", 3.0), ("stilts", 3.0)])
def test_cover_below_the_lowest_footing(foundation: str, base_m: float, tmp_path: Path) -> None:
    text = rule(
        'plan_distance = { value = 5 }\nmin_cover = { value = 1, below = "lowest_footing" }\n'
        'foundation_depth = { slab = 30, basement = 250, unknown = 300, unit = "cm" }\n'
        'crossing = { mode = "owner_consent", consent = ["owner"] }',
        "building",
    )
    lot = Lot(buildings=[Feature("building", shapely.box(1070, 2060, 1080, 2080), foundation=foundation)])
    found = judged(tmp_path, text, lot)
    assert found["required_m"] == pytest.approx(1 + base_m)
    assert found["outcome"] == "consent_needed"


@pytest.mark.parametrize(
    ("depth_m", "clear_m", "quality", "outcome"),
    [
        (1.0, 2.5, "A", "pass"),
        (1.0, 3.4, "A", "fail"),
        (1.0, 2.8, "A", "pass_thin"),
        (1.0, 2.4, "D", "unverified"),
        (None, 1.0, "A", "unverified"),
        (None, 2.1, "A", "fail"),
        (8.0, 2.0, "A", "pass"),
        (6.0, 2.0, "A", "fail"),
    ],
)
def test_clear_gap_over_and_under(
    depth_m: float | None, clear_m: float, quality: str, outcome: str, tmp_path: Path
) -> None:
    """Water main, half width 0.15 m: the gap is |4.5 - depth| - 0.15 - 0.1; unknown depth counts as 2.2 m."""
    text = rule(
        f"plan_distance = {{ value = 3 }}\nvertical_clearance = {{ value = {clear_m} }}\n"
        'crossing = { mode = "over_or_under_with_clearance", min_quality = "A" }',
        "water_main",
    )
    assert judged(tmp_path, text, line(depth_m, quality=quality))["outcome"] == outcome


def test_cover_can_be_asked_besides_a_gap(tmp_path: Path) -> None:
    text = rule(
        "plan_distance = { value = 3 }\nvertical_clearance = { value = 1 }\nmin_cover = { value = 6 }\n"
        'crossing = { mode = "over_or_under_with_clearance" }',
        "water_main",
    )
    found = judged(tmp_path, text, line(0.5))
    assert (found["basis"], found["outcome"]) == ("cover", "fail")


def test_beside_a_line_a_gap_as_large_as_the_distance_will_do(tmp_path: Path) -> None:
    text = rule(
        "plan_distance = { value = 3 }\nvertical_clearance = { value = 1 }\n"
        'crossing = { mode = "perpendicular", angle_min_deg = 45 }',
        "water_main",
    )
    beside = shapely.LineString([(1060, 2077), (1100, 2077)])
    shallow = Lot(features=[Feature("water_main", beside, depth_m=1.2)])
    assert judged(tmp_path, text, shallow)["outcome"] == "pass"
    (tmp_path / "a.gpkg").unlink()
    deep = Lot(features=[Feature("water_main", beside, depth_m=1.6)])
    found = judged(tmp_path, text, deep)
    assert (found["outcome"], found["basis"], found["provided_m"]) == ("fail", "alongside", pytest.approx(2.65))


def test_overlapping_a_line_is_a_flat_crossing(tmp_path: Path) -> None:
    text = rule(
        'plan_distance = { value = 1 }\ncrossing = { mode = "perpendicular", angle_min_deg = 45 }', "water_main"
    )
    lot = Lot(features=[Feature("water_main", shapely.LineString([(1050, 2075), (1110, 2075)]), depth_m=0.5)])
    found = judged(tmp_path, text, lot)
    assert (found["outcome"], found["basis"], found["provided_m"]) == ("fail", "angle", pytest.approx(0, abs=1e-3))


def test_no_angle_is_asked_of_polygons(tmp_path: Path) -> None:
    text = rule(
        'plan_distance = { value = 1 }\ncrossing = { mode = "perpendicular", angle_min_deg = 45 }', "water_main"
    )
    lot = Lot(features=[Feature("water_main", shapely.box(1050, 2074, 1110, 2076), depth_m=0.5)])
    assert judged(tmp_path, text, lot)["outcome"] == "pass"


def test_a_ruling_is_asked_inside_only(tmp_path: Path) -> None:
    text = rule('plan_distance = { value = 0 }\ncrossing = { mode = "ruling" }', "floodplain")
    lot = Lot(features=[Feature("floodplain", shapely.box(1070, 2060, 1080, 2090))])
    assert judged(tmp_path, text, lot)["outcome"] == "ruling_needed"
    (tmp_path / "a.gpkg").unlink()
    lot = Lot(features=[Feature("floodplain", shapely.box(1070, 2080, 1080, 2090))])
    assert judged(tmp_path, text, lot)["outcome"] == "pass"


@pytest.mark.parametrize(
    ("op", "value", "outcome"), [(">", 15, "not_applicable"), (">", 14, "fail"), (">=", 14.7, "fail")]
)
def test_depth_trigger_in_feet(op: str, value: float, outcome: str, tmp_path: Path) -> None:
    """The bore's greatest depth is 4.5 m = 14.76 ft."""
    trigger = f'[applicability.depth_trigger]\nop = "{op}"\nvalue = {value}\nunit = "ft"\n'
    text = trigger + rule('plan_distance = { value = 5 }\ncrossing = { mode = "never" }')
    assert judged(tmp_path, text, pond(1))["outcome"] == outcome


def test_an_assumed_class_turns_a_pass_into_a_question(tmp_path: Path) -> None:
    text = '[applicability]\nclass_certainty = "assumed"\n' + rule(
        'plan_distance = { value = 5 }\ncrossing = { mode = "never" }'
    )
    assert judged(tmp_path, text, pond(9))["outcome"] == "ruling_needed"


def test_buried_features_get_the_tolerance_of_their_quality(tmp_path: Path) -> None:
    """A tank drawn as a polygon 5.6 m away: 5 m, bore 0.5 m and quality A 0.1 m leave nothing; a level not listed costs 2 m."""
    text = rule('plan_distance = { value = 5 }\ncrossing = { mode = "never" }', "fuel_tank")
    for quality, outcome in (("A", "pass"), ("C", "pass_thin"), ("", "pass_thin")):
        (tmp_path / "a.gpkg").unlink(missing_ok=True)
        lot = Lot(features=[Feature("fuel_tank", shapely.box(1070, 2080.61, 1075, 2085), quality=quality)])
        assert judged(tmp_path, text, lot)["outcome"] == outcome


def test_a_filter_chooses_by_columns(tmp_path: Path) -> None:
    text = 'feature_filter = { foundation = ["Slab", "unknown"] }\nplan_distance = { value = 5 }\ncrossing = { mode = "never" }'
    (tmp_path / "office.toml").write_text(HEAD + rule(text, "building"), encoding="utf-8")
    houses = [
        Feature("building", shapely.box(1070, 2060, 1080, 2080), f"H-{f}", foundation=f)
        for f in ("slab", "basement", "")
    ]
    rows = measure(Lot(buildings=houses).write(tmp_path / "a.gpkg"), [str(tmp_path / "office.toml")])
    assert {r["feature_id"] for r in rows} == {"H-slab", "H-"}


def test_a_greatest_depth_can_be_asked(tmp_path: Path) -> None:
    for limit, outcome in ((4.0, "fail"), (4.6, "pass_thin"), (5.0, "pass")):
        (tmp_path / "office.toml").write_text(
            HEAD + rule(f"max_depth = {{ value = {limit} }}", "ground"), encoding="utf-8"
        )
        (tmp_path / "a.gpkg").unlink(missing_ok=True)
        [row] = measure(Lot().write(tmp_path / "a.gpkg"), [str(tmp_path / "office.toml")])
        assert (row["outcome"], row["margin_m"]) == (outcome, pytest.approx(limit - 4.5))


def test_files_are_stacked_and_the_file_names_its_own(tmp_path: Path) -> None:
    text = HEAD + rule('plan_distance = { value = 40 }\ncrossing = { mode = "never" }', "property_line")
    (tmp_path / "office.toml").write_text(text, encoding="utf-8")
    file = Lot(metadata={**META, "rules": ["house", "office.toml"]}).write(tmp_path / "a.gpkg")
    assert [(f.code, f.rule_id) for f in audit(file)] == [("lot-line", "made-up/r")]
    assert audit(file, ["house"]) == []


def test_kinds_nobody_supplied_are_unverified(tmp_path: Path) -> None:
    (tmp_path / "office.toml").write_text(HEAD + rule('crossing = { mode = "never" }', "wetland"), encoding="utf-8")
    lot = Lot(
        bores=[Bore(straight(1030, 2075)), Bore(straight(1030, 2090), bore_id="B-02")],
        metadata={**META, "given_kinds": []},
    )
    [row] = measure(lot.write(tmp_path / "a.gpkg"), [str(tmp_path / "office.toml")])
    assert (row["outcome"], row["bore_id"], row["kind"], row["provided_m"]) == ("unverified", "", "wetland", None)


GOOD = rule('plan_distance = { value = 5 }\ncrossing = { mode = "never" }')
BAD = {
    "not TOML": "schema = ",
    "no schema": GOOD,
    "no rules": HEAD,
    "unit": HEAD + rule('plan_distance = { value = 5, unit = "rods" }\ncrossing = { mode = "never" }'),
    "negative": HEAD + rule('plan_distance = { value = -5 }\ncrossing = { mode = "never" }'),
    "text": HEAD + rule('plan_distance = { value = "5 ft" }\ncrossing = { mode = "never" }'),
    "bare number": HEAD + rule('plan_distance = 5\ncrossing = { mode = "never" }'),
    "mode": HEAD + rule('crossing = { mode = "always" }'),
    "no mode": HEAD + rule("plan_distance = { value = 5 }"),
    "kind": HEAD + rule('crossing = { mode = "never" }', "volcano"),
    "base": HEAD + rule('min_cover = { value = 1, below = "moon" }\ncrossing = { mode = "under_with_cover" }'),
    "quality": HEAD + rule('crossing = { mode = "never", min_quality = "Z" }'),
    "twice": HEAD + GOOD + GOOD,
    "no citation": HEAD + GOOD.replace('citation = "made up"\n', ""),
    "no id": HEAD + GOOD.replace('id = "r"\n', ""),
    "no authority": HEAD.replace('id = "made-up"', 'name = "x"') + GOOD,
    "operator": HEAD + '[applicability.depth_trigger]\nop = "<"\nvalue = 3\n' + GOOD,
    "share": HEAD.replace("10.0", "400.0") + GOOD,
    "wrong type": HEAD.replace("A = { plan = 0.1, vert = 0.1 }", "A = 3") + GOOD,
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_rule_file_is_one_line(name: str, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text(BAD[name], encoding="utf-8")
    with pytest.raises(InputError, match=r"^rule file .*bad\.toml") as caught:
        load_rules([str(tmp_path / "bad.toml")], tmp_path)
    assert "\n" not in str(caught.value)


def test_unknown_rules_and_two_of_one_name(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"shipped ids: .*house"):
        load_rules(["nowhere"], tmp_path)
    with pytest.raises(InputError, match="two rule files have the id 'house'"):
        load_rules(["house", "house"], tmp_path)


@pytest.mark.parametrize(
    ("text", "fluid"),
    [
        ("propylene glycol 20 %", "propylene glycol"),
        ("Propylene glycol 20.5%", "propylene glycol"),
        ("methanol 15 % by volume", "methanol"),
        ("  water ", "water"),
        ("ethanol", "ethanol"),
        ("mix 7", "mix 7"),
        ("20 %", ""),
        ("", ""),
        ("Unknown", ""),
    ],
)
def test_a_fluid_without_its_strength(text: str, fluid: str) -> None:
    assert bare_fluid(text) == fluid


def test_units_of_length() -> None:
    """The international foot of 1959, its twelfth and its treble."""
    assert {u: METRES[u] for u in ("in", "ft", "yd")} == pytest.approx(
        {"in": 0.0254, "ft": 0.3048, "yd": 0.9144}, abs=0
    )
    assert METRES["yd"] == pytest.approx(3 * METRES["ft"])
