"""Tables of the permit office's plan set: bore schedule, setbacks, rules checked; and the words that tables and notes share."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.units import FT_M
from loopgis.rules.told import STATUS_WORDS as STATUS
from loopgis.sheets import tokens
from loopgis.sheets.drill_pull import bore_size
from loopgis.sheets.permit_flow import Head, PageMaker, Row, Strip, flow, gap, heading, marks_line, paragraph, table
from loopgis.sheets.permit_told import DOUBTS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from loopgis.sheets.permit_book import BorePlan, FileLine, PermitBook, RuleLine, SetbackRow

    Array = NDArray[np.float64]

SCHEDULE_NAME, SETBACKS_NAME, RULES_NAME = "Bore schedule", "Setbacks", "Rules checked"
WORDS: dict[str, str] = {
    "fail": "fails",
    "ruling_needed": "ruling needed",
    "unverified": "not verified",
    "consent_needed": "consent needed",
    "pass_thin": "met, within the tolerance",
    "pass": "met",
    "not_applicable": "does not apply",
}
"""Outcomes as the office's tables have them."""
ON_FAIL: dict[str, str] = {
    "deny": "refusal",
    "variance": "variance",
    "prior_approval": "prior approval",
    "consent": "consent",
    "advise": "advice only",
}
"""What a rule says becomes of a layout that fails it."""
STATES = ("checked", "not checked", "needs a person")
BASIS: dict[str, str] = {
    "plan": "in plan",
    "pad": "pad, in plan",
    "cover": "cover",
    "gap": "clear gap",
    "angle": "angle",
    "alongside": "gap alongside",
    "depth": "depth",
    "count": "number",
    "fluid": "fluid",
    "missing": "nothing",
}
"""What was measured."""
AT_MOST = frozenset({"depth", "count"})
"""What must not be more than is asked; everything else must not be less."""
CERTAINTY: dict[str, str] = {
    "text": "its text covers steered bores",
    "agency_ruling": "the agency says that steered bores are meant",
    "assumed": "that it is meant for steered bores is assumed: ask",
}
DASH = "\u2013"
METRES_PER_DEGREE = 111_200.0
"""Length of a degree of latitude, within half a percent everywhere (IUGG mean radius, 6 371 km)."""


# figures in words --------------------------------------------------------------


def length(metres: float | None, units: str, more: int = 0) -> str:
    """Length without its unit: feet with one decimal, metres with two, and `more` decimals.

    >>> length(3.048, "us"), length(3.048, "metric"), length(-0.0001, "us"), length(None, "us")
    ('10.0', '3.05', '0.0', '\u2013')
    """
    if metres is None or not np.isfinite(metres):
        return DASH
    digits = (1 if units == "us" else 2) + more
    return f"{round(metres / FT_M if units == 'us' else metres, digits) + 0.0:.{digits}f}"


def unit_word(units: str) -> str:
    """Word for the unit of lengths."""
    return "ft" if units == "us" else "m"


def amounts(row: SetbackRow, units: str) -> tuple[str, str, str]:
    """Required, provided and margin; of a row that fails with as many decimals as show it, so that 9.98 is not told as 10.0."""
    if row.unit != "m":
        tail = {"deg": "\u00b0", "bores": " bores"}.get(row.unit)
        if tail is None:
            return DASH, DASH, DASH
        values = (row.required, row.provided, row.margin)
        told = tuple(DASH if v is None else f"{round(v, 1) + 0.0:g}{tail}" for v in values)
        return told[0], told[1], told[2]
    more = 0
    if row.outcome == "fail" and row.margin is not None and row.margin < 0:
        more = next((m for m in range(4) if float(length(row.margin, units, m)) < 0), 3)
    return length(row.required, units, more), length(row.provided, units, more), length(row.margin, units, more)


