"""The site file: TOML in, plain values in SI out, every default filled in, every slip named.

To add a key: a line in KEYS, its default with a source in tables/defaults.toml if it may be left out, and the place that reads it.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loopgis.core.errors import InputError
from loopgis.core.units import parse
from loopgis.site.model import BoreSpec, DemandSpec, GroundSpec, PipeSpec, RigSpec
from loopgis.tables.load import load_table

KEYS: dict[str, set[str]] = {
    "site": {"name", "parcel", "buildings", "elevation", "elevation_unit", "rules", "units", "feature"},
    "feature": {"kind", "path", "quality", "depth_unit"},
    "layer": {"path", "layer", "where", "crs"},
    "pad": {"at", "size", "entry", "axis_deg"},
    "demand": {
        "heating_peak",
        "cooling_peak",
        "heating_hours",
        "cooling_hours",
        "monthly",
        "hourly",
        "ewt_min",
        "ewt_max",
        "years",
    },
    "monthly": {"heating", "cooling"},
    "ground": {"soil", "conductivity", "diffusivity", "mean", "amplitude", "coldest_day"},
    "rig": {
        "class",
        "rod_length",
        "bend_radius",
        "entry_pitch",
        "exit_pitch",
        "max_length",
        "max_depth",
        "pullback",
    },
    "bore": {"depth", "spacing", "bores", "length", "hole"},
    "pipe": {"size", "dr", "fluid"},
    "layout": {"patterns", "keep"},
    "score": {"level", "economy", "spacing", "crossings", "margin", "header"},
}
TABLES = ("site", "pad", "demand", "ground", "rig", "bore", "pipe", "layout", "score")
LIMIT_BYTES = 1_000_000
_FRACTIONS = {
    "3/4 in": "0.75 in",
    "1-1/4 in": "1.25 in",
    "1 1/4 in": "1.25 in",
    "1-1/2 in": "1.5 in",
    "1 1/2 in": "1.5 in",
}


@dataclass(frozen=True, kw_only=True)
class LayerRef:
    """Where a layer lies: path as written, resolved path, layer name, attribute filter, CRS when the file has none."""

    written: str
    path: Path
    layer: str | None = None
    where: str | None = None
    crs: str | None = None


@dataclass(frozen=True, kw_only=True)
class FeatureRef:
    """One [[site.feature]]: kind may be empty when the layer has a `kind` column."""

    kind: str
    ref: LayerRef
    quality: str
    depth_unit: str
    number: int


@dataclass(frozen=True, kw_only=True)
class Config:
    """The site file with paths still to be read. at and entry: (x, y) in the parcel's CRS, a layer, or None."""

    path: Path
    name: str
    units: str
    parcel: LayerRef
    buildings: LayerRef | None
    elevation: LayerRef | None
    elevation_unit: str | None
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
    keep: str
    score: dict[str, float]
    given: frozenset[str]


def default_rows() -> list[dict[str, str]]:
    """Every default as text with its source, rig classes, soils and score weights included; for the README."""
    from loopgis.layout.score import DEFAULT_WEIGHTS  # noqa: PLC0415 - only for the table

    rows = [
        {"key": key, "value": _as_text(row["value"]), "source": row["source"]}
        for key, row in load_table("defaults").items()
    ]
    for name, rig in load_table("rigs")["rigs"].items():
        words = ", ".join(f"{k} {_as_text(v)}" for k, v in rig.items() if k != "source")
        rows.append({"key": f"rig.class = {name}", "value": words, "source": rig["source"]})
    for name, soil in load_table("soils")["soils"].items():
        rows.append(
            {
                "key": f"ground.soil = {name}",
                "value": f"{soil['conductivity']}, {soil['diffusivity']}",
                "source": soil["source"],
            }
        )
    rows += [{"key": f"score.{k}", "value": f"{v:g}", "source": "house choice"} for k, v in DEFAULT_WEIGHTS.items()]
    return rows


def _as_text(value: object) -> str:
    return " to ".join(map(str, value)) if isinstance(value, list) else str(value)


def load(path: str | Path) -> Config:
    """Read a site file. Raises InputError naming the file, the key and the remedy."""
    file = Path(path)
    return _Reader(file, _toml(file)).config()


