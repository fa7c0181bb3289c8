"""A zoo of made-up lots as Site values, for property tests: no files, everything in the frame.

Shapes: rectangle, L, flag, trapezoid, lot with a hole, sliver, pentagon; flat, sloped or bumpy ground; a house, and any of well,
septic field, pond, gas line, irrigation, drive, tree; turned by any angle.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from hypothesis import strategies as st
from pyproj import CRS
from shapely import affinity
from shapely.geometry.polygon import orient

from loopgis.core.frame import Frame
from loopgis.site.model import (
    FLAT,
    BoreSpec,
    DemandSpec,
    Feature,
    GroundSpec,
    PadSpec,
    PipeSpec,
    RigSpec,
    Site,
    SiteSpec,
    Terrain,
)

FRAME = Frame.centred(-90.0, 45.0, CRS.from_epsg(26916).to_wkt())
RIG = RigSpec(
    name="small",
    rod_length_m=3.048,
    bend_radius_m=30.48,
    entry_pitch_pct=(15.0, 35.0),
    exit_pitch_pct=(10.0, 35.0),
    max_length_m=121.92,
    max_depth_m=9.144,
    pullback_n=89_000.0,
)


def spec(**changes) -> SiteSpec:
    """Site file values with the defaults of the house, changed where named."""
    bore = {
        "depth_m": (4.572,),
        "depth_given": True,
        "spacing_m": 4.572,
        "bores": None,
        "length_m": None,
        "hole_diameter_m": 0.127,
    }
    pad = {"at": None, "size_m": (6.096, 12.192), "axis_deg": None, "entry": None}
    bore |= {k: v for k, v in changes.items() if k in bore}
    pad |= {k: v for k, v in changes.items() if k in pad}
    rest = {k: v for k, v in changes.items() if k not in bore and k not in pad}
    values = {
        "path": "zoo.toml",
        "name": "Zoo lot",
        "units": "metric",
        "rules": ("house",),
        "pad": PadSpec(**pad),
        "demand": None,
        "ground": GroundSpec(
            soil="", k_w_mk=1.6, diffusivity_m2_s=7e-7, mean_c=11.0, amplitude_k=9.0, coldest_day=35.0
        ),
        "rig": RIG,
        "bore": BoreSpec(**bore),
        "pipe": PipeSpec(size="1 in", dr=11.0, fluid="water"),
        "patterns": ("fan", "parallel"),
        "keep": "",
    }
    return SiteSpec(**{**values, **rest})


def demand(kilowatt: float, **more) -> DemandSpec:
    """A house that heats more than it cools, over ten years, changed where named."""
    values = {
        "heating_peak_w": kilowatt * 1000,
        "cooling_peak_w": kilowatt * 600,
        "heating_hours": 1900.0,
        "cooling_hours": 600.0,
        "heating_kwh": (),
        "cooling_kwh": (),
        "hourly": "",
        "ewt_min_c": -2.5,
        "ewt_max_c": 32.0,
        "years": 10.0,
    }
    return DemandSpec(**{**values, **more})


def plane(
    slope_x: float, slope_y: float, *, bump_m: float = 0.0, cell_m: float = 2.0, half_m: float = 200.0
) -> Terrain:
    """Terrain of a tilted plane with bumps; rows go south, as rasters do."""
    n = int(2 * half_m / cell_m) + 1
    x = -half_m + np.arange(n) * cell_m
    xx, yy = np.meshgrid(x, -x)
    z = 100 + slope_x * xx + slope_y * yy + bump_m * np.sin(xx / 9) * np.cos(yy / 13)
    col = (half_m / cell_m, 1000 / cell_m, 0.0, 0.0, 0.0, 0.0)
    row = (half_m / cell_m, 0.0, -1000 / cell_m, 0.0, 0.0, 0.0)
    affine = (cell_m, 0.0, -half_m - cell_m / 2, 0.0, -cell_m, half_m + cell_m / 2)
    return Terrain(z, col, row, cell_m, crs_wkt=FRAME.crs.to_wkt(), affine=affine)


def site(parcel, *, features=(), terrain=FLAT, **changes) -> Site:
    """Site round a lot polygon in the frame."""
    buildings = tuple(f for f in features if f.kind == "building")
    rest = tuple(f for f in features if f.kind != "building")
    return Site(
        spec=spec(**changes),
        frame=FRAME,
        parcel=orient(parcel),
        parcel_id="1",
        buildings=buildings,
        features=rest,
        terrain=terrain,
        given_kinds=frozenset(f.kind for f in features),
        sources=(),
        findings=(),
    )


SHAPES = {
    "rectangle": lambda w, h: shapely.box(0, 0, w, h),
    "ell": lambda w, h: shapely.box(0, 0, w, h).difference(shapely.box(w * 0.55, h * 0.5, w, h)),
    "flag": lambda w, h: shapely.box(0, 0, w, h * 0.7).union(shapely.box(w * 0.4, h * 0.6, w * 0.4 + 9, h * 1.3)),
    "trapezoid": lambda w, h: shapely.Polygon([(0, 0), (w, 0), (w * 0.8, h), (w * 0.1, h * 0.9)]),
    "hole": lambda w, h: shapely.box(0, 0, w, h).difference(shapely.box(w * 0.45, h * 0.45, w * 0.55, h * 0.55)),
    "sliver": lambda w, h: shapely.box(0, 0, max(w, h) * 1.3, 14),
    "pentagon": lambda w, h: shapely.Polygon(
        [(0, 0), (w, h * 0.1), (w * 1.1, h * 0.6), (w * 0.5, h), (-w * 0.1, h * 0.5)]
    ),
}


@st.composite
def lots(draw) -> Site:
    """Any lot of the zoo."""
    w, h = draw(st.floats(28, 130)), draw(st.floats(28, 130))
    shape = SHAPES[draw(st.sampled_from(sorted(SHAPES)))](w, h)
    turn = draw(st.floats(0, 360))
    centre = shape.centroid

    def place(geometry):
        moved = affinity.translate(geometry, -centre.x, -centre.y)
        return affinity.rotate(moved, turn, origin=(0, 0))

    def spot():
        return shapely.Point(draw(st.floats(0.05, 0.95)) * w, draw(st.floats(0.05, 0.95)) * h)

    features = []
    house = affinity.translate(shapely.box(-7, -5, 7, 5), spot().x, spot().y)
    foundation = draw(st.sampled_from(["slab", "footing", "basement", ""]))
    features.append(
        Feature(feature_id="house", kind="building", geometry=place(house), attributes=(("foundation", foundation),))
    )
    chosen = draw(st.sets(st.sampled_from(["well", "field", "pond", "gas", "irrigation", "drive", "tree"]), max_size=4))
    for name in sorted(chosen):
        features += _thing(draw, name, place, spot, w, h)
    slope = draw(st.floats(0, 0.15))
    way = draw(st.floats(0, 6.28))
    bump = draw(st.sampled_from([0.0, 0.0, 0.3, 0.8]))
    terrain = draw(st.sampled_from(["flat", "plane"]))
    ground = FLAT if terrain == "flat" else plane(slope * math.cos(way), slope * math.sin(way), bump_m=bump)
    bores = draw(st.sampled_from([None, 2, 4]))
    depth = draw(st.sampled_from([(4.572,), (3.0,), (2.4384, 4.572)]))
    pattern = draw(st.sampled_from([("fan",), ("parallel",)]))
    return site(place(shape), features=tuple(features), terrain=ground, bores=bores, depth_m=depth, patterns=pattern)


def _thing(draw, name, place, spot, w, h):
    quality = draw(st.sampled_from(["A", "B", "D", "unknown"]))
    p = spot()
    depth = draw(st.sampled_from([None, 0.6, 1.0]))
    if name == "well":
        return [Feature(feature_id="well", kind="water_well", geometry=place(p))]
    if name == "field":
        shape = place(p.buffer(6, cap_style="square"))
        return [Feature(feature_id="field", kind="drain_field", geometry=shape, quality=quality)]
    if name == "pond":
        return [Feature(feature_id="pond", kind="surface_water", geometry=place(p.buffer(6)), depth_m=depth)]
    if name == "tree":
        return [Feature(feature_id="tree", kind="tree_root_zone", geometry=place(p.buffer(4)))]
    if name == "drive":
        return [
            Feature(
                feature_id="drive", kind="paved_way", geometry=place(shapely.LineString([(p.x, -5), (p.x, h * 0.4)]))
            )
        ]
    kind = "gas_line" if name == "gas" else "irrigation"
    bend = spot()
    line = shapely.LineString([(p.x, -20), (bend.x, bend.y), (w + 10, bend.y)])
    return [Feature(feature_id=name, kind=kind, geometry=place(line), quality=quality, depth_m=depth)]
