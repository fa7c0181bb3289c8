"""What becomes of a site's layers: kinds, ids, depths, quality, sources, and everything told in one run."""

from __future__ import annotations

import hashlib
import time
from typing import TYPE_CHECKING

import pandas as pd
import pytest
import shapely
from made_up_site import CRS, HOUSE, LOT, codes, error_lines, placed, plain_site, raster, site_file, table
from shapely import affinity

from loopgis.core.errors import InputError
from loopgis.site.read import collect, read_site

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas as gpd

LINE = shapely.LineString([(0, 10), (40, 30)])
SPOT = shapely.Point(10, 20)


def with_layer(folder: Path, rows: gpd.GeoDataFrame, entry: str) -> Path:
    """Site with one more layer, `entry` holding the keys of its [[site.feature]] besides path."""
    rows.to_file(folder / "layer.gpkg")
    return plain_site(folder, f'[[site.feature]]\n{entry}\npath = "layer.gpkg"')


def test_kinds_and_ids_from_columns(tmp_path: Path):
    rows = table(
        [SPOT, LINE, LINE], kind=["Water_Well", "gas_line", "gas_line"], id=[7, 7, None], name=["Old well", None, None]
    )
    site = read_site(with_layer(tmp_path, rows, 'quality = "C"'))
    assert [(f.feature_id, f.kind, f.quality, f.label) for f in site.features] == [
        ("water_well-7", "water_well", "C", "Old well"),
        ("gas_line-7", "gas_line", "C", ""),
        ("gas_line-3", "gas_line", "C", ""),
    ]
    assert site.given_kinds == {"water_well", "gas_line"}


def test_ids_are_unique_over_all_layers(tmp_path: Path):
    table([SPOT, SPOT], feature_id=["W", "W"]).to_file(tmp_path / "a.gpkg")
    table([SPOT], feature_id=["W"]).to_file(tmp_path / "b.gpkg")
    entries = "".join(f'[[site.feature]]\nkind = "water_well"\npath = "{n}.gpkg"\n' for n in "ab")
    site = read_site(plain_site(tmp_path, entries))
    assert [f.feature_id for f in site.features] == ["W", "W-2", "W-3"]


def test_quality_column_goes_before_the_site_file(tmp_path: Path):
    rows = table([LINE] * 5, quality=["b", "QL-A", "", "unknown", "surveyed"])
    path = with_layer(tmp_path, rows, 'kind = "gas_line"\nquality = "D"')
    assert [f.quality for f in read_site(path).features] == ["B", "A", "D", "unknown", "D"]
    assert "surveyed" in codes(path)["quality-unknown"]


def test_depths_by_entry_unit_column_unit_and_text(tmp_path: Path):
    rows = table([LINE] * 5, depth=["4", "4", "4 ft", None, "0"], depth_unit=[None, "m", None, None, None])
    path = with_layer(tmp_path, rows, 'kind = "gas_line"\ndepth_unit = "ft"')
    # 4 ft = 1.2192 m by the international foot, exact (NIST SP 811).
    assert [f.depth_m for f in read_site(path).features] == [
        pytest.approx(1.2192),
        4.0,
        pytest.approx(1.2192),
        None,
        0.0,
    ]


def test_depth_m_needs_no_unit(tmp_path: Path):
    path = with_layer(tmp_path, table([LINE], depth_m=[1.5]), 'kind = "gas_line"')
    assert read_site(path).features[0].depth_m == 1.5


@pytest.mark.parametrize(
    ("depth", "words"),
    [("-3", "positive downwards"), ("deep", "not a number"), ("400", "no depth"), ("nan ft", "not a number")],
)
def test_depths_that_cannot_be(tmp_path: Path, depth: str, words: str):
    path = with_layer(tmp_path, table([LINE], depth=[depth]), 'kind = "gas_line"\ndepth_unit = "m"')
    (line,) = error_lines(path)
    assert "layer.gpkg row 1 depth" in line
    assert words in line


def test_each_row_with_a_slip_is_told_up_to_three(tmp_path: Path):
    path = with_layer(tmp_path, table([LINE] * 6, depth=[-1.0] * 6), 'kind = "gas_line"\ndepth_unit = "m"')
    lines = error_lines(path)
    assert len(lines) == 4
    assert "3 more rows" in lines[-1]


def test_other_columns_become_attributes(tmp_path: Path):
    rows = table([LINE], Foundation=["slab"], width_m=[0.5], Owner=[None])
    feature = read_site(with_layer(tmp_path, rows, 'kind = "gas_line"')).features[0]
    assert feature.attributes == (("foundation", "slab"), ("width_m", "0.5"))
    assert feature.attribute("owner") == "unknown"


