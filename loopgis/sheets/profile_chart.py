"""Profiles of a layout's bores, all with the same scales so that they compare by eye."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import length_text, short_length
from loopgis.layout.field import runs
from loopgis.rules.zones import assumed_depth_m
from loopgis.sheets import figure, tokens
from loopgis.sheets.figure import Labels, TextStyle
from loopgis.sheets.plan_layers import for_bores

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Crossing, Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

TALLEST_IN = 2.3
HEAD_IN, FOOT_IN, SIDE_IN = 0.2, 0.22, 0.42
"""Room above a chart for its title, below for figures, and left of it for the heights."""
ROD_ROOM_PX, TOP_ROOM_PX = 30.0, 12.0
"""Room inside a chart under the lowest bore, for rod numbers, and over the highest ground."""


def draw(
    sheet: Any,
    box: tuple[float, float, float, float],
    site: Site,
    zones: Sequence[Zone],
    layout: Layout,
    *,
    columns: int,
) -> None:
    """Fill a box of a figure (left, bottom, width, height as shares) with a line of words and one small chart per bore."""
    width_in, height_in = sheet.get_size_inches()
    left, bottom, width, height = box[0] * width_in, box[1] * height_in, box[2] * width_in, box[3] * height_in
    rows = math.ceil(len(layout.bores) / columns)
    cell_w, cell_h = width / columns, min((height - 0.25) / rows, TALLEST_IN)
    span = _span(layout.bores)
    feature = {f.feature_id: f for f in site.all_features()}
    scale = 1.0
    for n, bore in enumerate(layout.bores):
        row, column = divmod(n, columns)
        x, y = left + column * cell_w + SIDE_IN, bottom + height - 0.25 - (row + 1) * cell_h + FOOT_IN
        area = (
            x / width_in,
            y / height_in,
            (cell_w - SIDE_IN - 0.1) / width_in,
            (cell_h - HEAD_IN - FOOT_IN) / height_in,
        )
        axes = sheet.add_axes(area)
        _frame(axes, site, bore, span)
        _one(axes, site, zones, [c for c in layout.crossings if c.bore_id == bore.bore_id], bore, feature)
        extent = axes.get_window_extent()
        scale = (extent.height / np.ptp(axes.get_ylim())) / (extent.width / np.ptp(axes.get_xlim()))
    word = {"ft": "feet", "m": "metres"}[figure.in_units(site.spec.units)[1]]
    text = f"Profiles, {word}, along the bore in plan. Heights, from the entry, are drawn {scale:.1f} times as large as lengths."
    if not all(c.depth_known for c in layout.crossings):
        text += "  * depth assumed"
    words = {"fontsize": figure.SMALL + 0.5, "va": "center", "family": figure.FONT, "color": tokens.TEXT_SOFT}
    sheet.text(box[0], (bottom + height - 0.1) / height_in, text, **words)


def _span(bores: Sequence[Bore]) -> tuple[float, float, float]:
    """Common length, and how far above and below its entry any bore or the ground over it lies; metres."""
    above = max(float(np.max(b.ground_m - b.ground_m[0])) for b in bores)
    below = min(float(np.min(b.z_m - b.ground_m[0])) for b in bores)
    return max(b.plan_length_m for b in bores), above, below


def _frame(axes: Any, site: Site, b: Bore, span: tuple[float, float, float]) -> None:
    """Scales, title and spines."""
    units = site.spec.units
    factor, _ = figure.in_units(units)
    longest, above, below = (v / factor for v in span)
    tall = above - below
    axes.set_xlim(-0.012 * longest, longest * 1.012)
    room = axes.get_window_extent().height - ROD_ROOM_PX - TOP_ROOM_PX
    axes.set_ylim(below - tall * ROD_ROOM_PX / room, above + tall * TOP_ROOM_PX / room)
    axes.set_title(_title(axes, b, units), fontsize=figure.SMALL + 0.5, loc="left", pad=2.5, y=1.0, family=figure.FONT)
    axes.tick_params(labelsize=figure.SMALL, length=2, pad=1.5)
    axes.locator_params(axis="y", nbins=5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _title(axes: Any, b: Bore, units: str) -> str:
    """Key figures of a bore, as many as fit over its chart, the most telling first."""
    parts = [
        f"{b.bore_id}:  drilled {length_text(b.length_m, units, 0)}",
        f"level {length_text(b.level_length_m, units, 0)}",
        f"deepest {length_text(b.max_depth_m, units)}",
        f"in {abs(b.pitch_pct[0]):.0f} %",
        f"out {b.pitch_pct[-1]:.0f} %",
    ]
    room = axes.get_window_extent().width
    style = TextStyle(size=figure.SMALL + 0.5)
    while len(parts) > 1 and figure.text_size(axes, ",  ".join(parts), style)[0] > room:
        parts.pop()
    return ",  ".join(parts)


def _one(
    axes: Any, site: Site, zones: Sequence[Zone], crossings: Sequence[Crossing], b: Bore, feature: dict[str, Feature]
) -> None:
    """Ground, what the zones ask, the bore with its rods, and what it crosses."""
    factor, _ = figure.in_units(site.spec.units)
    labels = Labels(axes)
    s, datum = b.plan_station_m / factor, float(b.ground_m[0])
    ground_line, z = (b.ground_m - datum) / factor, (b.z_m - datum) / factor
    axes.fill_between(s, ground_line, ground_line - b.target_depth_m / factor, color=tokens.COVER_BAND, lw=0, zorder=0)
    target = ground_line - b.target_depth_m / factor
    axes.plot(s, target, color=tokens.CLOSED, lw=0.7, ls=(0, tokens.TARGET_DASH), zorder=3)
    axes.plot(s, ground_line, color="black", lw=1.7, zorder=5)
    axes.plot(s, z, color=tokens.PAPER, lw=3.4, zorder=6)
    axes.plot(s, z, color=tokens.INK, lw=tokens.SLANT_WIDTH, zorder=7)
    axes.plot(s, np.where(b.level, z, np.nan), color=tokens.INK, lw=tokens.LEVEL_WIDTH, zorder=7, solid_capstyle="butt")
    labels.block_line(s, z)
    _rod_numbers(axes, b, site.spec.rig.rod_length_m, factor, labels)
    for c in crossings:
        _crossing(axes, site, c, b, feature.get(c.feature_id), labels)
    labels.block_line(s, ground_line, 3.0)
    _asked(axes, zones, b, factor, labels, feature)


def _asked(
    axes: Any, zones: Sequence[Zone], b: Bore, factor: float, labels: Labels, feature: dict[str, Feature]
) -> None:
    """Blocks from the ground down to the depth that a zone asks for, with the name of what asks."""
    axis = shapely.LineString(np.column_stack([b.x_m, b.y_m]))
    datum = float(b.ground_m[0])
    for zone in for_bores(zones):
        depth = zone.required_depth_m or 0.0
        if zone.closed or not shapely.intersects(axis, zone.polygon):
            continue
        thing = feature.get(zone.feature_id)
        name = (thing.label if thing is not None else "") or zone.kind.replace("_", " ")
        for first, last in runs(shapely.contains_xy(zone.polygon, b.x_m, b.y_m)):
            part = slice(first, last + 1)
            s, top = b.plan_station_m[part] / factor, (b.ground_m[part] - datum) / factor
            axes.fill_between(
                s, top, top - depth / factor, facecolor=tokens.ASKED, edgecolor=tokens.CLOSED, lw=0.5, zorder=1
            )
            middle = len(s) // 2
            labels.put(float(s[middle]), float(top[middle] - depth / factor * 0.45), name[:24], reach=8, must=False)


def _crossing(axes: Any, site: Site, c: Crossing, b: Bore, thing: Feature | None, labels: Labels) -> None:
    """The crossed thing as a circle, or its lower edge as a bar when it is broad, joined to the bore by the clear gap."""
    factor, _ = figure.in_units(site.spec.units)
    if c.clearance_m is None or thing is None:
        return
    s = float(np.interp(c.station_m, b.station_m, b.plan_station_m))
    ground_m = float(np.interp(c.station_m, b.station_m, b.ground_m))
    over = ground_m - assumed_depth_m(thing)[0] < c.z_m
    way = -1.0 if over else 1.0
    crown = c.z_m - float(b.ground_m[0]) + way * b.hole_diameter_m / 2
    x, low, high = s / factor, crown / factor, (crown + way * c.clearance_m) / factor
    axes.plot([x, x], [low, high], color=tokens.TEXT, lw=0.6, zorder=8)
    style = tokens.kind_style(c.kind)
    if style.letter and c.kind not in {"drain_field", "drain_field_reserve"}:
        axes.plot(x, high, "o", ms=5.5, mfc=style.colour, mec=tokens.HALO, mew=1.0, zorder=9)
    else:
        axes.plot(x, high, "_", ms=11, color=tokens.TEXT, mew=1.2, zorder=9)
    labels.block(x, high, 8)
    doubt = "" if c.depth_known else "*"
    text = f"{style.letter} {short_length(c.clearance_m, site.spec.units)} clear{doubt}".strip()
    labels.put(x, low + (high - low) * 0.55, text, TextStyle(bold=True), reach=8)


def _rod_numbers(axes: Any, b: Bore, rod_m: float, factor: float, labels: Labels) -> None:
    """A tick at every fifth rod and its number under the bore."""
    at = np.arange(5, math.floor(b.length_m / rod_m) + 1, 5)
    s = np.interp(at * rod_m, b.station_m, b.plan_station_m) / factor
    z = (np.interp(at * rod_m, b.station_m, b.z_m) - float(b.ground_m[0])) / factor
    axes.plot(s, z, "|", ms=5, color=tokens.INK, zorder=8, ls="none")
    drop = 17 * np.ptp(axes.get_ylim()) / axes.get_window_extent().height
    for rod, x, y in zip(at, s, z, strict=True):
        labels.put(float(x), float(y - drop), str(rod), TextStyle(colour=tokens.INK), reach=3)
