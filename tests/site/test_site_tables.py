"""Reference tables: a source on every row, and rows that the site file can use."""

from __future__ import annotations

import pytest

from loopgis.core.units import parse
from loopgis.layout.score import DEFAULT_WEIGHTS
from loopgis.site.config import KEYS, default_rows
from loopgis.tables.load import load_table

TABLES = {
    "defaults": lambda: load_table("defaults"),
    "rigs": lambda: load_table("rigs")["rigs"],
    "soils": lambda: load_table("soils")["soils"],
    "pipes": lambda: load_table("pipes")["pipes"],
    "kinds": lambda: load_table("kinds")["kinds"],
}


def without_source(rows: dict) -> list[str]:
    return [name for name, row in rows.items() if len(str(row.get("source", "")).strip()) < 8]


@pytest.mark.parametrize("name", TABLES)
def test_every_row_names_its_source(name: str):
    rows = TABLES[name]()
    assert rows
    assert without_source(rows) == []


def test_a_row_without_a_source_is_refused():
    assert without_source({"good": {"source": "from memory"}, "bad": {"value": 1}, "empty": {"source": " "}}) == [
        "bad",
        "empty",
    ]


def test_defaults_belong_to_known_keys():
    for key in load_table("defaults"):
        table, name = key.split(".")
        assert name in KEYS[table], key


def test_readme_rows_hold_key_value_and_source():
    rows = default_rows()
    assert {"rig.class = small", "ground.soil = moist clay", "bore.hole", "score.level"} <= {r["key"] for r in rows}
    assert all(set(r) == {"key", "value", "source"} and all(isinstance(v, str) and v for v in r.values()) for r in rows)
    assert len({r["key"] for r in rows}) == len(rows)


def test_rigs_have_every_key_and_sane_figures():
    for name, row in TABLES["rigs"]().items():
        assert set(row) == KEYS["rig"] - {"class"} | {"source"}, name
        radius, rod = (parse(row[k], "length", where=name) for k in ("bend_radius", "rod_length"))
        # facts/hdd section 1: published limits are 7 to 9.8 % pitch change per rod.
        assert 0.07 <= rod / radius <= 0.101, name


def test_pipe_diameters_as_printed():
    # facts/hdd section 3 (S, supplier's table of ASTM D3035 IPS sizes), inches.
    printed = {
        "0.75 in": 1.050,
        "1 in": 1.315,
        "1.25 in": 1.660,
        "1.5 in": 1.900,
        "2 in": 2.375,
        "3 in": 3.500,
        "4 in": 4.500,
    }
    rows = TABLES["pipes"]()
    assert {k: parse(r["outside_diameter"], "length", where=k) for k, r in rows.items()} == pytest.approx(
        {k: v * 0.0254 for k, v in printed.items()}
    )


def test_soil_diffusivity_is_conductivity_over_heat_capacity():
    # facts/thermal section 5, heat capacity in MJ/(m3 K), from memory; the table prints two digits.
    capacity = {
        "dry sand": 1.4,
        "moist sandy loam": 2.0,
        "moist clay": 2.4,
        "saturated sand": 2.5,
        "saturated clay": 2.5,
    }
    capacity |= {"wet gravel": 2.4, "sand, low": 1.8, "silt, low": 2.2, "clay, low": 2.3, "loam, low": 2.0}
    capacity |= {"sand, high": 2.5, "silt, high": 2.4, "clay, high": 2.5, "loam, high": 2.4}
    for name, row in TABLES["soils"]().items():
        k, alpha = (parse(row[n], n, where=name) for n in ("conductivity", "diffusivity"))
        assert alpha == pytest.approx(k / (capacity[name] * 1e6), abs=0.005e-6 + 1e-12), name


def test_score_defaults_are_those_that_the_score_uses():
    rows = load_table("defaults")
    assert {k.removeprefix("score."): r["value"] for k, r in rows.items() if k.startswith("score.")} == DEFAULT_WEIGHTS
