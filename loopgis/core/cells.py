"""What every writer of tables must know of the programs that open them."""

from __future__ import annotations

FORMULA = frozenset("=+-@\uff1d\uff0b\uff0d\uff20")
"""First letters that make a spreadsheet compute, the wide ones of East Asian keyboards included (common practice, from memory)."""
