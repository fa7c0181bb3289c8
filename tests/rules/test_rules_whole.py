"""A made-up county code with nearly every key: figures as both readers have them, words for a clerk, facts for machines.

The code below is the source of every expectation: 1 ft = 0.3048 m, 1 in = 0.0254 m, 1 gal = 3.785411784 L exactly.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest

from loopgis.core.errors import InputError, UsageError
from loopgis.rules.audit_rules import load_rules
from loopgis.rules.checkup import checkup
from loopgis.rules.files import load
from loopgis.rules.fresh import fresh_text, new_file
from loopgis.rules.told import concerns, explain, explanation, listed, listing_lines

if TYPE_CHECKING:
    from pathlib import Path

    from loopgis.core.findings import Finding

TODAY = dt.date(2026, 11, 26)
CODE = """schema = "loopgis-rules/1"

[jurisdiction]
id = "made-county"
name = "Made-up County Code, chapter 9"
level = "county"
parents = ["us-me", "zz-nowhere"]
effective = 2025-07-01
checked = 2026-03-04
source_status = "seen_mirror"
advisory_only = false

[applicability]
loop_class = ["bored_horizontal"]
class_certainty = "assumed"
depth_trigger = { op = ">=", value = 20, unit = "ft" }
count_trigger = { op = ">", bores = 3 }

[defaults]
measure_from = "bore_axis_projection"
measure_to = "feature_edge"
units = "ft"

[tolerance]
A = { plan = 0.5, vert = 0.5, unit = "ft" }
unknown = { plan = 2, vert = 1, unit = "m" }
bore = { plan = 1, vert_pct_depth = 5.0, unit = "ft" }

[[rule]]
id = "wells"
feature = "water_well"
feature_filter = { use = ["private", "unknown"] }
feature_range = { yield = { from = 5, below = 20, unit = "gal/min" } }
applies_to = ["bore"]
plan_distance = { value = 40, unit = "ft" }
crossing = { mode = "never" }
measure_from = "hole_edge"
measure_to = "vertical_projection"
on_fail = "variance"
severity = "should"
citation = "9-1"
paraphrase = "Wells keep 40 ft."
status = "from_memory"
checked = 2026-02-01
source = "a clerk's note"
note = "ask again"
[[rule.relax]]
when = { fluid = ["water", "propylene glycol"], bores_up_to = 1, use = ["private"] }
plan_distance = { value = 6, unit = "m" }
needs = "variance"

[[rule]]
id = "lines"
feature = ["gas_line", "irrigation"]
plan_distance = { value = 10, unit = "ft" }
vertical_clearance = { value = 18, unit = "in" }
min_cover = { value = 1, unit = "m" }
crossing = { mode = "perpendicular", angle_min_deg = 60, verify = "expose", min_quality = "B" }
applies_to = ["bore", "pit"]
on_fail = "deny"
citation = "9-2"
paraphrase = "Lines are crossed steeply."

[[rule]]
id = "house"
feature = "building"
min_cover = { value = 2, unit = "m", below = "lowest_footing" }
foundation_depth = { slab = 1, basement = 8, unknown = 8, unit = "ft" }
crossing = { mode = "owner_consent", consent = ["building_owner", "mortgage_holder"] }
applies_to = ["bore", "pit"]
on_fail = "consent"
severity = "note"
citation = "9-3"
paraphrase = "Under houses with consent."

[[rule]]
id = "flood"
feature = "floodplain"
crossing = { mode = "ruling" }
applies_to = ["bore"]
on_fail = "deny"
citation = "9-4"
paraphrase = "The office decides."

[[rule]]
id = "depth"
feature = "ground"
max_depth = { value = 30, unit = "ft" }
on_fail = "prior_approval"
citation = "9-5"
paraphrase = "Not deeper than 30 ft."

[[rule]]
id = "pads"
feature = "easement"
plan_distance = { value = 1.5, unit = "m" }
crossing = { mode = "over_or_under_with_clearance" }
vertical_clearance = { value = 2, unit = "ft" }
applies_to = ["pit"]
on_fail = "advise"
citation = "9-6"
paraphrase = "Pads stay off."

[[duty]]
id = "call"
what = "The office is called."
when = "before"
days = 1
hours = 48
citation = "9-7"
source = "the office's page"

