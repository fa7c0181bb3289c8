"""Site files spoiled in every way: one clear error each, never a traceback, never long, never a figure that the model forbids."""

from __future__ import annotations

import contextlib
import io
import time

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from mutations import bitten, odd_figures, spoiled, told, toml

from loopgis.cli.main import run
from loopgis.core.errors import InputError
from loopgis.site import config
from loopgis.site.log import Log

SIGNED = frozenset(
    {"mean_c", "ewt_min_c", "ewt_max_c", "at", "entry", "axis_deg", "offset_k", "heating_cop", "cooling_cop"}
)
"""Figures that may lie below zero; of the COP tables the temperatures."""
LONGEST_S = 3.0
"""CPU seconds for one file; all take some milliseconds."""
WHOLE = {
    "site": {
        "name": "Ferny Croft",
        "parcel": {"path": "lot.geojson", "layer": "lot"},
        "parcel_crs": "EPSG:32618",
        "units": "us",
        "buildings": "houses.gpkg",
        "elevation": "dem.tif",
        "elevation_unit": "m",
        "rules": ["house", "own.toml"],
        "ticket": "t.csv",
        "feature": [
            {"kind": "gas_line", "path": "gas.gpkg", "quality": "B", "depth_unit": "ft"},
            {"path": {"path": "all.gpkg", "where": "a = 1", "crs": "EPSG:4326"}},
        ],
    },
    "pad": {"at": [474010.0, 4700020.5], "size": ["20 ft", "40 ft"], "entry": "entry.geojson", "axis_deg": 45.5},
    "demand": {
        "heating_peak": "36 kBtu/h",
        "cooling_peak": "9 kW",
        "heating_hours": 1900,
        "cooling_hours": 650,
        "ewt_min": "30 degF",
        "ewt_max": "90 degF",
        "years": 20,
        "flow": "9 gpm",
        "peak_hours": 6,
        "heating_cop": [["0 degC", 3.2], ["10 degC", 3.9]],
        "cooling_cop": [["10 degC", 6.0], ["30 degC", 4.0]],
        "monthly": {"heating": ["900 kWh"] * 12, "cooling": ["0 kWh"] * 12},
    },
    "ground": {
        "soil": "moist clay",
        "conductivity": "1.6 W/(m K)",
        "diffusivity": "0.7 mm^2/s",
        "tested": "1.7 W/(m K)",
        "mean": "52 degF",
        "amplitude": "20 delta_degF",
        "coldest_day": 35,
        "offset": "1 delta_degC",
        "strength": "soft clay",
        "cohesion": "15 kPa",
        "friction": "0 deg",
        "shear_modulus": "0.5 MPa",
        "unit_weight": "19 kN/m^3",
        "water_table": "3 ft",
    },
    "rig": {
        "class": "small",
        "rod_length": "10 ft",
        "bend_radius": "100 ft",
        "entry_pitch": ["15 %", "35 %"],
        "pullback": "20000 lbf",
        "exit_pitch": ["6 deg", "35 %"],
        "max_length": "400 ft",
        "max_depth": "30 ft",
        "rod_diameter": "1.66 in",
        "pump": "15 gpm",
        "pilot_hole": "3.5 in",
    },
    "bore": {
        "depth": ["15 ft", "8 ft"],
        "spacing": "15 ft",
        "bores": 4,
        "length": "900 ft",
        "hole": "5 in",
        "pipe_spacing": "2 in",
        "fill": "bentonite grout",
    },
    "pipe": {
        "size": "1 in",
        "dr": 11,
        "fluid": "propylene glycol 20 %",
        "in_series": 1,
        "header": "auto",
        "heat_pump": "4 psi",
        "pump_efficiency": 0.4,
    },
    "layout": {"patterns": ["fan", "parallel"], "keep": "kept.gpkg", "per_bore": "10 ft", "per_crossing": "5 ft"},
    "score": {"level": 50, "economy": 15, "spacing": 15, "crossings": 10, "margin": 3, "header": 7},
    "mud": {"dial_600": 50, "dial_300": 35, "weight": "10 lb/gal", "ratio": 4},
    "cost": {
        "currency": "EUR",
        "mobilisation": "2500 EUR",
        "day": "3000 EUR/day",
        "tooling": "1 EUR/ft",
        "fluid": "0.3 EUR/gal",
        "loss": 0.1,
    },
}
"""Every table and nearly every key of a site file; it reads without an error."""
LOT = (
    '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"id":1},"geometry":{"type":"Polygon",'
    '"coordinates":[[[-75.1,42.1],[-75.0993,42.1],[-75.0993,42.1006],[-75.1,42.1006],[-75.1,42.1]]]}}]}'
)
SMALL = {
    "site": {"name": "x", "parcel": "lot.geojson", "rules": ["house"], "units": "us"},
    "rig": {"class": "small"},
    "bore": {"depth": ["15 ft"], "bores": 2, "hole": "5 in"},
    "pipe": {"size": "1 in", "fluid": "water"},
    "demand": {"heating_peak": "6 kW", "ewt_min": "40 degF"},
}
"""What `check` can read to the end."""


