"""Exact pads and curves of a file whose frame was centred elsewhere on the same lot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import CRS, Transformer

from loopgis.bore.plan import PlanCurve
from loopgis.core.frame import Frame
from loopgis.site.drawn import _in_frame

WKT = CRS.from_epsg(26916).to_wkt()
OLD, NEW = Frame.centred(-90.0, 45.0, WKT), Frame.centred(-90.0011, 45.0007, WKT)
START, PIECES = [12.0, -7.5, 0.83], ((20.0, 0.0), (15.0, 1 / 40.0), (30.0, 0.0))
EXACT = {
    ("L-01", ""): {"pad": {"centre": [10.0, -9.0], "axis_deg": 31.0, "size_m": [6.0, 12.0], "given": True}},
    ("L-01", "B-01"): {"start": START, "pieces": PIECES, "target_depth_m": 4.5, "shape": "curve"},
}


def points(figures):
    curve = PlanCurve(*figures["start"], tuple(map(tuple, figures["pieces"])))
    x, y, _, _ = curve.at(np.linspace(0.0, 65.0, 14))
    return np.column_stack([x, y])


def test_a_curve_lies_where_it_lay():
    moved = _in_frame(EXACT, OLD.crs.to_wkt(), NEW)
    way = Transformer.from_crs(OLD.crs, NEW.crs, always_xy=True)
    old = points(EXACT["L-01", "B-01"])
    asked = np.column_stack(way.transform(old[:, 0], old[:, 1]))
    assert np.abs(asked - points(moved["L-01", "B-01"])).max() < 1e-5
    assert np.abs(asked - old).max() > 50  # the frames do differ
    pad = moved["L-01", ""]["pad"]
    assert pad["centre"] == pytest.approx(list(way.transform(10.0, -9.0)), abs=1e-9)
    along = np.array(way.transform(10 + math.sin(math.radians(31)), -9 + math.cos(math.radians(31)))) - pad["centre"]
    assert pad["axis_deg"] == pytest.approx(math.degrees(math.atan2(along[0], along[1])), abs=1e-6)


def test_there_and_back_is_where_it_was_and_the_same_frame_changes_nothing():
    back = _in_frame(_in_frame(EXACT, OLD.crs.to_wkt(), NEW), NEW.crs.to_wkt(), OLD)
    assert np.abs(points(back["L-01", "B-01"]) - points(EXACT["L-01", "B-01"])).max() < 1e-7
    assert _in_frame(EXACT, OLD.crs.to_wkt(), OLD) is EXACT
    assert _in_frame(EXACT, "", NEW) is EXACT
