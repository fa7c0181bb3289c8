"""The review page in a real browser from file://: every control used, nothing asked of a network, no name run as a script."""

from __future__ import annotations

import shutil
import subprocess
import time
from dataclasses import replace
from statistics import median

import pikepdf
import pytest
import shapely
from picture_site import make_layout, make_site, make_zones
from PIL import Image

from loopgis.core.findings import Finding
from loopgis.driver import design
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.review import write_review

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
ARGS = ["--no-sandbox", "--disable-gpu"]
SWITCH_S, OPEN_S, PAGE_BYTES = 0.5, 3.0, 8_000_000
SHOWN = 3
DRIVER = "GL Driver Message (OpenGL, Performance"
"""What the renderer that stands in for a graphics card says of its own speed when the pointer is over the scene."""
NASTY = [
    "<img src=x onerror=window.ran=1>",
    "</script><script>window.ran=1</script>",
    "javascript:window.ran=1//",
    "\"'`><svg onload=window.ran=1>",
    "\u202eeman kcab\u200f",
    "<!--<script>",
    '<a href="javascript:window.ran=1">x</a><b>y</b>%{x} $a^2$',
    "n" * 5000,
]
CLICK = """n => new Promise(done => {
  const start = performance.now(), root = document.documentElement;
  document.querySelector(`.bar [data-pick="${n}"]`).click();
  const look = () => (root.dataset.drawn === String(n)
    ? requestAnimationFrame(() => done((performance.now() - start) / 1000)) : setTimeout(look, 3));
  look();
})"""


@pytest.fixture(scope="module")
def made():
    """The demo lot without proofs, and its first layouts."""
    found = design("data/suburban/site.toml", effort=0)
    return replace(found, layouts=found.layouts[:SHOWN])


@pytest.fixture(scope="module")
def picture(tmp_path_factory):
    path = tmp_path_factory.mktemp("pictures") / "L.png"
    Image.linear_gradient("L").resize((1800, 1100)).convert("RGB").save(path)
    return path


@pytest.fixture(scope="module")
def path(made, picture, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "review.html"
    pictures = {y.layout_id: [picture] for y in made.layouts}
    write_review(path, made.site, made.zones, made.layouts, pictures, made.findings, made.summary())
    return path


@pytest.fixture(scope="module")
def playwright():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="module")
def browser(playwright):
    running = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGS)
    yield running
    running.close()


class Desk:
    """A page and the hand on it."""

    def __init__(self, browser, path, size=(1440, 900)):
        self.page = browser.new_page(viewport={"width": size[0], "height": size[1]})
        self.page.set_default_timeout(8000)
        self.heard, self.asked = [], []
        self.page.on("console", lambda m: DRIVER in m.text or self.heard.append(f"{m.type}: {m.text}"))
        self.page.on("pageerror", lambda e: self.heard.append(f"error: {e}"))
        self.page.on("request", lambda r: self.asked.append(r.url))
        start = time.perf_counter()
        self.page.goto(path.as_uri(), wait_until="commit")
        self.until("document.documentElement.dataset.ready === 'yes'")
        self.open_s = time.perf_counter() - start

    def until(self, what, seconds=15.0):
        """Wait until an expression is true; asked from outside, as the page's policy lets nothing be evaluated in it."""
        end = time.time() + seconds
        while not self.page.evaluate(what):
            assert time.time() < end, what
            time.sleep(0.02)

    def settled(self, place):
        self.until(f"document.documentElement.dataset.settled === '{place}'")

    def choose(self, place):
        return self.page.evaluate(CLICK, place)

    def chosen(self):
        return self.page.evaluate("Number(document.documentElement.dataset.drawn)")

    def to(self, what):
        self.page.evaluate("what => document.querySelector(what).scrollIntoView()", what)

    def quiet(self):
        """Nothing was said, and nothing asked for but the file itself."""
        assert self.heard == []
        assert len(self.asked) == 1


@pytest.fixture(scope="module")
def desk(browser, path):
    desk = Desk(browser, path)
    yield desk
    desk.quiet()
    desk.page.close()


def test_opens_soon_and_stays_small(browser, path):
    taken = []
    for _ in range(2):
        one = Desk(browser, path)
        one.quiet()
        taken.append(one.open_s)
        one.page.close()
    assert min(taken) < OPEN_S
    assert path.stat().st_size < PAGE_BYTES


def test_layouts_are_switched_at_once(desk):
    """Wherever one looks: at the top, and with the site in three dimensions in view, which this machine draws without a GPU."""
    for place in ("#choose", "#site"):
        desk.to(place)
        times = []
        for n in (1, 2, 0, 1, 0):
            times.append(desk.choose(n))
            desk.settled(n)
        assert median(times) < SWITCH_S, (place, times)


