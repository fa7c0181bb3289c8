"""Purge: a header worked by hand, the least flow against a fine scan, and sizes of headers against every choice there is."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from loopgis.core.errors import RangeError
from loopgis.hydraulics import header_sizes
from loopgis.hydraulics.header_sizes import Field, Part, Sizes, _Bounds, better, choose_sizes, figures_of
from loopgis.hydraulics.network import Flows, Pipe, Section, fan, header, in_series, solve
from loopgis.hydraulics.purge import purge_flow

IN, FT, GPM = 0.0254, 0.3048, 6.30902e-5
DR11 = {"3/4": 0.860 * IN, "1": 1.075 * IN, "1 1/4": 1.358 * IN, "1 1/2": 1.554 * IN, "2": 1.943 * IN, "3": 2.864 * IN}
"""Inside diameters as facts/thermal section 7 prints them."""


@dataclass(frozen=True)
class Water:
    density_kg_m3: float = 999.7
    viscosity_pa_s: float = 1.306e-3


@dataclass(frozen=True)
class Glycol:
    density_kg_m3: float = 1020.1
    viscosity_pa_s: float = 4.31e-3


def slowest(flows: Flows) -> float:
    return float(flows.velocity_m_s.min())


# least flow --------------------------------------------------------------


@pytest.mark.parametrize(
    ("loops", "size", "gpm", "ft_s"),
    [
        ("3/4", "1 1/4", 10.86, 2.41),
        ("3/4", "1 1/2", 10.86, 1.84),
        ("3/4", "2", 10.86, 1.18),
        ("1", "1 1/2", 16.97, 2.87),
        ("1", "2", 16.97, 1.84),
    ],
)
def test_three_loops_on_one_header_as_printed(loops: str, size: str, gpm: float, ft_s: float) -> None:
    """facts/thermal section 7 (C): three equal loops take 10.86 or 16.97 gpm, and what a header of each size then does.

    Where the header is too slow, the least flow is what the header itself takes at 2 ft/s, and it governs.
    """
    trunk = Section(start="supply", end="pit", length_m=10, inside_diameter_m=DR11[size])
    three = [replace(s, start="pit") for s in fan([Pipe(length_m=150, inside_diameter_m=DR11[loops])] * 3)]
    alone = purge_flow([replace(s, start="supply") for s in three], liquid=Water(), velocity_m_s=2 * FT)
    assert alone.flow_m3_s / GPM == pytest.approx(gpm, abs=0.01)
    at = solve([trunk, *three], flow_m3_s=alone.flow_m3_s, liquid=Water())
    assert at.velocity_m_s[0] / FT == pytest.approx(ft_s, abs=0.006)
    both = purge_flow([trunk, *three], liquid=Water(), velocity_m_s=2 * FT)
    if ft_s >= 2:
        assert both.flow_m3_s == pytest.approx(alone.flow_m3_s, rel=1e-9)
        assert both.governs > 0
    else:
        assert both.flow_m3_s == pytest.approx(2 * FT * trunk.area_m2, rel=1e-9)
        assert both.governs == 0


def test_one_pipe_and_pipes_in_series() -> None:
    """The widest pipe needs most: A v of it, and its time is volume over flow."""
    pipes = [Pipe(length_m=120, inside_diameter_m=DR11[s]) for s in ("3/4", "1 1/4", "1")]
    got = purge_flow(in_series(pipes), liquid=Water(), velocity_m_s=0.6, changes=3, hold_s=900)
    assert got.flow_m3_s == pytest.approx(0.6 * math.pi / 4 * DR11["1 1/4"] ** 2, rel=1e-12)
    assert got.governs == 1
    assert got.volume_m3 == pytest.approx(120 * math.pi / 4 * sum(p.inside_diameter_m**2 for p in pipes))
    assert got.slowest_s == pytest.approx(got.change_s) == pytest.approx(got.volume_m3 / got.flow_m3_s)
    assert got.time_s == pytest.approx(3 * got.change_s + 900)
    assert got.power_w == pytest.approx(got.flow_m3_s * got.total_pa)
    assert got.head_m == pytest.approx(got.total_pa / (999.7 * 9.80665))
    lone = purge_flow(in_series(pipes[:1]), liquid=Water(), velocity_m_s=0.6)
    assert lone.slowest_s == pytest.approx(120 / 0.6)


def random_field(rng: np.random.Generator, count: int, *, reverse: bool) -> list[Section]:
    sizes = list(DR11.values())
    loops = [Pipe(length_m=float(rng.uniform(60, 240)), inside_diameter_m=sizes[rng.integers(3)]) for _ in range(count)]
    spans = [
        Pipe(length_m=float(rng.uniform(2, 40)), inside_diameter_m=sizes[5 - i * 4 // count]) for i in range(count)
    ]
    return header(loops, supply=spans, back=spans[::-1] if reverse else spans, reverse=reverse)


@pytest.mark.parametrize("reverse", [False, True])
def test_no_smaller_flow_serves(reverse: bool) -> None:  # noqa: FBT001
    """Against a scan of 120 flows below the answer, down to a third of it; the answer itself serves and hardly more than serves."""
    rng = np.random.default_rng(11)
    for _ in range(12):
        field = random_field(rng, int(rng.integers(2, 8)), reverse=reverse)
        got = purge_flow(field, liquid=Water(), velocity_m_s=0.6)
        assert slowest(got.flows) == pytest.approx(0.6, rel=1e-9)
        assert got.flows.velocity_m_s[got.governs] == slowest(got.flows)
        for share in np.linspace(0.33, 0.9999, 120):
            assert slowest(solve(field, flow_m3_s=share * got.flow_m3_s, liquid=Water())) < 0.6
        # nothing is faster through the field than a mean volume change, and something is slower
        assert got.slowest_s >= got.change_s


def test_the_slowest_way_by_hand() -> None:
    """Two loops side by side behind a trunk: the trunk's time and the slower loop's."""
    trunk = Section(start="supply", end="pit", length_m=20, inside_diameter_m=DR11["1"])
    loops = [Section(start="pit", end="return", length_m=x, inside_diameter_m=DR11["3/4"]) for x in (100.0, 180.0)]
    got = purge_flow([trunk, *loops], liquid=Water(), velocity_m_s=0.6)
    v = got.flows.velocity_m_s
    assert got.slowest_s == pytest.approx(20 / v[0] + max(100 / v[1], 180 / v[2]), rel=1e-12)
    assert got.governs == 2
    turned = [loops[0], replace(loops[1], start="return", end="pit"), trunk]  # told the other way round
    again = purge_flow(turned, liquid=Water(), velocity_m_s=0.6)
    assert (again.flow_m3_s, again.slowest_s) == pytest.approx((got.flow_m3_s, got.slowest_s), rel=1e-9)


def test_a_section_that_no_flow_moves_is_named() -> None:
    loop = Section(start="supply", end="return", length_m=100, inside_diameter_m=0.02)
    blind = Section(start="supply", end="cap", length_m=10, inside_diameter_m=0.02, name="stub")
    with pytest.raises(RangeError, match=r"^section stub: no flow moves it"):
        purge_flow([loop, blind], liquid=Water())


# sizes --------------------------------------------------------------


def every_choice(field: Field, goals: tuple[str, ...], limit_pa: float) -> Sizes | None:
    """All choices that the chains allow, one after the other."""
    best: Sizes | None = None
    for sizes in itertools.product(*(sorted(set(p.inside_diameters_m)) for p in field.parts)):
        if any(sizes[a] < sizes[b] for chain in field.chains for a, b in itertools.pairwise(chain)):
            continue
        got = figures_of(field, sizes, goals)
        if got and got.design.total_pa <= limit_pa and (best is None or better(got, best)):
            best = got
    return best


GOALS = [
    ("purge_power_w", "design_pa"),
    ("purge_flow_m3_s", "design_pa"),
    ("design_pa", "purge_power_w"),
    ("purge_flow_m3_s", "volume_m3"),
    ("volume_m3",),
    ("purge_pa", "purge_flow_m3_s", "design_pa"),
]


def small_field(rng: np.random.Generator) -> tuple[Field, float]:
    """Two to four circuits on a header, direct or reverse return, spans paired or not, three sizes each, some limit."""
    count, reverse = int(rng.integers(2, 5)), bool(rng.random() < 0.3)
    sections = random_field(rng, count, reverse=reverse)
    menu = list(DR11.values())
    if reverse or (rng.random() < 0.3 and count < 4):
        parts = [Part(sections=(i,), inside_diameters_m=()) for i in range(count, 3 * count)]
        back = range(2 * count - 1, count - 1, -1) if reverse else range(count, 2 * count)
        chains = (tuple(range(count)), tuple(back))
        choices = 2
    else:
        parts = [Part(sections=(count + i, 2 * count + i), inside_diameters_m=()) for i in range(count)]
        chains = (tuple(range(count)),) if rng.random() < 0.8 else ()
        choices = 3
    parts = [
        replace(p, inside_diameters_m=tuple(float(x) for x in rng.choice(menu, size=choices, replace=False)))
        for p in parts
    ]
    field = Field(
        sections=tuple(sections),
        parts=tuple(parts),
        chains=chains,
        source="supply",
        sink="return",
        design_flow_m3_s=count * 3 * GPM,
        design_liquid=Glycol(),
        purge_liquid=Water(),
        roughness_m=1.5e-6,
        velocity_m_s=0.6,
    )
    return field, float(rng.choice([np.inf, 2e5, 8e4, 4e4]))


def chosen(field: Field, goals: tuple[str, ...], limit_pa: float) -> Sizes | None:
    arguments = {k: v for k, v in vars(field).items() if k != "sections"}
    try:
        return choose_sizes(field.sections, **arguments, design_limit_pa=limit_pa, goals=goals)
    except RangeError as error:
        if error.where != "parts":
            raise
        return None


@pytest.mark.parametrize("lot", range(8))
def test_the_search_finds_what_enumeration_finds(lot: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """240 random small fields in 8 lots; every second lot part by part, not by many choices at once."""
    if lot % 2:
        monkeypatch.setattr(header_sizes, "AT_ONCE", 1)
    rng = np.random.default_rng([5, lot])
    served = 0
    for k in range(30):
        field, limit = small_field(rng)
        goals = GOALS[k % len(GOALS)]
        best, got = every_choice(field, goals, limit), chosen(field, goals, limit)
        assert (best is None) == (got is None)
        if best and got:
            served += 1
            assert got.inside_diameters_m == best.inside_diameters_m
            assert got.figures == pytest.approx(best.figures, rel=1e-9)
    assert served >= 5


@pytest.mark.parametrize("at_once", [1, 512])
def test_a_reverse_return_of_six_parts_wherever_the_search_begins(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six circuits in reverse return, three steps each way, three sizes: 100 choices. A beginning changes no answer."""
    monkeypatch.setattr(header_sizes, "AT_ONCE", at_once)
    rng = np.random.default_rng(17)
    sections = random_field(rng, 6, reverse=True)
    menu = sorted(DR11.values())[-4:-1]
    runs = [(6, 7), (8, 9), (10, 11), (17, 16), (15, 14), (13, 12)]
    field = Field(
        sections=tuple(sections),
        parts=tuple(Part(sections=r, inside_diameters_m=tuple(menu)) for r in runs),
        chains=((0, 1, 2), (3, 4, 5)),
        source="supply",
        sink="return",
        design_flow_m3_s=18 * GPM,
        design_liquid=Glycol(),
        purge_liquid=Water(),
        roughness_m=1.5e-6,
        velocity_m_s=0.6,
    )
    goals = ("purge_power_w", "design_pa")
    best = every_choice(field, goals, np.inf)
    assert best is not None
    arguments = {k: v for k, v in vars(field).items() if k != "sections"}
    widest, growing = [menu[-1]] * 6, [menu[0], *[menu[-1]] * 5]
    alone = choose_sizes(sections, **arguments)
    for begin in (None, best.inside_diameters_m, widest, growing, [1e-3] * 6):
        got = choose_sizes(sections, **arguments, begin=begin)
        assert got.inside_diameters_m == best.inside_diameters_m
        assert got.figures == best.figures
        if begin == best.inside_diameters_m:
            assert got.nodes + got.leaves < alone.nodes + alone.leaves


