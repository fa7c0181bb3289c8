"""Does the loop carry the house: entering-water temperatures of a layout over the years, and how long it must be.

Bores are taken as they lie under the ground above them: plan position and depth, so that a sloping lawn is straightened; the whole
bore works, entry to exit.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.ground.loads import MONTH_S
from loopgis.ground.loop import course
from loopgis.ground.segments import simplified
from loopgis.ground.sizing import Needed, needed
from loopgis.ground.spectrum import point_response
from loopgis.layout.heat_case import TON_W

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.ground.loop import Course, Loop, Side
    from loopgis.ground.spread import WhatIf
    from loopgis.layout.heat_case import HeatCase
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

PATH_TOLERANCE_M = 0.03
"""Bores are thinned to chords within this of their course: moves h by less than 1e-3."""
TYPICAL_LEVEL_M, TYPICAL_SLANT_M, MOST_TRIED = 45.0, 17.0, 40
"""The bore that a first guess is made of: level run, plan length of each slant, and how many bores are laid side by side at
most."""
HELD_K, HELD_SHARE = 0.05, 0.002
"""Entering water this near to a limit counts as held, and bore that is short by this share as enough."""
LINE_STEP_M, LINE_POINTS = 2.0, 150
"""Points on the lot line: this far apart, and so many at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Heat:
    """What was found for one layout.

    course: month by month; needed: length factors; offered_m: drilled length there is; shares (N,): part of the last year's heat
    that each bore exchanges (sums to 1); reynolds by side; outline, depth_m: lot line, and the depth at which its warming is told.
    What takes longer (interval, what-ifs, lot line) is computed when first asked for.
    """

    case: HeatCase
    loop: Loop
    course: Course
    needed: Needed
    offered_m: float
    shares: Array
    reynolds: dict[Side, float]
    outline: shapely.LinearRing
    depth_m: float

    @property
    def needed_m(self) -> float | None:
        """Drilled length that just meets the limits."""
        return None if self.needed.factor is None else self.needed.factor * self.offered_m

    @property
    def ewt_min_c(self) -> float:
        """Coldest entering water of all the years."""
        return self.course.least_c()

    @property
    def ewt_max_c(self) -> float:
        """Warmest entering water of all the years."""
        return self.course.most_c()

    @property
    def leaving_min_c(self) -> float | None:
        """Coldest water that goes into the ground."""
        values = self.course.leaving_c[np.isfinite(self.course.leaving_c)]
        return float(values.min()) if len(values) else None

    @property
    def holds(self) -> bool:
        """Is there as much bore as the water's limits ask for."""
        return self.needed_m is not None and self.needed_m <= self.offered_m * (1 + HELD_SHARE)

    @property
    def too_cold(self) -> bool:
        """Does the entering water fall below its limit by more than a rounding."""
        return self.ewt_min_c < self.case.limits.least_c - HELD_K

    @property
    def too_warm(self) -> bool:
        """Does the entering water rise above its limit by more than a rounding."""
        return self.ewt_max_c > self.case.limits.most_c + HELD_K

    @property
    def bore_mk_w(self) -> float:
        """Bore resistance on the side that asks for the length, without short circuit."""
        film = self.loop.film_mk_w[self.needed.governs]
        return self.case.section.resistances_mk_w(film_mk_w=film, k_ground_w_mk=self.case.k_w_mk)[0]

    @property
    def freezes(self) -> bool:
        """Does the coldest water reach the point where its fluid begins to freeze."""
        return self.leaving_min_c is not None and self.leaving_min_c <= self.case.fluid.freeze_c

    @property
    def per_ton_m(self) -> float | None:
        """Needed drilled length per ton (3517 W) of peak load."""
        return None if self.needed_m is None else self.needed_m / (self.case.loads.peak_w / TON_W)

    def year_extremes(self) -> list[tuple[int, float, float]]:
        """(year, coldest, warmest entering water) of years 1, 10 and the last."""
        years = sorted({1, min(10, self.case.years), self.case.years})
        return [(y, self.course.least_c(12 * y - 12, 12 * y), self.course.most_c(12 * y - 12, 12 * y)) for y in years]

    def summary(self) -> dict[str, Any]:
        """Figures for summary.json."""
        return {
            "needed_length_m": self.needed_m,
            "needed_range_m": self.interval_m,
            "offered_length_m": self.offered_m,
            "side": self.needed.governs,
            "length_factor_heating": self.needed.heating,
            "length_factor_cooling": self.needed.cooling,
            "years": [{"year": y, "ewt_min_c": low, "ewt_max_c": high} for y, low, high in self.year_extremes()],
            "shares": [round(float(s), 6) for s in self.shares],
            "reynolds": dict(self.reynolds),
            "leaving_min_c": self.leaving_min_c,
            "lot_line_change_k": self.lot_line.largest_k,
            "what_ifs": [asdict(w) for w in self.what_ifs],
        }

    @cached_property
    def interval_m(self) -> tuple[float, float | None] | None:
        """Drilled lengths that the usual uncertainty of ground and bore leaves open; upper None: no length is sure."""
        from loopgis.ground.spread import interval  # noqa: PLC0415

        if not self.needed.factor:
            return None
        low, high = interval(self.loop, self.case.limits, self.needed)
        return low * self.offered_m, None if high is None else high * self.offered_m

    @cached_property
    def what_ifs(self) -> tuple[WhatIf, ...]:
        """What the needed length hangs on; empty when none is needed or none would do."""
        from loopgis.ground.spread import what_ifs  # noqa: PLC0415

        return what_ifs(self.loop, self.case.limits, self.needed) if self.needed.factor else ()

    @cached_property
    def lot_line(self) -> LotLine:
        """Change of ground temperature along the lot line in the last year."""
        return _lot_line(self)

    @cached_property
    def undisturbed_c(self) -> Array:
        """(12,) undisturbed ground along the bores at the end of each month, mean by length."""
        year = self.loop.undisturbed_c[:12]
        mean: Array = np.average(year, axis=1, weights=self.loop.spectrum.length_m)
        return mean


