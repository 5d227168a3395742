"""Half-edges of a triangle mesh brought together, followed round points, and counted, without sorting.

Half-edge ``3 f + i`` runs from corner i of face f to the next corner. All in whole numbers: results are exact
and the same whatever the machine.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Numbers = NDArray[np.int32]


@njit(cache=True, nogil=True)
def _ends(faces: Ints, half: int) -> tuple[int, int]:
    """Return the lower and the higher end of a half-edge."""
    face, corner = half // 3, half % 3
    a, b = faces[face, corner], faces[face, (corner + 1) % 3]
    return min(a, b), max(a, b)


@njit(cache=True, nogil=True)
def _places(count: Ints) -> None:
    """Turn counts into the first place of each."""
    total = 0
    for number in range(len(count)):
        here = count[number]
        count[number] = total
        total += here


@njit(cache=True, nogil=True)
def sorted_half_edges(faces: Ints, points: int) -> Ints:
    """Return the half-edges (3 m,) ordered by their lower end, then their higher end, then their number.

    Two passes of a counting sort, each of which keeps the order of equals; time grows with the
    number of half-edges and points only, whatever the mesh. `points` is over the largest corner number.
    """
    size = 3 * len(faces)
    by_high = np.empty(size, dtype=np.int32)
    at_high = np.zeros(points, dtype=np.int64)
    at_low = np.zeros(points, dtype=np.int64)
    for half in range(size):
        low, high = _ends(faces, half)
        at_low[low] += 1
        at_high[high] += 1
    _places(at_low)
    _places(at_high)
    for half in range(size):
        high = _ends(faces, half)[1]
        by_high[at_high[high]] = half
        at_high[high] += 1
    order = np.empty(size, dtype=np.int64)
    for number in range(size):
        half = by_high[number]
        low = _ends(faces, half)[0]
        order[at_low[low]] = half
        at_low[low] += 1
    return order


@njit(cache=True, nogil=True)
def edge_starts(faces: Ints, order: Ints, start: Ints) -> int:
    """Write where in `order` each edge starts into `start`, as far as it reaches; return how many edges."""
    edges = 0
    before_low, before_high = np.int64(-1), np.int64(-1)
    for place in range(len(order)):
        low, high = _ends(faces, order[place])
        if low != before_low or high != before_high:
            if edges < len(start):
                start[edges] = place
            edges += 1
            before_low, before_high = low, high
    return edges


@njit(cache=True, nogil=True)
def all_opposite(faces: Ints, order: Ints) -> bool:
    """Return whether the half-edges, edge by edge in `order`, are pairs that run opposite ways."""
    if len(order) % 2:
        return False
    edges = len(order) // 2
    before_low, before_high = np.int64(-1), np.int64(-1)
    for edge in range(edges):
        first, second = order[2 * edge], order[2 * edge + 1]
        low, high = _ends(faces, first)
        if _ends(faces, second) != (low, high) or (low == before_low and high == before_high):
            return False
        if faces[first // 3, first % 3] == faces[second // 3, second % 3]:
            return False
        before_low, before_high = low, high
    return True


@njit(cache=True, nogil=True)
def partners(order: Ints, start: Ints, count: Ints) -> Numbers:
    """Return the other half-edge of every half-edge's edge, -1 where an edge has not exactly two."""
    other = np.full(len(order), -1, dtype=np.int32)
    for edge in range(len(start)):
        if count[edge] == 2:
            first, second = order[start[edge]], order[start[edge] + 1]
            other[first] = second
            other[second] = first
    return other


@njit(cache=True, nogil=True)
def rings_round_points(other: Numbers) -> int:
    """Return how many rings of half-edges run round points of a closed, consistently wound surface.

    `other` has the partner of every half-edge. From a half-edge to the one after its partner goes on round
    the point that it starts from.
    """
    seen = np.zeros(len(other), dtype=np.bool_)
    rings = 0
    for first in range(len(other)):
        if seen[first]:
            continue
        rings += 1
        half = first
        while not seen[half]:
            seen[half] = True
            half = int(other[half])
            half = half - half % 3 + (half + 1) % 3
    return rings


@njit(cache=True, nogil=True)
def mirrored_faces(other: Numbers) -> bool:
    """Return whether any face has all three partners in one other face."""
    for face in range(len(other) // 3):
        first = other[3 * face]
        if first >= 0 and first // 3 == other[3 * face + 1] // 3 == other[3 * face + 2] // 3:
            return True
    return False


@njit(cache=True, nogil=True)
def _root(parent: Numbers, thing: int) -> int:
    """Return the least member found so far of a thing's group, and shorten the way there."""
    while parent[thing] != thing:
        parent[thing] = parent[parent[thing]]
        thing = int(parent[thing])
    return thing


@njit(cache=True, nogil=True)
def joined_groups(rows: Ints, columns: Ints, size: int, divisor: int) -> tuple[int, Ints]:
    """Return how many groups the links ``rows[i] // divisor - columns[i] // divisor`` make, and each's group.

    Groups are numbered in the order of their least members. The lower root of two becomes the root of both.
    """
    parent = np.empty(size, dtype=np.int32)
    for thing in range(size):
        parent[thing] = thing
    for link in range(len(rows)):
        one, two = _root(parent, rows[link] // divisor), _root(parent, columns[link] // divisor)
        if one < two:
            parent[two] = one
        else:
            parent[one] = two
    label = np.empty(size, dtype=np.int64)
    groups = 0
    for thing in range(size):
        root = _root(parent, thing)
        if root == thing:
            label[thing] = groups
            groups += 1
        else:
            label[thing] = label[root]
    return groups, label
