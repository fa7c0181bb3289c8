"""The pull on the loop pipes of every bore, beside what pipes, weak link and rig bear."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo

from loopgis.bore.pull import pull_along, short_pull_load
from loopgis.driver import design
from loopgis.layout import drilling
from loopgis.layout.pipe_sizes import outside_m
from loopgis.site.model import PipeSpec

SITE = zoo.site(shapely.box(-60, -50, 60, 50), bores=3, patterns=("fan",))


def pull(site, bore):
    return drilling.pull_of(site, bore, outside_m(site.spec.pipe.size))


@pytest.fixture(scope="module")
def layout():
    return design(SITE).layouts[0]


def test_every_bore_has_its_pull_and_the_pipes_bear_it(layout):
    assert [d.bore_id for d in layout.drills] == [b.bore_id for b in layout.bores]
    for pull in (d.pull for d in layout.drills):
        assert 0 < pull.path.largest_n < pull.margin.safe_n
        assert pull.margin.weak_link_n == pytest.approx(pull.margin.safe_n / drilling.LEGS)
    assert layout.evaluation.pull_max_kn == pytest.approx(max(d.pull.path.largest_n for d in layout.drills) / 1000)
    assert not [f for f in layout.findings if f.code.startswith("pull-")]


def test_it_is_of_the_size_that_the_short_form_gives(layout):
    """Mini short form (textbook 5.15-5.21, S), which counts no hydrokinetic part and assumes frictions 0.5 and 0.3."""
    for bore, pull in zip(layout.bores, (d.pull for d in layout.drills), strict=True):
        short = short_pull_load(
            bore_m=bore.length_m,
            buoyant_n_m=abs(pull.path.buoyant_n_m),
            rod_diameter_m=0.0334,
            plan_turn_rad=0.0,
        )
        own = pull.path.largest_n - pull.path.hydrokinetic_n
        assert 0.4 < own / short.tension_n < 2.5


def straight(bore, length_m):
    """A bore that is drawn out to a length on its level run."""
    k = len(bore.station_m) // 2
    more = np.arange(0.5, length_m - bore.length_m, 0.5)

    def longer(values, step=0.0):
        return np.r_[values[:k], values[k] + step * np.arange(len(more)), values[k:] + step * len(more)]

    return replace(
        bore,
        x_m=longer(bore.x_m),
        y_m=longer(bore.y_m),
        z_m=longer(bore.z_m),
        ground_m=longer(bore.ground_m),
        station_m=longer(bore.station_m, 0.5),
        plan_station_m=longer(bore.plan_station_m, 0.5),
        pitch_pct=longer(bore.pitch_pct),
        azimuth_deg=longer(bore.azimuth_deg),
        curvature_1_m=longer(bore.curvature_1_m),
    )


@pytest.mark.parametrize(
    ("length_m", "pullback_n", "code", "severity"),
    [
        (100.0, 89_000.0, None, None),
        (400.0, 1e6, "pull-link", "warning"),
        (3000.0, 1e6, "pull-over", "error"),
        (100.0, 500.0, "pull-over", "error"),
    ],
)
def test_a_bore_that_is_too_long_for_its_pipes_or_rig_is_flagged(layout, length_m, pullback_n, code, severity):
    site = replace(SITE, spec=replace(SITE.spec, rig=replace(SITE.spec.rig, pullback_n=pullback_n)))
    long = straight(layout.bores[0], length_m)
    found = drilling.pull_findings([pull(site, long)], "us")
    assert [(f.code, f.severity) for f in found] == ([] if code is None else [(code, severity)])
    assert all("lbf" in f.message and f.remedy for f in found)


def test_thicker_pipes_bear_more_and_a_bore_in_the_ground_has_none(layout):
    bore = layout.bores[0]
    thick = replace(SITE, spec=replace(SITE.spec, pipe=PipeSpec(size="1 in", dr=9.0, fluid="water")))
    thin, strong = pull(SITE, bore), pull(thick, bore)
    assert strong.margin.safe_n > thin.margin.safe_n
    assert pull(SITE, replace(bore, source="logged", curve=None)) is None


def test_the_pull_is_that_of_the_path_as_it_lies(layout):
    bore, told = layout.bores[1], layout.drills[1].pull
    own = pull_along(
        station_m=bore.station_m,
        pitch_pct=bore.pitch_pct,
        azimuth_deg=bore.azimuth_deg,
        outside_diameter_m=1.315 * 0.0254,
        dr=11.0,
        hole_diameter_m=bore.hole_diameter_m,
        surplus_m=drilling.SURPLUS_M,
        pipes=2,
    )
    assert own.largest_n == pytest.approx(told.path.largest_n, rel=1e-9)


def test_columns_hold_it(layout, tmp_path):
    design(SITE).write(tmp_path / "out", pictures=False)
    with closing(sqlite3.connect(tmp_path / "out" / "layouts.gpkg")) as db:
        rows = db.execute("SELECT pull_kn, pull_ratio FROM bores WHERE layout_id = ?", (layout.layout_id,)).fetchall()
        (largest,) = db.execute("SELECT pull_max_kn FROM layouts WHERE layout_id = ?", (layout.layout_id,)).fetchone()
    assert max(pull for pull, _ in rows) == pytest.approx(largest)
    assert all(ratio > 1 for _, ratio in rows)