def amounts_words(row: SetbackRow, units: str) -> str:
    """Provided and asked, in one line with the unit; "" when there is nothing to tell in figures."""
    asked, given, _ = amounts(row, units)
    if asked == DASH or row.basis == "missing":
        return ""
    unit = f" {unit_word(units)}" if row.unit == "m" else ""
    most = "at most " if row.basis in AT_MOST else ""
    return f"{BASIS.get(row.basis, row.basis)} {given}{unit}, asked {most}{asked}{unit}"


def seen_words(status: str, checked: date | None) -> str:
    """How well a text is known and when it was looked at."""
    day = "nobody says when it was looked at" if checked is None else f"looked at {checked:%Y-%m-%d}"
    return f"{STATUS.get(status, status)}; {day}"


def angle_words(pitch_pct: float | None) -> str:
    """Pitch in degrees and percent, negative going down.

    >>> angle_words(-35.0), angle_words(None)
    ('-19.3\u00b0, -35.0%', '\u2013')
    """
    if pitch_pct is None:
        return DASH
    degrees = np.degrees(np.arctan(pitch_pct / 100))
    return f"{degrees:.1f}\u00b0, {pitch_pct:.1f}%"


def file_words(file: FileLine) -> str:
    """Name of a rule file and how far it is to be trusted."""
    certain = CERTAINTY.get(file.certainty, file.certainty.replace("_", " "))
    names = ", ".join(dict.fromkeys((file.file_id, file.level)))
    text = f"{file.name} ({names}). Text: {seen_words(file.status, file.checked)}"
    text += f"; {certain}" if certain else ""
    return f"{text}. CAUTION: {file.caution}." if file.caution else f"{text}."


def bore_word(row: SetbackRow) -> str:
    """Which bore decided, or what else was measured."""
    if row.bore_id:
        return row.bore_id
    return "pad" if row.basis == "pad" else DASH if row.basis == "missing" else "all bores"


def _group(key: str, book: PermitBook) -> str:
    """File that a rule belongs to."""
    name = key.split("/", maxsplit=1)[0]
    return name if any(f.file_id == name for f in book.files) else ""


# bore schedule --------------------------------------------------------------


def schedule_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages of the bore schedule."""
    return flow(book, paper, SCHEDULE_NAME, partial(_schedule, book))


def decimals(book: PermitBook) -> int:
    """Decimals of latitude and longitude on the sheets: what the office asks, at least five."""
    return max(5, book.as_built_decimals)


def lat_lon(place: tuple[float, float], book: PermitBook) -> str:
    """Latitude and longitude."""
    digits = decimals(book)
    return f"{place[0]:.{digits}f}, {place[1]:.{digits}f}"


def _system(book: PermitBook) -> tuple[bool, str]:
    """Whether the lot's own system is in degrees, and the unit of its coordinates."""
    from pyproj import CRS  # noqa: PLC0415

    crs = CRS.from_wkt(book.crs_wkt)
    return bool(crs.is_geographic), str(crs.axis_info[0].unit_name) if crs.axis_info else ""


