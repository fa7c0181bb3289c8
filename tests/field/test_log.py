"""Chain, merging, undo and legs: against node's own JSON and SHA-256, and against 1000 random ways to split and mix logs."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from loopgis.core.errors import InputError, RangeError
from loopgis.field import log as field_log
from loopgis.field.log import appended, canonical, content_id, entry_hash, figure, merged, readings, standing, verify
from loopgis.field.model import Entry, Log

# what node 20's toFixed(9), stripped as the head of log.py says, makes of a figure
FIGURES = [
    *((1e-7, "0.0000001"), (1e-10, "0"), (-1e-10, "0"), (0.1 + 0.2, "0.3"), (-0.0, "0"), (0, "0"), (7, "7")),
    *(
        (1 / 1024, "0.000976563"),
        (-1 / 1024, "-0.000976563"),
        (3 / 1024, "0.002929688"),
        (4511505.636123456, "4511505.636123456"),
    ),
    *((100, "100"), (-12.50, "-12.5"), (123456789012345.0, "123456789012345"), (9.99999999951, "10"), (5e-324, "0")),
    (999999999999999.9, "999999999999999.875"),
]


def time_at(minute: float) -> str:
    moment = datetime(2026, 5, 4, 12, tzinfo=UTC) + timedelta(minutes=minute)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def chain(tablet: str, count: int, start: float = 0.0, bore: str = "B-01") -> list[Entry]:
    """A tablet's log of one bore: the way in, then a reading every three minutes."""
    made: list[Entry] = []
    for rod in range(count):
        made.append(
            appended(
                made,
                tablet,
                layout_id="L1",
                bore_id=bore,
                event="rod" if rod else "start",
                read_at=time_at(start + 3 * rod),
                rod=rod,
                depth_m=0.3 * rod,
                pitch_pct=-30.0 + rod,
            )
        )
    return made


def log(*entries: Entry, problems: tuple[str, ...] = (), source: tuple[str, ...] = ()) -> Log:
    return Log(entries=entries, problems=problems, source=source)


def same(a: Log, b: Log) -> bool:
    return (a.entries, a.problems, a.source) == (b.entries, b.problems, b.source)


@pytest.mark.parametrize(("value", "text"), FIGURES)
def test_figures_as_node_writes_them(value, text):
    assert figure(value) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e15, 1e21, -1e300])
def test_no_figure_no_hash(value):
    with pytest.raises(RangeError, match="no figure"):
        figure(value)


def test_hash_is_sha256_of_the_text_that_the_head_describes():
    entry = Entry(
        entry_id="A-2",
        tablet="A",
        number=2,
        layout_id="L1",
        bore_id="B-01",
        event="test",
        read_at="2026-05-04T14:03:22.123Z",
        rod=3,
        depth_m=1.50,
        remark='gas "main"\nleft\x07 → 🚧',
        values={"b_kpa": 690.0, "a_min": 15},
        before="ab",
        hash="not in it",
    )
    text = (
        '{"accuracy_m":null,"before":"ab","bore_id":"B-01","depth_m":1.5,"event":"test","layout_id":"L1","number":2,"of":"",'
        '"offset_m":null,"pitch_pct":null,"read_at":"2026-05-04T14:03:22.123Z","remark":"gas \\"main\\" left → 🚧","rod":3,'
        '"roll":null,"tablet":"A","values":{"a_min":15,"b_kpa":690},"x":null,"y":null}'
    )
    assert entry_hash(entry, "ab") == hashlib.sha256(text.encode()).hexdigest()
    assert entry_hash(replace(entry, entry_id="B-9", hash=""), "ab") == entry_hash(entry, "ab")
    assert entry_hash(entry, "") != entry_hash(entry, "ab")


