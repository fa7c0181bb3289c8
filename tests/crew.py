"""A made-up crew: drills the bores of a layouts file and keeps logs of it, with the errors that a locator has."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from loopgis.field.log import appended
from loopgis.field.model import Log


class Crew:
    """Entries of some tablets, one clock for all of them."""

    def __init__(self, book, seed=7, *, begin="2026-05-04T08:00:00"):
        """book: the drill book that is drilled."""
        self.book, self.rng = book, np.random.default_rng(seed)
        self.clock = datetime.fromisoformat(begin).replace(tzinfo=UTC)
        self.entries = {}

    def tells(self, tablet, **what):
        """One entry, five minutes after the one before."""
        self.clock += timedelta(minutes=5)
        stamp = self.clock.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        rows = self.entries.setdefault(tablet, [])
        what.setdefault("layout_id", self.book.layout_id)
        rows.append(appended(rows, tablet, read_at=stamp, **what))
        return rows[-1]

    def reads(self, tablet, bore_id, rod, *, deeper_m=0.0, right_m=0.0, noise=1.0, **more):
        """A rod as the locator says it: depth within 2 %, pitch within 0.6 %, every second rod with an offset."""
        depth = rod.depth_m * (1 + noise * self.rng.normal(0, 0.02)) + deeper_m
        pitch = rod.pitch_pct + noise * self.rng.normal(0, 0.6)
        offset = round(rod.offset_m + right_m, 2) if rod.rod % 2 else None
        what = {"depth_m": round(max(depth, 0.0), 2), "pitch_pct": round(pitch, 1), "offset_m": offset, **more}
        return self.tells(tablet, bore_id=bore_id, event="rod", rod=rod.rod, **what)

    def enters(self, tablet, page):
        """Entry, surveyed."""
        rod = page.rods[0]
        where = {"x": rod.x, "y": rod.y, "accuracy_m": 0.03}
        return self.tells(tablet, bore_id=page.bore_id, event="start", rod=0, pitch_pct=rod.pitch_pct, **where)

    def comes_out(self, tablet, page, accuracy_m=0.03):
        """Exit, surveyed."""
        rod = page.rods[-1]
        where = {"x": rod.x, "y": rod.y, "accuracy_m": accuracy_m}
        return self.tells(tablet, bore_id=page.bore_id, event="exit", rod=rod.rod, **where)

    def drills(self, tablet, page, *, rods=None, right_per_rod_m=0.0, noise=1.0):
        """A whole bore, or its first rods."""
        self.enters(tablet, page)
        last = len(page.rods) - 1 if rods is None else rods + 1
        for n, rod in enumerate(page.rods[1:last], start=1):
            self.reads(tablet, page.bore_id, rod, right_m=right_per_rod_m * n, noise=noise)
        if rods is None:
            self.comes_out(tablet, page)

    def log(self, *tablets):
        """Log of some tablets, all when none is named."""
        found = [e for t in tablets or sorted(self.entries) for e in self.entries[t]]
        return Log(entries=tuple(found), problems=())
