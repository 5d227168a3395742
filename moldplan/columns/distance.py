"""Signed distances to a half near its surface, on a grid of cubes, and volumes within a distance.

1. Every triangle off the board hands its exact distance to the cubes near it: middles no deeper behind its
   plane than a little over half a cube and no farther before it than the band. A point outside a closed mesh
   lies before at least one of the triangles that hold its nearest point, so no distance is missed.
2. Inside or outside: the surfaces above a middle, counted with their sign. Corners are snapped to 1/256 of a
   cell and the edge tests are whole numbers, so a closed mesh gives every column whole crossings.
3. The volume within distance d is the sum over cubes of a smooth step of (d - phi) / cell: the integral of
   the quadratic B-spline, so that the lattice of cubes shows in no direction (about 0.001 cell on a flat
   face; a linear ramp of one cell shows 0.02 cell at 45 deg, 1 % of a skin). Its width adds cell^2/8 V''(d),
   which is taken out again with V'' from three distances in the outer half of the reach, where the step no
   longer looks into the half. (Taking it out inside the step itself brings the lattice back.) Second order in
   the cell where distances are creased, better elsewhere. [derived, first principles]

The board z = 0 lies between two layers of cubes, so what is above the board is above it exactly. Triangles
on the board are left out: the board is no surface of the half that rubber touches.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints, grid_over
from moldplan.columns.triangle import nearest_weights

Floats32 = NDArray[np.float32]

#: Cubes along the longest side of a half, unless memory or the skin ask otherwise.
DISTANCE_CELLS = 384
#: Most cubes held at a time (float32: 100 MB).
MOST_CUBES = 25_000_000
#: Least and most cubes across the skin: fewer lose the coats, more cost time and change nothing.
CUBES_IN_SKIN = (2.5, 6.0)
#: Half the width of the smooth step, in cubes: so far about every surface distances are exact.
STEP_CELLS = 1.5
#: Every so many-th triangle is looked at first.
STRIDE = 16


@dataclass(frozen=True)
class DistanceGrid:
    """Signed distances `phi_mm` (ny, nx, nz), positive outside, exact up to `band_mm`.

    Farther away `band_mm` stands outside and ``-STEP_CELLS * cell`` inside. Cube k of a column spans k to
    k + 1 cells above the board; columns are those of `grid`.
    """

    grid: Grid
    band_mm: float
    phi_mm: Floats32

    @property
    def cell_mm(self) -> float:
        """Edge of a cube."""
        return self.grid.cell_mm


@njit(cache=True, nogil=True)
def triangle_distance2(px: float, py: float, pz: float, a: Floats, b: Floats, c: Floats) -> float:
    """Return the squared distance of a point to a triangle."""
    v, w = nearest_weights(px, py, pz, a, b, c)
    dx = (px - a[0]) - v * (b[0] - a[0]) - w * (c[0] - a[0])
    dy = (py - a[1]) - v * (b[1] - a[1]) - w * (c[1] - a[1])
    dz = (pz - a[2]) - v * (b[2] - a[2]) - w * (c[2] - a[2])
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, nogil=True)
def _scattered(turn: int, size: int) -> int:
    """Return the number of the thing whose turn it is: every `STRIDE`-th first, then those after them, ..."""
    rounds, left = size // STRIDE, size % STRIDE
    first = left * (rounds + 1)
    if turn < first:
        return turn // (rounds + 1) + STRIDE * (turn % (rounds + 1))
    return left + (turn - first) // rounds + STRIDE * ((turn - first) % rounds)


@njit(cache=True, nogil=True)
def splat_distances(
    vertices: Floats, faces: Ints, normals: Floats, x0: float, y0: float, cell: float, band: float,
    behind: float, square: Floats32,
) -> None:  # fmt: skip
    """Lower `square` (ny, nx, nz), squared distances in mm2, to the triangles near each cube.

    Every so many-th triangle goes first, so that cubes soon know nearly how near they are. From then on the
    ball round a triangle tells of most that it lies farther off.
    """
    ny, nx, nz = square.shape
    for turn in range(faces.shape[0]):
        f = _scattered(turn, faces.shape[0])
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ux, uy, uz = normals[f, 0], normals[f, 1], normals[f, 2]
        if ux == 0.0 and uy == 0.0 and uz == 0.0:
            continue
        i0 = max(math.ceil((min(a[0], b[0], c[0]) - band - x0) / cell - 0.5), 0)
        i1 = min(math.floor((max(a[0], b[0], c[0]) + band - x0) / cell - 0.5), nx - 1)
        j0 = max(math.ceil((min(a[1], b[1], c[1]) - band - y0) / cell - 0.5), 0)
        j1 = min(math.floor((max(a[1], b[1], c[1]) + band - y0) / cell - 0.5), ny - 1)
        low = max(min(a[2], b[2], c[2]) - band, 0.0)
        high = max(a[2], b[2], c[2]) + band
        # the ball round the triangle, a little larger than rounding
        mx, my, mz = (a[0] + b[0] + c[0]) / 3.0, (a[1] + b[1] + c[1]) / 3.0, (a[2] + b[2] + c[2]) / 3.0
        ball = math.sqrt(max(
            (a[0] - mx) ** 2 + (a[1] - my) ** 2 + (a[2] - mz) ** 2,
            (b[0] - mx) ** 2 + (b[1] - my) ** 2 + (b[2] - mz) ** 2,
            (c[0] - mx) ** 2 + (c[1] - my) ** 2 + (c[2] - mz) ** 2,
        )) + 1e-6 * band  # fmt: skip
        far2 = (band + ball) ** 2
        # columns farther than the band outside a side, seen from above, are out of reach
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        way = 1.0 if area > 0.0 else -1.0
        limit1 = band * math.hypot(b[0] - a[0], b[1] - a[1])
        limit2 = band * math.hypot(c[0] - b[0], c[1] - b[1])
        limit3 = band * math.hypot(a[0] - c[0], a[1] - c[1])
        seen = abs(area) > 1e-9 * (limit1 + limit2 + limit3)
        for j in range(j0, j1 + 1):
            py = y0 + (j + 0.5) * cell
            for i in range(i0, i1 + 1):
                px = x0 + (i + 0.5) * cell
                aside2 = (px - mx) ** 2 + (py - my) ** 2
                if aside2 > far2:
                    continue
                if seen:
                    if way * ((b[1] - a[1]) * (px - a[0]) - (b[0] - a[0]) * (py - a[1])) > limit1:
                        continue
                    if way * ((c[1] - b[1]) * (px - b[0]) - (c[0] - b[0]) * (py - b[1])) > limit2:
                        continue
                    if way * ((a[1] - c[1]) * (px - c[0]) - (a[0] - c[0]) * (py - c[1])) > limit3:
                        continue
                # heights where -behind <= distance before the plane <= band
                level = ux * (px - a[0]) + uy * (py - a[1]) - uz * a[2]
                upright = math.sqrt(far2 - aside2)
                z0, z1 = max(low, mz - upright), min(high, mz + upright)
                if uz > 1e-12:
                    z0 = max(z0, (-behind - level) / uz)
                    z1 = min(z1, (band - level) / uz)
                elif uz < -1e-12:
                    z0 = max(z0, (band - level) / uz)
                    z1 = min(z1, (-behind - level) / uz)
                elif level < -behind or level > band:
                    continue
                k0 = max(math.ceil(z0 / cell - 0.5), 0)
                k1 = min(math.floor(z1 / cell - 0.5), nz - 1)
                for k in range(k0, k1 + 1):
                    pz = (k + 0.5) * cell
                    known = square[j, i, k]
                    before = level + uz * pz
                    if before * before >= known:
                        continue
                    # nearer than known only if the ball's middle is within sqrt(known) + ball
                    more = aside2 + (pz - mz) ** 2 - known - ball * ball
                    if more > 0.0 and more * more > 4.0 * ball * ball * known:
                        continue
                    square[j, i, k] = min(square[j, i, k], triangle_distance2(px, py, pz, a, b, c))


@njit(cache=True, nogil=True)
def count_surfaces(
    vertices: Floats, faces: Ints, x0: float, y0: float, cell: float, turns: NDArray[np.int8]
) -> None:
    """Count the surfaces over the middle of every column, +1 facing up and -1 facing down.

    Each is added to `turns` (ny, nx, nz + 1) at the number of cube middles below it. Exact: corners are
    snapped to 1/256 cell and an edge belongs to one side only.
    """
    ny, nx, nz1 = turns.shape
    snap = 256.0
    for f in range(faces.shape[0]):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ax, ay = round((a[0] - x0) / cell * snap), round((a[1] - y0) / cell * snap)
        bx, by = round((b[0] - x0) / cell * snap), round((b[1] - y0) / cell * snap)
        cx, cy = round((c[0] - x0) / cell * snap), round((c[1] - y0) / cell * snap)
        az, bz, cz = a[2], b[2], c[2]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0:
            continue
        sign = 1
        if area < 0:
            sign = -1
            bx, by, bz, cx, cy, cz = cx, cy, cz, bx, by, bz
            area = -area
        i0 = max((min(ax, bx, cx) - 128 + 255) // 256, 0)
        i1 = min((max(ax, bx, cx) - 128) // 256, nx - 1)
        j0 = max((min(ay, by, cy) - 128 + 255) // 256, 0)
        j1 = min((max(ay, by, cy) - 128) // 256, ny - 1)
        # a middle on an edge belongs to the triangle on one side only
        own1 = by > ay or (by == ay and bx < ax)
        own2 = cy > by or (cy == by and cx < bx)
        own3 = ay > cy or (ay == cy and ax < cx)
        for j in range(j0, j1 + 1):
            py = j * 256 + 128
            for i in range(i0, i1 + 1):
                px = i * 256 + 128
                w3 = (bx - ax) * (py - ay) - (by - ay) * (px - ax)
                w1 = (cx - bx) * (py - by) - (cy - by) * (px - bx)
                w2 = (ax - cx) * (py - cy) - (ay - cy) * (px - cx)
                if w3 < 0 or w1 < 0 or w2 < 0:
                    continue
                if (w3 == 0 and not own1) or (w1 == 0 and not own2) or (w2 == 0 and not own3):
                    continue
                z = (w1 * az + w2 * bz + w3 * cz) / area
                k = min(max(math.ceil(z / cell - 0.5), 0), nz1 - 1)
                turns[j, i, k] += sign


@njit(cache=True, nogil=True)
def sign_distances(square: Floats32, turns: NDArray[np.int8], behind: float) -> None:
    """Turn squared distances, in place, into signed ones, negative inside."""
    ny, nx, nz = square.shape
    for j in range(ny):
        for i in range(nx):
            above = 0
            for k in range(nz - 1, -1, -1):
                above += turns[j, i, k + 1]
                d = math.sqrt(square[j, i, k])
                if above > 0:
                    square[j, i, k] = -min(d, behind)
                else:
                    square[j, i, k] = d


@njit(cache=True, nogil=True)
def share_within(cells: float) -> float:
    """Return the weight of a cube whose middle lies `cells` inside a surface, 0 and 1 beyond +-1.5."""
    if cells <= -1.5:
        return 0.0
    if cells >= 1.5:
        return 1.0
    if cells < -0.5:
        return (cells + 1.5) ** 3 / 6.0
    if cells > 0.5:
        return 1.0 - (1.5 - cells) ** 3 / 6.0
    return 0.5 + 0.75 * cells - cells**3 / 3.0


@njit(cache=True, nogil=True)
def sum_within(phi: Floats32, cell: float, distances: Floats, totals: Floats) -> None:
    """Add to `totals` the number of cubes, in smooth fractions, within each of `distances` (mm)."""
    ny, nx, nz = phi.shape
    nearest, farthest = distances.min() - 1.5 * cell, distances.max() + 1.5 * cell
    whole = 0
    for j in range(ny):
        for i in range(nx):
            for k in range(nz):
                d = phi[j, i, k]
                if d >= farthest:
                    continue
                if d <= nearest:
                    whole += 1
                    continue
                for n in range(distances.shape[0]):
                    totals[n] += share_within((distances[n] - d) / cell)
    for n in range(distances.shape[0]):
        totals[n] += whole


@njit(cache=True, nogil=True)
def gap_volumes(
    phi: NDArray[np.float32], cell: float, x: Floats, y: Floats, low: Floats, high: Floats,
    region: NDArray[np.int32], distances: Floats, totals: Floats,
) -> None:  # fmt: skip
    """Add up, by region, the heights (mm) of gaps within each distance, and, last, their whole heights.

    `totals` (regions, distances + 1) takes them.
    `phi` (ny, nx, nz) are signed distances in cubes of `cell` mm; `x`, `y` are places of the gaps in cells
    of that grid; `low`, `high` their ends in mm above the board.
    """
    ny, nx, nz = phi.shape
    for g in range(x.shape[0]):
        i = min(max(math.floor(x[g]), 0), nx - 1)
        j = min(max(math.floor(y[g]), 0), ny - 1)
        row = totals[region[g]]
        row[distances.shape[0]] += high[g] - low[g]
        k0 = max(math.floor(low[g] / cell), 0)
        k1 = min(math.floor(high[g] / cell), nz - 1)
        for k in range(k0, k1 + 1):
            part = min(high[g], (k + 1) * cell) - max(low[g], k * cell)
            if part <= 0.0:
                continue
            for n in range(distances.shape[0]):
                row[n] += part * share_within((distances[n] - phi[j, i, k]) / cell)


def distance_cell_mm(size_mm: Floats, *, reach_mm: float) -> float:
    """Return the edge of the cubes for a half of `size_mm` (3,).

    Its longest side / 384, but from a third to a sixth of `reach_mm` (the skin); coarser where memory would
    not hold them.
    """
    cell = float(max(size_mm)) / DISTANCE_CELLS
    if reach_mm > 0.0:
        cell = min(max(cell, reach_mm / CUBES_IN_SKIN[1]), reach_mm / CUBES_IN_SKIN[0])
    spans = np.asarray(size_mm) + np.array([2.0, 2.0, 1.0]) * reach_mm
    least = math.cbrt(float(np.prod(spans)) / (0.9 * MOST_CUBES))
    return max(cell, least)


def distance_grid(
    vertices: Floats, faces: Ints, *, normals: Floats, reach_mm: float, cell_mm: float | None = None
) -> DistanceGrid:
    """Return the signed distances to a half above its board.

    Parameters
    ----------
    vertices, faces
        The closed half, (n, 3) mm and (m, 3), resting on z = 0.
    normals
        Outward unit normals (m, 3), zeros for faces without area.
    reach_mm
        Farthest distance whose volume will be asked for.
    cell_mm
        Edge of the cubes; None chooses (`distance_cell_mm`).

    Notes
    -----
    Cost grows with triangles times cubes near each: about 1 s for 100 000 triangles.
    """
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    cell = cell_mm if cell_mm is not None else distance_cell_mm(high - low, reach_mm=reach_mm)
    band, behind = reach_mm + STEP_CELLS * cell, STEP_CELLS * cell
    grid = grid_over(low[:2], high[:2], cell_mm=cell, margin_mm=band)
    layers = max(math.ceil((high[2] + band) / cell), 1)
    square = np.full((*grid.shape, layers), band * band, dtype=np.float32)
    touched = np.flatnonzero(vertices[faces, 2].max(axis=1) > 0.0)
    off_board = np.ascontiguousarray(faces[touched])
    places = (grid.x0_mm, grid.y0_mm, cell)
    splat_distances(
        vertices, off_board, np.ascontiguousarray(normals[touched]), *places, band, behind, square
    )
    turns = np.zeros((*grid.shape, layers + 1), dtype=np.int8)
    count_surfaces(vertices, off_board, *places, turns)
    sign_distances(square, turns, behind)
    return DistanceGrid(grid, band, square)


def volumes_within(near: DistanceGrid, distances_mm: Floats) -> Floats:
    """Return the volumes (mm3) above the board within each distance of the half, the half itself included.

    `distances_mm` (n,) from 0 to the grid's reach. Good to about 0.002 cell
    times the half's area, and second order in the cell at creases.
    """
    cell, band = near.cell_mm, near.band_mm
    reach = band - STEP_CELLS * cell
    nodes = reach * np.array([0.5, 0.75, 1.0])
    totals = np.zeros(len(nodes) + len(distances_mm))
    sum_within(near.phi_mm, cell, np.concatenate([nodes, distances_mm]), totals)
    totals *= cell**3
    bend = (totals[0] - 2.0 * totals[1] + totals[2]) / (0.25 * reach) ** 2 if reach > 0.0 else 0.0
    volumes: Floats = totals[len(nodes) :] - cell**2 / 8.0 * bend
    return volumes
