"""The folder where results of stages are kept, shared by all runs of one person on one machine.

An entry is written beside its place and moved there, so that a reader sees all of it or none. Several
processes may read and write at once: the worst that happens is that two compute the same. When the folder
grows past its limit, the entries that were not used for longest go. Whatever the disk does, the work goes on.
"""

# ruff: noqa: ANN401 - what is kept is of any kind

import contextlib
import os
import re
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import platformdirs

from moldplan.cache.entry import DamagedError, entry_parts, read_entry
from moldplan.cache.program import program_fingerprint
from moldplan.cache.values import Bytes, UnknownKindError, content_key
from moldplan.errors import SettingError

#: Names the folder, when not the user's own place for such things.
FOLDER_VARIABLE: Final = "MOLDPLAN_CACHE"
#: Names the most the folder may hold, in MB (10^6 bytes); 0 keeps nothing.
LIMIT_VARIABLE: Final = "MOLDPLAN_CACHE_MB"
USUAL_LIMIT: Final = 2_000_000_000
#: An entry larger than this share of the limit is not kept: it would drive out everything else.
LARGEST_SHARE: Final = 0.25
#: A piece of a file that nobody finished is swept away after so long.
STALE_S: Final = 3600.0

_FOLDER = "stages"
_ENTRY = re.compile(r"[a-z]+(-[a-z]+)*-[0-9a-f]{64}\.stage")
_UNFINISHED = ".new-"
_STAGE = re.compile(r"[a-z]+(-[a-z]+)*")

Kept = TypeVar("Kept")


@dataclass(frozen=True, kw_only=True)
class Usage:
    """What a cache holds: its folder, how many entries of how many bytes together, and its limit in bytes."""

    folder: Path
    entries: int
    size: int
    limit: int


class Cache:
    """Results of stages by what went into them.

    Make it with `open_cache`. It may be used from several threads. `taken` are the names of the stages that
    were found instead of computed, in order; `notes` say, for people, what kept it from working.
    """

    def __init__(self, folder: Path, *, limit: int = USUAL_LIMIT, fresh: bool = False) -> None:
        """Take `folder` (made when first written to), at most `limit` bytes; `fresh` ignores what is kept."""
        self.folder = folder
        self.limit = limit
        self.fresh = fresh
        self._lock = threading.Lock()
        self._taken: list[str] = []
        self._notes: list[str] = []
        self._usable = limit > 0 and self._is_ours()
        self._writable = self._usable

    @property
    def taken(self) -> tuple[str, ...]:
        """Names of the stages that were found."""
        return tuple(self._taken)

    @property
    def notes(self) -> tuple[str, ...]:
        """What kept it from working, one line each."""
        return tuple(self._notes)

    def stage(
        self,
        name: str,
        parts: Sequence[object],
        compute: Callable[[], Kept],
        *,
        keep: Callable[[Kept], bool] | None = None,
    ) -> Kept:
        """Return what `compute` gives, from the folder when it was computed before.

        Parameters
        ----------
        name
            What the stage is called: small letters and hyphens.
        parts
            Everything that `compute` reads. Equal parts must mean equal results.
        compute
            Called without arguments when nothing is kept. Its result may hold what `moldplan.cache.values`
            knows.
        keep
            Says whether a computed value may be kept; None keeps every one.

        Returns
        -------
        Kept
            The computed value itself, or one equal to it to the last bit.

        Raises
        ------
        UnknownKindError
            When a part is of a kind that has no key.
        ValueError
            When the name is none.
        """
        if not _STAGE.fullmatch(name):
            raise ValueError(f"stage {name!r}: a name has small letters and hyphens")
        if not self._usable:
            return compute()
        key = content_key(program_fingerprint(), name, *parts)
        path = self.folder / f"{name}-{key}.stage"
        if not self.fresh:
            with contextlib.suppress(DamagedError, OSError):
                found: Kept = self._found(path, name, key)
                return found
        value = compute()
        if self._writable and (keep is None or keep(value)):
            self._keep(path, name, key, value)
        return value

    def usage(self) -> Usage:
        """Return how much is kept."""
        sizes = [size for _, size, _ in self._entries()]
        return Usage(folder=self.folder, entries=len(sizes), size=sum(sizes), limit=self.limit)

    def clear(self) -> Usage:
        """Remove every entry, and nothing else; return what was removed."""
        gone = [(path, size) for path, size, _ in self._entries() if _removed(path)]
        for path in self._unfinished():
            _removed(path)
        return Usage(
            folder=self.folder, entries=len(gone), size=sum(size for _, size in gone), limit=self.limit
        )

    def _found(self, path: Path, name: str, key: str) -> Any:
        """Return a kept value and mark it as used; throw away what is no such thing."""
        try:
            value = read_entry(path, name, key, most=self.limit)
        except DamagedError:
            _removed(path)
            raise
        with contextlib.suppress(OSError):
            os.utime(path)
        with self._lock:
            self._taken.append(name)
        return value

    def _keep(self, path: Path, name: str, key: str, value: object) -> None:
        """Write a value; go on without when that fails."""
        try:
            pieces = entry_parts(name, key, value)
        except UnknownKindError as error:
            self._note(f"what came of {name} is not kept: {error}")
            return
        if sum(piece.size for piece in pieces) > LARGEST_SHARE * self.limit:
            return
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            _write_whole(path, pieces)
            self._make_room()
        except FileNotFoundError:  # somebody has cleared the cache meanwhile
            return
        except OSError as error:
            self._writable = False
            self._note(f"{self.folder}: results are not kept for the next run: {error.strerror or error}")

    def _make_room(self) -> None:
        """Remove the entries not used for longest until the rest is within the limit."""
        with self._lock:
            held = sorted(self._entries(), key=lambda item: (item[2], item[0].name))
            size = sum(item[1] for item in held)
            for path, least, _ in held:
                if size <= self.limit:
                    break
                _removed(path)
                size -= least
            for path in self._unfinished(older_s=STALE_S):
                _removed(path)

    def _entries(self) -> Iterator[tuple[Path, int, float]]:
        """Walk over the entries: file, size, when last used."""
        for path in self._files():
            if _ENTRY.fullmatch(path.name):
                with contextlib.suppress(OSError):  # another run may have removed it
                    found = path.lstat()
                    if stat.S_ISREG(found.st_mode):
                        yield path, found.st_size, found.st_mtime

    def _unfinished(self, older_s: float = 0.0) -> Iterator[Path]:
        """Walk over files whose writing was cut off."""
        for path in self._files():
            if path.name.startswith(_UNFINISHED):
                with contextlib.suppress(OSError):
                    if time.time() - path.lstat().st_mtime >= older_s:
                        yield path

    def _files(self) -> list[Path]:
        try:
            return sorted(self.folder.iterdir())
        except OSError:
            return []

    def _is_ours(self) -> bool:
        """Whether the folder is not there yet, or nobody else can write into it."""
        try:
            found = self.folder.lstat()
        except FileNotFoundError:
            return True
        except OSError as error:
            self._note(f"{self.folder}: results are not kept for the next run: {error.strerror}")
            return False
        if not stat.S_ISDIR(found.st_mode):
            self._note(f"{self.folder}: is no folder, so results are not kept for the next run: remove it")
            return False
        if os.name == "posix" and (found.st_uid != os.geteuid() or found.st_mode & 0o022):
            self._note(f"{self.folder}: others may write there, so nothing is taken from it: chmod 700 it")
            return False
        return True

    def _note(self, text: str) -> None:
        with self._lock:
            if text not in self._notes:
                self._notes.append(text)


