"""A half as cubes: which are solid, which lie in one undercut, and how far each is from the half."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from moldplan.columns.grid import Grid
from moldplan.columns.layers import column_layers
from moldplan.columns.leave import Cubes
from moldplan.half.model import Gaps, Half

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def box_of(gaps: Gaps, region: int) -> tuple[Floats, Floats]:
    """Return the lowest and the highest corner (3,) of the box round one undercut, its cells whole."""
    mine = gaps.region == region
    x, y = gaps.grid.x_mm()[gaps.col[mine]], gaps.grid.y_mm()[gaps.row[mine]]
    half_cell = 0.5 * gaps.grid.cell_mm
    low = np.array([x.min() - half_cell, y.min() - half_cell, gaps.low_mm[mine].min()])
    high = np.array([x.max() + half_cell, y.max() + half_cell, gaps.high_mm[mine].max()])
    return low, high


def edge_for(low: Floats, high: Floats, *, most: int, least_mm: float) -> float:
    """Return the edge of cubes that fill a box with at most about `most`, no smaller than `least_mm`."""
    each_mm3 = float(np.prod(high - low)) / most
    return float(max(each_mm3 ** (1.0 / 3.0), least_mm))


def solid_cubes(half: Half, low: Floats, high: Floats, edge_mm: float) -> Bools:
    """Return which cubes from corner `low` on lie in the half with their middles, shape (nx, ny, nz).

    Exact at the middles of the cubes. What lies under the board counts as air.
    """
    nx, ny, nz = (max(int(np.ceil(size / edge_mm - 1e-9)), 1) for size in high - low)
    grid = Grid(float(low[0]), float(low[1]), edge_mm, nx, ny)
    layers = column_layers(half.vertices, half.faces, grid)
    column = np.repeat(np.arange(nx * ny), np.diff(layers.start))
    first = _first_above(layers.z_mm, low[2], edge_mm, nz)
    turns = np.zeros((nx * ny, nz + 1), dtype=np.int32)
    np.add.at(turns, (column, first), -layers.sign.astype(np.int32))
    solid = turns.cumsum(axis=1)[:, :nz] > 0
    return np.ascontiguousarray(solid.reshape(ny, nx, nz).transpose(1, 0, 2))


def gap_cubes(gaps: Gaps, region: int, low: Floats, shape: tuple[int, int, int], edge_mm: float) -> Bools:
    """Return which cubes from corner `low` on have their middles in one undercut.

    Cubes must not be smaller than the cells of the gaps. A cube may hold cells of solid too.
    """
    mine = gaps.region == region
    i = np.floor((gaps.grid.x_mm()[gaps.col[mine]] - low[0]) / edge_mm).astype(np.int64)
    j = np.floor((gaps.grid.y_mm()[gaps.row[mine]] - low[1]) / edge_mm).astype(np.int64)
    within = (i >= 0) & (i < shape[0]) & (j >= 0) & (j < shape[1])
    i, j = i[within], j[within]
    first = _first_above(gaps.low_mm[mine][within], low[2], edge_mm, shape[2])
    last = _first_above(gaps.high_mm[mine][within], low[2], edge_mm, shape[2])
    turns = np.zeros((shape[0], shape[1], shape[2] + 1), dtype=np.int32)
    np.add.at(turns, (i, j, first), 1)
    np.add.at(turns, (i, j, last), -1)
    return np.asarray(turns.cumsum(axis=2)[:, :, : shape[2]] > 0)


def clear_cubes(half: Half, low: Floats, high: Floats, edge_mm: float) -> Cubes:
    """Return cubes over a box with their distance from the half, as far as it lies in the box.

    The distance is to the middle of the nearest solid cube less half a cube: mostly good to half a cube, at
    worst to 1.2 (sqrt(3) - 1/2; derived: surfaces pass anywhere between two middles, along a diagonal).
    """
    solid = solid_cubes(half, low, high, edge_mm)
    clear = np.full(solid.shape, np.inf, dtype=np.float32)
    if solid.any():
        distance = edge_mm * (distance_transform_edt(~solid) - 0.5)
        clear = np.where(solid, 0.0, distance).astype(np.float32)
    return Cubes(origin_mm=np.array(low, dtype=np.float64), edge_mm=edge_mm, clear_mm=clear)


def middles(origin_mm: Floats, edge_mm: float, where: Bools) -> Floats:
    """Return the middles (n, 3) of the cubes marked in `where`."""
    return np.asarray(origin_mm + (np.argwhere(where) + 0.5) * edge_mm)


def _first_above(z_mm: Floats, low_mm: float, edge_mm: float, most: int) -> NDArray[np.int64]:
    """Return the number of the first cube whose middle lies at or over each height, at most `most`."""
    first = np.ceil((z_mm - low_mm) / edge_mm - 0.5).astype(np.int64)
    return np.clip(first, 0, most)
