"""Real lots and files as they were delivered. They lie beside the repository (../shared/sites), are never copied into it, and
where they are not there nothing is collected. The `expected` figures of meta.json were computed independently, on the grid of
Lambert-93; ours are ground metres, which differ by its scale factor (facts/gis section 3.1: ground = grid / factor).
"""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Proj

from loopgis.core.errors import InputError
from loopgis.site.read import collect, read_site

SITES = Path(__file__).parents[2].parent / "shared" / "sites"
LOTS = sorted(p.parent for p in SITES.glob("d*/meta.json"))
RAW = SITES / "raw"
SIMPLU = [p for p in [RAW / "simplu3d"] if (p / "bati.shp").exists()]
MEREWETHER = [p for p in [RAW / "merewether"] if (p / "topography1.zip").exists()]
AREA_SLACK = 6e-4
"""Grid area against ground area: the Lambert-93 factor lies within 0.9991 and 1.0011 over the country."""


def folder_id(path: Path) -> str:
    return path.name


def factor_of(site: Any) -> float:
    """Areal scale of the parcel's own grid at the lot, from PROJ's own derivatives."""
    lon, lat = site.frame.to_lonlat(np.zeros((1, 2)))[0]
    return float(Proj(site.frame.parcel_crs).get_factors(lon, lat).areal_scale)


@pytest.mark.parametrize("lot", LOTS, ids=folder_id)
@pytest.mark.parametrize("name", ["site.toml", "site_search.toml"])
def test_lot_is_read_without_error(lot: Path, name: str) -> None:
    site, findings = collect(lot / name)
    assert site is not None, findings
    assert not [f for f in findings if f.severity == "error"]
    assert site.parcel.is_valid


@pytest.mark.parametrize("lot", LOTS, ids=folder_id)
def test_areas_and_outline(lot: Path) -> None:
    site = read_site(lot / "site.toml")
    expected = json.loads((lot / "meta.json").read_text("utf-8"))["expected"]
    factor = factor_of(site)
    assert abs(factor - 1) < 4 * AREA_SLACK
    assert site.parcel.area == pytest.approx(expected["parcel_area_m2"] / factor, rel=2e-5, abs=0.06)
    assert site.parcel.length == pytest.approx(expected["parcel_perimeter_m"] / factor**0.5, abs=0.06)
    built = shapely.union_all([b.geometry for b in site.buildings]).intersection(site.parcel).area
    assert built == pytest.approx(expected["building_area_on_parcel_m2"] / factor, rel=1e-3, abs=0.1)
    assert len(site.parcel.interiors) == expected["holes"]
    radius = shapely.maximum_inscribed_circle(site.parcel, tolerance=0.01).length
    assert radius == pytest.approx(expected["inscribed_radius_m"], abs=0.1)


@pytest.mark.parametrize("lot", LOTS, ids=folder_id)
def test_ground(lot: Path) -> None:
    site = read_site(lot / "site.toml")
    expected = json.loads((lot / "meta.json").read_text("utf-8"))["expected"]
    x0, y0, x1, y1 = site.parcel.bounds
    grid = np.column_stack([g.ravel() for g in np.meshgrid(np.arange(x0, x1, 1.0), np.arange(y0, y1, 1.0))])
    x, y = grid[shapely.contains_xy(site.parcel, grid)].T
    z = site.terrain.at(x, y)
    assert np.isfinite(z).all()
    assert z.min() == pytest.approx(expected["ground_min_m"], abs=0.6)
    assert z.max() == pytest.approx(expected["ground_max_m"], abs=0.6)
    step = site.terrain.cell_m
    gx = (site.terrain.at(x + step / 2, y) - site.terrain.at(x - step / 2, y)) / step
    gy = (site.terrain.at(x, y + step / 2) - site.terrain.at(x, y - step / 2)) / step
    slope = np.hypot(gx, gy)
    assert np.nanmedian(slope) == pytest.approx(expected["slope_median"], rel=0.35, abs=0.005)
    assert np.nanquantile(slope, 0.9) == pytest.approx(expected["slope_p90"], rel=0.35, abs=0.005)


@pytest.mark.parametrize("lot", [p for p in LOTS if p.name == "d1_city_block"], ids=folder_id)
def test_coarse_ground_is_told(lot: Path) -> None:
    codes = {f.code for f in collect(lot / "site.toml")[1]}
    assert codes & {"raster-holes", "raster-edge"}


