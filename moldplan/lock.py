"""Who is working in a folder: one run at a time, and a dead run's things are known as such.

Goal
    A second run on the same folder refuses at once and names the first. What a dead run left is recognised by
    whose it was, never by its age.

Steps
    1. A lock file inside a job folder, or beside any other folder, is held with `flock`. The system lets go
       of it however the process ends, so a file that is left over stops nobody.
    2. What stands in the file (`Owner`) is only for the message.
    3. Where the drive knows no `flock` (some network drives, Windows) the file's being there is the lock. One
       whose owner is known to be dead is taken over; otherwise the message says what to delete.
    4. The file is removed at the end while the lock is held. Whoever got the lock of a removed file notices
       that another file, or none, has its name, and tries again.
"""

import contextlib
import errno
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Final

from moldplan import guard
from moldplan.disk import cannot_write
from moldplan.errors import OutputError

fcntl: ModuleType | None
try:
    fcntl = import_module("fcntl")
except ImportError:  # Windows
    fcntl = None

#: Name of the lock file in a job folder; beside other folders their name comes before it.
IN_USE: Final = ".in-use"
_TRIES: Final = 100
_NO_FLOCK: Final = frozenset(
    number
    for name in ("ENOLCK", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EINVAL")
    if (number := getattr(errno, name, None)) is not None
)


@dataclass(frozen=True, kw_only=True)
class Owner:
    """The run that a lock file or an unfinished folder belongs to."""

    pid: int
    """Number of the process that works."""
    shown: int
    """Number under which a person finds the run."""
    host: str
    boot: str
    """Which start of the computer, and which set of process numbers on it; empty where not known."""
    started: str
    """When the process began, in the system's own count: tells it from a later one of the same number."""
    since: str
    doing: str

    def text(self) -> str:
        """Return the owner as a line of JSON."""
        return json.dumps(asdict(self)) + "\n"

    def called(self) -> str:
        """Return who it is, for a message."""
        machine = "this machine" if self.host == socket.gethostname() else f"machine {self.host}"
        day, _, clock = self.since.partition(" ")
        when = clock if day == time.strftime("%Y-%m-%d") else self.since
        return f"process {self.shown} on {machine}, since {when}, {self.doing}"


def this_run(doing: str) -> Owner:
    """Return this process as an owner, `doing` in a few words ("planning owl.stl")."""
    return Owner(
        pid=os.getpid(),
        shown=guard.shown_process(),
        host=socket.gethostname(),
        boot=_boot(),
        started=_state_and_start(os.getpid())[1],
        since=time.strftime("%Y-%m-%d %H:%M"),
        doing=doing,
    )


def read_owner(file: Path) -> Owner | None:
    """Return the owner that stands in a file; None when it holds none, or only a part of one."""
    try:
        told = json.loads(file.read_text(encoding="utf-8"))
        kinds = {field.name: int if field.name in {"pid", "shown"} else str for field in fields(Owner)}
        if set(told) != set(kinds) or not all(isinstance(told[name], kind) for name, kind in kinds.items()):
            return None
        return Owner(**told)
    except (OSError, ValueError, TypeError):
        return None


def is_dead(owner: Owner) -> bool:
    """Return whether an owner is known to be dead; False when it lives or cannot be known from here.

    Notes
    -----
    A process on another machine, or in another container, cannot be known. Where the system does not say
    when a process began (Windows) nothing is known.
    """
    if owner.host != socket.gethostname() or os.name == "nt":
        return False
    if owner.boot != _boot():
        # the same set of process numbers: the computer was started anew since; else another container
        return owner.boot.partition(" ")[2] == _boot().partition(" ")[2]
    try:
        os.kill(owner.pid, 0)
    except ProcessLookupError:
        return True
    except OSError:  # somebody else's process
        return False
    state, started = _state_and_start(owner.pid)
    return state == "Z" or started != owner.started


def _boot() -> str:
    """Return which start of the computer this is and which set of process numbers, where Linux says so."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{boot} {Path('/proc/self/ns/pid').readlink()}"
    except OSError:
        return ""


def _state_and_start(pid: int) -> tuple[str, str]:
    """Return a process's state ("Z": ended, not yet fetched) and when it began; empty where not known."""
    try:
        words = (
            Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
        )
    except OSError:
        return "", ""
    return words[0], words[19]


class _Held:
    """The lock files that this process holds, and for which thread."""

    by_file: dict[Path, int] = {}  # noqa: RUF012 - the one table of this process
    lock = threading.Lock()


@contextmanager
def in_use(folder: Path, *, doing: str, inside: bool = False) -> Iterator[None]:
    """Keep other runs out of `folder` while the block runs; within it the same thread may ask again.

    Parameters
    ----------
    folder
        Need not exist. Folders above it are made, and removed again if they stay empty.
    doing
        What is being done, for the message of the run that is refused.
    inside
        Hold the lock inside `folder`, as is done in job folders, not beside it.

    Raises
    ------
    OutputError
        When another run is at work there (named), or nothing can be written there.
    """
    folder = folder.absolute()
    file = lock_file(folder, inside=inside)
    me = threading.get_ident()
    with _Held.lock:
        again = _Held.by_file.get(file) == me
    if again:
        yield
        return
    made = _make_folders(file.parent, folder)
    try:
        guard.remember(f"{'in' if inside else 'by'}:{folder}")
        handle = _take(file, folder, this_run(doing))
        with _Held.lock:
            _Held.by_file[file] = me
        try:
            yield
        finally:
            with _Held.lock:
                del _Held.by_file[file]
            _let_go(file, handle)
    finally:
        for one in made:
            with contextlib.suppress(OSError):  # something is in it now
                one.rmdir()


def lock_file(folder: Path, *, inside: bool) -> Path:
    """Return the lock file of a folder."""
    return folder / IN_USE if inside else folder.parent / f".{folder.name}{IN_USE}"


def _make_folders(parent: Path, folder: Path) -> list[Path]:
    """Make `parent` and those above it; return those that were missing, the deepest first."""
    missing = [one for one in (parent, *parent.parents) if not one.exists()]
    try:
        parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(folder, parent, error) from error
    return missing


def _take(file: Path, folder: Path, owner: Owner) -> int:
    """Take the lock; return the open file that holds it, or -1 when the file itself is the lock."""
    if fcntl is None:
        return _take_by_name(file, folder, owner)
    for _ in range(_TRIES):
        handle = _opened(file, folder)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _is_named(handle, file):
                os.ftruncate(handle, 0)
                os.write(handle, owner.text().encode())
                return handle
        except BlockingIOError as error:
            os.close(handle)
            raise _refused(file, folder, "wait for it to end") from error
        except OSError as error:
            if error.errno in _NO_FLOCK:
                os.close(handle)
                return _take_by_name(file, folder, owner)
            _let_go(file, handle)  # a full disk: the file was made, but nothing can be written into it
            raise cannot_write(folder, file.parent, error) from error
        os.close(handle)
    raise _refused(file, folder, "wait for it to end")


def _opened(file: Path, folder: Path) -> int:
    """Open the lock file, made if missing."""
    try:
        return os.open(file, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise cannot_write(folder, file.parent, error) from error


def _is_named(handle: int, file: Path) -> bool:
    """Return whether an open file still has its name."""
    try:
        return os.path.samestat(os.fstat(handle), file.stat())
    except FileNotFoundError:
        return False


def _take_by_name(file: Path, folder: Path, owner: Owner) -> int:
    """Take the lock on a drive without `flock`: whoever makes the file has it."""
    named = file.with_name(f"{file.name}-by-name")  # an empty file from the first try is no lock
    file.unlink(missing_ok=True)
    for _ in range(_TRIES):
        try:
            handle = os.open(named, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        except FileExistsError as error:
            first = read_owner(named)
            if first is None or not is_dead(first):
                raise _refused(named, folder, f"wait for it, or if it is dead delete {named}") from error
            named.unlink(missing_ok=True)
        except OSError as error:
            raise cannot_write(folder, file.parent, error) from error
        else:
            os.write(handle, owner.text().encode())
            os.close(handle)
            return -1
    raise _refused(named, folder, f"wait for it, or if it is dead delete {named}")


def _refused(file: Path, folder: Path, advice: str) -> OutputError:
    """Return the error for the second run, which names the first."""
    first = read_owner(file)
    who = "another run of moldplan" if first is None else first.called()
    return OutputError(f"{folder}: is in use by {who}: {advice}, or choose another --out")


def _let_go(file: Path, handle: int) -> None:
    """Remove the lock file, then let go of it."""
    if handle < 0:
        file.with_name(f"{file.name}-by-name").unlink(missing_ok=True)
        return
    with contextlib.suppress(OSError):  # the folder may be gone, or not writable any more
        file.unlink()
    os.close(handle)
