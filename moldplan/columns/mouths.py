"""Which gaps of neighbouring columns belong together, and where they open to the air."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints
from moldplan.columns.layers import ColumnGaps


@dataclass(frozen=True, kw_only=True)
class Contacts:
    """Cell edges over which a gap meets the open air of the next column.

    Contact k belongs to gap `gap[k]`; it lies on the edge towards `side[k]` (0 +x, 1 +y, 2 -x, 3 -y), from
    `low_mm` to `high_mm`, with `x_mm`, `y_mm` the middle of the edge. Contacts with the same `mouth`
    (k,) hang together. `pairs` (p, 2) are the contacts that touch each other.
    """

    gap: Ints
    side: NDArray[np.int8]
    low_mm: Floats
    high_mm: Floats
    x_mm: Floats
    y_mm: Floats
    mouth: Ints
    pairs: Ints


def connected_gaps(gaps: ColumnGaps, grid: Grid, *, overlap_mm: float) -> Ints:
    """Return for every gap the least number of a gap it hangs together with (its region).

    Two gaps hang together when their cells share an edge or a corner and their heights overlap by
    more than `overlap_mm`.
    """
    parent = np.arange(len(gaps.low_mm))
    _join_gaps(gaps.start, gaps.low_mm, gaps.high_mm, grid.nx, grid.ny, overlap_mm, parent)
    return parent


def open_contacts(
    gaps: ColumnGaps, region: Ints, grid: Grid, *, least_mm: float, slack_mm: float
) -> Contacts:
    """Return where gaps meet open air, gathered into mouths.

    Parameters
    ----------
    gaps, region
        The gaps and what `connected_gaps` made of them.
    grid
        Their grid; outside it is open air.
    least_mm
        Least height of a contact.
    slack_mm
        Contacts of one region that share a corner of the grid belong to the same mouth when less than this
        lies between their heights: steep surfaces jump from cell to cell.
    """
    gap, side, low, high = _find_contacts(gaps, grid, least_mm)
    cell = np.searchsorted(gaps.start, gap, side="right") - 1
    step = np.array([(1, 0), (0, 1), (-1, 0), (0, -1)])
    pairs = _touching(_edge_ends(cell, side, grid), region[gap], low, high, slack_mm)
    mouth = np.arange(len(gap))
    _join_pairs(pairs, mouth)
    return Contacts(
        gap=gap,
        side=side.astype(np.int8),
        low_mm=low,
        high_mm=high,
        x_mm=grid.x0_mm + (cell % grid.nx + 0.5 + 0.5 * step[side, 0]) * grid.cell_mm,
        y_mm=grid.y0_mm + (cell // grid.nx + 0.5 + 0.5 * step[side, 1]) * grid.cell_mm,
        mouth=mouth,
        pairs=pairs,
    )


def _find_contacts(gaps: ColumnGaps, grid: Grid, least_mm: float) -> tuple[Ints, Ints, Floats, Floats]:
    """Return gap, side, low and high of every contact, in reading order."""
    top = gaps.top_mm.reshape(-1)
    none, noone = np.zeros(0), np.zeros(0, dtype=np.int64)
    fixed = (gaps.start, gaps.low_mm, gaps.high_mm, top, grid.nx, grid.ny, least_mm)
    count = _contacts(*fixed, noone, noone, none, none)
    gap, side = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    low, high = np.empty(count), np.empty(count)
    _contacts(*fixed, gap, side, low, high)
    return gap, side, low, high


def _edge_ends(cell: Ints, side: Ints, grid: Grid) -> Ints:
    """Return the numbers (k, 2) of the grid corners at both ends of each contact's edge."""
    first = np.array([(1, 0), (0, 1), (0, 0), (0, 0)])
    second = np.array([(1, 1), (1, 1), (0, 1), (1, 0)])
    column, row = cell % grid.nx, cell // grid.nx
    ends = [(row + at[side, 1]) * (grid.nx + 1) + column + at[side, 0] for at in (first, second)]
    return np.stack(ends, axis=1)


