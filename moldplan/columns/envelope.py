"""The exact volume under the highest surface of a closed mesh, cell by cell.

Goal: ``integral of top(x, y) dA``, where `top` is the highest surface above z = 0 and 0 where there is
nothing. Less the solid's volume it is the undercut of a half on its board.

1. Every triangle is clipped to every cell it touches. Per cell: the area and the integral of z over the
   up-facing pieces, the same with sign over all pieces (the solid's volume in that cell), the lowest
   up-facing and the highest down-facing height.
2. Where all up-facing pieces lie above all down-facing ones nothing up-facing is hidden, and the integral
   over the up-facing pieces is the answer. That is nearly every cell.
3. The other cells are *folded*. Their pieces, sorted by height, are walked from the top. Between clusters of
   overlapping heights the solid is either everywhere or nowhere in the cell (signed area of what lies
   above), and below a level where it is everywhere nothing can be seen.
4. What is left and still folded is solved as the upper envelope of its up-facing pieces: from each convex
   piece the parts of all other pieces that lie above it are cut away, exactly, as convex fragments.

Error: rounding only; the grid decides the time taken, not the result. A cell too tangled for the
fixed buffers of step 4 (never seen in practice) widens the bracket instead of being guessed.
Source: derived, first principles; clipping after Sutherland and Hodgman (1974), doi:10.1145/360767.360802.
Tried and dropped: bounds from rasters at the cell's corners and middles, which need refinement to reach 1 %.
All in one file: numba's cache does not notice a change in another one.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from moldplan.columns.grid import Floats, Grid, Ints

PIECE_CORNERS = 8  # a triangle clipped by a square has at most 7
FRAGMENT_CORNERS = 24
FRAGMENTS = 64
STEEP = 1e-10  # shadow / area below which a triangle is a wall
NO_AREA = 1e-14  # of a cell
SHORT = 1e-8  # of a cell: a side whose direction is lost in rounding
FULL = 1e-11  # a cell covered to this share is covered; rounding of its pieces is a hundred times less


@dataclass(frozen=True, kw_only=True)
class TopIntegral:
    """Volume under the highest surface. The true value of the mesh lies in [`low_mm3`, `high_mm3`].

    `area_mm2` is the area of the shadow. `top_mm3` and `solid_mm3` (ny, nx) are the volume under the
    highest surface and the volume of the solid, cell by cell; `folded` counts the cells that needed more
    than step 1.
    """

    low_mm3: float
    high_mm3: float
    best_mm3: float
    area_mm2: float
    top_mm3: Floats
    solid_mm3: Floats
    folded: int


def top_integral(vertices: Floats, faces: Ints, grid: Grid) -> TopIntegral:
    """Return the volume under the highest surface of a closed mesh that lies on z = 0.

    Parameters
    ----------
    vertices
        Points (n, 3) in mm, z >= 0.
    faces
        Corners (m, 3) of the triangles, wound outwards, closed. Bodies may touch, not overlap.
    grid
        Cells to work in; it must cover the mesh. Any size gives the same result.

    Returns
    -------
    TopIntegral
        Exact up to rounding; the bracket holds the rounding and any cell given up.

    Raises
    ------
    ValueError
        When the mesh sticks out of the grid or below the board.
    """
    cells = _in_cells(vertices, grid)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    count = grid.nx * grid.ny
    sums = np.zeros((count, 3))
    heights = np.empty((count, 2))
    _survey(cells, corners, grid.nx, grid.ny, sums, heights)
    folded = (heights[:, 0] <= heights[:, 1]) & (heights[:, 1] > 0.0)
    seen = sums[:, :2].copy()
    slack = _solve_folded(cells, corners, grid, folded, seen)
    unit = grid.cell_area_mm2
    best = float(seen[:, 1].sum()) * unit
    noise = _rounding_mm3(vertices, grid)
    return TopIntegral(
        low_mm3=best - noise - slack * unit,
        high_mm3=best + noise + slack * unit,
        best_mm3=best,
        area_mm2=float(seen[:, 0].sum()) * unit,
        top_mm3=seen[:, 1].reshape(grid.shape) * unit,
        solid_mm3=sums[:, 2].reshape(grid.shape) * unit,
        folded=int(folded.sum()),
    )


def _in_cells(vertices: Floats, grid: Grid) -> Floats:
    """Return the points with x, y in cells of the grid and z in mm; refuse what lies outside."""
    cells = np.array(vertices, dtype=np.float64)
    cells[:, 0] = (cells[:, 0] - grid.x0_mm) / grid.cell_mm
    cells[:, 1] = (cells[:, 1] - grid.y0_mm) / grid.cell_mm
    low, high = cells.min(axis=0), cells.max(axis=0)
    if low[:2].min() < -1e-6 or high[0] > grid.nx + 1e-6 or high[1] > grid.ny + 1e-6:
        raise ValueError(
            f"the mesh covers cells {low[:2]} to {high[:2]}, the grid only 0 to {grid.nx}, {grid.ny}: "
            "make the grid over the mesh's bounding box"
        )
    if low[2] < 0.0:
        raise ValueError(f"the mesh reaches {low[2]} mm below the board: cut it at z = 0 first")
    cells[:, 0] = np.clip(cells[:, 0], 0.0, float(grid.nx))
    cells[:, 1] = np.clip(cells[:, 1], 0.0, float(grid.ny))
    return cells


def _rounding_mm3(vertices: Floats, grid: Grid) -> float:
    """Bound the rounding: a part in 1e9 of the box round the mesh (measured: a part in 1e12 or less)."""
    return 1e-9 * grid.nx * grid.ny * grid.cell_area_mm2 * float(vertices[:, 2].max())


def _solve_folded(
    cells: Floats, faces: Ints, grid: Grid, folded: np.typing.NDArray[np.bool_], seen: Floats
) -> float:
    """Replace the sums of folded cells by what is really seen; return the half-width left (cell mm)."""
    where = np.flatnonzero(folded)
    if not len(where):
        return 0.0
    slot = np.full(len(folded), -1, dtype=np.int64)
    slot[where] = np.arange(len(where))
    start = np.zeros(len(where) + 1, dtype=np.int64)
    nothing = np.zeros(0, dtype=np.int64)
    _gather(cells, faces, grid.nx, grid.ny, slot, start[1:], nothing)
    most = int(start.max())
    np.cumsum(start, out=start)
    members = np.empty(start[-1], dtype=np.int64)
    _gather(cells, faces, grid.nx, grid.ny, slot, start[:-1].copy(), members)
    slack = np.zeros(len(where))
    _solve(cells, faces, grid.nx, where, start, members, most, seen, slack)
    return float(slack.sum())


@njit(cache=True, nogil=True, error_model="numpy")
def _clip(points: Floats, count: int, axis: int, limit: float, keep: float, out: Floats) -> int:
    """Keep the part of a polygon below (`keep` 1) or above (-1) `limit` along `axis`; return its corners."""
    kept = 0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        here = keep * (points[i, axis] - limit)
        there = keep * (points[j, axis] - limit)
        if here <= 0.0:
            for k in range(3):
                out[kept, k] = points[i, k]
            kept += 1
        if (here < 0.0 < there) or (there < 0.0 < here):
            share = here / (here - there)
            for k in range(3):
                out[kept, k] = points[i, k] + share * (points[j, k] - points[i, k])
            out[kept, axis] = limit
            kept += 1
    return kept


@njit(cache=True, nogil=True, error_model="numpy")
def _band(points: Floats, count: int, axis: int, low: float, below: Floats, above: Floats) -> int:
    """Clip to ``low <= points[:, axis] <= low + 1``, result in `above`; return its corners."""
    kept = _clip(points, count, axis, low + 1.0, 1.0, below)
    return int(_clip(below, kept, axis, low, -1.0, above))


@njit(cache=True, nogil=True, error_model="numpy")
def _first_last(points: Floats, count: int, axis: int, limit: int) -> tuple[int, int]:
    """Return the first and last cell along `axis` that a polygon touches."""
    low = points[0, axis]
    high = low
    for i in range(1, count):
        low = min(low, points[i, axis])
        high = max(high, points[i, axis])
    return min(int(low), limit - 1), min(int(high), limit - 1)


@njit(cache=True, nogil=True, error_model="numpy")
def _load(vertices: Floats, faces: Ints, face: int, out: Floats) -> int:
    """Copy a triangle's corners; return its facing: 1 up, -1 down, 0 for a wall."""
    for i in range(3):
        for k in range(3):
            out[i, k] = vertices[faces[face, i], k]
    ax, ay, az = out[1, 0] - out[0, 0], out[1, 1] - out[0, 1], out[1, 2] - out[0, 2]
    bx, by, bz = out[2, 0] - out[0, 0], out[2, 1] - out[0, 1], out[2, 2] - out[0, 2]
    nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    if abs(nz) <= STEEP * (abs(nx) + abs(ny) + abs(nz)):
        return 0
    return 1 if nz > 0.0 else -1


