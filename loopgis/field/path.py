"""From what the crew read at every rod to the path that was drilled, with its error.

Heights come twice: pitches summed along the rods by minimum curvature, and the locator's depth below the ground. They are put
together by their errors (least squares with the pitch sum as what is known before; from memory, any text on adjustment). Sideways
the head is where its offset to the painted line, or a receiver's place, says; between reads it lies on the line between them, after
the last one it is carried on in the direction it had. The drilled length is the rods'.

Minimum curvature (balanced tangents with a ratio factor; from memory, facts/permits section 4 names it; with plain means of the
angles facts/hdd section 1, S): t1, t2 unit directions at a rod's ends, d the angle between them:

    rise = L / 2 (sin a1 + sin a2) (2 / d) tan(d / 2),   chord = L (2 / d) sin(d / 2)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.locate import DEPTH_SHARE, PROJECTED_DEPTH_M, PROJECTED_FACTOR, PROJECTED_PITCH_PCT
from loopgis.bore.rods import pitch_per_rod_pct
from loopgis.core.errors import RangeError
from loopgis.core.figures import finite, positive
from loopgis.core.units import length_text
from loopgis.field.compare import drift, drift_words
from loopgis.field.log import spans
from loopgis.field.model import Leg

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.field.model import Entry

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Ground = Callable[[Array], Array]

CLOSURE_M, CLOSURE_SHARE = 0.15, 0.05
"""Pitch sum and locator depth may differ by the greater of these, the second a share of the depth (facts/permits section 4, M)."""
MOST_RODS = 2000
"""More rods than any bore has."""
STEP_M = 0.5
"""Vertices of a drawn path lie no further apart."""
NO_PITCH = 1000.0
"""Percent beyond which a figure is no pitch."""
MOST_M = 200.0
"""Deeper than any locator reads (facts/hdd section 6: range 30 to 80 ft, M); an accuracy beyond it is none."""
_SLIP_M = 0.5
"""A depth so much above the ground is no depth; less may be the locator's error at the exit."""
_ROUNDS = 4
_SURE = 3.0
"""Standard errors beyond which two reads do not fit each other; customary, no source."""
_OUT = 0.15
"""The head is out when it is less than this below the ground, metres."""


@dataclass(frozen=True, kw_only=True)
class Accuracy:
    """Errors of the reads, one standard deviation each.

    Parts that are the same for the whole bore are apart from those that are new at every rod: they do not shrink with more reads.
    depth_share: of a depth, at a rod; depth_same_share: of all depths together; their squares add up to half of the customary 5 %
    (facts/hdd section 6, M; half as in bore/locate.py; how it is shared out is a house choice). pitch_pct: of a pitch, at a rod;
    pitch_same_pct: of all pitches together; their squares add up to the 1 % of bore/locate.py (facts/hdd section 6, M; shared out
    by house choice). least_m: of any place, the entry too; along_share: of the drilled length, house choice, no source.
    heading_deg, bend_share: of a head that nobody locates, 1 degree and a fifth of the rods' curvature (facts/hdd section 6, D).
    place_m: of x, y without an accuracy, a tablet alone (facts/permits section 4: 2 to 5 m, M); exit_m: of a surveyed exit (same
    place: RTK 0.02 to 0.03 m, M).
    """

    depth_share: float = 0.8 * DEPTH_SHARE / 2
    depth_same_share: float = 0.6 * DEPTH_SHARE / 2
    pitch_pct: float = 0.6
    pitch_same_pct: float = 0.8
    least_m: float = 0.02
    along_share: float = 0.005
    heading_deg: float = 1.0
    bend_share: float = 0.2
    place_m: float = 3.0
    exit_m: float = 0.03

    def __post_init__(self) -> None:
        """Check the figures. Raises RangeError unless all are positive."""
        positive(**self.__dict__)

    def locate_m(self, depth_m: Array, pitch_pct: Array) -> tuple[Array, Array]:
        """Error of a locate at a rod, and the part that all rods share; twice that where the depth is a projected one."""
        depth = np.abs(depth_m)
        far = (depth > PROJECTED_DEPTH_M) | (np.abs(pitch_pct) > PROJECTED_PITCH_PCT)
        factor = np.where(far, PROJECTED_FACTOR, 1.0)
        return np.maximum(self.depth_share * depth, self.least_m) * factor, self.depth_same_share * depth * factor


ACCURACY = Accuracy()


@dataclass(frozen=True, kw_only=True, eq=False)
class Traverse:
    """A leg, and how well its reads close.

    gap_m: (n,) height by the locator less height by summed pitches from the entry, NaN where the depth was not read; allowed_m:
    (n,) what it may be; exit_gap_m: surveyed exit less where the reads lead: along, right, up, None without one.
    """

    leg: Leg
    gap_m: Array
    allowed_m: Array
    exit_gap_m: tuple[float, float, float] | None


