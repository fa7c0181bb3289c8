"""A screening from what was asked to files: the one call behind `loopgis screen`."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core.in_use import Seen
from loopgis.screening.model import MEANING
from loopgis.screening.parts import throw_away
from loopgis.screening.result import write_results
from loopgis.screening.work import clock, job_of, ready_to_write, refs_of, roll_of, run

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopgis.screening.work import Asked


@dataclass(frozen=True, kw_only=True, eq=False)
class Screening:
    """What came of it.

    outcomes: parcels by outcome; load_kw: all loops together; parcels, taken_over: rows, and those that an earlier run had done;
    work_s, took_s: seconds that all workers spent on judging, and that judging took by the clock; most_rss_mb: largest resident
    memory of a worker after a block.
    """

    paths: tuple[Path, ...]
    outcomes: dict[str, int]
    load_kw: float
    parcels: int
    taken_over: int
    work_s: float
    took_s: float
    most_rss_mb: float

    def table(self) -> list[str]:
        """Counts as lines of text."""
        lines = [f"{count:>9,}  {MEANING[name]}" for name, count in self.outcomes.items()]
        return [*lines, f"{self.parcels:>9,}  parcels, {self.load_kw:,.0f} kW in all, {clock(self.work_s)} of work"]

    def summary(self) -> dict[str, Any]:
        """For machines."""
        return {
            "parcels": self.parcels,
            "taken_over": self.taken_over,
            "outcomes": self.outcomes,
            "load_kw": round(self.load_kw, 1),
            "work_s": round(self.work_s, 2),
            "took_s": round(self.took_s, 2),
            "most_rss_mb": round(self.most_rss_mb, 1),
            "written": [str(p) for p in self.paths],
        }


def screen(asked: Asked, *, tell: Callable[[str], None] = lambda _: None) -> Screening:
    """Judge every parcel and write the results; parts of the run are thrown away once they are written.

    Raises InputError for inputs or places that cannot be used, for parts of other inputs, and when the scheduler is gone.
    """
    ready_to_write(asked)
    job = job_of(asked)
    seen = Seen(ref.path for ref in refs_of(job))
    roll = roll_of(job)
    told = run(asked, job, roll, tell)
    tell("writing")
    written = write_results(Path(asked.output), job, roll, overwrite=asked.overwrite, seen=seen)
    with suppress(OSError):
        throw_away(Path(job.folder))
    return Screening(
        paths=written.paths,
        outcomes=written.outcomes,
        load_kw=written.load_kw,
        parcels=told.total,
        taken_over=told.taken_over,
        work_s=told.seconds,
        took_s=told.took_s,
        most_rss_mb=told.most_rss_mb,
    )
