"""First page of the as-built: the map, what it comes to in a few figures, what fails, legend, and the lines to sign."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from loopgis.sheets import built_plan, tokens
from loopgis.sheets.built_frame import CLAIM_LETTERS, content_box, framed
from loopgis.sheets.built_words import clipped, count_word, failures, given_up, headline
from loopgis.sheets.drill_paper import SMALL, TABLE, THIN, cut, width_in, wrap
from loopgis.sheets.figure import NORMAL, Labels
from loopgis.sheets.permit_flow import draw_mark
from loopgis.sheets.permit_paper import AIR, Box
from loopgis.sheets.permit_plan_side import LINE_IN, ROW_IN, Side
from loopgis.sheets.permit_scale import scale_words

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.field.book import BuiltBook, Tie
    from loopgis.sheets.permit_book import Thing
    from loopgis.sheets.permit_paper import PermitPaper

    Swatch = Callable[[Any, float, float, float], None]

NAME = "site plan"
SIDE_IN, GAP_IN = 2.75, 0.1
SIGN_IN = 0.26
SIGNED = (("installed by", 1.6), ("licence no.", 0.9), ("signature", 1.6), ("date", 0.7))
"""What is signed, and how its line compares in length."""


def front_page(book: BuiltBook, number: int, count: int) -> Any:
    """The page as a matplotlib figure."""
    page = framed(book, NAME, number, count, full=True)
    box = content_box(book, full=True)
    low = box.low_in - SIGN_IN
    window = Box(box.x_in, box.y_in, box.wide_in - SIDE_IN - GAP_IN, low - box.y_in - 0.04)
    axes, denominator, per = built_plan.window(page, window, built_plan.bounds_of(book))
    labels = Labels(axes)
    things = built_plan.base(axes, book, labels)
    built_plan.planned(axes, book.bores)
    built_plan.dead(axes, book, labels)
    built_plan.drilled(axes, book.bores, labels)
    ties = built_plan.taped(book.ties)
    built_plan.tapes(axes, book, ties, labels)
    built_plan.bore_names(book, labels)
    built_plan.tape_figures(ties, labels, book.units)
    built_plan.texts(axes, book, things, labels)
    column = Box(window.right_in + GAP_IN, box.y_in, SIDE_IN, window.tall_in)
    side = Side(page=page, box=column, book=cast("Any", book), per_inch_m=per)  # it asks for the units alone
    _figures(side, book)
    _legend(side, book, things, ties)
    side.bar(scale_words(denominator, book.units) if denominator else "No engineer's scale")
    north(side)
    _failures(side, book)
    side.left_out([t.replace("\n", " ") for t in labels.left_out])
    sign(page, low + 0.19)
    return page.done()


def sign(page: PermitPaper, base_in: float) -> None:
    """Blank lines for who installed it, licence, signature and date."""
    words = sum(width_in(n, SMALL) + 0.14 for n, _ in SIGNED)
    unit = (page.room_in - words) / sum(s for _, s in SIGNED)
    x = page.left_in
    for name, share in SIGNED:
        page.text(x, base_in, name)
        x += width_in(name, SMALL) + 0.05
        page.line(x, base_in + 0.02, x + share * unit, base_in + 0.02)
        x += share * unit + 0.09


def _figures(side: Side, book: BuiltBook) -> None:
    """Headline figures and the claim, with its mark."""
    side.head("What was drilled")
    for name, value in headline(book):
        room = AIR * side.box.wide_in
        at = 1.08
        side.page.text(side.box.x_in, side.y_in + 0.1, name)
        lines = wrap(value, room - at, SMALL, bold=True)[:2]
        for n, line in enumerate(lines):
            side.page.text(side.box.x_in + at, side.y_in + 0.1 + n * LINE_IN, line, SMALL, bold=True)
        side.y_in += 0.135 + (len(lines) - 1) * LINE_IN
    side.gap()
    bad = failures(book)
    claim = book.claim or "Distances were not checked as drilled."
    draw_mark(side.page, side.box.x_in + 0.08, side.y_in + 0.075, claim_mark(book))
    lines = wrap(clipped(claim, CLAIM_LETTERS), AIR * (side.box.wide_in - 0.22), TABLE, bold=True)
    side.page.paragraph(side.box.x_in + 0.2, side.y_in + 0.01, lines, TABLE, bold=True)
    side.y_in += len(lines) * TABLE * 1.2 / 72 + 0.03
    if bad:
        draw_mark(side.page, side.box.x_in + 0.08, side.y_in + 0.065, "fail")
        side.page.text(
            side.box.x_in + 0.2, side.y_in + 0.09, f"{count_word(len(bad), 'thing')} failed: see below and findings"
        )
        side.y_in += LINE_IN + 0.02


def claim_mark(book: BuiltBook) -> str:
    """Mark that goes with the claim: the worst outcome of what is passed; a claim that promises nothing never has a good one."""
    if book.claim and not book.claim.startswith("Meets"):
        return "fail"
    found = [c.outcome for b in book.bores for c in b.crossings]
    found += ["unverified"] if "where they could be measured" in book.claim else []
    if not any(b.legs for b in book.bores) or not book.claim:
        return "unverified"
    marks = [o if o in tokens.OUTCOME else "unverified" for o in found]
    return min(marks, key=lambda o: tokens.OUTCOME[o].rank, default="pass")


def _failures(side: Side, book: BuiltBook) -> None:
    bad = failures(book)
    if bad and side.room_in > 0.3 + 2 * LINE_IN:
        side.gap()
        side.head("What fails")
        side.lines([f"{tokens.OUTCOME['fail'].sign} {text}" for text in bad], "findings")


# legend --------------------------------------------------------------


def _line(colour: str, width: float, dash: Any = "solid") -> Swatch:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        axes.plot([x, x + wide], [y, y], color=colour, lw=width, ls=dash, clip_on=False)

    return draw


def _marks(marker: Any, colour: str, face: str, size: float, *, line: float = 0.0, every: int = 1) -> Swatch:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        if line:
            axes.plot([x, x + wide], [y, y], color=colour, lw=line, clip_on=False)
        for n in range(every):
            at = x + (n + 0.5) / every * wide
            axes.plot([at], [y], marker=marker, ms=size, mfc=face, mec=colour, mew=1.1, ls="none", clip_on=False)

    return draw


def _cased(letter: str) -> Swatch:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        axes.plot([x, x + wide], [y, y], color=tokens.HALO, lw=tokens.LINE_HALO_WIDTH, solid_capstyle="butt")
        axes.plot([x, x + wide], [y, y], color=tokens.FAMILY[letter], lw=tokens.LINE_WIDTH, solid_capstyle="butt")

    return draw


def area_swatch(fill: str, edge: str, *, hatch: str = "", width: float = 0.9, dash: Any = "solid") -> Swatch:
    """A small patch of ground."""

    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        from matplotlib.patches import Rectangle  # noqa: PLC0415

        box = Rectangle((x, y - 0.055), wide, 0.11, fc=fill, ec=edge, lw=width, ls=dash, hatch=hatch or None)
        if hatch:
            box.set_hatch_linewidth(0.5)
        axes.add_patch(box)

    return draw


def _legend(side: Side, book: BuiltBook, things: Sequence[Thing], ties: Sequence[Tie]) -> None:
    """Only what is on the sheet."""
    side.gap()
    side.head("Legend")
    entries = [*_work(book, ties), *_things(things)]
    room = AIR * (side.box.wide_in / 2 - 0.44)
    side.pairs([e for e in entries if width_in(e[1]) <= room] + [e for e in entries if width_in(e[1]) > room])
    if any(_is_line(t) for t in things):
        side.lines(["Lines of others are approximate."])
    if ties:
        side.lines(["[ ]: tied, named in the table of ties. P: where a tape is hooked."])
    if len(book.ties) > len(ties):
        side.lines([f"Tapes to {len(book.ties) - len(ties)} more: see the ties."])


def _work(book: BuiltBook, ties: Sequence[Tie]) -> list[tuple[Swatch, str]]:
    """Lot, buildings, bores, pad, header, tapes."""
    ink, light, text, paper = tokens.INK, tokens.INK_LIGHT, tokens.TEXT, tokens.PAPER
    legs = [b for b in book.bores if b.leg is not None]
    surveyed = any(b.surveyed_exit is not None for b in legs)
    rings = any(b.state == "drilled" and b.surveyed_exit is None for b in legs)
    told: tuple[tuple[bool, Swatch, str], ...] = (
        (bool(book.parcel), _line("black", tokens.LOT_WIDTH, (0, tokens.LOT_DASH)), "lot, from a map"),
        (bool(book.buildings), area_swatch(tokens.BUILDING, tokens.BUILDING_EDGE), "building"),
        (bool(book.bores), _line(light, 1.3), "as planned"),
        (bool(legs), _marks((3, 0, 0), ink, ink, 5.5), "entry"),
        (bool(legs), _marks("o", ink, ink, 2.6, line=1.2, every=4), "as drilled, readings"),
        (surveyed, _marks("s", ink, ink, 5.0), "surveyed exit"),
        (rings, _marks("o", ink, paper, 5.0), "exit"),
        (bool(given_up(book)), _marks("x", text, text, 4.5, line=0.9, every=3), "given up"),
        (len(book.pad) > 0, area_swatch(paper, ink, width=1.3), "pad"),
        (book.header is not None, _line(ink, 1.4, (0, tokens.HEADER_DASH)), "header run"),
        (bool(ties), _marks("D", text, paper, 4.2), "fixed point"),
        (bool(ties), _line(text, 0.7, (0, (5, 1.5))), "tape"),
    )
    return [(draw, words) for shown, draw, words in told if shown]


def _is_line(thing: Thing) -> bool:
    """Whether it is a line of one of the families that carry a letter."""
    return bool(thing.letter) and "Line" in thing.geometry.geom_type


def _things(things: Sequence[Thing]) -> list[tuple[Swatch, str]]:
    """Families of lines by letter, then areas and points by kind."""
    letters = {t.letter for t in things if _is_line(t)}
    entries = [(_cased(k), f"{k}: {tokens.FAMILY_WORDS[k]}") for k in tokens.FAMILY if k in letters]
    for kind in sorted({t.kind for t in things}):
        mine = [t for t in things if t.kind == kind]
        style, words = tokens.kind_style(kind), kind.replace("_", " ")
        if any("Polygon" in t.geometry.geom_type for t in mine):
            dash = (0, style.dash) if style.dash else "solid"
            entries.append((area_swatch(style.fill, style.colour, dash=dash), words))
        elif any("Point" in t.geometry.geom_type for t in mine):
            colour = style.colour if style.letter else tokens.TEXT
            entries.append((_marks("o", colour, tokens.PAPER, 5.0), words))
        elif not style.letter:
            entries.append((_line(style.colour, 3.0), words))
    return entries


def north(side: Side) -> None:
    """Arrow to true north, up."""
    top, x, tall = side.y_in - side.box.y_in + 0.03, 0.15, 0.3
    side.axes.fill([x, x - 0.07, x], [top, top + tall, top + tall * 0.75], fc="black", ec="black", lw=THIN)
    side.axes.fill([x, x + 0.07, x], [top, top + tall, top + tall * 0.75], fc="white", ec="black", lw=THIN)
    side.page.text(side.box.x_in + x + 0.14, side.y_in + 0.17, "N", NORMAL, bold=True)
    words = cut("true north is up", AIR * (side.box.wide_in - 0.45))
    side.page.text(side.box.x_in + x + 0.3, side.y_in + 0.17, words)
    side.y_in += max(tall + 0.06, ROW_IN)