def test_a_layout_that_is_chosen_shows_everywhere(desk, made):
    for n, y in enumerate(made.layouts):
        desk.choose(n)
        desk.settled(n)
        shown = desk.page.evaluate(
            "[...document.querySelectorAll('[data-of]')].filter(b => !b.hidden).map(b => b.dataset.of)"
        )
        assert set(shown) == {str(n)}
        assert len(shown) == 9  # answer, site, profiles, water, crossings, drilling, permit, material, findings
        pressed = desk.page.evaluate(
            "[...document.querySelectorAll('[data-pick][aria-pressed=true]')].map(b => b.dataset.pick)"
        )
        assert pressed == [str(n), str(n)]
        for where in ("#profiles-drawn", "#pressures-drawn"):
            assert desk.page.evaluate(f"document.querySelectorAll('{where} figure').length") == len(y.bores)
        course = desk.page.evaluate("document.querySelector('#water').data[2].y")
        assert len(course) == 240
        coldest = min(v for v in desk.page.evaluate("document.querySelector('#water').data[3].y"))
        assert coldest == pytest.approx(y.evaluation.ewt_min_c * 1.8 + 32, abs=0.01)
    desk.choose(0)


def test_figures_are_those_of_the_summary(desk, made):
    """What the summary says of each layout, put into words by this test."""
    foot = 0.3048
    says = {
        "score": lambda s: f"{s['score']:.1f}",
        "level_length_m": lambda s: f"{s['level_length_m'] / foot:.0f} ft",
        "wanted_length_m": lambda s: f"{s['wanted_length_m'] / foot:.0f} ft",
        "bores": lambda s: str(s["bores"]),
        "total_length_m": lambda s: f"{s['total_length_m'] / foot:.0f} ft",
        "ewt_min_c": lambda s: f"{s['ewt_min_c'] * 1.8 + 32:.1f} \u00b0F",
        "ewt_max_c": lambda s: f"{s['ewt_max_c'] * 1.8 + 32:.1f} \u00b0F",
        "spacing_min_m": lambda s: f"{s['spacing_min_m'] / foot:.1f} ft",
        "crossings": lambda s: str(s["crossings"]),
        "crossing_risk": lambda s: f"{s['crossing_risk']:.2g}",
        "header_length_m": lambda s: f"{s['header_length_m'] / foot:.0f} ft",
        "crew_days": lambda s: f"{s['crew_days']:g}",
    }
    summary = made.summary()["layouts"]
    assert len(summary) == SHOWN
    for n, one in enumerate(summary):
        desk.choose(n)
        seen = dict(
            desk.page.evaluate(
                "[...document.querySelectorAll('[data-of]:not([hidden]) [data-figure]')]"
                ".map(d => [d.dataset.figure, d.textContent])"
            )
        )
        assert {k: v(one) for k, v in says.items()} == {k: v for k, v in seen.items() if k != "cost"}
        amount, coin = seen["cost"].split()
        assert float(amount.replace(",", "")) == pytest.approx(one["cost"], rel=0.01)
        assert coin == one["currency"]
        least = desk.page.evaluate("document.querySelector('#trade-0').data[2].x")
        assert least[n] == pytest.approx(one["total_length_m"] / foot, rel=1e-5)
    desk.choose(0)


def test_a_point_of_the_trade_off_chooses(desk):
    desk.to("#trade-0")
    desk.until("document.querySelectorAll('#trade-0 .scatterlayer .trace').length > 0")
    for n in (2, 1):
        box = desk.page.query_selector_all("#trade-0 .scatterlayer .trace:last-child .points path")[n].bounding_box()
        desk.page.mouse.move(box["x"] + box["width"] / 2 + 1, box["y"] + box["height"] / 2)
        desk.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        desk.settled(n)
        fills = desk.page.evaluate("document.querySelector('#trade-0').data[2].marker.color")
        assert [c != "#ffffff" for c in fills] == [k == n for k in range(SHOWN)]
    desk.page.query_selector('.card[data-pick="0"]').click()
    desk.settled(0)


def test_any_figure_stands_on_any_axis(desk):
    desk.to("#choose")
    for chart in (0, 1):
        for axis, at in (("y", 0), ("x", 1)):
            select = desk.page.query_selector_all(f"#trade-{chart}-axes select")[at]
            first = select.input_value()
            choices = select.evaluate("s => [...s.options].map(o => [o.value, o.textContent])")
            assert {"drilled", "level", "cost", "index", "coldest", "margin", "score"} <= {k for k, _ in choices}
            for key, words in choices[:: 2 + chart]:
                select.select_option(key)
                title = desk.page.evaluate(f"document.querySelector('#trade-{chart}').layout.{axis}axis.title.text")
                assert title.startswith(words)
            select.select_option(first)


