"""Spoils files on purpose: a tree of values (then written as TOML or JSON), or its bytes. Every draw hangs on one whole number."""

from __future__ import annotations

import copy
import datetime as dt
import json
import math
import random
import re
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

HUGE = 10**400
NUMBERS = [
    0,
    -1,
    1,
    2,
    0.5,
    -0.0,
    1e-320,
    1e5,
    1e15,
    1e308,
    -1e308,
    math.nan,
    math.inf,
    -math.inf,
    HUGE,
    -HUGE,
    99_999,
    2**63,
]
TEXTS = [
    *("", " ", "\n", "\0", "x", "é" * 50, "x" * 5000, "<b>", "'; DROP TABLE x", "../../x", "nan", "-inf", "1" * 400),
    *("nan m", "inf ft", "-5 ft", "0 m", "1e308 m", "1e-320 m", "15", "15 kW", "15 ft?", "15,5 ft", "\uff11\uff15 ft"),
    *("1 m*9**9**9", "9 ((((((m", "5 %", "-5 %", "1e9 %", "90 deg", "500 degC", "-300 degC", "1 light_year", "5 m**99", "3 USD"),
]  # fmt: skip
OTHERS: list[Any] = [
    True,
    False,
    None,
    [],
    {},
    [[]],
    [1],
    ["x"],
    [{}],
    {"x": 1},
    {"value": 1},
    {"value": -1, "unit": "m"},
]
OTHERS += [{"value": math.nan, "unit": "ft"}, {"value": HUGE, "unit": "ft"}, ["15 ft"] * 9, list(range(300))]
OTHERS += [dt.date(1, 1, 1), dt.datetime(9999, 12, 31, tzinfo=dt.UTC), dt.time(23, 59, 59)]
UNITS = [
    "ft",
    "m",
    "in",
    "mm",
    "kW",
    "W",
    "degF",
    "degC",
    "%",
    "deg",
    "psi",
    "kg/m^3",
    "gpm",
    "lbf",
    "USD",
    "delta_degF",
    "",
    "s",
]
OPS = (
    "value",
    "value",
    "value",
    "unit",
    "unit",
    "scale",
    "drop",
    "rename",
    "swap",
    "wrap",
    "table",
    "deep",
    "double",
    "copy",
)


class Raw(str):
    """Text that is written as it stands, without quotes."""

    __slots__ = ()


