"""Closed forms: what the audit measures on bores whose figures follow from school geometry (no outside source needed)."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from audit_files import META, RIG, Bore, Feature, Lot, figures, layer, straight, write_raster

import loopgis
from loopgis.rules.audit import audit, measure
from loopgis.rules.audit_path import Path as BorePath

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

FT = 0.3048
GENERATOR = (
    "loopgis.bore",
    "loopgis.layout",
    "loopgis.site",
    "loopgis.driver",
    "loopgis.rules.zones",
    "loopgis.rules.files",
    "loopgis.rules.model",
    "loopgis.core.frame",
    "loopgis.core.units",
)


def row(lot: Lot, file: Path, rule: str, feature: str = "F-01", **more: Any) -> dict[str, Any]:
    """The one row of a rule and a feature."""
    found = [r for r in measure(lot.write(file), **more) if r["rule_id"] == rule and r["feature_id"] == feature]
    assert len(found) == 1
    return found[0]


def slope(x: float, y: float, pitch_pct: float, length_m: float) -> NDArray[np.float64]:
    """A straight inclined line going down eastwards."""
    x_m = np.linspace(0, length_m, int(length_m / 0.4) + 1)
    return np.column_stack([x + x_m, np.full(len(x_m), y), -x_m * pitch_pct / 100])


def test_the_public_name_is_the_audit() -> None:
    assert loopgis.audit is audit


def test_the_audit_loads_nothing_of_the_generator() -> None:
    """In a process of its own: after importing every room of the audit, no module of the generator is there."""
    rooms = sorted(p.stem for p in FilePath(loopgis.__file__).parent.glob("rules/audit*.py"))
    code = (
        f"import importlib, sys\nfor room in {rooms}: importlib.import_module('loopgis.rules.' + room)\n"
        f"print([m for m in sys.modules if m.startswith({GENERATOR})])"
    )
    assert len(rooms) > 5
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"
    )


@pytest.mark.parametrize("gap_m", [0.5, 2.9, 5.0, 20.0])
def test_straight_line_at_a_known_distance_from_the_lot_line(gap_m: float, tmp_path: Path) -> None:
    found = row(Lot(bores=[Bore(straight(1030, 2000 + gap_m))]), tmp_path / "a.gpkg", "house/lot-line", "lot-7")
    assert found["provided_m"] == pytest.approx(gap_m, abs=1e-4)
    assert found["margin_m"] == pytest.approx(gap_m - 10 * FT, abs=1e-4)
    assert found["outcome"] == ("fail" if gap_m < 10 * FT else "pass")


def test_a_bore_that_leaves_the_lot_is_negative_by_how_far(tmp_path: Path) -> None:
    xyz = straight(1110, 2075)
    ds = 0.05 * 4.5 / 0.25
    found = row(Lot(bores=[Bore(xyz)]), tmp_path / "a.gpkg", "house/lot-line", "lot-7")
    assert found["provided_m"] == pytest.approx(1200 - xyz[-1, 0] - ds, abs=1e-3)


def test_the_exit_error_prolongs_the_bore(tmp_path: Path) -> None:
    """ds = 5 % of 4.5 m at a 25 % exit = 0.9 m, measured beyond the exit."""
    xyz = straight(1090, 2075)
    found = row(Lot(bores=[Bore(xyz)]), tmp_path / "a.gpkg", "house/lot-line", "lot-7")
    assert found["provided_m"] == pytest.approx(1200 - xyz[-1, 0] - 0.9, abs=1e-3)
    assert found["station_m"] > figures(xyz)["length_m"]


def test_inclined_line_under_a_pond(tmp_path: Path) -> None:
    """20 % down: the least cover in the zone is at its near edge, 10 ft and the bore's foot of tolerance before the bank."""
    lot = Lot(
        bores=[Bore(slope(1030, 2075, 20, 60), columns={})],
        features=[Feature("surface_water", shapely.box(1070, 2060, 1080, 2090), depth_m=1.5)],
    )
    found = row(lot, tmp_path / "a.gpkg", "house/pond")
    zone = 1070 - 11 * FT
    assert found["basis"] == "cover"
    assert found["required_m"] == pytest.approx(1.5 + 6 * FT)
    assert found["provided_m"] == pytest.approx((zone - 1030) * 0.2 - 0.1, abs=0.25 * 0.2)
    assert found["outcome"] == "pass"


