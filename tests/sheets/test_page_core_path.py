"""The page's path, tube, steering and questions: the same as field/path.py and compare.py, and rarely asked of a clean bore."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from node import run_js
from page_case import FINE, RADIUS_M, ROD_M, case, entry, in_file, leg, read

from loopgis.field.compare import drift, drift_words
from loopgis.field.path import ACCURACY, traverse

TRACK = """([jobs, legs]) => legs.map(([b, leg]) =>
    [Core.track(jobs[b], jobs[b].bores[0], leg), Core.head(jobs[b], jobs[b].bores[0], leg)])"""


def python_path(c, entries):
    return traverse(
        entries,
        entry_xyz=c.planned[0],
        azimuth_deg=c.bore["azimuth_deg"],
        rod_length_m=ROD_M,
        ground=c.ground,
        planned=c.planned,
        painted=c.painted,
        bend_radius_m=RADIUS_M,
        units=c.job["units"],
    )


def spoiled(entries, rng):
    """The log of a crew that leaves things out and gets them wrong."""
    rows = list(entries)
    for _ in range(rng.integers(0, 5)):
        k = int(rng.integers(1, len(rows)))
        e = rows[k]
        change = [
            {"depth_m": None},
            {"pitch_pct": None},
            {"offset_m": None},
            {"depth_m": (e.depth_m or 1) * 3.28084},
            {"pitch_pct": -(e.pitch_pct or 1)},
            {"offset_m": (e.offset_m or 0) + 1.5},
            {"offset_m": 400.0},
            {"depth_m": 250.0},
            {"pitch_pct": 3000.0},
            {"roll": 14.5},
            {"x": 12.0 + 1.5 * k, "y": -7.0 + 2.0 * k, "accuracy_m": 0.5},
            {"x": 12.0 + 1.5 * k, "y": -7.0 + 2.0 * k},
            {"x": 9e7, "y": 1.0},
        ][int(rng.integers(13))]
        rows[k] = replace(e, **change)
    for _ in range(rng.integers(0, 3)):
        if len(rows) > 3:
            del rows[int(rng.integers(1, len(rows) - 1))]
    return rows if rng.random() < 0.8 else rows[1:]


def cases():
    return [
        case(),
        case(slope=0.06, waves_m=0.3, units="us"),
        case(azimuth_deg=220.0, bend_deg=9.0, slope=-0.05, units="us"),
        case(azimuth_deg=300.0, bend_deg=-6.0, rods=11, deep_m=2.0),
    ]


def test_closure_and_deviation_are_those_of_python_on_160_legs():
    rng = np.random.default_rng(4)
    made = cases()
    legs = []
    for n in range(160):
        c = made[n % len(made)]
        rods = int(rng.integers(1, c.bore["rods"] + 1))
        off = rng.choice([0.0, 0.05])
        entries = read(
            c,
            rng,
            rods=rods,
            right_m=lambda k, o=off: o * k,
            low_m=lambda k, o=off: -o * k / 2,
            depths=n % 7 != 3,
            offsets=n % 5 != 2,
        )
        legs.append((n % len(made), entries if n % 3 == 0 else spoiled(entries, rng)))
    got = run_js(TRACK, [[c.job for c in made], [[b, leg(e)] for b, e in legs]])
    worst = Counter()
    seen = Counter()
    for (b, entries), (found, head) in zip(legs, got, strict=True):
        c = made[b]
        want = python_path(c, entries)
        told = drift(want.leg, c.planned)
        pairs = {
            "gap": (found["gap"], want.gap_m),
            "allowed": (found["allowed"], want.allowed_m),
            "xyz": (found["xyz"], want.leg.xyz),
            "error": (found["error"], want.leg.error_m),
            "ground": (found["ground"], want.leg.ground_m),
            "pitch": (found["pitch"], want.leg.pitch_pct),
            "off": (found["off"], told.off_m),
            "tube": (found["tube"], told.tube_m),
            "ahead": (found["ahead"], told.ahead_m),
            "right": ([a["right"] for a in found["away"]], told.away.right_m),
            "down": ([a["down"] for a in found["away"]], told.away.down_m),
            "along": ([a["along"] for a in found["away"]], told.away.along_m),
        }
        for name, (page, two) in pairs.items():
            one = np.array(page, dtype=float)
            assert one.shape == two.shape
            assert (np.isnan(one) == np.isnan(two)).all(), name
            worst[name] = max(worst[name], float(np.nanmax(np.abs(one - two), initial=0.0)))
        assert found["told"] == told.told.tolist()
        assert found["problems"] == list(want.leg.problems)
        seen.update(p.split(": ")[-1].split()[0] for p in found["problems"])
        last = len(found["number"]) - 1
        read_last = entries[-1].depth_m is not None and found["used"][last]
        closure = head["closure"] or {"gap_m": np.nan}
        assert np.isnan(want.gap_m[-1]) or closure["gap_m"] == pytest.approx(want.gap_m[-1], abs=1e-6)
        assert head["off_m"] == pytest.approx(told.off_m[-1], abs=1e-6)
        assert head["depth_m"] == pytest.approx(
            entries[-1].depth_m if read_last else want.leg.ground_m[-1] - want.leg.xyz[-1, 2], abs=1e-6
        )
        words = drift_words(want.leg, told, c.job["units"])
        if head["drift"] and int(np.argmax(told.told)) == last:
            assert f"rod {last}: {head['drift']}" in words
        assert head["out"] == bool(want.leg.ground_m[-1] - want.leg.xyz[-1, 2] < 0.15)
        assert bool(head["drift"]) == bool(not head["out"] and (told.told[-1] or told.off_m[-1] > told.tube_m[-1]))
        assert head["left_tube"] == bool(not head["out"] and told.off_m[-1] > told.tube_m[-1])
    assert max(worst.values()) < 1e-6, worst
    assert len(seen) > 8, seen


def test_no_rod_and_a_rod_beyond_all_bores_have_no_head():
    c = case()
    start = entry("start", 0, pitch_pct=-30.0)
    far = entry("rod", 5000, depth_m=2.0, pitch_pct=0.0)
    got = run_js(TRACK, [[c.job], [[0, leg([start])], [0, leg([start, far])]]])
    assert got == [[None, None], [None, None]]


def test_a_long_bore_with_a_wrong_number_does_not_hold_up_the_page():
    c = case()
    rows = [*read(c, np.random.default_rng(1), rods=6), entry("rod", 1999, depth_m=2.0, pitch_pct=0.0)]
    script = "([job, leg]) => { const t = Date.now(); Core.head(job, job.bores[0], leg); return Date.now() - t; }"
    assert run_js(script, [c.job, leg(rows)]) < 5000


# ---- state, windows ahead


AHEAD = """([job, leg]) => { const bore = job.bores[0], head = Core.head(job, bore, leg);
    return [head, Core.state(job, bore, head), Core.ahead(job, bore, head)]; }"""


def test_windows_ahead_are_asked_from_the_head_and_its_ground():
    from loopgis.field.ahead import State, can_make

    c = case(slope=0.05, waves_m=0.2, units="us")
    entries = read(c, np.random.default_rng(2), rods=7)
    row = {r["rod"]: r for r in c.bore["rod"]}

    def window(name, rod, up, half=0.2, **more):
        at = row[rod]
        return {
            "name": name,
            "rod": rod,
            "plan_m": at["plan_m"],
            "least_z": at["z_m"] + up - half,
            "most_z": at["z_m"] + up + half,
            **more,
        }

    windows = [
        window("G behind", 5, 0.0),
        window("G gas line", 9, 0.0),
        window("W main", 10, 3.0),
        window("E nothing to aim at", 11, 0.0, least_z=None),
        window("C crossed limits", 11, 0.0, half=-0.1),
    ]
    job = {**c.job, "bores": [{**c.bore, "windows": windows}]}
    head, state, told = run_js(AHEAD, [job, leg(entries)])
    assert head["rod"] == 7
    assert (head["plan_m"], head["ground_m"]) == pytest.approx((row[7]["plan_m"], row[7]["ground_m"]), abs=0.1)
    assert state["depth_m"] == pytest.approx(entries[-1].depth_m)
    assert state["pitch_pct"] == entries[-1].pitch_pct
    x, z = np.array(state["ground"]).T
    assert (x[0], z[0]) == (0, 0)
    assert (np.diff(x) > 0).all()
    plan, _, ground, *_ = np.array(c.bore["path"]).T
    assert z[1:] + head["ground_m"] == pytest.approx(np.interp(x[1:] + head["plan_m"], plan, ground), abs=1e-9)
    assert [t["window"]["name"] for t in told] == ["G gas line", "W main"]
    for t in told:
        w = t["window"]
        low, high = (w[k] - head["ground_m"] for k in ("least_z", "most_z"))
        python = State(
            depth_m=state["depth_m"], pitch_pct=state["pitch_pct"], ground=tuple(map(tuple, state["ground"]))
        )
        want = can_make(
            python,
            at_m=w["plan_m"] - head["plan_m"],
            least_z=low,
            most_z=high,
            radius_m=RADIUS_M,
            rod_m=ROD_M,
            units="us",
        )
        assert t["words"] == f"{w['name']} at rod {w['rod']}: {want.words}"
        assert t["result"]["possible"] == want.possible
    assert "can still make it" in told[0]["words"]
    assert told[1]["words"].endswith("too low, stop and call")


# ---- what to steer


STEER = """([job, legs]) => legs.map((leg) => { const bore = job.bores[0], head = leg && Core.head(job, bore, leg);
    return [head, Core.steer(job, bore, head)]; })"""


def test_on_the_plan_the_turn_is_the_plans_own():
    c = case(bend_deg=20.0)
    legs = [
        leg(read(c, np.random.default_rng(k), rods=k, same=False, depth_share=1e-4, pitch_err=0.01))
        for k in (1, 4, 9, 18)
    ]
    got = run_js(STEER, [c.job, [None, *legs]])
    rows = c.bore["rod"]
    assert got[0][1]["action"] == rows[0]["action"]
    assert [(s["target"] or {}).get("rod") for _, s in got] == [1, 2, 5, 10, None]
    for k, (head, s) in zip((1, 4, 9), got[1:4], strict=True):
        assert s["target"]["depth_m"] == pytest.approx(rows[k + 1]["depth_m"], abs=0.06)
        assert s["target"]["pitch_pct"] == pytest.approx(rows[k + 1]["pitch_pct"], abs=2.0)
        assert s["change_pct"] == pytest.approx(s["target"]["pitch_pct"] - head["pitch_pct"])


@pytest.mark.parametrize(
    ("right", "low", "words"),
    [(0.0, 0.4, "up"), (0.0, -0.4, "down"), (0.45, 0.0, "left"), (-0.45, 0.0, "right")],
)
def test_a_head_off_its_plan_is_led_back(right, low, words):
    c = case()
    went = {
        "right_m": lambda k: right * min(k, 6) / 6,
        "low_m": lambda k: low * min(k, 6) / 6,
    }  # over six rods, level with the plan since
    entries = read(
        c, np.random.default_rng(1), rods=7 if right else 9, **went, same=False, depth_share=1e-4, pitch_err=0.01
    )
    ((_, told),) = run_js(STEER, [c.job, [leg(entries)]])
    assert words in told["correction"]
    assert told["action"].startswith("steer ")


def test_the_change_told_starts_from_where_the_head_points():
    """Planned level, the head at another pitch: the words' target is the pitch now and the change, never the plan's next row."""
    c = case()
    entries = read(c, np.random.default_rng(1), rods=9, same=False, depth_share=1e-4, pitch_err=0.01)
    entries[-1] = replace(entries[-1], pitch_pct=entries[-1].pitch_pct - 6.0)
    ((head, told),) = run_js(STEER, [c.job, [leg(entries)]])
    to = float(re.search(r"up (\d+) % to ([+-]\d+) %", told["action"])[2])
    assert to == pytest.approx(head["pitch_pct"] + told["change_pct"], abs=0.6)
    assert told["change_pct"] > 3


OBEYS = """(runs) => runs.map(({ job, slips, every, noise, ignored }) => {
  const bore = job.bores[0], rows = bore.rod, path = bore.path, out = [], entries = [], rod = job.rod_m;
  const [p0, p1] = bore.painted, long = Math.hypot(p1[0] - p0[0], p1[1] - p0[1]);
  const way = [(p1[0] - p0[0]) / long, (p1[1] - p0[1]) / long];
  const plan = (t, c) => { let n = 1; while (n < path.length - 1 && path[n][0] < t) n += 1; const [a, b] = [path[n - 1], path[n]];
    return a[c] + (b[c] - a[c]) * (t - a[0]) / (b[0] - a[0]); };
  let [x, y, z, pitch] = [rows[0].x, rows[0].y, rows[0].z_m, rows[0].pitch_pct], t = 0;
  let az = rows[0].azimuth_deg * Math.PI / 180 + Math.atan(slips[0] / 100);
  for (let k = 1; k < rows.length; k += 1) {
    const head = entries.length ? Core.head(job, bore, { start: null, rods: entries, exit: null }) : null;
    const [up, right] = head ? Core.steer(job, bore, head).turn_pct : [rows[1].pitch_pct - rows[0].pitch_pct, 0];
    const next = pitch + up, turn = (ignored ? 0 : right) / 100 + (slips[k] || 0) / 100;
    const mean = (Math.atan(pitch / 100) + Math.atan(next / 100)) / 2, course = az + turn / 2, run = rod * Math.cos(mean);
    x += run * Math.sin(course); y += run * Math.cos(course); z += rod * Math.sin(mean); pitch = next; az += turn;
    for (let n = 0; n < 4; n += 1) { // where the plan is nearest
      const h = 0.01, ax = (plan(t + h, 3) - plan(t - h, 3)) / (2 * h), ay = (plan(t + h, 4) - plan(t - h, 4)) / (2 * h);
      t += ((x - plan(t, 3)) * ax + (y - plan(t, 4)) * ay) / (ax * ax + ay * ay);
    }
    const h = 0.01, ahead = (c) => plan(t + h, c) - plan(t - h, c);
    const side = (x - plan(t, 3)) * ahead(4) - (y - plan(t, 4)) * ahead(3);
    const deep = plan(t, 2) - z, off = (x - p0[0]) * way[1] - (y - p0[1]) * way[0], e = noise ? noise[k] : [0, 0, 0, 0, 0];
    entries.push({ entry_id: "A-" + k, event: "rod", rod: k, depth_m: deep * (1 + e[0]) + e[1], pitch_pct: pitch + e[2] + e[3],
      offset_m: k % every ? null : off + e[4], x: null, y: null });
    out.push([side / (2 * h), z - plan(t, 1), bore.tube_m + bore.tube_share * Math.max(deep, 0), pitch]);
  }
  return out; })"""
"""Every order is followed; slips: turns by rod, percent, that nobody ordered. By rod: right, above, tube, pitch."""


def plans():
    """Ten plans: straight and bent in plan, shallow and deep, on level and rising ground."""
    return [
        case(rods=24, deep_m=deep, entry_pct=entry, bend_deg=bend, slope=slope, azimuth_deg=15.0 + 35.0 * n)
        for n, (deep, entry, bend, slope) in enumerate(
            [
                (4.0, -30.0, 0.0, 0.0),
                (4.6, -35.0, 0.0, 0.0),
                (3.0, -25.0, 0.0, 0.0),
                (4.5, -30.0, 0.0, 0.02),
                (4.0, -40.0, 0.0, -0.03),
                (2.5, -20.0, 0.0, 0.0),
                (4.0, -30.0, 10.0, 0.0),
                (4.6, -30.0, -8.0, 0.03),
                (3.5, -35.0, 5.0, 0.0),
                (5.0, -35.0, 0.0, 0.0),
            ]
        )
    ]


def noise(c, rng):
    """Errors of the reads (path.Accuracy) by rod: share of the depth, depth, pitch shared by all, pitch, offset."""
    rows = c.bore["rod"]
    same, tilt = rng.normal(0, ACCURACY.depth_same_share), rng.normal(0, ACCURACY.pitch_same_pct)
    found = []
    for r in rows:
        factor = 2 if r["depth_m"] > 4.572 or abs(r["pitch_pct"]) > 30 else 1
        own = max(ACCURACY.depth_share * r["depth_m"], ACCURACY.least_m) * factor
        both = float(np.hypot(own, ACCURACY.depth_same_share * factor * r["depth_m"]))
        found.append([same, rng.normal(0, own), tilt, rng.normal(0, ACCURACY.pitch_pct), rng.normal(0, both)])
    return found


def obeyed(runs):
    return [np.array(rows).T for rows in run_js(OBEYS, runs, bare=False)]


@pytest.mark.parametrize("slips", [(3.0, 2.0), (-3.0, -2.0), (3.0, -2.0)])
@pytest.mark.parametrize("every", [1, 2])
def test_a_head_that_obeys_comes_back_and_does_not_snake(slips, every):
    """A heading slip at the entry and another at rod 3, exact readings, ten plans, an offset at every or at every second rod."""
    runs = [{"job": c.job, "slips": [slips[0], 0, 0, slips[1]], "every": every} for c in plans()]
    for side, above, tube, _ in obeyed(runs):
        assert np.abs(side[8:] / tube[8:]).max() < 0.5
        assert (np.hypot(side, above) < tube).all()
        first = np.flatnonzero(side * slips[0] < 0)
        assert not first.size or np.abs(side[first[0] :]).max() < 0.25  # the second slip may go the other way
        if slips[0] * slips[1] > 0:
            assert (side * np.sign(slips[0])).min() > -0.15
        assert np.abs(above).max() < 0.1


@pytest.mark.parametrize("every", [1, 2])
def test_a_head_that_obeys_stays_in_its_tube_with_the_locators_errors(every):
    """150 bores, two slips each, with offsets at every rod; 300 at every second."""
    rng, made = np.random.default_rng(3 + every), plans()
    ways = rng.choice([-1, 1], size=150 * every).tolist()
    runs = [
        {"job": c.job, "slips": [3.0 * way, 0, 0, 2.0 * way], "every": every, "noise": noise(c, rng)}
        for c, way in zip(made * (len(ways) // 10), ways, strict=True)
    ]
    stayed = [bool((np.hypot(side, above) <= tube).all()) for side, above, tube, _ in obeyed(runs)]
    assert np.mean(stayed) >= 0.9, f"{sum(stayed)} of {len(ways)} stay in their tubes"


def test_a_head_that_obeys_no_turn_sideways_is_told_to_turn_until_it_does():
    c = plans()[0]
    runs = [{"job": c.job, "slips": [3.0], "every": 1, "ignored": True}]
    ((side, *_),) = obeyed(runs)
    assert side[-1] > 1.5
    went = {"right_m": lambda k: 0.09 * k}
    entries = read(c, np.random.default_rng(1), rods=9, **went, same=False, depth_share=1e-4, pitch_err=0.01)
    ((_, told),) = run_js(STEER, [c.job, [leg(entries)]])
    assert told["turn_pct"][1] < -3
    assert re.search(r"left \d+ %", told["action"])


# ---- questions


ASK = """([job, asked]) => asked.map(([leg, entry]) => Core.checks(job, job.bores[0], leg, entry))"""


def asked(c, rows, new):
    (found,) = run_js(ASK, [c.job, [[leg(rows), in_file(new)]]])
    return found


def quiet(c, rods, **more):
    """A bore read almost without error up to a rod, and what would be read at the next."""
    rows = read(c, np.random.default_rng(7), rods=rods + 1, same=False, depth_share=1e-3, pitch_err=0.05, **more)
    return rows[:-1], rows[-1]


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("rods", [0, 1, 3, 8, 15])
def test_a_good_reading_is_not_asked_about(units, rods):
    c = case(units=units, slope=0.04)
    rows, new = quiet(c, rods)
    assert asked(c, rows, new) == []
    assert asked(c, rows[1:], new) == []  # nothing was read at the entry
    assert asked(c, [*rows, new], new) == []  # the entry stands in the leg already
    assert asked(c, rows, replace(new, depth_m=None, pitch_pct=None, offset_m=None)) == []
    assert asked(c, rows, replace(new, event="note")) == []


def test_missing_rods():
    c = case()
    rows, new = quiet(c, 8)
    assert asked(c, [e for e in rows if e.rod not in {7, 8}], new) == [
        {"code": "missing", "words": "rods 7-8 not read", "fix": None}
    ]
    assert asked(c, [e for e in rows if e.rod not in {3, 8}], new)[0]["words"] == "rod 8 not read"
    far = asked(c, rows, replace(new, rod=30_000))
    assert [q["code"] for q in far] == ["impossible"]


def test_offsets_that_nobody_reads_are_asked_for_at_every_fourth_rod():
    c = case()
    rows = read(c, np.random.default_rng(7), same=False, depth_share=1e-3, pitch_err=0.05)
    blind = [replace(e, offset_m=None) if e.rod > 3 else e for e in rows]
    told = one_by_one([(c, blind)])[0]
    assert [k + 1 for k, found in enumerate(told) if "offset" in found] == [7, 11, 15]
    (seventh,) = asked(c, blind[:7], blind[7])
    words = "left or right was not read since rod 3: nobody will know where the bore lies sideways"
    assert seventh == {"code": "offset", "words": words, "fix": None}
    assert asked(c, blind[:7], rows[7]) == []
    late = asked(c, blind[:7], blind[8])  # rod 7 was not read at all
    assert [q["code"] for q in late] == ["missing", "offset"]
    none = [replace(e, offset_m=None) for e in rows]
    assert asked(c, none[:4], none[4])[0]["words"].startswith("left or right was not read yet: ")


@pytest.mark.parametrize("away", [5.0, -5.0, 0.0])
def test_straight_on_is_told_only_where_the_head_points_as_planned(away):
    """A head at its planned place that points otherwise: the change, the pitch it leads to and the depth are the rod's own."""
    c = case()
    row, after = c.bore["rod"][1:3]
    at = {"rod": 1, "plan_m": row["plan_m"], "pitch_pct": row["pitch_pct"] + away, "best_z_m": row["z_m"]}
    at |= {"ground_m": row["ground_m"], "side_m": 0.0, "side_per_m": 0.0}
    told = run_js("([job, at]) => Core.steer(job, job.bores[0], at)", [c.job, at])
    if not away:
        assert (told["action"], told["clock"]) == ("straight on at -30 %", "")
        return
    assert told["change_pct"] * away < 0
    assert told["target"]["pitch_pct"] == pytest.approx(at["pitch_pct"] + told["change_pct"])
    way = "down" if away > 0 else "up"
    size, to = abs(told["change_pct"]), told["target"]["pitch_pct"]
    assert told["action"] == f"steer {way} {size:.0f} % to {to:+.0f} %"
    mean = (np.arctan(at["pitch_pct"] / 100) + np.arctan(to / 100)) / 2
    assert told["target"]["depth_m"] == pytest.approx(after["ground_m"] - row["z_m"] - ROD_M * np.sin(mean))


