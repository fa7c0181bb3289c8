"""Every key of a site file with every sort of value TOML knows: findings, never a crash, and nothing wrong is let through."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from loopgis.site import config, spec_parts
from loopgis.site.read import collect

if TYPE_CHECKING:
    from pathlib import Path

VALUES = [
    "0", "-1", "1e308", "nan", "-inf", "9" * 400, "true", '""', '" "', '"\\u0000"', '"15 ft"', '"-15 ft"', '"nan ft"', '"15 °"',
    '"15 W/(m K)"', f'"{"x" * 3000}"', "[]", "[[]]", '["15 ft"]', '["a", "b"]', "[nan, inf]", "[1, 2]", "[{}]", "{}",
    "{ path = 3 }", '{ path = "" }', '{ path = "none.gpkg", layer = "x", where = "((", crs = "?" }', '{ path = { path = "x" } }',
    "2026-01-01", "12:00:00", "2026-01-01T00:00:00Z", '{ heating = [1], cooling = "x" }',
]  # fmt: skip
KEYS = sorted((table, key) for table, keys in config.KEYS.items() for key in keys)
INSIDE = sorted(("feature", key) for key in config.FEATURE_KEYS)


def text_of(table: str, key: str, value: str) -> str:
    """A site file with one key set."""
    if table == "feature":
        return f'[site]\nparcel = "none.gpkg"\n[[site.feature]]\n{key} = {value}\n'
    if table == "site":
        return ('parcel = "none.gpkg"\n' if key != "parcel" else "").join(["[site]\n", f"{key} = {value}\n"])
    peak = 'heating_peak = "9 kW"\n' if table == "demand" and key != "heating_peak" else ""
    return f'[site]\nparcel = "none.gpkg"\n[{table}]\n{peak}{key} = {value}\n'


@pytest.mark.parametrize(("table", "key"), [*KEYS, *INSIDE], ids=[f"{t}.{k}" for t, k in [*KEYS, *INSIDE]])
def test_any_value_is_told_not_crashed_on(table: str, key: str, tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    for value in VALUES:
        path.write_text(text_of(table, key, value), encoding="utf-8")
        site, findings = collect(path)
        assert site is None, value
        for found in findings:
            line = found.line()
            assert "\n" not in line
            assert len(line) < 900 + len(str(path)), (value, line)
            assert line.isprintable(), (value, line)
            assert found.severity != "error" or found.remedy, (value, line)


def test_every_table_has_its_keys() -> None:
    assert set(spec_parts.KEYS) < set(config.KEYS)
    assert len(KEYS) > 40
