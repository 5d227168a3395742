"""Making a mesh quick to look at from many sides: neighbours stored together, and a lighter copy.

What a lighter copy finds is measured again on the whole mesh.
"""

from collections.abc import Sequence
from typing import Final

import manifold3d
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How far the surface may move in each step, as a share of the bounding box's diagonal. The steps add up:
#: 0.14 % at the most, 2.8 mm on a 2 m figure. The first step takes most of the time; half as wide it takes as
#: long, leaves more, and the next is then no quicker.
MOVES: Final = (2e-4, 4e-4, 8e-4)

#: Bits per axis of the code that neighbours are sorted by.
PLACE_BITS: Final = 10


def arranged(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Return the same mesh with neighbouring corners and neighbouring faces stored near each other.

    A mesh in random order takes twice as long to look at: its corners are fetched from all over the memory.
    Corners are sorted by place along a Z-shaped curve through the bounding box, faces by their first corner.
    """
    low = vertices.min(axis=0)
    steps = ((vertices - low) * ((2**PLACE_BITS - 1) / (vertices - low).max())).astype(np.int64)
    code = np.zeros(len(vertices), dtype=np.int64)
    for bit in range(PLACE_BITS):
        for axis in range(3):
            code |= ((steps[:, axis] >> bit) & 1) << (3 * bit + axis)
    order = np.argsort(code, kind="stable")
    number = np.empty_like(order)
    number[order] = np.arange(len(order))
    renamed = number[faces]
    return np.ascontiguousarray(vertices[order]), renamed[np.argsort(renamed.min(axis=1), kind="stable")]


def light_copy(
    vertices: Floats, faces: Ints, *, most: int, moves: Sequence[float] = MOVES
) -> tuple[Floats, Ints, float]:
    """Return a closed mesh of about `most` triangles or fewer, and how far in mm its surface may have moved.

    Parameters
    ----------
    vertices, faces
        A closed mesh, corners in mm.
    most
        Triangles that are few enough. A mesh with no more is returned as it is.
    moves
        How far the surface may move in each step, as a share of the bounding box's diagonal; a step is taken
        only when there are too many triangles after those before it.

    Returns
    -------
    tuple
        Corners, faces, and the sum of the tolerances that were used. More than `most` triangles are left
        when the last step does not bring the mesh down to them.
    """
    if len(faces) <= most:
        return vertices, faces, 0.0
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=np.array(vertices), tri_verts=faces.astype(np.uint64))
    )
    if solid.status() != manifold3d.Error.NoError:
        return vertices, faces, 0.0
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    moved = 0.0
    for share in moves:
        solid = solid.simplify(share * diagonal)
        moved += share * diagonal
        if solid.num_tri() <= most:
            break
    mesh = solid.to_mesh64()
    corners = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    return corners, np.array(mesh.tri_verts, dtype=np.int64), moved
