"""Does the file say what is measured? Columns of bores, rod points, exits, and the table of clearances.

Tolerances. Lengths: 10 mm per km of scale and 2 mm, plus what chords lack to the arc they stand on (h turn^2 / 24 each). Depths
and covers: 0.03 m for reading the ground (0.10 m for the least cover, whose level run has to be found again), and what the ground
does between two vertices, where a file says nothing. Pitches: 0.3 percent points and azimuths 0.3 degrees, plus half the turn
there. Curvature: 5 % and 1 / 5000 m. Points: 0.02 m. Clearances: 0.05 m and, on a slope, what one interval of vertices makes.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.findings import Finding
from loopgis.rules.audit_apart import level_run
from loopgis.rules.audit_modes import RANKS
from loopgis.rules.audit_path import DRILLED_M, NARROW_M, WIDE_M, Path, angle_between
from loopgis.rules.audit_rows import number_in

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.rules.audit_rig import Limits
    from loopgis.rules.audit_rows import Row

SCALE = 1e-5
LENGTH_M = 0.002
DEPTH_M = 0.03
COVER_M = 0.10
PITCH_PCT = 0.3
CURVATURE_SHARE = 0.05
CURVATURE_1_M = 1 / 5000
POINT_M = 0.02
AZIMUTH_DEG = 0.3
CLEARANCE_M = 0.05
_GOOD = ("pass", "pass_thin")


def column_findings(path: Path, limits: Limits) -> list[Finding]:
    """Written figures of one bore that are not what is measured."""
    v = np.nan_to_num(path.vertices)
    turn = angle_between(v[1:-1] - v[:-2], v[2:] - v[1:-1])
    arc = float(np.sum(np.diff(path.drilled)[1:] * turn**2)) / 24
    slack = path.length_m * SCALE + LENGTH_M + arc
    checks = [("plan_length_m", float(path.plan[-1]), slack, "m")]
    if not path.flat:
        entry, leave = path.end_pitches_pct()
        checks += [
            ("length_m", path.length_m, slack, "m"),
            ("entry_pitch_pct", entry[0], PITCH_PCT + entry[1], "%"),
            ("exit_pitch_pct", leave[0], PITCH_PCT + leave[1], "%"),
        ]
        checks += _depth_checks(path)
    if limits.rod_m is not None:
        checks.append(("rods", float(math.ceil(path.length_m / limits.rod_m - 1e-3)), 0.5, ""))
    found = [_differs(path, name, measured, tolerance, unit) for name, measured, tolerance, unit in checks]
    return [f for f in [*found, _radius(path, limits), _level(path)] if f is not None]


def _depth_checks(path: Path) -> list[tuple[str, float, float, str]]:
    if not bool(path.sure.all()):
        return []
    deepest, rough = path.greatest_depth_m, path.depth - _between_vertices(path, path.station)
    checks = [("max_depth_m", deepest, DEPTH_M + deepest - path.deepest_vertex_m, "m")]
    run = level_run(path)
    if run.any() and number_in(path.columns, "level_length_m") is not None:
        least = float(path.depth[run].min()) - path.radius_m
        ends = np.abs(np.diff(path.depth))[run[1:] != run[:-1]]  # where the run begins is known to a sample
        checks.append(("min_cover_m", least, COVER_M + float(np.abs(rough).max() + ends.max(initial=0.0)), "m"))
    return checks


def _between_vertices(path: Path, station: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depth at stations as a file knows it that looks at the ground at its vertices only."""
    return np.asarray(np.interp(station, path.drilled, path.depth_at(path.drilled)))


def _differs(path: Path, name: str, measured: float, tolerance: float, unit: str) -> Finding | None:
    written = number_in(path.columns, name)
    if written is None or not math.isfinite(measured) or abs(written - measured) <= tolerance:
        return None
    return Finding(
        severity="error",
        code="column-" + name.replace("_", "-"),
        where="bores",
        outcome="fail",
        message=f"column {name} says {written:.4f} {unit}, measured {measured:.4f} {unit} (tolerance {tolerance:.3g})",
        bore_id=path.bore_id,
        layout_id=path.layout_id,
        measured=measured,
        limit=written,
        unit=unit or "1",
    )


