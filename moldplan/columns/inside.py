"""The hollow that a half leaves in its mould: cubes, each with its distance to the wall and its foot there.

Goal
    How much room there is at every place in the emptied half-mould, and over its mouth, and which point of
    the wall is the nearest (its foot). The same grid tells how thick the half is and how wide its gaps are.

Steps
    1. Every triangle off the board hands its exact nearest point to the cubes whose middles are less than a
       cell away (`splat_feet`).
    2. From cube to cube feet are handed on, forwards and backwards through the grid (`spread_feet`), as far
       as the band.
    3. Inside or outside: surfaces above a middle, counted with their sign (`moldplan.columns.distance`).
    4. Below the board (over the mouth, once the mould is turned up) all is open; what limits a ball there is
       the wall, and over the rubber's edge the board's plane.

Error budget
    Distances under a cell h are exact. Farther away the foot is one of those of the cubes at the wall, one
    of which is no farther from the true foot than 0.7 h: too large by about h^2/(4 d) at most, and never too
    small [derived, first principles]. Handing on may miss the nearest foot where many meet. Both together,
    over balls and blocks: up to 0.15 h, 0.02 h on average.

Tried and dropped
    A binary distance transform of the cubes: half a cell off, which is the whole roller in a narrow place.
    Exact distances from every triangle: 50 cubes deep, ten times the time.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.distance import count_surfaces
from moldplan.columns.grid import Floats, Ints, grid_over
from moldplan.columns.triangle import nearest_weights

Floats32 = NDArray[np.float32]
Items = NDArray[np.int32]

#: Most cubes held at a time; each takes 9 bytes.
MOST_CUBES = 2_000_000
#: Times feet are handed on through the whole grid; a third changes one cube in ten thousand, by a hair.
ROUNDS = 2


@dataclass(frozen=True, kw_only=True)
class Inside:
    """Room in the hollow of a half; arrays are indexed [iy, ix, iz].

    `room_mm` (ny, nx, nz): distance from the middle of a cube to the wall, positive in the half and over its
    mouth, negative in the rubber; `band_mm` where it is farther away than that. `foot` (ny, nx, nz): the
    nearest point of the wall as a row of `feet_mm` (n, 3), -1 beyond the band. The middle of cube (0, 0, 0)
    lies at `origin_mm` + half a cell; the first `open_layers` layers are below the board.
    """

    origin_mm: Floats
    cell_mm: float
    band_mm: float
    open_layers: int
    room_mm: Floats32
    foot: Items
    feet_mm: Floats

    def middles_mm(self, cubes: Ints) -> Floats:
        """Return the middles (n, 3) of cubes given by their places (n,) in the flat grid."""
        row, col, layer = np.unravel_index(cubes, self.room_mm.shape)
        return np.asarray(self.origin_mm + (np.stack([col, row, layer], axis=1) + 0.5) * self.cell_mm)

    def cubes_at(self, points_mm: Floats) -> Ints:
        """Return the place in the flat grid of the cube round each point (n, 3); the nearest one outside."""
        ny, nx, nz = self.room_mm.shape
        at = np.floor((points_mm - self.origin_mm) / self.cell_mm).astype(np.int64)
        col, row, layer = np.clip(at, 0, np.array([nx, ny, nz]) - 1).T
        return np.asarray((row * nx + col) * nz + layer)


@njit(cache=True, nogil=True)
def nearest_point(
    px: float, py: float, pz: float, a: Floats, b: Floats, c: Floats
) -> tuple[float, float, float]:
    """Return the point of a triangle nearest to a place."""
    v, w = nearest_weights(px, py, pz, a, b, c)
    return (
        a[0] + v * (b[0] - a[0]) + w * (c[0] - a[0]),
        a[1] + v * (b[1] - a[1]) + w * (c[1] - a[1]),
        a[2] + v * (b[2] - a[2]) + w * (c[2] - a[2]),
    )


@njit(cache=True, nogil=True)
def splat_feet(
    vertices: Floats, faces: Ints, origin: Floats, cell: float, square: Floats32, foot: Items
) -> None:
    """Lower `square` (mm2) and set `foot` to the triangle, where a triangle is less than a cell away."""
    ny, nx, nz = square.shape
    x0, y0, z0 = origin[0], origin[1], origin[2]
    for f in range(faces.shape[0]):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        i0 = max(math.ceil((min(a[0], b[0], c[0]) - cell - x0) / cell - 0.5), 0)
        i1 = min(math.floor((max(a[0], b[0], c[0]) + cell - x0) / cell - 0.5), nx - 1)
        j0 = max(math.ceil((min(a[1], b[1], c[1]) - cell - y0) / cell - 0.5), 0)
        j1 = min(math.floor((max(a[1], b[1], c[1]) + cell - y0) / cell - 0.5), ny - 1)
        k0 = max(math.ceil((min(a[2], b[2], c[2]) - cell - z0) / cell - 0.5), 0)
        k1 = min(math.floor((max(a[2], b[2], c[2]) + cell - z0) / cell - 0.5), nz - 1)
        ux = (b[1] - a[1]) * (c[2] - a[2]) - (b[2] - a[2]) * (c[1] - a[1])
        uy = (b[2] - a[2]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[2] - a[2])
        uz = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        # cubes farther than a cell from the triangle's plane need no closer look
        limit = cell * math.sqrt(ux * ux + uy * uy + uz * uz) * (1.0 + 1e-9)
        for j in range(j0, j1 + 1):
            py = y0 + (j + 0.5) * cell
            for i in range(i0, i1 + 1):
                px = x0 + (i + 0.5) * cell
                for k in range(k0, k1 + 1):
                    pz = z0 + (k + 0.5) * cell
                    if abs(ux * (px - a[0]) + uy * (py - a[1]) + uz * (pz - a[2])) > limit:
                        continue
                    qx, qy, qz = nearest_point(px, py, pz, a, b, c)
                    d2 = (px - qx) ** 2 + (py - qy) ** 2 + (pz - qz) ** 2
                    if d2 < cell * cell and d2 < square[j, i, k]:
                        square[j, i, k] = d2
                        foot[j, i, k] = f


@njit(cache=True, nogil=True)
def gather_feet(vertices: Floats, faces: Ints, origin: Floats, cell: float, foot: Items, feet: Floats) -> int:
    """Turn triangles in `foot` into rows of `feet` (n, 3), in order; only count them when `feet` is empty."""
    ny, nx, nz = foot.shape
    count = 0
    for j in range(ny):
        for i in range(nx):
            for k in range(nz):
                f = foot[j, i, k]
                if f < 0:
                    continue
                if len(feet) > 0:
                    px, py = origin[0] + (i + 0.5) * cell, origin[1] + (j + 0.5) * cell
                    pz = origin[2] + (k + 0.5) * cell
                    feet[count] = nearest_point(
                        px, py, pz, vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
                    )
                    foot[j, i, k] = count
                count += 1
    return count


@njit(cache=True, nogil=True)
def mark_hollow(turns: NDArray[np.int8], open_layers: int, hollow: NDArray[np.bool_]) -> None:
    """Mark the cubes whose middles lie in the half, from the surfaces above each."""
    ny, nx, nz = hollow.shape
    for j in range(ny):
        for i in range(nx):
            above = 0
            for k in range(nz - 1, open_layers - 1, -1):
                above += turns[j, i, k - open_layers + 1]
                hollow[j, i, k] = above > 0


@njit(cache=True, nogil=True)
def spread_feet(
    origin: Floats, cell: float, feet: Floats, band: float, outer: float, hollow: NDArray[np.bool_],
    open_layers: int, square: Floats32, foot: Items,
) -> int:  # fmt: skip
    """Hand feet on to neighbours, once forwards and once backwards; return how many cubes changed.

    As far as `band` in the hollow and over its mouth, as far as `outer` in the rubber. The cubes at the
    border of the grid are left as they are.
    """
    ny, nx, nz = foot.shape
    flat, distance = foot.reshape(-1), square.reshape(-1)
    within = hollow.reshape(-1)
    offsets = np.empty(13, np.int64)
    for n in range(13):
        if n < 9:
            offsets[n] = -nx * nz + (n // 3 - 1) * nz + n % 3 - 1
        elif n < 12:
            offsets[n] = -nz + n - 10
        else:
            offsets[n] = -1
    changed = 0
    for way in range(2):
        step = 1 - 2 * way
        for jj in range(1, ny - 1):
            j = jj if way == 0 else ny - 1 - jj
            py = origin[1] + (j + 0.5) * cell
            for ii in range(1, nx - 1):
                i = ii if way == 0 else nx - 1 - ii
                px = origin[0] + (i + 0.5) * cell
                for kk in range(1, nz - 1):
                    k = kk if way == 0 else nz - 1 - kk
                    here = (j * nx + i) * nz + k
                    # a foot comes over a face of the cube, or from nowhere
                    if (
                        flat[here] < 0
                        and flat[here - step] < 0
                        and flat[here - step * nz] < 0
                        and flat[here - step * nx * nz] < 0
                    ):
                        continue
                    reach = band if within[here] or k < open_layers else outer
                    best = min(float(distance[here]), reach * reach)
                    pz = origin[2] + (k + 0.5) * cell
                    before = int(flat[here])
                    mine, last = before, before
                    for n in range(13):
                        f = int(flat[here + step * offsets[n]])
                        if f < 0 or f in (mine, last):
                            continue
                        last = f
                        dx, dy, dz = px - feet[f, 0], py - feet[f, 1], pz - feet[f, 2]
                        d2 = dx * dx + dy * dy + dz * dz
                        if d2 < best:
                            best = d2
                            mine = f
                    if mine != before and (before < 0 or np.float32(best) < distance[here]):
                        distance[here] = best
                        flat[here] = mine
                        changed += 1
    return changed


@njit(cache=True, nogil=True)
def sign_room(
    square: Floats32, foot: Items, hollow: NDArray[np.bool_], open_layers: int, cell: float, band: float,
    outer: float,
) -> None:  # fmt: skip
    """Turn squared distances, in place, into room: negative in the rubber, bounded by the board over it."""
    ny, nx, nz = square.shape
    for j in range(ny):
        for i in range(nx):
            for k in range(open_layers, nz):
                if hollow[j, i, k]:
                    square[j, i, k] = band if foot[j, i, k] < 0 else math.sqrt(square[j, i, k])
                else:
                    square[j, i, k] = -(outer if foot[j, i, k] < 0 else math.sqrt(square[j, i, k]))
            for k in range(open_layers):
                d = band if foot[j, i, k] < 0 else math.sqrt(square[j, i, k])
                # over the rubber's edge, which lies on the board
                if not hollow[j, i, open_layers]:
                    d = min(d, (open_layers - k - 0.5) * cell)
                square[j, i, k] = d


def bounded_cell_mm(size_mm: Floats, *, cell_mm: float, open_mm: float) -> float:
    """Return `cell_mm`, or the least cell with which a half of `size_mm` (3,) takes `MOST_CUBES` cubes."""
    spans = np.asarray(size_mm) + np.array([2.0, 2.0, 1.0]) * cell_mm + np.array([0.0, 0.0, open_mm])
    return max(cell_mm, math.cbrt(float(np.prod(spans)) / (0.9 * MOST_CUBES)))


def inside_grid(
    vertices: Floats, faces: Ints, *, cell_mm: float, band_mm: float, outer_mm: float = 0.0,
    open_mm: float = 0.0,
) -> Inside:  # fmt: skip
    """Return the room in the hollow of a half.

    Parameters
    ----------
    vertices, faces
        The closed half, (n, 3) mm and (m, 3), resting on z = 0.
    cell_mm
        Edge of the cubes; larger when they would be too many (`bounded_cell_mm`).
    band_mm
        Farthest distance that is worked out in the hollow and over its mouth, at least a cell.
    outer_mm
        The same in the rubber; less than a cell counts as a cell.
    open_mm
        How far below the board, over the mouth, the grid reaches.

    Notes
    -----
    The board is no wall: what lies on it is the mouth. About 0.1 s for a million cubes.
    """
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    cell = bounded_cell_mm(high - low, cell_mm=cell_mm, open_mm=open_mm)
    reach = (max(band_mm, cell), max(outer_mm, cell))
    grid = grid_over(low[:2], high[:2], cell_mm=cell, margin_mm=1.5 * cell)
    open_layers = math.ceil(open_mm / cell - 1e-9) + 1
    layers = max(math.ceil(high[2] / cell), 1) + 2
    shape = (*grid.shape, open_layers + layers)
    origin = np.array([grid.x0_mm, grid.y0_mm, -open_layers * cell])
    off_board = np.ascontiguousarray(faces[vertices[faces, 2].max(axis=1) > 0.0])
    turns = np.zeros((*grid.shape, layers + 1), dtype=np.int8)
    count_surfaces(vertices, off_board, grid.x0_mm, grid.y0_mm, cell, turns)
    hollow = np.zeros(shape, dtype=np.bool_)
    mark_hollow(turns, open_layers, hollow)
    square = np.full(shape, cell * cell, dtype=np.float32)
    foot = np.full(shape, -1, dtype=np.int32)
    splat_feet(vertices, off_board, origin, cell, square, foot)
    feet = np.empty((gather_feet(vertices, off_board, origin, cell, foot, np.empty((0, 3))), 3))
    if len(feet):
        gather_feet(vertices, off_board, origin, cell, foot, feet)
    square[foot < 0] = np.inf
    for _ in range(ROUNDS):
        if spread_feet(origin, cell, feet, *reach, hollow, open_layers, square, foot) == 0:
            break
    sign_room(square, foot, hollow, open_layers, cell, *reach)
    return Inside(
        origin_mm=origin, cell_mm=cell, band_mm=reach[0], open_layers=open_layers, room_mm=square, foot=foot,
        feet_mm=feet,
    )  # fmt: skip
