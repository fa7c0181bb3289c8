"""Written pages of the permit office's plan set and the as-built form: what stands on them, that it is whole, inside and apart."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import matplotlib.collections
import matplotlib.lines
import matplotlib.patches
import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_pdf import PdfPages

from loopgis.core.findings import Finding
from loopgis.sheets import permit_profiles, tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.drill_paper import LEADING, SIZES_IN, SMALL, Paper
from loopgis.sheets.permit_book import CheckLine, Crossing, Detail, FileLine, RuleLine, SourceLine, Title
from loopgis.sheets.permit_flow import Head, Row, Strip, draw_mark, gap, packed, table
from loopgis.sheets.permit_form import write_form
from loopgis.sheets.permit_notes import notes_pages, requests, requests_pages
from loopgis.sheets.permit_paper import PAPERS_IN, content_box, framed
from loopgis.sheets.permit_profiles import fitting, profile_pages
from loopgis.sheets.permit_read import permit_book
from loopgis.sheets.permit_tables import (
    STATES,
    WORDS,
    amounts,
    angle_words,
    length,
    rules_pages,
    schedule_pages,
    setback_pages,
)

sys.path.insert(0, str(Path(__file__).parent))

from make import written
from test_permit_files import stranger

pytestmark = pytest.mark.slow
"""With the slow ones: test_permit_plan, test_permit_files and test_setbacks draw every sheet in the usual run."""

RULES = ["house", "us-wi"]
FAMILIES = (profile_pages, schedule_pages, setback_pages, rules_pages, notes_pages, requests_pages)
FT = 0.3048
LONG = "the old clay drain of the lower orchard that nobody has seen since the barn was moved, by the miller's word"


# books --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ours(tmp_path_factory):
    """A failing design of ours with heights, pads, header and ground, in US survey feet."""
    return permit_book(written(tmp_path_factory.mktemp("pages") / "layouts.gpkg", "EPSG:2263"), RULES)


@pytest.fixture(scope="module")
def theirs(tmp_path_factory):
    """A stranger's file without heights, names or pads, in metres."""
    return permit_book(stranger(tmp_path_factory.mktemp("pages") / "x.gpkg", "EPSG:3006"), RULES, units="metric")


@pytest.fixture(scope="module")
def huge(ours):
    """44 bores, three rule files, many crossings, long names, every outcome, every kind of finding."""
    return big(ours)


@pytest.fixture(scope="module")
def plain(ours):
    """A book in which nothing fails and nothing is in doubt."""
    kept = tuple(replace(r, outcome="pass") for r in ours.table)
    return replace(ours, rows=kept, table=kept, findings=(), missing=(), claim="Meets the distances entered.")


def crossing(n, station, *, depth=1.0, end=None, kind="gas_line", letter="G", thing=""):
    gap_m = None if depth is None else 2.5
    return Crossing(
        feature_id=f"f{n}", kind=kind, thing=thing or f"pipe {n}", letter=letter, quality="ABCD"[n % 4], start_m=station,
        end_m=station if end is None else end, depth_m=depth, low_m=0.5, high_m=1.8, half_m=0.1, gap_m=gap_m,
        angle_deg=None if end else 77.0, xy=(0.0, 0.0),
    )  # fmt: skip


