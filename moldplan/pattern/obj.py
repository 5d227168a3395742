"""OBJ: points and faces in text; everything else in it, other files above all, is left alone."""

from pathlib import Path

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.polygons import Polygons, check_points
from moldplan.pattern.textrows import Rows, row_blocks, spread
from moldplan.pattern.topology import Floats, Ints


def read_obj(path: Path, *, most_triangles: int) -> tuple[Floats, Ints]:
    """Return the points (n, 3) and faces (m, 3) of an OBJ file, all its objects as one.

    Faces of more corners are cut into triangles. Materials, textures and normals are not read.

    Raises
    ------
    PatternError
        When a row cannot be read (the message names the line) or there are more than `most_triangles`.
    """
    points, polygons = [np.zeros((0, 3))], Polygons(path.name, most_triangles)
    count = known = 0
    with path.open("rb") as file:
        for rows in row_blocks(file, path.name, continued=True):
            kind = _kinds(rows)
            at = np.flatnonzero(kind == ord("v"))
            known += len(at) + int((kind == ord("f")).sum())
            _add_faces(rows, kind, count, polygons)
            points.append(_points(rows, at))
            count += len(at)
            check_points(path.name, count, most_triangles)
    if not known:
        raise PatternError(f"{path.name}: this is no OBJ file: no points and no faces in it; export it again")
    every = np.concatenate(points)
    return every, polygons.triangles(every)


def _kinds(rows: Rows) -> Ints:
    """Return what each row is: the letter its first word consists of, 0 for longer words."""
    word = rows.first[:-1]
    single = rows.stop[word] - rows.start[word] == 1
    return np.where(single, rows.data[rows.start[word]], 0)


def _points(rows: Rows, at: Ints) -> Floats:
    """Return the points in the rows `at`."""
    short = at[rows.words[at] < 4]
    if len(short):
        raise rows.refused(int(short[0]), f"a point of {int(rows.words[short[0]]) - 1} numbers")
    return rows.numbers((rows.first[at][:, None] + np.arange(1, 4)).ravel()).reshape(-1, 3)


def _add_faces(rows: Rows, kind: Ints, before: int, polygons: Polygons) -> None:
    """Add the faces; points are counted from 1, or back from the last one above the face."""
    at = np.flatnonzero(kind == ord("f"))
    if len(at) == 0:
        return
    counts = rows.words[at] - 1
    corners = rows.corners(spread(rows.first[at] + 1, counts))
    if not bool(corners.all()):
        face = int(np.searchsorted(np.cumsum(counts), int(np.argmin(corners != 0)), side="right"))
        raise rows.refused(int(at[face]), "a face with corner 0; they are counted from 1")
    above = before + np.cumsum(kind == ord("v"))[at]
    polygons.add_ragged(np.where(corners > 0, corners - 1, corners + np.repeat(above, counts)), counts)
