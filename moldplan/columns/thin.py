"""Where two walls face each other: how thick the half is, and how wide its gaps are.

Between two walls runs a middle surface; on its two sides the nearest points of the wall (feet) lie opposite
each other. Two neighbouring cubes whose feet do so have it between them, and the distance between the feet,
square to it, is the width: exact between parallel walls up to two cells, as true as the feet beyond; in a
round rod too small by up to the square of a cell over twice the diameter where cubes do not meet its axis.
Feet count as opposite from 120 deg: a wedge of less than 60 deg is thin, an edge of 90 deg is not. Walls may
lie between the two cubes as well, one or both: a sheet or a gap thinner than a cube is seen. [derived, first
principles]
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats
from moldplan.columns.inside import Floats32, Inside, Items

#: Two feet count as opposite when the cosine of the angle between one and the other turned over is this.
OPPOSITE = 0.5
#: A step along the walls, to within this (product of two cosines), tells nothing of what lies between them.
LEVEL = 0.01
#: Share of a cell below which a distance has no direction: in or out is told to 1/256 of a cell.
NO_WAY = 0.01


@njit(cache=True, nogil=True)
def facing_pairs(
    room: Floats32, foot: Items, feet: Floats, origin: Floats, cell: float, first: int, most_solid: float,
    most_gap: float, middle: Floats, width: Floats, solid: NDArray[np.bool_],
) -> int:  # fmt: skip
    """Count (empty `width`) or store pairs of neighbouring cubes with a middle surface between them.

    `middle` (n, 3) is halfway between the two feet, `width` (n,) how far they are apart, `solid` (n,) whether
    the half lies between them. Cubes of layers under `first` are left out, and what is wider than
    `most_solid` or `most_gap`.
    """
    ny, nx, nz = room.shape
    count = 0
    mine, other = np.empty(3), np.empty(3)
    for j in range(ny):
        for i in range(nx):
            for k in range(first, nz):
                f = foot[j, i, k]
                if f < 0:
                    continue
                here = room[j, i, k] > 0.0
                mine[0] = feet[f, 0] - (origin[0] + (i + 0.5) * cell)
                mine[1] = feet[f, 1] - (origin[1] + (j + 0.5) * cell)
                mine[2] = feet[f, 2] - (origin[2] + (k + 0.5) * cell)
                one = math.sqrt(mine[0] ** 2 + mine[1] ** 2 + mine[2] ** 2)
                if one <= NO_WAY * cell or one >= 0.5 * max(most_solid, most_gap) + cell:
                    continue
                for step in range(14, 27):
                    dj, di, dk = step // 9 - 1, step // 3 % 3 - 1, step % 3 - 1
                    b, a, c = j + dj, i + di, k + dk
                    if b >= ny or a < 0 or a >= nx or c < first or c >= nz:
                        continue
                    g = foot[b, a, c]
                    if g < 0 or g == f:
                        continue
                    other[0] = feet[g, 0] - (origin[0] + (a + 0.5) * cell)
                    other[1] = feet[g, 1] - (origin[1] + (b + 0.5) * cell)
                    other[2] = feet[g, 2] - (origin[2] + (c + 0.5) * cell)
                    along = mine[0] * other[0] + mine[1] * other[1] + mine[2] * other[2]
                    there = room[b, a, c] > 0.0
                    turn = -1.0 if here == there else 1.0
                    # two of a side look apart or at each other; of two sides, both look the same way
                    if turn * along <= 0.0:
                        continue
                    two = math.sqrt(other[0] ** 2 + other[1] ** 2 + other[2] ** 2)
                    if two <= NO_WAY * cell or turn * along < OPPOSITE * one * two:
                        continue
                    away = mine[0] * di + mine[1] * dj + mine[2] * dk
                    onward = other[0] * di + other[1] * dj + other[2] * dk
                    if turn * away * onward <= LEVEL * one * two:
                        continue
                    # looking away, one stands between the walls; looking on, the other does, or both beyond
                    between = here if away < 0.0 else (not here if turn < 0.0 else there)
                    # feet of neighbours lie askew: what is square to the middle surface is the width
                    apart, across, full = 0.0, 0.0, 0.0
                    for n in range(3):
                        square = mine[n] / one + turn * other[n] / two
                        apart += (feet[f, n] - feet[g, n]) * square
                        across += square * square
                        full += (feet[f, n] - feet[g, n]) ** 2
                    apart = abs(apart) / math.sqrt(across)
                    # over the rims of a gap the feet stay on the rims, and only their full distance is true
                    most = most_solid if between else most_gap
                    if full >= most * most:
                        continue
                    if len(width) > 0:
                        for n in range(3):
                            middle[count, n] = 0.5 * (feet[f, n] + feet[g, n])
                        width[count] = apart
                        solid[count] = between
                    count += 1
    return count


def facing_walls(
    inside: Inside, *, most_solid_mm: float, most_gap_mm: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return places between walls that face each other.

    Parameters
    ----------
    inside
        The hollow; its `room_mm` must be known to half of each width below.
    most_solid_mm, most_gap_mm
        Widths from which the half, and a gap of it, is not thin.

    Returns
    -------
    tuple
        Middles (n, 3), widths (n,) in mm, and whether the half lies between (True) or a gap (False).
    """
    none = (np.empty((0, 3)), np.empty(0), np.empty(0, dtype=np.bool_))
    given = (
        inside.room_mm,
        inside.foot,
        inside.feet_mm,
        inside.origin_mm,
        inside.cell_mm,
        inside.open_layers,
    )
    count = facing_pairs(*given, most_solid_mm, most_gap_mm, *none)
    middle, width, solid = np.empty((count, 3)), np.empty(count), np.empty(count, dtype=np.bool_)
    if count:
        facing_pairs(*given, most_solid_mm, most_gap_mm, middle, width, solid)
    return middle, width, solid
