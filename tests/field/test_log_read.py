"""Logs as files: round trips, spreadsheets in feet and metres, tablet GIS tables, files that were cut off, damaged or hostile."""

from __future__ import annotations

import csv
import json
import sqlite3
import time
from contextlib import closing
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from loopgis.core.errors import InputError
from loopgis.field.log import appended, merged, verify
from loopgis.field.log_parts import FORMULA
from loopgis.field.log_read import CONTRACT, read_logs, write_log_csv, write_log_json
from loopgis.field.model import Entry, Log

if TYPE_CHECKING:
    from pathlib import Path

HOSTILE = [
    *(
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        "'=1+1",
        "'",
        "''x",
        " =1+1",
        "\u200b=2",
        "\uff1d1",
        '=HYPERLINK("http://x","a")',
    ),
    *(
        "<script>alert(1)</script>",
        "a,b;c\td",
        'he said "no"',
        "ليلة → 🚧 e\u0301",
        "\u202egnp.exe",
        "__import__('os')",
        "${7*7}{{7*7}}",
    ),
    *("a\nb\r\nc", "bell\x07\x00\x1b[2J", "\ud800half", " blank ", "null", "1e5", "a" * 5000),
]
HEAD = "bore,rod,depth (ft),pitch (%),clock,offset (ft),remark\n"


def made_log(tablet: str = "T1") -> Log:
    entries: list[Entry] = []
    for rod, remark in enumerate(HOSTILE):
        what = {"rod": rod, "depth_m": 0.1 + 0.2 * rod, "x": 1e-7 * rod, "y": -4511505.6361234 + rod, "remark": remark}
        kind, values = ("test", {"pressure_kpa": 689.5, "a_min": 15.0}) if rod == 3 else ("rod" if rod else "start", {})
        when = f"2026-05-04T12:{rod:02}:00.5Z"
        entries.append(
            appended(entries, tablet, layout_id="=L1", bore_id="B-01", event=kind, read_at=when, values=values, **what)
        )
    return merged([Log(entries=tuple(entries), problems=())])


def put(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def figures(log: Log) -> list[tuple[object, ...]]:
    """Readings by rod."""
    rows = sorted(log.entries, key=lambda e: (e.bore_id, e.rod))
    return [(e.bore_id, e.rod, e.depth_m, e.pitch_pct, e.roll, e.offset_m, e.remark) for e in rows]


@pytest.mark.parametrize(("write", "name"), [(write_log_json, "a.json"), (write_log_csv, "a.csv")])
def test_hostile_words_come_back_whole_and_the_bytes_are_the_same(write, name, tmp_path):
    log = made_log()
    path = write(log, tmp_path / name)
    back = read_logs([path, path])
    assert back.entries == log.entries
    assert back.problems == () == tuple(verify(back.entries))
    first = path.read_bytes()
    assert write(back, tmp_path / f"again {name}").read_bytes() == first
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, f"again {name}"])
    assert not any(c < 32 and c != 10 for c in first)


def test_no_cell_of_the_csv_is_a_formula(tmp_path):
    path = write_log_csv(made_log(), tmp_path / "a.csv")
    with path.open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            for key, cell in row.items():
                seen = cell.lstrip(" \u200b")[:1]
                assert seen not in FORMULA - {"'"} or (key in {"y", "pitch_pct"} and float(cell) < 0)


def test_figures_of_numpy_are_written_as_plain_ones(tmp_path):
    entry = appended(
        [], "A", layout_id="L", bore_id="B", event="rod", read_at="2026-05-04T12:00:00Z", rod=1, depth_m=np.float64(1.5)
    )
    log = Log(entries=(entry,), problems=())
    for write in (write_log_csv, write_log_json):
        assert read_logs([write(log, tmp_path / "n")]).entries == (entry,)
    with pytest.raises(InputError, match="no figure"):
        write_log_csv(Log(entries=(replace(entry, depth_m=float("nan")),), problems=()), tmp_path / "n")
    with pytest.raises(InputError, match="cannot be written"):
        write_log_json(log, tmp_path / "n" / "below a file")


