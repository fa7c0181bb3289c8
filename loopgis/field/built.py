"""Bores as they were drilled: from the merged log and what was planned to legs with their rods, lines, errors and problems.

What the crew read is never changed. What cannot be is told and set aside, and stands beside what was made of the rest
(`BuiltRod.read_depth_m` is what the locator said even where it was not used).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import LoopgisError, RangeError
from loopgis.core.units import FT_M, length_text
from loopgis.field.book import BuiltBore, BuiltFinding, BuiltLeg, BuiltRod
from loopgis.field.compare import TUBE_M, TUBE_SHARE, Drift, drift
from loopgis.field.log import instant, readings, spans, standing
from loopgis.field.path import MOST_RODS, Traverse, between, traverse

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.field.book import State
    from loopgis.field.log import LegLog
    from loopgis.field.model import Entry, Log

    Array = NDArray[np.float64]
    Ground = Callable[[Array], Array]
    ToFrame = Callable[[Array], Array]

SURVEYED_M = 0.1
"""An exit known so well counts as surveyed (house choice; RTK 0.02 to 0.03 m is ample, facts/permits section 4, M)."""
PLACED_M = FT_M
"""A place of the entry counts when it is known to the tube's 1 ft; else the stake is surer (a tablet alone 2 to 5 m, M there)."""
FAR_M = 1000.0
"""A place so far from its bore was read in another coordinate system or for another job: house choice, no source."""
DEEP_ROD = 1.0
"""A head deeper than so many rods cannot come out with the next one, not even straight up (D)."""
_LOOSE_RODS = 3
"""More unread rods in a row than this before a number far beyond the plan: the number is a slip; house choice, no source."""
_SLIP = 0.15
"""A depth is in the wrong unit when it is within this share of 3.28 times, or of 1 / 3.28 of, what it should be: house choice."""
_SLIP_DEPTH_M = 0.5
"""Shallower planned depths say nothing about units: house choice, no source."""
_SURE = 3.0
"""Standard errors beyond which a place does not fit; customary, no source."""
_NO_PATH = "no path could be made: "


@dataclass(frozen=True, kw_only=True, eq=False)
class BuiltPlan:
    """What is planned of one bore, as `built_bore` needs it. Lengths in metres, places in the job's frame.

    xyz: (n, 3) path, station_m: (n,) drilled metres, ground_m: (n,) ground above, NaN where unknown; painted: (2, 2) line on the
    lawn that offsets are read from; azimuth_deg: heading at the entry, clockwise from the frame's north; rods: how many;
    pipe_m: pipe in the bore, all legs; exit_xy: (2,) planned exit; tube_m, tube_share: the tube it may use (field/compare.py).
    """

    bore_id: str
    layout_id: str
    xyz: Array
    station_m: Array
    ground_m: Array
    painted: Array
    azimuth_deg: float
    rod_length_m: float
    bend_radius_m: float
    rods: int
    length_m: float
    hole_diameter_m: float
    pipe_m: float
    exit_xy: Array
    tube_m: float = TUBE_M
    tube_share: float = TUBE_SHARE


def built_bores(
    log: Log, plans: Iterable[BuiltPlan], *, ground: Ground, units: str, to_frame: ToFrame
) -> tuple[BuiltBore, ...]:
    """Every bore of the plans as drilled, in their order; see `built_bore`."""
    return tuple(built_bore(log, plan, ground=ground, units=units, to_frame=to_frame) for plan in plans)


