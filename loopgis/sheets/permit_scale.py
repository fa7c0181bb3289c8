"""Engineering scales of plan sheets: which there are, how they are written and read, which is the largest that fits."""

from __future__ import annotations

import re

from loopgis.core.errors import InputError
from loopgis.core.units import FT_M

INCH_M = FT_M / 12
SCALES: dict[str, tuple[int, ...]] = {
    "us": (120, 240, 360, 480, 600, 720, 1200),
    "metric": (100, 200, 250, 300, 400, 500, 750, 1000),
}
"""Denominators of the site plan: 1 in = 10, 20, 30, 40, 50, 60, 100 ft (an engineer's rule), 1:100 to 1:1000 (ISO 5455, halves)."""
SMALLER: dict[str, tuple[int, ...]] = {"us": (1800, 2400, 3600, 4800, 9600), "metric": (1500, 2000, 2500, 5000, 10000)}
"""Further ones for the surroundings."""
_US = re.compile(
    r"""^\s*1\s*(?:in(?:ch)?|")\s*(?:=|to)\s*(\d+(?:\.\d+)?)\s*(?:ft|feet|')\s*(?:\(1:\d+\))?\s*$""", re.IGNORECASE
)
_RATIO = re.compile(r"^\s*(?:1\s*[:/]\s*)?(\d+)\s*$")


def scale_words(denominator: int, units: str) -> str:
    """Scale as it stands in a title block.

    >>> scale_words(360, "us"), scale_words(250, "us"), scale_words(250, "metric")
    ('1 in = 30 ft (1:360)', '1:250', '1:250')
    """
    return (
        f"1 in = {denominator // 12} ft (1:{denominator})"
        if units == "us" and denominator % 12 == 0
        else f"1:{denominator}"
    )


def parse_scale(text: str) -> int:
    """Denominator of a scale as people write it. Raises InputError for one that is none of ours.

    >>> parse_scale("1 in = 30 ft"), parse_scale("1:500"), parse_scale("1 inch to 20 feet")
    (360, 500, 240)
    """
    inch, ratio = _US.match(text), _RATIO.match(text)
    value = float(inch.group(1)) * 12 if inch else float(ratio.group(1)) if ratio else 0.0
    us, metric = ({*SCALES[units], *SMALLER[units]} for units in ("us", "metric"))
    if value not in (us if inch else us | metric):
        remedy = (
            "write 1 in = 10, 20, 30, 40, 50, 60 or 100 ft, or 1:100 to 1:1000; smaller: 1 in = 150 ft, 1:1500 and on"
        )
        raise InputError(f"scale {text!r}", "is no engineering scale", remedy)
    return int(value)


def fits(size_m: tuple[float, float], room_in: tuple[float, float], denominator: int) -> bool:
    """True when something so wide and high on the ground goes into a window at a scale."""
    return all(m <= inch * INCH_M * denominator for m, inch in zip(size_m, room_in, strict=True))


def best_scale(size_m: tuple[float, float], room_in: tuple[float, float], units: str, *, smaller: bool = False) -> int:
    """Largest scale at which it fits; smaller: the small ones may be taken too. Raises InputError when none does."""
    known = SCALES["us" if units == "us" else "metric"]
    for denominator in (*known, *(SMALLER["us" if units == "us" else "metric"] if smaller else ())):
        if fits(size_m, room_in, denominator):
            return denominator
    last = (*known, *SMALLER["us" if units == "us" else "metric"])[-1] if smaller else known[-1]
    what = f"is {size_m[0]:.0f} m by {size_m[1]:.0f} m and fits at no scale down to {scale_words(last, units)}"
    raise InputError("plan set: what is to be drawn", what, "take a larger --paper")


def wanted_scale(wanted: int | None, size_m: tuple[float, float], room_in: tuple[float, float], units: str) -> int:
    """The scale asked for, or the largest that fits. Raises InputError naming that when the one asked for does not fit."""
    if wanted is not None and fits(size_m, room_in, wanted):
        return wanted
    best = best_scale(size_m, room_in, units, smaller=True)
    if wanted is None:
        return best
    what = f"is too large: the lot does not fit the sheet at {scale_words(wanted, units)}"
    raise InputError("scale", what, f"{scale_words(best, units)} fits, or take a larger --paper")
