"""Faces that lie exactly on each other: doubled faces, and the inner walls between touching bodies."""

import numpy as np

from moldplan.pattern.topology import Bools, Edges, Ints, linked, mesh_edges


def doubled_faces(faces: Ints) -> tuple[Bools, Bools]:
    """Return which faces (m,) repeat an earlier one, and which belong to a wall between touching bodies.

    Notes
    -----
    Faces with the same three corners are doubles. They are either one face drawn twice (the first stays) or
    the wall where two bodies touch (both go). It is a wall when all along the border of its patch two other
    faces or more hold the edge, so that the surface stays closed without it. Winding says nothing here: it
    is put right later.
    """
    low, middle, high = np.sort(faces, axis=1).T.copy()
    order = np.lexsort((high, middle, low))
    fresh = np.ones(len(faces), dtype=bool)
    fresh[1:] = False
    for corner in (low[order], middle[order], high[order]):
        fresh[1:] |= corner[1:] != corner[:-1]
    if bool(fresh.all()):
        return np.zeros(len(faces), dtype=bool), np.zeros(len(faces), dtype=bool)
    group = np.empty(len(faces), dtype=np.int64)
    group[order] = np.cumsum(fresh) - 1
    single = np.unique(group, return_index=True)[1]
    repeat = np.ones(len(faces), dtype=bool)
    repeat[single] = False
    wall = _walls(mesh_edges(faces[single]), (np.bincount(group) == 2)[group[single]])
    in_wall = np.zeros(len(single), dtype=bool)
    in_wall[group[single]] = wall
    return repeat & ~in_wall[group], in_wall[group]


def _walls(edges: Edges, paired: Bools) -> Bools:
    """Return which of the `paired` faces, one of each pair being in `edges`, are walls."""
    edge_of = np.empty(edges.faces.size, dtype=np.int64)
    edge_of[edges.order] = np.repeat(np.arange(len(edges.count)), edges.count)
    owner = np.arange(edges.faces.size) // 3
    others = np.bincount(edge_of[~paired[owner]], minlength=len(edges.count))
    first, second = (half // 3 for half in edges.chains)
    both = paired[first] & paired[second]
    _, patch = linked(first[both], second[both], len(edges.faces))
    held = np.bincount(patch[owner], weights=(others[edge_of] >= 2) & paired[owner])
    torn = np.bincount(patch[owner], weights=(others[edge_of] == 1) & paired[owner])
    return np.asarray(paired & (held[patch] > 0) & (torn[patch] == 0))
