"""What the rig will meet on each bore of a layout: pull, collapse, mud, place of the head, time, cost, worth at stake."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.bore.collapse import collapse, pipe_bend_radius_m
from loopgis.bore.collapse import modulus_pa as modulus_of
from loopgis.bore.mud import largest_pull_speed_m_s, mud_volumes, reamer
from loopgis.bore.pipe import SAFE_STRESS_PA, pipe_area_m2, pull_margin
from loopgis.bore.production import HEADER_PIPES, at_stake, bore_cost, bore_hours, layout_cost
from loopgis.bore.pull import pull_along
from loopgis.bore.rods import rod_min_radius_m, rods_needed
from loopgis.core.findings import Finding
from loopgis.core.units import force_text, length_text
from loopgis.layout.annulus import expected_returns, mud_findings, mud_of, ratio_of
from loopgis.layout.pipe_sizes import outside_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.collapse import Collapse
    from loopgis.bore.model import Bore
    from loopgis.bore.mud import MudVolumes, Reamer
    from loopgis.bore.pipe import PullMargin
    from loopgis.bore.production import BoreCost, BoreHours, LayoutCost
    from loopgis.bore.pull import PathPull
    from loopgis.layout.annulus import BoreMud
    from loopgis.site.model import Site

LEGS = 2
"""Pipes in a bore: one loop, down and back."""
SURPLUS_M = 3.0
"""Pipe that is pulled besides the length of the bore, to reach the header: house choice."""


LEAST_COLLAPSE = 2.0
"""Safety against collapse below which it is told; the pipe institute's example comes out at 2.96 (M)."""


@dataclass(frozen=True, kw_only=True)
class Pull:
    """Pull on the loop pipes of one bore, bent as the bore lies, from its exit back to the pad.

    bore_id: which; path: where it is how large, pipes empty; filled_n: the largest when they are pulled full of water and capped;
    margin: the empty one beside the pipes; rig_share: of what the rig pulls; collapse: of the empty pipe at the deepest place.
    """

    bore_id: str
    path: PathPull
    filled_n: float
    margin: PullMargin
    rig_share: float
    collapse: Collapse


@dataclass(frozen=True, kw_only=True, eq=False)
class Drill:
    """What the rig meets on one bore; pull, mud and volumes are None for a bore that is in the ground already.

    rods: to drill it; ream: hole that the pipes ask for; pipe_bend_m: least radius of the pipe at pit and header; rod_rule_m:
    least radius of the rods by the conservative rule (the rig's own figure governs); mud None also where nothing is known of the
    ground; fastest_m_s: pull-back that the mud pump keeps up with; hours, cost, at_stake: None without [cost] figures; returns:
    where mud is to be expected, by unit system, one line each.
    """

    bore_id: str
    rods: int
    ream: Reamer
    pipe_bend_m: float
    rod_rule_m: float
    pull: Pull | None
    mud: BoreMud | None
    volumes: MudVolumes | None
    hours: BoreHours | None
    cost: BoreCost | None
    at_stake: float | None
    fastest_m_s: float | None
    returns: dict[str, tuple[str, ...]]


def pull_of(site: Site, b: Bore, outer_m: float) -> Pull | None:
    """Pull of one bore, None for one that is in the ground already. Raises RangeError when the pipes do not fit."""
    if b.in_ground:
        return None
    dr = site.spec.pipe.dr

    def along(fill: float) -> PathPull:
        return pull_along(
            station_m=b.station_m,
            pitch_pct=b.pitch_pct,
            azimuth_deg=b.azimuth_deg,
            outside_diameter_m=outer_m,
            dr=dr,
            hole_diameter_m=b.hole_diameter_m,
            surplus_m=SURPLUS_M,
            pipes=LEGS,
            fill_gravity=fill,
        )

    path = along(0.0)
    margin = pull_margin(largest_n=path.largest_n, outside_diameter_m=outer_m, dr=dr, pipes=LEGS)
    stress = path.largest_n / pipe_area_m2(outside_diameter_m=outer_m, dr=dr, pipes=LEGS)
    return Pull(
        bore_id=b.bore_id,
        path=path,
        filled_n=along(1.0).largest_n,
        margin=margin,
        rig_share=path.largest_n / site.spec.rig.pullback_n,
        collapse=collapse(
            dr=dr,
            depth_m=max(0.0, float(max(b.z_m[0], b.z_m[-1]) - b.z_m.min())),
            modulus_pa=modulus_of(),
            tension_pa=min(
                stress, 2 * SAFE_STRESS_PA
            ),  # beyond that nothing is left, and the pull is an error of its own
        ),
    )


def drills_of(site: Site, bores: Sequence[Bore]) -> tuple[Drill, ...]:
    """What the rig meets on every bore, in order. Raises RangeError when the pipes do not fit."""
    outer_m = outside_m(site.spec.pipe.size)
    return tuple(_drill(site, b, outer_m) for b in bores)


