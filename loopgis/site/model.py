"""What a site is, once read: plain values in one local frame. Nothing here touches a file.

Coordinates are frame metres (see `loopgis.core.frame`), z is metres above the raster's datum, depths are positive down
from the ground surface above the point.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from loopgis.core.findings import Finding
    from loopgis.core.frame import Frame


@dataclass(frozen=True, kw_only=True)
class Feature:
    """One thing on or under the ground.

    kind: a row of tables/kinds.toml; geometry: 2-D shapely geometry in the frame, valid, never empty;
    quality: ASCE 38 level "A".."D" or "unknown"; depth_m: depth of its top (a line: of its axis; a pond: of its bed)
    below ground, None when nobody knows; attributes: further columns as text (use, foundation, owner ...), lower-case
    names; label: what people call it.
    """

    feature_id: str
    kind: str
    geometry: BaseGeometry
    quality: str = "unknown"
    depth_m: float | None = None
    attributes: tuple[tuple[str, str], ...] = ()
    label: str = ""

    def attribute(self, name: str) -> str:
        """Value of a column, "unknown" when absent or empty."""
        return dict(self.attributes).get(name, "") or "unknown"


@dataclass(frozen=True, eq=False)
class Terrain:
    """Ground elevation: the raster's own cells, and how frame coordinates map onto them.

    z_m: (rows, cols) elevation at cell centres, metres, NaN where unknown. map_col and map_row: six coefficients each of
    the polynomial 1, x, y, x^2, x y, y^2 (frame metres, scaled by 1e-3) that gives the column and row of a frame point, cell
    centres at whole numbers; exact to 1e-3 cells over the window (checked when read). A site without a raster is flat:
    z_m is 1 x 1 and flat is True.
    """

    z_m: NDArray[np.float64]
    map_col: tuple[float, ...]
    map_row: tuple[float, ...]
    cell_m: float
    flat: bool = False
    crs_wkt: str = ""
    affine: tuple[float, float, float, float, float, float] = (1.0, 0.0, 0.0, 0.0, -1.0, 0.0)
    """Pixel-to-CRS transform (a, b, c, d, e, f) of the window as rasterio writes it, corner of the first cell."""

    def at(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bilinear ground elevation, metres, at frame points of any shape; NaN outside the cover or next to nodata."""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        if self.flat:
            return np.full(np.broadcast(x, y).shape, float(self.z_m[0, 0]))
        rows, cols = self.z_m.shape
        u, v = x * 1e-3, y * 1e-3
        basis = (np.ones_like(u), u, v, u * u, u * v, v * v)
        c = sum(k * b for k, b in zip(self.map_col, basis, strict=True))
        r = sum(k * b for k, b in zip(self.map_row, basis, strict=True))
        c0 = np.clip(np.floor(c), 0, max(cols - 2, 0)).astype(int)
        r0 = np.clip(np.floor(r), 0, max(rows - 2, 0)).astype(int)
        fc, fr = c - c0, r - r0
        slack = 1e-6
        inside = (c >= -slack) & (c <= cols - 1 + slack) & (r >= -slack) & (r <= rows - 1 + slack)
        z = self.z_m
        c1, r1 = np.minimum(c0 + 1, cols - 1), np.minimum(r0 + 1, rows - 1)
        value = (z[r0, c0] * (1 - fc) + z[r0, c1] * fc) * (1 - fr) + (z[r1, c0] * (1 - fc) + z[r1, c1] * fc) * fr
        return np.where(inside, value, np.nan)


FLAT = Terrain(np.zeros((1, 1)), (0.0,) * 6, (0.0,) * 6, 1.0, flat=True)


@dataclass(frozen=True, kw_only=True)
class PadSpec:
    """[pad]: where the rig stands.

    at: frame point or None when the tool searches; size_m: short and long side;
    axis_deg: azimuth of the long side, None = free; entry: frame point where the header enters the building, or None.
    """

    at: tuple[float, float] | None
    size_m: tuple[float, float]
    axis_deg: float | None
    entry: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True)
