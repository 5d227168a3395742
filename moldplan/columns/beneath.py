"""How far points lie from a height map, and how far down a slope each corner of a mesh lies from its top.

Goal
    The exact distance of many points to the triangles of a height map (each square between four middles split
    along its low-left, up-right diagonal), however thick the body between them.

Steps
    1. Every square has the lowest and highest of its corners; squares of 2, 4, 8 ... have those of their
       four. A square with all corners at nothing is no surface and is left out.
    2. For a point, the last point's nearest square, moved as the point moved, is the first guess. Then the
       squares that the ball of that guess meets, from the size of the ball inward, the nearer quarter first;
       a square whose box is farther than the best so far is let go of.

Cost: 2 to 3 us for a point a few cells away that follows its neighbour.

The distance of a point to a triangle is exact to rounding. It is written out here once more: compiled kernels
do not notice when one in another file changes.
"""

import math
from typing import Final

import numpy as np
from numba import njit

from moldplan.columns.grid import Floats, Grid, Ints

#: Most squares in waiting: three more for each halving, and no height map has 2^40 cells.
MOST_WAITING: Final = 128


@njit(cache=True, nogil=True)
def _to_side2(
    px: float, py: float, pz: float, ax: float, ay: float, az: float, bx: float, by: float, bz: float
) -> float:
    """Return the squared distance of a point to the line from a to b."""
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = px - ax, py - ay, pz - az
    length2 = ux * ux + uy * uy + uz * uz
    share = min(max((ux * vx + uy * vy + uz * vz) / length2, 0.0), 1.0)
    dx, dy, dz = vx - share * ux, vy - share * uy, vz - share * uz
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, nogil=True)
def _to_half_square2(
    px: float,
    py: float,
    pz: float,
    size: float,
    low: float,
    corner: float,
    far: float,
    side: int,
    most: float,
) -> float:
    """Return the squared distance of a point to half of a square with one corner at the origin of x and y.

    `low` and `far` are the heights at the ends of the diagonal, `corner` the one at the right (x, `side` 0)
    or up (y, `side` 1). Content with `most` where the plane alone is as far as that.
    """
    if side == 0:
        gx, gy, cx, cy = (corner - low) / size, (far - corner) / size, size, 0.0
    else:
        gx, gy, cx, cy = (far - corner) / size, (corner - low) / size, 0.0, size
    above, steep2 = low + gx * px + gy * py - pz, 1.0 + gx * gx + gy * gy
    if above * above >= most * steep2:
        return most
    # where the perpendicular meets the plane, seen from above
    fx, fy = px - gx * above / steep2, py - gy * above / steep2
    inside = 0.0 <= fy <= fx <= size if side == 0 else 0.0 <= fx <= fy <= size
    if inside:
        return float(above * above / steep2)
    best = _to_side2(px, py, pz, 0.0, 0.0, low, cx, cy, corner)
    best = min(best, _to_side2(px, py, pz, cx, cy, corner, size, size, far))
    return float(min(best, _to_side2(px, py, pz, 0.0, 0.0, low, size, size, far)))


@njit(cache=True, nogil=True)
def _to_square2(
    px: float, py: float, pz: float, heights: Floats, j: int, i: int, size: float, most: float
) -> float:
    """Return the squared distance of a point to square (j, i), no more than `most`.

    x and y are counted from the square's low corner.
    """
    low, right = heights[j, i], heights[j, i + 1]
    up, far = heights[j + 1, i], heights[j + 1, i + 1]
    first = min(_to_half_square2(px, py, pz, size, low, right, far, 0, most), most)
    return float(min(first, _to_half_square2(px, py, pz, size, low, up, far, 1, first)))


