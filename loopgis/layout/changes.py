"""What would have to change for something to fit: single changes, each a ladder of growing steps, found by really trying them.

Order of smallness. A change's `size` is the share by which it moves its figure: (old - new) / old, (new - old) / old for what
grows, and for a pad the way it moves over the square root of the lot's area; of two changes together it is the sum. Single changes
come before pairs, pairs before threes; within those the smaller size comes first, and of equal sizes the one in the order of
`small_changes`: what the designer decides alone before what an office or an owner must give. Of each kind only
the smallest is told.

What each kind may become, and what may not be eased at all, stands in `ladders`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING

from loopgis.layout.ladders import Ladder, Rung, ladders, moves, setbacks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.layout.field import Field
    from loopgis.layout.ladders import Fits
    from loopgis.rules.zones import Ease
    from loopgis.site.model import Site, SiteSpec

PAIR_RUNGS = 10
"""Steps of several changes together."""
MOST_JOINED_SETBACKS = 2
TOLD = 3
"""Changes told at most, each of another kind."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Change:
    """A change of a site after which something fits.

    kinds: what it changes, one word each; name: in words, in the site's units; size: how large, see the module; site: the
    changed site; ease: plan distances given by an office or owner, empty when the rules stay as they are.
    """

    kinds: tuple[str, ...]
    name: str
    size: float
    site: Site
    ease: Ease = field(default_factory=dict)


def small_changes(ground: Field, fits: Fits) -> list[Change]:
    """The smallest change of every kind that makes something fit, smallest first, three at most.

    When no single change does, the smallest pair, at last the smallest three together; empty when none of those does either, which
    is not looked into when all of them together do not.
    """
    own, rules = list(ladders(ground)), list(setbacks(ground))
    found = _smallest(ground.site, [*moves(ground, fits), *own, *rules], fits, TOLD)
    few = [*(x for x in own if x.kinds != ("spacing",)), *rules[:MOST_JOINED_SETBACKS]]
    if found or len(few) < 2:
        return found
    most = _joined(few).rungs[-1]
    if not fits(_changed(ground.site, most), most.ease):
        return []
    for count in (2, 3):
        found = found or _smallest(ground.site, [_joined(some) for some in combinations(few, count)], fits, 1)
    return found


def _smallest(site: Site, ways: Sequence[Ladder], fits: Fits, most: int) -> list[Change]:
    """The lowest rung that fits of every kind, smallest first; what cannot be among the `most` smallest is not looked for."""
    best: dict[tuple[str, ...], Change] = {}
    for ladder in ways:
        others = sorted(c.size for k, c in best.items() if k != ladder.kinds)
        limit = others[most - 1] if len(others) >= most else math.inf
        if ladder.kinds in best:
            limit = min(limit, best[ladder.kinds].size)
        change = lowest_that_fits(site, ladder, fits, below=limit)
        if change is not None:
            best[ladder.kinds] = change
    return sorted(best.values(), key=lambda c: round(c.size, 3))[:most]


def lowest_that_fits(site: Site, ladder: Ladder, fits: Fits, *, below: float = math.inf) -> Change | None:
    """The lowest rung that fits, by bisection among those smaller than `below`; None when the highest of them does not.

    A layout is not bound to fit on every rung above one that fits, so half of what was found is tried besides, until it fails.
    """
    rungs = [r for r in ladder.rungs if r.size < below - 1e-9]
    known: dict[int, bool] = {}

    def good(i: int) -> bool:
        if i not in known:
            known[i] = bool(fits(_changed(site, rungs[i]), rungs[i].ease))
        return known[i]

    def lowest(high: int) -> int:
        low = -1
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if good(middle) else (middle, high)
        return high

    top = len(rungs) - 1
    if top < 0 or not good(top):
        return None
    found = lowest(top)
    while found > 0 and good(half := (found + 1) // 2 - 1):
        found = lowest(half)
    rung = rungs[found]
    return Change(kinds=ladder.kinds, name=rung.name, size=rung.size, site=_changed(site, rung), ease=rung.ease)


def _changed(site: Site, rung: Rung) -> Site:
    return replace(site, spec=rung.turn(site.spec))


def _joined(ways: Sequence[Ladder]) -> Ladder:
    """Several ladders climbed together, each by the same share of its rungs."""
    rungs = []
    for step in range(1, PAIR_RUNGS + 1):
        parts = [w.rungs[math.ceil(len(w.rungs) * step / PAIR_RUNGS) - 1] for w in ways]

        def turn(spec: SiteSpec, parts: Sequence[Rung] = parts) -> SiteSpec:
            for part in parts:
                spec = part.turn(spec)
            return spec

        ease = {k: v for part in parts for k, v in part.ease.items()}
        name = "no single change, but together " + " and ".join(p.name for p in parts)
        rungs.append(Rung(name=name, size=sum(p.size for p in parts), turn=turn, ease=ease))
    return Ladder(kinds=tuple(k for w in ways for k in w.kinds), rungs=tuple(rungs))
