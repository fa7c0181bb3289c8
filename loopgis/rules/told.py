"""Rule files told in words: what ships, and what one file asks, for a clerk who reads no TOML.

To add a word: KIND_WORDS for a kind of feature, STATUS_WORDS for a status; a new key of the format gets its line in `_rule_rows`.
"""

from __future__ import annotations

import difflib
import re
import textwrap
from dataclasses import asdict, dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.units import short_length as shortened
from loopgis.rules.files import load, shipped

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from loopgis.rules.model import Duty, Range, Relax, Rule, RuleFile

Row = tuple[str, str]
"""A label and what stands behind it."""
STATUS_WORDS: dict[str, str] = {
    "seen_official": "read at the authority",
    "seen": "read, mostly as an excerpt at a mirror of the code",
    "seen_mirror": "read at a mirror of the code",
    "secondary": "told by somebody else; the text itself was not read",
    "from_memory": "from memory; the text itself was not read",
}
_SHORT_STATUS = {
    "seen_official": "read at the authority",
    "seen": "read as an excerpt",
    "seen_mirror": "read at a mirror",
    "secondary": "told by somebody else",
    "from_memory": "from memory",
}
KIND_WORDS: dict[str, str] = {
    "property_line": "the lot line",
    "neighbour_parcel": "a neighbour's lot",
    "right_of_way": "a right of way",
    "septic_tank": "a septic tank",
    "drain_field": "a drain field",
    "drain_field_reserve": "the reserve of a drain field",
    "sewer_gravity": "a gravity sewer",
    "sewer_force": "a pressure sewer",
    "water_service": "a water service pipe",
    "irrigation": "an irrigation pipe",
    "lp_tank": "a liquid gas tank",
    "electric_ug": "a buried electric line",
    "electric_oh": "an overhead electric line",
    "telecom": "a telecom line",
    "surface_water": "a pond, stream or ditch",
    "floodplain": "a flood plain",
    "tree_root_zone": "the roots of a tree",
    "paved_way": "a drive or road",
    "existing_loop": "a loop already in the ground",
    "private_other": "another private line",
    "ground": "the job",
}
"""Kinds whose name with an article would not do."""
LEVEL_WORDS = {
    "house": "house rules",
    "standard": "a standard",
    "state": "a state",
    "county": "a county",
    "municipal": "a town or township",
    "covenant": "a covenant",
    "utility": "a utility",
}
_FROM_WORDS = {
    "bore_axis_projection": "the bore's axis in plan",
    "hole_edge": "the edge of the reamed hole in plan",
    "opening": "the entry and the exit only (the exit with its own position error)",
}
_TO_WORDS = {
    "feature_edge": "the edge of the thing",
    "feature_axis": "the middle line or point of the thing, however wide it is",
    "vertical_projection": "the edge of the thing as seen from above, however deep it lies",
}
_ON_FAIL_WORDS = {
    "deny": "the office refuses",
    "variance": "the office refuses unless it grants a variance",
    "prior_approval": "the office must approve beforehand",
    "consent": "those concerned must consent",
    "advise": "it is pointed out; nobody refuses for it",
}
_ASKED_WORDS = {"deny": "the office decides", "variance": "the office decides; it takes a variance"}
_NEEDS_WORDS = {"variance": "a variance", "prior_approval": "prior approval", "consent": "consent"}
_BASE_WORDS = {
    "surface": "the surface of the ground",
    "feature_depth": "the bottom of the thing (the deepest its kind lies, where its depth is not known)",
    "lowest_footing": "the lowest footing",
}
_FIGURE_WORDS = {
    "yield_l_s": ("yield", "L/s"),
    "flow_m3_d": ("daily flow", "m3/day"),
    "voltage_kv": ("voltage", "kV"),
}
_BOUND_WORDS = {"from": "at least", "over": "more than", "below": "less than", "up_to": "at most"}
_FIGURE_AND_UNIT = re.compile(r"(\d) (ft|in|m|cm|yd|%|degrees|gal/\w+|L/s|m3/day|kV|V|days?|hours?)\b")
_WHEN_WORDS = {"before": "before the work", "during": "during the work", "after": "after the work"}