class DemandSpec:
    """[demand] in SI: W, hours, degrees Celsius, years. Monthly energies in kWh, twelve each, or empty.

    hourly_heating_w, hourly_cooling_w: 8760 building loads each when an hourly file is given, else empty; heating_cop, cooling_cop:
    (entering water degrees Celsius, COP) rows, empty = the usual unit; flow_m3_s: of the whole loop, None = by the trade's rule.
    """

    heating_peak_w: float
    cooling_peak_w: float
    heating_hours: float
    cooling_hours: float
    heating_kwh: tuple[float, ...]
    cooling_kwh: tuple[float, ...]
    hourly: str
    ewt_min_c: float
    ewt_max_c: float
    years: float
    hourly_heating_w: tuple[float, ...] = ()
    hourly_cooling_w: tuple[float, ...] = ()
    heating_cop: tuple[tuple[float, float], ...] = ()
    cooling_cop: tuple[tuple[float, float], ...] = ()
    flow_m3_s: float | None = None
    peak_hours: float = 6.0


@dataclass(frozen=True, kw_only=True)
class GroundSpec:
    """[ground]: conductivity and diffusivity, where they come from, and the undisturbed temperature wave.

    origin: in words; tested: the conductivity was measured on site; offset_k: added to the ground temperature, learned in
    operation.
    """

    soil: str
    k_w_mk: float | None
    diffusivity_m2_s: float | None
    mean_c: float | None
    amplitude_k: float | None
    coldest_day: float
    origin: str = ""
    tested: bool = False
    offset_k: float = 0.0


@dataclass(frozen=True, kw_only=True)
class RigSpec:
    """[rig]: what the machine can do. Pitches are magnitudes in percent (least, most).

    rod_diameter_m: outside; pilot_hole_m: that the bit cuts; pump_m3_s: flow of the mud pump.
    """

    name: str
    rod_length_m: float
    bend_radius_m: float
    entry_pitch_pct: tuple[float, float]
    exit_pitch_pct: tuple[float, float]
    max_length_m: float
    max_depth_m: float
    pullback_n: float
    rod_diameter_m: float = 0.042164
    pilot_hole_m: float = 0.0889
    pump_m3_s: float = 9.46e-4


@dataclass(frozen=True, kw_only=True)
class StrengthSpec:
    """What the ground bears when mud presses on it.

    name: a row of tables/strengths.toml, "" when all figures are given; assumed: taken from the soil's name alone, nobody named a
    strength; ground: row of the fluid ratios; cohesion_pa: undrained strength where friction_rad is 0; moist_n_m3, saturated_n_m3:
    weight of the soil above and below the water; water_table_m: depth of the water below the ground.
    """

    name: str
    assumed: bool
    ground: str
    cohesion_pa: float
    friction_rad: float
    shear_modulus_pa: float
    moist_n_m3: float
    saturated_n_m3: float
    water_table_m: float


@dataclass(frozen=True, kw_only=True)
class MudSpec:
    """[mud]: the two readings of the rotating viscometer, weight of the mud that comes back (kg/m3), volumes of mud to one of hole.

    ratio: None = the middle of what is usual in the ground.
    """

    dial_600: float
    dial_300: float
    density_kg_m3: float
    ratio: float | None


@dataclass(frozen=True, kw_only=True)
class CostSpec:
    """[cost]: prices in `currency`, and how fast the crew works.

    mobilisation: once for the site; crew_per_day: crew and rig; fluid_per_m3: of mud mixed; spoil_per_m3: hauled away;
    tooling_per_m: wear per drilled metre; pipe_per_m: of one pipe; grout_per_m3; per_bore: exit pit, fusion, restoring the ground;
    head (locating head), electronics (in it), bit, rod (one of them): what is lost with a string;
    hours_day: hours of a day in which bores are made; rods_per_hour: of the pilot, whatever their length; setup_h, swap_h (head off
    and reamer on at the exit): for each bore; site_h: coming and leaving, once; pull_rod_min: minutes from one rod to the next when
    pulling back; loss_share: of bores on which the string is lost; pump_m3_s: flow of mud.
    assumed: keys of [cost] that are defaults.
    """

    currency: str
    mobilisation: float
    crew_per_day: float
    fluid_per_m3: float
    spoil_per_m3: float
    tooling_per_m: float
    pipe_per_m: float
    grout_per_m3: float
    per_bore: float
    head: float
    electronics: float
    bit: float
    rod: float
    hours_day: float
    rods_per_hour: float
    setup_h: float
    swap_h: float
    site_h: float
    pull_rod_min: float
    loss_share: float
    pump_m3_s: float
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True)
class BoreSpec:
    """[bore]: level-run targets below ground (tiers), wanted spacing, fixed count or wanted total level length.

    fill: a row of tables/fills.toml, what stands round the pipes; pipe_spacing_m: between the pipes' centres, None = as they fall.
    """

    depth_m: tuple[float, ...]
    depth_given: bool
    spacing_m: float
    bores: int | None
    length_m: float | None
    hole_diameter_m: float
    fill: str = "bentonite grout"
    pipe_spacing_m: float | None = None


