"""glTF 2.0, as .glb or as a .gltf with its data inside or beside it: metres, y up, looking towards +z.

Read by hand: every count is checked against the bytes that are there, quantized coordinates are scaled as
the specification says, and no other file is opened but the points' own, beside this one (Khronos glTF 2.0
specification, sections 3.4 coordinates, 3.6 accessors, 4.4 GLB).
"""

import base64
import hashlib
import json
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import PatternError
from moldplan.pattern.assembly import Assembly
from moldplan.pattern.neighbour import read_neighbour
from moldplan.pattern.topology import Floats, Ints

_MAGIC = b"glTF"
_JSON_CHUNK = 0x4E4F534A
_BINARY_CHUNK = 0x004E4942
_NUMBER = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTH = {"SCALAR": 1, "VEC3": 3}
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
#: Commas and brackets of the header; a scan has a few hundred, and each becomes an object in memory.
_MOST_MARKS = 2_000_000
_PACKED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression")


@dataclass
class _File:
    """The parsed header, and its buffers as far as they were needed."""

    path: Path
    header: dict[str, Any]
    binary: bytes
    room: int
    """How many bytes other files may still have."""
    buffers: dict[int, bytes] = field(default_factory=dict)
    beside: dict[str, bytes] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The file, for messages."""
        return self.path.name

    def buffer(self, number: int) -> bytes:
        """Return the bytes of one buffer."""
        if number not in self.buffers:
            self.buffers[number] = self._buffer(self.header["buffers"][number])
        return self.buffers[number]

    def _buffer(self, buffer: dict[str, Any]) -> bytes:
        """Read the bytes of one buffer."""
        uri = buffer.get("uri")
        if uri is None:
            return self.binary
        if not isinstance(uri, str):
            raise TypeError("the name of a buffer is no text")
        if uri[:5].lower() == "data:":
            return base64.b64decode(uri.partition(",")[2], validate=True)
        if uri not in self.beside:
            self.beside[uri] = read_neighbour(self.path, uri, most_bytes=self.room)
            self.room -= len(self.beside[uri])
        return self.beside[uri]


def read_gltf(path: Path, *, most_bytes: int, most_triangles: int) -> tuple[Floats, Ints, tuple[str, ...]]:
    """Return points (n, 3) and faces (m, 3) of the scene, every node at its place, and what lay beside it.

    The last are the SHA-256, as hex, of the other files that were read, in the order they were needed.

    Raises
    ------
    PatternError
        When the data is compressed, or in files that are not beside this one, or there are more than
        `most_bytes` in them or more than `most_triangles`.
    """
    header, binary = _split(path.read_bytes())
    for extension in header.get("extensionsRequired", ()):
        if extension in _PACKED:
            raise PatternError(
                f"{path.name}: its mesh is compressed ({extension}), which is not read; "
                "export it without compression"
            )
    file = _File(path, header, binary, most_bytes)
    assembly = Assembly(path.name, most_triangles)
    for root in _roots(header):
        _place(file, root, np.eye(4), assembly, depth=0)
    beside = tuple(hashlib.sha256(content).hexdigest() for content in file.beside.values())
    return *assembly.arrays(), beside


def _parsed(text: bytes) -> dict[str, Any]:
    """Return the header as JSON, refused unread when it would fill the memory."""
    if sum(text.count(mark) for mark in (b",", b"[", b"{")) > _MOST_MARKS:
        raise ValueError("its header is out of reason")
    return _checked_header(json.loads(text))


def _split(content: bytes) -> tuple[dict[str, Any], bytes]:
    """Return the JSON header and the binary chunk (empty for .gltf)."""
    if content[:4] != _MAGIC:
        return _parsed(content), b""
    version, length = struct.unpack_from("<II", content, 4)
    if version != 2 or length > len(content):
        raise ValueError(f"GLB version {version}, {len(content)} of {length} bytes there")
    chunks: dict[int, bytes] = {}
    start = 12
    while start + 8 <= length:
        size, kind = struct.unpack_from("<II", content, start)
        chunks.setdefault(kind, content[start + 8 : start + 8 + size])
        start += 8 + size
    if _JSON_CHUNK not in chunks:
        raise ValueError("no header in it")
    return _checked_header(json.loads(chunks[_JSON_CHUNK])), chunks.get(_BINARY_CHUNK, b"")


def _checked_header(header: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    """Return the header when it is one of glTF 2."""
    if not isinstance(header, dict) or not str(header.get("asset", {}).get("version", "")).startswith("2."):
        raise ValueError("not glTF 2")
    return header


def _roots(header: dict[str, Any]) -> list[int]:
    """Return the top nodes of the scene, or all nodes nobody refers to when there is no scene."""
    scenes = header.get("scenes")
    if scenes:
        return list(scenes[header.get("scene", 0)].get("nodes", ()))
    nodes = header.get("nodes", ())
    below = {child for node in nodes for child in node.get("children", ())}
    return [number for number in range(len(nodes)) if number not in below]


def _place(file: _File, number: int, above: Floats, assembly: Assembly, *, depth: int) -> None:
    """Add a node's mesh and its children."""
    assembly.visit(depth)
    node = file.header["nodes"][number]
    matrix = above @ _matrix(node)
    if "mesh" in node:
        for primitive in file.header["meshes"][node["mesh"]]["primitives"]:
            assembly.visit(depth)
            _add(file, primitive, matrix, assembly)
    for child in node.get("children", ()):
        _place(file, child, matrix, assembly, depth=depth + 1)


