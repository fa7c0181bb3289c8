"""What a bore must be, besides the rules: bend radius, first rod, pitches, ends, depth, length, vertices, the lot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.findings import Finding
from loopgis.rules.audit_path import DRILLED_M, NARROW_M, ROUNDING_M, WIDE_M, angle_between

if TYPE_CHECKING:
    from loopgis.rules.audit_path import Path

RADIUS_SLACK = 0.01
STRAIGHT_DEG = 0.2
PITCH_SLACK_PCT = 0.1
END_M = 0.05
LENGTH_SLACK_M = 0.01
VERTEX_M = 0.5
_VERTEX_SLACK_M = 0.005
KINK_FACTOR = 1.5
"""A bend that is this much sharper over one vertex than over 2.5 m is called a kink."""


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The rig's limits and the wanted spacing; None where nobody says. Pitches are magnitudes in percent (least, most)."""

    rod_m: float | None = None
    radius_m: float | None = None
    entry_pct: tuple[float, float] | None = None
    exit_pct: tuple[float, float] | None = None
    length_m: float | None = None
    depth_m: float | None = None
    spacing_m: float | None = None
    hole_m: float | None = None

    @property
    def no_rig(self) -> bool:
        """True when nothing at all is known of the rig."""
        known = (self.rod_m, self.radius_m, self.entry_pct, self.exit_pct, self.length_m, self.depth_m)
        return all(v is None for v in known)


def read_limits(where: str, *sources: dict[str, Any]) -> Limits:
    """Limits from dicts of the metadata's shape; later ones override earlier ones key by key."""
    rig: dict[str, Any] = {}
    bore: dict[str, Any] = {}
    for source in sources:
        nested = "rig" in source or "bore" in source
        rig |= _part(where, source.get("rig", {}) if nested else source, "rig")
        bore |= _part(where, source.get("bore", {}) if nested else {}, "bore")
    return Limits(
        rod_m=_positive(where, rig, "rod_length_m"),
        radius_m=_positive(where, rig, "bend_radius_m"),
        entry_pct=_range(where, rig, "entry_pitch_pct"),
        exit_pct=_range(where, rig, "exit_pitch_pct"),
        length_m=_positive(where, rig, "max_length_m"),
        depth_m=_positive(where, rig, "max_depth_m"),
        spacing_m=_positive(where, bore, "spacing_m"),
        hole_m=_positive(where, bore, "hole_diameter_m"),
    )


