#!/usr/bin/env python3
"""Many random sites through generator, writer and audit: no traceback, and nothing that the audit would fail.

    scripts/soak.py COUNT [--seed S] [--start N] [--only N...] [--log FILE]

Every site hangs on (seed, number) alone, so `--only N` makes one of them again. Lots are wider than those of tests/zoo.py:
spirals, combs, needles, sharp corners, holes, a few square metres to many hectares; cliffs and pits; any kind of feature, quality
and depth; rigs, pipes, fluids, soils and rule files of the package's tables; any count, depth, spacing, pad and units. Every find
becomes a line of JSON in the log as soon as it is made; Ctrl-C stops after the site in hand and tells what was done.

What is left out to be quick: pictures, most places for a pad and candidates of each, the look for a better pad, the proof of the
choice, and what to change when nothing fits. Draws must not change, or the numbers in tests/hard/test_finds.py mean other sites.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import resource
import shutil
import signal
import statistics
import sys
import tempfile
import time
import traceback
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OGR_SQLITE_SYNCHRONOUS", "OFF")
ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import numpy as np  # noqa: E402
import shapely  # noqa: E402
import zoo  # noqa: E402
from shapely import affinity  # noqa: E402
from shapely.geometry.polygon import orient  # noqa: E402

import loopgis  # noqa: E402
from loopgis import driver  # noqa: E402
from loopgis.core.errors import InputError, LoopgisError, NoLayoutError  # noqa: E402
from loopgis.core.frame import Frame  # noqa: E402
from loopgis.layout import explain, generate, pads  # noqa: E402
from loopgis.layout.pipe_sizes import outside_m  # noqa: E402
from loopgis.rules import files as rule_files  # noqa: E402
from loopgis.site import config  # noqa: E402
from loopgis.site.log import Log  # noqa: E402
from loopgis.site.model import FLAT, Feature, PadSpec, Site, SiteSpec, Terrain  # noqa: E402
from loopgis.tables.load import load_table  # noqa: E402

SLOW_S = 30.0
"""A site that takes longer than this is told as a find."""
PLACES = 60
"""Places on the lot where a pad is tried; the bound of each is cheap, but not free."""
POOL = 64
"""Candidates kept of a pad; which of them exclude each other takes the square of it."""
SHM = Path("/dev/shm")  # noqa: S108 - a folder in memory, of our own name
PLACES_ON_EARTH = (
    ("EPSG:26916", -90.0, 45.0),
    ("EPSG:2263", -73.2, 40.8),
    ("EPSG:3067", 27.0, 68.5),
    ("EPSG:28355", 147.0, -37.0),
    ("EPSG:4326", 8.0, 47.0),
)
"""Metres, US feet, far north, the south, degrees."""
USES = (
    "private",
    "public",
    "municipal",
    "irrigation",
    "abandoned",
    "cesspool",
    "livestock",
    "unknown",
    "",
    "what nobody knows",
)
LINES = (
    *(
        "easement",
        "retaining_wall",
        "sewer_gravity",
        "sewer_force",
        "storm_drain",
        "water_main",
        "water_service",
        "irrigation",
    ),
    *("gas_line", "electric_ug", "electric_oh", "telecom", "drain_tile", "surface_water", "paved_way", "existing_loop"),
    *("private_other", "right_of_way"),
)
POINTS = (
    "water_well",
    "septic_tank",
    "lp_tank",
    "fuel_tank",
    "tree_root_zone",
    "pool",
    "contaminated_site",
    "drain_field",
)
AREAS = (
    *(
        "neighbour_parcel",
        "building",
        "pool",
        "drain_field",
        "drain_field_reserve",
        "stormwater_basin",
        "surface_water",
    ),
    *(
        "wetland",
        "floodplain",
        "wellhead_zone",
        "contaminated_site",
        "tree_root_zone",
        "paved_way",
        "septic_tank",
        "easement",
    ),
)


# -- lots ---------------------------------------------------------------------------------------------------------------


def _spiral(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    turns, wide = rng.uniform(0.6, 1.6), rng.uniform(8, 18)
    t = np.linspace(0.25, 1, 40)
    r, a = t * (w + h) / 2, t * turns * 2 * math.pi
    return shapely.LineString(np.column_stack([r * np.cos(a), r * np.sin(a)])).buffer(wide / 2, join_style="mitre")


def _comb(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    shape = shapely.box(0, 0, w, h)
    for x in np.arange(w * 0.2, w, w * 0.3):
        shape = shape.difference(shapely.box(x, h * rng.uniform(0.3, 0.7), x + w * 0.08, h + 1))
    return shape


def _star(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    a = np.sort(rng.uniform(0, 2 * math.pi, rng.integers(5, 14)))
    r = rng.uniform(0.35, 1, len(a))
    return shapely.Polygon(np.column_stack([w / 2 * r * np.cos(a), h / 2 * r * np.sin(a)]))


def _needle(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    """A lot with a spike of a few millimetres, and corners that hardly are any."""
    tip = rng.choice([0.002, 0.05, 0.5])
    return shapely.Polygon(
        [
            (0, 0),
            (w / 3, 1e-4),
            (w, 0),
            (w, h / 2 - tip),
            (w + h / 3, h / 2),
            (w, h / 2 + tip),
            (w, h),
            (w / 2, h + 1e-3),
            (0, h),
        ]
    )


def _round(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    return affinity.scale(shapely.Point(0, 0).buffer(0.5, quad_segs=int(rng.integers(1, 60))), w, h)


def _holes(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    shape = shapely.box(0, 0, w, h)
    for _ in range(rng.integers(1, 4)):
        x, y = rng.uniform(0.15, 0.75) * w, rng.uniform(0.15, 0.75) * h
        shape = shape.difference(shapely.box(x, y, x + w * rng.uniform(0.01, 0.12), y + h * rng.uniform(0.01, 0.12)))
    return shape


def _bow(rng: np.random.Generator, w: float, h: float) -> shapely.Polygon:
    """Two plots joined by a neck."""
    neck = rng.uniform(0.3, 12)
    return shapely.union_all(
        [shapely.box(0, 0, w * 0.45, h), shapely.box(w * 0.55, 0, w, h), shapely.box(w * 0.4, 0, w * 0.6, neck)]
    )


WILD = {
    "spiral": _spiral,
    "comb": _comb,
    "star": _star,
    "needle": _needle,
    "round": _round,
    "holes": _holes,
    "bow": _bow,
}


def lot_of(rng: np.random.Generator) -> tuple[str, shapely.Polygon]:
    """Kind of shape and lot, centred and turned; of invalid ones the largest part, as the reader repairs them."""
    size = rng.choice(["tiny", "usual", "usual", "usual", "large", "huge"], p=[0.04, 0.3, 0.27, 0.27, 0.09, 0.03])
    low, high = {"tiny": (2, 25), "usual": (28, 120), "large": (100, 220), "huge": (220, 900)}[str(size)]
    w, h = rng.uniform(low, high, 2)
    name = str(rng.choice([*sorted(zoo.SHAPES), *sorted(WILD)]))
    shape = zoo.SHAPES[name](w, h) if name in zoo.SHAPES else WILD[name](rng, w, h)
    if rng.random() < 0.1:  # sides drawn with many needless corners
        shape = shapely.segmentize(shape, rng.uniform(0.5, 5))
    parts = shapely.get_parts(shapely.make_valid(shape))
    shape = max((p for p in parts if p.geom_type == "Polygon"), key=lambda p: p.area)
    middle = shape.centroid
    turned = affinity.rotate(affinity.translate(shape, -middle.x, -middle.y), rng.uniform(0, 360), origin=(0, 0))
    return name, orient(turned if turned.is_valid else shapely.box(-w / 2, -h / 2, w / 2, h / 2))


# -- ground and things --------------------------------------------------------------------------------------------------


def ground_of(rng: np.random.Generator, frame: Frame, lot: shapely.Polygon) -> Terrain:
    """Flat, tilted, rough, a cliff, terraces or a pit; whole cover, no cell without a height."""
    kind = str(
        rng.choice(
            ["flat", "plane", "bumps", "cliff", "terraces", "pit", "noise"],
            p=[0.35, 0.25, 0.12, 0.08, 0.08, 0.06, 0.06],
        )
    )
    if kind == "flat":
        return FLAT
    half = float(np.abs(shapely.get_coordinates(lot)).max()) + 60.0
    cell = max(float(rng.choice([1.0, 2.0, 3.0, 5.0])), half / 150)
    n = int(2 * half / cell) + 1
    x = -half + np.arange(n) * cell
    xx, yy = np.meshgrid(x, -x)
    base = float(rng.choice([0.0, -5.0, 100.0, 2500.0]))
    slope, way = rng.uniform(0, 0.3) if kind == "plane" else rng.uniform(0, 0.1), rng.uniform(0, 2 * math.pi)
    along = xx * math.cos(way) + yy * math.sin(way)
    z = base + slope * along
    if kind == "bumps":
        z += rng.uniform(0.1, 1.5) * np.sin(xx / rng.uniform(5, 20)) * np.cos(yy / rng.uniform(5, 20))
    elif kind == "cliff":
        z += rng.uniform(1, 15) * (along > rng.uniform(-30, 30))
    elif kind == "terraces":
        z += rng.uniform(0.5, 2.5) * np.floor(along / rng.uniform(8, 25))
    elif kind == "pit":
        z -= rng.uniform(1, 8) * np.exp(-((xx - rng.uniform(-20, 20)) ** 2 + (yy - rng.uniform(-20, 20)) ** 2) / 200)
    elif kind == "noise":
        z += rng.normal(0, rng.uniform(0.02, 0.4), z.shape)
    middle = half / cell
    affine = (cell, 0.0, -half - cell / 2, 0.0, -cell, half + cell / 2)
    ways = (middle, 1000 / cell, 0.0, 0.0, 0.0, 0.0), (middle, 0.0, -1000 / cell, 0.0, 0.0, 0.0)
    return Terrain(z, *ways, cell, crs_wkt=frame.crs.to_wkt(), affine=affine)


def things_of(rng: np.random.Generator, lot: shapely.Polygon) -> list[Feature]:
    """Houses first, then anything."""
    x0, y0, x1, y1 = lot.bounds

    def spot() -> tuple[float, float]:
        return rng.uniform(x0 - 5, x1 + 5), rng.uniform(y0 - 5, y1 + 5)

    found = []
    for n in range(rng.choice([0, 1, 1, 1, 2, 3])):
        x, y = spot()
        house = affinity.rotate(shapely.box(x, y, x + rng.uniform(3, 18), y + rng.uniform(3, 14)), rng.uniform(0, 90))
        if rng.random() < 0.2:
            house = house.union(affinity.translate(house, 4, 5))
        foundation = str(rng.choice(["slab", "footing", "basement", "unknown", ""]))
        found.append(
            Feature(feature_id=f"house-{n}", kind="building", geometry=house, attributes=(("foundation", foundation),))
        )
    count = rng.choice([0, 1, 2, 3, 4, 6, 12], p=[0.15, 0.2, 0.2, 0.2, 0.15, 0.08, 0.02])
    return [*found, *(_thing(rng, n, spot) for n in range(count))]


def _thing(rng: np.random.Generator, n: int, spot: Any) -> Feature:  # noqa: ANN401
    form = str(rng.choice(["line", "point", "area"], p=[0.5, 0.25, 0.25]))
    kind = str(rng.choice({"line": LINES, "point": POINTS, "area": AREAS}[form]))
    p = spot()
    if form == "line":
        way = [p, *(spot() for _ in range(rng.integers(1, 5)))]
        shape = shapely.LineString([(p[0] - 100, p[1]), *way[1:]] if rng.random() < 0.5 else way)
        if rng.random() < 0.1:
            shape = shapely.MultiLineString([shape, shapely.LineString([spot(), spot()])])
    elif form == "point":
        shape = shapely.Point(p) if rng.random() < 0.9 else shapely.MultiPoint([p, spot()])
    else:
        size = rng.uniform(0.2, 12)
        shape = shapely.Point(p).buffer(size, quad_segs=int(rng.integers(1, 9)))
        if rng.random() < 0.15:
            shape = shape.difference(shapely.Point(p).buffer(size / 2))
    columns = [("use", str(rng.choice(USES))), ("shielded", str(rng.choice(["yes", "no", ""])))]
    columns += [(c, f"{rng.uniform(*r):.3g}") for c, r in FIGURES.items() if rng.random() < 0.3]
    if rng.random() < 0.15:
        columns.append(("width_m", f"{rng.uniform(0.01, 8):.3g}"))
    return Feature(
        feature_id=f"t-{n}",
        kind=kind,
        geometry=shape,
        quality=str(rng.choice(["A", "B", "C", "D", "unknown"])),
        depth_m=None if rng.random() < 0.4 else float(rng.choice([0.0, 0.3, 0.6, 1.0, 1.8, 3.0, 6.0])),
        attributes=tuple(columns),
        label=str(rng.choice(["", "Ünit 5 <&>'\"", "a, b"])),
    )


FIGURES = {"yield_l_s": (0.0, 20.0), "flow_m3_d": (0.0, 50.0), "voltage_kv": (0.1, 200.0)}


# -- the site file ------------------------------------------------------------------------------------------------------


class _Writer:
    """Lines of a site file, and the generator that they are drawn from."""

    def __init__(self, rng: np.random.Generator) -> None:
        """Feet or metres, no line yet."""
        self.rng, self.ft = rng, rng.random() < 0.5
        self.lines: list[str] = []

    def length(self, low_m: float, high_m: float) -> str:
        """A length between two, in the units of the file."""
        value = self.rng.uniform(low_m, high_m)
        return f'"{value / 0.3048:.2f} ft"' if self.ft else f'"{value:.3f} m"'

    def add(self, *lines: str) -> None:
        """More lines."""
        self.lines += lines

    def often(self, share: float) -> bool:
        """True in this share of all files."""
        return bool(self.rng.random() < share)

    def one(self, table: str) -> str:
        """A row of a table of the package."""
        return str(self.rng.choice(sorted(load_table(table)[table])))


def text_of(rng: np.random.Generator) -> str:
    """A site file without places: rig, bores, pipe, ground, demand, rules, as somebody might write them."""
    w = _Writer(rng)
    for part in (_place_lines, _rig_lines, _bore_lines, _ground_lines, _other_lines):
        part(w)
    return "\n".join(w.lines) + "\n"


def _place_lines(w: _Writer) -> None:
    rules, known = ["house"], sorted(rule_files.shipped())
    if not w.often(0.65):
        rules = [str(r) for r in w.rng.choice(known, size=min(len(known), w.rng.integers(1, 3)), replace=False)]
    w.add(f"[site]\nname = 'Lot'\nparcel = 'lot.gpkg'\nunits = '{w.rng.choice(['us', 'metric'])}'\nrules = {rules}")
    w.add(f"[pad]\nsize = [{w.length(2, 6)}, {w.length(6, 13)}]")
    if w.often(0.2):
        w.add(f"axis_deg = {w.rng.uniform(-180, 360):.2f}")


def _rig_lines(w: _Writer) -> None:
    w.add(f"[rig]\nclass = '{w.one('rigs')}'")
    if w.often(0.3):
        w.add(f"bend_radius = {w.length(15, 60)}\nrod_length = {w.length(1.0, 5.0)}")
    if w.often(0.2):
        a, b = sorted(w.rng.uniform(2, 60, 2))
        w.add(f"entry_pitch = ['{a:.1f} %', '{b:.1f} %']\nexit_pitch = ['{a / 2:.1f} %', '{b:.1f} %']")
    if w.often(0.2):
        w.add(f"max_length = {w.length(20, 300)}")


def _bore_lines(w: _Writer) -> None:
    w.add("[bore]")
    if w.often(0.8):
        w.add(f"depth = [{', '.join(w.length(1.2, 6.5) for _ in range(w.rng.choice([1, 1, 1, 2, 3])))}]")
    w.add(f"spacing = {w.length(0.6, 9)}")
    count = w.rng.choice(["bores", "length", "none"], p=[0.8, 0.13, 0.07])
    if count == "bores":
        w.add(f"bores = {w.rng.choice([1, 2, 3, 4, 6, 10], p=[0.25, 0.3, 0.2, 0.15, 0.07, 0.03])}")
    elif count == "length":
        w.add(f"length = {w.length(10, 300)}")
    size = str(w.rng.choice(list(load_table("pipes")["pipes"])))
    hole = outside_m(size) * w.rng.uniform(1.9 if w.often(0.1) else 2.2, 4)
    w.add(f"hole = '{hole:.4f} m'\nfill = '{w.one('fills')}'")
    w.add(f"[pipe]\nsize = '{size}'\ndr = {w.rng.choice([7, 9, 11, 13.5, 17, 21])}")


def _ground_lines(w: _Writer) -> None:
    fluid = str(w.rng.choice(["water", "propylene glycol 20 %", "ethanol 15 % by volume", "methanol 15 %"]))
    w.add(f"fluid = '{fluid}'\nin_series = {w.rng.choice([1, 1, 1, 2, 3])}")
    w.add(f"header = '{w.rng.choice(['auto', 'auto', 'pit', 'step down', 'reverse return'])}'")
    w.add(f"[ground]\nsoil = '{w.one('soils')}'\nmean = '{w.rng.uniform(4, 24):.1f} degC'")
    if w.often(0.3):
        w.add(f"strength = '{w.one('strengths')}'\nwater_table = {w.length(0, 8)}")
    if w.often(0.1):
        cold = 4.0 if fluid == "water" else w.rng.uniform(-5, 3)
        heating, cooling = w.rng.uniform(0.5, 14), w.rng.uniform(0, 9)
        w.add(f"[demand]\nheating_peak = '{heating:.1f} kW'\ncooling_peak = '{cooling:.1f} kW'")
        w.add(f"ewt_min = '{cold:.1f} degC'\nyears = {w.rng.integers(1, 21)}")


def _other_lines(w: _Writer) -> None:
    if w.often(0.2):
        low = w.rng.uniform(5, 60)
        high, weight = low * w.rng.uniform(1.1, 1.9), w.rng.uniform(1010, 1500)
        w.add(f"[mud]\ndial_600 = {high:.0f}\ndial_300 = {low:.0f}\nweight = '{weight:.0f} kg/m^3'")
    w.add(f"[layout]\npatterns = ['{w.rng.choice(['fan', 'parallel'])}']")


@cache
def _frames() -> tuple[Frame, ...]:
    from pyproj import CRS  # noqa: PLC0415

    return tuple(Frame.centred(lon, lat, CRS.from_user_input(code).to_wkt()) for code, lon, lat in PLACES_ON_EARTH)


def site_of(seed: int, number: int, folder: Path) -> tuple[str, Site]:
    """Shape's name and site of a number. Raises InputError when the figures drawn for its site file are refused."""
    rng = np.random.default_rng([seed, number])
    name, lot = lot_of(rng)
    frame = _frames()[rng.choice(len(PLACES_ON_EARTH), p=[0.6, 0.1, 0.1, 0.1, 0.1])]
    things = things_of(rng, lot)
    ground = ground_of(rng, frame, lot)
    pad: dict[str, Any] = {"at": None, "entry": None}
    if rng.random() < 0.2:
        x0, y0, x1, y1 = lot.bounds
        pad["at"] = (float(rng.uniform(x0, x1)), float(rng.uniform(y0, y1)))
    file = folder / "site.toml"
    file.write_text(text_of(rng), encoding="utf-8")
    log = Log()
    cfg = config.load(file, log)
    for found in log.findings:
        if found.severity == "error":
            raise InputError(found.where, found.message, found.remedy)
    same = {f.name for f in fields(SiteSpec)} & {f.name for f in fields(cfg)} - {"path", "keep"}
    spec = SiteSpec(
        path=str(file),
        pad=PadSpec(size_m=cfg.size_m, axis_deg=cfg.axis_deg, **pad),
        keep="",
        per_bore_m=cfg.worths_m[0],
        per_crossing_m=cfg.worths_m[1],
        **{k: getattr(cfg, k) for k in same},
    )
    site = zoo.site(lot, features=things, terrain=ground)
    given = site.given_kinds | (set(load_table("kinds")["kinds"]) if rng.random() < 0.5 else set())
    return name, replace(site, spec=spec, frame=frame, given_kinds=frozenset(given))


