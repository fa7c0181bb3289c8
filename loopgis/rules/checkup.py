"""An office's own rule file looked over: do both readers understand the same, and is there anything to think about.

Generator and audit read rule files with code of their own (`files.py`, `audit_rules.py`). Here, and only here, the two readings
are laid side by side. What one of them refuses, or reads differently, is an error; advice is a warning or a note. To add advice: a
function in `_ADVICE`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import date
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.findings import Finding, in_order
from loopgis.core.leftovers import scratch
from loopgis.core.units import FT_M
from loopgis.rules.audit_rules import load_rules
from loopgis.rules.files import SCHEMA, known_words, parse, shipped
from loopgis.rules.told import LEVEL_WORDS, kind_words, plain_text, rule_bytes, short_length

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator

    from loopgis.rules.audit_rules import AuditFile, AuditRule
    from loopgis.rules.audit_rules import Range as AuditRange
    from loopgis.rules.model import Range, Rule, RuleFile

OLD_DAYS = 731
"""Two years: after that a text is looked at again. House choice, no source."""
USUAL = ("property_line", "water_well", "septic_tank", "drain_field", "building")
"""Kinds of which nearly every published file speaks (facts/permits section 1)."""
FAR_M = 1000 * FT_M
NEAR_M = 1 * FT_M
DEEP_M = 50 * FT_M
"""Beyond these a figure looks like a slip of the unit. The widest published distance is 1,000 ft (Nebraska); else house choices."""
_FAR_KINDS = frozenset({"wellhead_zone", "contaminated_site", "surface_water"})
_NEAR_KINDS = frozenset({"irrigation", "paved_way", "tree_root_zone", "easement", "right_of_way", "neighbour_parcel"})
_SAME_M = 1e-9
_PLACEHOLDERS = ("example", "replace")
_TABLES = ("jurisdiction", "applicability", "defaults", "tolerance", "submittal", "one_call")
_GOOD_RULE = {
    "id": "r",
    "feature": "water_well",
    "crossing": {"mode": "never"},
    "citation": "c",
    "paraphrase": "p",
    "source": "s",
}
_GOOD: dict[str, Any] = {
    "schema": SCHEMA,
    "jurisdiction": {"id": "x", "name": "x"},
    "tolerance": {
        key: {"plan": 0, "vert": 0, "unit": "m"} if key != "bore" else {"plan": 0, "unit": "m"}
        for key in ("A", "B", "C", "D", "unknown", "bore")
    },
}
"""A file in which one part of the file that is looked over takes the place of its own."""
_WRONG_TYPE = "a key is of the wrong type"
_ALONE = frozenset({"id", "feature", "crossing", "max_depth", "max_bores", "allowed_fluids"})
"""Keys of a rule that mean nothing each by itself."""


@dataclass(frozen=True, kw_only=True)
class Checkup:
    """What a look at one file brought. file_id "" and counts 0 when it could not be read; findings: errors first."""

    where: str
    file_id: str
    rules: int
    duties: int
    findings: tuple[Finding, ...]

    @property
    def bad(self) -> bool:
        """True when the file cannot be used."""
        return any(f.severity == "error" for f in self.findings)

    @property
    def summary(self) -> str:
        """One line for a file that can be used, or the number of its slips."""
        if self.bad:
            slips = sum(f.severity == "error" for f in self.findings)
            return f"{self.where}: cannot be used, {_count(slips, 'slip')}"
        count = "no duties" if not self.duties else f"{self.duties} {'duty' if self.duties == 1 else 'duties'}"
        return f"{self.where}: holds {_count(self.rules, 'rule')}, {count}; both readers agree"

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "file": self.where,
            "id": self.file_id,
            "rules": self.rules,
            "duties": self.duties,
            "ok": not self.bad,
            "findings": [f.as_dict() for f in self.findings],
        }


def check_file(path: str | Path, *, given: Collection[str] = (), today: date | None = None) -> list[Finding]:
    """Findings on a rule file, errors first; an empty list: both readers agree and there is nothing to say.

    path: a TOML file, or a shipped id; given: ids of files that are stacked with it; today: day for what is said of ages, default
    the system's. A file that cannot be read or used gives findings of severity `error`, one a slip, and raises nothing.
    """
    return list(checkup(path, given=given, today=today).findings)


def checkups(paths: Iterable[str | Path], *, today: date | None = None) -> list[Checkup]:
    """Several files that are stacked: each knows the others' ids, and no two may have the same one."""
    names = list(paths)
    ids = [checkup(p, today=today).file_id for p in names]
    found = []
    for n, name in enumerate(names):
        one = checkup(name, given=[i for m, i in enumerate(ids) if m != n], today=today)
        if ids[n] and ids[n] in ids[:n]:
            what = f"a file before it has the id {ids[n]!r} as well"
            double = _slip(one.where, "id-twice", what, "give each file an id of its own")
            one = replace(one, findings=tuple(in_order([*one.findings, double])))
        found.append(one)
    return found


