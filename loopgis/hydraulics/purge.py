"""Driving the air out of a loop: the flow that moves every section fast enough, and header sizes that keep it small.

Wanted is 2 ft/s in EVERY section at once, kept up for 15 minutes after the last bubbles (S: federal guide specification UFGS 15741;
a regional programme standard says 2 ft/s for 15 minutes). A wide header is slow, a narrow one costs head in use: `choose_sizes`
searches all sizes that a header may have and proves its choice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.hydraulics.friction import ROUGHNESS_M, PipeLaw, pipe_law
from loopgis.hydraulics.network import RETURN, SUPPLY, Flows, Liquid, Net, Section, net_of, solve, solve_net

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PURGE_M_S = 0.6096
"""2 ft/s (S: UFGS 15741); DESIGN says 0.6 m/s, which is 1.6 % less."""
HOLD_S = 900.0
"""15 minutes after the last bubbles (S: UFGS 15741)."""
MOST_TIMES = 1e4
"""A flow this many times the least conceivable one is taken for none."""

Goal = Literal["purge_power_w", "purge_flow_m3_s", "purge_pa", "design_pa", "volume_m3"]


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
) -> Purge:
    """The least flow whose division moves every section at a velocity or faster, and what it takes.

    sections, source, sink, roughness_m: as in `loopgis.hydraulics.network.solve`; liquid: what is pumped for purging, usually
    water; velocity_m_s: wanted; changes: how often the slowest way through is filled anew before the hold (two: common practice, no
    source); hold_s: afterwards. The search goes up from the flow that the widest section needs alone, which no answer can be below,
    to the first flow that serves. Where sections lie only one after another or side by side (fans, series, direct return) every
    velocity grows with the total, and the first is the least. Elsewhere (reverse return) a pipe across could slow down in
    between; the answer then still serves. Raises RangeError for a bad figure, or for a section that no flow moves.
    """
    net = net_of(sections, source=source, sink=sink, liquid=liquid, roughness_m=roughness_m)
    return _purge(net, velocity_m_s=velocity_m_s, changes=changes, hold_s=hold_s)


def _purge(net: Net, *, velocity_m_s: float, changes: float, hold_s: float) -> Purge:
    positive(velocity_m_s=velocity_m_s)
    not_negative(changes=changes, hold_s=hold_s)
    wanted = velocity_m_s * np.array([s.area_m2 for s in net.sections])
    flows = _least(net, wanted)
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


def _least(net: Net, wanted: Array) -> Flows:
    """Flows at the first total that gives every section what it wants, within 1e-10 and never below by more than rounding."""
    floor = float(wanted.max())

    def at(total: float, near: Array | None) -> tuple[Flows, float]:
        flows = solve_net(net, flow_m3_s=total, near=near)
        return flows, float(np.min(np.abs(flows.flow_m3_s) / wanted))

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


# sizes of a header --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Part:
    """Sections of a header that are bought in one size (a span and the one beside it), and the sizes that they may have.

    sections: their numbers; inside_diameters_m: allowed, in any order.
    """

    sections: tuple[int, ...]
    inside_diameters_m: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """The best sizes, with what they give.

    inside_diameters_m: of each part; sections: with these sizes; purge; design: at the flow in use; figures: by goal, in the order
    of the goals; nodes, leaves: how many parts of the search were looked at, and how many full choices were worked out.
    """

    inside_diameters_m: tuple[float, ...]
    sections: tuple[Section, ...]
    purge: Purge
    design: Flows
    figures: tuple[float, ...]
    nodes: int
    leaves: int


@dataclass(frozen=True, kw_only=True)
class Field:
    """A field whose header waits for its sizes. See `choose_sizes`, whose arguments these are."""

    sections: tuple[Section, ...]
    parts: tuple[Part, ...]
    chains: tuple[tuple[int, ...], ...]
    source: str
    sink: str
    design_flow_m3_s: float
    design_liquid: Liquid
    purge_liquid: Liquid
    roughness_m: float
    velocity_m_s: float


def choose_sizes(
    sections: Sequence[Section],
    *,
    parts: Sequence[Part],
    chains: Sequence[Sequence[int]],
    source: str = SUPPLY,
    sink: str = RETURN,
    design_flow_m3_s: float,
    design_liquid: Liquid,
    purge_liquid: Liquid,
    design_limit_pa: float = np.inf,
    goals: Sequence[Goal] = ("purge_power_w", "design_pa"),
    roughness_m: float = ROUGHNESS_M,
    velocity_m_s: float = PURGE_M_S,
) -> Sizes:
    """The sizes of a header that serve the goals best, by a search that leaves nothing out.

    sections: the whole field, each in the sense of its flow; those in `parts` take their sizes from there. parts: see `Part`;
    chains: numbers of parts in the order away from the pump, along which sizes never grow (for a reverse return give that of the
    return header from its last span, the way home, inwards, or leave it out); design_flow_m3_s, design_liquid: in use;
    purge_liquid: while purging; design_limit_pa: most that pipes may lose in use; goals: in the order of weight, smaller is better,
    a later one decides only between choices that agree in all earlier ones to nine digits: "purge_power_w" (hydraulic),
    "purge_flow_m3_s", "purge_pa", "design_pa" (lost in use), "volume_m3" (of the whole field). What is still equal goes to the
    narrower sizes, first part first. A choice counts only when every section flows in its own sense while purging.

    The search sets the parts one by one, takes the ends off the other parts' open sizes, and drops what provably cannot win: a
    flow that serves gives every section q >= A v; the loss between two nodes is at least that of any way between them, so a
    section beside a long way carries at least the flow that loses as much; nodes pass such flows on. Repeated, this bounds purge
    flow and purge pressure from below for any network.
    Where sections lie only one after another or side by side, the widest sizes still open lose least at any total: that bounds the
    loss in use, and the pressure at the least purge flow.
    Raises RangeError for bad figures and when no sizes serve. Source: own; proved against enumeration in the tests.
    """
    positive(design_flow_m3_s=design_flow_m3_s, velocity_m_s=velocity_m_s)
    if not design_limit_pa > 0:
        raise RangeError("design_limit_pa", f"{design_limit_pa:g} is not above 0", "give the most that pipes may lose")
    known = ("purge_power_w", "purge_flow_m3_s", "purge_pa", "design_pa", "volume_m3")
    if not goals or len(set(goals)) < len(goals) or not set(goals) <= set(known):
        raise RangeError("goals", f"{tuple(goals)} are not different known ones", f"some of {', '.join(known)}")
    _check_parts(sections, parts, chains)
    field = Field(
        sections=tuple(sections),
        parts=tuple(replace(p, inside_diameters_m=tuple(sorted(set(p.inside_diameters_m)))) for p in parts),
        chains=tuple(tuple(c) for c in chains),
        source=source,
        sink=sink,
        design_flow_m3_s=design_flow_m3_s,
        design_liquid=design_liquid,
        purge_liquid=purge_liquid,
        roughness_m=roughness_m,
        velocity_m_s=velocity_m_s,
    )
    search = _Search(field, design_limit_pa, tuple(goals))
    search.look({i: p.inside_diameters_m for i, p in enumerate(field.parts)})
    if search.best is None:
        what = "no sizes let every section be purged within the limit on the loss in use"
        raise RangeError("parts", what, "allow other sizes, raise design_limit_pa, or make circuits more alike")
    return replace(search.best, nodes=search.nodes, leaves=search.leaves)


def figures_of(field: Field, sizes: Sequence[float], goals: Sequence[Goal]) -> Sizes | None:
    """One full choice of sizes worked out; None when it cannot be purged, or only with a section flowing the wrong way."""
    sections = list(field.sections)
    for part, size in zip(field.parts, sizes, strict=True):
        for i in part.sections:
            sections[i] = replace(sections[i], inside_diameter_m=size)
    try:
        purge = purge_flow(
            sections,
            source=field.source,
            sink=field.sink,
            liquid=field.purge_liquid,
            roughness_m=field.roughness_m,
            velocity_m_s=field.velocity_m_s,
        )
    except RangeError:
        return None
    if np.any(purge.flows.flow_m3_s <= 0):
        return None
    design = solve(
        sections,
        source=field.source,
        sink=field.sink,
        flow_m3_s=field.design_flow_m3_s,
        liquid=field.design_liquid,
        roughness_m=field.roughness_m,
    )
    have = {
        "purge_power_w": purge.power_w,
        "purge_flow_m3_s": purge.flow_m3_s,
        "purge_pa": purge.total_pa,
        "design_pa": design.total_pa,
        "volume_m3": purge.volume_m3,
    }
    return Sizes(
        inside_diameters_m=tuple(sizes),
        sections=tuple(sections),
        purge=purge,
        design=design,
        figures=tuple(have[g] for g in goals),
        nodes=0,
        leaves=0,
    )


def better(one: Sizes, other: Sizes) -> bool:
    """Whether one choice is better: in the first goal in which they differ by more than nine digits, else by narrower sizes."""
    for a, b in zip(one.figures, other.figures, strict=True):
        if abs(a - b) > 1e-9 * max(abs(a), abs(b)):
            return a < b
    return one.inside_diameters_m < other.inside_diameters_m


class _Search:
    """Depth first over the parts, the child with the lowest bound first."""

    def __init__(self, field: Field, limit_pa: float, goals: tuple[Goal, ...]) -> None:
        self.field, self.limit_pa, self.goals = field, limit_pa, goals
        self.best: Sizes | None = None
        self.nodes = self.leaves = 0
        self.bounds = _Bounds(field)

    def look(self, open_sizes: Mapping[int, tuple[float, ...]]) -> None:
        """Search everything that some open sizes hold."""
        held = self._shaved(_in_chains(open_sizes, self.field.chains))
        if held is None:
            return
        self.nodes += 1
        if all(len(sizes) == 1 for sizes in held.values()):
            self._leaf([held[i][0] for i in range(len(self.field.parts))])
            return
        part = next(i for i in range(len(self.field.parts)) if len(held[i]) > 1)
        children = []
        for size in held[part]:
            child = _in_chains({**held, part: (size,)}, self.field.chains)
            if child is not None:
                children.append((self.bounds.of(child), size, child))
        for bound, _, child in sorted(children, key=lambda c: (tuple(c[0].get(g, 0.0) for g in self.goals), c[1])):
            if not self._hopeless(bound):
                self.look(child)

    def _shaved(self, held: dict[int, tuple[float, ...]] | None) -> dict[int, tuple[float, ...]] | None:
        """Open sizes without the narrowest and widest of each part that provably cannot win; None when nothing can."""
        if self.best is None:
            return held
        for part in range(len(self.field.parts)):
            for end in (-1, 0):
                while held is not None and len(held[part]) > 1:
                    rest = held[part][:-1] if end else held[part][1:]
                    trial = _in_chains({**held, part: (held[part][end],)}, self.field.chains)
                    if trial is not None and not self._hopeless(self.bounds.of(trial)):
                        break
                    held = _in_chains({**held, part: rest}, self.field.chains)
        return held

    def _leaf(self, sizes: Sequence[float]) -> None:
        self.leaves += 1
        got = figures_of(self.field, sizes, self.goals)
        if got is None or got.design.total_pa > self.limit_pa:
            return
        if self.best is None or better(got, self.best):
            self.best = got

    def _hopeless(self, bound: Mapping[str, float]) -> bool:
        """Whether nothing with figures at or above these can be better than the best so far."""
        if bound["design_pa"] > self.limit_pa * (1 + 1e-9):
            return True
        if self.best is None:
            return bound["purge_flow_m3_s"] == np.inf
        for goal, best in zip(self.goals, self.best.figures, strict=True):
            if bound[goal] > best * (1 + 1e-8):
                return True
            if bound[goal] < best * (1 - 1e-9):
                return False
        return False


class _Bounds:
    """Lower bounds of all goals over whatever sizes are still open."""

    def __init__(self, field: Field) -> None:
        self.field = field
        net = net_of(field.sections, source=field.source, sink=field.sink, liquid=field.purge_liquid)
        self.ends, self.count = net.ends, len(net.nodes)
        self.source, self.sink = net.nodes.index(field.source), net.nodes.index(field.sink)
        self.layers = _is_layered(net.ends.tolist(), self.source, self.sink)
        self.into = [np.flatnonzero(net.ends[:, 1] == n) for n in range(self.count)]
        self.out = [np.flatnonzero(net.ends[:, 0] == n) for n in range(self.count)]

    def of(self, held: Mapping[int, tuple[float, ...]]) -> dict[str, float]:
        """Lower bounds by goal; infinite purge flow where flows cannot all go in their sense."""
        narrow = self._sections({part: min(sizes) for part, sizes in held.items()})
        wide = self._sections({part: max(sizes) for part, sizes in held.items()})
        flow, loss = self._purge(narrow, wide)
        design = 0.0
        if self.layers and flow < np.inf:
            loss = max(loss, self._total_pa(wide, flow, self.field.purge_liquid) * (1 - 1e-10))
            design = self._total_pa(wide, self.field.design_flow_m3_s, self.field.design_liquid)
        return {
            "purge_flow_m3_s": flow,
            "purge_pa": loss,
            "purge_power_w": flow * loss,
            "design_pa": design,
            "volume_m3": sum(s.volume_m3 for s in narrow),
        }

    def _sections(self, sizes: Mapping[int, float]) -> list[Section]:
        sections = list(self.field.sections)
        for part, size in sizes.items():
            for i in self.field.parts[part].sections:
                sections[i] = replace(sections[i], inside_diameter_m=size)
        return sections

    def _total_pa(self, sections: Sequence[Section], flow_m3_s: float, liquid: Liquid) -> float:
        ends = {"source": self.field.source, "sink": self.field.sink}
        return solve(sections, **ends, flow_m3_s=flow_m3_s, liquid=liquid, roughness_m=self.field.roughness_m).total_pa

    def _purge(self, narrow: Sequence[Section], wide: Sequence[Section]) -> tuple[float, float]:
        least = self.field.velocity_m_s * np.array([s.area_m2 for s in narrow])
        of_narrow, of_wide = (_law(s, self.field) for s in (narrow, wide))
        total, loss = 0.0, 0.0
        backwards = self.into[self.source].size or self.out[self.sink].size
        for _ in range(4 * self.count + 4):
            way = self._longest(of_wide.loss_pa(least)[0])
            if backwards or np.any(np.diag(way) > 0):  # or a ring of losses in one sense
                return np.inf, np.inf
            between = way[self.ends[:, 0], self.ends[:, 1]]
            flow = np.maximum(least, of_narrow.flow_m3_s(between))
            for n in range(self.count):
                self._pass_on(n, flow)
            total, loss = float(flow[self.out[self.source]].sum()), float(way[self.source, self.sink])
            total = max(total, float(flow[self.into[self.sink]].sum()), float(flow.max()))
            if np.all(flow <= least * (1 + 1e-10)):
                break
            least = flow
        return total * (1 - 1e-10), loss * (1 - 1e-10)

    def _pass_on(self, node: int, flow: Array) -> None:
        """What a node with one way in, or one out, says of that way."""
        if node in {self.source, self.sink}:
            return
        into, out = self.into[node], self.out[node]
        if len(into) == 1:
            flow[into[0]] = max(flow[into[0]], float(flow[out].sum()))
        if len(out) == 1:
            flow[out[0]] = max(flow[out[0]], float(flow[into].sum()))

    def _longest(self, loss: Array) -> Array:
        way = np.full((self.count, self.count), -np.inf)
        np.fill_diagonal(way, 0.0)
        np.maximum.at(way, (self.ends[:, 0], self.ends[:, 1]), loss)
        for n in range(self.count):
            np.maximum(way, way[:, n, None] + way[None, n, :], out=way)
        return way


def _law(sections: Sequence[Section], field: Field) -> PipeLaw:
    return pipe_law(
        length_m=np.array([s.length_m for s in sections]),
        inside_diameter_m=np.array([s.inside_diameter_m for s in sections]),
        minor_k=np.array([s.minor_k for s in sections]),
        roughness_m=field.roughness_m,
        density_kg_m3=field.purge_liquid.density_kg_m3,
        viscosity_pa_s=field.purge_liquid.viscosity_pa_s,
    )


def _in_chains(
    open_sizes: Mapping[int, tuple[float, ...]], chains: Sequence[Sequence[int]]
) -> dict[int, tuple[float, ...]] | None:
    """Open sizes without those that no neighbour along a chain allows; None when one has nothing left."""
    held = dict(open_sizes)
    changed = True
    while changed:
        changed = False
        for chain in chains:
            for near, far in pairwise(chain):
                if not held[near] or not held[far]:
                    return None
                nears = tuple(d for d in held[near] if d >= min(held[far]))
                fars = tuple(d for d in held[far] if d <= max(held[near]))
                changed = changed or (nears, fars) != (held[near], held[far])
                held[near], held[far] = nears, fars
    return held if all(held.values()) else None


def _is_layered(ends: Sequence[Sequence[int]], source: int, sink: int) -> bool:
    """Whether sections lie only side by side or one after another between source and sink (a series-parallel network)."""
    pairs = {(min(a, b), max(a, b)) for a, b in ends}  # side by side: one
    while True:
        beside: dict[int, set[tuple[int, int]]] = {}
        for pair in pairs:
            for node in pair:
                beside.setdefault(node, set()).add(pair)
        middle = next((n for n in sorted(beside) if n not in {source, sink} and len(beside[n]) <= 2), None)
        if middle is None:
            return pairs == {(min(source, sink), max(source, sink))}
        pairs -= beside[middle]
        far = [a if b == middle else b for a, b in beside[middle]]
        if len(far) == 2:  # one after another; a single one leads nowhere
            pairs.add((min(far), max(far)))


def _check_parts(sections: Sequence[Section], parts: Sequence[Part], chains: Sequence[Sequence[int]]) -> None:
    if not parts:
        raise RangeError("parts", "holds nothing", "give the sections whose sizes are open")
    seen: set[int] = set()
    for number, part in enumerate(parts):
        positive(**{f"part {number} inside_diameters_m": part.inside_diameters_m})
        if not part.sections or min(part.sections) < 0 or max(part.sections) >= len(sections):
            raise RangeError(f"part {number}", "names no section, or one that is not there", "count sections from 0")
        if seen & set(part.sections) or len(set(part.sections)) < len(part.sections):
            raise RangeError(f"part {number}", "names a section twice", "a section has one size")
        seen |= set(part.sections)
    for chain in chains:
        if any(not 0 <= i < len(parts) for i in chain):
            raise RangeError("chains", f"{tuple(chain)} names a part that is not there", "count parts from 0")
