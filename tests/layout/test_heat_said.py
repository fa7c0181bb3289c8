"""A heat case goes into a file and comes back the same: the same temperatures to the last digit."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from loopgis.core.errors import InputError
from loopgis.layout.heat import study
from loopgis.layout.heat_case import case_of
from loopgis.layout.heat_said import case_from, heat_said
from loopgis.layout.keep import as_it_lies
from loopgis.site.read import read_site

SITE = Path(__file__).parents[2] / "data/suburban/site.toml"


@pytest.fixture(scope="module")
def site():
    return read_site(SITE)


def test_the_case_that_comes_back_gives_the_same_temperatures(site):
    case = case_of(site)
    said = json.loads(json.dumps(heat_said(case), allow_nan=False))
    again = case_from(said, "file")
    assert {f.name for f in fields(case)} == set(said)
    x = np.linspace(0, 70, 30)
    path = np.column_stack([x, 0 * x, site.terrain.at(x, 0 * x) - 4 * np.sin(np.pi * x / 70)])
    bore = as_it_lies(path, site.terrain.at, bore_id="B", pattern="fan", rod_length_m=3.0, hole_diameter_m=0.127)
    one, other = study(case, site, [bore]), study(again, site, [bore])
    assert one.needed_m == other.needed_m
    assert (one.ewt_min_c, one.ewt_max_c) == (other.ewt_min_c, other.ewt_max_c)


@pytest.mark.parametrize("harm", [lambda s: s.pop("wave"), lambda s: s["wave"].update(mean_c=400.0), lambda s: s.update(years="x"),
                                  lambda s: s["fluid"].update(colour="red")])  # fmt: skip
def test_a_case_that_is_none_is_one_clear_line(site, harm):
    said = json.loads(json.dumps(heat_said(case_of(site))))
    harm(said)
    with pytest.raises(InputError, match="heat case cannot be read") as caught:
        case_from(said, "built.gpkg")
    assert "built.gpkg" in str(caught.value)
    assert "loopgis score" in str(caught.value)
