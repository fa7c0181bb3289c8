"""The path from a crew's readings, against paths that are known because the test drew them with its own small steps."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loopgis.core.errors import RangeError
from loopgis.field import compare as field_compare
from loopgis.field import path as field_path
from loopgis.field.compare import deviations, drift
from loopgis.field.log import spans
from loopgis.field.model import Entry
from loopgis.field.path import ACCURACY, Accuracy, between, traverse

ROD_M, RADIUS_M = 3.048, 38.0
FINE = 400
ENTRY = np.array([12.0, -7.0, 101.0])


def drawn(pitch, heading, *, rods, azimuth_deg=30.0, entry=ENTRY):
    """Path by steps of 1 / FINE rod (midpoint rule), angles in radians over drilled metres: rod ends, fine, pitches in percent."""
    s = (np.arange(rods * FINE) + 0.5) * ROD_M / FINE
    a, h = pitch(s), math.radians(azimuth_deg) + heading(s)
    step = np.column_stack([np.cos(a) * np.sin(h), np.cos(a) * np.cos(h), np.sin(a)]) * ROD_M / FINE
    fine = entry + np.vstack([np.zeros(3), np.cumsum(step, axis=0)])
    return fine[::FINE], fine, 100 * np.tan(pitch(np.arange(rods + 1) * ROD_M))


def slope(xy):
    """Ground that falls and waves a little."""
    return 101.0 - 0.03 * (xy[:, 0] - 12.0) + 0.2 * np.sin(xy[:, 1] / 9.0) - 0.2 * math.sin(-7 / 9)


def painted(azimuth_deg=30.0, length_m=80.0):
    way = np.array([math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))])
    return ENTRY[:2] + np.outer([0.0, length_m], way)


def log_of(ends, pitch_pct, *, azimuth_deg=30.0, depth=True, offset=True, ground=slope):
    """What a crew would write that reads without error: depth below the ground, pitch, offset right of the straight line."""
    way = np.array([math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))])
    right = (ends[:, :2] - ENTRY[:2]) @ np.array([way[1], -way[0]])
    deep = ground(ends[:, :2]) - ends[:, 2]
    return [
        Entry(
            entry_id=f"t:{k}",
            tablet="t",
            number=k + 1,
            layout_id="L",
            bore_id="B-01",
            event="rod" if k else "start",
            read_at="2026-05-04T12:00:00Z",
            rod=k,
            depth_m=float(deep[k]) if depth and k else None,
            pitch_pct=float(pitch_pct[k]),
            offset_m=float(right[k]) if offset and k else None,
        )
        for k in range(len(ends))
    ]


def solved(log, **more):
    what = {
        "entry_xyz": ENTRY,
        "azimuth_deg": 30.0,
        "rod_length_m": ROD_M,
        "ground": slope,
        "bend_radius_m": RADIUS_M,
        **more,
    }
    return traverse(log, **what).leg


def down_level_up(s, *, bend_rods=4, rods=16):
    """Straight in, arc to level, level, arc up: radians. Bends begin and end with a rod when bend_rods is whole."""
    steep, radius = -0.28, bend_rods * ROD_M / 0.28
    down = steep + np.clip(s - 2 * ROD_M, 0, None) / radius
    up = np.clip(s - (rods - 5) * ROD_M, 0, None) / radius
    return np.minimum(down, 0.0) + up


def zero(s):
    return 0 * s


def s_curve(s):
    """Right, left, straight again: an S in plan."""
    return 0.12 * np.sin(2 * np.pi * np.clip(s - ROD_M, 0, None) / (15 * ROD_M))


PATHS = {
    "straight": (lambda s: -0.1 + 0 * s, zero),
    "arc up": (lambda s: -0.3 + s / 110.0, zero),
    "arc down": (lambda s: 0.05 - s / 150.0, zero),
    "down, level, up": (down_level_up, zero),
    "S in plan": (down_level_up, s_curve),
}


@pytest.mark.parametrize("name", PATHS)
@pytest.mark.parametrize("read", ["both", "pitch", "depth"])
def test_a_known_path_comes_back_within_a_centimetre(name, read):
    ends, _, pitch = drawn(*PATHS[name], rods=16)
    log = log_of(ends, pitch, depth=read != "pitch")
    if read == "depth":
        log = [replace(e, pitch_pct=None) for e in log]
    leg = solved(log)
    off = np.abs(leg.xyz - ends)
    assert off.max() < (0.15 if read == "depth" else 0.001 if "S" in name else 1e-6)
    if read == "both":
        assert leg.problems == ()


def test_a_bend_that_begins_within_a_rod_costs_centimetres():
    """What rods cannot show: pitch between their ends. At most L / 8 times the change of pitch at each end of a bend."""
    ends, _, pitch = drawn(lambda s: down_level_up(s, bend_rods=3.5), zero, rods=16)
    off = np.abs(solved(log_of(ends, pitch, depth=False)).xyz - ends).max()
    assert 0.01 < off < ROD_M / 8 * 0.28 / 3.5 + 0.005


def test_lines_between_rods_lie_on_the_path():
    for pitch, heading in PATHS.values():
        ends, fine, read = drawn(pitch, heading, rods=16)
        leg = solved(log_of(ends, read))
        line = between(leg)
        assert np.linalg.norm(np.diff(line, axis=0), axis=1).max() <= 0.5
        assert min(np.linalg.norm(line - p, axis=1).min() for p in leg.xyz) == 0
        off = max(np.linalg.norm(fine - p, axis=1).min() for p in line)
        assert off < 0.012


def test_a_circle_in_space_is_met_exactly_between_its_rods():
    """Ten rods on one tilted circle: own formula of the circle."""
    u, v = np.array([1.0, 0.0, 0.0]), np.array([0.0, math.cos(0.4), math.sin(0.4)])
    a = np.arange(11) * ROD_M / 25.0
    xyz = 25.0 * (np.outer(np.sin(a), u) + np.outer(1 - np.cos(a), v))
    leg = replace(solved(log_of(*drawn(*PATHS["straight"], rods=10)[::2])), xyz=xyz)
    line = between(leg, step_m=0.3)
    centre = 25.0 * v
    assert np.abs(np.linalg.norm(line - centre, axis=1) - 25.0).max() < 1e-9
    assert np.abs((line - centre) @ np.cross(u, v)).max() < 1e-9


def noisy(log, rng, accuracy=ACCURACY, ends=None):
    """Reads with errors of the stated size, the shared part the same for the bore; offsets err as depths do."""
    shared, pitch_shared, side = rng.normal(size=3) * [accuracy.depth_same_share, accuracy.pitch_same_pct, 1.0]
    out = []
    for e in log:
        if e.depth_m is None:
            out.append(replace(e, pitch_pct=e.pitch_pct + pitch_shared + rng.normal() * accuracy.pitch_pct))
            continue
        own, same = (float(v) for v in accuracy.locate_m(np.array(e.depth_m), np.array(e.pitch_pct)))
        factor = same / (accuracy.depth_same_share * max(abs(e.depth_m), 1e-12))
        out.append(
            replace(
                e,
                depth_m=e.depth_m + own * rng.normal() + shared * factor * e.depth_m,
                pitch_pct=e.pitch_pct + pitch_shared + rng.normal() * accuracy.pitch_pct,
                offset_m=None if e.offset_m is None else e.offset_m + own * rng.normal() + same * side,
            )
        )
    return out


@pytest.mark.parametrize("offset", [True, False])
def test_with_noise_of_the_stated_size_the_truth_lies_within_two_errors(offset):
    """200 seeds; 95 % of rods, each axis by itself."""
    ends, _, pitch = drawn(*PATHS["S in plan" if offset else "down, level, up"], rods=16)
    clean = log_of(ends, pitch, offset=offset)
    way = np.array([[0.5, math.cos(math.pi / 6)], [math.cos(math.pi / 6), -0.5]])
    within, off_m = [], []
    for seed in range(200):
        leg = solved(noisy(clean, np.random.default_rng(seed)))
        off = leg.xyz - ends
        off = np.column_stack([off[:, :2] @ way.T, off[:, 2]])
        within.append(np.abs(off[1:]) <= 2 * leg.error_m[1:])
        off_m.append(off[1:])
    share = np.mean(within, axis=(0, 1))
    off_m = np.array(off_m)
    assert share[2] >= 0.95
    assert share[1] >= 0.94 if offset else share[1] >= 0.95
    assert share[0] >= 0.95
    # together they are better than either alone: less than the locator's own 2.5 % at the bottom
    deepest = int(np.argmax([e.depth_m or 0 for e in clean])) - 1
    assert np.sqrt((off_m[:, deepest, 2] ** 2).mean()) < 0.025 * clean[deepest + 1].depth_m


def straight_plan(rods=20):
    ends, fine, _ = drawn(down_level_up_long, zero, rods=rods)
    return fine[:: FINE // 8], ends


def down_level_up_long(s):
    return down_level_up(s, rods=20)


DRIFTS = {
    "heading 1.5 degrees off": (down_level_up_long, lambda s: np.radians(1.5) * (s > 2 * ROD_M)),
    "turns steadily": (down_level_up_long, lambda s: np.clip(s - 2 * ROD_M, 0, None) / 600.0),
    "too shallow": (lambda s: down_level_up_long(s) + 0.02 * (s > 4 * ROD_M), zero),
    "sinks": (lambda s: down_level_up_long(s) - np.clip(s - 5 * ROD_M, 0, None) / 900.0, zero),
}


@pytest.mark.parametrize("name", DRIFTS)
@pytest.mark.parametrize("noise", [False, True])
def test_a_drifting_head_is_told_before_it_leaves_its_tube(name, noise):
    plan, _ = straight_plan()
    ends, _, pitch = drawn(*DRIFTS[name], rods=20)
    log = log_of(ends, pitch)
    exact = replace(solved(log), xyz=ends)
    gone = np.flatnonzero(drift(exact, plan).off_m > drift(exact, plan).tube_m)
    assert gone.size, "the drift of the test is too small"
    early = 0
    seeds = range(40) if noise else range(1)
    for seed in seeds:
        reads = noisy(log, np.random.default_rng(seed)) if noise else log
        for k in range(3, len(log) + 1):  # as the crew sees it, rod by rod
            leg = solved(reads[:k], painted=painted(), planned=plan)
            told = drift(leg, plan).told
            if told[-1]:
                break
        assert any("drifts" in p for p in leg.problems)
        early += leg.rod[-1] < gone[0]
    assert early >= (0.9 if noise else 1.0) * len(seeds)


def test_a_head_on_its_plan_is_seldom_told_to_drift():
    plan, ends = straight_plan()
    pitch = 100 * np.tan(down_level_up_long(np.arange(21) * ROD_M))
    log = log_of(ends, pitch)
    assert not drift(solved(log), plan).told.any()
    wrong = 0
    for seed in range(100):
        wrong += bool(drift(solved(noisy(log, np.random.default_rng(seed))), plan).told.any())
    assert wrong <= 5


def test_drift_is_carried_on_two_rods():
    """A head that goes 0.1 m right and 0.05 m down per rod, straight: told by where it goes before it has used much of its tube."""
    plan = np.array([[0.0, 0, 0], [0, 40, 0]])
    k = np.arange(6.0)
    leg = replace(
        solved(log_of(*drawn(*PATHS["straight"], rods=5)[::2])),
        xyz=np.column_stack([0.1 * k, 3 * k, -0.05 * k]),
        station_m=3 * k,
        pitch_pct=0 * k,
        ground_m=0 * k + 2.0,
    )
    found = drift(leg, plan)
    assert found.off_m == pytest.approx(math.hypot(0.1, 0.05) * k)
    assert found.ahead_m[1:] == pytest.approx(math.hypot(0.1, 0.05) * (k[1:] + 2))
    assert found.tube_m == pytest.approx(0.3048 + 0.05 * (2 + 0.05 * k))
    assert found.told.tolist() == [False, False, True, True, True, True]
    assert drift(leg, plan, tube_m=3.0).told.tolist() == [False] * 6


def test_errors_of_a_locate_are_half_of_five_percent_and_twice_that_where_it_is_projected():
    """facts/hdd section 6: 5 % of depth; deeper than 15 ft or steeper than 30 % a depth is a projected one."""
    own, same = ACCURACY.locate_m(np.array([3.0, 5.0, 3.0, 0.1]), np.array([0.0, 0.0, -31.0, 0.0]))
    assert np.hypot(own, same)[:3] == pytest.approx([0.075, 0.25, 0.15])
    assert own[3] == 0.02


def test_places_tell_how_long_the_rods_are(good):
    """Rods that are one percent longer than their name, and a receiver's places: the path follows the places along the line."""
    ends, log = good
    log = [replace(e, x=float(p[0]), y=float(p[1]), accuracy_m=0.02) for e, p in zip(log, ends, strict=True)]
    short = ROD_M / 1.01
    way = np.array([0.5, math.cos(math.radians(30))])
    off = (solved(log, rod_length_m=short).xyz - ends)[:, :2] @ way
    plain = [replace(e, x=None, y=None) for e in log]
    without = (solved(plain, rod_length_m=short).xyz - ends)[:, :2] @ way
    assert without[-1] < -0.4
    assert np.abs(off).max() < 0.1
    assert solved(log).error_m[-1, 0] < solved(plain).error_m[-1, 0] / 2


