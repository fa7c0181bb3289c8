r"""Entries of the field's logs: a chain per tablet, merging without loss, what stands, and the rods of each leg.

The hash of an entry, so that a page's JavaScript computes the same: SHA-256, in lower-case hex, over the UTF-8 bytes of one JSON
object of all fields of `Entry` but `entry_id` and `hash`, with `before` the hash of the tablet's entry before ("" for its first).

- Every field is there, None as `null`; keys sorted by UTF-16 code units (JavaScript's `sort()`); no blanks, no line breaks.
- Figures, whole numbers too: rounded to 9 decimals, halves away from zero, zeros at the end and a bare point stripped, "-0" is "0".
  No exponents; what is not finite or 1e15 and more has no hash. (9 decimals, because x and y may be degrees: 1e-9 is 0.1 mm.)
- Texts: tab, line breaks and form feeds become blanks, other control characters and halves of surrogate pairs are dropped;
  then as `JSON.stringify` writes them, no Unicode normalisation.

    const clean = t => t.replace(/[\t\n\v\f\r]/g, " ").replace(/[\p{Cc}\p{Cs}]/gu, "");
    const figure = v => { if (!(Math.abs(v) < 1e15)) throw new RangeError("no figure");
      const t = v.toFixed(9).replace(/\.?0+$/, ""); return t === "-0" ? "0" : t; };
    const canonical = v => v == null ? "null" : typeof v === "number" ? figure(v)
      : typeof v === "string" ? JSON.stringify(clean(v))
      : "{" + Object.keys(v).sort().map(k => JSON.stringify(clean(k)) + ":" + canonical(v[k])).join(",") + "}";

A chain shows what was changed, left out or put in before its last entry. Entries taken off its end leave no trace in the chain; the
counts in the head of a page's file tell those (log_read).
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections import defaultdict
from dataclasses import dataclass, fields, replace
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Required, TypedDict, Unpack

from loopgis.core.errors import InputError, RangeError
from loopgis.field.model import Entry, Event, Log

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

TOO_LARGE = 1e15
"""A figure of this size or more is no reading; JavaScript and Python write those differently."""
_STEP = Decimal("1e-9")
_BLANKS = re.compile(r"[\t\n\v\f\r]")
_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?(Z|[+-]\d\d:\d\d)", re.ASCII)
_READ = ("depth_m", "pitch_pct", "roll", "offset_m", "x", "y")
_UNHASHED = ("entry_id", "hash")
_OWN = "tablet "
"""Problems that begin so come from the entries, and are found anew whenever logs are merged."""


class What(TypedDict, total=False):
    """What an entry tells, as `appended` takes it: fields of `Entry` without those of the chain."""

    layout_id: Required[str]
    bore_id: Required[str]
    event: Required[Event]
    read_at: Required[str]
    rod: int
    depth_m: float | None
    pitch_pct: float | None
    roll: float | None
    offset_m: float | None
    x: float | None
    y: float | None
    accuracy_m: float | None
    remark: str
    of: str
    values: dict[str, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class LegLog:
    """What was read of one drilled path, from the entry on.

    start: where the head went in; rods: one entry per rod that was read, by rod, the latest reading of each; exit: where it came
    out; others: readings that a later one of the same rod took the place of; given_up_from: first rod of the part that was given
    up, None for a leg that was not (rods before it belong to the next leg as well); problems: what was odd, one line each.
    """

    start: Entry | None
    rods: tuple[Entry, ...]
    exit: Entry | None
    others: tuple[Entry, ...] = ()
    given_up_from: int | None = None
    problems: tuple[str, ...] = ()


def clean(text: str) -> str:
    r"""Text without control characters and halves of surrogate pairs; tabs and line breaks become blanks.

    >>> clean("gas\nline\x00 \u2192 \U0001f6a7")
    'gas line → 🚧'
    """
    return _CONTROLS.sub("", _BLANKS.sub(" ", text))


def figure(value: float) -> str:
    """A figure as it stands in the text that is hashed: at most 9 decimals, no exponent. Raises RangeError when it is none.

    >>> figure(1e-10), figure(0.1 + 0.2), figure(-0.0), figure(-12.50), figure(1 / 1024), figure(3)
    ('0', '0.3', '0', '-12.5', '0.000976563', '3')
    """
    if not (math.isfinite(value) and abs(value) < TOO_LARGE):
        raise RangeError("log", f"{value!r} is no figure that can be kept", "give a finite figure below 1e15")
    if isinstance(value, int):
        return str(int(value))
    text = f"{Decimal(value).quantize(_STEP, ROUND_HALF_UP):f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def canonical(value: object) -> str:
    """Text of an entry's fields, of a value of them, or of nothing (None), as it is hashed (see above)."""
    if value is None:
        return "null"
    if isinstance(value, str):
        return json.dumps(clean(value), ensure_ascii=False)
    if isinstance(value, (int, float)):
        return figure(value)
    if isinstance(value, dict):
        keys = sorted(value, key=lambda k: str(k).encode("utf-16-be", "surrogatepass"))
        return "{" + ",".join(f"{canonical(str(k))}:{canonical(value[k])}" for k in keys) + "}"
    raise RangeError("log", f"a {type(value).__name__} cannot stand in an entry", "give texts and figures")