def traverse(
    readings: Iterable[Entry],
    *,
    entry_xyz: Sequence[float],
    azimuth_deg: float,
    rod_length_m: float,
    ground: Ground,
    planned: Array | None = None,
    painted: Array | None = None,
    surveyed_exit: Sequence[float] | None = None,
    bend_radius_m: float | None = None,
    accuracy: Accuracy = ACCURACY,
    abandoned: bool = False,
    units: str = "metric",
) -> Traverse:
    """The path of one leg from the readings of its rods, and how well they close.

    readings: entries "rod", one per rod, and "start" for what was read at the entry; others are passed over; x, y in the frame.
    entry_xyz: where the head went in; azimuth_deg: heading there, clockwise from the frame's north; ground: heights (n,) of places
    (n, 2), NaN where unknown, its own error is not counted; planned: (m, 3) path as planned; painted: (m, 2) line that offsets are
    read from, without it the plan of `planned`, else the straight line from the entry; surveyed_exit: x, y, z; bend_radius_m: the
    rods' least, for what a jump may be; units: "us" or "metric", of the problems. A rod that was not read, or without a pitch, gets
    the pitch between its neighbours and a larger error. Heights are of what was located, the beacon, 0.6 to 1 m behind the bit
    (facts/permits section 4, M).

    Raises RangeError when nothing was read by which a path could go, or a figure is out of range.
    """
    return _Reads(
        list(readings),
        entry=np.asarray(entry_xyz, dtype=float),
        azimuth_deg=azimuth_deg,
        rod_m=rod_length_m,
        ground=ground,
        planned=None if planned is None else np.asarray(planned, dtype=float),
        painted=None if painted is None else np.asarray(painted, dtype=float)[:, :2],
        surveyed_exit=None if surveyed_exit is None else np.asarray(surveyed_exit, dtype=float),
        bend_radius_m=bend_radius_m,
        accuracy=accuracy,
        units=units,
    ).traverse(abandoned=abandoned)


class _Line:
    """Painted line, prolonged straight at its ends, with a direction that turns steadily between its vertices' own."""

    def __init__(self, xy: Array) -> None:
        step = np.diff(xy, axis=0)
        keep = np.r_[True, np.hypot(step[:, 0], step[:, 1]) > 1e-6]
        self.xy = xy[keep]
        if len(self.xy) < 2:
            raise RangeError("painted line", "has no length", "give two places at least")
        step = np.diff(self.xy, axis=0)
        self.run = np.hypot(step[:, 0], step[:, 1])
        self.at = np.r_[0.0, np.cumsum(self.run)]
        self.way = step / self.run[:, None]
        both = np.vstack([self.way[:1], self.way[:-1] + self.way[1:], self.way[-1:]])
        self.turn = both / np.maximum(np.hypot(both[:, 0], both[:, 1]), 1e-12)[:, None]

    def _segment(self, t: Array) -> NDArray[np.intp]:
        return np.clip(np.searchsorted(self.at, t, side="right") - 1, 0, len(self.run) - 1)

    def direction(self, t: Array) -> Array:
        """Unit directions (n, 2) at lengths along the line."""
        way = np.column_stack([np.interp(t, self.at, self.turn[:, 0]), np.interp(t, self.at, self.turn[:, 1])])
        unit: Array = way / np.hypot(way[:, 0], way[:, 1])[:, None]
        return unit

    def place(self, t: Array, right: Array) -> Array:
        """Places (n, 2) at lengths along the line and distances to the right of it."""
        i = self._segment(t)
        way = self.direction(t)
        on = self.xy[i] + (t - self.at[i])[:, None] * self.way[i]
        place: Array = on + right[:, None] * np.column_stack([way[:, 1], -way[:, 0]])
        return place

    def seen_from(self, xy: Array) -> tuple[Array, Array]:
        """Length along the line and distance to the right of it, for places (n, 2)."""
        apart = xy[:, None, :] - self.xy[None, :-1, :]
        t = np.einsum("nmk,mk->nm", apart, self.way)
        low, high = np.zeros(len(self.run)), self.run.copy()
        low[0], high[-1] = -np.inf, np.inf
        t = np.clip(t, low, high)
        off = apart - t[:, :, None] * self.way[None, :, :]
        i = np.argmin(np.hypot(off[:, :, 0], off[:, :, 1]), axis=1)
        n = np.arange(len(xy))
        along = self.at[i] + t[n, i]
        for _ in range(3):  # onto the turning direction
            along = along + np.einsum("nk,nk->n", xy - self.place(along, np.zeros(len(xy))), self.direction(along))
        way = self.direction(along)
        off = xy - self.place(along, np.zeros(len(xy)))
        return along, off[:, 0] * way[:, 1] - off[:, 1] * way[:, 0]


