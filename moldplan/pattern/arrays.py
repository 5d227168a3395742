"""A pattern straight from arrays, for generated shapes and for callers with their own reader."""

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.sums import signed_volume, surface_area
from moldplan.errors import PatternError
from moldplan.pattern.model import Axis, Pattern, Survey
from moldplan.pattern.topology import face_bodies, genus_sum, mesh_edges

#: Of up to so many faces the corners are gathered at once, of more they are looked at one by one.
FACES_AT_A_TIME: Final = 1 << 20


def mesh_volume_mm3(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> float:
    """Return the exact signed volume of a closed mesh (divergence theorem), coordinates in mm."""
    if len(faces) > FACES_AT_A_TIME:
        return float(signed_volume(vertices, faces))
    return _volume(vertices[faces])


def mesh_area_mm2(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> float:
    """Return the area of a mesh, coordinates in mm."""
    if len(faces) > FACES_AT_A_TIME:
        return float(surface_area(vertices, faces))
    return _area(vertices[faces])


def _volume(corners: NDArray[np.float64]) -> float:
    """Return the signed volume between triangles (k, 3, 3) and the origin."""
    return float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0)


def _area(corners: NDArray[np.float64]) -> float:
    """Return the area of triangles (k, 3, 3)."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(0.5 * np.sqrt(np.einsum("ij,ij->i", normals, normals)).sum())


def frozen(array: NDArray[np.generic]) -> None:
    """Make `array` read-only."""
    array.flags.writeable = False


def pattern_from_arrays(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int64],
    *,
    name: str = "pattern",
    up: Axis = "+z",
    front: Axis = "-y",
) -> Pattern:
    """Return a pattern from a closed, welded, outward-wound mesh whose coordinates are already in mm.

    Raises
    ------
    PatternError
        When the mesh is not a closed manifold with a positive volume.
    """
    points = np.array(vertices, dtype=np.float64)
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    points -= middle
    triangles = np.array(faces, dtype=np.int64)
    edges = mesh_edges(triangles)
    if not edges.closed:
        raise PatternError(
            f"{name}: not closed: {len(edges.open)} open edges, {len(edges.crowded)} shared by more than two "
            f"faces, {int(edges.same_way.sum())} between faces that disagree; weld and orient the mesh first"
        )
    volume = mesh_volume_mm3(points, triangles)
    if volume <= 0.0:
        raise PatternError(f"{name}: the mesh encloses {volume:g} mm3; wind its faces outward")
    size = points.max(axis=0) - points.min(axis=0)
    frozen(points)
    frozen(triangles)
    survey = Survey(
        file_name=name, sha256="", file_format="arrays", file_unit="mm", scale_known=True,
        points_found=len(points), triangles_found=len(triangles), open_edges_found=0, open_loops_found=0,
        nonmanifold_edges_found=0, doubled_faces_found=0, degenerate_faces_found=0, flipped_faces_found=0,
        triangles=len(triangles), bodies=face_bodies(edges)[0], genus=genus_sum(edges), watertight=True,
        size_mm=(float(size[0]), float(size[1]), float(size[2])),
        area_mm2=mesh_area_mm2(points, triangles), volume_mm3=volume,
        repairs=(), deviation_mm=0.0, problems=(),
    )  # fmt: skip
    return Pattern(
        name=name, path=Path(name), vertices=points, faces=triangles, up=up, front=front,
        up_given=True, front_given=True, scale_mm=1.0, survey=survey,
        middle_file=(float(middle[0]), float(middle[1]), float(middle[2])),
    )  # fmt: skip
