"""Response of bores in the ground against closed forms, shape factors and independent quadrature: rows 1-28 of facts/thermal.

Numbers and tolerances as printed there. Status of a row: S seen in the named source, M from memory, C computed by somebody else's
numerics (adaptive Gauss-Kronrod in several formulations that share nothing with loopgis; how is said at the end of that sheet).
A year has 365.25 days. Where the kernel's usual sampling is coarser than the printed tolerance it is sampled more finely, so that
the formula is tested to the last printed digit; a second test holds the usual sampling to the 1e-4 that it promises.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from loopgis.ground.cylinder import cylinder_g, wall_excess
from loopgis.ground.spectrum import USUAL, Precision, point_response, spectrum

if TYPE_CHECKING:
    from collections.abc import Callable

HOURS_6, DAYS_30 = 6 * 3600.0, 30 * 86400.0
YEAR = 365.25 * 86400.0
FINE = Precision(step=0.02, receiver=48, inside=48, outside=32, alone=80)
FINEST = Precision(step=0.008, receiver=160, inside=96, outside=64, alone=160)
TIMES = {"6h": HOURS_6, "30d": DAYS_30, "1y": YEAR, "10y": 10 * YEAR, "20y": 20 * YEAR, "ever": math.inf}
UNIT = 1e-6
"""Diffusivity of most rows, m2/s."""


# -- bores of the rows ---------------------------------------------------------------------------------------------------


def level(length_m: float, depth_m: float, aside_m: float = 0.0) -> list[tuple[float, float, float]]:
    """A level bore along x."""
    return [(0.0, aside_m, -depth_m), (length_m, aside_m, -depth_m)]


def upright(top_m: float, x_m: float = 0.0, y_m: float = 0.0) -> list[tuple[float, float, float]]:
    """A vertical bore of 100 m."""
    return [(x_m, y_m, -top_m), (x_m, y_m, -top_m - 100.0)]


def fan(count: int, step_deg: float, near_m: float, far_m: float) -> list[list[tuple[float, float, float]]]:
    """Level bores at 5 m that spread from one pad."""
    angles = [math.radians(step_deg * i) for i in range(count)]
    return [[(r * math.cos(a), r * math.sin(a), -5.0) for r in (near_m, far_m)] for a in angles]


LEG = [(0.0, 0.0, -1.0), (20 * math.cos(math.radians(16)), 0.0, -1.0 - 20 * math.sin(math.radians(16)))]
SKEW = [[(-30.0, 0.0, -4.0), (30.0, 0.0, -4.0)], [(-20.0, -10.0, -7.0), (25.0, 18.0, -8.0)]]
BENT = [(0.0, 0.0, 0.0), (17.437072, 0.0, -5.0), (77.437072, 0.0, -5.0), (91.174459, 0.0, 0.0)]
CUT = [(0.0, 0.0, -5.0), (20.0, 0.0, -5.0), (33.0, 0.0, -5.0), (60.0, 0.0, -5.0)]

# -- inputs and printed figures of rows with several ---------------------------------------------------------------------

E1 = {0.01: 4.0379296, 0.001: 6.3315394, 1.0: 0.2193839}
UPRIGHT = {-4: 4.85574, -2: 5.75264, 0: 6.43249, 2: 6.68636, 3: 6.70937, math.inf: 6.71703}
UPRIGHT_IMAGE = {0: 0.099423, math.inf: 0.577515}
FIELDS = [
    (f"{nx}x{ny}", [upright(4, 5.0 * i, 5.0 * j) for i in range(nx) for j in range(ny)], h)
    for nx, ny, h in ((2, 1, 8.3128), (3, 2, 14.4934), (3, 3, 18.3426))
]
FANS = {10: 0.79365, 15: 0.53343, 30: 0.22832}
PARALLEL = {
    ("1y", 3.048): 0.86312,
    ("1y", 4.572): 0.53578,
    ("1y", 6.096): 0.33932,
    ("10y", 3.048): 1.09647,
    ("10y", 4.572): 0.75797,
    ("10y", 6.096): 0.54697,
}


# -- quantities: each takes what its row gives, and the sampling ---------------------------------------------------------


def matrix(paths: list[Any], time_s: float, radius_m: float, alpha: float, precision: Precision) -> Any:
    """(N, N) response and lengths (N,)."""
    s = spectrum(paths, bore_radius_m=radius_m, precision=precision)
    return s.response([time_s], alpha)[0], s.length_m


def pair(paths: list[Any], time_s: float, precision: Precision, radius_m: float = 0.06, alpha: float = UNIT) -> float:
    """Mean of the last path under the first one; of one path alone its self response."""
    return float(matrix(paths, time_s, radius_m, alpha, precision)[0][-1, 0])


def field(paths: list[Any], time_s: float, precision: Precision, radius_m: float, alpha: float = UNIT) -> float:
    """Mean over all metres of a field when every metre gives off the same."""
    h, length = matrix(paths, time_s, radius_m, alpha, precision)
    return float(length @ h.sum(axis=1) / length.sum())


def row_sum(
    number: int, paths: list[Any], time_s: float, precision: Precision, radius_m: float, alpha: float = UNIT
) -> float:
    """Warming of one bore of a field in which every metre gives off the same."""
    return float(matrix(paths, time_s, radius_m, alpha, precision)[0][number].sum())


def real(paths: list[Any], time_s: float, precision: Precision, radius_m: float = 0.06) -> float:
    """Real-source part: the same bores 1000 km down, where the mirror image is a point source and can be put back by hand."""
    down = 1e6
    deep = [np.array(p) - [0.0, 0.0, down] for p in paths]
    length = np.linalg.norm(np.diff(deep[0], axis=0), axis=1).sum()
    distance = -(deep[0][:, 2].mean() + deep[-1][:, 2].mean())
    return pair(deep, time_s, precision, radius_m) + (length / (2 * distance) if math.isinf(time_s) else 0.0)


def image(paths: list[Any], time_s: float, precision: Precision, radius_m: float = 0.06) -> float:
    """What the mirror image takes off."""
    return real(paths, time_s, precision, radius_m) - pair(paths, time_s, precision, radius_m)


def heat_exchanged(paths: list[Any], time_s: float, precision: Precision) -> float:
    """h of a pair times the receiver's length, real sources alone."""
    return real(paths, time_s, precision) * float(np.linalg.norm(np.subtract(*paths[1])))


