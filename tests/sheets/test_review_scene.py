"""What the review page draws from: bodies that are what they stand for, stations that leave nothing out."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo
from picture_site import make_layout, make_site, make_zones

from loopgis.sheets import review_data, review_scene
from loopgis.sheets.tablet_page import data_text
from loopgis.site.model import Terrain


@pytest.fixture(scope="module")
def site():
    return make_site(units="metric")


@pytest.fixture(scope="module")
def scene(site):
    return review_scene.scene_data(site, make_zones(site))


def volume_m3(body):
    """Of a body with closed walls, by its triangles seen from above: columns between top and bottom caps."""
    x, y, z = (np.array(body[k]) for k in "xyz")
    i, j, k = (np.array(body[n]) for n in "ijk")
    area = 0.5 * np.abs((x[j] - x[i]) * (y[k] - y[i]) - (x[k] - x[i]) * (y[j] - y[i]))
    return area, (z[i] + z[j] + z[k]) / 3


def test_a_block_is_as_large_as_its_building(site, scene):
    (block,) = scene["blocks"]
    area, height = volume_m3(block)
    roof = max(block["z"])
    assert area[np.isclose(height, roof, atol=0.02)].sum() == pytest.approx(site.buildings[0].geometry.area, rel=1e-3)
    ground = site.terrain.at(np.array([-8.0, 8.0]), np.array([-36.0, -26.0]))
    assert roof == pytest.approx(max(ground.max(), roof - review_scene.BLOCK_M) + review_scene.BLOCK_M, abs=0.02)
    assert min(block["z"]) < ground.max()


def test_water_lies_on_the_ground_and_is_whole(site, scene):
    pond = next(f for f in site.features if f.feature_id == "pond")
    drawn = next(a for a in scene["areas"] if a["name"] == "pond")
    area, _ = volume_m3(drawn["body"])
    assert area.sum() == pytest.approx(pond.geometry.area, rel=2e-3)
    x, y, z = (np.array(drawn["body"][k]) for k in "xyz")
    assert z - site.terrain.at(x, y) == pytest.approx(review_scene.LIFT_M, abs=0.03)


def test_lines_lie_at_their_depth(site, scene):
    gas = next(v for v in scene["lines"] if v["name"] == "gas service")
    x, y, z = (np.array(v) for v in gas["line"])
    assert site.terrain.at(x, y) - z == pytest.approx(0.8, abs=0.02)
    assert gas["letter"] == "G"
    assert gas["known"]
    assert gas["letters"]
    assert not next(v for v in scene["lines"] if v["name"] == "cable")["known"]


def test_the_lot_line_is_long_dash_and_two_dots(site, scene):
    lengths = [shapely.LineString(np.column_stack(d[:2])).length for d in scene["lot"]]
    dash, dot = max(lengths), min(lengths)
    assert dash / dot == pytest.approx(7.0, rel=0.05)
    assert len(lengths) == 3 * review_scene.DASHES
    ring = site.parcel.exterior
    assert all(ring.distance(shapely.Point(x, y)) < 0.02 for d in scene["lot"] for x, y in zip(*d[:2], strict=True))


def test_zones_are_closed_ground_of_the_lot(site, scene):
    mine = [z for z in make_zones(site) if "bore" in z.applies_to and z.closed]
    shut = shapely.intersection(shapely.union_all([z.polygon for z in mine]), site.parcel)
    closed = next(z for z in scene["zones"] if z["closed"])
    area = sum(volume_m3(b)[0].sum() for b in closed["bodies"])
    assert area == pytest.approx(2 * shut.area, rel=0.01)  # a top and a bottom
    for line in closed["hatch"]:
        assert shapely.LineString(np.column_stack(line[:2])).difference(shut.buffer(0.1)).length < 0.3
    for zone in scene["zones"]:
        if not zone["closed"]:
            depth = float(zone["words"].split()[1])
            body = zone["bodies"][0]
            ground = site.terrain.at(np.array(body["x"]), np.array(body["y"]))
            assert np.max(ground - np.array(body["z"])) == pytest.approx(depth, abs=0.08)


def test_contours_lie_at_their_height(site, scene):
    assert scene["contours"]
    for x, y, z in scene["contours"]:
        assert len(set(z)) == 1
        assert site.terrain.at(np.array(x), np.array(y)) == pytest.approx(z[0] - review_scene.LIFT_M, abs=0.15)


def test_a_flat_site_and_one_with_a_hole_in_its_raster_are_drawn():
    flat = zoo.site(shapely.box(0, 0, 60, 50), length_m=40.0)
    drawn = review_scene.scene_data(flat, ())
    assert drawn["ground"]["flat"]
    assert drawn["contours"] == []
    z = np.full((8, 8), np.nan)
    z[:, :5] = 30.0
    holed = replace(flat, terrain=Terrain(z, (0.0, 100.0, 0, 0, 0, 0), (0.0, 0, 100.0, 0, 0, 0), 10.0))
    drawn = review_scene.scene_data(holed, ())
    assert any(v is None for row in drawn["ground"]["z"] for v in row)
    json.loads(data_text(drawn))


def test_drawn_stations_leave_no_level_run_out(site):
    layout = make_layout(site, 3)
    data = review_data.page_data(site, make_zones(site), [layout])
    for b, drawn in zip(layout.bores, data["layouts"][0]["bores"], strict=True):
        flags, at = np.array(drawn["level"], dtype=bool), np.array(drawn["d"])
        assert np.diff(at)[flags[1:] & flags[:-1]].sum() == pytest.approx(b.level_length_m, abs=0.3)
        assert drawn["h"][0] == pytest.approx(0.0, abs=0.01)
        assert np.max(np.diff(at)) < 2 * review_data.STEP_M
        assert drawn["g"] == pytest.approx(
            list(np.interp(drawn["s"], b.plan_station_m, b.ground_m - b.ground_m[0])), abs=0.05
        )


def test_many_bores_are_drawn_with_fewer_stations(site):
    few = review_data.page_data(site, (), [make_layout(site, 2)])
    many = review_data.page_data(site, (), [make_layout(site, 60, rank=n + 1) for n in range(6)])
    assert len(many["layouts"][0]["bores"][0]["s"]) < len(few["layouts"][0]["bores"][0]["s"])
    stations = sum(len(b["s"]) for y in many["layouts"] for b in y["bores"])
    assert stations < 2 * review_data.MOST_STATIONS


def test_crossings_stand_where_they_are(site):
    layout = make_layout(site, 1)
    data = review_data.page_data(site, (), [layout])
    (c,) = data["layouts"][0]["bores"][0]["crossings"]
    assert c["s"] == pytest.approx(11.0, abs=0.3)
    assert c["at"] - c["crown"] == pytest.approx(c["gap"])
    assert c["letter"] == "R"
    assert c["index"] == 1e-9