def big(book):
    """The book grown: see `huge`."""
    one, length_m = book.bores[0], book.bores[0].length_m
    many = tuple(crossing(n, length_m * (n + 0.5) / 30, depth=None if n % 5 == 0 else 0.8) for n in range(28))
    some = (
        crossing(1, 0.3 * length_m, end=0.5 * length_m, kind="surface_water", letter="", thing="Mill $pond$"),
        crossing(2, 0.6 * length_m, depth=None, end=0.8 * length_m, kind="building", letter="", thing=LONG),
        crossing(3, 0.61 * length_m, depth=None, thing=LONG),
        crossing(4, 0.62 * length_m, kind="electric_ug", letter="E"),
    )
    bores = tuple(
        replace(one, bore_id=f"B-{n:02d}", crossings=many if n == 1 else some if n % 2 else ()) for n in range(1, 45)
    )
    files = (
        *book.files,
        FileLine(
            file_id="us-zz", name="Town of Long Rules", level="municipal", status="from_memory", checked=None,
            certainty="assumed", caution="some of its text is from memory; whether it covers steered bores must be asked",
        ),
    )  # fmt: skip
    outcomes = tuple(WORDS)
    rows = tuple(
        replace(
            book.table[n % len(book.table)], rule_id=f"{files[n % 3].file_id}/rule-{n}", feature_id=f"t{n}",
            thing=f"thing {n}" if n % 7 else f"{n} {LONG}", bore_id=f"B-{1 + n % 44:02d}", outcome=outcomes[n % 7],
            on_fail=("deny", "variance", "prior_approval", "consent", "advise")[n % 5], basis="plan", unit="m",
            required=3.048, provided=3.048 - 0.004 * n if n % 7 == 0 else 5.0, remark=LONG if n % 11 == 0 else "",
            margin=-0.004 * n if n % 7 == 0 else 1.952, dimension=None, citation=f"Code {n}-{n}(a)",
        )
        for n in range(210)
    )  # fmt: skip
    rules = tuple(
        RuleLine(
            key=f"{files[n % 3].file_id}/rule-{n}", sentence=f"Sentence {n}. " + LONG * (n % 3), citation=f"Code {n}-{n}(a)",
            state=STATES[n % 3], why=f"why {n}", outcomes={"pass": n}, status="seen", checked=None,
        )
        for n in range(90)
    )  # fmt: skip
    severities = ("note", "error", "warning")
    findings = tuple(
        Finding(severity=severities[n % 3], code="c", message=f"message {n}: {LONG}", remedy="mend", bore_id=f"B-{n}")
        for n in range(12)
    )
    return replace(
        book, bores=bores, files=files, rows=rows, table=rows, rules=rules, findings=findings,
        missing=tuple(f"missing {n}" for n in range(40)), others=("layout L-9, not drawn here: 3 rows fail",),
        details=tuple(Detail(group=f"group {n % 4}", name=f"name {n}", value=LONG) for n in range(40)),
        checklist=tuple(CheckLine(item=f"item {n}", state="missing", where="nowhere") for n in range(60)),
        sources=tuple(SourceLine(layer=f"l{n}", what="what", rows=n, changed="", quality="A") for n in range(30)),
    )  # fmt: skip


# what stands on a page ----------------------------------------------------------------------------------------


def drawn(book, paper, families=FAMILIES):
    """Figures of the written pages, in the order of the set."""
    pages = [page for family in families for page in family(book, paper)]
    return [page.draw(n, len(pages)) for n, page in enumerate(pages, 1)]


def texts(figure):
    """All texts that show: (words, left, low, right, high) in inches from the lower left corner of the page."""
    renderer = figure.canvas.get_renderer()
    found = list(figure.texts)
    for axes in figure.axes:
        found += axes.texts
        for axis, (low, high) in ((axes.xaxis, sorted(axes.get_xlim())), (axes.yaxis, sorted(axes.get_ylim()))):
            for at, label in zip(axis.get_ticklocs(), axis.get_ticklabels(), strict=True):
                if low <= at <= high:
                    found.append(label)
    boxes = []
    for text in found:
        if text.get_text().strip() and text.get_visible():
            box = text.get_window_extent(renderer)
            boxes.append((text.get_text(), *(v / figure.dpi for v in (box.x0, box.y0, box.x1, box.y1))))
    return boxes


def content(figure, book, paper, name):
    """Texts without those of the frame, which stands on every page."""
    own = {(t[0], round(t[1], 3), round(t[2], 3)) for t in texts(framed(book, paper, name, 1, 1).done())}
    return [t for t in texts(figure) if (t[0], round(t[1], 3), round(t[2], 3)) not in own]


def overlaps(boxes, air_in=0.012):
    """Pairs of words whose boxes overlap by more than the air that a line of type has."""
    if not boxes:
        return []
    left, low, right, high = np.array([b[1:] for b in boxes]).T
    hit = (
        (left[:, None] < right[None, :] - air_in)
        & (right[:, None] > left[None, :] + air_in)
        & (low[:, None] < high[None, :] - air_in)
        & (high[:, None] > low[None, :] + air_in)
    )
    return [(boxes[a][0], boxes[b][0]) for a, b in np.argwhere(np.triu(hit, 1))]