@dataclass(frozen=True, kw_only=True, eq=False)
class LotLine:
    """Predicted change of ground temperature along the lot line in the last year, at one depth.

    xy (P, 2) frame points; coldest_k, warmest_k (P,): extremes over the last twelve months against the undisturbed ground.
    """

    xy: Array
    depth_m: float
    coldest_k: Array
    warmest_k: Array

    @property
    def change_k(self) -> Array:
        """(P,) the larger of both, with its sign."""
        value: Array = np.where(-self.coldest_k > self.warmest_k, self.coldest_k, self.warmest_k)
        return value

    @property
    def largest_k(self) -> float:
        """The largest change anywhere on the line, with its sign."""
        change = self.change_k
        return float(change[np.argmax(np.abs(change))])


def study(case: HeatCase, site: Site, bores: Sequence[Bore]) -> Heat:
    """Temperatures and needed length of a set of bores. Raises RangeError when two of them touch."""
    return study_in(case, site.parcel.exterior, bores)


def study_in(case: HeatCase, outline: shapely.LinearRing, bores: Sequence[Bore]) -> Heat:
    """The same with the lot's outline alone."""
    loop = case.loop([path_of(b) for b in bores])
    found = course(loop)
    rate = np.abs(found.heat_w_m[-12:]).sum(axis=0) * loop.spectrum.length_m
    whole = float(rate.sum())
    return Heat(
        case=case,
        loop=loop,
        course=found,
        needed=needed(loop, case.limits),
        offered_m=float(sum(b.length_m for b in bores)),
        shares=rate / whole if whole > 0 else np.full(len(bores), 1 / len(bores)),
        reynolds=case.water(len(bores))[1],
        outline=outline,
        depth_m=float(np.mean([b.target_depth_m for b in bores])),
    )


def path_of(bore: Bore) -> Array:
    """Bore as the ground sees it: plan position and depth, (n, 3), z = 0 at the ground above; few vertices."""
    path = np.column_stack([bore.x_m, bore.y_m, -np.maximum(bore.depth_m, 0.0)])
    return simplified(path, PATH_TOLERANCE_M)


def _lot_line(heat: Heat) -> LotLine:
    outline = heat.outline
    count = min(LINE_POINTS, max(8, round(outline.length / LINE_STEP_M)))
    xy = shapely.get_coordinates(shapely.line_interpolate_point(outline, np.arange(count) / count, normalized=True))
    loop = heat.loop
    months = loop.months
    h = point_response(
        np.column_stack([xy, np.full(count, -heat.depth_m)]),
        loop.paths,
        np.arange(1, months + 1) * MONTH_S,
        bore_radius_m=loop.section.bore_radius_m,
        diffusivity_m2_s=loop.wave.diffusivity_m2_s,
    )
    steps = np.diff(h, axis=0, prepend=0.0) / (2 * np.pi * loop.k_w_mk)
    rates = heat.course.heat_w_m
    last = [np.einsum("mpn,mn->p", steps[: m + 1][::-1], rates[: m + 1]) for m in range(months - 12, months)]
    return LotLine(xy=xy, depth_m=heat.depth_m, coldest_k=np.min(last, axis=0), warmest_k=np.max(last, axis=0))


def first_guess_level_m(case: HeatCase, *, depth_m: float, spacing_m: float) -> float | None:
    """Level run that a parallel field of usual bores at this depth and spacing would need; None when no length would do."""
    slant = TYPICAL_SLANT_M
    course_x = np.array([0.0, slant, slant + TYPICAL_LEVEL_M, 2 * slant + TYPICAL_LEVEL_M])
    course_z = np.array([0.0, -depth_m, -depth_m, 0.0])
    count = int(np.clip(round(case.loads.peak_w / TON_W), 1, MOST_TRIED))
    for _ in range(3):
        paths = [np.column_stack([course_x, np.full(4, i * spacing_m), course_z]) for i in range(count)]
        factor = needed(case.loop(paths), case.limits, close_k=0.05).factor
        if factor is None:
            return None
        wanted = count * factor
        if abs(wanted - count) < 0.6:
            break
        count = int(np.clip(round(wanted), 1, MOST_TRIED))
    return wanted * TYPICAL_LEVEL_M


def wanted_level_m(heat: Heat, level_m: float) -> float | None:
    """Level run at which a layout of this kind would just carry the house."""
    return None if heat.needed.factor is None else heat.needed.factor * level_m
