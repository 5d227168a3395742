"""Which side of the pieces of a surface is seen from outside.

A picture is taken along one direction, of square cells, and every cell votes for the piece whose triangle it
shows: for as it is wound when its front is seen, against when its back is. Cells are shown by their middles;
of triangles equally near the one with the lower number is seen.
"""

import math

import numpy as np
from numba import njit

from moldplan.columns.grid import Floats, Ints


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
