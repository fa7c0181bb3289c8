"""Head and foot of every drill sheet: which bore, may the crew drill, key figures; cautions for the crew and lines to sign."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.core.units import length_text
from loopgis.sheets.drill_paper import (
    FOOT_IN,
    HEAVY,
    LINES_IN,
    RULE,
    SMALL,
    TABLE,
    TOP_IN,
    cut,
    tape_word,
    width_in,
    wrap,
)
from loopgis.sheets.drill_pull import bore_size, pitch_words

if TYPE_CHECKING:
    from loopgis.sheets.drill_book import DrillBook, DrillPage, Gate
    from loopgis.sheets.drill_paper import Paper

HEAD_IN, KEYS_IN = 0.39, 0.31
"""Height of the head, and of the row of key figures, inches."""
CREW = (
    "No drilling before all owners have answered.",
    "Private lines are not marked: find them.",
    "Open the ground at every crossing; see head and reamer pass.",
    "Strike alarm tested before the first rod; when it sounds stay on the machine, nobody touches it or the rods.",
    "Gas: engine off, no spark, go upwind, then call; do not pull back.",
    "Returns lost: stop pumping, contain the mud.",
    "Nobody handles rods or exit before the operator says by radio that the string is locked.",
    "A clear map never means safe to drill; the local code governs.",
)
"""For the foot of a bore's page, from facts/hdd section 8, in our words."""
SIGNED = (
    ("date", 0.9),
    ("operator", 1.2),
    ("locating hand", 1.2),
    ("locator calibrated", 0.6),
    ("strike alarm tested", 0.6),
)
"""What is signed, and how its line compares in length."""
AID = "Planning aid, not a survey, not a sealed design."


def gate_words(gate: Gate) -> str:
    """The gate in capitals."""
    return "ALL ANSWERS IN" if gate.open else f"DO NOT DRILL: {gate.why}"


def head(paper: Paper, book: DrillBook, name: str, words: str, number: str, *, gate: bool = True) -> float:
    """Name of the page in large letters, site and layout beside it, number of the page, and the gate; where the next may begin.

    gate: False on the page that tells it in full.
    """
    y = TOP_IN
    paper.text(paper.left_in, y + 0.25, name, 17, bold=True)
    x = paper.left_in + width_in(name, 17, bold=True) + 0.18
    paper.text(x, y + 0.11, cut(book.site, paper.right_in - x - 1.2, 9, bold=True), 9, bold=True)
    paper.text(paper.right_in, y + 0.11, number, TABLE, bold=True, ha="right")
    wide = 0.0
    if gate:
        told = f"{gate_words(book.gate)} (page 1)"
        wide = width_in(told, 9, bold=True) + 0.24
        paper.box(paper.right_in - wide, y + 0.15, wide, 0.2, RULE if book.gate.open else HEAVY)
        paper.text(paper.right_in - wide / 2, y + 0.29, told, 9, bold=True, ha="center")
    paper.text(x, y + 0.27, cut(words, paper.right_in - wide - x - 0.1, TABLE), TABLE)
    return y + HEAD_IN


def keys(paper: Paper, page: DrillPage, y_in: float) -> float:
    """Row of key figures; gives where the next may begin."""
    f, units = page.figures, paper.units
    tightest = "straight" if f.tightest_m is None else length_text(f.tightest_m, units, 0)
    rods = "" if f.rod_bend_m is None else f" / {length_text(f.rod_bend_m, units, 0)}"
    told = (
        ("drilled", length_text(f.length_m, units)),
        ("rods", str(f.rods)),
        ("level run", length_text(f.level_length_m, units, 0)),
        ("deepest", tape_word(f.max_depth_m, units)),
        ("hole", bore_size(f.hole_diameter_m, units)),
        ("entry pitch", pitch_words(f.entry_pitch_pct)),
        ("exit pitch", pitch_words(f.exit_pitch_pct)),
        ("tightest / rods bear", tightest + rods),
    )
    needs = [max(width_in(a, SMALL), width_in(b, 8, bold=True)) for a, b in told]
    air = (paper.room_in - sum(needs)) / len(needs)
    x = paper.left_in
    for (name, value), need in zip(told, needs, strict=True):
        paper.text(x + (need + air) / 2, y_in + 0.1, name, ha="center")
        paper.text(x + (need + air) / 2, y_in + 0.225, value, 8, bold=True, ha="center")
        x += need + air
        if x < paper.right_in - 0.1:
            paper.line(x, y_in, x, y_in + KEYS_IN - 0.04)
    paper.box(paper.left_in, y_in, paper.room_in, KEYS_IN - 0.04)
    return y_in + KEYS_IN


def _cautions(paper: Paper, claim: str) -> list[str]:
    return wrap(" \u2022 ".join((*CREW, AID, claim.rstrip(".") + ".")), paper.room_in - 0.12)


def foot_in(paper: Paper, claim: str) -> float:
    """Height of the foot with its margin, inches."""
    return LINES_IN * len(_cautions(paper, claim)) + 0.34 + FOOT_IN


def foot(paper: Paper, claim: str) -> None:
    """Cautions in a frame and the lines to sign, at the foot of the page."""
    lines = _cautions(paper, claim)
    tall = LINES_IN * len(lines) + 0.06
    y = paper.tall_in - FOOT_IN - 0.22 - tall
    paper.box(paper.left_in, y, paper.room_in, tall, RULE)
    paper.paragraph(paper.left_in + 0.06, y + 0.025, lines)
    base = paper.tall_in - FOOT_IN
    words = sum(width_in(n, SMALL) + 0.14 for n, _ in SIGNED)
    unit = (paper.room_in - words) / sum(s for _, s in SIGNED)
    x = paper.left_in
    for name, share in SIGNED:
        paper.text(x, base, name)
        x += width_in(name, SMALL) + 0.04
        paper.line(x, base + 0.02, x + share * unit, base + 0.02)
        x += share * unit + 0.1
