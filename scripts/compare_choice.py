"""What the proven choice of bores gains: against greedy, against an evolution with ten times the time, against regular fields.

    python scripts/compare_choice.py [--lots NAME ...] [--seconds S]
    python scripts/compare_choice.py --regular [--sites NAME ...] [--shares SHARE ...] [--drafts N] [--effort N]

The first compares on the made-up fields of tests/layout/choice_lots.py, all methods on the same candidates and limits, and fails
when `choose` is beaten. The second takes every demo site and, where they lie beside the repository, the real lots: for every pad
and pattern drawn, the shortest regular field out of the same candidates that carries the house, made and computed in full.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import differential_evolution
from threadpoolctl import threadpool_limits

from loopgis import driver
from loopgis.core.errors import LoopgisError
from loopgis.ground.loop import course
from loopgis.layout import settle
from loopgis.layout.candidates import LANE_SHARE
from loopgis.layout.choice_problem import TOLERANCE, Problem, problem_of
from loopgis.layout.generate import Wish
from loopgis.layout.heat import study
from loopgis.layout.optimise import Workbench
from loopgis.layout.prepare import Prepared, prepare
from loopgis.layout.selection import Choice, choose
from loopgis.site.read import read_site

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.layout.generate import Draft
    from loopgis.layout.heat import Heat
    from loopgis.layout.realise import Workshop
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "layout"))

import choice_lots  # noqa: E402

REAL = ROOT.parent / "shared" / "sites"
LONGER, LEAST_S = 10.0, 2.0
"""The evolution gets so many times the wall time of `choose`, and at least so much."""
EVOLUTIONS = ((0.3, "best1bin"), (1.0, "best1bin"), (1.0, "currenttobest1bin"), (3.0, "best1bin"))
"""Members by candidate and strategy: those that did best of sixteen tried on F7, P10 and P30."""
TRIMMED_SHARE, TRIMMED_MOST = 1.03, 12
"""Decoded sets within this ratio of the best are freed of members that they do not need, so many per generation."""

PITCHES_DEG = (*range(6, 31), *range(33, 61, 3), *range(65, 121, 5), *range(130, 181, 10))
START_STEP_DEG, SLACK_DEG = 3, 3.0
"""Regular fans: pitch angles and steps of the start angle tried; a bore may lie so far off its bearing, at most a quarter pitch."""
LENGTH_SHARES = (0.05, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
"""Common lengths tried: these quantiles of the candidates' lengths; besides, every bore as long as it fits."""
LANES_APART = 10
"""Regular parallel fields: spacing in half lanes, at most."""
MOST_STACKED = 2
"""Bores one above the other at a place, at most."""
BACKTRACK = 150
MARGIN_K, SLACK_K, TRIES, TRIMS = 3.0, 0.15, 120, 12
"""Regular fields kept: those that miss no limit of the quick computation by more than the first; then computed in full, shortest
first, those that miss none by more than the second once the difference to the full computation is known; at most so many."""
CEILING = 1.8
"""Regular fields longer than this ratio to the choice are not looked at."""
SHARES = (0.5, 0.8)
"""Made-up demands: what the best field that fits could carry, times these."""


# --- greedy and evolution ---------------------------------------------------------------------------------------------------


def greedy(p: Problem) -> list[int] | None:
    """Add the bore with the best ratio of length to candidates lost by it until the limits hold; None when it gets stuck."""
    free = np.ones(p.size, dtype=bool)
    chosen: list[int] = []
    while not p.holds(chosen):
        if not free.any():
            return None
        lost = p.conflict @ free.astype(float)
        i = int(np.argmax(np.where(free, p.length / (1 + lost), -np.inf)))
        chosen.append(i)
        free[i] = False
        free &= ~p.conflict[i]
    return sorted(chosen)


