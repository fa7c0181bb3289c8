"""Map of a layout as drilled: window to scale, lot, things, bores as planned and as drilled, tapes to what is tied."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.sheets import figure, tokens
from loopgis.sheets import permit_plan_layers as layers
from loopgis.sheets.built_words import clipped, dead_rods, fixed_points, given_up, kind_of, mark_on_map, sorted_ties
from loopgis.sheets.drill_paper import tape_word
from loopgis.sheets.drill_plan import short_name
from loopgis.sheets.figure import Labels, TextStyle
from loopgis.sheets.permit_book import Thing as Drawn
from loopgis.sheets.permit_scale import INCH_M, best_scale
from loopgis.sheets.plan_layers import patch

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.field.book import BuiltBook, BuiltBore, BuiltLeg, Thing, Tie
    from loopgis.sheets.drill_paper import Paper
    from loopgis.sheets.permit_paper import Box

    Array = NDArray[np.float64]

RIM_IN = 0.3
"""Paper left free round what is shown."""
WIDE_TIMES = 3.5
"""A lot so many times as wide as the bores is not shown whole."""
LEVEL = 0.8
"""A bore is drawn full where it is deeper than this share of its greatest depth."""
NUMBER = TextStyle(colour=tokens.INK, bold=True)
TAPE = TextStyle(bold=True)
NAMED = 26
"""Letters of a thing's name on the map."""
TAPES = 12
"""Things tied of which the tapes are drawn; those of the others, and of entries, stand in the table."""
MANY = 12
"""More bores than this go by their numbers on the map."""
DOTS_PT = 2.9


# what is shown --------------------------------------------------------------


def rings(many: Iterable[Array]) -> list[Any]:
    """Polygons of rings; what is none is left out."""
    told = [np.asarray(r, dtype=float) for r in many]
    made = [shapely.make_valid(shapely.Polygon(r)) for r in told if len(r) and len(np.unique(r, axis=0)) >= 3]
    return [p for p in made if not p.is_empty]


def bounds_of(book: BuiltBook) -> tuple[float, float, float, float]:
    """West, south, east, north of what the map must show: the work, what is tied, and the lot unless it is far larger."""
    work = [np.asarray(b.planned)[:, :2] for b in book.bores if len(b.planned)]
    work += [leg.line[:, :2] for b in book.bores for leg in b.legs if len(leg.line)]
    work += [np.asarray(r) for r in (book.pad, book.header) if r is not None and len(r)]
    lot = [np.asarray(r) for r in book.parcel if len(r)]
    if not work:
        work = lot or [np.array([(0.0, 0.0), (10.0, 10.0)])]
    tied = [np.array([(t.x, t.y), (t.first.x, t.first.y), (t.second.x, t.second.y)]) for t in book.ties]
    every = np.vstack(work)
    low, high = every.min(axis=0), every.max(axis=0)
    most = WIDE_TIMES * max(float((high - low).max()), 20.0)
    for more in (*tied, *lot):
        a, b = np.minimum(low, more.min(axis=0)), np.maximum(high, more.max(axis=0))
        if float((b - a).max()) <= most:
            low, high = a, b
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def window(
    page: Paper, box: Box, bounds: tuple[float, float, float, float], *, rule: bool = True
) -> tuple[Any, int | None, float]:
    """Axes that fill a box and show the bounds, true to scale; gives them, the scale's denominator, ground metres in an inch.

    rule: take a scale of an engineer's rule; the denominator is None without it, and when the ground is too large for all of them.
    """
    size = (bounds[2] - bounds[0], bounds[3] - bounds[1])
    room = (box.wide_in - 2 * RIM_IN, box.tall_in - 2 * RIM_IN)
    denominator, per = None, max(m / i for m, i in zip(size, room, strict=True))
    if rule:
        with suppress(InputError):
            denominator = best_scale(size, room, page.units, smaller=True)
            per = denominator * INCH_M
    axes = page.axes(box.x_in, box.y_in, box.wide_in, box.tall_in)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
    axes.set_autoscale_on(False)
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    axes.set_xlim(x - box.wide_in * per / 2, x + box.wide_in * per / 2)
    axes.set_ylim(y - box.tall_in * per / 2, y + box.tall_in * per / 2)
    return axes, denominator, per


# layers --------------------------------------------------------------


def drawn_things(things: Iterable[Thing]) -> list[Drawn]:
    """Things as the plan's layers draw them; of a kind that nobody knows as something private."""
    made = []
    for t in things:
        xy = np.asarray(t.xy, dtype=float)
        if t.shape == "point" or len(xy) < 2:
            shape = shapely.Point(xy[0]) if len(xy) else shapely.Point()
        elif t.shape == "area" and len(xy) > 2:
            shape = shapely.make_valid(shapely.Polygon(xy))
        else:
            shape = shapely.LineString(xy)
        kind = kind_of(t.kind)
        if not shape.is_empty:
            made.append(
                Drawn(
                    feature_id=t.feature_id, kind=kind, label=clipped(t.label, NAMED), geometry=shape, quality="", located="",
                    depth_m=None, half_m=0.0, letter=tokens.kind_style(kind).letter, on_lot=True, columns={},
                )
            )  # fmt: skip
    return made


