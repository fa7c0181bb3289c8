"""Ground response of bores as they lie: finite line sources with their mirror images, by the spectrum of distances.

A constant line source of q' W/m warms a point by q'/(4 pi k) times the integral of erfc(rho/c)/rho ds, c = sqrt(4 alpha t)
(Carslaw and Jaeger 1959); the ground surface is held at zero by subtracting the source's mirror image above it. Time enters only
through erfc(rho/c): so the measure ds_i ds_j / rho of every pair of bores is sorted once into bins that are even in ln rho, and the
response at any time is one small product of these weights with erfc.

How the double integral of a pair of segments is sampled:
- far apart: plain Gauss points on both, fewer the farther;
- near: on the longer one s = foot + d sinh(theta), so that ds/rho = d theta and nothing is peaked however near; on the shorter one
  Gauss points mapped by x^2 (3 - 2 x), which crowd at both ends, broken where the longer one comes closest or ends;
- a segment with itself: the exact single integral of 2 (L - s)/rho over s.
Inside one bore rho^2 + r_b^2 stands for rho^2, which is the mean wall temperature without choosing a side.

Every sample goes to the four nearest bins with cubic weights, which is cubic interpolation of erfc.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.ground.segments import Segments, closest_m, segments_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

DIFFUSIVITY_M2_S = (5e-8, 5e-6)
BORE_RADIUS_M = (0.005, 0.5)
HALF = "give half the diameter of the bore, in metres"


@dataclass(frozen=True, kw_only=True)
class Precision:
    """How finely is sampled. The defaults keep h within 4e-5; finer ones are for tests.

    step: width of a bin in ln rho; receiver: points on a piece of the shorter segment; inside, outside: points in theta on either
    side of a foot inside the segment, and for one outside; alone: points of a segment with itself.
    """

    step: float = 0.1
    receiver: int = 20
    inside: int = 20
    outside: int = 14
    alone: int = 32


USUAL = Precision()
FAR = ((1.0, 4), (1.6, 3), (3.2, 2), (16.0, 1))
"""From this gap on, in lengths of the longer segment, so many Gauss points on each are enough (facts/kernel section 2)."""
NEAR_BREAK = 0.3
"""A receiver is broken at places nearer to the source than this share of its length."""
BLOCK = 400_000
"""Samples worked on at once; bounds memory at about 100 MB."""


class _Bins:
    """Weights of all bore pairs, in bins even in ln rho."""

    def __init__(self, nearest_m: float, farthest_m: float, pairs: int, step: float) -> None:
        self.low = np.log(nearest_m) - 2 * step
        self.step = step
        self.count = int(np.ceil((np.log(farthest_m) - self.low) / step)) + 4
        self.weight = np.zeros(pairs * self.count)

    @property
    def rho_m(self) -> Array:
        centres: Array = np.exp(self.low + self.step * np.arange(self.count))
        return centres

    def add(self, pair: Index, rho_m: Array, weight: Array) -> None:
        """Spread samples over their four nearest bins (cubic Lagrange)."""
        x = (np.log(rho_m.ravel()) - self.low) / self.step
        i = np.clip(x.astype(np.intp), 1, self.count - 3)
        f = x - i
        w = weight.ravel()
        at = pair.ravel() * self.count + i - 1
        a, b, c = f + 1, f - 1, f - 2
        wf = w * f
        first = int(at.min()) if len(at) else 0
        span = (
            int(at.max()) - first + 4 if len(at) else 0
        )  # samples come bore by bore: only few rows are touched at a time
        here = self.weight[first : first + span]
        for k, part in enumerate((-wf * b * c / 6, w * a * b * c / 2, -wf * a * c / 2, wf * a * b / 6)):
            here += np.bincount(at - first + k, part, minlength=span)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Distances between bores, sorted: weight (N, N, bins) of each pair at distances rho_m (bins,), lengths length_m (N,)."""

    rho_m: Array
    weight: Array
    length_m: Array
    bore_radius_m: float

    def response(self, times_s: ArrayLike, diffusivity_m2_s: float) -> Array:
        """(times, N, N) h[t, i, j]: 2 pi k times the mean warming of bore i per W/m of bore j; an infinite time is allowed.

        Raises RangeError for times that are not positive and for a diffusivity out of range.
        """
        share = _erfc(self.rho_m, times_s, diffusivity_m2_s)
        h = np.tensordot(self.weight, share, axes=(2, 0)) / (2 * self.length_m[:, None, None])
        moved: Array = np.moveaxis(h, 2, 0)
        return moved


