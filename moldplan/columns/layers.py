"""Every surface of a closed mesh over the middles of the cells, and the gaps between them.

Points are snapped to 1/256 of a cell and hit tests are integer edge functions with a fill rule that gives a
shared edge to exactly one of its two sides: a closed mesh then gives every column an even count, up and
down in balance, with no hit lost or doubled along edges. The height of a hit is that of the snapped
triangle: off by up to 1/256 cell times the slope.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints

SNAP = 256

Signs = NDArray[np.int8]


@dataclass(frozen=True, kw_only=True)
class Layers:
    """Every surface of every column.

    Hits of column k (``iy * nx + ix``) are ``start[k]:start[k + 1]``, lowest first: height `z_mm` and
    `sign`, +1 facing up (solid below), -1 facing down (solid above).
    """

    start: Ints
    z_mm: Floats
    sign: Signs


@dataclass(frozen=True, kw_only=True)
class ColumnGaps:
    """Air below the highest surface.

    Gaps of column k are ``start[k]:start[k + 1]``, highest first, each from `low_mm` to `high_mm`.
    `top_mm` (ny, nx) is the highest surface, 0 where there is none.
    """

    start: Ints
    low_mm: Floats
    high_mm: Floats
    top_mm: Floats


def column_layers(vertices: Floats, faces: Ints, grid: Grid) -> Layers:
    """Return all surfaces over the middle of every cell.

    Parameters
    ----------
    vertices
        Points (n, 3) in mm.
    faces
        Corners (m, 3) of the triangles of a closed mesh, wound outwards.
    grid
        The columns; what lies outside it is left out.

    Returns
    -------
    Layers
        Sorted by height within each column; at equal heights what faces down comes first, so that bodies
        that touch count as one.
    """
    points, heights = _snapped(vertices, grid)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    start = np.zeros(grid.nx * grid.ny + 1, dtype=np.int64)
    none = np.zeros(0)
    _scan(points, heights, corners, grid.nx, grid.ny, start[1:], none, none.astype(np.int8))
    np.cumsum(start, out=start)
    z_mm = np.empty(start[-1])
    sign = np.empty(start[-1], dtype=np.int8)
    _scan(points, heights, corners, grid.nx, grid.ny, start[:-1].copy(), z_mm, sign)
    _sort_columns(start, z_mm, sign)
    return Layers(start=start, z_mm=z_mm, sign=sign)


def column_gaps(layers: Layers, grid: Grid, *, least_mm: float) -> ColumnGaps:
    """Return the gaps of a half on its board (z = 0) that are at least `least_mm` high.

    The solid is where more surfaces facing up than facing down lie above: a pair of hits swapped by
    snapping, or two bodies that overlap, then make no false gap.
    """
    start = np.zeros(len(layers.start), dtype=np.int64)
    top = np.zeros(grid.shape)
    none = np.zeros(0)
    flat = top.reshape(-1)
    _find_gaps(layers.start, layers.z_mm, layers.sign, least_mm, start[1:], none, none, flat)
    np.cumsum(start, out=start)
    low, high = np.empty(start[-1]), np.empty(start[-1])
    _find_gaps(layers.start, layers.z_mm, layers.sign, least_mm, start[:-1].copy(), low, high, flat)
    return ColumnGaps(start=start, low_mm=low, high_mm=high, top_mm=top)


def _snapped(vertices: Floats, grid: Grid) -> tuple[Ints, Floats]:
    """Return x, y in whole 1/256 cells of the grid, and z."""
    corner = np.array([grid.x0_mm, grid.y0_mm])
    points = np.rint((vertices[:, :2] - corner) * (SNAP / grid.cell_mm)).astype(np.int64)
    return points, np.ascontiguousarray(vertices[:, 2], dtype=np.float64)


@njit(cache=True, nogil=True)
def _edge(ax: int, ay: int, bx: int, by: int, px: int, py: int) -> int:
    """Return twice the signed area of a, b, p."""
    return (bx - ax) * (py - ay) - (by - ay) * (px - ax)


@njit(cache=True, nogil=True)
def _owns(ax: int, ay: int, bx: int, by: int) -> int:
    """Tell whether a counter-clockwise triangle owns its edge a-b: 0, else -1 to shut points on it out."""
    return 0 if by < ay or (by == ay and bx > ax) else -1


@njit(cache=True, nogil=True)
def _first_middle(low: int) -> int:
    """Return the first cell whose middle is at or after a snapped coordinate."""
    return -((SNAP // 2 - low) // SNAP)


@njit(cache=True, nogil=True)
def _scan(
    points: Ints, heights: Floats, faces: Ints, nx: int, ny: int, cursor: Ints, z: Floats, sign: Signs
) -> None:
    """Count (empty `z`) or store every hit; `cursor` moves on by one for each."""
    for face in range(len(faces)):
        a, b, c = faces[face, 0], faces[face, 1], faces[face, 2]
        ax, ay = points[a, 0], points[a, 1]
        bx, by = points[b, 0], points[b, 1]
        cx, cy = points[c, 0], points[c, 1]
        area = _edge(ax, ay, bx, by, cx, cy)
        if area == 0:
            continue
        facing = 1
        if area < 0:
            facing = -1
            area = -area
            b, c = c, b
            bx, by, cx, cy = cx, cy, bx, by
        own_a, own_b, own_c = _owns(bx, by, cx, cy), _owns(cx, cy, ax, ay), _owns(ax, ay, bx, by)
        first_row = max(_first_middle(min(ay, by, cy)), 0)
        last_row = min((max(ay, by, cy) - SNAP // 2) // SNAP, ny - 1)
        first = max(_first_middle(min(ax, bx, cx)), 0)
        last = min((max(ax, bx, cx) - SNAP // 2) // SNAP, nx - 1)
        for row in range(first_row, last_row + 1):
            py = row * SNAP + SNAP // 2
            for column in range(first, last + 1):
                px = column * SNAP + SNAP // 2
                in_a = _edge(bx, by, cx, cy, px, py)
                in_b = _edge(cx, cy, ax, ay, px, py)
                in_c = area - in_a - in_b
                if in_a + own_a < 0 or in_b + own_b < 0 or in_c + own_c < 0:
                    continue
                cell = row * nx + column
                if len(z) > 0:
                    place = cursor[cell]
                    z[place] = (in_a * heights[a] + in_b * heights[b] + in_c * heights[c]) / area
                    sign[place] = facing
                cursor[cell] += 1


@njit(cache=True, nogil=True)
def _sort_columns(start: Ints, z: Floats, sign: Signs) -> None:
    """Sort each column by height, facing down before facing up at equal heights (insertion sort)."""
    for cell in range(len(start) - 1):
        for i in range(start[cell] + 1, start[cell + 1]):
            height, facing = z[i], sign[i]
            k = i - 1
            while k >= start[cell] and (z[k] > height or (z[k] == height and sign[k] > facing)):
                z[k + 1] = z[k]
                sign[k + 1] = sign[k]
                k -= 1
            z[k + 1] = height
            sign[k + 1] = facing


@njit(cache=True, nogil=True)
def _find_gaps(
    start: Ints, z: Floats, sign: Signs, least: float, cursor: Ints, low: Floats, high: Floats, top: Floats
) -> None:
    """Count (empty `low`) or store the gaps of every column from the top down; note the top."""
    for cell in range(len(start) - 1):
        depth = 0
        ceiling = -1.0
        for i in range(start[cell + 1] - 1, start[cell] - 1, -1):
            before = depth
            depth += sign[i]
            if before <= 0 < depth:
                if ceiling < 0.0:
                    top[cell] = z[i]
                elif ceiling - z[i] >= least:
                    if len(low) > 0:
                        low[cursor[cell]] = z[i]
                        high[cursor[cell]] = ceiling
                    cursor[cell] += 1
            elif depth <= 0 < before:
                ceiling = z[i]
        if ceiling >= least and depth <= 0:
            if len(low) > 0:
                low[cursor[cell]] = 0.0
                high[cursor[cell]] = ceiling
            cursor[cell] += 1