def _schedule(book: PermitBook, wide: float) -> list[Strip]:
    unit, units = unit_word(book.units), book.units
    degrees, native_unit = _system(book)
    heads = [
        Head("worst\noutcome"),
        Head("bore"),
        Head("state"),
        Head("entry"),
        Head("exit"),
        Head(f"length\nin plan\n{unit}", "right"),
        Head(f"drilled\nlength\n{unit}", "right"),
        Head(f"greatest\ndepth\n{unit}", "right"),
        Head(f"least\ncover\n{unit}", "right"),
        Head("entry\nangle", "right"),
        Head("exit\nangle", "right"),
        Head("hole", "right"),
        Head("cross-\nings", "right"),
        Head("governing setback"),
    ]

    def place(native: tuple[float, float], geo: tuple[float, float]) -> str:
        return lat_lon(geo, book) if degrees else f"{native[0]:.2f} E, {native[1]:.2f} N\n{lat_lon(geo, book)}"

    rows = [
        Row(
            (
                WORDS[b.outcome],
                b.bore_id,
                b.source or "not said",
                place(b.entry_native, b.entry_lat_lon),
                place(b.exit_native, b.exit_lat_lon),
                length(b.plan_length_m, units),
                length(b.length_m, units),
                length(b.max_depth_m, units),
                length(b.min_cover_m, units),
                angle_words(b.entry_pitch_pct),
                angle_words(b.exit_pitch_pct),
                bore_size(b.hole_diameter_m, units),
                str(len(b.crossings)),
                _governing(b, units),
            ),
            mark=b.outcome,
            bold=b.outcome == "fail",
        )
        for b in book.bores
    ]
    rows.append(_totals(book))
    coordinates = (
        f"Coordinates are latitude and longitude in {book.crs_name}, the lot's own system."
        if degrees
        else f"First line: east and north in {book.crs_name}, {native_unit}. Second: latitude and longitude on {book.datum},"
        " the lot's own datum."
    )
    digits = decimals(book)
    step = METRES_PER_DEGREE * 10.0**-digits
    shown = f"{step / FT_M:.2g} ft" if units == "us" else f"{step:.2g} m"
    placed = (
        f"{coordinates} {digits} decimals of a degree of latitude are {shown}. They are computed from the lines in the file:"
        " planned places, as good as the lot's own coordinates, not measured in the field."
    )
    heights = (
        f"Heights: {book.height_datum}. Ground: {book.ground}. Depth is of the bore's axis below the ground; least cover is over"
        f" the reamed hole, between the ends of the deep run, within a tenth of the greatest depth; {DASH}: not known. Angles:"
        " negative goes down. Governing setback: the distance in plan nearest to what is asked, or farthest short of it."
    )
    return [
        *heading(f"Bore schedule: {len(book.bores)} bores of layout {book.layout_id or 'without a name'}", wide),
        *[s for text in (placed, heights) for s in paragraph(text, wide, keep=True)],
        Strip(0.06, lambda *_: None, keep=True),
        *table(wide, heads, rows),
    ]


def _governing(bore: BorePlan, units: str) -> str:
    row = bore.governing
    if row is None:
        return "none measured"
    asked, given, margin = amounts(row, units)
    unit = unit_word(units) if row.unit == "m" else ""
    return f"{row.thing}: {given} of {asked} {unit} asked, margin {margin} ({row.rule_id})"


def _totals(book: PermitBook) -> Row:
    bores, units = book.bores, book.units
    states = Counter(b.source or "not said" for b in bores)
    deepest = max((b.max_depth_m for b in bores if b.max_depth_m is not None), default=None)
    least = min((b.min_cover_m for b in bores if b.min_cover_m is not None), default=None)
    return Row(
        (
            "all",
            str(len(bores)),
            ", ".join(f"{n} {s}" for s, n in sorted(states.items())),
            "",
            "",
            length(sum(b.plan_length_m for b in bores), units),
            length(sum(b.length_m for b in bores), units),
            length(deepest, units),
            length(least, units),
            "",
            "",
            "",
            str(sum(len(b.crossings) for b in bores)),
            "",
        ),
        bold=True,
    )


# setbacks --------------------------------------------------------------


