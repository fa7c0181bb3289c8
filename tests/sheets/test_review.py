"""The review page: self-contained, escaped, the answer first, every outcome marked by shape and colour."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
import shapely
import zoo
from PIL import Image

from loopgis.driver import design
from loopgis.sheets import review, review_chart, review_pictures, review_words, tokens
from loopgis.sheets.cautions import CAUTIONS
from loopgis.site.model import Feature

NASTY = "<script>alert('x')</script> & \"Sons\""


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        if self.tags and self.tags[-1][0] not in {"style", "script"}:
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def made():
    house = Feature(feature_id="h", kind="building", geometry=shapely.box(40, 30, 54, 42), label=NASTY)
    return design(zoo.site(shapely.box(0, 0, 110, 90), features=(house,), name=NASTY, length_m=100.0))


def _write(made, path, **changes):
    picture = path.with_name("L.png")
    Image.linear_gradient("L").resize((1200, 780)).convert("RGB").save(picture)
    values = {
        "site": made.site,
        "zones": made.zones,
        "layouts": made.layouts,
        "pictures": {y.layout_id: picture for y in made.layouts},
        "findings": made.findings,
        "summary": made.summary(),
    } | changes
    review.write_review(path, **values)
    return path.read_text("utf-8")


@pytest.fixture(scope="module")
def text(made, tmp_path_factory):
    return _write(made, tmp_path_factory.mktemp("page") / "review.html")


def test_nothing_is_fetched_and_only_our_scripts_run(text):
    page = Page(text)
    assert not [t for t, _ in page.tags if t in {"link", "iframe", "object", "embed", "base"}]
    scripts = [a for t, a in page.tags if t == "script"]
    assert [set(a) for a in scripts] == [{"type", "id"}, set(), set()]  # data, chart library, ours
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    inline = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    for one in inline:
        assert base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() in policy
    assert "unsafe" not in policy.replace("style-src 'unsafe-inline'", "")
    places = [
        v for _, a in page.tags for k, v in a.items() if k in {"src", "href", "srcset", "action", "data", "poster"}
    ]
    assert places
    assert all(v.startswith(("data:image/", "#")) for v in places)
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL).group(1)
    assert "url(" not in style
    assert "@import" not in style
    assert not any(k.startswith("on") for _, a in page.tags for k in a)
    assert "innerHTML" not in inline[1]


def test_a_nasty_name_is_text_and_nothing_else(text):
    assert text.count("<script") == text.count("</script>") == 3
    assert NASTY in Page(text).text


def test_the_answer_comes_first(made, text):
    words = Page(text).text
    best = made.layouts[0]
    at = words.index(f"{best.layout_id} comes first")
    assert at < 900
    assert f"{best.evaluation.level_length_m:.0f} m" in words[at : at + 400]
    assert "The wanted length comes from the site file." in words
    heads = [re.sub(r"<.*?>", "", h) for h in re.findall(r"<h2[^>]*>(.*?)</h2>", text)]
    assert heads[: len(made.layouts)][0] == f"{best.layout_id} comes first"
    assert heads[len(made.layouts) :] == [
        "The layouts side by side",
        "The site",
        "Profiles",
        "Pressure and risk along each bore",
        "Drilling",
        "Permit: the distances entered",
        "Material and cost",
        "Findings",
        "Cautions",
    ]


def test_every_layout_bore_and_score_term_is_there(made, text):
    words = Page(text).text
    for layout in made.layouts:
        assert f"Bores of {layout.layout_id}" in words
        assert all(b.bore_id in words for b in layout.bores)
        for term in layout.terms.values():
            assert f"= {term['points']:.1f}" in words
    for sentence in CAUTIONS:
        assert sentence in words
    assert "compliant" not in words.lower()


def test_outcomes_are_marked_by_shape_and_colour(made, tmp_path):
    layout = made.layouts[0]
    rows = tuple(replace(layout.clearances[0], outcome=name) for name in tokens.OUTCOME)
    text = _write(made, tmp_path / "r.html", layouts=(replace(layout, clearances=rows),))
    page = Page(text)
    seen = {a["aria-label"] for t, a in page.tags if t == "svg" and a.get("class") == "mark"}
    assert seen == {m.words for m in tokens.OUTCOME.values()}
    for mark in tokens.OUTCOME.values():
        assert mark.colour in text
    words = page.text[page.text.index("Distances of") :]
    places = [
        words.index(f"1 {tokens.OUTCOME[name].words}") for name in ("fail", "ruling_needed", "unverified", "pass_thin")
    ]
    assert places == sorted(places)


def test_pictures_are_embedded_smaller_and_readable(tmp_path):
    busy = tmp_path / "busy.png"
    Image.effect_noise((2000, 1300), 90).convert("RGB").save(busy)
    uri = review_pictures.embedded({"L-01": [busy]})["L-01"][0]
    raw = base64.b64decode(uri.split(",", 1)[1])
    assert len(raw) < busy.stat().st_size / 2
    with Image.open(io.BytesIO(raw)) as image:
        assert review_pictures.LEAST_PX <= image.width < 2000
        assert image.width / image.height == pytest.approx(2000 / 1300, rel=0.01)


def test_thin_colours_survive_the_embedding(tmp_path):
    picture = tmp_path / "line.png"
    image = Image.new("RGB", (1800, 1100), "white")
    image.paste((200, 16, 46), (100, 500, 1700, 504))
    image.save(picture)
    raw = base64.b64decode(review_pictures.embedded({"L-01": picture})["L-01"][0].split(",", 1)[1])
    with Image.open(io.BytesIO(raw)) as small:
        red, green, blue = small.convert("RGB").getpixel((900, 502))
    assert red > 150
    assert max(green, blue) < 110


def test_the_page_repeats_to_the_byte_and_takes_lists_of_pictures(made, tmp_path):
    first = _write(made, tmp_path / "a.html")
    picture = tmp_path / "L.png"
    lists = {y.layout_id: [picture] for y in made.layouts}
    review.write_review(tmp_path / "b.html", made.site, made.zones, made.layouts, lists, made.findings, made.summary())
    assert len((tmp_path / "b.html").read_text("utf-8").split("<img")) == len(first.split("<img"))
    again = tmp_path / "c.html"
    review.write_review(again, made.site, made.zones, made.layouts, lists, made.findings, made.summary())
    assert again.read_bytes() == (tmp_path / "b.html").read_bytes()


def test_a_shortfall_is_said(made):
    short = replace(made.layouts[0], evaluation=replace(made.layouts[0].evaluation, wanted_length_m=1e5))
    assert "does not reach" in " ".join(review.answer(made.site, [short]))


def test_lengths_are_in_the_sites_units():
    assert review_words.Words("us").length(3.048) == "10.0 ft"
    assert review_words.Words("metric").length(3.048) == "3.0 m"
    assert review_words.Words("us").length(float("nan")) == "\u2013"
    assert review_words.Words("us").area(4046.8564224) == "1.00 acres"


def test_axes_of_the_trade_off_hold_the_figures_of_the_layouts(made):
    crowd = [replace(made.layouts[0], layout_id=f"L-{n:02d}", rank=n, score=50.0 + n) for n in range(1, 4)]
    axes = {a.key: a for a in review_chart.axes_of(made.site, crowd)}
    e = made.layouts[0].evaluation
    assert axes["drilled"].values == pytest.approx([e.total_length_m] * 3, rel=1e-5)
    assert axes["level"].values == pytest.approx([e.level_length_m] * 3, rel=1e-5)
    assert axes["score"].values == (51.0, 52.0, 53.0)
    assert "coldest" not in axes  # no demand, no water
    feet = replace(made.site, spec=replace(made.site.spec, units="us"))
    in_feet = {a.key: a for a in review_chart.axes_of(feet, crowd)}["drilled"]
    assert in_feet.values == pytest.approx([e.total_length_m / 0.3048] * 3, rel=1e-5)
    assert "ft" in in_feet.words


def test_a_bound_is_drawn_only_where_it_is_one_of_length(made):
    one = made.layouts[0]
    proven = replace(one, evaluation=replace(one.evaluation, bound_gap_pct=10.0))
    assert review_chart.least_drilled_m(one) is None
    assert review_chart.least_drilled_m(proven) == pytest.approx(0.9 * one.evaluation.total_length_m)
    there = replace(proven, bores=tuple(replace(b, source="logged", curve=None) for b in one.bores))
    assert review_chart.least_drilled_m(there) == pytest.approx(one.evaluation.total_length_m)
    assert review_chart.chart_data(made.site, [proven])["least"] == pytest.approx([0.9 * one.evaluation.total_length_m])
    weighed = replace(made.site, spec=replace(made.site.spec, per_bore_m=20.0))
    assert review_chart.chart_data(weighed, [proven])["least"] == [None]


def test_other_layouts_are_told_against_the_best(made):
    ranked = [
        made.layouts[0],
        replace(made.layouts[0], layout_id="L-02", rank=2, score=made.layouts[0].score - 3.0),
    ]
    assert review.headline(ranked, 1) == f"L-02 comes second, after {ranked[0].layout_id}"
    told = " ".join(review.answer(made.site, ranked, 1))
    assert f"Score {ranked[1].score:.1f} of 100 against {ranked[0].score:.1f} for {ranked[0].layout_id}" in told


def test_who_is_asked_tells_marks_apart(made, tmp_path):
    """Unverified, a consent and a ruling ask for different people: three shapes."""
    assert len({review.SHAPES[k] for k in ("unverified", "consent_needed", "ruling_needed")}) == 3
    layout = made.layouts[0]
    rows = tuple(replace(layout.clearances[0], outcome=name) for name in tokens.OUTCOME)
    text = _write(made, tmp_path / "r.html", layouts=(replace(layout, clearances=rows),))
    bodies = dict(re.findall(r'<svg class="mark"[^>]*aria-label="([^"]+)">(.*?)</svg>', text, re.DOTALL))
    plain = [re.sub(r"#[0-9a-fA-F]{6}", "", b) for b in bodies.values()]
    assert len(set(plain)) == len(tokens.OUTCOME)
