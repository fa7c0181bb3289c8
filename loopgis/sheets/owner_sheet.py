"""One page for the owner: where the loop lies, how deep, where not to dig, how to find it again, what to do before digging.

Plain words for somebody who knows nothing of loops; letter with feet, A4 with metres, upright. Two runs give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from loopgis.core.atomic import replaced_file
from loopgis.core.units import length_text, short_length
from loopgis.sheets import tokens
from loopgis.sheets.built_frame import caution_words
from loopgis.sheets.built_front import area_swatch, north
from loopgis.sheets.built_sheet import METADATA
from loopgis.sheets.built_words import (
    cleaned,
    clipped,
    count_word,
    day_words,
    fixed_points,
    known,
    sorted_ties,
    tape_from,
    tie_name,
    within,
)
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_paper import (
    LEADING,
    LINES_IN,
    RULE,
    SMALL,
    Column,
    Paper,
    cut,
    table,
    table_in,
    tape_word,
    width_in,
    wrap,
)
from loopgis.sheets.figure import SEARCHABLE
from loopgis.sheets.owner_map import DARK, LIGHT, bands, draw_map, holes
from loopgis.sheets.permit_paper import AIR, Box
from loopgis.sheets.permit_plan_side import ROW_IN, SWATCH_IN, Side

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.field.book import BuiltBook, Tie
    from loopgis.sheets.owner_map import Bands

BODY, HEAD = 8.5, 10.0
"""Type sizes of running text and headings, points."""
STEP_IN = BODY * LEADING / 72
TITLE = "Where is my loop?"
MAP_IN, SIDE_IN, GAP_IN = (3.3, 4.4, 5.6), 2.25, 0.12
"""Least, good and most height of the map; width of the column beside it; air."""
ROW_TIE_IN, LEAST_TIES, MOST_TIES = 0.165, 7, 14
"""Height of a row; so many rows are shown before the map becomes good, and at most."""
SIGN_IN = 0.52
BUYER = "When the house is sold, hand this page and the as-built to the buyer; keep a copy beside the heat pump."
ONE_CALL = "Call the one-call centre before you dig; it does not know private pipes: show this page."


@dataclass(frozen=True)
class Block:
    """A heading with paragraphs, already in lines of its column's width."""

    head: str
    lines: tuple[str, ...]

    @property
    def tall_in(self) -> float:
        """Height with the air below it."""
        return 0.19 + len(self.lines) * STEP_IN + 0.07


