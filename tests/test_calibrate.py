"""The script that learns the ground temperature offset from readings of a running plant."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import loopgis
from loopgis.ground.spread import first_weeks_c

ROOT = Path(__file__).resolve().parents[1]
SITE = ROOT / "data" / "corner" / "site.toml"


def run(readings: Path, layout: str = "L-01") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(ROOT / "scripts" / "calibrate.py"), str(SITE), layout, str(readings)]
    return subprocess.run(command, check=False, capture_output=True, text=True, cwd=ROOT)


@pytest.fixture(scope="module")
def loop():
    return loopgis.design(SITE).layouts[0].heat.loop


def test_an_offset_that_is_in_the_readings_is_found(loop, tmp_path):
    heat_kw = 1.2 + 0.3 * np.sin(np.arange(21))
    water = first_weeks_c(loop.but(offset_k=0.6), -1000 * heat_kw, day=299)
    rows = [f"{300 + n},{q:.4f},{t:.4f}\n" for n, (q, t) in enumerate(zip(heat_kw, water, strict=True))]
    (tmp_path / "readings.csv").write_text("day,heat_kw,ewt_c\n" + "".join(rows))
    done = run(tmp_path / "readings.csv")
    assert done.returncode == 0, done.stderr
    assert 'offset = "0.60 delta_degC"' in done.stdout


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("day,heat_kw,ewt_c\n300,1,8\n302,1,8\n", "day 302 follows day 300"),
        ("day,heat_kw\n300,1\n301,1\n", "line 2 lacks a figure"),
        ("day,heat_kw,ewt_c\n300,1,8\n", "fewer than two days"),
    ],
)
def test_bad_readings_get_one_line(tmp_path, text, words):
    (tmp_path / "readings.csv").write_text(text)
    done = run(tmp_path / "readings.csv")
    assert done.returncode == 3
    assert words in done.stderr
    assert "Traceback" not in done.stderr
