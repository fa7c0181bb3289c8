"""Drilling mud along each bore of a layout: what it needs to come back, what the ground bears, and where it may come up.

Computed for the pilot, whose narrow annulus asks most. The gap between demand and capacity is no safety factor: measured cases
show the capacity formula on the unsafe side, and half of 54 surveyed large bores had returns, mostly under shallow cover near
the ends (S: facts/anchors section 4). So the stretches near both ends are told as places where mud is to be expected, not judged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.mud import (
    annular_demand_pa,
    annular_velocity_m_s,
    bingham_loss_pa_m,
    fluid_ratio,
    mud_flow,
    mud_pressures,
    power_law_loss_pa_m,
)
from loopgis.bore.pipe import WATER_N_M3
from loopgis.core.findings import Finding
from loopgis.core.units import PSI_PA, length_text
from loopgis.layout.field import runs
from loopgis.rules.zones import assumed_depth_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.bore.mud import MudPressures
    from loopgis.site.model import MudSpec, Site, StrengthSpec

    Array = NDArray[np.float64]

THIN_COVER_M = 1.2192
"""Cover under which mud is to be expected at the surface: 4 ft, the least of the tables of cover by pipe size (M)."""
WET = ("surface_water", "stormwater_basin", "pool", "wetland")
WATCHED = (*WET, "storm_drain", "drain_tile", "retaining_wall", "paved_way", "building")
"""What mud finds its way into, or lifts: named where a bore passes under it."""
REMEDY = "a relief hole before that stretch, thinner mud at less flow, slower rods, or a deeper bore"
LEAST_M = 1.0
"""Shorter stretches are not told."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BoreMud:
    """Mud along one bore, arrays (n,) at its stations.

    pressures: by the power law; high_pa: demand by Bingham, which overstates it; judged: False near the ends, where the cover is
    thin and mud is to be expected in any case; assumed: the strength comes from the soil's name alone.
    """

    bore_id: str
    pressures: MudPressures
    high_pa: Array
    judged: NDArray[np.bool_]
    assumed: bool

    @property
    def over(self) -> NDArray[np.bool_]:
        """Where even the kinder law is beyond what the ground bears."""
        return self.pressures.over & self.judged

    @property
    def tight(self) -> NDArray[np.bool_]:
        """Where it is not, but beyond two thirds of that, or beyond the weight of the ground above."""
        return self.pressures.tight & self.judged & ~self.pressures.over


def ratio_of(mud: MudSpec, strength: StrengthSpec | None) -> float:
    """Volumes of mud to one of hole: as given, else the middle of what is usual in the ground, clay where it is unknown."""
    if mud.ratio is not None:
        return mud.ratio
    low, high = fluid_ratio("clay" if strength is None else strength.ground)
    return (low + high) / 2


def mud_of(site: Site, bore: Bore) -> BoreMud | None:
    """Mud along one bore; None when nothing is known of the ground, or the bore is in it already."""
    strength, mud, rig = site.spec.strength, site.spec.mud, site.spec.rig
    if strength is None or mud is None or bore.in_ground:
        return None
    flow = mud_flow(dial_600=mud.dial_600, dial_300=mud.dial_300)
    hole = {"hole_diameter_m": rig.pilot_hole_m, "rod_diameter_m": rig.rod_diameter_m}
    speed = annular_velocity_m_s(pump_m3_s=rig.pump_m3_s, **hole)
    kind = power_law_loss_pa_m(velocity_m_s=speed, index=flow.index, consistency_pa_s_n=flow.consistency_pa_s_n, **hole)
    harsh = bingham_loss_pa_m(velocity_m_s=speed, viscosity_pa_s=flow.viscosity_pa_s, yield_pa=flow.yield_pa, **hole)
    gravity = mud.density_kg_m3 / 1000
    bed = _bed_m(site, bore)
    pressures = mud_pressures(
        station_m=bore.station_m,
        z_m=bore.z_m,
        depth_m=bore.depth_m - bed,
        hole_diameter_m=rig.pilot_hole_m,
        loss_pa_m=kind,
        water_table_m=np.where(bed > 0, -bed, strength.water_table_m),
        moist_n_m3=strength.moist_n_m3,
        saturated_n_m3=strength.saturated_n_m3,
        cohesion_pa=strength.cohesion_pa,
        friction_rad=strength.friction_rad,
        shear_modulus_pa=strength.shear_modulus_pa,
        mud_gravity=gravity,
        water_n_m3=WATER_N_M3,
    )
    high = annular_demand_pa(station_m=bore.station_m, z_m=bore.z_m, loss_pa_m=harsh, mud_gravity=gravity)
    thin = bore.depth_m < THIN_COVER_M + rig.pilot_hole_m / 2
    deep = np.flatnonzero(~thin)
    judged = np.zeros(len(thin), dtype=bool)
    if len(deep):
        judged[deep[0] : deep[-1] + 1] = True
    return BoreMud(bore_id=bore.bore_id, pressures=pressures, high_pa=high, judged=judged, assumed=strength.assumed)


