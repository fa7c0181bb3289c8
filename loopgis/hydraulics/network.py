"""Pipes between nodes: how a flow divides, and the pressure at every node.

A network is a list of sections, each from one node to another in the sense in which its flow counts positive. A closed loop pumps
against friction alone: heights cancel, so pressures here are over the node of return and leave the fluid's weight out.

The division of the flow is the one that loses least (its content, the sum of the integrals of loss over flow, is strictly convex),
so there is exactly one. It is found by Newton's method on the loops: a spanning tree of the sections that resist least, one loop
for each section left over, flows that fit together at every node by construction, and a step shortened or stretched until the slope
of the content along it has fallen to half: that cannot hang, in whatever regime the sections are. Losses are Churchill's, smooth
from rest to full turbulence.

Ways of laying pipes: `fan`, `in_series`, `header` (direct or reverse return, stepped down by the spans' diameters).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from loopgis.core.errors import LoopgisError, RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.hydraulics.friction import GRAVITY_M_S2, ROUGHNESS_M, PipeLaw, pipe_law

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SUPPLY, RETURN = "supply", "return"
"""Nodes at which the makers of this module let the flow in and out."""
ENERGY = 1e-9
"""Largest sum of losses round a loop that is let pass, over the sum of their sizes."""
_ROUNDS = 300


class Liquid(Protocol):
    """What flows: anything with a density and a dynamic viscosity, such as `loopgis.hydraulics.fluid.State`."""

    @property
    def density_kg_m3(self) -> float:
        """Density at the temperature of the flow."""

    @property
    def viscosity_pa_s(self) -> float:
        """Dynamic viscosity at the temperature of the flow."""


@dataclass(frozen=True, kw_only=True)
class Section:
    """A pipe of one size between two nodes. minor_k: sum of the K of its fittings, on its own velocity; name: for people."""

    start: str
    end: str
    length_m: float
    inside_diameter_m: float
    minor_k: float = 0.0
    name: str = ""

    @property
    def area_m2(self) -> float:
        """Clear cross-section."""
        return float(np.pi / 4 * self.inside_diameter_m**2)

    @property
    def volume_m3(self) -> float:
        """What it holds."""
        return self.area_m2 * self.length_m


@dataclass(frozen=True, kw_only=True)
class Pipe:
    """A pipe that has no place yet: a circuit (down one leg and back the other) or a span of a header."""

    length_m: float
    inside_diameter_m: float
    minor_k: float = 0.0
    name: str = ""

    def between(self, start: str, end: str, name: str = "") -> Section:
        """The section that it makes between two nodes."""
        return Section(
            start=start,
            end=end,
            length_m=self.length_m,
            inside_diameter_m=self.inside_diameter_m,
            minor_k=self.minor_k,
            name=self.name or name,
        )


def fan(circuits: Sequence[Pipe]) -> list[Section]:
    """Circuits side by side between one supply and one return (a manifold in the pit). Raises RangeError for no circuit."""
    _some("circuits", circuits)
    return [c.between(SUPPLY, RETURN, f"circuit {i + 1}") for i, c in enumerate(circuits)]


def in_series(circuits: Sequence[Pipe]) -> list[Section]:
    """Circuits one after the other. Raises RangeError for no circuit."""
    _some("circuits", circuits)
    nodes = [SUPPLY, *(f"joint {i + 1}" for i in range(len(circuits) - 1)), RETURN]
    return [c.between(nodes[i], nodes[i + 1], f"circuit {i + 1}") for i, c in enumerate(circuits)]


def header(
    circuits: Sequence[Pipe], *, supply: Sequence[Pipe], back: Sequence[Pipe], reverse: bool = False
) -> list[Section]:
    """Circuits along a header: first the circuits, then the spans of the supply header, then those of the return header.

    circuits: in the order in which the supply reaches them; supply: as many spans, the first from the pump to the first circuit,
    each narrower or as wide as the one before where the header steps down; back: as many spans of the return header: with a direct
    return the first lies between first circuit and pump (laid beside the first of the supply), with reverse=True span i leads from
    circuit i on to the next one and the last of them home. Raises RangeError when the numbers differ.

    >>> span, loop = Pipe(length_m=3, inside_diameter_m=0.05), Pipe(length_m=150, inside_diameter_m=0.027)
    >>> [f"{s.start} > {s.end}" for s in header([loop] * 2, supply=[span] * 2, back=[span] * 2)][2:]
    ['supply > out 1', 'out 1 > out 2', 'in 1 > return', 'in 2 > in 1']
    """
    _some("circuits", circuits)
    for name, spans in (("supply", supply), ("back", back)):
        if len(spans) != len(circuits):
            what = f"{len(spans)} spans for {len(circuits)} circuits"
            raise RangeError(name, what, "give one span of the header for each circuit")
    count = len(circuits)
    out, into = [f"out {i + 1}" for i in range(count)], [f"in {i + 1}" for i in range(count)]
    froms = [SUPPLY, *out]
    tos = [*into[1:], RETURN] if reverse else [RETURN, *into]
    return [
        *(c.between(out[i], into[i], f"circuit {i + 1}") for i, c in enumerate(circuits)),
        *(s.between(froms[i], out[i], f"supply {i + 1}") for i, s in enumerate(supply)),
        *(s.between(into[i], tos[i], f"return {i + 1}") for i, s in enumerate(back)),
    ]


@dataclass(frozen=True, kw_only=True)
class Flows:
    """How a flow divides over a network; arrays have one figure for each section, in the order given.

    flow_m3_s: positive from start to end; velocity_m_s: its size; reynolds; loss_pa: start over end; pressure_pa: of each node over
    the sink; total_m3_s: let in at the source; total_pa: source over sink; head_m: that as a column of the fluid; continuity: the
    worst node's flow that is not accounted for, over the total; energy: the worst loop's sum of losses over the sum of their sizes;
    rounds: of Newton's method.
    """

    sections: tuple[Section, ...]
    source: str
    sink: str
    liquid: Liquid
    roughness_m: float
    total_m3_s: float
    flow_m3_s: Array
    velocity_m_s: Array
    reynolds: Array
    loss_pa: Array
    pressure_pa: dict[str, float]
    total_pa: float
    head_m: float
    continuity: float
    energy: float
    rounds: int


@dataclass(frozen=True, kw_only=True)
class Net:
    """A network made ready: ends (sections, 2) of node numbers, loops (sections, loops) of -1, 0, 1.

    chords: the section that closes each loop; base: flow of each section over the total when all goes through the tree; walk:
    (section, node walked from, node walked to); law: of all sections. `solve_net` may be called on it as often as wanted.
    """

    sections: tuple[Section, ...]
    source: str
    sink: str
    nodes: tuple[str, ...]
    ends: NDArray[np.intp]
    walk: tuple[tuple[int, int, int], ...]
    loops: Array
    chords: NDArray[np.intp]
    base: Array
    law: PipeLaw
    liquid: Liquid
    roughness_m: float


def solve(
    sections: Sequence[Section],
    *,
    source: str = SUPPLY,
    sink: str = RETURN,
    flow_m3_s: float,
    liquid: Liquid,
    roughness_m: float = ROUGHNESS_M,
) -> Flows:
    """Divide a flow over a network of pipes: continuity at every node and losses round every loop closed to 1e-9 or better.

    sections: pipes, at least one, of any length above 0; two may join the same nodes, and one that leads nowhere carries nothing;
    source, sink: nodes at which the flow is let in and out; flow_m3_s: above 0; liquid: density and viscosity; roughness_m: of all
    walls. Raises RangeError for a bad figure, a section that ends where it starts, a node that is not reached.
    Source: Newton on loops with the convex content of the network (textbook, from memory); friction Churchill 1977.
    """
    net = net_of(sections, source=source, sink=sink, liquid=liquid, roughness_m=roughness_m)
    return solve_net(net, flow_m3_s=flow_m3_s)


def net_of(
    sections: Sequence[Section], *, source: str, sink: str, liquid: Liquid, roughness_m: float = ROUGHNESS_M
) -> Net:
    """Number the nodes, find a spanning tree and the loops that it leaves. Raises RangeError as `solve` does."""
    _some("sections", sections)
    if source == sink:
        raise RangeError("sink", f"{sink!r} is the source too", "let the flow out at another node")
    names = {name: i for i, name in enumerate(dict.fromkeys(n for s in sections for n in (s.start, s.end)))}
    for what, node in (("source", source), ("sink", sink)):
        if node not in names:
            raise RangeError(what, f"no section touches {node!r}", f"one of {', '.join(names)}")
    for i, s in enumerate(sections):
        where = f"section {s.name or i}"
        if s.start == s.end:
            raise RangeError(where, f"starts and ends at {s.start!r}", "join two nodes")
        if not (np.isfinite(s.length_m) and s.length_m > 0):
            raise RangeError(where, f"length_m {s.length_m:g} is not above 0", "merge its nodes, or give its length")
        positive(**{f"{where} inside_diameter_m": s.inside_diameter_m})
        not_negative(**{f"{where} minor_k": s.minor_k})
    ends = np.array([(names[s.start], names[s.end]) for s in sections], dtype=np.intp)
    law = _law_of(sections, liquid, roughness_m)
    tree = _tree(ends, law.drag_pa * law.to_reynolds, len(names))
    walk = _walk(ends, tree, names[sink], len(names))
    if len(walk) < len(names) - 1:
        reached = {names[sink], *(to for _, _, to in walk)}
        lost = next(name for name, i in names.items() if i not in reached)
        raise RangeError(
            "sections", f"node {lost!r} hangs on nothing that leads to {sink!r}", "join it, or leave it out"
        )
    base, chords, loops = _tree_flows(ends, tree, walk, names[source])
    return Net(
        sections=tuple(sections),
        source=source,
        sink=sink,
        nodes=tuple(names),
        ends=ends,
        walk=tuple(walk),
        loops=loops,
        chords=chords,
        base=base,
        law=law,
        liquid=liquid,
        roughness_m=roughness_m,
    )


def resized(net: Net, sections: Sequence[Section]) -> Net:
    """The same network with other sizes, lengths or fittings of its sections, quicker than made anew. Raises RangeError."""
    return replace(net, sections=tuple(sections), law=_law_of(sections, net.liquid, net.roughness_m))


def _law_of(sections: Sequence[Section], liquid: Liquid, roughness_m: float) -> PipeLaw:
    return pipe_law(
        length_m=np.array([s.length_m for s in sections], dtype=float),
        inside_diameter_m=np.array([s.inside_diameter_m for s in sections], dtype=float),
        minor_k=np.array([s.minor_k for s in sections], dtype=float),
        roughness_m=roughness_m,
        density_kg_m3=liquid.density_kg_m3,
        viscosity_pa_s=liquid.viscosity_pa_s,
    )


def solve_net(net: Net, *, flow_m3_s: float, near: Array | None = None) -> Flows:
    """Divide a flow over a network made ready.

    flow_m3_s: above 0; near: the division of some flow, to begin with. Raises RangeError for no flow.
    """
    positive(flow_m3_s=flow_m3_s)
    flow, rounds = _newton(net, flow_m3_s, near)
    loss, _ = net.law.loss_pa(flow)
    energy = 0.0
    if net.loops.shape[1]:
        sizes = np.abs(net.loops).T @ np.abs(loss)
        energy = float(np.max(np.abs(net.loops.T @ loss) / np.maximum(sizes, 1e-300)))
    if not energy <= ENERGY:
        raise LoopgisError(
            f"network of {len(net.sections)} sections: a loop is left open by {energy:.1e} of its losses"
        )
    pressure = np.zeros(len(net.nodes))
    for i, from_node, to_node in net.walk:
        pressure[to_node] = pressure[from_node] + (loss[i] if net.ends[i, 0] == to_node else -loss[i])
    left = np.zeros(len(net.nodes))
    np.add.at(left, net.ends[:, 0], -flow)
    np.add.at(left, net.ends[:, 1], flow)
    left[net.nodes.index(net.source)] += flow_m3_s
    left[net.nodes.index(net.sink)] -= flow_m3_s
    total = float(pressure[net.nodes.index(net.source)])
    return Flows(
        sections=net.sections,
        source=net.source,
        sink=net.sink,
        liquid=net.liquid,
        roughness_m=net.roughness_m,
        total_m3_s=flow_m3_s,
        flow_m3_s=flow,
        velocity_m_s=np.abs(flow) / np.array([s.area_m2 for s in net.sections]),
        reynolds=np.abs(flow) * net.law.to_reynolds,
        loss_pa=loss,
        pressure_pa=dict(zip(net.nodes, pressure.tolist(), strict=True)),
        total_pa=total,
        head_m=total / (net.liquid.density_kg_m3 * GRAVITY_M_S2),
        continuity=float(np.max(np.abs(left))) / flow_m3_s,
        energy=energy,
        rounds=rounds,
    )


# evening out --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Balance:
    """How even circuits are, and what would make them even; arrays follow the circuits.

    least_m3_s, greatest_m3_s: flows of the circuits; ratio: least over greatest; orifice_k: K to add to each circuit, on its own
    velocity, so that all carry the same at the same total (0 for the one that resists most); even_pa: source over sink with them.
    """

    least_m3_s: float
    greatest_m3_s: float
    ratio: float
    orifice_k: Array
    even_pa: float


def balance(flows: Flows, *, circuits: Sequence[int]) -> Balance:
    """Least and greatest flow of the circuits, and the orifices that would even them.

    flows: a solved network; circuits: for each circuit the number of one section, all of whose flow is the circuit's. The rest must
    be a supply side and a return side without loops, so that even circuits settle every other flow. Raises RangeError otherwise.
    """
    picked = [int(i) for i in circuits]
    if not picked or len(set(picked)) < len(picked) or min(picked) < 0 or max(picked) >= len(flows.sections):
        raise RangeError("circuits", "are no list of different sections", "give the number of one section per circuit")
    carried = np.abs(flows.flow_m3_s[picked])
    net = net_of(
        flows.sections,
        source=flows.source,
        sink=flows.sink,
        liquid=flows.liquid,
        roughness_m=flows.roughness_m,
    )
    even = flows.total_m3_s / len(picked)
    flow, sides = _forced(net, picked, even)
    loss, _ = net.law.loss_pa(flow)
    level = np.zeros(len(net.nodes))  # loss from the source to nodes of the supply side, to the sink from the others
    for tree in sides:
        for i, from_node, to_node in tree:
            level[to_node] = level[from_node] + (loss[i] if net.ends[i, 0] == from_node else -loss[i])
    paths = []
    for i in picked:
        start, end = net.ends[i]
        paths.append(float(level[start] + abs(loss[i]) - level[end]))
    even_pa = max(paths)
    areas = np.array([net.sections[i].area_m2 for i in picked])
    dynamic = flows.liquid.density_kg_m3 * (even / areas) ** 2 / 2
    return Balance(
        least_m3_s=float(carried.min()),
        greatest_m3_s=float(carried.max()),
        ratio=float(carried.min() / carried.max()),
        orifice_k=(even_pa - np.array(paths)) / dynamic,
        even_pa=even_pa,
    )


def with_orifices(sections: Sequence[Section], *, circuits: Sequence[int], orifice_k: Sequence[float]) -> list[Section]:
    """The sections with so much K added to some of them."""
    more = dict(zip(circuits, orifice_k, strict=True))
    return [replace(s, minor_k=s.minor_k + float(more.get(i, 0.0))) for i, s in enumerate(sections)]


# inside --------------------------------------------------------------


def _some(name: str, items: Sequence[object]) -> None:
    if len(items) == 0:
        raise RangeError(name, "holds nothing", "give at least one")


def _tree(ends: NDArray[np.intp], resistance: Array, nodes: int) -> list[int]:
    """Sections of the spanning forest that resists least (Kruskal)."""
    parent = list(range(nodes))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    tree = []
    for i in np.argsort(resistance, kind="stable").tolist():
        a, b = root(int(ends[i, 0])), root(int(ends[i, 1]))
        if a != b:
            parent[a] = b
            tree.append(i)
    return tree


def _walk(ends: NDArray[np.intp], tree: Sequence[int], first: int, nodes: int) -> list[tuple[int, int, int]]:
    """Sections of the tree outwards from a node: (section, node walked from, node walked to)."""
    beside: list[list[tuple[int, int]]] = [[] for _ in range(nodes)]
    for i in tree:
        a, b = int(ends[i, 0]), int(ends[i, 1])
        beside[a].append((i, b))
        beside[b].append((i, a))
    out, queue, seen = [], [first], {first}
    for node in queue:
        for i, other in beside[node]:
            if other not in seen:
                seen.add(other)
                queue.append(other)
                out.append((i, node, other))
    return out


def _tree_flows(
    ends: NDArray[np.intp], tree: Sequence[int], walk: Sequence[tuple[int, int, int]], source: int
) -> tuple[Array, NDArray[np.intp], Array]:
    """Flow through the tree alone from the source to the walk's first node, over the total; the other sections; their loops."""
    back = {to: (i, from_node) for i, from_node, to in walk}

    def home(node: int) -> Array:
        way = np.zeros(len(ends))
        while node in back:
            i, nearer = back[node]
            way[i] = 1.0 if ends[i, 0] == node else -1.0
            node = nearer
        return way

    inside = set(tree)
    chords = [i for i in range(len(ends)) if i not in inside]
    loops = np.zeros((len(ends), len(chords)))
    for column, i in enumerate(chords):  # through the section, then home from its end and back out to its start
        loops[:, column] = home(int(ends[i, 1])) - home(int(ends[i, 0]))
        loops[i, column] = 1.0
    return home(source), np.array(chords, dtype=np.intp), loops


