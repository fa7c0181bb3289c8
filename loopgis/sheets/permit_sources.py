"""What the permit office's sheets say of data and details: layers and files, pipe, fluid, hole, tests, open questions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.core.in_use import read_only
from loopgis.core.units import PSI_PA, length_text
from loopgis.rules.audit_read import read_layer, read_table
from loopgis.sheets.drill_pull import bore_size
from loopgis.sheets.permit_book import Detail, SourceLine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.rules.audit_read import Package
    from loopgis.sheets.permit_book import BorePlan

_LAYERS = {
    "parcel": "the lot",
    "buildings": "buildings",
    "features": "wells, septic, lines, waters and the rest",
    "pads": "drill pads",
    "bores": "bores",
    "headers": "pipe from pad to building",
    "terrain": "heights of the ground",
}
_UNDATED = "2000-01-01"
"""Day that loopgis writes into its files so that the same input gives the same bytes: it says nothing."""
PRACTICE, MEMORY = "common practice, no source", "from memory"
STANDARDS = "ASTM D3035, F714 or D2737"
"""Pipe standards that plan sets name (facts/permits section 2); which one holds is for the pipe's print line to say."""


def sources(package: Package, said: dict[str, Any]) -> tuple[SourceLine, ...]:
    """Layers of a GeoPackage, then the files that it says it was made from; rows 0 and "" where nothing is said."""
    changed = _changed(package)
    lines = []
    for name, what in _LAYERS.items():
        if not package.has(name):
            lines.append(SourceLine(layer=name, what=f"{what}: not in the file", rows=0, changed="", quality=""))
            continue
        table = None if name == "terrain" else read_layer(package, name)
        levels = (
            sorted({q.upper() or "not said" for q in table.text("quality")})
            if table is not None and name == "features"
            else []
        )
        lines.append(
            SourceLine(
                layer=name,
                what=what,
                rows=1 if table is None else table.rows,
                changed=changed.get(name, ""),
                quality=", ".join(levels),
            )
        )
    inputs = [row for row in said.get("inputs", []) if isinstance(row, dict)]
    lines += [
        SourceLine(
            layer=str(row.get("path", "")),
            what=f"input: {str(row.get('role', '')).replace('_', ' ')}, {row.get('crs', '')}",
            rows=int(row.get("rows") or 0),
            changed="",
            quality=f"SHA-256 {str(row.get('sha256', ''))[:12]}",
        )
        for row in inputs
    ]
    return tuple(lines)


def _changed(package: Package) -> dict[str, str]:
    """Day of the last change of each layer, as the file says; "" where it says nothing of worth."""
    connection = read_only(package.path)
    try:
        rows = connection.execute("SELECT lower(table_name), last_change FROM gpkg_contents").fetchall()
    finally:
        connection.close()
    days = {str(name): str(day or "")[:10] for name, day in rows}
    return {name: "" if day == _UNDATED else day for name, day in days.items()}


