"""Layer styles for desktop GIS, as QML and SLD, from the same tokens as the pictures.

A style is a list of `Look`s: a filter (attribute, value), a label and symbol layers. To style a new layer: one entry in `_looks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

from loopgis.sheets import tokens
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

MM_TO_PX = 96 / 25.4


@dataclass(frozen=True)
class Stroke:
    """Line symbol layer: colour #rrggbb, width mm, dash mm pairs."""

    colour: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Fill:
    """Area symbol layer. pattern: solid, none, hatch or dots."""

    colour: str
    edge: str
    edge_mm: float = 0.3
    pattern: str = "solid"


@dataclass(frozen=True)
class Mark:
    """Point symbol layer. shape: a name common to QML and SLD: circle, cross, triangle, square."""

    shape: str
    colour: str
    edge: str
    size_mm: float


@dataclass(frozen=True)
class Look:
    """How rows of a layer look where an attribute has a value (empty attribute: all others)."""

    label: str
    layers: tuple[Stroke | Fill | Mark, ...]
    attribute: str = ""
    value: str | int = ""


def _cased(colour: str, width_mm: float, dash_mm: tuple[float, ...] = ()) -> tuple[Stroke, ...]:
    """Coloured line with a black hair line on both sides."""
    return Stroke("#000000", width_mm + 0.4), Stroke(colour, width_mm, dash_mm)


def _feature_looks() -> list[Look]:
    looks = []
    for kind, row in load_table("kinds")["kinds"].items():
        style = tokens.kind_style(kind)
        look: tuple[Stroke | Fill | Mark, ...]
        look = (
            Mark("circle", style.colour, "#000000", 2.4),
            *_cased(style.colour, 0.5),
            Fill(style.colour, "#000000", 0.2),
        )
        looks.append(Look(f"{row['code']} {kind.replace('_', ' ')}".strip(), look, "kind", kind))
    return looks


def _looks() -> dict[str, list[Look]]:
    ink, light = tokens.INK, tokens.INK_LIGHT
    return {
        "parcel": [Look("lot line", (Fill("#ffffff", "#000000", 0.7, "none"),))],
        "buildings": [Look("building", (Fill("#b5b0aa", "#6b6661", 0.4),))],
        "features": _feature_looks(),
        "zones": [
            Look("closed at every depth", (Fill("#5d574f", "#5d574f", 0.2, "hatch"),), "closed", 1),
            Look("open below a depth", (Fill("#5d574f", "#8a837a", 0.2, "dots"),), "closed", 0),
        ],
        "pads": [Look("drill pad", (Fill("#ffffff", ink, 0.5),))],
        "bores": [
            Look("bore of the best layout", (Stroke("#ffffff", 1.8), Stroke(ink, 1.0)), "rank", 1),
            Look("bore of another layout", (Stroke("#ffffff", 1.2), Stroke(light, 0.5))),
        ],
        "rods": [Look("rod end", (Mark("circle", "#ffffff", ink, 1.2),))],
        "exits": [Look("exit", (Mark("circle", "#ffffff", ink, 3.2),))],
        "headers": [Look("header", (Stroke("#ffffff", 1.4), Stroke(ink, 0.6, (2.0, 1.2))))],
        "crossings": [Look("crossing", (Mark("cross", "#d55e00", "#d55e00", 3.0),))],
    }


def styles() -> dict[str, tuple[str, str]]:
    """QML and SLD text by layer name, for every layer with geometry."""
    return {name: (_qml(name, looks), _sld(name, looks)) for name, looks in _looks().items()}


_WANT = {"parcel": Fill, "buildings": Fill, "zones": Fill, "pads": Fill, "bores": Stroke, "headers": Stroke}
_LABELS = {"bores": "bore_id", "exits": "bore_id", "features": "label", "pads": "layout_id", "zones": "rule_id"}


def _of(look: Look, want: type) -> tuple[Stroke | Fill | Mark, ...]:
    return tuple(layer for layer in look.layers if isinstance(layer, want))


# -- QML ---------------------------------------------------------------------------------------------------------


