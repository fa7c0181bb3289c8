"""What is worth telling of a layout's plumbing: purge, head, pump, freezing, uneven circuits; each with its remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.core.findings import Finding
from loopgis.core.units import flow_text, head_text, kelvin_text, temperature_text

if TYPE_CHECKING:
    from loopgis.layout.plumbing import Plumbing

PURGE_W = 750.0
"""Hydraulic power of a usual flush cart: a pump of 2 hp, some 50 gpm at 35 psi (from memory)."""
PUMP_W_PER_TON = 75.0
"""Good practice for the loop pump (M: facts/thermal section 7)."""
HEAD_SHARE = 0.04
"""Most head per length of circuit pipe, 4 ft per 100 ft (M: facts/thermal section 7)."""
UNEVEN = 0.8
"""Least over greatest flow of a circuit below which it is told: house choice."""
MARGIN_K = 5.0
"""Coldest water over the freezing point: common practice, no source."""
WATER_N_M3 = 9810.0


def plumbing_findings(p: Plumbing | None, units: str) -> list[Finding]:
    """Findings of one layout. p: None when no way of joining its circuits can be purged."""
    if p is None:
        return [
            Finding(
                severity="warning",
                code="no-purge",
                message="no header sizes let every circuit be purged at once: head, pump and order are not computed",
                remedy="circuits of more like length, or another [pipe] header",
            )
        ]
    return [*_purge(p, units), *_pump(p, units), *_head(p, units), *_even(p), *_freeze(p, units)]


def _purge(p: Plumbing, units: str) -> list[Finding]:
    if p.purge.power_w <= PURGE_W:
        return []
    flow, head = flow_text(p.purge.flow_m3_s, units), head_text(p.purge.head_pa, units)
    return [
        Finding(
            severity="warning",
            code="purge-pump",
            message=f"purging all at once takes {flow} at {head}, more than a usual flush cart gives; {p.purge.governs} asks it",
            remedy="valves on the circuits and purge them in groups, or a larger pump",
            measured=p.purge.power_w,
            limit=PURGE_W,
            unit="W",
        )
    ]


def _pump(p: Plumbing, units: str) -> list[Finding]:
    if p.pump_w_per_ton is None or p.pump_w_per_ton <= PUMP_W_PER_TON or p.head_pa is None:
        return []
    what = f"the loop pump would draw {p.pump_w_per_ton:.0f} W a ton at {head_text(p.head_pa, units)}"
    return [
        Finding(
            severity="warning",
            code="pump-power",
            message=f"{what}; good practice is {PUMP_W_PER_TON:.0f}",
            remedy="wider pipe, more circuits side by side, or fewer in series",
            measured=p.pump_w_per_ton,
            limit=PUMP_W_PER_TON,
            unit="W/ton",
        )
    ]


def _head(p: Plumbing, units: str) -> list[Finding]:
    steep = max(((c.loss_pa or 0.0) / WATER_N_M3 / c.pipe_m for c in p.circuits), default=0.0)
    if steep <= HEAD_SHARE:
        return []
    word = "ft" if units == "us" else "m"
    return [
        Finding(
            severity="note",
            code="head-high",
            message=f"a circuit loses {100 * steep:.1f} {word} of head per 100 {word} of pipe; 1 to 3 are usual, 4 at most",
            remedy="wider pipe, or less flow through each circuit",
            measured=steep,
            limit=HEAD_SHARE,
            unit="",
        )
    ]


def _even(p: Plumbing) -> list[Finding]:
    if p.balance is None or p.balance >= UNEVEN:
        return []
    least = min(p.circuits, key=lambda c: c.flow_m3_s or 0.0)
    return [
        Finding(
            severity="note",
            code="uneven-circuits",
            message=f"circuit {least.number} ({', '.join(least.bores)}) gets {p.balance:.0%} of what the fullest one gets",
            remedy="balancing valves in the manifold, or circuits of like length",
            measured=p.balance,
            limit=UNEVEN,
            unit="",
        )
    ]


def _freeze(p: Plumbing, units: str) -> list[Finding]:
    if p.flow_m3_s is None or p.charge.enough or p.charge.mass_share == 0:
        return []
    ice, room = temperature_text(p.charge.freeze_c, units), kelvin_text(p.charge.margin_k, units, 1)
    usual = kelvin_text(MARGIN_K, units, 1)
    return [
        Finding(
            severity="note",
            code="freeze-margin",
            message=f"the fluid begins to freeze at {ice}, {room} below the coldest water; {usual} are usual",
            remedy="more antifreeze, or more bore",
            measured=p.charge.margin_k,
            limit=MARGIN_K,
            unit="K",
        )
    ]
