"""What the crew is told to steer leads where the bore lies."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import shapely
import zoo

from loopgis.bore import steer
from loopgis.bore.rods import drop_by_pitch, rod_table
from loopgis.core.errors import RangeError
from loopgis.driver import design

SITE = zoo.site(shapely.box(-60, -50, 60, 50), bores=3, patterns=("fan",))


@pytest.fixture(scope="module")
def bores():
    return design(SITE, effort=0).layouts[0].bores


def told(bore):
    table = rod_table(bore, SITE.spec.rig.rod_length_m)
    return table, steer.actions(
        station_m=[r.station_m for r in table],
        pitch_pct=[r.pitch_pct for r in table],
        azimuth_deg=[r.azimuth_deg for r in table],
    )


def test_following_the_words_brings_the_head_to_the_depth_of_the_table(bores):
    """The pitches that the words name, integrated as the crew does it, end within a foot of the exit's height (whole percents)."""
    for bore in bores:
        table, words = told(bore)
        pitches = [table[0].pitch_pct]
        for text in words[:-1]:
            named = re.search(r"(?:to|at|hold) ([+-]?\d+) %", text)
            assert named is not None, text
            pitches.append(float(named[1]))
        lengths = np.diff([r.station_m for r in table])
        drop = sum(
            drop_by_pitch(pitches[k : k + 2], rod_length_m=float(length))[-1] for k, length in enumerate(lengths)
        )
        assert drop == pytest.approx(float(bore.z_m[0] - bore.z_m[-1]), abs=0.30 + 0.005 * bore.length_m)


def test_no_rod_is_told_to_turn_more_than_it_bends(bores):
    most = (
        100 * math.tan(SITE.spec.rig.rod_length_m / SITE.spec.rig.bend_radius_m) * 1.35
    )  # a change of percent on a slope
    for bore in bores:
        _, words = told(bore)
        assert words[0].startswith("first rod straight")
        assert words[-1] == "exit"
        for text in words[1:-1]:
            for value in re.findall(r"(?:up|down|left|right) (\d+) %", text):
                assert float(value) <= most + 0.5, text


@pytest.mark.parametrize(
    ("pitch", "azimuth", "words"),
    [
        ([-20, -20, -20], [10, 10, 10], "straight on at -20 %"),
        ([-20, -20, -12], [10, 10, 10], "steer up 8 % to -12 % (12:00)"),
        ([0, 0, -6], [10, 10, 10], "steer down 6 % to -6 % (6:00)"),
        ([0, 0, 0], [350, 350, 355], "hold 0 %, steer right 9 % (3:00)"),
        ([0, 0, 0], [2, 2, 357], "hold 0 %, steer left 9 % (9:00)"),
        ([-9, -9, 0], [0, 0, 5.1], "steer up 9 % to 0 % and right 9 % (1:30)"),
        ([0, 0.2, 0.4], [0, 0, 0], "straight on at 0 %"),
    ],
)
def test_words(pitch, azimuth, words):
    assert steer.actions(station_m=[0, 3, 6], pitch_pct=pitch, azimuth_deg=azimuth)[1] == words


def test_left_and_right_of_the_painted_line():
    """Seen along the line from entry to exit, whichever way it runs."""
    for turn in np.radians([0, 50, 190, 300]):
        c, s = math.cos(turn), math.sin(turn)
        x, y = np.array([0.0, 2.0, 0.0]), np.array([0.0, 5.0, 10.0])  # bulges right of a line going north
        found = steer.offset_m(c * x - s * y, s * x + c * y)
        assert found == pytest.approx([0, 2, 0])
    with pytest.raises(RangeError, match="same place"):
        steer.offset_m([1, 2, 1], [1, 2, 1])


def test_locate_notes_name_both_reasons():
    notes = steer.locate_notes(depth_m=[4.5, 4.7, 4.7], pitch_pct=[-30, 0, 31], blind=[False, False, False])
    assert notes == [
        "",
        "deeper than 15 ft: projected depth",
        "deeper than 15 ft and steeper than 30 %: projected depth",
    ]
