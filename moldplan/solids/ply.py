"""Binary PLY of one mesh, in whatever numbers it has: what comes back into the program it came from.

Little-endian; coordinates are float64, so that they are the very numbers that were read wherever mending let
them be, and so that two points that differ stay two points. Faces are triangles by corner number.

The header says what made the file and holds the SHA-256 of all bytes after it. So a file can be told that
nobody has changed since (`ply_comments`): only that one may be written over without asking.
"""

import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

_MADE: Final = "comment made by moldplan"
_BODY: Final = "comment body sha256 "
_EMPTY: Final = "0" * 64
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", 3)])
#: Points or faces that are turned into bytes at a time, so that a large mesh is not held twice.
_CHUNK: Final = 1_000_000
#: A header of ours is shorter than this.
_MOST_HEADER_BYTES: Final = 4096


def write_ply(
    path: Path, points: NDArray[np.float64], faces: NDArray[np.integer], *, comments: Sequence[str] = ()
) -> None:
    """Write a mesh as binary little-endian PLY with float64 coordinates.

    Parameters
    ----------
    path
        Where to.
    points
        (n, 3), in any unit: PLY says none.
    faces
        (m, 3) corner numbers.
    comments
        Lines for the header, printable ASCII without line breaks; never text from outside.

    Raises
    ------
    OSError
        When the disk refuses.
    """
    digest = hashlib.sha256()
    with path.open("wb") as stream:
        stream.write(_header(len(points), len(faces), comments, _EMPTY))
        for piece in _body(points, faces):
            digest.update(piece)
            stream.write(piece)
        stream.seek(0)
        stream.write(_header(len(points), len(faces), comments, digest.hexdigest()))


def _header(points: int, faces: int, comments: Sequence[str], body: str) -> bytes:
    """Return the header; it is as long whatever the 64 digits of `body` are."""
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        _MADE,
        _BODY + body,
        *(f"comment {comment}" for comment in comments),
        f"element vertex {points}",
        *(f"property double {axis}" for axis in "xyz"),
        f"element face {faces}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    return "".join(f"{line}\n" for line in lines).encode("ascii")


def _body(points: NDArray[np.float64], faces: NDArray[np.integer]) -> Iterator[bytes]:
    """Walk over the bytes after the header."""
    for start in range(0, len(points), _CHUNK):
        yield np.ascontiguousarray(points[start : start + _CHUNK], dtype="<f8").tobytes()
    for start in range(0, len(faces), _CHUNK):
        piece = faces[start : start + _CHUNK]
        rows = np.empty(len(piece), dtype=_FACE)
        rows["count"], rows["corners"] = 3, piece
        yield rows.tobytes()


def ply_comments(path: Path) -> tuple[str, ...] | None:
    """Return the comments of a PLY that was made here and not changed since; None for any other file.

    Raises
    ------
    OSError
        When the file cannot be read.
    """
    with path.open("rb") as stream:
        head, end, _ = stream.read(_MOST_HEADER_BYTES).partition(b"end_header\n")
        lines = head.decode("ascii", "replace").splitlines()
        if not end or len(lines) < 4 or lines[2] != _MADE or not lines[3].startswith(_BODY):
            return None
        stream.seek(len(head) + len(end))
        if hashlib.file_digest(stream, "sha256").hexdigest() != lines[3].removeprefix(_BODY):
            return None
    return tuple(line.removeprefix("comment ") for line in lines[4:] if line.startswith("comment "))
