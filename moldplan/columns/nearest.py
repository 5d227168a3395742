"""How far the farthest point of some columns lies from a surface.

Goal
    The greatest distance between a set of points (vertical pieces of columns: a gap, or solid that would be
    taken away) and the nearest triangle, exact at closely spaced points.

Steps
    1. Triangles go into the cubes of a uniform grid (`triangle_bins`): those cubes that their bounding box
       touches and whose middle is no farther from their plane than half a cube's diagonal.
    2. The nearest triangle of a point: shells of cubes round it, until the next shell is farther off than
       what was found.
    3. A few points of the set first: the farthest of them is a start.
    4. Then boxes round all of the set, the largest first, each cut in half along its longest side. Distance
       changes by no more than one moves: a box whose middle is so near the surface that no corner of it can
       beat the farthest so far is let go of. A box of one column, no higher than the step, is looked at.

Error budget
    The distance of a point to a triangle is exact to rounding. Each column stands for its cell and each point
    for half a step up and down; a distance has no slope over 1, so at most ``sqrt(3)/2`` cells are missed
    (step and cell alike), and `SLACK` cells more for letting go of boxes that would win by less; on wide
    gaps of one width all over up to `MOST_SLACK` cells.

Tried and dropped
    Walking along the columns with the last distance as the bound: on a wide gap most points stay in question,
    and it took 50 times longer. The narrow band of the distance grid: as coarse as its cubes.

A triangle with two equal corners is a line, with three a point; both are met like any other.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints

Items = NDArray[np.int32]

#: Edge of a cube in mean triangle sizes: few triangles in each, few cubes round a point.
BIN_SIZES: Final = 1.5
#: A box is let go of when it could win by less than this, in cells; twice as much after so many boxes, and
#: again, up to the last: gaps of one width all over, where every point is in question, would take minutes.
SLACK: Final = 0.1
PATIENCE: Final = 100_000
MOST_SLACK: Final = 2.0
#: About how many columns are looked at first.
FIRST_COLUMNS: Final = 256
#: Most boxes in waiting; each cut adds one, and boxes halve.
MOST_WAITING: Final = 256
#: Most cubes, and most for each triangle over the first few thousand: few triangles need no more.
MOST_BINS: Final = 2_000_000
BINS_EACH: Final = 64


@dataclass(frozen=True, kw_only=True)
class TriangleBins:
    """Triangles `corners` (m, 3, 3), mm, sorted into cubes.

    Cube (i, j, k) of `shape`, its lowest corner at ``origin_mm + bin_mm * (i, j, k)``, is met by triangles
    ``item[start[n] : start[n + 1]]`` with ``n = (i * ny + j) * nz + k``.
    """

    corners: Floats
    origin_mm: Floats
    bin_mm: float
    shape: Ints
    start: Ints
    item: Items


@dataclass(frozen=True, kw_only=True)
class Spans:
    """Vertical pieces of columns, sorted by column: over the middle of cell `column` from low to high.

    `column` (n,) counts the cells of `grid` row by row; `low_mm`, `high_mm` (n,).
    """

    grid: Grid
    column: Ints
    low_mm: Floats
    high_mm: Floats


@dataclass(frozen=True, kw_only=True)
class Farthest:
    """The farthest point of some spans: how far it is from the surface, and where (0 and None: no spans)."""

    distance_mm: float
    place_mm: tuple[float, float, float] | None


@njit(cache=True, nogil=True)
def _to_line2(px: float, py: float, pz: float, a: Floats, b: Floats) -> float:
    """Return the squared distance of a point to the line from a to b."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = px - a[0], py - a[1], pz - a[2]
    length2 = ux * ux + uy * uy + uz * uz
    share = 0.0
    if length2 > 0.0:
        share = min(max((ux * vx + uy * vy + uz * vz) / length2, 0.0), 1.0)
    dx, dy, dz = vx - share * ux, vy - share * uy, vz - share * uz
    return float(dx * dx + dy * dy + dz * dz)


