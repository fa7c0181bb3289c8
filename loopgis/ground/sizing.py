"""How long a loop must be: the factor on all its bores at which the entering water just keeps its limits.

The factor scales length at an unchanged response per metre: right for a layout that is a little short or long, an estimate for one
that is far off (the layout is then drawn anew).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.ground.loop import course

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopgis.ground.loop import Course, Loop, Side

FACTORS = (0.02, 40.0)
CLOSE_K, ROUGH_K = 5e-3, 0.3
"""How near to a limit a length is found, K; the second for the side that asks for less."""
MOST_STEPS = 40
STRIDE = 1.25


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Entering-water limits, degrees Celsius."""

    least_c: float
    most_c: float


@dataclass(frozen=True, kw_only=True)
class Needed:
    """Length factors for heating and cooling. None: no length would do; 0: that side asks nothing of the length."""

    heating: float | None
    cooling: float | None

    @property
    def factor(self) -> float | None:
        """The larger one; None when one of them has none."""
        return None if self.heating is None or self.cooling is None else max(self.heating, self.cooling)

    @property
    def governs(self) -> Side:
        """Which side asks for more."""
        if self.heating is None or self.cooling is None:
            return "heating" if self.heating is None else "cooling"
        return "heating" if self.heating >= self.cooling else "cooling"


def needed(
    loop: Loop, limits: Limits, *, start: float = 1.0, close_k: float = CLOSE_K, only: Side | None = None
) -> Needed:
    """Length factors at which the coldest and the warmest entering water of all the years just meet their limits.

    start: where the search begins; close_k: how near to the limit is near enough; only: leave the other side at 0.
    """
    if loop.loads.hourly_heating_w.size:
        return _by_hours(loop, limits, start=start, close_k=close_k, only=only)
    known: dict[float, Course] = {}

    def at(factor: float) -> Course:
        if factor not in known:
            known[factor] = course(loop, factor, shares=False)
        return known[factor]

    spare: dict[Side, Callable[[float], float]] = {
        "heating": lambda f: at(f).least_c() - limits.least_c,
        "cooling": lambda f: limits.most_c - at(f).most_c(),
    }
    asks = {"heating": bool(loop.loads.heating_w.any()), "cooling": bool(loop.loads.cooling_w.any())}
    found: dict[Side, float | None] = {"heating": 0.0, "cooling": 0.0}
    first: Side = "heating" if loop.loads.heating_w.sum() >= loop.loads.cooling_w.sum() else "cooling"
    for side in (first, "cooling" if first == "heating" else "heating"):
        if not asks[side] or only not in {None, side}:
            continue
        done = found[first] if side != first and asks[first] else None
        behind = done is not None and done > 0 and spare[side](done) >= 0
        begin = done or start
        found[side] = _least(spare[side], begin, max(close_k, ROUGH_K) if behind else close_k)
    return Needed(**found)


def _by_hours(loop: Loop, limits: Limits, *, start: float, close_k: float, only: Side | None) -> Needed:
    """Search by months and their peaks, limits moved by what the hours differ; twice, since that changes with the length."""
    plain = loop.but(loads=loop.loads.by_month())
    found, factor = Needed(heating=0.0, cooling=0.0), start
    for _ in range(2):
        hours, months = course(loop, factor, shares=False), course(plain, factor, shares=False)
        moved = Limits(
            least_c=limits.least_c - (hours.least_c() - months.least_c()),
            most_c=limits.most_c - (hours.most_c() - months.most_c()),
        )
        found = needed(plain, moved, start=factor, close_k=close_k, only=only)
        factor = found.factor or factor
    return found


def _least(spare_k: Callable[[float], float], start: float, close_k: float) -> float | None:
    """Smallest factor with nothing to spare; the spare is near to a straight line over 1/factor, so chords find it fast.

    Gives the lowest factor of FACTORS when even that has something to spare, None when the highest has not.
    """
    low, high = 1 / FACTORS[1], 1 / FACTORS[0]
    x = 1 / start
    y = spare_k(start)
    good: tuple[float, float] | None = None
    bad: tuple[float, float] | None = None
    for _ in range(MOST_STEPS):
        if abs(y) < close_k:
            return 1 / x
        if y > 0:
            good = (x, y)
        else:
            bad = (x, y)
        if good and bad:
            share = good[1] / (good[1] - bad[1])
            x = good[0] + (bad[0] - good[0]) * min(max(share, 0.02), 0.98)
        elif (y > 0 and x >= high) or (y < 0 and x <= low):
            return FACTORS[0] if y > 0 else None
        else:
            x = min(x * STRIDE, high) if y > 0 else max(x / STRIDE, low)
        y = spare_k(1 / x)
    return 1 / x
