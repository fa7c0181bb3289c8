"""A made-up bore as the page has it, its ground, and crews that read it: well, badly, or off the plan."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
import shapely

from loopgis.bore.rods import pitch_per_rod_pct
from loopgis.bore.steer import actions
from loopgis.field.model import Entry
from loopgis.field.path import ACCURACY

ROD_M, RADIUS_M, FINE = 3.048, 30.48, 100
TO_FILE = (474528.158, 0.9996013, 0.0036479, 4700073.019, -0.0036479, 0.9996013)
MOST = math.atan(pitch_per_rod_pct(RADIUS_M, rod_length_m=ROD_M) / 100) / ROD_M


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """A plan: job and bore of the page's data; fine (n, 3) FINE places a rod, pitch and azimuth there; line: its plan."""

    job: dict
    bore: dict
    fine: np.ndarray
    pitch_pct: np.ndarray
    line: shapely.LineString

    def ground(self, xy):
        """Height of the ground at places (n, 2): that of the nearest place of the plan."""
        at = np.array([self.line.project(shapely.Point(p)) for p in np.asarray(xy)])
        plan, _, ground = np.array(self.bore["path"])[:, :3].T
        return np.interp(at, plan, ground)

    @property
    def planned(self):
        return np.array(self.bore["path"])[:, [3, 4, 1]]

    @property
    def painted(self):
        return np.array(self.bore["painted"])


def case(
    *, rods=18, azimuth_deg=40.0, bend_deg=0.0, slope=0.0, waves_m=0.0, entry_pct=-30.0, units="metric", deep_m=4.0
) -> Case:
    """Down at the entry's pitch, along at about deep_m, up again; bend_deg: turn in plan over the whole bore."""
    step = ROD_M / FINE
    bend = 0.8 * MOST
    down = math.atan(entry_pct / 100)
    s = (np.arange(rods * FINE) + 0.5) * step
    lost = (1 - math.cos(down)) / bend  # height of the arc to level
    straight = max((deep_m - lost) / math.sin(-down), ROD_M)
    level = straight - down / bend
    up_from = rods * ROD_M - level
    angle = np.interp(s, [0, straight, level, up_from, 2 * up_from], [down, down, 0, 0, bend * up_from])
    angle = np.where(s > up_from, np.minimum((s - up_from) * bend, -down), angle)
    angle += math.atan(slope)  # the whole bore is tilted with its ground
    turn = math.radians(azimuth_deg) + math.radians(bend_deg) * s / s[-1]
    move = np.column_stack([np.cos(angle) * np.sin(turn), np.cos(angle) * np.cos(turn), np.sin(angle)]) * step
    fine = np.array([12.0, -7.0, 101.0]) + np.vstack([np.zeros(3), np.cumsum(move, axis=0)])
    along = np.r_[0.0, np.cumsum(np.hypot(move[:, 0], move[:, 1]))]
    ground = 101.0 + slope * along + waves_m * np.sin(along / 7.0)
    pitch = 100 * np.tan(np.interp(np.arange(rods * FINE + 1) * step, s, angle))
    heading = np.degrees(np.interp(np.arange(rods * FINE + 1) * step, s, turn))
    ends = slice(None, None, FINE)
    told = actions(station_m=np.arange(rods + 1) * ROD_M, pitch_pct=pitch[ends], azimuth_deg=heading[ends])
    rows = [
        {
            "rod": k,
            "station_m": k * ROD_M,
            "plan_m": float(along[n]),
            "x": float(fine[n, 0]),
            "y": float(fine[n, 1]),
            "z_m": float(fine[n, 2]),
            "ground_m": float(ground[n]),
            "depth_m": float(ground[n] - fine[n, 2]),
            "pitch_pct": float(pitch[n]),
            "azimuth_deg": float(heading[n]),
            "offset_m": 0.0,
            "action": told[k],
            "note": "",
            "locate": "",
            "crossing": "",
        }
        for k, n in enumerate(range(0, rods * FINE + 1, FINE))
    ]
    few = np.unique(np.r_[np.arange(0, len(fine), 33), len(fine) - 1])
    path = [[float(v) for v in (along[n], fine[n, 2], ground[n], fine[n, 0], fine[n, 1])] for n in few]
    bore = {
        "bore_id": "B-01",
        "rods": rods,
        "azimuth_deg": azimuth_deg,
        "tube_m": 0.3048,
        "tube_share": 0.05,
        "rod": rows,
        "path": path,
        "painted": [path[0][3:], path[-1][3:]],
        "windows": [],
        "cover": [],
        "limits": {},
    }
    job = {
        "units": units,
        "rod_m": ROD_M,
        "bend_m": RADIUS_M,
        "steepest_pct": None,
        "to_file": list(TO_FILE),
        "bores": [bore],
    }
    line = shapely.LineString(np.array(path)[:, 3:])
    return Case(job=job, bore=bore, fine=fine, pitch_pct=pitch, line=line)