def test_node_and_python_write_the_same_text_of_500_random_entries(tmp_path):
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not here; FIGURES above holds what it said")
    rng = np.random.default_rng(8)
    letters = [
        *"aZ0 \"\\/'=<&",
        "\n",
        "\t",
        "\x00",
        "\x7f",
        "\x85",
        "é",
        "e\u0301",
        "\u2028",
        "\ufeff",
        "\U0001f6a7",
        "\ud800",
        "\udc00",
    ]
    made = []
    for _ in range(500):
        text = "".join(rng.choice(letters, size=rng.integers(0, 12)))
        size = 10.0 ** rng.integers(-12, 15)
        values = {
            f"{'zé_a🚧'[i]}{i}": float(rng.integers(-(2**20), 2**20)) / 2.0 ** rng.integers(0, 31)
            for i in range(rng.integers(0, 5))
        }
        made.append(
            {
                "remark": text,
                "depth_m": float(rng.normal() * size),
                "roll": None,
                "values": values,
                "number": int(rng.integers(9)),
            }
        )
    (tmp_path / "rows.json").write_text(json.dumps(made), encoding="utf-8")
    head = Path(field_log.__file__).read_text(encoding="utf-8").split('"""')[1]
    script = "\n".join(line for line in head.splitlines() if line.startswith("    "))
    script += "\nfor (const row of JSON.parse(require('fs').readFileSync(process.argv[2], 'utf8')))"
    script += " console.log(require('crypto').createHash('sha256').update(canonical(row), 'utf8').digest('hex'));"
    (tmp_path / "hash.js").write_text(script, encoding="utf-8")
    told = subprocess.run(
        [node, str(tmp_path / "hash.js"), str(tmp_path / "rows.json")], capture_output=True, text=True, check=True
    )
    rows = json.loads((tmp_path / "rows.json").read_text(encoding="utf-8"))
    assert told.stdout.split() == [hashlib.sha256(canonical(row).encode()).hexdigest() for row in rows]


def test_a_chain_continues_and_holds():
    entries = chain("A", 5)
    assert [e.entry_id for e in entries] == [f"A-{n}" for n in range(1, 6)]
    assert entries[0].before == ""
    assert all(b.before == a.hash == entry_hash(a, a.before) for a, b in pairwise(entries))
    other = appended(
        [*entries, *chain("B", 9)],
        "A",
        layout_id="L1",
        bore_id="B-01",
        event="note",
        read_at=time_at(99),
        remark="a\nb",
    )
    assert (other.number, other.before, other.remark) == (6, entries[-1].hash, "a b")
    assert verify([*entries, other]) == []


@pytest.mark.parametrize(
    "what", [{"read_at": "14:03"}, {"read_at": "2026-13-04T14:03:22Z"}, {"read_at": time_at(0), "depth_m": math.nan}]
)
def test_no_entry_of_nonsense(what):
    with pytest.raises(InputError):
        appended([], "A", layout_id="L1", bore_id="B-01", event="note", **what)
    with pytest.raises(InputError, match="no name"):
        appended([], " \n", layout_id="L1", bore_id="B-01", event="note", read_at=time_at(0))


def test_tampering_shows():
    good = chain("A", 6)
    assert verify(reversed(good)) == []
    changed = [*good[:2], replace(good[2], depth_m=9.9), *good[3:]]
    assert verify(changed) == ["tablet A: entry 3 was changed after it was written"]
    forged = replace(good[2], depth_m=9.9)
    forged = replace(forged, hash=entry_hash(forged, forged.before))
    assert verify([*good[:2], forged, *good[3:]]) == [
        "tablet A: entry 4 does not follow entry 3, one of them was changed or put in"
    ]
    assert verify([*good[:2], *good[3:]]) == ["tablet A: entries 3 are missing"]
    assert verify(good[3:]) == ["tablet A: entries 1-3 are missing"]
    swapped = [
        *good[:2],
        replace(good[2], number=4, entry_id="A-4"),
        replace(good[3], number=3, entry_id="A-3"),
        *good[4:],
    ]
    told = verify(swapped)
    assert "tablet A: entry 3 was changed after it was written" in told
    assert "tablet A: entry 4 was changed after it was written" in told
    assert verify([*good, forged]) == ["tablet A: there are 2 different entries 3"]
    bare = verify([*good[:5], replace(good[5], hash="")])
    assert bare == ["tablet A: entry 6 carries no hash"]
    assert verify([*good[:5], replace(good[5], entry_id="B-6")]) == ["tablet A: entry 6 is called B-6"]
    assert verify([replace(good[0], depth_m=math.inf)]) == ["tablet A: entry 1 was changed after it was written"]


