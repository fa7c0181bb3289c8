"""The crew's page in a real browser from file://: nothing lost, nothing asked of a network, nothing run that was only a name."""

from __future__ import annotations

import io
import json
import math
import os
import re
import shutil
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from loopgis.field.log import readings
from loopgis.field.log_read import read_logs
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.tablet_page import tablet_page, write_tablet_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
ARGS = ["--no-sandbox", "--disable-gpu"]
SIZES = [(1024, 768), (800, 1280), (390, 844)]
ROD = 3.0
NASTY = [
    "<img src=x onerror=window.ran=1>",
    "</script><script>window.ran=1</script>",
    "javascript:window.ran=1//",
    "\"'`><svg onload=window.ran=1>",
    "\u202eeman kcab\u200f",
    "<!--<script>",
    "=1+1",
    "n" * 5000,
]


def make_job(*, key="00112233aabbccdd", gate=True, units="metric", words=lambda text: text):
    """A made-up lot: two bores of 10 rods that go down at 30 %, level off 3 m deep, pass under a line, and come up again."""
    pitch = [-30.0, -30.0, -20.0, -10.0, 0.0, 0.0, 10.0, 25.0, 30.0, 30.0]

    def bore(name, x):
        at, plan, z, before = [(0.0, 100.0, -30.0)], 0.0, 100.0, -30.0
        for now in pitch:
            mean = (math.atan(before / 100) + math.atan(now / 100)) / 2
            plan, z, before = plan + ROD * math.cos(mean), z + ROD * math.sin(mean), now
            at.append((plan, z, now))
        rods, path = [], []
        for n, (plan_m, z_m, now) in enumerate(at):
            ground = 100 + (z - 100) * plan_m / plan  # slopes down to where the bore comes out
            place = {"x": x, "y": plan_m, "plan_m": plan_m, "station_m": n * ROD, "z_m": z_m, "ground_m": ground}
            words_ = {"action": words("straight on"), "note": words("note"), "locate": "", "crossing": ""}
            told = {"depth_m": max(ground - z_m, 0.0), "pitch_pct": now, "azimuth_deg": 0.0, "offset_m": 0.0}
            rods.append({"rod": n, **place, **told, **words_})
            path.append([plan_m, z_m, ground, x, plan_m])
        thing = {
            "feature_id": "g1",
            "name": words("G gas line"),
            "rod": 6,
            "station_m": 18.0,
            "plan_m": rods[6]["plan_m"],
        }
        gap = {"least_z": rods[6]["z_m"] - 0.4, "most_z": rods[6]["z_m"] + 0.4, "how": "under", "clearance_m": 1.0}
        window = {
            **thing,
            **gap,
            "depth_m": 1.0,
            "words": words("pass 1.0 m under it"),
            "ground_m": 100.0,
            "expose": True,
        }
        return {
            "bore_id": words(name)[:200],
            "done": False,
            "target_depth_m": 4.0,
            "length_m": 30.0,
            "rods": 10,
            "azimuth_deg": 0.0,
            "tube_m": 0.3,
            "tube_share": 0.05,
            "painted": [[x, 0.0], [x, plan]],
            "at_stake": words("a head and its rods"),
            "rod": rods,
            "path": path,
            "windows": [window | {"outcome": "pass"}],
            "cover": [[0.0, 0.0, ""], [5.0, 1.0, words("lawn")]],
            "warnings": [words("mind the hedge")],
            "returns": [words("returns at both ends")],
            "limits": {"pull_kn": 1.0, "pull_filled_kn": 0.8, "safe_pull_kn": 4.0, "weak_link_kn": 2.0},
        }

    thing = {
        "feature_id": "g1",
        "kind": words("gas line"),
        "label": words("gas line"),
        "code": "G",
        "colour": "#f6d04d",
    }
    ring = [[-20, -5], [25, -5], [25, 40], [-20, 40]]
    return {
        "schema": "loopgis-tablet/1",
        "file": words("layouts.gpkg"),
        "key": key,
        "site": words("Lower Meadow"),
        "parcel_id": words("P-1"),
        "layout_id": words("L-01")[:200],
        "units": units,
        "rig": words("small rig"),
        "pipe": words("pipe"),
        "rod_m": ROD,
        "bend_m": 25.0,
        "steepest_pct": None,
        "claim": words("Meets the distances entered"),
        "gate": {"open": gate, "why": words("" if gate else "waiting for answers"), "lines": [words("no ticket")]},
        "cautions": list(CAUTIONS),
        "to_file": [5000.0, 1.0, 0.0, 7000.0, 0.0, 1.0],
        "from_lonlat": {"lon": 8.0, "lat": 50.0, "x": [0, 71000, 0, 0, 0, 0], "y": [0, 0, 111000, 0, 0, 0]},
        "colours": {"ink": "#14304f", "family": {"G": words("#f6d04d")}, "closed": words("#6b635a"), "outcome": {}},
        "plan": {
            "box": [-25, -10, 30, 45],
            "parcel": [ring],
            "buildings": [[[10, 20], [18, 20], [18, 28], [10, 28]]],
            "pad": [[-1, -3], [6, -3], [6, 0], [-1, 0]],
            "header": [[0, 0], [12, 20]],
            "things": [{**thing, "shape": "line", "xy": [[-15, 17.5], [20, 17.5]], "half_m": 0.5}],
            "zones": [{"label": words("lot line 3 m"), "closed": True, "cover_m": None, "ring": ring}],
        },
        "limits": {
            "test_kpa": 690.0,
            "test_minutes": 15.0,
            "purge_l_s": 1.5,
            "purge_minutes": 15.0,
            "test_basis": words("code"),
            "purge_basis": words("made up"),
        },
        "bores": [bore("B-01", 0.0), bore("B-02", 5.0)],
    }


