"""Bores that are in the ground stay as they lie, and the rest is chosen round them."""

from __future__ import annotations

import math
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
import zoo

import loopgis
from loopgis.core.errors import InputError
from loopgis.driver import design
from loopgis.layout.prepare import prepare
from loopgis.layout.score import pair_distances
from loopgis.rescore import score
from loopgis.site.model import DrawnLine, Feature, PipeSpec

SITE = zoo.site(
    shapely.box(-60, -50, 60, 50),
    features=(Feature(feature_id="house", kind="building", geometry=shapely.box(-12, -45, 2, -35)),),
    terrain=zoo.plane(0.02, -0.01),
    demand=zoo.demand(4.0),
    depth_m=(3.0,),
    patterns=("fan",),
    pipe=PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %"),
)


def as_drilled(bore, seed):
    """A logged line of a bore: a reading each 3 m, wandering by some decimetres."""
    rng = np.random.default_rng(seed)
    s = np.r_[np.arange(0, bore.length_m, 3.0), bore.length_m]
    xyz = np.column_stack([np.interp(s, bore.station_m, c) for c in (bore.x_m, bore.y_m, bore.z_m)])
    way = np.linspace(0, 1, len(s))[:, None]
    xyz[:, :2] += way * rng.normal(0, 0.5, 2) + np.sin(3 * way) * rng.normal(0, 0.1, 2)
    xyz[1:-1, 2] += rng.normal(0, 0.03, len(s) - 2)
    return DrawnLine(
        where="drilled.gpkg row 1",
        layout_id="",
        bore_id=bore.bore_id,
        pattern="fan",
        source="logged",
        target_depth_m=bore.target_depth_m,
        hole_diameter_m=bore.hole_diameter_m,
        xyz_m=xyz,
    )


@pytest.fixture(scope="module")
def fresh():
    return design(SITE).layouts[0]


@pytest.fixture(scope="module")
def with_two(fresh):
    lines = tuple(as_drilled(b, n) for n, b in enumerate(fresh.bores[1:3]))
    return replace(SITE, kept=lines)


@pytest.fixture(scope="module")
def around(with_two):
    return design(with_two)


def test_kept_bores_lie_where_they_were_logged(with_two, around):
    for layout in around.layouts:
        for line in with_two.kept:
            bore = next(b for b in layout.bores if b.bore_id == line.bore_id)
            assert bore.source == "logged"
            path = shapely.LineString(np.column_stack([bore.x_m, bore.y_m]))
            assert float(shapely.distance(path, shapely.points(line.xyz_m[:, :2])).max()) < 1e-9
            assert np.interp(line.xyz_m[4, 0], *_sorted(bore.x_m, bore.z_m)) == pytest.approx(
                line.xyz_m[4, 2], abs=1e-6
            )
            # in plan and height the length is that of the logged line
            logged = float(np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1).sum())
            assert bore.length_m == pytest.approx(logged, abs=1e-9)
            assert max(np.diff(bore.station_m)) <= 0.5


def _sorted(x, z):
    order = np.argsort(x)
    return x[order], z[order]


def test_the_rest_is_chosen_round_them_and_the_house_is_carried(with_two, around):
    ground = prepare(with_two)
    best = around.layouts[0]
    new = [b for b in best.bores if not b.in_ground]
    assert new
    assert best.evaluation.needed_length_m <= best.evaluation.total_length_m * 1.002
    pairs = pair_distances(best.bores, ground.rule)
    for (i, j), d in pairs.items():
        if not (best.bores[i].in_ground and best.bores[j].in_ground):
            assert d.shortfall_m <= 0
    assert {b.bore_id for b in new}.isdisjoint({line.bore_id for line in with_two.kept})


def test_no_more_is_drilled_than_beside_bores_of_the_same_kind(fresh, around):
    best = min(around.layouts, key=lambda y: y.evaluation.total_length_m)
    assert best.evaluation.total_length_m < 1.1 * fresh.evaluation.total_length_m
    assert best.evaluation.bound_gap_pct is not None
    assert best.evaluation.bound_gap_pct < 15


def test_the_pad_stands_where_they_begin_unless_another_is_given(with_two, around):
    entries = np.array([line.xyz_m[0, :2] for line in with_two.kept])
    for layout in around.layouts:
        assert float(shapely.distance(layout.pad.polygon, shapely.points(entries)).max()) < 2.0
    elsewhere = replace(with_two, spec=replace(with_two.spec, pad=replace(with_two.spec.pad, at=(40.0, 30.0))))
    assert "kept-far" in {f.code for f in prepare(elsewhere).findings}


def test_what_is_enough_is_not_added_to(fresh):
    lines = tuple(as_drilled(b, n) for n, b in enumerate(fresh.bores))
    small = replace(SITE, kept=lines, spec=replace(SITE.spec, demand=zoo.demand(2.0)))
    for layout in design(small).layouts:
        assert all(b.in_ground for b in layout.bores)
        assert layout.evaluation.bores == len(lines)


def test_a_fixed_count_counts_them(fresh):
    lines = tuple(as_drilled(b, n) for n, b in enumerate(fresh.bores[:2]))
    four = replace(SITE, kept=lines, spec=replace(SITE.spec, demand=None, bore=replace(SITE.spec.bore, bores=4)))
    best = design(four).layouts[0]
    assert best.evaluation.bores == 4
    assert sum(b.in_ground for b in best.bores) == 2