def _radius(path: Path, limits: Limits) -> Finding | None:
    """The written radius must lie between what single vertices and what 2.5 m show; of a drilled bore, what a rod shows."""
    written = number_in(path.columns, "min_radius_m")
    if written is None or path.flat or written <= 0:
        return None
    over = (WIDE_M, NARROW_M, limits.rod_m or DRILLED_M) if path.in_ground else (WIDE_M, NARROW_M)
    bends = [path.turning(w) for w in over]
    worst = [float(b.curvature_1_m.max(initial=0.0)) for b in bends]
    rounding = float(bends[1].allowance_1_m.max(initial=0.0))
    low = min(worst) * (1 - CURVATURE_SHARE) - CURVATURE_1_M
    high = max(worst) * (1 + CURVATURE_SHARE) + CURVATURE_1_M + rounding
    if low <= 1 / written <= high or not len(bends[0].station_m):
        return None
    measured = 1 / max(worst[0], 1e-9)
    return Finding(
        severity="error",
        code="column-min-radius-m",
        where="bores",
        outcome="fail",
        bore_id=path.bore_id,
        message=f"column min_radius_m says {written:.2f} m, measured {measured:.2f} m",
        layout_id=path.layout_id,
        measured=measured,
        limit=written,
    )


def _level(path: Path) -> Finding | None:
    written = number_in(path.columns, "level_length_m")
    if written is None or -LENGTH_M <= written <= path.length_m * (1 + SCALE) + LENGTH_M:
        return None
    return Finding(
        severity="error",
        code="column-level-length-m",
        where="bores",
        outcome="fail",
        bore_id=path.bore_id,
        message=f"column level_length_m says {written:.2f} m, the whole bore is {path.length_m:.2f} m long",
        layout_id=path.layout_id,
        measured=path.length_m,
        limit=written,
    )


def point_findings(
    layer: str, rows: Sequence[tuple[str, str, dict[str, Any], NDArray[np.float64]]], paths: Sequence[Path]
) -> list[Finding]:
    """Rod points (layer "rods") or exits (layer "exits"). rows: (layout_id, bore_id, columns, (3,) frame point)."""
    by_id = {(p.layout_id, p.bore_id): p for p in paths}
    found: list[Finding] = []
    for layout, bore, columns, point in rows:
        path = by_id.get((layout, bore))
        if path is None:
            found.append(
                Finding(
                    severity="error",
                    code=f"{layer}-orphan",
                    where=layer,
                    bore_id=bore,
                    layout_id=layout,
                    message="belongs to no bore in the file",
                    outcome="fail",
                )
            )
        elif layer == "exits":
            found += _off_point("exit", path, float(path.drilled[-1]), point)
        else:
            found += _rod(path, columns, point)
    have = {(layout, bore) for layout, bore, _, _ in rows}
    found += _gaps(rows, by_id) if layer == "rods" else []
    found += [
        Finding(
            severity="warning",
            code=f"{layer}-missing",
            where=layer,
            bore_id=p.bore_id,
            layout_id=p.layout_id,
            message=f"the layer {layer} has no point of this bore",
            outcome="unverified",
        )
        for key, p in by_id.items()
        if key not in have
    ]
    return found


def _gaps(
    rows: Sequence[tuple[str, str, dict[str, Any], NDArray[np.float64]]], by_id: dict[tuple[str, str], Path]
) -> list[Finding]:
    """Bores whose rods do not run on from 0 to the last one."""
    numbers: dict[tuple[str, str], set[int]] = {}
    for layout, bore, columns, _ in rows:
        number = number_in(columns, "rod")
        if number is not None:
            numbers.setdefault((layout, bore), set()).add(int(number))
    found = []
    for key, have in numbers.items():
        path = by_id.get(key)
        last = number_in(path.columns, "rods") if path is not None else None
        lost = [] if last is None or 0 not in have else sorted(set(range(int(last) + 1)) - have)
        if path is not None and lost:
            found.append(
                Finding(
                    severity="warning",
                    code="rods-gap",
                    where="rods",
                    bore_id=path.bore_id,
                    layout_id=path.layout_id,
                    message=f"{len(lost)} rods are not in the file, the first is rod {lost[0]}",
                    outcome="unverified",
                )
            )
    return found