class _Reads:
    """Readings of one leg as arrays by rod, from which the path is found by going round."""

    def __init__(
        self,
        entries: list[Entry],
        *,
        entry: Array,
        azimuth_deg: float,
        rod_m: float,
        ground: Ground,
        planned: Array | None,
        painted: Array | None,
        surveyed_exit: Array | None,
        bend_radius_m: float | None,
        accuracy: Accuracy,
        units: str,
    ) -> None:
        positive(rod_length_m=rod_m, **({} if bend_radius_m is None else {"bend_radius_m": bend_radius_m}))
        finite(entry_xyz=entry, azimuth_deg=azimuth_deg)
        self.entry, self.rod_m, self.ground, self.planned = entry, rod_m, ground, planned
        self.accuracy, self.units, self.exit = accuracy, units, surveyed_exit
        self.heading = math.radians(azimuth_deg)
        self.change_pct = 7.0 if bend_radius_m is None else pitch_per_rod_pct(bend_radius_m, rod_length_m=rod_m)
        self.radius_m = rod_m / math.atan(self.change_pct / 100)
        self.problems: list[str] = []
        by_rod = {e.rod if e.event == "rod" else 0: e for e in entries if e.event in {"rod", "start"} and e.rod >= 0}
        last = max(by_rod, default=0)
        if last < 1:
            raise RangeError("readings", "no rod was read", "give entries of event rod")
        if last > MOST_RODS:
            raise RangeError("readings", f"rod {last} is beyond {MOST_RODS}", "correct its number")
        self.number = np.arange(last + 1)
        self.missing = sorted(set(range(1, last + 1)) - set(by_rod))

        def column(name: str) -> Array:
            values = (getattr(by_rod[k], name) if k in by_rod else None for k in range(last + 1))
            return np.array([np.nan if v is None else float(v) for v in values])

        self.depth, self.read_pitch, self.offset = (column(n) for n in ("depth_m", "pitch_pct", "offset_m"))
        self.place, self.place_m, self.roll = (
            np.column_stack([column("x"), column("y")]),
            column("accuracy_m"),
            column("roll"),
        )
        if painted is None:
            side = entry[:2] + np.array([math.sin(self.heading), math.cos(self.heading)])
            painted = np.vstack([entry[:2], side]) if planned is None else planned[:, :2]
        self.line = _Line(painted)
        self.station = rod_m * self.number.astype(float)
        self.used = np.isfinite(self.depth) & (self.number > 0)
        self.used_offset = np.isfinite(self.offset) & (self.number > 0)
        self.used_place = np.isfinite(self.place).all(axis=1) & (self.number > 0)
        self.exit_along_m: float | None = None

    # what was read

    def _plain(self) -> None:
        """Problems that show before any path is made; pitches that were read with the wrong sign are set aside."""
        if self.missing:
            self.problems.append(f"rod{'s' * (len(self.missing) > 1)} {spans(self.missing)} not read")
        for k in self.number[(self.roll < 1) | (self.roll >= 13)]:
            self.problems.append(f"rod {k}: roll {self.roll[k]:g} is no clock position from 1 to 12")
        self._impossible()
        self.pitch = self.read_pitch.copy()
        self.pitch[~(np.abs(self.pitch) < NO_PITCH)] = np.nan
        known = np.flatnonzero(np.isfinite(self.pitch))
        for i, k in enumerate(known):
            near = [j for j in (known[i - 1] if i else -1, known[i + 1] if i + 1 < len(known) else -1) if j >= 0]
            near = [j for j in near if np.isfinite(self.pitch[j]) and abs(j - k) <= 2]
            allowed = [self.change_pct * abs(j - k) + 2 for j in near]
            jump = [abs(self.pitch[k] - self.pitch[j]) for j in near]
            turned = [abs(-self.pitch[k] - self.pitch[j]) for j in near]
            if len(near) > 1 and all(j > 1.5 * a and t <= a for j, t, a in zip(jump, turned, allowed, strict=True)):
                self.problems.append(
                    f"rod {k}: pitch {self.pitch[k]:+.1f} % has the wrong sign for its neighbours, not used"
                )
                self.pitch[k] = np.nan
        known = np.flatnonzero(np.isfinite(self.pitch))
        for a, b in pairwise(known):
            if abs(self.pitch[b] - self.pitch[a]) > 1.2 * self.change_pct * (b - a) + 1:
                self.problems.append(
                    f"rod {b}: pitch goes from {self.pitch[a]:+.1f} % to {self.pitch[b]:+.1f} %, more than the rods bend"
                )

    def _impossible(self) -> None:
        """Figures that are none, or that no drilled length could reach: told, not used."""
        far = self.station + 1.0
        side = float(self.line.seen_from(self.entry[None, :2])[1][0])
        self.place_m = np.where((self.place_m > 0) & (self.place_m < MOST_M), self.place_m, np.nan)
        away = np.full(len(far), np.inf)
        near = np.isfinite(self.place).all(axis=1) & (np.abs(self.place - self.entry[:2]) < 1e6).all(axis=1)
        away[near] = np.hypot(*(self.place[near] - self.entry[:2]).T)
        slack = _SURE * np.nan_to_num(self.place_m, nan=self.accuracy.place_m)
        wrong = {
            "depth": self.used & ((self.depth < -_SLIP_M) | (self.depth > MOST_M)),
            "offset": self.used_offset & (np.abs(self.offset - side) > far),
            "place": self.used_place & (away > far + slack),
        }
        for what, used in (("depth", self.used), ("offset", self.used_offset), ("place", self.used_place)):
            used[wrong[what]] = False
            for k in np.flatnonzero(wrong[what]):
                self.problems.append(f"rod {k}: {what} lies where no head can be after {k} rods, not used")
        for k in np.flatnonzero(np.isfinite(self.read_pitch) & (np.abs(self.read_pitch) >= NO_PITCH)):
            self.problems.append(f"rod {k}: pitch {self.read_pitch[k]:g} % is no pitch, not used")

    def _filled(self) -> tuple[Array, Array]:
        """Pitch at every rod end, and the error of it that is new there."""
        known = np.flatnonzero(np.isfinite(self.pitch))
        if known.size:
            pitch, error = self.pitch.copy(), np.full(len(self.pitch), self.accuracy.pitch_pct)
            if not np.isfinite(pitch[0]):
                planned = self._planned_pitch(np.zeros(1))
                pitch[0] = (
                    planned[0] if planned is not None else pitch[known[0]]
                )  # the first rod is straight (TB 5.5, S)
                known = np.r_[0, known]
                error[0] += 1.0
            away = np.abs(self.number[:, None] - known[None, :]).min(axis=1)
            return np.interp(self.number, known, pitch[known]), error + self.change_pct * away / 2
        wide = np.full(len(self.pitch), 10.0)
        located = np.flatnonzero(self.used)
        if located.size:  # from the depths alone: first as if the ground were level
            z = np.interp(self.number, np.r_[0, located], -np.r_[0.0, self.depth[located]])
            slope = np.clip(np.gradient(z, self.station), -0.9, 0.9)
            return 100 * slope / np.sqrt(1 - slope**2), wide
        planned = self._planned_pitch(self.station)
        if planned is None:
            raise RangeError("readings", "neither pitch nor depth was read at any rod", "record one of them")
        self.problems.append("neither pitch nor depth was read: heights are as planned")
        return planned, wide

    def _planned_pitch(self, station: Array) -> Array | None:
        if self.planned is None:
            return None
        step = np.diff(self.planned, axis=0)
        long = np.linalg.norm(step, axis=1)
        at = np.r_[0.0, np.cumsum(long)]
        i = np.clip(np.searchsorted(at, station, side="right") - 1, 0, len(long) - 1)
        pitch: Array = 100 * step[i, 2] / np.maximum(np.hypot(step[i, 0], step[i, 1]), 1e-9)
        return pitch

    # the path

    def traverse(self, *, abandoned: bool) -> Traverse:
        """The path, once to see which reads cannot be, once with what is left, once more with the exit."""
        self._plain()
        found = self._solved()
        if self._set_aside(found) | self._offsets_aside(found):
            found = self._solved()
        unknown = np.flatnonzero(self.used & ~np.isfinite(found.ground))
        if unknown.size:
            rods = spans(int(k) for k in unknown)
            self.problems.append(
                f"rod{'s' * (unknown.size > 1)} {rods}: the ground's height is not known, depth not used"
            )
        self._jumps(found)
        gap = found.read_z - (self.entry[2] + found.rise_by_pitch)
        allowed = np.maximum(CLOSURE_M, CLOSURE_SHARE * np.where(self.used, self.depth, 0.0))
        self._closing(found, gap, allowed)
        exit_gap = None
        if self.exit is not None:
            exit_gap = self._with_exit(found)
            found = self._solved()
            gap, allowed = (np.r_[v, [np.nan] * (len(self.number) - len(v))] for v in (gap, allowed))
        read = np.isfinite(self.read_pitch) & (np.abs(self.read_pitch) < NO_PITCH)
        leg = Leg(
            rod=self.number.astype(float),
            station_m=self.station,
            xyz=found.xyz,
            error_m=found.error_m,
            ground_m=found.ground,
            read_depth_m=self.depth,
            pitch_pct=np.where(read, self.read_pitch, found.pitch),
            abandoned=abandoned,
        )
        if self.planned is not None and not abandoned:
            told = drift(leg, self.planned)
            self.problems += drift_words(leg, told, self.units)
        return Traverse(
            leg=replace(leg, problems=tuple(dict.fromkeys(self.problems))),
            gap_m=gap,
            allowed_m=allowed,
            exit_gap_m=exit_gap,
        )

    def _solved(self) -> _Found:
        """Path and errors from the reads as they stand."""
        pitch, pitch_error = self._filled()
        angle = np.arctan(pitch / 100)
        run = np.diff(self.station)
        start_t, start_right = (float(v[0]) for v in self.line.seen_from(self.entry[None, :2]))
        t = start_t + np.r_[0.0, np.cumsum(run * np.cos((angle[1:] + angle[:-1]) / 2))]
        right = np.full(len(t), start_right)
        z = np.full(len(t), self.entry[2])
        for _ in range(_ROUNDS):
            heading = _headings(self.line.place(t, right))
            factor, chord = _arc(angle, heading, run)
            weights = run / 2 * factor
            rise = np.r_[0.0, np.cumsum(weights * (np.sin(angle[:-1]) + np.sin(angle[1:])))]
            ground = np.asarray(self.ground(self.line.place(t, right)), dtype=float)
            z, height_error = self._heights(rise, angle, weights, pitch_error, ground)
            depth = np.nan_to_num(np.where(self.used, self.depth, ground - z))
            right, right_error, place_t, place_error = self._sideways(t, start_t, start_right, depth, pitch)
            flat = np.sqrt(np.maximum(chord**2 - np.diff(z) ** 2, (0.05 * chord) ** 2))
            t = self._along(start_t, right, flat)
            t, along_error = self._stretched(t, place_t, place_error)
        xyz = np.column_stack([self.line.place(t, right), z])
        if self.exit is not None and self.exit_along_m is not None:
            xyz[-1] = self.exit
        ground = np.asarray(self.ground(xyz[:, :2]), dtype=float)
        return _Found(
            xyz=xyz,
            error_m=np.column_stack([along_error, right_error, height_error]),
            t=t,
            right=right,
            ground=ground,
            pitch=pitch,
            pitch_error=pitch_error,
            rise_by_pitch=rise,
            read_z=ground - self.depth,
        )

    def _heights(
        self, rise: Array, angle: Array, weights: Array, pitch_error: Array, ground: Array
    ) -> tuple[Array, Array]:
        """Heights and their errors from summed pitches and the locator: z = z0 + rise + K (read - z0 - rise).

        K = C (C + R)^-1 with the covariances of the pitch sum and of the reads (least squares, from memory).
        """
        n = len(rise)
        slope = np.cos(angle) ** 3 / 100  # of sin(atan(p / 100)) by p
        along = np.zeros((n, n))
        lower = np.tril(np.ones((n - 1, n - 1)))
        along[1:, :-1] += lower * (weights * slope[:-1])
        along[1:, 1:] += lower * (weights * slope[1:])
        same = along.sum(axis=1) * self.accuracy.pitch_same_pct
        cov = (along * pitch_error**2) @ along.T + np.outer(same, same) + self.accuracy.least_m**2
        z = self.entry[2] + rise
        seen = np.flatnonzero(self.used & np.isfinite(ground))
        own, shared = self.accuracy.locate_m(self.depth[seen], 100 * np.tan(angle[seen]))
        read = ground[seen] - self.depth[seen]
        if self.exit is not None and self.exit_along_m is not None:
            seen, read = np.r_[seen, n - 1], np.r_[read, self.exit[2]]
            own, shared = np.r_[own, self.accuracy.exit_m], np.r_[shared, 0.0]
        if not seen.size:
            return z, np.sqrt(np.diag(cov))
        whole = cov[np.ix_(seen, seen)] + np.diag(own**2) + np.outer(shared, shared)
        gain = np.linalg.solve(whole, cov[seen]).T
        gap = read - z[seen]
        left = cov - gain @ cov[seen]
        # reads that scatter more than they should make the error larger (Birge's ratio, from memory)
        ratio = max(1.0, float(gap @ np.linalg.solve(whole, gap)) / seen.size)
        error = np.sqrt(ratio * np.maximum(np.diag(left), 1e-8))
        if self.exit is not None and self.exit_along_m is not None:
            error[-1] = self.accuracy.exit_m
        return z + gain @ gap, error

    def _sideways(
        self, t: Array, start_t: float, start_right: float, depth: Array, pitch: Array
    ) -> tuple[Array, Array, Array, Array]:
        """Distance to the right of the painted line and its error; lengths along it by x, y with their error, NaN without."""
        n, a = len(t), self.accuracy
        own, shared = a.locate_m(depth, pitch)
        locate = own**2 + shared**2
        by_place = self.used_place
        place_t, place_right = np.full(n, np.nan), np.full(n, np.nan)
        if by_place.any():
            place_t[by_place], place_right[by_place] = self.line.seen_from(self.place[by_place])
        place_var = np.maximum(np.nan_to_num(self.place_m, nan=a.place_m), a.least_m) ** 2 + locate
        by_offset = self.used_offset
        weight = by_offset / locate + by_place / place_var
        total = np.where(by_offset, self.offset, 0.0) / locate + np.where(by_place, place_right, 0.0) / place_var
        if self.exit is not None and self.exit_along_m is not None:
            side = float(self.line.seen_from(self.exit[None, :2])[1][0])
            weight[-1], total[-1] = 1 / a.exit_m**2, side / a.exit_m**2
        weight[0], total[0] = 1 / a.least_m**2, start_right / a.least_m**2
        known = np.flatnonzero(weight > 0)
        read, var = total[known] / weight[known], 1 / weight[known]
        right, error2 = self._between(known, read, var)
        right, error2 = self._carried(known, read, var, right, error2, start_t)
        return right, np.sqrt(error2), place_t, np.sqrt(place_var)

    def _between(self, known: NDArray[np.intp], read: Array, var: Array) -> tuple[Array, Array]:
        """Straight between reads; the error is the reads' and that of a bend in between, k s (g - s) / 2 (D)."""
        n, s = len(self.station), self.station
        right = np.interp(s, s[known], read)
        after = np.clip(np.searchsorted(known, np.arange(n)), 1 if len(known) > 1 else 0, len(known) - 1)
        before = np.maximum(after - 1, 0)
        gap = np.maximum(s[known[after]] - s[known[before]], 1e-9)
        w = np.clip((s - s[known[before]]) / gap, 0.0, 1.0)
        bend = self.accuracy.bend_share / self.radius_m * w * (1 - w) * gap**2 / 2
        return right, (1 - w) ** 2 * var[before] + w**2 * var[after] + bend**2

    def _carried(
        self, known: NDArray[np.intp], read: Array, var: Array, right: Array, error2: Array, start_t: float
    ) -> tuple[Array, Array]:
        """After the last read: on in the direction of the last four; error as of a blind head (facts/hdd section 6, D)."""
        last = int(known[-1])
        if last == len(right) - 1:
            return right, error2
        s, a = self.station, self.accuracy
        heading = math.radians(a.heading_deg)
        way = self.line.direction(np.array([start_t]))[0]
        first = math.remainder(self.heading - math.atan2(way[0], way[1]), 2 * math.pi)
        few = known[-4:]
        ahead, weight = s[few] - s[last], 1 / var[-4:]
        # straight line through them; before them a direction within two such errors: along the line, at the entry as set up
        prior, mean = 1 / (2 * heading) ** 2, math.tan(first) if last == 0 else 0.0
        normal = np.array([[weight.sum(), weight @ ahead], [weight @ ahead, weight @ ahead**2 + prior]])
        cov = np.linalg.inv(normal)
        slope = float((cov @ np.array([weight @ read[-4:], weight @ (ahead * read[-4:]) + prior * mean]))[1])
        turn = max(heading, math.sqrt(cov[1, 1])) if last else heading
        on = s[last + 1 :] - s[last]
        right[last + 1 :] = read[-1] + slope * on
        error2[last + 1 :] = var[-1] + (turn * on) ** 2 + (a.bend_share / self.radius_m * on**2 / 2) ** 2
        return right, error2

    def _along(self, start_t: float, right: Array, flat: Array) -> Array:
        """Lengths along the painted line at which the rods, so long in plan, lie at these distances from it."""
        step = np.sqrt(np.maximum(flat**2 - np.diff(right) ** 2, (0.05 * flat) ** 2))
        for _ in range(4):
            t = start_t + np.r_[0.0, np.cumsum(step)]
            apart = np.linalg.norm(np.diff(self.line.place(t, right), axis=0), axis=1)
            step = np.sqrt(np.maximum(step**2 + flat**2 - apart**2, (0.05 * flat) ** 2))
        length: Array = start_t + np.r_[0.0, np.cumsum(step)]
        return length

    def _stretched(self, t: Array, place_t: Array, place_error: Array) -> tuple[Array, Array]:
        """Lengths along the line with the rods' length error taken from the places read, and what is left of it."""
        a, s = self.accuracy, self.station
        known = np.flatnonzero(np.isfinite(place_t))
        weight, off = 1 / place_error[known] ** 2, place_t[known] - t[known]
        if self.exit is not None and self.exit_along_m is not None:
            part = self.rod_m / math.sqrt(12) if self.exit_along_m == 0 else a.exit_m  # anywhere within a rod
            end = float(self.line.seen_from(self.exit[None, :2])[0][0])
            known, weight, off = np.r_[known, len(t) - 1], np.r_[weight, 1 / part**2], np.r_[off, end - t[-1]]
        total = 1 / a.along_share**2 + float(weight @ s[known] ** 2)
        stretch = float(weight @ (s[known] * off)) / total
        error = np.sqrt(a.least_m**2 + s**2 / total)
        if self.exit is not None and self.exit_along_m is not None:
            error[-1] = a.exit_m
        return t + stretch * s, error

    # what does not fit

    def _fits(self, found: _Found, a: int, b: int) -> tuple[float, float]:
        """Change of height between two located rods by the locator less that by pitch, and what it may be."""
        jump = float(found.read_z[b] - found.read_z[a] - found.rise_by_pitch[b] + found.rise_by_pitch[a])
        own, _ = self.accuracy.locate_m(self.depth[[a, b]], found.pitch[[a, b]])
        new = float(np.sqrt(np.mean(found.pitch_error[a : b + 1] ** 2)))
        pitch_m = (self.station[b] - self.station[a]) * math.hypot(new, self.accuracy.pitch_same_pct) / 100
        return jump, max(CLOSURE_M, _SURE * math.sqrt(own[0] ** 2 + own[1] ** 2 + pitch_m**2))

    def _set_aside(self, found: _Found) -> bool:
        """Leave out depths that neither neighbour bears out while the neighbours agree; True when there are any."""
        seen = [0, *(int(k) for k in np.flatnonzero(self.used & np.isfinite(found.read_z)))]
        found.read_z[0] = self.entry[2]
        depth_0, self.depth[0] = self.depth[0], 0.0
        out = []
        for i in range(1, len(seen)):
            jump, most = self._fits(found, seen[i - 1], seen[i])
            if i + 1 == len(seen):
                alone = abs(jump) > max(2 * most, 0.5)
            else:
                back, most_back = self._fits(found, seen[i], seen[i + 1])
                over, most_over = self._fits(found, seen[i - 1], seen[i + 1])
                alone = abs(jump) > most and abs(back) > most_back and jump * back < 0 and abs(over) <= most_over
            if alone:
                out.append(seen[i])
                depth = length_text(float(self.depth[seen[i]]), self.units, 2)
                by = length_text(abs(jump), self.units, 2)
                self.problems.append(
                    f"rod {seen[i]}: depth {depth} is {by} off what pitch and the rods beside it say, not used"
                )
        self.depth[0] = depth_0
        self.used[out] = False
        return bool(out)

    def _offsets_aside(self, found: _Found) -> bool:
        """Leave out offsets that stand out alone between two that agree: bends there and beside are as -1, 2, -1."""
        read = np.where(self.used_offset, self.offset, np.nan)
        bend, most = self._bend(read, found)
        alone = (np.abs(bend[1:-1]) > most[1:-1]) & (bend[1:-1] * bend[:-2] < 0) & (bend[1:-1] * bend[2:] < 0)
        alone &= np.abs(bend[1:-1]) > 1.5 * np.maximum(np.abs(bend[:-2]), np.abs(bend[2:]))
        for k in np.flatnonzero(alone) + 2:
            by = length_text(float(abs(bend[k - 1]) / 2), self.units, 2)
            self.problems.append(f"rod {k}: offset is {by} off what the rods beside it say, not used")
            self.used_offset[k] = False
        return bool(alone.any())

    def _jumps(self, found: _Found) -> None:
        """Reads beside each other that no rod can follow."""
        seen = np.flatnonzero(self.used & np.isfinite(found.read_z))
        for a, b in pairwise(int(k) for k in seen):
            run = self.station[b] - self.station[a]
            jump, most = self._fits(found, a, b)
            fall = float(found.read_z[b] - found.read_z[a])
            if abs(fall) > run + most:
                what = "goes further than the rods are long"
                self.problems.append(f"rod {b}: depth {what}, {length_text(abs(fall), self.units, 2)} since rod {a}")
            elif abs(jump) > most:
                by = length_text(abs(jump), self.units, 2)
                self.problems.append(f"rod {b}: depth jumps by {by} against the pitch since rod {a}")
        self._bends(np.where(self.used, found.read_z, np.nan), found, "depth")
        self._bends(np.where(self.used_offset, self.offset, np.nan), found, "offset")

    def _bend(self, read: Array, found: _Found) -> tuple[Array, Array]:
        """Second differences of reads, and what they may be: L^2 / R and the reads' own error (D)."""
        depth = np.where(self.used, self.depth, found.ground - found.xyz[:, 2])
        own, _ = self.accuracy.locate_m(np.nan_to_num(depth), found.pitch)
        noise = np.sqrt(own[:-2] ** 2 + 4 * own[1:-1] ** 2 + own[2:] ** 2)
        bend: Array = read[2:] - 2 * read[1:-1] + read[:-2]
        return bend, self.rod_m**2 / self.radius_m + _SURE * noise

    def _bends(self, read: Array, found: _Found, what: str) -> None:
        """Told where three reads in a row bend more than the rods."""
        bend, most = self._bend(read, found)
        for k in np.flatnonzero(np.abs(bend) > most):
            by = length_text(float(abs(bend[k]) - self.rod_m**2 / self.radius_m), self.units, 2)
            self.problems.append(f"rod {k + 1}: {what} bends by {by} more than the rods can from rod {k} to {k + 2}")

    def _closing(self, found: _Found, gap: Array, allowed: Array) -> None:
        """Told where both heights differ by more than is allowed, and whether the errors stated for both explain it."""
        beyond = np.flatnonzero(self.used & (np.abs(gap) > allowed))
        if beyond.size:
            k = int(beyond[np.argmax(np.abs(gap[beyond]))])
            by, most = (length_text(float(v), self.units, 2) for v in (abs(gap[k]), allowed[k]))
            which = f"rod{'s' * (beyond.size > 1)} {spans(int(b) for b in beyond)}"
            way = "deeper" if gap[k] < 0 else "shallower"
            own, shared = self.accuracy.locate_m(self.depth[beyond], found.pitch[beyond])
            summed = self.station[beyond] * self.accuracy.pitch_same_pct / 100
            usual = bool(np.all(np.abs(gap[beyond]) <= _SURE * np.sqrt(own**2 + shared**2 + summed**2)))
            why = ", within the error of the pitches" if usual else ""
            self.problems.append(
                f"{which}: summed pitch and locator do not close, at rod {k} the locator says {by} {way}, allowed {most}{why}"
            )

    def _with_exit(self, found: _Found) -> tuple[float, float, float]:
        """Put the surveyed exit at the end: at the last rod when that was out, else a part of a rod further. Returns the gap."""
        assert self.exit is not None  # noqa: S101 - asked by the caller
        end_t, end_right = (float(v[0]) for v in self.line.seen_from(self.exit[None, :2]))
        slope = math.sin(math.atan(found.pitch[-1] / 100))
        level = math.sqrt(1 - slope * slope)
        further = (end_t - found.t[-1]) / level
        up_to = max(_OUT, 2 * float(found.error_m[-1, 2]))
        out = bool(found.ground[-1] - found.xyz[-1, 2] < up_to) and further < self.rod_m / 4
        low, high = (-self.rod_m, self.rod_m) if out else (0.0, self.rod_m)
        slack = _SURE * float(found.error_m[-1, 0])
        beyond = further - high if further > high + slack else further - low if further < low - slack else 0.0
        on = min(max(further, low), high)
        up = float(self.exit[2] - found.xyz[-1, 2] - on * slope)
        turn = (found.right[-1] - found.right[-2]) / max(float(self.station[-1] - self.station[-2]), 1e-9)
        gap = (beyond * level, end_right - float(found.right[-1] + on * turn), up)
        self.exit_along_m = gap[0]
        if out:
            self.station = np.r_[self.station[:-1], max(self.station[-1] + on, self.station[-2] + 0.05 * self.rod_m)]
        else:
            self._add_row(self.station[-1] + max(on, 0.05 * self.rod_m))
        share = CLOSURE_SHARE * float(np.nan_to_num(found.ground - found.xyz[:, 2]).max())
        most = np.full(3, max(CLOSURE_M, share))
        most[:2] = np.maximum(most[:2], 2 * np.hypot(found.error_m[-1, :2], self.accuracy.exit_m))
        if np.any(np.abs(gap) > most):
            words = ", ".join(
                f"{length_text(abs(g), self.units, 2)} {plus if g > 0 else minus}"
                for g, plus, minus in zip(gap, ("on", "right", "up"), ("back", "left", "down"), strict=True)
            )
            self.problems.append(f"exit: surveyed place does not close with the rods: it lies {words}")
        return gap

    def _add_row(self, station: float) -> None:
        """One more row for the exit, where nothing but its place was read."""
        self.station = np.r_[self.station, station]
        self.number = np.r_[self.number, self.number[-1] + 1]
        self.depth, self.read_pitch, self.pitch, self.offset, self.place_m = (
            np.r_[v, np.nan] for v in (self.depth, self.read_pitch, self.pitch, self.offset, self.place_m)
        )
        self.place = np.vstack([self.place, [np.nan, np.nan]])
        self.used, self.used_offset, self.used_place = (
            np.r_[v, False] for v in (self.used, self.used_offset, self.used_place)
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Found:
    """A path from its reads: t, right along and beside the painted line; read_z by the locator; rise_by_pitch from the entry."""

    xyz: Array
    error_m: Array
    t: Array
    right: Array
    ground: Array
    pitch: Array
    pitch_error: Array
    rise_by_pitch: Array
    read_z: Array


def _headings(xy: Array) -> Array:
    """Headings at places on a plan curve, of the circle through each and its neighbours, clockwise from north, turning steadily."""
    step = np.diff(xy, axis=0)
    run = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)
    chord = np.unwrap(np.arctan2(step[:, 0], step[:, 1]))
    if len(chord) == 1:
        return np.repeat(chord, 2)
    inner = chord[:-1] + np.diff(chord) * run[:-1] / (run[:-1] + run[1:])
    heading: Array = np.r_[2 * chord[0] - inner[0], inner, 2 * chord[-1] - inner[-1]]
    return heading


