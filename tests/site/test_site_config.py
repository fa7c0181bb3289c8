"""The site file: what every key becomes, and the line that a slip in it gets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from loopgis.core.errors import InputError
from loopgis.site import config
from loopgis.site.log import Log

if TYPE_CHECKING:
    from pathlib import Path

    from loopgis.site.config import Config

MINIMAL = '[site]\nparcel = "p.gpkg"\n'
FULL = """
[site]
name = "Tern Lane 4"
parcel = { path = "p.gpkg", layer = "lots", where = "ID = '7'", crs = "EPSG:26918" }
buildings = "b.gpkg"
elevation = "dem.tif"
elevation_unit = "ft"
rules = ["house", "rules/town.toml"]
units = "metric"
[[site.feature]]
kind = "water_well"
path = "w.geojson"
quality = "B"
depth_unit = "ft"
[[site.feature]]
path = { path = "all.gpkg", layer = "x" }
[pad]
at = [586010, 4511010.5]
size = ["10 ft", "20 ft"]
entry = "door.geojson"
axis_deg = 45
[demand]
heating_peak = "36 kBtu/h"
cooling_peak = "7 kW"
heating_hours = 1800
cooling_hours = 0
ewt_min = "-1 degC"
ewt_max = "35 degC"
years = 25
[ground]
conductivity = "1.6 W/(m K)"
diffusivity = "0.7 mm^2/s"
mean = "11 degC"
amplitude = "9 delta_degC"
coldest_day = 30
[rig]
class = "compact"
bend_radius = "90 ft"
exit_pitch = ["12 %", "20 deg"]
[bore]
depth = ["8 ft", "15 ft", "8 ft"]
spacing = "5 m"
bores = 6
length = "900 ft"
hole = "6 in"
[pipe]
size = "1-1/4 in"
dr = 9
fluid = "water"
[layout]
patterns = ["parallel"]
[score]
level = 3
crossings = 0.5
"""


def read(tmp_path: Path, text: str | bytes) -> tuple[Config, list[str]]:
    path = tmp_path / "site.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    log = Log()
    cfg = config.load(path, log)
    return cfg, [f.line().replace(str(path), "site.toml") for f in log.findings if f.severity == "error"]


def test_every_key_in_si(tmp_path: Path):
    cfg, errors = read(tmp_path, FULL)
    assert errors == []
    assert (cfg.name, cfg.units, cfg.elevation_unit) == ("Tern Lane 4", "metric", "ft")
    assert cfg.rules == ("house", str((tmp_path / "rules/town.toml").resolve()))
    assert (cfg.parcel.layer, cfg.parcel.where, cfg.parcel.crs) == ("lots", "ID = '7'", "EPSG:26918")
    assert cfg.parcel.path == tmp_path / "p.gpkg"
    well, rest = cfg.features
    assert (well.kind, well.quality, well.depth_unit, well.ref.written) == ("water_well", "B", "ft", "w.geojson")
    assert (rest.kind, rest.quality, rest.ref.layer) == ("", "unknown", "x")
    assert cfg.at == (586010.0, 4511010.5)
    assert cfg.entry.written == "door.geojson"
    assert cfg.size_m == pytest.approx((3.048, 6.096))
    assert cfg.axis_deg == 45
    # 36 kBtu/h: 1 Btu = 1055.056 J (NIST SP 811), so 10550.56 W.
    assert cfg.demand.heating_peak_w == pytest.approx(36_000 * 1055.056 / 3600, rel=1e-5)
    assert cfg.demand.cooling_peak_w == 7000
    assert (cfg.demand.heating_hours, cfg.demand.cooling_hours, cfg.demand.years) == (1800, 0, 25)
    assert (cfg.demand.ewt_min_c, cfg.demand.ewt_max_c) == pytest.approx((-1, 35))
    assert (cfg.ground.soil, cfg.ground.k_w_mk, cfg.ground.diffusivity_m2_s) == ("", 1.6, pytest.approx(7e-7))
    assert (cfg.ground.mean_c, cfg.ground.amplitude_k, cfg.ground.coldest_day) == pytest.approx((11, 9, 30))
    assert cfg.rig.name == "compact"
    assert (cfg.rig.bend_radius_m, cfg.rig.rod_length_m) == pytest.approx((27.432, 1.524))
    assert cfg.rig.exit_pitch_pct == pytest.approx((12, 100 * math.tan(math.radians(20))))
    assert cfg.bore.depth_m == pytest.approx((2.4384, 4.572))
    assert (cfg.bore.spacing_m, cfg.bore.bores, cfg.bore.depth_given) == (5, 6, True)
    assert (cfg.bore.length_m, cfg.bore.hole_diameter_m) == pytest.approx((274.32, 0.1524))
    assert (cfg.pipe.size, cfg.pipe.dr, cfg.pipe.fluid) == ("1.25 in", 9, "water")
    assert cfg.patterns == ("parallel",)
    assert cfg.score == {"level": 3, "crossings": 0.5}
    assert {"rig.bend_radius", "site.parcel", "score.level"} <= cfg.given
    assert "rig.max_depth" not in cfg.given


def test_defaults_of_a_minimal_file(tmp_path: Path):
    cfg, errors = read(tmp_path, MINIMAL)
    assert errors == []
    assert cfg.name == tmp_path.name
    assert (cfg.units, cfg.rules, cfg.patterns, cfg.demand, cfg.score) == (
        "us",
        ("house",),
        ("fan", "parallel"),
        None,
        {},
    )
    # facts/hdd section 1: 10 ft rods and 100 ft radius (S); lengths by 0.3048 m, force by 4.44822 N.
    assert cfg.rig.name == "small"
    assert (cfg.rig.rod_length_m, cfg.rig.bend_radius_m) == pytest.approx((3.048, 30.48))
    assert (cfg.rig.max_length_m, cfg.rig.max_depth_m) == pytest.approx((121.92, 9.144))
    assert cfg.rig.pullback_n == pytest.approx(20_000 * 4.44822, rel=1e-5)
    assert (cfg.rig.entry_pitch_pct, cfg.rig.exit_pitch_pct) == ((15, 35), (10, 35))
    assert (cfg.bore.depth_given, cfg.bore.bores) == (False, None)
    assert (*cfg.bore.depth_m, cfg.bore.spacing_m, cfg.bore.hole_diameter_m) == pytest.approx((4.572, 4.572, 0.127))
    assert cfg.size_m == pytest.approx((6.096, 12.192))
    assert (cfg.pipe.size, cfg.pipe.dr, cfg.pipe.fluid) == ("1 in", 11, "propylene glycol 20 %")
    assert cfg.ground.soil == "moist clay"
    assert (cfg.ground.mean_c, cfg.ground.amplitude_k) == pytest.approx((100 / 9, 100 / 9))


def test_monthly_and_hourly_demand(tmp_path: Path):
    hours = "".join(f"{(n % 24) / 10},{n % 7}\n" for n in range(8760))
    (tmp_path / "loads.csv").write_text("heating_kw,cooling_w\n" + hours)
    months = ", ".join(f'"{100 * n} kWh"' for n in range(12))
    head = MINIMAL + '[demand]\nheating_peak = "9 kW"\n'
    cfg, errors = read(tmp_path, head + f"monthly = {{ heating = [{months}] }}\n")
    assert errors == []
    assert cfg.demand.heating_kwh == tuple(100.0 * n for n in range(12))
    assert cfg.demand.cooling_kwh == ()
    cfg, errors = read(tmp_path, head + 'hourly = "loads.csv"\n')
    assert errors == []
    assert cfg.demand.hourly == "loads.csv"
    assert (cfg.demand.hourly_heating_w[23], cfg.demand.hourly_cooling_w[6]) == (2300.0, 6.0)
    assert len(cfg.demand.hourly_cooling_w) == 8760
    (tmp_path / "loads.csv").write_text("heating_kw\n" + "1\n" * 8784)
    _, errors = read(tmp_path, head + 'hourly = "loads.csv"\n')
    assert len(errors) == 1
    assert "holds 8784 hours" in errors[0]


SLIPS = {
    # text behind the minimal file: words that the one error line must hold
    "[rig]\nrod_length = 10": ["[rig] rod_length", "10 has no unit", '"15 ft"'],
    '[rig]\nrod_length = "10"': ["[rig] rod_length", "has no unit"],
    '[rig]\nrod_length = "10 kg"': ["[rig] rod_length", "is not a length"],
    '[rig]\nbend_radius = "0 ft"': ["[rig] bend_radius", "outside 3 to 1000 m"],
    '[rig]\nbend_radius = "-100 ft"': ["[rig] bend_radius", "outside"],
    '[rig]\nbend_radius = "inf ft"': ["[rig] bend_radius", "not a number"],
    '[rig]\nbend_radius = "1e999 ft"': ["[rig] bend_radius", "not a length"],
    '[rig]\nrod_length = "20 ft"\nbend_radius = "30 ft"': ["[rig] rod_length", "half the bend radius"],
    '[rig]\nentry_pitch = "15 %"': ["[rig] entry_pitch", "is not a pair"],
    '[rig]\nentry_pitch = ["15 %"]': ["[rig] entry_pitch", "is not a pair"],
    '[rig]\nentry_pitch = ["35 %", "15 %"]': ["[rig] entry_pitch", "35 % is more than 15 %", "smaller one first"],
    '[rig]\nentry_pitch = ["-35 %", "-15 %"]': ["[rig] entry_pitch", "outside 1 to 100 %"],
    '[rig]\nclass = "smal"': ["[rig] class", "did you mean 'small'"],
    '[rig]\nbend_radus = "100 ft"': ["[rig]", "unknown key 'bend_radus'", "did you mean 'bend_radius'"],
    "[rigs]\nclass = 1": ["site.toml: unknown key 'rigs'", "did you mean 'rig'"],
    "[pad]\nat = [1]": ["[pad] at", "is not a point"],
    "[pad]\nat = [1, true]": ["[pad] at", "is not a point"],
    '[pad]\nat = ["1 m", "2 m"]': ["[pad] at", "two plain numbers"],
    "[pad]\nat = [nan, 1]": ["[pad] at", "is not a point"],
    f"[pad]\nat = [{10**400}, 1]": ["[pad] at", "is not a point"],
    "[pad]\nsize = [20, 40]": ["[pad] size", "20 has no unit"],
    '[pad]\nsize = ["40 ft", "20 ft"]': ["[pad] size", "smaller one first"],
    '[pad]\naxis_deg = "45 deg"': ["[pad] axis_deg", "is not a plain number"],
    '[bore]\ndepth = "15 ft"': ["[bore] depth", "list of one to 8 depths"],
    "[bore]\ndepth = []": ["[bore] depth", "list of one to 8 depths"],
    '[bore]\ndepth = ["60 ft"]': ["[bore] depth", "beyond the locator range"],
    '[bore]\nspacing = "0 m"': ["[bore] spacing", "outside"],
    "[bore]\nbores = 0": ["[bore] bores", "outside 1 to 200"],
    "[bore]\nbores = 2.5": ["[bore] bores", "is not a whole number"],
    "[bore]\nbores = true": ["[bore] bores", "is not a whole number"],
    f"[bore]\nbores = {10**400}": ["[bore] bores", "outside 1 to 200"],
    '[pipe]\nsize = "7 in"': ["[pipe] size", "'7 in' is not known", "1.25 in"],
    "[pipe]\nsize = 1": ["[pipe] size", "is not a text"],
    "[pipe]\ndr = nan": ["[pipe] dr", "outside 6 to 41"],
    '[pipe]\nfluid = " "': ["[pipe] fluid", "is not a text"],
    '[layout]\npatterns = ["comb"]': ["[layout] patterns", "'comb' is not known", "fan, parallel"],
    "[layout]\npatterns = []": ["[layout] patterns", "empty list"],
    '[layout]\npatterns = "fan"': ["[layout] patterns", "is not a list of texts"],
    "[score]\nlevel = -1": ["[score] level", "outside"],
    "[score]\nheat = 1": ["[score]", "unknown key 'heat'"],
    "[score]\nlevel=0\neconomy=0\nspacing=0\ncrossings=0\nmargin=0\nheader=0": ["[score]", "all weights are zero"],
    '[ground]\nsoil = "moist caly"': ["[ground] soil", "did you mean 'moist clay'"],
    '[ground]\nconductivity = "1.6 W/(m K)"': ["[ground] diffusivity", "is missing"],
    '[ground]\nmean = "52"': ["[ground] mean", "has no unit"],
    "[ground]\ncoldest_day = 400": ["[ground] coldest_day", "outside 1 to 366"],
    "[demand]\nyears = 20": ["[demand]", "neither heating_peak nor cooling_peak"],
    '[demand]\nheating_peak = "9 kW"\newt_min = "95 degF"': ["[demand] ewt_min", "not below ewt_max"],
    '[demand]\nheating_peak = "9 kW"\nheating_hours = 9000': ["[demand] heating_hours", "outside 0 to 8784"],
    '[demand]\nheating_peak = "9 kW"\nhourly = "no.csv"': ["[demand] hourly", "'no.csv' is not there"],
    '[demand]\nheating_peak = "9 kW"\nmonthly = { heating = ["1 kWh"] }': ["monthly heating", "1 values where twelve"],
    '[demand]\nheating_peak = "9 kW"\nmonthly = { heat = [] }': ["[demand] monthly", "did you mean 'heating'"],
    '[demand]\nheating_peak = "9 kW"\nmonthly = 3': ["[demand] monthly", "neither heating nor cooling"],
}


@pytest.mark.parametrize("text", SLIPS, ids=[t[:40] for t in SLIPS])
def test_one_slip_gives_one_line_that_names_it(tmp_path: Path, text: str):
    _, errors = read(tmp_path, MINIMAL + text + "\n")
    assert len(errors) == 1, errors
    for words in SLIPS[text]:
        assert words in errors[0]


SITE_SLIPS = {
    "parcel = 3": ["[site] parcel", "3 is not a path"],
    'parcel = { layer = "x" }': ["[site] parcel", "has no path"],
    'parcel = { path = "p.gpkg", lyer = "x" }': ["[site] parcel", "unknown key 'lyer'", "did you mean 'layer'"],
    'parcel = { path = "p.gpkg", where = 7 }': ["[site] parcel", "where = '7' is not a usable text"],
    'parcel = ""': ["[site] parcel", "path = '' is not a usable text"],
    'parcel = "p.gpkg"\nunits = "feet"': ["[site] units", "'feet' is not known"],
    'parcel = "p.gpkg"\nrules = "house"': ["[site] rules", "is not a list of texts"],
    'parcel = "p.gpkg"\nname = 4': ["[site] name", "4 is not a text"],
    'parcel = "p.gpkg"\nparcell = "q"': ["[site]", "unknown key 'parcell'", "did you mean 'parcel'"],
    'parcel = "p.gpkg"\nfeature = 3': ["[site.feature]", "double brackets"],
    'parcel = {path="p", crs="EPSG:1"}\nparcel_crs = "EPSG:2"': ["[site] parcel_crs", "keep one of the two"],
    'name = "x"': ["[site] parcel", "is missing"],
    'parcel="p"\n[[site.feature]]\nkind="water_wel"\npath="w"': ["[site.feature 1] kind", "did you mean 'water_well'"],
    'parcel="p"\n[[site.feature]]\nkind="water_well"': ["[site.feature 1] path", "is missing"],
    'parcel="p"\n[[site.feature]]\npath="w"\nquality="E"': ["[site.feature 1] quality", "ASCE 38"],
    'parcel="p"\n[[site.feature]]\npath="w"\ndepth_unit="lb"': ["[site.feature 1] depth_unit", "is not a length"],
    'parcel="p"\n[[site.feature]]\npath="w"\ncrs="EPSG:1"': ["[site.feature 1]", "unknown key 'crs'"],
}


@pytest.mark.parametrize("text", SITE_SLIPS, ids=[t[:40] for t in SITE_SLIPS])
def test_slips_under_site(tmp_path: Path, text: str):
    _, errors = read(tmp_path, "[site]\n" + text + "\n")
    assert len(errors) == 1, errors
    for words in SITE_SLIPS[text]:
        assert words in errors[0]


def test_all_slips_are_told_in_one_run(tmp_path: Path):
    text = (
        '[site]\nparcle = "p"\n[rig]\nrod_length = 3\nbend_radius = "0 m"\n[pipe]\nsize = "9 in"\n[bore]\nbores = "6"\n'
    )
    _, errors = read(tmp_path, text)
    assert len(errors) == 6
    for key in ("'parcle'", "[site] parcel", "rod_length", "bend_radius", "[pipe] size", "[bore] bores"):
        assert any(key in e for e in errors), key


UNREADABLE = {
    b"": "is empty",
    b"# nothing\n": "is empty",
    b"[site]\nparcel = \n": "line 2",
    b"[site]\nname = 1\nname = 2\n": "line 3",
    b'[site]\nname = "\xff\xfe"\n': "line 2 is not UTF-8",
    b"\x00\x01\x02": "is not valid TOML",
    b"[site]\nx = " + b"9" * 6000: "is not valid TOML",
    b"x = " + b"[" * 5000: "is not valid TOML",
    b"#" * 1_000_001: "larger than 1 MB",
}


@pytest.mark.parametrize("data", UNREADABLE, ids=list(UNREADABLE.values()))
def test_files_without_keys(tmp_path: Path, data: bytes):
    with pytest.raises(InputError, match=UNREADABLE[data]):
        read(tmp_path, data)


def test_a_byte_order_mark_is_no_slip(tmp_path: Path):
    assert read(tmp_path, b"\xef\xbb\xbf" + MINIMAL.encode())[1] == []


@pytest.mark.parametrize(
    ("name", "words"),
    [("", "is a folder"), ("no.toml", "cannot be read"), ("a\0b", "no file name"), ("x" * 5000, "cannot be read")],
)
def test_paths_that_lead_nowhere(tmp_path: Path, name: str, words: str):
    with pytest.raises(InputError, match=words):
        config.load(f"{tmp_path}/{name}", Log())


def test_two_load_profiles_are_told(tmp_path: Path):
    months = ", ".join(['"9 kWh"'] * 12)
    path = tmp_path / "site.toml"
    text = f'[demand]\nheating_peak = "9 kW"\nheating_hours = 2000\nmonthly = {{ heating = [{months}] }}\n'
    path.write_text(MINIMAL + text)
    log = Log()
    config.load(path, log)
    assert [f.code for f in log.findings] == ["demand-twice", "ground-temperature"]
    assert "monthly counts before hours" in log.findings[0].line()
