"""Candidates, choice, judgement: from a pad to ranked layouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopgis.layout.selection import choose

__all__ = ["choose"]


def __getattr__(name: str) -> Any:  # noqa: ANN401
    """Import the public call when it is first used, so that start-up stays light."""
    if name == "choose":
        from loopgis.layout.selection import choose  # noqa: PLC0415

        return choose
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
