"""Reference tables that ship with the package, read once."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def load_table(name: str) -> dict[str, Any]:
    """Content of tables/<name>.toml."""
    return tomllib.loads((resources.files("loopgis") / "tables" / f"{name}.toml").read_text("utf-8"))
