"""Notes and sources for the permit office, and requests for what only a person can grant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from loopgis.core.findings import in_order
from loopgis.sheets.drill_paper import HEAVY, SMALL, width_in
from loopgis.sheets.permit_flow import (
    HINT,
    Head,
    PageMaker,
    Row,
    Strip,
    flow,
    gap,
    heading,
    lines_of,
    paragraph,
    ruled_lines,
    table,
)
from loopgis.sheets.permit_tables import (
    DASH,
    ON_FAIL,
    WORDS,
    amounts,
    bore_word,
    decimals,
    file_words,
    length,
    thing_words,
    unit_word,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from loopgis.sheets.drill_paper import Paper
    from loopgis.sheets.permit_book import PermitBook, SetbackRow, SourceLine

NOTES_NAME, REQUESTS_NAME = "Notes and sources", "Requests"
COLUMN_IN = 4.8
"""Least width of a column of text."""
TOGETHER = 8
"""A request of no more rows than this is not torn apart by the end of a column."""
ASKED_ON_FAIL = frozenset({"variance", "prior_approval", "consent"})
"""What a rule offers when it is not kept; anything else leaves nothing to ask."""
NO_DATE = "the file tells no date"


# notes --------------------------------------------------------------


def notes_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages of notes: what is missing, findings, details, check list, data sources, rule files."""
    return flow(book, paper, NOTES_NAME, partial(_notes, book), least_in=COLUMN_IN)


def _notes(book: PermitBook, wide: float) -> list[Strip]:
    return [
        *_listed("What is missing", book.missing, wide, "Nothing that the rules and this sheet ask of the file."),
        *_findings(book, wide),
        *_listed("Other layouts in the file", book.others, wide, ""),
        *_checklist(book, wide),
        *_details(book, wide),
        *_sources(book, wide),
        *_files(book, wide),
        *_ground(book, wide),
    ]


def _listed(name: str, texts: Iterable[str], wide: float, nothing: str) -> list[Strip]:
    """A heading with lines under it; nothing: what stands there when there are none, "" leaves the heading out."""
    lines = list(texts) or ([nothing] if nothing else [])
    if not lines:
        return []
    return [*heading(name, wide), *[s for text in lines for s in _item(text, wide)], gap(0.12)]


def _item(text: str, wide: float) -> list[Strip]:
    """One line of a list with a dash before it."""
    strips = paragraph(text, wide, indent_in=0.12)
    first = strips[0]

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + SMALL / 72, DASH)
        first.draw(page, x, y)

    return [Strip(first.tall_in, draw, keep=first.keep), *strips[1:]]


def _findings(book: PermitBook, wide: float) -> list[Strip]:
    """What the audit found in the file besides the rows, errors first."""
    texts = []
    for f in in_order(list(book.findings)):
        place = ", ".join(p for p in (f.where, f.bore_id, f.feature_id) if p)
        at = "" if f.station_m is None else f" at {length(f.station_m, book.units)} {unit_word(book.units)}"
        remedy = f" To do: {f.remedy}." if f.remedy else ""
        texts.append(f"{f.severity.upper()} {f'({place}{at}) ' if place or at else ''}{f.message}.{remedy}")
    return _listed("Findings in the file", texts, wide, "The file itself gave no cause for remark.")


def _details(book: PermitBook, wide: float) -> list[Strip]:
    strips: list[Strip] = []
    for group in dict.fromkeys(d.group for d in book.details):
        mine = [d for d in book.details if d.group == group]
        rows = [Row((d.name, d.value, d.source or "the file")) for d in mine]
        heads = (Head("what"), Head("figure or words"), Head("from"))
        above = tuple(paragraph(f"{group}, continued", wide, bold=True, keep=True))
        strips += [*heading(f"Details: {group}", wide), *table(wide, heads, rows, above=above), gap(0.12)]
    return strips


def _checklist(book: PermitBook, wide: float) -> list[Strip]:
    """What the office asks to see and where it stands; what is missing stands out."""
    if not book.checklist:
        return []
    rows = [Row((c.item, c.state, c.where), bold=c.state == "missing") for c in book.checklist]
    heads = (Head("the office's check list"), Head("state"), Head("where"))
    above = tuple(paragraph("Check list, continued", wide, bold=True, keep=True))
    return [*heading("Check list", wide), *table(wide, heads, rows, above=above), gap(0.12)]