def test_a_page_log_as_javascript_writes_it(tmp_path):
    log = made_log()
    rows = [{k: v for k, v in asdict(e).items() if v is not None} for e in log.entries]
    text = json.dumps(
        {"schema": "loopgis-log/1", "file": "layouts.gpkg", "tablet": "T1", "entries": rows}, separators=(",", ":")
    )
    back = read_logs(put(tmp_path, text.replace("0.5,", "0.50,"), "p.json"))
    assert back.entries == log.entries
    rows[2]["colour"] = "red"
    doc = {"schema": "loopgis-log/1", "entries": rows[:5], "counts": {"T1": 7}}
    odd = read_logs(put(tmp_path, json.dumps(doc), "p.json"))
    assert odd.problems == (
        "file p.json: colour not known, left aside",
        "file p.json: says 7 entries of tablet T1 and holds 5",
    )
    assert odd.source == ((tmp_path / "p.json").as_posix(),)


def test_json_cut_off_anywhere_is_read_to_its_last_whole_entry(tmp_path):
    log = made_log()
    whole = write_log_json(log, tmp_path / "w.json").read_bytes()
    starts = [whole.index(b'{"entry_id"')]
    while (at := whole.find(b'\n{"entry_id"', starts[-1])) > 0:
        starts.append(at + 1)
    ends = [s - 2 for s in starts[1:]] + [whole.rindex(b"\n]}")]
    for cut in range(whole.index(b'"entries":[') + 11, len(whole) - 2, 97):
        for tail in (b"", b"\x00" * 512):
            back = read_logs(put(tmp_path, whole[:cut] + tail, "c.json"))
            assert list(back.entries) == list(log.entries[: sum(e <= cut for e in ends)])
            assert any(p.startswith("file c.json: was cut off") for p in back.problems)
    for cut in range(1, whole.index(b'"entries":[') + 10, 5):
        with pytest.raises(InputError, match="no entry stands before it"):
            read_logs(put(tmp_path, whole[:cut], "c.json"))


def test_json_damaged_in_the_middle_is_refused_with_its_line(tmp_path):
    lines = write_log_json(made_log(), tmp_path / "w.json").read_text(encoding="utf-8").split("\n")
    lines[6] = lines[6].replace('"rod":', '"rod" ')
    with pytest.raises(InputError, match=r"d.json: line 7 is damaged .*, 5 entries before it are whole; copy it"):
        read_logs(put(tmp_path, "\n".join(lines), "d.json"))


def test_csv_cut_off_in_its_last_row(tmp_path):
    log = made_log()
    whole = write_log_csv(log, tmp_path / "w.csv").read_bytes()
    last = whole[:-1].rindex(b"\n") + 1
    for cut in range(last + 1, len(whole) - 1, 17):
        back = read_logs(put(tmp_path, whole[:cut], "c.csv"))
        assert back.entries == log.entries[:-1]
        assert back.problems == (
            f"file c.csv: was cut off in line {len(log.entries) + 1}, {len(log.entries) - 1} entries before that were read",
        )
    assert read_logs(put(tmp_path, whole[:-1], "c.csv")).entries == log.entries
    short = whole.replace(b",start,", b",", 1)
    with pytest.raises(InputError, match="line 2: has 19 cells, not 20"):
        read_logs(put(tmp_path, short, "c.csv"))


def entry_row(**what: object) -> dict[str, object]:
    base = {"entry_id": "A-1", "tablet": "A", "number": 1, "layout_id": "L", "bore_id": "B", "event": "rod"}
    return {**base, "read_at": "2026-05-04T12:00:00Z", "rod": 1, "hash": "ab", **what}