def checkup(path: str | Path, *, given: Collection[str] = (), today: date | None = None) -> Checkup:
    """All that there is to say of one file; arguments as in `check_file`."""
    name = str(path)
    where = name if name in shipped() else Path(name).name
    try:
        data = _read(name, where)
        raw = _table(data, where)
    except InputError as error:
        return _unusable(where, [_slip(where, "unreadable", error.what, error.remedy)])
    slips = _slips(raw, where)
    if slips:
        return _unusable(where, slips)
    try:
        file = parse(data, where)
        other = _audit_reading(data, where)
    except InputError as error:  # what only the whole shows: ids used twice, a table that is missing
        return _unusable(where, [_slip(where, "refused", error.what, error.remedy)])
    found = list(_differences(file, other, where))
    case = _Case(file, where, frozenset(given), today or date.today(), name in shipped())  # noqa: DTZ011 -- the clerk's own day
    for advice in _ADVICE:
        found += advice(case)
    return Checkup(
        where=where,
        file_id=file.file_id,
        rules=len(file.rules),
        duties=len(file.duties),
        findings=tuple(in_order(found)),
    )


def _unusable(where: str, slips: list[Finding]) -> Checkup:
    return Checkup(where=where, file_id="", rules=0, duties=0, findings=tuple(slips))


