"""From a draft to layouts that carry the house: long enough, chosen with a proof, refined; and best in other senses."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.plan import PlanCurve
from loopgis.layout import generate
from loopgis.layout.candidates import sift_curves
from loopgis.layout.heat import study, wanted_level_m
from loopgis.layout.optimise import Workbench, drilled_m
from loopgis.layout.separation import measure_pair
from loopgis.rules.zones import matches

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.layout.candidates import Candidate
    from loopgis.layout.generate import Draft
    from loopgis.layout.heat import Heat
    from loopgis.layout.prepare import Prepared
    from loopgis.layout.realise import Workshop

    Array = NDArray[np.float64]

REACH = 1.25
SPARE_SHARE, FULL_SHARE = 0.01, 0.97
"""A layout is drawn anew when its level run is short of what the heat needs, or has a bore to spare; the first share is added
to what is then asked for. One that reached less than the second share of what was asked for is taken to fill its ground."""
CROSSING_WORTH_M = 25.0
"""Drilling that a crossing less is worth in the safest layout: house choice."""
WARMER_K = 1.0
"""How much further from its limits the water of the warmest layout stays: house choice."""
FINER_M = (
    *((turned, 0.0, 0.0) for turned in (0.0, -1.5, -0.5, 0.5, 1.5)),
    *((0.0, longer, 0.0) for longer in (-1.5, -0.5, 0.6)),
    *((turned, longer, 0.0) for turned in (-0.5, 0.5) for longer in (-0.7, 0.4)),
    *((0.0, 0.0, aside) for aside in (-0.4, 0.4)),
)
"""The finer grid round a chosen bore: its exit turned, its end drawn out, its entry moved along the pad, metres."""
MOST_FINER = 12
"""With more new bores than this no finer grid is tried."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Settled:
    """A draft with what is known of it.

    heat: None without a demand; worth_m: drilled length and what bores and crossings count for besides; bound_m: no choice among
    the pad's candidates that carries the house is worth less (both None: not proven); finer_share: what a finer grid of candidates
    round the chosen ones saved, None when it was not tried; bench: its pad's candidates, for choices in another sense.
    """

    draft: Draft
    heat: Heat | None
    worth_m: float | None = None
    bound_m: float | None = None
    finer_share: float | None = None
    bench: Workbench | None = None

    @property
    def holds(self) -> bool:
        """Does it carry the house."""
        return self.heat is not None and self.heat.holds

    @property
    def gap(self) -> float | None:
        """Share of what is still to do that any other choice could save at most."""
        if self.bound_m is None or self.worth_m is None or not self.holds:
            return None
        there = sum(b.length_m for b in self.draft.bores if b.in_ground)
        left = self.worth_m - there
        return max(0.0, 1 - (self.bound_m - there) / left) if left > 0 else 0.0


def as_long_as_needed(draft: Draft, ground: Prepared, workshop: Workshop) -> Settled:
    """A draft with what the heat says of it; drawn anew, at most twice, when it is shorter or much longer than it must be."""
    site, case = ground.field.site, ground.heat
    if case is None:
        return Settled(draft=draft, heat=None)
    heat = study(case, site, draft.bores)
    asked = ground.wish.length_m
    for _ in range(2 if ground.wish.by_heat else 0):
        wanted = wanted_level_m(heat, draft.level_m)
        if wanted is None or asked is None or 0 <= draft.level_m - wanted < min(b.level_length_m for b in draft.bores):
            break
        if wanted > draft.level_m and draft.level_m < asked * FULL_SHARE:
            break  # there was no room for what was asked for already
        asked = wanted * (1 + SPARE_SHARE)
        again = generate.draft(
            draft.pad,
            draft.pattern,
            sorted({b.target_depth_m for b in draft.bores if not b.in_ground}) or site.spec.bore.depth_m,
            field=ground.field,
            workshop=workshop,
            rule=ground.rule,
            wish=replace(ground.wish, length_m=asked),
        )
        if again is None:
            break
        draft, heat = again, study(case, site, again.bores)
    return Settled(draft=draft, heat=heat)


def proven(was: Settled, ground: Prepared, workshop: Workshop, effort: int, tell: Callable[[str], None]) -> Settled:
    """The cheapest choice of a draft's candidates that carries the house, with a bound, refined on a finer grid."""
    heat, wish = was.heat, ground.wish
    if heat is None or effort <= 0 or not (wish.by_heat or wish.bores) or not _within_reach(heat):
        return was
    pool, clash, _ = workshop.pools[was.draft.key]
    bench = _bench(was, pool, clash, ground, workshop)
    found = bench.shortest(effort)
    if found is None:
        return was
    now = replace(was, bench=bench, worth_m=bench.worth_m(was.draft), bound_m=found.bound_m)
    if not now.holds or found.worth_m < (now.worth_m or 0.0):
        now = replace(now, draft=found.draft, heat=found.heat, worth_m=found.worth_m)
    now = _finer(now, ground, workshop)
    gap, finer = now.gap, now.finer_share
    told = "no bound" if gap is None else f"within {100 * gap:.1f} % of the least among its candidates"
    tell(
        f"{now.draft.pattern}: {len(now.draft.bores)} bores, {drilled_m(now.draft):.0f} m drilled, {told}"
        + ("" if finer is None else f", a finer grid saved {100 * finer:.1f} %")
    )
    return now


