"""Shared drawing helpers: a canvas without a screen, hillshade, text that keeps out of the way of other text."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np

from loopgis.core.units import FT_M
from loopgis.sheets import tokens

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

    from loopgis.site.model import Site

    Box = tuple[float, float, float, float]

DPI = 150
FONT = "DejaVu Sans"
SMALL, NORMAL, LARGE = 7.0, 8.0, 11.0
"""Type sizes, points; nothing is set smaller than 7."""
SUN_AZIMUTH_DEG, SUN_HEIGHT_DEG, RELIEF = 315.0, 45.0, 3.0
"""Hillshade: light from the north-west at half height, slopes drawn three times steeper so that lawns show their lie."""
FAR_PX = 30.0
"""A text that had to move farther than this gets a leader."""

_SHADES: WeakKeyDictionary[Site, dict[Box, tuple[NDArray[np.float64], NDArray[np.float64]]]] = WeakKeyDictionary()


def sheet(width_in: float, height_in: float) -> Any:
    """Empty matplotlib figure on the Agg canvas, DPI dots per inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor=tokens.PAPER)
    FigureCanvasAgg(figure)
    return figure


def save(figure: Any, path: Path) -> None:
    """Write PNG or PDF by suffix, without dates or names of programs, so that the same layout gives the same bytes."""
    if path.suffix == ".pdf":
        figure.savefig(path, metadata={"CreationDate": None, "Producer": None, "Creator": None})
    else:
        figure.savefig(path, metadata={"Software": None}, pil_kwargs={"compress_level": 4})