def write_owner_sheet(path: Path, book: BuiltBook) -> Path:
    """Write the owner's page as a PDF of exactly one page, whole or not at all; gives the path.

    Raises InputError when the folder cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    with replaced_file(path) as temp, PdfPages(temp, metadata=METADATA) as pdf:
        pdf.savefig(owner_page(book))
    return path


def owner_page(book: BuiltBook) -> Any:
    """The page as a matplotlib figure."""
    book = cleaned(book)
    page = Paper(units=book.units)
    page.figure.set_label(SEARCHABLE)
    found = bands(book)
    y = _title(page, book, found)
    foot = _foot(page, book)
    wide = (page.room_in - 0.25) / 2
    left, right = _left(book, wide), _right(book, wide)
    texts_in = max(sum(b.tall_in for b in side) for side in (left, right))
    ties = sorted_ties(book.ties)
    room = foot - y - texts_in - 2 * GAP_IN
    rows = min(len(ties), MOST_TIES)
    for least_in, fewest in ((MAP_IN[1], LEAST_TIES), (MAP_IN[0], 0)):
        while rows > fewest and room - _ties_in(page, ties, rows) < least_in:
            rows -= 1
    tall = min(room - _ties_in(page, ties, rows), MAP_IN[2])
    shown = ties[:rows]
    _map(page, book, found, shown, Box(page.left_in, y, page.room_in, tall))
    y += tall + GAP_IN
    for x, blocks in ((page.left_in, left), (page.left_in + wide + 0.25, right)):
        at = y
        for block in blocks:
            page.text(x, at + 0.13, block.head, HEAD, bold=True)
            page.paragraph(x, at + 0.19, block.lines, BODY)
            at += block.tall_in
    _ties(page, book, ties, rows, y + texts_in)
    return page.done()


# words --------------------------------------------------------------


def _lines(text: str, wide_in: float, most: int = 99) -> list[str]:
    """Text in lines; when there are more than so many the last one ends in dots."""
    lines = wrap(text, AIR * wide_in, BODY)
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], cut(lines[most - 1] + " " + lines[most], AIR * wide_in, BODY)]


def _block(head: str, texts: Sequence[str], wide_in: float, most: int = 99) -> Block:
    return Block(head, tuple(line for text in texts for line in _lines(text, wide_in, most)))


def _lead(book: BuiltBook, found: Bands) -> str:
    holes_made = [b for b in book.bores if b.legs]
    if not holes_made:
        return (
            f"Nothing has been drilled yet: {count_word(len(book.bores), 'bore')} planned. This page is made anew when the loop is"
            " in the ground; until then it does not say where pipes lie."
        )
    deep = "" if found.deepest_m is None else f", up to {short_length(found.deepest_m, book.units, 0)} deep"
    done = sum(b.state == "drilled" for b in book.bores)
    begun = sum(b.state == "begun" for b in book.bores)
    more = f" {begun} more {'hole was' if begun == 1 else 'holes were'} begun." if begun else ""
    lies = "lies in a drilled hole" if done == 1 else f"lie in {done} drilled holes"
    pipe = "The pipe of your heat pump" if done == 1 else "The pipes of your heat pump"
    trench = "" if book.header is None else " From the pad a trench leads to the building."
    return (
        f"{pipe} {lies} under this lot{deep}.{more}{trench} Whoever cuts a pipe stops the heating and cooling and lets the"
        " fluid run out. The pipes are where the bands on this map are; they cannot be seen from above."
    )


def _left(book: BuiltBook, wide_in: float) -> list[Block]:
    units = book.units
    drilled = any(b.legs for b in book.bores)
    steps = [ONE_CALL]
    if drilled:
        steps += [
            "Mark the bands on the ground with two tapes, as the table below tells. Add the error that stands there.",
            "Inside a band open the ground by hand or by vacuum, and see the pipe, before a machine comes.",
            "A pipe is cut or leaks: switch the heat pump off, leave the hole open, call the installer.",
        ]
    told = [_block("Before anybody digs", [f"{n}. {s}" for n, s in enumerate(steps, 1)], wide_in)]
    dead = holes(book)
    if dead:
        lines = [
            f"{clipped(name, 16)}: an empty hole {_between(low, high, units)} deep" for name, low, high in dead[:3]
        ]
        if len(dead) > 3:
            lines.append(f"and {len(dead) - 3} more: see the as-built.")
        told.append(_block("Holes given up (crossed on the map)", lines, wide_in, 1))
    return told


def _between(low_m: float, high_m: float, units: str) -> str:
    """Two depths in words, one when they are the same."""
    low, high = short_length(low_m, units, 0), short_length(high_m, units, 0)
    return low if low == high else f"{low} to {high}"


def _right(book: BuiltBook, wide_in: float) -> list[Block]:
    drilled = any(b.legs for b in book.bores)
    tracer = (
        f"Tracer: {book.tracer}."
        if book.tracer
        else "Nothing is known of a tracer wire or tape: a locator may not find these pipes. Use the tapes."
    )
    find = [tracer] if drilled else ["Nothing is there to find yet."]
    find.append("Only the loop is drawn here. Gas, power, water and sewer are not.")
    told = [_block("How to find the pipes", find, wide_in, 3)]
    facts = [f"Pipe: {book.pipe}."] if book.pipe else []
    facts += [f"{f[:1].upper()}{f[1:]}." for f in book.facts[:3]]
    if facts:
        told.append(_block("Pipe, fluid, pressure", facts, wide_in, 2))
    told.append(_block("When the house is sold", [BUYER], wide_in))
    return told


# parts of the page --------------------------------------------------------------


def _title(page: Paper, book: BuiltBook, found: Bands) -> float:
    """Title, whose it is, what lies there in a few sentences; gives where the next may begin."""
    y = 0.34
    page.text(page.left_in, y + 0.24, TITLE, 19, bold=True)
    x = page.left_in + width_in(TITLE, 19, bold=True) * 1.04 + 0.2
    room = AIR * (page.right_in - x)
    page.text(
        page.right_in, y + 0.1, cut(book.site or "site without a name", room, 10, bold=True), 10, bold=True, ha="right"
    )
    words = (f"parcel {clipped(book.parcel_id)}" if book.parcel_id else "", day_words(book))
    page.text(page.right_in, y + 0.26, cut(", ".join(w for w in words if w), room, 8), 8, ha="right")
    y += 0.36
    page.line(page.left_in, y, page.right_in, y, RULE)
    return page.paragraph(page.left_in, y + 0.07, _lines(_lead(book, found), page.room_in), BODY) + 0.08


def _map(page: Paper, book: BuiltBook, found: Bands, ties: Sequence[Tie], room: Box) -> None:
    """Map on the left, what it says on the right."""
    units = book.units
    window = Box(room.x_in, room.y_in, room.wide_in - SIDE_IN - GAP_IN, room.tall_in)
    limit = "" if found.limit_m is None else short_length(found.limit_m, units)
    per, missing = draw_map(page, book, window, found, ties, ("do not dig", f"not deeper\nthan {limit}"))
    column = Box(window.right_in + GAP_IN, room.y_in, SIDE_IN, room.tall_in)
    side = Side(page=cast("Any", page), box=column, book=cast("Any", book), per_inch_m=per)
    if not found.dark.is_empty:
        depth = "" if found.dark_m is None else f" Here the pipe may be only {length_text(found.dark_m, units)} down."
        words = f"DO NOT DIG HERE.{depth} No tree, no stake, no post, no anchor, no drilling."
        _sign(side, DARK, words)
    if not found.light.is_empty:
        words = (
            f"NOT DEEPER THAN {limit}. Here the pipe lies at least {length_text(found.light_m or 0, units)} deep. No well, no"
            " anchor, no pile, no drilling, no pool."
        )
        _sign(side, LIGHT, words)
    if any(b.legs for b in book.bores):
        _entry(side, "pipe", "pipe in a drilled hole")
    if book.header is not None:
        known_depths = [t.depth_m for t in book.ties if t.what == "header" and known(t.depth_m)]
        deep = f", {tape_word(known_depths[0], units)} deep" if known_depths else ", depth not recorded"
        deep = deep if any(b.legs for b in book.bores) else ", planned"
        _entry(side, "header", f"pipes to the building{deep}")
    if holes(book):
        _entry(side, "dead", "hole given up: empty")
    if ties:
        _entry(side, "tied", "[ ] tied: find it with two tapes")
        _entry(side, "fixed", "where a tape is hooked (P)")
    side.bar("Scale")
    north(side)
    if missing:
        side.lines(
            [f"No room for: {', '.join(m.replace(chr(10), ' ') for m in dict.fromkeys(missing))}"], "the as-built"
        )


def _sign(side: Side, look: dict[str, Any], words: str) -> None:
    """A band's look with what it says, its first words bold."""
    lines = wrap(words, AIR * (side.box.wide_in - SWATCH_IN - 0.1), BODY, bold=True)
    tall = len(lines) * STEP_IN
    at = side.y_in - side.box.y_in + 0.09
    draw = area_swatch(look["fc"], look["ec"], hatch=look["hatch"], width=look["lw"], dash=look.get("ls", "solid"))
    draw(side.axes, 0.0, SWATCH_IN, at)
    side.page.paragraph(side.box.x_in + SWATCH_IN + 0.08, side.y_in, lines, BODY, bold=True)
    side.y_in += tall + 0.07


