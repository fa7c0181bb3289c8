"""Drill sheets for the crew as one PDF: what is read before anything is begun, then a page for every bore.

Black on white for a photocopier; letter with feet, A4 with metres. A bore that does not fit goes on over a further page. Two
runs give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import replaced_file
from loopgis.core.errors import InputError
from loopgis.sheets import drill_front, drill_mud, drill_profile, figure
from loopgis.sheets.drill_frame import HEAD_IN, KEYS_IN, foot, foot_in, head, keys
from loopgis.sheets.drill_paper import LINES_IN, TABLE, TOP_IN, Paper, width_in, wrap
from loopgis.sheets.drill_parts import crossings_in, draw_crossings, draw_rods, rod_table, rods_in
from loopgis.sheets.drill_pull import draw_pull, pull_in, pull_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from loopgis.sheets.drill_book import DrillBook, DrillPage
    from loopgis.sheets.drill_parts import RodTable

MOST_CROSSINGS = 12
"""Crossings on the first page of a bore; the others go on the next."""
GAP_IN = 0.06
PROFILE_IN, MUD_IN = (1.12, 1.12, 1.75, 2.5), (0.74, 0.74, 1.25, 1.7)
"""Heights of the two pictures with their captions: least, while rods are crowded, good, most."""
ROD_TIMES = (1.0, 1.07, 1.3, 1.55)
"""Heights of the rods' rows over the least."""
MORE = "+ {n} more in review.html"


@dataclass(frozen=True)
class Part:
    """What one sheet of paper shows of a bore: rods and crossings from the first up to, not including, the last.

    mud_lines: what stands under the picture of the mud.
    """

    page: DrillPage
    rods: tuple[int, int]
    crossings: tuple[int, int]
    continued: bool
    mud_lines: tuple[str, ...] = ()


