"""One field of bores with its ground, pipe, fluid and loads: entering-water temperatures over the years.

The monthly equations are linear, so a field is run once for a unit load in the first month and once for no load at all; any
series of
loads is then one convolution. That lets the COP, which depends on the entering water, be found by going round a few times.
Heating and cooling have their own film resistance (cold water is thick) and so their own run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.ground.cylinder import wall_excess
from loopgis.ground.loads import (
    MONTH_DAYS,
    MONTH_HOURS,
    MONTH_S,
    YEAR_HOURS,
    CopTable,
    Loads,
    ground_cooling_w,
    ground_heating_w,
)
from loopgis.ground.resistance import multipole, pipe_wall_mk_w, short_circuit
from loopgis.ground.simulate import Steps, positive_inverse, solve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.ground.spectrum import Spectrum
    from loopgis.ground.temperature import Wave

    Array = NDArray[np.float64]

Side = Literal["heating", "cooling"]
SIDES: tuple[Side, Side] = ("heating", "cooling")
ROUNDS = 12
SETTLED_K = 1e-4
HOUR_S = 3600.0


@dataclass(frozen=True, kw_only=True)
class Section:
    """What a bore holds: one U-tube in a fill. Radii and half_spacing_m (pipe centre to bore centre) in metres, W/(m K)."""

    bore_radius_m: float
    pipe_outer_radius_m: float
    pipe_inner_radius_m: float
    half_spacing_m: float
    k_fill_w_mk: float
    k_pipe_w_mk: float

    def resistances_mk_w(self, *, film_mk_w: float, k_ground_w_mk: float) -> tuple[float, float]:
        """Bore and internal resistance by the first-order multipole."""
        wall = pipe_wall_mk_w(
            inner_radius_m=self.pipe_inner_radius_m,
            outer_radius_m=self.pipe_outer_radius_m,
            k_pipe_w_mk=self.k_pipe_w_mk,
        )
        return multipole(
            bore_radius_m=self.bore_radius_m,
            pipe_radius_m=self.pipe_outer_radius_m,
            half_spacing_m=self.half_spacing_m,
            k_fill_w_mk=self.k_fill_w_mk,
            k_ground_w_mk=k_ground_w_mk,
            pipe_mk_w=film_mk_w + wall,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Loop:
    """Everything that decides how warm the water comes back.

    paths: bores, (n, 3) each, ground surface at z = 0; spectrum of the same; film_mk_w: of one pipe, by side; capacity_w_k: mass
    flow times specific heat through EACH bore; years: horizon; peak_s: how long a peak lasts; bore_factor: multiplies the bore
    resistance (for what-ifs); offset_k: added to the ground temperature.
    """

    paths: tuple[Array, ...]
    spectrum: Spectrum
    wave: Wave
    k_w_mk: float
    section: Section
    film_mk_w: dict[Side, float]
    capacity_w_k: float
    loads: Loads
    cop: dict[Side, CopTable]
    years: int
    peak_s: float = 6 * HOUR_S
    bore_factor: float = 1.0
    offset_k: float = 0.0

    @property
    def months(self) -> int:
        """Months of the horizon."""
        return 12 * self.years

    @property
    def total_capacity_w_k(self) -> float:
        """Of all bores together."""
        return self.capacity_w_k * len(self.paths)

    def but(self, **changes: object) -> Loop:
        """The same loop with something changed; ground figures are computed anew."""
        return replace(self, **changes)  # type: ignore[arg-type]

    @cached_property
    def undisturbed_c(self) -> Array:
        """(months, N) undisturbed ground along each bore at the end of each month of the horizon."""
        days = np.arange(1, 13) * MONTH_DAYS
        year = np.column_stack([self.wave.along(p, days) for p in self.paths])
        return np.tile(year, (self.years, 1)) + self.offset_k

    @cached_property
    def h(self) -> tuple[Array, Array]:
        """Response (months, N, N) at the end of each month, and (N, N) after a peak, both with the bore a cylinder."""
        times = np.r_[np.arange(1, self.months + 1) * MONTH_S, self.peak_s]
        h = self.cylinders(times)
        return h[:-1], h[-1]

    def cylinders(self, times_s: Array) -> Array:
        """Response (times, N, N) with each bore a cylinder to itself, not a line."""
        h = self.spectrum.response(times_s, self.wave.diffusivity_m2_s)
        excess = wall_excess(
            times_s, bore_radius_m=self.section.bore_radius_m, diffusivity_m2_s=self.wave.diffusivity_m2_s
        )
        n = np.arange(h.shape[1])
        h[:, n, n] += excess[:, None]
        return h

    def resistance_mk_w(self, side: Side, factor: float) -> Array:
        """(N,) from inlet water to bore wall, per metre: effective bore resistance and half the water's own warming."""
        bore, internal = self.section.resistances_mk_w(film_mk_w=self.film_mk_w[side], k_ground_w_mk=self.k_w_mk)
        lengths = self.spectrum.length_m * factor
        effective = [
            short_circuit(
                bore_mk_w=bore * self.bore_factor,
                internal_mk_w=internal,
                length_m=float(x),
                capacity_w_k=self.capacity_w_k,
            )
            for x in lengths
        ]
        return np.array(effective) + lengths / (2 * self.capacity_w_k)

    @cached_property
    def steps(self) -> Steps:
        """Monthly steps for the lengths as they are."""
        return Steps.of(self.h[0], self.spectrum.length_m, self.k_w_mk)

    def answer(self, side: Side, factor: float) -> Answer:
        """How the inlet answers to loads when all bores are `factor` times as long, the ground response per metre unchanged."""
        resistance = self.resistance_mk_w(side, factor)
        months, n = self.undisturbed_c.shape
        load, ground = np.zeros((months, 2)), np.zeros((months, n, 2))
        load[0, 0] = 1.0
        ground[:, :, 1] = self.undisturbed_c
        heat, inlet, _ = solve(self.steps, resistance_mk_w=resistance, undisturbed_c=ground, load_w=load, factor=factor)
        peak = self.at_once_k_w(self.h[1], resistance, factor)
        return Answer(inlet[:, 0], inlet[:, 1], heat[:, :, 0], heat[:, :, 1], peak)

    def at_once_k_w(self, h: Array, resistance_mk_w: Array, factor: float) -> float:
        """Warming of the inlet per W that has flowed for as long as the response h (N, N) says, shared at one stroke."""
        length = self.spectrum.length_m * factor
        k = h * length[:, None] / (2 * np.pi * self.k_w_mk)
        inverse = positive_inverse((k + k.T) / 2 + np.diag(length * resistance_mk_w))
        return 1 / float(length @ inverse @ length)


