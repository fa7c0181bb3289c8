"""Rules as read from a file, and the zones they make of features."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import date

    from shapely import MultiPolygon
    from shapely.geometry.base import BaseGeometry

Mode = Literal["never", "under_with_cover", "owner_consent", "over_or_under_with_clearance", "perpendicular", "ruling"]


Status = Literal["seen_official", "seen", "seen_mirror", "secondary", "from_memory"]
"""How well a text is known: read at the authority, read (at a mirror of the code), told by somebody else, remembered."""


@dataclass(frozen=True, kw_only=True)
class Range:
    """Bounds on a figure of a feature, in the unit of its column: least (over: not itself), most (below: not itself)."""

    column: str
    least: float | None
    least_counts: bool
    most: float | None
    most_counts: bool

    def holds(self, value: float) -> bool:
        """True when a figure lies inside."""
        if self.least is not None and (value < self.least or (value == self.least and not self.least_counts)):
            return False
        return self.most is None or value < self.most or (value == self.most and self.most_counts)


@dataclass(frozen=True, kw_only=True)
class Relax:
    """A shorter plan distance in metres and what it takes.

    fluids, bores_up_to, words (by column): conditions, empty or None when not asked; needs: "" when it then simply holds.
    """

    plan_distance_m: float
    fluids: tuple[str, ...]
    bores_up_to: int | None
    words: dict[str, tuple[str, ...]]
    needs: str


@dataclass(frozen=True, kw_only=True)
class JobRule:
    """A rule on the whole job: exactly one of greatest depth (metres), number of bores, fluids is given."""

    max_depth_m: float | None = None
    max_bores: int | None = None
    fluids: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule, lengths in metres. `key` is "<jurisdiction id>/<rule id>"; cover_base: surface | feature_depth | lowest_footing.

    status and checked: how well its text is known and when somebody looked, its own or its file's.
    """

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
    ranges: tuple[Range, ...] = ()
    relax: tuple[Relax, ...] = ()
    measure_from: str = "bore_axis_projection"
    measure_to: str = "feature_edge"
    job: JobRule | None = None
    source: str = ""
    note: str = ""
    status: str = "from_memory"
    checked: date | None = None


@dataclass(frozen=True, kw_only=True)
class Duty:
    """What somebody must do or show and nobody can measure. when: before | during | after; days, hours: None when not given."""

    key: str
    what: str
    when: str
    citation: str
    source: str
    status: str
    days: int | None = None
    hours: int | None = None


@dataclass(frozen=True, kw_only=True)
class Submittal:
    """What an office wants to see with an application; None or empty where the file does not say."""

    map_radius_m: float | None = None
    needs: tuple[str, ...] = ()
    notice_hours: int | None = None
    permit_life_days: int | None = None
    as_built_days: int | None = None
    as_built_coord_decimals: int | None = None
    seal_required: bool | None = None
    citation: str = ""


@dataclass(frozen=True, kw_only=True)
class OneCall:
    """What a state asks before digging; None or "" where the file does not say. tolerance_zone_m: beside the line's edge."""

    tolerance_zone_m: float | None = None
    notice_business_days: int | None = None
    ticket_life_days: int | None = None
    white_lining: str = ""
    positive_response: bool | None = None
    citation: str = ""


@dataclass(frozen=True, kw_only=True)
class RuleFile:
    """One authority's rules. plan_tolerance_m and vert_tolerance_m by ASCE 38 level ("A".."D", "unknown").

    source: status of its text; checked, effective: dates, None when not given; count_trigger: number of bores from which on (beyond
    which, unless inclusive) the file concerns a layout.
    """

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
    depth_unknown: frozenset[str] = frozenset()
    """Quality levels at which a buried thing's depth counts as unknown, whatever is written."""
    count_trigger: int | None = None
    count_inclusive: bool = True
    parents: tuple[str, ...] = ()
    checked: date | None = None
    effective: date | None = None
    duties: tuple[Duty, ...] = ()
    submittal: Submittal = field(default_factory=Submittal)
    one_call: OneCall = field(default_factory=OneCall)

    @property
    def covers(self) -> bool:
        """True when the file speaks of steered bores at all."""
        return "bored_horizontal" in self.loop_class

    def concerns(self, depth_m: float, bores: int) -> bool:
        """True when a steered bore of this greatest depth, in a layout of so many bores, falls under the file."""
        deep = self.depth_trigger_m is None or _over(depth_m, self.depth_trigger_m, inclusive=self.trigger_inclusive)
        many = self.count_trigger is None or _over(bores, self.count_trigger, inclusive=self.count_inclusive)
        return self.covers and deep and many


def _over(value: float, limit: float, *, inclusive: bool) -> bool:
    return value >= limit if inclusive else value > limit


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
