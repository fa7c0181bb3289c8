"""The drill book of a layout, read from a GeoPackage alone: no site file, no computation, so a crew's copy is enough.

A bore that was edited by hand after its figures were computed is refused: `loopgis score` makes new ones.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.errors import InputError
from loopgis.core.units import length_text, money_text
from loopgis.layout.gate import answers_in, gate_of
from loopgis.sheets.drill_book import Along, CrossingLine, DrillBook, DrillPage, Figures, Gate, RodLine
from loopgis.sheets.layout_file import LayoutFile, figure_in, moved, text_in, xyz_of
from loopgis.sheets.white_line import white_line_ring
from loopgis.tables.load import load_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Record = dict[str, Any]

STALE_M = 0.05
"""A rod that lies farther from its bore's line than this was computed for another line."""
_KEY = "layout_id"


def drill_book(path: str | Path, layout_id: str = "", *, units: str | None = None) -> DrillBook:
    """Drill book of one layout of a GeoPackage as `loopgis layout` or `loopgis score` writes it.

    layout_id: "" for the one of rank 1; units: "us" or "metric" instead of the file's own. Raises InputError for a file that is no
    such GeoPackage, a layout that is not in it, and bores edited since their figures were computed.
    """
    return book_of(LayoutFile(Path(path)), layout_id, units=units)


def book_of(file: LayoutFile, layout_id: str = "", *, units: str | None = None) -> DrillBook:
    """The same of a file that was opened already."""
    said = file.said
    row = file.layout(layout_id)
    name, used = str(row[_KEY]), units or str(said.get("units", "us"))
    things = {str(t["feature_id"]): t for layer in ("features", "buildings") for t in file.rows(layer)}
    lines = file.rows("bores", name)
    if not lines:
        raise InputError(str(file.path), f"layout {name} holds no bores", "name another layout")
    crossed = sum(text_in(r, "how") != "beside" for r in file.rows("crossings", name))
    if crossed != int(row["crossings"]):
        what = f"layout {name} says {row['crossings']} crossings, its layer crossings holds {crossed}"
        raise InputError(str(file.path), what, "run loopgis score on the file first, and take what it writes")
    pages = tuple(_page(file, name, line, things, used) for line in sorted(lines, key=lambda r: str(r["bore_id"])))
    pad = _ring(file.rows("pads", name), file.path, name)
    header = next((xyz_of(r["geometry"])[:, :2] for r in file.rows("headers", name)), None)
    ring, area = _white_line(file, pages, pad, header)
    faults = [r for r in file.rows("findings", name) if r["severity"] == "error"]
    rig = said.get("rig", {})
    return DrillBook(
        site=str(said.get("site", file.path.stem)),
        parcel_id=str(said.get("parcel_id", "")),
        layout_id=name,
        rank=int(row["rank"]),
        units=used,
        rig=rig_words(rig, used),
        rod_length_m=float(rig.get("rod_length_m", 3.048)),
        pipe=pipe_words(said.get("pipe", {})),
        crs_wkt=file.wkt,
        gate=_with_faults(_gate(file), faults),
        pages=pages,
        pad=pad,
        header=header,
        white_line=ring,
        white_line_m2=area,
        claim=_claim(faults, sum(r["outcome"] == "fail" for r in file.rows("clearances", name))),
        facts=(
            *_order(file.rows("materials", name), used),
            *_facts(row),
        ),
    )


def _page(file: LayoutFile, name: str, line: Record, things: dict[str, Record], units: str) -> DrillPage:
    bore = str(line["bore_id"])

    def mine(layer: str, key: str) -> list[Record]:
        return sorted((r for r in file.rows(layer, name) if r["bore_id"] == bore), key=lambda r: float(r[key]))

    rods, stations, crossed = mine("rods", "rod"), mine("stations", "station_m"), mine("crossings", "station_m")
    _not_stale(file, line, rods, stations)
    along = _along(stations)
    crossings = tuple(_crossing(c, rods, things) for c in crossed)
    told = [r for r in file.rows("findings", name) if _concerns(r, bore, units)]
    return DrillPage(
        layout_id=name,
        bore_id=bore,
        pattern=text_in(line, "pattern"),
        source=text_in(line, "source"),
        figures=_figures(line),
        rods=_rod_lines(file, rods, crossings, units),
        crossings=crossings,
        along=along,
        warnings=tuple(_line(r) for r in told if r["severity"] in {"error", "warning", "note"}),
        returns=tuple(str(r["message"]) for r in told if r["severity"] == "expect"),
    )