def test_deviations_have_the_signs_of_the_crew():
    plan, ends = straight_plan(10)
    leg = solved(log_of(ends, np.zeros(11)))
    right = np.array([math.cos(math.radians(30)), -math.sin(math.radians(30)), 0.0])
    moved = replace(leg, xyz=ends + 0.4 * right + np.array([0, 0, -0.2]))
    away = deviations(moved, plan)
    assert away.right_m == pytest.approx(0.4, abs=1e-6)
    on_way = np.abs(away.down_m - 0.2)
    assert on_way.max() < 1e-3
    assert np.abs(away.along_m).max() < 1e-3
    with pytest.raises(RangeError, match="planned path"):
        deviations(leg, plan[:, :2])
    with pytest.raises(RangeError, match="stations"):
        deviations(leg, plan, np.zeros(3))


def test_deviation_past_both_ends_goes_on_straight():
    plan = np.array([[0.0, 0, 0], [0, 10, 0]])
    leg = solved(log_of(*drawn(*PATHS["straight"], rods=2)[::2]))
    leg = replace(leg, xyz=np.array([[1.0, -2, 0], [0, 5, 0], [-1, 12, -3]]), station_m=np.array([0.0, 5, 10]))
    away = deviations(leg, plan)
    assert away.along_m.tolist() == [-2, 0, 2]
    assert away.right_m.tolist() == [1, 0, -1]
    assert away.down_m.tolist() == [0, 0, 3]


