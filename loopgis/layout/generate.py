"""One layout: a pad, a pattern, depth tiers -> bores that are drillable, clear of every zone and apart from each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from loopgis.layout import candidates as cand
from loopgis.layout.score import pair_distances
from loopgis.layout.select import pick
from loopgis.layout.separation import conflicts

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.layout.candidates import Candidate
    from loopgis.layout.field import Field
    from loopgis.layout.model import Pad
    from loopgis.layout.realise import Workshop
    from loopgis.layout.separation import PairDistance, SeparationRule

FULL_BORES = 12
"""Bores drawn at most when nothing says how many are wanted."""
MOST_BORES = 60
HALF_WORTH_M = 15.0
"""Level run of which half counts: a bore that hardly levels off is not worth its slants."""
ROUNDS = 14
SECTOR_DEG = 6.0
"""Directions closer than this are one when candidates are thinned."""
LEAST_LEVEL_M = 1.0
LEAST_LEVEL_SHARE = 0.1
"""A bore with less level run than this, in metres or as a share of its length, is left out."""


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What the user wants of a layout: a count, or a total level length in metres, or neither (as much as fits).

    by_heat: the length is what the demand was found to need, and every layout is asked for its own.
    """

    bores: int | None
    length_m: float | None
    by_heat: bool = False

    @property
    def most(self) -> int:
        """Largest number of bores to choose."""
        return self.bores or (MOST_BORES if self.length_m else FULL_BORES)


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """Bores of one layout before it is judged, with all their pair distances; candidates counts what was sifted through.

    key: the workshop's pool they come from.
    """

    pad: Pad
    pattern: str
    bores: tuple[Bore, ...]
    pairs: dict[tuple[int, int], PairDistance]
    candidates: int
    key: tuple[object, ...] = ()

    @property
    def level_m(self) -> float:
        """Total level run."""
        return float(sum(b.level_length_m for b in self.bores))


def draft(
    pad: Pad,
    pattern: str,
    tiers_m: Sequence[float],
    *,
    field: Field,
    workshop: Workshop,
    rule: SeparationRule,
    wish: Wish,
) -> Draft | None:
    """Best layout found for a pad and a pattern, None when not one bore fits."""
    most = max(220, min(480, 10 * (wish.bores or 12)))
    key = (pad.centre, pad.axis_deg, pattern, tuple(tiers_m), most)
    if key not in workshop.pools:
        workshop.pools[key] = _pool(pad, pattern, tiers_m, field, rule, most, workshop)
    pool, clash, sifted = workshop.pools[key]
    if not pool:
        return None
    deepest = max(tiers_m)
    value = np.array([worth(c.level_m, c.tier_m, deepest, counted=wish.bores is not None) for c in pool])
    bores, pairs = _settle(pool, value, clash, workshop, rule, wish, deepest)
    if not bores:
        return None
    empty = Draft(pad=pad, pattern=pattern, bores=(), pairs={}, candidates=sifted, key=key)
    return named_draft(empty, bores, pairs)


def named_draft(like: Draft, bores: Sequence[Bore], pairs: dict[tuple[int, int], PairDistance]) -> Draft:
    """A draft of the same pad and pattern with other bores; pairs: distances by position in bores.

    Bores are numbered round the pad; those that are in the ground keep their names.
    """
    order = _round_the_pad(bores, like.pad)
    back = {old: new for new, old in enumerate(order)}
    names = fresh_names({b.bore_id for b in bores if b.in_ground})
    named = tuple(
        replace(b, bore_id=b.bore_id if b.in_ground else next(names), pattern=like.pattern)
        for b in (bores[i] for i in order)
    )
    moved = {}
    for (i, j), d in pairs.items():
        a, b = back[i], back[j]
        moved[(min(a, b), max(a, b))] = d
    return replace(like, bores=named, pairs=dict(sorted(moved.items())))


def fresh_names(used: Collection[str]) -> Iterator[str]:
    """B-01, B-02 ... without those that are used."""
    return (name for n in count(1) if (name := f"B-{n:02d}") not in used)


