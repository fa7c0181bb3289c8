"""Drilling mud: how much of it, how fast it lets the pipe be pulled, and whether it breaks out through the ground.

Pressures in pascals over the air's. Depth positive down from the ground above the axis, z up, station from the drill's entry.
Everything is homogeneous in its units except the allowances that are printed in inches. Rock, cracked ground and very shallow
cover are outside the cavity model (S: abstract of a 2008 pipeline conference paper).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.bore.figures import along
from loopgis.bore.pipe import WATER_N_M3, bundle_diameter_m
from loopgis.core.errors import RangeError
from loopgis.core.figures import finite, not_negative, positive
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

REAM_FACTOR = 1.5
"""Reamed hole over pipe or bundle (S: several sources)."""
INCH_M = 0.0254
BULKING = 1.25
"""Loose soil over soil in place: 1.2 to 1.3 (M)."""
MUD_GRAVITY = 1.2
"""Mud that comes back over water: 9 to 12 lb/gal, 1.08 to 1.44 (M); the middle."""
FACTOR = 1.5
"""Capacity over the demand that is wanted: 1.5 to 2 (M)."""
STRAIN_LIMIT = 0.05
"""Share by which the wall of a hole in sand may be driven out (M: NEN 3650)."""
SAND_COVER, CLAY_COVER = 2 / 3, 1 / 2
"""Share of the cover that may turn plastic in ground with friction and without (M: levee reports)."""
POUND_100FT2_PA = 0.4788026
"""Pascals of a pound-force per hundred square feet."""
_TINY = 1e-300
_NO_FRICTION = 1e-12
"""Below this the limit for no friction is closer than a quotient of two tiny numbers."""

Returns = Literal["entry", "exit", "either"]


# volumes --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Reamer:
    """Hole that a bundle asks for, metres.

    bundle_m: circle round the pipes; by_factor_m: 1.5 times it; by_class_m: the table by size, 4 in more below 8 in, 1.5 times up
    to 24 in, 12 in more above; hole_m: the larger of the two.
    """

    bundle_m: float
    by_factor_m: float
    by_class_m: float
    hole_m: float


def reamer(*, outside_diameter_m: float, pipes: int = 1) -> Reamer:
    """Size of the back reamer by both rules.

    outside_diameter_m: of one pipe; pipes: pulled together, 1 to 7. Raises RangeError for no pipe.
    Source: 1.5 times, several sources (S); the table by size (M); circle round equal pipes (D).

    >>> ream = reamer(outside_diameter_m=1.66 * 0.0254, pipes=2)
    >>> round(ream.by_factor_m / 0.0254, 2), round(ream.by_class_m / 0.0254, 2)
    (4.98, 7.32)
    """
    bundle = bundle_diameter_m(outside_diameter_m=outside_diameter_m, pipes=pipes)
    by_factor = REAM_FACTOR * bundle
    by_class = by_factor
    if bundle < 8 * INCH_M:
        by_class = bundle + 4 * INCH_M
    elif bundle > 24 * INCH_M:
        by_class = bundle + 12 * INCH_M
    return Reamer(bundle_m=bundle, by_factor_m=by_factor, by_class_m=by_class, hole_m=max(by_factor, by_class))


def hole_volume_m3_m(*, hole_diameter_m: float) -> float:
    """Volume of a metre of hole, m3/m. Raises RangeError for no hole. Printed as D^2 / 24.5 gal/ft and inches (S; exact 24.51)."""
    positive(hole_diameter_m=hole_diameter_m)
    return math.pi / 4 * hole_diameter_m**2


def fluid_ratio(ground: str) -> tuple[float, float]:
    """Volumes of fluid to one of hole, low and high, for "sand", "clay", "rock" or "mixed" ground (S: tables/pull.toml).

    Raises RangeError for other ground.

    >>> fluid_ratio("clay")
    (3.0, 5.0)
    """
    rows = {r["ground"]: r for r in load_table("pull")["fluid_ratio"]}
    if ground not in rows:
        raise RangeError("ground", f"{ground!r} is not known", f"one of {', '.join(sorted(rows))}")
    return float(rows[ground]["low"]), float(rows[ground]["high"])


@dataclass(frozen=True, kw_only=True)
class MudVolumes:
    """What a bore takes and gives.

    hole_m3: soil in place; fluid_m3: pumped; loose_soil_m3: soil once loose; spoil_m3: fluid and loose soil, to haul away.
    """

    hole_m3: float
    fluid_m3: float
    loose_soil_m3: float
    spoil_m3: float


def mud_volumes(*, length_m: float, hole_diameter_m: float, ratio: float, bulking: float = BULKING) -> MudVolumes:
    """Fluid to mix and spoil to haul for a reamed bore.

    length_m: of the hole; hole_diameter_m: reamed; ratio: volumes of fluid to one of hole, see `fluid_ratio`, never below 1;
    bulking: loose soil over soil in place. Raises RangeError for figures outside these.
    Source: driller-journal articles (S); bulking M.
    """
    positive(length_m=length_m, ratio=ratio)
    if ratio < 1:
        raise RangeError("ratio", f"{ratio:g} is less than one volume of fluid to one of hole", "2 to 5 by the ground")
    if not 1 <= bulking < math.inf:
        raise RangeError("bulking", f"{bulking:g} is below 1", "1.2 to 1.3")
    hole = hole_volume_m3_m(hole_diameter_m=hole_diameter_m) * length_m
    return MudVolumes(
        hole_m3=hole,
        fluid_m3=ratio * hole,
        loose_soil_m3=bulking * hole,
        spoil_m3=(ratio + bulking) * hole,
    )


def largest_pull_speed_m_s(*, pump_m3_s: float, hole_diameter_m: float, ratio: float) -> float:
    """Fastest that a reamer may be pulled so that the pump keeps up, m/s: flow / (ratio x volume of a metre of hole) (D).

    pump_m3_s: flow of mud; hole_diameter_m: reamed; ratio: volumes of fluid to one of hole. Faster outruns the fluid and packs the
    hole. Raises RangeError for figures that are not positive.

    >>> round(largest_pull_speed_m_s(pump_m3_s=15 * 6.30902e-5, hole_diameter_m=0.127, ratio=3) / 0.3048 * 60, 2)
    4.9
    """
    positive(pump_m3_s=pump_m3_s, ratio=ratio)
    return pump_m3_s / (ratio * hole_volume_m3_m(hole_diameter_m=hole_diameter_m))


# flow in the annulus --------------------------------------------------------------


def annular_velocity_m_s(*, pump_m3_s: float, hole_diameter_m: float, rod_diameter_m: float) -> float:
    """Mean speed of the mud between hole and rod, m/s. Raises RangeError when the rod fills the hole."""
    positive(hole_diameter_m=hole_diameter_m)
    not_negative(pump_m3_s=pump_m3_s, rod_diameter_m=rod_diameter_m)
    _gap_m(hole_diameter_m, rod_diameter_m)
    return pump_m3_s / (math.pi / 4 * (hole_diameter_m**2 - rod_diameter_m**2))


def _gap_m(hole_diameter_m: float, rod_diameter_m: float) -> float:
    gap = hole_diameter_m - rod_diameter_m
    if not gap > 0:
        what = f"{hole_diameter_m:g} m leaves no room round {rod_diameter_m:g} m"
        raise RangeError("hole_diameter_m", what, "a larger hole or a thinner rod")
    return gap


@dataclass(frozen=True, kw_only=True)
class MudFlow:
    """How a mud flows. Bingham: viscosity_pa_s, yield_pa. Power law: index (n), consistency_pa_s_n (K)."""

    viscosity_pa_s: float
    yield_pa: float
    index: float
    consistency_pa_s_n: float


def mud_flow(*, dial_600: float, dial_300: float) -> MudFlow:
    """Both laws from the two readings of a rotating viscometer, at 600 and 300 turns a minute.

    PV = dial_600 - dial_300 centipoise, YP = dial_300 - PV pounds per 100 ft2, n = 3.32 log10 of their ratio, K = 510 dial_300 /
    511^n millipascal second^n (M). Raises RangeError when the second is not between half and all of the first: YP or PV would be
    negative.

    >>> flow = mud_flow(dial_600=50, dial_300=35)
    >>> round(flow.viscosity_pa_s, 4), round(flow.yield_pa, 3), round(flow.index, 4)
    (0.015, 9.576, 0.5143)
    """
    positive(dial_600=dial_600, dial_300=dial_300)
    if not dial_600 / 2 <= dial_300 < dial_600:
        what = f"{dial_300:g} is not between half of {dial_600:g} and {dial_600:g}"
        raise RangeError("dial_300", what, "read the viscometer at 600, then at 300")
    plastic = dial_600 - dial_300
    index = 3.32 * math.log10(dial_600 / dial_300)
    return MudFlow(
        viscosity_pa_s=plastic / 1000,
        yield_pa=(dial_300 - plastic) * POUND_100FT2_PA,
        index=index,
        consistency_pa_s_n=0.510 * dial_300 / 511**index,
    )


def bingham_loss_pa_m(
    *, velocity_m_s: float, viscosity_pa_s: float, yield_pa: float, hole_diameter_m: float, rod_diameter_m: float
) -> float:
    """Pressure lost per metre of annulus, Bingham mud in a narrow slot, laminar: 48 mu v / gap^2 + 6 tau / gap, Pa/m.

    velocity_m_s: see `annular_velocity_m_s`; viscosity_pa_s: plastic; yield_pa: yield point; gap is the difference of the two
    diameters. The concentric annulus overstates the loss (S: abstract of a 2005 paper). Raises RangeError when the rod fills the
    hole. Source: M in field units, the SI twin D; the two agree to 0.02 %.
    """
    positive(hole_diameter_m=hole_diameter_m)
    not_negative(
        velocity_m_s=velocity_m_s, viscosity_pa_s=viscosity_pa_s, yield_pa=yield_pa, rod_diameter_m=rod_diameter_m
    )
    gap = _gap_m(hole_diameter_m, rod_diameter_m)
    return 48 * viscosity_pa_s * velocity_m_s / gap**2 + 6 * yield_pa / gap


def power_law_loss_pa_m(
    *, velocity_m_s: float, index: float, consistency_pa_s_n: float, hole_diameter_m: float, rod_diameter_m: float
) -> float:
    """Pressure lost per metre of annulus, power-law mud in a narrow slot, laminar: 4 K / gap (4 v (2 + 1/n) / gap)^n, Pa/m.

    velocity_m_s: see `annular_velocity_m_s`; index n and consistency K: see `mud_flow`; with n = 1 it is a plain viscous fluid.
    Raises RangeError when the rod fills the hole. Source: M in field units; D in SI.
    """
    positive(hole_diameter_m=hole_diameter_m, index=index, consistency_pa_s_n=consistency_pa_s_n)
    not_negative(velocity_m_s=velocity_m_s, rod_diameter_m=rod_diameter_m)
    gap = _gap_m(hole_diameter_m, rod_diameter_m)
    loss: float = 4 * consistency_pa_s_n / gap * (4 * velocity_m_s * (2 + 1 / index) / gap) ** index
    return loss


def annular_demand_pa(
    *,
    station_m: ArrayLike,
    z_m: ArrayLike,
    loss_pa_m: float,
    mud_gravity: float = MUD_GRAVITY,
    returns: Returns = "entry",
    water_n_m3: float = WATER_N_M3,
) -> NDArray[np.float64]:
    """Pressure of the mud at every station that brings it back to an open pit, (n,) Pa: its weight up to the pit, and the loss.

    station_m: (n,) drilled length from the entry; z_m: (n,) heights of the axis; loss_pa_m: per metre of annulus; mud_gravity: of
    the mud that comes back, over water; returns: pit it comes back to: "entry" (pilot), "exit", or "either" (both pits open, the
    easier way). It is the same whether the head is there or has passed. Where the axis lies above the pit the mud runs out by
    itself: never below 0. Raises RangeError for arrays that do not fit each other. Source: M.
    """
    station, z = along(station_m, z_m=z_m)
    not_negative(loss_pa_m=loss_pa_m)
    positive(mud_gravity=mud_gravity, water_n_m3=water_n_m3)
    weight = mud_gravity * water_n_m3
    to_entry = weight * (z[0] - z) + loss_pa_m * (station - station[0])
    to_exit = weight * (z[-1] - z) + loss_pa_m * (station[-1] - station)
    ways = {"entry": to_entry, "exit": to_exit, "either": np.minimum(to_entry, to_exit)}
    if returns not in ways:
        raise RangeError("returns", f"{returns!r} is not known", 'one of "entry", "exit", "either"')
    demand: NDArray[np.float64] = np.maximum(ways[returns], 0.0)
    return demand


# what the ground bears --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class GroundStress:
    """Vertical stress at the axis, Pa, arrays alike.

    total_pa: all of the overburden, pond included; pore_pa: of the water; effective_pa: what the grains carry.
    """

    total_pa: NDArray[np.float64]
    pore_pa: NDArray[np.float64]
    effective_pa: NDArray[np.float64]


def ground_stress(
    *,
    depth_m: ArrayLike,
    water_table_m: ArrayLike,
    moist_n_m3: ArrayLike,
    saturated_n_m3: ArrayLike,
    water_n_m3: float = WATER_N_M3,
) -> GroundStress:
    """Overburden and pore pressure at a depth.

    depth_m: of the axis below the ground, or below the bed of a pond; what lies above the ground counts as 0; water_table_m: depth
    of the water table below the ground, negative for a pond of that depth; moist_n_m3, saturated_n_m3: weight of soil above and
    below the water. Numbers or arrays that fit each other. Raises RangeError for soil that floats. Source: D.

    >>> s = ground_stress(depth_m=5, water_table_m=-2, moist_n_m3=18e3, saturated_n_m3=19.81e3)
    >>> float(s.pore_pa), float(s.effective_pa), float(s.total_pa)
    (68670.0, 50000.0, 118670.0)
    """
    finite(depth_m=depth_m, water_table_m=water_table_m)
    positive(moist_n_m3=moist_n_m3, saturated_n_m3=saturated_n_m3, water_n_m3=water_n_m3)
    if bool(np.any(np.asarray(saturated_n_m3, dtype=float) <= water_n_m3)):
        raise RangeError("saturated_n_m3", "soil full of water must be heavier than water", "18,000 to 21,000 N/m3")
    depth = np.maximum(np.asarray(depth_m, dtype=float), 0.0)
    table = np.asarray(water_table_m, dtype=float)
    dry = np.minimum(depth, np.maximum(table, 0.0))
    pore = water_n_m3 * np.maximum(depth - table, 0.0)
    total = np.asarray(moist_n_m3) * dry + np.asarray(saturated_n_m3) * (depth - dry)
    total = total + water_n_m3 * np.maximum(-table, 0.0)
    return GroundStress(total_pa=total, pore_pa=pore, effective_pa=total - pore)


def shear_modulus_pa(*, youngs_pa: float, poisson: float) -> float:
    """Shear modulus E / (2 (1 + nu)), Pa. Raises RangeError for a modulus that is not positive or a ratio outside 0 to 0.5."""
    positive(youngs_pa=youngs_pa)
    if not 0 <= poisson <= 0.5:
        raise RangeError("poisson", f"{poisson:g} is outside 0 to 0.5", "0.3 for sand, 0.5 for undrained clay")
    return youngs_pa / (2 * (1 + poisson))


def plastic_radius_m(
    *,
    effective_pa: ArrayLike,
    cohesion_pa: ArrayLike,
    friction_rad: ArrayLike,
    shear_modulus_pa: ArrayLike,
    hole_diameter_m: float,
    strain_limit: float = STRAIN_LIMIT,
) -> NDArray[np.float64]:
    """Radius of the plastic zone at which the wall of the hole has been driven out by a share: R0 sqrt(2 eps / Q), metres.

    effective_pa: ground stress at the axis; cohesion_pa, friction_rad, shear_modulus_pa: of the ground; strain_limit: eps. Infinite
    where the ground bears nothing. Raises RangeError as `capacity_pa` does. Source: NEN 3650 (M).
    """
    _, _, _, q = _strength(effective_pa, cohesion_pa, friction_rad, shear_modulus_pa)
    positive(hole_diameter_m=hole_diameter_m, strain_limit=strain_limit)
    ratio = np.where(q > 0, np.sqrt(2 * strain_limit / np.maximum(q, _TINY)), np.inf)
    radius: NDArray[np.float64] = hole_diameter_m / 2 * ratio
    return radius


def _strength(
    effective_pa: ArrayLike, cohesion_pa: ArrayLike, friction_rad: ArrayLike, shear_modulus_pa: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Effective stress, cohesion, friction angle, and Q = (stress sin + cohesion cos) / G."""
    not_negative(effective_pa=effective_pa, cohesion_pa=cohesion_pa, friction_rad=friction_rad)
    positive(shear_modulus_pa=shear_modulus_pa)
    stress, cohesion, angle = (np.asarray(v, dtype=float) for v in (effective_pa, cohesion_pa, friction_rad))
    if bool(np.any(angle >= math.pi / 2)):
        raise RangeError("friction_rad", f"{float(np.max(angle)):g} is a right angle or more", "give radians")
    if bool(np.any((cohesion <= 0) & (angle <= 0))):
        raise RangeError("cohesion_pa", "ground without cohesion and friction bears nothing", "give one of the two")
    q: NDArray[np.float64] = (stress * np.sin(angle) + cohesion * np.cos(angle)) / np.asarray(shear_modulus_pa)
    return stress, cohesion, angle, q


