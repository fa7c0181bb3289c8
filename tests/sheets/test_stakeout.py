"""Files of a stake-out, read back with other readers: pyproj straight, GDAL, an XML parser, a geodesic area."""

from __future__ import annotations

import csv
import json
import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest
import shapely
from book import HEADER_XY, LAT, LON, PAD_XY, book
from pyproj import CRS, Geod, Transformer

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.sheets.cautions import CAUTIONS
from loopgis.sheets.stake_lines import GPX, KML, write_dxf, write_gpx, write_kml
from loopgis.sheets.stakeout import (
    FILES,
    TABLET,
    read_points_csv,
    write_points_csv,
    write_readme,
    write_rods_csv,
    write_stakeout,
)
from loopgis.sheets.white_line import lat_lon_list, white_line_ring, write_white_line, write_white_line_text

if TYPE_CHECKING:
    from pathlib import Path

FT, US_FT = 0.3048, 1200 / 3937
"""International foot (exact, NIST SP 811) and US survey foot (exact, facts 3.1)."""
JOBS = [
    # CRS of the lot, CRS of the stakes, metres in its unit, place
    ("EPSG:2249", "EPSG:2249", US_FT, LON, LAT),
    ("EPSG:32619", "EPSG:32619", 1.0, LON, LAT),
    ("EPSG:4326", "EPSG:32619", 1.0, LON, LAT),
    ("EPSG:4269", "EPSG:26919", 1.0, LON, LAT),
    ("EPSG:3857", "EPSG:32619", 1.0, LON, LAT),
    ("EPSG:3006", "EPSG:3006", 1.0, 16.0, 60.0),
    ("EPSG:4326", "EPSG:32755", 1.0, 147.0, -37.0),
    ("EPSG:2263+6360", "EPSG:2263", US_FT, -73.98, 40.75),
]


def job_xy(crs: str, lon: float, lat: float) -> tuple[float, float]:
    """Easting and northing by pyproj with the axes as the CRS lists them, so not by the way of the code under test."""
    pair = Transformer.from_crs("EPSG:4326", crs).transform(lat, lon)
    northing_first = CRS(crs).axis_info[0].direction == "north"
    return (pair[1], pair[0]) if northing_first else (pair[0], pair[1])


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def parsed(path: Path) -> ET.Element:
    return ET.parse(path).getroot()  # noqa: S314 - a file that was written a moment ago


# -- rods --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("units", "unit_m", "word"), [("us", FT, "ft"), ("metric", 1.0, "m")])
def test_every_rod_is_told_in_the_units_of_the_sheets(tmp_path, units, unit_m, word):
    made = book(units=units)
    found = rows(write_rods_csv(made, tmp_path / "rods.csv"))
    rods = [(page, rod) for page in made.pages for rod in page.rods]
    assert [(r["layout"], r["bore"], r["rod"]) for r in found] == [
        (p.layout_id, p.bore_id, str(q.rod)) for p, q in rods
    ]
    for row, (_, rod) in zip(found, rods, strict=True):
        for column, metres in (
            ("drilled", rod.station_m),
            ("depth", rod.depth_m),
            ("right of painted line", rod.offset_m),
            ("ground", rod.ground_m),
            ("head", rod.z_m),
        ):
            assert float(row[f"{column} ({word})"]) * unit_m == pytest.approx(metres, abs=0.0051 * unit_m)
        assert float(row["pitch (%)"]) == pytest.approx(rod.pitch_pct, abs=0.051)
        assert math.tan(math.radians(float(row["pitch (deg)"]))) * 100 == pytest.approx(rod.pitch_pct, abs=0.02)
        assert float(row["azimuth (deg from true north)"]) == pytest.approx(rod.azimuth_deg, abs=0.051)
        assert float(row["latitude (deg)"]) == pytest.approx(rod.lat, abs=1e-8)
        assert float(row["longitude (deg)"]) == pytest.approx(rod.lon, abs=1e-8)
        assert float(row["x (US survey foot)"]) == pytest.approx(rod.x, abs=1e-4)
        assert float(row["y (US survey foot)"]) == pytest.approx(rod.y, abs=1e-4)
        assert (row["next action"], row["crossing"], row["locate note"]) == (rod.action, rod.crossing, rod.locate)
        assert "-0.0" not in [v.rstrip("0") + "0" for v in row.values()]


def test_crew_gets_empty_columns_with_units(tmp_path):
    for units, word in (("us", "ft"), ("metric", "m")):
        found = rows(write_rods_csv(book(units=units), tmp_path / "rods.csv"))
        blank = [f"read depth ({word})", "read pitch (%)", "clock", f"offset read ({word})", "remark"]
        assert list(found[0])[-5:] == blank
        assert all(row[name] == "" for row in found for name in blank)


def test_side_of_the_line_goes_with_the_sign(tmp_path):
    made = book()
    page = made.pages[1]
    rods = tuple(replace(rod, offset_m=o) for rod, o in zip(page.rods[:4], (1.0, -1.0, 0.001, -0.001), strict=True))
    found = rows(write_rods_csv(replace(made, pages=(replace(page, rods=rods),)), tmp_path / "rods.csv"))
    assert [r["side (L/R)"] for r in found] == ["R", "L", "on", "on"]
    assert [r["right of painted line (ft)"] for r in found] == ["3.28", "-3.28", "0.00", "0.00"]


