"""The page's log and look-ahead against Python's: the same hashes, texts, legs, files, figures and words."""

from __future__ import annotations

import hashlib
import json
import math
import random
from dataclasses import asdict, replace

import numpy as np
import pytest
from node import PAGE, run_js

from loopgis.bore.steer import clock
from loopgis.core.units import length_text
from loopgis.field.ahead import State, can_make, exit_at, reach
from loopgis.field.log import appended, canonical, entry_hash, merged, readings, spans, standing, verify
from loopgis.field.log_read import read_logs, write_log_csv, write_log_json
from loopgis.field.model import Entry, Log

TEXTS = [
    *(
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        "'=1+1",
        "'",
        "''x",
        " =1+1",
        "\u200b=2",
        "\ufeff=3",
        "\uff1d1",
        "\u00a0@x",
        "\u2028=1",
    ),
    *(
        "<script>alert(1)</script>",
        "</script><!--",
        "a,b;c\td",
        'he said "no"',
        "ليلة → 🚧 e\u0301",
        "\u202egnp.exe",
        "\\",
        "\\u0041",
    ),
    *(
        "a\nb\r\nc",
        "bell\x07\x00\x1b[2J\x7f\x85\x9f",
        "\ud800half",
        "half\udc00",
        "👩‍👩‍👧",
        "\U0010ffff\uffff",
        " blank ",
        "null",
        "",
        "1e5",
    ),
    *("__proto__", "constructor", "\u2028\u2029", "${7*7}", "\U0001d518niverse", "\uffffz", "\U00010000z"),
]
FIGURES = [
    -0.0,
    0.0,
    1e-10,
    -1e-10,
    5e-10,
    0.1 + 0.2,
    1 / 1024,
    -12.5,
    1e14 + 0.3,
    999999999999999.0,
    4511505.6361234,
    1e-7,
    3.0,
    2.5e-9,
]


def js(script, cases):
    """What the function gives for each case; one process."""
    return run_js(f"(cases) => cases.map({script})", cases)


def as_page(text):
    """A text as JSON hands it over: two halves of a pair beside each other are one letter."""
    return json.loads(json.dumps(text))


def any_text(rng):
    kind = rng.random()
    if kind < 0.5:
        return rng.choice(TEXTS)
    letters = [
        chr(
            rng.choice(
                [rng.randrange(0x100), rng.randrange(0x3000), rng.randrange(0xD7F0, 0xE010), rng.randrange(0x110000)]
            )
        )
    ]
    return as_page("".join(rng.choice(letters + list("ab\"\\,='")) for _ in range(rng.randrange(9))))


def any_figure(rng):
    kind = rng.random()
    if kind < 0.3:
        return rng.choice(FIGURES)
    return rng.choice([-1, 1]) * rng.random() * 10.0 ** rng.randrange(-12, 15)


def any_entry(rng):
    some = {
        k: any_figure(rng) if rng.random() < 0.6 else None
        for k in ("depth_m", "pitch_pct", "roll", "offset_m", "x", "y", "accuracy_m")
    }
    return Entry(
        entry_id=any_text(rng),
        tablet=any_text(rng),
        number=rng.randrange(10**6),
        layout_id=any_text(rng),
        bore_id=any_text(rng),
        event=rng.choice(["rod", "start", "note", "pull"]),
        read_at="2026-05-04T14:03:22.123Z",
        rod=rng.randrange(40),
        remark=any_text(rng),
        of=any_text(rng),
        values={any_text(rng): any_figure(rng) for _ in range(rng.randrange(4))},
        **some,
    )


def test_core_needs_nothing_but_the_language_and_makes_one_global():
    assert run_js(
        "() => Object.getOwnPropertyNames(globalThis).filter((k) => k === 'Core' || k === 'require' || k === 'document')"
    ) == ["Core"]
    before = run_js("() => Object.getOwnPropertyNames(globalThis)", files=())
    after = run_js("() => Object.getOwnPropertyNames(globalThis)")
    assert set(after) - set(before) == {"Core"}
    text = (PAGE / "core.js").read_text(encoding="utf-8")
    assert not [
        w
        for w in ("document", "window.", "innerHTML", "eval(", "Function(", "localStorage", "fetch(", "import ", "(?<")
        if w in text
    ]


def test_sha256_of_published_vectors_and_of_every_length():
    known = {  # FIPS 180-4 examples
        "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039"
        "a33ce45964ff2167f6ecedd419db06c1",
        "": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    }
    texts = [*known, *("x" * n for n in range(130)), "é→🚧" * 40, "a" * 100_000]
    got = js("(t) => Core.sha256(t)", texts)
    assert got == [hashlib.sha256(t.encode()).hexdigest() for t in texts]
    assert got[:3] == list(known.values())


