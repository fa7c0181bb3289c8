"""Pipes by the name that the trade gives their size, e.g. "1 in"."""

from __future__ import annotations

from loopgis.core.units import parse
from loopgis.hydraulics.friction import inside_diameter_m
from loopgis.tables.load import load_table


def outside_m(size: str) -> float:
    """Outside diameter of a pipe of tables/pipes.toml. Raises KeyError for another.

    >>> round(outside_m("1 in") / 0.0254, 3)
    1.315
    """
    return parse(load_table("pipes")["pipes"][size]["outside_diameter"], "length", where="tables/pipes.toml")


def inside_m(size: str, dr: float) -> float:
    """Inside diameter of the same with a dimension ratio, least wall."""
    return inside_diameter_m(outside_diameter_m=outside_m(size), dr=dr)