def _matrix(node: dict[str, Any]) -> Floats:
    """Return the (4, 4) placement of a node: its matrix, or scale, then turn, then shift."""
    if "matrix" in node:
        return np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T  # the file has columns
    x, y, z, w = (float(part) for part in node.get("rotation", (0.0, 0.0, 0.0, 1.0)))
    turn = np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.array(node.get("scale", (1.0, 1.0, 1.0)), dtype=np.float64)
    matrix[:3, 3] = node.get("translation", (0.0, 0.0, 0.0))
    return matrix


def _add(file: _File, primitive: dict[str, Any], matrix: Floats, assembly: Assembly) -> None:
    """Add the triangles of a primitive; points and lines are no surface."""
    mode = primitive.get("mode", _TRIANGLES)
    if mode not in (_TRIANGLES, _STRIP, _FAN) or "POSITION" not in primitive.get("attributes", {}):
        return
    positions = _accessor(file, primitive["attributes"]["POSITION"])
    own = np.arange(len(positions))
    indices = _accessor(file, primitive["indices"]) if "indices" in primitive else own
    assembly.room(len(positions), max(len(indices) - 2, 0) if mode != _TRIANGLES else len(indices) // 3)
    faces = _triangles(indices.astype(np.int64).ravel(), mode)
    assembly.add(positions.astype(np.float64), faces, matrix)


def _triangles(indices: Ints, mode: int) -> Ints:
    """Return the faces (m, 3) that indices make in one of the three modes."""
    if mode == _TRIANGLES:
        return indices.reshape(-1, 3)
    second, third = indices[1:-1], indices[2:]
    if mode == _FAN:
        return np.stack([np.full_like(second, indices[0]), second, third], axis=1)
    faces = np.stack([indices[:-2], second, third], axis=1)
    faces[1::2, 1:] = faces[1::2, :0:-1]  # every other triangle of a strip runs the other way
    return faces


def _accessor(file: _File, number: int) -> NDArray[Any]:
    """Return the numbers (count, width) of an accessor, quantized ones scaled to -1..1 or 0..1."""
    accessor = file.header["accessors"][number]
    if "sparse" in accessor or "bufferView" not in accessor:
        raise PatternError(
            f"{file.name}: its points are stored as differences, which is not read; export it plain"
        )
    view = file.header["bufferViews"][accessor["bufferView"]]
    kind = np.dtype(_NUMBER[accessor["componentType"]])
    width = _WIDTH[accessor["type"]]
    start, size = _whole(view.get("byteOffset", 0)), _whole(view["byteLength"])
    block = memoryview(file.buffer(_whole(view["buffer"])))[start : start + size]
    count, offset = _whole(accessor["count"]), _whole(accessor.get("byteOffset", 0))
    stride = _whole(view.get("byteStride", width * kind.itemsize))
    if stride < width * kind.itemsize or (
        count and offset + stride * (count - 1) + width * kind.itemsize > len(block)
    ):
        raise ValueError(f"{count} numbers are said, {len(block)} bytes are there")
    values: NDArray[Any] = np.ndarray(
        shape=(count, width), dtype=kind, buffer=block, offset=offset if count else 0,
        strides=(stride, kind.itemsize),
    )  # fmt: skip
    if accessor.get("normalized") and kind.kind in "iu":
        return np.maximum(values.astype(np.float64) / np.iinfo(kind).max, -1.0)
    return values


def _whole(number: object) -> int:
    """Return a count, size or place of the header."""
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < 1 << 40:
        raise ValueError(f"{str(number)[:20]!r} is no count or place")
    return number
