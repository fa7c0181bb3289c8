"""Ties to two fixed points, against a search and circles of the test's own."""

from __future__ import annotations

import dataclasses
import math
from itertools import combinations

import numpy as np
import pytest
import shapely

from loopgis.field.book import BuiltBore, BuiltLeg, BuiltRod
from loopgis.field.ties import (
    LOT_WORDS,
    TAPE_M,
    Place,
    circles,
    corners,
    crossing_deg,
    letter,
    octant,
    places,
    side,
    ties,
)

HOUSE = np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 8.0], [0.0, 8.0], [0.0, 0.0]])
LOT = np.array([[-25.0, -40.0], [35.0, -40.0], [35.0, 30.0], [-25.0, 30.0]])


def same(xy):
    return np.asarray(xy)


def place(x, y, what="exit", error_m=0.0):
    return Place(what=what, words=f"{what} of B-01", bore_id="B-01", x=x, y=y, depth_m=0.0, error_m=error_m)


def tied(found, buildings=(HOUSE,), parcel=(LOT,), names=None):
    return ties(found, buildings=buildings, parcel=parcel, to_file=same, to_lonlat=same, names=names)


def test_corners_are_called_by_the_octant_in_which_they_lie():
    named = {c.name: (c.x, c.y) for c in corners([HOUSE], [LOT])}
    assert named["house corner NE"] == (12, 8)
    assert named["house corner SW"] == (0, 0)
    assert named["lot corner 1"] == (-25, -40)
    assert len(named) == 8


def test_corners_that_share_an_octant_get_letters_clockwise():
    """A long house: both eastern corners lie 76 degrees and more from north, in the octant E."""
    row = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 10.0], [0.0, 10.0]])
    named = {c.name: (c.x, c.y) for c in corners([row], [], ["hall"])}
    assert named == {
        "hall corner E-A": (40.0, 10.0),
        "hall corner E-B": (40.0, 0.0),
        "hall corner W-A": (0.0, 0.0),
        "hall corner W-B": (0.0, 10.0),
    }


def random_rings(rng):
    """Buildings with edges in all directions, some of them touching, some called alike."""
    rings = []
    for _ in range(rng.integers(1, 4)):
        count, at = int(rng.integers(3, 9)), rng.uniform(-20, 20, 2)
        angle = np.sort(rng.uniform(0, 2 * math.pi, count))
        rings.append(at + rng.uniform(4, 9) * np.column_stack([np.cos(angle), np.sin(angle)]))
    return rings


@pytest.mark.parametrize("seed", range(40))
def test_no_two_corners_have_one_name_or_one_place(seed):
    rng = np.random.default_rng(seed)
    rings = random_rings(rng)
    names = [str(n) for n in rng.choice(["house", "barn"], len(rings))]
    found = corners([*rings, rings[0]], [LOT, LOT + 100], [*names, names[0]])
    assert len({c.name for c in found}) == len(found)
    assert min(math.hypot(a.x - b.x, a.y - b.y) for a, b in combinations(found, 2)) >= 0.3


def test_a_vertex_on_a_straight_wall_is_no_corner():
    split = np.insert(HOUSE, 1, [[6.0, 0.0], [6.0, 0.0]], axis=0)
    assert [(c.x, c.y) for c in corners([split], [])] == [(c.x, c.y) for c in corners([HOUSE], [])]
    assert corners([np.zeros((0, 2)), np.zeros((3, 2)), HOUSE[:2]], []) == ()
    assert {c.name for c in corners([HOUSE, HOUSE + 50], [])} >= {"building 1 corner NE", "building 2 corner NE"}


def own_cost(at, one, other, buildings):
    """The measure as its docstring tells it, written again."""
    a, b = np.array([one.x, one.y]) - at, np.array([other.x, other.y]) - at
    da, db = np.linalg.norm(a), np.linalg.norm(b)
    angle = math.degrees(math.acos(np.clip(a @ b / max(da * db, 1e-12), -1, 1)))
    bad = 0
    if not (30 <= angle <= 150) or min(da, db) < 0.3:
        bad += 2
    walls = [shapely.Polygon(r).buffer(-0.1) for r in buildings]
    if any(shapely.LineString([at, at + v]).intersects(w) for v in (a, b) for w in walls):
        bad += 1
    lots = sum(c.corner_of == "lot" for c in (one, other))
    sine = max(math.sin(math.radians(angle)), 1e-6)
    return (bad, lots, max(da, db) > 30, 0.03 / sine + 0.0005 * (da + db))