def built_bore(log: Log, plan: BuiltPlan, *, ground: Ground, units: str, to_frame: ToFrame) -> BuiltBore:
    """One bore as drilled; its crossings and records are left empty.

    ground: heights (n,) of places (n, 2) of the frame, NaN where unknown; units: "us" or "metric", of the words; to_frame: places
    (n, 2) of the log's coordinate system in the frame, not finite where that has none. Nothing that a log holds is refused: what
    cannot be used is told in `problems` of its leg, or in `remarks` when there is no leg. length_m and max_depth_m are 0 while
    nothing was read; pipe_m is the planned pipe until the bore is drilled, from then on it is as much more as the bore is longer.
    Raises RangeError when the plan itself cannot be used.
    """
    remarks = list(_notes(log, plan))
    legs: list[_Built] = []
    for number, found in enumerate(readings(log, plan.layout_id, plan.bore_id), start=1):
        reads = _Leg(found, number, plan, ground=ground, units=units, to_frame=to_frame)
        if reads.rods:
            try:
                made = reads.built()
                if made.leg.rods:
                    legs.append(made)
                    continue
            except RangeError as error:
                reads.told.append(f"{_NO_PATH}{error}")
        remarks += reads.told
    last = next((b for b in reversed(legs) if not b.leg.abandoned), None)
    state: State = "planned" if not legs else "begun" if last is None or not last.finished else "drilled"
    bore = BuiltBore(
        bore_id=plan.bore_id,
        state=state,
        source="planned" if not legs else "surveyed" if last is not None and last.surveyed else "logged",
        planned=plan.xyz,
        painted=plan.painted,
        planned_length_m=plan.length_m,
        length_m=last.length_m if last else 0.0,
        max_depth_m=last.max_depth_m if last else 0.0,
        pipe_m=plan.pipe_m,
        hole_diameter_m=plan.hole_diameter_m,
        legs=tuple(b.leg for b in legs),
        remarks=tuple(dict.fromkeys(remarks)),
    )
    if last is None:
        return bore
    share = last.length_m / plan.length_m if state == "drilled" and plan.length_m > 0 else 1.0
    off, tube = last.drift.off_m, last.drift.tube_m
    worst = int(np.argmax(off))
    return replace(
        bore,
        pipe_m=plan.pipe_m * share,
        surveyed_exit=last.exit_gap_m,
        worst_off_m=float(off[worst]),
        worst_rod=last.leg.rods[worst].rod,
        worst_tube_m=float(tube[worst]),
    )


def _notes(log: Log, plan: BuiltPlan) -> list[str]:
    """The crew's own words on a bore, in the order of time: notes, and remarks beside the way in and out and what was given up."""
    own = [e for e in standing(log) if (e.layout_id, e.bore_id) == (plan.layout_id, plan.bore_id)]
    own = [e for e in own if e.event in {"note", "start", "exit", "abandon"} and e.remark.strip()]
    return [f"rod {e.rod}: {e.remark.strip()}" if e.rod > 0 else e.remark.strip() for e in sorted(own, key=_when)]


def _when(entry: Entry) -> tuple[float, str, int, str]:
    moment = instant(entry.read_at)
    return (moment.timestamp() if moment else -math.inf, entry.tablet, entry.number, entry.entry_id)


def _later(entry: Entry, other: Entry) -> bool:
    """True when one entry is known to be later than the other: by number on one tablet, by time between tablets."""
    if entry.tablet == other.tablet and entry.hash and other.hash:
        return entry.number > other.number
    a, b = instant(entry.read_at), instant(other.read_at)
    if a is not None and b is not None and a != b:
        return a > b
    return entry.tablet == other.tablet and entry.number > other.number


@dataclass(frozen=True, kw_only=True, eq=False)
class _Built:
    """A leg, and what its bore takes from it."""

    leg: BuiltLeg
    drift: Drift
    finished: bool
    surveyed: bool
    length_m: float
    max_depth_m: float
    exit_gap_m: tuple[float, float, float] | None


