"""Changes one thing at a time in a package and counts how often a test notices: the score of a seeded sample, by mutmut 3.

    python scripts/mutants.py bore --seed 1 --count 100

Run it through scripts/mutants.sh, in a copy of the tree: mutmut writes a directory `mutants` there. A mutant is "text" when
nothing but the wording of a message differs; those are counted apart and not drawn. What the tool does not change: module
constants, decorated functions (properties), defaults that are calls. Doctests do not run. A mutant that outlives LONGEST_S
seconds of its tests, the quickest first, counts as alive; so does one that means the same.
"""

from __future__ import annotations

import argparse
import ast
import json
import math
import random
import re
from pathlib import Path
from typing import Any

TESTS = {
    "bore": ("tests/bore", "tests/published", "tests/layout/test_drilling.py", "tests/layout/test_crossing_risk.py"),
    "ground": ("tests/ground", "tests/published"),
    "rules": ("tests/rules",),
}
LONGEST_S = 60.0
CONFIG = """
[tool.mutmut]
source_paths = ["loopgis"]
only_mutate = ["loopgis/{package}/*.py"]
also_copy = ["data", "scripts", "README.md", "DEVELOPERS.md", "requirements.lock"]
pytest_add_cli_args = ["-n0", "-p", "no:cacheprovider", "-m", "not slow"]
pytest_add_cli_args_test_selection = [{tests}]
process_isolation = "forkserver"
timeout_multiplier = 5.0
timeout_constant = 10.0
use_git_change_detection = false
"""
Above = tuple[ast.AST, ...]
SQL = re.compile(r"\b(SELECT|FROM|WHERE|PRAGMA|INSERT)\b")
ALIVE = {0, 5, 33}
"""Exit codes of mutmut for a mutant that no test killed: survived, nothing collected, no test reaches it."""


def difference(old: object, new: object, above: Above = ()) -> tuple[object, object, Above]:
    """The smallest pair of nodes that holds all that differs, and the nodes above it."""
    if type(old) is not type(new) or not isinstance(old, ast.AST):
        return old, new, above
    pairs: list[tuple[object, object]] = []
    for name, value in ast.iter_fields(old):
        other = getattr(new, name, None)
        if isinstance(value, list) and isinstance(other, list) and len(value) == len(other):
            pairs += zip(value, other, strict=True)
        else:
            pairs.append((value, other))
    apart = [p for p in pairs if _dump(p[0]) != _dump(p[1])]
    return difference(*apart[0], (*above, old)) if len(apart) == 1 else (old, new, above)


def _dump(node: object) -> str:
    if isinstance(node, list):
        return "".join(map(_dump, node))
    return ast.dump(node) if isinstance(node, ast.AST) else repr(node)


def is_text(old: object, new: object, above: Above) -> bool:
    """Does only the wording of a message differ."""
    raised = any(isinstance(n, ast.Raise) for n in above)
    if isinstance(old, str) and isinstance(new, str):
        return raised or (" " in old.strip() and not SQL.search(old))
    gone = new is None or (isinstance(new, ast.Constant) and new.value is None)
    return raised and gone and isinstance(old, str | ast.JoinedStr)


def told(old: object, new: object, above: Above) -> str:
    """Both sides in one line, with the statement they stand in."""

    def say(node: object) -> str:
        if isinstance(node, list):
            return f"({', '.join(say(n) for n in node)})"
        return " ".join((ast.unparse(node) or type(node).__name__ if isinstance(node, ast.AST) else repr(node)).split())

    within = next((n for n in reversed(above) if isinstance(n, ast.stmt)), old)
    return f"{say(old)[:120]}  ->  {say(new)[:120]}   in: {say(within)[:160]}"


def mutants(package: str) -> dict[str, tuple[bool, str]]:
    """Every mutant of a package by name: is it text, and what it changes."""
    found = {}
    for path in sorted(Path("mutants/loopgis", package).glob("*.py")):
        module = ".".join(path.with_suffix("").parts[1:]).removesuffix(".__init__")
        functions = {n.name: n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.FunctionDef)}
        for name, node in functions.items():
            stem, mark, number = name.rpartition("__mutmut_")
            if mark and number.isdigit():
                original = functions[f"{stem}__mutmut_orig"]
                original.name = node.name
                parts = difference(original, node)
                found[f"{module}.{name}"] = (is_text(*parts), told(*parts))
    return found


