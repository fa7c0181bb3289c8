"""May the crew drill: the answers to the one-call ticket, and the lines that no ticket covers.

38 % of the tickets of 2024 were not answered in full when work was to begin (S: CGA DIRT 2024 via trade press), so every crew
sheet says how it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.findings import Finding
from loopgis.site.model import TicketAnswer

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from loopgis.site.model import Site

PRIVATE = {"sewer_gravity": "sewer laterals", "drain_tile": "drain tiles"}
"""Lines that nobody marks for a caller and that a bore cuts without anybody noticing: asked for when no layer is given."""


@dataclass(frozen=True, kw_only=True)
class Gate:
    """How the ticket stands.

    open: a ticket was called in and every owner has answered; called: a ticket was named; lines: one for each answer, or what is
    waited for.
    """

    open: bool
    called: bool
    lines: tuple[str, ...]


def answers_in(rows: Iterable[Mapping[str, Any]]) -> list[TicketAnswer]:
    """Answers as rows of a table `ticket` hold them; what a row does not say is empty, and not closed."""
    told = [{k: "" if v is None or v != v else str(v) for k, v in row.items()} for row in rows]  # noqa: PLR0124 - NaN is empty
    return [
        TicketAnswer(
            owner=r.get("owner", ""),
            answer=r.get("answer", "") or "no answer",
            closed=r.get("closed", "") not in {"", "0", "False"},
            remark=r.get("remark", ""),
        )
        for r in told
    ]


def gate_of(ticket: Sequence[TicketAnswer] | None) -> Gate:
    """How a ticket stands by its answers; None: no ticket was named."""
    if ticket is None:
        return Gate(open=False, called=False, lines=("no ticket was entered with the plan: call the one-call centre",))
    told = [f"{a.owner}: {a.answer}{f' ({a.remark})' if a.remark else ''}" for a in ticket]
    waiting = tuple(f"waiting for {text}" for text, a in zip(told, ticket, strict=True) if not a.closed)
    return Gate(open=not waiting, called=True, lines=waiting or tuple(told))


def gate_findings(site: Site) -> list[Finding]:
    """Outstanding answers, and private lines that nobody has spoken of."""
    found = []
    gate = gate_of(site.ticket)
    if not gate.called:
        found.append(
            Finding(
                severity="note",
                code="ticket-missing",
                message="no answers to a one-call ticket are entered: crew sheets will say DO NOT DRILL",
                remedy='call the centre, then write the answers into a CSV and name it: [site] ticket = "ticket.csv"',
            )
        )
    elif not gate.open:
        found.append(
            Finding(
                severity="warning",
                code="ticket-open",
                message=f"not every owner has answered the ticket: {'; '.join(gate.lines[:4])}",
                remedy="nobody drills before they have",
            )
        )
    silent = [words for kind, words in PRIVATE.items() if kind not in site.given_kinds]
    if silent:
        found.append(
            Finding(
                severity="warning",
                code="ask-private-lines",
                message=f"nobody has said whether there are {' or '.join(silent)}; no ticket covers them",
                remedy="ask the owner, send a camera down the sewer, and give them as features; an empty layer says that there are"
                " none",
            )
        )
    return found
