"""What a crew needs of one layout, as plain values: read from a GeoPackage once, drawn and exported by the drill sheets.

Lengths in metres, pressures in pascals, pitch in percent and negative going down, azimuth clockwise from true north, station in
drilled metres from the entry, offsets right of the painted line positive. x and y are in the GeoPackage's own coordinate system,
longitude and latitude in WGS84.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class RodLine:
    """Head at the end of one rod; rod 0 is the entry, the last one the exit.

    offset_m: right of the painted line (straight from entry to exit) positive; action: what to steer over the NEXT rod, in words;
    note: what this rod is; locate: why the depth reading needs care here, empty when it does not; crossing: what is passed on the
    way to this rod end, empty when nothing is.
    """

    rod: int
    station_m: float
    x: float
    y: float
    lon: float
    lat: float
    z_m: float
    ground_m: float
    depth_m: float
    pitch_pct: float
    azimuth_deg: float
    offset_m: float
    action: str
    note: str
    locate: str = ""
    crossing: str = ""


@dataclass(frozen=True, kw_only=True)
class CrossingLine:
    """A thing that the bore passes under or over.

    code: letter of the public uniform colour code, "" when it has none; rod: the rod on which the head passes it; under: the bore
    passes below it; beside: it is not crossed but may be touched; buried: a line or tank that is to be exposed first; depth_m: of
    the thing, None when unknown; clearance_m: clear gap to the reamed hole; sigma_m: its standard deviation; risk: relative index
    of contact; consequence: class in words ("danger to life", "service lost", "to be mended").
    """

    feature_id: str
    kind: str
    label: str
    code: str
    quality: str
    station_m: float
    rod: int
    angle_deg: float
    under: bool
    depth_m: float | None
    clearance_m: float | None
    sigma_m: float | None
    risk: float | None
    consequence: str
    outcome: str
    beside: bool = False
    buried: bool = True

    @property
    def how(self) -> str:
        """In one word: under, over, or beside."""
        return "beside" if self.beside else "under" if self.under else "over"


@dataclass(frozen=True, kw_only=True, eq=False)
class Along:
    """The bore station by station, arrays (n,).

    x, y: in the file's coordinate system; plan_m: length in plan from the entry; ground_m, z_m: elevations; demand_pa,
    demand_high_pa: mud pressure needed
    to come back, by the power law and by Bingham; capacity_pa: what the ground bears; overburden_pa: total weight above (all four
    NaN when nothing is known of the ground); lateral_m, vertical_m: standard deviations of the head's place.
    """

    station_m: Array
    plan_m: Array
    x: Array
    y: Array
    ground_m: Array
    z_m: Array
    demand_pa: Array
    demand_high_pa: Array
    capacity_pa: Array
    overburden_pa: Array
    lateral_m: Array
    vertical_m: Array


@dataclass(frozen=True, kw_only=True)
class Figures:
    """Key figures of one bore; None = not computed, never a guess.

    pull_n: largest pull on the empty pipes; pull_filled_n: the same when the pipes are pulled full of water; safe_pull_n: what
    both pipes bear; weak_link_n: rating of the weak link (one leg);
    collapse_safety: of the empty pipe in mud; reamer_m: hole asked for; pipe_bend_m: least radius of the pipe at pit and header;
    rod_bend_m: least radius of the rods; tightest_m: tightest radius of the path; fluid_m3, spoil_m3: to mix and to haul;
    pull_speed_m_s: fastest that the pump keeps up with;
    hours: pilot to pulled loop; at_stake: worth of head, electronics, bit and rods in the ground, in `currency`.
    """

    length_m: float
    plan_length_m: float
    level_length_m: float
    max_depth_m: float
    target_depth_m: float
    hole_diameter_m: float
    rods: int
    pipe_m: float
    entry_pitch_pct: float
    exit_pitch_pct: float
    tightest_m: float | None
    rod_bend_m: float | None = None
    pipe_bend_m: float | None = None
    pull_n: float | None = None
    pull_filled_n: float | None = None
    safe_pull_n: float | None = None
    weak_link_n: float | None = None
    collapse_safety: float | None = None
    reamer_m: float | None = None
    fluid_m3: float | None = None
    spoil_m3: float | None = None
    pull_speed_m_s: float | None = None
    hours: float | None = None
    at_stake: float | None = None
    currency: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class DrillPage:
    """One bore: its figures, rods, crossings, the path station by station, and what must be told.

    warnings: findings with their remedies, worst first, one line each; returns: where mud may surface, and where to contain it,
    one
    line each.
    """

    layout_id: str
    bore_id: str
    pattern: str
    source: str
    figures: Figures
    rods: tuple[RodLine, ...]
    crossings: tuple[CrossingLine, ...]
    along: Along
    warnings: tuple[str, ...] = ()
    returns: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Gate:
    """May the crew drill, by the one-call ticket and by what was found of the layout.

    open: every owner has answered, nothing is outstanding, and the layout has no fault; lines: what is missing or what was
    answered, one line each; why: what stops the crew, in a few words.
    """

    open: bool
    lines: tuple[str, ...]
    why: str = "waiting for answers"


@dataclass(frozen=True, kw_only=True, eq=False)
class DrillBook:
    """All pages of a layout with what they share.

    units: "us" or "metric", for sheets; rig: in words; rod_length_m; pipe: in words; crs_wkt: of x and y; gate: see Gate; pad:
    (n, 2) ring of the pad in x and y; header: (n, 2) run to the building or None;
    white_line: (n, 2) closed ring, longitude and latitude, of everything that is dug or drilled; white_line_m2: its area;
    claim: what may be said of the distances ("Meets the distances entered" or how many fail);
    facts: further lines for the first page (days, cost).
    """

    site: str
    parcel_id: str
    layout_id: str
    rank: int
    units: str
    rig: str
    rod_length_m: float
    pipe: str
    crs_wkt: str
    gate: Gate
    pages: tuple[DrillPage, ...]
    pad: Array
    header: Array | None
    white_line: Array
    white_line_m2: float
    claim: str
    facts: tuple[str, ...] = field(default=())
