"""review.html: one long page that answers first, then shows; self-contained, no script, prints as it is."""

from __future__ import annotations

import base64
import io
from importlib import resources
from typing import TYPE_CHECKING, Any

from loopgis.core.findings import in_order
from loopgis.core.units import length_text
from loopgis.sheets import tokens
from loopgis.sheets.cautions import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.core.findings import Finding
    from loopgis.layout.model import Clearance, Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site

PICTURE_PX = 1700
NOT_COMPUTED = (
    "heat: entering-water temperature and the length that just carries the load",
    "hydraulics: pressure head, pump, purge",
    "pull loads and annular pressure",
    "time and cost",
    "a proven bound on how much better a choice of bores could be",
)
_RANK = ("fail", "ruling_needed", "unverified", "consent_needed", "pass_thin", "pass", "not_applicable")


def write_review(
    path: Path,
    site: Site,
    zones: Sequence[Zone],
    layouts: Sequence[Layout],
    pictures: dict[str, list[Path]],
    findings: Sequence[Finding],
    summary: dict[str, Any],
) -> None:
    """Write the page. pictures: files per layout id, embedded as they are, made smaller where they are large."""
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415

    text = (resources.files("loopgis") / "sheets" / "templates" / "review.html.j2").read_text("utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True).from_string(
        text
    )
    units = site.spec.units

    def length(value: float | None, digits: int = 1) -> str:
        return "\u2013" if value is None or value != value else length_text(value, units, digits)  # noqa: PLR0124 - NaN

    path.write_text(
        page.render(
            site=site,
            zones=zones,
            layouts=layouts,
            best=layouts[0],
            answer=_answer(layouts[0], units),
            chart=_chart(layouts, units),
            pictures={k: [_data_uri(p) for p in files] for k, files in pictures.items()},
            clearances={y.layout_id: _grouped(y.clearances) for y in layouts},
            findings=in_order(list(findings)),
            pads=summary["pads_tried"],
            outcomes=tokens.OUTCOME,
            ink=tokens.INK,
            not_computed=NOT_COMPUTED,
            cautions=CAUTIONS,
            length=length,
        ),
        "utf-8",
    )


def _answer(best: Layout, units: str) -> str:
    """Why this layout comes first, in a sentence or two."""
    e = best.evaluation
    drilled, level = length_text(e.total_length_m, units, 0), length_text(e.level_length_m, units, 0)
    text = f"{e.bores} {best.pattern} bores, {drilled} drilled, {level} of it level run"
    if e.wanted_length_m:
        share = e.level_length_m / e.wanted_length_m
        text += f": {share:.0%} of the {length_text(e.wanted_length_m, units, 0)} wanted"
    strong = sorted(best.terms.items(), key=lambda kv: -kv[1]["points"])[:2]
    return f"{text}. It scores most for {strong[0][0]} and {strong[1][0]}."


def _grouped(rows: Sequence[Clearance]) -> list[tuple[str, list[Clearance]]]:
    """Rows by outcome, worst first, least margin first."""

    def margin(c: Clearance) -> float:
        return c.margin_m if c.margin_m == c.margin_m else 0.0

    groups = (
        (name, sorted((c for c in rows if c.outcome == name), key=lambda c: (margin(c), c.bore_id))) for name in _RANK
    )
    return [(name, group) for name, group in groups if group]


def _data_uri(path: Path) -> str:
    """Picture as a data URI, at most PICTURE_PX wide, with a palette to keep the page small."""
    from PIL import Image  # noqa: PLC0415 - comes with matplotlib

    with Image.open(path) as image:
        small = image.convert("RGB")
        if small.width > PICTURE_PX:
            small = small.resize((PICTURE_PX, round(small.height * PICTURE_PX / small.width)), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        small.quantize(128, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def _chart(layouts: Sequence[Layout], units: str) -> dict[str, Any]:
    """Points of the trade-off picture: level run against what there is to ask or expose; in SVG units of a 640 x 300 box."""
    level = [y.evaluation.level_length_m for y in layouts]
    asks = [y.evaluation.crossings + y.evaluation.consents + y.evaluation.unverified for y in layouts]
    top, right = max(*level, 1.0) * 1.15, max(*asks, 1) * 1.2
    points: list[dict[str, Any]] = [
        {
            "x": 70 + 540 * a / right,
            "y": 250 - 225 * v / top,
            "name": y.layout_id,
            "fan": y.pattern == "fan",
            "best": y.rank == 1,
            "below": False,
        }
        for y, v, a in zip(layouts, level, asks, strict=True)
    ]
    for n, p in enumerate(points):
        p["below"] = any(abs(p["x"] - q["x"]) < 45 and abs(p["y"] - q["y"]) < 14 and not q["below"] for q in points[:n])
    y_marks = [{"y": 250 - 225 * k / 4, "text": length_text(top * k / 4, units, 0)} for k in range(5)]
    x_marks = [{"x": 70 + 540 * k / 4, "text": f"{right * k / 4:.0f}"} for k in range(5)]
    return {"points": points, "x": x_marks, "y": y_marks}
