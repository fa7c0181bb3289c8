"""Profiles of a layout's bores, all with the same length scale so that they compare by eye."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import FT_M, length_text
from loopgis.layout.field import runs
from loopgis.sheets import figure, tokens

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site


def draw(
    sheet: Any,
    box: tuple[float, float, float, float],
    site: Site,
    zones: Sequence[Zone],
    layout: Layout,
    *,
    columns: int,
) -> None:
    """Fill a box of a figure (left, bottom, width, height as shares) with one small chart per bore."""
    bores = layout.bores
    rows = math.ceil(len(bores) / columns)
    longest = max(b.plan_length_m for b in bores)
    deepest = max(float(np.ptp(np.r_[b.z_m, b.ground_m])) for b in bores)
    left, bottom, width, height = box
    cell_w, cell_h = width / columns, min(height / rows, 0.30)
    for n, bore in enumerate(bores):
        column, row = divmod(n, rows)
        area = (
            left + column * cell_w + 0.028,
            bottom + height - (row + 1) * cell_h + 0.30 * cell_h,
            cell_w - 0.032,
            cell_h * 0.56,
        )
        axes = sheet.add_axes(area)
        _profile(axes, site, zones, layout, bore, longest, deepest, last=row == rows - 1 or n == len(bores) - 1)


def _profile(
    axes: Any,
    site: Site,
    zones: Sequence[Zone],
    layout: Layout,
    b: Bore,
    longest_m: float,
    deepest_m: float,
    *,
    last: bool,
) -> None:
    units = site.spec.units
    factor, word = (FT_M, "ft") if units == "us" else (1.0, "m")
    s, datum = b.plan_station_m, float(b.ground_m[0])
    ground, z = (b.ground_m - datum) / factor, (b.z_m - datum) / factor
    top = float(np.max(ground))
    axes.set_xlim(-0.01 * longest_m / factor, longest_m * 1.01 / factor)
    axes.set_ylim(top - deepest_m / factor * 1.12, top + deepest_m / factor * 0.16)
    axes.fill_between(s / factor, ground, axes.get_ylim()[0], color="#f4f0ea", zorder=0)
    _asked(axes, site, zones, b, factor)
    axes.plot(
        s / factor, (b.ground_m - b.target_depth_m - datum) / factor, color="#7d7468", lw=0.6, ls=(0, (4, 3)), zorder=3
    )
    axes.plot(s / factor, ground, color="black", lw=1.6, zorder=5)
    axes.plot(s / factor, z, color="white", lw=3.2, zorder=6)
    axes.plot(s / factor, z, color=tokens.INK, lw=0.9, zorder=7)
    axes.plot(s / factor, np.where(b.level, z, np.nan), color=tokens.INK, lw=2.4, zorder=7)
    _rod_numbers(axes, b, site.spec.rig.rod_length_m, datum, factor)
    for c in layout.crossings:
        if c.bore_id == b.bore_id and c.clearance_m is not None:
            at = np.interp(c.station_m, b.station_m, s) / factor
            crown = (c.z_m - datum + b.hole_diameter_m / 2 + c.clearance_m) / factor
            axes.plot(at, crown, "o", ms=4, mfc="white", mec="#D55E00", mew=1.1, zorder=8)
    scale = (axes.get_window_extent().height / np.ptp(axes.get_ylim())) / (
        axes.get_window_extent().width / np.ptp(axes.get_xlim())
    )
    title = (
        f"{b.bore_id}   drilled {length_text(b.length_m, units)}   level {length_text(b.level_length_m, units)}   "
        f"deepest {length_text(b.max_depth_m, units)}   entry {abs(b.pitch_pct[0]):.0f} %   exit {b.pitch_pct[-1]:.0f} %"
    )
    axes.set_title(title, fontsize=figure.SMALL, loc="left", pad=2.5, family=figure.FONT)
    axes.tick_params(labelsize=figure.SMALL, length=2, pad=1.5)
    axes.set_ylabel(word, fontsize=figure.SMALL, labelpad=1)
    if last:
        axes.set_xlabel(
            f"along the bore in plan, {word}; heights {scale:.1f} times exaggerated",
            fontsize=figure.SMALL,
            labelpad=1.5,
        )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _asked(axes: Any, site: Site, zones: Sequence[Zone], b: Bore, factor: float) -> None:
    """Blocks from the ground down to the depth that zones ask, with the name of what asks."""
    datum = float(b.ground_m[0])
    labels = figure.Labels(axes)
    names = {f.feature_id: f.label or f.kind.replace("_", " ") for f in site.all_features()}
    axis = shapely.LineString(np.column_stack([b.x_m, b.y_m]))
    for zone in zones:
        depth = zone.required_depth_m or 0.0
        if zone.closed or depth <= 0 or "bore" not in zone.applies_to or not shapely.intersects(axis, zone.polygon):
            continue
        for first, last in runs(shapely.contains_xy(zone.polygon, b.x_m, b.y_m)):
            part = slice(first, last + 1)
            s, ground = b.plan_station_m[part] / factor, (b.ground_m[part] - datum) / factor
            axes.fill_between(s, ground, ground - depth / factor, color="#d9d2c8", zorder=1, lw=0)
            axes.fill_between(
                s,
                ground,
                ground - depth / factor,
                facecolor="none",
                edgecolor=tokens.CLOSED,
                hatch="...",
                zorder=2,
                lw=0.3,
            )
            middle = len(s) // 2
            name = names.get(zone.feature_id, zone.kind)
            labels.put(float(s[middle]), float(ground[middle] - depth / factor * 0.45), name[:22], must=False, reach=4)


def _rod_numbers(axes: Any, b: Bore, rod_m: float, datum: float, factor: float) -> None:
    for rod in range(5, math.floor(b.length_m / rod_m) + 1, 5):
        s = float(np.interp(rod * rod_m, b.station_m, b.plan_station_m)) / factor
        z = (float(np.interp(rod * rod_m, b.station_m, b.z_m)) - datum) / factor
        axes.plot(s, z, "|", ms=5, color=tokens.INK, zorder=8)
        axes.annotate(
            str(rod),
            (s, z),
            textcoords="offset points",
            xytext=(0, -9.5),
            fontsize=figure.SMALL,
            ha="center",
            color=tokens.INK,
        )