def _pool(
    pad: Pad, pattern: str, tiers_m: Sequence[float], field: Field, rule: SeparationRule, most: int, workshop: Workshop
) -> tuple[list[Candidate], NDArray[np.bool_], int]:
    """Candidates of a pad and pattern, thinned; which of them exclude each other; and how many there were.

    Bores that are in the ground come first and exclude no other of their kind, however near they lie.
    """
    make = cand.fan if pattern == "fan" else cand.parallel
    found = make(pad, field, tiers_m)
    kept = field.kept
    for candidate, bore in kept:
        workshop.adopt(candidate, bore)
    pool = [*(c for c, _ in kept), *_prune(found, pad, most)]
    clash = conflicts(pool, rule, field.limits.entry_pitch_pct[1]) if pool else np.zeros((0, 0), dtype=bool)
    clash[: len(kept), : len(kept)] = False
    return pool, clash, len(found)


def worth(level_m: float, tier_m: float, deepest_m: float, *, counted: bool) -> float:
    """Value of a candidate: its level run, less for short ones unless the count is fixed, and less for a shallow tier."""
    share = 1.0 if counted else level_m / (level_m + HALF_WORTH_M)
    return level_m * share * math.sqrt(tier_m / deepest_m) + 1e-3


def _prune(found: Sequence[Candidate], pad: Pad, most: int) -> list[Candidate]:
    """Keep the best of every direction, tier and part of the pad, until the pool has a handy size.

    Every part of the pad gets the same share, so that a long pad is not left to the few places with the longest bores.
    """
    if len(found) <= most:
        return list(found)
    parts = max(c.entry for c in found) // 8 + 1
    groups: dict[tuple[int, int, int], list[Candidate]] = {}
    for c in found:
        x, y, _ = c.curve.end()
        bearing = math.degrees(math.atan2(y - c.curve.y0, x - c.curve.x0)) - (90 - pad.axis_deg)
        way = int((bearing + SECTOR_DEG / 2) % 360 // SECTOR_DEG) if c.pattern == "fan" else _lane_no(c, pad)
        groups.setdefault((c.entry // parts, way, round(c.tier_m * 100)), []).append(c)
    for members in groups.values():
        members.sort(key=lambda c: (-round(c.level_m, 3), c.curve.length_m))
    ranked: list[tuple[int, float, list[Candidate]]] = []
    for part in {key[0] for key in groups}:
        mine = sorted((g for key, g in groups.items() if key[0] == part), key=lambda g: -round(g[0].level_m, 3))
        ranked += [(n, -round(g[0].level_m, 3), g) for n, g in enumerate(mine)]
    ranked.sort(key=lambda row: row[:2])
    pool: list[Candidate] = []
    depth = 0
    while len(pool) < most and any(len(g) > depth for *_, g in ranked):
        pool += [g[depth] for *_, g in ranked if len(g) > depth]
        depth += 1
    return pool[:most]


def _lane_no(c: Candidate, pad: Pad) -> int:
    """Signed number of half metres between a lane and the pad's centre, and its direction."""
    x, y, heading = c.curve.end()
    across = (y - pad.centre[1]) * math.cos(heading) - (x - pad.centre[0]) * math.sin(heading)
    return round(across * 2) * 2 + (math.cos(heading - math.radians(90 - pad.axis_deg) + math.pi / 2) > 0)


def _settle(
    pool: list[Candidate],
    value: NDArray[np.float64],
    clash: NDArray[np.bool_],
    workshop: Workshop,
    rule: SeparationRule,
    wish: Wish,
    deepest_m: float,
) -> tuple[list[Bore], dict[tuple[int, int], PairDistance]]:
    """Pick, make the bores, learn what they really are (no profile, another level run, nearer than estimated), and pick again.

    Every round leaves a set that holds, offenders dropped; the best of them is the answer.
    """
    value, clash = value.copy(), clash.copy()
    level = np.array([c.level_m for c in pool])
    kept = np.array([c.kept for c in pool])
    value[kept | clash[kept].any(axis=0)] = 0.0
    stay = [(int(i), workshop.made(pool[i])) for i in np.flatnonzero(kept)]
    there = sum(b.level_length_m for _, b in stay if b is not None)
    enough = None if wish.length_m is None else max(wish.length_m - there, 0.0)
    most = wish.most - len(stay)
    best: tuple[list[Bore], dict[tuple[int, int], PairDistance]] = ([], {})
    for _ in range(ROUNDS):
        usable = np.flatnonzero(value > 0)
        target = None if enough is None else _as_value(enough, value[usable], level[usable])
        chosen = [int(usable[k]) for k in pick(value[usable], clash[np.ix_(usable, usable)], most=most, enough=target)]
        new = [(i, workshop.bore(pool[i])) for i in chosen]
        for i, bore in new:
            level[i] = bore.level_length_m if bore is not None else 0.0
            value[i] = (
                worth(level[i], pool[i].tier_m, deepest_m, counted=wish.bores is not None)
                if level[i] >= max(LEAST_LEVEL_M, LEAST_LEVEL_SHARE * pool[i].curve.length_m)
                else 0.0
            )
        held = [(i, b) for i, b in (*stay, *new) if b is not None and (kept[i] or value[i] > 0)]
        pairs = pair_distances([b for _, b in held], rule, workshop.pairs)
        near = [(i, j) for (i, j), d in pairs.items() if d.clash and j >= len(stay)]
        for i, j in near:
            clash[held[i][0], held[j][0]] = clash[held[j][0], held[i][0]] = True
        value[clash[kept].any(axis=0)] = 0.0
        left = _drop_offenders([math.inf if kept[i] else float(value[i]) for i, _ in held], near)
        bores = [held[k][1] for k in left]
        if _total(bores) > _total(best[0]) + 1e-6:
            back = {old: n for n, old in enumerate(left)}
            best = (bores, {(back[i], back[j]): d for (i, j), d in pairs.items() if i in back and j in back})
        if len(left) < len(stay) + len(new):
            continue
        if (
            enough is None
            or wish.length_m is None
            or _total(bores) >= wish.length_m
            or enough <= 0
            or enough > 3 * wish.length_m
            or not len(usable)
        ):
            break
        enough *= 1.02 + (wish.length_m - _total(bores)) / wish.length_m
    return best


def _total(bores: Sequence[Bore]) -> float:
    return float(sum(b.level_length_m for b in bores))


def _drop_offenders(value: Sequence[float], near: Sequence[tuple[int, int]]) -> list[int]:
    """Indices left after dropping, one by one, the bore with most offences (of equals the least valuable).

    Bores of infinite value stay, whatever they offend.
    """
    left, open_ = set(range(len(value))), list(near)
    while open_:
        count = {k: sum(k in pair for pair in open_) for k in left}
        out = max((k for k in left if value[k] < math.inf), key=lambda k: (count[k], -value[k], k))
        left.discard(out)
        open_ = [pair for pair in open_ if out not in pair]
    return sorted(left)


def _as_value(length_m: float, value: NDArray[np.float64], level_m: NDArray[np.float64]) -> float:
    """Level length translated into value, by the mean ratio of the pool's better half."""
    better = level_m >= np.median(level_m) if len(level_m) else np.array([], dtype=bool)
    ratio = float(value[better].sum() / level_m[better].sum()) if better.any() else 1.0
    return length_m * ratio


def _round_the_pad(bores: Sequence[Bore], pad: Pad) -> list[int]:
    """Order clockwise by where the exits lie, from the pad's axis on."""

    def bearing(b: Bore) -> float:
        a = math.degrees(math.atan2(b.x_m[-1] - pad.centre[0], b.y_m[-1] - pad.centre[1]))
        return round((a - pad.axis_deg) % 360, 6)

    return sorted(range(len(bores)), key=lambda i: bearing(bores[i]))
