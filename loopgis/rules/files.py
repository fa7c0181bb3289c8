"""Rule files: TOML in, `RuleFile` out. The format stands in DEVELOPERS.md; shipped files are in tables/rules/.

To add a rule file: put it in tables/rules/ under its jurisdiction id; every rule needs citation, paraphrase and source.
"""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, cast, get_args

from loopgis.core.errors import InputError
from loopgis.rules.model import Mode, Rule, RuleFile

SCHEMA = "loopgis-rules/1"
_UNIT_M = {"ft": 0.3048, "in": 0.0254, "m": 1.0, "cm": 0.01, "yd": 0.9144}
_LEVELS = ("A", "B", "C", "D", "unknown")
_BASES = ("surface", "feature_depth", "lowest_footing")
_RULE_KEYS = {
    "id",
    "feature",
    "applies_to",
    "plan_distance",
    "crossing",
    "severity",
    "on_fail",
    "citation",
    "paraphrase",
    "source",
    "min_cover",
    "vertical_clearance",
    "foundation_depth",
    "feature_filter",
    "note",
}
LIMIT_BYTES = 1_000_000


def shipped() -> list[str]:
    """Ids of the rule files that come with the package."""
    folder = resources.files("loopgis") / "tables" / "rules"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))


def load(name: str) -> RuleFile:
    """Read one rule file by shipped id or by path. Raises InputError naming the file, the rule and the key."""
    if name in shipped():
        data = (resources.files("loopgis") / "tables" / "rules" / f"{name}.toml").read_bytes()
        return parse(data, name)
    path = Path(name)
    if path.suffix != ".toml":
        near = difflib.get_close_matches(name, shipped(), n=1)
        raise InputError(
            f"rules {name!r}",
            "no such shipped rule file",
            f"did you mean {near[0]!r}?" if near else f"known: {', '.join(shipped())}",
        )
    try:
        if path.stat().st_size > LIMIT_BYTES:
            raise InputError(str(path), "rule file is larger than 1 MB", "split it or check that it is the right file")
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            str(path), f"rule file cannot be read ({error.strerror})", "check the path in `rules`"
        ) from None
    return parse(data, path.name)


