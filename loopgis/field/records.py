"""Records beside the rods (pull, pressure test, purge) held against what the design allows or asks for.

What is compared with what: facts/permits section 4, "Pull record", "Pressure test record" and "Flush/purge record" (marks at each
figure); published rules of pressure tests stand with their sources in tables/pressure_tests.toml.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from loopgis.core.units import PSI_PA, flow_text, force_text, temperature_text
from loopgis.field.book import BuiltFinding, BuiltRecord
from loopgis.field.log import instant, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from loopgis.field.book import BuiltBore
    from loopgis.field.model import Entry, Log

FALL_SHARE = 0.05
"""A test may lose this share of its pressure (tables/pressure_tests.toml, "polyethylene, test phase": within 5 %, M)."""
PURGE_MINUTES = 15.0
"""Purge this long (facts/permits section 4: 15 min after the last bubbles, and a regional programme's 2 ft/s for 15 min, S)."""
REST_HOURS = 8.0
"""Pulled pipe rests overnight before it is cut (facts/permits section 4, M); that a night has 8 hours is a house choice."""
TELL_PULL = 1.5
"""A pull of more than so many times the planned one is worth telling: house choice, no source."""
_ROUNDING = 0.002
"""Share by which a figure may fall short since it was read and kept in other units: a gallon in 50, a psi in 500."""

Outcome = Literal["pass", "fail", "unverified"]


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the records of one bore, or of the whole field, are held against. None: not known.

    pull_kn: planned pull of the pipe; safe_pull_kn: safe pull of the pipe, both legs; weak_link_kn: rating of the weak link;
    test_kpa, test_minutes: pressure to hold and how long, test_basis: by which rule; purge_l_s: flow that makes 2 ft/s in every
    section, purge_minutes, purge_basis; freeze_c: freezing point that is wanted.
    """

    pull_kn: float | None = None
    safe_pull_kn: float | None = None
    weak_link_kn: float | None = None
    test_kpa: float | None = None
    test_minutes: float | None = None
    test_basis: str = ""
    purge_l_s: float | None = None
    purge_minutes: float | None = PURGE_MINUTES
    purge_basis: str = ""
    freeze_c: float | None = None


def records(log: Log, layout_id: str, bore_id: str, limits: Limits, units: str) -> tuple[BuiltRecord, ...]:
    """The records of one bore ("" for the whole field) in the order of time, undone ones left out.

    limits: of that bore, or of the field; units: "us" or "metric", of the words. A record with figures that are none, or without
    the ones that count, is `unverified`, and says which.
    """
    own = [e for e in standing(log) if (e.layout_id, e.bore_id) == (layout_id, bore_id) and e.event in _JUDGES]
    return tuple(_JUDGES[e.event](e, limits, units) for e in sorted(own, key=_when))


def _when(entry: Entry) -> tuple[float, str, int, str]:
    moment = instant(entry.read_at)
    return (moment.timestamp() if moment else -math.inf, entry.tablet, entry.number, entry.entry_id)


def _figure(entry: Entry, name: str, told: list[str], *, least: float = 0.0) -> float | None:
    """A figure of a record; None when it is not there, or is none, which is told."""
    value = entry.values.get(name)
    if value is None:
        return None
    if not math.isfinite(value) or value < least:
        told.append(f"{name.rsplit('_', 1)[0].replace('_', ' ')} {value:g} is no such figure")
        return None
    return float(value)


def _record(entry: Entry, said: list[str], limit: list[str], outcome: Outcome, told: list[str]) -> BuiltRecord:
    remark = entry.remark.strip()
    return BuiltRecord(
        bore_id=entry.bore_id,
        event=entry.event,
        read_at=entry.read_at,
        tablet=entry.tablet,
        said=", ".join([*said, *([remark] if remark else [])]),
        limit=", ".join(limit),
        outcome=outcome,
        words="; ".join(told),
    )


def _force(kn: float, units: str) -> str:
    return force_text(1000 * kn, units)


def _pressure(kpa: float, units: str) -> str:
    return f"{1000 * kpa / PSI_PA:.0f} psi" if units == "us" else f"{kpa:.0f} kPa"


def _flow(l_s: float, units: str) -> str:
    return flow_text(l_s / 1000, units)


def _worst(*outcomes: Outcome) -> Outcome:
    return "fail" if "fail" in outcomes else "unverified" if "unverified" in outcomes else "pass"


def _pull(entry: Entry, limits: Limits, units: str) -> BuiltRecord:
    """A pull against the pipe's safe pull, the weak link's rating and the planned pull."""
    told: list[str] = []
    pull, minutes = _figure(entry, "pull_kn", told), _figure(entry, "minutes", told)
    rest, rod = _figure(entry, "rest_hours", told), _figure(entry, "pull_rod", told)
    said = (
        [f"most pull {_force(pull, units)}" + (f" at rod {rod:.0f}" if rod is not None else "")]
        if pull is not None
        else []
    )
    said += [f"in {minutes:g} min"] if minutes is not None else []
    said += [f"{rest:g} h of rest before it was cut"] if rest is not None else []
    limit = [
        f"{name} {_force(kn, units)}"
        for name, kn in (
            ("safe pull of the pipe", limits.safe_pull_kn),
            ("weak link", limits.weak_link_kn),
            ("planned", limits.pull_kn),
        )
        if kn is not None
    ]
    outcomes: list[Outcome] = []
    if pull is None:
        outcomes.append("unverified")
        told.append("the pull was not recorded")
    elif limits.safe_pull_kn is None and limits.weak_link_kn is None:
        outcomes.append("unverified")
        told.append("the safe pull of the pipe is not known")
    if pull is not None:
        if _above(pull, limits.safe_pull_kn):
            outcomes.append("fail")
            told.append("beyond the safe pull of the pipe, it may be stretched: have it judged before it is joined")
        if _above(pull, limits.weak_link_kn):
            outcomes.append("fail")
            told.append("beyond the weak link, which should have parted: check gauge and link")
        if limits.pull_kn is not None and pull > TELL_PULL * limits.pull_kn:
            told.append(
                f"{pull / limits.pull_kn:.1f} times the planned pull" if limits.pull_kn > 0 else "more than planned"
            )
    if rest is not None and rest < REST_HOURS:
        told.append("cut before the pipe had crept back; let it rest overnight")
    return _record(entry, said, limit, _worst(*outcomes), told)


def _above(value: float, limit: float | None) -> bool:
    return limit is not None and value > limit * (1 + _ROUNDING)


def _below(value: float, limit: float | None) -> bool:
    return limit is not None and value < limit * (1 - _ROUNDING)


def _test(entry: Entry, limits: Limits, units: str) -> BuiltRecord:
    """A pressure test against the pressure and the time asked for; it may lose no more than FALL_SHARE."""
    told: list[str] = []
    start, end = (_figure(entry, name, told) for name in ("start_kpa", "end_kpa"))
    minutes = _figure(entry, "minutes", told)
    warm = _figure(entry, "temperature_c", told, least=-60.0)
    said = [f"{_pressure(start, units)} at the start"] if start is not None else []
    said += [f"{_pressure(end, units)} at the end"] if end is not None else []
    said += [f"held {minutes:g} min"] if minutes is not None else []
    said += [f"pipe at {temperature_text(warm, units, 0)}"] if warm is not None else []
    limit = [_pressure(limits.test_kpa, units)] if limits.test_kpa is not None else []
    limit += [f"{limits.test_minutes:g} min"] if limits.test_minutes is not None else []
    limit += [f"no fall beyond {100 * FALL_SHARE:.0f} %"]
    limit += [limits.test_basis] if limits.test_basis else []
    missed = _missed(start, end, minutes, limits)
    told += [words for _, words in missed]
    return _record(entry, said, limit, _worst(*(o for o, _ in missed)), told)


def _missed(start: float | None, end: float | None, minutes: float | None, limits: Limits) -> list[tuple[Outcome, str]]:
    """What a test misses, and what is not known of it."""
    asked = (("pressure", limits.test_kpa), ("time", limits.test_minutes))
    read = (("start pressure", start), ("end pressure", end), ("time", minutes))
    found: list[tuple[Outcome, str]] = [
        ("unverified", f"the {n} asked for is not known") for n, v in asked if v is None
    ]
    found += [("unverified", f"{n} not recorded") for n, v in read if v is None]
    found += [
        ("fail", f"below the pressure asked for at the {n}")
        for n, v in (("start", start), ("end", end))
        if v is not None and _below(v, limits.test_kpa)
    ]
    if start and end is not None:
        change = end / start - 1
        if change < -FALL_SHARE - 1e-9:
            found.append(("fail", f"fell by {-100 * change:.1f} %: look for the leak"))
        elif change > FALL_SHARE:
            found.append(("unverified", f"rose by {100 * change:.1f} %, warmed up or misread: test again"))
    if minutes is not None and _below(minutes, limits.test_minutes):
        found.append(("fail", "not held long enough"))
    return found


def _purge(entry: Entry, limits: Limits, units: str) -> BuiltRecord:
    """A purge against the flow that is needed in every section and its time, and the freezing point against the wanted one."""
    told: list[str] = []
    flow, minutes = _figure(entry, "flow_l_s", told), _figure(entry, "minutes", told)
    pressure = _figure(entry, "pressure_kpa", told)
    freeze = _figure(entry, "freeze_c", told, least=-100.0)
    said = [_flow(flow, units)] if flow is not None else []
    said += [f"{minutes:g} min"] if minutes is not None else []
    said += [f"at {_pressure(pressure, units)}"] if pressure is not None else []
    said += [f"freezes at {temperature_text(freeze, units)}"] if freeze is not None else []
    limit = [_flow(limits.purge_l_s, units)] if limits.purge_l_s is not None else []
    limit += [f"{limits.purge_minutes:g} min"] if limits.purge_minutes is not None else []
    limit += [limits.purge_basis] if limits.purge_basis else []
    limit += [f"freezing point {temperature_text(limits.freeze_c, units)}"] if limits.freeze_c is not None else []
    outcomes: list[Outcome] = []
    for what, value, asked, short in (
        ("flow", flow, limits.purge_l_s, "too little flow, air and dirt stay in the loop"),
        ("time", minutes, limits.purge_minutes, "not purged long enough"),
    ):
        if value is None or asked is None:
            outcomes.append("unverified")
            told.append(f"{what} not recorded" if value is None else f"the {what} asked for is not known")
        elif _below(value, asked):
            outcomes.append("fail")
            told.append(short)
    if limits.freeze_c is not None and freeze is not None and freeze > limits.freeze_c + 0.05:
        outcomes.append("fail")
        told.append("freezes too early: more antifreeze")
    return _record(entry, said, limit, _worst(*outcomes), told)


_JUDGES = {"pull": _pull, "test": _test, "purge": _purge}
_NAMES = {"pull": "pull", "test": "pressure test", "purge": "purge"}


def record_findings(bores: Sequence[BuiltBore], of_field: Iterable[BuiltRecord]) -> tuple[BuiltFinding, ...]:
    """What is worth telling of the records of all bores (their `records`) and of the field: missing, missed, not to be judged.

    Of several records of one thing the last counts. An earlier pull that was too strong is told all the same: the pipe was in it.
    A drilled bore without a pull is a note; a field whose bores are all drilled without a pressure test or a purge a warning.
    """
    found: list[BuiltFinding] = []
    groups: dict[tuple[str, str], list[BuiltRecord]] = defaultdict(list)
    for record in (*(r for b in bores for r in b.records), *of_field):
        groups[record.bore_id, record.event].append(record)
    for (bore_id, event), made in sorted(groups.items()):
        lead = f"{bore_id or 'whole field'}: {_NAMES[event]}"
        last = made[-1]
        if last.outcome != "pass" or last.words:
            severity = {"fail": "error"}.get(last.outcome, "warning")
            shown = f"{last.said or 'nothing recorded'}: {last.words}"
            limit = f" (asked: {last.limit})" if last.limit and last.outcome == "fail" else ""
            found.append(_told(severity, f"record-{event}", bore_id, f"{lead}: {shown}{limit}"))
        before = [r for r in made[:-1] if r.outcome == "fail"]
        if event == "pull" and before and last.outcome == "pass":
            words = f"{lead}: an earlier one, {before[-1].said}, went too far; was the pipe replaced?"
            found.append(_told("warning", "record-pull", bore_id, words))
    found += [
        _told("note", "record-missing", b.bore_id, f"{b.bore_id}: no pull was recorded")
        for b in bores
        if b.state == "drilled" and (b.bore_id, "pull") not in groups
    ]
    if bores and all(b.state == "drilled" for b in bores):
        for event in ("test", "purge"):
            if ("", event) not in groups:
                words = f"whole field: no {_NAMES[event]} was recorded"
                found.append(_told("warning", "record-missing", "", words, "record it before the header is covered"))
    return tuple(found)


def _told(severity: str, code: str, bore_id: str, message: str, remedy: str = "") -> BuiltFinding:
    return BuiltFinding(severity=severity, code=code, bore_id=bore_id, message=message, remedy=remedy)
