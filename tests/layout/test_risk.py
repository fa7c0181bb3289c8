"""Chances of contact: against a million draws with the real geometry, against scipy, and at their limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopgis.core.errors import RangeError
from loopgis.layout import risk
from loopgis.layout.risk import (
    alongside_contact,
    body_contact,
    combined_index,
    line_contact,
    skew_contact,
    skew_contact_range,
    unmapped_index,
    unmapped_share,
)

DRAWS = 1_000_000
CHUNK = 50_000
unit = st.floats(0.0, 1.0, allow_nan=False)


def composite(low, high, panels=200, order=20):
    """Nodes and weights of a mean between two figures, Gauss-Legendre in panels."""
    x, w = np.polynomial.legendre.leggauss(order)
    at = ((np.arange(panels)[:, None] + (x + 1) / 2) / panels).ravel()
    return low + (high - low) * at, np.tile(w / 2 / panels, panels)


# a million draws for each of 50 crossings ---------------------------------------------------


def heading(degrees, pitch):
    a, p = math.radians(degrees), math.atan(pitch)
    return np.array([math.sin(a) * math.cos(p), math.cos(a) * math.cos(p), math.sin(p)])


def cases():
    """50 crossings: 20 with a known depth, 17 without, 7 alongside, 2 lines that end near the bore, 4 bodies."""
    rng = np.random.default_rng(2024)
    made = []
    for k in range(46):
        way, angle = rng.uniform(0, 360), rng.uniform(20, 90) * rng.choice([-1, 1])
        pitch = rng.uniform(-0.35, 0.35)
        bore, line = heading(way, pitch), heading(way + angle, rng.uniform(-0.03, 0.03))
        bore_sigma, line_sigma = rng.uniform([0.03, 0.03], [0.5, 0.2]), rng.uniform([0.02, 0.02], [0.75, 0.3])
        reach, gap = rng.uniform(0.08, 0.3), rng.uniform(-0.2, 1.5)
        normal = np.cross(bore, line)
        normal *= np.sign(normal[2]) / np.linalg.norm(normal)
        case = {
            "offset_m": gap * normal + rng.uniform(-1, 1) * bore + rng.uniform(-1, 1) * line,
            "bore_direction": bore,
            "line_direction": line,
            "bore_sigma_m": bore_sigma,
            "line_sigma_m": line_sigma,
            "reach_m": reach,
        }
        kind = "skew" if k < 20 else "range" if k < 37 else "along" if k < 44 else "end"
        if kind == "range":
            low = rng.uniform(-0.6, 0.2)
            case["depth_range_m"] = np.array([low, low + rng.uniform(0.3, 1.5)])
            case["line_sigma_m"] = np.array([line_sigma[0], 0.0])
        elif kind == "along":
            case["line_direction"] = rng.choice([-1, 1]) * bore
            case["offset_m"] = np.array([*rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.4, 0.4)])
        elif (
            kind == "end"
        ):  # a steep line and errors of unlike size, so that those across and along the normal go together
            line = heading(way + angle, rng.uniform(0.4, 0.9))
            case["line_direction"], case["span_m"] = line, np.array([0.0, rng.uniform(1.0, 3.0)])
            case["offset_m"] = rng.uniform(-0.2, 0.2, 3) + 0.2 * line
            case["bore_sigma_m"], case["line_sigma_m"] = np.array([0.4, 0.05]), np.array([0.05, 0.03])
        made.append((kind, case))
    for _ in range(4):
        body = {
            "beside_m": rng.uniform(-3.0, 0.4),
            "under_m": rng.uniform(-0.1, 0.6),
            "sigma_beside_m": rng.uniform(0.1, 0.8),
            "sigma_under_m": rng.uniform(0.1, 0.4),
        }
        made.append(("body", body))
    return made


def touched(kind, case, e):
    """Count of draws that touch. e: (7, n) standard normal figures; the last one makes the even spread of an unknown depth."""
    from scipy.special import ndtr

    if kind == "body":
        beside = case["beside_m"] + case["sigma_beside_m"] * e[0]
        return int(np.sum((beside < 0) & (case["under_m"] + case["sigma_under_m"] * e[1] < 0)))
    b, d = case["bore_direction"], case["line_direction"]
    side = np.array([-b[1], b[0], 0.0]) / math.hypot(b[0], b[1])
    lateral, vertical = case["bore_sigma_m"]
    plan, height = case["line_sigma_m"]
    at_bore = lateral * e[0] * side[:, None] + np.array([0.0, 0.0, vertical])[:, None] * e[1]
    at_bore += 0.3 * b[:, None] * e[5]  # along the bore: must not matter
    apart = case["offset_m"][:, None] + np.stack([plan * e[2], plan * e[3], height * e[4]]) - at_bore
    if "depth_range_m" in case:
        low, high = case["depth_range_m"]
        apart[2] += low + (high - low) * ndtr(e[6]) - case["offset_m"][2]
    if kind == "along":  # distance of parallel lines: what is left when the part along them is taken away
        apart -= b[:, None] * (b @ apart)
        square = np.sum(apart**2, axis=0)
    elif kind == "end":  # foot of the line's point nearest to the bore's axis, kept on the piece
        flat = apart - b[:, None] * (b @ apart)
        seen = d - b * (b @ d)
        t = np.clip(-(seen @ flat) / (seen @ seen), -case["span_m"][0], case["span_m"][1])
        square = np.sum((flat + t * seen[:, None]) ** 2, axis=0)
    else:  # distance of two endless lines
        normal = np.cross(b, d)
        square = (normal @ apart) ** 2 / (normal @ normal)
    return int(np.sum(square < case["reach_m"] ** 2))


def test_closed_forms_against_a_million_draws_each():
    made = cases()
    hits = np.zeros(len(made))
    rng = np.random.default_rng(19)
    for _ in range(DRAWS // CHUNK):
        e = rng.standard_normal((7, CHUNK))
        hits += [touched(kind, case, e) for kind, case in made]
    drawn = hits / DRAWS
    told = np.array([float((body_contact if kind == "body" else line_contact)(**case)) for kind, case in made])
    error = np.sqrt(told * (1 - told) / DRAWS)
    off = np.abs(drawn - told) / np.maximum(3 * error, 3 / DRAWS)
    assert off.max() <= 1, [(made[i][0], drawn[i], told[i]) for i in np.flatnonzero(off > 1)]
    telling = (told > 1e-3) & (told < 0.99)
    assert telling.sum() >= 40
    for kind in ("skew", "range", "along", "end", "body"):
        assert any(t for t, (k, _) in zip(telling, made, strict=True) if k == kind), kind
    # a standard error is about 0.2 % of the answer here: the test can tell forms that are off by a percent
    assert np.median(error[telling] / told[telling]) < 0.003


# one gap ------------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(unit, unit, unit)
def test_one_gap_is_the_difference_of_two_phi(a, b, c):
    from scipy.stats import norm

    gap, sigma, reach = 4 * a - 2, 0.05 + b, 0.05 + 0.5 * c
    told = float(skew_contact(gap_m=gap, sigma_m=sigma, reach_m=reach))
    assert told == pytest.approx(
        norm.cdf((reach - gap) / sigma) - norm.cdf((-reach - gap) / sigma), abs=1e-15, rel=1e-9
    )
    assert told == skew_contact(gap_m=-gap, sigma_m=sigma, reach_m=reach)
    assert 0 <= told <= 1
    assert skew_contact(gap_m=abs(gap) + 0.1, sigma_m=sigma, reach_m=reach) < told or told < 1e-300
    assert skew_contact(gap_m=gap, sigma_m=sigma, reach_m=reach + 0.1) >= told
    if abs(gap) < reach:  # drawn to touch: the better it is known the surer
        assert skew_contact(gap_m=gap, sigma_m=sigma / 2, reach_m=reach) >= told
    elif abs(gap) > reach + 1.5 * sigma:  # drawn well clear: the worse it is known the likelier
        assert skew_contact(gap_m=gap, sigma_m=sigma * 1.1, reach_m=reach) >= told


@pytest.mark.parametrize("far", [5.0, 8.0, 15.0, 25.0, 36.0])
@pytest.mark.parametrize("reach", [0.1, 1e-3, 1e-8])
def test_far_tails_keep_their_digits(far, reach):
    """Against logarithms of the normal law (scipy), and for a reach of next to nothing the density times the width."""
    from scipy.special import log_ndtr

    told = float(skew_contact(gap_m=far + reach, sigma_m=1.0, reach_m=reach))
    assert told > 0
    if reach == 0.1:
        near, past = log_ndtr(-far), log_ndtr(-far - 2 * reach)
        assert math.log(told) == pytest.approx(near + math.log1p(-math.exp(past - near)), abs=1e-12)
    else:
        middle = -((far + reach) ** 2) / 2 + math.log(2 * reach / math.sqrt(2 * math.pi))
        bent = ((far + reach) ** 2 - 1) * reach**2 / 6  # second term of the series
        assert math.log(told) == pytest.approx(middle + bent, abs=1e-11 + 2 * (far * reach) ** 4)


def test_no_reach_no_contact_and_no_knowledge_no_contact():
    for form in (
        lambda s, r: skew_contact(gap_m=0.1, sigma_m=s, reach_m=r),
        lambda s, r: skew_contact_range(low_m=-0.3, high_m=0.8, sigma_m=s, reach_m=r),
    ):
        assert form(0.1, 1e-9) == pytest.approx(1e3 * form(0.1, 1e-12), rel=1e-12)
        assert form(1e7, 0.2) == pytest.approx(0.4 / (1e7 * math.sqrt(2 * math.pi)), rel=1e-10)
    narrow = alongside_contact(across_m=0.1, gap_m=0, sigma_across_m=0.1, sigma_gap_m=0.2, reach_m=1e-7)
    assert narrow == pytest.approx(math.pi * 1e-14 * math.exp(-0.5) / (2 * math.pi * 0.02), rel=1e-10)
    vague = alongside_contact(across_m=0.1, gap_m=0, sigma_across_m=1e5, sigma_gap_m=1e4, reach_m=0.2)
    assert vague == pytest.approx(0.04 / (2 * 1e9), rel=1e-8)
    for gap, expected in ((0.15, 1.0), (0.25, 0.0)):
        assert skew_contact(gap_m=gap, sigma_m=1e-5, reach_m=0.2) == expected
        sharp = alongside_contact(across_m=0.0, gap_m=gap, sigma_across_m=1e-5, sigma_gap_m=1e-4, reach_m=0.2)
        assert sharp == pytest.approx(expected, abs=1e-12)
        on_edge = alongside_contact(across_m=0.2, gap_m=0.0, sigma_across_m=1e-4, sigma_gap_m=1e-4, reach_m=0.2)
        assert on_edge == pytest.approx(0.5, abs=2e-4)


# a range of gaps ----------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(unit, unit, unit, unit)
def test_a_range_is_the_mean_of_its_gaps(a, b, c, d):
    """From a range of a micrometre to 3 m, a reach of 0.1 mm to a metre, an error of 2 cm to 2 m; tails down to 1e-200."""
    low, wide = 4 * a - 2, 10 ** (6.5 * b - 6)
    sigma, reach = 10 ** (2 * c - 1.7), 10 ** (4 * d - 4)
    at, w = composite(low, low + wide)
    mean = float(w @ skew_contact(gap_m=at, sigma_m=sigma, reach_m=reach))
    told = float(skew_contact_range(low_m=low, high_m=low + wide, sigma_m=sigma, reach_m=reach))
    assert told == pytest.approx(mean, rel=2e-11, abs=1e-200)
    turned = skew_contact_range(low_m=-low - wide, high_m=-low, sigma_m=sigma, reach_m=reach)
    assert told == pytest.approx(float(turned), rel=1e-11, abs=1e-200)
    at_one = skew_contact_range(low_m=low, high_m=low, sigma_m=sigma, reach_m=reach)
    assert at_one == pytest.approx(float(skew_contact(gap_m=low, sigma_m=sigma, reach_m=reach)), rel=1e-12, abs=1e-200)


# alongside ----------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(unit, unit, unit, unit)
def test_alongside_with_one_error_is_the_noncentral_chi_square(a, b, c, d):
    """Errors of 1 mm to 3 m, a reach of 1 cm to 2 m."""
    from scipy.stats import ncx2

    sigma, reach, turn = 10 ** (3.5 * a - 3), 10 ** (2.3 * b - 2), 2 * math.pi * d
    away = c * (reach + 4 * sigma)
    told = alongside_contact(
        across_m=away * math.cos(turn),
        gap_m=away * math.sin(turn),
        sigma_across_m=sigma,
        sigma_gap_m=sigma,
        reach_m=reach,
    )
    assert told == pytest.approx(ncx2.cdf((reach / sigma) ** 2, 2, (away / sigma) ** 2), rel=1e-9, abs=1e-15)


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit, unit, unit)
def test_alongside_does_not_mind_which_axis_is_which(a, b, c, d, e):
    wide, high, reach = 10 ** (3 * a - 2.5), 10 ** (3 * b - 2.5), 0.05 + e
    across, gap = (2 * c - 1) * (reach + 4 * wide), (2 * d - 1) * (reach + 4 * high)
    one, other, mirrored = (
        alongside_contact(across_m=x, gap_m=y, sigma_across_m=sx, sigma_gap_m=sy, reach_m=reach)
        for x, y, sx, sy in ((across, gap, wide, high), (gap, across, high, wide), (-across, -gap, wide, high))
    )
    assert one == pytest.approx(other, rel=1e-9, abs=1e-200)
    assert one == pytest.approx(mirrored, rel=1e-10, abs=1e-200)


def test_alongside_lies_between_the_squares_in_and_round_its_circle():
    """scipy's bivariate normal law on squares cut to strips that fill the circle from inside and cover it from outside."""
    from scipy.stats import multivariate_normal

    law = multivariate_normal([0.15, 0.3], np.diag([0.2**2, 0.1**2]))
    edges = np.linspace(-0.4, 0.4, 401)
    half = np.sqrt(np.maximum(0.16 - edges**2, 0.0))
    inner, outer = np.minimum(half[1:], half[:-1]), np.maximum(half[1:], half[:-1])

    def strips(h):
        return float(
            sum(law.cdf([q, y], lower_limit=[p, -y]) for p, q, y in zip(edges[:-1], edges[1:], h, strict=True) if y > 0)
        )

    told = alongside_contact(across_m=0.15, gap_m=0.3, sigma_across_m=0.2, sigma_gap_m=0.1, reach_m=0.4)
    low, high = strips(inner), strips(outer)
    assert low < told < high
    assert high - low < 0.01
    # errors of bore and line add
    turned = line_contact(
        offset_m=[0.0, 0.1, 0.2],
        bore_direction=[1, 0, 0],
        line_direction=[1, 0, 0],
        bore_sigma_m=[0.2, 0.1],
        line_sigma_m=[0.1, 0.05],
        reach_m=0.15,
    )
    assert turned == pytest.approx(
        float(
            alongside_contact(
                across_m=0.1, gap_m=0.2, sigma_across_m=math.hypot(0.2, 0.1),
                sigma_gap_m=math.hypot(0.1, 0.05), reach_m=0.15,
            )
        ),
        rel=1e-12,
    )  # fmt: skip