def read(file, data: bytes) -> str:
    """Read a site file: "error" with every message in one line, or "fine" with only figures that the model allows."""
    file.write_bytes(data)
    log, began = Log(), time.process_time()
    try:
        cfg = config.load(file, log)
    except InputError as error:
        told(error)
        return "error"
    finally:
        assert time.process_time() - began < LONGEST_S
    errors = [f for f in log.findings if f.severity == "error"]
    assert all(f.message and f.where.startswith(str(file)) and "\n" not in f.line() for f in errors)
    if errors:
        return "error"
    assert odd_figures(cfg, SIGNED) == []
    return "fine"


def checked(folder, data: bytes, verb: str = "check") -> int:
    """Exit code of the command line for a site file, its words looked at."""
    file = folder / "site.toml"
    file.write_bytes(data)
    out, err, began = io.StringIO(), io.StringIO(), time.process_time()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as left:
        run([verb, str(file)])
    words = out.getvalue() + err.getvalue()
    assert "Traceback" not in words
    assert "defect" not in words, words
    assert time.process_time() - began < LONGEST_S
    return int(left.value.code)


def tries(examples: int):
    """Settings of a run that draws the same every time."""
    return settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))


def test_the_whole_file_reads(tmp_path):
    assert read(tmp_path / "site.toml", toml(WHOLE).encode()) == "fine"
    (tmp_path / "lot.geojson").write_text(LOT)
    assert checked(tmp_path, toml(SMALL).encode()) == 0


@pytest.mark.parametrize("examples", [120, pytest.param(20_000, marks=pytest.mark.slow)])
def test_spoiled_values(tmp_path, examples):
    seen = {"fine": 0, "error": 0}

    @seed(10)
    @tries(examples)
    @given(st.integers(0, 2**40))
    def go(number):
        seen[read(tmp_path / "site.toml", toml(spoiled(WHOLE, number)).encode("utf-8", "surrogatepass"))] += 1

    go()
    assert min(seen.values()) > examples * 0.02


@pytest.mark.parametrize("examples", [150, pytest.param(20_000, marks=pytest.mark.slow)])
def test_spoiled_bytes(tmp_path, examples):
    whole = toml(WHOLE).encode()

    @seed(11)
    @tries(examples)
    @given(st.integers(0, 2**40))
    def go(number):
        read(tmp_path / "site.toml", bitten(whole, number))

    go()


@pytest.mark.parametrize("examples", [40, pytest.param(2000, marks=pytest.mark.slow)])
def test_command_line(tmp_path, examples):
    (tmp_path / "lot.geojson").write_text(LOT)
    small = toml(SMALL).encode()
    seen = set()

    @seed(12)
    @tries(examples)
    @given(st.integers(0, 2**40))
    def go(number):
        data = (
            bitten(small, number) if number % 3 == 0 else toml(spoiled(SMALL, number)).encode("utf-8", "surrogatepass")
        )
        seen.add(checked(tmp_path, data))

    go()
    assert 3 in seen <= {0, 3}
