"""Geometry and terrain in the GeoPackage as geopandas and rasterio read them, in every coordinate system."""

from __future__ import annotations

import geopandas
import make
import numpy as np
import pytest
import rasterio
import shapely
from make import SYSTEMS, ask, written
from pyproj import CRS, Geod, Transformer

from loopgis.bore.rods import rod_table

GEOMETRY = {
    "parcel": ("POLYGON", 0),
    "buildings": ("MULTIPOLYGON", 0),
    "features": ("GEOMETRY", 0),
    "zones": ("MULTIPOLYGON", 0),
    "pads": ("POLYGON", 0),
    "bores": ("LINESTRING", 1),
    "rods": ("POINT", 1),
    "exits": ("POINT", 1),
    "headers": ("LINESTRING", 1),
    "crossings": ("POINT", 1),
    "ground_change": ("POINT", 0),
    "stations": ("POINT", 1),
    "refused": ("LINESTRING", 0),
}


@pytest.fixture(scope="module", params=SYSTEMS)
def anywhere(request, tmp_path_factory):
    """The same design in a file of each coordinate system."""
    return written(tmp_path_factory.mktemp("gpkg") / "layouts.gpkg", request.param), request.param


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return written(tmp_path_factory.mktemp("gpkg") / "layouts.gpkg")


def test_geometry_types_are_declared_strictly(path):
    rows = ask(path, "SELECT table_name, geometry_type_name, z, m FROM gpkg_geometry_columns")
    assert {name: (kind, z) for name, kind, z, _ in rows} == GEOMETRY
    assert {m for *_, m in rows} == {0}


def in_metres(shape, crs: CRS) -> np.ndarray:
    """(n, 3) coordinates on a transverse Mercator of our own at the lot, on the layer's datum: not the site's frame."""
    xyz = shapely.get_coordinates(shape, include_z=True)
    flat = (crs.sub_crs_list[0] if crs.is_compound else crs).to_2d()
    datum = "NAD83" if "NAD83" in flat.geodetic_crs.name else "WGS84"
    local = CRS.from_proj4(f"+proj=tmerc +lat_0={make.LAT} +lon_0={make.LON} +k=1 +datum={datum}")
    x, y = Transformer.from_crs(flat, local, always_xy=True).transform(xyz[:, 0], xyz[:, 1])
    return np.column_stack([x, y, xyz[:, 2]])


def test_layers_come_back_in_the_parcels_own_crs(anywhere):
    path, crs = anywhere
    for layer in set(GEOMETRY) - {"ground_change", "refused"}:  # empty without a demand, and without an edit
        frame = geopandas.read_file(path, layer=layer)
        wanted, found = CRS.from_user_input(crs.split("+")[0]), CRS.from_user_input(frame.crs)
        assert found.to_authority() == wanted.to_authority(), layer
        x, y = frame.geometry.iloc[0].centroid.coords[0]
        expected = Transformer.from_crs("EPSG:4326", wanted, always_xy=True).transform(make.LON, make.LAT)
        unit = wanted.axis_info[0].unit_conversion_factor
        near = 1e-3 if wanted.is_geographic else 70 / unit
        assert (x, y) == pytest.approx(expected[:2], abs=near), layer


def test_every_vertex_of_a_bore_has_a_height_and_its_length_is_the_drilled_length(anywhere):
    path, _ = anywhere
    bores = geopandas.read_file(path, layer="bores")
    assert len(bores) == 4
    crs = CRS.from_user_input(bores.crs)
    for row in bores.itertuples():
        points = in_metres(row.geometry, crs)
        assert np.isfinite(points).all()
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        assert steps.max() <= 0.5
        assert steps.sum() == pytest.approx(row.length_m, abs=1e-3)
        flat = np.linalg.norm(np.diff(points[:, :2], axis=0), axis=1).sum()
        assert flat == pytest.approx(row.plan_length_m, abs=1e-3)
        assert row.length_m - flat > 0.5


def test_all_3d_layers_have_heights_on_every_vertex(anywhere):
    path, _ = anywhere
    for layer, (_, z) in GEOMETRY.items():
        if layer in {"ground_change", "refused"}:
            continue  # empty without a demand
        shapes = geopandas.read_file(path, layer=layer).geometry
        assert set(shapes.has_z) == {bool(z)}, layer
        if z:
            assert np.isfinite(shapely.get_coordinates(shapes, include_z=True)).all(), layer


def test_features_keep_their_kind_of_geometry(path):
    frame = geopandas.read_file(path, layer="features").set_index("feature_id")
    assert frame.geometry.geom_type.to_dict() == {
        "gas": "LineString",
        "well": "Point",
        "pond": "Polygon",
        "pipes": "MultiLineString",
    }
    assert frame.loc["gas", ["code", "quality", "depth_m", "width_m"]].tolist() == ["G", "B", 0.9, 0.1]
    lot = geopandas.read_file(path, layer="parcel").geometry.iloc[0]
    assert in_area_m2(lot) == pytest.approx(90 * 70, rel=1e-6)


def in_area_m2(shape) -> float:
    """Area on the ground of a shape in UTM zone 18, by an ellipsoid of our own."""
    lonlat = shapely.transform(shape, Transformer.from_crs(32618, 4326, always_xy=True).transform, interleaved=False)
    return abs(Geod(ellps="WGS84").geometry_area_perimeter(lonlat)[0])


def test_rods_follow_the_bore_from_entry_to_exit(path):
    bores = geopandas.read_file(path, layer="bores").set_index(["layout_id", "bore_id"])
    exits = geopandas.read_file(path, layer="exits").set_index(["layout_id", "bore_id"])
    rods = geopandas.read_file(path, layer="rods")
    layout = make.layout(1)
    for (layout_id, bore_id), group in rods.groupby(["layout_id", "bore_id"]):
        line = shapely.get_coordinates(bores.loc[(layout_id, bore_id), "geometry"], include_z=True)
        ends = shapely.get_coordinates(group.geometry, include_z=True)
        np.testing.assert_allclose(ends[[0, -1]], line[[0, -1]], atol=1e-6)
        exit_at = shapely.get_coordinates(exits.loc[(layout_id, bore_id), "geometry"], include_z=True)
        np.testing.assert_allclose(exit_at, line[[-1]], atol=1e-6)
        assert group.rod.tolist() == list(range(len(group)))
        assert group.note.iloc[[0, -1]].tolist() == ["entry", "exit"]
        assert group.station_m.iloc[1] == pytest.approx(3.048)
        assert len(group) == bores.loc[(layout_id, bore_id), "rods"] + 1
        if layout_id == "L-01":
            made = next(b for b in layout.bores if b.bore_id == bore_id)
            assert [r.depth_m for r in rod_table(made, 3.048)] == pytest.approx(group.depth_m.tolist())


def test_the_terrain_comes_back_as_metres_with_its_gaps(anywhere):
    path, crs = anywhere
    made = make.terrain(make.frame(crs))
    with rasterio.open(path, driver="GPKG", TABLE="terrain") as source:
        assert source.dtypes == ("float32",)
        assert source.units == ("m",)
        assert source.transform.to_gdal() == pytest.approx(rasterio.Affine(*made.affine).to_gdal())
        assert CRS.from_wkt(source.crs.to_wkt()).is_projected
        cells = source.read(1, masked=True)
    assert cells.mask.sum() == np.isnan(made.z_m).sum() == 12
    np.testing.assert_array_equal(cells.filled(np.nan), made.z_m.astype(np.float32))
