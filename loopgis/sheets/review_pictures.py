"""Pictures of the review page, made small enough that the page stays under 8 MB with its chart library in it."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Pictures = Mapping[str, Path | Sequence[Path]]

PICTURE_PX, PICTURE_BYTES, LEAST_PX = 1800, 400_000, 1000
"""Embedded pictures: greatest width, wanted size of each, and the width below which they are not made smaller."""
PAGE_BYTES = 2_000_000
"""What all pictures of a page may take together, base64 included; the chart library takes 4.9 MB, the figures up to one."""
DRAWN_ANEW = ("-heat", "-profiles")
"""Sheets that the page draws itself, so that they can be pointed at: their pictures are left out."""


def embedded(pictures: Pictures) -> dict[str, list[str]]:
    """Pictures as data URIs by layout id, made small enough that the page stays under 8 MB."""
    files = {k: [v] if isinstance(v, Path) else list(v) for k, v in pictures.items()}
    files = {k: [p for p in v if not p.stem.endswith(DRAWN_ANEW)] for k, v in files.items()}
    count = sum(len(v) for v in files.values())
    limit = min(PICTURE_BYTES, int(PAGE_BYTES * 0.74 / max(count, 1)))
    return {k: [_data_uri(p, limit) for p in paths] for k, paths in files.items()}


def _data_uri(path: Path, limit_bytes: int) -> str:
    """Picture as WebP, narrowed until it keeps the limit or reaches the least width; no palette, so that thin colours survive."""
    from PIL import Image  # noqa: PLC0415 - comes with matplotlib

    with Image.open(path) as image:
        full = image.convert("RGB")
    width = min(full.width, PICTURE_PX)
    while True:
        height = round(full.height * width / full.width)
        small = full if width == full.width else full.resize((width, height), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        small.save(out, "WEBP", quality=88, method=3)
        if out.tell() <= limit_bytes or width <= LEAST_PX:
            return "data:image/webp;base64," + base64.b64encode(out.getvalue()).decode("ascii")
        width = max(LEAST_PX, int(width * min(0.9, (limit_bytes / out.tell()) ** 0.6)))
