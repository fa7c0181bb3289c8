"""The site file: TOML in, plain values in SI out, every default filled in, every slip named.

To add a key: its name in KEYS, its default with a source in tables/defaults.toml if it may be left out, and the place that reads it
(here for files and places, spec_parts.py for figures).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site import cost_parts, heat_parts, mud_parts, spec_parts
from loopgis.site.keys import Keys, nearest, toml_of
from loopgis.site.log import plain
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from loopgis.site.log import Log
    from loopgis.site.model import BoreSpec, CostSpec, DemandSpec, GroundSpec, MudSpec, PipeSpec, RigSpec, StrengthSpec

KEYS: dict[str, set[str]] = {
    "site": {
        "name",
        "parcel",
        "parcel_crs",
        "buildings",
        "elevation",
        "elevation_unit",
        "rules",
        "units",
        "feature",
        "ticket",
    },
    "pad": {"at", "size", "entry", "axis_deg"},
    **spec_parts.KEYS,
}
FEATURE_KEYS = {"kind", "path", "quality", "depth_unit"}
LAYER_KEYS = {"path", "layer", "where", "crs"}
QUALITIES = ("A", "B", "C", "D", "unknown")
LONGEST_PATH = 4000
_QUOTED = re.compile(r"'[^']*+'|\"[^\"]*+\"")
_CALLED = re.compile(r"\b(\w+)\s*\(")
_MAY_BE_CALLED = frozenset(
    [
        "and",
        "or",
        "not",
        "in",
        "like",
        "ilike",
        "between",
        "is",
        "null",
        "lower",
        "upper",
        "trim",
        "ltrim",
        "rtrim",
        "length",
        "substr",
        "substring",
        "abs",
        "round",
        "cast",
        "coalesce",
    ]
)
"""Words that may stand before a bracket in a filter; everything else would be a query or a program of its own."""
_NO_FILTER = re.compile(r";|--|/\*|\b(?:select|with|pragma|attach|union|recursive)\b", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class LayerRef:
    """Where a layer lies: path as written, resolved path, layer name, attribute filter, CRS when the file has none."""

    written: str
    path: Path
    layer: str | None = None
    where: str | None = None
    crs: str | None = None

    def __post_init__(self) -> None:
        """Refuse a filter that is more than one condition: databases would run it. Raises InputError."""
        bare = _QUOTED.sub("''", self.where or "")
        called = next((w for w in _CALLED.findall(bare) if w.lower() not in _MAY_BE_CALLED), "")
        if called or _NO_FILTER.search(bare) or "'" in bare.replace("''", ""):
            what = f"where = {plain(self.where, 60)!r} is more than a condition on columns"
            remedy = "write it like \"parcel_id = 'p7' AND area > 100\""
            raise InputError(self.written, what + (f" ({called})" if called else ""), remedy)

    @property
    def which(self) -> dict[str, str]:
        """The layer as an option of the reader; empty for the only one of a file."""
        return {"layer": self.layer} if self.layer else {}

    @property
    def rows(self) -> dict[str, str]:
        """Layer and filter as options of the reader."""
        return self.which | ({"where": self.where} if self.where else {})

    @property
    def name(self) -> str:
        """How messages call it."""
        parts = [self.written, f"layer {self.layer}" if self.layer else "", f"({self.where})" if self.where else ""]
        return " ".join(p for p in parts if p)


@dataclass(frozen=True, kw_only=True)
class FeatureRef:
    """One [[site.feature]]: kind is empty when the layer has a `kind` column; ref is None when it could not be read."""

    kind: str
    ref: LayerRef | None
    quality: str
    depth_unit: str
    number: int


@dataclass(frozen=True, kw_only=True)
class Config:
    """The site file with its layers still to be read. at and entry: (x, y) in the parcel's CRS, a layer, or None."""

    path: Path
    name: str
    units: str
    parcel: LayerRef | None
    buildings: LayerRef | None
    elevation: LayerRef | None
    elevation_unit: str
    rules: tuple[str, ...]
    features: tuple[FeatureRef, ...]
    at: tuple[float, float] | LayerRef | None
    entry: tuple[float, float] | LayerRef | None
    size_m: tuple[float, float]
    axis_deg: float | None
    demand: DemandSpec | None
    ground: GroundSpec
    rig: RigSpec
    bore: BoreSpec
    pipe: PipeSpec
    patterns: tuple[str, ...]
    keep: LayerRef | None
    worths_m: tuple[float, float]
    score: dict[str, float]
    strength: StrengthSpec | None
    mud: MudSpec
    cost: CostSpec
    ticket: LayerRef | None
    given: frozenset[str]


