"""Paper for the crew: black on white in inches from the upper left corner, with texts measured before they are set.

Nothing here is grey or coloured, no line is thinner than 0.6 pt and no text smaller than 7 pt, so that a sheet survives a
photocopier. Feet and inches stand where the crew holds a tape.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from loopgis.core.units import FT_M, PSI_PA
from loopgis.sheets import figure

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

THIN, RULE, HEAVY = 0.6, 0.9, 1.6
"""Line widths, points."""
SMALL, TABLE = 7.0, 7.5
"""Type sizes, points: words and figures of a table."""
LEADING = 1.2
"""Distance of lines over type size."""
LINES_IN = 0.117
"""Height of a line of small text, inches."""
SIDE_IN, TOP_IN, FOOT_IN = 0.4, 0.3, 0.3
"""Margins of a page, inches."""
SIZES_IN = {"us": (8.5, 11.0), "metric": (8.27, 11.69)}
"""Letter and A4, upright."""
INCH_M = FT_M / 12
CUBIC_YARD_M3 = (3 * FT_M) ** 3


# texts measured --------------------------------------------------------------


@lru_cache(maxsize=2)
def _font(*, bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties  # noqa: PLC0415

    return FontProperties(family=figure.FONT, size=100.0, weight="bold" if bold else "normal")


@lru_cache(maxsize=20_000)
def _em(text: str, *, bold: bool) -> float:
    """Width in hundredths of the type size; blanks at the ends count."""
    from matplotlib.textpath import text_to_path  # noqa: PLC0415

    wide: float = text_to_path.get_text_width_height_descent(f"|{text}|", _font(bold=bold), ismath=False)[0]
    return wide - (_em("", bold=bold) if text else 0.0)


def width_in(text: str, size: float = SMALL, *, bold: bool = False) -> float:
    """Width of one line of text, inches; size in points.

    >>> width_in("mm", 10.0) > 1.9 * width_in("m", 10.0) > 0
    True
    """
    return _em(text, bold=bold) * size / 7200 if text else 0.0


def cut(text: str, room_in: float, size: float = SMALL, *, bold: bool = False) -> str:
    """Text as it is, or its beginning with three dots when it is wider than room_in.

    >>> cut("abc", 9.0), cut("a long text", 0.4)
    ('abc', 'a l...')
    """
    if width_in(text, size, bold=bold) <= room_in:
        return text
    for end in range(len(text) - 1, 0, -1):
        short = text[:end].rstrip() + "..."
        if width_in(short, size, bold=bold) <= room_in:
            return short
    return ""


def wrap(text: str, room_in: float, size: float = SMALL, *, bold: bool = False) -> list[str]:
    """Lines of at most room_in; a word that is wider by itself is broken.

    >>> wrap("one two three", 0.5)
    ['one two', 'three']
    """
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if width_in(longer, size, bold=bold) <= room_in:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        while width_in(line, size, bold=bold) > room_in:
            end = next((n for n in range(len(line) - 1, 1, -1) if width_in(line[:n], size, bold=bold) <= room_in), 1)
            lines.append(line[:end])
            line = line[end:]
    return [*lines, line] if line else lines


# figures in words --------------------------------------------------------------


def tape(metres: float, units: str) -> str:
    r"""Length as it is read off a tape: feet and inches, or metres and centimetres.

    >>> tape(1.9, "us"), tape(0.301, "us"), tape(1.9, "metric"), tape(-0.0001, "metric"), tape(-0.3, "us")
    ('6\'-3"', '1\'-0"', '1.90', '0.00', '-1\'-0"')
    """
    if units != "us":
        return f"{round(metres, 2) + 0.0:.2f}"
    inches = round(metres / INCH_M)
    feet, rest = divmod(abs(inches), 12)
    return f"{'-' if inches < 0 else ''}{feet}'-{rest}\""


def tape_word(metres: float, units: str) -> str:
    r"""The same with its unit, for running text.

    >>> tape_word(1.9, "us"), tape_word(1.9, "metric")
    ('6\'-3"', '1.90 m')
    """
    return tape(metres, units) + ("" if units == "us" else " m")


def whole(metres: float, units: str) -> str:
    """Length without decimals.

    >>> whole(1000.0, "us"), whole(1000.0, "metric")
    ('3,281 ft', '1,000 m')
    """
    factor, word = figure.in_units(units)
    return f"{metres / factor:,.0f} {word}"


def side(offset_m: float, units: str) -> str:
    r"""Left or right of the painted line; "0" on it.

    >>> side(-0.4, "us"), side(0.4, "metric"), side(0.001, "us")
    ('L 1\'-4"', 'R 0.40', '0')
    """
    least = INCH_M / 2 if units == "us" else 0.005
    return "0" if abs(offset_m) < least else f"{'L' if offset_m < 0 else 'R'} {tape(abs(offset_m), units)}"


def pressure(pascals: float, units: str) -> tuple[float, str]:
    """Figure and unit of a pressure on paper.

    >>> pressure(6894.76, "metric"), round(pressure(6894.76, "us")[0], 3)
    ((6.89476, 'kPa'), 1.0)
    """
    return (pascals / PSI_PA, "psi") if units == "us" else (pascals / 1000, "kPa")


# the page --------------------------------------------------------------


@dataclass(eq=False)
class Paper:
    """One page that is drawn on; x from the left edge, y from the upper edge, inches."""

    units: str
    figure: Any = field(init=False)
    wide_in: float = field(init=False)
    tall_in: float = field(init=False)
    _lines: dict[float, list[tuple[tuple[float, float], tuple[float, float]]]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Lay out an empty page of the size that goes with the units."""
        self.wide_in, self.tall_in = SIZES_IN["us" if self.units == "us" else "metric"]
        self.figure = figure.sheet(self.wide_in, self.tall_in)

    @property
    def left_in(self) -> float:
        """Left edge of what is printed."""
        return SIDE_IN

    @property
    def right_in(self) -> float:
        """Right edge of what is printed."""
        return self.wide_in - SIDE_IN

    @property
    def room_in(self) -> float:
        """Width of what is printed."""
        return self.wide_in - 2 * SIDE_IN

    def text(
        self,
        x_in: float,
        y_in: float,
        text: str,
        size: float = SMALL,
        *,
        bold: bool = False,
        ha: str = "left",
        white: bool = False,
    ) -> None:
        """Write one line, y_in being its base line; white: on a white patch, over lines."""
        if not text:
            return
        patch = {"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none"} if white else None
        self.figure.text(
            x_in, self.tall_in - y_in, text, transform=self.figure.dpi_scale_trans, fontsize=size, family=figure.FONT,
            color="black", fontweight="bold" if bold else "normal", ha=ha, va="baseline", parse_math=False, bbox=patch,
        )  # fmt: skip

    def paragraph(
        self,
        x_in: float,
        y_in: float,
        lines: Iterable[str],
        size: float = SMALL,
        *,
        bold: bool = False,
    ) -> float:
        """Write lines one under the other from y_in down; gives where the next thing may begin."""
        step = size * LEADING / 72
        for line in lines:
            self.text(x_in, y_in + size / 72, line, size, bold=bold)
            y_in += step
        return y_in

    def line(self, x0_in: float, y0_in: float, x1_in: float, y1_in: float, width: float = THIN) -> None:
        """Straight line; drawn when the page is done."""
        top = self.tall_in
        self._lines.setdefault(width, []).append(((x0_in, top - y0_in), (x1_in, top - y1_in)))

    def box(self, x_in: float, y_in: float, wide_in: float, tall_in: float, width: float = THIN) -> None:
        """Empty frame, its upper left corner at x_in, y_in."""
        right, low = x_in + wide_in, y_in + tall_in
        corners = ((x_in, y_in), (right, y_in), (right, low), (x_in, low), (x_in, y_in))
        for a, b in pairwise(corners):
            self.line(*a, *b, width)

    def axes(self, x_in: float, y_in: float, wide_in: float, tall_in: float) -> Any:
        """Axes whose upper left corner stands at x_in, y_in, in the look of these sheets."""
        place = (
            x_in / self.wide_in,
            1 - (y_in + tall_in) / self.tall_in,
            wide_in / self.wide_in,
            tall_in / self.tall_in,
        )
        made = self.figure.add_axes(place)
        made.set_facecolor("none")
        made.tick_params(labelsize=SMALL, length=2.5, width=THIN, pad=1.5, labelfontfamily=figure.FONT, colors="black")
        for name, spine in made.spines.items():
            spine.set_linewidth(THIN)
            spine.set_color("black")
            spine.set_visible(name in {"left", "bottom"})
        return made

    def done(self) -> Any:
        """Draw the lines that were kept, and give the figure."""
        from matplotlib.collections import LineCollection  # noqa: PLC0415

        for width, lines in sorted(self._lines.items()):
            made = LineCollection(
                lines,
                linewidths=width,
                colors="black",
                capstyle="projecting",
                transform=self.figure.dpi_scale_trans,
            )
            self.figure.add_artist(made, clip=False)
        self._lines.clear()
        return self.figure


