"""Zips the plugin for the host's plugin manager; the same files give the same bytes.

Run: python scripts/desktop_gis/make_zip.py [loopgis_provider.zip]
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
PLUGIN = HERE / "loopgis_provider"
KINDS = {".py", ".txt", ".svg"}
EARLIEST = (1980, 1, 1, 0, 0, 0)


def files() -> list[tuple[str, Path]]:
    """Name in the zip and path of everything that belongs to the plugin, in order of name."""
    own = [p for p in PLUGIN.rglob("*") if p.is_file() and p.suffix in KINDS]
    named = [(p.relative_to(HERE).as_posix(), p) for p in own]
    return sorted([*named, (f"{PLUGIN.name}/LICENSE", HERE.parents[1] / "LICENSE")])


def write(target: Path) -> Path:
    """Write the zip: no clock, no owner, no compression whose bytes depend on a library."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as pack:
        for name, path in files():
            entry = zipfile.ZipInfo(name, EARLIEST)
            entry.create_system, entry.external_attr = 3, 0o100644 << 16
            pack.writestr(entry, path.read_bytes())
    return target


if __name__ == "__main__":
    print(write(Path(sys.argv[1] if len(sys.argv) > 1 else "loopgis_provider.zip")))