def outside(boxes, box, tall_in):
    low, high = tall_in - box.low_in, tall_in - box.y_in
    return [
        b[0]
        for b in boxes
        if b[1] < box.x_in - 0.005 or b[3] > box.right_in + 0.005 or b[2] < low - 0.005 or b[4] > high + 0.005
    ]


def words_on(figures):
    """Everything written, blanks squeezed and line breaks of cells undone as far as the order of texts tells."""
    return squeezed(" ".join(t.get_text() for f in figures for t in f.texts))


def squeezed(text):
    """Letters, digits and signs alone: wrapping does not show."""
    return re.sub(r"\s+", "", text)


def check_pages(book, paper, families=FAMILIES):
    tall = PAPERS_IN[paper][1]
    box = content_box(book, paper)
    for family in families:
        for n, page in enumerate(family(book, paper), 1):
            figure = page.draw(n, 99)
            boxes = [b for b in content(figure, book, paper, page.name) if not is_frame(b, tall, box)]
            assert boxes, (page.name, n)
            assert outside(boxes, box, tall) == [], (page.name, n)
            assert overlaps(boxes) == [], (page.name, n)
            assert min(t.get_fontsize() for t in figure.texts) >= SMALL


def is_frame(b, tall, box):
    """Number and scale in the title block differ from those of an empty page."""
    return b[4] < tall - box.low_in - 0.3 and re.match(r"sheet |1 in =|1:|scales on|no scale", b[0])


@pytest.mark.parametrize("paper", ["letter", "ledger"])
@pytest.mark.parametrize("which", ["ours", "theirs"])
def test_nothing_overlaps_and_nothing_leaves_the_content_box(which, paper, request):
    check_pages(request.getfixturevalue(which), paper)


def test_a_crowded_set_keeps_its_texts_apart_too(huge):
    few = replace(huge, bores=huge.bores[:3], table=huge.table[:42], rows=huge.rows[:42], rules=(), checklist=())
    check_pages(few, "a3")
    check_pages(few, "letter", (profile_pages,))


def test_the_check_for_overlap_and_box_can_fail(ours):
    figure = schedule_pages(ours, "letter")[0].draw(1, 1)
    box, tall = content_box(ours, "letter"), PAPERS_IN["letter"][1]
    figure.text(0.5, 0.5, "one upon", transform=figure.transFigure)
    figure.text(0.5, 0.5, "the other", transform=figure.transFigure)
    figure.text(-0.01, 0.5, "outside", transform=figure.transFigure)
    boxes = content(figure, ours, "letter", "Bore schedule")
    assert ("one upon", "the other") in overlaps(boxes)
    assert "outside" in outside(boxes, box, tall)


# tables --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["ours", "theirs", "huge"])
def test_every_row_of_the_office_s_table_is_there(which, request):
    book = request.getfixturevalue(which)
    told = words_on(drawn(book, "ledger", (setback_pages,)))
    assert book.table
    for row in book.table:
        asked, given, margin = amounts(row, book.units)
        for words in (
            row.thing.split()[0],
            row.rule_id.split("/")[1] + ":",
            row.citation.split()[0],
            asked,
            given,
            margin,
        ):
            assert squeezed(words) in told, (row.rule_id, row.thing, words)
    for row in book.table:
        if row.remark and row.basis != "missing":
            assert squeezed(row.remark.split()[-1]) in told
    assert squeezed(book.claim) in told
    for name in {r.outcome for r in book.table}:
        count = sum(r.outcome == name for r in book.table)
        assert squeezed(f"{count} {WORDS[name]}") in told


@pytest.mark.parametrize("which", ["ours", "theirs", "huge"])
def test_every_rule_is_told_with_its_state(which, request):
    book = request.getfixturevalue(which)
    figures = drawn(book, "ledger", (rules_pages,))
    told = words_on(figures)
    for rule in book.rules:
        for words in (
            rule.key.split("/", 1)[1],
            rule.sentence.split()[0],
            rule.why.split()[0],
            rule.citation.split()[0],
        ):
            assert squeezed(words) in told, rule.key
    assert "Arulethatisnotinthislistwasnotlookedat." in told
    for state in STATES:
        assert squeezed(f"{sum(r.state == state for r in book.rules)} {state}") in told
    shown = sum(t.get_text() in STATES for f in figures for t in f.texts)
    assert shown == len(book.rules)


