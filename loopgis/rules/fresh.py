"""The text of a new rule file: a small one to fill in, or a copy of a shipped one under an id of its own.

To add a rule to the small file: a block in `_RULES`.
"""

from __future__ import annotations

import difflib
import json
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

from loopgis.core.atomic import write_text
from loopgis.core.errors import InputError, UsageError
from loopgis.core.place import ready_file
from loopgis.core.units import FT_M
from loopgis.core.version import VERSION
from loopgis.rules.files import load, parse, shipped
from loopgis.rules.told import rule_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

LEVELS = ("house", "standard", "state", "county", "municipal", "covenant", "utility")
UNITS = ("ft", "m")
CITATION = "replace: clause of your code"
"""What stands for the clause until somebody names it; `loopgis rules check` tells as long as it does."""
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_ID = 40
_LENGTH = re.compile(r"<(\d+(?:\.\d+)?)>")
_SECTION = re.compile(r"(?ms)^\[jurisdiction\][^\n]*\n.*?(?=^\[)")
_STATUS = re.compile(r'(?m)^status = "(\w+)"')

_TOP = """\
# Rules of {name}, to be filled in. Until you have read your own code, this is NOT LAW: the distances are house rules.
# How to go on:
# 1. Go through your code clause by clause. Correct the distance of each rule, and write the clause into `citation`.
# 2. Take out the rules that your code does not have; copy a [[rule]] block for each one that it has besides.
# 3. Set source_status ("seen_official" when you read it at the authority) and checked (the day on which you read it).
# 4. Run `loopgis rules check` on this file: it tells what is left to do. `loopgis rules explain` tells what it asks, in words.
# Every rule names: feature (a kind of thing, or several: ["septic_tank", "drain_field"]), plan_distance (in plan), crossing mode
# (what holds nearer than that), citation, paraphrase (what the clause asks, in your words), source (where you read it).
# Modes: never (no bore comes nearer), under_with_cover and owner_consent (under it, with min_cover), perpendicular (across it, with
# vertical_clearance), over_or_under_with_clearance, ruling (nearer than that the office is asked).
schema = "loopgis-rules/1"

[jurisdiction]
id = {id}
name = {name_text}
level = {level}                # house, standard, state, county, municipal, covenant or utility
parents = []                   # ids of files whose rules hold too, e.g. ["us-me"]
# effective = 2026-01-01       # the day from which the code holds
# checked = 2026-11-25         # the day on which you read it
source_status = "from_memory"  # seen_official, seen, seen_mirror, secondary or from_memory
advisory_only = {advisory}

[applicability]
loop_class = ["bored_horizontal", "bored_vertical"]  # bored_horizontal: steered bores; also trenched, pond
class_certainty = "assumed"    # text: it names them; agency_ruling: the office said so; assumed: passes go to the office

# [applicability.depth_trigger]  # only bores deeper than this fall under the code
# op = ">"
# value = <15>
# unit = "{unit}"

[defaults]
measure_from = "bore_axis_projection"  # or hole_edge, or opening (entry and exit only)
measure_to = "feature_edge"            # or feature_axis, vertical_projection
units = "{unit}"

[tolerance]                    # for doubt, by quality of the survey (ASCE 38); house figures, in no code
A       = {{ plan = <0.2>, vert = <0.1>, unit = "{unit}" }}
B       = {{ plan = <2>, vert = <1>, unit = "{unit}" }}
C       = {{ plan = <3>, vert = <2>, unit = "{unit}" }}
D       = {{ plan = <5>, vert = <2>, unit = "{unit}" }}
unknown = {{ plan = <5>, vert = <2>, unit = "{unit}" }}
bore    = {{ plan = <1>, vert_pct_depth = 5.0, unit = "{unit}" }}
"""