def _off_point(what: str, path: Path, station: float, point: NDArray[np.float64]) -> list[Finding]:
    axes = 2 if path.flat or not np.isfinite(point[2]) else 3
    off = float(np.linalg.norm((path.at(np.array([station]))[0] - point)[:axes]))
    if off <= POINT_M:
        return []
    return [_wrong(path, f"{what}-off-bore", f"{what} point lies beside the bore", off, POINT_M, station)]


def _wrong(path: Path, code: str, what: str, measured: float, limit: float, station: float, unit: str = "m") -> Finding:
    return Finding(
        severity="error",
        code=code,
        outcome="fail",
        bore_id=path.bore_id,
        layout_id=path.layout_id,
        unit=unit,
        message=f"{what} at station {station:.2f} m: {measured:.3f} {unit} against {limit:.3f} {unit}",
        station_m=station,
        measured=measured,
        limit=limit,
        where="rods" if code.startswith("rod") else "exits",
    )


def _rod(path: Path, columns: dict[str, Any], point: NDArray[np.float64]) -> list[Finding]:
    station = number_in(columns, "station_m")
    if station is None:
        return [
            Finding(
                severity="warning",
                code="rod-station-missing",
                where="rods",
                bore_id=path.bore_id,
                layout_id=path.layout_id,
                message="a rod point has no station_m",
                outcome="unverified",
            )
        ]
    if not -POINT_M <= station <= path.length_m * (1 + SCALE) + POINT_M:
        return [_wrong(path, "rod-off-bore", "rod point lies beyond the bore's ends", station, path.length_m, station)]
    found = _off_point("rod", path, station, point)
    for name, code, measured, tolerance, unit in _rod_figures(path, station):
        written = number_in(columns, name)
        if written is None or not math.isfinite(measured):
            continue
        off = abs(written - measured)
        off = min(off, 360 - off) if unit == "deg" else off
        if off > tolerance:
            found.append(_wrong(path, code, f"rod's {name}: measured and written", measured, written, station, unit))
    return found


def _rod_figures(path: Path, station: float) -> Iterable[tuple[str, str, float, float, str]]:
    """(column, code, measured, tolerance, unit) at a station."""
    ways = _vertex_directions(path)
    k = int(np.clip(np.searchsorted(path.drilled, station), 1, len(ways) - 1))
    near = ways[max(k - 2, 0) : k + 2]
    turn = float(angle_between(near[1:], near[:-1]).max()) / 2
    way = [float(np.interp(station, path.drilled, ways[:, i])) for i in range(3)]
    yield (
        "azimuth_deg",
        "rod-azimuth",
        math.degrees(math.atan2(way[0], way[1])) % 360,
        AZIMUTH_DEG + math.degrees(turn),
        "deg",
    )
    run = math.hypot(way[0], way[1])
    if not path.flat and run > 1e-6:
        yield "pitch_pct", "rod-pitch", 100 * way[2] / run, PITCH_PCT + 100 * turn, "%"
    if path.surveyed_ground and not path.flat:
        depth = float(path.depth_at(np.array([station]))[0])
        between = abs(depth - float(_between_vertices(path, np.array([station]))[0]))
        yield "depth_m", "rod-depth", depth, DEPTH_M + between, "m"