class Crew:
    """A page and the hand on it."""

    def __init__(self, context, path):
        self.page = context.new_page()
        self.heard = []
        self.page.on("console", lambda m: self.heard.append(f"{m.type}: {m.text}"))
        self.page.on("pageerror", lambda e: self.heard.append(f"error: {e}"))
        self.asked = []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.goto(path.as_uri())

    def tap(self, what):
        self.page.tap(what)

    def name(self):
        self.tap("#keep-name")
        return self

    def digits(self, text, where=".rodpage"):
        for sign in text:
            self.tap(f'{where} .pad [data-key="{sign}"]')

    def rod(self, depth_m, pitch_pct):
        """Two numbers and two taps; on a phone, or for another sign than the plan's, one more."""
        while self.page.is_visible("#keep"):  # that left or right was not read is asked at every fourth rod
            self.tap("#keep")
        if not self.page.is_visible(".rodpage .pad"):
            self.tap("#depth")
        self.digits(f"{depth_m:.2f}")
        self.tap("#pitch")
        self.digits(f"{abs(pitch_pct):.1f}")
        if self.page.inner_text("#sign").startswith("UP") != (pitch_pct > 0):
            self.tap("#sign")
        self.tap("#record")

    def until(self, what, seconds=8.0):
        """Wait until an expression is true; asked from outside, as the page's policy lets nothing be evaluated in it."""
        end = time.time() + seconds
        while not self.page.evaluate(what):
            assert time.time() < end, what
            time.sleep(0.02)

    def stored(self):
        self.until("document.querySelector('#status').textContent.endsWith(': stored')")

    def to(self, view):
        self.tap("#to-more")
        self.tap(f"#to-{view}")

    def title(self):
        return self.page.inner_text("h1")

    def save(self, what="#save-json"):
        with self.page.expect_download() as held:
            self.tap(what)
        return held.value

    def entries(self):
        return self.page.evaluate("Object.keys(localStorage).filter(k => /^loopgis:/.test(k)).length")


@pytest.fixture(scope="module")
def playwright():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as made:
        yield made


@pytest.fixture(scope="module")
def browser(playwright):
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    made = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGS)
    yield made
    made.close()


@pytest.fixture
def open_page(browser, tmp_path):
    contexts = []

    def make(job=None, size=(1024, 768), **more):
        path = write_tablet_page(tmp_path / "page.html", job or make_job())
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=True, accept_downloads=True, **more
        )
        context.set_default_timeout(8000)
        contexts.append(context)
        return Crew(context, path)

    yield make
    for context in contexts:
        context.close()


def test_page_is_one_file_that_cannot_be_broken_out_of():
    page = tablet_page(make_job(words=lambda text: "</script><!--" + text))
    assert page.count("</script>") == 2
    assert page.count("<!--") == 0
    assert "default-src 'none'" in page
    assert not re.search(r"\b(src|href)=\"(?!data:)", page)
    assert "unsafe-inline" not in page
    assert "innerHTML" not in page
    assert tablet_page(make_job()) == tablet_page(make_job())