_RULES: tuple[tuple[str, str, str, str], ...] = (
    (
        "lot-line",
        """feature = "property_line"
applies_to = ["bore", "pit"]   # pit: the pad on which the rig stands
plan_distance = {{ value = <10>, unit = "{unit}" }}
crossing = {{ mode = "never" }}""",
        "deny",
        "Bores stay inside the lot line by this much.",
    ),
    (
        "well",
        """feature = "water_well"
# feature_filter = {{ use = ["private", "unknown"] }}   # only wells of this use
# relax = [{{ when = {{ fluid = ["propylene glycol"] }}, plan_distance = {{ value = <75>, unit = "{unit}" }}, needs = "variance" }}]
applies_to = ["bore", "pit"]
plan_distance = {{ value = <100>, unit = "{unit}" }}
crossing = {{ mode = "never" }}""",
        "deny",
        "Wells keep this distance in plan, at any depth.",
    ),
    (
        "septic",
        """feature = ["septic_tank", "drain_field", "drain_field_reserve"]
applies_to = ["bore", "pit"]
plan_distance = {{ value = <50>, unit = "{unit}" }}
crossing = {{ mode = "never" }}""",
        "deny",
        "Septic tanks, drain fields and their reserve keep this distance.",
    ),
    (
        "building",
        """feature = "building"
applies_to = ["bore"]
plan_distance = {{ value = <10>, unit = "{unit}" }}
min_cover = {{ value = <6>, unit = "{unit}", below = "lowest_footing" }}
foundation_depth = {{ slab = <1>, footing = <4>, basement = <8>, unknown = <8>, unit = "{unit}" }}
crossing = {{ mode = "owner_consent", consent = ["building_owner"] }}""",
        "variance",
        "Nearer than this to a building, or under it, only so far below its lowest footing and with the owner's consent.",
    ),
    (
        "buried-line",
        """feature = ["gas_line", "electric_ug", "telecom", "water_main", "water_service", "sewer_gravity", "sewer_force"]
applies_to = ["bore", "pit"]
plan_distance = {{ value = <10>, unit = "{unit}" }}
vertical_clearance = {{ value = <2>, unit = "{unit}" }}
crossing = {{ mode = "perpendicular", angle_min_deg = 45, verify = "expose", min_quality = "A" }}""",
        "deny",
        "Beside a buried line this distance; across it steeply, exposed first, and so much clear.",
    ),
    (
        "pond",
        """feature = "surface_water"
applies_to = ["bore", "pit"]
plan_distance = {{ value = <10>, unit = "{unit}" }}
min_cover = {{ value = <6>, unit = "{unit}", below = "feature_depth" }}
crossing = {{ mode = "under_with_cover" }}""",
        "deny",
        "Nearer than this to a pond or ditch, or under it, only so far below its bed.",
    ),
)
"""Id, body, on_fail and paraphrase of each rule; a figure in <> is a house distance in feet."""

_END = """
# What else a file may hold; take off the signs of the lines that you need.
# [[rule]]                      # a rule on the whole job: max_depth, max_bores or allowed_fluids
# id = "depth"
# feature = "ground"
# max_depth = {{ value = <20>, unit = "{unit}" }}
# on_fail = "prior_approval"
# citation = "{citation}"
# paraphrase = "No bore goes deeper than this without the office's approval."
#
# [[duty]]                      # what somebody must do and nobody can measure; when: before, during or after
# id = "report"
# what = "The report is handed in after the work."
# when = "after"
# days = 30
# citation = "{citation}"
# source = "where you read it"
#
# [submittal]                   # what you want to see with an application
# map_radius = {{ value = <200>, unit = "{unit}" }}
# needs = ["north_arrow", "scale", "lot_lines", "structures", "wells", "septic", "bore_table", "fluid"]
# notice_hours = 48
# citation = "{citation}"
#
# [one_call]
# tolerance_zone = {{ value = <1.5>, unit = "{unit}" }}
# notice_business_days = 2
# citation = "{citation}"
"""

_COPY = """\
# A copy of the rule file {source} that ships with loopgis {version}, under the id {id}. It is NOT the text of any code: read yours,
# correct every rule and its citation, then set source_status, the status of single rules, and checked. `loopgis rules check` tells
# what is left to do. What follows is the shipped file, its comments included; only id, name, level and status were changed.
"""


def fresh_text(file_id: str, *, name: str = "", level: str = "", source: str = "", unit: str = "") -> str:
    """TOML of a new rule file that both readers take.

    file_id: small letters, digits and hyphens, none of the shipped ids; name: of the authority; level: one of LEVELS, default that
    of the copied file, else county; source: shipped id to copy, empty for a small file with house distances and citations to be
    replaced; unit: ft | m, of the small file, default ft (metres are rounded up to the centimetre). Raises InputError for an id, a
    name or a source that will not do, UsageError for a unit beside a source: a copy keeps the published figures and units.
    """
    _check_id(file_id)
    if name and not name.isprintable():
        raise InputError("name", f"{name!r} holds signs that cannot be printed", "write it in one plain line")
    _one_of(level or "county", LEVELS, "level")
    if source and unit:
        raise UsageError("--units goes without --from: a copy keeps the figures and units as they were published")
    text = (
        _copied(file_id, source, name.strip(), level) if source else _small(file_id, name.strip(), level, unit or "ft")
    )
    parse(text.encode("utf-8"), file_id)
    return text


