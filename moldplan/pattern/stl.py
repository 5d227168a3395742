"""STL, binary and ASCII: the one format that carries no points, only loose triangles."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.merging import Merger
from moldplan.errors import PatternError
from moldplan.pattern.topology import Floats, Ints
from moldplan.pattern.weld import weld_by_sorting, weld_equal

_HEADER_BYTES = 80
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
_PREFACE_BYTES = _HEADER_BYTES + 4
#: Triangles read at a time: the file is never in memory as a whole.
_AT_A_TIME = 1 << 18
#: A closed surface has about half as many points as faces.
_POINTS_EACH = 0.5


def read_stl(path: Path, *, most_triangles: int) -> tuple[Floats, Ints]:
    """Return the points (n, 3) and faces (m, 3) of an STL file, equal corners merged.

    Notes
    -----
    The size of the file decides between the two kinds, not the word "solid": many binary files start
    with it. Normals in the file are ignored: the order of the corners says which side is out.

    Raises
    ------
    PatternError
        When the file is neither kind, is cut short, or holds more than `most_triangles`.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        preface = file.read(_PREFACE_BYTES)
    stated = int.from_bytes(preface[_HEADER_BYTES:], "little") if len(preface) == _PREFACE_BYTES else 0
    wanted = _PREFACE_BYTES + stated * _RECORD.itemsize
    if len(preface) == _PREFACE_BYTES and size == wanted:
        return _binary(path, stated, most_triangles)
    if preface.lstrip()[:5].lower() == b"solid":
        return _ascii(path, most_triangles)
    if len(preface) == _PREFACE_BYTES and size > wanted and stated > 0:  # something appended: harmless
        return _binary(path, stated, most_triangles)
    if len(preface) < _PREFACE_BYTES or b"\0" not in preface:
        raise PatternError(f"{path.name}: this is no STL file: it neither starts with 'solid' nor is binary "
                           "STL; export the figure again as STL, PLY or OBJ")  # fmt: skip
    raise PatternError(
        f"{path.name}: cut short: its header says {stated} triangles ({wanted} bytes) but the file has "
        f"{size} bytes; copy or export it again"
    )


def _binary(path: Path, count: int, most: int) -> tuple[Floats, Ints]:
    """Read `count` records after the preface, merging equal corners on the way."""
    check_triangles(path.name, count, most)
    merger = Merger(3, int(_POINTS_EACH * count))
    faces = np.empty((count, 3), dtype=np.int64)
    label = faces.reshape(-1)
    crowded, done, lost = False, 0, 0
    for corners in _pieces(path, count):
        lost += int((~np.isfinite(corners)).any(axis=1).sum())
        here = slice(done, done + len(corners))
        crowded = crowded or not merger.add(corners.view(np.int32), label[here])
        done += len(corners)
    if lost:
        raise not_finite(path.name, lost)
    if done < 3 * count:
        raise PatternError(f"{path.name}: cut short while it was read; copy or export it again")
    if crowded:
        points, label = weld_by_sorting(np.concatenate(list(_pieces(path, count))))
        return points.astype(np.float64), label.reshape(-1, 3)
    return merger.kept.view(np.float32).astype(np.float64), faces


def _pieces(path: Path, count: int) -> Iterator[NDArray[np.float32]]:
    """Read the corners (3 k, 3) of `count` triangles, some at a time; both signs of zero become one."""
    with path.open("rb") as file:
        file.seek(_PREFACE_BYTES)
        while count > 0:
            piece = np.fromfile(file, dtype=_RECORD, count=min(count, _AT_A_TIME))
            if len(piece) == 0:
                return
            yield piece["corners"].reshape(-1, 3).astype(np.float32) + np.float32(0.0)
            count -= len(piece)


def _ascii(path: Path, most: int) -> tuple[Floats, Ints]:
    """Read the three numbers after every word "vertex"."""
    words = path.read_bytes().lower().split(b"vertex")[1:]
    check_triangles(path.name, len(words) // 3, most)
    if not words or len(words) % 3:
        raise PatternError(
            f"{path.name}: text STL with {len(words)} corners: three are needed for every triangle; "
            "export it again"
        )
    try:
        corners = np.array([word.split(None, 3)[:3] for word in words], dtype=np.float64).reshape(
            len(words), 3
        )
    except ValueError as error:
        raise PatternError(
            f"{path.name}: a 'vertex' in this text STL is not followed by three numbers; export it again"
        ) from error
    return _welded(path.name, corners)


def check_triangles(name: str, count: int, most: int) -> None:
    """Refuse more triangles than allowed.

    Raises
    ------
    PatternError
        When `count` is over `most`.
    """
    if count > most:
        raise PatternError(
            f"{name}: {count} triangles, at most {most} are read; "
            "thin the mesh out in the program that made it"
        )


def _welded(name: str, corners: np.ndarray[tuple[int, ...], np.dtype[np.floating]]) -> tuple[Floats, Ints]:
    """Merge equal corners; three in a row are one face."""
    if not bool(np.isfinite(corners).all()):
        raise not_finite(name, int((~np.isfinite(corners)).any(axis=1).sum()))
    points, label = weld_equal(corners)
    return points.astype(np.float64), label.reshape(-1, 3)


def not_finite(name: str, count: int) -> PatternError:
    """Return the refusal of points that are not numbers."""
    return PatternError(
        f"{name}: {count} points have coordinates that are no numbers (NaN or infinite); export it again, "
        "or delete those points in the program that made it"
    )