def kill_browser(home):
    """End the browser of a profile, which this test started, as a power cut would."""

    def running():
        found = []
        for entry in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                line = entry.read_bytes().split(b"\0")
            except OSError:
                continue
            if f"--user-data-dir={home}".encode() in line and not any(a.startswith(b"--type=") for a in line):
                found.append(int(entry.parent.name))
        return found

    pids = running()
    assert pids
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    deadline = time.time() + 10
    while running() and time.time() < deadline:
        time.sleep(0.05)
    for lock in home.glob("Singleton*"):
        lock.unlink(missing_ok=True)


@needs_browser
def test_whole_bore_by_touch_killed_in_the_middle_and_nothing_lost(playwright, tmp_path):
    """Recorded, the browser killed with SIGKILL right after a rod was called stored, opened again, finished, saved, and read."""
    job = make_job()
    path = write_tablet_page(tmp_path / "page.html", job)
    home = tmp_path / "profile"

    def launch():
        shut = {"executable_path": CHROMIUM, "viewport": {"width": 1024, "height": 768}, "has_touch": True}
        context = playwright.chromium.launch_persistent_context(str(home), args=ARGS, **shut)
        context.set_default_timeout(8000)
        return context

    rods = job["bores"][0]["rod"]
    crew = Crew(launch(), path).name()
    for rod in rods[1:6]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
        crew.stored()
    kill_browser(home)
    context = launch()
    crew = Crew(context, path)
    crew.until("document.querySelector('h1')?.textContent.includes('rod 6 of 10')")
    for rod in rods[6:]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    crew.stored()
    while crew.page.is_visible("#keep"):
        crew.tap("#keep")
    crew.to("exit")
    crew.tap("#done")
    crew.page.wait_for_selector("#ask-save")
    assert "is out" in crew.title()
    crew.save("#ask-save").save_as(tmp_path / "log.json")
    crew.page.wait_for_selector("#ask", state="hidden")
    assert crew.heard == []
    context.close()

    log = read_logs([tmp_path / "log.json"])
    assert log.problems == ()
    (leg,) = readings(log, "L-01", "B-01")
    assert [e.rod for e in leg.rods] == list(range(1, 11))
    assert leg.exit is not None
    np.testing.assert_allclose([e.depth_m for e in leg.rods], [round(r["depth_m"], 2) for r in rods[1:]], atol=1e-9)
    np.testing.assert_allclose([e.pitch_pct for e in leg.rods], [r["pitch_pct"] for r in rods[1:]], atol=1e-9)


@needs_browser
def test_recording_takes_two_numbers_and_two_taps(open_page):
    crew = open_page().name()
    for sign in "0.86":
        crew.tap(f'.rodpage .pad [data-key="{sign}"]')
    crew.tap("#pitch")  # the first tap
    for sign in "30":
        crew.tap(f'.rodpage .pad [data-key="{sign}"]')
    crew.tap("#record")  # the second
    crew.stored()
    assert "rod 2 of 10" in crew.title()
    crew.tap("#record")  # a glove that bounces records nothing
    assert "rod 2 of 10" in crew.title()
    assert crew.entries() == 1


@needs_browser
def test_storage_full_is_said_and_nothing_is_lost(open_page, tmp_path):
    crew = open_page().name()
    crew.rod(0.86, -30)
    crew.stored()
    crew.page.evaluate(
        """() => { let n = 0; for (const size of [200000, 2000, 20]) { const s = 'x'.repeat(size);
        try { for (;;) localStorage.setItem('fill' + n++, s); } catch { } } }"""
    )
    crew.rod(1.72, -30)
    crew.page.wait_for_selector("#full")
    assert "NOT STORED: storage is full. Save the file now" in crew.page.inner_text("#full")
    crew.until("document.querySelector('#status').textContent.includes('NOT STORED')")
    crew.rod(2.5, -25)
    assert "2 entries only in memory" in crew.page.inner_text("#full")
    assert "rod 4 of 10" in crew.title()
    crew.save("#full-save").save_as(tmp_path / "full.json")
    assert [e.rod for e in read_logs([tmp_path / "full.json"]).entries] == [1, 2, 3]
    assert crew.entries() == 1
    crew.page.evaluate(
        "Object.keys(localStorage).filter(k => /^fill/.test(k)).forEach(k => localStorage.removeItem(k))"
    )
    crew.page.wait_for_selector("#full", state="hidden")
    assert crew.entries() == 3
    crew.page.reload()
    assert "rod 4 of 10" in crew.title()
    assert crew.heard == []