class _Leg:
    """Readings of one leg, with what cannot be taken out of them and told."""

    def __init__(
        self, found: LegLog, number: int, plan: BuiltPlan, *, ground: Ground, units: str, to_frame: ToFrame
    ) -> None:
        self.found, self.number, self.plan, self.ground, self.units = found, number, plan, ground, units
        self.to_frame = to_frame
        # rods that were not read are told by the path, which knows which of the others are used
        self.told = [p for p in found.problems if not re.fullmatch(r"rods [\d, -]+ were not read", p)]
        self.entry_error_m = 0.0
        self.entry_surveyed = False
        self.exit = found.exit
        self.rods = self._without_slips(found.rods)
        self.rods = self._until_exit(self.rods)
        self.read = {e.rod: e for e in self.rods}
        if found.start is not None:
            self.read[0] = found.start
        self.entry_xyz = self._entry()
        self.surveyed_exit = self._exit()
        self.used = self._without_units([self._placed(e) for e in self.rods])

    # what is left out

    def _without_slips(self, rods: tuple[Entry, ...]) -> tuple[Entry, ...]:
        """Rods without numbers far beyond the plan that nothing leads up to."""
        before = 0
        for i, e in enumerate(rods):
            if e.rod > MOST_RODS or (e.rod > 1.5 * self.plan.rods + 5 and e.rod - before - 1 > _LOOSE_RODS):
                wild = spans(r.rod for r in rods[i:])
                which = f"rod{'s' * (len(rods) - i > 1)} {wild}"
                self.told.append(f"{which}: no such number after rod {before}, {self.plan.rods} are planned, not used")
                return rods[:i]
            before = e.rod
        return rods

    def _until_exit(self, rods: tuple[Entry, ...]) -> tuple[Entry, ...]:
        """Rods up to the way out; a way out from far below with rods after it is not believed."""
        out = self.exit
        if out is None:
            return rods
        at = out.rod if out.rod > 0 else max((e.rod for e in rods if not _later(e, out)), default=0)
        after = [e for e in rods if e.rod > at and _later(e, out)]
        last = next((e for e in reversed(rods) if e not in after and e.depth_m is not None), None)
        deep = last is not None and (last.depth_m or 0.0) > DEEP_ROD * self.plan.rod_length_m + 0.5
        read = f"rod {last.rod} was read {self._length(last.depth_m or 0.0)} deep" if last is not None else ""
        if not after:
            if deep:
                self.told.append(f"exit: it came out, but {read} and none after it")
            return rods
        which = f"rod{'s' * (len(after) > 1)} {spans(e.rod for e in after)}"
        if deep:
            self.told.append(f"exit: {which} read after the exit, and {read} before it: the exit is not used")
            self.exit = None
            return rods
        self.told.append(f"exit: {which} read after the exit, not used")
        return tuple(e for e in rods if e not in after)

    def _without_units(self, rods: list[Entry]) -> list[Entry]:
        """Readings without depths that are 3.28 times, or that part of, what plan and pitches say."""
        plan, rod_m = self.plan, self.plan.rod_length_m
        number = np.array([e.rod for e in rods], dtype=float)
        read = np.array([np.nan if e.depth_m is None else e.depth_m for e in rods])
        pitch = np.array([np.nan if e.pitch_pct is None else e.pitch_pct for e in rods])
        ground = np.interp(number * rod_m, plan.station_m, np.nan_to_num(plan.ground_m, nan=float(plan.xyz[0, 2])))
        due = [ground - np.interp(number * rod_m, plan.station_m, plan.xyz[:, 2])]
        known = np.isfinite(pitch) & (np.abs(pitch) < 200)
        by_pitch = known.sum() >= 0.5 * max(len(rods), 1) and known.any()
        if by_pitch:
            k = np.arange(int(number.max()) + 1)
            slope = np.sin(np.arctan(np.interp(k, number[known], pitch[known]) / 100))
            rise = np.r_[0.0, np.cumsum(rod_m * (slope[1:] + slope[:-1]) / 2)][number.astype(int)]
            due.append(ground - (self.entry_xyz[2] + rise))
        out: set[int] = set()
        for factor, what in ((1 / FT_M, "feet taken for metres"), (FT_M, "metres taken for feet")):
            off = np.full(len(rods), fill_value=True)
            for depth in due:  # plan and pitch sum together may stray twice as far: neither is far off alone
                slack = 2 * _SLIP if by_pitch else _SLIP
                deep = depth > (_SLIP_DEPTH_M if by_pitch else 2 * _SLIP_DEPTH_M)
                with np.errstate(divide="ignore", invalid="ignore"):
                    off &= deep & (np.abs(read / (factor * depth) - 1) < slack)
            if off.any():
                which = [int(n) for n in number[off]]
                self.told.append(
                    f"rod{'s' * (len(which) > 1)} {spans(which)}: depth is {factor:.2g} times what the plan"
                    f"{' and the pitches say' if by_pitch else ' says'}, {what}{', not used' if by_pitch else '?'}"
                )
                out |= set(which) if by_pitch else set()
        return [replace(e, depth_m=None) if e.rod in out else e for e in rods]

    # places

    def _length(self, metres: float, digits: int = 1) -> str:
        return length_text(metres, self.units, digits)

    def _in_frame(self, entry: Entry, what: str) -> Array | None:
        """Place of an entry in the frame; None when it has none or lies where it cannot be, which is told."""
        if entry.x is None or entry.y is None:
            return None
        try:
            place: Array = np.asarray(self.to_frame(np.array([[entry.x, entry.y]], dtype=float)), dtype=float).reshape(
                2
            )
        except (LoopgisError, ValueError, ArithmeticError, RuntimeError):
            place = np.full(2, np.nan)
        away = float(np.hypot(*(place - self.plan.xyz[0, :2])))
        if not away <= FAR_M + self.plan.length_m:  # NaN too
            how = f"{away / 1000:.3g} km from the bore" if math.isfinite(away) else "nowhere near the bore"
            self.told.append(f"{what}: its place lies {how}, not used; is it in another coordinate system?")
            return None
        return place

    def _placed(self, entry: Entry) -> Entry:
        """A rod's reading with its place in the frame."""
        place = self._in_frame(entry, f"rod {entry.rod}")
        return replace(entry, x=None, y=None) if place is None else replace(entry, x=float(place[0]), y=float(place[1]))

    def _height(self, place: Array) -> float:
        return float(np.asarray(self.ground(place[None, :]), dtype=float).ravel()[0])

    def _entry(self) -> Array:
        """Where the head went in: where a receiver put it when it knew that well, else as planned."""
        planned: Array = np.asarray(self.plan.xyz[0], dtype=float)
        start = self.found.start
        place = None if start is None else self._in_frame(start, "entry")
        if start is None or place is None:
            return planned
        off = float(np.hypot(*(place - planned[:2])))
        known = start.accuracy_m if start.accuracy_m is not None and start.accuracy_m > 0 else None
        if known is None or known > PLACED_M:
            how = "not known how well" if known is None else f"known to {self._length(known)}"
            words = f"entry: its place was read {self._length(off)} off the plan, {how}, the planned place is used"
            if off > _SURE * (known or 3.0) + PLACED_M:
                words += "; measure where it went in"
            self.told.append(words)
            return planned
        if off > max(self.plan.length_m, 10 * self.plan.rod_length_m):
            self.told.append(f"entry: its place lies {self._length(off, 0)} off the plan, not used")
            return planned
        if off > self.plan.tube_m:
            self.told.append(f"entry: it lies {self._length(off)} off the plan")
        self.entry_error_m, self.entry_surveyed = known, known <= SURVEYED_M
        height = self._height(place)
        xyz: Array = np.r_[place, height if math.isfinite(height) else planned[2]]
        return xyz

    def _exit(self) -> Array | None:
        """The surveyed exit; one that is known less well is only told."""
        out = self.exit
        place = None if out is None else self._in_frame(out, "exit")
        if out is None or place is None:
            return None
        known = out.accuracy_m if out.accuracy_m is not None and out.accuracy_m > 0 else None
        last = max((e.rod for e in self.rods), default=0)
        reach = (max(last, self.plan.rods) + _LOOSE_RODS) * self.plan.rod_length_m
        away = float(np.hypot(*(place - self.entry_xyz[:2])))
        if away > reach + _SURE * (known or 3.0):
            self.told.append(
                f"exit: its place lies {self._length(away, 0)} from the entry, no rods reach so far, not used"
            )
            return None
        if known is None or known > SURVEYED_M:
            how = "it is not known how well" if known is None else f"to {self._length(known)} only"
            self.told.append(f"exit: its place is no survey, read {how}, the rods say where it came out")
            return None
        height = self._height(place)
        if not math.isfinite(height):
            self.told.append("exit: the ground's height is not known there, its survey is not used")
            return None
        xyz: Array = np.r_[place, height]
        return xyz

    # the leg

    def built(self) -> _Built:
        """The leg. Raises RangeError when no path can be made."""
        plan = self.plan
        start = [] if self.found.start is None else [replace(self.found.start, x=None, y=None)]
        up_from = self.found.given_up_from
        made = traverse(
            [*start, *self.used],
            entry_xyz=[float(v) for v in self.entry_xyz],
            azimuth_deg=plan.azimuth_deg,
            rod_length_m=plan.rod_length_m,
            ground=self.ground,
            planned=plan.xyz,
            painted=plan.painted,
            surveyed_exit=None if self.surveyed_exit is None else [float(v) for v in self.surveyed_exit],
            bend_radius_m=plan.bend_radius_m,
            abandoned=up_from is not None,
            units=self.units,
        )
        self._part_read()
        found = drift(made.leg, plan.xyz, plan.station_m, tube_m=plan.tube_m, tube_share=plan.tube_share)
        first = 0 if up_from is None else max(up_from - 1, 0)
        rows = np.flatnonzero(made.leg.rod >= first)
        line = between(made.leg)
        begins = int(np.argmin(np.linalg.norm(line - made.leg.xyz[rows[0]], axis=1))) if rows.size else len(line)
        rods = tuple(self._rod(made, found, int(i)) for i in rows)
        line = line[begins:]
        above = np.asarray(self.ground(line[:, :2]), dtype=float) - line[:, 2] if len(line) else np.empty(0)
        deep = np.r_[above, [r.depth_m for r in rods]]
        deep = deep[np.isfinite(deep)]
        if up_from is not None and len(rods) < 2:
            self.told.append(f"rods from {up_from} on were given up, but none of them was read")
            rods = ()
        gap = made.exit_gap_m
        return _Built(
            leg=BuiltLeg(
                number=self.number,
                abandoned=up_from is not None,
                given_up_from=up_from,
                rods=rods,
                line=line,
                problems=tuple(dict.fromkeys([*self.told, *made.leg.problems])),
            ),
            drift=found,
            finished=up_from is None and (self.exit is not None or max(self.read) >= plan.rods),
            surveyed=self.entry_surveyed and self.surveyed_exit is not None,
            length_m=float(made.leg.station_m[-1]) + (max(gap[0], 0.0) if gap else 0.0),
            max_depth_m=float(deep.max()) if deep.size else math.nan,
            exit_gap_m=gap,
        )

    def _part_read(self) -> None:
        """Told: rods that were drilled without a pitch, or without a depth."""
        for name, what in (("pitch_pct", "pitch"), ("depth_m", "depth")):
            without = [e.rod for e in self.rods if getattr(e, name) is None]
            if without and len(without) == len(self.rods):
                other = "locator" if what == "pitch" else "pitches"
                self.told.append(f"no {what} was read at any rod, heights come from the {other} alone")
            elif without:
                self.told.append(f"rod{'s' * (len(without) > 1)} {spans(without)}: no {what} read")

    def _rod(self, made: Traverse, found: Drift, i: int) -> BuiltRod:
        """One row of a leg."""
        leg, number = made.leg, int(made.leg.rod[i])
        entry = self.read.get(number)
        if entry is None and self.exit is not None and i == len(leg.rod) - 1 and self.surveyed_exit is not None:
            entry = self.exit
        read = None if entry is None or number == 0 else entry.depth_m
        ground, z = float(leg.ground_m[i]), float(leg.xyz[i, 2])
        depth = ground - z if math.isfinite(ground) else math.nan if read is None else float(read)
        sideways = min((e.rod for e in self.used if e.offset_m is not None or e.x is not None), default=MOST_RODS + 1)
        free = number < sideways  # nothing but the entry says where it is sideways
        gap = float(made.gap_m[i])
        return BuiltRod(
            rod=number,
            station_m=float(leg.station_m[i]),
            x=float(leg.xyz[i, 0]),
            y=float(leg.xyz[i, 1]),
            z_m=z,
            ground_m=ground,
            depth_m=depth,
            read_depth_m=read,
            pitch_pct=None if entry is None else entry.pitch_pct,
            along_m=float(found.away.along_m[i]),
            right_m=float(found.away.right_m[i]),
            down_m=float(found.away.down_m[i]),
            tube_m=float(found.tube_m[i]),
            error_m=math.hypot(float(leg.error_m[i, 1]), self.entry_error_m if free else 0.0),
            error_z_m=float(leg.error_m[i, 2]),
            gap_m=gap if math.isfinite(gap) else None,
            allowed_m=float(made.allowed_m[i]) if math.isfinite(gap) else None,
            told=bool(found.told[i] or found.off_m[i] > found.tube_m[i]),
            read_at="" if entry is None else entry.read_at,
            remark="" if entry is None else entry.remark,
        )


