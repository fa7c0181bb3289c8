"""Quantities with units: read from text by Pint, held as plain SI floats inside.

To add a dimension: one row in `_SI`. Fractions of pitch are kept in percent, temperatures in degrees Celsius.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

from loopgis.core.errors import InputError

LBF_N = 4.4482216152605
FT_M = 0.3048
"""International foot in metres, exact (NIST SP 811)."""
US_FT_M = 1200 / 3937
"""US survey foot in metres, exact by definition."""

_SI: dict[str, tuple[str, str]] = {
    # dimension: (unit inside, example for the error line)
    "length": ("m", "15 ft"),
    "power": ("W", "36 kBtu/h"),
    "energy": ("kWh", "1200 kWh"),
    "force": ("N", "20000 lbf"),
    "temperature": ("degC", "52 degF"),
    "temperature_difference": ("delta_degC", "20 delta_degF"),
    "conductivity": ("W/(m K)", "1.6 W/(m K)"),
    "diffusivity": ("m^2/s", "0.7 mm^2/s"),
    "pitch": ("percent", "35 %"),
    "flow": ("m^3/s", "9 gpm"),
    "density": ("kg/m^3", "1600 kg/m^3"),
}


_ANGLES = {"degree", "radian", "milliradian", "grade"}
"""The only units of a pitch besides percent: Pint would take any ratio, "0.35 ft/ft" too, for radians."""
_QUANTITY = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(.*)", re.DOTALL)
LONGEST = 60


@cache
def _registry() -> Any:  # noqa: ANN401 - pint has no stable public type for a registry with a cache
    import pint  # noqa: PLC0415 - a third of a second, only where a site file is read

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("gpm = gallon / minute")  # US gallons, as the trade says it
    return registry


def parse(text: object, dimension: str, *, where: str) -> float:
    """Value of a quantity text in the unit kept inside.

    text: e.g. "15 ft", "36 kBtu/h", "35 %"; dimension: a key of the table above; where: file and key for the error.
    Raises InputError when the text has no unit, an unknown or wrong unit, or is not finite.

    >>> round(parse("15 ft", "length", where="site.toml [bore] depth"), 4)
    4.572
    >>> round(parse("52 degF", "temperature", where="x"), 3)
    11.111
    >>> parse("35 %", "pitch", where="x")
    35.0
    """
    unit, example = _SI[dimension]
    noun = dimension.replace("_", " ")
    remedy = f'write a {noun} with its unit as text, e.g. "{example}"'
    if not isinstance(text, str):
        raise InputError(where, f"{text!r} has no unit", remedy)
    match = _QUANTITY.fullmatch(text.strip())
    if match is None or len(text) > LONGEST:
        raise InputError(where, f"{text[:LONGEST]!r} is not a number with a unit", remedy)
    value, rest = float(match[1]), match[2].strip()
    if not rest:
        raise InputError(where, f"{text!r} has no unit", remedy)
    result = _convert(value, rest, dimension, unit)
    if result is None or not math.isfinite(result):
        raise InputError(where, f"{text!r} is not a {noun}", remedy)
    return result


def _convert(value: float, unit_text: str, dimension: str, unit: str) -> float | None:
    """Value in the unit inside, None when the text is no unit of that dimension."""
    if unit_text in {"%", "percent"}:
        return value if dimension == "pitch" else None
    try:
        quantity = _registry().Quantity(value, unit_text)
        if dimension == "pitch":
            angle = str(quantity.units) in _ANGLES and abs(quantity.to("radian").magnitude) < math.pi / 2
            return 100 * math.tan(float(quantity.to("radian").magnitude)) if angle else None
        return float(f"{quantity.to(unit).magnitude:.15g}")  # 5 ft are 1.524 m, not 1.5239999999999998
    except Exception:  # noqa: BLE001 - pint raises half a dozen unrelated types on a bad unit, a token error among them
        return None


def length_text(metres: float, units: str, digits: int = 1) -> str:
    """Length for people: "12.3 m" or "40.4 ft".

    >>> length_text(4.572, "us"), length_text(4.572, "metric")
    ('15.0 ft', '4.6 m')
    """
    return f"{metres / FT_M:.{digits}f} ft" if units == "us" else f"{metres:.{digits}f} m"


def force_text(newtons: float, units: str) -> str:
    """Force for people: "4.1 kN" or "917 lbf".

    >>> force_text(4080, "us"), force_text(4080, "metric")
    ('917 lbf', '4.1 kN')
    """
    return f"{newtons / LBF_N:.0f} lbf" if units == "us" else f"{newtons / 1000:.1f} kN"


def temperature_text(celsius: float, units: str, digits: int = 1) -> str:
    """Temperature for people: "30.2 °F" or "-1.0 °C".

    >>> temperature_text(-1.0, "us"), temperature_text(-1.0, "metric")
    ('30.2 °F', '-1.0 °C')
    """
    return f"{celsius * 1.8 + 32:.{digits}f} °F" if units == "us" else f"{celsius:.{digits}f} °C"


def kelvin_text(kelvin: float, units: str, digits: int = 0) -> str:
    """Temperature difference for people.

    >>> kelvin_text(10.0, "us"), kelvin_text(-0.25, "metric", 2)
    ('18 °F', '-0.25 K')
    """
    return f"{kelvin * 1.8:.{digits}f} °F" if units == "us" else f"{kelvin:.{digits}f} K"
