"""The audit's own reading of rule files and of the table of kinds.

Format: loopgis/tables/rules/house.toml. Own parser and own unit factors, so that a slip in the generator's reader shows.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from loopgis.core.errors import InputError

METRES = {"ft": 0.3048, "in": 0.0254, "m": 1.0, "cm": 0.01}
"""Factor to metres; the international foot is exactly 0.3048 m (agreement of 1959)."""
MODES = ("never", "under_with_cover", "owner_consent", "over_or_under_with_clearance", "perpendicular", "ruling")
QUALITIES = ("A", "B", "C", "D", "unknown")
_BASES = ("surface", "feature_depth", "lowest_footing")
_OPERATORS = (">", ">=")


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One row of tables/kinds.toml: buried, half width and the larger end of the assumed depth, metres."""

    buried: bool
    half_width_m: float
    deepest_m: float


@dataclass(frozen=True, kw_only=True)
class AuditRule:
    """One rule, lengths in metres; cover_m and max_depth_m are None when the rule does not ask them."""

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
    assumed: bool
    covers: bool
    rules: tuple[AuditRule, ...]

    def trips(self, depth_m: float) -> bool:
        """True when a steered bore of this greatest depth falls under the file."""
        if not self.covers:
            return False
        if self.trigger is None:
            return True
        op, limit_m = self.trigger
        return depth_m > limit_m if op == ">" else depth_m >= limit_m