def _claim(faults: Sequence[Record], fails: int) -> str:
    """What may be said of the layout on every page."""
    if fails:
        return f"Does NOT meet the distances entered: {fails} fail"
    if faults:
        return f"NOT FIT TO DRILL as it is: {len(faults)} fault{'s' if len(faults) > 1 else ''}, see page 1"
    return "Meets the distances entered"


def _concerns(row: Record, bore: str, units: str) -> bool:
    """Is a finding about a bore: told of it, or a fault that names it; where mud is to be expected, in the units of the sheet."""
    if row["severity"] == "expect":
        return bool(row["bore_id"] == bore and row.get("units") in {None, "", units})
    named = row["severity"] == "error" and re.search(rf"\b{re.escape(bore)}\b", str(row["message"])) is not None
    return bool(row["bore_id"] == bore or named)


def _order(rows: Sequence[Record], units: str) -> tuple[str, ...]:
    """Loop pipe and header to bring, as on the list of what to order."""
    pipe = sum(float(r["amount"]) for r in rows if str(r["item"]).startswith("loop pipe"))
    if pipe <= 0:
        return ()
    coils = ", ".join(f"{int(r['amount'])} {str(r['basis']).split(';')[0]}" for r in rows if r["item"] == "coils")
    header = ", ".join(
        f"{length_text(float(r['amount']), units, 0)} of {r['size']}" for r in rows if r["item"] == "header pipe"
    )
    told = [f"loop pipe to bring: {length_text(pipe, units, 0)}, slack and tails included; coils: {coils}"]
    return (*told, f"header pipe: {header}") if header else tuple(told)


def _line(row: Record) -> str:
    remedy = text_in(row, "remedy")
    return f"{row['severity']}: {row['message']}" + (f"; {remedy}" if remedy else "")


def _not_stale(file: LayoutFile, line: Record, rods: Sequence[Record], stations: Sequence[Record]) -> None:
    """Raise InputError unless rods and stations lie on the bore's line, from its entry to its exit."""
    where = f"{file.path} bore {line['bore_id']} of {line[_KEY]}"
    remedy = "run loopgis score on the file first, and take what it writes"
    if len(rods) < 2 or len(stations) < 2:
        raise InputError(where, "has no rods or stations", remedy)
    way = file.way
    own = moved(xyz_of(line["geometry"]), way)
    points = moved(np.vstack([xyz_of(r["geometry"]) for r in (*rods, *stations)]), way)
    axis = shapely.LineString(own[:, :2])
    off = float(np.max(shapely.distance(shapely.points(points[:, :2]), axis)))
    ends = max(float(np.linalg.norm(own[k, :2] - points[k if k == 0 else len(rods) - 1, :2])) for k in (0, -1))
    if off > STALE_M or ends > STALE_M:
        raise InputError(where, "was edited after its rods were computed", remedy)
    if [int(r["rod"]) for r in rods] != list(range(len(rods))) or len(rods) != int(line["rods"]) + 1:
        raise InputError(where, f"has {len(rods)} rod ends, not numbered 0 to {line['rods']}", remedy)
    names = ("station_m", "depth_m", "pitch_pct", "azimuth_deg", "offset_m", "ground_m")
    if any(figure_in(r, n) is None for r in rods for n in names) or min(float(r["depth_m"]) for r in rods) < -STALE_M:
        raise InputError(where, "has a rod whose figures are empty or above the ground", remedy)
    long = float(np.sum(np.linalg.norm(np.diff(own, axis=0), axis=1)))
    if abs(long - float(line["length_m"])) > 0.005 * long + STALE_M:
        raise InputError(where, f"says {line['length_m']:.1f} m, its line is {long:.1f} m long", remedy)


