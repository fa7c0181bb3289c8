"""Seeded violations: each one alone in an otherwise clean file, and each caught with its own code."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from audit_files import META, RIG, Bore, Feature, Lot, figures, straight

from loopgis.rules.audit import audit

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.core.findings import Finding

MIDDLE = straight(1030, 2075)


def errors(lot: Lot, folder: Path, **more: Any) -> list[Finding]:
    return [f for f in audit(lot.write(folder / "seeded.gpkg"), **more) if f.severity == "error"]


def with_feature(kind: str, shape: Any, **more: Any) -> Lot:
    return Lot(features=[Feature(kind, shape, **more)])


def with_bore(xyz: NDArray[np.float64], **columns: float) -> Lot:
    return Lot(bores=[Bore(xyz, columns={**figures(xyz, radius_m=None), **columns})])


def bent(xyz: NDArray[np.float64], at: int, degrees: float) -> NDArray[np.float64]:
    """Everything after vertex `at` turned round it in plan."""
    out, a = xyz.copy(), math.radians(degrees)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    out[at + 1 :, :2] = (xyz[at + 1 :, :2] - xyz[at, :2]) @ turn.T + xyz[at, :2]
    return out


def arc(radius_m: float, *, depth_m: float = 4.5) -> NDArray[np.float64]:
    """The middle bore with 20 m of its level run bent in plan at a radius."""
    straight_run = np.hypot(*(MIDDLE[:, :2] - MIDDLE[0, :2]).T)
    heading = np.clip(straight_run - 40, 0, 20) / radius_m
    step = np.diff(straight_run)
    mean = (heading[1:] + heading[:-1]) / 2
    chord = step * np.sinc((heading[1:] - heading[:-1]) / 2 / np.pi)
    x = MIDDLE[0, 0] + np.concatenate([[0], np.cumsum(chord * np.cos(mean))])
    y = MIDDLE[0, 1] + np.concatenate([[0], np.cumsum(chord * np.sin(mean))])
    return np.column_stack([x, y, MIDDLE[:, 2]])


def lifted(xyz: NDArray[np.float64], by_m: float) -> NDArray[np.float64]:
    return xyz + np.array([0, 0, by_m])


def spike(xyz: NDArray[np.float64], at: int, up_m: float) -> NDArray[np.float64]:
    out = xyz.copy()
    out[at, 2] += up_m
    return out


def thinned(xyz: NDArray[np.float64], every: int) -> NDArray[np.float64]:
    return np.vstack([xyz[:-1:every], xyz[-1:]])


HOLED = shapely.box(1000, 2000, 1200, 2150) - shapely.box(1080, 2070, 1090, 2080)
LINE_ACROSS = shapely.LineString([(1080, 2010), (1080, 2140)])
LINE_SKEW = shapely.LineString([(1040, 2055), (1120, 2095)])
LINE_BESIDE = shapely.LineString([(1050, 2077), (1110, 2077)])
METADATA = {**META, "rig": RIG["rig"]}

SEEDS: dict[str, tuple[str, Callable[[], Lot]]] = {
    "2 m from the lot line": ("lot-line", lambda: Lot(bores=[Bore(straight(1030, 2002))])),
    "out of the lot": ("lot-line", lambda: Lot(bores=[Bore(straight(1110, 2075))])),
    "through a hole of the lot": ("lot-line", lambda: Lot(parcel=HOLED)),
    "exit error reaches the lot line": ("lot-line", lambda: Lot(bores=[Bore(straight(1093.3, 2075))])),
    "well at 20 m": ("setback", lambda: with_feature("water_well", shapely.Point(1080, 2095))),
    "septic tank at 5 m": ("setback", lambda: with_feature("septic_tank", shapely.Point(1080, 2081.2))),
    "drain field at 15 m": ("setback", lambda: with_feature("drain_field", shapely.box(1070, 2090, 1090, 2110))),
    "easement crossed": ("setback", lambda: with_feature("easement", shapely.box(1080, 2000, 1085, 2150))),
    "right of way drawn as a line": ("setback", lambda: with_feature("right_of_way", LINE_ACROSS)),
    "wetland at 4 m": ("setback", lambda: with_feature("wetland", shapely.box(1060, 2079, 1090, 2090))),
    "old loop at 2 m": ("setback", lambda: with_feature("existing_loop", LINE_BESIDE)),
    "shallow under a basement": (
        "cover",
        lambda: Lot(
            buildings=[Feature("building", shapely.box(1070, 2070, 1080, 2080), foundation="basement")],
            bores=[Bore(straight(1030, 2075, depth_m=4))],
        ),
    ),
    "shallow under a pond": (
        "cover",
        lambda: with_feature("surface_water", shapely.box(1070, 2060, 1080, 2090), depth_m=3),
    ),
    "shallow under a drive": ("cover", lambda: with_feature("paved_way", shapely.box(1033, 2060, 1037, 2090))),
    "shallow under a wall": ("cover", lambda: with_feature("retaining_wall", LINE_ACROSS, depth_m=2.9)),
    "through a gas line": ("gap", lambda: with_feature("gas_line", LINE_ACROSS, depth_m=4.4)),
    "just over a sewer": ("gap", lambda: with_feature("sewer_gravity", LINE_ACROSS, depth_m=5.1)),
    "irrigation at the entry": (
        "gap",
        lambda: with_feature("irrigation", shapely.LineString([(1032, 2000), (1032, 2150)]), depth_m=0.4),
    ),
    "skew under a gas line": ("crossing-angle", lambda: with_feature("gas_line", LINE_SKEW, depth_m=0.6)),
    "along a cable": ("alongside", lambda: with_feature("electric_ug", LINE_BESIDE, depth_m=3.0)),
    "arc of 25 m": ("curvature", lambda: with_bore(arc(25))),
    "kink of 3 degrees": ("kink", lambda: with_bore(bent(MIDDLE, 100, 3))),
    "kink of 1.5 degrees": ("kink", lambda: with_bore(bent(MIDDLE, 100, 1.5))),
    "vertical kink of 14 mm": ("kink", lambda: with_bore(spike(MIDDLE, 100, 0.014))),
    "first rod bent": ("first-rod-bent", lambda: with_bore(bent(MIDDLE, 4, 0.6))),
    "entry too steep": ("entry-pitch", lambda: Lot(bores=[Bore(straight(1030, 2075, pitch_pct=36.0))])),
    "exit too flat": ("exit-pitch", lambda: Lot(metadata={**META, "rig": {**RIG["rig"], "exit_pitch_pct": [27, 35]}})),
    "entry in the air": ("entry-off-ground", lambda: with_bore(lifted(MIDDLE, 0.08), max_depth_m=4.42)),
    "exit in the ground": ("exit-off-ground", lambda: with_bore(MIDDLE[:-1])),
    "out of the ground half-way": (
        "above-ground",
        lambda: Lot(terrain=valley(), metadata={k: v for k, v in META.items() if k != "terrain"}),
    ),
    "deeper than the locator": ("too-deep", lambda: Lot(bores=[Bore(straight(1030, 2075, depth_m=9.2, level_m=10))])),
    "longer than the reach": ("too-long", lambda: Lot(metadata={**META, "rig": {**RIG["rig"], "max_length_m": 100}})),
    "a vertex every metre": ("vertex-spacing", lambda: with_bore(thinned(MIDDLE, 2))),
    "length 20 mm off": ("column-length-m", lambda: with_bore(MIDDLE, length_m=figures(MIDDLE)["length_m"] + 0.02)),
    "plan length 20 mm off": (
        "column-plan-length-m",
        lambda: with_bore(MIDDLE, plan_length_m=figures(MIDDLE)["plan_length_m"] - 0.02),
    ),
    "depth 0.1 m off": ("column-max-depth-m", lambda: with_bore(MIDDLE, max_depth_m=4.6)),
    "entry pitch without its sign": ("column-entry-pitch-pct", lambda: with_bore(MIDDLE, entry_pitch_pct=25)),
    "exit pitch 2 points off": ("column-exit-pitch-pct", lambda: with_bore(MIDDLE, exit_pitch_pct=23)),
    "radius flattered": ("column-min-radius-m", lambda: with_bore(MIDDLE, min_radius_m=40)),
    "a rod too few": ("column-rods", lambda: with_bore(MIDDLE, rods=30)),
    "level run longer than the bore": ("column-level-length-m", lambda: with_bore(MIDDLE, level_length_m=200)),
    "cover flattered": (
        "column-min-cover-m",
        lambda: with_bore(MIDDLE, **figures(MIDDLE, level_m=60) | {"min_cover_m": 4.4}),
    ),
    "rod beside the bore": ("rod-off-bore", lambda: Lot(rods=[rod(30, north=0.05)])),
    "rod beyond the exit": ("rod-off-bore", lambda: Lot(rods=[rod(30) | {"station_m": 130.0}])),
    "rod's depth wrong": ("rod-depth", lambda: Lot(rods=[rod(30) | {"depth_m": 4.3}])),
    "rod's pitch wrong": ("rod-pitch", lambda: Lot(rods=[rod(3) | {"pitch_pct": -20.0}])),
    "rod's azimuth wrong": ("rod-azimuth", lambda: Lot(rods=[rod(30) | {"azimuth_deg": 92.0}])),
    "rod of no bore": ("rods-orphan", lambda: Lot(rods=[rod(30), rod(30) | {"bore_id": "B-99"}])),
    "exit beside the bore's end": (
        "exit-off-bore",
        lambda: Lot(exits=[{"layout_id": "L-01", "bore_id": "B-01", "xyz": MIDDLE[-1] + [0.05, 0, 0]}]),
    ),
    "bores 4 m apart": ("spacing", lambda: pair(4.0)),
    "bores cross": (
        "too-close",
        lambda: Lot(bores=[Bore(MIDDLE), Bore(straight(1080, 2030, azimuth_deg=0), bore_id="B-02")]),
    ),
    "bores cross at their feet": (
        "crossed-near-pad",
        lambda: Lot(
            bores=[
                Bore(straight(1030, 2075, azimuth_deg=100)),
                Bore(straight(1030, 2073.4, azimuth_deg=80), bore_id="B-02"),
            ]
        ),
    ),
    "bores start 0.3 m apart": ("too-close", lambda: pair(0.3)),
    "two bores of one name": ("duplicate-id", lambda: Lot(bores=[Bore(MIDDLE), Bore(straight(1030, 2090))])),
    "bore in two pieces": (
        "bore-broken",
        lambda: Lot(bores=[Bore(shapely.MultiLineString([MIDDLE[:90], MIDDLE[92:]]))]),
    ),
    "pad at the lot line": ("pad-setback", lambda: Lot(pads=[("L-01", shapely.box(1001, 2070, 1005, 2080))])),
    "pad at a wall": (
        "pad-setback",
        lambda: Lot(
            pads=[("L-01", shapely.box(1020, 2070, 1025, 2080))],
            buildings=[
                Feature("building", shapely.box(1010, 2100, 1020.9, 2110)),
                Feature("building", shapely.box(1010, 2080.2, 1020.9, 2090)),
            ],
        ),
    ),
    "pad under a power line": (
        "pad-setback",
        lambda: Lot(
            pads=[("L-01", shapely.box(1020, 2070, 1025, 2080))],
            features=[Feature("electric_oh", shapely.LineString([(1015, 2000), (1019, 2150)]))],
        ),
    ),
    "clearance of the well flattered": (
        "clearance-lies",
        lambda: Lot(
            features=[Feature("water_well", shapely.Point(1080, 2095), "W-1")],
            clearances=[clearance(outcome="pass", provided_m=40)],
        ),
    ),
}


def rod(index: int, *, north: float = 0.0) -> dict[str, Any]:
    """A true rod point at vertex `index` of the middle bore."""
    steps = np.linalg.norm(np.diff(MIDDLE[: index + 1], axis=0), axis=1)
    slope = MIDDLE[index + 1] - MIDDLE[index - 1]
    return {
        "layout_id": "L-01",
        "bore_id": "B-01",
        "rod": 1,
        "station_m": float(steps.sum()),
        "depth_m": -float(MIDDLE[index, 2]),
        "pitch_pct": float(100 * slope[2] / slope[0]),
        "azimuth_deg": 90.0,
        "xyz": MIDDLE[index] + np.array([0, north, 0]),
    }


def clearance(**more: Any) -> dict[str, Any]:
    return {
        "layout_id": "L-01",
        "bore_id": "B-01",
        "rule_id": "house/well",
        "feature_id": "W-1",
        "required_m": 30.48,
        "provided_m": 19.9,
        "outcome": "fail",
    } | more


def pair(apart_m: float) -> Lot:
    both = [straight(1030, 2075), straight(1030, 2075 + apart_m)]
    return Lot(bores=[Bore(xyz, bore_id=f"B-{i}", columns=figures(xyz, level_m=60)) for i, xyz in enumerate(both)])


def valley() -> tuple[NDArray[np.float64], tuple[float, float, float]]:
    """Ground at 0 with a ditch 6 m deep across the middle bore."""
    cells = np.zeros((160, 210))
    cells[:, 85:100] = -6.0
    return cells, (995.0, 2155.0, 1.0)


@pytest.mark.parametrize("name", SEEDS)
def test_a_seeded_violation_is_caught(name: str, tmp_path: Path) -> None:
    code, build = SEEDS[name]
    found = errors(build(), tmp_path)
    assert code in {f.code for f in found}
    assert all(f.outcome == "fail" for f in found)


LONELY = set(SEEDS) - {
    "exit in the ground",
    "out of the ground half-way",
    "bore in two pieces",
    "entry in the air",
    "two bores of one name",
    "first rod bent",
    "bores start 0.3 m apart",
    "bores cross",
    "bores cross at their feet",
    "clearance of the well flattered",
    "entry too steep",
}


@pytest.mark.parametrize("name", sorted(LONELY))
def test_and_nothing_else_is_called_wrong(name: str, tmp_path: Path) -> None:
    code, build = SEEDS[name]
    assert {f.code for f in errors(build(), tmp_path)} == {code}


def test_there_are_enough_seeds() -> None:
    assert len(SEEDS) >= 25
    assert len({code for code, _ in SEEDS.values()}) >= 25


CLEAN: dict[str, Callable[[], Lot]] = {
    "one bore": Lot,
    "two bores at the wanted spacing": lambda: pair(4.5),
    "alternatives may coincide": lambda: Lot(bores=[Bore(MIDDLE), Bore(MIDDLE, layout_id="L-02")]),
    "arc of 31 m": lambda: with_bore(arc(31)),
    "true rods and exit": lambda: Lot(
        rods=[rod(3), rod(30), rod(100)], exits=[{"layout_id": "L-01", "bore_id": "B-01", "xyz": MIDDLE[-1]}]
    ),
    "far features": lambda: Lot(
        features=[
            Feature("water_well", shapely.Point(1080, 2115), "W-1"),
            Feature("gas_line", shapely.LineString([(1000, 2090), (1200, 2090)]), "G-1", depth_m=1),
        ],
        clearances=[clearance(outcome="pass", provided_m=39.9)],
    ),
    "square and deep under a gas line": lambda: with_feature("gas_line", LINE_ACROSS, depth_m=0.8),
    "deep under a pond": lambda: with_feature("surface_water", shapely.box(1070, 2060, 1080, 2090), depth_m=1.0),
    "multi-part line that joins": lambda: Lot(bores=[Bore(shapely.MultiLineString([MIDDLE[:90], MIDDLE[89:][::-1]]))]),
    "a pad in the open": lambda: Lot(
        pads=[("L-01", shapely.box(1020, 2070, 1025, 2080))],
        buildings=[Feature("building", shapely.box(1010, 2100, 1020, 2110))],
    ),
    "a straight path": lambda: with_bore(MIDDLE, **figures(MIDDLE, level_m=60)),
}


@pytest.mark.parametrize("name", CLEAN)
def test_clean_files_give_nothing(name: str, tmp_path: Path) -> None:
    assert [f.line() for f in audit(CLEAN[name]().write(tmp_path / "clean.gpkg"))] == []


def test_doubts_are_warnings(tmp_path: Path) -> None:
    """Consent, rulings, unknown depths need a person; a table that differs is a fault; thin margins are notes."""
    lot = Lot(
        features=[
            Feature("floodplain", shapely.box(1050, 2000, 1200, 2150), "FP"),
            Feature("telecom", LINE_ACROSS, "T-1"),
            Feature("water_well", shapely.Point(1080, 2075 + 30.48 + 0.1 + 0.1), "W-1"),
        ],
        buildings=[Feature("building", shapely.box(1085, 2060, 1095, 2080), "H-1", foundation="slab")],
        clearances=[
            clearance(outcome="pass_thin", provided_m=31),
            clearance(rule_id="house/ask-the-office", feature_id="FP", outcome="pass"),
        ],
        metadata={**META, "given_kinds": [k for k in META["given_kinds"] if k != "lp_tank"]},
    )
    found = {(f.feature_id, f.code): f for f in audit(lot.write(tmp_path / "doubt.gpkg"))}
    assert {k: (f.severity, f.outcome) for k, f in found.items()} == {
        ("FP", "setback"): ("warning", "ruling_needed"),
        ("T-1", "gap"): ("warning", "unverified"),
        ("W-1", "setback"): ("note", "pass_thin"),
        ("H-1", "cover"): ("warning", "consent_needed"),
        ("W-1", "clearance-differs"): ("error", "fail"),
        ("FP", "clearance-outcome"): ("warning", "unverified"),
        ("", "layer-missing"): ("warning", "unverified"),
    }


def test_missing_layers_are_told_once_per_layout(tmp_path: Path) -> None:
    bores = [
        Bore(straight(1030, 2075)),
        Bore(straight(1030, 2090), bore_id="B-02"),
        Bore(straight(1030, 2075), layout_id="L-02"),
    ]
    lot = Lot(
        bores=bores,
        metadata={**META, "given_kinds": [k for k in META["given_kinds"] if k not in ("water_well", "pool")]},
    )
    found = [f for f in audit(lot.write(tmp_path / "missing.gpkg")) if f.code == "layer-missing"]
    assert sorted((f.layout_id, f.rule_id, f.bore_id) for f in found) == [
        ("L-01", "house/pool", ""),
        ("L-01", "house/well", ""),
        ("L-02", "house/pool", ""),
        ("L-02", "house/well", ""),
    ]


def test_the_rig_parameter_overrides_the_file(tmp_path: Path) -> None:
    file = Lot().write(tmp_path / "rig.gpkg")
    assert {f.code for f in audit(file, rig={"bend_radius_m": 40.0})} == {"curvature"}
    assert {f.code for f in audit(file, rig={"rig": {"max_depth_m": 4.0}})} == {"too-deep"}


def test_one_layout_alone(tmp_path: Path) -> None:
    lot = Lot(bores=[Bore(MIDDLE), Bore(straight(1030, 2002), layout_id="L-02")])
    file = lot.write(tmp_path / "two.gpkg")
    assert audit(file, layout_id="L-01") == []
    assert {f.layout_id for f in audit(file, layout_id="L-02")} == {"L-02"}


def test_tightening_the_seed_is_what_makes_it_wrong(tmp_path: Path) -> None:
    """The kink that is caught is just past what the rods allow: half of it is not."""
    allowed_deg = math.degrees(0.5 / 30)
    good = replace(Lot(), bores=[Bore(bent(MIDDLE, 100, 0.9 * allowed_deg), columns={})])
    bad = replace(Lot(), bores=[Bore(bent(MIDDLE, 100, 1.15 * allowed_deg), columns={})])
    assert audit(good.write(tmp_path / "good.gpkg")) == []
    assert {f.code for f in audit(bad.write(tmp_path / "bad.gpkg"))} == {"kink"}
