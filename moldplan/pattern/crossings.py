"""Faces of a surface that cut through other faces of it."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.crossing import LEAF, mark_crossings, tree_boxes, triangle_boxes
from moldplan.pattern.topology import Floats, Ints, Surface
from moldplan.tolerances import REL_EPSILON

#: Pairs of boxes looked at, at most, for each face and for small meshes: fans of a hundred thousand faces
#: round one point would take an hour.
PAIRS_EACH: Final = 500
PAIRS_FEW: Final = 300_000_000
#: Bits of each coordinate along the curve: three make one number of 63.
_BITS: Final = 21


def crossing_faces(surface: Surface, *, most: int = 1000) -> Ints:
    """Return the numbers of faces that cut through other faces, sorted.

    Parameters
    ----------
    surface
        Any faces; points with equal coordinates are one corner, whatever their number.
    most
        When so many are found, the search ends.

    Returns
    -------
    Ints
        Empty when no face cuts through another. At most one more than `most`.

    Notes
    -----
    Neighbours along a side do not count, unless one lies folded on the other; faces that share a corner
    count when they cut through each other elsewhere; faces in one plane count when they share area. A
    crossing less deep than 1e-9 of the mesh's diagonal is a touch, and faces less high than that are left
    out. The search looks at no more than 500 pairs of boxes for each face (300 million for small meshes).
    """
    count = len(surface.faces)
    if count < 2:
        return np.empty(0, dtype=np.int64)
    low, high = surface.points.min(axis=0), surface.points.max(axis=0)
    slack = REL_EPSILON * float(np.linalg.norm(high - low))
    points = np.ascontiguousarray(surface.points - 0.5 * (low + high))
    order = _along_curve(points, surface.faces)
    faces = np.ascontiguousarray(surface.faces[order])
    boxes = np.empty((count, 6))
    triangle_boxes(points, faces, boxes)
    crossed = np.zeros(count, dtype=np.uint8)
    budget = max(PAIRS_FEW, PAIRS_EACH * count)
    mark_crossings(points, faces, boxes, _tree(boxes), slack, most, budget, crossed)
    return np.sort(order[crossed == 1])


def _tree(boxes: Floats) -> Floats:
    """Return the tree of boxes over the triangles' boxes."""
    leaves = 1 << ((len(boxes) - 1) // LEAF).bit_length()
    nodes = np.empty((2 * leaves, 6))
    nodes[:, :3], nodes[:, 3:] = np.inf, -np.inf
    tree_boxes(boxes, leaves, nodes)
    return nodes


def _along_curve(points: Floats, faces: Ints) -> Ints:
    """Return the faces' numbers along a curve that keeps near ones near (Morton order of their middles)."""
    low = points.min(axis=0)
    span = max(float((points.max(axis=0) - low).max()), np.finfo(float).tiny)
    key = np.zeros(len(faces), dtype=np.uint64)
    for axis in range(3):
        along = points[:, axis] - low[axis]
        middle = (along[faces[:, 0]] + along[faces[:, 1]] + along[faces[:, 2]]) / (3.0 * span)
        cell = np.minimum(middle * (1 << _BITS), (1 << _BITS) - 1).astype(np.uint64)
        key |= _spread(cell) << np.uint64(axis)
    return np.argsort(key, kind="stable")


def _spread(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return 21-bit numbers with two zero bits put after each bit."""
    masks = (0x1F00000000FFFF, 0x1F0000FF0000FF, 0x100F00F00F00F00F, 0x10C30C30C30C30C3, 0x1249249249249249)
    for shift, mask in zip((32, 16, 8, 4, 2), masks, strict=True):
        bits = (bits | (bits << np.uint64(shift))) & np.uint64(mask)
    return bits
