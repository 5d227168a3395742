"""From a file to points and faces: which formats, which guards, whose numbers mean what."""

import hashlib
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from moldplan.errors import PatternError, one_line
from moldplan.pattern.formats import READERS, Read
from moldplan.pattern.limits import GIB, Limits
from moldplan.pattern.model import Axis
from moldplan.pattern.polygons import check_corners
from moldplan.pattern.stl import check_triangles, not_finite
from moldplan.pattern.topology import Floats, Ints

#: No unit makes a figure of such numbers; their cubes would not fit into float64.
_MOST_COORDINATE = 1e30


@dataclass(frozen=True, kw_only=True)
class RawMesh:
    """A mesh as its file has it.

    `name` is the file's without its ending, as one printable line.
    `points` (n, 3) and `faces` (m, 3) are in the file's axes and numbers; `unit` is what the format or the
    file says one of these numbers is, None when nothing says so; `up` and `front` are the format's custom.
    `sha256` is of the file; when points lie in files beside it, of the list of all their sums.
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
    read = _guarded(path, ending, limits)
    _check_arrays(path.name, read.points, read.faces, limits)
    return RawMesh(
        name=one_line(path.stem) or "figure", path=path,
        sha256=_with_neighbours(sha256, read.beside), file_format=ending,
        unit=read.unit, up=read.up, front=read.front, points=read.points, faces=read.faces,
    )  # fmt: skip


def _checked_ending(path: Path, limits: Limits) -> str:
    """Return the file's ending, lower case without the dot, after looking at the file from outside."""
    known = "STL, PLY, OBJ, OFF, 3MF, GLB or GLTF"
    try:
        is_folder, is_file, is_there = path.is_dir(), path.is_file(), path.exists()
        size = path.stat().st_size if is_file else 0
    except OSError as error:
        raise _unopened(path, error) from error
    if is_folder:
        raise PatternError(f"{path}: this is a folder; name the mesh file in it ({known})")
    if is_there and not is_file:
        raise PatternError(f"{path}: this is a device or pipe and no file; name the mesh file")
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


def _guarded(path: Path, ending: str, limits: Limits) -> Read:
    """Read by a format library, turning whatever it throws or warns into one refusal."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a library's doubts about a file are no news to a mould maker
            return READERS[ending](path, limits)
    except PatternError:
        raise
    except MemoryError as error:
        raise PatternError(
            f"{path.name}: not enough memory to read it; thin the mesh out in the program that made it"
        ) from error
    except Exception as error:
        reason = _reason(error)
        raise PatternError(
            f"{path.name}: cannot be read as {ending.upper()} ({reason}); "
            "it is damaged or something else under that ending: export it again"
        ) from error


def _reason(error: Exception) -> str:
    """Return what a library says in a few words."""
    if isinstance(error, KeyError | IndexError):
        return f"something it refers to is not in it: {str(error)[:60]}"
    if isinstance(error, RecursionError):
        return "it is nested too deep"
    why = str(error).strip().splitlines()
    return why[0][:120] if why else type(error).__name__


def _check_arrays(name: str, points: Floats, faces: Ints, limits: Limits) -> None:
    """Refuse arrays that no mesh can be made from."""
    if len(faces) == 0:
        raise PatternError(
            f"{name}: no triangles in it; export the figure as a surface mesh, not as points or curves"
        )
    check_triangles(name, len(faces), limits.triangles)
    check_corners(name, faces, len(points))
    if not bool(np.isfinite(points).all()):
        raise not_finite(name, int((~np.isfinite(points)).any(axis=1).sum()))
    if float(np.abs(points).max()) > _MOST_COORDINATE:
        raise PatternError(f"{name}: its coordinates are too large for any figure; export it again")


def _sha256(path: Path) -> str:
    """Return the SHA-256 of the file as hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _with_neighbours(sha256: str, beside: tuple[str, ...]) -> str:
    """Return the SHA-256 of a file, or of the list of its own and its neighbours' when it has any."""
    return hashlib.sha256("\n".join((sha256, *beside)).encode()).hexdigest() if beside else sha256
