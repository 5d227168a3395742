"""Points on a piece of the surface: clipped out of its triangles, then spread evenly over what is left.

Steps
    1. `clipped` cuts triangles along a level of numbers given at their corners (linear between them), again
       for each side of a box. What is kept is exact, whatever the triangles' size.
    2. `spread` divides every triangle into a lattice finer than wished and keeps one point a cell of a grid,
       so that small triangles do not add up to millions of points. The outermost corners are kept too, so
       that how far the patch reaches along a direction is not rounded to the grid.

Every point of the patch lies within the spacing of a kept one: 0.58 of a lattice edge to the next lattice
point (the middle of an equilateral triangle is the worst of a lattice), a cell's diagonal from there.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.split.directions import icosphere

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Lattice edge and grid cell as shares of the spacing: 0.58 * 0.25 + 1.74 * 0.48 stays below 1.
FINE_SHARE: Final = 0.25
CELL_SHARE: Final = 0.48
#: Outermost points are looked for along the 162 corners of this refined icosahedron, 9 deg apart.
OUTERMOST_LEVEL: Final = 2
#: A spacing that would take more points than this on the way is widened.
MOST_POINTS: Final = 2_000_000


def clipped(triangles: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Return the parts of triangles where a number given at their corners is not below 0.

    Parameters
    ----------
    triangles
        Corners (k, 3, c) with any number c of coordinates each, which are all cut alike.
    levels
        The number at each corner (k, 3).

    Returns
    -------
    tuple
        Triangles (j, 3, c) and their levels (j, 3); each triangle gives none, one or two.
    """
    inside = levels >= 0.0
    count = inside.sum(axis=1)
    # one corner stays: its corner; two stay: two triangles. The odd corner is turned to the front.
    one = _turned(triangles[count == 1], levels[count == 1], np.argmax(inside[count == 1], axis=1))
    two = _turned(triangles[count == 2], levels[count == 2], np.argmin(inside[count == 2], axis=1))
    parts = [(triangles[count == 3], levels[count == 3]), _corner(*one), *_rest(*two)]
    return np.concatenate([part for part, _ in parts]), np.concatenate([level for _, level in parts])


def within_box(triangles: Floats, low: Floats, high: Floats) -> Floats:
    """Return the parts (j, 3, 3) of triangles (k, 3, 3) in the closed box from `low` (3,) to `high` (3,)."""
    near = ((triangles.max(axis=1) >= low) & (triangles.min(axis=1) <= high)).all(axis=1)
    kept: Floats = triangles[near]
    for axis in range(3):
        kept = clipped(kept, kept[:, :, axis] - low[axis])[0]
        kept = clipped(kept, high[axis] - kept[:, :, axis])[0]
    return kept


def area_of(triangles: Floats) -> float:
    """Return the area of triangles (k, 3, 3), in the square of their unit."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return float(0.5 * np.sqrt(np.einsum("ij,ij->i", normals, normals)).sum())


def spread(triangles: Floats, spacing: float) -> Floats:
    """Return points (p, 3) on triangles (k, 3, 3), k at least 1: no place on them is `spacing` away from all.

    Notes
    -----
    Deterministic. Where the spacing, over 0, would take over `MOST_POINTS` on the way it is widened.
    """
    longest = np.sqrt(
        np.max([np.sum((triangles[:, i] - triangles[:, i - 1]) ** 2, axis=1) for i in range(3)], axis=0)
    )
    steps = _steps(longest, spacing)
    while float(np.sum(_lattice_size(steps), dtype=np.float64)) > MOST_POINTS and int(steps.max()) > 1:
        spacing *= 1.5
        steps = _steps(longest, spacing)
    dense = np.concatenate([_divided(triangles[steps == step], int(step)) for step in np.unique(steps)])
    corners = triangles.reshape(-1, 3)
    return np.concatenate([_one_a_cell(dense, CELL_SHARE * spacing), corners[outermost(corners)]])


def outermost(points: Floats) -> Ints:
    """Return which points (k, 3) lie farthest out along one of many directions spread over the sphere."""
    found = {int(np.argmax(points @ direction)) for direction in icosphere(OUTERMOST_LEVEL)[0]}
    return np.array(sorted(found), dtype=np.int64)


def _turned(triangles: Floats, levels: Floats, first: Ints) -> tuple[Floats, Floats]:
    """Return triangles and levels with corner `first` in front, in the same sense of rotation."""
    order = (first[:, None] + np.arange(3)) % 3
    rows = np.arange(len(first))[:, None]
    return triangles[rows, order], levels[rows, order]


def _crossings(triangles: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Return where the level is 0 on the edges from the first corner to the second and to the third."""
    share = levels[:, :1] / (levels[:, :1] - levels[:, 1:])
    ends = triangles[:, :1] + share[:, :, None] * (triangles[:, 1:] - triangles[:, :1])
    return ends[:, 0], ends[:, 1]


def _corner(triangles: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Return the first corner's side of triangles whose other corners are below the level."""
    second, third = _crossings(triangles, levels)
    zero = np.zeros(len(levels))
    return np.stack([triangles[:, 0], second, third], axis=1), np.stack([levels[:, 0], zero, zero], axis=1)


def _rest(triangles: Floats, levels: Floats) -> list[tuple[Floats, Floats]]:
    """Return the other side of triangles whose first corner alone is below the level: two triangles each."""
    second, third = _crossings(triangles, levels)
    zero = np.zeros(len(levels))
    return [
        (np.stack([second, triangles[:, 1], triangles[:, 2]], axis=1),
         np.stack([zero, levels[:, 1], levels[:, 2]], axis=1)),
        (np.stack([second, triangles[:, 2], third], axis=1), np.stack([zero, levels[:, 2], zero], axis=1)),
    ]  # fmt: skip


def _steps(longest: Floats, spacing: float) -> Ints:
    """Return into how many parts the edges of each triangle are divided."""
    return np.maximum(np.ceil(longest / (FINE_SHARE * spacing)), 1.0).astype(np.int64)


def _lattice_size(steps: Ints) -> Floats:
    """Return how many points a lattice with so many steps has."""
    wide = steps.astype(np.float64)
    return np.asarray((wide + 1.0) * (wide + 2.0) / 2.0)


def _divided(triangles: Floats, steps: int) -> Floats:
    """Return the lattice points (p, 3) of triangles whose edges are divided into `steps`."""
    i, j = (index.ravel() for index in np.meshgrid(np.arange(steps + 1), np.arange(steps + 1), indexing="ij"))
    i, j = i[i + j <= steps], j[i + j <= steps]
    weights = np.stack([steps - i - j, i, j], axis=1) / steps
    return np.asarray(weights @ triangles).reshape(-1, 3)


def _one_a_cell(points: Floats, cell: float) -> Floats:
    """Return the first of the points in each cell of a grid, in the order of the points."""
    numbers = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    sizes = numbers.max(axis=0) + 1
    key = (numbers[:, 0] * sizes[1] + numbers[:, 1]) * sizes[2] + numbers[:, 2]
    return points[np.sort(np.unique(key, return_index=True)[1])]