def default_rows() -> list[dict[str, str]]:
    """Every default as text with its source, rig classes and soils included: rows of key, value, source for the README."""
    rows = [
        {"key": key, "value": _as_text(row["value"]), "source": row["source"]}
        for key, row in load_table("defaults").items()
    ]
    for name, rig in load_table("rigs")["rigs"].items():
        words = ", ".join(f"{k} {_as_text(v)}" for k, v in rig.items() if k != "source")
        rows.append({"key": f"rig.class = {name}", "value": words, "source": rig["source"]})
    for name, soil in load_table("soils")["soils"].items():
        words = f"{soil['conductivity']}, {soil['diffusivity']}"
        rows.append({"key": f"ground.soil = {name}", "value": words, "source": soil["source"]})
    for name, fill in load_table("fills")["fills"].items():
        rows.append(
            {
                "key": f"bore.fill = {name}",
                "value": fill.get("conductivity", "that of the ground"),
                "source": fill["source"],
            }
        )
    for name, row in load_table("costs")["costs"].items():
        rows.append({"key": f"cost.{name}", "value": _as_text(row["value"]), "source": row["source"]})
    for name, row in load_table("strengths")["strengths"].items():
        words = ", ".join(f"{k} {v}" for k, v in row.items() if k not in {"source", "ground"})
        rows.append({"key": f"ground.strength = {name}", "value": words, "source": row["source"]})
    return rows


