"""Caps over holes: the least triangulation of a ring of points, and its refinement.

Goal
    From the rim of a hole to a mesh over it whose triangles are about as large as those round it.

Steps
    1. `least_cap`: the triangulation with the least area over the rim's own points, by dynamic programming
       over spans of the ring (G. T. Klincsek, "Minimal triangulations of polygonal domains", Annals of
       Discrete Mathematics 9, 1980; recalled, not looked up). Slivers, which a straight stretch of rim would
       give for nothing, cost a little. Cubic in the points, quadratic in memory.
    2. `refine_cap`: points in the middles of triangles that are larger than the rim wants, edges turned until
       no circle round a triangle holds a neighbour's corner (after P. Liepa, "Filling holes in meshes",
       Eurographics Symposium on Geometry Processing 2003; recalled, not looked up).

A half-edge ``3 f + i`` runs from corner i of face f to the next corner.
"""

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A triangle is split while its middle lies farther from its corners than the wanted edge over this.
SPREAD: Final = math.sqrt(2.0)
#: A triangle of less area than this share of its longest side squared is a sliver, and costs as much again as
#: the second share: of equal caps the one without slivers is taken, and nothing but slivers is still a cap.
SLIVER: Final = 1e-3
SLIVER_COST: Final = 1e-2
#: Turning edges ends after so many rounds: on a bent cap it need not end by itself.
_MOST_TURNS: Final = 24
_MOST_ROUNDS: Final = 64


def least_cap(points: Floats, banned: Bools) -> Ints:
    """Return the triangles (n - 2, 3) of least total area over a ring of points.

    Parameters
    ----------
    points
        (n, 3), the ring in order, n at least 3. The triangles run along it the same way.
    banned
        (n, n), symmetric: pairs that no inner edge may join (an edge of the mesh joins them already).

    Returns
    -------
    ndarray
        Places in the ring; of shape (0, 3) when every triangulation has a banned edge.
    """
    return np.asarray(_least_cap(np.ascontiguousarray(points), banned))


@njit(cache=True, nogil=True)
def _least_cap(points: Floats, banned: Bools) -> Ints:
    """Fill the table of spans, then unroll it."""
    size = len(points)
    best = np.zeros((size, size))
    apex = np.full((size, size), -1, dtype=np.int64)
    for width in range(2, size):
        for low in range(size - width):
            high = low + width
            least = np.inf
            if width == size - 1 or not banned[low, high]:
                ex = points[high, 0] - points[low, 0]
                ey = points[high, 1] - points[low, 1]
                ez = points[high, 2] - points[low, 2]
                for middle in range(low + 1, high):
                    both = best[low, middle] + best[middle, high]
                    if both >= least:
                        continue
                    fx = points[middle, 0] - points[low, 0]
                    fy = points[middle, 1] - points[low, 1]
                    fz = points[middle, 2] - points[low, 2]
                    nx, ny, nz = ey * fz - ez * fy, ez * fx - ex * fz, ex * fy - ey * fx
                    area = 0.5 * math.sqrt(nx * nx + ny * ny + nz * nz)
                    gx, gy, gz = fx - ex, fy - ey, fz - ez
                    long = max(
                        ex * ex + ey * ey + ez * ez, fx * fx + fy * fy + fz * fz, gx * gx + gy * gy + gz * gz
                    )
                    if area < SLIVER * long:
                        area += SLIVER_COST * long
                    if both + area < least:
                        least = both + area
                        apex[low, high] = middle
            best[low, high] = least
    if not best[0, size - 1] < np.inf:
        return np.zeros((0, 3), dtype=np.int64)
    faces = np.empty((size - 2, 3), dtype=np.int64)
    stack = np.empty((size, 2), dtype=np.int64)
    stack[0, 0], stack[0, 1] = 0, size - 1
    deep, done = 1, 0
    while deep > 0:
        deep -= 1
        low, high = stack[deep, 0], stack[deep, 1]
        middle = apex[low, high]
        if high - low < 2:
            continue
        faces[done, 0], faces[done, 1], faces[done, 2] = low, middle, high
        done += 1
        stack[deep, 0], stack[deep, 1] = middle, high
        stack[deep + 1, 0], stack[deep + 1, 1] = low, middle
        deep += 2
    return faces


