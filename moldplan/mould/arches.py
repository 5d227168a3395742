"""Arches that stand on the board: the least curtain between two feet of one solid, whatever its shadow.

1. Feet are the columns that are solid at the board, joined; each belongs to one solid piece of the half.
2. A curtain hangs from the solid and stands on the board: it runs through columns whose lowest gap begins at
   the board, and its area is the sum of their heights along the way. From a column to the next it must not
   leak: the solid over the lower roof reaches up to the higher one.
3. A piece with k feet makes k - 1 loops. From all its feet at once the nearest foot of every column is found,
   and where two such neighbourhoods touch, a way between their feet. The k - 1 cheapest ways that join all
   feet are a least spanning tree of them (Mehlhorn, "A faster approximation algorithm for the Steiner problem
   in graphs", Information Processing Letters 27, 1988).

A curtain follows the columns, so its length is up to 8 % too long; that decides only where a web is begun.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

from moldplan.columns.grid import Grid
from moldplan.columns.layers import ColumnGaps
from moldplan.half.model import Half
from moldplan.half.solids import surfaces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How far, in cells, the roof of a curtain may step up over the solid beside it.
LEAK: Final = 1.5
_EIGHT: Final = np.ones((3, 3), dtype=int)


@dataclass(frozen=True, kw_only=True)
class Curtain:
    """A curtain under an arch: the cells (n,) it runs through, from foot to foot, and its area."""

    cells: Ints
    area_mm2: float


@dataclass(frozen=True, kw_only=True)
class _Ground:
    """What stands on the board: the height of the gap there (nx * ny), 0 where there is none or a foot.

    `roof_mm` is how high the solid over that gap reaches; over a foot, how high the solid of the foot does.
    `foot` is the number of the foot in a cell, 0 for none.
    """

    grid: Grid
    gap_mm: Floats
    roof_mm: Floats
    foot: Ints


def curtains(half: Half, gaps: ColumnGaps, grid: Grid) -> tuple[Curtain, ...]:
    """Return the least curtains that part the loops under the arches of a half, the largest first.

    Parameters
    ----------
    half
        The half on its board.
    gaps, grid
        All its gaps and their columns.
    """
    ground = _ground(gaps, grid)
    piece_of = _pieces(half, ground)
    edges = _edges(ground)
    found: list[Curtain] = []
    for piece in np.unique(piece_of[1:]):
        feet = np.flatnonzero(piece_of == piece)
        feet = feet[feet > 0]
        if len(feet) > 1:
            found.extend(_of_piece(ground, edges, feet))
    return tuple(sorted(found, key=lambda curtain: -curtain.area_mm2))


def _ground(gaps: ColumnGaps, grid: Grid) -> _Ground:
    """Return what stands on the board in every column."""
    count = np.diff(gaps.start)
    top = gaps.top_mm.ravel()
    last = gaps.start[1:] - 1
    some = count > 0
    low, high = np.ones(len(top)), np.zeros(len(top))
    low[some], high[some] = gaps.low_mm[last[some]], gaps.high_mm[last[some]]
    open_below = some & (low == 0.0)
    foot = (top > 0.0) & ~open_below
    roof = top.copy()
    several = open_below & (count > 1)
    roof[several] = gaps.low_mm[last[several] - 1]
    roof[foot & some] = low[foot & some]
    numbered, _ = label(foot.reshape(grid.shape), structure=_EIGHT)
    return _Ground(
        grid=grid, gap_mm=np.where(open_below, high, 0.0), roof_mm=roof,
        foot=numbered.ravel().astype(np.int64),
    )  # fmt: skip


def _pieces(half: Half, ground: _Ground) -> Ints:
    """Return the solid piece of each foot, by its number; 0 for number 0."""
    feet = int(ground.foot.max())
    piece = np.zeros(feet + 1, dtype=np.int64)
    _, surface = surfaces(half.faces, len(half.vertices))
    on_board = np.flatnonzero(half.vertices[:, 2] == 0.0)
    if not feet or not len(on_board):
        return piece
    numbers, first = np.unique(ground.foot, return_index=True)
    cell = first[numbers > 0]
    grid = ground.grid
    places = np.stack([grid.x_mm()[cell % grid.nx], grid.y_mm()[cell // grid.nx]], axis=1)
    _, nearest = KDTree(half.vertices[on_board, :2]).query(places)
    piece[1:] = surface[on_board[nearest]] + 1
    return piece


def _edges(ground: _Ground) -> tuple[Ints, Ints, Floats]:
    """Return pairs of neighbouring cells that a curtain may run through, and its area between middles."""
    grid, cell_mm = ground.grid, ground.grid.cell_mm
    number = np.arange(grid.nx * grid.ny).reshape(grid.shape)
    pairs = [
        (number[:, :-1], number[:, 1:], 1.0), (number[:-1], number[1:], 1.0),
        (number[:-1, :-1], number[1:, 1:], 2.0**0.5), (number[:-1, 1:], number[1:, :-1], 2.0**0.5),
    ]  # fmt: skip
    one = np.concatenate([a.ravel() for a, _, _ in pairs])
    two = np.concatenate([b.ravel() for _, b, _ in pairs])
    long = np.concatenate([np.full(a.size, length) for a, _, length in pairs])
    stands = (ground.gap_mm > 0.0) | (ground.foot > 0)
    higher = np.maximum(ground.gap_mm[one], ground.gap_mm[two])
    closed = np.minimum(ground.roof_mm[one], ground.roof_mm[two]) >= higher - LEAK * cell_mm
    keep = stands[one] & stands[two] & closed & (higher > 0.0)  # not from foot to foot
    area = 0.5 * (ground.gap_mm[one] + ground.gap_mm[two]) * long * cell_mm
    return one[keep], two[keep], np.maximum(area[keep], 1e-6 * cell_mm * cell_mm)


def _of_piece(ground: _Ground, edges: tuple[Ints, Ints, Floats], feet: Ints) -> list[Curtain]:
    """Return the curtains that join the feet of one piece."""
    one, two, area = edges
    mine = np.isin(ground.foot, feet)
    strange = (ground.foot > 0) & ~mine
    keep = ~(strange[one] | strange[two])
    one, two, area = one[keep], two[keep], area[keep]
    size = len(ground.foot)
    graph = coo_array((area, (one, two)), shape=(size, size)).tocsr()
    starts = np.intersect1d(np.flatnonzero(mine), np.concatenate([one, two]))
    if not len(starts):
        return []
    reached, before, source = dijkstra(
        graph, directed=False, indices=starts, return_predecessors=True, min_only=True
    )
    home = np.where(source >= 0, ground.foot[np.maximum(source, 0)], 0)
    meets = (home[one] != home[two]) & (home[one] > 0) & (home[two] > 0)
    one, two = one[meets], two[meets]
    whole = reached[one] + area[meets] + reached[two]
    found = []
    group = np.arange(int(ground.foot.max()) + 1)
    for k in np.argsort(whole, kind="stable"):
        a, b = group[home[one[k]]], group[home[two[k]]]
        if a != b:
            group[group == b] = a
            way = [*_back(before, one[k])[::-1], *_back(before, two[k])]
            found.append(Curtain(cells=np.array(way), area_mm2=float(whole[k])))
    return found


def _back(before: NDArray[np.int32], cell: int) -> list[int]:
    """Return the cells from one back to its foot."""
    way = [int(cell)]
    while before[way[-1]] >= 0:
        way.append(int(before[way[-1]]))
    return way