@pytest.mark.parametrize(
    ("what", "match"),
    [
        ({"event": "boom"}, "event is 'boom'; one of rod,"),
        ({"event": ["rod"]}, "event is"),
        ({"read_at": "yesterday"}, "read_at is 'yesterday'; write UTC"),
        ({"read_at": "9999-99-99T00:00:00Z"}, "read_at"),
        ({"depth_m": "deep"}, "depth_m is 'deep', no figure"),
        ({"depth_m": True}, "depth_m is"),
        ({"depth_m": [1]}, "depth_m is"),
        ({"depth_m": 1e300}, "depth_m is"),
        ({"depth_m": 10**400}, "depth_m is"),
        ({"rod": 1.5}, "rod is 1.5; write a whole number"),
        ({"rod": -1}, "rod is -1"),
        ({"number": 10**12}, "number is"),
        ({"remark": {"a": 1}}, "remark is"),
        ({"remark": "x" * 10_001}, "remark has 10001 characters"),
        ({"tablet": "x" * 300}, "tablet has 300"),
        ({"values": [1]}, "values is no list"),
        ({"values": {"a": "b"}}, "values.a is 'b', no figure"),
        ({"values": {str(i): i for i in range(500)}}, "values is no list"),
    ],
)
def test_a_hostile_entry_is_one_clear_line(what, match, tmp_path):
    path = put(tmp_path, json.dumps({"schema": "loopgis-log/1", "entries": [entry_row(), entry_row(**what)]}), "h.json")
    with pytest.raises(InputError, match=match) as told:
        read_logs(path)
    assert str(told.value).startswith("h.json entry 2: ")
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("raw", "match"),
    [
        (b"", "is empty"),
        (b"\x00" * 100, "is empty"),
        (b"PK\x03\x04abc", "workbook or an archive; save the sheet as CSV"),
        (b"<html></html>", "not a log"),
        (b"[1, 2]", "schema is none"),
        (b'{"schema": "other/1", "entries": []}', "its schema is other/1"),
        (b'{"schema": "loopgis-log/1", "entries": {}}', "no list of entries"),
        (b'{"schema": "loopgis-log/1", "entries": [3]}', "entry 1: is no object"),
        (b'{"schema": "loopgis-log/1", "entries": [{"rod": NaN}]}', "line 1 is damaged"),
        (b'{"schema": "loopgis-log/1", "entries": [{"rod": 1, "rod": 2}]}', "line 1 is damaged"),
        (b'{"schema": "loopgis-log/1", "entries": [' + b"[" * 100_000, "line 1 is damaged"),
        (b'{"a":' * 100_000, "is no JSON"),
        (b'{"schema": "loopgis-log/1", "n": ' + b"9" * 5000 + b', "entries": []}', "is no JSON"),
        (b"bore,rod,depth (ft)\nB,1,\xff\xff\n", "line 2 is no UTF-8"),
        (b"hello world\n", "no line is a head"),
        (b'rod,depth (ft)\n"' + b"x" * 200_000 + b'"\n', "no row of a table"),
        (b"SQLite format 3\x00" + b"\x01" * 5000, "is no GeoPackage"),
    ],
)
def test_a_broken_file_is_one_clear_line(raw, match, tmp_path):
    with pytest.raises(InputError, match=match) as told:
        read_logs(put(tmp_path, raw, "x.bin"))
    assert str(told.value).startswith("x.bin")
    assert "\n" not in str(told.value)


def test_limits_and_places(tmp_path, monkeypatch):
    with pytest.raises(InputError, match="is not there"):
        read_logs(tmp_path / "none.json")
    with pytest.raises(InputError, match="is no file"):
        read_logs(tmp_path)
    with pytest.raises(InputError, match="use us or metric"):
        read_logs([], units="ells")
    path = put(tmp_path, HEAD + "B,1,1,1,1,1,\n" * 20)
    monkeypatch.setenv("LOOPGIS_LIMITS", "log_rows=10")
    with pytest.raises(InputError, match="more than 10 rows"):
        read_logs(path)
    monkeypatch.setenv("LOOPGIS_LIMITS", "log_mb=0.00005")
    with pytest.raises(InputError, match="is larger than"):
        read_logs(path)