@needs_browser
def test_changed_entry_is_told_and_still_shown(open_page):
    crew = open_page().name()
    crew.rod(0.86, -30)
    crew.rod(1.7, -30)
    crew.stored()
    crew.page.evaluate(
        """() => { const k = Object.keys(localStorage).find(n => /^loopgis:.*:1$/.test(n)); const e = JSON.parse(localStorage[k]);
        e.depth_m = 1.5; localStorage.setItem(k, JSON.stringify(e)); }"""
    )
    crew.page.reload()
    crew.until("document.querySelector('#status').textContent.includes('entry 1 was changed after it was written')")
    assert "rod 3 of 10" in crew.title()
    crew.to("entries")
    assert "changed after it was written" in crew.page.inner_text(".problem >> nth=0")
    assert crew.heard == []


@needs_browser
def test_storage_blocked_is_said(open_page, browser, tmp_path):
    path = write_tablet_page(tmp_path / "blocked.html", make_job())
    context = browser.new_context(viewport={"width": 1024, "height": 768}, has_touch=True)
    context.add_init_script(
        "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } })"
    )
    crew = Crew(context, path).name()
    crew.rod(0.86, -30)
    crew.page.wait_for_selector("#full")
    assert "NOT STORED: this browser blocks storage" in crew.page.inner_text("#full")
    assert "rod 2 of 10" in crew.title()
    assert crew.heard == []
    context.close()


@needs_browser
def test_two_pages_in_turn_keep_one_chain(open_page, tmp_path):
    one = open_page().name()
    two = Crew(one.page.context, tmp_path / "page.html")
    rods = make_job()["bores"][0]["rod"]
    for rod in rods[1:4]:
        crew = one if rod["rod"] % 2 else two
        crew.page.bring_to_front()
        crew.until(f"document.querySelector('h1').textContent.includes('rod {rod['rod']} of 10')")
        crew.rod(rod["depth_m"], rod["pitch_pct"])
        crew.stored()
    two.tap("#to-more")
    two.save().save_as(tmp_path / "log.json")
    log = read_logs([tmp_path / "log.json"])
    assert log.problems == ()
    assert [e.number for e in log.entries] == [1, 2, 3]
    assert [e.rod for e in log.entries] == [1, 2, 3]


@needs_browser
def test_saved_files_are_read_by_the_reader_and_by_another_tablet(open_page, browser, tmp_path):
    crew = open_page().name()
    crew.tap("#extra")
    crew.tap('[data-roll="3"]')
    crew.page.fill("#remark", '=1+1, "quoted"')
    crew.tap("#done")
    crew.rod(0.86, -30)
    crew.rod(1.5, -30)
    crew.stored()
    crew.tap("#undo")
    crew.until("document.querySelector('h1').textContent.includes('rod 2 of')")
    crew.to("test")
    for field, typed in (("start_kpa", "700"), ("end_kpa", "700"), ("minutes", "10")):
        crew.tap(f"[data-field={field}]")
        crew.digits(typed, ".form")
    crew.tap("#of-field")
    crew.tap("#done")
    crew.page.wait_for_selector("#seen")
    assert "MISSED: pressure test: lasted 10 min, asked are 15" in crew.page.inner_text("#ask")
    crew.tap("#seen")
    crew.stored()
    crew.tap("#to-more")
    saved, table = crew.save(), crew.save("#save-csv")
    assert re.fullmatch(r"[A-Za-z0-9_-]+\.json", saved.suggested_filename)
    saved.save_as(tmp_path / "a.json")
    table.save_as(tmp_path / "a.csv")
    log = read_logs([tmp_path / "a.json"])
    assert log.problems == ()
    both = read_logs([tmp_path / "a.json", tmp_path / "a.csv", tmp_path / "a.json"])
    assert both.entries == log.entries
    assert [e.event for e in log.entries] == ["rod", "rod", "undo", "test", "note"]
    assert (log.entries[4].of, log.entries[4].remark) == (log.entries[3].entry_id, "seen: missed")
    assert log.entries[0].roll == 3
    assert log.entries[0].remark == '=1+1, "quoted"'
    assert log.entries[3].values == {"start_kpa": 700.0, "end_kpa": 700.0, "minutes": 10.0}

    other = open_page().name()
    other.tap("#to-more")
    for added in (5, 0):
        other.page.set_input_files("#file", tmp_path / "a.json")
        other.until(f"document.querySelector('#said').textContent.includes('5 entries read, {added} of them new')")
    changed = json.loads((tmp_path / "a.json").read_text("utf-8"))
    changed["entries"][0]["depth_m"] = 9.0
    (tmp_path / "b.json").write_text(json.dumps(changed), "utf-8")
    other.page.set_input_files("#file", tmp_path / "b.json")
    other.until("document.querySelector('#said').textContent.includes('1 left aside')")
    other.tap("#back")
    assert "rod 2 of 10" in other.title()
    assert crew.heard + other.heard == []


