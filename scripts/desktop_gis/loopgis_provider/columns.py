"""How the columns of somebody's layer become those that the tool reads. Knows nothing of the desktop GIS."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

KEYS = ("fid", "ogc_fid")
"""Columns that a GeoPackage keeps for itself; their values go into a column `id` when the layer has no other."""
NEVER = ("geom", "geometry")
OWN_IDS = ("feature_id", "id", "gid", "objectid")


def plan(names: Sequence[str], meant: Mapping[str, str]) -> list[tuple[str, int]]:
    """Target name and index of each column to write, no name twice, capitals aside.

    names: of the layer's columns; meant: name that the tool knows -> the layer's own name for it, in any case; those that the
    layer has not are left out.
    """
    lower = [n.lower() for n in names]
    taken: dict[str, int] = {}
    for target, own in meant.items():
        if own.lower() in lower:
            taken[target] = lower.index(own.lower())
    if "depth" in taken and lower[taken["depth"]] != "depth":
        lower = [
            n if n != "depth_m" else "" for n in lower
        ]  # the column that was named counts, not one that is there by chance
    has_id = any(n in OWN_IDS for n in lower)
    for index, name in enumerate(lower):
        if not name or index in taken.values() or name in taken or name in NEVER:
            continue
        if name in KEYS:
            if not has_id and "id" not in taken:
                taken["id"] = index
            continue
        taken[name] = index
    return sorted(taken.items(), key=lambda item: item[1])


def number_or_text(value: object) -> object:
    """A value as GeoPackages hold it everywhere: whole number, number, text; None when there is none."""
    if value is None or isinstance(value, (int, float, str)):
        return int(value) if isinstance(value, bool) else value
    text = str(value)
    return None if text in ("NULL", "") else text
