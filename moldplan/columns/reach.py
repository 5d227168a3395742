"""How far balls travel through a hollow, and which places of its wall they touch.

1. A ball may stand in the middles of those cubes where there is room for it. Ways go from cube to cube in
   steps of up to two cubes along each axis, each with its true length, and are handed on forwards and
   backwards through the cubes until none gets shorter (`sweep_ways`): the shortest ways from cube to cube,
   whatever the order. On the slant they are longer than the straight line, by up to 5 %, never shorter: a
   place is rather called out of reach.
2. The wall is sampled in pieces no larger than a cube (`wall_places`), whose areas add up to the wall's. A
   place is touched when a ball stands before it (on its inner side) within the ball's radius and a slack.

Error budget
    In the cube that holds the middle of a ball at the wall there may be less than the ball's room, so the
    next ones count, with what more room they have: room changes no faster than one moves. The slack then
    grows with that room, by up to `slack` times a cell: an inner edge is found touched wherever cubes lie.
    A gap that a ball just fits through is found shut when no cube's middle lies where the room is: never
    from two cells wider than the ball. One narrower than the ball by under 0.4 cell may be found open
    between two cubes. [derived, first principles]
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Ints
from moldplan.columns.inside import Floats32, Inside

Flags = NDArray[np.bool_]

#: Half the longest way between neighbouring cubes, in cells: a wall is never between two with so much room.
LEAST_BALL = 0.5 * math.sqrt(3.0)
#: Most rounds of handing ways on; each turn of a winding way may need one.
MOST_ROUNDS = 64


@njit(cache=True, nogil=True)
def cut_triangles(
    vertices: Floats, faces: Ints, spacing: float, points: Floats, normals: Floats, areas: Floats
) -> int:
    """Cut triangles into pieces no larger than `spacing` and store the middle of each, or count them only.

    The longest side of a triangle is cut into equal parts; so is its height, into rows whose parts get fewer
    towards the tip. Areas are exact; `normals` are those of the triangles.
    """
    count = 0
    for f in range(faces.shape[0]):
        sides = np.empty(3)
        for n in range(3):
            one, two = vertices[faces[f, n]], vertices[faces[f, (n + 1) % 3]]
            sides[n] = math.sqrt((one[0] - two[0]) ** 2 + (one[1] - two[1]) ** 2 + (one[2] - two[2]) ** 2)
        first = int(np.argmax(sides))
        a, b = vertices[faces[f, first]], vertices[faces[f, (first + 1) % 3]]
        c = vertices[faces[f, (first + 2) % 3]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        mx, my, mz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = math.sqrt(mx * mx + my * my + mz * mz)
        longest = sides[first]
        if double <= 1e-12 * longest * longest:
            continue
        rows = max(math.ceil(double / longest / spacing), 1)
        for row in range(rows):
            low, high = row / rows, (row + 1) / rows
            # a row of the triangle keeps its area and its middle
            share = (1.0 - low) ** 2 - (1.0 - high) ** 2
            width = 0.5 * ((1.0 - low) + (1.0 - high))
            up = low + (high - low) * ((1.0 - low) + 2.0 * (1.0 - high)) / (3.0 * 2.0 * width)
            parts = max(math.ceil(longest * width / spacing), 1)
            for part in range(parts):
                if len(points) > 0:
                    along = (part + 0.5) / parts * (1.0 - up)
                    # the triangle leans: its rows begin on the side from a to c
                    points[count, 0] = a[0] + along * ux + up * vx
                    points[count, 1] = a[1] + along * uy + up * vy
                    points[count, 2] = a[2] + along * uz + up * vz
                    normals[count, 0], normals[count, 1] = mx / double, my / double
                    normals[count, 2] = mz / double
                    areas[count] = 0.5 * double * share / parts
                count += 1
    return count


@njit(cache=True, nogil=True)
def sweep_ways(
    free: Ints, fits: Flags, steps: Ints, between: Ints, lengths: Floats, shortest: float, ways: Floats
) -> bool:
    """Hand ways on once forwards and once backwards over the `free` cubes; tell whether any got shorter.

    `free` (n,) are the cubes that `fits`, rising, none within two of the border of the grid; `ways` and
    `fits` are flat, over all cubes, `shortest` the least of the ways. `steps` (m,) lead to cubes before one,
    with their `lengths`; a step needs both cubes `between` (m, 2) free.
    """
    shorter = False
    least = shortest + lengths[0]
    for way in range(2):
        turn = 1 - 2 * way
        for n in range(len(free)):
            here = free[n] if way == 0 else free[len(free) - 1 - n]
            best = ways[here]
            if best < least:
                # no neighbour can make it shorter
                continue
            for m in range(len(steps)):
                there = here + turn * steps[m]
                # no way leads to a cube without room, so this leaves them out as well
                if ways[there] + lengths[m] >= best:
                    continue
                if fits[here + turn * between[m, 0]] and fits[here + turn * between[m, 1]]:
                    best = ways[there] + lengths[m]
            if best < ways[here]:
                ways[here] = best
                shorter = True
    return shorter


@njit(cache=True, nogil=True)
def touched_places(
    points: Floats, normals: Floats, reached: Flags, room: Floats32, origin: Floats, cell: float,
    radius: float, slack: float, touched: Flags,
) -> None:  # fmt: skip
    """Mark the places before which a ball of `radius` in some cube of `reached` comes within `slack`.

    With more room in the cube's middle than its radius the ball may roll on by so much, up to a cell. `slack`
    is a share of the ball: 0.5 is half its radius.
    """
    ny, nx, nz = reached.shape
    reach = (radius + cell) * (1.0 + slack)
    for p in range(points.shape[0]):
        x, y, z = points[p, 0], points[p, 1], points[p, 2]
        i0 = max(math.ceil((x - reach - origin[0]) / cell - 0.5), 0)
        i1 = min(math.floor((x + reach - origin[0]) / cell - 0.5), nx - 1)
        j0 = max(math.ceil((y - reach - origin[1]) / cell - 0.5), 0)
        j1 = min(math.floor((y + reach - origin[1]) / cell - 0.5), ny - 1)
        k0 = max(math.ceil((z - reach - origin[2]) / cell - 0.5), 0)
        k1 = min(math.floor((z + reach - origin[2]) / cell - 0.5), nz - 1)
        found = False
        for j in range(j0, j1 + 1):
            dy = origin[1] + (j + 0.5) * cell - y
            for i in range(i0, i1 + 1):
                dx = origin[0] + (i + 0.5) * cell - x
                for k in range(k0, k1 + 1):
                    if not reached[j, i, k]:
                        continue
                    dz = origin[2] + (k + 0.5) * cell - z
                    near = min(room[j, i, k], radius + cell) * (1.0 + slack)
                    if dx * dx + dy * dy + dz * dz > near * near:
                        continue
                    # normals point out of the half, the ball is in it
                    if dx * normals[p, 0] + dy * normals[p, 1] + dz * normals[p, 2] < 0.0:
                        found = True
                        break
                if found:
                    break
            if found:
                break
        touched[p] = found


def wall_places(vertices: Floats, faces: Ints, *, spacing_mm: float) -> tuple[Floats, Floats, Floats]:
    """Return places on triangles (m, 3) no farther apart than `spacing_mm`.

    Returns
    -------
    tuple
        Points (n, 3), normals (n, 3) of their triangles, and the area (n,), mm2, that each stands for.
        Triangles without area have none.
    """
    none = np.empty((0, 3))
    count = cut_triangles(vertices, faces, spacing_mm, none, none, np.empty(0))
    points, normals, areas = np.empty((count, 3)), np.empty((count, 3)), np.empty(count)
    if count:
        cut_triangles(vertices, faces, spacing_mm, points, normals, areas)
    return points, normals, areas


def ways_mm(inside: Inside, starts: Floats, *, radius_mm: float) -> Floats:
    """Return how long the shortest way of a ball is to every cube, inf where it does not get.

    Parameters
    ----------
    inside
        The hollow.
    starts
        Length (ny, nx, nz) that the way to a cube has already, inf where none begins. Cubes without room for
        the ball, and those within two of the border of the grid, begin none.
    radius_mm
        Radius of the ball; with less than `LEAST_BALL` cells it needs the room of that many, so that no step
        leads through a wall.
    """
    least = max(radius_mm, LEAST_BALL * inside.cell_mm)
    fits: Flags = np.zeros(inside.room_mm.shape, dtype=np.bool_)
    fits[2:-2, 2:-2, 2:-2] = inside.room_mm[2:-2, 2:-2, 2:-2] >= least
    ways = np.where(fits, starts, np.inf)
    free = np.flatnonzero(fits)
    _, nx, nz = inside.room_mm.shape
    steps, between, lengths = _steps(nx, nz)
    flat, shortest = ways.reshape(-1), float(ways.min())
    for _ in range(MOST_ROUNDS):
        if not sweep_ways(free, fits.reshape(-1), steps, between, lengths * inside.cell_mm, shortest, flat):
            break
    return ways


def _steps(nx: int, nz: int) -> tuple[Ints, Ints, Floats]:
    """Return the steps from a cube to those before it, the shortest first, in places of the flat grid.

    With each the two cubes that lie about its middle (a short step: its own two ends), and its length in
    cubes. Before means: earlier in the flat grid.
    """
    moves = np.stack(np.meshgrid(*[np.arange(-2, 3)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    moves = moves[np.gcd.reduce(moves, axis=1) == 1]
    before = moves @ np.array([25, 5, 1]) < 0
    moves = moves[before]
    moves = moves[np.argsort((moves**2).sum(axis=1), kind="stable")]
    flat = np.array([nx * nz, nz, 1])
    halves = np.stack([np.fix(0.5 * moves), moves - np.fix(0.5 * moves)], axis=1).astype(np.int64)
    return moves @ flat, halves @ flat, np.linalg.norm(moves, axis=1)


def touched(
    inside: Inside, points: Floats, normals: Floats, reached: Flags, *, radius_mm: float, slack: float
) -> Flags:
    """Tell which places of the wall a ball in the `reached` cubes comes to, within `slack` times its radius.

    `points`, `normals` (n, 3) are those of `wall_places`; every reached cube has room for the ball.
    """
    found = np.zeros(len(points), dtype=np.bool_)
    touched_places(
        points, normals, reached, inside.room_mm, inside.origin_mm, inside.cell_mm, radius_mm, slack, found
    )
    return found