def test_500_random_entries_have_the_same_text_and_hash():
    rng = random.Random(8)  # noqa: S311 - cases
    entries = [any_entry(rng) for _ in range(500)]
    befores = [rng.choice(["", "ab" * 32]) for _ in entries]
    got = js(
        "([e, b]) => [Core.canonical(e), Core.sha256(Core.canonical(e)), Core.entryHash(e, b)]",
        [[asdict(e), b] for e, b in zip(entries, befores, strict=True)],
    )
    for entry, before, (text, digest, hashed) in zip(entries, befores, got, strict=True):
        want = canonical(asdict(entry))
        assert (text, digest) == (want, hashlib.sha256(want.encode()).hexdigest())
        assert hashed == entry_hash(entry, before)


@pytest.mark.parametrize("value", ["1e15", "-1e15", "NaN", "Infinity", "true", "[1]", "(() => 1)"])
def test_what_no_log_can_keep_is_refused(value):
    told = f"() => {{ try {{ return Core.canonical({{a: {value}}}); }} catch (e) {{ return e.name; }} }}"
    assert run_js(told) == "RangeError"


WHAT = {"layout_id": "L-01", "bore_id": "B-01", "event": "rod", "rod": 1, "read_at": "2026-05-04T14:03:22.123Z"}


@pytest.mark.parametrize(
    ("tablet", "what", "match"),
    [
        (" \n", {}, "no name"),
        ("A", {"read_at": "yesterday"}, "is no time"),
        ("A", {"read_at": "2026-02-30T14:03:22Z"}, "is no time"),
        ("A", {"depth_m": 1e15}, "no figure"),
        ("A", {"depth_m": "3"}, "no figure"),
        ("A", {"rod": 1.5}, "whole number"),
        ("A", {"rod": -1}, "whole number"),
        ("A", {"event": "boom"}, "no event"),
        ("A", {"bore_id": "x" * 201}, "more than 200"),
        ("A", {"values": {str(i): 1 for i in range(201)}}, "more than 200 values"),
        ("A", {"values": {"x" * 201: 1}}, "more than 200"),
    ],
)
def test_append_refuses_what_the_reader_would_refuse(tablet, what, match):
    told = "([t, w]) => { try { return Core.append([], t, w); } catch (e) { return `${e.name}: ${e.message}`; } }"
    assert match in run_js(told, [tablet, {**WHAT, **what}])


def page_log(seed, n=60):
    """Entries that the page's `append` makes of hostile texts and odd figures, and what it was told."""
    rng = random.Random(seed)  # noqa: S311 - cases
    told = []
    for k in range(n):
        event = rng.choice(["rod", "rod", "start", "exit", "note", "pull", "test", "undo", "abandon"])
        what = {"layout_id": "=L1", "bore_id": rng.choice(["B-01", '"B,02"']), "event": event, "rod": rng.randrange(9)}
        what |= {
            "read_at": f"2026-05-04T12:{k // 60:02}:{k % 60:02}.{k:03}Z",
            "remark": any_text(rng),
            "of": f"T-{rng.randrange(1, n)}",
        }
        what |= {f: any_figure(rng) for f in ("depth_m", "pitch_pct", "x", "y") if rng.random() < 0.6}
        what["values"] = {any_text(rng): any_figure(rng) for _ in range(rng.randrange(4))}
        told.append(what)
    return told


APPENDED = "(whats) => whats.reduce((all, w) => [...all, Core.append(all, 'T', w)], [])"


def test_appended_entries_are_those_of_python():
    whats = page_log(1)
    got = run_js(APPENDED, whats)
    want: list[Entry] = []
    for what in whats:
        want.append(appended(want, "T", **what))
    assert [Entry(**g) for g in got] == want
    assert [list(g) for g in got] == [list(asdict(e)) for e in want]
    assert verify(want) == [] == run_js("Core.verify", got)
    other = appended(want, "U", **WHAT)
    assert run_js("([e, w]) => Core.append(e, ' U ', w)", [[*got, asdict(other)], WHAT])["number"] == 2
    now = run_js("(w) => Core.append([], 'A', w)", {k: v for k, v in WHAT.items() if k != "read_at"})
    assert now["read_at"].endswith("Z")
    assert len(now["read_at"]) == len("2026-05-04T14:03:22.123Z")
    long = run_js("(w) => Core.append([], 'A', w)", {**WHAT, "remark": "🚧" * 12_000})
    assert long["remark"] == "🚧" * 10_000


