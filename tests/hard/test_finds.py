"""What the random sites of scripts/soak.py and the fuzzing of the readers have found, each in its least form or by its number."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
import zoo

from loopgis.bore.build import build, half_stations
from loopgis.bore.plan import PlanCurve
from loopgis.bore.profile import Limits, solve
from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.layout import assemble
from loopgis.layout.model import Pad
from loopgis.layout.pads import rectangle
from loopgis.layout.prepare import prepare
from loopgis.layout.risk import line_contact
from loopgis.layout.separation import SeparationRule, measure_pair
from loopgis.rules import audit_rules, files
from loopgis.site.model import Feature, PipeSpec

ROOT = Path(__file__).resolve().parents[2]
LEVEL = 'B = { plan = 1, vert = 1, unit = "m" }'
NEVER = 'crossing = { mode = "never" }\nplan_distance = { value = 0, unit = "ft" }'
UNDER = 'crossing = { mode = "under_with_cover" }\nmin_cover = { value = 4, unit = "ft", below = "feature_depth" }'
RIG = Limits(
    bend_radius_m=30.0, rod_length_m=3.0, entry_pitch_pct=(15.0, 35.0), exit_pitch_pct=(10.0, 35.0), max_depth_m=4.0
)
SEED = 1
SITES = {
    1047: "a bore that crosses a line, and runs alongside it at its bend; a chance of contact a little above 1",
    665: "a pad put on an easement from which no distance is asked",
    393: "ground that dips between two half steps beside the entry",
    468: "ground that rises between two vertices, at the locator's range and for a rule on depth",
    3593: "least cover of a level run on rough ground",
    4574: "least cover where a steep ramp meets the run, between two samples",
}
"""Numbers of scripts/soak.py: what was wrong with each."""
MORE = {
    **dict.fromkeys((4, 7, 131, 228, 239, 254, 1323), "depths of a file on rough ground, between its vertices"),
    **dict.fromkeys((455, 618, 976), "locator's range and daylight between two half steps"),
    566: "height over a line on rough ground",
    4780: "bores that touch at the pad, which the heat refused after all was drawn",
    **dict.fromkeys((5156, 7484), "the same"),
    5779: "exit's error from a depth between two vertices",
}


@pytest.fixture(scope="module")
def soak():
    """scripts/soak.py as a module."""
    sys.path.insert(0, str(ROOT / "scripts"))
    before = os.environ.copy()
    try:
        import soak
    finally:
        sys.path.pop(0)
        os.environ.clear()
        os.environ.update(before)
    return soak


@pytest.mark.parametrize("number", [*SITES, *(pytest.param(n, marks=pytest.mark.slow) for n in MORE)])
def test_site(soak, number, tmp_path, monkeypatch):
    for module, name in ((soak.driver, "SPOTS"), (soak.driver, "_better_pad"), (soak.pads, "GRID_PADS"),
                         (soak.generate, "_prune"), (soak.explain, "smallest_change")):  # fmt: skip
        monkeypatch.setattr(module, name, getattr(module, name))  # put back afterwards
    soak.quick()
    outcome, told = soak.try_one(SEED, number, tmp_path)
    assert outcome in {"layouts", "none"}, told  # none: after a table of the package has grown it is another site


def test_a_hole_that_its_two_pipes_just_fill_is_refused_by_name(soak, tmp_path, monkeypatch):
    """Number 368 of seed 2: 3 in pipes of 3.5 in in a hole of 7 in; the pull found no room for the mud."""
    monkeypatch.chdir(tmp_path)
    outcome, told = soak.try_one(2, 368, tmp_path)
    assert outcome == "refused", told
    assert "[bore] hole: two pipes of 89 mm" in told["what"]


def test_random_sites_again(soak, tmp_path, monkeypatch):
    """One number is one site, whatever was drawn before; and most sites are no refusals."""
    monkeypatch.chdir(tmp_path)
    name, site = soak.site_of(5, 7, tmp_path)
    soak.site_of(5, 8, tmp_path)
    again, same = soak.site_of(5, 7, tmp_path)
    assert name == again
    assert same.parcel.equals(site.parcel)
    assert [f.feature_id for f in same.features] == [f.feature_id for f in site.features]
    assert site.spec == same.spec


@pytest.mark.parametrize(
    "text",
    [
        "1 m*9**9**9",
        "1 m*9^9^9",
        "1 m*((9**9)**9)**9**9",
        "1 9⁹⁹⁹⁹⁹⁹⁹⁹⁹ m",
        "2 9**9**9**9 m",
        "15 ft?",
        "15 ft#",
        "15 ft\0",
        "15 ft!",
    ],
)
def test_unit_that_is_none(text):
    """Towers of powers were worked out for ever; a sign after the unit was passed over."""

    class LateError(BaseException):
        """Not to be caught by anybody."""

    def late(*_):
        raise LateError

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, 20)
    try:
        with pytest.raises(InputError, match="is not a length"):
            parse(text, "length", where="x")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [("0.7 mm^2/s", "diffusivity", 7e-7), ("0.7 mm²/s", "diffusivity", 7e-7), ("1.6 W m⁻¹ K⁻¹", "conductivity", 1.6),
     ("1.6 W*m**-1*K**-1", "conductivity", 1.6), ("20 lbf/ft ^ 3", "unit_weight", 3141.75), ("1 µm", "length", 1e-6)],
)  # fmt: skip
def test_unit_that_is_one(text, dimension, value):
    assert parse(text, dimension, where="x") == pytest.approx(value, rel=1e-4)


def rules_of(*, tolerance=LEVEL, who="", rule=""):
    """A small rule file, whole but for what is put in."""
    return (
        f'schema = "loopgis-rules/1"\n[jurisdiction]\nid = "own"\nname = "Own"\n{who}\n[tolerance]\n{tolerance}\n'
        'bore = { plan = 0.1, vert_pct_depth = 5, unit = "m" }\n[[rule]]\nid = "easement"\nfeature = "easement"\n'
        f'citation = "made up"\nparaphrase = "made up"\nsource = "made up"\n{rule or NEVER}\n'
    ).encode()


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"who": 'since = "1999"'}, "since"),
        ({"tolerance": 'B = { plan = 1, virt = 1, unit = "m" }'}, "virt"),
        ({"tolerance": 'B = { palm = 1, vert = 1, unit = "m" }'}, "palm"),
        ({"tolerance": 'B = { vert = 1, unit = "m" }'}, "plan"),
        ({"rule": NEVER.replace("unit", "of = 3, unit")}, "of"),
        ({"rule": UNDER.replace("below", "bellow")}, "bellow"),
        ({"rule": f'{NEVER}\napplies_to = ["bores"]'}, "bores"),
        ({"rule": f"{NEVER}\napplies_to = []"}, "applies_to"),
        ({"rule": f'{NEVER}\napplies_to = ["bore", 3]'}, "applies_to"),
    ],
)
def test_slip_in_a_rule_file(parts, says):
    """The generator passed over keys that the audit refuses, the audit over places that are none: a rule read as another one."""
    assert files.parse(rules_of(), "own.toml").plan_tolerance_m["D"] == 1
    assert files.parse(rules_of(rule=UNDER), "own.toml").rules[0].cover_base == "feature_depth"
    for read in (files.parse, lambda data, name: audit_rules._parse(name, data)):
        with pytest.raises(InputError, match=says):
            read(rules_of(**parts), "own.toml")


def test_chance_of_a_sure_contact():
    """A hole drilled through a thing as wide as a tank: the sum over its heights was 2e-16 above 1, and the layout refused."""
    chance = line_contact(
        offset_m=[-0.13751804219801755, -0.08270317122701698, 1.7905134545454522],
        bore_direction=[0.8569512897377184, 0.5153693880134019, -0.005374096719696238],
        line_direction=[0.6569186742911002, -0.753961441565564, 0.0],
        bore_sigma_m=[0.0640876045199058, 0.061014833885799404],
        line_sigma_m=[0.0, 0.0],
        reach_m=2.69815,
        depth_range_m=[1.7905134545454522, 2.0905134545454525],
        span_m=[20.0, 20.0],
    )
    assert 0.99 < chance <= 1.0


def run_of(ground, target_m=4.0):
    """Profile of a straight bore of 60 m, the rig's limit being 4 m, under ground given as a function of the plan station."""
    curve = PlanCurve(0.0, 0.0, 0.0, ((60.0, 0.0),))
    step, s = half_stations(curve)
    n = len(s) // 2
    fine = np.linspace(0.0, 60.0, 8 * n + 1)
    profile = solve(
        step_m=step,
        ground_m=ground(s),
        target_depth_m=target_m,
        required_depth_m=np.zeros(len(s)),
        plan_curvature_1_m=np.zeros(len(s)),
        limits=RIG,
        finer_ground_m=ground(fine),
    )
    assert profile is not None
    return fine, ground(fine) - np.interp(fine, s, profile.z_m)