@pytest.mark.parametrize("seed", range(60))
def test_no_other_pair_serves_better(seed):
    """Every pair by the test's own measure; places outside of buildings."""
    rng = np.random.default_rng(seed)
    rings = [r for r in random_rings(rng) if rng.random() < 0.8]
    solid = [shapely.Polygon(r) for r in rings]
    found = []
    while len(found) < 12:
        x, y = rng.uniform(-50, 50, 2)
        if all(s.distance(shapely.Point(x, y)) > 0.4 for s in solid):
            found.append(place(float(x), float(y)))
    points = corners(rings, [LOT])
    by_name = {c.name: c for c in points}
    made = tied(found, rings)
    assert len(made) == len(found)
    for tie in made:
        at = np.array([tie.x, tie.y])
        mine = own_cost(at, by_name[tie.first.name], by_name[tie.second.name], rings)
        best = min(own_cost(at, a, b, rings) for a, b in combinations(points, 2))
        assert mine[:3] == best[:3]
        assert mine[3] <= best[3] + 1e-6
        assert (tie.first.corner_of, tie.second.corner_of) != ("lot", "building")
        if best[1]:
            assert LOT_WORDS in tie.words
        assert ("cross badly" in tie.words) == (best[0] >= 2)
        assert ("in the way" in tie.words) == (best[0] % 2 == 1)


@pytest.mark.parametrize("seed", range(20))
def test_both_tapes_lead_to_the_place_again(seed):
    """Circles by the test's own arithmetic (law of cosines at the first point); `side` says which of both."""
    rng = np.random.default_rng(seed)
    for tie in tied([place(*(float(v) for v in rng.uniform(-24, 30, 2))) for _ in range(10)]):
        a, b = np.array([tie.first.x, tie.first.y]), np.array([tie.second.x, tie.second.y])
        apart = np.linalg.norm(b - a)
        cosine = (tie.first.distance_m**2 + apart**2 - tie.second.distance_m**2) / (2 * tie.first.distance_m * apart)
        turn = math.acos(np.clip(cosine, -1, 1))
        bearing = math.atan2(*(b - a))
        ways = [
            a + tie.first.distance_m * np.array([math.sin(bearing + s * turn), math.cos(bearing + s * turn)])
            for s in (1, -1)
        ]
        off = [float(np.hypot(*(w - [tie.x, tie.y]))) for w in ways]
        assert min(off) < 1e-6
        told = circles(tie.first, tie.second)
        assert np.array(told) == pytest.approx(np.array(ways), abs=1e-6)
        square = math.degrees(bearing) + (90 if off[0] < off[1] else -90)
        assert side(tie) == octant(square % 360)


def test_tapes_that_do_not_meet_are_none():
    (tie,) = tied([place(20.0, -5.0)])
    short = [type(f)(name=f.name, corner_of=f.corner_of, x=f.x, y=f.y, distance_m=0.1) for f in (tie.first, tie.second)]
    assert circles(*short) is None
    assert circles(tie.first, tie.first) is None


@pytest.mark.parametrize("seed", range(30))
def test_shift_and_turn_make_no_difference(seed):
    rng = np.random.default_rng(seed)
    rings = random_rings(rng) if seed % 3 else [HOUSE]
    found = [place(*(float(v) for v in rng.uniform(-40, 40, 2))) for _ in range(8)]
    if seed % 3 == 0:  # equal pairs: midway between corners
        found += [place(6.0, -3.0), place(6.0, 14.0)]
    a, shift = rng.uniform(0, 2 * math.pi), rng.uniform(-500, 500, 2)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])

    def moved(xy):
        return np.asarray(xy) @ turn.T + shift

    here = tied(found, rings)
    there = tied(
        [place(*(float(v) for v in moved([p.x, p.y]))) for p in found],
        [moved(r) for r in rings],
        [moved(LOT)],
    )
    for one, other in zip(here, there, strict=True):
        assert moved([one.first.x, one.first.y]) == pytest.approx([other.first.x, other.first.y], abs=1e-6)
        assert moved([one.second.x, one.second.y]) == pytest.approx([other.second.x, other.second.y], abs=1e-6)
        assert [one.first.distance_m, one.second.distance_m] == pytest.approx(
            [other.first.distance_m, other.second.distance_m], abs=1e-6
        )
        assert one.error_m == pytest.approx(other.error_m, abs=1e-9)


