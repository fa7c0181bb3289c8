"""Words and figures of the as-built sheet and the owner's page; texts of anybody's made fit for paper first."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import fields, is_dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeGuard

from loopgis.core.units import FT_M, length_text
from loopgis.sheets import figure, tokens
from loopgis.sheets.drill_paper import tape_word
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from loopgis.field.book import BuiltBook, BuiltBore, BuiltCrossing, BuiltLeg, BuiltRod, Fixed, Tie

LONGEST = 300
"""Characters of a text that are printed."""
NAME, MARK = 24, 5
"""Characters of a bore's name, and of a tie's letter, that are printed."""
MARKS_IN_A_ROW = 2
"""Accents over one letter that are printed."""
UNKNOWN = "\ufffd"
OTHER_KIND = "private_other"
"""Kind that a thing of an unknown kind is drawn as."""
SIGMAS = 2.0
"""Standard errors that are told as "within about"."""
TIE_WORDS = {"entry": "entry", "exit": "exit", "end": "end of a hole given up", "header": "header", "wall": "wall"}
EVENT_WORDS = {"pull": "pull of the loop", "test": "pressure test", "purge": "flush and purge"}


# texts --------------------------------------------------------------


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    """Characters that our type has, plain and bold."""
    from matplotlib.font_manager import FontProperties, findfont, get_font  # noqa: PLC0415

    sets = [
        set(get_font(findfont(FontProperties(family=figure.FONT, weight=w))).get_charmap()) for w in ("normal", "bold")
    ]
    return frozenset(sets[0] & sets[1])


def _letter(c: str) -> str:
    """A character as it is printed: blanks and controls as a blank, what turns text around as nothing, the unknown as a sign."""
    kind = unicodedata.category(c)
    if c.isspace() or kind == "Cc":
        return " "
    if kind == "Cf":
        return ""
    return c if ord(c) in _glyphs() else UNKNOWN


@lru_cache(maxsize=20_000)
def plain(text: str) -> str:
    r"""A text of anybody's on one line: no controls, nothing that turns the line around, LONGEST characters at most.

    >>> plain("gas\nline\x00 \u202e(x) $y$"), plain("a\ud800b"), len(plain("long " * 100)), plain("e" + "\u0301" * 9)
    ('gas line (x) $y$', 'a\ufffdb', 300, 'é\u0301')
    """
    out: list[str] = []
    marks = 0
    for c in unicodedata.normalize("NFC", text[: 4 * LONGEST]):
        marks = marks + 1 if unicodedata.category(c) in {"Mn", "Me"} else 0
        if marks < MARKS_IN_A_ROW:
            out.append(_letter(c))
    line = " ".join("".join(out).split())
    return line if len(line) <= LONGEST else line[: LONGEST - 3] + "..."


def cleaned(value: Any) -> Any:
    """The same value, a book for instance, with every text in it made fit for paper."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, tuple) and any(isinstance(v, (str, tuple)) or is_dataclass(v) for v in value):
        return tuple(cleaned(v) for v in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: cleaned(getattr(value, f.name)) for f in fields(value) if f.init})
    return value


def clipped(text: str, most: int = NAME) -> str:
    """A name in at most so many characters.

    >>> clipped("B-01"), clipped("a name that goes on and on", 10)
    ('B-01', 'a name ...')
    """
    return text if len(text) <= most else text[: most - 3] + "..."


def kind_of(kind: str) -> str:
    """A kind that can be drawn.

    >>> kind_of("gas_line"), kind_of("no such thing")
    ('gas_line', 'private_other')
    """
    return kind if kind in load_table("kinds")["kinds"] else OTHER_KIND


def outcome_of(outcome: str) -> str:
    """An outcome that has a mark; one that nobody knows is unverified."""
    return outcome if outcome in tokens.OUTCOME else "unverified"


def count_word(number: int, word: str) -> str:
    """A number with its noun.

    >>> count_word(1, "bore"), count_word(0, "bore")
    ('1 bore', '0 bores')
    """
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def day_words(book: BuiltBook) -> str:
    """Days of the readings.

    >>> from types import SimpleNamespace as Some
    >>> day_words(Some(first_day="2026-05-01", last_day="2026-05-04")), day_words(Some(first_day="", last_day=""))
    ('drilled 2026-05-01 to 2026-05-04', '')
    """
    first, last = clipped(book.first_day, 20), clipped(book.last_day, 20)
    if not first and not last:
        return ""
    return f"drilled {first or last}" if first == last or not (first and last) else f"drilled {first} to {last}"


