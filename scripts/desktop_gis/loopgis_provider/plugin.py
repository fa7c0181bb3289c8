"""The plugin: nothing but the provider, with or without a window."""

from __future__ import annotations

from typing import Any

from qgis.core import QgsApplication

from .provider import LoopgisProvider


class LoopgisPlugin:
    """What the host holds on to."""

    def __init__(self, iface: Any) -> None:
        """The window, iface, is None without a window and is not used."""
        self.iface = iface
        self.provider: Any = None

    def initProcessing(self) -> None:
        """Add the provider; called by the host without a window too."""
        self.provider = LoopgisProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        """The window has nothing of ours beyond the toolbox."""
        self.initProcessing()

    def unload(self) -> None:
        """Take the provider away again."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
