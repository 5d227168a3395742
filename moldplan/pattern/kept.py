"""A pattern that was read and mended before, taken from where results are kept."""

import hashlib
from dataclasses import replace
from pathlib import Path

from moldplan.cache import Cache
from moldplan.pattern.limits import Limits
from moldplan.pattern.load import load_pattern
from moldplan.pattern.model import Axis, Mending, Pattern


def kept_pattern(  # noqa: PLR0913 - the same as `load_pattern`, and where results are kept
    path: str | Path,
    *,
    cache: Cache,
    height_mm: float | None = None,
    unit: str | None = None,
    up: Axis | None = None,
    front: Axis | None = None,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
    limits: Limits = Limits(),  # noqa: B008 - a frozen value
) -> Pattern:
    """Return what `load_pattern` returns, from `cache` when the same file was read in the same way before.

    Parameters as of `load_pattern`. A file is known by the SHA-256 of its bytes and by its name, wherever it
    lies.

    Raises
    ------
    PatternError, UnitError, SettingError
        As `load_pattern`.

    Notes
    -----
    A mesh that takes its points from a second file is read every time: its own bytes do not tell whether the
    other one has changed. So is one that changes while it is being read.
    """
    path = Path(path)

    def load() -> Pattern:
        return load_pattern(
            path, height_mm=height_mm, unit=unit, up=up, front=front, mending=mending, limits=limits
        )

    sha256 = _sha256(path, most=limits.bytes)
    if sha256 is None:
        return load()
    parts = (path.name, sha256, height_mm, unit, up, front, mending, limits)
    found = cache.stage("pattern", parts, load, keep=lambda pattern: pattern.survey.sha256 == sha256)
    return replace(found, path=path)


def _sha256(path: Path, *, most: int) -> str | None:
    """Return the SHA-256 of a file of at most `most` bytes; None when it cannot be read."""
    try:
        if not path.is_file() or path.stat().st_size > most:
            return None
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