def test_clear_gap_under_a_line(tmp_path: Path) -> None:
    """4.5 m deep, line's axis at 1 m, half width 0.05 m, hole 0.2 m: gap 4.5 - 1 - 0.05 - 0.1."""
    lot = Lot(features=[Feature("gas_line", shapely.LineString([(1080, 2010), (1080, 2140)]), depth_m=1.0)])
    found = row(lot, tmp_path / "a.gpkg", "house/buried-line")
    assert (found["basis"], found["provided_m"]) == ("gap", pytest.approx(3.35, abs=1e-6))
    lot.features[0].width_m = 1.0
    assert row(lot, tmp_path / "b.gpkg", "house/buried-line")["provided_m"] == pytest.approx(2.9, abs=1e-6)


@pytest.mark.parametrize("angle_deg", [20.0, 44.0, 46.0, 90.0])
def test_crossing_angle(angle_deg: float, tmp_path: Path) -> None:
    way = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))]) * 40
    line = shapely.LineString([(1080 - way[0], 2075 - way[1]), (1080 + way[0], 2075 + way[1])])
    found = row(Lot(features=[Feature("gas_line", line, depth_m=0.6)]), tmp_path / "a.gpkg", "house/buried-line")
    assert found["outcome"] == ("fail" if angle_deg < 45 else "pass")
    if angle_deg < 45:
        assert (found["basis"], found["provided_m"]) == ("angle", pytest.approx(angle_deg, abs=1e-3))


@pytest.mark.parametrize("radius_m", [12.0, 30.0, 75.0])
def test_radius_of_an_arc_in_space(radius_m: float) -> None:
    """Within 1 % (in truth far nearer), in any plane, at uneven vertex spacing."""
    s = np.cumsum(np.random.default_rng(5).uniform(0.2, 0.5, 80))
    flat = np.column_stack([radius_m * np.sin(s / radius_m), radius_m * (1 - np.cos(s / radius_m))])
    tilt = np.array([[0.8, 0.6, 0.0], [-0.36, 0.48, 0.8]])
    for window in (0.25, 1.25):
        bend = BorePath("L", "B", {}, flat @ tilt, 0.1).turning(window)
        assert 1 / bend.curvature_1_m == pytest.approx(radius_m, rel=2e-3)


def test_pitch_and_curvature_of_a_helix() -> None:
    """A helix of radius a and rise b per radian has curvature a / (a^2 + b^2) everywhere."""
    t = np.linspace(0, 2, 200)
    a, b = 40.0, 8.0
    bend = BorePath("L", "B", {}, np.column_stack([a * np.cos(t), a * np.sin(t), b * t]), 0.1).turning(1.25)
    assert bend.curvature_1_m == pytest.approx(a / (a * a + b * b), rel=2e-3)