def response(
    paths: Sequence[ArrayLike], times_s: ArrayLike, *, bore_radius_m: float, diffusivity_m2_s: float
) -> NDArray[np.float64]:
    """Ground response of bent bores of any orientation under a ground surface held at constant temperature.

    paths: one array (n, 3) per bore, metres, z up, ground surface at z = 0; times_s: seconds, infinity allowed.
    Returns h of shape (times, bores, bores): mean wall temperature change of bore i, times 2 pi k, per W/m put into bore j from
    time zero on; L_i h[t, i, j] = L_j h[t, j, i] exactly. Within 1e-4 of adaptive quadrature from hours to 50 years for
    bores of up to some kilometres.
    Raises RangeError, naming the argument, for paths above ground, bores nearer than two radii (touching), a radius or diffusivity
    out of range, or times that are not positive. Below about ten times r_b^2/alpha (half a day) a line source is a few per cent
    under a real bore's wall, whatever the quadrature (facts/thermal 4.1).

    Source: Carslaw and Jaeger 1959; distances as in facts/kernel section 2.

    >>> level = [[0.0, 0.0, -5.0], [60.0, 0.0, -5.0]]
    >>> h = response([level], [365.25 * 86400], bore_radius_m=0.06, diffusivity_m2_s=1e-6)
    >>> round(float(h[0, 0, 0]), 3)
    4.695
    """
    _erfc(np.ones(1), times_s, diffusivity_m2_s)
    return spectrum(paths, bore_radius_m=bore_radius_m).response(times_s, diffusivity_m2_s)


def spectrum(
    paths: Sequence[ArrayLike],
    *,
    bore_radius_m: float,
    precision: Precision = USUAL,
    skip: NDArray[np.bool_] | None = None,
) -> Spectrum:
    """Sort the distances between and within bores, once for all times and diffusivities. Raises RangeError as `response` does.

    skip: (N, N) pairs that nobody asks for (candidates that exclude each other): left at zero, and free to touch.
    """
    radius = _in_range("bore_radius_m", bore_radius_m, BORE_RADIUS_M, "m", HALF)
    s = segments_of(paths)
    count = int(s.bore[-1]) + 1
    if skip is None:
        _not_touching(s, radius)
    span = float(np.linalg.norm(np.ptp(np.vstack([s.start, s.start + s.way * s.length[:, None]]), axis=0)))
    deepest = -float(min(s.start[:, 2].min(), (s.start[:, 2] + s.way[:, 2] * s.length).min()))
    bins = _Bins(radius / 2, span + 2 * deepest + 2 * radius + 1, count * count, precision.step)
    for i, j in _pairs(len(s.length)):
        asked = np.ones(len(i), dtype=bool) if skip is None else ~skip[s.bore[i], s.bore[j]]
        p, q = i[asked], j[asked]
        _sort_pairs(bins, s, s, p, q, radius=radius, sign=1.0, precision=precision, count=count)
        _sort_pairs(bins, s, s.mirrored(), p, q, radius=radius, sign=-1.0, precision=precision, count=count)
    weight = bins.weight.reshape(count, count, bins.count)
    both = weight + np.swapaxes(weight, 0, 1)
    both[np.arange(count), np.arange(count)] /= 2
    length: Array = np.bincount(s.bore, s.length, minlength=count).astype(float)
    return Spectrum(bins.rho_m, both, length, radius)


