"""Volume, area and box of a mesh of millions of triangles, corner by corner, with no copy of the corners.

Sums run over blocks of faces, then over the blocks: rounding stays near that of a pairwise sum, and the
result is the same to the last bit every time.
"""

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats

Faces = NDArray[np.integer]

#: Faces in one block of a sum.
BLOCK: Final = 1024


@njit(cache=True, nogil=True)
def _twice_area2(a: Floats, b: Floats, c: Floats) -> float:
    """Return the squared length of the cross product of two sides of a triangle."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    return float(nx * nx + ny * ny + nz * nz)


@njit(cache=True, nogil=True)
def signed_volume(vertices: Floats, faces: Faces) -> float:
    """Return the signed volume between all faces (m, 3) and the origin, in the vertices' unit cubed."""
    total = 0.0
    for first in range(0, faces.shape[0], BLOCK):
        block = 0.0
        for f in range(first, min(first + BLOCK, faces.shape[0])):
            a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
            block += a[0] * (b[1] * c[2] - b[2] * c[1])
            block += a[1] * (b[2] * c[0] - b[0] * c[2])
            block += a[2] * (b[0] * c[1] - b[1] * c[0])
        total += block
    return total / 6.0


@njit(cache=True, nogil=True)
def surface_area(vertices: Floats, faces: Faces) -> float:
    """Return the area of all faces (m, 3), in the vertices' unit squared."""
    total = 0.0
    for first in range(0, faces.shape[0], BLOCK):
        block = 0.0
        for f in range(first, min(first + BLOCK, faces.shape[0])):
            block += math.sqrt(
                _twice_area2(vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]])
            )
        total += block
    return 0.5 * total


@njit(cache=True, nogil=True)
def used_box(vertices: Floats, faces: Faces) -> tuple[Floats, Floats]:
    """Return the low and the high corner (3,) of the box round all corners of the faces."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for f in range(faces.shape[0]):
        for corner in range(3):
            for axis in range(3):
                value = vertices[faces[f, corner], axis]
                low[axis] = min(low[axis], value)
                high[axis] = max(high[axis], value)
    return low, high


@njit(cache=True, nogil=True)
def thin_faces(vertices: Floats, faces: Faces, share: float, out: NDArray[np.int64]) -> int:
    """Count the faces whose twice area is at most `share` of their longest side squared.

    The numbers of as many as fit are written to `out`.
    """
    count = 0
    for f in range(faces.shape[0]):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        longest = 0.0
        for one, other in ((a, b), (b, c), (c, a)):
            x, y, z = other[0] - one[0], other[1] - one[1], other[2] - one[2]
            longest = max(longest, x * x + y * y + z * z)
        if _twice_area2(a, b, c) <= (share * longest) ** 2:
            if count < len(out):
                out[count] = f
            count += 1
    return count
