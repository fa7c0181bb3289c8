"""The tables of a site file that hold figures: demand, ground, rig, bore, pipe, layout, score.

Ranges here only refuse what cannot be meant (a bend radius of 0, a year of 9000 hours); whether a figure is wise is for the design.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site.model import BoreSpec, DemandSpec, GroundSpec, PipeSpec, RigSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
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
    },
    "ground": {"soil", "conductivity", "diffusivity", "mean", "amplitude", "coldest_day"},
    "rig": {"class", "rod_length", "bend_radius", "entry_pitch", "exit_pitch", "max_length", "max_depth", "pullback"},
    "bore": {"depth", "spacing", "bores", "length", "hole"},
    "pipe": {"size", "dr", "fluid"},
    "layout": {"patterns", "keep"},
    "score": {"level", "economy", "spacing", "crossings", "margin", "header"},
}
MONTHLY_KEYS = {"heating", "cooling"}
PATTERNS = ("fan", "parallel")
MOST_TIERS = 8
BELOW_LOCATOR_M = 0.15
_PIPE_NAMES = {
    "3/4 in": "0.75 in",
    "1-1/4 in": "1.25 in",
    "1 1/4 in": "1.25 in",
    "1-1/2 in": "1.5 in",
    "1 1/2 in": "1.5 in",
}


def demand(keys: Keys) -> DemandSpec | None:
    """[demand] in SI, None when the file has no such table."""
    if "demand" not in keys.data:
        return None
    heating_kwh, cooling_kwh = _monthly(keys)
    hourly = keys.attempt("", lambda: _hourly(keys))
    peaks = [
        keys.optional("demand", name, "power", least=0.0, most=1e8) or 0.0 for name in ("heating_peak", "cooling_peak")
    ]
    if not any(peaks):
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


def ground(keys: Keys) -> GroundSpec:
    """[ground]: a soil row, or both figures written; and the temperature wave of the undisturbed ground."""
    own, soils = keys.table("ground"), load_table("soils")["soils"]
    k = keys.optional("ground", "conductivity", "conductivity", least=0.1, most=8.0)
    alpha = keys.optional("ground", "diffusivity", "diffusivity", least=5e-8, most=5e-6)
    if (k is None) != (alpha is None) and "soil" not in own:
        missing = "diffusivity" if alpha is None else "conductivity"
        keys.fail("ground", missing, "is missing", "give conductivity and diffusivity together, or a soil")
    soil = keys.text("ground", "soil", choices=soils) if k is None or "soil" in own else ""
    if soil:
        row, place = soils[soil], f"tables/soils.toml {soil}"
        k = parse(row["conductivity"], "conductivity", where=place) if k is None else k
        alpha = parse(row["diffusivity"], "diffusivity", where=place) if alpha is None else alpha
    if "demand" in keys.data and "mean" not in own:
        keys.log.add_warning(
            "ground-temperature",
            keys.where("ground", "mean"),
            f"is not given; {keys.get('ground', 'mean')} is taken, which is no figure of this place",
            "ask for the mean ground or yearly air temperature of the place",
        )
    return GroundSpec(
        soil=soil,
        k_w_mk=k,
        diffusivity_m2_s=alpha,
        mean_c=keys.quantity("ground", "mean", "temperature", least=-10, most=40),
        amplitude_k=keys.quantity("ground", "amplitude", "temperature_difference", least=0, most=40),
        coldest_day=keys.number("ground", "coldest_day", least=1, most=366),
    )


def rig(keys: Keys) -> RigSpec:
    """[rig]: a class of tables/rigs.toml, any figure of it overridden by the file."""
    rigs = load_table("rigs")["rigs"]
    name = keys.text("rig", "class", choices=rigs)
    row = rigs[name or keys.defaults["rig.class"]]
    keys.defaults.update({f"rig.{key}": value for key, value in row.items() if key != "source"})
    spec = RigSpec(
        name=name,
        rod_length_m=keys.quantity("rig", "rod_length", "length", least=0.5, most=12),
        bend_radius_m=keys.quantity("rig", "bend_radius", "length", least=3, most=1000),
        entry_pitch_pct=keys.pair("rig", "entry_pitch", "pitch", least=1, most=100),
        exit_pitch_pct=keys.pair("rig", "exit_pitch", "pitch", least=1, most=100),
        max_length_m=keys.quantity("rig", "max_length", "length", least=10, most=2000),
        max_depth_m=keys.quantity("rig", "max_depth", "length", least=0.5, most=60),
        pullback_n=keys.quantity("rig", "pullback", "force", least=100, most=1e7),
    )
    if spec.rod_length_m > spec.bend_radius_m / 2:
        keys.fail("rig", "rod_length", "is more than half the bend radius", "check both lengths")
    return spec


def bore(keys: Keys, machine: RigSpec) -> BoreSpec:
    """[bore]: tiers, spacing, and a fixed count or length when wanted."""
    nothing: tuple[float, ...] = ()
    tiers = keys.attempt(nothing, lambda: _tiers(keys))
    if tiers and max(tiers) > machine.max_depth_m - BELOW_LOCATOR_M:
        what = f"{max(tiers):.2f} m is beyond the locator range of {machine.max_depth_m:.2f} m"
        keys.fail("bore", "depth", what, "take a shallower tier or set [rig] max_depth")
    fixed = "bores" in keys.table("bore")
    bores = keys.number("bore", "bores", least=1, most=200, whole=True) if fixed else None
    return BoreSpec(
        depth_m=tuple(dict.fromkeys(tiers)),
        depth_given="depth" in keys.table("bore"),
        spacing_m=keys.quantity("bore", "spacing", "length", least=0.5, most=50),
        bores=None if bores is None or bores != bores else int(bores),  # noqa: PLR0124 - NaN is not equal to itself
        length_m=keys.optional("bore", "length", "length", least=1, most=1e5),
        hole_diameter_m=keys.quantity("bore", "hole", "length", least=0.03, most=1.0),
    )


def _tiers(keys: Keys) -> tuple[float, ...]:
    depths = keys.get("bore", "depth")
    if not isinstance(depths, list) or not 1 <= len(depths) <= MOST_TIERS:
        what = f"{repr(depths)[:80]} is not a list of one to {MOST_TIERS} depths"
        raise InputError(keys.where("bore", "depth"), what, 'write depth = ["15 ft"]')
    return tuple(keys.measure(d, "bore", "depth", "length", 0.5, 30.0) for d in depths)


def pipe(keys: Keys) -> PipeSpec:
    """[pipe]: a size of tables/pipes.toml, dimension ratio, fluid."""
    pipes = load_table("pipes")["pipes"]
    written = keys.text("pipe", "size")
    size = _PIPE_NAMES.get(written, written)
    if written and size not in pipes:
        keys.fail("pipe", "size", f"{written!r} is not known", f"one of {', '.join(pipes)}")
    return PipeSpec(size=size, dr=keys.number("pipe", "dr", least=6, most=41), fluid=keys.text("pipe", "fluid"))


def patterns(keys: Keys) -> tuple[str, ...]:
    """[layout] patterns: fan, parallel or both."""
    names = keys.texts("layout", "patterns", 'patterns = ["fan", "parallel"]')
    for name in names:
        if name not in PATTERNS:
            keys.fail("layout", "patterns", f"{name!r} is not known", f"one of {', '.join(PATTERNS)}, or both")
    return tuple(dict.fromkeys(names))


def score(keys: Keys) -> dict[str, float]:
    """[score]: only the weights that the file names."""
    names = [k for k in keys.table("score") if k in KEYS["score"]]
    weights = {k: keys.number("score", k, least=0, most=1e6) for k in names}
    if len(weights) == len(KEYS["score"]) and not any(weights.values()):
        keys.fail("score", "", "all weights are zero", "give at least one term a weight")
    return weights
