"""Does the mud press the pipe flat, and how tight may the pipe be bent.

Pressures in pascals, lengths in metres; every formula is homogeneous, so that psi and feet go through it too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from loopgis.bore.pipe import MUD_GRAVITY, SAFE_STRESS_PA, WATER_N_M3, by_duration_pa, pipe_is_pipe
from loopgis.bore.pull import HYDROKINETIC_PA
from loopgis.core.errors import RangeError
from loopgis.core.figures import finite, not_negative, positive
from loopgis.tables.load import load_table

POISSON = 0.45
"""Polyethylene under a lasting load (S: ASTM F1962 through the textbook)."""
OVALITY = 0.03
"""A pipe a little out of round (M, recomputed: pipe institute's example)."""
MINI_SAFETY = 6.0
"""What the mini rule divides the 1000-hour head by (S: textbook p. 226)."""
MINI_HOURS = 1000.0


def modulus_pa(*, material: str = "PE3608", duration_h: float = 12.0) -> float:
    """Apparent modulus of a material at 73 degF under a pressure that stands so many hours, Pa.

    material: "PE3608" (PE3XXX) or "PE4710" (PE4XXX); duration_h: hours; between rows of the table the longer one counts. Raises
    RangeError for an unknown material or more than 50 years. Source: tables/pull.toml, mostly the pipe institute's table B.1.1 (S).

    >>> round(modulus_pa(material="PE3608", duration_h=8766) / 6894.757293)
    38000
    """
    return by_duration_pa("modulus", material, duration_h)


def ovality_factor(ovality: float) -> float:
    """What a pipe out of round keeps of its critical pressure: ((1 - d) / (1 + d)^2)^3 (M, recomputed: pipe institute's chart).

    ovality: (mean diameter - least diameter) / mean, 0.03 for 3 %. Raises RangeError outside 0 to 1.

    >>> [round(ovality_factor(d), 3) for d in (0, 0.03, 0.05)]
    [1.0, 0.764, 0.64]
    """
    if not 0 <= ovality < 1:
        raise RangeError("ovality", f"{ovality:g} is no share from 0 to 1", "write 3 % as 0.03")
    return ((1 - ovality) / (1 + ovality) ** 2) ** 3


def tension_factor(stress_ratio: float) -> float:
    """What a pulled pipe keeps of its critical pressure: sqrt(5.57 - (r + 1.09)^2) - 1.09, at most 1.

    stress_ratio: r = tensile stress / (2 safe stress). The formula gives 1.003 at rest; that much is cut off. Raises RangeError
    outside 0 to 1. Source: pipe institute's handbook, ch. 12 (M, recomputed from its example).

    >>> round(tension_factor(0.178), 4)
    0.9005
    """
    if not 0 <= stress_ratio <= 1:
        raise RangeError(
            "stress_ratio", f"{stress_ratio:g} is outside 0 to 1", "the pull is more than twice the safe one"
        )
    return min(1.0, math.sqrt(5.57 - (stress_ratio + 1.09) ** 2) - 1.09)


def critical_pressure_pa(
    *,
    dr: float,
    modulus_pa: float,
    ovality: float = OVALITY,
    stress_ratio: float = 0.0,
    poisson: float = POISSON,
) -> float:
    """Outside pressure that collapses a pipe nothing supports: 2 E f_o f_R / ((1 - mu^2) (DR - 1)^3), Pa.

    dr: diameter over wall; modulus_pa: for the duration of the pressure; ovality: share; stress_ratio: tension over twice the safe
    stress; poisson: ratio. Raises RangeError for figures outside these. Source: textbook 5.14, ASTM F1962 (S).
    """
    pipe_is_pipe(1.0, dr)
    positive(modulus_pa=modulus_pa)
    if not 0 <= poisson < 1:
        raise RangeError("poisson", f"{poisson:g} is outside 0 to 1", "0.45 for polyethylene")
    reduced = ovality_factor(ovality) * tension_factor(stress_ratio)
    return 2 * modulus_pa * reduced / ((1 - poisson**2) * (dr - 1) ** 3)


def critical_head_m(
    *,
    dr: float,
    modulus_pa: float,
    ovality: float = 0.0,
    stress_ratio: float = 0.0,
    poisson: float = POISSON,
    water_n_m3: float = WATER_N_M3,
) -> float:
    """Head of water that collapses a pipe, metres; a round pipe at rest by default, as the textbook's table 5.1 is made (S).

    Keywords as in `critical_pressure_pa`; water_n_m3: weight of water.

    >>> round(critical_head_m(dr=11, modulus_pa=28000 * 6894.757293, water_n_m3=9802.26) / 0.3048)
    162
    """
    positive(water_n_m3=water_n_m3)
    return (
        critical_pressure_pa(dr=dr, modulus_pa=modulus_pa, ovality=ovality, stress_ratio=stress_ratio, poisson=poisson)
        / water_n_m3
    )


def mini_depth_m(*, dr: float, water_n_m3: float = WATER_N_M3) -> float:
    """Greatest depth of an empty pipe by the mini rule, metres: the 1000-hour critical head over six (S: textbook p. 226).

    dr: diameter over wall. Raises RangeError for no pipe.
    """
    return critical_head_m(dr=dr, modulus_pa=modulus_pa(duration_h=MINI_HOURS), water_n_m3=water_n_m3) / MINI_SAFETY


def external_pressure_pa(
    *,
    depth_m: float,
    mud_gravity: float = MUD_GRAVITY,
    fill_gravity: float = 0.0,
    added_pa: float = HYDROKINETIC_PA,
    inside_pa: float = 0.0,
    water_n_m3: float = WATER_N_M3,
) -> float:
    """Pressure on a pipe from outside less that from inside, Pa; negative when the inside is the stronger.

    depth_m: below the level of the mud; mud_gravity, fill_gravity: mud and what fills the pipe, over water (0 empty); added_pa: of
    the mud's flow while pulling; inside_pa: on the capped pipe. Raises RangeError for negative figures.
    Source: ASTM F1962, pipe institute's example (M, recomputed); the inside is D.
    """
    not_negative(depth_m=depth_m, fill_gravity=fill_gravity, added_pa=added_pa, inside_pa=inside_pa)
    positive(mud_gravity=mud_gravity, water_n_m3=water_n_m3)
    return (mud_gravity - fill_gravity) * water_n_m3 * depth_m + added_pa - inside_pa


@dataclass(frozen=True, kw_only=True)
class Collapse:
    """A pipe under the pressure of the mud.

    critical_pa: what collapses it; external_pa: what acts, inside taken off; safety: one over the other, infinite when nothing
    presses; critical_head_m: as a head of water; ovality_factor, tension_factor: the two reductions in it.
    """

    critical_pa: float
    external_pa: float
    safety: float
    critical_head_m: float
    ovality_factor: float
    tension_factor: float


def collapse(
    *,
    dr: float,
    depth_m: float,
    modulus_pa: float,
    tension_pa: float = 0.0,
    safe_stress_pa: float = SAFE_STRESS_PA,
    ovality: float = OVALITY,
    mud_gravity: float = MUD_GRAVITY,
    fill_gravity: float = 0.0,
    added_pa: float = HYDROKINETIC_PA,
    inside_pa: float = 0.0,
    poisson: float = POISSON,
    water_n_m3: float = WATER_N_M3,
) -> Collapse:
    """Safety of a pipe against collapse while it is pulled in.

    dr: diameter over wall; depth_m: of its deepest place below the mud's level; modulus_pa: for as long as it lies in mud, see
    `modulus_pa`; tension_pa: stress of the pull, the flow's share included; safe_stress_pa: of the same material and duration;
    the rest as in `critical_pressure_pa` and `external_pressure_pa`. Raises RangeError for figures outside these.
    Source: ASTM F1962 through the textbook (S) and the pipe institute's example (M, recomputed).
    """
    not_negative(tension_pa=tension_pa)
    positive(safe_stress_pa=safe_stress_pa)
    ratio = tension_pa / (2 * safe_stress_pa)
    critical = critical_pressure_pa(dr=dr, modulus_pa=modulus_pa, ovality=ovality, stress_ratio=ratio, poisson=poisson)
    external = external_pressure_pa(
        depth_m=depth_m,
        mud_gravity=mud_gravity,
        fill_gravity=fill_gravity,
        added_pa=added_pa,
        inside_pa=inside_pa,
        water_n_m3=water_n_m3,
    )
    return Collapse(
        critical_pa=critical,
        external_pa=external,
        safety=critical / external if external > 0 else math.inf,
        critical_head_m=critical / water_n_m3,
        ovality_factor=ovality_factor(ovality),
        tension_factor=tension_factor(ratio),
    )


def pipe_bend_radius_m(*, outside_diameter_m: float, dr: float, fitting: bool = False) -> float:
    """Least radius to which a pipe may be bent cold, metres: 20 to 52 true outside diameters by DR.

    outside_diameter_m, dr: of the pipe; a DR between two rows takes the thinner pipe's radius; fitting: a joint lies in the bend,
    100 diameters. The rod governs in the hole, this at pit, header and U-bend. Raises RangeError outside DR 7 to 41.
    Source: pipe institute's table (S), fitting M; tables/pull.toml.

    >>> round(pipe_bend_radius_m(outside_diameter_m=1.66 * 0.0254, dr=11) / 0.0254, 1)
    41.5
    """
    pipe_is_pipe(outside_diameter_m, dr)
    table = load_table("pull")
    rows = sorted((float(r["dr"]), float(r["diameters"])) for r in table["bend"])
    if not rows[0][0] <= dr <= rows[-1][0]:
        raise RangeError("dr", f"{dr:g} is outside {rows[0][0]:g} to {rows[-1][0]:g}", "ask the pipe's maker")
    ratio = next(diameters for row, diameters in rows if row >= dr)
    return outside_diameter_m * (max(ratio, float(table["fitting"]["diameters"])) if fitting else ratio)


def bending_strain(*, outside_diameter_m: float, radius_m: float) -> float:
    """Strain in the outer fibre of a bent pipe, OD / (2 R) (M, recomputed: pipe institute's handbook, ch. 12).

    outside_diameter_m: of the pipe; radius_m: of the bend, infinite for none. Raises RangeError when the pipe would be folded.

    >>> round(bending_strain(outside_diameter_m=1.66 * 0.0254, radius_m=30.48) * 1e4, 2)
    6.92
    """
    positive(outside_diameter_m=outside_diameter_m)
    if not radius_m > outside_diameter_m / 2:
        raise RangeError("radius_m", f"{radius_m:g} is inside the pipe", "give the radius of the bend's axis")
    return outside_diameter_m / (2 * radius_m)


def bending_stress_pa(*, strain: float, modulus_pa: float) -> float:
    """Stress of a bending strain, Pa: strain times apparent modulus (M, recomputed: pipe institute's handbook, ch. 12)."""
    finite(strain=strain)
    positive(modulus_pa=modulus_pa)
    return strain * modulus_pa
