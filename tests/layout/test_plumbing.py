"""Circuits, header, purge and the order of real layouts, against sums made another way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
import shapely
import zoo

from loopgis.core.errors import RangeError
from loopgis.driver import design
from loopgis.hydraulics import header_sizes, purge
from loopgis.hydraulics.fluid import fluid_of
from loopgis.hydraulics.friction import head_loss
from loopgis.layout import plumbing
from loopgis.layout.pipe_sizes import inside_m
from loopgis.layout.plumbing_notes import plumbing_findings
from loopgis.site.model import Feature, MudSpec, PipeSpec

LOT = shapely.box(-60, -50, 60, 50)
HOUSE = Feature(feature_id="house", kind="building", geometry=shapely.box(-12, -46, 2, -36))
MUD = MudSpec(dial_600=50, dial_300=35, density_kg_m3=1200, ratio=None)
PIPE = PipeSpec(size="1 in", dr=11.0, fluid="propylene glycol 20 %")
SITE = zoo.site(
    LOT, features=(HOUSE,), bores=4, patterns=("parallel",), demand=zoo.demand(9.0), mud=MUD, pipe=PIPE
)  # fmt: skip
WAYS = ("pit", "step down", "reverse return")


def piped(site):
    return replace(site, spec=replace(site.spec, pipe=PIPE))


@pytest.fixture(scope="module")
def layout():
    return design(SITE, effort=0).layouts[0]


def made(layout, **pipe):
    site = replace(SITE, spec=replace(SITE.spec, pipe=replace(PIPE, **pipe)))
    return plumbing.plumbed(site, layout.bores, layout.pad, layout.header, layout.heat)


@pytest.mark.parametrize("joined", WAYS)
def test_flows_add_up_and_every_section_is_purged(layout, joined):
    p = made(layout, header=joined)
    assert p.joined == joined
    assert sum(c.flow_m3_s for c in p.circuits) == pytest.approx(p.flow_m3_s, rel=1e-9)
    first = next(s for s in p.spans if s.name == "supply 1")
    assert first.flow_m3_s == pytest.approx(p.flow_m3_s, rel=1e-9)
    assert min(s.purge_m_s for s in p.spans) >= 0.6096 * (1 - 1e-6)
    names = sorted(n for c in p.circuits for n in c.bores)
    assert names == sorted(b.bore_id for b in layout.bores)
    assert p.head_pa == pytest.approx(p.field_pa + PIPE.heat_pump_pa)
    assert p.pump_w == pytest.approx(p.flow_m3_s * p.head_pa / PIPE.pump_efficiency)


def test_a_pit_by_hand(layout):
    """All circuits lose the same; that and the mains, by the single-pipe formula, are what the field loses."""
    p = made(layout, header="pit")
    state = layout.heat.case.state("heating")
    fluid = {"density_kg_m3": state.density_kg_m3, "viscosity_pa_s": state.viscosity_pa_s}
    inside = 1.315 * 0.0254 * (1 - 2 / 11)
    alone = [
        float(head_loss(flow_m3_s=c.flow_m3_s, length_m=c.pipe_m, inside_diameter_m=inside, minor_k=5.3, **fluid).loss_pa)
        for c in p.circuits
    ]  # fmt: skip
    assert alone == pytest.approx([c.loss_pa for c in p.circuits], rel=1e-9)
    assert np.ptp(alone) < 1e-6 * alone[0]
    mains = sum(
        float(head_loss(flow_m3_s=p.flow_m3_s, length_m=s.length_m, inside_diameter_m=s.inside_m, minor_k=1.8, **fluid).loss_pa)
        for s in p.spans
    )  # fmt: skip
    assert p.field_pa == pytest.approx(alone[0] + mains, rel=1e-9)


def test_the_size_of_the_mains_is_the_best_of_all(layout):
    """Every size tried by itself: none is purged with less power."""
    p = made(layout, header="pit")
    site = piped(SITE)
    (lay,) = plumbing.lays(layout.bores, layout.pad, layout.header, in_series=1, joined="pit")
    sizes = plumbing.sizes_of(site)
    inside = inside_m("1 in", 11.0)
    water = fluid_of("water", where="x").state(plumbing.PURGE_C)
    powers = []
    for d in sizes.inside_m:
        try:
            powers.append(purge.purge_flow(plumbing.sections_of(lay, inside, [d], [d]), liquid=water).power_w)
        except Exception:  # noqa: BLE001 - a size that no flow purges
            powers.append(np.inf)
    assert p.purge.power_w == pytest.approx(min(powers), rel=1e-9)
    assert p.mains == sizes.names[int(np.argmin(powers))]


def test_bores_in_series_make_fewer_circuits_that_lose_more(layout):
    one, two = made(layout, header="pit"), made(layout, header="pit", in_series=2)
    assert len(two.circuits) == (len(one.circuits) + 1) // 2
    assert two.field_pa > 1.5 * one.field_pa
    assert max(c.reynolds_cold for c in two.circuits) > 1.5 * max(c.reynolds_cold for c in one.circuits)
    assert two.purge.flow_m3_s < one.purge.flow_m3_s
    assert two.charge.volume_m3 == pytest.approx(one.charge.volume_m3, rel=0.35)


def test_the_film_knows_of_bores_in_series():
    case = design(SITE, effort=0).layouts[0].heat.case
    _, alone, capacity = case.water(4)
    _, joined, same = replace(case, in_series=2).water(4)
    assert joined["heating"] == pytest.approx(2 * alone["heating"])
    assert same == capacity


def test_the_order_adds_up_against_the_geopackage(tmp_path):
    result = design(SITE, effort=0)
    result.write(tmp_path / "out", pictures=False)
    layout = result.layouts[0]
    with closing(sqlite3.connect(tmp_path / "out" / "layouts.gpkg")) as db:

        def ask(sql):
            return db.execute(sql, (layout.layout_id,)).fetchone()[0]

        pipe = ask("SELECT sum(pipe_m) FROM bores WHERE layout_id = ?")
        circuits = ask("SELECT count(*) FROM circuits WHERE layout_id = ?")
        of_circuits = ask("SELECT sum(pipe_m) FROM circuits WHERE layout_id = ?")
        volume = ask("SELECT loop_m3 FROM layouts WHERE layout_id = ?")
        spans = db.execute(
            "SELECT length_m, inside_m FROM header_spans WHERE layout_id = ?", (layout.layout_id,)
        ).fetchall()
        listed = dict(
            db.execute("SELECT item, sum(amount) FROM materials WHERE layout_id = ? GROUP BY item", (layout.layout_id,))
        )
    assert listed["loop pipe in the bores"] == pytest.approx(pipe, rel=1e-9)
    assert listed["loop pipe in the bores"] + listed["loop pipe beyond the bores"] == pytest.approx(of_circuits)
    assert listed["U-bend"] == len(layout.bores)
    assert listed["tee or manifold port"] == 2 * circuits
    assert listed["header pipe"] == pytest.approx(sum(length for length, _ in spans))
    own = np.pi / 4 * (1.315 * 0.0254 * 9 / 11) ** 2 * of_circuits
    by_hand = own + sum(np.pi / 4 * d**2 * length for length, d in spans)
    assert volume == pytest.approx(by_hand, rel=1e-9)
    fluid = layout.plumbing.charge
    assert listed["water"] + listed["antifreeze, pure"] == pytest.approx(volume + fluid.shrinks_m3)
    assert (tmp_path / "out" / f"{layout.layout_id}-order.csv").read_text("utf-8").startswith("item,size")


def test_without_a_demand_there_is_purge_and_pipe_but_no_pump():
    site = zoo.site(LOT, features=(HOUSE,), bores=2, patterns=("fan",))
    p = design(site, effort=0).layouts[0].plumbing
    assert p.flow_m3_s is None
    assert p.purge.flow_m3_s > 0
    assert all(c.flow_m3_s is None for c in p.circuits)
    assert p.charge.antifreeze_m3 == 0


def test_findings_have_remedies_and_come_when_they_should(layout):
    p = made(layout, header="pit")
    quiet = {f.code for f in plumbing_findings(p, "us")}
    assert not quiet & {"pump-power", "head-high", "purge-pump"}
    hard = replace(
        p,
        pump_w_per_ton=120.0,
        balance=0.5,
        purge=replace(p.purge, power_w=2000.0),
        circuits=tuple(replace(c, loss_pa=9810 * 0.06 * c.pipe_m) for c in p.circuits),
        charge=replace(p.charge, enough=False, margin_k=1.0),
    )
    told = plumbing_findings(hard, "us")
    assert {f.code for f in told} == {"pump-power", "head-high", "purge-pump", "uneven-circuits", "freeze-margin"}
    assert all(f.remedy for f in told)


def test_circuits_that_nothing_purges_are_told(layout, monkeypatch):
    def none(*_args, **_more):
        raise RangeError("parts", "no sizes serve", "allow others")

    monkeypatch.setattr(header_sizes, "choose_sizes", none)
    assert made(layout, header="pit") is None
    assert [f.code for f in plumbing_findings(None, "us")] == ["no-purge"]
