"""Many placed parts as one pair of arrays, counted before they are made."""

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.polygons import check_corners, check_points
from moldplan.pattern.stl import check_triangles
from moldplan.pattern.topology import Floats, Ints

_MOST_DEPTH = 64
_MOST_VISITS = 20_000


class Assembly:
    """Collects parts at their places; refuses nesting and numbers that only a broken file has.

    Parameters
    ----------
    name
        The file, for messages.
    most_triangles
        Over so many, every copy counted, `add` refuses.
    """

    def __init__(self, name: str, most_triangles: int) -> None:
        self._name = name
        self._most = most_triangles
        self._points: list[Floats] = [np.zeros((0, 3))]
        self._faces: list[Ints] = [np.zeros((0, 3), dtype=np.int64)]
        self._visits = 0
        self._count = 0
        self._triangles = 0
        self._handled = 0

    def visit(self, depth: int) -> None:
        """Count one placed thing at `depth` levels below the whole.

        Raises
        ------
        PatternError
            When parts are nested, or repeated, without end.
        """
        self._visits += 1
        if depth > _MOST_DEPTH or self._visits > _MOST_VISITS:
            raise PatternError(
                f"{self._name}: its parts are nested in each other without end; export the figure as one mesh"
            )

    def room(self, points: int, triangles: int) -> None:
        """Refuse a part of so many points and triangles before its arrays are made.

        Raises
        ------
        PatternError
            When there are too many, or so many points that are handled again and again for nothing.
        """
        self._handled += points
        check_points(self._name, self._handled, self._most)
        check_triangles(self._name, self._triangles + triangles, self._most)

    def add(self, points: Floats, faces: Ints, matrix: Floats) -> None:
        """Add a part placed by the (4, 4) `matrix`; a mirroring one turns its faces.

        Raises
        ------
        PatternError
            When there are too many triangles, or faces name points that are not there.
        """
        if len(faces) == 0:
            return
        self._triangles += len(faces)
        check_triangles(self._name, self._triangles, self._most)
        check_corners(self._name, faces, len(points))
        mirrored = float(np.linalg.det(matrix[:3, :3])) < 0.0
        self._points.append(points @ matrix[:3, :3].T + matrix[:3, 3])
        self._faces.append(self._count + (faces[:, ::-1] if mirrored else faces))
        self._count += len(points)

    def arrays(self) -> tuple[Floats, Ints]:
        """Return all parts as points (n, 3) and faces (m, 3)."""
        return np.concatenate(self._points), np.concatenate(self._faces)
