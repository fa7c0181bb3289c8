"""The crossing index of real bores: what moves it, and which way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo

from loopgis.driver import design
from loopgis.layout import crossing_risk as cr
from loopgis.layout.gate import Gate
from loopgis.rules import files as rule_files
from loopgis.site.model import Feature

LOT = shapely.box(-60, -50, 60, 50)
SITE = zoo.site(LOT, bores=3, patterns=("fan",))
HOUSE = rule_files.load("house")
OPEN = Gate(open=True, called=True, lines=())


@pytest.fixture(scope="module")
def layout():
    return design(SITE, effort=0).layouts[0]


@pytest.fixture(scope="module")
def bore(layout):
    return max(layout.bores, key=lambda b: b.level_length_m)


def line(bore, i, *, angle_deg=90.0, **more):
    """A line through the plan place of a station, at an angle to the bore."""
    a = np.radians(bore.azimuth_deg[i] + angle_deg)
    way = 40 * np.array([np.sin(a), np.cos(a)])
    here = np.array([bore.x_m[i], bore.y_m[i]])
    values = {"feature_id": "line", "kind": "gas_line", "quality": "B", "depth_m": 0.9}
    return Feature(geometry=shapely.LineString([here - way, here + way]), **{**values, **more})


def index(bore, feature, site=SITE):
    """Index of one bore against one feature, with the crossing found as a layout finds it."""
    from loopgis.layout import clearances

    with_it = replace(site, features=(feature,))
    _, crossings = clearances.measure(with_it, (HOUSE,), bore)
    found = cr.judged(with_it, (HOUSE,), bore, cr.error_of(with_it, bore), crossings)
    return found[0] if found else None


def deep(bore):
    return int(np.argmax(bore.depth_m))


def test_the_nearer_the_likelier_and_above_as_below(bore):
    i = deep(bore)
    d = float(bore.depth_m[i])
    chances = [index(bore, line(bore, i, depth_m=d - gap)).risk for gap in (0.1, 0.3, 0.6, 1.5)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > 0.2
    assert chances[-1] < 1e-3
    below = index(bore, line(bore, i, depth_m=d + 0.3))
    assert below.how == "over"
    assert below.risk == pytest.approx(chances[1], rel=0.2)


def test_less_is_known_of_a_line_the_likelier_it_is_hit_from_afar(bore):
    i = deep(bore)
    d = float(bore.depth_m[i])
    by_level = [index(bore, line(bore, i, depth_m=d - 1.0, quality=q)).risk for q in ("A", "B", "C", "D")]
    assert by_level == sorted(by_level)
    assert by_level[0] < by_level[-1]


def test_a_line_of_unknown_depth_is_anywhere_its_kind_lies(bore):
    """Closed form by hand at a shallow station: the share of the range within reach, blurred by the errors."""
    shallow = int(np.argmin(np.abs(bore.depth_m[: len(bore.depth_m) // 2] - 0.75)))
    found = index(bore, line(bore, shallow, depth_m=None, quality="unknown"))
    reach = bore.hole_diameter_m / 2 + 0.05
    assert found.risk == pytest.approx(2 * reach / (1.2 - 0.3), rel=0.25)
    assert not found.depth_known
    at_depth = index(bore, line(bore, deep(bore), depth_m=None, quality="unknown"))
    assert at_depth.risk < 1e-6  # gas lines are not looked for at 15 ft


def test_a_blind_stretch_before_a_crossing_makes_it_worse(bore):
    i = deep(bore)
    thing = line(bore, i, depth_m=float(bore.depth_m[i]) - 0.8)
    pond = Feature(
        feature_id="pond", kind="surface_water", depth_m=0.5,
        geometry=shapely.LineString(np.column_stack([bore.x_m, bore.y_m])[max(0, i - 50) : i + 4]).buffer(3),
    )  # fmt: skip
    from loopgis.layout import clearances

    site = replace(SITE, features=(thing, pond))
    error = cr.error_of(site, bore)
    assert error.blind[i]
    assert error.vertical_m[i] > cr.error_of(SITE, bore).vertical_m[i]
    _, crossings = clearances.measure(site, (HOUSE,), bore)
    found = {c.feature_id: c for c in cr.judged(site, (HOUSE,), bore, error, crossings)}
    assert found["line"].risk > index(bore, thing).risk


def test_a_line_beside_the_bore_counts_when_it_may_be_touched(bore):
    """Parallel at the bore's own depth: at half a metre it is told, at ten it is not."""
    i = deep(bore)
    a = np.radians(bore.azimuth_deg[i] + 90)
    side = np.array([np.sin(a), np.cos(a)])

    def beside(metres):
        way = 6 * np.array([np.sin(a - np.pi / 2), np.cos(a - np.pi / 2)])
        here = np.array([bore.x_m[i], bore.y_m[i]]) + metres * side
        thing = Feature(
            feature_id="line", kind="water_main", quality="C", depth_m=float(bore.depth_m[i]),
            geometry=shapely.LineString([here - way, here + way]),
        )  # fmt: skip
        return index(bore, thing)

    near = beside(0.5)
    assert near.how == "beside"
    assert near.risk > 0.05
    assert beside(10.0) is None


