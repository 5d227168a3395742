"""Where results go: a folder that appears whole or not at all, and never at the cost of somebody's files.

A folder made here holds `made-by-moldplan.txt`, which lists each file written with its SHA-256. A target that
exists is replaced only when it is empty, or when everything in it is on that list and unchanged.

Goal
    However a run ends (killed, the power gone, the disk full) the last good result is there and can be read.

Steps
    1. One run at a time works on a target (`moldplan.lock`).
    2. The new result is put together in `.NAME.new-*/result` beside the target; `owner.json` beside it says
       whose it is.
    3. Its list is written, and everything is brought onto the disk (fsync) before the next step.
    4. Result and target change names, in one step that the system never leaves half done (Linux, macOS).
       Where there is no such step the old result is moved to `.NAME.new-*/old` before the new one comes.
    5. `LATEST` is written the same way, after its revision has its name.
    6. What a dead run left is known by its owner. The next run, or `tidy`, puts an old result back that has
       lost its name, and removes the rest.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from moldplan.disk import cannot_write, disk_message, exchange, is_disk_trouble, onto_disk
from moldplan.errors import OutputError
from moldplan.lock import in_use, is_dead, read_owner, this_run

MANIFEST = "made-by-moldplan.txt"
#: Files that file managers strew about by themselves; nobody's work.
_STREWN = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".directory"})
_REVISION = re.compile(r"r(\d{3,})")
_OWNER: Final = "owner.json"
_WRITING: Final = "writing results"


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as hex digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def new_folder(target: Path, *, doing: str = _WRITING) -> Iterator[Path]:
    """Give an empty folder beside `target`; when the block ends well, it becomes `target`.

    Nothing is left behind, and `target` stays as it was, when the block raises.

    Parameters
    ----------
    target
        Folder to make or to replace; folders above it are made.
    doing
        For the message of another run that is refused meanwhile.

    Raises
    ------
    OutputError
        When `target` is not moldplan's to replace, another run is at work on it, or the disk refuses.
    """
    with in_use(target, doing=doing):
        recover(target)
        check_target(target)
        with working_folder(target) as work:
            yield work
            _keep(work, target)


@contextmanager
def working_in(target: Path, *, doing: str, job: bool = False) -> Iterator[None]:
    """Hold `target` for one run, from before its long computing until its result is in place.

    Parameters
    ----------
    target
        The folder of `new_folder`; with `job` the job folder of `new_revision`.
    doing
        In a few words, for the run that is refused: "planning owl.stl".

    Raises
    ------
    OutputError
        When another run is at work there, which is named, or nothing can be written there.
    """
    if job:
        _check_job_folder(target)
    with in_use(target, doing=doing, inside=job):
        recover(target, job=job)
        yield


def tidy(place: str) -> None:
    """Clear up a place that a run which died had asked to be remembered (see `moldplan.guard`).

    Raises
    ------
    OutputError
        When nothing can be written there, or another run is at work there: it has cleared up by itself.
    """
    kind, _, name = place.partition(":")
    folder = Path(name)
    if not (folder if kind == "in" else folder.parent).is_dir():
        return
    with in_use(folder, doing="clearing up", inside=kind == "in"):
        recover(folder, job=kind == "in")


def recover(target: Path, *, job: bool = False) -> None:
    """Put back what a dead run took away from `target`, and remove what it left unfinished.

    Parameters
    ----------
    target
        A folder that `new_folder` makes; with `job` a job folder, and then all its revisions are seen to.

    Notes
    -----
    Only folders whose owner is known to be dead are touched. Call it while the folder is held.
    """
    parent, names = (target, r"r\d{3,}") if job else (target.parent, re.escape(target.name))
    pattern = re.compile(rf"\.({names})\.new-\w+")
    found = [(path, match[1]) for path in sorted(parent.iterdir()) if (match := pattern.fullmatch(path.name))]
    for place, name in found:
        owner = read_owner(place / _OWNER)
        if owner is not None and is_dead(owner):
            old = place / "old"
            if old.is_dir() and not (parent / name).exists():
                old.rename(parent / name)
            _remove(place)
        elif owner is None:
            with contextlib.suppress(OSError):  # killed before it wrote whose it is
                _remove_unsigned(place)


def check_target(target: Path) -> None:
    """Refuse a `target` that holds anything moldplan did not write.

    Raises
    ------
    OutputError
        Naming the file that stands in the way.
    """
    if not target.exists() and not target.is_symlink():
        return
    if not target.is_dir() or target.is_symlink():
        raise OutputError(f"{target}: is not a folder: choose another --out")
    listed = _read_manifest(target)
    present = [path for path in target.rglob("*") if not path.is_dir() and path.name not in _STREWN]
    for path in sorted(present):
        name = path.relative_to(target).as_posix()
        if name == MANIFEST:
            continue
        if name not in listed:
            raise OutputError(
                f"{target}: holds {name}, which moldplan did not make: move it, or choose another --out"
            )
        if fingerprint(path) != listed[name]:
            raise OutputError(
                f"{target}: {name} was changed since moldplan made it: move it, or choose another --out"
            )


def next_revision(job_folder: Path) -> str:
    """Return the name of the revision that comes next in `job_folder`, "r001" first."""
    taken = [int(match[1]) for path in job_folder.iterdir() if (match := _REVISION.fullmatch(path.name))]
    return f"r{max(taken, default=0) + 1:03d}"


@contextmanager
def new_revision(job_folder: Path, *, doing: str = _WRITING) -> Iterator[tuple[Path, str]]:
    """Give an empty folder and its revision name; when the block ends well it is kept and LATEST names it.

    Raises
    ------
    OutputError
        When the job folder is missing or cannot be written, or another run is at work on it.
    """
    with working_in(job_folder, doing=doing, job=True):
        revision = next_revision(job_folder)
        target = job_folder / revision
        with working_folder(target) as work:
            yield work, revision
            _keep(work, target)
            _write_latest(work.parent, job_folder, revision)


def _check_job_folder(job_folder: Path) -> None:
    """Refuse a job folder that is not there."""
    if not job_folder.is_dir():
        raise OutputError(f"{job_folder}: no such job folder: make one with: moldplan job new {job_folder}")


def write_json(path: Path, document: Mapping[str, object]) -> None:
    """Write a document as JSON into a folder that is being made; NaN is refused."""
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def files_in(work: Path, *, known_as: Path) -> tuple[Path, ...]:
    """Return all files in a folder that is being made, under the name the folder will have."""
    names = sorted(path.relative_to(work) for path in work.rglob("*") if path.is_file())
    return tuple(known_as / name for name in names)


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that a reader sees the old one or the new one, never a part.

    Raises
    ------
    OutputError
        When the disk refuses.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        os.close(handle)
        try:
            _replace(path, text, by=Path(name))
        finally:
            Path(name).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(disk_message(path, error)) from error


def _replace(path: Path, text: str, *, by: Path) -> None:
    """Write `text` into the file `by`, bring it onto the disk and give it the name `path`."""
    by.write_text(text, encoding="utf-8", newline="\n")
    by.chmod(0o644)  # a temporary file is private; results are for the whole shop
    onto_disk(by)
    by.replace(path)
    onto_disk(path.parent)


def _write_latest(place: Path, job_folder: Path, revision: str) -> None:
    """Let LATEST name a revision that is in place; `place` is a folder of this run on the same disk."""
    latest = job_folder / "LATEST"
    try:
        _replace(latest, f"{revision}\n", by=place / "LATEST")
    except OSError as error:
        text = disk_message(latest, error)
        raise OutputError(f"{text}; {revision} is whole, the file LATEST does not name it yet") from error


@contextmanager
def working_folder(target: Path) -> Iterator[Path]:
    """Give a new folder in a place of its own beside `target`; the place is removed at the end.

    A disk that is full while the block writes is an `OutputError` that names `target`.
    """
    try:
        place = Path(tempfile.mkdtemp(prefix=f".{target.name}.new-", dir=target.parent))
    except OSError as error:
        raise cannot_write(target, target.parent, error) from error
    try:
        place.chmod(0o755)  # mkdtemp makes it private; a plan is for the whole shop
        (place / _OWNER).write_text(this_run(_WRITING).text(), encoding="utf-8")
        work = place / "result"
        work.mkdir()
        yield work
    except OSError as error:
        if is_disk_trouble(error, target):
            raise OutputError(disk_message(target, error)) from error
        raise
    finally:
        _remove(place)


def _remove(place: Path) -> None:
    """Remove a working place, its owner's name last, so that what a kill leaves of it is still known."""
    with contextlib.suppress(OSError):  # it is tried again by the next run
        for path in place.iterdir():
            if path.name != _OWNER:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        (place / _OWNER).unlink(missing_ok=True)
        place.rmdir()


