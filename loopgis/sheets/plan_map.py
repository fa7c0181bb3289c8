"""The picture of a layout: plan, profiles, key figures and cautions on one sheet (long lists of profiles on a second)."""

from __future__ import annotations

import math
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.sheets import figure, profile_chart, tokens
from loopgis.sheets.cautions import SHORT_CAUTION

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

PROFILES_BESIDE = 12
WIDTH_IN, HEIGHT_IN = 17.0, 11.0


def draw_layout(path: Path, site: Site, zones: Sequence[Zone], layout: Layout) -> list[Path]:
    """Draw a layout into a PNG or PDF by suffix, 17 x 11 in; gives the paths written.

    More than PROFILES_BESIDE bores get their profiles on a second picture, <stem>-profiles<suffix>.
    """
    many = len(layout.bores) > PROFILES_BESIDE
    sheet = figure.sheet(WIDTH_IN, HEIGHT_IN)
    plan = sheet.add_axes((0.015, 0.085, 0.965 if many else 0.575, 0.865))
    _plan(plan, site, zones, layout)
    written = [path]
    if many:
        second = figure.sheet(WIDTH_IN, HEIGHT_IN)
        profile_chart.draw(second, (0.02, 0.07, 0.96, 0.87), site, zones, layout, columns=3)
        _frame(second, site, layout, "profiles")
        other = path.with_name(f"{path.stem}-profiles{path.suffix}")
        figure.save(second, other)
        written.append(other)
    else:
        profile_chart.draw(sheet, (0.61, 0.085, 0.375, 0.865), site, zones, layout, columns=1)
    _frame(sheet, site, layout, "plan" if many else "plan and profiles")
    figure.save(sheet, path)
    return written


def _frame(sheet: Any, site: Site, layout: Layout, what: str) -> None:
    """Title line on top, figures and cautions along the bottom edge."""
    units, e = site.spec.units, layout.evaluation
    sheet.text(
        0.015, 0.972, f"{site.spec.name}", fontsize=figure.LARGE + 2, fontweight="bold", va="center", family=figure.FONT
    )
    title = f"layout {layout.layout_id}   rank {layout.rank}   {layout.pattern}   {what}"
    sheet.text(0.985, 0.972, title, fontsize=figure.LARGE, va="center", ha="right", family=figure.FONT)
    spacing = (
        "-"
        if e.spacing_min_m is None
        else f"{length_text(e.spacing_min_m, units)} least, {length_text(e.spacing_mean_m or 0, units)} mean"
    )
    wanted = "" if e.wanted_length_m is None else f" of {length_text(e.wanted_length_m, units, 0)} wanted"
    figures = (
        f"score {layout.score:.1f}   |   {e.bores} bores   |   drilled {length_text(e.total_length_m, units, 0)}   |   "
        f"level run {length_text(e.level_length_m, units, 0)}{wanted}   |   spacing {spacing}   |   {e.crossings} crossings   |   "
        f"header {length_text(e.header_length_m, units, 0)}"
    )
    sheet.text(0.015, 0.052, figures, fontsize=figure.NORMAL + 1, va="center", family=figure.FONT)
    sheet.text(0.015, 0.024, SHORT_CAUTION, fontsize=figure.SMALL + 0.5, va="center", family=figure.FONT,
               bbox={"boxstyle": "square,pad=0.4", "fc": "white", "ec": tokens.TEXT, "lw": 0.8})  # fmt: skip


# -- plan ---------------------------------------------------------------------------------------------------------


