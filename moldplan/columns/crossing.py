"""Triangles of a mesh that cut through each other.

Goal
    The triangles that go through other triangles of the same mesh, or lie on them with part of their area.
    Touching, and sharing a side or a corner as neighbours do, is no crossing.

Steps
    1. Triangles are put along a curve that keeps near ones near (Morton 1966), `LEAF` of them make a leaf,
       and a balanced tree of boxes is built over the leaves.
    2. Each leaf is taken down the tree against itself and all later leaves whose boxes meet its own.
    3. Two triangles whose boxes meet are tested as Moller (A fast triangle-triangle intersection test,
       J. Graphics Tools 2 (2), 1997) does: each must have corners strictly on both sides of the other's
       plane, and the two pieces of the line both planes share must overlap. Triangles in one plane are
       parted by one of their six sides, or they overlap.

Error budget
    A corner no farther from a plane than `slack` lies in it, so that crossings less deep than that are
    touches. Where a thin triangle's plane is less certain than that, because a corner is only known to
    rounding, `slack` grows by the triangle's reach over its height. Triangles less high than `slack` have no
    plane and are left out; their neighbours hold the same sides.

Cost
    About log n boxes for each leaf. Fans of many thousand triangles round one point meet each other all:
    after `pairs_most` pairs of boxes the rest is left out.
"""

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Ints

#: Triangles in one leaf.
LEAF: Final = 4
#: Rounding of a float64 number, with room for the few sums that make a distance.
ROUNDING: Final = 1e-15
#: Waiting nodes at most: one for each level of the tree, and as many brothers.
DEEPEST: Final = 128

Flags = NDArray[np.uint8]


@njit(cache=True, nogil=True)
def triangle_boxes(points: Floats, faces: Ints, boxes: Floats) -> None:
    """Fill `boxes` (m, 6) with the low and high corner of every triangle."""
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        for k in range(3):
            boxes[f, k] = min(points[a, k], points[b, k], points[c, k])
            boxes[f, 3 + k] = max(points[a, k], points[b, k], points[c, k])


@njit(cache=True, nogil=True)
def tree_boxes(boxes: Floats, leaves: int, nodes: Floats) -> None:
    """Fill `nodes` (2 * leaves, 6) from the triangles' boxes; node n has the sons 2 n and 2 n + 1.

    `leaves` is a power of two. Leaf l is node ``leaves + l``; nodes without triangles stay inside out.
    """
    for f in range(boxes.shape[0]):
        node = leaves + f // LEAF
        for k in range(3):
            nodes[node, k] = min(nodes[node, k], boxes[f, k])
            nodes[node, 3 + k] = max(nodes[node, 3 + k], boxes[f, 3 + k])
    for node in range(leaves - 1, 0, -1):
        for k in range(3):
            nodes[node, k] = min(nodes[2 * node, k], nodes[2 * node + 1, k])
            nodes[node, 3 + k] = max(nodes[2 * node, 3 + k], nodes[2 * node + 1, 3 + k])


