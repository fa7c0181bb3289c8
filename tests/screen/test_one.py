"""One parcel: every kind of bad one gets a reason, a good one a loop, and the load is the one that just holds."""

from __future__ import annotations

from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely

from loopgis.ground.sizing import needed
from loopgis.layout.heat import path_of, study
from loopgis.screening.block import kit_of
from loopgis.screening.model import Verdict
from loopgis.screening.one import Given, carried_w, judge, laid_out
from loopgis.screening.town_files import SITE
from loopgis.site.model import FLAT
from loopgis.site.vectors import Layer, parse_crs

WKT = parse_crs("EPSG:32618", "test").to_wkt()
X, Y = 474_000.0, 4_700_000.0


@pytest.fixture(scope="module")
def kit(tmp_path_factory):
    file = tmp_path_factory.mktemp("kit") / "site.toml"
    file.write_text(f'{SITE}\n[bore]\ndepth = ["10 ft"]\n[layout]\npatterns = ["parallel"]\n')
    return kit_of(file, ("building",), full=False)


def given(shape, rows=()) -> Given:
    table = geopandas.GeoDataFrame({"parcel_id": ["p"]}, geometry=[shape], crs="EPSG:32618")
    return Given(fid=7, parcel_id="p", lot=Layer(table, WKT, "", "lots"), rows=rows, ground=lambda *_: FLAT)


BOW = shapely.Polygon([(X, Y), (X + 40, Y + 60), (X + 40, Y), (X, Y + 60)])
BAD = {
    "nothing": (None, "no outline"),
    "empty": (shapely.Polygon(), "no outline"),
    "nan": (shapely.Polygon([(X, Y), (X + 9, np.nan), (X + 9, Y + 9)]), "no numbers"),
    "infinite": (shapely.Polygon([(X, Y), (np.inf, Y), (X + 9, Y + 9)]), "no numbers"),
    "least_double": (shapely.Polygon([(X, Y), (-1.8e308, Y), (X + 9, Y + 9)]), "no numbers"),
    "point": (shapely.Point(X, Y), "without area"),
    "tiny": (shapely.box(X, Y, X + 0.1, Y + 0.1), "m2"),
    "huge": (shapely.box(X, Y, X + 9000, Y + 9000), "km2"),
    "line": (shapely.LineString([(X, Y), (X + 50, Y)]), "without area"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_parcel_gets_a_reason(kit, name):
    shape, words = BAD[name]
    found = judge(kit, given(shape))
    assert (found.fid, found.outcome, found.method, found.bores) == (7, "not_judged", "none", 0)
    assert words in found.why


def test_odd_parcels_are_judged_with_a_remark(kit):
    two = shapely.MultiPolygon([shapely.box(X, Y, X + 20, Y + 10), shapely.box(X + 50, Y, X + 60, Y + 9)])
    assert "2 parts" in judge(kit, given(two)).remark
    assert "repaired" in judge(kit, given(BOW)).remark


def test_unknown_kind_near_a_parcel_is_not_passed_over(kit):
    from loopgis.site.features import Told

    rows = geopandas.GeoDataFrame({"kind": ["dragon"]}, geometry=[shapely.Point(X, Y)], crs="EPSG:32618")
    found = judge(kit, given(shapely.box(X, Y, X + 60, Y + 60), [(Layer(rows, WKT, "", "things"), Told(kind=""))]))
    assert found.outcome == "not_judged"
    assert "dragon" in found.why


def test_defect_is_told_and_stops_nothing(kit):
    def broken(*_):
        raise ZeroDivisionError("a defect")

    found = judge(kit, replace(given(shapely.box(X, Y, X + 60, Y + 60)), ground=broken))
    assert found.outcome == "not_judged"
    assert "defect of loopgis: ZeroDivisionError" in found.why


def test_good_lot_gets_a_loop_and_its_load(kit):
    found = judge(kit, given(shapely.box(X, Y, X + 60, Y + 80)))
    assert found.outcome in {"fits", "tight"}
    assert found.bores > 0
    assert found.drilled_m > found.level_m > 0
    assert found.load_kw == pytest.approx(found.demand_share * 5.0, abs=0.02)
    assert found.area_m2 == pytest.approx(4800, rel=1e-3)


def test_load_is_the_one_that_just_holds(kit):
    """By a search that shares nothing with the secant: bisection on the scale of the loads."""
    lot = shapely.box(-30, -40, 30, 40)
    ground = kit.prepared(kit.site(kit.like.field.site.frame, lot, "p", (), (), FLAT))
    best, _, _ = laid_out(ground)
    bores, case = best.draft.bores, ground.heat
    got = carried_w(case, bores, study(case, ground.field.site, bores).needed)
    paths = [path_of(b) for b in bores]
    low, high = 0.02, 20.0
    for _ in range(24):
        scale = (low * high) ** 0.5
        other = replace(case, loads=case.loads.scaled(scale), flow_m3_s=case.flow_m3_s * scale)
        low, high = (scale, high) if needed(other.loop(paths), case.limits).factor <= 1 else (low, scale)
    assert got == pytest.approx(low * case.loads.peak_w, rel=0.02)


def test_far_things_change_nothing(kit):
    """What is left out as too far to matter does not change the field."""
    lot = shapely.box(0, 0, 40, 60)
    from loopgis.site.model import Feature

    near = Feature(feature_id="near", kind="building", geometry=shapely.box(42, 0, 50, 10))
    far = Feature(feature_id="far", kind="building", geometry=shapely.box(80, 0, 90, 10))
    assert kit.matters(near, lot)
    assert not kit.matters(far, lot)
    frame = kit.like.field.site.frame
    with_far = kit.prepared(kit.site(frame, lot, "p", (near, far), (), FLAT)).field
    without = kit.prepared(kit.site(frame, lot, "p", (near,), (), FLAT)).field
    assert with_far.open_area.equals(without.open_area)
    assert with_far.end_area.equals(without.end_area)
    assert with_far.pad_area.equals(without.pad_area)


def test_verdict_says_nothing_by_default():
    assert Verdict(fid=1, parcel_id="a", outcome="not_judged", method="none").load_kw is None
