"""How much of each cell an outline covers, exactly.

Every side of the outline adds, to each cell it passes through, the part of the cell to its right and, to all
cells farther right in the row, its height within the row; counter-clockwise rings then sum to the share
covered. Exact up to rounding for any polygon that lies on the grid. [derived, first principles]
"""

import math

import numpy as np
import shapely
from numba import njit
from shapely import MultiPolygon

from moldplan.columns.grid import Floats, Grid


@njit(cache=True, nogil=True)
def add_ring(points: Floats, part: Floats, carry: Floats) -> None:
    """Add one closed ring (n, 2), in cell units, to `part` and `carry` (ny, nx).

    The ring's first point is repeated at its end.
    """
    ny, nx = part.shape
    for n in range(points.shape[0] - 1):
        xa, ya, xb, yb = points[n, 0], points[n, 1], points[n + 1, 0], points[n + 1, 1]
        if ya == yb:
            continue
        sign = -1.0
        if ya > yb:
            xa, ya, xb, yb, sign = xb, yb, xa, ya, 1.0
        lean = (xb - xa) / (yb - ya)
        for j in range(max(math.floor(ya), 0), min(math.floor(yb), ny - 1) + 1):
            y0, y1 = max(ya, float(j)), min(yb, j + 1.0)
            if y1 <= y0:
                continue
            x0, x1 = xa + (y0 - ya) * lean, xa + (y1 - ya) * lean
            if x0 > x1:
                x0, x1 = x1, x0
            first = min(max(math.floor(x0), 0), nx - 1)
            last = min(max(math.floor(x1), 0), nx - 1)
            for i in range(first, last + 1):
                left, right = max(x0, float(i)), min(x1, i + 1.0)
                height = y1 - y0
                if x1 > x0:
                    height *= max(right - left, 0.0) / (x1 - x0)
                part[j, i] += sign * height * (i + 1.0 - 0.5 * (left + right))
                carry[j, i] += sign * height


def covered_share(outline: MultiPolygon, grid: Grid) -> Floats:
    """Return the share (ny, nx), 0 to 1, of each cell of `grid` that `outline` (mm) covers.

    The outline must lie on the grid.
    """
    part, carry = np.zeros(grid.shape), np.zeros(grid.shape)
    corner = np.array([grid.x0_mm, grid.y0_mm])
    for polygon in shapely.orient_polygons(outline).geoms:
        for ring in (polygon.exterior, *polygon.interiors):
            add_ring((shapely.get_coordinates(ring) - corner) / grid.cell_mm, part, carry)
    share = part
    share[:, 1:] += np.cumsum(carry, axis=1)[:, :-1]
    clipped: Floats = np.clip(share, 0.0, 1.0)
    return clipped
