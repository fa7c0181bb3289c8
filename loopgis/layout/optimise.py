"""The least drilled length that carries the house: the choice among a pad's candidates, proven as far as its time goes.

The heat of a set of bores that all give the same per metre is a quadratic form over the square of its length, so that the limit on
the entering water becomes z'Mz <= c (L'z)^2. The flow of each bore, and with it its resistance, hangs on their number: every number
has a form of its own (ranges of numbers, where it changes little). What a header really does (equal inlet) and what a profile
really looks like differ a little besides: the chosen bores are made, computed in full, and the limit of that number is moved by the
difference until both agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import NoLayoutError, RangeError
from loopgis.ground.cylinder import wall_excess
from loopgis.ground.loads import MONTH_DAYS, MONTH_S, ground_cooling_w
from loopgis.ground.resistance import short_circuit
from loopgis.ground.segments import simplified
from loopgis.ground.spectrum import Precision, spectrum
from loopgis.layout.generate import named_draft
from loopgis.layout.heat import path_of, study
from loopgis.layout.score import pair_distances
from loopgis.layout.selection import choose

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.ground.loop import Side
    from loopgis.ground.spectrum import Spectrum
    from loopgis.layout.candidates import Candidate
    from loopgis.layout.generate import Draft
    from loopgis.layout.heat import Heat
    from loopgis.layout.realise import Workshop
    from loopgis.layout.selection import Choice
    from loopgis.layout.separation import SeparationRule
    from loopgis.site.model import Site

    Array = NDArray[np.float64]
    Range = tuple[int, int]

ROUNDS, BESIDE = 9, 4
"""Rounds of choosing and making: for the number of bores of the first draft, and for others."""
KEPT_K = 0.01
"""Kept between the water and its limit by the choice."""
AGREE_K = 0.05
"""Choice and full computation agree when their entering water differs by less than this."""
STEPS = (1, 2, 3, 4, 5, 6, 7, 9, 12, 16, 22, 30, 41, 57, 80, 200)
"""Numbers of bores from which on the flow of each, and so its resistance, is taken as another: up to six each for itself."""
TEACH_K, TEACHING = 1.5, 4
"""By how much the limits are eased to find a set that teaches what a number of bores is like, and how often that is tried."""
MOST_RANGES = 12
"""Ranges of numbers that a proof goes through at most; what lies beyond is bounded by the shortest candidates alone."""
ROUGH_PATH_M = 0.15
ROUGHLY = Precision(step=0.2, receiver=4, inside=8, outside=5, alone=20)
"""Good for some 1e-3 in h: what the choice works with is corrected by full computations."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Better:
    """What the choice came to.

    draft, heat: the bores, made and computed in full; worth_m: their drilled length and what they count for besides; bound_m: no
    choice among the candidates that carries the house is worth less, by the choice's own heat (shared evenly and corrected at
    the chosen bores); differs_k: full computation less the choice's own
    heat.
    """

    draft: Draft
    heat: Heat
    worth_m: float
    bound_m: float
    differs_k: float


@dataclass(frozen=True, eq=False)
class Made:
    """A set made and computed in full.

    spare_k: least distance of its water from the limits; off_k: what the choice was off there.
    """

    draft: Draft
    heat: Heat
    spare_k: float
    off_k: float


@dataclass(frozen=True, eq=False)
class _Side:
    """A limit: z' matrix z / (L'z)^2, and the resistances at its peak_w besides, may be at most right; sign: -1 for heating."""

    name: Side
    sign: float
    peak_w: float
    matrix: Array
    right: float


def drilled_m(draft: Draft) -> float:
    """Drilled length of all bores."""
    return float(sum(b.length_m for b in draft.bores))


