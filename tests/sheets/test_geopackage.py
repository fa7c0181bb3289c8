"""The GeoPackage as others read it: strict validator, sqlite, geopandas, rasterio."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import make
import numpy as np
import pytest
import shapely
from make import SYSTEMS, ask, written
from pyproj import CRS

from loopgis.core.errors import LoopgisError
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.geopackage import write_layouts
from loopgis.sheets.schema import LAYERS

CONTRACT = {
    "parcel": "feature_id kind quality depth_m",
    "buildings": "feature_id kind quality depth_m",
    "features": "feature_id kind quality depth_m",
    "zones": "zone_id rule_id kind mode distance_m min_cover_m citation",
    "pads": "layout_id",
    "bores": "layout_id bore_id pattern source length_m plan_length_m level_length_m max_depth_m min_cover_m entry_pitch_pct"
    " exit_pitch_pct min_radius_m rods pipe_m pull_kn",
    "rods": "layout_id bore_id rod station_m depth_m pitch_pct azimuth_deg note",
    "exits": "layout_id bore_id",
    "headers": "layout_id size length_m",
    "crossings": "layout_id bore_id feature_id station_m angle_deg clearance_m sigma_m risk",
    "clearances": "layout_id bore_id rule_id feature_id required_m provided_m margin_m outcome citation",
    "layouts": "layout_id rank pattern bores total_length_m spacing_min_m spacing_mean_m crossing_risk ewt_min_c ewt_max_c"
    " head_kpa pull_max_kn cost score pareto bound_gap_pct",
    "rod_log": "entry_id layout_id bore_id rod event read_at depth_m pitch_pct roll offset_m x y accuracy_m remark",
}
"""Columns that every file must have. Source: the project's design, layers and columns (contract)."""


@pytest.fixture(scope="module", params=SYSTEMS)
def anywhere(request, tmp_path_factory):
    """The same design in a file of each coordinate system."""
    return written(tmp_path_factory.mktemp("gpkg") / "layouts.gpkg", request.param), request.param


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return written(tmp_path_factory.mktemp("gpkg") / "layouts.gpkg")


def validate(path: Path) -> tuple[int, str]:
    tool = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", "-k", "--extra", "--warning-as-error"]
    run = subprocess.run([*tool, str(path)], capture_output=True, text=True, check=False)
    return run.returncode, run.stdout + run.stderr


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# -- the file as a file ------------------------------------------------------------------------------------------


def test_the_strict_validator_finds_nothing(anywhere):
    path, crs = anywhere
    code, said = validate(path)
    assert code == 0, f"{crs}: {said}"


def test_a_flat_site_has_no_raster_and_is_valid(tmp_path):
    path = written(tmp_path / "flat.gpkg", flat=True)
    code, said = validate(path)
    assert code == 0, said
    assert ask(path, "SELECT 1 FROM gpkg_contents WHERE table_name = 'terrain'") == []
    assert json.loads(ask(path, "SELECT metadata FROM gpkg_metadata")[-1][0])["terrain"] == "flat"


def test_a_design_without_layouts_is_valid(tmp_path):
    path = tmp_path / "none.gpkg"
    write_layouts(path, replace(make.site(), buildings=(), features=()), (), (), version="0.1")
    code, said = validate(path)
    assert code == 0, said
    assert ask(path, "SELECT count(*) FROM bores") == [(0,)]


def test_the_validator_is_strict_enough_to_matter(path, tmp_path):
    """A damaged copy is refused: so the test above can fail."""
    copy = tmp_path / "copy.gpkg"
    copy.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("DROP TRIGGER rtree_bores_geom_insert")
    assert validate(copy)[0] != 0


def test_the_header_says_version_1_2_and_nothing_lies_beside_it(path):
    """Source: facts/gis 1.1, from the container tests of ets-gpkg12."""
    assert ask(path, "PRAGMA application_id") == [(1196444487,)]
    assert ask(path, "PRAGMA user_version") == [(10200,)]
    assert ask(path, "PRAGMA journal_mode") == [("delete",)]
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
    assert ask(path, "PRAGMA foreign_key_check") == []
    assert [p.name for p in path.parent.iterdir()] == ["layouts.gpkg"]


_AGAIN = """
import sys
sys.path[:0] = [sys.argv[1], sys.argv[2]]
from pathlib import Path
from make import written
written(Path(sys.argv[3]))
"""


