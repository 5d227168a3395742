"""glTF 2.0, as .glb or as a .gltf that carries its data inside: metres, y up, looking towards +z.

Read by hand: every count is checked against the bytes that are there, quantized coordinates are scaled as
the specification says, and other files are never opened (Khronos glTF 2.0 specification, sections
3.4 coordinates, 3.6 accessors, 4.4 GLB).
"""

import base64
import json
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import PatternError
from moldplan.pattern.assembly import Assembly
from moldplan.pattern.topology import Floats, Ints

_MAGIC = b"glTF"
_JSON_CHUNK = 0x4E4F534A
_BINARY_CHUNK = 0x004E4942
_NUMBER = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTH = {"SCALAR": 1, "VEC3": 3}
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_PACKED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression")


@dataclass(frozen=True)
class _File:
    """The parsed header and its buffers."""

    name: str
    header: dict[str, Any]
    buffers: list[bytes]


def read_gltf(path: Path, *, most_triangles: int) -> tuple[Floats, Ints]:
    """Return points (n, 3) and faces (m, 3) of the scene, every node at its place.

    Raises
    ------
    PatternError
        When the data is in other files or compressed, or there are more than `most_triangles`.
    """
    header, binary = _split(path.read_bytes())
    for extension in header.get("extensionsRequired", ()):
        if extension in _PACKED:
            raise PatternError(
                f"{path.name}: its mesh is compressed ({extension}), which is not read; "
                "export it without compression"
            )
    buffers = [_buffer(path.name, buffer, binary) for buffer in header.get("buffers", ())]
    file = _File(path.name, header, buffers)
    assembly = Assembly(path.name, most_triangles)
    for root in _roots(header):
        _place(file, root, np.eye(4), assembly, depth=0)
    return assembly.arrays()


def _split(content: bytes) -> tuple[dict[str, Any], bytes]:
    """Return the JSON header and the binary chunk (empty for .gltf)."""
    if content[:4] != _MAGIC:
        return _checked_header(json.loads(content)), b""
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


def _buffer(name: str, buffer: dict[str, Any], binary: bytes) -> bytes:
    """Return the bytes of one buffer."""
    uri = buffer.get("uri")
    if uri is None:
        return binary
    if not str(uri).startswith("data:"):
        raise PatternError(
            f"{name}: its points are in another file ({str(uri)[:60]!r}); "
            "export it as .glb, which is one file"
        )
    return base64.b64decode(str(uri).partition(",")[2], validate=True)


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
    points = _accessor(file, primitive["attributes"]["POSITION"]).astype(np.float64)
    indices = np.arange(len(points))
    if "indices" in primitive:
        indices = _accessor(file, primitive["indices"]).astype(np.int64).ravel()
    assembly.add(points, _triangles(indices, mode), matrix)


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
    data = file.buffers[view["buffer"]]
    start = int(view.get("byteOffset", 0))
    block = data[start : start + int(view["byteLength"])]
    values = np.ndarray(  # numpy refuses a shape that reaches past the block
        shape=(int(accessor["count"]), width),
        dtype=kind,
        buffer=block,
        offset=int(accessor.get("byteOffset", 0)),
        strides=(int(view.get("byteStride", width * kind.itemsize)), kind.itemsize),
    )
    if accessor.get("normalized") and kind.kind in "iu":
        return np.maximum(values.astype(np.float64) / np.iinfo(kind).max, -1.0)
    return values