def shade(site: Site, bounds: Box, cells: int = 260) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hillshade (0 dark .. 1 light) and ground heights in metres on a square grid over bounds, rows going north; kept per site."""
    kept = _SHADES.setdefault(site, {})
    if bounds not in kept:
        kept[bounds] = _shade(site, bounds, cells)
    return kept[bounds]


def _shade(site: Site, bounds: Box, cells: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x = np.linspace(bounds[0], bounds[2], cells)
    y = np.linspace(bounds[1], bounds[3], cells)
    z = site.terrain.at(*np.meshgrid(x, y))
    gy, gx = np.gradient(z, y[1] - y[0], x[1] - x[0])
    slope, facing = np.arctan(RELIEF * np.hypot(gx, gy)), np.arctan2(-gx, -gy)
    sun, height = math.radians(SUN_AZIMUTH_DEG), math.radians(SUN_HEIGHT_DEG)
    light = math.sin(height) * np.cos(slope) + math.cos(height) * np.sin(slope) * np.cos(sun - facing)
    return np.clip(light / math.sin(height), 0.0, 1.3) / 1.3, z


def ground_colours() -> Any:
    """Colour map of the hillshade: warm light greys."""
    from matplotlib.colors import LinearSegmentedColormap  # noqa: PLC0415

    return LinearSegmentedColormap.from_list("ground", [tokens.GROUND_DARKEST, tokens.GROUND_LIGHT])


def in_units(units: str) -> tuple[float, str]:
    """Metres per sheet unit, and its word."""
    return (FT_M, "ft") if units == "us" else (1.0, "m")


def round_step(length_m: float, units: str) -> tuple[float, float, str]:
    """Greatest round length (1, 2 or 5 times a power of ten) within length_m: metres, figure and word in the sheet's unit.

    >>> round_step(37.0, "metric")
    (20.0, 20.0, 'm')
    """
    factor, word = in_units(units)
    wish = max(length_m / factor, 1e-6)
    power: float = 10.0 ** math.floor(math.log10(wish))
    value = max(v for v in (1, 2, 5) if v == 1 or v * power <= wish) * power
    return value * factor, value, word


@dataclass(frozen=True)
class TextStyle:
    """How a text is set: size in points (7 at least), colour, weight."""

    size: float = SMALL
    colour: str = tokens.TEXT
    bold: bool = False


PLAIN = TextStyle()


@dataclass(eq=False)
class Labels:
    """Places for texts on one axes: a text goes to the nearest place where its box hits nothing that stands there already.

    Boxes are pixels (left, bottom, right, top). hard: must never be covered (texts, marks); soft: better not (lines).
    left_out: texts for which no place was found.
    """

    axes: Any
    hard: list[Box] = field(default_factory=list)
    soft: list[Box] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def block(self, x: float, y: float, half_px: float) -> None:
        """Keep texts off a mark at a data point."""
        px, py = self.axes.transData.transform((x, y))
        self.hard.append((px - half_px, py - half_px, px + half_px, py + half_px))

    def block_area(self, box: Box) -> None:
        """Keep texts off a box given in data units."""
        corners = self.axes.transData.transform([box[:2], box[2:]])
        self.hard.append((*corners.min(axis=0), *corners.max(axis=0)))

    def block_line(self, x: ArrayLike, y: ArrayLike, half_px: float = 4.0) -> None:
        """Ask texts to stay off a line if they can."""
        points = self.axes.transData.transform(np.column_stack([x, y]))
        along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
        at = np.arange(0.0, along[-1] + 1e-9, 2 * half_px)
        for px, py in zip(np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1]), strict=True):
            self.soft.append((px - half_px, py - half_px, px + half_px, py + half_px))

    def put(
        self,
        x: float,
        y: float,
        text: str,
        style: TextStyle = PLAIN,
        *,
        reach: int = 6,
        must: bool = True,
        tell: bool = True,
    ) -> bool:
        """Write a text near a data point, with a leader when it had to move far; False when there is no place for it.

        reach: how many rings of places are tried; must: lines may be covered when nothing else is left; tell: keep it in `left_out`
        when there is no place.
        """
        px, py = (float(v) for v in self.axes.transData.transform((x, y)))
        width, height = text_size(self.axes, text, style)
        for walls in (self.hard + self.soft, self.hard)[: 2 if must else 1]:
            held = np.array(walls or [(0.0, 0.0, -1.0, -1.0)])
            for cx, cy in _places(px, py, width, height, reach):
                area = (cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2)
                if self._free(area, held):
                    self.hard.append(area)
                    end = _nearest(px, py, area) if _off(px, py, area) > FAR_PX else None
                    _write(self.axes, (x, y), (cx, cy), text, style, leader_px=end)
                    return True
        if tell:
            self.left_out.append(text)
        return False

    def _free(self, area: Box, held: NDArray[np.float64]) -> bool:
        frame = self.axes.get_window_extent()
        if area[0] < frame.x0 + 2 or area[2] > frame.x1 - 2 or area[1] < frame.y0 + 2 or area[3] > frame.y1 - 2:
            return False
        hit = (area[0] < held[:, 2]) & (area[2] > held[:, 0]) & (area[1] < held[:, 3]) & (area[3] > held[:, 1])
        return not bool(hit.any())


def text_size(axes: Any, text: str, style: TextStyle) -> tuple[float, float]:
    """Width and height in pixels of a text of one or more lines, with a pixel or two of air."""
    from matplotlib.font_manager import FontProperties  # noqa: PLC0415

    font = FontProperties(family=FONT, size=style.size, weight="bold" if style.bold else "normal")
    renderer = axes.figure.canvas.get_renderer()
    lines = text.split("\n")
    width = max(renderer.get_text_width_height_descent(line, font, ismath=False)[0] for line in lines)
    return width + 6, len(lines) * style.size * 1.25 * DPI / 72 + 3


def _places(px: float, py: float, width: float, height: float, reach: int) -> Iterator[tuple[float, float]]:
    """Centres to try, nearest first: on the point, then beside, above and below it, in growing rings."""
    yield px, py
    for ring in range(1, reach):
        for turn in (0, 4, 2, 6, 1, 3, 5, 7, 8, 9, 10, 11):
            angle = turn * math.pi / 4 if turn < 8 else (turn - 8) * math.pi / 2 + math.pi / 8
            dx, dy = math.cos(angle), math.sin(angle)
            gap = 4 + (ring - 1) * 13
            yield px + dx * (width / 2 + gap), py + dy * (height / 2 + gap)


def _off(px: float, py: float, area: Box) -> float:
    """Distance of a point from a box, pixels."""
    return math.hypot(max(area[0] - px, 0, px - area[2]), max(area[1] - py, 0, py - area[3]))


def _nearest(px: float, py: float, area: Box) -> tuple[float, float]:
    """Point of a box that is nearest to a point, pixels."""
    return min(max(px, area[0]), area[2]), min(max(py, area[1]), area[3])


def _write(
    axes: Any,
    point: tuple[float, float],
    at_px: tuple[float, float],
    text: str,
    style: TextStyle,
    *,
    leader_px: tuple[float, float] | None,
) -> None:
    """Text at a place, and a leader from its edge to what it speaks of: one that ran under the text would read as a minus sign."""
    back = axes.transData.inverted()
    at = back.transform(at_px)
    if leader_px is not None:
        end = back.transform(leader_px)
        axes.plot([point[0], end[0]], [point[1], end[1]], color=style.colour, lw=0.5, zorder=18)
    plain_text(axes, (float(at[0]), float(at[1])), text, style)


SEARCHABLE = "searchable"
"""Label of a figure whose words stay words in a PDF: a copy under them draws the halo, for text with effects becomes outlines."""


def plain_text(axes: Any, at: tuple[float, float], text: str, style: TextStyle = PLAIN, **more: Any) -> Any:
    """Text centred on a data point with a white halo, no mathematics in it."""
    from matplotlib.patheffects import Stroke, withStroke  # noqa: PLC0415

    how: dict[str, Any] = {"ha": "center", "va": "center", "zorder": 20, "clip_on": True, "linespacing": 1.1} | more
    how |= {"fontsize": style.size, "color": style.colour, "family": FONT, "parse_math": False}
    how["fontweight"] = "bold" if style.bold else "normal"
    if axes.figure.get_label() != SEARCHABLE:
        return axes.text(*at, text, path_effects=[withStroke(linewidth=2.2, foreground="white")], **how)
    halo = [Stroke(linewidth=2.2, foreground="white")]
    axes.text(*at, text, path_effects=halo, gid="halo", **(how | {"zorder": how["zorder"] - 0.5}))
    return axes.text(*at, text, **how)