@njit(cache=True, nogil=True)
def distances_beneath(
    points: Floats, heights: Floats, x0: float, y0: float, size: float, out: Floats
) -> None:
    """Write into `out` (n,) the distance of each point (n, 3) to the squares of `heights` (ny, nx).

    The corner (0, 0) lies at (`x0`, `y0`), corners are `size` apart. Infinite when there is no surface.
    """
    ny, nx = heights.shape[0] - 1, heights.shape[1] - 1
    levels = 1
    while (1 << (levels - 1)) < max(nx, ny):
        levels += 1
    wide, tall, begin = np.zeros(levels, np.int64), np.zeros(levels, np.int64), np.zeros(levels + 1, np.int64)
    for level in range(levels):
        wide[level] = (nx + (1 << level) - 1) >> level
        tall[level] = (ny + (1 << level) - 1) >> level
        begin[level + 1] = begin[level] + wide[level] * tall[level]
    floor, roof = np.full(begin[levels], math.inf), np.full(begin[levels], -math.inf)
    for j in range(ny):
        for i in range(nx):
            a, b, c, d = heights[j, i], heights[j, i + 1], heights[j + 1, i], heights[j + 1, i + 1]
            if a > 0.0 or b > 0.0 or c > 0.0 or d > 0.0:
                floor[j * nx + i], roof[j * nx + i] = min(a, b, c, d), max(a, b, c, d)
    for level in range(1, levels):
        for j in range(tall[level - 1]):
            for i in range(wide[level - 1]):
                n = begin[level - 1] + j * wide[level - 1] + i
                over = begin[level] + (j >> 1) * wide[level] + (i >> 1)
                floor[over] = min(floor[over], floor[n])
                roof[over] = max(roof[over], roof[n])
    # squares in waiting: level, row, column; single numbers, because rows of an array are slow to copy
    at_level, at_j = np.empty(MOST_WAITING, np.int64), np.empty(MOST_WAITING, np.int64)
    at_i = np.empty(MOST_WAITING, np.int64)
    off2 = np.empty(MOST_WAITING)
    near_j, near_i = -1, -1
    last_x, last_y = 0.0, 0.0
    for p in range(points.shape[0]):
        px, py, pz = points[p, 0] - x0, points[p, 1] - y0, points[p, 2]
        best = math.inf
        if near_j >= 0:
            # a neighbour's nearest square, moved on with the point
            j = min(max(near_j + round((py - last_y) / size), 0), ny - 1)
            i = min(max(near_i + round((px - last_x) / size), 0), nx - 1)
            if floor[j * nx + i] <= roof[j * nx + i]:
                near_j, near_i = j, i
            best = _to_square2(
                px - near_i * size, py - near_j * size, pz, heights, near_j, near_i, size, best
            )
        # only what the ball of the first guess meets: at most four squares as wide as the ball
        level, reach = levels - 1, math.sqrt(best)
        if best < math.inf:
            level = 0
            while level < levels - 1 and (1 << level) * size < 2.0 * reach:
                level += 1
        i0, i1, j0, j1 = 0, wide[level] - 1, 0, tall[level] - 1
        if best < math.inf:
            span = (1 << level) * size
            i0, i1 = max(math.floor((px - reach) / span), 0), min(math.floor((px + reach) / span), i1)
            j0, j1 = max(math.floor((py - reach) / span), 0), min(math.floor((py + reach) / span), j1)
        count = 0
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                n = begin[level] + j * wide[level] + i
                if floor[n] <= roof[n]:
                    at_level[count], at_j[count], at_i[count] = level, j, i
                    off2[count] = 0.0
                    count += 1
        while count > 0:
            count -= 1
            if off2[count] >= best:
                continue
            level, j, i = at_level[count], at_j[count], at_i[count]
            if level == 0:
                found = _to_square2(px - i * size, py - j * size, pz, heights, j, i, size, best)
                if found < best:
                    best, near_j, near_i = found, j, i
                continue
            first, span = count, (1 << (level - 1)) * size
            for part in range(4):
                row, col = 2 * j + part // 2, 2 * i + part % 2
                if row >= tall[level - 1] or col >= wide[level - 1]:
                    continue
                n = begin[level - 1] + row * wide[level - 1] + col
                if floor[n] > roof[n]:
                    continue
                dx = max(col * span - px, 0.0, px - (col + 1) * span)
                dy = max(row * span - py, 0.0, py - (row + 1) * span)
                dz = max(floor[n] - pz, 0.0, pz - roof[n])
                off = dx * dx + dy * dy + dz * dz
                if off >= best:
                    continue
                # the nearest goes last and comes out first
                place = count
                while place > first and off2[place - 1] < off:
                    off2[place] = off2[place - 1]
                    at_j[place], at_i[place] = at_j[place - 1], at_i[place - 1]
                    place -= 1
                off2[place] = off
                at_j[place], at_i[place] = row, col
                at_level[count] = level - 1
                count += 1
        last_x, last_y = px, py
        out[p] = math.sqrt(best)