def _toml(file: Path) -> dict[str, Any]:
    try:
        if file.is_dir():
            raise InputError(str(file), "is a folder, not a site file", "name the .toml file inside it")
        if file.stat().st_size > LIMIT_BYTES:
            raise InputError(str(file), "site file is larger than 1 MB", "check that it is the right file")
        data = file.read_bytes()
    except OSError as error:
        raise InputError(str(file), f"cannot be read ({error.strerror})", "check the path of the site file") from None
    except ValueError:
        raise InputError(repr(str(file)), "is no file name", "check the path of the site file") from None
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise InputError(str(file), "is not UTF-8 text", "save it as UTF-8") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(str(file), f"is not valid TOML: {error}", "fix the line it names") from None


class _Reader:
    """Reads one site file; `where` of every error is file, table and key."""

    def __init__(self, file: Path, data: dict[str, Any]) -> None:
        self.file, self.data = file, data
        self._known("", data, set(TABLES))
        for name in TABLES:
            if name in data and not isinstance(data[name], dict):
                raise InputError(f"{file} [{name}]", "is not a table", f"write [{name}] and its keys below it")
        for name in TABLES:
            self._known(name, self.table(name), KEYS[name])

    def table(self, name: str) -> dict[str, Any]:
        value: dict[str, Any] = self.data.get(name, {})
        return value

    def where(self, table: str, key: str) -> str:
        return f"{self.file} [{table}] {key}".rstrip()

    def _known(self, table: str, value: dict[str, Any], keys: set[str]) -> None:
        for key in value:
            if key not in keys:
                near = difflib.get_close_matches(key, sorted(keys), n=1, cutoff=0.5)
                hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(sorted(keys))}"
                raise InputError(self.where(table, "") if table else str(self.file), f"unknown key {key!r}", hint)

    def get(self, table: str, key: str) -> Any:
        """Value as written, else the default, else None."""
        value = self.table(table).get(key)
        if value is None:
            row = load_table("defaults").get(f"{table}.{key}")
            value = row["value"] if row else None
        return value

    def text(self, table: str, key: str, *, choices: tuple[str, ...] = ()) -> str:
        value = self.get(table, key)
        value = "" if value is None else value
        if not isinstance(value, str):
            raise InputError(self.where(table, key), f"{value!r} is not a text", "put it in quotes")
        if choices and value not in choices:
            near = difflib.get_close_matches(value, choices, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]!r}?" if near else f"one of {', '.join(choices)}"
            raise InputError(self.where(table, key), f"{value!r} is not known", hint)
        return value

    def texts(self, table: str, key: str) -> tuple[str, ...]:
        value = self.get(table, key)
        if (
            isinstance(value, str)
            or not isinstance(value, list)
            or not value
            or not all(isinstance(v, str) for v in value)
        ):
            raise InputError(self.where(table, key), f"{value!r} is not a list of texts", 'write e.g. ["house"]')
        return tuple(value)

    def quantity(self, table: str, key: str, dimension: str, *, least: float, most: float) -> float:
        return self.check(parse(self.get(table, key), dimension, where=self.where(table, key)), table, key, least, most)

    def check(self, value: float, table: str, key: str, least: float, most: float) -> float:
        if not least <= value <= most:
            text = f"{self.get(table, key)!r} is outside {least:g} to {most:g} (in SI units)"
            raise InputError(self.where(table, key), text, "check number and unit")
        return value

    def optional(self, table: str, key: str, dimension: str, *, least: float, most: float) -> float | None:
        if self.get(table, key) is None:
            return None
        return self.quantity(table, key, dimension, least=least, most=most)

    def number(self, table: str, key: str, *, least: float, most: float) -> float:
        value = self.get(table, key)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise InputError(
                self.where(table, key), f"{value!r} is not a plain number", "write a number without quotes or unit"
            )
        return self.check(float(value), table, key, least, most)

    def pair(self, table: str, key: str, dimension: str, *, least: float, most: float) -> tuple[float, float]:
        value = self.get(table, key)
        if not isinstance(value, list) or len(value) != 2:
            raise InputError(
                self.where(table, key),
                f"{value!r} is not a pair",
                f'write two quantities, e.g. {key} = ["15 %", "35 %"]',
            )
        lo, hi = (self.check(parse(v, dimension, where=self.where(table, key)), table, key, least, most) for v in value)
        if lo > hi:
            raise InputError(self.where(table, key), f"{value[0]} is more than {value[1]}", "put the smaller one first")
        return lo, hi

    # -- parts -------------------------------------------------------------------------------------------------

    def config(self) -> Config:
        site = self.table("site")
        if "parcel" not in site:
            raise InputError(self.where("site", "parcel"), "is missing", 'add parcel = "parcel.gpkg" under [site]')
        given = frozenset(f"{t}.{k}" for t in TABLES for k in self.table(t))
        size = self.pair("pad", "size", "length", least=1.0, most=250.0)
        unit = self.text("site", "elevation_unit") or None
        return Config(
            path=self.file,
            name=self.text("site", "name") or self.file.parent.name,
            units=self.text("site", "units", choices=("us", "metric")),
            parcel=self.layer(site["parcel"], "site", "parcel"),
            buildings=self.layer(site["buildings"], "site", "buildings") if "buildings" in site else None,
            elevation=self.layer(site["elevation"], "site", "elevation") if "elevation" in site else None,
            elevation_unit=unit,
            rules=tuple(self._rule(r) for r in self.texts("site", "rules")),
            features=self.features(site.get("feature", [])),
            at=self.place("at"),
            entry=self.place("entry"),
            size_m=size,
            axis_deg=None
            if self.get("pad", "axis_deg") is None
            else self.number("pad", "axis_deg", least=-360, most=360),
            demand=self.demand() if "demand" in self.data else None,
            ground=self.ground(),
            rig=self.rig(),
            bore=self.bore(),
            pipe=self.pipe(),
            patterns=self.patterns(),
            keep=self.text("layout", "keep"),
            score=self.score(),
            given=given,
        )

    def _rule(self, name: str) -> str:
        return str((self.file.parent / name).resolve()) if name.endswith(".toml") else name

    def layer(self, value: Any, table: str, key: str) -> LayerRef:
        where = self.where(table, key)
        if isinstance(value, str):
            value = {"path": value}
        if not isinstance(value, dict):
            raise InputError(
                where, f"{value!r} is not a path", 'write "file.gpkg" or { path = "file.gpkg", layer = "name" }'
            )
        inner = value.get("path")
        if isinstance(inner, dict):
            value = {**{k: v for k, v in value.items() if k != "path"}, **inner}
        self._known(f"{table}] {key} [layer", value, KEYS["layer"])
        for name, part in value.items():
            if not isinstance(part, str) or not part.strip() or "\0" in part:
                raise InputError(where, f"{name} = {part!r} is not a text", "put it in quotes")
        if "path" not in value:
            raise InputError(where, "has no path", 'write { path = "file.gpkg" }')
        return LayerRef(
            written=value["path"],
            path=self.file.parent / value["path"],
            layer=value.get("layer"),
            where=value.get("where"),
            crs=value.get("crs"),
        )

    def features(self, rows: Any) -> tuple[FeatureRef, ...]:
        if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
            raise InputError(
                self.where("site.feature", ""), "is not a list of tables", "write [[site.feature]] with double brackets"
            )
        kinds = tuple(load_table("kinds")["kinds"])
        found = []
        for n, row in enumerate(rows, 1):
            name = f"site.feature {n}"
            self._known(name, row, KEYS["feature"])
            kind = row.get("kind", "")
            if kind != "" and kind not in kinds:
                near = difflib.get_close_matches(str(kind), kinds, n=1)
                hint = f"did you mean {near[0]!r}?" if near else "see tables/kinds.toml"
                raise InputError(self.where(name, "kind"), f"unknown kind {kind!r}", hint)
            if "path" not in row:
                raise InputError(self.where(name, "path"), "is missing", 'add path = "file.gpkg"')
            quality = row.get("quality", "unknown")
            if quality not in {"A", "B", "C", "D", "unknown"}:
                raise InputError(
                    self.where(name, "quality"), f"{quality!r} is no ASCE 38 level", "one of A, B, C, D, unknown"
                )
            unit = row.get("depth_unit", "")
            if not isinstance(unit, str):
                raise InputError(self.where(name, "depth_unit"), f"{unit!r} is not a text", 'write depth_unit = "ft"')
            if unit:
                parse(f"1 {unit}", "length", where=self.where(name, "depth_unit"))
            found.append(
                FeatureRef(
                    kind=kind, ref=self.layer(row["path"], name, "path"), quality=quality, depth_unit=unit, number=n
                )
            )
        return tuple(found)

    def place(self, key: str) -> tuple[float, float] | LayerRef | None:
        value = self.table("pad").get(key)
        if value is None:
            return None
        if isinstance(value, list):
            plain = all(isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) for v in value)
            if len(value) != 2 or not plain:
                raise InputError(
                    self.where("pad", key), f"{value!r} is not a point", f"write {key} = [x, y] in the parcel's CRS"
                )
            return float(value[0]), float(value[1])
        return self.layer(value, "pad", key)

    def demand(self) -> DemandSpec:
        monthly = self.table("demand").get("monthly", {})
        if not isinstance(monthly, dict):
            raise InputError(
                self.where("demand", "monthly"), "is not a table", 'write monthly = { heating = ["900 kWh", ...] }'
            )
        self._known("demand.monthly", monthly, KEYS["monthly"])
        months = {k: self._months(monthly[k], k) for k in monthly}
        hourly = self.text("demand", "hourly")
        if hourly and not (self.file.parent / hourly).is_file():
            raise InputError(self.where("demand", "hourly"), f"{hourly!r} is not there", "check the path")
        peaks = {
            k: self.optional("demand", k, "power", least=0, most=1e8) or 0.0 for k in ("heating_peak", "cooling_peak")
        }
        if not any(peaks.values()):
            raise InputError(
                self.where("demand", ""), "has neither heating_peak nor cooling_peak", 'add heating_peak = "36 kBtu/h"'
            )
        low = self.quantity("demand", "ewt_min", "temperature", least=-20, most=40)
        high = self.quantity("demand", "ewt_max", "temperature", least=0, most=60)
        if low >= high:
            raise InputError(self.where("demand", "ewt_min"), "is not below ewt_max", "check both temperatures")
        return DemandSpec(
            heating_peak_w=peaks["heating_peak"],
            cooling_peak_w=peaks["cooling_peak"],
            heating_hours=self.number("demand", "heating_hours", least=0, most=8784),
            cooling_hours=self.number("demand", "cooling_hours", least=0, most=8784),
            heating_kwh=months.get("heating", ()),
            cooling_kwh=months.get("cooling", ()),
            hourly=hourly,
            ewt_min_c=low,
            ewt_max_c=high,
            years=self.number("demand", "years", least=1, most=100),
        )

    def _months(self, value: Any, key: str) -> tuple[float, ...]:
        where = self.where("demand.monthly", key)
        if not isinstance(value, list) or len(value) != 12:
            raise InputError(
                where, "is not a list of twelve energies", f'write {key} = ["900 kWh", ...] from January on'
            )
        energies = tuple(parse(v, "energy", where=where) for v in value)
        if min(energies) < 0:
            raise InputError(where, "holds a negative energy", "heating and cooling are both positive")
        return energies

    def ground(self) -> GroundSpec:
        soils = load_table("soils")["soils"]
        own = self.table("ground")
        k = self.optional("ground", "conductivity", "conductivity", least=0.1, most=8.0)
        alpha = self.optional("ground", "diffusivity", "diffusivity", least=5e-8, most=5e-6)
        if (k is None) != (alpha is None):
            missing = "diffusivity" if alpha is None else "conductivity"
            raise InputError(
                self.where("ground", missing), "is missing", "give conductivity and diffusivity together, or soil"
            )
        soil = "" if k is not None and "soil" not in own else self.text("ground", "soil", choices=tuple(soils))
        if k is None and soil:
            row = soils[soil]
            k, alpha = (parse(row[n], n, where=f"tables/soils.toml {soil}") for n in ("conductivity", "diffusivity"))
        return GroundSpec(
            soil=soil,
            k_w_mk=k,
            diffusivity_m2_s=alpha,
            mean_c=self.optional("ground", "mean", "temperature", least=-10, most=40),
            amplitude_k=self.optional("ground", "amplitude", "temperature_difference", least=0, most=40),
            coldest_day=self.number("ground", "coldest_day", least=1, most=366),
        )

    def rig(self) -> RigSpec:
        rigs = load_table("rigs")["rigs"]
        name = self.text("rig", "class", choices=tuple(rigs))
        merged = {**{k: v for k, v in rigs[name].items() if k != "source"}, **self.table("rig")}
        mine = _Reader.__new__(_Reader)
        mine.file, mine.data = self.file, {"rig": merged}
        rig = RigSpec(
            name=name,
            rod_length_m=mine.quantity("rig", "rod_length", "length", least=0.5, most=12),
            bend_radius_m=mine.quantity("rig", "bend_radius", "length", least=3, most=1000),
            entry_pitch_pct=mine.pair("rig", "entry_pitch", "pitch", least=1, most=100),
            exit_pitch_pct=mine.pair("rig", "exit_pitch", "pitch", least=1, most=100),
            max_length_m=mine.quantity("rig", "max_length", "length", least=10, most=2000),
            max_depth_m=mine.quantity("rig", "max_depth", "length", least=0.5, most=60),
            pullback_n=mine.quantity("rig", "pullback", "force", least=100, most=1e7),
        )
        if rig.rod_length_m > rig.bend_radius_m / 2:
            raise InputError(self.where("rig", "rod_length"), "is more than half the bend radius", "check both lengths")
        return rig

    def bore(self) -> BoreSpec:
        depths = self.get("bore", "depth")
        if not isinstance(depths, list) or not depths or len(depths) > 8:
            raise InputError(
                self.where("bore", "depth"), f"{depths!r} is not a list of depths", 'write depth = ["15 ft"]'
            )
        tiers = tuple(
            self.check(parse(d, "length", where=self.where("bore", "depth")), "bore", "depth", 0.5, 30.0)
            for d in depths
        )
        deepest = self.rig().max_depth_m
        if max(tiers) > deepest - 0.15:
            raise InputError(
                self.where("bore", "depth"),
                f"{max(tiers):.2f} m is beyond the locator range of {deepest:.2f} m",
                "take a shallower tier or set [rig] max_depth",
            )
        bores = self.table("bore").get("bores")
        if bores is not None and (isinstance(bores, bool) or not isinstance(bores, int) or not 1 <= bores <= 200):
            raise InputError(
                self.where("bore", "bores"), f"{bores!r} is not a whole number from 1 to 200", "write bores = 6"
            )
        return BoreSpec(
            depth_m=tuple(dict.fromkeys(tiers)),
            depth_given="depth" in self.table("bore"),
            spacing_m=self.quantity("bore", "spacing", "length", least=0.5, most=50),
            bores=bores,
            length_m=self.optional("bore", "length", "length", least=1, most=1e5),
            hole_diameter_m=self.quantity("bore", "hole", "length", least=0.03, most=1.0),
        )

    def pipe(self) -> PipeSpec:
        written = self.text("pipe", "size")
        size = _FRACTIONS.get(written, written)
        if size not in load_table("pipes")["pipes"]:
            raise InputError(
                self.where("pipe", "size"),
                f"{written!r} is not known",
                f"one of {', '.join(load_table('pipes')['pipes'])}",
            )
        return PipeSpec(size=size, dr=self.number("pipe", "dr", least=6, most=41), fluid=self.text("pipe", "fluid"))

    def patterns(self) -> tuple[str, ...]:
        names = self.texts("layout", "patterns")
        for name in names:
            if name not in {"fan", "parallel"}:
                raise InputError(self.where("layout", "patterns"), f"{name!r} is not known", "fan, parallel or both")
        return tuple(dict.fromkeys(names))

    def score(self) -> dict[str, float]:
        weights = {k: self.number("score", k, least=0, most=1e6) for k in self.table("score")}
        if weights and len(weights) == len(KEYS["score"]) and not any(weights.values()):
            raise InputError(self.where("score", ""), "all weights are zero", "give at least one term a weight")
        return weights
