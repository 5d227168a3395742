"""Integrals of height maps to a small part of what half a cell all round would cost.

Cells where the height bends or jumps are sampled again on a lattice inside the cell; in all other cells the
mean is the middle's height plus 1/24 of its second differences (the next term of the midpoint rule).
[derived, first principles]
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid
from moldplan.columns.offset import Carriers, Slots, lattice, sample_heights

#: Second difference, in cells, above which a cell is sampled again.
BEND_CELLS = 2.0
#: Lattice for heights without jumps; along the axes it is as good as 34 rows.
SLOPE_LATTICE = (34, 21)
#: Lattice for heights with jumps.
JUMP_LATTICE = (89, 55)


@dataclass(frozen=True)
class Sampled:
    """A height map with finer samples where it bends.

    `heights` (ny, nx) at the middles; `slots` (ny, nx) rows of `fine` (k, places), -1 where there are none.
    """

    grid: Grid
    heights: Floats
    slots: Slots
    fine: Floats

    def means(self, ceiling_mm: float = np.inf) -> Floats:
        """Return the mean (ny, nx) of min(height, `ceiling_mm`) over each cell."""
        middle = np.minimum(self.heights, ceiling_mm)
        out = np.maximum(middle + (_second(middle, 0) + _second(middle, 1)) / 24.0, 0.0)
        held = self.slots >= 0
        out[held] = np.minimum(self.fine, ceiling_mm).mean(axis=1)[self.slots[held]]
        return out

    def means_above_board(self) -> Floats:
        """Return the mean (ny, nx) over the part of each cell where the height is not 0."""
        out = self.means()
        held = self.slots >= 0
        counts = (self.fine > 0.0).sum(axis=1)
        inside = self.fine.sum(axis=1) / np.maximum(counts, 1)
        nearby = _greatest_nearby(self.heights)[held]
        out[held] = np.where(counts[self.slots[held]] > 0, inside[self.slots[held]], nearby)
        return out


def _second(heights: Floats, axis: int) -> Floats:
    """Return second differences along `axis`, 0 at the border."""
    out = np.zeros_like(heights)
    inner = (slice(1, -1), slice(None)) if axis == 0 else (slice(None), slice(1, -1))
    out[inner] = np.diff(heights, n=2, axis=axis)
    return out


def _greatest_nearby(heights: Floats) -> Floats:
    """Return the greatest of each cell and its eight neighbours."""
    out = heights.copy()
    for axis in (0, 1):
        ahead, back = np.roll(out, 1, axis), np.roll(out, -1, axis)
        out = np.maximum(out, np.maximum(ahead, back))
    return out


def bent(heights: Floats, cell_mm: float) -> NDArray[np.bool_]:
    """Return where (ny, nx) a height map bends within or beside a cell."""
    bends = np.maximum(np.abs(_second(heights, 0)), np.abs(_second(heights, 1)))
    return _greatest_nearby(bends) > BEND_CELLS * cell_mm


def sample_again(
    vertices: Floats, parts: Carriers, heights: Floats, *, where: NDArray[np.bool_], radius_mm: float,
    draft_rad: float, grid: Grid,
) -> Sampled:  # fmt: skip
    """Return `heights` with fine samples in the cells `where` (ny, nx)."""
    slots = np.full(grid.shape, -1, dtype=np.int32)
    slots[where] = np.arange(int(where.sum()), dtype=np.int32)
    count, step = SLOPE_LATTICE if draft_rad > 0.0 else JUMP_LATTICE
    fine = sample_heights(
        vertices, parts, radius_mm=radius_mm, draft_rad=draft_rad, grid=grid, slots=slots,
        places=lattice(count, step),
    )  # fmt: skip
    return Sampled(grid, heights, slots, fine)