def _entry(side: Side, name: str, words: str) -> None:
    """A line or a mark of the map with its words."""
    y, wide = side.y_in - side.box.y_in + ROW_IN / 2, SWATCH_IN
    text, ink, paper = tokens.TEXT, tokens.INK, tokens.PAPER
    looks: dict[str, tuple[dict[str, Any], dict[str, Any] | None]] = {
        "pipe": ({"color": ink, "lw": 1.4}, None),
        "header": ({"color": ink, "lw": 1.4, "ls": (0, tokens.HEADER_DASH)}, None),
        "dead": ({"color": text, "lw": 0.9}, {"marker": "x", "ms": 5.0, "mec": text, "mew": 1.1}),
        "tied": ({"lw": 0}, {"marker": "o", "ms": 4.6, "mfc": paper, "mec": text, "mew": 1.3}),
        "fixed": ({"lw": 0}, {"marker": "D", "ms": 5.0, "mfc": paper, "mec": text, "mew": 1.3}),
    }
    line, mark = looks[name]
    side.axes.plot([0.0, wide], [y, y], clip_on=False, **line)
    if mark:
        side.axes.plot([wide / 2], [y], ls="none", clip_on=False, **mark)
    lines = wrap(words, AIR * (side.box.wide_in - wide - 0.1), SMALL)
    side.page.paragraph(side.box.x_in + wide + 0.08, side.y_in + 0.018, lines, SMALL)
    side.y_in += ROW_IN + (len(lines) - 1) * LINES_IN