def test_a_kind_that_overrules_its_column_is_told(tmp_path: Path):
    path = with_layer(tmp_path, table([LINE, SPOT], kind=["gas_line", "water_well"]), 'kind = "gas_line"')
    assert "water_well" in codes(path)["kind-overruled"]


def test_far_layers_and_rows(tmp_path: Path):
    away = affinity.translate(LINE, 5000, 0)
    path = with_layer(tmp_path, table([away]), 'kind = "gas_line"')
    assert "lies 5.0 km" in codes(path)["layer-far"].replace("4.9 km", "5.0 km")
    assert "gas_line" not in read_site(path).given_kinds
    path = with_layer(tmp_path, table([LINE, away]), 'kind = "gas_line"')
    assert "1 rows lie more than 150 m" in codes(path)["features-far"]
    assert len(read_site(path).features) == 1


def test_of_a_county_layer_only_the_surroundings_are_read(tmp_path: Path):
    grid = [shapely.Point(25.0 * i - 3000, 25.0 * j - 3000) for i in range(150) for j in range(150)]
    path = with_layer(tmp_path, table(grid), 'kind = "water_well"')
    site = read_site(path)
    near = [p for p in grid if p.distance(LOT) <= 149.9]
    assert len(near) <= len(site.features) <= len(near) + 4
    assert next(s for s in site.sources if s.role == "water_well").rows < 4000 < len(grid)


def test_lines_areas_and_parts_stay_one_feature(tmp_path: Path):
    pond = shapely.MultiPolygon([shapely.box(0, 0, 4, 4), shapely.box(9, 9, 12, 12)])
    rows = table(
        [pond, shapely.MultiLineString([LINE, affinity.translate(LINE, 3, 0)])], kind=["surface_water", "gas_line"]
    )
    kinds = [f.geometry.geom_type for f in read_site(with_layer(tmp_path, rows, "")).features]
    assert kinds == ["MultiPolygon", "MultiLineString"]


def test_closed_line_round_a_pond_is_an_area_but_a_ring_main_is_not(tmp_path: Path):
    ring = shapely.LineString([(5, 5), (15, 5), (15, 15), (5, 15), (5, 5)])
    site = read_site(with_layer(tmp_path, table([ring, ring], kind=["surface_water", "water_main"]), ""))
    assert [f.geometry.geom_type for f in site.features] == ["Polygon", "LineString"]
    # a bow-tie of 2 x 25 m2 (facts/gis 3.5): buffer(0) would keep one half
    tie = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    path = with_layer(tmp_path, table([tie], kind=["surface_water"]), "")
    assert read_site(path).features[0].geometry.area == pytest.approx(50.0 * (1 / 0.99969126) ** 2, rel=1e-4)
    assert "1 outlines" in codes(path)["features-repaired"]


def test_sources_name_file_digest_and_rows(tmp_path: Path):
    path = plain_site(tmp_path, site='elevation = "./dem.tif"')
    raster(tmp_path / "dem.tif")
    site = read_site(path)
    assert [(s.role, s.path) for s in site.sources] == [("parcel", "parcel.gpkg"), ("elevation", "./dem.tif")]
    assert site.sources[0].sha256 == hashlib.sha256((tmp_path / "parcel.gpkg").read_bytes()).hexdigest()
    assert site.sources[0].crs == "NAD83 / UTM zone 18N"


def test_building_that_is_most_of_the_lot_is_told(tmp_path: Path):
    table([LOT.buffer(-2)]).to_file(tmp_path / "b.gpkg")
    assert "of the lot" in codes(plain_site(tmp_path, site='buildings = "b.gpkg"'))["building-huge"]
    table([HOUSE]).to_file(tmp_path / "b.gpkg")
    assert "building-huge" not in codes(plain_site(tmp_path, site='buildings = "b.gpkg"'))


def test_ground_temperature_is_told_but_does_not_stop(tmp_path: Path):
    path = plain_site(tmp_path, '[demand]\nheating_peak = "9 kW"')
    assert "52 degF" in codes(path)["ground-temperature"]
    assert read_site(path).kept == ()
    assert "ground-temperature" not in codes(
        plain_site(tmp_path, '[demand]\nheating_peak = "9 kW"\n[ground]\nmean = "9 degC"')
    )


def test_several_parcels_name_a_where_that_works(tmp_path: Path):
    table([LOT, affinity.translate(LOT, 100, 0)], PIN=["a'1", "b2"]).to_file(tmp_path / "parcel.gpkg")
    (line,) = error_lines(site_file(tmp_path))
    where = line.split('where = "')[1].removesuffix('"')
    site = read_site(site_file(tmp_path, parcel=f'{{ path = "parcel.gpkg", where = "{where}" }}'))
    assert site.parcel_id == "a'1"


def test_lot_drawn_as_separate_lines(tmp_path: Path):
    corners = list(LOT.exterior.coords)
    sides = [shapely.LineString(corners[i : i + 2]) for i in range(len(corners) - 1)]
    table(sides).to_file(tmp_path / "parcel.gpkg")
    site = read_site(site_file(tmp_path))
    assert site.parcel.area == pytest.approx(LOT.area / 0.99969126**2, rel=1e-5)
    table(sides[:-1]).to_file(tmp_path / "open.gpkg")
    assert "holds 4 parcels" in error_lines(site_file(tmp_path, parcel='"open.gpkg"'))[0]


def test_site_file_crs_goes_before_a_file_that_lies(tmp_path: Path):
    table([LOT]).set_crs("EPSG:4326", allow_override=True).to_file(tmp_path / "parcel.shp")
    assert "degrees" in error_lines(site_file(tmp_path, parcel='"parcel.shp"'))[0]
    path = site_file(tmp_path, parcel='"parcel.shp"', site=f'parcel_crs = "{CRS}"')
    assert read_site(path).parcel.area == pytest.approx(LOT.area / 0.99969126**2, rel=1e-5)
    assert "WGS 84" in codes(path)["crs-overruled"]


def test_lot_where_its_system_is_not_meant_to_be_used(tmp_path: Path):
    table([LOT]).set_crs("EPSG:2263", allow_override=True).to_file(tmp_path / "parcel.gpkg")
    assert "Long Island" in codes(site_file(tmp_path))["crs-area"]


def test_shapefile_text_without_a_named_encoding(tmp_path: Path):
    for encoding in ("UTF-8", "CP1252"):
        table([LOT], parcel_id=["Gärten 4"]).to_file(tmp_path / "parcel.shp", encoding=encoding)
        (tmp_path / "parcel.cpg").unlink()
        assert read_site(site_file(tmp_path, parcel='"parcel.shp"')).parcel_id == "Gärten 4"


def test_survey_list_of_points(tmp_path: Path):
    where = placed(SPOT)
    (tmp_path / "w.csv").write_text(f"Name,Easting,Northing\nOld well,{where.x},{where.y}\n")
    entry = f'[[site.feature]]\nkind = "water_well"\npath = {{ path = "w.csv", crs = "{CRS}" }}'
    (well,) = read_site(plain_site(tmp_path, entry)).features
    assert well.label == "Old well"
    assert well.geometry.geom_type == "Point"


def test_control_characters_of_a_file_do_not_reach_the_terminal(tmp_path: Path):
    path = with_layer(tmp_path, table([LINE], kind=["\x1b[2Jgas\nline"]), "")
    (line,) = error_lines(path)
    assert line.isprintable()


def test_without_a_lot_the_other_layers_are_still_looked_at(tmp_path: Path):
    extra = '[[site.feature]]\nkind = "gas_line"\npath = "g.gpkg"\n[rig]\nrod_length = 10'
    path = site_file(tmp_path, extra, site='buildings = "b.gpkg"\nelevation = "dem.tif"', parcel='"no.gpkg"')
    lines = error_lines(path)
    assert len(lines) == 5
    for name in ("no.gpkg", "b.gpkg", "g.gpkg", "dem.tif", "rod_length"):
        assert sum(name in line for line in lines) == 1, name
    with pytest.raises(InputError, match=r"and 4 more: run `loopgis check`"):
        read_site(path)


def test_findings_of_a_good_site_are_its_own(tmp_path: Path):
    site, findings = collect(plain_site(tmp_path))
    assert site is not None
    assert site.findings == findings
    assert [f.code for f in findings] == ["flat", "no-buildings"]


def test_reading_a_site_is_quick(tmp_path: Path):
    rows = pd.concat([table([affinity.translate(LINE, n, 0)], kind=["gas_line"]) for n in range(30)])
    rows.to_file(tmp_path / "layer.gpkg")
    raster(tmp_path / "dem.tif", cell=1.0)
    entries = '[[site.feature]]\npath = "layer.gpkg"\n' * 4
    path = plain_site(tmp_path, entries, site='elevation = "dem.tif"')
    read_site(path)
    times = []
    for _ in range(3):
        start = time.process_time()
        read_site(path)
        times.append(time.process_time() - start)
    assert min(times) < 0.4