class Workbench:
    """The candidates of a pad that can be drilled, as the choice sees them, and what making the chosen ones together teaches.

    pool, bores, length, clash: of those candidates. draft, heat: what was drawn so far: gives the loads and a set to begin with;
    extra_m: (n,) metres of drilling that each candidate counts for besides its own; count: bores to choose, None: as many as serve.
    """

    def __init__(
        self, draft: Draft, heat: Heat, pool: Sequence[Candidate], clash: NDArray[np.bool_], *, site: Site, workshop: Workshop,
        rule: SeparationRule, extra_m: Array | None = None, count: int | None = None,
    ) -> None:  # fmt: skip
        """Compute how every candidate warms every other."""
        self.draft, self.heat, self.site, self.workshop, self.rule = draft, heat, site, workshop, rule
        made = [workshop.bore(c) for c in pool]
        can = np.array([b is not None for b in made], dtype=bool)
        self.pool, self.clash = [c for c, ok in zip(pool, can, strict=True) if ok], clash[np.ix_(can, can)]
        self.bores = [b for b in made if b is not None]
        paths = [simplified(path_of(b), ROUGH_PATH_M) for b in self.bores]
        self.length = np.array([b.length_m for b in self.bores])
        warming = spectrum(paths, bore_radius_m=heat.loop.section.bore_radius_m, precision=ROUGHLY, skip=self.clash)
        sides = _sides(heat, warming, paths, self.length)
        self.base = np.zeros(len(self.pool)) if extra_m is None else extra_m[can]
        self.cost, self.margin_k = self.length + self.base, 0.0
        self.ranges = _ranges(count, len(self.pool), sum(c.kept for c in self.pool))
        self.limits = {r: _Limits(sides, heat, self.length, r) for r in self.ranges}

    def shortest(self, effort: int) -> Better | None:
        """The cheapest choice that carries the house; None when there is none or none was found.

        effort: as of `choose`. For every number of bores in reach, rounds of search go on until the full computation and the
        choice's own heat agree; then comes the proof, number by number: the bound is the least of all.
        """
        found = {r: made for r in self._likely() if (made := self._agreed(r)) is not None}
        best = min(found.values(), key=lambda made: self.worth_m(made.draft), default=None)
        if best is None:
            return None
        bound = np.inf
        for n, r in enumerate(self._in_reach(self.worth_m(best.draft))):
            if n >= MOST_RANGES:
                bound = min(bound, self._least(r))
                continue
            if not self.limits[r].learned:
                self._taught(r)
            low, made = self._proof(r, effort, found.get(r), self.worth_m(best.draft))
            bound = min(bound, low)
            if made is not None and self.worth_m(made.draft) < self.worth_m(best.draft):
                best = made
        worth = self.worth_m(best.draft)
        return Better(
            draft=best.draft, heat=best.heat, worth_m=worth, bound_m=min(float(bound), worth), differs_k=best.off_k
        )

    def _proof(self, r: Range, effort: int, made: Made | None, worth_m: float) -> tuple[float, Made | None]:
        """Least worth of any choice of so many bores, as far as it is below that of the best; and a better one if there is."""
        below = worth_m if made is None or self.worth_m(made.draft) > worth_m else np.inf
        try:
            choice = self.choose(effort, r, made, below=below)
        except NoLayoutError as none:
            return none.bound, None
        again = self.make(choice, r)
        held = again is not None and again.spare_k >= 0
        return choice.bound, again if held else None

    def other(self, *, extra_m: Array | None = None, margin_k: float = 0.0) -> tuple[Draft, Heat] | None:
        """The choice that is cheapest in another sense, by search alone; None when none was found.

        extra_m: (n,) metres of drilling that each candidate counts for more; margin_k: kept from the water's limits.
        """
        self.cost = self.length + self.base + (0.0 if extra_m is None else extra_m)
        self.margin_k = margin_k
        try:
            found = [made for r in self._likely() if (made := self._agreed(r)) is not None]
            best = min(found, key=lambda made: self._cost(made.draft), default=None)
        finally:
            self.cost, self.margin_k = self.length + self.base, 0.0
        return None if best is None else (best.draft, best.heat)

    def worth_m(self, draft: Draft) -> float:
        """Drilled length of a draft made of these candidates, with what each counts for besides."""
        return drilled_m(draft) + float(self.base[self.known(draft)].sum())

    def _cost(self, draft: Draft) -> float:
        return drilled_m(draft) + float((self.cost - self.length)[self.known(draft)].sum())

    def _likely(self) -> list[Range]:
        """Numbers of bores that a search looks at: that of the first draft, and those beside it on both sides."""
        now = next(
            (n for n, (_, most) in enumerate(self.ranges) if len(self.draft.bores) <= most), len(self.ranges) - 1
        )
        return [self.ranges[n] for n in (now, now - 1, now + 1, now - 2) if 0 <= n < len(self.ranges)]

    def _in_reach(self, worth_m: float) -> list[Range]:
        """Ranges that could hold a cheaper choice, those looked at by the search first."""
        first = self._likely()
        rest = [r for r in self.ranges if r not in first]
        return [r for r in (*first, *rest) if self._least(r) < worth_m]

    def _least(self, r: Range) -> float:
        """Worth of the cheapest candidates of that number: no choice of so many is worth less."""
        return float(np.sort(self.length + self.base)[: r[0]].sum())

    def _agreed(self, r: Range) -> Made | None:
        """The cheapest held set of rounds of choosing, making and learning, until the choice and the full computation agree."""
        best: Made | None = None
        for _ in range(ROUNDS if r == self._likely()[0] else BESIDE):
            try:
                choice = self.choose(0, r, None)
            except NoLayoutError:
                if self.limits[r].learned or not self._taught(r):
                    break
                continue
            made = self.make(choice, r)
            if made is None:
                continue
            if made.spare_k >= self.margin_k and (best is None or self._cost(made.draft) < self._cost(best.draft)):
                best = made
            if made.off_k < AGREE_K and made.spare_k >= self.margin_k:
                break
        return best

    def _taught(self, r: Range) -> bool:
        """Make one set of so many bores that nearly holds, so that the limits of that number are those of the full computation."""
        for _ in range(TEACHING):
            try:
                choice = self.choose(0, r, None, ease_k=TEACH_K)
            except NoLayoutError:
                return False
            if self.make(choice, r) is not None:
                return True
        return False

    def choose(self, effort: int, r: Range, best: Made | None, *, below: float = np.inf, ease_k: float = 0.0) -> Choice:
        """Choice of so many candidates, limits moved by what full computations taught."""
        kept = (0.0 if effort else KEPT_K) + self.margin_k - ease_k  # what is proven is proven for the limit itself
        return choose(
            self.cost,
            self.length,
            [(m, max(c - kept, 1e-3)) for m, c in self.limits[r].pairs()],
            conflicts=self.clash,
            forced=[i for i, c in enumerate(self.pool) if c.kept],
            effort=effort,
            known=self.known(best.draft if best is not None else self.draft),
            count=r,
            below=below,
        )

    def known(self, draft: Draft) -> list[int]:
        """A draft's bores as candidates."""
        made = {_told(b): i for i, b in enumerate(self.bores)}
        return [made[_told(b)] for b in draft.bores if _told(b) in made]

    def make(self, choice: Choice, r: Range) -> Made | None:
        """Bores of a choice, computed in full; None (and the reason learned) when two of them come too near."""
        chosen = list(choice.chosen)
        held = [self.bores[i] for i in chosen]
        pairs = pair_distances(held, self.rule, self.workshop.pairs)
        near = [
            (chosen[a], chosen[b])
            for (a, b), d in pairs.items()
            if d.clash and not (self.pool[chosen[a]].kept and self.pool[chosen[b]].kept)
        ]
        for a, b in near:
            self.clash[a, b] = self.clash[b, a] = True
        if near:
            return None
        draft = named_draft(self.draft, held, pairs)
        try:
            heat = study(self.heat.case, self.site, draft.bores)
        except RangeError:
            return None
        spare = (heat.ewt_min_c - heat.case.limits.least_c, heat.case.limits.most_c - heat.ewt_max_c)
        return Made(draft, heat, min(spare), self.limits[r].learn(chosen, self.length, spare))


