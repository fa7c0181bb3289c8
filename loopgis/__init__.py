"""loopgis: directional-drilled ground loops, from a parcel to ranked, drillable layouts in a GeoPackage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.core.version import VERSION

if TYPE_CHECKING:
    from loopgis.drilled import as_built
    from loopgis.driver import design
    from loopgis.rescore import score
    from loopgis.rules.audit import audit
    from loopgis.screening.driver import screen
    from loopgis.sheets.drill_bundle import drill
    from loopgis.sheets.permit_bundle import setbacks
    from loopgis.sheets.tablet_bundle import tablet
    from loopgis.site.read import read_site

__version__ = VERSION
__all__ = ["__version__", "as_built", "audit", "design", "drill", "read_site", "score", "screen", "setbacks", "tablet"]

_ROOMS = {"bore", "ground", "hydraulics", "layout"}
"""Rooms whose calls are part of the public interface: loopgis.ground.response and so on."""
_HOME = {
    "read_site": "loopgis.site.read",
    "design": "loopgis.driver",
    "audit": "loopgis.rules.audit",
    "score": "loopgis.rescore",
    "drill": "loopgis.sheets.drill_bundle",
    "setbacks": "loopgis.sheets.permit_bundle",
    "tablet": "loopgis.sheets.tablet_bundle",
    "as_built": "loopgis.drilled",
    "screen": "loopgis.screening.driver",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401
    """Import the public calls when they are first used, so that start-up stays light."""
    from importlib import import_module  # noqa: PLC0415

    if name in _ROOMS:
        return import_module(f"loopgis.{name}")
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
