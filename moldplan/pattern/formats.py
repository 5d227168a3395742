"""Which reader reads which ending, and what each format takes for granted.

Everything is read from one file: references to others (materials, textures, buffers) are never followed.
"""

import io
import logging
from collections.abc import Callable
from pathlib import Path

import numpy as np

from moldplan.pattern.assembly import Assembly
from moldplan.pattern.gltf import read_gltf
from moldplan.pattern.limits import Limits
from moldplan.pattern.model import Axis
from moldplan.pattern.stl import read_stl
from moldplan.pattern.threemf import read_3mf
from moldplan.pattern.topology import Floats, Ints

# Without a handler, Python prints a library's log to the terminal.
logging.getLogger("trimesh").addHandler(logging.NullHandler())

#: Points, faces, unit (None: the format has none), up, front.
Read = tuple[Floats, Ints, str | None, Axis, Axis]


def _stl(path: Path, limits: Limits) -> Read:
    """Read STL."""
    points, faces = read_stl(path, most_triangles=limits.triangles)
    return points, faces, None, "+z", "-y"


def _plain(path: Path, limits: Limits) -> Read:
    """Read PLY, OBJ or OFF through trimesh, from memory so that no neighbour file can be reached."""
    import trimesh  # noqa: PLC0415 - costs half a second, and STL, 3MF and glTF do without

    scene = trimesh.load_scene(
        io.BytesIO(path.read_bytes()),
        file_type=path.suffix.lower().lstrip("."),
        process=False,
        skip_materials=True,
    )
    assembly = Assembly(path.name, limits.triangles)
    for mesh in scene.geometry.values():
        faces = np.asarray(getattr(mesh, "faces", ()), dtype=np.int64)
        if faces.ndim == 2 and faces.shape[1] == 3:  # else points or curves
            assembly.add(np.asarray(mesh.vertices, dtype=np.float64), faces, np.eye(4))
    points, faces = assembly.arrays()
    return points, faces, None, "+z", "-y"


def _threemf(path: Path, limits: Limits) -> Read:
    """Read 3MF."""
    points, faces, unit = read_3mf(path, most_bytes=limits.bytes, most_triangles=limits.triangles)
    return points, faces, unit, "+z", "-y"


def _gltf(path: Path, limits: Limits) -> Read:
    """Read glTF."""
    points, faces = read_gltf(path, most_triangles=limits.triangles)
    return points, faces, "m", "+y", "+z"


READERS: dict[str, Callable[[Path, Limits], Read]] = {
    "stl": _stl,
    "ply": _plain,
    "obj": _plain,
    "off": _plain,
    "3mf": _threemf,
    "glb": _gltf,
    "gltf": _gltf,
}
