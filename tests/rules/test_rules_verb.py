"""loopgis rules: what it lists, explains, checks and starts, through the real command line and as Python calls.

Files that are bad on purpose are the house file with one text replaced; what they must say was worked from DEVELOPERS.md, "What a
rule means", not from the code. Nothing here proves that a rule file is right: only that both readers understand it alike.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from dataclasses import replace
from importlib import resources
from typing import TYPE_CHECKING

import pytest

from loopgis.cli.main import VERBS, run
from loopgis.core.errors import InputError, UsageError
from loopgis.rules import checkup
from loopgis.rules.audit_rules import Ease, Range, load_rules
from loopgis.rules.checkup import check_file, checkups
from loopgis.rules.files import kind_table, load, shipped
from loopgis.rules.fresh import LEVELS, fresh_text, new_file
from loopgis.rules.told import STATUS_WORDS, explain, explanation, kind_words, listing, listing_lines

if TYPE_CHECKING:
    from pathlib import Path

TODAY = dt.date(2026, 11, 26)
HOUSE = (resources.files("loopgis") / "tables/rules/house.toml").read_text("utf-8")
NOT_WORDS = re.compile(r"\bNone\b|\{|\}|\bTrue\b|\bFalse\b|\bnan\b|_axis_|  \.|\(\)|\[\]| ,|\.\.")


def call(*words: object, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command line."""
    with pytest.raises(SystemExit) as left:
        run([str(w) for w in words])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return int(left.value.code or 0), shown.out, shown.err


def house(tmp_path: Path, *changes: tuple[str, str], name: str = "own.toml") -> Path:
    """The house file under an id of its own, with texts replaced."""
    text = HOUSE.replace('id = "house"', 'id = "own"', 1)
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def codes(path: Path, severity: str = "") -> list[str]:
    return [f.code for f in check_file(path, today=TODAY) if severity in ("", f.severity)]


# -- list ----------------------------------------------------------------------------------------------------------------


def test_rules_stand_after_drill() -> None:
    names = list(VERBS)
    assert names.index("rules") > names.index("drill")


