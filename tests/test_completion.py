"""The shell completes verbs and options, from a file that stands where the shell looks for it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from loopgis.cli.completion import SHELLS, place
from loopgis.cli.main import VERBS, cli
from loopgis.core.errors import InputError


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    return tmp_path


@pytest.mark.parametrize("shell", SHELLS)
def test_the_file_stands_where_the_shell_looks(home, shell):
    run = CliRunner().invoke(cli, ["--install-completion", shell])
    assert run.exit_code == 0, run.output
    written = place(shell, home, {})
    assert str(written) in run.output
    assert "_LOOPGIS_COMPLETE" in written.read_text()


def test_your_own_shell_is_taken_when_none_is_named(home, monkeypatch):
    monkeypatch.setenv("SHELL", "/usr/local/bin/fish")
    assert CliRunner().invoke(cli, ["--install-completion"]).exit_code == 0
    assert place("fish", home, {}).exists()
    monkeypatch.setenv("SHELL", "/bin/tcsh")
    refused = CliRunner().invoke(cli, ["--install-completion"])
    assert isinstance(refused.exception, InputError)
    assert "bash, zsh, fish" in str(refused.exception)


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_completes_verbs_and_options(home):
    CliRunner().invoke(cli, ["--install-completion", "bash"])
    tools = Path(sys.executable).parent

    def completed(*words):
        listed = " ".join(f"'{w}'" for w in words)
        script = (
            f"source '{place('bash', home, {})}'; COMP_WORDS=({listed}); COMP_CWORD={len(words) - 1};"
            f" _loopgis_completion loopgis '{words[-1]}' x; printf '%s\\n' \"${{COMPREPLY[@]}}\""
        )
        env = {"HOME": str(home), "PATH": f"{tools}:/usr/bin:/bin"}
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, env=env)
        return done.stdout.split()

    assert set(completed("loopgis", "")) >= set(VERBS)
    assert completed("loopgis", "asb") == ["asbuilt"]
    assert "--layout" in completed("loopgis", "tablet", "x.gpkg", "--l")


def test_a_place_that_cannot_be_written_is_one_line(home):
    (home / ".config").write_text("a file in the way")
    run = CliRunner().invoke(cli, ["--install-completion", "fish"])
    assert isinstance(run.exception, InputError)