def entry_hash(entry: Entry, before: str) -> str:
    """SHA-256 of an entry that follows one with the hash `before`, 64 lower-case hex digits. Raises RangeError for no figures.

    >>> time = "2026-05-04T14:03:22.123Z"
    >>> row = Entry(entry_id="", tablet="A", number=1, layout_id="L1", bore_id="B-01", event="note", read_at=time)
    >>> entry_hash(row, "")[:16]  # the same from node 20 with the lines above
    '39359cf36c8ccf95'
    """
    told = {k: v for k, v in vars(entry).items() if k not in _UNHASHED}
    return hashlib.sha256(canonical({**told, "before": before}).encode()).hexdigest()


def content_id(entry: Entry) -> str:
    """An id for an entry of a source that gives none: the same content, the same id, wherever it stands in its file."""
    return f"{entry.tablet}-x{entry_hash(replace(entry, number=0), '')[:16]}"


def appended(entries: Iterable[Entry], tablet: str, **what: Unpack[What]) -> Entry:
    """The next entry of a tablet, chained to its last one among `entries`; other tablets' are left aside.

    Texts are cleaned. Raises RangeError for figures that are none, InputError for a tablet without a name or a time that is none.
    """
    name = clean(tablet).strip()
    if not name:
        raise InputError("log", "the tablet has no name", "give each tablet a name of its own")
    if instant(what["read_at"]) is None:
        where = f"tablet {_shown(name)}"
        raise InputError(where, f"{_shown(what['read_at'])!r} is no time", "write it like 2026-05-04T14:03:22Z")
    own = [e for e in entries if e.tablet == name and e.hash]
    last = max(own, key=lambda e: (e.number, _text(e)), default=None)
    number, before = (last.number + 1, last.hash) if last else (1, "")
    entry = Entry(entry_id=f"{name}-{number}", tablet=name, number=number, before=before, **what)
    entry = cleaned(entry)
    return replace(entry, hash=entry_hash(entry, before))


def cleaned(entry: Entry) -> Entry:
    """An entry whose texts hold no control characters; its hash does not change by that."""
    return replace(
        entry,
        entry_id=clean(entry.entry_id),
        tablet=clean(entry.tablet),
        layout_id=clean(entry.layout_id),
        bore_id=clean(entry.bore_id),
        remark=clean(entry.remark),
        of=clean(entry.of),
        values={clean(k): v for k, v in entry.values.items()},
    )


def instant(read_at: str) -> datetime | None:
    """The moment of an ISO 8601 time with its zone (Z or an offset), None when it is none.

    >>> instant("2026-05-04T10:03:22-04:00") == instant("2026-05-04T14:03:22.0Z"), instant("14:03")
    (True, None)
    """
    if not _TIME.fullmatch(read_at):
        return None
    try:
        return datetime.fromisoformat(read_at)
    except ValueError:
        return None