def test_a_purge_is_given_up_once_it_needs_more_power_than_allowed() -> None:
    sections = random_field(np.random.default_rng(5), 4, reverse=True)
    whole = purge_flow(sections, liquid=Water())
    assert purge_flow(sections, liquid=Water(), most_w=whole.power_w).power_w == whole.power_w
    with pytest.raises(RangeError, match=r"^most_w: "):
        purge_flow(sections, liquid=Water(), most_w=whole.power_w / 3)


def test_no_bound_is_above_what_any_choice_reaches() -> None:
    """Parts set or open at random: every figure of a choice that they hold is at or above its bound."""
    rng = np.random.default_rng(99)
    goals = ("purge_flow_m3_s", "purge_pa", "purge_power_w", "design_pa", "volume_m3")
    seen = close = 0
    for _ in range(60):
        field, _ = small_field(rng)
        sizes = [float(rng.choice(p.inside_diameters_m)) for p in field.parts]
        got = figures_of(field, sizes, goals)
        if got is None:
            continue
        field = replace(
            field, parts=tuple(replace(p, inside_diameters_m=tuple(sorted(p.inside_diameters_m))) for p in field.parts)
        )
        at = np.array([p.inside_diameters_m.index(d) for p, d in zip(field.parts, sizes, strict=True)])
        most = np.array([len(p.inside_diameters_m) - 1 for p in field.parts])
        left_open = rng.random((3, len(at))) < np.array([[0.0], [0.5], [1.0]])
        low, high = np.where(left_open, 0, at), np.where(left_open, most, at)
        bounds = _Bounds(field)
        whole = bounds.of(low, high, np.zeros(len(field.sections)), ("purge_power_w", np.inf))
        again = bounds.of(low[:1], high[:1], whole.floor_m3_s[2], ("purge_power_w", np.inf))
        for bound in (*range(3), 3):
            for goal, figure in zip(goals, got.figures, strict=True):
                seen += 1
                below = again.figures[goal][0] if bound == 3 else whole.figures[goal][bound]
                assert below <= figure * (1 + 1e-12)
                close += below > 0.999 * figure
    assert seen > 500
    assert close > 200