@njit(cache=True, nogil=True, error_model="numpy")
def _measure(points: Floats, count: int) -> tuple[float, float, float, float]:
    """Return signed area, integral of z, least and greatest z of a plane polygon."""
    area, moment = 0.0, 0.0
    low, high = points[0, 2], points[0, 2]
    for i in range(1, count):
        low = min(low, points[i, 2])
        high = max(high, points[i, 2])
    for i in range(1, count - 1):
        ax, ay = points[i, 0] - points[0, 0], points[i, 1] - points[0, 1]
        bx, by = points[i + 1, 0] - points[0, 0], points[i + 1, 1] - points[0, 1]
        piece = 0.5 * (ax * by - ay * bx)
        area += piece
        moment += piece * (points[0, 2] + points[i, 2] + points[i + 1, 2]) / 3.0
    return area, moment, low, high


@njit(cache=True, nogil=True, error_model="numpy")
def _survey(vertices: Floats, faces: Ints, nx: int, ny: int, sums: Floats, heights: Floats) -> None:
    """Step 1: per cell the up-facing area and integral, the signed integral, lowest up, highest down."""
    for cell in range(nx * ny):
        heights[cell, 0] = np.inf
        heights[cell, 1] = -np.inf
    triangle = np.empty((PIECE_CORNERS, 3))
    spare = np.empty((PIECE_CORNERS, 3))
    strip = np.empty((PIECE_CORNERS, 3))
    piece = np.empty((PIECE_CORNERS, 3))
    for face in range(len(faces)):
        facing = _load(vertices, faces, face, triangle)
        if facing == 0:
            continue
        first_row, last_row = _first_last(triangle, 3, 1, ny)
        for row in range(first_row, last_row + 1):
            in_strip = _band(triangle, 3, 1, float(row), spare, strip)
            if in_strip == 0:
                continue
            first, last = _first_last(strip, in_strip, 0, nx)
            for column in range(first, last + 1):
                corners = _band(strip, in_strip, 0, float(column), spare, piece)
                if corners == 0:
                    continue
                area, moment, low, high = _measure(piece, corners)
                cell = row * nx + column
                sums[cell, 2] += moment
                if facing > 0:
                    sums[cell, 0] += area
                    sums[cell, 1] += moment
                    heights[cell, 0] = min(heights[cell, 0], low)
                else:
                    heights[cell, 1] = max(heights[cell, 1], high)


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(vertices: Floats, faces: Ints, nx: int, ny: int, slot: Ints, cursor: Ints, members: Ints) -> None:
    """Count (empty `members`) or list the triangles that touch each folded cell, walls included."""
    triangle = np.empty((PIECE_CORNERS, 3))
    spare = np.empty((PIECE_CORNERS, 3))
    strip = np.empty((PIECE_CORNERS, 3))
    for face in range(len(faces)):
        _load(vertices, faces, face, triangle)
        first_row, last_row = _first_last(triangle, 3, 1, ny)
        for row in range(first_row, last_row + 1):
            in_strip = _band(triangle, 3, 1, float(row), spare, strip)
            if in_strip == 0:
                continue
            first, last = _first_last(strip, in_strip, 0, nx)
            for column in range(first, last + 1):
                place = slot[row * nx + column]
                if place >= 0:
                    if len(members) > 0:
                        members[cursor[place]] = face
                    cursor[place] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _solve(
    vertices: Floats,
    faces: Ints,
    nx: int,
    where: Ints,
    start: Ints,
    members: Ints,
    most: int,
    seen: Floats,
    slack: Floats,
) -> None:
    """Do steps 3 and 4 for every folded cell."""
    pieces = np.empty((most, PIECE_CORNERS, 3))
    corners = np.empty(most, dtype=np.int64)
    planes = np.empty((most, 3))
    measures = np.empty((most, 4))
    order = np.empty(most, dtype=np.int64)
    frames = np.empty((2, FRAGMENTS, FRAGMENT_CORNERS, 2))
    sizes = np.empty((2, FRAGMENTS), dtype=np.int64)
    scratch = np.empty((4, FRAGMENT_CORNERS, 2))
    for k in range(len(where)):
        row, column = where[k] // nx, where[k] % nx
        count = _cell_pieces(
            vertices, faces, members[start[k] : start[k + 1]], row, column, pieces, corners, planes, measures
        )
        count = _visible_part(measures, count, order)
        area, moment, apart = _sum_up(measures, order, count)
        if not apart:
            ups = _only_up(measures, order, count)
            area, moment, width = _envelope(
                pieces, corners, planes, measures, order, ups, frames, sizes, scratch
            )
            slack[k] = width
        seen[where[k], 0] = area
        seen[where[k], 1] = moment


