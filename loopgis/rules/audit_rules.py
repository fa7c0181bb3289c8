"""The audit's own reading of rule files and of the table of kinds.

Format: DEVELOPERS.md, "What a rule means", and loopgis/tables/rules/house.toml. Own parser and own unit factors, so that a slip in
the generator's reader shows. A key that the format does not have is refused, whether the audit uses its neighbours or not.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Collection

METRES = {"ft": 0.3048, "in": 0.0254, "yd": 0.9144, "m": 1.0, "cm": 0.01}
"""Factor to metres; the international foot is exactly 0.3048 m, the yard 3 ft (agreement of 1959)."""
GALLON_L = 3.785411784
"""The US gallon of 231 cubic inches, exact."""
FIGURES = {
    "yield": (
        "yield_l_s",
        {"L/s": 1.0, "gal/min": GALLON_L / 60, "gal/day": GALLON_L / 86400, "m3/day": 1000 / 86400},
    ),
    "flow": (
        "flow_m3_d",
        {"m3/day": 1.0, "gal/day": GALLON_L / 1000, "gal/min": GALLON_L * 1.44, "L/s": 86.4},
    ),
    "voltage": ("voltage_kv", {"kV": 1.0, "V": 0.001}),
}
"""What `feature_range` may ask: the column of the layer features, and the factor of every unit to that column's unit."""
MODES = ("never", "under_with_cover", "owner_consent", "over_or_under_with_clearance", "perpendicular", "ruling")
QUALITIES = ("A", "B", "C", "D", "unknown")
_BASES = ("surface", "feature_depth", "lowest_footing")
_OPERATORS = (">", ">=")
_ON_FAIL = ("deny", "variance", "prior_approval", "consent", "advise")
_NEEDS = ("", "variance", "prior_approval", "consent")
_FROM = ("bore_axis_projection", "hole_edge", "opening")
_TO = ("feature_edge", "feature_axis", "vertical_projection")
_CERTAIN = ("text", "agency_ruling", "assumed")
_STATUS = ("seen_official", "seen", "seen_mirror", "secondary", "from_memory")
_WHEN = ("before", "during", "after")
_BOUNDS = ("from", "over", "below", "up_to")
_JOBS = {"max_depth": "depth", "max_bores": "count", "allowed_fluids": "fluid"}
_PLACED = (
    *("crossing", "plan_distance", "min_cover", "vertical_clearance", "foundation_depth", "feature_filter"),
    *("feature_range", "relax", "measure_from", "measure_to"),
)
_SAME = 1e-6
"""Two figures of a feature that differ by a millionth are the same figure, written in two units."""
_STRENGTH = re.compile(r"\s*\d+(\.\d+)?\s*%.*$")
_LENGTH = ("value", "unit")
_PLACES = ("bore", "pit", "header")
_KEYS: dict[str, tuple[str, ...]] = {
    "": ("schema", "jurisdiction", "applicability", "defaults", "tolerance", "rule", "duty", "submittal", "one_call"),
    "jurisdiction": (*("id", "name", "level", "parents", "effective", "checked", "source_status", "advisory_only"),),
    "applicability": ("loop_class", "class_certainty", "depth_trigger", "count_trigger"),
    "applicability.depth_trigger": ("op", "value", "unit", "datum"),
    "applicability.count_trigger": ("op", "bores"),
    "defaults": ("measure_from", "measure_to", "units"),
    "tolerance": (*QUALITIES, "bore"),
    "rule": (
        *("id", "feature", "applies_to", "max_depth", "max_bores", "allowed_fluids", "severity", "on_fail"),
        *("citation", "paraphrase", "source", "note", "status", "checked", *_PLACED),
    ),
    "crossing": ("mode", "angle_min_deg", "consent", "verify", "min_quality"),
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
"""Every key of the format, by the table it stands in."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One row of tables/kinds.toml: buried, half width and the larger end of the assumed depth, metres."""

    buried: bool
    half_width_m: float
    deepest_m: float


@dataclass(frozen=True, kw_only=True)
class Range:
    """Bounds on one figure of a feature, in the unit of its column. bounds: (from | over | below | up_to, figure)."""

    name: str
    column: str
    bounds: tuple[tuple[str, float], ...]

    def holds(self, figure: float) -> bool:
        """True when a known figure keeps every bound; one that is as good as equal to a bound counts as equal."""
        return all(_keeps(figure, word, bound) for word, bound in self.bounds)


def _keeps(figure: float, word: str, bound: float) -> bool:
    same = abs(figure - bound) <= _SAME * bound
    beyond = figure > bound if word in ("from", "over") else figure < bound
    return same if same and word in ("from", "up_to") else beyond and not same


@dataclass(frozen=True, kw_only=True)
class Ease:
    """One row of `relax`. fluids, bores_up_to: None when not asked; keep: words by column; needs: "" or what to ask for."""

    fluids: tuple[str, ...] | None
    bores_up_to: int | None
    keep: dict[str, tuple[str, ...]]
    plan_m: float
    needs: str


@dataclass(frozen=True, kw_only=True)
class AuditRule:
    """One rule, lengths in metres; cover_m and max_depth_m are None when the rule does not ask them.

    job: "" for a rule about features, else what it asks of the job: depth, count or fluid; then max_depth_m, max_bores or fluids.
    """

    key: str
    kinds: tuple[str, ...]
    bore: bool
    pit: bool
    plan_m: float
    mode: str
    cover_m: float | None
    base: str
    foundation_m: dict[str, float]
    clear_m: float
    angle_deg: float | None
    consent: bool
    min_quality: str
    max_depth_m: float | None
    keep: dict[str, tuple[str, ...]]
    citation: str
    ranges: tuple[Range, ...] = ()
    eases: tuple[Ease, ...] = ()
    measure_from: str = _FROM[0]
    measure_to: str = _TO[0]
    on_fail: str = "deny"
    job: str = ""
    max_bores: int = 0
    fluids: tuple[str, ...] = field(default=())


@dataclass(frozen=True, kw_only=True)
class AuditFile:
    """One authority's file. plan_m, vert_m: tolerances by quality; vert_unknown: qualities whose depth counts as unknown."""

    file_id: str
    plan_m: dict[str, float]
    vert_m: dict[str, float]
    vert_unknown: frozenset[str]
    bore_plan_m: float
    bore_share: float
    trigger: tuple[str, float] | None
    count_trigger: tuple[str, int] | None
    assumed: bool
    covers: bool
    rules: tuple[AuditRule, ...]

    def trips(self, depth_m: float) -> bool:
        """True when a steered bore of this greatest depth falls under the file, as far as depth decides."""
        return self.covers and _tripped(self.trigger, depth_m)

    def trips_count(self, bores: int) -> bool:
        """True when a layout of so many bores falls under the file, as far as their number decides."""
        return _tripped(self.count_trigger, bores)


def _tripped(trigger: tuple[str, float] | None, figure: float) -> bool:
    if trigger is None:
        return True
    op, limit = trigger
    return figure > limit if op == ">" else figure >= limit


@cache
def _kinds_table() -> dict[str, Any]:
    text = resources.files("loopgis").joinpath("tables/kinds.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def kinds() -> dict[str, Kind]:
    """The table of feature kinds that ships with the package."""
    return {
        name: Kind(buried=row["buried"], half_width_m=row["half_width_m"], deepest_m=max(row["depth_m"]))
        for name, row in _kinds_table()["kinds"].items()
    }


@cache
def words() -> dict[str, frozenset[str]]:
    """Columns whose words are listed in the table of kinds, and the words; any other word there counts as unknown."""
    return {str(c).lower(): frozenset(str(w).lower() for w in row) for c, row in _kinds_table()["words"].items()}


def bare_fluid(text: str) -> str:
    """A fluid without its strength, in small letters: "Propylene glycol 20 %" is "propylene glycol"; "" when unknown."""
    told = " ".join(_STRENGTH.sub("", text.replace("_", " ")).lower().split())
    return "" if told == "unknown" else told


def load_rules(wanted: list[str], beside: Path) -> list[AuditFile]:
    """Rule files by shipped id or path (relative paths: here, then beside the GeoPackage). InputError when one is bad."""
    files = [_load_one(str(name), beside) for name in wanted]
    seen: set[str] = set()
    for file in files:
        if file.file_id in seen:
            raise InputError("rules", f"two rule files have the id {file.file_id!r}", "give each authority its own id")
        seen.add(file.file_id)
    return files


def _load_one(name: str, beside: Path) -> AuditFile:
    shipped = resources.files("loopgis").joinpath(f"tables/rules/{name}.toml")
    if "/" not in name and "\\" not in name and shipped.is_file():
        return _parse(name, shipped.read_bytes())
    for path in (Path(name), beside / name):
        if path.is_file():
            return _parse(name, limits.whole(path, f"rule file {name}", "site_mb", "is it the right file?"))
    folder = resources.files("loopgis").joinpath("tables/rules")
    ids = ", ".join(sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml")))
    raise InputError(f"rules {name!r}", "no shipped rule file and no such path", f"shipped ids: {ids}")


def _parse(name: str, data: bytes) -> AuditFile:
    try:
        raw = limits.toml(data)
    except ValueError as error:
        raise InputError(f"rule file {name}", f"is not TOML ({error})", "correct the line") from error
    if raw.get("schema") != "loopgis-rules/1":
        raise InputError(f"rule file {name}", "key 'schema' is not \"loopgis-rules/1\"", "is this a rule file?")
    try:
        return _Reader(name, raw).file()
    except (KeyError, TypeError, AttributeError, ValueError, OverflowError) as error:
        raise InputError(
            f"rule file {name}",
            f"a key is missing or of the wrong type ({error!r})",
            "compare with the shipped file house",
        ) from error


class _Reader:
    """One pass over a parsed rule file; `at` names the rule or duty being read for error lines."""

    def __init__(self, name: str, raw: dict[str, Any]) -> None:
        self.name, self.raw, self.at = name, raw, ""
        self.unit = str(raw.get("defaults", {}).get("units", "m"))

    def fail(self, what: str, remedy: str = "") -> InputError:
        place = f"rule file {self.name}" + (f", {self.at}" if self.at else "")
        return InputError(place, what, remedy)

    def known(self, table: dict[str, Any], keys: Collection[str], where: str = "") -> None:
        """Refuse a key that the format does not have, naming the nearest that it has."""
        for key in table:
            if key not in keys:
                near = difflib.get_close_matches(key, sorted(keys), n=1, cutoff=0.0)[0]
                place = f"{where}: " if where else ""
                raise self.fail(f"{place}key {key!r} is not known", f"the nearest known key is {near!r}")

    def one_of(self, value: object, allowed: tuple[str, ...], key: str) -> str:
        if value not in allowed:
            raise self.fail(f"{key} {value!r} is not known", "use one of " + ", ".join(w or '""' for w in allowed))
        return str(value)

    def whole(self, value: object, key: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            raise self.fail(f"{key}: {value!r} is not a whole number of 0 or more")
        return value

    def words(self, value: object, key: str) -> tuple[str, ...]:
        given = value if isinstance(value, list) else [value]
        if not given or not all(isinstance(w, str) for w in given):
            raise self.fail(f"{key}: {value!r} is not a list of words")
        return tuple(str(w).strip().lower() for w in given)

    def metres(self, value: float, unit: str, key: str) -> float:
        if unit not in METRES:
            raise self.fail(f"{key}: unit {unit!r} is not known", "use ft, in, yd, m or cm")
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            raise self.fail(f"{key}: {value!r} is not a length of 0 or more")
        return float(value) * METRES[unit]

    def length(self, row: dict[str, Any], key: str, more: tuple[str, ...] = ()) -> float | None:
        if key not in row:
            return None
        item = row[key]
        if not isinstance(item, dict) or "value" not in item:
            raise self.fail(f"{key} needs {{ value = ..., unit = ... }}")
        self.known(item, (*_LENGTH, *more), key)
        return self.metres(item["value"], str(item.get("unit", self.unit)), key)

    def file(self) -> AuditFile:
        self.known(self.raw, _KEYS[""])
        about = self.raw.get("jurisdiction", {})
        if "id" not in about:
            raise self.fail("jurisdiction.id is missing", "give the authority a short id")
        self.file_id = str(about["id"])
        self.section("jurisdiction")
        self.stamp(about, "source_status", "jurisdiction.")
        plan, vert, unknown = self.tolerances()
        bore = self.raw.get("tolerance", {}).get("bore", {})
        self.known(bore, ("plan", "vert_pct_depth", "unit"), "tolerance.bore")
        share = float(bore.get("vert_pct_depth", 0.0)) / 100
        if not 0 <= share < 1:
            raise self.fail("tolerance.bore.vert_pct_depth must lie in 0..100")
        apply = self.section("applicability")
        certain = self.one_of(apply.get("class_certainty", "text"), _CERTAIN, "applicability.class_certainty")
        self.told()
        return AuditFile(
            file_id=self.file_id,
            plan_m=plan,
            vert_m=vert,
            vert_unknown=unknown,
            bore_plan_m=self.metres(bore.get("plan", 0.0), str(bore.get("unit", self.unit)), "tolerance.bore.plan"),
            bore_share=share,
            trigger=self.trigger(apply),
            count_trigger=self.count_trigger(apply),
            assumed=certain == "assumed",
            covers="bored_horizontal" in apply.get("loop_class", ["bored_horizontal"]),
            rules=self.all_rules(),
        )

    def section(self, name: str) -> dict[str, Any]:
        """A table at the top level, its keys checked; empty when it is not there."""
        table: dict[str, Any] = self.raw.get(name, {})
        self.known(table, _KEYS[name], name)
        return table

    def stamp(self, table: dict[str, Any], key: str, where: str = "") -> None:
        """Status word and dates, when given."""
        if key in table:
            self.one_of(table[key], _STATUS, where + key)
        for day in ("checked", "effective"):
            if day in table and not isinstance(table[day], dt.date):
                raise self.fail(f"{where}{day} {table[day]!r} is not a date", "write it as 2026-11-25, without quotes")

    def told(self) -> None:
        """What is told and not measured: the audit uses none of it, but its keys must be those of the format."""
        if "map_radius" in self.section("submittal"):
            self.length(self.raw["submittal"], "map_radius")
        if "tolerance_zone" in self.section("one_call"):
            self.length(self.raw["one_call"], "tolerance_zone")
        for number, row in enumerate(self.raw.get("duty", []), 1):
            self.at = f"duty {row.get('id', f'number {number}')}"
            self.known(row, _KEYS["duty"])
            for key in ("id", "what", "citation", "source"):
                if not row.get(key):
                    raise self.fail(f"has no {key}", "a duty has id, what, when, citation and source")
            self.one_of(row.get("when"), _WHEN, "when")
            self.stamp(row, "status")
            for key in ("days", "hours"):
                self.whole(row.get(key, 0), key)
        self.at = ""

    def trigger(self, apply: dict[str, Any]) -> tuple[str, float] | None:
        if "depth_trigger" not in apply:
            return None
        row, name = apply["depth_trigger"], "applicability.depth_trigger"
        self.known(row, _KEYS[name], name)
        if row.get("op") not in _OPERATORS:
            raise self.fail(f"applicability.depth_trigger.op {row.get('op')!r} is not known", "use > or >=")
        self.one_of(row.get("datum", "existing_grade"), ("existing_grade",), f"{name}.datum")
        return row["op"], self.metres(row["value"], str(row.get("unit", self.unit)), name)

    def count_trigger(self, apply: dict[str, Any]) -> tuple[str, int] | None:
        if "count_trigger" not in apply:
            return None
        row, name = apply["count_trigger"], "applicability.count_trigger"
        self.known(row, _KEYS[name], name)
        return self.one_of(row.get("op"), _OPERATORS, f"{name}.op"), self.whole(row["bores"], f"{name}.bores")

    def tolerances(self) -> tuple[dict[str, float], dict[str, float], frozenset[str]]:
        """Tolerances by quality; a level the file leaves out gets the largest that it gives."""
        table = self.section("tolerance")
        plan: dict[str, float] = {}
        vert: dict[str, float] = {}
        unknown = set()
        for level in QUALITIES:
            if level not in table:
                continue
            row = table[level]
            self.known(row, ("plan", "vert", "unit", "depth"), f"tolerance.{level}")
            unit = str(row.get("unit", self.unit))
            plan[level] = self.metres(row["plan"], unit, f"tolerance.{level}.plan")
            if "vert" in row:
                vert[level] = self.metres(row["vert"], unit, f"tolerance.{level}.vert")
            if row.get("depth") == "unknown":
                unknown.add(level)
        worst_plan, worst_vert = max(plan.values(), default=0.0), max(vert.values(), default=0.0)
        return (
            {q: plan.get(q, worst_plan) for q in QUALITIES},
            {q: vert.get(q, worst_vert) for q in QUALITIES},
            frozenset(unknown),
        )

    def all_rules(self) -> tuple[AuditRule, ...]:
        defaults = self.section("defaults")
        self.one_of(defaults.get("measure_from", _FROM[0]), _FROM, "defaults.measure_from")
        self.one_of(defaults.get("measure_to", _TO[0]), _TO, "defaults.measure_to")
        rows = self.raw.get("rule", [])
        if not rows:
            raise self.fail("holds no [[rule]]", "add at least one rule")
        rules = []
        for number, row in enumerate(rows, 1):
            self.at = f"rule {row.get('id', f'number {number}')}"
            if "id" not in row:
                raise self.fail("has no id", "give every rule an id")
            self.known(row, _KEYS["rule"])
            rules.append(self.rule(row))
        names = [r.key for r in rules]
        self.at = ""
        if len(set(names)) != len(names):
            raise self.fail("two rules have the same id", "ids must be unique in a file")
        return tuple(rules)

    def rule(self, row: dict[str, Any]) -> AuditRule:
        crossing = row.get("crossing", {})
        self.known(crossing, _KEYS["crossing"], "crossing")
        job = self.job(row)
        mode = self.one_of(crossing.get("mode", "ruling" if job else ""), MODES, "crossing.mode")
        if not row.get("citation"):
            raise self.fail("has no citation", "name the clause")
        self.stamp(row, "status")
        base = self.one_of(row.get("min_cover", {}).get("below", "surface"), _BASES, "min_cover.below")
        places = self.words(row.get("applies_to", ["bore"]), "applies_to")
        for place in places:
            self.one_of(place, _PLACES, "applies_to")
        angle = crossing.get("angle_min_deg")
        quality = str(crossing.get("min_quality", ""))
        if quality and quality not in QUALITIES:
            raise self.fail(f"crossing.min_quality {quality!r} is not known", "use A, B, C or D")
        start, end = self.measures(row, mode, job)
        return AuditRule(
            key=f"{self.file_id}/{row['id']}",
            kinds=self.kinds_of(row),
            bore="bore" in places,
            pit="pit" in places,
            plan_m=self.length(row, "plan_distance") or 0.0,
            mode=mode,
            cover_m=self.length(row, "min_cover", ("below",)),
            base=base,
            foundation_m=self.foundations(row),
            clear_m=self.length(row, "vertical_clearance") or 0.0,
            angle_deg=None if angle is None else float(angle),
            min_quality=quality,
            consent=bool(crossing.get("consent")) or mode == "owner_consent",
            max_depth_m=self.length(row, "max_depth"),
            keep=_filter(row),
            citation=str(row["citation"]),
            ranges=self.ranges(row),
            eases=self.eases(row, mode),
            measure_from=start,
            measure_to=end,
            on_fail=self.one_of(row.get("on_fail", "deny"), _ON_FAIL, "on_fail"),
            job=job,
            max_bores=self.whole(row.get("max_bores", 0), "max_bores"),
            fluids=tuple(map(bare_fluid, self.words(row["allowed_fluids"], "allowed_fluids")))
            if job == "fluid"
            else (),
        )

    def job(self, row: dict[str, Any]) -> str:
        """What a rule asks of the job, "" when it speaks of features."""
        asked = [key for key in _JOBS if key in row]
        if not asked:
            return ""
        if len(asked) > 1:
            raise self.fail(f"asks {' and '.join(asked)} at once", "make a rule of each")
        if self.kinds_of(row) != ("ground",):
            raise self.fail(f"{asked[0]} stands with another feature than ground", 'write feature = "ground"')
        strange = [key for key in _PLACED if key in row]
        if strange:
            raise self.fail(f"{strange[0]} cannot stand beside {asked[0]}", "make a rule of each")
        return _JOBS[asked[0]]

    def measures(self, row: dict[str, Any], mode: str, job: str) -> tuple[str, str]:
        """Where the rule measures from and to: its own word, else that of [defaults]."""
        if job:
            return _FROM[0], _TO[0]
        found = []
        for key, allowed in (("measure_from", _FROM), ("measure_to", _TO)):
            word = self.one_of(row.get(key, self.raw.get("defaults", {}).get(key, allowed[0])), allowed, key)
            if mode not in ("never", "ruling") and word != allowed[0]:
                raise self.fail(
                    f"{key} {word!r} goes with the modes never and ruling only", f'give the rule {key} = "{allowed[0]}"'
                )
            found.append(word)
        return found[0], found[1]

    def ranges(self, row: dict[str, Any]) -> tuple[Range, ...]:
        asked = row.get("feature_range", {})
        self.known(asked, tuple(FIGURES), "feature_range")
        found = []
        for name, item in asked.items():
            where = f"feature_range.{name}"
            self.known(item, (*_BOUNDS, "unit"), where)
            column, factors = FIGURES[name]
            factor = factors[self.one_of(item.get("unit"), tuple(factors), f"{where}.unit")]
            bounds = []
            for word in _BOUNDS:
                value = item.get(word, 0)
                if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
                    raise self.fail(f"{where}.{word}: {value!r} is not a figure of 0 or more")
                if word in item:
                    bounds.append((word, value * factor))
            found.append(Range(name=name, column=column, bounds=tuple(bounds)))
            low = max((v for w, v in bounds if w in ("from", "over")), default=-1.0)
            high = min((v for w, v in bounds if w in ("below", "up_to")), default=float("inf"))
            if not bounds or low > high or (low == high and not found[-1].holds(low)):
                raise self.fail(f"{where} holds no figure", "give from or over, below or up_to")
        return tuple(found)

    def eases(self, row: dict[str, Any], mode: str) -> tuple[Ease, ...]:
        rows = row.get("relax", [])
        if rows and mode not in ("never", "ruling"):
            raise self.fail("relax goes with the modes never and ruling only")
        return tuple(self.ease(item, row, mode) for item in rows)

    def ease(self, item: dict[str, Any], row: dict[str, Any], mode: str) -> Ease:
        self.known(item, ("when", "plan_distance", "needs"), "relax")
        when = dict(item["when"])
        needs = self.one_of(item.get("needs", ""), _NEEDS, "relax.needs")
        if needs and mode != "never":
            raise self.fail("relax.needs goes with the mode never only")
        if not when:
            raise self.fail("relax.when is empty", "say when the distance is eased")
        plan = self.length(item, "plan_distance")
        if plan is None or plan > (self.length(row, "plan_distance") or 0.0):
            raise self.fail("relax.plan_distance is missing or more than the rule's own")
        fluids, most = when.pop("fluid", None), when.pop("bores_up_to", None)
        return Ease(
            fluids=None if fluids is None else tuple(map(bare_fluid, self.words(fluids, "relax.when.fluid"))),
            bores_up_to=None if most is None else self.whole(most, "relax.when.bores_up_to"),
            keep={str(c).lower(): self.words(v, f"relax.when.{c}") for c, v in when.items()},
            plan_m=plan,
            needs=needs,
        )

    def kinds_of(self, row: dict[str, Any]) -> tuple[str, ...]:
        named = row.get("feature", [])
        names = [named] if isinstance(named, str) else [str(n) for n in named]
        strange = [n for n in names if n not in kinds()]
        if strange or not names:
            raise self.fail(f"feature {strange[0] if strange else ''!r} is not a known kind", "see tables/kinds.toml")
        return tuple(names)

    def foundations(self, row: dict[str, Any]) -> dict[str, float]:
        table = dict(row.get("foundation_depth", {}))
        unit = str(table.pop("unit", self.unit))
        return {str(k).lower(): self.metres(v, unit, f"foundation_depth.{k}") for k, v in table.items()}


def _filter(row: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    wanted = row.get("feature_filter", {})
    return {
        str(column).lower(): tuple(str(v).lower() for v in (values if isinstance(values, list) else [values]))
        for column, values in wanted.items()
    }