def _arc(angle: Array, heading: Array, run: Array) -> tuple[Array, Array]:
    """Ratio factor (2 / d) tan(d / 2) and chord of the arcs between directions. Source: head of the module."""
    level = np.cos(angle)
    way = np.column_stack([level * np.sin(heading), level * np.cos(heading), np.sin(angle)])
    half = np.arcsin(np.clip(np.linalg.norm(np.diff(way, axis=0), axis=1) / 2, 0.0, 0.7))
    safe = np.where(half > 1e-9, half, 1.0)
    factor = np.where(half > 1e-9, np.tan(safe) / safe, 1.0)
    return factor, run * np.where(half > 1e-9, np.sin(safe) / safe, 1.0)


def between(leg: Leg, *, step_m: float = STEP_M) -> Array:
    """The path (m, 3) with vertices at most step_m apart, through every rod, for a line in space.

    Between two rods the circles through them and the rod before, and through them and the rod after, are blended evenly from the
    first to the second: exact where the path is one arc, and without a kink at a rod (D). Raises RangeError when step_m is not
    positive.
    """
    positive(step_m=step_m)
    p = leg.xyz
    rows = [p[:1]]
    for i in range(len(p) - 1):
        count = max(1, math.ceil(float(leg.station_m[i + 1] - leg.station_m[i]) * 1.01 / step_m))
        w = np.arange(1, count + 1) / count
        before = _on_circle(p[i - 1], p[i], p[i + 1], w) if i else None
        after = _on_circle(p[i + 2], p[i + 1], p[i], 1 - w) if i + 2 < len(p) else None
        first, second = before if before is not None else after, after if after is not None else before
        if first is None or second is None:
            rows.append(p[i] + w[:, None] * (p[i + 1] - p[i]))
        else:
            rows.append((1 - w)[:, None] * first + w[:, None] * second)
        rows[-1][-1] = p[i + 1]
    return np.vstack(rows)


