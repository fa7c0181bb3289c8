"""Rule files: TOML in, `RuleFile` out. The format stands in DEVELOPERS.md; shipped files are in tables/rules/.

To add a rule file: put it in tables/rules/ under its jurisdiction id; every rule needs citation, paraphrase and source.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast, get_args

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.rules.model import Duty, JobRule, Mode, OneCall, Range, Relax, Rule, RuleFile, Status, Submittal
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Collection

SCHEMA = "loopgis-rules/1"
_UNIT_M = {"ft": 0.3048, "in": 0.0254, "m": 1.0, "cm": 0.01, "yd": 0.9144}
_GALLON_L = 3.785411784
_FIGURES: dict[str, tuple[str, dict[str, float]]] = {
    "yield": ("yield_l_s", {"gal/min": _GALLON_L / 60, "L/s": 1.0}),
    "flow": ("flow_m3_d", {"gal/day": _GALLON_L / 1000, "m3/day": 1.0}),
    "voltage": ("voltage_kv", {"kV": 1.0, "V": 0.001}),
}
"""Figures that a rule may bound: column of the feature and factors to its unit (US gallon: 231 cubic inches exactly)."""
_LEVELS = ("A", "B", "C", "D", "unknown")
_BASES = ("surface", "feature_depth", "lowest_footing")
_FROM = ("bore_axis_projection", "hole_edge", "opening")
_TO = ("feature_edge", "feature_axis", "vertical_projection")
_PLAN_MODES = ("never", "ruling")
_PLACES = ("bore", "pit", "header")
_KEYS: dict[str, tuple[str, ...]] = {
    "": ("schema", "jurisdiction", "applicability", "defaults", "tolerance", "rule", "duty", "submittal", "one_call"),
    "jurisdiction": (*("id", "name", "level", "parents", "effective", "checked", "source_status", "advisory_only"),),
    "applicability": ("loop_class", "class_certainty", "depth_trigger", "count_trigger"),
    "depth_trigger": ("op", "value", "unit", "datum"),
    "count_trigger": ("op", "bores"),
    "defaults": ("measure_from", "measure_to", "units"),
    "tolerance": (*_LEVELS, "bore"),
    "level": ("plan", "vert", "unit", "depth"),
    "bore": ("plan", "vert_pct_depth", "unit"),
    "length": ("value", "unit"),
    "min_cover": ("value", "unit", "below"),
    "rule": (
        *("id", "feature", "feature_filter", "feature_range", "applies_to", "plan_distance", "min_cover"),
        *("vertical_clearance", "foundation_depth", "crossing", "max_depth", "max_bores", "allowed_fluids"),
        *("measure_from", "measure_to", "relax", "severity", "on_fail", "citation", "paraphrase", "source", "note"),
        *("status", "checked"),
    ),
    "crossing": ("mode", "angle_min_deg", "consent", "verify", "min_quality"),
    "relax": ("when", "plan_distance", "needs"),
    "duty": ("id", "what", "when", "days", "hours", "citation", "source", "status"),
    "submittal": (
        *("map_radius", "needs", "notice_hours", "permit_life_days", "as_built_days", "as_built_coord_decimals"),
        *("seal_required", "citation"),
    ),
    "one_call": (
        *("tolerance_zone", "notice_business_days", "ticket_life_days", "white_lining", "positive_response"),
        "citation",
    ),
}
_WHEN = ("before", "during", "after")
_NEEDS = ("", "variance", "prior_approval", "consent")
_ON_FAIL = ("deny", "variance", "prior_approval", "consent", "advise")
_CERTAINTIES = ("text", "agency_ruling", "assumed")
_SEVERITIES = ("shall", "should", "note")


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
        data = limits.whole(path, str(path), "site_mb", "is it the right file? a rule file is a short text")
    except (OSError, ValueError) as error:
        raise InputError(
            str(path),
            f"rule file cannot be read ({getattr(error, 'strerror', None) or error})",
            "check the path in `rules`",
        ) from None
    return parse(data, path.name)


def parse(data: bytes, where: str) -> RuleFile:
    """Rule file from its bytes; where: name for error lines. Raises InputError for whatever cannot be read."""
    try:
        return _parse(data, where)
    except (TypeError, AttributeError, ValueError, OverflowError) as error:
        raise InputError(
            where, f"a key holds something of another sort ({error})", "compare with a shipped file"
        ) from None


def _parse(data: bytes, where: str) -> RuleFile:
    try:
        table = limits.toml(data)
    except ValueError as error:
        raise InputError(where, f"not a TOML file: {error}", "fix the line it names") from None
    if table.get("schema") != SCHEMA:
        raise InputError(where, f"schema is {table.get('schema')!r}", f'the first line must be schema = "{SCHEMA}"')
    _only(table, "", where)
    who = _sub(table, "jurisdiction", where)
    tolerance = _sub(table, "tolerance", where)
    bore = _sub(tolerance, "bore", f"{where} [tolerance]")
    _only(bore, "bore", f"{where} [tolerance] bore")
    scope, usual = _maybe(table, "applicability", where), _maybe(table, "defaults", where)
    for key, known in (("measure_from", _FROM), ("measure_to", _TO)):
        _one_of(usual.get(key, known[0]), known, f"{where} [defaults] {key}")
    trigger, count = (_maybe(scope, k, f"{where} [applicability]") or None for k in ("depth_trigger", "count_trigger"))
    file_id = _text(who, "id", f"{where} [jurisdiction]")
    rules = table.get("rule", [])
    if not isinstance(rules, list) or not rules:
        raise InputError(where, "holds no [[rule]]", "add at least one rule")
    status = str(who.get("source_status", "from_memory"))
    checked = _date(who, "checked", f"{where} [jurisdiction]")
    common = _Common(
        file_id, usual, _one_of(status, get_args(Status), f"{where} [jurisdiction] source_status"), checked
    )
    parsed = tuple(_rule(r, common, f"{where} rule {n + 1}") for n, r in enumerate(rules))
    _no_doubles([r.key for r in parsed], where)
    duties = tuple(_duty(d, common, f"{where} duty {n + 1}") for n, d in enumerate(table.get("duty", [])))
    _no_doubles([d.key for d in duties], where)
    levels = {lv: _sub(tolerance, lv, f"{where} [tolerance]") for lv in _LEVELS if lv in tolerance}
    for level, row in levels.items():
        _only(row, "level", f"{where} [tolerance] {level}")
        if "plan" not in row:
            raise InputError(
                f"{where} [tolerance] {level}", "plan is missing", "give the tolerance in plan, 0 if there is none"
            )
    plans = {lv: _part(row, "plan", f"{where} [tolerance] {lv}") for lv, row in levels.items()}
    heights = {lv: _part(row, "vert", f"{where} [tolerance] {lv}") for lv, row in levels.items() if "vert" in row}
    share = _number(bore.get("vert_pct_depth", 0), f"{where} [tolerance] bore vert_pct_depth") / 100
    if share >= 1:
        raise InputError(
            f"{where} [tolerance] bore", "vert_pct_depth is 100 or more", "give a share of the depth in percent"
        )
    return RuleFile(
        file_id=file_id,
        name=_text(who, "name", f"{where} [jurisdiction]"),
        level=str(who.get("level", "house")),
        advisory_only=_yes(who.get("advisory_only", False), f"{where} [jurisdiction] advisory_only"),
        class_certainty=_one_of(
            scope.get("class_certainty", "text"), _CERTAINTIES, f"{where} [applicability] class_certainty"
        ),
        loop_class=_list(scope.get("loop_class", ["bored_horizontal"]), f"{where} [applicability] loop_class"),
        depth_trigger_m=None
        if trigger is None
        else _length(trigger, f"{where} [applicability.depth_trigger]", "depth_trigger"),
        trigger_inclusive=_inclusive(trigger, f"{where} [applicability.depth_trigger]"),
        plan_tolerance_m={lv: plans.get(lv, max(plans.values(), default=0.0)) for lv in _LEVELS},
        vert_tolerance_m={lv: heights.get(lv, max(heights.values(), default=0.0)) for lv in _LEVELS},
        depth_unknown=frozenset(lv for lv, row in levels.items() if row.get("depth") == "unknown"),
        bore_plan_tolerance_m=_part(bore, "plan", f"{where} [tolerance] bore"),
        bore_vert_share=share,
        rules=parsed,
        source=status,
        sha256=hashlib.sha256(data).hexdigest(),
        count_trigger=None if count is None else _count(count.get("bores"), f"{where} [applicability.count_trigger]"),
        count_inclusive=count is None or _inclusive(count, f"{where} [applicability.count_trigger]"),
        parents=_list(who.get("parents", []), f"{where} [jurisdiction] parents"),
        checked=checked,
        effective=_date(who, "effective", f"{where} [jurisdiction]"),
        duties=duties,
        submittal=_submittal(_maybe(table, "submittal", where), f"{where} [submittal]"),
        one_call=_one_call(_maybe(table, "one_call", where), f"{where} [one_call]"),
    )


@dataclass(frozen=True)
class _Common:
    """What the rules of a file have in common."""

    file_id: str
    defaults: dict[str, Any]
    status: str
    checked: date | None


def _rule(row: Any, common: _Common, where: str) -> Rule:  # noqa: ANN401
    if not isinstance(row, dict):
        raise InputError(where, "is not a table", "write [[rule]] blocks")
    where = f"{where} ({row.get('id', 'no id')})"
    _only(row, "rule", where)
    kinds = row.get("feature")
    kinds = (kinds,) if isinstance(kinds, str) else tuple(kinds or ())
    known = kind_table()
    for kind in kinds:
        if kind not in known:
            near = difflib.get_close_matches(str(kind), sorted(known), n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else "see loopgis/tables/kinds.toml"
            raise InputError(where, f"unknown feature kind {kind!r}", hint)
    if not kinds:
        raise InputError(where, "names no feature", 'add e.g. feature = "water_well"')
    job = _job(row, kinds, where)
    crossing = {"mode": "ruling"} if job else _sub(row, "crossing", where)
    mode = _one_of(crossing.get("mode"), get_args(Mode), f"{where} crossing mode")
    cover = row.get("min_cover")
    base = str(cover.get("below", "surface")) if isinstance(cover, dict) else "surface"
    _one_of(base, _BASES, f"{where} min_cover below")
    if mode in {"under_with_cover", "owner_consent"} and cover is None:
        raise InputError(where, f"mode {mode} needs min_cover", 'add min_cover = { value = 4, unit = "ft" }')
    angle = crossing.get("angle_min_deg")
    whole = _length(row.get("plan_distance", {"value": 0, "unit": "m"}), f"{where} plan_distance")
    start, end = _measured(row, {} if job else common.defaults, mode, where)
    places = row.get("applies_to", ["bore"])
    if not places:
        raise InputError(where, "applies_to names nothing", 'write applies_to = ["bore"], or leave it out')
    return Rule(
        key=f"{common.file_id}/{_text(row, 'id', where)}",
        kinds=kinds,
        applies_to=tuple(_one_of(p, _PLACES, f"{where} applies_to") for p in places),
        plan_distance_m=whole,
        mode=cast("Mode", mode),
        min_cover_m=None if cover is None else _length(cover, f"{where} min_cover", "min_cover"),
        cover_base=base,
        foundation_depth_m=_foundations(row.get("foundation_depth", {}), where),
        vertical_clearance_m=_length(
            row.get("vertical_clearance", {"value": 0, "unit": "m"}), f"{where} vertical_clearance"
        ),
        angle_min_deg=None if angle is None else _number(angle, f"{where} angle_min_deg"),
        consent=_list(crossing.get("consent", []), f"{where} crossing consent"),
        min_quality=_one_of(crossing.get("min_quality", ""), ("", *_LEVELS), f"{where} crossing min_quality"),
        severity=_one_of(row.get("severity", "shall"), _SEVERITIES, f"{where} severity"),
        on_fail=_one_of(row.get("on_fail", "deny"), _ON_FAIL, f"{where} on_fail"),
        citation=_text(row, "citation", where),
        paraphrase=_text(row, "paraphrase", where),
        feature_filter=_words(row.get("feature_filter", {}), f"{where} feature_filter"),
        ranges=tuple(_range(k, v, where) for k, v in row.get("feature_range", {}).items()),
        relax=tuple(_relax(r, mode, whole, f"{where} relax") for r in row.get("relax", [])),
        measure_from=start,
        measure_to=end,
        job=job,
        source=str(row.get("source", "")),
        note=str(row.get("note", "")),
        status=_one_of(row.get("status", common.status), get_args(Status), f"{where} status"),
        checked=_date(row, "checked", where) or common.checked,
    )


def _job(row: dict[str, Any], kinds: tuple[str, ...], where: str) -> JobRule | None:
    """The rule on the whole job that a block on `ground` holds; None for one on things."""
    asked = [k for k in ("max_depth", "max_bores", "allowed_fluids") if k in row]
    if not asked and kinds != ("ground",):
        return None
    if len(asked) != 1 or kinds != ("ground",) or "crossing" in row:
        remedy = 'write feature = "ground", no crossing, and one of max_depth, max_bores, allowed_fluids'
        raise InputError(where, "is neither a rule on things nor one on the whole job", remedy)
    if asked == ["max_depth"]:
        return JobRule(max_depth_m=_length(row["max_depth"], f"{where} max_depth"))
    if asked == ["max_bores"]:
        return JobRule(max_bores=_count(row["max_bores"], f"{where} max_bores"))
    fluids = row["allowed_fluids"]
    if not isinstance(fluids, list) or not fluids or not all(isinstance(f, str) for f in fluids):
        remedy = 'write allowed_fluids = ["water", "propylene glycol"]'
        raise InputError(where, "allowed_fluids is not a list of words", remedy)
    return JobRule(fluids=tuple(map(fluid_word, fluids)))


def fluid_word(text: str) -> str:
    """A fluid without its strength, in small letters; "" when nothing is said.

    >>> fluid_word("Propylene glycol 20 %"), fluid_word("propylene_glycol"), fluid_word("")
    ('propylene glycol', 'propylene glycol', '')
    """
    bare = re.sub(r"\s*\d+(\.\d+)?\s*%.*$", "", text.replace("_", " ")).lower()
    words = " ".join(bare.split())
    return "" if words == "unknown" else words


def _measured(row: dict[str, Any], usual: dict[str, Any], mode: str, where: str) -> tuple[str, str]:
    """From where to where a rule measures; modes that look at depths know the axis and the edge only."""
    found = []
    for key, known in (("measure_from", _FROM), ("measure_to", _TO)):
        word = _one_of(row.get(key, usual.get(key, known[0])), known, f"{where} {key}")
        if mode not in _PLAN_MODES and word != known[0]:
            raise InputError(
                where, f"{key} {word!r} does not go with mode {mode}", f'give the rule {key} = "{known[0]}"'
            )
        found.append(word)
    return found[0], found[1]


def _range(name: str, row: Any, where: str) -> Range:  # noqa: ANN401
    where = f"{where} feature_range {name}"
    if name not in _FIGURES:
        raise InputError(where, "is no figure that rules bound", f"one of {', '.join(_FIGURES)}")
    column, units = _FIGURES[name]
    bounds = {k: row[k] for k in ("from", "over", "below", "up_to") if isinstance(row, dict) and k in row}
    lows, highs = [k for k in ("from", "over") if k in bounds], [k for k in ("below", "up_to") if k in bounds]
    if not bounds or len(lows) > 1 or len(highs) > 1 or set(row) - {*bounds, "unit"}:
        raise InputError(where, f"{row!r} bounds nothing", 'write { over = 10, up_to = 25, unit = "gal/min" }')
    if row.get("unit") not in units:
        raise InputError(where, f"unit {row.get('unit')!r} is not known", f"one of {', '.join(units)}")
    factor = units[row["unit"]]
    values = {k: _number(v, where) * factor for k, v in bounds.items()}
    return Range(
        column=column,
        least=values[lows[0]] if lows else None,
        least_counts=lows == ["from"],
        most=values[highs[0]] if highs else None,
        most_counts=highs == ["up_to"],
    )


def _shorter(row: Any, whole_m: float, where: str) -> float:  # noqa: ANN401
    length = _length(row, where)
    if length > whole_m:
        raise InputError(where, "is more than the rule's own distance", "an eased distance is shorter")
    return length


def _relax(row: Any, mode: str, whole_m: float, where: str) -> Relax:  # noqa: ANN401
    if not isinstance(row, dict):
        raise InputError(where, "is not a list of tables", "write relax = [{ when = {..}, plan_distance = {..} }]")
    _only(row, "relax", where)
    needs = _one_of(row.get("needs", ""), _NEEDS, f"{where} needs")
    if mode not in _PLAN_MODES or (needs and mode != "never"):
        raise InputError(
            where, f"does not go with mode {mode}", "a distance is eased in mode never (ruling without needs)"
        )
    when = dict(_maybe(row, "when", where))
    if not when:
        raise InputError(where, "does not say when the distance is eased", "fill when = { .. }")
    fluids, most = when.pop("fluid", []), when.pop("bores_up_to", None)
    return Relax(
        plan_distance_m=_shorter(row.get("plan_distance"), whole_m, f"{where} plan_distance"),
        fluids=tuple(fluid_word(str(f)) for f in ([fluids] if isinstance(fluids, str) else fluids)),
        bores_up_to=None if most is None else _count(most, f"{where} bores_up_to"),
        words=_words(when, f"{where} when"),
        needs=needs,
    )


def _words(table: Any, where: str) -> dict[str, tuple[str, ...]]:  # noqa: ANN401
    """Words by column, in small letters; a word that is not on a column's list in tables/kinds.toml could never be met."""
    if not isinstance(table, dict):
        raise InputError(where, "is not a table", 'write { use = ["private"] }')
    found = {}
    for column, words in table.items():
        lower = tuple(str(w).lower() for w in ([words] if isinstance(words, str) else words))
        for word in lower:
            listed = known_words().get(column.lower())
            if listed is not None and word not in listed:
                near = difflib.get_close_matches(word, sorted(listed), n=1)
                raise InputError(
                    where,
                    f"no {column} is called {word!r}",
                    f"did you mean {near[0]!r}?" if near else f"one of {', '.join(sorted(listed))}",
                )
        found[column.lower()] = lower
    return found