def read(
    c: Case,
    rng,
    *,
    rods=None,
    right_m=0.0,
    low_m=0.0,
    depth_share=ACCURACY.depth_share,
    pitch_err=ACCURACY.pitch_pct,
    same=True,
    depths=True,
    offsets=True,
) -> list[Entry]:
    """What a crew reads of a head that is right_m right and low_m below the plan at each rod (figures, or functions of the rod).

    depth_share, pitch_err: standard errors that are new at every rod; same: with the errors that all reads share (path.Accuracy).
    """
    rods = c.bore["rods"] if rods is None else rods
    shared = rng.normal(0, ACCURACY.depth_same_share) if same else 0.0
    tilt = rng.normal(0, ACCURACY.pitch_same_pct) if same else 0.0
    side = c.painted[1] - c.painted[0]
    side = np.array([side[1], -side[0]]) / np.hypot(*side)
    found = [entry("start", 0, pitch_pct=float(c.pitch_pct[0]))]
    for k in range(1, rods + 1):
        off, low = (f(k) if callable(f) else f for f in (right_m, low_m))
        place = c.fine[k * FINE].copy()
        place[:2] += off * side
        place[2] -= low
        depth = float(c.ground(place[None, :2])[0] - place[2])
        error = depth * rng.normal(0, depth_share) + rng.normal(0, 0.01)
        slope = 0.0 if not callable(low_m) else 100 * (low_m(k - 1) - low_m(k + 1)) / (2 * ROD_M)
        found.append(
            entry(
                "rod",
                k,
                depth_m=depth * (1 + shared) + error if depths else None,
                pitch_pct=float(c.pitch_pct[k * FINE]) + slope + tilt + rng.normal(0, pitch_err),
                offset_m=float((place[:2] - c.painted[0]) @ side + rng.normal(0, 0.03)) if offsets else None,
            )
        )
    return found


def entry(event, rod, **what) -> Entry:
    """One entry of tablet T, its number after its rod."""
    base = {
        "entry_id": f"T-{rod + 1}",
        "tablet": "T",
        "number": rod + 1,
        "layout_id": "L",
        "bore_id": "B-01",
        "event": event,
        "rod": rod,
    }
    return Entry(**{**base, "read_at": f"2026-05-04T12:{rod % 60:02}:00Z", **what})


def in_file(e: Entry) -> dict:
    """An entry as the page keeps it, its place in the file's coordinates."""
    row = asdict(e)
    if e.x is not None and e.y is not None:
        a, b, cc, d, ee, f = TO_FILE
        row |= {"x": a + b * e.x + cc * e.y, "y": d + ee * e.x + f * e.y}
    return row


def leg(entries) -> dict:
    """A leg as the page has it."""
    rods = sorted((e for e in entries if e.event == "rod"), key=lambda e: e.rod)
    start = next((in_file(e) for e in entries if e.event == "start"), None)
    return {
        "start": start,
        "rods": [in_file(e) for e in rods],
        "exit": None,
        "others": [],
        "given_up_from": None,
        "problems": [],
    }