@cache
def kinds() -> dict[str, Kind]:
    """The table of feature kinds that ships with the package."""
    text = resources.files("loopgis").joinpath("tables/kinds.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["kinds"]
    return {
        name: Kind(buried=row["buried"], half_width_m=row["half_width_m"], deepest_m=max(row["depth_m"]))
        for name, row in rows.items()
    }


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
            return _parse(name, path.read_bytes())
    folder = resources.files("loopgis").joinpath("tables/rules")
    ids = ", ".join(sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml")))
    raise InputError(f"rules {name!r}", "no shipped rule file and no such path", f"shipped ids: {ids}")


def _parse(name: str, data: bytes) -> AuditFile:
    try:
        raw = tomllib.loads(data.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"rule file {name}", f"is not TOML ({error})", "correct the line") from error
    if raw.get("schema") != "loopgis-rules/1":
        raise InputError(f"rule file {name}", "key 'schema' is not \"loopgis-rules/1\"", "is this a rule file?")
    try:
        return _Reader(name, raw).file()
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            f"rule file {name}",
            f"a key is missing or of the wrong type ({error!r})",
            "compare with the shipped file house",
        ) from error


class _Reader:
    """One pass over a parsed rule file; `at` names the rule being read for error lines."""

    def __init__(self, name: str, raw: dict[str, Any]) -> None:
        self.name, self.raw, self.at = name, raw, ""
        self.unit = str(raw.get("defaults", {}).get("units", "m"))

    def fail(self, what: str, remedy: str = "") -> InputError:
        place = f"rule file {self.name}" + (f", rule {self.at}" if self.at else "")
        return InputError(place, what, remedy)

    def metres(self, value: float, unit: str, key: str) -> float:
        if unit not in METRES:
            raise self.fail(f"{key}: unit {unit!r} is not known", "use ft, in, m or cm")
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            raise self.fail(f"{key}: {value!r} is not a length of 0 or more")
        return float(value) * METRES[unit]

    def length(self, row: dict[str, Any], key: str) -> float | None:
        if key not in row:
            return None
        item = row[key]
        if not isinstance(item, dict) or "value" not in item:
            raise self.fail(f"{key} needs {{ value = ..., unit = ... }}")
        return self.metres(item["value"], str(item.get("unit", self.unit)), key)

    def file(self) -> AuditFile:
        about = self.raw.get("jurisdiction", {})
        if "id" not in about:
            raise self.fail("jurisdiction.id is missing", "give the authority a short id")
        self.file_id = str(about["id"])
        plan, vert, unknown = self.tolerances()
        bore = self.raw.get("tolerance", {}).get("bore", {})
        share = float(bore.get("vert_pct_depth", 0.0)) / 100
        if not 0 <= share < 1:
            raise self.fail("tolerance.bore.vert_pct_depth must lie in 0..100")
        apply = self.raw.get("applicability", {})
        return AuditFile(
            file_id=self.file_id,
            plan_m=plan,
            vert_m=vert,
            vert_unknown=unknown,
            bore_plan_m=self.metres(bore.get("plan", 0.0), str(bore.get("unit", self.unit)), "tolerance.bore.plan"),
            bore_share=share,
            trigger=self.trigger(apply),
            assumed=apply.get("class_certainty") == "assumed",
            covers="bored_horizontal" in apply.get("loop_class", ["bored_horizontal"]),
            rules=self.all_rules(),
        )

    def trigger(self, apply: dict[str, Any]) -> tuple[str, float] | None:
        if "depth_trigger" not in apply:
            return None
        row = apply["depth_trigger"]
        if row.get("op") not in _OPERATORS:
            raise self.fail(f"applicability.depth_trigger.op {row.get('op')!r} is not known", "use > or >=")
        return row["op"], self.metres(row["value"], str(row.get("unit", self.unit)), "applicability.depth_trigger")

    def tolerances(self) -> tuple[dict[str, float], dict[str, float], frozenset[str]]:
        """Tolerances by quality; a level the file leaves out gets the largest that it gives."""
        table = self.raw.get("tolerance", {})
        plan: dict[str, float] = {}
        vert: dict[str, float] = {}
        unknown = set()
        for level in QUALITIES:
            if level not in table:
                continue
            row = table[level]
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
        rows = self.raw.get("rule", [])
        if not rows:
            raise self.fail("holds no [[rule]]", "add at least one rule")
        rules = []
        for number, row in enumerate(rows, 1):
            self.at = str(row.get("id", f"number {number}"))
            if "id" not in row:
                raise self.fail("has no id", "give every rule an id")
            rules.append(self.rule(row))
        names = [r.key for r in rules]
        self.at = ""
        if len(set(names)) != len(names):
            raise self.fail("two rules have the same id", "ids must be unique in a file")
        return tuple(rules)

    def rule(self, row: dict[str, Any]) -> AuditRule:
        crossing = row.get("crossing", {})
        max_depth = self.length(row, "max_depth")
        mode = str(crossing.get("mode", "ruling" if max_depth is not None else ""))
        if mode not in MODES:
            raise self.fail(f"crossing.mode {mode!r} is not known", "use one of " + ", ".join(MODES))
        if not row.get("citation"):
            raise self.fail("has no citation", "name the clause")
        cover = row.get("min_cover", {})
        base = str(cover.get("below", "surface"))
        if base not in _BASES:
            raise self.fail(f"min_cover.below {base!r} is not known", "use one of " + ", ".join(_BASES))
        places = row.get("applies_to", ["bore"])
        angle = crossing.get("angle_min_deg")
        quality = str(crossing.get("min_quality", ""))
        if quality and quality not in QUALITIES:
            raise self.fail(f"crossing.min_quality {quality!r} is not known", "use A, B, C or D")
        return AuditRule(
            key=f"{self.file_id}/{row['id']}",
            kinds=self.kinds_of(row),
            bore="bore" in places,
            pit="pit" in places,
            plan_m=self.length(row, "plan_distance") or 0.0,
            mode=mode,
            cover_m=self.length(row, "min_cover"),
            base=base,
            foundation_m=self.foundations(row),
            clear_m=self.length(row, "vertical_clearance") or 0.0,
            angle_deg=None if angle is None else float(angle),
            min_quality=quality,
            consent=bool(crossing.get("consent")) or mode == "owner_consent",
            max_depth_m=max_depth,
            keep=_filter(row),
            citation=str(row["citation"]),
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
