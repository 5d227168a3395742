"""PLY, OBJ, OFF, 3MF and glTF through trimesh, with the guards that a file from outside needs.

Everything is read from one file: references to others (materials, textures, buffers) are never followed.
"""

import io
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from moldplan.errors import PatternError
from moldplan.pattern.model import Axis
from moldplan.pattern.topology import Floats, Ints

Read = tuple[Floats, Ints, str | None, Axis, Axis]

#: A packed file may grow this much on reading; mesh text packs about 3 to 20 times.
_MOST_UNPACKING = 200
_SMALL_BYTES = 64 * 1024**2
_UNITS_3MF = {
    "micron": "um", "millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m",
    "millimeters": "mm",
}  # fmt: skip


def _scene(path: Path, kind: str) -> Any:  # noqa: ANN401 - trimesh has no types
    """Return the file as a trimesh scene, read from memory so that no neighbour file can be reached."""
    import trimesh  # noqa: PLC0415 - costs half a second, needed only here

    return trimesh.load_scene(
        io.BytesIO(path.read_bytes()), file_type=kind, process=False, skip_materials=True
    )


def _joined(scene: Any) -> tuple[Floats, Ints]:  # noqa: ANN401 - trimesh has no types
    """Return every mesh of a scene at its place, in one pair of arrays."""
    points: list[Floats] = [np.zeros((0, 3))]
    faces: list[Ints] = [np.zeros((0, 3), dtype=np.int64)]
    count = 0
    for node in scene.graph.nodes_geometry:
        matrix, name = scene.graph[node]
        mesh = scene.geometry[name]
        corners = np.asarray(getattr(mesh, "faces", ()), dtype=np.int64)
        if corners.ndim != 2 or corners.shape[1] != 3:  # points or curves
            continue
        mirrored = float(np.linalg.det(matrix[:3, :3])) < 0.0
        places = np.asarray(mesh.vertices, dtype=np.float64)
        points.append(places @ matrix[:3, :3].T + matrix[:3, 3])
        faces.append(count + (corners[:, ::-1] if mirrored else corners))
        count += len(places)
    return np.concatenate(points), np.concatenate(faces)


def _plain(path: Path, _bytes: int, _triangles: int) -> Read:
    """Read a format without unit: z up, looking towards -y."""
    points, faces = _joined(_scene(path, path.suffix.lower().lstrip(".")))
    return points, faces, None, "+z", "-y"


def _gltf(path: Path, _bytes: int, _triangles: int) -> Read:
    """Read glTF: metres, y up, looking towards +z (glTF 2.0 specification, section 3.4)."""
    points, faces = _joined(_scene(path, path.suffix.lower().lstrip(".")))
    return points, faces, "m", "+y", "+z"


def _threemf(path: Path, most_bytes: int, _triangles: int) -> Read:
    """Read 3MF: a zip of XML with its own unit, z up."""
    _check_unpacked(path, most_bytes)
    scene = _scene(path, "3mf")
    named = {str(mesh.metadata.get("units")) for mesh in scene.geometry.values()}
    unit = _UNITS_3MF.get(named.pop()) if len(named) == 1 else None
    points, faces = _joined(scene)
    return points, faces, unit, "+z", "-y"


def _check_unpacked(path: Path, most_bytes: int) -> None:
    """Refuse an archive that grows beyond reason, before anything of it is unpacked."""
    with zipfile.ZipFile(path) as archive:
        unpacked = sum(entry.file_size for entry in archive.infolist())
    allowed = min(most_bytes, max(_SMALL_BYTES, _MOST_UNPACKING * path.stat().st_size))
    if unpacked > allowed:
        raise PatternError(
            f"{path.name}: unpacks to {unpacked / 1024**2:.0f} MiB, at most {allowed / 1024**2:.0f} MiB are read; "
            "export the figure as binary STL or PLY"
        )


READERS: dict[str, Callable[[Path, int, int], Read]] = {
    "ply": _plain,
    "obj": _plain,
    "off": _plain,
    "3mf": _threemf,
    "glb": _gltf,
    "gltf": _gltf,
}
