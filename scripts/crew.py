"""The crew's steering list in Python: rod by rod, from the GeoPackage alone.

python scripts/crew.py out/suburban/layouts.gpkg L-01 B-01
"""

from __future__ import annotations

import sys

import geopandas

path, layout, bore = sys.argv[1:4]
rods = geopandas.read_file(path, layer="rods")
mine = rods[(rods.layout_id == layout) & (rods.bore_id == bore)].sort_values("rod")
if mine.empty:
    sys.exit(f"{path} holds no rods of {layout} {bore}")
print(f"{layout} {bore}\n rod   drilled m   depth m   pitch %   azimuth   note")
for row in mine.itertuples():
    print(
        f"{row.rod:4d}  {row.station_m:10.2f}  {row.depth_m:8.2f}  {row.pitch_pct:8.1f}  {row.azimuth_deg:8.1f}   {row.note}"
    )
print("Call the one-call centre and wait for every answer; expose each crossing before the head passes.")
