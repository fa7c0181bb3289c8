"""The permit clerk's check in Python: measure every bore of a GeoPackage again, with the office's own rules.

python scripts/clerk.py out/suburban/layouts.gpkg house [more rule files]
"""

from __future__ import annotations

import sys

import loopgis

findings = loopgis.audit(sys.argv[1], rules=sys.argv[2:] or None)
for finding in findings:
    print(finding.line())
failed = [f for f in findings if f.outcome == "fail" or f.severity == "error"]
print(f"{len(failed)} failures, {len(findings) - len(failed)} things for a person to look at")
sys.exit(5 if failed else 0)
