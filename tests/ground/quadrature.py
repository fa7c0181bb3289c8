"""Response by adaptive quadrature, sharing nothing with loopgis: closed form along the source, adaptive along the receiver.

Along a straight source the integral over its length closes in erf (Claesson and Javed 2011, facts/thermal 1.1); what is left over
sigma is smooth and taken by Gauss panels; along the receiver scipy's adaptive Gauss-Kronrod rule runs to its tolerance.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.integrate import quad_vec
from scipy.special import erf

PANEL = 0.8
NODES, WEIGHTS = np.polynomial.legendre.leggauss(16)


def at_point(point, starts, ends, c, offset):
    """(sources, times) half the integral of erfc(rho/c)/rho over straight sources, rho^2 + offset^2 for rho^2."""
    way = ends - starts
    length = np.linalg.norm(way, axis=1)
    way = way / length[:, None]
    foot = np.einsum("ij,ij->i", point - starts, way)
    square = np.einsum("ij,ij->i", point - starts, point - starts) - foot**2
    d = np.sqrt(np.maximum(square, 0.0) + offset**2)
    low, high = -np.log(c), np.log(7 / max(d.min(), 1e-6))
    value = np.zeros((len(starts), len(c)))
    for k, bottom in enumerate(low):
        panels = max(1, int(np.ceil((high - bottom) / PANEL)))
        edges = np.linspace(bottom, max(high, bottom), panels + 1)
        y = ((edges[1:] + edges[:-1]) / 2)[:, None] + ((edges[1:] - edges[:-1]) / 2)[:, None] * NODES
        w = ((edges[1:] - edges[:-1]) / 2)[:, None] * WEIGHTS
        s = np.exp(y).ravel()
        f = np.exp(-((d[:, None] * s) ** 2)) * (erf((length - foot)[:, None] * s) + erf(foot[:, None] * s))
        value[:, k] = f @ w.ravel() / 2
    return value


def mean_response(receiver, source, times_s, *, bore_radius_m, alpha, same):
    """(times,) h of a whole path on another (or on itself): mean over the receiver, mirror image taken off."""
    receiver, source = np.asarray(receiver, dtype=float), np.asarray(source, dtype=float)
    c = np.sqrt(4 * alpha * np.asarray(times_s, dtype=float))
    offset = bore_radius_m if same else 0.0
    flip = np.array([1.0, 1.0, -1.0])
    total, whole = np.zeros(len(c)), 0.0
    for a, b in pairwise(receiver):
        length = np.linalg.norm(b - a)

        def at(t, a=a, b=b):
            p = a + t * (b - a)
            real = at_point(p, source[:-1], source[1:], c, offset).sum(axis=0)
            image = at_point(p, source[:-1] * flip, source[1:] * flip, c, offset).sum(axis=0)
            return real - image

        breaks = _feet(a, b, source)
        value, _ = quad_vec(at, 0.0, 1.0, epsabs=2e-6, epsrel=0, points=breaks, norm="max")
        total += length * value
        whole += length
    return total / whole


def _feet(a, b, source):
    """Places on the receiver opposite the source's vertices and where it comes closest: where the integrand is sharp."""
    way = b - a
    square = way @ way
    found = {round(float((v - a) @ way / square), 9) for v in source}
    for p, q in pairwise(source):
        u, w = q - p, a - p
        matrix = np.array([[way @ way, -(way @ u)], [-(way @ u), u @ u]])
        if np.linalg.cond(matrix) < 1e9:
            t, _ = np.linalg.solve(matrix, [-(way @ w), u @ w])
            found.add(round(float(t), 9))
    return sorted(t for t in found if 1e-6 < t < 1 - 1e-6)