def _bench(
    now: Settled, pool: Sequence[Candidate], clash: NDArray[np.bool_], ground: Prepared, workshop: Workshop,
    *, same_number: bool = False,
) -> Workbench:  # fmt: skip
    """Workbench of a pool, with what bores and crossings count for by the site file, and the number of bores if it is fixed."""
    spec, wish = ground.field.site.spec, ground.wish
    extra = spec.per_bore_m + (spec.per_crossing_m * crossings_of(pool, ground) if spec.per_crossing_m > 0 else 0.0)
    assert now.heat is not None  # noqa: S101 - asked by the callers
    return Workbench(
        now.draft, now.heat, pool, clash, site=ground.field.site, workshop=workshop, rule=ground.rule,
        extra_m=np.zeros(len(pool)) + extra, count=len(now.draft.bores) if same_number else wish.bores,
    )  # fmt: skip


def _within_reach(heat: Heat) -> bool:
    """Is a choice among the candidates worth looking for: what was drawn is not hopelessly short of what is needed."""
    return heat.needed_m is not None and heat.needed_m <= heat.offered_m * REACH


def _finer(now: Settled, ground: Prepared, workshop: Workshop) -> Settled:
    """The same on a finer grid round its bores; what that saves is the error of the grid, and is taken."""
    if now.heat is None or not now.holds:
        return now
    new = [b for b in now.draft.bores if not b.in_ground]
    if len(new) > MOST_FINER:
        return now
    near = [(c, n) for n, b in enumerate(new) for c in _around(b, n, now.draft, ground) if workshop.bore(c) is not None]
    there = [c for c, _ in ground.field.kept]
    pool = [*there, *(c for c, _ in near)]
    group = np.array([*(-1 - n for n in range(len(there))), *(n for _, n in near)])
    bores = [b for c in pool if (b := workshop.made(c)) is not None]
    clash = group[:, None] == group
    np.fill_diagonal(clash, val=False)
    for i, j in zip(*np.nonzero(np.triu(~clash, 1)), strict=True):
        if group[j] >= 0:
            clash[i, j] = clash[j, i] = measure_pair(bores[i], bores[j], ground.rule).clash
    bench = _bench(now, pool, clash, ground, workshop, same_number=True)
    found = bench.other()
    before = now.worth_m or 0.0
    if found is None or bench.worth_m(found[0]) >= before or not found[1].holds:
        return replace(now, finer_share=0.0)
    worth = bench.worth_m(found[0])
    return replace(now, draft=found[0], heat=found[1], worth_m=worth, finer_share=1 - worth / before)


def _around(bore: Bore, number: int, draft: Draft, ground: Prepared) -> list[Candidate]:
    """Ways near a chosen bore's: its exit turned, its end drawn out, its entry moved along the pad."""
    curve = bore.curve
    if curve is None:
        return []
    along = math.radians(90 - draft.pad.axis_deg)
    ways = [
        (
            number,
            PlanCurve(
                curve.x0 + aside * math.cos(along),
                curve.y0 + aside * math.sin(along),
                curve.heading_rad + turned / curve.length_m,
                (*curve.pieces[:-1], (curve.pieces[-1][0] + longer, curve.pieces[-1][1])),
            ),
        )
        for turned, longer, aside in FINER_M
        if curve.pieces[-1][0] + longer > 1.0
    ]
    return sift_curves(ground.field, ways, draft.pattern, bore.shape, (bore.target_depth_m,))


def others(best: Settled, ground: Prepared, tell: Callable[[str], None]) -> Iterator[Settled]:
    """Choices of the same pad that are best in another sense: with fewer crossings, and with warmer (or cooler) water."""
    if best.bench is None or not best.holds:
        return
    extra = CROSSING_WORTH_M * crossings_of(best.bench.pool, ground)
    for name, made in (("safest", best.bench.other(extra_m=extra)), ("warmest", best.bench.other(margin_k=WARMER_K))):
        if made is not None and made[1].holds:
            tell(f"{name} {made[0].pattern}: {len(made[0].bores)} bores, {drilled_m(made[0]):.0f} m drilled")
            yield Settled(draft=made[0], heat=made[1], worth_m=best.bench.worth_m(made[0]), bound_m=best.bound_m)


def crossings_of(pool: Sequence[Candidate], ground: Prepared) -> Array:
    """(n,) things that each candidate passes under or over in plan, of those that a rule speaks of."""
    site = ground.field.site
    rules = [r for f in ground.files for r in f.rules if "bore" in r.applies_to]
    things = [f.geometry for f in site.all_features() if any(matches(r, f) for r in rules)]
    lines = []
    for c in pool:
        s = np.linspace(0.0, c.curve.length_m, 40) if c.curve.turning_rad > 0 else np.array([0.0, c.curve.length_m])
        lines.append(shapely.LineString(np.column_stack(c.curve.at(s)[:2])))
    if not things or not lines:
        return np.zeros(len(pool))
    line, _ = shapely.STRtree(things).query(lines, predicate="intersects")
    count: Array = np.bincount(line, minlength=len(pool)).astype(float)
    return count
