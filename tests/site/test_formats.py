"""One lot in every format people bring, whole and broken: always the same ground, or one clear line."""

from __future__ import annotations

import json
import zipfile
from typing import TYPE_CHECKING, Any

import fiona
import numpy as np
import pyogrio
import pytest
import shapely
from one_lot import BUILDING, HOME, LOT, at_home, codes, layer, moved, refused, ring, site_of, table
from shapely.geometry import mapping

from loopgis.core.errors import InputError
from loopgis.site.read import read_site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

FAR = 1e-3
DEGREES = "EPSG:4269"


@pytest.fixture
def reference(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("reference")
    layer(folder / "parcel.gpkg", LOT)
    return site_of(folder).parcel


def close(found: Any, wanted: Any, tolerance: float) -> None:
    """The same ring, vertex by vertex, wherever it starts and however it turns."""
    a, b = ring(found), ring(wanted)
    assert len(a) == len(b)
    gap = min(np.abs(np.roll(side, n, axis=0) - b).max() for side in (a, a[::-1]) for n in range(len(b)))
    assert gap <= tolerance, gap


def geopackage(folder: Path) -> str:
    layer(folder / "many.gpkg", BUILDING, name="houses")
    layer(folder / "many.gpkg", LOT, name="lots")
    return '{ path = "many.gpkg", layer = "lots" }'


def geopackage_fiona(folder: Path) -> str:
    schema = {"geometry": "Polygon", "properties": {"parcel_id": "str"}}
    with fiona.open(folder / "own.gpkg", "w", driver="GPKG", crs=HOME, schema=schema) as out:
        out.write({"geometry": mapping(LOT), "properties": {"parcel_id": "p1"}})
    return '"own.gpkg"'


def shapefile(folder: Path) -> str:
    layer(folder / "lot.shp", LOT, parcel_identifier=["Größe"])
    return '"lot.shp"'


def shapefile_bare(folder: Path) -> str:
    shapefile(folder)
    (folder / "lot.prj").unlink()
    (folder / "lot.cpg").unlink()
    return f'{{ path = "lot.shp", crs = "{HOME}" }}'


def shapefile_empty_prj(folder: Path) -> str:
    shapefile(folder)
    (folder / "lot.prj").write_text("")
    return f'{{ path = "lot.shp", crs = "{HOME}" }}'


def shapefile_zipped(folder: Path) -> str:
    shapefile(folder)
    with zipfile.ZipFile(folder / "lot.zip", "w") as bundle:
        for file in folder.glob("lot.[sdpc]*"):
            bundle.write(file, file.name)
    return '"lot.zip"'


def geojson(folder: Path) -> str:
    layer(folder / "lot.geojson", LOT, crs="EPSG:4326")
    return '"lot.geojson"'


def geojson_crs_member(folder: Path) -> str:
    layer(folder / "lot.geojson", LOT, crs="EPSG:2263")
    assert "crs" in json.loads((folder / "lot.geojson").read_text())
    return '"lot.geojson"'


def kml(folder: Path) -> str:
    pyogrio.write_dataframe(table(moved(LOT, "EPSG:4326"), crs="EPSG:4326"), folder / "lot.kml", driver="LIBKML")
    return '"lot.kml"'


def file_gdb(folder: Path) -> str:
    rows = table(shapely.MultiPolygon([LOT]))
    pyogrio.write_dataframe(rows, folder / "lot.gdb", layer="lots", driver="OpenFileGDB", geometry_type="MultiPolygon")
    return '"lot.gdb"'


def flatgeobuf(folder: Path) -> str:
    layer(folder / "lot.fgb", LOT)
    return '"lot.fgb"'


def dxf(folder: Path) -> str:
    with fiona.open(folder / "lot.dxf", "w", driver="DXF", schema={"geometry": "LineString", "properties": {}}) as out:
        out.write({"geometry": mapping(LOT.exterior) | {"type": "LineString"}, "properties": {}})
    return f'{{ path = "lot.dxf", crs = "{HOME}" }}'


def csv_wkt(folder: Path) -> str:
    (folder / "lot.csv").write_text(f'id,WKT\n7,"{LOT.wkt}"\n')
    return f'{{ path = "lot.csv", crs = "{HOME}" }}'


def csv_geom(folder: Path) -> str:
    (folder / "lot.csv").write_text(f'id,geom\n7,"{LOT.wkt}"\n')
    return f'{{ path = "lot.csv", crs = "{HOME}" }}'


def gml(folder: Path) -> str:
    pyogrio.write_dataframe(table(LOT), folder / "lot.gml", driver="GML")
    return '"lot.gml"'


def mapinfo(folder: Path) -> str:
    pyogrio.write_dataframe(table(LOT), folder / "lot.tab", driver="MapInfo File")
    return '"lot.tab"'


WRITERS: list[tuple[Callable[[Path], str], float]] = [
    (geopackage, 0.0),
    (geopackage_fiona, 0.0),
    (shapefile, 1e-9),
    (shapefile_bare, 1e-9),
    (shapefile_empty_prj, 1e-9),
    (shapefile_zipped, 1e-9),
    (geojson, 0.02),  # 7 decimals of a degree
    (geojson_crs_member, 1e-6),
    (kml, 1e-6),
    (file_gdb, FAR),  # its grid is 0.1 mm
    (flatgeobuf, 1e-9),
    (dxf, 1e-9),
    (csv_wkt, 1e-9),
    (csv_geom, 1e-9),
    (gml, 1e-6),
    (mapinfo, 0.02),  # integer grid
]


@pytest.mark.parametrize(("writer", "tolerance"), WRITERS, ids=[w.__name__ for w, _ in WRITERS])
def test_same_lot_in_every_format(
    writer: Callable[[Path], str], tolerance: float, tmp_path: Path, reference: Any
) -> None:
    site = site_of(tmp_path, parcel=writer(tmp_path))
    close(site.parcel, reference, tolerance)
    assert site.sources[0].role == "parcel"
    assert site.sources[0].rows == 1


def test_row_picked_by_where(tmp_path: Path, reference: Any) -> None:
    layer(tmp_path / "parcel.gpkg", BUILDING, LOT)
    site = site_of(tmp_path, parcel='{ path = "parcel.gpkg", where = "parcel_id = \'p2\'" }')
    assert site.parcel_id == "p2"
    assert site.parcel.equals(reference)


def test_feet_without_crs_in_geojson_refused(tmp_path: Path) -> None:
    layer(tmp_path / "lot.geojson", LOT, crs="EPSG:2263")
    path = tmp_path / "lot.geojson"
    data = json.loads(path.read_text())
    del data["crs"]
    path.write_text(json.dumps(data))
    text = refused(tmp_path, parcel='"lot.geojson"')
    assert "says it is in degrees" in text
    assert "crs =" in text
    site = site_of(tmp_path, parcel='{ path = "lot.geojson", crs = "EPSG:2263" }')
    assert site.parcel.area == pytest.approx(LOT.area / 0.9996913**2, rel=1e-5)


@pytest.mark.parametrize("writer", [shapefile_bare, dxf, csv_wkt])
def test_missing_crs_stops_the_run(writer: Callable[[Path], str], tmp_path: Path) -> None:
    path = writer(tmp_path).split('"')[1]
    assert "no coordinate reference system" in refused(tmp_path, parcel=f'"{path}"')


def shell_with_hole() -> Any:
    return shapely.Polygon(
        at_home([(0, 0), (60, 0), (60, 50), (0, 50)]), [at_home([(20, 20), (30, 20), (30, 30), (20, 30)])]
    )


def test_hole_in_the_lot_is_kept(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", shell_with_hole())
    parcel = site_of(tmp_path).parcel
    assert len(parcel.interiors) == 1
    assert parcel.area == pytest.approx(2900 / 0.9996913**2, rel=1e-5)


def test_largest_of_several_parts_is_the_lot(tmp_path: Path) -> None:
    small = shapely.box(*at_home([(200, 0)])[0], *at_home([(210, 10)])[0])
    layer(tmp_path / "parcel.gpkg", shapely.MultiPolygon([small, LOT]))
    site = site_of(tmp_path)
    assert "parcel-parts" in codes(site.findings)
    assert site.parcel.area == pytest.approx(LOT.area, rel=1e-3)


def test_bow_tie_keeps_both_halves_told(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", shapely.Polygon(at_home([(0, 0), (40, 40), (40, 0), (0, 50)])))
    site = site_of(tmp_path)
    assert {"parcel-repaired", "parcel-parts"} <= codes(site.findings)
    assert site.parcel.is_valid


def test_spike_is_cut_off(tmp_path: Path) -> None:
    layer(
        tmp_path / "parcel.gpkg",
        shapely.Polygon(at_home([(0, 0), (40, 0), (40, 30), (20, 30), (20, 60), (20, 30), (0, 30)])),
    )
    site = site_of(tmp_path)
    assert site.parcel.area == pytest.approx(1200, rel=1e-3)
    assert site.parcel.bounds[3] - site.parcel.bounds[1] == pytest.approx(30, abs=0.6)  # turned by the convergence


def test_repeated_vertices_change_nothing(tmp_path: Path, reference: Any) -> None:
    points = shapely.get_coordinates(LOT)
    layer(tmp_path / "parcel.gpkg", shapely.Polygon(np.repeat(points, [3, 1, 2, 1, 1, 4, 1], axis=0)))
    close(site_of(tmp_path).parcel, reference, 0.0)


def test_lot_with_heights_is_flattened(tmp_path: Path, reference: Any) -> None:
    layer(tmp_path / "parcel.gpkg", shapely.force_3d(LOT, 12.5))
    parcel = site_of(tmp_path).parcel
    assert not parcel.has_z
    assert parcel.equals(reference)


def test_closed_line_is_a_lot_and_an_open_one_is_not(tmp_path: Path, reference: Any) -> None:
    layer(tmp_path / "parcel.gpkg", shapely.LineString(LOT.exterior.coords))
    close(site_of(tmp_path).parcel, reference, 0.0)
    layer(tmp_path / "open.gpkg", shapely.LineString(list(LOT.exterior.coords)[:-2]))
    assert "without area" in refused(tmp_path, parcel='"open.gpkg"')


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1.8e308, 3e12])
def test_coordinates_that_are_no_place(bad: float, tmp_path: Path) -> None:
    points = [list(p) for p in LOT.exterior.coords[:-1]]
    points[2][0] = bad
    layer(tmp_path / "parcel.gpkg", shapely.Polygon(points))
    assert len(refused(tmp_path)) < 200
    layer(tmp_path / "lot.gpkg", LOT)
    layer(tmp_path / "houses.gpkg", shapely.Polygon(points), BUILDING)
    site = site_of(tmp_path, parcel='"lot.gpkg"', site='buildings = "houses.gpkg"')
    assert "features-unusable" in codes(site.findings)
    assert len(site.buildings) == 1


def test_one_bad_row_does_not_condemn_a_layer_in_degrees(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    rows = table(moved(BUILDING, DEGREES), shapely.Point(-1.7e308, 4e4), crs=DEGREES)
    pyogrio.write_dataframe(rows, tmp_path / "houses.gpkg")
    site = site_of(tmp_path, site='buildings = "houses.gpkg"')
    assert len(site.buildings) == 1
    assert "features-unusable" in codes(site.findings)


def test_empty_layer_means_none_here(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    pyogrio.write_dataframe(table(), tmp_path / "wells.gpkg", geometry_type="Point")
    site = site_of(tmp_path, '[[site.feature]]\nkind = "water_well"\npath = "wells.gpkg"')
    assert "layer-empty" in codes(site.findings)
    assert "water_well" in site.given_kinds
    assert site.features == ()


def test_empty_parcel_layer_refused(tmp_path: Path) -> None:
    pyogrio.write_dataframe(table(), tmp_path / "parcel.gpkg", geometry_type="Polygon")
    assert "holds no parcel" in refused(tmp_path)


def test_null_and_empty_geometry_refused(tmp_path: Path) -> None:
    for n, shape in enumerate([None, shapely.Polygon()]):
        pyogrio.write_dataframe(table(shape), tmp_path / f"p{n}.gpkg", geometry_type="Polygon")
        assert "no outline" in refused(tmp_path, parcel=f'"p{n}.gpkg"')


def test_three_dimensional_faces_of_one_house_are_joined(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    a, b = at_home([(30, 8), (45, 18)])
    (x0, y0), (x1, y1), xm = a, b, (a[0] + b[0]) / 2
    roof = [
        shapely.Polygon([(x0, y0, 3), (xm, y0, 6), (xm, y1, 6), (x0, y1, 3)]),
        shapely.Polygon([(xm, y0, 6), (x1, y0, 3), (x1, y1, 3), (xm, y1, 6)]),
    ]
    wall = shapely.Polygon([(x0, y0, 0), (x1, y0, 0), (x1, y0, 3), (x0, y0, 3)])
    layer(tmp_path / "houses.gpkg", *roof, wall, id=["h1", "h1", "h1"])
    site = site_of(tmp_path, site='buildings = "houses.gpkg"')
    assert len(site.buildings) == 1
    assert site.buildings[0].geometry.area == pytest.approx(150, rel=1e-3)
    assert not site.buildings[0].geometry.has_z


def test_houses_apart_stay_apart_though_an_id_column_is_all_zero(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    layer(tmp_path / "houses.shp", BUILDING, shapely.affinity.translate(BUILDING, 20, 20), Id=[0, 0])
    site = site_of(tmp_path, site='buildings = "houses.shp"')
    assert len(site.buildings) == 2
    assert len({b.feature_id for b in site.buildings}) == 2


def test_half_edited_file_is_refused(tmp_path: Path) -> None:
    layer(tmp_path / "parcel.gpkg", LOT)
    (tmp_path / "parcel.gpkg-wal").write_bytes(b"x" * 40)
    with pytest.raises(InputError, match="is being edited"):
        site_of(tmp_path)


def test_reading_changes_no_byte(tmp_path: Path) -> None:
    geopackage(tmp_path)
    shapefile(tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    (tmp_path / "site.toml").write_text(
        '[site]\nparcel = "lot.shp"\nbuildings = { path = "many.gpkg", layer = "houses" }\n'
    )
    read_site(tmp_path / "site.toml")
    after = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.name != "site.toml"}
    assert after == before