def _remove_unsigned(place: Path) -> None:
    """Remove a working place that was left before its owner's name was whole; one that holds more stays."""
    if {path.name for path in place.iterdir()} <= {_OWNER}:
        (place / _OWNER).unlink(missing_ok=True)
        place.rmdir()


def _keep(work: Path, target: Path) -> None:
    """List what is in `work`, bring it onto the disk and let it become `target`.

    Raises
    ------
    OutputError
        When the disk refuses.
    """
    try:
        _write_manifest(work)
        for path in (*work.rglob("*"), work):
            onto_disk(path)
    except OSError as error:
        raise OutputError(disk_message(target, error)) from error
    try:
        _swap_in(work, target)
        onto_disk(target.parent)
    except OSError as error:
        raise OutputError(f"{target}: cannot put the result in place: {error.strerror}") from error


def _swap_in(work: Path, target: Path) -> None:
    """Put `work` in the place of `target`; the old one comes into the working place, which is removed.

    Raises
    ------
    OSError
        When the disk refuses; then `target` is what it was.
    """
    if not target.exists():
        work.rename(target)
    elif not exchange(work, target):
        old = work.parent / "old"
        target.rename(old)
        try:
            work.rename(target)
        except OSError:
            old.rename(target)
            raise


def _write_manifest(folder: Path) -> None:
    """List every file in `folder` with its fingerprint."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    lines = [f"{fingerprint(path)}  {path.relative_to(folder).as_posix()}\n" for path in files]
    head = "This folder was made by moldplan and may be replaced by it. Keep your own files elsewhere.\n"
    (folder / MANIFEST).write_text(head + "".join(lines), encoding="utf-8", newline="\n")


def _read_manifest(folder: Path) -> dict[str, str]:
    """Return fingerprint by file name, empty when there is no list."""
    try:
        lines = (folder / MANIFEST).read_text(encoding="utf-8").splitlines()[1:]
    except (OSError, UnicodeDecodeError):
        return {}
    pairs = (line.split("  ", 1) for line in lines if "  " in line)
    return {name: digest for digest, name in pairs}
