"""The row of a table of check values, as the published tests hold them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Row:
    """One number of the table: how it is worked out, its inputs, what is printed, tolerance, source, status mark."""

    row: int
    part: str
    of: Callable[..., float]
    given: tuple[float | str, ...]
    expected: float
    tolerance: float
    source: str
    status: str

    def __str__(self) -> str:
        return f"row-{self.row}-{self.part}"