def _duty(row: Any, common: _Common, where: str) -> Duty:  # noqa: ANN401
    if not isinstance(row, dict):
        raise InputError(where, "is not a table", "write [[duty]] blocks")
    where = f"{where} ({row.get('id', 'no id')})"
    _only(row, "duty", where)
    days, hours = (None if row.get(k) is None else _count(row[k], f"{where} {k}") for k in ("days", "hours"))
    return Duty(
        key=f"{common.file_id}/{_text(row, 'id', where)}",
        what=_text(row, "what", where),
        when=_one_of(row.get("when"), _WHEN, f"{where} when"),
        citation=_text(row, "citation", where),
        source=_text(row, "source", where),
        status=_one_of(row.get("status", common.status), get_args(Status), f"{where} status"),
        days=days,
        hours=hours,
    )


def _submittal(row: dict[str, Any], where: str) -> Submittal:
    radius, seal = row.get("map_radius"), row.get("seal_required")
    counts = {
        k: None if row.get(k) is None else _count(row[k], f"{where} {k}")
        for k in ("notice_hours", "permit_life_days", "as_built_days", "as_built_coord_decimals")
    }
    return Submittal(
        map_radius_m=None if radius is None else _length(radius, f"{where} map_radius"),
        needs=_list(row.get("needs", []), f"{where} needs"),
        seal_required=None if seal is None else _yes(seal, f"{where} seal_required"),
        citation=str(row.get("citation", "")),
        **counts,
    )


