"""How the review page says figures and other people's texts."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.core.units import (
    FT_M,
    flow_text,
    force_text,
    head_text,
    kelvin_text,
    money_text,
    temperature_text,
    volume_text,
)
from loopgis.layout.annulus import why_text
from loopgis.sheets.plumbing_rows import amount_text

if TYPE_CHECKING:
    from loopgis.layout.annulus import BoreMud
    from loopgis.layout.material import Material
    from loopgis.site.model import Site

NAME, SENTENCE = 120, 1500
"""Signs of a name, and of a sentence, that the page shows."""
_TURNS = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the reading direction of what follows."""


def said(text: object, most: int = NAME) -> str:
    r"""Somebody's text in one line: no control signs, nothing that turns the text after it, no longer than its place holds.

    >>> said("old\u202e drain\n7"), said("x" * 9, 5)
    ('old drain 7', 'xxxx\u2026')
    """
    plain = "".join(" " if c in _TURNS or unicodedata.category(c) in {"Cc", "Cs"} else c for c in str(text))
    line = " ".join(plain.split())
    return line if len(line) <= most else line[: most - 1] + "\u2026"


@dataclass(frozen=True)
class Words:
    """Lengths as people of a unit system read them; units: "us" or "metric". A dash stands for what is not known."""

    units: str

    @property
    def unit(self) -> str:
        """Word of the length unit, for column heads."""
        return "ft" if self.units == "us" else "m"

    def figure(self, metres: float | None, digits: int = 1) -> str:
        """Bare figure, for columns whose head carries the unit."""
        if metres is None or not math.isfinite(metres):
            return "\u2013"
        return f"{metres / (FT_M if self.units == 'us' else 1.0):.{digits}f}"

    def length(self, metres: float | None, digits: int = 1) -> str:
        """Figure with its unit."""
        text = self.figure(metres, digits)
        return text if text == "\u2013" else f"{text} {self.unit}"

    def temperature(self, celsius: float | None) -> str:
        """Temperature with its unit."""
        return "\u2013" if celsius is None or not math.isfinite(celsius) else temperature_text(celsius, self.units)

    def force(self, newtons: float) -> str:
        """Force with its unit."""
        return force_text(newtons, self.units)

    def flow(self, cubic_m_s: float | None) -> str:
        """Flow with its unit."""
        return "\u2013" if cubic_m_s is None else flow_text(cubic_m_s, self.units)

    def head(self, pascals: float | None) -> str:
        """Pressure of a pump with its unit."""
        return "\u2013" if pascals is None else head_text(pascals, self.units)

    def amount(self, material: Material) -> str:
        """Amount of a line of the order."""
        return amount_text(material, self.units)

    def volume(self, cubic_m: float) -> str:
        """Volume of mud or spoil with its unit."""
        return volume_text(cubic_m, self.units)

    def kelvin(self, kelvin: float, digits: int = 2) -> str:
        """Temperature difference with its unit."""
        return kelvin_text(kelvin, self.units, digits)

    def area(self, square_m: float) -> str:
        """Area of a lot."""
        return f"{square_m / FT_M**2 / 43560:.2f} acres" if self.units == "us" else f"{square_m:.0f} m\u00b2"


def mud_words(mud: BoreMud | None) -> str:
    """Mud pressure of a bore in a few words."""
    if mud is None:
        return "not computed"
    if not bool((mud.over | mud.tight).any()):
        return "fits"
    return why_text(mud).split(":")[0]


def money(site: Site, value: float | None) -> str:
    """An amount in the currency of the site."""
    cost = site.spec.cost
    return "\u2013" if value is None or cost is None else money_text(value, cost.currency)


def cost_note(site: Site) -> str:
    """What stands behind the estimate, when most of it is defaults."""
    cost = site.spec.cost
    if cost is None or not cost.assumed:
        return ""
    return f" Left to their defaults here: {', '.join(sorted(cost.assumed))}."


def index_text(value: float | None) -> str:
    """Crossing index with two figures; what is too small to mean anything is only said to be small.

    >>> index_text(0.0345), index_text(1e-80), index_text(0.0)
    ('0.035', '< 1e-6', '0')
    """
    if value is None or not math.isfinite(value):
        return "\u2013"
    if 0 < value < 1e-6:
        return "< 1e-6"
    return f"{value:.2g}"
