"""3MF: named parts in one zip of XML (3MF Core Specification 1.3, sections 2 to 4).

Corners and triangles are written as rows of even length with leading zeros, which the specification's
patterns for numbers allow: whole tables of digits are then made at once, a hundred times faster than one
number after another, and pack as small.
"""

import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from moldplan.solids.rounding import RoundedMesh

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

_CORE: Final = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_PART: Final = "3D/3dmodel.model"
_CONTENT_TYPES: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONS: Final = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/{_MODEL_PART}" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
)
#: Digits after the point of a coordinate in mm: finer than the step corners are rounded to.
_DECIMALS: Final = 5
#: Rows of digits made at a time.
_ROWS: Final = 200_000
#: Quick packing: half the time of the usual, and little larger.
_PACKING: Final = 1


@dataclass(frozen=True, kw_only=True)
class NamedMesh:
    """One part of the file: its name and its mesh."""

    name: str
    mesh: RoundedMesh


def write_3mf(path: Path, parts: Sequence[NamedMesh], *, title: str) -> None:
    """Write named parts as 3MF, unit millimetre, each an object of its own.

    Raises
    ------
    OSError
        When the disk refuses.
    """
    # opened by name every entry bears the earliest date a zip can hold: the same plan gives the same bytes
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=_PACKING) as archive:
        for name, text in (("[Content_Types].xml", _CONTENT_TYPES), ("_rels/.rels", _RELATIONS)):
            with archive.open(name, "w") as stream:
                stream.write(text.encode())
        with archive.open(_MODEL_PART, "w", force_zip64=True) as stream:
            for piece in _model(parts, title):
                stream.write(piece)


def _model(parts: Sequence[NamedMesh], title: str) -> Iterator[bytes]:
    """Give the model file piece by piece."""
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">\n'
        f'<metadata name="Title">{escape(_plain(title))}</metadata>\n'
        '<metadata name="Application">moldplan</metadata>\n<resources>\n'
    ).encode()
    for number, part in enumerate(parts, start=1):
        name = quoteattr(_plain(part.name))
        yield f'<object id="{number}" type="model" name={name}><mesh><vertices>\n'.encode()
        yield from _corners(part.mesh)
        yield b"</vertices><triangles>\n"
        yield from _triangles(part.mesh)
        yield b"</triangles></mesh></object>\n"
    yield b"</resources>\n<build>\n"
    for number in range(1, len(parts) + 1):
        yield f'<item objectid="{number}"/>\n'.encode()
    yield b"</build>\n</model>\n"


def _plain(text: str) -> str:
    """Return text without what XML cannot hold."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _corners(mesh: RoundedMesh) -> Iterator[bytes]:
    """Give the rows of corners."""
    scale = 10**_DECIMALS
    for first in range(0, len(mesh.steps), _ROWS):
        part = np.rint(mesh.steps[first : first + _ROWS] * (mesh.step_mm * scale)).astype(np.int64)
        yield _table(part, ('<vertex x="', '" y="', '" z="', '"/>\n'), decimals=_DECIMALS, signed=True)


def _triangles(mesh: RoundedMesh) -> Iterator[bytes]:
    """Give the rows of triangles."""
    words = ('<triangle v1="', '" v2="', '" v3="', '"/>\n')
    for first in range(0, len(mesh.faces), _ROWS):
        yield _table(mesh.faces[first : first + _ROWS], words, decimals=0, signed=False)


def _table(values: Ints, words: tuple[str, str, str, str], *, decimals: int, signed: bool) -> bytes:
    """Return a row of text for each row (n, 3) of whole numbers, its words between them.

    `decimals` of the digits stand after a point.
    """
    digits = max(len(str(int(np.abs(values).max(initial=0)))), decimals + 1)
    number = ("0" if signed else "") + "0" * (digits - decimals) + ("." + "0" * decimals if decimals else "")
    row = number.join(words).encode("ascii")
    table = np.tile(np.frombuffer(row, dtype=np.uint8), (len(values), 1))
    start = 0
    for column, word in enumerate(words[:3]):
        start += len(word)
        field = table[:, start : start + len(number)]
        _fill(field, values[:, column], decimals=decimals)
        if signed:
            field[values[:, column] < 0, 0] = ord("-")
        start += len(number)
    return table.tobytes()


def _fill(field: Bytes, values: Ints, *, decimals: int) -> None:
    """Put the digits of whole numbers into a field of zeros, from the last place on."""
    rest = np.abs(values)
    place = field.shape[1] - 1
    point = place - decimals if decimals else -1
    while rest.any():
        if place == point:
            place -= 1
        rest, digit = np.divmod(rest, 10)
        field[:, place] += digit.astype(np.uint8)
        place -= 1