@njit(cache=True, nogil=True, error_model="numpy")
def _cell_pieces(
    vertices: Floats,
    faces: Ints,
    members: Ints,
    row: int,
    column: int,
    pieces: Floats,
    corners: Ints,
    planes: Floats,
    measures: Floats,
) -> int:
    """Clip the triangles of a cell to it, with x, y from the cell's corner; return how many are left."""
    triangle = np.empty((PIECE_CORNERS, 3))
    spare = np.empty((PIECE_CORNERS, 3))
    strip = np.empty((PIECE_CORNERS, 3))
    count = 0
    for face in members:
        facing = _load(vertices, faces, face, triangle)
        for i in range(3):
            triangle[i, 0] -= column
            triangle[i, 1] -= row
        in_strip = _band(triangle, 3, 1, 0.0, spare, strip)
        if in_strip == 0:
            continue
        kept = _band(strip, in_strip, 0, 0.0, spare, pieces[count])
        if kept == 0:
            continue
        corners[count] = kept
        area, moment, low, high = _measure(pieces[count], kept)
        measures[count, 0] = area if facing != 0 else 0.0
        measures[count, 1] = moment if facing != 0 else 0.0
        measures[count, 2] = low
        measures[count, 3] = high
        if facing > 0:
            _plane(triangle, planes[count])
        count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _plane(triangle: Floats, plane: Floats) -> None:
    """Write a, b, c of ``z = a x + b y + c`` through a triangle that is no wall."""
    ax, ay = triangle[1, 0] - triangle[0, 0], triangle[1, 1] - triangle[0, 1]
    bx, by = triangle[2, 0] - triangle[0, 0], triangle[2, 1] - triangle[0, 1]
    az, bz = triangle[1, 2] - triangle[0, 2], triangle[2, 2] - triangle[0, 2]
    twice = ax * by - ay * bx
    plane[0] = (az * by - bz * ay) / twice
    plane[1] = (bz * ax - az * bx) / twice
    plane[2] = triangle[0, 2] - plane[0] * triangle[0, 0] - plane[1] * triangle[0, 1]


