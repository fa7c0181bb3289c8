"""The crew's steering list in Python: rod by rod, from the GeoPackage alone.

python scripts/crew.py out/suburban/layouts.gpkg L-01 B-01
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas

FT_M = 0.3048

if len(sys.argv) != 4:
    sys.exit("usage: python scripts/crew.py GEOPACKAGE LAYOUT BORE, e.g. out/suburban/layouts.gpkg L-01 B-01")
path, layout, bore = sys.argv[1:4]
if not Path(path).is_file():
    sys.exit(f"{path} is not there")


def mine(layer: str) -> geopandas.GeoDataFrame:
    """Rows of this bore in a layer."""
    table = geopandas.read_file(path, layer=layer)
    return table[(table.layout_id == layout) & (table.bore_id == bore)]


rods, crossings = mine("rods").sort_values("rod"), mine("crossings").sort_values("station_m")
if rods.empty:
    sys.exit(f"{path} holds no rods of {layout} {bore}")
print(f"{layout} {bore}: head at the end of each rod; pitch is negative going down, azimuth clockwise from true north,")
print("off line: left or right of the straight line from entry to exit")
print(" rod    drilled ft      m    depth ft      m   pitch %   azimuth   off line ft   next")
for r in rods.itertuples():
    drilled, depth = f"{r.station_m / FT_M:8.1f} {r.station_m:8.2f}", f"{r.depth_m / FT_M:8.1f} {r.depth_m:7.2f}"
    side = f"{'R' if r.offset_m > 0 else 'L'} {abs(r.offset_m) / FT_M:.1f}" if abs(r.offset_m) >= 0.03 else "on"
    care = f" [{r.locate}]" if isinstance(r.locate, str) and r.locate else ""
    print(f"{r.rod:4d}   {drilled}   {depth}  {r.pitch_pct:8.1f}  {r.azimuth_deg:8.1f}   {side:>11}   {r.action}{care}")
for c in crossings.itertuples():
    where = f"{c.station_m / FT_M:.1f} ft ({c.station_m:.1f} m)"
    print(
        f"crosses {c.kind.replace('_', ' ')} {c.feature_id} at {where}, {c.clearance_m / FT_M:.1f} ft clear: expose it first"
    )
print("Call the one-call centre and wait for every answer; expose each crossing before the head passes.")