def test_a_rod_read_again():
    c = case(units="us")
    rows, _ = quiet(c, 8)
    (again,) = asked(c, rows, replace(rows[6], entry_id="T-99", number=99))
    assert again["code"] == "again"
    assert again["words"].startswith("rod 6 was read before: ")
    assert again["words"].endswith("; the new reading counts")
    assert " ft, " in again["words"]


@pytest.mark.parametrize(
    ("roll", "told"), [(0.0, True), (13.0, True), (-3.0, True), (1.0, False), (12.5, False), (12.0, False)]
)
def test_roll(roll, told):
    c = case()
    rows, new = quiet(c, 4)
    found = asked(c, rows, replace(new, roll=roll))
    assert [q["code"] for q in found] == ["roll"] * told
    assert not told or found[0]["words"] == f"roll {roll:g} is no clock position from 1 to 12"


@pytest.mark.parametrize("rods", [0, 1, 2, 3, 15, 16])
def test_a_sign_slip_comes_with_its_mend(rods):
    c = case()
    rows, new = quiet(c, rods)
    (slip,) = asked(c, rows, replace(new, pitch_pct=-new.pitch_pct))
    assert slip["code"] == "sign"
    assert slip["fix"] == {"pitch_pct": new.pitch_pct}
    assert f"is it {new.pitch_pct:+.1f} %?" in slip["words"]


