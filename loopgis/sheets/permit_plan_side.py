"""The column beside a plan: legend of what is on the sheet, scale bar, north, marks, and what found no room on the map."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loopgis.core.units import length_text
from loopgis.sheets import tokens
from loopgis.sheets.drill_paper import LEADING, SMALL, THIN, cut, width_in, wrap
from loopgis.sheets.figure import NORMAL, in_units, round_step

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.sheets.permit_book import BorePlan, PermitBook
    from loopgis.sheets.permit_paper import Box, PermitPaper

LINE_IN = SMALL * LEADING / 72
ROW_IN = 0.15
SWATCH_IN = 0.34
AIR = 0.96
"""Share of the width that texts may fill: screens set type wider than paper."""


@dataclass(eq=False)
class Side:
    """Column that is filled from the top down; y_in: where the next thing begins; what finds no room is counted, never dropped."""

    page: PermitPaper
    box: Box
    book: PermitBook
    per_inch_m: float
    y_in: float = field(init=False)
    axes: Any = field(init=False)

    def __post_init__(self) -> None:
        """Axes over the column, in inches from its upper left corner, for lines, marks and patches."""
        box = self.box
        self.y_in = box.y_in
        self.axes = self.page.axes(box.x_in, box.y_in, box.wide_in, box.tall_in)
        self.axes.set_axis_off()
        self.axes.set_xlim(0, box.wide_in)
        self.axes.set_ylim(box.tall_in, 0)

    @property
    def room_in(self) -> float:
        """Height that is left."""
        return self.box.low_in - self.y_in

    def head(self, text: str) -> None:
        """Heading of a part."""
        self.page.text(self.box.x_in, self.y_in + 0.13, text, NORMAL, bold=True)
        self.y_in += 0.18

    def pairs(self, entries: Sequence[tuple[Callable[[Any, float, float, float], None], str]]) -> None:
        """Short entries of the legend, two in a row."""
        half = self.box.wide_in / 2
        room = AIR * (half - SWATCH_IN - 0.1)
        short = [e for e in entries if width_in(e[1]) <= room]
        for n, (draw, text) in enumerate(short):
            x = (n % 2) * half
            draw(self.axes, x, SWATCH_IN, self.y_in - self.box.y_in + ROW_IN / 2)
            self.page.text(self.box.x_in + x + SWATCH_IN + 0.07, self.y_in + ROW_IN / 2 + 0.035, text)
            if n % 2 or n + 1 == len(short):
                self.y_in += ROW_IN
        for draw, text in (e for e in entries if e not in short):
            self.swatch(draw, text)

    def swatch(self, draw: Callable[[Any, float, float, float], None], text: str) -> None:
        """One line of the legend; draw: paints in axes units from an x on, so wide, at a height."""
        draw(self.axes, 0.0, SWATCH_IN, self.y_in - self.box.y_in + ROW_IN / 2)
        lines = wrap(text, AIR * (self.box.wide_in - SWATCH_IN - 0.08))
        for n, line in enumerate(lines):
            self.page.text(self.box.x_in + SWATCH_IN + 0.08, self.y_in + ROW_IN / 2 + 0.035 + n * LINE_IN, line)
        self.y_in += ROW_IN + (len(lines) - 1) * LINE_IN

    def lines(self, texts: Sequence[str], where: str = "the bore schedule and setbacks") -> None:
        """Paragraphs; as many whole ones as there is room for, then how many are left and where they stand."""
        for n, text in enumerate(texts):
            wrapped = wrap(text, AIR * self.box.wide_in)
            tail = LINE_IN if n + 1 < len(texts) else 0.0
            if len(wrapped) * LINE_IN + tail > self.room_in:
                more = f"and {len(texts) - n} more: see {where}" if n else f"{len(texts)}: see {where}"
                self.page.text(self.box.x_in, self.y_in + SMALL / 72, cut(more, self.box.wide_in))
                self.y_in = self.box.low_in
                return
            self.y_in = self.page.paragraph(self.box.x_in, self.y_in, wrapped)

    def gap(self, tall_in: float = 0.07) -> None:
        """Air, and a thin rule."""
        self.page.line(self.box.x_in, self.y_in + tall_in / 2, self.box.right_in, self.y_in + tall_in / 2, THIN)
        self.y_in += tall_in

    def bar(self, words: str) -> None:
        """Scale as a bar of two equal parts and in words."""
        self.gap()
        metres, value, unit = round_step((self.box.wide_in - 0.5) / 2 * self.per_inch_m, self.book.units)
        long = metres / self.per_inch_m
        from matplotlib.patches import Rectangle  # noqa: PLC0415

        top = self.y_in - self.box.y_in + 0.2
        for n, colour in enumerate(("black", "white")):
            at = (0.1 + n * long, top)
            self.axes.add_patch(Rectangle(at, long, 0.09, fc=colour, ec="black", lw=THIN, gid=f"bar-{n}"))
        for n in range(3):
            text = f"{n * value:g}" + (f" {unit}" if n == 2 else "")
            self.page.text(self.box.x_in + 0.1 + n * long, self.y_in + 0.16, text, ha="center" if n < 2 else "left")
        self.page.text(self.box.x_in + 0.1, self.y_in + 0.42, f"{words}, on paper of this size", bold=True)
        self.y_in += 0.48

    def north(self) -> None:
        """Arrow to true north, up, with grid north as a thin stroke, and what lies between them in words."""
        tall = 0.5
        top, x = self.y_in - self.box.y_in + 0.05, 0.25
        self.axes.fill([x, x - 0.09, x], [top, top + tall, top + tall * 0.75], fc="black", ec="black", lw=THIN)
        self.axes.fill([x, x + 0.09, x], [top, top + tall, top + tall * 0.75], fc="white", ec="black", lw=THIN)
        self.page.text(self.box.x_in + x + 0.13, self.y_in + 0.17, "N", NORMAL, bold=True)
        turn = self.book.convergence_deg
        lean = math.radians(turn)
        foot = (x, top + tall)
        grid = (foot[0] + 1.1 * tall * math.sin(lean), foot[1] - 1.1 * tall * math.cos(lean))
        self.axes.plot(*zip(foot, grid, strict=True), color="black", lw=THIN, ls=(0, (2, 1.5)), clip_on=False)
        if abs(turn) < 0.005:
            words = f"True north is up. Grid north of {self.book.crs_name}: no difference that can be drawn."
        else:
            side = "east" if turn > 0 else "west"
            words = f"True north is up. Grid north of {self.book.crs_name} lies {abs(turn):.2f} degrees {side} of true north."
        lines = wrap(words, AIR * (self.box.wide_in - 0.62))
        self.page.paragraph(self.box.x_in + 0.6, self.y_in + 0.04, lines)
        self.y_in += max(0.62, len(lines) * LINE_IN + 0.08)

    def radius(self) -> None:
        """What the search radius is, who asks for it, and what was given or not within it."""
        book = self.book
        self.gap()
        radius = length_text(book.map_radius_m, book.units, 0)
        words = [f"Dashed outline: {radius} from the lot line. Asked for by: {book.map_radius_source}."]
        given = sorted({t.kind.replace("_", " ") for t in book.things})
        words.append(f"In the file near here: {', '.join(given) or 'nothing'}.")
        absent = [m.removeprefix("no layer of ").split(":")[0] for m in book.missing if m.startswith("no layer of ")]
        if absent:
            words.append(f"No layer was given of: {', '.join(absent)}. They may be here all the same.")
        words.append(
            "Wells, septic systems and waters on neighbours' land count too. Only what somebody put into the file is drawn:"
            f" nothing beyond {length_text(150.0, book.units, 0)} of the lot is kept in a file that loopgis made."
        )
        self.lines(words)

    def sides(self, words: Sequence[str]) -> None:
        """Sides of the lot that are too short for their words on the map."""
        if words:
            self._part("Sides, from corner to corner", words, "the lot's own file")

    def bores(self, figures: Sequence[tuple[BorePlan, str]], missing: Sequence[int]) -> None:
        """Every bore's governing distance in a line; those whose figure found no room on the map come first."""
        unit = in_units(self.book.units)[1]
        alike: dict[str, list[str]] = {}
        for n in (*missing, *(n for n in range(len(figures)) if n not in missing)):
            bore, text = figures[n]
            row = bore.governing
            if row is None:
                alike.setdefault("No plan distance is asked", []).append(bore.bore_id)
                continue
            head = f"To {row.thing}, asked {length_text(row.required, self.book.units)} ({row.rule_id})"
            mark = "*" if n in missing else ""
            alike.setdefault(head, []).append(f"{bore.bore_id}{mark} {text.removesuffix(unit).strip()}")
        texts = [f"{head}: {'; '.join(each)}" for head, each in alike.items()]
        star = ["* figure not on the map"] if missing else []
        self._part(f"Nearest to what is asked, in plan, {unit}", [*star, *texts], "the bore schedule and setbacks")

    def _part(self, head: str, texts: Sequence[str], where: str) -> None:
        """A headed list; where there is no room for it at all, one line that says where it stands, or nothing below that."""
        if self.room_in > 0.25 + 2 * LINE_IN:
            self.gap()
            self.head(head)
            self.lines(texts, where)
        elif self.room_in > LINE_IN:
            self.lines([f"{head}: see {where}"], where)

    def left_out(self, texts: Sequence[str]) -> None:
        """Words that found no room on the map; where even the column has none, how many they are."""
        told = [t.replace(chr(10), " ") for t in dict.fromkeys(texts)]
        if told:
            self.gap()
            room = AIR * self.box.wide_in
            words = f"No room on the map for: {', '.join(told)}"
            if len(wrap(words, room)) * LINE_IN > self.room_in:
                words = f"No room on the map for {len(told)} names; see the tables"
            self.lines([words], "the tables")