def _one_call(row: dict[str, Any], where: str) -> OneCall:
    zone, response = row.get("tolerance_zone"), row.get("positive_response")
    counts = {
        k: None if row.get(k) is None else _count(row[k], f"{where} {k}")
        for k in ("notice_business_days", "ticket_life_days")
    }
    return OneCall(
        tolerance_zone_m=None if zone is None else _length(zone, f"{where} tolerance_zone"),
        white_lining=str(row.get("white_lining", "")),
        positive_response=None if response is None else _yes(response, f"{where} positive_response"),
        citation=str(row.get("citation", "")),
        **counts,
    )


def _only(row: dict[str, Any], table: str, where: str) -> None:
    """Refuse a key that the table does not have."""
    for key in row:
        if key not in _KEYS[table]:
            near = difflib.get_close_matches(key, _KEYS[table], n=1)
            hint = f"did you mean {near[0]!r}?" if near else "see DEVELOPERS.md, What a rule means, for the keys"
            raise InputError(where, f"unknown key {key!r}", hint)


def _one_of(word: Any, known: Collection[str], where: str) -> str:  # noqa: ANN401
    if word not in known:
        raise InputError(where, f"{word!r} is not known", f"one of {', '.join(k or repr(k) for k in known)}")
    return str(word)


def _no_doubles(keys: list[str], where: str) -> None:
    double = sorted({k for k in keys if keys.count(k) > 1})
    if double:
        raise InputError(where, f"rule ids used twice: {', '.join(double)}", "give every rule its own id")


