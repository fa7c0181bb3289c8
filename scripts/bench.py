"""Wall time of each stage on the demo sites, as ratios to importing the libraries and reading the inputs, in one run.

    python scripts/bench.py [--once] [--growth]

The floor of a site is a fresh process that imports what reading needs and reads the site. --once runs the suburban lot
only, --growth measures instead how the work grows with bores, candidates, segments and the size of the raster.
Ratios carry over to other machines, seconds do not. Times are the best of REPEATS.
"""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window
from scipy.integrate import dblquad

import loopgis
from loopgis.ground import response
from loopgis.layout.distinct import carries

if TYPE_CHECKING:
    from loopgis.site.model import BoreSpec, Site

ROOT = Path(__file__).resolve().parent.parent
SITES = ("suburban", "corner", "school")
REPEATS = 3

FLOOR = "import geopandas, rasterio, fiona, scipy.optimize, shapely; import loopgis; loopgis.read_site({path!r})"
WHOLE = """
import json, pathlib, resource, tempfile, time
start = time.perf_counter()
import loopgis
result = loopgis.design({path!r}, effort=0)
ranked = time.perf_counter() - start
with tempfile.TemporaryDirectory() as folder:
    result.write(folder + "/plain", pictures=False)
    plain = time.perf_counter() - start
    result.write(folder + "/all")
    whole = time.perf_counter() - start - (plain - ranked)
    start = time.perf_counter()
    loopgis.tablet(folder + "/all/layouts.gpkg", folder + "/tablet")
    tablet = time.perf_counter() - start
    from loopgis.field.log import appended
    from loopgis.field.log_read import write_log_json
    from loopgis.field.model import Log
    from loopgis.sheets.drill_read import drill_book
    crew = []
    for page in drill_book(folder + "/all/layouts.gpkg").pages:
        for rod in page.rods[1:-1]:
            crew.append(appended(crew, "A", layout_id=page.layout_id, bore_id=page.bore_id, event="rod", rod=rod.rod,
                read_at="2026-05-04T14:00:00Z", depth_m=rod.depth_m, pitch_pct=rod.pitch_pct))
    log = write_log_json(Log(entries=tuple(crew), problems=()), pathlib.Path(folder) / "log.json")
    start = time.perf_counter()
    loopgis.as_built(folder + "/all/layouts.gpkg", log).write(folder + "/built.gpkg")
    as_built = time.perf_counter() - start
print(json.dumps(dict(ranked=ranked, plain=plain, whole=whole, tablet=tablet, as_built=as_built,
    stages=result.seconds, layouts=len(result.layouts),
    bores=sum(len(y.bores) for y in result.layouts), candidates=result.candidates,
    memory_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)))
"""


def seconds(code: str) -> tuple[float, str]:
    """Best wall time of a fresh process running some code, and what it printed."""
    best, out = float("inf"), ""
    for _ in range(REPEATS):
        start = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
        took = time.perf_counter() - start
        if took < best:
            best, out = took, done.stdout
    return best, out


def bent_fan(count: int, points: int = 21) -> list[np.ndarray]:
    """Bores of 20 segments each (or of points - 1), slanted, level, slanted, gently bent, round one pad; none touches another."""
    rng = np.random.default_rng(1)
    along = np.linspace(0, 80, points)
    paths = []
    for i in range(count):
        turn = i * 2 * np.pi / count
        way = turn + np.cumsum(rng.normal(0, 0.004, points))
        x = 8 * np.cos(turn) + np.cumsum(np.r_[0, np.diff(along) * np.cos(way[1:])])
        y = 8 * np.sin(turn) + np.cumsum(np.r_[0, np.diff(along) * np.sin(way[1:])])
        paths.append(np.column_stack([x, y, -np.interp(along, [0, 16, 64, 80], [0.5, 5, 5, 0.5])]))
    return paths