def legend_site(side: Side) -> None:
    """Legend of the site plan: only what is on the sheet."""
    side.head("Legend")
    _lot(side)
    _bores(side)
    side.swatch(_arrow, "plan distance to what governs the bore; at exits from where a depth error may bring it up")
    side.swatch(_stroke("black", 0.6, (0, (1, 2))), "plan distance to another thing, from the bore nearest to it")
    if any(z.closed for z in side.book.zones):
        side.swatch(_hatch("///"), "nearer than a rule allows, at any depth")
    if any(not z.closed for z in side.book.zones):
        side.swatch(_hatch(".."), "a rule asks depth, a square crossing or a ruling here")
    _things(side)
    _marks(side)


def legend_surroundings(side: Side) -> None:
    """Legend of the surroundings."""
    side.head("Legend")
    _lot(side)
    side.swatch(_stroke("black", 1.0, (0, (6, 4))), "search radius")
    side.swatch(_stroke(tokens.INK, 0.9), "bore")
    _things(side)


def _lot(side: Side) -> None:
    side.swatch(_stroke("black", tokens.LOT_WIDTH, (0, tokens.LOT_DASH)), "lot line, from a map file")
    if side.book.lot.neighbours:
        side.swatch(_stroke(tokens.TEXT_SOFT, 0.8, (0, tokens.AREA_DASH)), "neighbour's lot")