@pytest.mark.parametrize("units", ["us", "metric"])
def test_list_names_every_shipped_file(
    units: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, err = call("rules", "list", "--units", units, capsys=capsys)
    assert (code, err) == (0, "")
    heads = [line for line in out.splitlines() if not line.startswith(" ")]
    assert [line.split()[0] for line in heads] == shipped()
    assert max(len(line) for line in out.splitlines()) <= 80
    assert not NOT_WORDS.search(out)


def test_list_tells_which_bores_are_concerned() -> None:
    us, metric = ({row.file_id: row for row in listing(u)} for u in ("us", "metric"))
    assert us["house"].concerns == "every steered bore"
    assert us["us-wi"].concerns == "bores deeper than 25 ft"  # NR 812, facts/permits section 0
    assert metric["us-wi"].concerns == "bores deeper than 7.62 m"
    assert us["us-me"].assumed
    assert not us["us-mn"].assumed
    assert us["house"].advisory_only
    assert not us["us-me"].advisory_only


def test_list_tells_counts_and_files_without_steered_bores(tmp_path: Path) -> None:
    from loopgis.rules.told import listed

    scope = '[applicability]\nloop_class = ["bored_horizontal", "bored_vertical"]\nclass_certainty = "text"\n'
    many = house(tmp_path, (scope, scope + 'count_trigger = { op = ">=", bores = 10 }\n'))
    assert listed(load(str(many))).concerns == "bores in a layout of 10 or more"
    more = house(tmp_path, (scope, scope + 'count_trigger = { op = ">", bores = 10 }\n'))
    assert listed(load(str(more))).concerns == "bores in a layout of 11 or more"
    deep = house(tmp_path, (scope, scope + 'depth_trigger = { op = ">=", value = 5, unit = "m" }\n'))
    assert listed(load(str(deep)), "metric").concerns == "bores 5 m deep or deeper"
    other = house(tmp_path, ('loop_class = ["bored_horizontal", "bored_vertical"]', 'loop_class = ["trenched"]'))
    assert listed(load(str(other))).concerns == "no steered bores"


def test_list_for_machines(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call("rules", "list", "--json", capsys=capsys)
    files = json.loads(out)["files"]
    assert code == 0
    assert [f["file_id"] for f in files] == shipped()
    for row in files:
        file = load(row["file_id"])
        assert set(row) == {
            *("file_id", "name", "level", "rules", "duties", "status", "checked", "concerns", "depth_trigger_m"),
            *("count_trigger", "assumed", "advisory_only"),
        }
        assert (row["rules"], row["duties"]) == (len(file.rules), len(file.duties))
        assert row["status"] in STATUS_WORDS
        dt.date.fromisoformat(row["checked"])


def test_list_lines_are_wrapped() -> None:
    assert max(len(line) for line in listing_lines(listing(), 60) if line.startswith(" ")) <= 60


# -- explain -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize("name", shipped())
def test_every_shipped_file_is_told_in_words(
    name: str, width: int, units: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, err = call("rules", "explain", name, "--units", units, capsys=capsys)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert max(map(len, lines)) <= width
    assert not NOT_WORDS.search(out), NOT_WORDS.search(out)
    file = load(name)
    one = " ".join(out.split())
    for rule in file.rules:
        assert rule.key.partition("/")[2] in lines
        assert " ".join(rule.citation.split()) in one
        assert " ".join(rule.paraphrase.split()) in one
    for duty in file.duties:
        assert " ".join(duty.what.split()) in one
    for line in lines:
        if line.startswith("  ") and line[2] != " ":
            assert line[14:].strip(), f"a label with nothing behind it: {line!r}"


@pytest.mark.parametrize("units", ["us", "metric"])
def test_every_distance_is_told_as_published(units: str) -> None:
    for name in shipped():
        raw = tomllib.loads((resources.files("loopgis") / f"tables/rules/{name}.toml").read_text("utf-8"))
        told = explanation(name, units=units)
        for row, block in zip(raw["rule"], told.rules, strict=True):
            if row.get("plan_distance", {}).get("value"):
                published = f"{row['plan_distance']['value']:g} {row['plan_distance']['unit']}"
                assert block.facts["distance_published"] == published
                assert published in block.facts["asks"], block.facts["asks"]
                factor = {"ft": 0.3048, "m": 1.0}[row["plan_distance"]["unit"]]
                metres = row["plan_distance"]["value"] * factor
                shown = f"{round(metres, 2):g} m" if units == "metric" else f"{round(metres / 0.3048, 2):g} ft"
                assert shown in block.facts["asks"], block.facts["asks"]


def asks(name: str, rule: str, units: str = "us") -> str:
    return str(explanation(name, rule, units).rules[0].facts["asks"])


def test_sentences_of_each_mode() -> None:
    assert asks("us-me", "well") == "Bores keep 45 ft from a water well, at any depth."
    assert asks("house", "lot-line", "metric") == (
        "Bores and the pad stay 3.05 m (10 ft in the text) inside the lot line, at any depth."
    )
    assert asks("house", "overhead") == "The pad keeps 10 ft from an overhead electric line, in plan."
    assert asks("house", "not-without-permit") == (
        "Bores and the pad stay off an easement or a right of way, at any depth."
    )
    assert asks("house", "pond") == (
        "Nearer than 10 ft to a pond, stream or ditch, or under it, a bore keeps 6 ft of ground above the hole, counted from the "
        "bottom of the thing (the deepest its kind lies, where its depth is not known). The pad keeps 10 ft from it in plan."
    )
    assert asks("house", "building").endswith(
        "counted from the lowest footing, and with the owner's consent. "
        "Footings count as slab 1 ft, footing 4 ft, basement 8 ft, unknown 8 ft deep."
    )
    assert "passes over or under with 2 ft clear between them, edge to edge, crosses at 45 degrees or steeper" in asks(
        "house", "buried-line"
    )
    assert asks("us-wi", "well-municipal") == "Nearer than 400 ft to a water well the office is asked first."


def test_sentences_of_ranges_eases_and_job_rules(tmp_path: Path) -> None:
    extra = """
[[rule]]
id = "big-well"
feature = "water_well"
feature_range = { yield = { over = 10, up_to = 25, unit = "gal/min" } }
feature_filter = { use = ["public", "unknown"] }
plan_distance = { value = 75, unit = "ft" }
crossing = { mode = "never" }
relax = [
  { when = { fluid = "propylene glycol", bores_up_to = 9 }, plan_distance = { value = 50, unit = "ft" } },
  { when = { use = ["private"] }, plan_distance = { value = 25, unit = "ft" }, needs = "prior_approval" },
]
citation = "clause 5"
paraphrase = "Bigger wells keep more."
status = "secondary"
checked = 2026-01-02

[[rule]]
id = "deepest"
feature = "ground"
max_depth = { value = 20, unit = "ft" }
on_fail = "prior_approval"
citation = "clause 6"
paraphrase = "Not deeper."

[[rule]]
id = "fluids"
feature = "ground"
allowed_fluids = ["water", "propylene glycol", "ethanol"]
citation = "clause 7"
paraphrase = "These only."

[[rule]]
id = "few"
feature = "ground"
max_bores = 1
citation = "clause 8"
paraphrase = "One only."

[[duty]]
id = "report"
what = "A report is handed in."
when = "after"
days = 30
citation = "clause 9"
source = "seen"

[submittal]
map_radius = { value = 200, unit = "ft" }
needs = ["north_arrow", "bore_table"]
seal_required = false

[one_call]
tolerance_zone = { value = 18, unit = "in" }
positive_response = true
"""
    path = house(tmp_path)
    path.write_text(path.read_text("utf-8") + extra, encoding="utf-8")
    name = str(path)
    rows = explanation(name, "own/big-well", "metric").rules[0].rows
    told = [text for label, text in rows if label in ("only where", "eased")]
    assert told == [
        "the column use says public or unknown (nothing said counts as unknown)",
        (
            "its yield is more than 10 gal/min and at most 25 gal/min (0.631 and 1.58 L/s); "
            "where nobody knows its yield, too near is told as unverified"
        ),
        "15.24 m (50 ft in the text) will do where the fluid is propylene glycol and the layout has 9 bores at most",
        "7.62 m (25 ft in the text) will do where the column use says private, but only with prior approval: ask for it",
    ]
    assert dict(rows)["text"] == "told by somebody else; the text itself was not read; looked at on 2026-01-02"
    assert asks(name, "deepest", "metric") == "No bore goes deeper than 6.1 m (20 ft in the text)."
    assert asks(name, "fluids") == "The loop holds no other fluid than water, propylene glycol or ethanol."
    assert asks(name, "few") == "A layout has 1 bore at most."
    whole = explanation(name, units="metric")
    assert dict(whole.duties[0].rows)["when"] == "after the work; 30 days"
    papers = {b.title: dict(b.rows) for b in whole.papers}
    assert papers["application"]["map"] == "shows everything within 60.96 m (200 ft in the text), the neighbours' too"
    assert papers["one-call"]["by hand"] == "within 0.46 m (18 in in the text) of a marked line's edge"
    assert not NOT_WORDS.search("\n".join(explain(name)))
    only = explain(name, "report")
    assert "Duties (1)" in only
    assert not any(line.startswith("Rules") for line in only)
    assert codes(path, "error") == []


def test_one_rule_only(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call("rules", "explain", "house", "well", capsys=capsys)
    assert code == 0
    assert "Rules (1)" in out
    assert "septic" not in out


def test_explanation_for_machines(capsys: pytest.CaptureFixture[str]) -> None:
    for name in shipped():
        _, out, _ = call("rules", "explain", name, "--json", capsys=capsys)
        told = json.loads(out)
        file = load(name)
        assert set(told) == {"file", "rules", "duties", "papers"}
        assert told["file"]["file_id"] == name
        assert told["file"]["sha256"] == file.sha256
        assert [r["id"] for r in told["rules"]] == [r.key.partition("/")[2] for r in file.rules]
        for row, rule in zip(told["rules"], file.rules, strict=True):
            assert {"asks", "distance_m", "distance_published", "citation", "status", "checked", "told"} <= set(row)
            assert row["distance_m"] == (None if rule.job else pytest.approx(rule.plan_distance_m, abs=1e-6))
            assert {"label": "clause", "text": rule.citation} in row["told"]
            assert row["status"] in STATUS_WORDS


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("us-mme",), "did you mean 'us-me'?"),
        (("us-me", "wel"), "did you mean 'well'?"),
        (("us-me", "zzz"), "it has lot-line"),
        (("nowhere.toml",), "cannot be read"),
        (("folder.toml",), "cannot be read"),
        (("broken.toml",), "not a TOML file"),
        (("strange.toml",), "loop_class: 5 is not a list of words"),
    ],
)
def test_explain_refuses_in_one_line(
    words: tuple[str, ...],
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "broken.toml").write_text('schema = "loopgis', encoding="utf-8")
    house(tmp_path, ('loop_class = ["bored_horizontal", "bored_vertical"]', "loop_class = 5"), name="strange.toml")
    code, out, err = call("rules", "explain", *words, capsys=capsys)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert err.startswith("loopgis: error: ")
    assert says in err


def test_nothing_that_a_terminal_obeys_comes_through(tmp_path: Path) -> None:
    path = house(tmp_path, ('name = "House rules, not law"', 'name = "Red \\u001b[31m office"'))
    assert "own: Red [31m office" in explain(str(path))[0]


@pytest.mark.parametrize("name", shipped())
def test_parts_are_looked_at_as_they_were_written(name: str) -> None:
    raw = tomllib.loads((resources.files("loopgis") / f"tables/rules/{name}.toml").read_text("utf-8"))
    raw["odd"] = ['\x7f \u00e9 \\ " \n', True, 1.5e300, {"a key": dt.date(2026, 1, 2)}, []]
    assert tomllib.loads(checkup._toml(raw)) == raw


def test_every_kind_has_words() -> None:
    for kind in kind_table():
        assert re.fullmatch(r"(a|an|the|another) [a-z' ,]+", kind_words(kind)), kind_words(kind)


# -- check ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", shipped())
def test_both_readers_agree_on_every_shipped_file(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call("rules", "check", name, capsys=capsys)
    file = load(name)
    rules, duties = len(file.rules), len(file.duties)
    held = f"{rules} rule{'s'[: rules != 1]}, {duties or 'no'} {'duty' if duties == 1 else 'duties'}"
    assert code == 0
    assert out.splitlines()[-1] == f"{name}: holds {held}; both readers agree"
    assert not any(
        f.code in ("contradict", "unit", "never-applies", "no-distance") for f in check_file(name, today=TODAY)
    )


def test_the_house_file_leaves_nothing_to_say() -> None:
    assert check_file("house", today=TODAY) == []


WELL = 'id = "well"\nfeature = "water_well"'
SLIPS = {
    "schema": ("loopgis-rules/1", "loopgis-rules/9", "schema is 'loopgis-rules/9'"),
    "toml": ("[jurisdiction]", "[jurisdiction", "is not TOML"),
    "top-key": (
        'schema = "loopgis-rules/1"',
        'schema = "loopgis-rules/1"\nrules = 1',
        "unknown key 'rules'; did you mean 'rule'?",
    ),
    "table-key": ("[defaults]", "[defaults]\nunit = 'ft'", "[defaults]: unknown key 'unit'; did you mean 'units'?"),
    "status": ('"from_memory"', '"seen_somewhere"', "[jurisdiction] source_status: 'seen_somewhere' is not known"),
    "day": ("checked = 2026-11-25", 'checked = "2026-11-25"', "[jurisdiction]: checked '2026-11-25' is no day"),
    "class": ('["bored_horizontal", "bored_vertical"]', "5", "[applicability] loop_class: 5 is not a list of words"),
    "tolerance": ("B       = { plan = 2.0, vert = 1.0", "E       = { plan = 2.0, vert = 1.0", "[tolerance]"),
    "kind": (
        '"water_well"',
        '"water_wel"',
        "rule 2 (well): unknown feature kind 'water_wel'; did you mean 'water_well'?",
    ),
    "unit": ('value = 100, unit = "ft"', 'value = 100, unit = "feet"', "rule 2 (well) plan_distance"),
    "number": (
        'value = 100, unit = "ft"',
        'value = -100, unit = "ft"',
        "rule 2 (well) plan_distance: -100 is not a number",
    ),
    "mode": (
        'crossing = { mode = "never" }',
        'crossing = { mode = "nevr" }',
        "rule 1 (lot-line) crossing mode: 'nevr'",
    ),
    "no-crossing": ('crossing = { mode = "never" }', "", "rule 1 (lot-line): [crossing] is missing"),
    "no-citation": (
        'citation = "house rule; published rules ask 10-100 ft"\n',
        "",
        "rule 2 (well): citation is missing",
    ),
    "word": (WELL, WELL + '\nfeature_filter = { use = ["privat"] }', "feature_filter: no use is called 'privat'"),
    "range": (WELL, WELL + '\nfeature_range = { yield = { over = 1, unit = "cup" } }', "unit 'cup' is not known"),
    "range-type": (WELL, WELL + "\nfeature_range = 5", "rule 2 (well)"),
    "relax-more": (
        WELL,
        WELL + '\nrelax = [{ when = { bores_up_to = 3 }, plan_distance = { value = 101, unit = "ft" } }]',
        "rule 2 (well) relax plan_distance: is more than the rule's own distance",
    ),
    "switch": (
        "advisory_only = true",
        'advisory_only = "no"',
        "[jurisdiction] advisory_only: 'no' is neither true nor false",
    ),
    "list": ("parents = []", 'parents = "us-me"', "[jurisdiction] parents: 'us-me' is not a list of words"),
    "consent": (
        'consent = ["building_owner"]',
        'consent = "owner"',
        "rule 6 (building) crossing consent: 'owner' is not a list",
    ),
    "certainty": ('class_certainty = "text"', 'class_certainty = "maybe"', "class_certainty: 'maybe' is not known"),
    "id-twice": ('id = "septic-tank"', 'id = "well"', "rule ids used twice: own/well"),
    "duty": (
        '[[rule]]\nid = "lot-line"',
        '[[duty]]\nid = "d"\nwhat = "w"\n[[rule]]\nid = "lot-line"',
        "duty 1 (d) when: None",
    ),
    "one-call": (
        "[defaults]",
        "[one_call]\ntolerance_zone = 5\n[defaults]",
        "[one_call] tolerance_zone: 5 is not a length",
    ),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_one_clear_line(slip: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, says = SLIPS[slip]
    path = house(tmp_path, (old, new))
    code, out, err = call("rules", "check", path, capsys=capsys)
    lines = out.splitlines()
    assert (code, err) == (3, "")
    assert len(lines) == 2, out
    assert lines[0].startswith("error: own.toml")
    assert says in lines[0]
    assert lines[1] == "own.toml: cannot be used, 1 slip"


def test_all_slips_are_told_at_once(tmp_path: Path) -> None:
    path = house(
        tmp_path,
        ('source_status = "from_memory"', 'source_status = "seen_somewhere"'),
        ('plan_distance = { value = 10, unit = "ft" }', 'plan_distance = { value = 10, unit = "feet" }\nmin_cover = 3'),
        ('feature = "water_well"', 'feature = "water_wel"\nstatus = "soon"'),
        ('feature = "septic_tank"', 'feature = "septic_tank"\nfeature_filter = { use = ["privat"] }\ncolour = 3'),
    )
    found = check_file(path, today=TODAY)
    assert all(f.severity == "error" for f in found)
    assert sorted(f.where for f in found) == [
        "own.toml [jurisdiction] source_status",
        "own.toml rule 1 (lot-line) min_cover",
        "own.toml rule 1 (lot-line) plan_distance",
        "own.toml rule 2 (well)",
        "own.toml rule 2 (well) status",
        "own.toml rule 3 (septic-tank)",
        "own.toml rule 3 (septic-tank) feature_filter",
    ]
    assert {f.rule_id for f in found} == {"", "lot-line", "well", "septic-tank"}


def test_places_that_are_no_rule_file(tmp_path: Path) -> None:
    (tmp_path / "dir.toml").mkdir()
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 5000, encoding="utf-8")
    (tmp_path / "list.toml").write_text('schema = "loopgis-rules/1"\nrule = 5\nduty = 5\n', encoding="utf-8")
    (tmp_path / "rows.toml").write_text('schema = "loopgis-rules/1"\nrule = [5]\nduty = ["x"]\n', encoding="utf-8")
    for name in ("dir.toml", "big.toml", "bytes.toml", "deep.toml", "list.toml", "rows.toml", "none.toml", "a\0b.toml"):
        found = check_file(tmp_path / name, today=TODAY)
        assert found, name
        assert {f.severity for f in found} == {"error"}, name


FLUID_RULE = """[[rule]]
id = "f"
feature = "ground"
allowed_fluids = ["propylene_glycol"]
citation = "c"
paraphrase = "p"
"""
FIRST_RULE = '[[rule]]\nid = "lot-line"'


@pytest.mark.parametrize(
    ("change", "label"),
    [
        ((FIRST_RULE, FLUID_RULE + FIRST_RULE), "allowed_fluids"),
        (("C       = { plan = 3.0, vert = 2.0, unit", "C       = { plan = 3.0, unit"), "vertical tolerance"),
    ],
)
def test_what_the_readers_read_differently_is_an_error(
    change: tuple[str, str], label: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Texts on which the two readers have been found to differ; when one of them is mended, they must be taken."""
    path = house(tmp_path, change)
    theirs, mine = load_rules([str(path)], tmp_path)[0], load(str(path))
    fluids = mine.rules[0].job.fluids if mine.rules[0].job else ()
    differ = (theirs.rules[0].fluids, theirs.vert_m) != (fluids, mine.vert_tolerance_m)
    code, out, _ = call("rules", "check", path, capsys=capsys)
    assert code == (3 if differ else 0)
    assert (f"{label}" in out and "to the generator and" in out) == differ


FIELDS = {
    "plan distance": {"plan_m": 1.0},
    "mode": {"mode": "ruling"},
    "min_cover": {"cover_m": 1.0},
    "counted from": {"base": "feature_depth"},
    "vertical_clearance": {"clear_m": 1.0},
    "angle_min_deg": {"angle_deg": 1.0},
    "whether consent": {"consent": True},
    "min_quality": {"min_quality": "B"},
    "feature_filter": {"keep": {"use": ("private",)}},
    "measure_from": {"measure_from": "opening"},
    "measure_to": {"measure_to": "feature_axis"},
    "concerns the pad": {"pit": False},
    "concerns bores": {"bore": False},
    "on_fail": {"on_fail": "advise"},
    "foundation_depth": {"foundation_m": {"slab": 1.0}},
    "feature is": {"kinds": ("pool",)},
    "max_depth": {"max_depth_m": 1.0},
    "citation": {"citation": "x"},
    "feature_range": {"ranges": (Range(name="yield", column="yield_l_s", bounds=(("over", 1.0),)),)},
    "relax": {"eases": (Ease(fluids=None, bores_up_to=3, keep={}, plan_m=1.0, needs=""),)},
    "asks of the job": {"job": "depth"},
    "max_bores": {"max_bores": 3},
    "allowed_fluids": {"fluids": ("water",)},
}
FILE_FIELDS = {
    "id is": {"file_id": "other"},
    "plan tolerance, m,": {"plan_m": {"A": 1.0}},
    "vertical tolerance": {"vert_m": {"A": 1.0}},
    "counts as unknown": {"vert_unknown": frozenset({"B"})},
    "plan tolerance of the bore": {"bore_plan_m": 1.0},
    "share of depth": {"bore_share": 0.5},
    "depth trigger": {"trigger": (">", 5.0)},
    "count trigger": {"count_trigger": (">=", 5)},
    "class is assumed": {"assumed": True},
    "covers steered bores": {"covers": False},
    "rules is": {"rules": ()},
}


@pytest.mark.parametrize("label", [*FIELDS, *FILE_FIELDS])
def test_every_field_is_compared(label: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the audit's reader had a slip in that one field."""
    path = house(tmp_path)

    def slipped(names: list[str], beside: Path) -> list[object]:
        file = load_rules(names, beside)[0]
        if len(file.rules) < 3:  # a part looked at alone
            return [file]
        if label in FILE_FIELDS:
            return [replace(file, **FILE_FIELDS[label])]
        return [replace(file, rules=(file.rules[0], replace(file.rules[1], **FIELDS[label]), *file.rules[2:]))]

    monkeypatch.setattr(checkup, "load_rules", slipped)
    found = check_file(path, today=TODAY)
    assert [f.code for f in found] == ["readers-differ"]
    assert label in found[0].message
    assert found[0].rule_id == ("own/well" if label in FIELDS else "")


ADVICE = {
    "old": ("checked = 2026-11-25", "checked = 2024-11-24", "warning"),
    "checked-ahead": ("checked = 2026-11-25", "checked = 2026-11-27", "warning"),
    "unchecked": ("checked = 2026-11-25\n", "", "note"),
    "not-yet": ("checked = 2026-11-25", "checked = 2026-11-25\neffective = 2027-01-01", "note"),
    "weak-text": ("advisory_only = true", "advisory_only = false", "warning"),
    "citation": ('citation = "house rule; published rules ask 25-50 ft"', 'citation = "Example code 1-2"', "warning"),
    "usual-kind": ('feature = "septic_tank"', 'feature = "pool"', "note"),
    "parents": ("parents = []", 'parents = ["us-zz", "us-me"]', "note"),
    "id-taken": ('id = "own"', 'id = "us-me"', "warning"),
    "own-column": (WELL, WELL + '\nfeature_filter = { owner = ["town"] }', "note"),
    "level": ('level = "house"', 'level = "kingdom"', "warning"),
    "angle": ("angle_min_deg = 45", "angle_min_deg = 95", "warning"),
    "name": ('name = "House rules, not law"', 'name = "replace: the name"', "warning"),
}


@pytest.mark.parametrize("code", ADVICE)
def test_advice(code: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, severity = ADVICE[code]
    path = house(tmp_path, (old, new))
    found = [f for f in check_file(path, today=TODAY) if f.code == code]
    assert len(found) == 1
    assert found[0].severity == severity
    assert not found[0].message.endswith(".")
    assert call("rules", "check", path, capsys=capsys)[0] == 0


def test_two_years_to_the_day_are_not_old(tmp_path: Path) -> None:
    assert codes(house(tmp_path, ("checked = 2026-11-25", "checked = 2024-11-26"))) == []
    assert codes(house(tmp_path, ("checked = 2026-11-25", "checked = 2026-11-26"))) == []


def test_a_rule_of_its_own_age_is_told(tmp_path: Path) -> None:
    path = house(tmp_path, (WELL, WELL + "\nchecked = 2020-01-01"))
    (one,) = check_file(path, today=TODAY)
    assert (one.code, one.rule_id) == ("old", "own/well")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            'plan_distance = { value = 100, unit = "ft" }',
            'plan_distance = { value = 3281, unit = "ft" }',
            "3281 ft (1000.05 m)",
        ),
        (
            'plan_distance = { value = 100, unit = "ft" }',
            'plan_distance = { value = 10, unit = "in" }',
            "0.83 ft (0.25 m)",
        ),
        (
            'min_cover = { value = 6, unit = "ft", below = "lowest',
            'min_cover = { value = 60, unit = "m", below = "lowest',
            "min_cover",
        ),
        (
            'vertical_clearance = { value = 2, unit = "ft"',
            'vertical_clearance = { value = 20, unit = "m"',
            "vertical_clearance",
        ),
    ],
)
def test_units_that_look_like_slips(old: str, new: str, says: str, tmp_path: Path) -> None:
    found = [f for f in check_file(house(tmp_path, (old, new)), today=TODAY) if f.code == "unit"]
    assert len(found) == 1
    assert says in found[0].message


def test_a_thousand_feet_and_a_foot_are_no_slip(tmp_path: Path) -> None:
    far, near = (("plan_distance = { value = 100, unit", f"plan_distance = {{ value = {v}, unit") for v in (1000, 1))
    assert codes(house(tmp_path, far)) == codes(house(tmp_path, near)) == []


def test_no_distance_to_a_well(tmp_path: Path) -> None:
    assert codes(house(tmp_path, ('plan_distance = { value = 100, unit = "ft" }\n', ""))) == ["no-distance"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('loop_class = ["bored_horizontal", "bored_vertical"]', 'loop_class = ["trenched"]'),
        (WELL, WELL + "\nfeature_filter = { owner = [] }"),
        (WELL + '\napplies_to = ["bore", "pit"]', WELL + '\napplies_to = ["header"]'),
    ],
)
def test_rules_that_never_apply(old: str, new: str, tmp_path: Path) -> None:
    assert "never-applies" in codes(house(tmp_path, (old, new)), "warning")


def test_rules_that_contradict(tmp_path: Path) -> None:
    extra = (
        'plan_distance = { value = 50, unit = "ft" }\ncrossing = { mode = "MODE" }\ncitation = "c"\nparaphrase = "p"\n'
    )
    two = WELL.replace('"well"', '"well-too"') + f"\n{extra}[[rule]]\n{WELL}"

    def found(mode: str, *more: tuple[str, str]) -> list[str]:
        path = house(tmp_path, (WELL, two.replace("MODE", mode)), *more)
        return [f.message for f in check_file(path, today=TODAY) if f.code == "contradict"]

    assert found("never") == ["well-too and well ask two distances from a water well: the larger one always decides"]
    assert found("never", ("value = 50,", "value = 100,")) == ["well-too and well say the same of a water well"]
    assert found("ruling") == ["well forbids all that well-too allows or asks about a water well"]
    assert found("ruling", ("value = 50,", "value = 150,")) == []
    elsewhere = ('id = "well-too"', 'id = "well-too"\nfeature_filter = { use = ["public"] }')
    assert found("never", elsewhere) == []


def test_files_that_are_stacked_know_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    child = house(tmp_path, ("parents = []", 'parents = ["us-zz"]'), name="child.toml")
    parent = house(tmp_path, ('id = "own"', 'id = "us-zz"'), name="parent.toml")
    assert [f.code for f in checkups([child], today=TODAY)[0].findings] == ["parents"]
    assert [f.code for one in checkups([child, parent], today=TODAY) for f in one.findings] == []
    code, out, _ = call("rules", "check", child, parent, child, capsys=capsys)
    assert code == 3
    assert "a file before it has the id 'own' as well" in out


def test_check_for_machines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = house(tmp_path, ('value = 100, unit = "ft"', 'value = 100, unit = "feet"'), name="bad.toml")
    code, out, err = call("rules", "check", "house", bad, "--json", capsys=capsys)
    assert (code, err) == (3, "")
    one, two = json.loads(out)["files"]
    assert set(one) == {"file", "id", "rules", "duties", "ok", "findings"}
    assert (one["file"], one["id"], one["rules"], one["ok"]) == ("house", "house", len(load("house").rules), True)
    assert (two["file"], two["ok"], two["rules"]) == ("bad.toml", False, 0)
    assert two["findings"][0]["severity"] == "error"
    assert two["findings"][0]["rule_id"] == "well"


def test_check_quietly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("rules", "check", "-q", house(tmp_path, ("parents = []", 'parents = ["x"]')), capsys=capsys) == (
        0,
        "",
        "",
    )


# -- new -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("source", shipped())
def test_a_copy_of_each_shipped_file_is_taken_at_once(
    source: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "own.toml"
    words = ("rules", "new", "us-zz-own", "-o", path, "--from", source, "--name", 'The "Own" Office')
    assert call(*words, capsys=capsys)[0] == 0
    code, out, _ = call("rules", "check", path, capsys=capsys)
    assert code == 0, out
    assert out.splitlines()[-1].endswith("both readers agree")
    mine, theirs = load(str(path)), load(source)
    assert (mine.file_id, mine.name, mine.level, mine.source) == (
        "us-zz-own",
        'The "Own" Office',
        theirs.level,
        "from_memory",
    )
    assert mine.checked == theirs.checked
    assert {r.status for r in mine.rules} == {"from_memory"}
    assert [(r.plan_distance_m, r.mode, r.citation, r.relax) for r in mine.rules] == [
        (r.plan_distance_m, r.mode, r.citation, r.relax) for r in theirs.rules
    ]
    assert [d.what for d in mine.duties] == [d.what for d in theirs.duties]
    assert path.read_text("utf-8").startswith(f"# A copy of the rule file {source} ")
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]


@pytest.mark.parametrize("unit", ["ft", "m"])
@pytest.mark.parametrize("level", LEVELS)
def test_a_small_file_is_taken_at_once(
    unit: str, level: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "own.toml"
    words = ("rules", "new", "us-zz-own", "-o", path, "--units", unit, "--level", level)
    assert call(*words, capsys=capsys)[0] == 0
    code, out, _ = call("rules", "check", path, capsys=capsys)
    assert code == 0, out
    assert "the citation is to be replaced" in out
    assert "no rule speaks of" not in out
    file, house_file = load(str(path)), {r.key.partition("/")[2]: r for r in load("house").rules}
    assert file.level == level
    assert file.advisory_only == (level in ("house", "standard"))
    rules = {r.key.partition("/")[2]: r for r in file.rules}
    assert list(rules) == ["lot-line", "well", "septic", "building", "buried-line", "pond"]
    for name, model in (("lot-line", "lot-line"), ("well", "well"), ("septic", "drain-field"), ("pond", "pond")):
        more = rules[name].plan_distance_m - house_file[model].plan_distance_m
        assert -1e-9 <= more < 0.01, name
    assert rules["building"].foundation_depth_m == pytest.approx(house_file["building"].foundation_depth_m, abs=0.01)
    assert rules["buried-line"].vertical_clearance_m == pytest.approx(
        house_file["buried-line"].vertical_clearance_m, abs=0.01
    )
    told = call("rules", "explain", path, "--units", "metric", capsys=capsys)[1]
    assert not NOT_WORDS.search(told)


def test_the_commented_parts_of_a_small_file_hold_too(tmp_path: Path) -> None:
    """Whoever takes off the signs gets a file that both readers take."""
    for unit in ("ft", "m"):
        text = fresh_text("us-zz-own", unit=unit)
        head, _, tail = text.partition("# What else a file may hold")
        tail = re.sub(r"(?m)^# ?", "", tail.split("\n", 1)[1])
        head = re.sub(
            r"(?m)^# (\[applicability|op =|value =|unit =|effective|checked|feature_filter|relax)", r"\1", head
        )
        path = tmp_path / f"{unit}.toml"
        path.write_text(head + tail, encoding="utf-8")
        assert [f.line() for f in check_file(path, today=TODAY) if f.severity == "error"] == []
        file = load(str(path))
        assert (len(file.rules), len(file.duties), file.submittal.notice_hours) == (7, 1, 48)
        assert file.depth_trigger_m == pytest.approx(4.572, abs=0.01)
        assert file.one_call.tolerance_zone_m == pytest.approx(0.4572, abs=0.01)
        assert file.rules[1].relax[0].needs == "variance"


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("us-me", "-o", "a.toml"), 3, "'us-me' is that of a shipped file"),
        (("Us Me", "-o", "a.toml"), 3, "use small letters"),
        (("x" * 41, "-o", "a.toml"), 3, "40 signs at most"),
        (("own", "-o", "a.txt"), 3, "end it in .toml"),
        (("own", "-o", "dir.toml"), 3, "is a folder"),
        (("own", "-o", "there.toml"), 3, "use --overwrite"),
        (("own", "-o", "no/where/a.toml"), 3, "there is no folder"),
        (("own", "-o", "a.toml", "--from", "us-mme"), 3, "did you mean 'us-me'?"),
        (("own", "-o", "a.toml", "--from", "us-me", "--units", "m"), 2, "--units goes without --from"),
        (("own", "-o", "a.toml", "--level", "kingdom"), 2, "kingdom"),
        (("own", "-o", "a.toml", "--name", "two\nlines"), 3, "in one plain line"),
        (("own",), 2, "-o"),
    ],
)
def test_new_refuses_and_writes_nothing(
    words: tuple[str, ...],
    code: int,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.toml").write_text("mine", encoding="utf-8")
    (tmp_path / "dir.toml").mkdir()
    left, out, err = call("rules", "new", *words, capsys=capsys)
    assert (left, out) == (code, "")
    assert says in err
    if code == 3:
        assert err.count("\n") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dir.toml", "there.toml"]
    assert (tmp_path / "there.toml").read_text("utf-8") == "mine"


def test_overwrite_replaces_in_one_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "own.toml"
    path.write_text(mine := 'schema = "loopgis-rules/1"  # mine', encoding="utf-8")
    with pytest.raises(InputError):
        new_file(path, "own")

    def torn(*_: object, **__: object) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("pathlib.Path.write_bytes", torn)
        with pytest.raises(KeyboardInterrupt):
            new_file(path, "own", overwrite=True)
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]
    assert path.read_text("utf-8") == mine
    assert new_file(path, "own", overwrite=True) == path
    assert load(str(path)).file_id == "own"
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]


def test_new_text_as_a_call() -> None:
    assert fresh_text("own") == fresh_text("own", unit="ft", level="county")
    with pytest.raises(UsageError):
        fresh_text("own", source="us-me", unit="ft")
    with pytest.raises(InputError):
        fresh_text("own", level="kingdom")
