"""Bores in parallel on one header, month by month: the same water enters all of them, the ground decides how they share.

Unknown per month are the heat rates q_i (W/m, positive into the ground) and the inlet temperature T_in. With
P_m = [L h(m) - L h(m - 1)]/(2 pi k), R_i the resistance from inlet to wall and T0_i the undisturbed temperature,

    (P_1 + diag(L R)) q_n - L T_in = -L T0_n - sum over earlier months of P_(n - m + 1) q_m,    sum L q = Q_n.

The matrix is symmetric and, for bores that do not touch, positive definite: one Cholesky factor serves all months.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Coupling = Literal["inlet", "heat", "wall"]


@dataclass(frozen=True, eq=False)
class Run:
    """heat_w_m (months, N): rate per metre of bore; inlet_c (months,): water into the bores; wall_c (months, N): bore walls.

    Temperatures hold at the end of each month, under the month's mean load. With coupling "heat" or "wall" inlet_c is the mean
    over the bores, weighted by heat (by length where there is none).
    """

    heat_w_m: Array
    inlet_c: Array
    wall_c: Array


@dataclass(frozen=True, eq=False)
class Steps:
    """What one month of heat does in every later month, for the lengths as they are.

    first (N, N): in its own month; history (N, (M - 1) N): in the months after, latest first; length_m (N,).
    """

    first: Array
    history: Array
    length_m: Array

    @classmethod
    def of(cls, h_months: Array, length_m: Array, k_w_mk: float) -> Steps:
        """From the response (M, N, N) at the ends of months 1, 2, ..., M."""
        steps = np.diff(h_months, axis=0, prepend=0.0) * length_m[:, None] / (2 * np.pi * k_w_mk)
        steps = (steps + np.swapaxes(steps, 1, 2)) / 2
        n = len(length_m)
        history = np.concatenate(steps[:0:-1], axis=1) if len(steps) > 1 else np.zeros((n, 0))
        return cls(steps[0], history, length_m)


def positive_inverse(matrix: Array) -> Array:
    """Inverse of a symmetric matrix by Cholesky. Raises RangeError when it is not positive definite: bores that touch."""
    from scipy.linalg import cho_factor, cho_solve  # noqa: PLC0415

    try:
        inverse: Array = cho_solve(cho_factor(matrix), np.eye(len(matrix)))
    except np.linalg.LinAlgError:
        raise RangeError("bores", "stand so near that they act as touching", "move them apart") from None
    return inverse


def solve(
    steps: Steps,
    *,
    resistance_mk_w: Array,
    undisturbed_c: Array,
    load_w: Array,
    factor: float = 1.0,
    coupling: Coupling = "inlet",
) -> tuple[Array, Array, Array]:
    """Heat rates, inlets and walls for several cases at once.

    factor: all bores so many times as long, response per metre unchanged; resistance_mk_w (N,), inlet water to wall;
    undisturbed_c: (months, N, cases); load_w: (months, cases).
    Gives heat (months, N, cases), inlet (months, cases), wall (months, N, cases). Raises RangeError when bores touch.
    """
    months, n, cases = undisturbed_c.shape
    length = steps.length_m * factor
    first = steps.first * factor
    inverse = positive_inverse(first + np.diag(length * (resistance_mk_w if coupling == "inlet" else 0.0)))
    own = length[:, None] * undisturbed_c
    if coupling == "inlet":
        heat, inlet = _stepped(steps.history, inverse, length, factor, own, load_w)
        return heat, inlet, inlet[:, None, :] - heat * resistance_mk_w[:, None]
    unit = inverse @ length
    whole = float(length @ unit)
    heat, wall = np.zeros((months, n, cases)), np.zeros((months, n, cases))
    history = steps.history * factor
    for m in range(months):
        free = own[m] + _past(history, heat, m)
        if coupling == "heat":
            heat[m] = load_w[m] / length.sum()
        else:
            held = inverse @ free
            heat[m] = unit[:, None] * (load_w[m] + length @ held) / whole - held
        wall[m] = (free + first @ heat[m]) / length[:, None]
    water = wall + heat * resistance_mk_w[:, None]
    share = length[:, None] * np.where(np.abs(load_w)[:, None] > 0, heat, 1.0)
    return heat, (water * share).sum(axis=1) / share.sum(axis=1), wall


def _past(history: Array, heat: Array, month: int) -> Array | float:
    """(N, cases) what the heat of the months before still does to the walls."""
    _, n, cases = heat.shape
    return history[:, history.shape[1] - month * n :] @ heat[:month].reshape(month * n, cases) if month else 0.0


def _stepped(
    history: Array, inverse: Array, length: Array, factor: float, own: Array, load_w: Array
) -> tuple[Array, Array]:
    """Heat (months, N, cases) and inlet (months, cases) when the same water enters all bores.

    The inlet of a month and the heat that follows from it are both linear in the walls left free by the past, so their rows are put
    into one matrix beforehand and a month is a single product.
    """
    months, n, cases = own.shape
    unit = inverse @ length
    whole = float(length @ unit)
    rows = np.vstack([np.outer(unit, unit) / whole - inverse, unit / whole])
    past = rows * factor @ history
    both = np.einsum("ij,mjc->mic", rows, own)
    both[:, :n] += unit[:, None] * load_w[:, None, :] / whole
    both[:, n] += load_w / whole
    heat = np.zeros((months, n, cases))
    for m in range(months):
        if m:
            both[m] += past[:, past.shape[1] - m * n :] @ heat[:m].reshape(m * n, cases)
        heat[m] = both[m, :n]
    return heat, both[:, n]


def simulate(
    *,
    h_months: Array,
    length_m: Array,
    resistance_mk_w: Array,
    k_w_mk: float,
    undisturbed_c: Array,
    load_w: Array,
    coupling: Coupling = "inlet",
) -> Run:
    """Run one field over its months.

    h_months: (M, N, N) response at 1..M months; length_m, resistance_mk_w: (N,), inlet water to wall; undisturbed_c: (M, N);
    load_w: (M,) heat into the ground. coupling: "inlet" (the same water enters all, what a header does), "heat" (every metre gives
    the same) or "wall" (all walls equal), the two bounds of it. Raises RangeError for a conductivity that is not positive.
    """
    if not k_w_mk > 0:
        raise RangeError("k_w_mk", f"{k_w_mk:g} is not positive", "give the conductivity of the ground in W/(m K)")
    heat, inlet, wall = solve(
        Steps.of(h_months, length_m, k_w_mk),
        resistance_mk_w=resistance_mk_w,
        undisturbed_c=undisturbed_c[:, :, None],
        load_w=load_w[:, None],
        coupling=coupling,
    )
    return Run(heat[:, :, 0], inlet[:, 0], wall[:, :, 0])