def endless(time_s: float, precision: Precision, depth_m: float = 5.0) -> float:
    """An endless level bore: what the second half of a bore twice as long adds, which is free of ends."""
    once, twice = (pair([level(length, depth_m)], time_s, precision) for length in (2e4, 4e4))
    return 2 * twice - once


def endless_row(pitch_m: float, time_s: float, precision: Precision) -> float:
    """One bore of an endless row under itself and 40 neighbours on either side; those beyond, when they count, by the tail."""
    aside = [pitch_m * n for n in range(41)]
    whole = {}
    for n in (1, 2):
        paths = [level(n * 6000.0, 5.0, y) for y in aside]
        whole[n] = spectrum(paths, bore_radius_m=0.06, precision=precision).response([time_s], UNIT)[0, :, 0]
    h = 2 * whole[2] - whole[1]
    sums = [h[0] + 2 * h[1 : n + 1].sum() for n in (20, 40)]
    if not math.isinf(time_s):
        return float(sums[1])
    # the rest falls as 1/(n + 1/2): carry the two sums on to no rest at all
    x = [1 / 20.5, 1 / 40.5]
    return float((sums[1] * x[0] - sums[0] * x[1]) / (x[0] - x[1]))


def exponential_integral(x: float, precision: Precision) -> float:
    """E1(x) as twice the response of an endless bore at the time when r^2/(4 alpha t) = x, the surface out of reach."""
    return 2 * endless(0.06**2 / (4 * UNIT * x), precision, depth_m=300.0)


def exponential_integral_of_excess(x: float, precision: Precision) -> float:
    """E1(x) as the line source that `wall_excess` takes off the cylinder's G."""
    excess = wall_excess([0.06**2 / (4 * UNIT * x)], bore_radius_m=0.06, diffusivity_m2_s=UNIT)
    return float(2 * (2 * math.pi * cylinder_g([1 / (4 * x)])[0] - excess[0]))


def circle(depth_m: float, radius_m: float, x_m: float = 0.0, count: int = 16) -> Any:
    """Points round a level cylinder that runs along y."""
    a = 2 * math.pi * np.arange(count) / count
    return np.column_stack([x_m + radius_m * np.cos(a), np.zeros(count), -depth_m + radius_m * np.sin(a)])


def steady(points: Any, paths: list[Any]) -> Any:
    """(points, bores) response after endless time."""
    return point_response(points, paths, [math.inf], bore_radius_m=0.005, diffusivity_m2_s=UNIT)[0]


def steady_endless(points: Any, places: list[tuple[float, float]]) -> Any:
    """(points, lines) the same under endless level lines along y at places (x, depth).

    What the ends of a long line take away falls as 1/length^2: two lengths, carried on to no end at all.
    """
    short, long = ([[(x, -half, -depth), (x, half, -depth)] for x, depth in places] for half in (500.0, 1000.0))
    return (4 * steady(points, long) - steady(points, short)) / 3


