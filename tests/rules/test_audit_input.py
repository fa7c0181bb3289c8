"""Files the audit refuses, one line each; odd contents it tells about; and properties that hold for any bore."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from audit_files import META, Bore, Feature, Lot, figures, layer, straight
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.core.errors import InputError
from loopgis.rules.audit import audit, measure
from loopgis.rules.audit_path import Path as BorePath
from loopgis.rules.audit_path import join_parts
from loopgis.rules.audit_rig import read_limits


def line_of(call: Any) -> str:
    """The one line of an InputError."""
    with pytest.raises(InputError) as caught:
        call()
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_no_such_file(tmp_path: Path) -> None:
    assert "no such file" in line_of(lambda: audit(tmp_path / "none.gpkg"))


def test_not_a_geopackage(tmp_path: Path) -> None:
    for content in (b"", b"no database at all, only text that is long enough to be looked at " * 9):
        (tmp_path / "a.gpkg").write_bytes(content)
        assert "not a readable GeoPackage" in line_of(lambda: audit(tmp_path / "a.gpkg"))


def test_no_parcel_and_no_bores(tmp_path: Path) -> None:
    lot = Lot()
    layer(tmp_path / "a.gpkg", "bores", [lot.bores[0].shape()], {"bore_id": ["B"]}, lot.crs)
    layer(tmp_path / "b.gpkg", "parcel", [lot.parcel], {"feature_id": ["P"]}, lot.crs)
    layer(tmp_path / "c.gpkg", "parcel", [shapely.Point(1, 2)], {"feature_id": ["P"]}, lot.crs)
    layer(tmp_path / "c.gpkg", "bores", [lot.bores[0].shape()], {"bore_id": ["B"]}, lot.crs)
    assert "no layer parcel" in line_of(lambda: audit(tmp_path / "a.gpkg"))
    assert "no layer bores" in line_of(lambda: audit(tmp_path / "b.gpkg"))
    assert "holds no polygon" in line_of(lambda: audit(tmp_path / "c.gpkg"))


def test_crs_missing_or_wrong(tmp_path: Path) -> None:
    assert "CRS" in line_of(lambda: audit(Lot(crs='LOCAL_CS["plan",UNIT["metre",1]]').write(tmp_path / "a.gpkg")))
    assert "50 km" in line_of(lambda: audit(far_bores(tmp_path / "b.gpkg")))
    assert "coordinates do not fit" in line_of(lambda: audit(Lot(crs="EPSG:4326").write(tmp_path / "c.gpkg")))


def far_bores(path: Path) -> Path:
    lot = Lot()
    layer(path, "parcel", [lot.parcel], {"feature_id": ["P"]}, lot.crs)
    layer(path, "bores", [lot.bores[0].shape()], {"bore_id": ["B"]}, "EPSG:32619")
    return path


def test_layout_and_limits_that_make_no_sense(tmp_path: Path) -> None:
    file = Lot().write(tmp_path / "a.gpkg")
    assert "layouts in the file: L-01" in line_of(lambda: audit(file, layout_id="L-09"))
    assert "entry_pitch_pct" in line_of(lambda: audit(file, rig={"entry_pitch_pct": [30, 10]}))
    assert "bend_radius_m" in line_of(lambda: audit(file, rig={"bend_radius_m": "100 ft"}))
    assert "rig is not a table" in line_of(lambda: read_limits("x", {"rig": 3}))


def test_one_rule_file_may_be_named_without_a_list(tmp_path: Path) -> None:
    assert audit(Lot().write(tmp_path / "a.gpkg"), "house") == []
    assert "not a list" in line_of(lambda: audit(Lot(metadata={**META, "rules": "house"}).write(tmp_path / "b.gpkg")))


def test_elevation_that_is_no_raster(tmp_path: Path) -> None:
    file = Lot().write(tmp_path / "a.gpkg")
    (tmp_path / "dem.tif").write_text("hills", encoding="utf-8")
    assert "cannot be read as a raster" in line_of(lambda: audit(file, elevation=tmp_path / "dem.tif"))


def test_unknown_kinds_and_empty_shapes_are_told(tmp_path: Path) -> None:
    lot = Lot(features=[Feature("volcano", shapely.Point(1080, 2075), "V-1"), Feature("pool", shapely.Point(), "P-1")])
    found = {f.code: (f.feature_id, f.severity) for f in audit(lot.write(tmp_path / "a.gpkg"))}
    assert found == {"kind-unknown": ("V-1", "warning"), "feature-empty": ("P-1", "warning")}


def test_a_bore_without_a_line(tmp_path: Path) -> None:
    lot = Lot(
        bores=[Bore(straight(1030, 2075)), Bore(shapely.LineString([(1050, 2050, 0), (1050, 2050, 0)]), bore_id="B-02")]
    )
    assert [(f.code, f.bore_id) for f in audit(lot.write(tmp_path / "a.gpkg"))] == [("bore-no-line", "B-02")]


def test_the_holes_diameter_comes_from_the_file_or_is_5_inches(tmp_path: Path) -> None:
    lot = Lot(features=[Feature("paved_way", shapely.box(1085, 2000, 1090, 2150))])
    for i, (bore, cover) in enumerate([(META["bore"], 4.4), ({}, 4.5 - 0.0635)]):
        lot.metadata = {**META, "bore": bore}
        rows = measure(lot.write(tmp_path / f"{i}.gpkg"))
        assert next(r for r in rows if r["rule_id"] == "house/paved-way")["provided_m"] == pytest.approx(
            cover, abs=1e-6
        )


def test_parts_are_joined_end_to_end() -> None:
    a, b = np.array([[0, 0, 0], [1, 0, 0.0]]), np.array([[3, 0, 0], [1, 0, 0.0]])
    joined, gap = join_parts([a, b])
    assert joined[:, 0].tolist() == [0, 1, 1, 3]
    assert gap == 0
    assert join_parts([a, b[:1] + b[:1]])[1] == pytest.approx(5.0)


def test_a_bore_that_ends_level_gets_the_longest_reach() -> None:
    xyz = np.array([[0, 0, 0], [1, 0, -0.3], [2, 0, -0.3]], dtype=float)
    path = BorePath("L", "B", {}, xyz, 0.1)
    path.set_ground(np.zeros(len(path.station)))
    assert path.reach_m(0.05) == 5.0
    assert path.reach_m(0.0) == 0.0


FEW = settings(max_examples=8, deadline=None)


def lot_margin(lot: Lot) -> float:
    with tempfile.TemporaryDirectory() as folder:
        rows = measure(lot.write(Path(folder) / "a.gpkg"), ["house"])
    return float(next(r for r in rows if r["rule_id"] == "house/lot-line")["margin_m"])


@FEW
@given(st.floats(0.0, 60.0), st.floats(0.01, 30.0))
def test_shifting_a_bore_outward_never_improves_the_lot_line_margin(start: float, shift: float) -> None:
    inner, outer = (Lot(bores=[Bore(straight(1040, 2070 - y, level_m=40), columns={})]) for y in (start, start + shift))
    assert lot_margin(outer) <= lot_margin(inner) + 1e-6


@FEW
@given(st.floats(0, 360), st.floats(2.5, 6.0), st.floats(0, 40))
def test_a_clean_bore_stays_clean_whatever_its_heading(azimuth: float, depth: float, level: float) -> None:
    """Same bore, turned: nothing is wrong with it, and its written figures are still what is measured."""
    lot = Lot(parcel=shapely.box(900, 1900, 1300, 2250))
    xyz = straight(1100, 2075, azimuth_deg=azimuth, depth_m=depth, level_m=level + 0.5)
    lot.bores = [Bore(xyz, columns=figures(xyz))]
    with tempfile.TemporaryDirectory() as folder:
        assert [f.line() for f in audit(lot.write(Path(folder) / "a.gpkg"))] == []


@FEW
@given(st.floats(0.5, 12.0), st.floats(0.5, 12.0))
def test_a_deeper_pond_never_gives_more_margin(first: float, second: float) -> None:
    margins = []
    for depth in sorted((first, second)):
        lot = Lot(features=[Feature("surface_water", shapely.box(1070, 2060, 1080, 2090), depth_m=depth)])
        with tempfile.TemporaryDirectory() as folder:
            rows = measure(lot.write(Path(folder) / "a.gpkg"))
        margins.append(next(r for r in rows if r["rule_id"] == "house/pond")["margin_m"])
    assert margins[1] <= margins[0] + 1e-9


@FEW
@given(st.floats(5, 80), st.floats(0, 359), st.integers(0, 2**31))
def test_curvature_never_exceeds_the_tightest_arc(radius: float, heading: float, seed: int) -> None:
    """Any chain of arcs of at least this radius is never measured tighter (the allowance is for rounding alone)."""
    random = np.random.default_rng(seed)
    bend = np.repeat(random.uniform(-1, 1, 30) / radius, 8)
    tangent = np.radians(heading) + np.concatenate([[0], np.cumsum(bend * 0.4)])
    chord = 0.4 * np.sinc(bend * 0.2 / np.pi)
    middle = (tangent[1:] + tangent[:-1]) / 2
    xy = np.concatenate(
        [[[0, 0]], np.cumsum(np.column_stack([chord * np.cos(middle), chord * np.sin(middle)]), axis=0)]
    )
    path = BorePath("L", "B", {}, np.column_stack([xy, np.zeros(len(xy))]), 0.1)
    for window in (0.25, 1.25):
        assert float(path.turning(window).curvature_1_m.max()) <= float(np.abs(bend).max()) * 1.002 + 1e-9
