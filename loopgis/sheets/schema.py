"""The one declared schema of our GeoPackages: layers, geometry types, columns, value lists.

To add a column: a line here, and its value in gpkg_rows.py. All columns are metric with the unit in the name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from loopgis.core.findings import Outcome
from loopgis.field.model import Event
from loopgis.rules.model import Mode
from loopgis.tables.load import load_table


@dataclass(frozen=True)
class Column:
    """One column: name, fiona type (str, int, float), what it means, name of its value list or empty."""

    name: str
    type: str
    meaning: str
    values: str = ""


@dataclass(frozen=True)
class LayerSchema:
    """One layer: geometry type as fiona says it ("None" for a plain table) and its columns in order."""

    geometry: str
    meaning: str
    columns: tuple[Column, ...]

    @property
    def plain(self) -> bool:
        """True for a table without geometry."""
        return self.geometry == "None"


def _c(name: str, type_: str, meaning: str, values: str = "") -> Column:
    return Column(name, type_, meaning, values)


_LAYOUT = _c("layout_id", "str", "layout this row belongs to")
_BORE = _c("bore_id", "str", "bore this row belongs to")
_RANK = _c("rank", "int", "rank of its layout, 1 is best")
_THING = (
    _c("feature_id", "str", "own id of the feature"),
    _c("kind", "str", "what it is", "kind"),
    _c("quality", "str", "ASCE 38 quality level", "quality"),
    _c("depth_m", "float", "depth of its top (a line: its axis; a water: its bed) below ground, empty when unknown"),
    _c("width_m", "float", "width when drawn as a line or point, empty when unknown"),
    _c("foundation", "str", "foundation of a building, empty when unknown"),
    _c("use", "str", "use, as given"),
    _c("yield_l_s", "float", "yield of a well, empty when unknown"),
    _c("flow_m3_d", "float", "sewage a day, empty when unknown"),
    _c("voltage_kv", "float", "voltage of a line, empty when unknown"),
    _c("shielded", "str", "yes: line dead or shielded, tank empty, with a permanent sign"),
    _c("label", "str", "name, as given"),
    _c("code", "str", "letter of the public uniform colour code family"),
)

LAYERS: dict[str, LayerSchema] = {
    "parcel": LayerSchema("Polygon", "the lot", _THING),
    "buildings": LayerSchema("MultiPolygon", "buildings", _THING),
    "features": LayerSchema("Unknown", "everything else on or under the ground", _THING),
    "zones": LayerSchema(
        "MultiPolygon",
        "what the rules make of the features, tolerances included",
        (
            _c("zone_id", "str", "own id"),
            _c("rule_id", "str", "rule file and rule"),
            _c("kind", "str", "kind of feature", "kind"),
            _c("feature_id", "str", "feature the zone belongs to"),
            _c("mode", "str", "how a bore may cross", "mode"),
            _c("distance_m", "float", "plan distance that the rule asks"),
            _c("tolerance_m", "float", "tolerances added to it"),
            _c(
                "min_cover_m",
                "float",
                "depth the bore's axis must keep inside, all included; empty: closed at every depth",
            ),
            _c("closed", "int", "1: closed at every depth"),
            _c("for_bores", "int", "0: the zone concerns the pad only"),
            _c("citation", "str", "where the rule stands"),
        ),
    ),
    "pads": LayerSchema(
        "Polygon",
        "where the rig stands",
        (
            _LAYOUT,
            _RANK,
            _c("axis_deg", "float", "azimuth of the long side from true north"),
            _c("short_m", "float", "short side"),
            _c("long_m", "float", "long side"),
            _c("given", "int", "1: fixed by the user"),
        ),
    ),
    "bores": LayerSchema(
        "3D LineString",
        "bores, entry to exit, a vertex at least every 0.5 m",
        (
            _LAYOUT,
            _BORE,
            _RANK,
            _c("pattern", "str", "pattern of its layout", "pattern"),
            _c("source", "str", "planned, staked, logged or surveyed", "source"),
            _c("shape", "str", "straight, curve, detour, or drawn by hand"),
            _c("length_m", "float", "drilled length, 3-D"),
            _c("plan_length_m", "float", "length in plan"),
            _c("level_length_m", "float", "drilled length within 0.3 m of the target depth or deeper"),
            _c("level_from", "float", "where the level run begins, share of the plan length; empty when there is none"),
            _c("level_to", "float", "where the level run ends, share of the plan length"),
            _c("target_depth_m", "float", "depth of the level run that was aimed at"),
            _c("max_depth_m", "float", "deepest point of the axis below the ground above it"),
            _c("min_cover_m", "float", "least cover over the reamed hole on the level run"),
            _c("entry_pitch_pct", "float", "pitch at the entry, negative going down"),
            _c("exit_pitch_pct", "float", "pitch at the exit, positive coming up"),
            _c("min_radius_m", "float", "tightest 3-D radius, empty when straight"),
            _c("hole_diameter_m", "float", "reamed hole"),
            _c("rods", "int", "drill rods needed"),
            _c("pipe_m", "float", "loop pipe in the bore: two legs"),
            _c("heat_share", "float", "share of the layout's heat in the last year; empty without a demand"),
            _c("pull_kn", "float", "largest pull on the empty loop pipes; empty for a bore in the ground"),
            _c("pull_ratio", "float", "what the pipes bear together over that pull"),
            _c("pull_filled_kn", "float", "largest pull when the pipes are pulled full of water and capped"),
            _c("safe_pull_kn", "float", "what both pipes bear"),
            _c("weak_link_kn", "float", "rating of the weak link: the safe pull of one pipe"),
            _c("collapse_safety", "float", "safety of the empty pipe against collapse in mud"),
            _c("reamer_m", "float", "reamer: the hole that was planned with"),
            _c("least_hole_m", "float", "hole that 1.5 times the bundle of pipes asks for at least"),
            _c("pipe_bend_m", "float", "least radius of the pipe at pit and header"),
            _c("rod_bend_m", "float", "least radius of the rods that was planned with"),
            _c("mud", "str", "mud pressure beside what the ground bears; empty: not computed", "mud"),
            _c("fluid_m3", "float", "drilling mud to mix"),
            _c("spoil_m3", "float", "mud and loose soil to haul away"),
            _c("pull_speed_m_s", "float", "fastest pull-back that the mud pump keeps up with"),
            _c("hours", "float", "set-up, pilot, change-over and pull-back"),
            _c(
                "cost", "float", "what this bore adds to the layout's cost besides crew days; an estimate for comparing"
            ),
            _c("at_stake", "float", "worth of head, electronics, bit and rods in the ground"),
            _c("currency", "str", "of cost and at_stake"),
            _c("outcome", "str", "worst of its rows in clearances", "outcome"),
        ),
    ),
    "rods": LayerSchema(
        "3D Point",
        "head at the end of each rod",
        (
            _LAYOUT,
            _BORE,
            _RANK,
            _c("rod", "int", "rod number, 0 is the entry"),
            _c("fifth", "int", "1: every fifth rod"),
            _c("station_m", "float", "drilled length from the entry"),
            _c("depth_m", "float", "depth of the axis below ground"),
            _c("pitch_pct", "float", "pitch, negative going down"),
            _c("azimuth_deg", "float", "clockwise from true north"),
            _c("offset_m", "float", "left (negative) or right of the painted line, straight from entry to exit"),
            _c("ground_m", "float", "elevation of the ground above"),
            _c("action", "str", "what to steer over the next rod"),
            _c("locate", "str", "why a locate needs care here; empty when it does not"),
            _c("note", "str", "what this rod is"),
        ),
    ),
    "stations": LayerSchema(
        "3D Point",
        "bores metre by metre: place of the axis, doubt about it, mud pressures",
        (
            _LAYOUT,
            _BORE,
            _RANK,
            _c("station_m", "float", "drilled length from the entry"),
            _c("plan_m", "float", "length in plan from the entry"),
            _c("ground_m", "float", "elevation of the ground above"),
            _c("lateral_m", "float", "standard deviation of the head's place, sideways"),
            _c("vertical_m", "float", "standard deviation of the head's place, in height"),
            _c("blind", "int", "1: nobody can stand over the head"),
            _c("demand_kpa", "float", "mud pressure needed to come back, power law; empty: ground not known"),
            _c("demand_high_kpa", "float", "the same by Bingham, which overstates it"),
            _c("capacity_kpa", "float", "mud pressure that the ground bears; no safety factor in it"),
            _c("overburden_kpa", "float", "weight of all that lies above"),
            _c("mud", "str", "how the two compare here", "mud"),
        ),
    ),
    "exits": LayerSchema("3D Point", "where bores come up", (_LAYOUT, _BORE, _RANK)),
    "headers": LayerSchema(
        "3D LineString",
        "pipe run from pad to building",
        (
            _LAYOUT,
            _RANK,
            _c("size", "str", "size of the two pipes to the house"),
            _c("length_m", "float", "length, 3-D"),
        ),
    ),
    "crossings": LayerSchema(
        "3D Point",
        "where a bore passes under or over a feature",
        (
            _LAYOUT,
            _BORE,
            _RANK,
            _c("feature_id", "str", "what is crossed"),
            _c("kind", "str", "what it is", "kind"),
            _c("rule_id", "str", "rule that speaks of it"),
            _c("station_m", "float", "drilled length from the entry"),
            _c("angle_deg", "float", "angle in plan, 90 is square"),
            _c("clearance_m", "float", "clear gap to the reamed hole"),
            _c("sigma_m", "float", "standard deviation of the gap"),
            _c("risk", "float", "relative index of contact, no probability of damage; empty: nothing to touch"),
            _c("how", "str", "how the bore passes", "how"),
            _c("weight", "float", "how much a contact weighs in the index of the layout"),
            _c("consequence", "str", "what a contact means"),
            _c("depth_known", "int", "0: the feature's depth is assumed"),
            _c("outcome", "str", "worst row of this bore and feature in clearances", "outcome"),
        ),
    ),
    "clearances": LayerSchema(
        "None",
        "every bore against every rule and feature",
        (
            _LAYOUT,
            _BORE,
            _c("rule_id", "str", "rule file and rule"),
            _c("feature_id", "str", "feature, empty when no layer was given"),
            _c("kind", "str", "kind of feature", "kind"),
            _c("basis", "str", "plan distance, cover or gap", "basis"),
            _c("required_m", "float", "asked by the rule"),
            _c("provided_m", "float", "measured"),
            _c("margin_m", "float", "provided less required"),
            _c("change_k", "float", "predicted change of ground temperature; only where that is what the row tells"),
            _c("outcome", "str", "what comes of it", "outcome"),
            _c("citation", "str", "where the rule stands"),
        ),
    ),
    "layouts": LayerSchema(
        "None",
        "the layouts and their figures; empty: not computed in this version",
        (
            _LAYOUT,
            _c("rank", "int", "1 is best"),
            _c("pattern", "str", "fan or parallel", "pattern"),
            _c("bores", "int", "number of bores"),
            _c("total_length_m", "float", "drilled length"),
            _c("level_length_m", "float", "level run"),
            _c("wanted_length_m", "float", "level run wanted, empty when none"),
            _c("spacing_min_m", "float", "least distance between level runs"),
            _c("spacing_mean_m", "float", "mean over bores of the nearest level run"),
            _c("near_pad_min_m", "float", "least distance off the level runs"),
            _c("crossings", "int", "features passed under or over"),
            _c("consents", "int", "rows that need a consent"),
            _c("unverified", "int", "rows that nobody can verify yet"),
            _c("crossing_risk", "float", "relative index, 1 - product of (1 - risk)^weight, bores and floor included"),
            _c("risk_bores", "float", "its part for bores that meet each other"),
            _c("risk_unmapped", "float", "its floor for lines that nobody mapped"),
            _c("min_margin_m", "float", "least plan margin"),
            _c("header_length_m", "float", "header run"),
            _c(
                "needed_length_m",
                "float",
                "drilled length that just keeps the water within its limits; empty: none does, or no demand",
            ),
            _c("needed_low_m", "float", "the same at the good end of the usual uncertainty of ground and bore"),
            _c("needed_high_m", "float", "the same at the bad end; empty: no length is sure"),
            _c("heat_side", "str", "what asks for the length", "heat_side"),
            _c("ewt_min_c", "float", "coldest entering water of all the years; empty without a demand"),
            _c("ewt_max_c", "float", "warmest entering water of all the years; empty without a demand"),
            _c(
                "lot_line_change_k", "float", "largest change of ground temperature along the lot line in the last year"
            ),
            _c("head_kpa", "float", "head of the loop pump, heat pump included, coldest fluid; empty without a demand"),
            _c("flow_l_s", "float", "design flow of the loop"),
            _c("pump_w", "float", "power of the loop pump"),
            _c("balance", "float", "least over greatest flow of a circuit"),
            _c("purge_l_s", "float", "flow that purges every section at 2 ft/s"),
            _c("purge_kpa", "float", "its head"),
            _c("purge_w", "float", "its hydraulic power"),
            _c("loop_m3", "float", "what all pipes hold"),
            _c("antifreeze_m3", "float", "pure antifreeze in it"),
            _c("pull_max_kn", "float", "largest pull of its bores"),
            _c("cost", "float", "estimate for comparing layouts, no offer; empty without figures"),
            _c("currency", "str", "of cost, expected_loss and at_stake"),
            _c("expected_loss", "float", "of head and electronics, over all bores; not in the cost"),
            _c("at_stake", "float", "the most that lies in the ground at once"),
            _c("crew_hours", "float", "drilling, pulling, setting up"),
            _c("crew_days", "float", "the same in days, to the half day"),
            _c("fluid_m3", "float", "drilling mud to mix"),
            _c("spoil_m3", "float", "mud and loose soil to haul away"),
            _c("mud_over", "int", "bores where the mud pressure is beyond what the ground bears"),
            _c("mud_tight", "int", "bores where it comes near"),
            _c("score", "float", "0 to 100, higher is better"),
            _c("pareto", "int", "1: no other layout beats it in drilled length, crossings and heat margin at once"),
            _c("distinction", "str", "what it is best at of these layouts"),
            _c("heat_margin_k", "float", "least distance of the water from its limits, negative beyond them"),
            _c(
                "bound_gap_pct",
                "float",
                "per cent of drilling (of the weighed sum where per_bore or per_crossing count) that another choice among the pad's"
                " candidates saves at most; empty: not proven",
            ),
            _c(
                "finer_gain_pct",
                "float",
                "per cent of drilling that a finer grid of candidates saved; empty: not tried",
            ),
        ),
    ),
    "ground_change": LayerSchema(
        "Point",
        "predicted change of ground temperature along the lot line in the last year",
        (
            _LAYOUT,
            _RANK,
            _c("depth_m", "float", "depth below ground"),
            _c("change_k", "float", "the larger of both, against untouched ground"),
            _c("coldest_k", "float", "most negative of the last twelve months"),
            _c("warmest_k", "float", "most positive of the last twelve months"),
            _c("size", "str", "how large the change is", "change"),
            _c("colder", "int", "1: colder than untouched"),
        ),
    ),
    "temperatures": LayerSchema(
        "None",
        "water and ground at the end of each month of all the years",
        (
            _LAYOUT,
            _c("month", "int", "month of operation, from January of the first year on"),
            _c("year", "int", "year of operation"),
            _c("load_w", "float", "mean heat into the ground"),
            _c("ewt_c", "float", "entering water under the month's mean load"),
            _c("ewt_heating_c", "float", "entering water after the heating peak, empty when there is none"),
            _c("ewt_cooling_c", "float", "entering water after the cooling peak, empty when there is none"),
            _c("leaving_c", "float", "water into the ground at the heating peak"),
            _c("ground_c", "float", "undisturbed ground along the bores"),
        ),
    ),
    "what_ifs": LayerSchema(
        "None",
        "what the needed length hangs on, one thing changed at a time",
        (
            _LAYOUT,
            _c("name", "str", "what is changed"),
            _c("low", "str", "changed for the worse"),
            _c("high", "str", "changed for the better"),
            _c("needed_low_m", "float", "drilled length then needed; empty: no length would do"),
            _c("needed_high_m", "float", "drilled length then needed; empty: no length would do"),
        ),
    ),
    "costs": LayerSchema(
        "None",
        "what a layout costs, item by item; an estimate for comparing layouts, no offer",
        (
            _LAYOUT,
            _c("item", "str", "what for"),
            _c("amount", "float", "how much"),
            _c("currency", "str", "of the amount"),
            _c("basis", "str", "how it comes about"),
        ),
    ),
    "circuits": LayerSchema(
        "None",
        "circuits of a layout at the design flow; flows are empty without a demand",
        (
            _LAYOUT,
            _c("circuit", "int", "number along the header, from the house"),
            _c("bores", "str", "bores that it runs through, in order"),
            _c("pipe_m", "float", "all of its pipe"),
            _c("volume_m3", "float", "what it holds"),
            _c("flow_l_s", "float", "design flow"),
            _c("velocity_m_s", "float", "at the design flow"),
            _c("reynolds_cold", "float", "coldest fluid"),
            _c("reynolds_warm", "float", "warmest fluid"),
            _c("loss_kpa", "float", "coldest fluid"),
        ),
    ),
    "header_spans": LayerSchema(
        "None",
        "the header, span by span",
        (
            _LAYOUT,
            _c("span", "str", "which"),
            _c("size", "str", "pipe size"),
            _c("length_m", "float", "length"),
            _c("inside_m", "float", "inside diameter, least wall"),
            _c("flow_l_s", "float", "design flow"),
            _c("velocity_m_s", "float", "at the design flow"),
            _c("purge_m_s", "float", "velocity while purging"),
        ),
    ),
    "materials": LayerSchema(
        "None",
        "what to order",
        (
            _LAYOUT,
            _c("item", "str", "what"),
            _c("size", "str", "size, empty when it has none"),
            _c("amount", "float", "how much, in the unit beside it"),
            _c("unit", "str", "m, m3, pieces"),
            _c("basis", "str", "how it comes about"),
        ),
    ),
    "findings": LayerSchema(
        "None",
        "what is worth telling of each layout and bore",
        (
            _LAYOUT,
            _c("bore_id", "str", "bore, empty for the layout itself"),
            _c("feature_id", "str", "feature, empty when none is meant"),
            _c("severity", "str", "error, warning, note; expect: where mud is to be expected", "severity"),
            _c("code", "str", "short word for machines"),
            _c("message", "str", "what was found"),
            _c("remedy", "str", "what to do"),
            _c("station_m", "float", "drilled length from the entry"),
            _c("units", "str", "units of the message where it stands in both; empty: those of the file"),
        ),
    ),
    "ticket": LayerSchema(
        "None",
        "answers to the one-call ticket",
        (
            _c("owner", "str", "owner of lines"),
            _c("answer", "str", "in the owner's words"),
            _c("closed", "int", "1: the answer lets the work begin"),
            _c("remark", "str", "anything else"),
        ),
    ),
    "refused": LayerSchema(
        "LineString",
        "lines drawn by hand that cannot be drilled; correct them here or in bores and score the file again",
        (
            _LAYOUT,
            _BORE,
            _RANK,
            _c("why", "str", "what stops the bore"),
            _c("station_m", "float", "where along the drawn line"),
            _c("target_depth_m", "float", "depth of the level run that was aimed at"),
        ),
    ),
    "changes": LayerSchema(
        "None",
        "what scoring found changed against the file that was scored",
        (
            _LAYOUT,
            _c("bore_id", "str", "bore, empty for the layout itself"),
            _c("figure", "str", "column that changed, or what was done to the bore"),
            _c("before", "str", "as it stood in the file"),
            _c("after", "str", "as it is now"),
        ),
    ),
    "exact": LayerSchema(
        "None",
        "pads and plan curves as computed, so that what nobody touched comes back unchanged; not for reading",
        (
            _LAYOUT,
            _c("bore_id", "str", "bore, empty for the layout itself"),
            _c("figures", "str", "frame metres and radians, JSON"),
        ),
    ),
    "rod_log": LayerSchema(
        "None",
        "what the crew reads, rod by rod; filled in the field",
        (
            _c("entry_id", "str", "own id of the reading"),
            _LAYOUT,
            _BORE,
            _c("rod", "int", "rod number, 0 for the entry"),
            _c("event", "str", "what is told; empty: a rod was read", "event"),
            _c("read_at", "datetime", "time of reading, UTC"),
            _c("depth_m", "float", "depth read"),
            _c("pitch_pct", "float", "pitch read, negative going down"),
            _c("roll", "int", "clock position", "roll"),
            _c("offset_m", "float", "left (negative) or right of the painted line"),
            _c("x", "float", "position in this file's coordinate system"),
            _c("y", "float", "position in this file's coordinate system"),
            _c("accuracy_m", "float", "standard error of x and y; empty: a tablet alone"),
            _c("remark", "str", "anything else"),
        ),
    ),
}


def value_lists() -> dict[str, tuple[str, ...]]:
    """Enumerations by name."""
    return {
        "kind": tuple(load_table("kinds")["kinds"]),
        "quality": ("A", "B", "C", "D", "unknown"),
        "mode": get_args(Mode),
        "pattern": ("fan", "parallel"),
        "source": ("planned", "staked", "logged", "surveyed"),
        "outcome": get_args(Outcome),
        "basis": ("plan", "cover", "gap", "temperature"),
        "heat_side": ("heating", "cooling"),
        "mud": ("over", "tight", "fits", "ends"),
        "how": ("under", "over", "beside"),
        "severity": ("error", "warning", "note", "expect"),
        "change": tuple(name for name, _ in CHANGES),
        "event": get_args(Event),
    }


CHANGES: tuple[tuple[str, float], ...] = (
    ("below 0.1 K", 0.0),
    ("0.1 to 0.5 K", 0.1),
    ("0.5 to 1 K", 0.5),
    ("1 K and more", 1.0),
)
"""Names of the sizes of a change, and from what on each counts, K."""

RANGES: dict[str, tuple[float, float]] = {"roll": (1, 12)}
