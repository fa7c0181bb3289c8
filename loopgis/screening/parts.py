"""The checkpoint: verdicts of every block as a file of its own, whole or not there, with the fingerprint of the job.

A part is a small Parquet file named by the rows it holds and by its own digest; a manifest says of which inputs and settings all
parts are. A run that is started again takes over every parcel of a whole part, in whatever blocks it was, and refuses parts of
other inputs.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from contextlib import contextmanager, suppress
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import removed, replaced_file, write_text
from loopgis.core.errors import InputError
from loopgis.core.leftovers import is_left_over
from loopgis.screening.model import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

MANIFEST, MARK = "manifest.json", "screen parts/2"
_OURS = re.compile(r"manifest\.json|part-[0-9a-f-]+\.(parquet|broken)")
_TYPES = {
    "int": "int64",
    "str": "string",
    "Outcome": "string",
    "Method": "string",
    "float": "float64",
    "float | None": "float64",
}


def schema() -> Any:
    """Columns of a part: the fields of a Verdict."""
    import pyarrow as pa  # noqa: PLC0415

    return pa.schema([(f.name, getattr(pa, _TYPES[str(f.type)])()) for f in fields(Verdict)])


def write_part(folder: Path, key: str, found: Sequence[Verdict]) -> str:
    """Write the verdicts of a block; gives the file's name. Raises InputError when the folder cannot be written."""
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    table = pa.Table.from_pylist([asdict(v) for v in found], schema=schema().with_metadata({"key": key}))
    made = io.BytesIO()
    parquet.write_table(table, made)
    rows = " ".join(str(v.fid) for v in found).encode()
    name = f"part-{_digest(rows)}-{_digest(made.getvalue())}.parquet"
    with replaced_file(folder / name) as temp:
        temp.write_bytes(made.getvalue())
    return name


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:20]


def read_parts(folder: Path, key: str, columns: Sequence[str] | None = None) -> Any:
    """Table of all whole parts of a job. Parts that cannot be read are put aside, those of another job raise InputError."""
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    wanted = schema() if columns is None else pa.schema([schema().field(c) for c in columns])
    found = []
    for path in sorted(folder.glob("part-*.parquet")):
        try:
            data = path.read_bytes()
            if _digest(data) != path.stem.rpartition("-")[2]:
                raise pa.ArrowInvalid("not as it was written")
            table = parquet.read_table(io.BytesIO(data), columns=None if columns is None else list(columns))
            if (table.schema.metadata or {}).get(b"key") != key.encode():
                raise _of_others(folder)
            found.append(table.cast(wanted))
        except (pa.ArrowException, OSError):
            with suppress(OSError):
                path.rename(path.with_suffix(".broken"))
    return pa.concat_tables(found) if found else wanted.empty_table()


def _of_others(folder: Path) -> InputError:
    return InputError(
        str(folder),
        "holds parts of a run on other inputs or settings",
        "add --fresh to throw them away, or take back the inputs and settings of that run",
    )


def open_folder(folder: Path, key: str, about: dict[str, Any], *, fresh: bool) -> None:
    """Make the folder of a job's parts, or take it over. Raises InputError when its parts are of other inputs or settings."""
    try:
        if fresh and (folder / MANIFEST).exists():
            _only_ours(folder)
            with held(folder):
                removed(folder)
        folder.mkdir(parents=True, exist_ok=True)
        written = (folder / MANIFEST).read_text(encoding="utf-8") if (folder / MANIFEST).exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            str(folder), f"cannot be used ({error})", "check permissions, or name another output"
        ) from None
    if not written:
        if not all(is_left_over(p.name) for p in folder.iterdir()):
            raise InputError(str(folder), "is in the way: it holds other files", "move it, or name another output")
        write_text(folder / MANIFEST, json.dumps({"loopgis": MARK, "key": key, **about}, indent=1, sort_keys=True))
        return
    try:
        own = json.loads(written)["key"]
    except (ValueError, KeyError, TypeError):
        own = ""
    if own != key:
        raise _of_others(folder)


def _others(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if not _OURS.fullmatch(p.name) and not is_left_over(p.name))


def _only_ours(folder: Path) -> None:
    """InputError when anything but parts of a run stands there."""
    try:
        said = json.loads((folder / MANIFEST).read_text(encoding="utf-8") or "{}")
    except (ValueError, UnicodeDecodeError):
        said = None
    mine = said == {} or (isinstance(said, dict) and str(said.get("loopgis")).startswith("screen parts/"))
    others = [] if not mine else _others(folder)
    if not mine or others:
        what = f"is not thrown away: it holds {others[0] if others else f'a {MANIFEST} of somebody else'}"
        raise InputError(str(folder), what, "move that, or name another output")


def throw_away(folder: Path) -> None:
    """Remove the parts of a run that is done, and their folder when nothing else stands in it. Raises OSError."""
    if not _others(folder):
        removed(folder)
        return
    for path in folder.iterdir():
        if _OURS.fullmatch(path.name):
            path.unlink()


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the folder of parts alone. Raises InputError when another run has it."""
    try:
        import fcntl  # noqa: PLC0415
    except ImportError:  # not a Unix
        yield
        return
    with (folder / MANIFEST).open("rb") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(
                str(folder), "is in use by another run", "wait for it to end, or name another output"
            ) from None
        yield
