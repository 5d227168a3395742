"""From a file to points and faces: which formats, which guards, whose numbers mean what."""

import hashlib
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.formats import READERS
from moldplan.pattern.limits import GIB, Limits
from moldplan.pattern.model import Axis
from moldplan.pattern.stl import check_triangles, not_finite
from moldplan.pattern.topology import Floats, Ints

#: No unit makes a figure of such numbers; their cubes would not fit into float64.
_MOST_COORDINATE = 1e30


@dataclass(frozen=True, kw_only=True)
class RawMesh:
    """A mesh as its file has it.

    `points` (n, 3) and `faces` (m, 3) are in the file's axes and numbers; `unit` is what the format or the
    file says one of these numbers is, None when nothing says so; `up` and `front` are the format's custom.
    """

    name: str
    path: Path
    sha256: str
    file_format: str
    unit: str | None
    up: Axis
    front: Axis
    points: Floats
    faces: Ints


def read_mesh(path: Path, *, limits: Limits) -> RawMesh:
    """Return what the mesh file at `path` holds.

    Raises
    ------
    PatternError
        When there is no such file, its ending names no known format, it is over a limit, it cannot be read
        as what it claims to be, or it holds no triangles or points that are no numbers.
    """
    ending = _checked_ending(path, limits)
    try:
        sha256 = _sha256(path)
    except OSError as error:
        raise _unopened(path, error) from error
    points, faces, unit, up, front = _guarded(path, ending, limits)
    _check_arrays(path.name, points, faces, limits)
    return RawMesh(
        name=path.stem, path=path, sha256=sha256, file_format=ending, unit=unit,
        up=up, front=front, points=points, faces=faces,
    )  # fmt: skip


def _checked_ending(path: Path, limits: Limits) -> str:
    """Return the file's ending, lower case without the dot, after looking at the file from outside."""
    known = "STL, PLY, OBJ, OFF, 3MF, GLB or GLTF"
    try:
        is_folder, is_file = path.is_dir(), path.is_file()
        size = path.stat().st_size if is_file else 0
    except OSError as error:
        raise _unopened(path, error) from error
    if is_folder:
        raise PatternError(f"{path}: this is a folder; name the mesh file in it ({known})")
    if not is_file:
        raise PatternError(f"{path}: no such file; check the name, put quotes round a path with spaces")
    ending = path.suffix.lower().lstrip(".")
    if ending not in READERS:
        raise PatternError(f"{path.name}: unknown ending {path.suffix!r}; export the figure as {known}")
    if size == 0:
        raise PatternError(f"{path.name}: the file is empty; export or copy it again")
    if size > limits.bytes:
        raise PatternError(
            f"{path.name}: {size / GIB:.2f} GiB, at most {limits.bytes / GIB:.2f} GiB are read; "
            "thin the mesh out in the program that made it"
        )
    return ending


def _unopened(path: Path, error: OSError) -> PatternError:
    """Return the refusal of a file the system does not give out."""
    return PatternError(
        f"{path.name[:80]}: cannot be opened ({error.strerror or 'no reason given'}); "
        "check its name and that you may read it"
    )


def _guarded(path: Path, ending: str, limits: Limits) -> tuple[Floats, Ints, str | None, Axis, Axis]:
    """Read by a format library, turning whatever it throws or warns into one refusal."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a library's doubts about a file are no news to a mould maker
            return READERS[ending](path, limits)
    except PatternError:
        raise
    except Exception as error:
        why = str(error).strip().splitlines()
        reason = why[0][:120] if why else type(error).__name__
        raise PatternError(
            f"{path.name}: cannot be read as {ending.upper()} ({reason}); "
            "it is damaged or something else under that ending: export it again"
        ) from error


def _check_arrays(name: str, points: Floats, faces: Ints, limits: Limits) -> None:
    """Refuse arrays that no mesh can be made from."""
    if len(faces) == 0:
        raise PatternError(
            f"{name}: no triangles in it; export the figure as a surface mesh, not as points or curves"
        )
    check_triangles(name, len(faces), limits.triangles)
    if int(faces.min()) < 0 or int(faces.max()) >= len(points):
        raise PatternError(
            f"{name}: faces name points that are not in the file (0 to {len(points) - 1}); export it again"
        )
    if not bool(np.isfinite(points).all()):
        raise not_finite(name, int((~np.isfinite(points)).any(axis=1).sum()))
    if float(np.abs(points).max()) > _MOST_COORDINATE:
        raise PatternError(f"{name}: its coordinates are too large for any figure; export it again")


def _sha256(path: Path) -> str:
    """Return the SHA-256 of the file as hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