class _Limits:
    """(M, c) of both limits for a range of numbers of bores, in kelvin, moved by what full computations of such sets taught."""

    def __init__(self, sides: Sequence[_Side], heat: Heat, length: Array, r: Range) -> None:
        self.matrices = [
            s.matrix + np.diag(s.peak_w * s.sign * length * _resistances(heat, s.name, length, r[0])) for s in sides
        ]
        self.rights = [s.right for s in sides]
        self.shift_k = [0.0] * len(sides)
        self.learned = False

    def pairs(self) -> list[tuple[Array, float]]:
        return [(m, c + s) for m, c, s in zip(self.matrices, self.rights, self.shift_k, strict=True)]

    def learn(self, chosen: Sequence[int], length: Array, spare_k: Sequence[float]) -> float:
        """Move the limits by the full computation less the choice's own; gives the larger difference of limits near binding."""
        t = float(length[list(chosen)].sum())
        worst, self.learned = 0.0, True
        for k, ((m, c), spare) in enumerate(zip(self.pairs(), spare_k, strict=True)):
            off = spare - (c - float(m[np.ix_(chosen, chosen)].sum()) / t**2)
            self.shift_k[k] += off
            if spare < 1.0:  # a limit that is far from binding need not agree
                worst = max(worst, abs(off))
        return worst