def _fixed_lines(page: Paper, ties: Sequence[Tie]) -> list[str]:
    """Where the tapes are hooked."""
    told = "; ".join(f"{mark} {clipped(p.name, 40)}" for mark, p in fixed_points(ties).values())
    return wrap(f"Tapes are hooked at: {told}. Level, in a straight line.", AIR * page.room_in, SMALL)[:3]


def _ties_in(page: Paper, ties: Sequence[Tie], rows: int) -> float:
    """Height of the table of ties with its title and what stands below it."""
    if not rows:
        return 0.19 if ties else 0.0
    more = LINES_IN if rows < len(ties) else 0.0
    return 0.19 + table_in(1, rows, ROW_TIE_IN) + LINES_IN * len(_fixed_lines(page, ties[:rows])) + more + 0.1


def _ties(page: Paper, book: BuiltBook, ties: Sequence[Tie], rows: int, y_in: float) -> None:
    """What must be found again, as much of it as fits."""
    if not ties:
        return
    units, shown = book.units, ties[:rows]
    left = f"{count_word(len(ties) - rows, 'thing')} more {'is' if len(ties) - rows == 1 else 'are'} tied: see the as-built."
    if not rows:
        page.text(page.left_in, y_in + 0.13, left, SMALL)
        return
    page.text(page.left_in, y_in + 0.13, "How to find it again with two tapes", HEAD, bold=True)
    points = fixed_points(shown)
    bold = frozenset(range(rows))
    columns = (
        Column(("mark",), tuple(clipped(t.mark, 5) for t in shown), ha="left", bold=bold),
        Column(("what",), tuple(tie_name(t) for t in shown), ha="left", spare=1.0, least_in=1.2),
        Column(("first tape",), tuple(tape_from(t.first, points, units) for t in shown)),
        Column(("second tape",), tuple(tape_from(t.second, points, units) for t in shown)),
        Column(("depth",), tuple(tape_word(t.depth_m, units) if known(t.depth_m) else "not known" for t in shown)),
        Column(("latitude, longitude",), tuple(f"{t.lat:.6f}, {t.lon:.6f}" for t in shown)),
        Column(("how sure",), tuple(within(t.error_m, units) for t in shown)),
    )
    low = table(page, page.left_in, y_in + 0.19, page.room_in, columns, row_in=ROW_TIE_IN, size=7.5)
    lines = _fixed_lines(page, shown)
    if rows < len(ties):
        lines.append(left)
    page.paragraph(page.left_in, low + 0.04, lines, SMALL)


def _foot(page: Paper, book: BuiltBook) -> float:
    """Cautions along the lower edge and lines for the installer over them; gives where they begin."""
    told = " \u2022 ".join((caution_words(book.claim), CAUTIONS[5], CAUTIONS[8].split(" The crossing")[0]))
    lines = wrap(told, AIR * (page.room_in - 0.12))
    tall = len(lines) * LINES_IN + 0.07
    top = page.tall_in - 0.34 - tall
    page.box(page.left_in, top, page.room_in, tall, RULE)
    page.paragraph(page.left_in + 0.06, top + 0.03, lines)
    base = top - 0.1
    x, shares = page.left_in, (("Installed by", 1.5), ("phone", 0.9), ("licence no.", 0.7), ("date", 0.6))
    words = sum(width_in(n, BODY) + 0.14 for n, _ in shares)
    unit = (page.room_in - words) / sum(s for _, s in shares)
    for name, share in shares:
        page.text(x, base, name, BODY)
        x += width_in(name, BODY) + 0.05
        page.line(x, base + 0.02, x + share * unit, base + 0.02)
        x += share * unit + 0.09
    return top - SIGN_IN + 0.1
