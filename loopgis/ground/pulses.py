"""The handbook's three-pulse length, for comparison: vertical bores in endless ground, not shallow ones under a surface."""

from __future__ import annotations

import math

from loopgis.core.errors import RangeError

_FACTORS = (
    (
        0.6619352,
        -4.815693,
        15.03571,
        -0.09879421,
        0.02917889,
        0.1138498,
        0.005610933,
        0.7796329,
        -0.3243880,
        -0.01824101,
    ),
    (
        0.4132728,
        0.2912981,
        0.07589286,
        0.1563978,
        -0.2289355,
        -0.004927554,
        -0.002694979,
        -0.6380360,
        0.2950815,
        0.1493320,
    ),
    (
        0.3057646,
        0.08987446,
        -0.09151786,
        -0.03872451,
        0.1690853,
        -0.02881681,
        -0.002886584,
        -0.1723169,
        0.03112034,
        -0.1188438,
    ),
)
"""Coefficients for 6 hours, 1 month, 10 years (Philippe, Bernier and Marchio 2010; from memory, facts/thermal 4.1)."""


def handbook_factors(*, bore_radius_m: float, diffusivity_m2_day: float) -> tuple[float, float, float]:
    """Factors f of 6 hours, 1 month and 10 years: ground resistance = f / k. Radius 0.05..0.1 m, diffusivity 0.025..0.2 m2/DAY.

    Raises RangeError outside; the surface above a shallow bore is not in them (the 10-year figure is 20 % too high at 5 m).
    """
    for name, value, low, high in (
        ("bore_radius_m", bore_radius_m, 0.05, 0.1),
        ("diffusivity_m2_day", diffusivity_m2_day, 0.025, 0.2),
    ):
        if not low <= value <= high:
            raise RangeError(name, f"{value:g} is outside {low:g} to {high:g}", "m, and m2 per day")
    r, a = bore_radius_m, diffusivity_m2_day
    la = math.log(a)
    terms = (1.0, r, r * r, a, a * a, la, la * la, r * a, r * la, a * la)
    six, month, ten = (sum(c * t for c, t in zip(row, terms, strict=True)) for row in _FACTORS)
    return six, month, ten


def three_pulse_length_m(
    *,
    peak_w: float,
    month_w: float,
    year_w: float,
    resistances_mk_w: tuple[float, float, float],
    bore_mk_w: float,
    fluid_c: float,
    ground_c: float,
    penalty_k: float = 0.0,
) -> float:
    """Total bore length by three pulses (Philippe, Bernier and Marchio 2010): heat rates positive into the ground.

    resistances_mk_w: of the ground for 6 hours, 1 month and 10 years; fluid_c: mean of in and out at the peak.
    Raises RangeError when the fluid is not on the right side of the ground temperature.
    """
    six, month, ten = resistances_mk_w
    heat = peak_w * bore_mk_w + year_w * ten + month_w * month + peak_w * six
    drive = fluid_c - ground_c + penalty_k
    if drive == 0 or heat / drive <= 0:
        raise RangeError(
            "fluid_c", f"{fluid_c:g} is on the wrong side of the ground's {ground_c:g}", "check the limits"
        )
    return heat / drive
