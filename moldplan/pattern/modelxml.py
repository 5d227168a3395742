"""The model file of a 3MF as a stream: numbers go into arrays as they come, no tree of the document is kept.

expat never opens another file by itself, and a document type, where entities are made, is refused outright.
"""

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

import numpy as np

from moldplan.pattern.polygons import check_points
from moldplan.pattern.stl import check_triangles
from moldplan.pattern.topology import Floats, Ints

Attributes = dict[str, str]

_CHUNK_BYTES = 1 << 20
#: One tag or text may be so long before it counts as an attack on the memory.
_LONGEST_PIECE_BYTES = 4 << 20
_MOST_DEPTH = 64
_MOST_ATTRIBUTES = 64
_MOST_PARTS = 200_000


@dataclass
class Part:
    """One object of a model file as it stands there."""

    attributes: Attributes
    points: "array[float]" = field(default_factory=lambda: array("d"))
    corners: "array[int]" = field(default_factory=lambda: array("q"))
    components: list[Attributes] = field(default_factory=list)

    def arrays(self) -> tuple[Floats, Ints]:
        """Return points (n, 3) and faces (m, 3)."""
        points = np.frombuffer(self.points, dtype=np.float64).reshape(-1, 3)
        return points, np.frombuffer(self.corners, dtype=np.int64).reshape(-1, 3)


@dataclass
class ModelFile:
    """What one model file says: its unit, its objects, what it builds."""

    unit: str = "millimeter"
    objects: list[Part] = field(default_factory=list)
    build: list[Attributes] = field(default_factory=list)


def read_model(file: IO[bytes], *, name: str, most_triangles: int) -> ModelFile:
    """Read a model file.

    Parameters
    ----------
    file
        The XML, standing at its start.
    name
        What messages call the whole file.
    most_triangles
        Over so many in this model file it is refused.

    Raises
    ------
    PatternError
        When there are too many triangles or points.
    ValueError, KeyError
        When it is no XML, holds a document type, or a number is missing or none.
    """
    reader = _Reader(name, most_triangles)
    walk_xml(file, reader.begin, reader.end)
    return reader.model


def walk_xml(
    file: IO[bytes], begin: Callable[[str, Attributes], None], end: Callable[[str], None] | None = None
) -> None:
    """Call `begin` with the plain name and attributes of every element, and `end` with its name as written.

    The plain name is without its prefix; attributes keep theirs.

    Raises
    ------
    ValueError
        When it is no XML, nested or filled beyond reason, or holds a document type.
    """
    parser = expat.ParserCreate()
    depth = 0

    def opened(tag: str, attributes: Attributes) -> None:  # called millions of times: short on purpose
        nonlocal depth
        depth += 1
        if depth > _MOST_DEPTH or len(attributes) > _MOST_ATTRIBUTES:
            raise _out_of_reason(parser)
        begin(tag.rpartition(":")[2] if ":" in tag else tag, attributes)

    def closed(tag: str) -> None:
        nonlocal depth
        depth -= 1
        if end is not None:
            end(tag)

    parser.StartElementHandler, parser.EndElementHandler = opened, closed
    parser.StartDoctypeDeclHandler = _refuse_document_type
    fed = 0
    try:
        while chunk := file.read(_CHUNK_BYTES):
            parser.Parse(chunk, False)
            fed += len(chunk)
            if fed - parser.CurrentByteIndex > _LONGEST_PIECE_BYTES:
                raise _out_of_reason(parser)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise ValueError(f"no XML: {error}") from error


def _out_of_reason(parser: expat.XMLParserType) -> ValueError:
    """Return the refusal of XML that only a hostile hand writes."""
    return ValueError(f"line {parser.CurrentLineNumber} of its XML is out of reason")


def _refuse_document_type(*_: object) -> None:
    """Refuse a document type, which is where entities are made."""
    raise ValueError("its XML has a document type, which no 3MF has")


class _Reader:
    """Gathers what a model file says, element by element."""

    def __init__(self, name: str, most_triangles: int) -> None:
        self.model = ModelFile()
        self._name = name
        self._most = most_triangles
        self._open: Part | None = None
        self._triangles = self._points = self._parts = 0

    def begin(self, tag: str, attributes: Attributes) -> None:
        """Take the beginning of an element in."""
        part = self._open
        if part is None:
            self._begin_other(tag, attributes)
        elif tag == "triangle":
            self._triangles += 1
            if self._triangles > self._most:
                check_triangles(self._name, self._triangles, self._most)
            part.corners.extend(map(int, (attributes["v1"], attributes["v2"], attributes["v3"])))
        elif tag == "vertex":
            self._points += 1
            if self._points > 3 * self._most:
                check_points(self._name, self._points, self._most)
            part.points.extend(map(float, (attributes["x"], attributes["y"], attributes["z"])))
        else:
            self._begin_other(tag, attributes)

    def _begin_other(self, tag: str, attributes: Attributes) -> None:
        """Take one of the few elements in that are no points or triangles."""
        if tag == "object":
            self._open = Part(attributes)
            self.model.objects.append(self._open)
        elif tag == "component" and self._open is not None:
            self._open.components.append(attributes)
        elif tag == "item":
            self.model.build.append(attributes)
        elif tag == "model":
            self.model.unit = attributes.get("unit", "millimeter")
        else:
            return
        self._parts += 1
        if self._parts > _MOST_PARTS:
            raise ValueError(f"it has more than {_MOST_PARTS} parts")

    def end(self, tag: str) -> None:
        """Take the end of an element in."""
        if tag == "object" or tag.endswith(":object"):
            self._open = None
