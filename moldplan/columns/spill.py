"""Where liquid stands on a half, and where air stays under it.

The air of every column is cut into spans: gaps of the half, and the open air above it. A span meets the spans
of the eight columns round it that share heights with it.

1. Liquid in a span runs off along the way whose highest sill is lowest (`drain`); what lies below that sill
   is a pool. On the board, and where the board is bare, it runs off.
2. Air in a span rises off along the way whose lowest lintel is highest (`escape`); what lies above it stays.

Both are handed on from column to column until nothing changes. Heights are exact over the middles of the
columns, sills between them are not seen: good to the slope times half a cell.
[derived, first principles: the filling of hollows of a height map, with two sides and several layers]
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from moldplan.columns.grid import Floats, Grid, Ints
from moldplan.columns.layers import ColumnGaps

#: Most rounds of handing on: each turn of a winding way may need one.
MOST_ROUNDS = 200


@dataclass(frozen=True, kw_only=True)
class Spills:
    """Spans of air from `low_mm` to `high_mm` (inf: open), over the cells `cell` (row by row) of a grid.

    `drain_mm`: level down to which liquid runs off; `escape_mm`: level up to which air is free, -inf where
    the span has no way out at all.
    """

    cell: Ints
    low_mm: Floats
    high_mm: Floats
    drain_mm: Floats
    escape_mm: Floats


@njit(cache=True, nogil=True)
def sweep_spills(
    start: Ints, low: Floats, high: Floats, nx: int, ny: int, drain: Floats, escape: Floats
) -> bool:
    """Hand both levels on once forwards and once backwards; tell whether any changed."""
    changed = False
    for way in range(2):
        for n in range(nx * ny):
            here = n if way == 0 else nx * ny - 1 - n
            row, col = here // nx, here % nx
            for j in range(max(row - 1, 0), min(row + 1, ny - 1) + 1):
                for i in range(max(col - 1, 0), min(col + 1, nx - 1) + 1):
                    there = j * nx + i
                    if there == here:
                        continue
                    for a in range(start[here], start[here + 1]):
                        for b in range(start[there], start[there + 1]):
                            sill, lintel = max(low[a], low[b]), min(high[a], high[b])
                            if lintel <= sill:
                                continue
                            down, up = max(sill, drain[b]), min(lintel, escape[b])
                            if down < drain[a]:
                                drain[a] = down
                                changed = True
                            if up > escape[a]:
                                escape[a] = up
                                changed = True
    return changed


def spills(gaps: ColumnGaps, grid: Grid) -> Spills:
    """Return the levels of liquid and air over a half on its board, seen over a grid of columns."""
    columns = grid.nx * grid.ny
    count = np.diff(gaps.start) + 1
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    low, high = np.empty(start[-1]), np.empty(start[-1])
    sky = np.zeros(start[-1], dtype=np.bool_)
    sky[start[:-1]] = True
    low[sky], high[sky] = gaps.top_mm.reshape(-1), np.inf
    low[~sky], high[~sky] = gaps.low_mm, gaps.high_mm
    drain = np.where(low <= 0.0, 0.0, np.inf)
    escape = np.where(sky, np.inf, -np.inf)
    for _ in range(MOST_ROUNDS):
        if not sweep_spills(start, low, high, grid.nx, grid.ny, drain, escape):
            break
    cell = np.repeat(np.arange(columns), count)
    return Spills(cell=cell, low_mm=low, high_mm=high, drain_mm=drain, escape_mm=escape)