FEET = 0.3048
ROWS_FT = [
    ("B-01", 0, 0.0, -28.0, 12.0, None, "in"),
    ("B-01", 1, 2.5 * FEET, -25.5, 3.0, -0.5 * FEET, "-"),
    ("B-02", 7, 12 * FEET, 1.0, 6.5, 0.25 * FEET, ""),
]


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "B-01,0,0,-28,12,,in\nB-01,1,2.5,-25.5,3,-0.5,-\nB-01,2,,,,,\nB-02,7,12,1,6:30,0.25,\n",
        """\ufeffBore No.;Rod #;Depth (ft);Pitch %;Clock;L/R offset (ft);Remarks\r
B-01;0;0;-28;12:00;;in\r\nB-01;1;2,5;-25,5;3 o'clock;L 0,5;-\r\nB-02;7;12,0;1;6,5;R0,25;\r\n""",
        """Bore\tRod no\tDepth, ft\tPitch pct\tRoll\tOffset [in]\tNote
B-01\t0\t0'\t\u221228\t12\t\tin\n\tRod 1\t2' 6"\t-25.5\t3\t6 L\t-\nB-02\t#7\t12 ft\t+1\t6.5\t3 r\t\n""",
        """Job,Oak Lane 7,,,,,\nBore no.,B-01,,,,,\n
rod id,DEPTH_FT,pitch_pct,clock position,left of line (ft),comments,bore id
0,0,-28,12,,in,\n1,2.5,-25.5%,3:00,0.5,-,\n7,144 in,1,6.5,-.25,,B-02\n""",
    ],
)
def test_a_spreadsheet_in_feet(text, tmp_path):
    log = read_logs(put(tmp_path, text), layout_id="L1")
    for got, want in zip(figures(log), ROWS_FT, strict=True):
        assert (got[0], got[1], got[6]) == (want[0], want[1], want[6])
        assert [None if v is None else round(v, 6) for v in got[2:6]] == [
            None if v is None else round(v, 6) for v in want[2:6]
        ]
    assert {e.layout_id for e in log.entries} == {"L1"}
    assert [e.event for e in sorted(log.entries, key=lambda e: e.rod)] == ["start", "rod", "rod"]


def test_metres_degrees_and_utf16(tmp_path):
    text = "Bohrung;Rod;Tiefe;Pitch (deg);Clock (deg);Offset (cm);Zeit\nB-01;1;1,25;-14,036243;90;-20;2026-05-04 10:03-04:00\n"
    log = read_logs(
        put(tmp_path, text.encode("utf-16")), columns={"Bohrung": "bore", "Tiefe": "depth (m)", "Zeit": "time"}
    )
    (entry,) = log.entries
    assert (entry.depth_m, entry.roll, entry.offset_m, entry.read_at) == (1.25, 3.0, -0.2, "2026-05-04T14:03:00Z")
    assert entry.pitch_pct == pytest.approx(-25, abs=1e-4)  # 100 tan 14.036243 deg, facts/permits 4


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            "bore,rod,depth,pitch (%)\nB,1,2,3\n",
            r"line 2: column 'depth' tells no unit; write \(ft\) or \(m\) behind the head, or give",
        ),
        ("bore,rod,depth (ft),pitch\nB,1,2,3\n", r"column 'pitch' tells no unit; write \(%\) or \(deg\)"),
        ("bore,rod,depth (%)\nB,1,2\n", "column 'depth \\(%\\)' is in %"),
        ("bore,rod,depth (m)\nB,1,deep\n", "line 2: column 'depth \\(m\\)' holds 'deep', no figure"),
        ("bore,rod,depth (m)\nB,1,=1+1\n", "no figure"),
        ("bore,rod,depth (m)\nB,x,1\n", "line 2: rod is 'x'"),
        ("rod,depth (m),remark\n1,1,\n", "no column tells the bore"),
        ("bore,rod,depth (m),remark\n,1,1,\n", "line 2: tells no bore"),
        ("bore,rod,depth (m),depth (ft)\nB,1,1,3\n", "both tell depth_m"),
        ('bore,rod,depth (m),remark\nB,1,"1,5",\nB,2,1.5,\n', "has a comma in a figure, line 3 a point"),
        ('bore,rod,depth (m),remark\nB,1,"1,250",\n', "may be thousands or a decimal comma"),
        ("bore,rod,depth (m),offset (m)\nB,1,1,L\n", "tells a side and no offset"),
        ("bore,rod,depth (m),offset (m)\nB,1,1,L-1\n", "tells a sign and a side"),
        ("bore,rod,depth (m),event\nB,1,1,boom\n", "line 2: event is 'boom'"),
    ],
)
def test_a_spreadsheet_that_must_be_asked_about(text, match, tmp_path):
    with pytest.raises(InputError, match=match) as told:
        read_logs(put(tmp_path, text))
    assert told.value.remedy


