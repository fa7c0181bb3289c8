"""Writes loopgis/tables/fluids.toml from CoolProp, which takes two seconds to import: too long for every run of the tool.

    python scripts/make_fluids.py

Per fluid: shares by mass, and for every share its freezing point and, on even steps between that and the top temperature,
density, viscosity, conductivity and specific heat. A test compares the table with the library between its rows.
"""

from __future__ import annotations

from pathlib import Path

import CoolProp
import numpy as np
from CoolProp.CoolProp import PropsSI

OUT = Path(__file__).resolve().parent.parent / "loopgis" / "tables" / "fluids.toml"
STEPS, PRESSURE_PA, WATER_TOP_C = 13, 2e5, 60.0
SOLUTIONS = {
    "propylene glycol": ("MPG", 1036.0, 60.0),
    "methanol": ("MMA", 792.0, 40.0),
    "ethanol": ("MEA", 789.0, 40.0),
}
SHARES = np.arange(0.05, 0.401, 0.05)
PROPERTIES = {"density_kg_m3": "D", "viscosity_pa_s": "V", "conductivity_w_mk": "L", "heat_capacity_j_kgk": "C"}


def rows(name: str, freeze_c: float, top_c: float) -> dict[str, list[float]]:
    """Property rows from the freezing point (a hair above it) to the top temperature."""
    low = freeze_c + (0.02 if name != "Water" else 0.0)
    kelvin = np.linspace(low, top_c, STEPS) + 273.15
    full = name if name == "Water" else f"INCOMP::{name}"
    return {
        key: [float(f"{PropsSI(letter, 'T', t, 'P', PRESSURE_PA, full):.6g}") for t in kelvin]
        for key, letter in PROPERTIES.items()
    }


def block(name: str, share: float, ends_c: tuple[float, float], values: dict[str, list[float]]) -> str:
    """One [[row]]."""
    lines = ["[[row]]", f'fluid = "{name}"', f"mass_share = {share:.2f}"]
    lines += [f"freeze_c = {ends_c[0]:.3f}", f"top_c = {ends_c[1]}"]
    return "\n".join([*lines, *(f"{key} = {value}" for key, value in values.items())])


def main() -> None:
    """Write the table."""
    version = CoolProp.__version__
    head = [
        "# Heat-carrier fluids, made by scripts/make_fluids.py; never edited by hand.",
        f"# source: CoolProp {version} at 2 bar: Water (IAPWS), INCOMP MPG, MMA, MEA (Melinder 2010) for the solutions.",
        f"# Every property has {STEPS} values on even steps from freeze_c to top_c, degrees C.",
        f"steps = {STEPS}",
        "[pure_kg_m3]  # of the pure additive at 20 degrees C, to turn shares by volume into shares by mass; from memory",
        *(f'"{name}" = {density}' for name, (_, density, _) in SOLUTIONS.items()),
    ]
    parts = ["\n".join(head), block("water", 0.0, (0.01, WATER_TOP_C), rows("Water", 0.01, WATER_TOP_C))]
    for name, (code, _, top) in SOLUTIONS.items():
        for share in SHARES:
            full = f"{code}[{share:.2f}]"
            freeze = PropsSI("T_freeze", "T", 300.0, "P", PRESSURE_PA, f"INCOMP::{full}") - 273.15
            parts.append(block(name, share, (freeze, top), rows(full, freeze, top)))
    OUT.write_text("\n\n".join(parts) + "\n", "utf-8")


if __name__ == "__main__":
    main()
