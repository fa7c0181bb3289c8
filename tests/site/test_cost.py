"""[cost]: what every key becomes, one line for every slip, and money in one currency."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopgis.bore.production import PRICES
from loopgis.core.errors import InputError
from loopgis.core.units import DOLLARS, money_text, parse, parse_money, volume_text
from loopgis.site.cost_parts import KEYS, MONEY, NUMBERS, cost
from loopgis.site.keys import Keys
from loopgis.site.log import Log
from loopgis.site.model import CostSpec
from loopgis.tables.load import load_table

FT, GAL, YD = 0.3048, 0.003785411784, 0.9144
WHERE = "site.toml [cost] x"


def read(text: str = "", *, rig_pump: str = "") -> tuple[CostSpec, Log]:
    """[cost] of a site file; rig_pump: what [rig] before it would have left as its default."""
    log = Log()
    defaults = {"rig.pump": rig_pump} if rig_pump else {}
    return cost(Keys(Path("site.toml"), tomllib.loads(text), log, defaults)), log


def lines(log: Log, severity: str = "error") -> list[str]:
    return [f.line() for f in log.findings if f.severity == severity]


# defaults --------------------------------------------------------------


def test_every_key_has_a_default_with_its_source():
    rows = load_table("costs")["costs"]
    assert set(rows) == KEYS["cost"]
    marks = ("S:", "M:", "common practice, no source", "house choice")
    assert [k for k, r in rows.items() if set(r) != {"value", "source"} or not r["source"].startswith(marks)] == []


def test_an_empty_file_takes_the_defaults_and_says_so():
    spec, log = read()
    assert log.findings == []
    assert spec.currency == "USD"
    assert spec.assumed == KEYS["cost"] - {"currency"}
    assert (spec.mobilisation, spec.crew_per_day, spec.per_bore) == (2500, 2500, 400)
    assert (spec.head, spec.electronics, spec.bit) == (1500, 4000, 200)
    assert spec.fluid_per_m3 == pytest.approx(0.30 / GAL)
    assert spec.spoil_per_m3 == pytest.approx(60 / YD**3)
    assert spec.tooling_per_m == pytest.approx(2 / FT)
    assert spec.pump_m3_s == pytest.approx(15 * GAL / 60)
    assert (spec.rods_per_hour, spec.setup_h, spec.swap_h, spec.pull_rod_min, spec.loss_share) == (15, 1, 0.5, 3, 0.01)


# what keys become --------------------------------------------------------------

FULL = {
    "mobilisation": ("3000 EUR", "mobilisation", 3000.0),
    "day": ("1800 EUR/day", "crew_per_day", 1800.0),
    "fluid": ("90 EUR/m^3", "fluid_per_m3", 90.0),
    "spoil": ("0.05 EUR/l", "spoil_per_m3", 50.0),
    "tooling": ("7 EUR/m", "tooling_per_m", 7.0),
    "pipe": ("0.3048 EUR/ft", "pipe_per_m", 1.0),
    "grout": ("300 EUR/m^3", "grout_per_m3", 300.0),
    "bore": ("350 EUR", "per_bore", 350.0),
    "head": ("1400 EUR", "head", 1400.0),
    "electronics": ("3900 EUR", "electronics", 3900.0),
    "bit": ("180 EUR", "bit", 180.0),
    "rod": ("270 EUR", "rod", 270.0),
    "hours_day": (7.5, "hours_day", 7.5),
    "rods_per_hour": (12, "rods_per_hour", 12.0),
    "setup_hours": (0.75, "setup_h", 0.75),
    "swap_hours": (0.6, "swap_h", 0.6),
    "site_hours": (5, "site_h", 5.0),
    "pull_rod_minutes": (2.5, "pull_rod_min", 2.5),
    "loss": (0.02, "loss_share", 0.02),
    "pump": ("60 l/min", "pump_m3_s", 0.001),
}


def written(**values: object) -> str:
    return "[cost]\n" + "".join(f"{k} = {v!r}\n" for k, v in values.items())


def test_a_full_table_in_euros():
    spec, log = read(written(currency="EUR", **{k: v for k, (v, _, _) in FULL.items()}))
    assert log.findings == []
    assert set(FULL) == KEYS["cost"] - {"currency"}
    assert (spec.currency, spec.assumed) == ("EUR", frozenset())
    for _, field, value in FULL.values():
        assert getattr(spec, field) == pytest.approx(value), field


def test_every_price_of_the_spec_is_read():
    assert {field for key, (_, field, _) in FULL.items() if key in MONEY} == set(PRICES)


@pytest.mark.parametrize("key", FULL)
def test_a_key_changes_its_own_figure_and_nothing_else(key: str):
    value, field, became = FULL[key]
    spec, log = read(written(**{key: value.replace("EUR", "USD") if isinstance(value, str) else value}))
    plain, _ = read()
    assert log.findings == []
    assert plain.assumed - spec.assumed == {key}
    assert getattr(spec, field) == pytest.approx(became)
    others = [f for f in CostSpec.__dataclass_fields__ if f not in {field, "assumed"}]
    assert [f for f in others if getattr(spec, f) != getattr(plain, f)] == []


def test_dollars_may_be_written_with_their_sign():
    spec, log = read(written(mobilisation="$3000", tooling="$5/ft", fluid="0.40 $/gal", currency="$"))
    assert log.findings == []
    assert spec.currency == "USD"
    assert (spec.mobilisation, spec.tooling_per_m * FT, spec.fluid_per_m3 * GAL) == pytest.approx((3000, 5, 0.4))


# the pump --------------------------------------------------------------


def test_the_pump_is_that_of_the_rig_unless_cost_names_one():
    rig = '[rig]\npump = "30 gpm"\n'
    spec, log = read(rig)
    assert spec.pump_m3_s == pytest.approx(30 * GAL / 60)
    assert "pump" not in spec.assumed
    both, _ = read(rig + written(pump="20 gpm"))
    assert both.pump_m3_s == pytest.approx(20 * GAL / 60)
    by_class, _ = read(rig_pump="7 gpm")
    assert by_class.pump_m3_s == pytest.approx(7 * GAL / 60)
    assert "pump" in by_class.assumed
    assert log.findings == []


# another currency --------------------------------------------------------------


def test_defaults_of_another_currency_are_told_once():
    given_ = {k: FULL[k][0] for k in ("mobilisation", "day", "pump", "hours_day")}
    spec, log = read(written(currency="EUR", **given_))
    [told] = lines(log, "warning")
    assert not log.failed
    assert "[cost] currency" in told
    assert "one to one" in told
    left = told.split("but ")[1].split(" are left")[0].split(", ")
    assert left == [k for k in MONEY if k not in given_]
    assert spec.currency == "EUR"
    assert spec.head == 1500


def test_dollars_are_not_told():
    assert read(written(mobilisation="2600 USD"))[1].findings == []
    assert read(written(currency="USD"))[1].findings == []


@pytest.mark.parametrize("code", ["eur", "EURO", "E1R", "", "€", 5, True, ["EUR"]])
def test_a_bad_currency_is_one_error_whatever_stands_beside_it(code: object):
    text = "[cost]\n" + f"currency = {code!r}\n".replace("True", "true") + 'mobilisation = "2000 EUR"\nrod = "9 EUR"\n'
    _, log = read(text)
    [told] = lines(log)
    assert told.startswith("error: site.toml [cost] currency: ")
    assert 'currency = "USD"' in told


# one line for every slip --------------------------------------------------------------

WRONG_UNIT = {
    "money": "4 USD/ft",
    "money_per_length": "4 USD/gal",
    "money_per_volume": "4 USD/ft",
    "money_per_day": "100 USD/h",
}
OTHER = {
    "money": "40 EUR",
    "money_per_length": "4 EUR/ft",
    "money_per_volume": "4 EUR/gal",
    "money_per_day": "100 EUR/day",
}
NEGATIVE = {k: "-" + v.replace("EUR", "USD") for k, v in OTHER.items()}
NO_CURRENCY = {"money": "40 m", "money_per_length": "4 m", "money_per_volume": "4 gal", "money_per_day": "100 h"}
HUGE = {k: "1e9 " + v.split()[1].replace("EUR", "USD") for k, v in OTHER.items()}


def slips() -> list[tuple[str, object, str]]:
    rows: list[tuple[str, object, str]] = []
    for key, (dimension, _) in MONEY.items():
        noun = dimension.replace("_", " ").replace("money", "sum of money")
        rows += [
            (key, WRONG_UNIT[dimension], f"is not a {noun}"),
            (key, OTHER[dimension], "is in EUR, and the currency of this file is USD"),
            (key, NEGATIVE[dimension], "is outside 0 to "),
            (key, HUGE[dimension], "is outside 0 to "),
            (key, NO_CURRENCY[dimension], "does not name the currency USD"),
            (key, "about forty", "is not a number with a unit"),
            (key, "40", "has no unit"),
            (key, 40, "has no unit"),
            (key, "", "is not a number with a unit"),
            (key, ["40 USD"], "has no unit"),
        ]
    for key in NUMBERS:
        rows += [
            (key, "3 h", "is not a plain number"),
            (key, -1, "is outside "),
            (key, 1e9, "is outside "),
            (key, [1], "is not a plain number"),
            (key, float("nan"), "is outside "),
        ]
    rows += [
        ("pump", "15 ft", "is not a flow"),
        ("pump", "15", "has no unit"),
        ("pump", 15, "has no unit"),
        ("pump", "-15 gpm", "is outside "),
        ("pump", "15 USD", "is not a flow"),
    ]
    return rows


@pytest.mark.parametrize(("key", "value", "says"), slips(), ids=lambda v: str(v)[:24])
def test_one_line_for_every_slip(key: str, value: object, says: str):
    _, log = read(written(**{key: value}))
    [told] = lines(log)
    assert len(log.findings) == 1
    assert told.startswith(f"error: site.toml [cost] {key}: ")
    assert says in told
    assert "; " in told
    assert "\n" not in told
    assert "money_" not in told


@pytest.mark.parametrize("key", sorted(KEYS["cost"]))
@pytest.mark.parametrize("value", ["0x" + "F" * 6000, "2024-01-01", "{ a = 1 }", "true", "inf", r'"\u0001 USD"'])
def test_any_other_value_is_one_line_too(key: str, value: str):
    _, log = read(f"[cost]\n{key} = {value}\n")
    [told] = lines(log)
    assert told.startswith(f"error: site.toml [cost] {key}: ")
    assert len(told) < 400


def test_all_slips_are_told_at_once():
    _, log = read(written(mobilisation="5 EUR", hours_day=0, rod="-4 USD", pipe="1 USD"))
    assert [f.where.split()[-1] for f in log.findings] == ["mobilisation", "pipe", "rod", "hours_day"]


def test_cost_that_is_no_table_is_one_error():
    spec, log = read("cost = 5\n")
    [told] = lines(log)
    assert "is not a table" in told
    assert spec.mobilisation == 2500


def test_a_weak_currency_has_room():
    spec, log = read(written(currency="IDR", mobilisation="40000000 IDR", rod="4000000 IDR"))
    assert not log.failed
    assert (spec.mobilisation, spec.rod) == (4e7, 4e6)


# money as text --------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("2500 USD", "money", 2500.0),
        ("2500USD", "money", 2500.0),
        ("$2500", "money", 2500.0),
        (" $ 2.5e3 ", "money", 2500.0),
        ("2500 $", "money", 2500.0),
        ("4 USD/ft", "money_per_length", 4 / FT),
        ("4 USD per foot", "money_per_length", 4 / FT),
        ("$4 / ft", "money_per_length", 4 / FT),
        ("0.30 USD/gal", "money_per_volume", 0.30 / GAL),
        ("60 USD/yd^3", "money_per_volume", 60 / YD**3),
        ("60 USD / yd**3", "money_per_volume", 60 / YD**3),
        ("2500 USD/day", "money_per_day", 2500.0),
        ("2500 USD/d", "money_per_day", 2500.0),
        ("0 USD", "money", 0.0),
    ],
)
def test_money_reads(text: str, dimension: str, value: float):
    assert parse_money(text, dimension, "USD", where=WHERE) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("2500 money", "money"),
        ("2500 kUSD", "money"),
        ("2500 usd", "money"),
        ("2500 USD USD", "money"),
        ("2500 USD/USD", "money"),
        ("2500 USD money/money", "money"),
        ("2500 USDT", "money"),
        ("2500 EUR", "money"),
        ("2500 €", "money"),
        ("2,500 USD", "money"),
        ("1e999 USD", "money"),
        ("2500 USD/week", "money_per_day"),
        ("2500 USD/h", "money_per_day"),
        ("2500 USD/day", "money"),
        ("4 USD ft", "money_per_length"),
        ("4 USD/ft^2", "money_per_length"),
        ("4 USD/", "money_per_length"),
        ("4 USD/ft" + " " * 60, "money_per_length"),
        ("nan USD", "money"),
    ],
)
def test_money_refuses(text: str, dimension: str):
    with pytest.raises(InputError) as caught:
        parse_money(text, dimension, "USD", where=WHERE)
    assert caught.value.where == WHERE
    assert caught.value.remedy


def test_the_sign_of_the_dollar_stands_for_dollars_only():
    for code in DOLLARS:
        assert parse_money("$5/ft", "money_per_length", code, where=WHERE) == pytest.approx(5 / FT)
    with pytest.raises(InputError, match=r"is in \$, and the currency of this file is EUR"):
        parse_money("$5/ft", "money_per_length", "EUR", where=WHERE)


def test_the_example_is_in_the_currency_of_the_file():
    with pytest.raises(InputError, match="4 CHF/ft"):
        parse_money("5 m", "money_per_length", "CHF", where=WHERE)


def test_money_is_no_other_quantity():
    for text in ("5 money", "5 USD", "$5", "5 crewday"):
        for dimension in ("length", "flow", "power"):
            with pytest.raises(InputError):
                parse(text, dimension, where=WHERE)


@given(st.floats(0, 1e7), st.sampled_from(["USD", "EUR", "CUP", "TOP", "ALL", "BAM"]))
def test_money_goes_there_and_back(value: float, code: str):
    """Codes that read like units of Pint in small letters are codes all the same."""
    assert parse_money(f"{value!r} {code}", "money", code, where=WHERE) == pytest.approx(value, rel=1e-12)


@given(st.floats(0, 1e9))
def test_money_text_is_within_half_a_percent_or_cent(value: float):
    shown, code = money_text(value, "CAD").split()
    assert code == "CAD"
    assert float(shown.replace(",", "")) == pytest.approx(value, rel=0.005001, abs=0.005001)


def test_money_text_at_the_edges():
    assert [money_text(v, "USD") for v in (99.994, 99.996, 100.4, 999.6, -12345, -0.001, 0.004)] == [
        "99.99 USD",
        "100 USD",
        "100 USD",
        "1,000 USD",
        "-12,300 USD",
        "0 USD",
        "0 USD",
    ]


def test_volume_text():
    """300 ft of 5 in hole: 306 gal (facts/hdd section 2, D)."""
    hole_m3 = 3.141592653589793 / 4 * 0.127**2 * 91.44
    assert volume_text(hole_m3, "us") == "306 gal"
    assert volume_text(hole_m3, "metric") == "1.16 m3"