def test_units_of_the_caller_hold_where_the_head_is_silent(tmp_path):
    path = put(tmp_path, "bore,rod,depth,pitch,offset (m)\nB,1,10,-20,0.5\nB,2,3 m,-20,\n")
    (one, two) = sorted(read_logs(path, units="us").entries, key=lambda e: e.rod)
    assert (one.depth_m, one.pitch_pct, one.offset_m, two.depth_m) == (3.048, -20.0, 0.5, 3.0)
    assert {e.depth_m for e in read_logs(path, units="metric").entries} == {10.0, 3.0}


def test_rods_csv_of_the_stake_out_filled_in(tmp_path):
    """Head of sheets/stakeout.write_rods_csv: the plan stands beside the empty columns for what is read."""
    head = "layout,bore,rod,drilled (ft),depth (ft),pitch (%),pitch (deg),azimuth (deg from true north),"
    head += "right of painted line (ft),side (L/R),ground (ft),head (ft),x (US survey foot),y (US survey foot),"
    head += "latitude (deg),longitude (deg),next action,crossing,locate note,"
    head += "read depth (ft),read pitch (%),clock,offset read (ft),remark\n"
    plan = "L1,B-01,{},10.00,9.99,-30.0,-16.70,12.0,0.10,R,0.00,-9,989791.4570,212522.5190,40.7,-73.9,steer up,,,"
    text = head + plan.format(1) + "5.0,-29.5,3,0.5,'=ok\n" + plan.format(2) + ",,,,\n"
    log = read_logs(put(tmp_path, text))
    (entry,) = log.entries
    assert (entry.depth_m, entry.pitch_pct, entry.roll, entry.offset_m) == (
        pytest.approx(1.524),
        -29.5,
        3.0,
        pytest.approx(0.1524),
    )
    assert (entry.x, entry.y, entry.remark, entry.layout_id) == (None, None, "=ok", "L1")


def test_rows_keep_their_id_wherever_they_stand(tmp_path):
    first = put(tmp_path, HEAD + "B,1,1,1,1,1,\nB,2,2,2,2,2,\n", "a.csv")
    later = put(tmp_path, HEAD + "B,0,0,1,1,1,new\nB,1,1,1,1,1,\nB,2,2,2,2,2,\nB,2,2,2,2,2,\n", "b.csv")
    assert len(read_logs([first, first]).entries) == 2
    assert len(read_logs([first, later, first]).entries) == 3
    assert read_logs([later, first]).entries == read_logs([first, later]).entries
    assert read_logs(first).problems == (
        "tablet sheet: keeps no chain, a later change of its 2 entries would not show",
    )