def test_the_same_design_gives_the_same_bytes_anywhere_and_any_day(path, tmp_path):
    """Another folder, file name, process, hash seed and time zone."""
    place = tmp_path / "some other folder" / "b.gpkg"
    place.parent.mkdir()
    here = Path(__file__).parent
    root = str(here.parents[1])
    environment = {"PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland", "PYTHONPATH": root}
    command = [sys.executable, "-c", _AGAIN, str(here), str(here.parent), str(place)]
    subprocess.run(command, check=True, env=environment, cwd=tmp_path)
    assert digest(place) == digest(path)


def test_another_design_gives_other_bytes(path, tmp_path):
    assert digest(written(tmp_path / "c.gpkg", layouts=1)) != digest(path)
    assert digest(written(tmp_path / "d.gpkg", version="0.2")) != digest(path)


def test_dates_do_not_come_from_the_clock(path):
    dates = ask(path, "SELECT DISTINCT last_change FROM gpkg_contents")
    dates += ask(path, "SELECT DISTINCT timestamp FROM gpkg_metadata_reference")
    dates += ask(path, "SELECT DISTINCT update_time FROM layer_styles")
    assert set(dates) == {("2000-01-01T00:00:00.000Z",)}


# -- layers and columns ------------------------------------------------------------------------------------------


def test_every_layer_of_the_contract_has_its_columns(path):
    for layer, columns in CONTRACT.items():
        there = {row[1] for row in ask(path, f'PRAGMA table_info("{layer}")')}
        assert set(columns.split()) <= there, layer


def test_every_column_is_explained(path):
    rows = ask(path, "SELECT table_name, column_name, description FROM gpkg_data_columns")
    assert {(t, c) for t, c, _ in rows} == {(name, c.name) for name, schema in LAYERS.items() for c in schema.columns}
    assert all(text for *_, text in rows)


