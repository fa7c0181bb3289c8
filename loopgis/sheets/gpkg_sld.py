"""A style as SLD 1.1 with symbology encoding 1.1, for programs that read no QML. Source: OGC 05-078r4 and 05-077r4 [from memory].

What has no word there (turned hatching, a letter on a line) becomes the nearest thing that has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from loopgis.sheets.gpkg_looks import MM_PER_PT, Fill, Letter, Letters, Mark, Stroke

if TYPE_CHECKING:
    from collections.abc import Iterable

    from loopgis.sheets.gpkg_looks import Layer, Look, Style, Text, Where

PX_PER_MM = 1 / 0.28
"""The standard's own pixel is 0.28 mm. Source: OGC 05-077r4, "standardized rendering pixel" [from memory]."""
_SHAPES = {"disc": "circle", "cross": "x", "wedge": "triangle", "bar": "shape://vertline"}
_HALO = '<se:Halo><se:Radius>2</se:Radius><se:Fill><se:SvgParameter name="fill">#ffffff</se:SvgParameter></se:Fill></se:Halo>'


def sld(name: str, style: Style) -> str:
    """SLD document of a layer."""
    rules = "".join(_rule(look) for look in style.looks)
    if style.text is not None:
        rules += f"<se:Rule><se:Name>names</se:Name>{_label(style.text)}</se:Rule>"
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor xmlns="http://www.opengis.net/sld" version="1.1.0"'
        ' xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc"><NamedLayer>'
        f"<se:Name>{escape(name)}</se:Name><UserStyle><se:Name>loopgis {escape(name)}</se:Name>"
        f"<se:FeatureTypeStyle>{rules}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _rule(look: Look) -> str:
    where = "<se:ElseFilter/>" if look.rest else _filter(look.where)
    return (
        f"<se:Rule><se:Name>{escape(look.label)}</se:Name>{where}{''.join(_symbol(x) for x in look.layers)}</se:Rule>"
    )


def _filter(conditions: Iterable[Where]) -> str:
    tests = []
    for where in conditions:
        word = "PropertyIsEqualTo" if where.equal else "PropertyIsNotEqualTo"
        value = f"<ogc:Literal>{escape(str(where.value))}</ogc:Literal>"
        tests.append(f"<ogc:{word}>{_property(where.column)}{value}</ogc:{word}>")
    if not tests:
        return ""
    body = tests[0] if len(tests) == 1 else f"<ogc:And>{''.join(tests)}</ogc:And>"
    return f"<ogc:Filter>{body}</ogc:Filter>"


def _property(column: str) -> str:
    return f"<ogc:PropertyName>{escape(column)}</ogc:PropertyName>"


def _symbol(layer: Layer) -> str:
    match layer:
        case Stroke():
            return "" if layer.part else _line(layer)
        case Letters():
            return _along(layer)
        case Fill():
            return _polygon(layer)
        case Mark():
            return _point(layer)
        case Letter():
            return _text(_literal(layer.character), layer.size_mm, _point_place(), layer.colour)


def _css(name: str, value: object) -> str:
    return f'<se:SvgParameter name="{name}">{value}</se:SvgParameter>'


def _px(mm: float) -> str:
    return f"{mm * PX_PER_MM:.1f}"


def _stroke(colour: str, width_mm: float, dash_mm: tuple[float, ...] = ()) -> str:
    dash = _css("stroke-dasharray", " ".join(_px(d) for d in dash_mm)) if dash_mm else ""
    return f"<se:Stroke>{_css('stroke', colour)}{_css('stroke-width', _px(width_mm))}{dash}</se:Stroke>"


def _line(layer: Stroke) -> str:
    return f"<se:LineSymbolizer>{_stroke(layer.colour, layer.width_mm, layer.dash_mm)}</se:LineSymbolizer>"


def _polygon(layer: Fill) -> str:
    fill = f"<se:Fill>{_css('fill', layer.colour)}</se:Fill>" if layer.colour else ""
    base = f"<se:PolygonSymbolizer>{fill}</se:PolygonSymbolizer>" if fill else ""
    edge = _stroke(layer.edge, layer.edge_mm, layer.dash_mm) if layer.edge_mm else ""
    if layer.pattern:
        shape, size = ("shape://slash", 2.4) if layer.pattern == "hatch" else ("circle", 0.6)
        ink = f"<se:Fill>{_css('fill', layer.edge)}</se:Fill>" if layer.pattern == "dots" else ""
        mark = f"<se:Mark><se:WellKnownName>{shape}</se:WellKnownName>{ink}{_stroke(layer.edge, 0.18)}</se:Mark>"
        graphic = f"<se:Graphic>{mark}<se:Size>{_px(size)}</se:Size></se:Graphic>"
        pattern = f"<se:Fill><se:GraphicFill>{graphic}</se:GraphicFill></se:Fill>"
        return f"{base}<se:PolygonSymbolizer>{pattern}{edge}</se:PolygonSymbolizer>"
    return f"<se:PolygonSymbolizer>{fill}{edge}</se:PolygonSymbolizer>"


def _point(layer: Mark) -> str:
    fill = f"<se:Fill>{_css('fill', layer.colour)}</se:Fill>"
    edge = _stroke(layer.edge, layer.edge_mm) if layer.edge_mm else ""
    mark = f"<se:Mark><se:WellKnownName>{_SHAPES[layer.shape]}</se:WellKnownName>{fill}{edge}</se:Mark>"
    by = f"<ogc:Literal>{layer.turn_by:g}</ogc:Literal>"
    angle = f"<ogc:Add>{_property(layer.turn)}{by}</ogc:Add>" if layer.turn else by if layer.turn_by else ""
    turn = f"<se:Rotation>{angle}</se:Rotation>" if angle else ""
    graphic = f"<se:Graphic>{mark}<se:Size>{_px(layer.size_mm)}</se:Size>{turn}</se:Graphic>"
    return f"<se:PointSymbolizer>{graphic}</se:PointSymbolizer>"


def _text(label: str, size_mm: float, place: str, colour: str, halo: str = "") -> str:
    font = f"<se:Font>{_css('font-family', 'Sans Serif')}{_css('font-size', _px(size_mm))}</se:Font>"
    ink = f"<se:Fill>{_css('fill', colour)}</se:Fill>"
    return f"<se:TextSymbolizer><se:Label>{label}</se:Label>{font}{place}{halo}{ink}</se:TextSymbolizer>"


def _along(layer: Letters) -> str:
    first, gap = (
        f"<se:{word}>{_px(mm)}</se:{word}>"
        for word, mm in (("InitialGap", layer.every_mm / 2), ("Gap", layer.every_mm))
    )
    line = f"<se:LinePlacement><se:IsRepeated>true</se:IsRepeated>{first}{gap}</se:LinePlacement>"
    return _text(_literal(layer.letter), 2.8, f"<se:LabelPlacement>{line}</se:LabelPlacement>", "#000000", _HALO)


def _label(text: Text) -> str:
    place = "<se:LabelPlacement><se:LinePlacement/></se:LabelPlacement>" if text.along else _point_place()
    return _text(_property(text.column), text.size_pt * MM_PER_PT, place, text.colour, _HALO)


def _literal(text: str) -> str:
    return f"<ogc:Literal>{escape(text)}</ogc:Literal>"


def _point_place() -> str:
    half = "<se:AnchorPointX>0.5</se:AnchorPointX><se:AnchorPointY>0.5</se:AnchorPointY>"
    point = f"<se:PointPlacement><se:AnchorPoint>{half}</se:AnchorPoint></se:PointPlacement>"
    return f"<se:LabelPlacement>{point}</se:LabelPlacement>"
