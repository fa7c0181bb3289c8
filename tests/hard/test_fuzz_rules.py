"""Rule files spoiled in every way: both readers take a file or refuse it in one line, and what they take holds sound figures."""

from __future__ import annotations

import contextlib
import io
import time
import tomllib
from importlib import resources

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from mutations import bitten, odd_figures, spoiled, told, toml

from loopgis.cli.main import run
from loopgis.core.errors import InputError
from loopgis.rules import audit_rules, files

LONGEST_S = 3.0
"""CPU seconds for one file."""
FOLDER = resources.files("loopgis") / "tables" / "rules"
SHIPPED = {name: (FOLDER / f"{name}.toml").read_bytes() for name in files.shipped()}
TREES = {name: tomllib.loads(data.decode()) for name, data in SHIPPED.items()}
NAMES = sorted(SHIPPED)


def shorter(name: str, number: int) -> dict:
    """A shipped file with a few of its rules, so that most spoiling hits what is read as a figure."""
    tree = dict(TREES[name])
    rules = tree["rule"]
    at = number % len(rules)
    return tree | {"rule": rules[at : at + 3]}


def both(folder, data: bytes) -> str:
    """What the two readers make of a file: "taken", "refused", "generator" when that one alone refuses it, or "audit"."""
    file = folder / "own.toml"
    file.write_bytes(data)
    taken, began = [], time.process_time()
    for read in (lambda: files.load(str(file)), lambda: audit_rules.load_rules([str(file)], folder)):
        try:
            found, words = read(), ""
        except InputError as error:
            found, words = None, told(error)
        assert found is None or odd_figures(found, frozenset()) == []
        assert found is not None or "own.toml" in words
        taken.append(found is not None)
    assert time.process_time() - began < LONGEST_S
    return {(True, True): "taken", (False, False): "refused", (False, True): "generator", (True, False): "audit"}[
        *taken
    ]


def tries(examples: int):
    """Settings of a run that draws the same every time."""
    return settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))


def test_written_anew_the_shipped_files_are_taken(tmp_path):
    assert {both(tmp_path, toml(tree).encode()) for tree in TREES.values()} == {"taken"}


@pytest.mark.parametrize("examples", [150, pytest.param(30_000, marks=pytest.mark.slow)])
def test_spoiled_values(tmp_path, examples):
    seen: dict[str, int] = {}
    unaudited: list[int] = []

    @seed(20)
    @tries(examples)
    @given(st.integers(0, 2**40), st.sampled_from(NAMES))
    def go(number, name):
        data = toml(spoiled(shorter(name, number), number, keep=frozenset({"schema"}))).encode("utf-8", "surrogatepass")
        word = both(tmp_path, data)
        seen[word] = seen.get(word, 0) + 1
        if word == "audit":
            unaudited.append(number)

    go()
    assert seen["taken"] > examples * 0.02
    assert seen["refused"] > examples * 0.3
    assert unaudited == []  # what the generator works by, the audit can read


@pytest.mark.parametrize("examples", [120, pytest.param(20_000, marks=pytest.mark.slow)])
def test_spoiled_bytes(tmp_path, examples):
    @seed(21)
    @tries(examples)
    @given(st.integers(0, 2**40), st.sampled_from(NAMES))
    def go(number, name):
        both(tmp_path, bitten(SHIPPED[name], number))

    go()


@pytest.mark.parametrize("examples", [25, pytest.param(2000, marks=pytest.mark.slow)])
def test_command_line(tmp_path, examples):
    """`loopgis rules check` and `explain`: 0 or 3, and never a defect."""
    file = tmp_path / "own.toml"
    seen = set()

    @seed(22)
    @tries(examples)
    @given(st.integers(0, 2**40), st.sampled_from(NAMES))
    def go(number, name):
        file.write_bytes(toml(spoiled(shorter(name, number), number)).encode("utf-8", "surrogatepass"))
        for verb in ("check", "explain"):
            out = io.StringIO()
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out), pytest.raises(SystemExit) as left:
                run(["rules", verb, str(file)])
            assert "defect" not in out.getvalue(), out.getvalue()[-500:]
            seen.add(int(left.value.code))

    go()
    assert 3 in seen <= {0, 3}
