"""A small process in front of the real work, which can always be stopped and always clears up.

Goal
    Ctrl-C ends the command within two seconds with one clear line, whatever is running, and a command that
    dies leaves nothing half-written.

Why a second process
    Solid and drawing libraries hold the interpreter's lock for many seconds. Meanwhile no Python code runs in
    that process, no signal handler and no thread; only another process can act.

Steps
    1. `watched` forks before anything heavy is imported, so that it costs a few milliseconds and little
       memory. The new process, the worker, does the work. The first one stays in front, under the number
       that the shell knows, and only waits.
    2. Signals count in front alone; the worker ignores them. SIGINT, SIGTERM and SIGHUP are passed on as
       `STOP`: the worker's next step then ends the work in order. A signal that was ignored from the start
       (a shell's background job, nohup) stays so.
    3. After `PATIENCE_S`, or at a second Ctrl-C, the front ends the worker and the processes it started.
    4. The worker has told the front which places it is writing to (`remember`). When it was ended, or died,
       the front has them tidied: by the same function that a later run uses.
    5. When the front itself is killed the worker notices, and ends in order.

Where there is no fork (Windows) the work runs in the command's own process, and Ctrl-C ends it at its next
step. On macOS it is as on Linux: nothing that minds a fork is loaded at that time.

The exit code is the worker's; 128 + signal when it was stopped (130 for Ctrl-C, 143, 129), or ended by the
system (137 when out of memory).
"""

import contextlib
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

#: Seconds that the worker has to end in order. The clearing up comes after it: two in all.
PATIENCE_S: Final = 1.5
#: Two signals in a shorter time are one: some programs send it to a process and to its group.
_ONE_SIGNAL_S: Final = 0.1
#: Seconds that a worker without a front has to end in order.
_ALONE_S: Final = 5.0
#: What the front sends to the worker to stop it; in a process without a front Ctrl-C itself.
_ASK: Final = getattr(signal, "SIGUSR1", signal.SIGINT)
_HEARD: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
_STOPPED: Final = 130
_FINISHED: Final = (0, 1, 2, 3)
_SAID: Final = "moldplan: stopped; nothing half-written is left"


class _Worker:
    """What the worker knows of its front."""

    front: int | None = None
    """Number of the front's process; None when there is none."""
    tell: int = -1
    """Where `remember` writes."""


def has_front() -> bool:
    """Return whether this is a worker: then the front says the last line after a stop."""
    return _Worker.front is not None


def stop_signal() -> signal.Signals:
    """Return the signal that asks this process to stop."""
    return signal.Signals(_ASK if has_front() else signal.SIGINT)


def shown_process() -> int:
    """Return the number under which a person finds this run: the front's, if there is one."""
    return os.getpid() if _Worker.front is None else _Worker.front


def remember(place: str) -> None:
    """Tell the front of a place that must be tidied if this process dies; does nothing without a front.

    Parameters
    ----------
    place
        Whatever `tidy` of `watched` understands; it holds no zero byte.
    """
    if has_front():
        with contextlib.suppress(OSError):  # the front is gone: this process is about to stop
            os.write(_Worker.tell, os.fsencode(place) + b"\0")


def watched(work: Callable[[], None], *, tidy: Callable[[str], None]) -> None:
    """Do `work` in a second process and wait for it; where that cannot be, do it here.

    Parameters
    ----------
    work
        Ends by returning or by `SystemExit`.
    tidy
        Called in front for each remembered place when the worker was ended or died. It must be quick.

    Notes
    -----
    In front it does not return: the process ends with the worker's exit code.
    """
    if not hasattr(os, "fork") or threading.active_count() > 1:
        work()
        return
    tell, life = os.pipe(), os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    signal.pthread_sigmask(signal.SIG_BLOCK, _HEARD)  # until both sides are ready for them
    try:
        worker = os.fork()
    except OSError:  # no more processes allowed
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _HEARD)
        work()
        return
    if worker == 0:
        _become_worker(tell, life)
        work()
        return
    os.close(tell[1])
    os.close(life[0])
    # nothing is buffered here, and taking an interpreter down takes a while
    os._exit(_Front(worker, tell[0]).wait(tidy))


def _become_worker(tell: tuple[int, int], life: tuple[int, int]) -> None:
    """Leave signals to the front, and end when it is gone."""
    os.close(tell[0])
    os.close(life[1])
    _Worker.front, _Worker.tell = os.getppid(), tell[1]
    for number in _HEARD:
        signal.signal(number, signal.SIG_IGN)
    signal.signal(_ASK, _leave)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, _HEARD)
    threading.Thread(target=_end_with_front, args=(life[0],), daemon=True).start()


def _leave(_signal: int, _frame: object) -> None:
    """Leave at once: between computations there is nothing to end in order, and the front tidies.

    An exception, raised while libraries are being loaded, would be lost or printed by one of them.
    """
    os._exit(_STOPPED)


def _end_with_front(life: int) -> None:
    """Wait until the front is gone, which closes its end of the pipe; then stop in order, or else at once."""
    os.read(life, 1)
    os.kill(os.getpid(), _ASK)
    time.sleep(_ALONE_S)
    os.kill(os.getpid(), signal.SIGKILL)


