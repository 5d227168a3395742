"""A cap bent so that it goes on as smoothly as the surface round it.

Steps
    1. The cap and the faces that touch its rim are one small mesh; the cotangent Laplacian of its three
       coordinates is how strongly it is bent at each point (U. Pinkall and K. Polthier, "Computing discrete
       minimal surfaces and their conjugates", Experimental Mathematics 2, 1993).
    2. Inner points go where the sum of the squared bends, over them and over the rim, is least: a thin plate
       that takes its height and its slope from the rim (M. Botsch and L. Kobbelt, "An intuitive framework for
       real-time freeform modeling", ACM Transactions on Graphics 23, 2004).
    3. Once more with the weights of the bent cap.

Over a round hole of radius r in a sphere, which meets the rim's plane at the angle t, the plate stands
r tan(t) / 2 high and the sphere r tan(t / 2): for a hole of 20 % of the diameter the plate is 1 % too
high (derived).
"""

from typing import Final

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix, diags_array
from scipy.sparse.linalg import splu

from moldplan.pattern.topology import Floats, Ints

#: Cotangents are kept within this, so that one sliver does not stiffen a whole cap.
_MOST_COTANGENT: Final = 20.0
_ROUNDS: Final = 2


def fair_cap(points: Floats, faces: Ints, free: Ints, bent: Ints) -> Floats | None:
    """Return points (n, 3) with the `free` ones moved so that the surface bends least; None when it fails.

    Parameters
    ----------
    points, faces
        The cap and the faces round it, (n, 3) and (m, 3).
    free
        Numbers of the points that may move: those inside the cap.
    bent
        Numbers of the points whose bend counts: the free ones and those of the rim. All faces round them must
        be there, but where the mesh has another hole.
    """
    if len(free) == 0:
        return points
    for _ in range(_ROUNDS):
        plate = _plate(points, faces, bent)
        moved = _settled(points, plate, free)
        if moved is None:
            return None
        points = moved
    return points


def _plate(points: Floats, faces: Ints, bent: Ints) -> csc_matrix:
    """Return the matrix of the sum of squared bends at the points `bent`."""
    stiff, area = _laplacian(points, faces)
    rows = stiff[bent]
    return csc_matrix(rows.T @ diags_array(1.0 / area[bent]) @ rows)


def _settled(points: Floats, plate: csc_matrix, free: Ints) -> Floats | None:
    """Return the points with the free ones where the plate is least bent."""
    fixed = np.ones(len(points), dtype=bool)
    fixed[free] = False
    held = np.flatnonzero(fixed)
    try:
        factor = splu(csc_matrix(plate[free][:, free]))
    except RuntimeError:  # singular: a cap that hangs on nothing
        return None
    places = factor.solve(-(plate[free][:, held] @ points[held]))
    if not bool(np.isfinite(places).all()):
        return None
    moved = points.copy()
    moved[free] = places
    return moved


def _laplacian(points: Floats, faces: Ints) -> tuple[csc_matrix, Floats]:
    """Return the cotangent Laplacian (n, n) and the area (n,) that belongs to every point."""
    corners = points[faces]
    rows, columns, values = [], [], []
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    least = max(float(twice.mean()) * 1e-6, 1e-300)
    for tip in range(3):
        a, b = (tip + 1) % 3, (tip + 2) % 3
        along = np.einsum("ij,ij->i", corners[:, a] - corners[:, tip], corners[:, b] - corners[:, tip])
        half = 0.5 * np.clip(along / np.maximum(twice, least), -_MOST_COTANGENT, _MOST_COTANGENT)
        rows += [faces[:, a], faces[:, b], faces[:, a], faces[:, b]]
        columns += [faces[:, b], faces[:, a], faces[:, a], faces[:, b]]
        values += [-half, -half, half, half]
    size = len(points)
    index = (np.concatenate(rows), np.concatenate(columns))
    stiff = csc_matrix(coo_matrix((np.concatenate(values), index), shape=(size, size)))
    area = np.bincount(faces.ravel(), np.repeat(np.maximum(twice, least) / 6.0, 3), minlength=size)
    return stiff, np.maximum(area, least / 6.0)
