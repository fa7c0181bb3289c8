"""Nouns of a screening: the job, a block of parcels, what is said of one parcel. Plain and small, since they travel to workers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from loopgis.site.config import FeatureRef, LayerRef

Outcome = Literal["fits", "tight", "does_not_fit", "not_judged"]
Method = Literal["none", "bound", "draft", "search", "full"]
OUTCOMES: tuple[Outcome, ...] = ("fits", "tight", "does_not_fit", "not_judged")
METHODS: tuple[Method, ...] = ("none", "bound", "draft", "search", "full")
MEANING: dict[str, str] = {
    "fits": "a loop fits and does what was asked",
    "tight": "a loop fits, but does less than was asked",
    "does_not_fit": "no bore fits",
    "not_judged": "not judged",
}


@dataclass(frozen=True, kw_only=True)
class Job:
    """All that a worker must know: where things lie and how they are judged.

    parcels, buildings, features, elevation: layers with absolute paths; crs: of each vector layer, WKT, by its name; id_column: of
    the parcels, "" when they have none; spec_file: site file with ground, rig, pipe, demand and rules; given_kinds: kinds of
    which a layer was supplied; full: lay every parcel out as `loopgis layout` does; key: fingerprint of inputs and
    settings; folder: where parts are written.
    """

    parcels: LayerRef
    id_column: str
    buildings: LayerRef | None
    features: tuple[FeatureRef, ...]
    elevation: LayerRef | None
    elevation_unit: str
    crs: tuple[tuple[str, str], ...]
    spec_file: str
    given_kinds: tuple[str, ...]
    full: bool
    key: str
    folder: str

    def wkt(self, ref: LayerRef) -> str:
        """CRS of a layer."""
        return dict(self.crs)[ref.name]


@dataclass(frozen=True, kw_only=True)
class Block:
    """Parcels that are judged together: their row numbers in the file, and which of those share their id with another row."""

    fids: tuple[int, ...]
    twins: frozenset[int] = frozenset()


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What is said of one parcel.

    fid: row number in the file; bores, drilled_m, level_m: of the loop that was laid out, lengths in metres; depth_m: its deepest
    level run; load_kw: peak load that it carries, in kilowatts, by the ground of the site file; demand_share: that load over the
    demand; needed_m: drilled length that the demand asks of such a loop; crossings: how often it passes under or over something;
    why: what stops it, or what is short; remark: what is odd about the parcel; seconds: spent on it.
    """

    fid: int
    parcel_id: str
    outcome: Outcome
    method: Method
    bores: int = 0
    drilled_m: float = 0.0
    level_m: float = 0.0
    depth_m: float | None = None
    load_kw: float | None = None
    demand_share: float | None = None
    needed_m: float | None = None
    area_m2: float | None = None
    why: str = ""
    remark: str = ""
    seconds: float = 0.0