def test_what_fails_or_is_in_doubt_comes_first_and_fails_are_bold(huge):
    first = setback_pages(huge, "arch-d")[0].draw(1, 1)
    said = [t.get_text() for t in first.texts]
    place = said.index("Needs attention")
    outcomes = [t for t in said[place:] if t in {*WORDS.values(), "fault in the file"}]
    assert outcomes[0] == "fault in the file"
    ranked = [o for o in outcomes[: sum(1 for r in huge.table if r.outcome == "fail") + 5] if o != "fault in the file"]
    assert set(ranked[:10]) == {"fails"}
    bold = {t.get_text() for t in first.texts if t.get_fontweight() == "bold"}
    assert "fails" in bold
    assert "ruling needed" not in bold
    every = [t for f in drawn(huge, "arch-d", (setback_pages,)) for t in f.texts if t.get_text().startswith("fails")]
    assert len(every) == 2 * sum(r.outcome == "fail" for r in huge.table)
    assert all(t.get_fontweight() == "bold" for t in every)


def test_missing_layers_are_rows_that_say_so(theirs):
    absent = [r for r in theirs.table if r.basis == "missing" and r.outcome == "unverified"]
    told = words_on(drawn(theirs, "ledger", (setback_pages,)))
    assert absent
    assert "notverified:nolayer" in told
    for row in absent:
        assert told.count(squeezed(row.kind.replace("_", " "))) >= 2, (
            "once under what needs attention, once in the table"
        )


def test_a_book_without_fails_or_doubts_says_so_and_asks_nothing(plain):
    told = words_on(drawn(plain, "letter", (setback_pages,)))
    assert "Nothingneedsattention" in told
    assert "fails" not in told.replace("ifitfails", "").replace("norowfails", "")
    assert requests_pages(plain, "letter") == []


def test_a_fail_by_a_hair_shows_as_one():
    class R:
        outcome, unit, required, provided, margin = "fail", "m", 3.048, 3.0449, -0.0031

    asked, given, margin = amounts(R, "us")
    assert float(given) < float(asked)
    assert float(margin) < 0
    R.outcome = "pass"
    assert amounts(R, "us") == ("10.0", "10.0", "0.0")


def test_figures_of_angles_counts_and_words():
    class R:
        outcome, unit, required, provided, margin = "pass", "deg", 45.0, 52.34, 7.34

    assert amounts(R, "us") == ("45\u00b0", "52.3\u00b0", "7.3\u00b0")
    R.unit, R.required, R.provided, R.margin = "bores", 10.0, 4.0, 6.0
    assert amounts(R, "us") == ("10 bores", "4 bores", "6 bores")
    R.unit = ""
    assert set(amounts(R, "us")) == {"\u2013"}
    assert angle_words(100.0) == "45.0\u00b0, 100.0%"


@pytest.mark.parametrize(("units", "factor", "digits"), [("us", FT, 1), ("metric", 1.0, 2)])
def test_the_schedule_has_every_bore_in_the_books_units(ours, units, factor, digits):
    book = replace(ours, units=units, as_built_decimals=7)
    told = words_on(drawn(book, "ledger", (schedule_pages,)))
    for bore in book.bores:
        for value in (bore.length_m, bore.plan_length_m, bore.max_depth_m):
            assert f"{value / factor:.{digits}f}" in told
        assert f"{bore.entry_lat_lon[0]:.7f},{bore.entry_lat_lon[1]:.7f}" in told
        assert f"{bore.exit_native[0]:.2f}E,{bore.exit_native[1]:.2f}N" in told
    assert f"{sum(b.length_m for b in book.bores) / factor:.{digits}f}" in told
    few = words_on(drawn(replace(ours, as_built_decimals=2), "ledger", (schedule_pages,)))
    assert f"{ours.bores[0].entry_lat_lon[0]:.5f}," in few
    assert squeezed(book.datum) in told


