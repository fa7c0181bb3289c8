"""Generator and audit judge made-up rules alike: random rule files, lots and bores, drawn from fixed seeds.

Both know the text "What a rule means" of DEVELOPERS.md and share no code. Rows that lie within 5 mm of a bound may fall on either
side of it (two projections, two samplings), so the lots are drawn anew until no distance does.
"""

from __future__ import annotations

import audit_files
import numpy as np
import pytest
import shapely
import zoo
from shapely import affinity
from test_jurisdictions import FIGURES, bore

from loopgis.layout.assemble import missing_rows, pad_rows
from loopgis.layout.clearances import job_rows, measure
from loopgis.layout.model import Pad
from loopgis.rules import audit, files
from loopgis.site.model import Feature, PipeSpec

EAST, NORTH = 1030.0, 2075.0
LINES = ("gas_line", "electric_oh", "water_main")
POINTS = ("water_well", "septic_tank")
AREAS = ("building", "drain_field", "surface_water", "contaminated_site")
USES = ("private", "public", "municipal", "", "what nobody knows", "Private")
FLUIDS = ("water", "propylene glycol 20 %", "Ethanol 15 %", "")
RANGES = (
    ("yield", "gal/min", (5, 10, 25)),
    ("yield", "L/s", (0.5, 1.0)),
    ("flow", "gal/day", (600, 2000)),
    ("voltage", "kV", (10, 50)),
)


def rule_text(rng, number):
    """One random [[rule]] block."""
    if rng.random() < 0.15:
        word = rng.choice(["max_depth", "max_bores", "allowed_fluids"])
        value = {
            "max_depth": f"{{ value = {rng.choice([4, 5, 5.5, 6])}, unit = 'm' }}",
            "max_bores": str(rng.integers(1, 4)),
            "allowed_fluids": "['water', 'propylene glycol']",
        }[word]
        body = [f"feature = 'ground'\n{word} = {value}"]
    else:
        kinds = rng.choice((*LINES, *POINTS, *AREAS, "property_line"), size=rng.integers(1, 4), replace=False)
        mode, distance = rng.choice(["never", "never", "ruling"]), rng.integers(0, 40)
        body = [
            f"feature = {[str(k) for k in kinds]}",
            f"plan_distance = {{ value = {distance}, unit = 'ft' }}",
            f"crossing = {{ mode = '{mode}' }}",
            f"measure_from = '{rng.choice(['bore_axis_projection', 'hole_edge', 'opening'])}'",
            f"measure_to = '{rng.choice(['feature_edge', 'feature_axis', 'vertical_projection'])}'",
            f"applies_to = {['bore', 'pit'] if rng.random() < 0.3 else ['bore']}",
        ]
        if rng.random() < 0.4:
            body.append(
                f"feature_filter = {{ use = {[str(u) for u in rng.choice(['private', 'public', 'unknown'], 2)]} }}"
            )
        if rng.random() < 0.4:
            name, unit, values = RANGES[rng.integers(len(RANGES))]
            bound = rng.choice(["from", "over", "below", "up_to"])
            body.append(f"feature_range = {{ {name} = {{ {bound} = {rng.choice(values)}, unit = '{unit}' }} }}")
        if rng.random() < 0.5:
            when = rng.choice(["fluid = 'water'", "bores_up_to = 2", "use = ['private']", "shielded = ['yes']"])
            needs = rng.choice(["", "variance", "consent"]) if mode == "never" else ""
            shorter = f"{{ value = {distance // 2}, unit = 'ft' }}"
            body.append(f"relax = [{{ when = {{ {when} }}, plan_distance = {shorter}, needs = '{needs}' }}]")
    on_fail = rng.choice(["deny", "variance", "consent"])
    head = f"[[rule]]\nid = 'r{number}'\non_fail = '{on_fail}'\ncitation = 'made up'\nparaphrase = 'made up'\nsource = 'made up'"
    return "\n".join([head, *body])


def file_text(rng):
    """One random rule file."""
    house = files.resources.files("loopgis").joinpath("tables/rules/house.toml").read_text("utf-8")
    at = house.index("[tolerance]")
    tolerance = house[at : house.index("[[rule]]", at)]
    scope = [f"class_certainty = '{rng.choice(['text', 'assumed'])}'"]
    if rng.random() < 0.3:
        scope.append(
            f"depth_trigger = {{ op = '{rng.choice(['>', '>='])}', value = {rng.choice([5, 6])}, unit = 'm' }}"
        )
    if rng.random() < 0.3:
        scope.append(f"count_trigger = {{ op = '{rng.choice(['>', '>='])}', bores = {rng.integers(1, 4)} }}")
    return "\n".join(
        [
            "schema = 'loopgis-rules/1'",
            "[jurisdiction]\nid = 'made-up'\nname = 'Made up'",
            "[applicability]",
            *scope,
            tolerance,
            *(rule_text(rng, n) for n in range(rng.integers(3, 8))),
        ]
    )


