"""Lets tests import the plugin's modules that know nothing of the desktop GIS, and finds the host's programs."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DESK = ROOT / "scripts" / "desktop_gis"
PLUGIN = DESK / "loopgis_provider"
sys.path.insert(0, str(DESK))

HOST = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
HOST_PYTHON = "/usr/bin/python3"
"""The Python that Debian's packages of the desktop GIS belong to."""
NOT_THERE = "QGIS is not installed: run scripts/desktop_gis/install_qgis.sh as root, on Debian or Ubuntu"