def _check_id(file_id: str) -> None:
    if not _ID.fullmatch(file_id) or len(file_id) > _LONGEST_ID:
        remedy = f"use small letters, digits and single hyphens, {_LONGEST_ID} signs at most, e.g. us-me-mycounty"
        raise InputError("id", f"{file_id!r} will not do", remedy)
    if file_id in shipped():
        raise InputError("id", f"{file_id!r} is that of a shipped file", f"choose another, e.g. {file_id}-own")


def _one_of(word: str, known: Sequence[str], what: str) -> None:
    if word not in known:
        near = difflib.get_close_matches(word, known, n=1)
        raise InputError(
            what, f"{word!r} is not known", f"did you mean {near[0]!r}?" if near else f"one of {', '.join(known)}"
        )


def _small(file_id: str, name: str, level: str, unit: str) -> str:
    _one_of(unit, UNITS, "units")
    kind = level or "county"
    words = {
        "id": json.dumps(file_id),
        "name": name or file_id,
        "name_text": _text(name or f"{file_id} (replace: name of the authority)"),
        "level": json.dumps(kind),
        "advisory": str(kind in ("house", "standard")).lower(),
        "unit": unit,
        "citation": CITATION,
    }
    blocks = [
        f'\n[[rule]]\nid = "{rule_id}"\n{body}\nseverity = "shall"\non_fail = "{on_fail}"\n'
        f'citation = "{CITATION}"\nparaphrase = "{paraphrase}"\nsource = "house distance; replace: where you read it"\n'
        for rule_id, body, on_fail, paraphrase in _RULES
    ]
    text = "".join([_TOP, *blocks, _END])
    figures = _LENGTH.sub(lambda m: _figure(float(m[1]), unit), text)
    return figures.format(**words)


def _figure(feet: float, unit: str) -> str:
    """A house distance in the unit of the file; metres rounded up to the centimetre.

    >>> _figure(10, "ft"), _figure(10, "m"), _figure(100, "m")
    ('10', '3.05', '30.48')
    """
    return f"{feet:g}" if unit == "ft" else f"{math.ceil(round(feet * FT_M * 100, 6)) / 100:g}"


def _copied(file_id: str, source: str, name: str, level: str) -> str:
    _one_of(source, shipped(), "from")
    original = load(source)
    text = rule_bytes(source).decode("utf-8")
    values = {
        "id": json.dumps(file_id),
        "name": _text(name or f"{original.name} (copy)"),
        "level": json.dumps(level or original.level),
        "source_status": '"from_memory"',
    }
    if level:
        values["advisory_only"] = str(level in ("house", "standard")).lower()

    def changed(section: re.Match[str]) -> str:
        block = section[0]
        for key, value in values.items():
            line = f"{key} = {value}"
            block, found = re.subn(rf"(?m)^{key}\s*=[^\n]*", lambda _, line=line: line, block, count=1)  # type: ignore[misc]
            block = block if found else block.replace("\n", f"\n{line}\n", 1)
        return block

    text = _SECTION.sub(changed, text, count=1)
    text = _STATUS.sub(r'status = "from_memory"   # \1 in the shipped file', text)
    return _COPY.format(source=source, version=VERSION, id=file_id) + text


def _text(words: str) -> str:
    """A TOML string."""
    return json.dumps(words, ensure_ascii=False)


def new_file(
    path: str | Path,
    file_id: str,
    *,
    name: str = "",
    level: str = "",
    source: str = "",
    unit: str = "",
    overwrite: bool = False,
) -> Path:
    """Write a new rule file that `loopgis rules check` takes at once, whole or not at all; gives its path.

    path: must end in .toml; overwrite: replace a file that is there; the rest as in `fresh_text`. Raises
    InputError (also when the file is there, or its folder cannot be written) and UsageError.
    """
    place = Path(path)
    text = fresh_text(file_id, name=name, level=level, source=source, unit=unit)
    ready_file(place, suffix=".toml", overwrite=overwrite)
    return write_text(place, text, overwrite=overwrite)
