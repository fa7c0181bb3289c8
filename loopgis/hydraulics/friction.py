"""Friction of a fluid in round pipes: Reynolds number, friction factor, loss, pump power, and the factors of fittings.

Darcy's friction factor throughout. Pressure falls along the flow, a loss is positive. Two laws:

- "churchill" (Churchill 1977): one smooth formula for all regimes; 64/Re below about Re 1300 to nine digits, 0.13 % above it at
  Re 2000, and a steep but unbroken rise between 2000 and 4000. Newton's method needs it, and so the network uses it alone.
- "colebrook" (Colebrook 1939, solved by the library `fluids`): 64/Re below Re 2040 and turbulent from there on, without anything in
  between, so the factor jumps from 0.031 to 0.049 there. That place is the library's (Avila and others 2011).

Between 2000 and 4000 the real flow is either and changes with every joint: both laws are a convention there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import not_negative, positive, share
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

Law = Literal["churchill", "colebrook"]

ROUGHNESS_M = 1.5e-6
"""Polyethylene and drawn tube (facts/thermal section 7; printed in general tables, from memory)."""
GRAVITY_M_S2 = 9.80665
TRANSITION = 2040.0
"""Reynolds number from which the Colebrook law is turbulent, as the library `fluids` has it."""
ROUGHEST = 0.05
"""Largest relative roughness for which either law was drawn up (Moody's chart, from memory)."""
_LAMINAR = 64.0
_TINY = 1e-300


def inside_diameter_m(*, outside_diameter_m: float, dr: float, wall_over_least: float = 1.0) -> float:
    """Inside diameter of a pipe told by outside diameter and dimension ratio: OD (1 - 2 w / DR), metres.

    outside_diameter_m: outside; dr: outside diameter over the least wall; wall_over_least: w, 1 for the least wall (the widest the
    pipe can be), some 1.06 for the mean wall, which is 1.3 % narrower and loses about 6 % more head (facts/thermal section 7).
    Source: ASTM D3035 IPS (from memory). Raises RangeError for a pipe without a hole.

    >>> round(inside_diameter_m(outside_diameter_m=1.66 * 0.0254, dr=11) / 0.0254, 3)
    1.358
    """
    positive(outside_diameter_m=outside_diameter_m, dr=dr, wall_over_least=wall_over_least)
    if wall_over_least < 1:
        raise RangeError("wall_over_least", f"{wall_over_least:g} is thinner than the least wall", "give 1 or more")
    inside = outside_diameter_m * (1 - 2 * wall_over_least / dr)
    if inside <= 0:
        raise RangeError("dr", f"{dr:g} leaves no bore in the pipe", "diameter over wall is above 2, usually 7 to 26")
    return inside


def reynolds(
    *, flow_m3_s: ArrayLike, inside_diameter_m: ArrayLike, density_kg_m3: ArrayLike, viscosity_pa_s: ArrayLike
) -> Array:
    """Reynolds number of a flow in a round pipe: 4 rho Q / (pi D mu). Figures or arrays that broadcast.

    flow_m3_s: zero or more; inside_diameter_m; density_kg_m3; viscosity_pa_s: dynamic. Raises RangeError.

    >>> water = {"density_kg_m3": 1000.0, "viscosity_pa_s": 1.0e-3}
    >>> round(float(reynolds(flow_m3_s=1e-4, inside_diameter_m=0.02, **water)), 1)
    6366.2
    """
    not_negative(flow_m3_s=flow_m3_s)
    positive(inside_diameter_m=inside_diameter_m, density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s)
    flow, diameter, density, viscosity = _together(flow_m3_s, inside_diameter_m, density_kg_m3, viscosity_pa_s)
    out: Array = (4 * density * flow / (np.pi * diameter * viscosity))[()]
    return out


def friction_factor(*, reynolds: ArrayLike, relative_roughness: ArrayLike = 0.0, law: Law = "churchill") -> Array:
    """Darcy's friction factor by either law of this module. Figures or arrays that broadcast.

    reynolds: above 0; relative_roughness: roughness over inside diameter, 0 to 0.05; law: "churchill" or "colebrook".
    Churchill 1977: f = 8 [(8/Re)^12 + (A + B)^-1.5]^(1/12), A = [-2.457 ln((7/Re)^0.9 + 0.27 e/D)]^16, B = (37530/Re)^16.
    Colebrook 1939: 1/sqrt f = -2 log10(e/(3.7 D) + 2.51/(Re sqrt f)) from Re 2040 on, 64/Re below.
    Raises RangeError outside. Sources: facts/thermal rows 50 and 51; the formulas as the library `fluids` prints them.

    >>> round(float(friction_factor(reynolds=1e5)), 6), round(float(friction_factor(reynolds=1e5, law="colebrook")), 6)
    (0.017875, 0.01799)
    """
    positive(reynolds=reynolds)
    not_negative(relative_roughness=relative_roughness)
    number, rough = _together(reynolds, relative_roughness)
    _not_too_rough(rough)
    if law == "colebrook":
        return _colebrook(number, rough)
    if law != "churchill":
        raise RangeError("law", f"{law!r} is not known", "churchill or colebrook")
    out: Array = (_LAMINAR / number * (1 + _rise(number, rough)[0]) ** (1 / 12))[()]
    return out


@dataclass(frozen=True, kw_only=True)
class HeadLoss:
    """What a flow loses in a pipe: figures, or arrays of one shape.

    velocity_m_s: mean; reynolds; friction_factor: Darcy's, infinite at rest; loss_pa: friction and fittings; head_m: the same as a
    column of the fluid itself.
    """

    velocity_m_s: Array
    reynolds: Array
    friction_factor: Array
    loss_pa: Array
    head_m: Array


def head_loss(
    *,
    flow_m3_s: ArrayLike,
    length_m: ArrayLike,
    inside_diameter_m: ArrayLike,
    density_kg_m3: ArrayLike,
    viscosity_pa_s: ArrayLike,
    roughness_m: ArrayLike = ROUGHNESS_M,
    minor_k: ArrayLike = 0.0,
    equivalent_length_m: ArrayLike = 0.0,
    law: Law = "churchill",
) -> HeadLoss:
    """Loss of pressure in a round pipe with its fittings (Darcy-Weisbach): (f (L + Le) / D + K) rho v^2 / 2.

    flow_m3_s: zero or more; length_m: of the pipe, zero or more; inside_diameter_m; density_kg_m3, viscosity_pa_s: of the fluid at
    its temperature (`loopgis.hydraulics.fluid.Fluid.state`); roughness_m: of the wall; minor_k: sum of the K of the fittings;
    equivalent_length_m: fittings told as metres of this pipe instead; law: see the module. All may be arrays that broadcast.
    Raises RangeError for figures outside these.

    >>> got = head_loss(flow_m3_s=1e-4, length_m=100, inside_diameter_m=0.02, density_kg_m3=1000, viscosity_pa_s=1e-2)
    >>> round(float(got.reynolds), 1), round(float(got.loss_pa))  # laminar: 128 mu L Q / (pi D^4)
    (636.6, 25465)
    """
    not_negative(length_m=length_m, minor_k=minor_k, equivalent_length_m=equivalent_length_m, roughness_m=roughness_m)
    number = reynolds(
        flow_m3_s=flow_m3_s,
        inside_diameter_m=inside_diameter_m,
        density_kg_m3=density_kg_m3,
        viscosity_pa_s=viscosity_pa_s,
    )
    if law not in {"churchill", "colebrook"}:
        raise RangeError("law", f"{law!r} is not known", "churchill or colebrook")
    rows = _together(
        *(number, flow_m3_s, length_m, inside_diameter_m, density_kg_m3, viscosity_pa_s),
        *(roughness_m, minor_k, equivalent_length_m),
    )
    number, flow, length, diameter, density, _, rough, minor, more = rows
    _not_too_rough(rough / diameter)
    velocity = flow / (np.pi / 4 * diameter**2)
    moving = number > 0
    factor = np.full(number.shape, np.inf)
    if moving.any():
        factor[moving] = friction_factor(
            reynolds=number[moving], relative_roughness=(rough / diameter)[moving], law=law
        )
    drag = np.where(moving, factor, 0.0) * (length + more) / diameter + minor
    loss = drag * density * velocity**2 / 2
    return HeadLoss(
        velocity_m_s=velocity[()],
        reynolds=number[()],
        friction_factor=factor[()],
        loss_pa=loss[()],
        head_m=(loss / (density * GRAVITY_M_S2))[()],
    )


def pump_power_w(
    *, flow_m3_s: ArrayLike, loss_pa: ArrayLike, efficiency: ArrayLike, heat_pump_pa: ArrayLike = 0.0
) -> Array:
    """Power that a pump draws: flow times pressure over efficiency, W.

    flow_m3_s: of the field; loss_pa: of pipes and fittings at that flow; heat_pump_pa: what the heat pump, its hoses and valves
    lose at that flow, from its maker's sheet (there is no general figure); efficiency: of pump and motor together, above 0 and up
    to 1; 1 gives the hydraulic power. Raises RangeError.

    >>> round(float(pump_power_w(flow_m3_s=5e-4, loss_pa=60e3, heat_pump_pa=20e3, efficiency=0.4)), 1)
    100.0
    """
    not_negative(flow_m3_s=flow_m3_s, loss_pa=loss_pa, heat_pump_pa=heat_pump_pa)
    share(efficiency=efficiency)
    flow, loss, unit, eta = _together(flow_m3_s, loss_pa, heat_pump_pa, efficiency)
    out: Array = (flow * (loss + unit) / eta)[()]
    return out


# fittings --------------------------------------------------------------


def fitting_k(kind: str) -> float:
    """Loss factor K of a fitting of tables/fittings.toml, on the velocity in its own pipe; all of them from memory.

    kind: "u_bend", "elbow_90", "elbow_45", "tee_run", "tee_branch", "socket_joint" or "butt_joint". Raises RangeError for another.

    >>> fitting_k("u_bend")
    1.5
    """
    rows = {str(r["kind"]): float(r["k"]) for r in load_table("fittings")["fitting"]}
    if kind not in rows:
        raise RangeError("kind", f"{kind!r} is not known", f"one of {', '.join(sorted(rows))}")
    return rows[kind]


def reducer_k(*, from_diameter_m: float, to_diameter_m: float) -> float:
    """Loss factor K of a sudden change of bore, on the velocity in the NARROWER pipe.

    Widening: (1 - (d/D)^2)^2, exact for mixing jets (Borda and Carnot). Narrowing: 0.5 (1 - (d/D)^2) (textbooks, from memory). A
    moulded reducer with a cone loses less. from_diameter_m, to_diameter_m: inside, along the flow. Raises RangeError.

    >>> reducer_k(from_diameter_m=0.05, to_diameter_m=0.025), reducer_k(from_diameter_m=0.025, to_diameter_m=0.05)
    (0.375, 0.5625)
    """
    positive(from_diameter_m=from_diameter_m, to_diameter_m=to_diameter_m)
    if from_diameter_m >= to_diameter_m:
        return 0.5 * (1 - (to_diameter_m / from_diameter_m) ** 2)
    return (1 - (from_diameter_m / to_diameter_m) ** 2) ** 2


# the law of a section, with its derivative --------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class PipeLaw:
    """Churchill's law of several pipes as a function of signed flow, odd, smooth and growing; all arrays broadcast.

    to_reynolds: s/m3, Reynolds number per flow; drag_pa: rho nu^2 L / (2 D^3), which f Re^2 multiplies; minor_pa:
    K rho nu^2 / (2 D^2), which Re^2 multiplies; relative_roughness.
    """

    to_reynolds: Array
    drag_pa: Array
    minor_pa: Array
    relative_roughness: Array

    def loss_pa(self, flow_m3_s: Array) -> tuple[Array, Array]:
        """Loss along the flow's positive sense, Pa, and its derivative by the flow, Pa s/m3, above zero everywhere."""
        number = np.maximum(np.abs(flow_m3_s) * self.to_reynolds, 1e-30)
        rise, slope = _rise(number, self.relative_roughness)
        lift = (1 + rise) ** (1 / 12)
        factor = _LAMINAR * lift  # f Re
        steep = factor * (1 + rise / (1 + rise) * slope / 12)  # d(f Re^2) / d Re
        loss = np.sign(flow_m3_s) * number * (self.drag_pa * factor + self.minor_pa * number)
        return loss, self.to_reynolds * (self.drag_pa * steep + 2 * self.minor_pa * number)

    def flow_below_m3_s(self, loss_pa: Array, *, near_m3_s: Array) -> Array:
        """A flow that loses no more than so much, m3/s, and not much less where it starts near; loss_pa: above zero.

        near_m3_s: above zero, to begin with. Two steps along the tangent in logarithms, and from a point that loses too much down
        in proportion, which is safe: a loss grows at least as its flow.
        """
        guess = near_m3_s
        loss, slope = self.loss_pa(guess)
        for _ in range(2):
            guess = guess * (loss_pa / loss) ** (loss / (guess * slope))
            loss, slope = self.loss_pa(guess)
        return guess * np.minimum(loss_pa / loss, 1.0) * (1 - 1e-12)


def pipe_law(
    *,
    length_m: Array,
    inside_diameter_m: Array,
    minor_k: Array,
    roughness_m: float,
    density_kg_m3: float,
    viscosity_pa_s: float,
) -> PipeLaw:
    """Churchill's law of pipes of given length, inside diameter and fittings in one fluid. Raises RangeError for bad ones."""
    positive(length_m=length_m, inside_diameter_m=inside_diameter_m)
    positive(density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s)
    not_negative(minor_k=minor_k, roughness_m=roughness_m)
    _not_too_rough(roughness_m / inside_diameter_m)
    kinematic = viscosity_pa_s / density_kg_m3
    return PipeLaw(
        to_reynolds=4 / (np.pi * inside_diameter_m * kinematic),
        drag_pa=density_kg_m3 * kinematic**2 * length_m / (2 * inside_diameter_m**3),
        minor_pa=minor_k * density_kg_m3 * kinematic**2 / (2 * inside_diameter_m**2),
        relative_roughness=roughness_m / inside_diameter_m,
    )


def _rise(number: Array, rough: Array) -> tuple[Array, Array]:
    """T with f = 64/Re (1 + T)^(1/12), and d ln T / d ln Re; in logarithms, so that no power overflows."""
    film = (7 / number) ** 0.9
    rest = film + 0.27 * rough
    root = -2.457 * np.log(rest)
    root = np.where(np.abs(root) < _TINY, _TINY, root)
    log_a, log_b = 16 * np.log(np.abs(root)), 16 * np.log(37530 / number)
    log_sum = np.logaddexp(log_a, log_b)
    with np.errstate(under="ignore"):
        of_a = np.exp(log_a - log_sum)
        rise = np.exp(np.minimum(12 * np.log(number / 8) - 1.5 * log_sum, 600.0))
    slope = 16 * (of_a * 2.457 * 0.9 * film / (rest * root) - (1 - of_a))
    return rise, 12 - 1.5 * slope


def _colebrook(number: Array, rough: Array) -> Array:
    from fluids.friction import friction_factor as of_library  # noqa: PLC0415

    pairs = zip(number.ravel().tolist(), rough.ravel().tolist(), strict=True)
    values = [_LAMINAR / re if re < TRANSITION else of_library(Re=re, eD=e, Method="Colebrook") for re, e in pairs]
    out: Array = np.array(values, dtype=float).reshape(number.shape)[()]
    return out


def _not_too_rough(relative: Array) -> None:
    worst = float(np.max(relative, initial=0.0))
    if worst > ROUGHEST:
        raise RangeError("relative roughness", f"{worst:g} is above {ROUGHEST}", "neither law holds for such a wall")


def _together(*figures: ArrayLike) -> tuple[Array, ...]:
    """Figures as arrays of one shape. Raises RangeError when they do not fit each other."""
    rows = [np.asarray(f, dtype=float) for f in figures]
    try:
        return tuple(np.broadcast_arrays(*rows))
    except ValueError:
        shapes = ", ".join(str(r.shape) for r in rows if r.shape)
        raise RangeError("figures", f"shapes {shapes} do not fit each other", "give one figure or as many") from None