# -- one site -----------------------------------------------------------------------------------------------------------


def odd_figures(value: Any, name: str = "") -> list[str]:  # noqa: ANN401
    """Names of figures of a layout's evaluation that are no numbers, or below zero."""
    if is_dataclass(value):
        return [odd for f in fields(value) for odd in odd_figures(getattr(value, f.name), f.name)]
    if isinstance(value, float) and not math.isfinite(value):
        return [f"{name} is {value}"]
    return []


def judge(seed: int, number: int, folder: Path) -> tuple[str, dict[str, Any]]:
    """What became of a site: "layouts", "none", "refused" (as they should), else the name of what is wrong; and the details."""
    try:
        shape, site = site_of(seed, number, folder)
    except InputError as error:
        return "refused", {"what": str(error).replace(str(folder), "")}
    told = {
        "shape": shape,
        "area_m2": round(site.parcel.area, 1),
        "things": len(site.features),
        "rules": list(site.spec.rules),
    }
    try:
        result = driver.design(site, effort=0)
    except NoLayoutError as none:
        return ("none", {}) if none.reasons and all(none.reasons) else ("no reason", told)
    except InputError as error:
        told["what"] = str(error).replace(str(folder), "")
        return "refused" if "site.toml" in told["what"] else "unnamed", told
    out = folder / "out"
    result.write(out, pictures=False)
    findings = loopgis.audit(out / "layouts.gpkg")
    bad = [
        f
        for f in findings
        if (f.severity == "error" or f.outcome in {"fail", "pass_thin"} or f.code.startswith("clearance"))
        and not (f.code == "pad-setback" and site.spec.pad.at is not None)  # the user put it there
    ]
    if bad:
        return "audit", told | {"findings": [f.line() for f in bad[:4]], "count": len(bad)}
    odd = [f"{y.layout_id} {o}" for y in result.layouts for o in odd_figures(y.evaluation)]
    if odd or not result.layouts:
        return "figures", told | {"figures": odd}
    return "layouts", {"layouts": len(result.layouts)}


