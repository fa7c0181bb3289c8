"""The one-call ticket's answers, and the keys that drilling mud needs."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import shapely
import zoo

from loopgis.core.errors import InputError
from loopgis.layout.gate import gate_findings, gate_of
from loopgis.site import config
from loopgis.site.log import Log
from loopgis.site.ticket import read_ticket

MINIMAL = '[site]\nparcel = "parcel.gpkg"\n'


def load(tmp_path, text):
    path, log = tmp_path / "site.toml", Log()
    path.write_text(MINIMAL + text, encoding="utf-8")
    return config.load(path, log), [f for f in log.findings if f.severity == "error"]


def ticket(tmp_path, text):
    path = tmp_path / "ticket.csv"
    path.write_text(text, encoding="utf-8")
    return read_ticket(path, "ticket.csv")


def test_answers_are_closed_when_the_owner_has_spoken(tmp_path):
    answers = ticket(
        tmp_path,
        "Utility,due,Response,Remarks\nGas,,Marked,yellow\nPower,,no-lines,\nWater,,,\nCable,,not complete,call again\n",
    )
    assert [(a.owner, a.closed) for a in answers] == [
        ("Gas", True),
        ("Power", True),
        ("Water", False),
        ("Cable", False),
    ]
    assert answers[2].answer == "no answer"
    site = replace(zoo.site(shapely.box(0, 0, 60, 60)), ticket=answers)
    gate = gate_of(site.ticket)
    assert not gate.open
    assert gate.lines == ("waiting for Water: no answer", "waiting for Cable: not complete (call again)")
    assert [f.code for f in gate_findings(site)] == ["ticket-open", "ask-private-lines"]
    assert gate_of(answers[:2]).open


def test_without_a_ticket_nobody_may_drill():
    site = zoo.site(shapely.box(0, 0, 60, 60))
    assert not gate_of(site.ticket).open
    assert [f.code for f in gate_findings(site)] == ["ticket-missing", "ask-private-lines"]
    asked = replace(site, given_kinds=frozenset({"sewer_gravity"}))
    assert "drain tiles" in gate_findings(asked)[1].message
    assert "sewer" not in gate_findings(asked)[1].message
    assert len(gate_findings(replace(site, given_kinds=frozenset({"sewer_gravity", "drain_tile"})))) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no columns"),
        ("a,b\n1,2\n", "no columns"),
        ("owner,answer\n", "names no owner"),
        ("owner,answer\n,clear\n", "line 2"),
    ],
)
def test_bad_tickets_get_one_line(tmp_path, text, words):
    with pytest.raises(InputError, match=words) as error:
        ticket(tmp_path, text)
    assert "ticket.csv" in str(error.value)
    assert "\n" not in str(error.value)


def test_strength_by_name_by_figures_and_by_the_soil(tmp_path):
    named, errors = load(tmp_path, '[ground]\nstrength = "dense sand"\nwater_table = "3 m"\n')
    assert not errors
    assert named.strength.friction_rad == pytest.approx(math.radians(35))
    assert (named.strength.assumed, named.strength.ground, named.strength.water_table_m) == (False, "sand", 3.0)
    own, errors = load(
        tmp_path,
        '[ground]\ncohesion = "20 kPa"\nfriction = "5 deg"\nshear_modulus = "2 MPa"\nunit_weight = "19 kN/m^3"\n',
    )
    assert not errors
    assert (own.strength.cohesion_pa, own.strength.shear_modulus_pa) == (20e3, 2e6)
    assert own.strength.saturated_n_m3 == own.strength.moist_n_m3 == 19e3
    part, errors = load(tmp_path, '[ground]\nstrength = "soft clay"\ncohesion = "40 kPa"\n')
    assert not errors
    assert (part.strength.cohesion_pa, part.strength.shear_modulus_pa, part.strength.assumed) == (40e3, 5e5, False)
    guessed, errors = load(tmp_path, '[ground]\nsoil = "dry sand"\n')
    assert not errors
    assert (guessed.strength.name, guessed.strength.assumed) == ("loose sand", True)
    bare, errors = load(tmp_path, '[ground]\nconductivity = "1.5 W/(m K)"\ndiffusivity = "0.7 mm^2/s"\n')
    assert not errors
    assert bare.strength is None


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('[ground]\nstrength = "soft clya"\n', "soft clay"),
        ('[ground]\nconductivity = "1.5 W/(m K)"\ndiffusivity = "0.7 mm^2/s"\ncohesion = "20 kPa"\n', "is missing"),
        ('[ground]\nstrength = "loose sand"\nfriction = "0 deg"\n', "bears nothing"),
        ('[ground]\nstrength = "loose sand"\nfriction = "70 deg"\n', "friction"),
        ('[ground]\nstrength = "loose sand"\ncohesion = "20 psig"\n', "cohesion"),
        ('[ground]\nwater_table = "-1 ft"\n', "water_table"),
        ("[mud]\ndial_600 = 50\ndial_300 = 20\n", "dial_300"),
        ("[mud]\nratio = 0.5\n", "ratio"),
        ('[mud]\nweight = "10 lb"\n', "weight"),
        ("[mud]\nviscosity = 3\n", "viscosity"),
        ('[rig]\npilot_hole = "1 in"\n', "pilot_hole"),
        ('[rig]\npump = "15 ft"\n', "pump"),
    ],
)
def test_slips_get_one_line_that_names_the_key(tmp_path, text, key):
    _, errors = load(tmp_path, text)
    assert len(errors) == 1, errors
    assert key in errors[0].line()
