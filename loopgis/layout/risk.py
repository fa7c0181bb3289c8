"""Crossing risk: the chance that the reamed hole and a thing in the ground touch, as a relative index.

Errors of place are Gaussian, those of the bore (`bore.locate`) and of the thing (half its tolerance by quality level) add as
variances. A thing of unknown depth is spread evenly over the range its kind is found at. None of it is a probability of damage:
there is no count of drilled metres behind it.

Near a place where they are straight, a bore and a line touch when the line, looked at along the bore, comes nearer to the bore's
axis than the sum of both radii. Looked at that way the bore is a point and a piece of line is a piece, shortened by the sine of the
angle between both: the chance is that of a 2-D Gaussian in a capsule round the piece. A long piece across the bore makes the
capsule a strip (`skew_contact`), a piece along the bore makes it a circle (`alongside_contact`).
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from loopgis.core.errors import RangeError
from loopgis.core.figures import finite, not_negative, positive

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

SPAN_M = 20.0
"""Length, either way from the place of contact, over which a line and a bore are taken as straight: house choice, no source."""
PER_METRE = 3 / 1609.344
"""Lines nobody mapped per drilled metre: 3 cross bores per mile of main, the worst published rate (anchors 4.9: trade page, S)."""
NOT_MARKED, MARKED_WRONGLY, FADED, NO_RESPONSE, NO_REQUEST = 0.1194, 0.0858, 0.0217, 0.0471, 0.2454
"""Shares of the damages reported for 2024 by their cause (anchors 4.6: CGA DIRT 2024 via trade press, S)."""
_FAR = 8.0
"""Standard deviations beyond which an end of a line makes no difference: 6e-16."""
_FLAT = 1e-9
"""Sine of the angle below which two directions are one."""
_RANGE_PANELS, _RANGE_NODES = 16, 8
"""Where an unknown depth is summed up."""
_LEVELS = 40
_TOLERANCE = 1e-12


def skew_contact(*, gap_m: ArrayLike, sigma_m: ArrayLike, reach_m: ArrayLike) -> Array:
    """Chance that two axes which cross in plan come nearer than the sum of both radii: P(|gap + error| < reach).

    gap_m: drawn distance of the axes along their common normal, with a sign; sigma_m: standard deviation of the error of that
    distance; reach_m: radius of the reamed hole and half the thing. Arrays go together as numpy has it. Closed form
    Phi((reach - gap) / sigma) - Phi((-reach - gap) / sigma), to 1e-13 of itself however small it is. Raises RangeError unless sigma
    and reach are positive.

    >>> round(float(skew_contact(gap_m=1.0, sigma_m=0.5, reach_m=0.25)), 6)
    0.060598
    """
    finite(gap_m=gap_m)
    positive(sigma_m=sigma_m, reach_m=reach_m)
    gap, sigma, reach = (np.asarray(v, dtype=float) for v in (gap_m, sigma_m, reach_m))
    return _within(gap / sigma, reach / sigma)


def skew_contact_range(*, low_m: ArrayLike, high_m: ArrayLike, sigma_m: ArrayLike, reach_m: ArrayLike) -> Array:
    """Chance of the event of `skew_contact` when the drawn gap itself lies anywhere between two figures, evenly.

    low_m, high_m: least and greatest gap along the common normal, with a sign; equal when it is known. Closed form by the integral
    of Phi; where its terms would cancel (a narrow range, a narrow reach) the same integral by Gauss-Legendre. Good to 1e-12 of
    itself.
    Raises RangeError when high is below low, or unless sigma and reach are positive.

    >>> round(float(skew_contact_range(low_m=-1.0, high_m=1.0, sigma_m=0.01, reach_m=0.1)), 6)
    0.1
    """
    finite(low_m=low_m, high_m=high_m)
    positive(sigma_m=sigma_m, reach_m=reach_m)
    low, high, sigma, reach = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (low_m, high_m, sigma_m, reach_m))
    )
    if bool(np.any(low > high)):
        raise RangeError("low_m", "is above high_m", "give the smaller gap first")
    flip = low + high < 0
    a, b, r = np.where(flip, -high, low) / sigma, np.where(flip, -low, high) / sigma, reach / sigma
    x, w = _nodes(16)
    steep = 1 + np.abs(a - r)
    thin, close = 2 * r * steep < 1, (b - a) * steep < 1
    middle, half = (a + b) / 2, (high - low) / sigma / 2
    wide = np.maximum(2 * half, 1e-300)
    closed = (_beyond(a - r) - _beyond(b - r) - _beyond(a + r) + _beyond(b + r)) / wide
    over_gap = np.zeros_like(closed)
    over_reach = np.zeros_like(closed)
    for node, weight in zip(x, w, strict=True):
        over_gap += weight / 2 * _within(middle + half * node, r)
        over_reach += weight * r / wide * _within(middle - r * node, half)
    out: Array = np.where(close, over_gap, np.where(thin, over_reach, np.maximum(closed, 0.0)))[()]
    return out


def alongside_contact(
    *, across_m: ArrayLike, gap_m: ArrayLike, sigma_across_m: ArrayLike, sigma_gap_m: ArrayLike, reach_m: ArrayLike
) -> Array:
    """Chance that two parallel axes come nearer than the sum of both radii: P((across + error)^2 + (gap + error)^2 < reach^2).

    across_m, gap_m: drawn distances sideways and in height, in the plane across the bore; sigma_across_m, sigma_gap_m: standard
    deviations of both, independent; reach_m: radius of the reamed hole and half the thing. It is the chance at one place: errors
    that change along the way are not followed. Gauss-Legendre over the height, halved until two steps agree to 1e-12 of the answer;
    some thousand Phi for each answer. Raises RangeError unless both deviations and the reach are positive.

    >>> round(float(alongside_contact(across_m=0, gap_m=0, sigma_across_m=0.5, sigma_gap_m=0.5, reach_m=0.5)), 6)
    0.393469
    """
    finite(across_m=across_m, gap_m=gap_m)
    positive(sigma_across_m=sigma_across_m, sigma_gap_m=sigma_gap_m, reach_m=reach_m)
    zero = 0.0
    return np.minimum(_capsule(across_m, gap_m, sigma_across_m, sigma_gap_m, zero, zero, zero, reach_m), 1.0)


def body_contact(
    *, beside_m: ArrayLike, under_m: ArrayLike, sigma_beside_m: ArrayLike, sigma_under_m: ArrayLike
) -> Array:
    """Chance that the hole enters a body that stands from the surface down to a bottom: a foundation, a pond, a tank.

    beside_m: from the side of the hole to the side of the body in plan, negative where the bore passes under it; under_m: from the
    body's bottom down to the crown of the hole, negative where the hole is drawn above the bottom; sigma_beside_m, sigma_under_m:
    standard deviations of both, independent. The event is that both are used up: Phi(-beside / sigma) Phi(-under / sigma). Only the
    near side of the body is looked at, and its bottom is level. Raises RangeError unless both deviations are positive.

    >>> round(float(body_contact(beside_m=-5.0, under_m=0.6, sigma_beside_m=0.4, sigma_under_m=0.3)), 6)
    0.02275
    """
    finite(beside_m=beside_m, under_m=under_m)
    positive(sigma_beside_m=sigma_beside_m, sigma_under_m=sigma_under_m)
    beside, under, wide, high = (np.asarray(v, dtype=float) for v in (beside_m, under_m, sigma_beside_m, sigma_under_m))
    return _above(beside / wide) * _above(under / high)


def line_contact(
    *,
    offset_m: ArrayLike,
    bore_direction: ArrayLike,
    line_direction: ArrayLike,
    bore_sigma_m: ArrayLike,
    line_sigma_m: ArrayLike,
    reach_m: ArrayLike,
    depth_range_m: ArrayLike | None = None,
    span_m: ArrayLike | None = None,
) -> Array:
    """Chance that a straight piece of line and the reamed hole touch, at any angle between both.

    offset_m: (..., 3) from a place on the bore's axis to a place on the line's axis, z up, best the places where they are nearest;
    bore_direction, line_direction: (..., 3), of any length; bore_sigma_m: (..., 2) sideways and in height (what the bore errs along
    itself does not matter); line_sigma_m: (..., 2) in every direction of the plan, and in height; reach_m: radius of the reamed
    hole and half the line; depth_range_m: (..., 2) least and greatest height of the line's place above the bore's, when the line
    may lie anywhere between (the z of `offset_m` is then not used); span_m: (..., 2) how far the line goes on from its place,
    against its direction and along it, 20 m both ways when not given. The bore is straight and goes on.

    The event: the distance of the bore's straight axis from the piece of line is below `reach_m`. With the common normal n of both
    directions and m across the bore and n, errors have the covariance C = C_bore + C_line seen in (m, n): C_bore is lateral^2
    across the bore in plan and vertical^2 in z, C_line is plan^2 in plan and vertical^2 in z. Where both ends of the piece lie 8
    standard deviations or more beyond the place of contact, it is `skew_contact` with gap = offset.n and variance n'Cn; otherwise
    the capsule round the piece is integrated, which between parallel axes is `alongside_contact`. So there is no angle at which one
    form takes over from another: at the change both differ by less than 1e-14. With 20 m either way and errors of 0.1 to 0.8 m,
    drawn to cross in plan, an endless line gives at most 3.5 % more at an angle of 5 degrees, 1.2 % at 6, 1e-6 at 12; the less the
    smaller the errors (tests/layout/test_risk.py measures it). With an unknown height the strip has its closed mean
    (`skew_contact_range`), the capsule is summed at 128 heights.

    Raises RangeError on a direction of no length, a bore that stands upright, or figures out of range.

    >>> crossed = {"bore_direction": [1, 0, 0], "line_direction": [0, 1, 0], "bore_sigma_m": [0.1, 0.08], "reach_m": 0.1}
    >>> round(float(line_contact(offset_m=[0, 0, 0.3], line_sigma_m=[0.3, 0.06], **crossed)), 6)
    0.022718
    """
    offset, bore, line = (_rows(v, 3, n) for n, v in (("offset_m", offset_m), ("bore_direction", bore_direction),
                                                       ("line_direction", line_direction)))  # fmt: skip
    bore_s, line_s = _rows(bore_sigma_m, 2, "bore_sigma_m"), _rows(line_sigma_m, 2, "line_sigma_m")
    positive(bore_sigma_m=bore_s, reach_m=reach_m)
    not_negative(line_sigma_m=line_s)
    span = _rows((SPAN_M, SPAN_M) if span_m is None else span_m, 2, "span_m")
    not_negative(span_m=span)
    heights = offset[..., 2:] + np.zeros(2) if depth_range_m is None else _rows(depth_range_m, 2, "depth_range_m")
    if bool(np.any(heights[..., 0] > heights[..., 1])):
        raise RangeError("depth_range_m", "goes from high to low", "give the lower height first")
    b, d = _unit(bore, "bore_direction"), _unit(line, "line_direction")
    shape = np.broadcast_shapes(
        *(v.shape[:-1] for v in (offset, b, d, bore_s, line_s, span, heights)), np.shape(reach_m)
    )
    reach = np.broadcast_to(np.asarray(reach_m, dtype=float), shape).ravel()
    offset, b, d = (np.broadcast_to(v, (*shape, 3)).reshape(-1, 3) for v in (offset, b, d))
    bore_s, line_s, span, heights = (
        np.broadcast_to(v, (*shape, 2)).reshape(-1, 2) for v in (bore_s, line_s, span, heights)
    )
    m, n, sine, var_m, cov, var_n = _seen_along(b, d, bore_s, line_s)
    sigma_n, slope = np.sqrt(var_n), cov / var_n
    sigma_m = np.sqrt(var_m - cov * slope)
    across = _dot(offset[:, :2], m[:, :2])[:, None] + heights * m[:, 2:]
    gap = _dot(offset[:, :2], n[:, :2])[:, None] + heights * n[:, 2:]
    back, ahead = sine * span[:, 0], sine * span[:, 1]

    # farthest the place of contact may lie off, either way, given that the gap is used up
    slid = np.abs(slope) * (np.abs(gap).max(axis=1) + reach) + _FAR * sigma_m
    strip = (across.max(axis=1) + slid < back) & (slid - across.min(axis=1) < ahead)
    out = np.empty(len(reach))
    if strip.any():
        low, high = gap.min(axis=1), gap.max(axis=1)
        out[strip] = skew_contact_range(
            low_m=low[strip], high_m=high[strip], sigma_m=sigma_n[strip], reach_m=reach[strip]
        )
    rest = ~strip
    if rest.any():
        known = bool(np.all(heights[rest, 0] == heights[rest, 1]))
        share, weight = (np.array([0.0]), np.array([1.0])) if known else _panels(_RANGE_PANELS, _RANGE_NODES)
        chance = _capsule(
            *(v[rest, :1] + (v[rest, 1:] - v[rest, :1]) * share for v in (across, gap)),
            *(v[rest, None] for v in (sigma_m, sigma_n, slope, back, ahead, reach)),
        )
        out[rest] = chance @ weight
    return np.minimum(out, 1.0).reshape(shape)[()]  # the sums are good to 1e-12


def combined_index(chances: ArrayLike, weights: ArrayLike) -> float:
    """Index of several contacts: 1 - product of (1 - chance)^weight; 0 without any.

    chances: 0..1; weights: how much each counts, 0 or more, one for each chance or one for all. A weight of 3 counts as three
    contacts of that chance. Added up as logarithms, so that the smallest chances keep all their digits. Raises RangeError on other
    figures.

    >>> round(combined_index([0.1, 0.2], [1, 1]), 6), combined_index([], [])
    (0.28, 0.0)
    """
    p, w = np.asarray(chances, dtype=float), np.asarray(weights, dtype=float)
    if w.shape not in {(), p.shape}:
        raise RangeError("weights", f"has shape {w.shape} for {p.size} chances", "give one weight for each")
    if p.size == 0:
        return 0.0
    not_negative(chances=p, weights=w)
    if bool(np.any(p > 1)):
        raise RangeError("chances", f"{p.max():g} is above 1", "give chances between 0 and 1")
    with np.errstate(divide="ignore"):
        stays = np.log1p(-p)
    return float(-np.expm1(np.sum(np.where(w > 0, w, 1.0) * np.where(w > 0, stays, 0.0))))


def unmapped_share(*, ticket: bool, answers_in: bool) -> float:
    """Share of the damages of 2024 by causes that the state of the ticket leaves open: marks absent or wrong, nobody asked.

    ticket: a ticket was called in; answers_in: every owner has answered it (without a ticket nobody can). Not marked, marked
    wrongly, faded always count; no response unless the answers are in; no locate request unless a ticket was called in. With a
    ticket that is not answered these are the printed 27.4 %. Source: anchors 4.6 (CGA DIRT 2024 via trade press, S).

    >>> round(unmapped_share(ticket=True, answers_in=False), 4)
    0.274
    """
    share = NOT_MARKED + MARKED_WRONGLY + FADED
    share += 0.0 if ticket and answers_in else NO_RESPONSE
    return share + (0.0 if ticket else NO_REQUEST)


def unmapped_index(*, shallow_m: float, ticket: bool, answers_in: bool, rate_per_m: float = PER_METRE) -> float:
    """Floor of the crossing index for lines that nobody mapped: 1 - exp(-rate shallow share).

    shallow_m: drilled metres within the depths where lines usually lie; ticket, answers_in: see `unmapped_share`; rate_per_m: lines
    met per metre if nothing at all were marked, 3 per mile: the worst published rate of cross bores, in dense old areas, and not a
    typical one (anchors 4.9: inspection trade page, S). It is a relative index: the shares are shares of damages, and there is no
    count of drilled metres behind them. Raises RangeError on negative figures.

    >>> round(unmapped_index(shallow_m=30.0, ticket=True, answers_in=True), 4)
    0.0126
    """
    not_negative(shallow_m=shallow_m, rate_per_m=rate_per_m)
    return -math.expm1(-rate_per_m * shallow_m * unmapped_share(ticket=ticket, answers_in=answers_in))


# ------------------------------------------------------------------ the normal law, kept exact in its tails


def _above(x: Array) -> Array:
    """Chance that a standard normal figure is above x."""
    from scipy.special import erfc  # noqa: PLC0415

    return np.asarray(0.5 * erfc(x / math.sqrt(2)))[()]


def _density(x: Array) -> Array:
    return np.asarray(np.exp(-x * x / 2) / math.sqrt(2 * math.pi))


def _beyond(x: Array) -> Array:
    """Integral of `_above` from x on: phi(x) - x (1 - Phi(x)), by a scaled erfc where both nearly cancel."""
    from scipy.special import erfcx  # noqa: PLC0415

    far = np.maximum(x, 0.0)
    scaled = _density(far) * (1 - far * math.sqrt(math.pi / 2) * erfcx(far / math.sqrt(2)))
    return np.where(x > 0, scaled, _density(x) - x * _above(x))


def _within(middle: Array, half: Array) -> Array:
    """Chance that a standard normal figure is nearer to `middle` than `half`, exact in both tails and for a small half."""
    from scipy.special import erf, erfc  # noqa: PLC0415

    root = math.sqrt(0.5)
    middle, half = np.broadcast_arrays(np.abs(middle), half)
    low, high = middle - half, middle + half
    out = np.asarray(
        np.where(
            low > 0,
            erfc(np.maximum(low, 0.0) * root) - erfc(high * root),
            erf(high * root) - erf(np.minimum(low, 0.0) * root),
        )
        / 2
    )
    near = half * (1 + middle) < 0.15  # both terms are alike there: the density is summed up instead
    if near.any():
        x, w = _nodes(6)
        out[near] = half[near] * (_density(middle[near][..., None] + half[near][..., None] * x) @ w)
    return out[()]


@cache
def _nodes(order: int) -> tuple[Array, Array]:
    """Gauss-Legendre on -1..1."""
    x, w = np.polynomial.legendre.leggauss(order)
    return x, w


def _panels(count: int, order: int) -> tuple[Array, Array]:
    """Nodes and weights of a mean over 0..1: Gauss-Legendre in equal panels."""
    x, w = _nodes(order)
    return ((np.arange(count)[:, None] + (x + 1) / 2) / count).ravel(), np.tile(w / 2 / count, count)


# ------------------------------------------------------------------ a 2-D Gaussian in a capsule


def _capsule(*given: ArrayLike) -> Array:
    """Chance that a 2-D Gaussian falls within `reach` of a level piece of line, looked at from a point of it.

    given: across, gap (means), sigma_across (of across when the error of gap is known), sigma_gap, slope (by how much across errs
    per error of gap), back, ahead (how far the piece goes on either way), reach. Over gap = reach sin(t), where across must lie
    between -ahead - reach cos(t) and back + reach cos(t); panels in t are halved until halves and whole agree.
    """
    spread = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in given))
    table = np.stack([v.ravel() for v in spread])
    lo, hi, item = _first_panels(table)
    x, w = _nodes(12)

    def summed(i: NDArray[np.int_], p: Array, q: Array) -> Array:
        across, gap, s_across, s_gap, slope, back, ahead, reach = (v[i][:, None] for v in table)
        t = ((p + q) / 2)[:, None] + ((q - p) / 2)[:, None] * x
        height, half = reach * np.sin(t), reach * np.cos(t)
        mean = across + slope * (height - gap)
        chance = _within(((back - ahead) / 2 - mean) / s_across, ((back + ahead) / 2 + half) / s_across)
        return np.asarray(((chance * _density((height - gap) / s_gap) * half / s_gap) @ w) * (q - p) / 2)

    done = np.zeros(table.shape[1])
    whole = summed(item, lo, hi)
    for level in range(_LEVELS):
        mid = (lo + hi) / 2
        left, right = summed(item, lo, mid), summed(item, mid, hi)
        both = left + right
        total = done + np.bincount(item, both, len(done))
        open_ = np.abs(both - whole) > _TOLERANCE * total[item]
        if level == _LEVELS - 1 or not open_.any():
            return total.reshape(spread[0].shape)[()]
        done += np.bincount(item[~open_], both[~open_], len(done))
        item, lo, mid, hi = item[open_], lo[open_], mid[open_], hi[open_]
        whole = np.concatenate([left[open_], right[open_]])
        item, lo, hi = np.tile(item, 2), np.concatenate([lo, mid]), np.concatenate([mid, hi])
    return done.reshape(spread[0].shape)[()]


def _first_panels(table: Array) -> tuple[Array, Array, NDArray[np.int_]]:
    """Panels in t to begin with, so that no narrow peak is missed: by the errors, and finer towards both ends and the middle."""
    across, gap, s_across, s_gap, _, back, ahead, reach = table[:, :, None]
    peak = gap + s_gap * np.array([-8.0, -4, -2, -1, 0, 1, 2, 4, 8])
    half = np.concatenate(
        [v + s_across * np.array([-6.0, -2, 0, 2, 6]) for v in (across - back, -across - ahead)], axis=1
    )
    edge = np.sqrt(np.maximum(reach**2 - half**2, 0.0))
    t = np.arcsin(np.clip(np.concatenate([peak, edge, -edge], axis=1) / reach, -1, 1))
    right = math.pi / 2
    fine = np.array([0.003, 0.03, 0.3, 0.9])
    always = np.concatenate([[0.0, -right, right], fine[:3], -fine[:3], right - fine, fine - right])
    cuts = np.sort(np.concatenate([t, np.broadcast_to(always, (t.shape[0], always.size))], axis=1), axis=1)
    item, k = np.nonzero(np.diff(cuts, axis=1) > 1e-12)
    return cuts[item, k], cuts[item, k + 1], item


# ------------------------------------------------------------------ directions


def _rows(value: ArrayLike, width: int, name: str) -> Array:
    got = np.asarray(value, dtype=float)
    if got.ndim == 0 or got.shape[-1] != width:
        raise RangeError(name, f"has shape {got.shape}", f"give {width} figures for each place")
    finite(**{name: got})
    return got


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", a, b))


def _unit(v: Array, name: str) -> Array:
    long = np.linalg.norm(v, axis=-1, keepdims=True)
    if bool(np.any(long <= 0)):
        raise RangeError(name, "has no length", "give a direction")
    return np.asarray(v / long)


def _seen_along(b: Array, d: Array, bore_s: Array, line_s: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Axes m and n across the bore, the sine of the angle of both directions, and the covariance of errors (mm, mn, nn).

    The line points along +m. Of two parallel directions m is sideways and n up.
    """
    side = np.stack([-b[:, 1], b[:, 0], np.zeros(len(b))], axis=1)
    flat = np.linalg.norm(side, axis=1, keepdims=True)
    if bool(np.any(flat < _FLAT)):
        raise RangeError("bore_direction", "stands upright", "sideways has no meaning there")
    side /= flat
    up = np.cross(b, side)
    normal = np.cross(b, d)
    sine = np.linalg.norm(normal, axis=1)
    skew = (sine > _FLAT)[:, None]
    n = np.where(skew, normal / np.maximum(sine, _FLAT)[:, None], up)
    m = np.where(skew, np.cross(n, b), side)

    def shared(p: Array, q: Array) -> Array:
        level = line_s[:, 0] ** 2 * _dot(p[:, :2], q[:, :2])
        high = (bore_s[:, 1] ** 2 + line_s[:, 1] ** 2) * p[:, 2] * q[:, 2]
        return level + high + bore_s[:, 0] ** 2 * _dot(p, side) * _dot(q, side)

    return m, n, np.where(skew[:, 0], sine, 0.0), shared(m, m), shared(m, n), shared(n, n)
