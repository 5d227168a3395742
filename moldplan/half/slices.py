"""Slices of a half level with its board, and how the half hangs together from one to the next.

1. A face that a slice parts holds one straight side of an outline; sides hang together at the edges of the
   mesh. Outlines run counter-clockwise, those of holes clockwise; a hole belongs to the least outline round
   it. A corner at the very height of a slice counts as below it.
2. Between two slices the half falls into bodies. What hangs together along the surface between the slices,
   outline and holes of one piece taken as one, is one body: the border of a body between two planes is one
   closed surface, so nothing is missed, however thin and slanting the body. [derived, first principles]
"""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely import LineString, Polygon

from moldplan.half.model import Half

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Outline:
    """The hull of one piece of a slice: its corners (n, 2), and how long it is round."""

    corners_mm: Floats
    perimeter_mm: float


@dataclass(frozen=True, kw_only=True)
class Slices:
    """Slices, lowest first: their `pieces`, and `joins`, one for every two that follow each other.

    A join numbers the bodies between two slices: the body on each piece of the lower one, and the body
    under each piece of the higher one.
    """

    pieces: tuple[tuple[Outline, ...], ...]
    joins: tuple[tuple[Ints, Ints], ...]


def slices_of(half: Half, heights_mm: Floats) -> Slices:
    """Return slices of a half at rising heights above its board.

    Notes
    -----
    Exact for the mesh. About 2 ms a slice for a half of 50 000 triangles.
    """
    edges = _edges_of(half)
    cuts = [_cut(half, edges, height) for height in heights_mm]
    joins = tuple(
        _joined(edges, (heights_mm[at], heights_mm[at + 1]), cuts[at], cuts[at + 1])
        for at in range(len(cuts) - 1)
    )
    return Slices(pieces=tuple(cut.pieces for cut in cuts), joins=joins)


def hull_of(points: Floats) -> Outline:
    """Return the hull of points (n, 2), mm."""
    # a line has the same hull as its points and is quicker to make; it needs two
    shape: shapely.Geometry = LineString(
        points if len(points) > 1 else np.repeat(points, 2, axis=0)
    ).convex_hull
    # a hull without area is a line there and back
    sides = 1.0 if isinstance(shape, Polygon) else 2.0
    return Outline(
        corners_mm=shapely.get_coordinates(shape), perimeter_mm=sides * float(shapely.length(shape))
    )


@dataclass(frozen=True, kw_only=True)
class _Edges:
    """Edges of a mesh: end points (k, 2) and the three of each face (m, 3), with the heights they span."""

    points: Ints
    low: Floats
    high: Floats
    of_face: Ints
    face_low: Floats
    face_high: Floats


@dataclass(frozen=True, kw_only=True)
class _Cut:
    """One slice: its pieces, and the piece (k,) at each edge (k,) of the mesh that it cuts."""

    pieces: tuple[Outline, ...]
    edge: Ints
    piece: Ints


