"""Rows about drilling: rods as the crew steers them, the bore metre by metre, loads, costs, findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.bore import steer
from loopgis.bore.rods import rod_table
from loopgis.layout.crossing_risk import blind_stations
from loopgis.sheets.gpkg_row import ids, some

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from loopgis.bore.model import Bore
    from loopgis.bore.rods import RodPoint
    from loopgis.layout.annulus import BoreMud
    from loopgis.layout.model import Layout
    from loopgis.sheets.gpkg_row import Row
    from loopgis.site.model import Site

STEP_M = 1.0
"""Stations in the file lie this far apart, entry and exit included."""


def rods(layout: Layout, site: Site, rod_length_m: float) -> Iterator[Row]:
    """Head at the end of each rod of every bore, with what to do next."""
    for b in layout.bores:
        table = rod_table(b, rod_length_m)
        station = np.array([r.station_m for r in table])
        told = steer.actions(
            station_m=station,
            pitch_pct=[r.pitch_pct for r in table],
            azimuth_deg=[r.azimuth_deg for r in table],
        )
        hidden = np.interp(station, b.station_m, blind_stations(site, b).astype(float)) > 0.5
        care = steer.locate_notes(
            depth_m=[r.depth_m for r in table],
            pitch_pct=[r.pitch_pct for r in table],
            blind=[bool(v) for v in hidden],
        )
        for n, (r, figures) in enumerate(rod_figures(b, table)):
            more = {"action": told[n], "locate": care[n] or None}
            yield shapely.Point(r.x_m, r.y_m, r.z_m), {**ids(layout, b.bore_id), **figures, **more}


def rod_figures(bore: Bore, table: Sequence[RodPoint]) -> Iterator[tuple[RodPoint, dict[str, Any]]]:
    """What a bore's own path says of its rods, by column, beside the rod itself. table: of `rod_table`."""
    ground = np.interp([r.station_m for r in table], bore.station_m, bore.ground_m)
    offset = steer.offset_m([r.x_m for r in table], [r.y_m for r in table])
    for n, r in enumerate(table):
        yield (
            r,
            {
                "rod": r.rod,
                "fifth": int(r.rod > 0 and r.rod % 5 == 0),
                "station_m": r.station_m,
                "depth_m": r.depth_m,
                "pitch_pct": r.pitch_pct,
                "azimuth_deg": r.azimuth_deg,
                "offset_m": float(offset[n]),
                "ground_m": float(ground[n]),
                "note": r.note,
            },
        )


def stations(layout: Layout) -> Iterator[Row]:
    """Every bore metre by metre, as computed: the place of the head, and the mud."""
    for n, b in enumerate(layout.bores):
        mud = layout.drills[n].mud if layout.drills else None
        error = layout.errors[n] if layout.errors else None
        words = None if mud is None else mud_words(mud)
        for i in picked(b):
            values: dict[str, Any] = {
                **ids(layout, b.bore_id),
                "station_m": float(b.station_m[i]),
                "plan_m": float(b.plan_station_m[i]),
                "ground_m": float(b.ground_m[i]),
            }
            if error is not None:
                values |= {
                    "lateral_m": float(error.lateral_m[i]),
                    "vertical_m": float(error.vertical_m[i]),
                    "blind": int(error.blind[i]),
                }
            if mud is not None and words is not None:
                values |= {
                    "demand_kpa": float(mud.pressures.demand_pa[i]) / 1000,
                    "demand_high_kpa": float(mud.high_pa[i]) / 1000,
                    "capacity_kpa": float(mud.pressures.capacity_pa[i]) / 1000,
                    "overburden_kpa": float(mud.pressures.overburden_pa[i]) / 1000,
                    "mud": str(words[i]),
                }
            yield shapely.Point(b.xyz[i]), some(values)


def picked(bore: Bore) -> NDArray[np.int_]:
    """Stations of a bore that stand in the file: about a metre apart, both ends included."""
    wanted = np.linspace(0.0, bore.length_m, max(2, round(bore.length_m / STEP_M) + 1))
    right = np.clip(np.searchsorted(bore.station_m, wanted), 1, len(bore.station_m) - 1)
    nearer = np.abs(bore.station_m[right - 1] - wanted) <= np.abs(bore.station_m[right] - wanted)
    return np.unique(np.where(nearer, right - 1, right))


def mud_words(mud: BoreMud) -> NDArray[np.str_]:
    """(n,) how demand and capacity compare: over, tight, fits; ends where mud is to be expected in any case."""
    return np.select([~mud.judged, mud.over, mud.tight], ["ends", "over", "tight"], default="fits")


def worst_mud(mud: BoreMud | None) -> str | None:
    """The worst of a bore, None when it was not computed."""
    if mud is None:
        return None
    return "over" if bool(mud.over.any()) else "tight" if bool(mud.tight.any()) else "fits"


def bore_figures(layout: Layout, number: int, site: Site) -> dict[str, Any]:
    """Columns of layer bores about drilling; empty where nothing was computed."""
    if not layout.drills:
        return {}
    d = layout.drills[number]
    figures: dict[str, Any] = {
        "reamer_m": layout.bores[number].hole_diameter_m,
        "least_hole_m": d.ream.by_factor_m,
        "pipe_bend_m": d.pipe_bend_m,
        "rod_bend_m": site.spec.rig.bend_radius_m,
        "mud": worst_mud(d.mud),
    }
    if d.pull is not None:
        figures |= {
            "pull_kn": d.pull.path.largest_n / 1000,
            "pull_ratio": d.pull.margin.ratio,
            "pull_filled_kn": d.pull.filled_n / 1000,
            "safe_pull_kn": d.pull.margin.safe_n / 1000,
            "weak_link_kn": d.pull.margin.weak_link_n / 1000,
            "collapse_safety": d.pull.collapse.safety,
        }
    if d.volumes is not None:
        figures |= {"fluid_m3": d.volumes.fluid_m3, "spoil_m3": d.volumes.spoil_m3}
    if d.hours is not None:
        figures |= {"hours": d.hours.total_h, "pull_speed_m_s": d.fastest_m_s}
    if d.cost is not None and site.spec.cost is not None:
        figures |= {"cost": d.cost.total_own, "at_stake": d.at_stake, "currency": site.spec.cost.currency}
    return figures


def costs(layout: Layout, units: str) -> Iterator[Row]:
    """A row per item of the layout's cost. units: us or metric, for the words."""
    for line in layout.costs.lines(units) if layout.costs is not None else ():
        yield None, {"layout_id": layout.layout_id, **line}


def findings(layout: Layout) -> Iterator[Row]:
    """What is worth telling of a layout, worst first, and where mud is to be expected."""
    for f in layout.findings:
        yield (
            None,
            {
                "layout_id": layout.layout_id,
                "bore_id": f.bore_id,
                "feature_id": f.feature_id,
                "severity": f.severity,
                "code": f.code,
                "message": f.message,
                "remedy": f.remedy,
                "station_m": f.station_m,
            },
        )
    for d in layout.drills:
        for units, lines in d.returns.items():
            names = {"layout_id": layout.layout_id, "bore_id": d.bore_id, "severity": "expect", "code": "returns"}
            for line in lines:
                yield None, {**names, "message": line, "units": units}
