"""The loop as plumbing: fluids, friction, networks of pipes, purge, charge. Arrays in, arrays out."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopgis.hydraulics.friction import friction_factor, head_loss, pump_power_w, reynolds
    from loopgis.hydraulics.header_sizes import Part, choose_sizes
    from loopgis.hydraulics.network import Pipe, Section, balance, fan, header, in_series, solve
    from loopgis.hydraulics.purge import purge_flow

__all__ = [
    "Part",
    "Pipe",
    "Section",
    "balance",
    "choose_sizes",
    "fan",
    "friction_factor",
    "head_loss",
    "header",
    "in_series",
    "pump_power_w",
    "purge_flow",
    "reynolds",
    "solve",
]
_OF = {
    "friction": ("friction_factor", "head_loss", "pump_power_w", "reynolds"),
    "header_sizes": ("Part", "choose_sizes"),
    "network": ("Pipe", "Section", "balance", "fan", "header", "in_series", "solve"),
    "purge": ("purge_flow",),
}


def __getattr__(name: str) -> Any:  # noqa: ANN401
    """Import a public call when it is first used: the fluids of this room are imported by nearly all others."""
    for module, names in _OF.items():
        if name in names:
            return getattr(import_module(f"loopgis.hydraulics.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
