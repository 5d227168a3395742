"""Writers of pattern files for tests, one per format, as plain as the format allows.

They share no code with the readers under test or the libraries those use. Coordinates are written as they
are; only 3MF says a unit.
"""

import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from zoo import Mesh

CORE_3MF = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATION_3MF = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"


def write_stl(path: Path, mesh: Mesh) -> Path:
    """Binary STL, float32, normals left zero."""
    points, faces = mesh
    records = np.zeros(len(faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    records["corners"] = points[faces]
    path.write_bytes(b"a plain header".ljust(80) + struct.pack("<I", len(faces)) + records.tobytes())
    return path


def write_stl_text(path: Path, mesh: Mesh) -> Path:
    """ASCII STL with every digit of float64."""
    points, faces = mesh
    lines = ["solid test"]
    for corners in points[faces]:
        lines += [" facet normal 0 0 0", "  outer loop"]
        lines += [f"   vertex {x!r} {y!r} {z!r}" for x, y, z in corners.tolist()]
        lines += ["  endloop", " endfacet"]
    path.write_text("\n".join([*lines, "endsolid test"]) + "\n")
    return path


def write_ply(path: Path, mesh: Mesh, kind: str = "double") -> Path:
    """Binary little-endian PLY; `kind` is float or double."""
    points, faces = mesh
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
        + "".join(f"property {kind} {axis}\n" for axis in "xyz")
        + f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(faces), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    rows["count"], rows["corners"] = 3, faces
    numbers = points.astype("<f8" if kind == "double" else "<f4")
    path.write_bytes(header.encode() + numbers.tobytes() + rows.tobytes())
    return path


def write_ply_text(path: Path, mesh: Mesh) -> Path:
    """ASCII PLY."""
    points, faces = mesh
    lines = ["ply", "format ascii 1.0", f"element vertex {len(points)}"]
    lines += [f"property double {axis}" for axis in "xyz"]
    lines += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    lines += [f"{x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    lines += [f"3 {a} {b} {c}" for a, b, c in faces.tolist()]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_obj(path: Path, mesh: Mesh) -> Path:
    """OBJ, one object, naming a material file that is not there."""
    points, faces = mesh
    lines = ["mtllib missing.mtl", "o test", "usemtl paint"]
    lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (faces + 1).tolist()]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_off(path: Path, mesh: Mesh) -> Path:
    """OFF."""
    points, faces = mesh
    lines = ["OFF", f"{len(points)} {len(faces)} 0"]
    lines += [f"{x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    lines += [f"3 {a} {b} {c}" for a, b, c in faces.tolist()]
    path.write_text("\n".join(lines) + "\n")
    return path


def mesh_3mf(mesh: Mesh) -> str:
    """Return the mesh element of 3MF."""
    points, faces = mesh
    corners = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in points.tolist())
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces.tolist())
    return f"<mesh><vertices>{corners}</vertices><triangles>{triangles}</triangles></mesh>"


def zip_3mf(path: Path, model: str) -> Path:
    """Write a 3MF archive round a model document."""
    relation = f'<Relationship Target="/3D/body.model" Id="r0" Type="{RELATION_3MF}"/>'
    space = "http://schemas.openxmlformats.org/package/2006/relationships"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", f'<Relationships xmlns="{space}">{relation}</Relationships>')
        archive.writestr("3D/body.model", model)
    return path


def write_3mf(path: Path, mesh: Mesh, unit: str = "millimeter") -> Path:
    """3MF with one object, built once."""
    return zip_3mf(
        path,
        f'<model unit="{unit}" xmlns="{CORE_3MF}"><resources><object id="1" type="model">{mesh_3mf(mesh)}'
        '</object></resources><build><item objectid="1"/></build></model>',
    )


def glb_bytes(header: dict[str, object], binary: bytes) -> bytes:
    """Return a GLB round a header and its binary chunk."""
    text = json.dumps(header).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text
    chunks += struct.pack("<II", len(binary), 0x004E4942) + binary
    return b"glTF" + struct.pack("<II", 2, 12 + len(chunks)) + chunks


def gltf_parts(mesh: Mesh) -> tuple[dict[str, object], bytes]:
    """Return the header and bytes of a glTF file with one mesh on one node."""
    points, faces = mesh
    first, second = points.astype("<f4").tobytes(), faces.astype("<u4").tobytes()
    header: dict[str, object] = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": faces.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(first)},
            {"buffer": 0, "byteOffset": len(first), "byteLength": len(second)},
        ],
        "buffers": [{"byteLength": len(first) + len(second)}],
    }
    return header, first + second


def write_glb(path: Path, mesh: Mesh) -> Path:
    """GLB; numbers are metres by definition of the format."""
    path.write_bytes(glb_bytes(*gltf_parts(mesh)))
    return path


#: Every writer by the ending it writes; text kinds under "text" endings of their own.
WRITERS: dict[str, Callable[[Path, Mesh], Path]] = {
    "bin.stl": write_stl,
    "txt.stl": write_stl_text,
    "bin.ply": write_ply,
    "txt.ply": write_ply_text,
    "obj": write_obj,
    "off": write_off,
    "3mf": write_3mf,
    "glb": write_glb,
}
#: Formats that keep 32-bit numbers only.
SINGLE = ("bin.stl", "glb")
