"""A layout as plumbing: circuits, the way they are joined, flows, head, purge, what it holds.

Circuits are numbered along the pad. Each runs from its tee down one leg of its bores and back the other. Heights cancel in a
closed loop. Temperatures: the coldest and warmest fluid of the heat case; without a demand there is no design flow, and only
purge, volumes and pipe are told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.hydraulics import header_sizes, network, purge
from loopgis.hydraulics.charge import charge
from loopgis.hydraulics.fluid import fluid_of
from loopgis.hydraulics.friction import fitting_k, pump_power_w
from loopgis.layout.drilling import LEGS, SURPLUS_M
from loopgis.layout.heat_case import TON_W
from loopgis.layout.pipe_sizes import inside_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.hydraulics.charge import Charge
    from loopgis.hydraulics.fluid import Fluid, State
    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Header, Pad
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

INDOOR_M = 3.0
"""Header pipe inside the house, one way, from the wall to the heat pump: house choice."""
SHORTEST_M = 0.5
"""A span of a header is no shorter: two fittings and the pipe between them."""
HEADER_SIZES = ("0.75 in", "1 in", "1.25 in", "1.5 in", "2 in", "3 in", "4 in")
MOST_SEARCHED = 16
"""With more circuits "auto" means a pit: the exact search over stepped headers takes minutes."""
MOST_PARTS = 6
"""Lengths of one size that a header is bought in, each way: house choice; it also keeps the exact search short."""
PIT_REACH_M = 12.192
"""Bores that begin within 40 ft of the head of the trench are run to one pit, unless the site file says otherwise: the cheap
layout (S: a maker's guide); the reach is a house choice."""
PIT_WORTH = 1.1
"""One pit has the fewest joints: of all ways of joining it is taken when it asks for a tenth more purge power at most."""
SPARE_K = 5.0
"""Without a demand nobody knows the coldest water: taken so far above the freezing point."""
PURGE_C = 10.0
"""Water for purging, degrees Celsius: house choice."""
NOMINAL_M3_S = 1.9e-4
"""Flow of a circuit that headers are compared at when there is no demand, 3 gpm: house choice."""
NO_DEMAND_C = 5.0
"""Temperature at which a loop without a demand is purged, degrees Celsius."""


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """One circuit at the design flow, coldest fluid.

    number: from 1 on, along the pad; bores: ids, in the order of the flow; pipe_m: all of its pipe, tails included; flow_m3_s,
    velocity_m_s, reynolds_cold, reynolds_warm, loss_pa: None without a demand; holds_m3.
    """

    number: int
    bores: tuple[str, ...]
    pipe_m: float
    holds_m3: float
    flow_m3_s: float | None = None
    velocity_m_s: float | None = None
    reynolds_cold: float | None = None
    reynolds_warm: float | None = None
    loss_pa: float | None = None


@dataclass(frozen=True, kw_only=True)
class Span:
    """A stretch of the header, of one size. side: "supply", "return" or "mains" (both ways); flow_m3_s: at design, None without."""

    name: str
    side: str
    size: str
    length_m: float
    inside_m: float
    purge_m_s: float
    flow_m3_s: float | None = None
    velocity_m_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Purge:
    """What it takes to flush out the air: flow, head of it, hydraulic power, minutes, and the section that asks for it."""

    flow_m3_s: float
    head_pa: float
    power_w: float
    minutes: float
    governs: str


@dataclass(frozen=True, kw_only=True)
class Plumbing:
    """A layout as plumbing.

    joined: "pit", "step down" or "reverse return"; size: of the circuits; flow_m3_s: design, of the whole loop; field_pa: pipes
    and fittings at that flow, coldest fluid; head_pa: with the heat pump; pump_w; pump_w_per_ton; balance: least over greatest
    circuit flow; charge: what all pipes hold, mains included; tried: ways of joining with their purge power, W.
    """

    joined: str
    size: str
    circuits: tuple[Circuit, ...]
    spans: tuple[Span, ...]
    purge: Purge
    charge: Charge
    flow_m3_s: float | None = None
    field_pa: float | None = None
    head_pa: float | None = None
    pump_w: float | None = None
    pump_w_per_ton: float | None = None
    balance: float | None = None
    tried: tuple[tuple[str, float], ...] = ()

    @property
    def mains(self) -> str:
        """Size of the pipes to the house, "" when there are none."""
        return self.spans[0].size if self.spans else ""

    @property
    def pipe_m(self) -> float:
        """All pipe of the circuits."""
        return sum(c.pipe_m for c in self.circuits)


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """Header sizes to choose from: nominal name and inside diameter, narrowest first."""

    names: tuple[str, ...]
    inside_m: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Lay:
    """Where circuits are joined.

    joined: see Plumbing; circuits: pipe of each, in the order of the header; groups: bores of each; spans_m: lengths of the supply
    header's spans, the first from the house; back_m: of the return header's.
    """

    joined: str
    groups: tuple[tuple[Bore, ...], ...]
    pipe_m: tuple[float, ...]
    spans_m: tuple[float, ...]
    back_m: tuple[float, ...]


def sizes_of(site: Site) -> Sizes:
    """Sizes that a header may have: none narrower than the circuits."""
    least = inside_m(site.spec.pipe.size, site.spec.pipe.dr)
    known = [(s, inside_m(s, site.spec.pipe.dr)) for s in HEADER_SIZES]
    fit = [(s, d) for s, d in known if d >= least * (1 - 1e-9)]
    return Sizes(names=tuple(s for s, _ in fit), inside_m=tuple(d for _, d in fit))


# where circuits are joined --------------------------------------------------------------


def lays(bores: Sequence[Bore], pad: Pad, header: Header | None, *, in_series: int, joined: str) -> list[Lay]:
    """The ways of joining the circuits that are wanted, "auto" being all of them.

    The header begins where the trench meets the pad; without a building at the pad's middle, and then it has no mains.
    """
    start = np.array(pad.centre) if header is None else header.xyz[0, :2]
    mains_m = 0.0 if header is None else header.length_m + INDOOR_M
    entries = np.array([[b.x_m[0], b.y_m[0]] for b in bores])
    order = _along_pad(entries, start, pad)
    groups = [tuple(bores[i] for i in order[k : k + in_series]) for k in range(0, len(bores), in_series)]
    places = np.array([np.mean([[b.x_m[0], b.y_m[0]] for b in g], axis=0) for g in groups])
    own = [sum(LEGS * (b.length_m + SURPLUS_M) for b in g) for g in groups]
    between = [sum(math.dist(_entry(a), _entry(b)) for a, b in pairwise(g)) for g in groups]
    found = []
    if joined in {"auto", "pit"}:
        pit = [LEGS * max(math.dist(p, start), SHORTEST_M) for p in places]
        pipe = tuple(o + t + b for o, t, b in zip(own, pit, between, strict=True))
        found.append(Lay(joined="pit", groups=tuple(groups), pipe_m=pipe, spans_m=(mains_m,), back_m=(mains_m,)))
    steps = [max(math.dist(a, b), SHORTEST_M) for a, b in pairwise(places)]
    first = mains_m + max(math.dist(start, places[0]), SHORTEST_M)
    tails = tuple(o + LEGS * SHORTEST_M + b for o, b in zip(own, between, strict=True))
    if joined == "step down" or (joined == "auto" and len(groups) > 1):
        spans = (first, *steps)
        found.append(Lay(joined="step down", groups=tuple(groups), pipe_m=tails, spans_m=spans, back_m=spans))
    if joined == "reverse return" or (joined == "auto" and len(groups) > 1):
        home = mains_m + max(math.dist(start, places[-1]), SHORTEST_M)
        back = (*steps, home)
        found.append(
            Lay(joined="reverse return", groups=tuple(groups), pipe_m=tails, spans_m=(first, *steps), back_m=back)
        )
    return found


def _entry(b: Bore) -> tuple[float, float]:
    return float(b.x_m[0]), float(b.y_m[0])


def _along_pad(entries: Array, start: Array, pad: Pad) -> list[int]:
    """Order of the entries along the pad's long side, from the end where the header begins."""
    axis = math.radians(pad.axis_deg)
    along = entries @ np.array([math.sin(axis), math.cos(axis)])
    order = np.argsort(along.round(6), kind="stable")
    away = [float(np.linalg.norm(entries[order[k]] - start)) for k in (0, -1)]
    return [int(i) for i in (order if away[0] <= away[1] + 1e-9 else order[::-1])]


# the network --------------------------------------------------------------


def circuit_pipes(lay: Lay, inside: float) -> list[network.Pipe]:
    """Circuits as pipes with their fittings: a U-bend in every bore, two branches of tees, a joint at every change."""
    made = []
    for group, length in zip(lay.groups, lay.pipe_m, strict=True):
        k = len(group) * (fitting_k("u_bend") + 2 * fitting_k("socket_joint")) + 2 * fitting_k("tee_branch")
        made.append(network.Pipe(length_m=length, inside_diameter_m=inside, minor_k=k))
    return made


def sections_of(lay: Lay, inside: float, supply_m: Sequence[float], back_m: Sequence[float]) -> list[network.Section]:
    """All pipes between supply and return. supply_m, back_m: inside diameters of the spans."""
    circuits = circuit_pipes(lay, inside)
    if lay.joined == "pit":
        if lay.spans_m[0] <= 0:
            return network.fan(circuits)
        main = {"length_m": lay.spans_m[0], "minor_k": 2 * fitting_k("elbow_90")}
        return [
            *(c.between("out", "in", f"circuit {i + 1}") for i, c in enumerate(circuits)),
            network.Section(start=network.SUPPLY, end="out", inside_diameter_m=supply_m[0], name="supply 1", **main),
            network.Section(start="in", end=network.RETURN, inside_diameter_m=back_m[0], name="return 1", **main),
        ]
    run = fitting_k("tee_run")

    def spans(lengths: Sequence[float], inner: Sequence[float]) -> list[network.Pipe]:
        return [
            network.Pipe(length_m=length, inside_diameter_m=d, minor_k=run)
            for length, d in zip(lengths, inner, strict=True)
        ]

    return network.header(
        circuits,
        supply=spans(lay.spans_m, supply_m),
        back=spans(lay.back_m, back_m),
        reverse=lay.joined == "reverse return",
    )


def parts_of(lay: Lay, sizes: Sizes) -> tuple[list[header_sizes.Part], list[list[int]]]:
    """What is bought in one size, and the chains along which sizes never grow away from the house.

    Long headers are bought in at most MOST_PARTS lengths of one size each.
    """
    first = len(lay.groups)
    count = len(lay.spans_m)
    most = MOST_PARTS if count <= MOST_SEARCHED else 2
    runs = [list(r) for r in np.array_split(np.arange(count), min(count, most))]
    if lay.joined == "reverse return":
        home = [list(r) for r in np.array_split(np.arange(count)[::-1], len(runs))]
        supply = [
            header_sizes.Part(sections=tuple(first + i for i in r), inside_diameters_m=sizes.inside_m) for r in runs
        ]
        back = [
            header_sizes.Part(sections=tuple(first + count + i for i in r), inside_diameters_m=sizes.inside_m)
            for r in home
        ]
        return [*supply, *back], [list(range(len(runs))), list(range(len(runs), 2 * len(runs)))]
    both = [
        header_sizes.Part(
            sections=(*(first + i for i in r), *(first + count + i for i in r)), inside_diameters_m=sizes.inside_m
        )
        for r in runs
    ]
    return both, [list(range(len(both)))]


def plumbed(site: Site, bores: Sequence[Bore], pad: Pad, header: Header | None, heat: Heat | None) -> Plumbing | None:
    """A layout as plumbing, joined in the wanted way, or in the one purged with the least power; None when none is."""
    if not bores:
        return None
    spec = site.spec.pipe
    sizes, inside = sizes_of(site), inside_m(spec.size, spec.dr)
    fluid = fluid_of(spec.fluid, where=f"{site.spec.path} [pipe] fluid")
    water = fluid_of("water", where="water").state(PURGE_C)
    cold = fluid.state(max(NO_DEMAND_C, fluid.freeze_c + 1)) if heat is None else heat.case.state("heating")
    ways: list[tuple[Lay, header_sizes.Sizes]] = []
    joined = spec.header
    if joined == "auto" and (len(bores) > MOST_SEARCHED * spec.in_series or _near(bores, pad, header)):
        joined = "pit"
    for lay in lays(bores, pad, header, in_series=spec.in_series, joined=joined):
        flow = len(lay.groups) * NOMINAL_M3_S if heat is None else heat.case.flow_m3_s
        widest = [sizes.inside_m[-1]] * len(lay.spans_m)
        sections = sections_of(lay, inside, widest, widest)
        open_sizes = lay.joined != "pit" or lay.spans_m[0] > 0
        parts, chains = parts_of(lay, sizes) if open_sizes else ([], [])
        likely = None
        if lay.joined == "reverse return" and ways and ways[-1][0].joined == "step down":
            likely = 2 * ways[-1][1].inside_diameters_m  # its way home, from the last span inwards, in the same steps
        try:
            chosen = (
                header_sizes.choose_sizes(
                    sections,
                    parts=parts,
                    chains=chains,
                    design_flow_m3_s=flow,
                    design_liquid=cold,
                    purge_liquid=water,
                    begin=likely,
                )
                if parts
                else _as_it_is(sections, flow_m3_s=flow, cold=cold, water=water)
            )
        except RangeError:  # no flow purges every section: another way of joining may do
            continue
        ways.append((lay, chosen))
    if not ways:
        return None
    least = min(chosen.purge.power_w for _, chosen in ways)
    near = [w for w in ways if w[1].purge.power_w <= least * PIT_WORTH]
    lay, chosen = near[0] if near[0][0].joined == "pit" else min(near, key=lambda w: (w[1].purge.power_w, w[0].joined))
    tried = tuple((w[0].joined, w[1].purge.power_w) for w in ways)
    warm = None if heat is None else heat.case.state("cooling")
    return _told(site, lay, chosen, fluid=fluid, warm=warm, heat=heat, tried=tried)


def _as_it_is(
    sections: Sequence[network.Section], *, flow_m3_s: float, cold: State, water: State
) -> header_sizes.Sizes:
    """Circuits in a pit without a header: no size is open."""
    cleared = purge.purge_flow(sections, liquid=water)
    used = network.solve(sections, flow_m3_s=flow_m3_s, liquid=cold)
    return header_sizes.Sizes(
        inside_diameters_m=(),
        sections=tuple(sections),
        purge=cleared,
        design=used,
        figures=(cleared.power_w, used.total_pa),
        nodes=0,
        leaves=1,
    )


def _near(bores: Sequence[Bore], pad: Pad, header: Header | None) -> bool:
    """Do all bores begin so near to the head of the trench that one pit takes them."""
    start = np.array(pad.centre) if header is None else header.xyz[0, :2]
    return all(math.dist(_entry(b), start) <= PIT_REACH_M for b in bores)


def _told(
    site: Site,
    lay: Lay,
    chosen: header_sizes.Sizes,
    *,
    fluid: Fluid,
    warm: State | None,
    heat: Heat | None,
    tried: tuple[tuple[str, float], ...],
) -> Plumbing:
    spec, sizes = site.spec.pipe, sizes_of(site)
    design, cleared = chosen.design, chosen.purge
    n = len(lay.groups)
    circuits = []
    for i, group in enumerate(lay.groups):
        s = chosen.sections[i]
        figures: dict[str, float] = {}
        if heat is not None and warm is not None:
            flow = float(design.flow_m3_s[i])
            figures = {
                "flow_m3_s": flow,
                "velocity_m_s": float(design.velocity_m_s[i]),
                "reynolds_cold": float(design.reynolds[i]),
                "reynolds_warm": warm.reynolds(flow, s.inside_diameter_m),
                "loss_pa": float(design.loss_pa[i]),
            }
        circuits.append(
            Circuit(
                number=i + 1,
                bores=tuple(b.bore_id for b in group),
                pipe_m=lay.pipe_m[i],
                holds_m3=s.volume_m3,
                **figures,
            )
        )
    spans = [
        Span(
            name=s.name,
            side=s.name.split()[0],
            size=sizes.names[int(np.argmin([abs(d - s.inside_diameter_m) for d in sizes.inside_m]))],
            length_m=s.length_m,
            inside_m=s.inside_diameter_m,
            purge_m_s=float(cleared.flows.velocity_m_s[n + k]),
            flow_m3_s=None if heat is None else float(design.flow_m3_s[n + k]),
            velocity_m_s=None if heat is None else float(design.velocity_m_s[n + k]),
        )
        for k, s in enumerate(chosen.sections[n:])
    ]
    holds = cleared.volume_m3
    leaving = None if heat is None else heat.leaving_min_c
    lowest = leaving if leaving is not None else fluid.freeze_c + SPARE_K
    used: dict[str, float] = {}
    if heat is not None:
        head = design.total_pa + spec.heat_pump_pa
        power = float(
            pump_power_w(
                flow_m3_s=design.total_m3_s,
                loss_pa=design.total_pa,
                heat_pump_pa=spec.heat_pump_pa,
                efficiency=spec.pump_efficiency,
            )
        )
        least, most = min(c.flow_m3_s or 0.0 for c in circuits), max(c.flow_m3_s or 0.0 for c in circuits)
        used = {
            "flow_m3_s": design.total_m3_s,
            "field_pa": design.total_pa,
            "head_pa": head,
            "pump_w": power,
            "pump_w_per_ton": power / (heat.case.loads.peak_w / TON_W),
            "balance": least / most,
        }
    return Plumbing(
        joined=lay.joined,
        size=spec.size,
        circuits=tuple(circuits),
        spans=tuple(spans),
        purge=Purge(
            flow_m3_s=cleared.flow_m3_s,
            head_pa=cleared.total_pa,
            power_w=cleared.power_w,
            minutes=cleared.time_s / 60,
            governs=chosen.sections[cleared.governs].name,
        ),
        charge=charge(volume_m3=holds, fluid=fluid, lowest_loop_c=lowest),
        tried=tried,
        **used,
    )


def plumbing_figures(p: Plumbing | None) -> dict[str, Any]:
    """What the plumbing adds to the figures of a layout, by field of `Evaluation`."""
    if p is None:
        return {}
    return {
        "head_kpa": None if p.head_pa is None else p.head_pa / 1000,
        "flow_l_s": None if p.flow_m3_s is None else 1000 * p.flow_m3_s,
        "pump_w": p.pump_w,
        "balance": p.balance,
        "purge_l_s": 1000 * p.purge.flow_m3_s,
        "purge_kpa": p.purge.head_pa / 1000,
        "purge_w": p.purge.power_w,
        "loop_m3": p.charge.volume_m3,
        "antifreeze_m3": p.charge.antifreeze_m3,
    }