@njit(cache=True, nogil=True)
def lengths_below_tops(vertices: Floats, faces: Ints, sines: Floats, order: Ints, out: Floats) -> None:
    """Write into `out` (n,) how far down the slope each corner lies from the tops above it.

    `sines` (m,) are the sines of the faces' slopes from level; `order` (n,) the corners, highest first.
    A corner takes the mean over its sides that lead up, by their steepness, of the length at their upper end
    and the rise of the side over the slope's sine: what the rise takes straight down the slope. With none
    that leads up it is a top: 0.
    """
    count = vertices.shape[0]
    start = np.zeros(count + 1, np.int64)
    for f in range(faces.shape[0]):
        for k in range(3):
            start[faces[f, k] + 1] += 1
    for v in range(count):
        start[v + 1] += start[v]
    cursor = start[:-1].copy()
    item = np.empty(3 * faces.shape[0], np.int64)
    for f in range(faces.shape[0]):
        for k in range(3):
            item[cursor[faces[f, k]]] = f
            cursor[faces[f, k]] += 1
    for n in range(count):
        v = order[n]
        weight, total = 0.0, 0.0
        for place in range(start[v], start[v + 1]):
            f = item[place]
            for k in range(3):
                u = faces[f, k]
                rise = vertices[u, 2] - vertices[v, 2]
                if rise <= 0.0:
                    continue
                dx, dy = vertices[u, 0] - vertices[v, 0], vertices[u, 1] - vertices[v, 1]
                length = math.sqrt(dx * dx + dy * dy + rise * rise)
                # a side is never steeper than its face, but for rounding
                sine = max(sines[f], rise / length)
                weight += rise / length
                total += rise / length * (out[u] + rise / sine)
        out[v] = total / weight if weight > 0.0 else 0.0


def distances_to_face_mm(points: Floats, heights_mm: Floats, grid: Grid) -> Floats:
    """Return how far points (n, 3), mm, lie from the face with these heights at the middles of the cells.

    `heights_mm` (ny, nx) on `grid`, at least 2 x 2; where all four corners of a square are 0 there is no
    face. Exact to rounding; infinite when there is no face at all.
    """
    out = np.empty(len(points))
    x0, y0 = grid.x0_mm + 0.5 * grid.cell_mm, grid.y0_mm + 0.5 * grid.cell_mm
    distances_beneath(
        np.ascontiguousarray(points, dtype=np.float64), np.ascontiguousarray(heights_mm, dtype=np.float64),
        x0, y0, grid.cell_mm, out,
    )  # fmt: skip
    return out


def below_tops_mm(vertices: Floats, faces: Ints, sines: Floats) -> Floats:
    """Return, for each corner (n, 3), the length of slope between it and the tops above it, mm.

    `faces` (m, 3) with the sines of their slopes from level `sines` (m,). Exact where slopes are plane and
    tops level; a small top on the way down starts anew, as a film does there.
    """
    out = np.zeros(len(vertices))
    order = np.argsort(-vertices[:, 2], kind="stable")
    lengths_below_tops(
        np.ascontiguousarray(vertices), np.ascontiguousarray(faces), np.ascontiguousarray(sines), order, out
    )
    return out