def test_claims_have_nothing_to_touch(bore):
    i = deep(bore)
    here = shapely.Point(bore.x_m[i], bore.y_m[i]).buffer(8)
    found = index(bore, Feature(feature_id="e", kind="easement", geometry=here))
    assert found is None or (found.risk is None and found.weight == 0)


def test_weights_make_a_gas_line_count_as_many_pipes(layout):
    one = cr.Crossing(
        bore_id="B-01", feature_id="x", kind="gas_line", rule_id="", x_m=0, y_m=0, z_m=0, station_m=1, angle_deg=90,
        clearance_m=0.3, sigma_m=0.1, risk=0.01, depth_known=True, weight=cr.consequence_of("gas_line")[0],
    )  # fmt: skip
    ten = [
        replace(one, feature_id=str(k), kind="irrigation", weight=cr.consequence_of("irrigation")[0]) for k in range(10)
    ]
    gas = cr.risk_of((), [one], {}, OPEN)
    pipes = cr.risk_of((), ten, {}, OPEN)
    assert gas.mapped == pytest.approx(pipes.mapped) == pytest.approx(1 - 0.99**10)


def test_the_floor_is_never_nothing_and_shrinks_when_owners_answer(layout):
    none = cr.risk_of(layout.bores, [], {}, Gate(open=False, called=False, lines=()))
    called = cr.risk_of(layout.bores, [], {}, Gate(open=False, called=True, lines=()))
    answered = cr.risk_of(layout.bores, [], {}, OPEN)
    assert none.whole > called.whole > answered.whole > 0
    assert answered.whole == pytest.approx(answered.unmapped)


def test_bores_of_a_layout_hardly_meet_and_twins_surely_do(layout, bore):
    errors = [cr.error_of(SITE, b) for b in layout.bores]
    assert max(cr.pair_risks(layout.bores, errors, 3.048).values(), default=0.0) < 0.05
    twin = replace(bore, bore_id="twin", z_m=bore.z_m + 0.03)
    pair = cr.pair_risks([bore, twin], [cr.error_of(SITE, bore)] * 2, 3.048)
    assert pair[0, 1] > 0.3


def test_the_layout_holds_the_whole_index(layout):
    e = layout.evaluation
    assert 0 < e.risk_unmapped <= e.crossing_risk < 1
    assert len(layout.errors) == len(layout.bores)


def test_bores_of_a_fan_that_part_do_not_meet_behind_the_pad(bore):
    """Two bores from one pad, a foot apart at the entry and opening by ten degrees: hardly any chance."""
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    dx, dy = bore.x_m - bore.x_m[0], bore.y_m - bore.y_m[0]
    side = np.radians(bore.azimuth_deg[0] - 90)
    other = replace(
        bore,
        bore_id="other",
        x_m=bore.x_m[0] + 0.3 * np.sin(side) + c * dx - s * dy,
        y_m=bore.y_m[0] + 0.3 * np.cos(side) + s * dx + c * dy,
        azimuth_deg=bore.azimuth_deg - 10,
    )
    found = cr.pair_risks([bore, other], [cr.error_of(SITE, bore)] * 2, 3.048)
    assert found.get((0, 1), 0.0) < 1e-3


def test_a_service_that_ends_short_of_the_bore_is_not_touched(bore):
    i = deep(bore)
    a = np.radians(bore.azimuth_deg[i] + 90)
    here, way = np.array([bore.x_m[i], bore.y_m[i]]), np.array([np.sin(a), np.cos(a)])

    def service(gap_m):
        return Feature(
            feature_id="s", kind="water_service", quality="B", depth_m=float(bore.depth_m[i]),
            geometry=shapely.LineString([here + 30 * way, here + gap_m * way]),
        )  # fmt: skip

    assert index(bore, service(4.0)) is None
    assert index(bore, service(0.1)).risk > 0.1
