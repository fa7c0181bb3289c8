"""Plan sheets of the permit office's set, to an exact engineering scale: the site plan with its dimensions, and the surroundings.

The map window stands at a fixed place on the page and its limits are the window's size times the scale, nothing else; the page is
saved as it is, so that a rule laid on the print measures the ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import FT_M, length_text, short_length
from loopgis.sheets import permit_plan_layers as layers
from loopgis.sheets import tokens
from loopgis.sheets.figure import Labels
from loopgis.sheets.permit_paper import USUAL_PAPER, Box, content_box, framed
from loopgis.sheets.permit_plan_side import Side, legend_site, legend_surroundings
from loopgis.sheets.permit_scale import INCH_M, SCALES, best_scale, fits, scale_words, wanted_scale
from loopgis.sheets.plan_layers import patch

if TYPE_CHECKING:
    from loopgis.sheets.permit_book import PermitBook, SetbackRow, ZonePlan
    from loopgis.sheets.permit_paper import PermitPaper

RIM_IN = 0.42
"""Paper left free round the lot, for bearings and numbers."""
SIDE_SHARE, SIDE_IN = 0.25, (2.5, 4.6)
"""Width of the column beside the map: share of the room, least and most, inches."""
GAP_IN = 0.1
SITE_PLAN, SURROUNDINGS = "Site plan", "Surroundings"


@dataclass(frozen=True, kw_only=True)
class MapView:
    """Where a map stands on its page and what it shows.

    page_pt: width and height of the page; bbox_pt: left, bottom, right, top of the map window, points from the lower left corner;
    bounds_m: west, south, east, north of the window, frame metres; denominator: of the scale.
    """

    page_pt: tuple[float, float]
    bbox_pt: tuple[float, float, float, float]
    bounds_m: tuple[float, float, float, float]
    denominator: int


def site_plan(book: PermitBook, paper: str, number: int, count: int, scale: int | None = None) -> tuple[Any, MapView]:
    """The lot with everything on it, every bore's governing distance drawn; gives the figure and where the map stands.

    scale: denominator wanted; left out, the largest that fits. Raises InputError when it does not fit.
    """
    window, column = _rooms(content_box(book, paper))
    bounds, size = _extent(book)
    room = (window.wide_in - 2 * RIM_IN, window.tall_in - 2 * RIM_IN)
    denominator = wanted_scale(scale, size, room, book.units)
    page = framed(book, paper, SITE_PLAN, number, count, scale_words(denominator, book.units))
    axes, view = _window(page, window, bounds, denominator)
    labels = Labels(axes=axes)
    layers.things(axes, book.things, labels)
    layers.zones(axes, book)
    layers.lot(axes, book, labels)
    layers.pads(axes, book, labels)
    layers.bores(axes, book.bores, labels)
    words = [f"{s.bearing}  {exact(s.length_m, book.units)}" for s in book.lot.sides]
    short = layers.sides(axes, book, labels, words)
    layers.bore_names(book.bores, labels)
    missing = layers.dimensions(axes, book.bores, labels, [_figure(b.governing, book.units) for b in book.bores])
    others = _other_distances(book)
    layers.more_dimensions(axes, others, labels, [_figure(r, book.units) for r in others])
    layers.corner_numbers(axes, book, labels)
    layers.letters(axes, book.things, labels)
    for pad in book.pads:
        layers.labels_pad(pad, labels)
    layers.names(axes, book.things, labels)
    layers.zone_names(axes, book, labels, _zone_words(book))
    side = Side(page=page, box=column, book=book, per_inch_m=denominator * INCH_M)
    legend_site(side)
    side.bar(scale_words(denominator, book.units))
    side.north()
    side.sides([f"{n + 1} to {(n + 1) % len(words) + 1}: {words[n]}" for n in short])
    side.left_out(labels.left_out)
    side.bores([(b, _figure(b.governing, book.units)) for b in book.bores], missing)
    return page.done(), view


def _extent(book: PermitBook) -> tuple[Any, tuple[float, float]]:
    """Bounds of what the site plan must show, and their width and height in metres."""
    bounds = shapely.total_bounds(
        [book.lot.polygon, *book.pads, *(shapely.LineString(b.xyz[:, :2]) for b in book.bores)]
    )
    return bounds, (float(bounds[2] - bounds[0]), float(bounds[3] - bounds[1]))


def usual_paper(book: PermitBook, scale: int | None = None) -> str:
    """Paper for a book when nobody names one: the first on which the lot fits at the scale, or at a usual one."""
    units = "us" if book.units == "us" else "metric"
    _, size = _extent(book)
    for paper in USUAL_PAPER[units]:
        window, _ = _rooms(content_box(book, paper))
        room = (window.wide_in - 2 * RIM_IN, window.tall_in - 2 * RIM_IN)
        if fits(size, room, scale or SCALES[units][-1]):
            return paper
    return USUAL_PAPER[units][-1]


def surroundings(book: PermitBook, paper: str, number: int, count: int) -> tuple[Any, MapView]:
    """The lot, its bores and everything in the search radius round it, at the largest scale that shows the whole radius."""
    window, column = _rooms(content_box(book, paper))
    circle = shapely.buffer(book.lot.polygon, book.map_radius_m, quad_segs=32)
    bounds = shapely.total_bounds([circle])
    size = (float(bounds[2] - bounds[0]), float(bounds[3] - bounds[1]))
    denominator = best_scale(size, (window.wide_in - 0.2, window.tall_in - 0.2), book.units, smaller=True)
    page = framed(book, paper, SURROUNDINGS, number, count, scale_words(denominator, book.units))
    axes, view = _window(page, window, bounds, denominator)
    labels = Labels(axes=axes)
    layers.things(axes, book.things, labels)
    layers.lot(axes, book, labels, thin=True)
    patch(axes, circle, fc="none", ec="black", lw=1.0, ls=(0, (6, 4)), zorder=7)
    layers.pads(axes, book, labels)
    layers.bores(axes, book.bores, labels, thin=True)
    layers.letters(axes, book.things, labels)
    layers.names(axes, book.things, labels)
    top = shapely.get_coordinates(circle)
    at = top[int(np.argmax(top[:, 1]))]
    labels.put(
        float(at[0]), float(at[1]), f"{length_text(book.map_radius_m, book.units, 0)} from the lot line", reach=8
    )
    side = Side(page=page, box=column, book=book, per_inch_m=denominator * INCH_M)
    legend_surroundings(side)
    side.bar(scale_words(denominator, book.units))
    side.north()
    side.radius()
    side.left_out(labels.left_out)
    return page.done(), view


def exact(metres: float, units: str) -> str:
    """Length of a side to a hundredth.

    >>> exact(30.48, "us"), exact(30.48, "metric")
    ("100.00'", '30.48 m')
    """
    return f"{metres / FT_M:.2f}'" if units == "us" else f"{metres:.2f} m"


def _other_distances(book: PermitBook) -> list[SetbackRow]:
    """For every thing that no bore's own dimension leads to, the row of the office's table with the least margin in plan."""
    told = {b.governing.feature_id or b.governing.kind for b in book.bores if b.governing is not None}
    best: dict[str, SetbackRow] = {}
    for row in book.table:
        name = row.feature_id or row.kind
        plan = row.basis == "plan" and row.dimension is not None and row.margin is not None and row.required > 0
        if plan and name not in told and row.outcome != "not_applicable":
            kept = best.get(name)
            if kept is None or (row.margin or 0.0) < (kept.margin or 0.0):
                best[name] = row
    return list(best.values())


def _figure(row: SetbackRow | None, units: str) -> str:
    """Figure of a dimension with the sign of its outcome and what it was measured to."""
    if row is None or row.provided is None:
        return ""
    sign = tokens.OUTCOME[row.outcome].sign
    if row.provided < 0:
        return f"{sign} {length_text(-row.provided, units)} outside"
    return f"{sign} {length_text(row.provided, units)}"


def _zone_words(book: PermitBook) -> list[tuple[ZonePlan, str]]:
    """Largest zone of every rule and distance on the lot, with the words that stand in it."""
    best: dict[tuple[str, float], tuple[float, ZonePlan]] = {}
    for zone in book.zones:
        key = (zone.rule_id, round(zone.distance_m, 3))
        area = float(shapely.area(shapely.intersection(zone.polygon, book.lot.polygon)))
        if area > 0 and (key not in best or area > best[key][0]):
            best[key] = (area, zone)
    return [(z, f"{short_length(z.distance_m, book.units)}, {z.rule_id.replace('/', ': ')}") for _, z in best.values()]


def _rooms(box: Box) -> tuple[Box, Box]:
    """Map window on the left, column on the right of the content's room."""
    wide = min(max(SIDE_SHARE * box.wide_in, SIDE_IN[0]), SIDE_IN[1])
    window = Box(box.x_in + GAP_IN, box.y_in + GAP_IN, box.wide_in - wide - 3 * GAP_IN, box.tall_in - 2 * GAP_IN)
    return window, Box(window.right_in + GAP_IN, window.y_in, wide, window.tall_in)


def _window(page: PermitPaper, window: Box, bounds: Any, denominator: int) -> tuple[Any, MapView]:
    """Axes of the map, their limits exactly the window's size on the ground, centred on bounds."""
    axes = page.axes(window.x_in, window.y_in, window.wide_in, window.tall_in)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
    half = np.array([window.wide_in, window.tall_in]) * INCH_M * denominator / 2
    middle = np.array([(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2])
    low, high = middle - half, middle + half
    axes.set_autoscale_on(False)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    place = axes.get_position()
    wide, tall = page.wide_in * 72, page.tall_in * 72
    return axes, MapView(
        page_pt=(wide, tall),
        bbox_pt=tuple(float(v) for v in (place.x0 * wide, place.y0 * tall, place.x1 * wide, place.y1 * tall)),  # type: ignore[arg-type]
        bounds_m=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        denominator=denominator,
    )
