"""The grid of columns a mesh is seen through."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Grid:
    """Square cells on the x-y plane; arrays on it are indexed ``[iy, ix]``, y upwards.

    `x0_mm`, `y0_mm` is the lower left corner; the middle of cell (ix, iy) lies at
    ``x0_mm + (ix + 0.5) * cell_mm``, ``y0_mm + (iy + 0.5) * cell_mm``.
    """

    x0_mm: float
    y0_mm: float
    cell_mm: float
    nx: int
    ny: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of an array on this grid."""
        return self.ny, self.nx

    @property
    def cell_area_mm2(self) -> float:
        """Area of one cell."""
        return self.cell_mm * self.cell_mm

    def x_mm(self) -> Floats:
        """Middles of the cells along x, shape (nx,)."""
        return self.x0_mm + (np.arange(self.nx, dtype=np.float64) + 0.5) * self.cell_mm

    def y_mm(self) -> Floats:
        """Middles of the cells along y, shape (ny,)."""
        return self.y0_mm + (np.arange(self.ny, dtype=np.float64) + 0.5) * self.cell_mm


def grid_over(low_xy: Floats, high_xy: Floats, *, cell_mm: float, margin_mm: float = 0.0) -> Grid:
    """Return the least grid of `cell_mm` cells that covers a rectangle grown by `margin_mm`.

    The rectangle lies in the middle of the grid, so that mirror images get mirror grids.
    """
    low = np.asarray(low_xy, dtype=np.float64) - margin_mm
    high = np.asarray(high_xy, dtype=np.float64) + margin_mm
    counts = np.maximum(np.ceil((high - low) / cell_mm - 1e-9).astype(int), 1)
    middle = 0.5 * (low + high)
    corner = middle - 0.5 * counts * cell_mm
    return Grid(float(corner[0]), float(corner[1]), float(cell_mm), int(counts[0]), int(counts[1]))
