"""The runner without the desktop GIS: environment, arguments, cancel, wrong interpreters, exit codes."""

from __future__ import annotations

import ast
import json
import os
import re
import stat
import sys
import threading
import time
import zipfile
from configparser import ConfigParser
from pathlib import Path

import desk
import pytest
from desk import PLUGIN
from loopgis_provider import child

from loopgis.core.version import VERSION

STUB = f"""#!{sys.executable}
import json, os, signal, subprocess, sys, time
words = sys.argv[1:]
assert words[:5] == ["-I", "-X", "utf8", "-m", "loopgis"], words
words = words[5:]
say = lambda text: (sys.stdout.buffer.write(text.encode() + b"\\n"), sys.stdout.flush())
if words == ["--version"]:
    say(os.environ.get("SAYS_VERSION", "loopgis, version 0.1.0"))
elif words[0] == "tell":
    say(json.dumps({{"words": words, "env": dict(os.environ), "stdin": sys.stdin.read(), "group": os.getpgrp() == os.getpid()}}))
elif words[0] == "end":
    print("warning: something", file=sys.stderr)
    print("loopgis: error: lot.gpkg: is empty; draw it", file=sys.stderr)
    print("  and another thing", file=sys.stderr)
    sys.exit(int(words[1]))
elif words[0] == "hang":
    if "stubborn" in words:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    deaf = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(300)"
    below = subprocess.Popen([sys.executable, "-c", deaf])
    say(f"{{os.getpid()}} {{below.pid}}")
    time.sleep(300)
elif words[0] == "leave":
    subprocess.Popen([sys.executable, "-c", "import time; time.sleep(20)"])
    say("done")
elif words[0] == "die":
    os.kill(os.getpid(), signal.SIGKILL)
elif words[0] == "odd":
    sys.stdout.buffer.write(b"caf\\xe9\\r\\nno end")
elif words[0] == "much":
    for n in range(20000):
        print("x" * 80, file=sys.stderr if n % 2 else sys.stdout)
"""