# what is told

_KINDS: tuple[tuple[str, str, str, str], ...] = (
    # pattern of a leg's problem, severity, code, remedy; the first that is found counts
    (r"do not close.*within the error of the pitches$", "note", "closure", ""),
    (r"do not close", "warning", "closure", "check the locator's calibration and the beacon's pitch"),
    (r"taken for (metres|feet)", "error", "units", "correct the depths, or the unit of the log's column"),
    (r"not read$", "warning", "missing-rods", "look for them on paper; the error is larger between"),
    (r"(after the exit|but rod \d+ was read)", "warning", "after-exit", "undo what is wrong in the log"),
    (r"its place is no survey", "note", "exit-place", ""),
    (r"^exit:", "warning", "exit-place", "survey the exit again"),
    (r"the planned place is used$", "note", "entry-place", ""),
    (r"^entry:", "warning", "entry-place", "tie the entry to two fixed points"),
    (r"coordinate system", "warning", "place", "give places in the coordinate system of the GeoPackage"),
    (r"is not known$", "note", "read-again", ""),
    (r"the entry was read|the exit was read|was read \d+ times", "note", "read-again", ""),
    (r"ground's height is not known", "note", "ground", ""),
    (r"no (pitch|depth) read$|alone$", "note", "part-read", ""),
    (r"the head (drifts|has left its tube)", "", "drift", ""),  # told from the figures
)
_CHAIN: tuple[tuple[str, str, str], ...] = (
    # pattern of a log's problem, severity, code
    (r"keeps no chain", "note", "no-chain"),
    (r"was changed|are missing|does not follow|different entr|carries no hash", "error", "chain"),
    (r"is called|no place in a chain|says that another came|says something else", "error", "chain"),
    (r"says \d+ entries of tablet", "error", "chain"),
    (r"earlier than", "warning", "clock"),
    (r"takes back", "warning", "undo"),
)