@njit(cache=True, nogil=True, error_model="numpy")
def _visible_part(measures: Floats, count: int, order: Ints) -> int:
    """Step 3: order the pieces from the highest down and stop below a level where the solid is everywhere."""
    for i in range(count):
        order[i] = i
    for i in range(1, count):
        item = order[i]
        k = i - 1
        while k >= 0 and measures[order[k], 3] < measures[item, 3]:
            order[k + 1] = order[k]
            k -= 1
        order[k + 1] = item
    lowest = np.inf
    area = 0.0
    for i in range(count):
        if measures[order[i], 3] < lowest and abs(area - 1.0) < FULL:
            return i
        lowest = min(lowest, measures[order[i], 2])
        area += measures[order[i], 0]
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_up(measures: Floats, order: Ints, count: int) -> tuple[float, float, bool]:
    """Return area and integral of the up-facing pieces, and whether none of them can be hidden."""
    area, moment = 0.0, 0.0
    low_up, high_down = np.inf, -np.inf
    for i in range(count):
        k = order[i]
        if measures[k, 0] > 0.0:
            area += measures[k, 0]
            moment += measures[k, 1]
            low_up = min(low_up, measures[k, 2])
        elif measures[k, 0] < 0.0:
            high_down = max(high_down, measures[k, 3])
    return area, moment, low_up > high_down or high_down <= 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _only_up(measures: Floats, order: Ints, count: int) -> int:
    """Keep the up-facing pieces at the front of `order`; return how many."""
    ups = 0
    for i in range(count):
        if measures[order[i], 0] > NO_AREA:
            order[ups] = order[i]
            ups += 1
    return ups


