"""Findings gathered while a site is read; an error is kept and the reading of everything else goes on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from loopgis.core.findings import Finding, Severity

if TYPE_CHECKING:
    from loopgis.core.errors import InputError


def plain(text: object, longest: int = 200) -> str:
    r"""Text of a file made fit for one line of a terminal: no line breaks, no control characters, not endless.

    >>> plain("oak\nlane\x1b[2J")
    'oak lane?[2J'
    """
    line = " ".join(str(text)[: 4 * longest].split())
    shown = "".join(c if c.isprintable() else "?" for c in line)
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


@dataclass(eq=False)
class Log:
    """Findings in the order in which they turned up."""

    findings: list[Finding] = field(default_factory=list)
    _kept: set[Finding] = field(default_factory=set, repr=False)

    @property
    def failed(self) -> bool:
        """True once an error was kept."""
        return any(f.severity == "error" for f in self.findings)

    def add_error(self, code: str, error: InputError) -> None:
        """Keep an error instead of raising it."""
        self._keep("error", code, error.where, error.what, error.remedy)

    def add_warning(self, code: str, where: str, message: str, remedy: str = "", feature_id: str = "") -> None:
        """Keep something that needs a person."""
        self._keep("warning", code, where, message, remedy, feature_id)

    def add_note(self, code: str, where: str, message: str, remedy: str = "") -> None:
        """Keep something that informs."""
        self._keep("note", code, where, message, remedy)

    def _keep(self, severity: Severity, code: str, where: str, message: str, remedy: str, feature_id: str = "") -> None:
        finding = Finding(
            severity=severity,
            code=code,
            where=plain(where, 400),
            message=plain(message, 600),
            remedy=plain(remedy, 400),
            feature_id=feature_id,
        )
        if finding not in self._kept:
            self._kept.add(finding)
            self.findings.append(finding)