def problems(bore: BuiltBore, units: str) -> tuple[BuiltFinding, ...]:
    """What is worth telling of a bore, by what it holds: each line once, the hole that holds the loop first.

    units: "us" or "metric". Severities: an error is a reading that must be corrected, or a bore that left its tube by more than
    the tube again; a warning needs a person; a note informs.
    """
    told: list[tuple[str, str, str, str]] = []
    own = bore.leg
    seen: set[str] = set()
    for leg in (*([own] if own else []), *(leg for leg in bore.legs if leg is not own)):
        lead = f"hole {leg.number}, given up: " if leg.abandoned else ""
        fresh = [p for p in leg.problems if p not in seen]
        seen.update(fresh)
        told += [(s, c, f"{lead}{p}", r) for p in fresh for s, c, r in [_kind(p)] if s]
        told += [_given_up(leg, units)] if leg.abandoned else _left_tube(leg, units)
    told += [("error", "no-path", line, "correct the readings in the log") for line in bore.remarks if _NO_PATH in line]
    if bore.state == "begun":
        drilled, planned = (length_text(v, units, 0) for v in (bore.length_m, bore.planned_length_m))
        words = f"not finished, {drilled} of {planned} drilled" if own else "given up, not drilled again"
        told.append(("note", "not-finished", words, ""))
    elif bore.state == "planned":
        told.append(("note", "not-drilled", "no rod of it was read", ""))
    return tuple(
        BuiltFinding(severity=s, code=c, bore_id=bore.bore_id, message=f"{bore.bore_id}: {words}", remedy=remedy)
        for s, c, words, remedy in told
    )


