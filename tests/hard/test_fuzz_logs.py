"""Logs of the field spoiled in every way: they are read or refused in one line, and the as-built of them raises nothing else."""

from __future__ import annotations

import contextlib
import copy
import io
import json
import random
import time

import pytest
import shapely
import zoo
from crew import Crew
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from mutations import bitten, odd_figures, spoiled, told

from loopgis import driver
from loopgis.cli.main import run
from loopgis.core.errors import InputError
from loopgis.drilled import as_built
from loopgis.field.log import standing
from loopgis.field.log_read import read_logs, write_log_csv, write_log_json
from loopgis.sheets.drill_read import drill_book

SIGNED = frozenset({"pitch_pct", "offset_m", "depth_m", "x", "y", "roll", "accuracy_m"})
"""Figures of an entry that a log may tell below zero: the reader keeps what was written, the path says what does not fit."""
LONGEST_S = 3.0
"""CPU seconds for reading one file."""
FIGURES = ("depth_m", "pitch_pct", "roll", "offset_m", "x", "y", "accuracy_m", "rod", "number")
EXTREMES = (
    0,
    -0.0,
    -1,
    1e-300,
    0.001,
    0.5,
    1,
    3.5,
    12,
    13,
    45,
    99,
    100,
    1000,
    -1000,
    1e5,
    -1e6,
    1e9,
    -1e9,
    1e15,
    999_999_999,
    None,
)
EVENTS = ("rod", "start", "exit", "abandon", "pull", "test", "purge", "note", "undo")
TIMES = (
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59Z",
    "2026-05-04T08:00:00Z",
    "2026-02-30T00:00:00Z",
    "",
    "1969-12-31T23:59:59.999999Z",
)
BY_HAND = (
    "Bore,B-01\nrod,depth (ft),pitch (%),clock,offset (ft),time,remark\n0,0,-25,12,0,2026-05-04T08:00Z,\n"
    '1,1\'6",-24,12,0.5,2026-05-04T08:10Z,a\n2,"3,2",-20,3:30,-0.5,9:20,b\n3,4.1,-10,6,,,\n'
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    site = zoo.site(shapely.box(-30, -35, 30, 35), bores=2, depth_m=(2.0,), patterns=("fan",))
    driver.design(site, effort=0).write(folder / "out", pictures=False)
    return folder / "out" / "layouts.gpkg"


@pytest.fixture(scope="module")
def logs(made, tmp_path_factory):
    """Two bores, the second given up once, as JSON and CSV; and what the JSON holds."""
    book = drill_book(made)
    crew = Crew(book)
    crew.drills("A", book.pages[0])
    crew.enters("A", book.pages[1])
    for rod in book.pages[1].rods[1:5]:
        crew.reads("A", book.pages[1].bore_id, rod)
    wrong = crew.reads("A", book.pages[1].bore_id, book.pages[1].rods[5], deeper_m=9.0)
    crew.tells("A", bore_id=book.pages[1].bore_id, event="undo", of=wrong.entry_id)
    crew.tells("A", bore_id=book.pages[1].bore_id, event="abandon", rod=3, remark="cobbles")
    crew.tells("A", bore_id=book.pages[0].bore_id, event="pull", values={"pull_kn": 1.5, "minutes": 25.0})
    folder = tmp_path_factory.mktemp("logs")
    page = write_log_json(crew.log(), folder / "a.json", file="layouts.gpkg")
    table = write_log_csv(crew.log(), folder / "a.csv")
    return json.loads(page.read_text("utf-8")), table.read_text("utf-8")


def odd_page(page: dict, number: int) -> bytes:
    """The JSON log with entries doubled, dropped, in another order, given other events, times and figures; or spoiled anyhow."""
    rng = random.Random(number)  # noqa: S311 - no secret
    if rng.random() < 0.3:
        return json.dumps(spoiled(page, number, keep=frozenset({"schema"})), default=str).encode(
            "utf-8", "surrogatepass"
        )
    page = copy.deepcopy(page)
    rows = page["entries"]
    for _ in range(rng.choice([1, 2, 5, 20])):
        row = rng.choice(rows)
        way = rng.randrange(8)
        if way < 3:
            row[rng.choice(FIGURES)] = rng.choice(EXTREMES)
        elif way == 3:
            rows.insert(rng.randrange(len(rows)), dict(row))
        elif way == 4 and len(rows) > 1:
            rows.remove(row)
        elif way == 5:
            row |= {
                "event": rng.choice(EVENTS),
                "of": rng.choice(rows)["entry_id"],
                "values": {"pull_kn": rng.choice([0, -5, 1e9])},
            }
        elif way == 6:
            row["read_at"] = rng.choice(TIMES)
        else:
            row |= {
                rng.choice(["before", "hash"]): rng.choice(["", "0" * 64, "x"]),
                "bore_id": rng.choice(["B-01", "B-02", "", "B-09"]),
            }
    if rng.random() < 0.3:
        rng.shuffle(rows)
    return json.dumps(page).encode()


def odd_table(text: str, number: int) -> bytes:
    """A CSV log with cells, columns and rows spoiled, or other signs between cells."""
    rng = random.Random(number)  # noqa: S311 - no secret
    lines = [line.split(",") for line in text.splitlines()]
    for _ in range(rng.choice([1, 3, 9])):
        row = rng.choice(lines)
        at = rng.randrange(len(row))
        way = rng.randrange(6)
        if way < 3:
            row[at] = rng.choice(
                [
                    "",
                    "nan",
                    "-1e9",
                    "1e15",
                    "=1+1",
                    "x" * 300,
                    "5 ft",
                    "3'4\"",
                    '"',
                    "12:30",
                    "1,5",
                    *map(str, EXTREMES),
                ]
            )
        elif way == 3:
            lines.insert(rng.randrange(len(lines)), list(row))
        elif way == 4:
            other = rng.randrange(len(row))
            for line in lines:
                if max(at, other) < len(line):
                    line[at], line[other] = line[other], line[at]
        elif len(lines) > 1:
            lines.remove(row)
    return "\n".join(rng.choice([",", ",", ",", ";", "\t"]).join(line) for line in lines).encode()


def read(file, data: bytes):
    """The log of a file, None when it is refused."""
    file.write_bytes(data)
    began = time.process_time()
    try:
        log = read_logs([file], layout_id="L-01", units="us")
    except InputError as error:
        told(error)
        return None
    finally:
        assert time.process_time() - began < LONGEST_S
    assert odd_figures([[getattr(e, k) for k in ("number", "rod")] for e in log.entries], frozenset()) == []
    for entry in log.entries:
        assert odd_figures({k: getattr(entry, k) for k in FIGURES}, SIGNED) == []
    assert len(standing(log)) <= len(log.entries)
    return log


def tries(examples: int):
    """Settings of a run that draws the same every time."""
    return settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("examples", [150, pytest.param(10_000, marks=pytest.mark.slow)])
def test_readers(logs, tmp_path, examples):
    page, table = logs
    whole, seen = json.dumps(page).encode(), {"read": 0, "refused": 0}

    @seed(30)
    @tries(examples)
    @given(st.integers(0, 2**40), st.sampled_from(["page", "table", "hand", "page bytes", "table bytes", "hand bytes"]))
    def go(number, how):
        data = {
            "page": lambda: odd_page(page, number),
            "table": lambda: odd_table(table, number),
            "hand": lambda: odd_table(BY_HAND, number),
            "page bytes": lambda: bitten(whole, number),
            "table bytes": lambda: bitten(table.encode(), number),
            "hand bytes": lambda: bitten(BY_HAND.encode(), number),
        }[how]()
        seen["refused" if read(tmp_path / "odd", data) is None else "read"] += 1

    go()
    assert min(seen.values()) > examples * 0.1


@pytest.mark.parametrize("examples", [6, pytest.param(1500, marks=pytest.mark.slow)])
def test_as_built(made, logs, tmp_path, examples):
    """Whatever the logs say, the as-built is made or refused in one line, and says nothing that is no figure."""
    page, table = logs
    seen = {"built": 0, "refused": 0}

    @seed(31)
    @tries(examples)
    @given(st.integers(0, 2**40))
    def go(number):
        data = odd_table(table, number) if number % 4 == 0 else odd_page(page, number)
        (tmp_path / "odd").write_bytes(data)
        try:
            found = as_built(made, [tmp_path / "odd"])
        except InputError as error:
            told(error)
            seen["refused"] += 1
            return
        json.dumps(found.summary(), allow_nan=False)
        seen["built"] += 1

    go()
    assert seen["built"] > examples * 0.2


@pytest.mark.parametrize("examples", [pytest.param(60, marks=pytest.mark.slow)])
def test_command_line(made, logs, tmp_path, examples):
    """`loopgis asbuilt`, sheets and all: 0, 3 or 5, nothing half-written, never a defect."""
    page, _ = logs

    @seed(32)
    @tries(examples)
    @given(st.integers(0, 2**40))
    def go(number):
        (tmp_path / "odd.json").write_bytes(odd_page(page, number))
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out), pytest.raises(SystemExit) as left:
            run(["asbuilt", str(made), str(tmp_path / "odd.json"), "-o", str(tmp_path / "built.gpkg"), "--overwrite"])
        assert "defect" not in out.getvalue(), out.getvalue()[-500:]
        assert left.value.code in {0, 3, 5}

    go()