def wall_mean(depth_m: float, radius_m: float, precision: Precision) -> float:
    """Mean round the wall of a cylinder under the surface with the line source in its middle."""
    return float(steady_endless(circle(depth_m, radius_m), [(0.0, depth_m)]).mean())


def wall_even(depth_m: float, radius_m: float, precision: Precision) -> float:
    """Wall of an isothermal cylinder: the line source lies higher, where every point of the wall is equally warm."""
    h = steady_endless(circle(depth_m, radius_m), [(0.0, math.sqrt(depth_m**2 - radius_m**2))])
    assert np.ptp(h) < 1e-6
    return float(h.mean())


def shape(of: Callable[..., float], precision: Precision, length_m: float, **given: Any) -> float:
    """Shape factor S = 2 pi L / h, m."""
    return 2 * math.pi * length_m / of(precision=precision, **given)


def sphere(depth_m: float, radius_m: float, precision: Precision) -> float:
    """Shape factor of a sphere: a bore of 2 cm in its middle, the warming meant over the sphere's surface."""
    up, weight = np.polynomial.legendre.leggauss(12)
    turn = 2 * math.pi * np.arange(24) / 24
    flat = np.sqrt(1 - up**2)[:, None]
    shell = np.stack(np.broadcast_arrays(flat * np.cos(turn), flat * np.sin(turn), up[:, None]), axis=-1) * radius_m
    h = steady(shell.reshape(-1, 3) - [0.0, 0.0, depth_m], [[(0.0, -0.01, -depth_m), (0.0, 0.01, -depth_m)]])
    return 2 * math.pi * 0.02 / float(weight / 2 @ h.reshape(12, 24).mean(axis=1))


def two_cylinders(one_m: float, other_m: float, apart_m: float, length_m: float, precision: Precision) -> float:
    """Shape factor between two isothermal cylinders in endless ground: a source and a sink, each at its circle's focus."""
    first = (apart_m + (one_m**2 - other_m**2) / apart_m) / 2
    focus = math.sqrt(first**2 - one_m**2)
    second = apart_m - first
    deep = 3e4
    lines = [(-focus, deep), (focus, deep)]
    walls = [steady_endless(circle(deep, r, x), lines) @ [1.0, -1.0] for r, x in ((one_m, -first), (other_m, second))]
    assert max(np.ptp(w) for w in walls) < 1e-6
    return 2 * math.pi * length_m / float(walls[0].mean() - walls[1].mean())


def cylinder_row(pitch_m: float, depth_m: float, radius_m: float, precision: Precision) -> float:
    """Shape factor per metre of one cylinder of an endless row; neighbours beyond the last by the tail of 1/n^2."""
    sums = []
    for count in (80, 160):
        lines = [(pitch_m * n, depth_m) for n in range(-count, count + 1)]
        sums.append(float(steady_endless(circle(depth_m, radius_m), lines).sum(axis=1).mean()))
    x = [1 / 80.5, 1 / 160.5]
    return 2 * math.pi * (x[0] - x[1]) / (sums[1] * x[0] - sums[0] * x[1])


def mid_height(precision: Precision) -> float:
    """Wall half-way down a bore of 100 m that starts at the surface."""
    return float(steady([(0.05, 0.0, -50.0)], [upright(0)])[0, 0])


def surface_share(time_s: Any, precision: Precision) -> Any:
    """Share of the heat rate that leaves through the surface, endless level bore at 5 m.

    A level bore that lies across it a hair under the surface gathers the flux: k T / depth, meant over its length times its length.
    The warming there is odd in depth, so two depths give the slope at the surface.
    """
    times = np.atleast_1d(time_s)
    long = [(0.0, -600.0, -5.0), (0.0, 600.0, -5.0)]
    gathered = []
    for depth in (0.02, 0.04):
        across = [(-250.0, 0.0, -depth), (250.0, 0.0, -depth)]
        h = spectrum([long, across], bore_radius_m=0.01, precision=precision).response(times, UNIT)[:, 1, 0]
        gathered.append(h * 500.0 / (2 * math.pi * depth))
    share = (4 * gathered[0] - gathered[1]) / 3
    return share if np.ndim(time_s) else float(share[0])


def surface_share_so_far(time_s: float, precision: Precision) -> float:
    """Share of all heat put in until now that has left through the surface."""
    x, w = np.polynomial.legendre.leggauss(40)
    return float(w / 2 @ surface_share((x + 1) / 2 * time_s, precision))


