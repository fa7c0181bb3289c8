"""Key plan on the first drill sheet: pad, bores with their numbers, header and white line, true to scale and north up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.sheets.drill_paper import HEAVY, RULE, SMALL, width_in
from loopgis.sheets.figure import round_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopgis.sheets.drill_book import DrillBook
    from loopgis.sheets.drill_paper import Paper

    Array = NDArray[np.float64]

WHITE_DASH, HEADER_DASH = (0, (5, 2)), (0, (6, 2, 1, 2))
WORDS_IN, RIM_IN, AWAY_IN = 0.3, 0.24, 0.12
"""Room under the plan for its scale, round the bores for their numbers, and from an exit to its number."""


def _places(book: DrillBook) -> tuple[list[Array], Array, Array | None, Array]:
    """Bores, pad, header and white line in metres east and north of the pad, true north up."""
    from pyproj import CRS, Transformer  # noqa: PLC0415

    from loopgis.core.frame import Frame  # noqa: PLC0415

    world = CRS.from_epsg(4326)
    middle = book.pad.mean(axis=0)
    lon, lat = Transformer.from_crs(CRS.from_wkt(book.crs_wkt), world, always_xy=True).transform(*middle)
    frame = Frame.centred(lon, lat, book.crs_wkt)
    here, there = frame.transformer_from(book.crs_wkt), frame.transformer_from(world.to_wkt())

    def told(xy: Array, way: Any = here) -> Array:
        return np.column_stack(way.transform(xy[:, 0], xy[:, 1]))

    bores = [told(np.column_stack([p.along.x, p.along.y])) for p in book.pages]
    header = None if book.header is None else told(book.header)
    return bores, told(book.pad), header, told(book.white_line, there)


def draw_plan(paper: Paper, book: DrillBook, at: tuple[float, float], size: tuple[float, float]) -> None:
    """Fill a box of the paper, its upper left corner and size in inches; numbers that have no room are left out."""
    from matplotlib.patches import Polygon  # noqa: PLC0415

    bores, pad, header, white = _places(book)
    every = np.vstack([*bores, pad, white, *([] if header is None else [header])])
    low, high = every.min(axis=0), every.max(axis=0)
    box = np.array([size[0], size[1] - WORDS_IN])
    per = float(np.max((high - low) / (box - 2 * RIM_IN)))
    middle, half = (low + high) / 2, per * box / 2
    axes = paper.axes(at[0], at[1], box[0], box[1])
    for spine in axes.spines.values():
        spine.set_visible(True)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlim(middle[0] - half[0], middle[0] + half[0])
    axes.set_ylim(middle[1] - half[1], middle[1] + half[1])
    axes.plot(white[:, 0], white[:, 1], color="black", lw=HEAVY, ls=WHITE_DASH, zorder=3)
    if header is not None:
        axes.plot(header[:, 0], header[:, 1], color="black", lw=RULE, ls=HEADER_DASH, zorder=3)
    axes.add_patch(Polygon(pad, fc="white", ec="black", lw=RULE, hatch="////", zorder=4))
    for xy in bores:
        axes.plot(xy[:, 0], xy[:, 1], color="black", lw=RULE, zorder=5)
        axes.plot(*xy[-1], "o", ms=3, color="black", mfc="white", mec="black", mew=RULE, zorder=6)
    exits = [(xy[-1] - middle + half) / per for xy in bores]
    _numbers(paper, book, bores, [(at[0] + float(p[0]), at[1] + float(box[1] - p[1])) for p in exits])
    _scale(paper, book.units, at, float(box[1]), per)


def _numbers(paper: Paper, book: DrillBook, bores: list[Array], exits: list[tuple[float, float]]) -> None:
    """Number of each bore beyond its exit, in the order of the list, where no other number stands."""
    held: list[tuple[float, float, float]] = []
    for page, xy, (x, y) in zip(book.pages, bores, exits, strict=True):
        way = xy[-1] - xy[max(len(xy) - 4, 0)]
        way = way / max(float(np.hypot(*way)), 1e-9)
        name = short_name(page.bore_id)
        half = width_in(name, SMALL, bold=True) / 2 + 0.015
        px, py = x + float(way[0]) * (AWAY_IN + half - 0.05), y - float(way[1]) * AWAY_IN
        if all(abs(px - a) > half + h or abs(py - b) > 0.12 for a, b, h in held):
            paper.text(px, py + 0.035, name, SMALL, bold=True, ha="center", white=True)
            held.append((px, py, half))


def short_name(bore_id: str) -> str:
    """Number in a bore's name, the whole name when it has none.

    >>> short_name("B-07"), short_name("B-120"), short_name("north")
    ('7', '120', 'north')
    """
    digits = bore_id[len(bore_id.rstrip("0123456789")) :]
    return str(int(digits)) if digits else bore_id


def _scale(paper: Paper, units: str, at: tuple[float, float], tall_in: float, per: float) -> None:
    """Scale as a bar and in words, north, and what the lines are."""
    base = at[1] + tall_in + 0.12
    metres, value, unit = round_step(per, units)
    long = metres / per
    paper.line(at[0], base - 0.02, at[0] + long, base - 0.02, HEAVY)
    for x in (at[0], at[0] + long):
        paper.line(x, base - 0.06, x, base + 0.02, RULE)
    paper.text(at[0] + long + 0.08, base, f"{value:,g} {unit}.  True north is up.")
    x = paper.right_in - 0.08
    paper.line(x, base + 0.03, x, base - 0.08, RULE)
    for side in (-1, 1):
        paper.line(x, base - 0.08, x + side * 0.03, base - 0.03, RULE)
    paper.text(at[0], base + 0.13, "Dashed: white line.  Hatched: pad.  Ring: exit.  Dash and dot: header.")
