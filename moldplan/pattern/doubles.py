"""Faces that lie exactly on each other: doubled faces, and the inner walls between touching bodies."""

import numpy as np

from moldplan.pattern.topology import Bools, Edges, Ints, linked, mesh_edges


def doubled_faces(faces: Ints) -> tuple[Bools, Bools]:
    """Return which faces (m,) repeat an earlier one, and which belong to a wall between touching bodies.

    Notes
    -----
    Faces with the same three corners are doubles. Same winding: the first stays. Where two of opposite
    winding meet, they are either one face drawn from both sides (the first stays) or the wall where two
    bodies touch (both go). It is a wall when all along the border of its patch two other faces or more
    hold the edge, so that the surface stays closed without it.
    """
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T[::-1])
    fresh = np.ones(len(faces), dtype=bool)
    fresh[1:] = (corners[order][1:] != corners[order][:-1]).any(axis=1)
    if bool(fresh.all()):
        return np.zeros(len(faces), dtype=bool), np.zeros(len(faces), dtype=bool)
    group = np.empty(len(faces), dtype=np.int64)
    group[order] = np.cumsum(fresh) - 1
    single = np.unique(group, return_index=True)[1]
    repeat = np.ones(len(faces), dtype=bool)
    repeat[single] = False
    net = np.bincount(group, weights=np.where(_even(faces), 1, -1))
    opposed = (np.bincount(group) == 2) & (net == 0)
    wall = np.zeros(len(single), dtype=bool)
    if bool(opposed.any()):
        wall = _walls(mesh_edges(faces[single]), opposed[group[single]])
    in_wall = np.zeros(len(single), dtype=bool)
    in_wall[group[single]] = wall
    return repeat & ~in_wall[group], in_wall[group]


def _even(faces: Ints) -> Bools:
    """Return which faces run through their sorted corners in cyclic order."""
    first = faces.argmin(axis=1)
    rows = np.arange(len(faces))
    return np.asarray(faces[rows, (first + 1) % 3] < faces[rows, (first + 2) % 3])


def _walls(edges: Edges, opposed: Bools) -> Bools:
    """Return which of the opposed pairs, one face of each being in `edges`, are walls."""
    edge_of = np.empty(edges.faces.size, dtype=np.int64)
    edge_of[edges.order] = np.repeat(np.arange(len(edges.count)), edges.count)
    owner = np.arange(edges.faces.size) // 3
    others = np.bincount(edge_of[~opposed[owner]], minlength=len(edges.count))
    first, second = (half // 3 for half in edges.chains)
    both = opposed[first] & opposed[second]
    _, patch = linked(first[both], second[both], len(edges.faces))
    held = np.bincount(patch[owner], weights=(others[edge_of] >= 2) & opposed[owner])
    torn = np.bincount(patch[owner], weights=(others[edge_of] == 1) & opposed[owner])
    return np.asarray(opposed & (held[patch] > 0) & (torn[patch] == 0))
