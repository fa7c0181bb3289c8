"""Bores that were edited by hand, scored: file in, lines redrawn, everything evaluated anew, differences told, file out."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from loopgis.core.atomic import replaced_file
from loopgis.core.errors import InputError, NoLayoutError, RangeError
from loopgis.core.findings import Finding, in_order
from loopgis.core.in_use import Seen
from loopgis.core.place import ready_file
from loopgis.core.units import length_text, temperature_text
from loopgis.driver import inputs_of, layout_table, site_of
from loopgis.layout import assemble
from loopgis.layout.generate import Draft, fresh_names
from loopgis.layout.heat import study
from loopgis.layout.keep import kept_bore
from loopgis.layout.model import Pad
from loopgis.layout.pads import rectangle
from loopgis.layout.prepare import prepare
from loopgis.layout.redraw import SAME_M, redraw
from loopgis.layout.score import pair_distances
from loopgis.sheets.geopackage import site_key, write_layouts
from loopgis.sheets.gpkg_rows import Change, Refused, Scored, figures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from shapely import Polygon

    from loopgis.bore.model import Bore
    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Layout
    from loopgis.layout.prepare import Prepared
    from loopgis.layout.redraw import Redrawn
    from loopgis.rules.model import Zone
    from loopgis.site.drawn import Sheet
    from loopgis.site.model import DrawnLine, Site

NEAR_PAD_M = 3.0
"""A new line without layout_id belongs to the one pad that one of its ends is this near to."""
SAME = 1e-9
"""Figures that differ by less than this share are the same."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Scoring:
    """Layouts of a file as they are now.

    layouts: ranked, with the ids they have in the file; refused: lines that cannot be drilled; changes: figures that are no longer
    what they were, bore by bore and layout by layout; spare_pads: of layouts of which no line can be drilled; source: the file.
    """

    source: Path

    site: Site
    zones: tuple[Zone, ...]
    layouts: tuple[Layout, ...]
    refused: tuple[Refused, ...]
    changes: tuple[Change, ...]
    findings: tuple[Finding, ...]
    rod_log: tuple[dict[str, Any], ...]
    spare_pads: tuple[tuple[str, Pad], ...] = ()

    def write(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the file as scored, all or nothing.

        Raises InputError when it is there and overwrite is False, or is the file that was scored or one of the site's.
        """
        from loopgis.core.version import VERSION  # noqa: PLC0415

        place = ready_file(path, suffix=".gpkg", overwrite=overwrite, inputs=[self.source, *inputs_of(self.site)])
        scored = Scored(refused=self.refused, changes=self.changes, rod_log=self.rod_log, pads=self.spare_pads)
        with replaced_file(place, overwrite=overwrite) as temp:
            write_layouts(temp, self.site, self.zones, self.layouts, version=VERSION, scored=scored)
        return place

    def summary(self) -> dict[str, Any]:
        """Figures for machines."""
        return {
            "loopgis": 1,
            "site": self.site.describe(),
            "layouts": [y.summary() for y in self.layouts],
            "refused": [{k: v for k, v in asdict(r).items() if k != "line"} for r in self.refused],
            "changes": [asdict(c) for c in self.changes],
            "findings": [f.as_dict() for f in self.findings],
        }

    def table(self) -> list[str]:
        """The layouts as lines of text, in the site's units."""
        return layout_table(self.layouts, self.site.spec.units)

    def differences(self) -> list[str]:
        """What was done by hand, and what it did to the main figures: a line per layout or bore, in the site's units."""
        lines: dict[tuple[str, str], list[str]] = {}
        for c in self.changes:
            if not (c.before or c.after):
                text: str | None = c.figure
            else:
                text = _told_change(c, self.site.spec.units)
            if text:
                lines.setdefault((c.layout_id, c.bore_id), []).append(text)
        return [f"{' '.join(p for p in key if p)}: {', '.join(parts)}" for key, parts in sorted(lines.items())]


def _told_change(change: Change, units: str) -> str | None:
    """A change of a main figure in words; None for figures that only machines read."""
    words = _BORE_WORDS if change.bore_id else _LAYOUT_WORDS
    if change.figure not in words:
        return None
    name, kind = words[change.figure]

    def shown(text: str) -> str:
        if text == "-":
            return text
        value = float(text)
        if kind == "length":
            return length_text(value, units)
        return temperature_text(value, units) if kind == "temperature" else f"{value:.{kind}f}"

    before, after = shown(change.before), shown(change.after)
    return None if before == after else f"{name} {before} -> {after}"


_LAYOUT_WORDS: dict[str, tuple[str, Any]] = {
    "rank": ("rank", 0),
    "bores": ("bores", 0),
    "total_length_m": ("drilled", "length"),
    "needed_length_m": ("needed", "length"),
    "ewt_min_c": ("coldest water", "temperature"),
    "ewt_max_c": ("warmest water", "temperature"),
    "spacing_min_m": ("least spacing", "length"),
    "min_margin_m": ("least margin", "length"),
    "crossings": ("crossings", 0),
    "crossing_risk": ("index", 4),
    "header_length_m": ("header", "length"),
    "score": ("score", 1),
}
_BORE_WORDS: dict[str, tuple[str, Any]] = {
    "length_m": ("drilled", "length"),
    "level_length_m": ("level", "length"),
    "max_depth_m": ("deepest", "length"),
}


def score(
    gpkg: str | Path,
    site: str | Path | Site,
    *,
    units: str | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Scoring:
    """Layouts of a GeoPackage, evaluated anew; the plan lines of its layer `bores` are the truth, profiles are solved again.

    gpkg: a file as `loopgis layout` writes it, its bores (or pads, or points of exits) moved, added or deleted in a desktop GIS.
    A line that nobody touched comes back with the figures it had. A line that cannot be drilled is told with the reason and the
    place, and left out of the figures. Raises InputError for a file that cannot be used, NoLayoutError when no bore is left.
    """
    from loopgis.site.drawn import sheet_of  # noqa: PLC0415
    from loopgis.site.log import Log  # noqa: PLC0415

    site = site_of(site, units)
    log, seen = Log(), Seen([gpkg])
    sheet = sheet_of(Path(gpkg), site.frame, log)
    seen.check()
    ground = prepare(site)
    tell(f"{len(sheet.lines)} bores in {Path(gpkg).name}")
    same_site = sheet.said.get("site_key") == site_key(site, ground.zones)
    made = [_layout(name, lines, sheet, ground, same_site=same_site) for name, lines in _by_layout(sheet).items()]
    layouts = assemble.rank(
        [m.layout for m in made if m.layout is not None],
        weights=site.spec.score,
        spacing_m=site.spec.bore.spacing_m,
        named=True,
    )
    refused = tuple(r for m in made for r in m.refused)
    findings = [*site.findings, *log.findings, *ground.findings, *(f for m in made for f in m.findings)]
    if not same_site and sheet.said:
        message = (
            "site, rules or site file are not what this file was made with: all figures are of the site as it is now"
        )
        findings.append(Finding(severity="warning", code="other-site", where=str(gpkg), message=message))
    if not layouts:
        raise NoLayoutError(
            str(gpkg), [f"{r.layout_id} {r.bore_id}: {r.why}" for r in refused] or ["it holds no bores"], ""
        )
    new = figures(site, layouts)
    done = [c for m in made for c in m.changes]
    return Scoring(
        source=Path(gpkg),
        site=site,
        zones=ground.zones,
        layouts=layouts,
        refused=refused,
        changes=(*done, *_figures_changed(sheet, new)),
        findings=tuple(in_order(findings)),
        rod_log=sheet.rod_log,
        spare_pads=tuple((m.name, m.pad) for m in made if m.layout is None and m.refused),
    )


def _by_layout(sheet: Sheet) -> dict[str, list[DrawnLine]]:
    """Lines of every layout that the file has a pad for, in the order of the file's ranks."""
    ranked = sorted(sheet.layouts, key=lambda y: (sheet.layouts[y].get("rank") or math.inf, y))
    names = list(dict.fromkeys([*ranked, *sheet.pads]))
    found: dict[str, list[DrawnLine]] = {name: [] for name in names if name in sheet.pads}
    for line in (*sheet.lines, *sheet.refused):
        name = line.layout_id or _layout_near(line, sheet.pads)
        if name not in found:
            what = (
                f"belongs to layout {name!r}, which has no pad" if name else "says no layout_id, and no one pad is near"
            )
            raise InputError(line.where, what, f"write one of {', '.join(found) or 'the layouts of layer pads'}")
        found[name].append(replace(line, layout_id=name))
    return found


def _layout_near(line: DrawnLine, pads: dict[str, Polygon]) -> str:
    """The one layout whose pad an end of the line is near to, empty when it is none or several."""
    ends = shapely.MultiPoint(line.xyz_m[[0, -1], :2])
    near = [name for name, pad in pads.items() if shapely.distance(pad, ends) <= NEAR_PAD_M]
    return near[0] if len(near) == 1 else ""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Made:
    name: str
    pad: Pad
    layout: Layout | None
    refused: list[Refused]
    findings: list[Finding]
    changes: list[Change]


def _layout(name: str, lines: Sequence[DrawnLine], sheet: Sheet, ground: Prepared, *, same_site: bool) -> _Made:
    """One layout of the file, evaluated."""
    field, site = ground.field, ground.field.site
    pad, pad_moved = _pad(name, sheet)
    row = sheet.layouts.get(name, {})
    pattern = str(row.get("pattern") or next((x.pattern for x in lines if x.pattern), "") or "fan")
    if pattern not in {"fan", "parallel"}:
        raise InputError(f"{sheet.path.name} layer layouts", f"{name} has the pattern {pattern!r}", "fan or parallel")
    drawn = [_bore(x, pad, pattern, sheet, ground) for x in _named(name, lines, sheet)]
    changes, findings = _doings(name, drawn, sheet), [_refusal(name, d) for d in drawn if d.bore is None]
    if pad_moved:
        changes.insert(0, Change(layout_id=name, bore_id="", figure="pad was moved", before="", after=""))
    refused = [_as_refused(name, d, site.spec.bore.depth_m[0]) for d in drawn if d.bore is None]
    bores = tuple(d.bore for d in drawn if d.bore is not None)
    if not bores:
        findings.append(
            Finding(
                severity="error",
                code="no-bores",
                layout_id=name,
                message="no bore is left that can be drilled; it is left out",
            )
        )
        return _Made(name=name, pad=pad, layout=None, refused=refused, findings=findings, changes=changes)
    pairs = pair_distances(bores, ground.rule)
    draft = Draft(pad=pad, pattern=pattern, bores=bores, pairs=pairs, candidates=0)
    heat, touching = _heat(name, ground, bores)
    edited = bool(changes or refused)
    gap = _gap(row, bores, heat, edited=edited) if same_site and not pad_moved else None
    finer = row.get("finer_gain_pct") if gap is not None and not edited else None
    judged = assemble.judge(
        draft,
        field=field,
        files=ground.files,
        wish=ground.wish,
        heat=heat,
        gap=gap,
        finer=None if finer is None else finer / 100,
    )
    near = [_too_near(bores[i], bores[j], d.shortfall_m, d.stations_m, site.spec.units) for (i, j), d in pairs.items()
            if d.shortfall_m > 0]  # fmt: skip
    told = tuple(replace(f, layout_id=name) for f in (*near, *touching, *judged.findings))
    judged = replace(judged, layout_id=name, findings=told)
    return _Made(name=name, pad=pad, layout=judged, refused=refused, findings=findings, changes=changes)


def _pad(name: str, sheet: Sheet) -> tuple[Pad, bool]:
    """A layout's pad as it was computed, or as it was moved; and whether it was."""
    outline, row = sheet.pads[name], sheet.exact.get((name, ""), {}).get("pad")
    if row:
        centre = (float(row["centre"][0]), float(row["centre"][1]))
        size = (float(row["size_m"][0]), float(row["size_m"][1]))
        polygon = rectangle(*centre, float(row["axis_deg"]), size)
        if shapely.hausdorff_distance(polygon, outline) <= SAME_M:
            return Pad(
                centre=centre,
                axis_deg=float(row["axis_deg"]),
                size_m=size,
                polygon=polygon,
                given=bool(row.get("given")),
            ), False
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
    sides = np.diff(box[:3], axis=0)
    run = np.hypot(*sides.T)
    dx, dy = sides[int(np.argmax(run))]
    centre = (float(outline.centroid.x), float(outline.centroid.y))
    axis = math.degrees(math.atan2(dx, dy)) % 180
    size = (float(run.min()), float(run.max()))
    return Pad(centre=centre, axis_deg=axis, size_m=size, polygon=outline, given=True), bool(row)


def _named(name: str, lines: Sequence[DrawnLine], sheet: Sheet) -> list[DrawnLine]:
    """Lines with ids of their own: copies and nameless ones get the next free number; of copies the untouched one keeps it."""
    taken: dict[str, DrawnLine] = {}
    spare: list[DrawnLine] = []
    for line in lines:
        other = taken.get(line.bore_id)
        if not line.bore_id:
            spare.append(line)
        elif other is None:
            taken[line.bore_id] = line
        else:
            mine, theirs = (_away(x, sheet) for x in (line, other))
            taken[line.bore_id], out = (line, other) if mine < theirs else (other, line)
            spare.append(out)
    used = set(taken) | {bore for layout, bore in (*sheet.bores, *sheet.exact) if layout == name}
    fresh = fresh_names(used)
    kept = {id(x) for x in taken.values()}
    return [x if id(x) in kept else replace(x, bore_id=next(fresh)) for x in lines]


def _away(line: DrawnLine, sheet: Sheet) -> float:
    """How far a line is from what its bore_id was computed as."""
    start = sheet.exact.get((line.layout_id, line.bore_id), {}).get("start")
    own = sheet.bores.get((line.layout_id, line.bore_id), {}).get("plan_length_m")
    if start is None or own is None:
        return math.inf
    length = float(shapely.length(shapely.LineString(line.xyz_m[:, :2])))
    return math.dist(start[:2], line.xyz_m[0, :2]) + abs(length - float(own))


def _bore(line: DrawnLine, pad: Pad, pattern: str, sheet: Sheet, ground: Prepared) -> Redrawn:
    if line.in_ground or line.bore_id in {k.bore_id for k in ground.field.site.kept}:
        own = next((k for k in ground.field.site.kept if k.bore_id == line.bore_id), line)
        return kept_bore(replace(own, layout_id=line.layout_id), ground.field, pattern)
    key = (line.layout_id, line.bore_id)
    return redraw(
        line,
        field=ground.field,
        pad=pad,
        pattern=pattern,
        figures=sheet.exact.get(key, {}),
        exit_xy=sheet.exits.get(key),
    )


def _doings(name: str, drawn: Sequence[Redrawn], sheet: Sheet) -> list[Change]:
    """What was done by hand: lines added, redrawn, deleted."""
    known = [bore for layout, bore in sheet.exact if layout == name and bore]
    done = []
    for d in drawn:
        added = bool(sheet.exact) and d.line.bore_id not in known and not d.line.in_ground
        if d.edited or added:
            words = d.told or "its line was redrawn"
            figure = f"bore was added ({words})" if added else words
            done.append(Change(layout_id=name, bore_id=d.line.bore_id, figure=figure, before="", after=""))
    here = {d.line.bore_id for d in drawn}
    done += [
        Change(layout_id=name, bore_id=bore, figure="bore was deleted", before="", after="")
        for bore in known
        if bore not in here
    ]
    return done


def _refusal(name: str, d: Redrawn) -> Finding:
    return Finding(
        severity="error",
        code="cannot-be-drilled",
        where=d.line.where,
        layout_id=name,
        bore_id=d.line.bore_id,
        station_m=d.station_m,
        message=f"the line cannot be drilled: {d.why}",
        remedy="correct the line and score again; it is left out of the figures",
    )


def _as_refused(name: str, d: Redrawn, tier_m: float) -> Refused:
    return Refused(
        layout_id=name,
        bore_id=d.line.bore_id,
        line=d.line.xyz_m[:, :2],
        why=d.why,
        station_m=d.station_m,
        target_depth_m=d.line.target_depth_m or tier_m,
    )


def _heat(name: str, ground: Prepared, bores: Sequence[Bore]) -> tuple[Heat | None, list[Finding]]:
    """What the heat says of these bores; bores that touch have none, and say so."""
    if ground.heat is None:
        return None, []
    try:
        return study(ground.heat, ground.field.site, bores), []
    except RangeError as error:
        message = f"temperatures cannot be computed: {error.what}"
        return None, [Finding(severity="error", code="no-heat", layout_id=name, message=message, remedy=error.remedy)]


def _gap(row: dict[str, Any], bores: Sequence[Bore], heat: Heat | None, *, edited: bool) -> float | None:
    """Share that another choice of the pad's candidates saves at most: the bound of the file, against the bores as they are now."""
    gap, total = row.get("bound_gap_pct"), row.get("total_length_m")
    if gap is None or total is None or heat is None:
        return None
    if not edited:
        return float(gap) / 100
    there = sum(b.length_m for b in bores if b.in_ground)
    bound = (float(total) - there) * (1 - float(gap) / 100)
    left = sum(b.length_m for b in bores) - there
    return max(0.0, 1 - bound / left) if heat.holds and left > 0 else None


def _too_near(a: Bore, b: Bore, short_m: float, stations_m: tuple[float, float], units: str) -> Finding:
    where = f"{length_text(stations_m[0], units)} along {a.bore_id} and {length_text(stations_m[1], units)} along {b.bore_id}"
    return Finding(
        severity="error",
        code="bores-too-near",
        bore_id=a.bore_id,
        station_m=stations_m[0],
        measured=-short_m,
        limit=0.0,
        message=f"{a.bore_id} and {b.bore_id} are {length_text(short_m, units)} nearer than they may be, {where}",
        remedy="move one of them",
    )


def _figures_changed(sheet: Sheet, new: dict[str, list[Any]]) -> list[Change]:
    """Columns of layouts and bores that differ between the file and now; a bore's rank is its layout's."""
    found: list[Change] = []
    for _, row in new["layouts"]:
        found += _columns_changed(sheet.layouts.get(row["layout_id"], {}), row, (row["layout_id"], ""), {"layout_id"})
    for _, row in new["bores"]:
        key = (row["layout_id"], row["bore_id"])
        found += _columns_changed(sheet.bores.get(key, {}), row, key, {"layout_id", "bore_id", "rank"})
    return found


def _columns_changed(
    before: dict[str, Any], now: dict[str, Any], key: tuple[str, str], but: set[str]
) -> Iterator[Change]:
    """Columns of the file whose value is another now."""
    for name, value in before.items():
        after = now.get(name)
        if name not in but and not _same(value, after):
            yield Change(layout_id=key[0], bore_id=key[1], figure=name, before=_shown(value), after=_shown(after))


def _same(a: object, b: object) -> bool:
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(float(a), float(b), rel_tol=SAME, abs_tol=SAME)
    return (a in (None, "")) == (b in (None, "")) and (a in (None, "") or str(a) == str(b))


def _shown(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:.6g}" if isinstance(value, float) or hasattr(value, "dtype") else str(value)
