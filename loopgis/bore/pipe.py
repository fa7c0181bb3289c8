"""Loop pipes: their walls, the circle round a bundle, their weight in air and in mud, and the pull that they may bear.

Every formula is homogeneous, as in `pull.py`; only defaults with a unit are tied to SI.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive
from loopgis.core.units import PSI_PA
from loopgis.tables.load import load_table

WATER_N_M3 = 9810.0
"""Weight of water, 1000 kg/m3 at 9.81 m/s2; the textbook's 62.4 lb/ft3 is 0.08 % less."""
PIPE_GRAVITY = 0.95
"""Polyethylene over water; 0.95 to 0.955 are in use (ASTM F1962 example, M, recomputed)."""
MUD_GRAVITY = 1.5
"""Slurry over water for pulling and collapse, stated to be conservative (S: ASTM F1962 through the textbook)."""
SAFE_STRESS_PA = 1150 * PSI_PA
"""Twelve hours, PE3608 (S: pipe institute's sheet of 2015); printed figures run from 1,100 to 1,431 psi for 1 to 24 hours."""
MOST_PIPES = 7
"""Largest bundle whose enclosing circle is known here in closed form."""


def pipe_is_pipe(outside_diameter_m: float, dr: float, pipes: int = 1) -> None:
    """Raise RangeError unless diameter, ratio of diameter to wall, and number describe pipes with a hole in them."""
    positive(outside_diameter_m=outside_diameter_m)
    if not 2 < dr < math.inf:
        raise RangeError("dr", f"{dr:g} leaves no bore in the pipe", "diameter over wall is above 2, usually 7 to 26")
    if isinstance(pipes, bool) or not 1 <= pipes < math.inf or pipes != int(pipes):
        raise RangeError("pipes", f"{pipes} is no number of pipes", "give 1, 2, ...")


def wall_m(*, outside_diameter_m: float, dr: float) -> float:
    """Least wall of a pipe: outside diameter over DR, metres (S: ASTM D3035 IPS table). Raises RangeError for no pipe.

    >>> round(wall_m(outside_diameter_m=0.042164, dr=11) / 0.0254, 3)
    0.151
    """
    pipe_is_pipe(outside_diameter_m, dr)
    return outside_diameter_m / dr


def pipe_area_m2(*, outside_diameter_m: float, dr: float, pipes: int = 1) -> float:
    """Cross-section of the walls of all pipes together: pi OD^2 (1/DR - 1/DR^2) each, m2 (S: ASTM F1962 through the textbook).

    outside_diameter_m: of one pipe; dr: diameter over wall; pipes: number of equal pipes. Raises RangeError for no pipe.
    """
    pipe_is_pipe(outside_diameter_m, dr, pipes)
    return pipes * math.pi * outside_diameter_m**2 * (1 / dr - 1 / dr**2)


def bundle_diameter_m(*, outside_diameter_m: float, pipes: int) -> float:
    """Diameter of the circle round equal pipes, metres: OD (1 + 1 / sin(pi / n)) for 2 to 6, three times OD for 7 (D).

    outside_diameter_m: of one pipe; pipes: 1 to 7. Raises RangeError for more.

    >>> [round(bundle_diameter_m(outside_diameter_m=1.0, pipes=n), 4) for n in (1, 2, 3, 4)]
    [1.0, 2.0, 2.1547, 2.4142]
    """
    pipe_is_pipe(outside_diameter_m, math.e, pipes)
    if pipes > MOST_PIPES:
        raise RangeError("pipes", f"{pipes} are more than {MOST_PIPES}", "pull them in two bundles")
    if pipes == 1:
        return outside_diameter_m
    return outside_diameter_m * (1 + 1 / math.sin(math.pi / min(pipes, 6)))


@dataclass(frozen=True, kw_only=True)
class PipeWeights:
    """Weight of all pipes together, N/m. air_n_m: on the ground, empty; buoyant_n_m: in the mud, positive upwards."""

    air_n_m: float
    buoyant_n_m: float


def pipe_weights(
    *,
    outside_diameter_m: float,
    dr: float,
    pipes: int = 1,
    fill_gravity: float = 0.0,
    pipe_gravity: float = PIPE_GRAVITY,
    mud_gravity: float = MUD_GRAVITY,
    water_n_m3: float = WATER_N_M3,
) -> PipeWeights:
    """Weight of the pipes in air and in the mud.

    outside_diameter_m, dr: of one pipe; pipes: equal ones pulled together; fill_gravity: what is in them over water, 0 empty and
    1 water; pipe_gravity, mud_gravity: over water; water_n_m3: weight of water. The wall is the least one, outside diameter over
    DR; catalogues weigh the mean wall and run some 6 % higher. Raises RangeError for figures that describe no pipe.
    Source: ASTM F1962 as restated by the textbook (S) and recomputed from the pipe institute's example (M).

    >>> w = pipe_weights(outside_diameter_m=0.042164, dr=11)
    >>> round(w.air_n_m, 2), round(w.buoyant_n_m, 2)
    (4.3, 16.24)
    """
    pipe_is_pipe(outside_diameter_m, dr, pipes)
    positive(pipe_gravity=pipe_gravity, mud_gravity=mud_gravity, water_n_m3=water_n_m3)
    not_negative(fill_gravity=fill_gravity)
    inside_m = outside_diameter_m * (1 - 2 / dr)
    air = pipe_area_m2(outside_diameter_m=outside_diameter_m, dr=dr, pipes=pipes) * pipe_gravity * water_n_m3
    mud = pipes * math.pi / 4 * outside_diameter_m**2 * mud_gravity * water_n_m3
    fill = pipes * math.pi / 4 * inside_m**2 * fill_gravity * water_n_m3
    return PipeWeights(air_n_m=air, buoyant_n_m=mud - air - fill)


