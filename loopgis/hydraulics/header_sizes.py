"""Sizes of a header that keep purging cheap: a search of all sizes that it may have, which proves its choice.

A wide header is slow to purge, a narrow one costs head in use (`loopgis.hydraulics.purge`).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import positive
from loopgis.hydraulics.friction import ROUGHNESS_M, PipeLaw, pipe_law
from loopgis.hydraulics.network import RETURN, SUPPLY, Flows, Liquid, Net, Section, net_of, resized, solve_net
from loopgis.hydraulics.purge import PURGE_M_S, Purge, purge_net

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

AT_ONCE = 512
"""So many choices are bounded together instead of part by part."""
WAYS_AT_ONCE = 4_000_000
"""Fewer where the ways between all nodes would take too much memory."""
GROWS = 1e-6
"""A bound that grows by a smaller share in a round has settled."""

Goal = Literal["purge_power_w", "purge_flow_m3_s", "purge_pa", "design_pa", "volume_m3"]


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
    begin: Sequence[float] | None = None,
) -> Sizes:
    """The sizes of a header that serve the goals best, by a search that leaves nothing out.

    sections: the whole field, each in the sense of its flow; those in `parts` take their sizes from there. parts: see `Part`;
    chains: numbers of parts in the order away from the pump, along which sizes never grow (for a reverse return give that of the
    return header from its last span, the way home, inwards, or leave it out); design_flow_m3_s, design_liquid: in use;
    purge_liquid: while purging; design_limit_pa: most that pipes may lose in use; goals: in the order of weight, smaller is better,
    a later one decides only between choices that agree in all earlier ones to nine digits: "purge_power_w" (hydraulic),
    "purge_flow_m3_s", "purge_pa", "design_pa" (lost in use), "volume_m3" (of the whole field). What is still equal goes to the
    narrower sizes, first part first; begin: sizes of the parts that are likely to be good, which only saves time. A choice counts
    only when every section flows in its own sense while purging.

    The search sets the parts one by one, takes the ends off the other parts' open sizes, and drops what provably cannot win; once
    few choices are left it bounds each of them, all together, and works out those that may win, the most promising first. A
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
    held = search.bounds.whole()
    if begin is not None and len(begin) != len(parts):
        raise RangeError(
            "begin", f"holds {len(begin)} sizes for {len(parts)} parts", "give one for each, or leave it out"
        )
    if begin is not None:
        search.begin(begin)
    if held is not None:
        search.look(*held, np.zeros(len(field.sections)))
    if search.best is None:
        what = "no sizes let every section be purged within the limit on the loss in use"
        raise RangeError("parts", what, "allow other sizes, raise design_limit_pa, or make circuits more alike")
    return replace(search.best, nodes=search.nodes, leaves=search.leaves)


@dataclass(frozen=True, kw_only=True)
class Nets:
    """The networks of a field, of whatever sizes: while purging, and in use."""

    purge: Net
    design: Net


def nets_of(field: Field) -> Nets:
    """Both networks made ready. Raises RangeError as `network.net_of` does."""

    def made(liquid: Liquid) -> Net:
        ends = {"source": field.source, "sink": field.sink}
        return net_of(field.sections, **ends, liquid=liquid, roughness_m=field.roughness_m)

    return Nets(purge=made(field.purge_liquid), design=made(field.design_liquid))


