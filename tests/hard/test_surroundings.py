"""What surrounds a run: closed or full streams, readers that leave, signals, inputs that change, folders of somebody else."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from places import digests, said, site, verbs, world
from town_case import small_town

import loopgis
from loopgis.core import in_use
from loopgis.core.atomic import check_folder
from loopgis.core.errors import InputError
from loopgis.screening import parts
from loopgis.screening.driver import screen
from loopgis.screening.work import Asked, blocks_of, do_block, job_of, roll_of
from loopgis.sheets import layout_file

LOOPGIS = [sys.executable, "-m", "loopgis"]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return world(tmp_path_factory.mktemp("world"))


def asked_of(made: Path, output: Path, **more) -> Asked:
    town = made / "town"
    return Asked(parcels=str(town / "parcels.gpkg"), site=town / "town.toml", output=output, **more)


def shell(line: str, *args: object, **more) -> subprocess.CompletedProcess[str]:
    """A line of the shell in which "$@" is the command."""
    words = ["bash", "-c", line, "bash", *LOOPGIS, *map(str, args)]
    return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False, **more)


def test_closed_streams_stop_no_run(made, tmp_path):
    gpkg = made / "out" / "layouts.gpkg"
    assert shell('"$@" 2>&-', "drill", gpkg, "-o", tmp_path / "a").returncode == 0
    assert shell('"$@" <&- >&- 2>&-', "drill", gpkg, "-o", tmp_path / "b").returncode == 0
    assert digests(tmp_path / "a") == digests(tmp_path / "b") != {}


def test_a_full_standard_output_is_told_and_the_results_stand(made, tmp_path):
    done = shell('"$@" > /dev/full', "drill", made / "out" / "layouts.gpkg", "-o", tmp_path / "a")
    assert done.returncode == 3
    assert done.stderr.startswith("loopgis: error: standard output: cannot be written (No space left")
    assert done.stderr.count("\n") == 1
    assert (tmp_path / "a" / "rods.csv").exists()
    assert shell('"$@" -vv 2> /dev/full', "drill", made / "out" / "layouts.gpkg", "-o", tmp_path / "b").returncode == 0


def test_a_reader_that_has_enough_is_no_fault(made, tmp_path):
    done = shell('"$@" | head -c 1; echo " ${PIPESTATUS[0]}"', "check", made / "site.toml")
    assert done.stdout.endswith(" 0\n")
    assert done.stderr == ""
    line = '"$@" -vv 2>&1 | head -c 1; echo " ${PIPESTATUS[0]}"'
    done = shell(line, "drill", made / "out" / "layouts.gpkg", "-o", tmp_path / "a")
    assert done.stdout.endswith(" 0\n")
    assert (tmp_path / "a" / "rods.csv").exists()


def test_a_terminal_that_closes_leaves_nothing_behind(made, tmp_path):
    """SIGHUP as SIGTERM: one line, nothing half-written."""
    for number, code in ((signal.SIGHUP, 129), (signal.SIGTERM, 143)):
        args = ["setbacks", str(made / "out" / "layouts.gpkg"), "-o", str(tmp_path / "p.pdf"), "-v"]
        run = subprocess.Popen([*LOOPGIS, *args], stderr=subprocess.PIPE, text=True)
        assert run.stderr.readline()  # it is at work
        run.send_signal(number)
        _, err = run.communicate(timeout=60)
        assert run.returncode == code
        assert err.splitlines()[-1] == "loopgis: stopped"
        assert list(tmp_path.iterdir()) == []


def test_places_that_are_none(made):
    done = shell('"$@"', "drill", made / "out" / "layouts.gpkg", "-o", "")
    assert done.returncode == 2
    assert "is empty" in done.stderr
    check_folder(Path("/"), ("no such result",), overwrite=False)


def test_names_too_long_for_the_disk(made, tmp_path):
    _, err = said(["setbacks", made / "out" / "layouts.gpkg", "-o", tmp_path / ("n" * 300 + ".pdf")], code=3)
    assert "File name too long" in err
    assert err.count("\n") == 1


def test_a_file_that_is_replaced_while_it_is_read_is_told(made, tmp_path, monkeypatch):
    """Another run puts its layouts in the place of ours between two layers."""
    gpkg = tmp_path / "layouts.gpkg"
    shutil.copy(made / "out" / "layouts.gpkg", gpkg)
    for verb, where in (("drill", layout_file.LayoutFile), ("tablet", layout_file.LayoutFile)):
        read, count = where._read, [0]

        def late(self, layer, read=read, count=count):
            found = read(self, layer)
            count[0] += 1
            if count[0] == 3:
                shutil.copy(made / "out" / "layouts.gpkg", tmp_path / "new")
                (tmp_path / "new").replace(gpkg)
            return found

        with monkeypatch.context() as patch:
            patch.setattr(where, "_read", late)
            _, err = said([verb, gpkg, "-o", tmp_path / "to"], code=3)
        assert "layouts.gpkg: was changed while it was being read; run the command again" in err
        assert not (tmp_path / "to").exists()
    seen = in_use.Seen([gpkg, tmp_path / "not there"])
    seen.check()
    os.utime(gpkg, (1, 1))
    with pytest.raises(InputError, match="was changed"):
        seen.check()


@pytest.mark.parametrize("verb", ["setbacks", "asbuilt", "score"])
def test_other_verbs_look_too(made, tmp_path, monkeypatch, verb):
    home = tmp_path / "home"
    shutil.copytree(made, home)
    args = verbs(home, tmp_path)[verb][0]
    stamp, first = in_use._stamp, []

    def changed(path):
        if path.name == "layouts.gpkg":
            first.append(path)
            return (*stamp(path), len(first) > 1)
        return stamp(path)

    monkeypatch.setattr(in_use, "_stamp", changed)
    _, err = said(args, code=3)
    assert "layouts.gpkg: was changed while it was being read" in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["home"]


def test_scored_bores_do_not_take_the_place_of_the_sites_layers(made, tmp_path):
    home = tmp_path / "home"
    shutil.copytree(made, home)
    before = digests(home)
    for name in ("lot.gpkg", "houses.gpkg", "features.gpkg"):
        args = ["score", home / "out" / "layouts.gpkg", "--site", home / "site.toml", "-o", home / name, "--overwrite"]
        assert "was not made by loopgis and is not replaced" in said(args, code=3)[1]
    kept = (home / "site.toml").read_text() + '[layout]\nkeep = "built.gpkg"\n'
    (home / "site.toml").write_text(kept.replace('[layout]\npatterns = ["fan"]\n', ""))
    before = digests(home)
    args = [
        "score",
        home / "out" / "layouts.gpkg",
        "--site",
        home / "site.toml",
        "-o",
        home / "built.gpkg",
        "--overwrite",
    ]
    assert "is an input of this run, which would be lost" in said(args, code=3)[1]
    assert digests(home) == before


def test_what_loopgis_did_not_make_is_not_replaced(made, tmp_path):
    """Not by a slip of the shell's completion either: a neighbour's parcels, a site file."""
    shutil.copy(made / "lot.gpkg", tmp_path / "neighbour.gpkg")
    shutil.copy(made / "site.toml", tmp_path / "own.toml")
    every, before = verbs(made, tmp_path), digests(tmp_path)
    for verb in ("score", "asbuilt", "screen"):
        args = [*every[verb][0][:-1], tmp_path / "neighbour.gpkg", "--overwrite"]
        assert "neighbour.gpkg: was not made by loopgis and is not replaced" in said(args, code=3)[1]
    args = ["rules", "new", "acme", "-o", tmp_path / "own.toml", "--overwrite"]
    assert "own.toml: was not made by loopgis" in said(args, code=3)[1]
    assert digests(tmp_path) == before


def test_pictures_of_others_stay(tmp_path):
    file = site(tmp_path)
    design = loopgis.design(file, effort=0)
    design.write(tmp_path, pictures=False)
    photos = ["L-01 photo of the pit.png", "L-01_B-01.png", "L-012.png"]
    for name in photos:
        (tmp_path / name).write_bytes(b"photo")
    (tmp_path / "L-09.png").write_bytes(b"an old picture of ours")
    design.write(tmp_path, overwrite=True, pictures=False)
    assert all((tmp_path / name).read_bytes() == b"photo" for name in photos)
    assert not (tmp_path / "L-09.png").exists()


def test_a_damaged_part_is_judged_anew(made, tmp_path):
    """One bit of a checkpoint turned over: no wrong verdict, no defect, whichever bit."""
    asked = asked_of(made, tmp_path / "a.gpkg", workers=0)
    screen(asked)
    whole = (tmp_path / "a.gpkg").read_bytes()
    other = Asked(**{**vars(asked), "output": tmp_path / "b.gpkg", "block": 2})
    job = job_of(other)
    folder = tmp_path / "b.parts"
    parts.open_folder(folder, job.key, {}, fresh=False)
    for block in blocks_of(roll_of(job), (), 2):
        do_block(job, block)
    part = min(folder.glob("part-*.parquet"))
    data = bytearray(part.read_bytes())
    data[len(data) // 3] ^= 0x10
    part.write_bytes(bytes(data))
    found = screen(other)
    assert found.taken_over == found.parcels - 2
    assert (tmp_path / "b.gpkg").read_bytes() == whole
    assert not folder.exists()


def test_what_a_user_keeps_beside_parts_stays(made, tmp_path):
    folder = tmp_path / "t.parts"
    folder.mkdir()
    (folder / "manifest.json").write_text(json.dumps({"name": "somebody's"}))
    (folder / "photo.jpg").write_bytes(b"photo")
    args = verbs(made, tmp_path)["screen"][0]
    before = digests(tmp_path)
    _, err = said([*args, "--fresh"], code=3)
    assert "is not thrown away: it holds a manifest.json of somebody else" in err
    assert digests(tmp_path) == before
    shutil.rmtree(folder)
    folder.mkdir()
    job = job_of(asked_of(made, tmp_path / "t.gpkg"))
    parts.open_folder(folder, job.key, {}, fresh=False)
    (folder / "notes.txt").write_text("mine")
    said(args)
    assert [p.name for p in folder.iterdir()] == ["notes.txt"]
    with pytest.raises(InputError, match="is in the way"):
        parts.open_folder(folder, job.key, {}, fresh=True)


@pytest.mark.parametrize("address", ["foo", "tcp://127.0.0.1", "tcp://", "http:/x:1", "a b:3"])
def test_addresses_that_are_none(made, tmp_path, address):
    began = time.monotonic()
    _, err = said([*verbs(made, tmp_path)["screen"][0][:-2], "-o", tmp_path / "t.gpkg", "--scheduler", address], code=3)
    assert "is no address; write tcp://HOST:PORT" in err
    assert time.monotonic() - began < 10


@pytest.mark.slow
def test_ctrl_c_in_a_screening_with_workers(made, tmp_path):
    """A terminal sends it to all processes of the group: two lines, no traceback, no worker left; then it goes on."""
    town = tmp_path / "town"
    small_town(town, 40)
    args = ["screen", town / "parcels.gpkg", "--site", town / "town.toml", "--workers", "2", "--block", "2", "-v"]
    run = subprocess.Popen([*LOOPGIS, *map(str, args), "-o", str(tmp_path / "t.gpkg")], stderr=subprocess.PIPE,
                           text=True, start_new_session=True)  # fmt: skip
    while "parcels" not in run.stderr.readline():
        pass
    time.sleep(1)
    os.killpg(run.pid, signal.SIGINT)
    _, err = run.communicate(timeout=60)
    assert run.returncode == 130
    assert "Traceback" not in err
    assert "run the same command again to go on" in err
    assert err.splitlines()[-1] == "loopgis: stopped"
    left = time.monotonic() + 20
    with pytest.raises(ProcessLookupError):  # noqa: PT012 - the last of them may take a moment
        while time.monotonic() < left:
            os.killpg(run.pid, 0)
            time.sleep(0.2)
