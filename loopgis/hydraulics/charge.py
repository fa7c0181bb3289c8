"""What goes into a loop and onto the lorry: volumes, antifreeze, test pressures, coils of pipe.

Shares by volume are told at 20 degrees C before mixing, as they are measured out; shares by mass are the fluid's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.core.units import PSI_PA
from loopgis.hydraulics.fluid import WATER_KG_M3
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from loopgis.hydraulics.fluid import Fluid

MIXING_C = 20.0
COILS_M = (300 * 0.3048, 400 * 0.3048, 500 * 0.3048)
"""Coils of small loop pipe, 300, 400 and 500 ft (from memory)."""
SLACK_SHARE = 0.03
"""Pipe beyond twice the bore: it snakes, stretches and springs back (common practice, no source)."""
MOST_PATTERNS = 20_000


def pipe_volume_m3(*, length_m: ArrayLike, inside_diameter_m: ArrayLike) -> float:
    """Volume of pipes filled to the brim, m3: the sum of pi/4 D^2 L. Figures or arrays that broadcast. Raises RangeError.

    >>> round(pipe_volume_m3(length_m=30.48, inside_diameter_m=0.86 * 0.0254) / 0.003785411784, 2)  # gallons in 100 ft
    3.02
    """
    not_negative(length_m=length_m)
    positive(inside_diameter_m=inside_diameter_m)
    length, diameter = np.asarray(length_m, dtype=float), np.asarray(inside_diameter_m, dtype=float)
    return float(np.sum(np.pi / 4 * diameter**2 * length))


@dataclass(frozen=True, kw_only=True)
class Charge:
    """What to fill in. volume_m3: of the loop, at 20 degrees C.

    antifreeze_kg, antifreeze_m3: pure; water_kg, water_m3; volume_share: antifreeze over the sum of both before mixing; mass_share;
    shrinks_m3: by how much the mixture is less than that sum; freeze_c: where ice begins; margin_k: the coldest the loop gets over
    that; enough: the margin is at least what is wanted.
    """

    volume_m3: float
    antifreeze_kg: float
    antifreeze_m3: float
    water_kg: float
    water_m3: float
    volume_share: float
    mass_share: float
    shrinks_m3: float
    freeze_c: float
    margin_k: float
    enough: bool


def charge(*, volume_m3: float, fluid: Fluid, lowest_loop_c: float, wanted_margin_k: float = 5.0) -> Charge:
    """Antifreeze and water that fill a loop with a fluid.

    volume_m3: of everything that is filled, hoses and heat pump too; fluid: see `loopgis.hydraulics.fluid.fluid_of`, which takes a
    share by mass or by volume; lowest_loop_c: coldest fluid anywhere, leaving the heat pump at full load; wanted_margin_k: of the
    freezing point below it (5 K, 10 degF: common practice, no source). Density of the mixture: CoolProp (tables/fluids.toml); of
    the pure antifreeze: there, from memory. Raises RangeError for a bad figure.
    """
    positive(volume_m3=volume_m3)
    not_negative(wanted_margin_k=wanted_margin_k)
    if not np.isfinite(lowest_loop_c):
        raise RangeError("lowest_loop_c", f"{lowest_loop_c:g} is no temperature", "give degrees C")
    mass = volume_m3 * fluid.state(MIXING_C).density_kg_m3
    pure = float(load_table("fluids")["pure_kg_m3"][fluid.name]) if fluid.mass_share > 0 else WATER_KG_M3
    antifreeze, water = mass * fluid.mass_share, mass * (1 - fluid.mass_share)
    antifreeze_m3, water_m3 = antifreeze / pure, water / WATER_KG_M3
    margin = lowest_loop_c - fluid.freeze_c
    return Charge(
        volume_m3=volume_m3,
        antifreeze_kg=antifreeze,
        antifreeze_m3=antifreeze_m3,
        water_kg=water,
        water_m3=water_m3,
        volume_share=antifreeze_m3 / (antifreeze_m3 + water_m3),
        mass_share=fluid.mass_share,
        shrinks_m3=antifreeze_m3 + water_m3 - volume_m3,
        freeze_c=fluid.freeze_c,
        margin_k=margin,
        enough=margin >= wanted_margin_k,
    )


# pressure --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class PressureTest:
    """One published rule. None where it says nothing.

    least_pa: test at that at least; times_operating: and at so many times the operating pressure; drop_pa: let down by so much
    before the hold; hold_s; most_total_h: under pressure in all; rest_h: before another try; passes: what counts as sound.
    """

    name: str
    least_pa: float | None
    times_operating: float | None
    drop_pa: float | None
    hold_s: float
    most_total_h: float | None
    rest_h: float | None
    medium: str
    passes: str
    source: str


def pressure_tests() -> tuple[PressureTest, ...]:
    """The published rules of tables/pressure_tests.toml, each with its source and mark.

    >>> [t.name for t in pressure_tests()][1]
    'ground-loop code'
    """
    return tuple(
        PressureTest(
            name=str(r["name"]),
            least_pa=r["least_psi"] * PSI_PA if "least_psi" in r else None,
            times_operating=r.get("times_operating"),
            drop_pa=r["drop_psi"] * PSI_PA if "drop_psi" in r else None,
            hold_s=60 * float(r["hold_min"]),
            most_total_h=r.get("most_total_h"),
            rest_h=r.get("rest_h"),
            medium=str(r["medium"]),
            passes=str(r["passes"]),
            source=str(r["source"]),
        )
        for r in load_table("pressure_tests")["test"]
    )


def pressure_of_test_pa(*, test: PressureTest, operating_pa: float) -> float | None:
    """Pressure that a rule asks for at the gauge, Pa over the air: the larger of its two figures, None where it has neither.

    test: one of `pressure_tests`; operating_pa: highest in use. Raises RangeError for no pressure.
    """
    positive(operating_pa=operating_pa)
    asked = [p for p in (test.least_pa, test.times_operating and test.times_operating * operating_pa) if p]
    return max(asked, default=None)


def final_charge_pa() -> float:
    """Pressure that a loop is left with before the heat pump is joined, Pa: 40 psi or more (S: a utility's page)."""
    return float(load_table("pressure_tests")["charge"][0]["least_psi"]) * PSI_PA


def pressure_rating_pa(*, material: str, dr: float) -> float:
    """Rating of polyethylene at 73 degF, Pa (S: table of a state's well rule). Raises RangeError for pipe that it does not hold.

    material: "PE3608" (also PE3408) or "PE4710"; dr: 11 or 13.5.

    >>> round(pressure_rating_pa(material="PE4710", dr=11) / PSI_PA)
    202
    """
    rows = load_table("pressure_tests")["rating"]
    for r in rows:
        if r["material"] == material and r["dr"] == dr:
            return float(r["psi"]) * PSI_PA
    known = ", ".join(f"{r['material']} DR {r['dr']:g}" for r in rows)
    raise RangeError("material and dr", f"no rating for {material} DR {dr:g}", f"one of {known}")


# coils --------------------------------------------------------------


def circuit_pipe_m(
    *, bore_length_m: float, bores: int = 1, tails_m: float = 0.0, slack_share: float = SLACK_SHARE
) -> float:
    """Pipe of one circuit, metres: both legs of its bores with slack, and tails.

    bore_length_m: drilled length of all its bores together over their number; bores: in series; tails_m: from the bores to the
    manifold and for fusing, both legs together; slack_share: on the legs. Raises RangeError.

    >>> round(circuit_pipe_m(bore_length_m=70, tails_m=6), 1)
    150.2
    """
    positive(bore_length_m=bore_length_m)
    not_negative(tails_m=tails_m, slack_share=slack_share)
    if isinstance(bores, bool) or bores != int(bores) or bores < 1:
        raise RangeError("bores", f"{bores} is no number of bores", "give 1, 2, ...")
    return 2 * bores * bore_length_m * (1 + slack_share) + tails_m


@dataclass(frozen=True, kw_only=True)
class Coil:
    """One coil to buy. length_m; circuits: numbers of those cut from it; left_m: what remains."""

    length_m: float
    circuits: tuple[int, ...]
    left_m: float


@dataclass(frozen=True, kw_only=True)
class Coils:
    """What to buy. bought_m, left_m: of all coils together."""

    coils: tuple[Coil, ...]
    bought_m: float
    left_m: float


def coils(*, circuits_m: Sequence[float], coils_m: Sequence[float] = COILS_M) -> Coils:
    """Coils from which all circuits can be cut whole, so that no joint lies in a bore: least pipe bought, then fewest coils.

    circuits_m: pipe of each circuit; coils_m: lengths on offer, any number of each. Exact: every way of cutting one coil is a
    column of an integer programme that HiGHS solves to a gap of zero (a coil more weighs as a millimetre more pipe). Whole pipe
    in a bore: common practice, no source. Raises RangeError for a circuit longer than any coil, or for more than 20,000 ways of
    cutting.

    >>> [c.circuits for c in coils(circuits_m=[150, 60, 85], coils_m=[91.44, 152.4]).coils]
    [(0,), (1, 2)]
    """
    if len(circuits_m) == 0:
        raise RangeError("circuits_m", "holds nothing", "give at least one")
    positive(circuits_m=circuits_m, coils_m=coils_m)
    lengths = sorted({round(float(c), 6) for c in circuits_m}, reverse=True)
    offers = sorted({float(c) for c in coils_m})
    if lengths[0] > offers[-1] + 1e-9:
        what = f"a circuit of {lengths[0]:.1f} m is longer than the longest coil, {offers[-1]:.1f} m"
        raise RangeError("circuits_m", what, "longer coils, shorter bores, or a joint above ground")
    which = [lengths.index(round(float(c), 6)) for c in circuits_m]
    need = np.bincount(which, minlength=len(lengths))
    patterns = _patterns(lengths, need.tolist(), offers[-1])
    sizes = [
        next(o for o in offers if o + 1e-9 >= sum(n * x for n, x in zip(p, lengths, strict=True))) for p in patterns
    ]
    counts = _least_coils(np.array(patterns, dtype=float).T, np.array(sizes) + 1e-3, need)
    waiting = [[i for i, w in enumerate(which) if w == k] for k in range(len(lengths))]
    out = []
    for pattern, size, count in zip(patterns, sizes, counts, strict=True):
        for _ in range(count):
            cut = sorted(waiting[k].pop(0) for k, n in enumerate(pattern) for _ in range(n))
            out.append(
                Coil(length_m=size, circuits=tuple(cut), left_m=max(size - sum(circuits_m[i] for i in cut), 0.0))
            )
    out.sort(key=lambda c: c.circuits)
    return Coils(coils=tuple(out), bought_m=sum(c.length_m for c in out), left_m=sum(c.left_m for c in out))


def _patterns(lengths: Sequence[float], need: Sequence[int], longest: float) -> list[tuple[int, ...]]:
    """All ways of cutting circuits from one coil, as counts of each length, the empty one left out."""
    out: list[tuple[int, ...]] = []

    def grow(taken: tuple[int, ...], room: float) -> None:
        k = len(taken)
        if k == len(lengths):
            if any(taken):
                out.append(taken)
            if len(out) > MOST_PATTERNS:
                what = f"there are more than {MOST_PATTERNS} ways of cutting one coil"
                raise RangeError("circuits_m", what, "round the lengths up to whole metres, or order in two lots")
            return
        for n in range(min(need[k], int((room + 1e-9) / lengths[k])) + 1):
            grow((*taken, n), room - n * lengths[k])

    grow((), longest)
    return out


def _least_coils(cuts: np.ndarray, cost: np.ndarray, need: np.ndarray) -> list[int]:
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415

    found = milp(
        cost,
        constraints=LinearConstraint(cuts, need, need),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, np.inf),
        options={"mip_rel_gap": 0.0},
    )
    if not found.success:
        raise RangeError("circuits_m", "the choice of coils was not proven", "order in two lots")
    return [int(n) for n in np.rint(found.x)]
