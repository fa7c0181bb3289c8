"""Why nothing fits, and what would: every change that is named is applied, and half of it is shown not to be enough."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from functools import cache
from importlib import resources

import numpy as np
import pytest
import shapely
import zoo

from loopgis import driver
from loopgis.core.errors import NoLayoutError
from loopgis.layout import explain, ladders
from loopgis.layout.changes import lowest_that_fits, small_changes
from loopgis.layout.prepare import prepare
from loopgis.layout.realise import Workshop
from loopgis.rules.zones import zones_of
from loopgis.site.model import Feature, PipeSpec

HOUSE_RULES = (resources.files("loopgis") / "tables" / "rules" / "house.toml").read_text("utf-8")
BROAD, WIDE = shapely.box(-60, -40, 60, 40), shapely.box(-45, -25, 45, 25)
SHORT, LONG = shapely.box(-24, -16, 24, 16), shapely.box(-30, -20, 30, 20)


def thing(name, kind, *shape, **more):
    geometry = shapely.Point(*shape) if len(shape) == 2 else shapely.box(*shape)
    return Feature(feature_id=name, kind=kind, geometry=geometry, **more)


def fan(lot, **more):
    return zoo.site(lot, patterns=("fan",), **more)


def rig(**more):
    return replace(zoo.RIG, **more)


STUCK = {
    "lot too narrow": zoo.site(shapely.box(-40, -6, 40, 6)),
    "closed by a well": zoo.site(shapely.box(-30, -30, 30, 30), features=(thing("w", "water_well", 0, 0),)),
    "pad in the zone of a well": fan(WIDE, features=(thing("w", "water_well", -40, 0),), at=(-20.0, 0.0)),
    "pad in the zone of a tank, in feet": fan(
        WIDE, features=(thing("t", "septic_tank", -40, 0),), at=(-40.0, 3.0), units="us"
    ),
    "too deep for the lot": fan(SHORT, depth_m=(6.0,)),
    "rods too stiff": fan(SHORT, depth_m=(4.0,), rig=rig(bend_radius_m=60.0)),
    "pad too large": fan(shapely.box(-40, -7, 40, 7), size_m=(8.0, 12.0)),
    "rig reaches too short": fan(shapely.box(-40, -8, 40, 8), size_m=(2.0, 4.0), rig=rig(max_length_m=30.0)),
    "a paved yard closes every end": fan(
        shapely.box(-30, -15, 30, 15),
        features=(thing("y", "paved_way", -27, -12, 27, 12),),
        size_m=(1.0, 2.0),
        depth_m=(4.0,),
    ),
    "too flat": fan(SHORT, depth_m=(3.0,), rig=rig(entry_pitch_pct=(8.0, 16.0), exit_pitch_pct=(8.0, 16.0))),
}
FIRST = {
    "lot too narrow": ("pad size", "no standing place has room for a pad of 6.1 m by 12.19 m (lot by house/lot-line"),
    "closed by a well": ("setback", "the longest open line"),
    "pad in the zone of a well": ("pad place", "[pad] at lies in the zone of w (water_well, house/well)"),
    "pad in the zone of a tank, in feet": (
        "pad place",
        "[pad] at lies in the zone of t (septic_tank, house/septic-tank)",
    ),
    "too deep for the lot": ("depth", "no candidate clear of the zones gets level"),
    "rods too stiff": ("bend radius", "no candidate clear of the zones gets level"),
    "pad too large": ("pad size", "no standing place has room for a pad of 8 m by 12 m"),
    "rig reaches too short": ("reach", "the longest open line from any standing place"),
    "a paved yard closes every end": ("setback", "nowhere on the lot may a bore begin or end"),
    "too flat": ("pitch", "no candidate clear of the zones gets level"),
}
"""What the smallest change is of, and how the first reason begins."""
NO_SINGLE = {
    "two wells": fan(LONG, features=(thing("w1", "water_well", -15, 0), thing("w2", "water_well", 15, 0))),
    "narrow lot, large pad": fan(shapely.box(-40, -5, 40, 5)),
}
HOPELESS = {
    "a lot like a room": fan(shapely.box(-7, -7, 7, 7)),
    "gas lines everywhere": fan(
        LONG,
        features=tuple(
            Feature(feature_id=f"g{n}", kind="gas_line", geometry=shapely.LineString([(x, -20), (x, 20)]))
            for n, x in enumerate(range(-30, 31, 10))
        ),
    ),
}
ALL = {**STUCK, **NO_SINGLE, **HOPELESS}


@pytest.fixture(autouse=True)
def _one_place(monkeypatch):
    """One place per pattern: the pad search itself is tested elsewhere."""
    monkeypatch.setattr(driver, "SPOTS", 1)


@cache
def explained(name):
    """The error of a site, and the changes behind its words."""
    changes = []

    def record(ground, fits):
        changes.extend(small_changes(ground, fits))
        return changes

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(explain, "small_changes", record)
        with pytest.raises(NoLayoutError) as caught:
            driver.design(ALL[name])
    return caught.value, changes


def eased_rules(folder, ease):
    """The house rules with other distances, as a rule file of its own."""
    text = HOUSE_RULES
    for (key, _), metres in ease.items():
        block = rf'(id = "{key.removeprefix("house/")}"\n(?:(?!\[\[rule).*\n)*?plan_distance = )\{{[^}}]*\}}'
        text, count = re.subn(block, rf'\g<1>{{ value = {metres!r}, unit = "m" }}', text)
        assert count == 1, key
    path = folder / "eased.toml"
    path.write_text(text, encoding="utf-8")
    return (str(path),)


def half_way(site, change):
    """A site and easing half way to a change."""
    a, b = site.spec, change.site.spec

    def mid(u, v):
        return tuple((p + q) / 2 for p, q in zip(u, v, strict=True))

    bends = replace(
        a.rig,
        bend_radius_m=(a.rig.bend_radius_m + b.rig.bend_radius_m) / 2,
        max_length_m=(a.rig.max_length_m + b.rig.max_length_m) / 2,
        entry_pitch_pct=mid(a.rig.entry_pitch_pct, b.rig.entry_pitch_pct),
        exit_pitch_pct=mid(a.rig.exit_pitch_pct, b.rig.exit_pitch_pct),
    )
    place = None if a.pad.at is None else mid(a.pad.at, b.pad.at)
    pad = replace(a.pad, size_m=mid(a.pad.size_m, b.pad.size_m), at=place)
    bore = replace(a.bore, depth_m=((min(a.bore.depth_m) + min(b.bore.depth_m)) / 2,))
    old = {(z.rule.key, z.feature_id): z.distance_m for z in prepare(site).zones}
    ease = {key: (old[key] + v) / 2 for key, v in change.ease.items()}
    return replace(site, spec=replace(a, rig=bends, pad=pad, bore=bore)), ease


@pytest.mark.parametrize("name", sorted(STUCK))
def test_reasons_and_the_kind_of_change(name):
    error, changes = explained(name)
    kind, begins = FIRST[name]
    assert error.exit_code == 4
    assert error.reasons[0].startswith(begins), error.reasons
    assert changes[0].kinds == (kind,)
    assert error.smallest_change == "; or ".join(c.name for c in changes)
    assert len({c.kinds for c in changes}) == len(changes) <= 3
    assert [c.size for c in changes] == sorted(c.size for c in changes)
    assert str(error).endswith(f"; would fit: {error.smallest_change}")
    assert "\n" not in str(error)


@pytest.mark.parametrize("name", sorted(STUCK))
def test_every_change_told_really_fits(name, tmp_path):
    """Laid out from the changed site alone; an eased distance by a rule file that says so, which shares nothing with `ease`."""
    _, changes = explained(name)
    for change in changes:
        site = change.site
        if change.ease:
            site = replace(site, spec=replace(site.spec, rules=eased_rules(tmp_path, change.ease)))
        result = driver.design(site)
        assert result.layouts, change.name
        assert not [f for y in result.layouts for f in y.findings if f.code == "too-near"], change.name


@pytest.mark.parametrize("name", sorted(STUCK))
def test_half_of_a_change_is_not_enough(name):
    _, changes = explained(name)
    for change in changes:
        site, ease = half_way(STUCK[name], change)
        assert not driver._quick(site, ease), change.name


@pytest.mark.parametrize("name", ["too deep for the lot", "closed by a well", "pad too large", "rig reaches too short"])
def test_one_step_less_is_not_enough(name):
    """What is named is the smallest within the step of its kind."""
    change = explained(name)[1][0]
    ground = prepare(STUCK[name]).field
    ways = [*ladders.ladders(ground), *ladders.setbacks(ground)]
    ladder, n = next((w, n) for w in ways for n, r in enumerate(w.rungs) if r.name == change.name)
    site = STUCK[name]
    assert n > 0
    assert not driver._quick(replace(site, spec=ladder.rungs[n - 1].turn(site.spec)), ladder.rungs[n - 1].ease)


@pytest.mark.parametrize("name", sorted(NO_SINGLE))
def test_no_single_change_works_and_it_says_so(name, tmp_path):
    error, (change,) = explained(name)
    site = NO_SINGLE[name]
    assert error.smallest_change.startswith("no single change, but together ")
    assert len(change.kinds) == 2
    ground = prepare(site).field
    for ladder in (*ladders.ladders(ground), *ladders.setbacks(ground)):
        assert not driver._quick(replace(site, spec=ladder.rungs[-1].turn(site.spec)), ladder.rungs[-1].ease)
    assert driver._quick(change.site, change.ease)
    half, ease = half_way(site, change)
    assert not driver._quick(half, ease)


def test_a_pad_left_in_a_zone_is_laid_out_when_nothing_clears_it():
    """It is told what it stands in, and what else would have to change for bores from there."""
    tank = thing("t", "lp_tank", -20, 4)
    site = fan(SHORT, features=(tank,), at=(-17.0, 0.0), axis_deg=0.0, depth_m=(5.5,))
    with pytest.raises(NoLayoutError) as caught:
        driver.design(site)
    assert caught.value.reasons[0] == "[pad] at lies in the zone of t (lp_tank, house/tank)"
    assert caught.value.smallest_change.startswith("[bore] depth 5.4 m instead of 5.5 m; or ")
    changed = replace(site, spec=replace(site.spec, bore=replace(site.spec.bore, depth_m=(5.4,))))
    assert driver._quick(changed) == []
    drafts = driver._quick(changed, clear=False)
    assert drafts
    assert not prepare(changed).field.pad_area.contains(drafts[0].pad.polygon)


@pytest.mark.parametrize("name", sorted(HOPELESS))
def test_nothing_helps_and_it_says_so(name):
    error, changes = explained(name)
    assert changes == []
    assert error.smallest_change == ""
    assert "that was tried fits" in str(error)
    assert error.reasons


def test_nobody_is_told_to_go_nearer_to_a_utility_line():
    """Of every kind that the house rules name, only these may be eased, and the words say whose it is to give."""
    lines = [
        Feature(feature_id=k, kind=k, geometry=shapely.LineString([(-50, y), (50, y)]))
        for y, k in enumerate(("gas_line", "electric_ug", "water_main", "sewer_gravity", "irrigation", "telecom"))
    ]
    spots = (
        "lp_tank",
        "fuel_tank",
        "wetland",
        "contaminated_site",
        "easement",
        "floodplain",
        "water_well",
        "septic_tank",
    )
    rest = [thing(k, k, 8 * n - 30, 20) for n, k in enumerate(spots)]
    house = thing("house", "building", -5, -30, 5, -20)
    ground = prepare(zoo.site(BROAD, features=(house, *lines, *rest))).field
    offered = {key for w in ladders.setbacks(ground) for key in w.rungs[-1].ease}
    assert offered == {
        ("house/lot-line", "lot"),
        ("house/well", "water_well"),
        ("house/septic-tank", "septic_tank"),
        ("house/building", "house"),
    }
    for ladder in ladders.setbacks(ground):
        whose = "the owner's and the office's to give" if "building" in ladder.rungs[0].name else "the office's to give"
        assert all(whose in r.name for r in ladder.rungs)


def test_eased_distance_of_one_feature_only():
    site = zoo.site(BROAD, features=(thing("a", "water_well", -30, 0), thing("b", "water_well", 30, 0)))
    files = prepare(site).files
    eased = {
        z.feature_id: z for z in zones_of(site, files, ease={("house/well", "a"): 10.0})[0] if z.kind == "water_well"
    }
    plain = {z.feature_id: z for z in zones_of(site, files)[0] if z.kind == "water_well"}
    assert eased["a"].distance_m == 10.0
    assert eased["a"].polygon.area == pytest.approx(np.pi * (10.0 + 0.1 + eased["a"].tolerance_m) ** 2, rel=2e-3)
    assert shapely.equals_exact(eased["b"].polygon, plain["b"].polygon)
    assert prepare(site).zones[0].distance_m == prepare(site, ease={}).zones[0].distance_m == pytest.approx(3.048)


def test_lines_stopped_are_counted_by_rule_and_feature():
    """Counted again one by one, with distances in place of zones."""
    well, tank = thing("w", "water_well", -25, 10), thing("t", "septic_tank", 20, -5, quality="A")
    ground = prepare(zoo.site(shapely.box(-60, -30, 60, 30), features=(well, tank))).field
    stops, tried, free = explain.counted(ground)
    start, end = explain.candidate_lines(ground)
    lines = [shapely.LineString(p) for p in zip(start, end, strict=True)]
    assert tried == len(lines) > 200
    zone = {z.feature_id: z for z in ground.zones}
    half = {"w": 0.1, "t": 1.2}
    near = {
        f.feature_id: np.array(
            [
                line.distance(f.geometry)
                < zone[f.feature_id].distance_m + zone[f.feature_id].tolerance_m + half[f.feature_id]
                for line in lines
            ]
        )
        for f in (well, tank)
    }
    for s in stops:
        assert abs(s.stopped - near[s.feature_id].sum()) <= 2  # circles of zones are drawn from outside
        other = near["t" if s.feature_id == "w" else "w"]
        assert abs(s.alone - (near[s.feature_id] & ~other).sum()) <= 2
        assert s.share == pytest.approx(
            zone[s.feature_id].polygon.intersection(ground.site.parcel).area / ground.site.parcel.area
        )
    assert [s.feature_id for s in stops] == ["w", "t"]
    assert abs(free - (~near["w"] & ~near["t"]).sum()) <= 4
    first = stops[0]
    assert first.words().startswith(f"w by house/well stops {first.stopped} of {tried} candidate lines (")
    assert first.words().endswith("of the ground")


def test_cover_stops_only_where_the_pitch_does_not_reach_under_it():
    """A drive near the lot's middle is passed below by long lines; along an end it stops those that begin on it."""
    lot = shapely.box(-60, -30, 60, 30)
    middle, side = (
        prepare(zoo.site(lot, features=(thing("d", "paved_way", x, -30, x + 4, 30),))).field for x in (-2.0, -54.0)
    )
    by = {k: explain.counted(g)[0] for k, g in (("middle", middle), ("side", side))}
    start, end = explain.candidate_lines(middle)
    crossing = int(((start[:, 0] < -2) & (end[:, 0] > 2)).sum() + ((end[:, 0] < -2) & (start[:, 0] > 2)).sum())
    assert by["middle"][0].stopped < 0.6 * crossing
    assert not by["middle"][0].closed
    assert by["middle"][0].share == pytest.approx(middle.zones[-1].polygon.intersection(lot).area / lot.area)
    assert "asks for depth on" in by["middle"][0].words()
    assert by["side"][0].stopped > 0


