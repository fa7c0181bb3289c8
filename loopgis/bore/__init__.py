"""One bore: plan curve, profile, rods, pull, collapse, mud. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopgis.bore.pull import pull_load

__all__ = ["pull_load"]


def __getattr__(name: str) -> Any:  # noqa: ANN401
    """Import the public call when it is first used: this room is imported by nearly all others."""
    if name == "pull_load":
        from loopgis.bore.pull import pull_load  # noqa: PLC0415

        return pull_load
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