def _ranges(count: int | None, pool: int, kept: int) -> list[Range]:
    """Ranges of numbers of bores to choose; one alone when the number is fixed."""
    if count is not None:
        return [(count, count)]
    ends = [*STEPS[1:], pool + 1]
    ranges = [(low, min(high - 1, pool)) for low, high in zip(STEPS, ends, strict=True) if low <= pool]
    return [(max(low, kept), high) for low, high in ranges if high >= max(kept, 1)]


def _told(bore: Bore) -> tuple[float, float, float, float]:
    """What tells two bores of a pad apart."""
    return float(bore.x_m[0]), float(bore.y_m[0]), float(bore.x_m[-1]), bore.length_m


def _sides(heat: Heat, sp: Spectrum, paths: Sequence[Array], length: Array) -> list[_Side]:
    """The heating and the cooling limit in the months that were the hardest of the last year, resistances left out."""
    course_, loop, limits = heat.course, heat.loop, heat.case.limits
    cap = loop.total_capacity_w_k
    made = []
    ends: tuple[tuple[Side, float, float], ...] = (("heating", -1.0, limits.least_c), ("cooling", 1.0, limits.most_c))
    for side, sign, limit in ends:
        values = (course_.heating_c if side == "heating" else course_.cooling_c)[-12:]
        peak_water = np.where(np.isfinite(values), values, course_.mean_c[-12:])
        k = int(np.argmin(peak_water) if side == "heating" else np.argmax(peak_water))
        month = loop.months - 12 + k
        peak_w = _peak_w(heat, side, month, float(peak_water[k]))
        ground = np.array([float(loop.wave.along(p, [(k + 1) * MONTH_DAYS])[0]) for p in paths]) + loop.offset_k
        best = float(ground.max() if side == "heating" else ground.min())
        lacking = np.abs(best - ground) * length
        matrix = (
            sign * _warming(heat, sp, length, month, peak_w)
            + (np.outer(lacking, length) + np.outer(length, lacking)) / 2
        )
        made.append(_Side(side, sign, peak_w, (matrix + matrix.T) / 2, sign * (limit + peak_w / cap - best)))
    return made


def _peak_w(heat: Heat, side: Side, month: int, water_c: float) -> float:
    """Heat into the ground at the peak of a month; the month's mean when it has none."""
    loop = heat.loop
    if side == "heating":
        leaving = float(heat.course.leaving_c[month])
        if np.isfinite(leaving):
            return (leaving - water_c) * loop.total_capacity_w_k
        return float(heat.course.load_w[month])
    peak = float(loop.loads.cooling_peak_w[month % 12])
    if peak > 0:
        return float(ground_cooling_w(peak, loop.cop["cooling"].at(water_c)))
    return float(heat.course.load_w[month])


def _warming(heat: Heat, sp: Spectrum, length: Array, month: int, peak_w: float) -> Array:
    """(n, n) kelvin times metres squared: z' W z / t^2 is the mean warming of the walls at the peak of a month."""
    from scipy.special import erfc  # noqa: PLC0415

    loop = heat.loop
    alpha = loop.wave.diffusivity_m2_s
    load = heat.course.load_w[: month + 1]
    times = np.arange(1, month + 2) * MONTH_S
    share = erfc(sp.rho_m[:, None] / np.sqrt(4 * alpha * times))
    since = np.diff(share, axis=1, prepend=0.0)[:, ::-1] @ load
    peak = (peak_w - load[-1]) * erfc(sp.rho_m / np.sqrt(4 * alpha * loop.peak_s))
    matrix = np.tensordot(sp.weight, since + peak, axes=(2, 0)) / 2
    first, short = wall_excess([MONTH_S, loop.peak_s], bore_radius_m=loop.section.bore_radius_m, diffusivity_m2_s=alpha)
    matrix = matrix + np.diag(length * (load[-1] * first + (peak_w - load[-1]) * short))
    warming: Array = matrix / (2 * np.pi * loop.k_w_mk)
    return warming


def _resistances(heat: Heat, side: Side, length: Array, bores: int) -> Array:
    """(n,) inlet to wall, with the flow that so many bores leave for each."""
    loop = heat.loop
    film, _, capacity = heat.case.water(bores)
    bore, internal = loop.section.resistances_mk_w(film_mk_w=film[side], k_ground_w_mk=loop.k_w_mk)
    effective = [
        short_circuit(bore_mk_w=bore, internal_mk_w=internal, length_m=float(x), capacity_w_k=capacity) for x in length
    ]
    return np.array(effective) + length / (2 * capacity)
