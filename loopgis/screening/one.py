"""One parcel, end to end: site, rules, quick bound, layout, heat, verdict."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING

import shapely

from loopgis.core.errors import InputError, NoLayoutError
from loopgis.core.frame import Frame
from loopgis.driver import ENOUGH_SHARE, SHALLOWER_M, SPOTS
from loopgis.layout import assemble, generate, pads
from loopgis.layout.explain import reasons_of
from loopgis.layout.field import Field
from loopgis.layout.heat import path_of
from loopgis.layout.optimise import drilled_m
from loopgis.layout.prepare import Prepared, limits_of, prepare
from loopgis.layout.realise import Workshop
from loopgis.layout.settle import as_long_as_needed
from loopgis.rules.zones import half_width_m, zones_of
from loopgis.screening.bound import nothing_fits
from loopgis.screening.model import Verdict
from loopgis.site import buildings, features, parcel
from loopgis.site.log import Log, plain
from loopgis.site.model import FLAT, PadSpec, Site, SiteSpec
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shapely import Polygon

    from loopgis.bore.model import Bore
    from loopgis.ground.sizing import Needed
    from loopgis.layout.heat_case import HeatCase
    from loopgis.layout.model import Pad
    from loopgis.layout.settle import Settled
    from loopgis.screening.model import Method
    from loopgis.site.config import Config
    from loopgis.site.model import Feature, Terrain
    from loopgis.site.vectors import Layer

NEAR_SHARE = 0.6
"""A first draft that does less than this share of what was asked stays as it is: other places hardly double it."""
SURE_M, NEAR_FACTOR = 1.0, 1.01
"""Added to how far a feature can act, and a factor on it, for rounding."""
LOAD_SHARE, LOAD_ROUNDS = 0.005, 6
"""The load that a loop carries is found to this share, in so many rounds at most."""
MOST_TOLD = 2
LONGEST_WHY = 300


@dataclass(frozen=True, eq=False)
class Kit:
    """What is the same for all parcels of a job: spec, rule files, heat case, wish. Made once per worker."""

    spec: SiteSpec
    given_kinds: frozenset[str]
    full: bool = False

    @cached_property
    def like(self) -> Prepared:
        """An empty site, prepared: rules, heat case and wish hang on the spec alone. Raises InputError for bad specs."""
        lot = shapely.box(-50, -50, 50, 50)
        frame = Frame.centred(0.0, 45.0, _DEGREES)
        return prepare(self.site(frame, lot, "", (), (), FLAT))

    def site(
        self,
        frame: Frame,
        lot: Polygon,
        name: str,
        houses: Sequence[Feature],
        things: Sequence[Feature],
        ground: Terrain,
    ) -> Site:
        """A site of this job."""
        return Site(
            spec=self.spec,
            frame=frame,
            parcel=lot,
            parcel_id=name,
            buildings=tuple(houses),
            features=tuple(things),
            terrain=ground,
            given_kinds=self.given_kinds,
            sources=(),
            findings=(),
        )

    @cached_property
    def reach_m(self) -> dict[str, float]:
        """How far outside a lot a thing of each kind can close ground inside it, its own half width apart."""
        found: dict[str, float] = {}
        hole = self.spec.bore.hole_diameter_m / 2
        for file in self.like.files:
            buried = max(file.plan_tolerance_m.values(), default=0.0)
            for rule in file.rules if file.covers else ():
                reach = rule.plan_distance_m + buried + file.bore_plan_tolerance_m + hole + SURE_M
                for kind in rule.kinds:
                    found[kind] = max(found.get(kind, 0.0), reach)
        return found

    @cached_property
    def farthest_m(self) -> float:
        """How far outside a lot anything can close ground inside it, unless a thing has a width of its own."""
        wide = max(float(k["half_width_m"]) for k in load_table("kinds")["kinds"].values())
        return NEAR_FACTOR * max(self.reach_m.values(), default=0.0) + wide

    def matters(self, thing: Feature, lot: Polygon) -> bool:
        """Can a thing close ground on a lot."""
        reach = self.reach_m.get(thing.kind)
        return reach is not None and shapely.dwithin(thing.geometry, lot, NEAR_FACTOR * reach + half_width_m(thing))

    def prepared(self, site: Site) -> Prepared:
        """The same as `prepare`, with what all sites of the job share taken over."""
        like = self.like
        zones, _ = zones_of(site, like.files)
        field = Field(site=site, zones=zones, limits=limits_of(site, like.files), vert_share=like.field.vert_share)
        return replace(like, field=field, zones=zones, findings=())


_DEGREES = (
    'GEOGCRS["WGS 84",DATUM["World Geodetic System 1984",ELLIPSOID["WGS 84",6378137,298.257223563]],CS[ellipsoidal,2],'
    'AXIS["latitude",north],AXIS["longitude",east],ANGLEUNIT["degree",0.0174532925199433],ID["EPSG",4326]]'
)


def spec_of(cfg: Config) -> SiteSpec:
    """Spec of the site file of a job; the rig stands wherever it finds room."""
    same = {f.name for f in fields(SiteSpec)} & {f.name for f in fields(cfg)} - {"path", "keep"}
    return SiteSpec(
        path=str(cfg.path),
        pad=PadSpec(at=None, size_m=cfg.size_m, axis_deg=cfg.axis_deg, entry=None),
        keep="",
        per_bore_m=cfg.worths_m[0],
        per_crossing_m=cfg.worths_m[1],
        **{name: getattr(cfg, name) for name in same},
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Given:
    """What was read for one parcel.

    lot: a layer of one row; rows: layers near it with what the job says of them, buildings first (told None); ground: makes the
    terrain under a lot.
    """

    fid: int
    parcel_id: str
    lot: Layer
    rows: Sequence[tuple[Layer, features.Told | None]]
    ground: Callable[[Frame, Polygon, Log], Terrain]
    remark: str = ""


def judge(kit: Kit, given: Given) -> Verdict:
    """Verdict on one parcel; never raises for bad data, nor for a defect of ours, which is told as such."""
    began = time.perf_counter()
    log = Log()
    try:
        found = _judged(kit, given, log)
    except InputError as error:
        found = _not_judged(given, error.what if error.where == given.lot.name else f"{error.where}: {error.what}")
    except Exception as error:  # noqa: BLE001 - one parcel must not stop the others
        found = _not_judged(given, f"defect of loopgis: {type(error).__name__}: {error}")
    told = [
        given.remark,
        *(f.message for f in log.findings if f.severity == "warning" and f.code.startswith("parcel-")),
    ]
    remark = "; ".join(t for t in told if t)
    return replace(
        found, remark=plain(remark, LONGEST_WHY), why=plain(found.why, LONGEST_WHY), seconds=time.perf_counter() - began
    )


def _not_judged(given: Given, why: str) -> Verdict:
    return Verdict(fid=given.fid, parcel_id=given.parcel_id, outcome="not_judged", method="none", why=why)


def _judged(kit: Kit, given: Given, log: Log) -> Verdict:
    site = site_of(kit, given, log)
    ground = kit.prepared(site)
    blank = Verdict(
        fid=given.fid,
        parcel_id=given.parcel_id,
        outcome="does_not_fit",
        method="bound",
        area_m2=round(site.parcel.area, 1),
    )
    tiers = kit.spec.bore.depth_m
    shallower = () if kit.spec.bore.depth_given else (t for s in SHALLOWER_M for t in s)
    if why := nothing_fits(ground.field, (*tiers, *shallower)):
        return replace(blank, why=why)
    if kit.full:
        return _full(blank, site, kit)
    best, method, workshop = laid_out(ground)
    if best is None:
        reasons = reasons_of(ground.field, workshop)[:MOST_TOLD]
        return replace(blank, method=method, why="; ".join(reasons))
    done = replace(blank, method=method)
    return _measured(done, ground, best.draft.bores, None if best.heat is None else best.heat.needed)


def site_of(kit: Kit, given: Given, log: Log) -> Site:
    """Site of a parcel. Raises InputError when it cannot be judged."""
    frame, lot, _ = parcel.read(given.lot, log)
    taken = {"lot"}
    houses: list[Feature] = []
    things: list[Feature] = []
    for layer, told in given.rows:
        here = Log()
        said = features.Told(kind="building") if told is None else told
        found = features.features_of(layer, frame.transformer_from(layer.wkt), lot, here, told=said, taken=taken)
        wrong = next((f for f in here.findings if f.severity == "error"), None)
        if wrong is not None:
            raise InputError(wrong.where, wrong.message, wrong.remedy)
        if told is None:
            houses += buildings.joined(found, here, layer.name)
        else:
            things += found
    ground = given.ground(frame, lot, log)
    return kit.site(
        frame,
        lot,
        given.parcel_id,
        [h for h in houses if kit.matters(h, lot)],
        [t for t in things if kit.matters(t, lot)],
        ground,
    )


def laid_out(ground: Prepared) -> tuple[Settled | None, Method, Workshop]:
    """The best loop found, None when not one bore fits; how it was found; and the workshop, which knows the reasons.

    First the best place of each pattern is laid out. When nothing fits there, or what fits comes near to what was asked
    (NEAR_SHARE), every place is tried that `driver.design` would try: "search". A loop that does all that was asked ends either.
    """
    workshop = Workshop(ground.field)
    best = _best(ground, workshop, quick=True)
    if best is not None and (_enough(best, ground) or _share(best, ground) < NEAR_SHARE):
        return best, "draft", workshop
    other = _best(ground, workshop, quick=False)
    if other is None or (best is not None and _worth(best) >= _worth(other)):
        other = best
    return other, "search", workshop


def _best(ground: Prepared, workshop: Workshop, *, quick: bool) -> Settled | None:
    """The best loop at the depths that were named; at shallower ones, as far as `driver.design` goes, when none were."""
    bore = ground.field.site.spec.bore
    best: Settled | None = None
    ladders = [bore.depth_m]
    if not bore.depth_given:
        ladders += [(*bore.depth_m, *(t for t in s if t < min(bore.depth_m) - 0.1)) for s in SHALLOWER_M]
    wanted = ground.wish.length_m
    for tiers in ladders:
        level = 0.0 if best is None else best.draft.level_m
        if best is not None and (not wanted or level >= ENOUGH_SHARE * wanted or tiers is ladders[-1]):
            break
        for pad, pattern in _places(ground, tiers, quick=quick):
            made = generate.draft(
                pad, pattern, tiers, field=ground.field, workshop=workshop, rule=ground.rule, wish=ground.wish
            )
            if made is None:
                continue
            now = as_long_as_needed(made, ground, workshop)
            if best is None or _worth(now) > _worth(best):
                best = now
            if _enough(now, ground):
                return now
    return best


def _places(ground: Prepared, tiers_m: Sequence[float], *, quick: bool) -> list[tuple[Pad, str]]:
    """Pads and patterns, the most promising first; quick: the best pad of each pattern only."""
    field = ground.field
    middle = field.site.parcel.centroid
    home = assemble.home(field.site) or (float(middle.x), float(middle.y))
    patterns, keep = field.site.spec.patterns, 1 if quick else SPOTS
    for tier in sorted(tiers_m, reverse=True):
        found = pads.search(field, tier, patterns=patterns, keep=keep, home=home, wanted_m=ground.wish.length_m)
        firsts: dict[str, Pad] = {}
        for _, pad, meant in found:
            firsts.setdefault(meant, pad)
        if found and quick:
            return [(pad, meant) for meant, pad in firsts.items()]
        if found:
            others = [(p, pattern) for pattern in patterns for meant, p in firsts.items() if meant != pattern]
            return [*((p, meant) for _, p, meant in found), *others]
    return []


def _share(one: Settled, ground: Prepared) -> float:
    """Part of what was asked that a loop does, roughly; above 1 when as much as fits is wanted."""
    wish = ground.wish
    shares = [math.inf]
    if one.heat is not None:
        shares.append(1 / one.heat.needed.factor if one.heat.needed.factor else 0.0)
    if wish.bores:
        shares.append(len(one.draft.bores) / wish.bores)
    if wish.length_m and not wish.by_heat:
        shares.append(one.draft.level_m / wish.length_m)
    return min(shares)


def _worth(one: Settled) -> tuple[float, float]:
    """Of two loops that do not carry the house, the one that is nearer to it; without a demand the longer one."""
    needed = None if one.heat is None else one.heat.needed.factor
    if one.heat is not None and needed:
        return round(1 / needed, 3), -round(drilled_m(one.draft), 3)
    return round(one.draft.level_m, 3), -round(drilled_m(one.draft), 3)


def _enough(one: Settled, ground: Prepared) -> bool:
    """Does it do all that was asked; never when nothing was asked, for then as much as fits is wanted."""
    wish = ground.wish
    if wish.bores is not None:
        return len(one.draft.bores) >= wish.bores and (one.heat is None or one.holds)
    if one.heat is not None and (wish.by_heat or wish.length_m is None):
        return one.holds
    return wish.length_m is not None and one.draft.level_m >= wish.length_m and (one.heat is None or one.holds)


def _full(blank: Verdict, site: Site, kit: Kit) -> Verdict:
    """The layout that `loopgis layout` ranks first."""
    from loopgis.driver import design  # noqa: PLC0415

    try:
        found = design(site)
    except NoLayoutError as error:
        return replace(blank, method="full", why="; ".join(error.reasons[:MOST_TOLD]))
    best = found.layouts[0]
    needed = None if best.heat is None else best.heat.needed
    return _measured(replace(blank, method="full"), kit.prepared(site), best.bores, needed)


def _measured(blank: Verdict, ground: Prepared, bores: Sequence[Bore], needed: Needed | None) -> Verdict:
    """Figures of a loop."""
    drilled = float(sum(b.length_m for b in bores))
    found = replace(
        blank,
        outcome="fits",
        bores=len(bores),
        drilled_m=round(drilled, 1),
        level_m=round(float(sum(b.level_length_m for b in bores)), 1),
        depth_m=round(max(b.target_depth_m for b in bores), 2),
    )
    wish = ground.wish
    short = []
    if wish.bores is not None and len(bores) < wish.bores:
        short.append(f"{len(bores)} of {wish.bores} bores fit")
    if wish.length_m is not None and not wish.by_heat and found.level_m < wish.length_m:
        short.append(f"{found.level_m:.0f} of {wish.length_m:.0f} m level run fit")
    if ground.heat is not None and needed is not None:
        load_w = carried_w(ground.heat, bores, needed)
        demand_w = ground.heat.loads.peak_w
        share = load_w / demand_w
        found = replace(
            found,
            load_kw=round(load_w / 1000, 2),
            demand_share=round(share, 3),
            needed_m=None if needed.factor is None else round(needed.factor * drilled, 1),
        )
        if share < 1 - LOAD_SHARE:
            short.append(f"{load_w / 1000:.1f} of {demand_w / 1000:.1f} kW are carried")
    return replace(found, outcome="tight" if short else "fits", why="; ".join(short))


def carried_w(case: HeatCase, bores: Sequence[Bore], needed: Needed) -> float:
    """Peak load, watts, of a house like the asked one, only larger or smaller, that these bores just carry; 0 when none.

    All loads and the flow are scaled alike. needed: lengths for the load as asked. The load at which as much length is needed as
    there is lies between two tries, and is found by the secant on logarithms.
    """
    from loopgis.ground.sizing import needed as needed_of  # noqa: PLC0415

    if needed.factor is None:
        return 0.0
    paths = [path_of(b) for b in bores]

    def factor(scale: float) -> float | None:
        scaled = replace(case, loads=case.loads.scaled(scale), flow_m3_s=case.flow_m3_s * scale)
        return needed_of(scaled.loop(paths), case.limits, close_k=0.02).factor

    was: tuple[float, float] | None = None
    scale, now, power = 1.0, needed.factor, 1.0
    for _ in range(LOAD_ROUNDS):
        if now <= 0:
            break
        if abs(now - 1) <= LOAD_SHARE:
            break
        if was is not None and abs(was[0] / scale - 1) > 1e-6 and abs(was[1] / now - 1) > 1e-9:
            power = min(max(math.log(was[0] / scale) / math.log(was[1] / now), 0.3), 2.0)
        was = (scale, now)
        scale *= now**-power
        again = factor(scale)
        if again is None:
            scale, now = was
            scale /= now
            break
        now = again
    return case.loads.peak_w * scale
