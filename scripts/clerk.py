"""The permit clerk's check in Python: measure every bore of a GeoPackage again, with the office's own rules.

python scripts/clerk.py out/suburban/layouts.gpkg house [more rule files]
"""

from __future__ import annotations

import sys

import loopgis
from loopgis.core.errors import LoopgisError

if len(sys.argv) < 2:
    sys.exit("usage: python scripts/clerk.py GEOPACKAGE [RULES ...]")
try:
    findings = loopgis.audit(sys.argv[1], rules=sys.argv[2:] or None)
except LoopgisError as error:
    print(f"error: {error}", file=sys.stderr)
    sys.exit(error.exit_code)
missing = sorted({f.line().split(": ", 2)[-1] for f in findings if f.code == "layer-missing"})
for finding in findings:
    if finding.code != "layer-missing":
        print(finding.line())
for line in missing:
    print(f"every layout: {line}")
failed = [f for f in findings if f.outcome == "fail" or f.severity == "error"]
print(f"{len(failed)} failures, {len(findings) - len(failed)} things for a person to look at")
sys.exit(5 if failed else 0)