def log_problems(log: Log, plans: Sequence[BuiltPlan] = ()) -> tuple[BuiltFinding, ...]:
    """What is worth telling of the log itself: its chains, its files, and, with plans, bores that none of them knows."""
    found = []
    for line in log.problems:
        severity, code = next(((s, c) for pattern, s, c in _CHAIN if re.search(pattern, line)), ("warning", "log-file"))
        remedy = "ask whose tablet it is what happened" if code == "chain" else ""
        found.append(BuiltFinding(severity=severity, code=code, bore_id="", message=line, remedy=remedy))
    known = {(p.layout_id, p.bore_id) for p in plans}
    layouts = {p.layout_id for p in plans}
    strange: dict[tuple[str, str], int] = {}
    for e in standing(log) if plans else ():
        if (e.layout_id, e.bore_id) not in known and (e.bore_id or e.layout_id not in layouts):
            strange[e.layout_id, e.bore_id] = strange.get((e.layout_id, e.bore_id), 0) + 1
    for (layout_id, bore_id), count in sorted(strange.items()):
        what = f"bore {bore_id[:40]!r} of layout {layout_id[:40]!r}" if bore_id else f"layout {layout_id[:40]!r}"
        entries = f"{count} entr{'ies' if count > 1 else 'y'}"
        message = f"the log holds {entries} of {what}, which is not among these bores"
        found.append(
            BuiltFinding(
                severity="warning",
                code="other-bore",
                bore_id="",
                message=message,
                remedy="check the names, nothing of it is drawn here",
            )
        )
    return tuple(found)