def test_bores_that_came_as_far_as_being_made_are_counted_by_what_stopped_them():
    """A deep pool across a short lot: what fails is made exactly, and its limits are tried one by one."""
    pool = thing("p", "pool", -5, -8, 5, 8, depth_m=2.5)
    ground = prepare(fan(shapely.box(-27, -8, 27, 8), size_m=(2.0, 4.0), depth_m=(3.0,), features=(pool,)))
    workshop = Workshop(ground.field)
    assert not driver._try_tiers(ground, workshop, (3.0,), lambda _: None).drafts
    tried = [c for candidates, *_ in workshop.pools.values() for c in candidates if workshop.knows(c)]
    reasons = explain.reasons_of(ground.field, workshop)
    told = re.search(
        r"no profile within pitch, bend radius and cover: (\d+) of (\d+) candidates made", "; ".join(reasons)
    )
    assert told
    assert int(told[2]) == len(tried) > int(told[1]) > 0
    found = re.search(
        r"without the limit of cover at p \(house/pool\) a profile would exist \((\d+) of (\d+) looked at\)",
        reasons[-3],
    )
    assert found
    assert 0 < int(found[1]) <= int(found[2]) == min(6, len(tried))
    assert reasons[0].startswith("p by house/pool stops ")


def test_reasons_are_quick_on_a_lot_full_of_things():
    things = [thing(f"w{n}", "water_well", 30 * (n % 8) - 105, 40 * (n // 8) - 60) for n in range(32)]
    ways = [thing(f"d{n}", "paved_way", 12 * n - 120, -80, 12 * n - 117, 80) for n in range(20)]
    ground = prepare(zoo.site(shapely.box(-125, -85, 125, 85), features=(*things, *ways))).field
    start = time.perf_counter()
    reasons = explain.reasons_of(ground, Workshop(ground))
    assert time.perf_counter() - start < 2.0
    assert any("candidate lines" in r for r in reasons)


def test_less_spacing_is_a_change_where_a_count_is_wanted():
    """The same search with another question: when do eight bores fit."""
    given = {"at": (0.0, 0.0), "axis_deg": 0.0, "size_m": (3.0, 12.0)}
    site = fan(shapely.box(-45, -16, 45, 16), bores=8, **given)
    ground = prepare(site).field

    def eight(changed, ease):
        ground = prepare(changed, ease=ease)
        drafts = driver._try_tiers(ground, Workshop(ground.field), changed.spec.bore.depth_m, lambda _: None).drafts
        return [d for d in drafts if len(d.bores) >= 8]

    assert not eight(site, {})
    spacing = next(w for w in ladders.ladders(ground) if w.kinds == ("spacing",))
    change = lowest_that_fits(site, spacing, eight)
    assert change is not None
    spaced = change.site.spec.bore.spacing_m
    assert change.name == f"[bore] spacing {spaced:.1f} m instead of 4.57 m".replace(".0 m", " m")
    assert len(eight(change.site, {})[0].bores) == 8
    half = replace(site, spec=replace(site.spec, bore=replace(site.spec.bore, spacing_m=(4.572 + spaced) / 2)))
    assert not eight(half, {})
    assert not any(w.kinds == ("spacing",) for w in ladders.ladders(prepare(zoo.site(BROAD)).field))


GLYCOL = PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 25 %")


HEATED = {"pipe": GLYCOL, "patterns": ("fan",), "size_m": (3.0, 6.0)}


@pytest.mark.parametrize(
    ("wish", "code"),
    [({"bores": 30}, "fewer-bores"), ({"length_m": 900.0}, "short-of-length"), ({"bores": 1}, "heat-share")],
)
def test_shortfall_tells_once_what_share_of_the_heat_is_carried(wish, code):
    result = driver.design(zoo.site(SHORT, demand=zoo.demand(14.0), depth_m=(3.0,), **HEATED, **wish), effort=0)
    assert result.layouts
    for y in result.layouts:
        told = [f for f in y.findings if "of what the house needs" in f.message]
        assert [f.code for f in told] == [code]
        share = y.evaluation.total_length_m / y.evaluation.needed_length_m
        assert share < 1
        assert f"carries {100 * share:.0f} % of what the house needs" in told[0].message
        assert f"about {14 * share:.1f} of 14.0 kW of heating peak" in told[0].message


def test_fewer_bores_that_carry_the_house_say_so_in_the_units_of_the_site():
    """Both in one: a small demand is carried, seven times as much is told in the units of the site."""
    site = zoo.site(SHORT, demand=zoo.demand(1.0), depth_m=(3.0,), bores=30, **HEATED)
    small = driver.design(site, effort=0).layouts[0].findings
    told = next(f for f in small if f.code == "fewer-bores")
    assert "carries what the house needs all the same" in told.message
    assert not any(f.code == "heat-share" for f in small)
    large = replace(site, spec=replace(site.spec, demand=zoo.demand(14.0), units="us"))
    told = next(f for f in driver.design(large, effort=0).layouts[0].findings if f.code == "fewer-bores")
    assert "of 47.8 kBtu/h of heating peak" in told.message
