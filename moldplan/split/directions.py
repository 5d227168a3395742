"""The directions a search looks along, in the figure's frame (front, left, up): n and -n are one.

Even cover by the corners of a refined icosahedron, and before them the few directions a shop would try
first: the figure's own axes, its principal axes, and square to its large flats.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.split.frame import facing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Directions nearer than this are the same (cosine; 0.08 deg).
SAME_COSINE: Final = 1.0 - 1e-6
#: A principal axis counts when its second moment differs from the other two by this share of the largest:
#: a round figure has none, and rounding must not choose one.
MOMENT_GAP: Final = 0.02
#: A flat is worth a direction when it has this share of the surface ...
FLAT_LEAST_SHARE: Final = 0.01
#: ... and so many of the largest are looked at.
FLATS_MOST: Final = 8
#: Normals within this cosine of a flat's own belong to it (0.5 deg).
FLAT_COSINE: Final = float(np.cos(np.radians(0.5)))
#: Normals are first gathered in boxes of this size.
NORMAL_STEP: Final = 1.0 / 64.0
#: A flat's normals fall into so many boxes at the most (it may sit on a corner of boxes).
BOXES_OF_A_FLAT: Final = 8

_GOLDEN: Final = (1.0 + 5.0**0.5) / 2.0


def icosphere(level: int) -> tuple[Floats, Ints]:
    """Return corners on the unit sphere (10 * 4**level + 2, 3) and triangles of a refined icosahedron.

    Each level cuts every triangle in four at the middles of its edges.
    """
    corners = [(s, t * _GOLDEN) for s in (-1.0, 1.0) for t in (-1.0, 1.0)]
    points = np.array(
        [(0.0, s, t) for s, t in corners]
        + [(s, t, 0.0) for s, t in corners]
        + [(t, 0.0, s) for s, t in corners]
    )
    distance = np.linalg.norm(points[:, None] - points[None, :], axis=2)
    near = np.isclose(distance, 2.0)
    faces = np.array(
        [(i, j, k) for i in range(12) for j in range(i + 1, 12) for k in range(j + 1, 12)
         if near[i, j] and near[j, k] and near[i, k]], dtype=np.int64,
    )  # fmt: skip
    for _ in range(level):
        points, faces = _refined(points, faces)
    return points / np.linalg.norm(points, axis=1, keepdims=True), faces


def _refined(points: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Cut every triangle in four, new corners pushed out to the sphere."""
    points = points / np.linalg.norm(points, axis=1, keepdims=True)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    unique, inverse = np.unique(edges, axis=0, return_inverse=True)
    ab, bc, ca = len(points) + inverse.reshape(3, -1)
    a, b, c = faces.T
    parts = [np.stack(part, axis=1) for part in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
    return np.concatenate([points, points[unique].mean(axis=1)]), np.concatenate(parts)


def even_axes(level: int) -> Floats:
    """Return (5 * 4**level + 1, 3) directions spread evenly over half the sphere, in a fixed order."""
    points, _ = icosphere(level)
    points = np.round(points, 15) + 0.0
    faced = np.array([facing(point) for point in points])
    return points[faced > 0.0]


def cover_deg(level: int) -> float:
    """Return how far in degrees any direction can be from the nearest of `even_axes`.

    The largest circumradius of a triangle of the icosphere, as an angle.
    """
    points, faces = icosphere(level)
    a, b, c = (points[faces[:, k]] for k in range(3))
    middle = np.cross(b - a, c - a)
    cosine = np.abs((middle * a).sum(axis=1)) / np.linalg.norm(middle, axis=1)
    return float(np.degrees(np.arccos(cosine.min())))


def principal_axes(vertices: Floats, faces: Ints) -> Floats:
    """Return the principal axes (k, 3), k = 0 to 3, of the surface; none that roundness leaves open.

    Second moments of the surface about its centre, exact for the mesh.
    """
    corners = vertices[faces]
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    centre = np.einsum("i,ij->j", area, corners.mean(axis=1)) / area.sum()
    corners = corners - centre
    middle = corners.sum(axis=1)
    moments = np.einsum("i,ij,ik->jk", area, middle, middle) + np.einsum(
        "i,icj,ick->jk", area, corners, corners
    )
    values, axes = np.linalg.eigh(moments)
    lone = [
        axes[:, k]
        for k in range(3)
        if min(abs(values[k] - values[m]) for m in range(3) if m != k) > MOMENT_GAP * values[2]
    ]
    return np.array(lone).reshape(-1, 3)


def flat_normals(vertices: Floats, faces: Ints) -> Floats:
    """Return outward normals (k, 3) of the largest flats, largest first.

    Faces of one normal count together, wherever they lie.
    """
    corners = vertices[faces]
    square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(square, axis=1)
    normals = square / np.where(twice > 0.0, twice, 1.0)[:, None]
    steps = np.rint(normals / NORMAL_STEP).astype(np.int64) + 128
    keys, inverse = np.unique((steps[:, 0] << 16) | (steps[:, 1] << 8) | steps[:, 2], return_inverse=True)
    in_box = np.bincount(inverse, weights=twice, minlength=len(keys))
    largest = np.argsort(-in_box, kind="stable")[: BOXES_OF_A_FLAT * FLATS_MOST]
    largest = largest[in_box[largest] >= FLAT_LEAST_SHARE / BOXES_OF_A_FLAT * twice.sum()]
    found: list[tuple[float, Floats]] = []
    for box in largest:
        flat, share = _gathered(square, normals, twice, inverse == box)
        if share >= FLAT_LEAST_SHARE and all(flat @ other < FLAT_COSINE for _, other in found):
            found.append((share, flat))
    found.sort(key=lambda item: -item[0])
    return np.array([flat for _, flat in found[:FLATS_MOST]]).reshape(-1, 3)


def _gathered(
    square: Floats, normals: Floats, twice: Floats, member: NDArray[np.bool_]
) -> tuple[Floats, float]:
    """Return the mean normal of a flat and its share of the surface, starting from some of its faces."""
    mean = square[member].sum(axis=0)
    for _ in range(2):
        length = float(np.linalg.norm(mean))
        if length == 0.0:
            return np.array([0.0, 0.0, 1.0]), 0.0
        member = normals @ (mean / length) >= FLAT_COSINE
        mean = square[member].sum(axis=0) if member.any() else mean
    return np.asarray(mean / np.linalg.norm(mean)), float(twice[member].sum() / twice.sum())


def directions(vertices: Floats, faces: Ints, *, level: int, flats: Floats, extra: Floats) -> Floats:
    """Return all directions to look along (k, 3), those a shop prefers first, none twice.

    Parameters
    ----------
    vertices, faces
        The figure in its own frame (front, left, up).
    level
        Of the icosphere; 3 gives 321 even directions.
    flats
        Normals of the large flats (k, 3), from `flat_normals`.
    extra
        Further directions (k, 3), unit length, in the same frame.
    """
    wanted = np.concatenate(
        [
            np.eye(3),
            extra,
            principal_axes(vertices, faces),
            flats,
            even_axes(level),
        ]
    )
    return unlike(wanted)


def unlike(wanted: Floats) -> Floats:
    """Return those of `wanted` (n, 3), in order, facing as their planes do, none twice, shape (k, 3)."""
    kept, count = np.zeros_like(wanted), 0
    for axis in wanted:
        if np.abs(kept[:count] @ axis).max(initial=0.0) < SAME_COSINE:
            kept[count] = facing(axis) * axis + 0.0
            count += 1
    return kept[:count]
