"""The site in three dimensions for the review page: ground, lot line, blocks, water, lines in the ground, zones, as bare figures.

All coordinates are in the site's units, x east, y north, z up from the raster's datum. A body is a table of points and triangles.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.units import length_text
from loopgis.rules.zones import assumed_depth_m
from loopgis.sheets import figure, tokens
from loopgis.sheets.plan_layers import for_bores
from loopgis.sheets.review_chart import METRE
from loopgis.sheets.review_words import said

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.rules.model import Zone
    from loopgis.site.model import Feature, Site

    Array = NDArray[np.float64]

CELLS = 60
"""Cells of the ground along each side."""
ROOM_M = 8.0
"""Ground shown beyond the lot."""
DRAPE_M = 2.5
"""Lines on the ground follow it from point to point so far apart."""
LIFT_M = 0.12
"""What lies on the ground is drawn so much above it, so that it shows."""
BLOCK_M = 4.0
"""Height of a building's block; the real one is not known. House choice."""
USUAL_M = 130.0
"""On lots that are longer than this across, everything is drawn so much coarser."""
CUT_M = 8.0
"""Areas on the ground are cut into pieces of this size, so that they follow it."""
DEEP_M = 6.0
"""Zones that are closed at every depth are drawn down to this depth below the ground."""
HATCH_M, HATCH_LINES = 3.0, 60
"""Hatch on closed ground: apart at least, and lines at most."""
LETTER_M = 18.0
"""A line's letter comes back so far apart."""
MOST_NAMES = 60
DASHES = 36
MOST_CONTOURS, FLATTEST = 24, 0.05
"""Contour lines at most, and the fall, in the site's unit, under which none are drawn."""


def scene_data(site: Site, zones: Sequence[Zone]) -> dict[str, Any]:
    """Everything of the site that the page's scene shows, the same for all its layouts."""
    bounds = _bounds(site)
    light, z = figure.shade(site, bounds, CELLS)
    factor = METRE[site.spec.units][0]
    ground = _Ground(site, float(np.nanmean(z)) if np.isfinite(z).any() else 0.0, factor)
    frame = shapely.box(*bounds)
    return {
        "ground": {
            "x": _plain(np.linspace(bounds[0], bounds[2], CELLS) * factor),
            "y": _plain(np.linspace(bounds[1], bounds[3], CELLS) * factor),
            "z": [_plain(row * factor) for row in z],
            "light": [_plain(np.where(np.isfinite(row), row, np.nan)) for row in light],
            "flat": site.terrain.flat,
        },
        "contours": [] if site.terrain.flat else _contours(bounds, z, site.spec.units, ground),
        "lot": [ground.line(d) for r in (site.parcel.exterior, *site.parcel.interiors) for d in _dashes(r)],
        "outline": [_plain(v * factor) for v in shapely.get_coordinates(site.parcel.exterior).T],
        "blocks": [b for f in site.buildings for b in _blocks(ground, f, frame)],
        "areas": [a for f in site.features for a in _areas(ground, f, frame)],
        "lines": [v for f in site.features for v in _lines(ground, f, frame)],
        "points": [v for f in site.features for v in _points(ground, f, frame)],
        "names": _names(ground, site, frame),
        "zones": _zones(ground, site, zones),
        "bar": ground.bar(bounds, site.spec.units),
        "notes": {
            "block": f"buildings as blocks {length_text(BLOCK_M, site.spec.units, 0)} high, whatever their real height",
            "deep": f"closed at every depth, drawn {length_text(DEEP_M, site.spec.units, 0)} deep",
        },
    }


def _dashes(ring: BaseGeometry) -> list[BaseGeometry]:
    """A lot line as surveyors draw it: long dash and two dots, about DASHES times round."""
    from shapely.ops import substring  # noqa: PLC0415

    unit = ring.length / DASHES / sum(tokens.LOT_DASH)
    ends = np.cumsum(np.tile(tokens.LOT_DASH, DASHES)) * unit
    starts = np.r_[0.0, ends[:-1]]
    return [substring(ring, a, b) for a, b in zip(starts[::2], ends[::2], strict=True)]