@needs_browser
def test_questions_and_the_head_that_cannot(open_page):
    crew = open_page(make_job(gate=False)).name()
    assert "DO NOT DRILL: waiting for answers" in crew.page.inner_text("#gate")
    rods = make_job()["bores"][0]["rod"]
    for rod in rods[1:3]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    assert "can still make it" in crew.page.inner_text("#cross")
    crew.rod(rods[3]["depth_m"], 20.0)  # the sign slipped
    crew.page.wait_for_selector("#use-fix")
    crew.tap("#use-fix")
    crew.page.wait_for_selector("#ask", state="hidden")
    crew.stored()
    assert crew.entries() == 5  # three rods, one taken back, one put right
    assert "\u221220.0" in crew.page.inner_text(".sub")
    crew.rod(rods[4]["depth_m"] + 0.5, -40.0)
    crew.rod(rods[5]["depth_m"] + 2.0, -45.0)
    for _ in range(6):
        if crew.page.is_visible("#keep"):
            crew.tap("#keep")
            crew.stored()
    assert not crew.page.is_visible("#ask")
    assert "CANNOT: stop and call" in crew.page.inner_text("#cross")
    assert crew.page.is_visible("#cross .octagon")
    assert "Do not push on" in crew.page.inner_text("#steer")
    before = crew.entries()
    crew.page.reload()
    assert not crew.page.is_visible("#ask")  # answers are kept
    assert crew.entries() == before
    assert crew.heard == []


@needs_browser
@pytest.mark.parametrize("text", NASTY, ids=range(len(NASTY)))
def test_hostile_names_never_run(open_page, text):
    crew = open_page(make_job(words=lambda _: text, gate=False)).name()
    crew.tap("#extra")
    crew.page.fill("#remark", text[:2000])
    crew.tap("#done")
    crew.rod(0.86, -30)
    crew.stored()
    for view in ("bores", "map"):
        crew.tap(f"#to-{view}")
        crew.tap("#back")
    for view in ("entries", "notes", "cautions", "start"):
        crew.to(view)
        crew.tap("#back")
        if view == "start":
            crew.tap("#back")
    crew.tap("#to-more")
    saved = crew.save()
    assert re.fullmatch(r"[A-Za-z0-9_-]{1,140}\.json", saved.suggested_filename)
    assert crew.page.evaluate(
        "window.ran === undefined && document.querySelectorAll('img, iframe, script:not([type]) ~ script').length === 0"
    )
    assert crew.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert crew.heard == []
    assert all(u.startswith(("file:", "blob:")) for u in crew.asked)


CONTRAST = """() => {
  const part = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const lum = c => 0.2126 * part(c[0]) + 0.7152 * part(c[1]) + 0.0722 * part(c[2]);
  const read = t => (t.match(/[\\d.]+/g) || []).map(Number);
  const back = node => {
    for (let n = node; n; n = n.parentElement) {
      const c = read(getComputedStyle(n).backgroundColor);
      if (c.length === 3 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent.trim(), node = walk.currentNode.parentElement;
    const style = getComputedStyle(node), width = node.getBoundingClientRect().width;
    if (!text || ['SCRIPT', 'STYLE', 'NOSCRIPT'].includes(node.tagName) || !width || style.visibility === 'hidden') continue;
    const inSvg = node.namespaceURI.endsWith('svg');
    const front = read(inSvg ? style.fill : style.color), under = inSvg ? [255, 255, 255] : back(node);
    const [a, b] = [lum(front), lum(under)].sort((x, y) => y - x);
    found.push([(a + 0.05) / (b + 0.05), text.slice(0, 30)]);
  }
  return found;
}"""
"""Contrast of every text that is seen. Letters on pictures stand on white discs or on a white edge of their own."""
TARGETS = """() => [...document.querySelectorAll('button, textarea')]
  .filter(e => e.offsetParent && getComputedStyle(e).visibility !== 'hidden')
  .map(e => [e.textContent.slice(0, 20), e.getBoundingClientRect()])
  .map(([t, r]) => [t, r.width, r.height, r.left, r.top, r.right, r.bottom])"""
