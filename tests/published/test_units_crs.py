"""Units and coordinate systems against printed values.

Sources: NIST SP 811 (feet, Btu, pound-force); facts/gis section 3.1 (values run with pyproj, independent of this code, S);
facts/geometry for curvature of a transverse Mercator. "M" marks what is from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import CRS, Geod, Proj, Transformer

from loopgis.core.errors import InputError
from loopgis.core.frame import Frame
from loopgis.core.units import FT_M, US_FT_M, length_text, parse

PLACE = (-73.98, 40.75)


# -- units ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("1 ft", "length", 0.3048),  # NIST SP 811, exact
        ("1 in", "length", 0.0254),  # NIST SP 811, exact
        ("1 yd", "length", 0.9144),  # NIST SP 811, exact
        ("1 mi", "length", 1609.344),  # NIST SP 811, exact
        ("1 survey_foot", "length", 0.3048006096012192),  # facts/gis 3.1: 1200/3937 m
        ("1 lbf", "force", 4.4482216152605),  # NIST SP 811, exact
        ("1 kBtu/h", "power", 293.0710702),  # NIST SP 811: 1 Btu_IT/h = 0.293 071 070 2 W (printed 2.930 711 E-01)
        ("1 refrigeration_ton", "power", 3516.852842),  # NIST SP 811: 12 000 Btu_IT/h = 3.516 853 E+03 W
        ("1 Btu/(h ft delta_degF)", "conductivity", 1.730734666),  # NIST SP 811: 1.730 735 E+00 W/(m K)
        ("1 ft^2/h", "diffusivity", 2.58064e-5),  # NIST SP 811, exact
        ("32 degF", "temperature", 0.0),  # definition
        ("212 degF", "temperature", 100.0),  # definition
        ("273.15 K", "temperature", 0.0),  # definition
        ("9 delta_degF", "temperature_difference", 5.0),  # definition
        ("3.6 MJ", "energy", 1.0),  # definition
        ("3412.141633 Btu", "energy", 1.0),  # NIST SP 811: Btu_IT = 1055.055 852 62 J
        ("45 deg", "pitch", 100.0),  # definition: rise over run
        ("20 deg", "pitch", 36.397023),  # tangent table
        ("8 deg", "pitch", 14.054083),  # tangent table
        ("35 %", "pitch", 35.0),  # definition
    ],
)
def test_printed_conversions(text: str, dimension: str, value: float) -> None:
    assert parse(text, dimension, where="x") == pytest.approx(value, rel=2e-6, abs=1e-9)


def test_feet_are_two() -> None:
    assert FT_M == 0.3048
    assert pytest.approx(0.3048006096012192, abs=1e-16) == US_FT_M  # facts/gis 3.1
    assert pytest.approx(2.0e-6, rel=0.01) == (US_FT_M / FT_M - 1)  # facts/gis 3.1: 2.0 ppm
    assert pytest.approx(0.61, abs=0.005) == 1_000_000 * (US_FT_M - FT_M)  # facts/gis 3.1: 0.61 m at 1 000 000 ft
    assert pytest.approx(0.18e-3, abs=0.005e-3) == 300 * (US_FT_M - FT_M)  # facts/gis 3.1: 0.18 mm at 300 ft


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("15", "length"),
        (15, "length"),
        (None, "length"),
        (True, "length"),
        (["15 ft"], "length"),
        ("", "length"),
        ("ft", "length"),
        ("15 kW", "length"),
        ("15 ft 6 in", "length"),
        ("1,000 ft", "length"),
        ("15,5 m", "length"),
        ("nan ft", "length"),
        ("inf ft", "length"),
        ("1e999 ft", "length"),
        ("15 5 ft", "length"),
        ("15 ft; 3", "length"),
        ("1 ft ** 9999999", "length"),
        ("1 __import__('os')", "length"),
        ("52 F", "temperature"),
        ("5 delta_degF", "temperature"),
        ("20 degF", "temperature_difference"),
        ("20000 lb", "force"),
        ("0.35", "pitch"),
        ("0.35 ft/ft", "pitch"),
        ("1 dimensionless", "pitch"),
        ("95 deg", "pitch"),
        ("35 %", "length"),
        ("3 ton", "power"),
    ],
)
def test_texts_that_are_refused(text: object, dimension: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text, dimension, where="site.toml [bore] depth")
    assert caught.value.where == "site.toml [bore] depth"
    assert 'e.g. "' in caught.value.remedy
    assert "\n" not in str(caught.value)


def test_lengths_for_people_round_as_printed() -> None:
    assert length_text(30.48, "us") == "100.0 ft"
    assert length_text(30.48, "us", 0) == "100 ft"
    assert length_text(30.48, "metric", 2) == "30.48 m"


# -- coordinate systems --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crs", "x", "y", "unit_m"),
    [("EPSG:2263", 989_791.457, 212_522.519, US_FT_M), ("EPSG:32618", 586_107.553, 4_511_505.636, 1.0)],
)
def test_projected_place(crs: str, x: float, y: float, unit_m: float) -> None:
    """facts/gis 3.1: lon -73.98 lat 40.75 in two systems; the frame carries both to the same point, its own centre."""
    frame = Frame.centred(*PLACE, CRS.from_epsg(4269).to_wkt())
    found = np.array(frame.transformer_from(CRS.from_user_input(crs).to_wkt()).transform(x, y))
    assert np.abs(found).max() <= 0.0006 * max(unit_m, 1.0)
    assert CRS.from_user_input(crs).axis_info[0].unit_conversion_factor == pytest.approx(unit_m, abs=1e-15)


def test_point_scale_and_convergence() -> None:
    """facts/gis 3.1: 2263 k 0.99999642, convergence 0.0131; 32618 k 0.99969126, convergence 0.6659. The frame: 1 and 0."""
    for crs, scale, convergence in (("EPSG:2263", 0.99999642, 0.0131), ("EPSG:32618", 0.99969126, 0.6659)):
        factors = Proj(crs).get_factors(*PLACE)
        assert factors.meridional_scale == pytest.approx(scale, abs=6e-9)
        assert factors.meridian_convergence == pytest.approx(convergence, abs=6e-5)
        frame = Frame.centred(*PLACE, CRS.from_user_input(crs).to_wkt())
        own = Proj(frame.crs).get_factors(*PLACE)
        assert own.meridional_scale == pytest.approx(1.0, abs=1e-10)
        assert own.meridian_convergence == pytest.approx(0.0, abs=1e-6)
        # a step of 100 m to grid north, seen in the frame, shows the same scale and convergence
        there = frame.transformer_from(CRS.from_user_input(crs).to_wkt())
        unit = CRS.from_user_input(crs).axis_info[0].unit_conversion_factor
        x, y = Transformer.from_crs("EPSG:4269", crs, always_xy=True).transform(*PLACE)
        a, b = np.array(there.transform(x, y)), np.array(there.transform(x, y + 100 / unit))
        step = b - a
        assert 100 / np.hypot(*step) == pytest.approx(scale, abs=2e-8)
        assert math.degrees(math.atan2(step[0], step[1])) == pytest.approx(convergence, abs=2e-4)


def test_box_of_the_facts() -> None:
    """facts/gis 3.1: box -73.9805,40.7500 .. -73.9795,40.7507 has a geodesic area of 6564.8097 m2 and 324.3724 m around."""
    from shapely import Polygon

    lonlat = np.array([(-73.9805, 40.75), (-73.9795, 40.75), (-73.9795, 40.7507), (-73.9805, 40.7507)])
    area, around = Geod(ellps="WGS84").polygon_area_perimeter(*lonlat.T)
    assert area == pytest.approx(6564.8097, abs=6e-5)
    assert around == pytest.approx(324.3724, abs=6e-5)
    wkt = CRS.from_epsg(4326).to_wkt()
    frame = Frame.centred(-73.98, 40.75035, wkt)
    box = Polygon(np.column_stack(frame.transformer_from(wkt).transform(*lonlat.T)))
    assert box.area == pytest.approx(6564.8097, rel=1e-8)
    assert box.length == pytest.approx(324.3724, rel=1e-6)


def test_frame_at_a_kilometre() -> None:
    """facts/gis 3.1: 1 km off centre the scale is 1.0000000076..88 and the convergence 0.007 degrees.

    Due east the closed forms 1 + x^2 / 2R^2 = 1.0000000123 and x tan(lat) / R = 0.0077 degrees (D) are the largest values.
    """
    frame = Frame.centred(*PLACE, CRS.from_epsg(4269).to_wkt())
    lon, lat = frame.to_lonlat(np.array([[1000.0, 0.0]]))[0]
    factors = Proj(frame.crs).get_factors(lon, lat)
    assert factors.meridional_scale - 1 == pytest.approx(1000**2 / 2 / 6.371e6**2, rel=0.01)
    assert abs(factors.meridian_convergence) == pytest.approx(0.0077, abs=0.0001)


def test_there_and_back() -> None:
    """Writing undoes reading, in every system, to a tenth of a micrometre."""
    xy = np.array([[0.0, 0.0], [103.7, -88.2], [-400.0, 250.0]])
    for crs in ("EPSG:2263", "EPSG:26918", "EPSG:4269", "EPSG:3857", "EPSG:3006", "EPSG:31467"):
        lon, lat = {"EPSG:3006": (18.0, 59.3), "EPSG:31467": (9.2, 48.8)}.get(crs, PLACE)
        frame = Frame.centred(lon, lat, CRS.from_user_input(crs).to_wkt())
        back = frame.to_parcel_crs(xy)
        again = np.column_stack(frame.transformer_from(CRS.from_user_input(crs).to_wkt()).transform(*back.T))
        assert np.abs(again - xy).max() < 1e-7


def test_vertical_feet() -> None:
    """facts/gis 3.1: EPSG:6360 / 8228 / 5703 are NAVD88 in US survey feet, feet and metres."""
    for code, unit_m in ((6360, US_FT_M), (8228, FT_M), (5703, 1.0)):
        assert CRS.from_epsg(code).axis_info[0].unit_conversion_factor == pytest.approx(unit_m, abs=1e-15)
    assert pytest.approx(100.0, abs=1e-6) == 328.0833333 * US_FT_M  # facts/gis 3.1: 328.0833333 ftUS = 100.000 m