def test_a_table_that_goes_on_repeats_its_head(huge):
    figures = drawn(huge, "letter", (setback_pages,))
    assert len(figures) > 5
    on = [[t.get_text() for t in f.texts] for f in figures]
    assert all("citation" in said or "what it takes" in said for said in on)
    assert sum(any(s.endswith(", continued") for s in said) for said in on) >= len(on) - 3


# strips --------------------------------------------------------------------------------------------------------


def strips(*talls, keep=()):
    return [Strip(t, lambda *_: None, keep=n in keep) for n, t in enumerate(talls)]


def test_strips_fill_columns_and_kept_ones_stay_together():
    assert [len(c) for c in packed(strips(1, 1, 1, 1, 1), 2.5)] == [2, 2, 1]
    assert [len(c) for c in packed(strips(1, 1, 1, keep={1}), 2.5)] == [1, 2]
    assert [len(c) for c in packed(strips(2, 2, 2, keep={0, 1}), 2.5)] == [1, 1, 1]
    head = Strip(0.5, lambda *_: None, keep=True)
    rows = [head, *[Strip(1.0, lambda *_: None, head=(head,)) for _ in range(4)]]
    assert [sum(s.tall_in for s in c) for c in packed(rows, 2.6)] == [2.5, 2.5]
    air = [*strips(1, 1), gap(0.4), *strips(1)]
    assert [len(c) for c in packed(air, 2.1)] == [2, 1]


def test_a_cell_wraps_instead_of_being_cut_and_a_very_long_one_is_split():
    text = " ".join(f"word{n}" for n in range(900))
    made = table(3.0, (Head("a"), Head("b")), [Row(("short", text))])
    page = Paper("us")
    y = 0.0
    for strip in made:
        assert strip.tall_in < 3.5
        strip.draw(page, 1.0, y)
        y += strip.tall_in
    said = squeezed("".join(t.get_text() for t in page.figure.texts))
    assert squeezed(text) in said
    assert y > 900 / 10 * SMALL * LEADING / 72


# profiles ------------------------------------------------------------------------------------------------------


def test_a_profile_tells_depths_pitches_crossings_and_scale(ours):
    book = replace(ours, units="metric")
    length_m = book.bores[0].length_m
    things = (crossing(1, 0.3 * length_m), crossing(2, 0.7 * length_m, depth=None, kind="electric_ug", letter="E"))
    book = replace(book, bores=(replace(book.bores[0], crossings=things),))
    figure = profile_pages(book, "ledger")[0].draw(1, 1)
    said = [t.get_text() for t in figure.texts]
    bore = book.bores[0]
    assert f"deepest {bore.max_depth_m:.2f} m" in said
    assert f"least cover {bore.min_cover_m:.2f} m" in said
    assert "1 G: 2.50 m, 77\u00b0" in said
    assert "2 E: ?, 77\u00b0" in said
    assert "unknown" in said
    assert "?" in said
    one = " ".join(said)
    assert angle_words(bore.entry_pitch_pct) in one
    assert "times as large as lengths" in one
    (axes,) = figure.axes
    rings = [line for line in axes.lines if line.get_marker() == "o"]
    assert len(rings) == 1
    assert rings[0].get_markerfacecolor() == tokens.FAMILY["G"]


