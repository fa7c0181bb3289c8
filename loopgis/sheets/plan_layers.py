"""What lies on the plan, from the ground up: relief, things, zones, lot, pad, bores. Each function draws one layer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.rules.zones import half_width_m
from loopgis.sheets import figure, tokens

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shapely.geometry.base import BaseGeometry

    from loopgis.bore.model import Bore
    from loopgis.layout.model import Crossing, Layout, Pad
    from loopgis.rules.model import Zone
    from loopgis.sheets.figure import Labels
    from loopgis.site.model import Feature, Site

CONTOUR_STEPS = (0.25, 0.5, 1, 2, 5, 10, 20, 50, 100)
MOST_CONTOURS = 24
RING_PX = 26.0
"""Exits nearer to each other than this get a small ring and a number beside it."""
TICK_PT = 3.4


def patch(axes: Any, geometry: BaseGeometry, **style: Any) -> None:
    """Polygons with their holes; other parts of a geometry are left out."""
    from matplotlib.patches import PathPatch  # noqa: PLC0415
    from matplotlib.path import Path as Outline  # noqa: PLC0415

    for part in shapely.get_parts(geometry):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        rings = [shapely.get_coordinates(r) for r in (part.exterior, *part.interiors)]
        codes = np.concatenate([[1, *[2] * (len(r) - 2), 79] for r in rings])
        axes.add_patch(PathPatch(Outline(np.concatenate(rings), codes), **style))


def ground(axes: Any, site: Site, bounds: tuple[float, float, float, float]) -> list[tuple[float, float, str]]:
    """Hillshade and contours; gives the places and heights to write on every fifth contour, in the sheet's unit."""
    axes.set_facecolor(tokens.GROUND_LIGHT)
    if site.terrain.flat:
        return []
    light, z = figure.shade(site, bounds)
    extent = (bounds[0], bounds[2], bounds[1], bounds[3])
    colours = figure.ground_colours()
    axes.imshow(
        light, origin="lower", extent=extent, cmap=colours, vmin=0.35, vmax=1.0, interpolation="bilinear", zorder=0
    )
    if not np.isfinite(z).any():
        return []
    heights = z / figure.in_units(site.spec.units)[0]
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    step = next((s for s in CONTOUR_STEPS if (high - low) / s <= MOST_CONTOURS), CONTOUR_STEPS[-1])
    levels = np.arange(math.floor(low / step), math.ceil(high / step) + 1) * step
    heavy = np.round(levels / step).astype(int) % 5 == 0
    x, y = np.linspace(bounds[0], bounds[2], z.shape[1]), np.linspace(bounds[1], bounds[3], z.shape[0])
    lines = axes.contour(
        x, y, heights, levels=levels, colors=tokens.CONTOUR, linewidths=np.where(heavy, 0.8, 0.35), zorder=1
    )
    return [
        (float(part[int(len(part) * share)][0]), float(part[int(len(part) * share)][1]), f"{level:g}")
        for level, parts, named in zip(lines.levels, lines.allsegs, heavy, strict=True)
        for part in sorted(parts, key=len)[-1:]
        for share in (0.3, 0.7)
        if named and len(part) > 20
    ]


def things(axes: Any, site: Site, zones: Sequence[Zone], labels: Labels) -> None:
    """Buildings and features; buried lines with the band inside which they may really lie."""
    doubt: dict[str, float] = {}
    for zone in zones:
        doubt[zone.feature_id] = max(doubt.get(zone.feature_id, 0.0), zone.tolerance_m)
    for feature in (*site.features, *site.buildings):
        style = tokens.kind_style(feature.kind)
        if style.letter and doubt.get(feature.feature_id):
            band = shapely.buffer(feature.geometry, half_width_m(feature) + doubt[feature.feature_id])
            patch(axes, band, fc=style.colour, ec="none", lw=0, alpha=0.20, zorder=3.5)
        _thing(axes, feature, style, labels)


