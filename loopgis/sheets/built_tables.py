"""Tables of the as-built: what is tied, rods, crossings and records of each bore, findings, heat, accuracy and sources."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from loopgis.core.units import length_text, temperature_text
from loopgis.sheets import figure, tokens
from loopgis.sheets.built_profile import MOST_NAMED, profile_strip
from loopgis.sheets.built_words import (
    EVENT_WORDS,
    clipped,
    count_word,
    dead_rods,
    fixed_points,
    known,
    number,
    outcome_of,
    passed,
    place_words,
    sorted_ties,
    tape_from,
    tie_name,
    within,
)
from loopgis.sheets.drill_paper import tape_word
from loopgis.sheets.permit_flow import Head, Row, Strip, gap, heading, paragraph, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.field.book import BuiltBook, BuiltBore, BuiltLeg, BuiltRecord, BuiltRod
    from loopgis.sheets.built_profile import Scales
    from loopgis.sheets.drill_paper import Paper

OFF = "\u25b2"
"""Sign of a rod that drifted or left its tube."""
GAP = "*"
"""Sign of a gap that is greater than it may be."""
MOST_RODS = 42
"""Rods of one piece of a table: pieces are kept on one page."""
GUTTER_IN = 0.3
"""Between the two blocks of rods."""
AIR = Strip(0.06, lambda *_: None, keep=True)
"""Air that stays with what comes after it. It is no gap: what begins with one is left out at the top of a page."""
SEVERITIES = ("error", "warning", "note")


# what is tied --------------------------------------------------------------


def ties_strips(book: BuiltBook, wide_in: float) -> list[Strip]:
    """Everything that must be found again, with two tapes, coordinates and error."""
    made = heading("What must be found again, with tapes from two fixed points", wide_in)
    if not book.ties:
        return [*made, *paragraph("Nothing is tied yet.", wide_in)]
    units = book.units
    points = fixed_points(book.ties)
    rows = [
        Row(
            (
                clipped(t.mark, 8),
                tie_name(t),
                tape_from(t.first, points, units),
                tape_from(t.second, points, units),
                tape_word(t.depth_m, units) if known(t.depth_m) else "\u2013",
                place_words(t),
                f"{t.file_x:.2f}",
                f"{t.file_y:.2f}",
                within(t.error_m, units).removeprefix("within about "),
            )
        )
        for t in sorted_ties(book.ties)
    ]
    heads = (
        Head("mark"),
        Head("what"),
        Head("first tape"),
        Head("second tape"),
        Head("depth", "right"),
        Head("latitude, longitude\nWGS84", "right"),
        Head("file's x", "right"),
        Head("file's y", "right"),
        Head("within\nabout", "right"),
    )
    words = (
        f"Tapes are level, from point to point. Depth below the ground. x and y in {clipped(book.crs_name, 60) or 'the file'}."
        " Within about: two standard errors of the place."
    )
    told = "; ".join(f"{mark} {clipped(p.name, 60)}" for mark, p in points.values())
    return [
        *made,
        *table(wide_in, heads, rows),
        *paragraph(f"Fixed points: {told}.", wide_in),
        *paragraph(words, wide_in),
    ]


# bores --------------------------------------------------------------


def bores_strips(book: BuiltBook, scale: Scales, wide_in: float) -> list[Strip]:
    """Every bore that was begun, then those that are still to come in one table."""
    made: list[Strip] = []
    for bore in book.bores:
        if bore.legs:
            made += [*([gap(0.16)] if made else []), *bore_strips(book, bore, scale, wide_in)]
    rest = [b for b in book.bores if not b.legs]
    if rest:
        made += [*([gap(0.16)] if made else []), *_to_come(rest, book.units, wide_in)]
    return made or [*paragraph("No bores.", wide_in)]


def _to_come(bores: Sequence[BuiltBore], units: str, wide_in: float) -> list[Strip]:
    """Bores of which nothing was drilled, in as many blocks side by side as there is room for."""
    word = figure.in_units(units)[1]
    blocks = 3
    count = math.ceil(len(bores) / blocks)
    cells = [
        (clipped(b.bore_id), number(b.planned_length_m, units), number(b.max_depth_m, units) if not b.legs else "")
        for b in bores
    ]
    cells += [("", "", "")] * (blocks * count - len(cells))
    rows = []
    for n in range(count):
        row: tuple[str, ...] = ()
        for k in range(blocks):
            row += (*cells[n + k * count], "")
        rows.append(Row(row[:-1]))
    heads = (Head("bore"), Head(f"planned length, {word}", "right"), Head(f"planned depth, {word}", "right"), Head(""))
    title = heading(f"Still to come, as planned: {count_word(len(bores), 'bore')}", wide_in)
    return [*title, *table(wide_in, (heads * blocks)[:-1], rows)]


def bore_strips(book: BuiltBook, bore: BuiltBore, scale: Scales, wide_in: float) -> list[Strip]:
    """One bore: heading, profile, rods, crossings, records, remarks."""
    units = book.units
    made = heading(f"{clipped(bore.bore_id)}: {bore.state}", wide_in, 11.0)
    facts = [f"{length_text(bore.length_m, units)} drilled of {length_text(bore.planned_length_m, units)} planned"]
    if known(bore.max_depth_m) and bore.leg is not None:
        facts.append(f"deepest {length_text(bore.max_depth_m, units)}")
    if bore.pipe_m > 0 and bore.state == "drilled":
        facts.append(f"{length_text(bore.pipe_m, units, 0)} of pipe")
    if known(bore.worst_off_m):
        tube = f" (tube {length_text(bore.worst_tube_m, units)})" if known(bore.worst_tube_m) else ""
        rod = "" if bore.worst_rod is None else f" at rod {bore.worst_rod}"
        facts.append(f"worst off plan {length_text(bore.worst_off_m, units)}{rod}{tube}")
    if bore.surveyed_exit is not None:
        along, right, up = (number(v, units, sign=True) for v in bore.surveyed_exit)
        word = figure.in_units(units)[1]
        facts.append(f"surveyed exit off the reads: {along} along, {right} right, {up} up, {word}")
    if bore.leg is None:
        facts.append("every hole of it was given up")
    made += [*paragraph("; ".join(facts) + ".", wide_in, keep=True), profile_strip(bore, scale, units)]
    if len(bore.crossings) > MOST_NAMED:
        made += paragraph(f"The profile names {MOST_NAMED} crossings; the table has all.", wide_in, keep=True)
    for leg in reversed(bore.legs):
        made += _leg(leg, units, wide_in)
    made += _crossings(bore, units, wide_in)
    made += records_strips(bore.records, wide_in, f"Records of {clipped(bore.bore_id, 12)}")
    for remark in bore.remarks:
        made += paragraph(f"Remark: {remark}", wide_in)
    return made


def _leg(leg: BuiltLeg, units: str, wide_in: float) -> list[Strip]:
    """Rods of one hole in two blocks side by side, remarks and problems below."""
    rods = dead_rods(leg) if leg.abandoned else leg.rods
    made: list[Strip] = [AIR]
    if leg.abandoned:
        since = "" if leg.given_up_from is None else f" from rod {leg.given_up_from}"
        title = f"Leg {leg.number}, given up{since}: the hole is still there"
        made += paragraph(title, wide_in, 7.5, bold=True, keep=True)
    for first in range(0, len(rods), MOST_RODS):
        made += _rods(rods[first : first + MOST_RODS], units, wide_in)
    if not rods:
        return [*made, *paragraph("No rod was read.", wide_in)]
    signs = []
    if any(r.told for r in rods):
        signs.append(f"{OFF} drifted or left its tube")
    if any(_wide_gap(r) for r in rods):
        signs.append(f"{GAP} gap greater than it may be")
    word = figure.in_units(units)[1]
    words = (
        f"Lengths in {word}. Read: by the locator; used: by all that was read. Error: one standard error. Gap: locator's"
        " height less that of the pitches."
    )
    made += paragraph("  ".join([*(f"{s}." for s in signs), words]), wide_in)
    for rod in rods:
        if rod.remark:
            made += paragraph(f"Rod {rod.rod}: {rod.remark}", wide_in)
    for problem in leg.problems:
        made += paragraph(f"Problem: {problem}", wide_in, bold=True)
    return made


def _wide_gap(rod: BuiltRod) -> bool:
    return known(rod.gap_m) and known(rod.allowed_m) and abs(rod.gap_m) > rod.allowed_m


def _rods(rods: Sequence[BuiltRod], units: str, wide_in: float) -> list[Strip]:
    heads = (
        Head("rod", "right"), Head("drilled", "right"), Head("depth read", "right"), Head("depth used", "right"),
        Head("pitch %", "right"), Head("off right", "right"), Head("off down", "right"), Head("tube", "right"),
        Head("error side", "right"), Head("error height", "right"), Head("gap", "right"),
    )  # fmt: skip
    rows = [Row(_rod(r, units)) for r in rods]
    half = (wide_in - GUTTER_IN) / 2
    top, *each = table(half, heads, rows)
    count = math.ceil(len(each) / 2)
    left, right = [top, *each[:count]], [top, *each[count:]]
    pairs = [_side_by_side(one, right[n] if n < len(right) else None, half) for n, one in enumerate(left)]
    return [*(replace(s, keep=True) for s in pairs[:-1]), pairs[-1]]


def _side_by_side(left: Strip, right: Strip | None, half_in: float) -> Strip:
    """Two strips of the same height as one."""

    def draw(page: Paper, x: float, y: float) -> None:
        left.draw(page, x, y)
        if right is not None:
            right.draw(page, x + half_in + GUTTER_IN, y)

    return Strip(left.tall_in, draw)


def _rod(r: BuiltRod, units: str) -> tuple[str, ...]:
    pitch = f"{round(r.pitch_pct, 1) + 0.0:.1f}" if known(r.pitch_pct) else "\u2013"
    away = number(r.right_m, units, sign=True)
    return (
        f"{OFF if r.told else ''}{r.rod}", number(r.station_m, units), number(r.read_depth_m, units), number(r.depth_m, units),
        pitch, away, number(r.down_m, units, sign=True), number(r.tube_m, units), number(r.error_m, units),
        number(r.error_z_m, units), f"{number(r.gap_m, units, sign=True)}{GAP if _wide_gap(r) else ''}",
    )  # fmt: skip


def _crossings(bore: BuiltBore, units: str, wide_in: float) -> list[Strip]:
    if not bore.crossings:
        return []
    word = figure.in_units(units)[1]
    rows = [
        Row(
            (
                tokens.OUTCOME[outcome_of(c.outcome)].words,
                f"{passed(c)} ({c.kind.replace('_', ' ')})" if c.label else passed(c),
                clipped(c.code, 6),
                str(c.rod),
                number(c.station_m, units),
                c.how,
                number(c.planned_m, units),
                number(c.clearance_m, units),
                number(c.sigma_m, units),
                number(c.required_m, units),
            ),
            mark=outcome_of(c.outcome),
            bold=c.outcome == "fail",
        )
        for c in sorted(bore.crossings, key=lambda c: c.station_m)
    ]
    heads = (
        Head("outcome"),
        Head("what is passed"),
        Head("code", "center"),
        Head("rod", "right"),
        Head(f"drilled, {word}", "right"),
        Head("bore goes"),
        Head(f"clear gap planned, {word}", "right"),
        Head(f"clear gap drilled, {word}", "right"),
        Head(f"its error, {word}", "right"),
        Head(f"gap asked, {word}", "right"),
    )
    title = f"Crossings of {clipped(bore.bore_id, 12)}, as planned and as drilled"
    return [gap(0.06), *paragraph(title, wide_in, 7.5, bold=True, keep=True), *table(wide_in, heads, rows)]


def records_strips(records: Sequence[BuiltRecord], wide_in: float, title: str) -> list[Strip]:
    """Pull, pressure test, flush and purge with what they are held against."""
    if not records:
        return []
    rows = [
        Row(
            (
                tokens.OUTCOME[outcome_of(r.outcome)].words,
                EVENT_WORDS.get(r.event, r.event),
                r.said,
                r.limit or "\u2013",
                r.words or "\u2013",
                f"{clipped(r.read_at[:16].replace('T', ' '), 20)} {clipped(r.tablet, 8)}".strip(),
            ),
            mark=outcome_of(r.outcome),
            bold=r.outcome == "fail",
        )
        for r in records
    ]
    heads = (
        Head("outcome"),
        Head("record"),
        Head("what was recorded"),
        Head("held against"),
        Head("what comes of it"),
        Head("when (UTC), tablet"),
    )
    return [gap(0.06), *paragraph(title, wide_in, 7.5, bold=True, keep=True), *table(wide_in, heads, rows)]


# the whole field --------------------------------------------------------------


def findings_strips(book: BuiltBook, wide_in: float) -> list[Strip]:
    """What is worth telling, errors first."""
    made = heading("Findings", wide_in)
    if not book.findings:
        return [*made, *paragraph("None.", wide_in)]
    rank = {s: n for n, s in enumerate(SEVERITIES)}
    rows = [
        Row(
            (f.severity, clipped(f.bore_id, 16) or "field", f.message, f.remedy or "\u2013", clipped(f.code, 24)),
            bold=f.severity == "error",
        )
        for f in sorted(book.findings, key=lambda f: rank.get(f.severity, 9))
    ]
    heads = (Head("severity"), Head("bore"), Head("what was found"), Head("what to do"), Head("code"))
    return [*made, *table(wide_in, heads, rows)]


def last_strips(book: BuiltBook, wide_in: float) -> list[Strip]:
    """Records of the whole field, heat, the job, accuracy and sources."""
    made = records_strips(book.records, wide_in, "Records of the whole field")
    made += [gap(0.14), *_heat(book, wide_in), gap(0.14), *heading("The job", wide_in)]
    told = (
        ("rig", book.rig),
        ("pipe", book.pipe),
        ("rod", length_text(book.rod_length_m, book.units)),
        ("tracer", book.tracer or "nothing was said of tracer wire or tape"),
        *(("fact", f) for f in book.facts),
    )
    for name, value in told:
        if value:
            made += paragraph(f"{name}: {value}", wide_in)
    for title, lines, none in (
        ("How sure places and depths are", book.accuracy, "Nothing was read yet, so nothing is known."),
        ("Sources", book.sources, "No log was read."),
    ):
        made += [gap(0.14), *heading(title, wide_in)]
        for line in lines or (none,):
            made += paragraph(line, wide_in)
    return made


def _heat(book: BuiltBook, wide_in: float) -> list[Strip]:
    made = heading("Heat, as planned and as drilled", wide_in)
    heat, units = book.heat, book.units
    if heat is None:
        return [*made, *paragraph("Not computed: the file does not say enough of house and ground.", wide_in)]

    def needed(value: float | None) -> str:
        return length_text(value, units, 0) if known(value) else "no length is enough"

    def between(pair: tuple[float, float]) -> str:
        return f"{temperature_text(pair[0], units)} to {temperature_text(pair[1], units)}"

    rows = []
    for name, length, need, ewt in (
        ("as planned", heat.planned_length_m, heat.planned_needed_m, heat.planned_ewt_c),
        ("as drilled, the rest as planned", heat.length_m, heat.needed_m, heat.ewt_c),
    ):
        kept = known(need) and length >= need
        rows.append(
            Row(
                (name, length_text(length, units, 0), needed(need), between(ewt), between(heat.limits_c)),
                mark="pass" if kept else "fail",
                bold=not kept,
            )
        )
    heads = (
        Head("loop"),
        Head("length drilled", "right"),
        Head("length needed", "right"),
        Head(f"coldest and warmest fluid in {heat.years} years", "right"),
        Head("limits", "right"),
    )
    return [*made, *table(wide_in, heads, rows)]
