"""How every layer looks in a desktop GIS, from the same tokens as the pictures, as QML and SLD.

Colours, letters and widths come from tokens.py. To style a new layer: a function that gives its `Style`, and a line in `_STYLES`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.sheets import tokens
from loopgis.sheets.gpkg_looks import MM_PER_PT, Fill, Layer, Letter, Letters, Look, Mark, Stroke, Style, Text, Where
from loopgis.sheets.gpkg_qml import qml
from loopgis.sheets.gpkg_sld import sld
from loopgis.sheets.schema import CHANGES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from loopgis.sheets.gpkg_looks import Family
    from loopgis.sheets.gpkg_row import Row

_BEST = Where("rank", 1)
_FAMILY: dict[str, Family] = {
    "Polygon": "area",
    "MultiPolygon": "area",
    "LineString": "line",
    "MultiLineString": "line",
    "Point": "point",
    "MultiPoint": "point",
}


def styles(content: Mapping[str, Sequence[Row]], units: str) -> dict[str, tuple[str, str]]:
    """QML and SLD text by layer name, for every layer with geometry.

    content: rows by layer, of which the kinds of features that occur are taken; units: us or metric, for labels.
    """
    kinds = {(str(values["kind"]), _FAMILY[shape.geom_type]) for shape, values in content["features"] if shape is not None
             and shape.geom_type in _FAMILY}  # fmt: skip
    made = {
        "parcel": _parcel(),
        "buildings": _buildings(),
        "features": _features(sorted(kinds)),
        "zones": _zones(units),
        "pads": _pads(),
        "bores": _bores(units),
        "rods": _rods(),
        "stations": _stations(),
        "exits": _exits(),
        "headers": _headers(),
        "crossings": _crossings(),
        "ground_change": _ground_change(),
        "refused": _refused(),
    }
    return {name: (qml(style), sld(name, style)) for name, style in made.items()}


def _mm(points: Iterable[float]) -> tuple[float, ...]:
    return tuple(p * MM_PER_PT for p in points)


def _length(column: str, units: str, decimals: int) -> str:
    """Expression: a length in the site's units."""
    factor, unit = (1 / 0.3048, "ft") if units == "us" else (1.0, "m")
    return f"format_number(\"{column}\" * {factor:.9g}, {decimals}) || ' {unit}'"


def _parcel() -> Style:
    line = Fill("", tokens.TEXT, tokens.LOT_WIDTH * MM_PER_PT, dash_mm=_mm(tokens.LOT_DASH))
    return Style((Look("lot line", (line,)),))


def _buildings() -> Style:
    look = Look("building", (Fill(tokens.BUILDING, tokens.BUILDING_EDGE, 0.35),))
    return Style((look,), Text('coalesce("label", "use")', "label", tokens.TEXT))


def _features(kinds: Sequence[tuple[str, Family]]) -> Style:
    looks = []
    for kind, family in kinds:
        style = tokens.kind_style(kind)
        name = f"{style.letter}  {kind.replace('_', ' ')}".strip()
        looks.append(Look(name, _thing(style, family), (Where("kind", kind),)))
    other = tokens.KindStyle(tokens.CLOSED, "none", "")
    every: tuple[Family, ...] = ("area", "line", "point")
    looks += [Look(f"other {family}", _thing(other, family), rest=True) for family in every]
    return Style(tuple(looks), Text('"label"', "label", tokens.TEXT))