def _as_text(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def load(path: str | Path, log: Log) -> Config:
    """Read a site file, keeping every slip in the log.

    Raises InputError only when there is nothing to read keys from: no file, not UTF-8, not TOML.
    When the log holds errors afterwards the values are of no use except to look for more errors.
    """
    file = Path(path)
    defaults = {key: row["value"] for key, row in load_table("defaults").items()}
    keys = Keys(file, toml_of(file), log, defaults)
    keys.known("", keys.data, KEYS)
    for name, known in KEYS.items():
        keys.known(f"[{name}]", keys.table(name), known)
    return _config(keys)


def _config(keys: Keys) -> Config:
    site = keys.table("site")
    rig = spec_parts.rig(keys)
    demand, ground = heat_parts.demand(keys), heat_parts.ground(keys)
    return Config(
        path=keys.file,
        name=plain(keys.text("site", "name") or keys.file.resolve().parent.name),
        units=keys.text("site", "units", choices=("us", "metric")),
        parcel=_parcel(keys),
        buildings=_optional_layer(keys, "buildings"),
        elevation=_optional_layer(keys, "elevation"),
        elevation_unit=keys.text("site", "elevation_unit"),
        rules=keys.attempt((), lambda: _rules(keys)),
        features=_features(keys, site.get("feature", [])),
        at=_place(keys, "at"),
        entry=_place(keys, "entry"),
        size_m=keys.pair("pad", "size", "length", least=1.0, most=250.0),
        axis_deg=_axis(keys),
        demand=demand,
        ground=ground,
        rig=rig,
        bore=spec_parts.bore(keys, rig),
        pipe=spec_parts.pipe(keys),
        patterns=spec_parts.patterns(keys),
        keep=_layer(keys, keys.table("layout")["keep"], "layout", "keep") if "keep" in keys.table("layout") else None,
        worths_m=spec_parts.worths(keys),
        score=spec_parts.score(keys),
        strength=mud_parts.strength(keys, ground),
        mud=mud_parts.mud(keys),
        cost=cost_parts.cost(keys),
        ticket=_layer(keys, site["ticket"], "site", "ticket") if "ticket" in site else None,
        given=frozenset(f"{t}.{k}" for t in KEYS for k in keys.table(t)),
    )


def _rules(keys: Keys) -> tuple[str, ...]:
    names = keys.texts("site", "rules", 'rules = ["house"]')
    if len(names) > limits.most("rules"):
        where, what = keys.where("site", "rules"), f"names {len(names):,} rule files"
        raise limits.too_much(where, what, "name each authority once", "rules", len(names))
    return tuple(_rule(keys.file, r) for r in names)


def _rule(file: Path, name: str) -> str:
    """A shipped rule file by its id stays as it is; a path is taken from where the site file lies."""
    if not name.lower().endswith(".toml"):
        return name
    try:
        return str((file.parent / name).resolve())
    except (OSError, ValueError):
        raise InputError(f"{file} [site] rules", f"{plain(name, 60)!r} is no file name", "check the path") from None


def _axis(keys: Keys) -> float | None:
    given = keys.get("pad", "axis_deg") is not None
    return keys.number("pad", "axis_deg", least=-360, most=360) if given else None


def _parcel(keys: Keys) -> LayerRef | None:
    site = keys.table("site")
    if "parcel" not in site:
        keys.fail("site", "parcel", "is missing", 'add parcel = "parcel.gpkg" under [site]')
        return None
    ref = _layer(keys, site["parcel"], "site", "parcel")
    crs = keys.text("site", "parcel_crs")
    if ref is None or not crs:
        return ref
    if ref.crs is not None:
        keys.fail("site", "parcel_crs", "is given beside parcel = { crs = ... }", "keep one of the two")
    return LayerRef(written=ref.written, path=ref.path, layer=ref.layer, where=ref.where, crs=crs)


def _optional_layer(keys: Keys, key: str) -> LayerRef | None:
    site = keys.table("site")
    ref = _layer(keys, site[key], "site", key) if key in site else None
    if ref is not None and key == "elevation" and (ref.layer or ref.where):
        keys.fail("site", key, "is a raster: layer and where do not apply", "leave them out")
    return ref


def _layer(keys: Keys, value: Any, table: str, key: str) -> LayerRef | None:
    """A path, or { path, layer, where, crs }."""
    where = keys.where(table, key)
    if isinstance(value, str):
        value = {"path": value}
    if not isinstance(value, dict):
        example = f'write {key} = "file.gpkg" or {key} = {{ path = "file.gpkg", layer = "name" }}'
        keys.fail(table, key, f"{plain(repr(value), 80)} is not a path", example)
        return None
    keys.known(f"[{table}] {key}", value, LAYER_KEYS)
    return keys.attempt(None, lambda: _layer_ref(keys.file, value, where))


def _layer_ref(file: Path, value: dict[str, Any], where: str) -> LayerRef:
    if "path" not in value:
        raise InputError(where, "has no path", 'write { path = "file.gpkg" }')
    for name in LAYER_KEYS & set(value):
        part = value[name]
        if not isinstance(part, str) or not part.strip() or "\0" in part or len(part) > LONGEST_PATH:
            raise InputError(where, f"{name} = {str(part)[:60]!r} is not a usable text", "write a text in quotes")
    try:
        return LayerRef(
            written=value["path"],
            path=(file.parent / value["path"]).absolute(),
            layer=value.get("layer"),
            where=value.get("where"),
            crs=value.get("crs"),
        )
    except InputError as error:  # it knows only the layer
        raise InputError(f"{where} {error.where}", error.what, error.remedy) from None


def _features(keys: Keys, rows: Any) -> tuple[FeatureRef, ...]:
    if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        keys.fail("site.feature", "", "is not a list of tables", "write [[site.feature]] with double brackets")
        return ()
    if len(rows) > limits.most("layers"):
        remedy = "put rows of several kinds into one layer with a column kind"
        what = f"stands {len(rows):,} times"
        keys.log.add_error("site-file", limits.too_much(keys.where("site.feature"), what, remedy, "layers", len(rows)))
        return ()
    return tuple(_feature(keys, row, number) for number, row in enumerate(rows, 1))


def _feature(keys: Keys, row: dict[str, Any], number: int) -> FeatureRef:
    name = f"site.feature {number}"
    keys.known(f"[{name}]", row, FEATURE_KEYS)
    kind, quality, unit = row.get("kind", ""), row.get("quality", "unknown"), row.get("depth_unit", "")
    kinds = load_table("kinds")["kinds"]
    if "kind" in row and not (isinstance(kind, str) and kind in kinds):
        keys.fail(name, "kind", f"unknown kind {plain(kind, 40)!r}", nearest(str(kind), kinds))
    if quality not in QUALITIES:
        keys.fail(name, "quality", f"{plain(repr(quality), 60)} is no ASCE 38 level", f"one of {', '.join(QUALITIES)}")
    if "depth_unit" in row:
        keys.attempt(0.0, lambda: _unit(unit, keys.where(name, "depth_unit")))
    if "path" not in row:
        keys.fail(name, "path", "is missing", 'add path = "file.gpkg"')
    ref = _layer(keys, row["path"], name, "path") if "path" in row else None
    return FeatureRef(kind=str(kind), ref=ref, quality=str(quality), depth_unit=str(unit), number=number)


def _unit(unit: Any, where: str) -> float:
    if not isinstance(unit, str) or not unit.strip():
        raise InputError(where, f"{plain(repr(unit), 60)} is not a unit of length", 'write depth_unit = "ft"')
    return parse(f"1 {unit}", "length", where=where)


def _place(keys: Keys, key: str) -> tuple[float, float] | LayerRef | None:
    """A point [x, y], a layer, or None when left out."""
    value = keys.table("pad").get(key)
    if value is None:
        return None
    if not isinstance(value, list):
        return _layer(keys, value, "pad", key)
    numbers = [v for v in value if isinstance(v, (int, float)) and not isinstance(v, bool) and abs(v) < 1e9]
    if len(value) != 2 or len(numbers) != 2:
        text = f"write two plain numbers, {key} = [x, y] in the parcel's CRS"
        keys.fail("pad", key, f"{str(value)[:80]} is not a point", text)
        return math.nan, math.nan
    return float(value[0]), float(value[1])
