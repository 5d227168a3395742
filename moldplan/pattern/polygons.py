"""Faces of three and more corners as triangles, many at once."""

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.stl import check_triangles
from moldplan.pattern.topology import Bools, Floats, Ints

#: A flat underside may have thousands of corners; beyond this a file is broken.
MOST_CORNERS = 10_000
#: Above so many corners a hollow face is not looked at from each of them.
_MOST_TRIED = 64
_CHUNK = 1 << 20


class Polygons:
    """Collects faces by their number of corners, then makes triangles of them.

    Parameters
    ----------
    name
        The file, for messages.
    most_triangles
        Over so many, `add` refuses.
    """

    def __init__(self, name: str, most_triangles: int) -> None:
        self._name = name
        self._most = most_triangles
        self._count = 0
        self._by_corners: dict[int, list[Ints]] = {}

    def add(self, faces: Ints) -> None:
        """Add faces (k, n) of n corners each; those of fewer than three are no surface and are left out.

        Raises
        ------
        PatternError
            When there are too many triangles or corners.
        """
        number, corners = faces.shape
        if number == 0 or corners < 3:
            return
        if corners > MOST_CORNERS:
            raise PatternError(
                f"{self._name}: a face with {corners} corners, at most {MOST_CORNERS} are read; "
                "export it as triangles"
            )
        self._count += number * (corners - 2)
        check_triangles(self._name, self._count, self._most)
        self._by_corners.setdefault(corners, []).append(faces)

    def add_ragged(self, corners: Ints, counts: Ints) -> None:
        """Add faces of differing sizes: face i has the next ``counts[i]`` of `corners`.

        Raises
        ------
        PatternError
            As `add`.
        """
        begin = np.cumsum(counts) - counts
        for size in np.unique(counts).tolist():
            if size >= 3:
                if size > MOST_CORNERS:
                    self.add(np.zeros((1, size), dtype=np.int64))
                self.add(corners[begin[counts == size, None] + np.arange(size)])

    def triangles(self, points: Floats) -> Ints:
        """Return the faces (m, 3), those with few corners first.

        Raises
        ------
        PatternError
            When faces name points that are not there.
        """
        groups = self._by_corners
        parts = [np.zeros((0, 3), dtype=np.int64)]
        for corners in sorted(groups):
            faces = np.concatenate(groups[corners])
            groups[corners].clear()  # the pieces are not needed a second time
            check_corners(self._name, faces, len(points))
            if corners == 3:
                parts.append(faces)
                continue
            step = max(1, _CHUNK // corners)
            parts += [_fans(points, faces[at : at + step]) for at in range(0, len(faces), step)]
        return parts[1] if len(parts) == 2 else np.concatenate(parts)


def check_points(name: str, count: int, most_triangles: int) -> None:
    """Refuse more points than so many triangles can have.

    Raises
    ------
    PatternError
        When `count` is over three for every triangle allowed.
    """
    if count > 3 * most_triangles:
        raise PatternError(
            f"{name}: {count} points, at most {3 * most_triangles} are read; "
            "thin the mesh out in the program that made it"
        )


def check_corners(name: str, faces: Ints, points: int) -> None:
    """Refuse faces that name points that are not there.

    Raises
    ------
    PatternError
        When a corner is below 0 or not below `points`.
    """
    if len(faces) and (int(faces.min()) < 0 or int(faces.max()) >= points):
        what = f"0 to {points - 1}" if points else "there are none"
        raise PatternError(f"{name}: faces name points that are not in the file ({what}); export it again")


def _fans(points: Floats, faces: Ints) -> Ints:
    """Return faces (k, n) cut into triangles from one corner each, ((n - 2) k, 3).

    The corner is the first from which no triangle folds back over the others; for a hollow face that has no
    such corner, the first of all.
    """
    size = faces.shape[1]
    apex = np.zeros(len(faces), dtype=np.int64)
    open_rows = np.arange(len(faces))
    for corner in range(size if size <= _MOST_TRIED else 0):
        sound = _sound(points, np.roll(faces[open_rows], -corner, axis=1))
        apex[open_rows[sound]] = corner
        open_rows = open_rows[~sound]
        if len(open_rows) == 0:
            break
    turned = np.take_along_axis(faces, (apex[:, None] + np.arange(size)) % size, axis=1)
    return _fan(turned).reshape(-1, 3)


def _fan(faces: Ints) -> Ints:
    """Return the triangles (k, n - 2, 3) round the first corner of each face."""
    first = np.broadcast_to(faces[:, :1], faces[:, 1:-1].shape)
    return np.stack([first, faces[:, 1:-1], faces[:, 2:]], axis=2)


def _sound(points: Floats, faces: Ints) -> Bools:
    """Return which faces (k, n) fall into triangles round their first corner that all look the same way."""
    with np.errstate(all="ignore"):  # numbers without end are refused later
        spokes = points[faces[:, 1:]] - points[faces[:, :1]]
        normals = np.cross(spokes[:, :-1], spokes[:, 1:])
        along = np.einsum("kni,ki->kn", normals, normals.sum(axis=1))
        return np.asarray((along >= 0.0).all(axis=1))