def _bores(side: Side) -> None:
    side.swatch(_bore, "bore: entry, deep run, exit")
    if any(b.crossings for b in side.book.bores):
        side.swatch(_point("D", 3.6, tokens.TEXT), "passes under or over something")
    if side.book.headers:
        side.swatch(_stroke(tokens.INK, 1.4, (0, tokens.HEADER_DASH)), "header to the building")


def _things(side: Side) -> None:
    shown = [t for t in side.book.things if t.kind != "neighbour_parcel"]
    entries: list[tuple[Callable[[Any, float, float, float], None], str]] = []
    for letter in tokens.FAMILY:
        mine = [t for t in shown if t.letter == letter]
        if any(t.geometry.geom_type in {"LineString", "MultiLineString"} for t in mine):
            entries.append((_cased(letter), f"{letter}: {tokens.FAMILY_WORDS[letter]}"))
    if entries:
        side.pairs(entries)
        side.lines(["Lines are approximate: call, and see them exposed."])
    rest: list[tuple[Callable[[Any, float, float, float], None], str]] = []
    for kind in sorted({t.kind for t in shown}):
        mine = [t for t in shown if t.kind == kind]
        style = tokens.kind_style(kind)
        words = kind.replace("_", " ")
        if any(t.geometry.geom_type in {"Polygon", "MultiPolygon"} for t in mine):
            rest.append((_area(style), words))
        elif all(t.geometry.geom_type in {"Point", "MultiPoint"} for t in mine):
            rest.append((_point("o", 5.0, style.colour if style.letter else tokens.TEXT), words))
        elif not style.letter:
            rest.append((_area(style), words))
    side.pairs(rest)