def test_azimuth_never_reads_360(tmp_path):
    made = book()
    page = made.pages[0]
    rods = (replace(page.rods[0], azimuth_deg=359.98), *page.rods[1:])
    found = rows(write_rods_csv(replace(made, pages=(replace(page, rods=rods),)), tmp_path / "rods.csv"))
    assert found[0]["azimuth (deg from true north)"] == "0.0"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-2", "@SUM(A1)", "\t=1+1", "  =1+1", "\r\n=cmd|' /C calc'!A0", "\uff1d1"]
)
def test_a_text_never_starts_a_formula(tmp_path, text):
    made = book()
    rods = (replace(made.pages[0].rods[0], action=text, crossing=text, locate=text), *made.pages[0].rods[1:])
    page = replace(made.pages[0], rods=rods, bore_id=text, layout_id=text)
    path = write_rods_csv(replace(made, pages=(page,)), tmp_path / "rods.csv")
    found = rows(path)[0]
    for name in ("layout", "bore", "next action", "crossing", "locate note"):
        assert found[name].startswith("'")
        assert found[name][1:] == " ".join(text.split())
    assert found["pitch (%)"] == "-30.0", "figures of ours stay figures"
    cells = [c for r in csv.reader(write_points_csv(replace(made, pages=(page,)), path).open()) for c in r]
    assert not [c for c in cells if c[:1] in set("=+@\t\r") or (c[:1] == "-" and not re.fullmatch(r"-\d+\.\d+", c))]


def test_texts_with_commas_quotes_and_line_ends_stay_one_cell(tmp_path):
    made = book()
    rods = (replace(made.pages[0].rods[0], action='left, "hard"\nthen\x00 on'), *made.pages[0].rods[1:])
    made = replace(made, pages=(replace(made.pages[0], rods=rods),))
    path = write_rods_csv(made, tmp_path / "rods.csv")
    assert rows(path)[0]["next action"] == 'left, "hard" then on'
    assert path.read_bytes().count(b"\n") == len(rods) + 1
    assert b"\r" not in path.read_bytes()


# -- points ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("crs", "job", "unit_m", "lon", "lat"), JOBS)
@pytest.mark.parametrize("order", ["PNEZD", "PENZD"])
def test_points_come_back_to_a_millimetre_in_job_units(tmp_path, crs, job, unit_m, lon, lat, order):
    made = book(crs, lon=lon, lat=lat)
    path = write_points_csv(made, tmp_path / "points.csv", order)
    found = {row.point: row for row in read_points_csv(path, order)}
    for number, page in enumerate(made.pages, 1):
        ends = {"IN": page.rods[0], "OUT": page.rods[-1]}
        fifths = {f"R{rod.rod:02d}": rod for rod in page.rods[1:-1] if rod.rod % 5 == 0}
        assert len(fifths) >= 3
        for name, rod in (ends | fifths).items():
            row = found[f"B{number:02d}-{name}"]
            east, north = job_xy(job, rod.lon, rod.lat)
            assert abs(row.east - east) * unit_m < 0.001
            assert abs(row.north - north) * unit_m < 0.001
            assert abs(row.elevation * unit_m - rod.z_m) < 0.001
    text = path.read_text(encoding="utf-8")
    assert text.splitlines()[0] == ",".join(order)
    assert text.splitlines()[1].startswith("B01-IN,")
    first = [float(c) for c in text.splitlines()[1].split(",")[1:3]]
    row = found["B01-IN"]
    assert first == ([row.north, row.east] if order == "PNEZD" else [row.east, row.north])


def test_axes_of_a_northing_first_system_are_not_swapped(tmp_path):
    row = read_points_csv(write_points_csv(book("EPSG:3006", lon=16.0, lat=60.0), tmp_path / "p.csv"))[0]
    assert 6.6e6 < row.north < 6.7e6, "60 degrees north is 6650 km from the equator"
    assert 5.5e5 < row.east < 5.6e5


def test_axes_that_run_west_and_south_are_not_staked(tmp_path):
    made = book("EPSG:2053", lon=29.0, lat=-30.0)
    row = read_points_csv(write_points_csv(made, tmp_path / "p.csv"))[0]
    east, north = job_xy("EPSG:32735", made.pages[0].rods[0].lon, made.pages[0].rods[0].lat)
    assert abs(row.east - east) < 0.001
    assert abs(row.north - north) < 0.001


def test_feet_that_are_not_us_survey_feet_are_told_apart(tmp_path):
    """2 parts in a million of 2.9 million feet are 1.8 m: a unit mistaken would show."""
    made = book("EPSG:2249")
    row = read_points_csv(write_points_csv(made, tmp_path / "p.csv"))[0]
    assert (row.east, row.north) == (round(made.pages[0].rods[0].x, 4), round(made.pages[0].rods[0].y, 4))
    assert abs(row.elevation - made.pages[0].rods[0].z_m / US_FT) < 5.1e-5