# what does not fit


@pytest.fixture
def good():
    ends, _, pitch = drawn(*PATHS["down, level, up"], rods=16)
    return ends, log_of(ends, pitch)


def test_missing_rods_are_told_and_bridged(good):
    ends, log = good
    leg = solved([e for e in log if e.rod not in {5, 9, 10}])
    assert [p for p in leg.problems if "not read" in p] == [f"rods {spans([5, 9, 10])} not read"]
    assert leg.rod.tolist() == list(range(17))
    assert np.isnan(leg.read_depth_m[[5, 9, 10]]).all()
    assert np.abs(leg.xyz - ends).max() < 0.05
    assert leg.error_m[9, 1] > 1.3 * solved(log).error_m[9, 1] / math.sqrt(2)


@pytest.mark.parametrize("roll", [0.0, 0.5, 13.0, -3.0])
def test_a_roll_outside_the_clock_is_told(good, roll):
    _, log = good
    log[4] = replace(log[4], roll=roll)
    log[5] = replace(log[5], roll=12.5)
    assert [p for p in solved(log).problems if "roll" in p] == [
        f"rod 4: roll {roll:g} is no clock position from 1 to 12"
    ]


def test_a_pitch_with_the_wrong_sign_is_told_and_not_summed(good):
    ends, log = good
    log[2] = replace(log[2], pitch_pct=-log[2].pitch_pct)
    leg = solved(log)
    assert any("rod 2" in p and "wrong sign" in p for p in leg.problems)
    assert np.abs(leg.xyz - ends).max() < 0.05
    assert leg.pitch_pct[2] == log[2].pitch_pct  # as it was read