def _bed_m(site: Site, bore: Bore) -> Array:
    """Depth of water above each station, 0 on land."""
    depth = np.zeros(len(bore.x_m))
    for f in site.features:
        if f.kind in WET and f.geometry.geom_type in {"Polygon", "MultiPolygon"}:
            inside = shapely.contains_xy(f.geometry, bore.x_m, bore.y_m)
            depth = np.where(inside, np.maximum(depth, assumed_depth_m(f)[0]), depth)
    return depth


def stretch_text(station_m: Array, flag: NDArray[np.bool_], units: str) -> str:
    """Stretches of a bore in words: "40 to 62 ft, 80 to 90 ft"; "" when there is none of a metre or more."""
    told = []
    for first, last in runs(flag):
        a, b = float(station_m[first]), float(station_m[last])
        if b - a >= LEAST_M:
            told.append(f"{length_text(a, units, 0).split()[0]} to {length_text(b, units, 0)}")
    more = f" and {len(told) - 3} more" if len(told) > 3 else ""
    return ", ".join(told[:3]) + more


def mud_findings(site: Site, muds: Sequence[BoreMud | None]) -> list[Finding]:
    """Per bore where the mud breaks out by this computation (warning); in one note, the bores on which it is near that."""
    units, found = site.spec.units, []
    near = []
    for m in muds:
        if m is None:
            continue
        p = m.pressures
        source = "; the strength is assumed from the soil's name" if m.assumed else ""
        tight = stretch_text(p.station_m, m.tight, units)
        if tight:
            near.append(f"{m.bore_id} {tight}")
        where = stretch_text(p.station_m, m.over, units)
        if not where:
            continue
        at = int(np.argmax(np.where(m.over, p.demand_pa / np.maximum(p.capacity_pa, 1.0), -np.inf)))
        demand, bears = (float(v[at]) / 1000 for v in (p.demand_pa, p.capacity_pa))
        found.append(
            Finding(
                severity="warning",
                code="mud-over",
                bore_id=m.bore_id,
                station_m=float(p.station_m[at]),
                message=f"mud pressure is beyond what the ground bears, {where} from the entry: {pressure_text(demand, units)}"
                f" needed, {pressure_text(bears, units)} borne at most{source}",
                remedy=REMEDY,
                measured=demand,
                limit=bears,
                unit="kPa",
            )
        )
    if near:
        more = f" and {len(near) - 4} more" if len(near) > 4 else ""
        found.append(
            Finding(
                severity="note",
                code="mud-tight",
                message=f"mud pressure nears what the ground bears, or is more than the ground above weighs: {'; '.join(near[:4])}"
                f"{more}",
                remedy=f"watch for returns there; {REMEDY}",
            )
        )
    return found


def why_text(mud: BoreMud) -> str:
    """What the mud pressure of a bore exceeds at its worst, in words; call it where something is."""
    p = mud.pressures
    if bool(mud.over.any()):
        return "beyond what the ground bears"
    if bool(np.any(mud.tight & (p.demand_pa > p.capacity_pa / p.factor))):
        return "near what the ground bears"
    return "more than the ground above weighs: it may lift or crack"


def pressure_text(kpa: float, units: str) -> str:
    """Pressure for people: "12.3 psi" or "85 kPa"."""
    return f"{1000 * kpa / PSI_PA:.1f} psi" if units == "us" else f"{kpa:.0f} kPa"


def expected_returns(site: Site, bore: Bore, mud: BoreMud | None, units: str) -> tuple[str, ...]:
    """Where mud is to be expected at the surface, and where to contain it, one line each. units: us or metric."""
    thin = np.flatnonzero(bore.depth_m >= THIN_COVER_M)
    cover = length_text(THIN_COVER_M, units, 0 if units == "us" else 1)
    if len(thin):
        first = length_text(float(bore.station_m[thin[0]]), units, 0)
        last = length_text(bore.length_m - float(bore.station_m[thin[-1]]), units, 0)
        what = f"returns are to be expected on the first {first} and the last {last}, under less than {cover} of cover"
        told = [f"{what}: pit and vacuum at the entry, bags or a silt fence round the exit before the head comes up"]
    else:
        told = [f"the whole bore lies under less than {cover} of cover: returns are to be expected anywhere along it"]
    axis = shapely.LineString(np.column_stack([bore.x_m, bore.y_m]))
    passed = [f for f in site.all_features() if f.kind in WATCHED and shapely.intersects(f.geometry, axis)]
    names = [f.label or f.kind.replace("_", " ") for f in passed]
    if names:
        told.append(f"somebody watches {', '.join(dict.fromkeys(names))} while the head and the reamer pass under it")
    if mud is not None:
        stretch = stretch_text(bore.plan_station_m, mud.over | mud.tight, units)
        if stretch:
            told.append(f"walk the line over {stretch} from the entry on the ground: pressure is {why_text(mud)}")
    drop = float(bore.z_m[0] - bore.z_m[-1])
    if drop > LEAST_M:
        told.append(
            f"the exit lies {length_text(drop, units, 0)} below the pad: mud runs out there when the head breaks through"
        )
    return tuple(told)