def convolved(answer: Array, load: Array) -> Array:
    """Answer to a series of loads from the answer to the first of them, both (n,), by fast Fourier transform."""
    n = len(load)
    size = 1 << (2 * n - 1).bit_length()
    value: Array = np.fft.irfft(np.fft.rfft(answer, size) * np.fft.rfft(load, size), size)[:n]
    return value


@dataclass(frozen=True, eq=False)
class Answer:
    """inlet by month after a load of 1 W in the first month, and without load; heat rates (months, N) of both; peak: K per W."""

    unit_k_w: Array
    idle_c: Array
    unit_heat: Array
    idle_heat: Array
    peak_k_w: float

    def inlet_c(self, load_w: Array) -> Array:
        """(months,) water into the ground at the end of each month for heat put into the ground (months,)."""
        return self.idle_c + np.convolve(self.unit_k_w, load_w)[: len(load_w)]

    def heat_w_m(self, load_w: Array) -> Array:
        """(months, N) heat rate per metre of each bore."""
        return np.column_stack([convolved(column, load_w) for column in self.unit_heat.T]) + self.idle_heat


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """Temperatures over the horizon, one value at the end of each month (months,).

    mean_c: entering water under the month's mean load; heating_c, cooling_c: at the end of the month's heating or cooling peak,
    NaN where there is none; leaving_c: water into the ground at the heating peak; load_w: heat into the ground, month's mean;
    heat_w_m: (months, N) per metre of bore. hourly: entering water of every hour of the last year, empty without hourly loads.
    """

    mean_c: Array
    heating_c: Array
    cooling_c: Array
    leaving_c: Array
    load_w: Array
    heat_w_m: Array
    hourly_c: Array

    def least_c(self, first: int = 0, last: int | None = None) -> float:
        """Coldest entering water of the months [first, last), peaks included."""
        return float(np.nanmin([self.mean_c[first:last], self.heating_c[first:last]]))

    def most_c(self, first: int = 0, last: int | None = None) -> float:
        """Warmest entering water of the months [first, last), peaks included."""
        return float(np.nanmax([self.mean_c[first:last], self.cooling_c[first:last]]))


