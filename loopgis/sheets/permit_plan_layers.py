"""What lies on the permit office's plan sheets, layer by layer, from plain geometry of a PermitBook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.sheets import figure, tokens
from loopgis.sheets.figure import TextStyle
from loopgis.sheets.plan_layers import patch

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.sheets.figure import Labels
    from loopgis.sheets.permit_book import BorePlan, PermitBook, SetbackRow, Side, Thing, ZonePlan

    Array = NDArray[np.float64]

SIDE = TextStyle(size=figure.SMALL)
ZONE = TextStyle(colour=tokens.TEXT_SOFT)
NUMBER = TextStyle(colour=tokens.INK, bold=True)
DIMENSION = TextStyle(size=figure.SMALL, bold=True)
LETTER = TextStyle(size=figure.NORMAL, bold=True)
LETTER_EVERY_IN = 1.1
LETTER_SHIFTS = (0.0, 0.15, -0.15, 0.3, -0.3)
"""Where along its share of the line a letter is tried, shares of that."""
OFF_SIDE_IN = 0.09
"""Distance of a side's bearing from the lot line."""
NAMELESS = frozenset({"paved_way", "right_of_way", "tree_root_zone", "neighbour_parcel", "irrigation"})
"""Kinds that need no name on the map unless they have one of their own."""
LEVEL = 0.8
"""A bore is drawn full where it is deeper than this share of its greatest depth."""
MARK_PT = 5.5


def per_inch(axes: Any) -> float:
    """Ground metres in an inch of paper."""
    wide: float = axes.get_window_extent().width / figure.DPI
    return float(np.ptp(axes.get_xlim())) / wide


def window(axes: Any) -> Any:
    """What the axes show, as a box."""
    return shapely.box(*np.array([axes.get_xlim(), axes.get_ylim()]).T.ravel())


def things(axes: Any, many: Iterable[Thing], labels: Labels) -> None:
    """Areas, lines with their hair lines, points; texts keep off lines and points."""
    for thing in many:
        style = tokens.kind_style(thing.kind)
        for part in shapely.get_parts(shapely.get_parts(thing.geometry)):
            if part.geom_type == "Polygon":
                dash = (0, style.dash) if style.dash else "solid"
                z = 4 if thing.kind == "building" else 2
                patch(axes, part, fc=style.fill, ec=style.colour, lw=0.9, ls=dash, zorder=z)
            elif part.geom_type == "Point":
                _point(axes, thing, part, labels)
            else:
                _line(axes, thing, shapely.get_coordinates(part), labels)


def _point(axes: Any, thing: Thing, point: Any, labels: Labels) -> None:
    style = tokens.kind_style(thing.kind)
    if thing.half_m > 0:
        patch(axes, shapely.buffer(point, thing.half_m), fc=tokens.PAPER, ec=tokens.TEXT, lw=0.6, zorder=5.5)
    axes.plot(point.x, point.y, "o", ms=6.0, mfc=tokens.PAPER, mec=tokens.HALO, mew=2.2, zorder=6)
    edge = style.colour if style.letter else tokens.TEXT
    axes.plot(point.x, point.y, "o", ms=6.0, mfc=tokens.PAPER, mec=edge, mew=1.2, zorder=6)
    axes.plot(point.x, point.y, ".", ms=2.5, color=tokens.TEXT, zorder=6)
    labels.block(float(point.x), float(point.y), 9)


def _line(axes: Any, thing: Thing, xy: Array, labels: Labels) -> None:
    style = tokens.kind_style(thing.kind)
    if style.letter:
        axes.plot(*xy.T, color=tokens.HALO, lw=tokens.LINE_HALO_WIDTH, zorder=5, solid_capstyle="butt")
        axes.plot(*xy.T, color=style.colour, lw=tokens.LINE_WIDTH, zorder=5, solid_capstyle="butt")
        labels.block_line(*xy.T)
    else:
        band = shapely.buffer(shapely.LineString(xy), max(thing.half_m, 0.05))
        patch(axes, band, fc=style.fill, ec=style.colour, lw=0.7, zorder=2)


