"""Words on the plan: numbers, names of zones and things, heights, scale bar and north arrow. Nothing here overlaps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import short_length
from loopgis.sheets import figure, tokens
from loopgis.sheets.figure import TextStyle
from loopgis.sheets.plan_layers import for_bores, patch

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.sheets.figure import Labels
    from loopgis.site.model import Site

ZONE = TextStyle(colour=tokens.TEXT_SOFT)
NUMBER = TextStyle(colour=tokens.INK, bold=True)
HEIGHT = TextStyle(colour="#7d7468")
LETTER = TextStyle(size=figure.NORMAL, bold=True)
MANY = 3
"""A rule that makes more zones than this is named in one of them, with their count."""
LETTER_EVERY_PX = 150.0
LONGEST_NAME = 34


def numbers(
    labels: Labels, beside: Iterable[tuple[float, float, str]], corners: Iterable[tuple[float, float, str]]
) -> None:
    """Numbers of crowded exits, then of the lot's corners."""
    for x, y, text in beside:
        labels.put(x, y, text, NUMBER, reach=9)
    for x, y, text in corners:
        labels.put(x, y, text, reach=4)


def heights(labels: Labels, spots: Iterable[tuple[float, float, str]]) -> None:
    """Heights on the contours, where there is room."""
    done: set[str] = set()
    for x, y, text in spots:
        if text not in done and labels.put(x, y, text, HEIGHT, reach=1, must=False):
            done.add(text)


def names(labels: Labels, site: Site, zones: Sequence[Zone], layout: Layout) -> None:
    """Letters along the lines, the pad, the zones with rule and distance, and what people call the things."""
    view = shapely.box(
        labels.axes.get_xlim()[0], labels.axes.get_ylim()[0], labels.axes.get_xlim()[1], labels.axes.get_ylim()[1]
    )
    for f in site.features:
        letter = tokens.kind_style(f.kind).letter
        if letter and f.geometry.geom_type in {"LineString", "MultiLineString"}:
            _letters(labels, shapely.intersection(f.geometry, view), letter)
    x, y = layout.pad.centre
    labels.put(x, y, "pad", TextStyle(size=figure.NORMAL, colour=tokens.INK, bold=True), reach=10)
    paths = shapely.MultiLineString([np.column_stack([b.x_m, b.y_m]) for b in layout.bores])
    _zones(labels, site, zones, view, paths)
    for f in (*site.buildings, *site.features):
        shown = shapely.intersection(f.geometry, view)
        plain = not f.label and f.kind in {
            "building",
            "paved_way",
            "right_of_way",
            "tree_root_zone",
            "neighbour_parcel",
        }
        if plain or shown.is_empty:
            continue
        at = shapely.point_on_surface(shown)
        labels.put(float(at.x), float(at.y), (f.label or f.kind.replace("_", " "))[:LONGEST_NAME], reach=7)


def _letters(labels: Labels, line: BaseGeometry, letter: str) -> None:
    every = LETTER_EVERY_PX * np.ptp(labels.axes.get_xlim()) / labels.axes.get_window_extent().width
    for part in shapely.get_parts(line):
        count = max(1, round(part.length / every))
        for at in (np.arange(count) + 0.5) / count * part.length:
            p = shapely.line_interpolate_point(part, at)
            labels.put(float(p.x), float(p.y), letter, LETTER, reach=1)


def _zones(labels: Labels, site: Site, zones: Sequence[Zone], view: BaseGeometry, bores: BaseGeometry) -> None:
    """Each rule's zones by name, distance and depth; of a rule with many places the largest, and the depth where a bore passes."""
    units = site.spec.units
    window = shapely.intersection(site.parcel, view)
    groups: dict[tuple[str, float], list[tuple[Zone, BaseGeometry]]] = {}
    for zone in for_bores(zones):
        inside = shapely.intersection(zone.polygon, window)
        if inside.area > 1.0:
            groups.setdefault((zone.rule.key, round(zone.distance_m, 3)), []).append((zone, inside))
    shapes = {f.feature_id: f.geometry for f in site.all_features()}
    for (key, distance), members in groups.items():
        members.sort(key=lambda m: -m[1].area)
        for n, (zone, inside) in enumerate(members):
            at = _spot(inside, shapes.get(zone.feature_id))
            depth = (
                ""
                if zone.closed
                else _depths([m[0] for m in members] if n == 0 and len(members) > MANY else [zone], units)
            )
            named = n == 0 or len(members) <= MANY
            if not named and not shapely.intersects(inside, bores):
                continue
            times = f" ({len(members)} places)" if n == 0 and len(members) > MANY else ""
            head = f"{key} {short_length(distance, units)}{times}" if named else ""
            text = "\n".join(t for t in (head, depth) if t)
            if text:
                labels.put(*at, text, ZONE, reach=12 if named else 6, must=named)


