"""Profiles of the as-built: each bore as planned against as drilled, all to the same two scales."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.sheets import figure, tokens
from loopgis.sheets.built_plan import dead_line, ground_along
from loopgis.sheets.built_words import clipped, dead_rods, known, number, passed
from loopgis.sheets.figure import Labels, TextStyle
from loopgis.sheets.permit_flow import Strip

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from loopgis.field.book import BuiltBore, BuiltCrossing, BuiltLeg
    from loopgis.sheets.drill_paper import Paper

    Array = NDArray[np.float64]

TIMES = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
"""Vertical exaggerations that are drawn; more would mislead."""
TALL_IN = 1.55
"""Most height of what is drawn of the deepest bore."""
LEFT_IN, HEAD_IN, FOOT_IN = 0.42, 0.4, 0.42
"""Room for heights, over the ground for the crossings' words, under the lowest point for the distances."""
MOST_NAMED = 14
"""Crossings with their words on one profile; the table has them all."""
NUMBER = TextStyle(colour=tokens.INK)
BOLD = TextStyle(bold=True)


@dataclass(frozen=True)
class Scales:
    """Scales that all profiles of a book share: metres of length and of height in an inch, and how they compare."""

    across_m: float
    up_m: float

    @property
    def times(self) -> float:
        """Vertical exaggeration."""
        return self.across_m / self.up_m


def away(line: Array) -> Array:
    """Distance in plan from the beginning of a path, metres, along it."""
    if not len(line):
        return np.zeros(0)
    steps = np.diff(np.asarray(line, dtype=float)[:, :2], axis=0)
    return np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])


def rod_away(leg: BuiltLeg) -> Array:
    """Distance in plan of every rod of a leg, along its line."""
    line = np.asarray(leg.line, dtype=float)
    if len(line) < 2:
        return np.zeros(len(leg.rods))
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    station = np.array([r.station_m for r in leg.rods])
    last = station[-1] if len(station) else 0.0
    return np.asarray(np.interp(station, along * (last / along[-1] if along[-1] > 0 else 1.0), away(line)), dtype=float)


def _heights(bore: BuiltBore) -> Array:
    """Every height that is drawn."""
    parts = [np.asarray(bore.planned, dtype=float)[:, 2]] if len(bore.planned) else []
    for leg in bore.legs:
        parts += [np.asarray(leg.line, dtype=float)[:, 2], ground_along(leg)]
    every = np.concatenate(parts) if parts else np.zeros(1)
    every = every[np.isfinite(every)]
    return every if len(every) else np.zeros(1)


def scales(many: Iterable[BuiltBore], wide_in: float) -> Scales:
    """Scales that show the longest and the deepest of the bores."""
    bores = list(many)
    spans = [float(away(p)[-1]) for b in bores for p in (b.planned, *(leg.line for leg in b.legs)) if len(p)]
    across = max([*spans, 5.0]) * 1.01 / (wide_in - LEFT_IN)
    relief = max([float(np.ptp(_heights(b))) for b in bores] + [1.0])
    times = max((t for t in TIMES if relief / (across / t) <= TALL_IN), default=TIMES[0])
    return Scales(across, across / times)


def profile_strip(bore: BuiltBore, scale: Scales, units: str) -> Strip:
    """The profile of one bore as a strip of a page; stays with what comes after it."""
    heights = _heights(bore)
    low, high = float(heights.min()), float(heights.max())
    tall = (high - low) / scale.up_m + HEAD_IN + FOOT_IN

    def draw(page: Paper, x: float, y: float) -> None:
        _draw(page, bore, scale, units, (x, y), (low, high))

    return Strip(tall + 0.3, draw, keep=True)


def _draw(
    page: Paper, bore: BuiltBore, scale: Scales, units: str, at: tuple[float, float], heights: tuple[float, float]
) -> None:
    factor, word = figure.in_units(units)
    wide = page.room_in - LEFT_IN
    tall = (heights[1] - heights[0]) / scale.up_m + HEAD_IN + FOOT_IN - 0.12
    axes = page.axes(at[0] + LEFT_IN, at[1] + 0.03, wide, tall)
    bottom = heights[0] - (FOOT_IN - 0.12) * scale.up_m
    axes.set_autoscale_on(False)
    axes.set_xlim(-0.004 * wide * scale.across_m / factor, 0.996 * wide * scale.across_m / factor)
    axes.set_ylim(bottom / factor, (bottom + tall * scale.up_m) / factor)
    _ticks(axes, scale, factor)
    labels = Labels(axes)
    plan = np.asarray(bore.planned, dtype=float)
    if len(plan):
        axes.plot(away(plan) / factor, plan[:, 2] / factor, color=tokens.INK_LIGHT, lw=1.3, zorder=5)
    for leg in bore.legs:
        if leg.abandoned:
            _dead(axes, leg, factor, labels)
    if bore.leg is not None:
        _leg(axes, bore.leg, factor, labels)
        _crossings(axes, bore, bore.leg, units, labels)
    exact = f"{scale.times:g}"
    scaled = "drawn to the same scale as lengths" if scale.times == 1 else f"drawn {exact} times as large as lengths"
    words = (
        f"Profile, {word}: distance in plan from the entry; heights {scaled}. Light: as planned; dark: as drilled, dots:"
        " readings, bars: one standard error in height; heavy: ground at the rods."
    )
    page.text(at[0], at[1] + tall + 0.27, words)


