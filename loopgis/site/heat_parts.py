"""The tables of a site file that the heat needs: demand and ground.

Ranges here only refuse what cannot be meant (a year of 9000 hours, an amplitude of 60 K); whether a figure is wise is for the
design.
"""

from __future__ import annotations

import csv
import io
import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.ground.loads import YEAR_HOURS
from loopgis.ground.soil import heat_capacity_j_m3k, johansen_w_mk
from loopgis.site.model import DemandSpec, GroundSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from pathlib import Path

    from loopgis.site.keys import Keys

KEYS: dict[str, set[str]] = {
    "demand": {
        "heating_peak",
        "cooling_peak",
        "heating_hours",
        "cooling_hours",
        "monthly",
        "hourly",
        "ewt_min",
        "ewt_max",
        "years",
        "heating_cop",
        "cooling_cop",
        "flow",
        "peak_hours",
    },
    "ground": {
        "soil",
        "conductivity",
        "diffusivity",
        "tested",
        "texture",
        "dry_density",
        "quartz",
        "saturation",
        "mean",
        "amplitude",
        "coldest_day",
        "offset",
    },
}
MONTHLY_KEYS = {"heating", "cooling"}
TEXTURES = ("coarse", "fine")
HOURLY_UNITS = {"w": 1.0, "kw": 1000.0, "btu_h": 0.29307107, "kbtu_h": 293.07107}
"""Endings of column names in an hourly file, and watts per unit (NIST SP 811)."""


def demand(keys: Keys) -> DemandSpec | None:
    """[demand] in SI, None when the file has no such table."""
    if "demand" not in keys.data:
        return None
    heating_kwh, cooling_kwh = _monthly(keys)
    hourly = keys.attempt("", lambda: _hourly(keys))
    heating_w, cooling_w = _hours(keys, hourly)
    peaks = [
        keys.optional("demand", name, "power", least=0.0, most=1e8) or 0.0 for name in ("heating_peak", "cooling_peak")
    ]
    peaks = [peaks[0] or max(heating_w, default=0.0), peaks[1] or max(cooling_w, default=0.0)]
    if not any(peaks) and "hourly" not in keys.table("demand"):
        keys.fail("demand", "", "has neither heating_peak nor cooling_peak", 'add heating_peak = "36 kBtu/h"')
    low = keys.quantity("demand", "ewt_min", "temperature", least=-20, most=40)
    high = keys.quantity("demand", "ewt_max", "temperature", least=0, most=60)
    if low >= high:
        keys.fail("demand", "ewt_min", "is not below ewt_max", "check both temperatures")
    _one_profile(keys)
    return DemandSpec(
        heating_peak_w=peaks[0],
        cooling_peak_w=peaks[1],
        heating_hours=keys.number("demand", "heating_hours", least=0, most=8784),
        cooling_hours=keys.number("demand", "cooling_hours", least=0, most=8784),
        heating_kwh=heating_kwh,
        cooling_kwh=cooling_kwh,
        hourly=hourly,
        ewt_min_c=low,
        ewt_max_c=high,
        years=keys.number("demand", "years", least=1, most=100),
        hourly_heating_w=heating_w,
        hourly_cooling_w=cooling_w,
        heating_cop=keys.attempt((), lambda: _cop(keys, "heating_cop")),
        cooling_cop=keys.attempt((), lambda: _cop(keys, "cooling_cop")),
        flow_m3_s=keys.optional("demand", "flow", "flow", least=1e-6, most=1.0),
        peak_hours=keys.number("demand", "peak_hours", least=1, most=24),
    )


def _one_profile(keys: Keys) -> None:
    """A load profile is given once: hours, months or an hourly file."""
    own = keys.table("demand")
    ways: list[str] = [w for w in ("hourly", "monthly") if w in own]
    ways += ["hours"] if {"heating_hours", "cooling_hours"} & set(own) else []
    if len(ways) > 1:
        keys.log.add_warning(
            "demand-twice",
            keys.where("demand"),
            f"the load profile is given {len(ways)} times; {ways[0]} counts before {' and '.join(ways[1:])}",
            "keep one of them",
        )


def _hourly(keys: Keys) -> str:
    name = keys.text("demand", "hourly")
    where = keys.where("demand", "hourly")
    try:
        there = not name or (keys.file.parent / name).is_file()
    except (OSError, ValueError):
        there = False
    if not there:
        raise InputError(where, f"{name[:80]!r} is not there", "check the path; it is relative to the site file")
    return name


