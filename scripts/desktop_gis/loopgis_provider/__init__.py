"""Loopgis for the Processing toolbox of QGIS: each step a child process of the tool's own Python."""

from __future__ import annotations

from typing import Any


def classFactory(iface: Any) -> Any:
    """The plugin. iface: the host's window, None when it runs without one."""
    from .plugin import LoopgisPlugin  # noqa: PLC0415 - this package is read by tests that have no QGIS

    return LoopgisPlugin(iface)
