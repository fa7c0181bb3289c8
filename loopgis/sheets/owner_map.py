"""Where an owner must not dig: bands over the pipes as drilled, by how deep they lie, and the map that shows them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import FT_M
from loopgis.sheets import built_plan, figure, permit_plan_layers, tokens
from loopgis.sheets.built_words import SIGMAS, dead_rods, fixed_points, given_up, mark_on_map
from loopgis.sheets.figure import Labels, TextStyle
from loopgis.sheets.plan_layers import patch

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.field.book import BuiltBook, BuiltLeg, Tie
    from loopgis.sheets.drill_paper import Paper
    from loopgis.sheets.permit_paper import Box

    Array = NDArray[np.float64]

KEEP_M = 5 * FT_M
"""Half the width of the band over a pipe, besides the error of its place: house choice, no source."""
SHALLOW_M = 8 * FT_M
"""A pipe that may lie less deep than this is in the dark band: nothing may be dug there. House choice, no source."""
SHARE = 0.5
"""Over deeper pipes nobody digs below this share of their least depth: house choice, no source."""
WORDS = TextStyle(size=figure.NORMAL, bold=True)
MOST_WORDS = 2
"""Bands of one sort that carry words on the map."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bands:
    """Ground over the pipes. dark: they may be shallow, nothing may be dug; light: deep, limit_m is as deep as anybody may dig.

    dark_m, light_m: least depths of holes there, None where there are none or nobody knows; deepest_m: of all.
    """

    dark: Any
    light: Any
    limit_m: float | None
    dark_m: float | None
    light_m: float | None
    deepest_m: float | None


def limit_of(depth_m: float, units: str) -> float:
    """How deep anybody may dig over a pipe that lies so deep, metres: whole feet, or tenths of a metre.

    >>> round(limit_of(9 * 0.3048, "us") / 0.3048, 6), limit_of(2.7, "metric")
    (4.0, 1.3)
    """
    step = FT_M if units == "us" else 0.1
    return float(round(math.floor(SHARE * depth_m / step + 1e-9) * step, 6))


def _sections(leg: BuiltLeg, *, all_rods: bool) -> Iterator[tuple[Array, float, float, float]]:
    """Stretches of a hole from rod to rod: line (n, 2), least and greatest depth, error across it, metres; NaN: nobody knows."""
    line = np.asarray(leg.line if all_rods else built_plan.dead_line(leg), dtype=float)
    rods = leg.rods if all_rods else dead_rods(leg)
    if len(line) < 2 or not rods:
        if len(line) >= 2:
            yield line[:, :2], math.nan, math.nan, 0.0
        return
    depth = (built_plan.ground_along(leg) - np.asarray(leg.line, dtype=float)[:, 2])[-len(line) :]
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    station = np.array([r.station_m for r in rods]) - rods[0].station_m
    station = station * (along[-1] / station[-1] if station[-1] > 0 else 1.0)
    side = np.nan_to_num([r.error_m for r in rods])
    down = np.nan_to_num([r.error_z_m for r in rods])
    cuts = [0, *(int(np.searchsorted(along, s)) for s in station[1:])]
    for n, (a, b) in enumerate(pairwise(cuts)):
        end = min(b, len(line) - 1)
        if end > a:
            doubt = SIGMAS * max(float(down[n]), float(down[n + 1]))
            part = depth[a : end + 1]
            error = SIGMAS * max(float(side[n]), float(side[n + 1]))
            yield line[a : end + 1, :2], float(part.min()) - doubt, float(part.max()), error


def bands(book: BuiltBook) -> Bands:
    """Ground over everything that was drilled, holes given up too, the pad and the header's trench."""
    dark: list[Any] = []
    light: list[Any] = []
    dark_m: list[float] = []
    light_m: list[float] = []
    deepest: list[float] = []
    for bore in book.bores:
        for leg in bore.legs:
            if leg.abandoned and not dead_rods(leg):
                continue
            for xy, least, most, error in _sections(leg, all_rods=not leg.abandoned):
                ground = shapely.buffer(shapely.LineString(xy), KEEP_M + error, quad_segs=6)
                deep = math.isfinite(least) and least >= SHALLOW_M
                (light if deep else dark).append(ground)
                if math.isfinite(least):
                    (light_m if deep else dark_m).append(max(least, 0.0))
                    deepest.append(most)
    if any(b.legs for b in book.bores):
        dark += built_plan.rings([book.pad])
        if book.header is not None and len(book.header) > 1:
            dark.append(shapely.buffer(shapely.LineString(np.asarray(book.header)[:, :2]), KEEP_M, quad_segs=6))
    shut = shapely.union_all(dark) if dark else shapely.Polygon()
    rest = shapely.difference(shapely.union_all(light), shut) if light else shapely.Polygon()
    least_light = min(light_m, default=None)
    return Bands(
        dark=shut, light=rest, limit_m=None if least_light is None else limit_of(least_light, book.units),
        dark_m=min(dark_m, default=None), light_m=least_light, deepest_m=max(deepest, default=None),
    )  # fmt: skip


