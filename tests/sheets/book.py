"""A small made-up drill book: two bores, the second curved in plan too, with crossings, pad, header, and a ticket not yet all in.

Everything is laid out in metres of a local frame round a place and then told in the coordinate system asked for. The ground is a
tilted plane; every bore is a slanting start, an arc, a level run, an arc and a slanting end, added up in short steps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from pyproj import CRS, Transformer

from loopgis.core.frame import Frame
from loopgis.sheets.drill_book import Along, CrossingLine, DrillBook, DrillPage, Figures, Gate, RodLine

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LON, LAT = -71.5, 42.3
"""Inside the areas of EPSG:2249 (US survey feet), EPSG:32619 (metres) and the geographic ones; other places by argument."""
ROD_M, RADIUS_M, STEP_M = 3.048, 40.0, 0.02
ENTRY_RAD, EXIT_RAD = float(np.arctan(0.30)), float(np.arctan(0.25))
SLOPE_X, SLOPE_Y, HEIGHT_M = 0.03, -0.02, 100.0
PAD_XY = np.array([[-4.0, -2.5], [4.0, -2.5], [4.0, 2.5], [-4.0, 2.5], [-4.0, -2.5]])
HEADER_XY = np.array([[-4.0, 0.0], [-10.0, -1.0], [-14.0, -6.0]])
HALF_WIDTH_M = 3.0


def ground(xy: Array) -> Array:
    """Elevation of the tilted plane at frame points (n, 2), metres."""
    return HEIGHT_M + SLOPE_X * xy[:, 0] + SLOPE_Y * xy[:, 1]


def path(
    entry: tuple[float, float], azimuth_deg: float, level_m: float, turn_m: float
) -> tuple[Array, Array, Array, Array]:
    """A bore in the frame: stations (n,), points (n, 3), pitch (n,) in rad, azimuth (n,) in rad, steps of 2 cm until it is out.

    turn_m: radius of a turn to the right over 15 m of the level run, 0 when the bore is straight in plan.
    """
    marks = np.cumsum([0.0, 4.0, RADIUS_M * ENTRY_RAD, level_m, RADIUS_M * EXIT_RAD, 60.0])
    station = np.arange(0.0, marks[-1], STEP_M)
    pitch = np.interp(station, marks, [-ENTRY_RAD, -ENTRY_RAD, 0.0, 0.0, EXIT_RAD, EXIT_RAD])
    turned = np.clip(station - marks[2] - 3.0, 0.0, 15.0) / turn_m if turn_m else np.zeros_like(station)
    azimuth = np.radians(azimuth_deg) + turned
    p, a = (pitch[1:] + pitch[:-1]) / 2, (azimuth[1:] + azimuth[:-1]) / 2
    steps = STEP_M * np.column_stack([np.cos(p) * np.sin(a), np.cos(p) * np.cos(a), np.sin(p)])
    start = np.array([*entry, ground(np.array([entry]))[0]])
    xyz = start + np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    cover = ground(xyz[:, :2]) - xyz[:, 2]
    last = int(np.nonzero((cover > 0) & (station > marks[3]))[0][-1])
    share = cover[last] / (cover[last] - cover[last + 1])
    end = last + 2
    station[last + 1] = station[last] + share * STEP_M
    xyz[last + 1] = xyz[last] + share * (xyz[last + 1] - xyz[last])
    return station[:end], xyz[:end], pitch[:end], azimuth[:end]


def _at(marks: Array, station: Array, values: Array) -> Array:
    columns = [np.interp(marks, station, column) for column in np.atleast_2d(values.T)]
    return np.column_stack(columns) if values.ndim > 1 else columns[0]


def _action(change_deg: float, turn_deg: float) -> str:
    vertical = "up" if change_deg > 0.2 else "down" if change_deg < -0.2 else ""
    side = "right" if turn_deg > 0.2 else "left" if turn_deg < -0.2 else ""
    clock = {"up": "12", "down": "6", "right": "3", "left": "9", "upright": "1:30", "upleft": "10:30"}.get(
        vertical + side
    )
    return f"Push at {clock} o'clock, {' and '.join(filter(None, (vertical, side)))}" if clock else "Rotate straight"


class _Told:
    """The frame of a book with its two ways out: the file's coordinates, and WGS84."""

    def __init__(self, crs: str, lon: float, lat: float) -> None:
        self.frame = Frame.centred(lon, lat, CRS.from_user_input(crs).to_wkt())
        self.wgs84 = Transformer.from_crs(self.frame.parcel_crs, "EPSG:4326", always_xy=True)

    def xy(self, frame_xy: Array) -> Array:
        return self.frame.to_parcel_crs(frame_xy)

    def lonlat(self, frame_xy: Array) -> Array:
        xy = self.xy(frame_xy)
        return np.column_stack(self.wgs84.transform(xy[:, 0], xy[:, 1]))