@pytest.mark.parametrize("seed", range(6))
def test_files_of_the_page_are_those_of_python_byte_by_byte_and_read_back_whole(seed, tmp_path):
    whats = page_log(seed)
    script = f"""([whats, file]) => {{ const e = ({APPENDED})(whats);
        return [e, Core.logText({{ file }}, "T", e), Core.csvText(e)]; }}"""
    entries, text, table = run_js(script, [whats, "lay\nouts <1>.gpkg"])
    want = tuple(Entry(**e) for e in entries)
    for name, told, write in (("a.json", text, write_log_json), ("a.csv", table, write_log_csv)):
        path = tmp_path / name
        path.write_bytes(told.encode("utf-8"))
        back = read_logs([path])
        assert back.entries == want
        assert [p for p in back.problems if "takes back" not in p] == []
        more = {"file": "lay\nouts <1>.gpkg"} if write is write_log_json else {}
        assert write(back, tmp_path / f"again {name}", **more).read_bytes() == told.encode("utf-8")
    head = json.loads(text)
    assert (head["schema"], head["tablet"], head["counts"]) == ("loopgis-log/1", "T", {"T": len(entries)})
    assert list(head) == ["schema", "file", "tablet", "counts", "entries"]


def test_a_log_of_nobody_and_of_two():
    a = asdict(appended([], "é", **WHAT))
    b = asdict(appended([], "Z", **WHAT))
    empty, two = run_js(
        "([a, b]) => [Core.logText({ file: 'f' }, 'A', []), Core.logText({ file: 'f' }, 'A', [a, b])]", [a, b]
    )
    assert json.loads(empty) == {"schema": "loopgis-log/1", "file": "f", "tablet": "A", "counts": {}, "entries": []}
    assert {k: v for k, v in json.loads(two).items() if k in {"tablet", "counts"}} == {
        "tablet": "",
        "counts": {"Z": 1, "é": 1},
    }
    refused = """(e) => [() => Core.csvText([e]), () => Core.logText({}, "A", [e])].map((f) => {
        try { return f(); } catch (x) { return x.name; } })"""
    assert run_js(refused, {**a, "depth_m": 1e16}) == ["RangeError", "RangeError"]


def random_log(rng):
    """A log of one or two tablets and two bores, with undos of undos, abandons, clocks that go back and entries changed later."""
    entries: list[Entry] = []
    for k in range(rng.randrange(1, 40)):
        tablet = rng.choice(["A", "A", "B", "😀"][: rng.choice([1, 4])])
        event = rng.choice(["start", *["rod"] * 6, "exit", "abandon", "undo", "undo", "note"])
        own = [e.entry_id for e in entries] or ["A-1"]
        minute = max(0, k + rng.choice([0, 0, 0, -7]))
        what = {
            "layout_id": "L",
            "bore_id": rng.choice(["B-01", "B-01", "B-02"]),
            "event": event,
            "rod": rng.randrange(9),
        }
        when = rng.choice([f"2026-05-04T12:{minute:02}:00Z", f"2026-05-04T08:{minute:02}:30.25-04:00"])
        entries.append(
            appended(
                entries, tablet, read_at=when, of=rng.choice(own) if event == "undo" else "", depth_m=k / 7, **what
            )
        )
    for _ in range(rng.choice([0, 0, 1, 3])):
        k = rng.randrange(len(entries))
        change = rng.choice(
            [
                {"depth_m": 9.0},
                {"hash": ""},
                {"before": "x"},
                {"number": 0},
                {"entry_id": "\u200bbell"},
                {"hash": "0" * 64},
            ]
        )
        spoiled = replace(entries[k], **change)
        entries = [*entries[:k], spoiled, *entries[k + rng.choice([0, 1]) :]]
    return merged([Log(entries=tuple(entries), problems=())])


