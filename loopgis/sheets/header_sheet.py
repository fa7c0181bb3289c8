"""The header of a layout on one sheet: its way from pad to house, sizes and flows, circuits, what the pumps must do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import flow_text, head_text, length_text, temperature_text, volume_text
from loopgis.layout.plumbing import INDOOR_M
from loopgis.sheets import figure, plan_layers, tokens
from loopgis.sheets.figure import Labels, TextStyle
from loopgis.sheets.plan_frame import frame

if TYPE_CHECKING:
    from pathlib import Path

    from loopgis.layout.model import Layout
    from loopgis.layout.plumbing import Plumbing
    from loopgis.site.model import Site

WIDTH_IN, HEIGHT_IN = 17.0, 11.0
MOST_CIRCUITS = 24
"""Circuits drawn one by one; of more, the first ones."""
LEAST_GAP = 0.045
JOINED = {
    "pit": "all circuits joined in one pit at the pad",
    "step down": "header steps down, direct return",
    "reverse return": "header with reverse return",
}


def draw_header(path: Path, site: Site, layout: Layout) -> Path:
    """Draw the sheet of a layout with plumbing as PNG (150 dpi) or PDF by suffix; OSError when it cannot be written."""
    figure.save(compose(site, layout), path)
    return path


def compose(site: Site, layout: Layout) -> Any:
    """The sheet as a matplotlib figure. Raises ValueError for a layout without plumbing."""
    piped = layout.plumbing
    if piped is None:
        raise ValueError(layout.layout_id)
    sheet = figure.sheet(WIDTH_IN, HEIGHT_IN)
    units = site.spec.units
    frame(sheet, site, layout, "header and circuits")
    _plan(sheet.add_axes((0.03, 0.40, 0.36, 0.52)), site, layout)
    _scheme(sheet.add_axes((0.43, 0.10, 0.55, 0.80)), piped, units)
    _words(sheet, piped, units)
    return sheet


def _plan(axes: Any, site: Site, layout: Layout) -> None:
    """Pad, trench, house and what lies about them, to scale."""
    shapes = [layout.pad.polygon]
    if layout.header is not None:
        shapes.append(shapely.LineString(layout.header.xyz[:, :2]))
    x0, y0, x1, y1 = shapely.total_bounds(np.array(shapes, dtype=object))
    side = max(x1 - x0, y1 - y0) * 0.62 + 6
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    window = axes.get_window_extent()
    wide = side * max(1.0, window.width / window.height)
    tall = side * max(1.0, window.height / window.width)
    axes.set_xlim(cx - wide, cx + wide)
    axes.set_ylim(cy - tall, cy + tall)
    axes.set_xticks([])
    axes.set_yticks([])
    labels = Labels(axes)
    plan_layers.things(axes, site, (), labels)
    plan_layers.lot(axes, site, labels)
    view = shapely.box(cx - wide, cy - tall, cx + wide, cy + tall)
    for f in site.features:
        letter, shown = tokens.kind_style(f.kind).letter, shapely.intersection(f.geometry, view)
        if letter and not shown.is_empty and shown.geom_type.endswith("LineString"):
            longest = max(shapely.get_parts(shown), key=lambda part: part.length)
            at = shapely.line_interpolate_point(longest, 0.5, normalized=True)
            figure.plain_text(axes, (float(at.x), float(at.y)), letter, TextStyle(size=figure.NORMAL, bold=True))
    pad = shapely.get_coordinates(shapely.get_exterior_ring(layout.pad.polygon))
    axes.plot(pad[:, 0], pad[:, 1], color=tokens.INK, lw=1.4, zorder=5)
    for b in layout.bores:
        axes.plot(b.x_m, b.y_m, color=tokens.INK, lw=1.0, zorder=5)
        axes.plot(b.x_m[0], b.y_m[0], "o", ms=3.5, color=tokens.INK, zorder=6)
        labels.put(float(b.x_m[0]), float(b.y_m[0]), b.bore_id, TextStyle(bold=True), reach=9, must=False)
    if layout.header is not None:
        xyz = layout.header.xyz
        axes.plot(xyz[:, 0], xyz[:, 1], color=tokens.PAPER, lw=5.0, zorder=6)
        axes.plot(xyz[:, 0], xyz[:, 1], color=tokens.INK, lw=2.4, ls=(0, tokens.HEADER_DASH), zorder=7)
        middle = xyz[len(xyz) // 2]
        text = f"trench {length_text(layout.header.length_m, site.spec.units, 0)}"
        labels.put(float(middle[0]), float(middle[1]), text, TextStyle(bold=True), reach=9)
    bar, value, word = figure.round_step(wide * 0.5, site.spec.units)
    left, low = cx - wide * 0.95, cy - tall * 0.95
    axes.plot([left, left + bar], [low, low], color="black", lw=2.4, zorder=9)
    figure.plain_text(axes, (left + bar / 2, low + tall * 0.04), f"{value:g} {word}")
    axes.set_title(
        "Way of the trench, to scale, true north up",
        loc="left",
        fontsize=figure.LARGE,
        family=figure.FONT,
        fontweight="bold",
    )


def _scheme(axes: Any, p: Plumbing, units: str) -> None:
    """Circuits and header as a scheme, not to scale: each circuit a line as long as its pipe, header spans with size and flow."""
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.axis("off")
    title = f"Scheme, not to scale: {JOINED[p.joined]}"
    axes.set_title(title, loc="left", fontsize=figure.LARGE, family=figure.FONT, fontweight="bold")
    shown = p.circuits[:MOST_CIRCUITS]
    gap = min(0.16, 0.86 / max(len(shown), 1))
    longest = max(c.pipe_m for c in p.circuits)
    style, bold = TextStyle(size=figure.NORMAL), TextStyle(size=figure.NORMAL, bold=True)
    trunk, top = 0.24, 0.93
    ys = [top - gap * (n + 0.5) for n in range(len(shown))]
    axes.plot([trunk, trunk], [min(ys), max(ys)], color=tokens.INK, lw=4, zorder=3, solid_capstyle="butt")
    middle = max(ys)
    axes.plot([0.03, trunk], [middle, middle], color=tokens.INK, lw=4, zorder=3, solid_capstyle="butt")
    supply = [s for s in p.spans if s.side == "supply"]
    if supply:
        flow = "" if supply[0].flow_m3_s is None else f"\n{flow_text(supply[0].flow_m3_s, units)} each way"
        text = f"{supply[0].size}, {length_text(supply[0].length_m, units, 0)} one way{flow}"
        figure.plain_text(axes, (0.03, middle + 0.012), text, bold, ha="left", va="bottom")
        inside = length_text(INDOOR_M, units, 0)
        figure.plain_text(axes, (0.03, middle - 0.012), f"house ({inside} indoors counted)", style, ha="left", va="top")
    for n, (c, y) in enumerate(zip(shown, ys, strict=True)):
        end = trunk + 0.06 + 0.30 * c.pipe_m / longest
        for shift in (-0.006, 0.006):
            axes.plot([trunk, end], [y + shift, y + shift], color=tokens.INK, lw=1.4, zorder=2)
        turn = np.linspace(-math.pi / 2, math.pi / 2, 12)
        axes.plot(end + 0.006 * np.cos(turn), y + 0.006 * np.sin(turn), color=tokens.INK, lw=1.4, zorder=2)
        flow = ""
        if c.flow_m3_s is not None and c.loss_pa is not None:
            flow = (
                f", {flow_text(c.flow_m3_s, units)}, Re {c.reynolds_cold:.0f} cold, loses {head_text(c.loss_pa, units)}"
            )
        text = f"{c.number}:  {', '.join(c.bores)}, {length_text(c.pipe_m, units, 0)}{flow}"
        figure.plain_text(axes, (end + 0.02, y), text, style, ha="left")
        if n + 1 < len(supply) and gap >= LEAST_GAP:
            s = supply[n + 1]
            figure.plain_text(axes, (trunk - 0.012, y - gap / 2), s.size, bold, ha="right")
    if len(p.circuits) > len(shown):
        more = f"and {len(p.circuits) - len(shown)} more circuits in table circuits of layouts.gpkg"
        figure.plain_text(axes, (trunk, min(ys) - 0.04), more, style, ha="left")


def _words(sheet: Any, p: Plumbing, units: str) -> None:
    """What pumps and fluid must be, under the plan."""
    rows = [("pipe of the circuits", f"{p.size}, {length_text(p.pipe_m, units, 0)} in all")]
    if p.flow_m3_s is not None:
        rows += [
            ("design flow", flow_text(p.flow_m3_s, units)),
            ("head of the pump", f"{head_text(p.head_pa or 0.0, units)}, coldest fluid, heat pump included"),
            ("power of the pump", f"{p.pump_w:.0f} W, {p.pump_w_per_ton:.0f} W a ton"),
            ("least circuit", f"{100 * (p.balance or 0.0):.0f} % of the flow of the fullest"),
        ]
    rows += [
        (
            "to purge",
            f"{flow_text(p.purge.flow_m3_s, units)} at {head_text(p.purge.head_pa, units)}, {p.purge.minutes:.0f} minutes",
        ),
        ("asked by", f"{p.purge.governs}: 2 ft/s in every section"),
        ("the pipes hold", volume_text(p.charge.volume_m3, units)),
    ]
    if p.charge.antifreeze_m3 > 0:
        pure = volume_text(p.charge.antifreeze_m3, units)
        rows.append(("pure antifreeze", f"{pure}; ice begins at {temperature_text(p.charge.freeze_c, units)}"))
    for n, (name, text) in enumerate(rows):
        y = 0.355 - 0.0245 * n
        words = {"fontsize": figure.NORMAL + 0.5, "family": figure.FONT, "va": "center"}
        sheet.text(0.03, y, name, color=tokens.TEXT_SOFT, **words)
        sheet.text(0.135, y, text, color=tokens.TEXT, **words)
