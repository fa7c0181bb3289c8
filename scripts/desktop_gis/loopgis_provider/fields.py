"""What the user fills in for a site, as one table: parameter, table and key of the site file, what it is, default, how often used.

The lists of choices are the tool's own tables; a test compares them. Knows nothing of the desktop GIS.
To add a key of the site file: a line in FIELDS.
"""

from __future__ import annotations

from dataclasses import dataclass

SOILS = (
    "dry sand",
    "moist sandy loam",
    "moist clay",
    "saturated clay",
    "saturated sand",
    "wet gravel",
    "sand, low",
    "sand, high",
    "silt, low",
    "silt, high",
    "clay, low",
    "clay, high",
    "loam, low",
    "loam, high",
)
RIGS = ("compact", "small", "mid")
FILLS = ("bentonite grout", "enhanced grout", "drilling slurry", "collapsed ground")
PIPES = ("0.75 in", "1 in", "1.25 in", "1.5 in", "2 in", "3 in", "4 in")
PATTERNS = ("fan", "parallel")
UNITS = ("us", "metric")
DEPTH_UNITS = ("ft", "in", "m", "cm")
ELEVATION_UNITS = ("m", "ft", "us survey foot")
PAPERS = ("letter", "ledger", "arch-d", "a4", "a3", "a1")

KINDS = (
    "property_line",
    "neighbour_parcel",
    "easement",
    "right_of_way",
    "building",
    "pool",
    "retaining_wall",
    "water_well",
    "septic_tank",
    "drain_field",
    "drain_field_reserve",
    "sewer_gravity",
    "sewer_force",
    "storm_drain",
    "stormwater_basin",
    "water_main",
    "water_service",
    "irrigation",
    "gas_line",
    "lp_tank",
    "fuel_tank",
    "electric_ug",
    "electric_oh",
    "telecom",
    "drain_tile",
    "surface_water",
    "wetland",
    "floodplain",
    "wellhead_zone",
    "contaminated_site",
    "tree_root_zone",
    "paved_way",
    "existing_loop",
    "private_other",
    "ground",
)


@dataclass(frozen=True)
class Field:
    """One value of the site file. choices: empty for free text; many: a list in the file; whole: a whole number."""

    parameter: str
    table: str
    key: str
    label: str
    choices: tuple[str, ...] = ()
    many: bool = False
    whole: bool = False
    advanced: bool = False


FIELDS: tuple[Field, ...] = (
    Field("HEATING", "demand", "heating_peak", 'Heating peak of the building, e.g. "36 kBtu/h"'),
    Field("COOLING", "demand", "cooling_peak", 'Cooling peak of the building, e.g. "24 kBtu/h"'),
    Field("HEATING_HOURS", "demand", "heating_hours", "Heating hours at full load a year", whole=True),
    Field("COOLING_HOURS", "demand", "cooling_hours", "Cooling hours at full load a year", whole=True),
    Field("BORES", "bore", "bores", "Number of bores aimed at (left out: sized by the demand)", whole=True),
    Field("DEPTHS", "bore", "depth", 'Depths of the level run, e.g. "15 ft" or "10 ft, 15 ft"', many=True),
    Field("SPACING", "bore", "spacing", 'Spacing of the level runs, e.g. "15 ft"'),
    Field("SOIL", "ground", "soil", "Soil", SOILS),
    Field("RIG", "rig", "class", "Class of rig", RIGS),
    Field("PIPE", "pipe", "size", "Size of the loop pipe", PIPES),
    Field("FLUID", "pipe", "fluid", 'Fluid in the loop, e.g. "propylene glycol 20 %"', advanced=True),
    Field("FILL", "bore", "fill", "Fill round the pipes", FILLS, advanced=True),
    Field("PATTERNS", "layout", "patterns", "Patterns (none chosen: all)", PATTERNS, many=True, advanced=True),
    Field("EWT_MIN", "demand", "ewt_min", 'Coldest entering water, e.g. "30 degF"', advanced=True),
    Field("EWT_MAX", "demand", "ewt_max", 'Warmest entering water, e.g. "90 degF"', advanced=True),
    Field("YEARS", "demand", "years", "Years that the loop must hold", whole=True, advanced=True),
    Field("GROUND_MEAN", "ground", "mean", 'Mean temperature of the ground, e.g. "52 degF"', advanced=True),
    Field(
        "GROUND_AMPLITUDE",
        "ground",
        "amplitude",
        'Swing of the surface, mean to coldest, e.g. "20 delta_degF"',
        advanced=True,
    ),
    Field("COLDEST_DAY", "ground", "coldest_day", "Coldest day of the year, 1 to 365", whole=True, advanced=True),
    Field("BEND_RADIUS", "rig", "bend_radius", 'Bend radius of the rods, e.g. "100 ft"', advanced=True),
    Field("MAX_LENGTH", "rig", "max_length", 'Longest bore, e.g. "400 ft"', advanced=True),
)
DEMAND_NEEDS = ("HEATING", "COOLING")
"""Without one of these there is no demand, and the rest of its table would only be refused."""
