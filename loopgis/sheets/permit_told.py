"""The words of the permit office's sheets: what became of every rule, what is missing, what a person must decide."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.units import length_text
from loopgis.layout.gate import answers_in, gate_of
from loopgis.rules.audit_read import read_layer, read_table
from loopgis.rules.files import kind_table
from loopgis.rules.told import STATUS_WORDS as STATUS
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.permit_book import CheckLine, Detail, FileLine, RuleLine, SourceLine
from loopgis.sheets.permit_sources import details, sources
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.core.findings import Finding
    from loopgis.rules.audit import Audited
    from loopgis.rules.audit_read import Package
    from loopgis.rules.model import Rule, RuleFile
    from loopgis.sheets.permit_book import BorePlan, SetbackRow, Thing, Title

WEAK = frozenset({"secondary", "from_memory"})
QUALITY: dict[str, str] = {
    "A": "quality A: exposed and surveyed",
    "B": "quality B: found from the surface, place only",
    "C": "quality C: from fittings seen and records",
    "D": "quality D: from records or by word of mouth",
    "unknown": "nobody says how it was found",
}
"""ASCE 38 quality levels in our words."""
MAP_RADIUS_M, MAP_RADIUS_SOURCE = (
    60.96,
    "200 ft, as one state asks (77 Ill. Adm. Code 920.200); the rule files here name none",
)
DECIMALS = 5
"""Decimals of coordinates when no file names a number: as one state asks (Conn. Regs. 25-128-62)."""
DOUBTS = ("ruling_needed", "unverified", "consent_needed")
TOLD_CODES = frozenset(
    {"ground-unknown", "ground-gap", "kind-unknown", "kind-missing", "rig-unknown", "layer-unread", "parcel-many"}
)
"""Findings of the audit that a clerk reads under what is missing."""
SITE_PLAN, SURROUNDINGS, PROFILES = "site plan", "surroundings", "profiles"
SCHEDULE, SETBACKS, RULES, NOTES, REQUESTS = "bore schedule", "setback table", "rules checked", "notes", "requests"
"""Names of the sheets, as the check list points to them."""
USUAL = (
    *("north_arrow", "scale", "lot_lines", "structures", "wells", "septic", "repair_area", "surface_water", "sewers"),
    *("buried_lines", "easements", "neighbours", "bore_table", "coordinates", "setback_table", "cautions"),
    *("fluid", "pipe", "hole", "annulus", "owner", "address", "contractor", "licence", "designer", "ticket", "date"),
)
"""What offices usually ask to see (facts/permits section 2), when the rule files do not say."""
_KINDS: dict[str, tuple[str, ...]] = {
    "structures": ("building",),
    "wells": ("water_well",),
    "septic": ("septic_tank", "drain_field"),
    "repair_area": ("drain_field_reserve",),
    "surface_water": ("surface_water",),
    "sewers": ("sewer_gravity", "sewer_force"),
    "buried_lines": ("gas_line", "electric_ug", "telecom", "water_main", "water_service"),
    "easements": ("easement", "right_of_way"),
    "neighbours": ("neighbour_parcel",),
    "flood_plain": ("floodplain",),
    "wetland": ("wetland",),
}
_SHOWN: dict[str, str] = {
    "north_arrow": SITE_PLAN,
    "scale": SITE_PLAN,
    "lot_lines": SITE_PLAN,
    "bore_table": SCHEDULE,
    "coordinates": SCHEDULE,
    "setback_table": SETBACKS,
    "cautions": "every sheet",
    "cover": PROFILES,
}
_TITLES = {
    "owner": "owner",
    "address": "address",
    "contractor": "contractor",
    "licence": "licence",
    "contractor_licence": "licence",
    "designer": "designer",
    "ticket": "ticket",
    "one_call_number": "ticket",
    "date": "day",
    "permit": "permit",
}
_BY_HAND = "by hand"


def located_words(kind: str, quality: str, *, depth_known: bool) -> str:
    """How well a thing's place is known, in words.

    >>> located_words("gas_line", "D", depth_known=False)
    'quality D: from records or by word of mouth; depth not known'
    >>> located_words("building", "unknown", depth_known=False)
    'as mapped'
    """
    if not kind_table()[kind]["buried"]:
        return "as mapped"
    words = QUALITY.get(quality, QUALITY["unknown"])
    return words if depth_known else f"{words}; depth not known"


def bearing(azimuth_deg: float) -> str:
    """Bearing as surveyors write it, to the minute: from north or south, towards east or west.

    >>> bearing(45.5), bearing(180.0), bearing(269.999)
    ("N 45\u00b030' E", "S 00\u00b000' E", "N 90\u00b000' W")
    """
    turn = azimuth_deg % 360
    first = "N" if turn <= 90 or turn >= 270 else "S"
    second = "E" if turn <= 180 else "W"
    minutes = round(60 * min(turn, abs(turn - 180), 360 - turn))
    if second == "W" and minutes == 90 * 60:
        first = "N"
    return f"{first} {minutes // 60:02d}\u00b0{minutes % 60:02d}' {second}"


def about_the_file(finding: Finding) -> bool:
    """True for a finding on the file itself, not on a distance: its rows, ids, layers, and what it says of its own distances."""
    return not finding.rule_id or finding.code.startswith("clearance-")


@dataclass(frozen=True, eq=False)
class Told:
    """Everything that words are made from. things: all of the file; supplied: kinds that somebody gave a layer for."""

    package: Package
    said: dict[str, Any]
    files: Sequence[RuleFile]
    rows: Sequence[SetbackRow]
    bores: Sequence[BorePlan]
    things: Sequence[Thing]
    findings: Sequence[Finding]
    units: str
    supplied: frozenset[str]

    # rules --------------------------------------------------------------

    def rules(self) -> tuple[RuleLine, ...]:
        """A line for every rule and duty of every file: nothing is passed over in silence."""
        lines: list[RuleLine] = []
        for file in self.files:
            lines += [self._rule(file, rule) for rule in file.rules]
            for duty in file.duties:
                when = {"before": "before the work", "during": "during the work", "after": "after the work"}[duty.when]
                term = (
                    f", {duty.days} days"
                    if duty.days is not None
                    else f", {duty.hours} h"
                    if duty.hours is not None
                    else ""
                )
                lines.append(
                    RuleLine(
                        key=duty.key,
                        sentence=duty.what,
                        citation=duty.citation,
                        state="needs a person",
                        why=f"a duty {when}{term}; nothing here can check it",
                        outcomes={},
                        status=duty.status,
                        checked=file.checked,
                    )
                )
        return tuple(lines)

    def _rule(self, file: RuleFile, rule: Rule) -> RuleLine:
        mine = [r for r in self.rows if r.rule_id == rule.key]
        counts = dict(Counter(str(r.outcome) for r in mine))
        state, why = self._state(file, rule, mine, counts)
        return RuleLine(
            key=rule.key,
            sentence=rule.paraphrase,
            citation=rule.citation,
            state=state,
            why=why,
            outcomes=counts,
            status=rule.status,
            checked=rule.checked,
        )

    def _state(self, file: RuleFile, rule: Rule, mine: Sequence[SetbackRow], counts: dict[str, int]) -> tuple[str, str]:
        """Checked, not checked or needs a person, and why."""
        measured = sum(r.basis != "missing" for r in mine)
        doubts = ", ".join(f"{counts[o]} {o.replace('_', ' ')}" for o in DOUBTS if counts.get(o))
        unlooked = self._unlooked(file, rule, mine, counts, measured)
        fails = f"{counts['fail']} of {measured} rows fail" if counts.get("fail") else ""
        if unlooked:
            found = "not checked", "; ".join(t for t in (fails, unlooked) if t)
        elif fails:
            found = "checked", fails
        elif doubts:
            remark = next((r.remark for r in mine if r.outcome in DOUBTS and r.remark), "")
            found = "needs a person", doubts + (f" ({remark})" if remark else "")
        elif mine:
            thin = counts.get("pass_thin", 0)
            found = "checked", f"{measured} rows met" + (f", {thin} of them within the tolerances" if thin else "")
        else:
            found = "checked", "nothing of this sort near the lot, by the layers given"
        return found

    def _unlooked(
        self, file: RuleFile, rule: Rule, mine: Sequence[SetbackRow], counts: dict[str, int], measured: int
    ) -> str:
        """Why a rule was not looked at, or not for everything that it names; "" when it was."""
        absent = sorted({r.kind.replace("_", " ") for r in mine if r.basis == "missing" and r.outcome == "unverified"})
        why = ""
        if not file.covers:
            why = "this authority's rules are not about steered bores"
        elif not {"bore", "pit"} & set(rule.applies_to):
            why = "it concerns the header, which is not measured here"
        elif absent:
            why = f"no layer was given of {', '.join(absent)}" + (f"; {measured} rows measured" if measured else "")
        elif mine and set(counts) == {"not_applicable"}:
            why = next((r.remark for r in mine if r.remark), "") or "it does not concern these bores"
        elif not mine and "bore" not in rule.applies_to and not self._has("pads"):
            why = "the file shows no pad"
        return why

    def _has(self, layer: str) -> bool:
        table = read_layer(self.package, layer)
        return table is not None and table.rows > 0

    def file_lines(self) -> tuple[FileLine, ...]:
        """The rule files as used, with what to be careful about."""
        lines = []
        for file in self.files:
            weak = sorted({r.status for r in file.rules} & WEAK)
            words = []
            if file.level == "house":
                words.append("house rules, not law")
            elif weak:
                words.append("some of its text is " + " or ".join(STATUS[w] for w in weak))
            if file.class_certainty == "assumed":
                words.append("whether it covers steered bores must be asked")
            lines.append(
                FileLine(
                    file_id=file.file_id,
                    name=file.name,
                    level=file.level,
                    status=STATUS.get(file.source, file.source),
                    checked=file.checked,
                    certainty=file.class_certainty,
                    caution="; ".join(words),
                )
            )
        return tuple(lines)

    def claim(self) -> str:
        """One sentence on the whole layout; never more than that distances entered are met."""
        fails = sum(r.outcome == "fail" for r in self.rows)
        errors = sum(f.severity == "error" for f in self.findings)
        doubts = sum(r.outcome in DOUBTS for r in self.rows)
        faults = f"{errors} faults in the file" if errors != 1 else "1 fault in the file"
        if fails:
            words = [f"{fails} rows fail" if fails != 1 else "1 row fails", *([faults] if errors else [])]
            return f"Does NOT meet the distances entered: {' and '.join(words)}."
        if errors:
            return f"This file cannot be relied on: {faults}."
        if not any(r.outcome in {"pass", "pass_thin"} for r in self.rows):
            return f"Nothing could be verified: {doubts} of {len(self.rows)} rows are open."
        if doubts:
            return (
                f"Meets the distances entered where they could be measured; {doubts} of {len(self.rows)} rows"
                " are not verified or need the office."
            )
        return "Meets the distances entered."

    def cautions(self) -> tuple[str, ...]:
        """The package's own, and a stronger one when a rule that governs is only remembered or second hand."""
        weak = sorted(
            {r.rule_id.split("/")[0] for r in self.rows if r.status in WEAK and r.outcome != "not_applicable"}
        )
        law = [f for f in self.files if f.file_id in weak and f.level != "house"]
        more = []
        if law:
            more.append(
                f"Distances of {', '.join(f.name for f in law)} are second hand or from memory: read the text in force before"
                " anybody relies on this sheet."
            )
        if self.files and all(f.level == "house" for f in self.files):
            more.append(
                "Only house rules were applied, no authority's: the office's own distances are not on this sheet."
            )
        stale = [f"{f.name} {f.checked:%Y-%m-%d}" for f in self.files if f.checked is not None and f.level != "house"]
        if stale:
            more.append(f"Rule texts age. Last looked at: {', '.join(stale)}.")
        return (*CAUTIONS, *more)

    # office --------------------------------------------------------------

    def map_radius(self) -> tuple[float, str]:
        """Radius of the search circle round the lot in metres and who asks for it."""
        asked = [(f.submittal.map_radius_m, f.name) for f in self.files if f.submittal.map_radius_m is not None]
        return max(asked) if asked else (MAP_RADIUS_M, MAP_RADIUS_SOURCE)

    def as_built(self) -> tuple[int | None, int, str]:
        """Days within which the as-built is due (None: no file says), decimals of its coordinates, who asks for the days."""
        days = [(f.submittal.as_built_days, f.name) for f in self.files if f.submittal.as_built_days is not None]
        places = [f.submittal.as_built_coord_decimals for f in self.files if f.submittal.as_built_coord_decimals]
        days = days or [
            (d.days, f"{f.name}: {d.what}")
            for f in self.files
            for d in f.duties
            if d.when == "after" and d.days is not None
        ]
        who = min(days)[1] if days else ""
        return (min(days)[0] if days else None), max(places, default=DECIMALS), who

    def checklist(self, title: Title) -> tuple[CheckLine, ...]:
        """What the offices ask to see, or what offices usually ask, and where it stands."""
        asked = list(dict.fromkeys(n for f in self.files for n in f.submittal.needs))
        return tuple(self._check(item, title) for item in dict.fromkeys((*asked, *USUAL)))

    def _check(self, item: str, title: Title) -> CheckLine:
        state, where = _BY_HAND, NOTES
        if item in _SHOWN:
            state, where = "shown", _SHOWN[item]
        elif item in _TITLES:
            state, where = "shown" if getattr(title, _TITLES[item]) else _BY_HAND, "title block"
        elif item in _KINDS:
            state, where = self._kinds_shown(_KINDS[item])
        elif item in {"fluid", "pipe", "hole"}:
            pipe = self.said.get("pipe") or {}
            hole = bool((self.said.get("bore") or {}).get("hole_diameter_m"))
            known = hole if item == "hole" else bool(pipe.get("fluid" if item == "fluid" else "size"))
            state = "shown" if known else _BY_HAND
        return CheckLine(item=item.replace("_", " "), state=state, where=where)

    def _kinds_shown(self, kinds: Sequence[str]) -> tuple[str, str]:
        there = {t.kind for t in self.things}
        absent = [k.replace("_", " ") for k in kinds if k not in there and k not in self.supplied]
        place = f"{SITE_PLAN}, {SURROUNDINGS}" if there & set(kinds) else "layer given: none near the lot"
        if not absent:
            return "shown", place
        return "missing", f"no layer was given of {', '.join(absent)}" + (
            f"; the rest: {place}" if there & set(kinds) else ""
        )

    # sources --------------------------------------------------------------

    def sources(self) -> tuple[SourceLine, ...]:
        """Layers of the file that the sheets rest on, then the files that they were made from, where it says so."""
        return sources(self.package, self.said)

    def ground(self, whole: Audited) -> str:
        """Where the ground's heights come from."""
        codes = {f.code for f in whole.findings}
        if "ground-unknown" in codes:
            return "not given: a straight line between each bore's ends was taken, no depth is verified"
        if self.package.has("terrain"):
            return "raster in the file" + ("; it does not cover every bore" if "ground-gap" in codes else "")
        return (
            "taken as flat, as the file says" if self.said.get("terrain") == "flat" else "raster given beside the file"
        )

    def height_datum(self) -> str:
        """What heights count from, as far as the file says."""
        return str(self.said.get("height_datum") or "that of the file's heights; the file does not name it")

    def missing(self) -> tuple[str, ...]:
        """Everything that a clerk should ask for, one line each."""
        kinds = sorted(
            {r.kind.replace("_", " ") for r in self.rows if r.basis == "missing" and r.outcome == "unverified"}
        )
        lines = [f"no layer of {kind}: rules on it were not checked" for kind in kinds]
        unknown = [t for t in self.things if t.depth_m is None and kind_table()[t.kind]["buried"] and t.on_lot]
        if unknown:
            lines.append(f"depth not known: {', '.join(t.name for t in unknown)}")
        poor = [t for t in self.things if kind_table()[t.kind]["buried"] and t.quality == "unknown" and t.on_lot]
        if poor:
            lines.append(f"nobody says how these were located: {', '.join(t.name for t in poor)}")
        flat = [b.bore_id for b in self.bores if b.flat]
        if flat:
            lines.append(f"no heights along the bores: {', '.join(flat)}")
        lines += [f.message for f in self.findings if f.code in TOLD_CODES]
        if not self._has("pads"):
            lines.append("the file shows no pad: rules on it were not checked")
        if self._has("headers"):
            lines.append(
                "the header's trench is drawn but measured against no rule: some codes ask distances of it too"
            )
        else:
            lines.append("the file shows no header")
        lines += self._ticket()
        return tuple(dict.fromkeys(lines))

    def _ticket(self) -> list[str]:
        """How the one-call ticket stands, where the file holds one."""
        table = read_table(self.package, "ticket") if self.package.has("ticket") else None
        if table is None or not table.rows:
            return []
        gate = gate_of(answers_in(table.row(i) for i in range(table.rows)))
        if gate.open:
            return [f"one-call ticket: all {table.rows} owners have answered"]
        return [f"one-call ticket: {len(gate.lines)} of {table.rows} owners open: {'; '.join(gate.lines)}"]

    def _office(self) -> list[Detail]:
        """What the files say of papers and of the one-call centre."""
        lines = []
        for file in self.files:
            papers, call = file.submittal, file.one_call
            zone = None if call.tolerance_zone_m is None else length_text(call.tolerance_zone_m, self.units)
            seal = {True: "required", False: "not required", None: None}[papers.seal_required]
            told = [
                ("notice before work, hours", papers.notice_hours, papers.citation),
                ("permit lapses after, days", papers.permit_life_days, papers.citation),
                ("as-built due within, days", papers.as_built_days, papers.citation),
                ("seal", seal, papers.citation),
                ("one-call: hand-dig zone beside a line", zone, call.citation),
                ("one-call: notice, business days", call.notice_business_days, call.citation),
                ("one-call: ticket holds, days", call.ticket_life_days, call.citation),
                ("one-call: white lining", call.white_lining or None, call.citation),
            ]
            lines += [
                Detail(group=f"Office: {file.name}", name=name, value=str(value), source=source)
                for name, value, source in told
                if value is not None
            ]
        return lines

    def details(self, layout_id: str) -> tuple[Detail, ...]:
        """Notes on pipe, fluid, hole, tests and what the office must still settle."""
        made = details(self.package, self.said, self.bores, layout_id, self.units, load_table("pressure_tests"))
        return (*self._office(), *made)