def _sources(book: PermitBook, wide: float) -> list[Strip]:
    rows = [
        Row(
            (
                s.layer,
                s.what,
                str(s.rows) if s.rows else DASH,
                s.changed or (DASH if s.what.startswith("input:") else NO_DATE),
                s.quality or DASH,
            )
        )
        for s in _joined(book.sources)
    ]
    heads = (Head("layer or file"), Head("what"), Head("rows", "right"), Head("changed"), Head("quality, check sum"))
    above = tuple(paragraph("Data sources, continued", wide, bold=True, keep=True))
    words = (
        f"File: {book.file_name}, SHA-256 {book.file_sha256}. Nothing that it says of its own distances was believed."
    )
    return [
        *heading("Data sources", wide),
        *paragraph(words, wide, keep=True),
        *table(wide, heads, rows, above=above),
        gap(0.12),
    ]


def _joined(sources: Iterable[SourceLine]) -> list[SourceLine]:
    """Kinds that were read from the same file in one line: "input: gas line, water well, NAD83"."""
    made: dict[tuple[str, ...], SourceLine] = {}
    for n, line in enumerate(sources):
        role, _, system = line.what.rpartition(", ")
        read = line.what.startswith("input: ") and bool(role)
        key = (line.layer, line.changed, line.quality, system) if read else (str(n),)
        known = made.get(key)
        if known is not None:
            earlier = known.what.rpartition(", ")[0]
            what = f"{earlier}, {role.removeprefix('input: ')}, {system}"
            line = replace(known, what=what, rows=known.rows + line.rows)  # noqa: PLW2901
        made[key] = line
    return list(made.values())


def _files(book: PermitBook, wide: float) -> list[Strip]:
    return _listed("Rule files", [file_words(f) for f in book.files], wide, "No rule file: nothing was checked.")


def _ground(book: PermitBook, wide: float) -> list[Strip]:
    unit = unit_word(book.units)
    due = (
        "The office says no term for the as-built."
        if book.as_built_days is None
        else f"As-built due within {book.as_built_days} days of the work"
    )
    source = f" ({book.as_built_source})" if book.as_built_source else ""
    texts = [
        f"System of the lot: {book.crs_name}; datum {book.datum}.",
        f"Heights: {book.height_datum}. Ground: {book.ground}.",
        f"Shown round the lot: {length(book.map_radius_m, book.units)} {unit} ({book.map_radius_source}).",
        f"{due}{source}; its coordinates with {decimals(book)} decimals of a degree.",
    ]
    return _listed("Systems, terms", texts, wide, "")


# requests --------------------------------------------------------------


@dataclass(frozen=True)
class Request:
    """Something that only a person can grant: rows of one thing and rule (and kind of asking), most pressing bore first."""

    what: str
    decides: str
    rows: tuple[SetbackRow, ...]


def requests(book: PermitBook) -> list[Request]:
    """Everything to ask for: fails of rules that offer a way, rulings, consents; in the order of the office's table."""
    found: dict[tuple[str, str, str, str], list[SetbackRow]] = {}
    for row in (*book.table, *book.rows):
        what = _asked(row)
        if what:
            rows = found.setdefault((row.rule_id, row.feature_id, row.kind, what), [])
            if not any(_same(row, r) for r in rows):
                rows.append(row)
    return [
        Request(what, _decides(rows[0], what), tuple(sorted(rows, key=_pressing)))
        for (_, _, _, what), rows in found.items()
    ]


def _same(a: SetbackRow, b: SetbackRow) -> bool:
    return (a.bore_id, a.basis, a.provided, a.station_m) == (b.bore_id, b.basis, b.provided, b.station_m)


def _pressing(row: SetbackRow) -> tuple[float, str]:
    return (float("-inf") if row.margin is None else row.margin), row.bore_id


def _asked(row: SetbackRow) -> str:
    """What is asked of somebody for a row, "" for nothing."""
    if row.outcome == "fail" and row.on_fail in ASKED_ON_FAIL:
        return ON_FAIL[row.on_fail]
    if row.outcome == "unverified" and row.margin is not None and row.margin < 0:
        return "ruling"
    return {"ruling_needed": "ruling", "consent_needed": "consent"}.get(row.outcome, "")


