"""The owner's page: always one, in plain words, its bands over everything that was drilled, never promising more than is known."""

from __future__ import annotations

import math
import sys
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pikepdf
import pytest
import shapely
from PIL import Image

from loopgis.core.errors import InputError
from loopgis.sheets import figure
from loopgis.sheets.built_words import within
from loopgis.sheets.owner_map import KEEP_M, SHALLOW_M, bands, limit_of
from loopgis.sheets.owner_sheet import BUYER, ONE_CALL, owner_page, write_owner_sheet

sys.path.insert(0, str(Path(__file__).parent))

from built_case import built_book, hostile, nothing_drilled, school
from built_look import boxes, harmless, outside, overlaps, words

FT = 0.3048
CASES = {
    "us": built_book,
    "metric": lambda: built_book("metric"),
    "long": lambda: built_book(rods=40),
    "nothing": nothing_drilled,
    "hostile": hostile,
    "hostile metric": lambda: hostile("metric"),
    **{f"school of {n}": (lambda n=n: school(count=n)) for n in (1, 2, 7, 20, 44)},
    "school in metres": lambda: school("metric"),
}


@cache
def page(name):
    """Page of a case, drawn once."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return owner_page(CASES[name]())


@cache
def found(name):
    return bands(CASES[name]())


# the page --------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_nothing_overlaps_and_nothing_leaves_the_page(name):
    sheet = page(name)
    held = boxes(sheet)
    assert overlaps(held) == []
    assert outside(held, sheet) == []
    assert min(t.get_fontsize() for t in sheet.texts) >= 7


@pytest.mark.parametrize("name", CASES)
def test_it_is_one_page(name, tmp_path):
    path = write_owner_sheet(tmp_path / "owner.pdf", CASES[name]())
    assert path == tmp_path / "owner.pdf"
    with pikepdf.open(path) as pdf:
        assert len(pdf.pages) == 1
        assert "/OpenAction" not in pdf.Root
        size = [float(v) / 72 for v in pdf.pages[0].MediaBox[2:]]
    metric = CASES[name]().units == "metric"
    assert size == pytest.approx((8.27, 11.69) if metric else (8.5, 11.0), abs=0.01)
    assert b"/URI" not in path.read_bytes()


@pytest.mark.parametrize("name", CASES)
def test_every_page_says_whom_to_call_and_whom_to_hand_it_to_and_its_cautions(name):
    text = words(page(name))
    for line in (ONE_CALL, BUYER, "Where is my loop?", "Installed by", "phone", "Planning aid, not a survey"):
        assert line in text
    assert "Call before you dig, wait for every response" in text
    assert "Gas, power, water and sewer are not" in text
    assert "An empty map never means that it is safe to drill." in text


def test_the_same_book_gives_the_same_bytes(tmp_path):
    one = write_owner_sheet(tmp_path / "a.pdf", built_book())
    two = write_owner_sheet(tmp_path / "b.pdf", built_book())
    assert one.read_bytes() == two.read_bytes()
    assert b"CreationDate" not in one.read_bytes()


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match="nowhere"):
        write_owner_sheet(tmp_path / "nowhere" / "a.pdf", built_book())


@pytest.mark.parametrize("name", ["hostile", "hostile metric"])
def test_hostile_texts_stay_texts(name):
    harmless(page(name))
    assert "$\\frac{1}{0}$ & <b>" in words(page(name))


# what it says --------------------------------------------------------------


def test_it_says_what_must_not_be_done_where():
    text = words(page("us"))
    least = found("us").dark_m / FT
    assert f"DO NOT DIG HERE. Here the pipe may be only {least:.1f} ft down." in text
    assert "No tree, no stake, no post, no anchor, no drilling." in text
    assert f"NOT DEEPER THAN {found('us').limit_m / FT:.0f} ft." in text
    assert f"at least {found('us').light_m / FT:.1f} ft deep" in text
    assert "pipes to the building, 3'-11\" deep" in text
    assert "B-02: an empty hole 17 ft deep" in text
    assert "10 gauge copper wire" in text
    assert "Propylene glycol 20 %" in text
    metric = words(page("metric"))
    assert f"NOT DEEPER THAN {found('metric').limit_m:.1f} m." in metric
    assert " ft" not in metric.replace("18 °F", "")


def test_what_nobody_said_is_not_promised():
    book = replace(built_book(), tracer="", facts=(), pipe="", ties=())
    text = words(owner_page(book))
    assert "Nothing is known of a tracer wire or tape: a locator may not find these pipes." in text
    assert "Pipe, fluid, pressure" not in text
    assert "depth not recorded" in text
    assert "How to find it again" not in text


def test_before_the_first_rod_the_page_says_that_nothing_lies_there():
    text, none = words(page("nothing")), found("nothing")
    assert "Nothing has been drilled yet: 4 bores planned." in text
    assert "DO NOT DIG HERE" not in text
    assert none.dark.is_empty
    assert none.light.is_empty
    assert (none.limit_m, none.dark_m, none.light_m, none.deepest_m) == (None, None, None, None)


def test_bores_that_are_begun_count_and_planned_ones_do_not():
    text = words(page("us"))
    assert "lie in 2 drilled holes under this lot" in text
    assert "1 more hole was begun." in text
    book = built_book()
    end = shapely.Point(*book.bores[3].planned[-1, :2])
    assert not bands(book).dark.union(bands(book).light).contains(end)
    assert "lies in a drilled hole" in words(page("school of 1"))


@pytest.mark.parametrize("name", ["us", "metric", "school of 20", "school of 44"])
def test_ties_have_two_tapes_and_their_error_in_words_and_the_rest_is_told(name):
    text, book = words(page(name)), CASES[name]()
    ties = sorted(book.ties, key=lambda t: ["header", "wall", "exit", "end", "entry"].index(t.what))
    cells = [t.get_text() for t in page(name).texts]
    rows = sum(c.startswith("within about") for c in cells)
    assert rows >= 7
    first = cells.index("how sure") - rows
    for n, t in enumerate(ties[:rows]):
        assert cells[first + n] == f"{t.lat:.6f}, {t.lon:.6f}"
        assert cells[first + n + rows + 1] == within(t.error_m, book.units)
    rest = len(ties) - rows
    assert (f"{rest} things more are tied: see the as-built." in text) == bool(rest)


def test_errors_in_words_are_never_smaller_than_two_standard_errors():
    for error in np.linspace(0.001, 3.0, 400):
        us, metric = within(float(error), "us"), within(float(error), "metric")
        value, unit = us.removeprefix("within about ").split()
        assert float(value) * {"in": FT / 12, "ft": FT}[unit] >= 2 * error - 1e-9
        value, unit = metric.removeprefix("within about ").split()
        assert float(value) * {"cm": 0.01, "m": 1.0}[unit] >= 2 * error - 1e-9


# bands --------------------------------------------------------------


@pytest.mark.parametrize("name", ["us", "long", "school of 44"])
def test_bands_cover_everything_that_was_drilled_and_shallow_pipe_is_dark(name):
    book, zones = CASES[name](), found(name)
    every = shapely.union_all([zones.dark, zones.light]).buffer(1e-6)
    for bore in book.bores:
        for leg in bore.legs:
            rods = [r for r in leg.rods if leg.given_up_from is None or r.rod >= leg.given_up_from - 1]
            for rod in rods:
                near = shapely.Point(rod.x, rod.y).buffer(min(KEEP_M, 1.0))
                assert every.contains(near)
                if rod.depth_m - 2 * rod.error_z_m < SHALLOW_M:
                    assert zones.dark.buffer(1e-6).contains(near)
    assert zones.dark.buffer(1e-6).contains(shapely.Polygon(book.pad))
    assert zones.dark.buffer(1e-6).contains(shapely.LineString(book.header))
    assert zones.dark.intersection(zones.light).area < 1e-6


@pytest.mark.parametrize("name", ["us", "metric", "long", "school of 44"])
def test_nobody_is_told_to_dig_down_to_a_pipe(name):
    book, zones = CASES[name](), found(name)
    assert zones.light_m >= SHALLOW_M
    assert 0 < zones.limit_m <= zones.light_m / 2
    for bore in book.bores:
        for rod in bore.leg.rods if bore.leg else ():
            if zones.light.contains(shapely.Point(rod.x, rod.y)):
                assert rod.depth_m - 2 * rod.error_z_m > zones.limit_m + 1.0


def test_an_unsure_place_makes_the_band_wider_and_an_unsure_depth_makes_it_dark():
    book = built_book()

    def with_errors(**change):
        bores = tuple(
            replace(b, legs=tuple(replace(leg, rods=tuple(replace(r, **change) for r in leg.rods)) for leg in b.legs))
            for b in book.bores
        )
        return bands(replace(book, bores=bores))

    sure, unsure = with_errors(error_m=0.0), with_errors(error_m=1.0)
    grown = shapely.union_all([sure.dark, sure.light]).buffer(1.9)
    assert shapely.union_all([unsure.dark, unsure.light]).area > 1.3 * shapely.union_all([sure.dark, sure.light]).area
    assert grown.buffer(0.2).contains(shapely.union_all([unsure.dark, unsure.light]))
    deep = with_errors(error_z_m=2.0)
    assert deep.light.is_empty
    assert deep.limit_m is None
    text = words(owner_page(replace(book, bores=book.bores[3:])))
    assert "NOT DEEPER" not in text


def test_ground_that_nobody_knows_is_dark():
    book = built_book()
    one = book.bores[0]
    blind = replace(one, legs=(replace(one.leg, rods=tuple(replace(r, ground_m=math.nan) for r in one.leg.rods)),))
    zones = bands(replace(book, bores=(blind,)))
    assert zones.light.is_empty
    assert zones.dark.contains(shapely.LineString(one.leg.line[:, :2]))
    sheet = owner_page(replace(book, bores=(blind,)))
    assert "DO NOT DIG HERE. No tree" in words(sheet)


def test_limits_are_whole_feet_or_tenths_rounded_down():
    for depth in np.linspace(SHALLOW_M, 12.0, 200):
        feet, metres = limit_of(depth, "us") / FT, limit_of(depth, "metric") * 10
        assert feet == pytest.approx(round(feet), abs=1e-4)
        assert metres == pytest.approx(round(metres), abs=1e-4)
        assert depth / 2 - FT <= limit_of(depth, "us") <= depth / 2 + 1e-6
        assert depth / 2 - 0.1 - 1e-6 <= limit_of(depth, "metric") <= depth / 2 + 1e-6


def test_a_photocopy_tells_the_bands_apart(tmp_path):
    """Ink in grey: the dark band is at least half again as dark as the light one."""
    sheet, zones = page("us"), found("us")
    figure.save(sheet, tmp_path / "owner.png")
    axes = sheet.axes[0]
    with Image.open(tmp_path / "owner.png") as image:
        grey = 1 - np.asarray(image.convert("L")) / 255.0

    def ink(shape):
        x0, y0, x1, y1 = shape.bounds
        x, y = np.meshgrid(np.linspace(x0, x1, 60), np.linspace(y0, y1, 200))
        inside = shapely.contains_xy(shape, x, y)
        px = axes.transData.transform(np.column_stack([x[inside], y[inside]]))
        return grey[(grey.shape[0] - 1 - px[:, 1]).astype(int), px[:, 0].astype(int)].mean()

    names = [b.leg.line[:, :2] for b in built_book().bores if b.leg]
    pipes = shapely.union_all([shapely.LineString(n).buffer(0.6) for n in names])
    dark, light = (ink(shape.difference(pipes).buffer(-0.3)) for shape in (zones.dark, zones.light))
    assert dark > 1.5 * light
