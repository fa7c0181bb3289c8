"""The one error tree of loopgis.

    LoopgisError            exit 1   a defect of ours
    ├── UsageError          exit 2   the command line was not understood
    ├── InputError          exit 3   a file or a key in it cannot be used
    │   └── RangeError      exit 3   a physical figure lies outside its range
    ├── NoLayoutError       exit 4   nothing fits, with the reasons and the smallest change that would help
    └── AuditError          exit 5   the audit found a failure

Every message is one line: the place (file, key, feature), what is wrong, and after a semicolon the remedy.
"""

from __future__ import annotations

import math


class LoopgisError(Exception):
    """Base of all errors that loopgis raises on purpose."""

    exit_code = 1


class UsageError(LoopgisError):
    """The command line or a call was put together wrongly."""

    exit_code = 2


class InputError(LoopgisError):
    """An input file, or one key, feature or cell in it, cannot be used.

    `where` names the file and the feature or key; `what` says what is wrong; `remedy` says what to do.
    """

    exit_code = 3

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        """Put the three parts into one line."""
        self.where, self.what, self.remedy = where, what, remedy
        text = f"{where}: {what}" + (f"; {remedy}" if remedy else "")
        super().__init__(" ".join(text.split()))


class RangeError(InputError):
    """A figure is outside the range in which a formula or a rig holds."""


class NoLayoutError(LoopgisError):
    """No layout fits the site.

    `reasons` lists what closed the ground or stopped the bores, most frequent first;
    `smallest_change` is a change that was tried and that makes a layout fit, or an empty string.
    """

    exit_code = 4

    def __init__(self, where: str, reasons: list[str], smallest_change: str = "", *, bound: float = math.inf) -> None:
        """Keep the reasons for the caller and put them into one line; bound: no answer costs less, infinite when there is none."""
        self.where, self.reasons, self.smallest_change, self.bound = where, reasons, smallest_change, bound
        text = f"{where}: no layout fits: " + ("; ".join(reasons) or "no reason recorded")
        super().__init__(
            text
            + (
                f"; would fit: {smallest_change}"
                if smallest_change
                else "; no change of depth, pad, rods, pitch, reach or setback that was tried fits"
            )
        )


class AuditError(LoopgisError):
    """The audit measured at least one failure."""

    exit_code = 5
