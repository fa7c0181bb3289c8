"""The set-up scripts: they find a Python or say what is missing, and install exactly what the lock file pins."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = ROOT / "scripts"
BASH = shutil.which("bash") or "/bin/bash"
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")


def pinned() -> dict[str, str]:
    return dict(re.findall(r"^([a-z0-9][a-z0-9._-]*)==(\S+)", LOCK, flags=re.MULTILINE))


def canonical(requirement: str) -> str:
    return re.sub(r"[-_.]+", "-", re.split(r"[<>=!~\[; ]", requirement)[0]).lower()


def run(code: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run bash code after sourcing the scripts' common part from the tree at cwd."""
    return subprocess.run(
        [BASH, "-c", f'set -euo pipefail; source "$TREE/scripts/_env.sh"; {code}'],
        check=False,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=60,
        cwd="/",
        env={"PATH": os.environ["PATH"], "HOME": str(cwd), "TREE": str(cwd), **environment},
    )


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of what the set-up reads, with an environment that holds no pip: installing anything must fail."""
    for name in ("requirements.lock", "pyproject.toml"):
        shutil.copy(ROOT / name, tmp_path / name)
    shutil.copytree(SCRIPTS, tmp_path / "scripts", ignore=shutil.ignore_patterns("__pycache__"))
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(tmp_path / ".venv")], check=True, timeout=60)
    return tmp_path


@pytest.fixture
def bare_path(tmp_path: Path) -> Path:
    """A folder for PATH with the shell's own helpers and no Python."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for tool in ("dirname", "cat", "rm"):
        (folder / tool).symlink_to(shutil.which(tool) or f"/bin/{tool}")
    return folder


@pytest.mark.parametrize("path", [*sorted(SCRIPTS.glob("*.sh")), ROOT / ".ci" / "run"], ids=lambda path: path.name)
def test_scripts_parse_and_stop_at_the_first_error(path: Path) -> None:
    subprocess.run([BASH, "-n", str(path)], check=True, timeout=10)
    text = path.read_text(encoding="utf-8")
    assert path.name == "_env.sh" or "\nset -euo pipefail\n" in text
    assert path.name == "_env.sh" or os.access(path, os.X_OK)


def test_no_python_is_said_in_one_line(tree: Path, bare_path: Path) -> None:
    done = run("find_python", tree, PATH=str(bare_path))
    assert done.returncode == 1
    assert done.stderr.strip() == (
        "error: no Python 3.11, 3.12 or 3.13 found on PATH (tried python3.11, python3.12, python3.13, python3)"
    )


def test_python_without_venv_module_names_the_remedy(tree: Path, bare_path: Path) -> None:
    # A Debian Python without python3-venv: the interpreter runs, ensurepip cannot be imported.
    (bare_path / "broken").mkdir()
    (bare_path / "broken" / "ensurepip.py").write_text("raise ImportError\n", encoding="utf-8")
    launcher = bare_path / "python3"
    launcher.write_text(f'#!{BASH}\nPYTHONPATH={bare_path}/broken exec "{sys.executable}" "$@"\n', encoding="utf-8")
    launcher.chmod(0o755)
    done = run("find_python", tree, PATH=str(bare_path))
    assert done.returncode == 1
    assert "python3 has no venv module" in done.stderr
    assert "python3-venv" in done.stderr


def test_failing_launcher_is_passed_over(tree: Path, bare_path: Path) -> None:
    (bare_path / "python3.11").write_text(f"#!{BASH}\nexit 127\n", encoding="utf-8")
    (bare_path / "python3.11").chmod(0o755)
    (bare_path / "python3").write_text(f'#!{BASH}\nexec "{sys.executable}" "$@"\n', encoding="utf-8")
    (bare_path / "python3").chmod(0o755)
    done = run("find_python", tree, PATH=str(bare_path))
    assert done.returncode == 0
    assert done.stdout.strip() == str(bare_path / "python3")


def test_unchanged_lock_installs_nothing(tree: Path) -> None:
    assert run("stamp >$VENV/loopgis.stamp; prepare", tree).returncode == 0


@pytest.mark.parametrize("changed", ["requirements.lock", "pyproject.toml"])
def test_changed_lock_or_metadata_installs_again(tree: Path, changed: str) -> None:
    assert run("stamp >$VENV/loopgis.stamp", tree).returncode == 0
    with (tree / changed).open("a", encoding="utf-8") as file:
        file.write("# one more line\n")
    done = run("prepare; echo not reached", tree)
    assert done.returncode != 0
    assert "installing what requirements.lock pins" in done.stderr
    assert "No module named pip" in done.stderr
    assert not done.stdout
    assert not (tree / ".venv" / "loopgis.stamp").exists()


def test_folder_that_is_no_environment_is_never_cleared(tree: Path) -> None:
    precious = tree / "precious"
    precious.mkdir()
    (precious / "file").write_text("kept", encoding="utf-8")
    done = run("prepare", tree, LOOPGIS_VENV=str(precious))
    assert done.returncode == 1
    assert "no virtual environment" in done.stderr
    assert (precious / "file").read_text(encoding="utf-8") == "kept"


def test_every_dependency_is_pinned() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = project["project"]["dependencies"] + project["project"]["optional-dependencies"]["dev"]
    asked += project["build-system"]["requires"]
    assert {canonical(text) for text in asked} <= {canonical(name) for name in pinned()}


def test_every_pin_has_a_hash_and_names_no_place() -> None:
    blocks = re.split(r"^(?=[a-z0-9])", LOCK, flags=re.MULTILINE)[1:]
    assert len(blocks) == len(pinned()) > 30
    for block in blocks:
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", block), block[:60]
    assert not re.search(r"https?://|file:/|--index-url|--find-links|--trusted-host|/home/|/root/|/opt/", LOCK)


def test_validator_is_pinned_without_its_dependency() -> None:
    assert "gdal-utils" in pinned()
    assert "gdal" not in pinned()