def test_the_scene_turns_stretches_and_shows(desk):
    desk.to("#site")
    desk.until("document.querySelector('#scene canvas') !== null")
    camera = "JSON.stringify(document.querySelector('#scene')._fullLayout.scene.camera.eye)"
    eyes = set()
    for button in desk.page.query_selector_all("[data-look], [data-zoom]"):
        button.click()
        time.sleep(0.1)
        eyes.add(desk.page.evaluate(camera))
    assert len(eyes) == 6
    kept = desk.page.evaluate(camera)
    tall = []
    for n in (1, 3, 2):
        desk.page.click(f'[data-stretch="{n}"]')
        desk.until(
            f"document.querySelector('#stretch-said').textContent.includes('{'as large' if n == 1 else f'{n} times'}')"
        )
        tall.append(desk.page.evaluate("document.querySelector('#scene').layout.scene.aspectratio.z") / n)
    assert max(tall) == pytest.approx(min(tall))
    assert desk.page.evaluate(camera) == kept  # the view stays when something is switched
    count = "document.querySelector('#scene').data.length"
    before = desk.page.evaluate(count)
    for what in ("closed", "below", "others"):
        desk.page.click(f'[data-show="{what}"]')
        assert desk.page.get_attribute(f'[data-show="{what}"]', "aria-pressed") == "true"
        desk.until(f"{count} > {before} || document.querySelector('#scene').data[4].visible")
        desk.page.click(f'[data-show="{what}"]')
        desk.until(f"{count} === {before}")
    for what in ("full", "off", "clear"):
        desk.page.click(f'[data-ground="{what}"]')
        assert desk.page.get_attribute(f'[data-ground="{what}"]', "aria-pressed") == "true"
    box = desk.page.query_selector("#scene").bounding_box()
    desk.page.mouse.move(box["x"] + 300, box["y"] + 300)
    desk.page.mouse.down()
    desk.page.mouse.move(box["x"] + 420, box["y"] + 340, steps=4)
    desk.page.mouse.up()
    desk.until(f"{camera} !== {kept!r}")


def test_bores_lie_in_the_scene_where_they_lie(desk, made):
    """Level runs of the chosen layout are tubes round the bores' stations, to the tube's radius."""
    desk.choose(0)
    desk.settled(0)
    body = desk.page.evaluate("(({x, y, z}) => ({x, y, z}))(document.querySelector('#scene').data[0])")
    foot = 0.3048
    axis = shapely.MultiLineString([shapely.LineString(b.xyz[:, :2]) for b in made.layouts[0].bores])
    away = [axis.distance(shapely.Point(x * foot, y * foot)) for x, y in zip(body["x"], body["y"], strict=True)]
    assert max(away) < 0.006 * 160
    deep = max(b.z_m[b.level].max() for b in made.layouts[0].bores) / foot
    assert max(body["z"]) < deep + 3
    assert len(body["x"]) > 100