def details(
    package: Package,
    said: dict[str, Any],
    bores: Sequence[BorePlan],
    layout_id: str,
    units: str,
    tests: dict[str, Any],
) -> tuple[Detail, ...]:
    """Detail notes by group; what the file does not say is told as such, what is practice says so. units: us or metric."""
    pipe = said.get("pipe") or {}
    unknown = "not in the file: write by hand"
    size = f"{pipe['size']} DR {pipe.get('dr', 0):g}, polyethylene" if pipe.get("size") else unknown
    holes = sorted({round(b.hole_diameter_m, 4) for b in bores})
    lines = [
        Detail(group="Loop pipe", name="pipe", value=size),
        Detail(group="Loop pipe", name="standard", value=f"{STANDARDS}, as printed on the pipe", source=PRACTICE),
        Detail(group="Loop pipe", name="joints", value="fused; none inside a bore but the U-bend", source=PRACTICE),
        Detail(group="Loop pipe", name="fluid", value=str(pipe.get("fluid") or unknown)),
        Detail(
            group="Loop pipe",
            name="fluid, label",
            value="fluid, its share, date and volume on a label at the unit and at the header",
            source=PRACTICE,
        ),
    ]
    lines += _circuits(package, layout_id)
    lines += [
        Detail(
            group="Bore",
            name="reamed hole",
            value=", ".join(bore_size(h, units) for h in holes),
            source="" if _says_hole(package, said) else "taken: the file does not say",
        ),
        Detail(
            group="Bore",
            name="annulus",
            value="open question for the office: a pulled-back loop cannot be grouted from the bottom up as a vertical one is;"
            " some offices take thickened bentonite fluid or grout through the reamer",
            source=MEMORY,
        ),
        Detail(
            group="Bore",
            name="tracer wire",
            value="one per bore, tested for continuity after the pull",
            source=PRACTICE,
        ),
        Detail(
            group="Bore",
            name="drilling mud",
            value="kept in the pits, watched at every pond, drain and slope, hauled to a place that takes it; on a return at the"
            " surface: stop, contain, clean up, notify",
            source="one contingency plan asks for notice to agencies within 24 h; the rest is common practice",
        ),
        Detail(
            group="Header",
            name="cover",
            value=f"at least {length_text(1.2192, units)} over pipe and header",
            source="UFGS 15741 3.3.2: 48 in",
        ),
        Detail(
            group="Header",
            name="near walls and other pipes",
            value=f"insulated to R-2 within {length_text(1.524, units)} when it carries antifreeze",
            source="UFGS 15741 3.3.2: 5 ft",
        ),
        Detail(
            group="Header", name="warning tape", value="above header and pit, with the fluid's name", source=PRACTICE
        ),
        Detail(
            group="Wall",
            name="penetration",
            value="sleeved, sealed outside and inside, settled fill under the pipe; pipe marked where it enters the building",
            source="marking: IRC M2105.25, its wording governs; the rest is common practice",
        ),
    ]
    lines += [_test(row, units) for row in tests.get("test", [])]
    lines.append(
        Detail(
            group="Giving up the loop",
            name="decommissioning",
            value=f"fluid out, pipe cut at least {length_text(0.9144, units)} below the surface, loop filled with bentonite or"
            " cement slurry; told to the office",
            source="10 CSR 23-5.080 for vertical loops; for steered bores ask",
        )
    )
    return tuple(lines)


def _says_hole(package: Package, said: dict[str, Any]) -> bool:
    """True when the file itself says how wide the holes are."""
    table = read_layer(package, "bores")
    return bool((said.get("bore") or {}).get("hole_diameter_m")) or (
        table is not None and "hole_diameter_m" in table.columns
    )


def _circuits(package: Package, layout_id: str) -> list[Detail]:
    """Number of circuits and how they are joined, where the file says so."""
    table = read_table(package, "layouts")
    if table is None:
        return []
    rows = [table.row(i) for i, name in enumerate(table.text("layout_id")) if name == layout_id]
    return [
        Detail(group="Header", name=name.replace("_", " "), value=str(rows[0][name]))
        for name in ("circuits", "header_way")
        if rows and rows[0].get(name) not in (None, "")
    ]


def _test(row: dict[str, Any], units: str) -> Detail:
    """One published pressure test in words."""
    parts = []
    if row.get("least_psi"):
        psi = float(row["least_psi"])
        parts.append(f"{psi:g} psi" if units == "us" else f"{psi * PSI_PA / 1000:.0f} kPa")
    if row.get("times_operating"):
        parts.append(f"{row['times_operating']:g} times the operating pressure")
    held = f"held {row['hold_min']:g} min" if row.get("hold_min") else ""
    words = ", ".join(
        t for t in (" and at least ".join(parts), held, str(row.get("medium", "")), str(row.get("passes", ""))) if t
    )
    return Detail(group="Pressure test", name=str(row["name"]), value=words, source=_marked(str(row.get("source", ""))))


def _marked(source: str) -> str:
    """A source with its marks (S seen, M from memory) as words.

    >>> _marked("S: a text; M: 10 psi")
    'read: a text; from memory: 10 psi'
    """
    return source.replace("S: ", "read: ").replace("M: ", "from memory: ")