def _rods(told: _Told, line: tuple[Array, Array, Array, Array], passed: dict[int, str]) -> tuple[RodLine, ...]:
    station, xyz, pitch, azimuth = line
    marks = np.append(np.arange(0.0, station[-1] - 0.01, ROD_M), station[-1])
    ends = _at(marks, station, xyz)
    pitch_at, azimuth_at = np.degrees(_at(marks, station, pitch)), np.degrees(_at(marks, station, azimuth))
    xy, lonlat, surface = told.xy(ends[:, :2]), told.lonlat(ends[:, :2]), ground(ends[:, :2])
    chord = (ends[-1] - ends[0])[:2] / np.hypot(*(ends[-1] - ends[0])[:2])
    offset = (ends[:, :2] - ends[0, :2]) @ np.array([chord[1], -chord[0]])
    depth = np.where(np.abs(surface - ends[:, 2]) < 1e-9, 0.0, surface - ends[:, 2])
    rods, last = [], len(marks) - 1
    for i in range(len(marks)):
        note = "entry" if i == 0 else "exit" if i == last else "level run" if abs(pitch_at[i]) < 0.01 else ""
        after = min(i + 1, last)
        rods.append(
            RodLine(
                rod=i,
                station_m=float(marks[i]),
                x=float(xy[i, 0]),
                y=float(xy[i, 1]),
                lon=float(lonlat[i, 0]),
                lat=float(lonlat[i, 1]),
                z_m=float(ends[i, 2]),
                ground_m=float(surface[i]),
                depth_m=float(depth[i]),
                pitch_pct=float(100 * np.tan(np.radians(pitch_at[i]))),
                azimuth_deg=float(azimuth_at[i] % 360),
                offset_m=float(offset[i]),
                action="" if i == last else _action(pitch_at[after] - pitch_at[i], azimuth_at[after] - azimuth_at[i]),
                note=note,
                locate="near the gas line: read twice" if i in passed and "gas" in passed[i] else "",
                crossing=passed.get(i, ""),
            )
        )
    return tuple(rods)


def _along(told: _Told, line: tuple[Array, Array, Array, Array]) -> Along:
    station, xyz, _, _ = line
    marks = np.append(np.arange(0.0, station[-1] - 0.01, 0.5), station[-1])
    points = _at(marks, station, xyz)
    xy, surface = told.xy(points[:, :2]), ground(points[:, :2])
    depth = np.maximum(surface - points[:, 2], 0.0)
    demand = 10_800.0 * depth + 400.0 * marks
    return Along(
        station_m=marks,
        plan_m=np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T))]),
        x=xy[:, 0].copy(),
        y=xy[:, 1].copy(),
        ground_m=surface,
        z_m=points[:, 2],
        demand_pa=demand,
        demand_high_pa=1.3 * demand,
        capacity_pa=60_000.0 * depth,
        overburden_pa=19_000.0 * depth,
        lateral_m=0.05 + 0.006 * marks,
        vertical_m=0.02 + 0.05 * depth,
    )


def _crossings(station_m: float, line: tuple[Array, Array, Array, Array], *, known: bool) -> tuple[CrossingLine, ...]:
    """A gas line at a station, and two metres of station further a drain of which nothing is known unless `known`."""
    station, xyz, _, _ = line
    here = _at(np.array([station_m]), station, xyz)
    depth = float(ground(here[:, :2])[0] - here[0, 2])
    gas = CrossingLine(
        feature_id="gas-1",
        kind="gas_line",
        label='Gas & "main" <2 in>',
        code="G",
        quality="B",
        station_m=station_m,
        rod=int(np.ceil(station_m / ROD_M)),
        angle_deg=82.0,
        under=True,
        depth_m=0.9,
        clearance_m=depth - 0.9 - 0.09,
        sigma_m=0.12,
        risk=0.004,
        consequence="danger to life",
        outcome="pass",
    )
    drain = CrossingLine(
        feature_id="drain-3",
        kind="storm_drain",
        label="Old clay drain, owner unknown",
        code="S",
        quality="D",
        station_m=station_m + 12.0,
        rod=int(np.ceil((station_m + 12.0) / ROD_M)),
        angle_deg=64.0,
        under=True,
        depth_m=1.2 if known else None,
        clearance_m=0.7 if known else None,
        sigma_m=0.3 if known else None,
        risk=None,
        consequence="nuisance",
        outcome="unverified",
    )
    return gas, drain