def test_a_chart_is_read_under_the_pointer(desk):
    desk.to("#profiles")
    for where, words in (("#profiles-drawn figure svg", "drilled"), ("#pressures-drawn figure svg", "needs")):
        chart = desk.page.query_selector(where)
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        desk.page.mouse.move(box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
        assert words in chart.inner_html()
    assert "times as large as lengths" in desk.page.inner_text("#profiles-said")


def test_links_lead_to_their_sections(desk):
    for link in desk.page.query_selector_all(".links a"):
        link.click()
        target = link.get_attribute("href")
        top = desk.page.evaluate("t => document.querySelector(t).getBoundingClientRect().top", target)
        assert -40 < top < 900
        assert desk.page.query_selector(".bar .pick").is_visible()  # the layouts stay in reach


@pytest.mark.parametrize("size", [(800, 1280), (1920, 1080)])
def test_fits_tablet_and_projector(browser, path, size):
    one = Desk(browser, path, size)
    one.settled(0)
    assert one.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    small = one.page.evaluate(
        "[...document.querySelectorAll('button, select')].filter(b => b.offsetHeight && b.offsetHeight < 44).length"
    )
    assert small == 0
    type_px = float(one.page.evaluate("getComputedStyle(document.body).fontSize").removesuffix("px"))
    assert type_px >= (20 if size[0] == 1920 else 16)
    one.quiet()
    one.page.close()


def test_without_webgl_the_plan_stands_in(playwright, path):
    running = playwright.chromium.launch(executable_path=CHROMIUM, args=[*ARGS, "--disable-3d-apis"])
    one = Desk(running, path)
    assert "no WebGL" in one.page.inner_text("#no-scene")
    assert not one.page.is_visible("#scene")
    assert not one.page.is_visible("[data-stretch]")
    assert one.page.is_visible("#site img")
    one.choose(1)
    one.settled(1)
    assert one.page.is_visible("#site [data-of='1'] img")
    one.quiet()
    running.close()


def test_a_scene_that_is_lost_says_so(browser, path):
    one = Desk(browser, path)
    one.to("#site")
    one.settled(0)
    one.page.evaluate("document.querySelector('#scene canvas').dispatchEvent(new Event('webglcontextlost'))")
    assert "gave up" in one.page.inner_text("#no-scene")
    assert not one.page.is_visible("#scene")
    assert one.page.is_visible("#site img")
    one.page.close()


@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_paper_shows_the_layout_that_is_chosen(browser, path, made, tmp_path, paper, points):
    one = Desk(browser, path)
    one.choose(2)
    out = tmp_path / "review.pdf"
    one.page.pdf(path=str(out), format=paper, print_background=True)
    with pikepdf.open(out) as pdf:
        assert 8 <= len(pdf.pages) <= 30
        box = [float(v) for v in pdf.pages[0].MediaBox]
        assert box[2:] == pytest.approx(points, abs=1.5)
    one.page.emulate_media(media="print")
    for hidden in (".bar", ".tools", "#scene"):
        assert not one.page.is_visible(hidden)
    assert one.page.is_visible("#site [data-of='2'] img")
    one.page.emulate_media(media="screen")
    assert one.page.evaluate("document.querySelector('#trade-0').layout.autosize")  # as wide as its place again
    one.quiet()
    one.page.close()
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("no pdftotext to read the paper with")
    words = " ".join(subprocess.run([reader, str(out), "-"], capture_output=True, text=True, check=True).stdout.split())
    mine, first = made.layouts[2].layout_id, made.layouts[0].layout_id
    assert f"Distances of {mine}" in words
    assert f"Distances of {first}" not in words
    for drawn in ("years of operation", "not colder than", "drilled, ft", "times as large as lengths"):
        assert drawn in words
    assert all(" ".join(c.split()) in words for c in CAUTIONS)


def hostile(picture, path):
    """A page on which every text that people can write is out to run, to turn or to burst something."""
    site = make_site(name=NASTY[1], units="metric")
    named = tuple(replace(f, label=NASTY[n % len(NASTY)]) for n, f in enumerate(site.features))
    site = replace(
        site, parcel_id=NASTY[0], features=named, buildings=tuple(replace(b, label=NASTY[7]) for b in site.buildings)
    )
    layouts = []
    for n in range(2):
        y = make_layout(site, 4, rank=n + 1, pattern="fan" if n else "parallel")
        bores = tuple(replace(b, bore_id=NASTY[k]) for k, b in enumerate(y.bores))
        rows = tuple(
            replace(c, citation=NASTY[k % 8], rule_id=NASTY[(k + 1) % 8], bore_id=NASTY[k % 8])
            for k, c in enumerate(y.clearances)
        )
        names = {b.bore_id: NASTY[k] for k, b in enumerate(y.bores)}
        crossings = tuple(replace(c, bore_id=names[c.bore_id], consequence=NASTY[6]) for c in y.crossings)
        told = (Finding(severity="warning", code="x", message=NASTY[7], remedy=NASTY[0], where=NASTY[4]),)
        layouts.append(
            replace(
                y,
                layout_id=NASTY[n],
                bores=bores,
                clearances=rows,
                crossings=crossings,
                findings=told,
                distinction=NASTY[3],
            )
        )
    pictures = {y.layout_id: [picture] for y in layouts}
    write_review(path, site, make_zones(site), layouts, pictures, layouts[0].findings, {})
    return path


def test_hostile_names_are_only_names(browser, picture, tmp_path):
    one = Desk(browser, hostile(picture, tmp_path / "review.html"), (800, 1280))
    one.settled(0)
    one.choose(1)
    one.to("#site")
    one.settled(1)
    assert one.page.evaluate("window.ran") is None
    assert one.page.evaluate("document.querySelectorAll('img[src=x], main b a, svg[onload]').length") == 0
    assert one.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    assert one.page.evaluate("document.querySelectorAll('script').length") == 3
    shown = one.page.inner_text("h1")
    assert shown == NASTY[1]
    title = one.page.evaluate("document.querySelector('#trade-1 .scatterlayer').textContent")
    assert "onerror" in title  # its letters, and no tag
    assert "\u202e" not in one.page.inner_text("body")
    one.quiet()
    one.page.close()


def test_large_sites_stay_small(picture, tmp_path):
    """Six layouts of 44 bores, as a school has them, with two sheets each."""
    site = make_site()
    layouts = [make_layout(site, 44, rank=n + 1) for n in range(6)]
    noise = tmp_path / "noise.png"
    Image.effect_noise((1500, 970), 30).convert("RGB").save(noise, compress_level=1)
    path = tmp_path / "review.html"
    write_review(path, site, make_zones(site), layouts, {y.layout_id: [noise, picture] for y in layouts}, [], {})
    assert path.stat().st_size < PAGE_BYTES
