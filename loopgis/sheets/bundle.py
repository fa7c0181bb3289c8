"""All files of a design in one folder: layouts.gpkg, summary.json, review.html and a picture per layout; all or nothing."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import replaced_folder
from loopgis.sheets.plumbing_rows import material_csv

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from loopgis.core.findings import Finding
    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site

OURS = ("layouts.gpkg", "summary.json", "review.html", "L-[0-9][0-9].png", "L-[0-9][0-9]-order.csv")


@dataclass(frozen=True, kw_only=True, eq=False)
class Contents:
    """What is to be written."""

    site: Site
    zones: tuple[Zone, ...]
    layouts: tuple[Layout, ...]
    findings: tuple[Finding, ...]
    summary: dict[str, Any]


def write_bundle(
    folder: Path, contents: Contents, *, overwrite: bool, pictures: bool, tell: Callable[[str], None]
) -> list[Path]:
    """Write everything, and give the paths. Raises InputError as `replaced_folder` does."""
    from loopgis.core.version import VERSION  # noqa: PLC0415
    from loopgis.sheets.geopackage import write_layouts  # noqa: PLC0415

    with replaced_folder(folder, OURS, overwrite=overwrite) as temp:
        tell("writing layouts.gpkg")
        write_layouts(temp / "layouts.gpkg", contents.site, contents.zones, contents.layouts, version=VERSION)
        (temp / "summary.json").write_text(
            json.dumps(plain(contents.summary), indent=1, allow_nan=False) + "\n", "utf-8"
        )
        for layout in contents.layouts:
            if layout.materials:
                text = material_csv(layout, contents.site.spec.units)
                (temp / f"{layout.layout_id}-order.csv").write_text(text, "utf-8")
        if pictures:
            _pictures(temp, contents, tell)
        names = sorted(p.name for p in temp.iterdir())
    return [folder / name for name in names]


def _pictures(folder: Path, contents: Contents, tell: Callable[[str], None]) -> None:
    from loopgis.sheets.header_sheet import draw_header  # noqa: PLC0415
    from loopgis.sheets.heat_sheet import draw_heat  # noqa: PLC0415
    from loopgis.sheets.plan_map import draw_layout  # noqa: PLC0415
    from loopgis.sheets.review import write_review  # noqa: PLC0415

    drawn: dict[str, list[Path]] = {}
    for layout in contents.layouts:
        tell(f"drawing {layout.layout_id}")
        path = folder / f"{layout.layout_id}.png"
        drawn[layout.layout_id] = draw_layout(path, contents.site, contents.zones, layout)
        if layout.heat is not None:
            heat = path.with_name(f"{layout.layout_id}-heat.png")
            drawn[layout.layout_id].append(draw_heat(heat, contents.site, layout))
        if layout.plumbing is not None:
            header = path.with_name(f"{layout.layout_id}-header.png")
            drawn[layout.layout_id].append(draw_header(header, contents.site, layout))
    tell("writing review.html")
    write_review(
        folder / "review.html",
        contents.site,
        contents.zones,
        contents.layouts,
        drawn,
        contents.findings,
        contents.summary,
    )


def plain(value: Any) -> Any:
    """A value with figures that are not finite as None, for strict JSON."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