@pytest.fixture
def python(tmp_path):
    """An interpreter that plays loopgis, in a folder with blanks and letters beyond ASCII."""
    path = tmp_path / "ein Ordner für Ærø" / "pyt hon"
    path.parent.mkdir()
    path.write_text(STUB, encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def run(python, *words, environment=os.environ, **more):
    return child.run(python, list(words), environment=environment, **more)


def told_by(python, *words, **environment):
    done = run(python, "tell", *words, environment={**os.environ, **environment})
    assert done.code == 0
    return json.loads(done.stdout[0])


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_what_the_host_set_for_its_own_libraries_stays_behind(python):
    ours = dict.fromkeys(child.NOT_FOR_THE_CHILD, "/nowhere")
    # a real loader reads LD_*, so those are looked at on the cleaned copy alone
    cleaned = child.clean_environment({**ours, "PythonPath": "x", "HOME": "/h", "LANG": "C", "LD_LIBRARY_PATH": "x"})
    assert cleaned == {"HOME": "/h", "LANG": "C"}
    env = told_by(python, **{k: v for k, v in ours.items() if not k.startswith(("LD_", "DYLD_"))}, KEPT="yes")["env"]
    assert env["KEPT"] == "yes"
    assert not set(env) & set(child.NOT_FOR_THE_CHILD)


def test_the_environment_of_the_host_is_not_touched(python, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", "/nowhere")
    run(python, "tell")
    assert os.environ["PYTHONPATH"] == "/nowhere"


HOSTILE = [
    "$(touch hacked)",
    "`touch hacked`",
    "; touch hacked #",
    "a b  c",
    "'",
    '"',
    "\\",
    "*",
    "~",
    "%PATH%",
    "$HOME",
    "-o",
    "--overwrite",
    "",
    "new\nline",
    "Ærø/Łódź/井",
    "| tee hacked",
    "&& touch hacked",
]


def test_words_arrive_as_they_are_and_no_shell_sees_them(python, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert told_by(python, *HOSTILE)["words"] == ["tell", *HOSTILE]
    assert not (tmp_path / "hacked").exists()


def test_words_beyond_ascii_arrive_whatever_the_host_takes_for_its_coding(python):
    assert told_by(python, "Ærø 井", LC_ALL="C", LANG="C")["words"] == ["tell", "Ærø 井"]


def test_stdin_is_empty_and_the_child_leads_a_group_of_its_own(python):
    told = told_by(python)
    assert told["stdin"] == ""
    assert told["group"]


def test_no_call_in_the_plugin_uses_a_shell():
    for path in PLUGIN.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "os.system" not in text
        assert "shell=True" not in text
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Call) and ast.unparse(node.func).startswith("subprocess."):
                assert path.name == "child.py"
                assert isinstance(node.args[0], ast.Name)  # a list made above, never a text


@pytest.mark.parametrize("word", ["nul\0byte", "half \ud83d"])
def test_a_word_that_no_program_can_be_given_is_refused_in_words(python, word):
    with pytest.raises(child.ChildError, match="text"):
        run(python, word)


@pytest.mark.parametrize("extra", [[], ["stubborn"]])
def test_cancel_ends_the_child_and_what_it_started(python, extra):
    pids, stop = [], threading.Event()

    def heard(line, is_error):
        assert not is_error
        pids.extend(map(int, line.split()))
        stop.set()

    begin = time.monotonic()
    with pytest.raises(child.CanceledError):
        run(python, "hang", *extra, on_line=heard, canceled=stop.is_set, grace_s=1.0)
    assert time.monotonic() - begin < 10
    assert len(pids) == 2
    deadline = time.monotonic() + 5
    while any(map(alive, pids)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not [p for p in pids if alive(p)]


def test_an_error_while_a_line_is_shown_ends_the_child_too(python):
    pids = []

    def broken(line, _is_error):
        pids.extend(map(int, line.split()))
        raise RuntimeError("the window is gone")

    with pytest.raises(RuntimeError, match="window"):
        run(python, "hang", on_line=broken, grace_s=0.2)
    assert len(pids) == 2
    assert not alive(pids[0])


def test_a_child_that_leaves_its_streams_to_another_is_not_waited_for(python):
    begin = time.monotonic()
    assert run(python, "leave").stdout == ("done",)
    assert time.monotonic() - begin < 8


def test_much_talk_on_both_streams_does_not_block(python):
    done = run(python, "much")
    assert (done.code, len(done.stdout), len(done.stderr)) == (0, 10_000, 10_000)


def test_bytes_that_are_no_text_and_a_line_without_an_end(python):
    assert run(python, "odd").stdout == ("caf\ufffd", "no end")


# -- interpreters ------------------------------------------------------------------------------------------------


def test_the_first_interpreter_that_is_named_counts():
    assert child.interpreter("", None, "  ", ' "/opt/a b/python" ', "/other") == "/opt/a b/python"


def test_none_named_is_one_message_that_says_where_to_name_it():
    with pytest.raises(child.ChildError) as caught:
        child.interpreter("", None)
    said = str(caught.value)
    assert "\n" not in said
    assert all(w in said for w in ("Settings > Options > Processing", "LOOPGIS_PYTHON", "No Python is set"))


def test_one_that_is_not_there(tmp_path):
    with pytest.raises(child.ChildError, match="is not there") as caught:
        child.version_of(str(tmp_path / "no python"), os.environ)
    assert "LOOPGIS_PYTHON" in str(caught.value)


@pytest.mark.parametrize("kind", ["folder", "text", "broken"])
def test_one_that_is_no_program(tmp_path, kind):
    path = tmp_path / "python"
    if kind == "folder":
        path.mkdir()
    else:
        path.write_text("no program", encoding="utf-8")
    if kind == "broken":
        path.write_bytes(b"\x7fELF and nothing more")
        path.chmod(0o755)
    with pytest.raises(child.ChildError, match="cannot be started") as caught:
        child.version_of(str(path), os.environ)
    assert "\n" not in str(caught.value)


def test_a_python_without_the_tool(tmp_path):
    import venv

    venv.create(tmp_path / "bare", with_pip=False, symlinks=True)
    bare = str(tmp_path / "bare" / "bin" / "python")
    with pytest.raises(child.ChildError, match="is not a Python with loopgis in it") as caught:
        child.version_of(bare, os.environ)
    assert "No module named" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("said", ["", "Python 3.11.2", "loopgis", "other, version 1.0", "loopgis, version x"])
def test_a_program_that_says_something_else(python, said):
    with pytest.raises(child.ChildError, match="is not a Python with loopgis"):
        child.version_of(python, {**os.environ, "SAYS_VERSION": said})


def test_a_tool_that_is_too_old(python):
    with pytest.raises(child.ChildError, match=r"needs 0\.1 or later"):
        child.version_of(python, {**os.environ, "SAYS_VERSION": "loopgis, version 0.0.9"})


def test_later_ones_are_taken(python):
    assert child.version_of(python, {**os.environ, "SAYS_VERSION": "loopgis, version 12.3.4rc1"}) == "12.3.4rc1"


def test_the_tool_itself_says_its_version():
    assert child.version_of(sys.executable, {**os.environ, "PYTHONHOME": "/nowhere"}) == VERSION


# -- how it ended ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "means"),
    [(1, "defect"), (2, "did not understand"), (3, "cannot be used"), (4, "No layout fits"), (5, "audit"), (77, "77")],
)
def test_an_exit_code_is_told_with_its_reasons_and_not_the_warnings_before(python, code, means):
    done = run(python, "end", str(code))
    assert done.code == code
    lines = child.told(done).splitlines()
    assert means in lines[0]
    assert lines[1:] == ["loopgis: error: lot.gpkg: is empty; draw it", "and another thing"]


def test_reasons_on_stdout_count_where_stderr_has_none():
    done = child.Outcome(3, ("error: no parcel; draw it", "1 findings"), ())
    assert child.told(done) == "The input cannot be used:\nerror: no parcel; draw it"


def test_very_many_reasons_are_cut():
    done = child.Outcome(4, (), ("loopgis: error: nothing fits", *(f"reason {n}" for n in range(50))))
    assert child.told(done).splitlines()[-1] == "and 37 more lines"


def test_a_child_that_was_killed_is_told_as_such(python):
    assert "signal 9" in child.told(run(python, "die"))


def test_an_unknown_verb_of_the_tool_is_exit_code_2():
    done = run(sys.executable, "no-such-verb")
    assert done.code == child.USAGE
    assert "different versions" in child.told(done)


def test_the_bar_never_goes_back_and_stays_below_the_end():
    bar = child.Progress("layout")
    lines = [
        "22 zones from 1 rule files",
        "pad 1 fan: 6 bores",
        "pad 2 fan: 2 bores",
        "nothing known",
        "writing layouts.gpkg",
    ]
    lines += [f"drawing L-0{n}" for n in range(9)] + ["pad 3 fan: 1 bores", "writing review.html"]
    percent = [bar.after(line) for line in lines]
    assert percent == sorted(percent)
    assert percent[0] > 0
    assert percent[-1] < 100
    assert child.Progress("check").after("anything") == 0


# -- the plugin as a whole ---------------------------------------------------------------------------------------


def test_every_module_is_python_3_9():
    for path in PLUGIN.glob("*.py"):
        ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 9))