def test_corners_of_the_house_come_before_those_of_the_lot():
    """A lot corner 1 m away crosses better; two of the house are taken all the same."""
    near = np.array([[5.0, -7.0], [60.0, -7.0], [60.0, 40.0], [5.0, 40.0]])
    (tie,) = tied([place(6.0, -6.0)], parcel=(near,))
    assert {tie.first.name, tie.second.name} == {"house corner SW", "house corner SE"}
    assert LOT_WORDS not in tie.words


def test_without_a_building_the_lot_must_do_and_that_is_told():
    (tie,) = tied([place(0.0, 0.0)], buildings=())
    assert {tie.first.corner_of, tie.second.corner_of} == {"lot"}
    assert tie.words == f"exit of B-01; {LOT_WORDS}"
    assert tied([place(0.0, 0.0)], buildings=(), parcel=()) == ()
    assert tied([]) == ()


def test_a_tape_goes_round_no_house():
    """North of the house nobody sees its southern corners."""
    (tie,) = tied([place(6.0, 13.0)])
    assert {tie.first.name, tie.second.name} == {"house corner NE", "house corner NW"}
    shed = np.array([[5.0, 10.5], [7.0, 10.5], [7.0, 11.5], [5.0, 11.5]])
    (other,) = tied([place(6.0, 20.0)], buildings=(HOUSE, shed), names=("house", "shed"))
    assert "in the way" not in other.words


def test_what_goes_through_the_wall_is_tied_though_it_lies_on_it():
    for y in (8.0, 7.7, 8.2):
        (tie,) = tied([place(3.0, y, "wall")])
        assert "in the way" not in tie.words
        assert (
            30
            <= crossing_deg(*(np.array(v) for v in ((3.0, y), *((f.x, f.y) for f in (tie.first, tie.second)))))
            <= 150
        )


def test_the_error_is_that_of_both_tapes_and_the_place():
    """Monte Carlo: tapes of 0.03 m; root mean square along one direction is 0.03 / sin of the angle."""
    (tie,) = tied([place(14.0, -9.0)])
    angle = crossing_deg(*(np.array(v) for v in ((14.0, -9.0), *((f.x, f.y) for f in (tie.first, tie.second)))))
    assert tie.error_m == pytest.approx(TAPE_M / math.sin(math.radians(angle)))
    (blurred,) = tied([place(14.0, -9.0, error_m=0.4)])
    assert blurred.error_m == pytest.approx(math.hypot(0.4, tie.error_m))
    rng = np.random.default_rng(1)
    off = []
    for noise in rng.normal(size=(20_000, 2)) * 0.03:
        pair = [
            type(f)(name=f.name, corner_of=f.corner_of, x=f.x, y=f.y, distance_m=f.distance_m + e)
            for f, e in zip((tie.first, tie.second), noise, strict=True)
        ]
        off.append(min((np.array(w) - [14.0, -9.0] for w in circles(*pair)), key=np.linalg.norm))
    assert math.sqrt(np.mean(np.square(off))) == pytest.approx(tie.error_m, rel=0.02)


def rod(number, x, y, depth=0.5, error=0.1):
    return BuiltRod(
        rod=number, station_m=3.0 * number, x=x, y=y, z_m=0.0, ground_m=depth, depth_m=depth, read_depth_m=depth,
        pitch_pct=0.0, along_m=0.0, right_m=0.0, down_m=0.0, tube_m=0.3, error_m=error, error_z_m=0.1, gap_m=None,
        allowed_m=None, told=False,
    )  # fmt: skip


def bore(bore_id, state, legs):
    return BuiltBore(
        bore_id=bore_id,
        state=state,
        source="logged",
        planned=np.zeros((2, 3)),
        painted=np.zeros((2, 2)),
        planned_length_m=50.0,
        length_m=50.0,
        max_depth_m=4.0,
        pipe_m=100.0,
        hole_diameter_m=0.127,
        legs=legs,
    )