def _marks(side: Side) -> None:
    """Signs of the outcomes that are on the sheet."""
    side.gap()
    shown = {b.governing.outcome for b in side.book.bores if b.governing is not None}
    for outcome, mark in tokens.OUTCOME.items():
        if outcome in shown:
            place = (side.box.x_in + SWATCH_IN / 2, side.y_in + ROW_IN / 2 + 0.04)
            side.page.text(*place, mark.sign, NORMAL, bold=True, ha="center")
            words = {"pass": "distance kept, tolerances included"}.get(outcome, mark.words)
            side.page.text(side.box.x_in + SWATCH_IN + 0.08, place[1], cut(words, side.box.wide_in - SWATCH_IN - 0.1))
            side.y_in += ROW_IN


def _stroke(colour: str, width: float, dash: Any = "solid") -> Callable[[Any, float, float, float], None]:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        axes.plot([x, x + wide], [y, y], color=colour, lw=width, ls=dash, clip_on=False)

    return draw


def _cased(letter: str) -> Callable[[Any, float, float, float], None]:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        axes.plot([x, x + wide], [y, y], color=tokens.HALO, lw=tokens.LINE_HALO_WIDTH, solid_capstyle="butt")
        axes.plot([x, x + wide], [y, y], color=tokens.FAMILY[letter], lw=tokens.LINE_WIDTH, solid_capstyle="butt")

    return draw


def _bore(axes: Any, x: float, wide: float, y: float) -> None:
    axes.plot([x + 0.03, x + wide - 0.03], [y, y], color=tokens.INK, lw=tokens.SLANT_WIDTH)
    axes.plot([x + wide * 0.3, x + wide * 0.7], [y, y], color=tokens.INK, lw=tokens.LEVEL_WIDTH, solid_capstyle="butt")
    axes.plot(x + 0.04, y, marker=(3, 0, -90), ms=6.0, color=tokens.INK)
    axes.plot(x + wide - 0.03, y, "o", ms=5.0, mfc="white", mec=tokens.INK, mew=1.3)


def _arrow(axes: Any, x: float, wide: float, y: float) -> None:
    how = {
        "arrowstyle": "<|-|>,head_length=0.25,head_width=0.11",
        "lw": 0.8,
        "color": "black",
        "shrinkA": 0,
        "shrinkB": 0,
    }
    axes.annotate("", (x + 0.02, y), (x + wide - 0.02, y), arrowprops=how)


def _point(marker: str, size: float, colour: str) -> Callable[[Any, float, float, float], None]:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        axes.plot(x + wide / 2, y, marker, ms=size, mfc="white", mec=colour, mew=1.1)

    return draw


def _hatch(pattern: str) -> Callable[[Any, float, float, float], None]:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        from matplotlib.patches import Rectangle  # noqa: PLC0415

        box = Rectangle((x, y - 0.06), wide, 0.12, fc="none", ec=tokens.CLOSED, lw=0.5, hatch=pattern)
        box.set_hatch_linewidth(0.35)
        axes.add_patch(box)

    return draw


def _area(style: tokens.KindStyle) -> Callable[[Any, float, float, float], None]:
    def draw(axes: Any, x: float, wide: float, y: float) -> None:
        from matplotlib.patches import Rectangle  # noqa: PLC0415

        dash = (0, style.dash) if style.dash else "solid"
        axes.add_patch(Rectangle((x, y - 0.06), wide, 0.12, fc=style.fill, ec=style.colour, lw=0.9, ls=dash))

    return draw
