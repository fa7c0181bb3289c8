"""Driving the air out of a loop: the flow that moves every section fast enough, and header sizes that keep it small.

Wanted is 2 ft/s in EVERY section at once, kept up for 15 minutes after the last bubbles (S: federal guide specification UFGS 15741;
a regional programme standard says 2 ft/s for 15 minutes). Which sizes of a header keep it small: `loopgis.hydraulics.header_sizes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.hydraulics.friction import ROUGHNESS_M
from loopgis.hydraulics.network import RETURN, SUPPLY, Flows, Liquid, Net, Section, net_of, solve_net

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PURGE_M_S = 0.6096
"""2 ft/s (S: UFGS 15741); DESIGN says 0.6 m/s, which is 1.6 % less."""
HOLD_S = 900.0
"""15 minutes after the last bubbles (S: UFGS 15741)."""
MOST_TIMES = 1e4
"""A flow this many times the least conceivable one is taken for none."""


@dataclass(frozen=True, kw_only=True)
class Purge:
    """What purging asks of the pump.

    flow_m3_s: least that moves every section at the wanted velocity; governs: number of the section that is slowest then; flows:
    the whole division; total_pa, head_m: source over sink; power_w: hydraulic, before the pump's own losses; volume_m3: of all
    sections; change_s: volume over flow; slowest_s: what the slowest way through takes; hold_s: after the last bubbles; time_s: so
    many changes of the slowest way, and the hold.
    """

    flow_m3_s: float
    governs: int
    flows: Flows
    total_pa: float
    head_m: float
    power_w: float
    volume_m3: float
    change_s: float
    slowest_s: float
    hold_s: float
    time_s: float


def purge_flow(
    sections: Sequence[Section],
    *,
    source: str = SUPPLY,
    sink: str = RETURN,
    liquid: Liquid,
    roughness_m: float = ROUGHNESS_M,
    velocity_m_s: float = PURGE_M_S,
    changes: float = 2.0,
    hold_s: float = HOLD_S,
    most_w: float = np.inf,
) -> Purge:
    """The least flow whose division moves every section at a velocity or faster, and what it takes.

    sections, source, sink, roughness_m: as in `loopgis.hydraulics.network.solve`; liquid: what is pumped for purging, usually
    water; velocity_m_s: wanted; changes: how often the slowest way through is filled anew before the hold (two: common practice, no
    source); hold_s: afterwards. The search goes up from the flow that the widest section needs alone, which no answer can be below,
    to the first flow that serves. Where sections lie only one after another or side by side (fans, series, direct return) every
    velocity grows with the total, and the first is the least. Elsewhere (reverse return) a pipe across could slow down in
    between; the answer then still serves. Raises RangeError for a bad figure, for a section that no flow moves, and as soon as
    more than most_w is known to be needed.
    """
    net = net_of(sections, source=source, sink=sink, liquid=liquid, roughness_m=roughness_m)
    return purge_net(net, velocity_m_s=velocity_m_s, changes=changes, hold_s=hold_s, most_w=most_w)


def purge_net(
    net: Net,
    *,
    velocity_m_s: float = PURGE_M_S,
    changes: float = 2.0,
    hold_s: float = HOLD_S,
    most_w: float = np.inf,
) -> Purge:
    """As `purge_flow`, of a network made ready with the liquid that is pumped. Raises RangeError as that does."""
    positive(velocity_m_s=velocity_m_s)
    not_negative(changes=changes, hold_s=hold_s)
    wanted = velocity_m_s * np.array([s.area_m2 for s in net.sections])
    flows = _least(net, wanted, most_w)
    total = flows.total_m3_s
    volume = sum(s.volume_m3 for s in net.sections)
    slowest = _slowest_s(flows)
    return Purge(
        flow_m3_s=total,
        governs=int(np.argmin(np.abs(flows.flow_m3_s) / wanted)),
        flows=flows,
        total_pa=flows.total_pa,
        head_m=flows.head_m,
        power_w=total * flows.total_pa,
        volume_m3=volume,
        change_s=volume / total,
        slowest_s=slowest,
        hold_s=hold_s,
        time_s=changes * slowest + hold_s,
    )


def _least(net: Net, wanted: Array, most_w: float) -> Flows:
    """Flows at the first total that gives every section what it wants, within 1e-10 and never below by more than rounding."""
    floor = float(wanted.max())

    def at(total: float, near: Array | None) -> tuple[Flows, float]:
        flows = solve_net(net, flow_m3_s=total, near=near)
        reached = float(np.min(np.abs(flows.flow_m3_s) / wanted))
        if (
            reached < 1 - 1e-12 and total * flows.total_pa > most_w
        ):  # what is too little needs less power than what serves
            raise RangeError("most_w", f"{most_w:g} W do not purge it", "other sizes, or more power")
        return flows, reached

    low, (flows, reached) = floor, at(floor, None)
    low_reached = reached
    while reached < 1 - 1e-12:
        low, low_reached = flows.total_m3_s, reached
        if reached < 1e-9 or low > MOST_TIMES * floor:
            i = int(np.argmin(np.abs(flows.flow_m3_s) / wanted))
            where = f"section {flows.sections[i].name or i}"
            raise RangeError(
                where, "no flow moves it fast enough", "close other ways while it is purged, or lay it anew"
            )
        high = low * min(1.0001 / reached, 1.5)
        flows, reached = at(high, flows.flow_m3_s * (high / low))
    if low == flows.total_m3_s:
        return flows
    # between low, which is too little, and the flows at hand, which serve: chords of what is missing
    high, side = flows.total_m3_s, 0
    f_low, f_high = low_reached - 1, reached - 1
    for _ in range(100):
        if high - low <= 1e-11 * high or f_high <= 1e-12:
            break
        middle = low + (high - low) * (-f_low / (f_high - f_low))
        if not low < middle < high:
            middle = (low + high) / 2
        trial, reached = at(middle, flows.flow_m3_s * (middle / high))
        if reached >= 1 - 1e-12:
            flows, high, f_high = trial, middle, max(reached - 1, 0.0)
            f_low = f_low / 2 if side > 0 else f_low
            side = 1
        else:
            low, f_low = middle, reached - 1
            f_high = f_high / 2 if side < 0 else f_high
            side = -1
    return flows


def _slowest_s(flows: Flows) -> float:
    """Longest time that anything takes from source to sink: nodes in the order of their pressure."""
    order = sorted(flows.pressure_pa, key=lambda n: -flows.pressure_pa[n])
    leaving: dict[str, list[tuple[str, float]]] = {n: [] for n in order}
    for s, q in zip(flows.sections, flows.flow_m3_s.tolist(), strict=True):
        start, end = (s.start, s.end) if q > 0 else (s.end, s.start)
        leaving[start].append((end, s.volume_m3 / abs(q)))
    arrival = {flows.source: 0.0}
    for node in order:
        for end, time in leaving[node]:
            if node in arrival:
                arrival[end] = max(arrival.get(end, 0.0), arrival[node] + time)
    return arrival[flows.sink]
