#!/usr/bin/env python3
"""Write a made-up town for `loopgis screen`: parcels.gpkg, buildings.gpkg, features.gpkg, dem.tif and town.toml.

    python scripts/make_town.py FOLDER [PARCELS] [SEED]        default: 200 parcels, seed 1

The same number and seed give the same bytes.
"""

from __future__ import annotations

import sys
from pathlib import Path

from loopgis.screening.town_files import write_town

if __name__ == "__main__":
    folder = Path(sys.argv[1])
    number = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    write_town(folder, number, seed=int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    print(f"{number} parcels written to {folder}")