def _drill(site: Site, b: Bore, outer_m: float) -> Drill:
    spec = site.spec
    rods = rods_needed(b.length_m, spec.rig.rod_length_m)
    mud = mud_of(site, b)
    new = not b.in_ground
    hole = {"length_m": b.length_m, "hole_diameter_m": b.hole_diameter_m}
    ratio = ratio_of(spec.mud, spec.strength) if new and spec.mud is not None else None
    hours, cost, stake = None, None, None
    if ratio is not None and spec.cost is not None:
        hours = bore_hours(**hole, rod_length_m=spec.rig.rod_length_m, ratio=ratio, spec=spec.cost)
        cost = bore_cost(
            **hole,
            pipe_m=LEGS * b.length_m,
            pipe_outer_m=outer_m,
            pipes=LEGS,
            ratio=ratio,
            spec=spec.cost,
            grouted="grout" in spec.bore.fill,
        )
        stake = at_stake(rods=rods, spec=spec.cost)
    return Drill(
        bore_id=b.bore_id,
        rods=rods,
        ream=reamer(outside_diameter_m=outer_m, pipes=LEGS),
        pipe_bend_m=pipe_bend_radius_m(outside_diameter_m=outer_m, dr=min(max(spec.pipe.dr, 7.0), 41.0)),
        rod_rule_m=rod_min_radius_m(spec.rig.rod_diameter_m),
        pull=pull_of(site, b, outer_m),
        mud=mud,
        volumes=None if ratio is None else mud_volumes(**hole, ratio=ratio),
        hours=hours,
        cost=cost,
        at_stake=stake,
        fastest_m_s=None
        if ratio is None
        else largest_pull_speed_m_s(
            pump_m3_s=spec.rig.pump_m3_s if spec.cost is None else spec.cost.pump_m3_s,
            hole_diameter_m=b.hole_diameter_m,
            ratio=ratio,
        ),
        returns={u: expected_returns(site, b, mud, u) for u in ("us", "metric")} if new else {},
    )


def costs_of(site: Site, drills: Sequence[Drill], pipe_m: float) -> LayoutCost | None:
    """Time and cost of the bores that are still to be drilled; None without figures, or when there is nothing to drill.

    pipe_m: all pipe that is ordered; what is beyond that of the bores is counted as header.
    """
    new = [(d.hours, d.cost) for d in drills if d.hours is not None and d.cost is not None]
    if site.spec.cost is None or not new:
        return None
    beyond = max(pipe_m - sum(c.pipe_m for _, c in new), 0.0)
    return layout_cost(bores=new, header_m=beyond / HEADER_PIPES, spec=site.spec.cost)


def drill_figures(drills: Sequence[Drill], costs: LayoutCost | None) -> dict[str, Any]:
    """What the drilling adds to the figures of a layout, by field of `Evaluation`."""
    largest = max((d.pull.path.largest_n for d in drills if d.pull is not None), default=None)
    muds = [d.mud for d in drills if d.mud is not None]
    over = sum(bool(m.over.any()) for m in muds)
    figures: dict[str, Any] = {
        "pull_max_kn": None if largest is None else largest / 1000,
        "mud_over": over if muds else None,
        "mud_tight": sum(bool(m.tight.any()) and not bool(m.over.any()) for m in muds) if muds else None,
        "fluid_m3": sum(d.volumes.fluid_m3 for d in drills if d.volumes is not None) or None,
        "spoil_m3": sum(d.volumes.spoil_m3 for d in drills if d.volumes is not None) or None,
    }
    if costs is not None:
        figures |= {
            "cost": costs.total,
            "currency": costs.spec.currency,
            "crew_hours": costs.hours,
            "crew_days": costs.days,
            "expected_loss": costs.expected_loss,
            "at_stake": max((d.at_stake for d in drills if d.at_stake is not None), default=None),
        }
    return figures


def drill_findings(site: Site, drills: Sequence[Drill]) -> list[Finding]:
    """Pulls, collapse, hole size and mud that need a person, worst first within each kind."""
    units = site.spec.units
    return [
        *pull_findings([d.pull for d in drills], units),
        *_collapses(drills),
        *_tight_hole(site, drills),
        *mud_findings(site, [d.mud for d in drills]),
    ]


def _collapses(drills: Sequence[Drill]) -> list[Finding]:
    found = []
    for d in drills:
        if d.pull is None or d.pull.collapse.safety >= LEAST_COLLAPSE:
            continue
        safety = d.pull.collapse.safety
        found.append(
            Finding(
                severity="error" if safety < 1 else "warning",
                code="collapse",
                bore_id=d.bore_id,
                message=f"the empty pipe has a safety of {safety:.1f} against collapse in mud",
                remedy="pull it full of water and capped, or take a thicker pipe",
                measured=safety,
                limit=LEAST_COLLAPSE,
                unit="",
            )
        )
    return found


def _tight_hole(site: Site, drills: Sequence[Drill]) -> list[Finding]:
    """One finding when the reamed hole is smaller than 1.5 times the bundle."""
    hole = site.spec.bore.hole_diameter_m
    if not drills or hole >= drills[0].ream.by_factor_m * (1 - 1e-6):
        return []
    asked = drills[0].ream.by_factor_m
    have, want = (f"{v / 0.0254:.1f} in" if site.spec.units == "us" else f"{v * 1000:.0f} mm" for v in (hole, asked))
    return [
        Finding(
            severity="warning",
            code="hole-small",
            message=f"the hole is reamed to {have}; 1.5 times the pipes ask for {want}",
            remedy="set [bore] hole, or take a smaller pipe",
            measured=hole,
            limit=asked,
        )
    ]


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
