"""The marked vertices of a PLY: where somebody painted, or set a property."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.lines import open_ordinary
from moldplan.errors import SettingError

Floats = NDArray[np.float64]

#: A painted colour may be off by this, of 255 in each of red, green and blue together (root of the squares).
COLOUR_OFF: Final = 24.0

_KINDS: Final = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS: Final = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER: Final = 1000  # lines
_MOST_VERTICES: Final = 50_000_000


@dataclass(frozen=True)
class Vertices:
    """The vertices of a PLY: what each property is, in the file's own numbers."""

    name: str
    columns: dict[str, Floats]
    whole: frozenset[str]
    """Properties that are whole numbers in the file."""

    @property
    def points(self) -> Floats:
        """Coordinates (n, 3)."""
        return np.stack([self._column(axis) for axis in "xyz"], axis=1)

    def marked(self, name: str) -> NDArray[np.bool_]:
        """Return which vertices (n,) have a property that is not 0; NaN counts as 0.

        Raises
        ------
        SettingError
            When the vertices have no such property.
        """
        values = self._column(name)
        return np.asarray((values != 0.0) & ~np.isnan(values))

    def painted(self, colour: tuple[int, int, int]) -> NDArray[np.bool_]:
        """Return which vertices (n,) have about this colour (red, green, blue, 0 to 255).

        Raises
        ------
        SettingError
            When the vertices have no colours.
        """
        prefix = "" if "red" in self.columns else "diffuse_"
        names = [f"{prefix}{part}" for part in ("red", "green", "blue")]
        if not all(name in self.columns for name in names):
            raise SettingError(f"{self.name}: its vertices have no colours: paint them, or use marked")
        painted = np.stack([self._column(name) for name in names], axis=1)
        if names[0] not in self.whole:
            painted = painted * 255.0  # numbers with a point run from 0 to 1
        return np.asarray(np.linalg.norm(painted - np.array(colour), axis=1) <= COLOUR_OFF)

    def _column(self, name: str) -> Floats:
        """Return one property."""
        if name not in self.columns:
            known = ", ".join(self.columns)
            raise SettingError(f"{self.name}: its vertices have no property {name!r}: they have {known}")
        return self.columns[name]


@dataclass
class _Header:
    """What the first lines of a PLY say, up to the vertices and no farther."""

    form: str
    before: list[tuple[int, list[tuple[str, str]]]]
    """Elements before the vertices: how many of each, and their properties."""
    count: int
    properties: list[tuple[str, str]]


def read_vertices(path: Path) -> Vertices:
    """Return the vertices of a PLY with all their properties.

    Raises
    ------
    SettingError
        When there is no such file, it is no PLY, or its vertices cannot be read.
    """
    try:
        with open_ordinary(path) as file:
            header = _header(path.name, file)
            return _vertices(path.name, header, file)
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise SettingError(f"{path}: {reason}: check the name; it is seen from the job's folder") from error
    except ValueError as error:
        raise SettingError(f"{path.name}: its vertices cannot be read ({error}): export it again") from error


def _header(name: str, file: BinaryIO) -> _Header:
    """Return the header, the file standing at its end."""
    if file.readline(_LONGEST_HEADER).strip() != b"ply":
        raise SettingError(f"{name}: this is no PLY, and marks are read from a PLY only: export it as PLY")
    form = ""
    elements: list[tuple[str, int, list[tuple[str, str]]]] = []
    for _ in range(_LONGEST_HEADER):
        words = file.readline(_LONGEST_HEADER).decode("latin-1").split()
        if words[:1] == ["format"] and len(words) == 3:
            form = words[1]
        elif words[:1] == ["element"] and len(words) == 3:
            elements.append((words[1], int(words[2]), []))
        elif words[:1] == ["property"] and len(words) >= 3 and elements:
            elements[-1][2].append((words[-1], words[1]))
        elif words == ["end_header"]:
            break
    else:
        raise SettingError(f"{name}: its header has no end: export it again")
    if form not in _ORDERS:
        raise SettingError(f"{name}: its format is {form!r}, known are {', '.join(_ORDERS)}: export it again")
    names = [element[0] for element in elements]
    if "vertex" not in names:
        raise SettingError(f"{name}: it has no vertices: export the figure as a surface mesh")
    place = names.index("vertex")
    before = [(count, properties) for _, count, properties in elements[:place]]
    return _Header(form, before, elements[place][1], elements[place][2])