@njit(cache=True, nogil=True)
def _meet(one: Floats, two: Floats) -> bool:
    """Return whether two boxes (6,) meet."""
    return bool(
        one[0] <= two[3] and two[0] <= one[3]
        and one[1] <= two[4] and two[1] <= one[4]
        and one[2] <= two[5] and two[2] <= one[5]
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _same(a: Floats, b: Floats) -> bool:
    """Return whether two points are one."""
    return bool(a[0] == b[0] and a[1] == b[1] and a[2] == b[2])


@njit(cache=True, nogil=True)
def _plane(t: Floats, normal: Floats) -> tuple[float, float]:
    """Put the unit normal of a triangle into `normal`; return its longest side and the height over that."""
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    wx, wy, wz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    vx, vy, vz = wx - ux, wy - uy, wz - uz
    long2 = max(ux * ux + uy * uy + uz * uz, wx * wx + wy * wy + wz * wz, vx * vx + vy * vy + vz * vz)
    nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    area2 = math.sqrt(nx * nx + ny * ny + nz * nz)
    longest = math.sqrt(long2)
    if not area2 > 0.0 or not longest > 0.0:
        return longest, 0.0
    normal[0], normal[1], normal[2] = nx / area2, ny / area2, nz / area2
    return longest, area2 / longest


@njit(cache=True, nogil=True)
def _sides(t: Floats, normal: Floats, u: Floats, slack: float, away: Floats) -> int:
    """Put how far the corners of `u` lie over the plane of `t` into `away`, near ones as 0.

    Return 0 when all lie in it, 1 when all lie on one side or in it, 2 when they lie on both.
    """
    over, under = False, False
    for i in range(3):
        away[i] = 0.0
        if not (_same(u[i], t[0]) or _same(u[i], t[1]) or _same(u[i], t[2])):
            d = 0.0
            for k in range(3):
                d += normal[k] * (u[i, k] - t[0, k])
            if abs(d) > slack:
                away[i] = d
                over |= d > 0.0
                under |= d < 0.0
    return int(over) + int(under)


@njit(cache=True, nogil=True)
def _span(t: Floats) -> float:
    """Return the sum of the sides of a triangle's box: no side of it is longer."""
    span = 0.0
    for k in range(3):
        span += max(t[0, k], t[1, k], t[2, k]) - min(t[0, k], t[1, k], t[2, k])
    return span


@njit(cache=True, nogil=True)
def _piece(t: Floats, away: Floats, line: Floats, origin: Floats) -> tuple[float, float]:
    """Return where the triangle's piece of the line the two planes share begins and ends."""
    low, high = math.inf, -math.inf
    for i in range(3):
        j = (i + 1) % 3
        here, there = 0.0, 0.0
        for k in range(3):
            here += line[k] * (t[i, k] - origin[k])
            there += line[k] * (t[j, k] - origin[k])
        if away[i] == 0.0:
            low, high = min(low, here), max(high, here)
        elif away[i] * away[j] < 0.0:
            at = here + (there - here) * (away[i] / (away[i] - away[j]))
            low, high = min(low, at), max(high, at)
    return low, high


@njit(cache=True, nogil=True)
def _parted(t: Floats, u: Floats, normal: Floats, slack: float) -> bool:
    """Return whether a side of `t` has all of `t` on one hand and all of `u` on the other.

    Both lie in the plane of `normal`. A side shorter than `slack` has no direction and parts nothing.
    """
    for i in range(3):
        j, other = (i + 1) % 3, (i + 2) % 3
        ex, ey, ez = t[j, 0] - t[i, 0], t[j, 1] - t[i, 1], t[j, 2] - t[i, 2]
        ox, oy, oz = (
            normal[1] * ez - normal[2] * ey,
            normal[2] * ex - normal[0] * ez,
            normal[0] * ey - normal[1] * ex,
        )
        length = math.sqrt(ox * ox + oy * oy + oz * oz)
        if length <= slack:
            continue
        own = ox * (t[other, 0] - t[i, 0]) + oy * (t[other, 1] - t[i, 1]) + oz * (t[other, 2] - t[i, 2])
        sign = 1.0 if own > 0.0 else -1.0
        deepest = -math.inf
        for c in range(3):
            d = ox * (u[c, 0] - t[i, 0]) + oy * (u[c, 1] - t[i, 1]) + oz * (u[c, 2] - t[i, 2])
            deepest = max(deepest, sign * d)
        if deepest <= slack * length:
            return True
    return False


@njit(cache=True, nogil=True)
def _cross(  # noqa: PLR0911 - each reason why not ends it at once
    t: Floats, u: Floats, slack: float, size: float, n: Floats, m: Floats, away: Floats, back: Floats
) -> bool:
    """Return whether the triangles `t` and `u` (3, 3) cut through each other or overlap in one plane.

    `n`, `m`, `away`, `back` (3,) are room to work in; `size` is how large coordinates are.
    """
    shared = 0
    for i in range(3):
        for j in range(3):
            shared += _same(t[i], u[j])
    long_t, high_t = _plane(t, n)
    if high_t <= slack:
        return False
    reach = ROUNDING * size * (long_t + _span(u))
    slack_t = max(slack, reach / high_t)
    sides_u = _sides(t, n, u, slack_t, away)
    if sides_u == 1 and shared < 3:
        return False
    high_u = _plane(u, m)[1]
    if high_u <= slack:
        return False
    slack_u = max(slack, reach / high_u)
    if sides_u == 0 or shared >= 3:
        return shared >= 3 or not (_parted(t, u, n, slack_t) or _parted(u, t, n, slack_t))
    sides_t = _sides(u, m, t, slack_u, back)
    if sides_t == 0:
        return not (_parted(t, u, m, slack_u) or _parted(u, t, m, slack_u))
    if sides_t == 1:
        return False
    lx, ly, lz = n[1] * m[2] - n[2] * m[1], n[2] * m[0] - n[0] * m[2], n[0] * m[1] - n[1] * m[0]
    sine = math.sqrt(lx * lx + ly * ly + lz * lz)
    if not sine > 0.0:
        return False
    n[0], n[1], n[2] = lx / sine, ly / sine, lz / sine
    low_t, end_t = _piece(t, back, n, t[0])
    low_u, end_u = _piece(u, away, n, t[0])
    return bool(min(end_t, end_u) - max(low_t, low_u) > max(slack_t, slack_u) / sine)


@njit(cache=True, nogil=True)
def mark_crossings(
    points: Floats,
    faces: Ints,
    boxes: Floats,
    nodes: Floats,
    slack: float,
    most: int,
    pairs_most: int,
    crossed: Flags,
) -> int:
    """Mark in `crossed` (m,) the triangles that cut through others, until `most` are found; return how many.

    `faces` and `boxes` along the curve, `nodes` of `tree_boxes`; `slack` as of the module.
    """
    leaves = nodes.shape[0] // 2
    used = (faces.shape[0] + LEAF - 1) // LEAF
    size = 0.0
    for k in range(6):
        size = max(size, abs(nodes[1, k]))
    t, u = np.empty((3, 3)), np.empty((3, 3))
    n, m, away, back = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    waiting = np.empty(DEEPEST, dtype=np.int64)
    spans = np.empty(DEEPEST, dtype=np.int64)
    found, pairs = 0, 0
    for leaf in range(used):
        waiting[0], spans[0] = 1, leaves
        top = 1
        while top > 0:
            top -= 1
            node, span = waiting[top], spans[top]
            last = (node + 1) * span - 1 - leaves
            if last < leaf or not _meet(nodes[leaves + leaf], nodes[node]):
                continue
            if span > 1:
                waiting[top], spans[top] = 2 * node + 1, span // 2
                waiting[top + 1], spans[top + 1] = 2 * node, span // 2
                top += 2
                continue
            for f in range(LEAF * leaf, min(LEAF * (leaf + 1), faces.shape[0])):
                if not _meet(boxes[f], nodes[node]):
                    continue
                for g in range(max(f + 1, LEAF * last), min(LEAF * (last + 1), faces.shape[0])):
                    pairs += 1
                    if (crossed[f] and crossed[g]) or not _meet(boxes[f], boxes[g]):
                        continue
                    for i in range(3):
                        for k in range(3):
                            t[i, k], u[i, k] = points[faces[f, i], k], points[faces[g, i], k]
                    if _cross(t, u, slack, size, n, m, away, back):
                        found += 2 - crossed[f] - crossed[g]
                        crossed[f], crossed[g] = 1, 1
            if found >= most or pairs >= pairs_most:
                return found
    return found
