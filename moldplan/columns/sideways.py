"""Rubber in the gaps of a half drawn out sideways: how far it has to go, and whether the pattern lets it.

A place in a gap moves level with the board. It is out when nothing of the half hangs over it any more; it is
shut in when it meets the half before it has left the rubber's outer face. Its back is free when the gap
behind it ends in more rubber instead of the half: drawn out, that rubber only takes its place. Steps are half
a cell until it is out, then whole cells; lengths are good to about a cell of the half's grid.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints
from moldplan.columns.layers import ColumnGaps

#: Length of one step, in cells.
STEP: Final = 0.5
#: A place may start this many cells inside the half: heights of neighbouring columns differ on a slope.
GRAZES: Final = 1.5


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """Places (n,) drawn out along one direction.

    `travel_mm` is how far each goes until nothing hangs over it, `root_mm` the height of what hung over it
    last, `clear` whether it came out and met nothing until it had left the rubber. When more places are shut
    in, or free at the back, than were allowed the rest is not looked at, and none of them is clear.
    """

    travel_mm: Floats
    root_mm: Floats
    clear: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Room:
    """What stands in the way: the gaps and tops of a half on its grid, the rubber's outer face on its own."""

    gaps: ColumnGaps
    grid: Grid
    outer_mm: Floats
    outer_grid: Grid


def drawn_sideways(
    places_mm: Floats, direction: tuple[float, float], room: Room, *, most_shut: int, most_free: int
) -> Drawn:
    """Draw places out of their gaps, level with the board.

    Parameters
    ----------
    places_mm
        Places (n, 3) in gaps, in the half's frame.
    direction
        Unit direction on the board.
    room
        What stands in the way.
    most_shut, most_free
        How many places may be shut in, and how many free at the back.
    """
    count = len(places_mm)
    travel, root, clear = np.zeros(count), np.zeros(count), np.zeros(count, dtype=np.bool_)
    grid, outer = room.grid, room.outer_grid
    _draw(
        np.ascontiguousarray(places_mm, dtype=np.float64), float(direction[0]), float(direction[1]),
        room.gaps.start, room.gaps.low_mm, room.gaps.high_mm, room.gaps.top_mm,
        grid.x0_mm, grid.y0_mm, grid.cell_mm,
        room.outer_mm, outer.x0_mm, outer.y0_mm, outer.cell_mm,
        most_shut, most_free, travel, root, clear,
    )  # fmt: skip
    return Drawn(travel_mm=travel, root_mm=root, clear=clear)


def thickness_inside(places_mm: Floats, normals: Floats, room: Room, *, most_mm: float) -> Floats:
    """Return how thick the half is below places of its surface, square to it.

    Parameters
    ----------
    places_mm, normals
        Places (n, 3) on the surface, and its unit normals (n, 3) there, pointing out.
    room
        The half's gaps and tops.
    most_mm
        Thicker than this is not looked at.

    Returns
    -------
    ndarray
        Thickness (n,) in mm, infinite from `most_mm` on. What lies below the board counts as solid: there the
        other half goes on. Good to about a cell of the half's grid.
    """
    thickness = np.full(len(places_mm), np.inf)
    grid, gaps = room.grid, room.gaps
    _pierce(
        np.ascontiguousarray(places_mm, dtype=np.float64), np.ascontiguousarray(normals, dtype=np.float64),
        gaps.start, gaps.low_mm, gaps.high_mm, gaps.top_mm, grid.x0_mm, grid.y0_mm, grid.cell_mm,
        most_mm, thickness,
    )  # fmt: skip
    return thickness


@njit(cache=True, nogil=True)
def _held(
    column: int, row: int, z: float, start: Ints, low: Floats, high: Floats, top: Floats
) -> tuple[bool, float]:
    """Return whether the half fills a place, and the height of what hangs over it (below 0: nothing)."""
    ny, nx = top.shape
    if column < 0 or row < 0 or column >= nx or row >= ny or z >= top[row, column]:
        return False, -1.0
    cell = row * nx + column
    for gap in range(start[cell], start[cell + 1]):
        if low[gap] <= z <= high[gap]:
            return False, high[gap]
    return True, -1.0


@njit(cache=True, nogil=True)
def _above(column: int, row: int, outer: Floats) -> float:
    """Return the height of the rubber's outer face, 0 beyond its grid."""
    if column < 0 or row < 0 or row >= outer.shape[0] or column >= outer.shape[1]:
        return 0.0
    return float(outer[row, column])


@njit(cache=True, nogil=True)
def _draw(
    places: Floats, along_x: float, along_y: float,
    start: Ints, low: Floats, high: Floats, top: Floats, x0: float, y0: float, cell: float,
    outer: Floats, outer_x0: float, outer_y0: float, outer_cell: float,
    most_shut: int, most_free: int, travel: Floats, root: Floats, clear: NDArray[np.bool_],
) -> None:  # fmt: skip
    """Walk each place along the direction until it has left the rubber, or meets the half."""
    shut, free = 0, 0
    for place in range(len(places)):
        x, y, z = places[place]
        far = 0.0
        while True:
            at_x, at_y = x - far * along_x, y - far * along_y
            column, row = int(np.floor((at_x - x0) / cell)), int(np.floor((at_y - y0) / cell))
            solid, roof = _held(column, row, z, start, low, high, top)
            if solid or roof < 0.0:
                free += 0 if solid else 1
                break
            far += STEP * cell
        far = 0.0
        out = False
        while True:
            at_x, at_y = x + far * along_x, y + far * along_y
            column, row = int(np.floor((at_x - x0) / cell)), int(np.floor((at_y - y0) / cell))
            solid, roof = _held(column, row, z, start, low, high, top)
            if solid:
                if far > GRAZES * cell:
                    shut += 1
                    break
            elif roof >= 0.0:
                if not out:
                    root[place] = roof
            else:
                if not out:
                    out = True
                    travel[place] = far
                column = int(np.floor((at_x - outer_x0) / outer_cell))
                row = int(np.floor((at_y - outer_y0) / outer_cell))
                if z >= _above(column, row, outer):
                    clear[place] = True
                    break
            far += cell if out else STEP * cell
        if shut > most_shut or free > most_free:
            clear[:] = False
            return


@njit(cache=True, nogil=True)
def _pierce(
    places: Floats, normals: Floats,
    start: Ints, low: Floats, high: Floats, top: Floats, x0: float, y0: float, cell: float,
    most: float, thickness: Floats,
) -> None:  # fmt: skip
    """Walk from each place inwards until the half ends."""
    step = STEP * cell
    for place in range(len(places)):
        x, y, z = places[place]
        far = step
        entered = False
        while far < most:
            at_x, at_y, at_z = (
                x - far * normals[place, 0], y - far * normals[place, 1], z - far * normals[place, 2]
            )  # fmt: skip
            column, row = int(np.floor((at_x - x0) / cell)), int(np.floor((at_y - y0) / cell))
            solid, _ = _held(column, row, at_z, start, low, high, top)
            if solid or at_z < 0.0:
                entered = True
            elif entered or far > GRAZES * cell:
                # between the last step inside and the first one outside
                thickness[place] = far - 0.5 * step
                break
            far += step
