"""Which reader reads which ending, and what each format takes for granted.

Materials and textures are never looked at. The one thing read from a second file is the points of a glTF, and
only from inside its own folder (`moldplan.pattern.neighbour`).
"""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from moldplan.pattern.gltf import read_gltf
from moldplan.pattern.limits import Limits
from moldplan.pattern.model import Axis
from moldplan.pattern.obj import read_obj
from moldplan.pattern.off import read_off
from moldplan.pattern.ply import read_ply
from moldplan.pattern.stl import read_stl
from moldplan.pattern.threemf import read_3mf
from moldplan.pattern.topology import Floats, Ints


class Read(NamedTuple):
    """What a reader found: points, faces, what the format takes for granted, and what lay in other files."""

    points: Floats
    faces: Ints
    unit: str | None = None
    """None: neither the format nor the file has one."""
    up: Axis = "+z"
    front: Axis = "-y"
    beside: tuple[str, ...] = ()
    """SHA-256 of every other file that was read for it, as hex, in the order the file names them."""


def _stl(path: Path, limits: Limits) -> Read:
    """Read STL."""
    return Read(*read_stl(path, most_triangles=limits.triangles))


def _ply(path: Path, limits: Limits) -> Read:
    """Read PLY."""
    return Read(*read_ply(path, most_triangles=limits.triangles))


def _obj(path: Path, limits: Limits) -> Read:
    """Read OBJ."""
    return Read(*read_obj(path, most_triangles=limits.triangles))


def _off(path: Path, limits: Limits) -> Read:
    """Read OFF."""
    return Read(*read_off(path, most_triangles=limits.triangles))


def _threemf(path: Path, limits: Limits) -> Read:
    """Read 3MF."""
    points, faces, unit = read_3mf(path, most_bytes=limits.bytes, most_triangles=limits.triangles)
    return Read(points, faces, unit)


def _gltf(path: Path, limits: Limits) -> Read:
    """Read glTF."""
    points, faces, beside = read_gltf(path, most_bytes=limits.bytes, most_triangles=limits.triangles)
    return Read(points, faces, "m", "+y", "+z", beside)


READERS: dict[str, Callable[[Path, Limits], Read]] = {
    "stl": _stl,
    "ply": _ply,
    "obj": _obj,
    "off": _off,
    "3mf": _threemf,
    "glb": _gltf,
    "gltf": _gltf,
}
