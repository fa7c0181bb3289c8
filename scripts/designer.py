"""The designer's morning in Python: read a site, lay it out, compare, keep the best.

python scripts/designer.py data/suburban/site.toml out/suburban
"""

from __future__ import annotations

import sys

import loopgis
from loopgis.core.errors import LoopgisError

if len(sys.argv) != 3:
    sys.exit("usage: python scripts/designer.py SITE.toml FOLDER")
try:
    site = loopgis.read_site(sys.argv[1])
    result = loopgis.design(site)
except LoopgisError as error:
    print(f"error: {error}", file=sys.stderr)
    sys.exit(error.exit_code)
print(f"{site.spec.name}: {site.parcel.area:.0f} m2, {len(site.features)} features, {len(site.findings)} findings")

print("\n".join(result.table()))

best = result.layouts[0]
for name, term in best.terms.items():
    print(
        f"  {name:<10} {term['value']:9.2f}  share {term['share']:.2f} x weight {term['weight']:.2f} = {term['points']:5.1f} points"
    )
for bore in best.bores:
    print(
        f"  {bore.bore_id}  {bore.length_m:6.1f} m drilled, {bore.level_length_m:6.1f} m level, deepest {bore.max_depth_m:.2f} m"
    )

result.write(sys.argv[2], overwrite=True)
