"""The cautions that every sheet and page carries, in full and in one line."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "This is a planning aid. It is neither a survey nor a sealed design.",
    (
        "Call the one-call centre before anybody digs or drills, and wait until every owner has answered. Nobody marks private"
        " lines for you: find them yourself or hire a locator."
    ),
    "Open the ground at every crossing, by hand or by vacuum, before the head gets there, and see it pass.",
    (
        "Test the strike alarm before the first rod. When it sounds, whoever is on the machine stays on it and nobody else touches"
        " machine, rods or fence."
    ),
    (
        "Smell of gas: stop, engine off, no switch and no spark, walk away upwind, warn the neighbours, call from a distance."
        " Do not pull back."
    ),
    "Lot lines that come from a map file are not boundaries. A surveyor stakes them where a foot matters.",
    (
        "Where the law asks for a licensed driller, engineer, surveyor or plumber, this sheet does not replace one. The local code"
        " governs, whatever is written here."
    ),
    (
        "Distances are checked as they were entered. Whether the right ones were entered is for the office to say: a layout meets"
        " the distances entered, and no more than that is claimed."
    ),
    (
        "What nobody mapped is not on the map. An empty map never means that it is safe to drill. The crossing index compares"
        " layouts; it is not a probability to rely on."
    ),
)
"""One sentence group each, for the foot of a page."""

SHORT_CAUTION = (
    "Planning aid, not a survey, not a sealed design. Call before you dig, wait for every response; private lines are not"
    " marked; expose every crossing first. Meets the distances entered; local code governs."
)
"""The same for the edge of a picture."""