def refine_cap(points: Floats, faces: Ints, twins: Ints, wanted: Floats, *, most: int) -> tuple[Floats, Ints]:
    """Return a cap with inner points, so that its edges are about as long as wanted.

    Parameters
    ----------
    points
        (n, 3), the rim's points; they stay first and unmoved.
    faces
        (m, 3), the cap over them.
    twins
        (m, 3): the half-edge on the other side of every half-edge, -1 on the rim.
    wanted
        (n,), the length of edges wanted at every point, over 0.
    most
        Inner points are at most this many.

    Returns
    -------
    tuple
        Points (k, 3) and faces (m + 2 (k - n), 3). No edge joins two points of the rim that did not before.
    """
    rim, old = len(points), len(faces)
    room = np.empty((rim + most, 3))
    room[:rim] = points
    sizes = np.empty(rim + most)
    sizes[:rim] = wanted
    corners = np.empty((old + 2 * most, 3), dtype=np.int64)
    corners[:old] = faces
    across = np.empty((old + 2 * most, 3), dtype=np.int64)
    across[:old] = twins
    used, done = _refine(room, sizes, corners.reshape(-1), across.reshape(-1), rim, old)
    return room[:used], corners[:done]


@njit(cache=True, nogil=True)
def _refine(
    points: Floats, wanted: Floats, corners: Ints, across: Ints, rim: int, old: int
) -> tuple[int, int]:
    """Split what is too large and turn edges, by turns, until nothing is too large; return the counts."""
    used, done = rim, old
    _turn(points, corners, across, rim, done)
    for _ in range(_MOST_ROUNDS):
        before = used
        for face in range(done):
            if used == len(points):
                break
            if _too_large(points, wanted, corners, face, used):
                _split(corners, across, face, used, done)
                used += 1
                done += 2
        if used == before:
            break
        _turn(points, corners, across, rim, done)
    return used, done


@njit(cache=True, nogil=True)
def _too_large(points: Floats, wanted: Floats, corners: Ints, face: int, new: int) -> bool:
    """Return whether the middle of a face lies far from its corners; put it in as point `new`."""
    for axis in range(3):
        points[new, axis] = (
            points[corners[3 * face], axis]
            + points[corners[3 * face + 1], axis]
            + points[corners[3 * face + 2], axis]
        ) / 3.0
    wanted[new] = (
        wanted[corners[3 * face]] + wanted[corners[3 * face + 1]] + wanted[corners[3 * face + 2]]
    ) / 3.0
    for corner in range(3):
        at = corners[3 * face + corner]
        away = SPREAD * _distance(points, at, new)
        if away <= wanted[new] or away <= wanted[at]:
            return False
    return True


@njit(cache=True, nogil=True)
def _distance(points: Floats, a: int, b: int) -> float:
    """Return how far two points lie apart."""
    x, y, z = points[a, 0] - points[b, 0], points[a, 1] - points[b, 1], points[a, 2] - points[b, 2]
    return math.sqrt(x * x + y * y + z * z)


@njit(cache=True, nogil=True)
def _split(corners: Ints, across: Ints, face: int, new: int, done: int) -> None:
    """Make three faces of one, with the point `new` in its middle; the two others come at the end."""
    f, g, h = 3 * face, 3 * done, 3 * done + 3
    a, b, c = corners[f], corners[f + 1], corners[f + 2]
    beyond_b, beyond_c = across[f + 1], across[f + 2]
    corners[f + 2] = new
    corners[g], corners[g + 1], corners[g + 2] = b, c, new
    corners[h], corners[h + 1], corners[h + 2] = c, a, new
    _join(across, g, beyond_b)
    _join(across, h, beyond_c)
    _join(across, f + 1, g + 2)
    _join(across, f + 2, h + 1)
    _join(across, g + 1, h + 2)