def ladder(count: int) -> tuple[list[Section], list[Part], list[tuple[int, ...]]]:
    loops = [Pipe(length_m=150 + 3 * i, inside_diameter_m=DR11["3/4"], minor_k=3) for i in range(count)]
    spans = [Pipe(length_m=4.0, inside_diameter_m=DR11["2"], minor_k=0.6) for _ in range(count)]
    sizes = tuple(DR11.values())
    parts = [Part(sections=(count + i, 2 * count + i), inside_diameters_m=sizes) for i in range(count)]
    return header(loops, supply=spans, back=spans), parts, [tuple(range(count))]


def test_a_header_of_ten_steps_down_and_little_of_the_search_is_walked() -> None:
    """3003 choices; the sizes never grow, every section is fast enough, and one size throughout is no better."""
    sections, parts, chains = ladder(10)
    case = {"parts": parts, "chains": chains, "design_flow_m3_s": 20 * GPM}
    liquids = {"design_liquid": Glycol(), "purge_liquid": Water()}
    got = choose_sizes(sections, **case, **liquids)
    assert list(got.inside_diameters_m) == sorted(got.inside_diameters_m, reverse=True)
    assert slowest(got.purge.flows) >= 0.6096 * (1 - 1e-9)
    assert len(set(got.inside_diameters_m)) >= 3
    assert got.leaves < 60
    for size in DR11.values():
        same = [replace(s, inside_diameter_m=size) if i >= 10 else s for i, s in enumerate(sections)]
        assert purge_flow(same, liquid=Water()).power_w >= got.purge.power_w