@pytest.mark.parametrize("name", [n for n in field_log.FIELDS if n not in {"tablet", "hash"}])
def test_every_field_is_held_by_the_chain(name):
    good = chain("A", 3)
    odd = {"number": 7, "rod": 3, "event": "note", "values": {"a": 1.0}, "read_at": time_at(3.5)}
    text = dict.fromkeys(("entry_id", "layout_id", "bore_id", "remark", "of", "before"), "other")
    changed = replace(good[1], **{name: {**odd, **text}.get(name, 0.123)})
    assert verify([good[0], changed, good[2]])


def test_a_clock_that_went_back_is_told_and_the_number_decides():
    entries = chain("A", 3)
    late = appended(
        entries, "A", layout_id="L1", bore_id="B-01", event="rod", read_at=time_at(-500), rod=2, depth_m=5.0
    )
    assert verify([*entries, late]) == ["tablet A: entry 4 is earlier than entry 3 by its clock"]
    (leg,) = readings(merged([log(*entries, late)]), "L1", "B-01")
    assert leg.rods[-1] is late
    assert leg.others == (entries[2],)
    assert leg.problems == ("rod 2 was read 2 times (A-3, A-4): A-4 counts",)


def pool() -> list[Entry]:
    """Three tablets with undos, forks and broken chains, and rows without a chain, some of which repeat chained ones."""
    a, b, c = chain("A", 9), chain("B", 7, 1.0), chain("C", 5, -4.0, "B-02")
    a.append(appended(a, "A", layout_id="L1", bore_id="B-01", event="undo", read_at=time_at(40), of="A-9"))
    b.append(appended(b, "B", layout_id="L1", bore_id="B-01", event="undo", read_at=time_at(50), of="A-10"))
    b.append(appended(b, "B", layout_id="L1", bore_id="B-01", event="undo", read_at=time_at(51), of="Z-1"))
    fork = appended(c[:2], "C", layout_id="L1", bore_id="B-02", event="note", read_at=time_at(3), remark="other")
    copies = [replace(e, tablet="gpkg", before="", hash="", number=i) for i, e in enumerate(a[2:5], 1)]
    lies = [replace(copies[0], depth_m=7.7, number=9)]
    by_hand = [replace(e, tablet="sheet", before="", hash="", entry_id="", read_at="") for e in b[1:4]]
    by_hand = [replace(e, entry_id=content_id(e)) for e in by_hand]
    moved = [replace(e, number=e.number + 3) for e in by_hand]
    return [*a, *b, *c, fork, replace(a[1], remark="changed"), *copies, *lies, *by_hand, *moved]


def test_1000_random_merges_are_order_free_idempotent_and_lose_nothing():
    rng = np.random.default_rng(2026)
    entries = pool()
    whole = merged([log(*entries)])
    chained = {(e.entry_id, e.hash, e.remark) for e in entries if e.hash}
    assert {(e.entry_id, e.hash, e.remark) for e in whole.entries if e.hash} == chained
    # of 10 loose rows 3 repeat chained ones, and 3 stand twice
    assert len(whole.entries) == len([e for e in entries if e.hash]) + 4
    for turn in range(1000):
        logs = []
        for part in range(int(rng.integers(1, 6))):
            picked = rng.permutation(len(entries))[: int(rng.integers(0, len(entries) + 1))]
            logs.append(
                log(*(entries[i] for i in picked), problems=(f"file {part}: cut off",), source=(f"{part}.json",))
            )
        rest = [e for e in entries if not any(e is o for one in logs for o in one.entries)]
        logs.append(log(*rest))
        flat = merged(logs)
        shuffled = merged([logs[i] for i in rng.permutation(len(logs))] + [logs[0], flat])
        assert same(flat, shuffled)
        if turn % 4 == 0:
            cut = int(rng.integers(0, len(logs) + 1))
            assert same(flat, merged([merged(logs[cut:]), merged(logs[:cut])]))
            assert same(flat, merged([flat]))
        assert flat.entries == whole.entries
        assert set(whole.problems) <= set(flat.problems)


def test_merged_tells_what_is_loose_and_forgets_what_was_filled():
    entries = chain("A", 6)
    first, second = merged([log(*entries[:2])]), merged([log(*entries[3:], problems=("file b.json: was cut off",))])
    assert second.problems == ("file b.json: was cut off", "tablet A: entries 1-3 are missing")
    assert merged([first, second, log(entries[2])]).problems == ("file b.json: was cut off",)
    whole = merged([log(*pool())])
    assert "tablet B: B-9 takes back 'Z-1', which no log holds" in whole.problems
    assert "tablet gpkg: A-3 says something else than tablet A wrote" in whole.problems
    assert "tablet C: there are 2 different entries 3" in whole.problems


