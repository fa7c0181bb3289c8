"""Title and cautions: the frame that every sheet of a layout has."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopgis.sheets import figure, tokens
from loopgis.sheets.cautions import SHORT_CAUTION

if TYPE_CHECKING:
    from loopgis.layout.model import Layout
    from loopgis.site.model import Site


def frame(sheet: Any, site: Site, layout: Layout, what: str) -> None:
    """Title line on top, cautions along the bottom edge."""
    height = float(sheet.get_size_inches()[1])
    top, low = 1 - 0.30 / height, 0.40 / height
    words = {"family": figure.FONT, "va": "center", "parse_math": False}
    sheet.text(0.015, top, site.spec.name[:70], fontsize=figure.LARGE + 3, fontweight="bold", **words)
    title = f"layout {layout.layout_id},  rank {layout.rank},  {layout.pattern},  {what}"
    sheet.text(0.985, top, title, fontsize=figure.LARGE, ha="right", **words)
    box = {"boxstyle": "square,pad=0.5", "fc": tokens.PAPER, "ec": tokens.TEXT, "lw": 0.9}
    sheet.text(0.5, low, _caution(layout), fontsize=figure.NORMAL + 0.5, ha="center", bbox=box, **words)


def _caution(layout: Layout) -> str:
    """The short caution; it never says that distances are met when one is not."""
    fails = sum(c.outcome == "fail" for c in layout.clearances)
    claim = "Meets the distances entered"
    return (
        SHORT_CAUTION.replace(claim, f"Does NOT meet the distances entered: {fails} fail") if fails else SHORT_CAUTION
    )