def test_the_order_of_the_goals_and_the_limit_decide() -> None:
    """Loss in use first takes the widest; a limit on it turns the purge goals to wider sizes; power first is least in power."""
    sections, parts, chains = ladder(4)
    case = {"parts": parts, "chains": chains, "design_flow_m3_s": 8 * GPM}
    liquids = {"design_liquid": Glycol(), "purge_liquid": Water()}
    by_power = choose_sizes(sections, **case, **liquids)
    by_use = choose_sizes(sections, **case, **liquids, goals=("design_pa", "purge_power_w"))
    by_flow = choose_sizes(sections, **case, **liquids, goals=("purge_flow_m3_s", "design_pa"))
    assert by_use.inside_diameters_m == (DR11["3"],) * 4
    assert by_power.purge.power_w <= min(by_use.purge.power_w, by_flow.purge.power_w) * (1 + 1e-9)
    assert by_flow.purge.flow_m3_s <= by_power.purge.flow_m3_s * (1 + 1e-9)
    limit = (by_use.design.total_pa + by_flow.design.total_pa) / 2
    tight = choose_sizes(sections, **case, **liquids, goals=("purge_flow_m3_s", "design_pa"), design_limit_pa=limit)
    assert tight.design.total_pa <= limit < by_flow.design.total_pa
    assert tight.purge.flow_m3_s > by_flow.purge.flow_m3_s
    with pytest.raises(RangeError, match="no sizes let every section be purged"):
        choose_sizes(sections, **case, **liquids, design_limit_pa=by_use.design.total_pa * 0.99)


