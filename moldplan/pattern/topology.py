"""Edges, bodies and fans of a triangle mesh: no Python object per triangle.

A *half-edge* is one side of one triangle; half-edge ``3 f + i`` runs from corner ``i`` of face ``f`` to the
next. Half-edges with the same two end points form one *edge*. A closed surface has exactly two half-edges on
every edge, running opposite ways.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.halfedges import (
    all_opposite,
    edge_starts,
    joined_groups,
    mirrored_faces,
    partners,
    rings_round_points,
    sorted_half_edges,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Edges:
    """The edges of `faces` (m, 3).

    `order` lists the half-edges edge by edge; edge k owns the `count[k]` entries from `start[k]` on.
    """

    faces: Ints
    order: Ints
    start: Ints
    count: Ints

    @cached_property
    def open(self) -> Ints:
        """Half-edges that have no partner."""
        return np.asarray(self.order[self.start[self.count == 1]])

    @cached_property
    def crowded(self) -> Ints:
        """One half-edge of every edge that three or more faces share."""
        return np.asarray(self.order[self.start[self.count > 2]])

    @cached_property
    def pairs(self) -> tuple[Ints, Ints]:
        """The two half-edges, each of shape (k,), of every edge that exactly two faces share."""
        first = self.start[self.count == 2]
        return self.order[first], self.order[first + 1]

    @cached_property
    def chains(self) -> tuple[Ints, Ints]:
        """Half-edges that follow each other on one edge, whatever its count."""
        follows = np.ones(len(self.order), dtype=bool)
        follows[self.start] = False
        later = np.flatnonzero(follows)
        return self.order[later - 1], self.order[later]

    def ends(self, half_edges: Ints) -> tuple[Ints, Ints]:
        """Return where `half_edges` start and end, as point numbers."""
        face, corner = np.divmod(half_edges, 3)
        return self.faces[face, corner], self.faces[face, (corner + 1) % 3]

    @cached_property
    def same_way(self) -> Bools:
        """For every pair: whether both half-edges run the same way, so that one face is flipped."""
        first, second = self.pairs
        return np.asarray(self.ends(first)[0] == self.ends(second)[0])

    @cached_property
    def closed(self) -> bool:
        """Whether every edge is shared by exactly two faces that run along it in opposite ways."""
        return bool(all_opposite(self.faces, self.order))

    @cached_property
    def partner(self) -> NDArray[np.int32]:
        """The half-edge (3 m,) on the other side of every half-edge, -1 where not just two share the edge."""
        return np.asarray(partners(self.order, self.start, self.count))

    @cached_property
    def bodies(self) -> tuple[int, Ints]:
        """The number of bodies, and the body (m,) of every face: see `face_bodies`."""
        number, label = _groups(*self.chains, len(self.faces), 3)
        label.flags.writeable = False
        return number, label

    @cached_property
    def unmirrored(self) -> bool:
        """Whether two faces share each edge, and no two faces have all three corners in common.

        A quick look that spares a sound mesh the search for doubled faces; False says nothing.
        """
        two_each = 2 * len(self.count) == len(self.order) and int(self.count.max(initial=0)) <= 2
        return two_each and not mirrored_faces(self.partner)


@dataclass(frozen=True)
class Surface:
    """Points (n, 3) and faces (m, 3); its edges are found once."""

    points: Floats
    faces: Ints

    @cached_property
    def edges(self) -> Edges:
        """The edges of the faces."""
        return mesh_edges(self.faces)


def mesh_edges(faces: Ints) -> Edges:
    """Return the edges of `faces`, whose three corners differ from each other."""
    faces = np.ascontiguousarray(faces, dtype=np.int64)
    order = sorted_half_edges(faces, int(faces.max(initial=-1)) + 1)
    start = np.empty((len(order) + 1) // 2, dtype=np.int64)
    edges = edge_starts(faces, order, start)
    if edges > len(start):  # more open edges than others
        start = np.empty(edges, dtype=np.int64)
        edge_starts(faces, order, start)
    start = start[:edges]
    return Edges(faces, order, start, np.diff(start, append=len(order)))


def linked(rows: NDArray[np.integer], columns: NDArray[np.integer], size: int) -> tuple[int, Ints]:
    """Return how many groups the links ``rows[i] - columns[i]`` make of `size` things, and which has each.

    Groups are numbered in the order of their least members.
    """
    return _groups(rows, columns, size, 1)


def _groups(
    rows: NDArray[np.integer], columns: NDArray[np.integer], size: int, divisor: int
) -> tuple[int, Ints]:
    """Return the groups of things whose numbers times `divisor`, or a little over, are linked."""
    one, two = (np.ascontiguousarray(ends, dtype=np.int64) for ends in (rows, columns))
    number, label = joined_groups(one, two, size, divisor)
    return int(number), label


def face_bodies(edges: Edges) -> tuple[int, Ints]:
    """Return the number of bodies (faces joined edge to edge) and the body (m,) of every face."""
    return edges.bodies


def turned_faces(edges: Edges) -> tuple[Bools, bool]:
    """Return the least set of faces to turn so that neighbours agree, and whether agreement is possible.

    Notes
    -----
    Every face is put in twice, as it is and turned; neighbours that agree link like to like, the others link
    like to turned. A patch then falls into two groups, one for each of its windings; the one that
    turns fewer faces is taken. When both copies of a face land in one group the surface has one side only.
    """
    size = len(edges.faces)
    if edges.closed or not bool(edges.same_way.any()):
        return np.zeros(size, dtype=bool), True
    first, second = (half // 3 for half in edges.pairs)
    swap = np.where(edges.same_way, size, 0)
    rows = np.concatenate([first, first + size])
    columns = np.concatenate([second + swap, second + size - swap])
    groups, label = linked(rows, columns, 2 * size)
    as_is, turned = label[:size], label[size:]
    kept = np.bincount(as_is, minlength=groups)
    fewer = kept[as_is] < kept[turned]
    tie = (kept[as_is] == kept[turned]) & (as_is > turned)
    return fewer | tie, not bool((as_is == turned).any())


def fan_count(edges: Edges) -> int:
    """Return the number of points, a point where sheets only touch counted once for each sheet."""
    if edges.closed:
        return int(rings_round_points(edges.partner))
    first, second = edges.pairs
    after_first, after_second = (half - half % 3 + (half + 1) % 3 for half in (first, second))
    same = edges.same_way
    rows = np.concatenate([first, after_first])
    columns = np.concatenate([np.where(same, second, after_second), np.where(same, after_second, second)])
    return linked(rows, columns, edges.faces.size)[0]


def genus_sum(edges: Edges) -> int:
    """Return the handles of a closed surface, summed over its bodies (Euler: V - E + F = 2 b - 2 g)."""
    euler = fan_count(edges) - len(edges.count) + len(edges.faces)
    return (2 * face_bodies(edges)[0] - euler) // 2


def open_loops(edges: Edges) -> tuple[int, Ints]:
    """Return the number of connected open borders and the border of every half-edge of ``edges.open``."""
    start, end = edges.ends(edges.open)
    points, compact = np.unique(np.concatenate([start, end]), return_inverse=True)
    number, label = linked(compact[: len(start)], compact[len(start) :], len(points))
    return number, label[compact[: len(start)]]