def capacity_pa(
    *,
    effective_pa: ArrayLike,
    pore_pa: ArrayLike,
    cohesion_pa: ArrayLike,
    friction_rad: ArrayLike,
    shear_modulus_pa: ArrayLike,
    hole_diameter_m: float,
    plastic_radius_m: ArrayLike,
) -> NDArray[np.float64]:
    """Pressure in a hole that drives the plastic zone round it out to a radius, Pa: cavity expansion (Delft).

    p = u + (p_f + c cot phi) ((R0/R)^2 + Q)^(-sin / (1 + sin)) - c cot phi, with p_f = s0 (1 + sin phi) + c cos phi and
    Q = (s0 sin phi + c cos phi) / G. Written so that friction 0 is no special case: then
    p = u + s0 + c (1 - ln((R0/R)^2 + c/G)), and with R infinite the classical limit s0 + c (1 + ln(G/c)).

    effective_pa: ground stress at the axis, the same all round (K0 = 1, customary); pore_pa: u, pond included; cohesion_pa: c, the
    undrained strength when friction is 0; friction_rad: phi; shear_modulus_pa: G; hole_diameter_m: 2 R0; plastic_radius_m: R, may
    be infinite. Numbers or arrays that fit each other. Raises RangeError for ground without strength, negative stress or R not
    above 0. It overstates what sand bears with the cover rules alone: print the overburden beside it.
    Source: M; re-derived, and integrated numerically in tests/published/test_mud.py.

    >>> p = capacity_pa(effective_pa=50e3, pore_pa=68.67e3, cohesion_pa=0, friction_rad=np.radians(30), shear_modulus_pa=5e6,
    ...     hole_diameter_m=0.127, plastic_radius_m=2.5)
    >>> round(float(p) / 1000, 2)
    489.88
    """
    stress, cohesion, angle, q = _strength(effective_pa, cohesion_pa, friction_rad, shear_modulus_pa)
    not_negative(pore_pa=pore_pa)
    positive(hole_diameter_m=hole_diameter_m)
    radius = np.asarray(plastic_radius_m, dtype=float)
    if not bool(np.all(radius > 0)):
        raise RangeError("plastic_radius_m", "a radius is not above 0", "give metres, or infinity for no limit")
    sine, cosine = np.sin(angle), np.cos(angle)
    power = sine / (1 + sine)
    log_x = np.log(np.maximum((hole_diameter_m / 2 / radius) ** 2 + q, _TINY))
    first_yield = stress * (1 + sine) + cohesion * cosine
    # c cot(phi) (x^-power - 1), whose limit for phi = 0 is -c ln x
    exponent = -power * log_x
    some = power > _NO_FRICTION
    grown = np.where(some, np.expm1(exponent) / np.where(some, power, 1.0), -log_x)
    value: NDArray[np.float64] = (
        np.asarray(pore_pa, dtype=float) + first_yield * np.exp(exponent) + cohesion * cosine / (1 + sine) * grown
    )
    return value