def _plan(axes: Any, site: Site, zones: Sequence[Zone], layout: Layout) -> None:
    bounds = _bounds(axes, site)
    axes.set_xlim(bounds[0], bounds[2])
    axes.set_ylim(bounds[1], bounds[3])
    axes.set_xticks([])
    axes.set_yticks([])
    labels = figure.Labels(axes)
    _ground(axes, site, bounds, labels)
    for feature in (*site.features, *site.buildings):
        _feature(axes, feature)
    _zones(axes, site, zones)
    for b in layout.bores:
        labels.block(float(b.x_m[-1]), float(b.y_m[-1]), 9)
    _lot(axes, site, labels)
    _pad(axes, layout)
    for b in layout.bores:
        _bore(axes, b, site.spec.rig.rod_length_m)
    _crossings(axes, layout)
    _texts(site, zones, layout, labels)
    _scale_and_north(axes, site, bounds)
    _legend(axes, site, zones)


def _bounds(axes: Any, site: Site) -> tuple[float, float, float, float]:
    """Lot with a margin, widened to the shape of the axes so that the scale is the same both ways."""
    x0, y0, x1, y1 = site.parcel.bounds
    frame = axes.get_window_extent()
    margin = 0.06 * max(x1 - x0, y1 - y0) + 3
    width, height = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
    ratio = frame.width / frame.height
    width, height = max(width, height * ratio), max(height, width / ratio)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2


