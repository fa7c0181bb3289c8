"""What the permit office's sheets are drawn from: one layout of a GeoPackage, measured anew by the audit, as plain data.

`permit_read` fills it; the sheets, tables and files only read it. Coordinates are metres in a transverse Mercator of scale 1
centred on the lot (`PermitBook.frame_wkt`), x east, y true north; heights are metres above the file's datum; stations are metres
drilled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    import numpy as np
    from numpy.typing import NDArray
    from shapely import MultiPolygon, Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.findings import Finding, Outcome

    Array = NDArray[np.float64]
    XY = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Revision:
    """One line of the revision block."""

    number: str
    day: str
    by: str
    what: str


@dataclass(frozen=True, kw_only=True)
class Title:
    """What the title block says besides the site's own name; "" is drawn as a line to write on."""

    project: str = ""
    address: str = ""
    owner: str = ""
    contractor: str = ""
    licence: str = ""
    designer: str = ""
    office: str = ""
    permit: str = ""
    ticket: str = ""
    day: str = ""
    revisions: tuple[Revision, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Side:
    """One side of the lot: its ends, length on the ground in metres, azimuth from true north (0..360), bearing in words."""

    start: XY
    end: XY
    length_m: float
    azimuth_deg: float
    bearing: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Lot:
    """The lot: outline, corners in order (n, 2), sides between them, area. Neighbours' lots where they were given."""

    polygon: Polygon | MultiPolygon
    corners: Array
    sides: tuple[Side, ...]
    area_m2: float
    neighbours: tuple[Polygon | MultiPolygon, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Thing:
    """A building or feature. half_m: half its width where it is drawn as line or point; depth_m: None when nobody knows.

    located: how well its place is known, in words ("quality B: found from the surface, depth not measured"); letter: of the public
    uniform colour code or ""; on_lot: some of it lies on the lot; columns: what else the file says of it ("use", "foundation" ...).
    """

    feature_id: str
    kind: str
    label: str
    geometry: BaseGeometry
    quality: str
    located: str
    depth_m: float | None
    half_m: float
    letter: str
    on_lot: bool
    columns: dict[str, str]

    @property
    def name(self) -> str:
        """What people call it: its label, else its kind and id."""
        return self.label or f"{self.kind.replace('_', ' ')} {self.feature_id}"


@dataclass(frozen=True, kw_only=True)
class Dimension:
    """A plan distance to draw: from the bore (or pad) to the thing, frame metres, and its length."""

    start: XY
    end: XY
    length_m: float


@dataclass(frozen=True, kw_only=True)
class SetbackRow:
    """One bore (or pad: bore_id "", or the whole layout) against one rule and one thing.

    required, provided, margin: in `unit` ("m", "deg", "bores" or ""); provided and margin None when nothing could be measured;
    basis: plan | cover | gap | angle | alongside | depth | count | fluid | pad | missing. feature_id "" and kind alone when a
    layer is missing. authority: name of the rule's file; status, checked: how well the rule's text is known and when somebody
    looked at it.
    """

    layout_id: str
    bore_id: str
    rule_id: str
    feature_id: str
    kind: str
    thing: str
    basis: str
    required: float
    provided: float | None
    margin: float | None
    unit: str
    tolerance_m: float
    outcome: Outcome
    station_m: float | None
    remark: str
    located: str
    paraphrase: str
    citation: str
    authority: str
    status: str
    checked: date | None
    on_fail: str
    dimension: Dimension | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Crossing:
    """Where a bore passes under (or over) a thing, in plan.

    start_m, end_m: drilled stations between which it lies over the bore (equal for a line); depth_m: of the thing, None unknown;
    low_m, high_m: range of depths assumed for its kind when unknown; gap_m: clear height between hole and thing (an area: between
    the hole's top and the thing's bed or foot), None when its depth is unknown; angle_deg: None for areas.
    """

    feature_id: str
    kind: str
    thing: str
    letter: str
    quality: str
    start_m: float
    end_m: float
    depth_m: float | None
    low_m: float
    high_m: float
    half_m: float
    gap_m: float | None
    angle_deg: float | None
    xy: XY


@dataclass(frozen=True, kw_only=True, eq=False)
class BorePlan:
    """One bore as written: xyz (n, 3) frame metres (z NaN for a line without heights), stations, ground and depth at its vertices.

    entry, exit: latitude and longitude in degrees (of the lot's own datum); native: (entry, exit) in the lot's CRS as the file has
    it; pitches in percent, negative going down; figures None when heights or ground are unknown; source: planned, staked, logged,
    surveyed or "".
    """

    bore_id: str
    source: str
    xyz: Array
    station_m: Array
    ground_m: Array
    depth_m: Array
    flat: bool
    ground_known: bool
    hole_diameter_m: float
    length_m: float
    plan_length_m: float
    max_depth_m: float | None
    min_cover_m: float | None
    entry_pitch_pct: float | None
    exit_pitch_pct: float | None
    entry_lat_lon: XY
    exit_lat_lon: XY
    entry_native: XY
    exit_native: XY
    crossings: tuple[Crossing, ...]
    governing: SetbackRow | None
    """The plan distance that is nearest to what is asked (or farthest below it)."""
    outcome: Outcome
    """The worst of its rows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ZonePlan:
    """Ground that a rule keeps (without tolerances): nearer than distance_m to the thing. closed: to bores at every depth."""

    rule_id: str
    feature_id: str
    kind: str
    mode: str
    distance_m: float
    closed: bool
    polygon: BaseGeometry


@dataclass(frozen=True, kw_only=True)
class RuleLine:
    """What became of one rule, duty or wish of an office, so that nobody takes silence for a pass.

    state: "checked" (measured, every row), "not checked" (a layer or figure is missing, or it does not concern these bores) or
    "needs a person" (a duty, a ruling, a consent, a doubt). why: one line; outcomes: number of rows by outcome.
    """

    key: str
    sentence: str
    citation: str
    state: str
    why: str
    outcomes: dict[str, int]
    status: str
    checked: date | None


@dataclass(frozen=True, kw_only=True)
class FileLine:
    """One rule file as used: words for a caution when its text is only from memory or second hand."""

    file_id: str
    name: str
    level: str
    status: str
    checked: date | None
    certainty: str
    caution: str


@dataclass(frozen=True, kw_only=True)
class SourceLine:
    """One layer of the file: what it holds, rows, when it was last changed (as the file says), quality levels in it."""

    layer: str
    what: str
    rows: int
    changed: str
    quality: str


@dataclass(frozen=True, kw_only=True)
class CheckLine:
    """One thing that an office asks to see and where it stands in the set; state: shown | missing | by hand."""

    item: str
    state: str
    where: str


@dataclass(frozen=True, kw_only=True)
class Detail:
    """One line of the detail notes: what, figure or words, and where it comes from."""

    group: str
    name: str
    value: str
    source: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class PermitBook:
    """Everything on the permit office's sheets for one layout."""

    file_name: str
    file_sha256: str
    site: str
    parcel_id: str
    layout_id: str
    layouts: tuple[str, ...]
    """All layouts in the file; "" is a layout without a name."""
    units: str
    title: Title
    crs_name: str
    crs_wkt: str
    frame_wkt: str
    """WKT1 of the transverse Mercator in which all coordinates are."""
    centre_lat_lon: XY
    convergence_deg: float
    """Azimuth of the grid north of the lot's CRS, from true north, clockwise positive."""
    datum: str
    height_datum: str
    ground: str
    """Where the ground's heights come from, in words."""
    lot: Lot
    things: tuple[Thing, ...]
    zones: tuple[ZonePlan, ...]
    pads: tuple[Polygon, ...]
    headers: tuple[Array, ...]
    bores: tuple[BorePlan, ...]
    rows: tuple[SetbackRow, ...]
    """Every row of this layout."""
    table: tuple[SetbackRow, ...]
    """One row per rule and thing: the worst over the bores, as the office's table has it; worst first within a rule file."""
    rules: tuple[RuleLine, ...]
    files: tuple[FileLine, ...]
    checklist: tuple[CheckLine, ...]
    sources: tuple[SourceLine, ...]
    missing: tuple[str, ...]
    details: tuple[Detail, ...]
    findings: tuple[Finding, ...]
    """What the audit found in this layout besides the rows: doubled ids, no heights, bores too near each other."""
    claim: str
    """One sentence: meets the distances entered, or not, or in doubt."""
    cautions: tuple[str, ...]
    """All that stand on every sheet: the package's own, then those of rules that are only from memory or second hand."""
    map_radius_m: float
    map_radius_source: str
    as_built_days: int | None
    as_built_decimals: int
    as_built_source: str
    others: tuple[str, ...] = ()
    """How the other layouts of the file stand, one line each, worst first."""

    @property
    def failed(self) -> bool:
        """True when a row fails or the audit found an error."""
        return any(r.outcome == "fail" for r in self.rows) or any(f.severity == "error" for f in self.findings)