def zones(axes: Any, book: PermitBook) -> None:
    """Thin diagonal lines where the rules let no bore pass, sparse dots where they ask for depth, a ruling or a crossing square."""
    shut = shapely.union_all([z.polygon for z in book.zones if z.closed] or [shapely.Polygon()])
    shut = shapely.intersection(shut, book.lot.polygon)
    rest = shapely.union_all([z.polygon for z in book.zones if not z.closed] or [shapely.Polygon()])
    rest = shapely.difference(shapely.intersection(rest, book.lot.polygon), shut)
    before = len(axes.patches)
    patch(axes, shut, fc="none", ec=tokens.CLOSED, lw=0.5, hatch="///", zorder=3)
    patch(axes, rest, fc="none", ec=tokens.CLOSED, lw=0.5, ls=(0, tokens.ZONE_DASH), hatch="..", zorder=3)
    for shape in axes.patches[before:]:
        shape.set_hatch_linewidth(0.35)


def lot(axes: Any, book: PermitBook, labels: Labels, *, thin: bool = False) -> None:
    """Lot line with long dash and two dots, corner marks; neighbours' lots thin and dashed."""
    for shape in book.lot.neighbours:
        patch(axes, shape, fc="none", ec=tokens.TEXT_SOFT, lw=0.8, ls=(0, tokens.AREA_DASH), zorder=3)
    width = 1.2 if thin else tokens.LOT_WIDTH
    for part in shapely.get_parts(book.lot.polygon):
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)
            axes.plot(*xy.T, color="black", lw=width, ls=(0, tokens.LOT_DASH), zorder=8)
            labels.block_line(*xy.T)
    if not thin:
        axes.plot(*book.lot.corners.T, "s", ms=3.2, color="black", zorder=9, ls="none")


def sides(axes: Any, book: PermitBook, labels: Labels, words: Sequence[str]) -> list[int]:
    """Bearing and length along each side, outside the lot; gives the sides (counted from 0) that are too short for their words."""
    per = per_inch(axes)
    left = []
    for n, (side, text) in enumerate(zip(book.lot.sides, words, strict=True)):
        wide, tall = (v / figure.DPI * per for v in figure.text_size(axes, text, SIDE))
        room = side.length_m > wide * 1.05
        if not room or not _along(axes, side, text, (wide, tall), OFF_SIDE_IN * per, labels):
            left.append(n)
    return left


def _along(axes: Any, side: Side, text: str, size: tuple[float, float], off: float, labels: Labels) -> bool:
    """Set a text along a side, to its left (the lot lies to the right of its sides); False when something stands there already."""
    a, b = np.array(side.start), np.array(side.end)
    way = (b - a) / side.length_m
    out = np.array([-way[1], way[0]])
    middle = (a + b) / 2 + out * off
    turn = float(np.degrees(np.arctan2(way[1], way[0])))
    turn = turn - 180 if turn > 90 else turn + 180 if turn <= -90 else turn
    steps = np.linspace(-0.5, 0.5, max(2, int(size[0] / size[1]) + 1))[:, None] * size[0] * way
    px = axes.transData.transform(middle + steps)
    half = size[1] / 2 / per_inch(axes) * figure.DPI
    boxes = [(x - half, y - half, x + half, y + half) for x, y in px]
    frame = axes.get_window_extent()
    inside = all(box[0] > frame.x0 and box[2] < frame.x1 and box[1] > frame.y0 and box[3] < frame.y1 for box in boxes)
    if not inside or any(_hit(box, held) for box in boxes for held in labels.hard):
        return False
    labels.hard.extend(boxes)
    figure.plain_text(axes, (float(middle[0]), float(middle[1])), text, SIDE, rotation=turn, rotation_mode="anchor")
    return True


def _hit(a: figure.Box, b: figure.Box) -> bool:
    return a[0] < b[2] and a[2] > b[0] and a[1] < b[3] and a[3] > b[1]


