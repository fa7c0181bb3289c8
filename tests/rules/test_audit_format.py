"""Every key of the rule files as the audit reads it: both sides of each bound, what is unknown, and what is refused.

The bore of `Lot` runs due east from x = 1030 along y = 2075, level at 4.5 m below flat ground at z = 0; its hole is 0.2 m wide. The
tolerances of HEAD: the bore 0.5 m in plan and 10 % of depth, quality A 0.1 m. Outcomes are worked by hand from DEVELOPERS.md,
"What a rule means". 1 US gallon = 3.785411784 L exactly (231 cubic inches).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from audit_files import META, Bore, Feature, Lot, straight

from loopgis.core.errors import InputError
from loopgis.rules import files
from loopgis.rules.audit import audit, measure
from loopgis.rules.audit_rules import kinds, load_rules, words

if TYPE_CHECKING:
    from pathlib import Path

TOP = 'schema = "loopgis-rules/1"\n'
ABOUT = '[jurisdiction]\nid = "made-up"\n'
TOLERANCE = """[tolerance]
A = { plan = 0.1, vert = 0.1 }
unknown = { plan = 2.0, vert = 0.5 }
bore = { plan = 0.5, vert_pct_depth = 10.0 }
"""
DEFAULTS = '[defaults]\nunits = "m"\n'
HEAD = TOP + ABOUT + DEFAULTS + TOLERANCE
GALLON_L = 3.785411784
NEVER = 'crossing = { mode = "never" }\n'
FIVE = "plan_distance = { value = 5 }\n" + NEVER
END_X = float(straight(1030, 2075)[-1, 0])


@dataclass
class Told(Feature):
    """A feature with the columns that filters and ranges read."""

    use: str = ""
    owner: str = ""
    shielded: str = ""
    yield_l_s: Any = None
    flow_m3_d: Any = None
    voltage_kv: Any = None


def rule(text: str, feature: str = "surface_water", places: str = '["bore"]') -> str:
    return f'[[rule]]\nid = "r"\nfeature = "{feature}"\napplies_to = {places}\ncitation = "made up"\n{text}\n'


def rows_of(folder: Path, text: str, lot: Lot) -> list[dict[str, Any]]:
    (folder / "office.toml").write_text(text, encoding="utf-8")
    (folder / "a.gpkg").unlink(missing_ok=True)
    return measure(lot.write(folder / "a.gpkg"), [str(folder / "office.toml")])


def judged(folder: Path, text: str, lot: Lot) -> dict[str, Any]:
    """The one row of a file with one rule."""
    rows = rows_of(folder, HEAD + text, lot)
    assert len(rows) == 1, rows
    return rows[0]


def pond(north_m: float, kind: str = "surface_water", **more: Any) -> Lot:
    """A polygon so far north of the level run."""
    return Lot(features=[Told(kind, shapely.box(1070, 2075 + north_m, 1080, 2095 + north_m), **more)])


def across(x: float = 1080.0, kind: str = "gas_line", **more: Any) -> Lot:
    """A line that the bore passes at a right angle."""
    return Lot(features=[Told(kind, shapely.LineString([(x, 2010), (x, 2140)]), **more)])


def beside(north_m: float, kind: str = "gas_line", **more: Any) -> Lot:
    """A line along the level run."""
    line = shapely.LineString([(1070, 2075 + north_m), (1080, 2075 + north_m)])
    return Lot(features=[Told(kind, line, **more)])


def with_pipe(lot: Lot, fluid: Any) -> Lot:
    lot.metadata = {**META, "pipe": {"size": "1 in", "fluid": fluid}}
    return lot


# Words --------------------------------------------------------------------------------------------------------------------


def test_the_lists_of_words_are_those_of_the_table() -> None:
    assert {"private", "community", "salt_store", "unknown"} <= words()["use"]
    assert words()["foundation"] == {"slab", "footing", "basement", "unknown"}


@pytest.mark.parametrize(
    ("column", "word", "allowed", "applies"),
    [
        ("use", "private", "private", True),
        ("use", " Private ", "PRIVATE", True),
        ("use", "municipal", "private", False),
        ("use", "", "unknown", True),
        ("use", "", "private", False),
        ("use", "garden hose", "unknown", True),
        ("use", "garden hose", "garden hose", False),
        ("use", "monitoring", "unknown", False),
        ("owner", "garden hose", "garden hose", True),
        ("owner", "garden hose", "unknown", False),
        ("owner", "", "unknown", True),
    ],
)
def test_a_word_that_its_list_does_not_have_is_unknown(
    column: str, word: str, allowed: str, *, applies: bool, tmp_path: Path
) -> None:
    text = HEAD + rule(f'feature_filter = {{ {column} = ["{allowed}"] }}\n' + FIVE)
    assert bool(rows_of(tmp_path, text, pond(4, **{column: word}))) is applies


# Ranges -------------------------------------------------------------------------------------------------------------------

RANGES = [
    ('yield = { over = 10, unit = "gal/min" }', "yield_l_s", 10 * GALLON_L / 60, False),
    ('yield = { over = 10, unit = "gal/min" }', "yield_l_s", 10.01 * GALLON_L / 60, True),
    ('yield = { from = 10, unit = "gal/min" }', "yield_l_s", 10 * GALLON_L / 60, True),
    ('yield = { from = 10, unit = "gal/min" }', "yield_l_s", 9.99 * GALLON_L / 60, False),
    ('yield = { up_to = 25, unit = "gal/min" }', "yield_l_s", 25 * GALLON_L / 60, True),
    ('yield = { up_to = 25, unit = "gal/min" }', "yield_l_s", 25.01 * GALLON_L / 60, False),
    ('yield = { below = 25, unit = "gal/min" }', "yield_l_s", 25 * GALLON_L / 60, False),
    ('yield = { below = 25, unit = "gal/min" }', "yield_l_s", 24.99 * GALLON_L / 60, True),
    ('yield = { over = 10, up_to = 25, unit = "gal/min" }', "yield_l_s", 0.63, False),
    ('yield = { over = 10, up_to = 25, unit = "gal/min" }', "yield_l_s", 0.64, True),
    ('yield = { over = 10, up_to = 25, unit = "gal/min" }', "yield_l_s", 1.57, True),
    ('yield = { over = 10, up_to = 25, unit = "gal/min" }', "yield_l_s", 1.58, False),
    ('yield = { from = 0.63, unit = "L/s" }', "yield_l_s", 0.63, True),
    ('yield = { from = 100, unit = "m3/day" }', "yield_l_s", 1.157, False),
    ('yield = { from = 100, unit = "m3/day" }', "yield_l_s", 1.158, True),
    ('yield = { over = 0, unit = "L/s" }', "yield_l_s", 0.0, False),
    ('flow = { from = 2000, unit = "gal/day" }', "flow_m3_d", 7.570823568, True),
    ('flow = { from = 2000, unit = "gal/day" }', "flow_m3_d", 7.5708, False),
    ('flow = { below = 2000, unit = "gal/day" }', "flow_m3_d", 7.570823568, False),
    ('flow = { over = 7, unit = "m3/day" }', "flow_m3_d", 7.1, True),
    ('flow = { over = 1, unit = "L/s" }', "flow_m3_d", 86.3, False),
    ('flow = { over = 1, unit = "L/s" }', "flow_m3_d", 86.5, True),
    ('flow = { over = 1, unit = "gal/min" }', "flow_m3_d", 5.45, False),
    ('flow = { over = 1, unit = "gal/min" }', "flow_m3_d", 5.46, True),
    ('voltage = { over = 50, unit = "kV" }', "voltage_kv", 50, False),
    ('voltage = { over = 50, unit = "kV" }', "voltage_kv", 69, True),
    ('voltage = { over = 50000, unit = "V" }', "voltage_kv", 50, False),
    ('voltage = { over = 50000, unit = "V" }', "voltage_kv", 50.1, True),
]


@pytest.mark.parametrize(("asked", "column", "figure", "applies"), RANGES)
def test_a_known_figure_decides_whether_the_rule_speaks(
    asked: str, column: str, figure: float, *, applies: bool, tmp_path: Path
) -> None:
    text = HEAD + rule(f"feature_range = {{ {asked} }}\n" + FIVE)
    rows = rows_of(tmp_path, text, pond(4, **{column: figure}))
    assert [r["outcome"] for r in rows] == ["fail"] * applies


@pytest.mark.parametrize("figure", [None, -1.0, "a lot"])
@pytest.mark.parametrize(
    ("north_m", "mode", "outcome"),
    [
        (4, "never", "unverified"),
        (-5, "never", "unverified"),
        (5.2, "never", "unverified"),
        (6, "never", "pass"),
        (4, "ruling", "ruling_needed"),
        (6, "ruling", "pass"),
    ],
)
def test_an_unknown_figure_never_passes_and_is_no_fault(
    figure: Any, north_m: float, mode: str, outcome: str, tmp_path: Path
) -> None:
    asked = 'feature_range = { yield = { over = 10, unit = "gal/min" } }\nplan_distance = { value = 5 }\n'
    row = judged(tmp_path, rule(asked + f'crossing = {{ mode = "{mode}" }}'), pond(north_m, yield_l_s=figure))
    assert row["outcome"] == outcome
    assert row["remark"] == ("yield is not known" if outcome == "unverified" else "")
    assert row["provided_m"] == pytest.approx(max(north_m, 0), abs=2e-3)


def test_an_unknown_figure_of_two_is_named(tmp_path: Path) -> None:
    asked = 'feature_range = { yield = { over = 1, unit = "L/s" }, voltage = { over = 50, unit = "kV" } }\n'
    assert judged(tmp_path, rule(asked + FIVE), pond(4, yield_l_s=2.0))["remark"] == "voltage is not known"
    assert judged(tmp_path, rule(asked + FIVE), pond(4))["remark"] == "yield and voltage is not known"
    assert rows_of(tmp_path, HEAD + rule(asked + FIVE), pond(4, yield_l_s=0.5)) == []


def test_cover_beside_an_unknown_figure_is_unverified_too(tmp_path: Path) -> None:
    asked = 'feature_range = { flow = { over = 1, unit = "m3/day" } }\nplan_distance = { value = 5 }\n'
    text = rule(asked + 'min_cover = { value = 9 }\ncrossing = { mode = "under_with_cover" }')
    assert judged(tmp_path, text, pond(-5))["outcome"] == "unverified"
    assert judged(tmp_path, text, pond(-5, flow_m3_d=2.0))["outcome"] == "fail"


def test_a_pad_near_something_of_unknown_figure(tmp_path: Path) -> None:
    lot = pond(10)
    lot.pads = [("L-01", shapely.box(1070, 2080, 1080, 2084))]
    asked = 'feature_range = { yield = { over = 10, unit = "gal/min" } }\n'
    row = judged(tmp_path, rule(asked + FIVE, places='["pit"]'), lot)
    assert (row["basis"], row["provided_m"], row["outcome"]) == ("pad", pytest.approx(1, abs=2e-3), "unverified")


# Where it is measured -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("north_m", "outcome"), [(5.05, "fail"), (5.11, "pass_thin"), (5.59, "pass_thin"), (5.61, "pass"), (0.05, "fail")]
)
def test_from_the_edge_of_the_hole(north_m: float, outcome: str, tmp_path: Path) -> None:
    """0.1 m nearer than the axis."""
    row = judged(tmp_path, rule('measure_from = "hole_edge"\n' + FIVE), pond(north_m))
    assert (row["outcome"], row["provided_m"]) == (outcome, pytest.approx(max(north_m - 0.1, 0), abs=2e-3))


def test_from_the_edge_of_the_hole_a_ruling_begins_sooner(tmp_path: Path) -> None:
    text = 'plan_distance = { value = 5 }\ncrossing = { mode = "ruling" }\n'
    assert judged(tmp_path, rule(text), pond(5.55))["outcome"] == "pass"
    assert judged(tmp_path, rule(text + 'measure_from = "hole_edge"'), pond(5.55))["outcome"] == "ruling_needed"
    assert judged(tmp_path, rule(text + 'measure_from = "hole_edge"'), pond(5.61))["outcome"] == "pass"


def test_the_lot_line_from_the_edge_of_the_hole(tmp_path: Path) -> None:
    for south_m, outcome, provided in ((5.05, "fail", 4.95), (5.65, "pass", 5.55), (-2.0, "fail", -2.1)):
        lot = Lot(bores=[Bore(straight(1030, 2000 + south_m))])
        row = judged(tmp_path, rule('measure_from = "hole_edge"\n' + FIVE, "property_line"), lot)
        assert (row["outcome"], row["provided_m"]) == (outcome, pytest.approx(provided, abs=3e-3))


def test_the_file_says_from_where_and_a_rule_may_say_otherwise(tmp_path: Path) -> None:
    file = TOP + ABOUT + DEFAULTS + 'measure_from = "hole_edge"\n' + TOLERANCE
    [row] = rows_of(tmp_path, file + rule(FIVE), pond(5.05))
    assert row["outcome"] == "fail"
    [row] = rows_of(tmp_path, file + rule('measure_from = "bore_axis_projection"\n' + FIVE), pond(5.05))
    assert row["outcome"] == "pass_thin"


@pytest.mark.parametrize("mode", ["never", "ruling"])
@pytest.mark.parametrize(
    ("west", "east", "near"),
    [
        (1070.0, 1080.0, None),  # over the middle
        (1015.0, 1026.0, 4.0),  # behind the entry
        (1015.0, 1022.0, None),
        (END_X + 6.0, END_X + 8.0, 4.2),  # beyond the exit: 6 m less the reach of 0.1 * 4.5 / 0.25 = 1.8 m
        (END_X + 8.0, END_X + 9.0, None),
    ],
)
def test_from_the_openings_only(west: float, east: float, near: float | None, mode: str, tmp_path: Path) -> None:
    lot = Lot(features=[Feature("surface_water", shapely.box(west, 2070, east, 2080))])
    text = f'measure_from = "opening"\nplan_distance = {{ value = 5 }}\ncrossing = {{ mode = "{mode}" }}'
    row = judged(tmp_path, rule(text), lot)
    wrong = "fail" if mode == "never" else "ruling_needed"
    assert row["outcome"] == ("pass" if near is None else wrong)
    if near is not None:
        assert row["provided_m"] == pytest.approx(near, abs=0.03)
        at_exit = west > END_X
        assert (row["station_m"] > 90) is at_exit
        assert (row["station_m"] == 0) is not at_exit


def test_from_the_openings_the_lot_line_must_not_be_crossed(tmp_path: Path) -> None:
    text = rule('measure_from = "opening"\nplan_distance = { value = 2 }\n' + NEVER, "property_line")
    inside = judged(tmp_path, text, Lot(bores=[Bore(straight(1030, 2003))]))
    assert (inside["outcome"], inside["provided_m"]) == ("pass", pytest.approx(3, abs=3e-3))
    notch = Lot(parcel=shapely.difference(Lot().parcel, shapely.box(1070, 2000, 1080, 2080)))
    across_it = judged(tmp_path, text, notch)
    assert across_it["outcome"] == "fail"
    assert across_it["provided_m"] < 0
    bay = Lot(parcel=shapely.difference(Lot().parcel, shapely.box(1070, 2000, 1080, 2074)))
    assert judged(tmp_path, text, bay)["outcome"] == "pass"
    assert judged(tmp_path, text.replace("opening", "bore_axis_projection"), bay)["outcome"] == "fail"


def test_to_the_axis_points_and_lines_are_not_widened(tmp_path: Path) -> None:
    """A pipe 2 m wide, axis 5.7 m away: 4.7 m to its edge, 5.7 m to its axis, of 5 m and 0.6 m tolerance."""
    pipe = beside(5.7, "water_main", width_m=2.0)
    assert judged(tmp_path, rule(FIVE, "water_main"), pipe)["outcome"] == "fail"
    axis = 'measure_to = "feature_axis"\n'
    row = judged(tmp_path, rule(axis + FIVE, "water_main"), pipe)
    assert (row["outcome"], row["provided_m"]) == ("pass", pytest.approx(5.7, abs=2e-3))
    assert judged(tmp_path, rule(axis + FIVE, "water_main"), beside(5.5, "water_main", width_m=2.0))["outcome"] == (
        "pass_thin"
    )
    well = Lot(features=[Told("water_well", shapely.Point(1075, 2080.05))])
    assert judged(tmp_path, rule(FIVE, "water_well"), well)["provided_m"] == pytest.approx(4.95, abs=2e-3)
    assert judged(tmp_path, rule(axis + FIVE, "water_well"), well)["provided_m"] == pytest.approx(5.05, abs=2e-3)
    assert judged(tmp_path, rule(axis + FIVE), pond(4.9, width_m=3.0))["outcome"] == "fail"


def test_a_point_on_the_axis_is_touched(tmp_path: Path) -> None:
    """To its axis a well has no width: 0 m away is inside even where no distance is asked."""
    text = rule('measure_to = "feature_axis"\nplan_distance = { value = 0 }\n' + NEVER, "water_well")
    for north_m, outcome in ((0.0, "fail"), (0.01, "pass_thin"), (0.6, "pass")):
        well = Lot(features=[Told("water_well", shapely.Point(1075, 2075 + north_m))])
        assert judged(tmp_path, text, well)["outcome"] == outcome


def test_a_pad_is_measured_to_the_axis_too(tmp_path: Path) -> None:
    lot = beside(10, "water_main", width_m=2.0)
    lot.pads = [("L-01", shapely.box(1070, 2078, 1080, 2079.5))]
    for word, outcome in (("feature_edge", "fail"), ("feature_axis", "pass")):
        row = judged(tmp_path, rule(f'measure_to = "{word}"\n' + FIVE, "water_main", '["pit"]'), lot)
        assert row["outcome"] == outcome


PROJECTED = rule('measure_to = "vertical_projection"\n' + FIVE, "gas_line")


@pytest.mark.parametrize(
    ("lot", "outcome"),
    [
        (across(depth_m=1.0), "ruling_needed"),
        (across(depth_m=4.3), "ruling_needed"),  # underside 4.35 m, the hole's top 4.4 m
        (across(depth_m=4.4), "fail"),  # underside 4.45 m
        (across(depth_m=6.0), "fail"),
        (across(), "ruling_needed"),  # nobody knows: 1.2 m
        (across(1036.0, depth_m=1.0), "fail"),  # on the slope the hole is not below it everywhere
        (across(END_X + 1.0, depth_m=0.0), "fail"),  # only the exit and its reach
        (beside(4, depth_m=1.0), "ruling_needed"),
        (beside(4, depth_m=6.0), "fail"),
        (beside(5.2, depth_m=1.0), "pass_thin"),
        (beside(5.7, depth_m=1.0), "pass"),
        (Lot(bores=[Bore(straight(1030, 2075)[:, :2], columns={})], features=across(depth_m=1.0).features), "fail"),
    ],
    ids=range(12),
)
def test_what_passes_below_a_vertical_projection_is_for_the_office(lot: Lot, outcome: str, tmp_path: Path) -> None:
    assert kinds()["gas_line"].deepest_m == 1.2
    row = judged(tmp_path, PROJECTED, lot)
    assert row["outcome"] == outcome
    assert ("passes below" in row["remark"]) is (outcome == "ruling_needed")
    if row["provided_m"] == 0:
        plain = judged(tmp_path, PROJECTED.replace("vertical_projection", "feature_edge"), lot)
        assert plain["outcome"] == "fail"


def test_the_reach_alone_does_not_pass_below(tmp_path: Path) -> None:
    """6 m beyond the exit: only the reach comes nearer than 5 m, at the surface."""
    row = judged(tmp_path, PROJECTED, across(END_X + 6.0, depth_m=0.0))
    assert (row["outcome"], row["provided_m"]) == ("fail", pytest.approx(4.2 - 0.05, abs=0.03))


def test_what_is_passed_below_but_nearer_than_allowed_to_the_reach_fails(tmp_path: Path) -> None:
    """A line over the level run, deep below which the hole passes; the same feature 6 m beyond the exit, 4.2 m off the reach."""
    both = shapely.MultiLineString([[(1080, 2010), (1080, 2140)], [(END_X + 6, 2010), (END_X + 6, 2140)]])
    assert judged(tmp_path, PROJECTED, Lot(features=[Told("gas_line", both, depth_m=1.0)]))["outcome"] == "fail"
    away = shapely.MultiLineString([[(1080, 2010), (1080, 2140)], [(END_X + 9, 2010), (END_X + 9, 2140)]])
    lot = Lot(features=[Told("gas_line", away, depth_m=1.0)])
    assert judged(tmp_path, PROJECTED, lot)["outcome"] == "ruling_needed"


def test_near_the_lot_line_a_ruling_asks_and_beyond_it_fails(tmp_path: Path) -> None:
    """It must never be crossed whatever the mode says; nearer than 5.5 m the office is asked."""
    text = rule('plan_distance = { value = 5 }\ncrossing = { mode = "ruling" }', "property_line")
    for south_m, outcome in ((6, "pass"), (5.4, "ruling_needed"), (3, "ruling_needed"), (-0.5, "fail")):
        assert judged(tmp_path, text, Lot(bores=[Bore(straight(1030, 2000 + south_m))]))["outcome"] == outcome


# Eased distances ----------------------------------------------------------------------------------------------------------


def eased(when: str, plan: float = 3, needs: str = "", mode: str = "never", more: str = "") -> str:
    word = f', needs = "{needs}"' if needs else ""
    return rule(
        f"plan_distance = {{ value = 5 }}\nrelax = [{{ when = {{ {when} }}, plan_distance = {{ value = {plan} }}{word} }}{more}]\n"
        f'crossing = {{ mode = "{mode}" }}'
    )


@pytest.mark.parametrize(
    ("fluid", "required", "outcome"),
    [
        ("propylene glycol 20 %", 3, "pass"),
        ("Propylene  Glycol 20.5%", 3, "pass"),
        ("propylene glycol", 3, "pass"),
        ("water", 3, "pass"),
        ("methanol 15 %", 5, "fail"),
        ("", 5, "fail"),
        ("unknown", 5, "fail"),
        (None, 5, "fail"),
    ],
)
def test_a_fluid_eases_a_distance(fluid: Any, required: float, outcome: str, tmp_path: Path) -> None:
    row = judged(tmp_path, eased('fluid = ["Propylene glycol", "water"]'), with_pipe(pond(4), fluid))
    assert (row["required_m"], row["outcome"]) == (required, outcome)


@pytest.mark.parametrize("pipe", [None, "propylene glycol", {"fluid": 7}, {}])
def test_a_fluid_that_the_file_does_not_name_is_unknown(pipe: Any, tmp_path: Path) -> None:
    lot = pond(4)
    lot.metadata = {**META, "pipe": pipe}
    assert judged(tmp_path, eased('fluid = ["", "unknown", "propylene glycol"]'), lot)["outcome"] == "fail"


@pytest.mark.parametrize(("north_m", "outcome"), [(2.9, "fail"), (3.1, "pass_thin"), (3.6, "pass")])
def test_a_free_ease_takes_the_place_of_the_distance(north_m: float, outcome: str, tmp_path: Path) -> None:
    assert judged(tmp_path, eased("bores_up_to = 1"), pond(north_m))["outcome"] == outcome


def test_few_bores_ease_and_each_layout_counts_its_own(tmp_path: Path) -> None:
    two = pond(4)
    two.bores = [Bore(straight(1030, 2075)), Bore(straight(1030, 2050), bore_id="B-02")]
    rows = rows_of(tmp_path, HEAD + eased("bores_up_to = 1"), two)
    assert [(r["bore_id"], r["outcome"]) for r in rows] == [("B-01", "fail"), ("B-02", "pass")]
    rows = rows_of(tmp_path, HEAD + eased("bores_up_to = 2"), two)
    assert [r["outcome"] for r in rows] == ["pass", "pass"]
    two.bores[1].layout_id = "L-02"
    rows = rows_of(tmp_path, HEAD + eased("bores_up_to = 1"), two)
    assert [r["outcome"] for r in rows] == ["pass", "pass"]


def test_every_condition_must_hold_and_the_least_distance_counts(tmp_path: Path) -> None:
    both = eased('fluid = ["water"], shielded = ["yes"]')
    assert judged(tmp_path, both, with_pipe(pond(4, shielded="Yes"), "water"))["outcome"] == "pass"
    assert judged(tmp_path, both, with_pipe(pond(4), "water"))["outcome"] == "fail"
    assert judged(tmp_path, both, with_pipe(pond(4, shielded="yes"), ""))["outcome"] == "fail"
    third = ", { when = { bores_up_to = 9 }, plan_distance = { value = 4 } }"
    row = judged(tmp_path, eased("bores_up_to = 9", more=third), pond(3.2))
    assert (row["required_m"], row["outcome"]) == (3, "pass_thin")


def test_words_of_an_ease_are_those_of_a_filter(tmp_path: Path) -> None:
    text = eased('use = ["unknown"]')
    assert judged(tmp_path, text, pond(4, use="garden hose"))["outcome"] == "pass"
    assert judged(tmp_path, text, pond(4))["outcome"] == "pass"
    assert judged(tmp_path, text, pond(4, use="private"))["outcome"] == "fail"


def test_a_ruling_is_asked_for_nearer_when_eased(tmp_path: Path) -> None:
    text = eased("bores_up_to = 9", mode="ruling")
    assert judged(tmp_path, text, pond(4))["outcome"] == "pass"
    assert judged(tmp_path, text, pond(3.4))["outcome"] == "ruling_needed"


@pytest.mark.parametrize(
    ("needs", "outcome"),
    [("variance", "ruling_needed"), ("prior_approval", "ruling_needed"), ("consent", "consent_needed")],
)
def test_an_ease_that_must_be_asked_for(needs: str, outcome: str, tmp_path: Path) -> None:
    text = eased('use = ["private"]', needs=needs)
    for north_m, expected in ((4, outcome), (3.1, outcome), (2.9, "fail"), (5.2, "pass_thin"), (6, "pass")):
        row = judged(tmp_path, text, pond(north_m, use="private"))
        assert (row["outcome"], row["required_m"]) == (expected, 5)
        assert (needs.replace("_", " ") in row["remark"]) is (expected == outcome)
    assert judged(tmp_path, text, pond(4, use="public"))["outcome"] == "fail"


def test_inside_a_feature_nothing_can_be_asked_for(tmp_path: Path) -> None:
    text = eased("bores_up_to = 9", 0, "variance")
    assert judged(tmp_path, text, pond(-5))["outcome"] == "fail"
    assert judged(tmp_path, text, pond(0.1))["outcome"] == "ruling_needed"


def test_a_free_ease_and_one_to_ask_for(tmp_path: Path) -> None:
    more = ', { when = { shielded = ["yes"] }, plan_distance = { value = 2 }, needs = "variance" }'
    text = eased("bores_up_to = 9", 4, more=more)
    row = judged(tmp_path, text, pond(3, shielded="yes"))
    assert (row["required_m"], row["outcome"]) == (4, "ruling_needed")
    assert judged(tmp_path, text, pond(3))["outcome"] == "fail"
    assert judged(tmp_path, text, pond(1.9, shielded="yes"))["outcome"] == "fail"


def test_of_two_that_must_be_asked_for_the_worse_counts(tmp_path: Path) -> None:
    more = ', { when = { use = ["private"] }, plan_distance = { value = 2 }, needs = "prior_approval" }'
    text = eased('use = ["private"]', 3, "consent", more=more)
    row = judged(tmp_path, text, pond(4, use="private"))
    assert (row["outcome"], "prior approval" in row["remark"]) == ("ruling_needed", True)
    turned = eased('use = ["private"]', 2, "consent", more=more.replace("value = 2", "value = 3"))
    assert judged(tmp_path, turned, pond(2.5, use="private"))["outcome"] == "consent_needed"
    assert judged(tmp_path, turned, pond(3.5, use="private"))["outcome"] == "ruling_needed"
    assert judged(tmp_path, turned, pond(1.5, use="private"))["outcome"] == "fail"


def test_what_is_below_a_projection_is_asked_first_and_an_unknown_figure_decides_last(tmp_path: Path) -> None:
    ease = 'relax = [{ when = { shielded = ["yes"] }, plan_distance = { value = 3 }, needs = "consent" }]\n'
    text = rule('measure_to = "vertical_projection"\n' + ease + FIVE, "gas_line")
    assert judged(tmp_path, text, beside(4, depth_m=1.0, shielded="yes"))["outcome"] == "ruling_needed"
    assert judged(tmp_path, text, beside(4, depth_m=6.0, shielded="yes"))["outcome"] == "consent_needed"
    assert judged(tmp_path, text, beside(2, depth_m=6.0, shielded="yes"))["outcome"] == "fail"
    asked = 'feature_range = { voltage = { over = 50, unit = "kV" } }\n'
    text = text.replace("measure_to", asked + "measure_to")
    assert judged(tmp_path, text, beside(2, depth_m=6.0, shielded="yes"))["outcome"] == "unverified"
    assert judged(tmp_path, text, beside(4, depth_m=6.0, shielded="yes"))["outcome"] == "consent_needed"


def test_the_lot_line_and_pads_are_eased_too(tmp_path: Path) -> None:
    text = eased("bores_up_to = 1", needs="variance").replace("surface_water", "property_line")
    for south_m, outcome in ((4, "ruling_needed"), (2.9, "fail"), (-1, "fail")):
        assert judged(tmp_path, text, Lot(bores=[Bore(straight(1030, 2000 + south_m))]))["outcome"] == outcome
    lot = Lot(bores=[Bore(straight(1030, 2004))])
    free = judged(tmp_path, eased("bores_up_to = 1").replace("surface_water", "property_line"), lot)
    assert (free["required_m"], free["outcome"]) == (3, "pass")
    lot = pond(12)
    lot.pads = [("L-01", shapely.box(1070, 2080, 1080, 2083))]
    row = judged(tmp_path, eased("bores_up_to = 1").replace('"bore"', '"pit"'), lot)
    assert (row["required_m"], row["provided_m"], row["outcome"]) == (3, pytest.approx(4, abs=2e-3), "pass")


# Rules on the job ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on_fail", "outcome"),
    [
        ("deny", "fail"),
        ("variance", "ruling_needed"),
        ("prior_approval", "ruling_needed"),
        ("advise", "ruling_needed"),
        ("consent", "consent_needed"),
    ],
)
def test_what_a_job_that_does_not_keep_a_rule_comes_to(on_fail: str, outcome: str, tmp_path: Path) -> None:
    lot = with_pipe(Lot(bores=[Bore(straight(1030, 2075)), Bore(straight(1030, 2050), bore_id="B-02")]), "water")
    for asked in ("max_depth = { value = 4.4 }", "max_bores = 1", 'allowed_fluids = ["methanol"]'):
        rows = rows_of(tmp_path, HEAD + rule(f'{asked}\non_fail = "{on_fail}"', "ground"), lot)
        assert {r["outcome"] for r in rows} == {outcome}
        assert len(rows) == (2 if "depth" in asked else 1)


@pytest.mark.parametrize(
    ("limit", "outcome"),
    [(4.49, "fail"), (4.496, "pass_thin"), (4.5, "pass_thin"), (4.94, "pass_thin"), (4.951, "pass")],
)
def test_the_greatest_depth(limit: float, outcome: str, tmp_path: Path) -> None:
    """4.5 m deep, 4.95 m with the tolerance of 10 %; 5 mm count as kept."""
    row = judged(tmp_path, rule(f"max_depth = {{ value = {limit} }}", "ground"), Lot())
    assert (row["outcome"], row["basis"], row["kind"], row["feature_id"]) == (outcome, "depth", "ground", "")
    assert row["margin_m"] == pytest.approx(limit - 4.5)


def test_a_depth_nobody_knows_is_unverified(tmp_path: Path) -> None:
    text = rule("max_depth = { value = 9 }", "ground")
    assert judged(tmp_path, text, Lot(bores=[Bore(straight(1030, 2075)[:, :2], columns={})]))["outcome"] == "unverified"


@pytest.mark.parametrize(
    ("most", "outcome", "margin"), [(1, "fail", -1), (2, "pass", 0), (3, "pass", 1), (0, "fail", -2)]
)
def test_the_number_of_bores(most: int, outcome: str, margin: int, tmp_path: Path) -> None:
    lot = Lot(bores=[Bore(straight(1030, 2075)), Bore(straight(1030, 2050), bore_id="B-02")])
    row = judged(tmp_path, rule(f"max_bores = {most}", "ground"), lot)
    assert {k: row[k] for k in ("layout_id", "bore_id", "feature_id", "kind", "basis", "unit", "station_m")} == {
        "layout_id": "L-01",
        "bore_id": "",
        "feature_id": "",
        "kind": "ground",
        "basis": "count",
        "unit": "bores",
        "station_m": None,
    }
    assert (row["required_m"], row["provided_m"], row["margin_m"], row["outcome"]) == (most, 2, margin, outcome)


def test_bores_are_counted_by_layout_and_without_a_line_as_well(tmp_path: Path) -> None:
    lot = Lot(
        bores=[
            Bore(straight(1030, 2075)),
            Bore(shapely.Point(1030, 2050, 0), bore_id="B-02"),
            Bore(straight(1030, 2025), layout_id="L-02"),
        ]
    )
    rows = rows_of(tmp_path, HEAD + rule("max_bores = 1", "ground"), lot)
    assert {r["layout_id"]: (r["provided_m"], r["outcome"]) for r in rows} == {"L-01": (2, "fail"), "L-02": (1, "pass")}


@pytest.mark.parametrize(
    ("fluid", "outcome"),
    [("Water", "pass"), ("ethanol 18 %", "pass"), ("methanol 15 %", "fail"), ("", "unverified"), (None, "unverified")],
)
def test_the_fluid(fluid: Any, outcome: str, tmp_path: Path) -> None:
    text = rule('allowed_fluids = ["water", "Ethanol"]', "ground")
    row = judged(tmp_path, text, with_pipe(Lot(), fluid))
    assert (row["outcome"], row["basis"], row["bore_id"], row["kind"]) == (outcome, "fluid", "", "ground")
    assert (row["required_m"], row["provided_m"], row["margin_m"], row["unit"]) == (0.0, None, None, "")
    assert "water, ethanol" in row["remark"]
    assert ("not known" in row["remark"]) is (outcome == "unverified")


def test_findings_of_the_job_read_well(tmp_path: Path) -> None:
    text = HEAD + rule("max_bores = 0", "ground") + rule('allowed_fluids = ["water"]', "ground").replace('"r"', '"f"')
    (tmp_path / "office.toml").write_text(text, encoding="utf-8")
    file = with_pipe(Lot(), "methanol 15 %").write(tmp_path / "a.gpkg")
    found = {f.code: f for f in audit(file, [str(tmp_path / "office.toml")])}
    assert set(found) == {"rule-count", "rule-fluid"}
    assert found["rule-count"].message == "fail: made-up/r, ground: number of bores 1 bores, at most 0 bores"
    assert found["rule-fluid"].message == "fail: made-up/f, ground: fluid: methanol; allowed: water"
    assert {f.severity for f in found.values()} == {"error"}


# What concerns which bores ------------------------------------------------------------------------------------------------

COUNT = "[applicability.count_trigger]\nop = {op!r}\nbores = {bores}\n"
JOB = (
    rule("max_bores = 0", "ground").replace('"r"', '"count"')
    + rule('allowed_fluids = ["water"]', "ground").replace('"r"', '"fluid"')
    + rule("max_depth = { value = 1 }", "ground").replace('"r"', '"depth"')
    + rule(FIVE, "wetland").replace('"r"', '"missing"')
    + rule(FIVE)
)


def outcomes(folder: Path, head: str) -> dict[str, str]:
    lot = with_pipe(pond(4), "methanol")
    lot.metadata = {**(lot.metadata or {}), "given_kinds": []}
    rows = rows_of(folder, head + TOLERANCE + JOB, lot)
    return {r["rule_id"].removeprefix("made-up/"): r["outcome"] for r in rows}


ALL_WRONG = {"count": "fail", "fluid": "fail", "depth": "fail", "missing": "unverified", "r": "fail"}


@pytest.mark.parametrize(
    ("trigger", "trips"),
    [
        (COUNT.format(op=">", bores=0), True),
        (COUNT.format(op=">", bores=1), False),
        (COUNT.format(op=">=", bores=1), True),
        (COUNT.format(op=">=", bores=2), False),
        ('[applicability.depth_trigger]\nop = ">"\nvalue = 4.4\ndatum = "existing_grade"\n', True),
        ('[applicability.depth_trigger]\nop = ">"\nvalue = 4.6\n', False),
        (COUNT.format(op=">=", bores=1) + '[applicability.depth_trigger]\nop = ">"\nvalue = 4.6\n', False),
        (COUNT.format(op=">=", bores=2) + '[applicability.depth_trigger]\nop = ">"\nvalue = 4.4\n', False),
        (COUNT.format(op=">=", bores=1) + '[applicability.depth_trigger]\nop = ">"\nvalue = 4.4\n', True),
    ],
)
def test_bores_and_layouts_that_a_file_does_not_concern(trigger: str, *, trips: bool, tmp_path: Path) -> None:
    found = outcomes(tmp_path, TOP + ABOUT + DEFAULTS + trigger)
    assert found == (ALL_WRONG if trips else dict.fromkeys(ALL_WRONG, "not_applicable"))


def test_one_bore_that_is_deep_enough_makes_the_layouts_rows_apply(tmp_path: Path) -> None:
    trigger = '[applicability.depth_trigger]\nop = ">"\nvalue = 4.4\n'
    bores = [Bore(straight(1030, 2075, depth_m=4.2)), Bore(straight(1030, 2050), bore_id="B-02")]
    text = TOP + ABOUT + DEFAULTS + trigger + TOLERANCE + rule("max_bores = 1", "ground")
    [row] = rows_of(tmp_path, text, Lot(bores=bores))
    assert row["outcome"] == "fail"
    [row] = rows_of(tmp_path, text, Lot(bores=[bores[0], Bore(straight(1030, 2050, depth_m=4.2), bore_id="B-02")]))
    assert (row["outcome"], "none of its bores" in row["remark"]) == ("not_applicable", True)


def test_a_file_about_other_loops_asks_for_nothing(tmp_path: Path) -> None:
    found = outcomes(tmp_path, TOP + ABOUT + DEFAULTS + '[applicability]\nloop_class = ["trenched"]\n')
    assert found == dict.fromkeys(("count", "fluid", "depth", "r"), "not_applicable")


@pytest.mark.parametrize(("north_m", "outcome"), [(4, "fail"), (5.2, "ruling_needed"), (6, "ruling_needed")])
def test_an_assumed_class_asks_where_it_would_pass_even_thinly(north_m: float, outcome: str, tmp_path: Path) -> None:
    file = TOP + ABOUT + DEFAULTS + '[applicability]\nclass_certainty = "CLASS"\n' + TOLERANCE
    [row] = rows_of(tmp_path, file.replace("CLASS", "assumed") + rule(FIVE), pond(north_m))
    assert row["outcome"] == outcome
    [row] = rows_of(tmp_path, file.replace("CLASS", "agency_ruling") + rule(FIVE), pond(north_m))
    assert row["outcome"] == {4: "fail", 5.2: "pass_thin", 6: "pass"}[north_m]


def test_an_assumed_class_asks_about_the_job_as_well(tmp_path: Path) -> None:
    file = TOP + ABOUT + DEFAULTS + '[applicability]\nclass_certainty = "assumed"\n' + TOLERANCE
    for asked, outcome in (
        ("max_bores = 1", "ruling_needed"),
        ("max_bores = 0", "fail"),
        ('allowed_fluids = ["water"]', "ruling_needed"),
        ('allowed_fluids = ["methanol"]', "fail"),
        ("max_depth = { value = 4.6 }", "ruling_needed"),
        ("max_depth = { value = 4.4 }", "fail"),
    ):
        [row] = rows_of(tmp_path, file + rule(asked, "ground"), with_pipe(Lot(), "water"))
        assert row["outcome"] == outcome, asked


# Reading ------------------------------------------------------------------------------------------------------------------


def test_a_yard_is_three_feet(tmp_path: Path) -> None:
    """5 yd = 4.572 m."""
    text = rule('plan_distance = { value = 5, unit = "yd" }\n' + NEVER)
    assert judged(tmp_path, text, pond(4.56))["outcome"] == "fail"
    assert judged(tmp_path, text, pond(4.58))["outcome"] == "pass_thin"


GOOD = rule(FIVE)
DUTY = '[[duty]]\nid = "d"\nwhat = "tell them"\nwhen = "before"\ncitation = "c"\nsource = "s"\n'
FULL = (
    TOP
    + ABOUT
    + 'name = "n"\nlevel = "state"\nparents = []\neffective = 2021-03-22\nchecked = 2026-11-25\nsource_status = "seen_mirror"\n'
    + "advisory_only = false\n"
    + '[applicability]\nloop_class = ["bored_horizontal"]\nclass_certainty = "text"\n'
    + '[applicability.depth_trigger]\nop = ">"\nvalue = 1\nunit = "m"\ndatum = "existing_grade"\n'
    + COUNT.format(op=">=", bores=1)
    + DEFAULTS
    + 'measure_from = "bore_axis_projection"\nmeasure_to = "feature_edge"\n'
    + TOLERANCE
    + 'B = { plan = 1, vert = 1, unit = "m", depth = "unknown" }\n'
    + DUTY
    + 'days = 30\nhours = 24\nstatus = "seen"\n'
    + '[submittal]\nmap_radius = { value = 200, unit = "ft" }\nneeds = ["scale"]\nnotice_hours = 48\npermit_life_days = 365\n'
    + 'as_built_days = 30\nas_built_coord_decimals = 5\nseal_required = false\ncitation = "c"\n'
    + '[one_call]\ntolerance_zone = { value = 18, unit = "in" }\nnotice_business_days = 2\nticket_life_days = 14\n'
    + 'white_lining = "required"\npositive_response = true\ncitation = "c"\n'
    + rule(
        'feature_filter = { use = ["unknown"] }\nfeature_range = { yield = { from = 1, below = 3, unit = "L/s" } }\n'
        'min_cover = { value = 1, below = "surface" }\nvertical_clearance = { value = 1 }\n'
        'foundation_depth = { slab = 1, unit = "m" }\n'
        'relax = [{ when = { use = ["private"] }, plan_distance = { value = 1 }, needs = "consent" }]\n'
        'measure_from = "opening"\nmeasure_to = "feature_axis"\nseverity = "shall"\non_fail = "deny"\nparaphrase = "p"\n'
        'source = "s"\nnote = "n"\nstatus = "secondary"\nchecked = 2026-11-25\nplan_distance = { value = 5, unit = "m" }\n'
        'crossing = { mode = "never", angle_min_deg = 45, consent = ["x"], verify = "expose", min_quality = "A" }'
    )
    + '[[rule]]\nid = "d"\nfeature = "ground"\ncitation = "c"\nmax_depth = { value = 9 }\n'
    + '[[rule]]\nid = "n"\nfeature = "ground"\ncitation = "c"\nmax_bores = 9\n'
    + '[[rule]]\nid = "f"\nfeature = "ground"\ncitation = "c"\nallowed_fluids = ["water"]\n'
)


def test_a_file_with_every_key_is_read(tmp_path: Path) -> None:
    (tmp_path / "full.toml").write_text(FULL, encoding="utf-8")
    [file] = load_rules([str(tmp_path / "full.toml")], tmp_path)
    assert [r.job for r in file.rules] == ["", "depth", "count", "fluid"]
    first = file.rules[0]
    assert (first.measure_from, first.measure_to) == ("opening", "feature_axis")
    assert [(r.name, r.bounds) for r in first.ranges] == [("yield", (("from", 1.0), ("below", 3.0)))]
    assert [(e.keep, e.plan_m, e.needs) for e in first.eases] == [({"use": ("private",)}, 1.0, "consent")]
    assert (file.rules[1].max_depth_m, file.rules[2].max_bores, file.rules[3].fluids) == (9.0, 9, ("water",))
    assert (file.trigger, file.count_trigger) == ((">", 1.0), (">=", 1))


TYPOS = [
    ("", 'colour = "red"\n' + HEAD + GOOD, "colour", "'rule'|'duty'|'schema'|'one_call'|'tolerance'"),
    ("", HEAD + GOOD + "[submital]\nnotice_hours = 3\n", "submital", "'submittal'"),
    ("jurisdiction", FULL.replace("parents", "parent"), "parent", "'parents'"),
    ("applicability", FULL.replace("class_certainty", "certainty"), "certainty", "'class_certainty'"),
    ("depth_trigger", FULL.replace("datum", "date"), "date", "'datum'"),
    ("count_trigger", FULL.replace("bores = 1", "bore = 1"), "bore", "'bores'"),
    ("defaults", FULL.replace("units", "unit", 1), "unit", "'units'"),
    ("tolerance", FULL.replace("unknown = {", "unkown = {"), "unkown", "'unknown'"),
    ("tolerance.A", FULL.replace("vert = 0.1", "vertical = 0.1"), "vertical", "'vert'"),
    ("tolerance.bore", FULL.replace("vert_pct_depth", "vert_pct"), "vert_pct", "'vert_pct_depth'"),
    ("rule r", FULL.replace("paraphrase", "paraprase"), "paraprase", "'paraphrase'"),
    ("rule r", FULL.replace("feature_range", "feature_ranges"), "feature_ranges", "'feature_range'"),
    ("rule n", FULL.replace("max_bores", "maxbores"), "maxbores", "'max_bores'"),
    ("crossing", FULL.replace("angle_min_deg", "angle_min"), "angle_min", "'angle_min_deg'"),
    ("plan_distance", FULL.replace('value = 5, unit = "m"', 'value = 5, units = "m"'), "units", "'unit'"),
    ("min_cover", FULL.replace('below = "surface"', 'bellow = "surface"'), "bellow", "'below'"),
    ("feature_range", FULL.replace("yield = {", "yields = {"), "yields", "'yield'"),
    ("feature_range.yield", FULL.replace("below = 3", "to = 3"), "to", "'up_to'"),
    ("relax", FULL.replace('needs = "consent"', 'need = "consent"'), "need", "'needs'"),
    ("duty d", FULL.replace("hours = 24", "hour = 24"), "hour", "'hours'"),
    ("submittal", FULL.replace("as_built_days", "asbuilt_days"), "asbuilt_days", "'as_built_days'"),
    ("one_call", FULL.replace("ticket_life_days", "ticket_days"), "ticket_days", "'ticket_life_days'"),
]


@pytest.mark.parametrize(("place", "text", "key", "near"), TYPOS, ids=[t[2] for t in TYPOS])
def test_a_key_that_is_not_known_is_refused_in_one_line(
    place: str, text: str, key: str, near: str, tmp_path: Path
) -> None:
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=rf"^rule file .*bad\.toml.*key '{key}' is not known; .*({near})$") as caught:
        load_rules([str(tmp_path / "bad.toml")], tmp_path)
    assert place in str(caught.value)
    assert "\n" not in str(caught.value)


RELAX = "relax = [{{ when = {{ use = ['private'] }}, plan_distance = {{ value = {} }}{} }}]\n"
BAD = {
    "needs": HEAD + rule(RELAX.format(3, ", needs = 'a beer'") + FIVE),
    "not less": HEAD + rule(RELAX.format(6, "") + FIVE),
    "no distance": HEAD + rule("relax = [{ when = { use = ['private'] } }]\n" + FIVE),
    "no when": HEAD + rule("relax = [{ plan_distance = { value = 3 } }]\n" + FIVE),
    "empty when": HEAD + rule("relax = [{ when = {}, plan_distance = { value = 3 } }]\n" + FIVE),
    "eased cover": HEAD
    + rule(RELAX.format(3, "") + 'plan_distance = { value = 5 }\ncrossing = { mode = "under_with_cover" }'),
    "ruling on request": HEAD
    + rule(RELAX.format(3, ", needs = 'variance'") + 'plan_distance = { value = 5 }\ncrossing = { mode = "ruling" }'),
    "bores of an ease": HEAD + rule(RELAX.format(3, "").replace("use = ['private']", "bores_up_to = 1.5") + FIVE),
    "unit of a yield": HEAD + rule('feature_range = { yield = { over = 1, unit = "kV" } }\n' + FIVE),
    "no unit of a yield": HEAD + rule("feature_range = { yield = { over = 1 } }\n" + FIVE),
    "no bound": HEAD + rule('feature_range = { yield = { unit = "L/s" } }\n' + FIVE),
    "empty range": HEAD + rule('feature_range = { yield = { over = 3, up_to = 3, unit = "L/s" } }\n' + FIVE),
    "range turned round": HEAD + rule('feature_range = { yield = { from = 3, below = 2, unit = "L/s" } }\n' + FIVE),
    "bound of text": HEAD + rule('feature_range = { yield = { over = "3", unit = "L/s" } }\n' + FIVE),
    "from": HEAD + rule('measure_from = "the moon"\n' + FIVE),
    "to": HEAD + rule('measure_to = "the moon"\n' + FIVE),
    "from of a cover": HEAD
    + rule('measure_from = "hole_edge"\nmin_cover = { value = 1 }\ncrossing = { mode = "under_with_cover" }'),
    "to of a cover": TOP
    + ABOUT
    + DEFAULTS
    + 'measure_to = "vertical_projection"\n'
    + TOLERANCE
    + rule('min_cover = { value = 1 }\ncrossing = { mode = "under_with_cover" }'),
    "default from": TOP + ABOUT + DEFAULTS + 'measure_from = "the moon"\n' + TOLERANCE + GOOD,
    "two at once": HEAD + rule("max_bores = 3\nmax_depth = { value = 3 }", "ground"),
    "job of a feature": HEAD + rule("max_bores = 3"),
    "job with a crossing": HEAD + rule("max_bores = 3\n" + NEVER, "ground"),
    "job with a distance": HEAD + rule("max_bores = 3\nplan_distance = { value = 3 }", "ground"),
    "bores": HEAD + rule("max_bores = 2.5", "ground"),
    "bores below 0": HEAD + rule("max_bores = -1", "ground"),
    "fluids": HEAD + rule("allowed_fluids = []", "ground"),
    "fluid": HEAD + rule("allowed_fluids = [3]", "ground"),
    "fluids in a list": HEAD + rule('allowed_fluids = [["water"]]', "ground"),
    "ground alone": HEAD + rule("", "ground"),
    "on_fail": HEAD + rule('on_fail = "shout"\n' + FIVE),
    "certainty": TOP + ABOUT + '[applicability]\nclass_certainty = "assume"\n' + GOOD,
    "count operator": TOP + ABOUT + COUNT.format(op="<", bores=3) + GOOD,
    "count": TOP + ABOUT + COUNT.format(op=">", bores=3.5) + GOOD,
    "datum": FULL.replace("existing_grade", "sea level"),
    "status of the file": FULL.replace("seen_mirror", "heard"),
    "status of a rule": FULL.replace('"secondary"', '"heard"'),
    "status of a duty": FULL.replace('status = "seen"\n', 'status = "heard"\n'),
    "checked": FULL.replace("checked = 2026-11-25", 'checked = "lately"'),
    "when": FULL.replace('when = "before"', 'when = "never"'),
    "duty without source": HEAD + DUTY.replace('source = "s"\n', "") + GOOD,
    "days": FULL.replace("days = 30\nhours", 'days = "soon"\nhours'),
    "radius": FULL.replace('map_radius = { value = 200, unit = "ft" }', "map_radius = 200"),
    "zone": FULL.replace(
        'tolerance_zone = { value = 18, unit = "in" }', 'tolerance_zone = { value = 18, unit = "rods" }'
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_word_or_figure_that_cannot_be_used_is_refused_in_one_line(name: str, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text(BAD[name], encoding="utf-8")
    with pytest.raises(InputError, match=r"^rule file .*bad\.toml") as caught:
        load_rules([str(tmp_path / "bad.toml")], tmp_path)
    assert "\n" not in str(caught.value)
    with pytest.raises(InputError, match=r"bad\.toml") as caught:  # nor does the generator work by it
        files.load(str(tmp_path / "bad.toml"))
    assert "\n" not in str(caught.value)


def test_the_lot_is_what_the_tables_above_say() -> None:
    """The bore the tables were worked for: 4.5 m deep, exit at 25 %."""
    xyz = straight(1030, 2075)
    assert float(xyz[:, 2].min()) == pytest.approx(-4.5)
    assert np.ptp(xyz[:, 1]) == pytest.approx(0, abs=1e-9)
    rise = xyz[-1] - xyz[-2]
    assert rise[2] / rise[0] == pytest.approx(0.25)
