"""Nouns of the field: an entry of a log, a log's chain, a reading's place, a bore as drilled."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Event = Literal["rod", "start", "exit", "abandon", "pull", "test", "purge", "note", "undo"]
"""rod: a reading at the end of a rod; start, exit: where the head went in and came out; abandon: a leg given up from `rod` on;
pull, test, purge: records beside the rods, figures in `values`; undo: takes back the entry named in `of`."""


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One thing that somebody recorded; never changed, only added to. Figures are None when they were not read.

    tablet, number: who wrote it and the how-manieth of theirs it is, counted from 1; read_at: UTC, ISO 8601 with Z; rod: number of
    the rod, counted from 1, 0 for the entry; depth_m: of the head below the ground; pitch_pct: negative going down; roll: clock of
    the head's face 1..12; offset_m: right of the painted line positive; x, y: place in the CRS of the log's file when a receiver
    gave one; accuracy_m: of x and y; of: entry_id that an undo takes back; values: figures of a record by name with the unit in
    the name; before: hash of the tablet's entry before ("" for its first); hash: of this entry and `before`.
    """

    entry_id: str
    tablet: str
    number: int
    layout_id: str
    bore_id: str
    event: Event
    read_at: str
    rod: int = 0
    depth_m: float | None = None
    pitch_pct: float | None = None
    roll: float | None = None
    offset_m: float | None = None
    x: float | None = None
    y: float | None = None
    accuracy_m: float | None = None
    remark: str = ""
    of: str = ""
    values: dict[str, float] = field(default_factory=dict)
    before: str = ""
    hash: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Log:
    """Entries of one or many tablets, in one order that does not depend on how they came together.

    problems: what was odd, one line each (broken chain, two entries for one rod, a rod missing); source: files that it came from.
    """

    entries: tuple[Entry, ...]
    problems: tuple[str, ...]
    source: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Leg:
    """One drilled path: rods from the entry on, in a row.

    rod: numbers (n,), 0 the entry; station_m (n,) drilled; xyz (n, 3) where the head was at each rod's end, frame metres; error_m
    (n, 3): standard error along the bore, across it, and in height; ground_m (n,): ground above; read_depth_m (n,): as the locator
    read it, NaN where it was not read; pitch_pct (n,); abandoned: given up, the hole is still there; problems: what does not fit
    together.
    """

    rod: Array
    station_m: Array
    xyz: Array
    error_m: Array
    ground_m: Array
    read_depth_m: Array
    pitch_pct: Array
    abandoned: bool
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Ahead:
    """Where the head may still go: answer of the look-ahead for one thing to reach.

    possible: within the bend radius; pitch_pct_per_rod: steady change of pitch that does it, None when nothing does; rods: to
    there; miss_m: by how much it is missed at best, 0 when it is reached; words: one line for the crew.
    """

    possible: bool
    pitch_pct_per_rod: float | None
    rods: float
    miss_m: float
    words: str