def _contours(bounds: tuple[float, float, float, float], z: Array, units: str, ground: _Ground) -> list[Any]:
    """Contour lines as x, y and z, at round heights, MOST_CONTOURS at most."""
    from contourpy import contour_generator  # noqa: PLC0415 - comes with matplotlib

    heights = z * ground.factor
    known = heights[np.isfinite(heights)]
    if not len(known) or np.ptp(known) < FLATTEST:
        return []
    step = figure.round_step(float(np.ptp(known)) / ground.factor / MOST_CONTOURS * 2.5, units)[1]
    x, y = np.linspace(bounds[0], bounds[2], z.shape[1]), np.linspace(bounds[1], bounds[3], z.shape[0])
    lines = contour_generator(x, y, np.ma.masked_invalid(heights))
    found = []
    for level in np.arange(math.ceil(float(known.min()) / step), math.floor(float(known.max()) / step) + 1) * step:
        for part in lines.lines(float(level)):
            xy = (
                shapely.get_coordinates(shapely.simplify(shapely.LineString(part), 0.1 * ground.coarse)) * ground.factor
            )
            found.append([_plain(xy[:, 0]), _plain(xy[:, 1]), _plain(np.full(len(xy), level + LIFT_M * ground.factor))])
    return found


def _bounds(site: Site) -> tuple[float, float, float, float]:
    left, low, right, top = site.parcel.bounds
    return left - ROOM_M, low - ROOM_M, right + ROOM_M, top + ROOM_M


class _Ground:
    """Puts things on the ground of a site, in its units; where the raster knows nothing the mean height stands in."""

    def __init__(self, site: Site, mean_m: float, factor: float) -> None:
        """Remember the terrain; factor: units to a metre."""
        self.site, self.mean_m, self.factor = site, mean_m, factor
        left, low, right, top = site.parcel.bounds
        self.coarse = max(1.0, math.hypot(right - left, top - low) / USUAL_M)

    def z_m(self, xy: Array) -> Array:
        """Ground under points, metres."""
        z = self.site.terrain.at(xy[:, 0], xy[:, 1])
        found: Array = np.where(np.isfinite(z), z, self.mean_m)
        return found

    def line(self, line: BaseGeometry, below_m: float = -LIFT_M) -> list[list[float | None]]:
        """x, y and z along a line that follows the ground, below_m under it."""
        xy = shapely.get_coordinates(shapely.segmentize(line, DRAPE_M * self.coarse))
        return [_plain(v * self.factor) for v in (xy[:, 0], xy[:, 1], self.z_m(xy) - below_m)]

    def point(self, x: float, y: float, above_m: float = 0.0) -> list[float | None]:
        """One place on the ground, or above it."""
        z = self.z_m(np.array([[x, y]]))[0] + above_m
        return _plain(np.array([x, y, z]) * self.factor)

    def cover(self, area: BaseGeometry, above_m: float = LIFT_M) -> dict[str, Any]:
        """An area that lies on the ground."""
        pieces = _cut(area, CUT_M * self.coarse)
        xy, triangles = _triangles(pieces)
        return self.body(np.column_stack([xy, self.z_m(xy) + above_m]), triangles)

    def prism(self, area: Polygon, *, top_m: Array | float | None, bottom_m: float | None) -> dict[str, Any]:
        """A body with upright walls.

        top_m: its top's height, None: the ground; bottom_m: below the ground; None with a given top: that stands on the ground.
        """
        points: list[Array] = []
        triangles: list[NDArray[np.int64]] = []
        count = 0

        def add(xyz: Array, corners: NDArray[np.int64]) -> None:
            nonlocal count
            points.append(xyz)
            triangles.append(corners + count)
            count += len(xyz)

        def heights(xy: Array) -> tuple[Array, Array]:
            ground = self.z_m(xy)
            top = ground + LIFT_M if top_m is None else np.broadcast_to(np.asarray(top_m, dtype=float), ground.shape)
            low = ground - (bottom_m or 0.0) if top_m is None else ground
            return top, low

        for ring in (area.exterior, *area.interiors):
            xy = shapely.get_coordinates(shapely.segmentize(ring, 2 * DRAPE_M * self.coarse))
            top, low = heights(xy)
            n = len(xy)
            i = np.arange(n - 1)
            walls = np.vstack([np.column_stack([i, i + 1, n + i]), np.column_stack([i + 1, n + i + 1, n + i])])
            add(np.vstack([np.column_stack([xy, top]), np.column_stack([xy, low])]), walls)
        xy, caps = _triangles([area] if top_m is not None else _cut(area, CUT_M * self.coarse))
        top, low = heights(xy)
        add(np.column_stack([xy, top]), caps)
        if top_m is None:
            add(np.column_stack([xy, low]), caps)
        return self.body(np.vstack(points), np.vstack(triangles))

    def body(self, xyz: Array, triangles: NDArray[np.int64]) -> dict[str, Any]:
        """Points and triangles as the page wants them."""
        xyz = xyz * self.factor
        return {k: _plain(xyz[:, n]) for n, k in enumerate("xyz")} | {
            k: triangles[:, n].tolist() for n, k in enumerate("ijk")
        }

    def bar(self, bounds: tuple[float, float, float, float], units: str) -> dict[str, Any]:
        """A scale bar along the south edge and an arrow to the north at the west edge."""
        length_m, value, word = figure.round_step((bounds[2] - bounds[0]) / 4, units)
        south = bounds[1] + 0.02 * (bounds[3] - bounds[1])
        bar = shapely.LineString([(bounds[0] + 2, south), (bounds[0] + 2 + length_m, south)])
        reach = 0.12 * (bounds[3] - bounds[1])
        north = shapely.LineString([(bounds[0] + 2, south + 4), (bounds[0] + 2, south + 4 + reach)])
        return {"line": self.line(bar, -0.3), "words": f"{value:g} {word}", "north": self.line(north, -0.3)}