def test_an_entry_set_up_with_the_wrong_sign_is_told_and_not_believed():
    c = case()
    rows, new = quiet(c, 0)
    start = replace(rows[0], pitch_pct=30.0)
    (slip,) = asked(c, [], start)
    assert (slip["code"], slip["fix"]) == ("sign", {"pitch_pct": -30.0})
    assert asked(c, [], rows[0]) == []
    assert asked(c, [start], new) == []
    (slip,) = asked(c, [start], replace(new, pitch_pct=-new.pitch_pct))
    assert (slip["code"], slip["fix"]) == ("sign", {"pitch_pct": new.pitch_pct})


@pytest.mark.parametrize("change", [14.0, -14.0, 60.0])
def test_a_pitch_that_the_rods_cannot_make(change):
    c = case()
    rows, new = quiet(c, 8)
    (jump,) = asked(c, rows, replace(new, pitch_pct=new.pitch_pct + change))
    assert (jump["code"], jump["fix"]) == ("jump", None)
    assert jump["words"].endswith("more than the rods bend")


@pytest.mark.parametrize("rods", [0, 1, 4, 9])
@pytest.mark.parametrize("factor", [3.28084, 0.3048])
def test_feet_taken_for_metres(rods, factor):
    c = case(units="us")
    rows, new = quiet(c, rods)
    (slip,) = asked(c, rows, replace(new, depth_m=new.depth_m * factor))
    assert slip["code"] == "feet"
    assert slip["fix"] == {"depth_m": pytest.approx(new.depth_m, abs=2e-6)}
    assert slip["words"].endswith(f"Is it {new.depth_m / 0.3048:.2f} ft?")


