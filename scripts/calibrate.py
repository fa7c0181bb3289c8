"""Ground temperature offset of a running plant, from daily readings of its first weeks.

    python scripts/calibrate.py SITE.toml LAYOUT_ID READINGS.csv

READINGS.csv: a header with day (of the year), heat_kw (mean heat taken out of the water that day; negative: put in) and ewt_c
(entering water at the day's end, degrees Celsius), one row per day without gaps, from the first day of operation on.
"""

from __future__ import annotations

import csv
import sys
from itertools import pairwise
from pathlib import Path

import loopgis
from loopgis.core.errors import InputError, LoopgisError
from loopgis.ground.spread import first_weeks_c, offset_from_readings


def readings(path: Path) -> tuple[float, list[float], list[float]]:
    """First day, heat into the ground in W and entering water, day by day. Raises InputError naming the line."""
    days, heat, water = [], [], []
    with path.open(encoding="utf-8-sig", newline="") as stream:
        for number, row in enumerate(csv.DictReader(stream), 2):
            try:
                days.append(float(row["day"]))
                heat.append(-1000 * float(row["heat_kw"]))
                water.append(float(row["ewt_c"]))
            except (KeyError, TypeError, ValueError):
                raise InputError(path.name, f"line {number} lacks a figure", "give day, heat_kw and ewt_c") from None
    for a, b in pairwise(days):
        if b not in (a + 1, 1):
            raise InputError(path.name, f"day {b:g} follows day {a:g}", "give every day from the first on")
    if len(days) < 2:
        raise InputError(path.name, "holds fewer than two days", "give some weeks")
    return days[0], heat, water


def main() -> int:
    """Print the offset, its standard error, and the line for the site file."""
    if len(sys.argv) != 4:
        print(__doc__)
        return 2
    try:
        first, heat, water = readings(Path(sys.argv[3]))
        site = loopgis.read_site(sys.argv[1])
        layouts = {y.layout_id: y for y in loopgis.design(site).layouts}
        if sys.argv[2] not in layouts or layouts[sys.argv[2]].heat is None:
            raise InputError(
                sys.argv[2], "is no layout with heat", f"one of {', '.join(layouts)}; the site needs a [demand]"
            )
        heat_of = layouts[sys.argv[2]].heat
        offset, error = offset_from_readings(first_weeks_c(heat_of.loop, heat, day=first - 1), water)
    except LoopgisError as error_:
        print(f"error: {error_}", file=sys.stderr)
        return error_.exit_code
    told = site.spec.ground.offset_k + offset
    print(
        f"{len(water)} days: the ground is {offset:+.2f} K (standard error {error:.2f} K) against what the site file says"
    )
    print(f'put under [ground]:  offset = "{told:.2f} delta_degC"')
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
