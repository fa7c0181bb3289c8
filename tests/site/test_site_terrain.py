"""Elevation rasters: cover, holes, edges, and figures that cannot be meant."""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rasterio
from made_up_site import codes, error_lines, plain_site, raster
from rasterio.transform import from_origin

from loopgis.site import terrain
from loopgis.site.read import read_site

if TYPE_CHECKING:
    from pathlib import Path

DEM = 'elevation = "dem.tif"'
N = 120


def hole(rows: slice, cols: slice) -> Any:
    """Mask over the cells of a usual raster; the lot lies at columns 39 to 70 and rows 39 to 65."""
    mask = np.zeros((N, N), dtype=bool)
    mask[rows, cols] = True
    return mask


def test_few_holes_are_filled_only_at_the_lot(tmp_path: Path):
    raster(
        tmp_path / "dem.tif", nodata=-9999.0, holes=hole(slice(52, 53), slice(50, 51)) | hole(slice(0, 20), slice(0, N))
    )
    path = plain_site(tmp_path, site=DEM)
    assert "filled" in codes(path)["raster-holes"]
    ground = read_site(path).terrain
    assert np.isfinite(ground.at(np.zeros(1), np.zeros(1))).all()
    assert np.isnan(ground.z_m).any(), "ground far from the lot stays unknown"


def test_many_holes_are_an_error_with_the_share(tmp_path: Path):
    raster(tmp_path / "dem.tif", nodata=-9999.0, holes=hole(slice(45, 60), slice(45, 60)))
    (line,) = error_lines(plain_site(tmp_path, site=DEM))
    share = float(line.split("covers only ")[1].split("%")[0])
    # The hole is 30 m square of nodata on a lot of 2,735 m2 by the shoelace formula; bilinear reading widens it to 34 m square.
    assert 100 * (1 - 34**2 / 2600) < share < 100 * (1 - 28**2 / 2735)


def test_lot_may_reach_to_the_outer_edge_of_the_last_cells(tmp_path: Path):
    # The lot reaches from -2 to 60 m east and 0 to 52 m north; cells of 2 m from -2 and 0 on just hold it.
    plain_site(tmp_path)
    z = 100 + np.zeros((26, 31))
    shape = {"z": z, "transform": from_origin(586_000 - 2, 4_511_000 + 52, 2, 2)}
    raster(tmp_path / "dem.tif", **shape)
    path = plain_site(tmp_path, site=DEM)
    ring = np.array(read_site(path).parcel.exterior.coords)
    assert read_site(path).terrain.at(*ring.T) == pytest.approx(100.0)
    shape["transform"] = from_origin(586_000 - 1, 4_511_000 + 52, 2, 2)
    raster(tmp_path / "dem.tif", **shape)
    assert "covers only 99." in error_lines(path)[0]


def test_end_of_the_cover_is_told(tmp_path: Path):
    raster(tmp_path / "dem.tif")
    assert "raster-edge" not in codes(plain_site(tmp_path, site=DEM))
    raster(tmp_path / "dem.tif", west=50.0)
    assert "raster-edge" in codes(plain_site(tmp_path, site=DEM))


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"dtype": "uint8"}, "raster-bytes"),
        ({"count": 3}, "raster-bands"),
        ({"cell": 16.0}, "raster-coarse"),
        ({"z": 100 + 6.0 * np.mgrid[0:N, 0:N][1]}, "raster-steep"),
        ({"units": ""}, "vertical-unit"),
    ],
)
def test_oddities_are_told_and_do_not_stop(tmp_path: Path, options: dict[str, Any], code: str):
    raster(tmp_path / "dem.tif", **options)
    path = plain_site(tmp_path, site=DEM)
    assert code in codes(path)
    assert error_lines(path) == []


def test_site_file_unit_against_the_rasters_own_is_told(tmp_path: Path):
    raster(tmp_path / "dem.tif")
    path = plain_site(tmp_path, site=DEM + '\nelevation_unit = "ft"')
    assert "'ft' of the site file is taken" in codes(path)["vertical-unit"]
    metres = read_site(plain_site(tmp_path, site=DEM)).terrain.z_m
    assert read_site(plain_site(tmp_path, site=DEM + '\nelevation_unit = "ft"')).terrain.z_m == pytest.approx(
        metres * 0.3048
    )


def test_unit_names(tmp_path: Path):
    assert terrain.unit_m("US Survey Foot", "x") == pytest.approx(0.3048006096012192, abs=1e-16)  # NIST, facts/gis 3.1
    assert terrain.unit_m(" Feet ", "x") == 0.3048
    (line,) = error_lines(plain_site(tmp_path, site='elevation_unit = "furlong"'))
    assert "[site] elevation_unit" in line


def test_a_raster_of_too_many_cells_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    raster(tmp_path / "dem.tif")
    monkeypatch.setenv("LOOPGIS_LIMITS", "cells=1000")
    assert "cells round the lot" in error_lines(plain_site(tmp_path, site=DEM))[0]


def test_a_raster_that_claims_to_be_endless_is_refused(tmp_path: Path):
    place = {"crs": "EPSG:26918", "transform": rasterio.Affine(1, 0, 586000, 0, -1, 4511000)}
    size = {"width": 2_000_001, "height": 10, "count": 1, "dtype": "float32"}
    with rasterio.open(tmp_path / "dem.tif", "w", driver="GTiff", SPARSE_OK="TRUE", **size, **place):
        pass
    assert "claims 2,000,001 x 10 cells" in error_lines(plain_site(tmp_path, site=DEM))[0]


def test_raster_inside_a_zip(tmp_path: Path):
    raster(tmp_path / "dem.tif")
    for names in (["dem.tif"], ["dem.tif", "again.tif"]):
        with zipfile.ZipFile(tmp_path / "dem.zip", "w") as pack:
            for name in names:
                pack.write(tmp_path / "dem.tif", name)
        path = plain_site(tmp_path, site='elevation = "dem.zip"')
        assert len(error_lines(path)) == len(names) - 1
    assert "holds 2 rasters" in error_lines(path)[0]


def test_affine_of_the_cells_is_that_of_the_map(tmp_path: Path):
    """The two ways from cell to place that a Terrain carries agree: its polynomials and its transform."""
    raster(tmp_path / "dem.tif", west=30.0)
    site = read_site(plain_site(tmp_path, site=DEM))
    ground = site.terrain
    inside = np.array([[-20.0, -15.0], [0.0, 0.0], [25.0, 10.0]])
    x, y = site.frame.to_parcel_crs(inside).T
    a, _, x0, _, e, y0 = ground.affine
    with rasterio.open(tmp_path / "dem.tif") as source:
        plane = [float(v[0]) for v in source.sample(np.column_stack([x, y]))]
    col, row = (x - x0) / a - 0.5, (y - y0) / e - 0.5
    nearest = ground.z_m[np.rint(row).astype(int), np.rint(col).astype(int)]
    assert nearest == pytest.approx(plane, abs=0.2)
    assert ground.at(*inside.T) == pytest.approx(nearest, abs=0.1)
