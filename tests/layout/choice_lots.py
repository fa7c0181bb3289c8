"""Made-up fields of candidates with real heat matrices, for the tests and the bench of the choice."""

from __future__ import annotations

import numpy as np

from loopgis.ground.segments import closest_m, segments_of
from loopgis.ground.spectrum import spectrum

RADIUS_M, ALPHA_M2_S, K_W_MK = 0.06, 0.7e-6, 1.5
YEAR_S = 365.25 * 86400


def fan(width, height, tiers, turn_deg, shares=(1.0, 0.7)):
    """Slanted bores from a pad at the middle of the lower side, to the lot line and part of the way."""
    paths = []
    for turn in np.arange(turn_deg / 2, 180, turn_deg):
        way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        across = (width / 2) / abs(way[0]) if abs(way[0]) > 1e-9 else np.inf
        reach = min(across, height / way[1]) - 3
        for tier in tiers:
            for share in shares:
                r = np.array([1.5, 16.0, reach * share - 13.0, reach * share])
                if r[2] - r[1] > 4:
                    paths.append(np.column_stack([r * way[0], r * way[1], [0.0, -tier, -tier, 0.0]]))
    return paths


def parallel(width, height, tiers, pitch, shares=(1.0, 0.8, 0.6)):
    """Slanted bores side by side from a header along the lower side."""
    paths = []
    for x in np.arange(pitch / 2, width, pitch):
        for tier in tiers:
            for share in shares:
                r = np.array([0.0, 14.0, height * share - 14.0, height * share])
                if r[2] - r[1] > 4:
                    paths.append(np.column_stack([np.full(4, x), r, [0.0, -tier, -tier, 0.0]]))
    return paths


def conflicts(paths, apart_m=3.4):
    """Pairs whose middle parts come nearer than this."""
    s = segments_of([p[1:3] for p in paths])
    i, j = np.triu_indices(len(paths), 1)
    near = closest_m(s, i, j) < apart_m
    matrix = np.zeros((len(paths), len(paths)), dtype=bool)
    matrix[i[near], j[near]] = True
    return matrix | matrix.T


def limits(paths, peak_w, *, drop_k=9.0, resistance=0.2, both=True, apart=None):
    """Heat limits z'Mz <= c (L'z)^2: a year-long share of the peak for 20 years, and the peak after four months."""
    skip = conflicts(paths) if apart is None else apart
    sp = spectrum(paths, bore_radius_m=RADIUS_M, skip=skip)
    h = sp.response([YEAR_S / 3, 20 * YEAR_S, 6 * 3600.0], ALPHA_M2_S)
    length = sp.length_m
    h = h * length[None, :, None] / (2 * np.pi * K_W_MK)
    long_ = 0.25 * h[1] + 0.25 * h[0] + 0.5 * h[2] + np.diag(length * resistance)
    short = 0.5 * h[0] + 0.5 * h[2] + np.diag(length * resistance)
    made = [((m + m.T) / 2 * peak_w, c) for m, c in ((long_, drop_k), (short, 0.85 * drop_k))]
    return length, made if both else made[:1]


LOTS = {
    "F2": (lambda: fan(30, 55, (4.5, 7.5), 11.0), 1700.0),
    "F7": (lambda: fan(60, 80, (4.5, 7.5), 8.0), 7000.0),
    "F10": (lambda: fan(60, 80, (3.0, 5.5, 8.0), 8.0), 10000.0),
    "P10": (lambda: parallel(60, 80, (4.0, 7.5), 3.0), 12000.0),
    "P30": (lambda: parallel(100, 120, (3.5, 6.5, 9.5), 3.6), 60000.0),
}


def lot(name, *, both=True):
    """cost, length, limits, conflicts of a made-up lot."""
    make, peak_w = LOTS[name]
    paths = make()
    length, made = limits(paths, peak_w, both=both)
    return length, length, made, conflicts(paths)