DARK = {"fc": "#d8d2ca", "ec": "#1c1a18", "lw": 1.2, "hatch": "xxxx"}
LIGHT = {"fc": "#f3eee6", "ec": "#1c1a18", "lw": 1.0, "hatch": "//", "ls": (0, (4, 2))}
"""Looks of the bands; dense crosses and sparse strokes, so that a photocopy tells them apart."""


def draw_map(
    page: Paper, book: BuiltBook, box: Box, found: Bands, ties: Sequence[Tie], words: tuple[str, str]
) -> tuple[float, list[str]]:
    """Lot, buildings, bands, pipes, what is tied; words: what stands in a dark and in a light band.

    Gives ground metres in an inch, and words that found no room.
    """
    axes, _, per = built_plan.window(page, box, built_plan.bounds_of(book), rule=False)
    labels = Labels(axes)
    things = built_plan.drawn_things(t for t in book.things if t.shape != "line")
    permit_plan_layers.things(axes, things, labels)
    before = len(axes.patches)
    patch(axes, found.light, zorder=3.0, **LIGHT)
    patch(axes, found.dark, zorder=3.1, **DARK)
    for shape in axes.patches[before:]:
        shape.set_hatch_linewidth(0.5)
    built_plan.grounds(axes, book, labels, pad="none")
    _pipes(axes, book, labels)
    built_plan.dead(axes, book, labels)
    points = fixed_points(ties)
    for x, y in points:
        axes.plot(x, y, "D", ms=5.0, mfc=tokens.PAPER, mec=tokens.TEXT, mew=1.3, zorder=15)
        labels.block(x, y, 6)
    for t in ties:
        axes.plot(t.x, t.y, "o", ms=4.6, mfc=tokens.PAPER, mec=tokens.TEXT, mew=1.3, zorder=15)
        labels.block(t.x, t.y, 5)
    for t in ties:
        labels.put(t.x, t.y, mark_on_map(t), WORDS, reach=8)
    for (x, y), (mark, _) in points.items():
        labels.put(x, y, mark, WORDS, reach=8)
    for shape, text in ((found.dark, words[0]), (found.light, words[1])):
        parts = sorted(shapely.get_parts(shape), key=lambda p: -p.area)[:MOST_WORDS]
        for n, part in enumerate(parts):
            if part.area > 1.0:
                at = shapely.point_on_surface(part)
                labels.put(float(at.x), float(at.y), text, WORDS, reach=9, must=n == 0, tell=False)
    built_plan.texts(axes, book, things, labels)
    return per, labels.left_out


def _pipes(axes: Any, book: BuiltBook, labels: Labels) -> None:
    """Pipes as drilled; words stand beside them where they can."""
    from matplotlib.collections import LineCollection  # noqa: PLC0415

    paths = [b.leg.line[:, :2] for b in book.bores if b.leg is not None and len(b.leg.line) > 1]
    axes.add_collection(LineCollection(paths, colors=tokens.PAPER, linewidths=2.8, zorder=11))
    axes.add_collection(LineCollection(paths, colors=tokens.INK, linewidths=1.4, zorder=12))
    for xy in paths:
        labels.block_line(xy[:, 0], xy[:, 1], 8.0)


def holes(book: BuiltBook) -> list[tuple[str, float, float]]:
    """Holes given up: bore, least and greatest depth of their dead part, metres."""
    told = []
    for bore, leg in given_up(book):
        depths = [r.depth_m for r in dead_rods(leg) if math.isfinite(r.depth_m)]
        if depths:
            told.append((bore.bore_id, min(depths), max(depths)))
    return told
