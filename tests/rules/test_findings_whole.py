"""What a finding of the audit says of itself: where, how much against what, in which unit; by hand for the seeded violations.

The middle bore starts at x = 1030 with 25 % down, runs level at 4.5 m and is 104.66 m long; its vertices are 0.5 m apart.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from audit_files import Bore, Feature, Lot, figures, straight
from test_audit_violations import MIDDLE, SEEDS, clearance, rod

from loopgis.rules.audit import audit

if TYPE_CHECKING:
    from pathlib import Path

LONG_M = 104.664
ROUGH = 0.26  # half an interval of vertices
SAID = {
    # seed: layer, station (None: of the whole bore), measured, limit, unit
    "2 m from the lot line": ("", 0.0, 2.0, 3.048, "m"),
    "well at 20 m": ("", 50.5, 19.9, 30.48, "m"),
    "wetland at 4 m": ("", None, 4.0, 4.572, "m"),
    "shallow under a basement": ("", None, 3.9, 14 * 0.3048, "m"),
    "through a gas line": ("", None, -0.05, 2 * 0.3048, "m"),
    "just over a sewer": ("", None, 0.4, 2 * 0.3048, "m"),
    "skew under a gas line": ("", 50.5, math.degrees(math.atan(0.5)), 45.0, "deg"),
    "arc of 25 m": ("bores", None, 25.0, 30.0, "m"),
    "first rod bent": ("bores", 2.9, 0.582, 0.2, "deg"),
    "entry too steep": ("bores", 0.0, 36.0, 35.0, "%"),
    "exit too flat": ("bores", LONG_M, 25.0, 27.0, "%"),
    "entry in the air": ("bores", 0.0, -0.08, 0.05, "m"),
    "out of the ground half-way": ("bores", None, -1.5, 0.0, "m"),
    "deeper than the locator": ("bores", None, 9.2, 9.0, "m"),
    "longer than the reach": ("bores", LONG_M, LONG_M, 100.0, "m"),
    "a vertex every metre": ("bores", None, 1.0, 0.5, "m"),
    "length 20 mm off": ("bores", None, LONG_M, LONG_M + 0.02, "m"),
    "depth 0.1 m off": ("bores", None, 4.5, 4.6, "m"),
    "entry pitch without its sign": ("bores", None, -25.0, 25.0, "%"),
    "exit pitch 2 points off": ("bores", None, 25.0, 23.0, "%"),
    "radius flattered": ("bores", None, 31.0, 40.0, "m"),
    "a rod too few": ("bores", None, 35.0, 30.0, "1"),
    "level run longer than the bore": ("bores", None, LONG_M, 200.0, "m"),
    "rod beside the bore": ("rods", 14.74, 0.05, 0.02, "m"),
    "rod beyond the exit": ("rods", 130.0, 130.0, LONG_M, "m"),
    "rod's depth wrong": ("rods", 14.74, -MIDDLE[30, 2], 4.3, "m"),
    "rod's pitch wrong": ("rods", None, -25.0, -20.0, "%"),
    "rod's azimuth wrong": ("rods", 14.74, 90.0, 92.0, "deg"),
    "exit beside the bore's end": ("exits", LONG_M, 0.05, 0.02, "m"),
}


@pytest.mark.parametrize("name", SAID)
def test_a_finding_says_where_and_how_much(name: str, tmp_path: Path) -> None:
    code, build = SEEDS[name]
    layer, station, measured, limit, unit = SAID[name]
    found = next(f for f in audit(build().write(tmp_path / "seeded.gpkg")) if f.code == code)
    assert (found.where, found.unit, found.severity, found.outcome) == (layer, unit, "error", "fail")
    assert (found.bore_id, found.layout_id) == ("B-01", "L-01")
    assert found.message
    assert (found.measured, found.limit) == pytest.approx((measured, limit), abs=6e-3)
    if station is not None:
        assert found.station_m == pytest.approx(station, abs=ROUGH)
    assert bool(found.rule_id) == (layer == "")
    assert bool(found.feature_id) == (layer == "")
    if name != "radius flattered" and not layer:
        assert (
            f"{found.measured:.2f} {unit}, required {found.limit:.2f} {unit} at station {found.station_m:.1f} m"
            in found.message
        )


def test_rows_that_belong_to_nothing_and_bores_without_rows(tmp_path: Path) -> None:
    lot = Lot(
        bores=[Bore(MIDDLE), Bore(straight(1030, 2090), bore_id="B-02")],
        rods=[rod(30), rod(30) | {"bore_id": "B-99"}, rod(40) | {"station_m": None}],
        exits=[{"layout_id": "L-01", "bore_id": "B-02", "xyz": straight(1030, 2090)[-1]}],
    )
    found = [f for f in audit(lot.write(tmp_path / "rows.gpkg")) if f.where in ("rods", "exits")]
    assert [(f.severity, f.code, f.where, f.layout_id, f.bore_id, f.outcome) for f in found] == [
        ("error", "rods-orphan", "rods", "L-01", "B-99", "fail"),
        ("warning", "rod-station-missing", "rods", "L-01", "B-01", "unverified"),
        ("warning", "rods-missing", "rods", "L-01", "B-02", "unverified"),
        ("warning", "exits-missing", "exits", "L-01", "B-01", "unverified"),
    ]


def test_rods_that_are_missing_are_counted(tmp_path: Path) -> None:
    """Of 35 rods 0, 1 and 3 are there: 33 are not, the first is rod 2; without rod 0 nobody knows how they are counted."""
    true = [rod(0 + k) | {"rod": n} for k, n in ((3, 0), (6, 1), (18, 3))]
    lot = Lot(bores=[Bore(MIDDLE, columns=figures(MIDDLE))], rods=true)
    (gap,) = [f for f in audit(lot.write(tmp_path / "gap.gpkg")) if f.code == "rods-gap"]
    assert gap.message == "33 rods are not in the file, the first is rod 2"
    assert (gap.severity, gap.where, gap.bore_id, gap.layout_id, gap.outcome) == (
        "warning",
        "rods",
        "B-01",
        "L-01",
        "unverified",
    )
    assert not [f for f in audit(Lot(rods=true[1:]).write(tmp_path / "none.gpkg")) if f.code == "rods-gap"]


@pytest.mark.parametrize(
    ("row", "code", "severity", "outcome", "limit"),
    [
        ({"outcome": "pass"}, "clearance-lies", "error", "fail", 19.9),
        ({"outcome": "pass_thin"}, "clearance-lies", "error", "fail", 19.9),
        ({"outcome": "ruling_needed"}, "clearance-outcome", "warning", "unverified", 19.9),
        ({"provided_m": 21.0}, "clearance-differs", "error", "fail", 21.0),
        ({"feature_id": "W-9", "kind": "water_well"}, "clearance-orphan", "error", "fail", None),
    ],
)
def test_what_the_table_of_a_file_says_wrong(
    row: dict[str, object], code: str, severity: str, outcome: str, limit: float | None, tmp_path: Path
) -> None:
    import shapely

    well = Feature("water_well", shapely.Point(1080, 2095), "W-1")
    lot = Lot(features=[well], clearances=[clearance(**row)])
    (found,) = [f for f in audit(lot.write(tmp_path / "table.gpkg")) if f.where == "clearances"]
    assert (found.code, found.severity, found.outcome, found.limit) == (code, severity, outcome, limit)
    assert (found.layout_id, found.bore_id, found.rule_id) == ("L-01", "B-01", "house/well")
    assert found.feature_id == row.get("feature_id", "W-1")
    assert found.measured == (None if code == "clearance-orphan" else pytest.approx(19.9))
    if code == "clearance-orphan":
        assert found.message == "the file judges water_well W-9, which it no longer holds as such"


def test_what_agrees_to_five_centimetres_is_not_told(tmp_path: Path) -> None:
    import shapely

    well = Feature("water_well", shapely.Point(1080, 2095), "W-1")
    for provided, codes in ((19.94, []), (19.86, []), (20.3, ["clearance-differs"]), (None, [])):
        lot = Lot(features=[well], clearances=[clearance(provided_m=provided)])
        path = tmp_path / f"{provided}.gpkg"
        assert [f.code for f in audit(lot.write(path)) if f.where == "clearances"] == codes
