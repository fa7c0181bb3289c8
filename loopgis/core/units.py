"""Quantities with units: read from text by Pint, held as plain SI floats inside.

To add a dimension: one row in `_SI`. Fractions of pitch are kept in percent, temperatures in degrees Celsius, money in the one
currency of the site.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

from loopgis.core.errors import InputError

LBF_N = 4.4482216152605
PSI_PA = 6894.757293
"""Pascals of a pound-force per square inch (NIST SP 811)."""
FT_M = 0.3048
"""International foot in metres, exact (NIST SP 811)."""
US_FT_M = 1200 / 3937
"""US survey foot in metres, exact by definition."""
GALLON_M3 = 231 * 0.0254**3
"""US liquid gallon, 231 cubic inches, exact (NIST SP 811)."""

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
    "voltage": ("V", "7.2 kV"),
    "density": ("kg/m^3", "1600 kg/m^3"),
    "pressure": ("Pa", "20 kPa"),
    "unit_weight": ("N/m^3", "19 kN/m^3"),
    "angle": ("radian", "30 deg"),
    # read by `parse_money`; USD in the example becomes the currency of the site
    "money": ("money", "2500 USD"),
    "money_per_length": ("money/m", "4 USD/ft"),
    "money_per_volume": ("money/m^3", "0.30 USD/gal"),
    "money_per_day": ("money/crewday", "2500 USD/day"),
}


_ANGLES = {"degree", "radian", "milliradian", "grade"}
"""The only units of a pitch besides percent: Pint would take any ratio, "0.35 ft/ft" too, for radians."""
_QUANTITY = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(.*)", re.DOTALL)
LONGEST = 60
_RAISED = re.compile("[\u207b\u207a\u2070\u00b9\u00b2\u00b3\u2074-\u2079]+")
_LOWERED = str.maketrans("\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079\u207b\u207a", "0123456789-+")
_POWER = re.compile(r"\*\*|\^")
_FINE_POWER = re.compile(r"(?<=[^\W\d_])\s*(?:\*\*|\^)\s*[+-]?\d(?![\d.])")
"""The power of a unit, of one digit; Pint would work out any other too, and 9**9**9 takes it for ever."""
_UNIT_SIGNS = re.compile(r"[\w\s*/^().+\u00b0\u00b7\u207b\u207a-]*")
"""Signs that a unit may be written with; Pint passes over others, "15 ft?" would be 15 ft."""
_OTHER_MONEY = re.compile(r"(?<![A-Za-z])[A-Z]{3}(?![A-Za-z])|[$€£¥]")
"""What may be the code or the sign of a currency; no unit that goes with money is three capitals."""
_SIGN_FIRST = re.compile(r"^\s*\$\s*([\d.]+(?:[eE][+-]?\d+)?)")
DOLLARS = frozenset({"USD", "CAD", "AUD", "NZD", "SGD", "HKD"})
"""Currencies for which the sign $ may stand."""


@cache
def _registry() -> Any:  # noqa: ANN401 - pint has no stable public type for a registry with a cache
    import pint  # noqa: PLC0415 - a third of a second, only where a site file is read

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("gpm = gallon / minute")  # US gallons, as the trade says it
    registry.define("money = [currency]")
    registry.define("crewday = [crewday]")  # of work, not 24 hours: a price per hour must not become 24 of them
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
    value, rest = _number_and_unit(text, where, remedy)
    result = _convert(value, rest, dimension, unit)
    if result is None or not math.isfinite(result):
        raise InputError(where, f"{text!r} is not a {noun}", remedy)
    return result


def _number_and_unit(text: object, where: str, remedy: str) -> tuple[float, str]:
    """The two parts of a quantity text. Raises InputError when one of them is not there."""
    if not isinstance(text, str):
        huge = isinstance(text, int) and text.bit_length() > 1000  # Python refuses to write out thousands of digits
        raise InputError(where, f"{'a huge number' if huge else repr(text)} has no unit", remedy)
    match = _QUANTITY.fullmatch(text.strip())
    if match is None or len(text) > LONGEST:
        raise InputError(where, f"{text[:LONGEST]!r} is not a number with a unit", remedy)
    value, rest = float(match[1]), match[2].strip()
    if not rest:
        raise InputError(where, f"{text!r} has no unit", remedy)
    return value, rest


def parse_money(text: object, dimension: str, currency: str, *, where: str) -> float:
    """Value of a money text in the currency of the site, per metre, per cubic metre, or per day of work.

    text: e.g. "2500 USD", "4 USD/ft", "0.30 USD/gal", "2500 USD/day", "$4/ft"; dimension: "money", "money_per_length",
    "money_per_volume" or "money_per_day"; currency: three-letter code, $ may stand for it where it is a dollar; where: file and
    key for the error. A day is one of work, so that "100 USD/h" is no price per day. Raises InputError as `parse` does, and for
    another currency: no rates of exchange are kept here.

    >>> parse_money("2500 USD", "money", "USD", where="site.toml [cost] mobilisation")
    2500.0
    >>> round(parse_money("4 EUR/ft", "money_per_length", "EUR", where="x"), 3)
    13.123
    >>> round(parse_money("$0.30/gal", "money_per_volume", "USD", where="x"), 2)
    79.25
    >>> parse_money("2500 USD/day", "money_per_day", "USD", where="x")
    2500.0
    """
    unit, example = _SI[dimension]
    noun = dimension.replace("_", " ").replace("money", "sum of money", 1)
    remedy = f'write a {noun} as text, e.g. "{example.replace("USD", currency)}"'
    plain = _SIGN_FIRST.sub(r"\1 $", text) if isinstance(text, str) else text
    value, rest = _number_and_unit(plain, where, remedy)
    sign = r"|\$" if currency in DOLLARS else ""
    swapped, times = re.subn(rf"(?<![A-Za-z]){re.escape(currency)}(?![A-Za-z]){sign}", " money ", rest)
    other = _OTHER_MONEY.search(swapped)
    if other is not None:
        what = f"{text!r} is in {other[0]}, and the currency of this file is {currency}"
        raise InputError(where, what, "state every figure in the one currency of [cost] currency")
    if times != 1 or swapped.count("money") != 1:
        raise InputError(where, f"{text!r} does not name the currency {currency}", remedy)
    if dimension == "money_per_day":
        swapped = re.sub(r"(?<![A-Za-z])(?:days?|d)(?![A-Za-z])", "crewday", swapped)
    result = _convert(value, swapped.strip(), dimension, unit)
    if result is None or not math.isfinite(result):
        raise InputError(where, f"{text!r} is not a {noun}", remedy)
    return result


def _convert(value: float, unit_text: str, dimension: str, unit: str) -> float | None:
    """Value in the unit inside, None when the text is no unit of that dimension."""
    if unit_text in {"%", "percent"}:
        return value if dimension == "pitch" else None
    plain = _RAISED.sub(lambda raised: "**" + raised[0].translate(_LOWERED), unit_text)
    if not _UNIT_SIGNS.fullmatch(unit_text) or _POWER.search(_FINE_POWER.sub(" ", plain)):
        return None
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


def short_length(metres: float, units: str, digits: int = 1) -> str:
    """Length with at most so many decimals and none when it is whole.

    >>> short_length(3.048, "us"), short_length(4.56, "metric"), short_length(0.4572, "us", 2)
    ('10 ft', '4.6 m', '1.5 ft')
    """
    value, word = (metres / FT_M, "ft") if units == "us" else (metres, "m")
    return f"{round(value, digits):g} {word}"


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


def flow_text(cubic_m_s: float, units: str) -> str:
    """Flow for people: "9.0 gpm" or "0.57 L/s".

    >>> flow_text(5.678e-4, "us"), flow_text(5.678e-4, "metric")
    ('9.0 gpm', '0.57 L/s')
    """
    return f"{cubic_m_s / GALLON_M3 * 60:.1f} gpm" if units == "us" else f"{1000 * cubic_m_s:.2f} L/s"


def head_text(pascals: float, units: str) -> str:
    """Pressure that a pump makes, for people: feet of water or kilopascals.

    >>> head_text(29890.7, "us"), head_text(29890.7, "metric")
    ('10.0 ft of head', '29.9 kPa')
    """
    return f"{pascals / 2989.07:.1f} ft of head" if units == "us" else f"{pascals / 1000:.1f} kPa"


def money_text(value: float, currency: str) -> str:
    """Money for people: three digits above a hundred, to the cent below.

    >>> money_text(12345.6, "USD"), money_text(19.2, "EUR"), money_text(0, "USD"), money_text(99.999, "USD")
    ('12,300 USD', '19.20 EUR', '0 USD', '100 USD')
    """
    shown = f"{value:.2f}" if round(abs(value), 2) < 100 else f"{float(f'{value:.3g}'):,.0f}"
    return f"{'0' if float(shown.replace(',', '')) == 0 else shown} {currency}"


def volume_text(cubic_metres: float, units: str) -> str:
    """Volume for people, in US gallons or cubic metres.

    >>> volume_text(1.1583, "us"), volume_text(1.1583, "metric"), volume_text(0.03, "us"), volume_text(0.034, "metric")
    ('306 gal', '1.16 m3', '7.9 gal', '34 L')
    """
    gallons = cubic_metres / GALLON_M3
    metric = f"{1000 * cubic_metres:.0f} L" if cubic_metres < 0.5 else f"{cubic_metres:,.2f} m3"
    return f"{gallons:,.{0 if gallons >= 10 else 1}f} gal" if units == "us" else metric
