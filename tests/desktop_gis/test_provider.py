"""Every algorithm in the desktop GIS itself, without a window, on the demo lot. Left out where it is not installed, and says so."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
from desk import DESK, HOST, HOST_PYTHON, NOT_THERE, ROOT

from loopgis.field.log_read import write_log_json
from loopgis.sheets.drill_read import drill_book

pytestmark = [pytest.mark.slow, pytest.mark.skipif(HOST is None, reason=NOT_THERE)]

LOT = ROOT / "data" / "suburban"
FEATURES = [f"{LOT / 'features.gpkg'}|layername={n}" for n in ("areas", "lines", "points")]
SITE = {
    "PARCEL": str(LOT / "parcel.gpkg"),
    "BUILDINGS": str(LOT / "buildings.gpkg"),
    "FEATURES": FEATURES,
    "DEPTH_UNIT": "ft",
    "ELEVATION": str(LOT / "dem.tif"),
    "ELEVATION_UNIT": "m",
    "PAD": "474510.2,4700060.0 [EPSG:26918]",
    "HEATING": "36 kBtu/h",
    "COOLING": "24 kBtu/h",
    "SOIL": "saturated clay",
    "GROUND_MEAN": "48 degF",
    "FILL": "enhanced grout",
    "FLUID": "propylene glycol 25 %",
    "EWT_MIN": "27 degF",
}


class Host:
    """The desktop GIS with a profile of its own."""

    def __init__(self, folder: Path) -> None:
        self.environment = {
            **os.environ,
            "QT_QPA_PLATFORM": "offscreen",
            "QGIS_PLUGINPATH": str(DESK),
            "QGIS_CUSTOM_CONFIG_PATH": str(folder),
            "LOOPGIS_PYTHON": sys.executable,
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        self.environment.pop("PYTHONPATH", None)
        self.call("plugins", "enable", "loopgis_provider")

    def begin(self, *words, **environment):
        return subprocess.Popen(
            [HOST, *words],
            env={**self.environment, **environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            errors="replace",
        )

    def call(self, *words, **environment):
        child = self.begin(*words, **environment)
        said = child.communicate(timeout=600)[0]
        return child.returncode, said

    def run(self, name, parameters, **environment):
        return self.call("run", f"loopgis:{name}", "--", *told(parameters), **environment)


def told(parameters):
    pairs = [(k, v) for k, value in parameters.items() for v in (value if isinstance(value, list) else [value])]
    return [f"{k}={v}" for k, v in pairs]


@pytest.fixture(scope="module")
def host(tmp_path_factory):
    return Host(tmp_path_factory.mktemp("profile"))


@pytest.fixture(scope="module")
def layouts(host, tmp_path_factory):
    """Layouts of the demo lot, made once, in a folder with blanks and letters beyond ASCII."""
    folder = tmp_path_factory.mktemp("out") / "Entwürfe für Æ 井"
    code, said = host.run("layout", {**SITE, "OUTPUT": folder, "EFFORT": 0, "PICTURES": "false"})
    assert code == 0, said
    return folder / "layouts.gpkg"


def in_project(host, name, parameters, picture):
    """Run it in a project, as a window would, and give what was loaded."""
    done = subprocess.run(
        [HOST_PYTHON, str(Path(__file__).with_name("run_in_project.py")), name, json.dumps(parameters), str(picture)],
        env=host.environment,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    said = [line for line in done.stdout.splitlines() if line.startswith("{")]
    assert said, done.stderr[-3000:]
    result = json.loads(said[-1])
    assert done.returncode == 0, {k: v for k, v in result.items() if k != "made"}
    assert not result["goes_back"]
    assert result["percent"][-1] == 100
    return result


def rows(path, sql):
    with closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


# -- what the host sees --------------------------------------------------------------------------------------------


def test_every_step_is_listed(host):
    code, said = host.call("list")
    assert code == 0
    verbs = ("check", "layout", "score", "setbacks", "tablet", "drill", "asbuilt")
    assert all(f"loopgis:{v}\t" in said for v in verbs)


# -- check ---------------------------------------------------------------------------------------------------------


def test_check_reads_the_layers_of_a_project(host):
    code, said = host.run("check", SITE)
    assert code == 0, said
    assert "lot of 98,319 sq ft, 3 buildings, 15 other features" in said


def test_check_takes_a_site_file(host):
    code, said = host.run("check", {"SITE": LOT / "site.toml"})
    assert code == 0, said
    assert "Heron Weir Lane: lot of 98,319 sq ft" in said


def test_check_tells_what_is_wrong_and_fails(host):
    code, said = host.run("check", {**SITE, "SPACING": "15 parsecs"})
    assert code == 1
    assert "[bore] spacing" in said
    assert "The input cannot be used" in said


def test_a_lot_out_of_several_by_a_filter(host):
    corner = ROOT / "data" / "corner" / "parcel.gpkg"
    lots = {"PARCEL": f"{corner}|layername=neighbours"}
    code, said = host.run("check", lots)
    assert code == 1
    assert "lots where one is wanted" in said
    code, said = host.run("check", {**lots, "PARCEL_FILTER": "$id = 1"})
    assert code == 0, said
    assert "lot of" in said
    code, said = host.run("check", {**lots, "PARCEL_FILTER": "$id ="})
    assert code == 1
    assert "picks no lot" in said


def test_columns_with_other_names_and_a_layer_named_by_its_kind(host, tmp_path):
    """The same features, with their columns renamed and the wells in a file named after what it holds."""
    import geopandas

    lines = geopandas.read_file(LOT / "features.gpkg", layer="lines").rename(columns={"kind": "TYPE", "depth": "Tiefe"})
    lines.to_file(tmp_path / "lines.gpkg", layer="lines")
    points = geopandas.read_file(LOT / "features.gpkg", layer="points")
    points[points["kind"] == "water_well"].drop(columns="kind").to_file(
        tmp_path / "water_well.gpkg", layer="water_well"
    )
    named = {
        "PARCEL": SITE["PARCEL"],
        "FEATURES": [str(tmp_path / "lines.gpkg"), str(tmp_path / "water_well.gpkg")],
        "KIND": "type",
        "DEPTH": "Tiefe",
        "DEPTH_UNIT": "ft",
    }
    code, said = host.run("check", named)
    assert code == 0, said
    assert "0 buildings, 8 other features" in said
    code, said = host.run("check", {**named, "FEATURES": FEATURES, "KIND": "nothing"})
    assert code == 1
    assert "No layer of features has a column 'nothing'" in said


def test_a_layer_whose_kind_nobody_knows(host, tmp_path):
    import geopandas

    points = geopandas.read_file(LOT / "features.gpkg", layer="points").drop(columns="kind")
    points.to_file(tmp_path / "things.gpkg", layer="things")
    code, said = host.run("check", {"PARCEL": SITE["PARCEL"], "FEATURES": [str(tmp_path / "things.gpkg")]})
    assert code == 1
    assert "has no column for its kind" in said


RASTER = """
import sys
sys.path[:0] = [{desk!r}, "/usr/share/qgis/python/plugins"]
from qgis.core import QgsApplication, QgsProcessingContext, QgsRasterLayer, QgsVectorLayer
app = QgsApplication([], False)
app.initQgis()
from loopgis_provider.layers import raster_place
raster, lot = QgsRasterLayer(sys.argv[1], "ground", "gdal"), QgsVectorLayer(sys.argv[2], "lot", "ogr")
print(raster_place(raster, sys.argv[3], lot.extent(), lot.crs(), QgsProcessingContext())["path"], flush=True)
import os
os._exit(0)
"""


def test_a_raster_that_is_no_plain_file_is_saved_as_one(host, tmp_path):
    """A raster inside a GeoPackage, wider than the surroundings of the lot: cut on its own cells, its heights unchanged."""
    import numpy as np
    import rasterio
    import rasterio.transform

    with rasterio.open(LOT / "dem.tif") as own:
        crs, west, north = own.crs, own.bounds.left - 9_000, own.bounds.top + 9_000
    z = np.random.default_rng(1).normal(100, 5, (900, 900)).astype("float32")
    shape = {"driver": "GPKG", "width": 900, "height": 900, "count": 1, "dtype": "float32", "RASTER_TABLE": "ground"}
    grid = rasterio.transform.from_origin(west, north, 20, 20)
    with rasterio.open(tmp_path / "ground.gpkg", "w", crs=crs, transform=grid, **shape) as file:
        file.write(z, 1)
    uri = f"GPKG:{tmp_path / 'ground.gpkg'}:ground"
    done = subprocess.run(
        [HOST_PYTHON, "-c", RASTER.format(desk=str(DESK)), uri, SITE["PARCEL"], str(tmp_path)],
        env=host.environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.strip() == "site_from_project.tif", done.stderr
    with rasterio.open(tmp_path / "site_from_project.tif") as copy, rasterio.open(uri) as whole:
        assert copy.width < 300
        x, y = copy.xy(10, 10)
        row, column = whole.index(x, y)
        window = whole.read(1)[row - 10 : row - 10 + copy.height, column - 10 : column - 10 + copy.width]
        assert np.abs(copy.read(1) - window).max() < 0.01


# -- interpreters ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("python", "means"),
    [
        ("", "No Python is set"),
        ("/no/such/python", "is not there"),
        (HOST_PYTHON, "is not a Python with loopgis in it"),
    ],
)
def test_a_missing_or_wrong_interpreter_is_one_message(host, python, means):
    code, said = host.run("check", SITE, LOOPGIS_PYTHON=python)
    assert code == 1
    lines = [line for line in said.splitlines() if line.startswith("ERROR:")]
    assert [means in line for line in lines].count(True) == 1
    assert "Settings > Options > Processing > Providers > Loopgis" in said
    assert "Traceback" not in said


def test_the_interpreter_of_the_form_goes_before_that_of_the_environment(host):
    code, said = host.run("check", {**SITE, "PYTHON": sys.executable}, LOOPGIS_PYTHON="/no/such/python")
    assert code == 0, said


# -- layouts ---------------------------------------------------------------------------------------------------------


def test_layouts_are_those_of_the_command_line(layouts, tmp_path):
    """What went through the host's layers gives the bores that the site file gives when it is run by hand."""
    site = layouts.with_name("site_from_project.toml")
    done = subprocess.run(
        [sys.executable, "-m", "loopgis", "layout", site, "-o", tmp_path / "hand", "--effort", "0", "--no-pictures"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    figures = "SELECT layout_id, bore_id, length_m, max_depth_m FROM bores ORDER BY layout_id, bore_id"
    assert rows(layouts, figures) == rows(tmp_path / "hand" / "layouts.gpkg", figures)
    assert rows(layouts, "SELECT count(*) FROM features") == [(15,)]
    assert rows(layouts.with_name("site_from_project.gpkg"), "PRAGMA user_version") == [(10200,)]


def test_results_that_are_there_are_not_replaced_unasked(host, layouts):
    before = layouts.read_bytes()
    code, said = host.run("layout", {**SITE, "OUTPUT": layouts.parent})
    assert code == 1
    assert "is there already" in said
    assert layouts.read_bytes() == before


def test_a_site_file_of_somebody_else_is_never_replaced(host, tmp_path):
    mine = tmp_path / "site_from_project.toml"
    mine.write_text("# mine\n", encoding="utf-8")
    code, said = host.run("layout", {**SITE, "OUTPUT": tmp_path, "OVERWRITE": "true"})
    assert code == 1
    assert "did not write it" in said
    assert mine.read_text(encoding="utf-8") == "# mine\n"


def test_when_nothing_fits_the_reasons_are_told(host, tmp_path):
    code, said = host.run(
        "layout",
        {"PARCEL": SITE["PARCEL"], "BORES": 1, "PAD": SITE["PAD"], "MAX_LENGTH": "60 ft", "OUTPUT": tmp_path / "no"},
    )
    assert code == 1
    assert "No layout fits:" in said
    assert len(said.partition("No layout fits:")[2].splitlines()) > 1
    assert not (tmp_path / "no" / "layouts.gpkg").exists()


def test_layouts_load_in_groups_with_their_styles(host, tmp_path):
    site = {**SITE, "FEATURES": FEATURES, "EFFORT": 0, "OUTPUT": str(tmp_path / "made"), "PICTURES": False}
    result = in_project(host, "loopgis:layout", site, tmp_path / "layout.png")
    assert result["errors"] == []
    groups = [line for line in result["tree"] if "rank" in line]
    assert len(groups) >= 2
    assert groups[0].startswith("  [x] L-01, rank 1")
    assert all(line.startswith("  [ ]") for line in groups[1:])
    assert {"bores", "rods", "zones", "crossings", "exits", "pads", "headers"} <= set(result["rows"])
    assert result["colours"] > 50


# -- score, setbacks, field --------------------------------------------------------------------------------------------


def test_score_finds_the_site_file_beside_the_layouts(host, layouts, tmp_path):
    result = in_project(
        host, "loopgis:score", {"LAYOUTS": str(layouts), "OUTPUT": str(tmp_path / "scored.gpkg")}, tmp_path / "s.png"
    )
    assert result["made"]["EXIT_CODE"] == 0
    assert "nothing changed" in result["made"]["SAID"]
    assert "bores" in result["rows"]


def test_score_loads_what_cannot_be_drilled_and_says_so(host, layouts, tmp_path):
    """A bore drawn as a zigzag: exit code 4, the results are loaded all the same."""
    import geopandas
    import shapely

    edited = tmp_path / "edited.gpkg"
    shutil.copy(layouts, edited)
    shutil.copy(layouts.with_name("site_from_project.toml"), tmp_path)
    shutil.copy(layouts.with_name("site_from_project.gpkg"), tmp_path)
    bore = geopandas.read_file(edited, layer="bores").geometry.iloc[0]
    (x0, y0), (x1, y1) = bore.coords[0][:2], bore.coords[-1][:2]
    zigzag = shapely.LineString([(x0, y0), (x0 + 8, y0 + 1), (x0, y0 + 3), (x0 + 8, y0 + 5), (x1, y1)])
    edit = f"""
from osgeo import ogr
ogr.UseExceptions()
source = ogr.Open({str(edited)!r}, 1)
layer = source.GetLayerByName("bores")
row = layer.GetNextFeature()
line = ogr.CreateGeometryFromWkt({zigzag.wkt!r})
line.Set3D(True)
row.SetGeometry(line)
layer.SetFeature(row)
"""
    subprocess.run([HOST_PYTHON, "-c", edit], check=True, capture_output=True)
    result = in_project(
        host, "loopgis:score", {"LAYOUTS": str(edited), "OUTPUT": str(tmp_path / "out.gpkg")}, tmp_path / "s.png"
    )
    assert result["made"]["EXIT_CODE"] == 4
    assert any("The results were written" in e for e in result["errors"])
    assert result["rows"]["refused"] >= 1
    assert result["tree"][1].strip() == "[x] refused"


def test_setbacks_loads_its_layers(host, layouts, tmp_path):
    out = {
        "OUTPUT": str(tmp_path / "plan.pdf"),
        "FILES": str(tmp_path / "files"),
        "LAYOUT_ID": "L-02",
        "PAPER": "letter",
    }
    result = in_project(
        host, "loopgis:setbacks", {"LAYOUTS": f"{layouts}|layername=bores", **out}, tmp_path / "picture.png"
    )
    assert result["made"]["EXIT_CODE"] == 0
    assert (tmp_path / "plan.pdf").read_bytes().startswith(b"%PDF")
    assert {"bores", "zones", "crossings", "pads"} <= set(result["rows"])


def test_setbacks_that_are_not_kept_are_told_and_loaded(host, layouts, tmp_path):
    """A rule of the user's own that nothing can keep: exit code 5, the plan set is there and the layers are loaded."""
    text = (ROOT / "loopgis" / "tables" / "rules" / "house.toml").read_text(encoding="utf-8")
    asked = 'feature = "property_line"\napplies_to = ["bore", "pit"]\nplan_distance = { value = '
    assert f"{asked}10," in text
    rule = tmp_path / "far, too far.toml"
    rule.write_text(text.replace(f"{asked}10,", f"{asked}90,"), encoding="utf-8")
    out = {"OUTPUT": str(tmp_path / "plan.pdf"), "FILES": str(tmp_path / "files"), "RULES": str(rule)}
    result = in_project(host, "loopgis:setbacks", {"LAYOUTS": str(layouts), **out}, tmp_path / "picture.png")
    assert result["made"]["EXIT_CODE"] == 5
    assert any("The audit found a failure" in e and "results were written" in e for e in result["errors"])
    assert "bores" in result["rows"]


@pytest.mark.parametrize(("name", "one"), [("tablet", "tablet.html"), ("drill", "drill_sheets.pdf")])
def test_folders_for_the_crew(host, layouts, tmp_path, name, one):
    code, said = host.run(name, {"LAYOUTS": layouts, "OUTPUT": tmp_path / "für die Crew", "LAYOUT_ID": "L-01"})
    assert code == 0, said
    assert (tmp_path / "für die Crew" / one).stat().st_size > 10_000


def test_a_layout_that_is_not_there_is_told(host, layouts, tmp_path):
    code, said = host.run("drill", {"LAYOUTS": layouts, "OUTPUT": tmp_path / "x", "LAYOUT_ID": "--overwrite"})
    assert code == 1
    assert "--overwrite" in said.partition("The input cannot be used")[2]


def test_as_built_from_logs(host, layouts, tmp_path):
    from crew import Crew

    book = drill_book(layouts)
    crew = Crew(book)
    for page in book.pages[:2]:
        crew.drills("A", page)
    log = write_log_json(crew.log(), tmp_path / "log one.json", file="layouts.gpkg")
    built = {"LAYOUTS": str(layouts), "LOGS": [str(log)], "OUTPUT": str(tmp_path / "built.gpkg")}
    result = in_project(host, "loopgis:asbuilt", built, tmp_path / "picture.png")
    assert result["made"]["EXIT_CODE"] == 0
    assert result["rows"]["holes"] == 2
    assert result["rows"]["readings"] > 10
    assert [line.strip() for line in result["tree"][1:4]] == ["[x] ties", "[x] readings", "[x] holes"]
    assert Path(result["made"]["SHEET"]).is_file()
    assert Path(result["made"]["OWNER"]).is_file()


# -- cancel ------------------------------------------------------------------------------------------------------------

CANCEL = """
import json, os, sys, threading, time
sys.path[:0] = [{desk!r}, "/usr/share/qgis/python/plugins"]
from qgis.core import QgsApplication, QgsProcessingFeedback
app = QgsApplication([], False)
app.initQgis()
from processing.core.Processing import Processing
Processing.initialize()
import processing
from loopgis_provider.provider import LoopgisProvider
provider = LoopgisProvider()
QgsApplication.processingRegistry().addProvider(provider)

class Feedback(QgsProcessingFeedback):
    def __init__(self):
        super().__init__(False)
        self.said = []
    def pushInfo(self, text):
        self.said.append(text)
        if text.startswith("pad 1 "):
            print("children", *below(), flush=True)
            self.cancel()
    def reportError(self, text, fatalError=False):
        self.said.append(text)

def below():
    found = []
    for pid in filter(str.isdigit, os.listdir("/proc")):
        try:
            if open("/proc/" + pid + "/stat").read().rpartition(")")[2].split()[1] == str(os.getpid()):
                found.append(pid)
        except OSError:
            pass
    return found

feedback = Feedback()
begin = time.monotonic()
result = processing.run("loopgis:layout", json.loads(sys.argv[1]), feedback=feedback)
print("left", *below(), flush=True)
print(json.dumps(dict(said=feedback.said[-3:], result=result)), flush=True)
os._exit(0)
"""


def test_cancel_kills_the_child_and_leaves_nothing_half_written(host, tmp_path):
    site = {**SITE, "OUTPUT": str(tmp_path / "made")}
    done = subprocess.run(
        [HOST_PYTHON, "-c", CANCEL.format(desk=str(DESK)), json.dumps(site)],
        env=host.environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    lines = dict(line.split(" ", 1) for line in (f"{text} " for text in done.stdout.splitlines()) if " " in line)
    assert lines.get("children", "").strip(), done.stdout + done.stderr
    assert lines["left"].strip() == ""
    assert "Stopped; nothing was written." in done.stdout
    assert sorted(p.name for p in (tmp_path / "made").iterdir()) == ["site_from_project.gpkg", "site_from_project.toml"]


def children_of(word):
    """Processes of the tool that were given a word."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().decode("utf-8", "replace").split("\0")
        except OSError:
            continue
        if "loopgis" in words and any(word in w for w in words) and "run" not in words:
            found.append(int(path.parent.name))
    return found


def test_when_the_host_is_killed_the_child_does_not_go_on_for_long(host, tmp_path):
    """Nobody reads its lines any more, so it ends at its next one, before anything is written."""
    with host.begin("run", "loopgis:layout", "--", *told({**SITE, "OUTPUT": tmp_path / "made"})) as child:
        deadline = time.monotonic() + 60
        while not children_of(str(tmp_path)) and time.monotonic() < deadline:
            time.sleep(0.2)
        assert children_of(str(tmp_path))
        child.send_signal(signal.SIGKILL)
    deadline = time.monotonic() + 120
    while children_of(str(tmp_path)) and time.monotonic() < deadline:
        time.sleep(0.5)
    assert not children_of(str(tmp_path))
    assert not (tmp_path / "made" / "layouts.gpkg").exists()