# figures --------------------------------------------------------------


def known(value: float | None) -> TypeGuard[float]:
    """Whether there is a figure.

    >>> known(0.0), known(None), known(float("nan"))
    (True, False, False)
    """
    return value is not None and math.isfinite(value)


def number(metres: float | None, units: str, *, sign: bool = False) -> str:
    """Length in the sheet's unit without its word, a dash when nobody knows it.

    >>> number(0.3048, "us"), number(0.3, "metric", sign=True), number(None, "us"), number(-0.001, "us", sign=True)
    ('1.0', '+0.30', '–', '0.0')
    """
    if metres is None or not math.isfinite(metres):
        return "\u2013"
    digits = 1 if units == "us" else 2
    value = round(metres / figure.in_units(units)[0], digits) + 0.0
    return f"{value:+.{digits}f}" if sign and value else f"{value:.{digits}f}"


def within(error_m: float, units: str, sigmas: float = SIGMAS) -> str:
    """Error of a place in words, so many standard errors, rounded up to halves of a foot or tenths of a metre.

    >>> within(0.15, "us"), within(0.02, "us"), within(0.9, "metric"), within(0.02, "metric"), within(float("nan"), "us")
    ('within about 1 ft', 'within about 2 in', 'within about 1.8 m', 'within about 5 cm', 'nobody knows how near')
    """
    if not math.isfinite(error_m):
        return "nobody knows how near"
    far = max(sigmas * error_m, 0.0)
    if units == "us":
        inches = math.ceil(far / FT_M * 12 - 1e-9)
        if inches <= 6:
            return f"within about {max(inches, 1)} in"
        return f"within about {math.ceil(far / FT_M * 2 - 1e-9) / 2:g} ft"
    if far <= 0.1 + 1e-9:
        return f"within about {max(5 * math.ceil(far / 0.05 - 1e-9), 5)} cm"
    return f"within about {math.ceil(far * 10 - 1e-9) / 10:g} m"


def place_words(tie: Tie) -> str:
    """Latitude and longitude, seven decimals: a centimetre.

    >>> from types import SimpleNamespace as Some
    >>> place_words(Some(lat=42.1, lon=-73.6))
    '42.1000000, -73.6000000'
    """
    return f"{tie.lat:.7f}, {tie.lon:.7f}"


def tie_name(tie: Tie) -> str:
    """What is tied: its own words, else its kind with its bore."""
    if tie.words:
        return clipped(tie.words, 60)
    what = TIE_WORDS.get(tie.what, tie.what)
    return clipped(f"{what} of {clipped(tie.bore_id, 12)}" if tie.bore_id else what, 44)


FIRST = {"header": 0, "wall": 1, "exit": 2, "end": 3, "entry": 4}
"""What must be found again first."""


def sorted_ties(ties: Iterable[Tie]) -> list[Tie]:
    """What must be found again first: header, wall, exits, ends of holes given up, entries."""
    return sorted(ties, key=lambda t: FIRST.get(t.what, 9))


def fixed_points(ties: Iterable[Tie]) -> dict[tuple[float, float], tuple[str, Fixed]]:
    """Fixed points by their place, each with its mark on the map: P1, P2 and so on."""
    found: dict[tuple[float, float], tuple[str, Fixed]] = {}
    for t in sorted_ties(ties):
        for point in (t.first, t.second):
            found.setdefault((point.x, point.y), (f"P{len(found) + 1}", point))
    return found


def mark_on_map(tie: Tie) -> str:
    """Mark of something tied on a map, in brackets: a bare letter there is one of the public colour code.

    >>> from types import SimpleNamespace as Some
    >>> mark_on_map(Some(mark="E"))
    '[E]'
    """
    return f"[{clipped(tie.mark, MARK)}]"


def tape_from(point: Fixed, points: dict[tuple[float, float], tuple[str, Fixed]], units: str) -> str:
    """One tape: its figure and the mark of where it is hooked."""
    return f"{tape_word(point.distance_m, units)} from {points[point.x, point.y][0]}"