@njit(cache=True, nogil=True, error_model="numpy")
def _envelope(
    pieces: Floats,
    corners: Ints,
    planes: Floats,
    measures: Floats,
    order: Ints,
    ups: int,
    frames: Floats,
    sizes: Ints,
    scratch: Floats,
) -> tuple[float, float, float]:
    """Step 4: return area, integral and half-width of what is seen of the up-facing pieces from above."""
    area, moment, width = 0.0, 0.0, 0.0
    for a in range(ups):
        i = order[a]
        side = 0
        alive = 1
        sizes[0, 0] = corners[i]
        _copy(pieces[i], corners[i], frames[0, 0])
        for b in range(ups):
            if a == b or alive <= 0:
                continue
            j = order[b]
            if measures[j, 3] <= measures[i, 2]:
                continue
            if _apart(pieces[i], corners[i], pieces[j], corners[j]):
                continue
            cover = _part_above(pieces[j], corners[j], planes[j], planes[i], scratch[2], scratch[3])
            if cover >= 3:
                alive = _subtract(frames, sizes, side, alive, scratch, cover)
                side = 1 - side
        if alive < 0:
            # Too tangled for the buffers: between nothing and all of the piece is seen.
            area += 0.5 * measures[i, 0]
            moment += 0.5 * measures[i, 1]
            width += 0.5 * measures[i, 1]
            continue
        for f in range(alive):
            part, height = _fragment(frames[side, f], sizes[side, f], planes[i])
            height = min(max(height, measures[i, 2]), measures[i, 3])
            area += part
            moment += part * height
    return area, moment, width


@njit(cache=True, nogil=True, error_model="numpy")
def _apart(one: Floats, n_one: int, two: Floats, n_two: int) -> bool:
    """Tell whether the boxes round two polygons do not overlap."""
    for axis in range(2):
        low_one, high_one = one[0, axis], one[0, axis]
        low_two, high_two = two[0, axis], two[0, axis]
        for i in range(1, n_one):
            low_one = min(low_one, one[i, axis])
            high_one = max(high_one, one[i, axis])
        for i in range(1, n_two):
            low_two = min(low_two, two[i, axis])
            high_two = max(high_two, two[i, axis])
        if low_one >= high_two or low_two >= high_one:
            return True
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def _copy(points: Floats, count: int, out: Floats) -> None:
    """Copy x, y of a polygon's corners (corner by corner: a slice takes numba seconds to compile)."""
    for i in range(count):
        out[i, 0] = points[i, 0]
        out[i, 1] = points[i, 1]


@njit(cache=True, nogil=True, error_model="numpy")
def _part_above(piece: Floats, count: int, plane: Floats, other: Floats, spare: Floats, out: Floats) -> int:
    """Write the part of a piece whose plane lies above the `other` plane; return its corners."""
    a, b, c = plane[0] - other[0], plane[1] - other[1], plane[2] - other[2]
    kept = 0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        here = a * piece[i, 0] + b * piece[i, 1] + c
        there = a * piece[j, 0] + b * piece[j, 1] + c
        if here >= 0.0:
            spare[kept, 0] = piece[i, 0]
            spare[kept, 1] = piece[i, 1]
            kept += 1
        if (here < 0.0 < there) or (there < 0.0 < here):
            share = here / (here - there)
            spare[kept, 0] = piece[i, 0] + share * (piece[j, 0] - piece[i, 0])
            spare[kept, 1] = piece[i, 1] + share * (piece[j, 1] - piece[i, 1])
            kept += 1
    return int(_merge_near(spare, kept, out))


@njit(cache=True, nogil=True, error_model="numpy")
def _merge_near(points: Floats, count: int, out: Floats) -> int:
    """Leave out corners so near the one before that rounding would turn the edge between them."""
    kept = 0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        if abs(points[j, 0] - points[i, 0]) + abs(points[j, 1] - points[i, 1]) > SHORT:
            out[kept, 0] = points[i, 0]
            out[kept, 1] = points[i, 1]
            kept += 1
    return kept


