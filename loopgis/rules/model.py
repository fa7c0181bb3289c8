"""Rules as read from a file, and the zones they make of features."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from shapely import MultiPolygon
    from shapely.geometry.base import BaseGeometry

Mode = Literal["never", "under_with_cover", "owner_consent", "over_or_under_with_clearance", "perpendicular", "ruling"]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule, lengths in metres. `key` is "<jurisdiction id>/<rule id>"; base: surface | feature_depth | lowest_footing."""

    key: str
    kinds: tuple[str, ...]
    applies_to: tuple[str, ...]
    plan_distance_m: float
    mode: Mode
    min_cover_m: float | None
    cover_base: str
    foundation_depth_m: dict[str, float]
    vertical_clearance_m: float
    angle_min_deg: float | None
    consent: tuple[str, ...]
    min_quality: str
    severity: str
    on_fail: str
    citation: str
    paraphrase: str
    feature_filter: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class RuleFile:
    """One authority's rules. plan_tolerance_m and vert_tolerance_m by ASCE 38 level ("A".."D", "unknown")."""

    file_id: str
    name: str
    level: str
    advisory_only: bool
    class_certainty: str
    loop_class: tuple[str, ...]
    depth_trigger_m: float | None
    trigger_inclusive: bool
    plan_tolerance_m: dict[str, float]
    vert_tolerance_m: dict[str, float]
    bore_plan_tolerance_m: float
    bore_vert_share: float
    rules: tuple[Rule, ...]
    source: str
    sha256: str

    @property
    def covers(self) -> bool:
        """True when the file speaks of steered bores at all."""
        return "bored_horizontal" in self.loop_class

    def concerns(self, depth_m: float) -> bool:
        """True when a steered bore of this greatest depth falls under the file."""
        return self.covers and (self.depth_trigger_m is None or self._over(depth_m, self.depth_trigger_m))

    def _over(self, depth_m: float, limit_m: float) -> bool:
        return depth_m >= limit_m if self.trigger_inclusive else depth_m > limit_m


@dataclass(frozen=True, kw_only=True, eq=False)
class Zone:
    """What a rule makes of a feature, for the bore's axis.

    mode: the rule's crossing mode; polygon: ground nearer than distance_m + tolerance_m, clipped to the lot's surroundings
    (frame metres); tight: the same without tolerances (None when it would be empty); required_depth_m: depth that the axis must
    keep inside, everything included (None: closed at every depth); line: the feature's own line when an angle is asked.
    """

    zone_id: str
    rule: Rule
    feature_id: str
    kind: str
    mode: Mode
    distance_m: float
    tolerance_m: float
    required_depth_m: float | None
    polygon: MultiPolygon
    applies_to: tuple[str, ...]
    depth_known: bool = True
    quality: str = "unknown"
    line: BaseGeometry | None = None
    angle_min_deg: float | None = None

    @property
    def closed(self) -> bool:
        """True when no bore may enter at any depth."""
        return self.required_depth_m is None and self.mode != "ruling"
