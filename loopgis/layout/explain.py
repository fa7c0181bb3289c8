"""Why nothing fits, and what single change would help: found by really trying it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from loopgis.bore.profile import setback_to_level_m
from loopgis.core.units import length_text
from loopgis.layout import pads

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from loopgis.layout.field import Field
    from loopgis.layout.realise import Workshop
    from loopgis.site.model import Site


def reasons_of(field: Field, workshop: Workshop) -> list[str]:
    """Reasons in plain words, most telling first."""
    site, units = field.site, field.site.spec.units
    if field.open_area.is_empty:
        return [f"every part of the lot is closed ({_closers(field)})"]
    if field.end_area.is_empty:
        return [f"nowhere on the lot may a bore begin or end ({_closers(field)})"]
    found = _at_given_pad(field)
    points = pads.standing_places(field)
    if field.pad_area.is_empty or not len(points):
        found.append("no room for the pad outside the zones")
    else:
        rig, tier = field.limits, min(site.spec.bore.depth_m)
        need = setback_to_level_m(tier, rig.entry_pitch_pct[1], rig.bend_radius_m) + setback_to_level_m(
            tier, rig.exit_pitch_pct[1], rig.bend_radius_m
        )
        longest = float(np.max(pads.open_reach_m(field, points)))
        if longest < need:
            found.append(
                f"the longest open line from any standing place is {length_text(longest, units)}, but going down to "
                f"{length_text(tier, units)} and up again takes {length_text(need, units)}"
            )
        if site.spec.pad.at is None and not any(
            pads.fitting_pad(field, float(x), float(y), a) for x, y in points for a in pads.axes_deg(field)
        ):
            short, long = (length_text(v, units, 0) for v in site.spec.pad.size_m)
            found.append(f"no standing place has room for a pad of {short} by {long}")
    found += [f"{text} ({count} candidates)" for text, count in workshop.reasons.most_common(4)]
    found += [f"without the limit of {text} a profile would exist" for text, _ in workshop.binding().most_common(3)]
    return found or ["no candidate gets a level run at the wanted depth"]


def _at_given_pad(field: Field) -> list[str]:
    """What a fixed pad stands in."""
    at = field.site.spec.pad.at
    if at is None:
        return []
    return [
        f"[pad] at lies in the zone of {z.feature_id} ({z.kind}, {z.rule.key})"
        for z in field.zones
        if z.mode != "ruling" and shapely.intersects_xy(z.polygon, *at)
    ]


def _closers(field: Field) -> str:
    """Which rules close most ground."""
    lot = field.site.parcel
    area: dict[str, float] = {}
    for zone in field.bore_zones:
        key = f"{zone.feature_id} by {zone.rule.key}"
        area[key] = max(area.get(key, 0.0), zone.polygon.intersection(lot).area / lot.area)
    top = sorted(((n, s) for n, s in area.items() if s >= 0.005), key=lambda kv: -kv[1])[:3]
    return "; ".join(f"{name} closes {share:.0%}" for name, share in top)


def changes(site: Site) -> Iterator[tuple[str, Site]]:
    """Single changes worth trying, the gentlest first, each with its name."""
    spec, units = site.spec, site.spec.units

    def with_(**parts: object) -> Site:
        return replace(site, spec=replace(spec, **parts))  # type: ignore[arg-type]

    if spec.pad.at is not None:
        yield "leave [pad] at out, another standing place works", with_(pad=replace(spec.pad, at=None))
    for depth in (0.85, 0.7, 0.55, 0.4):
        tier = min(spec.bore.depth_m) * depth
        yield (
            f"[bore] depth {length_text(tier, units)}",
            with_(bore=replace(spec.bore, depth_m=(tier,), depth_given=True)),
        )
    for share in (0.75, 0.5):
        size = (spec.pad.size_m[0] * share, spec.pad.size_m[1] * share)
        yield (
            f"a pad of {length_text(size[0], units, 0)} by {length_text(size[1], units, 0)}",
            with_(pad=replace(spec.pad, size_m=size)),
        )
    for share in (0.8, 0.65, 0.5):
        radius = spec.rig.bend_radius_m * share
        yield (
            f"rods with a bend radius of {length_text(radius, units, 0)}",
            with_(rig=replace(spec.rig, bend_radius_m=radius)),
        )
    steep = (max(spec.rig.entry_pitch_pct[1], 45.0), max(spec.rig.exit_pitch_pct[1], 45.0))
    yield (
        "entry and exit pitch up to 45 %",
        with_(
            rig=replace(
                spec.rig,
                entry_pitch_pct=(spec.rig.entry_pitch_pct[0], steep[0]),
                exit_pitch_pct=(spec.rig.exit_pitch_pct[0], steep[1]),
            )
        ),
    )
    small = replace(spec.rig, bend_radius_m=spec.rig.bend_radius_m * 0.65)
    tier = min(spec.bore.depth_m) * 0.5
    yield (
        f"both [bore] depth {length_text(tier, units)} and a pad half the size",
        with_(
            bore=replace(spec.bore, depth_m=(tier,), depth_given=True),
            pad=replace(spec.pad, size_m=(spec.pad.size_m[0] / 2, spec.pad.size_m[1] / 2)),
        ),
    )
    yield (
        f"[bore] depth {length_text(tier, units)}, {length_text(small.bend_radius_m, units, 0)} bend radius and half the pad",
        with_(
            bore=replace(spec.bore, depth_m=(tier,), depth_given=True),
            rig=small,
            pad=replace(spec.pad, size_m=(spec.pad.size_m[0] / 2, spec.pad.size_m[1] / 2)),
        ),
    )


def smallest_change(site: Site, fits: Callable[[Site], bool]) -> str:
    """Name of the first change that works, an empty string when none of them does."""
    return next((name for name, changed in changes(site) if fits(changed)), "")