# both together --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class MudPressures:
    """Mud along one bore, arrays (n,) in pascals and metres.

    demand_pa: what the mud needs to come back; capacity_pa: what the ground bears before it breaks out; overburden_pa: total weight
    above, pond included; pore_pa: water in the ground; plastic_radius_m: limit used; shallow: the limit lies inside the hole, the
    cavity model says nothing, and the capacity is cut to the overburden; factor: wanted of capacity over demand; tight: demand
    above capacity / factor or above the overburden; over: demand above capacity. What is over is tight too.
    """

    station_m: NDArray[np.float64]
    demand_pa: NDArray[np.float64]
    capacity_pa: NDArray[np.float64]
    overburden_pa: NDArray[np.float64]
    pore_pa: NDArray[np.float64]
    plastic_radius_m: NDArray[np.float64]
    shallow: NDArray[np.bool_]
    tight: NDArray[np.bool_]
    over: NDArray[np.bool_]
    factor: float


def mud_pressures(
    *,
    station_m: ArrayLike,
    z_m: ArrayLike,
    depth_m: ArrayLike,
    hole_diameter_m: float,
    loss_pa_m: float,
    water_table_m: ArrayLike,
    moist_n_m3: ArrayLike,
    saturated_n_m3: ArrayLike,
    cohesion_pa: ArrayLike,
    friction_rad: ArrayLike,
    shear_modulus_pa: ArrayLike,
    mud_gravity: float = MUD_GRAVITY,
    returns: Returns = "entry",
    cover_share: ArrayLike | None = None,
    strain_limit: float | None = STRAIN_LIMIT,
    factor: float = FACTOR,
    water_n_m3: float = WATER_N_M3,
) -> MudPressures:
    """Pressure that the mud needs and pressure that the ground bears, at every station of a bore.

    station_m, z_m: (n,) the axis; depth_m: (n,) below the ground or the bed of a pond; hole_diameter_m: of the hole while mud is
    pumped; loss_pa_m, mud_gravity, returns: see `annular_demand_pa`; water_table_m, moist_n_m3, saturated_n_m3: see
    `ground_stress`; cohesion_pa, friction_rad, shear_modulus_pa: see `capacity_pa`; each one figure, or one for each station.
    cover_share: share of the depth that may turn plastic; left out, 2/3 with friction and 1/2 without. strain_limit: applied where
    there is friction, the smaller radius counts; None for none. factor: wanted of capacity over demand, 1 or more.
    Raises RangeError for arrays that do not fit each other and for ground without strength. Source: as the functions named; all M.
    """
    if not 1 <= factor < math.inf:
        raise RangeError("factor", f"{factor:g} is below 1", "1.5 to 2")
    station, z, depth, table, moist, saturated, cohesion, friction, modulus = along(
        station_m,
        z_m=z_m,
        depth_m=depth_m,
        water_table_m=water_table_m,
        moist_n_m3=moist_n_m3,
        saturated_n_m3=saturated_n_m3,
        cohesion_pa=cohesion_pa,
        friction_rad=friction_rad,
        shear_modulus_pa=shear_modulus_pa,
    )
    demand = annular_demand_pa(
        station_m=station,
        z_m=z,
        loss_pa_m=loss_pa_m,
        mud_gravity=mud_gravity,
        returns=returns,
        water_n_m3=water_n_m3,
    )
    stress = ground_stress(
        depth_m=depth, water_table_m=table, moist_n_m3=moist, saturated_n_m3=saturated, water_n_m3=water_n_m3
    )
    effective = np.maximum(stress.effective_pa, 0.0)  # a rounding below zero at the surface
    share = (
        np.where(friction > 0, SAND_COVER, CLAY_COVER)
        if cover_share is None
        else along(station, cover_share=cover_share)[1]
    )
    positive(cover_share=share)
    radius = share * np.maximum(depth, 0.0)
    if strain_limit is not None:
        by_strain = plastic_radius_m(
            effective_pa=effective,
            cohesion_pa=cohesion,
            friction_rad=friction,
            shear_modulus_pa=modulus,
            hole_diameter_m=hole_diameter_m,
            strain_limit=strain_limit,
        )
        radius = np.where(friction > 0, np.minimum(radius, by_strain), radius)
    shallow = radius <= hole_diameter_m / 2
    capacity = capacity_pa(
        effective_pa=effective,
        pore_pa=stress.pore_pa,
        cohesion_pa=cohesion,
        friction_rad=friction,
        shear_modulus_pa=modulus,
        hole_diameter_m=hole_diameter_m,
        plastic_radius_m=np.maximum(radius, hole_diameter_m / 2),
    )
    capacity = np.where(shallow, np.minimum(capacity, stress.total_pa), capacity)
    return MudPressures(
        station_m=station,
        demand_pa=demand,
        capacity_pa=capacity,
        overburden_pa=stress.total_pa,
        pore_pa=stress.pore_pa,
        plastic_radius_m=radius,
        shallow=shallow,
        tight=(demand > capacity / factor) | (demand > stress.total_pa),
        over=demand > capacity,
        factor=factor,
    )
