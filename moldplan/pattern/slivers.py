"""Faces whose three corners lie on one line: their long edge is turned, the surface stays where it is."""

import numpy as np

from moldplan.columns.sums import thin_faces
from moldplan.pattern.topology import Bools, Edges, Floats, Ints, Surface
from moldplan.tolerances import FLAT_REL

_MOST_ROUNDS = 16


def flip_slivers(surface: Surface) -> tuple[Surface, int, float]:
    """Return a closed surface without flat slivers where that is possible, how many turned, how far it moved.

    Notes
    -----
    A flat sliver a-b-c has c on its long edge a-b. With d the far corner of the face beyond a-b, the
    two faces abc, bad become cad, cdb. Slivers whose c sits in a corner (needles) and those whose new
    edge c-d exists already are left alone.
    """
    turned = 0
    moved = 0.0
    for _ in range(_MOST_ROUNDS):
        faces, count, off = _round(surface)
        if count == 0:
            break
        turned += count
        moved = max(moved, off)
        surface = Surface(surface.points, faces)
    return surface, turned, moved


def _round(surface: Surface) -> tuple[Ints, int, float]:
    """Turn the long edges of slivers that have no face in common."""
    faces, edges = surface.faces, surface.edges
    half, height = _flat_half_edges(surface.points, faces)
    if len(half) == 0:
        return faces, 0, 0.0
    partner = _partners(edges)[half]
    alone = _independent(half // 3, partner // 3, len(faces))
    half, partner, height = half[alone], partner[alone], height[alone]
    a, b = edges.ends(half)
    c, d = (faces[h // 3, (h % 3 + 2) % 3] for h in (half, partner))
    fresh = ~_joined(edges, c, d)
    half, partner, a, b, c, d = (values[fresh] for values in (half, partner, a, b, c, d))
    result = faces.copy()
    result[half // 3] = np.stack([c, a, d], axis=1)
    result[partner // 3] = np.stack([c, d, b], axis=1)
    return result, len(half), float(height[fresh].max(initial=0.0))


def _flat_half_edges(points: Floats, faces: Ints) -> tuple[Ints, Floats]:
    """Return the long half-edge of every sliver, and the height of the third corner above it."""
    least = FLAT_REL * float(np.linalg.norm(np.ptp(points, axis=0)))
    thin = _thin(points, faces)
    half, height = _flat_ones(points[faces[thin]], least)
    return 3 * thin[half // 3] + half % 3, height


def _thin(points: Floats, faces: Ints) -> Ints:
    """Return the faces that are slivers, and a few that nearly are: a quick look at all of them."""
    thin = np.empty(1000, dtype=np.int64)
    count = thin_faces(points, faces, 2.0 * FLAT_REL, thin)
    if count > len(thin):
        thin = np.empty(count, dtype=np.int64)
        thin_faces(points, faces, 2.0 * FLAT_REL, thin)
    return thin[:count]


def _flat_ones(corners: Floats, least: float) -> tuple[Ints, Floats]:
    """Return the long half-edge and the height of every sliver among triangles (k, 3, 3).

    One with a side no longer than `least` is a needle: it has no long edge to turn.
    """
    a, b, c = (corners[:, corner] for corner in range(3))
    lengths = np.stack([_lengths(b - a), _lengths(c - b), _lengths(a - c)])
    length = np.maximum(np.maximum(lengths[0], lengths[1]), lengths[2])
    twice_area = _lengths(np.cross(b - a, c - b))
    rows = np.flatnonzero(twice_area <= FLAT_REL * length * length)
    rows = rows[lengths[:, rows].min(axis=0) > least]
    return 3 * rows + lengths[:, rows].argmax(axis=0), twice_area[rows] / length[rows]


def _lengths(vectors: Floats) -> Floats:
    """Return the length of each row."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))


def _partners(edges: Edges) -> Ints:
    """Return, for every half-edge of a closed surface, the one on the other side."""
    partner = np.empty(len(edges.order), dtype=np.int64)
    first, second = edges.pairs
    partner[first], partner[second] = second, first
    return partner


def _independent(first: Ints, second: Ints, size: int) -> Ints:
    """Return a set of pairs of faces in which no face occurs twice."""
    claim = np.full(size, len(first), dtype=np.int64)
    number = np.arange(len(first))
    np.minimum.at(claim, first, number)
    np.minimum.at(claim, second, number)
    return np.flatnonzero((claim[first] == number) & (claim[second] == number))


def _joined(edges: Edges, c: Ints, d: Ints) -> Bools:
    """Return which pairs of points an edge joins already, or another pair of the same call would join."""
    points = int(edges.faces.max()) + 1
    start, end = edges.ends(edges.order[edges.start])
    have = np.minimum(start, end) * points + np.maximum(start, end)
    want = np.minimum(c, d) * points + np.maximum(c, d)
    again = np.ones(len(want), dtype=bool)
    again[np.unique(want, return_index=True)[1]] = False
    return np.asarray(np.isin(want, have) | again | (c == d))