# a line at any angle ------------------------------------------------------------------------

LEVEL = {"bore_direction": [1.0, 0.0, 0.0], "reach_m": 0.1}


def at_angle(degrees, gap, bore, plan, **more):
    a = math.radians(degrees)
    given = {
        "offset_m": [0.0, 0.0, gap],
        "line_direction": [math.cos(a), math.sin(a), 0.0],
        "bore_sigma_m": bore,
        "line_sigma_m": [plan, min(plan, 0.3)],
    }
    return float(line_contact(**{**LEVEL, **given, **more}))


def test_a_short_angle_is_an_endless_line_to_what_is_told():
    """The figures in the docstring of `line_contact`: how much more an endless line would give."""
    most = {}
    for degrees in (5.0, 6.0, 12.0):
        for plan in (0.1, 0.3, 0.5, 0.8):
            bore = (0.1, 0.1) if plan < 0.3 else (0.3, 0.12)
            for gap in (0.0, 0.2, 0.5, 1.0):
                piece = at_angle(degrees, gap, bore, plan)
                endless = at_angle(degrees, gap, bore, plan, span_m=[1e4, 1e4])
                closed = skew_contact(gap_m=gap, sigma_m=math.hypot(bore[1], min(plan, 0.3)), reach_m=0.1)
                assert endless == pytest.approx(float(closed), rel=1e-12)
                assert piece <= endless * (1 + 1e-12)
                most[degrees] = max(most.get(degrees, 0.0), endless / piece - 1)
    assert 0.03 < most[5.0] < 0.035
    assert 0.01 < most[6.0] < 0.012
    assert most[12.0] < 1e-6


