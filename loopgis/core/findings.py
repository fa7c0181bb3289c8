"""Findings: things worth telling, collected first and judged once."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

Severity = Literal["error", "warning", "note"]
Outcome = Literal["pass", "pass_thin", "fail", "consent_needed", "ruling_needed", "unverified", "not_applicable"]

_ORDER: dict[str, int] = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing worth telling.

    severity: `error` stops the work or fails an audit, `warning` needs a person, `note` informs.
    code: short stable word for machines, e.g. `crs-missing`, `lot-line`, `curvature`.
    message: one plain line with figures and units; remedy: what to do, may be empty.
    where: file, layer or place; feature_id, bore_id, layout_id, rule_id: empty when they do not apply.
    station_m: drilled metres from the entry; measured and limit are in the unit named by `unit`.
    """

    severity: Severity
    code: str
    message: str
    remedy: str = ""
    where: str = ""
    feature_id: str = ""
    bore_id: str = ""
    layout_id: str = ""
    rule_id: str = ""
    station_m: float | None = None
    measured: float | None = None
    limit: float | None = None
    unit: str = "m"
    outcome: Outcome | None = None

    def line(self) -> str:
        """One line for a terminal."""
        place = " ".join(p for p in (self.where, self.layout_id, self.bore_id, self.feature_id) if p)
        text = f"{self.severity}: {place + ': ' if place else ''}{self.message}"
        return text + (f"; {self.remedy}" if self.remedy else "")

    def as_dict(self) -> dict[str, Any]:
        """All fields that are set, for JSON."""
        return {k: v for k, v in asdict(self).items() if v not in (None, "")}


def in_order(findings: list[Finding]) -> list[Finding]:
    """Errors first, then warnings, then notes; otherwise as they were found."""
    return sorted(findings, key=lambda f: _ORDER[f.severity])


def worst(findings: list[Finding]) -> Severity | None:
    """Severity of the worst finding, None when there is none."""
    return min((f.severity for f in findings), key=_ORDER.__getitem__, default=None)
