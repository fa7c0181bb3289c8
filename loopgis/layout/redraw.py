"""A line drawn by hand as a bore: its plan is the truth, its profile is solved anew; or why and where it cannot be drilled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.build import half_stations
from loopgis.bore.fit import Corner, fit_plan
from loopgis.bore.plan import PlanCurve
from loopgis.bore.profile import deepest_reach
from loopgis.core.errors import RangeError
from loopgis.core.units import length_text
from loopgis.layout.field import NEVER
from loopgis.layout.realise import realise

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.layout.field import Field
    from loopgis.layout.model import Pad
    from loopgis.site.model import DrawnLine

    Array = NDArray[np.float64]

SAME_M = 1e-3
"""Vertices nearer to each other than this are the same."""
TOLD_M = 0.05
"""A curve that leaves the drawn line by more is told."""
TURNS_BACK_DEG = 120.0
OFF_PAD_M = 1.0
"""A bore may begin this far off its pad: a pit's length."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Redrawn:
    """What became of a drawn line.

    bore: None when it cannot be drilled; told: what was made of the line, empty when nothing; why: what stops it; station_m: where
    along the drawn line from its first vertex; edited: it is not the line that was computed.
    """

    line: DrawnLine
    bore: Bore | None
    edited: bool
    told: str = ""
    why: str = ""
    station_m: float | None = None


def curve_of(figures: Mapping[str, Any]) -> PlanCurve | None:
    """Plan curve as it was computed, from what the file keeps of it; None when that is not there or not whole."""
    try:
        x, y, heading = (float(v) for v in figures["start"])
        pieces = tuple((float(length), float(bend)) for length, bend in figures["pieces"])
    except (KeyError, TypeError, ValueError):
        return None
    finite = np.isfinite([x, y, heading, *(v for p in pieces for v in p)]).all()
    return PlanCurve(x, y, heading, pieces) if pieces and finite and sum(p[0] for p in pieces) > 0 else None


def redraw(
    line: DrawnLine,
    *,
    field: Field,
    pad: Pad,
    pattern: str,
    figures: Mapping[str, Any],
    exit_xy: tuple[float, float] | None,
) -> Redrawn:
    """Bore over a drawn line.

    figures: plan curve as the file keeps it (empty for a new line); exit_xy: where the layer of exits has its end. A line that is
    as it was computed keeps its curve. Where only an end was moved, of the line or the exit's point, the curve is laid anew to
    that end.
    """
    known = curve_of(figures)
    was_tier = _number(figures.get("target_depth_m"))
    tier = line.target_depth_m or was_tier or field.site.spec.bore.depth_m[0]
    drawn = line.xyz_m[:, :2]
    if known is not None:
        _, s = half_stations(known)
        was = np.column_stack(known.at(s)[:2])
        moved = _moved(was, drawn, exit_xy)
        if moved is None and shapely.distance(pad.polygon, shapely.Point(was[0])) <= OFF_PAD_M:
            shape = str(figures.get("shape") or "straight")
            deeper = was_tier is not None and abs(tier - was_tier) > SAME_M
            told = f"its target depth is now {length_text(tier, field.site.spec.units)}" if deeper else ""
            return _made(line, known, field, tier, pattern, shape, edited=deeper, told=told)
        drawn, told = moved or (was, "its pad was moved away from it")
    else:
        drawn, told = _from_pad(drawn, pad)
    off = shapely.distance(pad.polygon, shapely.Point(drawn[0]))
    units = field.site.spec.units
    if off > OFF_PAD_M:
        why = f"it begins {length_text(float(off), units)} off the pad"
        return Redrawn(line=line, bore=None, edited=True, why=why, station_m=0.0)
    rig = field.limits
    try:
        fit = fit_plan(drawn, bend_radius_m=rig.bend_radius_m, rod_m=rig.rod_length_m * 1.01)
    except RangeError as error:
        return Redrawn(line=line, bore=None, edited=True, why=f"it {error.what}", station_m=0.0)
    if isinstance(fit, Corner):
        return Redrawn(line=line, bore=None, edited=True, why=_corner_text(fit, field), station_m=fit.station_m)
    if fit.off_m > TOLD_M:
        where = length_text(fit.station_m, units)
        smooth = (
            f"its corners are rounded, at most {length_text(fit.off_m, units)} off the line, {where} from its entry"
        )
        told = f"{told}; {smooth}" if told else smooth
    shape = "straight" if fit.curve.turning_rad == 0 else "drawn"
    return _made(line, fit.curve, field, tier, pattern, shape, edited=True, told=told)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and value > 0 else None


