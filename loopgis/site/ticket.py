"""The answers to the one-call ticket: a CSV with a row per owner of lines. Rigs wait until every row is closed.

Columns: `owner` (or utility, member, operator) and `answer` (or response, status); `remark` may follow, others are passed over.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from loopgis.core import limits
from loopgis.core.errors import InputError
from loopgis.site.log import plain
from loopgis.site.model import TicketAnswer

if TYPE_CHECKING:
    from pathlib import Path

OWNER_NAMES = ("owner", "utility", "member", "operator", "company")
ANSWER_NAMES = ("answer", "response", "status")
REMARK_NAMES = ("remark", "remarks", "comment", "note")
CLOSED = frozenset({"marked", "clear", "cleared", "no lines", "no conflict", "not involved", "exposed", "complete"})
"""Answers after which work may begin: lines are marked, or there are none. Everything else waits."""


def read_ticket(path: Path, name: str) -> tuple[TicketAnswer, ...]:
    """Answers in file order. Raises InputError naming file, line and remedy."""
    try:
        data = limits.whole(path, name, "site_mb", "is it the right file? it holds a row per owner")
        reader = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""))
        lines = [row for row in reader if any(cell.strip() for cell in row)]
    except OSError as error:
        raise InputError(
            name, f"cannot be read ({error.strerror or error})", "check the path of [site] ticket"
        ) from None
    except (UnicodeDecodeError, csv.Error, ValueError) as error:
        raise InputError(name, f"is no readable CSV ({plain(error, 80)})", "save it as UTF-8 text") from None
    header = [cell.strip().lower() for cell in lines[0]] if lines else []
    owner, answer = _column(header, OWNER_NAMES), _column(header, ANSWER_NAMES)
    if owner is None or answer is None:
        found = plain(", ".join(header), 80) or "nothing"
        raise InputError(name, f"has no columns owner and answer ({found})", "write a header: owner,answer,remark")
    if len(lines) == 1:
        raise InputError(name, "names no owner", "copy every owner of the ticket, one a row")
    remark = _column(header, REMARK_NAMES)
    return tuple(_answer(row, number, (owner, answer, remark), name) for number, row in enumerate(lines[1:], 2))


def _column(header: list[str], names: tuple[str, ...]) -> int | None:
    return next((header.index(n) for n in names if n in header), None)


def _answer(row: list[str], number: int, at: tuple[int, int, int | None], name: str) -> TicketAnswer:
    cells = [plain(c.strip(), 80) for c in row]
    owner = cells[at[0]] if at[0] < len(cells) else ""
    if not owner:
        raise InputError(name, f"line {number} names no owner", "mend that line")
    answer = cells[at[1]] if at[1] < len(cells) else ""
    words = " ".join(answer.lower().replace("-", " ").replace("_", " ").split())
    remark = cells[at[2]] if at[2] is not None and at[2] < len(cells) else ""
    return TicketAnswer(owner=owner, answer=answer or "no answer", closed=words in CLOSED, remark=remark)
