"""What is worth telling about the heat of one layout."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from loopgis.core.findings import Finding
from loopgis.core.units import FT_M, kelvin_text, length_text, temperature_text
from loopgis.ground.resistance import LAMINAR_RE
from loopgis.layout.heat_case import GPM_M3_S, TON_W

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Layout

BAND_FT = (120.0, 400.0)
"""Feet of bore per ton outside which something deserves a second look (facts/thermal section 8, from memory)."""
FLOW_GPM = (2.0, 4.0)
"""Flow per ton outside which something deserves a second look; 2.5 to 3 are usual (facts/thermal section 7, from memory)."""
BTU_H_W = 0.29307107
"""One Btu (IT) per hour in watts (NIST SP 811, appendix B)."""
FREEZE_SPARE_K = 2.0
"""Room wanted between the coldest water and the point where it begins to freeze; house choice."""


def heat_findings(layout: Layout, units: str) -> list[Finding]:
    """Limits that are passed, lengths out of the usual, water that may freeze, laminar flow; empty without a demand."""
    heat = layout.heat
    if heat is None:
        return []
    return [*_limits(heat, units), *_length(heat, units), *_freezing(heat, units), *_per_ton(heat), *_flow(heat)]


def share_carried(heat: Heat) -> float | None:
    """Part of what the house needs that the drilled length carries, 1 when it holds; as lengths go, at the layout's own shape.

    None when no length would do, or when the limits are held but the water freezes.
    """
    if heat.needed.factor is None:
        return None
    if heat.too_cold or heat.too_warm:
        return 1 / heat.needed.factor
    return None if heat.freezes else 1.0


def carried_text(heat: Heat, units: str) -> str:
    """That part in words, after "the layout"; empty when nothing can be said."""
    share = share_carried(heat)
    if share is None:
        return ""
    if share >= 1:
        return "carries what the house needs all the same"
    side, loads = heat.needed.governs, heat.case.loads
    peak = float((loads.heating_peak_w if side == "heating" else loads.cooling_peak_w).max())
    unit_w, unit = (BTU_H_W, "kBtu/h") if units == "us" else (1.0, "kW")
    have, want = share * peak / unit_w / 1000, peak / unit_w / 1000
    return f"carries {100 * share:.0f} % of what the house needs: about {have:.1f} of {want:.1f} {unit} of {side} peak"


def _limits(heat: Heat, units: str) -> Iterator[Finding]:
    limits, years = heat.case.limits, heat.case.years
    for code, found, limit, word, past in (
        ("ewt-low", heat.ewt_min_c, limits.least_c, "falls to", heat.too_cold),
        ("ewt-high", heat.ewt_max_c, limits.most_c, "rises to", heat.too_warm),
    ):
        if past:
            have, want = temperature_text(found, units), temperature_text(limit, units)
            need = "no length of this kind would do"
            if heat.needed_m is not None:
                needed, drawn = length_text(heat.needed_m, units, 0), length_text(heat.offered_m, units, 0)
                need = f"{needed} of bore would hold, {drawn} are drawn"
            yield Finding(
                severity="warning",
                code=code,
                measured=found,
                limit=limit,
                unit="degC",
                message=f"entering water {word} {have} within {years} years, {want} is the limit: {need}",
                remedy="more bore, another pad or depth, better fill, or less load on the loop"
                if heat.needed_m is not None
                else "look at the limits, the ground temperature and the flow",
            )


def _length(heat: Heat, units: str) -> Iterator[Finding]:
    per_ton = heat.per_ton_m
    if not per_ton:
        return
    feet = per_ton / FT_M
    if BAND_FT[0] <= feet <= BAND_FT[1]:
        return
    low, high = (length_text(v * FT_M, units, 0) for v in BAND_FT)
    text = f"{length_text(per_ton, units, 0)} of bore per ton is needed, outside the usual {low} to {high}"
    yield Finding(
        severity="warning",
        code="length-per-ton",
        measured=per_ton,
        limit=BAND_FT[1 if feet > BAND_FT[1] else 0] * FT_M,
        message=f"{text}: {_reason(heat, units, long=feet > BAND_FT[1])}",
        remedy="check ground, fill, flow and limits before you drill by it",
    )


def _reason(heat: Heat, units: str, *, long: bool) -> str:
    """What makes the loop so long or so short, the plainest causes first."""
    case = heat.case
    room = (
        case.wave.mean_c - case.limits.least_c
        if heat.needed.governs == "heating"
        else case.limits.most_c - case.wave.mean_c
    )
    bore = heat.bore_mk_w
    causes = [
        (f"the ground conducts {case.k_w_mk:.2g} W/(m K)", case.k_w_mk < 1.3 if long else case.k_w_mk > 2.2),
        (f"the ground's mean is {kelvin_text(room, units)} from the limit", room < 11 if long else room > 16),
        (f"bore resistance is {bore:.2f} m K/W", bore > 0.2 if long else bore < 0.1),
        (
            "the water runs laminar",
            long and heat.reynolds[heat.needed.governs] < LAMINAR_RE,
        ),
    ]
    told = [text for text, counts in causes if counts]
    hours = heat.case.loads.heating_w.sum() if heat.needed.governs == "heating" else heat.case.loads.cooling_w.sum()
    return "; ".join(told) or f"the year's load is {hours / 12 / case.loads.peak_w:.0%} of the peak on average"


def _freezing(heat: Heat, units: str) -> Iterator[Finding]:
    leaving, fluid = heat.leaving_min_c, heat.case.fluid
    if leaving is None or leaving > fluid.freeze_c + FREEZE_SPARE_K:
        return
    yield Finding(
        severity="warning",
        code="near-freezing",
        measured=leaving,
        limit=fluid.freeze_c,
        unit="degC",
        message=f"water goes into the ground at {temperature_text(leaving, units)}; {fluid.text} begins to freeze at "
        f"{temperature_text(fluid.freeze_c, units)}",
        remedy="more antifreeze, more flow or more bore",
    )


def _per_ton(heat: Heat) -> Iterator[Finding]:
    """A flow that no heat pump is made for."""
    tons = heat.case.loads.peak_w / TON_W
    gpm = heat.case.flow_m3_s / GPM_M3_S / tons if tons > 0 else FLOW_GPM[0]
    if not FLOW_GPM[0] <= gpm <= FLOW_GPM[1]:
        yield Finding(
            severity="warning",
            code="flow-per-ton",
            measured=gpm,
            limit=FLOW_GPM[0 if gpm < FLOW_GPM[0] else 1],
            unit="gpm/ton",
            message=f"the flow is {gpm:.1f} gpm per ton of peak load, usual are {FLOW_GPM[0]:g} to {FLOW_GPM[1]:g}",
            remedy="ask what flow the heat pump must have; neither its limits nor the head are looked at here",
        )


def _flow(heat: Heat) -> Iterator[Finding]:
    side = heat.needed.governs
    reynolds = heat.reynolds[side]
    if reynolds >= LAMINAR_RE or len(heat.loop.paths) == 0:
        return
    tons = heat.case.loads.peak_w / TON_W
    circuits = math.ceil(len(heat.loop.paths) / heat.case.in_series)
    yield Finding(
        severity="note",
        code="laminar",
        measured=reynolds,
        limit=LAMINAR_RE,
        unit="",
        message=f"{circuits} circuits side by side share the flow for {tons:.1f} tons: the water runs laminar at the "
        f"design temperature (Reynolds number {reynolds:.0f}), which is in the figures",
        remedy=f"[pipe] in_series = {heat.case.in_series + 1} joins bores in series: they carry more each, and cost pump power",
    )