class _Front:
    """The waiting process. It is small, so that its signal handlers always run."""

    def __init__(self, worker: int, tell: int) -> None:
        """Begin to hear signals."""
        self._worker, self._tell = worker, tell
        self._status: int | None = None
        self._asked: int | None = None
        self._asked_at = 0.0
        self._deadline: float | None = None
        self._told = bytearray()
        self._wake, wake_end = os.pipe()
        for end in (self._wake, wake_end, tell):
            os.set_blocking(end, False)
        signal.set_wakeup_fd(wake_end, warn_on_full_buffer=False)
        for number in (*_HEARD, signal.SIGCHLD):
            if number == signal.SIGCHLD or signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, _heard)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _HEARD)
        _adopt()

    def wait(self, tidy: Callable[[str], None]) -> int:
        """Wait for the worker, stop it when asked, have its places tidied; return the exit code."""
        self._reap()  # it may have ended before SIGCHLD was heard
        while self._status is None:
            left = None if self._deadline is None else max(0.0, self._deadline - time.monotonic())
            ready, _, _ = select.select([self._wake], [], [], left)
            self._read_told()
            for number in os.read(self._wake, 512) if ready else b"":
                self._hear(number)
            self._reap()
            if self._status is None and self._deadline is not None and time.monotonic() >= self._deadline:
                self._end()
        self._read_told()
        return self._leave(os.waitstatus_to_exitcode(self._status), tidy)

    def _hear(self, number: int) -> None:
        """Pass the first signal on; a second Ctrl-C makes an end."""
        now = time.monotonic()
        if number == signal.SIGCHLD:
            return
        if self._asked is None:
            self._asked, self._asked_at = number, now
            self._deadline = now + PATIENCE_S
            os.kill(self._worker, _ASK)
        elif number == signal.SIGINT and now - self._asked_at > _ONE_SIGNAL_S:
            self._deadline = now

    def _reap(self) -> None:
        """See whether the worker has ended."""
        number, status = os.waitpid(self._worker, os.WNOHANG)
        if number:
            self._status = status

    def _end(self) -> None:
        """End the worker and all that it started."""
        os.kill(self._worker, signal.SIGSTOP)  # so that it starts no more while they are looked for
        _end_started_by(self._worker)
        os.kill(self._worker, signal.SIGKILL)
        _, self._status = os.waitpid(self._worker, 0)

    def _read_told(self) -> None:
        """Take in what the worker has told."""
        with contextlib.suppress(BlockingIOError):
            while more := os.read(self._tell, 65536):
                self._told += more

    def _leave(self, code: int, tidy: Callable[[str], None]) -> int:
        """Tidy after a worker that did not come to its end, say so, and return the exit code."""
        if self._asked is None and code >= 0:
            return code
        if self._asked is not None and code in _FINISHED and self._asked != signal.SIGHUP:
            return code  # it was done, or had refused, before it heard
        _end_started_by(os.getpid())  # what a worker that died leaves running, where it is adopted
        trouble = self._tidied(tidy)
        if self._asked is not None:
            _say(trouble or _SAID)
            return 128 + self._asked
        reason = "the computer was out of memory, perhaps: a lighter mesh needs less" if code == -9 else ""
        after = trouble or f"nothing half-written is left{'; ' if reason else ''}{reason}"
        _say(f"moldplan: ended by the system with signal {-code}; {after.removeprefix('moldplan: ')}")
        return 128 - code

    def _tidied(self, tidy: Callable[[str], None]) -> str:
        """Tidy every place once; return what to say when one could not be."""
        trouble = ""
        for place in dict.fromkeys(bytes(self._told).split(b"\0")[:-1]):
            try:
                tidy(os.fsdecode(place))
            except Exception as error:  # noqa: BLE001 - the other places are tidied all the same
                trouble = f"moldplan: stopped; the next run will clear up: {error}"
        return trouble


def _heard(_signal: int, _frame: object) -> None:
    """Do nothing: the signal's number is in the pipe already."""


def _say(line: str) -> None:
    """Print a line on stderr, over the progress line if it is a terminal."""
    start = "\r\033[K" if os.isatty(2) else ""
    with contextlib.suppress(OSError):  # the terminal may be closed
        os.write(2, f"{start}{line}\n".encode(errors="replace"))


def _adopt() -> None:
    """Let processes that lose their parent become this one's, where that can be had (Linux, prctl(2))."""
    import ctypes  # noqa: PLC0415 - in front only, while the worker is at work already

    with contextlib.suppress(AttributeError, OSError, TypeError):
        set_child_subreaper = 36
        ctypes.CDLL(None).prctl(set_child_subreaper, 1, 0, 0, 0)


def _end_started_by(ancestor: int) -> None:
    """End all processes that descend from `ancestor`."""
    for number in _started_by(ancestor):
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)


def _started_by(ancestor: int) -> list[int]:
    """Return the numbers of all processes that descend from `ancestor`."""
    parents = _parents()
    found = [ancestor]
    for number in found:  # grows while it is gone through
        found += [child for child, parent in parents if parent == number]
    return found[1:]


def _parents() -> list[tuple[int, int]]:
    """Return each process with its parent."""
    if Path("/proc/self/stat").exists():
        pairs = []
        for stat in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):  # it has just ended
                pairs.append((int(stat.parent.name), int(stat.read_text().rpartition(")")[2].split()[1])))
        return pairs
    import subprocess  # noqa: PLC0415 - only where there is no /proc, and only when something is ended

    listed = subprocess.run(
        ["/bin/ps", "-A", "-o", "pid=,ppid="], capture_output=True, text=True, check=False
    )
    words = [line.split() for line in listed.stdout.splitlines()]
    return [(int(pair[0]), int(pair[1])) for pair in words if len(pair) == 2]