def _along(stations: Sequence[Record]) -> Along:
    def column(name: str, factor: float = 1.0) -> Array:
        values = [figure_in(r, name) for r in stations]
        return np.array([math.nan if v is None else v * factor for v in values])

    xyz = np.vstack([xyz_of(r["geometry"]) for r in stations])
    return Along(
        station_m=column("station_m"),
        plan_m=column("plan_m"),
        x=xyz[:, 0],
        y=xyz[:, 1],
        ground_m=column("ground_m"),
        z_m=xyz[:, 2],
        demand_pa=column("demand_kpa", 1000),
        demand_high_pa=column("demand_high_kpa", 1000),
        capacity_pa=column("capacity_kpa", 1000),
        overburden_pa=column("overburden_kpa", 1000),
        lateral_m=column("lateral_m"),
        vertical_m=column("vertical_m"),
    )


def _figures(line: Record) -> Figures:
    tightest = figure_in(line, "min_radius_m")
    return Figures(
        length_m=float(line["length_m"]),
        plan_length_m=float(line["plan_length_m"]),
        level_length_m=float(line["level_length_m"]),
        max_depth_m=float(line["max_depth_m"]),
        target_depth_m=float(line["target_depth_m"]),
        hole_diameter_m=float(line["hole_diameter_m"]),
        rods=int(line["rods"]),
        pipe_m=float(line["pipe_m"]),
        entry_pitch_pct=float(line["entry_pitch_pct"]),
        exit_pitch_pct=float(line["exit_pitch_pct"]),
        tightest_m=tightest,
        rod_bend_m=figure_in(line, "rod_bend_m"),
        pipe_bend_m=figure_in(line, "pipe_bend_m"),
        pull_n=figure_in(line, "pull_kn", 1000),
        pull_filled_n=figure_in(line, "pull_filled_kn", 1000),
        safe_pull_n=figure_in(line, "safe_pull_kn", 1000),
        weak_link_n=figure_in(line, "weak_link_kn", 1000),
        collapse_safety=figure_in(line, "collapse_safety"),
        reamer_m=figure_in(line, "reamer_m"),
        fluid_m3=figure_in(line, "fluid_m3"),
        spoil_m3=figure_in(line, "spoil_m3"),
        pull_speed_m_s=figure_in(line, "pull_speed_m_s"),
        hours=figure_in(line, "hours"),
        at_stake=figure_in(line, "at_stake"),
        currency=text_in(line, "currency"),
    )


def _crossing(row: Record, rods: Sequence[Record], things: dict[str, Record]) -> CrossingLine:
    thing = things.get(str(row["feature_id"]), {})
    station = float(row["station_m"])
    rod = next((int(r["rod"]) for r in rods if float(r["station_m"]) >= station - 1e-6), int(rods[-1]["rod"]))
    kind = str(row["kind"])
    return CrossingLine(
        feature_id=str(row["feature_id"]),
        kind=kind,
        label=text_in(thing, "label"),
        code=str(load_table("kinds")["kinds"].get(kind, {}).get("code", "")),
        quality=text_in(thing, "quality") or "unknown",
        station_m=station,
        rod=max(rod, 1),
        angle_deg=float(row["angle_deg"]),
        under=text_in(row, "how") != "over",
        beside=text_in(row, "how") == "beside",
        buried=bool(load_table("kinds")["kinds"].get(kind, {}).get("buried", True)),
        depth_m=figure_in(thing, "depth_m"),
        clearance_m=figure_in(row, "clearance_m"),
        sigma_m=figure_in(row, "sigma_m"),
        risk=figure_in(row, "risk"),
        consequence=text_in(row, "consequence"),
        outcome=text_in(row, "outcome"),
    )


def _rod_lines(
    file: LayoutFile, rods: Sequence[Record], crossings: Sequence[CrossingLine], units: str
) -> tuple[RodLine, ...]:
    lonlat = _lonlat(file.wkt)
    xyz = np.vstack([xyz_of(r["geometry"]) for r in rods])
    lon, lat = lonlat(xyz[:, 0], xyz[:, 1])
    return tuple(
        RodLine(
            rod=int(r["rod"]),
            station_m=float(r["station_m"]),
            x=float(xyz[n, 0]),
            y=float(xyz[n, 1]),
            lon=float(lon[n]),
            lat=float(lat[n]),
            z_m=float(xyz[n, 2]),
            ground_m=float(r["ground_m"]),
            depth_m=float(r["depth_m"]),
            pitch_pct=float(r["pitch_pct"]),
            azimuth_deg=float(r["azimuth_deg"]),
            offset_m=float(r["offset_m"]),
            action=text_in(r, "action"),
            note=text_in(r, "note"),
            locate=text_in(r, "locate"),
            crossing="; ".join(crossing_words(c, units) for c in crossings if c.rod == int(r["rod"])),
        )
        for n, r in enumerate(rods)
    )


