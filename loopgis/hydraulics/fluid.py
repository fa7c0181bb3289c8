"""Heat-carrier fluids: what the text in a site file means, and its properties by temperature.

The figures are those of CoolProp, kept in tables/fluids.toml (see scripts/make_fluids.py) because importing the library takes
longer than a whole layout run. Between rows: cubic in temperature counted from the freezing point, cubic in the share by mass.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.errors import InputError, RangeError
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

PROPERTIES = ("density_kg_m3", "viscosity_pa_s", "conductivity_w_mk", "heat_capacity_j_kgk")
WATER_KG_M3 = 998.2
_TEXT = re.compile(r"([a-z ]+?)(?:\s+([0-9.]+)\s*%(?:\s+by\s+(volume|mass|weight))?)?", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class State:
    """A fluid at one temperature, degrees Celsius."""

    temperature_c: float
    density_kg_m3: float
    viscosity_pa_s: float
    conductivity_w_mk: float
    heat_capacity_j_kgk: float

    @property
    def prandtl(self) -> float:
        """Viscosity times specific heat over conductivity."""
        return self.viscosity_pa_s * self.heat_capacity_j_kgk / self.conductivity_w_mk

    def reynolds(self, flow_m3_s: float, inner_diameter_m: float) -> float:
        """Reynolds number of a flow in one round pipe."""
        return 4 * flow_m3_s * self.density_kg_m3 / (np.pi * inner_diameter_m * self.viscosity_pa_s)


@dataclass(frozen=True, kw_only=True)
class Fluid:
    """Water or a solution of it. name: as in tables/fluids.toml; mass_share: of the additive, 0..1; freeze_c: where ice begins."""

    name: str
    mass_share: float
    freeze_c: float

    def state(self, temperature_c: float) -> State:
        """Properties at a temperature. Raises RangeError below the freezing point or above the table."""
        top = float(_rows(self.name)[0]["top_c"])
        if not self.freeze_c - 1e-9 <= temperature_c <= top:
            what = (
                f"{temperature_c:.1f} degC is outside {self.freeze_c:.1f} (it freezes) to {top:g} degC for {self.text}"
            )
            raise RangeError("fluid temperature", what, "more antifreeze, or other temperature limits")
        shares, values = _columns(self.name)
        place = (temperature_c - self.freeze_c) / (top - self.freeze_c) * (values.shape[2] - 1)
        return State(
            temperature_c=temperature_c,
            **dict(zip(PROPERTIES, _between(shares, values, self.mass_share, place), strict=True)),
        )

    @property
    def text(self) -> str:
        """Name for people."""
        return self.name if self.mass_share == 0 else f"{self.name} {100 * self.mass_share:.3g} % by mass"


def fluid_of(text: str, *, where: str) -> Fluid:
    """Fluid from text: "water", "propylene glycol 20 %" (by mass), "methanol 15 % by volume".

    Raises InputError naming the key for an unknown fluid, a missing share, or a share outside the table.

    >>> round(fluid_of("propylene glycol 20 %", where="x").freeze_c, 2)
    -7.17
    """
    table = load_table("fluids")
    names = ["water", *table["pure_kg_m3"]]
    match = _TEXT.fullmatch(text.strip())
    name = match[1].strip().lower() if match else ""
    if match is None or name not in names:
        raise InputError(where, f"{text!r} is not known", f'one of {", ".join(names)}, e.g. "propylene glycol 20 %"')
    if name == "water":
        return Fluid(name=name, mass_share=0.0, freeze_c=float(_rows(name)[0]["freeze_c"]))
    if match[2] is None:
        raise InputError(where, f"{text!r} has no share", 'write e.g. "propylene glycol 20 %" (by mass)')
    try:
        share = float(match[2]) / 100
    except ValueError:
        raise InputError(where, f"{match[2]!r} is not a number", 'write e.g. "methanol 15 %"') from None
    if (match[3] or "").lower() == "volume":
        share = _by_mass(share, float(table["pure_kg_m3"][name]))
    shares, freeze = (np.array([float(r[key]) for r in _rows(name)]) for key in ("mass_share", "freeze_c"))
    if not shares[0] <= share <= shares[-1]:
        what = f"{100 * share:.3g} % by mass is outside {100 * shares[0]:.0f} to {100 * shares[-1]:.0f} % for {name}"
        raise InputError(where, what, "give a share that the table holds")
    return Fluid(name=name, mass_share=share, freeze_c=float(_cubic(shares, freeze, share)))


def _by_mass(volume_share: float, pure_kg_m3: float) -> float:
    """Share by mass of a mixture told by volume at 20 degrees C, contraction left out."""
    heavy = volume_share * pure_kg_m3
    return heavy / (heavy + (1 - volume_share) * WATER_KG_M3)


def _rows(name: str) -> list[dict[str, Any]]:
    return [r for r in load_table("fluids")["row"] if r["fluid"] == name]


@cache
def _columns(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shares (S,) and values (property, S, steps); viscosity as its logarithm."""
    rows = _rows(name)
    values = np.array([[r[key] for r in rows] for key in PROPERTIES], dtype=float)
    values[1] = np.log(values[1])
    return np.array([r["mass_share"] for r in rows], dtype=float), values


def _between(shares: NDArray[np.float64], values: NDArray[np.float64], share: float, place: float) -> list[float]:
    rows = np.arange(values.shape[2], dtype=float)
    by_share = _cubic(rows, np.moveaxis(values, 2, 0), place)  # (property, shares)
    out = [float(v) for v in (_cubic(shares, by_share.T, share) if len(shares) > 1 else by_share[:, 0])]
    out[1] = float(np.exp(out[1]))
    return out


def _cubic(x: NDArray[np.float64], y: NDArray[np.float64], at: float) -> NDArray[np.float64]:
    """Value at a place by the cubic through the four nearest of some even rows; y: (rows, ...)."""
    step = float(x[1] - x[0])
    i = int(np.clip(np.floor((at - x[0]) / step) - 1, 0, len(x) - 4))
    f = (at - float(x[i])) / step
    weights = np.array(
        [
            -(f - 1) * (f - 2) * (f - 3) / 6,
            f * (f - 2) * (f - 3) / 2,
            -f * (f - 1) * (f - 3) / 2,
            f * (f - 1) * (f - 2) / 6,
        ]
    )
    value: NDArray[np.float64] = np.tensordot(weights, y[i : i + 4], axes=1)
    return value
