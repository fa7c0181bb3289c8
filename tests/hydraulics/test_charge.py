"""Charge: volumes and mixtures that add up, and coils against every way of cutting."""

from __future__ import annotations

import math

import numpy as np
import pytest

from loopgis.core.errors import RangeError
from loopgis.hydraulics.charge import charge, circuit_pipe_m, coils, pipe_volume_m3, pressure_of_test_pa, pressure_tests
from loopgis.hydraulics.fluid import fluid_of

FEET = (300 * 0.3048, 400 * 0.3048, 500 * 0.3048)


def test_volume_of_many_pipes_is_their_sum() -> None:
    got = pipe_volume_m3(length_m=[100.0, 50.0], inside_diameter_m=[0.02, 0.04])
    assert got == pytest.approx(math.pi / 4 * (100 * 0.0004 + 50 * 0.0016))


@pytest.mark.parametrize("name", ["propylene glycol", "methanol", "ethanol"])
@pytest.mark.parametrize("share", [10, 20, 30])
def test_what_is_measured_out_gives_the_fluid_back(name: str, share: float) -> None:
    """By mass in, by volume out, and that text gives the same fluid; masses fill the loop at the mixture's density."""
    fluid = fluid_of(f"{name} {share} %", where="x")
    got = charge(volume_m3=0.4, fluid=fluid, lowest_loop_c=-2.0)
    assert got.antifreeze_kg + got.water_kg == pytest.approx(0.4 * fluid.state(20.0).density_kg_m3)
    assert got.antifreeze_kg / (got.antifreeze_kg + got.water_kg) == pytest.approx(share / 100)
    again = fluid_of(f"{name} {100 * got.volume_share:.12f} % by volume", where="x")
    assert again.mass_share == pytest.approx(share / 100)
    assert got.antifreeze_m3 + got.water_m3 - got.shrinks_m3 == pytest.approx(0.4)
    assert 0 < got.shrinks_m3 / 0.4 < 0.035  # all three shrink when mixed; alcohols by some 3 %
    assert got.margin_k == pytest.approx(-2.0 - fluid.freeze_c)
    assert got.enough == (got.margin_k >= 5)


def test_water_alone() -> None:
    got = charge(volume_m3=0.2, fluid=fluid_of("water", where="x"), lowest_loop_c=4.0, wanted_margin_k=3.0)
    assert (got.antifreeze_kg, got.antifreeze_m3, got.volume_share) == (0.0, 0.0, 0.0)
    assert got.water_m3 == pytest.approx(0.2, rel=1e-3)
    assert got.enough
    assert not charge(volume_m3=0.2, fluid=fluid_of("water", where="x"), lowest_loop_c=1.0).enough


def test_pipe_of_a_circuit() -> None:
    assert circuit_pipe_m(bore_length_m=60, slack_share=0) == 120
    assert circuit_pipe_m(bore_length_m=60, bores=2, tails_m=10, slack_share=0.05) == pytest.approx(262)


def least_by_hand(circuits: list[float], offers: tuple[float, ...]) -> tuple[float, int] | None:
    """Least pipe and coils over all ways of sharing circuits out."""
    best: tuple[float, int] | None = None

    def deal(i: int, groups: list[float]) -> None:
        nonlocal best
        if i == len(circuits):
            bought = sum(min(o for o in offers if o >= g - 1e-9) for g in groups)
            key = (round(bought, 6), len(groups))
            best = key if best is None else min(best, key)
            return
        for k in range(len(groups)):
            if groups[k] + circuits[i] <= max(offers) + 1e-9:
                deal(i + 1, [*groups[:k], groups[k] + circuits[i], *groups[k + 1 :]])
        deal(i + 1, [*groups, circuits[i]])

    deal(0, [])
    return best


def test_coils_are_the_fewest_metres() -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        circuits = [round(float(x), int(rng.integers(0, 3))) for x in rng.uniform(15, 150, int(rng.integers(1, 8)))]
        got = coils(circuits_m=circuits)
        assert (round(got.bought_m, 6), len(got.coils)) == least_by_hand(circuits, FEET)
        assert sorted(i for c in got.coils for i in c.circuits) == list(range(len(circuits)))
        for coil in got.coils:
            assert coil.length_m in FEET
            assert coil.left_m == pytest.approx(coil.length_m - sum(circuits[i] for i in coil.circuits))
            assert coil.left_m >= 0
        assert got.left_m == pytest.approx(got.bought_m - sum(circuits))


def test_a_school_s_worth_of_coils() -> None:
    rng = np.random.default_rng(5)
    circuits = [float(x) for x in rng.uniform(95, 150, 60)]
    got = coils(circuits_m=circuits)
    assert len(got.coils) == 60
    assert got.bought_m == pytest.approx(sum(min(o for o in FEET if o >= c) for c in circuits))


def test_bad_figures_are_refused() -> None:
    water = fluid_of("water", where="x")
    for make, named in (
        (lambda: pipe_volume_m3(length_m=-1, inside_diameter_m=0.02), "length_m"),
        (lambda: pipe_volume_m3(length_m=1, inside_diameter_m=0), "inside_diameter_m"),
        (lambda: charge(volume_m3=0, fluid=water, lowest_loop_c=5), "volume_m3"),
        (lambda: charge(volume_m3=1, fluid=water, lowest_loop_c=math.nan), "lowest_loop_c"),
        (lambda: charge(volume_m3=1, fluid=water, lowest_loop_c=5, wanted_margin_k=-1), "wanted_margin_k"),
        (lambda: circuit_pipe_m(bore_length_m=0), "bore_length_m"),
        (lambda: circuit_pipe_m(bore_length_m=10, bores=0), "bores"),
        (lambda: circuit_pipe_m(bore_length_m=10, slack_share=-0.1), "slack_share"),
        (lambda: coils(circuits_m=[]), "circuits_m"),
        (lambda: coils(circuits_m=[160.0]), "circuits_m"),
        (lambda: coils(circuits_m=[50.0, -1.0]), "circuits_m"),
        (lambda: coils(circuits_m=[50.0], coils_m=[0.0]), "coils_m"),
        (lambda: coils(circuits_m=list(np.linspace(1, 3, 80))), "circuits_m"),
        (lambda: pressure_of_test_pa(test=pressure_tests()[0], operating_pa=0), "operating_pa"),
    ):
        with pytest.raises(RangeError, match=rf"^{named}: "):
            make()