def write_drill_sheets(path: Path, book: DrillBook) -> Path:
    """Write all sheets of a layout into one PDF, whole or not at all; gives the path.

    Raises InputError when the folder cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    with (
        replaced_file(path) as temp,
        PdfPages(temp, metadata={"CreationDate": None, "Producer": None, "Creator": None}) as pdf,
    ):
        for sheet in sheets(book):
            pdf.savefig(sheet)
    return path


def draw_drill_page(path: Path, book: DrillBook, bore_id: str) -> Path:
    """Draw the first page of one bore as PNG (150 dpi) or PDF by suffix; gives the path.

    Raises InputError, naming the layout, when it has no such bore; OSError when the file cannot be written.
    """
    known = [p.bore_id for p in book.pages]
    if bore_id not in known:
        what = f"layout {book.layout_id} has no bore {bore_id!r}"
        raise InputError("drill sheet", what, f"one of {', '.join(known)}")
    parts = parts_of(book)
    n = next(n for n, p in enumerate(parts) if p.page.bore_id == bore_id)
    fronts = drill_front.count(book)
    figure.save(draw(book, parts[n], f"page {fronts + n + 1} of {fronts + len(parts)}"), path)
    return path


def sheets(book: DrillBook) -> Iterator[Any]:
    """All pages as matplotlib figures, in order."""
    parts = parts_of(book)
    total = drill_front.count(book) + len(parts)
    number = 0
    for sheet in drill_front.fronts(book, total):
        number += 1
        yield sheet
    for part in parts:
        number += 1
        yield draw(book, part, f"page {number} of {total}")


def parts_of(book: DrillBook) -> list[Part]:
    """What stands on which sheet of paper."""
    paper = Paper(book.units)
    return [part for page in book.pages for part in _parts(paper, book, page)]


def _parts(paper: Paper, book: DrillBook, page: DrillPage) -> Iterator[Part]:
    told = rod_table(paper, page)
    rods, crossings = len(page.rods), len(page.crossings)
    first = min(crossings, MOST_CROSSINGS)
    words = [
        (n, line) for n, text in enumerate(drill_mud.mud_words(page, paper.units)) for line in wrap(text, paper.room_in)
    ]
    end = 0
    lines: list[str] = []
    for most in range(len(words), sum(n == 0 for n, _ in words) - 1, -1):
        lines = _words(words, most, paper.room_in)
        room = _room(paper, book, continued=False) - _least_in(paper, book, page, first, len(lines))
        end = _fits(told, 0, room, paper.room_in)
        if end == rods:
            break
    yield Part(page, (0, end), (0, first), continued=False, mud_lines=tuple(lines))
    while end < rods or first < crossings:
        room = _room(paper, book, continued=True)
        start, begin = end, first
        first = min(crossings, begin + 3 * MOST_CROSSINGS)
        end = _fits(told, start, room - (crossings_in(first - begin) if first > begin else 0.0) - GAP_IN, paper.room_in)
        yield Part(page, (start, end), (begin, first), continued=True)


def _fits(told: RodTable, first: int, room_in: float, wide_in: float) -> int:
    """Index behind the last rod for which there is room, at least one more than the first."""
    last = len(told.rows)
    while last > first + 1 and rods_in(told, first, last, wide_in) > room_in:
        last -= 1
    return last


def _words(lines: Sequence[tuple[int, str]], most: int, room_in: float) -> list[str]:
    """The first lines; behind the last one, or in its place, how many texts are left out or cut; never the first text."""
    if len(lines) <= most:
        return [text for _, text in lines]
    kept = [text for _, text in lines[:most]]
    more = MORE.format(n=lines[-1][0] - lines[most - 1][0])
    whole = lines[most][0] != lines[most - 1][0]
    if whole and width_in(f"{kept[-1]}  {more}") <= room_in:
        return [*kept[:-1], f"{kept[-1]}  {more}"]
    if lines[most - 1][0] == 0:
        return [*kept, more]
    return [*kept[:-1], MORE.format(n=lines[-1][0] - lines[most - 1][0] + 1)]


def _room(paper: Paper, book: DrillBook, *, continued: bool) -> float:
    """Height between head and foot."""
    return paper.tall_in - TOP_IN - HEAD_IN - (0.0 if continued else KEYS_IN) - foot_in(paper, book.claim) - GAP_IN


def _least_in(paper: Paper, book: DrillBook, page: DrillPage, crossings: int, lines: int) -> float:
    """Least height of everything but the rods on the first page of a bore."""
    mud = (MUD_IN[0] if drill_mud.known(page) else 0.0) + LINES_IN * lines
    return PROFILE_IN[0] + mud + _band(paper, book, page, crossings).least_in + 3 * GAP_IN


@dataclass(frozen=True)
class Band:
    """Crossings at the left, pull at the right, warnings under the shorter of the two; inches.

    left_in, right_in: widths; tall_in: heights of the two; lines: of the warnings, wrapped for their column, each with the number
    of its warning.
    """

    left_in: float
    right_in: float
    tall_in: tuple[float, float]
    lines: tuple[tuple[int, str], ...]

    @property
    def below_left(self) -> bool:
        """Whether the warnings stand under the crossings."""
        return self.tall_in[0] <= self.tall_in[1] + LINES_IN

    @property
    def least_in(self) -> float:
        """With room for a line or two of warnings."""
        return max(*self.tall_in, self.with_lines(min(2, len(self.lines))))

    @property
    def most_in(self) -> float:
        """With room for all of them."""
        return max(*self.tall_in, self.with_lines(len(self.lines)))

    def with_lines(self, count: int) -> float:
        """Height with a number of lines."""
        over = self.tall_in[0] if self.below_left else self.tall_in[1]
        return over + (0.03 + 0.13 + LINES_IN * count if self.lines else 0.0)


def _band(paper: Paper, book: DrillBook, page: DrillPage, crossings: int) -> Band:
    left = 0.58 * paper.room_in
    right = paper.room_in - left - 0.12
    _, lines = pull_words(page.figures, book.rod_length_m, paper.units)
    tall = (crossings_in(crossings), pull_in(lines))
    empty = Band(left, right, tall, ())
    wide = left if empty.below_left else right
    told = [(n, line) for n, text in enumerate(page.warnings, 1) for line in wrap(f"{n}. {text}", wide)]
    return Band(left, right, tall, tuple(told))


# one page --------------------------------------------------------------


def draw(book: DrillBook, part: Part, number: str) -> Any:
    """One sheet of a bore as a matplotlib figure."""
    page = part.page
    paper = Paper(book.units)
    name = f"{page.bore_id} continued" if part.continued else page.bore_id
    words = f"layout {book.layout_id}, pattern {page.pattern};  {book.rig}"
    y = head(paper, book, name, words, number)
    if part.continued:
        _continued(paper, book, part, y)
    else:
        _first(paper, book, part, y)
    foot(paper, book.claim)
    return paper.done()


def _continued(paper: Paper, book: DrillBook, part: Part, y: float) -> None:
    told = rod_table(paper, part.page)
    if part.rods[1] > part.rods[0]:
        rods = rods_in(told, *part.rods, paper.room_in)
        low = crossings_in(part.crossings[1] - part.crossings[0])
        times = min(ROD_TIMES[-1], (_room(paper, book, continued=True) - low - GAP_IN) / rods)
        y = draw_rods(paper, told, y, *part.rods, times=max(times, 1.0)) + GAP_IN
    if part.crossings[1] > part.crossings[0]:
        draw_crossings(
            paper, part.page.crossings[slice(*part.crossings)], (paper.left_in, y), paper.room_in, _title(part)
        )


def _first(paper: Paper, book: DrillBook, part: Part, y: float) -> None:
    page = part.page
    told = rod_table(paper, page)
    band = _band(paper, book, page, part.crossings[1])
    mud = drill_mud.known(page)
    rods = rods_in(told, *part.rods, paper.room_in)
    least = _least_in(paper, book, page, part.crossings[1], len(part.mud_lines))
    spare = _room(paper, book, continued=False) - least - rods
    span = float(max(p.along.plan_m[-1] for p in book.pages))
    tallest = drill_profile.tallest_in(paper, page, span)
    heights = _shared(
        spare,
        [
            (band.least_in, band.least_in, band.most_in, band.most_in),
            tuple(min(h, max(tallest, PROFILE_IN[0])) for h in PROFILE_IN),
            MUD_IN if mud else (0.0,) * len(MUD_IN),
            tuple(rods * t for t in ROD_TIMES),
        ],
    )
    y = keys(paper, page, y)
    drill_profile.profile(paper, page, y, heights[1], span)
    y += heights[1] + GAP_IN
    if mud:
        drill_mud.mud(paper, page, y, heights[2], span)
        y += heights[2]
    y = paper.paragraph(paper.left_in, y, part.mud_lines) + GAP_IN
    y = draw_rods(paper, told, y, *part.rods, times=heights[3] / rods) + GAP_IN
    _lower(paper, book, part, band, (y, heights[0]))


def _title(part: Part) -> str:
    """Title of the table of crossings."""
    first, last = part.crossings
    every = len(part.page.crossings)
    return "Crossings" if last - first == every else f"Crossings {first + 1} to {last} of {every}"


def _lower(paper: Paper, book: DrillBook, part: Part, band: Band, at: tuple[float, float]) -> None:
    """Crossings, pull, and the warnings for which there is room."""
    y, tall = at
    x = paper.left_in + band.left_in + 0.12
    low = draw_crossings(
        paper, part.page.crossings[: part.crossings[1]], (paper.left_in, y), band.left_in, _title(part)
    )
    side = draw_pull(paper, part.page, book.rod_length_m, (x, y), band.right_in)
    if not band.lines:
        return
    left, top = (paper.left_in, low) if band.below_left else (x, side)
    top += 0.03
    paper.text(left, top + 0.1, "Warnings, worst first", TABLE, bold=True)
    room = int((y + tall - top - 0.13) / LINES_IN + 1e-6)
    paper.paragraph(left, top + 0.13, _told(band.lines, room))


def _told(lines: tuple[tuple[int, str], ...], room: int) -> list[str]:
    """Lines of the warnings that fit; the last one tells how many warnings are left out or cut."""
    if len(lines) <= room:
        return [text for _, text in lines]
    kept = lines[: max(room - 1, 0)]
    more = lines[-1][0] - lines[len(kept)][0] + 1
    return [*(text for _, text in kept), MORE.format(n=more)]


def _shared(spare: float, wishes: list[tuple[float, ...]]) -> list[float]:
    """Heights that share what is spare: first all up to the second figure of their wish, then up to the third, and so on."""
    heights = [w[0] for w in wishes]
    for step in range(1, len(wishes[0])):
        wants = [max(w[step] - h, 0.0) for w, h in zip(wishes, heights, strict=True)]
        share = min(1.0, max(spare, 0.0) / sum(wants)) if sum(wants) > 0 else 0.0
        heights = [h + share * w for h, w in zip(heights, wants, strict=True)]
        spare -= share * sum(wants)
    return heights
