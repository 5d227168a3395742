"""A zoo of tiny parametric solids, shared by all tests. Closed, welded, outward-wound; lengths in mm."""

import numpy as np
from numpy.typing import NDArray

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


def volume(mesh: Mesh) -> float:
    """Signed volume by the divergence theorem."""
    corners = mesh[0][mesh[1]]
    return float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0)


def revolve(profile: list[tuple[float, float]], segments: int = 128) -> Mesh:
    """Turn a profile of (radius, z), from bottom axis point (0, z) to top axis point (0, z), round z."""
    points = [(0.0, 0.0, profile[0][1])]
    angles = 2.0 * np.pi * np.arange(segments) / segments
    for radius, z in profile[1:-1]:
        points.extend((radius * np.cos(a), radius * np.sin(a), z) for a in angles)
    points.append((0.0, 0.0, profile[-1][1]))
    faces = []
    rings = len(profile) - 2
    last = len(points) - 1
    for i in range(segments):
        j = (i + 1) % segments
        faces.append((0, 1 + j, 1 + i))
        for ring in range(rings - 1):
            low, high = 1 + ring * segments, 1 + (ring + 1) * segments
            faces.append((low + i, low + j, high + j))
            faces.append((low + i, high + j, high + i))
        top = 1 + (rings - 1) * segments
        faces.append((top + i, top + j, last))
    return np.array(points), np.array(faces, dtype=np.int64)


def sphere(radius: float = 500.0, level: int = 5) -> Mesh:
    """Icosphere: 20 * 4**level triangles with corners on the sphere."""
    golden = (1.0 + 5.0**0.5) / 2.0
    points = np.array(
        [(-1, golden, 0), (1, golden, 0), (-1, -golden, 0), (1, -golden, 0),
         (0, -1, golden), (0, 1, golden), (0, -1, -golden), (0, 1, -golden),
         (golden, 0, -1), (golden, 0, 1), (-golden, 0, -1), (-golden, 0, 1)],
        dtype=np.float64,
    )  # fmt: skip
    faces = np.array(
        [(0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11), (1, 5, 9), (5, 11, 4), (11, 10, 2),
         (10, 7, 6), (7, 1, 8), (3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8), (3, 8, 9), (4, 9, 5), (2, 4, 11),
         (6, 2, 10), (8, 6, 7), (9, 8, 1)],
        dtype=np.int64,
    )  # fmt: skip
    for _ in range(level):
        edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
        unique, inverse = np.unique(edges, axis=0, return_inverse=True)
        middle = len(points) + inverse.reshape(3, -1)
        points = np.concatenate([points, points[unique].mean(axis=1)])
        a, b, c = faces.T
        ab, bc, ca = middle
        faces = np.concatenate(
            [np.stack(t, axis=1) for t in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
        )
    return radius * points / np.linalg.norm(points, axis=1, keepdims=True), faces


def torus(ring: float = 500.0, tube: float = 100.0, around: int = 192, across: int = 64) -> Mesh:
    """Torus lying flat (axis z)."""
    u = 2.0 * np.pi * np.arange(around) / around
    v = 2.0 * np.pi * np.arange(across) / across
    uu, vv = np.meshgrid(u, v, indexing="ij")
    r = ring + tube * np.cos(vv)
    points = np.stack([r * np.cos(uu), r * np.sin(uu), tube * np.sin(vv)], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(around), np.arange(across), indexing="ij")
    i2, j2 = (i + 1) % around, (j + 1) % across
    a, b, c, d = (p * across + q for p, q in ((i, j), (i2, j), (i2, j2), (i, j2)))
    faces = np.concatenate([np.stack((a, b, c), -1).reshape(-1, 3), np.stack((a, c, d), -1).reshape(-1, 3)])
    return points, faces.astype(np.int64)


def box(x: float = 1000.0, y: float = 600.0, z: float = 400.0) -> Mesh:
    """Box with its middle at the origin."""
    points = np.array([(sx, sy, sz) for sx in (-x, x) for sy in (-y, y) for sz in (-z, z)]) / 2.0
    faces = np.array(
        [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1), (2, 3, 7), (2, 7, 6),
         (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)], dtype=np.int64,
    )  # fmt: skip
    return points, faces


def frustum(bottom: float, top: float, height: float, segments: int = 192) -> Mesh:
    """Frustum on z = 0; `top` greater than `bottom` makes it an undercut when pulled up."""
    return revolve([(0, 0), (bottom, 0), (top, height), (0, height)], segments)


def mushroom(stem: float, stem_height: float, cap: float, cap_height: float, segments: int = 192) -> Mesh:
    """Stem of radius `stem` under a flat cap of radius `cap`, on z = 0."""
    top = stem_height + cap_height
    return revolve(
        [(0, 0), (stem, 0), (stem, stem_height), (cap, stem_height), (cap, top), (0, top)], segments
    )


def turned(mesh: Mesh, matrix: NDArray[np.float64]) -> Mesh:
    """Apply a rotation (3, 3) to a mesh."""
    return mesh[0] @ matrix.T, mesh[1]


def moved(mesh: Mesh, shift: tuple[float, float, float]) -> Mesh:
    """Shift a mesh."""
    return mesh[0] + np.array(shift), mesh[1]
