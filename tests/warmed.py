"""The command run many times in little time: a process that has everything loaded, and forks once a run.

`python warmed.py MESH FOLDER` loads moldplan and plans MESH once. Then a JSON list on stdin is a run: the
file for stderr, some flags, and the command's words; it is answered with the process number. A number asks
for that run's end; it is answered with the exit code. The flags:

linger        where names change
no exchange   of names in one step
kept          takes the plan that was made at the beginning, with some pauses, so that a run spends its time
              on reading and writing
deaf          spends a minute in one call that holds the interpreter's lock
solid         spends some time in manifold3d
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_LINGER_S = 0.02


@dataclass(frozen=True)
class Run:
    """One run of the command: its process in front, which leads a process group, and its stderr."""

    warmed: "Warmed"
    pid: int
    stderr: Path

    def worker(self) -> int | None:
        """Return the number of the process that does the work, None when there is none (yet)."""
        with suppress(OSError):
            children = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()
            return int(children[0]) if children else None
        return None

    def begun(self) -> "Run":
        """Wait until there is a front: before, it is not the command that hears a signal."""
        stat = Path(f"/proc/{self.pid}/stat")
        while self.worker() is None and ") Z " not in stat.read_text():
            time.sleep(0.001)
        return self

    def send(self, number: signal.Signals, to: str = "front") -> None:
        """Send a signal to the front, the worker, or both."""
        with suppress(ProcessLookupError):
            if to == "both":
                os.killpg(self.pid, number)
            elif to == "front":
                os.kill(self.pid, number)
            elif (worker := self.worker()) is not None:
                os.kill(worker, number)

    def wait(self) -> int:
        """Wait until the front and the worker are gone; return the exit code, negative for a signal."""
        code = int(self.warmed.ask(self.pid))
        until = time.monotonic() + 20.0
        while _lives(self.pid) and time.monotonic() < until:
            time.sleep(0.01)
        return code


def _lives(group: int) -> bool:
    """Return whether a process of a group still runs."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            words = stat.read_text().rpartition(")")[2].split()
            if int(words[2]) == group and words[0] != "Z":
                return True
    return False


class Warmed:
    """A process that stands ready."""

    def __init__(self, child: "subprocess.Popen[str]", folder: Path) -> None:
        self._child, self._folder, self._number = child, folder, 0

    def start(self, *words: str | Path, flags: Sequence[str] = ()) -> Run:
        """Start the command."""
        self._number += 1
        stderr = self._folder / f"{self._number}.txt"
        job = [str(stderr), list(flags), [str(word) for word in words]]
        return Run(self, int(self.ask(job)), stderr).begun()

    def ask(self, question: object) -> str:
        """Return the answer to a line."""
        assert self._child.stdin is not None
        print(json.dumps(question), file=self._child.stdin, flush=True)
        return self.answer()

    def answer(self) -> str:
        """Return the next line of what the process says."""
        assert self._child.stdout is not None
        return self._child.stdout.readline()


@contextmanager
def warmed(mesh: Path, folder: Path) -> Iterator[Warmed]:
    """Start a process that stands ready, and end it."""
    command = [sys.executable, __file__, str(mesh), str(folder)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as child:
        ready = Warmed(child, folder)
        assert ready.answer() == "ready\n"
        yield ready
        assert child.stdin is not None
        child.stdin.close()


def plan_words(mesh: Path, *more: str | Path, parts: str = "none") -> list[str | Path]:
    """Return the words of a small plan."""
    return ["plan", mesh, "--height", "600 mm", "--cut", "0,1,0@0", "--only", parts, *more]


def _slowed(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that lingers before and after."""

    def slow(*args: Any, **named: Any) -> Any:
        time.sleep(_LINGER_S)
        result = function(*args, **named)
        time.sleep(_LINGER_S)
        return result

    return slow


def _linger() -> None:
    """Make the moments at which names change long enough to be hit."""
    from moldplan import store  # noqa: PLC0415 - the tests themselves need no warmed modules

    for name in ("_write_manifest", "_swap_in", "exchange", "_replace", "_remove"):
        setattr(store, name, _slowed(getattr(store, name)))
    Path.rename = _slowed(Path.rename)  # type: ignore[method-assign]


def _keep_plan(plan: Any) -> Callable[..., Any]:
    """Return what stands in for planning: the plan that is there already, told as slowly as it can be."""

    def kept(*_: object, progress: Any, **__: object) -> Any:
        for number in range(20):
            progress.step(f"step {number}", number / 20)
            time.sleep(_LINGER_S)
        return plan

    return kept


def _deaf(*_: object, **__: object) -> None:
    """Hold the interpreter's lock for a minute, as a long computation on solids does: nothing is heard."""
    sum(range(10**10))


def _solid(*_: object, **__: object) -> None:
    """Make a solid of a million triangles lighter, again and again: manifold3d holds the lock each time."""
    import manifold3d  # noqa: PLC0415 - as above

    for _turn in range(20):
        manifold3d.Manifold.sphere(100.0, 1600).simplify(0.01)


def _run(stderr: str, flags: list[str], words: list[str], plan: Any) -> None:
    """Be the command."""
    from moldplan import request, start, store  # noqa: PLC0415 - as above

    os.setpgid(0, 0)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    handle = os.open(stderr, os.O_WRONLY | os.O_CREAT, 0o644)
    os.dup2(handle, 2)
    os.dup2(os.open(os.devnull, os.O_RDWR), 0)
    os.dup2(0, 1)
    if "no exchange" in flags:
        store.exchange = lambda _one, _other: False
    if "linger" in flags:
        _linger()
    if "kept" in flags:
        request.plan_job = _keep_plan(plan)
    if "deaf" in flags:
        request._write = _deaf  # type: ignore[assignment]
    if "solid" in flags:
        request._write = _solid  # type: ignore[assignment]
    sys.argv = ["moldplan", *words]
    start.main()


def _say(what: object) -> None:
    """Answer."""
    sys.stdout.write(f"{what}\n")
    sys.stdout.flush()


def _serve(mesh: Path, folder: Path) -> None:
    """Warm up, then run the command for each line."""
    from typer.testing import CliRunner  # noqa: PLC0415 - as above

    from moldplan import request  # noqa: PLC0415 - as above
    from moldplan.cli import app  # noqa: PLC0415 - as above

    plans: list[Any] = []
    plan_job = request.plan_job
    request.plan_job = lambda *given, **named: plans.append(plan_job(*given, **named)) or plans[0]
    words = [str(word) for word in plan_words(mesh, "--out", folder / "warm", "--quiet")]
    assert CliRunner().invoke(app, words).exit_code in {0, 3}
    request.plan_job = plan_job
    _say("ready")
    for line in sys.stdin:
        asked = json.loads(line)
        if isinstance(asked, int):
            _say(os.waitstatus_to_exitcode(os.waitpid(asked, 0)[1]))
            continue
        stderr, flags, words = asked
        pid = os.fork()
        if pid == 0:
            sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - the fork's only
            _run(stderr, flags, words, plans[0])
        _say(pid)


if __name__ == "__main__":
    _serve(Path(sys.argv[1]), Path(sys.argv[2]))