def figures_of(
    field: Field, sizes: Sequence[float], goals: Sequence[Goal], *, nets: Nets | None = None, most_w: float = np.inf
) -> Sizes | None:
    """One full choice of sizes worked out; None where no flow or not most_w purges it, or something flows the wrong way."""
    nets = nets or nets_of(field)
    sections = list(field.sections)
    for part, size in zip(field.parts, sizes, strict=True):
        for i in part.sections:
            sections[i] = replace(sections[i], inside_diameter_m=size)
    try:
        purge = purge_net(resized(nets.purge, sections), velocity_m_s=field.velocity_m_s, most_w=most_w)
    except RangeError:
        return None
    if purge.power_w > most_w or np.any(purge.flows.flow_m3_s <= 0):
        return None
    design = solve_net(resized(nets.design, sections), flow_m3_s=field.design_flow_m3_s)
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
    """Depth first over the parts, the child with the lowest bound first; few choices are bounded all at once."""

    def __init__(self, field: Field, limit_pa: float, goals: tuple[Goal, ...]) -> None:
        self.field, self.limit_pa, self.goals = field, limit_pa, goals
        self.best: Sizes | None = None
        self.nodes = self.leaves = 0
        self.bounds = _Bounds(field)

    def begin(self, sizes: Sequence[float]) -> None:
        """A choice to begin with: what cannot beat it is not looked at."""
        at = [
            int(np.argmin(np.abs(np.array(p.inside_diameters_m) - d)))
            for p, d in zip(self.field.parts, sizes, strict=True)
        ]
        low = np.array(at, dtype=np.intp)
        if self.bounds.in_chains(low, low) is not None:
            self._leaf(low)

    def look(self, low: Index, high: Index, floor: Array) -> None:
        """Search all choices between two, by part; floor: a flow that each section carries at least in all of them."""
        held = self._shaved(low, high, floor)
        if held is None:
            return
        self.nodes += 1
        low, high = held
        if np.all(low == high):
            self._leaf(low)
            return
        if np.prod(high - low + 1, dtype=float) <= self.bounds.at_once:
            rows = self.bounds.choices(low, high)
            bounds = self.bounds.of(rows, rows, floor, self._ceiling())
            for i in self._in_order(bounds, rows):
                if not self._hopeless(bounds, i) and not self._hopeless(self.bounds.sharper(rows[i], bounds, i), 0):
                    self._leaf(rows[i])
            return
        part = int(np.flatnonzero(high > low)[0])
        children = [self.bounds.in_chains(*_set(low, high, part, k)) for k in range(low[part], high[part] + 1)]
        lows, highs = (np.array([c[side] for c in children if c is not None]) for side in (0, 1))
        bounds = self.bounds.of(lows, highs, floor, self._ceiling())
        for i in self._in_order(bounds, lows):
            if not self._hopeless(bounds, i):
                self.look(lows[i], highs[i], bounds.floor_m3_s[i])

    def _in_order(self, bounds: _Bound, rows: Index) -> list[int]:
        keys = [tuple(bounds.figures[g][i] for g in self.goals) for i in range(len(rows))]
        return sorted(range(len(rows)), key=lambda i: (keys[i], tuple(rows[i])))

    def _shaved(self, low: Index, high: Index, floor: Array) -> tuple[Index, Index] | None:
        """Without the narrowest and widest of each part that provably cannot win; None when nothing can."""
        held: tuple[Index, Index] | None = (low, high)
        while held is not None and self.best is not None and np.any(held[1] > held[0]):
            low, high = held
            ends = [(int(p), up) for p in np.flatnonzero(high > low) for up in (False, True)]
            trials = [self.bounds.in_chains(*_set(low, high, p, int((high if up else low)[p]))) for p, up in ends]
            there = [k for k, t in enumerate(trials) if t is not None]
            gone = [k for k, t in enumerate(trials) if t is None]
            if there:
                lows, highs = (np.array([trials[k][side] for k in there]) for side in (0, 1))  # type: ignore[index]
                bounds = self.bounds.of(lows, highs, floor, self._ceiling())
                gone += [k for i, k in enumerate(there) if self._hopeless(bounds, i)]
            if not gone:
                break
            low, high = low.copy(), high.copy()
            for p, up in (ends[k] for k in gone):
                (high if up else low)[p] += -1 if up else 1
            held = self.bounds.in_chains(low, high)
        return held

    def _leaf(self, row: Index) -> None:
        self.leaves += 1
        sizes = [p.inside_diameters_m[k] for p, k in zip(self.field.parts, row.tolist(), strict=True)]
        goal, most = self._ceiling()
        most_w = most if goal == "purge_power_w" else np.inf
        got = figures_of(self.field, sizes, self.goals, nets=self.bounds.nets, most_w=most_w)
        if got is None or got.design.total_pa > self.limit_pa:
            return
        if self.best is None or better(got, self.best):
            self.best = got

    def _ceiling(self) -> tuple[Goal, float]:
        """The first goal and the figure above which nothing is of use."""
        return self.goals[0], np.inf if self.best is None else self.best.figures[0] * (1 + 1e-8)

    def _hopeless(self, bounds: _Bound, i: int) -> bool:
        """Whether nothing with figures at or above these can be better than the best so far."""
        bound = {goal: float(figures[i]) for goal, figures in bounds.figures.items()}
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


def _set(low: Index, high: Index, part: int, k: int) -> tuple[Index, Index]:
    low, high = low.copy(), high.copy()
    low[part] = high[part] = k
    return low, high


@dataclass(frozen=True, kw_only=True)
class _Bound:
    """Lower bounds of several sets of choices: figures by goal, one a set; floor_m3_s (sets, sections): least flow."""

    figures: Mapping[Goal, Array]
    floor_m3_s: Array


