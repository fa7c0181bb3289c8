"""How long drilling takes and what it costs: an estimate for comparing layouts, and not an offer.

The figures behind it are public web figures of mixed years, or choices of this house (tables/costs.toml); a contractor puts his own
into [cost]. Not counted: rock, standing by, permits, traffic, travel, the trench or bore of the header, what stands in the house,
profit. Time for grouting is taken to run beside the next bore. Money is in the one currency of the site; a day is a working day.
Source of the form: mobilisation + days x rate + fluid + length x tooling, and not one price per foot (S: facts/hdd section 7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.bore.mud import BULKING, largest_pull_speed_m_s, mud_volumes
from loopgis.bore.pipe import bundle_diameter_m
from loopgis.bore.rods import rods_needed
from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.core.units import FT_M, GALLON_M3, length_text, money_text, volume_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.site.model import CostSpec

HEADER_PIPES = 2
"""Pipes of a header run: to the loop and back."""
PRICES = (
    "mobilisation",
    "crew_per_day",
    "fluid_per_m3",
    "spoil_per_m3",
    "tooling_per_m",
    "pipe_per_m",
    "grout_per_m3",
    "per_bore",
    "head",
    "electronics",
    "bit",
    "rod",
)
"""The fields of `CostSpec` that are money."""


# one bore --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class BoreHours:
    """Working time of one bore, hours.

    rods: of the pilot; pull_speed_m_s: mean speed of the pull-back; pump_governs: the pump and not the handling of rods sets it.
    """

    rods: int
    setup_h: float
    pilot_h: float
    swap_h: float
    pull_h: float
    total_h: float
    pull_speed_m_s: float
    pump_governs: bool


def bore_hours(
    *, length_m: float, rod_length_m: float, hole_diameter_m: float, ratio: float, spec: CostSpec
) -> BoreHours:
    """How long a bore takes: set-up, pilot rod by rod, change-over at the exit, pull-back.

    length_m: drilled; rod_length_m: of one rod; hole_diameter_m: reamed; ratio: volumes of fluid to one of hole, see
    `mud.fluid_ratio`. The pull-back takes the longer of rods x minutes a rod and length / `mud.largest_pull_speed_m_s`: pulled
    faster, the reamer outruns its fluid and packs the hole. A rod's minutes hold the pulling of it.
    Raises RangeError for figures that are not positive, a ratio below 1, and rates or times that cannot be.
    Source: facts/hdd section 7 (set-up S; pilot and rod cycle M), section 2 (speed D); change-over: common practice, no source.
    """
    _sound(spec)
    positive(length_m=length_m, rod_length_m=rod_length_m)
    _ratio_holds(ratio)
    rods = rods_needed(length_m, rod_length_m)
    pilot_h = rods / spec.rods_per_hour
    by_rods_h = rods * spec.pull_rod_min / 60
    fastest = largest_pull_speed_m_s(pump_m3_s=spec.pump_m3_s, hole_diameter_m=hole_diameter_m, ratio=ratio)
    by_pump_h = length_m / fastest / 3600
    pull_h = max(by_rods_h, by_pump_h)
    return BoreHours(
        rods=rods,
        setup_h=spec.setup_h,
        pilot_h=pilot_h,
        swap_h=spec.swap_h,
        pull_h=pull_h,
        total_h=spec.setup_h + pilot_h + spec.swap_h + pull_h,
        pull_speed_m_s=length_m / pull_h / 3600,
        pump_governs=by_pump_h > by_rods_h,
    )


@dataclass(frozen=True, kw_only=True)
class BoreCost:
    """What one bore takes besides the crew's time: volumes in m3, money in the currency of the site.

    length_m: drilled; pipe_m: all of its pipe; fluid_m3: mud mixed; spoil_m3: hauled away; grout_m3: hole less pipes, 0 when it is
    not grouted; tooling to grout: what these cost; bore: the price of a bore as such; total_own: sum of the money.
    """

    length_m: float
    pipe_m: float
    fluid_m3: float
    spoil_m3: float
    grout_m3: float
    tooling: float
    pipe: float
    fluid: float
    spoil: float
    grout: float
    bore: float
    total_own: float


def bore_cost(
    *,
    length_m: float,
    pipe_m: float,
    hole_diameter_m: float,
    pipe_outer_m: float,
    pipes: int,
    ratio: float,
    spec: CostSpec,
    bulking: float = BULKING,
    grouted: bool = True,
) -> BoreCost:
    """What a bore costs besides the crew's time.

    length_m: drilled; pipe_m: all of its pipe, both legs and the ends outside the hole; hole_diameter_m: reamed; pipe_outer_m: of
    one pipe; pipes: in the hole; ratio, bulking: see `mud.mud_volumes`; grouted: False where mud or ground stays round the pipes.
    Raises RangeError for figures that are not positive, a ratio or bulking below 1, pipes that do not fit the hole, and less pipe
    than the hole takes. Source: volumes as `mud.mud_volumes`; grout is the hole less the pipes (D).
    """
    _sound(spec)
    positive(length_m=length_m, pipe_m=pipe_m, hole_diameter_m=hole_diameter_m, pipe_outer_m=pipe_outer_m)
    bundle = bundle_diameter_m(outside_diameter_m=pipe_outer_m, pipes=pipes)
    if bundle > hole_diameter_m:
        what = f"{hole_diameter_m:g} m has no room for {pipes} pipes, {bundle:.3f} m together"
        raise RangeError("hole_diameter_m", what, "a larger hole or smaller pipes")
    if pipe_m < pipes * length_m * (1 - 1e-9):
        what = f"{pipe_m:g} m of pipe is less than {pipes} pipes of {length_m:g} m"
        raise RangeError("pipe_m", what, "count every leg, and the ends outside the hole")
    volumes = mud_volumes(length_m=length_m, hole_diameter_m=hole_diameter_m, ratio=ratio, bulking=bulking)
    free_m3 = volumes.hole_m3 - pipes * math.pi / 4 * pipe_outer_m**2 * length_m
    grout_m3 = free_m3 if grouted else 0.0
    parts = {
        "tooling": length_m * spec.tooling_per_m,
        "pipe": pipe_m * spec.pipe_per_m,
        "fluid": volumes.fluid_m3 * spec.fluid_per_m3,
        "spoil": volumes.spoil_m3 * spec.spoil_per_m3,
        "grout": grout_m3 * spec.grout_per_m3,
        "bore": spec.per_bore,
    }
    return BoreCost(
        length_m=length_m,
        pipe_m=pipe_m,
        fluid_m3=volumes.fluid_m3,
        spoil_m3=volumes.spoil_m3,
        grout_m3=grout_m3,
        total_own=sum(parts.values()),
        **parts,
    )


def at_stake(*, rods: int, spec: CostSpec) -> float:
    """What lies in the ground when the pilot comes out at the far end: head, electronics, bit, and every rod.

    rods: of the pilot. Raises RangeError for a negative number of rods. Source: 1,500 + 4,000 + 200 = 5,700 US dollars without the
    rods (common practice, no source); with them 5,000 to 15,000 (M: facts/hdd section 7).
    """
    _sound(spec)
    not_negative(rods=rods)
    return spec.head + spec.electronics + spec.bit + rods * spec.rod


# all bores --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class LayoutCost:
    """What the new bores of a layout take, and what they cost in the currency of `spec`.

    spec: the prices behind it; count: of bores; hours: working time, coming and leaving included; days: to the half day, upwards;
    length_m: drilled; pipe_m: with that of the header; fluid_m3, spoil_m3, grout_m3: volumes; mobilisation, crew (people and rig),
    tooling, pipe, fluid, spoil, grout, bores (so much for each): money, summed; total: of these; per_m: total over length_m;
    expected_loss: beside the total, not in it.
    """

    spec: CostSpec
    count: int
    hours: float
    days: float
    length_m: float
    pipe_m: float
    fluid_m3: float
    spoil_m3: float
    grout_m3: float
    mobilisation: float
    crew: float
    tooling: float
    pipe: float
    fluid: float
    spoil: float
    grout: float
    bores: float
    total: float
    per_m: float
    expected_loss: float

    def lines(self, units: str = "us") -> list[dict[str, Any]]:
        """The estimate item by item, then total and expected loss: rows of item, amount, currency, basis (how it comes about).

        units: "us" or "metric", for lengths and volumes in the basis.
        """
        spec = self.spec

        def long(metres: float, per_m: float) -> str:
            return f"{length_text(metres, units, 0)} at {_per_length(per_m, spec.currency, units)}"

        def much(cubic_m: float, per_m3: float) -> str:
            by, price = ("gal", per_m3 * GALLON_M3) if units == "us" else ("m3", per_m3)
            return f"{volume_text(cubic_m, units)} at {money_text(price, spec.currency)}/{by}"

        days = f"{self.days:g} day" + ("" if self.days <= 1 else "s")
        crew = (
            f"{days} at {money_text(spec.crew_per_day, spec.currency)}; {self.hours:.1f} h, {spec.hours_day:g} h a day"
        )
        rows = [
            ("mobilisation", self.mobilisation, "once for the site"),
            ("crew and rig", self.crew, crew),
            ("tooling", self.tooling, long(self.length_m, spec.tooling_per_m)),
            ("pipe", self.pipe, f"{long(self.pipe_m, spec.pipe_per_m)}, header included"),
            ("fluid", self.fluid, much(self.fluid_m3, spec.fluid_per_m3)),
            ("spoil", self.spoil, much(self.spoil_m3, spec.spoil_per_m3)),
            ("grout", self.grout, much(self.grout_m3, spec.grout_per_m3)),
            (
                "bores",
                self.bores,
                f"{self.count} at {money_text(spec.per_bore, spec.currency)}: exit pit, fusion, ground",
            ),
            ("total", self.total, f"of the above, {_per_length(self.per_m, spec.currency, units)} of bore"),
            ("expected loss", self.expected_loss, f"not in the total; {100 * spec.loss_share:g} % of what is at stake"),
        ]
        return [{"item": i, "amount": a, "currency": spec.currency, "basis": basis} for i, a, basis in rows]


def _per_length(per_m: float, currency: str, units: str) -> str:
    """Price of length for people.

    >>> _per_length(10.0, "USD", "us"), _per_length(10.0, "EUR", "metric")
    ('3.05 USD/ft', '10.00 EUR/m')
    """
    return f"{money_text(per_m * FT_M, currency)}/ft" if units == "us" else f"{money_text(per_m, currency)}/m"


def layout_cost(*, bores: Sequence[tuple[BoreHours, BoreCost]], header_m: float, spec: CostSpec) -> LayoutCost:
    """What a layout costs: mobilisation, days of crew and rig, and what its bores and its header take.

    bores: of each bore still to be drilled, its hours and cost; header_m: length of the header run, of which the two pipes are
    counted and nothing else. The loss to be expected, share lost x what is at stake on each bore, is told beside the total and not
    added to it: the share has no source, and whoever bears the loss has it in his day rate or not at all.
    Raises RangeError when there is no bore, or the header is negative.
    Source: the form S (facts/hdd section 7); half days: house choice.
    """
    _sound(spec)
    not_negative(header_m=header_m)
    if not bores:
        raise RangeError("bores", "there is none to drill", "leave the cost out where every bore is in the ground")
    costs = [cost for _, cost in bores]
    hours = spec.site_h + sum(time.total_h for time, _ in bores)
    days = _half_days(hours / spec.hours_day)
    length_m = sum(c.length_m for c in costs)
    header_pipe_m = HEADER_PIPES * header_m
    parts = {
        "mobilisation": spec.mobilisation,
        "crew": days * spec.crew_per_day,
        "tooling": sum(c.tooling for c in costs),
        "pipe": sum(c.pipe for c in costs) + header_pipe_m * spec.pipe_per_m,
        "fluid": sum(c.fluid for c in costs),
        "spoil": sum(c.spoil for c in costs),
        "grout": sum(c.grout for c in costs),
        "bores": sum(c.bore for c in costs),
    }
    total = sum(parts.values())
    return LayoutCost(
        spec=spec,
        count=len(bores),
        hours=hours,
        days=days,
        length_m=length_m,
        pipe_m=sum(c.pipe_m for c in costs) + header_pipe_m,
        fluid_m3=sum(c.fluid_m3 for c in costs),
        spoil_m3=sum(c.spoil_m3 for c in costs),
        grout_m3=sum(c.grout_m3 for c in costs),
        total=total,
        per_m=total / length_m,
        expected_loss=sum(spec.loss_share * at_stake(rods=time.rods, spec=spec) for time, _ in bores),
        **parts,
    )


def _half_days(days: float) -> float:
    """Days to the half, upwards, at least a half; what lies beyond by rounding alone does not count.

    >>> _half_days(0.1), _half_days(1.0), _half_days(1.01), _half_days(1.5)
    (0.5, 1.0, 1.5, 1.5)
    """
    return max(1, math.ceil(2 * days - 1e-9)) / 2


def _ratio_holds(ratio: float) -> None:
    positive(ratio=ratio)
    if ratio < 1:
        raise RangeError("ratio", f"{ratio:g} is less than one volume of fluid to one of hole", "2 to 5 by the ground")


def _sound(spec: CostSpec) -> None:
    """Raise RangeError, one line naming the figure, when a price, a rate or a time cannot be meant."""
    not_negative(**{name: getattr(spec, name) for name in PRICES})
    not_negative(setup_h=spec.setup_h, swap_h=spec.swap_h, site_h=spec.site_h, loss_share=spec.loss_share)
    positive(
        hours_day=spec.hours_day,
        rods_per_hour=spec.rods_per_hour,
        pull_rod_min=spec.pull_rod_min,
        pump_m3_s=spec.pump_m3_s,
    )
    if spec.hours_day > 24:
        raise RangeError("hours_day", f"{spec.hours_day:g} h is more than a day has", "6 to 10")
    if spec.loss_share > 1:
        raise RangeError(
            "loss_share", f"{spec.loss_share:g} is more than all bores", "a share, 0.01 for one in a hundred"
        )
