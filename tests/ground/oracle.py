"""A second opinion on the ground: the heat equation solved on a mesh, sharing no formula and no code with loopgis.ground.

Cross-section normal to one endless level bore, or to one bore of an endless row; right half x >= 0, the left one is its mirror.
Linear finite elements on triangles, mass lumped at the corners (so each corner keeps the heat of its own cell), the bore a real
round hole with a given heat rate spread evenly over its wall. The ground surface follows the yearly wave, the far side is
insulated, the bottom stays at its undisturbed temperature. In time a two-stage implicit Runge-Kutta rule of second order, which
damps what it cannot follow (Alexander 1977, SIAM J. Numer. Anal. 14:1006, from memory; gamma = 1 - 1/sqrt 2), both stages with one
factorised matrix.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay
from scipy.special import kve

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

YEAR_S = 365 * 86400.0
MONTH_S = YEAR_S / 12
GAMMA = 1 - 1 / math.sqrt(2)


@dataclass(frozen=True, kw_only=True)
class Ground:
    """Conductivity, diffusivity, and the surface wave: mean less amplitude on the coldest day of the year."""

    k_w_mk: float
    diffusivity_m2_s: float
    mean_c: float = 12.0
    amplitude_k: float = 11.0
    coldest_day: float = 35.0

    def undisturbed_c(self, depth_m: ArrayLike, time_s: float) -> Array:
        """Periodic state under the surface wave: the real part of exp(i w t - z sqrt(i w / alpha)), w one turn a year."""
        turn = 2j * math.pi / YEAR_S
        down = np.exp(-np.asarray(depth_m, dtype=float) * np.sqrt(turn / self.diffusivity_m2_s))
        value: Array = self.mean_c - self.amplitude_k * np.real(
            np.exp(turn * (time_s - 86400 * self.coldest_day)) * down
        )
        return value


@dataclass(frozen=True, kw_only=True)
class Fineness:
    """How finely is solved.

    around: cells over half the wall; step_m: cells at the surface and beside the bore; growth: of cells outwards, as far as far_m;
    steps: in a month.
    """

    around: int = 48
    step_m: float = 0.10
    growth: float = 1.10
    steps: int = 16
    far_m: float = 28.0


@dataclass(frozen=True, kw_only=True)
class Bore:
    """Depth of the axis and radius; half the pitch when it is one of an endless row (the ground half-way is insulated)."""

    depth_m: float
    radius_m: float = 0.06
    half_pitch_m: float = math.inf


@dataclass(frozen=True, eq=False)
class Mesh:
    """corner (P, 2) as x and depth, conductance (P, P) per unit conductivity, area (P,) of each corner's cell."""

    corner: Array
    conductance: sparse.csc_matrix
    area: Array
    wall: NDArray[np.intp]
    wall_share: Array
    held: NDArray[np.bool_]


def mesh(bore: Bore, fineness: Fineness) -> Mesh:
    """Half a cross-section: rings round the bore, a grid that grows outwards beyond, triangles between their corners."""
    even = max(fineness.step_m * fineness.around / math.pi, 4 * bore.radius_m)
    reach = min(even, 0.5 * bore.depth_m, 0.7 * bore.half_pitch_m)
    corner = np.vstack([_rings(bore, reach, fineness), _grid(bore, reach, fineness)])
    triangle = Delaunay(corner).simplices
    at_wall = fineness.around + 1
    triangle = triangle[~(triangle < at_wall).all(axis=1)]
    conductance, area = _assembled(corner, triangle)
    wall = np.arange(at_wall)
    side = np.linalg.norm(np.diff(corner[wall], axis=0), axis=1)
    share = (np.r_[side, 0.0] + np.r_[0.0, side]) / (2 * side.sum())
    held = (corner[:, 1] < 1e-9) | (corner[:, 1] > corner[:, 1].max() - 1e-9)
    return Mesh(corner, conductance, area, wall, share, held)


def _rings(bore: Bore, reach_m: float, fineness: Fineness) -> Array:
    """Corners on half circles from the wall out to reach_m, as far apart along the radius as along the circle."""
    count = round(math.log(reach_m / bore.radius_m) * fineness.around / math.pi)
    r = np.geomspace(bore.radius_m, reach_m, count + 1)[:, None]
    angle = np.linspace(0.0, math.pi, fineness.around + 1)
    x = r * np.sin(angle)
    x[:, [0, -1]] = 0.0
    return np.column_stack([x.ravel(), (bore.depth_m - r * np.cos(angle)).ravel()])