def _thing(style: tokens.KindStyle, family: Family) -> tuple[Layer, ...]:
    dash = _mm(style.dash)
    if family == "area":
        fill = "" if style.fill == "none" else style.fill
        return (Fill(fill, style.colour, 0.3, dash_mm=dash),)
    if family == "point":
        edge = style.colour if style.letter else tokens.TEXT
        ring = (Mark("disc", tokens.HALO, tokens.HALO, 3.4, 0.0), Mark("disc", tokens.PAPER, edge, 2.6, 0.5))
        return (*ring, Letter(style.letter, tokens.HALO, 2.0)) if style.letter else ring
    if style.letter:
        return (
            Stroke(tokens.HALO, tokens.LINE_HALO_WIDTH * MM_PER_PT),
            Stroke(style.colour, tokens.LINE_WIDTH * MM_PER_PT),
            Letters(style.letter, style.colour),
        )
    inside = tokens.PAPER if style.fill == "none" else style.fill
    return Stroke(style.colour, 3.0 * MM_PER_PT), Stroke(inside, 2.0 * MM_PER_PT)


def _zones(units: str) -> Style:
    bores, closed = Where("for_bores", 1), Where("closed", 1)
    open_, ruling = Where("closed", 0), tokens.OUTCOME["ruling_needed"]
    looks = (
        Look("closed at every depth", (Fill("", tokens.CLOSED, 0.2, "hatch"),), (bores, closed)),
        Look(
            "open below a depth",
            (Fill("", tokens.CLOSED, 0.15, "dots"),),
            (bores, open_, Where("mode", "ruling", equal=False)),
        ),
        Look(
            "needs a ruling",
            (Fill("", ruling.colour, 0.5, dash_mm=_mm((4, 2))),),
            (bores, open_, Where("mode", "ruling")),
        ),
        Look(
            "closed to the pad",
            (Fill("", tokens.CLOSED, 0.15, dash_mm=_mm(tokens.ZONE_DASH)),),
            (Where("for_bores", 0),),
        ),
    )
    below = f"'below ' || {_length('min_cover_m', units, 1)}"
    away = f"CASE WHEN \"distance_m\" > 0 THEN {_length('distance_m', units, 1)} ELSE 'closed' END"
    what = f'CASE WHEN "closed" = 1 THEN {away} WHEN "min_cover_m" > 0 THEN {below} ELSE \'?\' END'
    short = "regexp_replace(\"rule_id\", '^.*/', '')"
    text = f"CASE WHEN \"for_bores\" = 1 THEN {short} || '\\n' || {what} END"
    return Style(looks, Text(text, "rule_id", tokens.TEXT_SOFT, 7.0), merged=True)


def _pads() -> Style:
    others = Fill("", tokens.INK_LIGHT, 0.25)
    looks = (
        Look("drill pad", (Fill(tokens.PAPER, tokens.INK, 0.6),), (_BEST,)),
        Look("drill pad of another layout", (others,), rest=True),
    )
    return Style(looks, order_by="rank")


def _bores(units: str) -> Style:
    thin, full, case = (w * MM_PER_PT for w in (tokens.SLANT_WIDTH, tokens.LEVEL_WIDTH, tokens.CASE_WIDTH))
    level = ("level_from", "level_to")

    def line(colour: str, share: float) -> tuple[Layer, ...]:
        """White case, thin on the slanting ends, full on the level run."""
        return (
            Stroke(tokens.PAPER, case * share),
            Stroke(colour, thin * share),
            Stroke(colour, full * share, part=level),
        )

    looks = (
        Look("bore of the best layout; broad: level run", line(tokens.INK, 1.0), (_BEST,)),
        Look("bore of another layout", line(tokens.INK_LIGHT, 0.55), rest=True),
    )
    text = f'CASE WHEN "rank" = 1 THEN "bore_id" || \'  \' || {_length("length_m", units, 0)} END'
    return Style(looks, Text(text, "bore_id", tokens.INK, along=True), order_by="rank")


def _rods() -> Style:
    looks = (
        Look(
            "entry", (Mark("wedge", tokens.INK, tokens.PAPER, 2.8, 0.2, turn="azimuth_deg"),), (_BEST, Where("rod", 0))
        ),
        Look(
            "every fifth rod",
            (Mark("bar", tokens.INK, tokens.INK, 2.6, 0.3, "azimuth_deg", 90.0),),
            (_BEST, Where("fifth", 1)),
        ),
    )
    return Style(looks)


