"""Pace, efficiency and memory of `loopgis screen` on a made-up town.

    python scripts/bench_screen.py FOLDER [PARCELS] [WORKERS ...]

FOLDER holds a town of scripts/make_town.py. Each number of workers is a run of its own on the first PARCELS rows (default: all).
Prints parcels a second, the efficiency against the first run, the cost of judging as a ratio to reading the same parcels, and the
resident memory of leader and largest worker at every tenth of the run. Ratios carry over to other machines, seconds do not; both
cores must be idle for the efficiency to mean anything.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import psutil  # type: ignore[import-untyped]

from loopgis.screening import block, driver, work

MEGA = 1e6


class Watch:
    """What memory is at which count of parcels; called with every line that the screening tells."""

    def __init__(self) -> None:
        """Begin."""
        self.me = psutil.Process()
        self.seen: list[tuple[int, float, float]] = []

    def __call__(self, line: str) -> None:
        """Take a sample."""
        count = line.split(" of ", maxsplit=1)[0].replace(",", "")
        if count.isdigit():
            own = self.me.memory_info().rss / MEGA
            self.seen.append((int(count), own, max((rss(p) for p in self.me.children(recursive=True)), default=own)))

    def deciles(self) -> list[tuple[int, float, float]]:
        """Count, leader and worker, megabytes, at every tenth of the run."""
        return [self.seen[round(k * (len(self.seen) - 1) / 10)] for k in range(11)]


def rss(process: psutil.Process) -> float:
    """Resident memory, megabytes; 0 for a process that has just ended."""
    try:
        return float(process.memory_info().rss) / MEGA
    except psutil.NoSuchProcess:
        return 0.0


def reading_s(asked: work.Asked) -> float:
    """Processor seconds that reading takes a parcel, in this process."""
    job = work.job_of(asked)
    desk = block.desk_of(job)
    roll = work.roll_of(job)
    blocks = work.blocks_of(roll, [], asked.block)[:20]
    begin = time.process_time()
    count = sum(1 for each in blocks for _ in block.read_block(desk, each))
    return (time.process_time() - begin) / count


def main() -> None:
    """Print the figures."""
    town = Path(sys.argv[1])
    parcels = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    first = 0.0
    for workers in [int(w) for w in sys.argv[3:]] or [1, 2]:
        with tempfile.TemporaryDirectory() as folder:
            asked = work.Asked(
                parcels=str(town / "parcels.gpkg"),
                site=town / "town.toml",
                output=Path(folder) / "screen.gpkg",
                where=f"fid <= {parcels}" if parcels else "",
                workers=workers,
            )
            read_s, watch = reading_s(asked), Watch()
            begin = time.perf_counter()
            done = driver.screen(asked, tell=watch)
            whole = time.perf_counter() - begin
        pace = done.parcels / done.took_s
        first = first or pace / workers
        print(
            f"{done.parcels:,} parcels, {workers} workers: {pace:.2f} a second while judging, {whole:.0f} s in all, "
            f"efficiency {pace / workers / first:.2f}; {done.work_s / done.parcels:.3f} s of work a parcel, "
            f"{done.work_s / done.parcels / read_s:.0f} times reading it ({1000 * read_s:.1f} ms); {done.outcomes}"
        )
        print("  parcels, leader MB, largest worker MB:")
        for count, leader, worker in watch.deciles():
            print(f"  {count:>9,} {leader:8.0f} {worker:8.0f}", flush=True)


if __name__ == "__main__":
    main()