def _grid(bore: Bore, reach_m: float, fineness: Fineness) -> Array:
    """Corners of the grid outside the rings: even beside them, growing beyond, to the far side or half-way to the next bore."""
    if math.isinf(bore.half_pitch_m):
        x = _growing(1.3 * reach_m, fineness)
    else:
        x = np.linspace(0.0, bore.half_pitch_m, math.ceil(bore.half_pitch_m / fineness.step_m) + 1)
    z = _growing(bore.depth_m + 1.3 * reach_m, fineness)
    points = np.stack(np.meshgrid(x, z, indexing="ij"), axis=-1).reshape(-1, 2)
    clear = np.hypot(points[:, 0], points[:, 1] - bore.depth_m) > reach_m + 0.6 * fineness.step_m
    outside: Array = points[clear]
    return outside


def _growing(even_to: float, fineness: Fineness) -> Array:
    """Even steps from 0 to even_to, growing ones from there to far_m."""
    even = np.linspace(0.0, even_to, math.ceil(even_to / fineness.step_m) + 1)
    rest = (fineness.far_m - even_to) / fineness.step_m
    count = math.ceil(math.log1p(rest * (fineness.growth - 1)) / math.log(fineness.growth))
    steps = np.cumsum(fineness.growth ** np.arange(1.0, count + 1))
    lines: Array = np.r_[even, even_to + steps * (fineness.far_m - even_to) / steps[-1]]
    return lines


def _assembled(corner: Array, triangle: NDArray[np.intp]) -> tuple[sparse.csc_matrix, Array]:
    """Conductances and cell areas of linear triangles."""
    p = corner[triangle]
    edge = np.roll(p, -2, axis=1) - np.roll(p, -1, axis=1)
    double = np.abs(edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0])
    real = double > 1e-12
    triangle, edge, double = triangle[real], edge[real], double[real]
    local = np.einsum("tid,tjd->tij", edge, edge) / (2 * double[:, None, None])
    row = np.broadcast_to(triangle[:, :, None], local.shape)
    column = np.broadcast_to(triangle[:, None, :], local.shape)
    size = (len(corner), len(corner))
    conductance = sparse.coo_matrix((local.ravel(), (row.ravel(), column.ravel())), shape=size).tocsc()
    area = np.bincount(triangle.ravel(), np.repeat(double / 6, 3), minlength=len(corner))
    return conductance, area.astype(float)


def wall_month_ends_c(
    ground: Ground, bore: Bore, rates_w_m: ArrayLike, *, start_s: float = 0.0, fineness: Fineness | None = None
) -> Array:
    """Mean wall temperature at the end of each month of heat rates (W per metre of bore, positive into the ground)."""
    fineness = fineness or Fineness()
    m = mesh(bore, fineness)
    free = ~m.held
    alpha, step = ground.diffusivity_m2_s, MONTH_S / fineness.steps
    inner, edge = m.conductance[free][:, free], m.conductance[free][:, m.held]
    solver = splu((sparse.diags(m.area[free]) + GAMMA * step * alpha * inner).tocsc())
    spread = np.zeros(len(m.corner))
    spread[m.wall] = m.wall_share
    source = spread[free] / (2 * ground.k_w_mk)  # half the rate enters this half

    def slope(state: Array, time_s: float, rate: float) -> Array:
        border = ground.undisturbed_c(m.corner[m.held, 1], time_s)
        right = source * rate - edge @ border - inner @ state
        change: Array = alpha * solver.solve(right)
        return change

    state, now, found = ground.undisturbed_c(m.corner[free, 1], start_s), start_s, []
    for rate in np.asarray(rates_w_m, dtype=float):
        for _ in range(fineness.steps):
            first = slope(state, now + GAMMA * step, rate)
            second = slope(state + (1 - GAMMA) * step * first, now + step, rate)
            state = state + step * ((1 - GAMMA) * first + GAMMA * second)
            now += step
        found.append(float(spread[free] @ state))
    return np.array(found)


def cylinder_g(fourier: float, count: int = 24) -> float:
    """Wall warming of an endless cylinder, times k, per W/m of constant rate: its Laplace transform, turned back numerically.

    K0(q) / (2 pi q^3 K1(q)), q^2 the transform's variable (Carslaw and Jaeger 1959, chapter 13, from memory); fixed Talbot contour
    (Abate and Valko 2004, from memory), good for nine digits.
    """

    def transform(p: NDArray[np.complex128]) -> NDArray[np.complex128]:
        q = np.sqrt(p)
        value: NDArray[np.complex128] = kve(0, q) / (2 * math.pi * q**3 * kve(1, q))
        return value

    r = 2 * count / (5 * fourier)
    angle = np.arange(1, count) * math.pi / count
    cot = 1 / np.tan(angle)
    p = np.r_[r + 0j, r * angle * (cot + 1j)]
    weight = np.r_[0.5 + 0j, 1 + 1j * (angle + (angle * cot - 1) * cot)]
    return float(r / count * np.sum((np.exp(fourier * p) * transform(p) * weight).real))
