"""Where results go: a folder that appears whole or not at all, and never at the cost of somebody's files.

A folder made here holds `made-by-moldplan.txt`, which lists each file written with its SHA-256. A target that
exists is replaced only when it is empty, or when everything in it is on that list and unchanged.
"""

import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from moldplan.errors import OutputError

MANIFEST = "made-by-moldplan.txt"
#: Files that file managers strew about by themselves; nobody's work.
_STREWN = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".directory"})
_REVISION = re.compile(r"r(\d{3,})")


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as hex digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder beside `target`; when the block ends well, it becomes `target`.

    Nothing is left behind, and `target` stays as it was, when the block raises.

    Raises
    ------
    OutputError
        When `target` is not moldplan's to replace, or the disk refuses.
    """
    check_target(target)
    with _working_folder(target) as work:
        yield work
        _write_manifest(work)
        try:
            _swap_in(work, target)
        except OSError as error:
            raise OutputError(f"{target}: cannot put the result in place: {error.strerror}") from error


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
def new_revision(job_folder: Path) -> Iterator[tuple[Path, str]]:
    """Give an empty folder and its revision name; when the block ends well it is kept and LATEST names it.

    Raises
    ------
    OutputError
        When the job folder is missing or cannot be written.
    """
    if not job_folder.is_dir():
        raise OutputError(f"{job_folder}: no such job folder: make one with: moldplan job new {job_folder}")
    revision = next_revision(job_folder)
    with new_folder(job_folder / revision) as work:
        yield work, revision
    write_whole(job_folder / "LATEST", f"{revision}\n")


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
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        Path(name).chmod(0o644)  # mkstemp makes it private; results are for the whole shop
        Path(name).replace(path)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from error


@contextmanager
def _working_folder(target: Path) -> Iterator[Path]:
    """Give a new folder beside `target`, removed again unless it was moved away."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{target.name}.new-", dir=target.parent))
        work.chmod(0o755)  # mkdtemp makes it private; a plan is for the whole shop
    except OSError as error:
        raise OutputError(f"{target.parent}: cannot write here: {error.strerror}") from error
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _swap_in(work: Path, target: Path) -> None:
    """Put `work` in the place of `target`; put the old one back if that fails."""
    if not target.exists():
        work.rename(target)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{target.name}.old-", dir=target.parent)) / "old"
    target.rename(old)
    try:
        work.rename(target)
    except OSError:
        old.rename(target)
        raise
    finally:
        shutil.rmtree(old.parent, ignore_errors=True)


def _write_manifest(folder: Path) -> None:
    """List every file in `folder` with its fingerprint."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    lines = [f"{fingerprint(path)}  {path.relative_to(folder).as_posix()}\n" for path in files]
    head = "This folder was made by moldplan and may be replaced by it. Keep your own files elsewhere.\n"
    write_whole(folder / MANIFEST, head + "".join(lines))


def _read_manifest(folder: Path) -> dict[str, str]:
    """Return fingerprint by file name, empty when there is no list."""
    try:
        lines = (folder / MANIFEST).read_text(encoding="utf-8").splitlines()[1:]
    except (OSError, UnicodeDecodeError):
        return {}
    pairs = (line.split("  ", 1) for line in lines if "  " in line)
    return {name: digest for digest, name in pairs}
