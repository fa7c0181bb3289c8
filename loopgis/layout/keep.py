"""Bores that are in the ground already: as they lie, not as anybody would plan them."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from loopgis.bore.fit import Corner, fit_plan, nearest_plan
from loopgis.bore.model import Bore
from loopgis.core.errors import InputError
from loopgis.core.findings import Finding
from loopgis.core.units import length_text
from loopgis.layout.candidates import Candidate
from loopgis.layout.realise import realise
from loopgis.layout.redraw import Redrawn

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from loopgis.layout.field import Field
    from loopgis.site.model import DrawnLine, Site

    Array = NDArray[np.float64]

VERTEX_M = 0.45
"""Vertices of a kept bore are at most this far apart."""
DEEPEST_M, LEAST_M, ENDS_M = 100.0, 0.3, 2.0
"""A logged bore lies between these depths, and an end of it this near to the ground; else its heights are of another datum."""
LEVEL_SHARE = 0.8
"""A bore of which no column says how deep it was meant to be is level where it is deeper than this share of its greatest depth."""


def kept_bore(line: DrawnLine, field: Field, pattern: str) -> Redrawn:
    """A drilled bore from its line; a line without heights gets the profile that would have been planned over it."""
    xyz = line.xyz_m
    ground = field.site.terrain.at(xyz[:, 0], xyz[:, 1])
    depth = ground - xyz[:, 2] if xyz.shape[1] > 2 else np.full(len(xyz), np.nan)
    if not np.isfinite(ground).all():
        raise InputError(line.where, "lies where the elevation raster has no ground", "give a raster that covers it")
    if np.isfinite(depth).all() and bool(np.any(xyz[:, 2] != 0)):
        low, high, ends = float(depth.min()), float(depth.max()), depth[[0, -1]]
        if high > DEEPEST_M or low < -ENDS_M or high < LEAST_M or float(np.abs(ends).min()) > ENDS_M:
            what = f"lies {low:.1f} to {high:.1f} m below the ground, its ends {ends[0]:.1f} and {ends[1]:.1f} m"
            remedy = "give heights in metres above the raster's datum, or a line without heights"
            raise InputError(line.where, what, remedy)
        bore = as_it_lies(
            xyz,
            field.site.terrain.at,
            bore_id=line.bore_id,
            pattern=pattern,
            rod_length_m=field.limits.rod_length_m,
            hole_diameter_m=line.hole_diameter_m or field.site.spec.bore.hole_diameter_m,
            target_depth_m=line.target_depth_m,
            source=line.source if line.source != "planned" else "staked",
        )
        return Redrawn(line=line, bore=bore, edited=False)
    return _as_planned(line, field, pattern)


def _as_planned(line: DrawnLine, field: Field, pattern: str) -> Redrawn:
    """A profile over a line without heights. InputError when there is none: nobody can say then where the bore lies."""
    rig = field.limits
    tier = line.target_depth_m or field.site.spec.bore.depth_m[0]
    fit = fit_plan(line.xyz_m[:, :2], bend_radius_m=rig.bend_radius_m, rod_m=rig.rod_length_m * 1.01)
    why = ["its line is bent tighter than the rods follow"]
    if not isinstance(fit, Corner):
        bore, why = realise(field, fit.curve, tier_m=tier, pattern=pattern, shape="drawn", bore_id=line.bore_id)
        if bore is not None:
            return Redrawn(line=line, bore=replace(bore, source="staked", curve=None), edited=False)
    what = f"has no heights, and no profile can be laid over it ({'; '.join(why)})"
    raise InputError(line.where, what, "give the line with the heights that were logged")


def as_it_lies(
    xyz: Array,
    ground: Callable[[Array, Array], Array],
    *,
    bore_id: str,
    pattern: str,
    rod_length_m: float,
    hole_diameter_m: float,
    target_depth_m: float | None = None,
    source: str = "logged",
) -> Bore:
    """Bore through the vertices (n, 3) of a line, more put between them.

    ground: height of the ground at x and y; rod_length_m: lengths over which a turn is told from the noise of the readings;
    target_depth_m: None for LEVEL_SHARE of its greatest depth.
    """
    run = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    xyz = xyz[np.r_[True, run > 1e-6]]
    run = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    own = np.r_[0.0, np.cumsum(run)]
    more = [
        a + (b - a) * np.arange(n) / n
        for a, b, n in zip(own[:-1], own[1:], np.ceil(run / VERTEX_M).astype(int), strict=True)
    ]
    station = np.r_[np.concatenate(more), own[-1]]
    x, y, z = (np.asarray(np.interp(station, own, xyz[:, k]), dtype=float) for k in range(3))
    plan = np.r_[0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))]
    above = ground(x, y)
    heading = _smooth(np.unwrap(np.arctan2(np.diff(y), np.diff(x))))
    slope = _smooth(np.diff(z) / np.maximum(np.diff(plan), 1e-9))
    return Bore(
        bore_id=bore_id,
        pattern=pattern,
        x_m=x,
        y_m=y,
        z_m=z,
        ground_m=above,
        station_m=station,
        plan_station_m=plan,
        pitch_pct=100 * slope,
        azimuth_deg=(90 - np.degrees(heading)) % 360,
        curvature_1_m=_curvature(own, xyz, station, rod_length_m),
        target_depth_m=target_depth_m or LEVEL_SHARE * float((above - z).max()),
        hole_diameter_m=hole_diameter_m,
        shape="drawn",
        source=source,
    )


def _smooth(values: Array) -> Array:
    """Values of intervals at their ends: means of both sides."""
    result: Array = np.r_[values[0], (values[:-1] + values[1:]) / 2, values[-1]]
    return result


def _curvature(own: Array, xyz: Array, station: Array, rod_m: float) -> Array:
    """Turn per metre over one rod either side: what vertices closer than that say is noise of the readings."""

    def at(s: Array) -> Array:
        return np.column_stack([np.interp(s, own, xyz[:, k]) for k in range(3)])

    s = np.clip(station, rod_m, max(own[-1] - rod_m, rod_m))
    before, after = at(s) - at(s - rod_m), at(s + rod_m) - at(s)
    norm = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    cos = np.einsum("ij,ij->i", before, after) / np.maximum(norm, 1e-12)
    result: Array = np.arccos(np.clip(cos, -1.0, 1.0)) / rod_m
    return result


def kept_bores(site: Site, field: Field) -> tuple[Bore, ...]:
    """All bores that are in the ground, with ids: those without one get K-01, K-02 ... ."""
    found = []
    for n, line in enumerate(site.kept, 1):
        named = line if line.bore_id else replace(line, bore_id=f"K-{n:02d}")
        made = kept_bore(named, field, named.pattern or site.spec.patterns[0]).bore
        assert made is not None  # noqa: S101 - kept_bore raises when there is none
        found.append(made)
    return tuple(found)


def with_kept(field: Field) -> tuple[Field, list[Finding]]:
    """The field with the bores that are in its ground, a pad where they begin unless one is given, and what to tell."""
    site, spec = field.site, field.site.spec
    kept = kept_bores(site, field)
    _apart(kept, site)
    told = [
        Finding(
            severity="warning",
            code="kept-as-planned",
            bore_id=b.bore_id,
            message="is kept, but no reading says where it lies: the line it was given with is taken",
            remedy="give the line with the heights that were logged",
        )
        for b in kept
        if not b.in_ground or b.source == "staked"
    ]
    centre = math.fsum(b.x_m[0] for b in kept) / len(kept), math.fsum(b.y_m[0] for b in kept) / len(kept)
    if spec.pad.at is None:
        site = replace(site, spec=replace(spec, pad=replace(spec.pad, at=centre)))
    elif math.dist(spec.pad.at, centre) > spec.pad.size_m[1]:
        away = length_text(math.dist(spec.pad.at, centre), spec.units)
        message = f"[pad] at lies {away} from where the kept bores begin: their pipes must reach the same header"
        told.append(Finding(severity="warning", code="kept-far", message=message, remedy="leave [pad] at out"))
    return replace(field, site=site, kept=tuple(_as_candidates(kept, field))), told


def _apart(kept: Sequence[Bore], site: Site) -> None:
    """Raise InputError for two kept bores that touch: the ground between them cannot be computed."""
    for (a, one), (b, two) in combinations(zip(kept, site.kept, strict=True), 2):
        gap = float(min(np.linalg.norm(b.xyz - p, axis=1).min() for p in a.xyz))
        if gap < a.hole_diameter_m:
            what = f"comes within {gap:.2f} m of {two.where}: two bores in the same hole cannot be computed"
            raise InputError(one.where, what, "leave one of them out, or begin the line where the bores part")


def _as_candidates(kept: Sequence[Bore], field: Field) -> list[tuple[Candidate, Bore]]:
    """Kept bores as candidates that must be chosen, so that others keep clear of them."""
    found = []
    for n, bore in enumerate(kept):
        xy = np.column_stack([bore.x_m, bore.y_m])
        curve = nearest_plan(xy, bend_radius_m=field.limits.bend_radius_m, rod_m=field.limits.rod_length_m).curve
        at = bore.plan_station_m[bore.level]
        ends = (float(at[0]), float(at[-1])) if len(at) else (0.0, 0.0)
        candidate = Candidate(
            curve=curve,
            pattern=bore.pattern,
            shape="kept",
            entry=-1 - n,
            tier_m=bore.max_depth_m,
            level_m=bore.level_length_m,
            level_from_m=ends[0],
            level_to_m=ends[1],
            kept=True,
        )
        found.append((candidate, bore))
    return found