def course(loop: Loop, factor: float = 1.0, *, shares: bool = True) -> Course:
    """Run the loop over its horizon; factor: all bores so many times as long, the response per metre unchanged.

    shares: also find what every bore gives (sizing does not ask for it).
    """
    mine: dict[Side, Answer] = {side: loop.answer(side, factor) for side in SIDES}
    cap = loop.total_capacity_w_k
    tiled = {
        name: np.tile(getattr(loop.loads, name), loop.years)
        for name in ("heating_w", "cooling_w", "heating_peak_w", "cooling_peak_w")
    }
    hot, cold = mine["heating"], mine["cooling"]
    ewt = {"heating": hot.idle_c.copy(), "cooling": cold.idle_c.copy()}
    peak = {side: values.copy() for side, values in ewt.items()}
    load = np.zeros(loop.months)
    peaks = {"heating": load, "cooling": load}
    for _ in range(ROUNDS):
        load = ground_cooling_w(tiled["cooling_w"], loop.cop["cooling"].at(ewt["cooling"])) - ground_heating_w(
            tiled["heating_w"], loop.cop["heating"].at(ewt["heating"])
        )
        peaks = {
            "heating": -ground_heating_w(tiled["heating_peak_w"], loop.cop["heating"].at(peak["heating"])),
            "cooling": ground_cooling_w(tiled["cooling_peak_w"], loop.cop["cooling"].at(peak["cooling"])),
        }
        before = np.concatenate([*ewt.values(), *peak.values()])
        for side, a in (("heating", hot), ("cooling", cold)):
            inlet = a.inlet_c(load)
            ewt[side] = inlet - load / cap
            peak[side] = inlet + (peaks[side] - load) * a.peak_k_w - peaks[side] / cap
        if np.max(np.abs(np.concatenate([*ewt.values(), *peak.values()]) - before)) < SETTLED_K:
            break
    has = {side: tiled[f"{side}_peak_w"] > 0 for side in peaks}
    drawn = load < 0
    monthly = Course(
        mean_c=np.where(drawn, ewt["heating"], ewt["cooling"]),
        heating_c=np.where(has["heating"], peak["heating"], np.nan),
        cooling_c=np.where(has["cooling"], peak["cooling"], np.nan),
        leaving_c=np.where(has["heating"], peak["heating"] + peaks["heating"] / cap, np.nan),
        load_w=load,
        heat_w_m=_shared(hot, cold, load) if shares else np.zeros((0, len(loop.paths))),
        hourly_c=np.zeros(0),
    )
    return _by_hours(loop, mine, factor, monthly) if loop.loads.hourly_heating_w.size else monthly


def _shared(hot: Answer, cold: Answer, load_w: Array) -> Array:
    """Heat rates of the bores: those of the side that each month is on."""
    return np.where((load_w < 0)[:, None], hot.heat_w_m(load_w), cold.heat_w_m(load_w))


def _by_hours(loop: Loop, answers: dict[Side, Answer], factor: float, monthly: Course) -> Course:
    """The same course with the extremes of each month taken from its hours."""
    from loopgis.ground.hourly import hourly_course  # noqa: PLC0415

    heating, cooling, hot_w, cold_w = hourly_course(loop, answers, factor)
    month = np.minimum((np.arange(len(heating)) / MONTH_HOURS).astype(int), loop.months - 1)
    least, most = np.full(loop.months, np.inf), np.full(loop.months, -np.inf)
    np.minimum.at(least, month[hot_w > 0], heating[hot_w > 0])
    np.maximum.at(most, month[cold_w > 0], cooling[cold_w > 0])
    drawn = heating[-YEAR_HOURS:] if loop.loads.heating_w.sum() >= loop.loads.cooling_w.sum() else cooling[-YEAR_HOURS:]
    return replace(
        monthly,
        heating_c=np.where(np.isfinite(least), least, np.nan),
        cooling_c=np.where(np.isfinite(most), most, np.nan),
        hourly_c=drawn,
    )
