"""Runs the page's JavaScript in the node that comes with playwright: JSON in, JSON out, one process for many cases."""

from __future__ import annotations

import json
import math
import subprocess
from pathlib import Path
from typing import Any

PAGE = Path(__file__).parents[2] / "loopgis" / "sheets" / "page"
_FIGURES = {"\x00NaN": math.nan, "\x00Infinity": math.inf, "\x00-Infinity": -math.inf, "\x00-0": -0.0}
_HOST = r"""
const fs = require("fs"), vm = require("vm");
const { files, script, data, bare } = JSON.parse(fs.readFileSync(0, "utf8"));
const world = bare ? vm.createContext(Object.create(null)) : null;
const run = (text, filename) => (bare ? vm.runInContext(text, world, { filename }) : vm.runInThisContext(text, { filename }));
for (const file of files) run(fs.readFileSync(file, "utf8"), file);
const told = (k, v) => (typeof v === "number" && (!Number.isFinite(v) || Object.is(v, -0)) ? "\u0000" + (v === 0 ? "-0" : v) : v);
const out = run(`(${script})`, "script")(run("JSON.parse", "data")(data));
fs.writeSync(1, JSON.stringify(out === undefined ? null : out, told));
"""


def node() -> str:
    """Path of the node that playwright brings."""
    from playwright._impl._driver import compute_driver_executable

    return str(compute_driver_executable()[0])


def run_js(
    script: str,
    data: object = None,
    *,
    files: tuple[str, ...] = ("core.js",),
    bare: bool = True,
    timeout_s: float = 120.0,
) -> Any:
    """What a JavaScript function of one argument gives for the data, in a world that holds the language and the page's files only.

    script: text of the function, e.g. "(cases) => cases.map((c) => Core.sha256(c))"; data: anything that JSON holds; files: of the
    page's folder, loaded in order; bare: False for node's own
    world, twice as fast. Figures that JSON has not (NaN, infinite, -0) come back as floats. Raises AssertionError with
    the end of node's own words when it fails.
    """
    told = json.dumps(
        {"files": [str(PAGE / f) for f in files], "script": script, "data": json.dumps(data), "bare": bare}
    )
    done = subprocess.run(
        [node(), "-e", _HOST], input=told.encode(), capture_output=True, timeout=timeout_s, check=False
    )
    assert done.returncode == 0, done.stderr.decode("utf-8", "replace")[-2000:]
    return _plain(json.loads(done.stdout.decode("utf-8")))


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return _FIGURES.get(value, value)
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return {k: _plain(v) for k, v in value.items()} if isinstance(value, dict) else value
