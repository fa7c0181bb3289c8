"""Reading single keys of a site file: every slip becomes an error that names file, table and key, and the reading goes on.

A key that cannot be used gives NaN, an empty text or an empty tuple in its place; since the error is kept in the log, no site is
ever made of such values, and comparisons with NaN raise no second, misleading error.
"""

from __future__ import annotations

import difflib
import math
from typing import TYPE_CHECKING, Any, TypeVar

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site.log import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from loopgis.site.log import Log

T = TypeVar("T")
MOST_UNKNOWN = 20
"""Unknown keys of one table that are told one by one."""
_SHOWN = {
    "length": "m",
    "power": "W",
    "energy": "kWh",
    "force": "N",
    "temperature": "degC",
    "temperature_difference": "K",
    "conductivity": "W/(m K)",
    "diffusivity": "m2/s",
    "pitch": "%",
    "flow": "m3/s",
    "density": "kg/m3",
    "pressure": "Pa",
    "unit_weight": "N/m3",
    "angle": "rad",
}


def nearest(word: str, known: Iterable[str]) -> str:
    """What to say to somebody who wrote an unknown word: the closest known one, else all of them."""
    names = sorted(known)
    near = difflib.get_close_matches(word.lower(), names, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else plain(f"known: {', '.join(names)}", 300)


def toml_of(file: Path) -> dict[str, Any]:
    """Content of a TOML file. Raises InputError when it is missing, a folder, empty, too large, not UTF-8 or not TOML."""
    data = _bytes(file)
    try:
        values = limits.toml(data)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(str(file), f"line {line} is not UTF-8 text", "save the file as UTF-8") from None
    except ValueError as error:
        raise InputError(str(file), f"is not valid TOML: {error}", "mend the line it names") from None
    if not values:
        raise InputError(str(file), "is empty", 'write [site] and parcel = "parcel.gpkg"')
    return values


def _bytes(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise InputError(str(file), "is a folder, not a site file", "name the .toml file inside it")
        return limits.whole(file, str(file), "site_mb", "is it the right file? a site file is a short text")
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        raise InputError(str(file), what, "check the path of the site file") from None
    except ValueError:
        raise InputError(repr(str(file)), "is no file name", "check the path of the site file") from None


class Keys:
    """Keys of one site file. `defaults` holds values by dotted key, as a user would write them."""

    def __init__(self, file: Path, data: dict[str, Any], log: Log, defaults: dict[str, Any]) -> None:
        """Keep the parts; nothing is read yet."""
        self.file, self.data, self.log, self.defaults = file, data, log, dict(defaults)

    # -- places and slips --------------------------------------------------------------------------------------

    def where(self, table: str, key: str = "") -> str:
        """Place of a key, for messages."""
        return f"{self.file} [{table}] {key}".rstrip()

    def fail(self, table: str, key: str, what: str, remedy: str) -> None:
        """Keep an error about a key."""
        self.log.add_error("site-file", InputError(self.where(table, key), what, remedy))

    def attempt(self, fallback: T, read: Callable[[], T]) -> T:
        """Result of a reader, or the fallback with its error kept."""
        try:
            return read()
        except InputError as error:
            self.log.add_error("site-file", error)
            return fallback

    def known(self, place: str, value: Iterable[str], keys: Iterable[str]) -> None:
        """Every key that is not known becomes an error that names the nearest known one."""
        allowed = set(keys)
        where = f"{self.file} {place}".rstrip()
        strange = [key for key in value if key not in allowed]
        for key in strange[:MOST_UNKNOWN]:
            slip = InputError(where, f"unknown key {plain(key, 60)!r}", nearest(key[:60], allowed))
            self.log.add_error("unknown-key", slip)
        if len(strange) > MOST_UNKNOWN:
            slip = InputError(where, f"{len(strange) - MOST_UNKNOWN} more unknown keys", "is it the right file?")
            self.log.add_error("unknown-key", slip)

    def table(self, name: str) -> dict[str, Any]:
        """A table of the file, empty when it is missing or no table (which is an error of its own)."""
        value = self.data.get(name, {})
        if isinstance(value, dict):
            return value
        what, remedy = f"{_short(value)} is not a table", f"write [{name}] and its keys below it"
        self.log.add_error("site-file", InputError(self.where(name), what, remedy))
        return {}

    def get(self, table: str, key: str) -> Any:
        """Value as written, else the default, else None."""
        value = self.table(table).get(key)
        return self.defaults.get(f"{table}.{key}") if value is None else value

    # -- kinds of values ---------------------------------------------------------------------------------------

    def text(self, table: str, key: str, *, choices: Iterable[str] = ()) -> str:
        """A text, one of the choices when there are any; "" when left out."""
        return self.attempt("", lambda: self._text(table, key, tuple(choices)))

    def _text(self, table: str, key: str, choices: tuple[str, ...]) -> str:
        value = self.get(table, key)
        if value is None:
            return ""
        if not isinstance(value, str) or not value.strip():
            raise InputError(self.where(table, key), f"{_short(value)} is not a text", "write a text in quotes")
        if choices and value not in choices:
            raise InputError(self.where(table, key), f"{_short(value)} is not known", nearest(value, choices))
        return value

    def texts(self, table: str, key: str, example: str) -> tuple[str, ...]:
        """A list of texts with at least one in it."""
        return self.attempt((), lambda: self._texts(table, key, example))

    def _texts(self, table: str, key: str, example: str) -> tuple[str, ...]:
        value = self.get(table, key)
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            raise InputError(self.where(table, key), f"{_short(value)} is not a list of texts", f"write {example}")
        if not value:
            raise InputError(self.where(table, key), "is an empty list", f"write {example}, or leave the key out")
        return tuple(value)

    def quantity(self, table: str, key: str, dimension: str, *, least: float, most: float) -> float:
        """A quantity with its unit, in SI; NaN when it cannot be used."""
        return self.attempt(math.nan, lambda: self.measure(self.get(table, key), table, key, dimension, least, most))

    def optional(self, table: str, key: str, dimension: str, *, least: float, most: float) -> float | None:
        """A quantity that may be left out."""
        return None if self.get(table, key) is None else self.quantity(table, key, dimension, least=least, most=most)

    def measure(self, value: Any, table: str, key: str, dimension: str, least: float, most: float) -> float:
        """One quantity text in SI. Raises InputError when it has no unit or lies outside the range."""
        result = parse(value, dimension, where=self.where(table, key))
        if not least <= result <= most:
            unit = _SHOWN[dimension]
            what = f"{_short(value)} is outside {least:g} to {most:g} {unit}"
            raise InputError(self.where(table, key), what, "check number and unit")
        return result

    def pair(self, table: str, key: str, dimension: str, *, least: float, most: float) -> tuple[float, float]:
        """Two quantities, the smaller one first."""
        nothing = (math.nan, math.nan)
        return self.attempt(nothing, lambda: self._pair(table, key, dimension, least, most))

    def _pair(self, table: str, key: str, dimension: str, least: float, most: float) -> tuple[float, float]:
        value, where = self.get(table, key), self.where(table, key)
        if not isinstance(value, list) or len(value) != 2:
            example = '["15 %", "35 %"]' if dimension == "pitch" else '["20 ft", "40 ft"]'
            raise InputError(where, f"{_short(value)} is not a pair", f"write two quantities, {key} = {example}")
        lo, hi = (self.measure(v, table, key, dimension, least, most) for v in value)
        if lo > hi:
            raise InputError(where, f"{value[0]} is more than {value[1]}", "put the smaller one first")
        return lo, hi

    def number(self, table: str, key: str, *, least: float, most: float, whole: bool = False) -> float:
        """A plain number without a unit; NaN when it cannot be used."""
        return self.attempt(math.nan, lambda: self._number(table, key, least, most, whole=whole))

    def _number(self, table: str, key: str, least: float, most: float, *, whole: bool) -> float:
        value, where = self.get(table, key), self.where(table, key)
        if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
            noun = "whole number" if whole else "plain number"
            raise InputError(where, f"{_short(value)} is not a {noun}", "write a number without quotes or unit")
        if not least <= value <= most:
            raise InputError(where, f"{_short(value)} is outside {least:g} to {most:g}", "check the number")
        return float(value)


def _short(value: object) -> str:
    """A value as written, cut to a length that fits a line."""
    try:
        text = repr(value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= 80 else text[:77] + "..."