def test_a_depth_that_cannot_follow():
    c = case()
    rows, new = quiet(c, 8)
    (deep,) = asked(c, rows, replace(new, depth_m=new.depth_m + 0.8))
    assert deep["code"] == "depth"
    assert "is due after the pitch and the rods before" in deep["words"]
    assert "would have gone" not in deep["words"]
    (far,) = asked(c, rows, replace(new, depth_m=new.depth_m + 5.0))
    assert far["code"] == "depth"
    assert "up or down in 3.05 m of rod" in far["words"]


@pytest.mark.parametrize("what", [{"depth_m": 300.0}, {"depth_m": -5.0}, {"pitch_pct": 4000.0}, {"offset_m": 90.0}])
def test_what_no_head_can_do(what):
    c = case()
    rows, new = quiet(c, 4)
    found = asked(c, rows, replace(new, **what))
    assert [q["code"] for q in found] == ["impossible"]
    assert found[0]["words"].startswith("rod 5: ")


def test_the_last_rod_of_which_only_a_part_is_drilled_is_not_asked_about():
    c = case(rods=11, deep_m=2.0, entry_pct=-40.0)
    cut = c.bore["rods"] * FINE - 95  # the ground is reached that share of a rod before the last one's end
    path = [p for p in c.bore["path"] if p[0] <= np.hypot(*(c.fine[cut, :2] - c.fine[0, :2]))]
    lift = path[-1][1] - path[-1][2]
    path = [[*p[:2], p[2] + lift * p[0] / path[-1][0], *p[3:]] for p in path]
    bore = {**c.bore, "path": path}
    c = replace(c, bore=bore, job={**c.job, "bores": [bore]})
    beside = {"right_m": lambda k: 0.28 if k == c.bore["rods"] else 0.0}  # too late to be asked about
    rows = read(c, np.random.default_rng(2), same=False, depth_share=1e-3, pitch_err=0.05, **beside)
    new = replace(rows[-1], depth_m=0.0)
    found, head = run_js(
        """([job, leg, e]) => { const bore = job.bores[0];
            return [Core.checks(job, bore, leg, e), Core.head(job, bore, { ...leg, rods: [...leg.rods, e] })]; }""",
        [c.job, leg(rows[:-1]), in_file(new)],
    )
    assert head["off_m"] > 0.6 * head["tube_m"]
    assert found == []
    assert (head["out"], head["drift"], head["left_tube"]) == (True, "", False)