def interval(killed: int, n: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share, percent (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    z, share = 1.959964, killed / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return 100 * (middle - half), 100 * (middle + half)


def keep_quickest(state: Any) -> None:  # noqa: ANN401 -- an object of the tool
    """Leave each function the quickest of its tests, LONGEST_S seconds of them."""
    for name, tests in state.tests_by_mangled_function_name.items():
        spent, kept = 0.0, set()
        for test in sorted(tests, key=lambda t: state.duration_by_test.get(t, 0.0)):
            spent += state.duration_by_test.get(test, 0.0)
            if kept and spent > LONGEST_S:
                break
            kept.add(test)
        state.tests_by_mangled_function_name[name] = kept


def run(package: str, seed: int, count: int, *, quick: bool) -> None:
    """Draw, run, and tell."""
    import mutmut.__main__ as tool  # noqa: PLC0415

    drawn: list[str] = []
    every: dict[str, tuple[bool, str]] = {}
    collect, load, maker = tool.collect_source_file_mutation_data, tool.collect_or_load_stats, tool.get_mutant_runner

    def sample(**_: object) -> tuple[list[Any], dict[str, Any]]:
        found, files = collect(mutant_names=())
        every.update(mutants(package))
        names = sorted(name for name, (text, _) in every.items() if not text)
        drawn.extend(random.Random(f"{seed} {package}").sample(names, min(count, len(names))))  # noqa: S311
        wanted = set(drawn)
        return [m for m in found if m[1] in wanted], files

    def quickest(*args: object, **more: object) -> None:
        load(*args, **more)
        keep_quickest(tool.state())

    def runner(*args: object) -> object:
        made = maker(*args)
        if quick:
            made.run_clean_tests = lambda **_: 0
        return made

    tool.collect_source_file_mutation_data, tool.collect_or_load_stats, tool.get_mutant_runner = (
        sample,
        quickest,
        runner,
    )
    if quick:
        tool.run_forced_fail_test = lambda _: tool.set_mutant_under_test("")
    tool._run((), 1)  # noqa: SLF001
    tell(package, seed, drawn, every)


def tell(package: str, seed: int, drawn: list[str], every: dict[str, tuple[bool, str]]) -> None:
    """The mutants that are alive, and the score."""
    codes: dict[str, int | None] = {}
    for path in Path("mutants/loopgis", package).glob("*.meta"):
        codes |= json.loads(path.read_text("utf-8"))["exit_code_by_key"]
    tried = [name for name in drawn if codes[name] is not None]
    alive = sorted(name for name in tried if codes[name] in ALIVE)
    print()
    for name in alive:
        print(f"alive: {name.removeprefix('loopgis.')}\n       {every[name][1]}")
    killed, n = len(tried) - len(alive), len(tried)
    low, high = interval(killed, n)
    print(
        f"{package}: {len(every)} mutants, {sum(text for text, _ in every.values())} of them text; seed {seed}: ",
        end="",
    )
    print(f"{killed} of {n} killed, {100 * killed / n:.1f} % (95 %: {low:.1f} to {high:.1f})")


def main() -> None:
    """Arguments."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("package", choices=TESTS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument(
        "--quick", action="store_true", help="without the run that must pass and the one that must fail"
    )
    asked = parser.parse_args()
    project = Path("pyproject.toml")
    if "[tool.mutmut]" not in project.read_text("utf-8"):
        tests = ", ".join(f'"{t}"' for t in TESTS[asked.package])
        with project.open("a", encoding="utf-8") as file:
            file.write(CONFIG.format(package=asked.package, tests=tests))
    import sys  # noqa: PLC0415

    sys.argv = ["mutmut"]
    run(asked.package, asked.seed, asked.count, quick=asked.quick)


if __name__ == "__main__":
    main()