def test_order_is_by_time_then_tablet():
    a, b = chain("A", 3), chain("B", 3)
    assert [e.entry_id for e in merged([log(*b), log(*a)]).entries] == ["A-1", "B-1", "A-2", "B-2", "A-3", "B-3"]
    early = replace(a[0], read_at="2026-05-04T12:00:00Z")
    later = replace(a[1], read_at="2026-05-04T12:00:00.5Z")
    assert merged([log(later, early)]).entries == (early, later)


def undo(entries: list[Entry], of: str) -> Entry:
    return appended(entries, "A", layout_id="L1", bore_id="B-01", event="undo", read_at=time_at(60), of=of)


def test_undo_and_undo_of_an_undo():
    entries = chain("A", 4)
    entries.append(undo(entries, "A-4"))
    assert standing(log(*entries)) == tuple(entries[:3])
    entries.append(undo(entries, "A-5"))
    assert standing(log(*entries)) == tuple(entries[:4])
    entries.append(undo(entries, "A-6"))
    assert standing(log(*entries)) == tuple(entries[:3])
    entries.append(undo(entries, "A-4"))
    entries.append(undo(entries, "A-5"))
    assert standing(log(*entries)) == tuple(entries[:3])


def test_rings_and_long_chains_of_undos_end():
    ring = [
        undo([], "A-2"),
        replace(undo([], "A-1"), entry_id="A-2", number=2),
        replace(undo([], "A-3"), entry_id="A-3", number=3),
    ]
    rod = chain("B", 1)
    assert standing(log(*ring, *rod)) == tuple(rod)
    base = chain("A", 1)
    many = [replace(undo([], f"A-{n}"), entry_id=f"A-{n + 1}", number=n + 1) for n in range(1, 20_001)]
    assert standing(log(*base, *many)) == tuple(base)
    assert standing(log(*base, *many[:-1])) == ()


def read(made: list[Entry], event: str, rod: int, **what: float) -> None:
    made.append(
        appended(made, "A", layout_id="L1", bore_id="B-01", event=event, read_at=time_at(len(made)), rod=rod, **what)
    )


def test_legs_split_where_one_was_given_up():
    made: list[Entry] = []
    read(made, "start", 0)
    for rod in (1, 2, 3, 4, 5):
        read(made, "rod", rod, depth_m=0.5 * rod)
    read(made, "abandon", 4)
    read(made, "abandon", 4)
    for rod in (4, 5, 7):
        read(made, "rod", rod, depth_m=0.4 * rod)
    read(made, "exit", 7)
    old, new = readings(log(*reversed(made), *chain("B", 3, bore="B-02")), "L1", "B-01")
    assert (old.given_up_from, [e.number for e in old.rods], old.exit, old.problems) == (4, [2, 3, 4, 5, 6], None, ())
    assert (new.given_up_from, [e.number for e in new.rods], new.exit) == (None, [2, 3, 4, 9, 10, 11], made[-1])
    assert new.start is old.start is made[0]
    assert new.problems == (
        "A-8 gives up rods from 4 on, but none was read",
        "rods 6 were not read",
    )
    read(made, "abandon", 0)
    *_, last = readings(log(*made), "L1", "B-01")
    assert last.given_up_from == 0
    assert readings(log(*made), "L1", "B-09") == ()


def test_two_tablets_read_one_rod():
    a, b = chain("A", 3), chain("B", 3, 1.0)
    (leg,) = readings(merged([log(*a), log(*b)]), "L1", "B-01")
    assert [e.entry_id for e in leg.rods] == ["B-2", "B-3"]
    assert leg.start == b[0]
    assert [e.entry_id for e in leg.others] == ["A-1", "A-2", "A-3"]
    assert leg.problems[0] == "the entry was read 2 times (A-1, B-1): B-1 counts"
    (unsure,) = readings(merged([log(*chain("A", 2)), log(*chain("B", 2))]), "L1", "B-01")
    assert all("which is the later one is not known" in p for p in unsure.problems)