def _maybe(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    """A table of its own, empty when it is not there; its keys must be known."""
    if key not in table:
        return {}
    row = _sub(table, key, where)
    if key in _KEYS:
        _only(row, key, f"{where} [{key}]")
    return row


def _list(value: Any, where: str) -> tuple[str, ...]:  # noqa: ANN401
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise InputError(where, f"{value!r} is not a list of words", 'write ["one", "two"]')
    return tuple(value)


def _yes(value: Any, where: str) -> bool:  # noqa: ANN401
    if not isinstance(value, bool):
        raise InputError(where, f"{value!r} is neither true nor false", "write true or false, without quotes")
    return value


def _date(row: dict[str, Any], key: str, where: str) -> date | None:
    value = row.get(key)
    if value is not None and not isinstance(value, date):
        raise InputError(where, f"{key} {value!r} is no day", f"write {key} = 2026-11-25, without quotes")
    return value


def _count(value: Any, where: str) -> int:  # noqa: ANN401
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 100_000:
        raise InputError(where, f"{value!r} is not a whole number from 0 up", "give a plain whole number")
    return value


def _inclusive(trigger: Any, where: str) -> bool:  # noqa: ANN401
    if trigger is None:
        return False
    if not isinstance(trigger, dict) or trigger.get("op") not in {">", ">="}:
        op = trigger.get("op") if isinstance(trigger, dict) else trigger
        raise InputError(where, f"op {op!r} is not known", 'write op = ">" or ">="')
    return bool(trigger["op"] == ">=")


def _foundations(row: dict[str, Any], where: str) -> dict[str, float]:
    unit = row.get("unit", "m")
    return {
        k.lower(): _length({"value": v, "unit": unit}, f"{where} foundation_depth {k}")
        for k, v in row.items()
        if k != "unit"
    }


def _sub(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = table.get(key)
    if not isinstance(value, dict):
        raise InputError(where, f"[{key}] is missing or not a table", f"add [{key}]")
    if key in {"crossing", "tolerance", "jurisdiction"}:
        _only(value, key, f"{where} {key}")
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


def _length(row: Any, where: str, table: str = "length") -> float:  # noqa: ANN401
    """Metres; table: whose keys a row may have."""
    if not isinstance(row, dict) or row.get("unit") not in _UNIT_M:
        raise InputError(where, f"{row!r} is not a length", 'write { value = 10, unit = "ft" }')
    _only(row, table, where)
    return _number(row.get("value"), where) * _UNIT_M[row["unit"]]


def _part(row: dict[str, Any], key: str, where: str) -> float:
    unit = row.get("unit")
    if unit not in _UNIT_M:
        raise InputError(where, f"unit {unit!r} is not known", 'add unit = "ft"')
    return _number(row.get(key, 0), f"{where} {key}") * _UNIT_M[unit]


def kind_table() -> dict[str, dict[str, Any]]:
    """Rows of tables/kinds.toml by kind."""
    kinds: dict[str, dict[str, Any]] = load_table("kinds")["kinds"]
    return kinds


@cache
def known_words() -> dict[str, frozenset[str]]:
    """Words that a column may hold so that rules know them, by column: tables/kinds.toml [words]."""
    return {column: frozenset(words) for column, words in load_table("kinds")["words"].items()}
