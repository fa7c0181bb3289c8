"""A site's demand, ground, pipe and fluid as one heat case, ready for any set of bores."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from loopgis.core.errors import InputError, RangeError
from loopgis.core.units import parse
from loopgis.ground import loads as loading
from loopgis.ground.loop import SIDES, Loop, Section
from loopgis.ground.resistance import film_mk_w
from loopgis.ground.sizing import Limits
from loopgis.ground.spectrum import spectrum
from loopgis.ground.temperature import Wave
from loopgis.hydraulics.fluid import fluid_of
from loopgis.layout.pipe_sizes import outside_m
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loopgis.ground.loop import Side
    from loopgis.hydraulics.fluid import Fluid, State
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

T = TypeVar("T")
TON_W = 3516.85
GPM_M3_S = 6.30902e-5
FLOW_PER_W = 3 * GPM_M3_S / TON_W
"""3 gpm per ton of peak load (S: a published contractor's example, facts/thermal section 7)."""
APART = 1.1
"""Pipe centres of a loop that nothing spreads, in pipe diameters: house choice, on the safe side."""
ABOVE_FREEZING_K = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class HeatCase:
    """What a site says about heat, ready for any set of bores."""

    wave: Wave
    k_w_mk: float
    section: Section
    fluid: Fluid
    loads: loading.Loads
    cop: dict[Side, loading.CopTable]
    limits: Limits
    flow_m3_s: float
    years: int
    peak_s: float
    offset_k: float
    in_series: int = 1

    def loop(self, paths: Sequence[Array]) -> Loop:
        """These bores as a loop. paths: (n, 3) each, z up from the ground surface. Raises RangeError for bores that touch."""
        film, _, capacity = self.water(len(paths))
        return Loop(
            paths=tuple(paths),
            spectrum=spectrum(paths, bore_radius_m=self.section.bore_radius_m),
            wave=self.wave,
            k_w_mk=self.k_w_mk,
            section=self.section,
            film_mk_w=film,
            capacity_w_k=capacity,
            loads=self.loads,
            cop=self.cop,
            years=self.years,
            peak_s=self.peak_s,
            offset_k=self.offset_k,
        )

    def water(self, bores: int) -> tuple[dict[Side, float], dict[Side, float], float]:
        """Film resistance and Reynolds number by side, and capacity rate W/K, of one bore of so many.

        Bores in series share a circuit's flow one after another: each sees it whole, which its film knows. The water of a circuit
        warms as much as that of as many bores side by side, so its capacity stays that of one bore's share.
        """
        each = self.flow_m3_s / bores
        through = self.flow_m3_s / math.ceil(bores / self.in_series)
        radius = self.section.pipe_inner_radius_m
        film, reynolds = {}, {}
        for side in SIDES:
            state = self.state(side)
            reynolds[side] = state.reynolds(through, 2 * radius)
            film[side] = film_mk_w(
                reynolds=reynolds[side],
                prandtl=state.prandtl,
                k_fluid_w_mk=state.conductivity_w_mk,
                inner_radius_m=radius,
            )
        cold = self.state("heating")
        return film, reynolds, each * cold.density_kg_m3 * cold.heat_capacity_j_kgk

    def state(self, side: Side) -> State:
        """The fluid in the bores at the limit of a side; not below where it freezes."""
        wish = self.limits.least_c - 1.5 if side == "heating" else min(self.limits.most_c, 38.0)
        return self.fluid.state(max(wish, self.fluid.freeze_c + ABOVE_FREEZING_K))


def case_of(site: Site) -> HeatCase | None:
    """The site's heat case; None when it has no [demand].

    Raises InputError, naming the keys, for figures that contradict each other: fluid that freezes at the wanted temperatures,
    pipes that do not fit in the bore, energies above the peak.
    """
    spec = site.spec
    demand, ground = spec.demand, spec.ground
    if demand is None or ground.k_w_mk is None or ground.diffusivity_m2_s is None:
        return None
    if ground.mean_c is None or ground.amplitude_k is None:
        return None
    wave = _named(
        f"{spec.path} [ground]",
        lambda: Wave(
            mean_c=ground.mean_c or 0.0,
            amplitude_k=ground.amplitude_k or 0.0,
            coldest_day=ground.coldest_day,
            diffusivity_m2_s=ground.diffusivity_m2_s or 0.0,
        ),
    )
    fluid = fluid_of(spec.pipe.fluid, where=f"{spec.path} [pipe] fluid")
    _not_frozen(site, fluid)
    loads = _named(f"{spec.path} [demand]", lambda: _loads(site, wave))
    return HeatCase(
        wave=wave,
        k_w_mk=ground.k_w_mk,
        section=section_of(site),
        fluid=fluid,
        loads=loads,
        cop={
            "heating": _cop(demand.heating_cop, loading.TYPICAL_HEATING),
            "cooling": _cop(demand.cooling_cop, loading.TYPICAL_COOLING),
        },
        limits=Limits(least_c=demand.ewt_min_c, most_c=demand.ewt_max_c),
        flow_m3_s=demand.flow_m3_s or FLOW_PER_W * max(demand.heating_peak_w, demand.cooling_peak_w),
        years=max(1, math.ceil(demand.years - 1e-9)),
        peak_s=demand.peak_hours * 3600,
        offset_k=ground.offset_k,
        in_series=spec.pipe.in_series,
    )


def section_of(site: Site) -> Section:
    """What the site's bores hold. Raises InputError when the pipes do not fit."""
    spec = site.spec
    pipes = load_table("pipes")
    outer = outside_m(spec.pipe.size) / 2
    hole = spec.bore.hole_diameter_m / 2
    half = spec.bore.pipe_spacing_m / 2 if spec.bore.pipe_spacing_m is not None else min(APART * outer, hole - outer)
    where = f"{spec.path} [bore] " + ("hole" if spec.bore.pipe_spacing_m is None else "pipe_spacing")
    if half < outer * (1 - 1e-9) or half + outer > hole * (1 + 1e-9) or 2 * outer >= hole * (1 - 1e-9):
        what = f"two pipes of {2000 * outer:.0f} mm, {2000 * half:.0f} mm apart, do not fit in a hole of {2000 * hole:.0f} mm"
        raise InputError(where, what, "a wider hole, a smaller pipe or another spacing")
    fill = load_table("fills")["fills"][spec.bore.fill].get("conductivity")
    return Section(
        bore_radius_m=hole,
        pipe_outer_radius_m=outer,
        pipe_inner_radius_m=outer * (1 - 2 / spec.pipe.dr),
        half_spacing_m=half,
        k_fill_w_mk=parse(fill, "conductivity", where="tables/fills.toml") if fill else float(spec.ground.k_w_mk or 0),
        k_pipe_w_mk=parse(pipes["material"]["conductivity"], "conductivity", where="tables/pipes.toml"),
    )


def _loads(site: Site, wave: Wave) -> loading.Loads:
    demand = site.spec.demand
    assert demand is not None  # noqa: S101 - asked by the only caller
    if demand.hourly_heating_w:
        hours = max(1, round(demand.peak_hours))
        return loading.from_hourly(demand.hourly_heating_w, demand.hourly_cooling_w, peak_hours=hours)
    peaks = {"heating_peak_w": demand.heating_peak_w, "cooling_peak_w": demand.cooling_peak_w}
    if demand.heating_kwh or demand.cooling_kwh:
        return loading.from_months(heating_kwh=demand.heating_kwh, cooling_kwh=demand.cooling_kwh, wave=wave, **peaks)
    return loading.from_hours(
        heating_hours=demand.heating_hours, cooling_hours=demand.cooling_hours, wave=wave, **peaks
    )


def _cop(rows: Sequence[tuple[float, float]], usual: loading.CopTable) -> loading.CopTable:
    return loading.CopTable(tuple(t for t, _ in rows), tuple(c for _, c in rows), "site file") if rows else usual


def _not_frozen(site: Site, fluid: Fluid) -> None:
    """Water at temperatures below where it freezes is refused by name."""
    demand, ground = site.spec.demand, site.spec.ground
    if demand is None or ground.mean_c is None:
        return
    where = f"{site.spec.path} [pipe] fluid"
    remedy = "take a fluid with enough antifreeze, or other temperatures"
    if ground.mean_c <= fluid.freeze_c:
        raise InputError(
            where, f"{fluid.text} freezes at {fluid.freeze_c:.1f} degC, [ground] mean is {ground.mean_c:.1f}", remedy
        )
    if demand.heating_peak_w > 0 and demand.ewt_min_c <= fluid.freeze_c:
        what = f"{fluid.text} freezes at {fluid.freeze_c:.1f} degC, [demand] ewt_min is {demand.ewt_min_c:.1f}"
        raise InputError(where, what, remedy)


def _named(where: str, make: Callable[[], T]) -> T:
    """Result of a maker; a figure out of range becomes an error that names the site file too."""
    try:
        return make()
    except RangeError as error:
        raise InputError(f"{where} {error.where}", error.what, error.remedy) from None
