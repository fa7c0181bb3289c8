"""The parts of a site file that drilling mud needs: [mud], and the strength of the ground in [ground].

A strength is a row of tables/strengths.toml, with any figure of it overridden; without one the row that goes with the soil's name
is assumed, and told to be. Ranges here only refuse what cannot be meant.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopgis.bore.mud import mud_flow
from loopgis.core.errors import RangeError
from loopgis.site.model import MudSpec, StrengthSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from loopgis.site.keys import Keys
    from loopgis.site.model import GroundSpec

KEYS: dict[str, set[str]] = {"mud": {"dial_600", "dial_300", "weight", "ratio"}}
GROUND_KEYS = {"strength", "cohesion", "friction", "shear_modulus", "unit_weight", "water_table"}
"""Keys of [ground] that are read here."""
BY_TEXTURE = {"coarse": "loose sand", "fine": "soft clay"}


def mud(keys: Keys) -> MudSpec:
    """[mud]: how the drilling mud flows, what it weighs, and how much of it is pumped."""
    spec = MudSpec(
        dial_600=keys.number("mud", "dial_600", least=1, most=300),
        dial_300=keys.number("mud", "dial_300", least=1, most=300),
        density_kg_m3=keys.quantity("mud", "weight", "density", least=1000, most=2000),
        ratio=keys.number("mud", "ratio", least=1, most=20) if "ratio" in keys.table("mud") else None,
    )
    if spec.dial_600 == spec.dial_600 and spec.dial_300 == spec.dial_300:
        try:
            mud_flow(dial_600=spec.dial_600, dial_300=spec.dial_300)
        except RangeError as error:
            keys.fail("mud", "dial_300", error.what, error.remedy)
    return spec


def strength(keys: Keys, soil: GroundSpec) -> StrengthSpec | None:
    """What the ground bears, None when neither a strength nor a soil by name is given.

    soil: what was read of [ground] for the heat.
    """
    own, table = keys.table("ground"), load_table("strengths")["strengths"]
    figures = {"cohesion", "friction", "shear_modulus"} & set(own)
    water = keys.quantity("ground", "water_table", "length", least=0, most=200)
    name, assumed = keys.text("ground", "strength", choices=table) if "strength" in own else "", False
    if not name and not figures:
        name, assumed = _by_soil(keys, soil), True
    if not name and len(figures) < 3:
        if figures:
            missing = ({"cohesion", "friction", "shear_modulus"} - figures).pop()
            remedy = 'give cohesion, friction and shear_modulus together, or strength = "stiff clay"'
            keys.fail("ground", missing, "is missing", remedy)
        return None
    row = table[name or "soft clay"]
    keys.defaults.update({f"ground.{k}": row[k] for k in ("cohesion", "friction", "shear_modulus")})
    weights = [keys.measure(row[k], "ground", k, "unit_weight", 9.9e3, 3e4) for k in ("moist", "saturated")]
    given = keys.optional("ground", "unit_weight", "unit_weight", least=9.9e3, most=3e4)
    cohesion = keys.quantity("ground", "cohesion", "pressure", least=0, most=5e6)
    friction = keys.quantity("ground", "friction", "angle", least=0, most=0.87)
    if cohesion == 0 and friction == 0:
        keys.fail("ground", "cohesion", "is 0 beside a friction of 0: such ground bears nothing", "give one of them")
    return StrengthSpec(
        name=name,
        assumed=assumed and not figures,
        ground=row["ground"] if name else "sand" if friction > 0 else "clay",
        cohesion_pa=cohesion,
        friction_rad=friction,
        shear_modulus_pa=keys.quantity("ground", "shear_modulus", "pressure", least=1e4, most=1e9),
        moist_n_m3=weights[0] if given is None else given,
        saturated_n_m3=weights[1] if given is None else given,
        water_table_m=water,
    )


def _by_soil(keys: Keys, soil: GroundSpec) -> str:
    """The row that goes with a soil's name, or with its texture; "" when nothing is known."""
    if soil.soil:
        return str(load_table("soils")["soils"][soil.soil]["strength"])
    return BY_TEXTURE.get(str(keys.table("ground").get("texture", "")), "")
