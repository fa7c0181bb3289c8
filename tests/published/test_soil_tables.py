"""Conductivity of soils: rows 40-42 of facts/thermal.

Numbers and tolerances as printed there. Status: S seen in the named source, M from memory, C computed by other people's numerics.
"""

from __future__ import annotations

import pytest
from published.rows import Row

from loopgis.core.units import parse
from loopgis.ground.soil import BTU_IN_W_MK, johansen_w_mk, kersten_w_mk
from loopgis.tables.load import load_table

PCF = 16.018463
"""kg/m3 of a pound per cubic foot (NIST SP 811)."""


def johansen(dry_kg_m3: float, quartz: float, saturation: float, grain: str) -> float:
    return johansen_w_mk(
        dry_density_kg_m3=dry_kg_m3, quartz=quartz, saturation=saturation, coarse=grain == "coarse", water_w_mk=0.594
    )


def kersten(water_pct: float, pcf: float, soil: str) -> float:
    return kersten_w_mk(water_pct=water_pct, dry_density_kg_m3=pcf * PCF, sandy=soil == "sand")


def in_table(soil: str) -> float:
    return parse(load_table("soils")["soils"][soil]["conductivity"], "conductivity", where=soil)


def converted(btu_in: float) -> float:
    return btu_in * BTU_IN_W_MK


def parsed(btu_in: float) -> float:
    return parse(f"{btu_in} Btu in/(h ft^2 delta_degF)", "conductivity", where="test")


JOHANSEN = "Johansen 1975 (formula from memory)"
KERSTEN = "Kersten 1949 (formula from memory)"
HANDBOOK = "ASHRAE Fundamentals soil table, after Salomone and Marlowe 1989; 1 Btu in/(h ft2 degF) = 0.144228 W/(m K)"

ROWS = [
    Row(40, "coarse", johansen, (1600, 0.8, 0.3, "coarse"), 1.5518, 1e-3, JOHANSEN, "M"),
    Row(40, "fine", johansen, (1400, 0.3, 0.6, "fine"), 1.111, 1e-3, JOHANSEN, "M"),  # section 5
    Row(40, "fine-poor", johansen, (1300, 0.1, 0.8, "fine"), 1.240, 1e-3, JOHANSEN, "M"),  # section 5
    Row(40, "dry", johansen, (1600, 0.8, 0.1, "fine"), 0.2369, 1e-4, JOHANSEN, "M"),  # section 5; log10(0.1) + 1 = 0
    Row(40, "soaked", johansen, (1600, 0.8, 1.0, "coarse"), 2.3109, 1e-3, JOHANSEN, "M"),  # section 5
    Row(41, "clay", kersten, (10, 100, "clay"), 1.010, 2e-3, KERSTEN, "M"),
    Row(41, "sand", kersten, (10, 100, "sand"), 1.587, 2e-3, KERSTEN, "M"),
    Row(42, "factor", converted, (5.4,), 0.779, 1e-3, HANDBOOK, "S"),
    Row(42, "parsed", parsed, (5.4,), 0.779, 1e-3, HANDBOOK, "S"),
    Row(42, "in-table", in_table, ("sand, low",), 0.779, 1e-3, HANDBOOK, "S"),
]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_as_printed(row: Row) -> None:
    assert row.of(*row.given) == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


DESIGN = {"sand": (5.4, 15.6), "silt": (11.4, 15.6), "clay": (7.8, 10.8), "loam": (6.6, 15.6)}
"""Low and high design figures, Btu in/(h ft2 degF) (S: ASHRAE Fundamentals soil table)."""


@pytest.mark.parametrize("soil", DESIGN)
@pytest.mark.parametrize("end", ["low", "high"])
def test_soils_of_the_handbook_table(soil: str, end: str) -> None:
    """Every row of the table that quotes the handbook, to the three figures it is given with."""
    expected = DESIGN[soil][("low", "high").index(end)] * 0.144228
    assert in_table(f"{soil}, {end}") == pytest.approx(expected, abs=5e-3)