def _on_circle(a: Array, b: Array, c: Array, w: Array) -> Array:
    """Places (n, 3) at shares w of the arc from b to c of the circle through a, b and c; the straight line when they lie on one.

    The chord turns by half the arc (inscribed angle, D): tangent at b and the angle between it and the chord are found from the
    two chords.
    """
    one, two = b - a, c - b
    long = float(np.linalg.norm(two))
    u, v = one / max(float(np.linalg.norm(one)), 1e-12), two / max(long, 1e-12)
    side = u - (u @ v) * v
    size = float(np.linalg.norm(side))
    # the angle between chords is half the sum of both arcs' angles: turn of the second is what its length asks for
    turn = math.atan2(size, float(u @ v))
    apart = float(np.linalg.norm(c - a))
    sine = math.sin(turn) / max(apart, 1e-12) * long  # sine rule: chord / (2 R) = sin of half of its arc's angle
    half = math.asin(min(1.0, max(0.0, sine)))
    if size < 1e-12 or half < 1e-9:
        line: Array = b + w[:, None] * two
        return line
    bulge = side / size  # the arc bulges to where it came from
    radius = long / (2 * math.sin(half))
    angle = half * (2 * w - 1)
    across = radius * np.sin(angle) + long / 2
    out = radius * (np.cos(angle) - math.cos(half))
    place: Array = b + across[:, None] * v + out[:, None] * bulge
    return place