def _thing(axes: Any, feature: Feature, style: tokens.KindStyle, labels: Labels) -> None:
    shape = feature.geometry
    if shape.geom_type in {"Polygon", "MultiPolygon"}:
        dash = (0, style.dash) if style.dash else "solid"
        patch(
            axes, shape, fc=style.fill, ec=style.colour, lw=0.9, ls=dash, zorder=4 if feature.kind == "building" else 2
        )
        return
    for part in shapely.get_parts(shape):
        xy = shapely.get_coordinates(part)
        if part.geom_type == "Point":
            edge = style.colour if style.letter else tokens.TEXT
            axes.plot(*xy.T, "o", ms=6.5, mfc=tokens.PAPER, mec=tokens.HALO, mew=2.4, zorder=6)
            axes.plot(*xy.T, "o", ms=6.5, mfc=tokens.PAPER, mec=edge, mew=1.4, zorder=6)
            axes.plot(*xy.T, ".", ms=2.5, color=tokens.TEXT, zorder=6)
            labels.block(float(xy[0, 0]), float(xy[0, 1]), 9)
        elif style.letter:
            axes.plot(*xy.T, color=tokens.HALO, lw=tokens.LINE_HALO_WIDTH, zorder=5, solid_capstyle="butt")
            axes.plot(*xy.T, color=style.colour, lw=tokens.LINE_WIDTH, zorder=5, solid_capstyle="butt")
            labels.block_line(*xy.T)
        else:
            axes.plot(*xy.T, color=style.colour, lw=3.0, zorder=2, solid_capstyle="butt")
            axes.plot(*xy.T, color=style.fill, lw=2.0, zorder=2, solid_capstyle="butt")


def for_bores(zones: Iterable[Zone]) -> list[Zone]:
    """Zones that keep bores out, at every depth or down to one."""
    return [z for z in zones if "bore" in z.applies_to and (z.closed or (z.required_depth_m or 0.0) > 0.0)]


def closed_ground(axes: Any, site: Site, zones: Sequence[Zone]) -> None:
    """Thin diagonal lines where no bore may go, sparse dots where it may go below a depth."""
    mine = for_bores(zones)
    shut = shapely.union_all([z.polygon for z in mine if z.closed])
    shut = shapely.intersection(shut, site.parcel)
    cover = shapely.union_all([z.polygon for z in mine if not z.closed])
    cover = shapely.difference(shapely.intersection(cover, site.parcel), shut)
    before = len(axes.patches)
    patch(axes, shut, fc="none", ec=tokens.CLOSED, lw=0.5, hatch="///", zorder=3)
    patch(axes, cover, fc="none", ec=tokens.CLOSED, lw=0.0, hatch="..", zorder=3)
    for shape in axes.patches[before:]:
        shape.set_hatch_linewidth(0.35)
    for zone in mine:
        if not zone.closed:
            edge = shapely.intersection(zone.polygon, site.parcel)
            patch(axes, edge, fc="none", ec=tokens.CLOSED, lw=0.5, ls=(0, tokens.ZONE_DASH), zorder=3)


def lot(axes: Any, site: Site, labels: Labels) -> list[tuple[float, float, str]]:
    """Lot line and corner marks; gives the corners' numbers and where to write them, outside the lot."""
    for ring in (site.parcel.exterior, *site.parcel.interiors):
        xy = shapely.get_coordinates(ring)
        axes.plot(*xy.T, color="black", lw=tokens.LOT_WIDTH, ls=(0, tokens.LOT_DASH), zorder=8)
        labels.block_line(*xy.T)
    corners = shapely.get_coordinates(shapely.simplify(site.parcel.exterior, 0.5))[:-1]
    if len(corners) > 30:
        return []
    centre = corners.mean(axis=0)
    out = (corners - centre) / np.maximum(np.hypot(*(corners - centre).T), 1e-9)[:, None]
    scale = np.ptp(axes.get_xlim()) / axes.get_window_extent().width
    axes.plot(*corners.T, "s", ms=3.4, color="black", zorder=9, ls="none")
    return [(float(x), float(y), str(n)) for n, (x, y) in enumerate(corners + out * 16 * scale, 1)]


def pad(axes: Any, one: Pad, labels: Labels, *, colour: str = tokens.INK) -> None:
    """Outline of the drill pad."""
    patch(axes, one.polygon, fc="#ffffffd8", ec=colour, lw=1.3, zorder=9)
    labels.block_line(*shapely.get_coordinates(one.polygon.exterior).T)


def header(axes: Any, layout: Layout, labels: Labels) -> None:
    """Pipe run from the pad to the house."""
    if layout.header is not None:
        xy = layout.header.xyz[:, :2]
        axes.plot(*xy.T, color=tokens.PAPER, lw=3.6, zorder=9)
        axes.plot(*xy.T, color=tokens.INK, lw=1.4, ls=(0, tokens.HEADER_DASH), zorder=10)
        labels.block_line(*xy.T)