def passed(crossing: BuiltCrossing) -> str:
    """Name of a thing that is passed."""
    return crossing.label or crossing.kind.replace("_", " ")


# what the book comes to --------------------------------------------------------------


def dead_rods(leg: BuiltLeg) -> tuple[BuiltRod, ...]:
    """Rods of a hole that was given up which are no other leg's, with the one before them."""
    first = 0 if leg.given_up_from is None else leg.given_up_from - 1
    return tuple(r for r in leg.rods if r.rod >= first)


def given_up(book: BuiltBook) -> list[tuple[BuiltBore, BuiltLeg]]:
    """Every hole that was given up and holds something."""
    return [(b, leg) for b in book.bores for leg in b.legs if leg.abandoned and dead_rods(leg)]


def least_clearance(book: BuiltBook) -> tuple[BuiltBore, BuiltCrossing] | None:
    """Crossing with the least clear gap as drilled."""
    known_ones = [(b, c) for b in book.bores for c in b.crossings if known(c.clearance_m)]
    return min(known_ones, key=lambda found: found[1].clearance_m or 0.0, default=None)


def worst_off(book: BuiltBook) -> BuiltBore | None:
    """Bore that lies farthest off its plan."""
    return max((b for b in book.bores if known(b.worst_off_m)), key=lambda b: b.worst_off_m or 0.0, default=None)


def headline(book: BuiltBook) -> list[tuple[str, str]]:
    """Headline figures: names and values."""
    units = book.units
    drilled = [b for b in book.bores if b.state == "drilled"]
    begun = sum(b.state == "begun" for b in book.bores)
    told = [("bores drilled", f"{len(drilled)} of {len(book.bores)}" + (f", {begun} begun" if begun else ""))]
    asked, made = sum(b.planned_length_m for b in book.bores), sum(b.length_m for b in book.bores)
    told.append(("length drilled", f"{length_text(made, units, 0)} of {length_text(asked, units, 0)}"))
    pipe = sum(b.pipe_m for b in drilled)
    if pipe > 0:
        told.append(("pipe in the ground", length_text(pipe, units, 0)))
    deepest = [b.max_depth_m for b in book.bores if b.legs and known(b.max_depth_m)]
    if deepest:
        told.append(("deepest", length_text(max(deepest), units)))
    off, gap = worst_off(book), least_clearance(book)
    if off is not None:
        tube = f", tube {number(off.worst_tube_m, units)}" if known(off.worst_tube_m) else ""
        rod = "" if off.worst_rod is None else f" rod {off.worst_rod}"
        told.append(
            ("worst off plan", f"{length_text(off.worst_off_m or 0, units)}, {clipped(off.bore_id, 12)}{rod}{tube}")
        )
    if gap is not None:
        bore, c = gap
        told.append(
            ("least clear gap", f"{length_text(c.clearance_m or 0, units)}, {clipped(bore.bore_id, 12)} to {passed(c)}")
        )
    dead = len(given_up(book))
    if dead:
        told.append(("holes given up", str(dead)))
    return told


def failures(book: BuiltBook) -> list[str]:
    """What fails, one line each: crossings, records, findings that are errors."""
    units = book.units
    out = []
    for b in book.bores:
        for c in b.crossings:
            if c.outcome == "fail":
                gap = f"{number(c.clearance_m, units)} clear, {number(c.required_m, units)} asked"
                out.append(f"{clipped(b.bore_id, 12)}: {clipped(passed(c), 40)}, {gap}")
    for record in (*book.records, *(r for b in book.bores for r in b.records)):
        if record.outcome == "fail":
            whose = clipped(record.bore_id, 12) if record.bore_id else "field"
            words = record.words or f"{record.said}; limit {record.limit}"
            out.append(f"{whose}: {EVENT_WORDS.get(record.event, record.event)}: {clipped(words, 80)}")
    for f in book.findings:
        if f.severity == "error" and not f.code.startswith("record-"):  # records are told above
            whose = f"{clipped(f.bore_id, 12)}: " if f.bore_id else ""
            out.append(f"{whose}{clipped(f.message, 120)}")
    return list(dict.fromkeys(out))
