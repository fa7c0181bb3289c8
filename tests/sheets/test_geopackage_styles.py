"""Styles in the GeoPackage: one for every layer with geometry, readable, from the one table of tokens."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import make
import pytest

from loopgis.sheets import styles as styling
from loopgis.sheets import tokens
from loopgis.sheets.geopackage import write_layouts
from loopgis.sheets.gpkg_rows import rows
from loopgis.sheets.schema import LAYERS

if TYPE_CHECKING:
    from loopgis.sheets.gpkg_looks import Look, Style

SE = "{http://www.opengis.net/se}"
OGC = "{http://www.opengis.net/ogc}"
SHAPED = sorted(name for name, schema in LAYERS.items() if not schema.plain)


@pytest.fixture(scope="module")
def content():
    return rows(make.site(), make.zones(), [make.layout(1), make.layout(2)])


@pytest.fixture(scope="module")
def texts(content):
    return styling.styles(content, "metric")


def tree(texts, layer: str) -> ET.Element:
    return ET.fromstring(texts[layer][0])  # noqa: S314 - our own text


def rules(texts, layer: str) -> list[ET.Element]:
    return [r for r in tree(texts, layer).iter("rule") if r.get("symbol") is not None]


def test_every_layer_with_geometry_has_one_default_style(tmp_path):
    path = tmp_path / "a.gpkg"
    write_layouts(path, make.site(), make.zones(), [make.layout(1)], version="0.1")
    with closing(sqlite3.connect(path)) as db:
        found = db.execute(
            "SELECT f_table_name, f_geometry_column, useAsDefault, f_table_catalog, f_table_schema FROM layer_styles"
        )
        assert sorted(found) == [(name, "geom", 1, "", "") for name in SHAPED]
        kind = db.execute("SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'").fetchall()
        assert kind == [("attributes",)]
        extensions = {name for (name,) in db.execute("SELECT DISTINCT extension_name FROM gpkg_extensions")}
        assert not any("style" in name for name in extensions)


@pytest.mark.parametrize("layer", SHAPED)
def test_qml_is_xml_and_every_rule_has_its_symbol(texts, layer):
    root = tree(texts, layer)
    assert root.tag == "qgis"
    symbols = {s.get("name") for s in root.find(".//symbols")}
    used = [r.get("symbol") for r in rules(texts, layer)]
    assert sorted(used, key=int) == sorted(symbols, key=int)
    kinds = {
        "parcel": {"fill"},
        "buildings": {"fill"},
        "zones": {"fill"},
        "pads": {"fill"},
        "bores": {"line"},
        "headers": {"line"},
        "refused": {"line"},
    }
    expected = {"fill", "line", "marker"} if layer == "features" else kinds.get(layer, {"marker"})
    assert {s.get("type") for s in root.find(".//symbols")} == expected


@pytest.mark.parametrize("layer", SHAPED)
def test_sld_is_xml_with_a_symbolizer_in_every_rule(texts, layer):
    root = ET.fromstring(texts[layer][1].encode())  # noqa: S314 - our own text
    assert root.tag == "{http://www.opengis.net/sld}StyledLayerDescriptor"
    found = root.findall(f".//{SE}Rule")
    assert found
    for rule in found:
        assert any(child.tag.endswith("Symbolizer") for child in rule), rule.find(f"{SE}Name").text
    columns = {c.name for c in LAYERS[layer].columns}
    assert {p.text for p in root.iter(f"{OGC}PropertyName")} <= columns


@pytest.mark.parametrize("layer", SHAPED)
def test_expressions_name_only_columns_that_exist(texts, layer):
    root = tree(texts, layer)
    expressions = [r.get("filter") for r in root.iter("rule") if r.get("filter") not in {None, "ELSE"}]
    expressions += [t.get("fieldName") for t in root.iter("text-style")]
    expressions += [c.text for c in root.iter("orderByClause")]
    expressions += [o.get("value") for o in root.iter("Option") if o.get("name") in {"expression", "geometryModifier"}]
    named = {name for e in expressions for name in re.findall(r'"(\w+)"', e)}
    assert named <= {c.name for c in LAYERS[layer].columns}
    for expression in expressions:
        assert expression.count("(") == expression.count(")")
        assert expression.count("'") % 2 == 0


def test_all_colours_come_from_the_tokens(texts):
    known = {tokens.kind_style(kind).colour for kind in styling_kinds()} | {
        tokens.kind_style(kind).fill for kind in styling_kinds()
    }
    known |= {mark.colour for mark in tokens.OUTCOME.values()}
    known |= {v for v in vars(tokens).values() if isinstance(v, str) and re.fullmatch(r"#[0-9a-fA-F]{6}", v)}
    known = {k.lower() for k in known}
    for layer in SHAPED:
        sld = {c.lower() for c in re.findall(r"#[0-9a-fA-F]{6}", texts[layer][1])}
        qml = {
            "#{:02x}{:02x}{:02x}".format(*map(int, m))
            for m in re.findall(r"\"(\d+),(\d+),(\d+),255\"", texts[layer][0])
        }
        assert sld <= known, layer
        assert qml <= known, layer


def styling_kinds() -> list[str]:
    from loopgis.tables.load import load_table

    return list(load_table("kinds")["kinds"])


def takes(look: Look, values: dict) -> bool:
    return all((values.get(w.column) == w.value) == w.equal for w in look.where)


def looks_of(style: Style, values: dict) -> list[Look]:
    named = [look for look in style.looks if not look.rest and takes(look, values)]
    return named or [look for look in style.looks if look.rest]


def test_every_zone_has_exactly_one_look(content):
    style = styling._zones("metric")
    labels = [[look.label for look in looks_of(style, values)] for _, values in content["zones"]]
    assert labels == [["closed at every depth"], ["open below a depth"], ["needs a ruling"], ["closed to the pad"]]


def test_bores_of_the_best_layout_are_dark_the_others_light(content):
    style = styling._bores("metric")
    for _, values in content["bores"]:
        (look,) = looks_of(style, values)
        colours = {layer.colour for layer in look.layers}
        assert colours == {tokens.PAPER, tokens.INK if values["rank"] == 1 else tokens.INK_LIGHT}
        case, thin, level = look.layers
        assert case.width_mm > level.width_mm > thin.width_mm
        assert level.part == ("level_from", "level_to")
        assert 0 < values["level_from"] < values["level_to"] < 1


def test_every_outcome_has_a_sign_of_its_own(content):
    looks = [
        tuple(type(layer).__name__ + getattr(layer, "shape", "") for layer in look.layers)
        for look in styling._crossings().looks
    ]
    assert len(looks) == len(tokens.OUTCOME)
    shapes = {mark.shape for mark in tokens.OUTCOME.values()}
    assert len(set(looks)) == len(shapes)


def test_utility_lines_are_cased_in_black_and_carry_their_letter(texts):
    gas = next(r for r in rules(texts, "features") if "gas_line" in (r.get("filter") or ""))
    symbol = next(s for s in tree(texts, "features").find(".//symbols") if s.get("name") == gas.get("symbol"))
    lines = [layer for layer in symbol if layer.get("class") == "SimpleLine"]
    values = [{o.get("name"): o.get("value") for o in layer.iter("Option")} for layer in lines]
    assert [v["line_color"] for v in values] == ["0,0,0,255", "246,208,77,255"], "black, and #F6D04D of facts/gis 4"
    assert float(values[0]["line_width"]) > float(values[1]["line_width"])
    letters = [o.get("value") for layer in symbol for o in layer.iter("Option") if o.get("name") == "chr"]
    assert letters == ["G"]


def test_a_kind_that_is_drawn_later_still_shows(texts):
    """Every kind of geometry has a rule for all the rest, below its own head."""
    heads = [r for r in tree(texts, "features").iter("rule") if "geometry_type" in (r.get("filter") or "")]
    assert len(heads) == 3
    for head in heads:
        assert [r.get("filter") for r in head][-1] == "ELSE"


def test_labels_speak_the_sites_units(content):
    metric, us = styling.styles(content, "metric")["zones"][0], styling.styles(content, "us")["zones"][0]
    assert "' m'" in metric.replace("&apos;", "'")
    assert "' ft'" in us.replace("&apos;", "'")
    assert "3.2808399" in us
    assert "3.2808399" not in metric
