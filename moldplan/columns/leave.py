"""Which points round a solid leave along a direction without meeting it.

Goal
    For many points and many directions: does a point that moves straight along a direction get out of the
    box round the solid, and keep a wanted distance from it on the way?

Steps
    1. Cubes round the place that matters (`near`) and coarser ones round the whole solid (`far`), each with
       the distance of its middle from the solid.
    2. A point steps along the direction, `STEP` of a cube at a time. In a cube whose distance is less than
       wanted it is stopped. Outside the near cubes the far ones count, and there it takes a longer step where
       nothing is near. Outside the far cubes it is free.

Error budget
    A cube stands for its middle: distances are good to a cube either way. The far cubes are coarser, so the
    wanted distance is given apart for either.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats

Clear = NDArray[np.float32]
Bools = NDArray[np.bool_]

#: Step of a point, in cubes: two in a row never lie more than one cube apart.
STEP: Final = 0.7
#: A longer step keeps so many cubes back from what is near.
RESERVE: Final = 2.0


@dataclass(frozen=True, kw_only=True)
class Cubes:
    """Cubes with an edge of `edge_mm`, the lowest corner at `origin_mm` (3,).

    `clear_mm` (nx, ny, nz) is how far the middle of each cube lies from the solid, 0 inside.
    """

    origin_mm: Floats
    edge_mm: float
    clear_mm: Clear


def leaving(
    points: Floats, directions: Floats, *, near: Cubes, far: Cubes, near_mm: float, far_mm: float
) -> Bools:
    """Return which points leave along which directions, shape (directions, points).

    Parameters
    ----------
    points, directions
        Places (n, 3) in mm and unit vectors (d, 3).
    near, far
        Fine cubes round the points, and coarse ones round all of the solid.
    near_mm, far_mm
        Least distance from the solid on the way, in the fine and in the coarse cubes.
    """
    out = np.zeros((len(directions), len(points)), dtype=np.bool_)
    march(
        np.ascontiguousarray(points), np.ascontiguousarray(directions), near.clear_mm, near.origin_mm,
        near.edge_mm, near_mm, far.clear_mm, far.origin_mm, far.edge_mm, far_mm, out,
    )  # fmt: skip
    return out


@njit(cache=True, nogil=True)
def march(
    points: Floats, directions: Floats, near: Clear, near_origin: Floats, near_edge: float, near_least: float,
    far: Clear, far_origin: Floats, far_edge: float, far_least: float, out: Bools,
) -> None:  # fmt: skip
    """Set `out` (directions, points) where a point leaves; see `leaving`."""
    for d in range(directions.shape[0]):
        dx, dy, dz = directions[d, 0], directions[d, 1], directions[d, 2]
        for p in range(points.shape[0]):
            x, y, z = points[p, 0], points[p, 1], points[p, 2]
            free = True
            while True:
                i = math.floor((x - near_origin[0]) / near_edge)
                j = math.floor((y - near_origin[1]) / near_edge)
                k = math.floor((z - near_origin[2]) / near_edge)
                inside = 0 <= i < near.shape[0] and 0 <= j < near.shape[1] and 0 <= k < near.shape[2]
                step = STEP * near_edge
                if inside:
                    if near[i, j, k] < near_least:
                        free = False
                        break
                else:
                    i = math.floor((x - far_origin[0]) / far_edge)
                    j = math.floor((y - far_origin[1]) / far_edge)
                    k = math.floor((z - far_origin[2]) / far_edge)
                    if not (0 <= i < far.shape[0] and 0 <= j < far.shape[1] and 0 <= k < far.shape[2]):
                        break
                    clear = float(far[i, j, k])
                    if clear < far_least:
                        free = False
                        break
                    step = max(STEP * far_edge, clear - far_least - RESERVE * far_edge)
                x += step * dx
                y += step * dy
                z += step * dz
            out[d, p] = free
