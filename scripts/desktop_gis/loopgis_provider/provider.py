"""The provider: its algorithms, and where the tool's Python is kept among the host's settings."""

from __future__ import annotations

import os
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig, Setting
from qgis.core import QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms import ALGORITHMS

SETTING = "LOOPGIS_PYTHON"


class LoopgisProvider(QgsProcessingProvider):
    """Loopgis in the Processing toolbox."""

    def load(self) -> bool:
        """Add the one setting: Settings > Options > Processing > Providers > Loopgis."""
        ProcessingConfig.settingIcons[self.name()] = self.icon()
        setting = Setting(self.name(), SETTING, "Python that loopgis is installed in", "", valuetype=Setting.STRING)
        ProcessingConfig.addSetting(setting)
        ProcessingConfig.readSettings()
        self.refreshAlgorithms()
        return True

    def unload(self) -> None:
        """Take the setting's row away; its value stays."""
        ProcessingConfig.removeSetting(SETTING)

    def id(self) -> str:
        """First part of every algorithm's name."""
        return "loopgis"

    def name(self) -> str:
        """In the toolbox."""
        return "Loopgis"

    def icon(self) -> Any:
        """A bore under a lawn."""
        return QIcon(os.path.join(os.path.dirname(__file__), "icon.svg"))

    def loadAlgorithms(self) -> None:
        """One per step of the work."""
        for algorithm in ALGORITHMS:
            self.addAlgorithm(algorithm())