@njit(cache=True, nogil=True)
def nearest_on_triangle2(px: float, py: float, pz: float, t: Floats) -> float:
    """Return the squared distance of a point to the triangle `t` (3, 3).

    To its plane where the point lies over it (barycentric signs), else to the nearest of its sides. Not
    shared with the distance grid: compiled kernels do not notice when one in another file changes.
    """
    a, b, c = t[0], t[1], t[2]
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    wx, wy, wz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    vx, vy, vz = px - a[0], py - a[1], pz - a[2]
    uu, uw, ww = ux * ux + uy * uy + uz * uz, ux * wx + uy * wy + uz * wz, wx * wx + wy * wy + wz * wz
    uv, wv = ux * vx + uy * vy + uz * vz, wx * vx + wy * vy + wz * vz
    area2 = uu * ww - uw * uw
    s, r = ww * uv - uw * wv, uu * wv - uw * uv
    # a sliver's plane is noise: its sides are exact enough
    if area2 > 1e-12 * uu * ww and s >= 0.0 and r >= 0.0 and s + r <= area2:
        nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        height = nx * vx + ny * vy + nz * vz
        return float(height * height / (nx * nx + ny * ny + nz * nz))
    sides = min(_to_line2(px, py, pz, a, b), _to_line2(px, py, pz, b, c))
    return float(min(sides, _to_line2(px, py, pz, c, a)))