def test_what_stands_the_legs_and_the_chain_on_200_random_logs():
    rng = random.Random(3)  # noqa: S311 - cases
    logs = [random_log(rng) for _ in range(200)]
    script = """(entries) => [Core.standing(entries).map((e) => [e.entry_id, e.depth_m]), Core.verify(entries),
        ["B-01", "B-02"].map((b) =>
            [Core.legs(entries, b), Core.legs(entries, b, "L"), Core.legs(entries, b, "M"), Core.current(entries, b)])]"""
    got = js(script, [[asdict(e) for e in log.entries] for log in logs])
    counted = {"undone": 0, "given up": 0, "read again": 0, "problems": 0, "empty": 0}
    for log, (stands, problems, bores) in zip(logs, got, strict=True):
        assert [tuple(s) for s in stands] == [(e.entry_id, e.depth_m) for e in standing(log)]
        assert problems == verify(log.entries)
        counted["undone"] += len(log.entries) - len(stands)
        counted["problems"] += len(problems)
        for bore, (found, same, none, current) in zip(("B-01", "B-02"), bores, strict=True):
            want = readings(log, "L", bore)
            assert found == same
            assert none == []
            assert found == [json.loads(json.dumps(asdict(leg))) for leg in want]
            counted["given up"] += sum(leg["given_up_from"] is not None for leg in found)
            counted["read again"] += sum(bool(leg["others"]) for leg in found)
            if found and found[-1]["given_up_from"] is None:
                assert current == found[-1]
            else:
                assert (current["start"], current["rods"], current["exit"], current["given_up_from"]) == (
                    None,
                    [],
                    None,
                    None,
                )
                counted["empty"] += 1
    assert all(n > 20 for n in counted.values()), counted


# ---- look-ahead