def leg(number, rods, *, abandoned=False):
    return BuiltLeg(
        number=number,
        abandoned=abandoned,
        given_up_from=2 if abandoned else None,
        rods=rods,
        line=np.array([[r.x, r.y, r.z_m] for r in rods]),
    )


def test_what_is_tied():
    dead = leg(1, (rod(1, 1.0, -10.0), rod(2, 2.0, -12.0, depth=3.2, error=0.2)), abandoned=True)
    live = leg(2, (rod(0, 0.0, -9.0, depth=math.nan), rod(1, 1.0, -10.0), rod(9, 4.0, -30.0)))
    header = np.array([[0.0, -9.0], [0.0, -4.0], [3.0, 0.0]])
    found = places(
        [bore("B-01", "drilled", (dead, live)), bore("B-02", "begun", (live,)), bore("B-03", "planned", ())],
        header=header,
        header_depth_m=1.2,
    )
    assert [(p.what, p.bore_id, p.x, p.y) for p in found] == [
        ("entry", "B-01", 0.0, -9.0),
        ("exit", "B-01", 4.0, -30.0),
        ("end", "B-01", 2.0, -12.0),
        ("end", "B-02", 4.0, -30.0),
        ("header", "", 0.0, -9.0),
        ("wall", "", 3.0, 0.0),
    ]
    assert [p.depth_m for p in found] == [None, 0.5, 3.2, 0.5, 1.2, 1.2]
    assert [p.error_m for p in found] == [0.1, 0.1, 0.2, 0.1, 0.0, 0.0]
    assert found[3].words == "head of B-02, begun"
    assert found[2].words == "end of hole 1 of B-01, given up"
    with_wall = places([], header=header, wall=np.array([3.0, 0.5]))
    assert [(p.what, p.y) for p in with_wall] == [("header", -9.0), ("header", 0.0), ("wall", 0.5)]
    assert [p.what for p in places([], wall=np.array([3.0, 0.5]))] == ["wall"]
    assert [(p.what, p.y) for p in places([], header=header, wall=header[-1])] == [("header", -9.0), ("wall", 0.0)]
    assert [p.what for p in places([bore("B-04", "begun", (dead,))])] == ["end"]
    made = ties(
        found,
        buildings=[HOUSE],
        parcel=[LOT],
        to_file=lambda xy: np.asarray(xy) + 1000,
        to_lonlat=lambda xy: np.asarray(xy) / 1e5,
    )
    assert [t.mark for t in made] == ["A", "B", "C", "D", "E", "F"]
    assert [(t.file_x, t.file_y, t.lon, t.lat) for t in made[1:2]] == [(1004.0, 970.0, 4e-5, -3e-4)]
    assert [t.depth_m for t in made] == [p.depth_m for p in found]
    assert len({letter(n) for n in range(800)}) == 800


def test_an_exit_that_was_carried_on_is_tied_where_it_comes_up_and_says_so():
    live = leg(1, (rod(0, 0.0, -9.0), rod(9, 4.0, -30.0, depth=1.6, error=0.1)))
    beyond = live.line[-1] + [0.0, -4.0, 1.6]
    drilled = bore("B-01", "drilled", (dataclasses.replace(live, line=np.vstack([live.line, beyond])),))
    (exit_,) = (p for p in places([drilled]) if p.what == "exit")
    assert (exit_.x, exit_.y, exit_.depth_m) == (4.0, -34.0, 0.0)
    assert "not measured" in exit_.words
    assert exit_.error_m > 0.5


def test_many_corners_take_no_time():
    """A school's lot of 300 corners and 60 places: 45,000 pairs each."""
    angle = np.linspace(0, 2 * math.pi, 300, endpoint=False)
    star = np.where(np.arange(300)[:, None] % 2, 80.0, 100.0) * np.column_stack([np.cos(angle), np.sin(angle)])
    rng = np.random.default_rng(2)
    made = tied([place(*(float(v) for v in rng.uniform(-30, 30, 2))) for _ in range(60)], buildings=(), parcel=(star,))
    assert len(made) == 60
    assert all("cross badly" not in t.words for t in made)