def _stations() -> Style:
    """Mud pressure of the best layout: a cross beyond what the ground bears, a barred dot near it; nothing where it fits."""
    over, tight = tokens.OUTCOME["fail"], tokens.OUTCOME["pass_thin"]
    looks = (
        Look("mud beyond what the ground bears", _outcome(over, 1.6), (_BEST, Where("mud", "over"))),
        Look("mud near what the ground bears", _outcome(tight, 1.3), (_BEST, Where("mud", "tight"))),
    )
    return Style(looks)


def _exits() -> Style:
    looks = (
        Look("exit, with the bore's number", (Mark("disc", tokens.PAPER, tokens.INK, 4.6, 0.5),), (_BEST,)),
        Look("exit of another layout", (Mark("disc", tokens.PAPER, tokens.INK_LIGHT, 1.8, 0.3),), rest=True),
    )
    number = "CASE WHEN \"rank\" = 1 THEN regexp_replace(\"bore_id\", '^[^0-9]*0*', '') END"
    return Style(looks, Text(number, "bore_id", tokens.INK, 7.5, over=True), order_by="rank")


def _headers() -> Style:
    def line(colour: str, width_mm: float) -> tuple[Layer, ...]:
        return Stroke(tokens.PAPER, width_mm + 0.8), Stroke(colour, width_mm, _mm(tokens.HEADER_DASH))

    looks = (
        Look("header", line(tokens.INK, 0.6), (_BEST,)),
        Look("header of another layout", line(tokens.INK_LIGHT, 0.3), rest=True),
    )
    return Style(looks, order_by="rank")


def _refused() -> Style:
    """Lines that cannot be drilled: a broken line in the colour of what failed, with the reason along it."""
    colour = tokens.OUTCOME["fail"].colour
    look = Look("drawn, cannot be drilled", (Stroke(tokens.PAPER, 1.3), Stroke(colour, 0.6, _mm(tokens.LOT_DASH))))
    return Style((look,), Text('"why"', "why", colour, along=True))


def _ground_change() -> Style:
    """Discs as large as the change along the lot line: a ring where it is colder, full where warmer; best layout only."""
    looks = [
        Look(
            f"ground {word}, {name}",
            (Mark("disc", tokens.PAPER if colder else tokens.INK, tokens.INK, 0.8 + 0.9 * n, 0.3),),
            (_BEST, Where("size", name), Where("colder", colder)),
        )
        for n, (name, _) in enumerate(CHANGES)
        for colder, word in ((1, "colder"), (0, "warmer"))
    ]
    return Style(tuple(looks))


def _crossings() -> Style:
    """Outcome by shape and colour, best layout only; a crossing that no rule speaks of is a plain dot."""
    looks = [
        Look(f"crossing, {mark.words}", _outcome(mark), (_BEST, Where("outcome", name)))
        for name, mark in tokens.OUTCOME.items()
    ]
    return Style(tuple(looks))


def _outcome(mark: tokens.Mark, size: float = 3.0) -> tuple[Layer, ...]:
    case = Mark("disc", tokens.PAPER, tokens.PAPER, size + 0.8, 0.0)
    shapes: dict[str, tuple[Any, ...]] = {
        "disc": (Mark("disc", mark.colour, tokens.HALO, size, 0.15),),
        "barred": (
            Mark("disc", mark.colour, tokens.HALO, size, 0.15),
            Mark("bar", tokens.HALO, tokens.HALO, size, 0.6, turn_by=90.0),
        ),
        "cross": (Mark("cross", mark.colour, mark.colour, size, 0.9),),
        "query": (Mark("disc", tokens.PAPER, mark.colour, size, 0.6), Letter("?", tokens.HALO, 2.4)),
        "dash": (Mark("bar", mark.colour, mark.colour, size, 0.6, turn_by=90.0),),
    }
    return (case, *shapes[mark.shape])