BOX = """w => {
  const r = document.querySelector(w).getBoundingClientRect();
  return [r.left, r.top, r.right, r.bottom].map(Math.round);
}"""


def looks(crew, size, *, has_scroll=False):
    """Contrast of every text, size and distance of every target, nothing beyond the sides, the record key in reach."""
    page = crew.page
    found = page.evaluate(CONTRAST)
    assert len(found) > 5
    low = [f for f in found if f[0] < 7]
    assert not low, low
    boxes = page.evaluate(TARGETS)
    small = [b[:3] for b in boxes if b[1] < 75.9 or b[2] < 75.9]
    assert not small, small
    for n, a in enumerate(boxes):
        for b in boxes[n + 1 :]:
            across = max(a[3], b[3]) - min(a[5], b[5])
            down = max(a[4], b[4]) - min(a[6], b[6])
            assert max(across, down) > 11.4, (a[0], b[0], across, down)
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    out = [b[0] for b in boxes if b[5] > size[0] + 0.5 or (b[6] > size[1] + 0.5 and not has_scroll)]
    assert not out, out


def sunlit(raw):
    """A picture as it looks in full sun: black and white pulled together until they stand 2:1."""
    picture = np.asarray(Image.open(io.BytesIO(raw)).convert("RGB"), dtype=float) / 255
    linear = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    glare = (1.05 - 2 * 0.05) / (2 - 1)  # (1 + 0.05 + g) / (0 + 0.05 + g) = 2
    seen = (linear + glare) / (1 + glare)
    back = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    return (seen @ [0.2126, 0.7152, 0.0722]) * (1 + glare), Image.fromarray((255 * back).round().astype(np.uint8))


@needs_browser
@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def test_looks_on_tablet_and_phone(open_page, size, tmp_path):
    job = make_job(gate=False, units="us")
    crew = open_page(job, size).name()
    for rod in job["bores"][0]["rod"][1:4]:
        if not crew.page.is_visible(".rodpage .pad"):
            crew.tap("#depth")
        crew.digits(f"{rod['depth_m'] / 0.3048:.1f}")
        crew.tap("#pitch")
        crew.digits(f"{abs(rod['pitch_pct']):.1f}")
        crew.tap("#record")
        crew.stored()
    looks(crew, size)
    assert crew.page.evaluate("parseFloat(getComputedStyle(document.querySelector('#depth .digits')).fontSize)") >= 48
    assert crew.page.evaluate("document.querySelector('#profile').children.length") > 10
    assert crew.page.is_visible("#record")

    # in the sun: every figure and word of the lower band still stands out from its ground
    raw = crew.page.screenshot()
    light, picture = sunlit(raw)
    picture.save(tmp_path / f"sun-{size[0]}.png")
    for what in ("#record", "#depth .digits", "#pitch .digits", "h1", "#steer .big", "#cross .big", "#status"):
        r = crew.page.evaluate(BOX, what)
        cut = light[max(r[1], 0) : r[3], max(r[0], 0) : r[2]]
        ratio = (cut.max() + 0.05) / (cut.min() + 0.05)
        assert ratio > 1.6, (what, ratio)  # of the 2.0 that are left between black and white

    crew.tap("#depth")
    looks(crew, size)
    crew.page.reload()
    for view, scroll in (("bores", True), ("map", False), ("more", True)):
        crew.tap(f"#to-{view}")
        looks(crew, size, has_scroll=scroll)
        crew.tap("#back")
    for view in ("pull", "test", "purge", "exit", "abandon", "note", "entries", "cautions", "which"):
        crew.to(view)
        looks(crew, size, has_scroll=True)
        crew.tap("#back")
        if crew.page.is_visible("#back"):
            crew.tap("#back")
    assert "rod 4 of 10" in crew.title()
    assert crew.heard == []
    assert all(u.startswith("file:") for u in crew.asked)