@pytest.mark.parametrize("unknown", [None, [-0.4, 0.9]])
def test_strip_and_capsule_are_one_where_they_change(unknown):
    """The same crossing with ends just within and far beyond 8 standard deviations: quadrature, and closed form."""
    far = risk._FAR * math.hypot(0.2, 0.4) / math.sin(math.radians(40))
    for pitch in (0.0, 0.2):
        given = {"bore_direction": heading(90, pitch), "depth_range_m": unknown}
        two = [at_angle(40, 0.3, (0.2, 0.1), 0.4, span_m=[k * far] * 2, **given) for k in (0.9, 3.0)]
        assert two[0] != two[1]
        assert two[0] == pytest.approx(two[1], rel=1e-8 if unknown else 1e-11)


def test_turning_a_line_into_the_bore_has_no_jump():
    angles = np.array([0.0, 1e-10, 1e-8, 1e-6, 1e-4, 1e-3])
    chances = [at_angle(math.degrees(a), 0.2, (0.2, 0.1), 0.3, offset_m=[0.0, 0.3, 0.2]) for a in angles]
    # a piece of 40 m adds 40 m times the sine times the width of the hole to the circle
    grown = 1 + 40 * np.sin(angles) * 0.2 / (math.pi * 0.01)
    assert chances == pytest.approx(chances[0] * grown, rel=2e-2)
    assert chances[:4] == pytest.approx(chances[0] * grown[:4], rel=1e-5)
    beside = alongside_contact(
        across_m=0.3, gap_m=0.2, sigma_across_m=math.hypot(0.2, 0.3), sigma_gap_m=math.hypot(0.1, 0.3), reach_m=0.1
    )
    assert chances[0] == pytest.approx(float(beside), rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(unit, unit, unit, unit, unit)
def test_only_what_is_seen_along_the_bore_counts(a, b, c, d, e):
    """Turning everything, other places on both axes, lines named from their other end, longer arrows: the same figure."""
    way, angle, pitch = 360 * a, 15 + 75 * b, 0.35 * (2 * c - 1)
    bore, line = heading(way, pitch), heading(way + angle, 0.02)
    given = {
        "offset_m": np.array([0.1, -0.2, 0.4 * d]),
        "bore_direction": bore,
        "line_direction": line,
        "bore_sigma_m": [0.05 + 0.2 * e, 0.1],
        "line_sigma_m": [0.3, 0.1],
        "reach_m": 0.15,
    }
    told = float(line_contact(**given))

    def again(**more):
        return float(line_contact(**{**given, **more}))

    assert again(offset_m=given["offset_m"] + 0.7 * bore) == pytest.approx(told, rel=1e-9)
    assert again(offset_m=given["offset_m"] + 0.3 * line) == pytest.approx(told, rel=1e-4)
    assert again(bore_direction=-3 * bore, line_direction=2 * line) == pytest.approx(told, rel=1e-9)
    assert again(line_direction=-line) == pytest.approx(told, rel=1e-9)
    assert again(offset_m=-given["offset_m"]) == pytest.approx(told, rel=1e-9)
    turn = np.array([[0.6, -0.8, 0.0], [0.8, 0.6, 0.0], [0.0, 0.0, 1.0]])
    turned = {k: turn @ given[k] for k in ("offset_m", "bore_direction", "line_direction")}
    assert again(**turned) == pytest.approx(told, rel=1e-9)
    ends = {"span_m": [0.5, 2.0]}
    assert again(**ends) < told
    assert again(**ends) == pytest.approx(again(line_direction=-line, span_m=[2.0, 0.5]), rel=1e-9)


def test_a_line_that_ends_before_the_bore_is_not_met_there():
    """A line across the bore that ends 2 m short of it: an endless one is met, this one is not; one that ends on it is half met."""
    across = {"offset_m": [0.0, 2.0, 0.0], "line_direction": [0.0, 1.0, 0.0]}
    assert at_angle(90, 0.0, (0.1, 0.1), 0.2, **across) > 0.3
    assert at_angle(90, 0.0, (0.1, 0.1), 0.2, **across, span_m=[0.0, 30.0]) < 1e-12
    half = at_angle(90, 0.0, (0.1, 0.1), 0.2, span_m=[0.0, 30.0])
    assert 0.5 < half / at_angle(90, 0.0, (0.1, 0.1), 0.2) < 0.65


def test_an_unknown_height_is_the_mean_over_its_range():
    """At every angle, known heights summed up by the trapezium rule."""
    heights = np.linspace(-0.4, 0.9, 2001)
    for degrees in (0.0, 3.0, 15.0, 60.0):
        told = at_angle(degrees, 7.0, (0.2, 0.08), 0.0, depth_range_m=[-0.4, 0.9])
        a = math.radians(degrees)
        each = line_contact(
            offset_m=np.stack([0 * heights, 0 * heights, heights], axis=1),
            line_direction=[math.cos(a), math.sin(a), 0.0],
            bore_sigma_m=[0.2, 0.08],
            line_sigma_m=[0.0, 0.0],
            **LEVEL,
        )
        mean = float(np.trapezoid(each, heights)) / 1.3
        assert told == pytest.approx(mean, rel=1e-6)


def test_arrays_and_single_places_give_the_same():
    rng = np.random.default_rng(5)
    many = {
        "offset_m": rng.uniform(-0.4, 0.4, (4, 3, 3)),
        "bore_direction": rng.uniform(0.1, 1, (4, 3, 3)),
        "line_direction": rng.uniform(-1, 1, (3, 3)),
        "bore_sigma_m": rng.uniform(0.05, 0.3, (4, 3, 2)),
        "line_sigma_m": rng.uniform(0.0, 0.3, (4, 1, 2)),
        "reach_m": rng.uniform(0.1, 0.3, (4, 3)),
        "depth_range_m": np.sort(rng.uniform(-0.5, 0.5, (3, 2)), axis=-1),
    }
    many["line_direction"][0] = [1.0, 0.0, 0.0]
    many["bore_direction"][1, 0] = [1.0, 0.0, 0.0]
    told = line_contact(**many)
    assert told.shape == (4, 3)
    for i in range(4):
        for j in range(3):
            one = line_contact(
                offset_m=many["offset_m"][i, j],
                bore_direction=many["bore_direction"][i, j],
                line_direction=many["line_direction"][j],
                bore_sigma_m=many["bore_sigma_m"][i, j],
                line_sigma_m=many["line_sigma_m"][i, 0],
                reach_m=many["reach_m"][i, j],
                depth_range_m=many["depth_range_m"][j],
            )
            assert np.ndim(one) == 0
            assert told[i, j] == pytest.approx(float(one), rel=1e-10)


# bodies, sums, the floor --------------------------------------------------------------------


def test_a_body_needs_both():
    """Well under it in plan only the height counts; well beside it, nothing happens; at its edge, half."""
    sure = {"sigma_beside_m": 0.3, "sigma_under_m": 0.2}
    only = float(body_contact(beside_m=-9.0, under_m=0.5, **sure))
    assert only == pytest.approx(0.5 * math.erfc(0.5 / 0.2 / math.sqrt(2)), rel=1e-12)
    assert float(body_contact(beside_m=0.0, under_m=0.5, **sure)) == pytest.approx(only / 2)
    assert float(body_contact(beside_m=9.0, under_m=-5.0, **sure)) < 1e-100
    many = body_contact(beside_m=np.linspace(-1, 1, 9), under_m=0.2, **sure)
    assert np.all(np.diff(many) < 0)


def test_the_index_of_several():
    assert combined_index([], []) == 0.0
    assert combined_index([0.1, 0.2, 0.3], 1.0) == pytest.approx(1 - 0.9 * 0.8 * 0.7, rel=1e-14)
    assert combined_index([0.1], [3.0]) == pytest.approx(1 - 0.9**3, rel=1e-14)
    assert combined_index([1e-18, 2e-18], [10.0, 1.0]) == pytest.approx(1.2e-17, rel=1e-12)
    assert combined_index([1e-300] * 3, 1.0) == pytest.approx(3e-300, rel=1e-12)
    assert combined_index([1.0, 0.2], [1.0, 1.0]) == 1.0
    assert combined_index([1.0, 0.2], [0.0, 1.0]) == pytest.approx(0.2)
    assert combined_index([0.3, 0.2], [2.0, 0.5]) > combined_index([0.3, 0.2], [1.0, 0.5])


def test_the_floor_as_printed():
    """anchors 4.6: marks absent or wrong 27.4 %; 4.9: 3 per mile are 1.9 per kilometre, 0.67 on 360 m (S, and worked out there)."""
    assert unmapped_share(ticket=True, answers_in=False) == pytest.approx(0.274, abs=0.0005)
    assert pytest.approx(1.9, abs=0.05) == risk.PER_METRE * 1000
    assert pytest.approx(0.67, abs=0.005) == risk.PER_METRE * 360
    assert unmapped_share(ticket=True, answers_in=True) == pytest.approx(0.1194 + 0.0858 + 0.0217)
    assert unmapped_share(ticket=False, answers_in=False) == pytest.approx(0.274 + 0.2454, abs=0.0005)
    assert unmapped_share(ticket=False, answers_in=True) == unmapped_share(ticket=False, answers_in=False)
    states = [(True, True), (True, False), (False, False)]
    floors = [unmapped_index(shallow_m=40.0, ticket=t, answers_in=a) for t, a in states]
    assert 0 < floors[0] < floors[1] < floors[2] < 0.05
    # two stretches are one of both lengths; a mile met without marks at all is 3 lines
    both = combined_index([unmapped_index(shallow_m=s, ticket=True, answers_in=True) for s in (15.0, 25.0)], 1.0)
    assert both == pytest.approx(floors[0], rel=1e-12)
    assert unmapped_index(shallow_m=0.0, ticket=False, answers_in=False) == 0.0
    thin = unmapped_index(shallow_m=1e-12, ticket=True, answers_in=False)
    assert thin == pytest.approx(3 / 1609.344 * 1e-12 * 0.274, rel=1e-9)


# bad figures --------------------------------------------------------------------------------

GOOD = {
    "offset_m": [0, 0, 0.3], "bore_direction": [1, 0, 0], "line_direction": [0, 1, 0], "bore_sigma_m": [0.1, 0.1],
    "line_sigma_m": [0.3, 0.1], "reach_m": 0.1,
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"offset_m": [0, 0]}, "offset_m"),
        ({"offset_m": [0, 0, math.nan]}, "offset_m"),
        ({"bore_direction": [0, 0, 0]}, "bore_direction"),
        ({"bore_direction": [0, 0, -1]}, "bore_direction"),
        ({"line_direction": [0, 0, 0]}, "line_direction"),
        ({"bore_sigma_m": [0.0, 0.1]}, "bore_sigma_m"),
        ({"bore_sigma_m": 0.1}, "bore_sigma_m"),
        ({"line_sigma_m": [-0.1, 0.1]}, "line_sigma_m"),
        ({"reach_m": 0.0}, "reach_m"),
        ({"depth_range_m": [1.0, 0.5]}, "depth_range_m"),
        ({"span_m": [-1.0, 2.0]}, "span_m"),
    ],
)
def test_bad_lines_are_refused_in_one_line(change, named):
    with pytest.raises(RangeError, match=rf"^{named}: ") as caught:
        line_contact(**{**GOOD, **change})
    assert "\n" not in str(caught.value)