def _kind(line: str) -> tuple[str, str, str]:
    """Severity, code and remedy of a leg's problem."""
    return next(((s, c, r) for pattern, s, c, r in _KINDS if re.search(pattern, line)), ("warning", "reading", ""))


def _given_up(leg: BuiltLeg, units: str) -> tuple[str, str, str, str]:
    """Finding of a hole that was given up."""
    first, last = leg.rods[0], leg.rods[-1]
    run = length_text(last.station_m - first.station_m, units, 0)
    words = f"a hole was given up, {run} of it from rod {first.rod} to {last.rod}"
    return ("warning", "given-up", words, "tell the owner, fill it, and keep it on the as-built")


def _left_tube(leg: BuiltLeg, units: str) -> list[tuple[str, str, str, str]]:
    """Finding of a head that drifts, or that left its tube: the first place, and the worst when it left."""
    gone = next((p for p in leg.problems if "the head has left its tube" in p), "")
    drifts = next((p for p in leg.problems if "the head drifts" in p), "")
    if not gone:
        return [("warning", "drift", drifts, "steer back, or check the clearances as drilled")] if drifts else []
    off = [
        (math.hypot(r.right_m or 0.0, (r.down_m or 0.0) * math.cos(math.atan((r.pitch_pct or 0.0) / 100))), r)
        for r in leg.rods
    ]
    most, at = max(off, key=lambda pair: pair[0] / (pair[1].tube_m or math.inf))
    severity = "error" if most > 2 * (at.tube_m or math.inf) else "warning"
    words = f"{gone}; worst at rod {at.rod}, {length_text(most, units, 2)} off"
    return [(severity, "left-tube", words, "check the clearances as drilled")]