def _monthly(keys: Keys) -> tuple[tuple[float, ...], tuple[float, ...]]:
    value = keys.table("demand").get("monthly", {})
    if not isinstance(value, dict) or ("monthly" in keys.table("demand") and not value):
        what = f"{repr(value)[:60]} holds neither heating nor cooling"
        keys.fail("demand", "monthly", what, 'write monthly = { heating = ["900 kWh", ...] }')
        return (), ()
    keys.known("[demand] monthly", value, MONTHLY_KEYS)
    return _twelve(keys, value, "heating"), _twelve(keys, value, "cooling")


def _twelve(keys: Keys, monthly: dict[str, Any], name: str) -> tuple[float, ...]:
    nothing: tuple[float, ...] = ()
    if name not in monthly:
        return nothing
    return keys.attempt(nothing, lambda: _months(keys, monthly[name], f"monthly {name}"))


def _months(keys: Keys, value: Any, key: str) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != 12:
        found = f"{len(value)} values" if isinstance(value, list) else repr(value)[:60]
        example = 'write twelve, ["900 kWh", ...], from January on'
        raise InputError(keys.where("demand", key), f"{found} where twelve energies are needed", example)
    return tuple(keys.measure(v, "demand", key, "energy", 0.0, 1e9) for v in value)


