"""The table [cost] of a site file: prices in one currency, and how fast the crew works.

A figure that is left out is that of tables/costs.toml, in US dollars; in a file of another currency it is taken over one to one and
told, since no rates of exchange are kept here. Ranges only refuse what cannot be meant.
"""

from __future__ import annotations

import math
import re
from functools import partial
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.core.units import FT_M, GALLON_M3, parse_money
from loopgis.site.model import CostSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from loopgis.site.keys import Keys

HOME = "USD"
"""Currency of tables/costs.toml."""
WEAK = 1e5
"""Units of the weakest currencies to a US dollar, about (from memory): the ranges of dollars are widened by it for any other."""

MONEY: dict[str, tuple[str, float]] = {
    # key: (dimension, most in US dollars per unit inside)
    "mobilisation": ("money", 1e6),
    "day": ("money_per_day", 1e5),
    "fluid": ("money_per_volume", 100 / GALLON_M3),
    "spoil": ("money_per_volume", 100 / GALLON_M3),
    "tooling": ("money_per_length", 1000 / FT_M),
    "pipe": ("money_per_length", 1000 / FT_M),
    "grout": ("money_per_volume", 100 / GALLON_M3),
    "bore": ("money", 1e5),
    "head": ("money", 1e6),
    "electronics": ("money", 1e6),
    "bit": ("money", 1e5),
    "rod": ("money", 1e5),
}
NUMBERS: dict[str, tuple[float, float]] = {
    "hours_day": (1, 24),
    "rods_per_hour": (0.1, 200),
    "setup_hours": (0, 100),
    "swap_hours": (0, 100),
    "site_hours": (0, 1000),
    "pull_rod_minutes": (0.1, 600),
    "loss": (0, 1),
}
"""Plain numbers: least and most."""
KEYS: dict[str, set[str]] = {"cost": {"currency", "pump", *MONEY, *NUMBERS}}
_INSIDE = {"money": "", "money_per_length": "/m", "money_per_volume": "/m3", "money_per_day": "/day"}


def cost(keys: Keys) -> CostSpec:
    """[cost] in SI, every figure that the file leaves out from tables/costs.toml.

    Read [rig] before it: where [cost] names no pump, that of the rig is taken.
    """
    rows = load_table("costs")["costs"]
    own = set(keys.table("cost"))
    keys.defaults.update({f"cost.{key}": row["value"] for key, row in rows.items()})
    code = keys.attempt("", lambda: _currency(keys))
    money = {key: keys.attempt(math.nan, partial(_money, keys, key, code)) for key in MONEY}
    number = {key: keys.number("cost", key, least=lo, most=hi) for key, (lo, hi) in NUMBERS.items()}
    if code and code != HOME and not set(MONEY) <= own:
        _told_of_dollars(keys, code, [key for key in MONEY if key not in own])
    return CostSpec(
        currency=code,
        mobilisation=money["mobilisation"],
        crew_per_day=money["day"],
        fluid_per_m3=money["fluid"],
        spoil_per_m3=money["spoil"],
        tooling_per_m=money["tooling"],
        pipe_per_m=money["pipe"],
        grout_per_m3=money["grout"],
        per_bore=money["bore"],
        head=money["head"],
        electronics=money["electronics"],
        bit=money["bit"],
        rod=money["rod"],
        hours_day=number["hours_day"],
        rods_per_hour=number["rods_per_hour"],
        setup_h=number["setup_hours"],
        swap_h=number["swap_hours"],
        site_h=number["site_hours"],
        pull_rod_min=number["pull_rod_minutes"],
        loss_share=number["loss"],
        pump_m3_s=_pump(keys),
        assumed=frozenset(
            key for key in KEYS["cost"] - {"currency"} - own if key != "pump" or "pump" not in keys.table("rig")
        ),
    )


def _currency(keys: Keys) -> str:
    """Three capitals; the sign $ is read as US dollars. Raises InputError for anything else."""
    value, where = keys.get("cost", "currency"), keys.where("cost", "currency")
    if value == "$":
        return HOME
    if not isinstance(value, str) or not re.fullmatch(r"[A-Z]{3}", value):
        what = f"{repr(value)[:60] if isinstance(value, str) else 'what stands here'} is no code of a currency"
        raise InputError(where, what, f'write its three letters in capitals, currency = "{HOME}"')
    return value


def _money(keys: Keys, key: str, code: str) -> float:
    """One price; NaN when the currency itself could not be read. Raises InputError when the price cannot."""
    value, where = keys.table("cost").get(key), keys.where("cost", key)
    dimension, most = MONEY[key]
    if value is None:
        return parse_money(keys.get("cost", key), dimension, HOME, where=f"tables/costs.toml {key}")
    if not code:
        return math.nan
    result = parse_money(value, dimension, code, where=where)
    most = most if code == HOME else most * WEAK
    if not 0 <= result <= most:
        what = f"{value!r} is outside 0 to {most:.3g} {code}{_INSIDE[dimension]}"
        raise InputError(where, what, "check number and unit")
    return result


def _pump(keys: Keys) -> float:
    """Flow of mud: [cost] pump, else [rig] pump, else the default."""
    table = "rig" if "pump" not in keys.table("cost") and keys.get("rig", "pump") is not None else "cost"
    return keys.quantity(table, "pump", "flow", least=1e-5, most=0.1)


def _told_of_dollars(keys: Keys, code: str, left: list[str]) -> None:
    keys.log.add_warning(
        "cost-currency",
        keys.where("cost", "currency"),
        f"is {code}, but {', '.join(left)} are left to their defaults: figures in US dollars, taken over one to one",
        f"give each of them in {code}",
    )