def _seconds(read_at: str) -> float:
    """Seconds since 1970, minus infinity for no time, so that it comes first."""
    moment = instant(read_at)
    try:
        return -math.inf if moment is None else moment.timestamp()
    except OverflowError:
        return -math.inf


def _text(entry: Entry) -> str:
    """All of an entry with all digits, for order and identity."""
    row = {k: v + 0.0 if isinstance(v, float) else v for k, v in vars(entry).items()}
    return json.dumps(row, sort_keys=True)


def _order(entry: Entry) -> tuple[float, str, int, str]:
    return (_seconds(entry.read_at), entry.tablet, entry.number, _text(entry))


def _shown(text: str, longest: int = 60) -> str:
    """A text of somebody's on one line of a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in text)
    return line if len(line) <= longest else line[: longest - 3] + "..."


def spans(numbers: Iterable[int]) -> str:
    """Whole numbers in words, runs drawn together.

    >>> spans([7, 3, 4, 5])
    '3-5, 7'
    """
    runs: list[list[int]] = []
    for n in sorted(set(numbers)):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)


def verify(entries: Iterable[Entry]) -> list[str]:
    """What is wrong with the chain of each tablet, one line each, by tablet and number; empty when nothing is.

    Told: numbers that are missing, entries that do not fit their hash, that carry none or another's id, that do not follow the one
    before, two different entries of one number, and a clock that went back. Entries of sources that keep no chain (spreadsheet,
    tablet GIS) are counted in one line each.
    """
    tablets: dict[str, dict[str, Entry]] = defaultdict(dict)
    for entry in entries:
        tablets[entry.tablet][_text(entry)] = entry
    return [
        f"{_OWN}{_shown(name)}: {problem}"
        for name in sorted(tablets)
        for problem in _chain([tablets[name][text] for text in sorted(tablets[name])])
    ]


def _chain(entries: list[Entry]) -> list[str]:
    """Problems of the entries of one tablet."""
    chained = any(e.hash for e in entries)
    loose = [e for e in entries if not e.hash]
    found = (
        [] if chained or not loose else [f"keeps no chain, a later change of its {len(loose)} entries would not show"]
    )
    ids: dict[str, int] = defaultdict(int)
    for e in loose if not chained else []:
        ids[e.entry_id] += 1
    found += [f"{n} different entries are called {_shown(i)}" for i, n in sorted(ids.items()) if n > 1]
    if not chained:
        return found
    by_number: dict[int, list[Entry]] = defaultdict(list)
    for e in entries:
        by_number[e.number].append(e)
    found += _missing(by_number)
    for number in sorted(by_number):
        rivals = by_number[number]
        if len(rivals) > 1:
            found.append(f"there are {len(rivals)} different entries {number}")
        for e in rivals:
            found += _link(e, by_number.get(number - 1, []))
    return found


def _missing(by_number: Mapping[int, object]) -> list[str]:
    """Gaps between 1 and the greatest number, found from the numbers that are there (which may be far apart)."""
    gaps, last = [], 0
    for n in sorted(by_number):
        if n > last + 1:
            gaps.append(f"{last + 1}" if n == last + 2 else f"{last + 1}-{n - 1}")
        last = max(last, n)
    return [f"entries {', '.join(gaps)} are missing"] if gaps else []


def _link(entry: Entry, previous: list[Entry]) -> list[str]:
    """Problems of one entry of a chain and of its tie to the one before; previous: those of the number before, none if missing."""
    n, found = entry.number, []
    if entry.entry_id != f"{entry.tablet}-{n}":
        found.append(f"entry {n} is called {_shown(entry.entry_id)}")
    try:
        kept = entry_hash(entry, entry.before) == entry.hash
    except RangeError:
        kept = False
    if not entry.hash:
        found.append(f"entry {n} carries no hash")
    elif not kept:
        found.append(f"entry {n} was changed after it was written")
    if n < 1:
        found.append(f"entry {n} has no place in a chain, which begins with 1")
    if n == 1 and entry.before:
        found.append("entry 1 says that another came before it")
    elif previous and entry.before not in {e.hash for e in previous}:
        found.append(f"entry {n} does not follow entry {n - 1}, one of them was changed or put in")
    if previous and _seconds(entry.read_at) < min(_seconds(e.read_at) for e in previous):
        found.append(f"entry {n} is earlier than entry {n - 1} by its clock")
    return found


def merged(logs: Iterable[Log]) -> Log:
    """All entries of some logs, each once, by time, tablet and number; order and repetition of the logs make no difference.

    Nothing is dropped but what is there twice: the same entry, the same row of a spreadsheet (wherever it stands), and the copy of
    a tablet's entry in a table without hashes that says the same (columns of rod_log). Problems of the entries are found anew,
    those of files are kept.
    """
    logs = list(logs)
    entries = tuple(sorted(_without_copies(_each_once(e for log in logs for e in log.entries)), key=_order))
    kept = {p for log in logs for p in log.problems if not p.startswith(_OWN)}
    problems = (*sorted(kept), *verify(entries), *_loose_ends(entries))
    return Log(entries=entries, problems=problems, source=tuple(sorted({s for log in logs for s in log.source})))


def _each_once(entries: Iterable[Entry]) -> list[Entry]:
    """Entries without doubles; of one without a chain the number is no more than its place in a file, and the first place stays."""
    found: dict[str, Entry] = {}
    for e in entries:
        key = _text(e if e.hash else replace(e, number=0))
        if key not in found or e.number < found[key].number:
            found[key] = e
    return list(found.values())


def _without_copies(entries: list[Entry]) -> list[Entry]:
    """Entries without those that only repeat a chained one under its id."""
    chained = {(e.entry_id, _copy(e)) for e in entries if e.hash}
    return [e for e in entries if e.hash or (e.entry_id, _copy(e)) not in chained]


def _copy(entry: Entry) -> tuple[object, ...]:
    """What the table rod_log keeps of an entry, figures to 6 decimals, time to the second."""
    read = (None if v is None else round(v, 6) + 0.0 for v in (getattr(entry, k) for k in _READ))
    moment = _seconds(entry.read_at)
    whole = math.floor(moment) if math.isfinite(moment) else moment
    return (entry.layout_id, entry.bore_id, entry.rod, whole, clean(entry.remark).strip(), *read)


def _loose_ends(entries: tuple[Entry, ...]) -> list[str]:
    """Undos of what no log holds, and entries without a chain that say something else than the chained one of their id."""
    ids = {e.entry_id for e in entries}
    chained = {e.entry_id: e for e in entries if e.hash}
    found = [
        f"{_OWN}{_shown(e.tablet)}: {_shown(e.entry_id)} takes back {_shown(e.of)!r}, which no log holds"
        for e in entries
        if e.event == "undo" and e.of not in ids
    ]
    return found + [
        f"{_OWN}{_shown(e.tablet)}: {_shown(e.entry_id)} says something else than tablet {_shown(chained[e.entry_id].tablet)} wrote"
        for e in entries
        if not e.hash and e.entry_id in chained and e.tablet != chained[e.entry_id].tablet
    ]


def standing(log: Log) -> tuple[Entry, ...]:
    """Entries that no undo took back, in the log's order, the undos themselves left out.

    An undo that was itself taken back takes nothing back. Undos that take back each other in a ring have no effect.
    """
    groups: dict[str, list[Entry]] = defaultdict(list)
    for e in log.entries:
        groups[e.entry_id].append(e)
    aims = {i: {e.of for e in g if e.event == "undo" and e.of in groups} for i, g in groups.items()}
    open_undos: dict[str, int] = defaultdict(int)
    for targets in aims.values():
        for target in targets:
            open_undos[target] += 1
    taken: set[str] = set()
    settled = [i for i in groups if not open_undos[i]]
    while settled:
        undo = settled.pop()
        for target in aims[undo]:
            if undo not in taken:
                taken.add(target)
            open_undos[target] -= 1
            if not open_undos[target]:
                settled.append(target)
    return tuple(e for e in log.entries if e.event != "undo" and e.entry_id not in taken)


def readings(log: Log, layout_id: str, bore_id: str) -> tuple[LegLog, ...]:
    """The legs of one bore in the order in which they were drilled, the last one last; empty when nothing was read.

    An entry "abandon" ends a leg: its rods from `rod` on are given up, those before belong to the next leg too (0 gives up the
    entry itself). Of several readings of a rod the latest counts: by number on one tablet, whatever its clock did, and by time
    between tablets; of the same time a chained entry counts, not one without a chain.
    """
    legs: list[LegLog] = []
    now: list[Entry] = []
    told: list[str] = []
    for entry in _in_time(standing(log)):
        if (entry.layout_id, entry.bore_id) != (layout_id, bore_id):
            continue
        if entry.event in {"start", "rod", "exit"}:
            now.append(entry)
        elif entry.event == "abandon":
            left = [e for e in now if _place(e) < entry.rod]
            if len(left) == len(now):
                told.append(f"{_shown(entry.entry_id)} gives up rods from {entry.rod} on, but none was read")
                continue
            legs.append(_leg(now, entry.rod, told))
            now, told = left, []
    return (*legs, _leg(now, None, told)) if now or told else tuple(legs)


def _place(entry: Entry) -> float:
    """Rod of a reading, 0 for the way in, infinite for the way out."""
    return {"start": 0.0, "exit": math.inf}.get(entry.event, float(entry.rod))


def _in_time(entries: Iterable[Entry]) -> list[Entry]:
    """Entries as they were made: on one tablet by number, its clock held from going back; between tablets by time."""
    when: dict[str, float] = {}
    keyed = []
    for e in sorted(entries, key=lambda e: (e.tablet, e.number)):
        moment = _seconds(e.read_at)
        if e.hash:
            moment = when[e.tablet] = max(moment, when.get(e.tablet, -math.inf))
        keyed.append(((moment, bool(e.hash), e.tablet, e.number, _text(e)), e))
    return [e for _, e in sorted(keyed, key=lambda pair: pair[0])]


def _leg(entries: list[Entry], given_up_from: int | None, told: list[str]) -> LegLog:
    """A leg of its readings in the order in which they were made."""
    by_place: dict[float, list[Entry]] = defaultdict(list)
    for e in entries:
        by_place[_place(e)].append(e)
    problems = list(told)
    for place, found in sorted(by_place.items()):
        if len(found) > 1:
            name = "the entry" if place == 0 else "the exit" if place == math.inf else f"rod {place:.0f}"
            unsure = "" if _later(found[-1], found[-2]) else ", which is the later one is not known"
            ids = ", ".join(_shown(e.entry_id) for e in found)
            problems.append(f"{name} was read {len(found)} times ({ids}): {_shown(found[-1].entry_id)} counts{unsure}")
    places = {int(p) for p in by_place if 0 < p < math.inf}
    missing = _missing(dict.fromkeys(places))
    problems += [m.replace("entries", "rods").replace("are missing", "were not read") for m in missing]
    last = {place: found[-1] for place, found in by_place.items()}
    return LegLog(
        start=last.get(0.0),
        rods=tuple(last[p] for p in sorted(places)),
        exit=last.get(math.inf),
        others=tuple(e for _, found in sorted(by_place.items()) for e in found[:-1]),
        given_up_from=given_up_from,
        problems=tuple(problems),
    )


def _later(entry: Entry, other: Entry) -> bool:
    """True when one reading is known to be later than the other."""
    if entry.tablet == other.tablet and entry.number != other.number:
        return True
    return _seconds(entry.read_at) > _seconds(other.read_at) > -math.inf


FIELDS = tuple(f.name for f in fields(Entry))
"""Names of an entry's fields in order, `before` and `hash` last."""