def simplu(folder: Path, tmp_path: Path, rows: str) -> Path:
    shutil.copytree(folder, tmp_path / "raw")
    path = tmp_path / "raw" / "site.toml"
    path.write_text(f"[site]\n{rows}\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("raw", SIMPLU, ids=folder_id)
def test_wild_city_block(raw: Path, tmp_path: Path) -> None:
    """Faces upright and crossing, an empty .prj, an odd nodata value, a parcel whose .prj names no datum."""
    path = simplu(
        raw,
        tmp_path,
        'parcel = { path = "parcelleIgloo.shp", crs = "EPSG:2154" }\nbuildings = { path = "bati.shp", crs = "EPSG:2154" }\n'
        'elevation = { path = "MNT.asc", crs = "EPSG:2154" }\nelevation_unit = "m"\n'
        '[[site.feature]]\nkind = "paved_way"\npath = { path = "route.shp", crs = "EPSG:2154" }',
    )
    site, findings = collect(path)
    assert site is not None, findings
    assert 35 <= len(site.buildings) <= 41
    assert all(b.geometry.is_valid and b.geometry.area > 0 and not b.geometry.has_z for b in site.buildings)
    assert sum(b.geometry.area < 1 for b in site.buildings) <= 1
    built = shapely.union_all([b.geometry for b in site.buildings]).intersection(site.parcel).area
    assert built == pytest.approx(3742.7, rel=0.03)  # expected of d1_city_block, made from the same faces
    assert 137 < float(site.terrain.at(np.zeros(1), np.zeros(1))[0]) < 141
    assert len(site.features) == 5


@pytest.mark.parametrize("raw", SIMPLU, ids=folder_id)
def test_wild_files_are_refused_in_one_line(raw: Path, tmp_path: Path) -> None:
    lines = {
        'parcel = "parcelle.shp"': "parcels",
        'parcel = "PRESCRIPTION_LIN.shp"': "degrees",
        'parcel = "parcelleIgloo.shp"\nbuildings = "bati.shp"': "bati.shp: has no coordinate reference system",
        'parcel = "parcelleIgloo.shp"\nelevation = "MNT.asc"': "MNT.asc: has no coordinate reference system",
        'parcel = "parcelleIgloo.shp"\n[[site.feature]]\nkind = "easement"\npath = "PRESCRIPTION_LIN.shp"': "degrees",
    }
    for n, (rows, words) in enumerate(lines.items()):
        path = simplu(raw, tmp_path / str(n), rows)
        with pytest.raises(InputError) as caught:
            read_site(path)
        assert words in str(caught.value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("raw", SIMPLU, ids=folder_id)
def test_parcel_of_an_unnamed_datum_keeps_its_area(raw: Path, tmp_path: Path) -> None:
    own = read_site(simplu(raw, tmp_path / "a", 'parcel = "parcelleIgloo.shp"'))
    named = read_site(simplu(raw, tmp_path / "b", 'parcel = { path = "parcelleIgloo.shp", crs = "EPSG:2154" }'))
    assert own.parcel.area == pytest.approx(named.parcel.area, rel=1e-7)


def merewether(folder: Path, tmp_path: Path, rows: str) -> Path:
    """A lot drawn by us round one of the real houses; houses from their corner lists, ground from the zipped grid."""
    shutil.copytree(folder / "houses", tmp_path / "houses")
    for name in ("topography1.zip", "topography1.prj"):
        shutil.copy(folder / name, tmp_path / name)
    lot = "382400 6354360, 382470 6354360, 382470 6354440, 382400 6354440, 382400 6354360"
    (tmp_path / "lot.csv").write_text(f'id,WKT\n1,"POLYGON (({lot}))"\n', encoding="utf-8")
    path = tmp_path / "site.toml"
    path.write_text(f'[site]\nparcel = {{ path = "lot.csv", crs = "EPSG:32756" }}\n{rows}\n', encoding="utf-8")
    return path


@pytest.mark.parametrize("raw", MEREWETHER, ids=folder_id)
def test_houses_as_corner_lists(raw: Path, tmp_path: Path) -> None:
    wkt = []
    for file in sorted((raw / "houses").glob("*.csv")):
        corners = [tuple(map(float, line.split(",")[:2])) for line in file.read_text().splitlines() if line.strip()]
        wkt.append(shapely.Polygon(corners))
    inside = shapely.box(382400 - 140, 6354360 - 140, 382470 + 140, 6354440 + 140)
    drawn = [p for p in wkt if p.within(inside)]
    path = merewether(raw, tmp_path, 'buildings = { path = "houses", crs = "EPSG:32756" }')
    site = read_site(path)
    assert len(site.buildings) >= len(drawn) * 0.9 > 10
    factor = factor_of(site)
    built = shapely.union_all([b.geometry for b in site.buildings]).intersection(site.parcel).area
    wanted = shapely.union_all(wkt).intersection(shapely.box(382400, 6354360, 382470, 6354440)).area
    assert built == pytest.approx(wanted / factor, rel=1e-3)


@pytest.mark.parametrize("raw", MEREWETHER, ids=folder_id)
def test_zipped_grid(raw: Path, tmp_path: Path) -> None:
    """As delivered it is digested or refused in one line; unpacked it is read."""
    zipped = 'elevation = { path = "topography1.zip", crs = "EPSG:32756" }\nelevation_unit = "m"'
    path = merewether(raw, tmp_path, zipped)
    errors = [f for f in collect(path)[1] if f.severity == "error"]
    assert len(errors) <= 1
    assert all(f.remedy and "topography1.zip" in f.where for f in errors)
    with zipfile.ZipFile(tmp_path / "topography1.zip") as bundle:
        bundle.extractall(tmp_path)
    path.write_text(path.read_text().replace(zipped, 'elevation = "topography1.asc"\nelevation_unit = "m"'))
    own = collect(path)
    path.write_text(path.read_text().replace('"topography1.asc"', '{ path = "topography1.asc", crs = "EPSG:32756" }'))
    named = read_site(path)
    z = named.terrain.at(*np.array([[0.0], [0.0]]))
    assert 5 < float(z[0]) < 60
    if own[0] is not None:  # the old .prj beside it was understood
        assert float(own[0].terrain.at(*np.array([[0.0], [0.0]]))[0]) == pytest.approx(float(z[0]), abs=0.01)
