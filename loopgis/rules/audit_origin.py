"""What a file of ours says of itself as a whole: how many things it was made with, and where it lies.

Part of the independent audit. A stranger's file says nothing of the kind, and nothing is asked of it.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.findings import Finding

if TYPE_CHECKING:
    from loopgis.rules.audit_modes import Thing
    from loopgis.rules.audit_read import Package, Table

MOVED_M = 50.0
"""Two datums that are often mistaken for one another lie 1 to 2 m apart; what lies farther off was moved."""


def origin_findings(package: Package, parcel: Table, things: tuple[Thing, ...]) -> list[Finding]:
    """Things that are gone since the file was written, ids that two things share, a lot that lies elsewhere now."""
    return [*_gone(package.metadata.get("counts"), things), *_doubled(things), *_moved(package, parcel)]


def _gone(counts: Any, things: tuple[Thing, ...]) -> list[Finding]:  # noqa: ANN401 -- metadata may hold anything
    if not isinstance(counts, dict):
        return []
    now = Counter(t.kind for t in things)
    return [
        Finding(
            severity="error",
            code="feature-gone",
            message=f"the file was made with {said} of kind {kind} and holds {now[str(kind)]} now",
            remedy="put back what was taken out, or make the file anew from the site",
            where="features",
            measured=float(now[str(kind)]),
            limit=float(said),
            unit="",
            outcome="fail",
        )
        for kind, said in sorted(counts.items())
        if isinstance(said, int) and now[str(kind)] < said
    ]


def _doubled(things: tuple[Thing, ...]) -> list[Finding]:
    count = Counter(t.feature_id for t in things)
    return [
        Finding(
            severity="warning",
            code="feature-double",
            message=f"{n} things have this id: rows cannot tell them apart",
            remedy="give each its own id, or take the doubled one out",
            where="features",
            feature_id=name,
        )
        for name, n in sorted(count.items())
        if n > 1
    ]


def _moved(package: Package, parcel: Table) -> list[Finding]:
    """The lot's middle against the place that the metadata name, on the ellipsoid."""
    said = package.metadata.get("centre_lat_lon")
    if not isinstance(said, list) or len(said) != 2 or parcel.crs is None or parcel.geometry is None:
        return []
    import shapely  # noqa: PLC0415
    from pyproj import Geod, Transformer  # noqa: PLC0415

    geodetic = parcel.crs.geodetic_crs
    if geodetic is None or not all(isinstance(v, int | float) for v in said):
        return []
    box = shapely.total_bounds(parcel.geometry)
    way = Transformer.from_crs(parcel.crs, geodetic.to_2d(), always_xy=True)
    lon, lat = way.transform((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    if not np.isfinite([lon, lat]).all():
        return []
    _, _, away = Geod(ellps="GRS80").inv(lon, lat, float(said[1]), float(said[0]))
    if away <= MOVED_M:
        return []
    return [
        Finding(
            severity="error",
            code="file-moved",
            message=f"the lot lies {away:,.0f} m from where the file was made: its coordinate system was changed",
            remedy="give the layers the coordinate system that they were written in",
            where="parcel",
            measured=float(away),
            limit=MOVED_M,
            outcome="fail",
        )
    ]