def test_other_bad_figures_are_refused():
    for call, named in (
        (lambda: skew_contact(gap_m=1, sigma_m=0, reach_m=1), "sigma_m"),
        (lambda: skew_contact(gap_m=1, sigma_m=1, reach_m=-1), "reach_m"),
        (lambda: skew_contact(gap_m=math.nan, sigma_m=1, reach_m=1), "gap_m"),
        (lambda: skew_contact_range(low_m=1, high_m=0, sigma_m=1, reach_m=1), "low_m"),
        (lambda: alongside_contact(across_m=0, gap_m=0, sigma_across_m=0, sigma_gap_m=1, reach_m=1), "sigma_across_m"),
        (lambda: body_contact(beside_m=0, under_m=0, sigma_beside_m=1, sigma_under_m=0), "sigma_under_m"),
        (lambda: combined_index([0.1, 1.1], 1.0), "chances"),
        (lambda: combined_index([-0.1], 1.0), "chances"),
        (lambda: combined_index([0.1], [-1.0]), "weights"),
        (lambda: combined_index([0.1], [1.0, 2.0]), "weights"),
        (lambda: unmapped_index(shallow_m=-1, ticket=True, answers_in=True), "shallow_m"),
        (lambda: unmapped_index(shallow_m=1, ticket=True, answers_in=True, rate_per_m=-1), "rate_per_m"),
    ):
        with pytest.raises(RangeError, match=rf"^{named}: "):
            call()