def parse(data: bytes, where: str) -> RuleFile:
    """Rule file from its bytes; where: name for error lines."""
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(where, f"not a TOML file: {error}", "fix the line it names") from None
    if table.get("schema") != SCHEMA:
        raise InputError(where, f"schema is {table.get('schema')!r}", f'the first line must be schema = "{SCHEMA}"')
    who = _sub(table, "jurisdiction", where)
    tolerance = _sub(table, "tolerance", where)
    bore = _sub(tolerance, "bore", f"{where} [tolerance]")
    scope = table.get("applicability", {})
    trigger = scope.get("depth_trigger")
    file_id = _text(who, "id", f"{where} [jurisdiction]")
    rules = table.get("rule", [])
    if not isinstance(rules, list) or not rules:
        raise InputError(where, "holds no [[rule]]", "add at least one rule")
    parsed = tuple(_rule(r, file_id, f"{where} rule {n + 1}") for n, r in enumerate(rules))
    double = {r.key for r in parsed if [q.key for q in parsed].count(r.key) > 1}
    if double:
        raise InputError(where, f"rule ids used twice: {', '.join(sorted(double))}", "give every rule its own id")
    levels = {lv: _sub(tolerance, lv, f"{where} [tolerance]") for lv in _LEVELS}
    return RuleFile(
        file_id=file_id,
        name=_text(who, "name", f"{where} [jurisdiction]"),
        level=str(who.get("level", "house")),
        advisory_only=bool(who.get("advisory_only", False)),
        class_certainty=str(scope.get("class_certainty", "text")),
        loop_class=tuple(scope.get("loop_class", ["bored_horizontal"])),
        depth_trigger_m=None if trigger is None else _length(trigger, f"{where} [applicability.depth_trigger]"),
        trigger_inclusive=_inclusive(trigger, where),
        plan_tolerance_m={lv: _part(row, "plan", f"{where} [tolerance] {lv}") for lv, row in levels.items()},
        vert_tolerance_m={lv: _part(row, "vert", f"{where} [tolerance] {lv}") for lv, row in levels.items()},
        bore_plan_tolerance_m=_part(bore, "plan", f"{where} [tolerance] bore"),
        bore_vert_share=_number(bore.get("vert_pct_depth", 0), f"{where} [tolerance] bore vert_pct_depth") / 100,
        rules=parsed,
        source=str(who.get("source_status", "unknown")),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _rule(row: Any, file_id: str, where: str) -> Rule:  # noqa: ANN401
    if not isinstance(row, dict):
        raise InputError(where, "is not a table", "write [[rule]] blocks")
    where = f"{where} ({row.get('id', 'no id')})"
    for key in row:
        if key not in _RULE_KEYS:
            near = difflib.get_close_matches(key, sorted(_RULE_KEYS), n=1)
            hint = f"did you mean {near[0]!r}?" if near else "see DEVELOPERS.md for the keys of a rule"
            raise InputError(where, f"unknown key {key!r}", hint)
    kinds = row.get("feature")
    kinds = (kinds,) if isinstance(kinds, str) else tuple(kinds or ())
    known = kind_table()
    for kind in kinds:
        if kind not in known:
            near = difflib.get_close_matches(str(kind), sorted(known), n=1)
            hint = f"did you mean {near[0]!r}?" if near else "see loopgis/tables/kinds.toml"
            raise InputError(where, f"unknown feature kind {kind!r}", hint)
    if not kinds:
        raise InputError(where, "names no feature", 'add e.g. feature = "water_well"')
    crossing = _sub(row, "crossing", where)
    mode = crossing.get("mode")
    if mode not in get_args(Mode):
        raise InputError(where, f"crossing mode {mode!r} is not known", f"one of {', '.join(get_args(Mode))}")
    cover = row.get("min_cover")
    base = str(cover.get("below", "surface")) if isinstance(cover, dict) else "surface"
    if base not in _BASES:
        raise InputError(where, f"min_cover below {base!r} is not known", f"one of {', '.join(_BASES)}")
    if mode in {"under_with_cover", "owner_consent"} and cover is None:
        raise InputError(where, f"mode {mode} needs min_cover", 'add min_cover = { value = 4, unit = "ft" }')
    angle = crossing.get("angle_min_deg")
    return Rule(
        key=f"{file_id}/{_text(row, 'id', where)}",
        kinds=kinds,
        applies_to=tuple(row.get("applies_to", ["bore"])),
        plan_distance_m=_length(row.get("plan_distance", {"value": 0, "unit": "m"}), f"{where} plan_distance"),
        mode=cast("Mode", mode),
        min_cover_m=None if cover is None else _length(cover, f"{where} min_cover"),
        cover_base=base,
        foundation_depth_m=_foundations(row.get("foundation_depth", {}), where),
        vertical_clearance_m=_length(
            row.get("vertical_clearance", {"value": 0, "unit": "m"}), f"{where} vertical_clearance"
        ),
        angle_min_deg=None if angle is None else _number(angle, f"{where} angle_min_deg"),
        consent=tuple(crossing.get("consent", ())),
        min_quality=str(crossing.get("min_quality", "")),
        severity=str(row.get("severity", "shall")),
        on_fail=str(row.get("on_fail", "deny")),
        citation=_text(row, "citation", where),
        paraphrase=_text(row, "paraphrase", where),
        feature_filter={k: tuple(v) for k, v in row.get("feature_filter", {}).items()},
    )


def _inclusive(trigger: Any, where: str) -> bool:  # noqa: ANN401
    if trigger is None:
        return False
    if trigger.get("op") not in {">", ">="}:
        raise InputError(
            f"{where} [applicability.depth_trigger]", f"op {trigger.get('op')!r} is not known", 'write op = ">" or ">="'
        )
    return bool(trigger["op"] == ">=")


def _foundations(row: dict[str, Any], where: str) -> dict[str, float]:
    unit = row.get("unit", "m")
    return {
        k: _length({"value": v, "unit": unit}, f"{where} foundation_depth {k}") for k, v in row.items() if k != "unit"
    }


def _sub(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = table.get(key)
    if not isinstance(value, dict):
        raise InputError(where, f"[{key}] is missing or not a table", f"add [{key}]")
    return value


def _text(table: dict[str, Any], key: str, where: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(where, f"{key} is missing", f'add {key} = "..."')
    return value


def _number(value: Any, where: str) -> float:  # noqa: ANN401
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= float(value) < 1e5:
        raise InputError(where, f"{value!r} is not a number from 0 up", "give a plain number")
    return float(value)


def _length(row: Any, where: str) -> float:  # noqa: ANN401
    if not isinstance(row, dict) or row.get("unit") not in _UNIT_M:
        raise InputError(where, f"{row!r} is not a length", 'write { value = 10, unit = "ft" }')
    return _number(row.get("value"), where) * _UNIT_M[row["unit"]]


def _part(row: dict[str, Any], key: str, where: str) -> float:
    unit = row.get("unit")
    if unit not in _UNIT_M:
        raise InputError(where, f"unit {unit!r} is not known", 'add unit = "ft"')
    return _number(row.get(key, 0), f"{where} {key}") * _UNIT_M[unit]


@cache
def kind_table() -> dict[str, dict[str, Any]]:
    """Rows of tables/kinds.toml by kind."""
    text = (resources.files("loopgis") / "tables" / "kinds.toml").read_text("utf-8")
    kinds: dict[str, dict[str, Any]] = tomllib.loads(text)["kinds"]
    return kinds
