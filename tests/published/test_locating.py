"""Locating: rows 59, 60 and 62 of facts/hdd, its section 6, and the field of a dipole worked out here.

Numbers and tolerances as printed there. Status: S seen in the source, M from memory, D worked out from the stated formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from published.rows import Row

from loopgis.bore.locate import depth_error_m, designation_error_m, dipole_depth_m
from loopgis.core.errors import RangeError
from loopgis.tables.load import load_table

FT, IN = 0.3048, 0.0254
EXACT = 1e-12
RULE, P128 = "5 % rule", "PAS 128 summary"


def depth_error_ft(feet: float) -> float:
    return float(depth_error_m(depth_m=feet * FT)) / FT


def dipole_ft(feet: float) -> float:
    return float(dipole_depth_m(separation_m=feet * FT)) / FT


def plan_m(level: str, depth: float) -> float:
    return float(designation_error_m(level=level, depth_m=depth)[0])


ROWS = [
    Row(59, "20ft", depth_error_ft, (20,), 1.0, EXACT, RULE, "M"),
    Row(59, "5ft", depth_error_ft, (5,), 0.25, EXACT, f"{RULE}, section 6", "M"),
    Row(59, "10ft", depth_error_ft, (10,), 0.5, EXACT, f"{RULE}, section 6", "M"),
    Row(59, "15ft", depth_error_ft, (15,), 0.75, EXACT, f"{RULE}, section 6", "M"),
    Row(59, "33ft", depth_error_ft, (33,), 1.65, EXACT, f"{RULE}, section 6", "M"),
    Row(60, "10ft", dipole_ft, (10,), 7.07, 0.01, "dipole field", "D"),
    Row(60, "share", dipole_ft, (1,), 0.7071, 0.00005, "section 6", "D"),
    Row(62, "B1-2m", plan_m, ("B1", 2.0), 0.30, EXACT, P128, "S/M"),
    Row(62, "B1-shallow", plan_m, ("B1", 0.9), 0.15, EXACT, f"{P128}, section 6", "S"),
    Row(62, "B2-2m", plan_m, ("B2", 2.0), 0.80, EXACT, f"{P128}, section 6", "S/M"),
    Row(62, "B2-shallow", plan_m, ("B2", 0.5), 0.25, EXACT, f"{P128}, section 6", "S"),
    Row(62, "B3", plan_m, ("B3", 4.0), 0.50, EXACT, f"{P128}, section 6", "S"),
]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_as_printed(row: Row) -> None:
    assert row.of(*row.given) == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


def test_61_cover_under_a_roadway_is_a_house_rule() -> None:  # S: Iowa Admin. Code 761-115.13, 48 in under a roadway
    rules = load_table("rules/house")["rule"]
    cited = [r for r in rules if "761-115.13" in r["source"]]
    assert len(cited) == 1
    assert cited[0]["feature"] == "paved_way"
    cover = cited[0]["min_cover"]
    assert cover["value"] * {"ft": FT, "in": IN, "m": 1.0}[cover["unit"]] == pytest.approx(48 * IN)


def test_60_is_where_the_level_part_of_a_dipole_changes_its_sign() -> None:
    """Field of a dipole along x at depth d, at the surface: B = (3 (m.r) r - m r^2) / r^5; its zeros are searched for."""
    from scipy.optimize import brentq

    depth = 3.7

    def level_part(x: float) -> float:
        r = np.array([x, depth])
        return float((3 * r[0] * r[0] - r @ r) / (r @ r) ** 2.5)

    front, rear = brentq(level_part, 0.1, 20), brentq(level_part, -20, -0.1)
    assert float(dipole_depth_m(separation_m=front - rear)) == pytest.approx(depth, rel=1e-9)


def test_62_no_depth_without_a_band() -> None:
    for level in ("B1", "B2"):
        plan, height = designation_error_m(level=level, depth_m=[0.3, 2.0, 5.0])
        assert height is not None
        assert np.array_equal(plan, height)
        assert np.all(np.diff(plan) > 0)
    assert designation_error_m(level="B3", depth_m=2.0)[1] is None
    with pytest.raises(RangeError, match=r"^level: 'B4' "):
        designation_error_m(level="B4", depth_m=2.0)
    with pytest.raises(RangeError, match=r"^depth_m: "):
        designation_error_m(level="B1", depth_m=-1.0)
    with pytest.raises(RangeError, match=r"^depth_m: "):
        depth_error_m(depth_m=np.nan)
    with pytest.raises(RangeError, match=r"^separation_m: "):
        dipole_depth_m(separation_m=0.0)