[submittal]
map_radius = { value = 150, unit = "ft" }
needs = ["north_arrow", "well_table"]
notice_hours = 1
permit_life_days = 365
as_built_days = 30
as_built_coord_decimals = 5
seal_required = true
citation = "9-8"

[one_call]
tolerance_zone = { value = 18, unit = "in" }
notice_business_days = 3
ticket_life_days = 30
white_lining = "before_the_call"
positive_response = false
citation = "9-9"
"""
READ = "read at a mirror of the code; looked at on 2026-03-04"
PLAIN = "from the bore's axis in plan to the edge of the thing"
WORDS: dict[str, list[tuple[str, str]]] = {
    "head": [
        ("level", "a county"),
        ("text", READ),
        (
            "concerns",
            (
                "bores 20 ft deep or deeper and in a layout of 4 or more; nobody is sure that its text covers steered bores, so "
                "whatever would pass is sent to the office"
            ),
        ),
        ("in force", "since 2025-07-01"),
        ("besides", "the rules of us-me, zz-nowhere hold too (not among the shipped files: zz-nowhere)"),
        (
            "allowances",
            (
                "a bore may lie 1 ft beside its line and 5 % of its depth up or down; a buried thing beside its own by quality "
                "of its "
                "survey: A 0.5 ft, B 6.56 ft, C 6.56 ft, D 6.56 ft, unknown 6.56 ft. What keeps a distance only without these "
                "is told "
                "as thin."
            ),
        ),
    ],
    "wells": [
        ("asks", "Bores keep 40 ft from a water well, at any depth."),
        ("in words", "Wells keep 40 ft."),
        ("only where", "the column use says private or unknown (nothing said counts as unknown)"),
        (
            "only where",
            (
                "its yield is at least 5 gal/min and less than 20 gal/min (0.315 and 1.26 L/s); where nobody knows its yield, "
                "too near "
                "is told as unverified"
            ),
        ),
        (
            "measured",
            "from the edge of the reamed hole in plan to the edge of the thing as seen from above, however deep it lies",
        ),
        (
            "eased",
            (
                "19.69 ft (6 m in the text) will do where the fluid is water or propylene glycol and the layout has 1 bore at "
                "most and "
                "the column use says private, but only with a variance: ask for it"
            ),
        ),
        ("not kept", "the office refuses unless it grants a variance (the text says should, not shall)"),
        ("clause", "9-1"),
        ("text", "from memory; the text itself was not read; looked at on 2026-02-01"),
        ("source", "a clerk's note"),
        ("note", "ask again"),
    ],
    "lines": [
        (
            "asks",
            (
                "Nearer than 10 ft to a gas line or an irrigation pipe, or across it, a bore passes over or under with 1.5 ft "
                "(18 in in "
                "the text) clear between them, edge to edge, crosses at 60 degrees or steeper, and does not run alongside. It "
                "keeps "
                "3.28 ft (1 m in the text) of ground above the hole as well. The pad keeps 10 ft from it in plan."
            ),
        ),
        ("in words", "Lines are crossed steeply."),
        ("measured", PLAIN),
        ("not kept", "the office refuses"),
        ("survey", "a line known less well than quality B stays unverified, however much room there is"),
        ("on site", "expose it by hand or vacuum before the head passes"),
        ("clause", "9-2"),
        ("text", READ),
    ],
    "house": [
        (
            "asks",
            (
                "Under or inside a building a bore keeps 6.56 ft (2 m in the text) of ground above the hole, counted from the "
                "lowest "
                "footing, and with the owner's consent. Footings count as slab 1 ft, basement 8 ft, unknown 8 ft deep. The pad "
                "stays "
                "off it in plan."
            ),
        ),
        ("in words", "Under houses with consent."),
        ("measured", PLAIN),
        ("not kept", "those concerned must consent (a hint, no demand)"),
        ("to ask", "building owner, mortgage holder"),
        ("clause", "9-3"),
        ("text", READ),
    ],
    "flood": [
        ("asks", "Under or inside a flood plain the office is asked first."),
        ("in words", "The office decides."),
        ("measured", PLAIN),
        ("not kept", "the office decides"),
        ("clause", "9-4"),
        ("text", READ),
    ],
    "depth": [
        ("asks", "No bore goes deeper than 30 ft."),
        ("in words", "Not deeper than 30 ft."),
        ("not kept", "the office must approve beforehand"),
        ("clause", "9-5"),
        ("text", READ),
    ],
    "pads": [
        ("asks", "The pad keeps 4.92 ft (1.5 m in the text) from an easement, in plan."),
        ("in words", "Pads stay off."),
        ("not kept", "it is pointed out; nobody refuses for it"),
        ("clause", "9-6"),
        ("text", READ),
    ],
    "call": [
        ("what", "The office is called."),
        ("when", "before the work; 1 day, 48 hours"),
        ("clause", "9-7"),
        ("text", "read at a mirror of the code"),
        ("source", "the office's page"),
    ],
    "application": [
        ("map", "shows everything within 150 ft, the neighbours' too"),
        ("to show", "north arrow, well table"),
        ("notice", "1 hour before the work"),
        ("permit", "holds for 365 days"),
        ("as built", "within 30 days after the work"),
        ("places", "in degrees with 5 decimals"),
        ("seal", "an engineer's or surveyor's seal is asked"),
        ("clause", "9-8"),
    ],
    "one-call": [
        ("by hand", "within 1.5 ft (18 in in the text) of a marked line's edge"),
        ("notice", "3 business days before digging"),
        ("ticket", "holds for 30 days"),
        ("white line", "before the call"),
        ("answers", "no answer is owed"),
        ("clause", "9-9"),
    ],
}
SHARED: dict[str, Any] = {
    "applies_to": ["bore"],
    "distance_m": 0.0,
    "distance_published": "",
    "min_cover_m": None,
    "vertical_clearance_m": None,
    "angle_min_deg": None,
    "feature_filter": {},
    "measure_from": "bore_axis_projection",
    "measure_to": "feature_edge",
    "max_depth_m": None,
    "max_bores": None,
    "allowed_fluids": [],
    "severity": "shall",
    "consent": [],
    "status": "seen_mirror",
    "checked": "2026-03-04",
    "source": "",
}
FACTS: dict[str, dict[str, Any]] = {
    "wells": {
        "feature": ["water_well"],
        "mode": "never",
        "distance_m": 12.192,
        "distance_published": "40 ft",
        "feature_filter": {"use": ["private", "unknown"]},
        "measure_from": "hole_edge",
        "measure_to": "vertical_projection",
        "severity": "should",
        "on_fail": "variance",
        "citation": "9-1",
        "status": "from_memory",
        "checked": "2026-02-01",
        "source": "a clerk's note",
    },
    "lines": {
        "feature": ["gas_line", "irrigation"],
        "mode": "perpendicular",
        "applies_to": ["bore", "pit"],
        "distance_m": 3.048,
        "distance_published": "10 ft",
        "min_cover_m": 1.0,
        "vertical_clearance_m": 0.4572,
        "angle_min_deg": 60.0,
        "on_fail": "deny",
        "citation": "9-2",
    },
    "house": {
        "feature": ["building"],
        "mode": "owner_consent",
        "applies_to": ["bore", "pit"],
        "min_cover_m": 2.0,
        "consent": ["building_owner", "mortgage_holder"],
        "severity": "note",
        "on_fail": "consent",
        "citation": "9-3",
    },
    "flood": {"feature": ["floodplain"], "mode": "ruling", "on_fail": "deny", "citation": "9-4"},
    "depth": {
        "feature": ["ground"],
        "mode": "",
        "distance_m": None,
        "measure_from": "",
        "measure_to": "",
        "max_depth_m": 9.144,
        "on_fail": "prior_approval",
        "citation": "9-5",
    },
    "pads": {
        "feature": ["easement"],
        "mode": "over_or_under_with_clearance",
        "applies_to": ["pit"],
        "distance_m": 1.5,
        "distance_published": "1.5 m",
        "vertical_clearance_m": 0.6096,
        "on_fail": "advise",
        "citation": "9-6",
    },
}


@pytest.fixture
def code(tmp_path: Path) -> Path:
    path = tmp_path / "county.toml"
    path.write_text(CODE, encoding="utf-8")
    return path


def changed(code: Path, *changes: tuple[str, str]) -> Path:
    text = code.read_text("utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    code.write_text(text, encoding="utf-8")
    return code


# -- words -----------------------------------------------------------------------------------------------------------------


def test_every_word_of_it(code: Path) -> None:
    told = explanation(str(code))
    found = {b.title: list(b.rows) for b in (*told.rules, *told.duties, *told.papers)}
    assert told.head.title == "made-county: Made-up County Code, chapter 9"
    assert list(told.head.rows) == WORDS["head"]
    assert found == {name: rows for name, rows in WORDS.items() if name != "head"}


def test_every_line_of_it(code: Path) -> None:
    """Titles, headings with their numbers, labels in a column of their own, nothing wider than asked; 40 to 100 columns."""
    lines = explain(str(code))
    assert lines[:3] == [
        "made-county: Made-up County Code, chapter 9",
        "  level       a county",
        f"  text        {READ}",
    ]
    assert [x for x in lines if x and x[0].isupper()] == ["Rules (6)", "Duties (1)", "Papers and calls"]
    at = lines.index("Rules (6)")
    assert lines[at - 1 : at + 4] == ["", "Rules (6)", "", "wells", f"  asks        {WORDS['wells'][0][1]}"]
    assert " ".join(" ".join(lines).split()).count("(18 in in the text)") == 2
    for asked, most in ((30, 40), (60, 60), (101, 100), (500, 100)):
        widest = max(map(len, explain(str(code), width=asked)))
        assert most - 12 < widest <= most
    one = explain(str(code), "made-county/flood")
    assert [x for x in one if x and x[0].isupper()] == ["Rules (1)"]


def test_every_fact_of_it(code: Path) -> None:
    told = explanation(str(code), units="metric").as_dict()
    head = {k: v for k, v in told["file"].items() if k != "told"}
    assert head == {
        "title": "made-county: Made-up County Code, chapter 9",
        "file_id": "made-county",
        "name": "Made-up County Code, chapter 9",
        "level": "county",
        "rules": 6,
        "duties": 1,
        "status": "seen_mirror",
        "checked": "2026-03-04",
        "concerns": "bores 6.1 m deep or deeper and in a layout of 4 or more",
        "depth_trigger_m": pytest.approx(6.096),
        "count_trigger": 3,
        "assumed": True,
        "advisory_only": False,
        "parents": ["us-me", "zz-nowhere"],
        "effective": "2025-07-01",
        "depth_trigger_published": "20 ft",
        "sha256": hashlib.sha256(CODE.encode()).hexdigest(),
    }
    assert "bores 6.1 m (20 ft in the text) deep or deeper" in told["file"]["told"][2]["text"]
    for row in told["rules"]:
        facts = {k: v for k, v in row.items() if k not in ("told", "asks", "paraphrase")}
        name = row["id"]
        assert facts == {"title": name, "id": name, **SHARED, **FACTS[name]}
        assert row["paraphrase"] == dict(WORDS[name])["in words"]
        assert row["told"][0] == {"label": "asks", "text": row["asks"]}
    assert {k: v for k, v in told["duties"][0].items() if k != "told"} == {
        "title": "call",
        "id": "call",
        "what": "The office is called.",
        "when": "before",
        "days": 1,
        "hours": 48,
        "citation": "9-7",
        "status": "seen_mirror",
        "source": "the office's page",
    }
    papers, call = ({k: v for k, v in row.items() if k != "told"} for row in told["papers"])
    assert papers == {
        "title": "application",
        "map_radius_m": pytest.approx(45.72),
        "needs": ["north_arrow", "well_table"],
        "notice_hours": 1,
        "permit_life_days": 365,
        "as_built_days": 30,
        "as_built_coord_decimals": 5,
        "seal_required": True,
        "citation": "9-8",
    }
    assert call == {
        "title": "one-call",
        "tolerance_zone_m": pytest.approx(0.4572),
        "notice_business_days": 3,
        "ticket_life_days": 30,
        "white_lining": "before_the_call",
        "positive_response": False,
        "citation": "9-9",
    }
    json.dumps(told)


@pytest.mark.parametrize(
    ("change", "rule", "label", "says"),
    [
        (('level = "county"', 'level = "kingdom"'), "", "level", "kingdom"),
        (("advisory_only = false", "advisory_only = true"), "", "level", "a county, advice and not law"),
        (('parents = ["us-me", "zz-nowhere"]', 'parents = ["us-me"]'), "", "besides", "the rules of us-me hold too"),
        (
            ('class_certainty = "assumed"', 'class_certainty = "agency_ruling"'),
            "",
            "concerns",
            "bores 20 ft deep or deeper and in a layout of 4 or more; not by its text alone, the agency reads it so",
        ),
        (("checked = 2026-03-04\n", ""), "", "text", "read at a mirror of the code"),
        (('on_fail = "deny"\ncitation = "9-4"', 'on_fail = "variance"\ncitation = "9-4"'), "flood", "not kept", None),
        (("seal_required = true", "seal_required = false"), None, "seal", "no seal is asked"),
        (("notice_hours = 1\n", "notice_hours = 2\n"), None, "notice", "2 hours before the work"),
        (("as_built_coord_decimals = 5", "as_built_coord_decimals = 1"), None, "places", "in degrees with 1 decimal"),
    ],
)
def test_other_words(code: Path, change: tuple[str, str], rule: str | None, label: str, says: str | None) -> None:
    told = explanation(str(changed(code, change)))
    block = told.papers[0] if rule is None else told.head if not rule else {b.title: b for b in told.rules}[rule]
    assert dict(block.rows)[label] == (says or "the office decides; it takes a variance")


def test_what_is_not_there_is_not_told(code: Path) -> None:
    """Without papers, parents and days there are no rows of them; a rule that no file has is refused with what there is."""
    changed(code, ("effective = 2025-07-01\n", ""), ('parents = ["us-me", "zz-nowhere"]', "parents = []"))
    changed(code, (CODE[CODE.index("[submittal]") :], ""), ("days = 1\nhours = 48\n", ""))
    told = explanation(str(code))
    assert told.papers == ()
    assert [label for label, _ in told.head.rows] == ["level", "text", "concerns", "allowances"]
    assert dict(told.duties[0].rows)["when"] == "before the work"
    assert told.head.facts["effective"] is None
    for rule, hint in (
        ("floood", "did you mean 'flood'?"),
        ("zzz", "it has wells, lines, house, flood, depth, pads, call"),
    ):
        with pytest.raises(InputError) as caught:
            explanation(str(code), rule)
        assert caught.value.where == f"rules {code}"
        assert caught.value.remedy == hint
    with pytest.raises(InputError) as caught:
        explanation(str(code), units="feet")
    assert (caught.value.where, caught.value.remedy) == ("units", "use us or metric")


def test_a_row_of_the_list(code: Path) -> None:
    row = listed(load(str(code)))
    assert listing_lines([row]) == [
        "made-county          county    6 rules, 1 duty; read at a mirror, 2026-03-04",
        "    Made-up County Code, chapter 9. For bores 20 ft deep or deeper and in a layout of 4 or more",
        "    (assumed: ask whether it covers steered bores).",
    ]
    plain = changed(code, ('["bored_horizontal"]', '["trenched"]'), ("advisory_only = false", "advisory_only = true"))
    assert concerns(load(str(plain))) == "no steered bores"
    assert not listed(load(str(plain))).assumed
    assert listing_lines([listed(load(str(plain)))])[-1].endswith("For no steered bores; advice only.")


# -- figures as read -------------------------------------------------------------------------------------------------------


def test_as_the_generator_reads_it(code: Path) -> None:
    file = load(str(code))
    assert (file.depth_trigger_m, file.trigger_inclusive) == (pytest.approx(6.096), True)
    assert (file.count_trigger, file.count_inclusive) == (3, False)
    assert file.concerns(6.096, 4)
    assert not file.concerns(6.095, 4)
    assert not file.concerns(9.0, 3)
    assert file.plan_tolerance_m == pytest.approx({"A": 0.1524, "B": 2, "C": 2, "D": 2, "unknown": 2})
    assert file.vert_tolerance_m == pytest.approx({"A": 0.1524, "B": 1, "C": 1, "D": 1, "unknown": 1})
    assert (file.bore_plan_tolerance_m, file.bore_vert_share) == pytest.approx((0.3048, 0.05))
    assert (file.effective, file.checked, file.parents) == (
        dt.date(2025, 7, 1),
        dt.date(2026, 3, 4),
        ("us-me", "zz-nowhere"),
    )
    wells, lines, house, flood, depth, pads = file.rules
    (bound,) = wells.ranges
    assert (bound.column, bound.least_counts, bound.most_counts) == ("yield_l_s", True, False)
    assert (bound.least, bound.most) == pytest.approx((5 * 3.785411784 / 60, 20 * 3.785411784 / 60))
    assert bound.holds(bound.least)
    assert not bound.holds(bound.most)
    (ease,) = wells.relax
    assert (ease.plan_distance_m, ease.fluids, ease.bores_up_to) == (6.0, ("water", "propylene glycol"), 1)
    assert (ease.words, ease.needs) == ({"use": ("private",)}, "variance")
    assert (wells.key, wells.min_quality, wells.consent, wells.cover_base) == ("made-county/wells", "", (), "surface")
    assert (lines.min_quality, lines.vertical_clearance_m, lines.min_cover_m) == ("B", pytest.approx(0.4572), 1.0)
    assert house.foundation_depth_m == pytest.approx({"slab": 0.3048, "basement": 2.4384, "unknown": 2.4384})
    assert (house.cover_base, house.min_cover_m) == ("lowest_footing", 2.0)
    assert (flood.plan_distance_m, flood.mode, flood.job) == (0.0, "ruling", None)
    assert depth.job is not None
    assert (depth.job.max_depth_m, depth.job.max_bores, depth.job.fluids) == (pytest.approx(9.144), None, ())
    assert (pads.applies_to, pads.vertical_clearance_m) == (("pit",), pytest.approx(0.6096))
    (duty,) = file.duties
    assert (duty.key, duty.days, duty.hours, duty.status) == ("made-county/call", 1, 48, "seen_mirror")
    assert file.submittal.map_radius_m == pytest.approx(45.72)
    assert file.one_call.tolerance_zone_m == pytest.approx(0.4572)


def test_as_the_audit_reads_it(code: Path, tmp_path: Path) -> None:
    (file,) = load_rules([str(code)], tmp_path)
    assert file.trigger == (">=", pytest.approx(6.096))
    assert file.count_trigger == (">", 3)
    assert file.plan_m == pytest.approx({"A": 0.1524, "B": 2, "C": 2, "D": 2, "unknown": 2})
    assert (file.bore_plan_m, file.bore_share, file.assumed, file.covers) == (pytest.approx(0.3048), 0.05, True, True)
    wells, lines, house, flood, depth, pads = file.rules
    assert (wells.plan_m, wells.mode, wells.bore, wells.pit) == (pytest.approx(12.192), "never", True, False)
    assert wells.ranges[0].bounds == (("from", pytest.approx(0.3154510)), ("below", pytest.approx(1.2618039)))
    assert (wells.eases[0].plan_m, wells.eases[0].bores_up_to, wells.eases[0].needs) == (6.0, 1, "variance")
    assert wells.keep == {"use": ("private", "unknown")}
    assert (lines.clear_m, lines.cover_m, lines.angle_deg) == (pytest.approx(0.4572), 1.0, 60.0)
    assert (lines.min_quality, lines.pit) == ("B", True)
    assert house.foundation_m == pytest.approx({"slab": 0.3048, "basement": 2.4384, "unknown": 2.4384})
    assert (house.consent, house.base) == (True, "lowest_footing")
    assert (flood.plan_m, flood.on_fail) == (0.0, "deny")
    assert (depth.job, depth.max_depth_m) == ("depth", pytest.approx(9.144))
    assert (pads.bore, pads.pit) == (False, True)


# -- what is said of it ----------------------------------------------------------------------------------------------------


def said(code: Path, word: str) -> Finding:
    (one,) = [f for f in checkup(code, today=TODAY).findings if f.code == word]
    return one


def test_a_look_at_it(code: Path) -> None:
    look = checkup(code, today=TODAY)
    assert look.summary == "county.toml: holds 6 rules, 1 duty; both readers agree"
    assert look.as_dict() == {
        "file": "county.toml",
        "id": "made-county",
        "rules": 6,
        "duties": 1,
        "ok": True,
        "findings": [
            {
                "severity": "note",
                "code": "usual-kind",
                "message": "no rule speaks of the lot line, a septic tank, a drain field",
                "remedy": 'stack it on another file, e.g. rules = ["house", ...]',
                "where": "county.toml",
                "unit": "m",
            },
            {
                "severity": "note",
                "code": "parents",
                "message": "its parents zz-nowhere are neither shipped nor given",
                "remedy": "their rules hold too: add their files when you have them",
                "where": "county.toml",
                "unit": "m",
            },
        ],
    }
    assert not [f for f in checkup(code, given=["zz-nowhere"], today=TODAY).findings if f.code == "parents"]


@pytest.mark.parametrize(
    ("change", "word", "rule", "says"),
    [
        (('applies_to = ["pit"]', 'applies_to = ["header"]'), "never-applies", "pads", "concerns headers only"),
        (
            ('feature_filter = { use = ["private", "unknown"] }', 'feature_filter = { owner = ["town"] }'),
            "own-column",
            "wells",
            "asks a column 'owner'",
        ),
        (
            ('max_depth = { value = 30, unit = "ft" }', 'max_depth = { value = 3, unit = "ft" }'),
            "unit",
            "depth",
            "max_depth of 3 ft (0.91 m) is odd",
        ),
        (
            ('plan_distance = { value = 40, unit = "ft" }', 'plan_distance = { value = 4000, unit = "ft" }'),
            "unit",
            "wells",
            "plan_distance of 4000 ft (1219.2 m) is odd for a water well",
        ),
        (
            ('min_cover = { value = 2, unit = "m"', 'min_cover = { value = 200, unit = "m"'),
            "unit",
            "house",
            "min_cover of 656.17 ft (200 m) is odd for a building",
        ),
        (("angle_min_deg = 60", "angle_min_deg = 91"), "angle", "lines", "angle_min_deg 91 is steeper than square"),
        (
            ("checked = 2026-02-01", "checked = 2026-12-01"),
            "checked-ahead",
            "wells",
            "checked 2026-12-01 is still to come",
        ),
        (("checked = 2026-02-01", "checked = 2020-02-01"), "old", "wells", "looked at on 2020-02-01"),
        (("checked = 2026-03-04", "checked = 2020-03-04"), "old", "", "looked at on 2020-03-04"),
        (('citation = "9-4"', 'citation = "replace: clause of your code"'), "citation", "", "flood: the citation"),
        (('name = "Made-up', 'name = "Replace: Made-up'), "name", "", "its name is still 'Replace: Made-up County"),
        (('id = "made-county"', 'id = "house"'), "id-taken", "", "its id 'house' is that of a shipped file"),
        (('level = "county"', 'level = "kingdom"'), "level", "", "level 'kingdom' is not known"),
        (
            ('on_fail = "variance"\nseverity = "should"', 'on_fail = "deny"\nseverity = "shall"'),
            "weak-text",
            "",
            "wells: refused on a text that nobody here has read",
        ),
        (
            (
                'feature = "floodplain"\ncrossing = { mode = "ruling" }',
                'feature = "lp_tank"\ncrossing = { mode = "never" }',
            ),
            "no-distance",
            "flood",
            "keeps no distance at all",
        ),
    ],
)
def test_advice_names_its_place(code: Path, change: tuple[str, str], word: str, rule: str, says: str) -> None:
    file = "house" if word == "id-taken" else "made-county"
    found = said(changed(code, change), word)
    assert says in found.message
    assert found.severity == ("note" if word == "own-column" else "warning")
    assert found.where == (f"county.toml rule {rule}" if rule else "county.toml")
    assert found.rule_id == (f"{file}/{rule}" if rule else "")


@pytest.mark.parametrize(
    ("extra", "rule", "says"),
    [
        (
            'feature = "gas_line"\ncrossing = { mode = "never" }\nplan_distance = { value = 11, unit = "ft" }',
            "lines",
            "extra forbids all that lines",
        ),
        (
            'feature = "floodplain"\ncrossing = { mode = "ruling" }',
            "extra",
            "flood and extra say the same of a flood plain",
        ),
        (
            'feature = "floodplain"\ncrossing = { mode = "ruling" }\nplan_distance = { value = 3, unit = "m" }',
            "extra",
            "flood and extra ask two distances from a flood plain",
        ),
        (
            'feature = "ground"\nmax_depth = { value = 20, unit = "ft" }\non_fail = "prior_approval"',
            "extra",
            "depth and extra both limit the depth of the job",
        ),
    ],
)
def test_two_rules_on_one_thing(code: Path, extra: str, rule: str, says: str) -> None:
    block = f'[[rule]]\nid = "extra"\ncitation = "9-10"\nparaphrase = "One more."\napplies_to = ["bore"]\n{extra}\n\n'
    found = said(changed(code, ("[[duty]]", block + "[[duty]]")), "contradict")
    assert says in found.message
    assert (found.severity, found.where, found.rule_id) == (
        "warning",
        f"county.toml rule {rule}",
        f"made-county/{rule}",
    )
    other = extra.replace("floodplain", "wetland").replace("gas_line", "pool").replace("prior_approval", "deny")
    changed(code, (extra, other))
    assert not [f for f in checkup(code, today=TODAY).findings if f.code == "contradict"]


def test_slips_name_their_place(code: Path) -> None:
    changed(
        code, ('mode = "ruling"', 'mode = "rulling"'), ('when = "before"', 'when = "soon"'), ('op = ">="', 'op = "="')
    )
    look = checkup(code, today=TODAY)
    assert look.bad
    assert (look.file_id, look.rules, look.duties) == ("", 0, 0)
    assert look.summary == "county.toml: cannot be used, 3 slips"
    assert [(f.severity, f.code, f.rule_id) for f in look.findings] == [
        ("error", "slip", ""),
        ("error", "slip", "flood"),
        ("error", "slip", "call"),
    ]
    places = [f.where for f in look.findings]
    assert places[0].startswith("county.toml [applicability]")
    assert places[1].startswith("county.toml rule 4 (flood)")
    assert places[2].startswith("county.toml duty 1 (call)")
    assert all(f.message and f.remedy for f in look.findings)


def test_places_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    (tmp_path / "edge.toml").write_bytes(b"#" * 1_000_000)
    (tmp_path / "bad.toml").write_text("a = ", encoding="utf-8")
    for name, says in (
        ("none.toml", "cannot be read (No such file or directory)"),
        ("big.toml", "is larger than 1 MB"),
        ("edge.toml", "schema is None"),
        ("bad.toml", "is not TOML: "),
    ):
        look = checkup(tmp_path / name, today=TODAY)
        (one,) = look.findings
        assert one.message.startswith(says)
        assert (one.code, one.where, bool(one.remedy)) == ("unreadable", name, True)
        assert look.as_dict()["ok"] is False


# -- a new file ------------------------------------------------------------------------------------------------------------


def test_a_new_file_of_ones_own(tmp_path: Path) -> None:
    """10 ft are 3.048 m, rounded up to the centimetre."""
    made = new_file(tmp_path / "town.toml", "own-town", name="Town", level="municipal", unit="m")
    file = load(str(made))
    assert made == tmp_path / "town.toml"
    assert (file.file_id, file.name, file.level) == ("own-town", "Town", "municipal")
    line = {r.key.partition("/")[2]: r for r in file.rules}["lot-line"]
    assert line.plan_distance_m == pytest.approx(3.05)
    assert 'units = "m"' in made.read_text("utf-8")
    assert made.read_text("utf-8") == fresh_text("own-town", name="Town", level="municipal", unit="m")
    assert load(str(new_file(made, "own-two", overwrite=True))).level == "county"
    with pytest.raises(InputError, match="is there already") as caught:
        new_file(made, "own-town")
    assert caught.value.where == str(made)


@pytest.mark.parametrize(
    ("name", "file_id", "more", "kind"),
    [
        ("own.txt", "own-town", {}, InputError),
        (".", "own-town", {}, InputError),
        ("own.toml", "Own Town", {}, InputError),
        ("own.toml", "own--town", {}, InputError),
        ("own.toml", "a" * 41, {}, InputError),
        ("own.toml", "house", {}, InputError),
        ("own.toml", "own-town", {"name": "a\x1bb"}, InputError),
        ("own.toml", "own-town", {"source": "us-zz"}, InputError),
        ("own.toml", "own-town", {"source": "us-me", "unit": "m"}, UsageError),
    ],
)
def test_a_new_file_is_refused(
    tmp_path: Path, name: str, file_id: str, more: dict[str, str], kind: type[Exception]
) -> None:
    with pytest.raises(kind) as caught:
        new_file(tmp_path / name, file_id, **more)
    assert "\n" not in str(caught.value)
    if name in ("own.txt", "."):
        assert caught.value.where == str(tmp_path / name)
    assert list(tmp_path.iterdir()) == []
    assert len(fresh_text("a" * 40)) > 1000
