"""Networks: divisions worked on paper, closure on random networks, what must grow with what, headers, orifices."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from loopgis.core.errors import RangeError
from loopgis.hydraulics.fluid import fluid_of
from loopgis.hydraulics.friction import head_loss
from loopgis.hydraulics.network import (
    Flows,
    Pipe,
    Section,
    balance,
    fan,
    header,
    in_series,
    solve,
    with_orifices,
)


@dataclass(frozen=True)
class Oil:
    """Thick enough to stay laminar."""

    density_kg_m3: float = 900.0
    viscosity_pa_s: float = 0.1


@dataclass(frozen=True)
class Water:
    density_kg_m3: float = 1000.0
    viscosity_pa_s: float = 1.3e-3


LOOP = Pipe(length_m=150, inside_diameter_m=0.027)
SPAN = Pipe(length_m=5, inside_diameter_m=0.04)


def loss_of(section: Section | Pipe, flow: float, liquid: object = Water()) -> float:
    got = head_loss(
        flow_m3_s=abs(flow),
        length_m=section.length_m,
        inside_diameter_m=section.inside_diameter_m,
        minor_k=section.minor_k,
        density_kg_m3=liquid.density_kg_m3,
        viscosity_pa_s=liquid.viscosity_pa_s,
    )
    return math.copysign(float(got.loss_pa), flow)


def closed(flows: Flows) -> None:
    """Continuity and energy to 1e-9, worked out anew from flows and node pressures."""
    left = dict.fromkeys(flows.pressure_pa, 0.0)
    left[flows.source] += flows.total_m3_s
    left[flows.sink] -= flows.total_m3_s
    for s, q in zip(flows.sections, flows.flow_m3_s.tolist(), strict=True):
        left[s.start] -= q
        left[s.end] += q
        fall = flows.pressure_pa[s.start] - flows.pressure_pa[s.end]
        assert fall == pytest.approx(loss_of(s, q, flows.liquid), rel=1e-9, abs=1e-9 * flows.total_pa)
    assert max(abs(v) for v in left.values()) <= 1e-9 * flows.total_m3_s
    assert flows.continuity <= 1e-9
    assert flows.energy <= 1e-9
    assert flows.pressure_pa[flows.sink] == 0.0
    assert flows.total_pa == flows.pressure_pa[flows.source]


# on paper --------------------------------------------------------------


def test_two_branches_laminar_on_paper() -> None:
    """Laminar: R = 128 mu L / (pi D^4). D = 0.02 both, L = 100 and 300: R1 : R2 = 1 : 3, so the flows are 3/4 and 1/4.

    mu = 0.1: R1 = 128 x 0.1 x 100 / (pi x 1.6e-7) = 1280 / 5.026548e-7 = 2.546480e9 Pa s/m3; at 4e-5 m3/s in all the first takes
    3e-5, and both lose 3e-5 x 2.546480e9 = 76394 Pa. Re = 4 x 900 x 3e-5 / (pi x 0.02 x 0.1) = 17.2.
    """
    pipes = [Pipe(length_m=x, inside_diameter_m=0.02) for x in (100, 300)]
    got = solve(fan(pipes), flow_m3_s=4e-5, liquid=Oil())
    assert got.flow_m3_s == pytest.approx([3e-5, 1e-5], rel=1e-10)
    assert got.total_pa == pytest.approx(76394, abs=1)
    assert got.reynolds == pytest.approx([17.19, 5.73], abs=0.01)
    assert got.head_m == pytest.approx(76394 / (900 * 9.80665), rel=1e-5)
    closed(got)


def test_three_branches_behind_a_trunk_laminar_on_paper() -> None:
    """Laminar conductances go with D^4 / L.

    Branch a: D 0.02, L 100: G = 1.  b: D 0.02, L 200: G = 1/2.  c: D 0.01, L 100: G = 1/16. Sum 25/16: shares 16/25, 8/25, 1/25.
    Trunk D 0.02, L 50: R = R_a / 2. Whole: R_a (16/25 + 1/2) = 1.14 R_a = 1.14 x 2.546480e9 = 2.902987e9; at 1e-5: 29029.9 Pa.
    """
    trunk = Section(start="supply", end="pit", length_m=50, inside_diameter_m=0.02)
    branches = [
        Section(start="pit", end="return", length_m=length, inside_diameter_m=d)
        for length, d in ((100, 0.02), (200, 0.02), (100, 0.01))
    ]
    got = solve([trunk, *branches], flow_m3_s=1e-5, liquid=Oil())
    assert got.flow_m3_s == pytest.approx([1e-5, 6.4e-6, 3.2e-6, 0.4e-6], rel=1e-10)
    assert got.total_pa == pytest.approx(29029.9, abs=0.2)
    assert got.pressure_pa["pit"] == pytest.approx(29029.9 * 0.64 / 1.14, abs=0.2)
    closed(got)


def test_a_bridge_laminar_by_kirchhoff() -> None:
    """Five equal pipes but one of double length as a bridge: conductances 1 (s-a), 1/2 (s-b), 1 (a-t), 1 (b-t), 1 (a-b).

    With V_s = 1, V_t = 0: node a: 3 a - b = 1; node b: 2.5 b - a = 0.5; so a = 3/6.5 = 6/13, b = 5/13. Flow through the bridge
    1/13, total 7/13 + 4/13 = 11/13. Hence the shares 7/11, 4/11, 6/11, 5/11 and 1/11.
    """
    d = {"inside_diameter_m": 0.02}
    sections = [
        Section(start="supply", end="a", length_m=100, **d),
        Section(start="supply", end="b", length_m=200, **d),
        Section(start="a", end="return", length_m=100, **d),
        Section(start="b", end="return", length_m=100, **d),
        Section(start="b", end="a", length_m=100, **d),  # told against its flow
    ]
    got = solve(sections, flow_m3_s=1.1e-5, liquid=Oil())
    assert got.flow_m3_s == pytest.approx(np.array([7, 4, 6, 5, -1]) * 1e-6, rel=1e-9)
    closed(got)


def test_two_turbulent_branches_by_a_root_in_one_unknown() -> None:
    """What the first takes makes both lose the same; found by bisection on `head_loss` alone."""
    a, b = LOOP, Pipe(length_m=240, inside_diameter_m=0.034, minor_k=5)
    for total in (5e-5, 1.5e-4, 4e-4, 2e-3):
        first = brentq(lambda q, t=total: loss_of(a, q) - loss_of(b, t - q), 0, total, xtol=1e-18, rtol=1e-14)
        got = solve(fan([a, b]), flow_m3_s=total, liquid=Water())
        assert got.flow_m3_s == pytest.approx([first, total - first], rel=1e-9)
        closed(got)


def test_series_and_a_single_circuit_lose_the_sum() -> None:
    pipes = [LOOP, replace(LOOP, length_m=90, inside_diameter_m=0.034), replace(LOOP, minor_k=6)]
    got = solve(in_series(pipes), flow_m3_s=3e-4, liquid=Water())
    assert got.flow_m3_s.tolist() == [3e-4] * 3
    assert got.total_pa == pytest.approx(sum(loss_of(p, 3e-4) for p in pipes), rel=1e-12)
    one = solve(fan([LOOP]), flow_m3_s=3e-4, liquid=Water())
    assert one.total_pa == pytest.approx(loss_of(LOOP, 3e-4), rel=1e-12)


def test_a_section_that_leads_nowhere_stands_still() -> None:
    stub = Section(start="supply", end="cap", length_m=3, inside_diameter_m=0.02)
    got = solve([*fan([LOOP]), stub], flow_m3_s=3e-4, liquid=Water())
    assert got.flow_m3_s.tolist() == [3e-4, 0.0]
    assert got.pressure_pa["cap"] == got.total_pa


def test_fluids_of_the_room_can_be_passed() -> None:
    state = fluid_of("propylene glycol 20 %", where="x").state(0.0)
    got = solve(fan([LOOP] * 2), flow_m3_s=4e-4, liquid=state)
    assert got.reynolds == pytest.approx([state.reynolds(2e-4, 0.027)] * 2)


# random networks --------------------------------------------------------------


def random_net(rng: np.random.Generator) -> list[Section]:
    """A ring of nodes that holds together, with pipes across, pipes twice, and dead ends."""
    count = int(rng.integers(2, 9))
    names = ["supply", *(f"n{i}" for i in range(count - 2)), "return"]
    pairs = [(names[i], names[int(rng.integers(i))]) for i in range(1, count)]
    for _ in range(int(rng.integers(0, 12))):
        a, b = rng.choice(count, 2, replace=False)
        pairs.append((names[a], names[b]))
    return [
        Section(
            start=a,
            end=b,
            length_m=float(10 ** rng.uniform(-0.5, 2.7)),
            inside_diameter_m=float(rng.uniform(0.012, 0.1)),
            minor_k=float(rng.choice([0.0, rng.uniform(0, 30)])),
        )
        for a, b in pairs
    ]


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-7, -1.5), st.floats(-4, -1))
def test_continuity_and_energy_close_on_any_network(seed: int, log_flow: float, log_viscosity: float) -> None:
    liquid = Water(viscosity_pa_s=10**log_viscosity)
    sections = random_net(np.random.default_rng(seed))
    got = solve(sections, flow_m3_s=10**log_flow, liquid=liquid)
    closed(got)
    assert got.rounds < 60
    # told in another order and the other way round, the same flows
    order = np.random.default_rng(seed + 1).permutation(len(sections))
    turned = [replace(sections[i], start=sections[i].end, end=sections[i].start) for i in order]
    again = solve(turned, flow_m3_s=10**log_flow, liquid=liquid)
    assert again.flow_m3_s == pytest.approx(-got.flow_m3_s[order], rel=1e-6, abs=1e-8 * got.total_m3_s)
    assert again.total_pa == pytest.approx(got.total_pa, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_longer_circuit_gets_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lengths = np.sort(rng.uniform(50, 300, int(rng.integers(2, 12))))
    pipes = [replace(LOOP, length_m=float(x)) for x in lengths]
    for per_circuit in (2e-5, 8e-5, 2e-4, 6e-4):  # laminar, in between, turbulent
        got = solve(fan(pipes), flow_m3_s=per_circuit * len(pipes), liquid=Water())
        assert np.all(np.diff(got.flow_m3_s) <= 0)
        assert got.flow_m3_s[0] > got.flow_m3_s[-1]
        i = int(rng.integers(len(pipes)))
        longer = [replace(p, length_m=p.length_m * (1.2 if k == i else 1)) for k, p in enumerate(pipes)]
        assert solve(fan(longer), flow_m3_s=got.total_m3_s, liquid=Water()).flow_m3_s[i] < got.flow_m3_s[i]


def test_the_whole_range_of_flow_without_a_hitch() -> None:
    """Through the steep rise between laminar and turbulent: loss grows with flow, and few rounds are needed."""
    field = header([LOOP] * 6, supply=[SPAN] * 6, back=[SPAN] * 6)
    flows = 10 ** np.linspace(-6, -2, 200)
    got = [solve(field, flow_m3_s=float(q), liquid=Water()) for q in flows]
    assert np.all(np.diff([g.total_pa for g in got]) > 0)
    assert max(g.rounds for g in got) < 25


def test_sixty_circuits_on_a_header() -> None:
    rng = np.random.default_rng(3)
    loops = [replace(LOOP, length_m=float(x)) for x in rng.uniform(100, 200, 60)]
    spans = [Pipe(length_m=4, inside_diameter_m=0.1 - 0.001 * i) for i in range(60)]
    for reverse in (False, True):
        field = header(loops, supply=spans, back=spans[::-1] if reverse else spans, reverse=reverse)
        closed(solve(field, flow_m3_s=0.01, liquid=Water()))


# headers and balance --------------------------------------------------------------


def test_reverse_return_is_more_even_than_direct() -> None:
    for per_circuit in (5e-5, 2e-4, 5e-4):
        spans = [SPAN] * 8
        even = []
        for reverse in (False, True):
            field = header([LOOP] * 8, supply=spans, back=spans, reverse=reverse)
            got = solve(field, flow_m3_s=8 * per_circuit, liquid=Water())
            closed(got)
            even.append(balance(got, circuits=range(8)).ratio)
            if reverse:  # as seen from either end
                assert got.flow_m3_s[:8] == pytest.approx(got.flow_m3_s[:8][::-1], rel=1e-6)
            else:
                assert np.all(np.diff(got.flow_m3_s[:8]) < 0)
        assert even[0] < even[1] < 1


def test_a_header_that_steps_down_loses_more_than_a_wide_one() -> None:
    wide = [Pipe(length_m=5, inside_diameter_m=0.05)] * 5
    down = [replace(p, inside_diameter_m=d) for p, d in zip(wide, (0.05, 0.05, 0.04, 0.034, 0.027), strict=True)]
    losses = [
        solve(header([LOOP] * 5, supply=s, back=s), flow_m3_s=1e-3, liquid=Water()).total_pa for s in (wide, down)
    ]
    assert losses[0] < losses[1]


@pytest.mark.parametrize("reverse", [False, True])
def test_orifices_make_all_circuits_even(reverse: bool) -> None:  # noqa: FBT001
    rng = np.random.default_rng(8)
    loops = [
        Pipe(length_m=float(x), inside_diameter_m=float(d))
        for x, d in zip(rng.uniform(80, 250, 7), rng.choice([0.0218, 0.0273], 7), strict=True)
    ]
    field = header(loops, supply=[SPAN] * 7, back=[SPAN] * 7, reverse=reverse)
    before = solve(field, flow_m3_s=1.4e-3, liquid=Water())
    need = balance(before, circuits=range(7))
    assert need.least_m3_s == before.flow_m3_s[:7].min()
    assert need.ratio == pytest.approx(need.least_m3_s / need.greatest_m3_s)
    assert need.ratio < 0.9
    assert need.orifice_k.min() == 0.0
    after = solve(with_orifices(field, circuits=range(7), orifice_k=need.orifice_k), flow_m3_s=1.4e-3, liquid=Water())
    assert after.flow_m3_s[:7] == pytest.approx([2e-4] * 7, rel=1e-9)
    assert after.total_pa == pytest.approx(need.even_pa, rel=1e-9)
    assert after.total_pa > before.total_pa
    assert balance(after, circuits=range(7)).orifice_k == pytest.approx(np.zeros(7), abs=1e-6)


def test_balance_asks_for_circuits_side_by_side() -> None:
    series = solve(in_series([LOOP] * 2), flow_m3_s=1e-4, liquid=Water())
    for flows, circuits in ((series, [0, 1]), (series, []), (series, [0, 0]), (series, [5])):
        with pytest.raises(RangeError, match=r"^circuits: "):
            balance(flows, circuits=circuits)
    looped = solve(fan([LOOP] * 3), flow_m3_s=1e-4, liquid=Water())
    with pytest.raises(RangeError, match=r"^circuits: "):
        balance(looped, circuits=[0])


# bad figures --------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"flow_m3_s": 0.0}, "flow_m3_s"),
        ({"flow_m3_s": math.nan}, "flow_m3_s"),
        ({"sections": []}, "sections"),
        ({"sections": fan([replace(LOOP, length_m=0.0)])}, "section circuit 1"),
        ({"sections": fan([replace(LOOP, length_m=math.nan)])}, "section circuit 1"),
        ({"sections": fan([replace(LOOP, inside_diameter_m=-1.0)])}, "section circuit 1 inside_diameter_m"),
        ({"sections": fan([replace(LOOP, minor_k=-1.0)])}, "section circuit 1 minor_k"),
        ({"sections": [*fan([LOOP]), LOOP.between("supply", "supply", "knot")]}, "section knot"),
        ({"sections": [*fan([LOOP]), LOOP.between("x", "y")]}, "sections"),
        ({"source": "nowhere"}, "source"),
        ({"sink": "nowhere"}, "sink"),
        ({"sink": "supply"}, "sink"),
        ({"liquid": Water(density_kg_m3=0.0)}, "density_kg_m3"),
        ({"liquid": Water(viscosity_pa_s=-1.0)}, "viscosity_pa_s"),
        ({"roughness_m": math.inf}, "roughness_m"),
        ({"roughness_m": 0.01}, "relative roughness"),
    ],
)
def test_bad_figures_are_refused_in_one_line(change: dict[str, object], named: str) -> None:
    case = {"sections": fan([LOOP]), "flow_m3_s": 1e-4, "liquid": Water(), **change}
    sections = case.pop("sections")
    with pytest.raises(RangeError, match=rf"^{named}: ") as caught:
        solve(sections, **case)
    assert "\n" not in str(caught.value)


def test_makers_refuse_what_does_not_fit() -> None:
    for make in (fan, in_series):
        with pytest.raises(RangeError, match=r"^circuits: "):
            make([])
    with pytest.raises(RangeError, match=r"^supply: "):
        header([LOOP] * 2, supply=[SPAN], back=[SPAN] * 2)
    with pytest.raises(RangeError, match=r"^back: "):
        header([LOOP] * 2, supply=[SPAN] * 2, back=[SPAN])
