"""Starting an office's own rule file on disk. What stands in it is made by `loopgis.rules.fresh`."""

from __future__ import annotations

from pathlib import Path

from loopgis.core.errors import InputError
from loopgis.rules.fresh import fresh_text
from loopgis.sheets.atomic import replaced_file


def new_file(
    path: str | Path,
    file_id: str,
    *,
    name: str = "",
    level: str = "",
    source: str = "",
    unit: str = "",
    overwrite: bool = False,
) -> Path:
    """Write a new rule file that `loopgis rules check` takes at once, whole or not at all; gives its path.

    path: must end in .toml; overwrite: replace a file that is there; the rest as in `loopgis.rules.fresh.fresh_text`. Raises
    InputError (also when the file is there, or its folder cannot be written) and UsageError.
    """
    place = Path(path)
    text = fresh_text(file_id, name=name, level=level, source=source, unit=unit)
    if place.suffix != ".toml":
        raise InputError(str(place), "is no name for a rule file", "let it end in .toml")
    if place.is_dir():
        raise InputError(str(place), "is a folder", "name a file in it")
    if place.exists() and not overwrite:
        raise InputError(str(place), "is there already", "add --overwrite to replace it, or name another file")
    with replaced_file(place) as temp:
        temp.write_text(text, encoding="utf-8", newline="\n")
    return place
