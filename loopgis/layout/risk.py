"""Crossing risk: the chance that the reamed hole and a feature touch, as a relative index.

Both depths are taken as Gaussian. The bore's standard deviation is half its locate tolerance (5 % of depth is read as two
standard deviations; from memory), the feature's is half its vertical tolerance by quality level. A feature of unknown depth is
spread evenly over the range its kind is found at. Not a probability of damage: there is no count of metres behind it.
"""

from __future__ import annotations

import math

from loopgis.core.errors import RangeError


def normal_cdf(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-x / math.sqrt(2))


def contact(*, gap_m: float, sigma_m: float) -> float:
    """Chance that a clear gap with Gaussian error is used up: Phi(-gap / sigma).

    gap_m: edge to edge, may be negative; sigma_m: of the sum of both errors, positive.

    >>> round(contact(gap_m=1.0, sigma_m=0.5), 5)
    0.02275
    """
    if not sigma_m > 0:
        raise RangeError("crossing risk", "sigma must be positive", "give both tolerances")
    return normal_cdf(-gap_m / sigma_m)


def contact_unknown(*, bore_top_m: float, range_m: tuple[float, float], half_m: float, sigma_m: float) -> float:
    """Chance of contact with a feature somewhere in a range of depths, evenly, passed below.

    bore_top_m: depth of the crown of the reamed hole; range_m: depths of the feature's axis; half_m: its half height; sigma_m:
    of the bore. Closed form: mean of Phi over the range, by the integral u Phi(u) + phi(u).

    >>> round(contact_unknown(bore_top_m=1.0, range_m=(0.5, 1.5), half_m=0.0, sigma_m=0.1), 3)
    0.5
    """
    lo, hi = range_m
    if hi - lo < 1e-6:
        return contact(gap_m=bore_top_m - hi - half_m, sigma_m=sigma_m)

    def integral(u: float) -> float:
        return u * normal_cdf(u) + math.exp(-u * u / 2) / math.sqrt(2 * math.pi)

    a, b = (lo + half_m - bore_top_m) / sigma_m, (hi + half_m - bore_top_m) / sigma_m
    return (integral(b) - integral(a)) / (b - a)


def combined(risks: list[float]) -> float:
    """Chance that at least one of independent contacts happens: 1 - product of (1 - risk)."""
    stays = 1.0
    for r in risks:
        stays *= 1 - r
    return 1 - stays