def _newton(net: Net, total: float, near: Array | None) -> tuple[Array, int]:
    loops, law = net.loops, net.law
    count = loops.shape[1]
    flow = net.base * total
    if count == 0:
        return flow, 0
    if near is None:  # the division of a laminar flow
        weight = law.drag_pa * law.to_reynolds
        flow = flow + loops @ np.linalg.solve(loops.T @ (weight[:, None] * loops), -loops.T @ (weight * flow))
    else:
        flow = _through(net, total, near)
    best, rounds = np.inf, 0
    for rounds in range(1, _ROUNDS + 1):  # noqa: B007
        loss, slope = law.loss_pa(flow)
        gradient = loops.T @ loss
        worst = float(np.max(np.abs(gradient) / np.maximum(np.abs(loops).T @ np.abs(loss), 1e-300)))
        if worst < 1e-14 or (worst < 1e-11 and worst > best / 2):  # rounding is reached
            break
        best = min(best, worst)
        step = loops @ np.linalg.solve(loops.T @ (slope[:, None] * loops), -gradient)
        flow = _through(net, total, flow + _stride(law, flow, step, float(loss @ step)) * step)
    return flow, rounds


def _through(net: Net, total: float, near: Array) -> Array:
    """The flow whose loops carry what they carry in a nearby one; continuity to the last digit."""
    return net.base * total + net.loops @ near[net.chords]