def open_cache(folder: Path | None = None, *, limit: int | None = None, fresh: bool = False) -> Cache:
    """Return the cache of this person on this machine.

    Parameters
    ----------
    folder
        Where to keep it; None takes the environment variable MOLDPLAN_CACHE, or else the user's own folder
        for such things. Entries lie in "stages" inside it, readable by the owner alone.
    limit
        The most it may hold, in bytes; None takes MOLDPLAN_CACHE_MB, or else 2 GB. 0 keeps nothing.
    fresh
        Compute everything anew, and keep that instead.

    Raises
    ------
    SettingError
        When MOLDPLAN_CACHE_MB is no number.

    Notes
    -----
    The folder is not touched before something is kept. One that cannot be used gives a note (`Cache.notes`)
    and a cache that computes everything.
    """
    named = os.environ.get(FOLDER_VARIABLE)
    base = folder or (Path(named) if named else Path(platformdirs.user_cache_path("moldplan")))
    return Cache(base / _FOLDER, limit=_limit() if limit is None else limit, fresh=fresh)


def _limit() -> int:
    """Return the limit in bytes that the environment names."""
    text = os.environ.get(LIMIT_VARIABLE, "").strip()
    if not text:
        return USUAL_LIMIT
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise SettingError(
            f"{LIMIT_VARIABLE}={text!r}: give the most to keep as a whole number of MB, like 2000; "
            "0 keeps nothing"
        )
    return int(text) * 1_000_000


def _write_whole(path: Path, pieces: Sequence[Bytes]) -> None:
    """Write a file so that a reader sees all of it or none."""
    handle, name = tempfile.mkstemp(prefix=_UNFINISHED, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            for piece in pieces:
                stream.write(piece.data)
        Path(name).replace(path)
    except BaseException:
        _removed(Path(name))
        raise


def _removed(path: Path) -> bool:
    """Remove a file if that can be done; say whether."""
    try:
        path.unlink()
    except OSError:
        return False
    return True
