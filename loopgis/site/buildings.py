"""Buildings: the faces of one house put together, and what looks wrong with them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from loopgis.site import shapes
from loopgis.site.features import GIVEN_ID

if TYPE_CHECKING:
    from shapely import Polygon

    from loopgis.site.log import Log
    from loopgis.site.model import Feature

HUGE_SHARE = 0.6


def joined(features: list[Feature], log: Log, name: str) -> list[Feature]:
    """Buildings with all touching rows of the same id as one.

    Rows of the same id that do not touch stay apart: some files write the same id on every row.
    """
    groups: dict[str, list[Feature]] = {}
    for feature in features:
        groups.setdefault(dict(feature.attributes).get(GIVEN_ID, feature.feature_id), []).append(feature)
    result = [whole for parts in groups.values() for whole in _wholes(parts)]
    if len(result) < len(features):
        what = f"{len(features)} faces were joined by their ids to {len(result)} buildings"
        log.add_warning("buildings-joined", name, what, "compare with the aerial photo")
    return result


def _wholes(rows: list[Feature]) -> list[Feature]:
    """Rows of one id as features of one connected shape each; a row that is itself in several parts stays one."""
    left, result = list(rows), []
    while left:
        first, left = left[0], left[1:]
        shape = first.geometry
        while touching := [f for f in left if shapely.intersects(f.geometry, shape)]:
            shape = shapely.union_all([shape, *(f.geometry for f in touching)])
            left = [f for f in left if f not in touching]
        area = shapes.polygonal(shape)
        result.append(replace(first, geometry=shape if area is None else area))
    return result


def check(features: list[Feature], parcel: Polygon, log: Log, name: str) -> None:
    """Warn about a building that takes up most of the lot."""
    for feature in features:
        share = float(shapely.intersection(feature.geometry, parcel).area / parcel.area)
        if share > HUGE_SHARE:
            what = f"covers {share:.0%} of the lot"
            log.add_warning("building-huge", name, what, "is it a building, and the right lot?", feature.feature_id)