def places(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Container and key of every value, outer ones first."""
    inside = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in list(inside):
        yield tree, key
        yield from places(value)


def spoiled(tree: dict[str, Any], number: int, *, most: int = 3, keep: frozenset[str] = frozenset()) -> dict[str, Any]:
    """A copy in which one to `most` values were spoiled; keep: keys at the top that stay."""
    rng = random.Random(number)  # noqa: S311 - no secret
    tree = copy.deepcopy(tree)
    for _ in range(rng.randint(1, most)):
        spots = [s for s in places(tree) if not (s[0] is tree and s[1] in keep)]
        if not spots:
            break
        _spoil(rng, spots, *spots[rng.randrange(len(spots))])
    return tree


def _spoil(rng: random.Random, spots: list[tuple[Any, Any]], inside: Any, key: Any) -> None:  # noqa: C901, PLR0912 - a table of ways
    way, value = rng.choice(OPS), inside[key]
    if way == "unit" and isinstance(value, str):
        number = re.match(r"[-+\d.eE]*", value)[0] or "7"
        inside[key] = f"{rng.choice([number, '-' + number, '0', '1e9', 'nan', '1e-9'])} {rng.choice(UNITS)}"
    elif way == "scale" and isinstance(value, int | float) and not isinstance(value, bool):
        inside[key] = value * rng.choice([-1, 0, 0.001, 2, 10, 1000, 1e9]) + rng.choice([0, 0.1])
    elif way == "drop":
        del inside[key]
    elif way == "rename" and isinstance(inside, dict):
        inside[rng.choice([str(key) + "x", str(key)[:-1], str(key).upper(), "", "\u200b" + str(key)])] = inside.pop(key)
    elif way == "swap":
        other, name = rng.choice(spots)
        if name in (other if isinstance(other, dict) else range(len(other))):
            theirs = copy.deepcopy(other[name])
            other[name] = copy.deepcopy(value)
            if key in (inside if isinstance(inside, dict) else range(len(inside))):
                inside[key] = theirs
    elif way == "wrap":
        inside[key] = [value]
    elif way == "table":
        inside[key] = {"path": value} if rng.random() < 0.5 else {"value": value, "unit": rng.choice(UNITS)}
    elif way == "deep":
        for _ in range(rng.choice([3, 40])):
            value = [value] if rng.random() < 0.7 else {"x": value}
        inside[key] = value if rng.random() < 0.8 else Raw("[" * 5000 + "1" + "]" * 5000)
    elif way == "double" and isinstance(value, list):
        inside[key] = value * 2
    elif way == "copy" and isinstance(inside, dict):
        other, name = rng.choice(spots)
        inside[str(name)] = copy.deepcopy(value)
    else:
        inside[key] = copy.deepcopy(rng.choice(rng.choice([NUMBERS, TEXTS, OTHERS])))


def toml(tree: dict[str, Any]) -> str:
    """TOML text of a tree: tables at the top as such, everything below inline; nothing is not written."""
    plain = {k: v for k, v in tree.items() if not _is_table(v)}
    out = [f"{_name(k)} = {_inline(v)}" for k, v in plain.items() if v is not None]
    for key, value in tree.items():
        rows = value if isinstance(value, list) else [value]
        for row in rows if _is_table(value) else ():
            out.append(f"[[{_name(key)}]]" if isinstance(value, list) else f"[{_name(key)}]")
            out += [f"{_name(k)} = {_inline(v)}" for k, v in row.items() if v is not None]
    return "\n".join(out) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)
    )


def _name(key: Any) -> str:
    return json.dumps(str(key))


def _inline(value: Any) -> str:  # noqa: PLR0911 - one for each sort
    """One value."""
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_name(k)} = {_inline(v)}" for k, v in value.items() if v is not None) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(v) for v in value if v is not None) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return "1" + "0" * 400 if value == HUGE else "-1" + "0" * 400 if value == -HUGE else repr(value)
    if isinstance(value, float):
        return repr(value)  # nan, inf and -inf are TOML as they stand
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return json.dumps(value).replace("\\/", "/").replace("\x7f", "\\u007f")


def told(error: Exception) -> str:
    """What an error says; AssertionError when that is more than one line."""
    text = str(error)
    if "\n" in text or not text:
        raise AssertionError(text)
    return text


def bitten(data: bytes, number: int) -> bytes:
    """Bytes with one to four bites: cut off, changed, put in, doubled, swapped, filled with what is no text."""
    rng = random.Random(number)  # noqa: S311 - no secret
    for _ in range(rng.randint(1, 4)):
        a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
        b = min(b, a + rng.choice([1, 3, 20, 200]))
        new = rng.choice(
            [
                b"",
                b"\xff\xfe",
                b"\0",
                b'"',
                b"[",
                b"]",
                b"{",
                b"}",
                b"=",
                b"\n",
                b"-",
                b"9" * 30,
                b"1e999",
                b"nan",
                data[a:b] * 2,
            ]
        )
        data = data[:a] + (new if rng.random() < 0.9 else bytes(rng.randrange(256) for _ in range(5))) + data[b:]
        if rng.random() < 0.1:
            data = data[: rng.randrange(len(data) + 1)]
    return data


def odd_figures(value: Any, signed: frozenset[str], name: str = "") -> list[str]:
    """Figures anywhere in a value that are not finite, or below zero where their name is not among `signed`."""
    if is_dataclass(value):
        return [o for f in fields(value) for o in odd_figures(getattr(value, f.name), signed, f.name)]
    if isinstance(value, dict):
        return [o for k, v in value.items() for o in odd_figures(v, signed, f"{name}.{k}" if name else str(k))]
    if isinstance(value, list | tuple | frozenset):
        return [o for v in value for o in odd_figures(v, signed, name)]
    if isinstance(value, bool) or not isinstance(value, int | float):
        return []
    if not math.isfinite(value) or (value < 0 and name not in signed):
        return [f"{name} = {value!r}"]
    return []