def _rgba(colour: str, alpha: int = 255) -> str:
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{r},{g},{b},{alpha}"


def _props(values: Mapping[str, object]) -> str:
    return "".join(f"<prop k={quoteattr(k)} v={quoteattr(str(v))}/>" for k, v in values.items())


def _qml_layer(layer: Stroke | Fill | Mark) -> str:
    if isinstance(layer, Stroke):
        dash = {"customdash": ";".join(map(str, layer.dash_mm)), "use_custom_dash": 1} if layer.dash_mm else {}
        values = {
            "line_color": _rgba(layer.colour),
            "line_width": layer.width_mm,
            "line_width_unit": "MM",
            "capstyle": "round",
            **dash,
        }
        return f'<layer class="SimpleLine" enabled="1" pass="0" locked="0">{_props(values)}</layer>'
    if isinstance(layer, Mark):
        values = {"name": layer.shape, "color": _rgba(layer.colour), "outline_color": _rgba(layer.edge), "size": layer.size_mm,
                  "size_unit": "MM", "outline_width": 0.4}  # fmt: skip
        return f'<layer class="SimpleMarker" enabled="1" pass="0" locked="0">{_props(values)}</layer>'
    style = "solid" if layer.pattern == "solid" else "no"
    values = {
        "color": _rgba(layer.colour),
        "style": style,
        "outline_color": _rgba(layer.edge),
        "outline_width": layer.edge_mm,
    }
    outline = f'<layer class="SimpleFill" enabled="1" pass="0" locked="0">{_props(values)}</layer>'
    if layer.pattern == "hatch":
        inner = _qml_symbol("line", "@0@0", (Stroke(layer.colour, 0.2),))
        values = {"angle": 45, "distance": 2.2, "distance_unit": "MM", "color": _rgba(layer.colour)}
        return (
            f'<layer class="LinePatternFill" enabled="1" pass="0" locked="0">{_props(values)}{inner}</layer>{outline}'
        )
    if layer.pattern == "dots":
        inner = _qml_symbol("marker", "@0@0", (Mark("circle", layer.colour, layer.colour, 0.5),))
        values = {
            "distance_x": 3.2,
            "distance_y": 3.2,
            "displacement_x": 1.6,
            "distance_x_unit": "MM",
            "distance_y_unit": "MM",
        }
        return (
            f'<layer class="PointPatternFill" enabled="1" pass="0" locked="0">{_props(values)}{inner}</layer>{outline}'
        )
    return outline


def _qml_symbol(kind: str, name: str, layers: Iterable[Stroke | Fill | Mark]) -> str:
    body = "".join(_qml_layer(layer) for layer in layers)
    return f'<symbol type="{kind}" name="{name}" alpha="1" clip_to_extent="1">{body}</symbol>'


_KIND = {Stroke: "line", Fill: "fill", Mark: "marker"}


def _qml(name: str, looks: list[Look]) -> str:
    """Rule-based renderer; a layer of mixed geometry gets a rule per geometry type and look."""
    mixed = name == "features"
    rules: list[str] = []
    symbols: list[str] = []
    for look in looks:
        for want in (Fill, Stroke, Mark) if mixed else (_WANT.get(name, Mark),):
            number = len(symbols)
            parts = [f'"{look.attribute}" = {_literal(look.value)}'] if look.attribute else []
            if mixed:
                word = {Fill: "Polygon", Stroke: "Line", Mark: "Point"}[want]
                parts.append(f"geometry_type($geometry) = '{word}'")
            where = f" filter={quoteattr(' AND '.join(parts))}" if parts else ' filter="ELSE"' if len(looks) > 1 else ""
            rules.append(f'<rule key="r{number}" symbol="{number}" label={quoteattr(look.label)}{where}/>')
            symbols.append(_qml_symbol(_KIND[want], str(number), _of(look, want)))
    label = _LABELS.get(name)
    text = _qml_label(label) if label else ""
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        f'<qgis version="3.22" styleCategories="Symbology|Labeling" labelsEnabled="{int(bool(label))}">'
        f'<renderer-v2 type="RuleRenderer" symbollevels="0" forceraster="0"><rules key="root">{"".join(rules)}</rules>'
        f"<symbols>{''.join(symbols)}</symbols></renderer-v2>{text}</qgis>"
    )


