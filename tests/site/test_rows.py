"""Rows of layers into features: columns in any spelling, kinds, quality, depth, ids, and rows that cannot be used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
import pyogrio
import pytest
import shapely
from one_lot import BUILDING, LOT, at_home, codes, findings_of, layer, raster, refused, site_of, table

if TYPE_CHECKING:
    from pathlib import Path

WELL = shapely.Point(at_home([(20, 40)])[0])
LINE = shapely.LineString(at_home([(0, 10), (60, 40)]))
GAS = '[[site.feature]]\nkind = "gas_line"\npath = "x.gpkg"\ndepth_unit = "ft"'
ANY = '[[site.feature]]\npath = "x.gpkg"'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    layer(tmp_path / "parcel.gpkg", LOT)
    return tmp_path


def features(folder: Path, body: str, *shapes: Any, **columns: Any) -> tuple[Any, ...]:
    (folder / "x.gpkg").unlink(missing_ok=True)
    layer(folder / "x.gpkg", *shapes, **columns)
    return site_of(folder, body).features


def errors(folder: Path, body: str, *shapes: Any, **columns: Any) -> list[str]:
    (folder / "x.gpkg").unlink(missing_ok=True)
    layer(folder / "x.gpkg", *shapes, **columns)
    return [f.line() for f in findings_of(folder, body) if f.severity == "error"]


@pytest.mark.parametrize(
    ("depth", "depth_m"),
    [("3", 0.9144), ("4 ft", 1.2192), ("1.2 m", 1.2), ("", None), (None, None), ("0", 0.0)],
)
def test_depth_as_text(folder: Path, depth: str | None, depth_m: float | None) -> None:
    (feature,) = features(folder, GAS, LINE, depth=[depth])
    assert feature.depth_m == (None if depth_m is None else pytest.approx(depth_m))


def test_depth_columns_and_their_order(folder: Path) -> None:
    (a, b, c) = features(
        folder, GAS, LINE, LINE, LINE, depth_m=[2.0, None, None], depth=[9.0, 3.0, 30.0], depth_unit=["ft", "", "in"]
    )
    assert [a.depth_m, b.depth_m, c.depth_m] == pytest.approx([2.0, 0.9144, 0.762])


@pytest.mark.parametrize("depth", ["x", "3,5", "3 kW", float("inf"), -3.0, 5000.0, pd.Timestamp("2026-01-01"), True])
def test_depths_that_are_none(folder: Path, depth: Any) -> None:
    (line,) = errors(folder, GAS, LINE, depth=[depth])
    assert "x.gpkg row 1 depth" in line
    assert ";" in line


def test_kinds_of_a_column(folder: Path) -> None:
    found = features(folder, ANY, LINE, WELL, kind=["gas_line", "Water_Well"])
    assert [f.kind for f in found] == ["gas_line", "water_well"]
    lines = errors(folder, ANY, *[LINE] * 8, kind=["gas_line", "gasline", None, "", "x", "y", "z", "gas_line"])
    assert "'gas_line'" in lines[0]
    assert "row 2" in lines[0]
    assert len(lines) == 4
    assert "3 more rows" in lines[-1]


def test_a_layer_of_another_place_does_not_count_as_given(folder: Path) -> None:
    layer(folder / "x.gpkg", shapely.affinity.translate(WELL, 5000, 0), kind=["water_well"])
    site = site_of(folder, ANY)
    assert site.features == ()
    assert "water_well" not in site.given_kinds
    assert "layer-far" in codes(site.findings)


def test_quality_in_every_spelling(folder: Path) -> None:
    words = ["b", "QL-C", "qld", "Z", None, "", "unknown"]
    layer(folder / "x.gpkg", *[LINE] * 7, quality=words)
    site = site_of(folder, f'{GAS}\nquality = "A"')
    assert [f.quality for f in site.features][:3] == ["B", "C", "D"]
    assert [f.quality for f in site.features][4:] == ["A", "A", "unknown"]
    (told,) = [f for f in site.findings if f.code == "quality-unknown"]
    assert "Z" in told.message


def test_column_names_in_capitals(folder: Path) -> None:
    (feature,) = features(folder, ANY, LINE, KIND=["gas_line"], QUALITY=["B"], DEPTH_M=[1.5], OWNER=["Tarn Gas"])
    assert (feature.kind, feature.quality, feature.depth_m) == ("gas_line", "B", 1.5)
    assert feature.attribute("owner") == "Tarn Gas"
    assert feature.attribute("use") == "unknown"


def test_ids_are_single(folder: Path) -> None:
    found = features(
        folder,
        f'{ANY}\n[[site.feature]]\nkind = "telecom"\npath = "x.gpkg"',
        LINE,
        LINE,
        LINE,
        feature_id=["g", "g", "lot"],
        kind=["gas_line"] * 3,
    )
    ids = [f.feature_id for f in found]
    assert len(set(ids)) == 6
    assert "lot" not in ids, "the lot's own id is taken"
    assert ids[0] == "g"


def test_numbers_as_ids_carry_the_kind(folder: Path) -> None:
    found = features(folder, GAS, LINE, LINE, id=[7.0, None])
    assert [f.feature_id for f in found] == ["gas_line-7", "gas_line-2"]


def test_collections(folder: Path) -> None:
    mixed = shapely.GeometryCollection([LINE, WELL])
    lines = shapely.GeometryCollection([LINE, shapely.affinity.translate(LINE, 0, 5)])
    area = shapely.GeometryCollection([WELL.buffer(3), LINE])
    found = features(folder, GAS, mixed, lines, area)
    assert [f.geometry.geom_type.removeprefix("Multi") for f in found] == ["Polygon", "LineString", "Polygon"]
    assert found[0].geometry.length > 2 * LINE.length * 0.99, "the line is in it"
    assert found[2].geometry.area > WELL.buffer(3).area * 0.99 + 0.09 * LINE.length


def test_buildings_need_an_outline(folder: Path) -> None:
    layer(folder / "points.gpkg", WELL, WELL)
    assert "none of its 2 rows" in refused(folder, site='buildings = "points.gpkg"')
    ring = BUILDING.exterior.coords
    layer(folder / "mixed.gpkg", WELL, shapely.LineString(ring), shapely.LineString(list(ring)[:-1]))
    site = site_of(folder, site='buildings = "mixed.gpkg"')
    assert [b.geometry.geom_type for b in site.buildings] == ["Polygon"]
    (told,) = [f for f in site.findings if f.code == "features-unusable"]
    assert "2 of 3" in told.message


def test_points_twice_and_lines_of_no_length(folder: Path) -> None:
    found = features(folder, GAS, shapely.MultiPoint([WELL, WELL]), shapely.LineString([WELL, WELL]), LINE)
    assert [f.geometry.geom_type for f in found] == ["Point", "LineString"]


def test_all_layers_tell_their_errors_in_one_run(folder: Path) -> None:
    body = "\n".join(f'[[site.feature]]\nkind = "telecom"\npath = "t{n}.gpkg"' for n in range(4))
    found = findings_of(folder, f"{body}\n[pad]\nat = [1, 2]", site='buildings = "b.gpkg"\nelevation = "d.tif"')
    named = " ".join(f.line() for f in found if f.severity == "error")
    for words in ("t0.gpkg", "t1.gpkg", "t2.gpkg", "t3.gpkg", "b.gpkg", "d.tif", "[pad] at"):
        assert words in named


def test_elevation_takes_no_layer_and_unknown_units_are_named(folder: Path) -> None:
    raster(folder / "dem.tif", lambda x, y: 50 + 0 * x, unit="furlong")
    assert "layer and where do not apply" in refused(folder, site='elevation = { path = "dem.tif", layer = "x" }')
    (told,) = [f for f in findings_of(folder, site='elevation = "dem.tif"') if f.code == "vertical-unit"]
    assert "furlong" in told.message


def test_list_of_coordinates_and_where_do_not_go_together(folder: Path) -> None:
    (folder / "w.csv").write_text("kind,x,y\nwater_well,586020,4511440\ngas_line,586030,4511440\n")
    ref = '{ path = "w.csv", crs = "EPSG:26918"%s }'
    found = site_of(folder, f"[[site.feature]]\npath = {ref % ''}").features
    assert [f.kind for f in found] == ["water_well", "gas_line"]
    where = ref % ", where = \"kind = 'gas_line'\""
    assert "where cannot pick rows" in refused(folder, f"[[site.feature]]\npath = {where}")


def test_table_without_geometry(folder: Path) -> None:
    pyogrio.write_dataframe(pd.DataFrame({"a": [1]}), folder / "x.gpkg")
    assert "has no geometry" in refused(folder, GAS)
    pyogrio.write_dataframe(table(LINE).rename_geometry("shape"), folder / "y.gpkg")
    assert len(site_of(folder, GAS.replace("x.gpkg", "y.gpkg")).features) == 1
