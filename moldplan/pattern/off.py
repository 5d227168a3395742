"""OFF: counts, points and faces in text."""

from pathlib import Path

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.polygons import Polygons, check_points
from moldplan.pattern.stl import check_triangles
from moldplan.pattern.textrows import Rows, row_blocks, spread
from moldplan.pattern.topology import Floats, Ints

#: Colours, normals and texture places may stand behind the coordinates; points of four numbers are not read.
_HEADS = ("OFF", "COFF", "NOFF", "CNOFF", "STOFF", "STCOFF", "STNOFF", "STCNOFF")


def read_off(path: Path, *, most_triangles: int) -> tuple[Floats, Ints]:
    """Return the points (n, 3) and faces (m, 3) of an OFF file; faces of more corners are cut into triangles.

    Raises
    ------
    PatternError
        When it is no OFF file, has fewer rows than it says, or there are more than `most_triangles`.
    """
    reader = _Reader(path.name, most_triangles)
    with path.open("rb") as file:
        for rows in row_blocks(file, path.name):
            reader.take(rows)
            if reader.done:
                break
    return reader.arrays()


class _Reader:
    """Takes rows in, one block after the other."""

    def __init__(self, name: str, most_triangles: int) -> None:
        self._name = name
        self._most = most_triangles
        self._headed = False
        self._counts: tuple[int, int] | None = None
        self._points = [np.zeros((0, 3))]
        self._read = 0
        self._faces = 0
        self._polygons = Polygons(name, most_triangles)

    @property
    def done(self) -> bool:
        """Whether everything the header says is there."""
        return self._counts == (self._read, self._faces)

    def take(self, rows: Rows) -> None:
        """Take the next rows in."""
        at = 0
        while at < len(rows) and self._counts is None:
            at += self._head(rows.part(at, at + 1))
        if self._counts is None:
            return
        upto = min(len(rows), at + self._counts[0] - self._read)
        if upto > at:
            self._points.append(rows.part(at, upto).table([0, 1, 2]))
            self._read += upto - at
        end = min(len(rows), upto + self._counts[1] - self._faces)
        if end > upto:
            self._take_faces(rows.part(upto, end))

    def arrays(self) -> tuple[Floats, Ints]:
        """Return points and faces."""
        if self._counts is None:
            raise self._no_off()
        if not self.done:
            points, faces = self._counts
            raise PatternError(
                f"{self._name}: cut short: it says {points} points and {faces} faces, {self._read} and "
                f"{self._faces} follow; copy or export it again"
            )
        every = np.concatenate(self._points)
        return every, self._polygons.triangles(every)

    def _head(self, row: Rows) -> int:
        """Take the word OFF, then the counts; return how many rows were used."""
        words = row.text(0).split()
        if not self._headed:
            if words[0].upper().lstrip("\ufeff").removeprefix("\u00ef\u00bb\u00bf") not in _HEADS:
                raise self._no_off()
            self._headed = True
            words = words[1:]
            if not words:
                return 1
        try:
            points, faces = int(words[0]), int(words[1])
        except (ValueError, IndexError) as error:
            raise row.refused(0, f"{' '.join(words)[:40]!r} are no counts of points and faces") from error
        if points < 0 or faces < 0:
            raise row.refused(0, f"{points} points and {faces} faces cannot be")
        check_points(self._name, points, self._most)
        check_triangles(self._name, faces, self._most)
        self._counts = points, faces
        return 1

    def _take_faces(self, rows: Rows) -> None:
        """Take faces in: how many corners, the corners, and perhaps a colour."""
        at = rows.first[:-1]
        counts = rows.corners(at)
        wrong = (counts < 0) | (counts >= rows.words)
        if bool(wrong.any()):
            row = int(np.argmax(wrong))
            raise rows.refused(
                row, f"a face of {int(counts[row])} in a row of {int(rows.words[row])} numbers"
            )
        self._polygons.add_ragged(rows.corners(spread(at + 1, counts)), counts)
        self._faces += len(rows)

    def _no_off(self) -> PatternError:
        """Return the refusal of what is no OFF."""
        return PatternError(
            f"{self._name}: this is no OFF file of plain points: it begins with none of "
            f"{', '.join(_HEADS[:3])}; export it again"
        )
