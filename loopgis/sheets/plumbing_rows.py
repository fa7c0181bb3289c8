"""Rows and files about plumbing: circuits, header, and what to order."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from loopgis.core.units import length_text, volume_text
from loopgis.sheets.gpkg_row import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopgis.layout.material import Material
    from loopgis.layout.model import Layout
    from loopgis.sheets.gpkg_row import Row


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def circuits(layout: Layout) -> Iterator[Row]:
    """A row per circuit."""
    for c in layout.plumbing.circuits if layout.plumbing is not None else ():
        values: dict[str, Any] = {
            "layout_id": layout.layout_id,
            "circuit": c.number,
            "bores": " ".join(c.bores),
            "pipe_m": c.pipe_m,
            "volume_m3": c.holds_m3,
            "flow_l_s": _times(c.flow_m3_s, 1000),
            "velocity_m_s": c.velocity_m_s,
            "reynolds_cold": c.reynolds_cold,
            "reynolds_warm": c.reynolds_warm,
            "loss_kpa": _times(c.loss_pa, 0.001),
        }
        yield None, some(values)


def spans(layout: Layout) -> Iterator[Row]:
    """A row per span of the header."""
    for s in layout.plumbing.spans if layout.plumbing is not None else ():
        values: dict[str, Any] = {
            "layout_id": layout.layout_id,
            "span": s.name,
            "size": s.size,
            "length_m": s.length_m,
            "inside_m": s.inside_m,
            "flow_l_s": _times(s.flow_m3_s, 1000),
            "velocity_m_s": s.velocity_m_s,
            "purge_m_s": s.purge_m_s,
        }
        yield None, some(values)


def materials(layout: Layout) -> Iterator[Row]:
    """A row per line of the list of what to order."""
    for m in layout.materials:
        values = {"item": m.item, "size": m.size or None, "amount": float(m.amount), "unit": m.unit, "basis": m.basis}
        yield None, {"layout_id": layout.layout_id, **values}


def amount_text(m: Material, units: str) -> str:
    """Amount of a line for people: feet and gallons, or metres and cubic metres, or whole pieces."""
    if m.unit == "m":
        return length_text(m.amount, units, 0)
    if m.unit == "m3":
        return volume_text(m.amount, units)
    return f"{m.amount:g}"


def material_csv(layout: Layout, units: str) -> str:
    """What to order as CSV: for people in the site's units, and in SI beside it."""
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(["item", "size", "amount", "amount (SI)", "unit (SI)", "how it comes about"])
    for m in layout.materials:
        sheet.writerow([m.item, m.size, amount_text(m, units), f"{m.amount:.4g}", m.unit, m.basis])
    return out.getvalue()