def base(axes: Any, book: BuiltBook, labels: Labels) -> list[Drawn]:
    """Things, buildings, lot, pad and header; gives the things for their names later."""
    things = drawn_things(book.things)
    layers.things(axes, things, labels)
    grounds(axes, book, labels)
    return things


def grounds(axes: Any, book: BuiltBook, labels: Labels, *, pad: str = "#ffffffd8") -> None:
    """Buildings, lot, pad and header; pad: what the pad is filled with."""
    for shape in rings(book.buildings):
        patch(axes, shape, fc=tokens.BUILDING, ec=tokens.BUILDING_EDGE, lw=0.9, zorder=4)
        x, y = shapely.get_coordinates(shape).T
        labels.block_line(x, y, 2.0)
    for shape in rings(book.parcel):
        for ring in shapely.get_parts(shape):
            xy = shapely.get_coordinates(ring)
            axes.plot(*xy.T, color="black", lw=tokens.LOT_WIDTH, ls=(0, tokens.LOT_DASH), zorder=8)
            labels.block_line(*xy.T)
    for shape in rings([book.pad]):
        patch(axes, shape, fc=pad, ec=tokens.INK, lw=1.3, zorder=9)
        labels.block_line(*shapely.get_coordinates(shape).T)
    if book.header is not None and len(book.header) > 1:
        xy = np.asarray(book.header)[:, :2]
        axes.plot(*xy.T, color=tokens.PAPER, lw=3.6, zorder=9)
        axes.plot(*xy.T, color=tokens.INK, lw=1.4, ls=(0, tokens.HEADER_DASH), zorder=10)
        labels.block_line(*xy.T)


def planned(axes: Any, many: Sequence[BuiltBore]) -> None:
    """Bores as planned: light, solid, thin."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    paths = [np.asarray(b.planned)[:, :2] for b in many if len(b.planned) > 1]
    axes.add_collection(LineCollection(paths, colors=tokens.PAPER, linewidths=2.6, zorder=10.5))
    axes.add_collection(LineCollection(paths, colors=tokens.INK_LIGHT, linewidths=1.2, zorder=10.6))


def dead_line(leg: BuiltLeg) -> Array:
    """The part of a hole given up that is no other leg's, (n, 3)."""
    rods = dead_rods(leg)
    line = np.asarray(leg.line, dtype=float)
    if not rods or len(line) < 2:
        return line
    first = np.array([rods[0].x, rods[0].y, rods[0].z_m])
    return line[int(np.argmin(np.hypot(*(line - first)[:, :2].T))) :]


def drilled(axes: Any, many: Sequence[BuiltBore], labels: Labels, *, dots: bool = True) -> None:
    """Bores as drilled: white-cased, full where deep, a dot at each reading, a wedge at the entry, a square where surveyed."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    legs = [(b, b.leg) for b in many if b.leg is not None and len(b.leg.line) > 1]
    paths = [leg.line[:, :2] for _, leg in legs]
    axes.add_collection(LineCollection(paths, colors=tokens.PAPER, linewidths=tokens.CASE_WIDTH, zorder=11))
    axes.add_collection(LineCollection(paths, colors=tokens.INK, linewidths=tokens.SLANT_WIDTH, zorder=12))
    for b, leg in legs:
        line = np.asarray(leg.line)
        depth = ground_along(leg) - line[:, 2]
        if np.isfinite(depth).any() and np.nanmax(depth) > 0:
            deep = np.where(depth >= LEVEL * np.nanmax(depth), line[:, 0], np.nan)
            axes.plot(deep, line[:, 1], color=tokens.INK, lw=tokens.LEVEL_WIDTH, zorder=12, solid_capstyle="butt")
        labels.block_line(line[:, 0], line[:, 1], 4.0)
        if dots:
            xy = np.array([(r.x, r.y) for r in leg.rods if r.rod > 0])
            if len(xy):
                axes.plot(*xy.T, "o", ms=DOTS_PT, mfc=tokens.INK, mec=tokens.PAPER, mew=0.5, ls="none", zorder=13)
        ends(axes, b, line, labels)


def ground_along(leg: BuiltLeg) -> Array:
    """Ground above every vertex of a leg's line, metres, from that at its rods; NaN where there are none."""
    line = np.asarray(leg.line, dtype=float)
    if not leg.rods or not len(line):
        return np.full(len(line), np.nan)
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    station = np.array([r.station_m for r in leg.rods])
    if along[-1] > 0 and station[-1] > 0:
        along = along * station[-1] / along[-1]
    return np.asarray(np.interp(along, station, [r.ground_m for r in leg.rods]), dtype=float)


