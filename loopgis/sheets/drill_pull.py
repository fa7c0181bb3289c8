"""The box of a bore page about pull, pipe and mud, and how its figures are told."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from loopgis.core.units import FT_M, GALLON_M3, force_text
from loopgis.sheets.drill_paper import CUBIC_YARD_M3, INCH_M, LINES_IN, RULE, TABLE, cut, tape_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.sheets.drill_book import DrillPage, Figures
    from loopgis.sheets.drill_paper import Paper

NONE = "n.c."
"""Stands for a figure that was not computed; said beside the figures."""


def volume(m3: float | None, units: str, *, loose: bool = False) -> str:
    """Mud in gallons or litres; loose: spoil in cubic yards or cubic metres.

    >>> volume(1.0, "us"), volume(1.0, "us", loose=True), volume(1.0, "metric"), volume(None, "us")
    ('264 gal', '1.3 cu yd', '1,000 l', 'n.c.')
    """
    if m3 is None:
        return NONE
    if loose:
        return f"{m3 / CUBIC_YARD_M3:.1f} cu yd" if units == "us" else f"{m3:.1f} cu m"
    return f"{m3 / GALLON_M3:,.0f} gal" if units == "us" else f"{m3 * 1000:,.0f} l"


def bore_size(metres: float, units: str) -> str:
    """Diameter of a hole.

    >>> bore_size(0.127, "us"), bore_size(0.127, "metric")
    ('5.0 in', '127 mm')
    """
    return f"{metres / INCH_M:.1f} in" if units == "us" else f"{metres * 1000:.0f} mm"


def pitch_words(pct: float) -> str:
    """Pitch both ways.

    >>> pitch_words(-30)
    '-30.0 %, -16.7 deg'
    """
    return f"{pct + 0.0:.1f} %, {math.degrees(math.atan(pct / 100)) + 0.0:.1f} deg"


def pull_words(f: Figures, rod_length_m: float, units: str) -> tuple[list[tuple[str, str]], list[str]]:
    """Name and figure of what stands in pairs, and the lines that take the whole width. What is not computed says so."""

    def force(newtons: float | None) -> str:
        return NONE if newtons is None else force_text(newtons, units)

    pairs = [
        ("pull, pipes empty", force(f.pull_n)),
        ("pull, pipes filled", force(f.pull_filled_n)),
        ("both pipes bear", force(f.safe_pull_n)),
        ("weak link, one leg", force(f.weak_link_n)),
        ("collapse safety", NONE if f.collapse_safety is None else f"{f.collapse_safety:.1f}"),
        ("reamer", NONE if f.reamer_m is None else bore_size(f.reamer_m, units)),
        ("pipe bend, least", NONE if f.pipe_bend_m is None else tape_word(f.pipe_bend_m, units)),
        ("mud to mix", volume(f.fluid_m3, units)),
        ("spoil to haul", volume(f.spoil_m3, units, loose=True)),
        ("hours, drill and pull", NONE if f.hours is None else f"{f.hours:.1f}"),
    ]
    if f.pull_speed_m_s is None:
        speed = "fastest pull: not computed"
    else:
        factor, word = (FT_M, "ft") if units == "us" else (1.0, "m")
        minutes = rod_length_m / f.pull_speed_m_s / 60
        speed = f"fastest pull: {f.pull_speed_m_s * 60 / factor:.1f} {word}/min, {minutes:.1f} min a rod"
    stake = "not computed" if f.at_stake is None else f"{f.at_stake:,.0f} {f.currency}".strip()
    return pairs, [*_beyond(f), speed, f"at stake in the ground, head to rods: {stake}"]


def over_link(f: Figures) -> bool:
    """Whether the weak link would part before the pull on the empty pipes is reached."""
    return f.pull_n is not None and f.weak_link_n is not None and f.pull_n > f.weak_link_n


def _beyond(f: Figures) -> list[str]:
    """In capitals what the pull is beyond of, if anything."""
    if f.pull_n is not None and f.safe_pull_n is not None and f.pull_n > f.safe_pull_n:
        return ["PULL IS BEYOND WHAT THE PIPES BEAR"]
    return ["PULL IS BEYOND THE WEAK LINK"] if over_link(f) else []


def pull_in(lines: Sequence[str]) -> float:
    """Height of the box of pull and pipe."""
    return 0.17 + LINES_IN * (5 + len(lines)) + 0.03


def draw_pull(paper: Paper, page: DrillPage, rod_length_m: float, at: tuple[float, float], wide_in: float) -> float:
    """Framed box; gives where the next may begin."""
    x, y = at
    pairs, lines = pull_words(page.figures, rod_length_m, paper.units)
    paper.text(x + 0.06, y + 0.12, "Pull and pipe", TABLE, bold=True)
    if any(value == NONE for _, value in pairs):
        paper.text(x + wide_in - 0.06, y + 0.12, f"{NONE}: not computed", ha="right")
    base = y + 0.17 + 0.09
    half = wide_in / 2
    for n, (name, value) in enumerate(pairs):
        left = x + (n % 2) * half + 0.06
        paper.text(left, base + n // 2 * LINES_IN, name)
        paper.text(left + half - 0.12, base + n // 2 * LINES_IN, value, ha="right", bold=value != NONE)
    base += (len(pairs) + 1) // 2 * LINES_IN
    for n, text in enumerate(lines):
        paper.text(x + 0.06, base + n * LINES_IN, cut(text, wide_in - 0.12), bold=text.isupper())
    tall = pull_in(lines)
    paper.box(x, y, wide_in, tall, RULE)
    return y + tall
