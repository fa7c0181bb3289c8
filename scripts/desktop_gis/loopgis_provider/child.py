"""The runner: the tool's own interpreter as a child process, its lines and its exit code. Knows nothing of the desktop GIS.

Runs on the host's Python, 3.9 to 3.12, with the standard library alone. The child is always a list of words, never a shell.
"""

from __future__ import annotations

import contextlib
import os
import queue
import re
import signal
import subprocess
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Callable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

NOT_FOR_THE_CHILD = (
    "PYTHONPATH",
    "PYTHONHOME",
    "PYTHONSTARTUP",
    "PYTHONEXECUTABLE",
    "__PYVENV_LAUNCHER__",
    "VIRTUAL_ENV",
    "LD_LIBRARY_PATH",
    "LD_PRELOAD",
    "DYLD_LIBRARY_PATH",
    "DYLD_INSERT_LIBRARIES",
    "GDAL_DATA",
    "GDAL_DRIVER_PATH",
    "PROJ_LIB",
    "PROJ_DATA",
    "QT_PLUGIN_PATH",
)
"""What a desktop GIS sets for its own libraries; with them the tool would load the wrong Python, GDAL or PROJ."""
OLDEST = (0, 1)
"""Oldest version of the tool whose command line this plugin speaks."""
_VERSION = re.compile(r"^loopgis, version (\d+)\.(\d+)(\S*)$", re.MULTILINE)
_POLL_S, _GRACE_S, _ASK_S = 0.1, 4.0, 60.0
_POSIX = os.name == "posix"
HOW_TO_SET = (
    "Name the python of the environment that loopgis is installed in: in Settings > Options > Processing > Providers > Loopgis, "
    "in the environment variable LOOPGIS_PYTHON, or in this algorithm's advanced parameter."
)

DONE, DEFECT, USAGE, BAD_INPUT, NO_LAYOUT, AUDIT_FAILED = range(6)
_MEANS = {
    DEFECT: "loopgis met a defect of its own",
    USAGE: "loopgis did not understand this call; plugin and loopgis may be of different versions",
    BAD_INPUT: "the input cannot be used",
    NO_LAYOUT: "no layout fits",
    AUDIT_FAILED: "the audit found a failure",
}
_WRONG = ("loopgis: ", "Error:", "error:")


class ChildError(Exception):
    """What went wrong, in words for the user."""


class CanceledError(ChildError):
    """The user stopped the run; the child and all that it started are gone."""


@dataclass(frozen=True)
class Outcome:
    """How a run ended: exit code (negative: the signal that ended it), lines of both streams in order."""

    code: int
    stdout: tuple[str, ...]
    stderr: tuple[str, ...]


def clean_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """A copy without what the host set for its own libraries."""
    return {k: v for k, v in environment.items() if k.upper() not in NOT_FOR_THE_CHILD}


def interpreter(*candidates: str | None) -> str:
    """The first interpreter that was named at all. Raises ChildError when none was."""
    for text in candidates:
        if text and text.strip():
            return os.path.expanduser(text.strip().strip('"'))
    raise ChildError(f"No Python is set for loopgis. {HOW_TO_SET}")


def command(python: str, words: Iterable[str]) -> list[str]:
    """The whole call as a list of words. Raises ChildError for a word that no program can be given."""
    call = [python, "-I", "-X", "utf8", "-m", "loopgis", *words]
    for word in call:
        if not isinstance(word, str) or "\0" in word:
            raise ChildError(f"{word!r} is no text that a program can be given")
        try:
            word.encode("utf-8")
        except UnicodeEncodeError:
            raise ChildError(f"{word!r} is not valid text; rename the file or folder") from None
    return call


