"""A made-up layout as drilled, for the tests of the as-built sheet and the owner's page; nothing in it comes from anywhere."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from loopgis.field.book import (
    BuiltBook,
    BuiltBore,
    BuiltCrossing,
    BuiltFinding,
    BuiltHeat,
    BuiltLeg,
    BuiltRecord,
    BuiltRod,
    Fixed,
    Thing,
    Tie,
)

ROD_M = 3.048
LOST = "end of hole 1 of B-02, given up"
LOT = np.array([(0.0, 0.0), (62.0, 2.0), (64.0, 88.0), (1.0, 86.0), (0.0, 0.0)])
HOUSE = np.array([(20.0, 8.0), (38.0, 8.0), (38.0, 20.0), (30.0, 20.0), (30.0, 23.0), (20.0, 23.0), (20.0, 8.0)])
PAD = np.array([(26.0, 29.0), (36.0, 29.0), (36.0, 33.0), (26.0, 33.0), (26.0, 29.0)])
HEADER = np.array([(31.0, 29.0), (31.0, 25.0), (28.0, 23.0)])


def ground(xy):
    """Height of the made-up ground, metres."""
    return 100.0 + 0.02 * xy[..., 0] - 0.015 * xy[..., 1] + 0.3 * np.sin(xy[..., 1] / 12.0)


def planned(start, azimuth_deg, length_m, depth_m, *, pitch=0.3, wander=0.0):
    """(n, 3) path at about every half metre: down at a slope, level, up again; wander: bends to the right, metres at the end."""
    s = np.linspace(0.0, length_m, max(2, int(length_m / 0.5) + 1))
    a = math.radians(azimuth_deg)
    off = wander * (s / length_m) ** 2
    xy = np.asarray(start) + np.column_stack([s * math.sin(a) + off * math.cos(a), s * math.cos(a) - off * math.sin(a)])
    down = np.minimum(np.minimum(pitch * s, depth_m), pitch * (length_m - s))
    return np.column_stack([xy, ground(xy) - np.convolve(np.pad(down, 8, "edge"), np.ones(17) / 17, "valid")])


def stations(line):
    """Drilled metres along a path."""
    return np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]


def leg(plan, *, number=1, wander=0.4, rods=None, first=0, abandoned=False, given_up_from=None, remark="", problems=()):
    """A leg that goes off its plan to the right and a little deep; rods: how many of it were drilled."""
    line = plan.copy()
    s = stations(line)
    way = line[-1, :2] - line[0, :2]
    right = np.array([way[1], -way[0]]) / np.hypot(*way)
    off = wander * np.sin(s / s[-1] * 2.2)
    line[:, :2] += off[:, None] * right
    sag = 0.35 * abs(wander) * np.sin(s / s[-1] * math.pi)
    line[:, 2] -= sag
    every = int(s[-1] / ROD_M)
    count = every if rods is None else rods
    made = []
    for n in range(first, count + 1):
        at = min(n * ROD_M, s[-1])
        xyz = np.array([np.interp(at, s, line[:, k]) for k in range(3)])
        gz = float(ground(xyz[:2]))
        k = min(int(np.searchsorted(s, at)), len(s) - 2)
        pitch = 100 * (line[k + 1, 2] - line[k, 2]) / max(np.hypot(*(line[k + 1, :2] - line[k, :2])), 1e-9)
        gap = 0.05 * math.sin(n * 1.7) + (0.35 if n == 11 else 0.0)
        depth = gz - xyz[2]
        tube = 0.3048 + 0.05 * depth
        now, low = float(np.interp(at, s, off)), float(np.interp(at, s, sag))
        made.append(
            BuiltRod(
                rod=n,
                station_m=at,
                x=float(xyz[0]),
                y=float(xyz[1]),
                z_m=float(xyz[2]),
                ground_m=gz,
                depth_m=depth,
                read_depth_m=None if n in {0, 5} else depth + gap,
                pitch_pct=None if n == 6 else float(pitch),
                along_m=0.02 * n,
                right_m=now,
                down_m=low,
                tube_m=tube,
                error_m=0.05 + 0.02 * n,
                error_z_m=0.04 + 0.03 * depth,
                gap_m=None if n in {0, 5} else gap,
                allowed_m=max(0.15, 0.05 * depth),
                told=math.hypot(now, low) > 0.6 * tube,
                read_at=f"2026-05-0{1 + number % 8}T09:{n % 60:02d}:00.000Z",
                remark=remark if n == 9 else "cobbles, slow" if n == 12 else "",
            )
        )
    end = made[-1].station_m if made else 0.0
    return BuiltLeg(
        number=number,
        abandoned=abandoned,
        given_up_from=given_up_from,
        rods=tuple(made),
        line=line[s <= end + 0.3],
        problems=tuple(problems),
    )


def crossing(
    n, station, *, kind="gas_line", label="gas service", code="G", gap=0.9, outcome="pass", how="under", plan=1.0
):
    """A thing that is passed."""
    return BuiltCrossing(
        feature_id=f"f{n}",
        kind=kind,
        label=label,
        code=code,
        station_m=station,
        rod=round(station / ROD_M),
        how=how,
        planned_m=plan,
        clearance_m=gap,
        sigma_m=None if gap is None else 0.12,
        required_m=0.61,
        outcome=outcome,
    )


def record(event, outcome, said, limit, words="", bore_id="B-01"):
    """A record beside the rods."""
    return BuiltRecord(
        bore_id=bore_id,
        event=event,
        read_at="2026-05-02T15:10:00.000Z",
        tablet="A",
        said=said,
        limit=limit,
        outcome=outcome,
        words=words,
    )


def fixed(name, corner_of, at, from_):
    """A corner that a tape is hooked to."""
    return Fixed(
        name=name, corner_of=corner_of, x=at[0], y=at[1], distance_m=float(np.hypot(at[0] - from_[0], at[1] - from_[1]))
    )


CORNERS = (
    ("house, north-west corner", "building", (20.0, 23.0)),
    ("house, north-east corner", "building", (38.0, 20.0)),
    ("lot corner 3", "lot", (64.0, 88.0)),
    ("lot corner 4", "lot", (1.0, 86.0)),
)


def tie(what, mark, at, depth, *, words="", bore_id="", error=0.15):
    """Something with tapes from its two nearest corners."""
    near = sorted(CORNERS, key=lambda c: math.hypot(c[2][0] - at[0], c[2][1] - at[1]))[:2]
    return Tie(
        what=what,
        mark=mark,
        words=words,
        bore_id=bore_id,
        x=float(at[0]),
        y=float(at[1]),
        lon=-73.6 + float(at[0]) * 1.2e-5,
        lat=42.1 + float(at[1]) * 9e-6,
        file_x=612_000.0 + float(at[0]),
        file_y=4_661_000.0 + float(at[1]),
        depth_m=depth,
        error_m=error,
        first=fixed(*near[0], at),
        second=fixed(*near[1], at),
    )


def bore(number, plan, *, state="drilled", legs=(), **more):
    """A bore with its figures taken from its paths."""
    now = next((one for one in reversed(legs) if not one.abandoned), None)
    worst = max(now.rods, key=lambda r: math.hypot(r.right_m, r.down_m)) if now and now.rods else None
    figures = (
        {
            "worst_off_m": math.hypot(worst.right_m, worst.down_m),
            "worst_rod": worst.rod,
            "worst_tube_m": worst.tube_m,
        }
        if worst
        else {}
    )
    depth = ground(plan[:, :2]) - plan[:, 2]
    return BuiltBore(
        bore_id=f"B-{number:02d}",
        state=state,
        source="L-01",
        planned=plan,
        painted=plan[[0, -1], :2],
        planned_length_m=float(stations(plan)[-1]),
        length_m=now.rods[-1].station_m if now and now.rods else 0.0,
        max_depth_m=float(max((r.depth_m for r in now.rods), default=0.0)) if now else float(depth.max()),
        pipe_m=2 * now.rods[-1].station_m if now and now.rods and state == "drilled" else 0.0,
        hole_diameter_m=0.127,
        legs=tuple(legs),
        **(figures | more),
    )


def finding(severity, code, bore_id, message, remedy=""):
    """Something worth telling."""
    return BuiltFinding(severity=severity, code=code, bore_id=bore_id, message=message, remedy=remedy)


def thing(feature_id, kind, label, code, shape, *xy):
    """Something on the picture."""
    return Thing(feature_id=feature_id, kind=kind, label=label, code=code, shape=shape, xy=np.array(xy))


def things():
    """A gas service, a water main, a septic tank, a pond and a drive."""
    return (
        thing("g1", "gas_line", "gas service", "G", "line", (2.0, 52.0), (40.0, 48.0), (63.0, 50.0)),
        thing("w1", "water_service", "", "W", "line", (29.0, 0.5), (29.0, 8.0)),
        thing("e1", "electric_ug", "feed to the barn", "E", "line", (38.0, 15.0), (50.0, 40.0), (55.0, 84.0)),
        thing("s1", "septic_tank", "septic tank", "S", "point", (12.0, 12.0)),
        thing(
            "p1", "surface_water", "pond", "", "area", (3.0, 66.0), (12.0, 66.0), (12.0, 78.0), (4.0, 76.0), (3.0, 66.0)
        ),
        thing("t1", "paved_way", "", "", "area", (39.0, 1.5), (43.0, 1.6), (43.0, 20.0), (39.0, 20.0), (39.0, 1.5)),
    )


def built_book(units="us", *, rods=None):
    """Four bores: drilled with 15 rods, drilled anew after a leg that was given up, begun, and only planned.

    rods: about as many on the first one.
    """
    far = 48.0 if rods is None else rods * ROD_M
    one = planned((28.0, 33.0), 345.0, far, 4.6)
    two = planned((30.5, 33.0), 2.0, 50.0, 4.6)
    three = planned((33.0, 33.0), 20.0, 46.0, 4.6)
    four = planned((35.5, 32.0), 42.0, 36.0, 3.9)
    lost = leg(two, wander=1.9, rods=11, abandoned=True, given_up_from=8, remark="would not turn, pulled back")
    again = leg(two, number=2, wander=-0.5)
    bores = (
        bore(
            1,
            one,
            legs=(leg(one, remark="lost the signal for a while, read again from both sides of the fence"),),
            crossings=(
                crossing(1, 17.5),
                crossing(2, 30.0, kind="electric_ug", label="feed to the barn", code="E", gap=1.4),
            ),
            records=(
                record("pull", "pass", "4.1 kN, 38 min", "at most 9.2 kN"),
                record("test", "fail", "690 to 540 kPa in 15 min", "drop at most 3 %", "fell by 22 %: find the leak"),
                record("purge", "unverified", "15 min", "0.6 m/s in every section", "no flow was recorded"),
            ),
            surveyed_exit=(0.3, -0.2, 0.1),
            remarks=("grouted from the exit",),
        ),
        bore(
            2,
            two,
            legs=(lost, again),
            crossings=(
                crossing(1, 16.0, gap=0.3, outcome="fail"),
                crossing(3, 20.0, kind="pool", label="", code="", gap=None, outcome="unverified", how="beside"),
            ),
        ),
        bore(
            3,
            three,
            state="begun",
            legs=(leg(three, rods=6, wander=0.2),),
            crossings=(crossing(1, 16.5, gap=None, outcome="unverified"),),
        ),
        bore(4, four, state="planned"),
    )
    lost_end, exits = lost.rods[-1], [b.leg.rods[-1] for b in bores[:2]]
    ties = (
        tie("header", "H", (31.0, 27.0), 1.2, words="header at the pad", error=0.05),
        tie("wall", "W", (28.0, 23.0), 0.9, words="pipes through the wall", error=0.02),
        tie("exit", "1", (exits[0].x, exits[0].y), 0.6, bore_id="B-01"),
        tie("exit", "2", (exits[1].x, exits[1].y), 0.6, bore_id="B-02", error=0.9),
        tie(
            "end",
            "X2",
            (lost_end.x, lost_end.y),
            lost_end.depth_m,
            bore_id="B-02",
            error=1.1,
            words="end of hole 1 of B-02, given up",
        ),
        tie("entry", "e1", (28.0, 33.0), 0.0, bore_id="B-01"),
        tie("entry", "e2", (30.5, 33.0), 0.0, bore_id="B-02"),
    )
    return BuiltBook(
        site="Alder Lane 12, Northfield",
        parcel_id="118-4-21",
        layout_id="L-01",
        built_id="L-01-built",
        units=units,
        rig="20 000 lb rig, 10 ft rods",
        pipe="1 in HDPE 4710 SDR 11",
        rod_length_m=ROD_M,
        crs_name="NAD83 / UTM zone 18N",
        claim="Does NOT meet the distances entered: 1 fails",
        bores=bores,
        ties=ties,
        findings=(
            finding(
                "error",
                "clearance",
                "B-02",
                "passes 1.0 ft under the gas service where 2.0 ft are asked",
                "show it to the gas company",
            ),
            finding(
                "warning", "closure", "B-01", "at rod 11 locator and summed pitch differ by 1.2 ft", "read rod 11 again"
            ),
            finding("note", "unread", "B-01", "rod 5 was not read"),
        ),
        accuracy=(
            "Places come from summed pitch and offsets from the painted line, depths from a walkover locator.",
            "One standard error grows from 0.2 ft at the entry to 1.2 ft at the exit; the exit of B-01 was surveyed to 0.1 ft.",
        ),
        sources=("log-A.json: tablet A, 61 entries, chain kept", "sheet.csv: spreadsheet, 12 rows, no chain"),
        parcel=(LOT,),
        buildings=(HOUSE,),
        things=things(),
        pad=PAD,
        header=HEADER,
        heat=BuiltHeat(
            planned_length_m=180.0,
            length_m=176.0,
            planned_needed_m=171.0,
            needed_m=178.0,
            planned_ewt_c=(-1.0, 27.1),
            ewt_c=(-1.4, 27.6),
            limits_c=(-3.9, 35.0),
            years=25,
        ),
        records=(record("test", "pass", "700 kPa for 60 min", "690 kPa, 15 min", bore_id=""),),
        tracer="10 gauge copper wire beside every pipe, ends in the box at the wall",
        first_day="2026-05-01",
        last_day="2026-05-04",
        facts=("propylene glycol 20 %, freezes at 18 °F", "running pressure 20 to 50 psi"),
    )


def nothing_drilled(units="us"):
    """The same before the first rod."""
    book = built_book(units)
    bare = tuple(
        replace(
            b,
            state="planned",
            legs=(),
            crossings=(),
            records=(),
            surveyed_exit=None,
            worst_off_m=None,
            worst_rod=None,
            worst_tube_m=None,
            length_m=0.0,
            pipe_m=0.0,
            remarks=(),
        )
        for b in book.bores
    )
    return replace(
        book,
        bores=bare,
        ties=(),
        findings=(),
        accuracy=(),
        sources=(),
        heat=None,
        records=(),
        tracer="",
        first_day="",
        last_day="",
        facts=(),
        claim="",
    )


def school(units="us", count=44):
    """As many bores side by side from a long pad, two of them given up once, the last ones not drilled."""
    book = built_book(units)
    xs = np.linspace(6.0, 130.0, count)
    bores, ties = [], []
    for n, x in enumerate(xs, 1):
        plan = planned((x, 40.0), 1.5 * math.sin(n), 90.0, 5.2)
        legs = [] if n > max(count - 6, 1) else [leg(plan, wander=0.45 * math.sin(n), number=2 if n in {7, 20} else 1)]
        if n in {7, 20}:
            legs.insert(0, leg(plan, wander=2.6, rods=14, abandoned=True, given_up_from=9))
        some = tuple(crossing(k, 10.0 + 8 * k, gap=0.7 + 0.1 * k) for k in range(n % 4)) if legs else ()
        bores.append(bore(n, plan, state="drilled" if legs else "planned", legs=legs, crossings=some))
        if legs:
            end = legs[-1].rods[-1]
            ties += [
                tie("exit", str(n), (end.x, end.y), 0.5, bore_id=f"B-{n:02d}", error=0.05 * n),
                tie("entry", f"e{n}", (x, 40.0), 0.0, bore_id=f"B-{n:02d}"),
            ]
    lot = np.array([(0.0, 0.0), (140.0, 0.0), (140.0, 145.0), (0.0, 145.0), (0.0, 0.0)])
    hall = np.array([(20.0, 6.0), (110.0, 6.0), (110.0, 30.0), (20.0, 30.0), (20.0, 6.0)])
    pad = np.array([(4.0, 37.0), (132.0, 37.0), (132.0, 40.0), (4.0, 40.0), (4.0, 37.0)])
    return replace(
        book,
        site="Ashby Road School",
        claim="Meets the distances entered",
        bores=tuple(bores),
        ties=(*book.ties[:2], *ties),
        parcel=(lot,),
        buildings=(hall,),
        pad=pad,
        header=np.array([(66.0, 37.0), (66.0, 30.0)]),
        records=book.records,
        findings=tuple(
            finding("warning", "drift", f"B-{n:02d}", f"drifted out of its tube at rod {n}", "see the rods")
            for n in range(1, 39)
        ),
    )


EVIL = (
    "$\\frac{1}{0}$ & <b>\x00\x1b[31m</b>\u202e)('; DROP \ud800 "
    "\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627 \U0001f6a7\n$x^"
)
LONG = ("the old clay drain of the lower orchard that nobody has seen since the barn was moved " * 4)[:300]


def hostile(units="us"):
    """The four bores with every text of somebody's replaced by a bad one or a very long one."""
    book = built_book(units)

    def bad(bore_one):
        legs = tuple(
            replace(
                one, rods=tuple(replace(r, remark=EVIL if r.rod % 2 else LONG) for r in one.rods), problems=(EVIL, LONG)
            )
            for one in bore_one.legs
        )
        crossings = tuple(
            replace(c, label=LONG if n else EVIL, kind="=cmd()" if n else c.kind)
            for n, c in enumerate(bore_one.crossings)
        )
        records = tuple(
            replace(r, said=EVIL, limit=LONG, words=LONG, tablet=EVIL, read_at=EVIL) for r in bore_one.records
        )
        return replace(
            bore_one,
            bore_id=f"{bore_one.bore_id} {EVIL} {LONG}",
            legs=legs,
            crossings=crossings,
            records=records,
            remarks=(EVIL, LONG),
        )

    ties = tuple(
        replace(
            t,
            mark=f"{t.mark}{LONG}",
            words=EVIL,
            bore_id=LONG,
            first=replace(t.first, name=LONG),
            second=replace(t.second, name=EVIL),
        )
        for t in book.ties
    )
    return replace(
        book,
        site=LONG,
        parcel_id=EVIL,
        layout_id=EVIL,
        built_id=LONG,
        rig=LONG,
        pipe=EVIL,
        crs_name=LONG,
        claim=f"{LONG} {EVIL}",
        bores=tuple(bad(b) for b in book.bores),
        ties=ties,
        tracer=LONG,
        first_day=EVIL,
        last_day=LONG,
        facts=(EVIL, LONG, LONG, LONG),
        findings=tuple(replace(f, message=LONG, remedy=EVIL, code=EVIL, bore_id=LONG) for f in book.findings) * 9,
        accuracy=(EVIL, LONG),
        sources=(LONG, EVIL) * 6,
        things=tuple(
            replace(t, label=EVIL if n % 2 else LONG, kind="nobody knows it" if n == 4 else t.kind)
            for n, t in enumerate(book.things)
        ),
    )
