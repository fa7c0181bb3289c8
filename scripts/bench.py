"""Wall time of each stage on the demo sites, as ratios to importing the libraries and reading the inputs, in one run.

    python scripts/bench.py [--once]

The floor of a site is a fresh process that imports what reading needs and reads the site. --once runs the suburban lot only.
Ratios carry over to other machines, seconds do not. Times are the best of REPEATS.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SITES = ("suburban", "corner", "school")
REPEATS = 3

FLOOR = "import geopandas, rasterio, fiona, scipy.optimize, shapely; import loopgis; loopgis.read_site({path!r})"
WHOLE = """
import json, resource, tempfile, time
start = time.perf_counter()
import loopgis
result = loopgis.design({path!r})
ranked = time.perf_counter() - start
with tempfile.TemporaryDirectory() as folder:
    result.write(folder + "/plain", pictures=False)
    plain = time.perf_counter() - start
    result.write(folder + "/all")
    whole = time.perf_counter() - start - (plain - ranked)
print(json.dumps(dict(ranked=ranked, plain=plain, whole=whole, stages=result.seconds, layouts=len(result.layouts),
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


def main() -> None:
    """Print a line per site and stage."""
    sites = SITES[:1] if "--once" in sys.argv else SITES
    geopandas_s, _ = seconds("import geopandas")
    help_s, _ = seconds("from loopgis.cli.main import cli; cli(['--help'], standalone_mode=False)")
    print(f"help: {help_s / geopandas_s:.2f} of importing geopandas (aim <= 0.25)")
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
        for label in ("ranked", "plain", "whole"):
            print(f"  {label:<12} {figures[label]:6.2f} s   {figures[label] / floor_s:5.2f} floors")


if __name__ == "__main__":
    main()
