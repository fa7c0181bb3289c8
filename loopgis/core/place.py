"""Where one result goes: looked at before the long computation, and never in the place of an input."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.errors import InputError
from loopgis.core.in_use import read_only

if TYPE_CHECKING:
    from collections.abc import Iterable

OTHER = "use --overwrite, or name another file"


def ready_file(path: str | Path, *, suffix: str, overwrite: bool, inputs: Iterable[str | Path] = ()) -> Path:
    """Path of a file to write.

    Raises InputError when it is there and overwrite is False, is one of the inputs, its folder is not there, or its name does not
    end in `suffix`: it may be something else, named by mistake.
    """
    place = Path(path)
    if place.is_dir():
        raise InputError(str(path), "is a folder", f"name a file that ends in {suffix}")
    if place.suffix.lower() != suffix:
        raise InputError(str(path), f"is no name for a file that ends in {suffix}", f"end it in {suffix}")
    if not place.resolve().parent.is_dir():
        raise InputError(str(path), f"there is no folder {place.parent}", "make it first, or name another place")
    if is_one_of(place, inputs):
        raise InputError(str(path), "is an input of this run, which would be lost", "name another file")
    if place.exists() and not overwrite:
        raise InputError(str(path), "is there already", OTHER)
    refuse_foreign(place)
    return place


def refuse_foreign(place: Path) -> None:
    """InputError when a GeoPackage or TOML file stands there that loopgis did not make: no old result, but somebody's data."""
    if not place.is_file():
        return
    ours = True
    if place.suffix.lower() == ".gpkg":
        with suppress(sqlite3.Error), closing(read_only(place)) as db:
            tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
            if "gpkg_contents" in tables:
                said = "SELECT count(*) FROM gpkg_metadata WHERE metadata LIKE '%\"loopgis\"%'"
                ours = "gpkg_metadata" in tables and db.execute(said).fetchone() != (0,)
    elif place.suffix.lower() == ".toml":
        ours = b"loopgis-rules/" in place.read_bytes()[:100_000] or not place.stat().st_size
    if not ours:
        raise InputError(
            str(place), "was not made by loopgis and is not replaced", "move it away, or name another file"
        )


def is_one_of(place: Path, inputs: Iterable[str | Path]) -> bool:
    """Is a place one of some files, by whatever name."""
    return place.exists() and any(Path(i).exists() and place.samefile(i) for i in inputs)