def _decides(row: SetbackRow, what: str) -> str:
    office = "the office" if row.rule_id.split("/", maxsplit=1)[0] == "house" else row.authority
    if what != "consent":
        return office
    return f"the owner of {thing_words(row)}; told to {office}"


def requests_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages of requests; none when there is nothing to ask."""
    if not requests(book):
        return []
    return flow(book, paper, REQUESTS_NAME, partial(_requests, book), least_in=COLUMN_IN)


def _requests(book: PermitBook, wide: float) -> list[Strip]:
    found = requests(book)
    strips = paragraph(f"{len(found)} requests of layout {book.layout_id or 'without a name'}", wide, 10.0, bold=True)
    strips += paragraph("Nothing on this sheet is granted before it is signed by whoever decides.", wide)
    for n, request in enumerate(found, 1):
        strips += [gap(0.1), *_request(n, request, book, wide)]
    return strips


def _request(number: int, request: Request, book: PermitBook, wide: float) -> list[Strip]:
    first, unit = request.rows[0], unit_word(book.units)
    name = f"{number}. {request.what[0].upper()}{request.what[1:]}: {thing_words(first)}"
    heads = (
        Head("bore"),
        Head("outcome"),
        Head(f"station\n{unit}", "right"),
        Head(f"required\n{unit}", "right"),
        Head(f"provided\n{unit}", "right"),
        Head(f"margin\n{unit}", "right"),
        Head("remark"),
    )
    rows = [
        Row(
            (
                bore_word(r),
                WORDS[r.outcome],
                length(r.station_m, book.units),
                *amounts(r, book.units),
                r.remark or DASH,
            ),
            mark="",
        )
        for r in request.rows
    ]
    above = tuple(paragraph(f"{name}, continued", wide, bold=True, keep=True))
    rules = table(wide, heads, rows, above=above)
    if len(rows) <= TOGETHER:
        rules = [replace(s, keep=True) for s in rules]
    begin = [
        _rule(wide),
        *paragraph(name, wide, 8.5, bold=True, keep=True),
        *paragraph(f"Rule {first.rule_id} ({first.authority}): {first.paraphrase}", wide, keep=True),
        *paragraph(f"Citation: {first.citation}.", wide, keep=True),
        *paragraph(f"Located: {first.located or 'not said'}.", wide, keep=True),
        *rules,
    ]
    fill = [
        *_to_fill("Why it cannot be kept otherwise:", 2, wide),
        *_to_fill("What is done instead (mitigation):", 2, wide),
        *paragraph(f"Decides: {request.decides}", wide, bold=True, keep=True),
        _choices(wide),
        *_to_fill("On condition that:", 1, wide),
        _signatures(wide, ("asked by", "date")),
        _signatures(wide, ("decided by, title", "signature", "date"), keep=False),
    ]
    return [*begin, *[replace(s, head=above) for s in fill]]


def _rule(wide: float) -> Strip:
    return Strip(0.04, lambda page, x, y: page.line(x, y, x + wide, y, HEAVY), keep=True)


def _to_fill(words: str, count: int, wide: float) -> list[Strip]:
    """Words with empty lines behind and under them."""
    lines = ruled_lines(count, wide, from_in=HINT * width_in(words) + 0.08)
    first = lines[0]

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 0.18, words)
        first.draw(page, x, y)

    return [Strip(first.tall_in, draw, keep=True), *lines[1:]]


def _choices(wide: float) -> Strip:
    """Boxes to tick."""
    words = ("granted", "granted on condition", "refused", "not needed")

    def draw(page: Paper, x: float, y: float) -> None:
        needs = [HINT * width_in(word) + 0.16 for word in words]
        air = (wide - sum(needs)) / len(words)
        for word, need in zip(words, needs, strict=True):
            page.box(x, y + 0.06, 0.11, 0.11)
            page.text(x + 0.16, y + 0.155, word)
            x += need + air

    return Strip(0.2, draw, keep=True)


def _signatures(wide: float, words: Sequence[str], *, keep: bool = True) -> Strip:
    """Named lines side by side to sign on."""

    def draw(page: Paper, x: float, y: float) -> None:
        step = wide / len(words)
        for n, word in enumerate(words):
            left = x + n * step
            name = lines_of(word, step)[0]
            page.text(left, y + 0.22, name)
            page.line(left + HINT * width_in(name) + 0.06, y + 0.24, left + step - 0.08, y + 0.24)

    return Strip(0.3, draw, keep=keep)
