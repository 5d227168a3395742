"""Blocks, turned and joined, for tests that build their own shapes."""

import math

import manifold3d
import numpy as np
import zoo
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Return the union of closed meshes."""
    solids = [
        manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
        for points, faces in meshes
    ]
    union = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add).to_mesh64()
    return np.array(union.vert_properties[:, :3]), np.array(union.tri_verts, dtype=np.int64)


def block(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> zoo.Mesh:
    """Return a box from and to."""
    middle = (0.5 * (x[0] + x[1]), 0.5 * (y[0] + y[1]), 0.5 * (z[0] + z[1]))
    return zoo.moved(zoo.box(x[1] - x[0], y[1] - y[0], z[1] - z[0]), middle)


def about_z(angle_deg: float) -> Floats:
    """Return a turn about z."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
