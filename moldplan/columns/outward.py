"""Which side of the pieces of a surface is seen from outside, and how often a closed one winds round a place.

*Votes.* A picture is taken along one direction, of square cells, and every cell votes for the piece whose
triangle it shows: for as it is wound when its front is seen, against when its back is. Cells are shown by
their middles; of triangles equally near the one with the lower number is seen.

*Turns.* The upright line through a grid point meets a closed surface from below as often as from above; what
is left of fronts over backs above the point is the winding number there. A row of the grid meets a side of
a triangle at the same number from both its triangles, and each side belongs to one of them, so no line slips
through between two triangles or counts one twice.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Ints

Turns = NDArray[np.float32]


@njit(cache=True, nogil=True)
def vote(points: Floats, faces: Ints, piece: Ints, nx: int, ny: int, votes: Ints) -> None:
    """Add the votes of one picture to `votes` (pieces, 2): fronts seen, backs seen.

    `points` (n, 3) are as the picture lies: x and y in cells, from 0 to `nx` and `ny`, z towards the viewer.
    """
    depth = np.full((ny, nx), -math.inf)
    shown = np.full((ny, nx), -1, dtype=np.int64)
    for f in range(faces.shape[0]):
        ax, ay, az = points[faces[f, 0], 0], points[faces[f, 0], 1], points[faces[f, 0], 2]
        ux, uy, uz = points[faces[f, 1], 0] - ax, points[faces[f, 1], 1] - ay, points[faces[f, 1], 2] - az
        wx, wy, wz = points[faces[f, 2], 0] - ax, points[faces[f, 2], 1] - ay, points[faces[f, 2], 2] - az
        area = ux * wy - uy * wx
        if area == 0.0:
            continue
        i0 = max(math.ceil(ax + min(0.0, ux, wx) - 0.5), 0)
        i1 = min(math.floor(ax + max(0.0, ux, wx) - 0.5), nx - 1)
        j0 = max(math.ceil(ay + min(0.0, uy, wy) - 0.5), 0)
        j1 = min(math.floor(ay + max(0.0, uy, wy) - 0.5), ny - 1)
        for j in range(j0, j1 + 1):
            py = j + 0.5 - ay
            for i in range(i0, i1 + 1):
                px = i + 0.5 - ax
                s, r = (px * wy - py * wx) / area, (ux * py - uy * px) / area
                if s >= 0.0 and r >= 0.0 and s + r <= 1.0:
                    z = az + s * uz + r * wz
                    if z > depth[j, i]:
                        depth[j, i], shown[j, i] = z, f
    for j in range(ny):
        for i in range(nx):
            f = shown[j, i]
            if f >= 0:
                a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
                area = (points[b, 0] - points[a, 0]) * (points[c, 1] - points[a, 1])
                area -= (points[b, 1] - points[a, 1]) * (points[c, 0] - points[a, 0])
                votes[piece[f], 0 if area > 0.0 else 1] += 1


@njit(cache=True, nogil=True)
def add_turns(points: Floats, faces: Ints, turns: Turns) -> None:
    """Add to `turns` (nx, ny, nz), at every grid point, how often the faces wind round it.

    `points` (n, 3) in cells: grid point (i, j, k) lies at those numbers. Exact integers for closed surfaces;
    a point on the surface counts as above it.
    """
    nx, ny, nz = turns.shape
    step = np.zeros((nx, ny, nz), dtype=np.int32)
    for f in range(faces.shape[0]):
        lowest = min(points[faces[f, 0], 1], points[faces[f, 1], 1], points[faces[f, 2], 1])
        highest = max(points[faces[f, 0], 1], points[faces[f, 1], 1], points[faces[f, 2], 1])
        for j in range(max(math.ceil(lowest), 0), min(math.ceil(highest), ny)):
            x_up, z_up, x_down, z_down = 0.0, 0.0, 0.0, 0.0
            for side in range(3):
                a, b = faces[f, side], faces[f, (side + 1) % 3]
                up = points[a, 1] < points[b, 1]
                low, high = (a, b) if up else (b, a)
                if points[low, 1] <= j < points[high, 1]:
                    t = (j - points[low, 1]) / (points[high, 1] - points[low, 1])
                    x = points[low, 0] + t * (points[high, 0] - points[low, 0])
                    z = points[low, 2] + t * (points[high, 2] - points[low, 2])
                    if up:
                        x_up, z_up = x, z
                    else:
                        x_down, z_down = x, z
            sign = 1 if x_up > x_down else -1
            left, right = min(x_up, x_down), max(x_up, x_down)
            for i in range(max(math.ceil(left), 0), min(math.ceil(right), nx)):
                z = z_down + (i - x_down) / (x_up - x_down) * (z_up - z_down)
                k = min(math.ceil(z) - 1, nz - 1)
                if k >= 0:
                    step[i, j, k] += sign
    for i in range(nx):
        for j in range(ny):
            total = 0
            for k in range(nz - 1, -1, -1):
                total += step[i, j, k]
                turns[i, j, k] += total
