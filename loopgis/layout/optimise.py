"""The least drilled length that carries the house: the choice among a pad's candidates, proven as far as its time goes.

The heat of a set of bores that all give the same per metre is a quadratic form over the square of its length, so that the
limit on the
entering water becomes z'Mz <= c (L'z)^2. What a header really does (equal inlet) and what a profile really looks like differ a
little: the chosen bores are made, computed in full, and the limit is moved by the difference until both agree.
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
    from loopgis.ground.spectrum import Spectrum
    from loopgis.layout.candidates import Candidate
    from loopgis.layout.generate import Draft
    from loopgis.layout.heat import Heat
    from loopgis.layout.realise import Workshop
    from loopgis.layout.selection import Choice
    from loopgis.layout.separation import SeparationRule
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

ROUNDS = 9
KEPT_K = 0.01
"""Kept between the water and its limit by the choice."""
AGREE_K = 0.05
"""Choice and full computation agree when their entering water differs by less than this."""
CURVE_STEP_M, ROUGH_PATH_M = 2.0, 0.15
ROUGHLY = Precision(step=0.2, receiver=4, inside=8, outside=5, alone=20)
"""Good for some 1e-3 in h: what the choice works with is corrected by full computations."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Better:
    """What the choice came to.

    draft, heat: the bores, made and computed in full; bound_m: no choice among the candidates that carries the house drills
    less, by the
    choice's own heat and lengths (heat shared evenly and corrected at the chosen bores; lengths of bores never made are estimates);
    differs_k: full computation less the choice's own heat.
    """

    draft: Draft
    heat: Heat
    bound_m: float
    differs_k: float


def better(
    draft: Draft, heat: Heat, pool: Sequence[Candidate], clash: NDArray[np.bool_], *, site: Site, workshop: Workshop,
    rule: SeparationRule, effort: int,
) -> Better | None:  # fmt: skip
    """The cheapest choice among a pad's candidates that carries the house; None when there is none or none was found.

    draft, heat: what was drawn so far: gives the loads and a set to begin with; effort: as of `choose`. Rounds of search alone go
    on until the full computation and the choice's own heat agree; then comes the proof.
    """
    work = _Work(draft, heat, pool, clash, site, workshop, rule)
    best: tuple[Draft, Heat] | None = None
    for _ in range(ROUNDS):
        made = work.turn(0)
        if made is not None and work.settled:
            best = made
            break
    try:
        choice = work.choose(effort, best)
    except NoLayoutError:
        return None
    made = work.make(choice)
    if made is not None and work.learn(choice, made) and (best is None or _drilled(made[0]) < _drilled(best[0])):
        best = made
    if best is None:
        return None
    return Better(draft=best[0], heat=best[1], bound_m=min(choice.bound, _drilled(best[0])), differs_k=work.off_k)


def _drilled(draft: Draft) -> float:
    return float(sum(b.length_m for b in draft.bores))


class _Work:
    """The candidates as the choice sees them, and what making the chosen ones teaches."""

    def __init__(
        self, draft: Draft, heat: Heat, pool: Sequence[Candidate], clash: NDArray[np.bool_], site: Site, workshop: Workshop,
        rule: SeparationRule,
    ) -> None:  # fmt: skip
        self.draft, self.heat, self.site, self.workshop, self.rule = draft, heat, site, workshop, rule
        self.pool, self.clash = list(pool), clash.copy()
        made = [workshop.made(c) for c in self.pool]
        self.paths = [_path(c, b) for c, b in zip(self.pool, made, strict=True)]
        self.length = np.array(
            [b.length_m if b is not None else _length(p) for b, p in zip(made, self.paths, strict=True)]
        )
        self.dead = np.array([workshop.knows(c) and workshop.made(c) is None for c in self.pool])
        self.alive = np.flatnonzero(~self.dead)
        self.spectrum = spectrum(
            self.paths, bore_radius_m=heat.loop.section.bore_radius_m, precision=ROUGHLY, skip=self.clash
        )
        self.matrices = _matrices(heat, self.spectrum, self.paths, self.length)
        self.off_k = 0.0
        self.settled = False
        self.shift_k = [0.0] * len(self.matrices)

    def turn(self, effort: int) -> tuple[Draft, Heat] | None:
        """Choose, make, learn; None when nothing was found or it cannot be made."""
        self.settled = False
        try:
            choice = self.choose(effort, None)
        except NoLayoutError:
            return None
        made = self.make(choice)
        if made is not None:
            self.settled = self.learn(choice, made)
        return made

    def choose(self, effort: int, best: tuple[Draft, Heat] | None) -> Choice:
        """Choice among the candidates that may still be drilled, limits moved by what full computations taught; own numbering."""
        self.alive = np.flatnonzero(~self.dead)
        both = np.ix_(self.alive, self.alive)
        kept = 0.0 if effort else KEPT_K  # what is proven is proven for the limit itself
        limits = [(m[both], max(c + s - kept, 1e-3)) for (m, c), s in zip(self.matrices, self.shift_k, strict=True)]
        length = self.length[self.alive]
        back = {int(i): k for k, i in enumerate(self.alive)}
        known = [back[i] for i in self.known(best[0] if best is not None else self.draft) if i in back]
        return choose(length, length, limits, conflicts=self.clash[both], effort=effort, known=known)

    def known(self, draft: Draft) -> list[int]:
        """A draft's bores as candidates."""
        made = {_told(b): i for i, c in enumerate(self.pool) if (b := self.workshop.made(c)) is not None}
        return [made[_told(b)] for b in draft.bores if _told(b) in made]

    def make(self, choice: Choice) -> tuple[Draft, Heat] | None:
        """Bores of a choice; None (and the reason learned) when one cannot be drilled or two come too near."""
        chosen = [int(i) for i in self.alive[list(choice.chosen)]]
        bores = [self.workshop.bore(self.pool[i]) for i in chosen]
        self.dead[[i for i, b in zip(chosen, bores, strict=True) if b is None]] = True
        if any(b is None for b in bores):
            return None
        held = [b for b in bores if b is not None]
        pairs = pair_distances(held, self.rule, self.workshop.pairs)
        near = [(chosen[a], chosen[b]) for (a, b), d in pairs.items() if d.shortfall_m > 0]
        for a, b in near:
            self.clash[a, b] = self.clash[b, a] = True
        if near:
            return None
        draft = named_draft(self.draft, held, pairs)
        try:
            return draft, study(self.heat.case, self.site, draft.bores)
        except RangeError:
            return None

    def learn(self, choice: Choice, made: tuple[Draft, Heat]) -> bool:
        """Move the limits by the difference between the full computation and the choice's own; True when both agree and hold."""
        chosen, heat = [int(i) for i in self.alive[list(choice.chosen)]], made[1]
        t = float(self.length[chosen].sum())
        full = (heat.ewt_min_c - heat.case.limits.least_c, heat.case.limits.most_c - heat.ewt_max_c)
        worst = 0.0
        for k, ((m, c), spare) in enumerate(zip(self.matrices, full, strict=True)):
            own = c + self.shift_k[k] - float(m[np.ix_(chosen, chosen)].sum()) / t**2
            off = spare - own
            self.shift_k[k] += off
            if spare < 1.0:  # a limit that is far from binding need not agree
                worst = max(worst, abs(off))
        self.off_k = worst
        return worst < AGREE_K and min(full) >= 0.0