def decoded(p: Problem, keys: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Sets from priorities (n, s): candidates are added in falling order, passing over what is excluded, until the limits hold.

    Gives a value (s,) and the sets (s, n). The value of a set that holds is its cost; of one that got stuck more than any cost,
    and the more the further it is from holding.
    """
    order, count = np.argsort(-keys, axis=0), keys.shape[1]
    z: NDArray[np.bool_] = np.zeros((count, p.size), dtype=bool)
    blocked, done = z.copy(), np.zeros(count, dtype=bool)
    mz, quad = [np.zeros((count, p.size)) for _ in p.matrices], [np.zeros(count) for _ in p.matrices]
    t, over = np.zeros(count), np.full(count, 1e3)
    for now in order:
        rows = np.flatnonzero(~done & ~blocked[np.arange(count), now])
        if not len(rows):
            if done.all():
                break
            continue
        new = now[rows]
        z[rows, new] = True
        t[rows] += p.length[new]
        blocked[rows] |= p.conflict[new]
        worst = np.zeros(len(rows))
        for k, (m, c) in enumerate(zip(p.matrices, p.bounds, strict=True)):
            quad[k][rows] += 2 * mz[k][rows, new] + m[new, new]
            mz[k][rows] += m[new]
            worst = np.maximum(worst, quad[k][rows] / (c * t[rows] ** 2) - 1)
        over[rows] = worst
        done[rows] = worst <= TOLERANCE
    value: Array = np.where(done, z @ p.cost, p.cost.sum() * (1 + np.minimum(over, 1e3)))
    return value, z


def trimmed(p: Problem, chosen: Sequence[int]) -> list[int]:
    """A set without the members that it does not need, dearest first."""
    left = list(chosen)
    for i in sorted(chosen, key=lambda j: -float(p.cost[j])):
        less = [j for j in left if j != i]
        if p.holds(less):
            left = less
    return left


def evolved(p: Problem, seconds: float) -> tuple[float, list[int]]:
    """Best cost and set of scipy's differential evolution over priorities, begun anew with other seeds until the time is out.

    Small, usual and large populations take turns; every decoded set that comes near the best is also freed of what it does not
    need.
    """
    end = time.perf_counter() + seconds
    best: tuple[float, list[int]] = (np.inf, [])

    def value(keys: Array) -> Array:
        nonlocal best
        values, sets = decoded(p, keys.reshape(p.size, -1))
        near = [s for s in np.argsort(values)[:TRIMMED_MOST] if values[s] < min(best[0] * TRIMMED_SHARE, p.cost.sum())]
        for s in near:
            left = trimmed(p, [int(i) for i in np.flatnonzero(sets[s])])
            values[s] = float(p.cost[left].sum())
            if values[s] < best[0] * (1 - 1e-12):
                best = (float(values[s]), left)
        if time.perf_counter() > end:
            raise StopIteration
        return values

    with threadpool_limits(1):
        for seed, (size, strategy) in enumerate(itertools.cycle(EVOLUTIONS), start=1):
            members = max(16, round(size * p.size))
            first = np.random.default_rng(seed).random((members, p.size))
            try:
                differential_evolution(
                    value,
                    [(0.0, 1.0)] * p.size,
                    strategy=strategy,
                    init=first,
                    maxiter=10**6,
                    tol=1e-3,
                    rng=seed,
                    polish=False,
                    vectorized=True,
                    updating="deferred",
                )
            except StopIteration:
                break
            except RuntimeError:  # what scipy makes of it
                if time.perf_counter() < end:
                    raise
                break
    return best


# --- regular fields ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Candidates as a regular field sees them.

    pattern; place (n,): bearing in degrees (fan), else number of the half lane; way (n,): 0 or 1, the side of the pad
    that a lane runs to; tier_m, length_m (n,).
    """

    pattern: str
    place: Array
    way: NDArray[np.intp]
    tier_m: Array
    length_m: Array


@dataclass(frozen=True, eq=False)
class Regular:
    """One regular field: members, length, and what is left to each limit, kelvin by its quick computation; what it is."""

    members: tuple[int, ...]
    length_m: float
    spare: tuple[float, ...]
    told: str


def regular_fields(q: Places, p: Problem, *, most_m: float, miss: float) -> list[Regular]:
    """All regular fields out of some candidates no longer than most_m that miss no limit by more than `miss`, shortest first."""
    field = _Filler(q, p, most_m, miss)
    spans = _fans() if q.pattern == "fan" else _lanes(q)
    tiers = _tiers(q)
    lengths = [np.inf, *(float(v) for v in np.unique(np.quantile(q.length_m, LENGTH_SHARES).round(1)))]
    for (told, places, ways, slack), (told_tier, cycle), common in itertools.product(spans, tiers, lengths):
        slots = [(x, w, tier) for k, x in enumerate(places) for tier in cycle[k % len(cycle)] for w in ways]
        field.walk(slots, common, slack, f"{told}, {told_tier}, {'to fit' if common == np.inf else f'{common:.0f} m'}")
    return sorted(field.found, key=lambda f: f.length_m)


def best_regular(q: Places, p: Problem, *, most_m: float = np.inf) -> Regular | None:
    """Shortest regular field that keeps the limits of the problem."""
    return next((f for f in regular_fields(q, p, most_m=most_m, miss=1e-12) if p.holds(f.members)), None)


_Span = tuple[str, list[float], tuple[int, ...], float]
"""What it is, its places, the sides of the pad at each, and how far a bore may lie off its place."""


def _fans() -> list[_Span]:
    made: list[_Span] = []
    for pitch in PITCHES_DEG:
        count = int((360 - 0.75 * pitch) // pitch) + 1
        made += [
            (
                f"every {pitch} deg from {start}",
                [float((start + k * pitch) % 360) for k in range(count)],
                (0,),
                min(SLACK_DEG, pitch / 4),
            )
            for start in range(0, 360, START_STEP_DEG)
        ]
    return made


def _lanes(q: Places) -> list[_Span]:
    first, last = int(q.place.min()), int(q.place.max())
    return [
        (f"every {apart / 2:g} lanes, {told}", [float(x) for x in range(start, last + 1, apart)], ways, 0.1)
        for apart in range(1, LANES_APART + 1)
        for start in range(first, last + 1)
        for told, ways in (("one way", (0,)), ("other way", (1,)), ("both ways", (0, 1)))
    ]


def _tiers(q: Places) -> list[tuple[str, tuple[tuple[float, ...], ...]]]:
    """Tiers of the places in turn: one tier, some above each other, all in turn, or some here and the others at the next."""
    tiers = [float(t) for t in np.unique(q.tier_m)]
    some = [
        set_ for size in range(1, min(len(tiers), MOST_STACKED) + 1) for set_ in itertools.combinations(tiers, size)
    ]
    rest = [(a, b) for a in some for b in some if sorted((*a, *b)) == tiers]
    turns = [tuple((tiers[(k + a) % len(tiers)],) for k in range(len(tiers))) for a in range(len(tiers))]
    cycles = dict.fromkeys([*((a,) for a in some), *rest, *(turns if len(tiers) > 1 else [])])
    return [(" then ".join("+".join(f"{t:.1f}" for t in a) for a in c) + " m deep", c) for c in cycles]


class _Filler:
    """Fills places one after another with candidates that do not exclude each other, and keeps every field on the way."""

    def __init__(self, q: Places, p: Problem, most_m: float, miss: float) -> None:
        self.q, self.p, self.most_m, self.miss = q, p, most_m, miss
        self.length = [float(v) for v in q.length_m]
        self.rows = [m.tolist() for m in p.matrices]
        self.shut = [sum(1 << int(j) for j in np.flatnonzero(row)) for row in p.conflict]
        self.near: dict[tuple[float, int, float, float, float], list[int]] = {}
        self.seen: set[int] = set()
        self.found: list[Regular] = []

    def walk(self, slots: Sequence[tuple[float, int, float]], common_m: float, slack: float, told: str) -> None:
        """Fill slots in their order, each field longer by one bore; closed ground is passed over.

        Ends where the bores exclude each other, or are longer than asked.
        """
        lists: list[list[int]] = []
        chosen: list[int] = []
        mask = shut = 0
        for slot in slots:
            options = self._options(slot, common_m, slack)
            if not options:
                continue
            lists.append(options)
            new = next((i for i in options if not (shut | mask) >> i & 1), None)
            if new is not None:
                chosen.append(new)
            else:
                again = self._again(lists)
                if again is None:
                    return
                chosen = again
            mask = sum(1 << i for i in chosen)
            shut = 0
            for i in chosen:
                shut |= self.shut[i]
            if not self._keep(chosen, mask, told):
                return

    def _options(self, slot: tuple[float, int, float], common_m: float, slack: float) -> list[int]:
        """Candidates of a place, those nearest to the common length (or the longest) first."""
        key = (*slot, common_m, slack)
        if key not in self.near:
            place, way, tier = slot
            off = np.abs(self.q.place - place)
            if self.q.pattern == "fan":
                off = np.minimum(off, 360 - off)
            fits = np.flatnonzero((off <= slack + 1e-9) & (self.q.way == way) & (np.abs(self.q.tier_m - tier) < 0.01))
            length = self.q.length_m[fits]
            rank = -length if common_m == np.inf else np.abs(length - common_m)
            self.near[key] = [int(i) for i in fits[np.argsort(rank, kind="stable")]]
        return self.near[key]

    def _again(self, lists: Sequence[Sequence[int]]) -> list[int] | None:
        """All places filled from the start with going back, within a budget; None when it cannot be done."""
        left = BACKTRACK

        def deeper(k: int, chosen: list[int], taken: int) -> list[int] | None:
            nonlocal left
            if k == len(lists):
                return chosen
            for i in lists[k]:
                if left <= 0:
                    return None
                left -= 1
                if not (self.shut[i] | 1 << i) & taken:
                    done = deeper(k + 1, [*chosen, i], taken | 1 << i)
                    if done is not None:
                        return done
            return None

        return deeper(0, [], 0)

    def _keep(self, chosen: list[int], mask: int, told: str) -> bool:
        """Judge a field; False when it is already too long."""
        t = sum(self.length[i] for i in chosen)
        if t > self.most_m:
            return False
        if mask in self.seen:
            return True
        self.seen.add(mask)
        spare = []
        for rows, c in zip(self.rows, self.p.bounds, strict=True):
            spare.append(c - sum(rows[i][j] for i in chosen for j in chosen) / t**2)
            if spare[-1] < -self.miss:
                return True
        self.found.append(Regular(tuple(sorted(chosen)), t, tuple(spare), f"{len(chosen)} bores {told}"))
        return True


# --- made-up fields ---------------------------------------------------------------------------------------------------------


def places_of_paths(name: str) -> Places:
    """The candidates of a made-up field by the number of their bearing or lane: they stand on a grid, none is off its place."""
    paths = choice_lots.LOTS[name][0]()
    way = np.array([q[-1, :2] - q[0, :2] for q in paths])
    fan = name.startswith("F")
    place = np.degrees(np.arctan2(way[:, 1], way[:, 0])) if fan else np.array([q[0, 0] for q in paths])
    return Places(
        pattern="lanes",
        place=np.unique(place.round(3), return_inverse=True)[1].astype(float),
        way=np.zeros(len(paths), dtype=int),
        tier_m=np.array([-q[1, 2] for q in paths]),
        length_m=np.array([float(np.linalg.norm(np.diff(q, axis=0), axis=1).sum()) for q in paths]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """One made-up field: what each method came to; None where it found nothing.

    took_s, cpu_s: wall time of `choose`, and what `choose` and the evolution had of the processor: on a shared machine much less.
    """

    name: str
    choice: Choice
    took_s: float
    cpu_s: tuple[float, float]
    greedy: float | None
    evolved: float | None
    regular: float | None

    @property
    def others(self) -> list[float]:
        """What the other methods found."""
        return [v for v in (self.greedy, self.evolved, self.regular) if v is not None]

    @property
    def unbeaten(self) -> bool:
        """Is nothing else cheaper, and does the set hold."""
        return self.choice.problem.holds(self.choice.chosen) and all(
            self.choice.cost <= v * (1 + 1e-9) for v in self.others
        )

    @property
    def sound(self) -> bool:
        """Is nothing that holds cheaper than the proven bound."""
        return all(self.choice.bound <= v * (1 + 1e-9) for v in (*self.others, self.choice.cost))


def compared(name: str, seconds: float) -> Row:
    """All methods on one made-up field."""
    cost, length, limits, apart = choice_lots.lot(name)
    begin, cpu = time.perf_counter(), [time.process_time()]
    found = choose(cost, length, limits, conflicts=apart, seconds=seconds)
    took = time.perf_counter() - begin
    cpu.append(time.process_time())
    p = problem_of(cost, length, limits, conflicts=apart)
    plain = greedy(p)
    value, chosen = evolved(p, max(LONGER * took, LEAST_S))
    cpu.append(time.process_time())
    if chosen and not p.holds(chosen):
        raise AssertionError(name)
    regular = best_regular(places_of_paths(name), p, most_m=2 * found.cost)
    return Row(
        name=name,
        choice=found,
        took_s=took,
        cpu_s=(cpu[1] - cpu[0], cpu[2] - cpu[1]),
        greedy=None if plain is None else float(p.cost[plain].sum()),
        evolved=value if chosen else None,
        regular=None if regular is None else regular.length_m,
    )


def choices(names: Sequence[str], seconds: float) -> bool:
    """Print the table of the made-up fields; True when `choose` was never beaten."""
    print(f"choose within {seconds:g} s; evolution with {LONGER:g} times its wall time; excess over the set of choose")
    print("field    n  choose m   bound m   gap %  bores     s  cpu s, evolution   greedy %  evolution %  regular %")
    good = True
    for name in names:
        r = compared(name, seconds)
        c = r.choice
        excess = ["stuck" if v is None else f"{100 * (v / c.cost - 1):+.2f}" for v in (r.greedy, r.evolved, r.regular)]
        print(
            f"{name:<5} {c.problem.size:>4} {c.cost:>9.2f} {c.bound:>9.2f} {100 * c.gap:>7.2f} {len(c.chosen):>6}"
            f" {r.took_s:>5.1f} {r.cpu_s[0]:>6.1f} {r.cpu_s[1]:>10.1f} {excess[0]:>10} {excess[1]:>12} {excess[2]:>10}"
            f"  {'never beaten' if r.unbeaten else 'BEATEN'}{'' if r.sound else ', BOUND WRONG'}",
            flush=True,
        )
        good &= r.unbeaten and r.sound
    return good


# --- sites ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """One pad and pattern: our field and the best regular one, made and computed in full; None where none carries.

    trimmed_m: length at which the best regular field would just
    carry the house if its bores could be cut to any length; told, tried: what it is, and how many were computed in full.
    """

    pattern: str
    ours: Heat | None
    gap: float | None
    regular: Heat | None
    trimmed_m: float | None
    told: str
    tried: int

    def warmer_k(self) -> tuple[float, float]:
        """At the drilled length of the regular field: how much better our water is at the limit that governs, K, and as a share.

        The share is of the regular field's change of temperature: from the ground's yearly mean to its water. Our bores are
        scaled to that length at an unchanged response per metre.
        """
        if self.ours is None or self.regular is None:
            return np.nan, np.nan
        mine = course(self.ours.loop, self.regular.offered_m / self.ours.offered_m, shares=False)
        ground = float(np.mean(self.regular.undisturbed_c))
        if self.regular.needed.governs == "heating":
            gain, change = mine.least_c() - self.regular.ewt_min_c, ground - self.regular.ewt_min_c
        else:
            gain, change = self.regular.ewt_max_c - mine.most_c(), self.regular.ewt_max_c - ground
        return gain, gain / change


def sites_of(names: Sequence[str]) -> Iterator[tuple[str, Site]]:
    """Sites with a demand: the demo sites, and the real lots with a searched pad where they are there."""
    files = [*sorted(ROOT.glob("data/*/site.toml")), *sorted(REAL.glob("d*/site_search.toml"))]
    for file in files:
        if names and file.parent.name not in names:
            continue
        site = read_site(file)
        if site.spec.demand is not None:
            spec = replace(site.spec, bore=replace(site.spec.bore, bores=None, length_m=None))
            yield file.parent.name, replace(site, spec=spec)


def carrying(site: Site, share: float) -> Site:
    """The site with a made-up demand: its own, scaled to a share of what the best field that fits could carry, about."""
    demand = site.spec.demand
    ground = prepare(site)
    if demand is None or ground.heat is None:
        return site
    full = replace(ground, wish=Wish(bores=None, length_m=10 * (ground.wish.length_m or 1000.0)))
    found = driver._lay_out(full, lambda _: None)  # noqa: SLF001
    heats = [study(ground.heat, site, d.bores) for d in found.drafts]
    most = max((h.offered_m / h.needed_m for h in heats if h.needed_m), default=1.0)
    scale = most * share
    new = replace(
        demand,
        heating_peak_w=round(demand.heating_peak_w * scale, -2),
        cooling_peak_w=round(demand.cooling_peak_w * scale, -2),
        heating_kwh=tuple(v * scale for v in demand.heating_kwh),
        cooling_kwh=tuple(v * scale for v in demand.cooling_kwh),
    )
    return replace(site, spec=replace(site.spec, demand=new))


def lines_of(site: Site, most: int, effort: int) -> Iterator[Line]:
    """Our field and the best regular one for every pad and pattern that is drawn."""
    ground = prepare(site)
    found = driver._lay_out(ground, lambda _: None)  # noqa: SLF001
    for drawn in found.drafts[:most]:
        was = settle.as_long_as_needed(drawn, ground, found.workshop)
        if was.heat is None:
            continue
        ours = chosen_anew(was, ground, found.workshop, effort)
        heat = ours.heat if ours.holds else None
        regular, cut, told, tried = shortest_regular(
            was.draft, was.heat, ground, found.workshop, None if heat is None else heat.offered_m
        )
        yield Line(
            pattern=was.draft.pattern,
            ours=heat,
            gap=ours.gap,
            regular=regular,
            trimmed_m=cut,
            told=told,
            tried=tried,
        )


def chosen_anew(was: settle.Settled, ground: Prepared, workshop: Workshop, effort: int) -> settle.Settled:
    """The cheapest choice of the pad's candidates that carries the house, as the driver makes it but for the finer grid."""
    if was.heat is None or was.heat.needed_m is None:
        return was
    bench = _bench(was.draft, was.heat, ground, workshop)
    found = bench.shortest(effort)
    if found is None:
        return was
    now = replace(was, bench=bench, worth_m=bench.worth_m(was.draft), bound_m=found.bound_m)
    if not now.holds or found.heat.offered_m < was.heat.offered_m:
        now = replace(now, draft=found.draft, heat=found.heat, worth_m=found.worth_m)
    return now


def _bench(draft: Draft, heat: Heat, ground: Prepared, workshop: Workshop) -> Workbench:
    pool, clash, _ = workshop.pools[draft.key]
    return Workbench(draft, heat, pool, clash, site=ground.field.site, workshop=workshop, rule=ground.rule)


def places_of(draft: Draft, work: Workbench, lane_m: float) -> Places:
    """The candidates of a pad by the bearing of their course, or by the lane of their level run."""
    pad = draft.pad
    across = np.radians(90 - pad.axis_deg)
    ends = [c.curve.end() for c in work.pool]
    first = np.array([(c.curve.x0, c.curve.y0) for c in work.pool])
    last = np.array([e[:2] for e in ends])
    bearing = np.degrees(np.arctan2(*(last - first).T)) % 360
    place = (last - np.array(pad.centre)) @ np.array([np.cos(across), np.sin(across)])
    side = np.array([np.cos(e[2] - across - np.pi / 2) > 0 for e in ends])
    fan = draft.pattern == "fan"
    return Places(
        pattern=draft.pattern,
        place=bearing if fan else np.round(2 * place / lane_m),
        way=np.zeros(len(ends), dtype=int) if fan else side.astype(int),
        tier_m=np.array([c.tier_m for c in work.pool]),
        length_m=work.length,
    )


def shortest_regular(
    draft: Draft, heat: Heat, ground: Prepared, workshop: Workshop, ours_m: float | None
) -> tuple[Heat | None, float | None, str, int]:
    """The shortest regular field of a pad and pattern that carries the house, made and computed in full.

    Gives what was found for it, the least length that such a field would need if it could be cut to measure, what it is, and
    how many were computed in full.
    """
    work = _bench(draft, heat, ground, workshop)
    q = places_of(draft, work, ground.field.site.spec.bore.spacing_m * LANE_SHARE)
    first = range_of(work, len(draft.bores))
    limits = [(m, max(c, 1e-3)) for m, c in work.limits[first].pairs()]
    p = problem_of(work.length, work.length, limits, conflicts=work.clash)
    most_m = np.inf if ours_m is None else CEILING * ours_m
    fields = regular_fields(q, p, most_m=most_m, miss=MARGIN_K)
    trial = _Trial(work, p, fields)
    trial.shortest()
    return trial.best, trial.least_m(), trial.told, trial.tried


def range_of(work: Workbench, number: int) -> tuple[int, int]:
    """The range of numbers of bores that a number belongs to."""
    return next(r for r in work.ranges if number <= r[1])


class _Trial:
    """Regular fields computed in full, the promising ones first, until the shortest that carries the house is found."""

    def __init__(self, work: Workbench, p: Problem, fields: Sequence[Regular]) -> None:
        self.work, self.p, self.fields = work, p, list(fields)
        self.done: set[tuple[int, ...]] = set()
        self.own: dict[tuple[int, ...], list[float]] = {}
        self.best: Heat | None = None
        self.told, self.tried = "", 0
        self.cuts: list[float] = []

    def shortest(self) -> None:
        """Shortest first, as long as they may be shorter than the best."""
        while self.tried < TRIES:
            f = next((f for f in self.fields if self._open(f) and min(self._spare(f)) >= -SLACK_K), None)
            if f is None or (self.best is not None and f.length_m >= self.best.offered_m - 0.01):
                return
            self._try(f)

    def least_m(self) -> float | None:
        """Least needed length of the fields that carry the house, with those that seem to need least computed as well."""
        for _ in range(TRIMS if self.best is not None else 0):
            f = min(
                (f for f in self.fields if self._open(f) and min(self._spare(f)) >= 0.0), key=self._need_m, default=None
            )
            if f is None or self._need_m(f) > min(self.cuts):
                break
            self._try(f)
        return min(self.cuts, default=None)

    def _open(self, f: Regular) -> bool:
        z = list(f.members)
        return f.members not in self.done and not self.work.clash[np.ix_(z, z)].any()

    def _spare(self, f: Regular) -> list[float]:
        """What the limits leave, K, with the resistances of so many bores and what full computations of such fields taught."""
        z, limits = list(f.members), self.work.limits[range_of(self.work, len(f.members))]
        if f.members not in self.own:
            t = float(self.work.length[z].sum())
            self.own[f.members] = [
                c - float(m[np.ix_(z, z)].sum()) / t**2 for m, c in zip(limits.matrices, limits.rights, strict=True)
            ]
        return [s + d for s, d in zip(self.own[f.members], limits.shift_k, strict=True)]

    def _need_m(self, f: Regular) -> float:
        """Length at which the warming, falling as 1 / length, would just meet the tighter limit."""
        bounds = [c for _, c in self.work.limits[range_of(self.work, len(f.members))].pairs()]
        return max(f.length_m * (c - s) / c for c, s in zip(bounds, self._spare(f), strict=True))

    def _try(self, f: Regular) -> None:
        self.done.add(f.members)
        self.tried += 1
        choice = Choice(chosen=f.members, cost=f.length_m, bound=0.0, problem=self.p, proven=None)
        made = self.work.make(choice, range_of(self.work, len(f.members)))
        if made is None:
            return
        heat = made.heat
        if heat.ewt_min_c >= heat.case.limits.least_c and heat.ewt_max_c <= heat.case.limits.most_c:
            self.cuts.append(float(heat.needed_m or heat.offered_m))
            if self.best is None or heat.offered_m < self.best.offered_m:
                self.best, self.told = heat, f.told


def _metres(value: float | None) -> str:
    return "none carries" if value is None else f"{value:.0f} m"


def _saving(ours_m: float | None, other_m: float | None) -> str:
    return "-" if ours_m is None or other_m is None else f"{100 * (1 - ours_m / other_m):.1f} %"


def _print_line(x: Line) -> None:
    ours = None if x.ours is None else x.ours.offered_m
    other = None if x.regular is None else x.regular.offered_m
    gain_k, share = x.warmer_k()
    warmer = "" if np.isnan(gain_k) else f"; at equal length {gain_k:+.2f} K, {100 * share:.1f} %"
    proof = "" if x.gap is None else f" (gap {100 * x.gap:.1f} %)"
    print(
        f"  {x.pattern:<8} ours {_metres(ours)}{proof}; regular {_metres(other)}"
        f"{f' ({x.told})' if x.told else ''}, cut to measure {_metres(x.trimmed_m)}, {x.tried} in full; "
        f"saving {_saving(ours, other)}, {_saving(ours, x.trimmed_m)} of the cut one{warmer}",
        flush=True,
    )


def _best(values: Sequence[float | None]) -> float | None:
    return min((v for v in values if v is not None), default=None)


def regular(names: Sequence[str], shares: Sequence[float], drafts: int, effort: int) -> None:
    """Print what the choice saves against regular fields, by site and demand."""
    savings: list[float] = []
    for name, own in sites_of(names):
        for share in (None, *shares):
            site = own if share is None else carrying(own, share)
            demand = site.spec.demand
            if demand is None:
                continue
            told = "own demand" if share is None else f"made up, {100 * share:.0f} % of what fits"
            print(f"{name}, {told}: heating {demand.heating_peak_w / 1000:.1f} kW", flush=True)
            begin = time.perf_counter()
            try:
                lines = []
                for x in lines_of(site, drafts, effort):
                    _print_line(x)
                    lines.append(x)
            except LoopgisError as error:
                print(f"  {error}")
                continue
            for pattern in ("fan", "parallel"):
                mine = [x for x in lines if x.pattern == pattern]
                ours = _best([x.ours.offered_m if x.ours else None for x in mine])
                other = _best([x.regular.offered_m if x.regular else None for x in mine])
                cut = _best([x.trimmed_m for x in mine])
                print(
                    f"  best {pattern:<8} of all pads: ours {_metres(ours)}, regular {_metres(other)}, cut to measure "
                    f"{_metres(cut)}: saving {_saving(ours, other)}, {_saving(ours, cut)} of the cut one"
                )
                if ours is not None and other is not None:
                    savings.append(1 - ours / other)
            print(f"  {time.perf_counter() - begin:.0f} s", flush=True)
    if savings:
        print(
            f"saving against the best regular field of the same pattern over {len(savings)} cases: "
            f"median {100 * float(np.median(savings)):.1f} %, {100 * min(savings):.1f} to {100 * max(savings):.1f} %"
        )


def main() -> None:
    """Read the arguments and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lots", nargs="*", default=list(choice_lots.LOTS), choices=list(choice_lots.LOTS))
    parser.add_argument("--seconds", type=float, default=5.0, help="wall time of choose")
    parser.add_argument("--regular", action="store_true", help="against regular fields on sites")
    parser.add_argument("--sites", nargs="*", default=[], help="folders of sites; all when left out")
    parser.add_argument("--shares", nargs="*", type=float, default=list(SHARES))
    parser.add_argument("--drafts", type=int, default=4, help="pads and patterns by site")
    parser.add_argument("--effort", type=int, default=driver.EFFORT, help="of choose, on sites")
    given = parser.parse_args()
    if given.regular:
        regular(given.sites, given.shares, given.drafts, given.effort)
    elif not choices(given.lots, given.seconds):
        sys.exit("choose was beaten, or its bound is wrong")


if __name__ == "__main__":
    main()