def crossing_words(c: CrossingLine, units: str) -> str:
    """A crossing in a line of the rod table: "W service, 4.1 ft under it"."""
    name = f"{c.code} {c.label or c.kind.replace('_', ' ')}".strip()
    gap = "clearance unknown" if c.clearance_m is None else f"{length_text(c.clearance_m, units)} {c.how} it"
    return f"{name}, {gap}"


def _lonlat(wkt: str) -> Callable[[Array, Array], tuple[Array, Array]]:
    from pyproj import CRS, Transformer  # noqa: PLC0415

    way = Transformer.from_crs(CRS.from_wkt(wkt), "EPSG:4326", always_xy=True)

    def turn(x: Array, y: Array) -> tuple[Array, Array]:
        lon, lat = way.transform(x, y)
        return np.asarray(lon), np.asarray(lat)

    return turn


def _ring(pads: Sequence[Record], path: Path, name: str) -> Array:
    if not pads:
        raise InputError(str(path), f"holds no pad of layout {name}", "run loopgis score on it first")
    ring: Array = shapely.get_coordinates(shapely.get_exterior_ring(pads[0]["geometry"]))[:, :2]
    return ring


def _white_line(file: LayoutFile, pages: Sequence[DrillPage], pad: Array, header: Array | None) -> tuple[Array, float]:
    """Ring in longitude and latitude round all that is dug or drilled, and its area."""
    from pyproj import Transformer  # noqa: PLC0415

    way = file.way
    out = Transformer.from_crs(file.frame.crs, "EPSG:4326", always_xy=True)
    shapes = [np.column_stack([p.along.x, p.along.y]) for p in pages] + [pad]
    shapes += [header] if header is not None else []

    def to_wgs84(xy: Array) -> Array:
        return np.column_stack(out.transform(xy[:, 0], xy[:, 1]))

    return white_line_ring([moved(s, way) for s in shapes], to_wgs84=to_wgs84)


def _gate(file: LayoutFile) -> Gate:
    stands = gate_of(answers_in(file.rows("ticket")) or None)
    return Gate(open=stands.open, lines=stands.lines)


def _with_faults(gate: Gate, faults: Sequence[Record]) -> Gate:
    """A layout with faults is not drilled, whoever has answered."""
    if not faults:
        return gate
    lines = tuple(f"FAULT: {r['message']}" for r in faults[:4])
    waiting = () if gate.open else gate.lines
    return Gate(open=False, lines=(*lines, *waiting), why="the layout has faults")


def pipe_words(pipe: Record) -> str:
    """The pipe as the file says it, in words."""
    return f"{pipe.get('size', '?')} DR {pipe.get('dr', 0):g}, {pipe.get('fluid', '')}" if pipe else ""


def rig_words(rig: Record, units: str) -> str:
    """The rig as the file says it, in words."""
    if not rig:
        return ""
    name = f"{rig['class']}, " if rig.get("class") else ""
    rod, bend = length_text(rig["rod_length_m"], units, 1), length_text(rig["bend_radius_m"], units, 0)
    return f"{name}rods {rod}, bend radius {bend}"


def _facts(row: Record) -> tuple[str, ...]:
    """Days, cost and index of the layout, one line each; only what is known."""
    told = []
    days, hours = figure_in(row, "crew_days"), figure_in(row, "crew_hours")
    if days is not None and hours is not None:
        told.append(f"about {days:g} crew days ({hours:.0f} hours, coming, setting up and leaving included)")
    cost, word = figure_in(row, "cost"), text_in(row, "currency")
    if cost is not None:
        told.append(f"estimate for comparing, no offer: {money_text(cost, word)}")
    risk = figure_in(row, "crossing_risk")
    if risk is not None:
        told.append(f"crossing index {risk:.2g}, relative: it compares layouts and is no probability")
    return tuple(told)
