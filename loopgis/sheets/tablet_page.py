"""The crew's page: one HTML file that holds everything, made of the parts in `page/` and the job's data.

No request goes anywhere: script and style stand inside, allowed by their hashes in a Content-Security-Policy that forbids all else.
A new part of the page: a file in `page/`, named in `SCRIPTS` after those it needs.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from importlib import resources
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import write_text
from loopgis.core.errors import RangeError

if TYPE_CHECKING:
    from pathlib import Path

SCRIPTS = ("core.js", "dom.js", "store.js", "profile.js", "plan.js", "forms.js", "tablet.js")
"""Parts of the page's script, each after what it needs."""
_INDENT = re.compile(r"^[ \t]+", re.MULTILINE)
_COMMENT = re.compile(r"^(//[^\n]*|/\*(?:(?!\*/).)*\*/)\n", re.MULTILINE | re.DOTALL)


def tablet_page(job: dict[str, Any]) -> str:
    """The page of a job (schema loopgis-tablet/1, all lengths metres) as HTML. The same job gives the same text.

    Raises RangeError when the job holds figures that are none.
    """
    script = "\n".join(part(name) for name in SCRIPTS)
    style = part("tablet.css")
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src '{hashed(script)}'",
            f"style-src '{hashed(style)}'",
            "img-src data: blob:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    page = part("tablet.html")
    for mark, text in (("POLICY", policy), ("STYLE", style), ("SCRIPT", script), ("JOB", data_text(job))):
        before, found, after = page.partition(f"@@{mark}@@")
        if not found:  # pragma: no cover - the template stands beside this file
            raise RangeError("tablet.html", f"has no place for {mark}", "put it back")
        page = before + text + after
    return page


def write_tablet_page(path: Path, job: dict[str, Any]) -> Path:
    """Write the page of a job. Raises RangeError as `tablet_page` does, InputError when the place cannot be written."""
    return write_text(path, tablet_page(job))


def packed(value: Any) -> Any:
    """The same with every list of like objects as one table: {"$keys": names, "$rows": values}; the page unpacks it (dom.js)."""
    if isinstance(value, dict):
        return {k: packed(v) for k, v in value.items()}
    if not isinstance(value, (list, tuple)):
        return value
    rows = list(value)
    keys = list(rows[0]) if len(rows) > 1 and isinstance(rows[0], dict) else []
    if keys and all(isinstance(r, dict) and list(r) == keys for r in rows):
        return {"$keys": keys, "$rows": [[packed(r[k]) for k in keys] for r in rows]}
    return [packed(r) for r in rows]


def part(name: str) -> str:
    """A part of the page without its indents and the lines that are nothing but comment."""
    text = (resources.files("loopgis.sheets") / "page" / name).read_text("utf-8")
    return _COMMENT.sub("", _INDENT.sub("", text))


def hashed(text: str) -> str:
    """What a Content-Security-Policy calls an inline part by."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def data_text(job: dict[str, Any]) -> str:
    """JSON that cannot end its element: every sign that means something to HTML is written as its number."""
    try:
        text = json.dumps(packed(job), ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    except ValueError:
        raise RangeError("job", "holds a figure that is none", "write null for what is not known") from None
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
