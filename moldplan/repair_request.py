"""From a broken scan to a mended mesh and a picture of what moved: read, mend, write, whole or not at all.

The mended mesh is in the file's own axes and numbers, so that it drops back into the program it came from.

Its PLY header holds the fingerprints of the mesh and of its two pictures. Only files that still agree with
them are written over: what somebody else made, or worked on since, stays.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from moldplan.disk import onto_disk
from moldplan.errors import OutputError
from moldplan.pattern.limits import Limits
from moldplan.pattern.mended_file import MendedFile, mend_file
from moldplan.pattern.model import Axis, Mending, Survey
from moldplan.progress import QUIET, Progress
from moldplan.release import package_version
from moldplan.solids.ply import ply_comments, write_ply
from moldplan.store import fingerprint, working_folder, working_in
from moldplan.views import draw_mended

#: The pictures beside the mesh, by their endings.
_PICTURES: Final = (".png", ".svg")


@dataclass(frozen=True, kw_only=True)
class Repaired:
    """What a mended file is like, and what was written: the mesh first, then its pictures."""

    survey: Survey
    files: tuple[Path, ...]


def write_repair(  # noqa: PLR0913 - what the command line offers
    path: str | Path,
    out: str | Path,
    *,
    height_mm: float | None = None,
    unit: str | None = None,
    up: Axis | None = None,
    front: Axis | None = None,
    mending: Mending = Mending(),  # noqa: B008 - a frozen value
    limits: Limits = Limits(),  # noqa: B008 - a frozen value
    progress: Progress = QUIET,
) -> Repaired:
    """Mend the mesh file at `path`, and write it to `out` with a drawing of what was mended beside it.

    Parameters
    ----------
    path
        A mesh file, as `moldplan.pattern.load_pattern` reads it.
    out
        ``NAME.ply``; the drawing goes to ``NAME.png`` and ``NAME.svg``.
    height_mm, unit, up, front
        As of `moldplan.pattern.load_pattern`, for the drawing. Without a height or unit its lengths are in
        the file's own numbers and it has no scale.
    mending
        What a shop lets pass unasked. More is written all the same, to be looked at: the survey and the
        drawing say so (``survey.accepting``).
    limits
        How large a file is read.
    progress
        Told of each step; its `stop` event ends the work, and nothing is left behind.

    Returns
    -------
    Repaired
        The survey, and the files.

    Raises
    ------
    PatternError
        When the file cannot be read, or no mending makes a solid of it; nothing is written then.
    OutputError
        When `out` is the file itself, does not end in .ply, lies in no folder, or it or one of its pictures
        would take the place of something moldplan did not make or that was changed since; or the disk
        refuses.
    UnitError, SettingError
        As `moldplan.pattern.load_pattern`.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    The PLY is binary little-endian with float64 coordinates: the very numbers of the file wherever mending
    did not touch the surface. The same file gives the same bytes every time.
    """
    path, out = Path(path), Path(out)
    check_repair_target(path, out)
    with working_in(out, doing=f"mending {path.name}"):
        progress.step("mending the pattern", 0.0)
        mended = mend_file(
            path, height_mm=height_mm, unit=unit, up=up, front=front, mending=mending, limits=limits
        )
        with _writing(out), working_folder(out) as work:
            progress.step("drawing what was mended", 0.6)
            draw_mended(mended.pattern, work, name=out.stem)
            progress.step("writing the mended pattern", 0.9)
            _write_mesh(mended, work / out.name)
            check_repair_target(path, out)  # drawing takes a while: somebody may have put a file there
            progress.step("putting the files in place", 1.0)
            _put_in_place(work, out)
    return Repaired(survey=mended.pattern.survey, files=(out, *_pictures(out)))


def check_repair_target(path: Path, out: Path) -> None:
    """Refuse an `out` that moldplan may not write; `path` is the file that is mended.

    Raises
    ------
    OutputError
        Saying what stands in the way.
    """
    if out.suffix.lower() != ".ply":
        raise OutputError(f"--repair {out}: a mended pattern is written as PLY: let the name end in .ply")
    if not out.parent.is_dir():
        raise OutputError(f"--repair {out}: there is no folder {out.parent}: make it, or choose another name")
    targets = (out, *_pictures(out))
    if any(target.exists() and path.exists() and target.samefile(path) for target in targets):
        raise OutputError(f"--repair {out}: that is the pattern itself: give --repair another name")
    try:
        stranger = _stranger(out)
    except OSError as error:
        raise OutputError(f"--repair {out}: cannot be looked at: {error.strerror}") from error
    if stranger is not None:
        raise OutputError(
            f"--repair {out}: {stranger.name} was not made by moldplan, or was changed since: "
            "move it, or give --repair another name"
        )


def _stranger(out: Path) -> Path | None:
    """Return the first of the targets that is not moldplan's to write over, None when all may go."""
    present = [target for target in (out, *_pictures(out)) if target.exists() or target.is_symlink()]
    odd = next((target for target in present if target.is_symlink() or not target.is_file()), None)
    if odd is not None or not present:
        return odd
    known = ply_comments(out) if out in present else None
    if known is None:
        return present[0]
    for picture in _pictures(out):
        if picture in present and _picture_comment(picture) not in known:
            return picture
    return None


def _pictures(out: Path) -> tuple[Path, ...]:
    return tuple(out.with_suffix(ending) for ending in _PICTURES)


def _picture_comment(picture: Path) -> str:
    return f"{picture.suffix.removeprefix('.')} sha256 {fingerprint(picture)}"


def _write_mesh(mended: MendedFile, file: Path) -> None:
    """Write the mesh; its header knows its pictures, which are there already."""
    survey = mended.pattern.survey
    unit = () if mended.unit is None else (f"one number is one {mended.unit}",)
    comments = (
        f"moldplan {package_version()}",
        f"mended from {survey.file_format}, sha256 {survey.sha256}",
        *unit,
        *(_picture_comment(picture) for picture in _pictures(file)),
    )
    write_ply(file, mended.surface.points, mended.surface.faces, comments=comments)


@contextmanager
def _writing(out: Path) -> Iterator[None]:
    """Say of what the disk refuses that it was `out`, and not some place where it was put together."""
    try:
        yield
    except (OSError, OutputError) as error:
        reason = error if isinstance(error, OSError) else error.__cause__
        if not isinstance(reason, OSError):
            raise
        raise OutputError(
            f"--repair {out}: cannot be written: {reason.strerror or reason}; make room, or give --repair "
            "another name; nothing was left by halves"
        ) from error


def _put_in_place(work: Path, out: Path) -> None:
    """Bring the new files onto the disk and move them to their places.

    Old pictures go first and the mesh comes next: cut off anywhere, what is left is a whole mesh, old or new,
    beside no picture that does not belong to it.
    """
    for target in (out, *_pictures(out)):
        (work / target.name).chmod(0o644)
        onto_disk(work / target.name)
    for picture in _pictures(out):
        picture.unlink(missing_ok=True)
    for target in (out, *_pictures(out)):
        (work / target.name).replace(target)
    onto_disk(out.parent)