def other_bores(axes: Any, layouts: Iterable[Layout]) -> None:
    """Bores of other layouts, light and thin."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    lines = [np.column_stack([b.x_m, b.y_m]) for y in layouts for b in y.bores]
    axes.add_collection(LineCollection(lines, colors=tokens.PAPER, linewidths=2.4, zorder=7))
    axes.add_collection(LineCollection(lines, colors=tokens.INK_LIGHT, linewidths=1.1, zorder=7.1))


def bores(axes: Any, many: Sequence[Bore], rod_m: float, labels: Labels) -> None:
    """White-cased bores, thin on the slants and full on the level run, a tick at every fifth rod, a wedge at each entry."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    paths = [np.column_stack([b.x_m, b.y_m]) for b in many]
    axes.add_collection(LineCollection(paths, colors=tokens.PAPER, linewidths=tokens.CASE_WIDTH, zorder=11))
    axes.add_collection(LineCollection(paths, colors=tokens.INK, linewidths=tokens.SLANT_WIDTH, zorder=12))
    for b in many:
        axes.plot(
            np.where(b.level, b.x_m, np.nan),
            b.y_m,
            color=tokens.INK,
            lw=tokens.LEVEL_WIDTH,
            zorder=12,
            solid_capstyle="butt",
        )
        labels.block_line(b.x_m, b.y_m, 5.0)
        axes.plot(
            b.x_m[0], b.y_m[0], marker=(3, 0, -float(b.azimuth_deg[0])), ms=6.5, color=tokens.INK, mec=tokens.PAPER, mew=0.6,
            zorder=14,
        )  # fmt: skip
        labels.block(float(b.x_m[0]), float(b.y_m[0]), 7)
    axes.add_collection(LineCollection(_ticks(axes, many, rod_m), colors=tokens.INK, linewidths=0.9, zorder=12.5))


def _ticks(axes: Any, many: Sequence[Bore], rod_m: float) -> list[Any]:
    """Short strokes square to the bores at every fifth rod."""
    half = TICK_PT * figure.DPI / 72 * np.ptp(axes.get_xlim()) / axes.get_window_extent().width
    ticks: list[Any] = []
    for b in many:
        at = np.arange(5 * rod_m, b.length_m, 5 * rod_m)
        x, y = np.interp(at, b.station_m, b.x_m), np.interp(at, b.station_m, b.y_m)
        turn = np.interp(at, b.station_m, np.unwrap(np.radians(b.azimuth_deg)))
        side = np.column_stack([np.cos(turn), -np.sin(turn)]) * half
        middle = np.column_stack([x, y])
        ticks += list(np.stack([middle - side, middle + side], axis=1))
    return ticks


def exits(axes: Any, many: Sequence[Bore], labels: Labels) -> list[tuple[float, float, str]]:
    """Rings at the exits with the bore's number inside; numbers that find no room inside are given back for the labels.

    Bores that are in the ground already have full rings.
    """
    ends = np.array([(b.x_m[-1], b.y_m[-1]) for b in many])
    px = axes.transData.transform(ends)
    apart = np.hypot(*(px[:, None] - px[None]).transpose(2, 0, 1)) + np.eye(len(many)) * 1e9
    beside = []
    for b, (x, y), nearest in zip(many, ends, apart.min(axis=1), strict=True):
        number = bore_number(b)
        roomy = nearest >= RING_PX and len(number) < 3
        face, ink = (tokens.INK, tokens.PAPER) if b.in_ground else (tokens.PAPER, tokens.INK)
        axes.plot(x, y, "o", ms=11.5 if roomy else 5, mfc=face, mec=tokens.INK, mew=1.5, zorder=14)
        labels.block(float(x), float(y), 14 if roomy else 7)
        if roomy:
            style = {"fontsize": figure.SMALL, "fontweight": "bold", "family": figure.FONT, "color": ink}
            axes.text(x, y, number, ha="center", va="center_baseline", zorder=15, clip_on=True, **style)
        else:
            beside.append((float(x), float(y), number))
    return beside


def bore_number(bore: Bore) -> str:
    """Number of a bore as it stands in its ring: "3" for "B-03"."""
    return bore.bore_id.removeprefix("B-").lstrip("0") or bore.bore_id


def crossings(axes: Any, found: Iterable[Crossing], labels: Labels) -> None:
    """A small lozenge wherever a bore passes under or over something."""
    for c in found:
        axes.plot(c.x_m, c.y_m, "D", ms=4.2, mfc=tokens.PAPER, mec=tokens.TEXT, mew=1.0, zorder=13)
        labels.block(c.x_m, c.y_m, 7)
