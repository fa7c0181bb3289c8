"""The drill book comes from the GeoPackage alone, says what the layout says, and refuses what was edited since."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
import zoo
from click.testing import CliRunner

from loopgis.bore.rods import rod_table
from loopgis.cli.main import cli
from loopgis.core.errors import InputError
from loopgis.driver import design
from loopgis.sheets.drill_bundle import OURS, drill
from loopgis.sheets.drill_read import drill_book
from loopgis.site.model import Feature, MudSpec, StrengthSpec, TicketAnswer

MUD = MudSpec(dial_600=50, dial_300=35, density_kg_m3=1200, ratio=None)
CLAY = StrengthSpec(
    name="stiff clay", assumed=False, ground="clay", cohesion_pa=50e3, friction_rad=0.0, shear_modulus_pa=3e6,
    moist_n_m3=18.5e3, saturated_n_m3=19.5e3, water_table_m=1.0,
)  # fmt: skip
WATER = Feature(
    feature_id="service", kind="water_service", quality="C", depth_m=1.2, label="to the barn",
    geometry=shapely.LineString([(-60, 12), (60, 10)]),
)  # fmt: skip
TICKET = (
    TicketAnswer(owner="Gas", answer="marked", closed=True),
    TicketAnswer(owner="Power", answer="no answer", closed=False, remark="called twice"),
)
SITE = replace(
    zoo.site(shapely.box(-60, -50, 60, 50), features=(WATER,), terrain=zoo.plane(0.03, -0.02), bores=3, mud=MUD,
             strength=CLAY, patterns=("fan",)),
    ticket=TICKET,
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    result = design(SITE, effort=0)
    folder = tmp_path_factory.mktemp("made")
    result.write(folder / "out", pictures=False)
    return result, folder / "out" / "layouts.gpkg"


@pytest.fixture
def copy(made, tmp_path):
    path = tmp_path / "layouts.gpkg"
    shutil.copyfile(made[1], path)
    return path


def test_it_says_what_the_layout_says(made):
    result, path = made
    layout = result.layouts[0]
    book = drill_book(path)
    assert (book.layout_id, book.rank, book.units, book.parcel_id) == (layout.layout_id, 1, "metric", "1")
    assert [p.bore_id for p in book.pages] == [b.bore_id for b in layout.bores]
    for page, bore, d in zip(book.pages, layout.bores, layout.drills, strict=True):
        table = rod_table(bore, SITE.spec.rig.rod_length_m)
        assert [r.depth_m for r in page.rods] == pytest.approx([r.depth_m for r in table], abs=1e-9)
        assert [r.pitch_pct for r in page.rods] == pytest.approx([r.pitch_pct for r in table], abs=1e-9)
        assert page.figures.pull_n == pytest.approx(d.pull.path.largest_n)
        assert page.figures.weak_link_n == pytest.approx(d.pull.margin.weak_link_n)
        assert page.figures.fluid_m3 == pytest.approx(d.volumes.fluid_m3)
        at = np.searchsorted(bore.station_m, page.along.station_m - 1e-9)
        assert page.along.demand_pa == pytest.approx(d.mud.pressures.demand_pa[at])
        assert page.along.capacity_pa == pytest.approx(d.mud.pressures.capacity_pa[at])
        assert page.along.z_m == pytest.approx(bore.z_m[at], abs=1e-6)
        assert page.returns == d.returns["metric"]
        for r in page.rods:
            assert r.ground_m - r.z_m == pytest.approx(r.depth_m, abs=0.02)
            assert r.action


def test_crossings_name_the_thing_its_rod_and_its_room(made):
    result, path = made
    pages = drill_book(path).pages
    told = [(p, c) for p in pages for c in p.crossings]
    assert len(told) == len(result.layouts[0].crossings) > 0
    for page, c in told:
        assert (c.label, c.code, c.quality, c.depth_m, c.how) == ("to the barn", "W", "C", 1.2, "under")
        before, after = page.rods[c.rod - 1], page.rods[c.rod]
        assert before.station_m <= c.station_m <= after.station_m + 1e-6
        assert "W to the barn" in after.crossing
        assert c.consequence == "service lost"


def test_places_are_those_of_the_earth(made):
    """Longitude and latitude of the entry by geopandas, its own way from the file."""
    book = drill_book(made[1])
    rods = geopandas.read_file(made[1], layer="rods").to_crs(4326)
    mine = rods[(rods.layout_id == book.layout_id) & (rods.bore_id == "B-01")].sort_values("rod")
    assert [r.lon for r in book.pages[0].rods] == pytest.approx(list(mine.geometry.x), abs=1e-9)
    assert [r.lat for r in book.pages[0].rods] == pytest.approx(list(mine.geometry.y), abs=1e-9)


def test_the_gate_names_who_is_silent(made):
    gate = drill_book(made[1]).gate
    assert not gate.open
    assert gate.lines == ("waiting for Power: no answer (called twice)",)


def test_a_bore_that_was_moved_is_refused_until_it_is_scored(copy):
    table = geopandas.read_file(copy, layer="bores")
    first = table.geometry.iloc[0]
    points = shapely.get_coordinates(first, include_z=True)
    points[len(points) // 2 :, 0] += 0.3
    table.loc[0, "geometry"] = shapely.LineString(points)
    table.to_file(copy, layer="bores", mode="w")
    with pytest.raises(InputError, match="was edited after") as error:
        drill_book(copy)
    assert "loopgis score" in str(error.value)


def test_unknown_layouts_and_foreign_files_get_one_line(copy, tmp_path):
    with pytest.raises(InputError, match=r"holds no layout 'L-77'.*L-01"):
        drill_book(copy, "L-77")
    other = tmp_path / "other.gpkg"
    geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=26916).to_file(other, layer="points")
    with pytest.raises(InputError, match="has no layer layouts"):
        drill_book(other)
    (tmp_path / "text.gpkg").write_text("no database")
    with pytest.raises(InputError, match="no GeoPackage"):
        drill_book(tmp_path / "text.gpkg")
    with pytest.raises(InputError):
        drill_book(tmp_path / "missing.gpkg")
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("DELETE FROM gpkg_metadata")
    with pytest.raises(InputError, match="does not say"):
        drill_book(copy)


def test_a_failed_distance_is_claimed_on_every_page(copy):
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("UPDATE clearances SET outcome = 'fail' WHERE rowid = 1")
    assert drill_book(copy).claim.startswith("Does NOT meet")


def test_the_command_writes_everything_or_nothing(made, tmp_path):
    run = CliRunner()
    out = tmp_path / "crew"
    done = run.invoke(cli, ["drill", str(made[1]), "-o", str(out), "--json"])
    assert done.exit_code == 0, done.output
    assert sorted(p.name for p in out.iterdir()) == sorted(OURS)
    assert len(json.loads(done.stdout)["written"]) == len(OURS)
    again = run.invoke(cli, ["drill", str(made[1]), "-o", str(out)], standalone_mode=False)
    assert isinstance(again.exception, InputError)
    assert "--overwrite" in str(again.exception)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    drill(made[1], out, overwrite=True)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    with pytest.raises(InputError):
        drill(tmp_path / "missing.gpkg", tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_sheets_in_the_other_units_speak_them_throughout(made):
    result, path = made
    page = drill_book(path, units="us").pages[0]
    assert page.returns == result.layouts[0].drills[0].returns["us"]
    assert " m " not in " ".join(page.returns)


def sql(path, text):
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("DELETE FROM rods WHERE rod = 4 AND bore_id = 'B-02'", "not numbered"),
        ("DELETE FROM crossings", "crossings"),
    ],
)
def test_rows_that_went_missing_are_noticed(copy, text, said):
    sql(copy, text)
    with pytest.raises(InputError, match=said) as error:
        drill_book(copy)
    assert "loopgis score" in str(error.value)


@pytest.mark.parametrize(
    ("column", "value", "said"), [("depth_m", -3.0, "above the ground"), ("pitch_pct", None, "empty")]
)
def test_rods_with_figures_that_cannot_be_are_noticed(copy, column, value, said):
    table = geopandas.read_file(copy, layer="rods")
    table.loc[(table.bore_id == "B-01") & (table.rod == 3), column] = value
    table.to_file(copy, layer="rods", mode="w")
    with pytest.raises(InputError, match=said):
        drill_book(copy)


def test_a_length_that_is_not_that_of_the_line_is_noticed(copy):
    table = geopandas.read_file(copy, layer="bores")
    table.loc[0, "length_m"] = 10.0
    table.to_file(copy, layer="bores", mode="w")
    with pytest.raises(InputError, match=r"says 10\.0 m"):
        drill_book(copy)


def test_a_fault_takes_the_claim_away_and_stands_on_the_pages_of_all_it_names(copy):
    sql(
        copy,
        "INSERT INTO findings (layout_id, bore_id, severity, code, message) VALUES"
        " ('L-01', 'B-01', 'error', 'bores-too-near', 'bores B-01 and B-03 are 1 m nearer than they may be')",
    )
    book = drill_book(copy)
    assert book.claim == "NOT FIT TO DRILL as it is: 1 fault, see page 1"
    assert (book.gate.open, book.gate.why) == (False, "the layout has faults")
    assert book.gate.lines[0].startswith("FAULT: bores B-01 and B-03")
    told = {p.bore_id: any("B-01 and B-03" in w for w in p.warnings) for p in book.pages}
    assert told == {"B-01": True, "B-02": False, "B-03": True}


def test_what_to_bring_is_what_is_ordered(made):
    result, path = made
    layout = result.layouts[0]
    pipe = sum(m.amount for m in layout.materials if m.item.startswith("loop pipe"))
    assert any(f.startswith(f"loop pipe to bring: {pipe:.0f} m") for f in drill_book(path).facts)


def test_a_file_whose_findings_name_no_units_is_read_all_the_same(copy):
    sql(copy, "ALTER TABLE findings DROP COLUMN units")
    assert drill_book(copy).pages[0].returns
