"""The tables of a site file that hold figures: rig, bore, pipe, layout, score (demand and ground: heat_parts.py).

Ranges here only refuse what cannot be meant (a bend radius of 0, a year of 9000 hours); whether a figure is wise is for the design.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.site import cost_parts, heat_parts, mud_parts
from loopgis.site.model import BoreSpec, PipeSpec, RigSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from loopgis.site.keys import Keys

KEYS: dict[str, set[str]] = {
    **heat_parts.KEYS,
    "ground": heat_parts.KEYS["ground"] | mud_parts.GROUND_KEYS,
    **mud_parts.KEYS,
    **cost_parts.KEYS,
    "rig": {
        "class",
        "rod_length",
        "bend_radius",
        "entry_pitch",
        "exit_pitch",
        "max_length",
        "max_depth",
        "pullback",
        "rod_diameter",
        "pilot_hole",
        "pump",
    },
    "bore": {"depth", "spacing", "bores", "length", "hole", "fill", "pipe_spacing"},
    "pipe": {"size", "dr", "fluid", "in_series", "header", "heat_pump", "pump_efficiency"},
    "layout": {"patterns", "keep", "per_bore", "per_crossing"},
    "score": {"level", "economy", "spacing", "crossings", "margin", "header"},
}
PATTERNS = ("fan", "parallel")
HEADERS = ("auto", "pit", "step down", "reverse return")
"""How circuits are joined: all in one pit at the pad; along a trunk that steps down; the same with the return the other way round;
auto: a pit where the bores begin near each other, else whichever can be purged with the least pump."""
MOST_TIERS = 8
BELOW_LOCATOR_M = 0.15
_PIPE_NAMES = {
    "3/4 in": "0.75 in",
    "1-1/4 in": "1.25 in",
    "1 1/4 in": "1.25 in",
    "1-1/2 in": "1.5 in",
    "1 1/2 in": "1.5 in",
}


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
        rod_diameter_m=keys.quantity("rig", "rod_diameter", "length", least=0.01, most=0.3),
        pilot_hole_m=keys.quantity("rig", "pilot_hole", "length", least=0.02, most=0.6),
        pump_m3_s=keys.quantity("rig", "pump", "flow", least=1e-5, most=0.1),
    )
    if spec.rod_diameter_m >= spec.pilot_hole_m:
        keys.fail("rig", "pilot_hole", "is not wider than the rods", "check [rig] rod_diameter and pilot_hole")
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
        fill=keys.text("bore", "fill", choices=load_table("fills")["fills"]),
        pipe_spacing_m=keys.optional("bore", "pipe_spacing", "length", least=0.01, most=0.9),
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
    series = keys.number("pipe", "in_series", least=1, most=20, whole=True)
    return PipeSpec(
        size=size,
        dr=keys.number("pipe", "dr", least=6, most=41),
        fluid=keys.text("pipe", "fluid"),
        in_series=1 if series != series else int(series),  # noqa: PLR0124 - NaN is not equal to itself
        header=keys.text("pipe", "header", choices=HEADERS),
        heat_pump_pa=keys.quantity("pipe", "heat_pump", "pressure", least=0, most=1e6),
        pump_efficiency=keys.number("pipe", "pump_efficiency", least=0.05, most=0.9),
    )


def patterns(keys: Keys) -> tuple[str, ...]:
    """[layout] patterns: fan, parallel or both."""
    names = keys.texts("layout", "patterns", 'patterns = ["fan", "parallel"]')
    for name in names:
        if name not in PATTERNS:
            keys.fail("layout", "patterns", f"{name!r} is not known", f"one of {', '.join(PATTERNS)}, or both")
    return tuple(dict.fromkeys(names))


def worths(keys: Keys) -> tuple[float, float]:
    """[layout] per_bore and per_crossing: metres of drilling that a bore, and a crossing, count for besides the drilled length."""
    least, most = 0.0, 500.0
    return (
        keys.quantity("layout", "per_bore", "length", least=least, most=most),
        keys.quantity("layout", "per_crossing", "length", least=least, most=most),
    )


def score(keys: Keys) -> dict[str, float]:
    """[score]: only the weights that the file names."""
    names = [k for k in keys.table("score") if k in KEYS["score"]]
    weights = {k: keys.number("score", k, least=0, most=1e6) for k in names}
    if len(weights) == len(KEYS["score"]) and not any(weights.values()):
        keys.fail("score", "", "all weights are zero", "give at least one term a weight")
    return weights