def _ground(axes: Any, site: Site, bounds: tuple[float, float, float, float], labels: figure.Labels) -> None:
    if site.terrain.flat:
        axes.set_facecolor(tokens.GROUND_LIGHT)
        return
    light, z = figure.shade(site, bounds)
    extent = (bounds[0], bounds[2], bounds[1], bounds[3])
    axes.imshow(
        light,
        origin="lower",
        extent=extent,
        cmap=figure.ground_colours(),
        vmin=0.35,
        vmax=1.0,
        interpolation="bilinear",
        zorder=0,
    )
    if not np.isfinite(z).any():
        return
    factor = 0.3048 if site.spec.units == "us" else 1.0
    span = float(np.nanmax(z) - np.nanmin(z)) / factor
    step = next((s for s in (0.25, 0.5, 1, 2, 5, 10, 20, 50) if span / s <= 24), 100)
    levels = np.arange(math.floor(np.nanmin(z) / factor / step), math.ceil(np.nanmax(z) / factor / step) + 1) * step
    x = np.linspace(bounds[0], bounds[2], z.shape[1])
    y = np.linspace(bounds[1], bounds[3], z.shape[0])
    fifth = [n for n in levels if round(n / step) % 5 == 0]
    axes.contour(x, y, z / factor, levels=levels, colors=tokens.CONTOUR, linewidths=0.35, zorder=1)
    if fifth:
        lines = axes.contour(x, y, z / factor, levels=fifth, colors=tokens.CONTOUR, linewidths=0.8, zorder=1)
        for level, paths in zip(lines.levels, lines.allsegs, strict=True):
            longest = max(paths, key=len, default=None)
            if longest is not None and len(longest) > 20:
                at = longest[len(longest) // 3]
                labels.put(float(at[0]), float(at[1]), f"{level:g}", colour="#7d7468", must=False, reach=1)


def _patch(axes: Any, geometry: BaseGeometry, **style: Any) -> None:
    from matplotlib.patches import PathPatch  # noqa: PLC0415
    from matplotlib.path import Path as Outline  # noqa: PLC0415

    for part in shapely.get_parts(geometry):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        rings = [np.asarray(r.coords)[:, :2] for r in (part.exterior, *part.interiors)]
        codes = np.concatenate([[1, *[2] * (len(r) - 2), 79] for r in rings])
        axes.add_patch(PathPatch(Outline(np.concatenate(rings), codes), **style))


def _feature(axes: Any, feature: Feature) -> None:
    style = tokens.kind_style(feature.kind)
    shape = feature.geometry
    if shape.geom_type in {"Polygon", "MultiPolygon"}:
        dash = (
            (0, (4, 2))
            if feature.kind in {"drain_field_reserve", "right_of_way", "easement", "floodplain", "wellhead_zone"}
            else "solid"
        )
        _patch(
            axes, shape, fc=style.fill, ec=style.colour, lw=0.9, ls=dash, zorder=4 if feature.kind == "building" else 2
        )
        return
    for part in shapely.get_parts(shape):
        xy = shapely.get_coordinates(part)
        if part.geom_type == "Point":
            axes.plot(
                *xy.T, "o", ms=6, mfc=style.fill, mec=style.colour if style.letter else tokens.TEXT, mew=1.4, zorder=6
            )
            axes.plot(*xy.T, ".", ms=2.5, color=tokens.TEXT, zorder=6)
        elif style.letter:
            axes.plot(*xy.T, color="black", lw=2.6, zorder=5, solid_capstyle="butt")
            axes.plot(*xy.T, color=style.colour, lw=1.6, zorder=5, solid_capstyle="butt")
        else:
            axes.plot(*xy.T, color=style.colour, lw=3.0, zorder=2, solid_capstyle="butt")
            axes.plot(*xy.T, color=style.fill, lw=2.0, zorder=2, solid_capstyle="butt")


def _zones(axes: Any, site: Site, zones: Sequence[Zone]) -> None:
    from matplotlib import rc_context  # noqa: PLC0415

    closed = [z.polygon for z in zones if z.closed and "bore" in z.applies_to]
    cover = [z.polygon for z in zones if not z.closed and "bore" in z.applies_to and (z.required_depth_m or 0) > 0]
    with rc_context({"hatch.linewidth": 0.35, "hatch.color": tokens.CLOSED}):
        if closed:
            area = shapely.intersection(shapely.union_all(closed), site.parcel)
            _patch(axes, area, fc="none", ec=tokens.CLOSED, lw=0.5, hatch="////", zorder=3)
        for polygon in cover:
            _patch(axes, shapely.intersection(polygon, site.parcel), fc="none", ec="none", lw=0, hatch="..", zorder=3)
            _patch(
                axes,
                shapely.intersection(polygon, site.parcel),
                fc="none",
                ec=tokens.CLOSED,
                lw=0.4,
                ls=(0, (1, 2)),
                zorder=3,
            )


def _lot(axes: Any, site: Site, labels: figure.Labels) -> None:
    ring = shapely.get_coordinates(site.parcel.exterior)
    dash = (0, (14, 3, 2, 3, 2, 3))
    for r in (site.parcel.exterior, *site.parcel.interiors):
        axes.plot(*shapely.get_coordinates(r).T, color="black", lw=1.9, ls=dash, zorder=8)
    corners = shapely.get_coordinates(shapely.simplify(site.parcel.exterior, 0.5))[:-1]
    centre = ring.mean(axis=0)
    for n, corner in enumerate(corners[:30], 1):
        out = corner + (corner - centre) / max(float(np.hypot(*(corner - centre))), 1e-9) * 2.2
        axes.plot(*corner, "s", ms=3, color="black", zorder=9)
        labels.put(float(out[0]), float(out[1]), str(n), size=figure.SMALL, must=False, reach=4)


def _pad(axes: Any, layout: Layout) -> None:
    _patch(axes, layout.pad.polygon, fc="#ffffffcc", ec=tokens.INK, lw=1.4, zorder=9)
    if layout.header is not None:
        axes.plot(*layout.header.xyz[:, :2].T, color="white", lw=3.4, zorder=9)
        axes.plot(*layout.header.xyz[:, :2].T, color=tokens.INK, lw=1.4, ls=(0, (4, 2)), zorder=10)


def _bore(axes: Any, b: Bore, rod_m: float) -> None:
    """White-cased, thin on the slants, full on the level run; ticks at every fifth rod, wedge at the entry, ring at the exit."""
    level = np.where(b.level, b.x_m, np.nan)
    axes.plot(b.x_m, b.y_m, color="white", lw=4.2, zorder=11, solid_capstyle="round")
    axes.plot(b.x_m, b.y_m, color=tokens.INK, lw=0.9, zorder=12)
    axes.plot(level, b.y_m, color=tokens.INK, lw=2.8, zorder=12, solid_capstyle="round")
    at = np.arange(5 * rod_m, b.length_m, 5 * rod_m)
    x, y = np.interp(at, b.station_m, b.x_m), np.interp(at, b.station_m, b.y_m)
    a = np.radians(np.interp(at, b.station_m, np.degrees(np.unwrap(np.radians(b.azimuth_deg)))))
    dx, dy = np.cos(a) * 0.7, -np.sin(a) * 0.7
    for k in range(len(at)):
        axes.plot([x[k] - dx[k], x[k] + dx[k]], [y[k] - dy[k], y[k] + dy[k]], color=tokens.INK, lw=0.8, zorder=12)
    turn = -float(b.azimuth_deg[0])
    axes.plot(b.x_m[0], b.y_m[0], marker=(3, 0, turn), ms=6, color=tokens.INK, mec="white", mew=0.6, zorder=14)
    axes.plot(b.x_m[-1], b.y_m[-1], "o", ms=11.5, mfc="white", mec=tokens.INK, mew=1.5, zorder=14)
    axes.text(b.x_m[-1], b.y_m[-1], b.bore_id.removeprefix("B-").lstrip("0"), fontsize=figure.SMALL, fontweight="bold", ha="center",
              va="center_baseline", color=tokens.INK, zorder=15, family=figure.FONT, clip_on=True)  # fmt: skip


def _crossings(axes: Any, layout: Layout) -> None:
    for c in layout.crossings:
        axes.plot(c.x_m, c.y_m, "D", ms=4.2, mfc="white", mec="#D55E00", mew=1.1, zorder=13)


def _texts(site: Site, zones: Sequence[Zone], layout: Layout, labels: figure.Labels) -> None:
    units = site.spec.units
    labels.put(*layout.pad.centre, "pad", size=figure.NORMAL, colour=tokens.INK, bold=True, box=True)
    visible = shapely.box(
        *labels.axes.get_xlim()[:1], *labels.axes.get_ylim()[:1], labels.axes.get_xlim()[1], labels.axes.get_ylim()[1]
    )
    for f in (*site.buildings, *site.features):
        style = tokens.kind_style(f.kind)
        shown = shapely.intersection(f.geometry, visible)
        if shown.is_empty:
            continue
        words = f.label or f.kind.replace("_", " ")
        if style.letter and shown.geom_type in {"LineString", "MultiLineString"}:
            _letters(shown, style.letter, labels)
        at = shapely.point_on_surface(shown)
        labels.put(float(at.x), float(at.y), words[:34], must=False, reach=5)
    named: set[tuple[str, str]] = set()
    for z in zones:
        key = (z.rule.key, z.feature_id)
        inside = shapely.intersection(z.polygon, shapely.intersection(site.parcel, visible))
        if key in named or inside.is_empty or inside.area < 4 or "bore" not in z.applies_to:
            continue
        named.add(key)
        if z.closed:
            text = f"{z.rule.key} {length_text(z.distance_m, units, 0)}"
        elif (z.required_depth_m or 0) > 0:
            text = f"below {length_text(z.required_depth_m or 0, units)}"
        else:
            continue
        at = shapely.point_on_surface(inside)
        labels.put(float(at.x), float(at.y), text, colour="#4a443d", must=False, reach=5)


def _letters(line: BaseGeometry, letter: str, labels: figure.Labels) -> None:
    for part in shapely.get_parts(line):
        for at in np.arange(6.0, part.length, 22.0):
            p = shapely.line_interpolate_point(part, at)
            labels.put(p.x, p.y, letter, size=figure.NORMAL, bold=True, must=False, reach=1)


def _scale_and_north(axes: Any, site: Site, bounds: tuple[float, float, float, float]) -> None:
    width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
    step, words = figure.round_step(width / 4, site.spec.units, 2)
    x, y = bounds[0] + 0.02 * width, bounds[1] + 0.03 * height
    thick = 0.008 * height
    _patch_box(axes, x - 0.012 * width, y - 0.012 * height, 2 * step + 0.06 * width, 0.05 * height)
    for n in range(2):
        axes.fill([x + n * step, x + (n + 1) * step, x + (n + 1) * step, x + n * step], [y, y, y + thick, y + thick],
                  fc="black" if n % 2 == 0 else "white", ec="black", lw=0.8, zorder=22)  # fmt: skip
    value, unit = words.split()
    for n, text in enumerate(("0", value, f"{float(value) * 2:g} {unit}")):
        axes.text(
            x + n * step, y + 2.2 * thick, text, fontsize=figure.SMALL, ha="center", zorder=22, family=figure.FONT
        )
    nx, ny, size = bounds[2] - 0.035 * width, bounds[3] - 0.105 * height, 0.07 * height
    _patch_box(axes, nx - 0.022 * width, ny - 0.012 * height, 0.044 * width, 0.112 * height)
    axes.fill(
        [nx, nx - size * 0.22, nx, nx + size * 0.22],
        [ny + size, ny, ny + size * 0.25, ny],
        fc="black",
        ec="black",
        zorder=22,
    )
    axes.text(
        nx,
        ny + size * 1.08,
        "N",
        fontsize=figure.LARGE,
        fontweight="bold",
        ha="center",
        va="bottom",
        zorder=22,
        family=figure.FONT,
    )


def _patch_box(axes: Any, x: float, y: float, w: float, h: float) -> None:
    axes.fill([x, x + w, x + w, x], [y, y, y + h, y + h], fc="white", ec="#999999", lw=0.5, alpha=0.92, zorder=21)


def _free_corner(axes: Any, site: Site) -> str:
    """Corner of the axes where a legend covers least of the lot; the north arrow and the scale bar have theirs."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    w, h = 0.34 * (x1 - x0), 0.22 * (y1 - y0)
    corners = {
        "upper left": shapely.box(x0, y1 - h, x0 + w, y1),
        "lower right": shapely.box(x1 - w, y0, x1, y0 + h),
    }
    return min(corners, key=lambda name: shapely.intersection(corners[name], site.parcel).area)


def _legend(axes: Any, site: Site, zones: Sequence[Zone]) -> None:
    """Only what is on the sheet."""
    from matplotlib.lines import Line2D  # noqa: PLC0415
    from matplotlib.patches import Patch  # noqa: PLC0415

    rows: list[Any] = [
        Line2D([], [], color=tokens.INK, lw=2.8, label="bore, level run"),
        Line2D([], [], color=tokens.INK, lw=0.9, label="bore, slant"),
        Line2D([], [], color="black", lw=1.9, ls=(0, (8, 2, 1, 2, 1, 2)), label="lot line (from the map, no boundary)"),
    ]
    if any(z.closed for z in zones):
        rows.append(Patch(fc="none", ec=tokens.CLOSED, hatch="////", label="closed at every depth"))
    if any(not z.closed and (z.required_depth_m or 0) > 0 for z in zones):
        rows.append(Patch(fc="none", ec=tokens.CLOSED, hatch="..", label="open below the depth written"))
    seen = {f.kind for f in site.features}
    for letter, colour in tokens.FAMILY.items():
        kinds = sorted(k.replace("_", " ") for k in seen if tokens.kind_style(k).letter == letter)
        if kinds:
            rows.append(
                Line2D([], [], color=colour, lw=2.2, label="\n".join(wrap(f"{letter}  {', '.join(kinds)}", 44)))
            )
    rows.append(
        Line2D(
            [], [], marker="D", color="none", mfc="white", mec="#D55E00", ms=5, label="crossing: expose before drilling"
        )
    )
    font = {"family": figure.FONT, "size": figure.SMALL}
    shown = axes.legend(handles=rows, loc=_free_corner(axes, site), framealpha=0.93, prop=font)
    shown.set_zorder(22)