@needs_browser
def test_map_moves_zooms_and_comes_back_to_the_rod(open_page):
    job = make_job()
    place = {"longitude": 8.0001, "latitude": 50.0001, "accuracy": 4.0}
    crew = open_page(job, geolocation=place, permissions=["geolocation"]).name()
    crew.rod(0.86, -30)
    crew.tap("#to-map")
    words = "[...document.querySelectorAll('#map path')].map(p => p.getAttribute('d')).join()"
    first = crew.page.evaluate(words)
    box = crew.page.locator("#map").bounding_box()
    crew.page.mouse.move(box["x"] + 200, box["y"] + 200)
    crew.page.mouse.down()
    crew.page.mouse.move(box["x"] + 260, box["y"] + 240, steps=4)
    crew.page.mouse.up()
    crew.until(f"{words} !== {json.dumps(first)}")
    moved = crew.page.evaluate(words)
    crew.tap(".mapkeys .key:first-child")
    crew.until(f"{words} !== {json.dumps(moved)}")
    crew.tap("text=MY PLACE")
    crew.until("document.querySelector('#map').textContent.includes('you, within 4 m')")
    crew.tap("#back")
    assert "rod 2 of 10" in crew.title()
    assert crew.heard == []


@needs_browser
def test_given_up_part_and_undo_are_entries(open_page):
    crew = open_page().name()
    rods = make_job()["bores"][0]["rod"]
    for rod in rods[1:5]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    crew.to("abandon")
    crew.tap('.form .pad [data-key="back"]')
    crew.digits("3", ".form")
    crew.tap("#done")
    crew.stored()
    assert "rod 3 of 10" in crew.title()
    crew.tap("#to-bores")
    assert "rod 2 of 10, a part given up" in crew.page.inner_text("[data-bore='0']")
    assert "not begun" in crew.page.inner_text("[data-bore='1']")
    crew.tap("#back")
    crew.tap("#undo")
    crew.until("document.querySelector('h1').textContent.includes('rod 5 of 10')")
    assert crew.entries() == 6
    crew.tap("#to-more")
    crew.tap("#units")
    crew.tap("#back")
    assert "ft" in crew.page.inner_text("#depth")
    assert crew.heard == []


def answer_all(crew):
    while crew.page.is_visible("#keep"):
        crew.tap("#keep")
        crew.stored()


@needs_browser
def test_giving_up_takes_the_first_digit_for_the_number_and_refuses_rods_never_read(open_page):
    crew = open_page().name()
    for rod in make_job()["bores"][0]["rod"][1:8]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    crew.stored()
    crew.to("abandon")
    before = crew.entries()
    for typed in ("9", "0"):
        crew.digits(typed, ".form")
        assert crew.page.inner_text("[data-field=rod] .figure").strip() == typed
        crew.tap("#done")
        assert "give up from a rod between 1 and 7" in crew.page.inner_text("#said")
        assert crew.entries() == before
    crew.digits("5", ".form")
    assert crew.page.inner_text("[data-field=rod] .figure").strip() == "5"
    crew.tap("#done")
    crew.stored()
    assert "rods 5-7 given up, go on at rod 5" in crew.page.inner_text("#status")
    assert "rod 5 of 10" in crew.title()
    assert crew.heard == []


@needs_browser
def test_a_head_too_deep_to_be_out_is_asked_about_and_can_be_taken_back(open_page):
    crew = open_page().name()
    for rod in make_job()["bores"][0]["rod"][1:9]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    answer_all(crew)
    for tap in ("#take-back", "#keep"):
        crew.to("exit")
        crew.tap("#done")
        crew.page.wait_for_selector("#ask")
        told = crew.page.inner_text("#ask")
        assert re.search(r"At rod 8 the head was \d\.\d m deep, it needs \d+ m more: is a rod missing\?", told), told
        assert crew.page.inner_text("#record") == "B-01 IS OUT: SAVE FILE"
        crew.tap(tap)
        if tap == "#take-back":
            crew.until("document.querySelector('h1').textContent.includes('rod 9 of 10')")
            assert crew.page.inner_text("#record") == "RECORD ROD 9"
    crew.page.wait_for_selector("#ask-save")
    before = crew.entries()
    crew.save("#record")
    assert crew.entries() == before
    assert not crew.page.is_visible("#ask")
    assert crew.heard == []