def test_the_audit_finds_them_clear_and_scoring_leaves_them(with_two, around, tmp_path):
    around.write(tmp_path / "out", pictures=False)
    sheet = tmp_path / "out" / "layouts.gpkg"
    kept = {line.bore_id for line in with_two.kept}
    wrong = [f for f in loopgis.audit(sheet) if f.severity == "error" and f.bore_id not in kept]
    assert wrong == []
    assert score(sheet, with_two).changes == ()
    table = gpd.read_file(sheet, layer="bores")
    at = table.index[table.bore_id == with_two.kept[0].bore_id][0]
    table.loc[at, "geometry"] = shapely.force_3d(
        shapely.LineString(np.array(table.geometry[at].coords)[[0, -1], :2]), 95.0
    )
    table.to_file(sheet, layer="bores", driver="GPKG", mode="w")
    assert score(sheet, with_two).changes == ()  # what was drilled cannot be moved with a mouse


def test_a_line_without_heights_gets_the_profile_it_would_have_had(fresh):
    bore = fresh.bores[0]
    few = np.r_[0 : len(bore.x_m) - 1 : 20, len(bore.x_m) - 1]
    flat = replace(as_drilled(bore, 0), xyz_m=np.column_stack([bore.x_m, bore.y_m])[few], source="staked")
    site = replace(SITE, kept=(flat,))
    ground = prepare(site)
    ((_, laid),) = ground.field.kept
    assert laid.length_m == pytest.approx(bore.length_m, abs=0.5)
    assert "kept-as-planned" in {f.code for f in ground.findings}


def test_heights_of_another_datum_are_refused(fresh):
    line = as_drilled(fresh.bores[0], 0)
    deep = line.xyz_m - np.array([0, 0, 150.0])
    with pytest.raises(InputError, match="below the ground"):
        prepare(replace(SITE, kept=(replace(line, xyz_m=deep),)))


@pytest.mark.parametrize("off_m", [32.0, 6.0, 3.0, -3.0])
def test_heights_that_lie_above_or_whole_under_the_ground_are_refused(fresh, off_m):
    line = as_drilled(fresh.bores[0], 0)
    with pytest.raises(InputError, match="below the ground"):
        prepare(replace(SITE, kept=(replace(line, xyz_m=line.xyz_m + np.array([0, 0, off_m])),)))


def test_two_kept_bores_in_one_hole_are_named(fresh):
    line = as_drilled(fresh.bores[0], 0)
    twin = replace(line, bore_id="B-77", where="drilled.gpkg row 2")
    with pytest.raises(InputError, match=r"row 1.*within 0.00 m of drilled.gpkg row 2"):
        prepare(replace(SITE, kept=(line, twin)))


def keep_file(folder, fresh, **columns):
    lines = [shapely.LineString(as_drilled(b, n).xyz_m) for n, b in enumerate(fresh.bores)]
    xy = [SITE.frame.to_parcel_crs(np.array(g.coords)[:, :2]) for g in lines]
    shapes = [
        shapely.LineString(np.column_stack([p, np.array(g.coords)[:, 2]])) for p, g in zip(xy, lines, strict=True)
    ]
    columns = {k: v[: len(shapes)] if isinstance(v, list) else v for k, v in columns.items()}
    table = gpd.GeoDataFrame(
        {"bore_id": [b.bore_id for b in fresh.bores], "source": "logged", **columns},
        geometry=shapes,
        crs=SITE.frame.parcel_crs,
    )
    table.to_file(folder / "drilled.gpkg", layer="bores", driver="GPKG")


def site_file(folder, keep='"drilled.gpkg"'):
    lot = SITE.frame.to_parcel_crs(shapely.get_coordinates(SITE.parcel))
    gpd.GeoDataFrame(geometry=[shapely.Polygon(lot)], crs=SITE.frame.parcel_crs).to_file(folder / "lot.gpkg")
    (folder / "site.toml").write_text(f'[site]\nparcel = "lot.gpkg"\n[layout]\nkeep = {keep}\n')
    return folder / "site.toml"


def test_a_site_file_names_them(tmp_path, fresh):
    keep_file(tmp_path, fresh)
    site = loopgis.read_site(site_file(tmp_path))
    assert [line.bore_id for line in site.kept] == [b.bore_id for b in fresh.bores]
    assert site.kept[0].in_ground
    assert math.dist(site.kept[0].xyz_m[0, :2], (fresh.bores[0].x_m[0], fresh.bores[0].y_m[0])) < 5.0
    assert [s.role for s in site.sources if s.role == "keep"] == ["keep"]
    some = loopgis.read_site(site_file(tmp_path, """{ path = "drilled.gpkg", where = "bore_id = 'B-02'" }"""))
    assert [line.bore_id for line in some.kept] == ["B-02"]


def test_of_drilled_and_planned_ones_the_drilled_count(tmp_path, fresh):
    sources = ["logged", *["planned"] * (len(fresh.bores) - 1)]
    keep_file(tmp_path, fresh, source=sources)
    site = loopgis.read_site(site_file(tmp_path))
    assert len(site.kept) == 1
    assert "kept-drilled" in {f.code for f in site.findings}


@pytest.mark.parametrize(
    ("columns", "keep", "said"),
    [
        ({}, '"none.gpkg"', "is not there"),
        ({"bore_id": ["B-01"] * 9}, '"drilled.gpkg"', "in .* rows"),
        ({"source": "dreamt"}, '"drilled.gpkg"', "source is 'dreamt'"),
        ({}, """{ path = "drilled.gpkg", where = "bore_id = 'B-99'" }""", "holds no bores"),
        ({}, "7", "is not a path"),
    ],
)
def test_files_that_cannot_be_kept_are_named(tmp_path, fresh, columns, keep, said):
    keep_file(tmp_path, fresh, **columns)
    with pytest.raises(InputError, match=said):
        loopgis.read_site(site_file(tmp_path, keep))
