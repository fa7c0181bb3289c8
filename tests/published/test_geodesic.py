"""Distances and areas in the local frame against the geodesic.

Sources: facts/geometry (geographiclib 2.1 and pyproj.Geod agree to all digits) and facts/gis section 3.1 (run with pyproj).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from loopgis.core.frame import Frame
from loopgis.core.units import US_FT_M


def frame_at(lon: float, lat: float) -> Frame:
    return Frame.centred(lon, lat, CRS.from_epsg(4326).to_wkt())


def to_frame(frame: Frame, lonlat: list[tuple[float, float]]) -> np.ndarray:
    x, y = frame.transformer_from(CRS.from_epsg(4326).to_wkt()).transform(*np.array(lonlat).T)
    return np.column_stack([x, y])


def test_geodesic_of_facts_geometry():
    inverse = Geod(ellps="WGS84").inv(-71.13, 42.37, -71.128, 42.371)
    assert inverse[2] == pytest.approx(198.688451592845, abs=1e-9)
    assert inverse[0] == pytest.approx(56.007913417738, abs=1e-9)
    a, b = to_frame(frame_at(-71.13, 42.37), [(-71.13, 42.37), (-71.128, 42.371)])
    assert math.dist(a, b) == pytest.approx(198.688451592845, abs=1e-5)
    azimuth = math.degrees(math.atan2(b[0] - a[0], b[1] - a[1]))
    assert azimuth == pytest.approx(56.007913417738, abs=0.01)


def test_box_area_of_facts_gis():
    box = [(-73.9805, 40.75), (-73.9795, 40.75), (-73.9795, 40.7507), (-73.9805, 40.7507)]
    polygon = shapely.Polygon(to_frame(frame_at(-73.98, 40.75035), box))
    assert polygon.area == pytest.approx(6564.8097, abs=0.001)
    assert polygon.length == pytest.approx(324.3724, abs=0.001)


def test_us_survey_foot_nist():
    assert pytest.approx(0.3048006096012192, abs=1e-16) == US_FT_M


def test_there_and_back_is_the_identity():
    frame = Frame.centred(-73.98, 40.75, CRS.from_epsg(2263).to_wkt())
    xy = np.array([[0.0, 0.0], [120.0, -80.0], [-300.0, 250.0]])
    back = frame.transformer_from(frame.parcel_wkt).transform(*frame.to_parcel_crs(xy).T)
    assert np.column_stack(back) == pytest.approx(xy, abs=1e-6)