def version_of(python: str, environment: Mapping[str, str]) -> str:
    """Version of loopgis behind an interpreter. Raises ChildError, one message, when there is none or it is too old."""
    try:
        ended = run(python, ["--version"], environment=environment, at_most_s=_ASK_S)
    except ChildError as error:
        raise ChildError(f"{error} {HOW_TO_SET}") from None
    found = _VERSION.search("\n".join(ended.stdout))
    if ended.code != 0 or found is None:
        last = (ended.stderr or ended.stdout or ("it said nothing",))[-1][:200]
        raise ChildError(f"{python!r} is not a Python with loopgis in it ({last}). {HOW_TO_SET}")
    if (int(found.group(1)), int(found.group(2))) < OLDEST:
        needed = ".".join(map(str, OLDEST))
        raise ChildError(f"{python!r} holds {found.group(0)}; this plugin needs {needed} or later: update loopgis.")
    return found.group(0).rpartition(" ")[2]


def run(
    python: str,
    words: Iterable[str],
    *,
    environment: Mapping[str, str],
    on_line: Callable[[str, bool], None] = lambda _line, _is_error: None,
    canceled: Callable[[], bool] = lambda: False,
    grace_s: float = _GRACE_S,
    at_most_s: float | None = None,
) -> Outcome:
    """Run `python -I -m loopgis words...` to its end.

    environment: of the host, cleaned here; on_line(line, is_error) gets every line in this thread as it comes,
    is_error: it came on stderr; canceled is asked every tenth of a second: then the whole process group is told to end, and
    killed after grace_s seconds; at_most_s: seconds after which it is given up. Raises CanceledError, or ChildError when
    the interpreter cannot be started or does not end in time.
    """
    call = command(python, words)
    child = _started(call, clean_environment(environment))
    lines: queue.Queue[tuple[bool, str | None]] = queue.Queue()
    readers = [
        threading.Thread(target=_read, args=(stream, is_error, lines), daemon=True)
        for stream, is_error in ((child.stdout, False), (child.stderr, True))
    ]
    for reader in readers:
        reader.start()
    try:
        kept = _followed(child, lines, on_line, canceled, at_most_s)
    except BaseException:
        _end(child, grace_s)
        raise
    finally:
        for reader, stream in zip(readers, (child.stdout, child.stderr)):
            reader.join(1.0)
            if stream is not None and not reader.is_alive():  # else somebody whom the child started still holds it
                stream.close()
    return Outcome(child.returncode, tuple(kept[False]), tuple(kept[True]))


def _started(call: Sequence[str], environment: Mapping[str, str]) -> subprocess.Popen[bytes]:
    """The child, leader of a process group of its own. Raises ChildError when there is nothing that can be started."""
    own_group = (
        {"start_new_session": True} if _POSIX else {"creationflags": 0x00000200 | 0x08000000}
    )  # new group, no window
    words = (
        [w.encode("utf-8") for w in call] if _POSIX else list(call)
    )  # whatever the host takes for its file names' coding
    try:
        return subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=dict(environment),
            shell=False,
            close_fds=True,
            **own_group,
        )
    except FileNotFoundError:
        raise ChildError(f"The interpreter {call[0]!r} is not there.") from None
    except OSError as error:
        raise ChildError(f"The interpreter {call[0]!r} cannot be started ({error.strerror or error}).") from None


def _read(stream: object, is_error: bool, lines: queue.Queue[tuple[bool, str | None]]) -> None:  # noqa: FBT001
    """All lines of a stream into the queue, and None at its end."""
    with contextlib.suppress(ValueError, OSError):
        for raw in stream:  # type: ignore[attr-defined]
            lines.put((is_error, raw.decode("utf-8", "replace").rstrip("\r\n")))
    lines.put((is_error, None))


def _followed(
    child: subprocess.Popen[bytes],
    lines: queue.Queue[tuple[bool, str | None]],
    on_line: Callable[[str, bool], None],
    canceled: Callable[[], bool],
    at_most_s: float | None,
) -> dict[bool, list[str]]:
    """Lines of both streams until both have ended, or the child has and left its streams to somebody else."""
    kept: dict[bool, list[str]] = {False: [], True: []}
    open_streams, begin_s, gone_s = 2, time.monotonic(), None
    while open_streams:
        if canceled():
            raise CanceledError("Stopped.")
        if at_most_s is not None and time.monotonic() - begin_s > at_most_s:
            raise ChildError(f"{_name(child)!r} gave no answer within {at_most_s:g} seconds.")
        try:
            is_error, line = lines.get(timeout=_POLL_S)
        except queue.Empty:
            if child.poll() is not None:
                gone_s = gone_s or time.monotonic()
                if time.monotonic() - gone_s > 1.0:
                    break
            continue
        if line is None:
            open_streams -= 1
            continue
        kept[is_error].append(line)
        on_line(line, is_error)
    while child.poll() is None:
        if canceled():
            raise CanceledError("Stopped.")
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(_POLL_S)
    return kept


