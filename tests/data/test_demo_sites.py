"""The demo sites are what their script makes, and are sound enough to teach with."""

from __future__ import annotations

import ast
import importlib.util
import sys
import tomllib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
from shapely.geometry import Point, box

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "make_demo_sites.py"
NAMES = ("suburban", "corner", "school")
VECTORS = ("parcel.gpkg", "buildings.gpkg", "features.gpkg")
UNIT_M = {"ft": 0.3048, "m": 1.0}


def load_script() -> Any:
    spec = importlib.util.spec_from_file_location("make_demo_sites", SCRIPT)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def script() -> Any:
    return load_script()


@pytest.fixture(scope="module")
def made(script: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    script.main([str(folder)])
    return folder


def site_file(name: str, file: str = "site.toml") -> dict[str, Any]:
    return tomllib.loads((ROOT / "data" / name / file).read_text(encoding="utf-8"))


def parcel(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(ROOT / "data" / name / "parcel.gpkg", layer="parcel")


def all_features(name: str) -> gpd.GeoDataFrame:
    path = ROOT / "data" / name / "features.gpkg"
    layers = [gpd.read_file(path, layer=layer) for layer, _ in pyogrio.list_layers(path)]
    return gpd.GeoDataFrame(pd.concat(layers, ignore_index=True), crs=layers[0].crs)


def in_metres(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Into a transverse Mercator of true scale at the lots' longitude."""
    return frame.to_crs("+proj=tmerc +lat_0=42.45 +lon_0=-75.31 +k=1 +datum=NAD83 +units=m")


def test_second_run_gives_the_same_bytes(script: Any, made: Path, tmp_path: Path) -> None:
    script.main([str(tmp_path)])
    files = sorted(path.relative_to(made) for path in made.rglob("*.*"))
    assert len(files) == 4 * len(NAMES)
    for file in files:
        assert (tmp_path / file).read_bytes() == (made / file).read_bytes(), file


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("file", VECTORS)
def test_committed_vectors_are_the_output_of_the_script(made: Path, name: str, file: str) -> None:
    assert (ROOT / "data" / name / file).read_bytes() == (made / name / file).read_bytes()


@pytest.mark.parametrize("name", NAMES)
def test_committed_raster_is_the_output_of_the_script(made: Path, name: str) -> None:
    # Values, not bytes: the compressor inside the raster library may change with its version.
    with rasterio.open(ROOT / "data" / name / "dem.tif") as old, rasterio.open(made / name / "dem.tif") as new:
        assert old.crs == new.crs
        assert old.transform == new.transform
        assert old.nodata == new.nodata
        assert old.dtypes == new.dtypes == ("float32",)
        np.testing.assert_array_equal(old.read(), new.read())


def test_script_stands_alone() -> None:
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"))
    plain = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    names = plain + [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    others = {name.split(".")[0] for name in names} - set(sys.stdlib_module_names)
    assert others == {"fiona", "numpy", "pyproj", "rasterio", "shapely"}


def test_all_data_together_stay_small() -> None:
    assert sum(path.stat().st_size for path in (ROOT / "data").rglob("*.*")) < 1_500_000


@pytest.mark.parametrize("name", NAMES)
def test_drawn_area_survives_the_projection(script: Any, name: str) -> None:
    drawn_m2 = script.SITES[name]().parcel[0].area
    geodesic_m2, _ = pyproj.Geod(ellps="GRS80").geometry_area_perimeter(parcel(name).to_crs(4269).geometry.iloc[0])
    # Grid scale at these places is 0.9996 to 1.0001, squared for an area.
    assert abs(geodesic_m2) == pytest.approx(drawn_m2, rel=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_geometries_are_valid_and_near_the_lot(name: str) -> None:
    lot = in_metres(parcel(name)).geometry.iloc[0]
    buildings = in_metres(gpd.read_file(ROOT / "data" / name / "buildings.gpkg"))
    features = in_metres(all_features(name))
    assert lot.is_valid
    for frame in (buildings, features):
        assert frame.geometry.is_valid.all()
        assert (frame.geometry.distance(lot) < 20).all()
    own = buildings[~buildings["label"].str.startswith("neighbour")]
    assert own.geometry.within(lot).all()
    assert len(own) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_ids_are_unique_and_depths_plausible(name: str) -> None:
    kinds = tomllib.loads((ROOT / "loopgis" / "tables" / "kinds.toml").read_text(encoding="utf-8"))["kinds"]
    features = all_features(name)
    assert features["feature_id"].is_unique
    for row in features[features["depth"].notna()].itertuples():
        low_m, high_m = kinds[row.kind]["depth_m"]
        assert low_m <= row.depth * UNIT_M["ft"] <= high_m, row.label


@pytest.mark.parametrize("name", NAMES)
def test_site_file_names_every_feature_once(name: str) -> None:
    folder, seen = ROOT / "data" / name, []
    for entry in site_file(name)["site"]["feature"]:
        source = entry["path"]
        rows = gpd.read_file(folder / source["path"], layer=source["layer"], where=source.get("where"))
        assert len(rows) > 0, entry
        if source["path"] == "features.gpkg":
            assert set(rows["kind"]) == {entry["kind"]}
            assert ("depth_unit" in entry) == bool(rows["depth"].notna().any()), entry
            seen += list(rows["feature_id"])
    assert sorted(seen) == sorted(all_features(name)["feature_id"])


def test_quality_levels_of_the_suburban_lot_are_mixed_and_one_depth_is_unknown() -> None:
    assert {entry.get("quality") for entry in site_file("suburban")["site"]["feature"]} >= {"A", "B", "C", "D"}
    lines = all_features("suburban").query("kind == 'electric_ug'")
    assert sorted(lines["depth"].isna()) == [False, True]


@pytest.mark.parametrize("name", NAMES)
def test_raster_covers_the_lot_with_room_to_spare(name: str) -> None:
    with rasterio.open(ROOT / "data" / name / "dem.tif") as dem:
        unit_m = dem.crs.linear_units_factor[1]
        lot = parcel(name).to_crs(dem.crs).geometry.iloc[0]
        assert box(*dem.bounds).contains(lot.buffer(29 / unit_m))
        heights_m = dem.read(1) * (unit_m if site_file(name)["site"].get("elevation_unit") == "ft" else 1.0)
    assert heights_m.min() > 150
    assert heights_m.max() < 350
    assert np.ptp(heights_m) < 15


def test_corner_lot_is_in_survey_feet_and_school_in_degrees() -> None:
    assert parcel("corner").crs.axis_info[0].unit_name == "US survey foot"
    assert parcel("school").crs.is_geographic


def test_fixed_pad_stands_beside_the_house_clear_of_it() -> None:
    fixed, free = site_file("suburban", "site_pad.toml"), site_file("suburban")
    pad = fixed.pop("pad")
    assert {**fixed, "site": {**fixed["site"], "name": ""}} == {**free, "site": {**free["site"], "name": ""}}
    buildings = gpd.read_file(ROOT / "data" / "suburban" / "buildings.gpkg").set_index("label")
    house, at = buildings.geometry["house"], Point(pad["at"])
    assert at.within(parcel("suburban").geometry.iloc[0])
    # House rule 10 ft between pit and building; the pad is 20 ft wide.
    assert 20 * 0.3048 < at.distance(house) < 15
    assert house.exterior.distance(Point(pad["entry"])) < 0.2


def test_site_files_say_that_all_is_made_up() -> None:
    paths = sorted((ROOT / "data").rglob("*.toml"))
    assert len(paths) == 4
    for path in paths:
        assert "made up" in path.read_text(encoding="utf-8").splitlines()[1], path
