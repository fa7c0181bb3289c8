"""Conductivity and heat capacity of soil, from what it is made of."""

from __future__ import annotations

import math

from loopgis.core.errors import RangeError

PARTICLE_KG_M3 = 2700.0
"""Density of mineral grains: Johansen's own figure (facts/thermal section 5, from memory)."""
WATER_W_MK = 0.57
"""Conductivity of water near 4 degrees C; 0.594 at 20 (facts/thermal section 5)."""
OTHER_MINERAL_W_MK, OTHER_MINERAL_POOR_W_MK, QUARTZ_W_MK = 2.0, 3.0, 7.7
GRAIN_J_KGK, WATER_J_KGK, WATER_KG_M3 = 830.0, 4190.0, 1000.0
"""Specific heats of mineral grains (from memory: 0.73 to 0.9 kJ/kg K) and of water."""
PCF_KG_M3 = 16.018463
"""Pounds per cubic foot, exact to the figures shown (NIST SP 811)."""
BTU_IN_W_MK = 0.144228
"""Btu in/(h ft2 degF) in W/(m K) (NIST SP 811)."""


def johansen_w_mk(
    *, dry_density_kg_m3: float, quartz: float, saturation: float, coarse: bool, water_w_mk: float = WATER_W_MK
) -> float:
    """Conductivity of unfrozen soil between dry and saturated (Johansen 1975; formula from memory, facts/thermal section 5).

    quartz: share of the grains, 0..1; saturation: share of the pores filled with water, 0..1; coarse: sand or gravel, else fine.
    Raises RangeError for figures out of their range.

    >>> round(johansen_w_mk(dry_density_kg_m3=1600, quartz=0.8, saturation=0.3, coarse=True, water_w_mk=0.594), 3)
    1.552
    """
    _within("dry_density_kg_m3", dry_density_kg_m3, 400, 2400)
    _within("quartz", quartz, 0, 1)
    _within("saturation", saturation, 0, 1)
    pores = 1 - dry_density_kg_m3 / PARTICLE_KG_M3
    dry = (0.135 * dry_density_kg_m3 + 64.7) / (PARTICLE_KG_M3 - 0.947 * dry_density_kg_m3)
    other = OTHER_MINERAL_POOR_W_MK if quartz <= 0.2 else OTHER_MINERAL_W_MK
    grains = QUARTZ_W_MK**quartz * other ** (1 - quartz)
    wet = grains ** (1 - pores) * water_w_mk**pores
    slope, least = (0.7, 0.05) if coarse else (1.0, 0.1)
    share = slope * math.log10(max(saturation, least)) + 1
    value: float = dry + (wet - dry) * share * min(1.0, saturation / least)  # straight to dry below its range
    return value


def kersten_w_mk(*, water_pct: float, dry_density_kg_m3: float, sandy: bool) -> float:
    """Conductivity of unfrozen soil (Kersten 1949; formula from memory, facts/thermal section 5).

    water_pct: water by dry mass, percent, 1 and more for sand, 7 and more for silt and clay; sandy: else silt or clay.
    Raises RangeError below those shares of water, where the formula has no data.

    >>> round(kersten_w_mk(water_pct=10, dry_density_kg_m3=100 * PCF_KG_M3, sandy=True), 3)
    1.587
    """
    _within("water_pct", water_pct, 1 if sandy else 7, 60)
    _within("dry_density_kg_m3", dry_density_kg_m3, 400, 2400)
    factor, shift = (0.7, 0.4) if sandy else (0.9, -0.2)
    btu_in = (factor * math.log10(water_pct) + shift) * 10 ** (0.01 * dry_density_kg_m3 / PCF_KG_M3)
    return btu_in * BTU_IN_W_MK


def heat_capacity_j_m3k(*, dry_density_kg_m3: float, saturation: float) -> float:
    """Volumetric heat capacity of grains and water, air left out.

    >>> round(heat_capacity_j_m3k(dry_density_kg_m3=1600, saturation=1.0) / 1e6, 2)
    3.04
    """
    pores = 1 - dry_density_kg_m3 / PARTICLE_KG_M3
    return dry_density_kg_m3 * GRAIN_J_KGK + pores * saturation * WATER_KG_M3 * WATER_J_KGK


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise RangeError(name, f"{value:g} is outside {low:g} to {high:g}", "check the figure and its unit")
