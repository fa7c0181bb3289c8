"""Thermal resistance between the fluid in a U-tube and the wall of its bore, per metre of bore (m K/W)."""

from __future__ import annotations

import math
from typing import Literal

from loopgis.core.errors import RangeError

LAMINAR_RE, TURBULENT_RE = 2300.0, 4000.0
LAMINAR_NU = 4.364
"""Uniform heat flux, fully developed (textbook value)."""


def pipe_wall_mk_w(*, inner_radius_m: float, outer_radius_m: float, k_pipe_w_mk: float) -> float:
    """Resistance of a pipe wall.

    >>> round(pipe_wall_mk_w(inner_radius_m=9.0, outer_radius_m=11.0, k_pipe_w_mk=0.40), 6)
    0.079844
    """
    if not 0 < inner_radius_m < outer_radius_m:
        raise RangeError(
            "inner_radius_m", f"{inner_radius_m:g} is not between 0 and the outer radius", "check the pipe"
        )
    return math.log(outer_radius_m / inner_radius_m) / (2 * math.pi * k_pipe_w_mk)


def nusselt(reynolds: float, prandtl: float) -> float:
    """Nusselt number in a smooth pipe: laminar, Gnielinski above 4000, a straight line between (Gnielinski 2013, from memory).

    The law is continuous; friction factor of Gnielinski's law after Petukhov.

    >>> round(nusselt(4000, 15), 3)
    41.291
    """
    if reynolds <= LAMINAR_RE:
        return LAMINAR_NU
    if reynolds < TURBULENT_RE:
        share = (reynolds - LAMINAR_RE) / (TURBULENT_RE - LAMINAR_RE)
        return (1 - share) * LAMINAR_NU + share * nusselt(TURBULENT_RE, prandtl)
    f = (0.79 * math.log(reynolds) - 1.64) ** -2
    over = 1 + 12.7 * math.sqrt(f / 8) * (prandtl ** (2 / 3) - 1)
    value: float = f / 8 * (reynolds - 1000) * prandtl / over
    return value


def film_mk_w(*, reynolds: float, prandtl: float, k_fluid_w_mk: float, inner_radius_m: float) -> float:
    """Resistance of the film inside one pipe: 1 / (2 pi r h) with h = Nu k / (2 r); the radius cancels but is checked."""
    if inner_radius_m <= 0 or reynolds <= 0:
        raise RangeError(
            "reynolds", f"{reynolds:g} with radius {inner_radius_m:g} m", "flow and radius must be positive"
        )
    return 1 / (math.pi * nusselt(reynolds, prandtl) * k_fluid_w_mk)


def multipole(
    *,
    bore_radius_m: float,
    pipe_radius_m: float,
    half_spacing_m: float,
    k_fill_w_mk: float,
    k_ground_w_mk: float,
    pipe_mk_w: float,
    order: Literal[0, 1] = 1,
) -> tuple[float, float]:
    """Bore resistance and internal resistance of one U-tube placed symmetrically in its bore.

    pipe_radius_m: outside of a pipe; half_spacing_m: pipe centre to bore centre; pipe_mk_w: film and wall of ONE pipe.
    order 0: line sources (Hellstrom 1991); order 1: first multipole (Claesson and Hellstrom 2011), within 0.1 % and 0.7 % of
    the exact solution (facts/thermal section 3). Raises RangeError when pipes overlap or stand outside the bore.

    >>> case = dict(bore_radius_m=0.05715, pipe_radius_m=0.013335, half_spacing_m=0.0145, k_fill_w_mk=0.75, k_ground_w_mk=1.4)
    >>> [round(r, 6) for r in multipole(pipe_mk_w=0.09, **case)]
    [0.262801, 0.458961]
    """
    rb, rp, xc, kg = bore_radius_m, pipe_radius_m, half_spacing_m, k_fill_w_mk
    if not 0 < rp <= xc * (1 + 1e-9) or xc + rp > rb * (1 + 1e-9):
        what = f"{xc:g} does not fit: pipes of radius {rp:g} in a bore of radius {rb:g} m"
        raise RangeError("half_spacing_m", what, "a larger bore or a smaller pipe")
    if min(kg, k_ground_w_mk) <= 0 or pipe_mk_w < 0:
        raise RangeError("k_fill_w_mk", "conductivities must be positive", "check fill and ground conductivity")
    s = (kg - k_ground_w_mk) / (kg + k_ground_w_mk)
    if order == 0:
        bore = pipe_mk_w / 2 + (math.log(rb**2 / (2 * rp * xc)) - s * math.log(1 - (xc / rb) ** 4)) / (4 * math.pi * kg)
        ratio = math.log((rb**2 + xc**2) / (rb**2 - xc**2))
        return bore, 2 * pipe_mk_w + (math.log(2 * xc / rp) + s * ratio) / (math.pi * kg)
    t1, t2, t3 = xc / rb, rb / rp, rp / (2 * xc)
    beta = 2 * math.pi * kg * pipe_mk_w
    quartic = 1 - t1**4
    # (1 + beta)/(1 - beta) grows beyond all bounds at beta = 1, where the corrections vanish: work with its inverse
    inverse = (1 - beta) / (1 + beta)
    shift = s * t1**4 / quartic
    bore = beta + math.log(t2 / (2 * t1)) - s * math.log(quartic)
    bore -= t3**2 * (1 - 4 * shift) ** 2 * inverse / (1 + inverse * t3**2 * (1 + 16 * s * t1**4 / quartic**2))
    internal = beta + s * math.log((1 + t1**2) / (1 - t1**2)) - math.log(t3)
    over = quartic**2 + inverse * (-(t3**2) * quartic**2 + 8 * s * t1**2 * t3**2 * (1 + t1**4))
    internal -= t3**2 * (quartic + 4 * s * t1**2) ** 2 * inverse / over
    return bore / (4 * math.pi * kg), internal / (math.pi * kg)


def short_circuit(
    *,
    bore_mk_w: float,
    internal_mk_w: float,
    length_m: float,
    capacity_w_k: float,
    wall: Literal["flux", "temperature"] = "temperature",
) -> float:
    """Effective bore resistance R_b* with the heat that passes between the legs (Hellstrom 1991, formula from memory).

    length_m: bore, one way; capacity_w_k: mass flow times specific heat in the U-tube; wall: uniform heat rate or uniform wall
    temperature along the bore.

    >>> a = dict(bore_mk_w=0.141, internal_mk_w=0.42, length_m=61, capacity_w_k=0.126 * 3936)
    >>> round(short_circuit(wall="flux", **a), 6), round(short_circuit(wall="temperature", **a), 6)
    (0.153007, 0.152807)
    """
    if capacity_w_k <= 0:
        raise RangeError("capacity_w_k", f"{capacity_w_k:g} is no flow", "give a positive flow")
    if wall == "flux":
        return bore_mk_w + length_m**2 / (3 * internal_mk_w * capacity_w_k**2)
    eta = length_m / (capacity_w_k * math.sqrt(bore_mk_w * internal_mk_w))
    return bore_mk_w * eta / math.tanh(eta) if eta > 1e-6 else bore_mk_w