def _vertex_directions(path: Path) -> NDArray[np.float64]:
    """(n, 3) unit directions at vertices: mean of the neighbouring chords, carried on to the ends. Kept on the path."""
    if "_directions" not in path.__dict__:
        chords = np.nan_to_num(np.diff(path.vertices, axis=0))
        unit = chords / np.linalg.norm(chords, axis=1)[:, None]
        if len(unit) == 1:
            path.__dict__["_directions"] = np.vstack([unit, unit])
        else:
            middle = (unit[1:] + unit[:-1]) / 2
            path.__dict__["_directions"] = np.vstack([2 * unit[0] - middle[0], middle, 2 * unit[-1] - middle[-1]])
    kept: NDArray[np.float64] = path.__dict__["_directions"]
    return kept


def clearance_findings(written: Sequence[dict[str, Any]], rows: Sequence[Row], files: Sequence[str]) -> list[Finding]:
    """Compare the file's own table with the rows measured.

    Row by row (layout, bore, rule, feature); rows whose rules are not applied now (files: ids of those that are) are not compared.
    The lot's own boundary is matched whatever its feature_id. A row about a feature that the file no longer holds, or holds as
    another kind, is an error: nobody measured what it says.
    """
    mine: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        mine.setdefault(_key(row), []).append(row)
        if row["kind"] == "property_line":
            mine.setdefault((*_key(row)[:3], "*lot"), []).append(row)
    found = []
    for said in written:
        key = _key(said)
        match = mine.get(key) or (
            mine.get((*key[:3], "*lot")) if said.get("kind", "property_line") == "property_line" else None
        )
        if match:
            found += _compare(said, match)
        elif key[3] and key[2].split("/")[0] in files:
            found.append(_orphan(said, key))
    return found


def _orphan(said: dict[str, Any], key: tuple[str, ...]) -> Finding:
    return Finding(
        severity="error",
        code="clearance-orphan",
        message=f"the file judges {said.get('kind') or 'a feature'} {key[3]}, which it no longer holds as such",
        remedy="somebody removed or renamed it: put it back",
        where="clearances",
        layout_id=key[0],
        bore_id=key[1],
        rule_id=key[2],
        feature_id=key[3],
        outcome="fail",
    )


def _key(row: dict[str, Any]) -> tuple[str, ...]:
    return tuple(str(row.get(name) or "") for name in ("layout_id", "bore_id", "rule_id", "feature_id"))


def _compare(said: dict[str, Any], match: list[Row]) -> list[Finding]:
    outcome = str(said.get("outcome") or "")
    row = max(match, key=lambda r: RANKS.index(r["outcome"]) if r["outcome"] in RANKS else -1)
    if outcome in _GOOD and row["outcome"] == "fail":
        return [_clearance("error", "clearance-lies", f"the file says {outcome}, measured: fail", said, row)]
    both = {outcome, row["outcome"]}
    if outcome and len(both) == 2 and both != set(_GOOD):
        return [
            _clearance(
                "warning", "clearance-outcome", f"the file says {outcome}, measured: {row['outcome']}", said, row
            )
        ]
    provided = number_in(said, "provided_m")
    same = [r for r in match if r["provided_m"] is not None and r["basis"] == (said.get("basis") or r["basis"])]
    if provided is None or not same or any(_agrees(provided, r) for r in same):
        return []
    return [
        _clearance(
            "error",
            "clearance-differs",
            f"the file says provided {provided:.2f} m, measured {same[0]['provided_m']:.2f} m ({same[0]['basis']})",
            said,
            same[0],
        )
    ]


def _agrees(provided: float, row: Row) -> bool:
    """The file's figure is the deciding one or the least one, to the tolerance and one interval of vertices."""
    return bool(min(abs(provided - row["provided_m"]), abs(provided - row["least_m"])) <= CLEARANCE_M + row["grain_m"])


def _clearance(severity: Any, code: str, message: str, said: dict[str, Any], row: Row) -> Finding:  # noqa: ANN401
    return Finding(
        severity=severity,
        code=code,
        message=message,
        where="clearances",
        feature_id=row["feature_id"],
        bore_id=row["bore_id"],
        layout_id=row["layout_id"],
        rule_id=row["rule_id"],
        station_m=row["station_m"],
        measured=row["provided_m"],
        limit=number_in(said, "provided_m"),
        outcome="fail" if severity == "error" else "unverified",
    )