def _slip(where: str, code: str, what: str, remedy: str = "", rule_id: str = "") -> Finding:
    place, message = plain_text(where), plain_text(what)
    return Finding(
        severity="error",
        code=code,
        message=message,
        remedy=plain_text(remedy),
        where=place,
        rule_id=plain_text(rule_id),
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


# -- reading, part by part ---------------------------------------------------------------------------------------------


def _read(name: str, where: str) -> bytes:
    try:
        return rule_bytes(name)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(where, f"cannot be read ({why})", "check the path") from None


def _table(data: bytes, where: str) -> dict[str, Any]:
    try:
        table = limits.toml(data)
    except ValueError as error:
        raise InputError(where, f"is not TOML: {error}", "correct the line it names") from None
    if table.get("schema") != SCHEMA:
        raise InputError(where, f"schema is {table.get('schema')!r}", f'the first line must be schema = "{SCHEMA}"')
    return table


def _audit_reading(data: bytes, where: str) -> AuditFile:
    """What the audit's reader understands; it reads files only, so the bytes go into one for a moment."""
    with scratch() as folder:
        path = folder / "rules.toml"
        path.write_bytes(data)
        try:
            return load_rules([str(path)], folder)[0]
        except InputError as error:
            at = error.where.partition(", ")[2]
            raise InputError(f"{where} {at}".strip(), error.what, error.remedy) from None


def _refusal(table: dict[str, Any], at: str = "") -> tuple[str, str, str] | None:
    """Why one of the readers, the generator's first, refuses a file: place, what, remedy; None when both take it.

    at: what the generator puts before the place inside the part that is looked at.
    """
    data = _toml(table).encode("utf-8")
    try:
        parse(data, "")
    except InputError as error:
        place = error.where.strip().removeprefix(at).strip().removeprefix(f"rule 1 ({_GOOD_RULE['id']})").strip()
        return place, error.what, error.remedy
    except (KeyError, TypeError, AttributeError, ValueError, RecursionError) as error:
        return "", f"{_WRONG_TYPE} ({error})", "compare with a shipped file"
    try:
        _audit_reading(data, "")
    except InputError as error:
        return "", error.what, error.remedy
    return None


def _slips(raw: dict[str, Any], where: str) -> list[Finding]:
    """Every slip that can be told apart: one or more for each table, rule and duty that is refused."""
    found = _table_slips(raw, where)
    sound = "defaults" in raw and not any(f.where.startswith(f"{where} [defaults]") for f in found)
    base = _GOOD | {"rule": [_GOOD_RULE]} | ({"defaults": raw["defaults"]} if sound else {})
    for name in ("rule", "duty"):
        rows = raw.get(name, [])
        if isinstance(rows, list) and (rows or name == "duty"):
            for number, row in enumerate(rows, 1):
                found += _row_slips(name, number, row, base, where)
        else:
            what = f"{name} is not a list of blocks" if rows else f"holds no [[{name}]]"
            found.append(_slip(where, "slip", what, f"write {name} blocks that begin with [[{name}]]"))
    return found


def _table_slips(raw: dict[str, Any], where: str) -> list[Finding]:
    """Slips of everything but rules and duties, each table looked at alone in a file that is sound."""
    good = _GOOD | {"rule": [_GOOD_RULE]}
    found = [
        _slip(f"{where} [{name}]", "slip", "is missing", f"add [{name}], as in a shipped file")
        for name in ("jurisdiction", "tolerance")
        if name not in raw
    ]
    for key, value in raw.items():
        if key in ("schema", "rule", "duty"):
            continue
        refusal = _refusal(good | {key: value}, f"[{key}]")
        if refusal is not None:
            found.append(_refused(where, f"[{key}]" if key in _TABLES else "", refusal))
    return found


def _row_slips(name: str, number: int, row: Any, base: dict[str, Any], where: str) -> list[Finding]:  # noqa: ANN401
    """Slips of one rule or duty."""
    if not isinstance(row, dict):
        return [_slip(f"{where} {name} {number}", "slip", "is not a table", f"write [[{name}]] blocks")]
    told = row.get("id", "no id")
    refusal = _refusal(base | {name: [row]}, f"{name} 1 ({told})")
    if refusal is None:
        return []
    more = [m for m in _more_slips(row, base) if m[1:] != refusal[1:]] if name == "rule" else []
    return [_refused(where, f"{name} {number} ({told})", r, str(row.get("id", ""))) for r in (refusal, *more)]


def _refused(where: str, place: str, refusal: tuple[str, str, str], rule_id: str = "") -> Finding:
    at = " ".join(p for p in (where, place, refusal[0]) if p)
    return _slip(at, "slip", refusal[1], refusal[2], rule_id)


def _more_slips(row: dict[str, Any], base: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Slips of the keys of a refused rule, each looked at alone in a rule that is sound."""
    found: list[tuple[str, str, str]] = []
    at = f"rule 1 ({_GOOD_RULE['id']})"
    for key, value in row.items():
        if key not in _ALONE:
            refusal = _refusal(base | {"rule": [_GOOD_RULE | {key: value}]}, at)
            if refusal is not None and refusal not in found:
                found.append(refusal)
    return found


def _toml(table: dict[str, Any]) -> str:
    """A table as TOML, a line a key."""
    return "".join(f"{_text(str(k))} = {_value(v)}\n" for k, v in table.items())


def _value(value: Any) -> str:  # noqa: ANN401 -- whatever stands in the TOML
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(str(k))} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    return value.isoformat() if hasattr(value, "isoformat") else repr(value)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# -- the two readings side by side -------------------------------------------------------------------------------------


def _differences(file: RuleFile, other: AuditFile, where: str) -> Iterator[Finding]:
    """What generator and audit understood differently: an error each."""
    for label, one, two in _file_pairs(file, other):
        if not _alike(one, two):
            yield _differing(where, "", label, one, two)
    if [r.key for r in file.rules] != [r.key for r in other.rules]:
        yield _differing(where, "", "rules", [r.key for r in file.rules], [r.key for r in other.rules])
        return
    for mine, theirs in zip(file.rules, other.rules, strict=True):
        for label, one, two in _rule_pairs(mine, theirs):
            if not _alike(one, two):
                yield _differing(where, mine.key, label, one, two)


def _differing(where: str, key: str, label: str, one: Any, two: Any) -> Finding:  # noqa: ANN401 -- any two figures
    what = f"{label} is {_shown(one)} to the generator and {_shown(two)} to the audit"
    place = f"{where} rule {key.partition('/')[2]}" if key else where
    return _slip(place, "readers-differ", what, "write it as a shipped file does, so that both read the same", key)


def _shown(value: Any) -> str:  # noqa: ANN401 -- any figure
    return f"{value:g}" if isinstance(value, float) else repr(value)


def _alike(one: Any, two: Any) -> bool:  # noqa: ANN401 -- any two figures
    if isinstance(one, dict) and isinstance(two, dict):
        return one.keys() == two.keys() and all(_alike(one[k], two[k]) for k in one)
    if isinstance(one, tuple) and isinstance(two, tuple):
        return len(one) == len(two) and all(_alike(a, b) for a, b in zip(one, two, strict=True))
    numbers = [isinstance(v, int | float) and not isinstance(v, bool) for v in (one, two)]
    if all(numbers):
        return bool(abs(one - two) <= _SAME_M * max(1.0, abs(one)))
    return bool(one == two)


def _file_pairs(file: RuleFile, other: AuditFile) -> list[tuple[str, Any, Any]]:
    trigger = None if file.depth_trigger_m is None else (_op(inclusive=file.trigger_inclusive), file.depth_trigger_m)
    count = None if file.count_trigger is None else (_op(inclusive=file.count_inclusive), file.count_trigger)
    return [
        ("id", file.file_id, other.file_id),
        ("plan tolerance, m,", file.plan_tolerance_m, other.plan_m),
        ("vertical tolerance, m,", file.vert_tolerance_m, other.vert_m),
        ("qualities whose depth counts as unknown", (), tuple(sorted(other.vert_unknown))),
        ("plan tolerance of the bore, m,", file.bore_plan_tolerance_m, other.bore_plan_m),
        ("share of depth that a bore may be off", file.bore_vert_share, other.bore_share),
        ("depth trigger, m,", trigger, other.trigger),
        ("count trigger", count, other.count_trigger),
        ("whether the class is assumed", file.class_certainty == "assumed", other.assumed),
        ("whether it covers steered bores", file.covers, other.covers),
    ]


def _op(*, inclusive: bool) -> str:
    return ">=" if inclusive else ">"


def _rule_pairs(rule: Rule, other: AuditRule) -> list[tuple[str, Any, Any]]:
    job = rule.job
    pairs: list[tuple[str, Any, Any]] = [
        ("feature", rule.kinds, other.kinds),
        ("whether it concerns bores", "bore" in rule.applies_to, other.bore),
        ("whether it concerns the pad", "pit" in rule.applies_to, other.pit),
        ("mode", rule.mode, other.mode),
        ("on_fail", rule.on_fail, other.on_fail),
        ("citation", rule.citation, other.citation),
        ("max_depth, m,", job.max_depth_m if job else None, other.max_depth_m),
        ("max_bores", (job.max_bores if job else None) or 0, other.max_bores),
        ("allowed_fluids", job.fluids if job else (), other.fluids),
        ("what it asks of the job", _job_word(rule), other.job),
    ]
    if job is not None:
        return pairs
    return [
        *pairs,
        ("plan distance, m,", rule.plan_distance_m, other.plan_m),
        ("min_cover, m,", rule.min_cover_m, other.cover_m),
        ("what min_cover is counted from", rule.cover_base, other.base),
        ("foundation_depth, m,", rule.foundation_depth_m, other.foundation_m),
        ("vertical_clearance, m,", rule.vertical_clearance_m, other.clear_m),
        ("angle_min_deg", rule.angle_min_deg, other.angle_deg),
        ("whether consent is asked", bool(rule.consent) or rule.mode == "owner_consent", other.consent),
        ("min_quality", rule.min_quality, other.min_quality),
        ("feature_filter", rule.feature_filter, other.keep),
        ("feature_range", tuple(_bounds(r) for r in rule.ranges), tuple(_audit_bounds(r) for r in other.ranges)),
        (
            "relax",
            tuple((r.plan_distance_m, r.fluids, r.bores_up_to, r.words, r.needs) for r in rule.relax),
            tuple((e.plan_m, e.fluids or (), e.bores_up_to, e.keep, e.needs) for e in other.eases),
        ),
        ("measure_from", rule.measure_from, other.measure_from),
        ("measure_to", rule.measure_to, other.measure_to),
    ]


def _job_word(rule: Rule) -> str:
    if rule.job is None:
        return ""
    if rule.job.max_depth_m is not None:
        return "depth"
    return "count" if rule.job.max_bores is not None else "fluid"


def _bounds(bound: Range) -> tuple[Any, ...]:
    low = () if bound.least is None else (("from" if bound.least_counts else "over", bound.least),)
    high = () if bound.most is None else (("up_to" if bound.most_counts else "below", bound.most),)
    return (bound.column, *low, *high)


def _audit_bounds(bound: AuditRange) -> tuple[Any, ...]:
    return (bound.column, *bound.bounds)


# -- advice --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Case:
    """A file that both readers take. given: ids stacked with it; shipped: it comes with the package."""

    file: RuleFile
    where: str
    given: frozenset[str]
    today: date
    shipped: bool

    def warn(self, code: str, message: str, remedy: str = "", rule: Rule | None = None) -> Finding:
        return self.tell("warning", code, message, remedy, rule)

    def note(self, code: str, message: str, remedy: str = "", rule: Rule | None = None) -> Finding:
        return self.tell("note", code, message, remedy, rule)

    def tell(self, severity: Any, code: str, message: str, remedy: str, rule: Rule | None) -> Finding:  # noqa: ANN401 -- a Severity
        place = self.where if rule is None else f"{self.where} rule {_short(rule)}"
        key = "" if rule is None else rule.key
        text = plain_text(message)
        return Finding(severity=severity, code=code, message=text, remedy=remedy, where=plain_text(place), rule_id=key)


def _short(rule: Rule) -> str:
    return rule.key.partition("/")[2]


def _names(rules: Iterable[Rule]) -> str:
    """Ids of rules, the first few by name."""
    ids = [_short(r) for r in rules]
    return ", ".join(ids) if len(ids) <= 6 else f"{', '.join(ids[:5])} and {len(ids) - 5} more"


def _ages(case: _Case) -> list[Finding]:
    """Days that are missing, long past or still to come."""
    file, found = case.file, []
    if file.checked is None:
        found.append(
            case.note("unchecked", "no day tells when its text was looked at", "add checked = a day, as 2026-11-25")
        )
    seen = {r.checked: r for r in reversed(file.rules) if r.checked is not None}
    for day, rule in seen.items():
        own = None if day == file.checked else rule
        if _days(day, case.today) < 0:
            found.append(
                case.warn("checked-ahead", f"checked {day.isoformat()} is still to come", "correct the day", own)
            )
        elif _days(day, case.today) > OLD_DAYS:
            found.append(
                case.warn(
                    "old", f"its text was looked at on {day.isoformat()}, more than two years ago", "read it again", own
                )
            )
    if file.effective is not None and _days(file.effective, case.today) < 0:
        found.append(case.note("not-yet", f"not in force before {file.effective.isoformat()}"))
    return found


def _days(day: date, today: date) -> int:
    """Days gone by; TOML may give a day with an hour."""
    return (today - date(day.year, day.month, day.day)).days


def _weak(case: _Case) -> list[Finding]:
    """Refusing on a text that nobody read."""
    weak = [
        r
        for r in case.file.rules
        if r.status in ("secondary", "from_memory") and r.on_fail == "deny" and r.severity == "shall"
    ]
    if not weak or case.file.advisory_only:
        return []
    what = f"{_names(weak)}: refused on a text that nobody here has read (secondary or from_memory)"
    return [case.warn("weak-text", what, "read the text, then set source_status, or status of a rule, and checked")]


def _idle(case: _Case) -> list[Finding]:
    """Rules that can never apply."""
    found = []
    if not case.file.covers:
        what = "loop_class does not name bored_horizontal: none of its rules concerns a steered bore"
        found.append(case.warn("never-applies", what, "add it where the text covers steered bores"))
    for rule in case.file.rules:
        if not set(rule.applies_to) & {"bore", "pit"}:
            found.append(case.warn("never-applies", "concerns headers only, which nobody measures here", "", rule))
        if rule.job is not None and "bore" not in rule.applies_to:
            found.append(
                case.warn("never-applies", "speaks of the job but not of bores", 'add "bore" to applies_to', rule)
            )
        for column, words in rule.feature_filter.items():
            listed = known_words().get(column)
            strange = [w for w in words if listed is not None and w not in listed]
            if not words or strange == list(words):
                what = (
                    f"feature_filter {column} = {list(words)} holds no word that a thing could have: it never applies"
                )
                found.append(case.warn("never-applies", what, "use words of tables/kinds.toml [words]", rule))
            elif strange:
                found.append(case.warn("never-applies", f"no {column} is ever called {', '.join(strange)}", "", rule))
            if listed is None:
                what = f"feature_filter asks a column {column!r} that is not among {', '.join(sorted(known_words()))}"
                found.append(case.note("own-column", what, "its layers must have that column", rule))
    return found


def _units(case: _Case) -> list[Finding]:
    """Distances that look like feet for metres, or a point in the wrong place."""
    found = []
    for rule in case.file.rules:
        job = rule.job
        far = not set(rule.kinds) & _FAR_KINDS and rule.plan_distance_m > FAR_M + _SAME_M
        near = not set(rule.kinds) & _NEAR_KINDS and 0 < rule.plan_distance_m < NEAR_M - _SAME_M
        odd = [("plan_distance", rule.plan_distance_m)] if far or near else []
        odd += [
            (key, value)
            for key, value in (
                ("min_cover", rule.min_cover_m or 0.0),
                ("vertical_clearance", rule.vertical_clearance_m),
            )
            if value > DEEP_M
        ]
        if job is not None and job.max_depth_m is not None and job.max_depth_m < 1.0:
            odd.append(("max_depth", job.max_depth_m))
        for key, value in odd:
            both = f"{short_length(value, 'us')} ({short_length(value, 'metric')})"
            things = "" if job else f" for {kind_words(rule.kinds[0])}"
            found.append(case.warn("unit", f"{key} of {both} is odd{things}", "look at its value and unit again", rule))
        if rule.mode == "never" and rule.plan_distance_m == 0 and {*rule.kinds} & _NEVER_TOUCHED:
            found.append(case.warn("no-distance", "keeps no distance at all", "add plan_distance", rule))
    return found


_NEVER_TOUCHED = frozenset(
    {"water_well", "septic_tank", "drain_field", "lp_tank", "fuel_tank", "gas_line", "electric_ug"}
)


def _odd_words(case: _Case) -> list[Finding]:
    """A level that is none, a crossing steeper than square: neither reader looks at them."""
    found = []
    if case.file.level not in LEVEL_WORDS:
        what = f"level {case.file.level!r} is not known"
        found.append(case.warn("level", what, f"use one of {', '.join(LEVEL_WORDS)}"))
    found += [
        case.warn("angle", f"angle_min_deg {r.angle_min_deg:g} is steeper than square: no crossing keeps it", "", r)
        for r in case.file.rules
        if r.angle_min_deg is not None and r.angle_min_deg > 90
    ]
    return found


def _silent(case: _Case) -> list[Finding]:
    """Usual kinds of which no rule speaks."""
    named = {kind for rule in case.file.rules for kind in rule.kinds}
    missing = [k for k in USUAL if k not in named]
    if not missing or not case.file.covers:
        return []
    words = ", ".join(kind_words(k) for k in missing)
    return [
        case.note("usual-kind", f"no rule speaks of {words}", 'stack it on another file, e.g. rules = ["house", ...]')
    ]


def _placeholders(case: _Case) -> list[Finding]:
    """Citations that are still to be written."""
    found = []
    if "replace:" in case.file.name.lower():
        found.append(case.warn("name", f"its name is still {case.file.name!r}", "name the authority"))
    empty = [r for r in case.file.rules if any(w in r.citation.lower() for w in _PLACEHOLDERS)]
    if empty:
        what = f"{_names(empty)}: the citation is to be replaced"
        found.append(case.warn("citation", what, "name the clause of your code"))
    return found


def _doubles(case: _Case) -> list[Finding]:
    """Two rules on the same thing of which one can never decide."""
    found = []
    for one, two in combinations(case.file.rules, 2):
        shared = set(one.kinds) & set(two.kinds)
        places = set(one.applies_to) & set(two.applies_to) & {"bore", "pit"}
        if not shared or not places or one.feature_filter != two.feature_filter or one.ranges != two.ranges:
            continue
        if one.job is not None or two.job is not None:
            found += _two_limits(case, one, two)
            continue
        thing = kind_words(min(shared))
        if one.mode == two.mode and one.mode in ("never", "ruling"):
            if abs(one.plan_distance_m - two.plan_distance_m) > _SAME_M:
                what = f"{_short(one)} and {_short(two)} ask two distances from {thing}: the larger one always decides"
            else:
                what = f"{_short(one)} and {_short(two)} say the same of {thing}"
            found.append(case.warn("contradict", what, "keep one of them", two))
            continue
        for hard, soft in ((one, two), (two, one)):
            if hard.mode == "never" and soft.mode != "never" and hard.plan_distance_m >= soft.plan_distance_m - _SAME_M:
                what = f"{_short(hard)} forbids all that {_short(soft)} allows or asks about {thing}"
                found.append(case.warn("contradict", what, "one of the two is not meant so", soft))
    return found


def _two_limits(case: _Case, one: Rule, two: Rule) -> list[Finding]:
    if _job_word(one) != _job_word(two) or one.on_fail != two.on_fail:
        return []
    what = (
        f"{_short(one)} and {_short(two)} both limit the {_job_word(one)} of the job: the stricter one always decides"
    )
    return [case.warn("contradict", what, "keep one of them", two)]


def _parents(case: _Case) -> list[Finding]:
    """Other files that it leans on and nobody has."""
    missing = [p for p in case.file.parents if p not in shipped() and p not in case.given]
    if not missing:
        return []
    what = f"its parents {', '.join(missing)} are neither shipped nor given"
    return [case.note("parents", what, "their rules hold too: add their files when you have them")]


def _own_id(case: _Case) -> list[Finding]:
    """An id that a shipped file has already."""
    if case.shipped or case.file.file_id not in shipped():
        return []
    what = f"its id {case.file.file_id!r} is that of a shipped file, and two files of one id are never stacked"
    return [case.warn("id-taken", what, "give it an id of its own")]


_ADVICE: tuple[Callable[[_Case], list[Finding]], ...] = (
    _placeholders,
    _weak,
    _ages,
    _idle,
    _units,
    _odd_words,
    _doubles,
    _own_id,
    _silent,
    _parents,
)