def _depths(zones: Sequence[Zone], units: str) -> str:
    """Depth below which zones are open, as a range when they differ; closed ones ask nothing here."""
    asked = [z.required_depth_m or 0.0 for z in zones if not z.closed]
    low, high = (short_length(v, units) for v in (min(asked), max(asked)))
    return f"below {high}" if low == high else f"below {low} to {high}"


def _spot(zone: BaseGeometry, thing: BaseGeometry | None) -> tuple[float, float]:
    """A point of the zone, outside the thing itself where there is room."""
    ring = zone if thing is None else shapely.difference(zone, thing)
    at = shapely.point_on_surface(zone if ring.is_empty else ring)
    return float(at.x), float(at.y)


def furniture(axes: Any, site: Site, bounds: tuple[float, float, float, float], labels: Labels) -> None:
    """Scale bar and north arrow, in the corners where they cover least of the lot."""
    per_px = (bounds[2] - bounds[0]) / axes.get_window_extent().width
    step, value, unit = figure.round_step(190 * per_px, site.spec.units)
    bar = _corner(site, bounds, (max(2 * step + 70 * per_px, 290 * per_px), 74 * per_px), [])
    arrow = _corner(site, bounds, (64 * per_px, 108 * per_px), [bar])
    for box in (bar, arrow):
        frame = shapely.box(*box)
        patch(axes, frame, fc=tokens.PAPER, ec=tokens.CONTOUR, lw=0.6, zorder=21)
        labels.block_area(box)
    _scale_bar(axes, bar, (step, value, unit), per_px)
    _north(axes, arrow, per_px)


def _corner(
    site: Site,
    bounds: tuple[float, float, float, float],
    size: tuple[float, float],
    taken: Sequence[tuple[float, float, float, float]],
) -> tuple[float, float, float, float]:
    gap = 0.008 * (bounds[2] - bounds[0])
    lefts, lows = (bounds[0] + gap, bounds[2] - gap - size[0]), (bounds[1] + gap, bounds[3] - gap - size[1])
    boxes = [
        (x, y, x + size[0], y + size[1])
        for x, y in ((lefts[0], lows[0]), (lefts[1], lows[1]), (lefts[0], lows[1]), (lefts[1], lows[0]))
    ]
    free = [b for b in boxes if not any(shapely.box(*b).intersects(shapely.box(*t)) for t in taken)]
    return min(free, key=lambda b: shapely.box(*b).intersection(site.parcel).area)


def _scale_bar(
    axes: Any, box: tuple[float, float, float, float], step: tuple[float, float, str], per_px: float
) -> None:
    length, value, unit = step
    x, y, thick = (box[0] + box[2]) / 2 - length, box[1] + 32 * per_px, 9 * per_px
    for n in range(2):
        block = shapely.box(x + n * length, y, x + (n + 1) * length, y + thick)
        patch(axes, block, fc="black" if n == 0 else tokens.PAPER, ec="black", lw=0.8, zorder=22)
    for n in range(3):
        text = f"{value * n:g}" + (f" {unit}" if n == 2 else "")
        figure.plain_text(axes, (x + n * length, y + 24 * per_px), text, zorder=22)
    words = {"ft": "feet", "m": "metres"}[unit]
    figure.plain_text(axes, (x + length, y - 14 * per_px), f"each half of the bar is {value:g} {words}", zorder=22)


def _north(axes: Any, box: tuple[float, float, float, float], per_px: float) -> None:
    x, y, tall, half = (box[0] + box[2]) / 2, box[1] + 30 * per_px, 48 * per_px, 11 * per_px
    axes.fill([x, x - half, x], [y + tall, y, y + tall * 0.25], fc="black", ec="black", lw=0.8, zorder=22)
    axes.fill([x, x + half, x], [y + tall, y, y + tall * 0.25], fc=tokens.PAPER, ec="black", lw=0.8, zorder=22)
    figure.plain_text(axes, (x, y + tall + 14 * per_px), "N", TextStyle(size=figure.LARGE, bold=True), zorder=22)
    figure.plain_text(axes, (x, box[1] + 14 * per_px), "true", zorder=22)