# -- the rows ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One number of the table: what gives it, from what, the figure as printed, and where that comes from."""

    row: int
    part: str
    of: Callable[..., float]
    given: dict[str, Any]
    expected: float
    tolerance: float
    source: str
    status: str
    precision: Precision = FINE

    def __str__(self) -> str:
        return f"row-{self.row}-{self.part}"


def over_time(
    row: int, of: Callable[..., float], given: dict[str, Any], values: dict[str, float], *where: Any, word: str = ""
) -> list[Row]:
    """Rows that differ in their time alone; where: tolerance, source, status and so on."""
    return [Row(row, word + t, of, {**given, "time_s": TIMES[t]}, value, *where) for t, value in values.items()]


AS = "Abramowitz and Stegun, tables of E1; scipy exp1"
CJ = "Carslaw and Jaeger 1959, E1 by scipy, less the image"
CASE_1, CASE_2, CASE_4 = (f"Incropera table 4.1 case {n}" for n in (1, 2, 4))
FLS = "finite line source by adaptive quadrature (facts/thermal section 1)"
BRUTE = "brute double quadrature of the erfc kernel"
NEUMANN = "Neumann's closed form of two straight filaments, and quadrature"
C4, C5 = (1e-4, FLS, "C"), (1e-5, FLS, "C")
TS = 100.0**2 / (9 * UNIT)
"""Eskilson's time of a bore of 100 m."""
ONE = {"paths": [upright(4)], "radius_m": 0.05}
STEERED = {"radius_m": 0.057, "alpha": 0.7e-6}
FAN = {"paths": fan(5, 12, 4, 64), **STEERED}

