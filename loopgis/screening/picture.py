"""The town on one picture: every parcel by its outcome, with counts, scale, north and all cautions."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.screening.model import MEANING, OUTCOMES
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.figure import FONT, LARGE, NORMAL, SMALL, round_step, save, sheet

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

WIDTH_IN, HEIGHT_IN = 11.0, 8.5
LINE_CHARACTERS = 54
MANY = 20_000
"""With more parcels than this their edges are left out: they would cover the map."""
FILL: dict[str, tuple[str, str]] = {
    "fits": (tokens.OUTCOME["pass"].colour, ""),
    "tight": (tokens.OUTCOME["pass_thin"].colour, "...."),
    "does_not_fit": (tokens.OUTCOME["fail"].colour, "////"),
    "not_judged": (tokens.PAPER, "xxxx"),
}
"""Colour and hatch by outcome: nothing is told by colour alone."""


def draw(
    path: Path,
    parts: Sequence[tuple[NDArray[np.object_], Any]],
    outcomes: dict[str, int],
    name: str,
    *,
    degrees: bool = False,
    metres_per_unit: float = 1.0,
) -> None:
    """Write the picture as PNG. parts: outlines and their outcomes; degrees: coordinates are longitude and latitude."""
    figure = sheet(WIDTH_IN, HEIGHT_IN)
    axes = figure.add_axes((0.02, 0.03, 0.64, 0.9))
    axes.set_axis_off()
    bounds = _view(parts)
    if bounds is not None:
        _parcels(axes, parts, many=sum(outcomes.values()) > MANY)
        middle = math.radians((bounds[1] + bounds[3]) / 2)
        wide = math.cos(middle) if degrees else 1.0
        axes.set_aspect(1 / max(wide, 0.05))
        axes.set_xlim(bounds[0], bounds[2])
        axes.set_ylim(bounds[1], bounds[3])
        _scale(axes, bounds, 111_320.0 * wide if degrees else metres_per_unit)
    _words(figure, outcomes, name)
    save(figure, path)


def _view(parts: Sequence[tuple[NDArray[np.object_], Any]]) -> tuple[float, float, float, float] | None:
    """Bounds of the town, lots that lie far off left out."""
    boxes = np.vstack([shapely.bounds(outlines.astype(object)) for outlines, _ in parts])
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return None
    middle = np.column_stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)])
    low, high = np.percentile(middle, [25, 75], axis=0)
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    near = (np.abs(middle - (low + high) / 2) <= 6 * (high - low) + 20 * size).all(axis=1)
    x0, y0 = boxes[near, :2].min(axis=0)
    x1, y1 = boxes[near, 2:].max(axis=0)
    edge = 0.02 * max(x1 - x0, y1 - y0)
    return float(x0 - edge), float(y0 - edge), float(x1 + edge), float(y1 + edge)


def _parcels(axes: Any, parts: Sequence[tuple[NDArray[np.object_], Any]], *, many: bool) -> None:
    from matplotlib.collections import PathCollection  # noqa: PLC0415
    from matplotlib.path import Path as Outline  # noqa: PLC0415

    for outcome in OUTCOMES:
        paths = []
        for outlines, table in parts:
            said = np.array(table.column("outcome").to_pylist(), dtype=object)
            for shape in outlines[said == outcome]:
                if shape is not None:
                    rings = [r for p in shape.geoms for r in (p.exterior, *p.interiors)]
                    paths.append(
                        Outline.make_compound_path(*(Outline(shapely.get_coordinates(r), closed=True) for r in rings))
                    )
        fill, hatch = FILL[outcome]
        edge = "none" if many and not hatch else tokens.TEXT_SOFT
        axes.add_collection(
            PathCollection(
                paths, facecolors=fill, edgecolors=edge, linewidths=0.0 if many else 0.3, hatch="" if many else hatch
            )
        )


def _scale(axes: Any, bounds: tuple[float, float, float, float], metres: float) -> None:
    """Scale bar and north arrow, below the map on the left."""
    width = (bounds[2] - bounds[0]) * metres
    length_m, value, word = round_step(0.25 * width, "metric")
    x, y = bounds[0] + 0.02 * (bounds[2] - bounds[0]), bounds[1] + 0.02 * (bounds[3] - bounds[1])
    axes.plot([x, x + length_m / metres], [y, y], color=tokens.TEXT, lw=2.5, solid_capstyle="butt", zorder=9)
    text = {"fontsize": SMALL, "family": FONT, "color": tokens.TEXT, "ha": "left", "va": "bottom", "zorder": 10}
    box = {"facecolor": tokens.PAPER, "edgecolor": "none", "pad": 1.0}
    axes.text(x, y + 0.008 * (bounds[3] - bounds[1]), f"{value:g} {word}, north is up", bbox=box, **text)


def _words(figure: Any, outcomes: dict[str, int], name: str) -> None:
    from matplotlib.patches import Rectangle  # noqa: PLC0415

    total = sum(outcomes.values())
    how = {"family": FONT, "color": tokens.TEXT, "va": "top", "ha": "left", "parse_math": False}
    figure.text(
        0.02, 0.985, f"{name}: {total:,} parcels screened for bored loops", fontsize=LARGE, fontweight="bold", **how
    )
    y = 0.92
    for outcome in OUTCOMES:
        fill, hatch = FILL[outcome]
        figure.add_artist(
            Rectangle((0.68, y - 0.022), 0.028, 0.022, facecolor=fill, edgecolor=tokens.TEXT_SOFT, hatch=hatch, lw=0.5)
        )
        share = outcomes[outcome] / total if total else 0.0
        figure.text(
            0.715, y, f"{outcomes[outcome]:,} ({100 * share:.0f} %): {MEANING[outcome]}", fontsize=NORMAL, **how
        )
        y -= 0.035
    y -= 0.01
    for caution in CAUTIONS:
        lines = textwrap.wrap(caution, LINE_CHARACTERS)
        figure.text(0.68, y, "\n".join(lines), fontsize=SMALL, linespacing=1.25, **how)
        y -= 0.0155 * len(lines) + 0.012
