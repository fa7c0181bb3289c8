"""Shared drawing helpers: a canvas without a screen, hillshade, round scales, labels that keep out of each other's way."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.units import FT_M
from loopgis.sheets import tokens

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.site.model import Site

DPI = 150
FONT = "DejaVu Sans"
SMALL, NORMAL, LARGE = 7.0, 8.0, 11.0
"""Type sizes, points; nothing is set smaller than 7."""


def sheet(width_in: float, height_in: float) -> Any:
    """Empty figure on the Agg canvas."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor=tokens.PAPER)
    FigureCanvasAgg(figure)
    return figure


def save(figure: Any, path: Path) -> None:
    """Write PNG or PDF by suffix, without dates or names of programs, so that bytes repeat."""
    if path.suffix == ".pdf":
        figure.savefig(path, metadata={"CreationDate": None, "Producer": None, "Creator": None})
    else:
        figure.savefig(path, metadata={"Software": None})


def shade(
    site: Site, bounds: tuple[float, float, float, float], cells: int = 260
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hillshade (0 dark .. 1 light, sun in the north-west at 45 degrees) and heights on a grid over bounds, rows going north."""
    xmin, ymin, xmax, ymax = bounds
    step = max(xmax - xmin, ymax - ymin) / cells
    x, y = np.arange(xmin, xmax + step, step), np.arange(ymin, ymax + step, step)
    xx, yy = np.meshgrid(x, y)
    z = site.terrain.at(xx, yy)
    gy, gx = np.gradient(z, step)
    steep = 3.0
    slope = np.arctan(steep * np.hypot(gx, gy))
    aspect = np.arctan2(-gx, gy)
    sun, height = math.radians(315), math.radians(45)
    light = np.sin(height) * np.cos(slope) + np.cos(height) * np.sin(slope) * np.cos(sun - aspect)
    return np.clip(light / np.sin(height), 0.0, 1.3) / 1.3, z


def ground_colours() -> Any:
    """Colour map of the hillshade, warm light greys."""
    from matplotlib.colors import LinearSegmentedColormap  # noqa: PLC0415

    return LinearSegmentedColormap.from_list("ground", [tokens.GROUND_DARKEST, tokens.GROUND_LIGHT])


def round_step(length_m: float, units: str, parts: int = 4) -> tuple[float, str]:
    """Round length near length_m / parts, in metres, and its words in the wanted units."""
    factor, word = (FT_M, "ft") if units == "us" else (1.0, "m")
    wish = length_m / parts / factor
    power = 10 ** math.floor(math.log10(max(wish, 1e-9)))
    value = max(v for v in (1, 2, 5, 10) if v * power <= wish * 1.0001 or v == 1) * power
    return value * factor, f"{value:g} {word}"


@dataclass(eq=False)
class Labels:
    """Places for texts on one axes: a text is put at the first offset where its box hits no box placed before."""

    axes: Any
    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)

    def block(self, x: float, y: float, half_px: float) -> None:
        """Keep texts away from a point."""
        px, py = self.axes.transData.transform((x, y))
        self.boxes.append((px - half_px, py - half_px, px + half_px, py + half_px))

    def put(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = SMALL,
        colour: str = tokens.TEXT,
        bold: bool = False,
        must: bool = True,
        reach: int = 7,
        box: bool = False,
    ) -> bool:
        """Write a text near a data point; with a leader when it had to move far. must: write it even where it overlaps."""
        px, py = self.axes.transData.transform((x, y))
        width = len(text) * size * 0.60 * DPI / 72 + 4
        height = size * 1.3 * DPI / 72 + 2
        for ring in range(reach):
            turns = 8 if ring else 1
            for turn in range(turns):
                angle = 2 * math.pi * turn / turns + math.pi / 4
                dx, dy = ring * 11 * math.cos(angle), ring * 8 * math.sin(angle)
                if ring:
                    dx += math.copysign(width / 2, dx) if abs(dx) > 4 else 0
                area = (px + dx - width / 2, py + dy - height / 2, px + dx + width / 2, py + dy + height / 2)
                if self._free(area):
                    self._write(x, y, px + dx, py + dy, text, size, colour, bold=bold, leader=ring > 2, box=box)
                    self.boxes.append(area)
                    return True
        if must:
            self.dropped.append(text)
        return False

    def _free(self, area: tuple[float, float, float, float]) -> bool:
        frame = self.axes.get_window_extent()
        if area[0] < frame.x0 or area[2] > frame.x1 or area[1] < frame.y0 or area[3] > frame.y1:
            return False
        return not any(area[0] < b[2] and area[2] > b[0] and area[1] < b[3] and area[3] > b[1] for b in self.boxes)

    def _write(
        self,
        x: float,
        y: float,
        px: float,
        py: float,
        text: str,
        size: float,
        colour: str,
        *,
        bold: bool,
        leader: bool,
        box: bool,
    ) -> None:
        from matplotlib.patheffects import withStroke  # noqa: PLC0415

        at = self.axes.transData.inverted().transform((px, py))
        if leader:
            self.axes.plot([x, at[0]], [y, at[1]], color=colour, lw=0.5, zorder=19)
        self.axes.text(
            at[0], at[1], text, fontsize=size, color=colour, ha="center", va="center", zorder=20, family=FONT,
            fontweight="bold" if bold else "normal", path_effects=[withStroke(linewidth=2.2, foreground="white")],
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": colour, "lw": 0.6} if box else None,
        )  # fmt: skip