@njit(cache=True, nogil=True)
def fill_bins(corners: Floats, origin: Floats, edge: float, shape: Ints, cursor: Ints, item: Items) -> None:
    """Count (empty `item`) or store the cubes that each triangle meets; `cursor` moves on by one for each."""
    nx, ny, nz = shape[0], shape[1], shape[2]
    reach = 0.5 * math.sqrt(3.0) * edge * (1.0 + 1e-9)
    for f in range(corners.shape[0]):
        a, b, c = corners[f, 0], corners[f, 1], corners[f, 2]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        wx, wy, wz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        mx, my, mz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        area = math.sqrt(mx * mx + my * my + mz * mz)
        flat = area > 1e-6 * (ux * ux + uy * uy + uz * uz + wx * wx + wy * wy + wz * wz)
        i0 = min(max(math.floor((min(a[0], b[0], c[0]) - origin[0]) / edge), 0), nx - 1)
        i1 = min(max(math.floor((max(a[0], b[0], c[0]) - origin[0]) / edge), 0), nx - 1)
        j0 = min(max(math.floor((min(a[1], b[1], c[1]) - origin[1]) / edge), 0), ny - 1)
        j1 = min(max(math.floor((max(a[1], b[1], c[1]) - origin[1]) / edge), 0), ny - 1)
        k0 = min(max(math.floor((min(a[2], b[2], c[2]) - origin[2]) / edge), 0), nz - 1)
        k1 = min(max(math.floor((max(a[2], b[2], c[2]) - origin[2]) / edge), 0), nz - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                for k in range(k0, k1 + 1):
                    if flat:
                        off = mx * (origin[0] + (i + 0.5) * edge - a[0])
                        off += my * (origin[1] + (j + 0.5) * edge - a[1])
                        off += mz * (origin[2] + (k + 0.5) * edge - a[2])
                        if abs(off) > reach * area:
                            continue
                    place = (i * ny + j) * nz + k
                    if len(item) > 0:
                        item[cursor[place]] = f
                    cursor[place] += 1


@njit(cache=True, nogil=True)
def nearest2(
    px: float, py: float, pz: float, corners: Floats, origin: Floats, edge: float, shape: Ints, start: Ints,
    item: Items, enough2: float, hint: Ints,
) -> float:  # fmt: skip
    """Return the squared distance of a point to the nearest triangle.

    Content with any that is no farther than `enough2`. `hint` (1,) is a triangle to begin with, and takes
    the one that was found: neighbours mostly share it.
    """
    nx, ny, nz = shape[0], shape[1], shape[2]
    gx, gy, gz = (px - origin[0]) / edge, (py - origin[1]) / edge, (pz - origin[2]) / edge
    ix = min(max(math.floor(gx), 0), nx - 1)
    iy = min(max(math.floor(gy), 0), ny - 1)
    iz = min(max(math.floor(gz), 0), nz - 1)
    inside = min(gx - ix, ix + 1 - gx, gy - iy, iy + 1 - gy, gz - iz, iz + 1 - gz)
    best = nearest_on_triangle2(px, py, pz, corners[hint[0]])
    if best <= enough2:
        return float(best)
    for ring in range(max(nx, ny, nz)):
        # cubes of this shell are at least so far off; a point outside the grid is no nearer than that
        off = (inside + ring - 1) * edge if ring > 0 else 0.0
        if off > 0.0 and off * off >= best:
            break
        for i in range(max(ix - ring, 0), min(ix + ring, nx - 1) + 1):
            for j in range(max(iy - ring, 0), min(iy + ring, ny - 1) + 1):
                rim = abs(i - ix) == ring or abs(j - iy) == ring
                step = 1 if rim or ring == 0 else 2 * ring
                for k in range(iz - ring, iz + ring + 1, step):
                    if k < 0 or k >= nz:
                        continue
                    place = (i * ny + j) * nz + k
                    for n in range(start[place], start[place + 1]):
                        found = nearest_on_triangle2(px, py, pz, corners[item[n]])
                        if found < best:
                            best = found
                            hint[0] = item[n]
                            if best <= enough2:
                                return float(best)
    return float(best)


@njit(cache=True, nogil=True)
def farthest_of_columns(
    low: Floats, high: Floats, x0: float, y0: float, cell: float, nx: int, ny: int, corners: Floats,
    origin: Floats, edge: float, shape: Ints, start: Ints, item: Items, least: float, stop: float,
    place: Floats,
) -> float:  # fmt: skip
    """Return the greatest distance over `least` of points in columns to the triangles, and its `place` (3,).

    Column n holds the points from `low` to `high` (nx * ny), none where the low is above the high: both
    ends, and so many between that no two are farther apart than a cell. Gives up at the first point farther
    than `stop`, and returns its distance; `least`, and `place` as it was, when no point is farther than that.
    """
    far, slack = math.inf, SLACK * cell
    best = least
    hint = np.zeros(1, np.int64)
    # the lowest and highest point of squares of 1, 2, 4 ... columns
    levels = 1
    while (1 << (levels - 1)) < max(nx, ny):
        levels += 1
    wide, tall, begin = np.zeros(levels, np.int64), np.zeros(levels, np.int64), np.zeros(levels + 1, np.int64)
    for level in range(levels):
        wide[level] = (nx + (1 << level) - 1) >> level
        tall[level] = (ny + (1 << level) - 1) >> level
        begin[level + 1] = begin[level] + wide[level] * tall[level]
    floor, roof = np.full(begin[levels], far), np.full(begin[levels], -far)
    filled = 0
    for n in range(nx * ny):
        floor[n], roof[n] = low[n], high[n]
        if low[n] <= high[n]:
            filled += 1
    for level in range(1, levels):
        for j in range(tall[level - 1]):
            for i in range(wide[level - 1]):
                n = begin[level - 1] + j * wide[level - 1] + i
                up = begin[level] + (j >> 1) * wide[level] + (i >> 1)
                floor[up] = min(floor[up], floor[n])
                roof[up] = max(roof[up], roof[n])
    # a few points first
    every, seen = max(filled // FIRST_COLUMNS, 1), 0
    for n in range(nx * ny):
        if low[n] > high[n]:
            continue
        seen += 1
        if seen % every != 0:
            continue
        px, py = x0 + (n % nx + 0.5) * cell, y0 + (n // nx + 0.5) * cell
        for m in range(3):
            pz = low[n] + 0.5 * m * (high[n] - low[n])
            enough = max(best, 0.0) ** 2
            found = nearest2(px, py, pz, corners, origin, edge, shape, start, item, enough, hint)
            if found > best * abs(best):
                best = math.sqrt(found)
                place[0], place[1], place[2] = px, py, pz
                if best > stop:
                    return best
    # boxes: level, row, column, lowest, highest point
    waiting = np.empty((MOST_WAITING, 3), np.int64)
    between = np.empty((MOST_WAITING, 2))
    count = 0
    if filled > 0:
        waiting[0] = (levels - 1, 0, 0)
        between[0] = (floor[begin[levels - 1]], roof[begin[levels - 1]])
        count = 1
    tried = 0
    while count > 0:
        count -= 1
        tried += 1
        if tried % PATIENCE == 0:
            slack = min(2.0 * slack, MOST_SLACK * cell)
        level, j, i = waiting[count, 0], waiting[count, 1], waiting[count, 2]
        n = begin[level] + j * wide[level] + i
        below, above = max(between[count, 0], floor[n]), min(between[count, 1], roof[n])
        if below > above:
            continue
        size = 1 << level
        px, py = x0 + (i + 0.5) * size * cell, y0 + (j + 0.5) * size * cell
        height = above - below
        if level == 0 and height <= cell:
            for m in range(2):
                pz = below if m == 0 else above
                enough = (best + slack) ** 2
                found = nearest2(px, py, pz, corners, origin, edge, shape, start, item, enough, hint)
                if found > enough:
                    best = math.sqrt(found)
                    place[0], place[1], place[2] = px, py, pz
                    if best > stop:
                        return best
            continue
        across = (size - 1) * cell
        reach = best + slack - 0.5 * math.sqrt(2.0 * across * across + height * height)
        if reach > 0.0:
            pz = 0.5 * (below + above)
            reach2 = reach * reach
            if nearest2(px, py, pz, corners, origin, edge, shape, start, item, reach2, hint) <= reach2:
                continue
        if level == 0 or height > 2.0 * across:
            middle = 0.5 * (below + above)
            waiting[count] = (level, j, i)
            between[count] = (below, middle)
            waiting[count + 1] = (level, j, i)
            between[count + 1] = (middle, above)
            count += 2
            continue
        for part in range(4):
            row, col = 2 * j + part // 2, 2 * i + part % 2
            if row < tall[level - 1] and col < wide[level - 1]:
                waiting[count] = (level - 1, row, col)
                between[count] = (below, above)
                count += 1
    return best


@njit(cache=True, nogil=True)
def claim_gaps(
    start: Ints, low: Floats, high: Floats, nx: int, ny: int, finer: int, row0: int, col0: int,
    named_start: Ints, named_low: Floats, named_high: Floats, named: NDArray[np.int32], coarse_nx: int,
    coarse_ny: int, region: NDArray[np.int32],
) -> None:  # fmt: skip
    """Give each gap of fine columns the `region` of the named gap it shares most height with, else 0.

    Fine column (iy, ix) lies in cell (`row0` + iy // `finer`, `col0` + ix // `finer`) of the named gaps; only
    where nothing there is shared do the eight cells round it count.
    """
    for iy in range(ny):
        for ix in range(nx):
            column = iy * nx + ix
            row, col = row0 + iy // finer, col0 + ix // finer
            for g in range(start[column], start[column + 1]):
                most, name = 0.0, 0
                for ring in range(2):
                    if name > 0:
                        break
                    for j in range(max(row - ring, 0), min(row + ring, coarse_ny - 1) + 1):
                        for i in range(max(col - ring, 0), min(col + ring, coarse_nx - 1) + 1):
                            cell = j * coarse_nx + i
                            for n in range(named_start[cell], named_start[cell + 1]):
                                shared = min(high[g], named_high[n]) - max(low[g], named_low[n])
                                if shared > most:
                                    most, name = shared, named[n]
                region[g] = name


def triangle_bins(corners: Floats, *, bin_mm: float | None = None) -> TriangleBins:
    """Return triangles (m, 3, 3), m at least 1, sorted into cubes; lines and points count as triangles.

    The cubes are `bin_mm` wide, about `BIN_SIZES` triangles when that is None; wider when they would be too
    many.
    """
    corners = np.ascontiguousarray(corners, dtype=np.float64)
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    size = np.maximum(high - low, 1e-9 * max(float((high - low).max()), 1.0))
    edge = bin_mm if bin_mm is not None else _bin_mm(corners)
    edge = max(edge, float(size.max()) / 1024.0)
    most = min(MOST_BINS, 4096 + BINS_EACH * len(corners))
    while float(np.prod(np.floor(size / edge) + 1.0)) > most:
        edge *= 1.25
    shape = (np.floor(size / edge) + 1.0).astype(np.int64)
    start = np.zeros(int(np.prod(shape)) + 1, dtype=np.int64)
    fill_bins(corners, low, edge, shape, start[1:], np.zeros(0, dtype=np.int32))
    np.cumsum(start, out=start)
    item = np.empty(start[-1], dtype=np.int32)
    fill_bins(corners, low, edge, shape, start[:-1].copy(), item)
    return TriangleBins(corners=corners, origin_mm=low, bin_mm=edge, shape=shape, start=start, item=item)


def _bin_mm(corners: Floats) -> float:
    """Return how wide to make the cubes: by the area of the triangles, not their length, which may be any."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * float(np.linalg.norm(normals, axis=1).sum())
    return min(BIN_SIZES * math.sqrt(2.0 * area / len(corners)), math.sqrt(area) / 32.0)


def farthest(spans: Spans, bins: TriangleBins, *, stop_mm: float = math.inf) -> Farthest:
    """Return how far the farthest point of `spans` lies from the nearest triangle of `bins`.

    Parameters
    ----------
    spans
        Vertical pieces of columns.
    bins
        The surface.
    stop_mm
        A point farther than this is far enough: it is returned, the rest is not looked at.

    Returns
    -------
    Farthest
        Where it is a true distance of a point of the spans. A farther one may be missed, by about one cell
        of ``spans.grid`` at most (see the module).
    """
    if not len(spans.column):
        return Farthest(distance_mm=0.0, place_mm=None)
    grid, column = _cropped(spans.grid, spans.column)
    distance, place = -1.0, np.zeros(3)
    # one piece of each column at a time, or the air between two would be looked at with them
    rank = np.arange(len(column)) - np.searchsorted(column, column)
    for number in range(int(rank.max()) + 1):
        mine = rank == number
        low, high = np.full(grid.nx * grid.ny, np.inf), np.full(grid.nx * grid.ny, -np.inf)
        low[column[mine]], high[column[mine]] = spans.low_mm[mine], spans.high_mm[mine]
        distance = farthest_of_columns(
            low, high, grid.x0_mm, grid.y0_mm, grid.cell_mm, grid.nx, grid.ny, bins.corners, bins.origin_mm,
            bins.bin_mm, bins.shape, bins.start, bins.item, distance, stop_mm, place,
        )  # fmt: skip
        if distance > stop_mm:
            break
    return Farthest(distance_mm=distance, place_mm=(float(place[0]), float(place[1]), float(place[2])))


def _cropped(grid: Grid, column: Ints) -> tuple[Grid, Ints]:
    """Return the least part of a grid that holds the columns, and their numbers in it."""
    row, col = column // grid.nx, column % grid.nx
    j, i = int(row.min()), int(col.min())
    nx, ny = int(col.max()) - i + 1, int(row.max()) - j + 1
    part = Grid(grid.x0_mm + i * grid.cell_mm, grid.y0_mm + j * grid.cell_mm, grid.cell_mm, nx, ny)
    return part, (row - j) * nx + (col - i)