# what the pipe bears --------------------------------------------------------------


def by_duration_pa(table: str, material: str, duration_h: float) -> float:
    """Figure of tables/pull.toml for a material and a duration, Pa: the row that lasts as long or next longer, the lower of two.

    table: "safe_stress" or "modulus". Raises RangeError for an unknown material or a duration longer than the table goes.
    """
    positive(duration_h=duration_h)
    rows = [r for r in load_table("pull")[table] if r["material"] == material]
    if not rows:
        known = ", ".join(sorted({r["material"] for r in load_table("pull")[table]}))
        raise RangeError("material", f"{material!r} is not known", f"one of {known}")
    longer = [r for r in rows if r["hours"] >= duration_h * (1 - 1e-9)]
    if not longer:
        most = max(r["hours"] for r in rows)
        raise RangeError("duration_h", f"{duration_h:g} is longer than {most:g} h", "give the figure itself")
    next_one = min(r["hours"] for r in longer)
    return float(min(r["psi"] for r in longer if r["hours"] == next_one)) * PSI_PA


def safe_stress_pa(*, material: str = "PE3608", duration_h: float = 12.0) -> float:
    """Tensile stress that a material may carry at 73 degF for so many hours of pulling, Pa.

    material: "PE3608" (also PE3408) or "PE4710"; duration_h: hours. Sources stand in tables/pull.toml and differ by 25 to 30 %, so
    give the stress itself where the maker names one. Raises RangeError for an unknown material or a longer pull.

    >>> round(safe_stress_pa(material="PE3608", duration_h=12) / PSI_PA), round(safe_stress_pa(duration_h=13) / PSI_PA)
    (1150, 1100)
    """
    return by_duration_pa("safe_stress", material, duration_h)


def safe_pull_n(*, outside_diameter_m: float, dr: float, stress_pa: float = SAFE_STRESS_PA, pipes: int = 1) -> float:
    """Pull that the pipes may bear: stress times the cross-section of their walls, N.

    outside_diameter_m, dr: of one pipe; stress_pa: see `safe_stress_pa`; pipes: that share the pull evenly. Raises RangeError for
    no pipe. Source: textbook (S); the safe-pull table of a conduit maker equals it at 1,100 psi (S).

    >>> round(safe_pull_n(outside_diameter_m=1.66 * 0.0254, dr=11, stress_pa=1100 * PSI_PA) / 4.4482216)
    787
    """
    positive(stress_pa=stress_pa)
    return stress_pa * pipe_area_m2(outside_diameter_m=outside_diameter_m, dr=dr, pipes=pipes)


@dataclass(frozen=True, kw_only=True)
class PullMargin:
    """A pull beside what the pipes bear.

    safe_n: all pipes together, shared evenly; weak_link_n: what the weak link may be rated for, the safe pull of ONE pipe; ratio:
    safe_n over the pull; one_leg_ratio: weak_link_n over the pull; holds: the pull is at most safe_n; at_ease: at most half of it,
    good practice for small bores; link_holds: the weak link lets the pull pass.
    """

    safe_n: float
    weak_link_n: float
    ratio: float
    one_leg_ratio: float
    holds: bool
    at_ease: bool
    link_holds: bool


def weak_link_n(*, outside_diameter_m: float, dr: float, stress_pa: float = SAFE_STRESS_PA) -> float:
    """Rating of the weak link between swivel and pipe, N: the safe pull of ONE leg, since legs share unevenly (D).

    outside_diameter_m, dr: of one pipe; stress_pa: see `safe_stress_pa`. Raises RangeError for no pipe.
    """
    return safe_pull_n(outside_diameter_m=outside_diameter_m, dr=dr, stress_pa=stress_pa)


def pull_margin(
    *, largest_n: float, outside_diameter_m: float, dr: float, pipes: int = 1, stress_pa: float = SAFE_STRESS_PA
) -> PullMargin:
    """Compare a pull with the safe pull of the pipes and with a weak link on one leg.

    largest_n: with the flow's share; the rest as in `safe_pull_n`. Source: at most half the safe pull for good practice (S:
    textbook), at most the safe pull by ASTM F1962 (S), weak link on one leg (D). Raises RangeError for no pipe or no pull.
    """
    positive(largest_n=largest_n)
    safe = safe_pull_n(outside_diameter_m=outside_diameter_m, dr=dr, stress_pa=stress_pa, pipes=pipes)
    link = weak_link_n(outside_diameter_m=outside_diameter_m, dr=dr, stress_pa=stress_pa)
    return PullMargin(
        safe_n=safe,
        weak_link_n=link,
        ratio=safe / largest_n,
        one_leg_ratio=link / largest_n,
        holds=largest_n <= safe,
        at_ease=largest_n <= safe / 2,
        link_holds=largest_n <= link,
    )