def test_times_without_zone_stay_in_the_remark(tmp_path):
    path = put(tmp_path, "bore,rod,depth (m),time,remark\nB,1,1,14:05,soft\nB,2,2,5/4/2026 14:08,\n")
    log = read_logs(path)
    assert [(e.read_at, e.remark) for e in log.entries] == [("", "soft (time 14:05)"), ("", "(time 5/4/2026 14:08)")]
    assert "times in line 2-3 have no date and zone" in log.problems[0]
    utc = put(tmp_path, "bore,rod,depth (m),time (UTC)\nB,1,1,2026-05-04 14:05\n", "u.csv")
    assert read_logs(utc).entries[0].read_at == "2026-05-04T14:05:00Z"


def geopackage(path: Path, rows: list[tuple[object, ...]], columns: tuple[str, ...] = CONTRACT) -> Path:
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"CREATE TABLE rod_log (fid INTEGER PRIMARY KEY, {', '.join(columns)})")
        marks = ",".join("?" * len(columns))
        db.executemany(f"INSERT INTO rod_log ({', '.join(columns)}) VALUES ({marks})", rows)  # noqa: S608
        db.commit()
    return path


def test_rod_log_of_a_geopackage(tmp_path):
    rows = [
        ("q-1", "L1", "B-01", 0, "2026-05-04T12:00:00.000Z", 0.0, -30.0, 12, 0.1, 586107.5, 4511505.6, "in"),
        (None, None, "B-01", 1, "2026-05-04 08:03:00-04:00", 0.9, -29.0, None, None, None, None, "=x\nü"),
        (None, "L1", "B-01", 2, "2026-05-04 12:06:00", "1.5", None, None, None, None, None, None),
        (None, "L1", "B-01", 3, None, None, None, None, None, None, None, " "),
    ]
    path = geopackage(tmp_path / "t.gpkg", rows)
    before = path.read_bytes()
    log = read_logs([path, path], layout_id="L9")
    assert [(e.rod, e.read_at, e.depth_m, e.layout_id, e.event) for e in log.entries] == [
        (0, "2026-05-04T12:00:00Z", 0.0, "L1", "start"),
        (1, "2026-05-04T12:03:00Z", 0.9, "L9", "rod"),
        (2, "2026-05-04T12:06:00Z", 1.5, "L1", "rod"),
    ]
    assert (log.entries[0].entry_id, log.entries[1].remark) == ("q-1", "=x ü")
    more = geopackage(tmp_path / "u.gpkg", [rows[2], *rows])
    both = read_logs([more, path], layout_id="L9").entries
    assert [replace(e, number=0) for e in both] == [replace(e, number=0) for e in log.entries]
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["t.gpkg", "u.gpkg"]


def test_a_copy_in_rod_log_adds_nothing_to_the_page_log(tmp_path):
    log = made_log()
    told = [e for e in log.entries if e.event in {"start", "rod"}]
    path = geopackage(tmp_path / "t.gpkg", [tuple(getattr(e, c) for c in CONTRACT) for e in told])
    page = write_log_json(log, tmp_path / "a.json")
    both = read_logs([path, page])
    assert both.entries == log.entries
    assert both.problems == ()
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE rod_log SET depth_m = 9 WHERE rod = 5")
        db.commit()
    assert read_logs([page, path]).problems[-1] == "tablet gpkg: T1-6 says something else than tablet T1 wrote"