@njit(cache=True, nogil=True)
def _join(across: Ints, half: int, other: int) -> None:
    """Note that two half-edges lie on one edge; `other` is -1 beyond the rim."""
    across[half] = other
    if other >= 0:
        across[other] = half


@njit(cache=True, nogil=True)
def _turn(points: Floats, corners: Ints, across: Ints, rim: int, done: int) -> None:
    """Turn inner edges whose two opposite angles add up to more than half a turn."""
    for _ in range(_MOST_TURNS):
        turned = 0
        for half in range(3 * done):
            other = across[half]
            if other > half and _wants_turn(points, corners, across, rim, half, other):
                _turn_edge(corners, across, half, other)
                turned += 1
        if turned == 0:
            break


@njit(cache=True, nogil=True)
def _next(half: int) -> int:
    """Return the half-edge after one, round its face."""
    return half - 2 if half % 3 == 2 else half + 1


@njit(cache=True, nogil=True)
def _before(half: int) -> int:
    """Return the half-edge before one, round its face."""
    return half + 2 if half % 3 == 0 else half - 1


@njit(cache=True, nogil=True)
def _wants_turn(points: Floats, corners: Ints, across: Ints, rim: int, half: int, other: int) -> bool:
    """Return whether turning an edge makes better triangles and is allowed."""
    a, b = corners[half], corners[_next(half)]
    c, d = corners[_before(half)], corners[_before(other)]
    if c == d or (c < rim and d < rim):
        return False  # the mesh round the hole may have that edge already
    if _cotangent(points, c, a, b) + _cotangent(points, d, a, b) >= -1e-9:
        return False
    old_c, old_d = _normal(points, a, b, c), _normal(points, b, a, d)
    new_a, new_b = _normal(points, c, a, d), _normal(points, c, d, b)
    up_a = up_b = 0.0
    for axis in range(3):
        up_a += new_a[axis] * (old_c[axis] + old_d[axis])
        up_b += new_b[axis] * (old_c[axis] + old_d[axis])
    if up_a <= 0.0 or up_b <= 0.0:
        return False  # it would fold the cap
    return not _linked(corners, across, _before(half) if c >= rim else _before(other), d if c >= rim else c)


@njit(cache=True, nogil=True)
def _linked(corners: Ints, across: Ints, start: int, to: int) -> bool:
    """Return whether an edge joins the inner point where the half-edge `start` begins to another point."""
    half = start
    for _ in range(len(across)):
        if corners[_next(half)] == to:
            return True
        half = across[_before(half)]
        if half in (start, -1):
            break
    return False


@njit(cache=True, nogil=True)
def _cotangent(points: Floats, tip: int, a: int, b: int) -> float:
    """Return the cotangent of the angle at `tip` between two others."""
    along = 0.0
    for axis in range(3):
        along += (points[a, axis] - points[tip, axis]) * (points[b, axis] - points[tip, axis])
    x, y, z = _normal(points, tip, a, b)
    return along / max(math.sqrt(x * x + y * y + z * z), 1e-300)


@njit(cache=True, nogil=True)
def _normal(points: Floats, a: int, b: int, c: int) -> tuple[float, float, float]:
    """Return the cross product of two sides of a triangle."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@njit(cache=True, nogil=True)
def _turn_edge(corners: Ints, across: Ints, half: int, other: int) -> None:
    """Turn the edge between the faces abc and bad: they become cad and cdb."""
    f, g = half - half % 3, other - other % 3
    a, b = corners[half], corners[_next(half)]
    c, d = corners[_before(half)], corners[_before(other)]
    beyond_ca, beyond_bc = across[_before(half)], across[_next(half)]
    beyond_ad, beyond_db = across[_next(other)], across[_before(other)]
    corners[f], corners[f + 1], corners[f + 2] = c, a, d
    corners[g], corners[g + 1], corners[g + 2] = c, d, b
    _join(across, f, beyond_ca)
    _join(across, f + 1, beyond_ad)
    _join(across, f + 2, g)
    _join(across, g + 1, beyond_db)
    _join(across, g + 2, beyond_bc)