def _told(bore: Bore) -> tuple[float, float, float, float]:
    """What tells two bores of a pad apart."""
    return float(bore.x_m[0]), float(bore.y_m[0]), float(bore.x_m[-1]), bore.length_m


def _length(path: Array) -> float:
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _path(c: Candidate, bore: Bore | None) -> Array:
    """A candidate under its ground: as made, else slant, level run at its depth, slant along its plan curve."""
    if bore is not None:
        return simplified(path_of(bore), ROUGH_PATH_M)
    whole = c.curve.length_m
    marks = np.unique(np.r_[0.0, c.level_from_m, c.level_to_m, np.arange(0, whole, CURVE_STEP_M), whole])
    x, y, *_ = c.curve.at(marks)
    depth = np.interp(marks, [0.0, c.level_from_m, c.level_to_m, whole], [0.0, c.tier_m, c.tier_m, 0.0])
    return simplified(np.column_stack([x, y, -depth]), ROUGH_PATH_M)


def _matrices(heat: Heat, sp: Spectrum, paths: Sequence[Array], length: Array) -> list[tuple[Array, float]]:
    """(M, c) of the heating and the cooling limit in the months that were the hardest of the last year, in kelvin."""
    course_, loop, limits = heat.course, heat.loop, heat.case.limits
    cap = loop.total_capacity_w_k
    made = []
    for side, sign, limit in (("heating", -1.0, limits.least_c), ("cooling", 1.0, limits.most_c)):
        values = (course_.heating_c if side == "heating" else course_.cooling_c)[-12:]
        peak_water = np.where(np.isfinite(values), values, course_.mean_c[-12:])
        k = int(np.argmin(peak_water) if side == "heating" else np.argmax(peak_water))
        month = loop.months - 12 + k
        peak_w = _peak_w(heat, side, month, float(peak_water[k]))
        warming = _warming(heat, sp, length, month, peak_w)
        resist = _resistances(heat, side, length, len(loop.paths))
        ground = np.array([float(loop.wave.along(p, [(k + 1) * MONTH_DAYS])[0]) for p in paths]) + loop.offset_k
        best = float(ground.max() if side == "heating" else ground.min())
        lacking = np.abs(best - ground) * length
        matrix = (
            sign * (warming + np.diag(peak_w * length * resist))
            + (np.outer(lacking, length) + np.outer(length, lacking)) / 2
        )
        made.append(((matrix + matrix.T) / 2, sign * (limit + peak_w / cap - best)))
    return made


def _peak_w(heat: Heat, side: str, month: int, water_c: float) -> float:
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


def _resistances(heat: Heat, side: str, length: Array, bores: int) -> Array:
    """(n,) inlet to wall, with the flow that so many bores leave for each."""
    loop = heat.loop
    film, _, capacity = heat.case.water(bores)
    bore, internal = loop.section.resistances_mk_w(
        film_mk_w=film["heating" if side == "heating" else "cooling"], k_ground_w_mk=loop.k_w_mk
    )
    effective = [
        short_circuit(bore_mk_w=bore, internal_mk_w=internal, length_m=float(x), capacity_w_k=capacity) for x in length
    ]
    return np.array(effective) + length / (2 * capacity)