def _edges_of(half: Half) -> _Edges:
    """Return the edges of a half's mesh."""
    sides = np.sort(half.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    count = len(half.vertices)
    keys, of_side = np.unique(sides[:, 0] * count + sides[:, 1], return_inverse=True)
    points = np.stack([keys // count, keys % count], axis=1)
    one, two = half.vertices[points[:, 0], 2], half.vertices[points[:, 1], 2]
    a, b, c = half.vertices[:, 2][half.faces].T
    return _Edges(
        points=points,
        low=np.minimum(one, two),
        high=np.maximum(one, two),
        of_face=of_side.reshape(-1, 3),
        face_low=np.minimum(np.minimum(a, b), c),
        face_high=np.maximum(np.maximum(a, b), c),
    )


def _cut(half: Half, edges: _Edges, height: float) -> _Cut:
    """Return one slice. A corner at the very height counts as below it."""
    face = np.flatnonzero((edges.face_high > height) & (edges.face_low <= height))
    above = half.vertices[:, 2][half.faces[face]] > height
    edge, segment = np.unique(_segments(edges, above, face), return_inverse=True)
    segment = segment.reshape(-1, 2)
    if not len(edge):
        return _Cut(pieces=(), edge=edge, piece=edge)
    places = _places(half, edges.points[edge], height)
    _, label = connected_components(_graph(segment, len(edge)), directed=False)
    ring = label.astype(np.int64)
    start, end = places[segment[:, 0]], places[segment[:, 1]]
    twice = start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]
    area = np.asarray(0.5 * np.bincount(ring[segment[:, 0]], weights=twice), dtype=np.float64)
    home = _homes(area, ring, places, segment)
    number = np.cumsum(area > 0.0) - 1
    pieces = tuple(hull_of(places[ring == outer]) for outer in np.flatnonzero(area > 0.0))
    return _Cut(pieces=pieces, edge=edge, piece=number[home][ring])


def _segments(edges: _Edges, above: NDArray[np.bool_], face: Ints) -> Ints:
    """Return the two edges (k, 2) where the slice enters and leaves each face, outlines counter-clockwise."""
    up = above.sum(axis=1) == 1
    alone = np.where(up, above.argmax(axis=1), above.argmin(axis=1))
    # edge i of a face runs from its corner i to the next
    after, before = edges.of_face[face, alone], edges.of_face[face, (alone + 2) % 3]
    return np.stack([np.where(up, after, before), np.where(up, before, after)], axis=1)


def _places(half: Half, points: Ints, height: float) -> Floats:
    """Return where (k, 2) on the slice the edges with these end points (k, 2) are cut."""
    one, two = half.vertices[points[:, 0]], half.vertices[points[:, 1]]
    share = (height - one[:, 2]) / (two[:, 2] - one[:, 2])
    return np.asarray(one[:, :2] + share[:, None] * (two[:, :2] - one[:, :2]))


def _graph(links: Ints, nodes: int) -> coo_matrix:
    """Return a graph of links (k, 2)."""
    return coo_matrix((np.ones(len(links), dtype=np.int8), (links[:, 0], links[:, 1])), shape=(nodes, nodes))


def _homes(area: Floats, ring: Ints, places: Floats, segment: Ints) -> Ints:
    """Return for each ring the outline it belongs to: itself, or the least one round a hole."""
    home = np.arange(len(area))
    outer = np.flatnonzero(area > 0.0)
    for hole in np.flatnonzero(area <= 0.0):
        x, y = places[np.flatnonzero(ring == hole)[0]]
        one, two = places[segment[:, 0]], places[segment[:, 1]]
        level = (one[:, 1] > y) != (two[:, 1] > y)
        one, two, owner = one[level], two[level], ring[segment[level, 0]]
        right = one[:, 0] + (y - one[:, 1]) / (two[:, 1] - one[:, 1]) * (two[:, 0] - one[:, 0]) > x
        odd = np.bincount(owner[right], minlength=len(area)) % 2 == 1
        round_it = outer[odd[outer]]
        around = round_it if len(round_it) else outer
        home[hole] = around[np.argmin(area[around])] if len(around) else hole
    return home


def _joined(edges: _Edges, between: tuple[float, float], low: _Cut, high: _Cut) -> tuple[Ints, Ints]:
    """Return, for the pieces of two slices, the number of the body between the two that each bounds."""
    crosses = (edges.high > between[0]) & (edges.low <= between[1])
    inside = np.flatnonzero((edges.face_high > between[0]) & (edges.face_low <= between[1]))
    sides = edges.of_face[inside]
    held = crosses[sides]
    node = np.cumsum(crosses) - 1
    start = int(crosses.sum())
    lows, highs = len(low.pieces), len(high.pieces)
    row = start + np.repeat(np.arange(len(inside)), 3)[held.ravel()]
    faces = np.stack([row, node[sides[held]]], axis=1)
    first = start + len(inside)
    below = np.stack([first + low.piece, node[low.edge]], axis=1)
    above = np.stack([first + lows + high.piece, node[high.edge]], axis=1)
    nodes = first + lows + highs
    _, body = connected_components(_graph(np.concatenate([faces, below, above]), nodes), directed=False)
    return np.asarray(body[first : first + lows]), np.asarray(body[first + lows :])