def point_response(
    points: ArrayLike, paths: Sequence[ArrayLike], times_s: ArrayLike, *, bore_radius_m: float, diffusivity_m2_s: float
) -> NDArray[np.float64]:
    """Response of the ground at points: h of shape (times, points, bores), as in `response`.

    points: (P, 3), z not above 0; nearer than a bore radius to an axis they count as lying on the wall.
    """
    radius = _in_range("bore_radius_m", bore_radius_m, BORE_RADIUS_M, "m", HALF)
    place = np.asarray(points, dtype=float).reshape(-1, 3)
    if not np.isfinite(place).all() or (place[:, 2] > 1e-6).any():
        raise RangeError("points", "holds a point above the ground or one that is not a number", "z is up, z <= 0")
    s = segments_of(paths)
    count = int(s.bore[-1]) + 1
    corners = np.vstack([place, s.start, s.start + s.way * s.length[:, None]])
    reach = float(np.linalg.norm(np.ptp(corners, axis=0))) - 2 * float(corners[:, 2].min()) + 2 * radius + 1
    bins = _Bins(radius / 2, reach, len(place) * count, USUAL.step)
    at_once = max(1, BLOCK // (8 * USUAL.inside * len(s.length)))
    for sign, source in ((1.0, s), (-1.0, s.mirrored())):
        for first in range(0, len(place), at_once):
            some = np.arange(first, min(first + at_once, len(place)))
            p, q = (g.ravel() for g in np.meshgrid(some, np.arange(len(s.length)), indexing="ij"))
            one = np.full(len(p), sign)
            _along_source(bins, source, q, place[p], one, radius, p * count + s.bore[q], USUAL)
    share = _erfc(bins.rho_m, times_s, diffusivity_m2_s)
    h = np.tensordot(bins.weight.reshape(len(place), count, bins.count), share, axes=(2, 0)) / 2
    moved: NDArray[np.float64] = np.moveaxis(h, 2, 0)
    return moved


def _erfc(rho_m: Array, times_s: ArrayLike, diffusivity_m2_s: float) -> Array:
    """(bins, times) erfc(rho / c)."""
    from scipy.special import erfc  # noqa: PLC0415 - not needed to read a site

    times = np.atleast_1d(np.asarray(times_s, dtype=float))
    if times.ndim != 1 or not (times > 0).all():
        raise RangeError("times_s", "must be positive seconds, one after another", "give e.g. [6 * 3600.0]")
    alpha = _in_range("diffusivity_m2_s", diffusivity_m2_s, DIFFUSIVITY_M2_S, "m2/s", "1 m2/day is 1.157e-5 m2/s")
    values: Array = erfc(rho_m[:, None] / np.sqrt(4 * alpha * times)[None, :])
    return values


def _in_range(name: str, value: float, within: tuple[float, float], unit: str, remedy: str) -> float:
    if not (np.isfinite(value) and within[0] <= value <= within[1]):
        raise RangeError(name, f"{value:g} is outside {within[0]:g} to {within[1]:g} {unit}", remedy)
    return float(value)


def _not_touching(s: Segments, radius: float) -> None:
    middle = s.centre
    for p, q in _pairs(len(s.length)):
        other = s.bore[p] != s.bore[q]
        p_, q_ = p[other], q[other]
        gap = np.linalg.norm(middle[p_] - middle[q_], axis=1) - (s.length[p_] + s.length[q_]) / 2
        p_, q_ = p_[gap < 2 * radius], q_[gap < 2 * radius]
        if not len(p_):
            continue
        away = closest_m(s, p_, q_)
        k = int(np.argmin(away))
        if away[k] < 2 * radius * (1 - 1e-9):
            names = f"paths[{s.bore[p_[k]]}] and paths[{s.bore[q_[k]]}]"
            what = f"come within {away[k]:.3g} m of each other, less than two bore radii: they touch"
            raise RangeError(names, what, "move them apart")


def _pairs(count: int) -> Iterator[tuple[Index, Index]]:
    """All unordered pairs p <= q of segments, some rows at a time."""
    rows = max(1, BLOCK // max(count, 1))
    for first in range(0, count, rows):
        p, q = np.meshgrid(np.arange(first, min(first + rows, count)), np.arange(first, count), indexing="ij")
        upper = p <= q
        yield p[upper], q[upper]


def _sort_pairs(
    bins: _Bins,
    s: Segments,
    source: Segments,
    p: Index,
    q: Index,
    *,
    radius: float,
    sign: float,
    precision: Precision,
    count: int,
) -> None:
    """Add all pairs p of s with q of source (s itself, or its mirror image)."""
    pair = s.bore[p] * count + s.bore[q]
    same = s.bore[p] == s.bore[q]
    weight = sign * np.where(same & (p != q), 2.0, 1.0)
    extra = np.where(same, radius, 0.0)
    longest = np.maximum(s.length[p], s.length[q])
    gap = np.linalg.norm(s.centre[p] - source.centre[q], axis=1) - (s.length[p] + s.length[q]) / 2
    relative = gap / longest
    if sign > 0:
        alone = np.flatnonzero(p == q)
        _alone(bins, s.length[p[alone]], pair[alone], radius, precision)
        relative = np.where(p == q, np.nan, relative)
    for (low, n), high in zip(FAR, (*(r for r, _ in FAR[1:]), np.inf), strict=True):
        k = np.flatnonzero((relative > low) & (relative <= high))
        for some in _blocks(k, n * n):
            _far(bins, s, source, p[some], q[some], pair[some], weight[some], extra[some], n)
    for some in _blocks(np.flatnonzero(relative <= FAR[0][0]), 3 * precision.receiver * precision.inside):
        _near(bins, s, source, p[some], q[some], pair[some], weight[some], extra[some], precision)


def _blocks(k: Index, samples: int) -> Iterator[Index]:
    size = max(1, 4 * BLOCK // samples)
    for first in range(0, len(k), size):
        yield k[first : first + size]


def _alone(bins: _Bins, length: Array, pair: Index, radius: float, precision: Precision) -> None:
    """A segment with itself: double integral of 1/rho = 2 * integral over s of (L - s)/rho, s = r_b sinh(theta)."""
    x, w = _gauss(precision.alone)
    top = np.arcsinh(length / radius)
    theta = top[:, None] * x
    weight = 2 * (length[:, None] - radius * np.sinh(theta)) * top[:, None] * w
    bins.add(np.broadcast_to(pair[:, None], theta.shape), radius * np.cosh(theta), weight)


def _far(
    bins: _Bins, s: Segments, source: Segments, p: Index, q: Index, pair: Index, weight: Array, extra: Array, n: int
) -> None:
    x, w = _gauss(n)
    a = s.start[p][:, None, :] + (s.length[p][:, None] * x)[..., None] * s.way[p][:, None, :]
    b = source.start[q][:, None, :] + (source.length[q][:, None] * x)[..., None] * source.way[q][:, None, :]
    square = extra[:, None, None] ** 2
    for axis in range(3):
        square = square + (a[:, :, None, axis] - b[:, None, :, axis]) ** 2
    rho = np.sqrt(square)
    both = (weight * s.length[p] * s.length[q])[:, None, None] * (w[:, None] * w) / rho
    bins.add(np.broadcast_to(pair[:, None, None], rho.shape), rho, both)


def _near(
    bins: _Bins,
    s: Segments,
    source: Segments,
    p: Index,
    q: Index,
    pair: Index,
    weight: Array,
    extra: Array,
    precision: Precision,
) -> None:
    """Sample the shorter segment of each pair, integrate along the longer one."""
    swap = s.length[p] > source.length[q] * (1 + 1e-9)
    receiver = _choose(s, p, source, q, swap)
    long = _choose(source, q, s, p, swap)
    piece, low, high = _pieces(receiver, long)
    x, w = _gauss(precision.receiver)
    along = low[:, None] + (high - low)[:, None] * (x * x * (3 - 2 * x))
    part = (high - low)[:, None] * (6 * x * (1 - x) * w) * weight[piece][:, None]
    place = receiver.start[piece][:, None, :] + along[..., None] * receiver.way[piece][:, None, :]
    many = np.repeat(piece, len(x))
    _along_source(bins, long, many, place.reshape(-1, 3), part.ravel(), extra[many], pair[many], precision)


def _choose(a: Segments, i: Index, b: Segments, j: Index, swap: NDArray[np.bool_]) -> Segments:
    """Segments a[i], or b[j] where swap."""
    column = swap[:, None]
    return Segments(
        np.where(column, b.start[j], a.start[i]),
        np.where(column, b.way[j], a.way[i]),
        np.where(swap, b.length[j], a.length[i]),
        np.where(swap, b.bore[j], a.bore[i]),
    )


def _pieces(receiver: Segments, long: Segments) -> tuple[Index, Array, Array]:
    """Pieces of each receiver, broken where the source comes closest and opposite its two ends: pair, from, to."""
    w = receiver.start - long.start
    cos = np.einsum("ij,ij->i", receiver.way, long.way)
    uw, vw = np.einsum("ij,ij->i", long.way, w), np.einsum("ij,ij->i", receiver.way, w)
    sin2 = np.maximum(1 - cos**2, 1e-12)
    closest = (cos * uw - vw) / sin2
    foot = uw + closest * cos
    closest = np.where((foot > 0) & (foot < long.length), closest, -1.0)
    breaks = np.stack([closest, -vw, -vw + long.length * cos], axis=1)
    along = np.clip(uw[:, None] + breaks * cos[:, None], 0.0, long.length[:, None])
    here = w[:, None, :] + breaks[..., None] * receiver.way[:, None, :] - along[..., None] * long.way[:, None, :]
    share = breaks / receiver.length[:, None]
    near = np.linalg.norm(here, axis=2) < NEAR_BREAK * receiver.length[:, None]
    breaks = np.where((share > 0.02) & (share < 0.98) & near, breaks, 0.0)
    edges = np.column_stack([np.zeros(len(breaks)), np.sort(breaks, axis=1), receiver.length])
    pair, k = np.nonzero(np.diff(edges, axis=1) > 1e-9 * receiver.length[:, None])
    return pair, edges[pair, k], edges[pair, k + 1]


def _along_source(
    bins: _Bins,
    source: Segments,
    q: Index,
    place: Array,
    weight: Array,
    extra: Array | float,
    pair: Index,
    precision: Precision,
) -> None:
    """Integrate ds/rho along source segments q as seen from places: s = foot + d sinh(theta), ds/rho = d theta.

    extra: added to the distance by squares; a float is a least distance instead (points at a wall).
    """
    off = place - source.start[q]
    foot = np.einsum("ij,ij->i", off, source.way[q])
    square = np.maximum(np.einsum("ij,ij->i", off, off) - foot**2, 0.0)
    d = np.maximum(np.sqrt(square), extra) if isinstance(extra, float) else np.sqrt(square + extra**2)
    d = np.maximum(d, 1e-9)
    low, high = np.arcsinh(-foot / d), np.arcsinh((source.length[q] - foot) / d)
    within = (low < 0) & (high > 0)
    for chosen, ends, n in (
        (~within, ((low, high),), precision.outside),
        (within, ((low, np.zeros_like(low)), (np.zeros_like(low), high)), precision.inside),
    ):
        k = np.flatnonzero(chosen)
        x, w = _gauss(n)
        for a, b in ends:
            width = (b[k] - a[k])[:, None]
            rho = d[k][:, None] * np.cosh(a[k][:, None] + width * x)
            bins.add(np.broadcast_to(pair[k][:, None], rho.shape), rho, weight[k][:, None] * width * w)


def _gauss(n: int) -> tuple[Array, Array]:
    """Gauss-Legendre points and weights on 0..1."""
    x, w = np.polynomial.legendre.leggauss(n)
    return (x + 1) / 2, w / 2