def try_one(seed: int, number: int, folder: Path) -> tuple[str, dict[str, Any]]:
    """As `judge`, a traceback of whatever was not raised on purpose kept as a find; the folder is emptied."""
    try:
        return judge(seed, number, folder)
    except LoopgisError as error:
        return "raised", {"what": f"{type(error).__name__}: {error}"}
    except Exception as error:  # noqa: BLE001 - that is what is looked for
        lines = traceback.format_exc().splitlines()
        return "traceback", {"what": f"{type(error).__name__}: {error}"[:300], "where": lines[-12:]}
    finally:
        for item in folder.iterdir():
            shutil.rmtree(item) if item.is_dir() else item.unlink()


FINE = ("layouts", "none", "refused")


def quick() -> None:
    """Leave out what is tested elsewhere and takes long."""
    driver.SPOTS = 1
    pads.GRID_PADS = PLACES
    prune = generate._prune  # noqa: SLF001 - the pool is thinned further, as a smaller lot would
    generate._prune = lambda found, pad, most: prune(found, pad, min(most, POOL))  # noqa: SLF001
    driver._better_pad = lambda *_: []  # noqa: SLF001
    explain.smallest_change = lambda *_: ""


def main() -> int:
    """Run the sites; exit 1 when there was any find."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0, help="first number")
    parser.add_argument("--only", type=int, nargs="*", help="these numbers alone")
    parser.add_argument("--log", type=Path, help="finds as JSON lines, added to what is there")
    args = parser.parse_args()
    quick()
    numbers = args.only if args.only is not None else range(args.start, args.start + args.count)
    stop: list[int] = []
    signal.signal(signal.SIGINT, lambda *_: stop.append(1))
    counts: dict[str, int] = {}
    refused: dict[str, int] = {}
    seconds: list[float] = []
    began, drawn = time.monotonic(), 0
    with tempfile.TemporaryDirectory(prefix="loopgis-soak-", dir=SHM if SHM.is_dir() else None) as folder:
        tempfile.tempdir = folder  # GeoPackages are drafted there
        for number in numbers:
            at = time.process_time()
            outcome, told = try_one(args.seed, number, Path(folder))
            seconds.append(time.process_time() - at)
            counts[outcome] = counts.get(outcome, 0) + 1
            drawn += told.get("layouts", 0)
            if outcome == "refused":
                why = re.sub(r"[-\d.]+", "#", told["what"].partition("[")[2])[:60] or told["what"][:60]
                refused[why] = refused.get(why, 0) + 1
            if outcome not in FINE or seconds[-1] > SLOW_S:
                line = {"seed": args.seed, "number": number, "outcome": outcome, "cpu_s": round(seconds[-1], 2), **told}
                _note(line, args.log)
            if len(seconds) % 100 == 0 or stop:
                print(_progress(seconds, counts, began), flush=True)
            if stop:
                break
    print(_progress(seconds, counts, began))
    print(
        json.dumps(
            {
                "layouts drawn": drawn,
                "refused": refused,
                "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
            }
        )
    )
    return 1 if set(counts) - set(FINE) else 0


def _progress(seconds: list[float], counts: dict[str, int], began: float) -> str:
    rate = len(seconds) / max(time.monotonic() - began, 1e-9)
    told = ", ".join(f"{k} {v}" for k, v in sorted(counts.items()))
    middle, most = statistics.median(seconds) if seconds else 0.0, max(seconds, default=0.0)
    return f"{len(seconds)} sites ({told}); {rate:.2f} a second; CPU {middle:.2f} s at the median, {most:.1f} s at most"


def _note(line: dict[str, Any], log: Path | None) -> None:
    text = json.dumps(line, ensure_ascii=False)
    print(text[:2000], flush=True)
    if log is not None:
        with log.open("a", encoding="utf-8") as stream:
            stream.write(text + "\n")


if __name__ == "__main__":
    sys.exit(main())