ONE_BY_ONE = """(bores) => bores.map(([job, leg]) => leg.rods.map((e, k) =>
    Core.checks(job, job.bores[0], { ...leg, rods: leg.rods.slice(0, k) }, e).map((q) => q.code)))"""


def one_by_one(bores):
    """Codes asked at each rod of each bore as it is recorded from its first rod on."""
    return run_js(ONE_BY_ONE, [[c.job, leg(rows)] for c, rows in bores], bare=False)


def test_closure_that_no_error_explains_is_asked_once():
    """A locator that reads a fifth too deep all along: each step fits, the sum does not."""
    c = case(rods=20, deep_m=5.0)
    rows = read(c, np.random.default_rng(1), same=False, depth_share=1e-3, pitch_err=0.02)
    rows = [replace(e, depth_m=e.depth_m * 1.14) if e.rod else e for e in rows]
    found = [q for told in one_by_one([(c, rows)])[0] for q in told]
    assert found.count("closure") == 1
    assert "depth" not in found


def test_a_drifting_head_is_asked_about_before_it_leaves_its_tube_and_once():
    c = case()
    rows = read(
        c,
        np.random.default_rng(3),
        same=False,
        depth_share=0.01,
        pitch_err=0.2,
        right_m=lambda k: 0.012 * max(k - 4, 0) ** 1.6,
    )
    (told,) = one_by_one([(c, rows)])
    first = {q: k + 1 for k, found in reversed(list(enumerate(told))) for q in found}
    assert first["drift"] < first["tube"]
    assert Counter(q for found in told for q in found) == {"drift": 1, "tube": 1}
    ((found, head),) = run_js(TRACK, [[c.job], [[0, leg(rows[: first["tube"] + 1])]]])
    assert head["left_tube"]
    assert head["drift"].startswith("the head has left its tube, ")
    assert found["off"][first["drift"]] < found["tube"][first["drift"]]