def adaptive_s(one: np.ndarray, other: np.ndarray, time_s: float) -> float:
    """Seconds that scipy's adaptive double quadrature takes for one pair of bores at one time, from a sample of segment pairs.

    Every pair of segments may be off by 1e-4 in h shared over all of them, mirror images included.
    """
    c = math.sqrt(4 * 0.7e-6 * time_s)
    pieces = len(one) - 1
    whole = float(np.linalg.norm(np.diff(one, axis=0), axis=1).sum())
    sample = [(i, j) for i in range(0, pieces, 4) for j in range(0, pieces, 5)]
    begin = time.perf_counter()
    for i, j in sample:
        for flip in (1.0, -1.0):
            turned = np.array([1.0, 1.0, flip])
            ends = (one[i] * turned, (one[i + 1] - one[i]) * turned, other[j], other[j + 1] - other[j])
            segment = [tuple(map(float, e)) for e in ends]
            size = float(np.linalg.norm(segment[1]) * np.linalg.norm(segment[3]))
            allowed = 1e-4 / (2 * pieces**2) * 2 * whole / size
            dblquad(_kernel, 0, 1, 0, 1, args=(segment, c), epsabs=allowed, epsrel=0)
    return (time.perf_counter() - begin) / len(sample) * pieces**2


def _kernel(t: float, s: float, segment: list[tuple[float, ...]], c: float) -> float:
    (ax, ay, az), (ux, uy, uz), (bx, by, bz), (vx, vy, vz) = segment
    rho = math.hypot(ax + s * ux - bx - t * vx, ay + s * uy - by - t * vy, az + s * uz - bz - t * vz)
    return math.erfc(rho / c) / rho


def heat() -> None:
    """Response of growing fields at 240 months, and one pair against adaptive quadrature."""
    months = np.arange(1, 241) * 365 / 12 * 86400
    response(bent_fan(2), months, bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)
    first = each_s = 0.0
    for count in (5, 10, 25, 50):
        paths = bent_fan(count)
        begin = time.perf_counter()
        response(paths, months, bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)
        took = time.perf_counter() - begin
        first = first or took
        each_s = took / (count * (count + 1) / 2)
        print(f"heat, {count} bores x 20 segments, 240 months: {took:.2f} s, {took / first:.1f} times that of 5 bores")
    paths = bent_fan(50)
    four = [6 * 3600.0, months[0], 365.25 * 86400, 20 * 365.25 * 86400]
    begin = time.perf_counter()
    response(paths, four, bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)
    ours_s = (time.perf_counter() - begin) / (50 * 51 / 2)
    slow = [adaptive_s(paths[0], paths[1], t) for t in four]
    times = [sum(slow) / ours_s, max(slow) / ours_s, 60 * sum(slow) / each_s]
    print(
        f"  one pair of bores at 6 h, 1 month, 1 and 20 years: {1000 * ours_s:.2f} ms, adaptive quadrature {sum(slow):.2f} s:"
    )
    print(f"  {times[0]:.0f} times (aim 1000), {times[1]:.0f} for one of them, {times[2]:.0f} for 240 months")


def choice(path: str) -> None:
    """What choosing anew with a proof takes, saves and proves."""
    plain, chosen = loopgis.design(path, effort=0), loopgis.design(path)
    gaps = [y.evaluation.bound_gap_pct for y in chosen.layouts if y.evaluation.bound_gap_pct is not None]
    if not gaps:
        return
    shares = []
    for pattern in ("fan", "parallel"):
        least = [
            min(
                (y.evaluation.total_length_m for y in d.layouts if y.pattern == pattern and carries(y)),
                default=math.nan,
            )
            for d in (plain, chosen)
        ]
        shares.append(f"{pattern} {100 * (1 - least[1] / least[0]):.1f} %")
    took = chosen.seconds["choice"] + chosen.seconds["other choices"]
    print(
        f"  choice       {took:6.2f} s for {len(chosen.layouts)} layouts, {len(gaps)} with a bound: "
        f"gaps {min(gaps):.1f} to {max(gaps):.1f} %, the shortest that carries drills less by {', '.join(shares)}"
    )