def test_points_are_named_for_what_they_are(tmp_path):
    made = book()
    found = {row.point: row.code for row in read_points_csv(write_points_csv(made, tmp_path / "p.csv"))}
    assert [n for n in found if n.startswith("B01")] == [
        *("B01-IN", "B01-R05", "B01-X1", "B01-R10", "B01-X2", "B01-R15", "B01-OUT"),
    ]
    assert (found["B01-IN"], found["B01-R05"], found["B01-OUT"]) == ("ENTRY", "ROD 5", "EXIT")
    assert (found["B02-X1"], found["B02-X2"]) == ("XING gas_line", "XING storm_drain")
    assert [found[f"PAD-{n}"] for n in (1, 2, 3, 4)] == ["PAD 1", "PAD 2", "PAD 3", "PAD 4"]
    assert "PAD-5" not in found, "the first corner of the ring is not staked twice"
    assert (found["HDR-1"], found["HDR-2"]) == ("HDR 1", "HDR 2")
    bare = read_points_csv(write_points_csv(book(header=False), tmp_path / "p.csv"))
    assert len(bare) == len(found) - 2


def test_pad_and_header_stand_where_they_were_laid_out_and_have_no_height(tmp_path):
    found = {row.point: row for row in read_points_csv(write_points_csv(book("EPSG:4326"), tmp_path / "p.csv"))}
    frame = Frame.centred(LON, LAT, CRS("EPSG:4326").to_wkt())
    laid = {"PAD-1": PAD_XY[0], "PAD-3": PAD_XY[2], "HDR-1": HEADER_XY[0], "HDR-2": HEADER_XY[-1]}
    for name, xy in laid.items():
        lon, lat = frame.to_lonlat(xy[None, :])[0]
        east, north = job_xy("EPSG:32619", lon, lat)
        assert math.hypot(found[name].east - east, found[name].north - north) < 0.001
        assert found[name].elevation is None


def test_crossing_points_lie_on_the_path(tmp_path):
    made = book("EPSG:32619")
    found = {row.point: row for row in read_points_csv(write_points_csv(made, tmp_path / "p.csv"))}
    for number, page in enumerate(made.pages, 1):
        along = page.along
        near = int(np.searchsorted(along.station_m, page.crossings[0].station_m))
        row = found[f"B{number:02d}-X1"]
        here = np.array([row.east, row.north, row.elevation])
        a, b = (np.array([along.x[i], along.y[i], along.z_m[i]]) for i in (near - 1, near))
        assert np.linalg.norm(here - a) + np.linalg.norm(here - b) == pytest.approx(np.linalg.norm(b - a), abs=0.002)
        share = (page.crossings[0].station_m - along.station_m[near - 1]) / 0.5
        assert np.linalg.norm(here - a) == pytest.approx(share * np.linalg.norm(b - a), abs=0.002)


@pytest.mark.parametrize(
    "ids",
    [
        ("B-01", "B-02"),
        ("The bore behind the old garage", "The bore behind the old barn"),
        ("B-03 R1", "B-03R1"),
        ("PAD", "HEADER"),
        ("\u0411-01", "\u0412-01"),
        ("", "B-02"),
    ],
)
def test_names_are_short_and_differ_whatever_bores_are_called(tmp_path, ids):
    made = book()
    made = replace(made, pages=tuple(replace(p, bore_id=i) for p, i in zip(made.pages, ids, strict=True)))
    names = [row.point for row in read_points_csv(write_points_csv(made, tmp_path / "p.csv"))]
    assert len(set(names)) == len(names) == 21
    assert all(re.fullmatch(r"[A-Z0-9-]{1,16}", name) for name in names)
    layers = pyogrio.read_dataframe(write_dxf(made, tmp_path / "p.dxf"))["Layer"]
    assert len(set(layers)) == 6, "no bore lies on the layer of the pad"


def test_codes_hold_no_comma(tmp_path):
    made = book()
    crossing = replace(made.pages[0].crossings[0], kind='gas, "high"\npressure; and a great many words more')
    made = replace(made, pages=(replace(made.pages[0], crossings=(crossing,)),))
    path = write_points_csv(made, tmp_path / "p.csv")
    code = next(r.code for r in read_points_csv(path) if r.point == "B01-X1")
    assert code.startswith("XING gas high pressure")
    assert len(code) <= 32
    assert all(line.count(",") == 4 for line in path.read_text().splitlines())


def test_rods_with_one_number_are_refused(tmp_path):
    made = book()
    page = made.pages[0]
    rods = (*page.rods[:6], replace(page.rods[6], rod=5), *page.rods[7:])
    with pytest.raises(InputError, match="cannot be named"):
        write_points_csv(replace(made, pages=(replace(page, rods=rods),)), tmp_path / "p.csv")


def test_a_file_of_the_other_order_is_refused(tmp_path):
    path = write_points_csv(book(), tmp_path / "p.csv", "PENZD")
    with pytest.raises(InputError, match="says PENZD, not PNEZD"):
        read_points_csv(path, "PNEZD")
    with pytest.raises(InputError, match="order 'NEZ' is not known"):
        write_points_csv(book(), path, "NEZ")
    with pytest.raises(InputError, match="order 'NEZ' is not known"):
        read_points_csv(path, "NEZ")


