"""The independent audit: every bore of a GeoPackage measured anew and judged by the rules.

It shares no code with the generator: own reader, own projection, own rule parser, own ground, own geometry. What generator and
audit have in common is the text "What a rule means" in DEVELOPERS.md, the rule files and tables/kinds.toml.
The rooms: audit_read (file, frame), audit_rules, audit_ground, audit_path (one bore), audit_modes and audit_rows (rules), audit_rig
(the bore for itself), audit_apart (bores against each other), audit_written (what the file says of itself), audit_case.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core.findings import Finding, in_order
from loopgis.rules.audit_apart import separation_findings
from loopgis.rules.audit_case import open_case
from loopgis.rules.audit_origin import origin_findings
from loopgis.rules.audit_rig import bore_findings
from loopgis.rules.audit_rows import all_rows
from loopgis.rules.audit_written import clearance_findings, column_findings, point_findings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.rules.audit_case import Opened
    from loopgis.rules.audit_rows import Case, Row

_CODES = {
    "plan": "setback",
    "cover": "cover",
    "gap": "gap",
    "angle": "crossing-angle",
    "alongside": "alongside",
    "depth": "rule-depth",
    "count": "rule-count",
    "fluid": "rule-fluid",
    "missing": "layer-missing",
    "pad": "pad-setback",
}
_SEVERITY: dict[str, Any] = {
    "fail": "error",
    "ruling_needed": "warning",
    "unverified": "warning",
    "consent_needed": "warning",
    "pass_thin": "note",
}


def audit(
    gpkg: str | Path,
    rules: Sequence[str] | str | None = None,
    *,
    layout_id: str | None = None,
    elevation: str | Path | None = None,
    rig: dict[str, Any] | None = None,
) -> list[Finding]:
    """Measure every bore in a GeoPackage anew; give what is wrong or in doubt, errors first. An empty list: nothing is.

    gpkg: a file with the layers of the contract (at least parcel and bores), made by loopgis or by anybody else.
    rules: shipped ids or paths of rule files; left out: those named in the file's metadata, else the house rules.
    layout_id: only this layout. elevation: a raster of the ground; left out: the raster table `terrain` in the file, else flat
    ground when the metadata say so, else a straight line between each bore's ends. rig: limits of the same shape as in the
    metadata, {"rig": {...}, "bore": {...}} or the inner "rig" dict alone; they override those in the file.
    Errors: InputError for a file, CRS, parcel, bores or rule file that cannot be used.
    """
    return audited(gpkg, rules, layout_id=layout_id, elevation=elevation, rig=rig).findings


@dataclass(frozen=True, eq=False)
class Audited:
    """An audit with all that it was made of, for sheets: the file, the rules asked for (None: the file's own), rows, findings."""

    path: Path
    rules: list[str] | None
    opened: Opened
    rows: list[Row]
    findings: list[Finding]

    @property
    def case(self) -> Case:
        """Lot, features, bores, pads and rules as the audit read them, in its own frame."""
        return self.opened.case


def audited(
    gpkg: str | Path,
    rules: Sequence[str] | str | None = None,
    *,
    layout_id: str | None = None,
    elevation: str | Path | None = None,
    rig: dict[str, Any] | None = None,
) -> Audited:
    """As `audit`, with the rows and the case besides the findings."""
    opened = open_case(gpkg, _names(rules), layout_id=layout_id, elevation=elevation, rig=rig)
    rows = all_rows(opened.case)
    found = [*opened.findings, *origin_findings(opened.package, opened.parcel, opened.case.things)]
    found += [_finding(row) for row in rows if row["outcome"] in _SEVERITY]
    found += _bores(opened, [f for f in found if f.code == "lot-line" and f.severity == "error"])
    found += clearance_findings(opened.clearances, rows, [f.file_id for f in opened.case.files])
    return Audited(Path(gpkg), _names(rules), opened, rows, in_order(found))


def measure(
    gpkg: str | Path,
    rules: Sequence[str] | str | None = None,
    *,
    layout_id: str | None = None,
    elevation: str | Path | None = None,
    rig: dict[str, Any] | None = None,
) -> list[Row]:
    """Every row of bore, rule and feature (then pads, the job and missing layers), as a permit office's table needs them.

    Arguments as for `audit`. Keys: layout_id, bore_id, rule_id, feature_id, kind, mode, basis (plan | cover | gap | angle |
    alongside | depth | count | fluid | pad | missing), required_m, provided_m, margin_m (None when nothing could be measured;
    degrees when unit is "deg", numbers of bores when it is "bores"; a fluid has none), least_m (least cover or gap near the
    feature), grain_m (its change over one interval of vertices), tolerance_m, outcome, station_m, unit, remark, citation.
    """
    opened = open_case(gpkg, _names(rules), layout_id=layout_id, elevation=elevation, rig=rig)
    return all_rows(opened.case)


def _names(rules: Sequence[str] | str | None) -> list[str] | None:
    """Rules as a list; one name alone counts as a list of one."""
    return rules if rules is None else [rules] if isinstance(rules, str) else [str(r) for r in rules]


def _bores(opened: Opened, off_lot: list[Finding]) -> list[Finding]:
    """Findings about bores for themselves, against each other and against the file's own figures."""
    case, told = opened.case, {(f.layout_id, f.bore_id) for f in off_lot}
    found: list[Finding] = []
    for path in case.paths:
        own = bore_findings(path, opened.limits, case.lot) + column_findings(path, opened.limits)
        found += [f for f in own if f.code != "outside-lot" or (f.layout_id, f.bore_id) not in told]
    found += separation_findings(case.paths, case.files, opened.limits)
    for layer, rows in (("rods", opened.rods), ("exits", opened.exits)):
        if rows is not None:
            found += point_findings(layer, rows, case.paths)
    return found


def _finding(row: Row) -> Finding:
    """One row that is not a plain pass, as a finding."""
    code = "lot-line" if row["kind"] == "property_line" and row["basis"] == "plan" else _CODES[row["basis"]]
    return Finding(
        severity=_SEVERITY[row["outcome"]],
        code=code,
        message=_message(row),
        feature_id=row["feature_id"],
        bore_id=row["bore_id"],
        layout_id=row["layout_id"],
        rule_id=row["rule_id"],
        station_m=row["station_m"],
        measured=row["provided_m"],
        limit=row["required_m"],
        unit=row["unit"],
        outcome=row["outcome"],
    )


def _message(row: Row) -> str:
    words = {
        "plan": "distance in plan",
        "cover": "cover",
        "gap": "clear gap",
        "angle": "crossing angle",
        "alongside": "gap where it runs alongside",
        "depth": "depth",
        "count": "number of bores",
        "fluid": "fluid",
        "pad": "distance of the pad",
        "missing": "distance",
    }
    what = f"{row['outcome']}: {row['rule_id']}, {row['kind']}: {words[row['basis']]}"
    if row["basis"] == "fluid":
        return f"{what}: {row['remark']}"
    unit, digits = row["unit"], 0 if row["basis"] == "count" else 2
    bounds = "at most" if row["basis"] in ("depth", "count") else "required"
    figures = f" {row['provided_m']:.{digits}f} {unit}," if row["provided_m"] is not None else " not measured,"
    station = "" if row["station_m"] is None else f" at station {row['station_m']:.1f} m"
    remark = f" ({row['remark']})" if row["remark"] else ""
    return f"{what}{figures} {bounds} {row['required_m']:.{digits}f} {unit}{station}{remark}"