@dataclass(frozen=True, kw_only=True)
class Listed:
    """One shipped file in a list. status: word of the format; concerns: which bores, in words; depth trigger in metres.

    assumed: nobody is sure that its text covers steered bores.
    """

    file_id: str
    name: str
    level: str
    rules: int
    duties: int
    status: str
    checked: date | None
    concerns: str
    depth_trigger_m: float | None
    count_trigger: int | None
    assumed: bool
    advisory_only: bool

    def as_dict(self) -> dict[str, Any]:
        """All fields, for JSON; the day as text."""
        return asdict(self) | {"checked": None if self.checked is None else self.checked.isoformat()}


@dataclass(frozen=True, kw_only=True)
class Block:
    """What is told of one thing: a title and rows of label and text; facts: its figures, for machines."""

    title: str
    rows: tuple[Row, ...]
    facts: dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """One file in words: what it is, then its rules, duties, papers and one-call figures (empty where it has none)."""

    head: Block
    rules: tuple[Block, ...]
    duties: tuple[Block, ...]
    papers: tuple[Block, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON: figures in metres and as published, and the same rows as on a terminal under `told`."""
        told = {name: [_plain(b) for b in getattr(self, name)] for name in ("rules", "duties", "papers")}
        return {"file": _plain(self.head), **told}


def _plain(block: Block) -> dict[str, Any]:
    return {"title": block.title, **block.facts, "told": [{"label": label, "text": text} for label, text in block.rows]}


def listing(units: str = "us") -> list[Listed]:
    """Every shipped rule file in a list; units: us | metric, of the depths in `concerns`."""
    return [listed(load(name), units) for name in shipped()]


def listed(file: RuleFile, units: str = "us") -> Listed:
    """One file as a row of the list."""
    return Listed(
        file_id=file.file_id,
        name=file.name,
        level=file.level,
        rules=len(file.rules),
        duties=len(file.duties),
        status=file.source,
        checked=file.checked,
        concerns=concerns(file, units),
        depth_trigger_m=file.depth_trigger_m,
        count_trigger=file.count_trigger,
        assumed=file.covers and file.class_certainty == "assumed",
        advisory_only=file.advisory_only,
    )


def concerns(file: RuleFile, units: str = "us") -> str:
    """Which bores fall under a file: all steered ones, those deeper than .., those of layouts of so many, or no steered ones."""
    if not file.covers:
        return "no steered bores"
    words = []
    if file.depth_trigger_m is not None:
        depth = short_length(file.depth_trigger_m, units)
        words.append(f"{depth} deep or deeper" if file.trigger_inclusive else f"deeper than {depth}")
    if file.count_trigger is not None:
        least = file.count_trigger if file.count_inclusive else file.count_trigger + 1
        words.append(f"in a layout of {least} or more")
    return "bores " + " and ".join(words) if words else "every steered bore"


def listing_lines(rows: Sequence[Listed], width: int = 100) -> list[str]:
    """The list for a terminal: two lines or three a file, none wider than `width`."""
    lines = []
    for row in rows:
        looked = "" if row.checked is None else f", {row.checked.isoformat()}"
        duties = f", {_count(row.duties, 'duty', 'duties')}" if row.duties else ""
        held = f"{_count(row.rules, 'rule', 'rules')}{duties}; {_SHORT_STATUS[row.status]}{looked}"
        lines += _wrapped(held, width, first=f"{row.file_id:<20} {row.level:<9} ", then=" " * 31)
        sure = " (assumed: ask whether it covers steered bores)" if row.assumed else ""
        text = f"{row.name}. For {row.concerns}{sure}" + ("; advice only." if row.advisory_only else ".")
        lines += _wrapped(text, width, first="    ", then="    ")
    return lines


def explain(name: str, rule: str = "", units: str = "us", *, width: int = 100) -> list[str]:
    """A rule file, or one rule or duty of it, in lines that a clerk reads.

    name: shipped id or path; rule: id of a rule or duty, with or without the file's id before it, empty for all; units: us | metric
    (the published figure stands beside it where it has another unit); width: columns, 40 to 100. Raises InputError as `load` does,
    and for a rule that the file does not have.
    """
    told = explanation(name, rule, units)
    width = max(40, min(width, 100))
    lines = [*_wrapped(told.head.title, width), *_rows_lines(told.head.rows, width)]
    for heading, blocks in (("Rules", told.rules), ("Duties", told.duties), ("Papers and calls", told.papers)):
        if blocks:
            lines += ["", f"{heading} ({len(blocks)})" if heading != "Papers and calls" else heading]
        for block in blocks:
            lines += ["", *_wrapped(block.title, width), *_rows_lines(block.rows, width)]
    return lines


def explanation(name: str, rule: str = "", units: str = "us") -> Explanation:
    """What `explain` tells, as blocks of rows. Raises as `explain` does."""
    if units not in ("us", "metric"):
        raise InputError("units", f"{units!r} is not known", "use us or metric")
    try:
        file, raw = load(name), raw_table(name)
    except (TypeError, AttributeError, KeyError, ValueError, RecursionError) as error:
        raise InputError(
            f"rules {name}", f"a key is of the wrong type ({error})", "loopgis rules check tells more"
        ) from None
    rules = [_rule_block(r, row, file, units) for r, row in zip(file.rules, raw["rule"], strict=True)]
    duties = [_duty_block(d, file.file_id) for d in file.duties]
    papers = [b for b in (_submittal_block(file, raw, units), _one_call_block(file, raw, units)) if b.rows]
    if rule:
        wanted = rule.removeprefix(f"{file.file_id}/")
        known = [b.facts["id"] for b in (*rules, *duties)]
        if wanted not in known:
            near = difflib.get_close_matches(wanted, known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(known)}"
            raise InputError(f"rules {name}", f"has no rule {wanted!r}", hint)
        rules, duties = ([b for b in blocks if b.facts["id"] == wanted] for blocks in (rules, duties))
        papers = []
    return Explanation(
        head=_head_block(file, raw, units), rules=tuple(rules), duties=tuple(duties), papers=tuple(papers)
    )


def rule_bytes(name: str) -> bytes:
    """The bytes of a rule file by shipped id or path; OSError when a path cannot be read, InputError for one too large."""
    if name in shipped():
        return (resources.files("loopgis") / "tables" / "rules" / f"{name}.toml").read_bytes()
    return limits.whole(Path(name), name, "site_mb", "is it the right file? a rule file is a short text")


def raw_table(name: str) -> dict[str, Any]:
    """The table of a rule file that `load` has read, with its figures as they were published."""
    return limits.toml(rule_bytes(name))


def kind_words(kind: str) -> str:
    """A kind of feature with its article: "a water well", "the lot line".

    >>> kind_words("water_well"), kind_words("easement"), kind_words("property_line")
    ('a water well', 'an easement', 'the lot line')
    """
    plain = kind.replace("_", " ")
    return KIND_WORDS.get(kind, f"{'an' if plain[0] in 'aeiou' else 'a'} {plain}")


def plain_text(text: str) -> str:
    r"""Text of a file in one line, without signs that a terminal would obey.

    >>> plain_text("keep  10 ft \x1b[2J off")
    'keep 10 ft [2J off'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def short_length(metres: float, units: str) -> str:
    """Length as texts have it: two decimals, none needless."""
    return shortened(metres, units, 2)


def _published(row: Any, metres: float, units: str) -> str:  # noqa: ANN401 -- whatever stands in the TOML
    """A length in the wanted units, and as published where that is another unit."""
    shown = short_length(metres, units)
    text = _as_published(row)
    return shown if not text or text.endswith((" ft", " m")[units != "us"]) else f"{shown} ({text} in the text)"


def _as_published(row: Any) -> str:  # noqa: ANN401 -- whatever stands in the TOML
    """The text "10 ft" of { value = 10, unit = "ft" }; empty when it is not there."""
    return f"{row['value']:g} {row['unit']}" if isinstance(row, dict) and "value" in row else ""


def _rows_lines(rows: Sequence[Row], width: int) -> list[str]:
    lines = []
    for label, text in rows:
        lines += _wrapped(text, width, first=f"  {label:<11} ", then=" " * 14)
    return lines


def _wrapped(text: str, width: int, *, first: str = "", then: str = "") -> list[str]:
    """Text in lines, a figure and its unit on one line, nothing in it that a terminal would obey."""
    held = _FIGURE_AND_UNIT.sub("\\1\u00a0\\2", plain_text(text))
    lines = textwrap.wrap(held, width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def _head_block(file: RuleFile, raw: dict[str, Any], units: str) -> Block:
    trigger = raw.get("applicability", {}).get("depth_trigger")
    who = concerns(file, units)
    if trigger is not None and file.depth_trigger_m is not None:
        shown = _published(trigger, file.depth_trigger_m, units)
        who = who.replace(short_length(file.depth_trigger_m, units), shown, 1)
    sure = {
        "assumed": "; nobody is sure that its text covers steered bores, so whatever would pass is sent to the office",
        "agency_ruling": "; not by its text alone, the agency reads it so",
    }.get(file.class_certainty if file.covers else "", "")
    rows: list[Row] = [
        ("level", LEVEL_WORDS.get(file.level, file.level) + (", advice and not law" if file.advisory_only else "")),
        ("text", _status_text(file.source, file.checked)),
        ("concerns", who + sure),
    ]
    if file.effective is not None:
        rows.append(("in force", f"since {file.effective.isoformat()}"))
    if file.parents:
        missing = [p for p in file.parents if p not in shipped()]
        hint = f" (not among the shipped files: {', '.join(missing)})" if missing else ""
        rows.append(("besides", f"the rules of {', '.join(file.parents)} hold too{hint}"))
    rows.append(("allowances", _allowances(file, units)))
    facts = listed(file, units).as_dict() | {
        "parents": list(file.parents),
        "effective": None if file.effective is None else file.effective.isoformat(),
        "depth_trigger_published": _as_published(trigger),
        "sha256": file.sha256,
    }
    return Block(title=f"{file.file_id}: {file.name}", rows=tuple(rows), facts=facts)


def _allowances(file: RuleFile, units: str) -> str:
    plan = ", ".join(f"{level} {short_length(m, units)}" for level, m in file.plan_tolerance_m.items())
    bore = short_length(file.bore_plan_tolerance_m, units)
    depth = f"{file.bore_vert_share * 100:g} % of its depth up or down"
    return (
        f"a bore may lie {bore} beside its line and {depth}; a buried thing beside its own by quality of its survey: {plan}. "
        "What keeps a distance only without these is told as thin."
    )


def _status_text(status: str, checked: date | None) -> str:
    return STATUS_WORDS[status] + ("" if checked is None else f"; looked at on {checked.isoformat()}")


def _rule_block(rule: Rule, raw: dict[str, Any], file: RuleFile, units: str) -> Block:
    short = rule.key.removeprefix(f"{file.file_id}/")
    facts: dict[str, Any] = {
        "id": short,
        "feature": list(rule.kinds),
        "mode": "" if rule.job else rule.mode,
        "applies_to": list(rule.applies_to),
        "asks": _sentence(rule, raw, units),
        "distance_m": None if rule.job else _rounded(rule.plan_distance_m),
        "distance_published": _as_published(raw.get("plan_distance")),
        "min_cover_m": _rounded(rule.min_cover_m),
        "vertical_clearance_m": _rounded(rule.vertical_clearance_m) if rule.mode in _GAPS else None,
        "angle_min_deg": rule.angle_min_deg,
        "feature_filter": {column: list(words) for column, words in rule.feature_filter.items()},
        "measure_from": "" if rule.job else rule.measure_from,
        "measure_to": "" if rule.job else rule.measure_to,
        "max_depth_m": _rounded(rule.job.max_depth_m) if rule.job else None,
        "max_bores": rule.job.max_bores if rule.job else None,
        "allowed_fluids": list(rule.job.fluids) if rule.job else [],
        "severity": rule.severity,
        "on_fail": rule.on_fail,
        "consent": list(rule.consent),
        "citation": rule.citation,
        "paraphrase": rule.paraphrase,
        "status": rule.status,
        "checked": None if rule.checked is None else rule.checked.isoformat(),
        "source": rule.source,
    }
    return Block(title=short, rows=tuple(_rule_rows(rule, raw, units)), facts=facts)


def _rounded(metres: float | None) -> float | None:
    """Metres without the noise of the last digits: 45 ft are 13.716 m."""
    return None if metres is None else round(metres, 6)


_GAPS = ("over_or_under_with_clearance", "perpendicular")


def _rule_rows(rule: Rule, raw: dict[str, Any], units: str) -> list[Row]:
    rows: list[Row] = [("asks", _sentence(rule, raw, units)), ("in words", rule.paraphrase)]
    rows += [("only where", text) for text in _only_where(rule, raw)]
    if not rule.job and "bore" in rule.applies_to:
        rows.append(("measured", f"from {_FROM_WORDS[rule.measure_from]} to {_TO_WORDS[rule.measure_to]}"))
    rows += [("eased", _eased(r, item, units)) for r, item in zip(rule.relax, raw.get("relax", []), strict=True)]
    asked = rule.mode == "ruling" and rule.job is None and rule.on_fail in ("deny", "variance")
    rows.append(("not kept", (_ASKED_WORDS if asked else _ON_FAIL_WORDS)[rule.on_fail] + _force(rule)))
    if rule.consent:
        rows.append(("to ask", ", ".join(c.replace("_", " ") for c in rule.consent)))
    if rule.min_quality:
        text = f"a line known less well than quality {rule.min_quality} stays unverified, however much room there is"
        rows.append(("survey", text))
    if raw.get("crossing", {}).get("verify") == "expose":
        rows.append(("on site", "expose it by hand or vacuum before the head passes"))
    rows += [("clause", rule.citation), ("text", _status_text(rule.status, rule.checked))]
    rows += [(label, text) for label, text in (("source", rule.source), ("note", rule.note)) if text]
    return rows


def _force(rule: Rule) -> str:
    return {"shall": "", "should": " (the text says should, not shall)", "note": " (a hint, no demand)"}[rule.severity]


def _sentence(rule: Rule, raw: dict[str, Any], units: str) -> str:
    """What a rule asks, in one or two sentences."""
    if rule.job is not None:
        return _job_sentence(rule, raw, units)
    things = _either([kind_words(k) for k in rule.kinds])
    distance = _published(raw.get("plan_distance"), rule.plan_distance_m, units)
    bare = rule.plan_distance_m == 0
    if rule.mode == "never" or "bore" not in rule.applies_to:
        return _apart(rule, things, "" if bare else distance)
    near = f"Under or inside {things}" if bare else f"Nearer than {distance} to {things}, or under it,"
    pad = (
        f" The pad {'stays off' if bare else f'keeps {distance} from'} it in plan." if "pit" in rule.applies_to else ""
    )
    if rule.mode == "ruling":
        return f"{near.removesuffix(', or under it,')} the office is asked first."
    cover = _published(raw.get("min_cover"), rule.min_cover_m or 0.0, units)
    if rule.mode in ("under_with_cover", "owner_consent"):
        base = _BASE_WORDS[rule.cover_base]
        consent = ", and with the owner's consent" if rule.mode == "owner_consent" else ""
        feet = f" Footings count as {_footings(rule, units)} deep." if rule.foundation_depth_m else ""
        return f"{near} a bore keeps {cover} of ground above the hole, counted from {base}{consent}.{feet}{pad}"
    gap = _published(raw.get("vertical_clearance"), rule.vertical_clearance_m, units)
    across = near.replace("or under it", "or across it").replace("Under or inside", "Across")
    text = f"{across} a bore passes over or under with {gap} clear between them, edge to edge"
    if rule.mode == "perpendicular":
        angle = "" if rule.angle_min_deg is None else f", crosses at {rule.angle_min_deg:g} degrees or steeper"
        text += f"{angle}, and does not run alongside"
    more = f" It keeps {cover} of ground above the hole as well." if rule.min_cover_m is not None else ""
    return f"{text}.{more}{pad}"


def _apart(rule: Rule, things: str, distance: str) -> str:
    """A plain distance; an empty one: only off the thing."""
    who = [w for p, w in (("bore", "bores"), ("pit", "the pad"), ("header", "headers")) if p in rule.applies_to]
    one = who == ["the pad"]
    if rule.kinds == ("property_line",):
        asks = f"{'stays' if one else 'stay'} {f'{distance} inside the lot line' if distance else 'on the lot'}"
    elif distance:
        asks = f"{'keeps' if one else 'keep'} {distance} from {things}"
    else:
        asks = f"{'stays' if one else 'stay'} off {things}"
    return f"{_upper(_either(who, 'and'))} {asks}, {'at any depth' if 'bore' in rule.applies_to else 'in plan'}."


def _job_sentence(rule: Rule, raw: dict[str, Any], units: str) -> str:
    job = rule.job
    if job is not None and job.max_depth_m is not None:
        return f"No bore goes deeper than {_published(raw.get('max_depth'), job.max_depth_m, units)}."
    if job is not None and job.max_bores is not None:
        return f"A layout has {_count(job.max_bores, 'bore', 'bores')} at most."
    return f"The loop holds no other fluid than {_either(job.fluids if job else ())}."


def _footings(rule: Rule, units: str) -> str:
    return ", ".join(f"{kind} {short_length(depth, units)}" for kind, depth in rule.foundation_depth_m.items())


def _only_where(rule: Rule, raw: dict[str, Any]) -> list[str]:
    found = [
        _column_says(column, words) + (" (nothing said counts as unknown)" if "unknown" in words else "")
        for column, words in rule.feature_filter.items()
    ]
    published = raw.get("feature_range", {})
    blank = "the office is asked all the same" if rule.mode == "ruling" else "too near is told as unverified"
    for bound, (name, row) in zip(rule.ranges, published.items(), strict=True):
        parts = [f"{_BOUND_WORDS[k]} {row[k]:g} {row['unit']}" for k in _BOUND_WORDS if k in row]
        figure = _FIGURE_WORDS.get(bound.column, (name, ""))[0]
        text = f"its {figure} is {' and '.join(parts)}{_in_column(bound, row)}"
        found.append(f"{text}; where nobody knows its {figure}, {blank}")
    return found


def _column_says(column: str, words: Sequence[str]) -> str:
    return f"the column {column} says {_either(words)}"


def _in_column(bound: Range, row: dict[str, Any]) -> str:
    """The same bounds in the unit of the layer's column, where the text has another."""
    unit = _FIGURE_WORDS.get(bound.column, ("", ""))[1]
    if not unit or row.get("unit") == unit:
        return ""
    ends = [f"{v:.3g}" for v in (bound.least, bound.most) if v is not None]
    return f" ({' and '.join(ends)} {unit})"


def _eased(relax: Relax, row: dict[str, Any], units: str) -> str:
    parts = []
    if relax.fluids:
        parts.append(f"the fluid is {_either(relax.fluids)}")
    if relax.bores_up_to is not None:
        parts.append(f"the layout has {_count(relax.bores_up_to, 'bore', 'bores')} at most")
    parts += [_column_says(column, words) for column, words in relax.words.items()]
    distance = _published(row.get("plan_distance"), relax.plan_distance_m, units)
    ask = f", but only with {_NEEDS_WORDS[relax.needs]}: ask for it" if relax.needs else ""
    return f"{distance} will do where {' and '.join(parts) or 'nothing else is said'}{ask}"


def _duty_block(duty: Duty, file_id: str) -> Block:
    short = duty.key.removeprefix(f"{file_id}/")
    within = [_count(n, word, f"{word}s") for n, word in ((duty.days, "day"), (duty.hours, "hour")) if n is not None]
    rows: list[Row] = [
        ("what", duty.what),
        ("when", _WHEN_WORDS[duty.when] + (f"; {', '.join(within)}" if within else "")),
    ]
    rows += [("clause", duty.citation), ("text", STATUS_WORDS[duty.status]), ("source", duty.source)]
    facts = {
        "id": short,
        "what": duty.what,
        "when": duty.when,
        "days": duty.days,
        "hours": duty.hours,
        "citation": duty.citation,
        "status": duty.status,
        "source": duty.source,
    }
    return Block(title=short, rows=tuple(rows), facts=facts)


def _submittal_block(file: RuleFile, raw: dict[str, Any], units: str) -> Block:
    asks = file.submittal
    rows: list[Row] = []
    if asks.map_radius_m is not None:
        radius = _published(raw.get("submittal", {}).get("map_radius"), asks.map_radius_m, units)
        rows.append(("map", f"shows everything within {radius}, the neighbours' too"))
    if asks.needs:
        rows.append(("to show", ", ".join(n.replace("_", " ") for n in asks.needs)))
    if asks.notice_hours is not None:
        rows.append(("notice", f"{_count(asks.notice_hours, 'hour', 'hours')} before the work"))
    if asks.permit_life_days is not None:
        rows.append(("permit", f"holds for {_count(asks.permit_life_days, 'day', 'days')}"))
    if asks.as_built_days is not None:
        rows.append(("as built", f"within {_count(asks.as_built_days, 'day', 'days')} after the work"))
    if asks.as_built_coord_decimals is not None:
        rows.append(("places", f"in degrees with {_count(asks.as_built_coord_decimals, 'decimal', 'decimals')}"))
    if asks.seal_required is not None:
        rows.append(("seal", "an engineer's or surveyor's seal is asked" if asks.seal_required else "no seal is asked"))
    rows += [("clause", asks.citation)] if asks.citation and rows else []
    return Block(title="application", rows=tuple(rows), facts=_facts(asks))


def _one_call_block(file: RuleFile, raw: dict[str, Any], units: str) -> Block:
    asks = file.one_call
    rows: list[Row] = []
    if asks.tolerance_zone_m is not None:
        zone = _published(raw.get("one_call", {}).get("tolerance_zone"), asks.tolerance_zone_m, units)
        rows.append(("by hand", f"within {zone} of a marked line's edge"))
    if asks.notice_business_days is not None:
        rows.append(("notice", f"{_count(asks.notice_business_days, 'business day', 'business days')} before digging"))
    if asks.ticket_life_days is not None:
        rows.append(("ticket", f"holds for {_count(asks.ticket_life_days, 'day', 'days')}"))
    if asks.white_lining:
        rows.append(("white line", asks.white_lining.replace("_", " ")))
    if asks.positive_response is not None:
        rows.append(
            ("answers", "every owner's answer is waited for" if asks.positive_response else "no answer is owed")
        )
    rows += [("clause", asks.citation)] if asks.citation and rows else []
    return Block(title="one-call", rows=tuple(rows), facts=_facts(asks))


def _facts(asks: Any) -> dict[str, Any]:  # noqa: ANN401 -- Submittal or OneCall
    return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(asks).items() if v not in (None, "", ())}


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _either(words: Sequence[str], last: str = "or") -> str:
    """Words in a row: "a", "a or b", "a, b or c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