def ends(axes: Any, bore: BuiltBore, line: Array, labels: Labels) -> None:
    """Wedge at the entry; at the end a filled square where it was surveyed, a ring where it came out, nothing while it is begun."""
    way = line[min(4, len(line) - 1), :2] - line[0, :2]
    turn = -float(np.degrees(np.arctan2(way[0], way[1])))
    axes.plot(*line[0, :2], marker=(3, 0, turn), ms=6.5, color=tokens.INK, mec=tokens.PAPER, mew=0.6, zorder=14)
    labels.block(float(line[0, 0]), float(line[0, 1]), 6)
    if bore.surveyed_exit is not None:
        axes.plot(*line[-1, :2], "s", ms=6.0, mfc=tokens.INK, mec=tokens.PAPER, mew=0.6, zorder=14)
    elif bore.state == "drilled":
        axes.plot(*line[-1, :2], "o", ms=6.0, mfc=tokens.PAPER, mec=tokens.INK, mew=1.5, zorder=14)
    labels.block(float(line[-1, 0]), float(line[-1, 1]), 7)


def dead(axes: Any, book: BuiltBook, labels: Labels) -> None:
    """Holes that were given up: thin, crossed at every reading."""
    for _, leg in given_up(book):
        line = dead_line(leg)
        axes.plot(*line[:, :2].T, color=tokens.PAPER, lw=2.8, zorder=10.8)
        axes.plot(*line[:, :2].T, color=tokens.TEXT, lw=0.9, zorder=10.9)
        xy = np.array([(r.x, r.y) for r in dead_rods(leg)[1:] or dead_rods(leg)])
        axes.plot(*xy.T, "x", ms=5.0, color=tokens.TEXT, mew=1.1, ls="none", zorder=13)
        labels.block_line(line[:, 0], line[:, 1], 4.0)
        labels.block(float(xy[-1, 0]), float(xy[-1, 1]), 6)


def map_names(book: BuiltBook) -> list[str]:
    """Names of the bores on the map; where there are many their numbers alone, if those tell them apart."""
    short = [short_name(b.bore_id) for b in book.bores]
    if len(short) > MANY and len(set(short)) == len(short):
        return [clipped(s, 12) for s in short]
    return [clipped(b.bore_id, 12) for b in book.bores]


def bore_names(book: BuiltBook, labels: Labels) -> None:
    """Name of every bore beside where it ends, or would."""
    for b, name in zip(book.bores, map_names(book), strict=True):
        line = b.leg.line if b.leg is not None and len(b.leg.line) and b.state == "drilled" else np.asarray(b.planned)
        if len(line):
            labels.put(float(line[-1, 0]), float(line[-1, 1]), name, NUMBER, reach=8)


def taped(ties: Iterable[Tie]) -> list[Tie]:
    """Things of which the tapes are drawn: no exits where there are too many."""
    told = [t for t in sorted_ties(ties) if t.what != "entry"]
    return [t for t in told if len(told) <= TAPES or t.what != "exit"][:TAPES]


def tapes(axes: Any, book: BuiltBook, ties: Sequence[Tie], labels: Labels) -> None:
    """Both tapes of each thing tied as thin lines, its mark beside it, fixed points as lozenges with theirs."""
    for t in ties:
        for point in (t.first, t.second):
            axes.plot([t.x, point.x], [t.y, point.y], color=tokens.TEXT, lw=0.6, ls=(0, (5, 1.5)), zorder=10.2)
            labels.block_line([t.x, point.x], [t.y, point.y], 2.0)
    used = {(p.x, p.y) for t in ties for p in (t.first, t.second)}
    points = [(x, y, mark) for (x, y), (mark, _) in fixed_points(book.ties).items() if (x, y) in used]
    for x, y, _ in points:
        axes.plot(x, y, "D", ms=4.6, mfc=tokens.PAPER, mec=tokens.TEXT, mew=1.2, zorder=15)
        labels.block(x, y, 6)
    for t in ties:
        labels.block(t.x, t.y, 4)
    for t in ties:
        labels.put(t.x, t.y, mark_on_map(t), TextStyle(size=figure.NORMAL, bold=True), reach=7)
    for x, y, mark in points:
        labels.put(x, y, mark, TAPE, reach=7)


def tape_figures(ties: Sequence[Tie], labels: Labels, units: str) -> None:
    """Figure of each tape beside it, nearer to the thing than to the fixed point."""
    for t in ties:
        for point in (t.first, t.second):
            at = (0.62 * t.x + 0.38 * point.x, 0.62 * t.y + 0.38 * point.y)
            labels.put(*at, tape_word(point.distance_m, units), TAPE, reach=7, tell=False)


def texts(axes: Any, book: BuiltBook, things: Sequence[Drawn], labels: Labels) -> None:
    """Letters on lines, the words at pad, header and buildings, names of things."""
    view = layers.window(axes)
    layers.letters(axes, [t for t in things if shapely.intersects(t.geometry, view)], labels)
    for shape in rings([book.pad]):
        layers.labels_pad(shape, labels)
    for shape in rings(book.buildings):
        shown = shapely.intersection(shape, view)
        if shown.area > 1.0:
            at = shapely.point_on_surface(shown)
            labels.put(float(at.x), float(at.y), "building", TextStyle(size=figure.NORMAL), reach=4)
    layers.names(axes, [t for t in things if t.kind != "building"], labels)