def _name(child: subprocess.Popen[bytes]) -> str:
    first = child.args[0]  # type: ignore[index]
    return os.fsdecode(first)


def _end(child: subprocess.Popen[bytes], grace_s: float) -> None:
    """Tell the whole group to end, wait, then kill what is left of it."""
    if not _POSIX:
        tree = ["taskkill", "/T", "/F", "/PID", str(child.pid)]
        with contextlib.suppress(OSError, subprocess.TimeoutExpired):
            subprocess.run(tree, check=False, stdin=subprocess.DEVNULL, capture_output=True, timeout=30)
        child.kill()
        child.wait()
        return
    _signal(child.pid, signal.SIGTERM)
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.wait(grace_s)
    _signal(child.pid, signal.SIGKILL)
    child.wait()


def _signal(group: int, number: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(group, number)


def told(outcome: Outcome, *, most: int = 14) -> str:
    """What an exit code other than 0 means, with the reasons that the child gave on stderr."""
    if outcome.code < 0:
        return f"loopgis was ended from outside (signal {-outcome.code}); was there enough memory?"
    means = _MEANS.get(outcome.code, f"loopgis ended with exit code {outcome.code}")
    said = [line.strip() for line in outcome.stderr if line.strip()]
    first = next((i for i, line in enumerate(said) if line.startswith(_WRONG)), None)
    told_on_stdout = [line.strip() for line in outcome.stdout if line.startswith(_WRONG)]
    reasons = said[first:] if first is not None else told_on_stdout or said[-3:]
    if len(reasons) > most:
        reasons = [*reasons[:most], f"and {len(reasons) - most} more lines"]
    return "\n".join([f"{means[0].upper()}{means[1:]}" + (":" if reasons else "."), *reasons])


STAGES: dict[str, tuple[tuple[str, int, int], ...]] = {
    "layout": (
        (r"\d+ zones from", 3, 5),
        (r"pad \d+ ", 5, 35),
        (r".*(\d+) m drilled", 35, 75),
        (r"looking for a better pad", 75, 78),
        (r"writing layouts", 80, 82),
        (r"drawing L-", 82, 95),
        (r"writing review", 95, 98),
    ),
    "score": ((r"\d+ bores in", 5, 10), (r".*", 10, 90)),
    "setbacks": (
        (r"measuring every bore", 5, 10),
        (r"drawing the site plan", 30, 35),
        (r"drawing the surround", 35, 40),
        (r"drawing sheet", 40, 80),
        (r"writing tables", 85, 95),
    ),
    "tablet": (
        (r"the page of", 10, 20),
        (r"the GeoPackage", 20, 40),
        (r"drawing \d+ drill", 40, 80),
        (r"stake-out", 85, 95),
    ),
    "drill": ((r"drawing \d+ drill", 10, 80), (r"writing stake-out", 85, 95)),
    "asbuilt": ((r"\d+ entries of", 10, 20), (r"measuring what was drilled", 30, 80)),
}
"""Lines of a verb's talk: pattern of the line, percent at its first and never reached by its last; for the bar only."""


class Progress:
    """Percent done from the lines of one verb; it never goes back, and takes what it does not know as nothing."""

    def __init__(self, verb: str) -> None:
        """verb: of the command line."""
        self.stages = [(re.compile(p), low, high) for p, low, high in STAGES.get(verb, ())]
        self.seen: dict[int, int] = {}
        self.percent = 0.0

    def after(self, line: str) -> float:
        """Percent after a line."""
        for number, (pattern, low, high) in enumerate(self.stages):
            if pattern.match(line):
                times = self.seen[number] = self.seen.get(number, -1) + 1
                self.percent = max(self.percent, low + (high - low) * (1 - 0.8**times))
                break
        return self.percent