def growth() -> None:
    """How the work grows, each row against its first."""
    site = loopgis.read_site(ROOT / "data" / "school" / "site.toml")
    bore = site.spec.bore
    _grown("bores", {n: replace(bore, bores=n) for n in (4, 8, 16, 32)}, site)
    _grown("m apart", {m: replace(bore, bores=16, spacing_m=m) for m in (9.0, 6.0, 4.5, 3.5)}, site)
    months = np.arange(1, 241) * 365 / 12 * 86400
    for count in (5, 10, 20, 40):
        paths = [p[:: 40 // count] for p in bent_fan(10, 41)]
        begin = time.perf_counter()
        response(paths, months, bore_radius_m=0.06, diffusivity_m2_s=0.7e-6)
        print(f"heat, 10 bores x {count} segments: {time.perf_counter() - begin:.3f} s")
    with tempfile.TemporaryDirectory() as folder:
        for cells, cell_m in ((1000, 1.0), (4000, 1.0), (16000, 1.0), (4000, 0.25), (16000, 0.0625)):
            path = _with_raster(Path(folder), cells, cell_m)
            begin = time.perf_counter()
            loopgis.read_site(path)
            print(f"reading, raster of {cells} x {cells} cells of {cell_m} m: {time.perf_counter() - begin:.2f} s")


def _grown(what: str, bores: dict[float, BoreSpec], site: Site) -> None:
    first = 0.0
    for figure, bore in bores.items():
        found = loopgis.design(replace(site, spec=replace(site.spec, bore=bore)), effort=0)
        took = {k: found.seconds[k] for k in ("layouts", "heat", "judge")}
        first = first or sum(took.values())
        most = max(len(y.bores) for y in found.layouts)
        parts = ", ".join(f"{k} {v:.2f} s" for k, v in took.items())
        print(
            f"{figure:g} {what}: {found.candidates} candidates, {most} bores at most, {parts}; "
            f"{sum(took.values()) / first:.1f} times the first"
        )


def _with_raster(folder: Path, cells: int, cell_m: float) -> Path:
    """The suburban lot on a raster of its own, tiled, written by strips, centred on the lot."""
    home = ROOT / "data" / "suburban"
    site = loopgis.read_site(home / "site.toml")
    ((x, y),) = site.frame.to_parcel_crs(np.zeros((1, 2)))
    shutil.copytree(home, folder / "lot", dirs_exist_ok=True)
    unit = site.frame.parcel_crs.axis_info[0].unit_conversion_factor
    side = cells * cell_m / unit
    corner = from_origin(x - side / 2, y + side / 2, cell_m / unit, cell_m / unit)
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": cells, "height": cells, "tiled": True,
               "crs": site.frame.parcel_crs.to_wkt(), "transform": corner, "compress": "deflate"}  # fmt: skip
    with rasterio.open(folder / "lot" / "own.tif", "w", **profile) as sink:
        for row in range(0, cells, 500):
            z = 100 + np.sin((row + np.arange(500))[:, None] * cell_m / 90) + np.zeros(cells)
            sink.write(z.astype(np.float32), 1, window=Window(0, row, cells, 500))
    text = (home / "site.toml").read_text(encoding="utf-8")
    lines = [
        'elevation = "own.tif"' if li.startswith("elevation =")
        else 'elevation_unit = "m"' if li.startswith("elevation_unit") else li
        for li in text.splitlines()
    ]  # fmt: skip
    (folder / "lot" / "site.toml").write_text("\n".join(lines), encoding="utf-8")
    return folder / "lot" / "site.toml"


def main() -> None:
    """Print a line per site and stage."""
    if "--growth" in sys.argv:
        growth()
        return
    sites = SITES[:1] if "--once" in sys.argv else SITES
    geopandas_s, _ = seconds("import geopandas")
    help_s, _ = seconds("from loopgis.cli.main import cli; cli(['--help'], standalone_mode=False)")
    print(f"help: {help_s / geopandas_s:.2f} of importing geopandas (aim <= 0.25)")
    heat()
    for name in sites:
        path = str(ROOT / "data" / name / "site.toml")
        floor_s, _ = seconds(FLOOR.format(path=path))
        _, out = seconds(WHOLE.format(path=path))
        figures = json.loads(out)
        print(
            f"{name}: floor {floor_s:.2f} s; {figures['layouts']} layouts, {figures['bores']} bores, {figures['memory_mb']:.0f} MB"
        )
        for stage, took in figures["stages"].items():
            print(f"  {stage:<12} {took:6.2f} s   {took / floor_s:5.2f} floors")
        lay_s = figures["stages"]["layouts"]
        print(
            f"  candidates   {figures['candidates']} in {lay_s:.2f} s: {figures['candidates'] / lay_s:.0f} per second"
        )
        for label in ("ranked", "plain", "whole", "tablet", "as_built"):
            print(f"  {label:<12} {figures[label]:6.2f} s   {figures[label] / floor_s:5.2f} floors")
        if name == "suburban":
            choice(path)


if __name__ == "__main__":
    main()
