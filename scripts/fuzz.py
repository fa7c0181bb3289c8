#!/usr/bin/env python3
"""Coverage-guided fuzzing of the readers, with atheris: bytes in, and nothing out but a value or an InputError.

    python -m venv fuzzenv && fuzzenv/bin/pip install atheris      # not in the project's own environment
    PYTHONPATH=.:.venv/lib/python3.11/site-packages fuzzenv/bin/python scripts/fuzz.py TARGET FOLDER [-max_total_time=600 ...]

TARGET: site (site file), rules (rule file, both readers), units (one quantity), log (log of the field, any form). FOLDER: the
corpus, made and filled with good files when it is not there; what follows goes to libFuzzer. A find is left as crash-... where it
was called; its bytes belong into tests/hard/test_finds.py.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import atheris  # type: ignore[import-not-found, unused-ignore]

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "hard"), str(ROOT / "tests")]
SHM = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108 - a folder in memory

with atheris.instrument_imports(include=["loopgis", "tomllib"]):
    from loopgis.core import units
    from loopgis.core.errors import InputError
    from loopgis.field import log_read
    from loopgis.rules import audit_rules, files
    from loopgis.site import config
    from loopgis.site.log import Log

from mutations import odd_figures  # noqa: E402 - from tests/hard
from test_fuzz_site import SIGNED, WHOLE, toml  # noqa: E402

PLACE = Path(tempfile.mkdtemp(prefix="loopgis-fuzz-", dir=SHM))
DIMENSIONS = ("length", "temperature", "pitch", "flow", "power", "density", "angle", "conductivity")
SITE = toml(WHOLE)
HAND = "bore,rod,depth (ft),pitch (%),clock,offset (ft),remark\nB-01,0,0,-25,12,0,\nB-01,1,1'6\",-24,3:30,-0.5,a\n"


def _sound(odd: list[str]) -> None:
    """A find when there is anything on the list."""
    if odd:
        raise AssertionError(odd)


def site(data: bytes) -> None:
    """A site file."""
    file = PLACE / "site.toml"
    file.write_bytes(data)
    log = Log()
    cfg = config.load(file, log)
    if not any(f.severity == "error" for f in log.findings):
        _sound(odd_figures(cfg, SIGNED))


def rules(data: bytes) -> None:
    """A rule file: what the generator takes the audit takes too."""
    file = PLACE / "own.toml"
    file.write_bytes(data)
    taken = files.load(str(file))
    _sound(odd_figures(taken, frozenset()))
    try:
        audit_rules.load_rules([str(file)], PLACE)
    except InputError as error:
        raise AssertionError(f"the audit refuses what the generator takes: {error}") from error


def quantity(data: bytes) -> None:
    """One quantity of a dimension that the first byte picks."""
    text = data[1:].decode("utf-8", "replace")
    units.parse(text, DIMENSIONS[data[0] % len(DIMENSIONS)] if data else "length", where="x")


def log(data: bytes) -> None:
    """A log of the field."""
    file = PLACE / "log"
    file.write_bytes(data)
    log_read.read_logs([file], layout_id="L-01", units="us")


TARGETS = {"site": site, "rules": rules, "units": quantity, "log": log}


def seeds(target: str) -> dict[str, bytes]:
    """Good files to begin with."""
    if target == "site":
        parts = SITE.split("\n[")
        return {"whole": SITE.encode(), **{f"part{n}": f"{parts[0]}\n[{p}".encode() for n, p in enumerate(parts[1:])}}
    if target == "rules":
        folder = ROOT / "loopgis" / "tables" / "rules"
        return {p.stem: p.read_bytes() for p in folder.glob("*.toml")}
    if target == "units":
        return {
            str(n): bytes([n % 8]) + t.encode()
            for n, t in enumerate(("15 ft", "1.6 W/(m K)", "-4 degC", "35 %", "0.7 mm²/s", "9 gpm"))
        }
    return {
        "hand": HAND.encode(),
        "page": b'{"schema":"loopgis-log/1","file":"a","tablet":"A","counts":{"A":0},"entries":[]}',
    }


def main() -> None:
    """Run libFuzzer on a target."""
    target, corpus = sys.argv[1], Path(sys.argv[2])
    corpus.mkdir(parents=True, exist_ok=True)
    for name, data in seeds(target).items():
        if not any(corpus.iterdir()) or not (corpus / name).exists():
            (corpus / name).write_bytes(data)
    work = TARGETS[target]

    def one(data: bytes) -> None:
        try:
            work(data)
        except InputError as error:
            _sound([str(error)] if "\n" in str(error) else [])

    units.parse("1 ft", "length", where="x")  # the table of units takes a while
    atheris.Setup([sys.argv[0], str(corpus), "-timeout=30", "-rss_limit_mb=3000", *sys.argv[3:]], one)
    atheris.Fuzz()


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