def test_a_pitch_beyond_what_rods_bend_is_told(good):
    _, log = good
    log[8] = replace(log[8], pitch_pct=14.0)
    assert any("rod 8: pitch goes" in p and "more than the rods bend" in p for p in solved(log).problems)


@pytest.mark.parametrize(("rod", "wrong"), [(7, 9.8), (7, 0.4), (7, 30.0), (16, 9.8), (16, 30.0)])
def test_a_depth_that_cannot_be_is_told_and_not_used(good, rod, wrong):
    """Among others in feet taken for metres; also at the last rod, where the crew can be asked at once."""
    ends, log = good
    log[rod] = replace(log[rod], depth_m=wrong)
    leg = solved(log)
    assert any(f"rod {rod}: depth" in p and "not used" in p for p in leg.problems)
    assert np.abs(leg.xyz - ends).max() < 0.02
    assert leg.read_depth_m[rod] == wrong


def test_depths_that_step_off_the_pitch_are_told_and_the_error_grows(good):
    """From rod 8 on half a metre deeper than the pitches lead: dz = L sin a does not hold there."""
    _, log = good
    stepped = [replace(e, depth_m=e.depth_m + 0.7) if e.rod >= 8 else e for e in log]
    leg = solved(stepped)
    assert any(p.startswith("rod 8: depth jumps by 0.7") for p in leg.problems)
    assert any("do not close" in p for p in leg.problems)
    assert leg.error_m[12, 2] > 1.2 * solved(log).error_m[12, 2]