def _touching(ends: Ints, region: Ints, low: Floats, high: Floats, slack_mm: float) -> Ints:
    """Return the pairs of contacts that share a corner, a region and (nearly) a height."""
    contact = np.concatenate([np.arange(len(ends)), np.arange(len(ends))])
    corner = np.concatenate([ends[:, 0], ends[:, 1]])
    order = np.lexsort((contact, corner))
    contact, corner = contact[order], corner[order]
    count = _corner_pairs(contact, corner, region, low, high, slack_mm, np.zeros((0, 2), dtype=np.int64))
    pairs = np.empty((count, 2), dtype=np.int64)
    _corner_pairs(contact, corner, region, low, high, slack_mm, pairs)
    return pairs


@njit(cache=True, nogil=True)
def _root(parent: Ints, item: int) -> int:
    """Return the root of `item`, halving its path."""
    while parent[item] != item:
        parent[item] = parent[parent[item]]
        item = parent[item]
    return item


@njit(cache=True, nogil=True)
def _join(parent: Ints, one: int, two: int) -> None:
    """Join two sets under the lesser root, so that the result does not depend on the order."""
    one, two = _root(parent, one), _root(parent, two)
    if one < two:
        parent[two] = one
    else:
        parent[one] = two


@njit(cache=True, nogil=True)
def _flatten(parent: Ints) -> None:
    """Point every item straight at its root."""
    for item in range(len(parent)):
        parent[item] = _root(parent, item)


@njit(cache=True, nogil=True)
def _join_gaps(
    start: Ints, low: Floats, high: Floats, nx: int, ny: int, overlap: float, parent: Ints
) -> None:
    """Union-find over the four neighbours that come later in reading order."""
    for row in range(ny):
        for column in range(nx):
            cell = row * nx + column
            if start[cell] == start[cell + 1]:
                continue
            for side in range(4):
                across = column + (1 if side == 0 else side - 2)
                up = row + (0 if side == 0 else 1)
                if across < 0 or across >= nx or up >= ny:
                    continue
                other = up * nx + across
                for i in range(start[cell], start[cell + 1]):
                    for k in range(start[other], start[other + 1]):
                        if min(high[i], high[k]) - max(low[i], low[k]) > overlap:
                            _join(parent, i, k)
    _flatten(parent)


@njit(cache=True, nogil=True)
def _contacts(
    start: Ints,
    low: Floats,
    high: Floats,
    top: Floats,
    nx: int,
    ny: int,
    least: float,
    gap: Ints,
    side: Ints,
    bottom: Floats,
    ceiling: Floats,
) -> int:
    """Count (empty `gap`) or store where gaps look into the open air over the next column."""
    count = 0
    for row in range(ny):
        for column in range(nx):
            cell = row * nx + column
            for i in range(start[cell], start[cell + 1]):
                for turn in range(4):
                    across = column + (1 if turn == 0 else (-1 if turn == 2 else 0))
                    up = row + (1 if turn == 1 else (-1 if turn == 3 else 0))
                    ground = 0.0
                    if 0 <= across < nx and 0 <= up < ny:
                        ground = top[up * nx + across]
                    bottom_here = max(low[i], ground)
                    if high[i] - bottom_here < least:
                        continue
                    if len(gap) > 0:
                        gap[count] = i
                        side[count] = turn
                        bottom[count] = bottom_here
                        ceiling[count] = high[i]
                    count += 1
    return count


@njit(cache=True, nogil=True)
def _corner_pairs(
    contact: Ints, corner: Ints, region: Ints, low: Floats, high: Floats, slack: float, pairs: Ints
) -> int:
    """Count (empty `pairs`) or store the contacts that touch; `corner` is sorted."""
    count = 0
    for i in range(len(contact)):
        k = i + 1
        while k < len(contact) and corner[k] == corner[i]:
            one, two = contact[i], contact[k]
            if region[one] == region[two] and min(high[one], high[two]) + slack > max(low[one], low[two]):
                if len(pairs) > 0:
                    pairs[count, 0] = one
                    pairs[count, 1] = two
                count += 1
            k += 1
    return count


@njit(cache=True, nogil=True)
def _join_pairs(pairs: Ints, parent: Ints) -> None:
    """Union-find over the pairs."""
    for k in range(len(pairs)):
        _join(parent, pairs[k, 0], pairs[k, 1])
    _flatten(parent)