def _stride(law: PipeLaw, flow: Array, step: Array, slope: float) -> float:
    """How far along a step: until the slope of the content, which only grows, is within half of what it was."""
    if slope >= 0:
        return 1.0
    low, high, at = 0.0, np.inf, 1.0
    for _ in range(80):
        here = float(law.loss_pa(flow + at * step)[0] @ step)
        if abs(here) <= 0.5 * abs(slope):
            break
        if here < 0:
            low, at = at, 2 * at if high == np.inf else (at + high) / 2
        else:
            high, at = at, (low + at) / 2
    return at


def _forced(net: Net, picked: Sequence[int], even: float) -> tuple[Array, list[list[tuple[int, int, int]]]]:
    """All flows when each picked section carries `even`; and the trees of both sides, walked from source and sink."""
    others = [i for i in range(len(net.sections)) if i not in set(picked)]
    number = len(net.nodes)
    wrong = RangeError(
        "circuits",
        "do not lead from a supply side to a return side without loops",
        "name one section for each of the circuits that lie side by side",
    )
    if len(_tree(net.ends[others], np.ones(len(others)), number)) < len(others):
        raise wrong
    ends = [net.nodes.index(net.source), net.nodes.index(net.sink)]
    sides = [_walk(net.ends, others, first, number) for first in ends]
    on = [{first, *(to for _, _, to in tree)} for first, tree in zip(ends, sides, strict=True)]
    if on[0] & on[1] or len(on[0]) + len(on[1]) < number:
        raise wrong
    flow = np.zeros(len(net.sections))
    need = np.zeros(number)  # what leaves each node through circuits
    for i in picked:
        start, end = (int(e) for e in net.ends[i])
        if start not in on[0] or end not in on[1]:
            raise wrong
        flow[i] = even
        need[start] += even
        need[end] -= even
    for tree in sides:
        for i, from_node, to_node in reversed(tree):
            flow[i] = need[to_node] if net.ends[i, 0] == from_node else -need[to_node]
            need[from_node] += need[to_node]
    return flow, sides
