"""The review page: holds everything itself, escapes what it was given, shows what it must, and stays small."""

from __future__ import annotations

import base64
import html
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from picture_site import NASTY, make_layout, make_site, make_zones
from PIL import Image, ImageDraw

from loopgis.core.findings import Finding
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.review import write_review
from loopgis.site.model import SourceFile

PADS = [
    {
        "x_m": 1.0,
        "y_m": 2.0,
        "axis_deg": 90.0,
        "given": False,
        "bound_m": 300.0,
        "pattern": "fan",
        "level_length_m": 200.0,
        "bores": 4,
    }
]
HASH = "ab" * 32


class Tags(HTMLParser):
    """Every tag of a page with its attributes, and whether tags close in order."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "hr"})
    SHAPES = frozenset({"circle", "rect", "path", "line", "use", "polygon", "polyline"})

    def __init__(self, page):
        super().__init__()
        self.found, self.open = [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        while self.open and self.open[-1] in {"li", "p", "td", "tr", "th", "dd", "dt"} and self.open[-1] != tag:
            self.open.pop()
        assert self.open, tag
        assert self.open.pop() == tag


def picture(path, colours=("#ffffff",)):
    """Light noise as large as a real sheet, with a thin line in each colour."""
    noise = np.random.default_rng(4).integers(200, 240, (1650, 2550, 1), dtype=np.uint8)
    image = Image.fromarray(np.repeat(noise, 3, axis=2))
    for n, colour in enumerate(colours):
        ImageDraw.Draw(image).line([(100, 200 + 90 * n), (700, 230 + 90 * n)], fill=colour, width=4)
    image.save(path, compress_level=1)
    return path


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    return make_page(tmp_path_factory.mktemp("page"))


def make_page(folder, *, name="Made-up Lot", layouts=None, units="us", files=1):
    site = replace(
        make_site(name=name, units=units),
        sources=(SourceFile(role="parcel", path="parcel.gpkg", sha256=HASH, crs="made up", rows=1),),
    )
    layouts = layouts or [make_layout(site, 3), make_layout(site, 2, rank=2, pattern="fan", score=66.0)]
    drawn = [picture(folder / f"{n}.png") for n in range(files)]
    findings = [Finding(severity="warning", code="rule-of-thumb", message=f"told of {name}", remedy="do something")]
    path = folder / "review.html"
    write_review(
        path, site, make_zones(site), layouts, {y.layout_id: drawn for y in layouts}, findings, {"pads_tried": PADS}
    )
    return path.read_text("utf-8")


def shown(page):
    """The words of a page without tags, styles and pictures."""
    body = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", body)).split())


def ours(page):
    """The page without the chart library, which speaks of places that it never asks when it is told nothing."""
    first, _, rest = page.rpartition("<script>")
    return first[: first.index("<script>")] + "<script>" + rest


def test_the_page_is_well_formed_and_has_three_scripts(page):
    tags = Tags(page)
    assert tags.open == []
    assert [t for t, _ in tags.found].count("script") == 3
    assert not [t for t, _ in tags.found if t in {"iframe", "object", "embed", "link", "base", "form"}]
    assert not [k for _, attrs in tags.found for k in attrs if k.startswith("on")]


def test_nothing_is_asked_of_any_network(page):
    without = re.sub(r"data:image/\w+;base64,[A-Za-z0-9+/=]+", "data:", ours(page))
    assert not re.search(r"(?:https?:)?//[\w.]|@import|url\(", without.replace("http://www.w3.org/2000/svg", ""))
    for _, attrs in Tags(without).found:
        for key in ("src", "href", "xlink:href", "srcset", "data", "action", "poster"):
            assert attrs.get(key, "data:").startswith(("data:", "#"))


def test_every_inner_link_has_a_target(page):
    found = Tags(page).found
    ids = {attrs["id"] for _, attrs in found if "id" in attrs}
    assert {attrs["href"][1:] for _, attrs in found if attrs.get("href", "").startswith("#")} <= ids


def test_a_nasty_name_is_escaped(tmp_path):
    page = make_page(tmp_path, name=NASTY)
    assert page.count("<script") == page.count("</script>") == 3
    assert html.escape("<script>", quote=False) in page
    assert NASTY in shown(page)
    assert Tags(page).open == []


def test_a_nasty_layout_stays_text(tmp_path):
    site = make_site()
    layout = make_layout(site, 1)
    odd = replace(layout.clearances[0], feature_id="<b>x</b>", citation="'\"><img src=x>")
    page = make_page(tmp_path, layouts=[replace(layout, clearances=(odd,))])
    assert "<b>x</b>" not in page
    assert "<img src=x>" not in page


@pytest.mark.parametrize("outcome", sorted(tokens.OUTCOME))
def test_each_outcome_has_its_colour_its_shape_and_its_words(page, outcome):
    mark = tokens.OUTCOME[outcome]
    assert mark.colour in page
    assert mark.words in shown(page)


def test_the_four_marks_differ_in_shape(page):
    """By what is drawn: disc, disc with a bar, cross, ring with a question mark; colours taken out, all bodies differ."""
    kinds = ("pass", "pass_thin", "fail", "unverified")
    bodies = {}
    for kind in kinds:
        mark = tokens.OUTCOME[kind]
        drawn = [
            m for m in re.findall(r"<(?:svg|symbol)\b[^>]*>(.*?)</(?:svg|symbol)>", page, re.DOTALL) if mark.colour in m
        ]
        assert drawn, kind
        bodies[kind] = re.sub(r"#[0-9a-fA-F]{6}|\s", "", min(drawn, key=len))
    assert len(set(bodies.values())) == len(kinds)


def test_the_answer_comes_first_and_says_whose_the_wanted_figure_is(page):
    words = shown(page)
    assert words.index("comes first") < words.index("The layouts side by side")
    assert "80%" in words[: words.index("The layouts side by side")].replace(" %", "%")
    assert "wanted" in words[: words.index("The layouts side by side")]


def test_every_term_of_every_score_is_shown(page):
    words = shown(page)
    for sum_ in ("0.80 \u00d7 70 = 56.0", "0.47 \u00d7 30 = 14.0", "0.33 \u00d7 30 = 10.0"):
        assert sum_ in words.replace(".0 =", " =")


def test_what_is_missing_is_said(page):
    words = shown(page).lower()
    for topic in ("not computed", "heat", "valves"):
        assert topic in words


def test_all_cautions_inputs_and_hashes_are_there(page):
    words = shown(page)
    assert all(" ".join(c.split()) in words for c in CAUTIONS)
    assert HASH[:16] in page
    assert "complian" not in words.lower()


@pytest.mark.parametrize(("units", "word"), [("us", "ft"), ("metric", "m")])
def test_units_follow_the_site_file(tmp_path, units, word):
    words = shown(make_page(tmp_path, units=units))
    metres = make_layout(make_site(units=units), 3).evaluation.level_length_m
    assert f"{metres / (0.3048 if units == 'us' else 1):.0f} {word} " in words


def test_the_page_stays_under_8_mb(tmp_path):
    """Noise hardly shrinks, so this is worse than any real sheet."""
    assert len(make_page(tmp_path, files=4)) < 8_000_000


def test_thin_lines_keep_the_colour_that_tells_what_they_are(tmp_path):
    site = make_site()
    layout = make_layout(site, 1)
    colours = [*tokens.FAMILY.values(), tokens.OUTCOME["fail"].colour]
    drawn = picture(tmp_path / "p.png", colours)
    path = tmp_path / "review.html"
    write_review(path, site, make_zones(site), [layout], {layout.layout_id: [drawn]}, [], {})
    data = re.search(r"base64,([A-Za-z0-9+/=]+)", path.read_text("utf-8")).group(1)
    with Image.open(io.BytesIO(base64.b64decode(data))) as image:
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3).astype(int)
    grey = np.ptp(pixels, axis=1) < 60
    for colour in colours:
        rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)])
        assert np.sum(~grey & (np.abs(pixels - rgb).max(axis=1) <= 70)) > 200, colour


def test_the_same_design_gives_the_same_page(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert make_page(tmp_path / "a") == make_page(tmp_path / "b")


def test_one_bare_layout_is_enough(tmp_path):
    site = make_site()
    layout = replace(make_layout(site, 1), crossings=(), clearances=(), header=None, findings=())
    words = shown(make_page(tmp_path, layouts=[layout], files=0))
    assert "L-01" in words
    assert "nan" not in words.lower().split()
