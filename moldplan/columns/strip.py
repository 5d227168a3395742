"""A strip of triangles between two loops that run side by side.

The strip goes from the two points nearest to each other round to the same two. Of all ways to get there, a
step along one loop or the other at a time, the one with the least sum of squared sides across is taken (found
by dynamic programming, after Fuchs, Kedem, Uselton: Optimal surface reconstruction from planar contours,
Comm. ACM 20 (10), 1977, who take the least area). Taking the shorter side at every step was tried and
dropped: where one loop has a bay the other has not, the two get out of step for good.
"""

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

    Triangles run along `one` backwards and along `two` forwards. Takes a byte for each pair of points.
    """
    n, m = len(one), len(two)
    first, second, least = 0, 0, math.inf
    for i in range(n):
        for j in range(m):
            apart = _apart2(points, one[i], two[j])
            if apart < least:
                first, second, least = i, j, apart
    along_one = np.zeros((n + 1, m + 1), dtype=np.uint8)
    cost = np.empty(m + 1)
    for i in range(n + 1):
        for j in range(m + 1):
            over = _apart2(points, one[(first + i) % n], two[(second + j) % m])
            came = 0.0
            if i > 0 and (j == 0 or cost[j] <= cost[j - 1]):
                came = cost[j]
                along_one[i, j] = 1
            elif j > 0:
                came = cost[j - 1]
            cost[j] = came + over
    faces = np.empty((n + m, 3), dtype=np.int64)
    i, j = n, m
    while i + j > 0:
        here, there = one[(first + i) % n], two[(second + j) % m]
        at = i + j - 1
        if along_one[i, j]:
            i -= 1
            faces[at, 0], faces[at, 1], faces[at, 2] = here, one[(first + i) % n], there
        else:
            j -= 1
            faces[at, 0], faces[at, 1], faces[at, 2] = two[(second + j) % m], there, here
    return faces