@pytest.mark.parametrize("crs", ["EPSG:32619", "EPSG:2249", "EPSG:3857", "EPSG:4326", "EPSG:27572"])
def test_any_crs_gives_true_metres(crs: str, tmp_path: Path) -> None:
    """The same lot in UTM, US survey feet, a Mercator that stretches by a third, degrees, and a grid in grads from Paris."""
    from pyproj import CRS, Transformer
    from pyproj.crs import ProjectedCRS
    from pyproj.crs.coordinate_operation import TransverseMercatorConversion

    lat, lon = (46.8, 0.16) if crs == "EPSG:27572" else (42.3, -71.8)
    home = ProjectedCRS(TransverseMercatorConversion(lat, lon, 1100, 2075, 1.0), geodetic_crs=CRS(crs).geodetic_crs)
    way = Transformer.from_crs(home, crs, always_xy=True)

    def there(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(way.transform(xy[:, 0], xy[:, 1]))

    lot = Lot(crs=crs, parcel=shapely.transform(shapely.segmentize(shapely.box(1000, 2000, 1200, 2150), 10), there))
    xyz = straight(1030, 2010)
    lot.bores = [Bore(np.column_stack([there(xyz[:, :2]), xyz[:, 2]]), columns=figures(xyz, level_m=60))]
    file = lot.write(tmp_path / "a.gpkg")
    assert [f.line() for f in audit(file)] == []
    found = next(r for r in measure(file) if r["rule_id"] == "house/lot-line")
    assert found["provided_m"] == pytest.approx(10.0, abs=2e-3)


def tilted(x: Any, y: Any) -> Any:
    """A made-up plane hillside, metres."""
    return 20 + 0.03 * (x - 1100) - 0.02 * (y - 2075)


def on_the_hill(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
    return xyz + np.column_stack([np.zeros((len(xyz), 2)), tilted(xyz[:, 0], xyz[:, 1])])


def hill_cells(cell_m: float) -> tuple[NDArray[np.float64], tuple[float, float, float]]:
    cols, rows = np.meshgrid(np.arange(220 / cell_m), np.arange(170 / cell_m))
    return tilted(990 + (cols + 0.5) * cell_m, 2160 - (rows + 0.5) * cell_m), (990.0, 2160.0, cell_m)


def hill_lot() -> Lot:
    """Two bores whose depth below a tilted plane is known; on a plane bilinear reading is exact."""
    shapes = [straight(1030, 2060), straight(1050, 2080, azimuth_deg=70)]
    bores = []
    for i, flat in enumerate(shapes):
        xyz = on_the_hill(flat)
        bores.append(Bore(xyz, bore_id=f"B-0{i}", columns={**figures(xyz, radius_m=None), "max_depth_m": 4.5}))
    bores[1].layout_id = "L-02"
    return Lot(bores=bores, metadata={k: v for k, v in META.items() if k != "terrain"})


def test_depth_below_a_hillside_from_the_terrain_layer(tmp_path: Path) -> None:
    lot = hill_lot()
    lot.terrain = hill_cells(2.0)
    lot.features = [Feature("paved_way", shapely.box(1085, 2000, 1090, 2150))]
    file = lot.write(tmp_path / "a.gpkg")
    assert [f.line() for f in audit(file)] == []
    cover = [r["provided_m"] for r in measure(file) if r["rule_id"] == "house/paved-way"]
    assert cover == pytest.approx([4.4, 4.4], abs=2e-3)


@pytest.mark.parametrize(
    ("unit", "factor"), [(None, 1.0), ("metre", 1.0), ("ft", 0.3048), ("US survey foot", 1200 / 3937)]
)
def test_elevation_beside_the_file(unit: str | None, factor: float, tmp_path: Path) -> None:
    cells, corner = hill_cells(1.0)
    write_raster(tmp_path / "dem.tif", cells / factor, corner, crs=Lot().crs, options={"driver": "GTiff", "unit": unit})
    assert [f.line() for f in audit(hill_lot().write(tmp_path / "a.gpkg"), elevation=tmp_path / "dem.tif")] == []


def test_a_raster_that_ends_half_way(tmp_path: Path) -> None:
    lot = hill_lot()
    cells, corner = hill_cells(1.0)
    lot.terrain = cells[:, :100], corner
    found = audit(lot.write(tmp_path / "a.gpkg"))
    assert {(f.bore_id, f.severity) for f in found if f.code == "ground-gap"} == {
        ("B-00", "warning"),
        ("B-01", "warning"),
    }
    assert not [f for f in found if f.severity == "error"]


def test_ten_layouts_of_ten_bores_take_under_three_seconds(tmp_path: Path) -> None:
    bores = [
        Bore(straight(1030, 2020 + 10 * i), bore_id=f"B-{i}", layout_id=f"L-{k}") for k in range(10) for i in range(10)
    ]
    shapes = [
        ("gas_line", shapely.LineString([(1080, 2005), (1080, 2145)]), 0.6),
        ("paved_way", shapely.box(1090, 2000, 1095, 2150), None),
        ("surface_water", shapely.Point(1100, 2075).buffer(12, quad_segs=64), 0.8),
        ("water_well", shapely.Point(1190, 2140), None),
    ]
    lot = Lot(
        bores=bores,
        features=[Feature(k, g, f"F-{i}", depth_m=d) for i, (k, g, d) in enumerate(shapes)],
        clearances=[{"layout_id": "L-0", "bore_id": "B-0"}],
    )
    file = lot.write(tmp_path / "big.gpkg")
    begin = time.perf_counter()
    found = audit(file)
    assert time.perf_counter() - begin < 3.0
    assert {f.code for f in found} <= {"setback"}


def test_a_2d_file_has_only_plan_figures(tmp_path: Path) -> None:
    plan = shapely.force_2d(shapely.LineString(straight(1030, 2010)))
    columns = {"plan_length_m": plan.length, "length_m": 1.0}
    lot = Lot(
        bores=[Bore(plan, columns=columns)],
        features=[
            Feature("surface_water", shapely.box(1070, 2000, 1080, 2020), "P-1", depth_m=1),
            Feature("surface_water", shapely.box(1070, 2040, 1080, 2050), "P-2", depth_m=1),
            Feature("easement", shapely.box(1060, 2005, 1065, 2015), "E-1"),
        ],
    )
    file = Lot.write(lot, tmp_path / "a.gpkg")
    outcome = {r["feature_id"]: r["outcome"] for r in measure(file)}
    assert outcome == {"lot-7": "pass", "P-1": "unverified", "P-2": "pass", "E-1": "fail"}
    assert {f.code for f in audit(file)} == {"bore-2d", "cover", "setback"}


def test_a_2d_exit_near_the_lot_line_is_unverified(tmp_path: Path) -> None:
    plan = shapely.force_2d(shapely.LineString(straight(1090, 2075)))
    assert (
        row(Lot(bores=[Bore(plan, columns={})]), tmp_path / "a.gpkg", "house/lot-line", "lot-7")["outcome"]
        == "unverified"
    )


def test_without_ground_no_depth_is_better_than_unverified(tmp_path: Path) -> None:
    lot = Lot(
        metadata={k: v for k, v in META.items() if k != "terrain"},
        features=[
            Feature("surface_water", shapely.box(1070, 2060, 1080, 2090), "P-1", depth_m=1.0),
            Feature("surface_water", shapely.box(1070, 2100, 1080, 2110), "P-2", depth_m=1.0),
        ],
    )
    file = lot.write(tmp_path / "a.gpkg")
    assert {r["feature_id"]: r["outcome"] for r in measure(file)} == {
        "lot-7": "pass",
        "P-1": "unverified",
        "P-2": "pass",
    }
    assert [f.code for f in audit(file)] == ["ground-unknown", "cover"]


def test_a_strangers_file_gets_one_note_about_the_rig(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    xyz = straight(1030, 2075, radius_m=12)
    layer(path, "parcel", [Lot().parcel], {"owner": ["somebody"]}, Lot().crs)
    layer(path, "bores", [shapely.LineString(xyz)], {"name": ["north"]}, Lot().crs)
    found = audit(path)
    assert [f.code for f in found if f.severity == "note"] == ["rig-unknown"]
    assert {f.code for f in found} == {"rig-unknown", "ground-unknown", "layer-missing"}
    assert {f.code for f in audit(path, rig=RIG)} == {"curvature", "ground-unknown", "layer-missing"}
