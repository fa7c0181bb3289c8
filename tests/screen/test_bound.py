"""The quick bound against the real layout: what it rules out, the layout never finds room on."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely import affinity

import loopgis.driver as whole
from loopgis.core.frame import Frame
from loopgis.layout.realise import Workshop
from loopgis.screening.block import kit_of
from loopgis.screening.bound import chord_m, nothing_fits
from loopgis.screening.town_files import SITE
from loopgis.site.model import FLAT, Feature, Terrain

WKT = CRS.from_epsg(32618).to_wkt()
DEPTHS = ("6 ft", "10 ft", "15 ft")


@pytest.fixture(scope="module")
def kits(tmp_path_factory):
    """Kits of several depths and pads."""
    made = []
    for depth in DEPTHS:
        for size in ('["6 ft", "12 ft"]', '["20 ft", "40 ft"]'):
            file = tmp_path_factory.mktemp("kit") / "site.toml"
            file.write_text(f'{SITE}\n[bore]\ndepth = ["{depth}"]\n[pad]\nsize = {size}\n')
            made.append(kit_of(file, ("building", "water_well", "surface_water"), full=False))
    return made


def lot_of(rng) -> shapely.Polygon:
    """A lot near the size where bores begin to fit: box, L, trapezium, strip or bow."""
    wide, deep = rng.uniform(8, 30), rng.uniform(18, 50)
    shape = rng.integers(5)
    lot = shapely.box(0, 0, wide, deep)
    if shape == 1:
        lot = shapely.difference(lot, shapely.box(wide * 0.5, deep * 0.4, wide + 1, deep + 1))
    elif shape == 2:
        corners = [(0, 0), (wide, 0), (wide * rng.uniform(0.3, 1.4), deep), (rng.uniform(-5, 5), deep)]
        lot = shapely.convex_hull(shapely.MultiPoint(corners))
    elif shape == 3:
        lot = shapely.box(0, 0, rng.uniform(7, 12), deep)
    elif shape == 4:
        lot = shapely.buffer(shapely.LineString([(0, 0), (deep * 0.6, 3), (deep, 14)]), rng.uniform(4, 9))
    return affinity.rotate(affinity.translate(lot, -wide / 2, -deep / 2), rng.uniform(0, 360), origin=(0, 0))


def ground_of(rng) -> Terrain:
    """Flat, sloping or wavy ground in cells of 1 m."""
    if rng.random() < 0.3:
        return FLAT
    y, x = np.mgrid[90:-91:-1, -90:91]
    z = x * rng.normal(0, 0.08) + y * rng.normal(0, 0.08) + rng.uniform(0, 1.2) * np.sin(x / rng.uniform(4, 12))
    return Terrain(z.astype(float), (90.0, 1e3, 0, 0, 0, 0), (90.0, 0, -1e3, 0, 0, 0), 1.0)


def site_of(kit, rng):
    lot = lot_of(rng)
    x0, y0, x1, y1 = lot.bounds
    things, houses = [], []
    for n in range(rng.integers(0, 4)):
        spot = shapely.Point(rng.uniform(x0 - 10, x1 + 10), rng.uniform(y0 - 10, y1 + 10))
        kind = str(rng.choice(["building", "water_well", "surface_water"], p=[0.5, 0.1, 0.4]))
        shape = spot if kind == "water_well" else shapely.buffer(spot, rng.uniform(1, 4), quad_segs=2)
        (houses if kind == "building" else things).append(
            Feature(feature_id=f"f-{n}", kind=kind, geometry=shape, depth_m=1.0)
        )
    return kit.site(Frame.centred(-76.0, 43.0, WKT), lot, "p", houses, things, ground_of(rng))


def really_fits(kit, site) -> bool:
    """What `loopgis layout` finds at the named depth, all places and patterns, any number of bores."""
    ground = kit.prepared(site)
    found = whole._try_tiers(ground, Workshop(ground.field), kit.spec.bore.depth_m, lambda _: None)
    return bool(found.drafts)


def agree(kits, seeds) -> tuple[int, int]:
    """Lots that the bound rules out, and those it lets pass; fails when the layout finds room on one that was ruled out."""
    ruled = passed = 0
    for seed in seeds:
        rng = np.random.default_rng(seed)
        kit = kits[seed % len(kits)]
        site = site_of(kit, rng)
        why = nothing_fits(kit.prepared(site).field, kit.spec.bore.depth_m)
        if why:
            assert not really_fits(kit, site), f"seed {seed}: {why}"
            ruled += 1
        else:
            passed += 1
    return ruled, passed


def test_bound_is_never_wrong_on_random_lots(kits):
    ruled, passed = agree(kits, range(200))
    assert ruled >= 60
    assert passed >= 40


@pytest.mark.slow
def test_bound_is_never_wrong_on_many_random_lots(kits):
    ruled, passed = agree(kits, range(1000, 1500))
    assert ruled >= 200
    assert passed >= 100


def test_what_passes_mostly_fits(kits):
    """A bound that lets everything pass would be safe too: of what it passes on open lots much must really fit."""
    fits = passed = 0
    for seed in range(2000, 2030):
        kit = kits[seed % len(kits)]
        site = site_of(kit, np.random.default_rng(seed))
        if not nothing_fits(kit.prepared(site).field, kit.spec.bore.depth_m):
            passed += 1
            fits += really_fits(kit, site)
    assert passed >= 5
    assert fits >= 0.3 * passed


def test_chord_is_that_of_the_tightest_arc():
    """A way of one arc is as near to closing as one of its length can be; half a circle at most (Schur's theorem, from memory)."""
    radius = 30.0 / 0.6
    for length in (1.0, 20.0, 60.0, math.pi * radius):
        turn = length / radius
        assert chord_m(length, 30.0) == pytest.approx(2 * radius * math.sin(turn / 2), rel=1e-12)
    assert chord_m(400.0, 30.0) == pytest.approx(2 * radius)


@pytest.mark.parametrize(
    ("lot", "words"),
    [
        (shapely.box(0, 0, 6, 60), "every part of the lot is closed"),
        (shapely.box(0, 0, 9, 40), "no room for the pad"),
        (shapely.box(-9, -10, 9, 10), "are needed"),
    ],
)
def test_reasons_are_told(kits, lot, words):
    kit = kits[-1] if "pad" in words else kits[-2]
    site = kit.site(Frame.centred(-76.0, 43.0, WKT), lot, "p", (), (), FLAT)
    why = nothing_fits(kit.prepared(site).field, kit.spec.bore.depth_m)
    assert words in why
