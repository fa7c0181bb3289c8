"""What every maker of rows shares: the type of a row, the columns that name a bore, figures that are finite or empty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from loopgis.layout.model import Layout

Row = tuple["BaseGeometry | None", dict[str, Any]]
"""Geometry in the frame, None in a plain table; values by column."""


def ids(layout: Layout, bore_id: str) -> dict[str, Any]:
    """Columns that say which bore of which layout a row belongs to."""
    return {"layout_id": layout.layout_id, "bore_id": bore_id, "rank": layout.rank}


def some(values: dict[str, Any]) -> dict[str, Any]:
    """Figures that are not finite become empty: never a made-up number."""
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}
