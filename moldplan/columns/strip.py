"""A strip of triangles between two loops that run side by side."""

import math

import numpy as np
from numba import njit

from moldplan.columns.grid import Floats, Ints


@njit(cache=True, nogil=True)
def _apart2(points: Floats, a: int, b: int) -> float:
    """Return the squared distance of two points."""
    dx, dy, dz = points[a, 0] - points[b, 0], points[a, 1] - points[b, 1], points[a, 2] - points[b, 2]
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, nogil=True)
def strip_between(points: Floats, one: Ints, two: Ints) -> Ints:
    """Return the triangles (len(one) + len(two), 3) between two closed loops of points that run the same way.

    From the two points nearest to each other the strip goes on along the loop that gives the shorter side
    across; of equal ones along `one`. Triangles run along `one` backwards and along `two` forwards.
    """
    n, m = len(one), len(two)
    first, second, least = 0, 0, math.inf
    for i in range(n):
        for j in range(m):
            apart = _apart2(points, one[i], two[j])
            if apart < least:
                first, second, least = i, j, apart
    faces = np.empty((n + m, 3), dtype=np.int64)
    i, j = 0, 0
    while i + j < n + m:
        here, there = one[(first + i) % n], two[(second + j) % m]
        next_one, next_two = one[(first + i + 1) % n], two[(second + j + 1) % m]
        along_one = i < n and (j == m or _apart2(points, next_one, there) <= _apart2(points, here, next_two))
        faces[i + j, 2] = there if along_one else here
        faces[i + j, 0] = next_one if along_one else there
        faces[i + j, 1] = here if along_one else next_two
        if along_one:
            i += 1
        else:
            j += 1
    return faces