def _cut(area: BaseGeometry, step_m: float) -> list[Polygon]:
    """Pieces of an area, step_m at most."""
    pieces: list[Polygon] = []
    for part in _polygons(area):
        left, low, right, top = part.bounds
        step = max(step_m, max(right - left, top - low) / 24)
        x, y = np.arange(left, right, step), np.arange(low, top, step)
        cells = shapely.box(*(v.ravel() for v in np.meshgrid(x, y)), *(v.ravel() + step for v in np.meshgrid(x, y)))
        pieces += [p for c in shapely.intersection(cells, part) for p in _polygons(c)]
    return pieces


def _triangles(areas: Sequence[Polygon]) -> tuple[Array, NDArray[np.int64]]:
    """Corners (3 n, 2) of triangles that fill polygons, and their numbers (n, 3)."""
    found = shapely.get_parts(shapely.constrained_delaunay_triangles(np.array(areas, dtype=object)))
    found = found[shapely.area(found) > 1e-9]
    if not len(found):
        return np.zeros((0, 2)), np.zeros((0, 3), dtype=np.int64)
    corners = shapely.get_coordinates(found).reshape(len(found), 4, 2)[:, :3]
    return corners.reshape(-1, 2), np.arange(3 * len(found)).reshape(-1, 3)


def _polygons(geometry: BaseGeometry) -> list[Polygon]:
    """Its polygons; lines and points that were left at an edge fall away."""
    return [p for p in shapely.get_parts(shapely.make_valid(geometry), return_index=False).tolist() if _is_area(p)] or [
        q for p in shapely.get_parts(geometry).tolist() for q in shapely.get_parts(p).tolist() if _is_area(q)
    ]


def _is_area(geometry: BaseGeometry) -> bool:
    return geometry.geom_type == "Polygon" and not geometry.is_empty and geometry.area > 1e-6


def _blocks(ground: _Ground, f: Feature, frame: Polygon) -> Iterator[dict[str, Any]]:
    for part in _polygons(shapely.intersection(f.geometry, frame)):
        xy = shapely.get_coordinates(part.exterior)
        top = float(np.max(ground.z_m(xy))) + BLOCK_M
        edges = [shapely.get_coordinates(r) for r in (part.exterior, *part.interiors)]
        yield ground.prism(part, top_m=top, bottom_m=None) | {
            "name": said(f.label or "building", 40),
            "edges": [
                [
                    _plain(v)
                    for v in (r[:, 0] * ground.factor, r[:, 1] * ground.factor, np.full(len(r), top * ground.factor))
                ]
                for r in edges
            ],
        }


def _areas(ground: _Ground, f: Feature, frame: Polygon) -> Iterator[dict[str, Any]]:
    """Water, drives and the like that lie on the ground."""
    style = tokens.kind_style(f.kind)
    for part in _polygons(shapely.intersection(f.geometry, frame)):
        fill = style.fill if not style.letter and style.fill != "none" else ""
        yield {
            "name": said(f.label or f.kind.replace("_", " "), 40),
            "colour": style.colour,
            "fill": fill,
            "dash": bool(style.dash),
            "body": ground.cover(part) if fill else None,
            "edges": [ground.line(r, -2 * LIFT_M) for r in (part.exterior, *part.interiors)],
        }