@pytest.mark.parametrize("side", ["-wal", "-journal"])
def test_a_geopackage_that_is_being_edited_is_refused(side, tmp_path):
    path = geopackage(tmp_path / "t.gpkg", [])
    put(tmp_path, b"x", f"t.gpkg{side}")
    with pytest.raises(InputError, match=r"is being edited, or was cut off .*; save and close it"):
        read_logs(path)


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ({"depth_m": "deep"}, "row 1: depth_m is 'deep'"),
        ({"depth_m": b"\x00"}, "row 1: depth_m is"),
        ({"depth_m": float("inf")}, "row 1: depth_m is"),
        ({"rod": None}, "row 1: tells no rod"),
        ({"bore_id": ""}, "row 1: tells no bore"),
        ({"read_at": "noon"}, "row 1: read_at is 'noon'"),
        ({"remark": "x" * 20_000}, "remark has 20000"),
    ],
)
def test_a_bad_row_of_a_geopackage(row, match, tmp_path):
    good = dict(zip(CONTRACT, ("q", "L", "B", 1, "2026-05-04T12:00:00Z", 1.0, 1.0, 1, 0.0, 0.0, 0.0, ""), strict=True))
    with pytest.raises(InputError, match=match):
        read_logs(geopackage(tmp_path / "t.gpkg", [tuple({**good, **row}.values())]))


def test_a_geopackage_without_the_table_or_a_column(tmp_path):
    with pytest.raises(InputError, match="has no column depth_m; it needs entry_id"):
        read_logs(geopackage(tmp_path / "t.gpkg", [], ("bore_id", "rod")))
    with closing(sqlite3.connect(tmp_path / "v.gpkg")) as db:
        db.execute("CREATE VIEW rod_log AS SELECT 1 AS bore_id, 1 AS rod, 1 AS depth_m")
    with pytest.raises(InputError, match="has no table rod_log"):
        read_logs(tmp_path / "v.gpkg")


def test_900_random_damages_raise_nothing_but_one_clear_line(tmp_path):
    rng = np.random.default_rng(4)
    log = made_log()
    small = Log(entries=log.entries[:4], problems=())
    seeds = [
        write_log_json(small, tmp_path / "s.json").read_bytes(),
        write_log_csv(small, tmp_path / "s.csv").read_bytes(),
    ]
    seeds.append((HEAD + "B-01,0,0,-28,12,,in\nB-01,1,2.5,-25.5,3,-0.5,-\n").encode())
    refused = 0
    for turn in range(900):
        raw = bytearray(seeds[turn % 3])
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(len(raw)))
            raw[at : at + int(rng.integers(0, 3))] = bytes(
                rng.choice([*b'{}[]",;:\\0e-\n\t\x00\xff(=L'], size=int(rng.integers(0, 3))).tolist()
            )
        told = ""
        try:
            read_logs(put(tmp_path, bytes(raw), "f.bin"))
        except InputError as error:
            told = str(error)
        refused += bool(told)
        assert told.startswith("f.bin" if told else "")
        assert "\n" not in told
    assert 90 < refused < 850


@pytest.mark.parametrize(
    "cell", ["rod" + " " * 130_000 + "x", "z" + " " * 130_000 + "z", "(" * 130_000, "1," * 60_000 + "1", "9" * 130_000]
)
def test_endless_cells_end_soon(cell, tmp_path):
    """Patterns that go back and forth over blanks or brackets would take minutes here."""
    begun = time.process_time()
    for text in (f'B;"{cell}";1;1;1;1\n', f'B;1;"{cell}";1;1;1\n', f'B;1;1;1;"{cell}";1\n', f'B;1;1;1;1;"{cell}"\n'):
        with pytest.raises(InputError):
            read_logs(put(tmp_path, "bore;rod;depth (m);pitch (%);clock;offset (m)\n" + text))
    with pytest.raises(InputError):
        read_logs(put(tmp_path, f'bore;rod;"{cell}"\nB;1;1\n'))
    assert time.process_time() - begun < 10


def test_a_log_without_readings_says_so(tmp_path):
    (told,) = read_logs(put(tmp_path, HEAD + "B-01,1,,,,,\n")).problems
    assert told == "file log.csv: holds no reading"
    empty = write_log_json(Log(entries=(), problems=()), tmp_path / "e.json")
    assert read_logs(empty).problems == ("file e.json: holds no reading",)
    with pytest.raises(InputError, match="one for a reading"):
        read_logs(put(tmp_path, "bore,rod,remark\nB,1,soft\n"))
