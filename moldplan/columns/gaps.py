"""How much of the gaps under a half lies within given distances of it."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats


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
                row[n] += part * min(max(0.5 + (distances[n] - phi[j, i, k]) / cell, 0.0), 1.0)