@pytest.mark.parametrize(
    ("share", "most"),
    [(0.02, 0.01), (0.05, 0.05)],
    ids=["errors of path.Accuracy", "5 % of the depth at every rod, twice what is customary"],
)
def test_clean_bores_are_asked_about_rarely(share, most):
    """50 bores drilled as planned; pitch errors 0.6 % at every rod, and the errors that all reads of a bore share."""
    rng = np.random.default_rng(50)
    made = cases()
    bores = [(made[n % len(made)], read(made[n % len(made)], rng, depth_share=share)) for n in range(50)]
    told = one_by_one(bores)
    rods = sum(len(found) for found in told)
    counted = Counter(q for found in told for codes in found for q in codes)
    asked_in = sum(any(found) for found in told)
    said = f"asked {counted.total()} times in {rods} rods, in {asked_in} of 50 bores: {dict(counted)}"
    assert counted.total() <= most * rods, said


def test_the_head_stays_where_a_bore_is_that_is_read_clean():
    """The depth shown is the crew's own reading, the place along the plan that of the rods."""
    c = case(bend_deg=12.0, slope=0.03)
    entries = read(c, np.random.default_rng(9), rods=12)
    ((_, head),) = run_js(TRACK, [[c.job], [[0, leg(entries)]]])
    row = c.bore["rod"][12]
    assert head["depth_m"] == pytest.approx(entries[-1].depth_m)
    assert (head["x"], head["y"]) == pytest.approx(tuple(c.fine[12 * FINE, :2]), abs=0.4)
    assert (head["station_m"], head["plan_m"]) == pytest.approx((row["station_m"], row["plan_m"]), abs=0.3)
    assert head["closure"]["ok"] in {True, False}
