"""A made-up site with a layout of any number of bores, drawn by hand: for tests of pictures and of the review page.

Nothing here was searched: bores are plain lines down, along and up again, so a test knows what it asked for and is fast.
"""

from __future__ import annotations

import numpy as np
import shapely
import zoo

from loopgis.bore.model import Bore
from loopgis.core.findings import Finding
from loopgis.layout.model import Clearance, Crossing, Evaluation, Header, Layout, Pad
from loopgis.rules import files as rule_files
from loopgis.rules.zones import zones_of
from loopgis.site.model import Feature

NASTY = '<script>alert("1")</script> & Söhne'
DEPTH_M = 4.572


def make_site(**changes):
    """Lot of 120 x 90 m on a slope with a house, a pond and lines of five families, one of them with no depth on record."""

    def line(*points):
        return shapely.LineString(points)

    features = (
        Feature(feature_id="house", kind="building", geometry=shapely.box(-8, -36, 8, -26), label="house"),
        Feature(
            feature_id="pond", kind="surface_water", geometry=shapely.Point(0, 16).buffer(8), depth_m=1.5, label="pond"
        ),
        Feature(feature_id="well", kind="water_well", geometry=shapely.Point(-52, -38), label="well"),
        Feature(
            feature_id="gas",
            kind="gas_line",
            geometry=line((-60, -30), (-9, -30)),
            quality="B",
            depth_m=0.8,
            label="gas service",
        ),
        Feature(feature_id="cable", kind="electric_ug", geometry=line((60, -42), (9, -33)), quality="D", label="cable"),
        Feature(
            feature_id="drip",
            kind="irrigation",
            geometry=line((-45, -8), (45, -6)),
            quality="A",
            depth_m=0.3,
            label="drip line",
        ),
        Feature(feature_id="phone", kind="telecom", geometry=line((20, -45), (9, -34)), depth_m=0.6, label="telephone"),
        Feature(
            feature_id="drain",
            kind="sewer_gravity",
            geometry=line((0, -45), (0, -36)),
            quality="C",
            depth_m=1.5,
            label="sewer",
        ),
    )
    lot = shapely.Polygon([(-60, -45), (60, -45), (58, 45), (-55, 42)])
    return zoo.site(
        lot, features=features, terrain=zoo.plane(0.03, -0.05, bump_m=0.4), **{"name": "Made-up Lot", **changes}
    )


def make_bore(site, number, entry, azimuth_deg, plan_m):
    """Bore that goes down at 35 %, runs level DEPTH_M below the ground and comes up again."""
    s = np.linspace(0.0, plan_m, int(plan_m / 0.4) + 2)
    a = np.radians(azimuth_deg)
    x, y = entry[0] + s * np.sin(a), entry[1] + s * np.cos(a)
    ground = site.terrain.at(x, y)
    z = ground - np.minimum(DEPTH_M, 0.35 * np.minimum(s, plan_m - s))
    station = np.r_[0.0, np.cumsum(np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2))]
    return Bore(
        bore_id=f"B-{number:02d}",
        pattern="parallel",
        x_m=x,
        y_m=y,
        z_m=z,
        ground_m=ground,
        station_m=station,
        plan_station_m=s,
        pitch_pct=100 * np.gradient(z, s),
        azimuth_deg=np.full(len(s), float(azimuth_deg)),
        curvature_1_m=np.zeros(len(s)),
        target_depth_m=DEPTH_M,
        hole_diameter_m=0.127,
    )


def make_layout(site, count=8, *, rank=1, pattern="parallel", score=70.0):
    """Layout of `count` bores going north from a pad strip, one row of clearances for each outcome, crossings of the drip line."""
    reach = 40.0
    first = -reach + (0 if count > 1 else reach)
    step = 2 * reach / max(count - 1, 1)
    bores = tuple(make_bore(site, n + 1, (first + n * step, -18.0), 0.0, 52.0 + n % 3) for n in range(count))
    crossings = tuple(
        Crossing(
            bore_id=b.bore_id,
            feature_id="drip",
            kind="irrigation",
            rule_id="house/irrigation",
            x_m=float(b.x_m[0]),
            y_m=-7.0,
            z_m=float(np.interp(11.0, b.plan_station_m, b.z_m)),
            station_m=float(np.interp(11.0, b.plan_station_m, b.station_m)),
            angle_deg=88.0,
            clearance_m=3.1,
            sigma_m=0.2,
            risk=1e-9,
            depth_known=True,
        )
        for b in bores
    )
    outcomes = ("pass", "pass_thin", "fail", "consent_needed", "ruling_needed", "unverified", "not_applicable")
    clearances = tuple(
        Clearance(
            bore_id=bores[0].bore_id,
            rule_id=f"house/{o}",
            feature_id="" if o == "unverified" else "gas",
            kind="gas_line",
            basis="plan",
            required_m=3.0,
            provided_m=float("nan") if o == "unverified" else 4.0 + n,
            margin_m=float("nan") if o == "unverified" else 1.0 + n,
            outcome=o,
            citation="made up",
        )
        for n, o in enumerate(outcomes)
    )
    level = sum(b.level_length_m for b in bores)
    evaluation = Evaluation(
        bores=count,
        total_length_m=sum(b.length_m for b in bores),
        level_length_m=level,
        wanted_length_m=level * 1.25,
        spacing_min_m=step if count > 1 else None,
        spacing_mean_m=step if count > 1 else None,
        near_pad_min_m=1.5,
        crossings=len(crossings),
        consents=1,
        unverified=1,
        crossing_risk=1e-9,
        min_margin_m=1.0,
        header_length_m=14.0,
    )
    terms = {
        "level": {"value": level, "share": 0.8, "weight": 0.7, "points": 56.0},
        "spacing": {"value": step, "share": (score - 56.0) / 30.0, "weight": 0.3, "points": score - 56.0},
    }
    box = shapely.box(-reach - 2, -22, reach + 2, -16)
    return Layout(
        layout_id=f"L-{rank:02d}",
        rank=rank,
        pattern=pattern,
        bores=bores,
        evaluation=evaluation,
        crossings=crossings,
        pad=Pad(centre=(0.0, -19.0), axis_deg=90.0, size_m=(6.0, 2 * reach + 4), polygon=box, given=False),
        header=Header(xyz=np.array([[0.0, -22.0, 100.0], [0.0, -26.0, 100.0]]), length_m=14.0),
        clearances=clearances,
        score=score,
        terms=terms,
        pareto=rank == 1,
        findings=(Finding(severity="note", code="made-up", message="made up for a test", bore_id=bores[0].bore_id),),
    )


def make_zones(site):
    """Zones of the shipped house rules on the site."""
    return zones_of(site, (rule_files.load("house"),))[0]