def test_survey_without_head_line_is_read(tmp_path):
    path = tmp_path / "s.csv"
    path.write_bytes("\ufeff1, 10.5 ,20.25,,peg\r\n\r\nB01-OUT,11,21,-3.5\r\n".encode())
    one, two = read_points_csv(path)
    assert (one.point, one.north, one.east, one.elevation, one.code) == ("1", 10.5, 20.25, None, "peg")
    assert (two.point, two.north, two.east, two.elevation, two.code) == ("B01-OUT", 11.0, 21.0, -3.5, "")
    assert read_points_csv(path, "PENZD")[0].north == 20.25


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("a,1,x,3,", "line 2: 'x' is not a number"),
        ("a,1,nan,3,", "line 2: 'nan' is not a number"),
        ("a,1,inf,3,", "line 2: 'inf' is not a number"),
        ("a,1,2", "line 2: has no name and three figures"),
        (",1,2,3", "line 2: has no name and three figures"),
        ("a,,2,3,", "line 2: northing or easting is empty"),
    ],
)
def test_a_bad_row_is_named(tmp_path, line, told):
    path = tmp_path / "s.csv"
    path.write_text(f"P,N,E,Z,D\n{line}\n")
    with pytest.raises(InputError, match=re.escape(told)):
        read_points_csv(path)


def test_a_file_that_cannot_be_read_is_told(tmp_path):
    (tmp_path / "s.csv").write_bytes(b"a,1,2,3,\xff\xfe\n")
    for name in ("s.csv", "none.csv"):
        with pytest.raises(InputError, match="cannot be read"):
            read_points_csv(tmp_path / name)


# -- books that contradict themselves ----------------------------------------------------------------------------


def test_points_in_another_system_than_told_are_refused(tmp_path):
    made = book("EPSG:32619")
    for wrong in ("EPSG:32618", "EPSG:26986", "EPSG:4326"):
        with pytest.raises(InputError, match="longitude and latitude"):
            write_gpx(replace(made, crs_wkt=CRS(wrong).to_wkt()), tmp_path / "p.gpx")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2249", "EPSG:32619"])
def test_swapped_axes_are_refused(tmp_path, crs):
    made = book(crs)
    pages = tuple(replace(p, rods=tuple(replace(r, x=r.y, y=r.x) for r in p.rods)) for p in made.pages)
    with pytest.raises(InputError, match="order of its axes"):
        write_points_csv(replace(made, pages=pages), tmp_path / "p.csv")


def test_a_site_grid_and_an_empty_book_are_refused(tmp_path):
    grid = 'ENGCRS["site grid",EDATUM["peg"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],LENGTHUNIT["metre",1]]'
    with pytest.raises(InputError, match="no place on earth"):
        write_points_csv(replace(book(), crs_wkt=grid), tmp_path / "p.csv")
    with pytest.raises(InputError, match="cannot be read"):
        write_points_csv(replace(book(), crs_wkt="nonsense"), tmp_path / "p.csv")
    with pytest.raises(InputError, match="no rods"):
        write_points_csv(replace(book(), pages=()), tmp_path / "p.csv")


# -- GPX, KML ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("crs", "lon", "lat"), [(crs, lon, lat) for crs, _, _, lon, lat in JOBS])
def test_gpx_is_wgs84(tmp_path, crs, lon, lat):
    made = book(crs, lon=lon, lat=lat)
    root = parsed(write_gpx(made, tmp_path / "p.gpx"))
    marks = root.findall(f".//{{{GPX}}}wpt") + root.findall(f".//{{{GPX}}}trkpt")
    assert all(abs(float(m.get("lat"))) <= 90 and abs(float(m.get("lon"))) <= 180 for m in marks)
    tracks = root.findall(f"{{{GPX}}}trk")
    assert len(tracks) == 2
    straight = Transformer.from_crs(crs, "EPSG:4326")
    northing_first = CRS(crs).axis_info[0].direction == "north"
    for page, track in zip(made.pages, tracks, strict=True):
        points = track.findall(f".//{{{GPX}}}trkpt")
        assert len(points) == len(page.along.x)
        pair = (page.along.y, page.along.x) if northing_first else (page.along.x, page.along.y)
        lats, lons = straight.transform(*pair)
        assert np.abs([float(p.get("lat")) for p in points] - lats).max() < 1e-7
        assert np.abs([float(p.get("lon")) for p in points] - lons).max() < 1e-7
        heights = [float(p.find(f"{{{GPX}}}ele").text) for p in points]
        assert np.abs(heights - page.along.z_m).max() < 0.00051


def test_gpx_holds_what_is_to_be_found_on_the_ground(tmp_path):
    made = book()
    root = parsed(write_gpx(made, tmp_path / "p.gpx"))
    assert root.tag == f"{{{GPX}}}gpx"
    assert root.get("version") == "1.1"
    order = [child.tag.split("}")[1] for child in root]
    assert order == sorted(order, key=["metadata", "wpt", "rte", "trk"].index), "the schema asks for this order"
    names = [m.find(f"{{{GPX}}}name").text for m in root.findall(f"{{{GPX}}}wpt")]
    assert names == [
        *("B01-IN", "B01-X1", "B01-X2", "B01-OUT", "B02-IN", "B02-X1", "B02-X2", "B02-OUT"),
        *("PAD-1", "PAD-2", "PAD-3", "PAD-4", "HDR-1", "HDR-2"),
    ]
    assert [m.find(f"{{{GPX}}}ele") is None for m in root.findall(f"{{{GPX}}}wpt")] == [False] * 8 + [True] * 6
    read = pyogrio.read_dataframe(tmp_path / "p.gpx", layer="waypoints")
    assert list(read["name"]) == names
    assert read.geometry[0].x == pytest.approx(made.pages[0].rods[0].lon, abs=1e-8)