def _hours(keys: Keys, name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Hourly loads of a file, W; empty when none is named."""
    nothing: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())
    return keys.attempt(nothing, lambda: hourly_loads(keys.file.parent / name, name)) if name else nothing


def hourly_loads(path: Path, name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Building loads of a CSV file with a header, 8760 rows from the first of January on, W.

    Columns heating_* and cooling_* (one may be missing), * being w, kw, btu_h or kbtu_h; others are passed over.
    Raises InputError naming file, line and remedy.
    """
    try:
        data = limits.whole(path, name, "table_mb", f"it needs {YEAR_HOURS} rows")
        reader = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""))
        lines = [row for row in reader if any(cell.strip() for cell in row)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(name, f"cannot be read ({error})", "save it as UTF-8 CSV") from None
    header = [cell.strip().lower() for cell in lines[0]] if lines else []
    if len(lines) != YEAR_HOURS + 1:
        remedy = f"give a header and {YEAR_HOURS} rows, one per hour, without the 29th of February"
        raise InputError(name, f"holds {max(len(lines) - 1, 0)} hours", remedy)
    found = {what: _column(lines, header, what, name) for what in ("heating", "cooling")}
    if not any(any(v) for v in found.values()):
        remedy = f"columns like heating_kw and cooling_kw ({', '.join(HOURLY_UNITS)})"
        raise InputError(name, f"has no column with a load above zero ({', '.join(header)[:80]})", remedy)
    return found["heating"], found["cooling"]


def _column(lines: list[list[str]], header: list[str], what: str, name: str) -> tuple[float, ...]:
    place = next(((i, u) for u in HOURLY_UNITS for i, h in enumerate(header) if h == f"{what}_{u}"), None)
    if place is None:
        return (0.0,) * YEAR_HOURS
    i, unit = place
    values = []
    for number, row in enumerate(lines[1:], 2):
        try:
            value = float(row[i]) * HOURLY_UNITS[unit]
        except (ValueError, IndexError):
            raise InputError(name, f"line {number} holds no number under {header[i]}", "mend that line") from None
        if not 0 <= value < 1e9:
            raise InputError(
                name, f"line {number}: {row[i]} is no load", "heating and cooling are both positive"
            ) from None
        values.append(value)
    return tuple(values)


def _cop(keys: Keys, key: str) -> tuple[tuple[float, float], ...]:
    """Rows of entering water and COP, coldest first; empty when left out."""
    value, where = keys.get("demand", key), keys.where("demand", key)
    if value is None:
        return ()
    example = f'write {key} = [["0 degC", 3.2], ["10 degC", 3.9]]'
    if not isinstance(value, list) or not value or not all(isinstance(r, list) and len(r) == 2 for r in value):
        raise InputError(where, f"{repr(value)[:60]} is not a list of temperature and COP", example)
    rows = []
    for text, cop in value:
        temperature = parse(text, "temperature", where=where)
        if isinstance(cop, bool) or not isinstance(cop, (int, float)) or not 1 < cop < 15:
            raise InputError(where, f"{repr(cop)[:40]} is no COP between 1 and 15", "an EER is 3.412 times a COP")
        rows.append((temperature, float(cop)))
    if any(b[0] <= a[0] for a, b in pairwise(rows)):
        raise InputError(where, "does not rise in temperature from row to row", example)
    better = -1 if key == "cooling_cop" else 1
    if any(better * (b[1] - a[1]) < 0 for a, b in pairwise(rows)):
        word = "falls" if better > 0 else "rises"
        keys.log.add_warning(
            "cop-order", where, f"{word} as the water gets warmer, which no usual unit does", "check the table"
        )
    return tuple(rows)


def ground(keys: Keys) -> GroundSpec:
    """[ground]: a soil row, both figures written, or what the soil is made of; a test overrides; and the yearly wave."""
    own, soils = keys.table("ground"), load_table("soils")["soils"]
    k = keys.optional("ground", "conductivity", "conductivity", least=0.1, most=8.0)
    alpha = keys.optional("ground", "diffusivity", "diffusivity", least=5e-8, most=5e-6)
    made = _made_of(keys)
    if (k is None) != (alpha is None) and "soil" not in own and made is None:
        missing = "diffusivity" if alpha is None else "conductivity"
        keys.fail("ground", missing, "is missing", "give conductivity and diffusivity together, or a soil")
    whole = k is not None and alpha is not None
    soil = keys.text("ground", "soil", choices=soils) if "soil" in own or not (whole or made) else ""
    origin = "given"
    if made is not None and not whole:
        k, alpha, origin = (
            made[0] if k is None else k,
            made[1] if alpha is None else alpha,
            "from texture and moisture (Johansen)",
        )
    elif soil:
        row, place = soils[soil], f"tables/soils.toml {soil}"
        own_k = k is not None
        k = parse(row["conductivity"], "conductivity", where=place) if k is None else k
        alpha = parse(row["diffusivity"], "diffusivity", where=place) if alpha is None else alpha
        origin = "given" if own_k else f"{soil}, from the table of soils"
    test = keys.optional("ground", "tested", "conductivity", least=0.1, most=8.0)
    if test is not None and k and alpha:
        k, alpha, origin = test, alpha * test / k, "measured on site"
    _told_of_temperature(keys)
    return GroundSpec(
        soil=soil,
        k_w_mk=k,
        diffusivity_m2_s=alpha,
        mean_c=keys.quantity("ground", "mean", "temperature", least=-10, most=40),
        amplitude_k=keys.quantity("ground", "amplitude", "temperature_difference", least=0, most=40),
        coldest_day=keys.number("ground", "coldest_day", least=1, most=366),
        origin=origin,
        tested=test is not None,
        offset_k=keys.optional("ground", "offset", "temperature_difference", least=-10, most=10) or 0.0,
    )


def _made_of(keys: Keys) -> tuple[float, float] | None:
    """Conductivity and diffusivity from texture, dry density, quartz and saturation; None when no texture is given."""
    parts = ("texture", "dry_density", "quartz", "saturation")
    own = keys.table("ground")
    if not any(p in own for p in parts):
        return None
    missing = [p for p in parts if p not in own]
    if missing:
        remedy = 'give texture = "coarse", dry_density = "1600 kg/m^3", quartz = 0.6 and saturation = 0.5 together'
        keys.fail("ground", missing[0], "is missing", remedy)
        return None
    if "soil" in own:
        keys.fail("ground", "soil", "is given beside a texture", "keep one of the two")
    texture = keys.text("ground", "texture", choices=TEXTURES)
    density = keys.quantity("ground", "dry_density", "density", least=800, most=2300)
    quartz = keys.number("ground", "quartz", least=0, most=1)
    saturation = keys.number("ground", "saturation", least=0, most=1)
    if not all(map(math.isfinite, (density, quartz, saturation))) or not texture:
        return None
    k = johansen_w_mk(dry_density_kg_m3=density, quartz=quartz, saturation=saturation, coarse=texture == "coarse")
    return k, k / heat_capacity_j_m3k(dry_density_kg_m3=density, saturation=saturation)


def _told_of_temperature(keys: Keys) -> None:
    if "demand" in keys.data and "mean" not in keys.table("ground"):
        keys.log.add_warning(
            "ground-temperature",
            keys.where("ground", "mean"),
            f"is not given; {keys.get('ground', 'mean')} is taken, which is no figure of this place",
            "ask for the mean ground or yearly air temperature of the place",
        )