def test_value_lists_hold_every_value_that_is_written(path):
    rows = ask(
        path, "SELECT table_name, column_name, constraint_name FROM gpkg_data_columns WHERE constraint_name NOT NULL"
    )
    bound = {(t, c): n for t, c, n in rows}
    wanted = {
        ("features", "kind"): "kind",
        ("features", "quality"): "quality",
        ("zones", "mode"): "mode",
        ("bores", "pattern"): "pattern",
        ("bores", "source"): "source",
        ("clearances", "outcome"): "outcome",
        ("clearances", "basis"): "basis",
        ("rod_log", "roll"): "roll",
    }
    assert wanted.items() <= bound.items()
    for (table, column), name in bound.items():
        allowed = {
            v for (v,) in ask(path, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = ?", name)
        }
        present = {v for (v,) in ask(path, f'SELECT DISTINCT "{column}" FROM "{table}" WHERE "{column}" NOT NULL')}  # noqa: S608
        assert present <= allowed, (table, column)
    sql = "SELECT constraint_type, min, min_is_inclusive, max, max_is_inclusive FROM gpkg_data_column_constraints"
    assert ask(path, sql + " WHERE constraint_name = 'roll'") == [("range", 1, 1, 12, 1)]


def test_what_is_not_known_is_empty_and_never_nought(path):
    empty = "ewt_min_c, ewt_max_c, head_kpa, pull_max_kn, cost, bound_gap_pct, wanted_length_m, min_margin_m"
    assert ask(path, f"SELECT DISTINCT {empty} FROM layouts") == [(None,) * 8]  # noqa: S608
    assert ask(path, "SELECT DISTINCT pull_kn FROM bores") == [(None,)]
    assert ask(path, "SELECT min_radius_m FROM bores WHERE layout_id = 'L-01' ORDER BY bore_id") == [
        (pytest.approx(make.RADIUS_M),),
        (None,),
    ]
    assert ask(path, "SELECT DISTINCT size FROM headers") == [(None,)]
    assert ask(path, "SELECT DISTINCT clearance_m, sigma_m, risk FROM crossings") == [(None, None, None)]
    assert set(ask(path, "SELECT closed, min_cover_m FROM zones")) == {(1, None), (0, 2.4), (0, 0.0)}
    assert set(ask(path, "SELECT provided_m FROM clearances WHERE outcome = 'unverified'")) == {(None,)}
    assert ask(path, "SELECT depth_m FROM features WHERE feature_id = 'pond'") == [(None,)]


def test_no_figure_is_infinite(path):
    for layer, schema in LAYERS.items():
        for column in schema.columns:
            if column.type == "float":
                sql = f'SELECT count(*) FROM "{layer}" WHERE abs("{column.name}") > 1e300'  # noqa: S608
                assert ask(path, sql) == [(0,)], (layer, column.name)


def test_the_worst_outcome_stands_with_bores_and_crossings(path):
    assert ask(path, "SELECT bore_id, outcome FROM bores WHERE rank = 1 ORDER BY bore_id") == [
        ("B-01", "unverified"),
        ("B-02", "pass"),
    ]
    rows = ask(path, "SELECT feature_id, outcome FROM crossings WHERE rank = 1")
    assert dict(rows) == {"pond": "pass_thin", "pipes": None}


def test_the_crew_can_write_its_log_with_plain_sqlite(path, tmp_path):
    """No trigger of a spatial index is in the way."""
    copy = tmp_path / "copy.gpkg"
    copy.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute(
            "INSERT INTO rod_log (entry_id, layout_id, bore_id, rod, depth_m) VALUES ('e1', 'L-01', 'B-01', 3, 1.2)"
        )
    assert ask(copy, "SELECT bore_id, rod, roll FROM rod_log") == [("B-01", 3, None)]
    assert validate(copy)[0] == 0


def test_the_file_says_what_it_is_made_of(path):
    texts = [
        json.loads(text)
        for (text,) in ask(path, "SELECT metadata FROM gpkg_metadata WHERE mime_type = 'application/json'")
    ]
    assert len(texts) == 1
    said, site = texts[0], make.site()
    assert said["loopgis"] == 1
    assert (said["version"], said["site"], said["terrain"]) == ("0.1", "Zoo lot", "raster")
    assert said["rig"]["bend_radius_m"] == site.spec.rig.bend_radius_m
    assert said["bore"] == {"spacing_m": 4.572, "hole_diameter_m": 0.127, "depth_m": [4.572]}
    assert said["given_kinds"] == ["building", "gas_line", "irrigation", "surface_water", "water_well"]
    assert said["inputs"] == [
        {"role": "parcel", "path": "lot.gpkg", "sha256": "0" * 64, "crs": "EPSG:32618", "rows": 1}
    ]
    assert said["cautions"] == list(CAUTIONS)
    assert CRS.from_wkt(said["frame_wkt"]).is_projected
    assert ask(path, "SELECT reference_scope FROM gpkg_metadata_reference") == [("geopackage",)]


# -- what must not be written, and how long it takes -------------------------------------------------------------


def test_a_row_that_does_not_belong_stops_the_writing_and_the_old_file_stays(tmp_path):
    path = written(tmp_path / "layouts.gpkg", layouts=1)
    before = digest(path)
    good = make.layout(1)
    cut = replace(good.bores[0], z_m=np.where(np.arange(len(good.bores[0].z_m)) == 3, np.nan, good.bores[0].z_m))
    flat_pad = replace(good.pad, polygon=shapely.MultiPolygon([good.pad.polygon]))
    for bad, what in (
        (replace(good, bores=(cut,)), "bores: a coordinate is not finite"),
        (replace(good, pad=flat_pad), "pads: a row has MultiPolygon geometry"),
        (replace(good, header=replace(good.header, xyz=good.header.xyz[:, :2])), "headers: a row has no heights"),
    ):
        with pytest.raises(LoopgisError, match=what):
            write_layouts(path, make.site(), make.zones(), [bad], version="0.1")
    assert digest(path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["layouts.gpkg"]


@pytest.mark.parametrize(("layouts", "bores", "level_m", "limit_s"), [(8, 8, 60.0, 1.5), (5, 45, 60.0, 5.0)])
def test_writing_is_quick(tmp_path, layouts, bores, level_m, limit_s):
    """Processor time, so that a busy machine does not matter; bores of about 100 m."""
    made = [make.layout(i + 1, bores=bores, level_m=level_m) for i in range(layouts)]
    assert made[0].bores[0].length_m == pytest.approx(100, abs=10)
    site = make.site()
    start = time.process_time()
    write_layouts(tmp_path / "layouts.gpkg", site, make.zones(), made, version="0.1")
    assert time.process_time() - start < limit_s
