"""Killed while it writes: every file is the old or the new one, every folder is one of them or put right by whoever comes next."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from places import (
    FORK,
    again,
    cleared,
    digests,
    killed_after,
    killed_at,
    made_older,
    said,
    sound,
    steps_of,
    verbs,
    world,
)

import loopgis
from loopgis.core import leftovers
from loopgis.core.atomic import (
    MOVING,
    check_folder,
    finished,
    replaced_file,
    replaced_files,
    replaced_folder,
)
from loopgis.core.errors import InputError
from loopgis.core.leftovers import is_left_over, scratch
from loopgis.drilled import as_built
from loopgis.rescore import score
from loopgis.screening import parts
from loopgis.screening.result import write_results
from loopgis.screening.work import Asked, job_of, roll_of
from loopgis.screening.work import run as screened

OURS = ("summary.json", "L-*.png", "layouts.gpkg")
KILLS = 22
"""Of each verb, half at a step of the writing, half after a while."""


def package(path: Path, word: str, rows: int) -> None:
    """A small database."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE t (word TEXT)")
        db.executemany("INSERT INTO t VALUES (?)", [(word,)] * rows)


def words(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [r[0] for r in db.execute("SELECT word FROM t")]


def write_file(path: Path) -> None:
    with replaced_file(path) as temp:
        package(temp, "new", 3000)


def fill(folder: Path, word: str, *, pictures: int = 1) -> None:
    with replaced_folder(folder, OURS, overwrite=True) as temp:
        (temp / "summary.json").write_text(word)
        package(temp / "layouts.gpkg", word, 5)
        for i in range(pictures):
            (temp / f"L-{i}.png").write_text(word)


def told(folder: Path) -> dict[str, str]:
    """What every file of a folder that has no hidden name says of its age."""
    return {
        p.name: words(p)[0] if p.suffix == ".gpkg" else p.read_text()
        for p in folder.iterdir()
        if p.is_file() and not p.name.startswith(".")
    }


def left_over(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob("*") if is_left_over(p.name) or p.name == MOVING]


# -- every step of a cheap file and a cheap folder ---------------------------------------------------------------


def test_a_file_killed_at_every_step_is_old_or_new(tmp_path):
    path = tmp_path / "a.gpkg"
    package(path, "old", 2000)
    old, met = path.read_bytes(), Counter()
    for at in range(1, 100):
        cleared(tmp_path)
        path.write_bytes(old)
        died = killed_at(at, lambda: write_file(path))
        age = "old" if path.read_bytes() == old else "new"
        assert words(path) == [age] * (2000 if age == "old" else 3000)
        met[age, died] += 1
        if not died:
            break
    assert met["new", False] == 1
    assert met["old", True] >= 8
    assert met["new", True] >= 1
    write_file(path)
    assert left_over(tmp_path) == []


@pytest.mark.parametrize(
    "case",
    [
        pytest.param("ours alone", marks=pytest.mark.slow),
        "with other people's",
        "not there",
        pytest.param("a folder instead of a file", marks=pytest.mark.slow),
    ],
)
def test_a_folder_killed_at_every_step_is_put_right_by_the_next(tmp_path, case):
    """Whole and old, whole and new, or marked; then every name is there, and whoever comes next makes it all new."""
    kept, out = tmp_path / "kept", tmp_path / "out"
    if case != "not there":
        fill(kept, "old", pictures=2)
    if case == "with other people's":
        (kept / "notes.txt").write_text("mine")
        (kept / "photos").mkdir()
        (kept / "photos" / "1.jpg").write_text("photo")
    if case == "a folder instead of a file":
        (kept / "L-0.png").unlink()
        (kept / "L-0.png").mkdir()
        (kept / "L-0.png" / "x").write_text("old")
    old = digests(kept) if kept.exists() else {}
    again(kept, out) if old else None
    fill(out, "new")
    new = digests(out)
    met = Counter()
    for at in range(1, 200):
        cleared(tmp_path)
        shutil.rmtree(out, ignore_errors=True)
        again(kept, out) if old else None
        died = killed_at(at, lambda: fill(out, "new"))
        found = digests(out) if out.exists() else {}
        seen = {k: v for k, v in found.items() if not k.startswith(".")}
        state = "old" if seen == old else "new" if seen == new else "mixed"
        if state == "mixed" and case != "a folder instead of a file":
            assert (out / MOVING).is_dir()
            assert set(new) <= set(seen) | (set(new) - set(old))
            assert set(seen.items()) <= set(old.items()) | set(new.items())
        met[state] += 1
        committed = (out / MOVING).is_dir()
        finished(out)
        seen = {k: v for k, v in digests(out).items() if not k.startswith(".")} if out.exists() else {}
        assert seen == (new if committed or state == "new" else old)
        if at % 4 == 0:
            fill(out, "newest")
            assert set(told(out).values()) - {"mine"} == {"newest"}
            assert left_over(tmp_path) == []
        if not died:
            break
    else:
        pytest.fail("never came to its end")
    assert met["old"] >= 5
    assert met["new"] >= 1
    assert bool(met["mixed"]) == (case != "not there")


def test_undoing_killed_at_every_step_is_all_old_or_goes_on_to_all_new(tmp_path):
    """An item that cannot be moved in is an error: what was done is taken back, and a kill in that does not mix either."""
    kept, out = tmp_path / "kept", tmp_path / "out"
    fill(kept, "old")
    real = Path.replace

    def failing(self: Path, target: Path) -> Path:
        if self.name == "layouts.gpkg" and Path(target).parent == out and self.parent.name == MOVING:
            raise OSError(5, "Input/output error", str(self))
        return real(self, target)

    def broken() -> None:
        Path.replace = failing
        with pytest.raises(InputError, match="Input/output error"):
            fill(out, "new")

    for at in range(1, 200):
        again(kept, out)
        died = killed_at(at, broken)
        marked = (out / MOVING).is_dir()
        finished(out)
        assert set(told(out).values()) == {"new" if marked else "old"}
        if not died:
            break
    assert at > 30
    assert not marked


def test_files_that_belong_together_killed_at_every_step(tmp_path):
    """A link among them is written through, rights are kept, and the folder's other files stay."""
    real, home = tmp_path / "real", tmp_path / "home"
    met = Counter()

    def work() -> None:
        with replaced_files([home / "b.gpkg", home / "b.pdf", home / "o.pdf"]) as temps:
            for temp in temps:
                temp.write_text("new")

    for at in range(1, 200):
        for folder in (real, home):
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
        for name in ("b.gpkg", "b.pdf", "o.pdf"):
            (home / name).write_text("old")
        (home / "notes.txt").write_text("mine")
        (home / "b.pdf").chmod(0o640)
        died = killed_at(at, work)
        finished(home)
        found = {n: (home / n).read_text() for n in ("b.gpkg", "b.pdf", "o.pdf")}
        assert len(set(found.values())) == 1
        assert (home / "b.pdf").stat().st_mode & 0o777 == 0o640
        met[found["b.pdf"]] += 1
        if not died:
            break
    assert met["old"] > 10
    assert met["new"] > 5
    work()
    assert sorted(p.name for p in home.iterdir()) == ["b.gpkg", "b.pdf", "notes.txt", "o.pdf"]
    (real / "b.gpkg").write_text("old")
    (home / "b.gpkg").unlink()
    (home / "b.gpkg").symlink_to(real / "b.gpkg")
    work()
    assert (home / "b.gpkg").is_symlink()
    assert (real / "b.gpkg").read_text() == "new"


# -- what killed runs leave ---------------------------------------------------------------------------------------


def test_what_dead_runs_left_goes_and_what_the_living_make_stays(tmp_path):
    dead = FORK.Process(target=os._exit, args=(0,))
    dead.start()
    dead.join()
    old = time.time() - 3 * 86400
    here, away = leftovers._home(), "0badf00d"
    names = {
        f".a.12345678-{dead.pid}-{here}.gpkg": False,
        f".a.12345678-{dead.pid}-{here}.gpkg-journal": False,
        f".a.12345678-{os.getpid()}-{here}.gpkg": True,
        f".a.12345678-1-{here}.gpkg": True,
        f".a.12345678-{dead.pid}-{away}.gpkg": True,
        f".a.87654321-{dead.pid}-{away}.gpkg": False,
        f".b.12345678-{dead.pid}-{here}.gpkg": True,
        f".a.12345678-{dead.pid}-{here}.png": True,
        ".a.gpkg": True,
        f"a.12345678-{dead.pid}-{here}.gpkg": True,
    }
    for name in names:
        (tmp_path / name).write_text("x")
    for name in (f".a.87654321-{dead.pid}-{away}.gpkg", f".a.12345678-{os.getpid()}-{here}.gpkg"):
        os.utime(tmp_path / name, (old, old))
    write_file(tmp_path / "a.gpkg")
    assert {n: (tmp_path / n).exists() for n in names} == names


def test_drafts_of_dead_runs_go_from_the_temporary_folder(tmp_path, monkeypatch):
    """A killed run cannot remove its draft; the next process does, and leaves those of the living, and all else."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (tmp_path / "somebody").mkdir()
    ready, go = FORK.Event(), FORK.Event()

    def draft(last):
        with scratch() as folder:
            (folder / "draft.gpkg").write_bytes(b"much")
            ready.set()
            if last:
                go.wait(60)
            time.sleep(60 * (not last))  # not on the event: it would wait for an answer of the killed one

    killed, living = FORK.Process(target=draft, args=(False,)), FORK.Process(target=draft, args=(True,))
    killed.start()
    assert ready.wait(60)
    os.kill(killed.pid, signal.SIGKILL)
    killed.join()
    ready.clear()
    assert len(list(tmp_path.iterdir())) == 2
    living.start()
    assert ready.wait(60)
    (left,) = (p for p in tmp_path.iterdir() if p.name != "somebody")
    assert str(living.pid) in left.name
    assert left.stat().st_mode & 0o777 == 0o700
    go.set()
    living.join(60)
    assert [p.name for p in tmp_path.iterdir()] == ["somebody"]


def test_leftovers_are_no_results(tmp_path):
    for name in (f".L-01.12345678-1-{leftovers._home()}.png", f".x.12345678-1-{leftovers._home()}.png"):
        (tmp_path / name).write_text("x")
    check_folder(tmp_path, ("*.png",), overwrite=False)
    parts.open_folder(tmp_path, "key", {}, fresh=False)
    assert json.loads((tmp_path / parts.MANIFEST).read_text())["key"] == "key"


def test_parts_thrown_away_are_never_half_there(tmp_path):
    """Killed while a run's parts are thrown away, the folder is whole or gone, so that the next run can go on."""
    folder = tmp_path / "town.parts"
    for at in range(1, 100):
        cleared(tmp_path)
        parts.open_folder(folder, "one", {}, fresh=False)
        (folder / "part-1.parquet").write_text("x")
        died = killed_at(at, lambda: parts.open_folder(folder, "two", {}, fresh=True))
        there = {p.name for p in folder.iterdir() if not is_left_over(p.name)} if folder.exists() else set()
        key = json.loads((folder / parts.MANIFEST).read_text())["key"] if parts.MANIFEST in there else ""
        assert (len(there), key) in {(0, ""), (1, "two"), (2, "one")}
        parts.open_folder(folder, "two", {}, fresh=True)
        parts.removed(folder)
        assert left_over(tmp_path) == []
        if not died:
            break
    assert at > 5


@pytest.mark.parametrize(
    "what", ["{", '{"new": ["../x"], "gone": []}', '{"new": [".."], "gone": []}', '{"new": [1], "gone": []}', None]
)
def test_a_marker_that_makes_no_sense_is_told_and_harms_nothing(tmp_path, what):
    out = tmp_path / "out"
    (out / MOVING).mkdir(parents=True)
    (tmp_path / "x").write_text("mine")
    if what is not None:
        (out / MOVING / ".list.json").write_text(what)
    with pytest.raises(InputError, match=r"half replaced.*delete \.loopgis-moving") as caught:
        check_folder(out, OURS, overwrite=True)
    assert "\n" not in str(caught.value)
    assert (tmp_path / "x").read_text() == "mine"


# -- the verbs ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return world(tmp_path_factory.mktemp("world"))


def _screen(w: Path, to: Path):
    """Writing of a screening whose parts are all there."""
    asked = Asked(
        parcels=str(w / "town" / "parcels.gpkg"),
        site=w / "town" / "town.toml",
        output=to / "t.gpkg",
        workers=0,
        overwrite=True,
    )
    job = job_of(asked)
    roll = roll_of(job)
    screened(asked, job, roll, lambda _: None)
    return lambda: write_results(to / "t.gpkg", job, roll, overwrite=True)


def _layout(w: Path, to: Path):
    result = loopgis.design(w / "site.toml", effort=0)
    return lambda: result.write(to / "out", overwrite=True, pictures=True)


def _keep(w: Path, to: Path):
    site = w / "keep.toml"
    text = (w / "site.toml").read_text()
    site.write_text(text.replace("[layout]\n", f'[layout]\nkeep = "{w / "built.gpkg"}"\n'))
    result = loopgis.design(site, effort=0)
    return lambda: result.write(to, overwrite=True, pictures=False)


def _score(w: Path, to: Path):
    result = score(w / "out" / "layouts.gpkg", w / "site.toml")
    return lambda: result.write(to / "s.gpkg", overwrite=True)


def _asbuilt(w: Path, to: Path):
    """Onto its own file."""
    place = to / "b.gpkg"
    if not place.exists():
        shutil.copy(w / "built.gpkg", place)
    result = as_built(place, [w / "a.json"])
    return lambda: result.write(place, overwrite=True)


def _by_verb(verb: str):
    def prepared(w: Path, to: Path):
        args = verbs(w, to)[verb][0]
        return lambda: said([*args, "--overwrite"])

    return prepared


WORKS = {
    "layout": _layout,
    "keep": _keep,
    "score": _score,
    "asbuilt": _asbuilt,
    "screen": _screen,
    "drill": _by_verb("drill"),
    "tablet": _by_verb("tablet"),
    "setbacks": _by_verb("setbacks"),
}


@pytest.mark.slow
@pytest.mark.parametrize("verb", WORKS)
def test_a_verb_killed_anywhere_leaves_old_or_new(made, tmp_path, verb):
    """176 kills in all. Each file is the old or the new one; a mix carries its mark, and the next run makes it all new."""
    to, kept = tmp_path / "to", tmp_path / "kept"
    to.mkdir()
    WORKS[verb](made, to)()
    made_older(to)
    shutil.copytree(to, kept)
    work = WORKS[verb](made, to)
    steps = steps_of(work)
    new = digests(to)
    again(kept, to)
    old, met = digests(to), Counter()
    rng = random.Random(verb)  # noqa: S311 - draws of a test
    changed = {k for k in old | new if old.get(k) != new.get(k)}
    assert changed
    began = time.monotonic()
    killed_after(300, work)
    assert digests(to) == new, "writes the same bytes each time"
    lasts = time.monotonic() - began
    # half of the steps are drawn from the end, where the results are put in place
    ats = [rng.randint(1, steps) for _ in range(KILLS // 4)] + [steps - n for n in rng.sample(range(24), KILLS // 4)]
    tries = [("step", at) for at in ats] + [("time", rng.uniform(0.2, 1.0) * lasts) for _ in range(KILLS - len(ats))]
    for how, at in tries:
        again(kept, to)
        killed = killed_at(max(at, 1), work) if how == "step" else killed_after(at, work)
        found = digests(to)
        sound(to)
        seen = {k: found.get(k) for k in changed}
        for name, value in seen.items():
            assert value in {old.get(name), new.get(name)}, (verb, name, at)
        ages = {"old" if seen[k] == old.get(k) else "new" for k in changed}
        state = ages.pop() if len(ages) == 1 else "mixed"
        marks = [p.parent for p in to.rglob(MOVING)]
        met[how, state if not marks else f"{state}, marked", "killed" if killed else "done"] += 1
        for folder in marks:
            finished(folder)
        if state == "mixed" and verb != "setbacks":
            assert marks
            assert {k: digests(to).get(k) for k in changed} == {k: new.get(k) for k in changed}
    work()
    assert {k: digests(to).get(k) for k in changed} == {k: new.get(k) for k in changed}
    assert [n for n in left_over(tmp_path) if ".parts" not in n] == []
    counts = ", ".join(f"{' '.join(k)} {n}" for k, n in sorted(met.items()))
    sys.stdout.write(f"\n{verb}: {steps} steps, {lasts:.1f} s: {counts}\n")