# bad figures --------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"velocity_m_s": 0.0}, "velocity_m_s"),
        ({"changes": -1.0}, "changes"),
        ({"hold_s": math.nan}, "hold_s"),
        ({"roughness_m": -1e-6}, "roughness_m"),
        ({"liquid": Water(viscosity_pa_s=0.0)}, "viscosity_pa_s"),
        ({"sink": "nowhere"}, "sink"),
    ],
)
def test_bad_figures_of_a_purge_are_refused(change: dict[str, object], named: str) -> None:
    loop = fan([Pipe(length_m=100, inside_diameter_m=0.02)])
    with pytest.raises(RangeError, match=rf"^{named}: "):
        purge_flow(loop, **{"liquid": Water(), **change})


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"design_flow_m3_s": 0.0}, "design_flow_m3_s"),
        ({"velocity_m_s": -1.0}, "velocity_m_s"),
        ({"design_limit_pa": 0.0}, "design_limit_pa"),
        ({"design_limit_pa": math.nan}, "design_limit_pa"),
        ({"goals": ()}, "goals"),
        ({"goals": ("beauty",)}, "goals"),
        ({"goals": ("design_pa", "design_pa")}, "goals"),
        ({"parts": []}, "parts"),
        ({"parts": [Part(sections=(99,), inside_diameters_m=(0.02,))]}, "part 0"),
        ({"parts": [Part(sections=(4,), inside_diameters_m=())]}, "part 0 inside_diameters_m"),
        ({"parts": [Part(sections=(4,), inside_diameters_m=(0.02,))] * 2}, "part 1"),
        ({"chains": [(0, 17)]}, "chains"),
        ({"begin": [0.05]}, "begin"),
    ],
)
def test_bad_figures_of_a_choice_are_refused(change: dict[str, object], named: str) -> None:
    sections, parts, chains = ladder(2)
    case = {"parts": parts, "chains": chains, "design_flow_m3_s": 4 * GPM}
    liquids = {"design_liquid": Glycol(), "purge_liquid": Water()}
    with pytest.raises(RangeError, match=rf"^{named}: "):
        choose_sizes(sections, **{**case, **liquids, **change})
