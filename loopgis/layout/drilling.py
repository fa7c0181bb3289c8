"""What the rig will meet on each bore of a layout: the pull on the pipes, beside what they and the rig bear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopgis.bore.pipe import pull_margin
from loopgis.bore.pull import pull_along
from loopgis.core.findings import Finding
from loopgis.core.units import force_text, length_text, parse
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.bore.pipe import PullMargin
    from loopgis.bore.pull import PathPull
    from loopgis.site.model import Site

LEGS = 2
"""Pipes in a bore: one loop, down and back."""
SURPLUS_M = 3.0
"""Pipe that is pulled besides the length of the bore, to reach the header: house choice."""


@dataclass(frozen=True, kw_only=True)
class Pull:
    """Pull on the loop pipes of one bore, empty and bent as the bore lies, from its exit back to the pad.

    bore_id: which; path: where it is how large; margin: beside the pipes; rig_share: of what the rig pulls.
    """

    bore_id: str
    path: PathPull
    margin: PullMargin
    rig_share: float


def pulls_of(site: Site, bores: Sequence[Bore]) -> tuple[Pull | None, ...]:
    """Pull of every bore in order, None for one that is in the ground already. Raises RangeError when the pipes do not fit."""
    pipes = load_table("pipes")["pipes"]
    outer = parse(pipes[site.spec.pipe.size]["outside_diameter"], "length", where="tables/pipes.toml")
    found: list[Pull | None] = []
    for b in bores:
        if b.in_ground:
            found.append(None)
            continue
        path = pull_along(
            station_m=b.station_m,
            pitch_pct=b.pitch_pct,
            azimuth_deg=b.azimuth_deg,
            outside_diameter_m=outer,
            dr=site.spec.pipe.dr,
            hole_diameter_m=b.hole_diameter_m,
            surplus_m=SURPLUS_M,
            pipes=LEGS,
        )
        margin = pull_margin(largest_n=path.largest_n, outside_diameter_m=outer, dr=site.spec.pipe.dr, pipes=LEGS)
        found.append(
            Pull(bore_id=b.bore_id, path=path, margin=margin, rig_share=path.largest_n / site.spec.rig.pullback_n)
        )
    return tuple(found)


def pull_findings(pulls: Sequence[Pull | None], units: str) -> list[Finding]:
    """Pulls beyond what pipes or rig bear are errors; beyond what a weak link on one leg may let pass, warnings."""
    found = []
    for p in pulls:
        if p is None:
            continue
        pull, safe = force_text(p.path.largest_n, units), force_text(p.margin.safe_n, units)
        link = force_text(p.margin.weak_link_n, units)
        where = length_text(p.path.at_station_m, units, 0)
        limit, severity, code, remedy = (
            p.margin.safe_n,
            "error",
            "pull-over",
            "a shorter or straighter bore, or a thicker pipe",
        )
        if not p.margin.holds:
            what = f"the pull on the pipes reaches {pull}, {where} from the entry; they bear {safe}"
        elif p.rig_share > 1:
            what, limit = f"the pull reaches {pull}, more than the rig pulls", p.path.largest_n / p.rig_share
            remedy = "a larger rig, or a shorter bore"
        elif not p.margin.link_holds:  # with two legs also good practice: at most half of what both bear
            what = f"the pull reaches {pull}; a weak link on one leg may let no more than {link} pass"
            limit, severity, code = p.margin.weak_link_n, "warning", "pull-link"
        else:
            continue
        found.append(
            Finding(
                severity="error" if severity == "error" else "warning",
                code=code,
                bore_id=p.bore_id,
                station_m=p.path.at_station_m,
                message=what,
                remedy=remedy,
                measured=p.path.largest_n,
                limit=limit,
                unit="N",
            )
        )
    return found