def states(seed, n):
    rng = np.random.default_rng(seed)
    for k in range(n):
        x = np.cumsum(rng.uniform(0.2, 3.0, 25)) - rng.uniform(0, 3)
        depth, pitch, at = (
            rng.uniform(0.2, rng.choice([1.0, 9.0])),
            rng.choice([0.0, rng.uniform(-45, 45)]),
            rng.uniform(0.3, 25.0),
        )
        at = rng.choice([0.0, at], p=[0.02, 0.98])
        middle = rng.choice([rng.uniform(-9, 0.5), -depth + at * pitch / 100 + rng.normal(0, 1)], p=[0.3, 0.7])
        half = rng.uniform(0.0, 0.8)
        yield {
            "depth": float(depth),
            "pitch": float(pitch),
            "at": float(at),
            "radius": float(10 ** rng.uniform(0.7, 2.2)),
            "rod": float(rng.uniform(1.5, 4.6)),
            "most": None if k % 2 else float(rng.uniform(5, 50)),
            "least_z": float(middle - half),
            "most_z": float(middle + half),
            "units": ("us", "metric")[k // 2 % 2],
            "ground": []
            if k % 3 == 0
            else [[float(a), float(b)] for a, b in zip(x, np.cumsum(rng.normal(0, 0.25, 25)), strict=True)],
        }


LOOK = """(c) => { const state = { depth_m: c.depth, pitch_pct: c.pitch, ground: c.ground };
    const make = (units) => Core.canMake({ state, at_m: c.at, least_z: c.least_z, most_z: c.most_z, radius_m: c.radius,
        rod_m: c.rod, steepest: c.most, units });
    const out = (units) => Core.exitAt({ state, radius_m: c.radius, steepest: c.most, units });
    return [Core.reach(state, c.at, c.radius, c.most), make("us"), make("metric"), out("us"), out("metric")]; }"""


def near(got, want, most=1e-6):
    if want is None or got is None or math.isinf(want):
        return got == want
    return abs(got - want) <= most * max(1.0, abs(want))


def test_look_ahead_is_that_of_python_on_500_random_states_in_both_units():
    cases = list(states(11, 500))
    seen = {"made": 0, "missed": 0, "out": 0, "never": 0, "straight up": 0}
    for c, (span, us, metric, out_us, out_metric) in zip(cases, js(LOOK, cases), strict=True):
        state = State(depth_m=c["depth"], pitch_pct=c["pitch"], ground=tuple(map(tuple, c["ground"])))
        want = reach(state, c["at"], c["radius"], most_pitch_pct=c["most"])
        assert all(near(g, w) for g, w in zip(span, want, strict=True))
        for units, made, out in (("us", us, out_us), ("metric", metric, out_metric)):
            what = {"least_z": c["least_z"], "most_z": c["most_z"], "radius_m": c["radius"], "rod_m": c["rod"]}
            told = can_make(state, at_m=c["at"], most_pitch_pct=c["most"], units=units, **what)
            assert (made["possible"], made["words"]) == (told.possible, told.words)
            assert all(near(made[k], getattr(told, k)) for k in ("pitch_pct_per_rod", "rods", "miss_m"))
            end = exit_at(state, radius_m=c["radius"], most_pitch_pct=c["most"], units=units)
            assert out["words"] == end.words
            assert all(near(out[k], getattr(end, k)) for k in ("present_m", "present_pct", "hardest_m", "hardest_pct"))
        seen["made"] += us["possible"]
        seen["missed"] += " too " in us["words"]
        seen["out"] += "comes out" in us["words"]
        seen["never"] += "never" in out_us["words"]
        seen["straight up"] += "straight up" in out_us["words"]
    assert all(n > 4 for n in seen.values()), seen


def test_rods_that_do_not_bend_and_figures_that_are_none():
    case = {**next(states(1, 1)), "radius": 1e300}
    ((span, *_),) = js(LOOK.replace("c.radius", "(c.radius > 1e299 ? Infinity : c.radius)"), [case])
    state = State(depth_m=case["depth"], pitch_pct=case["pitch"], ground=tuple(map(tuple, case["ground"])))
    assert span == pytest.approx(reach(state, case["at"], math.inf, most_pitch_pct=case["most"]), abs=1e-9)
    wrong = [
        {"depth_m": "deep"},
        {"pitch_pct": None},
        {"ground": [[1, 0], [1, 2]]},
        {"ground": [[1, None]]},
        {"radius": 0},
        {"at": -1},
        {"most": -3},
    ]
    told = """(w) => { const s = { depth_m: 1, pitch_pct: 2, ground: [], ...w };
        const [radius, most] = ["radius" in w ? w.radius : 30, "most" in w ? w.most : null];
        try { Core.reach(s, w.at || 1, radius, most); return "took it"; } catch (e) { return e.name; } }"""
    assert js(told, wrong) == ["RangeError"] * len(wrong)
    backwards = """() => { const state = { depth_m: 1, pitch_pct: 0 };
        const asked = { state, at_m: 5, least_z: 2, most_z: 1, radius_m: 30, rod_m: 3 };
        try { return Core.canMake(asked); } catch (e) { return e.message; } }"""
    assert "above its top" in run_js(backwards)


# ---- words


def test_figures_in_words_are_those_of_python():
    rng = np.random.default_rng(5)
    figures = [
        float(v)
        for v in [*rng.normal(0, 30, 1500), *(np.arange(-80, 80) / 8), 0.0, -0.0, 1e-9, -1e-9, 123456789.5, 0.05, 2.675]
    ]
    cases = [[v, d] for v in figures for d in (0, 1, 2)]
    got = js("([v, d]) => [Core.fixed(v, d), Core.length(v, 'us', d), Core.length(v, 'metric', d)]", cases)
    assert got == [[f"{v:.{d}f}", length_text(v, "us", d), length_text(v, "metric", d)] for v, d in cases]
    assert js("(v) => Core.pct(v)", [4.4, -0.4, 0.5, 1.5, -12.5, 30]) == [
        "+4 %",
        "0 %",
        "0 %",
        "+2 %",
        "-12 %",
        "+30 %",
    ]
    assert run_js("() => Core.length(4.572, 'us')") == "15.0 ft"
    turns = [(float(a), float(b)) for a, b in rng.normal(0, 3, (200, 2))]
    assert js("([a, b]) => Core.clock(a, b)", turns) == [
        c.replace(":00", " o'clock") for c in (clock(a, b) for a, b in turns)
    ]
    runs = [[int(v) for v in rng.integers(1, 12, rng.integers(0, 9))] for _ in range(50)]
    assert js("Core.spans", runs) == [spans(r) for r in runs]


def test_places_of_the_file_and_of_the_receiver():
    job = {"to_file": [474528.158, 0.9996, 0.00365, 4700073.019, -0.00365, 0.9996]}
    job["from_lonlat"] = {
        "lon": -75.3,
        "lat": 42.45,
        "x": [1.5, 82261.0, -0.02, 0.1, -1308.6, 0.2],
        "y": [1.7, 0.02, 111082.0, 484.5, 0.3, -0.4],
    }
    script = """([job, x, y]) => [Core.toFile(job, x, y), Core.toLocal(job, ...Core.toFile(job, x, y)), Core.toLocal(job, null, 1),
        Core.fromLonLat(job, -75.3 + 1e-3, 42.45 - 2e-3)]"""
    out, back, none, here = run_js(script, [job, -31.975, 57.27])
    assert out == pytest.approx(
        [474528.158 - 31.975 * 0.9996 + 57.27 * 0.00365, 4700073.019 + 31.975 * 0.00365 + 57.27 * 0.9996], abs=1e-9
    )
    assert back == pytest.approx([-31.975, 57.27], abs=1e-8)
    assert all(map(math.isnan, none))
    terms = np.array([1, 1e-3, -2e-3, 1e-6, -2e-6, 4e-6])
    assert here == pytest.approx([np.dot(job["from_lonlat"][k], terms) for k in "xy"], abs=1e-6)