def test_nothing_but_the_host_and_the_standard_library_is_imported():
    allowed = set(sys.stdlib_module_names) | {"qgis", "processing"}
    free = {"child.py", "columns.py", "fields.py", "site_file.py", "__init__.py"}
    for path in PLUGIN.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        roots = {a.name.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        roots |= {n.module.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and not n.level}
        assert roots <= allowed, path.name
        if path.name in free:
            assert not roots & {"qgis", "processing"}, path.name
        assert "qgis.gui" not in path.read_text(encoding="utf-8")


def test_the_metadata_is_whole():
    parser = ConfigParser()
    parser.read(PLUGIN / "metadata.txt", encoding="utf-8")
    said = parser["general"]
    assert said["version"] == VERSION
    assert said["hasProcessingProvider"] == "yes"
    assert said["qgisMinimumVersion"] == "3.22"
    assert all(said[k] for k in ("name", "description", "about", "author", "email"))
    assert (PLUGIN / said["icon"]).is_file()


def test_the_zip_has_the_same_bytes_each_time_and_holds_what_the_host_asks_for(tmp_path):
    import make_zip

    one, two = make_zip.write(tmp_path / "a.zip").read_bytes(), make_zip.write(tmp_path / "b.zip").read_bytes()
    assert one == two
    names = zipfile.ZipFile(tmp_path / "a.zip").namelist()
    assert {n.split("/")[0] for n in names} == {"loopgis_provider"}
    needed = {"metadata.txt", "__init__.py", "plugin.py", "provider.py", "child.py", "icon.svg", "LICENSE"}
    assert needed <= {n.split("/")[1] for n in names}
    assert not [n for n in names if "__pycache__" in n]
    assert zipfile.ZipFile(tmp_path / "a.zip").testzip() is None


def test_the_readme_names_every_step_and_installs_in_three_lines():
    text = (desk.DESK / "README.md").read_text(encoding="utf-8")
    steps = (PLUGIN / "steps.py").read_text(encoding="utf-8") + (PLUGIN / "site_steps.py").read_text(encoding="utf-8")
    verbs = re.findall(r'^    verb = "(\w+)"', steps, flags=re.MULTILINE)
    assert sorted(verbs) == ["asbuilt", "check", "drill", "layout", "score", "setbacks", "tablet"]
    assert all(f"`loopgis:{v}`" in text for v in verbs)
    install = text.split("## Install")[1].split("##")[0]
    assert len(re.findall(r"^\d\. ", install, flags=re.MULTILINE)) == 3
