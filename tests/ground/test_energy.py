"""No joule lost: heat put in at a constant rate = heat left through the ground surface + heat stored in the ground.

A point source under a surface held at zero, after a time t, with c = sqrt(4 alpha t) (facts/thermal 1.6, row 4, from Carslaw and
Jaeger 1959; the plane by the same means, derived here):
- of its rate, erfc(z/c) leaves through the surface;
- of its heat until then, 4 i2erfc(z/c) has left;
- the level plane at depth Z holds, with ierfc x = exp(-x^2)/sqrt(pi) - x erfc x, (c/2) [ierfc(|Z - z|/c) - ierfc((Z + z)/c)]
  times its rate over k: heat spreads sideways, but over a whole plane it is a slab problem.
A bore's figure is the mean along its path. Everything else here is summed up from point_response.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erfc

from loopgis.ground.spectrum import point_response

ALPHA, RADIUS = 0.7e-6, 0.06
YEAR_S = 365.25 * 86400
TIMES = YEAR_S * np.array([0.5, 2.0, 10.0])
SPREAD_M = np.sqrt(4 * ALPHA * TIMES)
CLOSED = 1e-3


def bent(top_m=0.0):
    """Down a slant, level round a bend, up a slant; its ends top_m under the ground."""
    run = (4.5 - top_m) / 0.3
    way = np.array([[run, 0, top_m - 4.5], [14, 2, -0.3], [9, 9, 0.1], [0.6 * run, 0.8 * run, 4.7 - top_m]])
    return np.vstack([np.zeros(3), np.cumsum(way, axis=0)]) - [0.0, 0.0, top_m]


PATHS = {"from pit to pit": bent(1.2), "from grass to grass": bent(0.0), "level": np.array([[0, 0, -4.0], [30, 0, -4]])}


def h_at(points, path, times_s=TIMES):
    """(times, points), asked for in pieces so that memory stays small."""
    pieces = np.array_split(points, max(1, len(points) // 1000))
    parts = [point_response(p, [path], times_s, bore_radius_m=RADIUS, diffusivity_m2_s=ALPHA)[:, :, 0] for p in pieces]
    return np.concatenate(parts, axis=1)


def ierfc(x):
    return np.exp(-(x**2)) / math.sqrt(math.pi) - x * erfc(x)


def gauss(n, low=0.0, high=1.0):
    x, w = np.polynomial.legendre.leggauss(n)
    return low + (high - low) * (x + 1) / 2, (high - low) * w / 2


def mean_along(path, of_depth):
    """Mean over the path, by length, of a function of depth."""
    x, w = gauss(20)
    step = np.diff(path, axis=0)
    depth = -(path[:-1, 2, None] + step[:, 2, None] * x)
    length = np.linalg.norm(step, axis=1)
    return float((of_depth(depth) @ w) @ length / length.sum())


def length_of(path):
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


# --- through the surface ---


def raster(path, reach_m, step_m):
    """Points over the whole plan, even by the path and farther apart outwards, with the area each stands for."""

    def axis(low, high):
        middle, half = (low + high) / 2, (high - low) / 2 + 6.0
        top = np.arcsinh((half + reach_m) / half) * half  # x = half sinh(u / half)
        u = np.arange(-math.ceil(top / step_m), math.ceil(top / step_m) + 1) * step_m
        return middle + half * np.sinh(u / half), step_m * np.cosh(u / half)

    (x, wx), (y, wy) = (axis(path[:, i].min(), path[:, i].max()) for i in (0, 1))
    plan = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    return plan, np.outer(wx, wy).ravel()


def leaving_share(path, times_s, step_m=0.8, under_m=0.005):
    """Share of the rate that leaves through the surface: sum of the gradient, h/(2 pi z) per metre, over the plan."""
    plan, area = raster(path, reach_m=3 * math.sqrt(4 * ALPHA * max(times_s)), step_m=step_m)
    points = np.column_stack([plan, np.full(len(plan), -under_m)])
    return h_at(points, path, times_s) @ area / (2 * math.pi * under_m * length_of(path))


@pytest.mark.parametrize("name", ["from pit to pit", "level"])
def test_rate_through_the_surface(name):
    path = PATHS[name]
    for share, c in zip(leaving_share(path, TIMES), SPREAD_M, strict=True):
        assert share == pytest.approx(mean_along(path, lambda z, c=c: erfc(z / c)), rel=CLOSED / 2)


@pytest.mark.parametrize(
    ("name", "plane_m"),
    [("from pit to pit", 0.5), ("from pit to pit", 7.0), ("from grass to grass", 7.0), ("from grass to grass", 15.0)],
)
def test_heat_in_a_level_plane(name, plane_m):
    """Planes above and below all of a bore, where nothing is peaked."""
    path = PATHS[name]
    plan, area = raster(path, reach_m=75.0, step_m=0.5)
    held = h_at(np.column_stack([plan, np.full(len(plan), -plane_m)]), path) @ area / length_of(path)
    for found, c in zip(held, SPREAD_M, strict=True):
        slab = mean_along(path, lambda z, c=c: ierfc(np.abs(plane_m - z) / c) - ierfc((plane_m + z) / c))
        assert found == pytest.approx(math.pi * c * slab, rel=CLOSED)


# --- in the ground ---


def shells(path, k, reach_m, counts=(28, 18, 14)):
    """Points and volumes below ground on shells round segment k: x = a cosh(mu) cos(nu), radius a sinh(mu) sin(nu).

    Volumes shrink with the distance from the segment as fast as a line source's warming grows, so nothing is peaked. Of each ring
    round the axis only the arc below ground is used.
    """
    start, end = path[k], path[k + 1]
    half = np.linalg.norm(end - start) / 2
    way = (end - start) / (2 * half)
    side = np.array([-way[1], way[0], 0.0]) / math.hypot(way[0], way[1])
    up = np.cross(way, side)  # its z is the segment's share of level run, so positive
    (mu, w_mu), (cos, w_cos) = gauss(counts[0], 0.0, math.asinh(reach_m / half)), gauss(counts[1], -1.0, 1.0)
    mu, cos = (g.ravel() for g in np.meshgrid(mu, cos, indexing="ij"))
    along, ring = half * np.cosh(mu) * cos, half * np.sinh(mu) * np.sqrt(1 - cos**2)
    weight = half**3 * (np.cosh(mu) ** 2 - cos**2) * np.sinh(mu) * np.outer(w_mu, w_cos).ravel()
    z = (start + end)[2] / 2 + along * way[2]
    blocked = np.arccos(np.clip(-z / (ring * up[2]), -1.0, 1.0))  # arc above ground on either side of straight up
    share, w_share = gauss(counts[2])
    turn = blocked[:, None] + (2 * math.pi - 2 * blocked[:, None]) * share
    off = np.cos(turn)[..., None] * up + np.sin(turn)[..., None] * side
    points = (start + end) / 2 + along[:, None, None] * way + ring[:, None, None] * off
    volume = weight[:, None] * (2 * math.pi - 2 * blocked[:, None]) * w_share
    return points.reshape(-1, 3), volume.ravel()


def belongs(points, path, k):
    """Smooth shares, one in all, by which a place belongs to the segments: all to the own one beside it, nothing beside others."""
    away = np.linalg.norm(points[:, None, :] - path[None, :, :], axis=2)
    detour = away[:, :-1] + away[:, 1:] - np.linalg.norm(np.diff(path, axis=0), axis=1)
    near = np.maximum(detour, 1e-9) ** -3
    return near[:, k] / near.sum(axis=1)


def stored_share(path, time_s, sunk_m=0.0):
    """Share of the heat put in until then that is still in the ground: volume integral of rho c times the warming.

    sunk_m sinks bore and places together, which takes the mirror image away. Within the hole point_response gives the wall's
    warming; what a line holds in there above that is added in closed form, r_b^2/(4 alpha t) of the heat (1e-4 after half a year).
    """
    sunk = np.array([0.0, 0.0, -sunk_m])
    total = 0.0
    for k in range(len(path) - 1):
        points, volume = shells(path, k, 3.6 * math.sqrt(4 * ALPHA * time_s) + 20.0)
        points, volume = points[volume > 0], volume[volume > 0]
        h = h_at(points + sunk, path + sunk, np.array([time_s]))[0]
        total += float(h @ (volume * belongs(points, path, k)))
    return total / (2 * math.pi * ALPHA * time_s * length_of(path)) + RADIUS**2 / (4 * ALPHA * time_s)


def left_share(path, time_s):
    """Share of the heat put in until then that has left, by its closed form 4 i2erfc."""
    c = math.sqrt(4 * ALPHA * time_s)
    return mean_along(path, lambda z: erfc(z / c) - 2 * z / c * ierfc(z / c))


@pytest.mark.parametrize("time_s", TIMES)
@pytest.mark.parametrize("name", PATHS)
def test_stored_and_left_make_the_whole(name, time_s):
    path = PATHS[name]
    stored, left = stored_share(path, time_s), left_share(path, time_s)
    assert stored + left == pytest.approx(1.0, abs=CLOSED / 2)
    assert min(stored, left) > 0.15


def test_both_sides_measured():
    """Without any closed form: gradients under the surface summed over plan and time, warming summed over the ground."""
    path = PATHS["from pit to pit"]
    u, w = gauss(12)
    gone = leaving_share(path, np.outer(TIMES, u**2).ravel()).reshape(len(TIMES), -1) @ (2 * u * w)  # t = T u^2
    for time_s, left in zip(TIMES, gone, strict=True):
        assert left == pytest.approx(left_share(path, time_s), abs=CLOSED / 2)
        assert stored_share(path, time_s) + left == pytest.approx(1.0, abs=CLOSED)


def test_without_the_mirror_image_it_does_not_close():
    """The integral has teeth: a ground that goes on above the surface holds too much below it."""
    path = PATHS["from pit to pit"]
    for time_s in TIMES:
        assert stored_share(path, time_s, sunk_m=500.0) + left_share(path, time_s) > 1.05