def test_depth_without_pitch_that_bends_too_much_is_told(good):
    _, log = good
    plain = [
        replace(e, pitch_pct=None, depth_m=None if e.depth_m is None else 3.0 + 2.0 * (e.rod in {8, 9})) for e in log
    ]
    told = solved(plain).problems
    assert any("depth bends by" in p for p in told)


def test_an_offset_that_stands_out_alone_is_told_and_not_used(good):
    ends, log = good
    log[8] = replace(log[8], offset_m=2.5)
    leg = solved(log)
    assert any("rod 8: offset is 2.50 m off" in p and "not used" in p for p in leg.problems)
    assert np.abs(leg.xyz - ends).max() < 0.02


def test_offsets_that_bend_more_than_rods_are_told(good):
    """From rod 8 on all lie 2 m right."""
    _, log = good
    assert any(
        "offset bends" in p for p in solved([replace(e, offset_m=2.0) if e.rod >= 8 else e for e in log]).problems
    )


@pytest.mark.parametrize("what", [{"depth_m": 900.0}, {"depth_m": -3.0}, {"offset_m": 40.0}, {"x": 500.0, "y": 0.0}])
def test_reads_that_no_drilled_length_reaches_are_told_and_not_used(good, what):
    ends, log = good
    log[5] = replace(log[5], **what)
    leg = solved(log)
    assert any("rod 5" in p and "no head can be after 5 rods, not used" in p for p in leg.problems)
    assert np.abs(leg.xyz - ends).max() < 0.02


def test_closure_is_the_locator_less_the_pitch_sum(good):
    """Pitches 4 % too high: after 16 rods the sum is L sum d(sin a) too high, own sum here."""
    ends, log = good
    high = [replace(e, pitch_pct=e.pitch_pct + 4.0) for e in log]
    found = traverse(high, entry_xyz=ENTRY, azimuth_deg=30.0, rod_length_m=ROD_M, ground=slope, bend_radius_m=RADIUS_M)
    angle = np.arctan([e.pitch_pct / 100 for e in high])
    true = np.arctan([e.pitch_pct / 100 for e in log])
    own = -np.cumsum(ROD_M * np.diff(np.r_[0, np.cumsum((np.sin(angle) - np.sin(true))[1:])]))
    assert found.gap_m[16] == pytest.approx(own[-1], abs=0.03)
    told = [p for p in found.leg.problems if "do not close" in p]
    assert len(told) == 1
    assert "deeper" in told[0]
    assert "within the error" not in told[0]
    slightly = [replace(e, pitch_pct=e.pitch_pct + 0.8) for e in log]
    assert any("deeper" in p and p.endswith("within the error of the pitches") for p in solved(slightly).problems)
    deep = [e.depth_m for e in log]
    assert found.allowed_m[8] == max(0.15, 0.05 * deep[8])
    both = np.abs(found.leg.xyz - ends).max()
    alone = np.abs(solved([replace(e, depth_m=None) for e in high]).xyz - ends).max()
    assert both < alone / 2