def _page(told: _Told, number: int, line: tuple[Array, Array, Array, Array], gas_m: float, *, full: bool) -> DrillPage:
    station, xyz, _, _ = line
    crossings = _crossings(gas_m, line, known=full)
    rods = _rods(told, line, {c.rod: f"{c.kind} {c.feature_id}" for c in crossings})
    depths = ground(xyz[:, :2]) - xyz[:, 2]
    length = float(station[-1])
    figures = Figures(
        length_m=length,
        plan_length_m=float(np.hypot(*np.diff(xyz[:, :2], axis=0).T).sum()),
        level_length_m=28.0 if number == 1 else 33.0,
        max_depth_m=float(depths.max()),
        target_depth_m=3.0,
        hole_diameter_m=0.127,
        rods=len(rods) - 1,
        pipe_m=2 * length + 6.0,
        entry_pitch_pct=-30.0,
        exit_pitch_pct=25.0,
        tightest_m=RADIUS_M,
        rod_bend_m=33.0,
        pipe_bend_m=1.1,
        pull_n=4_200.0 if full else None,
        pull_filled_n=5_900.0 if full else None,
        safe_pull_n=11_000.0 if full else None,
        weak_link_n=5_300.0 if full else None,
        collapse_safety=3.4 if full else None,
        reamer_m=0.127 if full else None,
        fluid_m3=1.9 if full else None,
        spoil_m3=1.1 if full else None,
        pull_speed_m_s=0.03 if full else None,
        hours=5.5 if full else None,
        at_stake=18_000.0 if full else None,
        currency="USD" if full else "",
    )
    return DrillPage(
        layout_id="L-01",
        bore_id=f"B-{number:02d}",
        pattern="fan",
        source="generated",
        figures=figures,
        rods=rods,
        crossings=crossings,
        along=_along(told, line),
        warnings=(
            "Depth of the drain is not known: open the ground there before the head comes near.",
            "Mud may surface over the last two rods: keep the pump slow and a bund ready.",
        )
        if not full
        else ("Gas line passed at rod end: open the ground & watch the head pass.",),
        returns=("Exit pit: bund on the low side, vacuum truck at hand.",),
    )


def book(
    crs: str = "EPSG:2249",
    *,
    lon: float = LON,
    lat: float = LAT,
    units: str = "",
    header: bool = True,
    all_in: bool = False,
) -> DrillBook:
    """The drill book in a coordinate system, round a place; units: "us" or "metric", by default what the CRS measures in.

    header: whether the layout has one; all_in: whether every owner has answered.
    """
    told = _Told(crs, lon, lat)
    straight, bent = path((1.0, 2.5), 20.0, 28.0, 0.0), path((3.5, 1.0), 65.0, 33.0, 60.0)
    marks = [line[1][:, :2] for line in (straight, bent)]
    shapes = [shapely.LineString(m).buffer(HALF_WIDTH_M) for m in marks] + [
        shapely.Polygon(PAD_XY).buffer(HALF_WIDTH_M)
    ]
    if header:
        shapes.append(shapely.LineString(HEADER_XY).buffer(HALF_WIDTH_M))
    area = shapely.Polygon(shapely.union_all(shapes).exterior).buffer(0.4).simplify(0.3)
    ring = shapely.get_coordinates(area.exterior)
    ring = ring if area.exterior.is_ccw else ring[::-1]
    feet = told.frame.parcel_crs.axis_info[0].unit_conversion_factor
    return DrillBook(
        site="Ash & Elm, lot <7>",
        parcel_id="12-7",
        layout_id="L-01",
        rank=1,
        units=units or ("us" if 0.30 < feet < 0.31 else "metric"),
        rig="small rig, 20000 lbf, rods 10 ft",
        rod_length_m=ROD_M,
        pipe='PE 4710 1" DR 11, two legs',
        crs_wkt=told.frame.parcel_wkt,
        gate=Gate(open=True, lines=("Ticket 2026-114: every owner has answered.",))
        if all_in
        else Gate(
            open=False,
            lines=(
                "Ticket 2026-114: Gas & Light Co. has not answered.",
                "Ticket 2026-114: Water Board answered: marked.",
                "Private lines: nobody has looked for them yet.",
            ),
        ),
        pages=(
            _page(told, 1, straight, 22.0, full=True),
            _page(told, 2, bent, 27.5, full=False),
        ),
        pad=told.xy(PAD_XY),
        header=told.xy(HEADER_XY) if header else None,
        white_line=told.lonlat(ring),
        white_line_m2=float(area.area),
        claim="Meets the distances entered",
        facts=("2 bores, 1 day of drilling.", "Cost not computed."),
    )