def test_all_bores_have_the_same_two_scales_and_a_ruler_fits_them(huge):
    scales = set()
    for page in profile_pages(replace(huge, units="us", bores=huge.bores[:8]), "ledger"):
        figure = page.draw(1, 1)
        for axes in figure.axes:
            at = axes.get_position()
            (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
            scales.add(
                (
                    round((x1 - x0) / (at.width * PAPERS_IN["ledger"][0]), 6),
                    round((y1 - y0) / (at.height * PAPERS_IN["ledger"][1]), 6),
                )
            )
    assert len(scales) == 1
    across, up = scales.pop()
    assert across / FT == pytest.approx(round(across / FT), abs=1e-4)
    assert up / FT == pytest.approx(round(up / FT), abs=1e-4)
    assert up <= across <= permit_profiles.TIMES * up + 1e-9


def test_scales_hold_the_longest_and_deepest_bore(ours):
    for units in ("us", "metric"):
        long = replace(ours.bores[0], plan_length_m=312.0)
        scales = fitting(replace(ours, units=units, bores=(ours.bores[0], long)), 5.0, 1.2)
        assert 5.0 * scales.across >= 312.0
        assert scales.times == pytest.approx(scales.across / scales.up)
        assert scales.times <= permit_profiles.TIMES
        assert scales.across_words.startswith("1 in = " if units == "us" else "1:")


def test_a_steep_bore_is_not_drawn_flatter_than_it_is(ours):
    bore, n = ours.bores[0], len(ours.bores[0].xyz)
    down = np.linspace(0, 200, n)
    xyz = np.column_stack([np.linspace(0, 5, n), np.zeros(n), np.nan_to_num(bore.ground_m, nan=100.0) - down])
    steep = replace(bore, xyz=xyz, depth_m=down, station_m=down, plan_length_m=5.0, length_m=200.0, max_depth_m=200.0)
    book = replace(ours, bores=(steep,), units="us")
    assert fitting(book, 5.0, 1.2).times >= 1
    check_pages(book, "ledger", (profile_pages,))


def test_a_bore_without_heights_has_no_profile_but_its_length(theirs):
    figures = drawn(theirs, "letter", (profile_pages,))
    told = words_on(figures)
    assert told.count("noheightsinthefile:noprofile") == len(theirs.bores)
    for bore in theirs.bores:
        assert f"{bore.plan_length_m:.2f}m" in told
    assert not any(f.axes for f in figures)


def test_no_bores_no_profile(ours):
    assert profile_pages(replace(ours, bores=()), "letter") == []


def test_crossings_without_room_beside_are_listed_after(huge):
    figures = drawn(replace(huge, bores=huge.bores[:3]), "ledger", (profile_pages,))
    said = [t.get_text() for t in figures[0].texts]
    assert "the others are listed after the profiles" in said
    last = words_on([f for f in figures if not f.axes])
    for n in range(28):
        assert f"pipe{n}(gasline)" in last
    assert squeezed(LONG) in words_on(figures)


def test_ground_that_nobody_knows_is_told(ours):
    bore = replace(ours.bores[0], ground_known=False, min_cover_m=None)
    figure = profile_pages(replace(ours, bores=(bore,)), "ledger")[0].draw(1, 1)
    told = words_on([figure])
    assert "groundnotknown:depthsnotverified" in told
    assert "leastcovernotknown" in told
    grounds = [line for line in figure.axes[0].lines if line.get_linewidth() > 1.5 and line.get_linestyle() == "--"]
    assert len(grounds) == 1


# notes and requests --------------------------------------------------------------------------------------------


def test_notes_tell_all_lists_of_the_book(huge):
    told = words_on(drawn(huge, "letter", (notes_pages,)))
    for words in (
        *huge.missing,
        *huge.others,
        *(f.message for f in huge.findings),
        *(d.name for d in huge.details),
        *(c.item for c in huge.checklist),
        *(s.layer for s in huge.sources),
        *(f.name for f in huge.files),
        huge.file_sha256,
    ):
        assert squeezed(words) in told, words
    assert told.count("thefiletellsnodate") == len(huge.sources)
    assert told.index("ERROR") < told.index("WARNING") < told.index("NOTE")


def test_requests_are_grouped_and_hold_only_what_can_be_asked(huge):
    found = requests(huge)
    wanted = {
        (r.rule_id, r.thing)
        for r in huge.rows
        if (r.outcome == "fail" and r.on_fail in {"variance", "prior_approval", "consent"})
        or r.outcome in {"ruling_needed", "consent_needed"}
    }
    assert {(q.rows[0].rule_id, q.rows[0].thing) for q in found} == wanted
    assert any(r.outcome == "fail" and r.on_fail == "deny" for r in huge.rows)
    told = words_on(drawn(huge, "ledger", (requests_pages,)))
    for request in found:
        assert squeezed(request.rows[0].thing) in told
        assert squeezed(f"Decides: {request.decides}") in told
    assert told.count("Whyitcannotbekeptotherwise:") == told.count("signature") - told.count("sealandsignature")


def test_a_request_is_not_torn_apart_and_where_it_must_be_its_name_goes_on(huge):
    row = next(r for r in huge.rows if r.outcome == "ruling_needed")
    few = tuple(replace(row, bore_id=f"B-{n % 4}", feature_id=f"t{n // 4}", thing=f"thing {n // 4}") for n in range(24))
    for figure in drawn(replace(huge, rows=few, table=few[::4]), "letter", (requests_pages,)):
        said = [t.get_text() for t in figure.texts]
        assert sum("Ruling: thing" in s for s in said) == said.count("decided by, title") > 0
    many = tuple(replace(row, bore_id=f"B-{n}") for n in range(60))
    for figure in drawn(replace(huge, rows=many, table=many[:1]), "letter", (requests_pages,)):
        assert any("1. Ruling: " in t.get_text() for t in figure.texts)


def test_bores_with_the_same_request_stand_in_one(ours):
    row = replace(
        ours.table[0], rule_id="house/x", feature_id="w", thing="well", kind="water_well", outcome="fail", unit="m"
    )
    row = replace(row, on_fail="variance", required=10.0, basis="plan", dimension=None)
    rows = tuple(replace(row, bore_id=f"B-{n}", provided=10.0 - n, margin=-float(n)) for n in (1, 3, 2))
    (one,) = requests(replace(ours, rows=rows, table=rows[1:2]))
    assert [r.bore_id for r in one.rows] == ["B-3", "B-2", "B-1"]
    assert one.what == "variance"
    assert one.decides == "the office"


# the as-built form ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def form_pages():
    """A way to get at the figures of a form as well as at its bytes."""

    def make(book, path):
        kept = []
        save = PdfPages.savefig

        def keep(self, figure, *a, **k):
            kept.append(figure)
            return save(self, figure, *a, **k)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(PdfPages, "savefig", keep)
            write_form(path, book)
        return kept

    return make


@pytest.mark.parametrize("which", ["ours", "theirs", "huge"])
def test_the_form_asks_for_everything_of_every_bore(which, request, tmp_path, form_pages):
    book = request.getfixturevalue(which)
    figures = form_pages(book, tmp_path / "f.pdf")
    size = SIZES_IN["us" if book.units == "us" else "metric"]
    told = words_on(figures)
    for bore in book.bores:
        assert told.count(squeezed(bore.bore_id)) >= 3
        assert f"plan{length(bore.length_m, book.units)}" in told
        assert f"{bore.entry_lat_lon[0]:.5f},{bore.entry_lat_lon[1]:.5f}" in told
    for words in (
        *(
            "date drilled",
            "greatest depth",
            "hole diameter",
            "bore-backs",
            "annulus",
            "print line",
            "Circuits",
            "Fluid",
        ),
        *(
            "point 1",
            "point 2",
            "Changes from the plan",
            "signature",
            "licence",
            "good to",
            f"bores planned: {len(book.bores)}",
        ),
    ):
        assert squeezed(words) in told, words
    for figure in figures:
        assert tuple(figure.get_size_inches()) == pytest.approx(size)
        boxes = texts(figure)
        assert overlaps(boxes) == []
        assert all(b[1] > 0.35 and b[3] < size[0] - 0.35 and b[2] > 0.25 and b[4] < size[1] - 0.25 for b in boxes)
        assert squeezed(CAUTIONS[0]) in words_on([figure])
        assert squeezed(book.claim) in words_on([figure])


def test_the_form_tells_the_term_or_leaves_it_open(ours, tmp_path, form_pages):
    due = replace(ours, as_built_days=45, as_built_source="somewhere")
    told = words_on(form_pages(due, tmp_path / "a.pdf"))
    assert "Duewithin45daysaftertheworkisfinished." in told
    assert "somewhere" in told
    told = words_on(form_pages(replace(ours, as_built_days=None), tmp_path / "b.pdf"))
    assert "Theoffice'sdeadline:" in told
    assert "Duewithin" not in told


def test_the_forms_title_block_is_filled_in_where_the_book_knows(ours, tmp_path, form_pages):
    title = Title(owner="A. Miller", permit="77-12")
    told = words_on(form_pages(replace(ours, title=title), tmp_path / "a.pdf"))
    assert "A.Miller" in told
    assert "77-12" in told


# all of it -----------------------------------------------------------------------------------------------------


def test_cautions_and_claim_stand_on_every_page_and_nothing_is_promised(ours, theirs, tmp_path, form_pages):
    for book in (ours, theirs):
        figures = drawn(book, "letter")
        for figure in figures:
            told = words_on([figure])
            assert squeezed(book.claim) in told
            assert all(squeezed(c) in told for c in book.cautions)
        all_of_it = " ".join(t.get_text() for f in (*figures, *form_pages(book, tmp_path / "f.pdf")) for t in f.texts)
        assert not re.search(r"complian|\bsafe\b(?! to drill)|guarantee", all_of_it, re.IGNORECASE)


def test_marks_differ_in_shape_without_colour():
    looks = {}
    for name in (*tokens.OUTCOME, *STATES):
        page = Paper("us")
        draw_mark(page, 1.0, 1.0, name)
        shape = [
            (
                type(a).__name__,
                None if isinstance(a, matplotlib.lines.Line2D) else np.round(a.get_extents().size, 1).tolist(),
                tuple(np.round(a.get_xydata(), 3).ravel()) if isinstance(a, matplotlib.lines.Line2D) else None,
            )
            for a in page.figure.artists + page.figure.lines + page.figure.patches
            if a is not page.figure.patch
        ]
        looks[name] = (str(shape), tuple(t.get_text() for t in page.figure.texts))
    doubts = {"ruling_needed", "unverified", "consent_needed", "needs a person"}
    assert len({looks[n] for n in doubts}) == 1
    others = [looks[n] for n in looks if n not in doubts]
    assert len(set(others)) == len(others) == 6
    assert looks["unverified"] not in others


def test_the_same_book_gives_the_same_bytes_and_no_pictures(theirs, tmp_path):
    made = []
    for name in ("a", "b"):
        with PdfPages(
            tmp_path / f"{name}.pdf", metadata={"CreationDate": None, "Producer": None, "Creator": None}
        ) as pdf:
            for figure in drawn(theirs, "a3", (profile_pages, setback_pages, requests_pages)):
                pdf.savefig(figure)
        write_form(tmp_path / f"{name}form.pdf", theirs)
        made.append((tmp_path / f"{name}.pdf").read_bytes() + (tmp_path / f"{name}form.pdf").read_bytes())
    assert made[0] == made[1]
    assert b"/Subtype /Image" not in made[0]


def test_text_of_the_pdf_can_be_read_out(ours, tmp_path):
    path = write_form(tmp_path / "form.pdf", ours)
    try:
        run = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    except FileNotFoundError:
        pytest.skip("pdftotext is not installed")
    assert "As-built" in run.stdout
    assert all(b.bore_id in run.stdout for b in ours.bores)


def test_odd_books_draw(ours):
    lot = replace(ours.lot, polygon=shapely.MultiPolygon([shapely.box(0, 0, 5, 5), shapely.box(9, 9, 12, 12)]))
    bore = replace(ours.bores[0], source="", max_depth_m=None, governing=None, entry_pitch_pct=None, crossings=())
    odd = replace(
        ours, lot=lot, layout_id="", parcel_id="", bores=(bore,), things=(), pads=(), headers=(), checklist=(), sources=(),
        details=(), files=(), datum="", as_built_days=None,
    )  # fmt: skip
    check_pages(odd, "a4")
    told = words_on(drawn(odd, "a4"))
    assert "withoutaname" in told
    assert "Norulefile:nothingwaschecked." in told
    assert "Rulesofnofilenamedhere." in told


def test_a_long_claim_takes_room_from_the_form_and_covers_nothing(ours, tmp_path, form_pages):
    wordy = replace(ours, claim=" ".join(["Does NOT meet the distances entered:", *["many rows fail"] * 120]))
    figures = form_pages(wordy, tmp_path / "f.pdf")
    assert len(figures) > len(form_pages(ours, tmp_path / "g.pdf"))
    assert all(overlaps(texts(f)) == [] for f in figures)