@njit(cache=True, nogil=True, error_model="numpy")
def _cut_line(
    points: Floats, count: int, ax: float, ay: float, bx: float, by: float, keep: float, out: Floats
) -> int:
    """Keep the part of a polygon left (`keep` 1) or right (-1) of the line a-b; return its corners."""
    kept = 0
    for i in range(count):
        j = i + 1 if i + 1 < count else 0
        here = keep * ((bx - ax) * (points[i, 1] - ay) - (by - ay) * (points[i, 0] - ax))
        there = keep * ((bx - ax) * (points[j, 1] - ay) - (by - ay) * (points[j, 0] - ax))
        if here >= 0.0:
            out[kept, 0] = points[i, 0]
            out[kept, 1] = points[i, 1]
            kept += 1
        if (here < 0.0 < there) or (there < 0.0 < here):
            share = here / (here - there)
            out[kept, 0] = points[i, 0] + share * (points[j, 0] - points[i, 0])
            out[kept, 1] = points[i, 1] + share * (points[j, 1] - points[i, 1])
            kept += 1
    return kept


@njit(cache=True, nogil=True, error_model="numpy")
def _subtract(frames: Floats, sizes: Ints, side: int, alive: int, scratch: Floats, cover: int) -> int:
    """Take the convex polygon ``scratch[3, :cover]`` away from every fragment; -1 when buffers are full."""
    other = 1 - side
    made = 0
    for f in range(alive):
        if made + cover + 1 > FRAGMENTS or sizes[side, f] + cover + 1 > FRAGMENT_CORNERS:
            return -1
        if _overlap(frames[side, f], sizes[side, f], scratch, cover) <= NO_AREA:
            sizes[other, made] = sizes[side, f]
            _copy(frames[side, f], sizes[side, f], frames[other, made])
            made += 1
            continue
        count = sizes[side, f]
        now = 0
        _copy(frames[side, f], count, scratch[0])
        for e in range(cover):
            ax, ay = scratch[3, e, 0], scratch[3, e, 1]
            n = e + 1 if e + 1 < cover else 0
            bx, by = scratch[3, n, 0], scratch[3, n, 1]
            outside = _cut_line(scratch[now], count, ax, ay, bx, by, -1.0, frames[other, made])
            if outside >= 3 and _area(frames[other, made], outside) > NO_AREA:
                sizes[other, made] = outside
                made += 1
            count = _cut_line(scratch[now], count, ax, ay, bx, by, 1.0, scratch[1 - now])
            now = 1 - now
            if count < 3:
                break
    return made


@njit(cache=True, nogil=True, error_model="numpy")
def _overlap(fragment: Floats, count: int, scratch: Floats, cover: int) -> float:
    """Return the area a fragment shares with the convex polygon ``scratch[3, :cover]``."""
    now = 0
    _copy(fragment, count, scratch[0])
    for e in range(cover):
        n = e + 1 if e + 1 < cover else 0
        ax, ay = scratch[3, e, 0], scratch[3, e, 1]
        bx, by = scratch[3, n, 0], scratch[3, n, 1]
        count = _cut_line(scratch[now], count, ax, ay, bx, by, 1.0, scratch[1 - now])
        now = 1 - now
        if count < 3:
            return 0.0
    return float(_area(scratch[now], count))


@njit(cache=True, nogil=True, error_model="numpy")
def _area(points: Floats, count: int) -> float:
    """Return the area of a polygon."""
    area = 0.0
    for i in range(1, count - 1):
        ax, ay = points[i, 0] - points[0, 0], points[i, 1] - points[0, 1]
        bx, by = points[i + 1, 0] - points[0, 0], points[i + 1, 1] - points[0, 1]
        area += 0.5 * (ax * by - ay * bx)
    return area


@njit(cache=True, nogil=True, error_model="numpy")
def _fragment(points: Floats, count: int, plane: Floats) -> tuple[float, float]:
    """Return the area of a fragment and the mean height of its plane over it."""
    area, moment = 0.0, 0.0
    for i in range(1, count - 1):
        ax, ay = points[i, 0] - points[0, 0], points[i, 1] - points[0, 1]
        bx, by = points[i + 1, 0] - points[0, 0], points[i + 1, 1] - points[0, 1]
        part = 0.5 * (ax * by - ay * bx)
        x = (points[0, 0] + points[i, 0] + points[i + 1, 0]) / 3.0
        y = (points[0, 1] + points[i, 1] + points[i + 1, 1]) / 3.0
        area += part
        moment += part * (plane[0] * x + plane[1] * y + plane[2])
    return area, moment / area if area > 0.0 else 0.0