def corner_numbers(axes: Any, book: PermitBook, labels: Labels) -> None:
    """Numbers of the lot's corners, outside it where there is room."""
    per = per_inch(axes)
    middle = book.lot.corners.mean(axis=0)
    for n, corner in enumerate(book.lot.corners, 1):
        way = corner - middle
        place = corner + way / max(float(np.hypot(*way)), 1e-9) * 0.12 * per
        labels.put(float(place[0]), float(place[1]), str(n), TextStyle(bold=True), reach=5)


def pads(axes: Any, book: PermitBook, labels: Labels) -> None:
    """Pads and the header's pipe run."""
    for pad in book.pads:
        patch(axes, pad, fc="#ffffffd8", ec=tokens.INK, lw=1.3, zorder=9)
        labels.block_line(*shapely.get_coordinates(pad.exterior).T)
    for xy in book.headers:
        axes.plot(*xy[:, :2].T, color=tokens.PAPER, lw=3.6, zorder=9)
        axes.plot(*xy[:, :2].T, color=tokens.INK, lw=1.4, ls=(0, tokens.HEADER_DASH), zorder=10)
        labels.block_line(*xy[:, :2].T)


def labels_pad(pad: Any, labels: Labels) -> None:
    """The word at a pad."""
    at = shapely.point_on_surface(pad)
    labels.put(float(at.x), float(at.y), "pad", TextStyle(size=figure.NORMAL, colour=tokens.INK, bold=True), reach=10)


