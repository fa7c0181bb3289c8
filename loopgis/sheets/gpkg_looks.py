"""Words of the desktop-GIS styles: symbol layers, conditions, looks. gpkg_qml.py and gpkg_sld.py put them into their formats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MM_PER_PT = 25.4 / 72
Family = Literal["area", "line", "point"]


@dataclass(frozen=True)
class Stroke:
    """Line: colour #rrggbb, width mm, dashes mm; part: columns with the shares of the length from and to which it is drawn."""

    colour: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()
    part: tuple[str, str] | None = None
    family: Family = "line"


@dataclass(frozen=True)
class Letters:
    """A letter repeated along a line, on a white disc."""

    letter: str
    colour: str
    every_mm: float = 22.0
    family: Family = "line"


@dataclass(frozen=True)
class Fill:
    """Area: colour ("" = see through), pattern on top of it, and edge (0 mm = none)."""

    colour: str
    edge: str
    edge_mm: float = 0.3
    pattern: Literal["", "hatch", "dots"] = ""
    dash_mm: tuple[float, ...] = ()
    family: Family = "area"


@dataclass(frozen=True)
class Mark:
    """Point sign. turn: column with an azimuth that turns it; turn_by: degrees added."""

    shape: Literal["disc", "cross", "wedge", "bar"]
    colour: str
    edge: str
    size_mm: float
    edge_mm: float = 0.4
    turn: str = ""
    turn_by: float = 0.0
    family: Family = "point"


@dataclass(frozen=True)
class Letter:
    """One character at a point."""

    character: str
    colour: str
    size_mm: float
    family: Family = "point"


Layer = Stroke | Letters | Fill | Mark | Letter


@dataclass(frozen=True)
class Where:
    """A column equal to a value, or not equal to it."""

    column: str
    value: str | int
    equal: bool = True


@dataclass(frozen=True)
class Look:
    """How the rows that meet all conditions look. rest: the look of all rows that no other look of the family takes."""

    label: str
    layers: tuple[Layer, ...]
    where: tuple[Where, ...] = ()
    rest: bool = False

    @property
    def family(self) -> Family:
        """Kind of geometry it is for."""
        return self.layers[0].family


@dataclass(frozen=True)
class Text:
    """Label of a layer: an expression of QGIS; a column for SLD; along: follows the line; over: centred on the point."""

    expression: str
    column: str
    colour: str
    size_pt: float = 8.0
    along: bool = False
    over: bool = False


@dataclass(frozen=True)
class Style:
    """Everything about one layer.

    order_by: column by which rows are drawn, largest first, so that the smallest lies on top; merged: areas of one look are drawn
    as one area, so that patterns do not pile up where they overlap.
    """

    looks: tuple[Look, ...]
    text: Text | None = None
    order_by: str = ""
    merged: bool = False

    @property
    def families(self) -> tuple[Family, ...]:
        """Kinds of geometry that occur, areas first."""
        there = {look.family for look in self.looks}
        every: tuple[Family, ...] = ("area", "line", "point")
        return tuple(f for f in every if f in there)