class _Bounds:
    """Lower bounds of all goals over whatever sizes are still open. Sizes are told by their place in a part's list."""

    def __init__(self, field: Field) -> None:
        self.field = field
        self.nets = nets_of(field)
        net = self.nets.purge
        self.ends, self.count = net.ends, len(net.nodes)
        self.source, self.sink = net.nodes.index(field.source), net.nodes.index(field.sink)
        self.layers = _is_layered(net.ends.tolist(), self.source, self.sink)
        self.at_once = 1 if self.layers else min(AT_ONCE, WAYS_AT_ONCE // self.count**2)
        into = [np.flatnonzero(net.ends[:, 1] == n) for n in range(self.count)]
        out = [np.flatnonzero(net.ends[:, 0] == n) for n in range(self.count)]
        self.leaving, self.arriving = out[self.source], into[self.sink]
        self.order = (
            None if into[self.source].size or out[self.sink].size else _downstream(net.ends.tolist(), self.count)
        )
        inner = [n for n in range(self.count) if n not in {self.source, self.sink}]
        self.only = [
            (one[0], more) for n in inner for one, more in ((into[n], out[n]), (out[n], into[n])) if len(one) == 1
        ]
        self.part_of = np.full(len(field.sections), -1)
        for k, part in enumerate(field.parts):
            self.part_of[list(part.sections)] = k
        most = max(len(p.inside_diameters_m) for p in field.parts)
        self.inner_m = np.tile([s.inside_diameter_m for s in field.sections], (most, 1))
        for part in field.parts:
            sizes = np.array(part.inside_diameters_m)
            self.inner_m[:, list(part.sections)] = sizes[np.minimum(np.arange(most), len(sizes) - 1), None]
        self.length_m = np.array([s.length_m for s in field.sections])
        self.law = pipe_law(
            length_m=self.length_m,
            inside_diameter_m=self.inner_m,
            minor_k=np.array([s.minor_k for s in field.sections]),
            roughness_m=field.roughness_m,
            density_kg_m3=field.purge_liquid.density_kg_m3,
            viscosity_pa_s=field.purge_liquid.viscosity_pa_s,
        )

    def whole(self) -> tuple[Index, Index] | None:
        """All that is open at first, as `in_chains`."""
        return self.in_chains(
            np.zeros(len(self.field.parts), dtype=np.intp),
            np.array([len(p.inside_diameters_m) - 1 for p in self.field.parts], dtype=np.intp),
        )

    def in_chains(self, low: Index, high: Index) -> tuple[Index, Index] | None:
        """Open sizes without those that no neighbour along a chain allows; None when one has nothing left."""
        sizes, below, above = [p.inside_diameters_m for p in self.field.parts], low.tolist(), high.tolist()
        changed = True
        while changed:
            changed = False
            for chain in self.field.chains:
                for near, far in pairwise(chain):
                    if below[near] > above[near] or below[far] > above[far]:
                        return None
                    least = bisect_left(sizes[near], sizes[far][below[far]])
                    most = bisect_right(sizes[far], sizes[near][above[near]]) - 1
                    changed = changed or least > below[near] or most < above[far]
                    below[near], above[far] = max(below[near], least), min(above[far], most)
        if any(b > a for b, a in zip(below, above, strict=True)):
            return None
        return np.array(below, dtype=np.intp), np.array(above, dtype=np.intp)

    def choices(self, low: Index, high: Index) -> Index:
        """Every choice between two that the chains allow, in order (choices, parts)."""
        axes = [np.arange(a, b + 1) for a, b in zip(low, high, strict=True)]
        rows = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
        for chain in self.field.chains:
            for near, far in pairwise(chain):
                sizes = [np.array(self.field.parts[p].inside_diameters_m) for p in (near, far)]
                rows = rows[sizes[0][rows[:, near]] >= sizes[1][rows[:, far]]]
        return rows

    def of(self, low: Index, high: Index, floor: Array, ceiling: tuple[Goal, float]) -> _Bound:
        """Lower bounds of sets (sets, parts); infinite purge flow where flows cannot all go in their sense.

        floor: a flow that sections carry at least in all of them; ceiling: a goal, and the figure above which it may stop growing.
        """
        narrow, wide = self._places(low), self._places(high)
        flow, loss, least = self._purge(narrow, wide, floor, ceiling)
        design = np.zeros(len(low))
        if self.layers:
            for i in np.flatnonzero(flow < np.inf).tolist():
                inner = self._inner(wide[i : i + 1])[0]
                loss[i] = max(loss[i], self._total_pa(inner, float(flow[i]), self.nets.purge) * (1 - 1e-10))
                design[i] = self._total_pa(inner, self.field.design_flow_m3_s, self.nets.design)
        figures: dict[Goal, Array] = {
            "purge_flow_m3_s": flow,
            "purge_pa": loss,
            "purge_power_w": flow * loss,
            "design_pa": design,
            "volume_m3": np.pi / 4 * np.sum(self._inner(narrow) ** 2 * self.length_m, axis=1),
        }
        return _Bound(figures=figures, floor_m3_s=least)

    def sharper(self, row: Index, bounds: _Bound, i: int) -> _Bound:
        """Bounds of one full choice from those of row i: what it loses at its least purge flow is worked out."""
        flow = float(bounds.figures["purge_flow_m3_s"][i])
        figures = {goal: rows[i : i + 1].copy() for goal, rows in bounds.figures.items()}
        if flow < np.inf:
            inner = self._inner(self._places(row[None]))[0]
            loss = self._total_pa(inner, flow, self.nets.purge) * (1 - 1e-9)
            figures["purge_pa"] = np.maximum(figures["purge_pa"], loss)
            figures["purge_power_w"] = np.maximum(figures["purge_power_w"], flow * loss)
        return _Bound(figures=figures, floor_m3_s=bounds.floor_m3_s[i : i + 1])

    def _places(self, rows: Index) -> Index:
        """Place of each section's size in the tables (sets, sections)."""
        return np.where(self.part_of >= 0, rows[:, self.part_of], 0)

    def _inner(self, places: Index) -> Array:
        return np.asarray(self.inner_m[places, np.arange(places.shape[1])])

    def _law(self, places: Index) -> PipeLaw:
        tables = {name: table[places, np.arange(places.shape[1])] for name, table in vars(self.law).items()}
        return PipeLaw(**tables)

    def _total_pa(self, inner_m: Array, flow_m3_s: float, net: Net) -> float:
        pairs = zip(self.field.sections, inner_m.tolist(), strict=True)
        sections = [replace(s, inside_diameter_m=d) for s, d in pairs]
        return solve_net(resized(net, sections), flow_m3_s=flow_m3_s).total_pa

    def _purge(
        self, narrow: Index, wide: Index, floor: Array, ceiling: tuple[Goal, float]
    ) -> tuple[Array, Array, Array]:
        """Purge flow, loss, and flow of each section, at the least; all sets together until none grows any more."""
        least = np.maximum(self.field.velocity_m_s * np.pi / 4 * self._inner(narrow) ** 2, floor)
        total, loss = np.full(len(least), np.inf), np.full(len(least), np.inf)
        if self.order is None:
            return total, loss, least
        rows = np.arange(len(least))
        for _ in range(4 * self.count + 4):
            way = self._longest(self._law(wide[rows]).loss_pa(least[rows])[0])
            between = way[:, self.ends[:, 0], self.ends[:, 1]]
            flow = np.maximum(least[rows], self._law(narrow[rows]).flow_below_m3_s(between, near_m3_s=least[rows]))
            for one, more in self.only:
                np.maximum(flow[:, one], flow[:, more].sum(axis=1), out=flow[:, one])
            into, out = flow[:, self.arriving].sum(axis=1), flow[:, self.leaving].sum(axis=1)
            total[rows] = np.maximum(np.maximum(into, out), flow.max(axis=1))
            loss[rows] = way[:, self.source, self.sink]
            still = np.any(flow > least[rows] * (1 + GROWS), axis=1)
            least[rows] = flow
            reached = {"purge_flow_m3_s": total, "purge_pa": loss, "purge_power_w": total * loss}.get(ceiling[0])
            if reached is not None:
                still &= reached[rows] * (1 - 1e-9) <= ceiling[1]
            rows = rows[still]
            if not len(rows):
                break
        return total * (1 - 1e-10), loss * (1 - 1e-10), least

    def _longest(self, loss: Array) -> Array:
        """The most that is lost on a way from node to node, downstream (sets, nodes, nodes); -inf where no way leads."""
        way = np.full((len(loss), self.count, self.count), -np.inf)
        way[:, np.arange(self.count), np.arange(self.count)] = 0.0
        for section in self.order or ():
            start, end = self.ends[section]
            np.maximum(way[:, :, end], way[:, :, start] + loss[:, section, None], out=way[:, :, end])
        return way


def _downstream(ends: Sequence[Sequence[int]], count: int) -> tuple[int, ...] | None:
    """Sections in the order of their flow: each after all that lead to its start; None where they go in a ring."""
    leaving: dict[int, list[int]] = {n: [] for n in range(count)}
    before = [0] * count
    for i, (start, end) in enumerate(ends):
        leaving[start].append(i)
        before[end] += 1
    ready, order = [n for n in range(count) if before[n] == 0], []
    for node in ready:
        for i in leaving[node]:
            order.append(i)
            end = ends[i][1]
            before[end] -= 1
            if before[end] == 0:
                ready.append(end)
    return tuple(order) if len(order) == len(ends) else None


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