def _ticks(axes: Any, scale: Scales, factor: float) -> None:
    """Round distances and heights, none nearer to each other than their figures are large."""
    for axis, limits, per_in, least in (
        (axes.xaxis, axes.get_xlim(), scale.across_m / factor, 0.75),
        (axes.yaxis, axes.get_ylim(), scale.up_m / factor, 0.2),
    ):
        step = next(v for v in (m * 10.0**p for p in range(-1, 6) for m in (1, 2, 5)) if v / per_in >= least)
        first, last = math.ceil(limits[0] / step - 1e-9), math.floor(limits[1] / step + 1e-9)
        if axis is axes.yaxis:  # the lowest and highest figure keep off the ends of the axis
            air = 0.06 * per_in
            first = math.ceil((limits[0] + air) / step)
            last = math.floor((limits[1] - air) / step)
        axis.set_ticks([n * step for n in range(first, last + 1)])


def _leg(axes: Any, leg: BuiltLeg, factor: float, labels: Labels) -> None:
    """Ground, path, readings with their errors, numbers of every fifth rod."""
    line = np.asarray(leg.line, dtype=float)
    s, z, ground = away(line) / factor, line[:, 2] / factor, ground_along(leg) / factor
    axes.plot(s, ground, color="black", lw=1.7, zorder=6)
    axes.plot(s, z, color=tokens.PAPER, lw=3.2, zorder=7)
    axes.plot(s, z, color=tokens.INK, lw=1.4, zorder=8)
    labels.block_line(s, ground, 3.0)
    labels.block_line(s, z, 3.0)
    at, up = rod_away(leg) / factor, np.array([r.z_m for r in leg.rods]) / factor
    err = np.nan_to_num([r.error_z_m for r in leg.rods]) / factor
    axes.errorbar(at, up, yerr=err, fmt="none", ecolor=tokens.INK, elinewidth=0.7, capsize=1.6, capthick=0.7, zorder=8)
    axes.plot(at, up, "o", ms=2.9, mfc=tokens.INK, mec=tokens.PAPER, mew=0.4, ls="none", zorder=9)
    per = np.ptp(axes.get_ylim()) / axes.get_window_extent().height
    for rod, x, y, e in zip(leg.rods, at, up, err, strict=True):
        labels.block(float(x), float(y), 5)
        if rod.rod % 5 == 0 and rod.rod:
            labels.put(float(x), float(y - e - 13 * per), str(rod.rod), NUMBER, reach=3, must=False, tell=False)


def _dead(axes: Any, leg: BuiltLeg, factor: float, labels: Labels) -> None:
    """A hole that was given up, from where it left: thin, crossed out."""
    rods, line = dead_rods(leg), dead_line(leg)
    if not rods or not len(line):
        return
    every = rod_away(leg)[len(leg.rods) - len(rods) :] / factor
    s = every[0] + away(line) / factor
    axes.plot(s, line[:, 2] / factor, color=tokens.TEXT, lw=0.9, zorder=6.5)
    z = np.array([r.z_m for r in rods]) / factor
    axes.plot(every[1:], z[1:], "x", ms=5.0, color=tokens.TEXT, mew=1.1, ls="none", zorder=9)
    labels.block_line(s, line[:, 2] / factor, 3.0)
    per = np.ptp(axes.get_ylim()) / axes.get_window_extent().height
    labels.put(float(every[-1]), float(z[-1] - 15 * per), f"leg {leg.number} given up", BOLD, reach=7, tell=False)


def _crossings(axes: Any, bore: BuiltBore, leg: BuiltLeg, units: str, labels: Labels) -> None:
    """Things that are passed where they lie by the gap as drilled, with letter and gap; those of unknown depth as a dotted line."""
    factor, _ = figure.in_units(units)
    line = np.asarray(leg.line, dtype=float)
    station, s, ground = np.array([r.station_m for r in leg.rods]), rod_away(leg), ground_along(leg)
    if not len(station) or len(line) < 2:
        return
    shown = sorted(bore.crossings, key=lambda c: (c.outcome != "fail", c.clearance_m is None, c.clearance_m or 0.0))
    for n, c in enumerate(shown):
        if c.station_m > station[-1] + 1e-6:
            continue
        x = float(np.interp(c.station_m, station, s))
        z, top = float(np.interp(x, away(line), line[:, 2])), float(np.interp(x, away(line), ground))
        _one(axes, c, bore.hole_diameter_m / 2, (x / factor, z, top), factor, labels)
        if n < MOST_NAMED:
            words = f"{_letter(c)} {number(c.clearance_m, units)}".strip()
            sign = tokens.OUTCOME[c.outcome].sign if c.outcome in {"fail", "unverified"} else ""
            per = np.ptp(axes.get_ylim()) / axes.get_window_extent().height
            labels.put(x / factor, top / factor + 17 * per, f"{sign} {words}".strip(), BOLD, reach=5, tell=False)


def _letter(c: BuiltCrossing) -> str:
    return clipped(c.code, 4) or clipped(passed(c), 14)


def _one(
    axes: Any, c: BuiltCrossing, half_m: float, at: tuple[float, float, float], factor: float, labels: Labels
) -> None:
    x, z, top = at
    if not known(c.clearance_m) or c.how not in {"under", "over"}:
        axes.plot([x, x], [top / factor, z / factor], color=tokens.TEXT, lw=0.8, ls=(0, (1, 1.5)), zorder=8)
        return
    way = 1.0 if c.how == "under" else -1.0
    crown = z + way * half_m
    edge = crown + way * c.clearance_m
    axes.plot([x, x], [crown / factor, edge / factor], color=tokens.TEXT, lw=0.7, zorder=8)
    face = tokens.FAMILY.get(c.code, tokens.PAPER)
    axes.plot(x, edge / factor, "o", ms=5.5, mfc=face, mec=tokens.HALO, mew=1.0, zorder=10)
    labels.block(x, edge / factor, 8)