def _check_promise(header: _Header, left: int) -> None:
    """Refuse a header that says more than the `left` bytes behind it can be, before room is made for it."""
    rows = [*header.before, (header.count, header.properties)]
    least = sum(max(count, 0) * _least_bytes(header.form, properties) for count, properties in rows)
    if least > left + 1:  # the last line may have no end
        raise ValueError(f"its header says {least} bytes or more, {left} follow")


def _least_bytes(form: str, properties: list[tuple[str, str]]) -> int:
    """Return the least one row takes: in text a digit and a blank for each number."""
    if form == "ascii":
        return max(2 * len(properties), 1)
    return sum(int(_KINDS.get(kind, "u1")[1:]) for _, kind in properties)


def _vertices(name: str, header: _Header, file: BinaryIO) -> Vertices:
    """Return the vertices that follow the header."""
    if not 0 < header.count <= _MOST_VERTICES:
        raise SettingError(f"{name}: it has {header.count} vertices, 1 to {_MOST_VERTICES} are read")
    names = [property_name for property_name, _ in header.properties]
    if len(set(names)) != len(names) or not {"x", "y", "z"} <= set(names):
        raise SettingError(f"{name}: its vertices need x, y and z, each property once: export it again")
    _check_promise(header, os.fstat(file.fileno()).st_size - file.tell())
    if header.form == "ascii":
        table = _lines(header, file)
        columns = {column: table[:, number] for number, column in enumerate(names)}
    else:
        packed = _packed(name, header, file)
        columns = {column: packed[column].astype(np.float64) for column in names}
    whole = frozenset(column for column, kind in header.properties if _KINDS.get(kind, "f")[0] != "f")
    vertices = Vertices(name, columns, whole)
    if not bool(np.isfinite(vertices.points).all()):
        raise SettingError(f"{name}: some of its vertices are no finite numbers: export it again")
    return vertices


def _lines(header: _Header, file: BinaryIO) -> Floats:
    """Return the vertices of a PLY in text, one row each."""
    for count, _ in header.before:
        for _ in range(count):
            file.readline()
    table = np.loadtxt(file, max_rows=header.count, ndmin=2, comments=None, encoding="latin-1")
    if table.shape != (header.count, len(header.properties)):
        raise ValueError(f"{len(table)} rows where {header.count} are said")
    return np.asarray(table, dtype=np.float64)


def _packed(name: str, header: _Header, file: BinaryIO) -> NDArray[np.void]:
    """Return the vertices of a binary PLY."""
    order = _ORDERS[header.form]
    for count, properties in header.before:
        file.seek(count * _row(name, properties, order).itemsize, 1)
    row = _row(name, header.properties, order)
    raw = file.read(header.count * row.itemsize)
    if len(raw) < header.count * row.itemsize:
        raise ValueError(f"it ends after {len(raw) // row.itemsize} of {header.count}")
    return np.frombuffer(raw, dtype=row)


def _row(name: str, properties: list[tuple[str, str]], order: str) -> np.dtype[np.void]:
    """Return how one element lies in the file."""
    for property_name, kind in properties:
        if kind not in _KINDS:
            raise SettingError(
                f"{name}: property {property_name!r} up to its vertices is a {kind}, which is not read here: "
                "export it with plain numbers at the vertices"
            )
    return np.dtype([(column, order + _KINDS[kind]) for column, kind in properties])
