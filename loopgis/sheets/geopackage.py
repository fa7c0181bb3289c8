"""The GeoPackage of a design: its layers, and what the file says of itself.

How it is put on disk stands in gpkg_write.py, the rows in gpkg_rows.py, the columns in schema.py, the styles in styles.py.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.layout.heat_case import case_of
from loopgis.layout.heat_said import heat_said
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.gpkg_rows import rows
from loopgis.sheets.gpkg_write import write_package

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.sheets.gpkg_rows import Scored
    from loopgis.site.model import Site


def write_layouts(
    path: Path,
    site: Site,
    zones: Sequence[Zone],
    layouts: Sequence[Layout],
    *,
    version: str,
    scored: Scored | None = None,
) -> None:
    """Write all layers of a design, GeoPackage 1.2, in the parcel's CRS.

    The same input gives the same bytes, whatever the folder and the day. version: of loopgis, kept in the metadata; scored: what
    scoring an edited file adds. Raises InputError when the place cannot be written; an old file of that name then stays as it was.
    """
    said = json.dumps(document(site, zones, version), indent=1, sort_keys=True, allow_nan=False)
    write_package(path, rows(site, zones, layouts, scored), site, said)


def site_key(site: Site, zones: Sequence[Zone]) -> str:
    """Fingerprint of all that a layout hangs on: site file without its name and units, lot, features, zones, ground, kept bores."""
    cost = None if site.spec.cost is None else replace(site.spec.cost, assumed=frozenset())  # sets have no order
    spec = replace(site.spec, path="", name="", units="", given=frozenset(), rules=(), cost=cost)
    digest = hashlib.sha256(repr(spec).encode())
    for shape in (site.parcel, *(f.geometry for f in site.all_features()), *(z.polygon for z in zones)):
        digest.update(shapely.to_wkb(shape))
    for feature in site.all_features():
        digest.update(f"{feature.feature_id} {feature.kind} {feature.quality} {feature.depth_m}".encode())
    for zone in zones:
        digest.update(f"{zone.rule.key} {zone.mode} {zone.required_depth_m} {zone.closed}".encode())
    digest.update(site.terrain.z_m.tobytes())
    for line in site.kept:
        digest.update(line.xyz_m.tobytes())
    return digest.hexdigest()


def document(site: Site, zones: Sequence[Zone], version: str) -> dict[str, Any]:
    """What the file says of itself: limits, rules, inputs with hashes, cautions."""
    rig, bore, case = site.spec.rig, site.spec.bore, case_of(site)
    return {
        "loopgis": 1,
        "version": version,
        "site": site.spec.name,
        "parcel_id": site.parcel_id,
        "units": site.spec.units,
        "rig": {
            "rod_length_m": rig.rod_length_m,
            "bend_radius_m": rig.bend_radius_m,
            "entry_pitch_pct": list(rig.entry_pitch_pct),
            "exit_pitch_pct": list(rig.exit_pitch_pct),
            "max_length_m": rig.max_length_m,
            "max_depth_m": rig.max_depth_m,
            "class": rig.name,
            "pullback_n": rig.pullback_n,
            "rod_diameter_m": rig.rod_diameter_m,
        },
        "pipe": {"size": site.spec.pipe.size, "dr": site.spec.pipe.dr, "fluid": site.spec.pipe.fluid},
        "ticket": site.ticket is not None,
        "bore": {"spacing_m": bore.spacing_m, "hole_diameter_m": bore.hole_diameter_m, "depth_m": list(bore.depth_m)},
        "rules": list(site.spec.rules),
        "given_kinds": sorted(site.given_kinds),
        "counts": dict(sorted(Counter(f.kind for f in site.all_features()).items())),
        "centre_lat_lon": _centre(site),
        "heat": None if case is None else heat_said(case),
        "terrain": "flat" if site.terrain.flat else "raster",
        "site_key": site_key(site, zones),
        "frame_wkt": site.frame.crs.to_wkt(),
        "inputs": [
            {"role": s.role, "path": s.path, "sha256": s.sha256, "crs": s.crs, "rows": s.rows} for s in site.sources
        ],
        "cautions": list(CAUTIONS),
    }


def _centre(site: Site) -> list[float]:
    """Latitude and longitude of the middle of the lot's bounds, degrees of its own datum, to a metre."""
    west, south, east, north = site.parcel.bounds
    lon, lat = site.frame.to_lonlat(np.array([[(west + east) / 2, (south + north) / 2]]))[0]
    return [round(float(lat), 5), round(float(lon), 5)]