def test_ridge_between_two_nodes():
    fine, depth = run_of(lambda s: np.where(np.abs(s - 30.1) < 0.2, 0.6, 0.0))
    assert depth.max() <= RIG.max_depth_m + 0.01
    assert depth[np.abs(fine - 45) < 1].min() > 0


def test_ditch_beside_the_entry():
    """A bore at its flattest would come out into it, 5 cm."""
    _, depth = run_of(lambda s: np.where(np.abs(s - 0.68) < 0.07, -0.15, 0.0), target_m=0.5)
    assert depth.min() > -0.021


def test_bores_that_cross_at_the_pad():
    """Two straight finished bores whose axes cross 2 m from the pad, one deep below the other there."""

    def bore(y, turn, name):
        curve = PlanCurve(0.0, y, turn, ((40.0, 0.0),))
        step, s = half_stations(curve)
        flat = np.zeros(len(s))
        profile = solve(
            step_m=step, ground_m=flat, target_depth_m=3.0, required_depth_m=flat, plan_curvature_1_m=flat, limits=RIG
        )
        what = {"pattern": "fan", "target_depth_m": 3.0, "hole_diameter_m": 0.1, "shape": "straight"}
        return build(curve, profile, ground_m=flat, bore_id=name, **what)

    rule = SeparationRule(spacing_m=0.5, plan_tolerance_m=0.0, vert_share=0.0, hole_m=0.0, rod_m=3.0)
    crossing = measure_pair(bore(0.0, 0.5, "a"), bore(1.0, -0.0, "b"), rule)
    assert crossing.clash
    assert crossing.crossed
    assert not measure_pair(bore(0.0, 0.0, "a"), bore(1.0, 0.0, "b"), rule).crossed


def test_pad_inside_a_thing_from_which_no_distance_is_asked():
    file = files.parse(rules_of(rule=f'{NEVER}\napplies_to = ["bore", "pit"]'), "own.toml")
    thing = Feature(feature_id="e", kind="easement", geometry=shapely.box(-5, -5, 5, 5))
    site = zoo.site(shapely.box(-50, -50, 50, 50), features=(thing,))

    def outcome(x):
        pad = Pad(
            centre=(x, 0.0), axis_deg=0.0, size_m=(4.0, 8.0), polygon=rectangle(x, 0.0, 0.0, (4.0, 8.0)), given=True
        )
        return [r.outcome for r in assemble.pad_rows(site, (file,), pad, 1)]

    assert outcome(0.0) == ["fail"]
    assert outcome(20.0) == ["pass"]


def test_pipes_wider_than_the_hole_are_told_by_key():
    """Without a demand it came out after the layouts were made, and named no file."""
    site = zoo.site(
        shapely.box(-30, -30, 30, 30), hole_diameter_m=0.1, pipe=PipeSpec(size="3 in", dr=11.0, fluid="water")
    )
    with pytest.raises(InputError, match=r"zoo.toml \[bore\] hole"):
        prepare(site)