def thing(rng, number):
    """A random feature near the bores, which run east from (0, 0), 8 m apart."""
    kind = str(rng.choice((*LINES, *POINTS, *AREAS)))
    x, y = rng.uniform(-5, 110), rng.uniform(-25, 40)
    if kind in LINES:
        turn, half = rng.uniform(0, np.pi), rng.uniform(5, 40)
        ends = [(x + s * half * np.cos(turn), y + s * half * np.sin(turn)) for s in (-1, 1)]
        shape = shapely.LineString(ends)
    elif kind in POINTS:
        shape = shapely.Point(x, y)
    else:
        shape = affinity.rotate(shapely.box(x, y, x + rng.uniform(2, 15), y + rng.uniform(2, 15)), rng.uniform(0, 90))
    columns = {"use": str(rng.choice(USES)), "shielded": str(rng.choice(["yes", "no", ""]))}
    for _, column, factor in FIGURES[:3]:
        if rng.random() < 0.6:
            columns[column] = float(rng.choice([0, 5, 10, 30, 600, 2000, 5000])) * factor
    depth = float(rng.uniform(0.3, 3.0)) if rng.random() < 0.6 else None
    return kind, shape, f"f{number}", str(rng.choice(["A", "B", "D", "unknown"])), depth, columns


def case(seed, folder):
    """Rows of both sides for one seed: {(rule, bore, feature, is pad): (outcome, required, provided)}."""
    rng = np.random.default_rng(seed)
    path = folder / "rules.toml"
    path.write_text(file_text(rng), "utf-8")
    things = [thing(rng, n) for n in range(6)]
    depths = rng.uniform(4.2, 7.0, size=rng.integers(1, 4))
    lot = shapely.box(-rng.uniform(2, 30), -30, 100 + rng.uniform(2, 30), 45)
    fluid = str(rng.choice(FLUIDS))
    bores = [bore(round(float(d), 2), 8.0 * n) for n, d in enumerate(depths)]
    bores = [type(b)(**{**vars(b), "bore_id": f"B-{n + 1:02d}"}) for n, b in enumerate(bores)]
    pad = shapely.box(-1.5, -4, 0, 4)

    features = tuple(
        Feature(
            feature_id=name,
            kind=kind,
            geometry=shape,
            quality=quality,
            depth_m=depth,
            attributes=tuple((k, str(v)) for k, v in columns.items() if v != ""),
        )
        for kind, shape, name, quality, depth, columns in things
    )
    site = zoo.site(lot, features=features, pipe=PipeSpec(size="1 in", dr=11.0, fluid=fluid))
    file = files.load(str(path))
    ours = [r for b in bores for r in measure(site, [file], b, len(bores))[0]] + job_rows(site, [file], bores)
    ours += missing_rows(site, [file], bores)
    pads = pad_rows(
        site, [file], Pad(centre=(-0.75, 0.0), axis_deg=0.0, size_m=(1.5, 8.0), polygon=pad, given=True), len(bores)
    )
    mine = {(r.rule_id, r.bore_id, r.feature_id, r.kind, False): (r.outcome, r.required_m, r.provided_m) for r in ours}
    mine |= {(r.rule_id, "", r.feature_id, r.kind, True): (r.outcome, r.required_m, r.provided_m) for r in pads}

    moved = [(k, affinity.translate(s, EAST, NORTH), *rest) for k, s, *rest in things]
    written = [Written(kind=k, geometry=s, feature_id=n, quality=q, depth_m=d, **c) for k, s, n, q, d, c in moved]
    package = audit_files.Lot(
        bores=[
            audit_files.Bore(np.column_stack([b.x_m + EAST, b.y_m + NORTH, b.z_m]), bore_id=b.bore_id) for b in bores
        ],
        features=[t for t in written if t.kind != "building"],
        buildings=[t for t in written if t.kind == "building"],
        pads=[("L-01", affinity.translate(pad, EAST, NORTH))],
        parcel=affinity.translate(lot, EAST, NORTH),
        metadata={
            **audit_files.META,
            "bore": {**audit_files.META["bore"], "hole_diameter_m": 0.127},
            "pipe": {"fluid": fluid},
            "given_kinds": sorted({k for k, *_ in things}),
        },
    ).write(folder / "lot.gpkg")
    lots = {"property_line": "lot"}
    theirs = {
        (
            r["rule_id"], r["bore_id"], lots.get(r["kind"], r["feature_id"]), r["kind"], r["basis"] == "pad",
        ): (r["outcome"], r["required_m"], r["provided_m"], r["margin_m"], r["tolerance_m"])
        for r in audit.measure(package, [str(path)])
    }  # fmt: skip
    return mine, theirs


class Written(audit_files.Feature):
    """A feature of a GeoPackage with any columns."""

    def __init__(self, **columns):
        self.__dict__.update({"width_m": None, "foundation": "", **columns})


@pytest.mark.parametrize("seed", [*range(40), *(pytest.param(n, marks=pytest.mark.slow) for n in range(40, 120))])
def test_random_rules_are_judged_alike(seed, tmp_path):
    mine, theirs = case(seed, tmp_path)
    assert set(mine) == set(theirs)
    compared = 0
    for key, (outcome, required, provided, margin, tolerance) in theirs.items():
        if margin is not None and min(abs(margin), abs(margin - tolerance)) < 0.006:
            continue
        assert mine[key][0] == outcome, (key, mine[key], theirs[key])
        assert mine[key][1] == pytest.approx(required), key
        if provided is not None:
            assert mine[key][2] == pytest.approx(provided, abs=0.01), key
        compared += 1
    assert compared >= len(theirs) - 3


def test_the_seeds_reach_every_outcome_and_basis(tmp_path):
    """The comparison above is worth something only where the rows differ among themselves."""
    outcomes = set()
    for seed in range(25):
        folder = tmp_path / str(seed)
        folder.mkdir()
        outcomes |= {row[0] for row in case(seed, folder)[0].values()}
    assert outcomes == {"pass", "pass_thin", "fail", "ruling_needed", "consent_needed", "unverified", "not_applicable"}