@pytest.mark.parametrize("logged", [False, True])
def test_a_surveyed_exit_pulls_the_end(logged):
    """Pitches 1 % low and no depths: the survey closes them; the last part of a rod has a reading of its own or not."""
    ends, fine, pitch = drawn(lambda s: -0.25 + s / 80.0, zero, rods=14)
    above = fine[FINE:, 2] > slope(fine[FINE:, :2])
    out = FINE + int(np.argmax(above))
    assert above.any()
    last = out // FINE
    log = [replace(e, pitch_pct=e.pitch_pct - 1.0) for e in log_of(ends, pitch, depth=False)]
    log[last + 1] = replace(log[last + 1], pitch_pct=100 * math.tan(-0.25 + out / FINE * ROD_M / 80.0) - 1.0)
    log = log[: last + 1 + logged]
    free = solved(log)
    found = traverse(
        log,
        entry_xyz=ENTRY,
        azimuth_deg=30.0,
        rod_length_m=ROD_M,
        ground=slope,
        bend_radius_m=RADIUS_M,
        surveyed_exit=fine[out],
    )
    leg, n = found.leg, last + 1
    assert leg.rod.tolist() == list(range(last + 2))
    assert leg.station_m[-1] == pytest.approx(out / FINE * ROD_M, abs=0.05)
    assert leg.xyz[-1].tolist() == fine[out].tolist()
    assert found.exit_gap_m is not None
    assert found.exit_gap_m[:2] == pytest.approx((0.0, 0.0), abs=1e-6)
    assert found.exit_gap_m[2] == pytest.approx(0.01 * ROD_M * last, abs=0.1)
    assert np.abs(leg.xyz[:n] - ends[:n]).max() < 0.5 * np.abs(free.xyz[:n] - ends[:n]).max()
    assert leg.error_m[-1].tolist() == [0.03] * 3
    assert any(p.startswith("exit: surveyed place") and p.endswith("up") for p in leg.problems)


def test_an_exit_that_no_part_of_a_rod_explains_is_told(good):
    """The survey lies 1.8 m right and 5 m further than one rod can be."""
    ends, log = good
    way = np.array([0.5, math.cos(math.radians(30))])
    beyond = ends[-1] + np.r_[(ROD_M + 5.0) * way + 1.8 * np.array([way[1], -way[0]]), 0.0]
    leg = solved(log, surveyed_exit=beyond)
    told = [p for p in leg.problems if p.startswith("exit:")]
    assert len(told) == 1
    assert re.search(r"[45]\.\d\d m on, 1\.80 m right", told[0])
    assert leg.xyz[-1].tolist() == beyond.tolist()


def test_places_of_a_receiver_count_by_their_accuracy(good):
    ends, log = good
    shift = np.array([math.cos(math.radians(30)), -math.sin(math.radians(30))])
    sharp = [
        replace(e, offset_m=0.0, x=float(p[0] + 0.3 * shift[0]), y=float(p[1] + 0.3 * shift[1]), accuracy_m=0.02)
        for e, p in zip(log, ends, strict=True)
    ]
    blunt = [replace(e, accuracy_m=None) for e in sharp]
    way = np.array([shift[0], shift[1], 0.0])
    near, far = ((solved(v).xyz - ends) @ way for v in (sharp, blunt))
    assert near[8] == pytest.approx(0.15, abs=0.02)  # both err as the locate does
    assert abs(far[8]) < 0.01