def bores(axes: Any, many: Sequence[BorePlan], labels: Labels, *, thin: bool = False) -> None:
    """White-cased bores, thin where they slant and full where they are deep; a wedge at each entry, a ring at each exit."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    paths = [b.xyz[:, :2] for b in many]
    axes.add_collection(
        LineCollection(paths, colors=tokens.PAPER, linewidths=2.4 if thin else tokens.CASE_WIDTH, zorder=11)
    )
    axes.add_collection(
        LineCollection(paths, colors=tokens.INK, linewidths=0.9 if thin else tokens.SLANT_WIDTH, zorder=12)
    )
    for b in many:
        if thin:
            continue
        if b.max_depth_m:
            deep = np.where(b.depth_m >= LEVEL * b.max_depth_m, b.xyz[:, 0], np.nan)
            axes.plot(deep, b.xyz[:, 1], color=tokens.INK, lw=tokens.LEVEL_WIDTH, zorder=12, solid_capstyle="butt")
        labels.block_line(b.xyz[:, 0], b.xyz[:, 1], 5.0)
        way = b.xyz[min(4, len(b.xyz) - 1), :2] - b.xyz[0, :2]
        turn = -float(np.degrees(np.arctan2(way[0], way[1])))
        axes.plot(*b.xyz[0, :2], marker=(3, 0, turn), ms=6.5, color=tokens.INK, mec=tokens.PAPER, mew=0.6, zorder=14)
        axes.plot(*b.xyz[-1, :2], "o", ms=6.0, mfc=tokens.PAPER, mec=tokens.INK, mew=1.5, zorder=14)
        labels.block(float(b.xyz[0, 0]), float(b.xyz[0, 1]), 7)
        labels.block(float(b.xyz[-1, 0]), float(b.xyz[-1, 1]), 8)
        for c in b.crossings:
            axes.plot(*c.xy, "D", ms=3.6, mfc=tokens.PAPER, mec=tokens.TEXT, mew=0.9, zorder=13)
            labels.block(*c.xy, 6)


def bore_names(many: Sequence[BorePlan], labels: Labels) -> None:
    """Name of every bore beside its exit."""
    for b in many:
        labels.put(float(b.xyz[-1, 0]), float(b.xyz[-1, 1]), b.bore_id, NUMBER, reach=8)


def dimensions(axes: Any, many: Sequence[BorePlan], labels: Labels, words: Sequence[str]) -> list[int]:
    """Plan distance that governs each bore, as a line with arrows and its figure; gives the bores whose figure found no room."""
    left = []
    for n, b in enumerate(many):
        d = None if b.governing is None else b.governing.dimension
        if d is None or b.governing is None:
            left.append(n)
            continue
        if d.length_m > 0:
            arrow = {
                "arrowstyle": "<|-|>,head_length=0.25,head_width=0.11",
                "lw": 0.8,
                "color": "black",
                "shrinkA": 0,
                "shrinkB": 0,
            }
            axes.annotate("", d.start, d.end, arrowprops=arrow, zorder=16, annotation_clip=True)
            labels.block_line([d.start[0], d.end[0]], [d.start[1], d.end[1]], 3.0)
    for n, (b, text) in enumerate(zip(many, words, strict=True)):
        d = None if b.governing is None else b.governing.dimension
        if d is None:
            continue
        x, y = (d.start[0] + d.end[0]) / 2, (d.start[1] + d.end[1]) / 2
        if not labels.put(x, y, text, DIMENSION, reach=9, tell=False):
            left.append(n)
    return sorted(left)


def more_dimensions(axes: Any, rows: Sequence[SetbackRow], labels: Labels, words: Sequence[str]) -> None:
    """Nearest plan distance to every other thing, thin and dotted; its figure where there is room (the table has them all)."""
    for row, text in zip(rows, words, strict=True):
        d = row.dimension
        if d is None or d.length_m <= 0:
            continue
        x, y = [d.start[0], d.end[0]], [d.start[1], d.end[1]]
        axes.plot(x, y, color="black", lw=0.6, ls=(0, (1, 2)), zorder=15.5)
        labels.block_line(x, y, 2.0)
        labels.put(sum(x) / 2, sum(y) / 2, text, SIDE, reach=5, must=False, tell=False)


def letters(axes: Any, many: Iterable[Thing], labels: Labels) -> None:
    """Letter of the uniform colour code along every line of a utility."""
    view = window(axes)
    every = LETTER_EVERY_IN * per_inch(axes)
    for thing in many:
        if not thing.letter or thing.geometry.geom_type not in {"LineString", "MultiLineString"}:
            continue
        for part in shapely.get_parts(shapely.intersection(thing.geometry, view)):
            count = max(1, round(part.length / every))
            step = part.length / count
            for at in (np.arange(count) + 0.5) * step:
                any(_on_line(axes, part, at + off * step, thing.letter, labels) for off in LETTER_SHIFTS)


def _on_line(axes: Any, line: Any, at_m: float, letter: str, labels: Labels) -> bool:
    """Set a letter upon its own line, which no text keeps off by itself; False when another text or a mark stands there."""
    p = shapely.line_interpolate_point(line, at_m)
    px, py = (float(v) for v in axes.transData.transform((p.x, p.y)))
    half_wide, half_tall = (v / 2 for v in figure.text_size(axes, letter, LETTER))
    box = (px - half_wide, py - half_tall, px + half_wide, py + half_tall)
    if any(_hit(box, held) for held in labels.hard):
        return False
    labels.hard.append(box)
    figure.plain_text(axes, (float(p.x), float(p.y)), letter, LETTER)
    return True


def names(axes: Any, many: Iterable[Thing], labels: Labels) -> None:
    """Names of things, areas at a point inside them."""
    view = window(axes)
    for thing in many:
        shown = shapely.intersection(thing.geometry, view)
        if shown.is_empty or (not thing.label and thing.kind in NAMELESS):
            continue
        at = shapely.point_on_surface(shown)
        labels.put(float(at.x), float(at.y), thing.label or thing.kind.replace("_", " "), reach=8)


def zone_names(axes: Any, book: PermitBook, labels: Labels, words: Iterable[tuple[ZonePlan, str]]) -> None:
    """Rule and distance once for every zone that touches the lot."""
    view = window(axes)
    inside = shapely.intersection(book.lot.polygon, view)
    shapes = {t.feature_id: t.geometry for t in book.things}
    for zone, text in words:
        ground = shapely.intersection(zone.polygon, inside)
        thing = shapes.get(zone.feature_id)
        ring = ground if thing is None else shapely.difference(ground, thing)
        ring = ground if ring.is_empty else ring
        if ring.area > 0.5:
            at = shapely.point_on_surface(ring)
            labels.put(float(at.x), float(at.y), text, ZONE, reach=12)