def test_names_survive_in_xml(tmp_path):
    made = book()
    wild = 'A & B < C > "D" \x0b\ud800\ufffe 100 % ]]>'
    crossing = replace(made.pages[0].crossings[0], label=wild)
    page = replace(made.pages[0], bore_id="B<1> & Co", crossings=(crossing,))
    made = replace(made, site=wild, pages=(page,))
    plain = 'A & B < C > "D" 100 % ]]>'
    gpx = parsed(write_gpx(made, tmp_path / "p.gpx"))
    assert gpx.find(f"{{{GPX}}}metadata/{{{GPX}}}name").text == f"{plain}, parcel 12-7, layout L-01"
    assert gpx.find(f"{{{GPX}}}trk/{{{GPX}}}name").text == "L-01 B<1> & Co"
    assert plain in next(m for m in gpx.iter(f"{{{GPX}}}desc") if "gas_line" in (m.text or "")).text
    kml = parsed(write_kml(made, tmp_path / "p.kml"))
    assert kml.find(f"{{{KML}}}Document/{{{KML}}}name").text == f"{plain}, parcel 12-7, layout L-01"
    assert kml.find(f".//{{{KML}}}Folder/{{{KML}}}name").text == "L-01 B<1> & Co"
    assert any(plain in (d.text or "") for d in kml.iter(f"{{{KML}}}description"))


@pytest.mark.parametrize("crs", ["EPSG:2249", "EPSG:32619", "EPSG:4326"])
def test_kml_opens_elsewhere_and_holds_every_path(tmp_path, crs):
    made = book(crs)
    path = write_kml(made, tmp_path / "p.kml")
    for page in made.pages:
        read = pyogrio.read_dataframe(path, layer=f"{page.layout_id} {page.bore_id}")
        line = read.geometry[read["Name"] == page.bore_id].iloc[0]
        xyz = shapely.get_coordinates(line, include_z=True)
        ends = [[r.lon, r.lat, r.z_m] for r in (page.rods[0], page.rods[-1])]
        assert len(xyz) == len(page.along.x)
        assert np.abs(xyz[[0, -1], :2] - np.array(ends)[:, :2]).max() < 2e-9
        assert np.abs(xyz[:, 2] - page.along.z_m).max() < 0.00051
        assert set(read["Name"]) >= {f"{page.bore_id.replace('-', '')}-{w}" for w in ("IN", "OUT", "R05", "X1")}
    root = parsed(path)
    about = root.find(f"{{{KML}}}Document/{{{KML}}}description").text
    assert all(line in about for line in (*CAUTIONS, *made.gate.lines))
    around = root.find(f".//{{{KML}}}Polygon//{{{KML}}}coordinates").text.split()
    assert len(around) == len(made.white_line)
    assert around[0] == around[-1]


# -- DXF ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("crs", "job", "unit_m", "lon", "lat"), JOBS)
def test_dxf_opens_and_every_vertex_comes_back(tmp_path, crs, job, unit_m, lon, lat):
    made = book(crs, lon=lon, lat=lat)
    read = pyogrio.read_dataframe(write_dxf(made, tmp_path / "p.dxf"))
    lines = read[read.geometry.geom_type == "LineString"]
    assert list(lines["Layer"]) == ["B01", "B02", "PAD", "HEADER", "WHITE_LINE"]
    to_earth = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    for page, line in zip(made.pages, lines.geometry, strict=False):
        xyz = shapely.get_coordinates(line, include_z=True)
        assert len(xyz) == len(page.along.x)
        places = to_earth.transform(page.along.x, page.along.y)
        wanted = np.array([job_xy(job, a, b) for a, b in zip(*places, strict=True)])
        assert np.abs(xyz[:, :2] - wanted).max() * unit_m < 0.001
        assert np.abs(xyz[:, 2] * unit_m - page.along.z_m).max() < 0.001
    for layer, corners in (("PAD", 5), ("HEADER", 3), ("WHITE_LINE", len(made.white_line))):
        line = lines.geometry[lines["Layer"] == layer].iloc[0]
        assert len(line.coords) == corners
        assert line.is_ring == (layer != "HEADER")
    outline = lines.geometry[lines["Layer"] == "WHITE_LINE"].iloc[0]
    assert shapely.Polygon(outline).area * unit_m**2 == pytest.approx(made.white_line_m2, rel=0.002)
    assert shapely.Polygon(outline).contains(shapely.force_2d(lines.geometry.iloc[1]))


def test_dxf_points_stand_on_their_layers_with_their_names(tmp_path):
    made = book()
    read = pyogrio.read_dataframe(write_dxf(made, tmp_path / "p.dxf"))
    rows_of = {row.point: row for row in read_points_csv(write_points_csv(made, tmp_path / "p.csv"))}
    texts = read[read["Text"].notna()]
    assert list(texts["Text"]) == list(rows_of)
    points = read[(read.geometry.geom_type == "Point") & read["Text"].isna()]
    for name, layer, mark, point in zip(texts["Text"], texts["Layer"], texts.geometry, points.geometry, strict=True):
        row = rows_of[name]
        assert (mark.x, mark.y) == (point.x, point.y)
        assert abs(point.x - row.east) + abs(point.y - row.north) + abs(point.z - (row.elevation or 0.0)) < 1e-3
        assert layer == ("CROSSINGS" if "-X" in name else {"PAD": "PAD", "HDR": "HEADER"}.get(name[:3], name[:3]))