def _lines(ground: _Ground, f: Feature, frame: Polygon) -> Iterator[dict[str, Any]]:
    """Lines at their depth, with places where their letter stands."""
    style, (depth_m, known) = tokens.kind_style(f.kind), assumed_depth_m(f)
    for part in shapely.get_parts(shapely.intersection(f.geometry, frame)).tolist():
        if part.geom_type not in {"LineString", "LinearRing"} or part.length <= 0:
            continue
        below = depth_m if style.letter else -LIFT_M
        count = max(1, round(part.length / (LETTER_M * ground.coarse)))
        marks = shapely.line_interpolate_point(part, (np.arange(count) + 0.5) / count, normalized=True)
        xy = shapely.get_coordinates(marks)
        yield {
            "name": said(f.label or f.kind.replace("_", " "), 40),
            "letter": style.letter,
            "colour": style.colour,
            "known": known,
            "line": ground.line(part, below),
            "letters": [ground.point(float(x), float(y), -below) for x, y in xy] if style.letter else [],
            "told": f"{length_text(depth_m, ground.site.spec.units)} deep" + ("" if known else ", assumed"),
        }


def _points(ground: _Ground, f: Feature, frame: Polygon) -> Iterator[dict[str, Any]]:
    for part in shapely.get_parts(shapely.intersection(f.geometry, frame)).tolist():
        if part.geom_type == "Point" and not part.is_empty:
            style = tokens.kind_style(f.kind)
            name = said(f.label or f.kind.replace("_", " "), 40)
            yield {"name": name, "colour": style.colour, "at": ground.point(part.x, part.y, 0.3)}


def _names(ground: _Ground, site: Site, frame: Polygon) -> list[dict[str, Any]]:
    """What people call the areas and buildings, over them."""
    found = []
    for f in site.all_features():
        inside = shapely.intersection(f.geometry, frame)
        if f.label and not inside.is_empty and f.geometry.geom_type in {"Polygon", "MultiPolygon"}:
            at = shapely.point_on_surface(inside)
            high = BLOCK_M + 1.5 if f.kind == "building" else 1.0
            found.append({"name": said(f.label, 28), "at": ground.point(at.x, at.y, high)})
    return found[:MOST_NAMES]


def _zones(ground: _Ground, site: Site, zones: Sequence[Zone]) -> list[dict[str, Any]]:
    """Ground closed to bores at every depth, and down to each depth that is asked, as bodies with their hatch."""
    mine, units = for_bores(zones), site.spec.units
    shut = shapely.intersection(shapely.union_all([z.polygon for z in mine if z.closed]), site.parcel)
    groups: list[tuple[str, float, BaseGeometry, bool]] = []
    if not shut.is_empty:
        groups.append(("closed at every depth", DEEP_M, shut, True))
    depths = sorted({round(z.required_depth_m or 0.0, 1) for z in mine if not z.closed}, reverse=True)
    taken = shut
    for depth in depths:  # the deepest first: what lies under it asks for less and is left out there
        asks = [z.polygon for z in mine if not z.closed and round(z.required_depth_m or 0.0, 1) == depth]
        area = shapely.difference(shapely.intersection(shapely.union_all(asks), site.parcel), taken)
        taken = shapely.union(taken, area)
        groups.append((f"below {length_text(depth, units)}", depth, area, False))
    found = []
    for words, depth, area, closed in groups:
        parts = [p for p in _polygons(shapely.simplify(area, 0.05 * ground.coarse)) if p.area > 0.2]
        if not parts:
            continue
        at = [shapely.point_on_surface(p) for p in sorted(parts, key=lambda p: -p.area)[:1]]
        found.append(
            {
                "words": words,
                "closed": closed,
                "bodies": [ground.prism(p, top_m=None, bottom_m=depth) for p in parts],
                "edges": [ground.line(r, -LIFT_M) for p in parts for r in (p.exterior, *p.interiors)],
                "hatch": _hatch(ground, parts) if closed else [],
                "at": [ground.point(p.x, p.y, 1.5) for p in at],
            }
        )
    return found


def _hatch(ground: _Ground, parts: Sequence[Polygon]) -> list[list[list[float | None]]]:
    """Diagonal lines over closed ground."""
    whole = shapely.union_all(list(parts))
    left, low, right, top = whole.bounds
    reach = top - low
    span = right - left + reach
    count = int(min(HATCH_LINES, max(4, span / (HATCH_M * 1.414))))
    offsets = left - reach + (np.arange(count) + 0.5) / count * span
    strokes = [shapely.LineString([(x, low), (x + reach, top)]) for x in offsets]
    pieces = shapely.get_parts(shapely.intersection(np.array(strokes), whole))
    pieces = shapely.get_parts(pieces)
    return [ground.line(p) for p in pieces.tolist() if p.geom_type == "LineString" and p.length > 0.5]


def _plain(values: Array) -> list[float | None]:
    """Figures to two decimals, None for what is none."""
    return [round(v, 2) + 0.0 if np.isfinite(v) else None for v in np.asarray(values, dtype=float).tolist()]
