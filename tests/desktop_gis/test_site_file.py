"""The site file that the plugin writes, read back by the tool; columns; the lists of choices against the tool's own tables."""

from __future__ import annotations

import tomllib

import desk  # noqa: F401 - makes the next line work
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loopgis_provider import fields
from loopgis_provider.columns import number_or_text, plan
from loopgis_provider.site_file import SiteFileError, document, listed, rules_listed, toml_text, toml_value

from loopgis.site.config import KEYS, load
from loopgis.site.log import Log, plain
from loopgis.site.terrain import UNITS
from loopgis.tables.load import load_table

HOSTILE = [
    'a"b',
    "a\\b",
    'x"\n[rig]\nclass = "mid',
    "tab\tbell\x07del\x7f",
    "''' \"\"\"",
    "C:\\Users\\new\\temp",
    "井戸 — Łódź",
    "#no comment",
    "{ path = 1 }",
    "\u2028\u0085\ufeff",
    "🜨",
]


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"])))
def test_any_text_comes_back_as_it_was(text):
    assert tomllib.loads(f"a = {toml_text(text)}")["a"] == text


VALUES = st.recursive(
    st.text(alphabet=st.characters(exclude_categories=["Cs"]))
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(VALUES)
def test_any_value_comes_back_as_it_was(value):
    assert tomllib.loads(f"a = {toml_value(value)}")["a"] == value


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None, object(), "half \ud83d", ["half \ud83d"]])
def test_what_cannot_stand_in_a_site_file_is_refused(value):
    with pytest.raises(SiteFileError):
        toml_value(value)


@pytest.mark.parametrize("name", HOSTILE)
def test_the_tool_reads_hostile_names_as_they_are(tmp_path, name):
    tables = {
        "site": {
            "name": name,
            "parcel": {"path": name, "layer": name},
            "rules": ["house"],
            "units": "",
            "elevation_unit": None,
        },
        "pad": {"at": [474510.2, 4700060.125]},
        "bore": {"bores": 4, "depth": ["10 ft", "15 ft"]},
        "layout": {"patterns": []},
    }
    features = [{"kind": "water_well", "path": {"path": name, "layer": name}, "depth_unit": ""}]
    path = tmp_path / "site.toml"
    path.write_text(document(tables, features, says=f"made of {name}"), encoding="utf-8", newline="\n")
    log = Log()
    cfg = load(path, log)
    assert not [f for f in log.findings if f.severity == "error"]
    assert (cfg.name, cfg.parcel.written, cfg.parcel.layer) == (plain(name), name, name)  # a name stands on one line
    assert cfg.at == (474510.2, 4700060.125)
    assert cfg.bore.bores == 4
    assert len(cfg.bore.depth_m) == 2
    assert cfg.rig.name == "small"  # the default, not what a name would smuggle in
    (feature,) = cfg.features
    assert (feature.kind, feature.ref.layer) == ("water_well", name)


def test_left_out_values_leave_no_table():
    text = document({"site": {"parcel": "p.gpkg"}, "demand": {"ewt_min": ""}}, [], says="x")
    assert tomllib.loads(text) == {"site": {"parcel": "p.gpkg"}}


def test_lists_are_told_apart():
    assert listed(" 10 ft, 15 ft;20 ft\n\n") == ["10 ft", "15 ft", "20 ft"]
    assert rules_listed("house, us-mn\nhouse; /a, b/my rules.TOML") == ["house", "us-mn", "/a, b/my rules.TOML"]
    assert rules_listed("house, /a/my.toml") == ["house", "/a/my.toml"]
    assert rules_listed("") == []
    with pytest.raises(SiteFileError, match="whole path"):
        rules_listed("rules/my.toml")


# -- columns -----------------------------------------------------------------------------------------------------


def test_columns_get_the_names_that_the_tool_knows():
    meant = {"kind": "TYPE", "depth": "Depth_ft", "quality": "quality", "label": "label"}
    names = ["fid", "Type", "DEPTH_FT", "Kind", "use", "USE", "geom", "depth_m"]
    assert plan(names, meant) == [("id", 0), ("kind", 1), ("depth", 2), ("use", 4)]


def test_an_id_of_its_own_is_kept_and_the_key_column_dropped():
    assert plan(["fid", "feature_id", "kind"], {"kind": "kind"}) == [("feature_id", 1), ("kind", 2)]
    assert plan(["ogc_fid", "FID"], {}) == [("id", 0)]


def test_a_layer_without_the_columns_keeps_what_it_has():
    assert plan(["height", "depth_m"], {"kind": "kind", "depth": "depth"}) == [("height", 0), ("depth_m", 1)]


@pytest.mark.parametrize(
    ("value", "stored"), [(None, None), (True, 1), (3, 3), (2.5, 2.5), ("x", "x"), (["a"], "['a']"), ([], "[]")]
)
def test_values_are_numbers_or_texts(value, stored):
    assert number_or_text(value) == stored


# -- the lists of choices are the tool's ---------------------------------------------------------------------------


def test_the_choices_are_those_of_the_tool():
    assert list(fields.SOILS) == list(load_table("soils")["soils"])
    assert list(fields.RIGS) == list(load_table("rigs")["rigs"])
    assert list(fields.FILLS) == list(load_table("fills")["fills"])
    assert list(fields.PIPES) == list(load_table("pipes")["pipes"])
    assert list(fields.KINDS) == list(load_table("kinds")["kinds"])
    assert set(fields.ELEVATION_UNITS) <= set(UNITS)


def test_papers_and_units_are_those_of_the_command_line():
    from loopgis.cli.setbacks import command

    choices = {p.name: list(p.type.choices) for p in command.params if hasattr(p.type, "choices")}
    assert list(fields.PAPERS) == choices["paper"]
    assert list(fields.UNITS) == choices["units"]


def test_every_field_is_a_key_of_the_site_file():
    for field in fields.FIELDS:
        assert field.key in KEYS[field.table], field.parameter
    names = [f.parameter for f in fields.FIELDS]
    assert len(set(names)) == len(names)
    assert set(fields.DEMAND_NEEDS) <= set(names)


def test_the_examples_in_the_labels_are_read_by_the_tool(tmp_path):
    """Every label that shows an example shows one that works."""
    import re

    tables = {"site": {"parcel": "p.gpkg"}}
    for field in fields.FIELDS:
        shown = re.findall(r'"([^"]+)"', field.label)
        if shown:
            tables.setdefault(field.table, {})[field.key] = listed(shown[-1]) if field.many else shown[-1]
        elif field.choices:
            tables.setdefault(field.table, {})[field.key] = list(field.choices) if field.many else field.choices[0]
    path = tmp_path / "site.toml"
    path.write_text(document(tables, [], says="x"), encoding="utf-8")
    log = Log()
    load(path, log)
    assert [f.line() for f in log.findings if f.severity == "error"] == []