def _part(where: str, value: object, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InputError(where, f"{name} is not a table of limits", "give a dict as in the file's metadata")
    return value


def _positive(where: str, table: dict[str, Any], key: str) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < float("inf"):
        raise InputError(where, f"{key} = {value!r} is not a positive number", "correct the limit")
    return float(value)


def _range(where: str, table: dict[str, Any], key: str) -> tuple[float, float] | None:
    value = table.get(key)
    if value is None:
        return None
    good = isinstance(value, list | tuple) and len(value) == 2 and all(isinstance(v, int | float) for v in value)
    if not good or not 0 <= value[0] <= value[1]:
        raise InputError(where, f"{key} = {value!r} is not [least, most]", "give two magnitudes in percent")
    return float(value[0]), float(value[1])


def bore_findings(path: Path, limits: Limits, lot: Any) -> list[Finding]:  # noqa: ANN401
    """Everything that is wrong with one bore for itself.

    What the rig cannot drill is an error in a plan. In a bore that was drilled it is a doubt about the readings, or a strain on
    rods and pipe, and told as such: it lies there. Its bends are measured over a rod, since nearer places are noise of readings.
    """
    found = _all_findings(path, limits, lot)
    if not path.in_ground:
        return found
    return [
        replace(f, severity="warning", outcome="unverified", message=f"as drilled, {f.message}")
        if f.code in _OF_RIG
        else f
        for f in found
    ]


_OF_RIG = {"curvature", "kink", "first-rod-bent", "entry-pitch", "exit-pitch", "too-long", "too-deep"}


def _all_findings(path: Path, limits: Limits, lot: Any) -> list[Finding]:  # noqa: ANN401
    found = _vertices(path, limits) + _outside_lot(path, lot) + _bend(path, limits) + _first_rod(path, limits)
    if limits.length_m is not None and path.length_m > limits.length_m + LENGTH_SLACK_M:
        found.append(
            fail(
                path,
                "too-long",
                "drilled length is beyond the rig's reach",
                path.length_m,
                limits.length_m,
                station_m=path.length_m,
            )
        )
    if path.flat:
        return found
    return found + _pitches(path, limits) + _ends(path) + _depths(path, limits)


def fail(
    path: Path, code: str, what: str, measured: float, limit: float, *, unit: str = "m", station_m: float | None = None
) -> Finding:
    """An error about one bore, with the figures in the message."""
    place = "" if station_m is None else f" at station {station_m:.1f} m"
    return Finding(
        severity="error",
        code=code,
        message=f"{what}{place}: {measured:.4g} {unit}, limit {limit:.4g} {unit}",
        bore_id=path.bore_id,
        layout_id=path.layout_id,
        station_m=station_m,
        measured=measured,
        limit=limit,
        unit=unit,
        outcome="fail",
        where="bores",
    )


def _vertices(path: Path, limits: Limits) -> list[Finding]:
    """A doubt where the file names no rig, as a line drawn by hand has few vertices and nobody's bends are checked then."""
    steps = np.diff(path.drilled)
    i = int(np.argmax(steps))
    if steps[i] <= VERTEX_M + _VERTEX_SLACK_M:
        return []
    found = fail(
        path,
        "vertex-spacing",
        "vertices are too far apart to show the bend",
        float(steps[i]),
        VERTEX_M,
        station_m=float(path.drilled[i]),
    )
    if not (path.flat or limits.no_rig):
        return [found]
    return [Finding(**{**found.__dict__, "severity": "warning", "outcome": "unverified"})]


def _outside_lot(path: Path, lot: Any) -> list[Finding]:  # noqa: ANN401
    if bool(shapely.covers(lot, path.line)):
        return []
    off = np.asarray(shapely.distance(path.points, lot))
    i = int(np.argmax(off))
    return [fail(path, "outside-lot", "the bore leaves the lot", float(off[i]), 0.0, station_m=float(path.station[i]))]


def _bend(path: Path, limits: Limits) -> list[Finding]:
    """Radius over 2.5 m and over single vertices. A 2-D line is held to R cos^2 of the steepest pitch in its place."""
    if limits.radius_m is None:
        return []
    radius = limits.radius_m
    if path.flat:
        steepest = max((limits.entry_pct or (0.0, 0.0))[1], (limits.exit_pct or (0.0, 0.0))[1]) / 100
        radius /= 1 + steepest**2
    allowed = 1 / (radius * (1 - RADIUS_SLACK))
    sharp: dict[float, tuple[float, float]] = {}
    for window in [limits.rod_m or DRILLED_M] if path.in_ground else [WIDE_M, NARROW_M]:
        bend = path.turning(window)
        over = bend.curvature_1_m - bend.allowance_1_m
        if len(over) and float(over.max()) > allowed:
            i = int(np.argmax(over))
            sharp[window] = (float(bend.curvature_1_m[i]), float(bend.station_m[i]))
    if not sharp:
        return []
    wide, narrow = next((v for w, v in sharp.items() if w != NARROW_M), None), sharp.get(NARROW_M)
    kink = narrow is not None and (wide is None or narrow[0] > KINK_FACTOR * wide[0])
    curvature, station = narrow if kink and narrow is not None else (wide or (1 / radius, 0.0))
    what = "the path has a kink tighter than the rods bend" if kink else "the path bends tighter than the rods"
    return [fail(path, "kink" if kink else "curvature", what, 1 / curvature, radius, station_m=station)]


def _first_rod(path: Path, limits: Limits) -> list[Finding]:
    if limits.rod_m is None:
        return []
    inside = np.flatnonzero(path.drilled[1:] <= limits.rod_m + 1e-6)
    if len(inside) < 2:
        return []
    chords = np.nan_to_num(np.diff(path.vertices, axis=0)[inside])
    size = np.linalg.norm(chords, axis=1)
    turn = np.degrees(angle_between(np.repeat(chords[:1], len(chords), axis=0), chords))
    noise = np.degrees(2 * ROUNDING_M * (1 / size + 1 / size[0]))
    i = int(np.argmax(turn - noise))
    if turn[i] <= STRAIGHT_DEG + noise[i]:
        return []
    return [
        fail(
            path,
            "first-rod-bent",
            "the first rod is not straight",
            float(turn[i]),
            STRAIGHT_DEG,
            unit="deg",
            station_m=float(path.drilled[inside[i] + 1]),
        )
    ]


def _pitches(path: Path, limits: Limits) -> list[Finding]:
    entry, leave = path.end_pitches_pct()
    found = []
    ends = (
        ("entry-pitch", "entry pitch", -entry[0], entry[1], limits.entry_pct, 0.0),
        ("exit-pitch", "exit pitch", leave[0], leave[1], limits.exit_pct, path.length_m),
    )
    for code, what, pitch, half_turn, span, station in ends:
        if span is None:
            continue
        slack = PITCH_SLACK_PCT + half_turn
        if not span[0] - slack <= pitch <= span[1] + slack:
            limit = span[0] if pitch < span[0] else span[1]
            found.append(
                fail(
                    path,
                    code,
                    f"{what} is outside {span[0]:g}..{span[1]:g} %",
                    pitch,
                    limit,
                    unit="%",
                    station_m=station,
                )
            )
    return found


def _ends(path: Path) -> list[Finding]:
    if not path.surveyed_ground:
        return []
    found = []
    for code, what, i in (
        ("entry-off-ground", "the entry is not on the ground", 0),
        ("exit-off-ground", "the exit is not on the ground", -1),
    ):
        off = float(path.depth[i])
        if np.isfinite(off) and abs(off) > END_M:
            found.append(fail(path, code, f"{what} (depth)", off, END_M, station_m=float(path.station[i])))
    return found


def _depths(path: Path, limits: Limits) -> list[Finding]:
    depth = path.depth
    if not path.surveyed_ground or not np.isfinite(depth).any():
        return []
    found = []
    low = int(np.nanargmax(depth))
    if limits.depth_m is not None and depth[low] > limits.depth_m + LENGTH_SLACK_M:
        found.append(
            fail(
                path,
                "too-deep",
                "deeper than the locator reads",
                float(depth[low]),
                limits.depth_m,
                station_m=float(path.station[low]),
            )
        )
    inner = depth[1:-1]
    if len(inner) and np.isfinite(inner).any():
        high = int(np.nanargmin(inner)) + 1
        if depth[high] < -END_M:
            found.append(
                fail(
                    path,
                    "above-ground",
                    "the bore comes out of the ground on its way (depth)",
                    float(depth[high]),
                    0.0,
                    station_m=float(path.station[high]),
                )
            )
    return found
