"""The permit office's check of a GeoPackage: audit, plan set, files beside it. Everything is written, or nothing."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopgis.core.atomic import check_folder, replaced_file, replaced_folder
from loopgis.core.in_use import Seen
from loopgis.core.place import ready_file
from loopgis.core.units import length_text
from loopgis.sheets import tokens
from loopgis.sheets.permit_told import about_the_file

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopgis.core.findings import Finding
    from loopgis.sheets.permit_book import PermitBook, SetbackRow


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """What `setbacks` found and wrote. findings: of the whole file, or of the one layout asked for; errors first."""

    book: PermitBook
    findings: tuple[Finding, ...]
    written: tuple[Path, ...]

    @property
    def failed(self) -> bool:
        """True when anything looked at fails."""
        return any(f.severity == "error" for f in self.findings)

    def summary(self) -> dict[str, Any]:
        """Everything for machines."""
        book = self.book
        return {
            "loopgis": 1,
            "file": book.file_name,
            "layout": book.layout_id,
            "claim": book.claim,
            "failed": self.failed,
            "rules": [f.file_id for f in book.files],
            "outcomes": {o: n for o in tokens.OUTCOME if (n := Counter(str(r.outcome) for r in book.rows)[o])},
            "rows": [_row(r) for r in book.rows],
            "rules_checked": [{"rule": r.key, "state": r.state, "why": r.why} for r in book.rules],
            "missing": list(book.missing),
            "other_layouts": list(book.others),
            "findings": [f.as_dict() for f in self.findings],
            "written": [str(p) for p in self.written],
        }

    def lines(self) -> list[str]:
        """The answer as lines of text, fails first."""
        book = self.book
        counts = Counter(str(r.outcome) for r in book.rows)
        out = [book.claim, ", ".join(f"{counts[o]} {o.replace('_', ' ')}" for o in tokens.OUTCOME if counts[o])]
        for row in (r for r in book.table if r.outcome in {"fail", "ruling_needed", "consent_needed"}):
            given = "not measured" if row.provided is None else _figure(row.provided, row.unit, book.units)
            asked = _figure(row.required, row.unit, book.units)
            basis = {"plan": "in plan", "pad": "from the pad"}.get(row.basis, row.basis)
            figures = f"{basis} {given}, asked {asked}" if row.unit else row.remark
            place = f"{row.bore_id} " if row.bore_id else ""
            out.append(
                f"{row.outcome.replace('_', ' ')}: {place}{row.thing}: {figures} ({row.rule_id}, {row.citation})"
            )
        states = Counter(r.state for r in book.rules)
        out.append(
            "rules and duties: " + ", ".join(f"{states[s]} {s}" for s in ("checked", "not checked", "needs a person"))
        )
        return [*out, *book.others]

    def told(self) -> list[str]:
        """Findings about the file itself as lines: faults, then doubts; many of one sort as their first and a count."""
        lines = []
        mine = [f for f in self.findings if about_the_file(f) and f.severity != "note"]
        for code, layout, bore in dict.fromkeys((f.code, f.layout_id, f.bore_id) for f in mine):
            same = [f for f in mine if (f.code, f.layout_id, f.bore_id) == (code, layout, bore)]
            more = f" (and {len(same) - 1} more of this sort there)" if len(same) > 1 else ""
            lines.append(same[0].line() + more)
        return lines


def _figure(value: float, unit: str, units: str) -> str:
    return length_text(value, units, 2) if unit == "m" else f"{value:.0f} {unit}"


def _row(row: SetbackRow) -> dict[str, Any]:
    return {
        "bore": row.bore_id,
        "rule": row.rule_id,
        "feature": row.feature_id,
        "kind": row.kind,
        "basis": row.basis,
        "required": row.required,
        "provided": row.provided,
        "margin": row.margin,
        "unit": row.unit,
        "outcome": row.outcome,
        "citation": row.citation,
    }


def setbacks(
    gpkg: str | Path,
    output: str | Path,
    *,
    rules: Sequence[str] | str | None = None,
    layout_id: str = "",
    units: str | None = None,
    paper: str | None = None,
    scale: str | None = None,
    title: str | Path | None = None,
    files: str | Path | None = None,
    elevation: str | Path | None = None,
    overwrite: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> Checked:
    """Check a GeoPackage against rule files and write the plan set of one layout as PDF.

    gpkg: anybody's, with layers parcel and bores at least, lines with or without heights. rules: shipped ids or paths; None for
    those that the file names, else the house's. layout_id: "" checks the whole file and draws the layout of rank 1, or the only
    one. units: "us" or "metric". paper: letter, ledger, arch-d, a4, a3 or a1; scale: "1 in = 30 ft" or "1:360"; both chosen when
    left out. title: a TOML file with the title block's words. files: a folder for tables, drawing, coordinates, one-call outline
    and the blank as-built form. elevation: raster of the ground for a file that holds none. Raises InputError for anything that
    cannot be used; then nothing is written.
    """
    from loopgis.rules.audit import audited  # noqa: PLC0415
    from loopgis.sheets.permit_files import FILES, write_files  # noqa: PLC0415
    from loopgis.sheets.permit_form import write_form  # noqa: PLC0415
    from loopgis.sheets.permit_read import book_of  # noqa: PLC0415
    from loopgis.sheets.permit_set import write_set  # noqa: PLC0415
    from loopgis.sheets.permit_title import read_title  # noqa: PLC0415

    inputs = [p for p in (gpkg, elevation, title) if p is not None]
    place = ready_file(output, suffix=".pdf", overwrite=overwrite, inputs=inputs)
    names = (*FILES, FORM)
    if files is not None:
        check_folder(Path(files), names, overwrite=overwrite, inputs=inputs)
    seen = Seen(inputs)
    words = None if title is None else read_title(Path(title))
    tell("measuring every bore anew")
    whole = audited(gpkg, rules, elevation=elevation)
    book = book_of(whole, layout_id=layout_id, units=units, title=words)
    found = tuple(f for f in whole.findings if not layout_id or f.layout_id in {"", layout_id})
    with replaced_file(place, overwrite=overwrite) as temp:
        write_set(temp, book, paper=paper, scale=scale, tell=tell)
        written = [place]
        if files is None:
            seen.check()
        else:
            tell("writing tables and drawing")
            with replaced_folder(Path(files), names, overwrite=overwrite) as folder:
                write_files(book, folder, source=Path(gpkg), elevation=None if elevation is None else Path(elevation))
                write_form(folder / FORM, book)
                seen.check()
                written += [Path(files) / p.name for p in sorted(folder.iterdir())]
    return Checked(book=book, findings=found, written=tuple(written))


FORM = "as_built_form.pdf"