def _literal(value: str | int) -> str:
    return str(value) if isinstance(value, int) else f"'{value}'"


def _qml_label(field: str) -> str:
    return (
        f'<labeling type="simple"><settings calloutType="simple"><text-style fieldName="{field}" fontSize="8"'
        ' fontFamily="Sans Serif" textColor="0,0,0,255" isExpression="0"><text-buffer bufferDraw="1" bufferSize="0.8"'
        ' bufferColor="255,255,255,255"/></text-style><placement placement="0" dist="1"/>'
        '<rendering obstacle="1" scaleVisibility="0" displayAll="0"/></settings></labeling>'
    )


# -- SLD ---------------------------------------------------------------------------------------------------------


def _sld_layer(layer: Stroke | Fill | Mark) -> str:
    if isinstance(layer, Stroke):
        dash = " ".join(f"{d * MM_TO_PX:.1f}" for d in layer.dash_mm)
        extra = f'<se:SvgParameter name="stroke-dasharray">{dash}</se:SvgParameter>' if dash else ""
        return f"<se:LineSymbolizer>{_sld_stroke(layer.colour, layer.width_mm, extra)}</se:LineSymbolizer>"
    if isinstance(layer, Mark):
        fill = f'<se:Fill><se:SvgParameter name="fill">{layer.colour}</se:SvgParameter></se:Fill>'
        mark = (
            f"<se:Mark><se:WellKnownName>{layer.shape}</se:WellKnownName>{fill}{_sld_stroke(layer.edge, 0.4)}</se:Mark>"
        )
        size = f"<se:Size>{layer.size_mm * MM_TO_PX:.1f}</se:Size>"
        return f"<se:PointSymbolizer><se:Graphic>{mark}{size}</se:Graphic></se:PointSymbolizer>"
    fill = f'<se:SvgParameter name="fill">{layer.colour}</se:SvgParameter>'
    if layer.pattern in {"hatch", "dots"}:
        shape = "shape://slash" if layer.pattern == "hatch" else "circle"
        pixels = 9 if layer.pattern == "hatch" else 2
        mark = f"<se:Mark><se:WellKnownName>{shape}</se:WellKnownName>{_sld_stroke(layer.colour, 0.2)}</se:Mark>"
        fill = f"<se:GraphicFill><se:Graphic>{mark}<se:Size>{pixels}</se:Size></se:Graphic></se:GraphicFill>"
    body = "" if layer.pattern == "none" else f"<se:Fill>{fill}</se:Fill>"
    return f"<se:PolygonSymbolizer>{body}{_sld_stroke(layer.edge, layer.edge_mm)}</se:PolygonSymbolizer>"


def _sld_stroke(colour: str, width_mm: float, extra: str = "") -> str:
    width = f'<se:SvgParameter name="stroke-width">{width_mm * MM_TO_PX:.2f}</se:SvgParameter>'
    return f'<se:Stroke><se:SvgParameter name="stroke">{colour}</se:SvgParameter>{width}{extra}</se:Stroke>'


def _sld(name: str, looks: list[Look]) -> str:
    rules = []
    for look in looks:
        wants = (Fill, Stroke, Mark) if name == "features" else (_WANT.get(name, Mark),)
        body = "".join(_sld_layer(layer) for want in wants for layer in _of(look, want))
        where = ""
        if look.attribute:
            where = (
                f"<ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>{look.attribute}</ogc:PropertyName>"
                f"<ogc:Literal>{look.value}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
            )
        elif len(looks) > 1:
            where = "<se:ElseFilter/>"
        rules.append(f"<se:Rule><se:Name>{look.label}</se:Name>{where}{body}</se:Rule>")
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor xmlns="http://www.opengis.net/sld" version="1.1.0"'
        ' xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc"><NamedLayer>'
        f"<se:Name>{name}</se:Name><UserStyle><se:Name>loopgis {name}</se:Name>"
        f"<se:FeatureTypeStyle>{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )
