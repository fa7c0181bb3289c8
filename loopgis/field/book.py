"""What is known of a layout as it was drilled, as plain values: computed once, drawn by the as-built sheet and the owner's page.

Lengths in metres, pitches in percent and negative going down, station in drilled metres from the entry, right of the painted line
and right of the plan positive, down positive. x, y are east and north in metres of the job's local frame, z of the terrain's datum;
file_x, file_y in the GeoPackage's coordinate system; longitude and latitude in WGS84. None and NaN: not known, never a guess.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

State = Literal["drilled", "begun", "planned"]
"""drilled: came out, or all its rods are in; begun: some rods were read; planned: nothing was read yet."""


@dataclass(frozen=True, kw_only=True)
class BuiltRod:
    """Head at the end of one rod, as drilled.

    depth_m: below the ground above, by all that was read; read_depth_m: as the locator said; along_m, right_m, down_m: off the
    plan; tube_m: radius of the tube that the bore may use; error_m, error_z_m: standard errors across the bore and in height;
    gap_m: locator's height less that of the summed pitches, allowed_m: what it may be; told: it drifted or left its tube here.
    """

    rod: int
    station_m: float
    x: float
    y: float
    z_m: float
    ground_m: float
    depth_m: float
    read_depth_m: float | None
    pitch_pct: float | None
    along_m: float | None
    right_m: float | None
    down_m: float | None
    tube_m: float | None
    error_m: float
    error_z_m: float
    gap_m: float | None
    allowed_m: float | None
    told: bool
    read_at: str = ""
    remark: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class BuiltLeg:
    """One hole in the ground. abandoned: given up, the hole is still there; rods from given_up_from on are no other leg's."""

    number: int
    abandoned: bool
    given_up_from: int | None
    rods: tuple[BuiltRod, ...]
    line: Array
    """(n, 3) x, y, z, a vertex at least every 0.5 m."""
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BuiltCrossing:
    """A thing that is passed, as planned and as drilled. clearance_m: clear gap to the hole; required_m: what the rules ask."""

    feature_id: str
    kind: str
    label: str
    code: str
    station_m: float
    rod: int
    how: str
    planned_m: float | None
    clearance_m: float | None
    sigma_m: float | None
    required_m: float | None
    outcome: str


@dataclass(frozen=True, kw_only=True)
class BuiltRecord:
    """A record beside the rods: event pull, test or purge; said: what was recorded; limit: what it is held against, in words.

    outcome: pass, fail, or unverified when a figure or a limit is missing; words: what comes of it, empty when all is well;
    bore_id: "" for the whole field.
    """

    bore_id: str
    event: str
    read_at: str
    tablet: str
    said: str
    limit: str
    outcome: str
    words: str = ""


@dataclass(frozen=True, kw_only=True)
class Fixed:
    """A point that stays: corner of a building, or of the lot (corner_of: "building" or "lot")."""

    name: str
    corner_of: str
    x: float
    y: float
    distance_m: float


@dataclass(frozen=True, kw_only=True)
class Tie:
    """Something that must be found again, with tapes from two fixed points. error_m: standard error of its place.

    what: entry, exit, end (of a leg that was given up), header, wall; mark: letter or number on the picture.
    """

    what: str
    mark: str
    words: str
    bore_id: str
    x: float
    y: float
    lon: float
    lat: float
    file_x: float
    file_y: float
    depth_m: float | None
    error_m: float
    first: Fixed
    second: Fixed


@dataclass(frozen=True, kw_only=True, eq=False)
class BuiltBore:
    """One bore, planned and as drilled. The last leg is the bore; those before were given up.

    planned: (n, 3) path as planned; painted: (2, 2) line on the lawn; surveyed_exit: how far the surveyed exit lies from where the
    reads lead (along, right, up), None without one; worst_off_m: farthest off the plan, of which rod, and the tube there.
    """

    bore_id: str
    state: State
    source: str
    planned: Array
    painted: Array
    planned_length_m: float
    length_m: float
    max_depth_m: float
    pipe_m: float
    hole_diameter_m: float
    legs: tuple[BuiltLeg, ...] = ()
    crossings: tuple[BuiltCrossing, ...] = ()
    records: tuple[BuiltRecord, ...] = ()
    surveyed_exit: tuple[float, float, float] | None = None
    worst_off_m: float | None = None
    worst_rod: int | None = None
    worst_tube_m: float | None = None
    remarks: tuple[str, ...] = ()

    @property
    def leg(self) -> BuiltLeg | None:
        """The hole that holds the loop; None while nothing was read, or all was given up."""
        return next((leg for leg in reversed(self.legs) if not leg.abandoned), None)


@dataclass(frozen=True, kw_only=True)
class BuiltHeat:
    """Does the loop as drilled (bores that are still to come as planned) carry the house. needed_m: None when no length would."""

    planned_length_m: float
    length_m: float
    planned_needed_m: float | None
    needed_m: float | None
    planned_ewt_c: tuple[float, float]
    ewt_c: tuple[float, float]
    limits_c: tuple[float, float]
    years: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Thing:
    """Something on the picture. shape: line, area or point; xy: (n, 2)."""

    feature_id: str
    kind: str
    label: str
    code: str
    shape: str
    xy: Array


@dataclass(frozen=True, kw_only=True)
class BuiltFinding:
    """Something worth telling. severity: error, warning, note."""

    severity: str
    code: str
    bore_id: str
    message: str
    remedy: str = ""

    @property
    def line(self) -> str:
        """In one line."""
        return f"{self.severity}: {self.message}" + (f"; {self.remedy}" if self.remedy else "")


@dataclass(frozen=True, kw_only=True, eq=False)
class BuiltBook:
    """A layout as drilled.

    built_id: id of the layout of drilled bores in the file; claim: what may be said of the distances; accuracy: where the places
    and depths come from and how sure they are, one line each; sources: log files and tablets; parcel, buildings: rings (n, 2);
    header: (n, 2) run to the building, None without one; records: of the whole field; tracer: words on tracer wire or tape, empty
    when nothing was said; first_day, last_day: of the readings, ISO dates in UTC.
    """

    site: str
    parcel_id: str
    layout_id: str
    built_id: str
    units: str
    rig: str
    pipe: str
    rod_length_m: float
    crs_name: str
    claim: str
    bores: tuple[BuiltBore, ...]
    ties: tuple[Tie, ...]
    findings: tuple[BuiltFinding, ...]
    accuracy: tuple[str, ...]
    sources: tuple[str, ...]
    parcel: tuple[Array, ...]
    buildings: tuple[Array, ...]
    things: tuple[Thing, ...]
    pad: Array
    header: Array | None
    heat: BuiltHeat | None = None
    records: tuple[BuiltRecord, ...] = ()
    tracer: str = ""
    first_day: str = ""
    last_day: str = ""
    facts: tuple[str, ...] = field(default=())
