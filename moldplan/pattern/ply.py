"""PLY, text and packed: the points and faces, every count held against the bytes that are there.

The header is a page of text that names elements (rows) and their properties (columns); a property may be a
list that says its own length. Read by hand: packed files of scans hold ten million triangles and take a
second, and a header that lies is found out before anything is made room for.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from moldplan.columns.plyrows import list_rows
from moldplan.errors import PatternError
from moldplan.pattern.polygons import Polygons, check_points
from moldplan.pattern.stl import check_triangles
from moldplan.pattern.textrows import Bytes, Rows, row_blocks, spread
from moldplan.pattern.topology import Floats, Ints

_KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8", "int64": "i8", "uint64": "u8",
}  # fmt: skip
_COUNT_KINDS = ("i1", "u1", "i2", "u2", "i4", "u4")
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER_LINE = 1000
_MOST_HEADER_LINES = 2000
_MOST_COUNT = 1 << 40
_CORNERS = ("vertex_indices", "vertex_index")
_STRIPS = "tristrips"
_WANTED = ("vertex", "face", _STRIPS)
_CHUNK_ROWS = 1 << 20


@dataclass(frozen=True)
class _Property:
    """One column: what kind its numbers are and, for a list, of what kind its length is."""

    name: str
    kind: str
    count_kind: str = ""


@dataclass(frozen=True)
class _Element:
    """Rows of one kind."""

    name: str
    count: int
    properties: list[_Property]

    @property
    def lists(self) -> bool:
        """Whether rows may differ in length."""
        return any(column.count_kind for column in self.properties)

    @property
    def least_bytes(self) -> int:
        """The least a packed row takes, every list empty."""
        return sum(np.dtype(column.count_kind or column.kind).itemsize for column in self.properties)

    def place(self, names: tuple[str, ...]) -> int | None:
        """Return the place of the first property that is called one of `names`."""
        return next((k for k, column in enumerate(self.properties) if column.name in names), None)


@dataclass
class _Gathered:
    """What was read so far."""

    points: list[Floats]
    polygons: Polygons


def read_ply(path: Path, *, most_triangles: int) -> tuple[Floats, Ints]:
    """Return the points (n, 3) and faces (m, 3) of a PLY file; faces of more corners are cut into triangles.

    Raises
    ------
    PatternError
        When the header cannot be used, promises more than follows, or there are more than `most_triangles`.
    """
    name = path.name
    found = _Gathered([np.zeros((0, 3))], Polygons(name, most_triangles))
    with path.open("rb") as file:
        order, elements, lines = _header(name, file)
        _check_counts(name, elements, most_triangles)
        if order:
            left = path.stat().st_size - file.tell()
            _Packed(name, file, order, left, found, most_triangles).read(elements)
        else:
            _read_text(name, elements, file, lines, found)
    points = found.points[1] if len(found.points) == 2 else np.concatenate(found.points)
    return points, found.polygons.triangles(points)


# --- the header -------------------------------------------------------------------------------------------


def _header(name: str, file: BinaryIO) -> tuple[str, list[_Element], int]:
    """Return byte order ("" for text), elements and the number of header lines, the file standing behind."""
    if file.readline(_LONGEST_HEADER_LINE).strip() != b"ply":
        raise PatternError(f"{name}: this is no PLY file: it does not begin with 'ply'; export it again")
    form, elements = "", list[_Element]()
    for line in range(2, _MOST_HEADER_LINES):
        raw = file.readline(_LONGEST_HEADER_LINE)
        words = raw.decode("latin-1").split()
        if words == ["end_header"]:
            return _checked(name, form, elements, line)
        if not raw.endswith(b"\n"):
            break
        try:
            form = _header_line(words, form, elements)
        except (ValueError, IndexError, KeyError) as error:
            shown = " ".join(words)[:60]
            raise PatternError(
                f"{name}, line {line}: the header says {shown!r}, which is no PLY; export it again"
            ) from error
    raise PatternError(f"{name}: the header of this PLY file has no end; copy or export it again")


def _header_line(words: list[str], form: str, elements: list[_Element]) -> str:
    """Take one line of the header in; return the form of the file as far as it is known."""
    if not words or words[0] in ("comment", "obj_info"):
        return form
    if words[0] == "format":
        return words[1]
    if words[0] == "element":
        count = int(words[2])
        if not 0 <= count < _MOST_COUNT:
            raise ValueError("a count out of reason")
        elements.append(_Element(words[1], count, []))
    elif words[0] != "property":
        raise ValueError("an unknown word")
    elif words[1] == "list":
        if _KINDS[words[2]] not in _COUNT_KINDS:
            raise ValueError("a length that is no small whole number")
        elements[-1].properties.append(_Property(words[4], _KINDS[words[3]], _KINDS[words[2]]))
    else:
        elements[-1].properties.append(_Property(words[2], _KINDS[words[1]]))
    return form


def _has_corners(element: _Element) -> bool:
    """Return whether rows have a list of whole numbers that are corners."""
    place = element.place(_CORNERS)
    column = None if place is None else element.properties[place]
    return column is not None and column.count_kind != "" and column.kind[0] != "f"


def _check_counts(name: str, elements: list[_Element], most_triangles: int) -> None:
    """Refuse counts over the limit."""
    for element in elements:
        if element.name == "vertex":
            check_points(name, element.count, most_triangles)
        elif element.name in _WANTED:
            check_triangles(name, element.count, most_triangles)


def _upto_wanted(elements: list[_Element]) -> list[_Element]:
    """Return the elements up to the last one that matters."""
    return elements[: max((k + 1 for k, one in enumerate(elements) if one.name in _WANTED), default=0)]


def _checked(name: str, form: str, elements: list[_Element], lines: int) -> tuple[str, list[_Element], int]:
    """Return the header when points and faces can be read by it."""
    if form not in _ORDERS:
        raise PatternError(f"{name}: its format is {form[:40]!r}, known are {', '.join(_ORDERS)}; "
                           "export it again")  # fmt: skip
    names = [element.name for element in elements]
    if len(set(names)) != len(names):
        raise PatternError(f"{name}: its header names the same element twice; export it again")
    for element in elements:
        columns = [column.name for column in element.properties]
        if element.name == "vertex" and (element.lists or any(columns.count(axis) != 1 for axis in "xyz")):
            raise PatternError(f"{name}: its points need x, y and z once each and no lists; export it again")
        if element.name in ("face", _STRIPS) and element.count and not _has_corners(element):
            raise PatternError(
                f"{name}: its faces have no list of whole numbers called vertex_indices; export it again"
            )
    return _ORDERS[form], elements, lines


# --- packed -----------------------------------------------------------------------------------------------


@dataclass
class _Packed:
    """A packed file on the way to arrays; `left` counts the bytes not yet read."""

    name: str
    file: BinaryIO
    order: str
    left: int
    found: _Gathered
    most_triangles: int

    def read(self, elements: list[_Element]) -> None:
        """Read all elements in their order, the ones behind the last one wanted left alone."""
        for element in _upto_wanted(elements):
            self._check(element, element.count * element.least_bytes)
            if element.name == "vertex":
                self._points(element)
            elif element.lists:
                self._lists(element)
            else:
                self._skip(element.count * element.least_bytes)

    def _check(self, element: _Element, wanted: int) -> None:
        """Refuse an element that takes more bytes than are left."""
        if wanted > self.left:
            raise PatternError(
                f"{self.name}: cut short: its header says {element.count} of {element.name[:20]!r} "
                f"({wanted} bytes or more) but {self.left} bytes follow; copy or export it again"
            )

    def _skip(self, size: int) -> None:
        """Step over bytes."""
        self.file.seek(size, 1)
        self.left -= size

    def _points(self, element: _Element) -> None:
        """Read the points, a piece at a time."""
        row = np.dtype([(f"{k}", self.order + column.kind) for k, column in enumerate(element.properties)])
        points = np.empty((element.count, 3))
        places = [element.place((axis,)) for axis in "xyz"]
        for at in range(0, element.count, _CHUNK_ROWS):
            piece = np.fromfile(self.file, dtype=row, count=min(_CHUNK_ROWS, element.count - at))
            for axis, place in enumerate(places):
                points[at : at + len(piece), axis] = piece[f"{place}"]
        self.left -= element.count * row.itemsize
        self.found.points.append(points)

    def _lists(self, element: _Element) -> None:
        """Read rows with lists: the faces, strips, or something to step over."""
        place = element.place(_CORNERS) if element.name in ("face", _STRIPS) else None
        if element.count == 0 or (element.name == "face" and self._alike(element, place)):
            return
        data = np.fromfile(self.file, dtype=np.uint8, count=self.left)
        rows = 0 if place is None else element.count
        start, length = np.zeros(rows, dtype=np.int64), np.zeros(rows, dtype=np.int64)
        end = self._walk(element, data, place, start, length)
        if place is not None and element.name == "face":
            self._faces(element.properties[place].kind, data, start, length)
        elif place is not None:
            self._strips(element.properties[place].kind, data, start, length)
        self.file.seek(end - self.left, 1)
        self.left -= end

    def _alike(self, element: _Element, place: int | None) -> bool:
        """Read faces that all have as many corners as the first, without walking; tell whether they do."""
        if place is None or sum(bool(column.count_kind) for column in element.properties) != 1:
            return False
        lists = element.properties[place]
        before = sum(np.dtype(column.kind).itemsize for column in element.properties[:place])
        count = np.dtype(self.order + lists.count_kind)
        begin = self.file.tell()
        head = self.file.read(before + count.itemsize)
        self.file.seek(begin)
        corners = int(np.frombuffer(head, dtype=count, offset=before)[0])
        rest = element.least_bytes - count.itemsize
        size = element.count * (rest + count.itemsize + corners * np.dtype(lists.kind).itemsize)
        if not 3 <= corners <= 4 or size > self.left:
            return False
        row = np.dtype([
            ("before", f"V{before}"), ("count", count), ("corners", self.order + lists.kind, corners),
            ("after", f"V{rest - before}"),
        ])  # fmt: skip
        faces = np.empty((element.count, corners), dtype=np.int64)
        for at in range(0, element.count, _CHUNK_ROWS):
            piece = np.fromfile(self.file, dtype=row, count=min(_CHUNK_ROWS, element.count - at))
            if not bool((piece["count"] == corners).all()):
                self.file.seek(begin)
                return False
            faces[at : at + len(piece)] = piece["corners"]
        self.left -= size
        self.found.polygons.add(faces)
        return True

    def _walk(self, element: _Element, data: Bytes, place: int | None, start: Ints, length: Ints) -> int:
        """Find where the lists lie; return how many bytes the element takes."""
        columns = element.properties
        end = int(list_rows(
            data, element.count,
            np.array([np.dtype(column.kind).itemsize for column in columns]),
            np.array([int(column.count_kind[1:] or 0) for column in columns]),
            np.array([column.count_kind[:1] == "i" for column in columns]),
            self.order == "<", -1 if place is None else place, start, length,
        ))  # fmt: skip
        if end < 0:
            raise PatternError(
                f"{self.name}: row {-end} of {element.count} of its {element.name[:20]!r} runs past the end "
                "of the file or has less than nothing in it; copy or export it again"
            )
        return end

    def _faces(self, kind: str, data: Bytes, start: Ints, length: Ints) -> None:
        """Add faces of differing sizes, as many at once as have the same."""
        width = np.dtype(kind).itemsize
        check_triangles(self.name, int(np.maximum(length - 2, 0).sum()), self.most_triangles)
        for corners in np.unique(length[length >= 3]).tolist():
            begin = start[length == corners]
            step = max(1, _CHUNK_ROWS // (corners * width))
            reach = np.arange(corners * width)
            for at in range(0, len(begin), step):
                raw = data[begin[at : at + step, None] + reach]
                self.found.polygons.add(raw.view(self.order + kind).astype(np.int64))

    def _strips(self, kind: str, data: Bytes, start: Ints, length: Ints) -> None:
        """Add the triangles of strips, which -1 parts from each other."""
        width = np.dtype(kind).itemsize
        for begin, entries in zip(start.tolist(), length.tolist(), strict=True):
            check_triangles(self.name, entries, 3 * self.most_triangles)
            raw = data[begin : begin + entries * width]
            self.found.polygons.add(strip_faces(raw.view(self.order + kind).astype(np.int64)))


def strip_faces(numbers: Ints) -> Ints:
    """Return the faces (m, 3) of triangle strips that negative numbers part from each other."""
    if len(numbers) < 3:
        return np.zeros((0, 3), dtype=np.int64)
    parted = numbers < 0
    places = np.arange(len(numbers))
    since = places - np.maximum.accumulate(np.where(parted, places + 1, 0))
    faces = np.stack([numbers[:-2], numbers[1:-1], numbers[2:]], axis=1)
    odd = since[:-2] % 2 == 1
    faces[odd] = faces[odd][:, [1, 0, 2]]  # every other triangle of a strip runs the other way
    return faces[~(parted[:-2] | parted[1:-1] | parted[2:])]


# --- text -------------------------------------------------------------------------------------------------


def _read_text(name: str, elements: list[_Element], file: BinaryIO, lines: int, found: _Gathered) -> None:
    """Read the rows of a text file, one for every row of an element."""
    queue = [element for element in _upto_wanted(elements) if element.count]
    done = 0
    for rows in row_blocks(file, name, first_line=lines + 1) if queue else ():
        at = 0
        while queue and at < len(rows):
            upto = min(len(rows), at + queue[0].count - done)
            _take_rows(queue[0], rows.part(at, upto), found)
            done, at = done + upto - at, upto
            if done == queue[0].count:
                queue, done = queue[1:], 0
        if not queue:
            return
    if queue:
        raise PatternError(
            f"{name}: cut short: its header says {queue[0].count} of {queue[0].name[:20]!r}, {done} follow; "
            "copy or export it again"
        )


def _take_rows(element: _Element, rows: Rows, found: _Gathered) -> None:
    """Take rows of one element in."""
    if element.name == "vertex":
        places = [place for axis in "xyz" if (place := element.place((axis,))) is not None]
        found.points.append(rows.table(places))
    elif element.name in ("face", _STRIPS):
        begin, counts = _list_words(element, rows)
        corners = rows.corners(spread(begin, counts))
        if element.name == "face":
            found.polygons.add_ragged(corners, counts)
        else:
            for piece in np.split(corners, np.cumsum(counts)[:-1]):
                found.polygons.add(strip_faces(piece))


def _list_words(element: _Element, rows: Rows) -> tuple[Ints, Ints]:
    """Return the first word and the length of the list of corners in every row."""
    at, ends = rows.first[:-1].copy(), rows.first[1:]
    wanted = element.place(_CORNERS)
    for place, column in enumerate(element.properties):
        if bool((at >= ends).any()):
            raise rows.refused(int(np.argmax(at >= ends)), "a row with too few numbers")
        if not column.count_kind:
            at += 1
            continue
        counts = rows.corners(at)
        at += 1
        wrong = (counts < 0) | (counts > ends - at)
        if bool(wrong.any()):
            row = int(np.argmax(wrong))
            raise rows.refused(
                row, f"a list of {int(counts[row])} in a row of {int(rows.words[row])} numbers"
            )
        if place == wanted:
            return at, counts
        at += counts
    raise AssertionError  # the header was checked for the list
