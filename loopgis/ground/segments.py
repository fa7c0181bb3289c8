"""Bores as straight segments for the heat kernel: checked, and freed of vertices that lie on a straight line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

ON_LINE_M = 1e-4
"""A vertex this near to the chord of its neighbours is left out: it moves h by less than 1e-6."""
ABOVE_M = 1e-6


@dataclass(frozen=True, eq=False)
class Segments:
    """Segments of all bores in order: starts (S, 3), unit directions (S, 3), lengths (S,), number of the bore (S,)."""

    start: NDArray[np.float64]
    way: NDArray[np.float64]
    length: NDArray[np.float64]
    bore: NDArray[np.intp]

    @property
    def centre(self) -> NDArray[np.float64]:
        """(S, 3) middles."""
        middle: NDArray[np.float64] = self.start + self.way * (self.length / 2)[:, None]
        return middle

    def mirrored(self) -> Segments:
        """The same above the ground surface."""
        flip = np.array([1.0, 1.0, -1.0])
        return Segments(self.start * flip, self.way * flip, self.length, self.bore)


def segments_of(paths: Sequence[ArrayLike]) -> Segments:
    """Segments of paths, each (n, 3) with z up and the ground surface at z = 0.

    Raises RangeError naming the path when it is not (n >= 2, 3), not finite, without length, or above the surface.
    """
    if not len(paths):
        raise RangeError("paths", "is empty", "give at least one path of shape (n, 3)")
    parts = [_vertices(path, f"paths[{i}]") for i, path in enumerate(paths)]
    steps = [np.diff(p, axis=0) for p in parts]
    step = np.vstack(steps)
    length = np.linalg.norm(step, axis=1)
    bore = np.repeat(np.arange(len(parts)), [len(s) for s in steps])
    return Segments(np.vstack([p[:-1] for p in parts]), step / length[:, None], length, bore)


def _vertices(path: ArrayLike, where: str) -> NDArray[np.float64]:
    points = np.asarray(path, dtype=float)
    if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 3:
        raise RangeError(where, f"has the shape {points.shape}", "give an array (n, 3) of at least two points")
    if not np.isfinite(points).all():
        raise RangeError(where, "has a coordinate that is not a number", "give finite metres")
    if (points[:, 2] > ABOVE_M).any():
        raise RangeError(where, f"rises {points[:, 2].max():.3g} m above the ground", "z is up, the surface is z = 0")
    points = points[np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > ON_LINE_M / 10]]
    if len(points) < 2:
        raise RangeError(where, "has no length", "give at least two different points")
    return simplified(points, ON_LINE_M)


def simplified(points: NDArray[np.float64], tolerance_m: float) -> NDArray[np.float64]:
    """Path with fewer vertices that stays within a tolerance of the old one, first and last kept (Douglas-Peucker in space)."""
    return points[vertices_kept(points, tolerance_m)]


def vertices_kept(points: NDArray[np.float64], tolerance_m: float) -> NDArray[np.bool_]:
    """Which vertices (n,) of a path (n, any) `simplified` keeps."""
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    open_ = [(0, len(points) - 1)]
    while open_:
        i, j = open_.pop()
        if j - i < 2:
            continue
        away = _off_chord(points[i + 1 : j], points[i], points[j])
        k = int(np.argmax(away))
        if away[k] > tolerance_m:
            keep[i + 1 + k] = True
            open_ += [(i, i + 1 + k), (i + 1 + k, j)]
    return keep


def _off_chord(p: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    along = b - a
    square = float(along @ along)
    share = np.clip((p - a) @ along / square, 0.0, 1.0) if square > 0 else np.zeros(len(p))
    off: NDArray[np.float64] = np.linalg.norm(p - a - share[:, None] * along, axis=1)
    return off


def closest_m(s: Segments, i: NDArray[np.intp], j: NDArray[np.intp]) -> NDArray[np.float64]:
    """Least distance between segments i[k] and j[k]: inside both, or from an end of one to the other."""
    ends = [s.start, s.start + s.way * s.length[:, None]]
    best = np.minimum.reduce(
        [_to_segment(e[i], s.start[j], s.way[j], s.length[j]) for e in ends]
        + [_to_segment(e[j], s.start[i], s.way[i], s.length[i]) for e in ends]
    )
    w, u, v = s.start[j] - s.start[i], s.way[i], s.way[j]
    cos = np.einsum("ij,ij->i", u, v)
    sin2 = np.maximum(1 - cos**2, 1e-12)
    uw, vw = np.einsum("ij,ij->i", u, w), np.einsum("ij,ij->i", v, w)
    t = (cos * uw - vw) / sin2
    a = uw + t * cos
    inside = (t >= 0) & (t <= s.length[j]) & (a >= 0) & (a <= s.length[i]) & (sin2 > 1e-9)
    gap = np.linalg.norm(w + t[:, None] * v - a[:, None] * u, axis=1)
    nearest: NDArray[np.float64] = np.where(inside, np.minimum(best, gap), best)
    return nearest


def _to_segment(
    p: NDArray[np.float64], start: NDArray[np.float64], way: NDArray[np.float64], length: NDArray[np.float64]
) -> NDArray[np.float64]:
    along = np.clip(np.einsum("ij,ij->i", p - start, way), 0.0, length)
    distance: NDArray[np.float64] = np.linalg.norm(p - start - along[:, None] * way, axis=1)
    return distance
