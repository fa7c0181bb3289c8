"""A small made-up town for the tests, quick to judge, and the command as a process of its own."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from loopgis.screening.town_files import write_town

ROOT = Path(__file__).resolve().parents[2]
RUN = "from loopgis.cli import main; main.VERBS.setdefault('screen', 'loopgis.cli.screen'); main.run()"
ENV = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}


def small_town(folder: Path, parcels: int = 24, *, seed: int = 1, depth: str = "10 ft") -> Path:
    """Town with one named depth and one pattern, so that a parcel takes a fraction of a second."""
    write_town(folder, parcels, seed=seed)
    file = folder / "town.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(f'{text}\n[bore]\ndepth = ["{depth}"]\n\n[layout]\npatterns = ["parallel"]\n', encoding="utf-8")
    return folder


def command(town: Path, output: Path, *more: str) -> list[str]:
    """The command line of a screening."""
    parcels, site = str(town / "parcels.gpkg"), str(town / "town.toml")
    return [sys.executable, "-c", RUN, "screen", parcels, "--site", site, "-o", str(output), *more]
