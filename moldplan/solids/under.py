"""Faces that stand on the board, closed with a floor.

A height map stands at the middles of the cells; every square between four middles is split along its diagonal
from lower left to upper right. Only triangles with a corner above the board are kept, so that round them the
face comes down to the board. What lies between such a face and other surfaces that end on the board becomes a
closed mesh with a floor that has no corners of its own.
"""

import manifold3d
import numpy as np
from numpy.typing import NDArray

from moldplan.columns.grid import Grid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mesh = tuple[Floats, Ints]


def face_of(heights_mm: Floats, grid: Grid) -> Mesh:
    """Return the triangles of a height map: points (n, 3) and faces (m, 3), wound upwards.

    `heights_mm` (ny, nx) is 0 where there is nothing, and all round the border of `grid`.
    """
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    points = np.stack([x, y, heights_mm], axis=-1).reshape(-1, 3)
    return trimmed(points, raised_triangles(heights_mm))


def closed_below(*surfaces: Mesh) -> Mesh:
    """Return surfaces that end on the board as one closed mesh, with a floor between them.

    Parameters
    ----------
    surfaces
        Points and faces of each; all look away from what they hold, and lie clear of one another.

    Notes
    -----
    The floor is the area between the lines in which they end; where there is none, there is no floor.
    """
    starts = np.cumsum([0, *(len(points) for points, _ in surfaces[:-1])])
    points = np.concatenate([part for part, _ in surfaces])
    faces = np.concatenate([part + start for (_, part), start in zip(surfaces, starts, strict=True)])
    rings = rim_rings(faces, points)
    if not rings:
        return points, faces
    floor = np.concatenate(rings)[manifold3d.triangulate([points[ring, :2] for ring in rings])]
    return points, np.concatenate([faces, floor[:, ::-1]])


def turned_inside_out(mesh: Mesh) -> Mesh:
    """Return a mesh that looks the other way."""
    return mesh[0], mesh[1][:, ::-1]


def trimmed(points: Floats, faces: Ints) -> Mesh:
    """Return a mesh without the points that no face uses."""
    used = np.zeros(len(points), dtype=np.bool_)
    used[faces.ravel()] = True
    return points[used], (np.cumsum(used) - 1)[faces]


def raised_triangles(heights_mm: Floats) -> Ints:
    """Return the triangles (m, 3) with a corner above the board, wound upwards; corners count row by row."""
    ny, nx = heights_mm.shape
    corner = np.arange(ny * nx).reshape(ny, nx)
    low, right, up, far = corner[:-1, :-1], corner[:-1, 1:], corner[1:, :-1], corner[1:, 1:]
    squares = ((low, right, far), (low, far, up))
    faces = np.concatenate([np.stack(corners, axis=-1).reshape(-1, 3) for corners in squares])
    return np.asarray(faces[(heights_mm.ravel()[faces] > 0.0).any(axis=1)], dtype=np.int64)


def rim_rings(faces: Ints, points: Floats, *, level_mm: float = 0.0) -> list[Ints]:
    """Return the closed lines round a face that comes down to a level, the board's if none is given.

    The face lies on their left.

    Where two parts touch in a corner, the line stays with its own part: it takes the first way out that
    comes clockwise from where it came in.
    """
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    edges = edges[(points[edges, 2] <= level_mm).all(axis=1)]
    there, back = edges[:, 0] * len(points) + edges[:, 1], edges[:, 1] * len(points) + edges[:, 0]
    edges = edges[~np.isin(there, back)]
    after = _edge_after(edges, points).tolist()
    rings, waiting = [], set(range(len(edges)))
    while waiting:
        edge = waiting.pop()
        ring = [edge]
        while (edge := after[edge]) != ring[0]:
            ring.append(edge)
        waiting.difference_update(ring)
        rings.append(edges[ring, 0])
    return rings


def _edge_after(edges: Ints, points: Floats) -> Ints:
    """Return, for each edge (start, end) of a rim, the number of the edge that goes on from its end."""
    order = np.argsort(edges[:, 0], kind="stable")
    starts = edges[order, 0]
    first, last = (np.searchsorted(starts, edges[:, 1], side=side) for side in ("left", "right"))
    after = order[first]
    for edge in np.flatnonzero(last - first > 1):
        choices = order[first[edge] : last[edge]]
        start, end = points[edges[edge], :2]
        out = points[edges[choices, 1], :2] - end
        back = start - end
        clockwise = np.arctan2(back[1], back[0]) - np.arctan2(out[:, 1], out[:, 0])
        after[edge] = choices[np.argmin(np.mod(clockwise, 2.0 * np.pi))]
    return np.asarray(after, dtype=np.int64)