def test_without_offsets_the_head_is_carried_on_and_the_error_grows():
    ends, _, pitch = drawn(*PATHS["straight"], rods=12)
    log = log_of(ends, pitch)
    log = [replace(e, offset_m=None) if e.rod > 4 else e for e in log]
    leg = solved(log)
    assert np.abs(leg.xyz - ends).max() < 0.01
    s = ROD_M * 8
    fix = leg.error_m[4, 1]
    blind = math.sqrt(fix**2 + (s * math.radians(1)) ** 2 + (0.2 / RADIUS_M * s**2 / 2) ** 2)
    assert leg.error_m[12, 1] >= blind - 1e-9
    assert leg.error_m[12, 1] < 2 * blind
    assert (np.diff(leg.error_m[4:, 1]) > 0).all()


def test_a_curved_painted_line_is_followed():
    ends, fine, pitch = drawn(lambda s: -0.1 + 0 * s, lambda s: s / 60.0, rods=14)
    log = [replace(e, offset_m=0.0 if e.rod else None) for e in log_of(ends, pitch)]
    leg = solved(log, painted=fine[::100, :2])
    assert np.abs(leg.xyz - ends).max() < 0.01


def test_unknown_ground_is_told():
    ends, _, pitch = drawn(*PATHS["down, level, up"], rods=16)

    def holes(xy):
        return np.where(xy[:, 1] > 15, np.nan, slope(xy))

    leg = solved(log_of(ends, pitch), ground=holes)
    assert any("ground's height is not known" in p for p in leg.problems)
    assert np.isfinite(leg.xyz).all()
    assert np.abs(leg.xyz - ends).max() < 0.02


def test_nothing_to_go_by_is_refused(good):
    _, log = good
    with pytest.raises(RangeError, match="no rod was read"):
        solved(log[:1])
    with pytest.raises(RangeError, match="neither pitch nor depth"):
        solved([replace(e, pitch_pct=None, depth_m=None) for e in log])
    with pytest.raises(RangeError, match="beyond"):
        solved([replace(log[3], rod=10**7)])
    with pytest.raises(RangeError, match="rod_length_m"):
        solved(log, rod_length_m=0.0)
    with pytest.raises(RangeError, match="has no length"):
        solved(log, painted=np.zeros((2, 2)))
    with pytest.raises(RangeError):
        Accuracy(pitch_pct=0.0)
    plan, _ = straight_plan()
    leg = solved([replace(e, pitch_pct=None, depth_m=None) for e in log], planned=plan)
    assert any("as planned" in p for p in leg.problems)


def test_one_rod_is_enough():
    ends, _, pitch = drawn(*PATHS["straight"], rods=1)
    leg = solved(log_of(ends, pitch))
    assert np.abs(leg.xyz - ends).max() < 0.01
    assert between(leg).shape[0] == 8


def test_strange_figures_give_no_nonsense(good):
    _, log = good
    log[3] = replace(log[3], pitch_pct=math.inf, depth_m=math.nan, offset_m=math.inf)
    log[6] = replace(log[6], pitch_pct=1e12, depth_m=1e9, offset_m=-1e9)
    leg = solved(log)
    assert np.isfinite(leg.xyz).all()
    assert np.isfinite(leg.error_m).all()
    assert any("rod 6" in p for p in leg.problems)


def test_words_in_feet(good):
    _, log = good
    log[7] = replace(log[7], depth_m=9.8)
    assert any(" ft" in p and " m " not in p for p in solved(log, units="us").problems)


def test_field_path_reuses_the_tube_of_the_house_rules():
    """tables/rules/house.toml: bore = { plan = 1.0, vert_pct_depth = 5.0, unit = "ft" }."""
    table = tomllib.loads((Path(field_path.__file__).parents[1] / "tables/rules/house.toml").read_text("utf-8"))
    bore = table["tolerance"]["bore"]
    assert bore["plan"] * 0.3048 == pytest.approx(field_compare.TUBE_M)
    assert bore["vert_pct_depth"] / 100 == pytest.approx(field_compare.TUBE_SHARE)