@dataclass(frozen=True, kw_only=True)
class PipeSpec:
    """[pipe]: nominal size as the trade says it ("1 in"), dimension ratio, fluid text.

    in_series: bores that one circuit runs through; header: how circuits are joined, a row of HEADERS; heat_pump_pa: pressure lost
    in the heat pump and what belongs to it; pump_efficiency: of the loop pump, wire to water.
    """

    size: str
    dr: float
    fluid: str
    in_series: int = 1
    header: str = "auto"
    heat_pump_pa: float = 3e4
    pump_efficiency: float = 0.4


@dataclass(frozen=True, kw_only=True)
class SiteSpec:
    """The whole site file, in SI, with every default filled in. `given` lists the dotted keys the user wrote.

    per_bore_m, per_crossing_m: drilling that a bore, and a crossing, count for besides the drilled length when bores are chosen.
    """

    path: str
    name: str
    units: str
    rules: tuple[str, ...]
    pad: PadSpec
    demand: DemandSpec | None
    ground: GroundSpec
    rig: RigSpec
    bore: BoreSpec
    pipe: PipeSpec
    patterns: tuple[str, ...]
    keep: str
    per_bore_m: float = 0.0
    per_crossing_m: float = 0.0
    score: dict[str, float] = field(default_factory=dict)
    given: frozenset[str] = frozenset()
    strength: StrengthSpec | None = None
    mud: MudSpec | None = None
    cost: CostSpec | None = None


@dataclass(frozen=True, kw_only=True)
class TicketAnswer:
    """What one owner of lines said to the one-call ticket. closed: the answer lets the work begin; answer: in the owner's words."""

    owner: str
    answer: str
    closed: bool
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class SourceFile:
    """One input file as it was read: role, path as written in the site file, SHA-256, CRS text, rows used."""

    role: str
    path: str
    sha256: str
    crs: str
    rows: int


@dataclass(frozen=True, kw_only=True, eq=False)
class DrawnLine:
    """A bore as a line of a file: of a layout that came back from a desktop GIS, or of bores that are in the ground.

    where: file, layer and row, for messages; xyz_m: (n, 3) in the frame, entry first as drawn, height NaN where the line has none;
    target_depth_m, hole_diameter_m: None when no column says; source: planned, staked, logged or surveyed.
    """

    where: str
    layout_id: str
    bore_id: str
    pattern: str
    source: str
    target_depth_m: float | None
    hole_diameter_m: float | None
    xyz_m: NDArray[np.float64]

    @property
    def in_ground(self) -> bool:
        """Was it drilled already."""
        return self.source in {"logged", "surveyed"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Site:
    """One site, read once and never changed.

    parcel: one valid polygon in the frame, holes kept; buildings and features as `Feature`s (buildings have kind
    "building"); given_kinds: kinds for which a layer was supplied, even an empty one; findings: all that reading turned up;
    kept: bores that are in the ground already; ticket: answers to the one-call ticket, None when no ticket was named.
    """

    spec: SiteSpec
    frame: Frame
    parcel: Polygon
    parcel_id: str
    buildings: tuple[Feature, ...]
    features: tuple[Feature, ...]
    terrain: Terrain
    given_kinds: frozenset[str]
    sources: tuple[SourceFile, ...]
    findings: tuple[Finding, ...]
    kept: tuple[DrawnLine, ...] = ()
    ticket: tuple[TicketAnswer, ...] | None = None

    def all_features(self) -> tuple[Feature, ...]:
        """Buildings and features together, in reading order."""
        return self.buildings + self.features

    def describe(self) -> dict[str, Any]:
        """The figures a user checks first."""
        return {
            "name": self.spec.name,
            "parcel_id": self.parcel_id,
            "parcel_area_m2": round(self.parcel.area, 1),
            "parcel_perimeter_m": round(self.parcel.length, 1),
            "buildings": len(self.buildings),
            "features": len(self.features),
            "crs": self.frame.parcel_crs.name,
        }