def _moved(was: Array, drawn: Array, exit_xy: tuple[float, float] | None) -> tuple[Array, str] | None:
    """The line to follow and what was understood; None when nothing was moved.

    One end of the line (or the exit's point) moved and the rest as it was: the whole line is sheared to the new end.
    """
    if len(drawn) == len(was):
        off = np.hypot(*(drawn - was).T) > SAME_M
        if not off.any():
            if exit_xy is None or float(np.hypot(*(np.array(exit_xy) - was[-1]))) <= SAME_M:
                return None
            return _sheared(was, was[0], np.array(exit_xy)), "its exit was moved in the layer of exits"
        if not off[1:-1].any():
            ends = " and ".join(name for name, k in (("entry", 0), ("exit", -1)) if off[k])
            return _sheared(was, drawn[0], drawn[-1]), f"its {ends} was moved"
    flipped = np.hypot(*(drawn[-1] - was[0])) < np.hypot(*(drawn[0] - was[0]))
    return (drawn[::-1] if flipped else drawn), "its line was redrawn"


def _sheared(was: Array, start: Array, end: Array) -> Array:
    """A line taken to new ends, every vertex by its share of the way."""
    s = np.r_[0.0, np.cumsum(np.hypot(*np.diff(was, axis=0).T))]
    share = (s / s[-1])[:, None]
    result: Array = was + (1 - share) * (start - was[0]) + share * (end - was[-1])
    return result


def _from_pad(drawn: Array, pad: Pad) -> tuple[Array, str]:
    """A new line, turned so that it begins at the pad."""
    ends = shapely.distance(pad.polygon, shapely.points(drawn[[0, -1]]))
    return (drawn[::-1], "drawn by hand, turned to begin at the pad") if ends[1] < ends[0] else (drawn, "drawn by hand")


def _made(
    line: DrawnLine, curve: PlanCurve, field: Field, tier_m: float, pattern: str, shape: str, *, edited: bool, told: str
) -> Redrawn:
    """The curve's bore, or why there is none and where."""
    try:
        bore, reasons = realise(
            field, curve, tier_m=tier_m, pattern=pattern, shape=shape, explain=True, bore_id=line.bore_id
        )
    except RangeError as error:
        return Redrawn(line=line, bore=None, edited=edited, why=error.what, told=told)
    if bore is None:
        why, station = _where(field, curve, tier_m, reasons)
        return Redrawn(line=line, bore=None, edited=edited, why=why, station_m=station, told=told)
    return Redrawn(line=line, bore=replace(bore, source=line.source), edited=edited, told=told)


def _where(field: Field, curve: PlanCurve, tier_m: float, reasons: list[str]) -> tuple[str, float | None]:
    """Reasons in words, with the first station where they bite."""
    _, s = half_stations(curve)
    x, y, *_ = curve.at(s)
    units = field.site.spec.units
    ground = field.site.terrain.at(x, y)
    outside = ~shapely.intersects_xy(field.site.parcel, x, y)
    if outside.any():
        at = float(s[np.argmax(outside)])
        return f"{length_text(at, units)} from its entry it leaves the lot", at
    if not np.isfinite(ground).all():
        at = float(s[np.argmin(np.isfinite(ground))])
        return f"{length_text(at, units)} from its entry the elevation raster ends", at
    asked = field.required_depth(curve, s)
    text = "; ".join(dict.fromkeys(reasons))
    if asked is None:
        return text, None
    met: list[tuple[float, str]] = []
    for name, need in asked.items():
        closed = need >= min(NEVER, field.limits.max_depth_m + 1e-9)
        if closed.any():
            met.append((float(s[np.argmax(closed)]), f"enters ground closed by {name}"))
        elif need[0] > 0 or need[-1] > 0:
            met.append((0.0 if need[0] > 0 else float(s[-1]), f"begins or ends in the zone of {name}"))
    if met:
        at, what = min(met)
        more = f" (and {len(met) - 1} more)" if len(met) > 1 else ""
        return f"{length_text(at, units)} from its entry it {what}{more}", at
    need = np.maximum.reduce([np.zeros(len(s)), *asked.values()])
    lack = need - deepest_reach(s, ground, field.limits)
    k = int(np.argmax(lack))
    names = [name for name, own in asked.items() if own[k] > 0]
    at = float(s[k])
    if names and lack[k] > -1.0:
        depth = length_text(float(need[k]), units)
        return (
            f"no profile: {length_text(at, units)} from its entry {' and '.join(names)} ask {depth} of depth; {_given_up(text)}",
            at,
        )
    return f"no profile at {length_text(tier_m, units)}: {_given_up(text)}", None


def _given_up(text: str) -> str:
    """Names of limits of which one, given up, would do."""
    return f"it would do without the limit of {text.replace('; ', ', or of ')}" if "together" not in text else text


def _corner_text(corner: Corner, field: Field) -> str:
    units = field.site.spec.units
    at, radius = length_text(corner.station_m, units), length_text(field.limits.bend_radius_m, units, 0)
    if corner.turn_deg < 0.5:
        return f"{at} from its entry it bends tighter than rods of {radius} follow"
    if corner.turn_deg > TURNS_BACK_DEG:
        return f"{at} from its entry it turns back on itself"
    room, need = length_text(corner.room_m, units), length_text(corner.need_m, units)
    return (
        f"{at} from its entry it turns {corner.turn_deg:.0f} degrees with {room} of straight run beside; "
        f"rods that bend on {radius} need {need} on either side, or a rounder line"
    )
