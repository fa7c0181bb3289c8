"""The one table of picture tokens: colours, widths, letters, dashes. Map pictures, pages and desktop-GIS styles all read it.

Utility colours follow the public uniform colour code (APWA, as printed on callbeforeyoudig.org) with the screen values of ANSI
Z535.1; outcome colours are those of Okabe and Ito's published palette. Nothing is told by colour alone: utilities carry
letters and a black edge, outcomes differ in shape. To add a kind of feature: a row in tables/kinds.toml, and one in `_AREAS`
here only when it is an area that deserves its own ground colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from loopgis.tables.load import load_table

Dash = tuple[float, ...]
Shape = Literal["disc", "barred", "cross", "query", "dash"]

INK = "#14304f"
"""Bores of the layout that is shown."""
INK_LIGHT = "#8ea3b8"
"""Bores of the other layouts."""
PAPER = "#ffffff"
TEXT = "#1c1a18"
TEXT_SOFT = "#4a443d"
"""Names of zones and heights; 8:1 on paper."""
HALO = "#000000"
"""Hair line on both sides of every coloured utility line."""
GROUND_DARKEST, GROUND_LIGHT = "#cfc9c0", "#fbf9f6"
CONTOUR = "#a89f93"
COVER_BAND = "#f3eee6"
ASKED = "#ded7cc"
CLOSED = "#6b635a"
BUILDING, BUILDING_EDGE = "#b5b0aa", "#5c5650"
WATER, SHORE = "#d3e6f2", "#4f87ab"
DRIVE_EDGE = "#9a9388"
GREEN_GROUND = "#dfe8d4"

LOT_DASH: Dash = (14, 3, 2, 3, 2, 3)
"""Long dash and two dots, in units of points."""
ZONE_DASH: Dash = (1, 2)
TARGET_DASH: Dash = (4, 3)
HEADER_DASH: Dash = (4, 2)
AREA_DASH: Dash = (4, 2)
"""Edges of areas that are a claim or a plan, not a thing: easements, reserves, flood limits."""

LOT_WIDTH = 2.0
CASE_WIDTH = 4.4
LEVEL_WIDTH = 2.8
SLANT_WIDTH = 0.9
LINE_WIDTH, LINE_HALO_WIDTH = 1.6, 2.8
"""Line widths, points."""

FAMILY: dict[str, str] = {
    "E": "#c8102e",
    "G": "#f6d04d",
    "T": "#ff6900",
    "W": "#005eb8",
    "S": "#00843d",
    "R": "#652d90",
}
"""Colour by letter: electric, gas and fuel, telecom, drinking water, sewer and drain, reclaimed water and irrigation."""
FAMILY_WORDS: dict[str, str] = {
    "E": "electric",
    "G": "gas, fuel",
    "T": "telecom",
    "W": "water",
    "S": "sewer, drain",
    "R": "irrigation",
}


@dataclass(frozen=True)
class Mark:
    """How an outcome looks: colour, shape, the nearest character for places that cannot draw, words, rank (0 = worst)."""

    colour: str
    shape: Shape
    sign: str
    words: str
    rank: int


OUTCOME: dict[str, Mark] = {
    "fail": Mark("#D55E00", "cross", "\u2715", "failed", 0),
    "ruling_needed": Mark("#CC79A7", "query", "?", "in need of a ruling", 1),
    "unverified": Mark("#CC79A7", "query", "?", "unverified", 2),
    "consent_needed": Mark("#CC79A7", "query", "?", "in need of a consent", 3),
    "pass_thin": Mark("#E69F00", "barred", "\u2296", "passed, but within the tolerance", 4),
    "pass": Mark("#009E73", "disc", "\u25cf", "passed", 5),
    "not_applicable": Mark("#6b635a", "dash", "\u2013", "not applicable", 6),
}


@dataclass(frozen=True)
class KindStyle:
    """How a kind of feature is drawn.

    colour: line, or edge of an area; fill: ground colour of an area, or "none"; letter: family of the uniform colour code, ""
    when it has none; dash: edge dashes in points, empty = solid.
    """

    colour: str
    fill: str
    letter: str
    dash: Dash = ()


_AREAS: dict[str, tuple[str, str]] = {
    "building": (BUILDING_EDGE, BUILDING),
    "surface_water": (SHORE, WATER),
    "stormwater_basin": (SHORE, WATER),
    "pool": (SHORE, WATER),
    "wetland": (SHORE, "#e4eee6"),
    "paved_way": (DRIVE_EDGE, PAPER),
    "right_of_way": (DRIVE_EDGE, "#f4f1ec"),
    "tree_root_zone": ("#6d8b4e", GREEN_GROUND),
}
_CLAIMS = frozenset(
    {"drain_field_reserve", "right_of_way", "easement", "floodplain", "wellhead_zone", "neighbour_parcel"}
)


def kind_style(kind: str) -> KindStyle:
    """Style of a kind of feature named in tables/kinds.toml. Raises KeyError for a kind that is not there.

    >>> kind_style("gas_line").letter, kind_style("building").letter
    ('G', '')
    """
    letter = load_table("kinds")["kinds"][kind]["code"]
    dash = AREA_DASH if kind in _CLAIMS else ()
    if letter in FAMILY:
        return KindStyle(FAMILY[letter], PAPER, letter, dash)
    edge, fill = _AREAS.get(kind, (CLOSED, "none" if kind in _CLAIMS else PAPER))
    return KindStyle(edge, fill, "", dash)