ROWS = [
    # 1: E1 as the kernel and as the cylinder's excess make it
    *(Row(1, f"kernel-{x:g}", exponential_integral, {"x": x}, e1, 1e-6, AS, "C", FINEST) for x, e1 in E1.items()),
    *(Row(1, f"excess-{x:g}", exponential_integral_of_excess, {"x": x}, e1, 1e-6, AS, "C") for x, e1 in E1.items()),
    # 2-4: an endless line, without and with the surface
    *over_time(2, endless, {}, {"6h": 1.32104}, 1e-4, CJ, "C"),
    *over_time(3, endless, {}, {"30d": 3.69434, "1y": 4.78636, "10y": 5.07716, "20y": 5.09639}, 1e-4, CJ, "C"),
    Row(4, "ln", wall_mean, {"depth_m": 5.0, "radius_m": 0.06}, 5.115996, 1e-5, CASE_2, "S"),
    Row(4, "acosh", wall_even, {"depth_m": 5.0, "radius_m": 0.06}, 5.115960, 1e-5, CASE_2, "S"),
    # 5-8: shape factors (formula and inputs of 5-7 seen, digits computed)
    Row(
        5,
        "acosh",
        shape,
        {"of": wall_even, "length_m": 5.0, "depth_m": 1.5, "radius_m": 0.5},
        17.8221,
        1e-3,
        CASE_2,
        "S",
    ),
    Row(
        5, "ln", shape, {"of": wall_mean, "length_m": 5.0, "depth_m": 1.5, "radius_m": 0.5}, 17.5336, 1e-3, CASE_2, "S"
    ),
    Row(6, "sphere", sphere, {"depth_m": 1.0, "radius_m": 0.5}, 8.37758, 1e-4, CASE_1, "S"),
    Row(
        7,
        "pair",
        two_cylinders,
        {"one_m": 0.1, "other_m": 0.25, "apart_m": 1.0, "length_m": 3.0},
        5.21731,
        1e-4,
        CASE_4,
        "S",
    ),
    Row(
        8,
        "row",
        cylinder_row,
        {"pitch_m": 0.5, "depth_m": 1.0, "radius_m": 0.05},
        0.482169,
        1e-5,
        "row of equal cylinders, Holman and Cengel (from memory); confirmed by a sum of images (C)",
        "M",
    ),
    # 9-10: an endless row of bores
    *over_time(
        9, endless_row, {"pitch_m": 4.572}, {"ever": 9.36686}, 1e-3, "formula of row 8; 4e5 images give 9.36683", "C"
    ),
    *over_time(10, endless_row, {"pitch_m": 4.572}, {"1y": 6.3088, "10y": 8.2899, "20y": 8.6003}, 2e-3, CJ, "C"),
    # 11-15: vertical bores of 100 m, by ln(t/ts)
    *(Row(11, f"ln{n}", pair, {**ONE, "time_s": TS * math.exp(n)}, h, *C4) for n, h in UPRIGHT.items()),
    *(Row(12, f"ln{n}", image, {**ONE, "time_s": TS * math.exp(n)}, h, *C5) for n, h in UPRIGHT_IMAGE.items()),
    *over_time(
        13, pair, {"paths": [upright(0)], "radius_m": 0.05}, {"ever": 6.60165}, 1e-4, "derived: ln(H/r) - 1", "C"
    ),
    Row(14, "ever", mid_height, {}, 7.051597, 1e-5, "derived: ln(H/r) - ln(3)/2", "C"),
    *(Row(15, n, field, {"paths": paths, "time_s": TS, "radius_m": 0.05}, h, 1e-3, FLS, "C") for n, paths, h in FIELDS),
    # 16-26: bores as they are steered
    *over_time(
        16,
        pair,
        {"paths": [level(60, 5)]},
        {"6h": 1.31916, "30d": 3.66505, "1y": 4.69488, "10y": 4.93765, "ever": 4.95726},
        *C4,
    ),
    *over_time(17, pair, {"paths": [LEG]}, {"30d": 3.58313, "1y": 4.29164, "10y": 4.38943, "ever": 4.39396}, *C4),
    *over_time(17, image, {"paths": [LEG]}, {"ever": 1.1113294}, 1e-6, NEUMANN, "C", word="image-"),
    *over_time(18, pair, {"paths": SKEW}, {"1y": 0.322775, "10y": 0.545595, "ever": 0.568958}, *C5),
    *over_time(18, real, {"paths": SKEW}, {"1y": 0.3788675}, 1e-6, BRUTE, "C", word="real-"),
    *over_time(19, real, {"paths": SKEW}, {"ever": 2.0073632}, 1e-6, NEUMANN, "C", word="real-"),
    *over_time(19, image, {"paths": SKEW}, {"ever": 1.4384047}, 1e-6, NEUMANN, "C", word="image-"),
    *over_time(20, heat_exchanged, {"paths": SKEW}, {"ever": 106.409184}, 1e-6, NEUMANN, "C", word="there-"),
    *over_time(20, heat_exchanged, {"paths": SKEW[::-1]}, {"ever": 106.409184}, 1e-6, NEUMANN, "C", word="back-"),
    *(Row(21, f"{a}deg", pair, {"paths": fan(2, a, 3, 63), "time_s": 10 * YEAR}, h, *C4) for a, h in FANS.items()),
    *(
        Row(22, f"{w:g}m-{t}", pair, {"paths": [level(60, 5), level(60, 5, w)], "time_s": TIMES[t]}, h, *C4)
        for (t, w), h in PARALLEL.items()
    ),
    *over_time(
        23, pair, {"paths": [BENT], **STEERED}, {"30d": 3.48365, "1y": 4.46594, "10y": 4.74663, "ever": 4.77520}, *C4
    ),
    *over_time(24, field, FAN, {"30d": 3.64807, "1y": 5.46353, "10y": 6.44797, "ever": 6.58617}, 5e-4, FLS, "C"),
    *over_time(25, row_sum, {"number": 2, **FAN}, {"10y": 6.75937}, 5e-4, FLS, "C", word="centre-"),
    *over_time(25, row_sum, {"number": 0, **FAN}, {"10y": 6.10444}, 5e-4, FLS, "C", word="outer-"),
    *over_time(26, pair, {"paths": [CUT]}, {"1y": 4.694876}, *C5),
    # 27-28: what leaves through the surface, of the rate and of all heat
    *over_time(
        27, surface_share, {}, {"30d": 0.028090, "1y": 0.529110, "10y": 0.842245}, 1e-6, "erfc(z/c)", "C", FINEST
    ),
    *over_time(28, surface_share_so_far, {}, {"1y": 0.326754, "10y": 0.719923}, 1e-6, "4 i2erfc(z/c)", "C", FINEST),
]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_as_printed(row: Row) -> None:
    found = row.of(precision=row.precision, **row.given)
    assert found == pytest.approx(row.expected, abs=row.tolerance), f"[{row.status}] {row.source}"


@pytest.mark.parametrize("row", [r for r in ROWS if r.of in (pair, image, real, field, row_sum)], ids=str)
def test_as_sampled_in_use(row: Row) -> None:
    """Bores of real lengths by the sampling that `response` uses: 1e-4, or what the row allows when that is more."""
    found = row.of(precision=USUAL, **row.given)
    assert found == pytest.approx(row.expected, abs=max(row.tolerance, 1e-4)), f"[{row.status}] {row.source}"