def setback_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages of the setback table, what needs attention first."""
    return flow(book, paper, SETBACKS_NAME, partial(_setbacks, book))


def _setbacks(book: PermitBook, wide: float) -> list[Strip]:
    counts = Counter(str(r.outcome) for r in book.table)
    told = [(o, f"{counts[o]} {WORDS[o]}") for o in tokens.OUTCOME if counts[o]]
    strips = [
        *paragraph(book.claim, wide, 10.0, bold=True, keep=True),
        *paragraph(
            f"One row per rule and thing, the worst over all {len(book.bores)} bores: {len(book.table)} rows of {len(book.rows)}.",
            wide,
            keep=True,
        ),
        *marks_line(told, wide),
        *_attention(book, wide),
    ]
    groups = [(f.file_id, file_words(f)) for f in book.files] + [("", "Rules of no file named here.")]
    for name, words in groups:
        rows = [r for r in book.table if _group(r.rule_id, book) == name]
        if not rows:
            if name:
                strips += [
                    gap(0.12),
                    *heading(words, wide),
                    *paragraph("No row: nothing of it could be asked here.", wide),
                ]
            continue
        above = tuple(paragraph(f"{words.split('(')[0].strip()}, continued", wide, bold=True, keep=True))
        strips += [gap(0.12), *heading(words, wide, 8.0), *_setback_table(book, rows, wide, above)]
    return strips


def _setback_table(book: PermitBook, rows: Sequence[SetbackRow], wide: float, above: Sequence[Strip]) -> list[Strip]:
    unit, units = unit_word(book.units), book.units
    heads = (
        Head("outcome, remark"),
        Head("thing"),
        Head("rule"),
        Head("measured"),
        Head(f"bore, station\n{unit}"),
        Head(f"required\n{unit}", "right"),
        Head(f"provided\n{unit}", "right"),
        Head(f"margin\n{unit}", "right"),
        Head("if it fails"),
        Head("how located"),
        Head("citation"),
    )
    return table(wide, heads, [_setback_row(r, units) for r in _absent_as_one(rows)], above=above)


def _absent_as_one(rows: Sequence[SetbackRow]) -> list[SetbackRow]:
    """Layers that are missing for the same rule in one row, all kinds named; the other rows as they are."""
    made: dict[object, SetbackRow] = {}
    for n, row in enumerate(rows):
        key: object = n
        if row.basis == "missing" and not row.bore_id:
            key = (row.rule_id, row.required, row.unit, row.outcome, row.remark)
        known = made.get(key)
        made[key] = row if known is None else replace(known, thing=f"{known.thing}, {row.thing}", kind="")
    return list(made.values())


def thing_words(row: SetbackRow) -> str:
    """Name of a thing and, where that does not tell it, its kind."""
    kind = row.kind.replace("_", " ")
    plain = not row.feature_id or kind in row.thing or row.kind in {"property_line", "ground", ""}
    return row.thing if plain else f"{row.thing} ({kind})"


def _setback_row(row: SetbackRow, units: str) -> Row:
    asked, given, margin = amounts(row, units)
    missing = row.basis == "missing"
    words = WORDS[row.outcome]
    remark = "no layer" if missing and row.outcome == "unverified" else row.remark
    at = "" if row.station_m is None or not row.bore_id else f" at {length(row.station_m, units)}"
    return Row(
        (
            f"{words}: {remark}" if remark else words,
            thing_words(row),
            f"{row.rule_id.split('/')[-1]}: {row.paraphrase}",
            BASIS.get(row.basis, row.basis) + (", at most" if row.basis in AT_MOST else ""),
            bore_word(row) + at,
            asked,
            given,
            margin,
            ON_FAIL.get(row.on_fail, row.on_fail),
            row.located,
            row.citation,
        ),
        mark=row.outcome,
        bold=row.outcome == "fail",
    )


def _attention(book: PermitBook, wide: float) -> list[Strip]:
    """Faults of the file, fails and doubts, before everything else; layers that are missing in one row per rule file."""
    rows = [
        Row(
            ("fault in the file", f.bore_id or f.feature_id or f.where, f.message, "", f.remedy), mark="fail", bold=True
        )
        for f in book.findings
        if f.severity == "error"
    ]
    for row in sorted(book.table, key=lambda r: tokens.OUTCOME[r.outcome].rank):
        if row.outcome not in {"fail", *DOUBTS} or (row.basis == "missing" and row.outcome == "unverified"):
            continue
        plain = row.bore_id == "" and row.basis != "pad"
        place = thing_words(row) if plain else f"{bore_word(row)} against {thing_words(row)}"
        figures = "; ".join(t for t in (amounts_words(row, book.units), row.remark) if t)
        rows.append(
            Row(
                (WORDS[row.outcome], place, row.rule_id, figures, _takes(row)),
                mark=row.outcome,
                bold=row.outcome == "fail",
            )
        )
    for name in dict.fromkeys(r.rule_id.split("/")[0] for r in book.table):
        absent = [
            r
            for r in book.table
            if r.rule_id.split("/")[0] == name and r.basis == "missing" and r.outcome == "unverified"
        ]
        if absent:
            kinds = dict.fromkeys(r.kind.replace("_", " ") for r in absent)
            told = "a layer of each, or the office's word that there is none near"
            rows.append(Row(("not verified: no layer", ", ".join(kinds), name, "", told), mark="unverified"))
    if not rows:
        return [gap(0.06), *paragraph("Nothing needs attention: no row fails, none is in doubt.", wide, 8.0, bold=True)]
    heads = (Head("outcome"), Head("what"), Head("rule or finding"), Head("figures"), Head("what it takes"))
    above = tuple(paragraph("Needs attention, continued", wide, bold=True, keep=True))
    return [gap(0.08), *heading("Needs attention", wide), *table(wide, heads, rows, above=above)]


def _takes(row: SetbackRow) -> str:
    """What a row that is not met takes, in words."""
    if row.outcome == "fail" and row.basis in {"fluid", "count", "depth"}:
        return {"fluid": "another fluid", "count": "fewer bores", "depth": "a shallower bore"}[row.basis]
    if row.outcome == "unverified" and row.basis in {"plan", "pad", "fluid"}:
        return f"find out: {row.remark}" if row.remark else "what is not known found out"
    if row.outcome == "fail":
        return {
            "deny": "another place for the bore: the rule knows no way round",
            "variance": "a variance, see Requests",
            "prior_approval": "the office's approval beforehand, see Requests",
            "consent": "a consent, see Requests",
            "advise": "told as advice; the office decides",
        }.get(row.on_fail, row.on_fail)
    return {
        "ruling_needed": "the office's ruling, see Requests",
        "consent_needed": "a consent, see Requests",
    }.get(row.outcome, "its place or depth found out, or exposed before drilling")


# rules checked --------------------------------------------------------------


def rules_pages(book: PermitBook, paper: str) -> list[PageMaker]:
    """Pages that list every rule and duty and what became of it."""
    return flow(book, paper, RULES_NAME, partial(_rules, book))


def _rules(book: PermitBook, wide: float) -> list[Strip]:
    counts = Counter(r.state for r in book.rules)
    told = [(s, f"{counts[s]} {s}") for s in STATES]
    strips = [
        *paragraph("A rule that is not in this list was not looked at.", wide, 10.0, bold=True, keep=True),
        *paragraph(
            f"{len(book.rules)} rules and duties of {len(book.files)} rule files. Checked means measured, whether met or not.",
            wide,
            keep=True,
        ),
        *marks_line(told, wide),
    ]
    words = ("state", "rule", "what it asks", "why", "rows", "citation", "how well known")
    heads = [Head(w) for w in words]
    groups = [(f.file_id, file_words(f)) for f in book.files] + [("", "Rules of no file named here.")]
    for name, told_of in groups:
        mine = [r for r in book.rules if _group(r.key, book) == name]
        if not mine:
            if name:
                strips += [gap(0.12), *heading(told_of, wide, 8.0), *paragraph("No rule in it.", wide)]
            continue
        above = tuple(paragraph(f"{told_of.split('(')[0].strip()}, continued", wide, bold=True, keep=True))
        rows = [_rule_row(r) for r in mine]
        strips += [gap(0.12), *heading(told_of, wide, 8.0), *table(wide, heads, rows, above=above)]
    return strips


def _rule_row(rule: RuleLine) -> Row:
    rows = ", ".join(f"{rule.outcomes[o]} {WORDS[o]}" for o in tokens.OUTCOME if rule.outcomes.get(o))
    return Row(
        (
            rule.state,
            rule.key.split("/", 1)[-1],
            rule.sentence,
            rule.why,
            rows or DASH,
            rule.citation,
            seen_words(rule.status, rule.checked),
        ),
        mark=rule.state if rule.state in STATES else "",
        bold=bool(rule.outcomes.get("fail")),
    )