def test_dxf_is_plain_r12(tmp_path):
    lines = write_dxf(book(), tmp_path / "p.dxf").read_bytes().decode("ascii").splitlines()
    pairs = list(zip([int(c) for c in lines[::2]], lines[1::2], strict=True))
    assert pairs[:4] == [(0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009")]
    assert pairs[-2:] == [(0, "ENDSEC"), (0, "EOF")]
    tables = pairs.index((2, "TABLES")), pairs.index((2, "ENTITIES"))
    layers = {
        v
        for (a, b), (c, v) in zip(pairs[tables[0] :], pairs[tables[0] + 1 : tables[1]], strict=False)
        if (a, b) == (0, "LAYER") and c == 2
    }
    assert {v for c, v in pairs[tables[1] :] if c == 8} <= layers
    flags = [pairs[i + 6][1] for i, pair in enumerate(pairs) if pair == (0, "POLYLINE")]
    assert flags == ["8", "8", "1", "0", "1"], "bores in three dimensions, pad and white line closed"
    assert pairs.count((70, "32")) == sum(len(page.along.x) for page in book().pages)
    assert {v for c, v in pairs[tables[1] :] if c == 0} <= {
        *("POLYLINE", "VERTEX", "SEQEND", "POINT", "TEXT", "ENDSEC", "EOF"),
    }


# -- white line --------------------------------------------------------------------------------------------------


class Place:
    """A frame with its way to longitude and latitude and back, by pyproj."""

    def __init__(self, lon: float = LON, lat: float = LAT) -> None:
        self.frame = Frame.centred(lon, lat, CRS("EPSG:4326").to_wkt())
        self.to_wgs84 = self.frame.to_lonlat

    def area(self, ring):
        back = Transformer.from_crs("EPSG:4326", self.frame.crs, always_xy=True).transform(ring[:, 0], ring[:, 1])
        return shapely.Polygon(np.column_stack(back))


def fan(count: int, *, reach: float = 80.0, wide: float = 120.0) -> list[np.ndarray]:
    turns = np.radians(np.linspace(0, wide, count))
    return [np.array([[0.0, 0.0], [reach * math.sin(t), reach * math.cos(t)]]) for t in turns]


BENT = np.column_stack([60 * np.sin(np.linspace(0, 1, 50)), 60 * (1 - np.cos(np.linspace(0, 1, 50)))])
LOOP = np.column_stack([30 * np.cos(np.linspace(0, 2 * np.pi, 90)), 30 * np.sin(np.linspace(0, 2 * np.pi, 90))])[:-1]
CASES = {
    "one bore": [np.array([[0.0, 0.0], [40.0, 55.0]])],
    "fan with pad and header": [*fan(5), PAD_XY, HEADER_XY],
    "twenty bores": [*fan(20), PAD_XY],
    "parallel": [np.array([[6.0 * i, 0.0], [6.0 * i, 90.0]]) for i in range(9)],
    "parallel, far apart": [np.array([[20.0 * i, 0.0], [20.0 * i + 3, 90.0]]) for i in range(15)],
    "bent": [BENT, BENT + np.array([0.0, 4.0]), PAD_XY],
    "round a hole": [LOOP],
    "parts": [PAD_XY, PAD_XY + np.array([60.0, 10.0]), np.array([[0.0, 70.0], [30.0, 90.0]])],
    "a point": [np.array([[5.0, 5.0]])],
}


@pytest.mark.parametrize("half_width_m", [1.5, 3.0])
@pytest.mark.parametrize("place", [(LON, LAT), (147.0, -37.0), (25.0, 70.0), (0.0, 0.0)])
@pytest.mark.parametrize("case", list(CASES))
def test_white_line_holds_everything_that_is_dug(case, place, half_width_m):
    """Wanted is found with finer circles than the ones of the code, and area by geodesics."""
    here = Place(*place)
    ring, area_m2 = white_line_ring(CASES[case], to_wgs84=here.to_wgs84, half_width_m=half_width_m)
    outline = here.area(ring)
    assert (ring[0] == ring[-1]).all()
    assert outline.is_valid
    assert outline.exterior.is_ccw
    assert len(ring) <= 60
    shapes = [
        shapely.Polygon(x)
        if (x[0] == x[-1]).all() and len(x) > 3
        else shapely.MultiPoint(x).union(shapely.LineString(x) if len(x) > 1 else shapely.Point(x[0]))
        for x in CASES[case]
    ]
    dug = shapely.union_all([s.buffer(half_width_m, quad_segs=200) for s in shapes])
    assert outline.contains(dug)
    geodesic, _ = Geod(ellps="WGS84").polygon_area_perimeter(ring[:, 0], ring[:, 1])
    assert area_m2 == pytest.approx(geodesic, rel=0.01), "anticlockwise areas are positive"
    if case in {"one bore", "bent", "a point"}:
        assert area_m2 < dug.area + outline.length * 0.75, "no wider than twice the tolerance"
    assert area_m2 < shapely.convex_hull(dug).buffer(0.75).area, "never worse than a hull"


@pytest.mark.parametrize("case", list(CASES))
def test_corners_with_six_decimals_still_hold_it(case):
    here = Place()
    ring, _ = white_line_ring(CASES[case], to_wgs84=here.to_wgs84)
    shapes = [
        shapely.Polygon(x) if (x[0] == x[-1]).all() and len(x) > 3 else shapely.MultiPoint(x) for x in CASES[case]
    ]
    dug = shapely.union_all([s.buffer(3.0, quad_segs=64) for s in shapes])
    degrees, sexagesimal = [], []
    for line in lat_lon_list(ring):
        cells = line.split()
        degrees.append([float(cells[2]), float(cells[1])])
        pair = []
        for text, minus in ((cells[4], "W"), (cells[3], "S")):
            d, m, s, letter = re.fullmatch(r"(\d+)°(\d\d)'(\d\d\.\d{3})\"([NSEW])", text).groups()
            pair.append((-1 if letter == minus else 1) * (int(d) + int(m) / 60 + float(s) / 3600))
        sexagesimal.append(pair)
    assert len(degrees) == len(ring) - 1
    assert np.abs(np.array(degrees) - ring[:-1]).max() <= 0.51e-6
    assert np.abs(np.array(sexagesimal) - ring[:-1]).max() <= 0.51e-3 / 3600
    assert here.area(np.array(degrees)).contains(dug)
    assert here.area(np.array(sexagesimal)).contains(dug)


def test_seconds_never_read_sixty():
    lines = lat_lon_list(
        np.array([[-71.99999999, 41.99999999], [0.0, -1e-9], [-0.5, -0.5125], [-71.99999999, 41.99999999]])
    )
    assert lines[0].split()[3:] == ["42°00'00.000\"N", "72°00'00.000\"W"]
    assert lines[1].split()[1:3] == ["0.000000", "0.000000"]
    assert lines[2].split()[3:] == ["0°30'45.000\"S", "0°30'00.000\"W"]


def test_parts_that_do_not_touch_are_joined_by_a_corridor():
    here = Place()
    parts = CASES["parts"]
    ring, area_m2 = white_line_ring(parts, to_wgs84=here.to_wgs84)
    outline = here.area(ring)
    dug = shapely.union_all([shapely.MultiPoint(p).convex_hull.buffer(3.0) for p in parts])
    assert len(dug.geoms) == 3
    assert area_m2 > dug.area + 2 * 40 * 5, "two corridors of about 50 m, 6 m wide"
    assert area_m2 < 0.5 * dug.convex_hull.area
    link = shapely.shortest_line(*[shapely.MultiPoint(p).convex_hull for p in parts[:2]])
    assert outline.contains(link.buffer(2.9)), "one can walk from part to part inside it"


def test_a_hole_is_filled():
    ring, area_m2 = white_line_ring(CASES["round a hole"], to_wgs84=Place().to_wgs84)
    assert area_m2 > math.pi * 33**2
    assert Place().area(ring).contains(shapely.Point(0, 0))


def test_tolerance_is_how_coarse_it_may_be():
    fine, small = white_line_ring([BENT], to_wgs84=Place().to_wgs84, tolerance_m=0.05)
    coarse, large = white_line_ring([BENT], to_wgs84=Place().to_wgs84, tolerance_m=1.0)
    assert len(coarse) < len(fine)
    assert large > small


@pytest.mark.parametrize("lon", [180.0, -180.0, 179.9999, -179.9999])
def test_outline_across_180_degrees_is_refused(lon):
    with pytest.raises(InputError, match="180 degrees"):
        white_line_ring(CASES["fan with pad and header"], to_wgs84=Place(lon, -17.0).to_wgs84)


@pytest.mark.parametrize("lon", [179.99, -179.99])
def test_outline_beside_180_degrees_is_right(lon):
    here = Place(lon, -17.0)
    ring, area_m2 = white_line_ring(CASES["fan with pad and header"], to_wgs84=here.to_wgs84)
    assert np.abs(ring[:, 0] - lon).max() < 0.002
    assert here.area(ring).area == pytest.approx(area_m2, rel=1e-6)


def test_a_tolerance_beyond_all_measure_gives_a_box():
    ring, _ = white_line_ring(CASES["one bore"], to_wgs84=Place().to_wgs84, tolerance_m=500.0)
    assert len(ring) == 5
    assert Place().area(ring).contains(shapely.LineString(CASES["one bore"][0]).buffer(3.0))


def test_white_line_of_nothing_is_refused():
    for shapes in ([], [np.empty((0, 2))]):
        with pytest.raises(InputError, match="nothing"):
            white_line_ring(shapes, to_wgs84=Place().to_wgs84)
    for figures in ({"half_width_m": 0.0}, {"tolerance_m": -1.0}, {"half_width_m": math.nan}):
        with pytest.raises(InputError, match="positive"):
            white_line_ring(CASES["bent"], to_wgs84=Place().to_wgs84, **figures)
    with pytest.raises(InputError, match="axes"):
        white_line_ring(CASES["bent"], to_wgs84=lambda xy: xy + 1e6)


@pytest.mark.parametrize(("crs", "lon", "lat"), [(crs, lon, lat) for crs, _, _, lon, lat in JOBS])
@pytest.mark.parametrize("turned", [False, True])
def test_white_line_file_is_geojson(tmp_path, crs, lon, lat, turned):
    made = book(crs, lon=lon, lat=lat)
    if turned:
        made = replace(made, white_line=made.white_line[::-1])
    path = write_white_line(made, tmp_path / "w.geojson")
    told = json.loads(path.read_text(encoding="utf-8"))
    assert "crs" not in told
    (feature,) = told["features"]
    (ring,) = feature["geometry"]["coordinates"]
    assert ring[0] == ring[-1]
    assert shapely.LinearRing(ring).is_ccw
    assert np.abs(np.array(ring) - [lon, lat]).max() < 0.003, "longitude first"
    read = pyogrio.read_dataframe(path)
    assert read.crs.to_epsg() == 4326
    area = abs(Geod(ellps="WGS84").geometry_area_perimeter(read.geometry.iloc[0])[0])
    said = feature["properties"]
    assert said["area_m2"] == pytest.approx(area, rel=0.01)
    assert said["area_ft2"] * FT**2 == pytest.approx(area, rel=0.01)
    assert said["area_acres"] * 4046.8564224 == pytest.approx(area, rel=0.01)
    assert said["centre_latitude"] == pytest.approx(lat, abs=0.001)
    assert said["centre_longitude"] == pytest.approx(lon, abs=0.001)
    frame = Place(lon, lat).area(np.array(ring)).bounds
    assert said["east_west_m"] == pytest.approx(frame[2] - frame[0], abs=0.2)
    assert said["north_south_m"] == pytest.approx(frame[3] - frame[1], abs=0.2)
    assert said["north_south_ft"] * FT == pytest.approx(said["north_south_m"], abs=0.1)
    assert len(said["corners"]) == len(ring) - 1
    assert "must answer" in said["notice"]
    assert said["all_answered"] is False
    assert said["ticket"] == list(made.gate.lines)


def test_white_line_form_lists_corners_and_who_is_missing(tmp_path):
    made = book()
    text = write_white_line_text(made, tmp_path / "w.txt").read_text(encoding="utf-8")
    assert all(line in text for line in (*lat_lon_list(made.white_line), *made.gate.lines))
    assert f"{made.white_line_m2:.1f} m2" in text


def test_a_white_line_that_crosses_itself_or_the_date_line_is_refused(tmp_path):
    bow = np.array([[0.0, 0.0], [0.001, 0.001], [0.001, 0.0], [0.0, 0.001], [0.0, 0.0]])
    with pytest.raises(InputError, match="no simple outline"):
        write_white_line(replace(book(), white_line=bow), tmp_path / "w.geojson")
    with pytest.raises(InputError, match="no simple outline"):
        write_white_line(replace(book(), white_line=bow[:2]), tmp_path / "w.geojson")
    across = np.array([[179.999, 0.0], [-179.999, 0.0], [-179.999, 0.001], [179.999, 0.0]])
    with pytest.raises(InputError, match="180 degrees"):
        write_white_line(replace(book(), white_line=across), tmp_path / "w.geojson")
    with pytest.raises(InputError, match="axes"):
        write_white_line(replace(book(), white_line=bow * 1e6), tmp_path / "w.geojson")
    assert not list(tmp_path.iterdir())


# -- README, and all of it ---------------------------------------------------------------------------------------


def test_readme_tells_units_heights_and_cautions(tmp_path):
    text = write_readme(book(), tmp_path / "R.txt").read_text(encoding="utf-8")
    assert "NAD83 / Massachusetts Mainland (ftUS) (EPSG:2249), the one that the lot came in" in text
    assert "US survey foot = 0.3048006096012 m" in text
    assert "as the elevation raster" in text
    assert TABLET in text
    assert all(line in text for line in (*CAUTIONS, *book().gate.lines, *FILES))
    assert "DO NOT DRILL YET" in text
    done = write_readme(book(all_in=True), tmp_path / "R.txt").read_text(encoding="utf-8")
    assert "DO NOT DRILL" not in done


def test_readme_says_when_the_job_is_in_another_system(tmp_path):
    text = write_readme(book("EPSG:4269"), tmp_path / "R.txt").read_text(encoding="utf-8")
    assert "NAD83 / UTM zone 19N (EPSG:26919), made for the place, since NAD83 is no plane to measure in" in text
    assert "Job unit: metre = 1 m" in text
    assert "international foot" not in text
    assert "x and y in rods.csv: NAD83, degree" in text
    own = write_readme(book("EPSG:32619"), tmp_path / "R.txt").read_text(encoding="utf-8")
    assert "The lot's datum is WGS84 itself." in own
    assert "The lot's datum is WGS84 itself." not in text
    assert "good to 4 m" in text, "what PROJ says of NAD83 to WGS84 without grids"


@pytest.mark.parametrize("crs", ["EPSG:2249", "EPSG:4326"])
def test_all_files_twice_the_same(tmp_path, crs):
    one, two = (write_stakeout(book(crs), tmp_path / name / "deep") for name in ("one", "two"))
    assert [p.name for p in one] == list(FILES)
    assert sorted(p.name for p in (tmp_path / "one" / "deep").iterdir()) == sorted(FILES)
    for a, b in zip(one, two, strict=True):
        assert a.read_bytes() == b.read_bytes()
        assert b"\r" not in a.read_bytes()
        assert a.read_bytes().endswith(b"\n")
        assert str(tmp_path) not in a.read_text(encoding="utf-8")


def test_both_orders_of_points_tell_the_same(tmp_path):
    write_stakeout(book(), tmp_path)
    assert read_points_csv(tmp_path / "points_pnezd.csv") == read_points_csv(tmp_path / "points_penzd.csv", "PENZD")
