"""Pads, layouts and what is found out about them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from shapely import Polygon

    from loopgis.bore.locate import HeadError
    from loopgis.bore.model import Bore
    from loopgis.bore.production import LayoutCost
    from loopgis.core.findings import Finding, Outcome
    from loopgis.layout.drilling import Drill
    from loopgis.layout.heat import Heat
    from loopgis.layout.material import Material
    from loopgis.layout.plumbing import Plumbing


@dataclass(frozen=True, kw_only=True, eq=False)
class Pad:
    """Where the rig stands and all loops end.

    centre: frame point; axis_deg: azimuth of the long side; size_m: short and long side; polygon: its outline;
    given: the user fixed it.
    """

    centre: tuple[float, float]
    axis_deg: float
    size_m: tuple[float, float]
    polygon: Polygon
    given: bool


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """A bore passing over or under a feature.

    clearance_m: clear gap, edge to edge; sigma_m: its standard deviation;
    risk: chance of contact as a relative index, None when it could not be computed or nothing is there to touch; how: "under",
    "over", or "beside" for a thing that is not crossed but may be touched; weight: of a contact in the index of the layout;
    consequence: the same in words.
    """

    bore_id: str
    feature_id: str
    kind: str
    rule_id: str
    x_m: float
    y_m: float
    z_m: float
    station_m: float
    angle_deg: float
    clearance_m: float | None
    sigma_m: float | None
    risk: float | None
    depth_known: bool
    how: str = "under"
    weight: float = 1.0
    consequence: str = ""


@dataclass(frozen=True, kw_only=True)
class Clearance:
    """One bore against one rule and feature: required and provided distance, margin, outcome, citation.

    basis: "plan" (horizontal distance) or "cover" (depth under the ground) or "gap" (clear height at a crossing).
    """

    bore_id: str
    rule_id: str
    feature_id: str
    kind: str
    basis: str
    required_m: float
    provided_m: float
    margin_m: float
    outcome: Outcome
    citation: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Header:
    """Pipe run from the pad to the building: frame points (n, 3) and length. size is empty until it is computed."""

    xyz: NDArray[np.float64]
    length_m: float
    size: str = ""


@dataclass(frozen=True, kw_only=True)
class Evaluation:
    """The named figures of one layout. None = not computed in this version, never a guess.

    unverified counts every row that nobody can verify yet, kinds without a layer included. wanted_length_m: level run that is
    wanted; needed_length_m: drilled length that just keeps the water within its limits; heat_side: "heating" or "cooling", which
    asks for it; bound_gap_pct: of the drilling still to do, what another choice among the candidates saves at most;
    finer_gain_pct: what a finer grid of candidates saved; heat_margin_k: least distance of the water from its limits, negative
    beyond them; crossing_risk: relative index, of which risk_bores is that of bores meeting each other and risk_unmapped the floor
    for lines that nobody mapped; cost in `currency`, an estimate for comparing; expected_loss: of head and electronics, not in the
    cost; at_stake: the most that lies in the ground at once; mud_over, mud_tight: bores on which the mud pressure is beyond, or
    near, what the ground bears; head_kpa: with the heat pump, coldest fluid; pump_w, balance (least over greatest circuit flow):
    at the design flow; purge_*: to flush out the air, hydraulic power; loop_m3, antifreeze_m3: what it holds.
    """

    bores: int
    total_length_m: float
    level_length_m: float
    wanted_length_m: float | None
    spacing_min_m: float | None
    spacing_mean_m: float | None
    near_pad_min_m: float | None
    crossings: int
    consents: int
    unverified: int
    crossing_risk: float
    min_margin_m: float | None
    header_length_m: float
    needed_length_m: float | None = None
    heat_side: str | None = None
    ewt_min_c: float | None = None
    ewt_max_c: float | None = None
    head_kpa: float | None = None
    pull_max_kn: float | None = None
    cost: float | None = None
    bound_gap_pct: float | None = None
    finer_gain_pct: float | None = None
    heat_margin_k: float | None = None
    risk_bores: float | None = None
    risk_unmapped: float | None = None
    mud_over: int | None = None
    mud_tight: int | None = None
    fluid_m3: float | None = None
    spoil_m3: float | None = None
    crew_hours: float | None = None
    crew_days: float | None = None
    expected_loss: float | None = None
    at_stake: float | None = None
    currency: str | None = None
    flow_l_s: float | None = None
    pump_w: float | None = None
    balance: float | None = None
    purge_l_s: float | None = None
    purge_kpa: float | None = None
    purge_w: float | None = None
    loop_m3: float | None = None
    antifreeze_m3: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """A pad, its bores, the header, and their evaluation.

    layout_id: e.g. "L-01"; rank: 1 = best; pattern: fan | parallel; score: 0..100, higher is better; terms: every term of the
    score as {name: {"value": raw figure, "share": 0..1, "weight": weight, "points": share * weight}}; distinction: what it is best
    at of those it was compared with, e.g. "shortest, best fan"; drills: what the rig meets on each bore, in order; errors: of the
    head's place along each; costs: None without figures for them; plumbing: how circuits are joined; materials: to order.
    """

    layout_id: str
    rank: int
    pattern: str
    pad: Pad
    bores: tuple[Bore, ...]
    header: Header | None
    evaluation: Evaluation
    crossings: tuple[Crossing, ...]
    clearances: tuple[Clearance, ...]
    score: float
    terms: dict[str, dict[str, float]]
    pareto: bool
    distinction: str = ""
    findings: tuple[Finding, ...] = field(default=())
    heat: Heat | None = None
    drills: tuple[Drill, ...] = ()
    errors: tuple[HeadError, ...] = ()
    costs: LayoutCost | None = None
    plumbing: Plumbing | None = None
    materials: tuple[Material, ...] = ()

    def summary(self) -> dict[str, Any]:
        """Figures for summary.json."""
        from dataclasses import asdict  # noqa: PLC0415

        return {
            "layout_id": self.layout_id,
            "rank": self.rank,
            "pattern": self.pattern,
            "score": round(self.score, 3),
            "pareto": self.pareto,
            "distinction": self.distinction,
            "terms": self.terms,
            **asdict(self.evaluation),
            "heat": None if self.heat is None else self.heat.summary(),
            "findings": [f.as_dict() for f in self.findings],
        }