@needs_browser
def test_missed_limits_stand_together_until_they_are_seen(open_page):
    crew = open_page().name()

    def fill(view, **given):
        crew.to(view)
        for field, typed in given.items():
            crew.tap(f"[data-field={field}]")
            crew.digits(typed, ".form")
        crew.tap("#of-field")
        crew.tap("#done")

    fill("test", start_kpa="700", end_kpa="700", minutes="10")
    fill("purge", flow_l_s="0.1", minutes="1")
    looks(crew, (1024, 768))
    both = ("pressure test: lasted 10 min", "flush and purge: ")
    assert all(words in crew.page.inner_text("#ask") for words in both)
    crew.rod(0.86, -30)
    assert all(words in crew.page.inner_text("#ask") for words in both)
    crew.stored()
    crew.page.reload()
    assert all(words in crew.page.inner_text("#ask") for words in both)
    crew.tap("#seen")
    crew.page.wait_for_selector("#ask", state="hidden")
    crew.stored()
    crew.page.reload()
    assert not crew.page.is_visible("#ask")
    assert crew.heard == []


@needs_browser
@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def test_the_newest_question_comes_first_and_hides_no_order(open_page, size):
    crew = open_page(make_job(gate=False), size).name()
    rods = make_job()["bores"][0]["rod"]
    for depth, pitch in ((rods[1]["depth_m"], -30.0), (rods[2]["depth_m"], 28.0), (rods[3]["depth_m"], 20.0)):
        if not crew.page.is_visible(".rodpage .pad"):
            crew.tap("#depth")
        crew.digits(f"{depth:.2f}")
        crew.tap("#pitch")
        crew.digits(f"{abs(pitch):.1f}")
        if crew.page.inner_text("#sign").startswith("UP") != (pitch > 0):
            crew.tap("#sign")
        crew.tap("#record")
        crew.stored()
    told = crew.page.inner_text("#ask")
    assert "depth 2.24 m where about" in told, told
    assert re.search(r"\(1 of [2-9]\)", told), told
    looks(crew, size)
    cannot = "cannot" in crew.page.get_attribute("#cross", "class")
    assert crew.page.is_visible("#steer .big") == (size[0] >= 600)
    assert crew.page.is_visible("#cross .big") == (size[0] >= 600 or cannot)
    answer_all(crew)
    assert not crew.page.is_visible("#ask")
    assert crew.heard == []


@needs_browser
def test_where_the_head_comes_out_is_told_only_when_it_is_on_its_way_up(open_page):
    job = make_job()
    for b in job["bores"]:
        b["windows"] = []
    crew = open_page(job).name()
    rods = job["bores"][0]["rod"]
    for rod in rods[1:4]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    assert "none ahead" in crew.page.inner_text("#cross")
    assert "comes out" not in crew.page.inner_text("#cross")
    for rod in rods[4:8]:
        crew.rod(rod["depth_m"], rod["pitch_pct"])
    answer_all(crew)
    assert "comes out" in crew.page.inner_text("#cross")
    assert crew.heard == []


@needs_browser
@pytest.mark.parametrize("text", ["rod,depth\n1,0.9\n", '{"schema": "other"}', "", "[1, 2", "null"])
def test_a_file_that_is_no_log_is_refused_in_one_plain_sentence(open_page, tmp_path, text):
    (tmp_path / "some.json").write_text(text, "utf-8")
    crew = open_page().name()
    crew.tap("#to-more")
    crew.page.set_input_files("#file", tmp_path / "some.json")
    crew.until("document.querySelector('#said').textContent.startsWith('Not read')")
    assert crew.page.inner_text("#said") == "Not read: this is no log that a tablet saved"
    assert crew.heard == []


@needs_browser
def test_an_entry_set_up_with_the_wrong_sign_is_put_right_as_an_entry(open_page, tmp_path):
    crew = open_page().name()
    crew.to("start")
    crew.digits("30", ".form")
    crew.tap("#signs")
    crew.tap("#done")
    crew.tap("#use-fix")
    crew.page.wait_for_selector("#ask", state="hidden")
    crew.stored()
    crew.tap("#to-more")
    crew.save().save_as(tmp_path / "log.json")
    (leg,) = readings(read_logs([tmp_path / "log.json"]), "L-01", "B-01")
    assert (leg.start.pitch_pct, leg.rods) == (-30.0, ())
    assert crew.heard == []
