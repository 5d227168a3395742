"""Faces that lie exactly on each other: doubled faces, and the inner walls between touching bodies."""

import numpy as np

from moldplan.pattern.topology import Bools, Ints, linked, mesh_edges


def drop_doubled(faces: Ints) -> tuple[Ints, int, int]:
    """Return the faces without doubles, how many were dropped, and how many of these were inner walls.

    Notes
    -----
    Faces with the same three corners are doubles. Same winding: the first stays. Where two of opposite winding
    meet, they are either one face drawn from both sides (the first stays) or the wall where two bodies
    touch (both go). It is a wall when at the patch's border at least two other faces hold the edge, so that
    the surface stays closed without it.
    """
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T[::-1])
    fresh = np.ones(len(faces), dtype=bool)
    fresh[1:] = (corners[order][1:] != corners[order][:-1]).any(axis=1)
    if bool(fresh.all()):
        return faces, 0, 0
    group = np.empty(len(faces), dtype=np.int64)
    group[order] = np.cumsum(fresh) - 1
    keep = np.zeros(len(faces), dtype=bool)
    keep[np.unique(group, return_index=True)[1]] = True
    wall = _walls(faces, group, keep)
    keep &= ~wall
    return faces[keep], int((~keep).sum()), 2 * int(wall.sum())


def _even(faces: Ints) -> Bools:
    """Return which faces run through their sorted corners in cyclic order."""
    first = faces.argmin(axis=1)
    rows = np.arange(len(faces))
    return np.asarray(faces[rows, (first + 1) % 3] < faces[rows, (first + 2) % 3])


def _walls(faces: Ints, group: Ints, keep: Bools) -> Bools:
    """Return which of the kept faces are walls between two bodies."""
    sign = np.where(_even(faces), 1, -1)
    net = np.bincount(group, weights=sign)
    many = np.bincount(group)
    opposed = keep & ((many == 2) & (net == 0))[group]
    wall = np.zeros(len(faces), dtype=bool)
    if not bool(opposed.any()):
        return wall
    single = np.flatnonzero(keep)
    edges = mesh_edges(faces[single])
    edge_of = np.empty(edges.faces.size, dtype=np.int64)
    edge_of[edges.order] = np.repeat(np.arange(len(edges.count)), edges.count)
    paired = opposed[single]
    owner = np.arange(edges.faces.size) // 3
    others = np.bincount(edge_of[~paired[owner]], minlength=len(edges.count))
    first, second = (half // 3 for half in edges.chains)
    both = paired[first] & paired[second]
    _, patch = linked(first[both], second[both], len(single))
    held = np.bincount(patch[owner], weights=(others[edge_of] >= 2) & paired[owner])
    torn = np.bincount(patch[owner], weights=(others[edge_of] == 1) & paired[owner])
    wall[single] = paired & (held[patch] > 0) & (torn[patch] == 0)
    return wall
