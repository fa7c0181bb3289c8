"""The as-built sheet: everything of the book is on it, in its units, once, apart and inside; the same book gives the same bytes."""

from __future__ import annotations

import math
import re
import sys
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path

import matplotlib.lines
import numpy as np
import pikepdf
import pytest

from loopgis.core.errors import InputError
from loopgis.sheets import built_front, built_plan, tokens
from loopgis.sheets.built_frame import content_box
from loopgis.sheets.built_profile import TIMES, scales
from loopgis.sheets.built_sheet import built_sheets, write_built_sheet
from loopgis.sheets.built_words import cleaned, dead_rods, failures, plain
from loopgis.sheets.cautions import CAUTIONS

sys.path.insert(0, str(Path(__file__).parent))

from built_case import EVIL, LONG, built_book, finding, hostile, nothing_drilled, school
from built_look import boxes, harmless, outside, overlaps, words

FT = 0.3048
NONE = "\u2013"
CASES = {
    "us": built_book,
    "metric": lambda: built_book("metric", rods=40),
    "nothing": nothing_drilled,
    "hostile": hostile,
    "hostile metric": lambda: hostile("metric"),
    "few of a school": lambda: school(count=14),
}


@cache
def pages(name):
    """Pages of a case, drawn once."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return list(built_sheets(CASES[name]()))


def told(name):
    return " ".join(words(p) for p in pages(name))


# the page --------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_nothing_overlaps_and_nothing_leaves_the_page(name):
    for sheet in pages(name):
        found = boxes(sheet)
        assert overlaps(found) == []
        assert outside(found, sheet) == []
        assert min(t.get_fontsize() for t in sheet.texts) >= 7


def test_the_check_for_overlap_can_fail():
    sheet = next(iter(built_sheets(nothing_drilled())))
    sheet.text(0.5, 0.5, "one upon")
    sheet.text(0.5, 0.5, "the other")
    sheet.text(-0.01, 0.5, "outside")
    found = boxes(sheet)
    assert ("one upon", "the other") in overlaps(found)
    assert "outside" in outside(found, sheet)


@pytest.mark.parametrize("name", CASES)
def test_title_number_cautions_and_claim_stand_on_every_page(name):
    sheets = pages(name)
    claim = plain(CASES[name]().claim)[:60] or "Distances were not checked as drilled"
    for n, sheet in enumerate(sheets, 1):
        text = words(sheet)
        assert f"page {n} of {len(sheets)}" in text
        assert "Planning aid, not a survey, not a sealed design. Call before you dig" in text
        assert claim in text
        assert text.startswith("page")
        assert "As-built" in text


def test_the_first_page_has_all_cautions_and_lines_to_sign():
    text = words(pages("us")[0])
    for caution in CAUTIONS:
        assert caution in text
    for name in ("installed by", "licence no.", "signature", "date"):
        assert name in text


def test_a_layout_that_fails_never_says_that_it_meets():
    assert "Meets the distances entered" not in told("us")
    good = replace(
        built_book(), claim="Meets the distances entered", findings=(), bores=built_book().bores[3:], records=()
    )
    assert "Meets the distances entered; local code governs." in words(next(iter(built_sheets(good))))


def test_paper_goes_with_the_units():
    assert tuple(pages("us")[0].get_size_inches()) == (11.0, 8.5)
    assert pages("metric")[0].get_size_inches() * 25.4 == pytest.approx([297, 210])


# the first page --------------------------------------------------------------


def test_headline_figures_are_those_of_the_book():
    text, book = words(pages("us")[0]), built_book()
    made = sum(b.length_m for b in book.bores) / FT
    asked = sum(b.planned_length_m for b in book.bores) / FT
    assert "bores drilled 2 of 4, 1 begun" in text
    assert f"{made:.0f} ft of {asked:.0f} ft" in text
    worst = max((b for b in book.bores if b.worst_off_m is not None), key=lambda b: b.worst_off_m)
    assert f"{worst.worst_off_m / FT:.1f} ft, {worst.bore_id} rod {worst.worst_rod}" in text
    assert "least clear gap 1.0 ft, B-02 to gas service" in text
    assert "holes given up 1" in text


def test_what_fails_is_on_the_first_page():
    text = words(pages("us")[0])
    assert "What fails" in text
    assert "gas service, 1.0 clear, 2.0 asked" in text
    assert "pressure test: fell by 22 %: find the leak" in text
    assert failures(built_book("metric"))[0] == "B-02: gas service, 0.30 clear, 0.61 asked"


def test_the_mark_of_the_claim_is_the_worst_and_never_better_than_the_claim():
    assert built_front.claim_mark(built_book()) == "fail"
    assert built_front.claim_mark(nothing_drilled()) == "unverified"
    one = replace(built_book().bores[0], records=())
    good = replace(built_book(), bores=(one,), findings=(), records=(), claim="Meets the distances entered")
    assert built_front.claim_mark(good) == "pass"
    assert built_front.claim_mark(replace(good, claim="Does NOT meet the distances entered")) == "fail"
    thin = replace(one, crossings=(replace(one.crossings[0], outcome="pass_thin"),))
    assert built_front.claim_mark(replace(good, bores=(thin,))) == "pass_thin"
    odd = replace(one, crossings=(replace(one.crossings[0], outcome="nobody knows"),))
    assert built_front.claim_mark(replace(good, bores=(odd,))) == "unverified"


def test_the_legend_tells_only_what_is_there():
    drilled, bare = words(pages("us")[0]), words(pages("nothing")[0])
    for entry in ("as drilled, readings", "surveyed exit", "given up", "fixed point", "tape", "entry"):
        assert entry in drilled
        assert entry not in bare.split("Legend")[1].split("metres")[0]
    assert "as planned" in bare
    assert "R: irrigation" not in drilled


def markers(sheet, marker):
    return [
        line
        for line in sheet.axes[0].findobj(matplotlib.lines.Line2D)
        if line.get_marker() == marker and len(line.get_xdata())
    ]


def test_readings_are_dots_surveyed_ends_squares_and_holes_given_up_crossed():
    sheet, book = pages("us")[0], built_book()
    dots = sum(len(m.get_xdata()) for m in markers(sheet, "o") if m.get_markersize() == built_plan.DOTS_PT)
    assert dots == sum(len(b.leg.rods) - 1 for b in book.bores if b.leg)
    squares = markers(sheet, "s")
    assert len(squares) == 1
    last = book.bores[0].leg.rods[-1]
    assert (squares[0].get_xdata()[0], squares[0].get_ydata()[0]) == pytest.approx((last.x, last.y), abs=0.5)
    crosses = markers(sheet, "x")
    assert [len(c.get_xdata()) for c in crosses] == [len(dead_rods(book.bores[1].legs[0])) - 1]
    assert {m.get_color() for m in crosses} == {tokens.TEXT}


def test_tapes_are_drawn_from_corner_to_thing_with_their_figures():
    sheet, book = pages("us")[0], built_book()
    drawn = [line.get_xydata() for line in sheet.axes[0].lines if line.get_zorder() == 10.2]
    ties = [t for t in book.ties if t.what != "entry"]
    assert len(drawn) == 2 * len(ties)
    text = words(sheet)
    for n, tie in enumerate(built_plan.taped(ties)):
        for line, point in zip(drawn[2 * n : 2 * n + 2], (tie.first, tie.second), strict=True):
            assert math.dist(*line) == pytest.approx(point.distance_m)
            inches = round(point.distance_m / FT * 12)
            assert f"{inches // 12}'-{inches % 12}\"" in text


def test_many_exits_leave_their_tapes_to_the_table():
    book = school()
    assert {t.what for t in built_plan.taped(book.ties)} == {"header", "wall"}
    assert built_plan.map_names(book)[:2] == ["1", "2"]
    same = replace(book, bores=tuple(replace(b, bore_id=f"{n}-01") for n, b in enumerate(book.bores)))
    assert built_plan.map_names(same)[:2] == ["0-01", "1-01"]


def test_the_map_is_to_scale():
    sheet, book = pages("us")[0], built_book()
    axes = sheet.axes[0]
    wide = axes.get_position().width * sheet.get_size_inches()[0]
    per = np.ptp(axes.get_xlim()) / wide
    assert f"1 in = {per / FT:.0f} ft" in words(sheet)
    assert per / FT == pytest.approx(round(per / FT), abs=1e-6)
    low = np.array([axes.get_xlim()[0], axes.get_ylim()[0]])
    high = np.array([axes.get_xlim()[1], axes.get_ylim()[1]])
    assert np.all(low < book.parcel[0].min(axis=0))
    assert np.all(high > book.parcel[0].max(axis=0))


def test_a_lot_that_is_far_larger_than_the_bores_is_not_shown_whole():
    book = built_book()
    far = replace(book, parcel=(book.parcel[0] * 40,))
    west, south, east, north = built_plan.bounds_of(far)
    assert max(east - west, north - south) < 200
    assert words(next(iter(built_sheets(far))))


# tables --------------------------------------------------------------


@pytest.mark.parametrize(("name", "factor", "digits"), [("us", FT, 1), ("metric", 1.0, 2)])
def test_every_rod_is_in_the_table_with_its_figures(name, factor, digits):
    text, book = told(name), CASES[name]()
    for bore in book.bores:
        for leg in bore.legs:
            for r in dead_rods(leg) if leg.abandoned else leg.rods:
                pitch = NONE if r.pitch_pct is None else f"{round(r.pitch_pct, 1) + 0.0:.1f}"
                read = NONE if r.read_depth_m is None else f"{round(r.read_depth_m / factor, digits) + 0.0:.{digits}f}"
                sign = "\u25b2" if r.told else ""
                cells = f"{r.station_m / factor:.{digits}f} {read} {r.depth_m / factor:.{digits}f} {pitch}"
                assert f"{sign}{r.rod} {cells}" in text


def test_crossings_records_and_remarks_are_told():
    text = told("us")
    assert "passed gas service (gas line) G 6 57.4 under 3.3 3.0 0.4 2.0" in text
    assert "failed gas service (gas line) G 5 52.5 under 3.3 1.0 0.4 2.0" in text
    assert "unverified pool 7 65.6 beside 3.3 \u2013 \u2013 2.0" in text
    assert "failed pressure test 690 to 540 kPa in 15 min drop at most 3 % fell by 22 %: find the leak" in text
    assert "Records of the whole field" in text
    assert "Rod 12: cobbles, slow" in text
    assert "Remark: grouted from the exit" in text
    assert "Leg 1, given up from rod 8: the hole is still there" in text
    assert "Rod 9: would not turn, pulled back" in text
    assert "Still to come, as planned: 1 bore" in text


def test_findings_heat_accuracy_and_sources_are_told_errors_first():
    text = told("us")
    assert text.index("passes 1.0 ft under the gas service") > 0
    assert text.index("error B-02 passes") < text.index("warning B-01 at rod 11") < text.index("note B-01 rod 5")
    assert "as drilled, the rest as planned 577 ft 584 ft 29.5 °F to 81.7 °F 25.0 °F to 95.0 °F" in text
    assert "log-A.json: tablet A, 61 entries, chain kept" in text
    assert "depths from a walkover locator" in text
    assert "Not computed" in told("nothing")
    assert "-1.4 °C to 27.6 °C" in told("metric")
    none = replace(built_book(), heat=replace(built_book().heat, needed_m=None))
    assert "no length is enough" in " ".join(words(p) for p in built_sheets(none))


def test_ties_have_tapes_places_and_errors():
    text, book = told("us"), built_book()
    assert "H header at the pad 32'-6\" from P1 38'-5\" from P2 3'-11\"" in text
    assert "P1 house, north-east corner; P2 house, north-west corner" in text
    for t in book.ties:
        assert f"{t.lat:.7f}, {t.lon:.7f} {t.file_x:.2f} {t.file_y:.2f}" in text


def test_a_long_table_repeats_its_head():
    many = tuple(finding("warning", "drift", "B-01", f"number {n} of many") for n in range(90))
    sheets = list(built_sheets(replace(built_book(), findings=many)))
    with_rows = [words(s) for s in sheets if re.search(r"number \d+ of many", words(s))]
    assert len(with_rows) >= 3
    assert all("severity bore what was found" in t for t in with_rows)
    found = re.findall(r"number (\d+) of many", " ".join(with_rows))
    assert [int(n) for n in found] == list(range(90))


# profiles --------------------------------------------------------------


def test_all_profiles_have_the_same_two_scales():
    seen = []
    for sheet in pages("us")[1:]:
        for axes in sheet.axes:
            wide, tall = axes.get_position().size * sheet.get_size_inches()
            seen.append((np.ptp(axes.get_xlim()) / wide, np.ptp(axes.get_ylim()) / tall))
    assert len(seen) == 3
    assert np.ptp(np.array(seen), axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert told("us").count("heights drawn to the same scale as lengths") == 3
    assert "heights drawn 2 times as large as lengths" in told("metric")


def test_the_exaggeration_is_the_largest_that_fits():
    book = school(count=3)
    scale = scales(book.bores, content_box(book).wide_in)
    assert scale.times in TIMES
    assert scale.across_m * (content_box(book).wide_in - 0.42) >= 90.0


def test_a_profile_shows_readings_with_errors_and_the_lost_leg():
    sheet = next(s for s in pages("us") if "B-02: drilled" in words(s))
    axes = sheet.axes[0]
    rods = built_book().bores[1].leg.rods
    bars = [c.get_segments() for c in axes.collections if len(c.get_segments()) == len(rods)]
    assert [np.ptp(b[:, 1]) * FT for b in bars[0]] == pytest.approx([2 * r.error_z_m for r in rods])
    crosses = [line for line in axes.lines if line.get_marker() == "x"]
    dead = dead_rods(built_book().bores[1].legs[0])
    assert [list(np.array(c.get_ydata()) * FT) for c in crosses] == [pytest.approx([r.z_m for r in dead[1:]])]
    assert "leg 1 given up" in words(sheet)
    ring = [line for line in axes.lines if line.get_marker() == "o" and line.get_markersize() == 5.5]
    assert len(ring) == 1
    way = ring[0].get_ydata()[0] * FT
    c = built_book().bores[1].crossings[0]
    z = np.interp(c.station_m, [r.station_m for r in rods], [r.z_m for r in rods])
    assert way == pytest.approx(z + 0.127 / 2 + c.clearance_m, abs=0.15)


# hostile --------------------------------------------------------------


@pytest.mark.parametrize("name", ["hostile", "hostile metric"])
def test_hostile_texts_stay_texts(name):
    for sheet in pages(name):
        harmless(sheet)
    text = told(name)
    assert "$\\frac{1}{0}$ & <b> [31m</b>)('; DROP" in text
    assert "page 1 of" in text


def test_texts_are_made_fit_for_paper_once():
    book = cleaned(hostile())
    assert "\x00" not in book.parcel_id
    assert "\n" not in book.parcel_id
    assert "\u202e" not in book.bores[0].remarks[0]
    assert len(book.site) <= 300
    assert cleaned(book).parcel_id == book.parcel_id
    assert plain(EVIL) == plain(plain(EVIL))
    assert plain(LONG * 20) == plain(LONG * 20)[:300]
    assert cleaned(built_book()).site == built_book().site


def test_odd_books_draw(tmp_path):
    book = built_book()
    nowhere = replace(
        book, parcel=(), buildings=(), things=(), pad=np.zeros((0, 2)), header=None, bores=(), ties=(), findings=(), site="",
        layout_id="", built_id="", crs_name="", rig="", pipe="",
    )  # fmt: skip
    lost = replace(book, bores=(replace(book.bores[1], legs=book.bores[1].legs[:1]),))
    whole = replace(book.bores[1].legs[0], given_up_from=None)
    empty = replace(whole, rods=(), line=np.zeros((0, 3)))
    odd = (
        nowhere,
        lost,
        replace(book, bores=(replace(book.bores[1], legs=(whole,)), replace(book.bores[0], legs=(empty,)))),
        replace(book, parcel=(np.zeros((4, 2)),), pad=np.zeros((1, 2))),
        replace(book, units="metric", parcel=(book.parcel[0], book.buildings[0])),
    )
    for one in odd:
        sheets = list(built_sheets(one))
        for sheet in sheets:
            found = boxes(sheet)
            assert overlaps(found) == []
            assert outside(found, sheet) == []
    assert "every hole of it was given up" in " ".join(words(s) for s in built_sheets(lost))
    assert write_built_sheet(tmp_path / "x.pdf", nowhere).exists()


# files --------------------------------------------------------------


def test_the_same_book_gives_the_same_bytes(tmp_path):
    one = write_built_sheet(tmp_path / "a.pdf", built_book())
    two = write_built_sheet(tmp_path / "b.pdf", built_book())
    assert one == tmp_path / "a.pdf"
    assert one.read_bytes() == two.read_bytes()
    assert b"CreationDate" not in one.read_bytes()


def test_the_file_asks_for_nothing_and_runs_nothing(tmp_path):
    path = write_built_sheet(tmp_path / "a.pdf", hostile())
    with pikepdf.open(path) as pdf:
        assert len(pdf.pages) == len(pages("hostile"))
        assert "/OpenAction" not in pdf.Root
        assert all("/Annots" not in p or not len(p.Annots) for p in pdf.pages)
    assert b"/URI" not in path.read_bytes()
    assert b"/JavaScript" not in path.read_bytes()


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match="nowhere"):
        write_built_sheet(tmp_path / "nowhere" / "a.pdf", built_book())


@pytest.mark.slow
def test_a_school_draws_with_all_its_bores_apart(tmp_path):
    book = school()
    sheets = list(built_sheets(book))
    for sheet in sheets:
        found = boxes(sheet)
        assert overlaps(found) == []
        assert outside(found, sheet) == []
    text = " ".join(words(s) for s in sheets)
    for bore in book.bores:
        assert (f"{bore.bore_id}: drilled" in text) == bool(bore.legs)
    assert "Still to come, as planned: 6 bores" in text
