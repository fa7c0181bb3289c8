"""A style as QML, the style language of QGIS; read by 3.22 and newer. Source: files written by QGIS 3.22 itself."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

from loopgis.sheets.gpkg_looks import Fill, Letter, Letters, Mark, Stroke

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from loopgis.sheets.gpkg_looks import Family, Layer, Look, Style, Text, Where

_SYMBOL: dict[Family, str] = {"area": "fill", "line": "line", "point": "marker"}
_GEOMETRY: dict[Family, str] = {"area": "Polygon", "line": "Line", "point": "Point"}
_HEADS: dict[Family, str] = {"area": "areas", "line": "lines", "point": "points"}
_SHAPES = {"disc": "circle", "cross": "cross2", "wedge": "triangle", "bar": "line"}
_FONT = "Sans Serif"


def qml(style: Style) -> str:
    """QML document of a layer: a rule renderer, labels, drawing order."""
    symbols: list[str] = []
    mixed = len(style.families) > 1
    if mixed:
        rules = "".join(_head(style, family, symbols) for family in style.families)
    else:
        rules = "".join(_rule(look, symbols) for look in style.looks)
    order = ""
    if style.order_by:
        clause = f'<orderByClause asc="0" nullsFirst="0">{escape(_column(style.order_by))}</orderByClause>'
        order = f"<orderby>{clause}</orderby>"
    renderer = (
        f'<renderer-v2 type="RuleRenderer" symbollevels="0" forceraster="0" enableorderby="{int(bool(order))}">'
        f'<rules key="root">{rules}</rules><symbols>{"".join(symbols)}</symbols>{order}</renderer-v2>'
    )
    if style.merged:
        renderer = (
            f'<renderer-v2 type="mergedFeatureRenderer" symbollevels="0" forceraster="0">{renderer}</renderer-v2>'
        )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        f'<qgis version="3.22.16" styleCategories="Symbology|Labeling" labelsEnabled="{int(style.text is not None)}">'
        f"{renderer}{'' if style.text is None else _label(style.text)}</qgis>"
    )


def _head(style: Style, family: Family, symbols: list[str]) -> str:
    """Rule over all looks of one kind of geometry."""
    rules = "".join(_rule(look, symbols) for look in style.looks if look.family == family)
    test = quoteattr(f"geometry_type($geometry) = '{_GEOMETRY[family]}'")
    return f'<rule key="{family}" label="{_HEADS[family]}" filter={test}>{rules}</rule>'


def _rule(look: Look, symbols: list[str]) -> str:
    number = len(symbols)
    symbols.append(_symbol(_SYMBOL[look.family], str(number), look.layers))
    test = "ELSE" if look.rest else " AND ".join(_test(w) for w in look.where)
    where = f" filter={quoteattr(test)}" if test else ""
    return f'<rule key="r{number}" symbol="{number}" label={quoteattr(look.label)}{where}/>'


def _column(name: str) -> str:
    return f'"{name}"'


def _test(where: Where) -> str:
    value = where.value if isinstance(where.value, int) else "'" + where.value.replace("'", "''") + "'"
    return f"{_column(where.column)} {'=' if where.equal else '<>'} {value}"


def _symbol(kind: str, name: str, layers: Iterable[Layer]) -> str:
    body = "".join(part for layer in layers for part in _parts(layer))
    return f'<symbol type="{kind}" name={quoteattr(name)} alpha="1" clip_to_extent="1" force_rhr="0">{body}</symbol>'


def _element(class_: str, inner: str = "", /, **options: object) -> str:
    return f'<layer class="{class_}" enabled="1" pass="0" locked="0">{_map(options)}{inner}</layer>'


def _map(options: Mapping[str, object]) -> str:
    rows = "".join(
        f'<Option type="QString" name={quoteattr(k)} value={quoteattr(str(v))}/>' for k, v in options.items()
    )
    return f'<Option type="Map">{rows}</Option>'


def _parts(layer: Layer) -> list[str]:
    match layer:
        case Stroke():
            return [_stroke(layer)]
        case Letters():
            return [_letters(layer)]
        case Fill():
            return _fill(layer)
        case Mark():
            return [_mark(layer)]
        case Letter():
            return [_character(layer)]


def _rgba(colour: str, alpha: int = 255) -> str:
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{r},{g},{b},{alpha}"


def _line(colour: str, width_mm: float, dash_mm: tuple[float, ...], *, cap: str = "flat", join: str = "round") -> str:
    dash = {"use_custom_dash": 1, "customdash": ";".join(f"{d:.3g}" for d in dash_mm), "customdash_unit": "MM"}
    return _element(
        "SimpleLine",
        line_color=_rgba(colour),
        line_style="solid",
        line_width=f"{width_mm:.3g}",
        line_width_unit="MM",
        capstyle=cap,
        joinstyle=join,
        **(dash if dash_mm else {}),
    )


def _stroke(layer: Stroke) -> str:
    line = _line(layer.colour, layer.width_mm, layer.dash_mm, cap="flat" if layer.dash_mm or layer.part else "round")
    if layer.part is None:
        return line
    start, end = (f"{_column(column)} * length($geometry)" for column in layer.part)
    return _element(
        "GeometryGenerator",
        f'<symbol type="line" name="@0@0" alpha="1">{line}</symbol>',
        SymbolType="Line",
        geometryModifier=f"line_substring($geometry, {start}, {end})",
        units="MapUnit",
    )


def _letters(layer: Letters) -> str:
    disc = Mark("disc", "#ffffff", layer.colour, 3.4, 0.25)
    return _element(
        "MarkerLine",
        _symbol("marker", "@0@0", (disc, Letter(layer.letter, "#000000", 2.6))),
        placement="interval",
        interval=layer.every_mm,
        interval_unit="MM",
        offset_along_line=layer.every_mm / 2,
        offset_along_line_unit="MM",
        rotate=0,
    )


def _fill(layer: Fill) -> list[str]:
    parts = []
    if layer.colour:
        parts.append(_element("SimpleFill", color=_rgba(layer.colour), style="solid", outline_style="no"))
    if layer.pattern == "hatch":
        line = _symbol("line", "@0@0", (Stroke(layer.edge, 0.18),))
        parts.append(_element("LinePatternFill", line, angle=45, distance=2.4, distance_unit="MM"))
    elif layer.pattern == "dots":
        dot = _symbol("marker", "@0@0", (Mark("disc", layer.edge, layer.edge, 0.55, 0.0),))
        apart = dict.fromkeys(("distance_x", "distance_y"), 4) | {"displacement_x": 2}
        parts.append(_element("PointPatternFill", dot, **apart, **{f"{k}_unit": "MM" for k in apart}))
    if layer.edge_mm:
        parts.append(_line(layer.edge, layer.edge_mm, layer.dash_mm, join="miter"))
    return parts


def _mark(layer: Mark) -> str:
    return _element(
        "SimpleMarker",
        _turned(f"{_column(layer.turn)} + {layer.turn_by:g}") if layer.turn else "",
        name=_SHAPES[layer.shape],
        color=_rgba(layer.colour),
        outline_color=_rgba(layer.edge),
        outline_style="solid" if layer.edge_mm else "no",
        outline_width=layer.edge_mm,
        outline_width_unit="MM",
        size=layer.size_mm,
        size_unit="MM",
        angle=layer.turn_by,
    )


def _turned(expression: str) -> str:
    """Angle taken from the row."""
    return (
        '<data_defined_properties><Option type="Map"><Option type="QString" name="name" value=""/>'
        '<Option type="Map" name="properties"><Option type="Map" name="angle"><Option type="bool" name="active" value="true"/>'
        f'<Option type="QString" name="expression" value={quoteattr(expression)}/><Option type="int" name="type" value="3"/>'
        '</Option></Option><Option type="QString" name="type" value="collection"/></Option></data_defined_properties>'
    )


def _character(layer: Letter) -> str:
    return _element(
        "FontMarker",
        font=_FONT,
        font_style="Bold",
        chr=layer.character,
        size=layer.size_mm,
        size_unit="MM",
        color=_rgba(layer.colour),
        horizontal_anchor_point=1,
        vertical_anchor_point=1,
    )


def _label(text: Text) -> str:
    """Labels with a white edge; those that find no room are left out."""
    place = {
        "placement": 3 if text.along else 1 if text.over else 0,
        "placementFlags": 10,
        "dist": 1,
        "quadOffset": 4,
        "priority": 8 if text.over else 5,
    }
    placement = "".join(f' {k}="{v}"' for k, v in place.items())
    buffer = f'<text-buffer bufferDraw="1" bufferSize="0.8" bufferSizeUnits="MM" bufferColor="{_rgba("#ffffff")}"/>'
    return (
        '<labeling type="simple"><settings calloutType="simple">'
        f'<text-style fieldName={quoteattr(text.expression)} isExpression="1" fontFamily="{_FONT}"'
        f' fontWeight="50" fontSize="{text.size_pt:g}"'
        f' fontSizeUnit="Point" textColor="{_rgba(text.colour)}">{buffer}</text-style><placement{placement}/>'
        '<rendering drawLabels="1" obstacle="1" scaleVisibility="0" displayAll="0"/></settings></labeling>'
    )