@dataclass(frozen=True)
class Column:
    """One column of a table: words of its head (one or two lines), cells, and how they stand ("left", "right", "center").

    bold: rows set bold; spare: share of the width that is left over; least_in: narrower it is not made.
    """

    head: tuple[str, ...]
    cells: tuple[str, ...]
    ha: str = "right"
    bold: frozenset[int] = frozenset()
    spare: float = 0.0
    least_in: float = 0.0

    def needs_in(self, size: float) -> float:
        """Width that head and cells ask for, inches; of a column that takes the spare width only the head counts."""
        heads = max((width_in(h, SMALL) for h in self.head), default=0.0)
        if self.spare:
            return max(self.least_in, heads)
        cells = max((width_in(c, size, bold=n in self.bold) for n, c in enumerate(self.cells)), default=0.0)
        return max(self.least_in, heads, cells)


PAD_IN = 0.03
"""Air on both sides of what stands in a column."""


def table(
    paper: Paper,
    x_in: float,
    y_in: float,
    wide_in: float,
    columns: Sequence[Column],
    *,
    row_in: float,
    size: float = SMALL,
) -> float:
    """Plain table with a ruled head; gives where the next thing may begin. Cells that are too wide are cut."""
    widths = widths_in(columns, wide_in, size)
    heads = max(len(c.head) for c in columns)
    head_in = heads * SMALL * LEADING / 72 + 0.02
    rows = max(len(c.cells) for c in columns)
    left = x_in
    for column, width in zip(columns, widths, strict=True):
        at = {"left": left + PAD_IN, "right": left + width - PAD_IN, "center": left + width / 2}[column.ha]
        for n, word in enumerate(column.head):
            low = y_in + head_in - 0.03 - (len(column.head) - 1 - n) * SMALL * LEADING / 72
            paper.text(at, low, word, ha=column.ha)
        for n, cell in enumerate(column.cells):
            base = y_in + head_in + n * row_in + row_in / 2 + 0.36 * size / 72
            short = cut(cell, width - 2 * PAD_IN + 0.01, size, bold=n in column.bold)
            paper.text(at, base, short, size, bold=n in column.bold, ha=column.ha)
        left += width
    for n in range(rows + 1):
        paper.line(x_in, y_in + head_in + n * row_in, x_in + wide_in, y_in + head_in + n * row_in)
    return y_in + head_in + rows * row_in


def table_in(columns_heads: int, rows: int, row_in: float) -> float:
    """Height of a table."""
    return columns_heads * SMALL * LEADING / 72 + 0.02 + rows * row_in


def widths_in(columns: Sequence[Column], wide_in: float, size: float) -> list[float]:
    """Widths of columns that fill a table; what is left over goes by `spare`, and is taken from there when it is short."""
    needs = [c.needs_in(size) + 2 * PAD_IN for c in columns]
    rest, shares = wide_in - sum(needs), sum(c.spare for c in columns)
    if not shares:
        return [n + rest / len(columns) for n in needs]
    return [n + rest * c.spare / shares for n, c in zip(needs, columns, strict=True)]
